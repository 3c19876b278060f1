"""Men the finder was not sure of, taken where a side is short of men.

A side has eleven on the field (twelve on a Canadian one: rulebooks). Where fewer were found, the finds left over are
asked: found again and again at one place, as tall as a man there, in that side's kit, on its side of the ball and not
beside somebody already counted. Field frame, yards, seconds from the snap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.association import Track
from pipeline.follow import join_rest, left_over
from pipeline.formation import Formation
from pipeline.ground import Finds, TrackSettings
from pipeline.records import ROLES
from pipeline.teams import DEFENSE

Array = NDArray[np.float64]
PLAYER = ROLES.index("player")

TALL_YD = (1.0, 2.6)  # a box's height, bent to standing; common practice, no source
KIT_SD = 2.5  # a kit this near to a team's may be that team's
KIT_ODDS = 0.7  # log odds by which it must be that team's rather than the other's
BEHIND_YD = {"offense": (-12.0, 0.6), "defense": (-0.6, 25.0)}  # where a side's men stand, past the line
STILL_CONFIDENCE = 0.15  # in one frame alone nothing less is believed


def admit(
    roster: Sequence[Track], missing: Mapping[int, int], read: Formation, finds: Sequence[Finds], times: Array,
    odds: Sequence[Array], unlike: Sequence[Array], settings: TrackSettings,
) -> tuple[list[Track], dict[int, int]]:  # fmt: skip
    """Tracks up to the snap to add to the roster, at most as many a side as are missing, the surest first; and how
    many are missing then.

    odds, unlike: per sample, log odds of the defence's kit and distance from the nearer kit of each find.
    """
    before = np.flatnonzero(times <= 0.02)
    looked = sum(1 for i in map(int, before) if len(finds[i].xy))
    rest = [r if times[i] <= 0.02 else r[:0] for i, r in enumerate(left_over(roster, finds))]
    places = [np.median([finds[i].xy[j] for i, j in t.at.items() if times[i] <= 0.02], axis=0) for t in roster]
    free = dict(missing)
    added: list[Track] = []
    candidates = [t for t in join_rest(rest, finds, times, settings) if len(t.at) >= settings.reserve_share * looked]
    for t in sorted(candidates, key=lambda t: -_sum(t, finds)):
        place = np.median([finds[i].xy[j] for i, j in t.at.items()], axis=0)
        side = _side(t, place, read, finds, odds, unlike)
        if side is None or free.get(side, 0) <= 0 or (looked < 2 and _sum(t, finds) < STILL_CONFIDENCE):
            continue
        if min(float(np.linalg.norm(place - p)) for p in places) < settings.reserve_gap_yd:
            continue
        added.append(t)
        places.append(place)
        free[side] -= 1
    return added, free


def _sum(t: Track, finds: Sequence[Finds]) -> float:
    return float(sum(finds[i].confidence[j] for i, j in t.at.items()))


def _side(
    t: Track, place: Array, read: Formation, finds: Sequence[Finds], odds: Sequence[Array], unlike: Sequence[Array]
) -> int | None:
    """The side whose man this may be, None where he is like nobody's."""
    at = list(t.at.items())
    if np.median([finds[i].role[j] for i, j in at]) != PLAYER:
        return None
    if not TALL_YD[0] <= float(np.median([finds[i].tall_yd[j] for i, j in at])) <= TALL_YD[1]:
        return None
    kit = float(np.median([odds[i][j] for i, j in at]))
    if abs(kit) < KIT_ODDS or float(np.median([unlike[i][j] for i, j in at])) > KIT_SD:
        return None
    side = DEFENSE if kit > 0 else 1 - DEFENSE
    depth = read.direction * (place[0] - read.line_x)
    low, high = BEHIND_YD["defense" if side == DEFENSE else "offense"]
    return side if low <= depth <= high else None
