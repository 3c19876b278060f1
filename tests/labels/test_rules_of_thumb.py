"""Rules of thumb of the trade: each common practice, no source."""

from __future__ import annotations

import pytest

from tests.labels.labels_board import Board, front, offense


def coverage(deep: int, left: float, right: float, rushers: int = 4, passing: bool = True) -> Board:
    """A spread set against ``deep`` safeties and corners at the given depths, who stay as deep as they are."""
    b = front(offense(passing), rushers)
    b.put("CL", "defense", (left, -15.0), (max(left, 10.5 if left > 5 else left), -15.0))
    b.put("CR", "defense", (right, 15.0), (max(right, 10.5 if right > 5 else right), 15.0))
    spots = {0: [], 1: [(13.0, 0.5)], 2: [(12.0, -8.0), (12.0, 8.0)]}[deep]
    low = [(5.0, -7.5), (5.0, 7.5)][: 2 - deep]
    for k, at in enumerate(spots):
        b.put(f"D{k}", "defense", at, (at[0] + 3.0, at[1]))
    for k, at in enumerate(low):
        b.put(f"N{k}", "defense", at, (8.0, at[1]))
    return b


def ranked(p: dict[str, float]) -> list[str]:
    return sorted(p, key=lambda c: -p[c])


def test_one_deep_says_cover_1_or_3() -> None:
    """Common practice, no source."""
    _, _, got = coverage(1, 6.5, 6.5).read()
    assert got.by_name["deep_safeties"].value == 1
    assert got.by_name["middle_of_field"].value == "closed"
    assert set(ranked(got.coverage_before)[:2]) == {"cover_1", "cover_3"}


def test_two_deep_and_corners_off_says_cover_4_first() -> None:
    """Common practice, no source."""
    _, _, got = coverage(2, 7.0, 7.5).read()
    assert got.by_name["corner_picture"].value == "both_off"
    assert ranked(got.coverage_before)[0] == "cover_4"


def test_two_deep_and_corners_pressed_says_cover_2_or_2_man() -> None:
    """Common practice, no source."""
    _, _, got = coverage(2, 1.2, 1.4).read()
    assert got.by_name["corner_picture"].value == "both_press"
    assert set(ranked(got.coverage_before)[:2]) == {"cover_2", "cover_2_man"}


@pytest.mark.parametrize(("left", "right"), [(1.2, 7.5), (7.5, 1.2)])
def test_two_deep_with_one_corner_pressed_and_one_off_says_cover_6(left: float, right: float) -> None:
    """Common practice, no source."""
    _, _, got = coverage(2, left, right).read()
    assert got.by_name["corner_picture"].value == "mixed"
    assert ranked(got.coverage_before)[0] == "cover_6"


def test_none_deep_with_extra_rushers_says_cover_0() -> None:
    """Common practice, no source."""
    b = coverage(0, 1.2, 1.4, rushers=6)
    for name, at in (("W", (1.2, -2.6)), ("M", (1.3, 0.5))):
        b.put(name, "defense", at, (-4.0, at[1]))
    _, _, got = b.read()
    assert got.by_name["deep_safeties"].value == 0
    assert got.by_name["middle_of_field"].value == "open"
    assert ranked(got.coverage_before)[0] == "cover_0"
    assert got.by_name["rushers"].value == 6


def in_motion(response: str) -> Board:
    """The slot of the left runs across to the right before the snap."""
    b = coverage(1, 5.0, 5.0)
    b.motion("H", [(-3.0, -2.0, -7.5), (-2.5, -2.0, -7.5), (-0.6, -3.4, 5.5), (0.0, -3.4, 5.5)])
    b.men["H"] = ("offense", (-3.4, 5.5), (6.0, 11.0))
    if response == "followed":
        b.motion("N0", [(-3.0, 5.0, -7.5), (-2.4, 5.0, -7.5), (-0.4, 5.0, 5.0), (0.0, 5.0, 5.0)])
        b.men["N0"] = ("defense", (5.0, 5.0), (7.0, 10.5))
    if response == "bumped":
        for name, a in (("W", -3.0), ("M", 0.0), ("S", 3.0)):
            b.motion(name, [(-3.0, 4.5, a - 1.8), (-1.8, 4.5, a - 1.8), (-0.6, 4.5, a), (0.0, 4.5, a)])
    return b


def test_motion_followed_says_man() -> None:
    """Common practice, no source."""
    _, _, got = in_motion("followed").read()
    assert got.by_name["motion"].value is True
    assert got.by_name["motion_response"].value == "followed"
    p = got.coverage_before
    assert p["cover_0"] + p["cover_1"] + p["cover_2_man"] > 0.7


@pytest.mark.parametrize("response", ["stayed", "bumped"])
def test_motion_not_followed_says_zone(response: str) -> None:
    """Common practice, no source."""
    _, _, got = in_motion(response).read()
    assert got.by_name["motion_response"].value == response
    p = got.coverage_before
    assert p["cover_0"] + p["cover_1"] + p["cover_2_man"] < 0.3


def test_two_deep_off_nobody_follows_then_one_to_the_middle_and_corners_sink_is_disguised_cover_3() -> None:
    """Common practice, no source."""
    b = coverage(2, 7.0, 7.5)
    b.motion("H", [(-3.0, -2.0, -7.5), (-2.5, -2.0, -7.5), (-0.6, -3.4, 4.6), (0.0, -3.4, 4.6)])
    b.men["H"] = ("offense", (-3.4, 4.6), (2.0, 9.0))
    b.put("D0", "defense", (12.0, -8.0), (14.5, -1.0))
    b.put("D1", "defense", (12.0, 8.0), (6.5, 9.0))
    b.put("CL", "defense", (7.0, -15.0), (14.0, -14.0))
    b.put("CR", "defense", (7.5, 15.0), (14.0, 14.0))
    _, _, got = b.read()
    assert got.by_name["deep_safeties"].value == 2
    assert got.by_name["rotation"].value == "two_to_one"
    assert got.by_name["rotation_from"].value == "offense_right"
    assert got.by_name["disguised"].value is True
    assert ranked(got.coverage_after)[0] == "cover_3"


@pytest.mark.parametrize(
    ("rushers", "back_blocks", "spare", "window"),
    [
        (4, False, -1, "long"), (6, False, 1, "short"), (5, False, 0, "short"), (6, True, 0, "short"),
        (5, True, -1, "long"),
    ],
)
def test_rushers_against_blockers(rushers: int, back_blocks: bool, spare: int, window: str) -> None:
    """Common practice, no source: long only when blockers outnumber rushers; even numbers are short."""
    b = coverage(1, 6.0, 6.0, rushers=rushers)
    if back_blocks:
        b.put("RB", "offense", (-5.0, 1.8), (-4.4, 2.2))
    _, _, got = b.read()
    assert got.by_name["play_kind"].value == "dropback"
    assert got.by_name["rushers"].value == rushers
    assert got.by_name["blockers"].value == 5 + back_blocks
    assert got.by_name["spare_rushers"].value == spare
    assert got.by_name["read_window"].value == window


def test_a_run_has_no_rush_and_no_coverage_after() -> None:
    """Rush and after-snap coverage only on a dropback."""
    b = coverage(1, 6.0, 6.0, passing=False)
    for name, at in (("LE", (0.9, -4.2)), ("LI", (0.75, -1.2)), ("RI", (0.75, 2.2)), ("RE", (0.9, 4.2))):
        b.put(name, "defense", at, (at[0] + 1.2, at[1]))
    for name, at in (("W", (4.5, -3.0)), ("M", (4.6, 0.0)), ("S", (4.5, 3.0))):
        b.put(name, "defense", at, (2.8, at[1] * 0.5))
    for name, at in (("X", (-1.0, -15.0)), ("Z", (-1.0, 15.0)), ("H", (-2.0, -7.5)), ("Y", (-2.0, 7.5))):
        b.put(name, "offense", at, (4.5, at[1]))
    _, _, got = b.read()
    assert got.by_name["play_kind"].value == "run"
    for name in ("rushers", "blockers", "coverage_after", "deep_safeties_after", "rotation"):
        assert got.by_name[name].value is None
    assert got.coverage_after == {}


@pytest.mark.parametrize("direction", [1, -1])
def test_left_and_right_are_the_offences(direction: int) -> None:
    """DESIGN section 3: across is positive to the offence's right, whichever way it attacks."""
    _, a, got = coverage(2, 1.2, 7.5).read(direction)
    assert a.direction == direction
    assert got.by_name["corner_depth_offense_left_yd"].value == pytest.approx(1.2, abs=0.5)
    assert got.by_name["corner_depth_offense_right_yd"].value == pytest.approx(7.5, abs=0.5)
