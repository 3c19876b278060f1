"""A batch on processes of this machine: same ledger, killed at any moment, crashing and hanging clips, full disk."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest

from pipeline import config as configs
from pipeline import ledger
from pipeline.batch import jobs as jobs_module
from pipeline.batch.here import Here
from pipeline.batch.jobs import Ended, Job, Plan, Recipe
from pipeline.batch.local import Local
from pipeline.config import Config
from pipeline.errors import OutputError, SomeFailedError
from pipeline.progress import LineReporter
from pipeline.run import Clip, Run, collect
from tests import program_support as support
from tests.batch import batch_support

ROOT = Path(__file__).resolve().parents[2]
TABLES = ledger.RUN_TABLES
PROGRAM = """
import sys
from pathlib import Path
from pipeline import config as configs
from pipeline.batch.jobs import Plan, Recipe
from pipeline.batch.local import Local
from pipeline.progress import LineReporter
from pipeline.run import Run, collect
from tests.batch import batch_support
if __name__ == "__main__":
    film, out = Path(sys.argv[1]), Path(sys.argv[2])
    config = batch_support.quick(configs.load())
    recipe = Recipe(config, out, "m", batch_support.FAKE)
    run = Run(config, None, out, "--resume" in sys.argv, Local(recipe, Plan(2, 1)))
    run.chart(collect([film], config), LineReporter(sys.stdout))
"""


@pytest.fixture(scope="module")
def config() -> Config:
    return batch_support.quick(configs.load())


@pytest.fixture(scope="module")
def game(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight clips of two kinds, one of them no film."""
    folder = tmp_path_factory.mktemp("game")
    one = support.write_film(folder / "a.mp4", 1.2)
    for name in "bcdefg":
        shutil.copy(one, folder / f"{name}.mp4")
    (folder / "h.mp4").write_text("no film", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def whole(game: Path, config: Config, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The undisturbed run, in this process."""
    out = tmp_path_factory.mktemp("whole")
    run = Run(config, None, out, False, Here(config, batch_support.load(config), out))
    with pytest.raises(SomeFailedError):
        run.chart(collect([game], config), LineReporter(sys.stderr))
    return out


def local(config: Config, out: Path, film: Path, resume: bool = False, workers: int = 2) -> Run:
    return Run(config, None, out, resume, Local(Recipe(config, out, "m", batch_support.FAKE), Plan(workers, 1)))


def same(one: Path, other: Path) -> None:
    for name in TABLES:
        assert (one / f"{name}.csv").read_bytes() == (other / f"{name}.csv").read_bytes(), name
    for folder in ("frames", "evidence"):
        names = sorted(p.name for p in (one / folder).iterdir())
        assert names == sorted(p.name for p in (other / folder).iterdir())


def hears_ctrl_c() -> None:
    """Where the tests run in a shell's background, SIGINT is ignored, and children inherit that."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def start(film: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(film), str(out), *more], cwd=ROOT, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, start_new_session=True, preexec_fn=hears_ctrl_c,
    )  # fmt: skip


def gone(folder: Path, within_s: float = 10.0) -> bool:
    """True once none of the workers that left their number in a folder lives."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        alive = [p for p in folder.iterdir() if Path(f"/proc/{p.name}").exists()]
        if not alive:
            return True
        time.sleep(0.05)
    return False


def test_same_ledger_as_in_one_process_and_models_loaded_once_a_worker(
    game: Path, whole: Path, config: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = tmp_path / "loaded"
    loaded.mkdir()
    monkeypatch.setenv(batch_support.LOADED, str(loaded))
    out = tmp_path / "out"
    with pytest.raises(SomeFailedError):
        local(config, out, game).chart(collect([game], config), LineReporter(sys.stderr))
    same(whole, out)
    assert len(list(loaded.iterdir())) == 2
    assert gone(loaded)


def test_killed_at_twenty_moments_the_finished_ledger_is_the_undisturbed_one(
    game: Path, whole: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded = tmp_path / "loaded"
    loaded.mkdir()
    monkeypatch.setenv(batch_support.LOADED, str(loaded))
    out, moments = tmp_path / "out", random.Random(5)
    kept: set[str] = set()
    for kill in range(20):
        run = start(game, out, *(["--resume"] if kill else []))
        # Every fifth while it starts, the others while clips are in work or being stored.
        while kill % 5 and run.poll() is None and not list(loaded.iterdir()):
            time.sleep(0.005)
        time.sleep(moments.uniform(0.0, 0.4))
        run.kill()
        run.communicate()
        assert gone(loaded), "workers outlive the run"
        for path in loaded.iterdir():
            path.unlink()
        now = {p.name for p in (out / "work").glob("*.json")}
        assert kept <= now, "a finished clip was lost"
        kept = now
        assert not [p for p in out.glob("*.csv") if not p.read_bytes().endswith(b"\r\n")], "half a table"
    before = {p: p.stat().st_mtime_ns for p in (out / "work").glob("[!h]*.json")}
    last = start(game, out, "--resume")
    said = last.communicate(timeout=120)[0].decode()
    assert said.count("done before") == len(before)
    assert all(p.stat().st_mtime_ns == t for p, t in before.items()), "a finished clip was done again"
    same(whole, out)
    assert not list(out.rglob("*.tmp"))


def test_ctrl_c_stops_cleanly_and_resuming_finishes(game: Path, whole: Path, tmp_path: Path) -> None:
    for attempt in range(4):  # on a busy machine all clips may be done before the signal arrives
        out = tmp_path / f"out{attempt}"
        run = start(game, out)
        while run.poll() is None and not list((out / "work").glob("*.json")):
            time.sleep(0.02)
        left = len(list(game.iterdir())) - len(list((out / "work").glob("*.json")))
        with suppress(ProcessLookupError):
            os.killpg(run.pid, signal.SIGINT)  # a terminal sends it to the workers too
        error = run.communicate(timeout=60)[1].decode()
        if "KeyboardInterrupt" in error or left > 2:
            break
    assert "KeyboardInterrupt" in error  # the command turns it into a message; see test_cli_batch
    assert (out / "snaps.csv").is_file() and (out / "run.json").is_file()
    start(game, out, "--resume").communicate(timeout=120)
    same(whole, out)


def treacherous(folder: Path, brightness: int) -> None:
    shutil.copy(support.write_film(folder / "good.mp4", 1.2), folder / "other.mp4")
    support.write_film(folder / "evil.mp4", 1.2, brightness=brightness)


def fails_alone(folder: Path, out: Path, config: Config) -> ledger.Row:
    with pytest.raises(SomeFailedError):
        local(config, out, folder).chart(collect([folder], config), LineReporter(sys.stderr))
    assert [r["clip"] for r in ledger.read_csv(out / "snaps.csv", "snaps")] == ["good.mp4", "other.mp4"]
    (row,) = ledger.read_csv(out / "failures.csv", "failures")
    assert row["file"] == "evil.mp4" and row["hint"] and "twice" in row["reason"]
    assert not list((out / "evidence").glob("evil*"))
    return row


def test_a_clip_that_crashes_its_worker_costs_itself_alone(config: Config, tmp_path: Path) -> None:
    (tmp_path / "game").mkdir()
    treacherous(tmp_path / "game", 255)
    row = fails_alone(tmp_path / "game", tmp_path / "out", config)
    assert row["stage"] == "people" and "SIGKILL" in row["reason"]


def test_a_clip_that_hangs_its_worker_costs_itself_alone(config: Config, tmp_path: Path) -> None:
    (tmp_path / "game").mkdir()
    treacherous(tmp_path / "game", 0)
    hasty = config.with_("execution", limit_floor_s=5.0, limit_per_film_s=1.0)
    row = fails_alone(tmp_path / "game", tmp_path / "out", hasty)
    assert row["stage"] == "people" and "No end" in row["reason"]


def test_a_worker_lost_once_costs_nothing(config: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "game").mkdir()
    treacherous(tmp_path / "game", 205)
    (tmp_path / "once").write_text("x", encoding="utf-8")
    monkeypatch.setenv(batch_support.CRASH_ONCE, str(tmp_path / "once"))
    out = tmp_path / "out"
    local(config, out, tmp_path).chart(collect([tmp_path / "game"], config), LineReporter(sys.stderr))
    assert not (tmp_path / "once").exists()
    assert len(ledger.read_csv(out / "snaps.csv", "snaps")) == 3
    assert "second attempt" in (out / "run.json").read_text(encoding="utf-8")


def test_a_full_disk_in_a_worker_stops_the_run_with_its_reason(game: Path, config: Config, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "evidence").mkdir(parents=True)
    (out / "evidence").rmdir()
    (out / "evidence").write_text("a file where a folder must be", encoding="utf-8")
    with pytest.raises(OutputError) as caught:
        local(config, out, game).chart(collect([game], config), LineReporter(sys.stderr))
    assert "evidence" in str(caught.value) and caught.value.hint
    assert (out / "failures.csv").is_file()


def test_two_runs_never_share_a_folder(game: Path, config: Config, tmp_path: Path) -> None:
    out = tmp_path / "out"
    first = start(game, out)
    while first.poll() is None and not (out / "work" / ".lock").exists():
        time.sleep(0.02)
    time.sleep(0.2)
    with pytest.raises(OutputError, match="Another snapledger"):
        local(config, out, game).chart(collect([game], config), LineReporter(sys.stderr))
    first.kill()
    first.communicate()


def test_workers_times_threads_are_the_cores(config: Config) -> None:
    for have in (1, 2, 3, 8, 16):
        for clips in (1, 2, 5, 300):
            plan = jobs_module.divide(config, clips, have, 64 * 2**30)
            assert plan.workers <= clips and have - plan.workers < plan.workers * plan.threads <= have
    short = jobs_module.divide(config, 300, 16, 4 * 2**30)
    assert short.workers == 3 and short.threads == 5 and "memory" in short.why  # a worker takes about 1 GB
    assert jobs_module.divide(config.with_("execution", workers=3), 300, 16, 2**30).workers == 3


def test_limit_grows_with_the_film_and_has_a_floor(config: Config) -> None:
    limits = config.with_("execution", limit_floor_s=100.0, limit_per_film_s=10.0)
    assert [jobs_module.limit_s(limits, s) for s in (None, 1.0, 60.0)] == [100.0, 100.0, 600.0]


def test_workers_that_cannot_start_end_the_run(game: Path, config: Config, tmp_path: Path) -> None:
    recipe = Recipe(config, tmp_path, "other models", batch_support.FAKE)
    engine = Local(recipe, Plan(2, 1))
    with pytest.raises(Exception, match="other models"):
        list(engine.run([Job(Clip(game / "a.mp4", "a.mp4", "a"))]))
    engine.close()


@pytest.mark.parametrize("ending", [lambda e: isinstance(e, Ended)])
def test_an_engine_may_be_asked_again(
    ending: Callable[[object], bool], game: Path, config: Config, tmp_path: Path
) -> None:
    engine = Local(Recipe(config, tmp_path, "m", batch_support.FAKE), Plan(1, 1))
    job = Job(Clip(game / "a.mp4", "a.mp4", "a"))
    try:
        for _ in range(2):
            assert sum(ending(e) for e in engine.run([job])) == 1
    finally:
        engine.close()


def test_hostile_file_names_are_charted_and_stay_inside_the_run(config: Config, tmp_path: Path) -> None:
    game, out, other = tmp_path / "game", tmp_path / "out", tmp_path / "here"
    game.mkdir()
    names = ["=cmd|' C calc'!A0.mp4", 'he said "go".mp4', "a..mp4", "\U0001f3c8 one.mp4", "\u05d0\u05d1\u202e.mp4",
             "y" * 240 + ".mp4", "-rf.mp4", "a,b;c.mp4"]  # fmt: skip
    one = support.write_film(tmp_path / "one.mp4", 1.2)
    for name in names:
        shutil.copy(one, game / name)
    local(config, out, game).chart(collect([game], config), LineReporter(sys.stderr))
    rows = ledger.read_csv(out / "snaps.csv", "snaps")
    assert sorted(r["clip"] for r in rows) == sorted(names)
    assert b"\r\n=cmd" not in (out / "snaps.csv").read_bytes() and len({r["snap_id"] for r in rows}) == len(names)
    assert len(list((out / "frames").iterdir())) == 2 * len(names)
    assert {p.name for p in tmp_path.iterdir()} == {"game", "out", "one.mp4"}
    Run(config, None, other, False, Here(config, batch_support.load(config), other)).chart(
        collect([game], config), LineReporter(sys.stderr)
    )
    same(other, out)


def test_a_folder_that_cannot_be_written_is_said_before_any_work(
    game: Path, config: Config, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: str, *more: object, **options: object) -> None:
        raise OSError(30, "Read-only file system", path)

    monkeypatch.setattr(ledger.Path, "mkdir", refuse)
    engine = local(config, tmp_path / "out", game)
    with pytest.raises(OutputError, match="Read-only") as caught:
        engine.chart(collect([game], config), LineReporter(sys.stderr))
    assert "disk that can be written" in caught.value.hint
