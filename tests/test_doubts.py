"""Reasons against the people of a play, and how far their places may be off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import review, tracks
from pipeline.camera import Camera
from pipeline.ground import on_ground
from pipeline.records import ROLES, People, Registration, Snap
from pipeline.tracks import DEFAULTS, Sample
from tests.test_tracks import CAMERA, OK, TIMES, people, spread, without


def standing(p: People | None = None, registration: Registration = OK) -> list[Sample]:
    shown = people(spread(np.random.default_rng(5))) if p is None else p
    return [Sample(int(t * 30) + 300, t, shown, registration) for t in TIMES]


def test_nothing_speaks_against_a_plain_play() -> None:
    assert tracks.build(standing()).doubts == ()


def test_men_of_the_wrong_height_mean_that_field_or_finder_is_wrong() -> None:
    """The same boxes under a registration of half the scale are men of one yard: common practice, no source, for
    the bounds; a man is about two yards tall."""
    far = replace(CAMERA, focal_px=CAMERA.focal_px * 2)
    wrong = Registration("ok", far, "sideline", "college", True, 0.5, 0.1)
    doubts = tracks.build(standing(registration=wrong)).doubts
    assert any("yd tall" in d for d in doubts)


def test_few_people_and_little_confidence_are_said() -> None:
    p = people(spread(np.random.default_rng(5)))
    few = tracks.build(standing(without(p, [5, 6, 7, 8, 15, 16, 17, 18, 19, 20]))).doubts
    assert any("only 12 players" in d for d in few)
    dim = replace(p, confidence=np.full(len(p), 0.3, np.float32))
    assert any("little confidence" in d for d in tracks.build(standing(dim)).doubts)


def test_a_player_cut_by_the_edge_is_there_and_said_to_be_cut() -> None:
    p = people(spread(np.random.default_rng(5)))
    cut = np.zeros(len(p), bool)
    cut[21] = True
    t = tracks.build(standing(replace(p, cut=cut)))
    assert t.xy_yd.shape[1] == 22
    assert any("1 of the players cut" in d for d in t.doubts)
    assert t.place_error_yd is not None
    far = int(np.nanargmax(t.xy_yd[-1, :, 0]))
    assert t.place_error_yd[-1, far] > 1.5 * np.median(t.place_error_yd[-1])


def test_doubts_become_reasons_to_review() -> None:
    snap = Snap("ok", 300, None, 0.9)
    assert "not certain which side has the ball" in review.reasons(
        snap, OK, None, None, ("not certain which side has the ball",)
    )


def test_feet_below_the_picture_are_placed_by_the_head() -> None:
    """Analytic camera: a man 1.65 yd at the head, his feet 25 px below the picture's lower edge."""
    camera = Camera(1280, 720, 4600.0, (60.0, -85.0, 50.0), 0.0, 24.0)
    place = camera.px_to_ground(np.array([640.0, 745.0]))
    head = camera.project(np.r_[place, DEFAULTS.head_yd])
    one = People(
        1280, 720, np.array([[620, head[1] - 8, 660, 719]], np.float32), np.zeros(1, np.int64),
        np.array([0.8], np.float32), np.array([[640, 718]], np.float32), head[None].astype(np.float32),
        np.ones(1, bool), np.zeros((1, 3), np.float32),
    )  # fmt: skip
    found = on_ground(Sample(0, 0.0, one, Registration("ok", camera, "sideline", "college", True, 0.5, 0.1)), DEFAULTS)
    assert found.xy[0] == pytest.approx(place, abs=0.05)


def test_error_grows_while_a_man_is_out_of_sight_after_the_snap() -> None:
    samples = standing()
    gone = [i for i, t in enumerate(TIMES) if t > 0.3]
    p = without(samples[0].people, [21])
    hidden = [replace(s, people=p) if i in gone else s for i, s in enumerate(samples)]
    t = tracks.build(hidden)
    assert t.place_error_yd is not None
    deep = int(np.argmax(t.xy_yd[TIMES.index(0.0), :, 0]))
    assert t.place_error_yd[TIMES.index(1.0), deep] > t.place_error_yd[TIMES.index(0.0), deep] + 0.5
    assert ROLES[int(t.role[deep])] == "player"
