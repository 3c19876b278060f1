"""Confirm: do the people's tracks bear out a snap that the film's movement suggested?

The movement of a picture (``pipeline.snap``) cannot tell a formation that starts a play from one that stands up and
walks off together. The tracks can, in yards. After a snap the defence's front comes at the line, be it to rush, to
meet a run or to block a kick (even for a kneel-down it stays); men who walk off, or back to a huddle, part from the
line or leave along it. A candidate after which men leave though the front does not come is withdrawn (the clip has no
snap); one that the tracks neither bear out nor rule out is kept as 'unsure' with the reason, never as sure. A faint
candidate, which the movement alone would not have named, needs tracks that bear it out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.records import ROLES, SIDES, Snap, Tracks

Array = NDArray[np.float64]
AFTER_S = ((0.25, 1.25), (0.5, 1.5), (1.0, 2.0))  # spans in which a man's speed is looked at; the fastest counts
BEFORE_S = (-1.0, -0.1)
LOOKS = 3  # sampled moments a speed needs
SPAN_S = 0.7  # and the time they must cover
PLACES_S = ((-0.65, 0.05), (0.95, 1.55))  # looks whose mean is where a man stood at the snap and went after it
ROW = 7  # men of the offence, the foremost, whose middle is the line
FRONT_YD = 4.5  # a defender this close to the line is of the front
NEUTRAL_YD, STRAYS = 0.8, 2  # nobody of the offence stands so far beyond its own line; more than so many do elsewhere
FRONT = 3  # fewest of the front for a judgement, and which of it, in order of how far he came, tells
MOVED_AT_S = 1.0
RUNNING_SHARE = 0.6  # of came_yd that bears out a faint candidate after which men run
SIDES_OF_PLAY = ("offense", "defense")


@dataclass(frozen=True)
class ConfirmSettings:
    """run_yd_s: faster is running (men walk at 1.3 to 2.2 yd/s: value from memory). runners: fewest who run after a
    snap; stray: most who run where men walk off. came_yd: how far the third of the front has come where a play is on;
    stays_yd: with less it does not come; back_yd: with less it goes back. left: share of the men who are moved_yd away
    from where they stood, from which all are on their way. men: fewest with a speed for a judgement. trust: score of
    the snap finder from which a candidate is flagged instead of withdrawn. still: share of the men slower than
    still_yd_s before a snap. moved: how many of each side left their places. error_yd: with a larger registration
    error (median) nothing is judged. The values were set on tracks of simulated plays with errors
    (models.training.snap_tracks) and on rendered clips to develop on.
    """

    run_yd_s: float = 3.0
    runners: int = 3
    stray: int = 5
    came_yd: float = 0.8
    stays_yd: float = 0.2
    back_yd: float = -0.5
    left: float = 0.5
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


def _places(tracks: Tracks, player: NDArray[np.bool_], span_s: tuple[float, float]) -> Array:
    """(N, 2) mean place of each player over a span, NaN where he was not seen in it."""
    inside = (tracks.time_s >= span_s[0]) & (tracks.time_s <= span_s[1])
    xy = tracks.xy_yd[inside][:, player]
    seen = np.isfinite(xy).all(-1, keepdims=True)
    count = seen.sum(0)
    return np.where(count > 0, np.where(seen, xy, 0.0).sum(0) / np.maximum(count, 1), np.nan)


def front_came(was: Array, went: Array, offense: NDArray[np.bool_]) -> tuple[int, float | None]:
    """(men of the defence's front, yards the third of them came towards the line); None with fewer than FRONT.

    was, went (N, 2): where the players stood at the snap and about 1.25 s later; offense (N,): the other side's men.
    One or two well beyond the line are of the front even if taken for the others' men.
    """
    known = np.isfinite(was).all(-1) & np.isfinite(went).all(-1)
    ours, theirs = was[known & offense, 0], was[known & ~offense, 0]
    if len(ours) < ROW or len(theirs) < FRONT:
        return 0, None
    ahead = 1.0 if np.median(theirs) >= np.median(ours) else -1.0
    line = np.median(np.sort(ahead * ours)[-ROW:])
    beyond = ahead * was[:, 0] - line
    front = known & ~offense & (beyond < FRONT_YD)
    strays = known & offense & (beyond > NEUTRAL_YD) & (beyond < FRONT_YD)
    if strays.sum() <= STRAYS:
        front |= strays
    came = np.sort(-ahead * (went[front, 0] - was[front, 0]))[::-1]
    return len(came), float(came[FRONT - 1]) if len(came) >= FRONT else None


def measured(tracks: Tracks, settings: ConfirmSettings = DEFAULTS) -> dict[str, Any]:
    """What the tracks say about the moment 0: men judged, who run, share still before, how many of each side left their
    places by 1 s, which share of all, how many form the front and how far it came."""
    player = (tracks.role == ROLES.index("player")) & np.isin(tracks.side, [SIDES.index(s) for s in SIDES_OF_PLAY])
    xy, side = tracks.xy_yd[:, player], tracks.side[player]
    after = np.stack([speeds(tracks.time_s, xy, span) for span in AFTER_S])
    known = np.isfinite(after).any(0)
    fastest = np.nanmax(np.where(np.isfinite(after), after, -1.0), axis=0)[known]
    before = speeds(tracks.time_s, xy, BEFORE_S)
    before = before[np.isfinite(before)]
    zero, later = (int(np.abs(tracks.time_s - at).argmin()) for at in (0.0, MOVED_AT_S))
    gone = np.linalg.norm(xy[later] - xy[zero], axis=-1) > settings.moved_yd  # False where not seen
    was, went = (_places(tracks, player, span) for span in PLACES_S)
    way = np.linalg.norm(went - was, axis=-1)
    way = way[np.isfinite(way)]
    front, came = front_came(was, went, side == SIDES.index("offense"))
    return {
        "men": int(known.sum()),
        "runners": int((fastest > settings.run_yd_s).sum()),
        "still_share": round(float((before < settings.still_yd_s).mean()), 2) if len(before) else None,
        "moved_offense": int(gone[side == SIDES.index("offense")].sum()),
        "moved_defense": int(gone[side == SIDES.index("defense")].sum()),
        "offense": int(np.isfinite(was[side == SIDES.index("offense")]).all(-1).sum()),
        "defense": int(np.isfinite(was[side == SIDES.index("defense")]).all(-1).sum()),
        "left_share": round(float((way > settings.moved_yd).mean()), 2) if len(way) else None,
        "front": front,
        "came_yd": None if came is None else round(came, 2),
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
        if is_faint(snap):
            return _withdrawn(snap, "too few men are placed to bear it out", evidence)
        last = max(tracks.time_s[np.isfinite(tracks.xy_yd[..., 0]).sum(1) > 0], default=0.0)
        if last < PLACES_S[1][0]:
            return _unsure(
                snap, f"only 0 of {len(tracks.role)} men are seen later than {last:.1f} s after it", evidence
            )
        return replace(snap, evidence=evidence)
    if _walk_off(seen, settings) and snap.confidence < settings.trust:
        words = f"{100 * seen['left_share']:.0f} % of the men leave their places after frame {snap.frame}"
        return _withdrawn(snap, f"{words}, but the front does not come", evidence)
    against = _against(seen, settings)
    if is_faint(snap) and (against or not _borne_out(seen, settings)):
        return _withdrawn(snap, against or "the front does not come", evidence)
    return _unsure(snap, against, evidence) if against else replace(snap, evidence=evidence)


def _faceless(seen: dict[str, Any]) -> bool:
    """True where both sides are known and no front faces the line."""
    return bool(seen["came_yd"] is None and min(seen["offense"], seen["defense"]) >= ROW)


def _stays(seen: dict[str, Any], settings: ConfirmSettings, most: int) -> bool:
    """True where men leave their places and the front does not come; where more than ``most`` run, goes back."""
    came = seen["came_yd"]
    limit = settings.stays_yd if seen["runners"] <= most else settings.back_yd
    return bool(came is not None and came < limit and (seen["left_share"] or 0.0) >= settings.left)


def _walk_off(seen: dict[str, Any], settings: ConfirmSettings) -> bool:
    """True where men leave their places, no front comes and at most a few run."""
    few = seen["runners"] < settings.runners
    if _faceless(seen):
        return few and (seen["left_share"] or 0.0) >= settings.left
    return seen["runners"] <= settings.stray and _stays(seen, settings, settings.runners - 1)


def _borne_out(seen: dict[str, Any], settings: ConfirmSettings) -> bool:
    """True where the front comes far, or most of that and men run."""
    came = seen["came_yd"]
    running = seen["runners"] >= settings.runners
    return came is not None and came >= settings.came_yd * (RUNNING_SHARE if running else 1.0)


def _against(seen: dict[str, Any], settings: ConfirmSettings) -> str:
    """What speaks against a play after the moment, in words; '' where nothing does."""
    came = seen["came_yd"]
    if _stays(seen, settings, settings.stray):
        kept = 100 * (1 - seen["left_share"])
        return f"only {kept:.0f} % of the men keep their places and the front does not come"
    if _faceless(seen):
        return f"only {seen['front']} men of the defense face the line"
    if seen["runners"] < settings.runners and (came is None or came < settings.came_yd):
        return f"only {seen['runners']} of {seen['men']} men run after it"
    if seen["still_share"] is not None and seen["still_share"] < settings.still:
        return f"only {100 * seen['still_share']:.0f} % of the men stood still before it"
    for side in SIDES_OF_PLAY:
        if seen[f"moved_{side}"] < settings.moved:
            return f"only {seen[f'moved_{side}']} men of the {side} left their places"
    return ""


def is_faint(snap: Snap) -> bool:
    """True for a candidate that the film's movement alone would not have named."""
    return bool(snap.evidence.get("faint"))


def unplaced(snap: Snap) -> Snap:
    """The snap where there are no tracks to ask: as it was, a faint one withdrawn."""
    if snap.frame is None or not is_faint(snap):
        return snap
    return _withdrawn(snap, "it is faint and no men are placed to bear it out", snap.evidence)


def _withdrawn(snap: Snap, reason: str, evidence: dict[str, Any]) -> Snap:
    return Snap("failed", None, None, 0.0, reason, {**evidence, "withdrawn_frame": snap.frame})


def _unsure(snap: Snap, reason: str, evidence: dict[str, Any]) -> Snap:
    reason = f"{snap.reason}; {reason}" if snap.reason else reason
    return replace(snap, status="unsure", reason=reason, evidence=evidence)
