"""What a bit of a figure's surface is: the names colours hang on, and the material the light meets."""

from __future__ import annotations

import numpy as np

CLOTH, HELMET, SKIN, OTHER = 0, 1, 2, 3
MATERIALS = ("cloth", "helmet", "skin", "other")

_CLOTH = (
    "jersey", "jersey_side", "yoke", "collar", "front_number", "back_number", "name", "tail",
    "cap0", "cap1", "cap2", "cap3", "sl0", "sl1", "sl2", "sl3", "fa0", "fa1", "fa2", "fa3",
    "belt", "pants", "pants_s0", "pants_s1", "thigh", "thigh_s0", "thigh_s1", "knee",
    "cf0", "cf1", "cf2", "cf3", "cf4", "towel", "shirt", "vest", "coat", "sleeve_number", "shoulder_number",
)  # fmt: skip
_HELMET = ("shell", "shell_s0", "shell_s1", "decal", "visor")
_SKIN = ("face", "neck", "hand", "palm")
_OTHER = (
    "mask", "hair_tail", "shoe", "sole", "cap", "brim", "hair", "headset", "gear", "pole", "sign", "lens", "strap",
)  # fmt: skip
ZONES = _CLOTH + _HELMET + _SKIN + _OTHER
ZONE = {name: i for i, name in enumerate(ZONES)}
MATERIAL = np.array(
    [CLOTH] * len(_CLOTH) + [HELMET] * len(_HELMET) + [SKIN] * len(_SKIN) + [OTHER] * len(_OTHER), np.int32
)
PANELS = ("front_number", "back_number", "name", "decal", "sleeve_number", "shoulder_number")
"""Zones that show a cell of the atlas instead of cloth folds."""
