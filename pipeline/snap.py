"""Snap: the first frame in which the ball or a lineman moves, after the offence is set.

Three steps. A small learned scorer over activity windows (``pipeline.onset``) says for every tick how much it looks
like a snap: many cells of one close group that were still start to move together. Each of its peaks gets a second look
over six seconds (``pipeline.snap_check``): does a play begin and go on? The best are then refined to the frame: a
still level, then growth, fitted on both sides of every candidate frame at the film's own rate.
No peak above the threshold is an answer: no snap. What the people's tracks say comes later (``pipeline.confirm``); who
will ask them can have the best of the moments under the threshold too, as a faint candidate.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import models, onset, snap_check
from pipeline.records import Motion, People, Shot, Snap

Curve = NDArray[np.float64]
Scorer = Callable[[NDArray[np.float32]], Curve]
LEVEL_S = 0.5  # how long before the scorer's peak the level is fitted
RISES_S = (0.07, 0.1, 0.14, 0.2, 0.28)  # how long the rise after the onset may take
FIRST_SEEN_S = 0.06  # men start softly, so the straight fit starts early: measured on clips never trained on
MARGIN_TICKS = 30  # how far the network looks to each side in time
SHIPPED = onset.FINE  # what the shipped network is shown


@dataclass(frozen=True)
class SnapSettings:
    """threshold: score under which there is no snap; sure: score from which it is 'ok', between 'unsure'; both are the
    scorer's. lowest: score of a moment that the checker looks at; check_threshold, check_sure: the same for its
    chances, which count where there is a checker. rival: another moment with this share of its score makes a snap
    'unsure', where it is at least rival_apart_s from it and nearer than apart_s. apart_s: two snaps of one film are
    at least this far apart (a play and the way back: common practice, no source). lead_s, tail_s: film needed
    before and after a snap. faint: chance from which the best moment of a shot without a snap is a faint candidate;
    faint_room_s: film it needs before and after, so that tracks can tell. refine_s: how far the exact frame may be
    from the scorer's peak. The thresholds were set on clips never trained on (models/snap/card.md).
    """

    threshold: float = 0.3
    sure: float = 0.5
    lowest: float = 0.05
    check_threshold: float = 0.05
    check_sure: float = 0.8
    rival: float = 0.7
    rival_apart_s: float = 0.6
    apart_s: float = 6.0
    lead_s: float = 0.3
    tail_s: float = 0.15
    faint: float = 0.02
    faint_room_s: float = 1.0
    refine_s: float = 0.13

    def with_check(self) -> SnapSettings:
        """The settings where a checker has the word."""
        return replace(self, threshold=self.check_threshold, sure=self.check_sure)


DEFAULTS = SnapSettings()


@cache
def shipped_scorer() -> Scorer:
    """The scorer of models/manifest.toml. Raises ModelError where it is missing or damaged."""
    return network_scorer(models.load("snap", threads=1), SHIPPED)


def network_scorer(network: models.Network, layout: onset.Layout) -> Scorer:
    """A scorer from a network that takes windows (K, channels, rows, columns) of a layout and gives K logits."""

    def score(grid: NDArray[np.float32]) -> Curve:
        out = np.zeros(len(grid))
        shown = onset.coarse(grid, layout)
        for covered, inside, chunk in onset.windows(shown, chunk=256, margin=MARGIN_TICKS, layout=layout):
            logits = np.asarray(network(chunk)[0], float).ravel()
            out[covered] = 1.0 / (1.0 + np.exp(-logits[inside]))
        return out

    return score


def peaks(score: Curve, settings: SnapSettings = DEFAULTS) -> list[int]:
    """Ticks of the peaks above the threshold, best first taken, none closer than apart_s; in order of time."""
    left, found = score.copy(), []
    gap = round(settings.apart_s / onset.TICK_S)
    while len(left) and left.max() >= settings.threshold:
        k = int(left.argmax())
        found.append(k)
        left[max(0, k - gap) : k + gap] = -1.0
    return sorted(found)


def find_snaps(
    motion: Motion,
    people_samples: Sequence[tuple[int, People]] | None = None,
    *,
    shot: Shot | None = None,
    scorer: Scorer | None = None,
    checker: snap_check.Checker | None = None,
    settings: SnapSettings = DEFAULTS,
    faint: bool = False,
) -> list[Snap]:
    """Snaps of a shot in order; a single Snap with status 'failed' and a reason where there is none.

    faint: where no moment is above the threshold, the best one under it comes as 'unsure' with evidence['faint']: no
    snap unless ``pipeline.confirm`` keeps it.

    shot: only snaps in the frames it owns (pieces of long shots overlap). people_samples: (frame, People) of a
    few looks, for evidence of where the formation stands. scorer: grid of activity -> score per tick. checker:
    described moments -> chance of each; without it the scorer's word stands. Where no scorer is handed in both
    are the shipped ones; raises ModelError where these cannot be loaded.
    """
    times = np.array([float(t - motion.time_s[0]) for t in motion.time_s])
    if times[-1] < settings.lead_s + settings.tail_s or len(times) < 8:
        return [_none("the shot is too short to hold a snap", {"seconds": float(times[-1])})]
    if scorer is None:
        scorer, checker = shipped_scorer(), snap_check.shipped_checker()
    grid = onset.grids(motion)
    score = scorer(grid)
    settings = settings.with_check() if checker is not None else settings
    evidence = {"score": np.round(score, 4), "tick_s": onset.TICK_S, "threshold": settings.threshold}
    found: list[Snap] = []
    at = np.arange(len(score)) * onset.TICK_S
    seen = (at >= settings.lead_s) & (at <= times[-1] - settings.tail_s)
    score = np.where(seen, score, 0.0)
    if checker is not None:
        score = checked(grid, score, checker, settings)
        evidence["checked"] = {int(k): round(float(score[k]), 4) for k in np.flatnonzero(score)}
    for tick in peaks(score, settings):
        at_s = tick * onset.TICK_S
        index, fit = refine(motion, times, at_s, settings, people_samples)
        frame = int(motion.frame[index])
        if shot is not None and not shot.first_frame <= frame <= shot.last_frame:
            continue
        confidence = float(score[tick])
        second = rival_of(score, tick, motion, settings)
        status = status_of(confidence, second["score"] if second else 0.0, settings)
        reason = "" if status == "ok" else f"score {confidence:.2f} under {settings.sure:.2f}"
        if confidence >= settings.sure and second and status != "ok":
            reason = f"frame {second['frame']} looks nearly as much like a snap"
        more = {**evidence, **fit, "peak_tick": tick, "second": second}
        found.append(Snap(status, frame, motion.time_s[index], confidence, reason, more))
    if found:
        return found
    if faint and checker is not None:
        candidate = _faint(motion, times, score, settings, evidence, shot)
        if candidate is not None:
            return [candidate]
    best = float(score.max())
    return [_none(f"no moment looks like a snap (best score {best:.2f})", {**evidence, "best": best})]


def _faint(
    motion: Motion, times: Curve, score: Curve, settings: SnapSettings, evidence: dict[str, Any], shot: Shot | None
) -> Snap | None:
    """The best of the moments under the threshold, if it has film about it and the shot owns it."""
    at = np.arange(len(score)) * onset.TICK_S
    room = (at >= settings.faint_room_s) & (at <= times[-1] - settings.faint_room_s)
    best = float((score * room).max())
    if best < settings.faint:
        return None
    tick = int((score * room).argmax())
    index, fit = refine(motion, times, tick * onset.TICK_S, settings)
    frame = int(motion.frame[index])
    if shot is not None and not shot.first_frame <= frame <= shot.last_frame:
        return None
    more = {**evidence, **fit, "peak_tick": tick, "second": None, "faint": True}
    reason = f"faint: score {best:.2f} under {settings.threshold:.2f}"
    return Snap("unsure", frame, motion.time_s[index], best, reason, more)


def checked(grid: NDArray[np.float32], score: Curve, checker: snap_check.Checker, settings: SnapSettings) -> Curve:
    """(K,) chance of each moment that looks like a snap by the checker, 0 elsewhere."""
    out = np.zeros_like(score)
    at = snap_check.moments(score, settings.lowest)
    if at:
        coarse = onset.coarse(grid, onset.LONG)
        out[at] = checker(np.stack([snap_check.describe(coarse, score, k) for k in at]))
    return out


def find_snap(motion: Motion, people_samples: Sequence[tuple[int, People]] | None = None, **options: Any) -> Snap:
    """The surest snap of a shot; see ``find_snaps``."""
    return max(find_snaps(motion, people_samples, **options), key=lambda s: s.confidence)


def status_of(score: float, rival: float, settings: SnapSettings = DEFAULTS) -> str:
    """'ok' or 'unsure' for a peak's score and that of the next best moment about it."""
    return "ok" if score >= settings.sure and rival < settings.rival * score else "unsure"


def rival_of(score: Curve, tick: int, motion: Motion, settings: SnapSettings) -> dict[str, Any] | None:
    """Frame, second and score of the next best moment about a peak; None where all else is under a tenth."""
    at = np.arange(len(score))
    away = np.abs(at - tick) * onset.TICK_S
    near = np.where((away >= settings.rival_apart_s) & (away < settings.apart_s), score, 0.0)
    best = int(near.argmax())
    if near[best] < 0.1:
        return None
    frame = int(motion.frame[onset.ticks(motion)[0][best]])
    return {"frame": frame, "time_s": best * onset.TICK_S, "score": round(float(near[best]), 4)}


def _none(reason: str, evidence: dict[str, Any]) -> Snap:
    return Snap("failed", None, None, 0.0, reason, evidence)


def refine(
    motion: Motion,
    times: Curve,
    at_s: float,
    settings: SnapSettings = DEFAULTS,
    people_samples: Sequence[tuple[int, People]] | None = None,
) -> tuple[int, dict[str, Any]]:
    """(index of the exact frame, evidence of the fit) near at_s seconds into the motion."""
    near = np.abs(times - at_s) <= 1.0
    first = int(np.argmax(near))
    grid = np.stack([onset.squash(g) for g in motion.activity[near]])
    curve = group_curve(grid, times[near], at_s)
    onset_s, gain = change_point(curve, times[near], at_s, settings.refine_s)
    index = int(np.abs(times - onset_s - FIRST_SEEN_S).argmin())
    index = int(np.clip(index, first, first + len(grid) - 1))
    return index, {"curve": np.round(curve, 4), "curve_s": times[near], "onset_s": onset_s, "fit_gain": gain}


def group_curve(grid: NDArray[np.float32], times: Curve, at_s: float) -> Curve:
    """(T,) mean activity of the cells that start to move together about at_s, weighted by how much they do.

    Cells of the box (a formation's size) that holds most of the rise count; the rest of the picture does not.
    """
    before = grid[(times > at_s - 0.5) & (times < at_s - 0.08)]
    after = grid[(times > at_s + 0.05) & (times < at_s + 0.4)]
    if not len(before) or not len(after):
        return np.asarray(grid.mean((1, 2)), float)
    rise = np.clip(after.mean(0) - before.max(0), 0.0, None).astype(np.float32)
    rows, columns = rise.shape
    size = (max(3, columns // 4), max(3, rows // 4))
    box = cv2.boxFilter(rise, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    r, c = np.unravel_index(int(box.argmax()), box.shape)
    inside = np.zeros_like(rise)
    inside[max(0, r - size[1]) : r + size[1] + 1, max(0, c - size[0]) : c + size[0] + 1] = 1
    weight = rise * inside
    if weight.sum() <= 0:
        return np.asarray(grid.mean((1, 2)), float)
    return np.asarray((grid * weight).sum((1, 2)) / weight.sum(), float)


def change_point(curve: Curve, times: Curve, at_s: float, reach_s: float) -> tuple[float, float]:
    """(second of the onset, share of the variance the fit explains).

    Two-sided least squares over one window for all candidates: a level up to the onset, a straight rise, a level
    again; the candidate frame and the length of the rise (RISES_S) with the smallest sum of squares win.
    """
    use = (times > at_s - LEVEL_S) & (times <= at_s + reach_s + RISES_S[-1])
    t, y = times[use], curve[use]
    best, best_cost = at_s, np.inf
    for s in t[np.abs(t - at_s) <= reach_s + 1e-6]:
        for rise_s in RISES_S:
            ramp = np.clip(t - s, 0.0, rise_s)
            slope_part = ramp - ramp.mean()
            power = float(slope_part @ slope_part)
            slope = float(slope_part @ y) / power if power > 0 else 0.0
            cost = float(((y - y.mean() - slope * slope_part) ** 2).sum())
            if slope > 0 and cost < best_cost:
                best, best_cost = float(s), cost
    spread = float(((y - y.mean()) ** 2).sum()) if len(y) else 0.0
    return best, 0.0 if spread <= 0 or not np.isfinite(best_cost) else max(0.0, 1.0 - best_cost / spread)
