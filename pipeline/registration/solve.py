"""From sightings to one camera: assigns what was seen to marks of the field, fits, assigns again.

Every ridge point slides freely along its line: only the distance across counts. Yard lines are taken modulo 5 yd.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pipeline.field import Field
from pipeline.registration import solver
from pipeline.registration.marks import Marks

Array = NDArray[np.float64]

# Sd of the network's points in px of a 1280-wide picture (measured on rendered film), and how many points of
# one mark count as independent of each other.
RIDGE_SD_PX = 1.2
SIDELINE_SD_PX = 2.0
NUMBER_SD_YD = (0.25, 0.35)
# Levels whose rules leave the numbers' place open.
NUMBER_SD_LOOSE_YD = {"college": (0.25, 0.7), "high_school": (0.25, 0.8), "canadian": (0.25, 2.0)}
INDEPENDENT = {"yard_line": 50.0}
INDEPENDENT_ELSE = 12.0
NUMBER_GATE_YD = 4.0
# The hump of a number cut by the picture's edge lies where its rest is seen, up to five yards off (measured on rendered
# stills of unseen looks), and so do faint ones: those tell no place.
NUMBER_SURE = 0.55
NUMBER_FROM_EDGE_YD = 1.0
ONE_NUMBER_YD = 1.5
GATE_YD = 1.2  # a point farther from its mark is not its
WIDE_GATES_YD = (8.0, 3.0)  # in the first rounds of a fit from a rough start
INLIER_PX = 4.0  # of a 1280-wide picture


@dataclass(frozen=True)
class Observed:
    """N things seen: px (N, 2); along (N,) 0: x is known (modulo 5), 1: y is known, 2: both (a number; x modulo 5);
    value (N,) y where known; sd (N, 2) px across the mark (lines: first column) or yards along x and y (points);
    weight (N,) share of an independent observation."""

    px: Array
    along: NDArray[np.int64]
    value: Array
    sd: Array
    weight: Array

    def __len__(self) -> int:
        return len(self.px)

    @staticmethod
    def join(parts: list[Observed]) -> Observed:
        parts = [p for p in parts if len(p)] or parts[:1]
        return Observed(
            *(np.concatenate([getattr(p, n) for p in parts]) for n in ("px", "along", "value", "sd", "weight"))
        )


def lines(
    px: Array, along: int, value: float, sd_px: float, independent: float, answer: Array | None = None
) -> Observed:
    """Points on one kind of line; answer (N,): how sure each is, 0..1."""
    n = len(px)
    sure = np.ones(n) if answer is None else answer**2
    return Observed(
        np.asarray(px, float).reshape(-1, 2), np.full(n, along), np.full(n, value), np.full((n, 2), sd_px),
        sure * min(1.0, independent / max(n, 1)),
    )  # fmt: skip


def of_marks(marks: Marks, field: Field) -> Observed:
    """What the network saw as observations for one field level."""
    unit = marks.size[0] / 1280
    near, far = field.hash_rows

    def ridge(name: str, along: int, value: float, sd: float, independent: float) -> Observed:
        p = marks.ridge[name]
        return lines(p[:, :2], along, value, sd * unit, independent, p[:, 4])

    parts = [
        ridge("yard_line", 0, 0.0, RIDGE_SD_PX, INDEPENDENT["yard_line"]),
        ridge("end_line", 0, 0.0, SIDELINE_SD_PX, INDEPENDENT_ELSE),
    ]
    for name, y, sd in (
        ("near_hash", near, RIDGE_SD_PX), ("far_hash", far, RIDGE_SD_PX),
        ("near_sideline", 0.0, SIDELINE_SD_PX), ("far_sideline", field.width, SIDELINE_SD_PX),
    ):  # fmt: skip
        parts.append(ridge(name, 1, y, sd, INDEPENDENT_ELSE))
    sd_yd = NUMBER_SD_LOOSE_YD.get(field.level, NUMBER_SD_YD)
    for name, y in zip(("near_number", "far_number"), field.number_rows, strict=True):
        p = marks.number[name][whole_numbers(marks, name, field)][:, :2]
        n = len(p)
        # A row painted elsewhere than the rules put it is off as a whole: all of it tells its place once.
        across = sd_yd[1] * (np.sqrt(max(n, 1)) if field.level in NUMBER_SD_LOOSE_YD else 1.0)
        near = np.linalg.norm(p[:, None] - p[None], axis=-1) < ONE_NUMBER_YD * marks.px_per_yd(field.width)
        weight = 1 / np.maximum(near.sum(1), 1)  # the digits of one number may be seen as a hump each
        parts.append(Observed(p, np.full(n, 2), np.full(n, y), np.tile((sd_yd[0], across), (n, 1)), weight))
    return Observed.join(parts)


def whole_numbers(marks: Marks, name: str, field: Field) -> NDArray[np.bool_]:
    """(N,) True for the humps of a row of numbers that are plain and not at the picture's edge."""
    p = marks.number[name]
    edge = NUMBER_FROM_EDGE_YD * marks.px_per_yd(field.width)
    inside = (p[:, :2] > edge - 0.5).all(1) & (p[:, :2] < np.array(marks.size) - 0.5 - edge).all(1)
    return np.asarray(inside & (p[:, 2] > NUMBER_SURE))


def assign(
    rows: Array, seen: Observed, size: tuple[int, int], gate_yd: float = GATE_YD
) -> tuple[solver.Sightings, Array]:
    """Sightings for cameras (B, 8), and (B, N) distance in yards of each point from its mark (NaN: sky).

    Points farther than gate_yd from their mark do not count.
    """
    g = solver.unproject(rows, seen.px, size)
    known_x, known_y = seen.along != 1, seen.along != 0
    to_x = np.where(known_x, 5.0 * np.round(g[..., 0] / 5.0), g[..., 0])
    to_y = np.where(known_y, seen.value, g[..., 1])
    target = np.nan_to_num(np.stack([to_x, to_y], -1))
    off = np.hypot(np.where(known_x, g[..., 0] - to_x, 0), np.where(known_y, g[..., 1] - to_y, 0))
    # Direction across each line in the picture, from the point a little further along it.
    point = seen.along == 2
    along = np.where(seen.along[:, None] == 1, [0.25, 0.0], [0.0, 0.25])
    a, b = solver.project(rows, target - along, size), solver.project(rows, target + along, size)
    t = b - a
    length = np.linalg.norm(t, axis=-1, keepdims=True)
    n = np.stack([-t[..., 1], t[..., 0]], -1) / np.maximum(length, 1e-9)
    gate = np.where(
        np.nan_to_num(off, nan=99.0) < np.where(point, NUMBER_GATE_YD, gate_yd), np.sqrt(seen.weight), 0.0
    )
    normal = np.zeros((*off.shape, 2, 2))
    normal[..., 0, :] = n / seen.sd[:, :1] * gate[..., None]
    if point.any():
        normal[:, point] = point_normals(rows, target[:, point], seen.sd[point], gate[:, point], size)
    return solver.Sightings(seen.px, target, normal), off


def point_normals(rows: Array, target: Array, sd_yd: Array, gate: Array, size: tuple[int, int]) -> Array:
    """(B, N, 2, 2): px to sigmas along field x and y (inverse of the local scale of the view)."""
    e = 0.25
    mid = solver.project(rows, target, size)
    jx = (solver.project(rows, target + [e, 0.0], size) - mid) / e
    jy = (solver.project(rows, target + [0.0, e], size) - mid) / e
    j = np.stack([jx, jy], -1)
    det = j[..., 0, 0] * j[..., 1, 1] - j[..., 0, 1] * j[..., 1, 0]
    safe = np.where(np.abs(det) > 1e-3, det, 1e-3)
    inv = (
        np.stack([np.stack([j[..., 1, 1], -j[..., 0, 1]], -1), np.stack([-j[..., 1, 0], j[..., 0, 0]], -1)], -2)
        / safe[..., None, None]
    )
    gate = gate * (np.abs(det) > 1e-3)
    return np.asarray(inv / sd_yd[None, :, :, None] * gate[..., None, None])


def fit(
    rows: Array,
    seen: Observed,
    prior: solver.Prior,
    size: tuple[int, int],
    rounds: int = 3,
    steps: int = 4,
    wide: bool = False,
) -> tuple[Array, Array]:
    """Fit cameras (B, 8), reassigning between rounds. Returns rows and robust cost (B,), far points included.

    wide: the start is rough, the first rounds look far around.
    """
    for i in range(rounds):
        sightings, _ = assign(rows, seen, size, WIDE_GATES_YD[i] if wide and i < len(WIDE_GATES_YD) else GATE_YD)
        rows, _ = solver.refine(rows, sightings, prior, size, steps)
    sightings, off = assign(rows, seen, size)
    total = solver.cost(rows, sightings, prior, size)
    far = np.nan_to_num(off, nan=99.0)
    lost = ((far >= GATE_YD) & (seen.along != 2) | (far >= NUMBER_GATE_YD) & (seen.along == 2)) * seen.weight
    # What fits no mark costs as much as a residual of five sigmas.
    return rows, total + lost.sum(1) * solver.CAUCHY**2 * np.log1p((5.0 / solver.CAUCHY) ** 2)


@dataclass(frozen=True)
class Quality:
    """How well a camera explains what was seen.

    residual_px: robust rms across the lines; inliers: share of line points on their mark; yard_lines, rows:
    distinct marks with enough points; spread: how far apart the yard lines seen are, yards; missing: share of
    the length of predicted yard lines on which the network saw none; numbers, numbers_off: number places seen, and
    those of them too far from where this camera puts numbers.
    """

    residual_px: float
    inliers: float
    yard_lines: int
    rows: int
    spread: float
    missing: float
    points: int
    numbers: int = 0
    numbers_off: int = 0


def quality(row: Array, seen: Observed, marks: Marks, field: Field) -> Quality:
    """Quality of one fitted camera (8,)."""
    size = marks.size
    sightings, off = assign(row[None], seen, size)
    line = seen.along != 2
    d = sightings.px - solver.project(row[None], sightings.xy, size)[0]
    across = np.abs(np.einsum("nj,nj->n", sightings.normal[0, :, 0], d)) * seen.sd[:, 0]
    across = np.where(seen.weight > 0, across / np.sqrt(np.maximum(seen.weight, 1e-9)), across)
    good = line & (np.nan_to_num(off[0], nan=99.0) < GATE_YD) & (across < INLIER_PX * size[0] / 1280)
    share = float(seen.weight[good].sum() / max(seen.weight[line].sum(), 1e-9))
    res = float(1.4826 * np.median(across[good])) if good.any() else float("inf")
    point_off = np.nan_to_num(off[0, ~line], nan=99.0)
    xs, counts = np.unique(np.round(sightings.xy[0, good & (seen.along == 0), 0]), return_counts=True)
    xs = xs[counts >= 4]
    painted, count = np.unique(np.round(seen.value[~line][point_off < NUMBER_GATE_YD / 2], 2), return_counts=True)
    number_rows = int((count >= 2).sum()) if len(painted) else 0
    _, counts = np.unique(np.round(seen.value[good & (seen.along == 1)], 2), return_counts=True)
    return Quality(
        res, share, len(xs), int((counts >= 4).sum()) + number_rows, float(np.ptp(xs)) if len(xs) else 0.0,
        _missing(row, marks, field), int(good.sum()), len(point_off), int((point_off >= NUMBER_GATE_YD).sum()),
    )  # fmt: skip


def _missing(row: Array, marks: Marks, field: Field) -> float:
    """Share of predicted yard-line points in the field part of the picture without a ridge point nearby."""
    size = marks.size
    ridge = marks.ridge["yard_line"]
    on = marks.field > 0.6
    if not on.any() or not len(ridge):
        return 1.0
    g = solver.unproject(row[None], marks.dense_px[on], size)[0]
    g = g[np.isfinite(g).all(1)]
    if len(g) < 8:
        return 1.0
    lo, hi = np.percentile(g[:, 0], [3, 97])
    xs = np.arange(np.ceil(lo / 5), np.floor(hi / 5) + 1) * 5
    y = np.linspace(2.0, field.width - 2, 24)
    if not len(xs):
        return 0.0
    if len(xs) > 2 * field.length / 5:  # a fit to other things: as many looks as a field has lines will do
        xs = xs[np.linspace(0, len(xs) - 1, round(field.length / 5)).astype(int)]
    pts = np.stack(np.meshgrid(xs, y), -1).reshape(-1, 2)
    px = solver.project(row[None], pts, size)[0]
    step = marks.dense_px[0, 1, 0] - marks.dense_px[0, 0, 0]
    cell = np.round((px - marks.dense_px[0, 0]) / step).astype(int)
    r, c = marks.field.shape
    inside = (cell >= 0).all(1) & (cell[:, 0] < c) & (cell[:, 1] < r)
    inside[inside] &= on[cell[inside, 1], cell[inside, 0]] & (marks.end_zone[cell[inside, 1], cell[inside, 0]] < 0.4)
    if inside.sum() < 6:
        return 0.0
    near = cKDTree(ridge[:, :2]).query(px[inside])[0] < 26 * size[0] / 1280
    return float(1 - near.mean())
