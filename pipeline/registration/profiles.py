"""Grey profiles across marks: where a bright bar, or a step up, lies along a short line through the picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_PX = 0.5  # along a profile
CONTRAST = 5.0  # least step of the bar over its sides, grey levels
USUAL = 0.35  # and as a share of the usual step of such marks in this picture


@dataclass(frozen=True)
class Profiles:
    """M places to measure: px (M, 2) middle, normal (M, 2), bar (M,) width of the mark in px, reach px."""

    px: Array
    normal: Array
    bar: Array
    reach: float


def grey_of(image_bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
    """White paint against green turf: blue and red carry the contrast, green the sharpness."""
    return np.asarray(cv2.transform(image_bgr, np.array([[0.3, 0.4, 0.3]], np.float32))).astype(np.float32)


def measure(grey: NDArray[np.float32], p: Profiles, edge: bool = False) -> tuple[Array, Array]:
    """(M,) offset px along the normal of the best match, and (M,) its strength in grey levels (0: none).

    edge: match a step up along the normal instead of a bar.
    """
    if not len(p.px):
        return np.zeros(0), np.zeros(0)
    widest = float(np.clip(np.percentile(p.bar, 95), 2, 80)) if not edge else 2.0
    step = max(STEP_PX, widest / 48)
    half = widest * 0.5 + max(widest * 0.4, 4.0) + 2 * step
    t = np.arange(-(p.reach + half), p.reach + half + 1e-6, step)
    at = p.px[:, None] + t[None, :, None] * p.normal[:, None]
    values = cv2.remap(grey, at[..., 0].astype(np.float32), at[..., 1].astype(np.float32), cv2.INTER_LINEAR)
    sums = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, 1)], 1)
    middle = np.flatnonzero(np.abs(t) <= p.reach + 1e-9)

    def mean(lo: Array, hi: Array) -> Array:
        """Means of values between offsets (in samples, (M, 1)) around each middle sample."""
        a = np.clip(middle[None] + lo, 0, len(t) - 1).astype(int)
        b = np.clip(middle[None] + hi, 0, len(t) - 1).astype(int) + 1
        return np.asarray(np.take_along_axis(sums, b, 1) - np.take_along_axis(sums, a, 1)) / (b - a)

    if edge:
        one = np.ones((len(values), 1))
        match = mean(one, 6 * one) - mean(-6 * one, -one)
    else:
        h = np.round(np.clip(p.bar, 1.5, 80) / 2 / step)[:, None]
        outer = np.clip(np.round(0.8 * h), 3, 12)
        left, right = mean(-h - 1 - outer, -h - 2), mean(h + 2, h + 1 + outer)
        match = mean(-h, h) - np.maximum(left, right) * 0.65 - np.minimum(left, right) * 0.35
    # Among equal matches the nearer to the prediction is the mark.
    best = np.argmax(match - 0.15 * np.abs(t[middle])[None], 1)
    inner = (best > 0) & (best < len(middle) - 1)
    i = np.clip(best, 1, len(middle) - 2)
    rows = np.arange(len(match))
    a, b, c = match[rows, i - 1], match[rows, i], match[rows, i + 1]
    bend = a - 2 * b + c
    shift = np.clip(0.5 * (a - c) / np.where(bend < -1e-6, bend, -1e-6), -1, 1)
    usual = np.median(b[b > CONTRAST]) if (b > CONTRAST).any() else 0.0
    strong = inner & (b > max(CONTRAST, USUAL * usual))
    return t[middle][i] + shift * step, np.where(strong, b, 0.0)


def free(px: Array, boxes: Array | None, size: tuple[int, int]) -> NDArray[np.bool_]:
    """(N,) inside the picture and in no person's box."""
    ok = (px > 3).all(-1) & (px < np.array(size) - 4).all(-1)
    if boxes is not None and len(boxes):
        b = boxes[None] + (-2, -2, 2, 2)
        hit = (
            (px[:, None, 0] > b[..., 0])
            & (px[:, None, 0] < b[..., 2])
            & (px[:, None, 1] > b[..., 1])
            & (px[:, None, 1] < b[..., 3])
        )
        ok &= ~hit.any(1)
    return np.asarray(ok)
