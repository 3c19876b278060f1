"""Templates of whole people in the rest pose: a football player in pads and helmet, and people without.

Sizes are shares of body height (a 1.9 m player: pads 0.30 across, helmet 0.13 wide); from memory of common
equipment sizes, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import skeleton as sk
from models.training.film.figures.gear import cap_head, helmet, props, shoe
from models.training.film.figures.parts import Part, blend, grid, join, loft, mirrored
from models.training.film.figures.zones import CLOTH, MATERIAL

F = NDArray[np.float64]

KINDS = (
    "player",
    "bare_player",
    "official",
    "staff",
    "cape",
    "photographer",
    "pole",
    "cameraman",
    "water",
    "band",
    "athlete",
)
"""bare_player: pads without a helmet; cape: a long coat over pads; pole: chain crew; water: carries bottles;
athlete: a numbered shirt and shorts without pads, as in touch games and other field sports."""


@dataclass(frozen=True)
class Template:
    """A body ready for skinning.

    skin (V, B*4): weighted local positions and ones; bend (V, B*3): weighted normals; belly (V, B*4): what a
    heavy build adds; uv (V, 2), zone (V,), triangle (F, 3), shade (V,) baked occlusion.
    """

    skin: NDArray[np.float32]
    bend: NDArray[np.float32]
    belly: NDArray[np.float32]
    vertex: F
    uv: F
    zone: NDArray[np.int64]
    triangle: NDArray[np.int32]
    shade: F


def _degrees(*values: float) -> F:
    return np.deg2rad(np.array(values, float))


def _torso(fine: bool, pads: bool, numbered: bool) -> Part:
    """Seat to neck. Number panels sit on the front and back columns of the chest."""
    theta = (_degrees(0, 24, 48, 70, 90, 110, 132, 156, 180, 204, 228, 250, 270, 290, 312, 336) if fine
             else _degrees(0, 40, 75, 105, 140, 180, 220, 255, 285, 320))  # fmt: skip
    wide = 1.0 if pads else 0.0
    rings = [
        (0.468, 0.050, 0.055, -0.004, 0.0), (0.49, 0.069, 0.082, -0.004, 0.0), (0.53, 0.073, 0.092, -0.006, 0.0),
        (0.572, 0.066, 0.087, -0.002, 0.0), (0.590, 0.064, 0.084, 0.0, 0.0), (0.615, 0.064, 0.083, 0.002, 0.0),
        (0.66, 0.067, 0.088, 0.002, 0.0), (0.705, 0.070 + 0.010 * wide, 0.096 + 0.008 * wide, 0.0, 0.0),
        (0.75, 0.069 + 0.018 * wide, 0.100 + 0.022 * wide, -0.002, 0.0),
        (0.785, 0.063 + 0.022 * wide, 0.108 + 0.032 * wide, -0.004, 0.0),
        (0.810, 0.055 + 0.022 * wide, 0.110 + 0.036 * wide, -0.006, 0.0),
        (0.830, 0.045 + 0.020 * wide, 0.098 + 0.033 * wide, -0.008, 0.0),
        (0.843, 0.040 + 0.014 * wide, 0.066 + 0.029 * wide, -0.008, 0.0),
        (0.853, 0.034, 0.040, -0.004, 0.0), (0.885, 0.031, 0.033, 0.006, 0.0),
    ]  # fmt: skip
    if not fine:
        rings = [rings[i] for i in (0, 2, 3, 4, 6, 8, 9, 10, 11, 12, 13, 14)]
    z = np.array([r[0] for r in rings])
    name = _torso_zone(z, theta, pads, numbered)
    weights = []
    for h in z:
        a = np.interp(h, [0.53, 0.60, 0.62, 0.70], [0, 1, 1, 2])
        w = blend(("pelvis", max(0, 1 - a)), ("belly", 1 - abs(a - 1)), ("chest", max(0, a - 1)))
        weights.append(w if h < 0.85 else blend(("chest", 0.6), ("head", 0.4)))
    return loft(rings, theta, name, weights, 0.82 if pads else 0.92)


def _torso_zone(z: F, theta: F, pads: bool, numbered: bool) -> Callable[[int, int], str]:
    step = np.diff(np.append(theta, 2 * np.pi)) / 2
    mid = np.rad2deg(theta + step)
    front = np.abs((mid + 180) % 360 - 180)

    def name(i: int, j: int) -> str:
        h = (z[i] + z[i + 1]) / 2
        ahead, side = front[j], abs(front[j] - 90)
        if h < 0.572:
            return "pants_s0" if side < 8 and pads else "pants"
        if h < 0.590:
            return "belt"
        if h > 0.853:
            return "neck"
        if h > 0.843:
            return "collar"
        if not numbered:
            return "shirt"
        if 0.615 < h < 0.785 and ahead < 50:
            return "front_number"
        if 0.615 < h < 0.785 and ahead > 130:
            return "back_number"
        if not pads:
            return "jersey"
        if 0.785 <= h < 0.815 and ahead > 115:
            return "name"
        if h > 0.812:
            return "yoke"
        return "jersey_side" if side < 26 and h < 0.79 else "jersey"

    return name


def _arm(fine: bool, pads: bool) -> Part:
    """The left arm from the shoulder cap to the hand."""
    theta = _degrees(0, 30, 58, 90, 122, 150, 190, 230, 270, 310, 340) if fine else np.arange(6) * np.pi / 3
    s = sk.SHOULDER_Z
    e, w = s - sk.UPPER_ARM, s - sk.UPPER_ARM - sk.FOREARM
    p = 1.0 if pads else 0.0
    rings = [
        (w - 0.068, 0.012, 0.009), (w - 0.050, 0.021, 0.012), (w - 0.02, 0.022, 0.014), (w, 0.0155, 0.013),
        (w + 0.03, 0.019, 0.016), (w + 0.07, 0.025, 0.022), (e - 0.035, 0.029, 0.025), (e - 0.012, 0.028, 0.026),
        (e + 0.015, 0.028, 0.026), (e + 0.045, 0.030, 0.028), (e + 0.075, 0.033, 0.031),
        (e + 0.10, 0.034 + 0.006 * p, 0.032 + 0.006 * p), (e + 0.115, 0.036 + 0.010 * p, 0.033 + 0.010 * p),
        (e + 0.13, 0.037 + 0.013 * p, 0.034 + 0.012 * p), (e + 0.145, 0.038 + 0.016 * p, 0.034 + 0.013 * p),
        (s - 0.016 + 0.006 * p, 0.038 + 0.019 * p, 0.033 + 0.013 * p),
        (s + 0.004 + 0.014 * p, 0.031 + 0.019 * p, 0.026 + 0.012 * p),
        (s + 0.014 + 0.016 * p, 0.014 + 0.014 * p, 0.014 + 0.010 * p),
    ]  # fmt: skip
    names = ["hand", "hand", "palm", "fa0", "fa1", "fa2", "fa3", "fa3", "sl0", "sl1", "sl2", "sl3", "cap0", "cap1",
             "cap2", "cap3", "yoke"]  # fmt: skip
    if not fine:
        keep = [0, 2, 3, 5, 7, 8, 10, 11, 12, 13, 14, 15, 16, 17]
        rings = [rings[i] for i in keep]
        names = [names[i] for i in keep[:-1]]
    weights = []
    for z, *_ in rings:
        a = np.interp(z, [w - 0.012, w + 0.012, e - 0.03, e + 0.03, s - 0.03, s + 0.03], [0, 1, 1, 2, 2, 2.75])
        k = int(min(a, 2.999))
        bones = ("hand_l", "fore_l", "arm_l", "chest")
        weights.append(blend((bones[k], 1 - (a - k)), (bones[min(k + 1, 3)], a - k)))
    full = [(z, rx, ry, 0.0, 0.0) for z, rx, ry in rings]
    top = {i for i, n in enumerate(names) if n in ("cap2", "cap3")} if pads and fine else set()

    def zone(i: int, j: int) -> str:
        return "sleeve_number" if i in top and j in (2, 3) else names[i]

    return loft(full, theta, zone, weights, axis_y=sk.SHOULDER_Y)


def _leg(fine: bool, loose: bool) -> Part:
    """The left leg from the seat to the ankle; loose widens the trousers of people without pads."""
    theta = (_degrees(0, 38, 72, 82, 98, 108, 142, 180, 225, 270, 315) if fine
             else _degrees(0, 60, 78, 102, 120, 180, 240, 300))  # fmt: skip
    mid = np.rad2deg(theta + np.diff(np.append(theta, 2 * np.pi)) / 2)
    k, a = sk.KNEE_Z, sk.ANKLE_Z
    q = 0.010 if loose else 0.0
    rings = [
        (a - 0.01, 0.021 + q, 0.017 + q, 0.0, 0.0), (a + 0.035, 0.022 + q, 0.018 + q, 0.0, 0.0),
        (a + 0.075, 0.027 + q, 0.024 + q, -0.004, 0.0), (a + 0.115, 0.034 + q, 0.030 + q, -0.010, 0.001),
        (a + 0.155, 0.037 + q, 0.032 + q, -0.011, 0.001), (k - 0.055, 0.036 + q, 0.031 + q, -0.008, 0.0),
        (k - 0.028, 0.036 + q, 0.032 + q, -0.002, 0.0), (k, 0.038 + q, 0.034 + q, 0.002, 0.0),
        (k + 0.03, 0.040 + q, 0.037 + q, 0.001, 0.0), (k + 0.08, 0.047 + q, 0.043 + q, 0.0, 0.0),
        (k + 0.14, 0.055 + q, 0.050 + q, -0.002, 0.001), (k + 0.19, 0.060 + q, 0.052, -0.004, 0.002),
        (k + 0.232, 0.060, 0.046, -0.006, 0.003),
    ]  # fmt: skip
    names = ["cf0", "cf0", "cf1", "cf2", "cf3", "cf4", "knee", "knee"]
    if not fine:
        keep = [0, 1, 2, 3, 4, 6, 8, 10, 12]
        rings = [rings[i] for i in keep]
        names = ["cf0", "cf1", "cf2", "cf3", "cf4", "knee"]
    weights = []
    for z, *_ in rings:
        t = np.interp(z, [a - 0.005, a + 0.02, k - 0.03, k + 0.03, sk.HIP_Z - 0.07, sk.HIP_Z], [0, 1, 1, 2, 2, 2.6])
        i = int(min(t, 2.999))
        bones = ("foot_l", "shin_l", "thigh_l", "pelvis")
        weights.append(blend((bones[i], 1 - (t - i)), (bones[min(i + 1, 3)], t - i)))

    def zone(i: int, j: int) -> str:
        if i < len(names):
            return names[i]
        upper = "thigh" if i == len(names) else "pants"
        return upper + ("_s1" if abs(mid[j] - 90) < 6 else "_s0" if abs(mid[j] - 90) < 16 else "")

    return loft(rings, theta, zone, weights, axis_y=sk.HIP_Y)


def _cape() -> Part:
    """A long sideline coat or cape from the shoulders to the calves."""
    theta = np.arange(12) * 2 * np.pi / 12
    rings = [
        (0.17, 0.105, 0.125, -0.01, 0.0), (0.27, 0.100, 0.125, -0.01, 0.0), (0.38, 0.095, 0.125, -0.008, 0.0),
        (0.47, 0.092, 0.125, -0.006, 0.0), (0.53, 0.09, 0.125, -0.005, 0.0),
        (0.66, 0.09, 0.135, 0.0, 0.0), (0.78, 0.085, 0.145, 0.0, 0.0), (0.825, 0.07, 0.125, 0.0, 0.0),
        (0.86, 0.045, 0.06, 0.0, 0.0),
    ]  # fmt: skip
    shins, thighs = blend(("shin_l", 0.5), ("shin_r", 0.5)), blend(("thigh_l", 0.5), ("thigh_r", 0.5))
    weights = [shins, (shins + thighs) / 2, thighs, blend(("pelvis", 0.5)) + thighs / 2,
               blend(("pelvis", 1.0)), blend(("belly", 1.0)), blend(("chest", 1.0)), blend(("chest", 1.0)),
               blend(("chest", 1.0))]  # fmt: skip
    return loft(rings, theta, lambda i, j: "coat", weights)


def _towel() -> Part:
    """A towel over the front of the belt."""
    y = np.array([-0.018, 0.018])
    z = np.array([0.46, 0.52, 0.58])
    x = np.array([0.088, 0.083, 0.068])
    p = np.stack([np.stack([np.full(2, x[i]), y, np.full(2, z[i])], 1) for i in range(3)])
    return grid(p, [["towel"]] * 2, np.tile(blend(("pelvis", 1.0)), (3, 1)), wrap=False)


def _hair_tail() -> Part:
    """Long hair falling from under the back of the helmet."""
    theta = np.arange(6) * np.pi / 3
    rings = [(0.795, 0.012, 0.028, -0.088, 0.0), (0.84, 0.018, 0.034, -0.082, 0.0), (0.89, 0.020, 0.036, -0.062, 0.0)]
    chest, head = blend(("chest", 1.0)), blend(("head", 1.0))
    return loft(rings, theta, lambda i, j: "hair_tail", [chest, (chest + head) / 2, head])


def _rough(part: Part) -> F:
    """(V, 3) cloth normals rippled by a few waves over the body, the geometry of creases too small to model."""
    rng = np.random.default_rng(5)
    ripple = np.zeros_like(part.normal)
    for _ in range(6):
        wave = rng.normal(0, 1, 3) * (70, 70, 45)
        ripple += rng.normal(0, 0.12, 3) * np.sin(part.vertex @ wave + rng.uniform(0, 6.3))[:, None]
    return part.normal + ripple * (MATERIAL[part.zone] == CLOTH)[:, None]


def _shade(part: Part) -> F:
    """(V,) baked occlusion: dark between the legs, under the arms and behind the face mask, by place at rest."""
    y, z = part.vertex[:, 1], part.vertex[:, 2]
    between = np.exp(-((np.abs(y) / 0.03) ** 2)) * np.clip((0.50 - z) / 0.08, 0, 1) * np.clip((z - 0.1) / 0.2, 0, 1)
    arm = np.exp(-(((np.abs(y) - 0.095) / 0.018) ** 2))
    arm *= np.clip((0.79 - z) / 0.05, 0, 1) * np.clip((z - 0.45) / 0.2, 0, 1)
    under = np.clip((0.62 - z) / 0.03, 0, 1) * np.clip((z - 0.56) / 0.02, 0, 1)
    neck = np.clip(1 - np.abs(z - 0.862) / 0.02, 0, 1)
    return 1 - 0.45 * between - 0.35 * arm - 0.15 * under - 0.5 * neck


@cache
def template(kind: str, fine: bool) -> Template:
    """The template of a kind of person (KINDS); fine for near people, else the cheaper one."""
    pads = kind in ("player", "cape", "bare_player")
    arm, leg = _arm(fine, pads), _leg(fine, not pads and kind != "athlete")
    foot = shoe(fine)
    parts = [leg, mirrored(leg), foot, mirrored(foot), _torso(fine, pads, pads or kind == "athlete")]
    parts.append(helmet(fine) if kind == "player" else cap_head(fine))
    if kind == "cape":
        parts.append(_cape())
    else:
        parts += [arm, mirrored(arm)]
    if kind == "player" and fine:
        parts += [_towel(), _hair_tail()]
    parts += props(kind)
    return _finish(join(parts))


def _finish(part: Part) -> Template:
    rest = sk.rest_origins()
    local = part.vertex[:, None] - rest[None]
    homog = np.concatenate([local, np.ones(local.shape[:2] + (1,))], -1) * part.weight[..., None]
    bend = _rough(part)[:, None] * part.weight[..., None]
    x, y, z = part.vertex.T
    near = (np.abs(y) < 0.115) & (part.weight[:, 10:].sum(1) < 0.4) & (part.weight[:, 4:10].sum(1) < 0.4)
    bulge = np.exp(-(((z - 0.61) / 0.07) ** 2)) * near
    delta = np.stack([bulge * (0.028 * (x > 0) + 0.008), 0.02 * bulge * np.sign(y), -0.012 * bulge], 1)
    belly = np.concatenate([delta[:, None] * part.weight[..., None], np.zeros(part.weight.shape + (1,))], -1)
    v = len(part.vertex)
    return Template(
        homog.reshape(v, -1).astype(np.float32), bend.reshape(v, -1).astype(np.float32),
        belly.reshape(v, -1).astype(np.float32), part.vertex, part.uv, part.zone,
        part.triangle.astype(np.int32), _shade(part),
    )  # fmt: skip
