"""Building blocks of body templates: grids of quads bent into tubes, shells and boxes, tied to bones.

Everything is in the rest pose of :mod:`.skeleton`, in body heights. A zone names what a quad shows (jersey,
sock, face mask ...); where two zones meet, vertices are doubled so that the colour edge stays sharp.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures.skeleton import BONE, BONES
from models.training.film.figures.zones import ZONE

F = NDArray[np.float64]
I = NDArray[np.int64]  # noqa: E741

Blend = tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class Part:
    """vertex (V, 3), normal (V, 3), uv (V, 2) surface parameters, zone (V,), weight (V, B), triangle (F, 3)."""

    vertex: F
    normal: F
    uv: F
    zone: I
    weight: F
    triangle: I


def blend(*pairs: tuple[str, float]) -> F:
    """(B,) bone weights from (bone, weight) pairs."""
    w = np.zeros(len(BONES))
    for name, value in pairs:
        w[BONE[name]] += value
    return w


def _grid_normals(p: F, wrap: bool) -> F:
    """(n, m, 3) outward normals of a grid by central differences (rings x columns)."""
    du = np.gradient(p, axis=0) if len(p) > 1 else np.zeros_like(p)
    dv = (np.roll(p, -1, 1) - np.roll(p, 1, 1)) if wrap else np.gradient(p, axis=1)
    n = np.cross(dv, du)
    length = np.linalg.norm(n, axis=-1, keepdims=True)
    return n / np.maximum(length, 1e-12) * (length > 1e-9)


def grid(points: F, zones: Sequence[Sequence[str]], weights: F, wrap: bool = True) -> Part:
    """A grid (n rings, m columns, 3) of quads; zones (n-1, m or m-1) names; weights (n, B) or (n, m, B).

    Seen from outside, rings grow upwards and columns anticlockwise from above, so normals face outwards.
    """
    n, m = points.shape[:2]
    cols = m if wrap else m - 1
    if weights.ndim == 2:
        weights = np.repeat(weights[:, None], m, 1)
    normals = _grid_normals(points, wrap)
    z = np.array([[ZONE[name] for name in row] for row in zones])
    i, j = np.meshgrid(np.arange(n - 1), np.arange(cols), indexing="ij")
    k = (j + 1) % m
    corner_i = np.stack([i, i, i + 1, i + 1], -1)
    corner_j = np.stack([j, k, k, j], -1)
    lap = np.stack([j, j + 1, j + 1, j], -1)  # the seam has its own column so that uv does not run backwards
    key = (corner_i * (m + 1) + lap) * len(ZONE) + z[..., None]
    _, first, index = np.unique(key.reshape(-1), return_index=True, return_inverse=True)
    quad = index.reshape(-1, 4)
    tri = np.concatenate([quad[:, [0, 1, 2]], quad[:, [0, 2, 3]]])
    ci, cj, cl = corner_i.reshape(-1)[first], corner_j.reshape(-1)[first], lap.reshape(-1)[first]
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points.mean(1), axis=0), axis=1))])
    uv = np.stack([cl / max(cols, 1), arc[ci]], 1)
    part = Part(points[ci, cj], normals[ci, cj], uv, np.repeat(z.reshape(-1), 4)[first], weights[ci, cj], tri)
    return _drop_flat(part)


def _drop_flat(part: Part) -> Part:
    """Without triangles of no area and vertices no triangle uses."""
    a, b, c = (part.vertex[part.triangle[:, k]] for k in range(3))
    triangle = part.triangle[np.linalg.norm(np.cross(b - a, c - a), axis=1) > 1e-10]
    used, index = np.unique(triangle, return_inverse=True)
    return Part(
        part.vertex[used], part.normal[used], part.uv[used], part.zone[used], part.weight[used], index.reshape(-1, 3)
    )  # fmt: skip


def ellipse(theta: F, rx: float, ry: float, power: float = 1.0) -> F:
    """(m, 2) points of a superellipse at angles theta (0 = forward, pi/2 = left)."""
    c, s = np.cos(theta), np.sin(theta)
    return np.stack([rx * np.sign(c) * np.abs(c) ** power, ry * np.sign(s) * np.abs(s) ** power], 1)


def loft(
    rings: Sequence[tuple[float, ...]],
    theta: F,
    zone: Callable[[int, int], str],
    weights: Sequence[F],
    power: float = 1.0,
    axis_y: float = 0.0,
) -> Part:
    """A tube along z: rings of (z, rx, ry, cx, cy) from the lowest up, closed by points at both ends."""
    points = []
    for z, rx, ry, cx, cy in rings:
        xy = ellipse(theta, rx, ry, power) + (cx, cy + axis_y)
        points.append(np.concatenate([xy, np.full((len(theta), 1), z)], 1))
    z0, _, _, x0, y0 = rings[0]
    z1, _, _, x1, y1 = rings[-1]
    m = len(theta)
    low, high = np.tile([x0, y0 + axis_y, z0], (m, 1)), np.tile([x1, y1 + axis_y, z1], (m, 1))
    p = np.stack([low, *points, high])
    w = np.stack([weights[0], *weights, weights[-1]])
    n = len(rings)
    zones = [[zone(min(max(r - 1, 0), n - 2), j) for j in range(m)] for r in range(n + 1)]
    part = grid(p, zones, w)
    ends = np.linalg.norm(part.normal, axis=1) < 0.5
    part.normal[ends] = np.where(part.vertex[ends, 2:] > (z0 + z1) / 2, 1.0, -1.0) * np.array([0, 0, 1.0])
    return part


def tube(path: F, radius: float, zone: str, bone: str, sides: int = 3) -> Part:
    """A thin bar along path (n, 3)."""
    n = len(path)
    along = np.gradient(path, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    ref = np.where(np.abs(along[:, 2:]) > 0.9, np.array([1.0, 0, 0]), np.array([0, 0, 1.0]))
    a = np.cross(ref, along)
    a /= np.linalg.norm(a, axis=1, keepdims=True)
    b = np.cross(along, a)
    t = np.arange(sides) * 2 * np.pi / sides + np.pi / 2
    p = path[:, None] + radius * (np.cos(t)[None, :, None] * a[:, None] + np.sin(t)[None, :, None] * b[:, None])
    return grid(p, [[zone] * sides] * (n - 1), np.tile(blend((bone, 1.0)), (n, 1)))


def box(low: Sequence[float], high: Sequence[float], zone: str, bone: str) -> Part:
    """An axis-parallel box with flat faces."""
    lo, hi = np.asarray(low, float), np.asarray(high, float)
    verts: list[F] = []
    normals: list[F] = []
    tris: list[list[int]] = []
    for axis in range(3):
        u, v = (axis + 1) % 3, (axis + 2) % 3
        for sign in (0, 1):
            q = np.zeros((4, 3))
            q[:, axis] = hi[axis] if sign else lo[axis]
            q[:, u] = [lo[u], hi[u], hi[u], lo[u]]
            q[:, v] = [lo[v], lo[v], hi[v], hi[v]]
            k = 4 * len(verts)
            nrm = np.zeros(3)
            nrm[axis] = 1.0 if sign else -1.0
            verts.append(q)
            normals.append(np.tile(nrm, (4, 1)))
            order = [0, 1, 2, 3] if sign else [0, 3, 2, 1]
            tris += [[k + order[0], k + order[1], k + order[2]], [k + order[0], k + order[2], k + order[3]]]
    count = 4 * len(verts)
    uv = np.tile([[0, 0], [1, 0], [1, 1], [0, 1]], (len(verts), 1)).astype(float)
    return Part(np.concatenate(verts), np.concatenate(normals), uv, np.full(count, ZONE[zone]),
                np.tile(blend((bone, 1.0)), (count, 1)), np.array(tris))  # fmt: skip


def mirrored(part: Part) -> Part:
    """The same on the other side of the body: y turned, left bones to right bones."""
    swap = [BONE[n[:-2] + ("_r" if n.endswith("_l") else "_l")] if n[-2:] in ("_l", "_r") else BONE[n] for n in BONES]
    flip = np.array([1.0, -1.0, 1.0])
    uv = part.uv * [-1.0, 1.0] + [1.0, 0.0]
    return Part(part.vertex * flip, part.normal * flip, uv, part.zone, part.weight[:, swap], part.triangle[:, ::-1])


def join(parts: Sequence[Part]) -> Part:
    """All parts as one."""
    offset = np.cumsum([0] + [len(p.vertex) for p in parts[:-1]])
    return Part(
        np.concatenate([p.vertex for p in parts]),
        np.concatenate([p.normal for p in parts]),
        np.concatenate([p.uv for p in parts]),
        np.concatenate([p.zone for p in parts]),
        np.concatenate([p.weight for p in parts]),
        np.concatenate([p.triangle + o for p, o in zip(parts, offset, strict=True)]),
    )
