"""A drawing board for tests: a play set up in the play frame, everybody's path by hand, no playbook behind it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline import alignment, labels
from pipeline.records import ROLES, SIDES, Alignment, Labels, Tracks

TIMES_S = np.array([-3.0, -2.5, -2.0, -1.5, -1.0, -0.6, -0.3, -0.1, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0])
LINE_X, BALL_Y = 60.0, 26.0


@dataclass
class Board:
    """Men by name: side, (depth, across) at the snap, and where they are two seconds after it."""

    men: dict[str, tuple[str, tuple[float, float], tuple[float, float]]] = field(default_factory=dict)
    paths: dict[str, list[tuple[float, float, float]]] = field(default_factory=dict)

    def put(self, name: str, side: str, at: tuple[float, float], to: tuple[float, float] | None = None) -> Board:
        """Place a man; ``to``: where he is at 2.0 s (moving evenly from 0.25 s on)."""
        self.men[name] = (side, at, to or at)
        return self

    def motion(self, name: str, points: list[tuple[float, float, float]]) -> Board:
        """(time, depth, across) points before the snap, joined by straight lines."""
        self.paths[name] = points
        return self

    def xy(self) -> np.ndarray:
        """(T, N, 2) play frame."""
        out = np.zeros((len(TIMES_S), len(self.men), 2))
        for k, (name, (_, at, to)) in enumerate(self.men.items()):
            share = np.clip((TIMES_S - 0.25) / 1.75, 0, 1)[:, None]
            out[:, k] = np.array(at) + share * (np.array(to) - np.array(at))
            if name in self.paths:
                p = np.array(self.paths[name])
                before = TIMES_S <= 0
                for c in (0, 1):
                    out[before, k, c] = np.interp(TIMES_S[before], p[:, 0], p[:, 1 + c])
        return out

    def tracks(self, direction: int = 1, error_yd: float = 0.1) -> Tracks:
        """The board as tracks, everybody seen."""
        xy = self.xy()
        field_xy = np.stack([LINE_X + direction * xy[..., 0], BALL_Y - direction * xy[..., 1]], -1)
        side = np.array([SIDES.index(s) for s, _, _ in self.men.values()])
        n, t = len(side), len(TIMES_S)
        role = np.where(side == SIDES.index("official"), ROLES.index("official"), ROLES.index("player"))
        return Tracks(
            TIMES_S, np.arange(t), field_xy, np.ones((t, n), bool), role, side, np.full(n, 0.99),
            np.zeros((t, n), np.int64), np.full(t, error_yd),
        )  # fmt: skip

    def read(self, direction: int = 1) -> tuple[Tracks, Alignment, Labels]:
        """Tracks, alignment and labels."""
        t = self.tracks(direction)
        a = alignment.align(t)
        return t, a, labels.label(t, a)

    def index(self, name: str) -> int:
        """Track of a man."""
        return list(self.men).index(name)


def offense(passing: bool = True) -> Board:
    """Two receivers a side, one back beside the passer: five block, four run routes, the back stays in or leaves."""
    b = Board()
    drop = -2.2 if passing else 2.0
    line = {"LT": (-1.15, -3.1), "LG": (-1.0, -1.55), "C": (-0.8, 0.0), "RG": (-1.0, 1.55), "RT": (-1.15, 3.1)}
    for name, (d, a) in line.items():
        b.put(name, "offense", (d, a), (d + drop, a * 1.15))
    b.put("QB", "offense", (-4.9, 0.0), (-8.0, 0.0) if passing else (-5.5, 1.5))
    b.put("RB", "offense", (-5.0, 1.8), (1.0, 7.5) if passing else (1.5, 1.0))
    b.put("X", "offense", (-1.0, -15.0), (11.0, -15.0))
    b.put("Z", "offense", (-1.0, 15.0), (11.0, 15.0))
    b.put("H", "offense", (-2.0, -7.5), (8.0, -6.0))
    b.put("Y", "offense", (-2.0, 7.5), (8.0, 8.0))
    return b


def front(b: Board, rushers: int = 4) -> Board:
    """Four down linemen and three linebackers; ``rushers`` of the seven come (linemen first)."""
    places = {
        "LE": (0.9, -4.2), "LI": (0.75, -1.2), "RI": (0.75, 2.2), "RE": (0.9, 4.2),
        "W": (4.5, -3.0), "M": (4.6, 0.0), "S": (4.5, 3.0),
    }  # fmt: skip
    for k, (name, at) in enumerate(places.items()):
        rush = k < rushers
        to = (-4.0, at[1] * 0.8) if rush else (8.5, at[1] * 2.2)
        b.put(name, "defense", at, to)
    return b
