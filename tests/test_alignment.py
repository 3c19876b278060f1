"""The play frame: line, ball, direction, positions, and how deep the picture shows the field."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline import alignment
from pipeline.camera import Camera
from pipeline.errors import ShapeError
from pipeline.field import load as load_field
from pipeline.records import SIDES, Registration
from tests.labels.labels_board import BALL_Y, LINE_X, TIMES_S, Board, front, offense


def play() -> Board:
    b = front(offense())
    b.put("CL", "defense", (6.5, -15.0)).put("CR", "defense", (1.3, 15.2)).put("FS", "defense", (13.0, 0.0))
    return b.put("NB", "defense", (5.0, -7.6)).put("SS", "defense", (9.5, 7.0))


@pytest.mark.parametrize("direction", [1, -1])
def test_line_ball_and_direction(direction: int) -> None:
    a = alignment.align(play().tracks(direction))
    assert a.direction == direction
    assert a.line_of_scrimmage_yd == pytest.approx(LINE_X, abs=0.35)
    assert a.ball_y_yd == pytest.approx(BALL_Y, abs=0.2)
    assert a.confidence > 0.9


def test_depth_and_across_are_the_play_frame() -> None:
    """DESIGN section 3: depth positive on the defence's side, across positive to the offence's right."""
    b = play()
    for direction in (1, -1):
        a = alignment.align(b.tracks(direction))
        k = b.index("CR")
        assert a.depth_yd[8, k] == pytest.approx(1.3, abs=0.4)
        assert a.across_yd[8, k] == pytest.approx(15.2, abs=0.3)


def test_positions_by_alignment() -> None:
    """Common practice, no source."""
    b = play()
    a = alignment.align(b.tracks())
    want = {
        "C": "center", "LG": "guard", "RT": "tackle", "QB": "passer", "RB": "back", "X": "receiver", "H": "receiver",
        "CL": "corner", "CR": "corner", "FS": "safety", "SS": "safety", "NB": "slot_defender", "M": "linebacker",
        "LI": "tackle_inside", "LE": "edge",
    }  # fmt: skip
    got = {name: a.position[b.index(name)] for name in want}
    assert got == want


def test_with_a_tight_end_the_row_of_six_has_its_middle_where_the_passer_stands() -> None:
    b = play()
    b.put("Y", "offense", (-1.0, 4.7))
    a = alignment.align(b.tracks())
    assert a.ball_y_yd == pytest.approx(BALL_Y, abs=0.3)
    assert a.position[b.index("Y")] == "tight_end"


def test_one_lineman_missing_leaves_the_ball_where_it_is() -> None:
    for gone in ("C", "LG", "RT"):
        b = play()
        del b.men[gone]
        a = alignment.align(b.tracks())
        assert a.ball_y_yd == pytest.approx(BALL_Y, abs=0.5), gone


def test_canadian_defence_stands_a_yard_off() -> None:
    """Canadian Rule 4-2: the defence is a yard from the line of scrimmage (number of the rule from memory)."""
    b = play()
    for name, (side, at, to) in list(b.men.items()):
        if side == "defense":
            b.put(name, side, (at[0] + 1.0, at[1]), to)
    a = alignment.align(b.tracks(), [registration(level="canadian")] * len(TIMES_S))
    assert a.line_of_scrimmage_yd == pytest.approx(LINE_X, abs=0.35)


def registration(level: str = "college", **changes: float) -> Registration:
    values = {"focal_px": 4600.0, "pan_deg": 0.0, "tilt_deg": 24.0, **changes}
    camera = Camera(1280, 720, values["focal_px"], (60.0, -85.0, 50.0), values["pan_deg"], values["tilt_deg"])
    return Registration("ok", camera, "sideline", level, True, 0.5, 0.1)


def test_visible_depth_is_where_the_middle_of_the_field_leaves_the_picture() -> None:
    """Against the camera itself: the point at that depth is inside the picture, half a yard further is not."""
    reg = registration()
    middle = load_field("college").width / 2
    deep = alignment.visible_depth(reg, LINE_X, 1)
    assert reg.camera is not None
    for step, inside in ((-0.3, True), (0.3, False)):
        px = reg.camera.ground_to_px(np.array([LINE_X + deep + step, middle]))
        assert ((px > 0) & (px < [1279, 719])).all() == inside
    assert alignment.visible_depth(registration(pan_deg=6.0), LINE_X, 1) > deep
    assert alignment.visible_depth(registration(pan_deg=6.0), LINE_X, -1) < deep
    assert np.isnan(alignment.visible_depth(None, LINE_X, 1))


def test_yards_to_the_goal_only_where_the_numbers_were_read() -> None:
    b = play()
    known = alignment.align(b.tracks(), [registration()] * len(TIMES_S))
    assert known.evidence["yards_to_goal"] == pytest.approx(110 - LINE_X, abs=0.5)
    unknown = Registration("ok", registration().camera, "sideline", "college", False, 0.5, 0.1)
    a = alignment.align(b.tracks(), [unknown] * len(TIMES_S))
    assert np.isnan(a.evidence["yards_to_goal"])


def test_too_few_people_is_said() -> None:
    b = Board().put("A", "offense", (-1, 0)).put("B", "defense", (1, 0))
    a = alignment.align(b.tracks())
    assert a.confidence == 0
    assert np.isnan(a.line_of_scrimmage_yd)
    assert "found at the snap" in a.evidence["reason"]


def test_wrong_number_of_registrations_is_an_error() -> None:
    with pytest.raises(ShapeError, match="expected 17 registrations, got 2"):
        alignment.align(play().tracks(), [registration()] * 2)


def test_officials_stay_officials() -> None:
    b = play().put("U", "official", (6.0, 1.0))
    a = alignment.align(b.tracks())
    assert a.position[b.index("U")] == "official"
    assert b.tracks().side[b.index("U")] == SIDES.index("official")
