"""Triangles the renderer takes, and simple solids to build surroundings from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
CLOTH, HELMET, SKIN, OTHER, CROWD, LEAVES, PLAIN, GLOW = range(8)


@dataclass(frozen=True)
class Solid:
    """vertices (V, 3) yards in the field frame, normals (V, 3), colours (V, 3) linear RGB, uv (V, 2) (negative:
    none), material (V,), person (V,) index or -1, triangles (F, 3)."""

    vertices: F32
    normals: F32
    colours: F32
    uv: F32
    material: NDArray[np.int32]
    person: NDArray[np.int32]
    triangles: NDArray[np.int32]


def join(parts: list[Solid]) -> Solid:
    """One solid of many (at least one)."""
    base = np.cumsum([0] + [len(p.vertices) for p in parts[:-1]])
    return Solid(
        *(
            np.concatenate([getattr(p, n) for p in parts])
            for n in ("vertices", "normals", "colours", "uv", "material", "person")
        ),
        np.concatenate([p.triangles + np.int32(b) for p, b in zip(parts, base, strict=True)]),
    )


def to_linear(c: object) -> NDArray[np.float64]:
    """sRGB 0..1 -> linear (IEC 61966-2-1)."""
    v = np.asarray(c, float)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def quads(corners: object, colours: object, material: int = PLAIN, uv: object = None) -> Solid:
    """(Q, 4, 3) corners (counterclockwise seen from outside), (Q, 3) or (3,) sRGB -> flat-shaded quads."""
    c = np.asarray(corners, np.float32).reshape(-1, 4, 3)
    n = np.cross(c[:, 1] - c[:, 0], c[:, 3] - c[:, 0])
    n = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-9)
    q = len(c)
    col = np.broadcast_to(to_linear(colours), (q, 3))
    idx = (np.arange(q) * 4)[:, None] + np.array([0, 1, 2, 0, 2, 3])
    uvs = np.full((q * 4, 2), -1.0) if uv is None else np.asarray(uv, float).reshape(-1, 2)
    return Solid(
        c.reshape(-1, 3),
        np.repeat(n, 4, 0).astype(np.float32),
        np.repeat(col, 4, 0).astype(np.float32),
        uvs.astype(np.float32),
        np.full(q * 4, material, np.int32),
        np.full(q * 4, -1, np.int32),
        idx.reshape(-1, 3).astype(np.int32),
    )


_FACES = np.array([[0, 1, 5, 4], [1, 3, 7, 5], [3, 2, 6, 7], [2, 0, 4, 6], [4, 5, 7, 6], [1, 0, 2, 3]])


def boxes(low: object, high: object, colours: object, material: int = PLAIN) -> Solid:
    """(B, 3) low and high corners -> axis-aligned boxes."""
    lo, hi = np.asarray(low, float).reshape(-1, 3), np.asarray(high, float).reshape(-1, 3)
    pick = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)])
    v = lo[:, None] + pick[None] * (hi - lo)[:, None]
    col = np.broadcast_to(np.asarray(colours, float), lo.shape)
    return quads(v[:, _FACES].reshape(-1, 4, 3), np.repeat(col, 6, 0), material)


def pole(a: object, b: object, radius: float, colour: object, sides: int = 6) -> Solid:
    """A round bar from a to b."""
    p, q = np.asarray(a, float), np.asarray(b, float)
    d = (q - p) / np.linalg.norm(q - p)
    e = np.cross(d, [0.0, 0.0, 1.0] if abs(d[2]) < 0.9 else [1.0, 0.0, 0.0])
    e /= np.linalg.norm(e)
    g = np.cross(d, e)
    th = np.linspace(0, 2 * np.pi, sides + 1)
    ring = radius * (np.cos(th)[:, None] * e + np.sin(th)[:, None] * g)
    c = np.stack([p + ring[:-1], p + ring[1:], q + ring[1:], q + ring[:-1]], 1)
    return quads(c, colour)


def ball(center: object, radius: object, colour: object, material: int = PLAIN, n: int = 7) -> Solid:
    """An ellipsoid."""
    th, ph = np.meshgrid(np.linspace(0, 2 * np.pi, 2 * n), np.linspace(-np.pi / 2, np.pi / 2, n))
    unit = np.stack([np.cos(th) * np.cos(ph), np.sin(th) * np.cos(ph), np.sin(ph)], -1)
    v = np.asarray(center) + unit * np.asarray(radius)
    c = np.stack([v[:-1, :-1], v[:-1, 1:], v[1:, 1:], v[1:, :-1]], 2).reshape(-1, 4, 3)
    uv = np.stack([th, ph], -1) * float(np.mean(radius)) * 1.2
    u = np.stack([uv[:-1, :-1], uv[:-1, 1:], uv[1:, 1:], uv[1:, :-1]], 2)
    s = quads(c, colour, material, np.abs(u))
    nv = (s.vertices - np.asarray(center, np.float32)) / (np.asarray(radius, np.float32) ** 2 + 1e-6)
    nv /= np.maximum(np.linalg.norm(nv, axis=1, keepdims=True), 1e-9)
    return Solid(s.vertices, nv.astype(np.float32), s.colours, s.uv, s.material, s.person, s.triangles)
