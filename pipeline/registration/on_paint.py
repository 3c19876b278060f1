"""Refines a fit on the paint of the full picture, a few looks each closer than the last."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.registration import paint, solve, solver, start, ticks
from pipeline.registration.judge import Fit, apart
from pipeline.registration.marks import Marks
from pipeline.registration.solve import Observed

Array = NDArray[np.float64]

PAINT_MIN = 40  # paint points needed to believe the paint
PAINT_COST = 1.8  # how much worse the network's points may fit after the paint
PAINT_NEAR_YD = 0.5  # paint that moves it by less is believed whatever those points say: a domed field bends them
PAINT_APART_YD, ONE_ROW_APART_YD = 1.5, 6.0  # how far paint may move the fit; ends of ticks give a single row its scale
MARKS_WITH_PAINT = 0.25  # weight the network's own points keep beside paint
NEXT_REACH_PX = 5.0  # of the looks after the first
OVERLOOKED, WITHOUT_TICKS = 8, 0.03  # places looked at in vain; what is left of the weight of such a row
STRETCH_SD_YD = 0.3
RESCALE, RESCALES = 0.015, 3  # a single row's scale off by more is mended first, so often at most


def refine(fit: Fit, grey: NDArray[np.float32], found: Marks, boxes: Array | None) -> Fit:
    """Refine a fit on the paint of the picture; the fit itself where too little paint is found or it leads away."""
    field, known = fields.load(fit.level), start.prior(fit.view, fields.load(fit.level))
    row = fit.row
    one_row = fit.quality.rows < 2
    first = float(np.clip(4 + 3 * fit.quality.residual_px * 1280 / found.size[0], 6, 12))
    if one_row:
        row = _scaled_on_ticks(row, fit, grey, found, boxes, first)
    for reach in (first, NEXT_REACH_PX):
        seen = paint.observe(grey, row, found, field, boxes, reach)
        if len(seen.seen) < PAINT_MIN:
            return replace(fit, rows_without_ticks=2 if fit.rows == "both" else 1)
        ends = ticks.ends(seen.rows, field.hash_tick)
        doubted = without_ticks(fit.seen, seen.rows)
        marks = replace(doubted, weight=doubted.weight * MARKS_WITH_PAINT)
        both = Observed.join([seen.seen, ends, marks])
        row = solve.fit(row[None], both, known, found.size, rounds=2 if one_row else 1, steps=5)[0][0]
    # Paint must not lead away from what the network saw.
    before, after = (_cost(r, fit.seen, fit, found.size) for r in (fit.row, row))
    most = ONE_ROW_APART_YD if one_row and len(ends) else PAINT_APART_YD
    moved = apart(row, fit.row, found)
    if moved > most or (moved > PAINT_NEAR_YD and after > before * PAINT_COST + 20):
        return replace(fit, rows_without_ticks=2 if fit.rows == "both" else 1)
    rows = ticks.there(seen.rows)
    q = solve.quality(row, seen.seen, found, field)
    kept = replace(
        fit.quality, residual_px=q.residual_px, points=q.points, rows=max(fit.quality.rows, len(rows))
    )
    # What speaks for this level: the network's points at their best, and what the ends of ticks add. A single row's
    # scale is the ticks' word alone, so that its points must fit at that scale.
    by_ends = _cost(row, Observed.join([fit.seen, ends]), fit, found.size) - after
    cost = (min(before, after) if fit.rows == "both" else after) + by_ends
    return replace(
        fit, row=row, cost=cost, seen=both, quality=kept, painted=len(seen.seen), tick_rows=len(rows),
        tick_ends=len(ends) > 0, bars=any(r.bars for r in rows), lit=seen.lit,
        rows_without_ticks=sum(not len(r.px) and r.looked >= OVERLOOKED for r in seen.rows),
    )  # fmt: skip


def without_ticks(seen: Observed, rows: list[ticks.Row]) -> Observed:
    """What the network saw, with little trust in a hash row of whose ticks the full picture shows none.

    Where no hash marks are painted the network still tends to answer with rows.
    """
    weight = seen.weight.copy()
    for r in rows:
        if not len(r.px) and r.looked >= OVERLOOKED:
            weight[(seen.along == 1) & (np.abs(seen.value - r.y) < 1e-6)] *= WITHOUT_TICKS
    return replace(seen, weight=weight)


def _cost(row: Array, seen: Observed, fit: Fit, size: tuple[int, int]) -> float:
    """Robust cost of observations under a camera, its prior included."""
    return float(solve.fit(row[None], seen, start.prior(fit.view, fields.load(fit.level)), size, rounds=0)[1][0])


def _scaled_on_ticks(
    row: Array, fit: Fit, grey: NDArray[np.float32], found: Marks, boxes: Array | None, reach: float
) -> Array:
    """A camera that sees one row of ticks, with the scale across the field that makes its ticks as long as painted.

    One row and the yard lines leave that scale to the priors; a fit creeps along the valley, so it is jumped.
    """
    field = fields.load(fit.level)
    for _ in range(RESCALES):
        seen = paint.observe(grey, row, found, field, boxes, reach)
        rows = [r for r in seen.rows if len(r.low)]
        if len(rows) != 1:
            return row
        got = rows[0]
        where = solver.unproject(row[None], np.concatenate([got.low, got.high]), found.size)[0][:, 1]
        ratio = float(np.median(where[len(got.low) :] - where[: len(got.low)]) / field.hash_tick)
        if not np.isfinite(ratio) or abs(ratio - 1) < RESCALE:
            return row
        row = _stretched(row, got.y, ratio, fit, found)
    return row


def _stretched(row: Array, y: float, ratio: float, fit: Fit, found: Marks) -> Array:
    """The camera (8,) nearest to one whose field is ratio times too long across, measured from y."""
    px = found.dense_px[found.field > 0.5]
    g = solver.unproject(row[None], px, found.size)[0]
    ok = np.isfinite(g).all(1)
    px, g = px[ok][::4], g[ok][::4]
    if len(px) < PAINT_MIN:
        return row
    target = np.stack([g[:, 0], y + (g[:, 1] - y) / ratio], 1)[None]
    known, sd = start.prior(fit.view, fields.load(fit.level)), np.full((len(px), 2), STRETCH_SD_YD)
    rows = row[None]
    for _ in range(3):
        normal = solve.point_normals(rows, target, sd, np.ones((1, len(px))), found.size)
        rows, _ = solver.refine(rows, solver.Sightings(px, target, normal), known, found.size, steps=8)
    return rows[0]
