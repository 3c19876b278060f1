"""What can fool the snap finder, one small film of each: the snap is found and nothing sure is invented beside it.

Truth: the play's own clock. How often each trap works is measured by ``python -m models.training.snap_traps``.
"""

from __future__ import annotations

import numpy as np
import pytest

from models.training import snap_clips, snap_traps
from pipeline import snap, snap_check

SEED = 85_000_001


@pytest.mark.parametrize("trap", [
    "offside jump, then reset", "hard count", "zoom before the snap", "cut in mid play", "10 % of frames dropped",
    "12 % of frames repeated", "interlaced", "variable rate",
])  # fmt: skip
def test_the_snap_is_found_in_spite_of(trap: str) -> None:
    film = snap_traps.TRAPS[trap](SEED)
    got = snap_traps.look_at(film, snap.shipped_scorer(), snap_check.shipped_checker())
    assert got["snaps"] == 1 and got["near"] == 1 and got["false_sure"] == 0


@pytest.mark.parametrize("trap", ["starts at the snap (no snap to find)", "foul before the snap, dead ball"])
def test_nothing_is_invented_where(trap: str) -> None:
    film = snap_traps.TRAPS[trap](SEED)
    got = snap_traps.look_at(film, snap.shipped_scorer(), snap_check.shipped_checker())
    assert got["snaps"] == 0 and got["false"] == 0


def test_dropped_and_repeated_frames_are_as_asked() -> None:
    rng = np.random.default_rng(0)
    repeated = snap_clips.shown_frames(2000, rng, 0.12, 0.0)
    dropped = snap_clips.shown_frames(2000, rng, 0.0, 0.1)
    assert len(repeated) == 2000 and 0.08 < (np.diff(repeated) == 0).mean() < 0.16
    assert 0.08 < 1 - len(dropped) / 2000 < 0.12 and (np.diff(dropped) > 0).all()
    frames = (np.full((2, 2), k % 256, np.uint8) for k in range(2000))
    assert [int(f[0, 0]) for f in snap_clips.in_order(frames, repeated)] == [k % 256 for k in repeated]
