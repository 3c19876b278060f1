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
NEAREST, FARTHEST = 0.5, 4.0  # yards before the camera; square of half widths up to which the lens term grows
MOST = 1e4  # sigmas
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
    ca, ct, cr = np.cos(rows[:, 1:4]).T
    sa, st, sr = np.sin(rows[:, 1:4]).T
    out = np.empty((len(rows), 3, 3))
    right0, down0 = np.empty((2, 3, len(rows)))
    right0[0], right0[1], right0[2] = ca, -sa, 0
    down0[0], down0[1], down0[2] = -sa * st, -ca * st, -ct
    out[:, 0] = (cr * right0 - sr * down0).T
    out[:, 1] = (sr * right0 + cr * down0).T
    out[:, 2, 0], out[:, 2, 1], out[:, 2, 2] = sa * ct, ca * ct, -st
    return out


def project(rows: Array, xy: Array, size: tuple[int, int]) -> Array:
    """(B, 8) cameras, (N, 2) or (B, N, 2) ground yards -> (B, N, 2) px. Behind the camera: far away, finite."""
    rot = rotations(rows)
    # One product: K [r1 r2 -R c] applied to (x, y, 1).
    m = rot.copy()
    m[:, :, 2] = -(rot @ rows[:, 4:7, None])[..., 0]
    m[:, :2] *= (np.exp(rows[:, 0]) * 2)[:, None, None]  # in half widths
    c = np.matmul(xy, m[:, :, :2].transpose(0, 2, 1))
    c += m[:, None, :, 2]
    u = c[..., :2] / np.maximum(c[..., 2:], NEAREST)
    r2 = u[..., :1] * u[..., :1]
    r2 += u[..., 1:] * u[..., 1:]
    u *= 1 + rows[:, 7, None, None] * np.minimum(r2, FARTHEST)
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


def residuals(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> tuple[Array, Array]:
    """Scaled residuals: (B, N, 2) of sightings and (B, 8) of the prior."""
    d = seen.px - project(rows, seen.xy, size)
    r = seen.normal[..., 0] * d[..., :1] + seen.normal[..., 1] * d[..., 1:]
    return np.clip(r, -MOST, MOST), (rows - prior.mean) / prior.sd


def _robust(r: Array) -> Array:
    """Square roots of the weights of Cauchy's function, per observation; r (B, N, 2)."""
    return np.asarray(1 / np.sqrt(1 + (r**2).sum(-1, keepdims=True) / CAUCHY**2))


def cost(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> Array:
    """(B,) robust cost."""
    r, p = residuals(rows, seen, prior, size)
    return np.asarray((CAUCHY**2 * np.log1p((r**2).sum(-1) / CAUCHY**2)).sum(-1) + (p**2).sum(-1))


def jacobian(rows: Array, xy: Array, size: tuple[int, int]) -> tuple[Array, Array]:
    """Px (B, N, 2) of :func:`project` and their derivatives (B, 8, N, 2) by the parameters, xy (B, N, 2).

    Where a point lies behind the camera, or so far out that the lens term is held, the derivative of what is held is
    zero, as of the projection itself.
    """
    rot = rotations(rows)
    # A parameter's effect on the points in camera axes; rows of rot are right, down, forward.
    p = np.stack([xy[..., 0] - rows[:, 4:5], xy[..., 1] - rows[:, 5:6]], 1)  # (B, 2, N)
    c = np.matmul(rot[:, :, :2], p) - rot[:, :, 2:] * rows[:, 6, None, None]  # (B, 3, N)
    cr, sr = np.cos(rows[:, 3])[:, None], np.sin(rows[:, 3])[:, None]
    dc = np.empty((len(rows), 6, 3, c.shape[2]))  # pan, tilt, roll, x, y, z
    dc[:, 0] = rot[..., 1:2] * p[:, None, 0] - rot[..., :1] * p[:, None, 1]
    dc[:, 1, 0], dc[:, 1, 1], dc[:, 1, 2] = sr * c[:, 2], -cr * c[:, 2], cr * c[:, 1] - sr * c[:, 0]
    dc[:, 2, 0], dc[:, 2, 1], dc[:, 2, 2] = -c[:, 1], c[:, 0], 0
    dc[:, 3:] = -rot.transpose(0, 2, 1)[..., None]
    depth = np.maximum(c[:, 2], NEAREST)
    front = c[:, 2] > NEAREST
    f = (np.exp(rows[:, 0]) * 2)[:, None, None]
    v = f * c[:, :2] / depth[:, None]  # (B, 2, N), in half widths
    dv = np.empty((len(rows), 7, 2, c.shape[2]))  # log focal, then the six
    dv[:, 0] = v
    dv[:, 1:] = (f[:, None] * dc[:, :, :2] - v[:, None] * (dc[:, :, 2:] * front[:, None, None])) / depth[:, None, None]
    r2 = (v**2).sum(1)
    k1 = rows[:, 7, None]
    held = np.minimum(r2, FARTHEST)
    bend = 1 + k1 * held
    turn = 2 * k1 * (r2 < FARTHEST) * (v[:, None] * dv).sum(2).transpose(1, 0, 2)  # (7, B, N)
    out = np.empty((len(rows), 8, 2, c.shape[2]))
    out[:, :7] = dv * bend[:, None, None] + v[:, None] * turn.transpose(1, 0, 2)[:, :, None]
    out[:, 7] = v * held[:, None]
    half = size[0] / 2
    px = (v * bend[:, None]).transpose(0, 2, 1) * half + ((size[0] - 1) / 2, (size[1] - 1) / 2)
    return px, out.transpose(0, 1, 3, 2) * half


def _system(rows: Array, seen: Sightings, prior: Prior, size: tuple[int, int]) -> tuple[Array, Array]:
    """Normal matrices (B, 8, 8) and right sides (B, 8) of the reweighted problem."""
    b, n = len(rows), len(PARAMETERS)
    px, move = jacobian(rows, np.broadcast_to(seen.xy, (b, *seen.xy.shape[-2:])), size)
    normal = seen.normal
    d = seen.px - px
    base = normal[..., 0] * d[..., :1] + normal[..., 1] * d[..., 1:]
    far = np.abs(base) >= MOST
    base = np.clip(base, -MOST, MOST)
    w = _robust(base)
    scaled = normal * -(w * ~far)[..., None]
    move_r = np.empty((b, n, base.shape[1], 2))
    for k in (0, 1):
        np.multiply(scaled[:, None, :, k, 0], move[..., 0], out=move_r[..., k])
        move_r[..., k] += scaled[:, None, :, k, 1] * move[..., 1]
    jac = move_r.reshape(b, n, -1)
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
