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


def brier(right: Sequence[bool] | Array, sure: Sequence[float] | Array) -> float:
    """Mean squared distance of confidence and outcome (G. W. Brier, 1950, for one event). NaN without values."""
    r, p = np.asarray(right, float), np.asarray(sure, float)
    return float(np.mean((p - r) ** 2)) if len(r) else math.nan


def calibration_error(right: Sequence[bool] | Array, sure: Sequence[float] | Array, bins: int = 10) -> float:
    """Expected calibration error: distance of accuracy and mean confidence, averaged over equal-width bins by their
    share (M. P. Naeini et al., 2015). NaN without values."""
    r, p = np.asarray(right, float), np.asarray(sure, float)
    if not len(r):
        return math.nan
    which = np.clip((p * bins).astype(int), 0, bins - 1)
    return float(sum(abs(r[which == b].mean() - p[which == b].mean()) * (which == b).mean() for b in np.unique(which)))


def risk_coverage(right: Sequence[bool] | Array, sure: Sequence[float] | Array, n: int | None = None) -> Array:
    """(k, 2) share answered and share wrong of the answered when only the k surest are answered, k = 1, 2, ...

    Answers equally sure are taken together. n: plays asked, where some got no answer at all.
    (R. El-Yaniv, Y. Wiener, 2010.)
    """
    r, p = np.asarray(right, float), np.asarray(sure, float)
    if not len(r):
        return np.zeros((0, 2))
    order = np.argsort(-p, kind="stable")
    wrong = np.cumsum(1 - r[order])
    k = np.arange(1, len(r) + 1)
    last = np.r_[p[order][1:] != p[order][:-1], True]
    return np.stack([k / (n or len(r)), wrong / k], 1)[last]


def risk_when(right: Sequence[bool] | Array, sure: Sequence[float] | Array, answered: float = 0.9) -> float:
    """Share wrong when the surest ``answered`` of all answers are kept; ties at the edge count in proportion."""
    r, p = np.asarray(right, float), np.asarray(sure, float)
    if not len(r):
        return math.nan
    keep = max(answered * len(r), 1.0)
    total = wrong = 0.0
    for value in np.unique(p)[::-1]:
        group = p == value
        part = min(float(group.sum()), keep - total)
        wrong += part * float(1 - r[group].mean())
        total += part
        if total >= keep - 1e-9:
            break
    return wrong / total


def answered_at(right: Sequence[bool] | Array, sure: Sequence[float] | Array, risk: float = 0.05) -> float:
    """Largest share of the answers that may be kept, surest first, with at most ``risk`` of them wrong."""
    curve = risk_coverage(right, sure)
    fits = curve[curve[:, 1] <= risk + 1e-12]
    return float(fits[:, 0].max()) if len(fits) else 0.0 if len(curve) else math.nan
