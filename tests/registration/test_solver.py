"""The solver against the Camera record, OpenCV and known cameras."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.training import quick_field
from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.registration import solve, solver, start

SIZE = (1280, 720)


def cameras(seed: int, view: str = "sideline") -> Camera:
    return quick_field.random_camera(np.random.default_rng(seed), fields.load("college"), view)


@given(st.integers(0, 2**31), st.sampled_from(["sideline", "endzone"]))
def test_same_projection_as_the_camera_record(seed: int, view: str) -> None:
    cam = cameras(seed, view)
    row = solver.row_of(cam)[None]
    px = np.random.default_rng(seed).uniform((0, 200), (1279, 719), (20, 2))
    ground = cam.px_to_ground(px)
    assert solver.unproject(row, px, SIZE)[0] == pytest.approx(ground, abs=1e-5)
    assert solver.project(row, ground, SIZE)[0] == pytest.approx(px, abs=1e-3)
    back = solver.camera_of(row[0], SIZE)
    assert back.ground_to_px(ground) == pytest.approx(px, abs=1e-3)


@given(st.integers(0, 2**31))
def test_projection_agrees_with_opencv(seed: int) -> None:
    # Reference: cv2.projectPoints; its k1 counts r in focal lengths, ours in half picture widths.
    cam = cameras(seed)
    px = np.random.default_rng(seed).uniform((0, 100), (1279, 719), (12, 2))
    ground = cam.px_to_ground(px)
    points = np.concatenate([ground, np.zeros((len(ground), 1))], 1)
    rotation = cam.rotation
    k = np.array([[cam.focal_px, 0, cam.center_px[0]], [0, cam.focal_px, cam.center_px[1]], [0, 0, 1.0]])
    k1 = cam.k1 * (cam.focal_px / (cam.width_px / 2)) ** 2
    got, _ = cv2.projectPoints(
        points, cv2.Rodrigues(rotation)[0], -rotation @ np.asarray(cam.position_yd), k, np.array([k1, 0, 0, 0, 0])
    )
    assert got.reshape(-1, 2) == pytest.approx(px, abs=1e-3)


@given(st.integers(0, 2**31))
def test_homography_agrees_with_opencv(seed: int) -> None:
    # Reference: cv2.findHomography on exact correspondences without the lens term.
    cam = cameras(seed)
    cam = Camera(*SIZE, cam.focal_px, cam.position_yd, cam.pan_deg, cam.tilt_deg, cam.roll_deg, 0.0)
    px = np.array([[100.0, 150], [1200, 150], [1200, 700], [100, 700], [640, 400]])
    want, _ = cv2.findHomography(cam.px_to_ground(px), px)
    have = cam.yd_to_px / cam.yd_to_px[2, 2]
    probe = cam.px_to_ground(np.array([[400.0, 300], [900, 600]]))
    for h in (np.asarray(want), have):
        q = np.concatenate([probe, np.ones((2, 1))], 1) @ h.T
        assert q[:, :2] / q[:, 2:] == pytest.approx(np.array([[400.0, 300], [900, 600]]), abs=1e-2)


@given(st.integers(0, 2**31))
def test_pose_of_a_homography(seed: int) -> None:
    # The focal length given, the pose must come out as it went in (as cv2.decomposeHomographyMat would, up to sign).
    cam = cameras(seed)
    row = start.pose(cam.yd_to_px, cam.focal_px / cam.width_px, SIZE)
    assert row is not None
    assert row[:7] == pytest.approx(solver.row_of(cam)[:7], rel=1e-5, abs=1e-5)


def test_pose_agrees_with_solvepnp() -> None:
    # Reference: cv2.solvePnP (iterative) on coplanar points.
    cam = cameras(5)
    px = np.array([[200.0, 200], [1100, 220], [1000, 650], [150, 600], [640, 420], [800, 300]])
    flat = Camera(*SIZE, cam.focal_px, cam.position_yd, cam.pan_deg, cam.tilt_deg, cam.roll_deg, 0.0)
    ground = np.concatenate([flat.px_to_ground(px), np.zeros((6, 1))], 1)
    k = np.array([[cam.focal_px, 0, cam.center_px[0]], [0, cam.focal_px, cam.center_px[1]], [0, 0, 1.0]])
    found, turn, shift = cv2.solvePnP(ground, px, k, None, flags=cv2.SOLVEPNP_ITERATIVE)
    rotation = cv2.Rodrigues(turn)[0]
    assert found
    assert (-rotation.T @ shift).ravel() == pytest.approx(np.array(cam.position_yd), abs=0.05)
    row = start.pose(flat.yd_to_px, cam.focal_px / cam.width_px, SIZE)
    assert row is not None
    assert row[4:7] == pytest.approx((-rotation.T @ shift).ravel(), abs=0.05)


def sightings(cam: Camera, rng: np.random.Generator, noise_px: float, f: fields.Field) -> solve.Observed:
    parts = []
    for x in f.yard_lines:
        y = np.linspace(3, f.width - 3, 30)
        parts.append((np.stack([np.full(30, x), y], 1), 0, 0.0))
    for y0 in f.hash_rows:
        x = np.linspace(f.end_zone, f.length - f.end_zone, 90)
        parts.append((np.stack([x, np.full(90, y0)], 1), 1, y0))
    out = []
    for xy, along, value in parts:
        px = cam.ground_to_px(xy)
        px = px[(px > 0).all(1) & (px < SIZE).all(1)]
        if len(px):
            out.append(solve.lines(px + rng.normal(0, noise_px, px.shape), along, value, 0.6, 1e9))
    return solve.Observed.join(out)


@pytest.mark.parametrize("view", ["sideline", "endzone"])
@pytest.mark.parametrize("seed", range(6))
def test_fit_recovers_the_view_from_lines(seed: int, view: str) -> None:
    rng = np.random.default_rng(seed)
    f = fields.load("professional")
    cam = quick_field.random_camera(rng, f, view)
    seen = sightings(cam, rng, 0.4, f)
    row = solver.row_of(cam)
    row[1:3] += rng.normal(0, 0.004, 2)
    row[0] += 0.02
    rows, _ = solve.fit(row[None], seen, start.prior(view, f), SIZE, rounds=4, wide=True)
    px = np.stack(np.meshgrid(np.linspace(100, 1180, 7), np.linspace(100, 620, 5)), -1).reshape(-1, 2)
    truth = cam.px_to_ground(px)
    ok = np.isfinite(truth).all(1) & (truth[:, 1] > 8) & (truth[:, 1] < f.width - 8)
    error = solver.unproject(rows, px[ok], SIZE)[0] - truth[ok]
    error[:, 0] -= 5 * np.round(np.median(error[:, 0]) / 5)
    assert np.median(np.linalg.norm(error, axis=1)) < 0.12


def test_outliers_do_not_pull_the_fit() -> None:
    rng = np.random.default_rng(3)
    f = fields.load("professional")
    cam = quick_field.random_camera(rng, f, "sideline")
    seen = sightings(cam, rng, 0.3, f)
    junk = rng.random(len(seen)) < 0.2
    px = seen.px.copy()
    px[junk] = rng.uniform((0, 0), SIZE, (int(junk.sum()), 2))
    seen = solve.Observed(px, seen.along, seen.value, seen.sd, seen.weight)
    rows, _ = solve.fit(solver.row_of(cam)[None], seen, start.prior("sideline", f), SIZE)
    mid = np.array([[640.0, 360.0]])
    assert np.linalg.norm(solver.unproject(rows, mid, SIZE)[0] - cam.px_to_ground(mid)) < 0.15


def test_covariance_tells_the_spread_of_repeated_fits() -> None:
    f = fields.load("professional")
    cam = quick_field.random_camera(np.random.default_rng(8), f, "sideline")
    prior = start.prior("sideline", f)
    at = np.array([[640.0, 360.0]])
    found, told = [], []
    for seed in range(24):
        seen = sightings(cam, np.random.default_rng(seed), 0.6, f)
        rows, _ = solve.fit(solver.row_of(cam)[None], seen, prior, SIZE, rounds=2)
        s, _ = solve.assign(rows, seen, SIZE)
        cov = solver.covariance(rows[0], s, prior, SIZE)
        moved = np.repeat(rows, 9, 0)
        moved[1:] += np.diag(solver.STEPS)
        g = solver.unproject(moved, at, SIZE)[:, 0]
        jac = (g[1:] - g[0]) / solver.STEPS[:, None]
        told.append(np.sqrt(np.trace(jac.T @ cov @ jac)))
        found.append(g[0])
    spread = np.sqrt(np.var(np.array(found), 0).sum())
    assert 0.5 < spread / np.mean(told) < 1.8


@pytest.mark.parametrize("view", ["sideline", "endzone"])
def test_the_derivatives_of_a_projection_are_those_of_small_steps(view: str) -> None:
    """Against central differences of Camera.project itself, not of the solver's own projection."""
    camera = {
        "sideline": Camera(1280, 720, 4000.0, (61.0, -70.0, 42.0), -7.0, 20.0, 0.7, 0.02),
        "endzone": Camera(1280, 720, 8000.0, (-60.0, 27.5, 38.0), 89.0, 18.0, -0.4, 0.009),
    }[view]
    row, size = solver.row_of(camera), (1280, 720)
    xy = camera.px_to_ground(np.random.default_rng(3).uniform((0, 200), (1279, 719), (40, 2)))
    px, move = solver.jacobian(row[None], xy[None], size)

    def seen(r: np.ndarray) -> np.ndarray:
        return solver.camera_of(r, size).ground_to_px(xy)

    assert np.allclose(px[0], seen(row), atol=1e-6)
    for i, step in enumerate(solver.STEPS):
        e = np.eye(8)[i] * step
        small = (seen(row + e) - seen(row - e)) / (2 * step)
        assert np.allclose(move[0, i], small, rtol=1e-4, atol=1e-3 * np.abs(small).max())


def test_behind_the_camera_and_far_out_nothing_moves_that_is_held() -> None:
    row = solver.row_of(Camera(1280, 720, 1000.0, (60.0, -20.0, 10.0), 0.0, 10.0, 0.0, 0.02))
    xy = np.array([[60.0, -60.0], [600.0, 0.0], [61.0, 20.0]])
    px, move = solver.jacobian(row[None], xy[None], (1280, 720))
    assert np.isfinite(move).all() and np.isfinite(px).all()
    assert np.allclose(px, solver.project(row[None], xy, (1280, 720)))
    half = 640.0
    assert np.allclose(move[0, 7, 1], (px[0, 1] - (639.5, 359.5)) / half / (1 + 0.02 * 4.0) * 4.0 * half)
