"""Pass plays after the snap: protection, rush, routes, coverage, the throw and what follows."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.training.playbook.assignments import Job, Plan
from models.training.playbook.late import count_rush, late_changes
from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.roster import MOVES, tnorm
from models.training.playbook.routes import draw_route, way_points
from models.training.playbook.sim import Event, Sim

THROW_S = {"quick": (1.25, 1.75), "dropback": (2.2, 3.0), "sprint_out": (2.1, 2.8), "screen": (1.5, 2.0),
           "play_action": (2.5, 3.1)}  # fmt: skip

# Shares; common practice, no source.
CHECK_RELEASE = 0.22  # of backs with a route on a full drop: they look for a rusher first
GREEN_DOG = 0.45  # of men near the line whose man stays in to block: they rush late


def choose_blockers(s: Scene, plan: Plan) -> set[int]:
    """Linemen, and the backs and tight ends who stay in."""
    kind, rng = s.call.kind, s.rng
    stay = set(s.linemen())
    for i, m in enumerate(s.offense):
        if not m.eligible:
            continue
        close = abs(m.across) < 8.5
        if i in plan.must_block and close:
            stay.add(i)
        p = {"back": 0.38, "tight_end": 0.12}.get(m.position, 0.0)
        p *= {"dropback": 1.0, "play_action": 1.3, "sprint_out": 1.2, "quick": 0.6, "screen": 0.0}[kind]
        if close and rng.random() < p + 0.12 * (s.call.rushers - 4) * (m.position == "back"):
            stay.add(i)
    most = s.n_off - 1 - 2  # at least two men run routes
    for i in sorted(stay - set(s.linemen()), key=lambda i: -abs(s.offense[i].across)):
        if len(stay) > most:
            stay.discard(i)
    return stay


def protect(s: Scene, sim: Sim, out: Outcome, events: list[Event]) -> None:
    """Match blockers to rushers; the rest help. Linemen set first, then meet their man."""
    rng, n = s.rng, s.n_off
    blockers, rushers = sorted(out.blockers), sorted(out.rushers)
    cost = np.zeros((len(blockers), len(rushers)))
    for a, i in enumerate(blockers):
        for b, j in enumerate(rushers):
            m, r = s.offense[i], s.defense[j - n]
            far = abs(m.across - r.across)
            late = m.position == "back" and r.position in ("edge", "tackle_inside")
            cost[a, b] = far + 0.3 * far**2 + 3.0 * late + 0.4 * max(r.depth - 3, 0) * (m.position != "back")
    rows, cols = linear_sum_assignment(cost)
    pairs = {blockers[a]: rushers[b] for a, b in zip(rows, cols, strict=True)}
    for i in blockers:
        m = s.offense[i]
        line = i in s.linemen()
        sign = float(np.sign(m.across)) if abs(m.across) > 0.3 else 0.0
        j = pairs.get(i, -1)
        if line or m.position == "tight_end":
            set_at = (m.depth - (0.9 if m.position != "tackle" else 1.6), m.across + 0.35 * sign * (abs(m.across) > 2))
            sim.path(i, [set_at])
            sim.speed[i] = 3.3
        else:
            sim.path(i, [(m.depth + 0.4, m.across * 0.7)])
            sim.speed[i] = 3.5
        sim.start[i] = rng.uniform(0.03, 0.12)
        if j >= 0:
            r = s.defense[j - n]
            drive = tnorm(rng, 1.5, 0.4, 0.7, 2.4) if r.position == "edge" else tnorm(rng, 0.95, 0.35, 0.3, 1.8)
            events.append((rng.uniform(0.3, 0.5) if line else 0.5, _meet(i, j, s.passer, drive)))
            if rng.random() < (0.7 if out.holds else 0.28):
                events.append((rng.uniform(1.9, 2.7 if out.holds else 3.4), partial(_shed, i=i, j=j, passer=s.passer)))
        else:
            near = min(rushers, key=partial(_apart, s, i))
            events.append((0.55, _help(i, near, s.passer, 0.45 * (1 if m.across > s.defense[near - n].across else -1))))


def _meet(i: int, j: int, passer: int, drive: float) -> Callable[[Sim], None]:
    def act(q: Sim) -> None:
        q.follow(i, j, toward=passer, gain=0.82, lead=0.7)
        q.speed[i] = min(MOVES["tackle"][0], 4.8)
        q.engage(i, j, drive)

    return act


def _help(i: int, j: int, passer: int, side: float) -> Callable[[Sim], None]:
    def act(q: Sim) -> None:
        q.follow(i, j, toward=passer, gain=1.25, offset=(0.0, side), lead=0.5)
        q.speed[i] = 2.6

    return act


def _apart(s: Scene, i: int, j: int) -> float:
    return abs(s.men[i].across - s.men[j].across)


def _go_for(q: Sim, j: int, ref: int, lead: float) -> None:
    q.follow(j, ref, lead=lead)


def _shed(q: Sim, i: int, j: int, passer: int) -> None:
    if q.pair[j] == i:
        q.release(j)
        q.speed[i] = 2.2
        q.follow(j, passer, lead=0.5)


def rush(s: Scene, sim: Sim, out: Outcome, events: list[Event]) -> None:
    """Rushers go for the passer; those outside the line bend around it, later men come from depth."""
    rng, n = s.rng, s.n_off
    for j in sorted(out.rushers):
        m = s.defense[j - n]
        top, accel = MOVES[m.position]
        sim.speed[j], sim.accel[j] = top * rng.uniform(0.85, 0.97), accel
        sim.start[j] = rng.uniform(0.12, 0.24) if m.on_line else rng.uniform(0.05, 0.3)
        sign = 1.0 if m.across > 0 else -1.0
        if abs(m.across) > 3.3:
            around = (-1.6, sign * max(min(abs(m.across), 6.2), 4.2))
            sim.path(j, [around, (-4.5, sign * 2.6)], [6.0, 4.0])
            events.append((rng.uniform(0.9, 1.2), partial(_go_for, j=j, ref=s.passer, lead=0.6)))
        elif m.on_line:
            sim.follow(j, s.passer, lead=0.3)
        else:
            gap = sign * min(abs(m.across) * 0.6, 2.3)
            sim.path(j, [(0.4, gap), (-3.0, gap * 0.8)], [5.0, 5.0])
            events.append((1.0, partial(_go_for, j=j, ref=s.passer, lead=0.5)))


def run_routes(s: Scene, sim: Sim, out: Outcome, speed: float) -> None:
    """Everybody who does not block runs a route."""
    rng = s.rng
    for sign in (-1, 1):
        side = [i for i, m in enumerate(s.offense) if m.eligible and (m.across >= 0) == (sign > 0)]
        for rank, i in enumerate(sorted(side, key=lambda i: -abs(s.offense[i].across))):
            if i in out.blockers:
                continue
            m = s.offense[i]
            name = draw_route(rng, s.call.kind, m, rank)
            o = sign if m.position != "back" or abs(m.across) > 0.8 else int(rng.choice([-1, 1]))
            points, cuts = way_points(rng, name, (float(sim.pos[i, 0]), float(sim.pos[i, 1])), s.spot, o)
            if m.position == "back":
                points = [(min(points[0][0], -2.6), points[0][1] + o * 3.4)] + points
                cuts = [5.0] + cuts
            sim.path(i, points, cuts)
            top, accel = MOVES[m.position]
            sim.speed[i], sim.accel[i] = top * speed * rng.uniform(0.88, 0.98), accel
            sim.start[i] = rng.uniform(0.02, 0.14) + (rng.uniform(0.05, 0.35) if m.position == "back" else 0.0)
            if m.position == "back" and s.call.kind in ("dropback", "play_action") and rng.random() < CHECK_RELEASE:
                # He looks for a rusher to pick up first, then leaves.
                sim.path(i, [(m.depth + 0.5, m.across * 0.8), *points], [1.0, *cuts])
                sim.start[i] = rng.uniform(0.25, 0.55)
                out.checked.add(i)
            out.routes[i] = name


def cover(s: Scene, sim: Sim, plan: Plan, out: Outcome, speed: float) -> dict[int, float]:
    """Send coverage men on their jobs. Returns for men in man coverage the cushion they start with."""
    rng, n = s.rng, s.n_off
    cushions: dict[int, float] = {}
    for k, job in plan.jobs.items():
        if job.kind == "rush":
            continue
        i, m = n + k, s.defense[k]
        top, accel = MOVES[m.position]
        sim.accel[i] = accel
        sim.start[i] = rng.uniform(0.15, 0.35) if not job.moved else rng.uniform(-0.25, 0.15)
        if job.kind == "man":
            gap = m.depth - s.offense[job.man].depth
            cushions[i] = max(gap, 1.0)
            inside = -np.sign(s.offense[job.man].across) * rng.uniform(0.3, 1.0)
            sim.follow(i, job.man, offset=(cushions[i] - 0.4, float(inside)), lag=int(rng.integers(6, 11)))
            sim.speed[i] = top * speed
            if job.man in out.blockers:
                sim.path(i, [(min(m.depth, 4.0), m.across * 0.7)])
                sim.speed[i] = 4.0
                if abs(m.across) < 7 and m.depth < 8.5 and rng.random() < GREEN_DOG:
                    out.late_rush.add(i)
        else:
            if job.moved and m.position == "safety" and rng.random() < 0.2:
                sim.start[i] = rng.uniform(0.15, 0.5)  # he turns late
            sim.path(i, [job.mark])
            sim.speed[i] = {"deep": 6.3, "under": 5.6}.get(job.kind, 5.4) * speed
            if job.moved:
                sim.speed[i] = 7.6 * speed
            if m.on_line:  # a lineman who drops shows rush first
                sim.speed[i] = 5.0
                sim.start[i] = 0.15
                sim.path(i, [(m.depth - 0.15, m.across), job.mark], 1.0)
    return cushions


def passer_path(s: Scene, sim: Sim) -> None:
    """The passer's drop, roll or fake."""
    rng, q = s.rng, s.passer
    gun = s.offense[q].depth
    sim.start[q], sim.speed[q], sim.accel[q] = 0.05, 4.6, 4.6
    if s.call.kind == "sprint_out":
        side = float(s.call.strong)
        sim.path(q, [(min(gun, -4.5) - 1.6, side * 3.5), (-6.2, side * 8.5), (-4.6, side * 12.0)], 5.0)
        sim.speed[q] = 6.0
        return
    steps = {"quick": 1.6, "screen": 3.2, "play_action": 3.6}.get(s.call.kind, tnorm(rng, 2.9, 0.4, 2.0, 3.8))
    deep = min(gun - steps, -4.9) if gun < -3 else -tnorm(rng, {"quick": 4.9}.get(s.call.kind, 7.6), 0.5, 4.3, 9.0)
    if s.call.kind == "quick":
        deep = max(deep, -6.6)
    sim.path(q, [(deep, rng.normal(0, 0.3)), (deep + 1.1, rng.normal(0, 0.4))], 0.7)


def hook_for(s: Scene, plan: Plan, out: Outcome, cushions: dict[int, float]) -> Callable[[Sim], None]:
    """What is looked at every few frames: zones lean to receivers, cushions close, the ball carrier is met."""
    n = s.n_off
    zones = [(n + k, j) for k, j in plan.jobs.items() if j.kind in ("deep", "under", "robber")]
    targets = np.array(sorted(out.routes))
    state = {"done": False}

    def hook(q: Sim) -> None:
        t = q.t
        if not np.isnan(out.throw_s) and t > out.throw_s:
            _finish(s, q, out, state)
            return
        _sacked(s, q, out, state)
        for i, c in cushions.items():
            if q.kind[i] == 2 and q.ref[i] < q.n:
                ahead = max((c - 0.4) * (1 - t / 1.9), 0.0) + 0.9 if s.call.family != "cover_2_man" else -0.4
                # A man in coverage waits on his side of the line for a receiver who is still behind it.
                q.offset[i, 0] = max(ahead, s.spot.neutral + 1.3 - q.pos[q.ref[i], 0])
        if t < 0.45 or not len(targets):
            return
        where = q.pos[targets]
        for i, job in zones:
            if q.kind[i] != 1 or q.at[i] < q.last[i]:
                continue
            q.points[i, q.at[i]] = _lean(job, where, s.spot.to_end_line - 1.0)

    return hook


def _lean(job: Job, where: np.ndarray, deepest: float) -> tuple[float, float]:
    """Landmark of a zone drawn towards the receiver in it."""
    gap = np.abs(where[:, 1] - job.mark[1])
    if job.kind == "deep":
        inside = gap < 9.5
        if not inside.any():
            return job.mark
        deep = where[inside, 0].max()
        b = where[inside][where[inside, 0].argmax()]
        if job.match and deep > 8.0:  # he takes the man who came upfield as his own
            return (min(deep + 1.6, deepest), b[1] + 0.15 * (job.mark[1] - b[1]))
        return (min(max(job.mark[0], deep + 2.6), deepest), job.mark[1] + 0.4 * (b[1] - job.mark[1]))
    if job.carry:
        seam = (gap < 5.0) & (where[:, 0] > job.mark[0] - 2.0)
        if seam.any():
            b = where[seam][where[seam, 0].argmax()]
            return (min(max(job.mark[0], b[0] + 0.5), 15.0, deepest), float(b[1]))
    d = np.hypot(gap, where[:, 0] - job.mark[0])
    b = where[d.argmin()]
    if d.min() > 5.5:
        return job.mark
    return (job.mark[0] + 0.15 * (b[0] - job.mark[0]), job.mark[1] + 0.5 * (b[1] - job.mark[1]))


def _sacked(s: Scene, q: Sim, out: Outcome, state: dict[str, bool]) -> None:
    """A free rusher who reaches the passer ends the play."""
    if state["done"]:
        return
    p = q.pos[s.passer]
    for j in out.rushers:
        if np.hypot(*(q.pos[j] - p)) < (1.05 if q.pair[j] < 0 else 0.85):
            out.end_s, state["done"] = q.t, True
            out.down += [(q.t + 0.25, s.passer), (q.t + 0.3, j)]
            out.throw_s = float("nan")
            stop(q, [s.passer, j])
            return


def stop(q: Sim, men: list[int]) -> None:
    """Let men come to rest."""
    for i in men:
        q.hold(i)
        q.speed[i] = 0.5


def _finish(s: Scene, q: Sim, out: Outcome, state: dict[str, bool]) -> None:
    """After the throw: the catch, the run after it, the tackle."""
    if state["done"] or q.t < out.arrive_s or not out.caught:
        return
    c = out.target
    d = np.hypot(*(q.pos[s.n_off :] - q.pos[c]).T)
    k = int(d.argmin())
    if d[k] < 0.95 and q.t > out.arrive_s + 0.15:
        state["done"] = True
        out.end_s = q.t
        out.down += [(q.t + 0.3, c), (q.t + 0.35, s.n_off + k)]
        stop(q, [c, s.n_off + k])


def throw_events(s: Scene, out: Outcome, plan: Plan) -> list[Event]:
    """The throw and the catch as events."""
    rng = s.rng
    lo, hi = THROW_S[s.call.kind]
    when = float(rng.uniform(lo, hi))
    if s.call.kind in ("dropback", "play_action") and rng.random() < 0.16:
        when += float(rng.uniform(0.8, 1.8))
        out.holds = True

    def throw(q: Sim) -> None:
        if not np.isnan(out.end_s) or not out.routes:
            return
        _throw(s, q, out)

    return [(when, throw)]


def _throw(s: Scene, q: Sim, out: Outcome) -> None:
    rng, n = s.rng, s.n_off
    ids = sorted(out.routes)
    gaps = [float(np.hypot(*(q.pos[n:] - q.pos[i]).T).min()) for i in ids]
    score = np.array(gaps) + rng.normal(0, 1.2, len(ids)) - 0.05 * np.maximum(q.pos[ids, 0] - 18, 0)
    if s.call.kind == "screen":
        score = -q.pos[ids, 0] + rng.normal(0, 1.0, len(ids))
    t = ids[int(score.argmax())]
    dist = float(np.hypot(*(q.pos[t] - q.pos[s.passer])))
    flight = 0.15 + dist / 19.0
    at = q.pos[t] + q.vel[t] * flight * 0.9
    at[0] = min(at[0], s.spot.to_end_line - 0.5)
    at[1] = np.clip(at[1], -s.spot.room_left + 0.6, s.spot.room_right - 0.6)
    out.target, out.throw_s, out.arrive_s, out.catch_at = t, q.t, q.t + flight, at.copy()
    out.caught = bool(rng.random() < 0.74)
    p = q.point(0, at)
    q.path(t, [(float(at[0]), float(at[1]))])
    q.cut[t] = 6.0
    q.kind[t] = 1
    chase = rng.uniform(0.15, 0.4, q.n)
    engaged = {i for i in range(q.n) if q.pair[i] >= 0}
    for i in range(n, q.n):
        if i not in engaged and np.hypot(*(q.pos[i] - at)) < 22:
            q.start[i] = q.t + chase[i]
            q.follow(i, p, toward=i, gain=1.2)
            q.speed[i] = MOVES[s.men[i].position][0] * 0.93


def catch_event(s: Scene, out: Outcome) -> Callable[[Sim], None]:
    """Called every frame group: turn the catch into a run, or let everybody slow down."""
    state = {"caught": False}

    def act(q: Sim) -> None:
        if state["caught"] or np.isnan(out.arrive_s) or q.t < out.arrive_s:
            return
        state["caught"] = True
        n = s.n_off
        if not out.caught:
            out.end_s = out.arrive_s + 0.25
            for i in range(q.n):
                q.speed[i] = min(q.speed[i], 2.0)
                if q.pair[i] >= 0:
                    q.release(i)
            return
        t = out.target
        a = float(q.pos[t, 1])
        ahead = min(float(q.pos[t, 0]) + 14, s.spot.to_end_line - 0.5)
        q.path(t, [(ahead, a * 0.92)])
        for i in range(n, q.n):
            if q.kind[i] == 2 and q.ref[i] >= q.n:
                q.follow(i, t, lead=1.0, offset=(0.6, 0.0))

    return act


def play_pass(s: Scene, sim: Sim, plan: Plan, speed: float) -> Outcome:
    """Run a pass play. Returns what came of it; positions stay in ``sim.hist``."""
    out = Outcome()
    out.rushers = {s.n_off + k for k, j in plan.jobs.items() if j.kind == "rush"}
    out.blockers = choose_blockers(s, plan)
    events = throw_events(s, out, plan)
    passer_path(s, sim)
    run_routes(s, sim, out, speed)
    protect(s, sim, out, events)
    rush(s, sim, out, events)
    cushions = cover(s, sim, plan, out, speed)
    events += late_changes(s, out)
    if s.call.kind == "screen":
        for i in s.linemen()[1:]:
            if s.rng.random() < 0.6:
                events.append((s.rng.uniform(1.1, 1.4), _release(s, i)))
    watch, catch = hook_for(s, plan, out, cushions), catch_event(s, out)

    def hook(q: Sim) -> None:
        watch(q)
        catch(q)

    sim.run(events, hook)
    count_rush(s, sim, out)
    return out


def _release(s: Scene, i: int) -> Callable[[Sim], None]:
    side = float(np.sign(s.offense[i].across) or 1)

    def act(q: Sim) -> None:
        q.release(i)
        q.path(i, [(0.5, side * 7.0), (5.0, side * 9.0)], 3.0)
        q.speed[i] = 5.0

    return act
