"""One clip charted and stored: the same code in this process, in a worker process and on a cluster."""

from __future__ import annotations

import importlib
import os
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pipeline import models
from pipeline.batch import level
from pipeline.batch.jobs import Clip, Job, Recipe
from pipeline.chart import chart_clip
from pipeline.config import Config
from pipeline.errors import ModelError, OutputError, SnapledgerError
from pipeline.ledger import ClipResult, Fingerprint, clear_snaps, failure_row, sha256_file, store
from pipeline.tools import Tools

THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


def fingerprint(clip: Clip, config: Config, models_sha256: str) -> Fingerprint:
    """What a finished clip must still be like. A file that cannot be read has an empty sha256."""
    try:
        digest = sha256_file(clip.path)
    except OSError:
        digest = ""
    return Fingerprint(digest, config.fingerprint(), models_sha256)


def chart_one(
    clip: Clip, config: Config, tools: Tools, out: Path | None, tick: Callable[[float], None]
) -> ClipResult:
    """Chart a clip; any failure that is not the run folder's becomes a row. Raises OutputError."""
    try:
        return chart_clip(clip.path, clip.name, clip.snap_base, config, tools, out, tick)
    except OutputError:
        raise
    except Exception as e:
        result = ClipResult(clip.name, failed=True)
        result.add("failures", failure_row(clip.name, e, getattr(e, "stage", "film")))
        if not isinstance(e, SnapledgerError):
            result.notes.append("".join(traceback.format_exception(e)))
        return result


def use_threads(threads: int) -> None:
    """Give this process so many threads in every library that keeps its own count."""
    import cv2

    for name in THREAD_VARIABLES:
        os.environ[name] = str(threads)
    cv2.setNumThreads(threads)


def function(name: str) -> Callable[..., Any]:
    """A function by 'module:name'."""
    module, _, attribute = name.partition(":")
    found: Callable[..., Any] = getattr(importlib.import_module(module), attribute)
    return found


class Worker:
    """Stages loaded once, then clips one after the other.

    Raises ModelError where this machine's models are not those of the run, and what loading raises.
    """

    def __init__(self, recipe: Recipe, tools: Tools | None = None) -> None:
        self.recipe = recipe
        self.tools: Tools = tools if tools is not None else function(recipe.tools)(recipe.config)
        if recipe.models_sha256 and self.tools.models_sha256 != recipe.models_sha256:
            raise ModelError(
                "A worker has other models than the run.",
                hint="Install the same version and models on every machine of the cluster.",
            )
        self._at_level: dict[str, Tools] = {}

    def _for(self, job: Job) -> Tools:
        if job.level is None:
            return self.tools
        if job.level not in self._at_level:
            self._at_level[job.level] = self.tools.at_level(job.level)
        return self._at_level[job.level]

    def do(self, job: Job, tick: Callable[[float], None] = lambda share: None) -> None:
        """Chart a clip and store its result in the run folder, or leave its field level there. Raises OutputError."""
        recipe = self.recipe
        if job.only_level:
            level.leave(recipe.out, job.clip.snap_base, level.look(job.clip.path, recipe.config, self.tools))
            return
        clear_snaps(recipe.out, job.clip.snap_base)
        mark = fingerprint(job.clip, recipe.config, self.tools.models_sha256)
        result = chart_one(job.clip, recipe.config, self._for(job), recipe.out, tick)
        if job.note:
            result.notes.append(job.note)
        if models.CUDA in models.ran_on():
            result.notes.append("networks ran on a GPU: last digits may differ from a processor's")
        if job.attempt > 1:
            result.notes.append("charted at the second attempt: the first ended with its worker")
        store(recipe.out, result, mark)
