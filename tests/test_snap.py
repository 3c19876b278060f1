"""Snap: found to the frame on plays never trained on, and not invented; traps before the snap; several plays.

Truth is the play's own clock (models.training.playbook): the ball is snapped at 0 s. The films are quick grey
stick-figure films with seeds no training uses. Shares over hundreds of clips are measured by ``make bench``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from models.training import snap_clips, snap_film
from models.training.playbook.play import Play, make_play
from pipeline import motion as motion_stage
from pipeline import onset, sampling, snap
from pipeline.records import Motion, Shot, Snap
from tests.quick_clips import write

SEEDS = range(770_001, 770_007)


def quick_motion(
    play: Play, seed: int, rate: Fraction = Fraction(30), **span: Any
) -> tuple[Motion, list[int]]:
    """(motion, snap frames) of a quick film through H.264 and the motion stage."""
    rng = np.random.default_rng(seed)
    look = replace(
        snap_film.draw_look(rng, play, view="sideline"), follow=0.6, zoom_rate=0.0, early_pan_deg_s=0.0, sweeps=()
    )
    film = snap_film.QuickFilm(play, look, seed, float(rate), **span)
    return snap_clips.meter(snap_clips.through_codec(film, rate, 24, "veryfast"), rate), film.snap_frames


@pytest.fixture(scope="module")
def found() -> list[tuple[Snap, int, Motion]]:
    """(snap, true frame, motion) of six plays with the usual movement before the snap."""
    out = []
    for seed in SEEDS:
        play = snap_film.add_traps(make_play(seed, "college", kind="pass"), np.random.default_rng(seed))
        motion, truth = quick_motion(play, seed, first_s=-3.0, last_s=1.5)
        out.append((snap.find_snap(motion), truth[0], motion))
    return out


def test_snaps_are_found_to_two_frames(found: list[tuple[Snap, int, Motion]]) -> None:
    close = [s.frame is not None and abs(s.frame - truth) <= 2 for s, truth, _ in found]
    assert sum(close) >= len(found) - 1


def test_a_snap_carries_its_time_and_evidence(found: list[tuple[Snap, int, Motion]]) -> None:
    for s, _, motion in found:
        if s.frame is None:
            continue
        at = list(motion.frame).index(s.frame)
        assert s.time_s == motion.time_s[at] and 0 < s.confidence <= 1
        second = s.evidence["second"]["score"] if s.evidence["second"] else 0.0
        assert s.status == snap.status_of(s.confidence, second, snap.DEFAULTS.with_check())
        score = s.evidence["score"]
        assert len(score) == len(onset.ticks(motion)[0]) and score.max() >= snap.DEFAULTS.threshold


def test_sixty_frames_a_second(found: list[tuple[Snap, int, Motion]]) -> None:
    play = make_play(SEEDS[1], "college", kind="pass")
    motion, truth = quick_motion(play, SEEDS[1], Fraction(60), first_s=-2.0, last_s=1.2)
    got = snap.find_snap(motion)
    assert got.frame is not None and abs(got.frame - truth[0]) <= 4


@pytest.mark.parametrize("seed", [770_101, 770_103, 770_104])
def test_nothing_is_invented_before_the_snap(seed: int) -> None:
    """Motion men, shifts, flinches and linemen who get down: the film ends before the ball moves."""
    play = snap_film.add_traps(make_play(seed, "professional", kind="pass"), np.random.default_rng(seed))
    motion, truth = quick_motion(play, seed, last_s=-0.1)
    got = snap.find_snap(motion)
    assert not truth and got.frame is None and got.status == "failed" and "snap" in got.reason


@pytest.mark.parametrize("seed", [770_201, 770_202])
def test_clips_without_a_snap(seed: int) -> None:
    motion, _ = quick_motion(make_play(seed, "high_school", kind="no_snap"), seed)
    assert snap.find_snap(motion).frame is None


def test_two_plays_in_one_shot_without_a_cut() -> None:
    rng = np.random.default_rng(5)
    first = make_play(770_301, "college", kind="pass", los=50.0, direction=1)
    second = make_play(770_302, "college", kind="pass", los=56.0, direction=1)
    motion, truth = quick_motion(snap_film.join([first, second], rng), 770_301)
    got = [s.frame for s in snap.find_snaps(motion) if s.frame is not None]
    assert len(truth) == len(got) == 2
    assert all(abs(a - b) <= 4 for a, b in zip(got, truth, strict=True))


def test_two_plays_with_a_cut_between(tmp_path: Path) -> None:
    """Through a real file: the shots are told apart and each has its snap, counted in the file's frames."""
    frames: list[np.ndarray] = []
    truth = []
    for seed in (770_001, 770_003):
        play = make_play(seed, "college", kind="pass")
        look = snap_film.draw_look(np.random.default_rng(seed), play, view="sideline")
        film = snap_film.QuickFilm(play, replace(look, height_px=270, sweeps=()), seed, 30.0, -2.0, 1.5)
        truth.append(len(frames) + film.snap_frames[0])
        frames += [np.repeat(f[..., None], 3, 2) for f in film]
    pieces = list(motion_stage.measure(write(tmp_path / "a.mp4", frames)))
    assert len(pieces) == 2
    for (shot, motion), want in zip(pieces, truth, strict=True):
        got = snap.find_snap(motion, shot=shot)
        assert got.frame is not None and abs(got.frame - want) <= 3


# Parts, on numbers made by hand.


def made(activity: np.ndarray, rate: int = 30) -> Motion:
    count = len(activity)
    return Motion(
        480, 272, np.arange(count), tuple(Fraction(i, rate) for i in range(count)),
        np.tile(np.eye(3), (count, 1, 1)), activity.astype(np.float32), np.zeros(count, bool),
    )  # fmt: skip


def bump(at: float, height: float = 0.9) -> Callable[[np.ndarray], np.ndarray]:
    """A scorer with one peak at a second."""
    return lambda grid: height * np.exp(-0.5 * ((np.arange(len(grid)) / 30 - at) / 0.05) ** 2)


def step(count: int, at: int, rate: int = 30) -> Motion:
    """Cells of a formation that are still until frame ``at`` and faster and faster after it."""
    rng = np.random.default_rng(0)
    activity = rng.uniform(0, 0.1, (count, 34, 60))
    activity[at:, 12:22, 24:36] += np.minimum(0.25 * np.arange(1, count - at + 1) * 30 / rate, 3)[
        :, None, None
    ]
    return made(activity, rate)


@pytest.mark.parametrize("rate", [24, 30, 60])
def test_the_exact_frame_is_where_the_rise_starts(rate: int) -> None:
    """The scorer may be three frames off; the change point is within 2/30 s. Truth by construction."""
    at = 2 * rate
    got = snap.find_snap(step(4 * rate, at, rate), scorer=bump(2.0 + 0.1))
    assert got.frame is not None and abs(got.frame - at) <= 2 * rate / 30


def test_shots_own_their_snaps() -> None:
    motion = step(120, 60)
    assert snap.find_snap(motion, scorer=bump(2.0), shot=Shot(30, 119)).frame is not None
    assert snap.find_snap(motion, scorer=bump(2.0), shot=Shot(90, 119)).frame is None


def test_peaks_keep_their_distance() -> None:
    score = np.zeros(900)
    score[[100, 150, 400, 800]] = [0.9, 0.8, 0.2, 0.6]
    assert snap.peaks(score) == [100, 800]


def test_too_short() -> None:
    got = snap.find_snap(step(9, 5), scorer=bump(0.1))
    assert got.frame is None and "short" in got.reason


def test_ticks_follow_a_variable_rate() -> None:
    times = [Fraction(0), Fraction(1, 60), Fraction(1, 10), Fraction(1, 5)]
    motion = replace(made(np.zeros((4, 34, 60))), time_s=tuple(times))
    index, at = onset.ticks(motion)
    assert list(index) == [0, 1, 1, 2, 2, 2, 3] and np.allclose(at, np.arange(7) / 30)


@pytest.mark.parametrize("layout", [onset.SHORT, onset.LONG])
def test_windows_agree_with_plain_means(layout: onset.Layout) -> None:
    grid = np.random.default_rng(2).random((70, onset.ROWS, onset.COLUMNS), np.float32)
    grid = onset.coarse(grid, layout)
    chunks = np.concatenate([c[i] for _, i, c in onset.windows(grid, chunk=16, margin=5, layout=layout)])
    assert chunks.shape == (70, layout.channels, layout.rows, layout.columns)
    for k in (0, 20, 69):
        for c, (first, last) in enumerate(layout.spans):
            part = grid[max(0, k + first) : max(0, k + last + 1)]
            want = part.mean(0) if len(part) else np.zeros_like(grid[0])
            assert np.allclose(chunks[k, c], want, atol=1e-5)
    if layout.room:
        assert np.all(chunks[0, -2] == 0) and np.all(chunks[69, -1] == 0) and np.all(chunks[69, -2] <= 1)


def test_samples_are_dense_after_the_snap_and_avoid_repeats() -> None:
    motion = replace(made(np.zeros((300, 34, 60))), repeated=np.arange(300) % 4 == 1)
    plan = sampling.plan_samples(motion, Snap("ok", 120, Fraction(4), 0.9))
    at = np.array(list(plan.values()))
    assert plan[120] == 0.0 and list(plan) == sorted(plan)
    assert 7 <= (at < 0).sum() <= 9 and 10 <= ((at > 0) & (at <= 2.05)).sum() <= 14
    assert sum(f % 4 == 1 for f in plan if f != 120) <= 1
    assert len(sampling.plan_samples(motion, Snap("failed", None, None, 0.0))) == 1


def test_samples_stay_inside_the_shot() -> None:
    motion = made(np.zeros((60, 34, 60)))
    plan = sampling.plan_samples(motion, Snap("ok", 15, Fraction(1, 2), 0.9))
    assert min(plan) >= 0 and max(plan) <= 59 and min(plan.values()) >= -0.5
