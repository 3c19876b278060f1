"""Looks with a perfect lens and bare turf, for measuring the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.training.film import draw
from models.training.film.look import Lens, Look, Paint, Turf

CLEAN = Lens(
    blur_px=0.0, motion_blur_px=(0.0, 0.0), shutter=0.0, sharpen=0.0, sharpen_px=1.0, noise=0.0, noise_px=1.0,
    chroma_blur_px=0.0, fringe=0.0, gain=(1.0, 1.0, 1.0), saturation=1.0, contrast=1.0, black=0.0, gamma=1.0,
    vignette=0.0, veil=0.0, rows=0, interlace=0.0, letterbox=0.0, pillarbox=0.0, text="", text_place=0, jpeg=0,
    quality=95, kbit=6000, rain=0.0,
    glare=0.0,
)  # fmt: skip


def plain(turf: Turf) -> Turf:
    return replace(turf, mow_step=0.0, grain=0.0, patches=0.0, mud=0.0, snow=0.0, wet=0.0, dirt=False)


def clean_look(seed: int, view: str, level: str = "professional", crown_yd: float = 0.0) -> Look:
    """A look with a perfect lens and bare turf with the rulebook's marks, seen by a drawn camera."""
    look = draw.draw_look(np.random.default_rng(seed), view, level, "train")
    paint: Paint = replace(
        look.paint, decals=(), other_sports=(), wear=0.0, twin_line_yd=0.0, end_zone_alpha=(0.0, 0.0), stripe_line=None,
        hash_every_yard=True, hash_cross=False, line_width_yd=0.1111, hash_width_yd=0.2,
    )  # fmt: skip
    light = replace(look.light, kind="overcast", direct=0.05, shadow_edges=(), pools=0.0)
    return replace(look, paint=paint, turf=plain(look.turf), light=light, lens=CLEAN, crown_yd=crown_yd)
