"""The atlas of painted pictures of a look and the triangles that lay them on the ground."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film import glyphs
from models.training.film.look import Decal, Paint
from pipeline.field import Field

SIZE = 2048
PAD = 4
CELL = {"digit": (96, 144), "arrow": (48, 32), "emblem": (448, 448), "word": (896, 128), "line": (16, 32)}


@lru_cache(maxsize=256)
def cell_picture(name: str) -> NDArray[np.uint8]:
    """(H, W, 3) of a cell: 'digit:3:style:rim:thick', 'arrow', 'emblem:seed:held', 'word:TEXT:pen:rim', 'line'.

    Red covers the first colour, green the second, blue both.
    """
    kind, *rest = name.split(":")
    w, h = CELL[kind]
    if kind == "digit":
        pen = glyphs.NUMBER_PENS[int(rest[1])]
        pen = replace(pen, thick=pen.thick * float(rest[3]))
        cover = glyphs.glyph(rest[0], w, h, pen)
        return glyphs.outlined(cover, 0.03) if rest[2] == "1" else glyphs.plain(cover)
    if kind == "arrow":
        return glyphs.plain(glyphs.arrow(w, h))
    if kind == "emblem":
        return glyphs.emblem(np.random.default_rng(int(rest[0])), w, rest[1] == "1")
    if kind == "word":
        cover = glyphs.word(rest[0], w, h, glyphs.WORD_PENS[int(rest[1])])
        rim = float(rest[2])
        return glyphs.outlined(cover, rim) if rim else glyphs.plain(cover)
    bar = np.zeros((h, w), np.uint8)
    bar[h // 2 - h // 6 : h // 2 + h // 6] = 255
    return glyphs.plain(bar)


def number_decals(f: Field, paint: Paint) -> list[Decal]:
    """The numbers with their arrows. Digits stand either side of the yard line; an arrow points at the goal."""
    out: list[Decal] = []
    w, h = paint.number_width_yd, paint.number_height_yd
    gap = paint.number_gap_yd
    step = paint.number_every
    marks = [(x, f.number_at(x)) for x in f.yard_lines]
    if step == 5:
        marks = [(x, round(min(x - f.end_zone, f.length - f.end_zone - x)) or None) for x in f.yard_lines]
    for row in (0, 1):
        if not paint.number_rows[row]:
            continue
        y = paint.number_bottom_yd + h / 2 if row == 0 else f.width - paint.number_bottom_yd - h / 2
        flipped = row == 1 and paint.number_top == "infield"
        turn, sign = (np.pi, -1.0) if flipped else (0.0, 1.0)
        for x, value in marks:
            text = (
                f"{value:02d}"
                if value
                else ("G" if paint.goal_numbers and value is None and x in (f.yard_lines[0], f.yard_lines[-1]) else "")
            )
            if not text:
                continue
            spots = [(-1, text[0]), (1, text[1])] if len(text) == 2 else [(0, text)]
            for side, ch in spots:
                dx = sign * side * (w / 2 + gap)
                rim = paint.number_rim or paint.colour
                name = f"digit:{ch}:{paint.number_style}:{int(paint.number_rim is not None)}:{paint.number_thick:.2f}"
                out.append(Decal(name, (x + dx, y), (w, h), turn, paint.number_colour or paint.colour, rim))
            toward = np.sign(x - f.length / 2)
            if paint.arrows and value and toward:
                out.append(
                    Decal(
                        "arrow",
                        (x + toward * (w + gap + 0.55), y + sign * 0.25 * h),
                        (0.66, 0.5),
                        0.0 if toward > 0 else np.pi,
                        paint.number_colour or paint.colour,
                    )
                )
    return out


def stripe_decals(paint: Paint) -> list[Decal]:
    """Lines and circles of other sports as thin decals."""
    out: list[Decal] = []
    for s in paint.other_sports:
        a = np.asarray(s.a_yd)
        if s.kind == "line":
            legs = [(a, np.asarray(s.b_yd))]
        else:
            th = np.linspace(0, 2 * np.pi, 41)
            ring = a + s.b_yd[0] * np.stack([np.cos(th), np.sin(th)], 1)
            legs = list(pairwise(ring))
        for p, q in legs:
            d = q - p
            mid = (p + q) / 2
            out.append(
                Decal(
                    "line",
                    (float(mid[0]), float(mid[1])),
                    (float(np.hypot(*d)), s.width_yd * 3),
                    float(np.arctan2(d[1], d[0])),
                    s.colour,
                    s.colour,
                    0.85,
                )
            )
    return out


def pack(names: list[str]) -> tuple[NDArray[np.uint8], dict[str, tuple[float, float, float, float]]]:
    """((S, S, 3) atlas, cell -> (u0, v0, u1, v1)); shelves by falling height. Cells that no longer fit are dropped
    with their decals (never in practice: 2048 holds 12 emblems, 8 words and all digits)."""
    pic = np.zeros((SIZE, SIZE, 3), np.uint8)
    where: dict[str, tuple[float, float, float, float]] = {}
    x = y = shelf = 0
    for name in sorted(set(names), key=lambda n: -CELL[n.split(":")[0]][1]):
        cell = cell_picture(name)
        h, w = cell.shape[:2]
        if x + w + 2 * PAD > SIZE:
            x, y, shelf = 0, y + shelf, 0
        if y + h + 2 * PAD > SIZE:
            continue
        shelf = max(shelf, h + 2 * PAD)
        pic[y + PAD : y + PAD + h, x + PAD : x + PAD + w] = cell
        where[name] = ((x + PAD) / SIZE, (y + PAD) / SIZE, (x + PAD + w) / SIZE, (y + PAD + h) / SIZE)
        x += w + 2 * PAD
    used = y + shelf
    rows = 1 << int(np.ceil(np.log2(max(used, 64))))
    scale = SIZE / rows
    return pic[:rows], {k: (a, b * scale, c, d * scale) for k, (a, b, c, d) in where.items()}


def triangles(decals: list[Decal], where: dict[str, tuple[float, float, float, float]]) -> NDArray[np.float32]:
    """(V, 11) float32 for DECAL_VS: x, y, u, v, fill rgb, rim rgb, alpha; cells of at most 2.5 yd so that the lens
    bends them truly."""
    out: list[NDArray[np.float32]] = []
    for d in decals:
        if d.cell not in where:
            continue
        u0, v0, u1, v1 = where[d.cell]
        nx, ny = (max(1, int(np.ceil(s / 2.5))) for s in d.size_yd)
        gx, gy = np.meshgrid(np.linspace(0, 1, nx + 1), np.linspace(0, 1, ny + 1))
        local = np.stack([(gx - 0.5) * d.size_yd[0], (gy - 0.5) * d.size_yd[1]], -1)
        c, s = np.cos(d.turn_rad), np.sin(d.turn_rad)
        xy = local @ np.array([[c, s], [-s, c]]) + d.center_yd
        uv = np.stack([u0 + gx * (u1 - u0), v1 + gy * (v0 - v1)], -1)  # the cell's top row lies at its own 'up'
        p = np.concatenate([xy, uv], -1)
        quad = np.stack([p[:-1, :-1], p[:-1, 1:], p[1:, 1:], p[:-1, :-1], p[1:, 1:], p[1:, :-1]], 2).reshape(-1, 4)
        tail = np.tile(np.array([*d.colour, *d.colour2, d.alpha]), (len(quad), 1))
        out.append(np.concatenate([quad, tail], 1).astype(np.float32))
    return np.concatenate(out) if out else np.zeros((0, 11), np.float32)


def build(f: Field, paint: Paint) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """(atlas, triangles) of everything painted besides the rulebook lines."""
    decals = list(paint.decals) + stripe_decals(paint) + number_decals(f, paint)
    atlas, where = pack([d.cell for d in decals])
    atlas = cv2.GaussianBlur(atlas, (3, 3), 0.6)
    return atlas, triangles(decals, where)
