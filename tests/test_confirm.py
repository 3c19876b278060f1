"""Confirm: tracks of real plays bear a snap out, of teams that walk off or only flinch they do not.

Truth: plays of models.training.playbook and stories of models.training.snap_plays, whose movement is known. That
men walk at 1.3 to 2.2 yd/s and run faster is common knowledge, value from memory.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from models.training import snap_plays
from models.training.playbook.play import Play, make_play
from pipeline import chart, confirm
from pipeline import config as configs
from pipeline.records import ROLES, SIDES, Shot, Snap, Tracks

TIMES = np.array(configs.load().sampling.times_s)
SNAP = Snap("ok", 100, Fraction(10, 3), 0.8)


def tracks_of(play: Play, at_s: float, error_yd: float = 0.15) -> Tracks:
    """Tracks around a second of a play's clock: sampled as the chart does, places off by error_yd (sd)."""
    rng = np.random.default_rng(play.seed)
    t = at_s + TIMES
    k = np.clip(((t - play.time_s[0]) * play.hz).round().astype(int), 0, len(play.time_s) - 1)
    xy = play.xy_yd[k] + rng.normal(0, error_yd, (len(t), len(play.people), 2))
    xy[(t < play.time_s[0]) | (t > play.time_s[-1])] = np.nan
    n = len(play.people)
    return Tracks(
        TIMES, np.arange(len(t)), xy, np.isfinite(xy).all(-1), np.array([ROLES.index(p.role) for p in play.people]),
        np.array([SIDES.index(p.side) for p in play.people]), np.ones(n), np.full((len(t), n), -1),
        np.full(len(t), error_yd),
    )  # fmt: skip


def starts(play: Play) -> float:
    """The second at which most men begin to move, half a second before their mean speed is largest."""
    step = np.linalg.norm(np.diff(play.xy_yd, axis=0), axis=-1).mean(1)
    rise = np.convolve(step, np.ones(15), "same")
    return float(play.time_s[max(0, int(rise.argmax()) - 15)])


@pytest.mark.parametrize("seed", range(8))
def test_plays_are_borne_out(seed: int) -> None:
    play = make_play(880_000 + seed, "college", kind=("pass", "run")[seed % 2])
    got = confirm.confirm(SNAP, tracks_of(play, 0.0))
    assert got.status == "ok" and got.frame == 100
    assert got.evidence["tracks"]["runners"] >= 3 and got.evidence["tracks"]["still_share"] > 0.5


@pytest.mark.parametrize("seed", range(6))
def test_teams_that_walk_off_are_no_snap(seed: int) -> None:
    play = make_play(881_000 + seed, "college", kind="no_snap")
    got = confirm.confirm(SNAP, tracks_of(play, starts(play)))
    assert got.status in ("failed", "unsure")
    if got.status == "failed":
        assert got.frame is None and "leave their places" in got.reason and got.evidence["withdrawn_frame"] == 100


@pytest.mark.parametrize("kind", ["field_goal", "punt", "kneel"])
def test_kicks_and_kneel_downs_are_never_withdrawn(kind: str) -> None:
    """Few run after them, but the front comes or at least stays; with positions as far off as the worst tenth."""
    for seed in range(8):
        play = make_play(883_000 + seed, ("college", "professional")[seed % 2], kind=kind)
        for error_yd in (0.15, 0.4):
            got = confirm.confirm(SNAP, tracks_of(play, 0.0, error_yd))
            assert got.frame == 100, (seed, error_yd, got.reason, got.evidence["tracks"])
            assert got.evidence["tracks"]["front"] >= 3


@pytest.mark.parametrize(("kind", "withdrawn", "sure"), [("stand_up", 7, 0), ("walk_back", 3, 2)])
def test_men_who_part_from_the_line_have_not_played(kind: str, withdrawn: int, sure: int) -> None:
    """At least so many of ten are withdrawn, at most so many stay sure; men jog back to a huddle now and then."""
    got = []
    for seed in range(10):
        play = make_play(884_000 + seed, "college", kind="run")
        quiet, _ = snap_plays.quiet(play, np.random.default_rng(seed), kind)
        got.append(confirm.confirm(SNAP, tracks_of(quiet, starts(quiet))).status)
    assert got.count("failed") >= withdrawn and got.count("ok") <= sure


def test_a_front_that_is_held_is_no_front_that_goes_back() -> None:
    """A run at which the defence's front gains nothing while men of both sides run: borne out (from rendered plays)."""
    seen = {"runners": 8, "came_yd": 0.02, "left_share": 0.71, "offense": 11, "defense": 11, "front": 4, "men": 21,
            "still_share": 1.0, "moved_offense": 9, "moved_defense": 4}  # fmt: skip
    assert confirm._against(seen, confirm.DEFAULTS) == ""
    assert not confirm._walk_off(seen, confirm.DEFAULTS)
    assert "front does not come" in confirm._against({**seen, "came_yd": -0.8}, confirm.DEFAULTS)
    assert confirm._walk_off({**seen, "runners": 2}, confirm.DEFAULTS)


def test_the_front_comes_by_the_yards_of_its_third_man() -> None:
    """Analytic: the third of five men who come 2.0, 1.5, 1.0, 0.5 and 0 yards at the line has come 1.0."""
    was = np.array([[50.0 - 0.1 * (k > 5), 20.0 + k] for k in range(11)] + [[52.0, 22.0 + k] for k in range(5)])
    went = was.copy()
    went[11:, 0] -= [0.5, 2.0, 0.0, 1.5, 1.0]
    offense = np.arange(16) < 11
    assert confirm.front_came(was, went, offense) == (5, pytest.approx(1.0))
    taken_for = offense | (np.arange(16) == 12)  # a man of the front taken for one of the other side
    assert confirm.front_came(was, went, taken_for) == (5, pytest.approx(1.0))
    mirrored = was * [-1, 1], went * [-1, 1]
    assert confirm.front_came(*mirrored, offense) == (5, pytest.approx(1.0))
    far = was + np.where(offense, 0.0, 9.0)[:, None] * [1, 0]
    assert confirm.front_came(far, went, offense) == (0, None)


def test_a_faint_candidate_needs_tracks_that_bear_it_out() -> None:
    faint = Snap("unsure", 100, Fraction(10, 3), 0.1, "faint", {"faint": True})
    kept = [confirm.confirm(faint, tracks_of(make_play(885_000 + s, "college", kind=("pass", "run")[s % 2]), 0.0))
            for s in range(8)]  # fmt: skip
    assert sum(k.frame == 100 and k.status == "unsure" for k in kept) >= 7
    for kind in ("flinch", "idle", "look_over", "stand_up"):
        quiet, _ = snap_plays.quiet(make_play(886_000, "college", kind="pass"), np.random.default_rng(2), kind)
        assert confirm.confirm(faint, tracks_of(quiet, starts(quiet))).frame is None
    far_off = tracks_of(make_play(885_000, "college", kind="pass"), 0.0, error_yd=2.0)
    assert confirm.confirm(faint, far_off).frame is None
    assert confirm.unplaced(faint).frame is None and confirm.unplaced(SNAP) is SNAP


@pytest.mark.parametrize("kind", ["flinch", "encroach", "look_over", "idle"])
def test_movement_without_running_is_never_sure(kind: str) -> None:
    play = make_play(882_000, "college", kind="pass")
    quiet, _ = snap_plays.quiet(play, np.random.default_rng(1), kind)
    assert confirm.confirm(SNAP, tracks_of(quiet, starts(quiet))).status != "ok"


def test_a_trusted_snap_is_flagged_not_withdrawn() -> None:
    play = make_play(881_003, "college", kind="no_snap")
    sure = Snap("ok", 100, Fraction(10, 3), 0.95)
    got = confirm.confirm(sure, tracks_of(play, starts(play)))
    assert got.status == "unsure" and got.frame == 100 and "the front does not come" in got.reason


def test_men_already_on_their_way_are_flagged() -> None:
    """A second into a play is no snap: the men were not still before it."""
    play = make_play(880_000, "college", kind="pass")
    got = confirm.confirm(SNAP, tracks_of(play, 1.0))
    assert got.status == "unsure" and "stood still" in got.reason


def test_nothing_is_judged_on_few_or_uncertain_tracks() -> None:
    play = make_play(881_003, "college", kind="no_snap")
    at = starts(play)
    assert confirm.confirm(SNAP, tracks_of(play, at, error_yd=2.0)).status == "ok"
    few = tracks_of(play, at)
    few.xy_yd[:, 5:] = np.nan
    got = confirm.confirm(SNAP, few)
    assert got.status == "ok" and got.evidence["tracks"]["men"] == 5


def test_speed_is_the_slope_of_the_places() -> None:
    """Analytic: 3 yd/s along x and 4 along y are 5 yd/s."""
    t = np.arange(0, 1.01, 0.25)
    xy = np.stack([3 * t, 4 * t], 1)[:, None].repeat(2, 1)
    xy[2:, 1] = np.nan
    got = confirm.speeds(t, xy, (0.0, 1.0))
    assert got[0] == pytest.approx(5.0) and np.isnan(got[1])


def test_of_two_candidates_in_a_shot_the_one_withdrawn_leaves_no_row() -> None:
    none = Snap("failed", None, None, 0.0, "men walk")
    plays = [chart.Play(n, Shot(0, 600), s, {0: 0.0}, {}, {}) for n, s in enumerate((none, SNAP))]
    for p in plays:
        p.mates = plays
    assert plays[0].in_vain and not plays[1].in_vain
    plays[1].snap = none
    assert not plays[1].in_vain  # the last one says that there is no snap
