"""Runs the marks network on a picture and reads its answer: points on ridges, number centres, dense hints."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ShapeError
from pipeline.models import Network
from pipeline.registration import layout

Array = NDArray[np.float64]

RIDGE_FLOOR = 0.25  # least answer at a ridge point
NUMBER_FLOOR = 0.3
RIDGES = layout.HEAT[:5] + layout.HEAT[7:]
NUMBERS = ("near_number", "far_number")
PAIRS = (("near_sideline", "far_sideline"), ("near_number", "far_number"))
MAX_POINTS = {"yard_line": 260}  # kept a channel, the rest 90
OTHER_POINTS = 90
NEAR_FIELD = 0.2  # marks count only where the answer 'field' within three cells reaches this
DENSE_STEP = 4  # cells between dense samples


@dataclass(frozen=True)
class Marks:
    """What the network saw. Px are of the picture.

    ridge: channel -> (N, 5) x, y px, normal x, y, answer; number: channel -> (N, 3) x, y px, answer;
    dense_px (R, C, 2) px of a coarse grid, with field (R, C) 0..1, across (R, C) y / width and phase
    (R, C) radians of x in 5 yd with its length phase_size; ten and
    ten_size the same in 10 yd; px_per_cell: picture px a cell of the answer.
    """

    size: tuple[int, int]
    ridge: dict[str, Array]
    number: dict[str, Array]
    dense_px: Array
    field: Array
    end_zone: Array
    across: Array
    phase: Array
    phase_size: Array
    ten: Array
    ten_size: Array
    view: dict[str, float]
    level: dict[str, float]
    px_per_cell: float

    @property
    def field_share(self) -> float:
        """Share of the picture that is field."""
        return float((self.field > 0.5).mean())

    def px_per_yd(self, width: float) -> float:
        """Rough px per yard from how fast y changes over the part of the picture that is field (at least 8); width: of
        the field, yards."""
        gy = np.hypot(*np.gradient(self.across * width)) / (np.diff(self.dense_px[0, :2, 0])[0])
        on = self.field > 0.5
        slope = float(np.median(gy[on])) if on.any() else 0.05
        return float(np.clip(1 / max(slope, 1e-3), 8.0, 90.0))


def _derivatives(log: NDArray[np.float32]) -> tuple[NDArray[np.float32], ...]:
    """gx, gy, gxx, gyy, gxy by small smoothed differences."""
    smooth = np.array([0.25, 0.5, 0.25], np.float32)
    first = np.array([-0.5, 0, 0.5], np.float32)
    second = np.array([1, -2, 1], np.float32)

    def f(kx: NDArray[np.float32], ky: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.sepFilter2D(log, cv2.CV_32F, kx, ky, borderType=cv2.BORDER_REPLICATE))

    return f(first, smooth), f(smooth, first), f(second, smooth), f(smooth, second), f(first, first)


def ridge_points(heat: NDArray[np.float32], most: int) -> Array:
    """(N, 5) cells x, y, normal x, y, answer of the points on ridges (C. Steger, 1998, in log scale).

    A ridge of Gaussian profile is a parabola in log scale, so its middle comes out to a fraction of a cell.
    """
    seed = heat > RIDGE_FLOOR
    if not seed.any():
        return np.zeros((0, 5))
    log = np.log(np.clip(heat, 0.02, 1.0)).astype(np.float32)
    maps = _derivatives(log)
    ys, xs = np.nonzero(seed)
    gx, gy, gxx, gyy, gxy = (m[ys, xs].astype(float) for m in maps)
    half = (gxx - gyy) / 2
    root = np.hypot(half, gxy)
    low = (gxx + gyy) / 2 - root  # the strongest curvature down
    angle = 0.5 * np.arctan2(2 * gxy, gxx - gyy) + np.pi / 2
    nx, ny = np.cos(angle), np.sin(angle)
    t = -(nx * gx + ny * gy) / np.where(np.abs(low) > 1e-6, low, -1e-6)
    ok = (low < -0.12) & (np.abs(t * nx) <= 0.6) & (np.abs(t * ny) <= 0.6)
    h, w = heat.shape
    ok &= (xs > 0) & (ys > 0) & (xs < w - 1) & (ys < h - 1)
    out = np.stack([xs + t * nx, ys + t * ny, nx, ny, heat[ys, xs]], 1)[ok]
    if len(out) > most:  # thin out evenly, along the ridges
        out = out[np.linspace(0, len(out) - 1, most).round().astype(int)]
    return np.asarray(out)


def peaks(heat: NDArray[np.float32], floor: float) -> Array:
    """(N, 3) cells x, y, answer of local maxima."""
    top = cv2.dilate(heat, np.ones((5, 5), np.uint8))
    most = (heat >= top) & (heat > floor)
    most[:, 1:] &= ~most[:, :-1]  # one of two cells that are equal: half way between them comes out all the same
    most[1:] &= ~most[:-1]
    ys, xs = np.nonzero(most)
    h, w = heat.shape
    keep = (xs > 0) & (ys > 0) & (xs < w - 1) & (ys < h - 1)
    xs, ys = xs[keep], ys[keep]
    log = np.log(np.clip(heat, 0.02, 1.0))

    def offset(a: Array, b: Array, c: Array) -> Array:
        bend = a - 2 * b + c
        return np.clip(0.5 * (a - c) / np.where(bend < -1e-6, bend, -1e-6), -0.6, 0.6)

    dx = offset(log[ys, xs - 1], log[ys, xs], log[ys, xs + 1])
    dy = offset(log[ys - 1, xs], log[ys, xs], log[ys + 1, xs])
    return np.stack([xs + dx, ys + dy, heat[ys, xs]], 1).astype(float)


def decode(
    maps: NDArray[np.float32], kinds: NDArray[np.float32], box: layout.Letterbox, size: tuple[int, int]
) -> Marks:
    """The network's answer (CHANNELS, *GRID_HW) and (6,) for a picture of size (width, height)."""
    if len(maps) == len(layout.CHANNELS) - 2:  # a network trained before the phase of 5 yd was asked for
        c, sn = maps[-2], maps[-1]
        maps = np.concatenate([maps, (c * c - sn * sn)[None], (2 * c * sn)[None]])
    if maps.shape != (len(layout.CHANNELS), *layout.GRID_HW):
        raise ShapeError(f"marks network: expected {(len(layout.CHANNELS), *layout.GRID_HW)}, got {maps.shape}.")
    index = {n: i for i, n in enumerate(layout.CHANNELS)}

    maps = maps.copy()
    near_field = cv2.dilate(maps[index["field"]], np.ones((7, 7), np.uint8)) > NEAR_FIELD
    maps[: len(layout.HEAT)] *= near_field  # stands and benches draw lines too
    for near, far in PAIRS:  # one mark is not both; hash rows: see hash_rows
        a, b = maps[index[near]], maps[index[far]]
        maps[index[near]], maps[index[far]] = np.where(a >= b, a, 0), np.where(b > a, b, 0)

    def inside(points: Array) -> Array:
        points[:, :2] = box.cells_to_picture(points[:, :2])
        keep = (points[:, :2] > -0.5).all(1) & (points[:, :2] < np.array(size) - 0.5).all(1)
        return np.asarray(points[keep])

    ridge = {n: inside(ridge_points(maps[index[n]], MAX_POINTS.get(n, OTHER_POINTS))) for n in RIDGES}
    number = {n: inside(peaks(maps[index[n]], NUMBER_FLOOR)) for n in NUMBERS}
    s = DENSE_STEP
    ys, xs = np.mgrid[s // 2 : layout.GRID_HW[0] : s, s // 2 : layout.GRID_HW[1] : s]
    cells = np.stack([xs, ys], -1).astype(float)
    px = box.cells_to_picture(cells)
    seen = (px > 0).all(-1) & (px < np.array(size) - 1).all(-1)
    # Averages over a few cells are steadier than single ones.
    soft = {n: cv2.blur(maps[index[n]], (3, 3))[ys, xs].astype(float) for n in (*layout.MASK, *layout.DENSE)}
    nv = len(layout.VIEW_LOGITS)
    return Marks(
        size, ridge, number, px, soft["field"] * seen, soft["end_zone"] * seen, soft["across"],
        np.arctan2(soft["sin5"], soft["cos5"]), np.hypot(soft["sin5"], soft["cos5"]),
        np.arctan2(soft["sin10"], soft["cos10"]), np.hypot(soft["sin10"], soft["cos10"]),
        dict(zip(layout.VIEW_LOGITS, map(float, kinds[:nv]), strict=True)),
        dict(zip(layout.LEVEL_LOGITS, map(float, kinds[nv:]), strict=True)),
        layout.STRIDE / box.scale,
    )  # fmt: skip


def see(network: Network, image_bgr: NDArray[np.uint8]) -> Marks:
    """Run the network on a picture (H, W, 3) BGR."""
    x, box = layout.letterbox(image_bgr)
    maps, kinds = network(x)
    return decode(maps[0], kinds[0], box, (image_bgr.shape[1], image_bgr.shape[0]))
