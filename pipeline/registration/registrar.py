"""Registers one picture: marks, fit, paint, numbers, and how far to trust the result."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline import models
from pipeline.camera import Camera
from pipeline.errors import ShapeError, UsageError
from pipeline.field import Field
from pipeline.records import VIEWS, People, Registration
from pipeline.registration import hash_rows, numbers, paint, solve, solver, start, start_lines
from pipeline.registration import marks as marks_stage
from pipeline.registration.marks import Marks
from pipeline.registration.solve import Observed

Array = NDArray[np.float64]

MIN_FIELD = 0.08  # share of the picture that must be field
MIN_POINTS = 40
GOOD_INLIERS, GOOD_MISSING = 0.8, 0.3  # a fit this good ends the search for starts
OK_INLIERS = 0.6
OK_MISSING = 0.55
OK_RESIDUAL_PX = 2.6  # of a 1280-wide picture
OK_ERROR_YD = 1.2
FLOOR_YD = 0.1  # the crown of the ground and worn paint, which no residual shows
PAINT_MIN = 40  # paint points needed to believe the paint
PAINT_COST = 1.8  # how much worse the network's points may fit after the paint
PAINT_APART_YD = 1.5  # how far paint may move the fit
MARKS_WITH_PAINT = 0.25  # weight the network's own points keep beside paint
LEVEL_DOUBT = 0.02
LEVEL_WORTH_TRYING = 0.04  # probability the network gives it
LEVEL_MARGIN = 60.0  # a level's fit worse by more (log evidence) is not looked at further
SCORE_TEMPER = 0.6  # scores overstate: points of one mark err together
DEFAULT_BONUS = 0.5  # for the default level, where nothing else tells
DEFAULT_LEVEL = "professional"


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


def _size(image_bgr: NDArray[np.uint8]) -> tuple[int, int]:
    if image_bgr.ndim != 3 or image_bgr.shape[2] != 3 or image_bgr.dtype != np.uint8:
        raise ShapeError(f"register: expected a (H, W, 3) uint8 picture, got {image_bgr.shape} {image_bgr.dtype}.")
    return image_bgr.shape[1], image_bgr.shape[0]


class Registrar:
    """Registers single pictures. level, view: None to tell them from the picture.

    Raises UsageError for an unknown level or view, ModelError when the networks are not there.
    """

    def __init__(
        self, level: str | None = None, view: str | None = None, *, model_dir: Path | None = None, threads: int = 2,
        marks_network: models.Network | None = None, numbers_network: models.Network | None = None,
    ) -> None:  # fmt: skip
        if view is not None and view not in VIEWS:
            raise UsageError(f"Unknown view {view!r}.", hint=f"Choose one of: {', '.join(VIEWS)}.")
        self.level, self.view = level, view
        if level is not None:
            fields.load(level)
        self._marks = marks_network or models.load("marks", model_dir, threads=threads)
        self._numbers = numbers_network or models.load("numbers", model_dir, threads=threads)

    def register(
        self, image_bgr: NDArray[np.uint8], people: People | None = None, hint: Camera | None = None
    ) -> Registration:
        """Register one picture. people: masks their boxes; hint: a camera of a moment before."""
        size = _size(image_bgr)
        found = marks_stage.see(self._marks, image_bgr)
        boxes = people.box_px.astype(float) if people is not None and len(people) else None
        return self.from_marks(image_bgr, found, boxes, _hint_row(hint, size))

    def from_marks(
        self, image_bgr: NDArray[np.uint8], found: Marks, boxes: Array | None = None, hint: Array | None = None
    ) -> Registration:
        """The same when the network has run already. boxes (N, 4) px of people; hint (8,) camera."""
        view = self.view or max(found.view, key=lambda k: found.view[k])
        told = self.level or max(found.level, key=lambda k: found.level[k])
        evidence: dict[str, Any] = {"view": found.view, "level": found.level, "field_share": found.field_share}
        if found.field_share < MIN_FIELD:
            return Registration("failed", None, view, told, reason="no field in the picture", evidence=evidence)
        if sum(len(p) for p in found.ridge.values()) < MIN_POINTS:
            return Registration("failed", None, view, told, reason="no lines of the field found", evidence=evidence)
        fits = self._fits(found, view, hint)
        if not fits:
            return Registration(
                "failed", None, view, told, reason="the lines found fit no view of the field", evidence=evidence
            )
        best = self._tell_level(fits, image_bgr, found, boxes)
        evidence["level_scores"] = [(r.fit.level, round(r.score, 2)) for r in best]
        evidence["level_doubt_yd"] = _level_doubt_yd(best, found)
        return _report(best[0].fit, found, best[0].place, best[0].readings, evidence)

    def _fits(self, found: Marks, view: str, hint: Array | None) -> list[Fit]:
        """Fits of every level worth trying, best first."""
        if self.level is not None:
            levels = [self.level]
        else:
            order = sorted(found.level, key=lambda k: -found.level[k])
            levels = [n for i, n in enumerate(order) if i == 0 or found.level[n] > LEVEL_WORTH_TRYING]
        fits = []
        for marks, log_chance in hash_rows.variants(found, view):
            for level in levels:
                fit = _fit_level(marks, fields.load(level), view, hint)
                if fit is not None:
                    doubt = log_chance + np.log(found.level[level] + LEVEL_DOUBT)
                    fits.append(replace(fit, log_prior=float(doubt)))
        return sorted(fits, key=lambda f: f.cost / 2 - f.log_prior)

    def _tell_level(
        self, fits: list[Fit], image_bgr: NDArray[np.uint8], found: Marks, boxes: Array | None
    ) -> list[Reading]:
        """Refine and read each level's fit; the level whose marks and numbers fit best comes first."""
        grey = paint.grey_of(image_bgr)
        results = []
        worth = fits[0].cost / 2 + LEVEL_MARGIN
        for fit in fits:
            if fit is not fits[0] and fit.cost / 2 > worth:
                continue
            new = _painted(fit, grey, found, boxes)
            field = fields.load(new.level)
            rows_y = numbers.number_rows(new.row, field, found)
            readings = numbers.read(self._numbers, image_bgr, new.row, field, boxes, rows_y)
            place = numbers.locate(new.row, found, readings, field, new.view)
            score = float(place.log_weight.max()) - fit.cost / 2 + fit.log_prior
            if fit.level == DEFAULT_LEVEL:
                score += DEFAULT_BONUS
            results.append(Reading(new, readings, place, float(score)))
        return sorted(results, key=lambda r: -r.score)


@dataclass(frozen=True)
class Reading:
    """A level's fit with what was read of the numbers; score: log evidence, to compare levels."""

    fit: Fit
    readings: numbers.Readings
    place: numbers.Place
    score: float


def _level_doubt_yd(readings: list[Reading], found: Marks) -> float:
    """Root mean square of how far the other levels' cameras lie from the best one, by their probability."""
    scores = np.array([r.score for r in readings]) * SCORE_TEMPER
    p = np.exp(scores - scores.max())
    p /= p.sum()
    apart = [0.0]
    for r in readings[1:]:
        row = r.fit.row.copy()
        g = [
            solver.unproject(v[None], found.dense_px[found.field > 0.5], found.size)[0]
            for v in (readings[0].fit.row, row)
        ]
        d = g[1] - g[0]
        d[:, 0] -= 5 * np.round(np.nanmedian(d[:, 0]) / 5)
        apart.append(float(np.nanmedian(np.linalg.norm(d, axis=1))))
    return float(np.sqrt((p * np.square(np.nan_to_num(apart, nan=10.0))).sum()))


def _hint_row(hint: Camera | None, size: tuple[int, int]) -> Array | None:
    if hint is None:
        return None
    return solver.row_of(hint.scaled(*size) if (hint.width_px, hint.height_px) != size else hint)


def _fit_level(found: Marks, field: Field, view: str, hint: Array | None) -> Fit | None:
    """The best camera for one level, or None where there is no start.

    Cheap starts first: the hint, the dense answers, whole lines; the first good fit is taken.
    """
    seen = solve.of_marks(found, field)
    known = start.prior(view, field)
    sources = [
        lambda: hint[None] if hint is not None else np.zeros((0, 8)),
        lambda: start.from_dense(found, field, view)[0],
        lambda: start_lines.from_lines(found, field, view),
    ]
    best: Fit | None = None
    for i, source in enumerate(sources):
        rows = source()
        if not len(rows):
            continue
        if i > 0:
            rows = _on_rows(rows, seen, found.size)
        rows, cost = solve.fit(rows, seen, known, found.size, rounds=2 if i == 0 else 4, wide=i > 0)
        k = int(np.argmin(cost))
        if not np.isfinite(cost[k]):
            continue
        if best is None or cost[k] < best.cost:
            q = solve.quality(rows[k], seen, found, field)
            best = Fit(rows[k], field.level, view, float(cost[k]), seen, q)
        if _good(best.quality, found.size):
            break
    return best


def _on_rows(rows: Array, seen: Observed, size: tuple[int, int]) -> Array:
    """Rough cameras moved across the field so that the rows seen lie where they belong."""
    out = rows.copy()
    line = seen.along == 1
    if line.sum() < 6:
        return out
    y = solver.unproject(rows, seen.px[line], size)[..., 1]
    off = np.nanmedian(seen.value[line] - y, axis=1)
    out[:, 5] += np.where(np.abs(off) > 1.0, np.nan_to_num(off), 0.0)
    return out


def _good(q: solve.Quality, size: tuple[int, int]) -> bool:
    """Good enough not to look for a better start."""
    return (
        q.inliers > GOOD_INLIERS and q.missing < GOOD_MISSING and q.yard_lines >= 2 and q.rows >= 1
        and q.residual_px < 2.0 * size[0] / 1280
    )  # fmt: skip


def _painted(fit: Fit, grey: NDArray[np.float32], found: Marks, boxes: Array | None) -> Fit:
    """Refine a fit on the paint of the picture; the fit itself where too little paint is found."""
    field, known = fields.load(fit.level), start.prior(fit.view, fields.load(fit.level))
    row, count = fit.row, 0
    reach = float(np.clip(4 + 3 * fit.quality.residual_px * 1280 / found.size[0], 6, 12))
    for r in (reach, 5.0):
        seen = paint.observe(grey, row, found, field, boxes, r)
        if len(seen) < PAINT_MIN:
            return fit
        both = Observed.join([seen, replace(fit.seen, weight=fit.seen.weight * MARKS_WITH_PAINT)])
        new, _ = solve.fit(row[None], both, known, found.size, rounds=1, steps=5)
        row, count = new[0], len(seen)
    # Paint must not lead away from what the network saw.
    before, after = (_marks_cost(r, fit, found) for r in (fit.row, row))
    if after > before * PAINT_COST + 20 or _apart(row, fit.row, found) > PAINT_APART_YD:
        return fit
    q = solve.quality(row, seen, found, field)
    kept = replace(fit.quality, residual_px=q.residual_px, points=q.points)
    return replace(fit, row=row, seen=both, quality=kept, painted=count)


def _marks_cost(row: Array, fit: Fit, found: Marks) -> float:
    """Robust cost of the network's own points under a camera."""
    return float(
        solve.fit(row[None], fit.seen, start.prior(fit.view, fields.load(fit.level)), found.size, rounds=0)[1][0]
    )


def _apart(a: Array, b: Array, found: Marks) -> float:
    """Median distance in yards between two cameras' readings of the field part of the picture."""
    px = found.dense_px[found.field > 0.5]
    if not len(px):
        return float("inf")
    g = solver.unproject(np.stack([a, b]), px, found.size)
    return float(np.nanmedian(np.linalg.norm(g[0] - g[1], axis=-1)))


def error_of(fit: Fit, found: Marks, field: Field) -> float:
    """Estimated typical error in yards between the numbers rows of the picture: root of the mean variance.

    Covariance of the fit (residuals scaled to what they are) carried to the ground (propagation of errors).
    """
    known = start.prior(fit.view, field)
    sightings, _ = solve.assign(fit.row[None], fit.seen, found.size)
    cov = solver.covariance(fit.row, sightings, known, found.size)
    r, _ = solver.residuals(fit.row[None], sightings, known, found.size)
    size2 = (r[0] ** 2).sum(-1)
    weight = np.minimum(1, solver.CAUCHY**2 / (size2 + 1e-9)) * fit.seen.weight
    scale = max(1.0, float((size2 * np.minimum(1, solver.CAUCHY**2 / (size2 + 1e-9))).sum() / max(weight.sum(), 1.0)))
    px = found.dense_px[found.field > 0.5]
    rows = np.repeat(fit.row[None], 9, 0)
    rows[1:] += np.diag(solver.STEPS)
    g = solver.unproject(rows, px, found.size)
    inside = np.isfinite(g).all((0, 2)) & (g[0, :, 1] > 8) & (g[0, :, 1] < field.width - 8)
    if inside.sum() < 4:
        return float("inf")
    jac = (g[1:, inside] - g[:1, inside]) / solver.STEPS[:, None, None]
    var = np.einsum("ank,ab,bnk->n", jac, cov, jac) * scale
    return float(np.sqrt(np.median(var)))


def _report(
    fit: Fit, found: Marks, place: numbers.Place, readings: numbers.Readings, evidence: dict[str, Any]
) -> Registration:
    field = fields.load(fit.level)
    shift, probability = place.best()
    error = float(np.hypot(np.hypot(error_of(fit, found, field), FLOOR_YD), evidence.get("level_doubt_yd", 0.0)))
    q = fit.quality
    unit = found.size[0] / 1280
    row = fit.row.copy()
    row[4] += shift
    camera = solver.camera_of(row, found.size)
    evidence.update(
        quality=q.__dict__, painted_points=fit.painted, cost=fit.cost, shift_probability=probability,
        shifts=(place.shifts + 0.0).tolist(), shift_log_weight=place.log_weight.tolist(), shift=shift,
        numbers=[(float(x + shift), bool(f), int(t.argmax()), float(t.max()), int(a.argmax()))
                 for x, f, t, a in zip(readings.x, readings.far, readings.tens, readings.arrow, strict=True)],
    )  # fmt: skip
    reason = _doubt(q, error, unit)
    evidence["best_guess"] = camera
    known = bool(probability > numbers.KNOWN and place.witnessed)
    if reason:
        return Registration("abstained", None, fit.view, fit.level, known, q.residual_px, error, reason, evidence)
    return Registration("ok", camera, fit.view, fit.level, known, q.residual_px, error, "", evidence)


def _doubt(q: solve.Quality, error: float, unit: float) -> str:
    """Why a fit is not good enough to use; '' where it is."""
    if q.yard_lines < 2:
        return "fewer than two yard lines"
    if q.rows < 1:
        return "no hash row or sideline found"
    if q.inliers < OK_INLIERS:
        return f"only {q.inliers:.0%} of the marks fit"
    if q.missing > OK_MISSING:
        return "predicted yard lines are not in the picture"
    if q.residual_px > OK_RESIDUAL_PX * unit:
        return f"lines off by {q.residual_px:.1f} px"
    if not error < OK_ERROR_YD:
        return f"estimated error {error:.1f} yd"
    return ""
