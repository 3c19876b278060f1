"""Measures painted lines and hash ticks in the full picture, near where a camera predicts them.

Profiles across each predicted mark are matched with a bright bar of the mark's own width; the bar's middle comes
out to a tenth of a pixel on clean film. People's boxes are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.field import Field
from pipeline.registration import solver
from pipeline.registration.marks import Marks
from pipeline.registration.solve import Observed, lines

Array = NDArray[np.float64]

STEP_PX = 0.5  # along a profile
SPACING_PX = 14.0  # between profiles on a line, of a 1280-wide picture
MOST_PROFILES = 420
LINE_SD_PX, TICK_SD_PX, EDGE_SD_PX = 0.6, 0.8, 1.0
CONTRAST = 5.0  # least step of the bar over its sides, grey levels
USUAL = 0.35  # and as a share of the usual step of such marks in this picture
INDEPENDENT = {"line": 60.0, "tick": 24.0, "edge": 10.0}


@dataclass(frozen=True)
class Profiles:
    """M places to measure: px (M, 2) middle, normal (M, 2), bar (M,) width of the mark in px, reach px."""

    px: Array
    normal: Array
    bar: Array
    reach: float


def grey_of(image_bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
    """White paint against green turf: blue and red carry the contrast, green the sharpness."""
    return np.asarray(cv2.transform(image_bgr, np.array([[0.3, 0.4, 0.3]], np.float32))).astype(np.float32)


def measure(grey: NDArray[np.float32], p: Profiles, edge: bool = False) -> tuple[Array, Array]:
    """(M,) offset px along the normal of the best match, and (M,) its strength in grey levels (0: none).

    edge: match a step up along the normal instead of a bar.
    """
    if not len(p.px):
        return np.zeros(0), np.zeros(0)
    widest = float(np.clip(np.percentile(p.bar, 95), 2, 80)) if not edge else 2.0
    step = max(STEP_PX, widest / 48)
    half = widest * 0.5 + max(widest * 0.4, 4.0) + 2 * step
    t = np.arange(-(p.reach + half), p.reach + half + 1e-6, step)
    at = p.px[:, None] + t[None, :, None] * p.normal[:, None]
    values = cv2.remap(grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    sums = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, 1)], 1)
    middle = np.flatnonzero(np.abs(t) <= p.reach + 1e-9)

    def mean(lo: Array, hi: Array) -> Array:
        """Means of values between offsets (in samples, (M, 1)) around each middle sample."""
        a = np.clip(middle[None] + lo, 0, len(t) - 1).astype(int)
        b = np.clip(middle[None] + hi, 0, len(t) - 1).astype(int) + 1
        return np.asarray(np.take_along_axis(sums, b, 1) - np.take_along_axis(sums, a, 1)) / (b - a)

    if edge:
        one = np.ones((len(values), 1))
        match = mean(one, 6 * one) - mean(-6 * one, -one)
    else:
        h = np.round(np.clip(p.bar, 1.5, 80) / 2 / step)[:, None]
        outer = np.clip(np.round(0.8 * h), 3, 12)
        left, right = mean(-h - 1 - outer, -h - 2), mean(h + 2, h + 1 + outer)
        match = mean(-h, h) - np.maximum(left, right) * 0.65 - np.minimum(left, right) * 0.35
    # Among equal matches the nearer to the prediction is the mark.
    best = np.argmax(match - 0.15 * np.abs(t[middle])[None], 1)
    inner = (best > 0) & (best < len(middle) - 1)
    i = np.clip(best, 1, len(middle) - 2)
    rows = np.arange(len(match))
    a, b, c = match[rows, i - 1], match[rows, i], match[rows, i + 1]
    bend = a - 2 * b + c
    shift = np.clip(0.5 * (a - c) / np.where(bend < -1e-6, bend, -1e-6), -1, 1)
    usual = np.median(b[b > CONTRAST]) if (b > CONTRAST).any() else 0.0
    strong = inner & (b > max(CONTRAST, USUAL * usual))
    return t[middle][i] + shift * step, np.where(strong, b, 0.0)


def _free(px: Array, boxes: Array | None, size: tuple[int, int]) -> NDArray[np.bool_]:
    """(N,) inside the picture and in no person's box."""
    ok = (px > 3).all(-1) & (px < np.array(size) - 4).all(-1)
    if boxes is not None and len(boxes):
        b = boxes[None] + (-2, -2, 2, 2)
        hit = (
            (px[:, None, 0] > b[..., 0])
            & (px[:, None, 0] < b[..., 2])
            & (px[:, None, 1] > b[..., 1])
            & (px[:, None, 1] < b[..., 3])
        )
        ok &= ~hit.any(1)
    return np.asarray(ok)


def _frame(row: Array, xy: Array, along: Array, size: tuple[int, int]) -> tuple[Array, Array, Array]:
    """px of points, unit normal of the mark there (turned so that it points to growing field coordinate),
    and px per yard across the mark."""
    e = 0.2
    px = solver.project(row[None], xy, size)[0]
    tangent = solver.project(row[None], xy + along * e, size)[0] - px
    other = along[..., ::-1]
    cross = (solver.project(row[None], xy + other * e, size)[0] - px) / e
    n = np.stack([-tangent[:, 1], tangent[:, 0]], 1)
    n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
    scale = (n * cross).sum(1)
    n *= np.sign(scale)[:, None]
    return px, n, np.abs(scale)


def _visible_x(row: Array, marks: Marks, field: Field) -> tuple[float, float]:
    on = marks.field > 0.5
    g = solver.unproject(row[None], marks.dense_px[on], marks.size)[0] if on.any() else np.zeros((0, 2))
    g = g[np.isfinite(g).all(1) & (np.abs(g[:, 1] - field.width / 2) < field.width)]
    if len(g) < 4:
        return (0.0, 0.0)
    lo, hi = np.percentile(g[:, 0], [1, 99])
    return float(lo), float(hi)


def observe(
    grey: NDArray[np.float32], row: Array, marks: Marks, field: Field, boxes: Array | None, reach: float
) -> Observed:
    """Paint found near the predictions of a camera (8,). reach: how far from them, px of a 1280-wide picture."""
    size, unit = marks.size, marks.size[0] / 1280
    lo, hi = _visible_x(row, marks, field)
    xs = np.arange(np.ceil(lo / 5), np.floor(hi / 5) + 1) * 5
    parts = [
        _yard_lines(grey, row, xs, field, boxes, size, reach * unit, unit),
        _ticks(grey, row, lo, hi, field, boxes, size, reach * unit, unit),
        _edges(grey, row, lo, hi, marks, field, boxes, size, reach * unit, unit),
    ]
    return Observed.join(parts)


def _yard_lines(
    grey: NDArray[np.float32], row: Array, xs: Array, field: Field, boxes: Array | None, size: tuple[int, int],
    reach: float, unit: float,
) -> Observed:  # fmt: skip
    y = np.linspace(0.8, field.width - 0.8, 90)
    pts = np.stack(np.meshgrid(xs, y, indexing="ij"), -1)
    keep = []
    for line in pts:  # even spacing in the picture
        px = solver.project(row[None], line, size)[0]
        ok = _free(px, boxes, size)
        gone = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))])
        slot = np.floor(gone / (SPACING_PX * unit)).astype(int)
        first = np.concatenate([[True], slot[1:] != slot[:-1]])
        keep.append(line[ok & first])
    xy = np.concatenate(keep) if keep else np.zeros((0, 2))
    # Where row marks cross or numbers stand, the profile shows more than the line.
    busy = np.zeros(len(xy), bool)
    for at in (*field.hash_rows,):
        busy |= np.abs(xy[:, 1] - at) < 0.6
    xy = xy[~busy]
    if len(xy) > MOST_PROFILES:
        xy = xy[np.linspace(0, len(xy) - 1, MOST_PROFILES).astype(int)]
    px, n, scale = _frame(row, xy, np.tile([0.0, 1.0], (len(xy), 1)), size)
    limit = np.minimum(reach, 1.6 * scale)  # not as far as other marks
    off, strength = measure(grey, Profiles(px, n, field.line_width * scale * 1.15, reach))
    good = (strength > 0) & (np.abs(off) <= limit) & (scale * 5 > 8)
    return lines((px + off[:, None] * n)[good], 0, 0.0, LINE_SD_PX * unit, INDEPENDENT["line"])


def _ticks(
    grey: NDArray[np.float32], row: Array, lo: float, hi: float, field: Field, boxes: Array | None,
    size: tuple[int, int], reach: float, unit: float,
) -> Observed:  # fmt: skip
    xs = np.arange(np.ceil(lo), np.floor(hi) + 1)
    xs = xs[np.round(xs) % 5 != 0]
    parts = []
    for y in field.hash_rows:
        xy = np.stack([xs, np.full(len(xs), y)], 1)
        px = solver.project(row[None], xy, size)[0]
        xy = xy[_free(px, boxes, size)]
        if not len(xy):
            continue
        px, n, scale = _frame(row, xy, np.tile([1.0, 0.0], (len(xy), 1)), size)
        bar = field.hash_tick * scale
        off, strength = measure(grey, Profiles(px, n, bar, min(reach, 1.2 * float(np.median(scale)))))
        good = (strength > 0) & (bar > 3)
        parts.append(lines((px + off[:, None] * n)[good], 1, y, TICK_SD_PX * unit, INDEPENDENT["tick"]))
    return Observed.join(parts) if parts else lines(np.zeros((0, 2)), 1, 0.0, 1.0, 1.0)


def _edges(
    grey: NDArray[np.float32], row: Array, lo: float, hi: float, marks: Marks, field: Field, boxes: Array | None,
    size: tuple[int, int], reach: float, unit: float,
) -> Observed:  # fmt: skip
    parts = []
    for name, y, sign in (("near_sideline", 0.0, -1.0), ("far_sideline", field.width, 1.0)):
        if len(marks.ridge[name]) < 8:  # the network saw no such line
            continue
        xs = np.arange(np.ceil(lo) + 0.5, hi, 0.5)
        xs = xs[np.abs(xs - np.round(xs)) > 0.2]  # between the yard ticks
        xy = np.stack([xs, np.full(len(xs), y)], 1)
        px = solver.project(row[None], xy, size)[0]
        xy = xy[_free(px, boxes, size)][:: max(1, len(xy) // 80)]
        if not len(xy):
            continue
        px, n, _ = _frame(row, xy, np.tile([1.0, 0.0], (len(xy), 1)), size)
        n = n * sign  # from the field outwards
        off, strength = measure(grey, Profiles(px, n, np.full(len(px), 2.0), reach), edge=True)
        good = strength > 0
        parts.append(lines((px + off[:, None] * n)[good], 1, y, EDGE_SD_PX * unit, INDEPENDENT["edge"]))
    return Observed.join(parts) if parts else lines(np.zeros((0, 2)), 1, 0.0, 1.0, 1.0)
