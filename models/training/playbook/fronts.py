"""The front: linemen, edges and linebackers by technique, mugged or off the ball.

A technique is a place across relative to the offence's line, counted outward from the centre: 0 over the
centre, 1 his shoulder, 3 outside the guard, 5 outside the tackle, 9 outside the tight end (common practice,
no source). Depths follow ../shared/film_statistics.md (46 % of defenders less than 1.5 yd off the ball).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from models.training.playbook.roster import Man, Spot, tnorm

# (techniques of the strong side, techniques of the weak side, standing edges, linebackers the front wants)
FRONTS: dict[str, tuple[tuple[float, ...], tuple[float, ...], bool]] = {
    "four_over": ((3, 5), (1, 5), False),
    "four_under": ((1, 6), (3, 5), False),
    "four_even": ((2, 5), (2, 5), False),
    "four_wide": ((3, 9), (1, 9), False),
    "three_stack": ((0.0, 5), (5,), False),
    "three_tight": ((0.0, 4), (4,), False),
    "five_odd": ((0.0, 4, 9), (4, 9), True),
    "five_bear": ((0.0, 3, 6), (3, 6), True),
    "six_goal": ((1, 3, 6), (1, 3, 6), False),
}
DOWN = {name: len(s) + len(w) for name, (s, w, _) in FRONTS.items()}


def technique_across(technique: float, split: float, tight_end: bool) -> float:
    """Yards outward from the centre for a technique."""
    table = {0.0: 0.0, 1: 0.5, 2: 1.0, 3: 1.42, 4: 1.8, 5: 2.45, 6: 2.95 if tight_end else 2.75, 9: 3.6}
    a = table[technique]
    if tight_end and technique == 5:
        a = 2.65
    if tight_end and technique == 9:
        a = 3.75
    return a * split


def align_front(rng: np.random.Generator, spot: Spot, front: str, offense: list[Man], strong: int) -> list[Man]:
    """Men on the line. Edges are the outermost of each side."""
    level = tnorm(rng, 0.0, 0.13, -0.22, 0.4)
    split = np.mean([abs(m.across) for m in offense if m.position == "tackle"]) / 2
    strong_t, weak_t, standing = FRONTS[front]
    men = []
    for sign, techniques in ((strong, strong_t), (-strong, weak_t)):
        te = any(m.position == "tight_end" and m.on_line and m.across * sign > 0 for m in offense)
        for k, t in enumerate(techniques):
            edge = k == len(techniques) - 1 and t >= 4 and not (front.startswith("three") and t == 4)
            a = technique_across(t, float(split), te) + rng.normal(0, 0.12)
            up = edge and (standing or rng.random() < 0.35)
            stance = "two_point" if up else ("four_point" if not edge and rng.random() < 0.12 else "three_point")
            depth = spot.neutral + max(0.4, level + tnorm(rng, 0.9 if up else 0.64, 0.16, 0.42, 1.5))
            tag = ("R" if sign > 0 else "L") + ("E" if edge else "I") + str(k)
            men.append(Man("defense", "edge" if edge else "tackle_inside", tag, depth, sign * a, stance, True))
    men.sort(key=lambda m: m.across)
    for left, right in pairwise(men):
        if right.across - left.across < 1.05:
            right.across = left.across + 1.05
    return men


def align_linebackers(
    rng: np.random.Generator, spot: Spot, n: int, offense: list[Man], line: list[Man], strong: int, mugged: int
) -> list[Man]:
    """n linebackers off the ball; ``mugged`` of them stand in the gaps beside the centre instead."""
    shift = 0.5 * strong * sum(1 for m in offense if m.across * strong > 3.5 and abs(m.across) < 8) / 2
    spread: dict[int, list[float]] = {
        1: [0.0],
        2: [-2.1, 2.1],
        3: [-3.9, 0.0, 3.9],
        4: [-5.2, -1.8, 1.8, 5.2],
        5: [-6, -3, 0, 3, 6],
    }
    base: list[float] = list(spread.get(n, np.linspace(-6.5, 6.5, n) if n else []))
    level = tnorm(rng, 4.5, 0.45, 3.6, 5.6) * spot.squeeze() ** 0.5
    men = []
    for k, a in enumerate(base):
        depth = spot.neutral + level + rng.normal(0, 0.25)
        name = {1: "M", 2: "MW", 3: "WMS", 4: "WMSB"}.get(n, "ABCDEFGH")[k]
        men.append(Man("defense", "linebacker", name, depth, a * (0.85 + 0.3 * rng.random()) + shift, "two_point"))
    inner = sorted(men, key=lambda m: abs(m.across))[:mugged]
    for m, gap in zip(inner, rng.permutation([-0.8, 0.8]), strict=False):
        m.depth, m.across = spot.neutral + tnorm(rng, 1.15, 0.12, 0.95, 1.4), float(gap)
    settle(men, line)
    return men


def settle(men: list[Man], others: list[Man], least: float = 1.05) -> None:
    """Move men sideways to the nearest free place, ``least`` yards from anybody. In place."""
    fixed = list(others)
    for m in men:
        if not _free(m.depth, m.across, fixed, least):
            steps = [k * 0.3 * s for k in range(1, 16) for s in (1, -1)]
            m.across = next((m.across + d for d in steps if _free(m.depth, m.across + d, fixed, least)), m.across)
        fixed.append(m)


def _free(depth: float, across: float, fixed: list[Man], least: float) -> bool:
    return all((o.across - across) ** 2 + (o.depth - depth) ** 2 >= least**2 for o in fixed)
