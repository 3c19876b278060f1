"""Absolute x from readings, goal lines and end zones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import field as fields
from pipeline.registration import marks, numbers, solve, solver
from tests.registration.test_marks import SIZE, decoded

RNG_LEVELS = ["professional", "canadian"]


def readings(
    f: fields.Field, shift: float, places: list[tuple[float, bool]], arrows: bool = True
) -> numbers.Readings:
    """Perfect readings at places (true x, far) for a camera whose x is off by -shift."""
    tens, arrow = np.full((len(places), 6), 0.004), np.full((len(places), 3), 0.01)
    for i, (x, far) in enumerate(places):
        number = f.number_at(x) or 0
        tens[i, number // 10] = 0.98
        toward = np.sign(x - f.length / 2) * (-1 if far else 1) if number and arrows else 0
        arrow[i, {0: 0, 1: 2, -1: 1}[int(toward)]] = 0.98
    x = np.array([p[0] - shift for p in places])
    return numbers.Readings(x, np.array([p[1] for p in places]), tens, arrow)


def off_by(cam, shift: float):  # type: ignore[no-untyped-def]
    row = solver.row_of(cam)
    row[4] -= shift
    return row


@pytest.mark.parametrize("level", RNG_LEVELS)
@pytest.mark.parametrize("shift", [-25.0, 0.0, 10.0, 35.0])
def test_two_numbers_fix_the_place(level: str, shift: float) -> None:
    cam, f, found = decoded(21, "sideline", level)
    mid = 10 * round(float(cam.px_to_ground(np.array([[640.0, 360.0]]))[0, 0]) / 10)
    r = readings(f, shift, [(mid - 10, False), (mid - 5, False), (mid, False), (mid, True), (mid + 10, True)])
    place = numbers.locate(off_by(cam, shift), found, r, f, "sideline")
    best, probability = place.best()
    assert best == shift
    assert probability > numbers.KNOWN
    assert place.witnessed


def test_without_numbers_nothing_is_known() -> None:
    cam, f, found = decoded(22, "sideline", "professional")
    mid = float(cam.px_to_ground(np.array([[640.0, 360.0]]))[0, 0])
    assert 30 < mid < 90  # no goal line in the picture
    place = numbers.locate(solver.row_of(cam), found, readings(f, 0, []), f, "sideline")
    assert not place.witnessed


def middle(cam) -> float:  # type: ignore[no-untyped-def]
    return float(cam.px_to_ground(np.array([[640.0, 360.0]]))[0, 0])


def test_one_number_without_arrow_leaves_two_places() -> None:
    seed = next(s for s in range(100) if 46 < middle(decoded(s, "sideline", "professional")[0]) < 54)
    cam, f, found = decoded(seed, "sideline", "professional")
    place = numbers.locate(solver.row_of(cam), found, readings(f, 0, [(50.0, False)], arrows=False), f, "sideline")
    p = dict(zip(place.shifts, place.log_weight, strict=True))
    # A 40 stands at x = 50 and at x = 70: only where the camera stands tells them apart, and that is no proof.
    assert abs(p[0.0] - p[20.0]) < 6
    assert place.best()[1] < 0.999


def test_patches_lie_on_numbers_and_read_upright() -> None:
    # The patch of the far row turns with its digits (painted to be read from the nearest sideline).
    cam, f, _ = decoded(24, "sideline", "professional")
    row = solver.row_of(cam)
    x, far, grids = numbers.patch_places(row, f, SIZE)
    assert len(x) >= 2
    for xi, is_far, grid in zip(x, far, grids, strict=True):
        mid = cam.px_to_ground(grid.mean((0, 1))[None])[0]
        assert mid == pytest.approx([xi, f.number_rows[int(is_far)]], abs=0.2)
        top, bottom = cam.px_to_ground(grid[0, 48][None])[0, 1], cam.px_to_ground(grid[-1, 48][None])[0, 1]
        assert (top - bottom) * (-1 if is_far else 1) > 2.5


def test_rows_follow_what_was_seen() -> None:
    cam, f, found = decoded(20, "sideline", "college")
    moved = {}
    for name, y in zip(("near_number", "far_number"), f.number_rows, strict=True):
        px = cam.ground_to_px(np.array([[50.0, y + 1.5], [60.0, y + 1.5], [70.0, y + 1.5]]))
        moved[name] = np.concatenate([px, np.ones((3, 1))], 1)
    seen: marks.Marks = replace(found, number=moved)
    near, far = numbers.number_rows(solver.row_of(cam), f, seen)
    assert near == pytest.approx(f.number_rows[0] + 1.5, abs=0.05)
    assert far == pytest.approx(f.number_rows[1] + 1.5, abs=0.05)
    faint = {n: p * (1, 1, 0.4) for n, p in moved.items()}
    assert numbers.number_rows(solver.row_of(cam), f, replace(found, number=faint)) == f.number_rows


def test_numbers_cut_by_the_edge_tell_no_place() -> None:
    _, f, found = decoded(20, "sideline", "college")
    w, h = found.size
    at = np.array([[w / 2, h / 2], [3.0, h / 2], [w / 2, h - 4.0], [w / 2 + 40, h / 2]])
    seen = replace(found, number={n: np.concatenate([at, [[0.9], [0.9], [0.9], [0.5]]], 1) for n in found.number})
    assert solve.whole_numbers(seen, "near_number", f).tolist() == [True, False, False, False]


def test_a_number_seen_as_two_humps_counts_once() -> None:
    _, f, found = decoded(20, "sideline", "college")
    w, h = found.size
    at = np.array([[w / 2, h / 2, 0.9], [w / 2 + 6, h / 2, 0.9], [w / 2 + 300, h / 2, 0.9]])
    seen = solve.of_marks(replace(found, number={"near_number": at, "far_number": at[:0]}), f)
    assert seen.weight[seen.along == 2].tolist() == pytest.approx([0.5, 0.5, 1.0])
