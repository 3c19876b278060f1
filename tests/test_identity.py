"""Paths settled over the whole play: likelihood against an independent computation, exchanges put right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from pipeline import identity
from pipeline.association import Track
from pipeline.ground import Finds
from pipeline.kalman import Filter

TIMES = np.array([-1.0, -0.5, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5])


def finds_of(xy: np.ndarray) -> list[Finds]:
    """xy (T, N, 2) -> finds in the order of the men; NaN where one is not found (and no find is there)."""
    out = []
    for frame in xy:
        here = frame[np.isfinite(frame).all(1)]
        m = len(here)
        cov = np.tile(np.diag([0.02, 0.04]), (m, 1, 1))
        none, no = np.zeros((m, 0)), np.zeros(m, bool)
        out.append(Finds(here, cov, np.arange(m), np.zeros(m, int), np.full(m, 0.9), none, no, np.full(m, 1.9), no))
    return out


def track(at: dict[int, int]) -> Track:
    return Track(Filter.start(-1.0, np.zeros(2), np.eye(2)), dict(at))


def settled(tracks: list[Track], finds: list[Finds], odds: list[np.ndarray] | None = None) -> list[dict[int, int]]:
    none = [np.zeros(len(f.xy)) for f in finds]
    return [t.at for t in identity.settle(tracks, finds, TIMES, odds or none)]


def test_likelihood_of_moves_is_that_of_the_joint_normal() -> None:
    """Without heavy tails the filter's likelihood must equal the density of all places at once, built from the
    integrals of white acceleration noise (covariance of an integrated Wiener process; any textbook on it)."""
    s = replace(identity.DEFAULTS, tails=1e9, snap_speed_sd=0.0, still_noise=2.0, play_noise=2.0)
    rng = np.random.default_rng(3)
    xy = rng.normal(0, 0.5, (len(TIMES), 1, 2)).cumsum(0)
    play = identity._Play(finds_of(xy), TIMES, [np.zeros(1)] * len(TIMES), s)
    t = TIMES - TIMES[0]
    low, high = np.minimum(t[:, None], t), np.maximum(t[:, None], t)
    walk = 2.0 * (low**2 * high / 2 - low**3 / 6)  # of the position, from the noise
    want = 0.0
    for axis in range(2):
        z, r = play.place[:, 0, axis], play.var[:, 0, axis]
        cov = walk + s.walk_speed_sd**2 * np.outer(t, t) + r[0] + np.diag(r)
        want += multivariate_normal(np.full(len(t) - 1, z[0]), cov[1:, 1:]).logpdf(z[1:])
    got = play.moves(np.zeros((1, len(TIMES)), np.int64))[0]
    assert got == pytest.approx(want, abs=1e-6)


def crossing() -> np.ndarray:
    """(T, 3, 2): two men cross at 4 yd/s, each past the other, a third stands; noise of an inch or two."""
    run = np.clip(TIMES, 0, None)[:, None]
    a = np.array([0.0, 0.0]) + run * [4.0, 1.0]
    b = np.array([4.0, 2.0]) + run * [-4.0, -1.0]
    c = np.tile([2.0, 4.0], (len(TIMES), 1))
    return np.stack([a, b, c], 1) + np.random.default_rng(1).normal(0, 0.05, (len(TIMES), 3, 2))


@pytest.mark.parametrize("wrong", [(1, 0, 2), (1, 2, 0), (2, 0, 1)])
def test_rests_of_paths_are_given_back(wrong: tuple[int, int, int]) -> None:
    """Two rests exchanged, or three in a ring, from any frame after the snap on."""
    finds = finds_of(crossing())
    for start in range(4, len(TIMES)):
        tracks = [track({i: wrong[k] if i >= start else k for i in range(len(TIMES))}) for k in range(3)]
        assert settled(tracks, finds) == [{i: k for i in range(len(TIMES))} for k in range(3)]


def test_nothing_before_the_snap_is_touched() -> None:
    finds = finds_of(crossing())
    tracks = [track({i: (1 - k if k < 2 and i == 0 else k) for i in range(len(TIMES))}) for k in range(3)]
    assert [a[0] for a in settled(tracks, finds)] == [1, 0, 2]


def test_a_man_hidden_takes_his_own_path_up_again() -> None:
    """He is missed where the two meet, and the other's track went on with his finds: both get their own."""
    xy = crossing()
    xy[5, 0] = np.nan
    finds = finds_of(xy)  # in frame 5 the finds are of the men 1 and 2
    tracks = [
        track({0: 0, 1: 0, 2: 0, 3: 0, 4: 0, 5: 0, 6: 1, 7: 1, 8: 1}),
        track({0: 1, 1: 1, 2: 1, 3: 1, 4: 1, 6: 0, 7: 0, 8: 0}),
        track({i: 1 if i == 5 else 2 for i in range(9)}),
    ]
    a, b, _ = settled(tracks, finds)
    assert a == {i: 0 for i in range(9) if i != 5}
    assert b == {i: 0 if i == 5 else 1 for i in range(9)}


def test_a_find_that_nobody_could_reach_is_nobodys() -> None:
    xy = crossing()
    xy[6, 2] += [9.0, 0.0]
    paths = settled([track({i: k for i in range(9)}) for k in range(3)], finds_of(xy))
    assert 6 not in paths[2]
    assert len(paths) == 3


def test_kits_decide_between_two_who_meet_and_stand() -> None:
    """They meet, stand a moment in one place and part: movement does not tell who is who, the kit does."""
    at = np.clip(TIMES, 0, 0.5)[:, None]
    back = np.clip(TIMES - 1.0, 0, None)[:, None]
    a = np.array([0.0, 0.0]) + at * [3.0, 0.0] + back * [0.0, 4.0]
    b = np.array([3.4, 0.0]) - at * [3.0, 0.0] + back * [0.0, -4.0]
    finds = finds_of(np.stack([a, b], 1))
    odds = [np.array([3.0, -3.0])] * len(TIMES)
    tracks = [track({i: k if i < 7 else 1 - k for i in range(9)}) for k in range(2)]
    assert settled(tracks, finds, odds) == [{i: k for i in range(9)} for k in range(2)]


def test_a_still_alone_stays_as_it_is() -> None:
    one = finds_of(crossing()[2:3])
    got = identity.settle([track({0: k}) for k in range(3)], one, np.zeros(1), [np.zeros(3)])
    assert [t.at for t in got] == [{0: 0}, {0: 1}, {0: 2}]
