"""What is measured of the whole picture for the coverage, before the snap and after: yards, shares and counts.

The same words as in ``features``; depths are divided by the red-zone scale. NaN where unknown.
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.labels.features import NAN, corners, eligible, median, nearest
from pipeline.labels.scene import Scene

Array = NDArray[np.float64]


def _ranked(depth: Array, across: Array, men: list[int], n: int, name: str) -> dict[str, float]:
    """The n deepest of men: depth and distance from the ball's line."""
    known = sorted((i for i in men if np.isfinite(depth[i])), key=lambda i: -depth[i])[:n]
    out = {}
    for k in range(n):
        out[f"{name}_depth_{k + 1}"] = float(depth[known[k]]) if k < len(known) else NAN
        out[f"{name}_across_{k + 1}"] = float(abs(across[known[k]])) if k < len(known) else NAN
    return out


def _low_high(name: str, values: list[float]) -> dict[str, float]:
    good = [v for v in values if np.isfinite(v)]
    if len(good) < 2:
        return {f"{name}_low": NAN, f"{name}_high": NAN}
    return {f"{name}_low": min(good), f"{name}_high": max(good)}


def _creeping(scene: Scene, men: list[int]) -> dict[str, float]:
    """How the two deepest of men moved in the last second before the snap: depth, and across towards the middle."""
    names = ("creep_depth_1", "creep_across_1", "creep_depth_2", "creep_across_2")
    (d0, a0), d = scene.at(-1.0), scene.set_depth
    late = scene.at(0.0)
    known = sorted((i for i in men if np.isfinite(d[i])), key=lambda i: -d[i])[:2]
    values: list[float] = []
    for i in known:
        values += [float(late[0][i] - d0[i]), float(abs(a0[i]) - abs(late[1][i]))]
    return dict(zip(names, values + [NAN] * (4 - len(values)), strict=True))


def coverage_before(scene: Scene, response: dict[str, float]) -> dict[str, float]:
    """Of the picture before the snap. response: chances of no_motion, followed, bumped, stayed."""
    k = scene.depth_scale
    d, a = scene.set_depth / k, scene.set_across
    wide = corners(scene)
    men = [int(i) for i in scene.dfn if i not in wide]
    roles = scene.roles
    pairs = ((roles.corner_left, roles.widest_left), (roles.corner_right, roles.widest_right))
    gaps = [float(abs(a[c] - a[r])) for c, r in pairs if c is not None and r is not None]
    out = _ranked(d, a, men, 4, "set")
    out.update(_low_high("set_corner", [float(d[c]) for c in wide]))
    out.update(_low_high("set_corner_gap", gaps))
    out["on_line"] = float((d[scene.dfn] < 2.0).sum())
    out["second_level"] = median(d[[i for i in men if 2.0 <= d[i] < 8.0]])
    out.update(_creeping(scene, men))
    inside = [i for i in men if abs(a[i]) > 4.5 and d[i] < 8.5]
    out["inside_men"] = float(len(inside))
    out["inside_shallowest"] = float(np.min(d[inside])) if inside else NAN
    out["box_men"] = float((np.isfinite(d[men]) & (d[men] < 6.5) & (np.abs(a[men]) < 5.0)).sum())
    out["wide_receivers"] = float(sum(abs(a[i]) > 6.0 for i in eligible(scene)))
    out["scale"] = k
    out.update({f"motion_{name}": p for name, p in response.items()})
    out.update(_sided(scene, d, a, men))
    return out


def strong_side(scene: Scene) -> float:
    """+1 where the offence's right has more eligible men outside the line (ties: where they stand wider), else -1."""
    wide = scene.set_across[eligible(scene)]
    wide = wide[np.isfinite(wide) & (np.abs(wide) > 2.6)]
    return 1.0 if np.sign(wide).sum() + 0.01 * wide.sum() >= 0 else -1.0


def _sided(scene: Scene, depth: Array, across: Array, men: list[int]) -> dict[str, float]:
    """The picture seen from the strong side: leverage and movement of each corner, who stands over the inside
    receivers, where the deepest men stand and how they moved. men: defenders who are no corners; depths scaled."""
    flip = strong_side(scene)
    a = across * flip
    roles, (now, was, late) = scene.roles, (scene.at(t) for t in (0.0, -1.0, -0.3))
    out: dict[str, float] = {
        "backers": float(sum(2.2 <= depth[i] < 7.5 and abs(a[i]) < 5.5 for i in men)),
        "a_side": float(scene.a_side), "missing": float(scene.missing_def), "position_sd": scene.sd_yd,
        "ball_off_middle": scene.field_middle_yd * flip,
    }  # fmt: skip
    sides = {-1.0: (roles.corner_left, roles.widest_left), 1.0: (roles.corner_right, roles.widest_right)}
    for sign, name in ((1.0, "strong"), (-1.0, "weak")):
        corner, receiver = sides[sign * flip]
        outside = sorted((abs(float(a[i])) for i in eligible(scene) if a[i] * sign > 2.6), reverse=True)
        out[f"{name}_receivers"], out[f"{name}_widest"] = float(len(outside)), outside[0] if outside else NAN
        known = corner is not None and np.isfinite(depth[corner])
        out[f"{name}_corner_depth"] = float(depth[corner]) if known else NAN
        out[f"{name}_corner_across"] = float(a[corner] * sign) if known else NAN
        both = known and receiver is not None
        out[f"{name}_leverage"] = float((a[corner] - a[receiver]) * sign) if both else NAN
        out[f"{name}_corner_back"] = float(now[0][corner] - was[0][corner]) if known else NAN
        out[f"{name}_corner_back_late"] = float(now[0][corner] - late[0][corner]) if known else NAN
        for k in (1, 2):  # who stands over the inside receivers, and how
            over = [i for i in men if len(outside) > k and abs(a[i] * sign - outside[k]) < 3.0 and depth[i] < 9.0]
            best = min(over, key=lambda i: depth[i], default=None)
            out[f"{name}_over_{k}"] = NAN if best is None else float(depth[best])
            out[f"{name}_over_{k}_inside"] = NAN if best is None else float(outside[k] - a[best] * sign)
    known_men = sorted((i for i in men if np.isfinite(depth[i])), key=lambda i: -depth[i])[:3]
    for k in range(3):
        i = known_men[k] if k < len(known_men) else None
        out[f"high_{k + 1}_across"] = NAN if i is None else float(a[i])
        out[f"high_{k + 1}_back"] = NAN if i is None else float(now[0][i] - was[0][i])
        out[f"high_{k + 1}_out"] = NAN if i is None else float(abs(now[1][i]) - abs(was[1][i]))
        gaps = [] if i is None else [abs(float(a[i] - a[r])) for r in eligible(scene) if np.isfinite(a[r])]
        out[f"high_{k + 1}_from_receiver"] = min(gaps, default=NAN)
    came = now[0][men] - was[0][men]
    came = came[np.isfinite(came)]
    out["came_up"], out["came_up_most"] = float((came < -0.4).sum()), float(came.min()) if len(came) else NAN
    return out


def _shell(depth: Array, across: Array, cover: list[int], k: float, name: str) -> dict[str, float]:
    """How the men in coverage stand at a moment: how many past ten yards, how wide, how many in middle and flats."""
    known = [i for i in cover if np.isfinite(depth[i])]
    deep = [i for i in known if depth[i] / k > 10.0]
    wide = np.array([across[i] for i in deep])
    return {
        f"{name}_past_ten": float(len(deep)),
        f"{name}_past_ten_width": float(np.ptp(wide)) if len(wide) > 1 else NAN,
        f"{name}_nearest_middle": float(np.abs(wide).min()) if len(wide) else NAN,
        f"{name}_flat_men": float(sum(depth[i] / k < 9.0 and abs(across[i]) > 8.0 for i in known)),
        f"{name}_hook_men": float(sum(2.0 < depth[i] / k < 11.0 and abs(across[i]) < 6.0 for i in known)),
    }


def coverage_after(
    scene: Scene, response: dict[str, float], rush_chance: dict[int, float], deep: float
) -> dict[str, float]:
    """Of what was played. rush_chance by defender; deep: expected deep men after the snap."""
    out = coverage_before(scene, response)
    k = scene.depth_scale
    wide = corners(scene)
    cover = [int(i) for i in scene.dfn if rush_chance.get(int(i), 0.0) < 0.5]
    men = [i for i in cover if i not in wide]
    for t, name in ((1.0, "at10"), (1.5, "at15"), (2.0, "at20")):
        d, a = scene.at(t)
        out.update(_ranked(d / k, a, men, 3, name))
        out.update(_low_high(f"{name}_corner", [float(d[c]) / k for c in wide]))
        out.update(_low_high(f"{name}_corner_man", [nearest(scene, c, eligible(scene), t) for c in wide]))
    for t, name in ((1.5, "at15"), (2.0, "at20")):
        out.update(_shell(*scene.at(t), cover, k, name))
    out["rushers"] = float(sum(rush_chance.values()))
    out["deep_after"] = deep
    out.update(man_to_man(scene, cover))
    d, a = scene.at(1.5)
    under = [i for i in men if np.isfinite(d[i]) and d[i] / k < 11.0]
    out["under_men"] = float(len(under))
    out["under_depth"] = median(d[under]) / k
    out["under_depth_spread"] = float(np.std(d[under])) if len(under) > 1 else NAN
    out["under_across_spread"] = float(np.std(a[under])) if len(under) > 1 else NAN
    return out


def man_to_man(scene: Scene, cover: list[int]) -> dict[str, float]:
    """How closely released receivers have one defender each who moves as they do, by 1.75 s."""
    d0, a0 = scene.set_depth, scene.set_across
    names = ("held_gap", "held_move", "held_share", "held_worst", "late_gap")
    blank = dict.fromkeys(names, NAN)
    (d, a), (dl, al) = scene.at(1.5), scene.at(2.0)
    routes = [i for i in eligible(scene) if np.hypot(d[i] - d0[i], a[i] - a0[i]) > 2.5]
    free = [i for i in cover if np.isfinite(d[i] + d0[i])]
    if len(routes) < 2 or len(free) < 3:
        return blank
    gap = np.hypot(d[routes][:, None] - d[free], a[routes][:, None] - a[free])
    move_r = np.stack([d[routes] - d0[routes], a[routes] - a0[routes]], 1)
    move_f = np.stack([d[free] - d0[free], a[free] - a0[free]], 1)
    unlike = np.linalg.norm(move_r[:, None] - move_f[None], axis=2) / (np.linalg.norm(move_r, axis=1)[:, None] + 1.0)
    r, f = linear_sum_assignment(gap + 3.0 * unlike)
    late = np.hypot(dl[routes][:, None] - dl[free], al[routes][:, None] - al[free])[r, f]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        late_gap = float(np.nanmedian(late))
    return {
        "held_gap": float(np.mean(gap[r, f])),
        "held_move": float(np.mean(unlike[r, f])),
        "held_share": float(np.mean((gap[r, f] < 4.0) & (unlike[r, f] < 0.75))),
        "held_worst": float(np.max(gap[r, f])),
        "late_gap": late_gap,
    }
