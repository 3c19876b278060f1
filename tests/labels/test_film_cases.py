"""Charted film as cases: whom a track follows is told from places alone, and halves never mix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.training import film_cases
from models.training.label_data import case, named_corners
from models.training.observe import PERFECT, observe
from models.training.playbook.play import make_play


@pytest.mark.parametrize("late_s", [0.0, 0.4])
def test_tracks_are_told_whom_they_follow(late_s: float) -> None:
    """Held against the finds themselves, which know whose they are; the snap told late by a known time."""
    play = make_play(31_415, "college", kind="dropback")
    made = case(play, observe(play, 3, PERFECT, times_s=np.arange(-2.0, 1.6, 0.25)), "perfect", "sideline")
    at = [int(np.argmin(np.abs(play.time_s - t))) for t in made.tracks.time_s + late_s]
    shifted = made.alignment.depth_yd * 0 + play.to_play_frame(play.xy_yd[at])[:, made.owner, 0]
    across = play.to_play_frame(play.xy_yd[at])[:, made.owner, 1]
    a = replace(made.alignment, depth_yd=shifted, across_yd=across)
    owner = film_cases.followed(play, made.tracks, a, late_s)
    assert (owner == made.owner).all()
    told = film_cases.case(play, made.tracks, a, late_s, "sideline")
    assert told.direction == a.direction and told.corners == named_corners(play)


def test_a_play_read_the_wrong_way_round_is_not_learned_from() -> None:
    play = make_play(31_416, "college", kind="dropback")
    made = case(play, observe(play, 3, PERFECT), "perfect", "sideline")
    turned = replace(made.alignment, depth_yd=-made.alignment.depth_yd + 5.0, across_yd=-made.alignment.across_yd + 9.0)
    told = film_cases.case(play, made.tracks, turned, 0.0, "sideline")
    assert told.direction != turned.direction


def test_halves() -> None:
    """Plays that forests are grown on in halves (even, odd) lie in both."""
    seeds = range(90_000_000, 90_000_040)
    learned = [s for s in seeds if film_cases.learns(s)]
    assert len(learned) == 20 and {s % 2 for s in learned} == {0, 1}
