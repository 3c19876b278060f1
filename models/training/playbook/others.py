"""Officials, and the people beside the field."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from models.training.playbook.play import STANCES
from models.training.playbook.presnap import sway
from models.training.playbook.roster import Spot, pick

Array = NDArray[np.float64]
S = {name: i for i, name in enumerate(STANCES)}

# (depth, across or a sideline: 'L', 'R') of each official. Positions of the officials' manuals, from memory:
# NFL, Canadian and college crews of seven or eight, school crews of five.
CREWS: dict[str, list[tuple[float, float | str]]] = {
    "professional": [(-13, 4.0), (-13, -4.5), (0.0, "L"), (0.0, "R"), (20, "L"), (20, "R"), (26, 1.0)],
    "college": [(-13, 4.0), (6.0, -1.5), (0.0, "L"), (0.0, "R"), (20, "L"), (20, "R"), (25, 0.0), (-12, -5.0)],
    "high_school": [(-12, 4.0), (6.5, 1.5), (0.0, "L"), (0.0, "R"), (19, 0.5)],
    "canadian": [(-12, 4.5), (7.5, -1.5), (0.0, "L"), (0.0, "R"), (20, "L"), (20, "R"), (25, 0.0)],
}  # fmt: skip


def official_bases(rng: np.random.Generator, spot: Spot) -> Array:
    """Starting places (K, 2) in the play frame."""
    crew = list(CREWS[spot.level])
    if spot.level == "college" and rng.random() < 0.45:
        crew = crew[:7]
    if spot.level == "high_school" and rng.random() < 0.25:
        crew += [(17, "L"), (17, "R")]
    turn = 1 if rng.random() < 0.7 else -1
    rows = []
    for depth, across in crew:
        d = depth + rng.normal(0, 0.8 if abs(depth) > 3 else 0.25)
        if isinstance(across, str):
            out = rng.uniform(-0.6, 1.2) if depth > 3 else rng.uniform(0.0, 1.6)
            a = -spot.room_left - out if across == "L" else spot.room_right + out
        else:
            a = turn * across + rng.normal(0, 0.8)
        rows.append((min(d, spot.to_end_line + 0.5), a))
    return np.array(rows)


def officials(rng: np.random.Generator, spot: Spot, t: Array, ball: Array) -> tuple[Array, Array, NDArray[np.int8]]:
    """Positions (T, K, 2), facing (T, K) and stance (T, K): they stand, then go with the play at a jog.

    ball (T, >=2) play frame.
    """
    base = official_bases(rng, spot)
    k, dt = len(base), t[1] - t[0]
    xy = np.tile(base, (len(t), 1, 1)) + sway(rng, t, np.full(k, 0.06))
    keep = np.exp(-dt / 0.9)
    soft, _ = lfilter([1 - keep], [1, -keep], ball[:, :2] - ball[0, :2], axis=0, zi=np.zeros((1, 2)))
    for _ in range(2):
        soft, _ = lfilter([1 - keep], [1, -keep], soft, axis=0, zi=np.zeros((1, 2)))
    soft = 18.0 * np.tanh(soft / 18.0)
    for i, (d, a) in enumerate(base):
        side = a < -spot.room_left + 3 or a > spot.room_right - 3
        share_d = 0.75 if side else (0.3 if abs(d) < 10 else 0.5)
        xy[:, i, 0] += share_d * (0.625 * soft[:, 0] + 0.375 * (np.sqrt(soft[:, 0] ** 2 + 9.0) - 3.0))
        if not side:
            xy[:, i, 1] += 0.3 * soft[:, 1] * (1 if abs(d) > 8 else 0.4)
        if abs(d) < 10 and not side:  # the man behind the linebackers gives way
            xy[:, i, 0] += 1.2 * (1 - np.exp(-(np.maximum(t - 0.2, 0) ** 2)))
    to = ball[:, None, :2] - xy
    facing = np.arctan2(to[..., 1], to[..., 0])
    speed = np.linalg.norm(np.gradient(xy, axis=0), axis=-1) / dt
    stance = np.where(speed > 0.8, S["moving"], S["standing"]).astype(np.int8)
    bent = [i for i in range(k) if abs(base[i, 0]) > 4 and rng.random() < 0.25]
    stance[:, bent] = np.where(stance[:, bent] == S["standing"], S["crouched"], stance[:, bent])
    return xy, facing, stance


BESIDE = {"bench": 62, "coach": 24, "photographer": 8, "ball_boy": 6}


def bystanders(rng: np.random.Generator, spot: Spot, t: Array) -> tuple[Array, Array, NDArray[np.int8], list[str]]:
    """Bench, coaches, chain crew, photographers and ball boys: positions (T, M, 2), facing, stance, kind.

    All outside the sidelines; play frame. They drift a little, a few walk along the sideline.
    """
    rows: list[tuple[float, float, str]] = []
    for side in (-1, 1):
        line = -spot.room_left if side < 0 else spot.room_right
        for _ in range(int(rng.integers(3, 17))):
            rows.append((rng.uniform(-24, 26), line + side * (1.9 + rng.gamma(1.5, 1.3)), pick(rng, BESIDE)))
    chain = int(rng.choice([-1, 1]))
    line = -spot.room_left if chain < 0 else spot.room_right
    for d in (0.0, rng.uniform(-3, 0), rng.uniform(7, 10)):
        rows.append((d, line + chain * rng.uniform(1.9, 2.6), "chain_crew"))
    where = np.array([(d, a) for d, a, _ in rows])
    keep = [i for i in range(len(rows)) if all(np.hypot(*(where[i] - where[j])) > 0.7 for j in range(i))]
    where, kinds = where[keep], [rows[i][2] for i in keep]
    m = len(kinds)
    xy = np.tile(where, (len(t), 1, 1)) + sway(rng, t, np.full(m, 0.08))
    walkers = rng.random(m) < 0.07
    xy[:, walkers, 0] += (rng.uniform(-1.2, 1.2, m)[walkers]) * (t - t[0])[:, None]
    inward = np.where(where[:, 1] > 0, -np.pi / 2, np.pi / 2) + rng.normal(0, 0.5, m)
    low = np.array([k == "photographer" for k in kinds]) & (rng.random(m) < 0.6)
    stance = np.where(low, S["crouched"], np.where(walkers, S["moving"], S["standing"])).astype(np.int8)
    return xy, np.tile(inward, (len(t), 1)), np.tile(stance, (len(t), 1)), kinds
