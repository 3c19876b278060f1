"""A picture registered end to end, with stand-ins for the networks and with the shipped ones."""

from __future__ import annotations

import numpy as np
import pytest

from models.training import quick_field
from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.errors import ShapeError, UsageError
from pipeline.records import People
from pipeline.registration import Registrar
from tests.registration.ideal import IdealMarks, SilentNumbers


def people(boxes: np.ndarray, size: tuple[int, int]) -> People:
    n = len(boxes)
    zero = np.zeros((n, 2), np.float32)
    return People(*size, boxes.astype(np.float32), np.zeros(n, np.int64), np.ones(n, np.float32), zero, zero,
                  np.zeros(n, bool), np.zeros((n, 1), np.float32))  # fmt: skip


def error_yd(true: Camera, got: Camera, f: fields.Field) -> float:
    px = np.stack(np.meshgrid(np.linspace(80, 1200, 9), np.linspace(80, 640, 7)), -1).reshape(-1, 2)
    want = true.px_to_ground(px)
    ok = np.isfinite(want).all(1) & (want[:, 1] > 6) & (want[:, 1] < f.width - 6)
    d = got.px_to_ground(px[ok]) - want[ok]
    d[:, 0] -= 5 * np.round(np.median(d[:, 0]) / 5)
    return float(np.median(np.linalg.norm(d, axis=1)))


@pytest.mark.parametrize(
    ("seed", "level", "view", "low"),
    [(1, "professional", "sideline", False), (2, "college", "sideline", False), (3, "canadian", "sideline", True),
     (4, "professional", "endzone", False), (5, "high_school", "sideline", False)],
)  # fmt: skip
def test_painted_picture_with_noisy_marks(seed: int, level: str, view: str, low: bool) -> None:
    rng = np.random.default_rng(seed)
    image, truth = quick_field.draw(rng, level, view, low)
    net = IdealMarks(truth.camera, truth.field, view, rng, 0.04)
    registrar = Registrar(marks_network=net, numbers_network=SilentNumbers())
    r = registrar.register(image, people(truth.box_px, (1280, 720)))
    assert r.status == "ok", r.reason
    assert (r.view, r.level) == (view, level)
    assert r.camera is not None
    assert error_yd(truth.camera, r.camera, truth.field) < 0.2
    assert r.error_yd < 0.5
    assert not r.absolute_x_known or r.evidence["shift_probability"] > 0.98


def test_hint_gives_the_same_answer() -> None:
    rng = np.random.default_rng(6)
    image, truth = quick_field.draw(rng, "professional", "sideline")
    net = IdealMarks(truth.camera, truth.field, "sideline", rng, 0.03)
    registrar = Registrar("professional", marks_network=net, numbers_network=SilentNumbers())
    r = registrar.register(image, hint=truth.camera)
    assert r.camera is not None
    assert error_yd(truth.camera, r.camera, truth.field) < 0.2


def test_a_picture_without_a_field_fails_with_a_reason() -> None:
    noise = np.random.default_rng(0).integers(0, 255, (720, 1280, 3), dtype=np.uint8)
    r = Registrar().register(noise)
    assert r.status in ("failed", "abstained")
    assert r.camera is None
    assert r.reason


@pytest.mark.parametrize("value", [0, 128])
def test_a_plain_picture_fails_with_a_reason(value: int) -> None:
    r = Registrar().register(np.full((480, 852, 3), value, np.uint8))
    assert r.status in ("failed", "abstained")
    assert r.reason


def test_wrong_input_is_named() -> None:
    with pytest.raises(UsageError, match="Unknown view"):
        Registrar(view="above")
    with pytest.raises(UsageError, match="Unknown field level"):
        Registrar("indoor")
    with pytest.raises(ShapeError, match="expected"):
        Registrar(marks_network=SilentNumbers(), numbers_network=SilentNumbers()).register(np.zeros((4, 4), np.uint8))


def test_shipped_networks_on_pictures_of_another_renderer() -> None:
    """The shipped networks never saw this rasteriser: most pictures must be registered, well and honestly."""
    good = wrong = 0
    registrar = Registrar("professional", "sideline")
    for seed in range(6):
        image, truth = quick_field.draw(np.random.default_rng(100 + seed), "professional", "sideline")
        r = registrar.register(image, people(truth.box_px, (1280, 720)))
        if r.status == "ok" and r.camera is not None:
            error = error_yd(truth.camera, r.camera, truth.field)
            good += error < 0.5
            wrong += error > 1.0
    assert good >= 4
    assert wrong == 0
