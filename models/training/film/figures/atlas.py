"""The texture atlas of a wardrobe: number cells of two teams, name strips, decals, cloth folds, official stripes.

Albedo of a surface point = vertex colour x atlas texel (linear). The block at the top left corner is white.
Layout in px (width 1536, height 944): white 0..16; number cells 64 px, ten by ten a team, from row 32; decals and
name strips right of them; fold tiles of 256 px from row 672.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

U8 = NDArray[np.uint8]
F = NDArray[np.float64]
WIDTH, HEIGHT = 1536, 944
CELL, TOP = 64, 32
FOLDS_Y, TILE = 672, 256
DECAL_X, DECAL = 1288, 112
NAME_X, NAME_Y, NAME_W, NAME_H, NAMES = 1288, 288, 128, 24, 14

# Digits as strokes on a 4 wide, 6 high grid (x right, y down); drawn by us: library fonts may slash a zero.
_BLOCK: dict[int, list[list[tuple[float, float]]]] = {
    0: [[(1, 0), (3, 0), (4, 1), (4, 5), (3, 6), (1, 6), (0, 5), (0, 1), (1, 0)]],
    1: [[(0.8, 1), (2, 0), (2, 6)], [(0.8, 6), (3.2, 6)]],
    2: [[(0, 1.3), (0, 1), (1, 0), (3, 0), (4, 1), (4, 2.2), (0, 5), (0, 6), (4, 6)]],
    3: [[(0, 1), (1, 0), (3, 0), (4, 1), (4, 2.3), (3.2, 3), (1.4, 3)], [(3.2, 3), (4, 3.7), (4, 5), (3, 6), (1, 6),
                                                                            (0, 5)]],
    4: [[(3, 6), (3, 0), (0, 4), (4, 4)]],
    5: [[(4, 0), (0, 0), (0, 2.6), (3, 2.6), (4, 3.5), (4, 5), (3, 6), (1, 6), (0, 5)]],
    6: [[(4, 1), (3, 0), (1, 0), (0, 1), (0, 5), (1, 6), (3, 6), (4, 5), (4, 3.8), (3, 2.9), (0, 2.9)]],
    7: [[(0, 0), (4, 0), (4, 0.8), (1.5, 6)]],
    8: [[(1, 0), (3, 0), (4, 1), (4, 2.2), (3.3, 3), (0.7, 3), (0, 2.2), (0, 1), (1, 0)],
        [(3.3, 3), (4, 3.8), (4, 5), (3, 6), (1, 6), (0, 5), (0, 3.8), (0.7, 3)]],
    9: [[(0, 5), (1, 6), (3, 6), (4, 5), (4, 1), (3, 0), (1, 0), (0, 1), (0, 2.2), (1, 3.1), (4, 3.1)]],
}  # fmt: skip


def _stroke(points: list[tuple[float, float]], rounded: bool) -> F:
    """A stroke's points, corners cut twice (Chaikin) for round fonts."""
    p = np.array(points, float)
    for _ in range(2 if rounded else 0):
        q = np.empty((2 * len(p) - 2, 2))
        q[0::2], q[1::2] = 0.75 * p[:-1] + 0.25 * p[1:], 0.25 * p[:-1] + 0.75 * p[1:]
        p = np.concatenate([p[:1], q, p[-1:]])
    return p


def _digit(digit: int, width: float, height: float, slant: float, rounded: bool, thick: int) -> U8:
    """(CELL, CELL) coverage of one digit centred in a cell."""
    out = np.zeros((CELL, CELL), np.uint8)
    for points in _BLOCK[digit]:
        p = _stroke(points, rounded)
        xy = np.stack([(p[:, 0] / 4 - 0.5) * width, (p[:, 1] / 6 - 0.5) * height], 1)
        xy[:, 0] -= slant * xy[:, 1]
        fixed = np.round((xy + CELL / 2 - 0.5) * 16).astype(np.int32)
        cv2.polylines(out, [fixed.reshape(-1, 1, 2)], False, 255, thick, cv2.LINE_AA, 4)
    return out


def number_cells(rng: np.random.Generator, jersey: F, fill: F, edge: F) -> U8:
    """(640, 640, 3) sRGB: numbers 0..99 in one random font on the jersey's colour."""
    slant, rounded = float(rng.choice([0, 0, 0, 0.12])), bool(rng.random() < 0.35)
    thick, rim = int(rng.integers(5, 9)), int(rng.choice([0, 2, 3, 4]))
    width, height = float(rng.uniform(13, 17)), float(rng.uniform(36, 44))
    one = [_digit(d, width, height, slant, rounded, thick) for d in range(10)]
    two = [_digit(d, width, height, slant, rounded, thick + 2 * rim) for d in range(10)]
    gap = int(round((width + thick + 3 + rim) / 2))
    inner = _sheet(one, gap)[..., None]
    outer = _sheet(two, gap)[..., None]
    cells = jersey.astype(np.float32) + (edge - jersey).astype(np.float32) * outer
    cells += (fill.astype(np.float32) - cells) * inner
    return np.round(cells).astype(np.uint8)


def _sheet(digits: list[U8], gap: int) -> NDArray[np.float32]:
    """(640, 640) coverage of the numbers 0..99, ten a row; one digit alone stands in the middle."""
    low, high = [np.roll(d, -gap, 1) for d in digits], [np.roll(d, gap, 1) for d in digits]
    rows = []
    for tens in range(10):
        row = [np.maximum(low[tens], high[k]) if tens else digits[k] for k in range(10)]
        rows.append(np.concatenate(row, 1))
    return np.concatenate(rows).astype(np.float32) / 255.0


def name_strip(rng: np.random.Generator, jersey: F, ink: F) -> U8:
    """(NAME_H, NAME_W, 3) a line of letter-like strokes that spell nothing."""
    out = np.tile(jersey, (NAME_H, NAME_W, 1)).astype(np.uint8)
    count = int(rng.integers(4, 10))
    x = NAME_W / 2 - count * 5
    color = tuple(int(v) for v in ink)
    for _ in range(count):
        pts = np.stack([x + rng.choice([0, 4, 7], 5), rng.choice([4, 12, 19], 5)], 1).astype(np.int32)
        cv2.polylines(out, [pts.reshape(-1, 1, 2)], False, color, 2, cv2.LINE_AA)
        x += 10
    return out


def decal(rng: np.random.Generator, shell: F, ink: F, second: F) -> U8:
    """(DECAL, DECAL, 3) an invented shape on the helmet's colour, or nothing."""
    out = np.tile(shell, (DECAL, DECAL, 1)).astype(np.uint8)
    if rng.random() < 0.2:
        return out
    n = int(rng.integers(3, 9))
    angle = np.sort(rng.uniform(0, 2 * np.pi, n))
    c = np.array([DECAL * 0.44, DECAL * 0.42])
    for color, size in ((ink, rng.uniform(20, 34)), (second, rng.uniform(8, 16))):
        radius = size * rng.uniform(0.55, 1.2, n)
        pts = (c + np.stack([np.cos(angle) * radius, np.sin(angle) * radius], 1)).astype(np.int32)
        cv2.fillPoly(out, [pts.reshape(-1, 1, 2)], tuple(int(v) for v in color), cv2.LINE_AA)
    return out


def folds(rng: np.random.Generator, strength: float) -> F:
    """(TILE, TILE) cloth shading around 1: slanted creases of several sizes, darker in the valleys."""
    field = np.zeros((TILE, TILE), np.float32)
    for size, stretch, weight in ((40, 2.6, 1.0), (20, 3.2, 0.8), (9, 2.0, 0.4)):
        # Drawn small and enlarged: a wide blur of a full tile costs ten times as much.
        step = max(size // 8, 1)
        side = TILE // step
        noise = rng.standard_normal((side, side)).astype(np.float32)
        wide, narrow = size / 3 * stretch / step, max(size / 3 / stretch / step, 0.5)
        blur = cv2.GaussianBlur(noise, (0, 0), wide, None, narrow)
        turn = cv2.getRotationMatrix2D((side / 2, side / 2), float(rng.uniform(-60, 60)), 1.0)
        blur = cv2.warpAffine(blur, turn, (side, side), borderMode=cv2.BORDER_REFLECT)
        field += weight * cv2.resize(blur, (TILE, TILE), interpolation=cv2.INTER_CUBIC) / max(float(blur.std()), 1e-6)
    field = np.tanh(field / 1.6)
    return np.clip(0.90 + strength * field - 0.35 * strength * (field < -0.5), 0.35, 1.0).astype(np.float64)


def official_stripes(rng: np.random.Generator) -> F:
    """(TILE, TILE) vertical black and white bars with folds; the width goes once half around the body."""
    bars = int(rng.integers(5, 8))
    x = (np.arange(TILE) + 0.5) / TILE * bars + 0.25
    mask = cv2.GaussianBlur(((x % 1.0) < 0.5).astype(np.float32)[None], (0, 0), 1.0)
    return (0.03 + 0.95 * mask) * folds(rng, 0.15)


def to_srgb(linear: F) -> F:
    """Linear 0..1 to sRGB 0..1 (IEC 61966-2-1)."""
    x = np.clip(linear, 0, 1)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


def to_linear(srgb: F) -> F:
    """SRGB 0..1 to linear 0..1 (IEC 61966-2-1)."""
    x = np.clip(srgb, 0, 1)
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def white_uv() -> tuple[float, float]:
    """The uv of plain white."""
    return 8.0 / WIDTH, 8.0 / HEIGHT


def number_rect(team: int, number: int) -> tuple[float, float, float, float]:
    """Left, top, width, height in uv of a number's cell, one texel inside its border."""
    y, x = divmod(int(number) % 100, 10)
    return ((team * 640 + x * CELL + 1) / WIDTH, (TOP + y * CELL + 1) / HEIGHT, (CELL - 2) / WIDTH, (CELL - 2) / HEIGHT)


def decal_rect(team: int) -> tuple[float, float, float, float]:
    """The same for a team's helmet decal."""
    return ((DECAL_X + team * (DECAL + 8) + 1) / WIDTH, (TOP + 1) / HEIGHT, (DECAL - 2) / WIDTH, (DECAL - 2) / HEIGHT)


def name_rect(team: int, index: int) -> tuple[float, float, float, float]:
    """The same for one of a team's name strips."""
    i = index % (NAMES // 2) + team * (NAMES // 2)
    return ((NAME_X + 1) / WIDTH, (NAME_Y + i * (NAME_H + 2) + 1) / HEIGHT, (NAME_W - 2) / WIDTH, (NAME_H - 2) / HEIGHT)


def tile_rect(index: int) -> tuple[float, float, float, float]:
    """The same for a fold tile: 0..3 cloth, 4 official stripes."""
    return ((index * TILE + 2) / WIDTH, (FOLDS_Y + 2) / HEIGHT, (TILE - 4) / WIDTH, (TILE - 4) / HEIGHT)
