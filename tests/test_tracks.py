"""Tracks from finds: who is there, who is not, and who stays the same man."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import formation, tracks
from pipeline.camera import Camera
from pipeline.errors import ShapeError
from pipeline.records import ROLES, SIDES, People, Registration
from pipeline.tracks import Sample

CAMERA = Camera(1280, 720, 4600.0, (60.0, -85.0, 50.0), 0.0, 24.0)
TIMES = (-2.0, -1.5, -1.0, -0.6, -0.3, -0.1, 0.0, 0.25, 0.5, 0.75, 1.0)
OK = Registration("ok", CAMERA, "sideline", "college", True, 0.5, 0.1)


def spread(rng: np.random.Generator) -> np.ndarray:
    """(22, 2) a formation: two lines facing each other and men behind them."""
    off = [(59.1, y) for y in (22.0, 23.6, 25.2, 26.8, 28.4)]
    off += [(59.0, 12), (59.0, 40), (58, 17), (55, 25.2), (55, 27), (58, 34)]
    dfn = [(60.8, y) for y in (21.5, 24.4, 26.0, 29.0)]
    dfn += [(64.5, 22), (64.5, 28), (64, 17), (65, 34), (67, 12), (67, 40), (72, 25)]
    return np.array(off + dfn, float) + rng.normal(0, 0.05, (22, 2))


def people(xy: np.ndarray, noise_px: float = 0.0, rng: np.random.Generator | None = None) -> People:
    n = len(xy)
    foot = CAMERA.ground_to_px(xy)
    if rng is not None:
        foot = foot + rng.normal(0, noise_px, foot.shape)
    box = np.concatenate([foot - [16, 75], foot + [16, 3]], 1)
    kit = np.tile([0.2, 0.5, 0.5], (n, 1))
    kit[11:22] = [0.8, 0.5, 0.5]
    return People(
        1280, 720, box.astype(np.float32), np.zeros(n, np.int64), np.full(n, 0.9, np.float32),
        foot.astype(np.float32), (foot - [0, 70]).astype(np.float32), np.zeros(n, bool), kit.astype(np.float32),
    )  # fmt: skip


def without(p: People, drop: list[int]) -> People:
    keep = np.setdiff1d(np.arange(len(p)), drop)
    return People(
        p.width_px, p.height_px, p.box_px[keep], p.role[keep], p.confidence[keep], p.ground_px[keep],
        p.head_px[keep], p.cut[keep], p.kit[keep],
    )  # fmt: skip


def with_extra(p: People, xy: tuple[float, float], role: str = "player") -> People:
    foot = CAMERA.ground_to_px(np.array([xy]))
    box = np.concatenate([foot - [16, 75], foot + [16, 3]], 1)
    return People(
        p.width_px, p.height_px, np.concatenate([p.box_px, box]).astype(np.float32),
        np.r_[p.role, ROLES.index(role)], np.r_[p.confidence, 0.5].astype(np.float32),
        np.concatenate([p.ground_px, foot]).astype(np.float32),
        np.concatenate([p.head_px, foot - [0, 70]]).astype(np.float32), np.r_[p.cut, False],
        np.concatenate([p.kit, p.kit[:1]]),
    )  # fmt: skip


@pytest.fixture()
def standing() -> list[Sample]:
    rng = np.random.default_rng(5)
    xy = spread(rng)
    return [Sample(int(t * 30) + 300, t, people(xy, 2.0, rng), OK) for t in TIMES]


def replace_at(samples: list[Sample], i: int, p: People, reg: Registration = OK) -> list[Sample]:
    out = list(samples)
    out[i] = Sample(out[i].frame, out[i].time_s, p, reg)
    return out


def at_snap(t: tracks.Tracks) -> int:
    return int(np.argmin(np.abs(t.time_s)))


def test_everybody_becomes_one_track_with_a_side(standing: list[Sample]) -> None:
    t = tracks.build(standing)
    assert t.xy_yd.shape == (len(TIMES), 22, 2)
    assert (t.side == SIDES.index("offense")).sum() == 11
    assert (t.side == SIDES.index("defense")).sum() == 11
    assert t.side_confidence.min() > 0.9


def test_a_person_missed_at_the_snap_counts(standing: list[Sample]) -> None:
    i = TIMES.index(0.0)
    t = tracks.build(replace_at(standing, i, without(standing[i].people, [21, 3])))
    assert t.xy_yd.shape[1] == 22
    assert np.isfinite(t.xy_yd[i]).all()
    assert t.seen[i].sum() == 20
    deep = t.xy_yd[i, np.argmax(t.xy_yd[i, :, 0])]
    assert deep == pytest.approx([72, 25], abs=0.5)


def test_a_false_find_in_one_frame_does_not_count(standing: list[Sample]) -> None:
    i = TIMES.index(0.0)
    t = tracks.build(replace_at(standing, i, with_extra(standing[i].people, (70.0, 33.0))))
    assert t.xy_yd.shape[1] == 22


def test_two_boxes_on_one_man_are_one(standing: list[Sample]) -> None:
    doubled = [Sample(s.frame, s.time_s, with_extra(s.people, (72.05, 25.1)), OK) for s in standing]
    t = tracks.build(doubled)
    assert (t.xy_yd[at_snap(t), :, 0] > 70).sum() == 1


def test_a_frame_without_registration_is_bridged(standing: list[Sample]) -> None:
    i = TIMES.index(0.0)
    lost = Registration("failed", None, "sideline", "college")
    t = tracks.build(replace_at(standing, i, standing[i].people, lost))
    assert t.xy_yd.shape[1] == 22
    assert np.isfinite(t.xy_yd[i]).all()
    assert not t.seen[i].any()


def test_a_frame_five_yards_off_is_put_back(standing: list[Sample]) -> None:
    i = TIMES.index(-0.3)
    off = Registration("ok", CAMERA.shifted(5.0), "sideline", "college", False, 0.5, 0.1)
    t = tracks.build(replace_at(standing, i, standing[i].people, off))
    assert t.xy_yd.shape[1] == 22
    assert np.nanmax(np.abs(t.xy_yd[i] - t.xy_yd[i + 1])) < 0.5


def test_runners_who_cross_keep_their_identity() -> None:
    rng = np.random.default_rng(2)
    start = spread(rng)
    samples = []
    for t in TIMES:
        xy = start.copy()
        run = max(t, 0.0)
        xy[5] += [6 * run, 2.5 * run]  # receivers crossing each other's side
        xy[7] += [5 * run, -2.5 * run]
        xy[21] += [3 * run, 0]
        samples.append(Sample(int(t * 30) + 300, t, people(xy, 2.0, rng), OK))
    t = tracks.build(samples)
    i0 = at_snap(t)
    for man, end in ((5, start[5] + [6, 2.5]), (7, start[7] + [5, -2.5])):
        k = int(np.argmin(np.linalg.norm(t.xy_yd[i0] - start[man], axis=1)))
        assert t.xy_yd[-1, k] == pytest.approx(end, abs=0.7)


def test_officials_are_no_players(standing: list[Sample]) -> None:
    seen = [Sample(s.frame, s.time_s, with_extra(s.people, (66.0, 25.5), "official"), OK) for s in standing]
    t = tracks.build(seen)
    assert (t.side == SIDES.index("official")).sum() == 1
    assert (t.side == SIDES.index("defense")).sum() == 11


def test_one_still_is_enough() -> None:
    t = tracks.build([Sample(0, 0.0, people(spread(np.random.default_rng(0))), OK)])
    assert (t.side == SIDES.index("defense")).sum() == 11


def test_nobody_found_gives_no_tracks() -> None:
    empty = without(people(spread(np.random.default_rng(0))), list(range(22)))
    t = tracks.build([Sample(0, 0.0, empty, OK)])
    assert t.xy_yd.shape == (1, 0, 2)


def test_no_samples_is_an_error() -> None:
    with pytest.raises(ShapeError, match="at least one sample"):
        tracks.build([])


def test_a_second_find_of_a_lineman_that_flickers_is_nobody(standing: list[Sample]) -> None:
    """Beside a lineman a second box comes in half of the frames: he is one man, and his own find stays his."""
    twice = [
        Sample(s.frame, s.time_s, with_extra(s.people, (60.6, 25.3)) if i % 2 else s.people, OK)
        for i, s in enumerate(standing)
    ]
    t = tracks.build(twice)
    assert t.xy_yd.shape[1] == 22


def test_a_man_of_the_roster_has_the_first_call_on_a_find() -> None:
    """A ghost beside a man before the snap does not take his finds when he runs after it."""
    rng = np.random.default_rng(7)
    start = spread(rng)
    samples = []
    for t in TIMES:
        xy = start.copy()
        xy[21] += [4 * max(t, 0.0), 0]
        p = people(xy, 2.0, rng)
        if t < 0 and t not in (-0.3, -1.0):
            p = with_extra(p, tuple(start[21] + [0.6, 0.3]))
        samples.append(Sample(int(t * 30) + 300, t, p, OK))
    t = tracks.build(samples)
    i0 = at_snap(t)
    k = int(np.argmin(np.linalg.norm(t.xy_yd[i0] - start[21], axis=1)))
    late = [i for i, time in enumerate(t.time_s) if time > 0]
    assert t.seen[late, k].all()
    assert t.xy_yd[-1, k] == pytest.approx(start[21] + [4 * t.time_s[-1], 0], abs=0.7)


def test_a_faint_find_counts_where_a_side_is_short_of_men(standing: list[Sample]) -> None:
    """A defender found with little confidence at his place in every frame is the eleventh; a twelfth is nobody."""
    dim = []
    for s in standing:
        faint = without(s.people, [i for i in range(22) if i != 20])
        faint = replace(faint, confidence=np.full(1, 0.15, np.float32))
        dim.append(Sample(s.frame, s.time_s, without(s.people, [20]), OK, faint))
    t = tracks.build(dim)
    assert (t.side == SIDES.index("defense")).sum() == 11
    i = at_snap(t)
    assert (t.found[i] == len(dim[i].people)).sum() == 1  # the index goes on behind the sure people
    full = [replace(s, faint=only_last(with_extra(s.people, (70.0, 33.0)))) for s in standing]
    assert tracks.build(full).xy_yd.shape[1] == 22


def only_last(p: People) -> People:
    """Only the last find, faint."""
    return replace(without(p, list(range(len(p) - 1))), confidence=np.full(1, 0.15, np.float32))


def test_a_place_beyond_the_picture_is_no_position(standing: list[Sample]) -> None:
    """A man who comes into the picture after the snap has no position before, where nothing was seen."""
    late = []
    for s in standing:
        x = 44.0 + 8.0 * max(s.time_s, 0.0)
        seen = with_extra(s.people, (x, 20.0), "official") if s.time_s > 0.4 else s.people
        late.append(Sample(s.frame, s.time_s, seen, OK))
    t = tracks.build(late)
    camera_sees = CAMERA.ground_to_px(t.xy_yd)
    inside = ((camera_sees > 0) & (camera_sees < (CAMERA.width_px, CAMERA.height_px))).all(-1)
    known = np.isfinite(t.xy_yd).all(-1)
    assert (inside | t.seen)[known].all()


def test_kits_are_learned_though_the_direction_is_uncertain(standing: list[Sample]) -> None:
    """Which men belong together is known even where it is open which of the two sides has the ball."""
    finds, found = tracks._first_pass(standing, np.array(TIMES), tracks.DEFAULTS)
    split = tracks._split(found, finds, np.array(TIMES), standing, tracks.DEFAULTS)
    assert split.formation is not None
    doubtful = replace(split.formation, odds=1.0)
    share = formation.direction_confidence(1.0) / formation.direction_confidence(split.formation.odds)
    unsure = replace(split, confidence=split.confidence * share, formation=doubtful)
    odds, _ = tracks._kit_evidence(found, unsure, finds)
    assert (np.abs(np.concatenate(odds)) > 1).mean() > 0.9
