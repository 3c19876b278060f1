"""Which defender is the corner of a side, learned beside the rule of ``pipeline.alignment``.

In stacks, bunches and tight sets the widest defender and the one nearest to the widest receiver are often two men:
depth, order and what the other corner does decide. Only places at the snap and a second and a half before it are used.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.labels.features import NAN
from pipeline.labels.scene import Scene

SECTION = "corner"
SIDES = (("left", -1.0), ("right", 1.0))


def candidates(scene: Scene, sign: float) -> list[int]:
    """Defenders of a side who may be its corner: off the ball, or on the line well outside its end man."""
    d, a = scene.set_depth, scene.set_across * sign
    end = line_end(scene, sign)
    return [
        int(i) for i in scene.dfn
        if np.isfinite(d[i]) and a[i] > 1.5 and d[i] > -0.5 and not (d[i] < 2.0 and a[i] < end + 1.0)
    ]  # fmt: skip


def line_end(scene: Scene, sign: float) -> float:
    """Across of the end man of the line on a side, an attached tight end included."""
    a = scene.set_across * sign
    edge = max([float(a[i]) for i in scene.roles.linemen], default=3.1)
    ends = [float(a[i]) for i in scene.off if scene.position[i] in ("tackle", "tight_end")]
    return max((e for e in ends if 0 < e < edge + 3.0), default=edge)


def rows(scene: Scene, sign: float, men: list[int]) -> list[dict[str, float]]:
    """What is measured of each candidate."""
    d, a = scene.set_depth, scene.set_across * sign
    edge = max([float(a[i]) for i in scene.roles.linemen], default=3.1)
    outside = sorted(
        ((float(a[i]), float(d[i])) for i in scene.off
         if np.isfinite(a[i]) and scene.position[i] in ("receiver", "tight_end", "back") and a[i] > edge - 0.5),
        reverse=True,
    )  # fmt: skip
    first, second = (outside[k] if len(outside) > k else (NAN, NAN) for k in (0, 1))
    order = sorted(men, key=lambda i: -a[i])
    deep = sorted((float(d[i]) for i in men), reverse=True)
    by_rule = scene.roles.corner_left if sign < 0 else scene.roles.corner_right
    other = scene.roles.corner_right if sign < 0 else scene.roles.corner_left
    other_depth = float(d[other]) if other is not None else NAN
    before = scene.at(-1.5)[1] * sign
    out = []
    for i in men:
        rest = [j for j in men if j != i]
        near = min(rest, key=lambda j: abs(a[j] - a[i]), default=None)
        out.append({
            "outside_first": float(a[i]) - first[0], "from_first": abs(float(a[i]) - first[0]),
            "outside_second": float(a[i]) - second[0], "first_from_second": first[0] - second[0],
            "across": float(a[i]), "depth": float(d[i]), "rank": float(order.index(i)), "men": float(len(men)),
            "inside_widest": float(a[order[0]] - a[i]), "outside_last": float(a[i] - a[order[-1]]),
            "deeper_than_next": NAN if near is None else float(d[i] - d[near]),
            "outside_next": NAN if near is None else float(a[i] - a[near]),
            "receivers": float(len(outside)), "first_from_line": first[0] - line_end(scene, sign),
            "first_depth": first[1], "unlike_other": abs(other_depth - float(d[i])),
            "deepest": deep[0], "second_deepest": deep[1] if len(deep) > 1 else NAN, "by_rule": float(i == by_rule),
            "deeper_men": float(sum(d[j] > d[i] for j in men)), "came_out": float(a[i] - before[i]),
        })  # fmt: skip
    return out


def learned(scene: Scene) -> Scene:
    """The scene with its corners chosen by the learned score, and how likely each choice is; as it was without one."""
    forest = scene.forests.get(SECTION)
    if forest is None:
        return scene
    chosen: dict[str, int | None] = {"left": scene.roles.corner_left, "right": scene.roles.corner_right}
    chance: dict[str, float] = {}
    for side, sign in SIDES:
        men = candidates(scene, sign)
        if not men:
            continue
        p = forest.chances(rows(scene, sign, men))[:, 1]
        best = int(np.argmax(p))
        chance[side] = round(float(p[best] / max(p.sum(), 1e-9)), 3)
        chosen[side] = men[best]
    roles = replace(scene.roles, corner_left=chosen["left"], corner_right=chosen["right"])
    out = replace(scene, roles=roles, position=renamed(scene, (roles.corner_left, roles.corner_right)))
    out.facts.update(corner_chance=chance, corners=[roles.corner_left, roles.corner_right], position=list(out.position))
    return out


def renamed(scene: Scene, corners: tuple[int | None, int | None]) -> tuple[str, ...]:
    """Positions with these corners; who was named one and is none is a safety where deep, else a slot defender."""
    names = list(scene.position)
    for i, name in enumerate(names):
        if name == "corner" and i not in corners:
            names[i] = "safety" if scene.set_depth[i] > 8.0 else "slot_defender"
    for corner in corners:
        if corner is not None:
            names[corner] = "corner"
    return tuple(names)
