"""Frames followed on the paint alone, and hash ticks in the full picture."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.training import quick_field
from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.records import Registration
from pipeline.registration import Registrar, follow, judge, profiles, solver, ticks
from tests.registration.ideal import IdealMarks, SilentNumbers
from tests.registration.test_registrar import error_yd, people

PRO = fields.load("professional")
SIZE = (1280, 720)
SIDE = Camera(*SIZE, 5000.0, (58.0, -85.0, 50.0), 3.0, 24.0, 0.2, 0.018)


def end_zone(level: str, across_yd: float) -> Camera:
    """A camera behind the end zone aimed across_yd from the middle of the field."""
    f = fields.load(level)
    position, target = np.array([-62.0, f.width / 2 + 1.0, 41.0]), np.array([55.0, f.width / 2 + across_yd, 0.0])
    d = target - position
    pan, tilt = np.rad2deg(np.arctan2(d[0], d[1])), np.rad2deg(np.arctan2(-d[2], np.hypot(d[0], d[1])))
    x, y, z = (float(v) for v in position)
    return Camera(*SIZE, 1280 * float(np.linalg.norm(d)) / 17.0, (x, y, z), float(pan), float(tilt), 0.3, 0.009)


def homography(a: Camera, b: Camera) -> np.ndarray:
    """Px of a -> px of b through the ground, as the film's motion would give it."""
    px = np.stack(np.meshgrid(np.linspace(0, 1279, 12), np.linspace(0, 719, 8)), -1).reshape(-1, 2)
    return np.asarray(cv2.findHomography(px, b.ground_to_px(a.px_to_ground(px)))[0])


class Blind:
    """In place of the marks network where it must not be asked."""

    def __call__(self, x: np.ndarray) -> list[np.ndarray]:
        raise AssertionError("the network was asked")


def first_look(camera: Camera, level: str = "professional", view: str = "sideline") -> tuple[Registration, np.ndarray]:
    image, truth = quick_field.draw(np.random.default_rng(3), level, view, camera=camera)
    net = IdealMarks(camera, truth.field, view, np.random.default_rng(4), 0.03)
    found = Registrar(level, view, marks_network=net, numbers_network=SilentNumbers())
    return found.register(image, people(truth.box_px, SIZE)), truth.box_px


@settings(max_examples=25, deadline=None)
@given(
    pan=st.floats(-3, 3), tilt=st.floats(-1, 1), roll=st.floats(-0.5, 0.5), zoom=st.floats(0.9, 1.15),
)  # fmt: skip
def test_a_camera_carried_on_the_motion_is_the_camera_that_moved(
    pan: float, tilt: float, roll: float, zoom: float
) -> None:
    now = replace(
        SIDE, pan_deg=SIDE.pan_deg + pan, tilt_deg=SIDE.tilt_deg + tilt, roll_deg=SIDE.roll_deg + roll,
        focal_px=SIDE.focal_px * zoom,
    )  # fmt: skip
    hint = Registration("ok", SIDE, "sideline", "professional")
    got = follow.moved(hint, np.eye(3), homography(now, SIDE)).camera
    assert got is not None
    assert error_yd(now, got, PRO) < 0.12


def test_motion_that_tells_nothing_changes_nothing() -> None:
    hint = Registration("ok", SIDE, "sideline", "professional")
    assert follow.moved(hint, np.eye(3), np.eye(3)) is hint
    failed = Registration("failed", None, "sideline", "professional", reason="no field in the picture")
    assert follow.moved(failed, np.eye(3), 2 * np.eye(3)) is failed


@pytest.mark.parametrize("view", ["sideline", "endzone"])
def test_the_next_frame_needs_no_network_and_is_as_good(view: str) -> None:
    camera = SIDE if view == "sideline" else end_zone("professional", 0.0)
    last, _ = first_look(camera, view=view)
    assert last.status == "ok"
    now = replace(
        camera, pan_deg=camera.pan_deg + 0.06, tilt_deg=camera.tilt_deg - 0.03, focal_px=camera.focal_px * 1.003
    )
    image, truth = quick_field.draw(np.random.default_rng(3), "professional", view, camera=now)
    registrar = Registrar("professional", view, marks_network=Blind(), numbers_network=SilentNumbers())
    hint = follow.moved(last, np.eye(3), homography(now, camera))
    got = registrar.register(image, people(truth.box_px, SIZE), hint)
    assert got.status == "ok"
    assert got.evidence["followed"]
    assert got.camera is not None
    assert error_yd(now, got.camera, PRO) < 0.08
    assert got.error_yd < 0.3


def test_a_hint_that_lies_elsewhere_leads_to_a_full_look() -> None:
    last, _ = first_look(SIDE)
    image, truth = quick_field.draw(np.random.default_rng(3), "professional", "sideline", camera=SIDE)
    assert last.camera is not None
    wrong = replace(last, camera=last.camera.shifted(2.4))
    net = IdealMarks(SIDE, PRO, "sideline", np.random.default_rng(5), 0.03)
    registrar = Registrar("professional", "sideline", marks_network=net, numbers_network=SilentNumbers())
    got = registrar.register(image, people(truth.box_px, SIZE), wrong)
    assert got.camera is not None
    assert "followed" not in got.evidence
    assert error_yd(SIDE, got.camera, PRO) < 0.1


def test_a_picture_without_paint_is_not_followed() -> None:
    last, _ = first_look(SIDE)
    held = follow.last_of(last, SIZE)
    assert held is not None
    grass = np.random.default_rng(1).integers(60, 90, (720, 1280, 3), dtype=np.uint8)
    assert follow.follow(grass, held, None, SilentNumbers()) is None


def test_doubtful_registrations_are_not_followed() -> None:
    last, _ = first_look(SIDE)
    assert follow.last_of(replace(last, error_yd=0.9), SIZE) is None
    assert follow.last_of(replace(last, evidence={**last.evidence, "level_doubt_yd": 0.4}), SIZE) is None
    assert follow.last_of(Registration("ok", SIDE, "sideline", "professional"), SIZE) is None


def test_ticks_are_measured_where_they_are_and_as_long_as_they_are() -> None:
    camera = end_zone("college", 9.0)
    f = fields.load("college")
    image, truth = quick_field.draw(np.random.default_rng(7), "college", "endzone", camera=camera, people=6)
    found = ticks.there(
        ticks.find(
            profiles.grey_of(image), solver.row_of(camera), (35.0, 80.0), f, truth.box_px, SIZE, 5.0
        )
    )  # fmt: skip
    assert [r.y for r in found] == [f.hash_rows[1]]
    (row,) = found
    middle = camera.px_to_ground(row.px)[:, 1]
    assert np.median(np.abs(middle - row.y)) < 0.03
    length = camera.px_to_ground(row.high)[:, 1] - camera.px_to_ground(row.low)[:, 1]
    assert np.median(length) == pytest.approx(f.hash_tick, rel=0.03)  # two feet: published rules of all four levels


def test_no_ticks_are_seen_on_plain_turf() -> None:
    camera = end_zone("college", 9.0)
    noise = np.random.default_rng(2).normal(90, 6, (720, 1280)).astype(np.float32)
    rows = ticks.find(noise, solver.row_of(camera), (35.0, 80.0), fields.load("college"), None, SIZE, 5.0)
    assert rows
    assert not ticks.there(rows)
    assert max(r.looked for r in rows) >= 8


def test_a_view_of_more_than_a_field_shows_no_ticks() -> None:
    """A fit to the lines of another sport may claim to see thousands of yards."""
    grey = np.full((720, 1280), 90, np.float32)
    wide = ticks.find(grey, solver.row_of(SIDE), (-40_000.0, 40_000.0), PRO, None, SIZE, 5.0)
    assert wide == []


@pytest.mark.parametrize(("level", "across"), [("college", 9.0), ("high_school", -9.0), ("canadian", 9.0)])
def test_one_row_of_ticks_gives_the_scale_across_the_field(level: str, across: float) -> None:
    camera = end_zone(level, across)
    got, _ = first_look(camera, level, "endzone")
    assert got.status == "ok", got.reason
    assert got.camera is not None
    assert error_yd(camera, got.camera, fields.load(level)) < 0.35
    assert got.evidence["alternatives"][0]["tick_ends"]


@pytest.mark.parametrize(("beside", "used"), [(1.0, True), (-1.1, False)])
def test_one_row_alone_does_not_tell_the_level(beside: float, used: bool) -> None:
    """Camera and picture are the same to a yard whether the row is a college or a high-school one.

    Cameras stand near the middle of the field: that makes a level likely, and the estimate says what is left; one
    that stands half way between what two levels take for the middle leaves nothing to go by.
    """
    camera = end_zone("college", 9.0)
    x, y, z = camera.position_yd
    camera = replace(camera, position_yd=(x, y - 1.0 + beside, z))
    image, truth = quick_field.draw(np.random.default_rng(3), "college", "endzone", camera=camera)
    net = IdealMarks(camera, truth.field, "endzone", np.random.default_rng(4), 0.03)
    net.kinds[0, 2:] = (0.0, 0.34, 0.33, 0.33)
    r = Registrar(None, None, marks_network=net, numbers_network=SilentNumbers()).register(
        image, people(truth.box_px, SIZE)
    )
    assert r.error_yd > 1.0
    assert r.level_told == "unsure"
    assert r.status == ("ok" if used else "abstained")
    assert used or "field level" in r.reason
    assert not used or (r.camera is not None and error_yd(camera, r.camera, fields.load("college")) < 0.35)


def test_a_level_that_is_given_is_told_from_one_row_too() -> None:
    camera = end_zone("college", 9.0)
    r, _ = first_look(camera, "college", "endzone")
    assert (r.level_told, r.status) == ("college", "ok")


def test_a_likely_reading_is_one_that_the_others_hardly_contest() -> None:
    assert judge.near_probability([0.0, -1.0], [0.0, 2.2]) == pytest.approx(1 / (1 + np.exp(-judge.SCORE_TEMPER)))
    assert judge.near_probability([0.0, 0.0, -50.0], [0.0, 0.3, 5.0]) == pytest.approx(1.0)
    assert judge.near_probability([0.0, 0.0], [0.0, float("nan")]) == pytest.approx(0.5)


def test_probability_of_a_level_adds_up_its_readings() -> None:
    p = judge.level_probability(["college", "college", "canadian"], [0.0, 0.0, 0.0], "college")
    assert p == pytest.approx(2 / 3)
    assert judge.level_probability(["college", "canadian"], [0.0, -40.0], "college") == pytest.approx(1.0)
    told = Registration("ok", SIDE, "sideline", "college", evidence={"level_probability": 0.95})
    assert told.level_told == "college"
    assert replace(told, evidence={"level_probability": 0.6}).level_told == "unsure"
