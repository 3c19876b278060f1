"""An edited export back into the audit: what was edited since the export, as acts; conflicts; refusals.

A cell counts as edited where it differs from the row as it stood at the ``revision`` in its line, not from the row
as it stands now: what others changed meanwhile is never taken for an edit, and an edit of the same thing is a
conflict, shown and not written. One cell that cannot be taken refuses the whole file before anything is written.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from pipeline.audit import final, replay, state
from pipeline.audit.events import EDITABLE, Event, NewEvent, checked, checked_value
from pipeline.audit.store import AuditStore, Conflict
from pipeline.errors import SnapledgerError, UsageError
from pipeline.export import cells as cells_of
from pipeline.export.cells import Cell
from pipeline.export.gather import KEY, REVISION, all_columns
from pipeline.export.workbook import cell_text
from pipeline.ledger import Row
from pipeline.schema import Column, unguard_text

FRAME, CHECKED = "snap_frame", "checked"
_ORDER = {"snap_moved": 0, "label_set": 1, "unchecked": 2, "checked": 3}  # a move takes a check back: checks last
_YES, _NO = ("true", "1", "yes", "y", "x", "wahr", "vrai"), ("false", "0", "no", "n", "falsch", "faux")


@dataclass(frozen=True)
class Edit:
    """One edited cell: place in the file, column, value before and after, and the act it becomes."""

    place: str
    column: str
    before: Any
    after: Any
    event: NewEvent

    def text(self) -> str:
        """In words."""
        shown = ["blank" if v is None else str(v) for v in (self.before, self.after)]
        return f"{self.place}  {self.event.snap_id}  {self.column}: {shown[0]} -> {shown[1]}"


@dataclass(frozen=True)
class Refusal:
    """A cell that cannot be taken."""

    place: str
    reason: str

    def text(self) -> str:
        """In words."""
        return f"{self.place}: {self.reason}"


@dataclass
class Edits:
    """What a file holds: edits to write, edits that stand against others' changes, refusals, remarks."""

    edits: list[Edit] = field(default_factory=list)
    conflicts: list[tuple[Edit, str]] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    rows: int = 0


class _Run:
    """The run as it is now and as it was at any revision."""

    def __init__(self, run_dir: Path) -> None:
        self.charted = final.predicted(run_dir)
        self.rows = {str(r[KEY]): r for r in self.charted.snaps}
        self.store = AuditStore(run_dir, "reader", read_only=True)
        self.events: dict[str, list[Event]] = {}
        for event in self.store.events():
            self.events.setdefault(event.snap_id, []).append(event)

    def at(self, snap_id: str, revision: int | None) -> Row:
        """Row with the corrections up to a revision; None: all."""
        events = [e for e in self.events.get(snap_id, []) if revision is None or e.revision <= revision]
        folded = state.fold(snap_id, events)
        labels = self.charted.labels.get(snap_id, [])
        return final.corrected(self.store, self.rows[snap_id], labels, folded, replay.recompute).row

    def latest(self, snap_id: str) -> int:
        """Revision of a snap now."""
        events = self.events.get(snap_id, [])
        return events[-1].revision if events else 0


def read(run_dir: Path, path: Path, ignore_unknown: bool = False) -> Edits:
    """What was edited in a file. Raises UsageError (no run, no snap_id column), InputError (not readable)."""
    run = _Run(run_dir)
    try:
        table = cells_of.read(path)
        found = Edits(rows=len(table) - 1)
        header = _header(table[0], found, ignore_unknown, path)
        if REVISION not in header.values():
            found.remarks.append("There is no revision column: the file is compared with the run as it stands now.")
        seen: dict[str, str] = {}
        for line in table[1:]:
            _line(run, header, line, seen, found)
    finally:
        run.store.close()
    found.edits.sort(key=lambda e: (e.event.snap_id, _ORDER[e.event.kind]))
    return found


def _header(line: Sequence[Cell], found: Edits, ignore: bool, path: Path) -> dict[int, str]:
    """Column names by index. Unknown ones are refused, or said and left out."""
    known = {c.name for c in all_columns()}
    header: dict[int, str] = {}
    for c, cell in enumerate(line):
        name = re.sub(r"[^a-z0-9]+", "_", str(cell.value or "").strip().lower()).strip("_")
        if not name:
            continue
        if name in header.values():
            found.refusals.append(Refusal(cell.place, f"The column {name} is there twice."))
        elif name in known:
            header[c] = name
        elif ignore:
            found.remarks.append(f"{cell.place}: column {str(cell.value)[:60]!r} left out.")
        else:
            found.refusals.append(Refusal(cell.place, f"{str(cell.value)[:60]!r} is no column of an export."))
    if KEY not in header.values():
        raise UsageError("The file has no column snap_id.", where=path, hint="Give an edited `snapledger export`.")
    return header


def _line(run: _Run, header: Mapping[int, str], line: Sequence[Cell], seen: dict[str, str], found: Edits) -> None:
    by_name = {name: line[c] for c, name in header.items() if c < len(line)}
    key = by_name.get(KEY)
    snap_id = unguard_text(str(key.value)) if key is not None and key.value is not None else ""
    place = key.place if key is not None else line[0].place
    if snap_id not in run.rows:
        said = f"there is no snap {snap_id[:80]!r} in this run." if snap_id else "a snap_id is missing."
        found.refusals.append(Refusal(place, said))
        return
    if snap_id in seen:
        found.refusals.append(Refusal(place, f"the snap {snap_id} is in {seen[snap_id]} already."))
        return
    seen[snap_id] = place
    try:
        revision = _revision(by_name.get(REVISION), run.latest(snap_id))
    except SnapledgerError as e:
        found.refusals.append(Refusal(by_name[REVISION].place, str(e)))
        return
    base = run.at(snap_id, revision)
    for name, cell in by_name.items():
        if name not in (KEY, REVISION):
            _judge(run, snap_id, revision, name, cell, base, found)


def _revision(cell: Cell | None, latest: int) -> int | None:
    if cell is None or cell.value is None:
        return None
    try:
        revision = int(float(str(cell.value)))
    except ValueError as e:
        raise UsageError(f"revision {str(cell.value)[:40]!r} is no number.") from e
    if not 0 <= revision <= latest:
        raise UsageError(f"revision {revision} is not of this run's audit (it has {latest} acts on this snap).")
    return revision


def _judge(
    run: _Run, snap_id: str, revision: int | None, name: str, cell: Cell, base: Row, found: Edits
) -> None:
    """One cell: untouched, an edit, a conflict or refused."""
    column = _COLUMNS[name]
    before = base.get(name)
    if name == CHECKED:
        before = bool(before)
    if not cell.formula and untouched(column, before, cell.value):
        return
    try:
        if cell.formula:
            raise UsageError("a formula stands here: put its value in.")
        event = _event(snap_id, name, column, before, cell.value, revision)
    except SnapledgerError as e:
        hint = f" {e.hint}" if e.hint else ""
        found.refusals.append(Refusal(cell.place, f"{name}: {e.message}{hint}"))
        return
    if event is None:
        return
    after = {"checked": True, "unchecked": False}.get(event.kind, event.to.get("value", event.to.get("frame")))
    edit = Edit(cell.place, name, before, after, event)
    rival = _rival(run, snap_id, name, event, before)
    if rival:
        found.conflicts.append((edit, rival))
    else:
        found.edits.append(edit)


_COLUMNS = {c.name: c for c in all_columns()}


def _event(snap_id: str, name: str, column: Column, before: Any, value: Any, revision: int | None) -> NewEvent | None:
    """The act of an edited cell. Raises AuditError, UsageError for what cannot be taken."""
    if name not in (*EDITABLE, FRAME, CHECKED):
        raise UsageError("this column cannot be corrected in a spreadsheet; its cell was changed.")
    typed = _typed(column, value)
    if name == CHECKED:
        if bool(typed) == before:
            return None
        return NewEvent(snap_id, "checked" if typed else "unchecked", "row", expected=revision)
    if name == FRAME:
        event = NewEvent(snap_id, "snap_moved", FRAME, {"frame": typed}, {"frame": before}, expected=revision)
    else:
        to = {"value": checked_value(name, typed)}
        event = NewEvent(snap_id, "label_set", name, to, {"value": before}, expected=revision)
    checked(event)
    return event


def _typed(column: Column, value: Any) -> Any:
    """A cell's value as the column's type. Raises UsageError."""
    if value is None:
        return None
    if isinstance(value, (datetime, date, time)):
        raise UsageError("the spreadsheet program made a date of it: write it as text.")
    if column.type == "boolean":
        text = str(value).strip().lower()
        if text in _YES or text in _NO:
            return text in _YES
        raise UsageError(f"expected true or false, got {str(value)[:60]!r}.")
    if column.type in ("integer", "number"):
        try:
            number = float(str(value).strip()) if not isinstance(value, bool) else None
        except ValueError:
            number = None
        if number is None or number != number or abs(number) == float("inf"):
            raise UsageError(f"expected a number, got {str(value)[:60]!r}.")
        if column.type == "number":
            return number
        if number != int(number):
            raise UsageError(f"expected a whole number, got {str(value)[:60]!r}.")
        return int(number)
    text = unguard_text(str(value).strip())
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_") if column.enum else text


def untouched(column: Column, before: Any, value: Any) -> bool:
    """True where a cell still says what was exported; numbers to four decimals, as they are written."""
    if before is None or value is None:
        return before is None and value is None
    if column.type == "string":
        old, new = cell_text(before).strip(), cell_text(value).strip()
        return new in (old, "'" + old) or unguard_text(new) == old
    try:
        typed = _typed(column, value)
    except UsageError:
        return False
    if column.type == "boolean":
        return bool(typed) == bool(before)
    return abs(float(typed) - float(before)) <= 5.1e-5 + 1e-7 * abs(float(before))


def _rival(run: _Run, snap_id: str, name: str, event: NewEvent, before: Any) -> str:
    """Who changed the same thing since the export, and to what; blank where nobody did."""
    events = run.events.get(snap_id, [])
    if event.expected is not None:
        rivals = state.rivals(events, event.kind, event.subject, event.expected)
    else:  # without a revision: whatever an analyst set stands against it
        folded = state.fold(snap_id, events)
        rivals = [e for e in state.effective(events) if e.subject == event.subject and name in folded.labels]
    if not rivals:
        return ""
    now = run.at(snap_id, None).get(name)
    names = ", ".join(sorted({e.who for e in rivals}))
    return f"{names} changed it since the export: it is {'blank' if now is None else now} now"


def write(run_dir: Path, found: Edits, who: str) -> list[Conflict]:
    """Append the edits as acts of ``who``; conflicts that arose in the meantime. Raises BusyError, OutputError."""
    if not found.edits:
        return []
    with AuditStore(run_dir, who) as store:
        return list(store.append_many([e.event for e in found.edits]).conflicts)
