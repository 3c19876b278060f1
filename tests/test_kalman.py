"""The smoother against least squares from numpy, and what it must do with people who stand or run."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.kalman import Filter, smooth, transition


def test_without_acceleration_smoothing_is_a_straight_line_fit() -> None:
    """With no process noise and a vague start the smoother is weighted linear regression (numpy.polyfit)."""
    rng = np.random.default_rng(3)
    t = np.array([0.1, 0.25, 0.5, 0.9, 1.0, 1.6])
    xy = np.stack([3 + 2 * t, 1 - t], 1) + rng.normal(0, 0.2, (6, 2))
    sd = np.array([0.1, 0.2, 0.3, 0.1, 0.2, 0.3])
    cov = np.eye(2) * (sd**2)[:, None, None]
    want = np.linspace(0.1, 1.6, 7)
    got = smooth(t, xy, cov, want, 1e-6, 1e-6)
    for c in (0, 1):
        line = np.polyval(np.polyfit(t, xy[:, c], 1, w=1 / sd), want)
        assert got[:, c] == pytest.approx(line, abs=0.02)


def test_filter_update_is_the_textbook_product_of_two_gaussians() -> None:
    """Position only: the mean of two measurements weighted with their inverse variance."""
    f = Filter.start(0.0, np.array([1.0, 2.0]), np.eye(2) * 0.04)
    f.update(0.0, np.array([2.0, 2.0]), np.eye(2) * 0.01, 1.0)
    assert f.mean[:2] == pytest.approx([1.8, 2.0], abs=1e-6)
    assert f.cov[0, 0] == pytest.approx(0.008, abs=1e-6)


def test_transition_moves_by_speed() -> None:
    m, q = transition(0.5, 2.0)
    assert m @ np.array([1.0, 2.0, 4.0, -2.0]) == pytest.approx([3.0, 1.0, 4.0, -2.0])
    assert np.all(np.linalg.eigvalsh(q) > 0)


def test_a_man_set_is_averaged_and_a_runner_is_followed() -> None:
    rng = np.random.default_rng(1)
    t = np.array([-3, -2.5, -2, -1.5, -1, -0.6, -0.3, -0.1, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5])
    cov = np.tile(np.eye(2) * 0.09, (len(t), 1, 1))
    errors_still, errors_run = [], []
    for _ in range(30):
        true = np.zeros((len(t), 2))
        true[:, 0] = np.where(t > 0, np.where(t < 1.2, 2.5 * t**2, 6 * t - 3.6), 0)
        got = smooth(t, true + rng.normal(0, 0.3, true.shape), cov, t, 0.8, 5.0)
        errors_still.append(np.linalg.norm(got[8] - true[8]))
        errors_run.append(np.linalg.norm(got[12] - true[12]))
    assert np.mean(errors_still) < 0.25
    assert np.mean(errors_run) < 0.4
