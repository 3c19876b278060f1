"""Checked runs for the tests of learning: rows with judged labels, and evidence beside real sample clips."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np

from pipeline import film, ledger, models
from pipeline.audit.events import NewEvent
from pipeline.audit.store import AuditStore
from pipeline.people import Finder
from pipeline.records import Registration, Shot, Snap, Tracks
from tests import program_support as support

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"


def judged_run(folder: Path, snaps: int = 60, clips: int = 10, wrong: float = 0.4, seed: int = 1) -> None:
    """A run whose 'rushers' says it is 95 % sure and is wrong that often; every row is checked."""
    rng = random.Random(seed)
    rows, labels, fixes = [], [], []
    for n in range(snaps):
        snap_id = f"s-p{n}"
        rows.append({"snap_id": snap_id, "clip": f"c{n % clips}.mp4", "snap_frame": 30, "play_kind": "dropback",
                     "rushers": 4, "blockers": 6, "schema_version": 1})  # fmt: skip
        labels.append({"snap_id": snap_id, "label": "rushers", "value": "4", "confidence": 0.95, "status": "ok"})
        if rng.random() < wrong:
            fixes.append(NewEvent(snap_id, "label_set", "rushers", {"value": 5}))
    folder.mkdir(parents=True)
    ledger.write_csv(folder / "snaps.csv", "snaps", rows)
    ledger.write_csv(folder / "labels.csv", "labels", labels)
    with AuditStore(folder, "Rosa") as store:
        store.append_many([*fixes, *(NewEvent(r["snap_id"], "checked", "row") for r in rows)])


def filmed_run(folder: Path, clips: int, width_px: int) -> None:
    """A run over sample clips whose evidence holds what the shipped finder finds; all rows checked; one man in each
    was put there by the analyst (so that every row has a correction)."""
    folder.mkdir(parents=True)
    finder = Finder(models.models_dir(), width_px=width_px, kit=False, threads=1)
    rows, events = [], []
    for path in sorted(SAMPLES.glob("*.mp4"))[:clips]:
        snap_id = f"{path.stem}-p1"
        (_, time_s, image), = list(film.Reader(path, [109]))
        people = finder.find(image)
        n = len(people)
        registration = Registration("ok", support.CAMERA, "sideline", "college", True, 0.3, 0.1)
        tracks = Tracks(
            np.zeros(1), np.array([109]), np.zeros((1, n, 2)), np.ones((1, n), bool), people.role,
            np.zeros(n, np.int64), np.ones(n), np.arange(n)[None], np.full(1, 0.1),
        )  # fmt: skip
        ledger.write_json(folder / "evidence" / f"{ledger.safe_name(snap_id)}.json", {
            "shot": Shot(0, 180), "snap": Snap("ok", 109, time_s, 0.9), "tracks": tracks, "alignment": None,
            "labels": None, "samples": [
                {"frame": 109, "time_s": 0.0, "people": people, "registration": registration},
            ],
        })  # fmt: skip
        rows.append({"snap_id": snap_id, "clip": path.name, "snap_frame": 109, "schema_version": 1})
        events += [NewEvent(snap_id, "person_moved", "0", {"side": "defense"}), NewEvent(snap_id, "checked", "row")]
    ledger.write_csv(folder / "snaps.csv", "snaps", rows)
    ledger.write_csv(folder / "labels.csv", "labels", [])
    with AuditStore(folder, "Rosa") as store:
        store.append_many(events)
