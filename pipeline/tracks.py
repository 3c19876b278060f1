"""People found frame by frame, joined into tracks in yards: one line a person from before the snap to after.

Before the snap nearly everybody stands still, so several frames together decide who is there: a person missed
in one frame and found in the others counts, a find that shows up once does not. Association is Hungarian over
Mahalanobis distances of a constant-velocity Kalman filter [Kalman 1960; Kuhn 1955], gated by what a person can
run; positions are then smoothed both ways [Rauch, Tung, Striebel 1965]. Field frame, yards, seconds from the snap.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline import doubts, formation, identity, reserve, teams
from pipeline.association import Track, associate, return_places, stitch
from pipeline.errors import ShapeError
from pipeline.follow import follow, join_rest, left_over, rejoin
from pipeline.ground import Finds, Sample, TrackSettings, on_ground, with_faint
from pipeline.kalman import smooth_all
from pipeline.records import ROLES, Tracks

Array = NDArray[np.float64]

DEFAULTS = TrackSettings()
PLAYER = ROLES.index("player")
SURE_SIDE = 0.9  # side confidence from which a man's kit teaches what his side wears


def build(samples: Sequence[Sample], settings: TrackSettings = DEFAULTS) -> Tracks:
    """Join the people of the sampled frames (any order; sorted by time here) into tracks with their side.

    Twice: the first time tells who was there at the snap and what the sides wear, the second follows them. Frames
    without a usable registration have no positions of their own and are bridged. found goes on into a sample's
    faint people past its sure ones. Raises ShapeError without any sample.
    """
    if not samples:
        raise ShapeError("tracks.build: expected at least one sample, got none.")
    ordered = sorted(samples, key=lambda s: s.time_s)
    times = np.array([s.time_s for s in ordered])
    finds, tracks = _first_pass(ordered, times, settings)
    tracks = _second_pass(tracks, finds, times, ordered, settings)
    xy, seen, found = _positions(tracks, finds, times, settings)
    split = _split(tracks, finds, times, ordered, settings)
    xy = _without_guesses(xy, seen, ordered)
    keep = np.flatnonzero(split.keep)
    error = doubts.place_error([tracks[k].at for k in keep], finds, times, ordered, settings)
    against = doubts.of_people(
        ordered, finds, times, found[:, keep], split.role[keep], split.side[keep], split.confidence[keep]
    )
    return Tracks(
        time_s=times,
        frame=np.array([s.frame for s in ordered], np.int64),
        xy_yd=xy[:, keep],
        seen=seen[:, keep],
        role=split.role[keep],
        side=split.side[keep],
        side_confidence=split.confidence[keep],
        found=found[:, keep],
        error_yd=np.array([s.registration.error_yd for s in ordered], float),
        place_error_yd=error,
        doubts=against,
    )


def _first_pass(
    samples: list[Sample], times: Array, settings: TrackSettings
) -> tuple[list[Finds], list[Track]]:
    """Finds of every frame, faint ones behind the sure, and tracks of the sure ones that are people."""
    raw = [on_ground(s, settings) for s in samples]
    finds, tracks = associate(raw, times, settings)
    tracks = return_places(tracks, finds, times)
    tracks = stitch(tracks, finds, times, settings)
    tracks = [t for t in tracks if _exists(t, finds, times, samples, settings)]
    shift = [f.xy[0] - r.xy[0] if len(f.xy) else np.zeros(2) for f, r in zip(finds, raw, strict=True)]
    return [with_faint(f, s, settings, d) for f, s, d in zip(finds, samples, shift, strict=True)], tracks


def _second_pass(
    tracks: list[Track], finds: list[Finds], times: Array, samples: list[Sample], settings: TrackSettings
) -> list[Track]:
    """Those who were there at the snap, followed through the play; then whoever else the rest of the finds show."""
    split = _split(tracks, finds, times, samples, settings)
    here = [k for k, t in enumerate(tracks) if split.keep[k] and times[t.first] <= 0.02]
    roster = [tracks[k] for k in here]
    if not roster:
        return tracks
    odds, unlike = _kit_evidence(tracks, split, finds)
    missing = {s: _a_side(samples) - int((split.side[here] == s).sum()) for s in (teams.OFFENSE, teams.DEFENSE)}
    if split.formation is not None and any(m > 0 for m in missing.values()):
        more, missing = reserve.admit(roster, missing, split.formation, finds, times, odds, unlike, settings)
        roster += more
    if times[-1] > 0.02:
        roster = follow(roster, finds, times, odds, settings)
    # Whom the count at the snap left out does not come back: only what is first seen later can be somebody new.
    rest = [
        r[finds[i].index[r] < len(samples[i].people)] if times[i] > 0.02 else r[:0]
        for i, r in enumerate(left_over(roster, finds))
    ]
    others = [t for t in join_rest(rest, finds, times, settings) if _exists(t, finds, times, samples, settings)]
    others = rejoin(roster, others, finds, times, odds, settings)
    full = [s for s, m in missing.items() if m <= 0]
    others = [t for t in others if not _side_is_full(t, full, finds, odds)]
    everybody = identity.settle(roster + others, finds, times, odds)
    return [t for t in everybody if times[t.first] <= 0.02 or _exists(t, finds, times, samples, settings)]


def _side_is_full(t: Track, full: list[int], finds: list[Finds], odds: list[Array]) -> bool:
    """Whether a player of this kit would be one more than can play."""
    roles = [finds[i].role[j] for i, j in t.at.items()]
    kit = float(np.median([odds[i][j] for i, j in t.at.items()]))
    return bool(np.median(roles) == PLAYER and (teams.DEFENSE if kit > 0 else teams.OFFENSE) in full)


def _split(
    tracks: list[Track], finds: list[Finds], times: Array, samples: list[Sample], settings: TrackSettings
) -> teams.Split:
    xy, seen, _ = _positions(tracks, finds, times, settings)
    role, share = _roles(tracks, finds)
    sure = np.array([np.mean([finds[i].confidence[j] for i, j in t.at.items()]) for t in tracks])
    return teams.split(
        xy, seen, times, role, share, _kits(tracks, finds), a_side=_a_side(samples), confidence=sure
    )


def _kit_evidence(
    tracks: list[Track], split: teams.Split, finds: list[Finds]
) -> tuple[list[Array], list[Array]]:
    """Per sample the log odds (M,) of the defence's kit and the distance (M,) from the nearer kit, of each find."""
    # Who belongs together is known however uncertain it is which of the two sides has the ball.
    direction = 1.0 if split.formation is None else formation.direction_confidence(split.formation.odds)
    start = np.r_[0, np.cumsum([len(f.xy) for f in finds])]
    side = np.full(int(start[-1]), teams.UNKNOWN, np.int64)
    for k, t in enumerate(tracks):
        if split.keep[k] and split.confidence[k] > SURE_SIDE * direction:
            side[[start[i] + j for i, j in t.at.items()]] = split.side[k]
    odds, distance = teams.kit_evidence(np.concatenate([f.kit for f in finds]), side)
    return np.split(odds, start[1:-1]), np.split(distance, start[1:-1])


def _a_side(samples: Sequence[Sample]) -> int:
    return 12 if _level(samples) == "canadian" else 11


def _level(samples: Sequence[Sample]) -> str:
    levels = [s.registration.level for s in samples if s.registration.status == "ok"]
    return max(set(levels), key=levels.count) if levels else "college"


def _exists(
    t: Track, finds: list[Finds], times: Array, samples: Sequence[Sample], settings: TrackSettings
) -> bool:
    """Log odds of a person against a false find, over the frames in which he should have been seen."""
    start, end = times[t.first], times[t.last]
    odds = 0.0
    piled = any(finds[i].piled[j] for i, j in t.at.items())
    rate = settings.found_rate_pile if piled else settings.found_rate
    second = float(np.mean([finds[i].second[j] for i, j in t.at.items()])) > 0.5
    false = settings.double_rate if second else settings.repeat_rate
    for i, s in enumerate(samples):
        if i in t.at:
            odds += np.log(rate / false)
            continue
        if s.registration.status != "ok" or s.registration.camera is None or not len(finds[i].xy):
            continue
        # Before the snap a person is expected at his place; after it only near the times he was seen.
        expected = (times[i] <= 0.05 and start <= 0.05) or start - 0.3 <= times[i] <= end + 0.55
        if expected and _in_picture(s, finds[t.first].xy[t.at[t.first]]):
            odds += np.log((1 - rate) / (1 - false))
    return bool(odds > 0)


def _in_picture(s: Sample, xy: Array) -> bool:
    camera = s.registration.camera
    if camera is None:
        return False
    px = camera.ground_to_px(xy)
    m = 0.01 * camera.width_px
    return bool(m < px[0] < camera.width_px - m and m < px[1] < camera.height_px - m)


def _positions(
    tracks: list[Track], finds: list[Finds], times: Array, settings: TrackSettings
) -> tuple[Array, NDArray[np.bool_], NDArray[np.int64]]:
    shape = (len(times), len(tracks))
    xy = np.full((*shape, 2), np.nan)
    seen = np.zeros(shape, bool)
    found = np.full(shape, -1, np.int64)
    cov = np.tile(np.eye(2), (*shape, 1, 1))
    keep = np.zeros(shape, bool)
    for k, t in enumerate(tracks):
        for i, j in t.at.items():
            xy[i, k], cov[i, k] = finds[i].xy[j], finds[i].cov[j]
            seen[i, k], found[i, k] = True, finds[i].index[j]
        lo, hi = times[t.first] - settings.extend_s, times[t.last] + settings.extend_s
        if times[t.first] <= -0.5:
            lo = -np.inf
        keep[:, k] = (times >= lo) & (times <= hi)
    if tracks:
        smoothed = smooth_all(times, xy, cov, settings.still_accel_yd_s2, settings.play_accel_yd_s2)
        xy = np.where(keep[..., None], smoothed, np.nan)
    return xy, seen, found


def _without_guesses(xy: Array, seen: NDArray[np.bool_], samples: Sequence[Sample]) -> Array:
    """Positions without those beyond the picture's edge at moments in which nobody was found there."""
    out = xy.copy()
    for i, s in enumerate(samples):
        camera = s.registration.camera
        if camera is None or not xy.shape[1]:
            continue
        px = camera.ground_to_px(xy[i])
        with np.errstate(invalid="ignore"):
            inside = ((px > 0) & (px < (camera.width_px - 1, camera.height_px - 1))).all(1)
        out[i, ~inside & ~seen[i]] = np.nan
    return out


def _roles(tracks: list[Track], finds: list[Finds]) -> tuple[NDArray[np.int64], Array]:
    """Role by votes weighted with confidence, and the winner's share of the vote."""
    role = np.zeros(len(tracks), np.int64)
    share = np.ones(len(tracks))
    for k, t in enumerate(tracks):
        votes = np.zeros(len(ROLES))
        for i, j in t.at.items():
            votes[finds[i].role[j]] += finds[i].confidence[j]
        role[k] = votes.argmax()
        share[k] = votes.max() / max(votes.sum(), 1e-9)
    return role, share


def _kits(tracks: list[Track], finds: list[Finds]) -> Array:
    """(N, K) median kit features of a track, boxes that overlap others counted only where nothing else is."""
    rows = []
    for t in tracks:
        clear = [(i, j) for i, j in t.at.items() if not finds[i].piled[j]]
        rows.append(np.median([finds[i].kit[j] for i, j in (clear or list(t.at.items()))], axis=0))
    return np.stack(rows) if rows else np.zeros((0, finds[0].kit.shape[1] if finds else 0))


__all__ = ["DEFAULTS", "Sample", "TrackSettings", "build"]
