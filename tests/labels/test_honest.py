"""Nothing is guessed: what the picture does not show is not_visible, what is close is unsure, with a reason."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from pipeline import alignment, labels
from pipeline.records import Alignment, Labels, Tracks
from tests.labels.labels_board import TIMES_S, Board, front, offense


def play(deep: list[tuple[float, float]]) -> Board:
    b = front(offense())
    b.put("CL", "defense", (6.5, -15.0), (12.0, -15.0)).put("CR", "defense", (6.5, 15.0), (12.0, 15.0))
    b.put("NB", "defense", (5.0, -7.6), (8.0, -8.0))
    for k, at in enumerate(deep):
        b.put(f"D{k}", "defense", at, (at[0] + 2, at[1]))
    return b


def read(b: Board, visible_depth_yd: float = 25.0) -> tuple[Tracks, Alignment, Labels]:
    t = b.tracks()
    a = replace(alignment.align(t), visible_depth_yd=visible_depth_yd)
    return t, a, labels.label(t, a)


@pytest.mark.parametrize("visible_depth_yd", [9.0, 13.75, 17.0])
def test_a_missing_defender_and_a_short_picture_hide_the_deep_count(visible_depth_yd: float) -> None:
    got = read(play([]), visible_depth_yd)[2]
    for name in ("deep_safeties", "middle_of_field"):
        assert got.by_name[name].status == "not_visible"
        assert got.by_name[name].value is None
    assert "not found" in got.by_name["deep_safeties"].reason
    assert any(r.startswith("not visible") for r in labels.reasons(got)[0])


def test_coverage_is_not_told_where_the_deep_men_are_out_of_the_picture() -> None:
    got = read(play([]), visible_depth_yd=13.75)[2]
    assert got.by_name["deep_safeties_after"].status == "not_visible"
    assert got.by_name["coverage_after"].value is None
    assert got.coverage_after["cover_0"] < 0.5


def test_all_eleven_found_make_the_count_sure_whatever_the_picture_shows() -> None:
    b = play([(7.5, 6.0)])  # eleven with him, nobody deep
    got = read(b, visible_depth_yd=9.0)[2].by_name["deep_safeties"]
    assert (got.value, got.status) == (0, "ok")


def test_a_missing_defender_in_a_wide_picture_lowers_the_confidence() -> None:
    every = read(play([(13.0, 0.0)]), 25.0)[2].by_name["deep_safeties"]
    one_less = play([(13.0, 0.0)])
    del one_less.men["M"]
    less = read(one_less, 18.0)[2].by_name["deep_safeties"]
    assert every.value == less.value == 1
    assert less.confidence < every.confidence - 0.1


def test_a_safety_on_the_limit_is_unsure() -> None:
    assert read(play([(9.0, 5.0)]))[2].by_name["deep_safeties"].status == "unsure"
    assert read(play([(12.0, 5.0)]))[2].by_name["deep_safeties"].status == "ok"


def test_registration_error_lowers_the_confidence() -> None:
    b = play([(10.0, 5.0)])
    t = b.tracks(error_yd=0.1)
    worse = b.tracks(error_yd=1.0)
    sure = labels.label(t, alignment.align(t)).by_name["deep_safeties"].confidence
    less = labels.label(worse, alignment.align(worse)).by_name["deep_safeties"].confidence
    assert less < sure


def test_film_that_ends_at_the_snap_has_no_after() -> None:
    t = play([(13.0, 0.0)]).tracks()
    keep = TIMES_S <= 0.5
    cut = replace(
        t, time_s=t.time_s[keep], frame=t.frame[keep], xy_yd=t.xy_yd[keep], seen=t.seen[keep],
        found=t.found[keep], error_yd=t.error_yd[keep],
    )  # fmt: skip
    got = labels.label(cut, alignment.align(cut))
    assert got.by_name["deep_safeties"].value == 1
    assert got.by_name["play_kind"].value is None
    assert got.by_name["play_kind"].status == "unsure"


def test_before_the_snap_is_told_without_any_moment_after_it() -> None:
    b = play([(13.0, 0.0)])
    t = b.tracks()
    wild = t.xy_yd.copy()
    wild[TIMES_S > 0.01] += np.random.default_rng(0).normal(0, 6, wild[TIMES_S > 0.01].shape)
    other = replace(t, xy_yd=wild)
    one, two = (labels.label(x, alignment.align(x)) for x in (t, other))
    assert one.coverage_before == pytest.approx(two.coverage_before)
    for name in ("deep_safeties", "corner_picture", "box_defenders", "motion", "coverage_before"):
        assert one.by_name[name] == two.by_name[name]


def test_no_snap_is_said() -> None:
    t = play([(13.0, 0.0)]).tracks()
    got = labels.label(t, alignment.align(t), has_snap=False)
    assert got.by_name["play_kind"].value == "no_snap"
    assert got.by_name["rushers"].value is None


def test_nobody_there_fails_with_a_reason() -> None:
    b = Board().put("A", "offense", (-1, 0))
    got = labels.label(b.tracks(), alignment.align(b.tracks()))
    assert {x.status for x in got.by_name.values()} == {"failed"}
    assert labels.reasons(got)[1] == 0.0


def test_depths_shrink_near_the_goal() -> None:
    """DESIGN section 4: the limit is scaled down inside the 15."""
    t = play([(6.5, 3.0)]).tracks()
    a = alignment.align(t)
    far = labels.label(t, a).by_name["deep_safeties"].value
    a.evidence["yards_to_goal"] = 9.0
    near = labels.label(t, a).by_name["deep_safeties"].value
    assert (far, near) == (0, 1)


def test_every_column_is_there() -> None:
    got = read(play([(13.0, 0.0)]))[2]
    want = {
        "play_kind", "deep_safeties", "middle_of_field", "corner_depth_offense_left_yd",
        "corner_depth_offense_right_yd", "corner_picture", "box_defenders", "motion", "motion_response",
        "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers", "spare_rushers",
        "read_window", "coverage_before", "coverage_after", "offense_players", "defense_players",
    }  # fmt: skip
    assert set(got.by_name) == want
    assert all(x.reason for x in got.by_name.values())
    assert sum(got.coverage_after.values()) == pytest.approx(1.0)


def test_men_outside_a_tight_picture_leave_no_count_and_no_kick() -> None:
    """An end-zone picture: the widest men of both sides are out of it, the passer stands deep, the safety is gone."""
    b = front(offense())
    for name in ("X", "Z"):
        del b.men[name]
    b.put("QB", "offense", (-6.1, 0.0), (-8.0, 0.0)).put("RB", "offense", (-6.5, -1.9), (-6.0, -1.0))
    b.put("H", "offense", (-1.0, -5.0), (6.0, -6.0)).put("Y", "offense", (-1.2, 5.0), (6.0, 6.0))
    b.put("SL", "defense", (4.4, -6.0), (5.0, -6.0)).put("SR", "defense", (7.2, 6.7), (8.0, 6.7))
    got = read(b, visible_depth_yd=13.5)[2]
    assert got.by_name["deep_safeties"].status == "not_visible"
    assert got.by_name["corner_depth_offense_left_yd"].status == "not_visible"
    assert got.by_name["play_kind"].value == "dropback"


def test_a_safety_who_leaves_the_picture_going_deep_is_still_deep() -> None:
    """Had he come down he would be in the picture; one who was coming down when last seen is not counted."""
    b = play([(13.0, 0.0)])
    t = b.tracks()
    k = b.index("D0")

    def cut(speed_yd_s: float) -> Labels:
        xy = t.xy_yd.copy()
        after = TIMES_S > 0
        xy[after, k, 0] += speed_yd_s * TIMES_S[after]
        xy[TIMES_S > 0.5, k] = np.nan
        a = replace(alignment.align(t), visible_depth_yd=16.0)
        shown = replace(t, xy_yd=xy)
        return labels.label(shown, replace(alignment.align(shown), visible_depth_yd=a.visible_depth_yd))

    gone = cut(3.0).by_name["deep_safeties_after"]
    assert gone.value == 1 and "beyond the picture" in gone.reason
    down = cut(-6.0).by_name["deep_safeties_after"]
    assert down.value is None and down.status == "not_visible"


@pytest.mark.parametrize("seed", range(12))
def test_missing_people_and_moments_never_break_a_play(seed: int) -> None:
    """Whatever is left of a play is labelled or said to be missing: every label has a status and a confidence."""
    rng = np.random.default_rng(seed)
    t = play([(float(rng.uniform(7, 15)), float(rng.uniform(-9, 9)))]).tracks()
    men = rng.uniform(size=len(t.role)) > rng.uniform(0, 0.6)
    moments = rng.uniform(size=len(t.time_s)) > rng.uniform(0, 0.8)
    moments[list(TIMES_S).index(0.0)] = True
    xy = t.xy_yd[moments][:, men].copy()
    xy[rng.uniform(size=xy.shape[:2]) < rng.uniform(0, 0.5)] = np.nan
    left = Tracks(
        t.time_s[moments], t.frame[moments], xy, np.isfinite(xy[..., 0]), t.role[men], t.side[men],
        t.side_confidence[men], t.found[moments][:, men], t.error_yd[moments],
    )  # fmt: skip
    with np.errstate(all="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # the alignment's own, of men never seen
        a = alignment.align(left)
    got = labels.label(left, a)
    assert all(0 <= x.confidence <= 1 and x.reason for x in got.by_name.values() if x.value is None)
    if got.coverage_before:
        assert sum(got.coverage_before.values()) == pytest.approx(1.0)
