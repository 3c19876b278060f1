"""Surroundings: stands with a crowd, boards, fences, posts, benches, markers, trees, buildings, a wire camera."""

from __future__ import annotations

import numpy as np

from models.training.film.gear import gear
from models.training.film.look import Look
from models.training.film.mesh import CROWD, GLOW, LEAVES, PLAIN, Solid, ball, boxes, join, pole, quads
from pipeline.field import Field

Rng = np.random.Generator
YELLOW = (0.86, 0.78, 0.12)


def _any(rng: Rng) -> np.ndarray:
    c = rng.uniform(0.1, 0.9, 3) * rng.uniform(0.5, 1.0)
    return c + (c.mean() - c) * rng.uniform(0.0, 0.9)


def goal_posts(f: Field, white: bool) -> list[Solid]:
    """Posts behind each end line (Canadian: on the goal line), 18 ft 6 in wide, crossbar at 10 ft (rulebooks)."""
    colour = (0.85, 0.85, 0.83) if white else YELLOW
    half = 3.083 if f.level in ("professional", "college", "canadian") else 3.889
    out = []
    for end in (0, 1):
        x = (
            (f.end_zone if f.level == "canadian" else 0.0)
            if end == 0
            else f.length - (f.end_zone if f.level == "canadian" else 0.0)
        )
        y = f.width / 2
        back = x - (1 if end == 0 else -1) * 2.2
        out.append(pole((back, y, 0), (back, y, 2.6), 0.13, colour))
        out.append(pole((back, y, 2.6), (x, y, 3.33), 0.11, colour))
        out.append(pole((x, y - half, 3.33), (x, y + half, 3.33), 0.08, colour))
        for s in (-half, half):
            out.append(pole((x, y + s, 3.33), (x, y + s, 13.5), 0.06, colour))
            ribbon = np.array(
                [[x, y + s, 13.3], [x + 0.1, y + s + 0.9, 13.2], [x + 0.1, y + s + 0.9, 13.35], [x, y + s, 13.5]]
            )
            out.append(quads(ribbon[None], (0.9, 0.4, 0.1)))
    return out


def pylons(f: Field) -> list[Solid]:
    """Orange pylons at the corners of the end zones."""
    spots = [(x, y) for x in (0.0, f.end_zone, f.length - f.end_zone, f.length) for y in (-0.1, f.width + 0.1)]
    lo = np.array([[x - 0.07, y - 0.07, 0] for x, y in spots])
    return [boxes(lo, lo + (0.14, 0.14, 0.5), (0.95, 0.42, 0.08))]


def _stand(rng: Rng, look: Look, side: int, depth: float, wall: float) -> list[Solid]:
    """One bank of seats. side: 1 far sideline, 2 left end, 3 right end."""
    f, v = look.field, look.venue
    gap = {1: rng.uniform(9, 16), 2: rng.uniform(7, 20), 3: rng.uniform(7, 20)}[side]
    lift = wall if depth > 12 else rng.uniform(0.3, 1.0)
    rise = depth * float(rng.uniform(0.38, 0.62))
    cut = float(rng.uniform(0, 18)) if depth < 15 else float(rng.uniform(-12, 4))
    span = (cut, f.length - cut) if side == 1 else (-6.0 + max(cut, 0), f.width + 6.0 - max(cut, 0))

    def at(along: float, away: float, z: float) -> tuple[float, float, float]:
        if side == 1:
            return (along, f.width + gap + away, z)
        return (-gap - away, along, z) if side == 2 else (f.length + gap + away, along, z)

    a, b = span if side != 3 else span[::-1]
    if side == 2:
        a, b = b, a
    a, b = (b, a) if side == 1 else (a, b)
    out: list[Solid] = []
    seat = np.asarray(v.seat)
    n = 8
    al = np.linspace(a, b, n + 1)
    rows = depth / 0.85
    for i in range(n):
        c = np.array(
            [
                at(al[i + 1], 0, lift),
                at(al[i], 0, lift),
                at(al[i], depth, lift + rise),
                at(al[i + 1], depth, lift + rise),
            ]
        )
        u0, u1 = abs(al[i + 1] - span[0]) / 0.62, abs(al[i] - span[0]) / 0.62
        out.append(quads(c[None], seat * rng.uniform(0.9, 1.1), CROWD, [(u0, 0), (u1, 0), (u1, rows), (u0, rows)]))
        w = np.array([at(al[i + 1], 0, 0), at(al[i], 0, 0), at(al[i], 0, lift), at(al[i + 1], 0, lift)])
        out.append(quads(w[None], _any(rng) if v.boards else np.full(3, 0.45)))
        stair = c.copy()
        stair[1] = stair[0] + (stair[1] - stair[0]) * 0.06
        stair[2] = stair[3] + (stair[2] - stair[3]) * 0.06
        out.append(quads(stair[None] + (0, 0, 0.15), np.full(3, 0.5)))
    top = lift + rise
    if depth > 18:  # an upper deck's face and another bank
        c = np.array([at(a, depth, top), at(b, depth, top), at(b, depth, top + 4), at(a, depth, top + 4)])
        out.append(quads(c[None, ::-1] if side == 0 else c[None], np.full(3, rng.uniform(0.15, 0.4))))
        c = np.array(
            [
                at(a, depth - 2, top + 4),
                at(b, depth - 2, top + 4),
                at(b, depth + 20, top + 20),
                at(a, depth + 20, top + 20),
            ]
        )
        rows2 = 24 / 0.85
        ln = abs(b - a) / 0.62
        out.append(quads(c[None], seat, CROWD, [(0, 0), (ln, 0), (ln, rows2), (0, rows2)]))
    return out


def _line_of_things(rng: Rng, look: Look) -> list[Solid]:
    """Boards, fence, benches, tables, carts, coolers, tripods along the far (and near) sideline."""
    f, v = look.field, look.venue
    out: list[Solid] = []
    far = f.width
    if v.boards:
        y = far + float(rng.uniform(7, 9))
        for x in np.arange(0, f.length, 6.0):
            out.append(boxes([[x, y, 0]], [[x + 5.9, y + 0.2, 1.0]], _any(rng)))
    if v.fence:
        y = far + float(rng.uniform(6, 12))
        xs = np.arange(-10, f.length + 10, 2.5)
        lo = np.stack([xs, np.full_like(xs, y), np.zeros_like(xs)], 1)
        out.append(boxes(lo, lo + (0.07, 0.07, 1.3), np.full(3, 0.6)))
        for z in (0.65, 1.28):
            out.append(boxes([[-10, y, z]], [[f.length + 10, y + 0.06, z + 0.05]], np.full(3, 0.62)))
    for side in (1, -1):
        for _ in range(int(rng.integers(4, 12))):
            x = f.length / 2 + float(rng.uniform(-28, 28))
            d = float(rng.uniform(4.5, 8))
            y = far + d if side == 1 else -d
            w, t, h = rng.uniform(0.4, 3.5), rng.uniform(0.4, 0.9), rng.uniform(0.4, 1.2)
            out.append(boxes([[x, y, 0]], [[x + w, y + t, h]], _any(rng)))
        for x in rng.uniform(f.length / 2 - 25, f.length / 2 + 25, 4):
            y = far + 5.5 if side == 1 else -5.5
            out.append(boxes([[x, y, 0.42]], [[x + 4, y + 0.5, 0.5]], np.full(3, 0.55)))
            out.append(
                boxes(
                    [[x, y, 0.0], [x + 3.6, y, 0.0]],
                    [[x + 0.3, y + 0.4, 0.42], [x + 3.9, y + 0.4, 0.42]],
                    np.full(3, 0.35),
                )
            )
    return out


def chains(look: Look, los_yd: float, to_gain_yd: float) -> list[Solid]:
    """Chain poles and down marker on one sideline."""
    rng = np.random.default_rng(look.venue.seed)
    y = -1.9 if rng.random() < 0.5 else look.field.width + 1.9
    out: list[Solid] = []
    for x in (to_gain_yd - 10, to_gain_yd):
        out.append(pole((x, y, 0), (x, y, 2.5), 0.035, (0.9, 0.45, 0.1)))
        out.append(ball((x, y, 2.45), (0.16, 0.16, 0.16), (0.95, 0.5, 0.1)))
    out.append(pole((los_yd, y, 0), (los_yd, y, 2.2), 0.035, (0.8, 0.8, 0.2)))
    out.append(boxes([[los_yd - 0.2, y - 0.05, 1.9]], [[los_yd + 0.2, y + 0.05, 2.4]], (0.95, 0.5, 0.1)))
    return out


def _far_away(rng: Rng, look: Look) -> list[Solid]:
    """Trees, buildings, light masts, scoreboard."""
    f, v = look.field, look.venue
    out: list[Solid] = []
    if v.trees:
        for _ in range(34):
            a, r = rng.uniform(0, 2 * np.pi), rng.uniform(0, 45)
            x = f.length / 2 + np.cos(a) * (f.length * 0.62 + 14 + r)
            y = f.width / 2 + np.sin(a) * (f.width * 0.7 + 16 + r)
            x += np.sign(x - f.length / 2) * v.stands[2] * (abs(np.cos(a)) > 0.5)
            y += v.stands[1] * 1.2 * (np.sin(a) > 0.3)
            if y < 0 or (look.kind == "endzone" and x < 0):
                continue
            h = float(rng.uniform(5, 16))
            out.append(pole((x, y, 0), (x, y, h * 0.5), 0.25, (0.25, 0.18, 0.12), 4))
            g = rng.uniform(0.15, 0.4)
            col = (g * rng.uniform(0.6, 1.5), g * 1.2, g * 0.5)
            out.append(ball((x, y, h * 0.65), (h * 0.28, h * 0.28, h * 0.4), col, LEAVES))
    if v.buildings:
        for _ in range(6):
            x, d = rng.uniform(-30, f.length + 30), rng.uniform(50, 90)
            w, t, h = rng.uniform(10, 40), rng.uniform(8, 20), rng.uniform(5, 30)
            y = f.width + d
            out.append(
                boxes([[x, y, 0]], [[x + w, y + t, h]], np.full(3, rng.uniform(0.3, 0.75)) + rng.uniform(-0.1, 0.1, 3))
            )
            win = np.array(
                [[xx, y - 0.05, z] for xx in np.arange(x + 1, x + w - 1.5, 2.6) for z in np.arange(1.2, h - 1, 3.0)]
            )
            if len(win):
                out.append(boxes(win, win + (1.3, 0.04, 1.4), np.full(3, rng.uniform(0.1, 0.5))))
    for x, y, z in look.light.lamps if look.light.kind == "night" else ():
        if y < 0:
            continue
        out.append(pole((x, y, 0), (x, y, z), 0.3, np.full(3, 0.4), 5))
        grid = np.array([[x + i * 0.8, y, z + k * 0.8] for i in range(-3, 4) for k in range(3)])
        out.append(boxes(grid, grid + (0.5, 0.3, 0.5), np.full(3, 1.3), GLOW))
    if rng.random() < 0.4:
        y, x = f.width + rng.uniform(25, 50), rng.uniform(0, f.length)
        out.append(boxes([[x, y, 5]], [[x + 14, y + 1, 13]], np.full(3, 0.12), PLAIN))
        out.append(boxes([[x + 1, y - 0.1, 9]], [[x + 6, y, 12]], _any(rng), GLOW))
    return out


def wire_camera(look: Look, x: float, y: float) -> list[Solid]:
    """A camera hanging on four wires over the play."""
    rng = np.random.default_rng(look.venue.seed + 3)
    at = np.array([x + rng.uniform(-18, 18), y + rng.uniform(-8, 8), rng.uniform(5, 14)])
    out = [
        boxes([at - 0.3], [at + (0.3, 0.3, 0.35)], np.full(3, 0.08)),
        ball(at - (0, 0, 0.4), (0.22, 0.22, 0.22), np.full(3, 0.1)),
    ]
    for c in (
        (-5, -8),
        (-5, look.field.width + 8),
        (look.field.length + 5, -8),
        (look.field.length + 5, look.field.width + 8),
    ):
        out.append(pole(at, (c[0], c[1], 40.0), 0.02, np.full(3, 0.15), 3))
    return out


def surroundings(look: Look) -> Solid:
    """Everything that never moves, for one look."""
    rng = np.random.default_rng(look.venue.seed)
    wall = float(rng.uniform(0.8, 3.0))
    parts: list[Solid] = pylons(look.field)
    if look.venue.posts:
        parts += goal_posts(look.field, bool(rng.random() < 0.25))
    for side in (1, 2, 3):
        if look.venue.stands[side] > 0 and not (side == 2 and look.kind == "endzone"):
            parts += _stand(rng, look, side, look.venue.stands[side], wall)
    parts += _line_of_things(rng, look)
    parts += _far_away(rng, look)
    if look.split == "train":
        parts += gear(look)
    return join(parts)
