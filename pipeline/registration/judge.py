"""How far to trust a fit: its error in yards, the doubts about it, and the record that comes of it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.field import Field
from pipeline.records import Registration
from pipeline.registration import numbers, paint, solve, solver, start
from pipeline.registration.marks import Marks
from pipeline.registration.solve import Observed

Array = NDArray[np.float64]

OK_INLIERS = 0.6
OK_MISSING = 0.55
OK_RESIDUAL_PX = 2.6  # of a 1280-wide picture
OK_ERROR_YD = 1.2
FLOOR_YD = 0.1  # the crown of the ground and worn paint, which no residual shows
ESTIMATED = "estimated error"
SCORE_TEMPER = 0.8  # scores overstate: points of one mark err together
# Levels that look alike put the field elsewhere sideways and nothing else: where this much speaks for the best, it is
# used, and the estimate says what the others would make of it.
LIKELY = 0.85
# Lines off by more than this (of a 1280-wide picture) hint at a domed field or another level, which the fit bends to:
# the error added per px beyond was read off rendered stills.
SMOOTH_PX, ROUGH_YD_PER_PX = 0.3, 0.65
BARS_YD = 0.2  # bars across the five-yard lines stand anywhere on the two feet of a tick
BESIDE_YD = 12.0  # 34 end-zone cameras measured stood within 3.1 yd of the field's middle
ONE_ROW_FACTOR = 2.0  # measured on rendered film
# Where no hash ticks bear a fit out its own covariance is far too sure (measured on rendered stills of unseen looks:
# 90th percentile of error over estimate 13 in 16 stills, under 2 where ticks were found).
NO_TICKS_FACTOR, NO_PAINT_FACTOR = 5.0, 8.0
# Four rows or more (hash rows, sidelines, numbers) that lie where one rulebook puts them bear each other out.
MANY_ROWS, MANY_ROWS_RELIEF = 4, 0.4
MOST_ALTERNATIVES = 4
LOOK_ALIKE = ("high_school", "canadian")  # rows 17.8 and 17.0 yd apart
LOOK_ALIKE_TRUST = 0.5  # how far the scores of these two are believed against each other
PLAIN_LINES = 4  # yard lines that, with a second row of anything, make a picture from the side plain
ONE_ROW_SURE = 0.89  # and it never tells the level (short of records.LEVEL_SURE), over however many frames
ONE_ROW_MARGIN = 4.0  # most that one row's reading at a level may say against the same row at another (log evidence)


@dataclass(frozen=True)
class Fit:
    """One camera fitted for one level and view."""

    row: Array
    level: str
    view: str
    cost: float
    seen: Observed
    quality: solve.Quality
    painted: int = 0
    log_prior: float = 0.0  # of its level and its reading of the hash rows
    rows: str = "both"  # which hash rows it takes what was seen for: both, near, far
    tick_rows: int = 0  # rows of hash ticks measured in the full picture
    tick_ends: bool = False  # their ends measured too: they give the scale across the field
    rows_without_ticks: int = 0  # rows of which the full picture ought to show ticks and shows none
    bars: bool = False  # of these some found as bars across the five-yard lines
    lit: float = float("nan")  # share of the looks across predicted yard lines that met paint


@dataclass(frozen=True)
class Reading:
    """A level's fit with what was read of the numbers; score: log evidence, to compare levels."""

    fit: Fit
    readings: numbers.Readings
    place: numbers.Place
    score: float


def apart(a: Array, b: Array, found: Marks) -> float:
    """Median distance in yards between two cameras' readings of the field part of the picture."""
    px = found.dense_px[found.field > 0.5]
    if not len(px):
        return float("inf")
    g = solver.unproject(np.stack([a, b]), px, found.size)
    return float(np.nanmedian(np.linalg.norm(g[0] - g[1], axis=-1)))


def error_of(fit: Fit, found: Marks, field: Field) -> float:
    """Estimated typical error in yards between the numbers rows of the picture: see :func:`error_at`."""
    px = found.dense_px[found.field > 0.5]
    return error_at(fit.row, fit.seen, start.prior(fit.view, field), px, field, found.size)


def error_at(
    row: Array, seen: Observed, known: solver.Prior, px: Array, field: Field, size: tuple[int, int]
) -> float:  # fmt: skip
    """Typical error in yards of a camera (8,) fitted to seen, at px (N, 2): root of the median variance.

    Covariance of the fit (residuals scaled to what they are) carried to the ground (propagation of errors).
    """
    sightings, _ = solve.assign(row[None], seen, size)
    cov = solver.covariance(row, sightings, known, size)
    r, _ = solver.residuals(row[None], sightings, known, size)
    size2 = (r[0] ** 2).sum(-1)
    weight = np.minimum(1, solver.CAUCHY**2 / (size2 + 1e-9)) * seen.weight
    scale = max(1.0, float((size2 * np.minimum(1, solver.CAUCHY**2 / (size2 + 1e-9))).sum() / max(weight.sum(), 1.0)))
    rows = np.repeat(row[None], 9, 0)
    rows[1:] += np.diag(solver.STEPS)
    g = solver.unproject(rows, px, size)
    inside = np.isfinite(g).all((0, 2)) & (g[0, :, 1] > 8) & (g[0, :, 1] < field.width - 8)
    if inside.sum() < 4:
        return float("inf")
    jac = (g[1:, inside] - g[:1, inside]) / solver.STEPS[:, None, None]
    var = np.einsum("ank,ab,bnk->n", jac, cov, jac) * scale
    return float(np.sqrt(np.median(var)))


def apart_mod_5(a: Array, b: Array, found: Marks) -> float:
    """The same as :func:`apart`, a shift by a multiple of 5 yd along the field taken out."""
    px = found.dense_px[found.field > 0.5]
    if not len(px):
        return float("inf")
    g = solver.unproject(np.stack([a, b]), px, found.size)
    d = g[1] - g[0]
    d[:, 0] -= 5 * np.round(np.nanmedian(d[:, 0]) / 5)
    return float(np.nanmedian(np.linalg.norm(d, axis=1)))


def doubt_yd(scores: list[float], apart_yd: list[float], temper: float = SCORE_TEMPER) -> float:
    """Root mean square of how far the other readings lie from the best one (the first), by their probability."""
    w = np.array(scores) * temper
    p = np.exp(w - w.max())
    p /= p.sum()
    return float(np.sqrt((p * np.square(np.nan_to_num(apart_yd, nan=10.0, posinf=10.0))).sum()))


def near_probability(scores: Sequence[float], apart_yd: Sequence[float], temper: float = SCORE_TEMPER) -> float:
    """Probability that the best reading (the first) or one that lies within OK_ERROR_YD of it is right."""
    w = np.array(scores) * temper
    p = np.exp(w - w.max())
    return float(p[np.nan_to_num(np.array(apart_yd), nan=99.0) < OK_ERROR_YD].sum() / p.sum())


def not_certain(level: str, others: Iterable[str]) -> str:
    """The reason where levels cannot be told apart."""
    return f"field level not certain: {level} or {' or '.join(others)} (--field tells it)"


def level_probability(levels: Sequence[str], scores: Sequence[float], best: str, temper: float = SCORE_TEMPER) -> float:
    """Probability of a level among readings, by their scores (log evidence)."""
    w = np.array(scores) * temper
    p = np.exp(w - w.max())
    return float(p[np.array(levels) == best].sum() / p.sum())


def one_row(fit: Fit) -> bool:
    """True where a single row of hash marks is all that tells the place across the field."""
    plain = fit.view == "sideline" and fit.quality.rows > 1 and fit.quality.yard_lines >= PLAIN_LINES
    return fit.rows in ("near", "far") and not plain


def humbled(readings: list[Reading]) -> list[Reading]:
    """Readings (best first) with scores no farther apart than their evidence bears.

    A single row of hash marks, by itself, tells levels apart only by where such cameras usually stand.
    """
    best = readings[0]
    if best.fit.level in LOOK_ALIKE:
        readings = [
            replace(r, score=best.score - LOOK_ALIKE_TRUST * (best.score - r.score))
            if r.fit.level in LOOK_ALIKE and r.fit.level != best.fit.level else r
            for r in readings
        ]  # fmt: skip
        readings = sorted(readings, key=lambda r: -r.score)
    if not one_row(best.fit):
        return readings
    return [
        replace(r, score=max(r.score, best.score - ONE_ROW_MARGIN))
        if r.fit.level != best.fit.level and r.fit.rows == best.fit.rows else r
        for r in readings
    ]  # fmt: skip


def alternative(reading: Reading, best: Reading, found: Marks) -> dict[str, Any]:
    """One way to read the picture, as evidence: level, rows, score, camera, its own error and doubts."""
    fit, place = reading.fit, reading.place
    field = fields.load(fit.level)
    error = float(np.hypot(error_of(fit, found, field), FLOOR_YD))
    if fit.quality.rows < 2 and not fit.tick_ends:  # one row gives the place, the priors the scale across the field
        error *= ONE_ROW_FACTOR
    if not fit.tick_rows and fit.view == "sideline":
        error *= NO_TICKS_FACTOR if fit.painted else NO_PAINT_FACTOR
        error *= MANY_ROWS_RELIEF if fit.quality.rows >= MANY_ROWS else 1.0
    if fit.bars:
        error = float(np.hypot(error, BARS_YD))
    rough = fit.quality.residual_px * 1280 / found.size[0] - SMOOTH_PX
    if np.isfinite(rough) and rough > 0:
        error = float(np.hypot(error, ROUGH_YD_PER_PX * rough))
    shift, probability = place.best()
    row = fit.row.copy()
    row[4] += shift
    return {
        "view": fit.view, "level": fit.level, "rows": fit.rows, "score": round(reading.score, 3),
        "camera": solver.camera_of(row, found.size),
        "apart_yd": apart_mod_5(best.fit.row, fit.row, found) if reading is not best else 0.0,
        "fit_error_yd": error,
        "fit_reason": beside(fit) or reason_against(fit.quality, error, found.size[0] / 1280, fit.tick_rows),
        "quality": fit.quality.__dict__, "painted_points": fit.painted, "cost": fit.cost,
        "tick_rows": fit.tick_rows, "tick_ends": fit.tick_ends, "lit": fit.lit,
        "shift": shift, "shift_probability": probability, "witnessed": place.witnessed,
        "shifts": (place.shifts + 0.0).tolist(), "shift_log_weight": place.log_weight.tolist(),
        "numbers": numbers.said(reading.readings, shift),
    }  # fmt: skip


def report(readings: list[Reading], found: Marks, evidence: dict[str, Any]) -> Registration:
    """The registration of a picture from its readings, best first."""
    readings = humbled(readings)
    best = readings[0]
    fit, q = best.fit, best.fit.quality
    ways = [alternative(r, best, found) for r in readings[:MOST_ALTERNATIVES]]
    first = ways[0]
    level_doubt = doubt_yd([w["score"] for w in ways], [w["apart_yd"] for w in ways])
    error = float(np.hypot(first["fit_error_yd"], level_doubt))
    open_level = one_row(fit) and len({r.fit.level for r in readings}) > 1
    evidence.update(
        {k: first[k] for k in ("quality", "painted_points", "cost", "shift_probability", "shifts", "shift_log_weight",
                               "shift", "numbers")},
        alternatives=ways, follow=_to_follow(fit, found, ways), level_doubt_yd=level_doubt,
        level_probability=min(
            level_probability([w["level"] for w in ways], [w["score"] for w in ways], fit.level),
            ONE_ROW_SURE if open_level else 1.0,
        ),
        one_row=open_level,
        best_guess=first["camera"],
    )  # fmt: skip
    reason = beside(fit) or reason_against(q, error, found.size[0] / 1280, fit.tick_rows)
    if reason.startswith(ESTIMATED) and first["fit_error_yd"] < OK_ERROR_YD:
        others = sorted({w["level"] for w in ways if w["apart_yd"] > OK_ERROR_YD} - {fit.level})
        if near_probability([w["score"] for w in ways], [w["apart_yd"] for w in ways]) >= LIKELY:
            reason = ""
        elif others:
            reason = not_certain(fit.level, others)
    known = bool(first["shift_probability"] > numbers.KNOWN and first["witnessed"])
    if reason:
        return Registration("abstained", None, fit.view, fit.level, known, q.residual_px, error, reason, evidence)
    return Registration("ok", first["camera"], fit.view, fit.level, known, q.residual_px, error, "", evidence)


def _to_follow(fit: Fit, found: Marks, ways: list[dict[str, Any]]) -> dict[str, Any]:
    """What the next frames of the shot need to go by the paint alone (pipeline.registration.follow)."""
    field = fields.load(fit.level)
    edges = [n for n in ("near_sideline", "far_sideline") if len(found.ridge[n]) >= paint.EDGE_POINTS]
    return {
        "lit": fit.lit, "edges": edges, "number_rows": numbers.number_rows(fit.row, field, found), "read": 1,
        "anchors": fit.tick_rows + len(edges) >= 1 and fit.painted > 0, "ticks": fit.tick_rows > 0,
    }  # fmt: skip


def beside(fit: Fit) -> str:
    """Why an end-zone fit is not believed that puts its camera far beside the field's middle; '' where it does not, or
    where both rows of ticks bear it out."""
    off = abs(float(fit.row[5]) - fields.load(fit.level).width / 2)
    if fit.view == "endzone" and fit.tick_rows < 2 and off > BESIDE_YD:
        return f"the camera would stand {off:.0f} yd beside the field's middle"
    return ""


def reason_against(q: solve.Quality, error: float, unit: float, tick_rows: int = 0) -> str:
    """Why a fit is not good enough to use; '' where it is. unit: px scale of the picture; tick_rows: rows of hash
    ticks found where the fit puts them."""
    if q.yard_lines < 2:
        return "fewer than two yard lines"
    if q.rows < 1:
        return "no hash row or sideline found"
    if q.numbers_off >= 2 and q.numbers_off > q.numbers / 2 and not tick_rows:
        return "numbers stand where this view has none"
    if q.inliers < OK_INLIERS:
        return f"only {q.inliers:.0%} of the marks fit"
    if q.missing > OK_MISSING:
        return "predicted yard lines are not in the picture"
    if q.residual_px > OK_RESIDUAL_PX * unit:
        return f"lines off by {q.residual_px:.1f} px"
    if not error < OK_ERROR_YD:
        return f"{ESTIMATED} {error:.1f} yd"
    return ""
