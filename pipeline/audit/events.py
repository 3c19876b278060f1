"""An act of an audit: what it is, on what, from what to what; checked before it is written.

``from`` and ``to`` are JSON objects:

=============== ======================= ==========================================================
kind            subject                 to
=============== ======================= ==========================================================
label_set       column of snaps.csv     {"value": V or null} or {"predicted": true} (back to the prediction)
person_moved    person                  {"moment": "snap"|"after", "x_yd", "y_yd"} and or {"side", "position"}
person_added    person ("a" and number) {"moment", "x_yd", "y_yd", "side"}
person_deleted  person                  {}
snap_moved      "snap_frame"            {"frame": F or null}
checked         "row"                   {}
unchecked       "row"                   {}
note            "note"                  {"text": T}
undo, redo      id of the event         {"event": id}
blind_answer    column of snaps.csv     {"value": V or null}  (null: cannot be told)
=============== ======================= ==========================================================
"""

from __future__ import annotations

import math
import re
import unicodedata
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pipeline.errors import AuditError, ShapeError
from pipeline.records import POSITIONS
from pipeline.rows import LABEL_COLUMNS
from pipeline.schema import Column, table

KINDS = (
    "label_set", "person_moved", "person_added", "person_deleted", "snap_moved", "checked", "unchecked", "note",
    "undo", "redo", "blind_answer",
)  # fmt: skip
PERSON_KINDS = ("person_moved", "person_added", "person_deleted")
GEOMETRY_KINDS = (*PERSON_KINDS, "snap_moved")
UNDOABLE = ("label_set", *GEOMETRY_KINDS, "checked", "unchecked", "note")
CORRECTING = (*UNDOABLE, "undo", "redo")  # acts that change what holds: these may conflict
# Columns of snaps.csv that an analyst may set.
EDITABLE = (*LABEL_COLUMNS, "line_of_scrimmage_yd", "offense_direction")
MOMENTS = ("snap", "after")
PREDICTED = "predicted"
LONGEST_NOTE, LONGEST_NAME = 4000, 80
_PERSON = re.compile(r"^(?:\d{1,6}|a\d{1,6})$")
_ID = re.compile(r"^[A-Za-z0-9-]{8,64}$")


@dataclass(frozen=True)
class NewEvent:
    """An act to be written. expected: the revision of the snap that the analyst saw, None: any."""

    snap_id: str
    kind: str
    subject: str
    to: Mapping[str, Any] = field(default_factory=dict)
    before: Mapping[str, Any] = field(default_factory=dict)
    who: str | None = None  # None: whoever opened the store
    expected: int | None = None
    id: str = ""  # made where left out; the same id is never written twice


@dataclass(frozen=True)
class Event:
    """A written act. when: UTC, ISO 8601; revision counts the acts on a snap from 1."""

    seq: int
    id: str
    when: str
    who: str
    snap_id: str
    kind: str
    subject: str
    before: dict[str, Any]
    to: dict[str, Any]
    revision: int

    def as_dict(self) -> dict[str, Any]:
        """Plain JSON with the names of the table: from, to."""
        return {
            "seq": self.seq, "id": self.id, "when": self.when, "who": self.who, "snap_id": self.snap_id,
            "kind": self.kind, "subject": self.subject, "from": self.before, "to": self.to,
            "revision": self.revision,
        }  # fmt: skip


def columns() -> dict[str, Column]:
    """Editable columns of snaps.csv by name."""
    found = {c.name: c for c in table("snaps").columns}
    return {name: found[name] for name in EDITABLE}


def checked_value(label: str, value: Any) -> Any:
    """A value as the column's type; texts are read as in CSV, blank is None. Raises AuditError."""
    column = columns().get(label)
    if column is None:
        raise AuditError(f"There is no label {label!r} to set.", hint=f"Labels: {', '.join(EDITABLE)}.")
    try:
        typed = column.value(value) if isinstance(value, str) else value
        if typed is None:
            return None
        if column.type != "boolean" and isinstance(typed, bool):
            raise ShapeError(f"Column {label}: expected {column.type}, got {typed!r}.")
        text = column.cell(typed)
    except ShapeError as e:
        allowed = ", ".join(column.enum) if column.enum else column.type
        raise AuditError(e.message, hint=f"{label} may be: {allowed}, or blank.") from e
    return column.value(text)


def checked_who(who: str) -> str:
    """A name of an analyst. Raises AuditError where it is empty, too long or not plain text."""
    name = unicodedata.normalize("NFC", who).strip()
    if not name or len(name) > LONGEST_NAME or any(unicodedata.category(c) in ("Cc", "Cs") for c in name):
        raise AuditError(f"A name of 1 to {LONGEST_NAME} letters is needed.", hint="Give --who NAME.")
    if name.lower() == PREDICTED:
        raise AuditError(f"{PREDICTED!r} is the program's own name.", hint="Give --who NAME.")
    return name


def new_id() -> str:
    """An id for an event."""
    return uuid.uuid4().hex


def checked(event: NewEvent) -> dict[str, Any]:
    """``to`` of an event with every value checked. Raises AuditError saying what is wrong."""
    if event.kind not in KINDS:
        raise AuditError(f"Unknown kind of event {event.kind!r}.", hint=f"Kinds: {', '.join(KINDS)}.")
    if not event.snap_id or len(event.snap_id) > 400:
        raise AuditError("A snap_id is needed.")
    if event.id and not _ID.match(event.id):
        raise AuditError("An id of an event is 8 to 64 letters, digits or hyphens.")
    to = dict(event.to)
    if event.kind == "label_set" and to.get("predicted") is True:
        checked_value(event.subject, None)
        return {"predicted": True}
    if event.kind in ("label_set", "blind_answer"):
        return {"value": checked_value(event.subject, to.get("value"))}
    if event.kind in PERSON_KINDS:
        if not _PERSON.match(event.subject):
            raise AuditError(f"There is no person {event.subject!r}.")
        return _person(event.kind, to)
    if event.kind == "snap_moved":
        return {"frame": _frame(to.get("frame"))}
    if event.kind == "note":
        text = to.get("text")
        if not isinstance(text, str) or len(text) > LONGEST_NOTE:
            raise AuditError(f"A note is a text of at most {LONGEST_NOTE} letters.")
        return {"text": text.encode("utf-8", "replace").decode("utf-8")}
    return to if event.kind in ("undo", "redo") else {}


def _frame(value: Any) -> int | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 10**8:
        raise AuditError(f"A frame is a whole number from 0, got {value!r}.")
    return value


def _person(kind: str, to: Mapping[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    if kind == "person_deleted":
        return out
    placed = any(k in to for k in ("x_yd", "y_yd")) or kind == "person_added"
    if placed:
        if to.get("moment", "snap") not in MOMENTS:
            raise AuditError(f"A moment is one of {', '.join(MOMENTS)}, got {to.get('moment')!r}.")
        out["moment"] = to.get("moment", "snap")
        for axis in ("x_yd", "y_yd"):
            out[axis] = _yards(axis, to.get(axis))
    if "side" in to or kind == "person_added":
        if to.get("side") not in ("offense", "defense", "official"):
            raise AuditError(f"A side is offense, defense or official, got {to.get('side')!r}.")
        out["side"] = to["side"]
    if to.get("position") is not None:
        if to["position"] not in POSITIONS:
            raise AuditError(f"Unknown position {to['position']!r}.", hint=f"Positions: {', '.join(POSITIONS)}.")
        out["position"] = to["position"]
    if not out:
        raise AuditError("A moved person needs a place, a side or a position.")
    return out


def _yards(axis: str, value: Any) -> float:
    # Wider than any field with its surroundings (Canadian: 150 by 65 yd).
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise AuditError(f"{axis} is a number of yards, got {value!r}.")
    if not -20 <= value <= 170:
        raise AuditError(f"{axis} {value:g} is not on the field.")
    return round(float(value), 4)
