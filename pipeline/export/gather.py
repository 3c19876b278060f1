"""Rows of a run with corrections applied, the columns wanted, and what to tell about the run."""

from __future__ import annotations

import difflib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.audit import final, replay
from pipeline.audit.events import PREDICTED
from pipeline.errors import UsageError
from pipeline.ledger import Row
from pipeline.schema import Column, table

KEY = "snap_id"
REVISION = "revision"
# What an audit adds to a row; ``revision`` is what tells an edited export what it was made from.
AUDIT_COLUMNS = (
    Column("checked", "boolean", "An analyst marked the row as checked"),
    Column("checked_by", "string", "Who"),
    Column("corrected", "boolean", "Something differs from the prediction by an analyst's word"),
    Column("corrected_by", "string", "Who"),
    Column("audit_notes", "string", "Notes of the analysts"),
    Column(REVISION, "integer", "Acts on this snap so far: `snapledger import-edits` needs it to see conflicts"),
)
CORRECTION_COLUMNS = (
    Column(KEY, "string", "Identifies the snap"),
    Column("label", "string", "Column of the snaps"),
    Column("value_predicted", "string", "What the program read"),
    Column("value_final", "string", "What holds"),
    Column("source", "string", "Who"),
    Column("how", "string", "set: by hand; follows: from a value set by hand; recomputed: after a move by hand"),
)


@dataclass(frozen=True)
class Export:
    """A table to be written: columns in order, rows by name, corrections, facts of the run in order."""

    columns: tuple[Column, ...]
    rows: list[Row]
    corrections: list[Row]
    facts: list[tuple[str, Any]]


def all_columns() -> tuple[Column, ...]:
    """Columns of an export: those of snaps.csv and those of the audit."""
    return (*table("snaps").columns, *AUDIT_COLUMNS)


def chosen(names: Sequence[str] | None) -> tuple[Column, ...]:
    """Columns by name, snap_id always first among them; all where None. Raises UsageError with the nearest name."""
    known = {c.name: c for c in all_columns()}
    if names is None:
        return tuple(known.values())
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
            hint = f"Did you mean {near[0]!r}?" if near else f"Columns: {', '.join(known)}."
            raise UsageError(f"There is no column {name!r}.", hint=hint)
    return tuple(known[n] for n in dict.fromkeys([KEY, *names]))


def gather(run_dir: Path, columns: Sequence[str] | None = None, only_checked: bool = False) -> Export:
    """A run as it stands, corrections applied. Raises UsageError: no run, an unknown column, nothing checked."""
    wanted = chosen(columns)
    found = final.final_rows(run_dir, replay.recompute)
    rows = found["snaps"]
    if only_checked:
        rows = [r for r in rows if r.get("checked")]
        if not rows:
            raise UsageError("No row of this run is checked yet.", where=run_dir,
                             hint="Check rows with `snapledger audit`, or leave --only-checked out.")  # fmt: skip
    ids = {r[KEY] for r in rows}
    corrections = [
        {c.name: _text(r.get(c.name)) for c in CORRECTION_COLUMNS}
        for r in found["labels"]
        if r["snap_id"] in ids and r.get("source") not in (None, PREDICTED)
    ]
    return Export(wanted, rows, corrections, facts(run_dir, found["snaps"]))


def _text(value: Any) -> str | None:
    if value is None:
        return None
    return {True: "true", False: "false"}[value] if isinstance(value, bool) else str(value)


def facts(run_dir: Path, snaps: Sequence[Row]) -> list[tuple[str, Any]]:
    """What stands on the sheet about the run: times, versions, settings, how much an analyst checked."""
    run = read_run(run_dir)
    said: list[tuple[str, Any]] = [
        ("started", run.get("started")),
        ("clips", len(run.get("clips") or [])),
        ("snaps", len(snaps)),
        ("snaps to review", sum(1 for r in snaps if r.get("review"))),
        ("snaps checked by an analyst", sum(1 for r in snaps if r.get("checked"))),
        ("snaps corrected by an analyst", sum(1 for r in snaps if r.get("corrected"))),
        ("models_sha256", run.get("models_sha256")),
        ("config_sha256", run.get("config_sha256")),
    ]
    said += [(f"version of {name}", version) for name, version in (run.get("versions") or {}).items()]
    for section, values in (run.get("config") or {}).items():
        said += [(f"{section}.{key}", _plain(value)) for key, value in values.items()]
    said.append(("caution", "Estimates from film: check a row before you lean on it. League and school rules on "
                            "sharing and storing film hold for what is made from it."))  # fmt: skip
    return said


def read_run(run_dir: Path) -> dict[str, Any]:
    """run.json of a run; empty where there is none or it cannot be read."""
    try:
        found = json.loads((run_dir / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _plain(value: Any) -> Any:
    return ", ".join(map(str, value)) if isinstance(value, list) else value
