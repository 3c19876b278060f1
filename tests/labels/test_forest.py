"""Learned scores: read from plain numbers, the same as scikit-learn's, strict about their form."""

from __future__ import annotations

import json

import numpy as np
import pytest

from models.training.fit_labels import grow
from pipeline import labels
from pipeline.errors import ModelError
from pipeline.labels import forest
from tests.labels.labels_board import front, offense


def data(n: int, classes: int) -> tuple[list[dict[str, float]], list[int]]:
    rng = np.random.default_rng(4)
    x = rng.normal(size=(n, 3))
    y = (x[:, 0] + 0.5 * x[:, 1] ** 2 > 0.4).astype(int) + (x[:, 2] > 0.8) * (classes > 2)
    x[rng.uniform(size=x.shape) < 0.1] = np.nan
    return [{"a": float(a), "b": float(b), "c": float(c)} for a, b, c in x], [int(v) for v in y]


@pytest.mark.parametrize("classes", [2, 3])
def test_a_forest_is_scikit_learns(classes: int) -> None:
    """Against HistGradientBoostingClassifier.predict_proba, unknown values included."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    rows, truth = data(400, classes)
    entry = grow(rows, truth, "small")
    mine = forest.parse(json.dumps({"forests": {"x": entry}}).encode())["x"].chances(rows)
    x = np.array([list(r.values()) for r in rows])
    theirs = HistGradientBoostingClassifier(
        max_iter=60, learning_rate=0.08, max_leaf_nodes=8, min_samples_leaf=12, l2_regularization=4.0, random_state=0
    ).fit(x, truth)
    assert mine == pytest.approx(theirs.predict_proba(x), abs=1e-4)


def stump(**changes: object) -> bytes:
    tree = {
        "class": 0, "feature": [0, -1, -1], "threshold": [0.5, 0, 0], "left": [1, 0, 0], "right": [2, 0, 0],
        "unknown_left": [1, 0, 0], "value": [0, -2.0, 2.0], **changes,
    }  # fmt: skip
    entry = {"features": ["a"], "classes": ["False", "True"], "start": [0.0], "trees": [tree]}
    return json.dumps({"forests": {"x": entry}}).encode()


def test_a_stump_by_hand() -> None:
    p = forest.parse(stump())["x"].chances([{"a": 0.5}, {"a": 0.6}, {"a": float("nan")}])[:, 1]
    assert p == pytest.approx([1 / (1 + np.e**2), 1 / (1 + np.e**-2), 1 / (1 + np.e**2)])


@pytest.mark.parametrize(
    "bad",
    [
        b"not json", b"[]", b"{}", stump(left=[0, 0, 0]), stump(right=[9, 0, 0]), stump(value=[1.0]),
        stump(feature=[3, -1, -1]),
    ],
)  # fmt: skip
def test_a_damaged_file_is_refused(bad: bytes) -> None:
    with pytest.raises(ModelError):
        forest.parse(bad)


def test_a_missing_feature_is_named() -> None:
    with pytest.raises(ModelError, match="'a'"):
        forest.parse(stump())["x"].chances([{"b": 1.0}])


def test_shipped_forests_know_the_features_measured() -> None:
    """Every shipped forest runs on a play; the rules alone run too."""
    b = front(offense())
    b.put("CL", "defense", (6.5, -15.0), (12.0, -15.0)).put("CR", "defense", (6.5, 15.0), (12.0, 15.0))
    b.put("FS", "defense", (13.0, 0.0), (16.0, 0.0)).put("NB", "defense", (5.0, -7.6), (8.0, -8.0))
    t, a, got = b.read()
    rules = labels.label(t, a, forests={})
    assert set(forest.shipped()) >= {"rush", "block", "deep_after", "kind", "coverage_after"}
    for name in ("play_kind", "rushers", "blockers", "deep_safeties_after"):
        assert got.by_name[name].value == rules.by_name[name].value, name
