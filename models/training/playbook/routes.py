"""Pass routes as way points and the concepts that hand them out. Common practice, no source."""

from __future__ import annotations

import numpy as np

from models.training.playbook.roster import Man, Spot, pick, tnorm

# Each way point: (yards upfield from the start, yards outward from the start, speed through it).
ROUTES: dict[str, tuple[tuple[float, float, float], ...]] = {
    "go": ((12, 0.6, 9), (34, 1.2, 9)),
    "fade": ((6, 1.6, 9), (32, 3.5, 9)),
    "post": ((11, 0.2, 6.0), (32, -8.5, 9)),
    "corner": ((10.5, -0.3, 5.5), (24, 8.5, 9)),
    "dig": ((12, 0, 3.2), (12.5, -16, 7)),
    "out": ((10, 0, 3.2), (10, 10, 7)),
    "comeback": ((15, 0.3, 2.6), (13, 2.6, 3)),
    "curl": ((11.5, 0, 2.4), (10, -1.6, 3)),
    "cross": ((3.5, -2.5, 6.5), (11, -26, 8)),
    "shallow": ((1.5, -3, 5.5), (5, -26, 7)),
    "seam": ((10, -0.4, 8.5), (30, -0.8, 9)),
    "hitch": ((5.6, 0, 2.2), (5, -0.7, 2)),
    "slant": ((3.2, 0, 5.0), (9.5, -10, 8)),
    "speed_out": ((4.5, 0.4, 4.5), (5.6, 9, 7)),
    "stick": ((5.5, 0, 2.4), (5.6, 1.8, 3)),
    "flat": ((1.0, 2.5, 5.0), (3.6, 12, 7)),
    "wheel": ((1.5, 4.5, 5.5), (22, 7.5, 8.5)),
    "bubble": ((-1.2, 2.5, 5), (-0.4, 7, 6)),
    "swing": ((-1.0, 4.0, 5), (1.5, 11, 7)),
    "check": ((4.0, 0.8, 3.0), (4.5, -1.2, 2)),
    "stalk": ((3.5, 0, 3), (5, 0, 2)),
}
TREES: dict[str, tuple[dict[str, float], dict[str, float], dict[str, float]]] = {
    # by kind of play: outermost receiver, inside receiver or tight end, back
    "dropback": (
        {"go": 22, "post": 12, "dig": 14, "out": 10, "comeback": 12, "curl": 16, "corner": 4, "cross": 6, "shallow": 4},
        {"seam": 18, "corner": 14, "dig": 12, "cross": 16, "shallow": 14, "out": 12, "curl": 8, "flat": 6},
        {"check": 45, "flat": 22, "swing": 20, "wheel": 13},
    ),
    "quick": (
        {"hitch": 36, "slant": 34, "fade": 18, "speed_out": 12},
        {"stick": 26, "slant": 22, "flat": 24, "speed_out": 20, "seam": 8},
        {"flat": 40, "swing": 40, "check": 20},
    ),
    "sprint_out": (
        {"comeback": 40, "out": 25, "curl": 20, "go": 15},
        {"flat": 34, "corner": 30, "out": 24, "cross": 12},
        {"flat": 50, "check": 50},
    ),
    "screen": (
        {"go": 55, "stalk": 45},
        {"seam": 45, "stalk": 30, "cross": 25},
        {"swing": 100},
    ),
    "play_action": (
        {"post": 30, "go": 24, "comeback": 22, "dig": 24},
        {"cross": 40, "corner": 20, "seam": 20, "flat": 20},
        {"flat": 60, "check": 40},
    ),
}  # fmt: skip


def draw_route(rng: np.random.Generator, kind: str, man: Man, rank: int) -> str:
    """Route name. rank: 0 for the outermost of his side."""
    tree = TREES[kind]
    k = 2 if man.position == "back" else (0 if rank == 0 and man.wide else 1)
    return pick(rng, tree[k])


def way_points(
    rng: np.random.Generator, name: str, start: tuple[float, float], spot: Spot, out: int
) -> tuple[list[tuple[float, float]], list[float]]:
    """Way points (depth, across) and the speed through each; kept inside the field and its end line."""
    stretch = tnorm(rng, 1.0, 0.07, 0.85, 1.15)
    points, cuts = [], []
    deepest = spot.to_end_line - 0.8
    for up, wide, speed in ROUTES[name]:
        depth = min(start[0] + up * stretch, deepest)
        across = start[1] + out * wide * stretch
        across = float(np.clip(across, -spot.room_left + 1.0, spot.room_right - 1.0))
        points.append((depth, across))
        cuts.append(speed)
    return points, cuts
