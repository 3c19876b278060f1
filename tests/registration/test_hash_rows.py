"""Which row of hash marks is which, and fits that put the end-zone camera where none stands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.registration import hash_rows, judge, solve, solver
from tests.registration.test_marks import SIZE, decoded


def row_of_points(x0: float, x1: float, count: int, answer: float) -> np.ndarray:
    """Ridge points (N, 5) on a line down the picture from x0 at the top to x1 at the bottom."""
    t = np.linspace(0.05, 0.95, count)
    d = np.array([x1 - x0, 720.0])
    n = np.array([d[1], -d[0]]) / np.linalg.norm(d)
    xy = np.stack([x0 + (x1 - x0) * t, 720 * t], 1)
    return np.concatenate([xy, np.tile(n, (count, 1)), np.full((count, 1), answer)], 1)


@pytest.mark.parametrize(
    ("count", "answer", "ways"),
    [(60, 0.9, ["both"]), (20, 0.9, ["both", "near", "far"]), (60, 0.4, ["both", "near", "far"])],
)
def test_a_weak_second_line_may_be_none(count: int, answer: float, ways: list[str]) -> None:
    _, _, found = decoded(1, "endzone", "college")
    strong, weak = row_of_points(700, 760, 60, 0.9), row_of_points(300, 200, count, answer)
    marks = replace(found, ridge={**found.ridge, "near_hash": strong, "far_hash": weak})
    got = hash_rows.variants(marks, "endzone")
    assert [rows for _, rows, _ in got] == ways
    assert all(log <= got[0][2] for _, _, log in got)
    for m, rows, _ in got[1:]:  # the one line left is the strong one
        assert len(m.ridge[f"{rows}_hash"]) == len(strong)


@pytest.mark.parametrize(("view", "off", "ticks", "believed"), [
    ("endzone", 3.0, 0, True), ("endzone", -19.0, 1, False), ("endzone", 19.0, 2, True), ("sideline", 90.0, 0, True),
])  # fmt: skip
def test_end_zone_cameras_do_not_stand_far_beside_the_middle(view: str, off: float, ticks: int, believed: bool) -> None:
    f = fields.load("college")
    row = solver.row_of(Camera(*SIZE, 7000.0, (-60.0, f.width / 2 + off, 40.0), 90.0, 20.0, 0.0, 0.0))
    q = solve.Quality(0.5, 1.0, 5, 1, 20.0, 0.0, 100)
    fit = judge.Fit(row, "college", view, 10.0, solve.lines(np.zeros((0, 2)), 1, 0.0, 1.0, 1.0), q, tick_rows=ticks)
    assert (judge.beside(fit) == "") is believed
