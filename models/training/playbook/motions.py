"""Motion of one offensive player before the snap, and what the defence does about it.

The formation is aligned as it stands before the motion; the man's place at the snap replaces his first one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from models.training.playbook.calls import Call
from models.training.playbook.fronts import settle
from models.training.playbook.roster import Man, Spot, tnorm

# An answer that was called but could not be carried out is none: what is told is what was done.
LEAST_FOLLOWED = 0.4  # of the way of the man in motion; common practice, no source
LEAST_BUMPED_YD = 0.75  # half a gap; common practice, no source


@dataclass
class Move:
    """One man's walk: from, to (depth, across), via depth between, when it ends, whether he still moves then."""

    start: tuple[float, float]
    end: tuple[float, float]
    via: float
    end_s: float
    speed: float
    on_the_move: bool = False
    turn: tuple[float, float] | None = None  # a point he goes to and comes back from


@dataclass
class Motion:
    """The motion of a play. movers: person index (offence first) -> Move; follower: (defender, receiver)."""

    kind: str
    response: str
    man: int
    movers: dict[int, Move]
    follower: tuple[int, int] | None = None


def _candidates(offense: list[Man], kind: str) -> list[int]:
    out = []
    for i, m in enumerate(offense):
        if m.on_line or not m.eligible or m.position == "back":
            continue
        a = abs(m.across)
        if (kind == "short" and a > 8.5) or (kind == "return" and a > 8.0) or (kind in ("across", "jet") and a < 17):
            out.append(i)
    return out


def _place(
    rng: np.random.Generator, m: Man, kind: str, spot: Spot, gun: str, edge: float
) -> tuple[tuple[float, float], tuple[float, float] | None]:
    """Where the man is at the snap, and the turning point of a return."""
    s = 1.0 if m.across > 0 else -1.0
    if kind == "across":
        return (-tnorm(rng, 2.3, 0.3, 1.8, 3.0), -s * (edge + tnorm(rng, 3.6, 1.4, 1.9, 7.0))), None
    if kind == "jet":
        depth = -2.75 if gun == "shotgun" else -3.1
        return (depth, s * rng.uniform(-1.5, 2.2)), None
    if kind == "short":
        cut = tnorm(rng, 4.4, 0.7, 3.5, max(3.5, abs(m.across) - 4.9))
        return (m.depth - rng.uniform(0.0, 0.6), m.across - s * cut), None
    go = tnorm(rng, 4.5, 0.6, 3.6, max(3.6, abs(m.across) - 4.2))
    return m.at, (m.depth - 0.8, m.across - s * go)


def draw_motion(rng: np.random.Generator, spot: Spot, call: Call, offense: list[Man], defense: list[Man]) -> Motion:
    """Choose the man, move him to his place at the snap and answer him. Changes both lists in place."""
    none = Motion("none", "none", -1, {})
    kinds = [call.motion] + [k for k in ("across", "short", "jet", "return") if k != call.motion]
    if call.motion == "none":
        return none
    kind, options = next(((k, c) for k in kinds if (c := _candidates(offense, k))), ("none", []))
    if kind == "none":
        return none
    i = int(rng.choice(options))
    m = offense[i]
    edge = max(abs(o.across) for o in offense if o.position == "tackle" or (o.position == "tight_end" and o.on_line))
    first = m.at
    others = [o for o in offense if o is not m]
    end, turn = _place(rng, m, kind, spot, call.gun, edge)
    gone = replace(m, depth=end[0], across=end[1])
    if kind != "jet":
        settle([gone], others, 1.15)
    elif any((o.depth - gone.depth) ** 2 + (o.across - gone.across) ** 2 < 1.0 for o in others):
        gone.across += 1.2 * (1 if gone.across > 0 else -1)
    speed = tnorm(rng, {"jet": 6.4, "across": 4.4}.get(kind, 3.8), 0.4, 3.0, 7.2)
    moving = kind == "jet" or rng.random() < 0.45
    end_s = 0.0 if moving else -rng.uniform(0.35, 1.1)
    offense[i] = replace(gone, wide=abs(gone.across) > 5.5 and m.position != "tight_end", stance="two_point")
    via = min(first[0], -2.9) if call.gun == "shotgun" else min(first[0], -3.2)
    motion = Motion(
        kind,
        call.response,
        i,
        {i: Move(first, offense[i].at, via if kind in ("across", "jet") else first[0], end_s, speed, moving, turn)},
    )
    _answer(rng, spot, call, motion, offense, defense, first)
    return motion


def _answer(
    rng: np.random.Generator,
    spot: Spot,
    call: Call,
    motion: Motion,
    offense: list[Man],
    defense: list[Man],
    first: tuple[float, float],
) -> None:
    n, move = len(offense), motion.movers[motion.man]
    delay = rng.uniform(0.2, 0.4)
    if motion.response == "followed":
        able = [k for k, d in enumerate(defense) if d.position in ("slot_defender", "safety", "linebacker", "corner")]
        bad = {"linebacker": 3.0, "corner": 2.5, "slot_defender": 0.0, "safety": 1.0 if call.deep < 2 else 14.0}
        k = min(
            able,
            key=lambda k: (
                abs(defense[k].across - first[1])
                + bad[defense[k].position]
                + 1.2 * max(defense[k].depth - 8, 0)
                + 3 * (defense[k].depth < 1.0 + spot.neutral)
            ),
        )
        d = defense[k]
        start, to = d.at, move.end[1]
        s = 1.0 if to > first[1] else -1.0
        across = to - s * 1.4 if motion.kind == "jet" else to - 0.5 * np.sign(to)
        depth = float(np.clip(d.depth, spot.neutral + 2.2, spot.neutral + 7.5))
        if motion.kind == "jet":
            depth = max(depth, spot.neutral + 6.4)
        new = replace(d, depth=depth, across=float(across), stance="two_point")
        if d.depth < spot.deep_limit():
            new.depth = min(new.depth, spot.deep_limit() - 0.4)
        settle([new], [o for o in defense if o is not d])
        if motion.kind == "return":
            new = replace(d)
            turn = (d.depth, d.across + (move.turn[1] - first[1]) * 0.9) if move.turn else None
        else:
            turn = None
        defense[k] = new
        via = spot.neutral + 6.6 if abs(new.across - start[1]) > 5 else max(start[0], new.depth)
        motion.movers[n + k] = Move(
            start, new.at, via, min(move.end_s + delay, 0.0), move.speed, move.on_the_move, turn
        )
        motion.follower = (k, motion.man)
        gone = abs((turn[1] if turn else new.across) - start[1])
        if gone < LEAST_FOLLOWED * abs((move.turn[1] if move.turn else to) - first[1]):
            motion.response = "stayed"  # he stood where the man goes already: nobody travelled
    elif motion.response == "bumped":
        furthest = 0.0
        s = np.sign(move.end[1] - first[1]) if move.turn is None else np.sign(move.turn[1] - first[1])
        for k, d in enumerate(defense):
            if d.position not in ("linebacker", "slot_defender", "safety") or d.depth < 2.5 + spot.neutral:
                continue
            if d.position == "slot_defender" and rng.random() < 0.6:
                continue
            shift = s * tnorm(rng, 1.5, 0.35, 0.9, 2.3)
            new = replace(d, across=float(d.across + shift))
            settle([new], [o for o in defense if o is not d], 0.95)
            back = move.turn is not None
            furthest = max(furthest, abs(new.across - d.across))
            motion.movers[n + k] = Move(
                d.at,
                d.at if back else new.at,
                d.depth,
                min(move.end_s + delay + 0.1, -0.05),
                2.4,
                False,
                new.at if back else None,
            )
            if not back:
                defense[k] = new
        if furthest < LEAST_BUMPED_YD:
            motion.response = "stayed"  # nobody was free to shift
