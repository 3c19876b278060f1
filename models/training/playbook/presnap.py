"""Seconds before the snap: walking up, getting set, stillness with a little sway, shifts, motion, creeping."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.assignments import Plan
from models.training.playbook.motions import Motion, Move
from models.training.playbook.outcome import Scene
from models.training.playbook.roster import tnorm

WALK_ACCEL = 4.5
BAIL = 0.4  # of corners in press with a deep zone: they start back before the snap. Common practice, no source


def trapezoid(t: NDArray[np.float64], length: float, speed: float, end_s: float, moving: bool) -> NDArray[np.float64]:
    """Distance gone at t for a walk of ``length`` that ends at end_s, with bounded acceleration.

    moving: he passes the end at full speed instead of stopping there.
    """
    if length < 1e-6:
        return np.zeros_like(t)
    a = WALK_ACCEL
    if moving:
        v = min(speed, np.sqrt(2 * a * length))
        ta = v / a
        total = ta + (length - v * v / (2 * a)) / v
        u = t - (end_s - total)
        return np.where(u <= 0, 0.0, np.where(u < ta, a * u * u / 2, v * ta / 2 + v * (u - ta)))
    v = min(speed, np.sqrt(a * length))
    ta = v / a
    total = 2 * ta + (length - v * v / a) / v
    u = np.clip(t - (end_s - total), 0, total)
    return np.where(
        u < ta, a * u * u / 2, np.where(u < total - ta, v * ta / 2 + v * (u - ta), length - a * (total - u) ** 2 / 2)
    )


def _smooth(x: NDArray[np.float64]) -> NDArray[np.float64]:
    x = np.clip(x, 0, 1)
    return x * x * x * (10 - 15 * x + 6 * x * x)


def walk(t: NDArray[np.float64], move: Move) -> NDArray[np.float64]:
    """Positions (T, 2) of a move."""
    a, b = np.array(move.start), np.array(move.end)
    if move.turn is not None:
        c = np.array(move.turn)
        back = float(np.hypot(*(b - c))) / move.speed + move.speed / WALK_ACCEL + 0.25
        first = walk(t, Move(move.start, move.turn, move.via, move.end_s - back, move.speed))
        again = walk(t, Move(move.turn, move.end, move.turn[0], move.end_s, move.speed))
        return first + again - c
    across = abs(b[1] - a[1])
    bend = max(abs(move.via - a[0]), abs(move.via - b[0]))
    ease = min(0.5 * across, max(3.0, 1.2 * move.speed * np.sqrt(bend)))
    if across < 2.5 or abs(move.via - a[0]) < 0.05 or ease < 0.95 * move.speed * np.sqrt(1.3 * bend):
        length = float(np.hypot(*(b - a)))
        s = trapezoid(t, length, move.speed, move.end_s, move.on_the_move)
        return a + (s / max(length, 1e-9))[:, None] * (b - a)
    s = trapezoid(t, across, move.speed, move.end_s, move.on_the_move)
    depth = a[0] + (move.via - a[0]) * _smooth(s / ease) + (b[0] - move.via) * _smooth((s - across + ease) / ease)
    return np.stack([depth, a[1] + np.sign(b[1] - a[1]) * s], -1)


def creep(s: Scene, plan: Plan, movers: dict[int, Move]) -> None:
    """Late movement of the defence before the snap; their places at the snap change. In place."""
    rng, n, limit = s.rng, s.n_off, s.spot.deep_limit()
    for k, job in plan.jobs.items():
        d = s.defense[k]
        if n + k in movers:
            continue
        if job.kind == "rush" and not d.on_line and d.depth > s.spot.neutral + 2.8:
            p = 0.9 if s.call.pressure == "creeper" else 0.4
            if rng.random() < p and d.depth < limit:
                step = rng.uniform(0.8, min(2.6, d.depth - s.spot.neutral - 1.6))
                to = (d.depth - step, d.across * (1 - 0.03 * step))
                _move(s, movers, n + k, to, -rng.uniform(0.02, 0.25), tnorm(rng, 2.6, 0.5, 1.6, 3.8))
        elif job.kind == "deep" and d.position == "corner" and d.depth < s.spot.neutral + 2.6 and rng.random() < BAIL:
            # He shows press and bails out of it as the ball is snapped.
            to = (d.depth + rng.uniform(0.6, 2.4), d.across + rng.normal(0, 0.2))
            movers[n + k] = Move(d.at, to, d.depth, rng.uniform(-0.05, 0.1), 3.2, True)
            d.depth, d.across = to
        elif job.moved and not s.call.hold and d.position == "safety":
            to_mark = np.array(job.mark) - d.at
            step = rng.uniform(0.4, 1.3) / max(float(np.hypot(*to_mark)), 1.0)
            depth = d.depth + step * to_mark[0]
            deep = d.depth > limit
            depth = max(depth, limit + 0.45) if deep else min(depth, limit - 0.45)
            _move(s, movers, n + k, (float(depth), float(d.across + step * to_mark[1])), -rng.uniform(0.0, 0.2), 2.4)


def _move(s: Scene, movers: dict[int, Move], i: int, to: tuple[float, float], end_s: float, speed: float) -> None:
    m = s.men[i]
    others = [o for o in s.defense if o is not m]
    if any((o.depth - to[0]) ** 2 + (o.across - to[1]) ** 2 < 0.9**2 for o in others):
        return
    movers[i] = Move(m.at, to, m.depth, end_s, speed)
    m.depth, m.across = to


def mug_walk(s: Scene, movers: dict[int, Move]) -> None:
    """Some men in the gaps walk up from their usual depth a few seconds before the snap."""
    for k, d in enumerate(s.defense):
        if d.position == "linebacker" and d.depth < s.spot.neutral + 1.5 and s.rng.random() < 0.5:
            start = (s.spot.neutral + 4.4, d.across * 2.2)
            movers.setdefault(s.n_off + k, Move(start, d.at, start[0], -s.rng.uniform(0.7, 2.2), 2.8))


def sway(rng: np.random.Generator, t: NDArray[np.float64], amount: NDArray[np.float64]) -> NDArray[np.float64]:
    """Small slow movement (T, N, 2), amplitude (N,) yards."""
    n = len(amount)
    f = rng.uniform(0.08, 0.33, (3, n, 2))
    p = rng.uniform(0, 2 * np.pi, (3, n, 2))
    w = np.array([0.6, 0.3, 0.2])[:, None, None] * amount[None, :, None]
    return np.einsum("knc,tknc->tnc", w, np.sin(2 * np.pi * f * t[:, None, None, None] + p))


def approach(s: Scene, movers: dict[int, Move], pre_s: float) -> dict[int, float]:
    """How the teams come to the line. Fills movers; returns the second each man gets into his stance."""
    rng, n = s.rng, s.n_off
    style = rng.choice(["set", "settling", "walking", "huddle"], p=[0.5, 0.26, 0.14, 0.1])
    ready: dict[int, float] = {}
    starts: list[tuple[float, float]] = [v.start for v in movers.values()]
    offense_set = -min(rng.uniform(1.3, 3.2), pre_s - 0.6)
    if style == "set":
        offense_set = -pre_s - 1.0
    for i, m in enumerate(s.men):
        down = rng.normal(0, 0.12)
        ready[i] = offense_set + down if i < n else min(offense_set + rng.uniform(-0.5, 0.7), -0.7)
        if i in movers or style in ("set", "settling"):
            continue
        arrive = (offense_set if i < n else min(offense_set + 0.4, -0.9)) - abs(rng.normal(0, 0.25)) - 0.15
        if i < n and style == "huddle":
            row = sorted((o for o in s.offense if o.eligible or o.tag == "QB"), key=lambda o: o.across)
            if m in row:
                start = (-9.3 + rng.normal(0, 0.15), 1.25 * (row.index(m) - len(row) / 2))
            else:
                start = (-7.4 + rng.normal(0, 0.15), m.across * 0.8)
        elif i < n:
            start = (m.depth - rng.uniform(0.8, 3.0), m.across * rng.uniform(0.9, 1.0) + rng.normal(0, 0.3))
        else:
            away = rng.uniform(0.2, 1.4) if style == "walking" else rng.uniform(0.4, 2.2)
            start = (m.depth + away, m.across + rng.normal(0, 0.6))
        start = _clear(start, starts, -1.0 if i < n else 1.0)
        starts.append(start)
        far = float(np.hypot(start[0] - m.depth, start[1] - m.across))
        time = max(arrive + pre_s - 0.2, 0.6)
        speed = min(max(far / time * 1.5, 1.4), 6.0)
        movers[i] = Move(start, m.at, start[0], arrive, speed)
    return ready


def _clear(at: tuple[float, float], others: list[tuple[float, float]], way: float) -> tuple[float, float]:
    """The first free place behind a place."""
    for _ in range(12):
        if all((o[0] - at[0]) ** 2 + (o[1] - at[1]) ** 2 > 1.1 for o in others):
            break
        at = (at[0] + 0.5 * way, at[1])
    return at


def shift(s: Scene, movers: dict[int, Move], pre_s: float) -> bool:
    """A back or tight end changes his place and is set again a second or more before the snap."""
    able = [i for i, m in enumerate(s.offense) if m.eligible and not m.on_line and i not in movers]
    if not able or pre_s < 4.6:
        return False
    i = int(s.rng.choice(able))
    m = s.offense[i]
    side = 1 if m.across <= 0 else -1
    if m.position == "back":
        start = (m.depth, -m.across if abs(m.across) > 1 else m.across + side * 1.9)
    else:
        start = (m.depth - 0.3, m.across + np.sign(m.across) * 2.6)
    if any((o.depth - start[0]) ** 2 + (o.across - start[1]) ** 2 < 1.2 for o in s.offense if o is not m):
        return False
    movers[i] = Move((float(start[0]), float(start[1])), m.at, float(start[0]), -3.2, 2.9)
    return True


def pre_positions(
    s: Scene, t: NDArray[np.float64], movers: dict[int, Move], ready: dict[int, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions (T, N, 2) before the snap and the velocity (N, 2) at it. t ends at 0."""
    men = s.men
    base = np.array([m.at for m in men])
    xy = np.broadcast_to(base, (len(t), *base.shape)).copy()
    for i, move in movers.items():
        xy[:, i] = walk(t, move)
    amount = np.array([0.014 if m.stance in ("three_point", "four_point", "under_center") else 0.035 for m in men])
    still = sway(s.rng, t, amount)
    xy += still - still[-1]
    vel = (xy[-1] - xy[-2]) * (1.0 / (t[-1] - t[-2]))
    return xy, vel


__all__ = ["Motion", "approach", "creep", "mug_walk", "pre_positions", "shift", "walk"]
