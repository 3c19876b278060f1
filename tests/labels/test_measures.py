"""The measures of the evaluation against scipy and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline import stats
from pipeline.labels.scene import count_distribution
from pipeline.stats import calibration_error, wilson


@pytest.mark.parametrize(("right", "n"), [(5, 10), (97, 100), (0, 20), (300, 300)])
def test_interval_is_scipys_wilson(right: int, n: int) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method='wilson')."""
    from scipy.stats import binomtest

    want = binomtest(right, n).proportion_ci(0.95, method="wilson")
    assert wilson(right, n) == pytest.approx((want.low, want.high), abs=1e-4)


def test_calibration_error_from_sklearns_curve() -> None:
    """Weighted mean over the bins of sklearn.calibration.calibration_curve."""
    from sklearn.calibration import calibration_curve

    rng = np.random.default_rng(0)
    p = rng.uniform(0.001, 0.999, 4000)
    y = rng.uniform(size=4000) < p**1.5
    true, said = calibration_curve(y, p, n_bins=10)
    share = np.histogram(p, bins=np.linspace(0, 1, 11))[0] / len(p)
    want = float((np.abs(true - said) * share).sum())
    assert calibration_error(list(y.astype(float)), list(p)) == pytest.approx(want, abs=1e-6)


def test_count_distribution_is_binomial_for_equal_chances() -> None:
    """scipy.stats.binom."""
    from scipy.stats import binom

    assert count_distribution(np.full(6, 0.3)) == pytest.approx(binom.pmf(np.arange(7), 6, 0.3))


def answers() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    p = rng.uniform(0.3, 1.0, 600).round(2)
    return rng.uniform(size=600) < p, p


def test_brier_score_is_scikit_learns() -> None:
    """sklearn.metrics.brier_score_loss."""
    from sklearn.metrics import brier_score_loss

    y, p = answers()
    assert stats.brier(y, p) == pytest.approx(brier_score_loss(y, p))


def test_kappa_is_scikit_learns() -> None:
    """sklearn.metrics.cohen_kappa_score."""
    from sklearn.metrics import cohen_kappa_score

    rng = np.random.default_rng(5)
    a = rng.choice(["cover_1", "cover_3", "cover_4"], 200)
    b = np.where(rng.uniform(size=200) < 0.7, a, rng.choice(["cover_1", "cover_3", "cover_4"], 200))
    assert stats.kappa(list(a), list(b)) == pytest.approx(cohen_kappa_score(a, b))


def test_risk_and_coverage_by_hand_and_against_precision() -> None:
    """Share right among the k surest is scikit-learn's precision at the threshold that keeps k."""
    from sklearn.metrics import precision_score

    y, p = answers()
    for kept, wrong in stats.risk_coverage(y, p)[::25]:
        cut = np.sort(p)[::-1][round(kept * len(p)) - 1]
        assert 1 - wrong == pytest.approx(precision_score(y, p >= cut), abs=1e-9)
    right, sure = [True, True, False, True], [0.9, 0.8, 0.6, 0.5]
    assert stats.risk_coverage(right, sure)[:, 1] == pytest.approx([0, 0, 1 / 3, 1 / 4])
    assert stats.risk_when(right, sure, 0.5) == 0.0 and stats.risk_when(right, sure, 1.0) == 0.25
    assert stats.answered_at(right, sure, 0.0) == 0.5 and stats.answered_at(right, sure, 0.3) == 1.0
    assert np.isnan(stats.brier([], [])) and np.isnan(stats.risk_when([], []))
