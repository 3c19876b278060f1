"""Activity grids straight from plays, without drawing a picture: many more training clips for the same time.

What the motion stage would measure is modelled from its own formula: a cell's activity is the root of the
brightness change over the brightness slope, summed over what is in the cell (moving body parts, still ground),
less the noise. Camera motion is taken out exactly, apart from a small random error.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training import snap_film
from models.training.playbook.play import Play
from pipeline.camera import Camera
from pipeline.motion import CELL_PX, grid_shape
from pipeline.records import Motion

Array = NDArray[np.float64]
BONE_A = np.array([a for a, _, _ in snap_film.BONES])
BONE_B = np.array([b for _, b, _ in snap_film.BONES])
SEEN_PX = 5.0  # motion beyond this looks no larger


class GridFilm(snap_film.QuickFilm):
    """Iterates over (camera, px (P, 16, 2) of body parts, scale (P,)) of each frame instead of pictures."""

    def begin(self) -> None:
        """Nothing is drawn."""

    def _draw(
        self,
        camera: Camera,
        t: float,
        xy: Array,
        facing: Array,
        pose: Array,
        gait: Array,
        speed: Array,
        ball: Array,
    ) -> Any:
        joints = self._joints(t, xy, facing, pose, gait, speed)
        parts = np.concatenate([joints, 0.5 * (joints[:, BONE_A] + joints[:, BONE_B])], 1)
        scale = np.linalg.norm(camera.project(np.c_[xy, np.ones(len(xy))]) - camera.ground_to_px(xy), axis=1)
        return camera, camera.project(parts), scale


def _splat(px: Array, values: list[Array], rows: int, columns: int) -> list[Array]:
    """Sums of values (N,) over cells, each point shared bilinearly between its four."""
    x, y = px[:, 0] / CELL_PX - 0.5, px[:, 1] / CELL_PX - 0.5
    keep = np.isfinite(x) & np.isfinite(y) & (x > -1) & (y > -1) & (x < columns) & (y < rows)
    x, y = x[keep], y[keep]
    c, r = np.floor(x).astype(int), np.floor(y).astype(int)
    u, v = x - c, y - r
    out = []
    for value in values:
        total = np.zeros((rows + 2) * (columns + 2))
        for dr, dc, share in (
            (0, 0, (1 - u) * (1 - v)),
            (0, 1, u * (1 - v)),
            (1, 0, (1 - u) * v),
            (1, 1, u * v),
        ):
            at = (r + dr + 1) * (columns + 2) + c + dc + 1
            total += np.bincount(at, share * value[keep], len(total))
        out.append(total.reshape(rows + 2, columns + 2)[1:-1, 1:-1])
    return out


def _still_ground(rng: np.random.Generator, rows: int, columns: int) -> Array:
    """(R, C) brightness slope of the ground: grass, lines, a crowd along one edge."""
    out = np.full((rows, columns), float(rng.uniform(0.02, 0.3)))
    for _ in range(rng.integers(3, 12)):
        a, b = rng.uniform(0, 1, 2) * columns, rng.uniform(0, 1, 2) * rows
        t = np.linspace(0, 1, 80)
        r = (b[0] + (b[1] - b[0]) * t).astype(int).clip(0, rows - 1)
        c = (a[0] + (a[1] - a[0]) * t).astype(int).clip(0, columns - 1)
        out[r, c] += rng.uniform(0.3, 3.0)
    if rng.random() < 0.4:
        out[: rng.integers(1, rows // 3)] += rng.uniform(0.5, 3.0)
    return out


def _errors(rng: np.random.Generator, count: int, look: snap_film.QuickLook) -> Array:
    """(T,) px by which the camera's motion is measured wrong: more for a camera that moves."""
    level = 0.02 + 0.15 * min(look.shake_px, 1.0) + 0.05 * (look.early_pan_deg_s != 0)
    out = np.abs(rng.normal(0, level, count)) * rng.choice([0.0, 1.0], count, p=[0.4, 0.6])
    pops = rng.random(count) < 0.02
    return out + pops * rng.uniform(0, 0.5, count)


def activity(film: GridFilm, seed: int) -> Iterator[NDArray[np.float32]]:
    """(R, C) per frame."""
    rng = np.random.default_rng([seed, 7])
    look = film.look
    rows, columns = grid_shape(look.width_px, look.height_px)
    ground = _still_ground(rng, rows, columns)
    kit = np.exp(rng.normal(0, 0.5, film.people))
    noise = float(np.exp(rng.uniform(np.log(0.002), np.log(0.1)))) / look.contrast**2
    grain = float(rng.uniform(8, 40))  # how alike the noise of two cells is
    dead = float(rng.choice([0.0, rng.uniform(0, 0.25)]))  # px a codec leaves out
    lag = max(1, round(float(np.median(1 / np.diff(film.time_s))) / 15))
    error = _errors(rng, len(film.time_s), look)
    past: list[tuple[Camera, Array]] = []
    for k, (camera, px, scale) in enumerate(film):
        then_camera, then = past[max(0, len(past) - lag)] if past else (camera, px)
        past = [*past[-lag:], (camera, px)]
        flat = np.concatenate([then.reshape(-1, 2), np.ones((then.size // 2, 1))], 1)
        moved = flat @ (camera.yd_to_px @ np.linalg.inv(then_camera.yd_to_px)).T
        was = moved[:, :2] / moved[:, 2:]
        now = px.reshape(-1, 2)
        far = np.minimum(np.linalg.norm(now - was, axis=1), SEEN_PX)
        weight = np.repeat(kit * (0.2 * scale / CELL_PX) ** 2 * 4, px.shape[1])
        weight = np.where(np.isfinite(far), weight, 0.0)
        change = weight * np.maximum(np.nan_to_num(far) - dead, 0) ** 2
        slope, moving = _splat(now, [weight, 0.6 * change], rows, columns)
        moving = moving + _splat(was, [0.4 * change], rows, columns)[0]
        slope = slope + ground
        moving = (
            0.5 * moving + 0.5 * ground * error[k] ** 2 + noise * rng.gamma(grain, 1 / grain, (rows, columns))
        )
        floor = max(float(np.median(moving)), noise)
        yield np.sqrt(np.maximum(moving - 1.5 * floor, 0) / (0.5 * slope + floor)).astype(np.float32)


def motion(
    play: Play, look: snap_film.QuickLook, seed: int, rate: Fraction, span: dict[str, Any]
) -> tuple[Motion, GridFilm]:
    """The motion stage's result for a play, modelled."""
    film = GridFilm(play, look, seed, float(rate), **span)
    grid = np.stack(list(activity(film, seed)))
    count = len(grid)
    return Motion(
        look.width_px, look.height_px, np.arange(count), tuple(i / rate for i in range(count)),
        np.tile(np.eye(3), (count, 1, 1)), grid, np.zeros(count, bool),
    ), film  # fmt: skip
