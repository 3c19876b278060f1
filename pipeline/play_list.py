"""A staff's play list: which play is which, with down, distance, hash, field position, personnel and own labels.

Read from .csv or .xlsx with the column map of the configuration ([plays]); joined to the snaps of a run by clip name
where the list has a clip column, else by order. Counts that differ are said, and nothing is joined: rows are never
guessed. Values are checked; a cell that says nothing stays blank.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline import compare, spreadsheet
from pipeline.errors import InputError, UsageError
from pipeline.ledger import Row

COLUMNS = ("down", "distance_yd", "hash_offense", "field_position", "personnel", "own_labels")
HASHES = {
    "l": "left", "left": "left", "m": "middle", "mid": "middle", "middle": "middle", "c": "middle", "centre": "middle",
    "center": "middle", "r": "right", "right": "right",
}  # fmt: skip
GOAL_WORDS = ("goal", "g", "gl")  # in a column of distances: to the goal line


@dataclass(frozen=True)
class Columns:
    """Header in the list by what it holds ('' where the list has no such column), and further columns to keep."""

    clip: str = ""
    down: str = ""
    distance: str = ""
    hash: str = ""
    field_position: str = ""
    personnel: str = ""
    own: tuple[str, ...] = ()


@dataclass(frozen=True)
class PlayList:
    """Rows in order: the columns of COLUMNS, and ``clip`` where the list names it.

    notes: what of the list was not used.
    """

    rows: tuple[Row, ...]
    by_clip: bool
    notes: tuple[str, ...] = ()


def _plain(header: Any) -> str:
    return re.sub(r"[^a-z0-9]+", " ", str(header or "").strip().lower()).strip()


def read(path: Path, columns: Columns) -> PlayList:
    """The list of a file. Raises UsageError where the file or every mapped column is missing, InputError naming the
    row for a value that cannot be one."""
    if not path.is_file():
        raise UsageError("There is no such play list.", where=path, hint="Check the path after --plays.")
    try:
        cells = [r for r in spreadsheet.cells(path) if any(v not in (None, "") for v in r)]
    except OSError as e:
        raise InputError(f"The play list cannot be read: {e.strerror or e}.", where=path) from e
    headers = [_plain(h) for h in cells[0]] if cells else []
    names = ("clip", "down", "distance", "hash", "field_position", "personnel")
    wanted = {k: _plain(getattr(columns, k)) for k in names}
    at = {k: headers.index(h) for k, h in wanted.items() if h and h in headers}
    own = {name: headers.index(_plain(name)) for name in columns.own if _plain(name) in headers}
    if not (set(at) - {"clip"} or own):
        raise UsageError(
            f"The play list has none of the columns asked for: {', '.join(h for h in wanted.values() if h)}.",
            where=path, hint="Say in the configuration under [plays] which of its columns is what.",
        )  # fmt: skip
    notes = [f"column {columns.own[k]!r} is not in the play list"
             for k in range(len(columns.own)) if columns.own[k] not in own]  # fmt: skip
    rows = []
    for number, line in enumerate(cells[1:], start=2):
        def cell(index: int | None, line: Sequence[Any] = line) -> str:
            value = None if index is None or index >= len(line) else line[index]
            text = "" if value is None else str(value).strip()
            return text[:-2] if re.fullmatch(r"-?\d+\.0", text) else text  # 10.0 of a spreadsheet

        given = {k: cell(at.get(k)) for k in wanted}
        kept = {name: cell(index) for name, index in own.items()}
        rows.append(_row(given, kept, f"{path}, row {number}"))
    return PlayList(tuple(rows), "clip" in at and all(r.get("clip") for r in rows), tuple(notes))


def _row(given: Mapping[str, str], own: Mapping[str, str], where: str) -> Row:
    row: Row = {"clip": given["clip"] or None, **dict.fromkeys(COLUMNS)}
    row["down"] = _number(given["down"], 1, 4, "down", where)
    far = given["distance"].lower()
    row["field_position"] = _position(given["field_position"], where)
    if far in GOAL_WORDS:
        to_goal = yards_to_goal(row["field_position"])
        row["distance_yd"] = None if to_goal is None else int(to_goal)
    else:
        row["distance_yd"] = _number(far, 0, 99, "distance", where)
    mark = given["hash"].lower()
    if mark and mark not in HASHES:
        raise InputError(f"hash: {mark!r} is none of left, middle, right.", where=where,
                         hint="Correct the cell or leave it blank.")  # fmt: skip
    row["hash_offense"] = HASHES.get(mark)
    row["personnel"] = _personnel(given["personnel"])
    row["own_labels"] = "; ".join(f"{k}={v}" for k, v in own.items() if v) or None
    return row


def _number(text: str, low: int, high: int, what: str, where: str) -> int | None:
    if not text or set(text) <= {"-", " "}:
        return None
    match = re.match(r"(\d+)(?:\.0+)?(?:st|nd|rd|th)?$", text.lower())
    if match is None or not low <= int(match[1]) <= high:
        raise InputError(f"{what}: {text!r} is no number from {low} to {high}.", where=where,
                         hint="Correct the cell or leave it blank.")  # fmt: skip
    return int(match[1])


def yards_to_goal(field_position: str | None, length_yd: float = 100.0) -> float | None:
    """Yards to the goal line attacked, of 'own_35', 'opp_12' or 'midfield'; length_yd: goal line to goal line."""
    if field_position is None:
        return None
    if field_position == "midfield":
        return length_yd / 2
    half, _, yards = field_position.partition("_")
    return length_yd - float(yards) if half == "own" else float(yards)


def _position(text: str, where: str) -> str | None:
    """Field position as text that is no number.

    Understood: 'own 35', 'opp 12', '-35' (own half) and '12' or '+12' (the other half), '50'. Common practice, no
    source.
    """
    clean = text.strip().lower().replace("'", "")
    if not clean:
        return None
    match = re.fullmatch(r"(own|opp|opponent|their|our)?\s*([+-]?)\s*(\d{1,2})(?:\.0+)?", clean)
    if match is None or not 0 < int(match[3]) <= 55:
        raise InputError(f"field position: {text!r} is not understood.", where=where,
                         hint="Write own 35, opp 12, -35 or 12, or leave the cell blank.")  # fmt: skip
    yards = int(match[3])
    own = match[1] in ("own", "our") or match[2] == "-"
    if yards >= 50:
        return "midfield" if yards in (50, 55) else f"own_{yards}" if own else f"opp_{yards}"
    return f"own_{yards}" if own else f"opp_{yards}"


def _personnel(text: str) -> str | None:
    """'11' (one back, one tight end) as text that no spreadsheet takes for a number; other words as they are."""
    match = re.fullmatch(r"([0-3])([0-4])", text)
    return f"{match[1]} back {match[2]} end" if match else text or None


def match(plays: PlayList, snaps: Sequence[Row]) -> tuple[dict[str, Row], list[str]]:
    """Rows of the list by snap_id, and what was not joined. Nothing is joined where counts differ."""
    with_snap = [r for r in snaps if compare.has_snap(r)]
    if not plays.by_clip:
        if len(with_snap) != len(plays.rows):
            return {}, [
                f"the play list has {len(plays.rows)} rows, the film {len(with_snap)} snaps: nothing was joined"
            ]
        return {str(s["snap_id"]): p for s, p in zip(with_snap, plays.rows, strict=True)}, []
    listed, filmed = compare.by_clip(plays.rows), compare.by_clip(with_snap)
    joined: dict[str, Row] = {}
    notes = []
    for clip, rows in listed.items():
        found = filmed.get(clip, [])
        if len(found) == len(rows):
            joined |= {str(s["snap_id"]): p for s, p in zip(found, rows, strict=True)}
        else:
            notes.append(f"{clip}: {len(rows)} row(s) in the play list, {len(found)} snap(s) in the film: not joined")
    missing = [clip for clip in filmed if clip not in listed]
    if missing:
        notes.append(f"{len(missing)} clip(s) are not in the play list, first: {missing[0]}")
    return joined, notes
