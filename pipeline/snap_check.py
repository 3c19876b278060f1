"""A second look at a moment that looks like a snap: does it begin a play, and does the play go on?

The scorer (``pipeline.onset``) sees 1.5 s to each side through a few windows and finds moments at which many men start
to move. Here each such moment is described by some 200 numbers over 6 s, whatever the zoom and wherever the formation
stands: how much of the picture moved before, how quickly and how much at once it begins, whether both halves of the
group begin together, whether it goes on and spreads, what else about it looks like a snap. A small network (ONNX) turns
them into the probability that this is the snap.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import models, onset

Array = NDArray[np.float64]
Stack = NDArray[np.float32]
Checker = Callable[[Array], Array]
SPANS = ((-90, -61), (-60, -31), (-30, -16), (-15, -7), (-6, -2), (-1, 1), (2, 5), (6, 11), (12, 20), (21, 35),
         (36, 55), (56, 80))  # fmt: skip
LEVELS = (0.1, 0.3, 0.6)  # of squashed activity
MOMENTS = (-60, -40, -25, -15, -10, -6, -4, -2, 0, 2, 4, 6, 8, 10, 14, 20, 28, 40, 60)
RISE = 0.12  # of a cell that begins to move
REACH = 22  # ticks about the moment in which its beginning is looked for
APART_S = 6.0


def _mean(grid: Stack, first: int, last: int) -> Stack:
    """(R, C) mean over ticks first..last, as far as they exist; zeros where none does."""
    part = grid[max(first, 0) : max(last + 1, 0)]
    return np.asarray(part.mean(0), np.float32) if len(part) else np.zeros(grid.shape[1:], np.float32)


def group_box(before: Stack, after: Stack) -> tuple[slice, slice]:
    """Rows and columns of the formation-sized box (half the picture each way) that holds most of the rise."""
    rise = np.clip(after - before, 0, None)
    rows, columns = rise.shape
    size = (columns // 2, rows // 2)
    total = cv2.boxFilter(rise, -1, size, normalize=False, borderType=cv2.BORDER_CONSTANT)
    r, c = np.unravel_index(int(total.argmax()), total.shape)
    top = int(np.clip(r - size[1] // 2, 0, rows - size[1]))
    left = int(np.clip(c - size[0] // 2, 0, columns - size[0]))
    return slice(top, top + size[1]), slice(left, left + size[0])


def _spread(cells: Stack) -> tuple[float, float]:
    """Standard deviation of the activity's place across and down, as shares of the picture."""
    total = float(cells.sum())
    if total < 1e-6:
        return 0.0, 0.0
    out = []
    for axis in (1, 0):
        weight = cells.sum(1 - axis) / total
        at = (np.arange(len(weight)) + 0.5) / len(weight)
        middle = float((weight * at).sum())
        out.append(float(np.sqrt((weight * (at - middle) ** 2).sum())))
    return out[0], out[1]


def _windows(grid: Stack, k: int, box: tuple[slice, slice]) -> list[float]:
    out: list[float] = []
    for first, last in SPANS:
        cells = _mean(grid, k + first, k + last)
        inside = cells[box]
        halves = [float(part.mean()) for part in (*np.array_split(inside, 2, 0), *np.array_split(inside, 2, 1))]
        out += [float(cells.mean()), float(inside.mean()), float(np.quantile(cells, 0.98))]
        out += [float((cells > level).mean()) for level in LEVELS]
        out += [min(halves[:2]), min(halves[2:]), *_spread(cells)]
    return out


def _beginnings(grid: Stack, k: int) -> list[float]:
    """When the cells that move after the moment began to: count, quantiles, share within a tenth of a second."""
    first = max(k - REACH, 0)
    part = grid[first : k + REACH + 1]
    before, after = _mean(grid, k - 24, k - 5), _mean(grid, k + 6, k + 24)
    rising = (after - before > RISE) & (_mean(grid, k - 60, k - 5) < 0.5 * after)
    if len(part) < 6 or not rising.any():
        return [0.0] * 9
    level = (before + 0.5 * (after - before))[rising]
    curves = cv2.blur(part[:, rising], (1, 3), borderType=cv2.BORDER_REPLICATE)
    over = curves > level
    began = np.where(over.any(0), over.argmax(0), len(part)) + first - k
    strength = (after - before)[rising]
    quantiles = np.quantile(began, [0.1, 0.25, 0.5, 0.75, 0.9]) / REACH
    near = np.abs(began - np.median(began)) <= 3
    return [
        float(rising.mean()), float(strength.mean()), *map(float, quantiles), float(near.mean()),
        float((after[~rising] > RISE).mean()) if (~rising).any() else 0.0,
    ]  # fmt: skip


def _curves(grid: Stack, k: int, box: tuple[slice, slice]) -> list[float]:
    """Group's and picture's mean activity at single moments, over what they are just after."""
    total, group = grid.mean((1, 2)), grid[:, box[0], box[1]].mean((1, 2))
    out: list[float] = []
    for curve in (total, group):
        base = float(curve[k : k + 25].mean()) + 0.01
        out.append(base)
        out += [float(curve[k + m]) / base if 0 <= k + m < len(curve) else -1.0 for m in MOMENTS]
    return out


def _about(score: Array, k: int) -> list[float]:
    """The scorer's view: the peak, its width, the next best moments before and after, film before and after."""
    reach = round(APART_S / onset.TICK_S)
    early, late = score[max(0, k - reach) : max(0, k - 15)], score[k + 16 : k + reach]
    near = score[max(0, k - 10) : k + 11]
    return [
        float(score[k]), float((near > 0.5 * score[k]).mean()), float(near.mean()),
        float(early.max()) if len(early) else 0.0, float(late.max()) if len(late) else 0.0,
        min(k / 90, 1.0), min((len(score) - 1 - k) / 80, 1.0), min((len(score) - 1 - k) / 30, 1.0),
    ]  # fmt: skip


def describe(grid: Stack, score: Array, k: int) -> Array:
    """(F,) what is said about tick k. grid (K, rows, columns) of ``onset.LONG``, score (K,)."""
    box = group_box(_mean(grid, k - 30, k - 3), _mean(grid, k + 3, k + 30))
    parts = _windows(grid, k, box) + _beginnings(grid, k) + _curves(grid, k, box) + _about(score, k)
    return np.asarray(parts, float)


FEATURES = len(SPANS) * 10 + 9 + 2 * (1 + len(MOMENTS)) + 8


def moments(score: Array, lowest: float, apart_ticks: int = 12) -> list[int]:
    """Ticks of the local peaks of a score from ``lowest`` on, none closer than apart_ticks to a better one."""
    left, found = score.copy(), []
    while len(left) and left.max() >= lowest:
        k = int(left.argmax())
        found.append(k)
        left[max(0, k - apart_ticks) : k + apart_ticks + 1] = -1.0
    return sorted(found)


@cache
def shipped_checker() -> Checker | None:
    """The checker of models/manifest.toml; None where none is listed (the scorer's word stands then). Raises ModelError
    where it is listed and missing or damaged."""
    if "snap_check" not in models.read_manifest():
        return None
    return network_checker(models.load("snap_check", threads=1))


def network_checker(network: models.Network) -> Checker:
    """A checker from a network that takes (N, FEATURES) and gives N logits."""

    def check(described: Array) -> Array:
        logits = np.asarray(network(described.astype(np.float32))[0], float).ravel()
        return np.asarray(1.0 / (1.0 + np.exp(-logits)))

    return check
