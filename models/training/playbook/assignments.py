"""What each defender does after the snap: rush, take a man, a deep zone or one underneath."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from models.training.playbook.calls import Call
from models.training.playbook.roster import Man, Spot, tnorm

# Shares of plays or men; common practice, no source.
SPY = 0.35  # of spare men near the line who watch the passer instead of robbing
CARRY = 0.3  # of men underneath who go deep with a receiver running through their zone
BUST = 0.06  # of plays in which one man errs


@dataclass
class Job:
    """What one defender does.

    kind: rush, man, deep, under, robber. mark: landmark (depth, across) of a zone. man: index of the offensive
    player covered. moved: the man leaves his shown place for another level or side. match: a deep zone played
    as man against whoever runs upfield in it. carry: a man underneath goes deep with a receiver who runs through
    his zone.
    """

    kind: str
    mark: tuple[float, float] = (0.0, 0.0)
    man: int = -1
    moved: bool = False
    match: bool = False
    carry: bool = False


@dataclass
class Plan:
    """Jobs by defender index, offensive players who must stay in because nobody is left to cover them."""

    jobs: dict[int, Job]
    must_block: set[int]
    flat_side: int  # side whose corner squats in the flat (cover 6 and cloud), 0 without one
    down_side: int  # side whose safety comes down, 0 without one


def _by(defense: list[Man], *positions: str) -> list[int]:
    return [i for i, m in enumerate(defense) if m.position in positions]


def choose_rushers(rng: np.random.Generator, call: Call, defense: list[Man], deep: set[int]) -> list[int]:
    """Indices of the rushers. deep: men who may not rush."""
    line = sorted(_by(defense, "edge", "tackle_inside"), key=lambda i: abs(defense[i].across))
    backers = sorted(_by(defense, "linebacker"), key=lambda i: (defense[i].depth, abs(defense[i].across)))
    slots, corners = _by(defense, "slot_defender"), _by(defense, "corner")
    spare_safeties = [i for i in _by(defense, "safety") if i not in deep]
    low = [i for i in spare_safeties if defense[i].depth < 8.8]
    corners = [i for i in corners if i not in deep]
    rng.shuffle(slots)
    rng.shuffle(low)
    first: list[int] = []
    if call.pressure in ("simulated", "creeper"):
        first = (backers + slots)[:1]
    elif call.pressure == "slot":
        first = (slots + backers)[:1]
    elif call.pressure == "corner":
        first = (corners if call.man else slots + backers)[:1]
    elif call.pressure == "safety":
        first = (low + slots + backers)[:1]
    elif call.pressure == "linebackers":
        first = backers[: max(1, call.rushers - len(line))]
    first = first[: max(call.rushers - 2, 0)]
    edges = [i for i in line if defense[i].position == "edge"]
    drop = max(len(line) + len(first) - call.rushers, 0)
    standing = sorted(edges, key=lambda i: (defense[i].stance != "two_point", rng.random()))
    inside = [i for i in line if i not in edges]
    pool = standing if rng.random() < 0.85 or len(inside) < 2 else [inside[-1]] + standing
    dropped = set((pool + inside)[:drop])
    chosen = first + [i for i in line if i not in dropped]
    high = [i for i in spare_safeties if i not in low]
    for i in backers + slots + low + (corners if call.man else []) + high:
        if len(chosen) >= call.rushers:
            break
        if i not in chosen:
            chosen.append(i)
    return chosen[: call.rushers]


def _deep_jobs(rng: np.random.Generator, call: Call, spot: Spot, defense: list[Man]) -> tuple[dict[int, Job], int, int]:
    """Deep zones, the flat side and the side whose safety comes down."""
    safeties = sorted(_by(defense, "safety"), key=lambda i: defense[i].across)
    corners = {(1 if defense[i].across > 0 else -1): i for i in _by(defense, "corner")}
    sq = spot.squeeze()
    room = spot.to_end_line - 1.5

    def mark(depth: float, share: float, keep: Man) -> tuple[float, float]:
        a = spot.across_of(share)
        return (min(depth * sq, room), 0.75 * a + 0.25 * keep.across)

    jobs: dict[int, Job] = {}
    deep_first = sorted(safeties, key=lambda i: -defense[i].depth)
    family, flat, down = call.family, 0, 0
    middle = 0.5 - 0.25 * (0.5 - spot.room_left / spot.width)
    if family in ("cover_1", "cover_3") and call.deep == 1:
        side = {"cover_3_weak": -call.strong}.get(call.coverage, call.strong)
        if len(safeties) > 1 and call.shell == 2 and family == "cover_1" and rng.random() < 0.4:
            side = -side
        free = deep_first[0] if call.shell == 1 else (safeties[0] if side > 0 else safeties[-1])
        jobs[free] = Job("deep", mark(tnorm(rng, 18, 1.5, 15, 21), middle, defense[free]), moved=call.shell != 1)
        down = side if call.shell == 2 else 0
    elif call.coverage == "cover_3_cloud":
        flat = call.strong if rng.random() < 0.6 else -call.strong
        over, mid = (safeties[-1], safeties[0]) if flat > 0 else (safeties[0], safeties[-1])
        jobs[over] = Job("deep", mark(17.0, 0.5 + flat * 0.33, defense[over]), moved=True)
        jobs[mid] = Job("deep", mark(17.5, middle, defense[mid]), moved=True)
    elif family in ("cover_2", "cover_2_man"):
        for s, i in ((-1, safeties[0]), (1, safeties[-1])):
            jobs[i] = Job("deep", mark(tnorm(rng, 17, 1, 15, 19), 0.5 + 0.24 * s, defense[i]))
    elif family == "cover_4":
        for s, i in ((-1, safeties[0]), (1, safeties[-1])):
            jobs[i] = Job("deep", mark(tnorm(rng, 13.5, 1, 12, 16), 0.5 + 0.13 * s, defense[i]))
    elif family == "cover_6":
        flat = -call.strong if rng.random() < 0.75 else call.strong
        for s, i in ((-1, safeties[0]), (1, safeties[-1])):
            jobs[i] = Job(
                "deep", mark(17.0 if s == flat else 13.5, 0.5 + s * (0.25 if s == flat else 0.13), defense[i])
            )
    elif family == "other":
        for s, i in zip((-1, 0, 1), safeties[:3], strict=False):
            jobs[i] = Job("deep", mark(17.5, 0.5 + 0.3 * s, defense[i]))
    outside = {"cover_3": 0.34, "cover_4": 0.37, "cover_6": 0.37}.get(family)
    for s, i in corners.items():
        if outside is not None and s != flat:
            m = mark(16.5 if family == "cover_3" else 15.5, 0.5 + outside * s, defense[i])
            jobs[i] = Job("deep", (m[0], 0.45 * m[1] + 0.55 * defense[i].across))
    if call.coverage == "cover_4_match":
        for job in jobs.values():
            job.match = True
    return jobs, flat, down


def _man_jobs(rng: np.random.Generator, call: Call, offense: list[Man], defense: list[Man], free: list[int],
              follower: tuple[int, int] | None) -> tuple[dict[int, Job], set[int]]:  # fmt: skip
    """Match free defenders to eligible receivers; who is left over robs or spies."""
    jobs: dict[int, Job] = {}
    receivers = [i for i, m in enumerate(offense) if m.eligible]
    if follower is not None and follower[0] in free:
        jobs[follower[0]] = Job("man", man=follower[1])
        free = [i for i in free if i != follower[0]]
        receivers.remove(follower[1])
    cost = np.zeros((len(free), len(receivers)))
    for a, i in enumerate(free):
        for b, j in enumerate(receivers):
            d, r = defense[i], offense[j]
            outside = r.wide or abs(r.across) > 6
            bad = {"corner": 12 if r.position == "back" else 0, "linebacker": 7 if outside else -1,
                   "edge": 9 if outside else 3, "tackle_inside": 14, "slot_defender": 1,
                   "safety": 2}.get(d.position, 5)  # fmt: skip
            cost[a, b] = abs(d.across - r.across) + bad + 0.2 * max(d.depth - 6, 0)
    rows, cols = linear_sum_assignment(cost) if len(free) and receivers else ([], [])
    for a, b in zip(rows, cols, strict=True):
        jobs[free[a]] = Job("man", man=receivers[b])
    taken = {j.man for j in jobs.values()}
    for k, i in enumerate(i for i in free if i not in jobs):
        if defense[i].position in ("linebacker", "edge") and rng.random() < SPY:
            jobs[i] = Job("robber", (tnorm(rng, 4.2, 0.5, 3.2, 5.2), rng.normal(0, 0.5)))
            continue
        depth = tnorm(rng, 9.5, 0.8, 8, 11) if k == 0 else tnorm(rng, 6.5, 0.8, 5, 8)
        jobs[i] = Job("robber", (depth, (-1) ** k * 1.5 * k + rng.normal(0, 1.0)), moved=True)
    return jobs, {j for j in receivers if j not in taken}


def _under_jobs(rng: np.random.Generator, call: Call, spot: Spot, offense: list[Man], defense: list[Man],
                free: list[int], flat: int, down: int) -> dict[int, Job]:  # fmt: skip
    """Underneath zones, matched in order across the field."""
    jobs: dict[int, Job] = {}
    sq = spot.squeeze() ** 0.5
    lean = 0.35 * float(np.mean([m.across for m in offense if m.eligible]))
    squat = call.family in ("cover_2", "other")
    for i in list(free):
        s = 1 if defense[i].across > 0 else -1
        if defense[i].position == "corner" and (squat or s == flat):
            edge = min(abs(defense[i].across), spot.room(s) - 6.5)
            jobs[i] = Job("under", (tnorm(rng, 6.5, 0.8, 5, 8) * sq, s * max(edge, 8.0)))
            free.remove(i)
    m = len(free)
    if m == 0:
        return jobs
    half = {1: 0.0, 2: 5.0, 3: 8.0, 4: 11.5, 5: 12.5}.get(m, 13.0)
    if squat:
        half = {1: 0.0, 2: 5.5, 3: 6.5, 4: 7.5}.get(m, 9.0)
    marks = np.linspace(-half, half, m) + lean
    key = {i: defense[i].across for i in free}
    if call.coverage == "cover_3_buzz":  # the safety who comes down takes the hook, not the flat
        for i in free:
            if defense[i].position == "safety":
                key[i] = 2.2 * (1 if defense[i].across > 0 else -1)
    order = sorted(free, key=lambda i: key[i])
    for i, a in zip(order, marks, strict=True):
        depth = tnorm(rng, 7.5 if abs(a - lean) > half * 0.8 and m > 2 else 8.5, 0.6, 5.5, 10) * sq
        carry = defense[i].position in ("linebacker", "slot_defender") and rng.random() < CARRY
        jobs[i] = Job("under", (depth, float(a)), moved=defense[i].position == "safety", carry=carry)
    if call.coverage == "cover_2_deep_middle":
        backers = [i for i in free if defense[i].position == "linebacker"] or free
        mike = min(backers, key=lambda i: abs(defense[i].across))
        jobs[mike] = Job("under", (14.5 * spot.squeeze(), lean * 0.5), moved=True)
    return jobs


def assign(rng: np.random.Generator, call: Call, spot: Spot, offense: list[Man], defense: list[Man],
           follower: tuple[int, int] | None) -> Plan:  # fmt: skip
    """Give every defender a job. follower: (defender, receiver) where a man followed a motion."""
    jobs, flat, down = _deep_jobs(rng, call, spot, defense)
    blocked = set(jobs) | ({follower[0]} if follower else set())
    rushers = choose_rushers(rng, call, defense, blocked)
    for i in rushers:
        jobs[i] = Job("rush")
    free = [i for i in range(len(defense)) if i not in jobs]
    must: set[int] = set()
    if call.man:
        more, must = _man_jobs(rng, call, offense, defense, free, follower)
        jobs.update(more)
    else:
        jobs.update(_under_jobs(rng, call, spot, offense, defense, free, flat, down))
    if rng.random() < BUST:
        _bust(rng, jobs, [i for i, m in enumerate(offense) if m.eligible])
    return Plan(jobs, must, flat, down)


def _bust(rng: np.random.Generator, jobs: dict[int, Job], receivers: list[int]) -> None:
    """One man gets it wrong: he goes with another's receiver, or drops to the wrong place. In place."""
    able = [k for k, j in jobs.items() if j.kind in ("man", "under")]
    if not able:
        return
    job = jobs[int(rng.choice(able))]
    if job.kind == "man":
        job.man = int(rng.choice([r for r in receivers if r != job.man] or [job.man]))
    else:
        job.mark = (job.mark[0], job.mark[1] + float(rng.choice([-1, 1])) * rng.uniform(5.0, 9.0))
