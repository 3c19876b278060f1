"""What the marks network sees and says: sizes, channel names and the number reader's patch.

The network reads a picture letterboxed to ``INPUT_HW`` (RGB, 0..1) and answers on a grid of one cell per
``STRIDE`` px. Training (models.training.marks_data) and use (pipeline.registration.marks) share this module.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

INPUT_HW = (544, 960)
STRIDE = 4
GRID_HW = (INPUT_HW[0] // STRIDE, INPUT_HW[1] // STRIDE)
LINE_SIGMA_CELLS = 1.0  # width of a line's ridge in the answer
NUMBER_SIGMA_YD = 0.7  # and of a number's hump

# Ridges and humps (0..1): lines through the middle of the paint, 'near' is the side of y = 0. A row of hash
# ticks is answered as one continuous line; sidelines are their inner edges; numbers their centres.
HEAT = (
    "yard_line", "near_hash", "far_hash", "near_sideline", "far_sideline",
    "near_number", "far_number", "goal_line", "end_line",
)  # fmt: skip
MASK = ("field", "end_zone")  # 0..1 inside the lines; of them, behind a goal line
# y / width; phase of x in 10 yd (0 at the numbered lines, known only where numbers are seen) and in 5 yd.
DENSE = ("across", "cos10", "sin10", "cos5", "sin5")
CHANNELS = (*HEAT, *MASK, *DENSE)
VIEW_LOGITS = ("sideline", "endzone")
LEVEL_LOGITS = ("professional", "college", "high_school", "canadian")

# The number reader's patch: the ground around a number, up = infield, straightened.
PATCH_HW = (48, 96)
PATCH_YD = (3.6, 8.0)  # height (across the field), width (along it)
TENS = ("none", "1", "2", "3", "4", "5")
ARROWS = ("none", "left", "right")


@dataclass(frozen=True)
class Letterbox:
    """Maps px of a picture to px of the network's input: ``input = (px + 0.5) * scale + pad - 0.5``."""

    scale: float
    pad_x: float
    pad_y: float

    def to_input(self, px: NDArray[np.float64]) -> NDArray[np.float64]:
        return (np.asarray(px) + 0.5) * self.scale + (self.pad_x, self.pad_y) - 0.5

    def to_picture(self, px: NDArray[np.float64]) -> NDArray[np.float64]:
        return (np.asarray(px) + 0.5 - (self.pad_x, self.pad_y)) / self.scale - 0.5

    def cells_to_picture(self, cells: NDArray[np.float64]) -> NDArray[np.float64]:
        """(..., 2) cell coordinates (0 = middle of the first cell) -> px of the picture."""
        return self.to_picture((np.asarray(cells) + 0.5) * STRIDE - 0.5)


def letterbox(image_bgr: NDArray[np.uint8]) -> tuple[NDArray[np.float32], Letterbox]:
    """(H, W, 3) BGR -> ((1, 3, *INPUT_HW) float32 RGB 0..1, how it was placed)."""
    h, w = image_bgr.shape[:2]
    scale = min(INPUT_HW[1] / w, INPUT_HW[0] / h)
    nw, nh = round(w * scale), round(h * scale)
    small = cv2.resize(image_bgr, (nw, nh), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    canvas = np.zeros((*INPUT_HW, 3), np.uint8)
    x0, y0 = (INPUT_HW[1] - nw) // 2, (INPUT_HW[0] - nh) // 2
    canvas[y0 : y0 + nh, x0 : x0 + nw] = small
    tensor = np.ascontiguousarray(canvas[..., ::-1].transpose(2, 0, 1))[None].astype(np.float32) / 255.0
    return tensor, Letterbox(nw / w, float(x0), float(y0))
