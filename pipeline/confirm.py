"""Confirm: do the people's tracks bear out a snap that the film's movement suggested?

The movement of a picture (``pipeline.snap``) cannot tell a formation that starts a play from one that stands up and
walks off together. The tracks can, in yards: after a snap some men run, men of both sides leave their places, and just
before it most stood still. A candidate after which everybody walks is withdrawn (the clip has no snap); one that the
tracks neither bear out nor rule out is kept as 'unsure' with the reason, never as sure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.records import ROLES, SIDES, Snap, Tracks

Array = NDArray[np.float64]
AFTER_S = ((0.25, 0.75), (0.5, 1.25), (0.75, 1.5))  # spans in which a man's speed is looked at; the fastest counts
BEFORE_S = (-1.0, -0.1)
LOOKS = 3  # sampled moments a speed needs
SPAN_S = 0.4  # and the time they must cover
MOVED_AT_S = 1.0


@dataclass(frozen=True)
class ConfirmSettings:
    """run_yd_s: faster is running (men walk at 1.3 to 2.2 yd/s: value from memory). runners: fewest who run after a
    snap. walk_yd_s: median speed from which all are on their way. men: fewest with a speed for a judgement.
    trust: score of the snap finder from which a candidate is flagged instead of withdrawn. still: share of the
    men slower than still_yd_s before a snap. moved_yd, moved: how far and how many of each side by 1 s after.
    error_yd: with a larger registration error (median) nothing is judged. The values were set on rendered clips
    with even numbers of the test set and are reported on the odd ones (models/snap/card.md).
    """

    run_yd_s: float = 3.0
    hurry_yd_s: float = 2.5
    runners: int = 3
    stray: int = 1
    walk_yd_s: float = 0.8
    men: int = 10
    trust: float = 0.9
    still: float = 0.5
    still_yd_s: float = 1.0
    moved_yd: float = 1.0
    moved: int = 2
    error_yd: float = 1.5


DEFAULTS = ConfirmSettings()


def speeds(time_s: Array, xy_yd: Array, span_s: tuple[float, float]) -> Array:
    """(N,) speed in yd/s over a span: straight line through the places seen in it; NaN with too few looks.

    time_s (T,), xy_yd (T, N, 2) with NaN where a man was not seen.
    """
    inside = (time_s >= span_s[0] - 0.01) & (time_s <= span_s[1] + 0.01)
    t, xy = time_s[inside], xy_yd[inside]
    out = np.full(xy.shape[1], np.nan)
    for n in range(xy.shape[1]):
        seen = np.isfinite(xy[:, n]).all(-1)
        if seen.sum() >= LOOKS and np.ptp(t[seen]) >= SPAN_S:
            slope = np.polyfit(t[seen], xy[seen, n], 1)[0]
            out[n] = float(np.hypot(*slope))
    return out


def measured(tracks: Tracks, settings: ConfirmSettings = DEFAULTS) -> dict[str, Any]:
    """What the tracks say about the moment 0: men judged, who run, who hurry, median speed after, share still before,
    and how many of each side left their places by 1 s."""
    player = tracks.role == ROLES.index("player")
    xy, side = tracks.xy_yd[:, player], tracks.side[player]
    after = np.stack([speeds(tracks.time_s, xy, span) for span in AFTER_S])
    known = np.isfinite(after).any(0)
    fastest = np.nanmax(np.where(np.isfinite(after), after, -1.0), axis=0)[known]
    before = speeds(tracks.time_s, xy, BEFORE_S)
    before = before[np.isfinite(before)]
    zero, later = (int(np.abs(tracks.time_s - at).argmin()) for at in (0.0, MOVED_AT_S))
    gone = np.linalg.norm(xy[later] - xy[zero], axis=-1) > settings.moved_yd  # False where not seen
    return {
        "men": int(known.sum()),
        "runners": int((fastest > settings.run_yd_s).sum()),
        "hurrying": int((fastest > settings.hurry_yd_s).sum()),
        "median_yd_s": round(float(np.median(fastest)), 2) if len(fastest) else None,
        "still_share": round(float((before < settings.still_yd_s).mean()), 2) if len(before) else None,
        "moved_offense": int(gone[side == SIDES.index("offense")].sum()),
        "moved_defense": int(gone[side == SIDES.index("defense")].sum()),
        "error_yd": round(float(np.nanmedian(tracks.error_yd)), 2) if len(tracks.error_yd) else None,
    }


def confirm(snap: Snap, tracks: Tracks, settings: ConfirmSettings = DEFAULTS) -> Snap:
    """The snap as it stands after a look at the tracks: as it was, 'unsure', or withdrawn ('failed', no frame).

    What was measured is in evidence['tracks']; a withdrawn snap keeps its frame there as 'withdrawn_frame'.
    """
    if snap.frame is None:
        return snap
    seen = measured(tracks, settings)
    evidence = {**snap.evidence, "tracks": seen}
    far_off = seen["error_yd"] is None or seen["error_yd"] > settings.error_yd
    if seen["men"] < settings.men or far_off:
        return replace(snap, evidence=evidence)
    if seen["runners"] < settings.runners:
        walking = seen["median_yd_s"] >= settings.walk_yd_s and seen["hurrying"] <= settings.stray
        if walking and snap.confidence < settings.trust:
            evidence["withdrawn_frame"] = snap.frame
            reason = f"men walk after frame {snap.frame}, nobody plays ({seen['hurrying']} of {seen['men']} hurry)"
            return Snap("failed", None, None, 0.0, reason, evidence)
        return _unsure(snap, f"only {seen['runners']} of {seen['men']} men run after it", evidence)
    if seen["still_share"] is not None and seen["still_share"] < settings.still:
        return _unsure(snap, f"only {100 * seen['still_share']:.0f} % of the men stood still before it", evidence)
    for side in ("offense", "defense"):
        if seen[f"moved_{side}"] < settings.moved:
            return _unsure(snap, f"only {seen[f'moved_{side}']} men of the {side} left their places", evidence)
    return replace(snap, evidence=evidence)


def _unsure(snap: Snap, reason: str, evidence: dict[str, Any]) -> Snap:
    reason = f"{snap.reason}; {reason}" if snap.reason else reason
    return replace(snap, status="unsure", reason=reason, evidence=evidence)
