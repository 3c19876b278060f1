"""Run plays after the snap: the mesh, blocks at the point of attack, fits and the tackle."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.passing import stop
from models.training.playbook.roster import MOVES, tnorm
from models.training.playbook.sim import Event, Sim

# Run schemes: yards outside the ball where the hole is, and when the ball changes hands. Common practice.
RUNS = {"inside_zone": (1.2, 0.75), "outside_zone": (5.5, 0.85), "power": (2.6, 0.85), "counter": (2.8, 1.0),
        "draw": (0.9, 1.25), "toss": (7.5, 0.6), "keep": (6.0, 0.9)}  # fmt: skip


def _blocks(s: Scene, sim: Sim, out: Outcome, events: list[Event], hole: float) -> None:
    """Linemen, tight ends and lead backs take the men near the ball; receivers stalk."""
    rng, n = s.rng, s.n_off
    blockers = [i for i, m in enumerate(s.offense) if i in s.linemen() or m.position == "tight_end" or m.tag == "FB"]
    box = [k for k, m in enumerate(s.defense) if m.depth < 7.5 and abs(m.across) < 9.5]
    cost = np.array([[abs(s.offense[i].across + 0.15 * hole - s.defense[k].across) + 0.75 * s.defense[k].depth
                      for k in box] for i in blockers])  # fmt: skip
    rows, cols = linear_sum_assignment(cost)
    for a, b in zip(rows, cols, strict=True):
        i, k = blockers[a], box[b]
        drive = tnorm(rng, 0.9, 0.4, 0.2, 1.7) + (0.5 if s.defense[k].depth > 3 else 0.0)
        sim.follow(i, n + k, offset=(-0.75, 0.12 * float(np.sign(hole))), lead=0.6)
        sim.speed[i], sim.start[i] = MOVES[s.offense[i].position][0], rng.uniform(0.03, 0.12)
        sim.engage(i, n + k, drive)
        if rng.random() < 0.45:
            events.append((rng.uniform(1.3, 2.6), partial(Sim.release, i=n + k)))
    for i in set(blockers) - {blockers[a] for a in rows}:
        sim.path(i, [(2.5, s.offense[i].across + 0.4 * np.sign(hole)), (6, s.offense[i].across)])
    out.blockers = set()
    wide = [i for i, m in enumerate(s.offense) if m.eligible and i not in blockers and m.tag != "RB"]
    for i in wide:
        near = min(range(len(s.defense)), key=partial(_far, s, i))
        sim.follow(i, n + near, toward=s.passer, gain=0.9, lead=0.4)
        sim.speed[i], sim.start[i], sim.accel[i] = 5.6, rng.uniform(0.02, 0.14), MOVES[s.offense[i].position][1]


def _far(s: Scene, i: int, k: int) -> float:
    o, d = s.offense[i], s.defense[k]
    return abs(o.across - d.across) + 0.3 * abs(o.depth - d.depth)


def _fits(s: Scene, sim: Sim, events: list[Event], carrier: int, hole: float, speed: float) -> None:
    """Linemen fight to the ball, linebackers fill, the deep men come last."""
    rng, n = s.rng, s.n_off
    for k, m in enumerate(s.defense):
        i = n + k
        top, accel = MOVES[m.position]
        sim.accel[i], sim.speed[i] = accel, top * 0.82 * speed
        if m.on_line:
            sim.start[i] = rng.uniform(0.1, 0.22)
            sim.path(i, [(-0.7, m.across + 0.2 * hole)])
            events.append((rng.uniform(0.6, 0.9), partial(Sim.follow, i=i, ref=carrier, lead=0.7)))
        elif m.depth < 8.0 and abs(m.across) < 9.0:
            sim.start[i] = rng.uniform(0.22, 0.35)
            sim.path(i, [(max(m.depth - 2.0, 1.8), m.across + 0.45 * (hole - m.across))])
            sim.speed[i] = 4.5 * speed
            events.append((rng.uniform(0.8, 1.15), partial(_chase, i=i, carrier=carrier, speed=top * 0.85 * speed)))
        else:
            sim.start[i] = rng.uniform(0.25, 0.35)
            sim.path(i, [(m.depth + rng.uniform(0.2, 1.8), m.across)])
            sim.speed[i] = 3.5
            events.append((rng.uniform(0.9, 1.5), partial(_chase, i=i, carrier=carrier, speed=top * 0.85 * speed)))


def _chase(q: Sim, i: int, carrier: int, speed: float) -> None:
    q.follow(i, carrier, lead=1.0, offset=(0.8, 0.0))
    q.speed[i] = speed


def play_run(s: Scene, sim: Sim, speed: float) -> tuple[Outcome, str]:
    """Run a run play. Returns what came of it and the scheme."""
    rng, out = s.rng, Outcome()
    backs = [i for i, m in enumerate(s.offense) if m.tag == "RB"]
    names = list(RUNS) if backs else ["keep"]
    scheme = str(rng.choice(names))
    outside, mesh = RUNS[scheme]
    side = float(rng.choice([-1, 1]))
    hole = side * outside
    carrier = s.passer if scheme == "keep" else backs[0]
    events: list[Event] = []
    gun = s.offense[s.passer].depth < -3
    q0 = s.offense[s.passer]
    if scheme == "keep":
        sim.path(carrier, [(q0.depth - 0.3, side * 1.0), (-2.0, hole), (16, hole * 1.2)], [2.5, 5.0, 6.0])
        sim.start[carrier] = 0.3 if gun else 0.05
    else:
        meet = (q0.depth - (0.1 if gun else 2.0), side * 0.75 if outside < 5 else side * 1.6)
        sim.path(carrier, [meet, (-0.6, hole), (18, hole * 1.25)], [4.0, 4.6, 8.0])
        sim.start[carrier] = max(mesh - 0.75, 0.1)
        sim.path(s.passer, [(q0.depth - (0.2 if gun else 1.5), -side * 0.15), (q0.depth - 1.2, -side * 2.5)], 1.0)
        sim.start[s.passer], sim.speed[s.passer] = 0.1, 3.0
        out.holder.append((mesh, carrier))
    top, accel = MOVES[s.offense[carrier].position]
    sim.speed[carrier], sim.accel[carrier] = top * 0.85 * speed, accel
    _blocks(s, sim, out, events, hole)
    _fits(s, sim, events, carrier, hole, speed)
    state = {"done": False}

    def hook(q: Sim) -> None:
        if state["done"] or q.t < mesh + 0.35:
            return
        d = np.hypot(*(q.pos[s.n_off :] - q.pos[carrier]).T)
        k = int(d.argmin())
        if d[k] < 0.9:
            state["done"], out.end_s = True, q.t
            out.down += [(q.t + 0.3, carrier), (q.t + 0.35, s.n_off + k)]
            stop(q, [carrier, s.n_off + k])
            for i in range(q.n):
                q.speed[i] = min(q.speed[i], 3.5)

    sim.run(events, hook)
    return out, scheme
