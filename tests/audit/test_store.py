"""The audit's file: appended acts, folding, undo and redo, conflicts, one writer, nothing lost in silence."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from pipeline.audit import AuditStore, Conflict, Event, NewEvent, audited_snaps, final_rows
from pipeline.audit.final import consequences
from pipeline.errors import AuditError, BusyError, InputError, OutputError, UsageError
from pipeline.ledger import csv_bytes

SNAP = "harbor_01-p1"
SNAPS = [
    {"snap_id": SNAP, "clip": "harbor_01.mp4", "snap_frame": 45, "deep_safeties": 2, "middle_of_field": "open",
     "rushers": 4, "blockers": 5, "spare_rushers": -1, "read_window": "long", "motion": False, "schema_version": 1},
    {"snap_id": "harbor_02-p1", "clip": "harbor_02.mp4", "snap_frame": 50, "schema_version": 1},
]  # fmt: skip
LABELS = [
    {"snap_id": SNAP, "label": "deep_safeties", "value": "2", "confidence": 0.9, "status": "ok", "reason": "x"},
    {"snap_id": SNAP, "label": "middle_of_field", "value": "open", "confidence": 0.9, "status": "ok"},
    {"snap_id": SNAP, "label": "motion", "value": "false", "confidence": 0.4, "status": "unsure"},
    {"snap_id": SNAP, "label": "rushers", "value": "4", "confidence": 0.7, "status": "ok"},
    {"snap_id": SNAP, "label": "spare_rushers", "value": "-1", "confidence": 0.7, "status": "ok"},
]


@pytest.fixture
def run(tmp_path: Path) -> Path:
    (tmp_path / "snaps.csv").write_bytes(csv_bytes("snaps", SNAPS))
    (tmp_path / "labels.csv").write_bytes(csv_bytes("labels", LABELS))
    return tmp_path


def act(label: str, value: object, **more: object) -> NewEvent:
    return NewEvent(SNAP, "label_set", label, {"value": value}, **more)  # type: ignore[arg-type]


def label_of(run: Path, name: str) -> dict[str, object]:
    return next(r for r in final_rows(run)["labels"] if r["label"] == name and r["snap_id"] == SNAP)


def test_a_correction_stands_beside_the_prediction(run: Path) -> None:
    before = {p.name: p.read_bytes() for p in run.iterdir()}
    with AuditStore(run, "Ada") as store:
        made = store.append(act("rushers", 5))
        assert isinstance(made, Event) and made.revision == 1 and made.when.endswith("+00:00")
    row = label_of(run, "rushers")
    assert (row["value_predicted"], row["value_final"], row["source"], row["how"]) == (4, 5, "Ada", "set")
    spare = label_of(run, "spare_rushers")  # 5 rushers against 5 blockers, by the definition of the column
    assert (spare["value_predicted"], spare["value_final"], spare["source"]) == (-1, 0, "Ada")
    assert spare["how"] == "follows"
    untouched = label_of(run, "deep_safeties")
    assert (untouched["value_final"], untouched["source"]) == (2, "predicted")
    assert {name: (run / name).read_bytes() for name in before} == before


def test_snaps_with_corrections_and_checks(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 6))
        store.append(NewEvent(SNAP, "checked", "row", who="Berit"))
    first, second = audited_snaps(run)
    assert (first["rushers"], first["read_window"], first["checked"]) == (6, "short", True)
    assert (first["checked_by"], first["corrected_by"], first["revision"]) == ("Berit", "Ada", 2)
    assert (second["checked"], second["corrected"], second["revision"]) == (False, False, 0)


def test_undo_and_redo_are_acts_too(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5))
        store.append(act("rushers", 6))
        assert store.undo(SNAP) is not None
        assert store.state(SNAP).labels["rushers"].value == 5
        assert store.undo(SNAP) is not None
        assert "rushers" not in store.state(SNAP).labels
        assert store.undo(SNAP) is None
        store.redo(SNAP)
        store.redo(SNAP)
        assert store.state(SNAP).labels["rushers"].value == 6
        assert store.redo(SNAP) is None
        store.undo(SNAP)
        store.append(act("motion", True))
        assert store.redo(SNAP) is None  # something else was done since
        assert [e.kind for e in store.events(SNAP)].count("undo") == 3
        assert len(store.events()) == store.state(SNAP).revision == 8


def test_undo_takes_back_ones_own_acts_only(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5))
        store.append(act("blockers", 6, who="Berit"))
        store.undo(SNAP, "Ada")
        labels = store.state(SNAP).labels
        assert "rushers" not in labels and labels["blockers"].who == "Berit"


def test_the_second_sees_who_changed_it_and_may_insist(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5, expected=0))
        second = store.append(act("rushers", 3, who="Berit", expected=0))
        assert isinstance(second, Conflict) and second.message == "changed by Ada"
        other = store.append(act("motion", True, who="Berit", expected=0))
        assert isinstance(other, Event)  # another label: nothing stands against it
        check = store.append(NewEvent(SNAP, "checked", "row", who="Cleo", expected=0))
        assert isinstance(check, Conflict)  # what she checks is not what she saw
        assert isinstance(store.append(act("rushers", 3, who="Berit", expected=2)), Event)
        assert store.state(SNAP).labels["rushers"].value == 3


def test_many_at_once_write_what_is_free_and_show_the_rest(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5))
        outcome = store.append_many([act("rushers", 6, expected=0), act("blockers", 6, expected=0)])
        assert [c.event.subject for c in outcome.conflicts] == ["rushers"]
        assert [e.subject for e in outcome.written] == ["blockers"]
        with pytest.raises(AuditError, match="blockers"):
            store.append_many([act("motion", True), act("blockers", "many")])
        assert "motion" not in store.state(SNAP).labels  # all or nothing where a value is wrong


def test_a_repeated_request_is_written_once(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        for _ in range(3):
            store.append(act("rushers", 5, id="same-request-1"))
        assert len(store.events()) == 1


@pytest.mark.parametrize(
    ("label", "value"),
    [("rushers", -1), ("rushers", 2.5), ("rushers", True), ("read_window", "wide"), ("coverage_after", "=cmd"),
     ("snap_id", "x"), ("confidence", 1), ("motion", "perhaps"), ("corner_depth_offense_left_yd", float("nan"))],
)  # fmt: skip
def test_values_a_label_does_not_have_are_refused(run: Path, label: str, value: object) -> None:
    with AuditStore(run, "Ada") as store:
        if value != value:  # NaN is no value: blank
            assert isinstance(store.append(act(label, value)), Event)
            return
        with pytest.raises(AuditError):
            store.append(act(label, value))
        assert store.events() == []


@pytest.mark.parametrize("who", ["", "  ", "predicted", "a\x00b", "x" * 81, "line\nbreak"])
def test_names_that_are_none(run: Path, who: str) -> None:
    with pytest.raises(AuditError):
        AuditStore(run, who)


HOSTILE = ["=cmd|' /C calc'!A0", '"quoted", \'too\'', "🏈 ../../etc", "مرحبا", "x" * 300, "<script>alert(1)</script>"]


@pytest.mark.parametrize("text", HOSTILE)
def test_any_note_and_name_is_kept_as_it_is(run: Path, text: str) -> None:
    with AuditStore(run, text[:80]) as store:
        store.append(NewEvent(SNAP, "note", "note", {"text": text}))
    with AuditStore(run, "Ada", read_only=True) as store:
        assert store.state(SNAP).notes[0][2] == text


def test_moving_a_person_takes_the_check_back(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(NewEvent(SNAP, "checked", "row"))
        store.append(NewEvent(SNAP, "person_moved", "3", {"moment": "snap", "x_yd": 50.0, "y_yd": 20.0}))
        assert not store.state(SNAP).checked
        store.undo(SNAP)
        assert store.state(SNAP).checked
    assert audited_snaps(run)[0]["review"] in (None, False)


def test_moved_people_without_recomputed_labels_say_so(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(NewEvent(SNAP, "snap_moved", "snap_frame", {"frame": 60}, {"frame": 45}))
    row = audited_snaps(run)[0]
    assert row["snap_frame"] == 60 and row["review"] is True and "not computed again" in str(row["review_reasons"])


def test_acts_cannot_be_changed_or_deleted(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5))
    with sqlite3.connect(run / "audit.sqlite") as db:
        for statement in ("DELETE FROM events", "UPDATE events SET who='x'"):
            with pytest.raises(sqlite3.IntegrityError, match="never"):
                db.execute(statement)


def test_one_writer_names_the_other(run: Path) -> None:
    code = (
        "import sys, time; from pipeline.audit import AuditStore\n"
        "s = AuditStore(sys.argv[1], 'Berit'); s.lock.tell(url='http://127.0.0.1:1/'); print('held', flush=True)\n"
        "time.sleep(60)"
    )
    other = subprocess.Popen([sys.executable, "-c", code, str(run)], stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None and other.stdout.readline().strip() == "held"
        with pytest.raises(BusyError, match=f"process {other.pid}, started by Berit .*127.0.0.1"):
            AuditStore(run, "Ada")
        AuditStore(run, "Ada", read_only=True).close()
    finally:
        other.kill()
        other.wait()
    AuditStore(run, "Ada").close()  # a killed process holds nothing


def test_a_file_held_by_another_program(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.audit.store.BUSY_S", 0.1)
    with AuditStore(run, "Ada") as store:
        other = sqlite3.connect(run / "audit.sqlite", isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(BusyError, match="Another program holds"):
            store.append(act("rushers", 5))
        other.execute("ROLLBACK")
        other.close()
        assert isinstance(store.append(act("rushers", 5)), Event)
        assert store.state(SNAP).revision == 1


def test_a_full_disk_loses_nothing_and_says_so(run: Path) -> None:
    with AuditStore(run, "Ada") as store:
        store.append(act("rushers", 5))
        db = store._connection()
        pages = db.execute("PRAGMA page_count").fetchone()[0]
        db.execute(f"PRAGMA max_page_count={pages}")  # SQLite then fails as on a full disk: SQLITE_FULL
        with pytest.raises(OutputError, match="full"):
            for i in range(200):
                store.append(NewEvent(SNAP, "note", "note", {"text": f"{i} " + "x" * 500}))
        kept = store.events()
        db.execute("PRAGMA max_page_count=100000")
        store.append(act("blockers", 4))
    with AuditStore(run, "Ada", read_only=True) as store:
        assert [e.id for e in store.events()][:-1] == [e.id for e in kept]
        assert store.state(SNAP).labels["blockers"].value == 4


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="this system has no folder that root-like users cannot write")
def test_a_folder_that_cannot_be_written(run: Path) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "run"
        shutil.copytree(run, folder)
        Path(name).chmod(0o755)
        folder.chmod(0o555)
        was = os.geteuid()
        if was == 0:
            os.seteuid(65534)  # root may write everywhere
        try:
            with pytest.raises(OutputError, match="cannot be written"):
                AuditStore(folder, "Ada")
            with AuditStore(folder, "Ada", read_only=True) as store:
                assert store.events() == []
        finally:
            os.seteuid(was)
            folder.chmod(0o755)


def test_reading_makes_no_file(run: Path) -> None:
    before = sorted(p.name for p in run.iterdir())
    audited_snaps(run)
    final_rows(run)
    assert sorted(p.name for p in run.iterdir()) == before
    with AuditStore(run, "Ada", read_only=True) as store, pytest.raises(OutputError, match="looking only"):
        store.append(act("rushers", 5))


@pytest.mark.parametrize("damage", ["garbage", "page", "other"])
def test_a_damaged_or_foreign_file_is_refused(run: Path, damage: str) -> None:
    with AuditStore(run, "Ada") as store:
        for i in range(60):
            store.append(NewEvent(SNAP, "note", "note", {"text": f"{i} " + "y" * 200}))
    path = run / "audit.sqlite"
    data = path.read_bytes()
    if damage == "garbage":
        path.write_bytes(b"not a database at all" * 50)
    elif damage == "page":
        path.write_bytes(data[:8192] + b"\xff" * 4096 + data[12288:])
    else:
        path.unlink()
        with sqlite3.connect(path) as db:
            db.execute("CREATE TABLE mine (x)")
    with pytest.raises(InputError):
        AuditStore(run, "Ada")
    AuditStore_lock_is_free(run)


def AuditStore_lock_is_free(run: Path) -> None:
    shutil.move(run / "audit.sqlite", run / "away")
    AuditStore(run, "Ada").close()


def test_no_run(tmp_path: Path) -> None:
    with pytest.raises(UsageError):
        AuditStore(tmp_path / "none", "Ada")
    with pytest.raises(UsageError, match="no ledger"):
        audited_snaps(tmp_path)


def test_an_act_is_there_after_a_kill(run: Path) -> None:
    """Killed with SIGKILL right after the answer: what was answered is there."""
    code = (
        "import os, signal, sys; from pipeline.audit import AuditStore, NewEvent\n"
        "s = AuditStore(sys.argv[1], 'Berit')\n"
        "s.append(NewEvent(sys.argv[2], 'label_set', 'rushers', {'value': 7}))\n"
        "os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code, str(run), SNAP], check=False)
    assert audited_snaps(run)[0]["rushers"] == 7


def test_what_follows_by_definition() -> None:
    """Issue's definitions: window long when blockers outnumber rushers; middle closed with one or three deep."""
    row = {"rushers": 5, "blockers": 6, "deep_safeties": 1, "deep_safeties_after": 1}
    assert consequences(row, {"rushers"}) == {"spare_rushers": -1, "read_window": "long"}
    assert consequences(row, {"rushers", "spare_rushers"}) == {"read_window": "long"}
    assert consequences(row, {"deep_safeties"}) == {
        "middle_of_field": "closed", "rotation": "none", "rotation_from": None,
    }  # fmt: skip
    run = consequences({**row, "play_kind": "run"}, {"play_kind"})
    assert run["rushers"] is None and run["coverage_after"] is None and "deep_safeties" not in run
    assert consequences({"play_kind": "no_snap"}, {"play_kind", "motion"})["deep_safeties"] is None
    assert consequences({**row, "play_kind": "dropback"}, {"play_kind"}) == {}
    both = {"corner_depth_offense_left_yd": 2.0, "corner_depth_offense_right_yd": 7.0}
    assert consequences(both, {"corner_depth_offense_left_yd"}) == {"corner_picture": "mixed"}
    assert consequences(row, {"motion"}) == {}
