"""Many pictures before the snap, cheaply: what corners, the answer to a motion and the coverage are told from.

A play up to its snap costs two milliseconds where a whole one through simulated finders costs two hundred, and how a
disguise gives itself away takes tens of thousands of plays to learn. Errors are put on the places directly: a quarter
of the plays perfect, half as the finders err, a quarter up to three and a half times worse, as in ``label_data``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.knowable import draw
from models.training.observe import TIMES_S, USUAL, drawn
from models.training.playbook.build import Opening, to_field
from models.training.playbook.play import HZ
from models.training.playbook.truth import before_labels, motion_truth
from pipeline import alignment
from pipeline.records import SIDES, Alignment, Tracks

Array = NDArray[np.float64]
SEED = 6_000_000
BEFORE_S = np.array([t for t in TIMES_S if t <= 0.0])
PLACE_YD = 0.12  # lasting error of a place in each direction, as left after tracking
MISSED = 0.02  # of men in the open; five times more in the pile
NEAR_YD = 1.3  # a man with another so near is in the pile
SWAPPED = 0.02  # of men told to be of the other side


def errors(rng: np.random.Generator) -> float:
    """How large the errors of a play are: 0 perfect, 1 usual, up to 3.5."""
    kind = rng.choice(3, p=[0.25, 0.5, 0.25])
    return (0.0, 1.0, float(np.exp(rng.uniform(0, np.log(3.5)))))[kind]


@dataclass(frozen=True)
class Picture:
    """A dropback until its snap as the finders would leave it, and what is true of it.

    owner (N,) index of the man a track follows, offence first; corners: such indices of the corners on the offence's
    left and right, -1 where there is none; response: the answer to a motion, None without one; coverage: as called.
    """

    seed: int
    tracks: Tracks
    alignment: Alignment
    owner: NDArray[np.int64]
    corners: tuple[int, int]
    response: str | None
    coverage: str


def observed(o: Opening, seed: int) -> Picture:
    """What the finders would leave of an opening. The play frame may be read wrongly: see :func:`make`."""
    rng = np.random.default_rng([seed, 41])
    scale, s = errors(rng), o.scene
    off = round(float(rng.integers(-2, 3)) / 30 * HZ) if scale else 0
    index = np.clip(o.k0 + np.round(BEFORE_S * HZ).astype(int) + off, 0, o.k0)
    play = o.before[index]
    n, moments = play.shape[1], len(index)
    level, drift = PLACE_YD * scale, rng.normal(0, 0.05 * scale, (1, 1, 2))
    heavy = np.clip(rng.standard_t(5, (1, n, 2)), -4, 4)
    play = play + drift + level * heavy + rng.normal(0, 0.35 * level, (moments, n, 2))
    now = o.before[-1]
    gap = np.hypot(*(now[:, None] - now[None]).transpose(2, 0, 1)) + 9.0 * np.eye(n)
    missed = rng.uniform(size=n) < MISSED * scale * np.where(gap.min(1) < NEAR_YD, 5.0, 1.0)
    room = drawn(rng, USUAL.room_yd) if scale else 25.0
    visible = float(now[s.n_off :, 0].max() + room)
    missed |= now[:, 0] > visible
    keep = np.flatnonzero(~missed)
    side = np.where(np.arange(n) < s.n_off, SIDES.index("offense"), SIDES.index("defense"))
    swapped = rng.uniform(size=n) < SWAPPED * scale * (gap.min(1) < NEAR_YD)
    side = np.where(swapped, SIDES.index("offense") + SIDES.index("defense") - side, side)
    xy = to_field(s.spot, play)[:, keep]
    tracks = Tracks(
        BEFORE_S, np.arange(moments), xy, np.ones(xy.shape[:2], bool), np.zeros(len(keep), np.int64), side[keep],
        np.full(len(keep), 0.98), np.zeros(xy.shape[:2], np.int64), np.full(moments, 0.03 + 0.08 * scale),
    )  # fmt: skip
    a = alignment.align(tracks)
    a.evidence["a_side"] = 12 if s.spot.level == "canadian" else 11
    a.evidence["yards_to_goal"] = s.spot.to_goal if rng.random() < 0.8 else float("nan")
    answer = o.motion.response if o.motion.man >= 0 and motion_truth(o.t[: o.k0 + 1], o.before, s, 0) else None
    _, _, named = before_labels(s, o.shown, answer)
    left, right = (s.n_off + named[sign] if sign in named else -1 for sign in (-1, 1))
    return Picture(seed, tracks, _seen_to(a, visible), keep, (left, right), answer, s.call.family)


def _seen_to(a: Alignment, visible: float) -> Alignment:
    return Alignment(
        a.line_of_scrimmage_yd, a.ball_y_yd, a.direction, a.confidence, a.position, a.depth_yd, a.across_yd, visible,
        a.evidence,
    )  # fmt: skip


def make(plays: int, seed: int = SEED) -> Iterator[Picture]:
    """Pictures of dropbacks, without those in which the play frame was read the wrong way round or not at all."""
    for k, o in enumerate(draw(plays, seed)):
        p = observed(o, seed + k)
        if np.isfinite(p.alignment.line_of_scrimmage_yd) and p.alignment.direction == o.scene.spot.direction:
            yield p
