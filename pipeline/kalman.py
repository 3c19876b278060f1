"""A constant-velocity Kalman filter and smoother on the ground plane, for unevenly spaced times.

State: x, y (yards), vx, vy (yards a second). Process noise: white acceleration, the same both ways. Formulas:
Kalman 1960; smoothing after Rauch, Tung and Striebel 1965.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
H = np.eye(2, 4)
LIVELY_YD_S2 = 3.0  # yd/s^2: acceleration of a man in motion before the snap
SNAP_SPEED_SD = 3.0  # yd/s: change of speed within the first step after the snap
START_SPEED_SD = 1.5  # yd/s: how fast a person seen for the first time may move


def transition(dt: float, accel: float) -> tuple[Array, Array]:
    """(4, 4) transition over dt seconds and its process noise for an acceleration sd in yd/s^2."""
    f = np.eye(4)
    f[0, 2] = f[1, 3] = dt
    g = np.array([[dt * dt / 2, 0], [0, dt * dt / 2], [dt, 0], [0, dt]])
    # The extra term keeps the noise of full rank and stands for acceleration that changes within the step.
    q = g @ g.T * accel**2 + np.diag([dt**4 / 12, dt**4 / 12, dt * dt / 4, dt * dt / 4]) * accel**2
    return f, q


@dataclass
class Filter:
    """Running estimate of one person: mean (4,), cov (4, 4) at time_s."""

    time_s: float
    mean: Array
    cov: Array

    @staticmethod
    def start(time_s: float, xy: Array, cov: Array) -> Filter:
        """A person seen once: where he is, speed unknown."""
        p = np.zeros((4, 4))
        p[:2, :2] = cov
        p[2, 2] = p[3, 3] = START_SPEED_SD**2
        return Filter(time_s, np.r_[xy, 0.0, 0.0], p)

    def predict(self, time_s: float, accel: float) -> tuple[Array, Array]:
        """Mean and covariance at a later time."""
        f, q = transition(time_s - self.time_s, accel)
        return f @ self.mean, f @ self.cov @ f.T + q

    def update(self, time_s: float, xy: Array, cov: Array, accel: float) -> None:
        """Take a find at time_s in."""
        m, p = self.predict(time_s, accel)
        s = p[:2, :2] + cov
        k = p[:, :2] @ np.linalg.inv(s)
        self.time_s = time_s
        self.mean = m + k @ (xy - m[:2])
        self.cov = (np.eye(4) - k @ H) @ p


def predict_all(filters: list[Filter], time_s: float, accel: float) -> tuple[Array, Array]:
    """Means (N, 4) and covariances (N, 4, 4) of several people at a later time."""
    mean = np.stack([f.mean for f in filters])
    cov = np.stack([f.cov for f in filters])
    steps = [transition(time_s - f.time_s, accel) for f in filters]
    move = np.stack([s[0] for s in steps])
    noise = np.stack([s[1] for s in steps])
    return np.einsum("nij,nj->ni", move, mean), move @ cov @ np.swapaxes(move, 1, 2) + noise


def smooth(
    at_s: Array, xy: Array, cov: Array, want_s: Array, still_accel: float, play_accel: float
) -> Array:
    """Smoothed positions (len(want_s), 2) of one person from finds xy (n, 2) with cov (n, 2, 2) at times at_s."""
    times = np.unique(np.r_[at_s, want_s])
    z = np.full((len(times), 1, 2), np.nan)
    r = np.tile(np.eye(2), (len(times), 1, 1, 1))
    at = np.searchsorted(times, at_s)
    z[at, 0], r[at, 0] = xy, cov
    return smooth_all(times, z, r, still_accel, play_accel)[np.searchsorted(times, want_s), 0]


def smooth_all(times: Array, xy: Array, cov: Array, still_accel: float, play_accel: float) -> Array:
    """Smoothed positions (T, N, 2) of N people at all T times from finds xy (T, N, 2), NaN where not found.

    cov (T, N, 2, 2) of the finds. Before the snap (time <= 0) the calmer of two motion models is used unless
    the finds speak against it: a man set stands still, a man in motion runs.
    """
    seen = np.asarray(np.isfinite(xy).all(2), bool)
    calm_fit, calm = _run(times, xy, cov, seen, still_accel, play_accel)
    lively_fit, lively = _run(times, xy, cov, seen, LIVELY_YD_S2, play_accel)
    few = seen[times <= 0].sum(0) < 3
    use = few | (lively_fit > calm_fit + 1.0)
    return np.where(use[None, :, None], lively, calm)


def _run(
    times: Array, xy: Array, cov: Array, seen: NDArray[np.bool_], still_accel: float, play_accel: float
) -> tuple[Array, Array]:
    """Log likelihood (N,) of the finds and smoothed positions (T, N, 2) under one motion model."""
    n = xy.shape[1]
    first = seen.argmax(0)
    mean = np.concatenate([np.nan_to_num(xy[first, np.arange(n)]), np.zeros((n, 2))], 1)
    p = np.tile(np.diag([25.0, 25.0, 0, 0]), (n, 1, 1))
    slow = (still_accel < 1) & (times[first] <= 0)
    p[:, 2, 2] = p[:, 3, 3] = np.where(slow, 0.5, 3.0) ** 2
    means, covs, priors = [], [], []
    loglik, any_yet, previous = np.zeros(n), np.zeros(n, bool), times[0]
    for i, t in enumerate(times):
        f, q = transition(t - previous, still_accel if t <= 0 else play_accel)
        if previous <= 0 < t:
            # What a man does after the snap says little about how he moved before it.
            q = q + np.diag([0.0, 0.0, SNAP_SPEED_SD**2, SNAP_SPEED_SD**2])
        m, pr = mean @ f.T, f @ p @ f.T + q
        priors.append((f, m, pr))
        here = seen[i]
        s = pr[:, :2, :2] + np.where(here[:, None, None], cov[i], np.eye(2))
        inv = np.linalg.inv(s)
        d = np.where(here[:, None], np.nan_to_num(xy[i]) - m[:, :2], 0.0)
        fit = -0.5 * (np.einsum("ni,nij,nj->n", d, inv, d) + np.log(np.linalg.det(s)))
        loglik += np.where(here & any_yet, fit, 0.0)
        any_yet |= here
        k = np.where(here[:, None, None], pr[:, :, :2] @ inv, 0.0)
        mean = m + np.einsum("nij,nj->ni", k, d)
        p = pr - k @ pr[:, :2, :]
        previous = t
        means.append(mean)
        covs.append(p)
    for i in range(len(times) - 2, -1, -1):
        f, m, pr = priors[i + 1]
        g = covs[i] @ f.T @ np.linalg.inv(pr)
        means[i] = means[i] + np.einsum("nij,nj->ni", g, means[i + 1] - m)
        covs[i] = covs[i] + g @ (covs[i + 1] - pr) @ np.swapaxes(g, 1, 2)
    return loglik, np.stack([m[:, :2] for m in means])
