"""Rows of a run with its corrections applied. Predictions stay beside them: value_predicted, value_final, source.

``source`` is ``predicted`` or the name of the analyst; ``how`` says more: ``predicted``, ``set`` (by hand),
``follows`` (from a value set by hand, by definition), ``recomputed`` (by the program after a person or the snap
was moved by hand).
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import __version__
from pipeline.audit.events import EDITABLE, PREDICTED, Event, columns
from pipeline.audit.state import SnapState
from pipeline.audit.store import NAME, AuditStore
from pipeline.errors import InputError, SnapledgerError, UsageError
from pipeline.labels import DROPBACK_ONLY
from pipeline.ledger import Row, read_csv, safe_name, sha256_file
from pipeline.rows import LABEL_COLUMNS

STALE = "people or snap were moved by hand, the labels were not computed again"
Recompute = Callable[[Path, str, tuple[Event, ...]], dict[str, Any]]
# By definition of the labels (configs/labels.toml holds the limits of press and off).
_DEEP_FAMILY = {0: "open", 1: "closed", 2: "open", 3: "closed"}


@dataclass(frozen=True)
class Predicted:
    """The tables of a run as charted: snaps in order, labels by snap."""

    snaps: list[Row]
    labels: dict[str, list[Row]]

    def ids(self) -> list[str]:
        """snap_id of every row."""
        return [str(r["snap_id"]) for r in self.snaps]


@dataclass(frozen=True)
class Final:
    """A snap with corrections applied: row of snaps.csv, rows of labels with both values, positions or None.

    positions: recomputed rows, None where those of positions.csv stand. notes: what could not be applied.
    """

    row: Row
    labels: list[Row]
    positions: list[Row] | None = None
    notes: tuple[str, ...] = field(default=())


def predicted(run_dir: Path) -> Predicted:
    """Read snaps.csv and labels.csv of a run. Raises UsageError where there is no run, ShapeError."""
    path = run_dir / "snaps.csv"
    if not path.is_file():
        raise UsageError("This folder holds no ledger.", where=run_dir, hint="Give the --out folder of chart.")
    try:
        snaps = read_csv(path, "snaps")
        label_rows = read_csv(run_dir / "labels.csv", "labels") if (run_dir / "labels.csv").is_file() else []
    except (OSError, UnicodeDecodeError) as e:
        raise InputError(f"The ledger cannot be read: {e}.", where=run_dir, hint="Chart the film again.") from e
    grouped: dict[str, list[Row]] = {}
    for row in label_rows:
        grouped.setdefault(str(row["snap_id"]), []).append(row)
    return Predicted(snaps, grouped)


def evidence_path(run_dir: Path, snap_id: str) -> Path:
    """Where the evidence of a snap lies."""
    return run_dir / "evidence" / f"{safe_name(snap_id)}.json"


def basis(run_dir: Path, snap_id: str, geometry: tuple[Event, ...]) -> str:
    """What a recomputation stands on, as one text: corrections in force and the evidence file as it is."""
    path = evidence_path(run_dir, snap_id)
    try:
        file = sha256_file(path)
    except OSError:
        file = ""
    acts = [[e.kind, e.subject, e.before, e.to] for e in geometry]
    return hashlib.sha256(json.dumps([__version__, acts, file], sort_keys=True).encode()).hexdigest()


def corrected(
    store: AuditStore, row: Row, label_rows: list[Row], state: SnapState, recompute: Recompute | None = None
) -> Final:
    """One snap with its corrections. recompute: called where what follows from moved people is not kept yet."""
    snap_id = str(row["snap_id"])
    out, notes = dict(row), []
    again: dict[str, Any] | None = None
    if state.geometry:
        again = _again(store, snap_id, state.geometry, recompute)
        notes += again.get("notes", [])
        if again.get("row"):
            out.update(again["row"])
        else:
            moved = next((e for e in state.geometry if e.kind == "snap_moved"), None)
            if moved is not None:
                out.update(snap_frame=moved.to.get("frame"), snap_time_s=None)
            notes.append(STALE)
            out["review"] = True
            out["review_reasons"] = "; ".join(filter(None, [row.get("review_reasons"), STALE]))
    values, sources = _values(out, state)
    out.update(values)
    out.update({f"{name}_candidates": None for name in ("coverage_before", "coverage_after") if name in values})
    labels = _labels(label_rows, (again or {}).get("labels"), row, out, state, sources)
    out.update(
        checked=state.checked, checked_by=state.checked_by, checked_at=state.checked_at, revision=state.revision,
        corrected=state.corrected,
        corrected_by=", ".join(state.correctors) or None,
        audit_notes=" | ".join(f"{who}: {text}" for who, _, text in state.notes if text) or None,
    )  # fmt: skip
    positions = (again or {}).get("positions")
    return Final(out, labels, positions, tuple(notes))


def _again(
    store: AuditStore, snap_id: str, geometry: tuple[Event, ...], recompute: Recompute | None
) -> dict[str, Any]:
    key = basis(store.run_dir, snap_id, geometry)
    kept = store.recomputed(snap_id, key)
    if kept is not None:
        return kept
    if recompute is None:
        return {"notes": []}
    try:
        made = recompute(store.run_dir, snap_id, geometry)
    except SnapledgerError as e:
        return {"notes": [str(e)]}
    if made.get("row"):
        store.keep_recomputed(snap_id, key, made)
    return made


def consequences(values: Mapping[str, Any], given: set[str]) -> dict[str, Any]:
    """Labels that follow by definition from labels set by hand; those set by hand themselves are left out.

    values: row with the hand-set values in it; given: labels set by hand.
    """
    out: dict[str, Any] = {}
    if "play_kind" in given and values.get("play_kind") not in (None, "dropback"):
        # The rush and what the coverage became are told of a dropback only; of no snap nothing is.
        none = LABEL_COLUMNS if values["play_kind"] == "no_snap" else DROPBACK_ONLY
        out.update({name: None for name in none if name not in given})
        return out
    if "deep_safeties" in given:
        deep = values.get("deep_safeties")
        out["middle_of_field"] = None if deep is None else _DEEP_FAMILY.get(int(deep))
    if given & {"deep_safeties", "deep_safeties_after"}:
        out["rotation"] = rotation(values.get("deep_safeties"), values.get("deep_safeties_after"))
        if out["rotation"] == "none":
            out["rotation_from"] = None
    if given & {"corner_depth_offense_left_yd", "corner_depth_offense_right_yd"}:
        out["corner_picture"] = corner_picture(
            values.get("corner_depth_offense_left_yd"), values.get("corner_depth_offense_right_yd")
        )
    if given & {"rushers", "blockers"}:
        rush, block = values.get("rushers"), values.get("blockers")
        spare = None if rush is None or block is None else int(rush) - int(block)
        out["spare_rushers"] = spare
        out["read_window"] = None if spare is None else ("long" if spare < 0 else "short")
    if given & {"motion"} and values.get("motion") is False:
        out["motion_response"] = None
    return {name: value for name, value in out.items() if name not in given}


def rotation(before: Any, after: Any) -> str | None:
    """How a deep count became another; None where either is not known or the change has no name."""
    if before is None or after is None:
        return None
    if int(before) == int(after):
        return "none"
    named = {(2, 1): "two_to_one", (1, 2): "one_to_two"}
    return named.get((int(before), int(after))) or {0: "to_none", 3: "to_three"}.get(int(after))


def corner_picture(left: Any, right: Any) -> str | None:
    """Both corners together, with the limits of configs/labels.toml; soft where either is soft."""
    from pipeline.labels import load

    if left is None or right is None:
        return None
    limits = load()
    press, off = limits("corner.press_yd"), limits("corner.off_yd")
    kinds = ["press" if d < press else "off" if d > off else "soft" for d in (float(left), float(right))]
    if "soft" in kinds:
        return "soft"
    return "mixed" if kinds[0] != kinds[1] else f"both_{kinds[0]}"


def _values(row: Row, state: SnapState) -> tuple[dict[str, Any], dict[str, tuple[str, str]]]:
    """Values that differ from the (recomputed) row, and (source, how) by label."""
    values = {name: s.value for name, s in state.labels.items() if name in EDITABLE}
    sources = {name: (state.labels[name].who, "set") for name in values}
    given = set(values)
    follows = consequences({**row, **values}, given)
    last = max((state.labels[n] for n in given), key=lambda s: s.when, default=None)
    for name, value in follows.items():
        if value != row.get(name) and last is not None:
            values[name] = value
            sources[name] = (last.who, "follows")
    return values, sources


def _labels(
    before: list[Row], again: list[Row] | None, row: Row, final: Row, state: SnapState,
    sources: Mapping[str, tuple[str, str]],
) -> list[Row]:  # fmt: skip
    """Rows of labels with both values: those predicted, then labels that only an analyst gave."""
    out: list[Row] = []
    editable = columns()
    fresh = {str(r["label"]): r for r in again or []}
    mover = state.geometry[-1].who if state.geometry else None
    names = [str(r["label"]) for r in before]
    rows = {str(r["label"]): r for r in before}
    for name in [*names, *[n for n in (*fresh, *sources) if n not in rows]]:
        old, new = rows.get(name, {}), fresh.get(name) or rows.get(name, {})
        column = editable.get(name)
        typed = _typed(column, old.get("value")) if old else row.get(name)
        source, how = sources.get(name, (PREDICTED, "predicted"))
        value = final.get(name) if name in sources else _typed(column, new.get("value"))
        if not old and name not in fresh and name not in sources:
            value = typed
        if name not in sources and name in fresh and mover is not None and new.get("value") != old.get("value"):
            source, how = mover, "recomputed"
        by_hand = name in sources
        out.append({
            "snap_id": row["snap_id"], "label": name, "value_predicted": typed, "value_final": value,
            "source": source, "how": how, "confidence": None if by_hand else new.get("confidence"),
            "confidence_predicted": old.get("confidence"), "status": "ok" if by_hand else new.get("status"),
            "reason": _why(state, name, how) if by_hand else new.get("reason"),
        })  # fmt: skip
    return _unique(out)


def _why(state: SnapState, name: str, how: str) -> str:
    if how == "set":
        return f"set by {state.labels[name].who}"
    return "follows from labels set by hand"


def _unique(rows: list[Row]) -> list[Row]:
    seen: dict[str, Row] = {}
    for row in rows:
        seen.setdefault(str(row["label"]), row)
    return list(seen.values())


def _typed(column: Any, value: Any) -> Any:
    if column is None or not isinstance(value, str):
        return value
    return column.value(value)


def replayed(run_dir: Path, snap_id: str, geometry: tuple[Event, ...]) -> dict[str, Any]:
    """What follows from moved people: ``replay.recompute``, loaded when it is needed."""
    from pipeline.audit.replay import recompute

    return recompute(run_dir, snap_id, geometry)


def final_rows(run_dir: Path | str, recompute: Recompute | None = replayed) -> dict[str, list[Row]]:
    """Tables of a run with corrections applied: ``snaps``, ``labels`` (value_predicted, value_final, source, how,
    confidence, status, reason), ``positions`` (rows of positions.csv with source), ``events``.

    Reads only; a run without an audit has every source ``predicted``. recompute: works out what is not kept
    yet (None: such snaps keep predicted labels and are marked for review).
    """
    run = Path(run_dir)
    charted = predicted(run)
    with AuditStore(run, "reader", read_only=True) as store:
        states = store.states()
        done = [
            corrected(store, row, charted.labels.get(str(row["snap_id"]), []),
                      states.get(str(row["snap_id"]), SnapState(str(row["snap_id"]))), recompute)
            for row in charted.snaps
        ]  # fmt: skip
        events = [e.as_dict() for e in store.events()]
    return {
        "snaps": [f.row for f in done],
        "labels": [r for f in done for r in f.labels],
        "positions": _positions(run, {str(f.row["snap_id"]): f for f in done}, states),
        "events": events,
    }


def _positions(run: Path, finals: Mapping[str, Final], states: Mapping[str, SnapState]) -> list[Row]:
    path = run / "positions.csv"
    rows = read_csv(path, "positions") if path.is_file() else []
    out: list[Row] = []
    replaced = {snap_id for snap_id, f in finals.items() if f.positions is not None}
    out += [{**r, "source": PREDICTED} for r in rows if r["snap_id"] not in replaced]
    for snap_id in replaced:
        state = states[snap_id]
        who = {e.subject: e.who for e in state.geometry}
        out += [{**r, "source": r.get("source") or who.get(str(r["person_id"]), PREDICTED)}
                for r in finals[snap_id].positions or []]  # fmt: skip
    return out


def audited_snaps(run_dir: Path | str, recompute: Recompute | None = replayed) -> list[Row]:
    """Rows of snaps.csv with corrections applied, in order, each with: checked, checked_by, checked_at, corrected,
    corrected_by, audit_notes, revision (give it back as ``NewEvent.expected`` to find conflicts). Reads only."""
    run = Path(run_dir)
    charted = predicted(run)
    with AuditStore(run, "reader", read_only=True) as store:
        states = store.states()
        return [
            corrected(store, row, charted.labels.get(str(row["snap_id"]), []),
                      states.get(str(row["snap_id"]), SnapState(str(row["snap_id"]))), recompute).row
            for row in charted.snaps
        ]  # fmt: skip


def has_audit(run_dir: Path | str) -> bool:
    """True where a run has an audit file."""
    return (Path(run_dir) / NAME).is_file()


__all__ = [
    "LABEL_COLUMNS", "Final", "Predicted", "audited_snaps", "consequences", "corrected", "final_rows", "has_audit",
    "predicted",
]  # fmt: skip
