"""Pictures: what is marked where, and colours that differ in lightness as well as in hue."""

from __future__ import annotations

from itertools import combinations

import cv2
import numpy as np
import pytest

from pipeline import diagram, pictures
from pipeline.records import Registration
from tests import program_support as support


def lightness(bgr: tuple[int, int, int]) -> float:
    """CIE L*, 0 to 100, by OpenCV's conversion (CIE 1976, D65)."""
    pixel = np.float32([[bgr]]) / 255
    return float(cv2.cvtColor(pixel, cv2.COLOR_BGR2Lab)[0, 0, 0])


def test_sides_and_marks_differ_in_lightness() -> None:
    # Told apart without hue, so with any colour vision; 20 of L* is five times what the eye just notices.
    assert abs(lightness(diagram.COLOURS["offense"]) - lightness(diagram.COLOURS["defense"])) > 30
    assert abs(lightness(diagram.DEEP) - lightness(diagram.RUSH)) > 20
    assert abs(lightness(diagram.PAPER) - lightness(diagram.INK)) > 60


def dichromat(bgr: tuple[int, int, int], kind: str) -> np.ndarray:
    """The colour as a dichromat sees it, in CIE Lab: G. Machado et al., 2009, severity 1.0 (matrices from memory)."""
    matrix = {
        "protan": [[0.152, 1.053, -0.205], [0.115, 0.786, 0.099], [-0.004, -0.048, 1.052]],
        "deutan": [[0.367, 0.861, -0.228], [0.280, 0.673, 0.047], [-0.012, 0.043, 0.969]],
        "tritan": [[1.256, -0.077, -0.179], [-0.078, 0.931, 0.148], [0.005, 0.691, 0.304]],
    }[kind]
    srgb = np.array(bgr[::-1], float) / 255
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    seen = np.clip(np.array(matrix) @ linear, 0, 1)
    back = np.where(seen <= 0.0031308, seen * 12.92, 1.055 * seen ** (1 / 2.4) - 0.055)
    return cv2.cvtColor(np.float32([[back]]), cv2.COLOR_RGB2Lab)[0, 0]


@pytest.mark.parametrize("kind", ["protan", "deutan", "tritan"])
def test_colours_stay_apart_for_the_colour_blind(kind: str) -> None:
    colours = [diagram.COLOURS["offense"], diagram.COLOURS["defense"], diagram.COLOURS["official"], diagram.DEEP]
    for a, b in combinations(colours, 2):
        assert np.linalg.norm(dichromat(a, kind) - dichromat(b, kind)) > 20


def test_still_picture_draws_the_field_where_the_camera_says() -> None:
    image = np.full((support.HEIGHT, support.WIDTH, 3), (70, 130, 80), np.uint8)
    ok = Registration("ok", support.CAMERA, "sideline", "college", True, 0.4, 0.1)
    people = support.people()
    sides, everybody = ["unknown"] * len(people), np.ones(len(people), bool)
    off = Registration("abstained", None, "sideline", "college", reason="no lines")

    def shown(registration: Registration) -> np.ndarray:
        data = pictures.still_picture(image, people, sides, everybody, registration, width_px=640, quality=95)
        return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)[34:]

    with_grid, without = shown(ok), shown(off)
    assert with_grid.shape == image.shape
    x, y = (int(v) for v in support.CAMERA.ground_to_px(np.array([50.0, 36.0])).round())
    change = np.abs(with_grid.astype(int) - without).sum(2)
    assert change[y, x - 2 : x + 3].max() > 60 > change[y, x + 12 : x + 15].max()


def test_lines_behind_the_camera_are_left_out() -> None:
    image = np.zeros((support.HEIGHT, support.WIDTH, 3), np.uint8)
    pictures.ground_line(image, support.CAMERA, (60, -200), (60, -100), (255, 255, 255), 1.0, 3)
    assert not image.any()


def test_mark_of_each_side_has_its_own_form() -> None:
    forms = []
    for side in ("offense", "defense"):
        image = np.zeros((120, 80, 3), np.uint8)
        pictures.mark_person(image, (20, 30, 60, 100), side, "")
        forms.append(image.any(2))
    assert forms[1][65, 20] and not forms[0][65, 20] and forms[0][30, 20]  # a full frame, and corners only
    image = np.zeros((120, 80, 3), np.uint8)
    pictures.mark_person(image, (20, 30, 60, 100), "defense", "", deep=True)
    assert image[21, 40].any() and not forms[1][21, 40]
