"""Joins the finds of neighbouring frames: one track a person.

Hungarian over Mahalanobis distances of a constant-velocity Kalman filter [Kalman 1960; Kuhn 1955], gated by what a
person can run, with what he wears as a witness. Field frame, yards, seconds from the snap.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.ground import Finds, TrackSettings
from pipeline.kalman import Filter, predict_all

Array = NDArray[np.float64]


@dataclass
class Track:
    """One person's finds so far, his running estimate and what he wears."""

    filter: Filter
    at: dict[int, int] = field(default_factory=dict)  # sample -> find
    kit: Array | None = None  # running mean of what he wears

    @property
    def first(self) -> int:
        return min(self.at)

    @property
    def last(self) -> int:
        return max(self.at)


def associate(
    finds: list[Finds], times: Array, settings: TrackSettings, *, steady: bool = True
) -> tuple[list[Finds], list[Track]]:
    """Finds (moved where a whole frame was off) and the tracks they make. steady: take such shifts out."""
    tracks: list[Track] = []
    aligned: list[Finds] = []
    unlike = _kit_scale(finds)
    for i, f in enumerate(finds):
        live = [t for t in tracks if times[i] - times[t.last] <= settings.bridge_s]
        f = _steady(f, live, times[i], settings) if steady else f
        aligned.append(f)
        taken = _match(live, f, times[i], settings, unlike)
        for t, j in taken:
            t.kit = f.kit[j] if t.kit is None else t.kit + (f.kit[j] - t.kit) / min(len(t.at) + 1, 8)
            t.filter.update(times[i], f.xy[j], f.cov[j], accel_at(times[i], settings))
            t.at[i] = j
        used = {j for _, j in taken}
        for j in range(len(f.xy)):
            if j not in used:
                tracks.append(Track(Filter.start(times[i], f.xy[j], f.cov[j]), {i: j}, f.kit[j].copy()))
    return aligned, tracks


def _kit_scale(finds: list[Finds]) -> float:
    """Typical distance of two kits that differ: the 75th percentile over pairs of people of one frame."""
    full = max(finds, key=lambda f: len(f.kit))
    if len(full.kit) < 4 or full.kit.shape[1] == 0:
        return float("inf")
    gap = np.linalg.norm(full.kit[:, None] - full.kit[None], axis=-1)
    return float(max(np.percentile(gap[np.triu_indices(len(gap), 1)], 75), 1e-6))


def accel_at(time_s: float, settings: TrackSettings) -> float:
    """Acceleration (yd/s^2) that association allows at a time from the snap."""
    return 2.0 if time_s <= 0 else settings.play_accel_yd_s2


def _steady(f: Finds, live: list[Track], time_s: float, settings: TrackSettings) -> Finds:
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
    live: list[Track], f: Finds, time_s: float, settings: TrackSettings, unlike: float
) -> list[tuple[Track, int]]:
    """First everybody near where he is expected, then the rest within what a person can run.

    unlike: distance of kits that counts as another team's.
    """
    if not live or not len(f.xy):
        return []
    mean, cov = predict_all([t.filter for t in live], time_s, accel_at(time_s, settings))
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
    pairs = assign(cost, settings.unmatched)
    got_a, got_j = {a for a, _ in pairs}, {j for _, j in pairs}
    loose[list(got_a)] = np.inf
    loose[:, list(got_j)] = np.inf
    pairs += assign(loose, 1e3)
    return [(live[a], j) for a, j in pairs]


def assign(cost: Array, unmatched: float) -> list[tuple[int, int]]:
    """Pairs of least total cost, where leaving a track without a find costs ``unmatched``.

    Without that price one missing man would make a whole row move up by one.
    """
    n, m = cost.shape
    wide = np.full((n, m + n), np.inf)
    wide[:, :m] = cost
    wide[np.arange(n), m + np.arange(n)] = unmatched
    rows, cols = linear_sum_assignment(np.where(np.isfinite(wide), wide, 1e6))
    return [(int(a), int(b)) for a, b in zip(rows, cols, strict=True) if b < m and np.isfinite(cost[a, b])]


def return_places(tracks: list[Track], finds: list[Finds], times: Array) -> list[Track]:
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


def _jumps(track: Track, finds: list[Finds], times: Array) -> list[tuple[int, int]]:
    """Pairs of neighbouring samples before the snap between which a track moved more than a yard."""
    order = [i for i in sorted(track.at) if times[i] <= 0.02]
    return [
        (i, j) for i, j in pairwise(order)
        if np.linalg.norm(finds[i].xy[track.at[i]] - finds[j].xy[track.at[j]]) > 1.0
    ]  # fmt: skip


def stitch(tracks: list[Track], finds: list[Finds], times: Array, settings: TrackSettings) -> list[Track]:
    """Join a piece that ends with one that begins a little later where a person could have run between."""
    while True:
        best: tuple[float, Track, Track] | None = None
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
