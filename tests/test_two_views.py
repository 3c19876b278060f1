"""Two views of a play: one row, each label from the view that is surer, disagreement marked."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline import config, context, ledger, two_views
from pipeline.ledger import Row
from pipeline.schema import SCHEMA_VERSION
from pipeline.two_views import Paired


def snap(clip: str, view: str, **more: object) -> Row:
    return {"snap_id": clip.split(".")[0] + "-p1", "clip": clip, "snap_frame": 9, "snap_time_s": 0.3, "view": view,
            "play_kind": "dropback", "schema_version": SCHEMA_VERSION, **more}  # fmt: skip


def label(name: str, value: object, confidence: float, status: str = "ok") -> Row:
    return {"snap_id": "x", "label": name, "value": None if value is None else str(value), "confidence": confidence,
            "status": status, "reason": "seen"}  # fmt: skip


@pytest.mark.parametrize(
    ("side", "end", "together"),
    [("p01_sideline.mp4", "p01_endzone.mp4", True), ("07 wide.mp4", "07 tight.mp4", True),
     ("g-ez-3.mp4", "g-sl-3.mp4", True),
     ("p01_sideline.mp4", "p02_endzone.mp4", False), ("blindside.mp4", "blindend.mp4", False)],
)  # fmt: skip
def test_clips_are_paired_by_the_word_that_names_the_view(side: str, end: str, together: bool) -> None:
    pairs, notes = two_views.pair([snap(side, "sideline"), snap(end, "endzone")], "names")
    assert (len(pairs) == 1) == together and not notes


def test_by_order_only_where_the_counts_agree() -> None:
    side = [snap(f"s{k}.mp4", "sideline") for k in range(3)]
    end = [snap(f"e{k}.mp4", "endzone") for k in range(3)]
    pairs, _ = two_views.pair(side + end, "order")
    assert [(a["clip"], b["clip"]) for a, b in pairs] == [(f"s{k}.mp4", f"e{k}.mp4") for k in range(3)]
    pairs, notes = two_views.pair(side + end[:2], "order")
    assert pairs == [] and "3 snaps from the side, 2 from behind" in notes[0]
    assert two_views.pair(side + end, "none") == ([], [])


def test_each_label_comes_from_the_surer_view_and_what_belongs_together_stays_together() -> None:
    side = snap("p_side.mp4", "sideline", deep_safeties=2, middle_of_field="open", rushers=5, blockers=6,
                spare_rushers=-1, read_window="long", coverage_after="cover_4", confidence=0.7)  # fmt: skip
    end = snap("p_end.mp4", "endzone", deep_safeties=None, rushers=4, blockers=5, spare_rushers=-1, read_window="long",
               coverage_after=None, confidence=0.8, line_of_scrimmage_yd=40.0)  # fmt: skip
    a = {"deep_safeties": label("deep_safeties", 2, 0.95), "rushers": label("rushers", 5, 0.6),
         "coverage_after": label("coverage_after", "cover_4", 0.8)}  # fmt: skip
    b = {"deep_safeties": label("deep_safeties", None, 0.0, "not_visible"), "rushers": label("rushers", 4, 0.9),
         "coverage_after": label("coverage_after", None, 0.0, "not_visible")}  # fmt: skip
    row, labels = two_views.merge(Paired(side, end, a, b))
    assert (row["deep_safeties"], row["rushers"], row["blockers"], row["coverage_after"]) == (2, 4, 5, "cover_4")
    assert (
        row["other_view_clip"] == "p_end.mp4" and row["line_of_scrimmage_yd"] == 40.0 and row["snap_id"] == "p_side-p1"
    )
    assert row["review"] and "views disagree: rushers 5 from the side, 4 from behind" in row["review_reasons"]
    assert labels["rushers"]["reason"] == "from behind: seen" and labels["rushers"]["snap_id"] == "p_side-p1"
    assert labels["deep_safeties"]["value"] == "2"


def test_views_that_agree_are_not_for_review_for_that() -> None:
    side = snap("p_side.mp4", "sideline", rushers=4, corner_depth_offense_left_yd=7.0)
    end = snap("p_end.mp4", "endzone", rushers=4, corner_depth_offense_left_yd=7.9)
    row, _ = two_views.merge(
        Paired(side, end, {"rushers": label("rushers", 4, 0.9)}, {"rushers": label("rushers", 4, 0.8)})
    )
    assert not row["review"] and row["review_reasons"] is None and row["corner_depth_offense_left_yd"] == 7.0


def test_a_run_becomes_one_row_a_play(tmp_path: Path) -> None:
    rows = [
        snap("p1_side.mp4", "sideline", rushers=4),
        snap("p1_end.mp4", "endzone", rushers=5),
        snap("q.mp4", "sideline"),
    ]
    ledger.write_csv(tmp_path / "snaps.csv", "snaps", rows)
    found = [
        {**label("rushers", 4, 0.7), "snap_id": "p1_side-p1"},
        {**label("rushers", 5, 0.9), "snap_id": "p1_end-p1"},
    ]
    ledger.write_csv(tmp_path / "labels.csv", "labels", found)
    said = context.finish(tmp_path, config.load(), None)
    got = ledger.read_csv(tmp_path / "snaps.csv", "snaps")
    assert [r["clip"] for r in got] == ["p1_side.mp4", "q.mp4"] and got[0]["rushers"] == 5
    assert (
        got[0]["other_view_snap_id"] == "p1_end-p1" and "1 play(s) told from both views, 1 with a disagreement" in said
    )
    told = ledger.read_csv(tmp_path / "labels.csv", "labels")
    assert [(r["snap_id"], r["value"]) for r in told if r["snap_id"] == "p1_side-p1"] == [("p1_side-p1", "5")]
    assert context.finish(tmp_path, config.load(), None) == [], "again: nothing to do"


def test_the_deep_count_is_the_sidelines_however_sure_the_other_view_is() -> None:
    """Common practice, no source: from behind the end zone the deepest man is seldom in the picture."""
    side = snap("p_side.mp4", "sideline", deep_safeties=1, coverage_before="cover_3")
    end = snap("p_end.mp4", "endzone", deep_safeties=0, coverage_before="cover_0")
    a = {"deep_safeties": label("deep_safeties", 1, 0.7), "coverage_before": label("coverage_before", "cover_3", 0.5)}
    b = {"deep_safeties": label("deep_safeties", 0, 0.99), "coverage_before": label("coverage_before", "cover_0", 0.9)}
    row, _ = two_views.merge(Paired(side, end, a, b))
    assert (row["deep_safeties"], row["coverage_before"]) == (1, "cover_3")
    assert "views disagree: deep_safeties 1 from the side, 0 from behind" in row["review_reasons"]
