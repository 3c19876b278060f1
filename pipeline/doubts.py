"""What speaks against the people of a play: reasons to look at its row, in words.

Where the finder is out of its depth it says so in no single find, but the whole picture gives it away: hardly anybody
found, all with little confidence, or men who would be a yard or three tall by the field's scale. Bounds are common
practice without a source unless a line says more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.ground import Finds, Sample, TrackSettings
from pipeline.records import ROLES, SIDES

Array = NDArray[np.float64]
PLAYER = ROLES.index("player")
OFFENSE, DEFENSE = SIDES.index("offense"), SIDES.index("defense")

# Median height of the boxes, bent linemen among them: 1.4 to 2.1 yd where field and people are right. A field
# registered at the wrong scale, or boxes that are no men, fall outside.
TALL_YD = (1.2, 2.4)
FEWEST = {"sideline": 16, "endzone": 12}  # real end-zone views show 15 to 20 of 22, sideline views all
LEAST_CONFIDENCE = 0.45  # median over the players; the finder's own threshold is about half of it
SURE_SIDE = 0.9  # median of the side confidence: below it, which side has the ball is a guess


def of_people(
    samples: Sequence[Sample], finds: Sequence[Finds], times: Array, found: NDArray[np.int64], role: NDArray[np.int64],
    side: NDArray[np.int64], side_confidence: Array,
) -> tuple[str, ...]:  # fmt: skip
    """Reasons against the people of a play at its snap; found (T, N), role, side, side_confidence (N,)."""
    usable = [i for i, f in enumerate(finds) if len(f.xy)]
    if not usable:
        return ()
    at = min(usable, key=lambda i: abs(times[i]))
    players = np.flatnonzero(role == PLAYER)
    where = {int(k): j for j, k in enumerate(finds[at].index)}
    here = [where[int(k)] for k in found[at, players] if int(k) in where]
    out = []
    view = samples[at].registration.view
    if len(players) < FEWEST.get(view, FEWEST["endzone"]):
        out.append(f"only {len(players)} players found")
    if here:
        tall = float(np.median(finds[at].tall_yd[here]))
        if not TALL_YD[0] <= tall <= TALL_YD[1]:
            out.append(f"people {tall:.1f} yd tall by the field's scale: field or people are not to be trusted")
        if float(np.median(finds[at].confidence[here])) < LEAST_CONFIDENCE:
            out.append("people found with little confidence")
    sides = players[np.isin(side[players], (OFFENSE, DEFENSE))]
    if len(sides) and float(np.median(side_confidence[sides])) < SURE_SIDE:
        out.append("not certain which side has the ball")
    return (*out, *_cut(samples[at], found[at, players]))


def place_error(
    paths: Sequence[Mapping[int, int]], finds: Sequence[Finds], times: Array, samples: Sequence[Sample],
    settings: TrackSettings,
) -> Array:  # fmt: skip
    """(T, N) typical error (two thirds are smaller) of each position in yards: ground point and registration.

    paths: of each person, sample -> find. A man out of sight is as sure as when he was seen last or next, and less
    so with every second after the snap; before it he stands where he stood.
    """
    out = np.full((len(times), len(paths)), np.nan)
    field = np.array([s.registration.error_yd for s in samples], float)
    field = np.where(np.isfinite(field), field, np.nanmedian(field) if np.isfinite(field).any() else np.nan)
    for n, path in enumerate(paths):
        at = np.array(sorted(path))
        own = np.array([_spread(finds[i], path[int(i)], settings) for i in at])
        for i, t in enumerate(times):
            gap = np.abs(times[at] - t)
            k = int(gap.argmin())
            hidden = 0.0 if at[k] == i else settings.unseen_yd_s * float(gap[k]) * (1.0 if t > 0.02 else 0.1)
            out[i, n] = np.sqrt(own[k] ** 2 + field[i] ** 2 + hidden**2)
    return out


def _spread(f: Finds, j: int, settings: TrackSettings) -> float:
    own = np.trace(f.cov[j]) - 2 * settings.registration_error_yd**2
    return float(settings.honest_share * np.sqrt(max(own, 0.0)))


def _cut(sample: Sample, found: NDArray[np.int64]) -> list[str]:
    """Players whom the picture's edge cuts: there, but their place is known less well."""
    people = sample.people
    cut = sum(bool(people.cut[k]) for k in found if 0 <= k < len(people))
    return [f"{cut} of the players cut by the picture's edge"] if cut else []
