"""Plays: repeatable, human, legal under the rules, and true to their labels."""

from __future__ import annotations

import time
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.training.playbook import statistics
from models.training.playbook.calls import (
    COVERAGE_CALLS,
    KINDS,
    MOTIONS,
    NO_SNAPS,
    PASSES,
    PRESSURES,
    RESPONSES,
    SPECIALS,
    draw_call,
)  # fmt: skip
from models.training.playbook.formations import FORMATIONS
from models.training.playbook.fronts import FRONTS
from models.training.playbook.play import STANCES, Play, make_play
from models.training.playbook.presnap import trapezoid
from models.training.playbook.truth import COLUMNS, corner_picture, rotation_of
from pipeline.errors import ShapeError, UsageError
from pipeline.field import LEVELS, load
from pipeline.records import COVERAGES

SEEDS = range(48)
seeds = st.integers(0, 2**31 - 1)


@cache
def play(seed: int, level: str | None = None, **forced: object) -> Play:
    return make_play(seed, level or LEVELS[seed % 4], **forced)


def players(p: Play, side: str) -> list[int]:
    return [i for i, q in enumerate(p.people) if q.side == side and q.role == "player"]


def at_snap(p: Play) -> np.ndarray:
    assert p.snap_index is not None
    return p.to_play_frame(p.xy_yd[p.snap_index])


def test_the_same_seed_gives_the_same_play_and_another_does_not() -> None:
    a, b, c = make_play(7), make_play(7), make_play(8)
    assert np.array_equal(a.xy_yd, b.xy_yd) and np.array_equal(a.ball_xyz_yd, b.ball_xyz_yd)
    assert a.labels == b.labels and a.people == b.people
    assert a.xy_yd.shape != c.xy_yd.shape or not np.allclose(a.xy_yd, c.xy_yd)


@pytest.mark.parametrize("seed", SEEDS)
def test_people_move_like_people(seed: int) -> None:
    """No faster than the fastest tracked runs (10 yd/s), no harder than bodies accelerate; limits from memory."""
    p = play(seed)
    v = np.diff(p.xy_yd, axis=0) * p.hz
    a = np.linalg.norm(np.diff(v, axis=0), axis=-1) * p.hz
    assert np.linalg.norm(v, axis=-1).max() < 10.0
    assert np.quantile(a, 0.99) < 6.6
    assert a.max() < 18.0, "a jump"  # a collision; nothing smooth reaches it
    assert (a > 9.0).mean() < 1e-3


@pytest.mark.parametrize("seed", SEEDS)
def test_nobody_stands_in_somebody_else(seed: int) -> None:
    p = play(seed)
    d = p.xy_yd[:, :, None] - p.xy_yd[:, None]
    gap = np.hypot(d[..., 0], d[..., 1]) + 9 * np.eye(len(p.people))
    assert gap.min() > 0.42


@pytest.mark.parametrize("seed", SEEDS)
def test_time_and_ball(seed: int) -> None:
    p = play(seed)
    assert np.allclose(np.diff(p.time_s), 1 / p.hz)
    assert np.isfinite(p.xy_yd).all() and np.isfinite(p.ball_xyz_yd).all() and np.isfinite(p.facing_rad).all()
    assert p.stance.min() >= 0 and p.stance.max() < len(STANCES)
    if p.snap_index is None:
        assert np.ptp(p.ball_xyz_yd, axis=0).max() < 1e-9
        return
    assert p.time_s[p.snap_index] == pytest.approx(0.0)
    assert 4.0 - 0.05 <= -p.time_s[0] <= 6.05 and 3.0 <= p.time_s[-1] <= 4.05
    moved = np.linalg.norm(p.ball_xyz_yd - p.ball_xyz_yd[0], axis=1)
    assert moved[: p.snap_index].max() < 1e-9, "the ball rests until the snap"
    assert moved[p.snap_index] > 0 and moved[p.snap_index + 2] > 0.2
    assert p.ball_xyz_yd[:, 2].min() > 0


@pytest.mark.parametrize("seed", SEEDS)
def test_the_offence_is_set_before_the_snap(seed: int) -> None:
    """All set a full second, but for one man in motion. NFL Rule 7-4-7, NCAA 7-1-4, NFHS 7-2-6 (from memory);
    Canadian backs may move (Rule 4-2), ours do so one at a time."""
    p = play(seed)
    if p.snap_index is None:
        return
    last = p.xy_yd[p.snap_index - 28 : p.snap_index + 1]
    moved = np.linalg.norm(last - last[-1], axis=-1).max(0)
    line = [i for i in players(p, "offense") if p.people[i].position in ("center", "guard", "tackle")]
    assert moved[line].max() < 0.2
    assert sum(moved[i] > 0.45 for i in players(p, "offense")) <= 1


def test_men_a_side() -> None:
    """Eleven a side (NFL Rule 5-1-1, NCAA 1-1-1, NFHS 1-1-1), twelve in Canada (Rule 4-1-1); from memory."""
    for seed in SEEDS:
        p = play(seed)
        n = 12 if p.level == "canadian" else 11
        assert len(players(p, "offense")) == len(players(p, "defense")) == n
        assert 5 <= sum(q.role == "official" for q in p.people) <= 8
        ids = [q.number for i, q in enumerate(p.people) if q.side == "offense"]
        assert len(set(ids)) == len(ids)
        assert [q.id for q in p.people] == list(range(len(p.people)))


@pytest.mark.parametrize("formation", FORMATIONS)
def test_seven_on_the_line(formation: str) -> None:
    """At least seven on the line of scrimmage: NFL Rule 7-5-1, NCAA 7-1-4-a, NFHS 7-2-5, Canadian 4-2 (from
    memory). On the line: the helmet breaks the plane through the centre's waist (same rules), here within
    1.6 yd of the ball."""
    for seed, level in ((1, "professional"), (2, "college"), (3, "canadian")):
        p = play(seed, level, formation=formation, kind="dropback", motion="none")
        depth = at_snap(p)[players(p, "offense"), 0]
        assert (depth > -1.62).sum() >= 7
        assert depth.max() < 0, "nobody in the neutral zone"
        assert sum(p.people[i].position in ("center", "guard", "tackle") for i in players(p, "offense")) == 5


@pytest.mark.parametrize("seed", SEEDS)
def test_nobody_lines_up_offside(seed: int) -> None:
    """The defence stays out of the neutral zone (NFL Rule 7-4-2); one yard in Canada (Rule 4-1-2). From memory."""
    p = play(seed)
    if p.snap_index is None:
        return
    depth = at_snap(p)[players(p, "defense"), 0]
    assert depth.min() > (1.0 if p.level == "canadian" else 0.1)


def test_the_ball_lies_between_the_hash_rows() -> None:
    """Plays start on or between the inbounds lines: NFL Rule 7-6, NCAA 4-2, NFHS 4-3 (from memory)."""
    for level in LEVELS:
        f = load(level)
        for seed in range(8):
            p = play(seed, level)
            assert f.hash_inner - 1e-6 <= p.ball_y_yd <= f.width - f.hash_inner + 1e-6
            assert f.end_zone < p.line_of_scrimmage_yd < f.length - f.end_zone


@pytest.mark.parametrize("seed", SEEDS)
def test_labels_agree_with_the_picture(seed: int) -> None:
    p = play(seed)
    lab = p.labels
    assert set(COLUMNS) <= set(lab)
    if lab["play_kind"] in ("no_snap", "special"):
        assert lab["deep_safeties"] is None and lab["rushers"] is None
        return
    xy, d = at_snap(p), players(p, "defense")
    goal = load(p.level).length - load(p.level).end_zone
    to_goal = (goal - p.line_of_scrimmage_yd) if p.direction > 0 else p.line_of_scrimmage_yd - load(p.level).end_zone
    limit = 9.0 * np.clip(to_goal / 15, 0.4, 1)
    corners = [d[k] for k in p.extra["corners"].values()]
    near = [i for i in d if abs(xy[i, 0] - limit) < 0.3]
    deep = [i for i in d if xy[i, 0] > limit and i not in corners]
    if not near:
        assert lab["deep_safeties"] == len(deep) == sum(q.deep for q in p.people)
    assert lab["middle_of_field"] == ("closed" if lab["deep_safeties"] % 2 else "open")
    for side, key in ((-1, "corner_depth_offense_left_yd"), (1, "corner_depth_offense_right_yd")):
        if lab[key] is not None:
            assert lab[key] == pytest.approx(xy[d[p.extra["corners"][side]], 0], abs=0.35)
    assert lab["coverage_before"] in COVERAGES
    assert (lab["motion_response"] is None) or lab["motion"]


@pytest.mark.parametrize("seed", SEEDS)
def test_labels_after_the_snap(seed: int) -> None:
    p = play(seed, kind="dropback")
    lab = p.labels
    assert lab["play_kind"] == "dropback"
    assert lab["rushers"] == sum(q.rusher for q in p.people) and 3 <= lab["rushers"] <= 8
    assert lab["blockers"] == sum(q.blocker for q in p.people) >= 5
    assert lab["spare_rushers"] == lab["rushers"] - lab["blockers"]
    assert lab["read_window"] == ("long" if lab["blockers"] > lab["rushers"] else "short")
    assert lab["deep_safeties_after"] == sum(q.deep_after for q in p.people)
    assert lab["coverage_after"] in COVERAGES
    xy = p.to_play_frame(p.xy_yd)
    late = (p.time_s >= 1.0) & (p.time_s <= 2.0)
    rush = [i for i, q in enumerate(p.people) if q.rusher]
    closer = xy[late][:, rush, 0].min(0)
    assert np.median(closer) < 0.5, "rushers cross the line"
    for i, q in enumerate(p.people):
        if q.deep_after:
            assert xy[late][:, i, 0].mean() > 3.5
            assert not q.rusher


def test_motion_is_what_the_tracks_show() -> None:
    seen = set()
    for seed in range(40):
        p = play(seed, "college", kind="dropback", motion=MOTIONS[1 + seed % 4])
        xy = p.to_play_frame(p.xy_yd)
        w = (p.time_s >= -3) & (p.time_s <= 0)
        able = [i for i in players(p, "offense") if p.people[i].position not in ("center", "guard", "tackle")]
        travel = float(np.ptp(xy[w][:, able, 1], axis=0).max())
        if abs(travel - 3) > 0.1:
            assert p.labels["motion"] == (travel > 3)
        if p.labels["motion"]:
            seen.add((p.extra["motion"], p.labels["motion_response"]))
    assert {k for k, _ in seen} >= {"across", "jet", "short"}
    assert {r for _, r in seen} >= set(RESPONSES)


def test_a_follower_travels_and_a_defence_that_stays_does_not() -> None:
    for seed in range(14):
        for answer in ("followed", "stayed"):
            p = play(seed, "professional", kind="dropback", motion="across", response=answer, coverage="cover_1")
            if p.extra["motion"] != "across":
                continue
            xy, d = p.to_play_frame(p.xy_yd), players(p, "defense")
            start, end = int(np.searchsorted(p.time_s, -3.0)), p.snap_index
            # lean on labels only where the walk up to the line is over
            shift = np.abs(xy[end, d, 1] - xy[start, d, 1]).max()
            assert (shift > 3.0) == (answer == "followed") or shift > 1.5, (seed, answer, shift)


@pytest.mark.parametrize("name", COVERAGE_CALLS)
def test_every_coverage_can_be_forced(name: str) -> None:
    family = COVERAGE_CALLS[name][0]
    for seed in range(4):
        p = play(seed, "professional", kind="dropback", coverage=name, disguise=False, los=60.0)
        assert p.extra["call"].family == family == p.labels["coverage_after"]
        if name not in ("cover_1", "cover_2", "cover_4"):
            assert p.extra["call"].coverage == name
        assert p.labels["deep_safeties_after"] == COVERAGE_CALLS[name][1]


@pytest.mark.parametrize("pressure", [*PRESSURES, 3, 4, 5, 6, 7, 8])
def test_every_pressure_can_be_forced(pressure: str | int) -> None:
    p = play(3, "professional", kind="dropback", pressure=pressure, los=50.0)
    assert p.labels["rushers"] == (pressure if isinstance(pressure, int) else p.extra["call"].rushers)


@pytest.mark.parametrize("front", FRONTS)
def test_every_front_can_be_forced(front: str) -> None:
    p = play(5, "college", kind="run", front=front, los=50.0)
    assert p.labels["play_kind"] == "run" and p.labels["rushers"] is None and p.labels["coverage_after"] is None
    depth = at_snap(p)[players(p, "defense"), 0]
    assert (depth < 1.7).sum() >= 3


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_can_be_forced(kind: str) -> None:
    for level in LEVELS:
        p = play(11, level, kind=kind if kind != "dropback" else "pure_dropback")
        want = (
            "run" if kind == "run" else "special" if kind in SPECIALS else "no_snap" if kind in NO_SNAPS else "dropback"
        )
        assert p.labels["play_kind"] == want
        assert (p.snap_index is None) == (want == "no_snap")


def test_free_draws_reach_everything() -> None:
    rng = np.random.default_rng(0)
    calls = [draw_call(rng, LEVELS[k % 4]) for k in range(3000)]
    assert {c.kind for c in calls} == set(KINDS)
    assert {c.coverage for c in calls} == set(COVERAGE_CALLS)
    assert {c.formation for c in calls} == set(FORMATIONS) and {c.front for c in calls} == set(FRONTS)
    assert {c.pressure for c in calls} == set(PRESSURES) and {c.motion for c in calls} == set(MOTIONS)
    assert {c.rushers for c in calls if c.kind in PASSES} == {3, 4, 5, 6, 7, 8}
    assert {c.shell for c in calls} == {0, 1, 2, 3}


def test_free_plays_show_every_value_of_a_label() -> None:
    labs = [play(s).labels for s in range(48)] + [play(s, "professional", kind="dropback").labels for s in range(60)]
    assert {x["rotation"] for x in labs} >= {"none", "two_to_one", "one_to_two"}
    assert {x["rotation_from"] for x in labs} >= {"offense_left", "offense_right"}
    assert {x["corner_picture"] for x in labs} >= {"both_press", "both_off", "mixed", "soft"}
    assert {x["read_window"] for x in labs} >= {"long", "short"}
    assert {x["disguised"] for x in labs} >= {True, False}
    assert {x["coverage_after"] for x in labs} >= set(COVERAGES)


@settings(max_examples=15, deadline=None)
@given(seed=seeds, direction=st.sampled_from([-1, 1]), level=st.sampled_from(LEVELS), los=st.floats(35, 85))
def test_forced_place_and_direction(seed: int, direction: int, level: str, los: float) -> None:
    p = make_play(seed, level, kind="dropback", direction=direction, los=los)
    assert p.direction == direction and p.line_of_scrimmage_yd == pytest.approx(los)
    o, d = players(p, "offense"), players(p, "defense")
    x = p.xy_yd[p.snap_index, :, 0]
    assert direction * (x[d].mean() - x[o].mean()) > 0
    f = load(level)
    lines = p.xy_yd[p.snap_index][o + d]
    assert lines[:, 1].min() > 0 and lines[:, 1].max() < f.width
    facing = p.facing_rad[p.snap_index]
    assert (direction * np.cos(facing[o])).mean() > 0.7 and (direction * np.cos(facing[d])).mean() < -0.7


def test_near_the_goal_line_and_backed_up_everybody_stays_inside() -> None:
    for seed in range(12):
        p = play(seed, "professional", kind="dropback", los=108.0, direction=1)
        assert p.xy_yd[: p.snap_index + 1, players(p, "defense"), 0].max() < 120.5
        p = play(seed, "professional", kind="dropback", los=12.0, direction=1)
        assert p.xy_yd[p.snap_index, players(p, "offense"), 0].min() > 0


def test_bystanders_stay_outside_the_sidelines() -> None:
    p = make_play(4, "professional", bystanders=True)
    beside = [i for i, q in enumerate(p.people) if q.role == "bystander"]
    assert len(beside) > 5 and all(p.people[i].side == "unknown" for i in beside)
    y = p.xy_yd[:, beside, 1]
    assert ((y < 0) | (y > load("professional").width)).all()


def test_spacing_matches_measured_film() -> None:
    """Against positions measured at the snap of 60 professional plays (medians and shares)."""
    pool = statistics.pool_of(80, "professional", 5000)
    want = statistics.MEASURED
    for name, slack in (
        ("line split", 0.05),
        ("neutral zone", 0.15),
        ("passer depth, not under centre", 0.3),
        ("nearest neighbour", 0.3),
        ("widest man to his sideline", 2.0),
        ("span across, all players", 3.0),
        ("corner over a wide receiver, depth", 1.8),
    ):
        assert np.median(pool[name]) == pytest.approx(want[name][2], abs=slack), name
    share = statistics.shares(pool)
    assert share["defenders under 1.5 yd deep"] == pytest.approx(46, abs=8)
    assert share["corners under 2.5 yd"] == pytest.approx(42, abs=14)


def test_wrong_names_are_refused() -> None:
    for bad in (
        {"coverage": "cover_9"},
        {"nonsense": 1},
        {"pressure": 11},
        {"kind": "lateral"},
        {"formation": "x"},
        {"coverage": "cover_4", "pressure": 8},
    ):
        with pytest.raises(UsageError):
            make_play(0, **bad)
    with pytest.raises(UsageError):
        make_play(0, "backyard")


def test_a_play_checks_its_shapes() -> None:
    p = play(1)
    with pytest.raises(ShapeError, match="xy_yd"):
        Play(**{**p.__dict__, "xy_yd": p.xy_yd[:-1]})


def test_teams_do_not_play_by_the_book() -> None:
    """What real defences do beside their call (common practice, no source): a label may then differ from the call."""
    plays = [play(s, "professional", kind="dropback") for s in range(260)]
    low = bail = carried = 0
    late = peeled = 0
    for p in plays:
        call, d = p.extra["call"], players(p, "defense")
        xy = p.to_play_frame(p.xy_yd)
        safeties = [i for i in d if p.people[i].position == "safety"]
        if call.family == "cover_4" and call.shell == 2:
            low += any(7.0 < xy[p.snap_index, i, 0] < 9.0 for i in safeties)
        corners = [d[k] for k in p.extra["corners"].values()]
        before = int(np.searchsorted(p.time_s, -1.2))
        bail += any(xy[before, i, 0] < 2.9 and xy[p.snap_index, i, 0] - xy[before, i, 0] > 0.5 for i in corners)
        at2 = int(np.searchsorted(p.time_s, 2.2))
        backers = [i for i in d if p.people[i].position in ("linebacker", "slot_defender")]
        carried += not call.man and any(xy[at2, i, 0] > 11.0 for i in backers)
        late += p.labels["rushers"] > call.rushers
        peeled += p.labels["rushers"] < call.rushers
    assert low and bail and carried > 3 and late, (low, bail, carried, late, peeled)
    wrong = sum(p.labels["deep_safeties"] != p.extra["call"].shell for p in plays)
    assert 0 < wrong < 60, "the picture is not always the one that was called"


def test_late_rushers_count_by_what_they_did() -> None:
    """DESIGN section 4: who attacks the passer by about 1.5 s rushes, who drops does not."""
    for p in (play(s, "professional", kind="dropback") for s in range(120)):
        k = int(np.searchsorted(p.time_s, 1.5))
        depth = p.to_play_frame(p.xy_yd)[k, :, 0]
        extra = p.labels["rushers"] - p.extra["call"].rushers
        if extra > 0:
            over = [i for i in players(p, "defense") if p.people[i].rusher and depth[i] < 0.8]
            assert len(over) >= p.labels["rushers"] - 2


def test_a_forced_rush_is_not_changed_on_the_field() -> None:
    for s in range(12):
        assert play(s, "professional", kind="dropback", pressure=4, los=50.0).labels["rushers"] == 4


def test_corner_pictures_and_rotations() -> None:
    """DESIGN section 4: press under 3, off over 5.5, soft between."""
    assert corner_picture(1.0, 2.0, 1.0) == "both_press" and corner_picture(7, 8, 1.0) == "both_off"
    assert corner_picture(1, 7, 1.0) == "mixed" and corner_picture(4, 7, 1.0) == "soft"
    assert corner_picture(2.0, 2.0, 0.5) == "soft", "depths shrink near the goal line"
    assert rotation_of(2, 1) == "two_to_one" and rotation_of(1, 2) == "one_to_two" and rotation_of(2, 0) == "to_none"
    assert rotation_of(2, 3) == "to_three" and rotation_of(1, 1) == "none" and rotation_of(0, 1) is None


def test_walks_keep_their_length_and_acceleration() -> None:
    """Against the closed form of a trapezoid in speed: distance, top speed, acceleration."""
    t = np.arange(-200, 1) / 30
    s = trapezoid(t, 8.0, 3.0, -0.5, False)
    v = np.gradient(s, t)
    assert s[0] == 0 and s[-1] == pytest.approx(8.0)
    assert v.max() == pytest.approx(3.0, abs=0.05) and np.abs(np.diff(s, 2) * 900).max() < 4.6
    s = trapezoid(t, 8.0, 6.0, 0.0, True)
    assert s[-1] == pytest.approx(8.0) and (s[-1] - s[-2]) * 30 == pytest.approx(6.0, abs=0.1)


def test_a_play_is_made_quickly() -> None:
    start = time.process_time()
    for s in range(9000, 9020):
        make_play(s)
    assert (time.process_time() - start) / 20 < 0.12, "about 0.025 s here; four times that is a regression"
