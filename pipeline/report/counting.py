"""Shares with their interval, groups of plays, and what differs between situations by more than chance would."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.report.plays import SITUATIONS, Play
from pipeline.stats import wilson

FEWEST = 5  # nothing is said on fewer snaps
ORDER = ("1st", "2nd", "3rd", "4th", "short", "medium", "long", "left", "narrow", "middle", "right", "wide", "own 10",
         "midfield and own", "their 49", "their 20")  # fmt: skip


@dataclass(frozen=True)
class Share:
    """Plays with something among plays in which it is known."""

    hits: tuple[Play, ...]
    known: tuple[Play, ...]

    @property
    def n(self) -> int:
        return len(self.known)

    @property
    def enough(self) -> bool:
        """True where something may be said."""
        return self.n >= FEWEST

    @property
    def value(self) -> float:
        """0..1; NaN where nothing is known."""
        return len(self.hits) / self.n if self.n else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """95 % (Wilson)."""
        return wilson(len(self.hits), self.n)


Test = Callable[[Play], bool | None]


def share(plays: Iterable[Play], test: Test) -> Share:
    """Plays for which a test is true among those for which it is not None."""
    judged = [(p, test(p)) for p in plays]
    return Share(tuple(p for p, v in judged if v), tuple(p for p, v in judged if v is not None))


def equals(column: str, value: Any) -> Test:
    """A test on a column: None where the column is blank."""
    return lambda p: None if p.row.get(column) is None else p.row[column] == value


def groups(plays: Sequence[Play], name: str) -> dict[str, list[Play]]:
    """Plays by their group of a situation, in the usual order; plays without one left out."""
    found: dict[str, list[Play]] = {}
    for play in plays:
        if name in play.situation:
            found.setdefault(play.situation[name], []).append(play)
    return dict(sorted(found.items(), key=lambda item: _place(item[0])))


def _place(group: str) -> tuple[int, ...]:
    words = [i for i, word in enumerate(ORDER) if group.startswith(word)]
    rest = [i for i, word in enumerate(ORDER) if f"and {word}" in group]
    return (words[0] if words else 99, rest[0] if rest else 99)


def matrix(plays: Sequence[Play], before: str, after: str) -> tuple[list[Any], dict[tuple[Any, Any], list[Play]]]:
    """Values seen, in order, and plays by (before, after); plays with either blank left out."""
    cells: dict[tuple[Any, Any], list[Play]] = {}
    for play in plays:
        a, b = play.row.get(before), play.row.get(after)
        if a is not None and b is not None:
            cells.setdefault((a, b), []).append(play)
    values = sorted({v for pair in cells for v in pair}, key=lambda v: (isinstance(v, str), v))
    return values, cells


@dataclass(frozen=True)
class Tell:
    """Something that a situation changes: share in it against the rest; the intervals do not meet."""

    what: str
    situation: str
    group: str
    there: Share
    elsewhere: Share

    @property
    def gap(self) -> float:
        """Distance of the two intervals, 0..1."""
        (low, high), (low2, high2) = self.there.interval, self.elsewhere.interval
        return max(low - high2, low2 - high)


def tells(plays: Sequence[Play], facts: Sequence[tuple[str, Test]], most: int = 6) -> tuple[list[Tell], int]:
    """What differs by situation, widest gap first, and how many comparisons were looked at."""
    found: list[Tell] = []
    looked = 0
    for name in SITUATIONS:
        for group, inside in groups(plays, name).items():
            keys = {p.key for p in inside}
            outside = [p for p in plays if p.key not in keys and name in p.situation]
            for what, test in facts:
                there, elsewhere = share(inside, test), share(outside, test)
                if not (there.enough and elsewhere.enough):
                    continue
                looked += 1
                tell = Tell(what, name, group, there, elsewhere)
                if tell.gap > 0:
                    found.append(tell)
    return sorted(found, key=lambda t: -t.gap)[:most], looked


def numbers(plays: Iterable[Play], column: str) -> tuple[list[Play], np.ndarray]:
    """Plays with a number in a column, and the numbers."""
    known = [p for p in plays if p.row.get(column) is not None]
    return known, np.array([float(p.row[column]) for p in known])
