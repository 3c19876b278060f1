"""What came of a play: written while it runs, read by the ball, the stances and the truth."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.calls import Call
from models.training.playbook.roster import Man, Spot


@dataclass
class Scene:
    """A play being built. Indices of people: offence first, then defence."""

    rng: np.random.Generator
    spot: Spot
    call: Call
    offense: list[Man]
    defense: list[Man]

    @property
    def n_off(self) -> int:
        return len(self.offense)

    @property
    def men(self) -> list[Man]:
        return self.offense + self.defense

    def tag(self, name: str) -> int:
        """Index of the offensive player with that tag."""
        return next(i for i, m in enumerate(self.offense) if m.tag == name)

    @property
    def passer(self) -> int:
        return self.tag("QB")

    def linemen(self) -> list[int]:
        return [i for i, m in enumerate(self.offense) if m.position in ("center", "guard", "tackle")]


@dataclass
class Outcome:
    """Times in seconds from the snap, nan where it did not happen. People by index.

    holder: (second, person) when the ball changes hands; flight: (from_s, to_s, from, to) of a thrown ball.
    """

    rushers: set[int] = field(default_factory=set)
    blockers: set[int] = field(default_factory=set)
    holder: list[tuple[float, int]] = field(default_factory=list)
    throw_s: float = float("nan")
    arrive_s: float = float("nan")
    catch_at: NDArray[np.float64] | None = None
    target: int = -1
    caught: bool = False
    holds: bool = False  # nobody is open: he keeps the ball
    end_s: float = float("nan")  # sack, tackle or ball on the ground
    down: list[tuple[float, int]] = field(default_factory=list)
    routes: dict[int, str] = field(default_factory=dict)
    checked: set[int] = field(default_factory=set)  # backs who looked for a rusher before their route
    late_rush: set[int] = field(default_factory=set)  # men in coverage who rush because their man blocks
    peeled: set[int] = field(default_factory=set)  # rushers who take a back instead
