"""Plain solids in the shape of people, for tests of the scene alone; same interface as the figures package."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film.mesh import Solid, ball, join


@dataclass(frozen=True)
class Wardrobe:
    """Two colours; atlas (1, 1, 3) white."""

    colours: NDArray[np.float64]
    atlas: NDArray[np.uint8]


@dataclass(frozen=True)
class Mesh(Solid):
    """A Solid with heads_yd (P, 3) and feet_yd (P, 2)."""

    heads_yd: NDArray[np.float64]
    feet_yd: NDArray[np.float64]


def draw_wardrobe(rng: np.random.Generator, level: str) -> Wardrobe:
    return Wardrobe(rng.uniform(0.1, 0.9, (4, 3)), np.full((1, 1, 3), 255, np.uint8))


def build_meshes(
    people: Any, wardrobe: Wardrobe, xy_yd: Any, velocity_yd_s: Any, facing_rad: Any, stance: Any, phase: Any, rng_seed: Any
) -> Mesh:
    parts = []
    for i, p in enumerate(people):
        side = {"offense": 0, "defense": 1, "official": 2}.get(p.side, 3)
        x, y = xy_yd[i]
        body = join(
            [
                ball((x, y, 1.0), (0.3, 0.25, 0.5), wardrobe.colours[side]),
                ball((x, y, 0.45), (0.2, 0.2, 0.5), wardrobe.colours[side] * 0.6),
                ball((x, y, 1.75), (0.16, 0.16, 0.18), wardrobe.colours[side] * 0.9, 1),
            ]
        )
        parts.append(Solid(*(getattr(body, n) for n in ("vertices", "normals", "colours", "uv", "material")),
                           np.full(len(body.vertices), i, np.int32), body.triangles))
    s = join(parts)
    n = len(people)
    xy = np.asarray(xy_yd, float)
    return Mesh(s.vertices, s.normals, s.colours, s.uv, s.material, s.person, s.triangles,
                np.concatenate([xy, np.full((n, 1), 1.75)], 1), xy)
