"""What every label looks at: the play frame over time, who is on which side, how sure positions are."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline import field as fields
from pipeline.alignment import Roles
from pipeline.labels.forest import Forest
from pipeline.labels.settings import Settings
from pipeline.records import SIDES, Alignment, Tracks

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Scene:
    """Tracks in the play frame, yards and seconds. depth, across (T, N); off, dfn indices of the two sides.

    sd_yd: error of a depth; missing_off, missing_def: how many of eleven (twelve) were not found at the snap.
    facts collects every measured value a label rests on.
    """

    time_s: Array
    depth: Array
    across: Array
    off: NDArray[np.int64]
    dfn: NDArray[np.int64]
    position: tuple[str, ...]
    roles: Roles
    sd_yd: float
    a_side: int
    yards_to_goal: float
    visible_depth_yd: float
    settings: Settings
    seen: NDArray[np.bool_]
    confidence: float
    forests: Mapping[str, Forest] = field(default_factory=dict)
    distance_yd: float = float("inf")  # yards to gain, where a play list says
    field_middle_yd: float = float("nan")  # across from the ball to the middle of the field
    facts: dict[str, Any] = field(default_factory=dict)

    def at(self, time_s: float, tolerance_s: float = 0.2) -> tuple[Array, Array]:
        """(N,) depth and across at a time, interpolated between moments; NaN where nobody knows."""
        i = int(np.searchsorted(self.time_s, time_s))
        lo, hi = max(i - 1, 0), min(i, len(self.time_s) - 1)
        if abs(self.time_s[hi] - time_s) < 1e-6 or lo == hi:
            if abs(self.time_s[hi] - time_s) > tolerance_s:
                return np.full(len(self.position), np.nan), np.full(len(self.position), np.nan)
            return self.depth[hi], self.across[hi]
        w = (time_s - self.time_s[lo]) / (self.time_s[hi] - self.time_s[lo])
        return (
            (1 - w) * self.depth[lo] + w * self.depth[hi],
            (1 - w) * self.across[lo] + w * self.across[hi],
        )

    @cached_property
    def set_depth(self) -> Array:
        """(N,) depth at the snap: the median of the last moments before it, the last of them for who is on the move."""
        return self._still(self.depth)

    @cached_property
    def set_across(self) -> Array:
        """(N,) across at the snap."""
        return self._still(self.across)

    def _still(self, what: Array) -> Array:
        window = (self.time_s >= self.settings("snap.window_from_s")) & (self.time_s <= 0.05)
        if not window.any():
            window = np.abs(self.time_s) <= np.abs(self.time_s).min() + 1e-6
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            out = np.asarray(np.nanmedian(what[window], axis=0))
        first, last = what[window][0], what[window][-1]
        # Who is on the move at the snap (a corner bailing, a man in motion) stands where he is last.
        moves = np.abs(last - first) > self.settings("snap.moves_yd")
        return np.where(moves, last, out)

    @property
    def missing_def(self) -> int:
        """Defenders not found at the snap."""
        return max(self.a_side - int(np.isfinite(self.set_depth[self.dfn]).sum()), 0)

    @property
    def missing_off(self) -> int:
        """Men of the offence not found at the snap."""
        return max(self.a_side - int(np.isfinite(self.set_depth[self.off]).sum()), 0)

    @property
    def depth_scale(self) -> float:
        """1 in the open field; smaller near the goal, where the field behind the defence ends, and with little to
        gain, where a play list says so."""
        s = self.settings
        short = s("short_yardage.scale") if self.distance_yd <= s("short_yardage.up_to_yd") else 1.0
        if not np.isfinite(self.yards_to_goal):
            return short
        return short * float(np.clip(self.yards_to_goal / s("red_zone.from_yd"), s("red_zone.smallest_scale"), 1.0))

    def until(self, time_s: float) -> bool:
        """Whether the moments reach a time after the snap."""
        return bool(self.time_s[-1] >= time_s - 0.13)


def beyond(depth: Array, limit: float, sd: float) -> Array:
    """Probability that a depth measured with an error of sd yards is past the limit."""
    return np.asarray(ndtr((depth - limit) / max(sd, 1e-3)))


def count_distribution(p: Array) -> Array:
    """Poisson binomial: probability of 0, 1, 2 ... of independent yes-or-no facts with probabilities p."""
    out = np.ones(1)
    for q in p:
        out = np.convolve(out, [1 - q, q])
    return out


def build(
    tracks: Tracks, alignment: Alignment, settings: Settings, forests: Mapping[str, Forest] | None = None
) -> Scene:
    """The scene of one play. forests: learned scores by section; without them the rules score."""
    roles = alignment.evidence.get("roles") or Roles((), None, None, None, None, None)
    off = np.flatnonzero(tracks.side == SIDES.index("offense"))
    dfn = np.flatnonzero(tracks.side == SIDES.index("defense"))
    before = tracks.error_yd[np.abs(tracks.time_s) < 0.5]
    error = float(np.nanmedian(before)) if np.isfinite(before).any() else settings("position.error_yd")
    sd = float(np.hypot(settings("position.error_yd"), error))
    a_side = int(alignment.evidence.get("a_side", 11))
    width = fields.load("canadian" if a_side == 12 else "professional").width  # the other three are equally wide
    return Scene(
        tracks.time_s, alignment.depth_yd, alignment.across_yd, off, dfn, alignment.position, roles, sd,
        a_side, float(alignment.evidence.get("yards_to_goal", np.nan)),
        alignment.visible_depth_yd, settings, tracks.seen, alignment.confidence, forests or {},
        float(alignment.evidence.get("distance_yd", np.inf)), -alignment.direction * (width / 2 - alignment.ball_y_yd),
    )  # fmt: skip
