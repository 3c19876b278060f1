"""The operator: turns a rig and a play into one exact Camera per moment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.training.film.look import Look, Rig
from models.training.playbook.play import Play
from pipeline.camera import Camera

Array = NDArray[np.float64]


def snap_or_middle(play: Play) -> int:
    """Index of the snap, or the middle of a clip without one."""
    return play.snap_index if play.snap_index is not None else len(play.time_s) // 2


def playing(play: Play) -> NDArray[np.bool_]:
    """(P,) True for the players of both sides."""
    return np.array([p.role == "player" for p in play.people])


def k1_of(focal_width: float, kind: str, offset: float) -> float:
    """Radial term from the focal length: measured .021 at 3.96 widths, falling as focal grows (corr -0.90)."""
    base = {"high": 0.021 - 0.0075 * (focal_width - 3.96), "endzone": 0.009, "low": 0.02}[kind]
    return float(np.clip(base, 0.001, 0.036) + offset)


def _aim(cam: Camera, point_yd: Array, at_px: Array) -> Camera:
    """Pan and tilt so that a point of the field stands at a pixel (three Newton-like steps)."""
    for _ in range(4):
        d = at_px - cam.project(point_yd)
        t = np.deg2rad(cam.tilt_deg)
        cam = replace(
            cam,
            pan_deg=cam.pan_deg - float(np.rad2deg(d[0] / cam.focal_px / max(np.cos(t), 0.2))),
            tilt_deg=cam.tilt_deg - float(np.rad2deg(d[1] / cam.focal_px)),
        )
    return cam


def _toward(rig: Rig, point: Array, focal: float, size: tuple[int, int]) -> Camera:
    d = point - np.asarray(rig.position_yd)
    pan = float(np.rad2deg(np.arctan2(d[0], d[1])))
    tilt = float(np.rad2deg(np.arctan2(-d[2], np.hypot(d[0], d[1]))))
    k1 = k1_of(focal / size[0], rig.kind, rig.k1_offset)
    return Camera(size[0], size[1], focal, rig.position_yd, pan, tilt, rig.roll_deg, k1)


def first_camera(look: Look, play: Play, size: tuple[int, int]) -> Camera:
    """The framing just before the snap: all 22 with room (high), a width across (end zone), fixed focal (low)."""
    rig, (w, h) = look.rig, size
    k = max(snap_or_middle(play) - 3, 0)
    xy = play.xy_yd[k][playing(play)]
    ball = np.array([play.line_of_scrimmage_yd, play.ball_y_yd, 0.0])
    if rig.kind == "high":
        room = rig.room_yd
        lo, hi = xy.min(0) - (room, 1.0), xy.max(0) + (room, 1.0)
        center = np.array([(lo[0] + hi[0]) / 2, play.ball_y_yd, 0.0])
        corners = np.array([[x, y, z] for x in (lo[0], hi[0]) for y in (lo[1], hi[1]) for z in (0.0, 2.0)])
        lower, upper = (v * w for v in rig.focal_limits)
        for _ in range(14):
            focal = (lower * upper) ** 0.5
            cam = _aim(_toward(rig, center, focal, size), center, np.array([rig.aim[0] * w, rig.aim[1] * h]))
            p = cam.project(corners)
            fits = np.isfinite(p).all() and (p >= 0).all() and (p <= (w - 1, h - 1)).all()
            lower, upper = (focal, upper) if fits else (lower, focal)
        return cam
    if rig.kind == "endzone":
        slant = float(np.linalg.norm(ball - np.asarray(rig.position_yd)))
        focal = float(np.clip(w * slant / rig.across_yd, w * rig.focal_limits[0], w * rig.focal_limits[1]))
    else:
        focal = rig.focal_width * w
    return _aim(_toward(rig, ball, focal, size), ball, np.array([rig.aim[0] * w, rig.aim[1] * h]))


def _follow(look: Look, play: Play, index: NDArray[np.int64]) -> tuple[Array, Array]:
    """((T, 2) yards the aim has moved since before the snap, (T,) factor on the focal length) at the indices."""
    rig = look.rig
    snap = snap_or_middle(play)
    last = int(index.max())
    ball = np.asarray(play.ball_xyz_yd[: last + 1, :2], float)
    if play.snap_index is None:
        return np.zeros((len(index), 2)), np.ones(len(index))
    moved = ball - ball[min(snap, last)]
    moved[: min(snap, last) + 1] = 0.0
    wait = round(rig.delay_s * play.hz)
    out = np.zeros_like(moved)
    vel = np.zeros(2)
    w0 = 2.0 / max(rig.lag_s, 0.05)
    dt = 1.0 / play.hz
    for i in range(1, len(out)):  # a critically damped operator
        goal = moved[i - wait] if i - wait > snap else np.zeros(2)
        vel = vel + dt * (w0 * w0 * (goal - out[i - 1]) - 2 * w0 * vel)
        out[i] = out[i - 1] + dt * vel
    t = play.time_s[index]
    # Film grows 2.3 to 4.8 times over a play, almost all in its last third, which our plays hardly reach.
    start = 0.6 if rig.seed % 8 == 0 else 1.5
    s = np.clip((t - start) / 5.0, 0, 1)
    return out[index] * rig.follow, 1.0 + rig.zoom_in * s * s * (3 - 2 * s)


def _wobble(rig: Rig, t: Array) -> Array:
    """(T, 3) smooth jitter in sd 1: pan, tilt, roll."""
    rng = np.random.default_rng(rig.seed)
    f = rng.uniform(0.3, 6.0, (3, 6))
    ph = rng.uniform(0, 2 * np.pi, (3, 6))
    return np.sin(2 * np.pi * f[None] * t[:, None, None] + ph[None]).sum(-1).reshape(-1, 3) / np.sqrt(3.0)


def cameras(look: Look, play: Play, index: NDArray[np.int64], size: tuple[int, int]) -> list[Camera]:
    """One Camera per index into the play's moments."""
    rig, w = look.rig, size[0]
    index = np.asarray(index)
    base = first_camera(look, play, size)
    aim_px = np.array([(w - 1) / 2.0, (size[1] - 1) / 2.0])
    center = base.px_to_ground(aim_px)
    if not np.isfinite(center).all():  # the middle row looks above the ground: follow by angle of a far point
        center = np.asarray(rig.position_yd)[:2] + np.array([0.0, 60.0])
    moved, zoom = _follow(look, play, index)
    t = np.asarray(play.time_s, float)[index]
    jit = _wobble(rig, t) * np.rad2deg(rig.shake_px * w / 1280 / base.focal_px)
    drift = rig.drift_deg * np.sin(0.35 * t + rig.seed % 7) * 4.0 / max(base.focal_px / w, 0.5) * 0.25
    out = []
    for i in range(len(index)):
        d0 = np.append(center, 0.0) - np.asarray(rig.position_yd)
        d1 = d0 + np.append(moved[i], 0.0)
        pan = np.rad2deg(np.arctan2(d1[0], d1[1]) - np.arctan2(d0[0], d0[1]))
        tilt = np.rad2deg(np.arctan2(-d1[2], np.hypot(*d1[:2])) - np.arctan2(-d0[2], np.hypot(*d0[:2])))
        focal = min(base.focal_px * float(zoom[i]), rig.focal_limits[1] * w * 1.6)
        out.append(
            replace(
                base,
                focal_px=focal,
                pan_deg=base.pan_deg + float(pan + drift[i] + jit[i, 0]),
                tilt_deg=base.tilt_deg + float(tilt + jit[i, 1]),
                roll_deg=base.roll_deg + float(jit[i, 2] * 0.3),
                k1=k1_of(focal / w, rig.kind, rig.k1_offset),
            )
        )
    return out
