"""The top-down diagram of a moment: play frame, the offence below and attacking up the page."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline.records import SIDES, Alignment, Labels, Tracks

Image = NDArray[np.uint8]
# BGR. They differ in lightness as well as in hue: told apart in grey and with any colour vision.
COLOURS: dict[str, tuple[int, int, int]] = {
    "offense": (48, 176, 250),
    "defense": (178, 72, 86),
    "official": (146, 152, 154),
    "unknown": (240, 236, 232),
}
DEEP = (214, 208, 58)
RUSH = (150, 60, 232)
INK = (52, 40, 34)
PAPER = (240, 246, 248)
TURF = (222, 232, 226)
LINE = (178, 190, 186)
FROM_YD, TO_YD = -11.0, 27.0  # depth shown: most passers stand inside 7 yd, most safeties inside 20


def text(
    image: Image, words: str, at: tuple[int, int], size: float, colour: Any, *, chip: Any | None = None
) -> None:
    """Draw text with its baseline at a point; chip: background colour. Letters outside ASCII become '?'."""
    plain = words.encode("ascii", "replace").decode()
    (w, h), base = cv2.getTextSize(plain, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
    if chip is not None:
        cv2.rectangle(image, (at[0] - 2, at[1] - h - 2), (at[0] + w + 2, at[1] + base - 1), chip, -1)
    cv2.putText(image, plain, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, 1, cv2.LINE_AA)


class _Page:
    """Yards of the play frame to pixels of the page."""

    def __init__(self, level: str, ball_y_yd: float, direction: int, height_px: int) -> None:
        self.field = fields.load(level)
        self.scale = (height_px - 40) / (TO_YD - FROM_YD)
        # Across runs to the offence's right: -direction * (y - ball_y).
        edges = sorted((-direction * (y - ball_y_yd)) for y in (0.0, self.field.width))
        self.left_yd, self.right_yd = edges
        margin = 14
        self.width_px = int((self.right_yd - self.left_yd) * self.scale) + 2 * margin
        # A wide field would make a page wider than the film: keep the page at most as wide as it is high.
        if self.width_px > height_px * 1.15:
            self.scale *= height_px * 1.15 / self.width_px
            self.width_px = int((self.right_yd - self.left_yd) * self.scale) + 2 * margin
        self.margin = margin
        spare = height_px - 40 - (TO_YD - FROM_YD) * self.scale
        self.base_px = 26 + spare / 2 + TO_YD * self.scale
        self.image: Image = np.full((height_px, self.width_px, 3), PAPER, np.uint8)

    def at(self, across_yd: float, depth_yd: float) -> tuple[int, int]:
        x = self.margin + (across_yd - self.left_yd) * self.scale
        return int(round(x)), int(round(self.base_px - depth_yd * self.scale))


def _ground(page: _Page, ball_y_yd: float, direction: int) -> None:
    cv2.rectangle(page.image, page.at(page.left_yd, TO_YD), page.at(page.right_yd, FROM_YD), TURF, -1)
    for depth in range(-10, int(TO_YD) + 1, 5):
        left, right = page.at(page.left_yd, depth), page.at(page.right_yd, depth)
        cv2.line(page.image, left, right, INK if depth == 0 else LINE, 3 if depth == 0 else 1, cv2.LINE_AA)
        if depth > 0:
            text(page.image, f"+{depth}", (left[0] + 3, left[1] - 3), 0.34, INK)
    for y in page.field.hash_rows:
        across = -direction * (y - ball_y_yd)
        for k in range(int(FROM_YD), int(TO_YD)):
            a, b = page.at(across, k + 0.3), page.at(across, k + 0.7)
            cv2.line(page.image, a, b, LINE, 1, cv2.LINE_AA)


def _mark(image: Image, at: tuple[int, int], side: str, size: int, deep: bool, rusher: bool) -> None:
    """One person: a square for the offence, a wedge pointing down for the defence, a small bar for others."""
    x, y = at
    colour = COLOURS[side]
    if side == "defense":
        shape = np.array([[x - size, y - size], [x + size, y - size], [x + size // 2, y], [x, y + size],
                          [x - size // 2, y]], np.int32)  # fmt: skip
    elif side == "offense":
        shape = np.array([[x - size, y - size], [x + size, y - size], [x + size, y + size], [x - size, y + size]],
                         np.int32)  # fmt: skip
    else:
        shape = np.array([[x - size, y - 2], [x + size, y - 2], [x + size, y + 2], [x - size, y + 2]], np.int32)
    cv2.fillPoly(image, [shape], colour, cv2.LINE_AA)
    cv2.polylines(image, [shape], True, INK, 1, cv2.LINE_AA)
    if deep:
        cv2.line(image, (x - size - 5, y - size - 5), (x + size + 5, y - size - 5), INK, 5, cv2.LINE_AA)
        cv2.line(image, (x - size - 5, y - size - 5), (x + size + 5, y - size - 5), DEEP, 3, cv2.LINE_AA)
    if rusher:
        for k in (4, 10):
            chevron = np.array([[x - 6, y + size + k], [x, y + size + k + 5], [x + 6, y + size + k]], np.int32)
            cv2.polylines(image, [chevron], False, RUSH, 2, cv2.LINE_AA)


def draw(
    tracks: Tracks, alignment: Alignment, labels: Labels | None, t: int, moment: str, level: str, height_px: int
) -> Image:
    """(height_px, W, 3) BGR diagram of moment t; after the snap each person's way since the snap is shown."""
    page = _Page(level, alignment.ball_y_yd, alignment.direction, height_px)
    _ground(page, alignment.ball_y_yd, alignment.direction)
    deep = set() if labels is None else set(labels.deep if moment == "snap" else labels.deep_after)
    rushers = set(labels.rushers) if labels is not None and moment == "after" else set()
    size = max(4, round(page.scale * 0.42))
    start = int(np.argmin(np.abs(tracks.time_s)))
    for n in range(len(tracks.role)):
        if tracks.role[n] == 2:
            continue
        way = np.stack([alignment.across_yd[: t + 1, n], alignment.depth_yd[: t + 1, n]], 1)
        if not np.isfinite(way[t]).all():
            continue
        side = SIDES[int(tracks.side[n])]
        if moment == "after" and t > start:
            points = [page.at(*p) for p in way[start:] if np.isfinite(p).all()]
            cv2.polylines(page.image, [np.array(points, np.int32)], False, INK, 1, cv2.LINE_AA)
        if FROM_YD <= way[t, 1] <= TO_YD:
            _mark(page.image, page.at(*way[t]), side, size, n in deep, n in rushers)
        else:
            _beyond(page, way[t], side)
    _legend(page, moment)
    return page.image


def _beyond(page: _Page, at: NDArray[np.float64], side: str) -> None:
    """A person off the page, named at its edge with his depth."""
    depth = TO_YD - 0.6 if at[1] > TO_YD else FROM_YD + 0.3
    text(page.image, f"{at[1]:+.0f} yd", page.at(float(at[0]), depth), 0.36, INK, chip=COLOURS[side])


def _legend(page: _Page, moment: str) -> None:
    y = 14
    x = page.margin + 6
    for side, name in (("offense", "offence"), ("defense", "defence"), ("official", "official")):
        _mark(page.image, (x, y), side, 5, False, False)
        text(page.image, name, (x + 10, y + 4), 0.36, INK)
        x += 84
    cv2.line(page.image, (x - 6, y), (x + 8, y), DEEP, 4, cv2.LINE_AA)
    text(page.image, "deep", (x + 13, y + 4), 0.36, INK)
    if moment == "after":
        x += 62
        chevron = np.array([[x - 6, y - 3], [x, y + 3], [x + 6, y - 3]], np.int32)
        cv2.polylines(page.image, [chevron], False, RUSH, 2, cv2.LINE_AA)
        text(page.image, "rusher", (x + 11, y + 4), 0.36, INK)
