"""Fits cameras to what was seen: many cameras at once, robust Gauss-Newton with weak priors.

A camera is a row of eight numbers: log focal (in picture widths), pan, tilt, roll (radians), position (yards), k1.
Formulas: the pinhole of :class:`pipeline.camera.Camera`, here for B cameras and N points in one go.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.camera import Camera

Array = NDArray[np.float64]
PARAMETERS = ("log_focal", "pan", "tilt", "roll", "x", "y", "z", "k1")
STEPS = np.array([1e-4, 1e-5, 1e-5, 1e-5, 1e-3, 1e-3, 1e-3, 1e-4])  # of the numerical derivative
CAUCHY = 2.0  # residuals beyond so many sigmas count less and less


def row_of(cam: Camera) -> Array:
    """(8,) parameters of a Camera."""
    a = np.deg2rad([cam.pan_deg, cam.tilt_deg, cam.roll_deg])
    return np.array([np.log(cam.focal_px / cam.width_px), *a, *cam.position_yd, cam.k1])


def camera_of(row: Array, size: tuple[int, int]) -> Camera:
    """The Camera of (8,) parameters; size (width, height) px."""
    a = np.rad2deg(row[1:4])
    pan = float((a[0] + 180) % 360 - 180)
    x, y, z = (float(v) for v in row[4:7])
    return Camera(
        size[0], size[1], float(np.exp(row[0]) * size[0]), (x, y, z), pan, float(a[1]), float(a[2]), float(row[7])
    )


def rotations(rows: Array) -> Array:
    """(B, 3, 3) field to camera axes, as Camera.rotation."""
    a, t, r = rows[:, 1], rows[:, 2], rows[:, 3]
    ca, sa, ct, st, cr, sr = np.cos(a), np.sin(a), np.cos(t), np.sin(t), np.cos(r), np.sin(r)
    zero = np.zeros_like(a)
    forward = np.stack([sa * ct, ca * ct, -st], -1)
    right0 = np.stack([ca, -sa, zero], -1)
    down0 = np.stack([-sa * st, -ca * st, -ct], -1)
    right = cr[:, None] * right0 - sr[:, None] * down0
    down = sr[:, None] * right0 + cr[:, None] * down0
    return np.stack([right, down, forward], 1)


def project(rows: Array, xy: Array, size: tuple[int, int]) -> Array:
    """(B, 8) cameras, (N, 2) or (B, N, 2) ground yards -> (B, N, 2) px. Behind the camera: far away, finite."""
    rot = rotations(rows)
    # One product: K [r1 r2 -R c] applied to (x, y, 1).
    m = np.concatenate([rot[:, :, :2], -(rot @ rows[:, 4:7, None])], 2)
    m[:, :2] *= (np.exp(rows[:, 0]) * 2)[:, None, None]  # in half widths
    c = np.matmul(xy, m[:, :, :2].transpose(0, 2, 1)) + m[:, None, :, 2]
    u = c[..., :2] / np.maximum(c[..., 2:], 0.5)
    r2 = u[..., :1] ** 2 + u[..., 1:] ** 2
    u *= 1 + rows[:, 7, None, None] * np.minimum(r2, 4.0)
    u *= size[0] / 2
    u += ((size[0] - 1) / 2, (size[1] - 1) / 2)
    return np.asarray(u)


def unproject(rows: Array, px: Array, size: tuple[int, int]) -> Array:
    """(B, 8) cameras, (N, 2) px -> (B, N, 2) ground yards; at or above the horizon NaN."""
    d = (px - ((size[0] - 1) / 2, (size[1] - 1) / 2)) / (size[0] / 2)
    k1 = rows[:, 7, None, None]
    d2 = (d[:, :1] ** 2 + d[:, 1:] ** 2)[None]
    shrink = np.ones((len(rows), len(d), 1))
    for _ in range(5):  # u = d * shrink, so |u|^2 = |d|^2 shrink^2
        shrink = 1 / (1 + k1 * d2 * shrink**2)
    u = d * shrink
    u = u / (np.exp(rows[:, 0]) * 2)[:, None, None]
    rot = rotations(rows)
    ray = np.matmul(u, rot[:, :2]) + rot[:, None, 2]
    drop = np.where(ray[..., 2] < -1e-6, ray[..., 2], np.nan)
    k = -rows[:, 6, None] / drop
    return rows[:, None, 4:6] + ray[..., :2] * k[..., None]


@dataclass(frozen=True)
class Prior:
    """Weak knowledge of a camera: mean (8,) and sd (8,) of the parameters (inf: none)."""

    mean: Array
    sd: Array


@dataclass(frozen=True)
class Sightings:
    """N observations for B cameras.

    px (N, 2) where something was seen; xy (B, N, 2) the field point it belongs to; normal (B, N, 2, 2) the
    directions (rows) in which the distance counts, px per sigma already taken out: a line has one (the
    second row is zero), a point two.
    """

    px: Array
    xy: Array
    normal: Array


def residuals(
    rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int], repeat: int = 1
) -> tuple[Array, Array]:
    """Scaled residuals: (B, N, 2) of sightings and (B, 8) of the prior. repeat: rows come in groups per camera."""
    xy = np.repeat(seen.xy, repeat, 0) if repeat > 1 else seen.xy
    normal = np.repeat(seen.normal, repeat, 0) if repeat > 1 else seen.normal
    d = seen.px - project(rows, xy, size)
    r = np.matmul(normal, d[..., None])[..., 0]
    return np.clip(r, -1e4, 1e4), (rows - prior.mean) / prior.sd


def _robust(r: Array) -> Array:
    """Square roots of the weights of Cauchy's function, per observation; r (B, N, 2)."""
    return np.asarray(1 / np.sqrt(1 + (r**2).sum(-1, keepdims=True) / CAUCHY**2))


def cost(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> Array:
    """(B,) robust cost."""
    r, p = residuals(rows, seen, prior, size)
    return np.asarray((CAUCHY**2 * np.log1p((r**2).sum(-1) / CAUCHY**2)).sum(-1) + (p**2).sum(-1))


def _system(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> tuple[Array, Array]:
    """Normal matrices (B, 8, 8) and right sides (B, 8) of the reweighted problem."""
    b, n = len(rows), len(PARAMETERS)
    moved = np.repeat(rows, n + 1, 0)
    for i in range(n):
        moved[i + 1 :: n + 1, i] += STEPS[i]
    r, _ = residuals(moved, seen, prior, size, n + 1)
    r = r.reshape(b, n + 1, -1, 2)
    base = r[:, 0]
    w = _robust(base)
    jac = ((r[:, 1:] - base[:, None]) / STEPS[None, :, None, None]) * w[:, None]
    jac = jac.reshape(b, n, -1)
    e = (base * w).reshape(b, -1)
    a = np.matmul(jac, jac.transpose(0, 2, 1)) + np.diag(prior.sd**-2.0)
    g = np.matmul(jac, e[..., None])[..., 0] + (rows - prior.mean) * prior.sd**-2.0
    return a, g


def refine(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int], steps: int = 6) -> tuple[Array, Array]:
    """Levenberg-Marquardt on each of B cameras. Returns rows (B, 8) and cost (B,)."""
    rows = rows.copy()
    damp = np.full(len(rows), 1e-3)
    now = cost(rows, seen, prior, size)
    for _ in range(steps):
        a, g = _system(rows, seen, prior, size)
        diag = np.einsum("bii->bi", a)
        a = a + np.eye(8)[None] * (damp[:, None] * diag)[:, None] + np.eye(8) * 1e-12
        step = -np.linalg.solve(a, g[..., None])[..., 0]
        step[:, 1:4] = np.clip(step[:, 1:4], -0.2, 0.2)
        tried = rows + step
        tried[:, 0] = np.clip(tried[:, 0], np.log(0.4), np.log(25))
        tried[:, 6] = np.clip(tried[:, 6], 1.0, 150.0)
        tried[:, 7] = np.clip(tried[:, 7], -0.08, 0.12)
        new = cost(tried, seen, prior, size)
        better = new < now
        rows[better], gain = tried[better], np.abs(now - new) < 1e-4 * now
        now = np.where(better, new, now)
        damp = np.where(better, damp * 0.25, damp * 8)
        if (gain | (damp > 1e3)).all():
            break
    return rows, now


def covariance(row: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> Array:
    """(8, 8) covariance of one fitted camera for sightings scaled to unit sigma."""
    a, _ = _system(row[None], seen, prior, size)
    return np.asarray(np.linalg.inv(a[0] + np.eye(8) * 1e-12))
