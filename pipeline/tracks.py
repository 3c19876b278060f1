"""People found frame by frame, joined into tracks in yards: one line a person from before the snap to after.

Before the snap nearly everybody stands still, so several frames together decide who is there: a person missed
in one frame and found in the others counts, a find that shows up once does not. Association is Hungarian over
Mahalanobis distances of a constant-velocity Kalman filter [Kalman 1960; Kuhn 1955], gated by what a person can
run; positions are then smoothed both ways [Rauch, Tung, Striebel 1965]. Field frame, yards, seconds from the snap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline import teams
from pipeline.errors import ShapeError
from pipeline.ground import Finds, Sample, TrackSettings, on_ground
from pipeline.kalman import Filter, predict_all, smooth_all
from pipeline.records import ROLES, Tracks

Array = NDArray[np.float64]


DEFAULTS = TrackSettings()


@dataclass
class _Track:
    filter: Filter
    at: dict[int, int] = field(default_factory=dict)  # sample -> find
    kit: Array | None = None  # running mean of what he wears

    @property
    def first(self) -> int:
        return min(self.at)

    @property
    def last(self) -> int:
        return max(self.at)


def build(samples: Sequence[Sample], settings: TrackSettings = DEFAULTS) -> Tracks:
    """Join the people of the sampled frames (any order; sorted by time here) into tracks with their side.

    Frames without a usable registration have no positions of their own and are bridged. Raises ShapeError
    without any sample.
    """
    if not samples:
        raise ShapeError("tracks.build: expected at least one sample, got none.")
    ordered = sorted(samples, key=lambda s: s.time_s)
    finds = [on_ground(s, settings) for s in ordered]
    times = np.array([s.time_s for s in ordered])
    finds, tracks = _associate(finds, times, settings)
    tracks = _return_places(tracks, finds, times)
    tracks = _stitch(tracks, finds, times, settings)
    tracks = [t for t in tracks if _exists(t, finds, times, ordered, settings)]
    xy, seen, found = _positions(tracks, finds, times, settings)
    role, share = _roles(tracks, finds)
    kit = _kits(tracks, finds)
    level = _level(ordered)
    split = teams.split(xy, seen, times, role, share, kit, a_side=12 if level == "canadian" else 11)
    keep = np.flatnonzero(split.keep)
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
    )


def _level(samples: Sequence[Sample]) -> str:
    levels = [s.registration.level for s in samples if s.registration.status == "ok"]
    return max(set(levels), key=levels.count) if levels else "college"


def _associate(finds: list[Finds], times: Array, settings: TrackSettings) -> tuple[list[Finds], list[_Track]]:
    tracks: list[_Track] = []
    aligned: list[Finds] = []
    unlike = _kit_scale(finds)
    for i, f in enumerate(finds):
        live = [t for t in tracks if times[i] - times[t.last] <= settings.bridge_s]
        f = _steady(f, live, times[i], settings)
        aligned.append(f)
        taken = _match(live, f, times[i], settings, unlike)
        for t, j in taken:
            t.kit = f.kit[j] if t.kit is None else t.kit + (f.kit[j] - t.kit) / min(len(t.at) + 1, 8)
            t.filter.update(times[i], f.xy[j], f.cov[j], _accel(times[i], settings))
            t.at[i] = j
        used = {j for _, j in taken}
        for j in range(len(f.xy)):
            if j not in used:
                tracks.append(_Track(Filter.start(times[i], f.xy[j], f.cov[j]), {i: j}, f.kit[j].copy()))
    return aligned, tracks


def _kit_scale(finds: list[Finds]) -> float:
    """Typical distance of two kits that differ: the 75th percentile over pairs of people of one frame."""
    full = max(finds, key=lambda f: len(f.kit))
    if len(full.kit) < 4 or full.kit.shape[1] == 0:
        return float("inf")
    gap = np.linalg.norm(full.kit[:, None] - full.kit[None], axis=-1)
    return float(max(np.percentile(gap[np.triu_indices(len(gap), 1)], 75), 1e-6))


def _accel(time_s: float, settings: TrackSettings) -> float:
    return 2.0 if time_s <= 0 else settings.play_accel_yd_s2


def _steady(f: Finds, live: list[_Track], time_s: float, settings: TrackSettings) -> Finds:
    """Take the whole picture's shift out while people stand still: jitter, and x off by multiples of 5 yd."""
    if time_s > 0 or len(live) < 6 or len(f.xy) < 6:
        return f
    want = predict_all([t.filter for t in live], time_s, 0.5)[0][:, :2]
    best, shift = -1.0, np.zeros(2)
    for k in (0, -1, 1, -2, 2):
        moved = f.xy + [5.0 * k, 0.0]
        gap = np.linalg.norm(moved[:, None] - want[None], axis=-1)
        near = gap.argmin(1)
        close = gap[np.arange(len(moved)), near] < 0.8
        score = close.sum() - (0.0 if k == 0 else 0.25 * len(moved))
        if score > best and close.sum() >= 6:
            best = score
            shift = np.array([5.0 * k, 0.0]) + np.median(want[near[close]] - moved[close], axis=0)
    return replace(f, xy=f.xy + shift)


def _match(
    live: list[_Track], f: Finds, time_s: float, settings: TrackSettings, unlike: float
) -> list[tuple[_Track, int]]:
    """First everybody near where he is expected, then the rest within what a person can run.

    unlike: distance of kits that counts as another team's.
    """
    if not live or not len(f.xy):
        return []
    mean, cov = predict_all([t.filter for t in live], time_s, _accel(time_s, settings))
    d = f.xy[None] - mean[:, None, :2]  # (tracks, finds, 2)
    inv = np.linalg.inv(cov[:, None, :2, :2] + f.cov[None])
    maha = np.sqrt(np.einsum("ami,amij,amj->am", d, inv, d))
    gap = time_s - np.array([t.filter.time_s for t in live])[:, None]
    run = np.linalg.norm(f.xy[None] - np.stack([t.filter.mean[:2] for t in live])[:, None], axis=2)
    worn = np.stack([np.zeros(len(f.xy)) if t.kit is None else np.linalg.norm(f.kit - t.kit, axis=1) for t in live])
    # The same man's kit varies a little from frame to frame: that costs nothing.
    worn = settings.kit_cost * np.clip((worn / unlike - 0.3) / 0.7, 0.0, 1.2)
    ok = run < 0.8 + settings.top_speed_yd_s * gap
    cost = np.where((maha < settings.gate_sigma) & ok, maha + worn, np.inf)
    loose = np.where(ok & (run < 0.8 + 6.5 * gap), 0.5 * maha + run + worn, np.inf)
    pairs = _assign(cost, settings.unmatched)
    got_a, got_j = {a for a, _ in pairs}, {j for _, j in pairs}
    loose[list(got_a)] = np.inf
    loose[:, list(got_j)] = np.inf
    pairs += _assign(loose, 1e3)
    return [(live[a], j) for a, j in pairs]


def _assign(cost: Array, unmatched: float) -> list[tuple[int, int]]:
    """Pairs of least total cost, where leaving a track without a find costs ``unmatched``.

    Without that price one missing man would make a whole row move up by one.
    """
    n, m = cost.shape
    wide = np.full((n, m + n), np.inf)
    wide[:, :m] = cost
    wide[np.arange(n), m + np.arange(n)] = unmatched
    rows, cols = linear_sum_assignment(np.where(np.isfinite(wide), wide, 1e6))
    return [(int(a), int(b)) for a, b in zip(rows, cols, strict=True) if b < m and np.isfinite(cost[a, b])]


def _return_places(tracks: list[_Track], finds: list[Finds], times: Array) -> list[_Track]:
    """Undo jumps before the snap: when a track jumps away from a place and another one starts right there, the
    man never left; the past goes to the one who stands there."""
    for _ in range(3):
        changed = False
        for a in tracks:
            for i, j in _jumps(a, finds, times):
                old = finds[i].xy[a.at[i]]
                rival = next(
                    (b for b in tracks if b is not a and b.at and i < b.first <= j + 4
                     and float(np.linalg.norm(finds[b.first].xy[b.at[b.first]] - old)) < 0.8), None
                )  # fmt: skip
                if rival is not None:
                    rival.at.update({k: a.at.pop(k) for k in [k for k in a.at if k <= i]})
                    changed = True
                    break
        if not changed:
            break
    return [t for t in tracks if t.at]


def _jumps(track: _Track, finds: list[Finds], times: Array) -> list[tuple[int, int]]:
    """Pairs of neighbouring samples before the snap between which a track moved more than a yard."""
    order = [i for i in sorted(track.at) if times[i] <= 0.02]
    return [
        (i, j) for i, j in pairwise(order)
        if np.linalg.norm(finds[i].xy[track.at[i]] - finds[j].xy[track.at[j]]) > 1.0
    ]  # fmt: skip


def _stitch(tracks: list[_Track], finds: list[Finds], times: Array, settings: TrackSettings) -> list[_Track]:
    """Join a piece that ends with one that begins a little later where a person could have run between."""
    while True:
        best: tuple[float, _Track, _Track] | None = None
        for a in tracks:
            for b in tracks:
                gap = times[b.first] - times[a.last]
                if a is b or not 0 < gap <= settings.stitch_s:
                    continue
                start = finds[a.last].xy[a.at[a.last]]
                end = finds[b.first].xy[b.at[b.first]]
                run = float(np.linalg.norm(end - start))
                limit = 0.8 + (2.0 if times[b.first] <= 0 else 6.0) * gap
                if run < limit and (best is None or run / limit < best[0]):
                    best = (run / limit, a, b)
        if best is None:
            return tracks
        _, a, b = best
        a.at.update(b.at)
        a.filter = b.filter
        tracks = [t for t in tracks if t is not b]


def _exists(
    t: _Track, finds: list[Finds], times: Array, samples: Sequence[Sample], settings: TrackSettings
) -> bool:
    """Log odds of a person against a false find, over the frames in which he should have been seen."""
    start, end = times[t.first], times[t.last]
    odds = 0.0
    piled = any(finds[i].piled[j] for i, j in t.at.items())
    rate = settings.found_rate_pile if piled else settings.found_rate
    for i, s in enumerate(samples):
        if i in t.at:
            odds += np.log(rate / settings.repeat_rate)
            continue
        if s.registration.status != "ok" or s.registration.camera is None or not len(finds[i].xy):
            continue
        # Before the snap a person is expected at his place; after it only near the times he was seen.
        expected = (times[i] <= 0.05 and start <= 0.05) or start - 0.3 <= times[i] <= end + 0.55
        if expected and _in_picture(s, finds[t.first].xy[t.at[t.first]]):
            odds += np.log((1 - rate) / (1 - settings.repeat_rate))
    return bool(odds > 0)


def _in_picture(s: Sample, xy: Array) -> bool:
    camera = s.registration.camera
    if camera is None:
        return False
    px = camera.ground_to_px(xy)
    m = 0.01 * camera.width_px
    return bool(m < px[0] < camera.width_px - m and m < px[1] < camera.height_px - m)


def _positions(
    tracks: list[_Track], finds: list[Finds], times: Array, settings: TrackSettings
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


def _roles(tracks: list[_Track], finds: list[Finds]) -> tuple[NDArray[np.int64], Array]:
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


def _kits(tracks: list[_Track], finds: list[Finds]) -> Array:
    """(N, K) median kit features of a track, boxes that overlap others counted only where nothing else is."""
    rows = []
    for t in tracks:
        clear = [(i, j) for i, j in t.at.items() if not finds[i].piled[j]]
        rows.append(np.median([finds[i].kit[j] for i, j in (clear or list(t.at.items()))], axis=0))
    return np.stack(rows) if rows else np.zeros((0, finds[0].kit.shape[1] if finds else 0))


__all__ = ["DEFAULTS", "Sample", "TrackSettings", "build"]
