"""Plays of one or several runs with corrections applied, and the situation each was in where that is known."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import field as fields
from pipeline.audit import final, replay
from pipeline.errors import ShapeError, UsageError
from pipeline.ledger import Row, safe_name

# Common practice, no source: groups as staffs chart them.
DISTANCES = (("short, 1 to 3", 3), ("medium, 4 to 6", 6), ("long, 7 and more", 10_000))
WIDTHS = (("narrow, under 20 yd", 20.0), ("middle, 20 to 34 yd", 34.0), ("wide, over 34 yd", 1e9))
ZONES = (("their 20 and in", 20), ("their 49 to 21", 49), ("midfield and own 11 to 49", 89), ("own 10 and in", 110))
SITUATIONS = ("down", "distance", "down and distance", "hash", "field zone", "formation width")


@dataclass(frozen=True)
class Play:
    """One play. key: unique over all runs; row: of snaps.csv, corrected; people: rows of positions by moment;
    situation: group by name of SITUATIONS, only what is known."""

    key: str
    game: str
    run_dir: Path
    row: Row
    people: Mapping[str, tuple[Row, ...]] = field(default_factory=dict)
    situation: Mapping[str, str] = field(default_factory=dict)

    def picture(self, moment: str) -> Path | None:
        """The picture of a moment as it was charted; None where there is none."""
        path = self.run_dir / "frames" / f"{safe_name(str(self.row['snap_id']))}-{moment}.jpg"
        return path if path.is_file() else None


@dataclass(frozen=True)
class Games:
    """All plays of a report; left_out: kinds of rows that are no play of a count, with their number."""

    plays: tuple[Play, ...]
    names: tuple[str, ...]
    left_out: Mapping[str, int]


def load(run_dirs: Sequence[Path]) -> Games:
    """Plays of run folders. Raises UsageError: no run, the same folder twice, no play in any."""
    if len({d.resolve() for d in run_dirs}) != len(run_dirs):
        raise UsageError("The same folder is named twice.", hint="Name each run once.")
    plays: list[Play] = []
    left_out: dict[str, int] = {}
    names = _names(run_dirs)
    for number, (run_dir, name) in enumerate(zip(run_dirs, names, strict=True)):
        found = final.final_rows(run_dir, replay.recompute)
        people = _people(found["positions"])
        ids = {str(r["snap_id"]) for r in found["snaps"]}
        for row in found["snaps"]:
            why = _left_out(row, ids)
            if why:
                left_out[why] = left_out.get(why, 0) + 1
                continue
            mine = people.get(str(row["snap_id"]), {})
            plays.append(Play(f"g{number}-{len(plays)}", name, run_dir, row, mine, situation(row, mine)))
    if not plays:
        raise UsageError("There is no run or pass play in these runs.", where=run_dirs[0],
                         hint="Give the --out folders of `snapledger chart`.")  # fmt: skip
    return Games(tuple(plays), tuple(names), left_out)


def _names(run_dirs: Sequence[Path]) -> list[str]:
    names: list[str] = []
    for run_dir in run_dirs:
        name = run_dir.resolve().name.replace("_", " ")
        names.append(name if name not in names else f"{name} ({len(names) + 1})")
    return names


def _left_out(row: Row, ids: set[str]) -> str:
    """Why a row is no play of a count; blank where it is one."""
    if row.get("snap_frame") is None or row.get("play_kind") == "no_snap":
        return "without a snap"
    if row.get("play_kind") == "special":
        return "kicks and other special plays"
    if row.get("view") == "endzone" and row.get("other_view_snap_id") in ids:
        return "second views of a play that is counted once"
    return ""


def _people(rows: Sequence[Row]) -> dict[str, dict[str, tuple[Row, ...]]]:
    found: dict[str, dict[str, list[Row]]] = {}
    for row in rows:
        found.setdefault(str(row["snap_id"]), {}).setdefault(str(row["moment"]), []).append(row)
    return {snap: {m: tuple(rs) for m, rs in moments.items()} for snap, moments in found.items()}


def situation(row: Row, people: Mapping[str, Sequence[Row]]) -> dict[str, str]:
    """Group by name of SITUATIONS; what is not known is left out."""
    out: dict[str, str] = {}
    down, distance = row.get("down"), row.get("distance_yd")
    if down is not None:
        out["down"] = ("1st", "2nd", "3rd", "4th")[int(down) - 1] if 1 <= int(down) <= 4 else str(down)
    if distance is not None:
        out["distance"] = next(name for name, most in DISTANCES if float(distance) <= most)
    if "down" in out and "distance" in out:
        out["down and distance"] = f"{out['down']} and {out['distance'].split(',')[0]}"
    for name, value in (("hash", _hash(row)), ("field zone", _zone(row)), ("formation width", _width(people))):
        if value:
            out[name] = value
    return out


def _attacks_up(row: Row) -> int | None:
    """+1 where the offence attacks towards larger x, -1 the other way."""
    return {"right": 1, "away": 1, "left": -1, "toward": -1}.get(str(row.get("offense_direction")))


def _hash(row: Row) -> str | None:
    """Where the ball lies as the offence sees it: from the play list, else from its place between the hash rows."""
    listed = row.get("hash_offense")
    if listed:
        return str(listed)
    across, up = row.get("ball_across_yd"), _attacks_up(row)
    try:
        rules = fields.load(str(row.get("field_level")))
    except (ShapeError, UsageError, OSError):
        return None
    if across is None or up is None:
        return None
    middle = rules.width / 2
    off = up * (float(across) - middle)  # positive to the offence's left
    half = (max(rules.hash_rows) - min(rules.hash_rows)) / 2
    if abs(off) < half / 2:
        return "middle"
    return "left" if off > 0 else "right"


def _zone(row: Row) -> str | None:
    """Field zone from the play list, else from the line of scrimmage where its yard line is known."""
    goal = _to_goal(row)
    return None if goal is None else next((name for name, most in ZONES if goal <= most), None)


def _to_goal(row: Row) -> float | None:
    listed = re.fullmatch(r"(own|opp)_(\d{1,2})|midfield", str(row.get("field_position") or ""))
    rules = fields.load(str(row["field_level"])) if row.get("field_level") in fields.LEVELS else None
    half = 55 if row.get("field_level") == "canadian" else 50
    if listed:
        if not listed[1]:
            return float(half)
        return float(listed[2]) if listed[1] == "opp" else 2 * half - float(listed[2])
    line, up = row.get("line_of_scrimmage_yd"), _attacks_up(row)
    if line is None or up is None or rules is None:
        return None
    own_goal = (rules.length - 2 * half) / 2
    return float(2 * half + own_goal - line) if up > 0 else float(line - own_goal)


def _width(people: Mapping[str, Sequence[Row]]) -> str | None:
    """Width of the formation: from the outermost man of the offence to the other, at the snap."""
    across = [
        float(r["across_yd"]) for r in people.get("snap", ())
        if r.get("side") == "offense" and r.get("role") == "player" and r.get("across_yd") is not None
    ]  # fmt: skip
    if len(across) < 7:  # the line alone says nothing of the width
        return None
    return next(name for name, most in WIDTHS if max(across) - min(across) <= most)
