"""What the snap finder looks at: per tick, how the picture moved before, at and after that moment.

A tick is 1/30 s; the motion stage's frames (any rate, variable too) are taken at the nearest one before each
tick. Activity is squashed, brought to a fixed grid and averaged over windows before and after the tick, so that
"still until now, moving from now on" can be seen cell by cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Motion

Stack = NDArray[np.float32]

TICK_S = 1.0 / 30.0
ROWS, COLUMNS = 32, 56
FULL_PX = 4.0  # activity that counts as full


@dataclass(frozen=True)
class Layout:
    """What a scorer is shown of each tick.

    spans: windows in ticks relative to the tick, both ends inside. rows, columns: of the grid. room: two more
    planes say how much film there is before and after the tick, 1 where it fills the windows.
    """

    spans: tuple[tuple[int, int], ...]
    rows: int = ROWS
    columns: int = COLUMNS
    room: bool = False

    @property
    def channels(self) -> int:
        return len(self.spans) + (2 if self.room else 0)


# Long before, just before, now, just after, after.
SHORT = Layout(((-45, -12), (-11, -2), (-1, 2), (3, 8), (9, 24), (25, 45)))
# The same with more before and with what comes later, when a play goes on and a whistle has stopped all else.
LONG = Layout(
    ((-90, -46), (-45, -12), (-11, -2), (-1, 2), (3, 8), (9, 24), (25, 45), (46, 75)), ROWS // 2, COLUMNS // 2, True
)
# As much time, and every cell: men filmed from far away fill one or two.
FINE = Layout(LONG.spans, ROWS, COLUMNS, True)


def ticks(motion: Motion) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """(K,) index into the motion's frames and (K,) seconds from its first frame, one per tick."""
    times = np.array([float(t - motion.time_s[0]) for t in motion.time_s])
    at = np.arange(0.0, times[-1] + 1e-6, TICK_S)
    index = np.searchsorted(times, at + 1e-3, side="right") - 1
    return index.astype(np.int64), at


def squash(activity: Stack) -> Stack:
    """Activity (small px in 1/15 s) to 0..1, finer near 0."""
    return np.asarray(np.log1p(3 * np.minimum(activity, FULL_PX)) / np.log1p(3 * FULL_PX), np.float32)


def grids(motion: Motion) -> Stack:
    """(K, ROWS, COLUMNS) squashed activity per tick."""
    index, _ = ticks(motion)
    out = np.empty((len(index), ROWS, COLUMNS), np.float32)
    for k, i in enumerate(index):
        out[k] = cv2.resize(squash(motion.activity[i]), (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
    return out


def coarse(grid: Stack, layout: Layout) -> Stack:
    """(K, ROWS, COLUMNS) to the layout's rows and columns."""
    if grid.shape[1:] == (layout.rows, layout.columns):
        return grid
    size = (layout.columns, layout.rows)
    return np.stack([np.asarray(cv2.resize(g, size, interpolation=cv2.INTER_AREA), np.float32) for g in grid])


def windows(
    grid: Stack, chunk: int = 256, margin: int = 0, layout: Layout = SHORT
) -> Iterator[tuple[slice, slice, Stack]]:
    """Chunks of (n, channels, rows, columns) window means of a grid.

    Yields (ticks covered, which of the chunk's rows those are, chunk); chunks overlap by ``margin`` ticks on
    both sides. Windows that stick out over an end of the film use what is there; with nothing there, 0.
    """
    rows, columns = grid.shape[1:]
    total = np.concatenate([np.zeros((1, rows, columns), np.float64), np.cumsum(grid, 0, dtype=np.float64)])
    count = len(grid)
    for start in range(0, count, chunk):
        stop = min(start + chunk, count)
        a, b = max(0, start - margin), min(count, stop + margin)
        at = np.arange(a, b)
        parts = []
        for first, last in layout.spans:
            low, high = np.clip(at + first, 0, count), np.clip(at + last + 1, 0, count)
            width = np.maximum(high - low, 1)[:, None, None]
            parts.append(((total[high] - total[low]) / width).astype(np.float32))
        for room in (at / -layout.spans[0][0], (count - 1 - at) / layout.spans[-1][1]) if layout.room else ():
            plane = np.minimum(room, 1.0).astype(np.float32)[:, None, None]
            parts.append(np.broadcast_to(plane, (len(at), rows, columns)))
        yield slice(start, stop), slice(start - a, stop - a), np.stack(parts, 1)


def classical(grid: Stack) -> NDArray[np.float64]:
    """(K,) score without learning: most cells of a formation-sized box that were still and start to move."""
    out = np.zeros(len(grid))
    for covered, inside, chunk in windows(grid):
        before = np.maximum(chunk[:, 0], chunk[:, 1])
        after = np.minimum(chunk[:, 3], chunk[:, 4])
        rise = np.clip(after - 1.5 * before - 0.05, 0, 0.4)
        for k, cells in enumerate(rise[inside]):
            box = cv2.boxFilter(cells, -1, (15, 9), normalize=False, borderType=cv2.BORDER_CONSTANT)
            out[covered.start + k] = float(box.max())
    return out
