"""Bars across the five-yard lines, where a field has no ticks between them."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.field import Field
from pipeline.registration import solver, ticks

SIZE = (1280, 720)
CAMERAS = {
    "sideline": Camera(*SIZE, 4600.0, (60.0, -80.0, 48.0), 0.0, 24.0, 0.2, 0.0),
    "endzone": Camera(*SIZE, 6800.0, (-60.0, 19.0, 40.0), 90.0, 20.5, 0.2, 0.0),
}


def picture(camera: Camera, f: Field, bars: bool, seed: int = 0) -> np.ndarray:
    """Turf with yard lines and, asked for, bars of 2 ft by 4 in across them at the rows."""
    image = np.full((SIZE[1] * 4, SIZE[0] * 4), 90.0, np.float32)

    def paint(x0: float, x1: float, y0: float, y1: float) -> None:
        px = camera.ground_to_px(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
        cv2.fillPoly(image, [np.round((px + 0.5) * 4).astype(np.int32)], 190.0)

    for x in f.yard_lines:
        paint(x - f.line_width / 2, x + f.line_width / 2, 0.0, f.width)
        for y in f.hash_rows if bars else ():
            paint(x - f.hash_tick / 2, x + f.hash_tick / 2, y - f.line_width / 2, y + f.line_width / 2)
    small = cv2.GaussianBlur(cv2.resize(image, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.7)
    return np.asarray(small + np.random.default_rng(seed).normal(0, 3, small.shape), np.float32)


@pytest.mark.parametrize("view", ["sideline", "endzone"])
def test_bars_across_the_lines_are_a_row(view: str) -> None:
    f, camera = fields.load("high_school"), CAMERAS[view]
    grey = picture(camera, f, bars=True)
    x = camera.px_to_ground(np.array([[3.0, 3.0], [1276.0, 3.0], [3.0, 716.0], [1276.0, 716.0]]))[:, 0]
    rows = ticks.there(ticks.find(grey, solver.row_of(camera), (x.min(), x.max()), f, None, SIZE, 6.0))
    assert len(rows) == (2 if view == "sideline" else 1)
    for r in rows:
        assert r.bars and not len(r.low)
        y = camera.px_to_ground(r.px)[:, 1]
        assert np.median(np.abs(y - r.y)) < 0.08


@pytest.mark.parametrize("view", ["sideline", "endzone"])
@pytest.mark.parametrize("seed", range(4))
def test_lines_alone_are_none(view: str, seed: int) -> None:
    f, camera = fields.load("high_school"), CAMERAS[view]
    grey = picture(camera, f, bars=False, seed=seed)
    x = camera.px_to_ground(np.array([[3.0, 3.0], [1276.0, 3.0], [3.0, 716.0], [1276.0, 716.0]]))[:, 0]
    found = ticks.find(grey, solver.row_of(camera), (x.min(), x.max()), f, None, SIZE, 6.0)
    assert ticks.there(found) == []
