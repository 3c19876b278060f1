"""Which frames the finder and the registration look at, given the snap.

Densest around the snap and in the two seconds after it, where labels are decided; few elsewhere. Among the
frames close to a wanted moment the one is taken in which the camera moves least (the sharpest) and which does
not repeat the frame before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Motion, Snap

BEFORE_S = (-3.0, -2.4, -1.8, -1.3, -0.9, -0.55, -0.25, -0.08)
AFTER_S = (0.0, 0.15, 0.3, 0.45, 0.6, 0.8, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 2.5)
TIMES_S = BEFORE_S + AFTER_S
REACH_S = 0.07  # how far a sample may be moved to a better frame
EXACT = (0.0,)  # moments that are never moved


def camera_speed_px(motion: Motion) -> NDArray[np.float64]:
    """(T,) how far the camera moves the picture's middle and corners between a frame and its neighbours, px."""
    w, h = motion.width_px, motion.height_px
    points = np.array([[w / 2, h / 2, 1], [0, 0, 1], [w, 0, 1], [0, h, 1], [w, h, 1.0]]).T
    to = motion.to_first_px
    step = np.linalg.inv(to[1:]) @ to[:-1] @ points
    moved = np.abs(step[:, :2] / step[:, 2:] - points[:2]).max(1).mean(1) if len(to) > 1 else np.zeros(0)
    speed = np.zeros(len(to))
    speed[1:] += moved
    speed[:-1] += moved
    return speed


def plan_samples(motion: Motion, snap: Snap, times_s: Sequence[float] = TIMES_S) -> dict[int, float]:
    """Frame -> seconds from the snap (exact difference of timestamps), in order. Without a snap: the middle."""
    if snap.frame is None or snap.time_s is None:
        middle = len(motion.frame) // 2
        return {int(motion.frame[middle]): 0.0}
    at = np.array([float(t - snap.time_s) for t in motion.time_s])
    speed = camera_speed_px(motion) / motion.width_px
    out: dict[int, float] = {}
    for want in times_s:
        if not at[0] - REACH_S <= want <= at[-1] + REACH_S:
            continue
        far = np.abs(at - want)
        cost = far.copy()
        if want not in EXACT:
            cost = 0.1 * far / REACH_S + 40 * speed + 1.0 * motion.repeated + 100.0 * (far > REACH_S)
        i = int(cost.argmin())
        out[int(motion.frame[i])] = float(at[i])
    return dict(sorted(out.items()))
