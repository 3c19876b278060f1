"""Registers one picture: marks, fit, paint, numbers, and how far to trust the result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
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
from pipeline.registration import follow, hash_rows, numbers, on_paint, profiles, solve, solver, start, start_lines
from pipeline.registration import marks as marks_stage
from pipeline.registration.judge import LOOK_ALIKE, Fit, Reading, report
from pipeline.registration.marks import Marks
from pipeline.registration.solve import Observed

Array = NDArray[np.float64]
Starts = dict[tuple[str, ...], Array]  # first guesses (B, 8) worked out for a picture, by way, view and width of field

MIN_FIELD = 0.08  # share of the picture that must be field
MIN_POINTS = 40
GOOD_INLIERS, GOOD_MISSING = 0.8, 0.3  # a fit this good ends the search for starts
LEVEL_DOUBT = 0.02
LEVEL_WORTH_TRYING = 0.04  # probability the network gives it
ROUGH_PX = 0.8  # lines off by more, of a 1280-wide picture: levels that were passed over are tried after all
ALIKE_WORTH_TRYING = 0.005
LEND_COST = 1.0  # log evidence; a level's fit worse by more than another's is tried from that one's camera
LEVEL_TRUST = 0.7  # how far to believe it: it knows rendered film only
VIEW_WORTH_TRYING = 0.1
LEVEL_MARGIN = 60.0  # a level's fit worse by more (log evidence) is not looked at further
NO_TICKS = 5.0  # against a reading that puts a hash row where the full picture shows no ticks (log evidence)
NO_PAINT = 5.0  # against one that finds no paint where it puts the yard lines
TICKS = 4.0  # for a row of ticks found in the full picture where a reading puts it
USUAL_COST = 20.0  # log evidence against the best fit beyond which costs are believed less (by eye of rendered stills)
# How far end-zone cameras stand from the field's middle, (share, sd in yards): 34 measured within -2.5 .. 3.1 yd; one
# in ten anywhere else (no source).
BEHIND_POSTS = ((0.9, 1.8), (0.1, 5.0))
# How often film is of a level, for where nothing else tells: the mix of models.training.test_set (no source).
USUAL = {"professional": 0.35, "college": 0.3, "high_school": 0.25, "canadian": 0.1}


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
        self, image_bgr: NDArray[np.uint8], people: People | None = None, hint: Camera | Registration | None = None
    ) -> Registration:
        """Register one picture. people: masks their boxes; hint: a camera of a moment before, or the registration of
        a moment before (of the same shot, its camera carried on the film's motion): then, where it is sure enough, the
        paint alone gives the camera and no network looks at the field."""
        size = _size(image_bgr)
        boxes = people.box_px.astype(float) if people is not None and len(people) else None
        if isinstance(hint, Registration):
            last = follow.last_of(hint, size)
            followed = follow.follow(image_bgr, last, boxes, self._numbers) if last is not None else None
            if followed is not None:
                return followed
            hint = hint.camera
        found = marks_stage.see(self._marks, image_bgr)
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
        starts: Starts = {}
        fits = self._fits(found, view, hint, starts)
        if not fits:
            return Registration(
                "failed", None, view, told, reason="the lines found fit no view of the field", evidence=evidence
            )
        best = self._tell_level(fits, image_bgr, found, boxes)
        if self.level is None and best[0].fit.quality.residual_px > ROUGH_PX * found.size[0] / 1280:
            others = [n for n in fields.LEVELS if n not in {f.level for f in fits}]
            more = _fits_of(found, best[0].fit.view, others, hint, starts, told=False) if others else []
            if more:  # what was passed over may be what it is
                best = self._tell_level(sorted([*fits, *more], key=_rank), image_bgr, found, boxes)
        return report(best, found, evidence)

    def _fits(self, found: Marks, view: str, hint: Array | None, starts: Starts) -> list[Fit]:
        """Fits of every view and level worth trying, best first. What the network rules out is tried last."""
        views = [view]
        if self.view is None:
            views += [v for v in VIEWS if v != view and found.view[v] > VIEW_WORTH_TRYING]
        order = [self.level] if self.level else sorted(found.level, key=lambda k: -found.level[k])
        likely = [n for i, n in enumerate(order) if i == 0 or found.level[n] > LEVEL_WORTH_TRYING]
        # Where one of two that look alike is tried, so is the other, unless the network is sure.
        alike = [n for n in order if n in LOOK_ALIKE and n not in likely and found.level[n] > ALIKE_WORTH_TRYING]
        likely += [n for n in alike if any(m in LOOK_ALIKE for m in likely)]
        fits: list[Fit] = []
        for levels in (likely, [n for n in order if n not in likely]):
            if any(_good(f.quality, found.size) for f in fits):
                break
            for v in views:
                fits += _fits_of(found, v, levels, hint, starts, told=self.level is not None)
        return sorted(fits, key=_rank)

    def _tell_level(
        self, fits: list[Fit], image_bgr: NDArray[np.uint8], found: Marks, boxes: Array | None
    ) -> list[Reading]:
        """Refine and read each level's fit; the level whose marks and numbers fit best comes first."""
        grey = profiles.grey_of(image_bgr)
        worth = fits[0].cost / 2 + max(LEVEL_MARGIN, fits[0].cost / 2)  # where none fits well, more are looked at
        tried = [fits[0], *(f for f in fits[1:] if f.cost / 2 <= worth)]
        refined = [on_paint.refine(f, grey, found, boxes) for f in tried]
        results = []
        for fit, new in zip(tried, refined, strict=True):
            alike = [f for f in refined if (f.view, f.rows) == (new.view, new.rows)]
            best = max(alike, key=_held)
            if _held(new) < _held(best) - LEND_COST:
                row = _moved(best.row, best.level, new.level, new.rows)
                new = max(new, on_paint.refine(replace(fit, row=row), grey, found, boxes), key=_held)
            field = fields.load(new.level)
            rows_y = numbers.number_rows(new.row, field, found)
            readings = numbers.read(self._numbers, image_bgr, new.row, field, boxes, rows_y)
            place = numbers.locate(new.row, found, readings, field, new.view)
            results.append((new, readings, place))
        # Where nothing fits well (a domed field, a lens unlike others), differences of cost say less.
        trust = min(1.0, USUAL_COST / max(min(f.cost / 2 for f, _, _ in results), 1e-6))
        scored = [Reading(f, r, p, _score(f, p, trust)) for f, r, p in results]
        return sorted(scored, key=lambda r: -r.score)


def _score(fit: Fit, place: numbers.Place, trust: float) -> float:
    """Log evidence of a level's fit and what was read of its numbers; trust: how far its cost is believed, 0..1."""
    score = float(place.log_weight.max()) + fit.log_prior + _held(fit) + (1 - trust) * fit.cost / 2
    if fit.view == "endzone":  # such cameras stand behind the posts: tails wider than the Gaussian of the fit's prior
        off = float(fit.row[5]) - fields.load(fit.level).width / 2
        sd = float(start.prior(fit.view, fields.load(fit.level)).sd[5])
        behind = [np.log(share / s) - 0.5 * (off / s) ** 2 for share, s in BEHIND_POSTS]
        score += trust * 0.5 * (off / sd) ** 2 + float(np.logaddexp(*behind))
    return score + float(np.log(USUAL[fit.level]))


def _held(fit: Fit) -> float:
    """Log evidence of a fit from its marks and the ticks of the full picture."""
    none = 0.0 if fit.painted else NO_PAINT
    return TICKS * fit.tick_rows - NO_TICKS * fit.rows_without_ticks - none - fit.cost / 2


def _rank(fit: Fit) -> float:
    """What fits are sorted by, best first: minus their log evidence."""
    return fit.cost / 2 - fit.log_prior


def _fits_of(
    found: Marks, view: str, levels: list[str], hint: Array | None, starts: Starts, told: bool
) -> list[Fit]:  # fmt: skip
    """Fits of some levels under every reading of the hash rows; told: the level is known."""
    fits = []
    for marks, rows, log_chance in hash_rows.variants(found, view):
        for fit in _lent([_fit_level(marks, fields.load(n), view, hint, rows, starts) for n in levels], marks, rows):
            doubt = 0.0 if told else LEVEL_TRUST * np.log(found.level[fit.level] + LEVEL_DOUBT)
            doubt += np.log(found.view[view] + LEVEL_DOUBT)
            fits.append(replace(fit, log_prior=float(log_chance + doubt), rows=rows))
    return fits


def _moved(row: Array, level: str, to: str, rows: str) -> Array:
    """A camera (8,) of one level moved across the field so that what it takes for the hash rows named lies where
    another level has it: a single row of ticks looks the same in all of them."""
    a, b, out = fields.load(level), fields.load(to), row.copy()
    out[5] += {"near": b.hash_rows[0] - a.hash_rows[0], "far": b.hash_rows[1] - a.hash_rows[1]}.get(
        rows, (b.width - a.width) / 2
    )
    return out


def _lent(found: list[Fit | None], marks: Marks, rows: str) -> list[Fit]:
    """Fits of several levels to one reading, each tried from the camera of the best one too: a level must not lose
    because its own start led nowhere."""
    fits = [f for f in found if f is not None]
    if len(fits) < 2:
        return fits
    best = min(fits, key=lambda f: f.cost)
    out = []
    for f in fits:
        if f.cost > best.cost + 2 * LEND_COST:
            field, row = fields.load(f.level), _moved(best.row, best.level, f.level, rows)
            got, cost = solve.fit(row[None], f.seen, start.prior(f.view, field), marks.size, rounds=2)
            if cost[0] < f.cost:
                q = solve.quality(got[0], f.seen, marks, field)
                f = replace(f, row=got[0], cost=float(cost[0]), quality=q)
        out.append(f)
    return out


def _hint_row(hint: Camera | None, size: tuple[int, int]) -> Array | None:
    if hint is None:
        return None
    return solver.row_of(hint.scaled(*size) if (hint.width_px, hint.height_px) != size else hint)


def _fit_level(
    found: Marks, field: Field, view: str, hint: Array | None, reading: str, kept: Starts
) -> Fit | None:  # fmt: skip
    """The best camera for one level, or None where there is no start.

    Cheap starts first: the hint, the dense answers, whole lines; the first good fit is taken. Starts know of a level
    its width only, and the dense answers nothing of the reading of the hash rows: kept holds those worked out.
    """

    def once(key: tuple[str, ...], work: Callable[[], Array]) -> Array:
        full = (*key, view, str(field.width))
        if full not in kept:
            kept[full] = work()
        return kept[full]

    seen = solve.of_marks(found, field)
    known = start.prior(view, field)
    sources = [
        lambda: hint[None] if hint is not None else np.zeros((0, 8)),
        lambda: once(("dense",), lambda: start.from_dense(found, field, view)[0]),
        lambda: once(("lines", reading), lambda: start_lines.from_lines(found, field, view)),
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
        line = seen.along == 2  # numbers
        if line.sum() < 2:
            return out
    y = solver.unproject(rows, seen.px[line], size)[..., 1]
    for i, here in enumerate(y):
        ok = np.isfinite(here)
        off = float(np.median(seen.value[line][ok] - here[ok])) if ok.any() else 0.0
        out[i, 5] += off if abs(off) > 1.0 else 0.0
    return out


def _good(q: solve.Quality, size: tuple[int, int]) -> bool:
    """Good enough not to look for a better start."""
    return (
        q.inliers > GOOD_INLIERS and q.missing < GOOD_MISSING and q.yard_lines >= 2 and q.rows >= 1
        and q.residual_px < 2.0 * size[0] / 1280
    )  # fmt: skip
