"""A frame shortly after a registered one: its camera from the paint alone, without the networks' look at the field.

The camera of the earlier frame, carried on the film's own motion, says where every mark must lie to a few pixels; the
paint found there anchors the new camera, so that nothing drifts. Whatever does not hold sends the frame to the full
look.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.field import Field
from pipeline.models import Network
from pipeline.records import Registration
from pipeline.registration import judge, numbers, paint, profiles, solve, solver, start, ticks
from pipeline.registration.solve import Observed

Array = NDArray[np.float64]

GRID = (9, 6)
MOST_ERROR_YD = 0.6  # of the earlier frame: a doubtful one is not followed
LEVEL_SETTLED_YD = 0.1  # doubt between levels and hash rows of the earlier frame, yards
MIN_POINTS, MIN_LIT = 60, 0.6  # paint found; share of the looks across yard lines that met it
LESS_LIT = 0.75  # of the earlier frame's share
MOST_RESIDUAL_PX = 1.6  # of a 1280-wide picture
MOVED_YD = 0.8  # farther from where the motion carried the camera: not believed
REACHES_PX = (9.0, 4.0)
# How far the standing camera may move and its lens change between two frames (8 parameters of the solver).
TIE_SD = np.array([0.08, 0.05, 0.04, 0.006, 1.0, 1.0, 0.6, 0.002])
READ_FRAMES = 4  # frames in which numbers are read before absolute x counts as settled


@dataclass(frozen=True)
class Last:
    """The earlier frame's word. camera: carried into this picture; lit: see paint; edges: sidelines seen; number_rows:
    y of the painted numbers; read: frames with numbers read so far, this shot."""

    registration: Registration
    camera: Camera
    lit: float
    edges: tuple[str, ...]
    number_rows: tuple[float, float]
    read: int


def last_of(hint: Registration, size: tuple[int, int]) -> Last | None:
    """What of a registration can be followed; None where it is too doubtful."""
    e = hint.evidence.get("follow")
    if hint.status != "ok" or hint.camera is None or e is None or not hint.error_yd < MOST_ERROR_YD:
        return None
    if hint.evidence.get("level_doubt_yd", 0.0) > LEVEL_SETTLED_YD or not e["lit"] >= MIN_LIT or not e["anchors"]:
        return None
    camera = hint.camera
    if (camera.width_px, camera.height_px) != size:
        camera = camera.scaled(*size)
    return Last(hint, camera, e["lit"], tuple(e["edges"]), tuple(e["number_rows"]), int(e["read"]))


def moved(hint: Registration, to_first: Array, now_to_first: Array) -> Registration:
    """A registration carried to another frame of its shot; to_first, now_to_first (3, 3): px of each to the first.

    The hint as it is where it has no camera or the motion tells nothing.
    """
    if hint.camera is None:
        return hint
    c = hint.camera
    x, y = np.meshgrid(np.linspace(0.06, 0.94, GRID[0]), np.linspace(0.15, 0.95, GRID[1]))
    px = np.stack([x.ravel() * (c.width_px - 1), y.ravel() * (c.height_px - 1), np.ones(x.size)], 1)
    h = np.linalg.solve(np.asarray(now_to_first, float), np.asarray(to_first, float))
    q = px @ h.T
    there = q[:, :2] / np.where(np.abs(q[:, 2:]) > 1e-9, q[:, 2:], np.nan)
    step = np.linalg.norm(there - px[:, :2], axis=1)
    if not np.isfinite(step).all() or step.max() < 0.3:
        return hint
    return replace(hint, camera=_turned(c, px[:, :2], there))


def _turned(c: Camera, px: Array, there: Array) -> Camera:
    """The camera at the same place that shows at there (N, 2) what c shows at px (N, 2)."""
    size, row = (c.width_px, c.height_px), solver.row_of(c)
    g = solver.unproject(row[None], px, size)[0]
    ok = np.isfinite(g).all(1)
    if ok.sum() < 8:
        return c
    one = np.broadcast_to(np.eye(2), (1, int(ok.sum()), 2, 2))
    tie = solver.Prior(row, np.array([0.5, 0.5, 0.5, 0.1, 1e-3, 1e-3, 1e-3, 1e-5]))
    rows, _ = solver.refine(row[None], solver.Sightings(there[ok], g[ok][None], one), tie, size, steps=8)
    return solver.camera_of(rows[0], size)


def _span(row: Array, field: Field, size: tuple[int, int]) -> tuple[float, float, Array]:
    """x in sight of a camera (yards), and px (N, 2) of the picture that show the field."""
    x, y = np.meshgrid(np.linspace(0, size[0] - 1, 17), np.linspace(0, size[1] - 1, 13))
    px = np.stack([x.ravel(), y.ravel()], 1)
    g = solver.unproject(row[None], px, size)[0]
    on = np.isfinite(g).all(1) & (g[:, 1] > 0) & (g[:, 1] < field.width) & (np.abs(g[:, 0] - row[4]) < 160)
    if on.sum() < 6:
        return 0.0, 0.0, px[:0]
    return float(g[on, 0].min()), float(g[on, 0].max()), px[on]


def follow(
    image_bgr: NDArray[np.uint8], last: Last, boxes: Array | None, network: Network
) -> Registration | None:
    """The registration of a picture from the paint near where the earlier frame puts it; None: look fully."""
    hint = last.registration
    field, size = fields.load(hint.level), (image_bgr.shape[1], image_bgr.shape[0])
    unit = size[0] / 1280
    grey = profiles.grey_of(image_bgr)
    first = row = solver.row_of(last.camera)
    tie = solver.Prior(first, TIE_SD)
    lo, hi, px = _span(row, field, size)
    if len(px) < 6:
        return None
    for reach in REACHES_PX:
        seen = paint.observe_in(grey, row, (lo, hi), last.edges, field, boxes, size, reach * unit, unit)
        if len(seen.seen) < MIN_POINTS:
            return None
        both = Observed.join([seen.seen, ticks.ends(seen.rows, field.hash_tick)])
        row = solve.fit(row[None], both, tie, size, rounds=1, steps=5)[0][0]
    if not _holds(row, first, seen, last, px, size):
        return None
    error = judge.error_at(row, both, start.prior(hint.view, field), px, field, size)
    # The place across the field that the earlier frame knew does not get better by following.
    error = float(max(np.hypot(error, judge.FLOOR_YD), hint.error_yd if len(ticks.there(seen.rows)) < 2 else 0.0))
    return _record(image_bgr, row, seen, last, boxes, network, error)


def _holds(row: Array, first: Array, seen: paint.Paint, last: Last, px: Array, size: tuple[int, int]) -> bool:
    """The paint bears the new camera out."""
    if seen.lit < max(MIN_LIT, LESS_LIT * last.lit):
        return False
    if not ticks.there(seen.rows) and last.registration.evidence["follow"]["ticks"]:
        return False
    sightings, off = solve.assign(row[None], seen.seen, size)
    away = sightings.px - solver.project(row[None], sightings.xy, size)[0]
    d = np.linalg.norm(np.einsum("nij,nj->ni", sightings.normal[0], away), axis=1)
    d = d * seen.seen.sd[:, 0] / np.sqrt(np.maximum(seen.seen.weight, 1e-9))
    line = (seen.seen.along == 0) & (np.nan_to_num(off[0], nan=9.0) < solve.GATE_YD)
    if line.sum() < MIN_POINTS / 2 or 1.4826 * float(np.median(d[line])) > MOST_RESIDUAL_PX * size[0] / 1280:
        return False
    g = solver.unproject(np.stack([first, row]), px, size)
    return bool(np.nanmedian(np.linalg.norm(g[1] - g[0], axis=1)) < MOVED_YD)


def _record(
    image_bgr: NDArray[np.uint8], row: Array, seen: paint.Paint, last: Last, boxes: Array | None, network: Network,
    error: float,
) -> Registration:  # fmt: skip
    hint, size = last.registration, (image_bgr.shape[1], image_bgr.shape[0])
    camera = solver.camera_of(row, size)
    rows = ticks.there(seen.rows)
    way: dict[str, Any] = {
        "view": hint.view, "level": hint.level, "rows": "both", "score": 0.0, "camera": camera, "apart_yd": 0.0,
        "fit_error_yd": error, "fit_reason": "", "tick_rows": len(rows), "lit": seen.lit,
    }  # fmt: skip
    read = last.read
    if not (hint.absolute_x_known and read >= READ_FRAMES):
        way.update(_numbers(image_bgr, row, fields.load(hint.level), hint.view, boxes, network, last))
        read += 1
    evidence = {
        "followed": True, "alternatives": [way], "best_guess": camera, "level_doubt_yd": 0.0,
        "level_probability": hint.evidence.get("level_probability"),
        "follow": {"lit": seen.lit, "edges": last.edges, "number_rows": last.number_rows, "read": read,
                   "anchors": True, "ticks": bool(rows) or last.registration.evidence["follow"]["ticks"]},
    }  # fmt: skip
    return Registration(
        "ok", camera, hint.view, hint.level, hint.absolute_x_known, hint.error_px, error, "", evidence
    )


def _numbers(
    image_bgr: NDArray[np.uint8], row: Array, field: Field, view: str, boxes: Array | None, network: Network, last: Last
) -> dict[str, Any]:
    """What the numbers say of absolute x, as evidence."""
    readings = numbers.read(network, image_bgr, row, field, boxes, last.number_rows)
    place = numbers.from_readings(row, readings, field, view, (image_bgr.shape[1], image_bgr.shape[0]))
    return {
        "shift": 0.0, "shifts": place.shifts.tolist(), "shift_log_weight": place.log_weight.tolist(),
        "witnessed": place.witnessed, "numbers": numbers.said(readings, 0.0),
    }  # fmt: skip
