"""The rest of the defence: corners, slot defenders and safeties as they show themselves before the snap.

Corner depths follow ../shared/film_statistics.md (< 2.5 yd 42 %, 2.5-5 yd 12 %, >= 5 yd 46 %); safeties' depths
its 'deepest' row for one deep, common practice for two.
"""

from __future__ import annotations

import numpy as np

from models.training.playbook.calls import COVERAGE_CALLS, Call
from models.training.playbook.fronts import DOWN, align_front, align_linebackers, settle
from models.training.playbook.roster import Man, Spot, pick, tnorm

# How the corners stand by the coverage that is shown: press, soft, off.
CORNERS: dict[str, dict[str, float]] = {
    "cover_0": {"press": 62, "soft": 10, "off": 28},
    "cover_1": {"press": 55, "soft": 12, "off": 33},
    "cover_2": {"press": 66, "soft": 28, "off": 6},
    "cover_2_man": {"press": 82, "soft": 10, "off": 8},
    "cover_3": {"press": 24, "soft": 10, "off": 66},
    "cover_4": {"press": 14, "soft": 8, "off": 78},
    "other": {"press": 20, "soft": 20, "off": 60},
}

LOW_QUARTERS = 0.2  # of quarters: safeties at seven to nine yards. Common practice, no source


def shown_coverage(rng: np.random.Generator, call: Call) -> str:
    """The coverage whose picture is shown: the call's own where the shell is honest."""
    honest = COVERAGE_CALLS[call.coverage][2]
    if call.shell == honest:
        return call.family
    return {
        0: "cover_0",
        1: pick(rng, {"cover_1": 45, "cover_3": 55}),
        2: pick(rng, {"cover_4": 45, "cover_2": 25, "cover_2_man": 12, "cover_6": 18}),
        3: "other",
    }[call.shell]


def corner_depth(rng: np.random.Generator, technique: str, spot: Spot, shown: str = "") -> float:
    """Yards past the line of scrimmage for a technique. In quarters many stand at six yards."""
    if technique == "press":
        d = tnorm(rng, 1.35, 0.45, 0.5, 2.5)
    elif technique == "soft":
        d = tnorm(rng, 4.2, 0.7, 3.2, 5.3)
    elif shown == "cover_4" and rng.random() < 0.4:
        d = tnorm(rng, 6.0, 0.45, 5.0, 7.2)
    else:
        d = tnorm(rng, 7.3, 0.95, 5.7, 9.6)
    return spot.neutral + (d if technique == "press" else d * spot.squeeze() ** 0.5)


def receivers_of(offense: list[Man], sign: int) -> list[Man]:
    """Eligible men of a side outside the tackle, outside-in."""
    side = [m for m in offense if m.eligible and m.across * sign > 2.6 and m.position != "back"]
    side += [m for m in offense if m.position == "back" and m.across * sign > 6.0]
    return sorted(side, key=lambda m: -abs(m.across))


def _corners(rng: np.random.Generator, spot: Spot, call: Call, shown: str, offense: list[Man]) -> list[Man]:
    men = []
    flat_side = call.strong if rng.random() < 0.5 else -call.strong  # the half-field side of a cover 6 picture
    both = pick(rng, CORNERS.get(shown, CORNERS["other"]))
    for sign in (-1, 1):
        key = shown if shown != "cover_6" else ("cover_2" if sign == flat_side else "cover_4")
        technique = both if shown != "cover_6" and rng.random() < 0.7 else pick(rng, CORNERS[key])
        targets = receivers_of(offense, sign)
        wide = [m for m in targets if m.wide or abs(m.across) > 6.5]
        if wide:
            lean = tnorm(rng, 0.3, 1.1, -2.4, 2.2) if technique != "press" else tnorm(rng, 0.1, 0.5, -0.9, 0.9)
            across = abs(wide[0].across) + lean
            depth = corner_depth(rng, technique, spot, key)
            stance = "two_point"
        else:
            edge = max([abs(m.across) for m in targets], default=3.2)
            across = edge + tnorm(rng, 2.3, 0.8, 1.3, 4.5)
            depth = spot.neutral + tnorm(rng, 4.5, 1.4, 1.2, 7.5) * spot.squeeze() ** 0.5
            stance = "two_point"
        across = min(across, spot.room(sign) - 1.0)
        men.append(Man("defense", "corner", "CR" if sign > 0 else "CL", depth, sign * across, stance))
    return men


def _slots(rng: np.random.Generator, spot: Spot, n: int, shown: str, offense: list[Man]) -> list[Man]:
    """Slot defenders over the inside receivers, the most crowded side first."""
    inside: list[Man] = []
    sides = {s: receivers_of(offense, s) for s in (-1, 1)}
    for k in (1, 2, 3):
        inside += [sides[s][k] for s in sorted(sides, key=lambda s: -len(sides[s])) if len(sides[s]) > k]
    men = []
    close = COVERAGE_CALLS.get(shown, ("", 0, 0, False))[3]
    for k in range(n):
        if k < len(inside):
            r = inside[k]
            s = 1 if r.across > 0 else -1
            depth = tnorm(rng, 1.8, 0.7, 0.9, 3.2) if close and rng.random() < 0.6 else tnorm(rng, 5.0, 0.9, 3.4, 7.0)
            across = r.across + s * tnorm(rng, -0.4, 0.7, -1.8, 0.9)
        else:
            s = 1 if k % 2 else -1
            depth, across = tnorm(rng, 6.0, 0.8, 4.5, 7.5), s * tnorm(rng, 5.8, 0.8, 4.5, 7.5)
        depth = spot.neutral + depth * spot.squeeze() ** 0.5
        men.append(Man("defense", "slot_defender", f"N{k}", depth, across))
    return men


def _deep_spots(rng: np.random.Generator, spot: Spot, call: Call, shown: str) -> list[tuple[float, float]]:
    """Depth and across of the deep safeties of the shown shell, left to right."""
    middle = (spot.room_right - spot.room_left) / 2  # middle of the field seen from the ball
    lean = 0.3 * middle
    if call.shell == 1:
        return [(tnorm(rng, 13.9, 2.2, 9.9, 19.5), lean + rng.normal(0, 2.2))]
    if call.shell == 2:
        low = shown == "cover_4" and call.family in ("cover_4", "cover_6") and rng.random() < LOW_QUARTERS
        usual = (10.8, 0.8, 9.6, 12.5) if shown == "cover_4" else (12.8, 2.0, 9.9, 17.5)
        base = tnorm(rng, *((8.3, 0.7, 7.0, 9.6) if low else usual))
        half = tnorm(rng, 7.6, 1.1, 5.2, 10.5)
        least = 7.0 if low else 9.5
        return [(max(base + rng.normal(0, 0.6), least), lean + s * half + rng.normal(0, 0.6)) for s in (-1, 1)]
    if call.shell == 3:
        d = tnorm(rng, 12.0, 1.0, 10.0, 14.5)
        wide = tnorm(rng, 11.5, 1.2, 8.5, 14)
        return [(max(d + rng.normal(0, 0.7), 9.6), lean + s * wide + rng.normal(0, 0.7)) for s in (-1, 0, 1)]
    return []


def _low_safety(rng: np.random.Generator, spot: Spot, sign: int, offense: list[Man]) -> tuple[float, float]:
    """A safety who shows himself down: over a slot or tight end, or in the box."""
    targets = receivers_of(offense, sign)
    if len(targets) > 1 and rng.random() < 0.7:
        r = targets[min(len(targets) - 1, 1)]
        return tnorm(rng, 6.2, 0.9, 4.2, 7.9), abs(r.across) - tnorm(rng, 0.6, 0.6, -0.5, 1.8)
    return tnorm(rng, 5.6, 1.0, 3.8, 7.9), tnorm(rng, 5.6, 0.9, 4.0, 7.5)


def _safeties(rng: np.random.Generator, spot: Spot, call: Call, shown: str, offense: list[Man]) -> list[Man]:
    total = max(2, call.shell, call.deep)
    limit = spot.deep_limit()
    men = []
    spots = _deep_spots(rng, spot, call, shown)
    clear = 0.45 if rng.random() < 0.7 else 0.12  # how far from the depth that counts as deep everybody stays
    down_side = call.strong if call.coverage != "cover_3_weak" else -call.strong
    low_sides = [down_side, -down_side, 0]
    for depth, across in spots:
        d = spot.neutral + depth * (limit / 9.0)
        if depth >= 9.5:
            d = max(d, limit + clear)
        d = min(d, spot.to_end_line - 1.0)
        men.append(Man("defense", "safety", "", d, across))
    for k in range(total - len(spots)):
        s = low_sides[k] or 1
        depth, across = _low_safety(rng, spot, s, offense)
        if call.deep > call.shell:  # he has to get deep in a second: he does not come all the way down
            depth = max(depth, tnorm(rng, 7.8, 0.4, 7.0, 8.4))
        d = min(spot.neutral + depth * (limit / 9.0) ** 0.6, limit - clear)
        men.append(Man("defense", "safety", "", d, s * across))
    for k, m in enumerate(sorted(men, key=lambda m: m.across)):
        m.tag = f"S{k}"
    return men


def align_defense(rng: np.random.Generator, spot: Spot, call: Call, offense: list[Man]) -> tuple[list[Man], str]:
    """Eleven (Canadian: twelve) defenders as shown before the snap, and the coverage whose picture it is."""
    shown = shown_coverage(rng, call)
    wide = sum(m.wide for m in offense)
    total = 12 if spot.level == "canadian" else 11
    safeties = _safeties(rng, spot, call, shown, offense)
    left = total - 2 - len(safeties) - DOWN[call.front]
    slots = int(np.clip(wide - 2 + (rng.random() < 0.25 and wide >= 4), 0, 3))
    if spot.level == "canadian":
        slots = max(slots, 1)
    slots = min(slots, max(left - 1, 0), 3)
    line = align_front(rng, spot, call.front, offense, call.strong)
    corners = _corners(rng, spot, call, shown, offense)
    nickel = _slots(rng, spot, slots, shown, offense)
    backers = align_linebackers(rng, spot, left - slots, offense, line, call.strong, call.mugged)
    _widen(rng, spot, backers, nickel + safeties, offense)
    for m in backers + nickel:  # near the goal line everybody stands closer, or linebackers would be deep men
        m.depth = min(m.depth, spot.deep_limit() - 0.4)
    settle(corners + nickel, line + backers)
    settle(safeties, line + backers + corners + nickel)
    return line + backers + nickel + corners + safeties, shown


def _widen(rng: np.random.Generator, spot: Spot, backers: list[Man], covering: list[Man], offense: list[Man]) -> None:
    """The outside linebacker of a side walks out towards an inside receiver nobody stands over. In place."""
    for sign in (-1, 1):
        inside = [m for m in receivers_of(offense, sign)[1:] if m.wide]
        taken = [m for m in covering if m.across * sign > 0 and m.depth < 8.5]
        if len(inside) > len(taken) and backers:
            out = max(backers, key=lambda m: m.across * sign)
            if out.depth > spot.neutral + 2 and (out.across * sign > 0.5 or len(backers) > 2):
                out.across = out.across + (inside[-1].across - out.across) * rng.uniform(0.4, 0.8)
