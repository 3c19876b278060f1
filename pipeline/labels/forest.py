"""Boosted decision trees read from a plain JSON file: the learned scores beside the rules.

A forest adds up the leaves of its trees to log odds (two classes) or scores by class (softmax). At a node the
sample goes left where its feature is at most the threshold; an unknown value goes where the node says.
Trained by models.training.fit_labels (gradient boosting after Friedman 2001); no pickle.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import models
from pipeline.errors import ModelError

Array = NDArray[np.float64]
NAME = "labels"


@dataclass(frozen=True)
class Tree:
    """Parallel arrays by node: feature (-1 in a leaf), threshold, left, right, unknown_left, value; for: class."""

    feature: NDArray[np.int64]
    threshold: Array
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    unknown_left: NDArray[np.bool_]
    value: Array
    of_class: int


@dataclass(frozen=True)
class _Flat:
    """All nodes of all trees in one row of arrays, so that every tree is walked at once. root (trees,)."""

    feature: NDArray[np.int64]
    threshold: Array
    left: NDArray[np.int64]
    right: NDArray[np.int64]
    unknown_left: NDArray[np.bool_]
    value: Array
    root: NDArray[np.int64]
    of_class: NDArray[np.int64]

    @staticmethod
    def of(trees: Sequence[Tree]) -> _Flat:
        root = np.cumsum([0, *(len(t.feature) for t in trees)])[:-1]
        join = np.concatenate
        return _Flat(
            join([t.feature for t in trees]), join([t.threshold for t in trees]),
            join([t.left + r for t, r in zip(trees, root, strict=True)]),
            join([t.right + r for t, r in zip(trees, root, strict=True)]),
            join([t.unknown_left for t in trees]), join([t.value for t in trees]), root,
            np.array([t.of_class for t in trees], np.int64),
        )  # fmt: skip

    def leaves(self, x: Array) -> Array:
        """(n, features) -> (n, trees) value of the leaf each sample ends in."""
        at = np.tile(self.root, (len(x), 1))
        rows = np.arange(len(x))[:, None]
        while True:
            f = self.feature[at]
            inner = f >= 0
            if not inner.any():
                return np.asarray(self.value[at])
            v = x[rows, np.maximum(f, 0)]
            left = np.where(np.isnan(v), self.unknown_left[at], v <= self.threshold[at])
            at = np.where(inner, np.where(left, self.left[at], self.right[at]), at)


@dataclass(frozen=True)
class Forest:
    """features in order, classes (two: log odds of the second; more: softmax), start scores, trees."""

    features: tuple[str, ...]
    classes: tuple[str, ...]
    start: Array
    trees: tuple[Tree, ...]

    @cached_property
    def _flat(self) -> _Flat:
        return _Flat.of(self.trees)

    def chances(self, rows: Sequence[Mapping[str, float]]) -> Array:
        """(n, classes) probabilities. Raises ModelError when a feature is missing from a row."""
        try:
            x = np.array([[float(r[f]) for f in self.features] for r in rows]).reshape(len(rows), len(self.features))
        except KeyError as e:
            raise ModelError(f"The learned labels need a feature {e} this version does not measure.") from e
        score = np.tile(self.start, (len(rows), 1))
        if self.trees and len(rows):
            leaves = self._flat.leaves(x)
            for k in range(score.shape[1]):
                score[:, k] += leaves[:, self._flat.of_class == k].sum(1)
        if len(self.classes) == 2:
            p = 1 / (1 + np.exp(-np.clip(score[:, :1], -30, 30)))
            return np.concatenate([1 - p, p], 1)
        score = np.exp(score - score.max(1, keepdims=True))
        return np.asarray(score / score.sum(1, keepdims=True))


def parse(data: bytes, where: Path | None = None) -> dict[str, Forest]:
    """Forests by section. Raises ModelError for anything else than the expected form."""
    try:
        raw = json.loads(data)
        return {name: _forest(entry) for name, entry in raw["forests"].items()}
    except (ValueError, KeyError, TypeError, AttributeError) as e:
        raise ModelError(f"The learned labels cannot be read: {e!r}.", where=where) from e


def _forest(entry: dict[str, Any]) -> Forest:
    trees = []
    for t in entry["trees"]:
        n = len(t["feature"])
        if any(len(t[k]) != n for k in ("threshold", "left", "right", "unknown_left", "value")):
            raise ValueError("a tree's arrays differ in length")
        feature, left, right = (np.array(t[k], np.int64) for k in ("feature", "left", "right"))
        inner = feature >= 0
        # Children stand behind their parent, so that no walk through a tree can go round in circles.
        if inner.any() and (np.minimum(left, right)[inner] <= np.flatnonzero(inner)).any():
            raise ValueError("a tree's nodes are out of order")
        if feature.max(initial=-1) >= len(entry["features"]) or max(left.max(), right.max()) >= n:
            raise ValueError("a tree points outside itself")
        trees.append(
            Tree(
                feature, np.array(t["threshold"], float), left, right, np.array(t["unknown_left"], bool),
                np.array(t["value"], float), int(t["class"]),
            )
        )  # fmt: skip
    return Forest(
        tuple(entry["features"]), tuple(entry["classes"]), np.array(entry["start"], float), tuple(trees)
    )


@cache
def shipped() -> Mapping[str, Forest]:
    """The forests of models/manifest.toml, checksum checked; none where the manifest lists none (rules only).

    Raises ModelError for a listed file that is missing, changed or not readable.
    """
    if not (models.models_dir() / "manifest.toml").is_file():
        return {}
    entry = models.read_manifest().get(NAME)
    return {} if entry is None else parse(models.read_checked(entry), entry.path)
