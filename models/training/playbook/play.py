"""A play as trajectories: who stands where, looking where, in which stance, and what is true about it.

Field frame of ``pipeline.field``: yards, x along the length, y across from the near sideline, z up. Time is in
seconds from the snap. Play frame: depth past the line of scrimmage (positive on the defence's side) and across
from the ball (positive to the offence's right).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ShapeError
from pipeline.records import POSITIONS, ROLES, SIDES

STANCES = (
    "standing", "two_point", "three_point", "four_point", "under_center", "shotgun", "crouched",
    "moving", "engaged", "throwing", "catching", "down", "kicking", "arms_out",
)  # fmt: skip
HZ = 30.0


@dataclass(frozen=True)
class Person:
    """One person of a play. People off the field (role bystander) have side 'unknown'.

    rusher: a defender who attacks the passer; blocker: a lineman, back or tight end who stays in;
    deep: a deep safety at the snap; deep_after: a deep defender 1.0 to 2.0 s after it.
    """

    id: int
    side: str
    role: str
    position: str
    number: int
    height_yd: float
    build: float = 1.0
    rusher: bool = False
    blocker: bool = False
    deep: bool = False
    deep_after: bool = False

    def __post_init__(self) -> None:
        for name, value, known in (
            ("side", self.side, SIDES),
            ("role", self.role, ROLES),
            ("position", self.position, POSITIONS),
        ):
            if value not in known:
                raise ShapeError(f"Person.{name}: expected one of {known}, got {value!r}.")


@dataclass(frozen=True)
class Play:
    """T moments at ``hz``, P people. xy_yd (T, P, 2), facing_rad (T, P) with 0 = +x and pi/2 = +y,
    stance (T, P) index into STANCES, ball_xyz_yd (T, 3). direction is +1 where the offence attacks larger x.
    snap_index is None in a clip without a snap. labels: truth by ledger column; extra: what was called.
    """

    seed: int
    level: str
    time_s: NDArray[np.float64]
    snap_index: int | None
    people: tuple[Person, ...]
    xy_yd: NDArray[np.float64]
    facing_rad: NDArray[np.float64]
    stance: NDArray[np.int8]
    ball_xyz_yd: NDArray[np.float64]
    line_of_scrimmage_yd: float
    ball_y_yd: float
    direction: int
    labels: dict[str, Any]
    extra: dict[str, Any] = field(default_factory=dict)
    hz: float = HZ

    def __post_init__(self) -> None:
        t, p = len(self.time_s), len(self.people)
        for name, shape in (
            ("xy_yd", (t, p, 2)),
            ("facing_rad", (t, p)),
            ("stance", (t, p)),
            ("ball_xyz_yd", (t, 3)),
        ):
            got = np.shape(getattr(self, name))
            if got != shape:
                raise ShapeError(f"Play.{name}: expected shape {shape}, got {got}.")
        if self.direction not in (-1, 1):
            raise ShapeError(f"Play.direction: expected -1 or +1, got {self.direction}.")

    def to_play_frame(self, xy_yd: NDArray[np.float64]) -> NDArray[np.float64]:
        """Field frame (..., 2) to play frame (..., 2): depth past the line, across from the ball."""
        depth = self.direction * (xy_yd[..., 0] - self.line_of_scrimmage_yd)
        across = -self.direction * (xy_yd[..., 1] - self.ball_y_yd)
        return np.stack([depth, across], -1)


def make_play(seed: int, level: str = "professional", **overrides: Any) -> Play:
    """Draw a play. See ``models.training.playbook.calls.Call`` for what can be forced by name."""
    from models.training.playbook.build import build_play

    return build_play(seed, level, **overrides)
