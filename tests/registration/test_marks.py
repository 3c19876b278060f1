"""Reading the marks network's answer."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.training import quick_field
from pipeline import field as fields
from pipeline.errors import ShapeError
from pipeline.registration import layout, marks, solver, start, start_lines
from tests.registration.ideal import IdealMarks, box_of

SIZE = (1280, 720)


@given(st.floats(-1.2, 1.2), st.floats(-8, 8))
def test_ridges_are_found_to_a_fraction_of_a_cell(angle: float, shift: float) -> None:
    y, x = np.mgrid[0:80, 0:100].astype(float)
    n = np.array([np.cos(angle), np.sin(angle)])
    d = (x - 50) * n[0] + (y - 40) * n[1] - shift
    points = marks.ridge_points(np.exp(-0.5 * d**2).astype(np.float32), 1000)
    assert len(points) > 30
    off = (points[:, 0] - 50) * n[0] + (points[:, 1] - 40) * n[1] - shift
    assert np.abs(off).max() < 0.12
    assert np.abs(points[:, 2:4] @ n).min() > 0.99


@given(st.floats(20, 60), st.floats(20, 60))
def test_peaks_are_found_to_a_fraction_of_a_cell(cx: float, cy: float) -> None:
    y, x = np.mgrid[0:80, 0:80].astype(float)
    got = marks.peaks(np.exp(-0.5 * (((x - cx) / 1.5) ** 2 + ((y - cy) / 2) ** 2)).astype(np.float32), 0.3)
    assert len(got) == 1
    assert got[0, :2] == pytest.approx([cx, cy], abs=0.1)


def test_letterbox_maps_there_and_back() -> None:
    for h, w in ((720, 1280), (480, 852), (1080, 1920), (600, 800)):
        _, box = layout.letterbox(np.zeros((h, w, 3), np.uint8))
        px = np.array([[0.0, 0.0], [w - 1.0, h - 1.0], [12.3, 45.6]])
        assert box.to_picture(box.to_input(px)) == pytest.approx(px, abs=1e-9)
        assert (box.to_input(px) < layout.INPUT_HW[::-1]).all()


def test_wrong_network_answer_is_named() -> None:
    box = layout.Letterbox(0.75, 0, 2)
    with pytest.raises(ShapeError, match="expected"):
        marks.decode(np.zeros((3, *layout.GRID_HW), np.float32), np.zeros(6, np.float32), box, SIZE)


def decoded(seed: int, view: str, level: str, low: bool = False):  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    f = fields.load(level)
    cam = quick_field.random_camera(rng, f, view, low)
    net = IdealMarks(cam, f, view, rng, 0.02)
    maps, kinds = net(np.zeros(0, np.float32))
    return cam, f, marks.decode(maps[0], kinds[0], box_of(cam), SIZE)


CASES = [(s, "sideline", "professional", False) for s in range(4)] + [
    (11, "sideline", "college", False), (12, "sideline", "canadian", True), (13, "endzone", "professional", False),
    (14, "endzone", "professional", False), (15, "sideline", "high_school", True),
]  # fmt: skip


def worst_error(cam, row, f) -> float:  # type: ignore[no-untyped-def]
    px = np.stack(np.meshgrid(np.linspace(60, 1220, 9), np.linspace(60, 660, 7)), -1).reshape(-1, 2)
    truth = cam.px_to_ground(px)
    ok = np.isfinite(truth).all(1) & (truth[:, 1] > 5) & (truth[:, 1] < f.width - 5)
    error = solver.unproject(row[None], px[ok], SIZE)[0] - truth[ok]
    error[:, 0] -= 5 * np.round(np.median(error[:, 0]) / 5)
    return float(np.median(np.linalg.norm(error, axis=1)))


@pytest.mark.parametrize("case", CASES)
def test_dense_answers_start_the_fit(case: tuple[int, str, str, bool]) -> None:
    cam, f, found = decoded(case[0], case[1], case[2], case[3])
    rows, agree = start.from_dense(found, f, case[1])
    assert agree > 0.6
    assert min(worst_error(cam, r, f) for r in rows) < 1.0


@pytest.mark.parametrize("case", CASES)
def test_whole_lines_start_the_fit(case: tuple[int, str, str, bool]) -> None:
    cam, f, found = decoded(case[0], case[1], case[2], case[3])
    rows = start_lines.from_lines(found, f, case[1])
    assert len(rows)
    assert min(worst_error(cam, r, f) for r in rows) < 1.5


@pytest.mark.parametrize("missing", [1, 3])
def test_missed_lines_keep_their_place(missing: int) -> None:
    # Evenly spaced lines under perspective: 1 / (t - t_infinity) is an arithmetic progression (cross ratio).
    k = np.arange(8.0)
    t = 900 - 4000 / (k + 4.0)
    keep = k != missing
    places, _ = start_lines.number_lines(t[keep], np.ones(7), [900.0, np.inf])[0]
    assert list(places) == [v for v in range(8) if v != missing]
