"""Poses of every stance as rows of numbers, and the gait: what a body of a given stance and speed looks like.

A pose is a row of parameters (PARAMS) in the body frame of :mod:`.skeleton` (heights, radians). Rows blend
linearly, so a body goes smoothly from a stance into a run. Hands are given from the ground point (mode 0) or
from the shoulder (mode 1). Numbers by eye and common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import skeleton as sk

F = NDArray[np.float64]

STANCES = (
    "standing", "two_point", "three_point", "four_point", "under_center", "shotgun", "crouched", "moving",
    "engaged", "throwing", "catching", "down", "kicking", "arms_out",
)  # fmt: skip
EXTRA_STANCES = ("sitting", "kneeling", "holding_pole", "camera", "cheering")
ALL_STANCES = STANCES + EXTRA_STANCES
STANCE = {name: i for i, name in enumerate(ALL_STANCES)}
VARIANTS = 4

PARAMS = (
    "px", "py", "pz", "pitch", "roll", "yaw", "bend", "twist", "side", "head_pitch", "head_yaw",
    "fl_x", "fl_y", "fl_z", "fr_x", "fr_y", "fr_z", "fl_pitch", "fr_pitch", "fl_yaw", "fr_yaw",
    "kl_out", "kr_out",
    "hl_x", "hl_y", "hl_z", "hl_mode", "hr_x", "hr_y", "hr_z", "hr_mode", "el_out", "er_out",
)  # fmt: skip
P = {name: i for i, name in enumerate(PARAMS)}
_NOISE = {
    "px": 0.01, "pz": 0.012, "pitch": 0.06, "roll": 0.03, "yaw": 0.08, "bend": 0.07, "twist": 0.09, "side": 0.04,
    "head_pitch": 0.15, "head_yaw": 0.35, "fl_x": 0.02, "fl_y": 0.018, "fr_x": 0.02, "fr_y": 0.018,
    "fl_yaw": 0.15, "fr_yaw": 0.15, "kl_out": 0.12, "kr_out": 0.12, "hl_x": 0.02, "hl_y": 0.02, "hl_z": 0.012,
    "hr_x": 0.02, "hr_y": 0.02, "hr_z": 0.012, "el_out": 0.2, "er_out": 0.2,
}  # fmt: skip
NOISE = np.array([_NOISE.get(name, 0.0) for name in PARAMS])
_MIRROR = [P[n.translate(str.maketrans("lr", "rl"))] if n[:2] in ("fl", "fr", "hl", "hr", "kl", "kr", "el", "er")
           else P[n] for n in PARAMS]  # fmt: skip
_FLIP = np.array([-1.0 if n in ("py", "roll", "yaw", "twist", "side", "head_yaw") or n.endswith("_y") else 1.0
                  for n in PARAMS])  # fmt: skip


def _row(
    pelvis: tuple[float, float] = (0.0, 0.522),
    lean: tuple[float, float, float] = (0.03, 0.03, -0.05),
    feet: tuple[float, ...] = (0.0, 0.07, 0.0, 0.0, -0.07, 0.0),
    heels: tuple[float, float] = (0.0, 0.0),
    left: tuple[float, float, float, float] = (0.03, 0.06, -0.325, 1),
    right: tuple[float, float, float, float] | None = None,
    out: float = 0.15,
    elbow: float = 0.5,
    **more: float,
) -> F:
    """One pose: pelvis (x, z), lean (pelvis pitch, spine bend, head pitch), feet (left xyz, right xyz)."""
    if right is None:
        right = (left[0], -left[1], left[2], left[3])
    v = np.zeros(len(PARAMS))
    v[P["px"]], v[P["pz"]] = pelvis
    v[P["pitch"]], v[P["bend"]], v[P["head_pitch"]] = lean
    v[P["fl_x"] : P["fl_x"] + 6] = feet
    v[P["fl_pitch"]], v[P["fr_pitch"]] = heels
    v[P["fl_yaw"]], v[P["fr_yaw"]] = 0.15, 0.15
    v[P["kl_out"]] = v[P["kr_out"]] = out
    v[P["hl_x"] : P["hl_x"] + 4], v[P["hr_x"] : P["hr_x"] + 4] = left, right
    v[P["el_out"]] = v[P["er_out"]] = elbow
    for name, value in more.items():
        v[P[name]] = value
    return v


def mirrored(rows: F) -> F:
    """Left and right exchanged, (..., D)."""
    return rows[..., _MIRROR] * _FLIP


def _centered(row: F, stance: str) -> F:
    """The pose moved along x so that the middle of the feet (0.03 before the ankles) is the ground point."""
    if stance in ("down", "kicking"):
        return row
    out = row.copy()
    shift = (row[P["fl_x"]] + row[P["fr_x"]]) / 2 + 0.03
    out[[P["px"], P["fl_x"], P["fr_x"]]] -= shift
    for k in "lr":
        out[P[f"h{k}_x"]] -= shift * (1 - row[P[f"h{k}_mode"]])
    return out


def _table() -> F:
    """(stances, VARIANTS, D)."""
    wide = (0.0, 0.115, 0.0, 0.0, -0.115, 0.0)
    stag = (0.10, 0.06, 0.0, -0.12, -0.06, 0.0)
    tight = (0.03, 0.09, 0.0, -0.10, -0.10, 0.0)
    lie = (-0.5, 0.09, 0.05, -0.42, -0.07, 0.05)
    s: dict[str, list[F]] = {}
    s["standing"] = [
        _row(),
        _row(left=(0.03, 0.125, 0.565, 0), elbow=1.4, lean=(0.02, 0.05, 0.0)),
        _row(left=(0.12, 0.05, 0.70, 0), elbow=0.9),
        _row(left=(0.03, 0.125, 0.565, 0), right=(0.02, -0.07, -0.32, 1), feet=(0.05, 0.09, 0, -0.03, -0.07, 0)),
    ]
    s["two_point"] = [
        _row((0.02, 0.475), (0.28, 0.22, -0.45), stag, (0, 0.35), (0.10, 0.02, -0.27, 1)),
        _row((-0.04, 0.43), (0.55, 0.30, -0.70), wide, (0, 0), (0.12, 0.13, 0.34, 0)),
        _row((-0.03, 0.45), (0.40, 0.25, -0.55), wide, (0, 0), (0.14, 0.01, -0.22, 1)),
        _row((0.0, 0.49), (0.2, 0.15, -0.3), (0.02, 0.09, 0, -0.05, -0.09, 0), (0, 0), (0.07, 0.04, -0.29, 1)),
    ]
    down_hand = (0.27, -0.05, 0.085, 0.0)
    s["three_point"] = [
        _row((-0.06, 0.405), (1.30, 0.22, -1.15), tight, (0.25, 0.55), (0.05, 0.14, 0.36, 0), down_hand, 0.25),
        _row((-0.08, 0.41), (1.18, 0.28, -1.1), tight, (0.2, 0.5), (0.10, 0.12, 0.33, 0), (0.25, -0.04, 0.085, 0), 0.3),
        _row((-0.03, 0.42), (1.38, 0.2, -1.2), (0.06, 0.08, 0, -0.16, -0.09, 0), (0.3, 0.7), (0.08, 0.13, 0.36, 0),
             (0.31, -0.05, 0.085, 0), 0.2),
        _row((-0.09, 0.39), (1.2, 0.3, -1.15), (0.0, 0.12, 0, -0.06, -0.12, 0), (0.1, 0.35), (0.06, 0.16, 0.34, 0),
             (0.22, -0.04, 0.085, 0), 0.35),
    ]  # fmt: skip
    four = [
        _row((-0.05 + d, 0.40), (1.35 + d, 0.25, -1.2), tight, (0.4, 0.6), (0.28 + d, 0.07, 0.085, 0))
        for d in (0, 0.04)
    ]
    s["four_point"] = [*four, *four]
    center = _row((-0.04, 0.455), (0.42, 0.30, -0.55), (0.0, 0.105, 0, -0.04, -0.105, 0), (0, 0),
                  (0.27, 0.02, 0.44, 0), (0.26, -0.02, 0.42, 0), 0.2, 0.5)  # fmt: skip
    s["under_center"] = [center] * 4
    s["shotgun"] = [
        _row((-0.01, 0.495), (0.16, 0.14, -0.25), (0.02, 0.09, 0, -0.05, -0.09, 0), (0, 0), (0.19, 0.04, 0.60, 0)),
        _row((-0.02, 0.48), (0.25, 0.18, -0.35), wide, (0, 0), (0.20, 0.05, 0.56, 0)),
        _row((0.0, 0.505), (0.1, 0.12, -0.2), stag, (0, 0.2), (0.14, 0.06, 0.60, 0)),
        _row((-0.01, 0.49), (0.2, 0.15, -0.3), wide, (0, 0), (0.08, 0.05, -0.27, 1)),
    ]
    s["crouched"] = [
        _row((-0.06, 0.40), (0.62, 0.32, -0.8), wide, (0, 0), (0.11, 0.13, 0.31, 0), None, 0.35, 0.9),
        _row((-0.05, 0.40), (0.55, 0.30, -0.7), wide, (0, 0), (0.17, 0.0, -0.17, 1), None, 0.4, 0.7),
        _row((-0.05, 0.37), (0.7, 0.35, -0.9), stag, (0, 0.4), (0.15, 0.02, -0.2, 1), None, 0.4, 0.6),
        _row((-0.05, 0.43), (0.5, 0.25, -0.6), wide, (0, 0), (0.12, 0.13, 0.34, 0), None, 0.3, 0.9),
    ]
    s["moving"] = [_row((0, 0.50), (0.12, 0.1, -0.15), left=(0.09, 0.04, -0.26, 1), elbow=0.4)] * 4
    s["engaged"] = [
        _row((-0.08, 0.455), (0.42, 0.15, -0.35), (0.05, 0.12, 0, -0.24, -0.1, 0), (0, 0.6), (0.31, 0.07, 0.60, 0),
             None, 0.3, 0.35),
        _row((-0.07, 0.46), (0.25, 0.12, -0.2), (0.03, 0.125, 0, -0.10, -0.12, 0), (0, 0), (0.29, 0.08, 0.64, 0),
             None, 0.45, 0.45),
        _row((-0.1, 0.43), (0.6, 0.15, -0.55), (-0.02, 0.12, 0, -0.32, -0.1, 0), (0.1, 0.8), (0.34, 0.07, 0.53, 0),
             (0.30, -0.12, 0.48, 0), 0.3, 0.4),
        _row((-0.06, 0.46), (0.3, 0.2, -0.3), (0.06, 0.12, 0, -0.15, -0.13, 0), (0, 0.3), (0.24, 0.12, 0.58, 0),
             (0.31, -0.05, 0.66, 0), 0.4, 0.5, twist=0.35),
    ]  # fmt: skip
    throw = (0.16, 0.06, 0, -0.16, -0.08, 0)
    s["throwing"] = [
        _row((-0.02, 0.495), (0.0, 0.0, 0.0), throw, (0, 0.3), (0.2, 0.03, -0.08, 1), (-0.06, -0.09, 0.16, 1),
             0.15, 1.0, twist=-0.7, head_yaw=0.6),
        _row((0.02, 0.49), (0.12, 0.1, -0.1), throw, (0, 0.6), (0.05, 0.1, -0.2, 1), (0.2, -0.02, 0.2, 1),
             0.15, 0.8, twist=0.35, head_yaw=-0.3),
        _row((0.0, 0.495), (0.05, 0.08, -0.1), throw, (0, 0.2), (0.13, 0.03, 0.78, 0), (0.11, -0.06, 0.80, 0),
             0.15, 0.9, twist=-0.4, head_yaw=0.4),
        _row((-0.02, 0.495), (0.0, 0.0, 0.0), throw, (0, 0.3), (0.22, 0.0, -0.02, 1), (-0.1, -0.12, 0.05, 1),
             0.15, 1.1, twist=-0.8, head_yaw=0.7),
    ]  # fmt: skip
    s["catching"] = [
        _row((0, 0.505), (0.05, 0.0, -0.35), stag, (0, 0.3), (0.16, -0.05, 0.22, 1)),
        _row((0, 0.49), (0.15, 0.12, -0.1), stag, (0, 0.3), (0.22, -0.06, -0.08, 1)),
        _row((0, 0.51), (0.0, -0.05, -0.45), stag, (0.5, 0.5), (0.06, -0.05, 0.30, 1)),
        _row((0, 0.47), (0.3, 0.2, -0.3), stag, (0, 0.3), (0.22, -0.05, -0.22, 1)),
    ]
    s["down"] = [
        _row((0, 0.09), (1.5, 0.05, -0.7), lie, (1.4, 1.4), (0.52, 0.16, 0.04, 0), (0.35, -0.2, 0.04, 0), 0.3),
        _row((0, 0.09), (-1.45, 0.1, 0.3), (0.36, 0.1, 0.06, 0.22, -0.1, 0), (-1.0, 0), (-0.25, 0.24, 0.05, 0),
             None, 0.3, 1.0),
        _row((0, 0.27), (1.25, 0.2, -0.6), (-0.24, 0.1, 0.03, -0.24, -0.1, 0.03), (1.4, 1.4), (0.3, 0.11, 0.06, 0)),
        _row((0, 0.1), (1.3, 0.1, -0.5), (-0.42, 0.12, 0.06, -0.25, -0.16, 0.05), (1.4, 1.2), (0.45, 0.02, 0.06, 0),
             (0.2, -0.2, 0.05, 0), 0.5, 0.6, roll=0.7),
    ]  # fmt: skip
    s["kicking"] = [
        _row((0.02, 0.515), (-0.15, 0.1, 0.15), (-0.02, 0.03, 0, 0.33, -0.05, 0.28), (0, -0.3), (0.05, 0.27, -0.05, 1),
             (-0.12, -0.2, -0.12, 1)),
        _row((0.02, 0.515), (0.1, 0.15, 0.1), (0.03, 0.05, 0, -0.3, -0.09, 0.2), (0, 1.0), (0.12, 0.25, 0.0, 1),
             (-0.1, -0.2, -0.18, 1)),
    ] * 2  # fmt: skip
    s["arms_out"] = [
        _row(left=(0.03, 0.31, 0.0, 1), elbow=0.9),
        _row(left=(0.0, 0.05, 0.31, 1), elbow=0.6),
        _row(left=(0.14, 0.24, -0.1, 1), elbow=0.9, lean=(0.1, 0.1, -0.1)),
        _row(left=(0.0, 0.06, 0.31, 1), right=(0.03, -0.06, -0.32, 1), elbow=0.6),
    ]
    sit = (0.2, 0.09, 0, 0.2, -0.09, 0)
    s["sitting"] = [
        _row((-0.04, 0.28), (-0.1, 0.35, -0.05), sit, (0, 0), (0.15, 0.09, 0.33, 0)),
        _row((-0.04, 0.28), (0.35, 0.4, -0.2), sit, (0, 0), (0.24, 0.03, 0.34, 0)),
    ] * 2
    s["kneeling"] = [
        _row((0, 0.29), (0.1, 0.1, 0.0), (0.17, 0.08, 0, -0.24, -0.07, 0.03), (0, 1.3), (0.19, 0.05, 0.62, 0)),
        _row((0, 0.29), (0.1, 0.1, 0.0), (0.17, 0.08, 0, -0.24, -0.07, 0.03), (0, 1.3), (0.17, 0.09, 0.32, 0)),
    ] * 2
    s["holding_pole"] = [_row(left=(0.20, 0.10, 0.62, 0), right=(0.02, -0.07, -0.32, 1), elbow=0.8)] * 4
    s["camera"] = [_row(lean=(0.08, 0.12, 0.0), left=(0.19, 0.03, 0.84, 0), elbow=1.0)] * 4
    s["cheering"] = [_row(left=(0.0, 0.17, 0.28, 1), elbow=0.8), _row(left=(0.02, 0.12, 0.57, 0), elbow=1.4)] * 2
    return np.stack([np.stack([_centered(row, name) for row in s[name]]) for name in ALL_STANCES])


TABLE = _table()
# How far each stance lets speed take over (1 = becomes a run entirely), and how much its feet step.
_YIELD = {"standing": 1, "two_point": 1, "three_point": 1, "four_point": 1, "under_center": 1, "shotgun": 1,
          "crouched": 1, "moving": 1, "sitting": 0, "kneeling": 0, "holding_pole": 0.6, "camera": 0.3}  # fmt: skip
YIELD = np.array([float(_YIELD.get(n, 0.0)) for n in ALL_STANCES])
_STEP = {"engaged": 0.7, "throwing": 0.5, "catching": 0.9, "arms_out": 0.8, "moving": 1.0, "cheering": 0.5}
STEP = np.array([float(_STEP.get(n, 0.0)) for n in ALL_STANCES])


def smooth(x: F, low: float, high: float) -> F:
    """Smooth step from 0 at low to 1 at high."""
    t = np.clip((x - low) / (high - low), 0.0, 1.0)
    return t * t * (3 - 2 * t)


def pose_rows(
    weights: F, variant: NDArray[np.int64], mirror: NDArray[np.bool_], noise: F, velocity: F, phase: F, upright: F
) -> F:
    """(N, D) pose of N bodies.

    weights (N, stances) sum to 1; variant (N,) index below VARIANTS; mirror (N,); noise (N, D) standard
    normal; velocity (N, 2) in the body frame, body heights per second; phase (N,) rad, 2 pi a stride of two
    steps; upright (N,) 1 for people who walk tall (officials, staff), 0 for players.
    """
    speed = np.linalg.norm(velocity, axis=1)
    w = weights.copy()
    go = smooth(speed, 0.25, 1.1)[:, None] * YIELD
    moved = w * go
    w -= moved
    w[:, STANCE["moving"]] += moved.sum(1)
    tall = w[:, STANCE["moving"]] * upright * (1 - smooth(speed, 0.25, 1.1))
    w[:, STANCE["moving"]] -= tall
    w[:, STANCE["standing"]] += tall
    rows = np.einsum("ns,snd->nd", w, TABLE[:, variant])
    rows = np.where(mirror[:, None], mirrored(rows), rows)
    noise = noise * NOISE
    planted = w[:, [STANCE[n] for n in ("three_point", "four_point", "down")]].sum(1)
    noise[:, [P["hl_z"], P["hr_z"], P["pz"]]] *= (1 - planted)[:, None]
    noise[:, P["head_yaw"]] *= 1 - 0.7 * w[:, STANCE["moving"]]
    return _gait(rows + noise, w @ STEP, speed, velocity, phase, upright)


def _gait(rows: F, step: F, speed: F, velocity: F, phase: F, upright: F) -> F:
    """Adds steps, arm swing and lean for speed (body heights/s) to the rows."""
    ahead = velocity / np.maximum(speed, 1e-6)[:, None]
    forward = ahead[:, 0]
    on = step * smooth(speed, 0.05, 0.6)
    run = smooth(speed, 1.1, 2.6)
    fast = np.clip(speed / 4.5, 0, 1)
    reach = on * np.minimum(0.06 + 0.13 * speed, 0.17 + 0.13 * fast) * np.where(forward < 0.3, 0.75, 1.0)
    lift = on * (0.03 + 0.09 * run + 0.18 * fast * np.clip(forward, 0, 1))
    for k, sign in (("l", 0.0), ("r", np.pi)):
        a = phase + sign
        swing = np.maximum(-np.sin(a), 0.0)
        along = reach * np.cos(a)
        rows[:, P[f"f{k}_x"]] = rows[:, P[f"f{k}_x"]] * (1 - on) + along * ahead[:, 0] - 0.03 * on
        rows[:, P[f"f{k}_y"]] += along * ahead[:, 1] * 0.8
        rows[:, P[f"f{k}_y"]] *= 1 - 0.45 * on * run * np.abs(forward)
        rows[:, P[f"f{k}_z"]] += lift * (0.4 * swing + 0.6 * np.maximum(np.sin(-a + 0.7), 0) * (swing > 0))
        rows[:, P[f"f{k}_pitch"]] += on * (1.1 * run * np.maximum(np.sin(-a + 0.9), 0) * np.clip(forward, 0, 1)
                                           + 0.5 * np.maximum(-np.cos(a), 0) * np.clip(forward, 0, 1))  # fmt: skip
    low = on * (1 - upright)
    shuffle = low * (1 - np.clip(forward, 0, 1)) * smooth(speed, 0.3, 1.2)
    rows[:, P["pz"]] += -0.012 * on * (1 - run) - 0.015 * on * run + 0.015 * on * np.cos(2 * phase) - 0.05 * shuffle
    rows[:, P["pitch"]] += on * (0.05 * run + 0.16 * fast) * np.clip(forward, 0, 1) + 0.22 * shuffle
    rows[:, P["bend"]] += 0.12 * shuffle
    rows[:, P["head_pitch"]] -= 0.2 * shuffle + 0.12 * on * fast
    rows[:, P["yaw"]] += 0.12 * on * run * np.cos(phase)
    rows[:, P["twist"]] -= 0.28 * on * (0.4 + 0.6 * run) * np.cos(phase) * np.sign(forward + 1e-6)
    _swing_arms(rows, on, run, fast, phase)
    return rows


def _swing_arms(rows: F, on: F, run: F, fast: F, phase: F) -> F:
    """Arms against the legs: long and low in a walk, bent in a run. Only free (mode 1) hands swing."""
    for k, sign, side in (("l", np.pi, 1.0), ("r", 0.0, -1.0)):
        free = on * rows[:, P[f"h{k}_mode"]]
        c = np.cos(phase + sign)
        walk = np.stack([0.03 + 0.10 * c, side * (0.05 + 0 * c), -0.315 + 0.02 * np.abs(c)], 1)
        bent = np.stack([0.07 + (0.12 + 0.05 * fast) * c, side * (0.025 - 0.05 * np.maximum(c, 0)),
                         -0.21 + 0.11 * c * (0.4 + 0.6 * (c > 0))], 1)  # fmt: skip
        want = walk + run[:, None] * (bent - walk)
        i = P[f"h{k}_x"]
        rows[:, i : i + 3] += free[:, None] * 0.9 * (want - rows[:, i : i + 3])
    return rows


def solve(rows: F, lean: F, broad: F) -> sk.Rig:
    """Pose rows (N, D) to bones. lean (N, 2) extra forward and leftward lean, rad; broad (N,) width factor."""
    n = len(rows)

    def col(name: str) -> F:
        return rows[:, P[name]]

    rest = sk.rest_origins()
    rot = np.zeros((n, len(sk.BONES), 3, 3))
    org = np.zeros((n, len(sk.BONES), 3))
    hip = np.stack([col("px") + 0.25 * lean[:, 0], col("py") + 0.25 * lean[:, 1], col("pz")], 1)
    base = sk.rot_z(col("yaw")) @ sk.rot_y(col("pitch") + lean[:, 0]) @ sk.rot_x(col("roll") - lean[:, 1])
    half = sk.rot_y(col("bend") * 0.5) @ sk.rot_x(col("side") * 0.5) @ sk.rot_z(col("twist") * 0.4 - col("yaw") * 0.5)
    up = sk.rot_y(col("bend") * 0.5) @ sk.rot_x(col("side") * 0.5) @ sk.rot_z(col("twist") * 0.6 - col("yaw") * 0.5)
    b = sk.BONE
    rot[:, b["world"]] = np.eye(3)
    rot[:, b["pelvis"]] = base
    rot[:, b["belly"]] = base @ half
    rot[:, b["chest"]] = rot[:, b["belly"]] @ up
    rot[:, b["head"]] = rot[:, b["chest"]] @ sk.rot_z(col("head_yaw")) @ sk.rot_y(col("head_pitch"))
    org[:, b["pelvis"]] = hip
    for child, parent in (("belly", "pelvis"), ("chest", "belly"), ("head", "chest")):
        org[:, b[child]] = org[:, b[parent]] + rot[:, b[parent]] @ (rest[b[child]] - rest[b[parent]])
    for k, sign in (("l", 1.0), ("r", -1.0)):
        _arm(rows, rot, org, rest, k, sign, broad)
        _leg(rows, rot, org, rest, k, sign, broad)
    return sk.Rig(rot, org)


def _arm(rows: F, rot: F, org: F, rest: F, k: str, sign: float, broad: F) -> None:
    b, n = sk.BONE, len(rows)
    offset = np.tile(rest[b[f"arm_{k}"]] - rest[b["chest"]], (n, 1))
    offset[:, 1] *= broad
    chest = rot[:, b["chest"]]
    shoulder = org[:, b["chest"]] + (chest @ offset[:, :, None])[..., 0]
    i = P[f"h{k}_x"]
    target = rows[:, i : i + 3] + rows[:, P[f"h{k}_mode"]][:, None] * shoulder
    target[:, 2] = np.maximum(target[:, 2], 0.03)
    # A raised hand carries the shoulder with it.
    lift = np.clip(target[:, 2] - shoulder[:, 2], 0, 0.3) * 0.12
    shoulder = shoulder + chest[:, :, 2] * lift[:, None]
    out = rows[:, P[f"e{k}_out"]]
    pole = -chest[:, :, 0] * 0.8 - chest[:, :, 2] * 0.5 + chest[:, :, 1] * (sign * out)[:, None]
    elbow, wrist = sk.reach(shoulder, target, sk.UPPER_ARM, sk.FOREARM, pole)
    front = -pole
    rot[:, b[f"arm_{k}"]] = sk.frame_down(elbow - shoulder, front)
    rot[:, b[f"fore_{k}"]] = sk.frame_down(wrist - elbow, front)
    rot[:, b[f"hand_{k}"]] = rot[:, b[f"fore_{k}"]]
    org[:, b[f"arm_{k}"]], org[:, b[f"fore_{k}"]], org[:, b[f"hand_{k}"]] = shoulder, elbow, wrist


def _leg(rows: F, rot: F, org: F, rest: F, k: str, sign: float, broad: F) -> None:
    b, n = sk.BONE, len(rows)
    offset = np.tile(rest[b[f"thigh_{k}"]] - rest[b["pelvis"]], (n, 1))
    offset[:, 1] *= broad
    pelvis = rot[:, b["pelvis"]]
    joint = org[:, b["pelvis"]] + (pelvis @ offset[:, :, None])[..., 0]
    i = P[f"f{k}_x"]
    pitch, yaw = rows[:, P[f"f{k}_pitch"]], sign * rows[:, P[f"f{k}_yaw"]]
    # Raising the heel rolls over the ball of the foot, about 0.075 in front of the ankle.
    ankle = rows[:, i : i + 3].copy()
    ankle[:, 1] *= broad
    ankle[:, 2] += sk.ANKLE_Z + 0.075 * np.sin(np.clip(pitch, 0, 1.4))
    ankle[:, 0] += 0.075 * (1 - np.cos(np.clip(pitch, 0, 1.4)))
    kout = sign * rows[:, P[f"k{k}_out"]]
    pole = np.stack([np.ones(n), kout, np.full(n, 0.15)], 1)
    lying = np.clip(np.abs(rows[:, P["pitch"]]) - 1.4, 0, 0.2)[:, None] * 5
    pole = pole * (1 - lying) + lying * pelvis[:, :, 0]
    knee, end = sk.reach(joint, ankle, sk.THIGH, sk.SHIN, pole)
    rot[:, b[f"thigh_{k}"]] = sk.frame_down(knee - joint, pole)
    rot[:, b[f"shin_{k}"]] = sk.frame_down(end - knee, pole)
    rot[:, b[f"foot_{k}"]] = sk.rot_z(yaw + 0.4 * kout) @ sk.rot_y(pitch)
    org[:, b[f"thigh_{k}"]], org[:, b[f"shin_{k}"]], org[:, b[f"foot_{k}"]] = joint, knee, end
