"""Hash ticks in the full picture: their middles give the place across the field, their ends its scale.

A tick is measured along its own direction (across the field), never across its row: seen from behind an end zone the
two are far from square to each other, and a thin tick is left at once by a slanted profile.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.field import Field
from pipeline.registration import solver
from pipeline.registration.profiles import Profiles, free, measure
from pipeline.registration.solve import Observed, lines

Array = NDArray[np.float64]

TICK_SD_PX = 0.8
INDEPENDENT = 24.0
# The books ask for ticks of two feet; what is painted with a template keeps that to about 3 % (no source). The two ends
# together then weigh like one look each.
END_SD_YD = 0.014
MIN_SEEN, MIN_SHARE = 3, 0.45  # ticks found, and their share of those that ought to be in sight, to believe a row
SPREAD_YD, SPREAD_PX = 0.06, 1.2  # usual distance of the ticks of a row from one line
ACROSS_PX = (-1.4, 0.0, 1.4)  # parallel looks, px of a 1280-wide picture: the thin side of a tick is 2 to 4 px
PLAIN_PX = 6.0  # a tick this long cannot be overlooked, px of a 1280-wide picture
LONG_ENOUGH_PX = 7.0  # of a tick, for its ends to be told apart
LENGTH_AGREES, LENGTH_SHARE = 0.07, 0.4  # of a tick's length; share of the ticks found that must agree in it
# Bars along the field across the five-yard lines: where to look beside a line, yards; lines that must show one; share
# of the looks that must; how far from the middle of a row they are painted (the books give the row's inner end only).
BAR_AT = (-0.24, -0.18, 0.18, 0.24)
MIN_BARS, BAR_SHARE, BAR_SD_YD = 3, 0.6, 0.15
NOTHING = lines(np.zeros((0, 2)), 1, 0.0, 1.0, 1.0)


@dataclass(frozen=True)
class Row:
    """Ticks of one row: px (N, 2) middles (none: no ticks there), low and high (M, 2) ends towards y = 0 and away from
    it, px_per_yd; looked: how many free places were looked at that show a tick large enough to be seen; bars:
    found as bars across the five-yard lines."""

    y: float
    px: Array
    low: Array
    high: Array
    px_per_yd: float
    looked: int
    bars: bool = False


def find(
    grey: NDArray[np.float32], row: Array, span: tuple[float, float], field: Field, boxes: Array | None,
    size: tuple[int, int], reach: float,
) -> list[Row]:  # fmt: skip
    """Rows near where a camera (8,) predicts them, those with too few ticks to look for left out. span: x in sight,
    yards."""
    xs = np.arange(np.ceil(span[0]), np.floor(span[1]) + 1)
    xs = xs[np.round(xs) % 5 != 0]
    if len(xs) > field.length:  # no camera sees more than the field: a fit to other things
        return []
    out = []
    for y in field.hash_rows:
        ticks = _row(grey, row, xs, y, field.hash_tick, boxes, size, reach)
        if ticks is None or not len(ticks.px):  # where only the five-yard lines are marked, they are crossed by bars
            ticks = _bars(grey, row, span, y, field, boxes, size, reach) or ticks
        if ticks is not None:
            out.append(ticks)
    return out


def there(rows: list[Row]) -> list[Row]:
    """Rows of which ticks are really there."""
    return [r for r in rows if len(r.px)]


def _row(
    grey: NDArray[np.float32], row: Array, xs: Array, y: float, tick: float, boxes: Array | None,
    size: tuple[int, int], reach: float,
) -> Row | None:  # fmt: skip
    xy = np.stack([xs, np.full(len(xs), y)], 1)
    px = solver.project(row[None], xy, size)[0]
    ok = free(px, boxes, size)
    xy, px = xy[ok], px[ok]
    if len(px) < MIN_SEEN:
        return None
    ends = solver.project(row[None], np.stack([xy - [0.0, tick / 2], xy + [0.0, tick / 2]]).reshape(-1, 2), size)[0]
    along = ends[len(px) :] - ends[: len(px)]
    bar = np.linalg.norm(along, axis=1)
    along /= np.maximum(bar, 1e-9)[:, None]
    scale = float(np.median(bar)) / tick
    unit = size[0] / 1280
    side = np.array(ACROSS_PX)[:, None, None] * unit * along[None, :, ::-1] * (-1, 1)
    k, n = len(ACROSS_PX), len(px)
    at = Profiles((px + side).reshape(-1, 2), np.tile(along, (k, 1)), np.tile(bar, k), min(reach, 1.2 * scale))
    offs, strengths = (v.reshape(k, n) for v in measure(grey, at))
    best = np.argmax(strengths, 0)
    off, seen, side = offs[best, np.arange(n)], strengths[best, np.arange(n)] > 0, side[best, np.arange(n)]
    seen &= bar > 3
    none = Row(y, np.zeros((0, 2)), np.zeros((0, 2)), np.zeros((0, 2)), scale, int((bar > PLAIN_PX * unit).sum()))
    if seen.sum() < MIN_SEEN or seen.mean() < MIN_SHARE:
        return none
    spread = np.median(np.abs(off[seen] - np.median(off[seen])))
    if spread > max(SPREAD_PX * unit, SPREAD_YD * scale):
        return none
    seen &= np.abs(off - np.median(off[seen])) < 4 * max(SPREAD_PX * unit, SPREAD_YD * scale)
    mid = (px + side + off[:, None] * along)[seen]
    low, high = _ends(grey, mid, along[seen], bar[seen], scale, unit)
    return Row(y, mid, low, high, scale, none.looked)


def _bars(
    grey: NDArray[np.float32], row: Array, span: tuple[float, float], y: float, field: Field, boxes: Array | None,
    size: tuple[int, int], reach: float,
) -> Row | None:  # fmt: skip
    """Short bars along the field across the five-yard lines, as long as a tick; None where they are not there."""
    at = 5.0 * np.arange(np.ceil(span[0] / 5), np.floor(span[1] / 5) + 1)
    xs = (at[:, None] + np.array(BAR_AT)).ravel()
    xy = np.stack([xs, np.full(len(xs), y)], 1)
    px = solver.project(row[None], xy, size)[0]
    ok = free(px, boxes, size)
    xy, px = xy[ok], px[ok]
    if len(np.unique(np.round(xy[:, 0] / 5))) < MIN_BARS:
        return None
    ends = solver.project(row[None], np.concatenate([xy - [0.0, 0.5], xy + [0.0, 0.5]]), size)[0]
    along = ends[len(px) :] - ends[: len(px)]
    scale = np.linalg.norm(along, axis=1)
    along /= np.maximum(scale, 1e-9)[:, None]
    unit, usual = size[0] / 1280, float(np.median(scale))
    far = min(reach, 1.2 * usual)
    off, strength = measure(grey, Profiles(px, along, np.maximum(field.line_width * scale, 1.5), far))
    spread = max(SPREAD_PX * unit, SPREAD_YD * usual)
    seen = strength > 0
    if not seen.any():
        return None
    seen &= np.abs(off - np.median(off[seen])) < spread
    _, looks = np.unique(np.round(xy[seen, 0] / 5), return_counts=True)
    if (looks >= 2).sum() < MIN_BARS or seen.mean() < BAR_SHARE:
        return None
    nothing = np.zeros((0, 2))
    return Row(y, (px + off[:, None] * along)[seen], nothing, nothing, usual, len(px), bars=True)


def _ends(
    grey: NDArray[np.float32], mid: Array, along: Array, bar: Array, scale: float, unit: float
) -> tuple[Array, Array]:
    """The two ends (M, 2) of ticks of which both are plain to see."""
    nothing = np.zeros((0, 2))
    if float(np.median(bar)) < LONG_ENOUGH_PX * unit:
        return nothing, nothing
    half, reach, thin = (bar / 2)[:, None] * along, 0.25 * scale, np.full(len(mid), 2.0)
    low, seen_low = measure(grey, Profiles(mid - half, along, thin, reach), edge=True)
    high, seen_high = measure(grey, Profiles(mid + half, -along, thin, reach), edge=True)
    ok = (seen_low > 0) & (seen_high > 0)
    length = (bar - high - low) / np.maximum(bar, 1e-9)
    if ok.sum() < MIN_SEEN:
        return nothing, nothing
    off = np.abs(length - np.median(length[ok]))
    ok &= off < LENGTH_AGREES
    if ok.sum() < MIN_SEEN or ok.mean() < LENGTH_SHARE:
        return nothing, nothing
    return (mid - half + low[:, None] * along)[ok], (mid + half - high[:, None] * along)[ok]


def middles(rows: list[Row], unit: float) -> Observed:
    """What the middles say: y of every row."""

    def of(r: Row) -> Observed:
        if r.bars:
            return lines(r.px, 1, r.y, float(np.hypot(TICK_SD_PX * unit, BAR_SD_YD * r.px_per_yd)), INDEPENDENT / 4)
        return lines(r.px, 1, r.y, TICK_SD_PX * unit, INDEPENDENT)

    return Observed.join([of(r) for r in there(rows)] or [NOTHING])


def ends(rows: list[Row], tick: float) -> Observed:
    """What the ends say: the scale across the field."""
    parts = [NOTHING]
    for r in rows:
        for px, sign in ((r.low, -1.0), (r.high, 1.0)):
            if len(px):
                parts.append(lines(px, 1, r.y + sign * tick / 2, END_SD_YD * r.px_per_yd, 1.0))
    return Observed.join(parts)
