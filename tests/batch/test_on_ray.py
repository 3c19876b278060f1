"""A local Ray cluster of two workers: the same ledger, and one killed worker costs nothing."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

from pipeline import config as configs
from pipeline import ledger
from pipeline.batch.here import Here
from pipeline.batch.jobs import Plan, Recipe, Started
from pipeline.errors import UsageError
from pipeline.progress import LineReporter
from pipeline.run import Run, collect
from tests import program_support as support
from tests.batch import batch_support

ray = pytest.importorskip("ray", reason="ray is not installed: pip install 'snapledger[ray]'")
from pipeline.batch import on_ray  # noqa: E402


class KillsOne(on_ray.OnRay):
    """Kills the first worker that gets a clip."""

    killed = 0

    def run(self, jobs):  # type: ignore[no-untyped-def]
        for event in super().run(jobs):
            if isinstance(event, Started) and not self.killed:
                seat = next(s for s in self._seats if s.job is event.job)
                self.killed = seat.pid
                os.kill(seat.pid, 9)
            yield event


def test_two_workers_give_the_same_ledger_and_a_killed_one_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(Path(__file__).resolve().parents[2])
    config = batch_support.quick(configs.load())
    game, whole, out = tmp_path / "game", tmp_path / "whole", tmp_path / "out"
    game.mkdir()
    one = support.write_film(game / "a.mp4", 1.2)
    for name in "bcde":
        shutil.copy(one, game / f"{name}.mp4")
    inputs = collect([game], config)
    Run(config, None, whole, False, Here(config, batch_support.load(config), whole)).chart(
        inputs, LineReporter(sys.stderr)
    )
    (out / ledger.WORK).mkdir(parents=True)
    engine = KillsOne("ray://local", Recipe(config, out, "m", batch_support.FAKE), Plan(2, 1))
    Run(config, None, out, False, engine).chart(inputs, LineReporter(sys.stderr))
    assert engine.killed
    for name in ledger.RUN_TABLES:
        assert (out / f"{name}.csv").read_bytes() == (whole / f"{name}.csv").read_bytes(), name
    assert "second attempt" in (out / "run.json").read_text(encoding="utf-8")
    assert not ray.is_initialized()


def test_a_cluster_that_does_not_answer_is_said() -> None:
    with pytest.raises(UsageError, match="Unknown place"):
        on_ray.connect("ray://", 1)


def test_without_ray_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "ray", None)
    with pytest.raises(UsageError, match="not installed") as caught:
        on_ray.connect("ray://local", 1)
    assert "snapledger[ray]" in caught.value.hint
