"""Statistics of the evaluation: intervals, agreement, distributions. Checked against scikit-learn in the tests."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
PERCENTILES = (5, 25, 50, 75, 90, 95, 99)
_Z95 = 1.959963984540054


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % interval of a share (E. B. Wilson, 1927, score interval). NaN where n is 0."""
    if n == 0:
        return math.nan, math.nan
    p, z2 = hits / n, _Z95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = _Z95 * math.sqrt(p * (1 - p) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def bootstrap(
    groups: Sequence[Array], statistic: Callable[[Array], float], rounds: int = 400, seed: int = 1
) -> tuple[float, float]:
    """95 % percentile interval of a statistic over pooled values, drawing whole groups (clips) with replacement.

    Groups, because values of one clip share its camera (B. Efron, R. Tibshirani, 1993, chapter 8).
    """
    filled = [g for g in groups if len(g)]
    if len(filled) < 2:
        return math.nan, math.nan
    rng = np.random.default_rng(seed)
    draws = [
        statistic(np.concatenate([filled[i] for i in rng.integers(0, len(filled), len(filled))]))
        for _ in range(rounds)
    ]
    low, high = np.percentile(draws, [2.5, 97.5])
    return float(low), float(high)


def kappa(a: Sequence[Hashable], b: Sequence[Hashable]) -> float:
    """Cohen's kappa of two raters (J. Cohen, 1960). NaN where both always say the same one thing or nothing."""
    if len(a) != len(b):
        raise ValueError(f"kappa: expected equal lengths, got {len(a)} and {len(b)}.")
    n = len(a)
    if n == 0:
        return math.nan
    agree = sum(x == y for x, y in zip(a, b, strict=True)) / n
    chance = sum((list(a).count(k) / n) * (list(b).count(k) / n) for k in set(a) | set(b))
    return math.nan if chance >= 1 - 1e-12 else (agree - chance) / (1 - chance)


def distribution(values: Array) -> dict[str, float]:
    """Count, mean, percentiles and the largest value; empty where there are no values."""
    if not len(values):
        return {}
    cut = np.percentile(values, PERCENTILES)
    return {
        "n": float(len(values)),
        "mean": float(np.mean(values)),
        **{f"p{p}": float(v) for p, v in zip(PERCENTILES, cut, strict=True)},
        "max": float(np.max(values)),
    }
