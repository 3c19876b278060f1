"""Digits, letters and invented shapes as coverage pictures, drawn from strokes of our own (no font files).

A glyph is a set of polylines on a grid of 5 x 7 points written as 'xy' pairs; a pen thickens them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Cover = NDArray[np.uint8]

STROKES = {
    "0": "10 30 41 45 36 16 05 01 10",
    "1": "11 20 26;16 36",
    "2": "01 10 30 41 42 06 46",
    "3": "01 10 30 41 42 33 44 45 36 16 05;33 13",
    "4": "36 30 04 44",
    "5": "40 00 02 32 43 45 36 16 05",
    "6": "41 30 10 01 05 16 36 45 43 32 03",
    "7": "00 40 16",
    "8": "10 30 41 42 33 13 02 01 10;33 44 45 36 16 05 04 13",
    "9": "05 16 36 45 41 30 10 01 03 14 43",
    "A": "06 01 10 30 41 46;03 43",
    "B": "00 30 41 42 33 44 45 36 06 00;03 33",
    "C": "41 30 10 01 05 16 36 45",
    "D": "00 30 41 45 36 06 00",
    "E": "40 00 06 46;03 33",
    "F": "40 00 06;03 33",
    "G": "41 30 10 01 05 16 36 45 43 23",
    "H": "00 06;40 46;03 43",
    "I": "20 26;10 30;16 36",
    "J": "40 45 36 16 05",
    "K": "00 06;40 03 46",
    "L": "00 06 46",
    "M": "06 00 23 40 46",
    "N": "06 00 46 40",
    "O": "10 30 41 45 36 16 05 01 10",
    "P": "06 00 30 41 42 33 03",
    "Q": "10 30 41 45 36 16 05 01 10;24 46",
    "R": "06 00 30 41 42 33 03;23 46",
    "S": "41 30 10 01 02 13 33 44 45 36 16 05",
    "T": "00 40;20 26",
    "U": "00 05 16 36 45 40",
    "V": "00 26 40",
    "W": "00 16 22 36 40",
    "X": "00 46;40 06",
    "Y": "00 23 40;23 26",
    "Z": "00 40 06 46",
}


@dataclass(frozen=True)
class Pen:
    """thick: stroke width as a share of the glyph's height; shape: square, round or flat (thin uprights)."""

    thick: float
    shape: str
    slant: float = 0.0
    serif: bool = False
    smooth: bool = False  # round the corners


NUMBER_PENS = (
    Pen(0.17, "square"),
    Pen(0.15, "square", serif=True),
    Pen(0.20, "square", smooth=True),
    Pen(0.12, "round"),
    Pen(0.16, "flat"),
    Pen(0.14, "round", smooth=True),
    Pen(0.22, "square"),
    Pen(0.13, "square", slant=0.15),
)
TEST_PENS = (5, 6)  # kept for looks of the split 'test'
WORD_PENS = (
    Pen(0.16, "square"),
    Pen(0.20, "flat", serif=True),
    Pen(0.14, "round", smooth=True),
    Pen(0.22, "square", slant=0.2),
    Pen(0.12, "square"),
)


def _round(pts: NDArray[np.float64]) -> NDArray[np.float64]:
    for _ in range(2):
        a, b = pts[:-1], pts[1:]
        mid = np.stack([a * 0.75 + b * 0.25, a * 0.25 + b * 0.75], 1).reshape(-1, 2)
        pts = np.concatenate([pts[:1], mid, pts[-1:]])
    return pts


def glyph(char: str, width_px: int, height_px: int, pen: Pen) -> Cover:
    """(height, width) uint8 coverage of one character filling the cell."""
    t = max(2, round(pen.thick * height_px))
    tx = max(2, round(t * (0.7 if pen.shape == "flat" else 1.0)))
    pic = np.zeros((height_px, width_px), np.uint8)
    if char not in STROKES:
        return pic
    shift = pen.slant * width_px
    for line in STROKES[char].split(";"):
        p = np.array([[int(c[0]) / 4, int(c[1]) / 6] for c in line.split()])
        if pen.smooth and len(p) > 2:
            p = _round(p)
        x = tx / 2 + 1 + p[:, 0] * (width_px - tx - 2 - shift) + (1 - p[:, 1]) * shift
        y = t / 2 + 1 + p[:, 1] * (height_px - t - 2)
        q = np.stack([x, y], 1).round().astype(np.int32)
        cv2.polylines(pic, [q], False, 255, 1)
        if pen.serif:
            for e in (q[0], q[-1]):
                cv2.line(pic, (int(e[0]) - tx // 2, int(e[1])), (int(e[0]) + tx // 2, int(e[1])), 255, 1)
    form = cv2.MORPH_ELLIPSE if pen.shape == "round" else cv2.MORPH_RECT
    return cv2.dilate(pic, cv2.getStructuringElement(form, (tx, t)))


def word(text: str, width_px: int, height_px: int, pen: Pen, gap: float = 0.22) -> Cover:
    """(height, width) coverage of a word stretched over the cell."""
    n = len(text)
    w = width_px / (n + gap * (n - 1))
    pic = np.zeros((height_px, width_px), np.uint8)
    for i, ch in enumerate(text):
        x = round(i * w * (1 + gap))
        g = glyph(ch, max(4, min(round(w), width_px - x)), height_px, pen)
        pic[:, x : x + g.shape[1]] = np.maximum(pic[:, x : x + g.shape[1]], g)
    return pic


def outlined(cover: Cover, share: float) -> NDArray[np.uint8]:
    """(H, W, 3): red = fill, green = rim around it, blue = both. share: rim width over the height."""
    k = max(1, round(share * cover.shape[0]))
    full = cv2.dilate(cover, cv2.getStructuringElement(cv2.MORPH_RECT, (2 * k + 1, 2 * k + 1)))
    return np.dstack([cover, full - cover, full])


def plain(cover: Cover) -> NDArray[np.uint8]:
    """(H, W, 3) without a rim."""
    return np.dstack([cover, np.zeros_like(cover), cover])


def _star(n: int, c: float, r: float, inner: float, turn: float) -> NDArray[np.int32]:
    a = turn + np.arange(2 * n) * np.pi / n
    rad = np.where(np.arange(2 * n) % 2 == 0, r, r * inner)
    return np.stack([c + rad * np.cos(a), c + rad * np.sin(a)], 1).round().astype(np.int32)


def emblem(rng: np.random.Generator, size_px: int, held_back: bool) -> NDArray[np.uint8]:
    """(S, S, 3) an invented badge of two colours: disc, shield, star, ring, blob with a letter or bolt.

    held_back: draw from the shapes kept for the split 'test'.
    """
    a, b = np.zeros((size_px, size_px), np.uint8), np.zeros((size_px, size_px), np.uint8)
    c, r = size_px / 2, size_px / 2 - 3
    kind = int(rng.choice([5, 6, 7] if held_back else [0, 1, 2, 3, 4]))
    mid = (round(c), round(c))
    if kind in (0, 6):
        cv2.circle(a, mid, round(r), 255, -1)
        cv2.circle(b, mid, round(r * 0.86), 255, round(r * 0.06))
    elif kind == 1:
        cv2.circle(a, mid, round(r), 255, round(r * 0.12))
    elif kind == 2:
        cv2.fillPoly(a, [_star(int(rng.integers(4, 9)), c, r, float(rng.uniform(0.35, 0.75)), rng.uniform(0, 6))], 255)
    elif kind in (3, 7):
        shield = np.array([[0.1, 0.08], [0.9, 0.08], [0.9, 0.55], [0.5, 0.97], [0.1, 0.55]]) * size_px
        if kind == 7:
            shield = shield[:, ::-1]
        cv2.fillPoly(a, [shield.astype(np.int32)], 255)
    elif kind == 4:
        th = np.linspace(0, 2 * np.pi, 60, endpoint=False)
        rad = r * (0.7 + 0.3 * sum(rng.uniform(-0.5, 0.5) * np.cos(k * th + rng.uniform(0, 6)) for k in (2, 3, 5)))
        blob = np.stack([c + rad.clip(0, r) * np.cos(th), c + rad.clip(0, r) * np.sin(th)], 1)
        cv2.fillPoly(a, [blob.astype(np.int32)], 255)
    else:
        cv2.ellipse(a, mid, (round(r), round(r * 0.5)), float(rng.uniform(0, 180)), 0, 360, 255, -1)
    if (kind != 1 and rng.random() < 0.75) or rng.random() < 0.5:
        s = round(size_px * rng.uniform(0.35, 0.62))
        g = glyph(str(rng.choice(list(STROKES))), round(s * rng.uniform(0.65, 1)), s, WORD_PENS[int(rng.integers(4))])
        y, x = round(c - g.shape[0] / 2), round(c - g.shape[1] / 2)
        b[y : y + g.shape[0], x : x + g.shape[1]] = np.maximum(b[y : y + g.shape[0], x : x + g.shape[1]], g)
    else:
        cv2.fillPoly(
            b, [_star(int(rng.integers(3, 7)), c, r * 0.6, float(rng.uniform(0.2, 0.6)), rng.uniform(0, 6))], 255
        )
    if held_back:
        full = np.maximum(a, b)
        return np.dstack([cv2.subtract(a, b), b, full])
    return _trimmed(rng, a, b)


def _trimmed(rng: np.random.Generator, a: Cover, b: Cover) -> NDArray[np.uint8]:
    """Outlines and stripes on a badge of fill a and sign b, as most real ones have; what neither colour covers of the
    whole is painted black."""
    n = a.shape[0]
    if rng.random() < 0.35:  # stripes of the second colour across the fill
        y, x = np.mgrid[0:n, 0:n] / n
        turn, wave = rng.uniform(0, np.pi), rng.uniform(0, 0.06)
        u = x * np.cos(turn) + y * np.sin(turn) + wave * np.sin(12 * (x * np.sin(turn) - y * np.cos(turn)))
        bars = (np.mod(u * rng.uniform(3, 9), 1) < rng.uniform(0.15, 0.5)).astype(np.uint8) * 255
        b = np.maximum(b, cv2.bitwise_and(a, bars))
    gap = np.zeros_like(a)
    if rng.random() < 0.5:  # a black line around the sign
        k = max(3, round(n * rng.uniform(0.01, 0.04))) | 1
        gap = cv2.subtract(cv2.dilate(b, np.ones((k, k), np.uint8)), b)
    fill = cv2.subtract(cv2.subtract(a, b), gap)
    full = np.maximum(np.maximum(a, b), gap)
    if rng.random() < 0.5:  # a line around it all, in the second colour or black
        k = max(3, round(n * rng.uniform(0.015, 0.05))) | 1
        whole = cv2.dilate(full, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k)))
        if rng.random() < 0.6:
            b = np.maximum(b, cv2.subtract(whole, full))
        full = whole
    return np.dstack([fill, b, full])


def arrow(width_px: int, height_px: int) -> Cover:
    """(H, W) a triangle pointing right."""
    pic = np.zeros((height_px, width_px), np.uint8)
    cv2.fillPoly(pic, [np.array([[1, 1], [width_px - 2, height_px // 2], [1, height_px - 2]], np.int32)], 255)
    return pic
