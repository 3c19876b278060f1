"""The offence's formations: who stands on and off the line, with true splits.

Splits and depths follow ../shared/film_statistics.md 'Alignment before the snap' (line split 1.56 yd, passer
4.8 yd behind the ball, widest man 7.5 to 22 yd from his sideline). At least seven men are on the line
(NFL Rule 7-5-1, NCAA Rule 7-1-4, NFHS Rule 7-2, Canadian Rule 4-2; numbers of the rules from memory).
"""

from __future__ import annotations

import numpy as np

from models.training.playbook.roster import Man, Spot, pick, tnorm

# strong side outside-in, weak side outside-in, backs. X split, S slot, Y tight end on the line, W wing off it,
# B man of a bunch, K man of a stack.
FORMATIONS: dict[str, tuple[str, str, int]] = {
    "spread": ("XS", "XS", 1),
    "doubles_tight": ("XY", "XS", 1),
    "trips": ("XSS", "X", 1),
    "trips_tight": ("XSY", "X", 1),
    "bunch": ("BBB", "X", 1),
    "nub_trips": ("XSS", "Y", 1),
    "stack": ("KK", "KK", 1),
    "empty": ("XSS", "XS", 0),
    "empty_tight": ("XSY", "XS", 0),
    "quads": ("XSSS", "X", 0),
    "pro_two_back": ("XY", "X", 2),
    "twins_two_back": ("XS", "Y", 2),
    "spread_two_back": ("XS", "X", 2),
    "ace": ("XY", "XY", 1),
    "ace_twins": ("XS", "YW", 1),
    "heavy": ("YW", "Y", 2),
    "heavy_wing": ("XY", "YW", 1),
}
WEIGHTS = {
    "spread": 14, "doubles_tight": 14, "trips": 11, "trips_tight": 11, "bunch": 7, "nub_trips": 5, "stack": 4,
    "empty": 6, "empty_tight": 4, "quads": 2, "pro_two_back": 6, "twins_two_back": 4, "spread_two_back": 4,
    "ace": 6, "ace_twins": 3, "heavy": 3, "heavy_wing": 3,
}  # fmt: skip


def _line(rng: np.random.Generator, passing: bool) -> list[Man]:
    split, back = tnorm(rng, 1.56, 0.09, 1.38, 1.74), tnorm(rng, 0.0, 0.08, -0.12, 0.2)
    style = pick(rng, {"down": 45, "tackles_up": 35 if passing else 15, "up": 20})
    men = [Man("offense", "center", "C", -tnorm(rng, 0.78, 0.05, 0.65, 0.9), 0.0, "three_point", True)]
    for sign, letter in ((-1, "L"), (1, "R")):
        for k, (name, pos) in enumerate((("G", "guard"), ("T", "tackle"))):
            stance = "two_point" if style == "up" or (style == "tackles_up" and pos == "tackle") else "three_point"
            depth = -(tnorm(rng, 1.0 + 0.13 * k, 0.05, 0.88, 1.3) + back)
            across = sign * (split * (k + 1) + rng.normal(0, 0.03))
            men.append(Man("offense", pos, letter + name, depth, across, stance, True))
    return men


def _wide_across(rng: np.random.Generator, spot: Spot, sign: int, tight: bool, n: int) -> float:
    room = spot.room(sign)
    if tight:
        return tnorm(rng, 7.5 + 0.8 * (n - 1), 1.0, 5.6 + 0.9 * (n - 1), 10.5)
    extra = (spot.width - 53.33) / 2
    to_side = tnorm(rng, 13.2 + 0.4 * extra, 3.4, 7.5, 21.0)
    return float(np.clip(room - to_side, 7.0 + 1.5 * (n - 1), 19.0 + extra))


def _flank(rng: np.random.Generator, spot: Spot, sign: int, code: str, edge: float, tight: bool) -> list[Man]:
    """The men of one side, outside-in, signs applied. edge: across of the tackle of that side."""
    n, out = len(code), []
    wide = _wide_across(rng, spot, sign, tight, n)
    te = edge + tnorm(rng, 1.45, 0.12, 1.15, 1.8)
    inner = (te if "Y" in code else edge) + 1.9
    slots = [i for i, c in enumerate(code) if c == "S"]
    for i, c in enumerate(code):
        depth, pos, tag = -tnorm(rng, 2.0, 0.2, 1.7, 2.6), "receiver", f"{c}{i + 1}"
        if c == "X":
            a = wide
        elif c == "S":
            k = slots.index(i)
            a = wide - (wide - inner) * (k + 1) / (len(slots) + 0.35) + rng.normal(0, 0.35)
        elif c == "Y":
            a, pos = te, "tight_end"
        elif c == "W":
            a, pos = te + 1.3, "tight_end"
        elif c == "B":
            a = max(wide * 0.72, edge + 4.5) + (1, 0, -1)[i] * tnorm(rng, 1.5, 0.2, 1.2, 1.9)
        else:
            a = wide * 0.85 + rng.normal(0, 0.15)
            depth = -tnorm(rng, 1.0, 0.1, 0.8, 1.2) if i == 0 else -tnorm(rng, 2.5, 0.15, 2.2, 2.9)
        stance = "three_point" if c == "Y" and rng.random() < 0.5 else "two_point"
        out.append(Man("offense", pos, tag, depth, sign * a, stance, False, True, c in "XSBK"))
    return out


def _on_line(men: list[Man], code: str, rng: np.random.Generator) -> None:
    """Put exactly one man of the side on the line."""
    k = code.index("Y") if "Y" in code else (1 if "B" in code else 0)
    if code in ("XS", "XSS") and rng.random() < 0.25:
        k = 1
    men[k].on_line = True
    men[k].depth = -tnorm(rng, 1.0, 0.1, 0.8, 1.25)


def _backs(rng: np.random.Generator, n: int, gun: str, passer: float, name: str) -> list[Man]:
    def back(tag: str, depth: float, across: float, stance: str = "two_point") -> Man:
        return Man("offense", "back", tag, depth, across, stance, False, True)

    s = int(rng.choice([-1, 1]))
    deep = -tnorm(rng, 7.3, 0.35, 6.5, 8.4)
    beside = passer - tnorm(rng, 0.3, 0.4, -0.4, 1.3)
    if n == 0:
        return []
    if n == 1:
        if gun == "shotgun":
            return [back("RB", beside, s * tnorm(rng, 1.8, 0.25, 1.3, 2.6))]
        return [back("RB", deep, rng.normal(0, 0.1))]
    if gun == "shotgun":
        return [back("RB", beside, 1.8 * s), back("FB", passer + rng.uniform(-0.5, 0.8), -1.9 * s)]
    if name == "pro_two_back" and rng.random() < 0.25:
        return [back("RB", -5.4, 1.9), back("FB", -5.4, -1.9)]
    fb = -tnorm(rng, 4.6, 0.2, 4.2, 5.0) if gun == "under_center" else -2.9
    across = rng.normal(0, 0.1) if gun == "under_center" else s * 3.4
    return [
        back("RB", deep, rng.normal(0, 0.1)),
        back("FB", fb, across, "three_point" if rng.random() < 0.4 else "two_point"),
    ]


def draw_gun(rng: np.random.Generator, formation: str, level: str) -> str:
    """Where the passer takes the ball: under_center, shotgun or pistol."""
    backs = FORMATIONS[formation][2]
    if backs == 0:
        return "shotgun"
    if formation.startswith(("heavy", "pro", "twins")):
        return pick(rng, {"under_center": 65, "shotgun": 20, "pistol": 15})
    low = level in ("college", "high_school")
    return pick(rng, {"under_center": 14 if low else 24, "shotgun": 74 if low else 66, "pistol": 12 if low else 10})


def align_offense(
    rng: np.random.Generator, spot: Spot, formation: str, strong: int, gun: str, passing: bool
) -> list[Man]:
    """Eleven (Canadian: twelve) men, line first, then flanks, backs, passer last.

    formation: key of FORMATIONS; strong: +1 where the offence's right is the strong side.
    """
    strong_code, weak_code, backs = FORMATIONS[formation]
    if spot.level == "canadian":  # the twelfth man is one more slot
        weak_code = {"X": "XS", "Y": "XY", "XS": "XSS", "KK": "KKS", "XY": "XSY", "YW": "SYW"}[weak_code]
    line = _line(rng, passing)
    tight = rng.random() < 0.13
    men = list(line)
    for sign, code in ((strong, strong_code), (-strong, weak_code)):
        edge = max(abs(m.across) for m in line if m.across * sign > 0)
        flank = _flank(rng, spot, sign, code, edge, tight)
        _on_line(flank, code, rng)
        men += flank
    if gun == "under_center":
        passer, stance = -tnorm(rng, 1.75, 0.07, 1.6, 1.95), "under_center"
    elif gun == "pistol":
        passer, stance = -tnorm(rng, 4.3, 0.15, 4.0, 4.8), "shotgun"
    else:
        deep = rng.random() < 0.2
        passer, stance = -tnorm(rng, 6.0 if deep else 4.8, 0.25, 4.3, 6.3), "shotgun"
    men += _backs(rng, backs, gun, passer, formation)
    men.append(Man("offense", "passer", "QB", passer, 0.0, stance))
    spread_apart([m for m in men if m.side == "offense"], 1.05)
    return men


def spread_apart(men: list[Man], least: float) -> None:
    """Move eligible men outward until nobody stands closer than ``least`` yards. In place."""
    fixed = [m for m in men if not m.eligible]
    for m in sorted((m for m in men if m.eligible), key=lambda m: abs(m.across)):
        for _ in range(8):
            near = [o for o in fixed if (o.across - m.across) ** 2 + (o.depth - m.depth) ** 2 < least**2]
            if not near:
                break
            m.across += 0.35 if m.across >= 0 else -0.35
        fixed.append(m)
