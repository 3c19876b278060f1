"""Checked rows of runs, split by clip into a part to learn from and a part held back for measuring."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.audit import final, replay
from pipeline.audit.events import Event
from pipeline.audit.store import AuditStore
from pipeline.errors import UsageError
from pipeline.ledger import Row

HELD_BACK = 0.3  # share of the clips
FEWEST_ROWS = 20  # fewer checked rows say nothing that would hold on the next game
FEWEST_CLIPS = 3


@dataclass(frozen=True)
class CheckedRow:
    """A row an analyst checked. labels: rows with value_predicted, value_final, confidence_predicted;
    geometry: corrections of people and snap in force; held_back: not learned from, measured on."""

    run_dir: Path
    row: Row
    labels: tuple[Row, ...]
    geometry: tuple[Event, ...]
    held_back: bool

    @property
    def clip(self) -> str:
        """The clip with its run: clips of two games may have the same name."""
        return f"{self.run_dir.resolve()}|{self.row['clip']}"

    @property
    def people_corrected(self) -> bool:
        """True where a person was moved, added or deleted."""
        return any(e.kind.startswith("person_") for e in self.geometry)


def load(run_dirs: Sequence[Path]) -> list[CheckedRow]:
    """Checked rows of all runs. Raises UsageError where there are too few rows or clips."""
    found: list[tuple[Path, Row, tuple[Row, ...], tuple[Event, ...]]] = []
    for run_dir in run_dirs:
        tables = final.final_rows(run_dir, replay.recompute)
        with AuditStore(run_dir, "reader", read_only=True) as store:
            states = store.states()
        for row in tables["snaps"]:
            if row.get("checked") and row.get("snap_frame") is not None:
                snap_id = str(row["snap_id"])
                labels = tuple(r for r in tables["labels"] if r["snap_id"] == snap_id)
                state = states.get(snap_id)
                found.append((run_dir, row, labels, state.geometry if state else ()))
    clips = sorted({f"{run_dir.resolve()}|{row['clip']}" for run_dir, row, _, _ in found})
    if len(found) < FEWEST_ROWS or len(clips) < FEWEST_CLIPS:
        raise UsageError(
            f"{len(found)} checked row(s) of {len(clips)} clip(s) are too few to learn from: "
            f"at least {FEWEST_ROWS} rows of {FEWEST_CLIPS} clips.",
            hint="Check more rows with `snapledger audit`; a part of the clips is held back for measuring.",
        )
    back = held_back(clips)
    return [CheckedRow(d, row, labels, geometry, f"{d.resolve()}|{row['clip']}" in back)
            for d, row, labels, geometry in found]  # fmt: skip


def held_back(clips: Sequence[str]) -> set[str]:
    """The clips to measure on: the same ones every time, whatever order they come in."""
    ordered = sorted(clips, key=lambda c: hashlib.sha256(c.rsplit("|", 1)[-1].encode("utf-8", "replace")).digest())
    return set(ordered[: max(1, round(HELD_BACK * len(ordered)))])
