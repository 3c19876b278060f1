"""The measures of models.training.evaluate_labels against scipy and scikit-learn."""

from __future__ import annotations

import numpy as np
import pytest

from models.training.evaluate_labels import calibration_error, wilson
from pipeline.labels.scene import count_distribution


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
