"""Absolute x: reads the painted numbers and weighs where on the field the picture can lie.

Yard lines repeat every 5 yd. Every shift of the field by a multiple of 5 yd predicts other numbers at the yard lines
in view, another place of the goal lines and end zones; each prediction is compared with what was read.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.field import Field
from pipeline.models import Network
from pipeline.registration import layout, solve, solver
from pipeline.registration.marks import Marks

Array = NDArray[np.float64]

MOST_PATCHES = 20
ROW_OFF_YD = 5.5  # how far from the rules' place numbers may stand
INSIDE = 0.8  # share of a patch that must lie in the picture
COVERED = 0.45  # and at most this share under people
READING_DOUBT = 0.03  # chance that a reading has nothing to do with the paint
ARROW_PAINTED = 0.7
PLACE_DOUBT = 0.1  # the same of the goal line and the end zone
AREA_WEIGHT, GOAL_WEIGHT = 7.0, 2.5  # how many independent looks the end zone and a goal line are worth
KNOWN = 0.985  # probability from which absolute x counts as known
GOAL_POINTS, GOAL_AREA = 12, (0.03, 0.6)  # ridge points of it, share of the picture behind it
CAMERA_FROM_MIDFIELD_YD = {"sideline": 8.0, "endzone": 20.0}  # sd; 59 of 60 measured within 6 yd of midfield


@dataclass(frozen=True)
class Readings:
    """M patches read: x (M,) yards, far (M,) bool; tens (M, 6), arrow (M, 3) probabilities."""

    x: Array
    far: NDArray[np.bool_]
    tens: Array
    arrow: Array


@dataclass(frozen=True)
class Place:
    """shifts (K,) yards to add to x, log_weight (K,) (not normalised) and the parts it came from."""

    shifts: Array
    log_weight: Array
    numbers_read: int
    goal_seen: bool

    @property
    def witnessed(self) -> bool:
        """A number was read or a goal line seen: without, x is only guessed."""
        return self.numbers_read > 0 or self.goal_seen

    @property
    def probability(self) -> Array:
        w = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(w / w.sum())

    def best(self) -> tuple[float, float]:
        """(shift, its probability)."""
        p = self.probability
        i = int(np.argmax(p))
        return float(self.shifts[i]), float(p[i])


def number_rows(row: Array, field: Field, marks: Marks) -> tuple[float, float]:
    """y of the near and far numbers: where the network saw them, else where the rules put them."""
    rows = []
    for name, y in zip(("near_number", "far_number"), field.number_rows, strict=True):
        whole = marks.number[name][solve.whole_numbers(marks, name, field), :2]
        g = solver.unproject(row[None], whole, marks.size)[0]
        seen = g[np.isfinite(g).all(1) & (np.abs(g[:, 1] - y) < ROW_OFF_YD), 1]
        rows.append(float(np.median(seen)) if len(seen) >= 2 else y)
    return (rows[0], rows[1])


def patch_places(
    row: Array, field: Field, size: tuple[int, int], rows_y: tuple[float, float] | None = None
) -> tuple[Array, NDArray[np.bool_], Array]:
    """x (M,), far (M,) and px grids (M, H, W, 2) of the places on yard lines of both number rows in the picture."""
    ph, pw = layout.PATCH_HW
    up = (0.5 - (np.arange(ph) + 0.5) / ph) * layout.PATCH_YD[0]
    right = ((np.arange(pw) + 0.5) / pw - 0.5) * layout.PATCH_YD[1]
    v, u = np.meshgrid(up, right, indexing="ij")
    xs, fars, grids = [], [], []
    for far, y in enumerate(rows_y or field.number_rows):
        sign = -1.0 if far else 1.0
        # Every 5 yd as far as the picture can show.
        edge = solver.unproject(row[None], _rim(size), size)[0]
        edge = edge[np.isfinite(edge).all(1) & (np.abs(edge[:, 0] - row[4]) < 160)]
        if len(edge) < 2:
            continue
        for x in np.arange(np.ceil(edge[:, 0].min() / 5), np.floor(edge[:, 0].max() / 5) + 1) * 5:
            coarse = np.stack([x + sign * u[::8, ::8], y + sign * v[::8, ::8]], -1).reshape(-1, 2)
            px = solver.project(row[None], coarse, size)[0]
            if ((px > 0) & (px < np.array(size) - 1)).all(1).mean() < INSIDE:
                continue
            xy = np.stack([x + sign * u, y + sign * v], -1).reshape(-1, 2)
            grid = solver.project(row[None], xy, size)[0].reshape(ph, pw, 2)
            if np.ptp(grid[..., 0]) < 14 or np.ptp(grid[..., 1]) < 6:  # too small to read
                continue
            xs.append(float(x))
            fars.append(bool(far))
            grids.append(grid)
    if len(xs) > MOST_PATCHES:  # the nearest to the middle of the picture
        d = [float(np.abs(g.mean((0, 1)) - np.array(size) / 2).max()) for g in grids]
        keep = sorted(np.argsort(d)[:MOST_PATCHES])
        xs, fars, grids = [xs[i] for i in keep], [fars[i] for i in keep], [grids[i] for i in keep]
    return np.array(xs), np.array(fars, bool), np.array(grids).reshape(-1, ph, pw, 2)


def _rim(size: tuple[int, int]) -> Array:
    x, y = np.meshgrid(np.linspace(0, size[0] - 1, 7), np.linspace(0, size[1] - 1, 7))
    return np.stack([x.ravel(), y.ravel()], 1)


def read(
    network: Network,
    image_bgr: NDArray[np.uint8],
    row: Array,
    field: Field,
    boxes: Array | None = None,
    rows_y: tuple[float, float] | None = None,
) -> Readings:
    """Read every number place in view of a camera (8,)."""
    size = (image_bgr.shape[1], image_bgr.shape[0])
    x, far, grids = patch_places(row, field, size, rows_y)
    if len(x) and boxes is not None and len(boxes):
        p = grids[:, ::6, ::6].reshape(len(x), -1, 1, 2)
        b = boxes[None, None]
        hit = (p[..., 0] > b[..., 0]) & (p[..., 0] < b[..., 2]) & (p[..., 1] > b[..., 1]) & (p[..., 1] < b[..., 3])
        free = hit.any(-1).mean(-1) < COVERED
        x, far, grids = x[free], far[free], grids[free]
    if not len(x):
        return Readings(np.zeros(0), np.zeros(0, bool), np.zeros((0, 6)), np.zeros((0, 3)))
    patches = np.stack(
        [
            cv2.remap(image_bgr, g[..., 0].astype(np.float32), g[..., 1].astype(np.float32), cv2.INTER_LINEAR)
            for g in grids
        ]
    )
    tensor = np.ascontiguousarray(patches[..., ::-1].transpose(0, 3, 1, 2)).astype(np.float32) / 255.0
    tens, arrow = network(tensor)
    return Readings(x, far, tens.astype(float), arrow.astype(float))


def _number_weight(r: Readings, shifts: Array, field: Field) -> Array:
    """(K,) log likelihood of the readings under each shift."""
    total = np.zeros(len(shifts))
    tens = np.maximum(r.tens, 1e-4)
    for k, shift in enumerate(shifts):
        for i, x in enumerate(r.x + shift):
            number = field.number_at(float(x))
            want = number // 10 if number else 0
            p = (1 - READING_DOUBT) * tens[i, want] + READING_DOUBT / len(layout.TENS)
            if want and r.tens[i, 0] < 0.5:  # an arrow stands beside a number only
                toward = np.sign(x - field.length / 2) * (-1 if r.far[i] else 1)
                side = {0.0: 0, 1.0: 2, -1.0: 1}[float(toward)]
                a = r.arrow[i]
                q = a[0] if side == 0 else ARROW_PAINTED * a[side] + (1 - ARROW_PAINTED) * a[0]
                p *= (1 - 2 * READING_DOUBT) * q + 2 * READING_DOUBT / 3
            total[k] += np.log(p)
    return total


def _place_weight(row: Array, marks: Marks, shifts: Array, field: Field) -> Array:
    """(K,) log likelihood of goal lines and end zones seen, and of yard lines where there are none."""
    on = (marks.field > 0.6) & (marks.end_zone >= 0)
    cells = solver.unproject(row[None], marks.dense_px[on], marks.size)[0]
    ok = np.isfinite(cells).all(1)
    cells, behind = cells[ok], np.clip(marks.end_zone[on][ok], 0, 1)
    lines = solver.unproject(row[None], marks.ridge["yard_line"][:, :2], marks.size)[0]
    goal = solver.unproject(row[None], marks.ridge["goal_line"][:, :2], marks.size)[0]
    lines, goal = lines[np.isfinite(lines).all(1)], goal[np.isfinite(goal).all(1)]
    out = np.zeros(len(shifts))
    for k, s in enumerate(shifts):
        if len(cells) > 20:
            x = cells[:, 0] + s
            want = (x < field.end_zone) | (x > field.length - field.end_zone)
            p = np.where(want, behind, 1 - behind)
            out[k] += AREA_WEIGHT * np.log(np.clip(p, 0.05, 1)).mean()
        if len(lines) >= 8:  # painted lines where the rules allow none
            x = lines[:, 0] + s
            out[k] -= 16 * ((x < field.end_zone - 2) | (x > field.length - field.end_zone + 2)).mean()
        if len(goal) >= GOAL_POINTS:
            x = goal[:, 0] + s
            near = np.minimum(np.abs(x - field.end_zone), np.abs(x - field.length + field.end_zone)) < 1.5
            out[k] += GOAL_WEIGHT * np.log(np.clip(near.mean(), PLACE_DOUBT, 1))
    return out


def _parity_weight(row: Array, marks: Marks, shifts: Array) -> Array:
    """(K,) weak evidence of which lines carry numbers: humps at number places, and the phase of the dense answer."""
    out = np.zeros(len(shifts))
    xs = []
    for name in ("near_number", "far_number"):
        plain = marks.number[name][:, 2] > solve.NUMBER_SURE
        g = solver.unproject(row[None], marks.number[name][plain, :2], marks.size)[0]
        xs += [v for v in g[:, 0] if np.isfinite(v)]
    ten = np.array(xs)
    if len(ten):
        for k, s in enumerate(shifts):
            d = np.abs((ten + s + 5) % 10 - 5)
            out[k] -= min(1.2 * float((d > 2.5).sum()), 4.0)
    on = (marks.field > 0.6) & (marks.ten_size > 0.5)
    if on.sum() > 30:
        g = solver.unproject(row[None], marks.dense_px[on], marks.size)[0][:, 0]
        turn = np.exp(1j * (marks.ten[on] - g * 2 * np.pi / 10))
        agree = np.nan_to_num(turn).mean()
        for k, s in enumerate(shifts):
            out[k] += 2.0 * float((agree * np.exp(-1j * s * 2 * np.pi / 10)).real)
    return out


def _shifts(mid: float, field: Field) -> Array:
    """(K,) multiples of 5 yd that leave the middle of the view, x = mid, on the field."""
    return np.arange(np.ceil((0 - mid) / 5), np.floor((field.length - mid) / 5) + 1) * 5.0


def _camera_weight(row: Array, shifts: Array, field: Field, view: str) -> Array:
    """(K,) log prior of where cameras stand along the field: Student's t with three degrees of freedom."""
    at = row[4] + shifts - (field.length / 2 if view == "sideline" else -60.0)
    return -2.0 * np.log1p((at / CAMERA_FROM_MIDFIELD_YD[view]) ** 2 / 3)


def _read_count(readings: Readings) -> int:
    return int((readings.tens[:, 1:].max(1) > 0.8).sum()) if len(readings.x) else 0


def from_readings(row: Array, readings: Readings, field: Field, view: str, size: tuple[int, int]) -> Place:
    """The same as :func:`locate` from the numbers alone."""
    g = solver.unproject(row[None], _rim(size), size)[0]
    g = g[np.isfinite(g).all(1) & (g[:, 1] > 0) & (g[:, 1] < field.width), 0]
    shifts = _shifts(float(np.median(g)) if len(g) else float(row[4]), field)
    weight = _number_weight(readings, shifts, field) + _camera_weight(row, shifts, field, view)
    return Place(shifts, weight, _read_count(readings), False)


def said(readings: Readings, shift: float) -> list[tuple[float, bool, int, float, int]]:
    """Readings as evidence: x, far row, tens, its probability, arrow."""
    return [
        (float(x + shift), bool(f), int(t.argmax()), float(t.max()), int(a.argmax()))
        for x, f, t, a in zip(readings.x, readings.far, readings.tens, readings.arrow, strict=True)
    ]


def locate(row: Array, marks: Marks, readings: Readings, field: Field, view: str) -> Place:
    """Weigh every shift by a multiple of 5 yd that leaves the middle of the view on the field."""
    on = marks.field > 0.5
    px = marks.dense_px[on] if on.any() else np.array([[(marks.size[0] - 1) / 2, (marks.size[1] - 1) / 2]])
    g = solver.unproject(row[None], px, marks.size)[0][:, 0]
    shifts = _shifts(float(np.nanmedian(g)) if np.isfinite(g).any() else float(row[4]), field)
    weight = _number_weight(readings, shifts, field)
    weight += _place_weight(row, marks, shifts, field) + _parity_weight(row, marks, shifts)
    weight += _camera_weight(row, shifts, field, view)
    return Place(shifts, weight, _read_count(readings), _goal_seen(marks))


def _goal_seen(marks: Marks) -> bool:
    """The goal line and ground behind it are both in the picture."""
    area = float((marks.end_zone > 0.6).mean())
    return len(marks.ridge["goal_line"]) >= GOAL_POINTS and GOAL_AREA[0] < area < GOAL_AREA[1]
