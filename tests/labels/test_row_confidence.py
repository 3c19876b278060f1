"""The confidence of a whole row: the chance that everything it shows is right, coverage included."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import brier_score_loss

from models.training.evaluate_labels import row_answers, row_figures
from models.training.fit_labels import RISING, grow
from pipeline import alignment, labels
from pipeline.compare import Pair
from pipeline.labels import scene, trust
from pipeline.labels.forest import parse, shipped
from pipeline.records import Label
from tests.labels.labels_board import Board, front, offense


def board() -> Board:
    b = front(offense())
    b.put("CL", "defense", (6.5, -15.0), (12.0, -15.0)).put("CR", "defense", (6.5, 15.0), (12.0, 15.0))
    return b.put("FS", "defense", (13.0, 0.5), (16.0, 0.5)).put("NB", "defense", (5.0, -7.5), (8.0, -7.5))


def view(forests: dict | None = None) -> scene.Scene:  # type: ignore[type-arg]
    t = board().tracks()
    return scene.build(t, alignment.align(t), labels.load(), shipped() if forests is None else forests)


def said(**sure: float) -> dict[str, Label]:
    """All labels that a row's confidence is about, with these confidences."""
    p = dict.fromkeys(trust.ROW_LABELS, 0.95) | sure
    return {n: Label("x", v, "ok", "") for n, v in p.items()}


def test_without_a_table_the_confidences_are_multiplied() -> None:
    """By hand: independent answers are all right with the product of their chances."""
    v = view({})
    want = 0.95 ** (len(trust.ROW_LABELS) - 1) * 0.6 * v.confidence
    assert trust.row(v, said(coverage_after=0.6)) == pytest.approx(want)


@pytest.mark.parametrize("name", ["coverage_after", "deep_safeties", "rushers"])
def test_a_label_less_sure_never_makes_the_row_surer(name: str) -> None:
    v = view()
    p = [trust.row(v, said(**{name: q})) for q in (0.3, 0.5, 0.7, 0.85, 0.97)]
    assert p == sorted(p) and p[-1] > p[0]


def test_a_row_that_shows_nothing_is_not_sure() -> None:
    v = view()
    hidden = {n: replace(x, value=None, status="not_visible") for n, x in said().items()}
    assert trust.row(v, hidden) == 0.0


def test_the_row_rests_on_the_coverage() -> None:
    """The row of a play is no surer than its coverage by more than the table's own error."""
    t = board().tracks()
    got = labels.label(t, alignment.align(t))
    assert 0.0 < labels.reasons(got)[1] <= 1.0
    assert "coverage_after" in trust.shown(got.by_name)


def test_a_table_of_rows_learns_what_is_right() -> None:
    """Made-up rows that are right with a known chance come back with about that chance, on rows not learned."""
    rng = np.random.default_rng(4)
    v, rows, right, chance = view(), [], [], []
    for _ in range(900):
        cover, rush = rng.uniform(0.3, 0.99, 2)
        rows.append(trust.measured_row(said(coverage_after=cover, rushers=rush), trust.seeing(v)))
        chance.append(cover * rush)
        right.append(bool(rng.random() < cover * rush))
    table = parse(json.dumps({"forests": {"x": grow(rows[:600], right[:600], "trust", RISING)}}).encode())["x"]
    p = table.chances(rows[600:])[:, 1]
    assert np.abs(p - np.array(chance[600:])).mean() < 0.1


def test_rows_are_right_only_when_all_they_show_is() -> None:
    """By hand, and the Brier score against scikit-learn's."""
    truth = {"play_kind": "dropback", "deep_safeties": 2, "rushers": 4, "coverage_after": "cover_4", "motion": False}
    row = {**truth, "confidence": 0.8}
    pairs = [
        Pair("a", truth, row),
        Pair("b", truth, {**row, "coverage_after": "cover_2", "confidence": 0.3}),
        Pair("c", truth, {**row, "coverage_after": None, "confidence": 0.9}),  # blank: not shown
        Pair("d", truth, None),
    ]
    right, sure = row_answers(pairs)
    assert right.tolist() == [1, 0, 1] and sure.tolist() == [0.8, 0.3, 0.9]
    assert row_figures(pairs)["labels_row_brier"] == pytest.approx(brier_score_loss(right, sure))
    assert row_figures([Pair("d", truth, None)]) == {}
