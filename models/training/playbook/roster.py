"""The men of a play while it is being built: alignment in the play frame, body, numbers and speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

# Jersey numbers by position, offence and defence. Common practice, no source; professional and college rules
# only fix 50-79 for the interior line (NFL Rule 5-1-2, NCAA Rule 7-1-4-a).
NUMBERS = {
    "center": (50, 79), "guard": (60, 79), "tackle": (60, 79), "tight_end": (80, 89), "receiver": (1, 19),
    "back": (20, 39), "passer": (1, 19), "edge": (90, 99), "tackle_inside": (90, 99), "linebacker": (40, 59),
    "corner": (20, 39), "slot_defender": (20, 39), "safety": (20, 49), "kicker": (1, 19), "unknown": (1, 99),
}  # fmt: skip
# Height in yards and build (width scale) by position. Common practice, no source.
BODIES = {
    "center": (2.07, 1.25), "guard": (2.09, 1.28), "tackle": (2.16, 1.25), "tight_end": (2.13, 1.1),
    "receiver": (2.02, 0.94), "back": (1.95, 1.02), "passer": (2.07, 1.0), "edge": (2.12, 1.13),
    "tackle_inside": (2.09, 1.27), "linebacker": (2.05, 1.07), "corner": (1.97, 0.94),
    "slot_defender": (1.97, 0.95), "safety": (2.0, 0.98), "kicker": (2.0, 0.95),
    "unknown": (1.97, 1.0), "official": (1.99, 1.02),
}  # fmt: skip
# Top speed in yd/s and acceleration in yd/s2 by position: about the speeds tracked on professional fields
# (fastest runs 10 yd/s, linemen 5 to 6). Value from memory.
MOVES = {
    "center": (5.2, 4.6), "guard": (5.3, 4.6), "tackle": (5.3, 4.6), "tight_end": (7.6, 5.0),
    "receiver": (8.9, 5.7), "back": (8.5, 5.7), "passer": (7.2, 4.8), "edge": (7.2, 5.2),
    "tackle_inside": (6.0, 4.9), "linebacker": (7.8, 5.3), "corner": (9.0, 5.7), "slot_defender": (8.8, 5.7),
    "safety": (8.8, 5.6), "kicker": (6.5, 4.5), "unknown": (6.0, 4.0), "official": (6.0, 3.5),
}  # fmt: skip
LEVEL_SPEED = {"professional": 1.0, "college": 0.97, "high_school": 0.9, "canadian": 0.98}


@dataclass
class Man:
    """One player before the ball is snapped. depth and across are yards in the play frame, at the snap.

    tag is a short name inside its unit ('C', 'LT', 'X1', 'QB', 'W', 'FS', ...). on_line: on the line of
    scrimmage in the sense of the rules. wide: detached from the line.
    """

    side: str
    position: str
    tag: str
    depth: float
    across: float
    stance: str = "two_point"
    on_line: bool = False
    eligible: bool = False
    wide: bool = False

    @property
    def at(self) -> tuple[float, float]:
        return (self.depth, self.across)


@dataclass(frozen=True)
class Spot:
    """Where the ball lies and what room there is. Yards; room to each sideline as the offence sees it."""

    level: str
    line_of_scrimmage_yd: float
    ball_y_yd: float
    direction: int
    room_left: float
    room_right: float
    to_goal: float
    to_end_line: float
    behind: float  # to the end line behind the offence
    end_zone: float
    neutral: float = 0.0  # extra neutral zone of the defence

    @property
    def width(self) -> float:
        return self.room_left + self.room_right

    def room(self, sign: int) -> float:
        return self.room_right if sign > 0 else self.room_left

    def across_of(self, share: float) -> float:
        """Across of a share of the field's width, 0 at the offence's left sideline."""
        return -self.room_left + share * self.width

    def deep_limit(self) -> float:
        """Depth beyond which a safety is deep: 9 yd, scaled down inside the 15 (DESIGN section 4)."""
        return 9.0 * float(np.clip(self.to_goal / 15.0, 0.4, 1.0))

    def squeeze(self) -> float:
        """How far depths shrink near the goal line, 1 in the open field."""
        return float(np.clip((self.to_goal + 5.0) / 20.0, 0.45, 1.0))


def numbers(rng: np.random.Generator, men: list[Man]) -> list[int]:
    """Jersey numbers, different inside a team while the range lasts."""
    used: dict[str, set[int]] = {}
    out = []
    for m in men:
        lo, hi = NUMBERS[m.position]
        taken = used.setdefault(m.side, set())
        free = [n for n in range(lo, hi + 1) if n not in taken] or list(range(1, 100))
        n = int(free[int(rng.integers(len(free)))])
        taken.add(n)
        out.append(n)
    return out


def body(rng: np.random.Generator, position: str, level: str) -> tuple[float, float]:
    """Height in yards and build of a man; school players are smaller."""
    h, b = BODIES[position]
    s = 0.965 if level == "high_school" else 1.0
    return float(np.clip(h * s + rng.normal(0, 0.045), 1.7, 2.3)), float(
        np.clip(b * s + rng.normal(0, 0.05), 0.8, 1.45)
    )


def tnorm(rng: np.random.Generator, mean: float, sd: float, lo: float, hi: float) -> float:
    """A normal draw clipped to [lo, hi]."""
    return float(min(hi, max(lo, mean + sd * rng.standard_normal())))


def pick(rng: np.random.Generator, weights: Mapping[str, float]) -> str:
    """A key drawn by weight."""
    names = list(weights)
    w = np.cumsum(list(weights.values()))
    return names[int(np.searchsorted(w, rng.random() * w[-1], side="right"))]
