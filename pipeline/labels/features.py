"""What is measured of a person or a play for the scores: distances in yards a coach can check on the film.

Names say what and when: ``depth_15`` is the depth 1.5 s after the snap, ``passer_10`` the distance to the passer
1.0 s after it. Depths of coverage men are divided by the red-zone scale. NaN where unknown.
"""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import NDArray

from pipeline.labels.scene import Scene

Array = NDArray[np.float64]
NAN = float("nan")


def eligible(scene: Scene) -> list[int]:
    """Receivers, tight ends and backs."""
    return [int(i) for i in scene.off if scene.position[i] in ("receiver", "tight_end", "back")]


def corners(scene: Scene) -> list[int]:
    """The corners found."""
    return [c for c in (scene.roles.corner_left, scene.roles.corner_right) if c is not None]


def nearest(scene: Scene, i: int, others: list[int], time_s: float) -> float:
    """Distance of i to the nearest of others at a time."""
    d, a = scene.at(time_s)
    others = [k for k in others if k != i]
    gap = np.hypot(d[others] - d[i], a[others] - a[i])
    return float(np.nanmin(gap)) if np.isfinite(gap).any() else NAN


def mirrors(scene: Scene, i: int, others: list[int]) -> float:
    """How unlike the movement of defender i from 0.5 to 1.5 s is to that of the man he is nearest to then: 0 alike,
    1 and more unlike."""
    (d0, a0), (d1, a1) = scene.at(0.5), scene.at(1.5)
    gap = np.hypot(d1[others] - d1[i], a1[others] - a1[i])
    if not np.isfinite(gap).any():
        return NAN
    k = others[int(np.nanargmin(gap))]
    his, mine = np.array([d1[k] - d0[k], a1[k] - a0[k]]), np.array([d1[i] - d0[i], a1[i] - a0[i]])
    return float(np.linalg.norm(his - mine) / (np.linalg.norm(his) + np.linalg.norm(mine) + 0.5))


def health(scene: Scene, i: int) -> dict[str, float]:
    """How well man i was followed after the snap: share of moments in which he was found, and the hardest change of
    his speed (yards a second per second; far more than a body can do means that another man was taken for him)."""
    moments = np.flatnonzero((scene.time_s > 0.1) & (scene.time_s < 1.6))
    seen = float(scene.seen[moments, i].mean()) if len(moments) else NAN
    span = np.flatnonzero((scene.time_s > -0.2) & (scene.time_s < 1.6))
    at = np.stack([scene.depth[span, i], scene.across[span, i]], 1)
    dt = np.diff(scene.time_s[span])
    if len(span) < 3 or not (dt > 0).all():
        return {"seen_play": seen, "jerked": NAN}
    speed = np.diff(at, axis=0) / dt[:, None]
    change = np.linalg.norm(np.diff(speed, axis=0), axis=1) / dt[1:]
    good = change[np.isfinite(change)]
    return {"seen_play": seen, "jerked": float(good.max()) if len(good) else NAN}


def rush(scene: Scene, i: int) -> dict[str, float]:
    """Of defender i, for whether he rushes."""
    d0, a0 = scene.set_depth[i], scene.set_across[i]
    at = {t: scene.at(t) for t in (0.5, 0.75, 1.0, 1.25, 1.5, 2.0)}
    q = [] if scene.roles.passer is None else [scene.roles.passer]
    five, out = list(scene.roles.linemen), eligible(scene)
    backs = [k for k in out if scene.position[k] == "back"]
    passer = {t: nearest(scene, i, q, t) for t in (0.5, 1.0, 1.25, 1.5)}
    return {
        "start_depth": float(d0),
        "start_across": float(abs(a0)),
        "depth_05": float(at[0.5][0][i]),
        "depth_07": float(at[0.75][0][i]),
        "depth_10": float(at[1.0][0][i]),
        "depth_12": float(at[1.25][0][i]),
        "depth_15": float(at[1.5][0][i]),
        "depth_20": float(at[2.0][0][i]),
        "across_10": float(abs(at[1.0][1][i])),
        "across_15": float(abs(at[1.5][1][i])),
        "passer_10": passer[1.0],
        "passer_15": passer[1.5],
        "passer_closed": passer[0.5] - passer[1.25],
        "receiver_10": nearest(scene, i, out, 1.0),
        "receiver_15": nearest(scene, i, out, 1.5),
        "back_05": nearest(scene, i, backs, 0.5),
        "back_15": nearest(scene, i, backs, 1.5),
        "lineman_10": nearest(scene, i, five, 1.0),
        "lineman_15": nearest(scene, i, five, 1.5),
        "forward": float(at[0.75][0][i] - at[1.25][0][i]),
        "forward_10_15": float(at[1.0][0][i] - at[1.5][0][i]),
        "forward_15_20": float(at[1.5][0][i] - at[2.0][0][i]),
        "mirrors": mirrors(scene, i, out),
        "sideways": float(at[1.25][1][i] - at[0.75][1][i]) * float(np.sign(a0) if np.isfinite(a0) else 1.0),
        **health(scene, i),
    }


def block(scene: Scene, i: int) -> dict[str, float]:
    """Of a back or tight end i, for whether he stays in."""
    d0, a0 = scene.set_depth[i], scene.set_across[i]
    at = {t: scene.at(t) for t in (0.25, 1.0, 1.5, 2.0)}
    q = [] if scene.roles.passer is None else [scene.roles.passer]
    dfn = [int(k) for k in scene.dfn]

    def moved(t: float, u: float) -> float:
        return float(np.hypot(at[u][0][i] - at[t][0][i], at[u][1][i] - at[t][1][i]))

    return {
        "start_depth": float(d0),
        "start_across": float(abs(a0)),
        "depth_10": float(at[1.0][0][i]),
        "depth_15": float(at[1.5][0][i]),
        "depth_20": float(at[2.0][0][i]),
        "across_15": float(abs(at[1.5][1][i])),
        "across_20": float(abs(at[2.0][1][i])),
        "moved_02_10": moved(0.25, 1.0),
        "moved_10_15": moved(1.0, 1.5),
        "moved_15_20": moved(1.5, 2.0),
        "moved_15": float(np.hypot(at[1.5][0][i] - d0, at[1.5][1][i] - a0)),
        "defender_10": nearest(scene, i, dfn, 1.0),
        "defender_15": nearest(scene, i, dfn, 1.5),
        "passer_10": nearest(scene, i, q, 1.0),
        "passer_15": nearest(scene, i, q, 1.5),
    }


def deep_after(scene: Scene, i: int) -> dict[str, float]:
    """Of a defender i who neither rushes nor is a corner, for whether he is deep after the snap."""
    k = scene.depth_scale
    d0, a0 = scene.set_depth[i], scene.set_across[i]
    at = {t: scene.at(t) for t in (0.5, 1.0, 1.5, 2.0)}
    d15, a15 = at[1.5]
    out, wide = eligible(scene), corners(scene)
    others = [int(j) for j in scene.dfn if j != i and j not in wide]
    receivers = d15[out][np.isfinite(d15[out])]
    near = d15[[j for j in out if abs(a15[j] - a15[i]) < 7.0]]
    known = np.isfinite(d15[i])
    return {
        "start_depth": float(d0) / k,
        "depth_05": float(at[0.5][0][i]) / k,
        "depth_10": float(at[1.0][0][i]) / k,
        "depth_15": float(d15[i]) / k,
        "depth_20": float(at[2.0][0][i]) / k,
        "start_across": float(abs(a0)),
        "across_15": float(abs(a15[i])),
        "sinking_10": float(at[1.0][0][i] - at[0.5][0][i]),
        "sinking_20": float(at[2.0][0][i] - d15[i]),
        "receiver_10": nearest(scene, i, out, 1.0),
        "receiver_15": nearest(scene, i, out, 1.5),
        "receiver_20": nearest(scene, i, out, 2.0),
        "deeper_men": float((d15[others] > d15[i]).sum()) if known else NAN,
        "over_deepest": float(d15[i] - receivers.max()) if len(receivers) and known else NAN,
        "over_nearest": float(d15[i] - np.nanmax(near)) if np.isfinite(near).any() and known else NAN,
        **health(scene, i),
    }


def kind(scene: Scene) -> dict[str, float]:
    """Of the play, for pass or run: movement in the first second and a quarter."""
    d0, a0 = scene.set_depth, scene.set_across
    (dh, ah), (d, a) = scene.at(0.5), scene.at(scene.settings("kind.look_s"))
    five = list(scene.roles.linemen)
    backs = [k for k in eligible(scene) if scene.position[k] == "back"]
    wide = [k for k in eligible(scene) if scene.position[k] == "receiver"]
    near = [int(i) for i in scene.dfn if 3.0 < d0[i] < 8.0]
    deep = [int(i) for i in scene.dfn if d0[i] >= 8.0]
    front = [int(i) for i in scene.dfn if d0[i] < 1.8]
    both = np.r_[scene.off, scene.dfn].astype(int)
    q = scene.roles.passer
    mesh = [nearest(scene, q, backs, t) for t in (0.25, 0.5, 0.75, 1.0)] if q is not None else []
    mesh = [m for m in mesh if np.isfinite(m)]
    return {
        "line_push": median(d[five] - d0[five]),
        "line_early": median(dh[five] - d0[five]),
        "line_flow": abs(median(a[five] - a0[five])),
        "line_flow_early": abs(median(ah[five] - a0[five])),
        "passer_drop": NAN if q is None else float(d0[q] - d[q]),
        "passer_across": NAN if q is None else float(abs(a[q] - a0[q])),
        "back_forward": float(np.nanmax(d[backs] - d0[backs])) if np.isfinite(d[backs] - d0[backs]).any() else NAN,
        "back_mesh": min(mesh) if mesh else NAN,
        "wide_forward": median(d[wide] - d0[wide]),
        "near_back": median(d[near] - d0[near]),
        "near_back_early": median(dh[near] - d0[near]),
        "deep_back": median(d[deep] - d0[deep]),
        "front_push": median(d[front] - d0[front]),
        "everyone_moved": median(np.hypot(d[both] - d0[both], a[both] - a0[both])),
        "farthest_back": float(-np.nanmin(d0[scene.off])) if np.isfinite(d0[scene.off]).any() else NAN,
        "tight_men": float(((d0[scene.off] > -2.7) & (np.abs(a0[scene.off]) < 6.5)).sum()),
        "tight_defenders": float(((d0[scene.dfn] < 2.5) & (np.abs(a0[scene.dfn]) < 6.5)).sum()),
    }


def response(scene: Scene, mover: int, before: NDArray[np.int64]) -> dict[str, float]:
    """Of a man in motion and the defenders, for how they answered. before: moments before the snap."""
    path = scene.across[before, mover]
    ok = np.flatnonzero(np.isfinite(path))
    start = before[ok[0]]
    turn = before[ok[np.argmax(np.abs(path[ok] - path[ok[0]]))]]
    moved = float(scene.across[turn, mover] - scene.across[start, mover])
    later = before[(before >= turn) & (scene.time_s[before] <= scene.time_s[turn] + 0.8)]
    sign = np.sign(moved) if moved else 1.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        shift = sign * (np.nanmax(sign * scene.across[later], 0) * sign - scene.across[start])
        shift = np.nan_to_num(shift[scene.dfn])
        end = before[-1]
        back = sign * (scene.across[end, mover] - scene.across[turn, mover])
    off_ball = scene.set_depth[scene.dfn] > 2.2
    went, alike = _excursions(scene, mover, before)
    order = np.sort(shift)[::-1]
    low = np.sort(shift[off_ball])[::-1] if off_ball.any() else np.zeros(1)
    k = int(np.argmax(shift)) if len(shift) else 0
    first = int(scene.dfn[k]) if len(shift) else mover
    return {
        "moved": abs(moved),
        "came_back": -float(back) if np.isfinite(back) else 0.0,
        "best_share": float(order[0] / max(abs(moved), 0.5)) if len(order) else 0.0,
        "best": float(order[0]) if len(order) else 0.0,
        "second": float(order[1]) if len(order) > 1 else 0.0,
        "third": float(order[2]) if len(order) > 2 else 0.0,
        "fourth": float(order[3]) if len(order) > 3 else 0.0,
        "off_ball_second": float(low[1]) if len(low) > 1 else 0.0,
        "off_ball_third": float(low[2]) if len(low) > 2 else 0.0,
        "off_ball_median": float(np.median(low)),
        "gap_before": float(abs(scene.across[start, first] - scene.across[start, mover])),
        "gap_after": float(abs(scene.across[turn, first] - scene.across[turn, mover])),
        "gap_at_snap": float(abs(scene.across[end, first] - scene.across[end, mover])),
        "speed": abs(moved) / max(float(scene.time_s[turn] - scene.time_s[start]), 0.3),
        **{f"went_{k + 1}": float(went[k]) if k < len(went) else 0.0 for k in range(4)},
        "went_most": float(went[0] / max(float(np.ptp(path[ok])), 0.5)) if len(went) else 0.0, "alike": alike,
    }


def _excursions(scene: Scene, mover: int, before: NDArray[np.int64]) -> tuple[Array, float]:
    """How far across each defender off the ball went at all, furthest first, and how alike the way of the furthest
    and that of the man in motion are (correlation; who goes with him and comes back with him is alike)."""
    men = scene.dfn[scene.set_depth[scene.dfn] > 2.2]
    ways = scene.across[np.ix_(before, men)]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        went = np.nan_to_num(np.nanmax(ways, 0) - np.nanmin(ways, 0)) if len(men) else np.zeros(0)
    if not len(went):
        return went, NAN
    a, b = scene.across[before, mover], ways[:, int(np.argmax(went))]
    both = np.isfinite(a) & np.isfinite(b)
    flat = both.sum() < 4 or np.ptp(a[both]) < 0.3 or np.ptp(b[both]) < 0.3
    return np.sort(went)[::-1], NAN if flat else float(np.corrcoef(a[both], b[both])[0, 1])


def median(values: Array) -> float:
    """Median of what is known, NaN where nothing is."""
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else NAN
