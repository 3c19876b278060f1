"""Draws what is painted on the ground: marks, emblems, words, badges, lines of other sports."""

from __future__ import annotations

import numpy as np

from models.training.film.glyphs import NUMBER_PENS, TEST_PENS
from models.training.film.look import Colour, Decal, Light, Paint, Stripe, Turf
from pipeline.field import Field

Rng = np.random.Generator

SYLLABLES = (
    "BRE",
    "KON",
    "TA",
    "VEL",
    "MOR",
    "LIN",
    "DRA",
    "SO",
    "RIK",
    "HAL",
    "PEN",
    "OVA",
    "ZUN",
    "GAR",
    "EST",
    "FI",
)


def luminance(value: float, hue_sat: float) -> float:
    """Rough CIE L (0..100) of a green of this sRGB value and saturation."""
    lin = (value**2.2) * (0.72 + 0.28 * (1 - hue_sat))
    return float(116 * np.cbrt(lin) - 16)


def grey_of_l(light_l: float) -> float:
    """sRGB grey level with CIE lightness L (CIE 1976, sRGB IEC 61966-2-1)."""
    y = ((light_l + 16) / 116) ** 3 if light_l > 8 else light_l / 903.3
    return float(np.clip(1.055 * y ** (1 / 2.4) - 0.055 if y > 0.0031308 else 12.92 * y, 0, 1))


def vivid(rng: Rng, dark: bool = False) -> Colour:
    """A paint colour: any hue, or near white, black, grey."""
    import colorsys

    if rng.random() < 0.22:
        g = float(rng.choice([0.12, 0.9, 0.5]))
        return (g, g, g)
    v = float(rng.uniform(0.25, 0.6 if dark else 0.85))
    return colorsys.hsv_to_rgb(float(rng.random()), float(rng.uniform(0.4, 0.95)), v)


def invented_word(rng: Rng) -> str:
    """A word that names nobody."""
    return "".join(str(s) for s in rng.choice(SYLLABLES, int(rng.integers(2, 4)), replace=False))


FAINT_SHARE = 0.12  # of the fields: lines fainter than measured ones, as where paint was not renewed
WORN_SHARE = 0.15  # of the grass fields: paint gone in large parts


def draw_paint(rng: Rng, kind: str, f: Field, turf: Turf, light: Light, split: str) -> Paint:
    """Everything painted, for one field. Line contrast follows the measured 27 / 39 / 45 L over the turf."""
    base = luminance(turf.value, turf.saturation)
    faint = rng.random() < FAINT_SHARE
    contrast = float(rng.uniform(14, 32)) if faint else float(np.clip(rng.normal(46, 6.0), 20, 58))
    g = grey_of_l(min(base + contrast, 97))
    warm = rng.normal(0, 0.015)
    colour = (g + warm, g, g - warm)
    if rng.random() < 0.03:
        colour = (0.9 * g, 0.85 * g, 0.2 * g)
    pro = f.level == "professional"
    held = split == "test"
    pens = [i for i in range(len(NUMBER_PENS)) if (i in TEST_PENS) == held]
    wide = float(rng.choice([0.1111, rng.uniform(0.1111, 0.2222)], p=[0.75, 0.25]))
    ez = vivid(rng, dark=True), vivid(rng, dark=True)
    ez_on = rng.random() < (0.6 if f.level != "high_school" else 0.3)
    same = rng.random() < 0.6
    plain_numbers = pro or rng.random() < 0.6
    bottom = f.number_bottom if plain_numbers else float(np.clip(f.number_bottom + rng.normal(0, 0.7), 5, 13))
    style = int(rng.choice(pens))
    stripe = (int(rng.integers(1, len(f.yard_lines) - 1)), vivid(rng)) if rng.random() < 0.13 else None
    return Paint(
        colour=colour,
        line_width_yd=wide,
        goal_line_width_yd=max(f.goal_line_width, wide),
        sideline_width_yd=float(rng.choice([0.1111, 0.2222, 0.3333])),
        border_yd=f.border_width
        if f.border_width and rng.random() < 0.92
        else float(rng.choice([0, 1.0, 2.0], p=[0.55, 0.15, 0.3])),
        hash_every_yard=pro or rng.random() < 0.88,
        hash_tick_yd=f.hash_tick,
        hash_width_yd=float(rng.choice([wide, 0.1111])),
        hash_cross=not pro and rng.random() < 0.3,
        ticks_side=pro or rng.random() < 0.8,
        side_tick_yd=(0.11, 0.77),
        number_rows=(True, True) if pro or rng.random() < 0.9 else (bool(rng.random() < 0.5), False),
        number_bottom_yd=bottom,
        number_height_yd=f.number_height * (1.0 if plain_numbers else float(rng.uniform(0.75, 1.25))),
        number_width_yd=f.number_width * float(rng.uniform(0.88, 1.06) if pro else rng.uniform(0.7, 1.1)),
        number_top="infield" if pro or rng.random() < 0.96 else "far",
        number_every=10 if pro or rng.random() < 0.97 else 5,
        number_style=style,
        arrows=pro or rng.random() < 0.7,
        goal_numbers=not pro and rng.random() < 0.12,
        twin_line_yd=float(rng.uniform(0.2, 0.4)) if rng.random() < (0.2 if f.level == "canadian" else 0.02) else 0.0,
        number_colour=vivid(rng) if rng.random() < 0.1 else None,
        number_rim=None if rng.random() < 0.55 else (vivid(rng, dark=True) if rng.random() < 0.6 else (0.1, 0.1, 0.12)),
        number_thick=float(rng.uniform(0.8, 1.25)),
        number_gap_yd=float(rng.uniform(0.2, 0.4)),
        restraint_yd=float(rng.uniform(1.5, 4.5)) if rng.random() < 0.4 else 0.0,
        restraint_colour=(0.9, 0.8, 0.2) if rng.random() < 0.6 else colour,
        line_gap_yd=0.22 if pro else float(rng.choice([0.0, 0.22])),
        wear=_wear(rng, turf),
        end_zone_colour=(ez[0], ez[0] if same else ez[1]),
        end_zone_alpha=(float(rng.uniform(0.6, 0.97)),) * 2 if ez_on else (0.0, 0.0),
        end_zone_pattern=int(rng.choice([0, 1], p=[0.85, 0.15])),
        stripe_line=stripe,
        decals=_decals(rng, f, pro, held, ez if ez_on else None),
        other_sports=_others(rng, f, turf, pro),
    )


def _wear(rng: Rng, turf: Turf) -> float:
    """Paint.wear: little on artificial turf, any on grass, more on mud."""
    if turf.artificial:
        return float(rng.uniform(0, 0.15))
    gone = rng.beta(2.2, 2.6) if rng.random() < WORN_SHARE else rng.beta(1.0, 6.5)
    return float(np.clip(gone, 0, 0.85)) * (1.5 if turf.mud > 0 else 1.0)


def _decals(rng: Rng, f: Field, pro: bool, held: bool, ez: tuple[Colour, Colour] | None) -> tuple[Decal, ...]:
    out: list[Decal] = []
    mid = (f.length / 2, f.width / 2)
    c1, c2 = vivid(rng), vivid(rng)

    def emblem(center: tuple[float, float], size: float, squash: float = 1.0) -> Decal:
        turn = float(rng.choice([0.0, np.pi], p=[0.8, 0.2]))
        cell = f"emblem:{int(rng.integers(10**6))}:{int(held)}"
        return Decal(cell, center, (size, size * squash), turn, c1, c2, float(rng.uniform(0.45, 0.97)))

    if rng.random() < (0.6 if f.level != "high_school" else 0.45):
        out.append(emblem(mid, float(rng.uniform(9, 26)), float(rng.uniform(0.6, 1.0))))
    if rng.random() < (0.62 if pro else 0.4):
        wc = c1 if ez is None else (0.92, 0.92, 0.9)
        alpha = float(rng.uniform(0.6, 0.97))
        for x, turn in ((f.end_zone / 2, np.pi / 2), (f.length - f.end_zone / 2, -np.pi / 2)):
            word = f"word:{invented_word(rng)}:{int(rng.integers(5))}:{rng.choice([0.0, 0.03, 0.06])}"
            size = (float(rng.uniform(22, 44)), float(rng.uniform(3.5, 7.5)) * f.end_zone / 10)
            out.append(
                Decal(word, (x, f.width / 2), size, float(turn * rng.choice([1, -1], p=[0.9, 0.1])), wc, c2, alpha)
            )
    if rng.random() < 0.3:  # small badges near the numbers
        for x in f.end_zone + np.array(rng.choice([15, 25, 35, 65, 75, 85], 2, replace=False), float):
            for y in (f.number_bottom + 1, f.width - f.number_bottom - 1):
                out.append(emblem((float(x), float(y)), float(rng.uniform(1.5, 3.5))))
    if rng.random() < 0.28:  # large shapes on the 20s to 30s
        for x in (f.end_zone + float(rng.uniform(18, 32)), f.length - f.end_zone - float(rng.uniform(18, 32))):
            out.append(emblem((x, f.width / 2 + float(rng.choice([0, -12, 12]))), float(rng.uniform(4, 10))))
    if rng.random() < 0.25:  # words beyond the sidelines and in the field
        for _ in range(int(rng.integers(1, 4))):
            word = f"word:{invented_word(rng)}:{int(rng.integers(5))}:0.0"
            y = float(rng.choice([-1.6, f.width + 1.6, f.width * 0.3, f.width * 0.72]))
            at = (float(rng.uniform(15, f.length - 15)), y)
            out.append(
                Decal(word, at, (float(rng.uniform(5, 14)), float(rng.uniform(1, 2.4))), 0.0, vivid(rng), c2, 0.85)
            )
    return tuple(out)


def _others(rng: Rng, f: Field, turf: Turf, pro: bool) -> tuple[Stripe, ...]:
    if rng.random() > (0.1 if pro else 0.36):
        return ()
    out: list[Stripe] = []
    pick = int(rng.integers(3))
    colour: Colour = [(0.9, 0.8, 0.2), (0.25, 0.45, 0.85), (0.8, 0.2, 0.2)][int(rng.integers(3))]
    w = float(rng.uniform(0.1, 0.16))
    cx, cy = f.length / 2, f.width / 2
    inset = float(rng.uniform(-6, 3))
    if pick in (0, 2):  # a ball sport played with the feet
        x0, x1, y0, y1 = 3.0 + inset / 2, f.length - 3 - inset / 2, inset, f.width - inset
        out += [
            Stripe("line", a, b, w, colour)
            for a, b in (
                ((x0, y0), (x1, y0)),
                ((x0, y1), (x1, y1)),
                ((x0, y0), (x0, y1)),
                ((x1, y0), (x1, y1)),
                ((cx, y0), (cx, y1)),
                ((x0, cy - 22), (x0 + 18, cy - 22)),
                ((x0, cy + 22), (x0 + 18, cy + 22)),
                ((x0 + 18, cy - 22), (x0 + 18, cy + 22)),
                ((x1, cy - 22), (x1 - 18, cy - 22)),
                ((x1, cy + 22), (x1 - 18, cy + 22)),
                ((x1 - 18, cy - 22), (x1 - 18, cy + 22)),
            )
        ]
        out.append(Stripe("circle", (cx, cy), (10.0, 0.0), w, colour))
    if pick in (1, 2):  # one played with sticks
        c = (0.25, 0.45, 0.85) if pick == 2 else colour
        for x in (15.0 + inset, f.length - 15 - inset):
            out.append(Stripe("circle", (x, cy), (float(rng.uniform(3, 9)), 0.0), w, c))
        out += [Stripe("line", (x, inset), (x, f.width - inset), w, c) for x in (cx - 20, cx + 20)]
    return tuple(out)
