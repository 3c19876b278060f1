"""Tables of a run, a truth folder or a hand-charted spreadsheet, and which row answers which true play."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import compare, spreadsheet
from pipeline.compare import Pair
from pipeline.errors import UsageError
from pipeline.ledger import Row, read_csv


@dataclass
class Tables:
    """Tables of one folder (or hand chart) by name; absent ones are empty."""

    snaps: list[Row] = field(default_factory=list)
    positions: list[Row] = field(default_factory=list)
    registration: list[Row] = field(default_factory=list)
    failures: list[Row] = field(default_factory=list)
    labels: list[Row] = field(default_factory=list)

    @property
    def confidence(self) -> dict[tuple[str, str], float]:
        """Confidence by snap and label, from labels.csv."""
        return {
            (str(r["snap_id"]), str(r["label"])): float(r["confidence"])
            for r in self.labels if r.get("confidence") is not None
        }  # fmt: skip


def read_tables(path: Path, notes: list[str]) -> Tables:
    """Tables of a run or truth folder, or of a hand-charted spreadsheet. Raises UsageError, InputError."""
    if path.is_file():
        rows, unknown = spreadsheet.read(path)
        if unknown:
            notes.append(f"{path.name}: columns left out: {', '.join(unknown)}")
        return Tables(snaps=rows)
    if not (path / "snaps.csv").is_file():
        raise UsageError("There is no snaps.csv.", where=path, hint="Give a run folder, a truth folder, .csv or .xlsx.")
    found = Tables()
    for name in ("snaps", "positions", "registration", "failures", "labels"):
        if (path / f"{name}.csv").is_file():
            setattr(found, name, read_csv(path / f"{name}.csv", name))
    return found


def pair_all(truth: Tables, pred: Tables, notes: list[str]) -> list[Pair]:
    """Every true play with its answer. Without clip names, rows are taken in order, counts being equal."""
    if any(not r.get("clip") for r in truth.snaps):
        given = [r for r in pred.snaps if compare.has_snap(r)]
        if len(given) != len(truth.snaps):
            raise UsageError(
                f"The truth has {len(truth.snaps)} rows without clip names, the run {len(given)} snaps.",
                hint="Add a clip column, or make the counts equal: rows are never guessed.",
            )
        return [Pair(str(p.get("clip") or n), t, p)
                for n, (t, p) in enumerate(zip(truth.snaps, given, strict=True), start=1)]  # fmt: skip
    if any(not r.get("clip") for r in pred.snaps):
        raise UsageError(
            "The truth names its clips, the answers do not.", hint="Add a clip column to both, or to neither."
        )
    answers = compare.by_clip(pred.snaps)
    pairs: list[Pair] = []
    for clip, rows in compare.by_clip(truth.snaps).items():
        pairs += [Pair(clip, t, p) for t, p in compare.pair_clip(rows, answers.get(clip, []))]
    missing = [c for c in compare.by_clip(truth.snaps) if c not in answers]
    if missing:
        notes.append(f"{len(missing)} clip(s) of the truth are not in the run, first: {missing[0]}")
    _attach_people(pairs, truth, pred)
    return pairs


def _attach_people(pairs: Sequence[Pair], truth: Tables, pred: Tables) -> None:
    def grouped(rows: Sequence[Row]) -> dict[Any, list[Row]]:
        groups: dict[Any, list[Row]] = {}
        for row in rows:
            if row.get("moment") == "snap" and row.get("role") in ("player", "official"):
                groups.setdefault(row.get("snap_id"), []).append(row)
        return groups

    true_people, found_people = grouped(truth.positions), grouped(pred.positions)
    sizes = {
        compare.stem(r["clip"]): (int(r["picture_width_px"]), int(r["picture_height_px"]))
        for r in (*pred.registration, *truth.registration)
        if r.get("picture_width_px") and r.get("picture_height_px")
    }
    for pair in pairs:
        pair.size_px = sizes.get(pair.clip)
        pair.truth_people = true_people.get(pair.truth.get("snap_id"), [])
        if pair.pred is not None:
            pair.pred_people = found_people.get(pair.pred.get("snap_id"), [])
