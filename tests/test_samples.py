"""sample_frames/: what it shows, its size, and the main job on one of its clips with the models that ship."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import evaluate, film, ledger

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_frames"


def rows(name: str, folder: str = "truth") -> list[ledger.Row]:
    return ledger.read_csv(SAMPLES / folder / f"{name}.csv", name)


def test_six_small_h264_clips_of_both_views() -> None:
    clips = sorted(SAMPLES.glob("*.mp4"))
    assert len(clips) == 6 and sum(c.stat().st_size for c in clips) < 25_000_000
    assert {film.probe(c).codec for c in clips} == {"h264"}
    assert {r["clip"] for r in rows("snaps")} == {c.name for c in clips}
    assert {r["view"] for r in rows("snaps")} == {"sideline", "endzone"}


def test_between_them_they_show_what_they_should() -> None:
    found = rows("snaps")
    assert {0, 1, 2} <= {r["deep_safeties"] for r in found}
    assert any(r["rotation"] == "two_to_one" for r in found)
    assert any((r["spare_rushers"] or 0) > 0 for r in found)
    assert any(r["motion_response"] == "followed" for r in found)


def test_truth_validates_against_the_schemas() -> None:
    for name in ("snaps", "positions", "registration"):
        assert ledger.csv_bytes(name, rows(name))


def test_expected_ledger_is_close_to_the_truth() -> None:
    expected, truth = rows("snaps", "expected"), rows("snaps")
    assert [r["clip"] for r in expected] == sorted(r["clip"] for r in truth)
    by_clip = {r["clip"]: r for r in truth}
    for row in expected:
        assert row["snap_frame"] is not None
        assert abs(row["snap_frame"] - by_clip[row["clip"]]["snap_frame"]) <= 3


@pytest.fixture(scope="module")
def charted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first clip, charted by the command with the models that ship."""
    out = tmp_path_factory.mktemp("sample")
    clip = min(SAMPLES.glob("*.mp4"))
    command = [sys.executable, "-m", "pipeline.cli", "chart", str(clip), "--field", "college", "--out", str(out)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    return out


def test_main_job_on_a_sample_gives_the_expected_row(charted: Path) -> None:
    (got,) = ledger.read_csv(charted / "snaps.csv", "snaps")
    want = next(r for r in rows("snaps", "expected") if r["clip"] == got["clip"])
    for column in ("view", "play_kind", "field_level", "deep_safeties", "corner_picture", "rushers"):
        assert got[column] == want[column], column
    # Processors round differently: positions may differ a little, frames hardly.
    assert abs(got["snap_frame"] - want["snap_frame"]) <= 1


def test_main_job_on_a_sample_stands_up_to_the_truth(charted: Path) -> None:
    report = evaluate.evaluate(charted, SAMPLES / "truth")
    recall = report.value("people_recall_sideline")
    median = report.value("position_median_yd")
    assert recall is not None and recall > 0.85
    assert median is not None and median < 0.6
    assert len(list((charted / "frames").glob("*.jpg"))) == 2
