"""The second look at moments that look like a snap: what is said of them, and how it decides.

Grids are made by hand, so what begins where and when is known.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from pipeline import onset, snap, snap_check
from pipeline.records import Motion, Shot

LAYOUT = onset.LONG


def begins(count: int, at: int, until: int | None = None, left: int = 10, wide: int = 8) -> np.ndarray:
    """(count, rows, columns) a block of cells that is still and moves from tick ``at`` on, to ``until``."""
    grid = np.random.default_rng(1).uniform(0, 0.02, (count, LAYOUT.rows, LAYOUT.columns)).astype(np.float32)
    grid[at:until, 5:10, left : left + wide] += 0.6
    return grid


def peaked(count: int, *peaks: tuple[int, float]) -> np.ndarray:
    at = np.arange(count)
    return np.max([h * np.exp(-0.5 * ((at - k) / 2) ** 2) for k, h in peaks], axis=0)


def made(activity: np.ndarray) -> Motion:
    count = len(activity)
    return Motion(
        480, 272, np.arange(count), tuple(Fraction(i, 30) for i in range(count)), np.tile(np.eye(3), (count, 1, 1)),
        activity.astype(np.float32), np.zeros(count, bool),
    )  # fmt: skip


def test_every_moment_is_described_by_as_many_finite_numbers() -> None:
    grid, score = begins(120, 60), peaked(120, (60, 0.8))
    for k in (0, 5, 60, 115, 119):
        got = snap_check.describe(grid, score, k)
        assert got.shape == (snap_check.FEATURES,) and np.isfinite(got).all()
    assert np.isfinite(snap_check.describe(grid[:8], score[:8], 4)).all()


def test_where_the_formation_stands_does_not_matter() -> None:
    score = peaked(200, (90, 0.8))
    a = snap_check.describe(begins(200, 90, left=8), score, 90)
    b = snap_check.describe(begins(200, 90, left=12), score, 90)
    assert np.abs(a - b).max() < 0.12


def test_a_play_that_goes_on_is_told_from_one_that_stops() -> None:
    score = peaked(200, (90, 0.8))
    goes_on = snap_check.describe(begins(200, 90), score, 90)
    stops = snap_check.describe(begins(200, 90, until=105), score, 90)
    last = 10 * (len(snap_check.SPANS) - 1)  # mean of the picture in the last span
    assert goes_on[last] > 5 * stops[last]


def test_men_who_begin_together_are_told_from_men_who_do_not() -> None:
    """Truth by construction: all cells at one tick, or one column after the other over a second."""
    together, spread = begins(200, 90), begins(200, 300)
    for column in range(8):
        spread[78 + 4 * column :, 5:10, 10 + column] += 0.6
    score = peaked(200, (90, 0.8))
    first = 10 * len(snap_check.SPANS)
    near = first + 7  # share of the cells that begin within a tenth of a second of their median
    assert snap_check.describe(together, score, 90)[near] > 0.95
    assert snap_check.describe(spread, score, 90)[near] < 0.5


def test_moments_are_local_peaks_some_way_apart() -> None:
    score = peaked(300, (50, 0.9), (57, 0.8), (120, 0.3), (200, 0.04))
    assert snap_check.moments(score, 0.05) == [50, 120] or snap_check.moments(score, 0.05) == [50, 63, 120]
    assert snap_check.moments(np.zeros(20), 0.05) == []


@pytest.mark.parametrize(("chances", "frame", "status"), [
    ((0.1, 0.9), 140, "ok"), ((0.8, 0.9), 140, "unsure"), ((0.9, 0.05), 60, "ok"), ((0.1, 0.2), None, "failed"),
])  # fmt: skip
def test_the_check_decides_between_moments(chances: tuple[float, float], frame: int | None, status: str) -> None:
    """Two moments 2.7 s apart that the scorer likes alike: the check's word is final, a close second is told."""
    activity = np.random.default_rng(0).uniform(0, 0.1, (220, 34, 60))
    activity[60:75, 12:22, 24:36] += 2.0
    activity[140:, 12:22, 24:36] += 2.0
    settings = snap.SnapSettings(check_threshold=0.3, check_sure=0.5)
    got = snap.find_snap(
        made(activity), scorer=lambda grid: peaked(len(grid), (60, 0.8), (140, 0.8)),
        checker=lambda rows: np.array(chances)[: len(rows)], settings=settings,
    )  # fmt: skip
    assert got.status == status
    assert got.frame is None if frame is None else got.frame is not None and abs(got.frame - frame) <= 2
    if chances == (0.8, 0.9):
        assert abs(got.evidence["second"]["frame"] - 60) <= 1 and "nearly as much" in got.reason


def test_the_best_moment_under_the_threshold_comes_as_faint_where_asked_for() -> None:
    activity = np.random.default_rng(0).uniform(0, 0.1, (220, 34, 60))
    activity[60:75, 12:22, 24:36] += 2.0
    activity[140:, 12:22, 24:36] += 2.0
    motion, settings = made(activity), snap.SnapSettings(check_threshold=0.3, faint=0.05)

    def found(chances: tuple[float, float], **more: Any) -> list[snap.Snap]:
        return snap.find_snaps(
            motion, scorer=lambda grid: peaked(len(grid), (60, 0.8), (140, 0.8)),
            checker=lambda rows: np.array(chances)[: len(rows)], settings=settings, **more,
        )  # fmt: skip

    (none,) = found((0.1, 0.2))
    assert none.status == "failed" and none.frame is None
    (faint,) = found((0.1, 0.2), faint=True)
    assert faint.status == "unsure" and faint.evidence["faint"] and "faint" in faint.reason
    assert faint.frame is not None and abs(faint.frame - 140) <= 2
    assert found((0.01, 0.02), faint=True)[0].frame is None
    assert "faint" not in found((0.1, 0.9), faint=True)[0].evidence
    assert found((0.1, 0.2), faint=True, shot=Shot(0, 100))[0].frame is None  # another piece's moment
