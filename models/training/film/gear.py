"""Things along the sidelines and over the field that stand about in real film and were taken for people: yard
markers, flags, tents, kicking nets, camera platforms and cranes, wires. Shapes by eye, no source."""

from __future__ import annotations

import numpy as np

from models.training.film.look import Look
from models.training.film.mesh import Solid, ball, boxes, pole, quads

Rng = np.random.Generator
BRIGHT = ((0.95, 0.45, 0.08), (0.9, 0.8, 0.15), (0.9, 0.9, 0.88), (0.8, 0.12, 0.1), (0.1, 0.1, 0.12))


def _bright(rng: Rng) -> tuple[float, float, float]:
    return BRIGHT[int(rng.choice(5, p=[0.4, 0.15, 0.2, 0.15, 0.1]))]


def yard_markers(rng: Rng, look: Look) -> list[Solid]:
    """Padded signs, or flags on short poles, beside the sidelines every 5 or 10 yd."""
    f = look.field
    away = max(look.paint.border_yd, 0.3) + float(rng.uniform(0.3, 3.0))
    step, flags, colour = int(rng.choice([1, 2], p=[0.3, 0.7])), rng.random() < 0.25, _bright(rng)
    w, t, h = rng.uniform(0.25, 0.6), rng.uniform(0.15, 0.45), rng.uniform(0.35, 0.8)
    out: list[Solid] = []
    for x in f.yard_lines[::step]:
        for y in (-away, f.width + away):
            if flags:
                out.append(pole((x, y, 0), (x, y, 1.2 * h + 0.5), 0.03, (0.85, 0.85, 0.8), 4))
                z = 1.2 * h + 0.5
                cloth = np.array([[x, y, z - 0.35], [x + 0.5, y, z - 0.4], [x + 0.5, y, z - 0.05], [x, y, z]])
                out.append(quads(cloth[None], colour))
            else:
                out.append(boxes([[x - w / 2, y - t / 2, 0]], [[x + w / 2, y + t / 2, h]], colour))
                out.append(
                    boxes([[x - w / 3, y - t / 2 - 0.02, h * 0.3]], [[x + w / 3, y - t / 2, h * 0.8]], (0.1,) * 3)
                )
    return out


def tents(rng: Rng, look: Look) -> list[Solid]:
    """Closed tents and open roofs on four posts behind the benches."""
    out: list[Solid] = []
    for _ in range(int(rng.integers(1, 4))):
        x = look.field.length / 2 + float(rng.uniform(-35, 35))
        d, s, h = float(rng.uniform(5, 10)), float(rng.uniform(2, 3.6)), float(rng.uniform(2.0, 2.9))
        y = look.field.width + d if rng.random() < 0.6 else -d - s
        colour = rng.uniform(0.05, 0.9, 3) if rng.random() < 0.6 else np.full(3, 0.9)
        if rng.random() < 0.5:
            out.append(boxes([[x, y, 0]], [[x + s, y + s * 0.8, h]], colour))
        else:
            for px, py in ((x, y), (x + s, y), (x, y + s), (x + s, y + s)):
                out.append(pole((px, py, 0), (px, py, h), 0.04, (0.7, 0.7, 0.7), 4))
            out.append(boxes([[x, y, h]], [[x + s, y + s, h + 0.25]], colour))
            out.append(boxes([[x + s / 4, y + s / 4, h + 0.25]], [[x + 3 * s / 4, y + 3 * s / 4, h + 0.6]], colour))
    return out


def kicking_net(rng: Rng, look: Look) -> list[Solid]:
    """A frame with a net of a few strings beside a bench."""
    x = look.field.length / 2 + float(rng.uniform(-25, 25))
    y = look.field.width + 4.5 if rng.random() < 0.5 else -4.5
    colour = (0.15, 0.15, 0.15) if rng.random() < 0.5 else (0.9, 0.9, 0.9)
    ends = ((x, y, 0.0), (x + 2.2, y, 0.0))
    out = [pole(e, (e[0], y, 2.8), 0.05, colour, 4) for e in ends]
    for z in np.linspace(0.6, 2.8, 5):
        out.append(pole((x, y, z), (x + 2.2, y, z), 0.02, colour, 3))
    for u in np.linspace(0.3, 1.9, 5):
        out.append(pole((x + u, y, 0.6), (x + u, y, 2.8), 0.02, colour, 3))
    return out


def platforms(rng: Rng, look: Look) -> list[Solid]:
    """Camera carts, a tripod with its camera, a crane's arm over the sideline."""
    f, out = look.field, []
    for _ in range(int(rng.integers(1, 4))):
        x = float(rng.uniform(5, f.length - 5))
        y = f.width + float(rng.uniform(2.5, 6)) if rng.random() < 0.6 else -float(rng.uniform(2.5, 6))
        dark = np.full(3, float(rng.uniform(0.05, 0.35)))
        kind = int(rng.integers(3))
        if kind == 0:
            out.append(boxes([[x, y, 0.25]], [[x + 2.6, y + 1.3, 0.9]], rng.uniform(0.1, 0.9, 3)))
            out.append(boxes([[x + 0.2, y + 0.2, 0.9]], [[x + 1.0, y + 1.1, 1.9]], dark))
        elif kind == 1:
            for a in (0.0, 2.1, 4.2):
                out.append(pole((x + 0.45 * np.cos(a), y + 0.45 * np.sin(a), 0), (x, y, 1.4), 0.035, dark, 4))
            out.append(boxes([[x - 0.25, y - 0.15, 1.35]], [[x + 0.35, y + 0.15, 1.7]], dark))
        else:
            end = (x + float(rng.uniform(-5, 5)), y - float(rng.uniform(-2, 4)), float(rng.uniform(2.5, 6)))
            out.append(pole((x, y, 0), (x, y, 1.6), 0.12, dark, 5))
            out.append(pole((x, y, 1.6), end, 0.08, dark, 4))
            out.append(ball(end, (0.2, 0.2, 0.2), dark))
    return out


def post_pads(rng: Rng, look: Look) -> list[Solid]:
    """Pads around the feet of the goal posts, some 2 yd tall."""
    f = look.field
    inside = f.end_zone if f.level == "canadian" else 0.0
    colour = rng.uniform(0.05, 0.9, 3)
    spots = ((inside - 2.2, f.width / 2), (f.length - inside + 2.2, f.width / 2))
    return [pole((x, y, 0), (x, y, 2.1), float(rng.uniform(0.22, 0.38)), colour, 8) for x, y in spots]


def wires(rng: Rng, look: Look) -> list[Solid]:
    """Cables over the field without anything hanging from them."""
    f, out = look.field, []
    for _ in range(int(rng.integers(1, 5))):
        a = (float(rng.uniform(-10, f.length + 10)), -12.0, float(rng.uniform(12, 40)))
        b = (float(rng.uniform(-10, f.length + 10)), f.width + 12.0, float(rng.uniform(12, 40)))
        out.append(pole(a, b, float(rng.uniform(0.01, 0.03)), np.full(3, float(rng.uniform(0.05, 0.6))), 3))
    return out


def gear(look: Look) -> list[Solid]:
    """What of the above a look has."""
    rng = np.random.default_rng([look.venue.seed, 9])
    out: list[Solid] = []
    for share, make in ((0.45, yard_markers), (0.3, tents), (0.2, kicking_net), (0.4, platforms), (0.08, wires)):
        if rng.random() < share:
            out += make(rng, look)
    return out + (post_pads(rng, look) if look.venue.posts and rng.random() < 0.7 else [])
