"""Registrations of one shot made to agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.errors import ShapeError
from pipeline.records import Registration
from pipeline.registration import over_time

F = fields.load("professional")
BASE = Camera(1280, 720, 5000.0, (58.0, -85.0, 50.0), 3.0, 24.0, 0.2, 0.018)
SHIFTS = np.arange(-40.0, 45.0, 5.0)


def cameras(n: int, pan_step: float = 0.0, zoom: float = 1.0) -> list[Camera]:
    return [replace(BASE, pan_deg=BASE.pan_deg + pan_step * i, focal_px=BASE.focal_px * zoom**i) for i in range(n)]


def to_first(cams: list[Camera]) -> list[np.ndarray]:
    """Homography of the picture between each camera and the first, fitted as film would (lens term left in)."""
    import cv2

    grid = np.stack(np.meshgrid(np.linspace(0, 1279, 12), np.linspace(60, 719, 8)), -1).reshape(-1, 2)
    out = []
    for c in cams:
        back = cams[0].ground_to_px(c.px_to_ground(grid))
        out.append(np.asarray(cv2.findHomography(grid, back)[0], float))
    return out


def registration(cam: Camera, shift: float = 0.0, strength: float = 6.0, true_shift: float = 0.0) -> Registration:
    """A registration whose camera is off by shift (multiple of 5); the evidence favours what true_shift says."""
    weight = -strength * (np.abs(SHIFTS - (-shift + true_shift)) > 0.1)
    evidence = {
        "shifts": SHIFTS.tolist(), "shift_log_weight": weight.tolist(), "shift": 0.0,
        "numbers": [(50.0, False, 5, 0.9, 0)],
    }  # fmt: skip
    return Registration("ok", cam.shifted(shift), "sideline", "professional", False, 0.3, 0.15, "", evidence)


def error_yd(true: Camera, got: Camera) -> float:
    px = np.stack(np.meshgrid(np.linspace(80, 1200, 9), np.linspace(150, 640, 7)), -1).reshape(-1, 2)
    return float(np.median(np.linalg.norm(got.px_to_ground(px) - true.px_to_ground(px), axis=1)))


def test_frames_that_locked_elsewhere_are_brought_together() -> None:
    cams = cameras(6, 0.25)
    off = [0.0, 5.0, 0.0, -10.0, 0.0, 0.0]
    regs = [registration(c, s) for c, s in zip(cams, off, strict=True)]
    out = over_time(list(range(0, 60, 10)), regs, to_first(cams))
    for c, r in zip(cams, out, strict=True):
        assert r.camera is not None
        assert error_yd(c, r.camera) < 0.15
        assert r.absolute_x_known


def test_a_frame_that_failed_takes_its_neighbours_word() -> None:
    cams = cameras(5, 0.3, 1.01)
    regs = [registration(c) for c in cams]
    regs[2] = Registration("failed", None, "sideline", "professional", reason="no lines of the field found")
    out = over_time([0, 15, 30, 45, 60], regs, to_first(cams))
    assert out[2].status == "ok"
    assert out[2].camera is not None
    assert error_yd(cams[2], out[2].camera) < 0.3
    assert out[2].evidence["carried"]


def test_a_frame_with_a_wrong_view_is_outvoted() -> None:
    cams = cameras(6)
    regs = [registration(c) for c in cams]
    wrong = replace(cams[3], tilt_deg=cams[3].tilt_deg + 1.2, position_yd=(58.0, -75.0, 50.0))
    regs[3] = registration(wrong)
    out = over_time(list(range(6)), regs, to_first(cams))
    assert out[3].camera is not None
    assert error_yd(cams[3], out[3].camera) < 0.3


def test_noise_is_averaged_while_the_camera_stands() -> None:
    rng = np.random.default_rng(4)
    cams = cameras(8)
    regs = []
    for c in cams:
        noisy = replace(c, pan_deg=c.pan_deg + rng.normal(0, 0.1), tilt_deg=c.tilt_deg + rng.normal(0, 0.05))
        regs.append(registration(noisy))
    out = over_time(list(range(0, 80, 10)), regs, to_first(cams))
    before = np.mean([error_yd(c, r.camera) for c, r in zip(cams, regs, strict=True) if r.camera])
    after = np.mean([error_yd(c, r.camera) for c, r in zip(cams, out, strict=True) if r.camera])
    assert after < 0.6 * before


def test_weak_evidence_adds_up_but_none_stays_unknown() -> None:
    cams = cameras(4)
    weak = [registration(c, strength=2.5) for c in cams]
    assert all(r.absolute_x_known for r in over_time(range(4), weak, to_first(cams)))
    none = [registration(c, strength=0.0) for c in cams]
    assert not any(r.absolute_x_known for r in over_time(range(4), none, to_first(cams)))


def test_nothing_usable_stays_as_it_is() -> None:
    regs = [Registration("failed", None, "sideline", "professional", reason="no field in the picture")] * 3
    assert over_time([0, 1, 2], regs, [np.eye(3)] * 3) == regs


def test_counts_must_agree() -> None:
    with pytest.raises(ShapeError, match="equal counts"):
        over_time([0], [], [])
