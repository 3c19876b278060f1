"""The skeleton: joints, segment lengths and the two-bone reach that puts hands and feet where a pose wants them.

Body frame: origin on the ground, x forward (where the body faces), y to the body's left, z up; unit is the
body's height. The rest pose stands upright with the arms hanging, every bone's axes parallel to the body's.
Segment lengths follow the usual anthropometric shares of body height (from memory, common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F = NDArray[np.float64]

BONES = (
    "pelvis", "belly", "chest", "head",
    "arm_l", "fore_l", "hand_l", "arm_r", "fore_r", "hand_r",
    "thigh_l", "shin_l", "foot_l", "thigh_r", "shin_r", "foot_r", "world",
)  # fmt: skip
BONE = {name: i for i, name in enumerate(BONES)}

HIP_Z, KNEE_Z, ANKLE_Z = 0.53, 0.288, 0.045
HIP_Y, SHOULDER_Y = 0.05, 0.118
BELLY_Z, CHEST_Z, NECK_Z, SHOULDER_Z = 0.585, 0.66, 0.855, 0.805
HEAD_Z = 0.935
UPPER_ARM, FOREARM = 0.18, 0.152
THIGH, SHIN = HIP_Z - KNEE_Z, KNEE_Z - ANKLE_Z


def rest_origins() -> F:
    """(B, 3) joint of every bone in the rest pose, heights."""
    o = np.zeros((len(BONES), 3))
    o[BONE["pelvis"]] = (0, 0, HIP_Z)
    o[BONE["belly"]] = (0, 0, BELLY_Z)
    o[BONE["chest"]] = (0, 0, CHEST_Z)
    o[BONE["head"]] = (0, 0, NECK_Z)
    for side, sign in (("l", 1.0), ("r", -1.0)):
        o[BONE[f"arm_{side}"]] = (0, sign * SHOULDER_Y, SHOULDER_Z)
        o[BONE[f"fore_{side}"]] = (0, sign * SHOULDER_Y, SHOULDER_Z - UPPER_ARM)
        o[BONE[f"hand_{side}"]] = (0, sign * SHOULDER_Y, SHOULDER_Z - UPPER_ARM - FOREARM)
        o[BONE[f"thigh_{side}"]] = (0, sign * HIP_Y, HIP_Z)
        o[BONE[f"shin_{side}"]] = (0, sign * HIP_Y, KNEE_Z)
        o[BONE[f"foot_{side}"]] = (0, sign * HIP_Y, ANKLE_Z)
    return o


@dataclass(frozen=True)
class Rig:
    """Posed bones: rotation (P, B, 3, 3) rest axes to body axes, origin (P, B, 3) joints, both in heights."""

    rotation: F
    origin: F


def rot_x(a: F) -> F:
    """(P,) rad -> (P, 3, 3) rotation about x (positive rolls to the right: left side up)."""
    return _rot(a, 1, 2)


def rot_y(a: F) -> F:
    """(P,) rad -> (P, 3, 3) rotation about y (positive leans forward)."""
    return _rot(a, 2, 0)


def rot_z(a: F) -> F:
    """(P,) rad -> (P, 3, 3) rotation about z (positive turns to the left)."""
    return _rot(a, 0, 1)


def _rot(a: F, i: int, j: int) -> F:
    out = np.zeros(a.shape + (3, 3))
    k = 3 - i - j
    c, s = np.cos(a), np.sin(a)
    out[..., k, k] = 1.0
    out[..., i, i], out[..., j, j] = c, c
    out[..., j, i], out[..., i, j] = s, -s
    return out


def unit(v: F) -> F:
    """(..., 3) scaled to length 1 (zero vectors stay near zero)."""
    return v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-9)


def reach(root: F, target: F, first: float, second: float, pole: F) -> tuple[F, F]:
    """Two-bone reach: (P, 3) middle joint and (P, 3) end, the middle bent towards pole (P, 3).

    Law of cosines; a target out of reach is pulled in to 99.5 % of the full length.
    """
    to = target - root
    full = (first + second) * 0.995
    d = np.linalg.norm(to, axis=-1, keepdims=True)
    axis = to / np.maximum(d, 1e-9)
    d = np.clip(d, abs(first - second) * 1.05 + 1e-3, full)
    along = (first**2 - second**2 + d**2) / (2 * d)
    off = np.sqrt(np.maximum(first**2 - along**2, 0.0))
    side = unit(pole - (pole * axis).sum(-1, keepdims=True) * axis)
    return root + axis * along + side * off, root + axis * d


def frame_down(direction: F, front: F) -> F:
    """(P, 3, 3) rotation whose -z points along direction and whose x lies on the side of front."""
    z = -unit(direction)
    y = unit(np.cross(z, front))
    x = np.cross(y, z)
    return np.stack([x, y, z], -1)
