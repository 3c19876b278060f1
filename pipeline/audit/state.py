"""Events folded to what holds now: corrections in force, who made them, what can be undone and redone."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.audit.events import CORRECTING, GEOMETRY_KINDS, UNDOABLE, Event


@dataclass(frozen=True)
class SetLabel:
    """A label as an analyst set it."""

    value: Any
    who: str
    when: str


@dataclass(frozen=True)
class SnapState:
    """What holds of one snap. revision: of its last act; 0 where there is none.

    labels: set by an analyst, by column; geometry: person and snap corrections in force, in order;
    notes: (who, when, text). checked is taken back by a later move of a person or of the snap.
    """

    snap_id: str
    revision: int = 0
    labels: dict[str, SetLabel] = field(default_factory=dict)
    geometry: tuple[Event, ...] = ()
    checked: bool = False
    checked_by: str | None = None
    checked_at: str | None = None
    notes: tuple[tuple[str, str, str], ...] = ()

    @property
    def corrected(self) -> bool:
        """True where anything differs from the prediction by an analyst's word."""
        return bool(self.labels or self.geometry)

    @property
    def correctors(self) -> list[str]:
        """Who made the corrections in force."""
        return sorted({s.who for s in self.labels.values()} | {e.who for e in self.geometry})


def undone_ids(events: Iterable[Event]) -> set[str]:
    """Ids of events that are undone and not redone."""
    undone: set[str] = set()
    for event in events:
        if event.kind == "undo":
            undone.add(str(event.to.get("event")))
        elif event.kind == "redo":
            undone.discard(str(event.to.get("event")))
    return undone


def effective(events: Sequence[Event]) -> list[Event]:
    """Acts in force, in order."""
    undone = undone_ids(events)
    return [e for e in events if e.kind in UNDOABLE and e.id not in undone]


def fold(snap_id: str, events: Sequence[Event]) -> SnapState:
    """State of a snap from its events in order of revision."""
    labels: dict[str, SetLabel] = {}
    geometry: list[Event] = []
    notes: list[tuple[str, str, str]] = []
    checked: Event | None = None
    for event in effective(events):
        if event.kind == "label_set":
            if event.to.get("predicted"):
                labels.pop(event.subject, None)
            else:
                labels[event.subject] = SetLabel(event.to.get("value"), event.who, event.when)
        elif event.kind in GEOMETRY_KINDS:
            geometry.append(event)
            checked = None
        elif event.kind == "note":
            notes.append((event.who, event.when, str(event.to.get("text", ""))))
        elif event.kind == "checked":
            checked = event
        elif event.kind == "unchecked":
            checked = None
    return SnapState(
        snap_id, events[-1].revision if events else 0, labels, _settled(geometry), checked is not None,
        checked.who if checked else None, checked.when if checked else None, tuple(notes),
    )  # fmt: skip


def _settled(geometry: list[Event]) -> tuple[Event, ...]:
    """Geometry without what a later act makes moot: acts on a deleted person; a person added and deleted;
    an earlier move of the snap, and a move back to where it was predicted."""
    deleted = {e.subject for e in geometry if e.kind == "person_deleted"}
    moves = [e for e in geometry if e.kind == "snap_moved"]
    kept = [
        e for e in geometry
        if e.kind != "snap_moved"
        and not (e.subject in deleted and (e.kind != "person_deleted" or e.subject.startswith("a")))
    ]  # fmt: skip
    if moves and moves[-1].to.get("predicted") is None and moves[-1].to.get("frame") != moves[0].before.get("frame"):
        kept.insert(0, moves[-1])
    return tuple(kept)


def undo_target(events: Sequence[Event], who: str) -> Event | None:
    """The last act in force of an analyst."""
    undone = undone_ids(events)
    return next((e for e in reversed(events) if e.who == who and e.kind in UNDOABLE and e.id not in undone), None)


def redo_target(events: Sequence[Event], who: str) -> Event | None:
    """The act that the analyst's last undo took back; none once he has done something else since."""
    undone = undone_ids(events)
    by_id = {e.id: e for e in events}
    for event in reversed(events):
        if event.who != who:
            continue
        if event.kind == "undo" and event.to.get("event") in undone:
            return by_id.get(str(event.to["event"]))
        if event.kind in UNDOABLE:
            return None
    return None


def rivals(events: Sequence[Event], kind: str, subject: str, expected: int) -> list[Event]:
    """Acts since a revision that the analyst has not seen and that touch what he is about to change.

    A label: the same label, or anything that was recomputed; a person, the snap, a check: every correction.
    """
    later = [e for e in events if e.revision > expected and e.kind in CORRECTING and e.kind != "note"]
    if kind in ("note", "blind_answer"):
        return []
    if kind != "label_set":
        return later
    targets = {e.id: e for e in events}

    def meant(e: Event) -> Event:
        return targets.get(str(e.to.get("event")), e) if e.kind in ("undo", "redo") else e

    return [e for e in later if meant(e).subject == subject or meant(e).kind in GEOMETRY_KINDS]
