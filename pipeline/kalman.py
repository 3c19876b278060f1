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


def smooth(
    at_s: Array, xy: Array, cov: Array, want_s: Array, still_accel: float, play_accel: float
) -> Array:
    """Smoothed positions (len(want_s), 2) of one person from finds xy (n, 2) with cov (n, 2, 2) at times at_s.

    Before the snap (time <= 0) the calmer of two motion models is used unless the finds speak against it:
    a man set stands still, a man in motion runs.
    """
    before = at_s <= 0
    candidates = (still_accel, 3.0) if before.sum() >= 3 else (3.0,)
    best: tuple[float, Array] | None = None
    for a in candidates:
        loglik, out = _run(at_s, xy, cov, want_s, a, play_accel)
        if best is None or loglik > best[0] + 1.0:
            best = (loglik, out)
    return best[1] if best is not None else np.full((len(want_s), 2), np.nan)


def _run(
    at_s: Array, xy: Array, cov: Array, want_s: Array, still_accel: float, play_accel: float
) -> tuple[float, Array]:
    times = np.unique(np.r_[at_s, want_s])
    index = {t: i for i, t in enumerate(at_s)}
    mean = np.r_[xy[0], 0.0, 0.0]
    p = np.zeros((4, 4))
    p[:2, :2] = np.eye(2) * 25.0
    p[2, 2] = p[3, 3] = (0.5 if still_accel < 1 and at_s[0] <= 0 else 3.0) ** 2
    means: list[Array] = []
    covs: list[Array] = []
    priors: list[tuple[Array, Array, Array]] = []
    loglik, previous = 0.0, times[0]
    for t in times:
        f, q = transition(t - previous, still_accel if t <= 0 else play_accel)
        if previous <= 0 < t:
            # What a man does after the snap says little about how he moved before it.
            q = q + np.diag([0.0, 0.0, SNAP_SPEED_SD**2, SNAP_SPEED_SD**2])
        m, pr = f @ mean, f @ p @ f.T + q
        priors.append((f, m, pr))
        if t in index:
            r = cov[index[t]]
            s = pr[:2, :2] + r
            d = xy[index[t]] - m[:2]
            inv = np.linalg.inv(s)
            if len(means):
                loglik -= 0.5 * (d @ inv @ d + np.log(np.linalg.det(s)))
            k = pr[:, :2] @ inv
            m, pr = m + k @ d, (np.eye(4) - k @ H) @ pr
        mean, p, previous = m, pr, t
        means.append(mean)
        covs.append(p)
    for i in range(len(times) - 2, -1, -1):
        f, m, pr = priors[i + 1]
        g = covs[i] @ f.T @ np.linalg.inv(pr)
        means[i] = means[i] + g @ (means[i + 1] - m)
        covs[i] = covs[i] + g @ (covs[i + 1] - pr) @ g.T
    return loglik, np.stack([means[int(np.searchsorted(times, t))][:2] for t in want_s])
