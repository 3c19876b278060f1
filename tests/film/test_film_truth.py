"""The truth of a rendered picture against the picture itself, measured with OpenCV."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from models.training.film.still import StillTruth, render_still
from models.training.playbook.play import Play
from tests.film.film_support import clean_look


def measured_ticks(picture: np.ndarray, truth: StillTruth, z: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """((K, 2) yards of hash ticks, (K, 2) px of their painted middle): brightness centroid around a first guess."""
    f, cam = truth.field, truth.camera
    grey = cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(np.float32)
    yards, found = [], []
    for row in f.hash_rows:
        for x in np.arange(f.end_zone + 1, f.length - f.end_zone, 1.0):
            if abs((x - f.end_zone) % 5) < 0.5 or abs((x - f.end_zone) % 5) > 4.5:
                continue
            guess = cam.project(np.array([x, row, z]))
            beside = cam.project(np.array([[x + 0.5, row, z], [x, row + f.hash_tick / 2, z]])) - guess
            r = np.maximum(np.abs(beside[0]) * 0.8, np.abs(beside[1]) + 4)
            if not np.isfinite(guess).all() or np.abs(beside[0]).max() < 5:
                continue
            lo, hi = np.floor(guess - r).astype(int), np.ceil(guess + r).astype(int) + 1
            if (lo < 0).any() or hi[0] > grey.shape[1] or hi[1] > grey.shape[0]:
                continue
            b = truth.full_box_px
            if (
                (lo[0] < b[:, 2] + 30) & (hi[0] > b[:, 0] - 30) & (lo[1] < b[:, 3] + 30) & (hi[1] > b[:, 1] - 30)
            ).any():
                continue
            patch = grey[lo[1] : hi[1], lo[0] : hi[0]]
            rim = np.concatenate([patch[0], patch[-1], patch[:, 0], patch[:, -1]])
            bright = np.clip(patch - np.median(rim) - 6, 0, None)
            count, _, stats, _ = cv2.connectedComponentsWithStats((bright > 0).astype(np.uint8), connectivity=8)
            if count != 2 or stats[1, 0] == 0 or stats[1, 1] == 0:
                continue
            y, x_px = np.mgrid[lo[1] : hi[1], lo[0] : hi[0]]
            yards.append((x, row))
            found.append((np.sum(bright * x_px) / bright.sum(), np.sum(bright * y) / bright.sum()))
    return np.array(yards).reshape(-1, 2), np.array(found).reshape(-1, 2)


@pytest.mark.parametrize(("view", "seed"), [("sideline", 3), ("sideline", 8), ("low", 4), ("endzone", 5)])
def test_camera_matches_the_paint(play: Play, view: str, seed: int) -> None:
    """Painted ticks lie where the camera of the truth says, lens term included: within 0.3 px (OpenCV centroids)."""
    look = clean_look(seed, view)
    picture, truth = render_still(play, 0, look, (1280, 720))
    yards, found = measured_ticks(picture, truth)
    assert len(found) >= 8
    error = np.linalg.norm(truth.camera.ground_to_px(yards) - found, axis=1)
    assert np.median(error) < 0.15
    assert np.percentile(error, 90) < 0.3


def test_homography_of_the_paint_agrees_with_the_camera(play: Play) -> None:
    """OpenCV's homography through the measured, undistorted ticks equals the camera's own to 0.05 yd in view."""
    picture, truth = render_still(play, 0, clean_look(3, "sideline"), (1280, 720))
    yards, found = measured_ticks(picture, truth)
    h, _ = cv2.findHomography(truth.camera.undistort_px(found), yards, 0)
    px = np.array([[[300.0, 300.0], [640.0, 360.0], [1000.0, 450.0]]])
    ours = truth.camera.px_to_ground(truth.camera.distort_px(px[0]))
    assert np.abs(cv2.perspectiveTransform(px, h)[0] - ours).max() < 0.06


def test_crown_moves_the_paint_as_the_truth_says(play: Play) -> None:
    """With a crown the ticks stand on the raised ground, and not on the flat plane."""
    look = clean_look(3, "sideline", crown_yd=0.3)
    picture, truth = render_still(play, 0, look, (1280, 720))
    z = float(look.ground_z(truth.field.hash_rows[0]))
    yards, found = measured_ticks(picture, truth, z)
    raised = truth.camera.project(np.concatenate([yards, np.full((len(yards), 1), z)], 1))
    error = np.linalg.norm(raised - found, axis=1)
    flat = np.linalg.norm(truth.camera.ground_to_px(yards) - found, axis=1)
    assert len(found) >= 8 and np.percentile(error, 95) < 0.3 < np.median(flat)


def test_boxes_hold_the_people(play: Play) -> None:
    """Visible boxes lie in whole boxes, ground points at their lower end, heads at their upper end."""
    k = play.snap_index or 0
    _, t = render_still(play, k, clean_look(3, "sideline"), (1280, 720))
    who = t.role == 0
    assert who.sum() == 22
    seen = np.isfinite(t.box_px[:, 0])
    assert (t.box_px[seen, :2] >= t.full_box_px[seen, :2] - 1.5).all() and (
        t.box_px[seen, 2:] <= t.full_box_px[seen, 2:] + 1.5
    ).all()
    height = t.full_box_px[who, 3] - t.full_box_px[who, 1]
    assert (np.abs(t.ground_px[who, 1] - t.full_box_px[who, 3]) < 0.3 * height).all()
    assert (t.head_px[who] >= t.full_box_px[who, :2]).all() and (t.head_px[who] <= t.full_box_px[who, 2:]).all()
    assert (t.visible[who] > 0.1).all() and np.median(t.visible[who]) > 0.8
    alone = [i for i in np.flatnonzero(who) if t.visible[i] > 0.985]
    assert len(alone) >= 4
    assert np.abs(t.box_px[alone] - t.full_box_px[alone]).max() < 3.5


def test_people_are_drawn_where_the_boxes_are(play: Play) -> None:
    """Without people the same look gives another picture inside the boxes and the same one far from them."""
    look = clean_look(6, "sideline")
    look = replace(look, venue=replace(look.venue, bench_people=0))
    k = play.snap_index or 0
    a, t = render_still(play, k, look, (1280, 720))
    away = play.xy_yd.copy()
    away[k] += 300.0
    b, _ = render_still(replace(play, xy_yd=away), k, look, (1280, 720))
    change = np.abs(a.astype(int) - b).max(2) > 25
    for box in t.box_px[(t.role == 0) & (t.visible > 0.9) & t.in_picture & ~t.cut]:
        left, top, right, bottom = box.round().astype(int)
        assert change[top:bottom, left:right].mean() > 0.15


def test_bars_hide_people(play: Play) -> None:
    """Letterbox bars cut the boxes."""
    look = clean_look(3, "low")
    look = replace(look, lens=replace(look.lens, letterbox=0.12))
    picture, t = render_still(play, play.snap_index or 0, look, (852, 480))
    bar = round(0.12 * 480)
    assert picture[:bar].max() < 10 and picture[480 - bar :].max() < 10
    seen = np.isfinite(t.box_px[:, 0])
    assert (t.box_px[seen, 1] >= bar - 1).all() and (t.box_px[seen, 3] <= 480 - bar + 1).all()
