"""Special teams, kneel-downs and clips without a snap. Common practice, no source."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from models.training.playbook import presnap
from models.training.playbook.formations import align_offense
from models.training.playbook.fronts import settle
from models.training.playbook.motions import Move
from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.play import HZ
from models.training.playbook.roster import MOVES, Man, Spot, tnorm
from models.training.playbook.secondary import align_defense
from models.training.playbook.sim import Event, Sim

if TYPE_CHECKING:
    from models.training.playbook.build import Draft
    from models.training.playbook.calls import Call

Array = NDArray[np.float64]


def _line(split: float, stance: str, ends: int) -> list[Man]:
    """Seven (or nine) men on the line, centre first."""
    men = [Man("offense", "center", "C", -0.75, 0.0, "three_point", True)]
    names = [("G", "guard"), ("T", "tackle"), ("E", "tight_end"), ("F", "tight_end")][: 2 + ends]
    for sign, side in ((-1, "L"), (1, "R")):
        for k, (letter, pos) in enumerate(names):
            men.append(
                Man(
                    "offense",
                    pos,
                    side + letter,
                    -1.0 - 0.06 * k,
                    sign * split * (k + 1),
                    stance,
                    True,
                    pos == "tight_end",
                )
            )
    return men


def _back(tag: str, position: str, depth: float, across: float, stance: str = "two_point") -> Man:
    return Man("offense", position, tag, depth, across, stance, False, True)


def field_goal_men(rng: np.random.Generator, spot: Spot) -> tuple[list[Man], list[Man]]:
    """Kicking team and the block."""
    wide = spot.level == "canadian"
    men = _line(1.12, "three_point", 1)
    foot = 1 if rng.random() < 0.8 else -1
    men += [_back("WL", "tight_end", -1.95, -4.2), _back("WR", "tight_end", -1.95, 4.2)]
    if wide:
        men.append(_back("UB", "back", -2.6, 1.9))
    men.append(_back("K", "kicker", -9.3, -1.7 * foot, "standing"))
    men.append(Man("offense", "passer", "QB", -7.3, 0.35 * foot, "crouched"))
    n_line = int(rng.integers(7, 9))
    rush = np.linspace(-4.9, 4.9, n_line) + rng.normal(0, 0.1, n_line)
    defense = [
        Man(
            "defense",
            "edge" if abs(a) > 3.3 else "tackle_inside",
            f"D{k}",
            spot.neutral + 0.75,
            float(a),
            "three_point" if rng.random() < 0.6 else "two_point",
            True,
        )
        for k, a in enumerate(rush)
    ]
    total = 12 if wide else 11
    for k in range(total - n_line):
        a = (-1) ** k * (2.0 + 4.2 * (k // 2)) + rng.normal(0, 0.5)
        depth = spot.neutral + (tnorm(rng, 3.2, 0.5, 2.4, 4.5) if k < 2 else tnorm(rng, 6.5, 1.0, 5, 8.5))
        defense.append(Man("defense", "linebacker" if k < 2 else "safety", f"B{k}", depth, float(a)))
    return men, defense


def punt_men(rng: np.random.Generator, spot: Spot) -> tuple[list[Man], list[Man]]:
    """Punting team and the return."""
    men = _line(tnorm(rng, 1.75, 0.15, 1.5, 2.1), "two_point", 0)
    edge = max(m.across for m in men)
    for sign, tag in ((-1, "GL"), (1, "GR")):
        a = min(spot.room(sign) - tnorm(rng, 8, 2, 4.5, 12), 22.0)
        men.append(Man("offense", "receiver", tag, -0.95, sign * a, "two_point", True, True, True))
    men += [_back("WL", "tight_end", -1.9, -edge - 1.6), _back("WR", "tight_end", -1.9, edge + 1.6)]
    if spot.level == "canadian":
        men.append(_back("PB", "back", -5.2, -2.4))
    men.append(_back("PP", "back", -5.4, 1.4))
    deep = -min(tnorm(rng, 14, 0.6, 12.5, 15), spot.behind - 1.0)
    men.append(Man("offense", "passer", "QB", deep, 0.0, "standing"))
    rush = np.linspace(-6.5, 6.5, 7) + rng.normal(0, 0.25, 7)
    defense = [
        Man(
            "defense",
            "edge" if abs(a) > 4 else "tackle_inside",
            f"D{k}",
            spot.neutral + tnorm(rng, 0.9, 0.2, 0.6, 1.4),
            float(a),
            "two_point" if rng.random() < 0.6 else "three_point",
            True,
        )
        for k, a in enumerate(rush)
    ]
    for tag in ("GL", "GR"):
        g = next(m for m in men if m.tag == tag)
        defense.append(Man("defense", "corner", "C" + tag, spot.neutral + tnorm(rng, 1.5, 0.4, 0.9, 2.5), g.across))
    total = 12 if spot.level == "canadian" else 11
    for k in range(total - len(defense) - 1):
        defense.append(Man("defense", "linebacker", f"B{k}", spot.neutral + 4.5, (-1) ** k * 4.0))
    back = min(tnorm(rng, 42, 3, 34, 48), spot.to_end_line - 8.0)
    defense.append(Man("defense", "safety", "PR", max(back, 12.0), rng.normal(0, 2.0)))
    return men, defense


def kneel_men(rng: np.random.Generator, spot: Spot) -> tuple[list[Man], list[Man]]:
    """Victory formation against men who know it."""
    men = _line(1.25, "three_point", 1)
    men += [_back("SL", "back", -2.9, -1.3), _back("SR", "back", -2.9, 1.3), _back("RB", "back", -9.5, 0.0)]
    if spot.level == "canadian":
        men.append(_back("SB", "back", -4.4, 1.8))
    men.append(Man("offense", "passer", "QB", -1.7, 0.0, "under_center"))
    defense = [
        Man(
            "defense",
            "edge" if abs(a) > 3 else "tackle_inside",
            f"D{k}",
            spot.neutral + 0.8,
            float(a),
            "three_point",
            True,
        )
        for k, a in enumerate(np.linspace(-4.2, 4.2, 5) + rng.normal(0, 0.2, 5))
    ]
    total = 12 if spot.level == "canadian" else 11
    for k in range(total - 5):
        a = -9 + 18 * k / (total - 6) + rng.normal(0, 0.5)
        depth = spot.neutral + (tnorm(rng, 4.2, 0.6, 3, 6) if k % 3 else tnorm(rng, 11, 2, 8, 15))
        defense.append(Man("defense", "linebacker" if k % 3 else "safety", f"B{k}", depth, float(a)))
    return men, defense


def _common(s: Scene, sim: Sim) -> None:
    for i, m in enumerate(s.men):
        top, accel = MOVES[m.position]
        sim.speed[i], sim.accel[i] = top * 0.85, accel
        sim.start[i] = s.rng.uniform(0.03, 0.12) if i < s.n_off else s.rng.uniform(0.12, 0.3)


def _block_in_place(s: Scene, sim: Sim, blockers: list[int], depth: float) -> None:
    """Blockers step back or stay; the nearest rushers meet them."""
    n = s.n_off
    rushers = [k for k, d in enumerate(s.defense) if d.on_line]
    for i in blockers:
        m = s.offense[i]
        sim.path(i, [(m.depth - depth, m.across * 1.03)])
        sim.speed[i] = 3.0
    for k in rushers:
        near = min(blockers, key=lambda i: abs(s.offense[i].across - s.defense[k].across))
        sim.follow(n + k, s.passer, lead=0.2)
        if sim.pair[near] < 0:
            sim.engage(near, n + k, tnorm(s.rng, 0.7, 0.3, 0.2, 1.3))
            sim.follow(near, n + k, toward=s.passer, gain=0.85)


def _field_goal(s: Scene, sim: Sim, t: Array) -> Array:
    """Kick at about 1.3 s. Returns the ball path (play frame)."""
    _common(s, sim)
    kicker = s.tag("K")
    kick = float(s.rng.uniform(1.22, 1.42))
    blockers = [i for i, m in enumerate(s.offense) if m.on_line or m.tag in ("WL", "WR", "UB")]
    _block_in_place(s, sim, blockers, 0.25)
    for k, d in enumerate(s.defense):
        if not d.on_line:
            sim.path(s.n_off + k, [(d.depth - (1.5 if d.depth < 4 else 0.4), d.across)])
            sim.speed[s.n_off + k] = 3.5
        elif abs(d.across) > 4.2:
            g = float(np.sign(d.across))
            sim.path(s.n_off + k, [(-1.5, g * 5.6), (-5.6, g * 1.6), (-6.0, g * 0.9)], 5.0)
    hold = s.offense[s.passer]
    sim.hold(s.passer)
    side = float(np.sign(s.offense[kicker].across))
    sim.path(kicker, [(-7.75, side * 0.5), (-6.6, -side * 0.6)], 3.0)
    sim.speed[kicker], sim.start[kicker] = 4.6, kick - 0.95
    sim.run([])
    spot_at = np.array([hold.depth + 0.35, hold.across - 0.3 * np.sign(hold.across), 0.15])
    goal = np.array([s.spot.to_end_line + 6, 0.5 * (s.spot.room_right - s.spot.room_left), 9.0])
    ball = _legs(t, [(-0.01, (0, 0, 0.1)), (0.5, (hold.depth + 0.2, hold.across * 0.7, 0.8)), (0.72, tuple(spot_at))])
    fly = max(float(goal[0] - spot_at[0]) / 22, 1.0)
    return _kick(t, ball, kick, spot_at, goal, fly, 9.0)


def _punt(s: Scene, sim: Sim, t: Array) -> Array:
    """Ball to the punter in 0.8 s, kicked at about 2.1 s; the gunners go."""
    _common(s, sim)
    kick = float(s.rng.uniform(1.95, 2.3))
    blockers = [i for i, m in enumerate(s.offense) if m.tag in ("C", "LG", "RG", "LT", "RT", "WL", "WR")]
    _block_in_place(s, sim, blockers, 1.5)
    n, back = s.n_off, s.n_off + len(s.defense) - 1
    returner = s.defense[-1]
    for i, m in enumerate(s.offense):
        if m.tag in ("GL", "GR"):
            sim.path(i, [(returner.depth - 3, 0.75 * m.across)], 8.0)
            sim.speed[i] = 8.3
        elif m.tag in ("PP", "PB"):
            sim.path(i, [(m.depth + 0.4, m.across)])
            sim.speed[i] = 3.0
    for k, d in enumerate(s.defense):
        if d.tag in ("CGL", "CGR"):
            sim.follow(n + k, s.tag(d.tag[1:]), offset=(0.6, -0.8 * float(np.sign(d.across))), lag=6)
            sim.speed[n + k] = 8.2
        elif d.tag.startswith("B"):
            sim.path(n + k, [(d.depth + 8, d.across * 1.2)])
            sim.speed[n + k] = 4.5
    p = s.passer
    sim.path(p, [(s.offense[p].depth + 1.9, 0.4)])
    sim.speed[p], sim.start[p] = 3.4, kick - 0.85
    sim.hold(back)
    cover = [i for i in blockers if i != s.tag("C")] + [s.tag("C")]

    def go(q: Sim) -> None:
        for i in cover:
            q.release(i)
            q.path(i, [(returner.depth - 5, s.offense[i].across * 2.0)], 6.0)
            q.speed[i] = MOVES[s.offense[i].position][0]

    sim.run([(kick - 0.2, go)])
    hand = np.array([s.offense[p].depth + 0.35, 0.1, 1.15])
    ball = _legs(t, [(-0.01, (0, 0, 0.1)), (0.78, tuple(hand)), (kick, (hand[0] + 1.9, 0.4, 0.8))])
    at = np.array([hand[0] + 1.9, 0.4, 0.8])
    goal = np.array([returner.depth, returner.across, 2.0])
    return _kick(t, ball, kick, at, goal, 4.3, 25.0)


def _to(q: Sim, i: int, to: tuple[float, float]) -> None:
    q.path(i, [to])


def _kneel(s: Scene, sim: Sim, t: Array) -> Array:
    """The passer takes a step back and kneels; the rest lean on each other and stand up."""
    _common(s, sim)
    for i, m in enumerate(s.men):
        sim.path(i, [(m.depth + (0.25 if m.on_line else 0.0) * (1 if i < s.n_off else -1), m.across)])
        sim.speed[i] = 1.2
    sim.path(s.passer, [(-2.25, 0.1)])
    sim.speed[s.passer] = 2.0
    events: list[Event] = []
    for i in range(sim.n):
        to = (s.men[i].depth + s.rng.normal(0, 1.2) - 0.5 * (i < s.n_off), s.men[i].across + s.rng.normal(0, 1.0))
        events.append((s.rng.uniform(1.2, 2.2), partial(_to, i=i, to=to)))
    sim.run(events)
    return _legs(t, [(-0.01, (0, 0, 0.1)), (0.13, (-1.4, 0, 0.9)), (0.8, (-1.95, 0.1, 0.5)), (1.0, (-1.95, 0.1, 0.4))])


def _legs(t: Array, legs: list[tuple[float, tuple[float, ...]]]) -> Array:
    """Ball along straight legs: (second, place)."""
    times = [w for w, _ in legs]
    where = np.array([p for _, p in legs], float)
    return np.stack([np.interp(t, times, where[:, k]) for k in range(3)], 1)


def _kick(t: Array, ball: Array, when: float, a: Array, b: Array, fly: float, top: float) -> Array:
    f = np.clip((t - when) / fly, 0, 1)[:, None]
    arc = a + f * (b - a)
    arc[:, 2] += 4 * top * (f * (1 - f))[:, 0]
    return np.where((t > when)[:, None], arc, ball)


def draft(rng: np.random.Generator, spot: Spot, call: Call) -> Draft:
    """A special-teams play or a clip without a snap."""
    return (
        _no_snap(rng, spot, call)
        if call.kind in ("stand_up", "walk_up", "between_plays")
        else _special(rng, spot, call)
    )


def _special(rng: np.random.Generator, spot: Spot, call: Call) -> Draft:
    from models.training.playbook.build import Draft

    makers = {"field_goal": field_goal_men, "punt": punt_men, "kneel": kneel_men}
    offense, defense = makers[call.kind](rng, spot)
    for m in offense:
        m.depth = max(m.depth, -(spot.behind - 0.8))
    for m in defense:
        m.depth = min(m.depth, spot.to_end_line - 0.8)
    settle(defense[-6:], defense[:-6], 1.0)
    s = Scene(rng, spot, call, offense, defense)
    movers: dict[int, Move] = {}
    pre_s, after_s = float(rng.uniform(4.0, 6.0)), float(rng.uniform(3.2, 4.0))
    ready = presnap.approach(s, movers, pre_s)
    k0, k1 = round(pre_s * HZ), round(after_s * HZ)
    t = np.arange(-k0, k1 + 1) / HZ
    before, vel = presnap.pre_positions(s, t[: k0 + 1], movers, ready)
    sim = Sim(before[-1], vel, HZ, k1, 0.0)
    play = {"field_goal": _field_goal, "punt": _punt, "kneel": _kneel}[call.kind]
    ball = play(s, sim, t)
    out = Draft(s, t, np.concatenate([before, sim.hist[1:, : sim.n]]), s.passer)
    out.engaged[k0:], out.pair, out.ready, out.ball = sim.engaged, sim.partner.copy(), ready, ball
    out.out = Outcome()
    if call.kind == "kneel":
        out.out.down.append((0.8, s.passer))
    out.extra["motion"] = "none"
    return out


def _no_snap(rng: np.random.Generator, spot: Spot, call: Call) -> Draft:
    """Teams who come up, stand about or walk off; nothing is snapped. Time starts at 0 of the clip later on."""
    from models.training.playbook.build import Draft

    offense = align_offense(rng, spot, call.formation, call.strong, call.gun, True)
    defense, _ = align_defense(rng, spot, call, offense)
    for m in offense:
        m.depth = max(m.depth, -(spot.behind - 0.8))
    s = Scene(rng, spot, call, offense, defense)
    length = float(rng.uniform(6.0, 10.0))
    t = np.arange(round(length * HZ) + 1) / HZ - 100.0  # far before any snap: nobody reacts
    start = t[0]
    movers: dict[int, Move] = {}
    ready: dict[int, float] = {}
    leave = start + float(rng.uniform(2.5, length - 2.0))
    for i, m in enumerate(s.men):
        far = m.depth * rng.uniform(0.9, 1.3) + rng.normal(0, 1.5) + (-4 if i < s.n_off else 3) * rng.uniform(0.3, 1.2)
        away = (far, m.across * rng.uniform(0.8, 1.1) + rng.normal(0, 1.8))
        late = leave + abs(rng.normal(0, 0.5)) + 0.2
        walking = rng.uniform(1.3, 2.4)
        dist = float(np.hypot(away[0] - m.depth, away[1] - m.across))
        if call.kind == "stand_up":
            movers[i] = Move(m.at, away, m.depth, late + dist / walking + 0.6, walking)
            ready[i] = start - 9 if rng.random() < 0.8 else start + 1.0
        elif call.kind == "walk_up":
            movers[i] = Move(away, m.at, away[0], min(late + 1.0, t[-1]) - rng.uniform(0, 1.0), walking)
            ready[i] = leave + 1.2
        else:
            start = (away[0] + rng.normal(0, 1.5), away[1])
            to = (m.depth + rng.normal(0, 3), m.across * 0.8 + rng.normal(0, 2))
            movers[i] = Move(start, to, start[0], leave + rng.uniform(0, 3), walking)
            ready[i] = t[-1] + 1
    xy, _ = presnap.pre_positions(s, t, movers, ready)
    out = Draft(s, t, xy, None)
    out.ready = ready
    if call.kind == "stand_up":
        out.extra["stood_up_s"] = leave - start
        out.ready = ready
    out.extra["motion"] = "none"
    return out
