"""RUN/audit.sqlite: every act of an audit as an appended row, one writer, safe when the power fails.

A rollback journal with ``synchronous=EXTRA`` (SQLite documentation, "PRAGMA synchronous": the journal's folder is
synced too, so that a transaction that was reported written is there after a loss of power). One file, readable by
other processes while it is written, and on network shares, where write-ahead logs do not work. Triggers refuse
changes and deletions of acts. Predictions stay in the run's tables; nothing here overwrites them.
"""

from __future__ import annotations

import contextlib
import errno
import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.audit import state as folding
from pipeline.audit.events import Event, NewEvent, checked, checked_who, new_id
from pipeline.audit.lock import RunLock
from pipeline.audit.state import SnapState
from pipeline.errors import AuditError, BusyError, InputError, OutputError, UsageError

NAME = "audit.sqlite"
FORMAT = 1
APPLICATION_ID = 0x536E704C  # "SnpL" in the file's header
BUSY_S = 3.0
_SCHEMA = """
CREATE TABLE events (
  seq INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE, "when" TEXT NOT NULL, who TEXT NOT NULL,
  snap_id TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL, "from" TEXT NOT NULL, "to" TEXT NOT NULL,
  revision INTEGER NOT NULL, UNIQUE (snap_id, revision));
CREATE TRIGGER events_stay BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER events_remain BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE TABLE recomputed (snap_id TEXT PRIMARY KEY, basis TEXT NOT NULL, payload TEXT NOT NULL);
"""


@dataclass(frozen=True)
class Conflict:
    """An act that was not written because somebody changed the same thing since it was looked at."""

    event: NewEvent
    rivals: tuple[Event, ...]

    @property
    def message(self) -> str:
        """Who changed it."""
        names = sorted({e.who for e in self.rivals})
        return f"changed by {', '.join(names)}"


@dataclass(frozen=True)
class Outcome:
    """What ``append_many`` wrote and what it did not."""

    written: tuple[Event, ...]
    conflicts: tuple[Conflict, ...]


class AuditStore:
    """The acts of one run.

    who: the analyst, for acts that name none. read_only: nothing is written, no lock taken, and a run without an
    audit has no acts. Raises UsageError (no run folder), BusyError (another writer), OutputError (cannot be
    written), InputError (the file is damaged or not an audit).
    """

    def __init__(self, run_dir: Path | str, who: str, read_only: bool = False) -> None:
        self.run_dir = Path(run_dir)
        if not self.run_dir.is_dir():
            raise UsageError("There is no such run folder.", where=run_dir, hint="Give the --out folder of chart.")
        self.who = checked_who(who)
        self.read_only = read_only
        self.path = self.run_dir / NAME
        self._guard = threading.RLock()
        self._cache: dict[str, list[Event]] | None = None
        self.lock = None if read_only else RunLock(self.run_dir, self.who)
        self._db: sqlite3.Connection | None = None
        try:
            if not read_only or self.path.exists():
                self._open()
        except BaseException:
            self.close()
            raise

    def _open(self) -> None:
        mode = "ro" if self.read_only else "rwc"
        uri = f"{self.path.resolve().as_uri()}?mode={mode}"
        with self._errors():
            self._db = sqlite3.connect(uri, uri=True, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA trusted_schema=OFF")
            if not self.read_only:
                self._db.execute("PRAGMA journal_mode=DELETE")
                self._db.execute("PRAGMA synchronous=EXTRA")
                if not self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
                    self._create()
            said = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if said != "ok":
                raise sqlite3.DatabaseError(said)
            app, form = (self._db.execute(f"PRAGMA {p}").fetchone()[0] for p in ("application_id", "user_version"))
        if app != APPLICATION_ID:
            raise InputError("This is not an audit file.", where=self.path, hint="Move it away and start again.")
        if form != FORMAT:
            raise InputError(f"The audit was written by another version (format {form}).", where=self.path,
                             hint="Use the version that wrote it.")  # fmt: skip

    def _create(self) -> None:
        db = self._connection()
        db.executescript(
            f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA application_id={APPLICATION_ID}; PRAGMA user_version={FORMAT}; COMMIT;"
        )

    def _connection(self) -> sqlite3.Connection:
        if self._db is None:
            raise OutputError("The audit is closed or was opened for reading only.", where=self.path)
        return self._db

    @contextlib.contextmanager
    def _errors(self) -> Iterator[None]:
        """SQLite's errors as the program's, in words that say what to do."""
        try:
            yield
        except sqlite3.Error as e:
            code = getattr(e, "sqlite_errorname", "")
            if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
                raise BusyError("Another program holds the audit file; nothing was written.", where=self.path,
                                hint="Close the program that has it open, then try again.") from e  # fmt: skip
            if code.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
                raise OutputError(f"The disk is full or failing; nothing was written ({e}).", where=self.path,
                                  hint="Free some space, then try again.") from e  # fmt: skip
            if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
                raise OutputError(f"The audit cannot be written here: {e}.", where=self.path,
                                  hint="Ask for the right to write in it, or copy the run.") from e  # fmt: skip
            raise InputError(
                f"The audit file is damaged: {e}.", where=self.path,
                hint="Keep a copy of it, put back a backup or move it away; the predictions are untouched.",
            ) from e  # fmt: skip
        except OSError as e:
            kind = OutputError if e.errno in (errno.ENOSPC, errno.EROFS, errno.EACCES) else InputError
            raise kind(f"{e.strerror or e}.", where=self.path) from e

    def close(self) -> None:
        """Close the file and let the run go."""
        if self._db is not None:
            self._db.close()
            self._db = None
        if self.lock is not None:
            self.lock.release()

    def __enter__(self) -> AuditStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # Reading

    def _all(self) -> dict[str, list[Event]]:
        """Events by snap. A writer is alone and keeps them; a reader asks anew."""
        with self._guard:
            if self._cache is not None:
                return self._cache
            found: dict[str, list[Event]] = {}
            if self._db is not None:
                with self._errors():
                    for row in self._db.execute("SELECT * FROM events ORDER BY seq"):
                        found.setdefault(row[4], []).append(_event(row))
            if not self.read_only:
                self._cache = found
            return found

    def events(self, snap_id: str | None = None) -> list[Event]:
        """Acts in order, of one snap or of all."""
        with self._guard:
            found = self._all()
            if snap_id is not None:
                return list(found.get(snap_id, []))
            return sorted((e for events in found.values() for e in events), key=lambda e: e.seq)

    def state(self, snap_id: str) -> SnapState:
        """What holds of a snap."""
        with self._guard:
            return folding.fold(snap_id, self._all().get(snap_id, []))

    def states(self) -> dict[str, SnapState]:
        """What holds of every snap that has an act."""
        with self._guard:
            return {snap_id: folding.fold(snap_id, events) for snap_id, events in self._all().items()}

    def holds(self, snap_id: str, id: str) -> bool:
        """Whether an act is written already."""
        return bool(id) and any(e.id == id for e in self.events(snap_id))

    def undo_target(self, snap_id: str, who: str | None = None) -> Event | None:
        """What an undo would take back."""
        return folding.undo_target(self.events(snap_id), who or self.who)

    def redo_target(self, snap_id: str, who: str | None = None) -> Event | None:
        """What a redo would bring back."""
        return folding.redo_target(self.events(snap_id), who or self.who)

    # Writing

    def append(self, event: NewEvent) -> Event | Conflict:
        """Write one act, or say what stands against it."""
        outcome = self.append_many([event])
        return outcome.written[0] if outcome.written else outcome.conflicts[0]

    def append_many(self, events: Sequence[NewEvent]) -> Outcome:
        """Write acts in one transaction: all that are free of conflict, or none where anything fails.

        An act whose id is there already counts as written and is not written again (a repeated request).
        Raises AuditError (a value is not allowed; nothing is written), BusyError, OutputError.
        """
        ready = [
            replace(e, to=checked(e), who=checked_who(e.who or self.who), id=e.id or new_id()) for e in events
        ]  # fmt: skip
        with self._guard:
            if self.read_only:
                raise OutputError("This audit was opened for looking only; nothing was written.", where=self.path)
            known = {e.id: e for e in self.events()}
            written: list[Event] = []
            conflicts: list[Conflict] = []
            fresh: dict[str, list[Event]] = {}
            for event in ready:
                if event.id in known:
                    written.append(known[event.id])
                    continue
                seen = self._all().get(event.snap_id, [])
                rivals = () if event.expected is None else tuple(
                    folding.rivals(seen, event.kind, event.subject, event.expected))  # fmt: skip
                if rivals:
                    conflicts.append(Conflict(event, rivals))
                    continue
                mine = fresh.setdefault(event.snap_id, [])
                mine.append(_made(event, len(seen) + len(mine) + 1))
            stored = self._insert([e for group in fresh.values() for e in group])
            return Outcome(tuple(written + stored), tuple(conflicts))

    def _insert(self, events: list[Event]) -> list[Event]:
        if not events:
            return []
        db = self._connection()
        stored: list[Event] = []
        with self._errors():
            try:
                db.execute("BEGIN IMMEDIATE")
                for e in events:
                    cells = (e.id, e.when, e.who, e.snap_id, e.kind, e.subject, _json(e.before), _json(e.to),
                             e.revision)  # fmt: skip
                    seq = db.execute(
                        'INSERT INTO events (id, "when", who, snap_id, kind, subject, "from", "to", revision) '
                        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", cells,
                    ).lastrowid  # fmt: skip
                    stored.append(replace(e, seq=int(seq or 0)))
                db.execute("COMMIT")
            except BaseException:
                self._cache = None  # whatever happened, read it again
                if db.in_transaction:
                    db.execute("ROLLBACK")
                raise
        for e in stored:
            self._all().setdefault(e.snap_id, []).append(e)
        return stored

    def undo(self, snap_id: str, who: str | None = None, *, id: str = "") -> Event | None:
        """Take back the analyst's last act on a snap; None where there is none."""
        return self._turn("undo", snap_id, who, id)

    def redo(self, snap_id: str, who: str | None = None, *, id: str = "") -> Event | None:
        """Bring back what the analyst's last undo took; None where there is nothing."""
        return self._turn("redo", snap_id, who, id)

    def _turn(self, kind: str, snap_id: str, who: str | None, id: str) -> Event | None:
        with self._guard:
            done = next((e for e in self.events(snap_id) if id and e.id == id), None)
            if done is not None:
                return done
            find = self.undo_target if kind == "undo" else self.redo_target
            target = find(snap_id, who)
            if target is None:
                return None
            before, to = (target.to, target.before) if kind == "undo" else (target.before, target.to)
            new = NewEvent(snap_id, kind, target.id, {"event": target.id, "to": to}, {"from": before}, who, id=id)
            made = self.append(new)
            if isinstance(made, Conflict):
                raise AuditError(made.message)
            return made

    # What was recomputed from corrections: not an act, may be thrown away at any time

    def recomputed(self, snap_id: str, basis: str) -> dict[str, Any] | None:
        """What replay gave for a snap on this basis (corrections and evidence); None where it must be asked."""
        if self._db is None:
            return None
        with self._guard, self._errors():
            row = self._db.execute(
                "SELECT payload FROM recomputed WHERE snap_id=? AND basis=?", (snap_id, basis)
            ).fetchone()
            return json.loads(row[0]) if row else None

    def keep_recomputed(self, snap_id: str, basis: str, payload: dict[str, Any]) -> None:
        """Keep what replay gave. Raises BusyError, OutputError."""
        if self.read_only:
            return
        with self._guard, self._errors():
            self._connection().execute(
                "INSERT OR REPLACE INTO recomputed VALUES (?, ?, ?)", (snap_id, basis, _json(payload))
            )


def _made(event: NewEvent, revision: int) -> Event:
    when = datetime.now(UTC).isoformat(timespec="milliseconds")
    return Event(0, event.id, when, str(event.who), event.snap_id, event.kind, event.subject, dict(event.before),
                 dict(event.to), revision)  # fmt: skip


def _json(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False, sort_keys=True, allow_nan=False)
    return text.encode("utf-8", "replace").decode("utf-8")


def _event(row: tuple[Any, ...]) -> Event:
    seq, id, when, who, snap_id, kind, subject, before, to, revision = row
    return Event(seq, id, when, who, snap_id, kind, subject, json.loads(before), json.loads(to), revision)
