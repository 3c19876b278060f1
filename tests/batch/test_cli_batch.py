"""The command over several clips with the models that ship: stopped, killed, resumed; what it says."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner

from pipeline import ledger
from pipeline.batch import closing, estimate
from pipeline.cli import app
from pipeline.progress import LineReporter, Pace, about
from pipeline.run import Clip

ROOT = Path(__file__).resolve().parents[2]
QUICK = "[sampling]\ntimes_s = [-0.3, 0.0, 0.25, 1.0]\n[pictures]\nwidth_px = 320\n[execution]\nworkers = 2\n"


def hears_ctrl_c() -> None:
    """Where the tests run in a shell's background, SIGINT is ignored, and children inherit that."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def start(*args: Path | str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "pipeline.cli", "chart", *map(str, args)]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=hears_ctrl_c,
    )  # fmt: skip


def stored(out: Path) -> list[Path]:
    return list((out / "work").glob("*.json"))


def test_real_clips_stopped_and_killed_give_the_undisturbed_ledger(tmp_path: Path) -> None:
    game, config = tmp_path / "game", tmp_path / "quick.toml"
    game.mkdir()
    for path in sorted((ROOT / "sample_frames").glob("*.mp4"))[:3]:  # two at once: one is left when the first is done
        shutil.copy(path, game / path.name)
    config.write_text(QUICK, encoding="utf-8")
    options = (game, "--field", "college", "--config", config)
    out, whole = tmp_path / "out", tmp_path / "whole"
    run = start(*options, "--out", out)
    while run.poll() is None and not stored(out):
        time.sleep(0.02)
    os.killpg(run.pid, signal.SIGINT)
    said, error = run.communicate(timeout=60)
    assert run.returncode == 130 and "--resume" in error, said + error
    assert (out / "snaps.csv").is_file()
    run = start(*options, "--out", out, "--resume")
    time.sleep(2.5)
    run.kill()
    run.communicate()
    done = len(stored(out))
    said, error = start(*options, "--out", out, "--resume").communicate(timeout=200)
    assert said.count("done before") >= done >= 1 and "Charted:   3 of 3" in said, said + error
    start(*options, "--out", whole, "--on", "here").communicate(timeout=200)
    for name in ledger.RUN_TABLES:
        assert (out / f"{name}.csv").read_bytes() == (whole / f"{name}.csv").read_bytes(), name


def test_a_place_that_is_none_is_usage(tmp_path: Path) -> None:
    for place in ("moon", "ray://"):
        args = ["chart", str(ROOT / "sample_frames"), "--out", str(tmp_path / "o"), "--on", place]
        result = CliRunner().invoke(app, args)
        assert result.exit_code == 2 and "ray://HOST:PORT" in result.stderr


def test_dry_run_says_how_long_and_on_what_that_rests(tmp_path: Path) -> None:
    out = tmp_path / "out"
    args = ["chart", str(ROOT / "sample_frames"), "--out", str(out), "--dry-run", "--workers", "2"]
    said = CliRunner().invoke(app, args).stdout
    assert "6 to chart, 0.6 min of film: about" in said and "by the bench" in said
    folder = ledger.RunFolder(out)
    for name in "xyz":  # three clips charted here before: 4 s of work a second of film
        result = ledger.ClipResult(name, {}, {"total": 40.0}, 10.0)
        folder.keep(result, ledger.Fingerprint("", "", ""))
    said = CliRunner().invoke(app, args).stdout
    assert "as measured on 3 clip(s) charted here before" in said


def test_estimate_is_work_over_workers_and_never_less_than_the_longest_clip() -> None:
    done = [ledger.ClipResult(n, {}, {"total": 20.0}, 10.0) for n in "abc"]
    rate = estimate.rate(done, threads=1)
    assert rate.core_s == pytest.approx(2.0)
    assert estimate.wall_s([10.0] * 8, rate, 4, 1) == pytest.approx(40.0)
    assert estimate.wall_s([100.0, 1.0], rate, 8, 1) == pytest.approx(200.0)
    assert estimate.wall_s([10.0], estimate.Rate(None, "x"), 1, 1) is None


def test_pace_counts_what_was_worked_on_only() -> None:
    now = [0.0]
    pace = Pace(lambda: now[0])
    for name in ("a", "b"):
        pace.started(name, 10)
        pace.ended_with(name, worked=False)
    for name in ("c", "d"):
        pace.started(name, 10)
    now[0] = 60.0
    pace.ended_with("c", worked=True)
    pace.advanced(0.5, "d")
    # 1.5 clips in a minute; 10 - 2 - 1.5 = 6.5 clips are left.
    assert pace.completed == pytest.approx(3.5)
    assert pace.text() == "1.5 clips a minute, about 4 min left"
    assert [about(s) for s in (0.2, 89, 600, 7200)] == ["about 1 s", "about 89 s", "about 10 min", "about 2.0 h"]


def test_summary_tells_what_to_review_and_what_failed() -> None:
    said = "cut: y; unsure: motion, play_kind; 2 of the defence not found"
    rows = [
        {"snap_id": "a-p1", "clip": "a", "snap_frame": 3, "review": True, "review_reasons": "cut: x; dark"},
        {"snap_id": "a-p2", "clip": "a", "snap_frame": 9, "review": True, "review_reasons": said},
        {"snap_id": "a-p3", "clip": "a", "play_kind": "no_snap", "review": True},
    ]
    bad = {"file": "b", "stage": "film", "error": "E", "reason": "No film.", "hint": "Copy it again."}
    results = [ledger.ClipResult("a", {"snaps": rows}), ledger.ClipResult("b", {"failures": [bad]}, failed=True)]
    lines = closing.close(results, [], 2).lines()
    assert lines[0] == "Charted:   1 of 2 clip(s), 2 snap(s), 1 without a snap"
    assert lines[1] == "To review: 2 of 2 snap(s)" and lines[2].strip() == "cut (2)"
    shown = {x.strip() for x in lines}
    assert {"motion unsure (1)", "play kind unsure (1)", "men of the defence not found (1)"} <= shown
    assert lines[-1].strip() == "b (film): No film. Hint: Copy it again."


def test_lines_keep_each_clips_own_place(capsys: pytest.CaptureFixture[str]) -> None:
    reporter = LineReporter(sys.stdout)
    a, b = (Clip(Path(n), n, n) for n in ("a", "b"))
    reporter.started(a, 1, 2)
    reporter.started(b, 2, 2)
    reporter.advanced(0.5, a)
    reporter.ended(b, "done", True)
    reporter.ended(a, "done", True)
    assert capsys.readouterr().out.splitlines() == ["[2/2] b: done", "[1/2] a: done"]
