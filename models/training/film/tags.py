"""Short words for how a still looks, for figures by look and for training without one look.

Keys and words are fixed: the benches and ``train_people --without`` read them.
"""

from __future__ import annotations

import colorsys

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import Wardrobe
from models.training.film.look import Look

KEYS = ("light", "view", "camera", "size", "kits", "turf", "weather", "blur", "lines", "crown")
LOW_YD, HIGH_YD = 14.0, 35.0  # height of the camera: below the first 'low', from the second 'high'
ALIKE_LAB = 28.0  # CIE 1976 difference (CIELAB) below which two colours count as alike; by eye, no source
FAINT_L = 26.0  # lightness of the lines over the turf; the measured tenth percentile of real film is 26 to 27
WORN = 0.3  # Paint.wear from which paint has visibly gone
SOFT_PX, MOVED_PX = 1.0, 1.5  # Lens.blur_px, length of Lens.motion_blur_px

Floats = NDArray[np.float64]


def lab(colours: Floats) -> Floats:
    """(N, 3) sRGB 0..1 -> (N, 3) CIE L, a, b."""
    return np.asarray(cv2.cvtColor(np.asarray(colours, np.float32)[None], cv2.COLOR_RGB2Lab)[0], float)


def tags(look: Look, wardrobe: Wardrobe, height_px: int) -> dict[str, str]:
    """One word a key of KEYS; height_px: of the picture."""
    light, turf, lens = look.light, look.turf, look.lens
    ground = colorsys.hsv_to_rgb(turf.hue_deg / 360 % 1.0, turf.saturation * (1 - turf.snow), turf.value)
    shirts = [k.jersey / 255 for k in wardrobe.kits]
    c = lab(np.array([ground, look.paint.colour, *shirts]))
    apart = np.linalg.norm(c[:, None] - c[None], axis=2)
    height = look.rig.position_yd[2]
    faint = look.paint.wear >= WORN or c[1, 0] - c[0, 0] < FAINT_L
    surface = "artificial" if turf.artificial else "grass"
    moved = float(np.hypot(*lens.motion_blur_px)) > MOVED_PX
    return {
        "light": "hard_shadow" if light.kind == "sun" and light.shadow_edges else light.kind,
        "view": look.view,
        "camera": "low" if height < LOW_YD else ("high" if height >= HIGH_YD else "middle"),
        "size": f"{min(lens.rows or height_px, height_px)}p",
        "kits": "on_turf" if apart[0, 2:].min() < ALIKE_LAB else ("alike" if apart[2, 3] < ALIKE_LAB else "plain"),
        "turf": "snow" if turf.snow > 0 else ("worn" if faint else surface),
        "weather": "snow" if turf.snow > 0 else ("rain" if lens.rain else ("wet" if turf.wet else "dry")),
        "blur": "moved" if moved else ("soft" if lens.blur_px > SOFT_PX else "sharp"),
        "lines": "other_sport" if look.paint.other_sports else "own",
        "crown": "crowned" if look.crown_yd else "flat",
    }
