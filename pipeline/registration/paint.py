"""Measures painted lines and hash ticks in the full picture, near where a camera predicts them.

Profiles across each predicted mark are matched with a bright bar of the mark's own width; the bar's middle comes
out to a tenth of a pixel on clean film. People's boxes are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.field import Field
from pipeline.registration import solver, ticks
from pipeline.registration.marks import Marks
from pipeline.registration.profiles import Profiles, free, measure
from pipeline.registration.solve import Observed, lines

Array = NDArray[np.float64]

SPACING_PX = 14.0  # between profiles on a line, of a 1280-wide picture
MOST_PROFILES = 420
LINE_SD_PX, EDGE_SD_PX = 0.6, 1.0
INDEPENDENT = {"line": 60.0, "edge": 10.0}
EDGE_POINTS = 8  # points the network must have seen on a sideline


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


@dataclass(frozen=True)
class Paint:
    """Paint found. seen: all but the ends of ticks; rows: rows of ticks; lit: share of the looks across predicted yard
    lines that met a bright bar, of looks such looks."""

    seen: Observed
    rows: list[ticks.Row]
    lit: float
    looks: int


def observe(
    grey: NDArray[np.float32], row: Array, marks: Marks, field: Field, boxes: Array | None, reach: float
) -> Paint:
    """Paint found near the predictions of a camera (8,). reach: how far from them, px of a 1280-wide picture."""
    size, unit = marks.size, marks.size[0] / 1280
    edges = [name for name in ("near_sideline", "far_sideline") if len(marks.ridge[name]) >= EDGE_POINTS]
    return observe_in(grey, row, _visible_x(row, marks, field), edges, field, boxes, size, reach * unit, unit)


def observe_in(
    grey: NDArray[np.float32], row: Array, span: tuple[float, float], edges: Sequence[str], field: Field,
    boxes: Array | None, size: tuple[int, int], reach: float, unit: float,
) -> Paint:  # fmt: skip
    """The same for x within span (yards) and the sidelines named; reach in px of this picture."""
    xs = np.arange(np.ceil(span[0] / 5), np.floor(span[1] / 5) + 1) * 5
    on_lines, looks, lit = _yard_lines(grey, row, xs, field, boxes, size, reach, unit)
    rows = ticks.find(grey, row, span, field, boxes, size, reach)
    parts = [on_lines, ticks.middles(rows, unit), _edges(grey, row, span, edges, field, boxes, size, reach, unit)]
    return Paint(Observed.join(parts), rows, lit / max(looks, 1), looks)


def _yard_lines(
    grey: NDArray[np.float32], row: Array, xs: Array, field: Field, boxes: Array | None, size: tuple[int, int],
    reach: float, unit: float,
) -> tuple[Observed, int, int]:  # fmt: skip
    """Points on yard lines, the number of looks across them and of those that met paint."""
    y = np.linspace(0.8, field.width - 0.8, 90)
    pts = np.stack(np.meshgrid(xs, y, indexing="ij"), -1)
    px = solver.project(row[None], pts.reshape(-1, 2), size)[0].reshape(pts.shape)
    gone = np.cumsum(np.linalg.norm(np.diff(px, axis=1, prepend=px[:, :1]), axis=2), axis=1)
    slot = np.floor(gone / (SPACING_PX * unit)).astype(int)  # even spacing in the picture
    first = np.diff(slot, axis=1, prepend=-1) != 0
    pts, px = pts[first], px[first]
    xy = pts[free(px, boxes, size)]
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
    found = lines((px + off[:, None] * n)[good], 0, 0.0, LINE_SD_PX * unit, INDEPENDENT["line"])
    return found, int((scale * 5 > 8).sum()), int(good.sum())


def _edges(
    grey: NDArray[np.float32], row: Array, span: tuple[float, float], edges: Sequence[str], field: Field,
    boxes: Array | None, size: tuple[int, int], reach: float, unit: float,
) -> Observed:  # fmt: skip
    """The inner edges of the sidelines named (those the network saw)."""
    parts = []
    lo, hi = span
    for name, y, sign in (("near_sideline", 0.0, -1.0), ("far_sideline", field.width, 1.0)):
        if name not in edges:
            continue
        xs = np.arange(np.ceil(lo) + 0.5, hi, 0.5)
        xs = xs[np.abs(xs - np.round(xs)) > 0.2]  # between the yard ticks
        xy = np.stack([xs, np.full(len(xs), y)], 1)
        px = solver.project(row[None], xy, size)[0]
        xy = xy[free(px, boxes, size)][:: max(1, len(xy) // 80)]
        if not len(xy):
            continue
        px, n, _ = _frame(row, xy, np.tile([1.0, 0.0], (len(xy), 1)), size)
        n = n * sign  # from the field outwards
        off, strength = measure(grey, Profiles(px, n, np.full(len(px), 2.0), reach), edge=True)
        good = strength > 0
        parts.append(lines((px + off[:, None] * n)[good], 1, y, EDGE_SD_PX * unit, INDEPENDENT["edge"]))
    return Observed.join(parts) if parts else lines(np.zeros((0, 2)), 1, 0.0, 1.0, 1.0)
