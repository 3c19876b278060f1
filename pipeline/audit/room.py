"""One run under audit: predictions, store, what was recomputed, film. What the page asks, this answers."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.audit import evidence as evidences
from pipeline.audit import final, replay, reread, view
from pipeline.audit.events import EDITABLE, GEOMETRY_KINDS, NewEvent, columns
from pipeline.audit.replay import FilmNeeded
from pipeline.audit.runs import RunFacts
from pipeline.audit.state import SnapState, redo_target, undo_target
from pipeline.audit.stills import Stills
from pipeline.audit.store import AuditStore, Conflict
from pipeline.errors import AuditError, InputError, SnapledgerError
from pipeline.ledger import Row, safe_name

log = logging.getLogger(__name__)
LIST_LABELS = ("play_kind", "deep_safeties", "corner_picture", "rotation", "rushers", "coverage_before",
               "coverage_after")  # fmt: skip
HISTORY = 60
AROUND = (-24, 40)  # frames about the snap made ready when a snap is opened


class Room:
    """Thread safe: the server's workers call it side by side."""

    def __init__(self, store: AuditStore, film_folder: Path | None = None) -> None:
        self.store, self.run_dir, self.film_folder = store, store.run_dir, film_folder
        self._read()
        self.stills = Stills()
        self._guard = threading.RLock()
        self._acting = threading.Lock()
        self._evidence: dict[str, evidences.Evidence] = {}
        self._jobs: dict[str, str] = {}  # snap_id -> what is being done
        self._failed: dict[str, tuple[str, str]] = {}  # snap_id -> (basis, why)
        self._opened: str | None = None

    def _read(self) -> None:
        self._charted = self._stamp()
        self.facts = RunFacts.read(self.run_dir)
        self.predicted = final.predicted(self.run_dir)
        self.rows = {str(r["snap_id"]): r for r in self.predicted.snaps}
        self.others = {str(r["other_view_snap_id"]): str(r["other_view_clip"]) for r in self.predicted.snaps
                       if r.get("other_view_snap_id") and r.get("other_view_clip")}  # fmt: skip

    def _stamp(self) -> int:
        return (self.run_dir / "snaps.csv").stat().st_mtime_ns

    def look_again(self) -> None:
        """Take in what a charting that goes on beside the audit has written since."""
        with self._guard:
            try:
                if self._stamp() == self._charted:
                    return
                self._read()
            except (SnapledgerError, OSError) as e:  # in the middle of being written: what was read stands
                log.warning("the ledger could not be read again: %s", e)
                return
            self._evidence.clear()

    # The list

    def listed(self) -> list[dict[str, Any]]:
        """One entry a snap, most doubtful first: unchecked before checked, for review before not, less sure first."""
        self.look_again()
        states = self.store.states()
        entries = [self._entry(row, states) for row in self.predicted.snaps]
        return sorted(entries, key=lambda e: (e["checked"], not e["review"], e["confidence"] or 0.0, e["id"]))

    def _entry(self, row: Row, states: Mapping[str, SnapState]) -> dict[str, Any]:
        snap_id = str(row["snap_id"])
        state = states.get(snap_id)
        label_rows = self.predicted.labels.get(snap_id, [])
        if state is not None and state.corrected:
            made = final.corrected(self.store, row, label_rows, state)
            row, rows = made.row, made.labels
            values = {str(r["label"]): r["value_final"] for r in rows}
        else:
            rows = label_rows
            values = {name: row.get(name) for name in EDITABLE}
        doubts = [str(r["label"]) for r in rows if r.get("status") not in ("ok", None)]
        return {
            "id": snap_id, "clip": row["clip"], "frame": row.get("snap_frame"), "time_s": row.get("snap_time_s"),
            "view": row.get("view"), "confidence": row.get("confidence"), "review": bool(row.get("review")),
            "reasons": [r for r in str(row.get("review_reasons") or "").split("; ") if r],
            "checked": bool(state and state.checked), "checked_by": state.checked_by if state else None,
            "corrected": bool(state and state.corrected), "notes": len(state.notes) if state else 0,
            "values": {k: v for k, v in values.items() if k in EDITABLE and v is not None}, "doubts": doubts,
        }  # fmt: skip

    # One snap

    def known(self, snap_id: str) -> Row:
        """Row of a snap as charted. Raises InputError."""
        if snap_id not in self.rows:
            raise InputError(f"There is no snap {snap_id!r} in this run.")
        return self.rows[snap_id]

    def evidence(self, snap_id: str) -> evidences.Evidence | None:
        """Evidence of a snap; None where it is missing or damaged (the page then has no layers)."""
        with self._guard:
            if snap_id in self._evidence:
                return self._evidence[snap_id]
        try:
            found = evidences.load(self.run_dir, snap_id)
        except InputError as e:
            log.warning("%s", e)
            return None
        with self._guard:
            if len(self._evidence) > 24:
                self._evidence.pop(next(iter(self._evidence)))
            self._evidence[snap_id] = found
        return found

    def other(self, snap_id: str) -> dict[str, Any]:
        """The same play from the other view, for looking. Raises InputError where there is none."""
        other_id = str(self.known(snap_id).get("other_view_snap_id") or "")
        found = self.evidence(other_id) if other_id in self.others else None
        if found is None:
            raise InputError("This play has no other view.", where=snap_id)
        shown = view.of_evidence(found)
        level = str(shown["moments"][0]["level"]) if shown["moments"] else "college"
        return {"id": other_id, "clip": self.others[other_id], "view": shown, "field": view.field_json(level),
                "frame": found.snap.frame, "film": self.film_state(other_id)}  # fmt: skip

    def why(self, snap_id: str) -> list[dict[str, Any]]:
        """What each label rests on, as charted. Raises UsageError, InputError where that cannot be told."""
        from pipeline import explain
        from pipeline.labels import load

        self.known(snap_id)
        found = explain.explain(self.run_dir, snap_id, settings=load(self.facts.labels_file or None))
        return [{"label": r.label, "said": r.said, "facts": [f.text() for f in r.facts], "changes": list(r.changes)}
                for r in found]  # fmt: skip

    def detail(self, snap_id: str, who: str) -> dict[str, Any]:
        """All that the page shows of a snap."""
        row, state = self.known(snap_id), self.store.state(snap_id)
        made = final.corrected(self.store, row, self.predicted.labels.get(snap_id, []), state, self._recompute)
        again = self._kept(snap_id, state)
        found = self.evidence(snap_id)
        shown = again["view"] if again and again.get("view") else view.of_evidence(found) if found else None
        events = self.store.events(snap_id)
        undo, redo = undo_target(events, who), redo_target(events, who)
        moment = (shown or {}).get("moments") or [{}]
        return {
            "id": snap_id, "row": made.row, "labels": self._labels(made), "view": shown,
            "field": view.field_json(str(row.get("field_level") or moment[0].get("level") or "college")),
            "after_s": self.facts.after_s, "shot": found.shot if found else None,
            "revision": state.revision, "notes": [list(n) for n in state.notes], "problems": list(made.notes),
            "history": [e.as_dict() for e in events if e.kind != "blind_answer"][-HISTORY:],
            "undo": None if undo is None else undo.as_dict(), "redo": None if redo is None else redo.as_dict(),
            "film": self.film_state(snap_id), "working": self._jobs.get(snap_id),
        }  # fmt: skip

    def _labels(self, made: final.Final) -> list[Row]:
        """Rows of labels, and blank ones for labels that an analyst may give and nobody has yet."""
        there = {str(r["label"]): r for r in made.labels}
        out = []
        for name in EDITABLE:
            blank = {
                "label": name, "value_predicted": self.rows[str(made.row["snap_id"])].get(name),
                "value_final": made.row.get(name), "source": "predicted", "how": "predicted", "confidence": None,
                "confidence_predicted": None, "status": None, "reason": None,
            }  # fmt: skip
            out.append(there.get(name, blank))
        return out

    def _kept(self, snap_id: str, state: SnapState) -> dict[str, Any] | None:
        if not state.geometry:
            return None
        return self.store.recomputed(snap_id, final.basis(self.run_dir, snap_id, state.geometry))

    def _recompute(self, run_dir: Path, snap_id: str, geometry: tuple[Any, ...]) -> dict[str, Any]:
        """Play a snap again; where that needs the film, start reading it and say so."""
        key = final.basis(run_dir, snap_id, geometry)
        with self._guard:
            if self._failed.get(snap_id, ("", ""))[0] == key:
                return {"notes": [self._failed[snap_id][1]]}
        try:
            return replay.recompute(run_dir, snap_id, geometry)
        except FilmNeeded:
            move = next(e for e in geometry if e.kind == "snap_moved")
            return {"notes": [self._read_film(snap_id, int(move.to["frame"]), key)]}

    def _read_film(self, snap_id: str, frame: int, key: str) -> str:
        says = "reading the film again around the new snap"
        with self._guard:
            if snap_id in self._jobs:
                return self._jobs[snap_id]
            try:
                self.facts.film(self.facts.clip_of(snap_id), self.film_folder)
            except InputError as e:
                why = f"labels were not computed again: {e}"
                self._failed[snap_id] = (key, why)
                return why
            self._jobs[snap_id] = says

        def work() -> None:
            try:
                reread.in_worker(self.run_dir, snap_id, frame, self.film_folder)
            except SnapledgerError as e:
                self._failed[snap_id] = (key, f"labels were not computed again: {e}")
            except Exception as e:
                log.exception("reading film again")
                self._failed[snap_id] = (key, f"labels were not computed again: {type(e).__name__}: {e}")
            finally:
                with self._guard:
                    self._jobs.pop(snap_id, None)

        threading.Thread(target=work, name=f"reread {snap_id}", daemon=True).start()
        return says

    # Acts

    def act(self, event: NewEvent) -> Conflict | None:
        """Write an act; its ``from`` is what holds now. Raises SnapledgerError."""
        self.known(event.snap_id)
        with self._acting:  # one act at a time: its ``from`` is what the one before it left
            if not self.store.holds(event.snap_id, event.id):
                event = replace(event, before=self._before(event))
                if event.kind == "person_added" and not event.subject:
                    event = replace(event, subject=self._new_person(event.snap_id))
            made = self.store.append(event)
        return made if isinstance(made, Conflict) else None

    def _new_person(self, snap_id: str) -> str:
        used = [int(e.subject[1:]) for e in self.store.events(snap_id) if e.kind == "person_added"]
        return f"a{max(used, default=0) + 1}"

    def _before(self, event: NewEvent) -> dict[str, Any]:
        row = self.rows[event.snap_id]
        state = self.store.state(event.snap_id)
        if event.kind == "label_set":
            made = final.corrected(self.store, row, self.predicted.labels.get(event.snap_id, []), state)
            return {"value": made.row.get(event.subject)}
        if event.kind == "snap_moved":
            return {"frame": row.get("snap_frame")}
        if event.kind not in GEOMETRY_KINDS or event.kind == "person_added":
            return {}
        return self._person(event, state)

    def _person(self, event: NewEvent, state: SnapState) -> dict[str, Any]:
        """Where a person stands now, and where the charting had him (to know him again). Raises AuditError."""
        moment = str(event.to.get("moment") or "snap")
        again = self._kept(event.snap_id, state)
        found = self.evidence(event.snap_id)
        shown = again["view"] if again else view.of_evidence(found) if found is not None else {"moments": []}
        at = 0.0 if moment == "snap" else self.facts.after_s
        near = sorted(shown["moments"], key=lambda m: abs(m["time_s"] - at))
        for m in near:
            person = next((p for p in m["people"] if p["id"] == event.subject), None)
            if person is not None:
                return {
                    "x_yd": person["x_yd"], "y_yd": person["y_yd"], "side": person["side"], "frame": m["frame"],
                    "position": person["position"], "recomputed": again is not None,
                }  # fmt: skip
        raise AuditError(f"Person {event.subject} is not in this snap.", hint="Open the snap again.")

    # Film

    def film_path(self, snap_id: str) -> Path:
        """The film of a snap, or of the other view of one. Raises InputError in plain words where it is not there."""
        clip = self.others[snap_id] if snap_id in self.others else str(self.known(snap_id)["clip"])
        return self.facts.film(clip, self.film_folder)

    def film_state(self, snap_id: str) -> dict[str, Any]:
        """Whether stills can be made, how many frames there are, and pictures of the charting to show instead."""
        pictures = [m for m in ("snap", "after") if self.picture(snap_id, m) is not None]
        try:
            frames = self.stills.frames(self.film_path(snap_id))
        except SnapledgerError as e:
            return {"there": False, "why": str(e), "frames": 0, "pictures": pictures}
        return {"there": True, "why": None, "frames": frames, "pictures": pictures}

    def film_there(self, snap_id: str) -> dict[str, Any]:
        """Whether the film of a snap lies where it should; nothing is opened."""
        try:
            self.film_path(snap_id)
        except SnapledgerError as e:
            return {"there": False, "why": str(e), "frames": 0, "pictures": []}
        return {"there": True, "why": None, "frames": 0, "pictures": []}

    def picture(self, snap_id: str, moment: str) -> Path | None:
        """The picture that the charting made of a moment; None where there is none."""
        if (snap_id not in self.rows and snap_id not in self.others) or moment not in ("snap", "after"):
            return None
        path = self.run_dir / "frames" / f"{safe_name(snap_id)}-{moment}.jpg"
        return path if path.is_file() and path.resolve().is_relative_to(self.run_dir.resolve()) else None

    def still(self, snap_id: str, frame: int, width: int) -> bytes:
        """JPEG of a frame of a snap's film. Raises InputError."""
        return self.stills.get(self.film_path(snap_id), frame, width, self._times(snap_id))

    def _times(self, snap_id: str) -> list[tuple[int, float]]:
        """Frames whose time from the first frame the charting knew."""
        found = self.evidence(snap_id)
        if found is None or found.snap.time_s is None:
            return []
        return [(s.frame, float(found.snap.time_s) + s.time_s) for s in found.samples]

    def open(self, snap_id: str, width: int) -> None:
        """A snap was opened: make the stills about it, beside whatever else is asked, until another one is opened."""
        with self._guard:
            if self._opened == snap_id:
                return
            self._opened = snap_id
        threading.Thread(target=self._make_ready, args=(snap_id, width), name="stills", daemon=True).start()

    def _make_ready(self, snap_id: str, width: int) -> None:
        try:
            found = self.evidence(snap_id)
            sampled = [s.frame for s in found.samples] if found else []
            center = self.store.state(snap_id)
            move = next((e.to.get("frame") for e in center.geometry if e.kind == "snap_moved"), None)
            snap = move if move is not None else self.known(snap_id).get("snap_frame")
            around = list(range(snap + AROUND[0], snap + AROUND[1])) if snap is not None else []
            path, times = self.film_path(snap_id), self._times(snap_id)
            self.stills.ready(path, [*sampled, *around], width, times, lambda: self._opened == snap_id)
        except SnapledgerError as e:
            log.info("no stills ahead: %s", e)


def schema_json() -> list[dict[str, Any]]:
    """Labels that may be set, from the table schema: name, type, allowed values, description."""
    return [
        {"name": c.name, "type": c.type, "enum": list(c.enum), "description": c.description, "minimum": c.minimum}
        for c in columns().values()
    ]
