"""How much of the coverage is knowable before the snap: the two bounds, and pictures made cheaply."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.training import knowable, openings
from models.training.knowable import Bound
from models.training.playbook.calls import COVERAGE_CALLS
from pipeline.records import SIDES


def test_nothing_after_the_snap_and_nothing_of_the_call_is_seen() -> None:
    """Two plays alike but for the call behind the same picture look the same to the observer."""
    o = next(iter(knowable.draw(1, 123)))
    before = knowable.seen(o)
    object.__setattr__(o.scene.call, "coverage", next(c for c in COVERAGE_CALLS if c != o.scene.call.coverage))
    after = knowable.seen(o)
    assert before.keys() == after.keys()
    assert all(np.array_equal(before[k], after[k], equal_nan=True) for k in before)
    assert not any("deep_jobs" in k or "coverage" in k for k in before)


def test_bounds_of_a_picture_that_tells_all_and_of_one_that_tells_nothing() -> None:
    """By hand: a feature that is the answer gives all, noise gives the commonest two of three."""
    rng = np.random.default_rng(0)
    truth = rng.choice(["a", "b", "c"], 900, p=[0.5, 0.3, 0.2])
    tells = [{"x": float("abc".index(t))} for t in truth]
    noise = [{"x": float(v)} for v in rng.normal(size=900)]
    assert knowable.bound("seen", tells, list(truth)).first > 0.99
    b = knowable.bound("seen", noise, list(truth))
    assert b.first == pytest.approx(0.5, abs=0.06) and b.first_two == pytest.approx(0.8, abs=0.06)
    assert b.low < b.first_two < b.high


def test_what_was_drawn_tells_more_than_what_is_seen() -> None:
    seen, drawn = knowable.measure(900, seed=77_000)
    assert drawn.first_two > seen.first_two > 0.6


def test_pictures_hold_their_corners_and_end_at_the_snap() -> None:
    pictures = list(openings.make(30, seed=88_000))
    assert len(pictures) > 25
    named = 0
    for p in pictures:
        assert p.tracks.time_s.max() <= 0.0 and len(p.owner) == len(p.tracks.side)
        for corner in p.corners:
            found = np.flatnonzero(p.owner == corner)
            named += len(found)
            assert all(p.alignment.depth_yd[-1, i] > -1.5 for i in found if p.tracks.side[i] == SIDES.index("defense"))
    assert named > 1.6 * len(pictures)
    sizes = {len(p.owner) for p in pictures}
    assert min(sizes) < 22 <= max(sizes)  # somebody is missed now and then


def test_the_card_is_written_between_its_markers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "labels"
    folder.mkdir()
    card = f"before\n{knowable.BEGIN}\nstale figures\n{knowable.END}\nafter\n"
    (folder / "card.md").write_text(card, encoding="utf-8")
    monkeypatch.setattr(knowable, "models_dir", lambda: tmp_path)
    knowable.write_card([Bound("seen", 100, 0.6, 0.8, 0.7, 0.87)])
    text = (folder / "card.md").read_text(encoding="utf-8")
    assert "stale figures" not in text and text.startswith("before") and text.endswith("after\n") and "80.0 %" in text
