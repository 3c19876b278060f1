"""A snap played again from its evidence: the same rows without corrections, what follows with them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline import config as configs
from pipeline import labels
from pipeline.audit import AuditStore, NewEvent, audited_snaps, evidence, final_rows, replay, reread
from pipeline.audit.runs import RunFacts
from pipeline.errors import InputError
from pipeline.ledger import csv_bytes, read_csv
from tests import program_support as program

SNAP = "harbor_01-p1"


def table_rows(run: Path, name: str) -> list[dict[str, Any]]:
    return [r for r in read_csv(run / f"{name}.csv", name) if r["snap_id"] == SNAP]


def geometry(run: Path, *events: NewEvent) -> tuple[Any, ...]:
    with AuditStore(run, "Ada") as store:
        store.append_many(events)
        return store.state(SNAP).geometry


def person(run: Path, position: str, nth: int = 0, moment: str = "snap") -> dict[str, Any]:
    found = [r for r in table_rows(run, "positions") if r["position"] == position and r["moment"] == moment]
    return sorted(found, key=lambda r: r["across_yd"])[nth]


def moved(p: dict[str, Any], depth: float = 0.0, across: float = 0.0) -> NewEvent:
    """A move in the play frame; the film's offence attacks to the right: depth along x, across against y."""
    to = {"moment": p["moment"], "x_yd": p["x_yd"] + depth, "y_yd": p["y_yd"] - across}
    return NewEvent(SNAP, "person_moved", str(p["person_id"]), to,
                    {"x_yd": p["x_yd"], "y_yd": p["y_yd"], "frame": p["frame"]})  # fmt: skip


def test_without_corrections_the_rows_are_those_of_the_charting(charted: Path) -> None:
    again = replay.recompute(charted, SNAP, ())
    assert again["notes"] == []
    before = {(r["moment"], r["person_id"]): r for r in table_rows(charted, "positions")}
    after = {(r["moment"], r["person_id"]): r for r in again["positions"]}
    assert before.keys() == after.keys()
    for key, row in before.items():
        for name, value in row.items():
            if isinstance(value, float):
                assert after[key][name] == pytest.approx(value, abs=2e-4), (key, name)
            else:
                assert after[key].get(name) == value, (key, name)
    assert {r["label"]: r["value"] for r in again["labels"]} == {
        r["label"]: r["value"] for r in table_rows(charted, "labels")
    }  # fmt: skip
    snap = next(r for r in read_csv(charted / "snaps.csv", "snaps") if r["snap_id"] == SNAP)
    for name, value in snap.items():
        same = {**snap, **again["row"]}[name]
        assert same == (pytest.approx(value, abs=2e-4) if isinstance(value, float) else value), name


def test_a_safety_brought_down_changes_the_count(run: Path) -> None:
    safety = person(run, "safety")
    again = replay.recompute(run, SNAP, geometry(run, moved(safety, depth=-8.0)))
    told = {r["label"]: r["value"] for r in again["labels"]}
    assert told["deep_safeties"] == "1" and told["middle_of_field"] == "closed"
    now = next(r for r in again["positions"] if r["person_id"] == safety["person_id"] and r["moment"] == "snap")
    assert now["depth_yd"] == pytest.approx(safety["depth_yd"] - 8.0, abs=0.02) and now["deep"] is False
    later = next(r for r in again["positions"] if r["person_id"] == safety["person_id"] and r["moment"] == "after")
    assert later["depth_yd"] == pytest.approx(safety["depth_yd"], abs=0.3)  # where he was a second later stands
    others = {r["person_id"]: r["x_yd"] for r in table_rows(run, "positions") if r["moment"] == "snap"}
    for row in again["positions"]:
        if row["moment"] == "snap" and row["person_id"] != safety["person_id"]:
            assert row["x_yd"] == pytest.approx(others[row["person_id"]], abs=0.01)


def test_the_ledger_with_corrections_names_what_was_computed_again(run: Path) -> None:
    geometry(run, moved(person(run, "safety"), depth=-8.0))
    rows = {r["label"]: r for r in final_rows(run, replay.recompute)["labels"] if r["snap_id"] == SNAP}
    deep = rows["deep_safeties"]
    assert (deep["value_predicted"], deep["value_final"], deep["source"], deep["how"]) == (2, 1, "Ada", "recomputed")
    assert rows["motion"]["source"] == "predicted"
    with AuditStore(run, "Ada") as store:
        store.undo(SNAP)
    assert audited_snaps(run, replay.recompute)[0]["deep_safeties"] == 2


def test_a_person_taken_out_and_one_added(run: Path) -> None:
    safety = person(run, "safety", 1)
    stood = {"x_yd": safety["x_yd"], "y_yd": safety["y_yd"]}
    acts = geometry(run, NewEvent(SNAP, "person_deleted", str(safety["person_id"]), {}, stood))
    again = replay.recompute(run, SNAP, acts)
    assert again["row"]["defense_players"] == 10
    assert not any(r["person_id"] == safety["person_id"] for r in again["positions"])
    assert again["row"]["review"] is True and "1 of the defence not found" in again["row"]["review_reasons"]
    added = NewEvent(SNAP, "person_added", "a1", {"moment": "snap", **stood, "side": "defense"})
    again = replay.recompute(run, SNAP, geometry(run, added))
    assert again["row"]["defense_players"] == 11 and again["row"]["deep_safeties"] == 2
    new = next(r for r in again["positions"] if r["person_id"] == 1001)
    assert (new["x_yd"], new["side"], new["position"]) == (pytest.approx(safety["x_yd"]), "defense", "safety")


def test_a_person_of_the_other_side(run: Path) -> None:
    back = person(run, "linebacker")
    act = NewEvent(SNAP, "person_moved", str(back["person_id"]), {"side": "official"})
    again = replay.recompute(run, SNAP, geometry(run, act))
    assert again["row"]["defense_players"] == 10


def test_a_correction_of_somebody_who_is_not_there_any_more_is_said(run: Path) -> None:
    to, stood = {"moment": "snap", "x_yd": 50.0, "y_yd": 20.0}, {"x_yd": 5.0, "y_yd": 5.0}
    act = NewEvent(SNAP, "person_moved", "3", to, stood)
    again = replay.recompute(run, SNAP, geometry(run, act))
    assert "not there any more" in again["notes"][0]
    assert again["row"]["deep_safeties"] == 2


def test_a_snap_moved_a_little_needs_no_film(run: Path) -> None:
    act = NewEvent(SNAP, "snap_moved", "snap_frame", {"frame": 47}, {"frame": 45})
    again = replay.recompute(run, SNAP, geometry(run, act))
    assert again["row"]["snap_frame"] == 47
    assert again["row"]["snap_time_s"] == pytest.approx(47 / 30, abs=1e-3)  # 30 frames a second, by the film's making


def test_a_snap_moved_far_wants_the_film_and_is_read_again(run: Path) -> None:
    acts = geometry(run, NewEvent(SNAP, "snap_moved", "snap_frame", {"frame": 66}, {"frame": 45}))
    with pytest.raises(replay.FilmNeeded, match="film is needed"):
        replay.recompute(run, SNAP, acts)
    assert "not computed again" in str(audited_snaps(run, replay.recompute)[0]["review_reasons"])
    facts = RunFacts.read(run)
    film = facts.film("harbor_01.mp4")
    facts.check_film("harbor_01.mp4", film)
    config = configs.load().with_("field", level="college")
    reread.read_again(run, SNAP, 66, film, config, program.known_tools())
    again = replay.recompute(run, SNAP, acts)
    assert again["row"]["snap_frame"] == 66 and again["row"]["deep_safeties"] == 2
    assert again["row"]["snap_time_s"] == pytest.approx(66 / 30, abs=1e-6)
    back = geometry(run, NewEvent(SNAP, "snap_moved", "snap_frame", {"frame": 45}, {"frame": 66}))
    assert back == ()  # back where it was predicted: nothing is corrected


def edit_snaps(run: Path, **values: Any) -> None:
    rows = read_csv(run / "snaps.csv", "snaps")
    rows = [{**r, **values} if r["snap_id"] == SNAP else r for r in rows]
    (run / "snaps.csv").write_bytes(csv_bytes("snaps", rows))


def test_what_the_staff_and_the_other_view_told_stands(run: Path) -> None:
    edit_snaps(run, down=3, distance_yd=7, hash_offense="left", other_view_clip="harbor_01_end.mp4", box_defenders=4)
    geometry(run, moved(person(run, "safety"), depth=-8.0))
    row = audited_snaps(run)[0]
    assert (row["down"], row["distance_yd"], row["hash_offense"]) == (3, 7, "left")
    assert row["deep_safeties"] == 1  # the move changed it
    assert row["box_defenders"] == 4  # told by the other view, not touched by the move


def test_a_situation_that_shrinks_depths_does_so_again(run: Path) -> None:
    """Near the goal line everybody stands closer: the same scene with 3 yd to go reads other depths as deep."""
    far = replay.recompute(run, SNAP, ())
    edit_snaps(run, distance_yd=1, field_position="opp_3", line_of_scrimmage_yd=None)
    near = replay.recompute(run, SNAP, ())
    assert near["labels"] != far["labels"]
    settings = labels.load()
    assert replay.situation_of({"distance_yd": 10, "field_position": "own_35"}, settings) == {}
    told = replay.situation_of({"distance_yd": 1, "field_position": "opp_3", "field_level": "college"}, settings)
    assert told == {"distance_yd": 1.0, "yards_to_goal": 3.0}


def test_no_snap_here(run: Path) -> None:
    act = NewEvent(SNAP, "snap_moved", "snap_frame", {"frame": None}, {"frame": 45})
    again = replay.recompute(run, SNAP, geometry(run, act))
    assert again["row"]["play_kind"] == "no_snap" and again["row"]["snap_frame"] is None
    assert again["row"]["deep_safeties"] is None and again["labels"] == []


def test_film_that_is_not_there_or_another_is_said_plainly(run: Path, tmp_path: Path) -> None:
    facts = RunFacts.read(run)
    with pytest.raises(InputError, match=r"film of none\.mp4 is not there"):
        facts.film("none.mp4")
    other = program.write_film(tmp_path / "harbor_01.mp4", 1.0, seed=4)
    assert facts.film("harbor_01.mp4", tmp_path) == other
    with pytest.raises(InputError, match="not the one that was charted"):
        facts.check_film("harbor_01.mp4", other)


@pytest.mark.parametrize("content", [None, b"", b"{}", b'{"snap": {}}', b"\xff\xfe"])
def test_missing_or_damaged_evidence(run: Path, content: bytes | None) -> None:
    path = evidence.evidence_path(run, SNAP)
    if content is None:
        path.unlink()
    else:
        path.write_bytes(content)
    with pytest.raises(InputError, match="evidence"):
        replay.recompute(run, SNAP, ())


def test_samples_come_back_as_they_were(charted: Path) -> None:
    found = evidence.load(charted, SNAP)
    known = program.people(1)
    assert len(found.samples) >= 10 and found.snap.frame == 45
    for sample in found.samples:
        assert sample.people.kit.shape[1] == known.kit.shape[1]
        np.testing.assert_allclose(sample.people.ground_px, known.ground_px, atol=1e-3)
        assert sample.registration.camera is not None
        assert sample.registration.camera.focal_px == pytest.approx(program.CAMERA.focal_px)
