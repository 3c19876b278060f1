"""Helmets, heads, shoes and what people beside the field carry, in the rest pose (body heights)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import skeleton as sk
from models.training.film.figures.parts import Part, blend, box, grid, loft, tube

F = NDArray[np.float64]
HEAD = np.array([0.012, 0.0, sk.HEAD_Z])


def helmet(fine: bool) -> Part:
    """Shell with a face opening, centre stripes and side decals, and a face mask of bars."""
    from models.training.film.figures.parts import join

    half = 0.066
    y = half * (np.array([-1, -0.93, -0.72, -0.42, -0.17, -0.06, 0.06, 0.17, 0.42, 0.72, 0.93, 1]) if fine
                else np.array([-1, -0.85, -0.45, -0.10, 0.10, 0.45, 0.85, 1]))  # fmt: skip
    # Angles in the x-z plane: 0 forward, 90 up; the opening from about -80 to +12 degrees.
    deg = (np.array([-80, -50, -22, 8, 16, 45, 75, 105, 135, 165, 195, 225, 250, 268]) if fine
           else np.array([-80, -30, 10, 60, 110, 160, 210, 255]))  # fmt: skip
    a = np.deg2rad(deg)
    rings = []
    for v in y:
        r = np.sqrt(max(1 - (v / half) ** 2, 0.0)) ** 0.85
        px, pz = 0.080 * np.cos(a) * r, 0.076 * np.sin(a) * r
        pz = np.maximum(pz, -0.066 * r**0.6)
        inside = (deg < 12) & (deg > -85) & (abs(v) < 0.8 * half)
        px = np.where(inside, px * 0.80 - 0.002, px)
        rings.append(np.stack([px, np.full_like(px, v), pz], 1) + HEAD)
    p = np.stack(rings)
    zones = []
    for i in range(len(y) - 1):
        mid = abs(y[i] + y[i + 1]) / 2 / half
        row = []
        for j in range(len(deg)):
            d = (deg[j] + deg[(j + 1) % len(deg)] + (360 if j == len(deg) - 1 else 0)) / 2
            opening = -85 < d < 10 and mid < 0.84
            if opening:
                row.append("visor" if d > -12 and mid < 0.7 else "face")
            elif d > 250 or d < -80:
                row.append("neck")
            elif mid < 0.07:
                row.append("shell_s1")
            elif mid < 0.18:
                row.append("shell_s0")
            elif mid > 0.5 and (20 < d < 200):
                row.append("decal")
            else:
                row.append("shell")
        zones.append(row)
    shell = grid(p[:, ::-1], [row[-2::-1] + row[-1:] for row in zones], np.tile(blend(("head", 1.0)), (len(y), 1)))
    fix = np.sum(shell.normal * (shell.vertex - HEAD), axis=1) < 0
    shell.normal[fix] *= -1
    shell.normal[np.linalg.norm(shell.normal, axis=1) < 0.5] = (0, 1, 0)
    shell.uv[:] = (shell.vertex - HEAD)[:, [0, 2]] / 0.15 + 0.5
    return join([_outward(shell), *_mask(fine)])


def _outward(part: Part) -> Part:
    """Triangles turned so that their winding agrees with the normals."""
    a, b, c = (part.vertex[part.triangle[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    bad = (face * part.normal[part.triangle].sum(1)).sum(1) < 0
    tri = part.triangle.copy()
    tri[bad] = tri[bad][:, ::-1]
    return Part(part.vertex, part.normal, part.uv, part.zone, part.weight, tri)


def _mask(fine: bool) -> list[Part]:
    """Bars bent around the face."""
    t = np.deg2rad(np.linspace(-80, 80, 7 if fine else 5))
    out = []
    for z, depth in ((-0.020, 0.095), (-0.042, 0.099), (-0.064, 0.092)) if fine else ((-0.03, 0.096), (-0.06, 0.093)):
        path = np.stack([depth * np.cos(t) ** 0.7, 0.058 * np.sin(t), np.full_like(t, z)], 1)
        out.append(tube(path + HEAD, 0.0048, "mask", "head"))
    for y in (-0.018, 0.018) if fine else (0.0,):
        path = np.array([[0.076, y, 0.014], [0.094, y, -0.02], [0.097, y, -0.045], [0.088, y, -0.066]])
        out.append(tube(path + HEAD, 0.0045, "mask", "head"))
    return out


def cap_head(fine: bool) -> Part:
    """A bare head with cap and brim (or hair), ears of a headset."""
    from models.training.film.figures.parts import join

    n = 10 if fine else 8
    theta = np.arange(n) * 2 * np.pi / n
    top = 0.99
    rings = [
        (0.862, 0.030, 0.028, 0.008, 0.0), (0.875, 0.043, 0.034, 0.014, 0.0), (0.905, 0.052, 0.041, 0.012, 0.0),
        (0.935, 0.054, 0.044, 0.006, 0.0), (0.950, 0.055, 0.045, 0.004, 0.0), (0.970, 0.050, 0.041, 0.0, 0.0),
        (0.985, 0.034, 0.028, 0.0, 0.0), (top, 0.012, 0.010, 0.0, 0.0),
    ]  # fmt: skip

    def zone(i: int, j: int) -> str:
        mid = np.rad2deg(theta[j]) + 180 / n
        if i >= 4:
            return "cap"
        return "hair" if i >= 2 and 75 < mid < 285 else "face"

    head = blend(("head", 1.0))
    skull = loft(rings, theta, zone, [head] * len(rings))
    t = np.deg2rad(np.linspace(-65, 65, 5))
    inner = np.stack([0.050 * np.cos(t), 0.042 * np.sin(t), np.full_like(t, 0.953)], 1)
    outer = np.stack([0.052 + 0.052 * np.cos(t), 0.046 * np.sin(t), 0.945 + 0 * t], 1)
    brim = grid(np.stack([outer, inner]), [["brim"] * 4], np.stack([head, head]), wrap=False)
    under = Part(brim.vertex - [0, 0, 0.003], -brim.normal, brim.uv, brim.zone, brim.weight, brim.triangle[:, ::-1])
    ears = [box((-0.010, s * 0.044 - 0.006, 0.916), (0.012, s * 0.044 + 0.006, 0.943), "headset", "head")
            for s in (1, -1)]  # fmt: skip
    return join([skull, _outward(brim), _outward(under), *ears])


def shoe(fine: bool) -> Part:
    """The left shoe with its sole, lying on the ground."""
    n = 8 if fine else 6
    theta = np.arange(n) * 2 * np.pi / n
    y = sk.HIP_Y
    rings = [
        (0.0, 0.066, 0.022, 0.038, y), (0.010, 0.071, 0.026, 0.038, y), (0.024, 0.062, 0.025, 0.030, y),
        (0.042, 0.036, 0.023, 0.006, y), (0.062, 0.026, 0.022, -0.001, y),
    ]  # fmt: skip
    w = [blend(("foot_l", 1.0))] * len(rings)
    return loft(rings, theta, lambda i, j: "sole" if i == 0 else "shoe", w, 0.8)


def props(kind: str) -> list[Part]:
    """What a kind of person carries. Bone 'world' stands upright at the person's ground point."""
    if kind == "photographer":
        body = box((-0.02, -0.035, -0.03), (0.045, 0.035, 0.03), "gear", "hand_l")
        return [_at_hand(body), _at_hand(box((0.045, -0.022, -0.022), (0.15, 0.022, 0.022), "lens", "hand_l"))]
    if kind == "cameraman":
        legs = []
        for k in range(3):
            t = 2 * np.pi * k / 3 + 0.5
            foot = np.array([0.30 + 0.17 * np.cos(t), 0.17 * np.sin(t), 0.0])
            legs.append(tube(np.stack([foot, [0.30, 0.0, 0.70]]), 0.009, "pole", "world", 4))
        return [*legs, box((0.20, -0.04, 0.70), (0.40, 0.04, 0.80), "gear", "world"),
                box((0.40, -0.03, 0.715), (0.50, 0.03, 0.785), "lens", "world")]  # fmt: skip
    if kind == "water":
        return [_at_hand(box((-0.03, -0.05, -0.05), (0.05, 0.05, 0.05), "sign", "hand_l"))]
    if kind == "pole":
        path = np.array([[0.21, 0.10, 0.0], [0.21, 0.10, 0.6], [0.21, 0.10, 1.15]])
        return [tube(path, 0.012, "pole", "world", 5),
                box((0.195, 0.03, 1.15), (0.225, 0.17, 1.33), "sign", "world")]  # fmt: skip
    return []


def _at_hand(part: Part) -> Part:
    """Moved from around the origin to the left hand at rest, lens forward once the forearm is level."""
    turned = part.vertex[:, [2, 1, 0]] * [1, 1, -1]
    normal = part.normal[:, [2, 1, 0]] * [1, 1, -1]
    place = sk.rest_origins()[sk.BONE["hand_l"]] + [0.0, -0.02, -0.03]
    return _outward(Part(turned + place, normal, part.uv, part.zone, part.weight, part.triangle))
