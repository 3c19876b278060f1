"""Who counts as the corner of a side, and what counts as an answer to a motion."""

from __future__ import annotations

import numpy as np
import pytest

from models.training.playbook.build import build_play, opening
from models.training.playbook.calls import draw_call
from models.training.playbook.outcome import Scene
from models.training.playbook.roster import Man, Spot
from models.training.playbook.truth import before_labels, corner_of
from pipeline.errors import UsageError


def scene(*defense: Man) -> Scene:
    rng = np.random.default_rng(1)
    spot = Spot("college", 60.0, 26.7, 1, 26.7, 26.7, 50.0, 60.0, 60.0, 10.0)
    offense = [Man("offense", p, p, -1.1, a, eligible=abs(a) > 3.5)
               for p, a in (("tackle", -3.1), ("tackle", 3.1), ("receiver", -12.0), ("tight_end", 4.6))]  # fmt: skip
    return Scene(rng, spot, draw_call(rng, "college", kind="dropback"), offense, list(defense))


def man(position: str, depth: float, across: float) -> Man:
    return Man("defense", position, position, depth, across, on_line=depth < 1.5)


def test_a_corner_who_followed_a_motion_into_the_middle_is_the_corner_of_no_side() -> None:
    """DESIGN section 4: without a man on the widest receiver, the widest defender of the side."""
    s = scene(man("corner", 6.0, -12.0), man("corner", 6.3, 0.7), man("linebacker", 4.5, 3.7), man("edge", 0.8, 4.5))
    assert corner_of(s, -1) == 0
    assert corner_of(s, 1) == 2


def test_a_deep_safety_is_a_corner_only_with_nobody_else_on_his_side() -> None:
    """Common practice, no source: who stands at twelve yards inside is a safety."""
    left, deep = man("corner", 6.0, -12.0), man("safety", 12.0, 6.0)
    s = scene(left, deep, man("linebacker", 4.3, 2.0))
    assert corner_of(s, 1) == 2
    labels, deep_men, _ = before_labels(s, "cover_1", None)
    assert labels["deep_safeties"] == 1 and deep_men == {1}
    assert corner_of(scene(left, deep), 1) == 1


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_the_opening_is_the_play_up_to_its_snap(seed: int) -> None:
    play = build_play(seed, "college", kind="pass")
    o = opening(seed, "college", kind="pass")
    at = play.to_play_frame(play.xy_yd[play.snap_index, : o.before.shape[1]])
    assert np.abs(at - o.before[-1]).max() < 0.25  # people are pushed apart and joints smoothed afterwards
    assert o.scene.call == play.extra["call"]


def test_the_opening_of_a_kick_is_refused() -> None:
    with pytest.raises(UsageError):
        opening(1, "college", kind="punt")
