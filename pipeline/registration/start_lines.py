"""First guesses of the camera from whole lines: which 5-yard line is which, lines missed allowed.

Ridge points are grouped into straight lines; where they cross a row of hash marks (or a sideline), evenly spaced
yard lines lie at t with 1 / (t - t_infinity) in arithmetic progression (cross ratio; t_infinity: where the row meets
the horizon). Numbering them gives every yard-line point an x; the share of the way across gives a rough y.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.field import Field
from pipeline.registration import solve, solver, start
from pipeline.registration.marks import Marks

Array = NDArray[np.float64]

PAIRS = 500
ON_LINE_PX = 3.5  # of a 1280-wide picture
LINE_POINTS = 5
LINE_SPAN_PX = 25.0
MOST_LINES = 16
OFF_STEP = 0.2  # of a 5-yard step: how far a line may lie from its place
GAP_PENALTY = 0.6  # a line that should be there and is not, in lines
ROUGH_Y_YD = 2.5  # sd of y from the dense answer
ROWS = ("near_hash", "far_hash", "near_sideline", "far_sideline")


@dataclass(frozen=True)
class Line:
    """A straight line n . p = d in ideal px, with the indices of its points."""

    normal: Array
    offset: float
    points: NDArray[np.int64]


def _fit_line(p: Array) -> tuple[Array, float]:
    mid = p.mean(0)
    _, _, vt = np.linalg.svd(p - mid, full_matrices=False)
    n = vt[1]
    return n, float(n @ mid)


def group(points: Array, unit: float) -> list[Line]:
    """Greedy lines through ridge points (N, 5), ideal px, strongest first; unit: px scale of the picture."""
    n = len(points)
    if n < LINE_POINTS:
        return []
    rng = np.random.default_rng(1)
    i, j = rng.integers(n, size=(2, PAIRS))
    d = points[j, :2] - points[i, :2]
    length = np.linalg.norm(d, axis=1)
    normal = np.stack([-d[:, 1], d[:, 0]], 1) / np.maximum(length, 1e-9)[:, None]
    ni, nj = points[i, 2:4], points[j, 2:4]
    fair = (length > 20 * unit) & (np.abs((normal * ni).sum(1)) > 0.9) & (np.abs((normal * nj).sum(1)) > 0.9)
    normal, i = normal[fair], i[fair]
    if not len(normal):
        return []
    offset = (normal * points[i, :2]).sum(1)
    away = np.abs(points[:, :2] @ normal.T - offset)
    aligned = np.abs(points[:, 2:4] @ normal.T) > 0.88
    hit = (away < ON_LINE_PX * unit) & aligned
    left = np.ones(n, bool)
    lines: list[Line] = []
    while len(lines) < MOST_LINES:
        counts = (hit & left[:, None]).sum(0)
        k = int(np.argmax(counts))
        if counts[k] < LINE_POINTS:
            break
        idx = np.flatnonzero(hit[:, k] & left)
        nn, dd = _fit_line(points[idx, :2])
        close = np.abs(points[:, :2] @ nn - dd)
        idx = np.flatnonzero((close < ON_LINE_PX * unit) & left & (np.abs(points[:, 2:4] @ nn) > 0.85))
        left &= close > 1.8 * ON_LINE_PX * unit
        hit[:, k] = False
        if len(idx) < LINE_POINTS:
            continue
        along = points[idx, :2] @ np.array([-nn[1], nn[0]])
        if np.ptp(along) > LINE_SPAN_PX * unit:
            lines.append(Line(nn, dd, idx))
    return lines


def _row_lines(marks: Marks) -> list[tuple[Array, float, int]]:
    """(normal, offset, points) of the rows across which yard lines run, strongest first."""
    out = []
    for name in ROWS:
        p = marks.ridge[name]
        if len(p) < 8:
            continue
        p = np.concatenate([start.undistort(p[:, :2], start.TYPICAL_K1, marks.size), p[:, 2:]], 1)
        found = group(p, marks.size[0] / 1280)
        if found:
            best = max(found, key=lambda q: len(q.points))
            out.append((best.normal, best.offset, len(best.points)))
    return sorted(out, key=lambda q: -q[2])


def _cross(n1: Array, d1: float, n2: Array, d2: float) -> Array | None:
    m = np.stack([n1, n2])
    if abs(np.linalg.det(m)) < 1e-4:
        return None
    return np.asarray(np.linalg.solve(m, [d1, d2]))


def number_lines(t: Array, weight: Array, infinities: list[float]) -> list[tuple[Array, float]]:
    """Integer place (L,) of each line (NaN: fits none) with a score, best first. t (L,) where lines cross a row."""
    span = float(np.ptp(t))
    found: list[tuple[Array, float]] = []
    for inf in infinities:
        with np.errstate(divide="ignore"):
            s = t.copy() if not np.isfinite(inf) else span / (t - inf)
        if not np.isfinite(s).all() or np.ptp(s) < 1e-9:
            continue
        s = (s - s.min()) / np.ptp(s)
        gaps = np.diff(np.sort(s))
        gaps = gaps[gaps > 0.01]
        if not len(gaps):
            continue
        steps = np.unique(np.round(np.concatenate([gaps, gaps / 2, [np.median(gaps)]]), 3))
        anchors = np.argsort(-weight)[:3]
        k = (s[None, None] - s[anchors][:, None, None]) / steps[None, :, None]  # (A, S, L)
        good = np.abs(k - np.round(k)) < OFF_STEP
        best = np.argsort(-(good * weight).sum(-1).ravel() - 1e-3 * np.tile(steps, len(anchors)))[:6]
        for i in best:
            scored = _score(s, t, weight, np.round(k).reshape(-1, len(s))[i], good.reshape(-1, len(s))[i])
            if scored is not None:
                found.append(scored)
    found.sort(key=lambda q: -q[1])
    kept: list[tuple[Array, float]] = []
    for k, score in found:
        if all(not np.array_equal(k, other, equal_nan=True) for other, _ in kept):
            kept.append((k, score))
        if len(kept) == 3:
            break
    return kept


def _score(s: Array, t: Array, weight: Array, whole: Array, good: NDArray[np.bool_]) -> tuple[Array, float] | None:
    """Refines a numbering on all lines it fits and scores it."""
    if good.sum() < 2 or np.ptp(whole[good]) == 0:
        return None
    w, v = whole[good], s[good]
    slope = float(((w - w.mean()) * (v - v.mean())).sum() / ((w - w.mean()) ** 2).sum())
    if abs(slope) < 1e-9:
        return None
    k = (s - v.mean()) / slope + w.mean()
    whole = np.round(k)
    good = np.abs(k - whole) < OFF_STEP
    if good.sum() < 2 or np.ptp(whole[good]) == 0:
        return None
    places = np.unique(whole[good])
    holes, wrong = np.ptp(places) + 1 - len(places), good.sum() - len(places)
    off = float(np.sqrt(np.mean((k[good] - whole[good]) ** 2)))
    score = float(weight[good].sum() - GAP_PENALTY * holes - 1.0 * wrong - 2.0 * off)
    w, v = whole[good], t[good]
    if ((w - w.mean()) * (v - v.mean())).sum() < 0:
        whole = -whole
    return np.where(good, whole - whole[good].min(), np.nan), score


def _across_at(marks: Marks, px: Array) -> Array:
    """The dense answer's y / width at px (N, 2)."""
    g = marks.dense_px
    step = g[0, 1, 0] - g[0, 0, 0]
    at = ((px - g[0, 0]) / step).astype(np.float32)
    return cv2.remap(
        marks.across.astype(np.float32), at[:, :1], at[:, 1:], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )[:, 0].astype(float)


def from_lines(marks: Marks, field: Field, view: str, most: int = 4) -> Array:
    """(B, 8) camera rows from numbered lines, the best numbering first."""
    unit, size = marks.size[0] / 1280, marks.size
    raw = marks.ridge["yard_line"]
    if len(raw) < 2 * LINE_POINTS:
        return np.zeros((0, 8))
    points = np.concatenate([start.undistort(raw[:, :2], start.TYPICAL_K1, size), raw[:, 2:]], 1)
    lines = group(points, unit)
    if len(lines) < 2:
        return np.zeros((0, 8))
    rows = _row_lines(marks)
    mid = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    if rows:
        n, d = rows[0][0], rows[0][1]
    else:
        lead = lines[0].normal
        n, d = np.array([-lead[1], lead[0]]), float(np.array([-lead[1], lead[0]]) @ mid)
    tangent = np.array([-n[1], n[0]])
    forward = np.array([1.0, 0.0]) if view == "sideline" else np.array([0.0, -1.0])
    tangent = tangent * (1 if tangent @ forward >= 0 else -1)
    t, kept = [], []
    for line in lines:
        at = _cross(line.normal, line.offset, n, d)
        if at is not None and np.linalg.norm(at - mid) < 2.5 * size[0]:
            t.append(float(tangent @ at))
            kept.append(line)
    if len(kept) < 2:
        return np.zeros((0, 8))
    infinities = [np.inf]
    if len(rows) > 1 and (v := _cross(rows[0][0], rows[0][1], rows[1][0], rows[1][1])) is not None:
        infinities.insert(0, float(tangent @ v))
    if len(kept) >= 4:
        lo, hi, span = min(t), max(t), max(t) - min(t)
        infinities += [e for f in (0.4, 0.8, 1.5, 3.0, 7.0) for e in (lo - f * span, hi + f * span)]
    weight = np.array([min(1.0, len(q.points) / 12) for q in kept])
    out = []
    for k, _ in number_lines(np.array(t), weight, infinities)[:2]:
        good = np.flatnonzero(np.isfinite(k))
        idx = np.concatenate([kept[i].points for i in good])
        x = np.concatenate([np.full(len(kept[i].points), 5.0 * k[i]) for i in good])
        out.append(_cameras(marks, field, view, raw[idx, :2], x))
    return np.concatenate(out)[:most] if out else np.zeros((0, 8))


def _cameras(marks: Marks, field: Field, view: str, px: Array, x: Array) -> Array:
    """(B, 8) cameras for yard-line points with known x (N,)."""
    size = marks.size
    xy = np.stack([x, _across_at(marks, px) * field.width], 1)
    ideal = start.undistort(px, start.TYPICAL_K1, size)
    cv2.setRNGSeed(1)
    found, _ = cv2.findHomography(xy, ideal, cv2.RANSAC, 30.0 * size[0] / 1280, maxIters=300)
    if found is None:
        return np.zeros((0, 8))
    h: Array = np.asarray(found, np.float64)
    rows = np.array([p for f in start.FOCALS if (p := start.pose(h, f, size)) is not None]).reshape(-1, 8)
    if not len(rows):
        return rows
    known = start.prior(view, field)
    target = np.broadcast_to(xy, (len(rows), *xy.shape))
    sd = np.tile([0.3, ROUGH_Y_YD], (len(xy), 1))
    weight = np.broadcast_to(np.full(len(xy), np.sqrt(min(1.0, 40 / len(xy)))), (len(rows), len(xy)))
    for _ in range(3):
        normal = solve.point_normals(rows, target, sd, weight, size)
        rows, cost = solver.refine(rows, solver.Sightings(px, target, normal), known, size, steps=5)
    order = np.argsort(cost)
    kept = [int(order[0])]
    for i in order[1:]:
        if all(abs(rows[i, 0] - rows[j, 0]) > 0.15 for j in kept) and cost[i] < cost[order[0]] * 2 + 10:
            kept.append(int(i))
    return np.asarray(rows[kept[:2]])
