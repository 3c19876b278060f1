"""Stand-ins for the two networks: answers computed from a known camera, as a perfect network would give them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.camera import Camera
from pipeline.field import Field
from pipeline.registration import layout

Array = NDArray[np.float64]


def box_of(cam: Camera) -> layout.Letterbox:
    """How a picture of this camera lies in the network's input."""
    _, box = layout.letterbox(np.zeros((cam.height_px, cam.width_px, 3), np.uint8))
    return box


def maps_of(cam: Camera, f: Field, rng: np.random.Generator | None = None, noise: float = 0.0) -> NDArray[np.float32]:
    """(1, CHANNELS, *GRID_HW) of a perfect network, with some noise."""
    h, w = layout.GRID_HW
    cells = np.stack(np.meshgrid(np.arange(w), np.arange(h)), -1).astype(float)
    px = box_of(cam).cells_to_picture(cells)
    g = cam.px_to_ground(px)
    x, y = g[..., 0], g[..., 1]
    with np.errstate(invalid="ignore"):
        far = np.linalg.norm(g - np.asarray(cam.position_yd)[:2], axis=-1) > 260
        x, y = np.where(far, np.nan, x), np.where(far, np.nan, y)
        gx = np.maximum(np.hypot(*np.gradient(x)), 1e-5)
        gy = np.maximum(np.hypot(*np.gradient(y)), 1e-5)
        inside = (x > -0.5) & (x < f.length + 0.5) & (y > -0.5) & (y < f.width + 0.5)
        playing = inside & (x > f.end_zone - 0.6) & (x < f.length - f.end_zone + 0.6)
        maps = _channels(x, y, gx, gy, inside, playing, f)
    out = np.nan_to_num(maps).astype(np.float32)
    if rng is not None and noise:
        out += rng.normal(0, noise, out.shape).astype(np.float32)
        n = len(layout.HEAT) + len(layout.MASK)
        out[:n] = out[:n].clip(0, 1)
    return out[None]


def _channels(x: Array, y: Array, gx: Array, gy: Array, inside: Array, playing: Array, f: Field) -> Array:
    def ridge(value: Array, at: Array | float, grad: Array, where: Array) -> Array:
        return np.asarray(np.exp(-0.5 * ((value - at) / grad / layout.LINE_SIGMA_CELLS) ** 2) * where)

    def hump(row: float) -> Array:
        at = 10 * np.round(x / 10)
        goal = np.minimum(at - f.end_zone, f.length - f.end_zone - at)
        on = (goal > 5) & (np.round(goal) % 10 == 0) & playing
        sx, sy = np.maximum(layout.NUMBER_SIGMA_YD, 0.9 * gx), np.maximum(layout.NUMBER_SIGMA_YD, 0.9 * gy)
        return np.asarray(np.exp(-0.5 * (((x - at) / sx) ** 2 + ((y - row) / sy) ** 2)) * on)

    at5 = np.clip(5 * np.round(x / 5), f.end_zone, f.length - f.end_zone)
    across = (y > -0.3) & (y < f.width + 0.3)
    along = (x > 0) & (x < f.length)
    goals = np.maximum(ridge(x, f.end_zone, gx, across), ridge(x, f.length - f.end_zone, gx, across))
    ends = np.maximum(ridge(x, 0.0, gx, across), ridge(x, f.length, gx, across))
    behind = inside & ((x < f.end_zone) | (x > f.length - f.end_zone))
    near, far = f.hash_rows
    return np.stack(
        [
            ridge(x, at5, gx, inside & across), ridge(y, near, gy, playing), ridge(y, far, gy, playing),
            ridge(y, 0.0, gy, along), ridge(y, f.width, gy, along), hump(f.number_rows[0]), hump(f.number_rows[1]),
            goals, ends, inside * 1.0, behind * 1.0, y / f.width,
            *(wave(x * 2 * np.pi / period) for period in (10, 5) for wave in (np.cos, np.sin)),
        ]
    )  # fmt: skip


class IdealMarks:
    """In place of the marks network: knows the camera."""

    def __init__(self, cam: Camera, f: Field, view: str, rng: np.random.Generator | None = None, noise: float = 0.0):
        self.maps = maps_of(cam, f, rng, noise)
        kinds = np.zeros((1, 6), np.float32)
        kinds[0, layout.VIEW_LOGITS.index(view)] = 1
        kinds[0, 2 + layout.LEVEL_LOGITS.index(f.level)] = 1
        self.kinds = kinds

    def __call__(self, x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        return [self.maps, self.kinds]


class SilentNumbers:
    """In place of the number reader: reads nothing, with no opinion."""

    def __call__(self, x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        n = len(x)
        return [np.full((n, 6), 1 / 6, np.float32), np.full((n, 3), 1 / 3, np.float32)]
