"""Stages that know the answer, by a name that a worker process can import; some clips crash or hang it."""

from __future__ import annotations

import os
import time
from pathlib import Path

from pipeline.config import Config
from pipeline.tools import Tools
from tests import program_support as support

FAKE = "tests.batch.batch_support:load"
LOADED = "SNAPLEDGER_TEST_LOADED"  # folder in which each worker leaves a file when it loads
CRASH_ONCE = "SNAPLEDGER_TEST_CRASH_ONCE"  # file that is removed by the first crash


class Treacherous:
    """A finder whose behaviour the picture's own top rows choose: bright crashes, black hangs."""

    def __init__(self) -> None:
        self.known = support.KnownFinder()

    def find(self, image_bgr):  # type: ignore[no-untyped-def]
        top = image_bgr[:12].mean()
        self.known.calls = 0  # the same answer whatever was charted before
        if top > 235:
            os.kill(os.getpid(), 9)
        once = os.environ.get(CRASH_ONCE)
        if 180 < top < 235 and once and Path(once).exists():
            Path(once).unlink()
            os.kill(os.getpid(), 9)
        if top < 25:
            time.sleep(3600)
        return self.known.find(image_bgr)


def load(config: Config, *, still: bool = False) -> Tools:
    """Tools of program_support with a finder that can take its worker down."""
    folder = os.environ.get(LOADED)
    if folder:
        (Path(folder) / str(os.getpid())).write_text(str(config.execution.threads), encoding="utf-8")
    tools = support.known_tools((0.8,))
    return Tools(**{**vars(tools), "finder": Treacherous()})


def quick(config: Config) -> Config:
    """Few moments and no pictures' size to speak of: a clip takes a fraction of a second."""
    small = config.with_("sampling", times_s=[-0.3, 0.0, 0.25], after_s=0.25, register_every=1)
    return small.with_("pictures", width_px=320).with_("field", level="college")
