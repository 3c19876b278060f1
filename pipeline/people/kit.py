"""Kit colours of a person, for telling two teams and the officials apart.

Three patches lie along the line from head to ground point: helmet, torso, trousers. Colours are CIE Lab medians
(OpenCV's float Lab: L 0..100, a and b about -127..127) over the pixels of a patch that do not look like the turf
around the man, so that paint and grass between limbs do not count.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]

KIT_FEATURES = (
    "torso_L", "torso_a", "torso_b", "trousers_L", "trousers_a", "trousers_b", "helmet_L", "helmet_a", "helmet_b",
    "torso_L_spread", "torso_share", "turf_L",
)  # fmt: skip
# from, to along head (0) -> ground (1), and half width in units of the body's length
PATCHES = {"torso": (0.16, 0.46, 0.13), "trousers": (0.50, 0.72, 0.11), "helmet": (-0.06, 0.07, 0.07)}
TURF_DISTANCE = 11.0  # Lab distance (a, b doubled) under which a pixel counts as turf; chosen on rendered kits
LEAST_PIXELS = 6  # fewer than this and all pixels of the patch count
NEAR = 0.2  # margin around a box whose rim gives the turf's colour, share of the box


def kit_colours(
    image_bgr: NDArray[np.uint8], box_px: Floats, ground_px: Floats, head_px: Floats, measure: bool = True
) -> Floats:
    """(N, len(KIT_FEATURES)) features, zeros where not measured. image (H, W, 3) uint8 BGR; boxes and points px."""
    out = np.zeros((len(box_px), len(KIT_FEATURES)), np.float32)
    if not measure:
        return out
    for i in range(len(box_px)):
        out[i] = _person(image_bgr, box_px[i], ground_px[i], head_px[i])
    return out


def _person(image: NDArray[np.uint8], box: Floats, ground: Floats, head: Floats) -> Floats:
    h, w = image.shape[:2]
    pad = NEAR * (box[2:] - box[:2]) + 2
    x0, y0 = np.maximum(np.floor(box[:2] - pad), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(box[2:] + pad) + 1, [w, h]).astype(int)
    out = np.zeros(len(KIT_FEATURES), np.float32)
    if x1 - x0 < 3 or y1 - y0 < 3:
        return out
    part = image[y0:y1, x0:x1].astype(np.float32) / 255.0
    lab = np.asarray(cv2.cvtColor(part, cv2.COLOR_BGR2Lab), np.float32)
    turf = _turf(lab, box - np.array([x0, y0, x0, y0], np.float32))
    start, axis = head - (x0, y0), ground - head
    length = float(np.hypot(*axis))
    if length < 4:
        return out
    along, across = _body_frame(lab.shape[:2], start, axis / length)
    across = np.abs(across)
    for k, (name, (a, b, half)) in enumerate(PATCHES.items()):
        patch = lab[(along >= a * length) & (along < b * length) & (across < max(half * length, 1.0))]
        away = (((patch - turf) * (1.0, 2.0, 2.0)) ** 2).sum(1) > TURF_DISTANCE**2
        own = int(away.sum())
        pixels = patch[away] if own >= LEAST_PIXELS else patch
        if len(pixels):
            out[3 * k : 3 * k + 3] = _median(pixels)
            if name == "torso":
                low, high = np.percentile(pixels[:, 0], [15, 85])
                out[9], out[10] = high - low, own / max(len(patch), 1)
    out[11] = turf[0]
    return out


def _body_frame(shape: tuple[int, int], start: Floats, unit: Floats) -> tuple[Floats, Floats]:
    """Each pixel's distance along the body from the head, and across it, px."""
    ys, xs = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    dx, dy = xs - start[0], ys - start[1]
    return dx * unit[0] + dy * unit[1], dy * unit[0] - dx * unit[1]


def _turf(lab: Floats, box: Floats) -> Floats:
    """(3,) median Lab of the rim around the box."""
    x0, y0, x1, y1 = np.maximum(np.round(box).astype(int), 0)
    y1, x1 = y1 + 1, x1 + 1
    parts = (lab[:y0], lab[y1:], lab[y0:y1, :x0], lab[y0:y1, x1:])
    pixels = np.concatenate([part.reshape(-1, 3) for part in parts])
    return _median(pixels if len(pixels) else lab.reshape(-1, 3))


def _median(pixels: Floats) -> Floats:
    """(3,) of (N, 3), channel by channel: numpy's median, without its ways around what cannot be here."""
    low, high = (len(pixels) - 1) // 2, len(pixels) // 2
    ordered = np.partition(np.ascontiguousarray(pixels.T), (low, high), axis=1)
    middle: Floats = np.mean(ordered[:, low : high + 1], axis=1)
    return middle
