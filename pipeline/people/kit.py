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
    away = (((lab - turf) * (1.0, 2.0, 2.0)) ** 2).sum(2) > TURF_DISTANCE**2
    for k, (name, (a, b, half)) in enumerate(PATCHES.items()):
        patch = (along >= a * length) & (along < b * length) & (np.abs(across) < max(half * length, 1.0))
        mask = patch & away
        share = mask.sum() / max(patch.sum(), 1)
        pixels = lab[mask] if mask.sum() >= LEAST_PIXELS else lab[patch]
        if len(pixels):
            out[3 * k : 3 * k + 3] = np.median(pixels, 0)
            if name == "torso":
                low, high = np.percentile(pixels[:, 0], [15, 85])
                out[9], out[10] = high - low, share
    out[11] = turf[0]
    return out


def _body_frame(shape: tuple[int, int], start: Floats, unit: Floats) -> tuple[Floats, Floats]:
    """Each pixel's distance along the body from the head, and across it, px."""
    ys, xs = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    dx, dy = xs - start[0], ys - start[1]
    return dx * unit[0] + dy * unit[1], dy * unit[0] - dx * unit[1]


def _turf(lab: Floats, box: Floats) -> Floats:
    """(3,) median Lab of the rim around the box."""
    rim = np.ones(lab.shape[:2], bool)
    x0, y0, x1, y1 = np.round(box).astype(int)
    rim[max(y0, 0) : max(y1, 0) + 1, max(x0, 0) : max(x1, 0) + 1] = False
    pixels = lab[rim] if rim.any() else lab.reshape(-1, 3)
    turf: Floats = np.median(pixels, 0).astype(np.float32)
    return turf
