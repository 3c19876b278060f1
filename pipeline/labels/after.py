"""What the defence became after the snap: deep defenders again, rotation, rushers, and who blocked them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.labels.before import blank, graded, hidden_deep
from pipeline.labels.scene import Scene, count_distribution
from pipeline.labels.score import chance
from pipeline.records import Label

Array = NDArray[np.float64]


def deep_after(scene: Scene, rushers: tuple[int, ...]) -> tuple[Label, tuple[int, ...], Array]:
    """Deep defenders about a second after the snap (not corners, not rushers)."""
    s = scene.settings
    if not scene.until(s("after.look_s")):
        return blank("the film ends too soon after the snap"), (), np.ones(1)
    d1, _ = scene.at(s("after.look_s"))
    limit = s("after.deep_yd") * scene.depth_scale
    who, p = [], []
    lost = 0
    for i in deep_candidates(scene, rushers):
        if np.isfinite(d1[i]) or not np.isfinite(scene.set_depth[i]):
            who.append(i)
            p.append(chance(s, "deep_after", deep_features(scene, i)) if np.isfinite(d1[i]) else 0.0)
        elif scene.set_depth[i] > 6.0 * scene.depth_scale:
            lost += 1
    missing, hidden = hidden_deep(scene, limit)
    dist = count_distribution(np.r_[p, [max(hidden, 0.6)] * lost, [hidden] * min(missing, 4)])
    counted = tuple(i for i, q in zip(who, p, strict=True) if q > 0.5)
    scene.facts["deep_after_depths_yd"] = [round(float(d1[i]), 2) for i in counted]
    if lost and scene.visible_depth_yd - limit < s("deep.least_room_yd") + 4:
        return Label(None, 0.0, "not_visible", f"{lost} deep defenders left the picture"), counted, dist
    said = ", ".join(f"{d1[i]:.1f}" for i in counted) or "nobody"
    reason = f"{said} deeper than {limit:.1f} yd at {s('after.look_s'):.1f} s"
    return graded(scene, len(counted), float(dist[min(len(counted), len(dist) - 1)]), reason), counted, dist


def deep_candidates(scene: Scene, rushers: tuple[int, ...]) -> list[int]:
    """Defenders who may be deep after the snap: not the corners, not who rushes."""
    corners = (scene.roles.corner_left, scene.roles.corner_right)
    return [int(i) for i in scene.dfn if i not in corners and i not in rushers]


def deep_features(scene: Scene, i: int) -> dict[str, float]:
    """Depths of defender i over the two seconds, in yards of the open field; NaN where unknown."""
    s = scene.settings
    scale = scene.depth_scale
    d0 = scene.set_depth[i]
    mid, look, half, late = (
        float(scene.at(t)[0][i]) for t in (0.5, s("after.look_s"), s("after.look_s") + 0.5, s("after.until_s"))
    )
    return {
        "start_depth": float(d0) / scale,
        "look_depth": look / scale,
        "late_depth": (late if np.isfinite(late) else half) / scale,
        "sinking": look - mid,
    }


ROTATIONS = {(2, 1): "two_to_one", (1, 2): "one_to_two"}


def rotation(scene: Scene, before: Label, after: Label, deep: tuple[int, ...], later: tuple[int, ...]) -> tuple[
    Label, Label
]:
    """How the deep count changed, and whose safety came down."""
    if not isinstance(before.value, int) or not isinstance(after.value, int):
        worse = before if before.value is None else after
        empty = Label(None, 0.0, worse.status, worse.reason)
        return empty, empty
    b, a = before.value, after.value
    if a == b:
        value = "none"
    elif a == 0:
        value = "to_none"
    elif a >= 3:
        value = "to_three"
    else:
        value = ROTATIONS.get((b, a), "two_to_one" if a == 1 else "one_to_two")
    confidence = before.confidence * after.confidence
    label = graded(scene, value, confidence, f"{b} deep before the snap, {a} after")
    down = [i for i in deep if i not in later]
    if value not in ("two_to_one", "to_none") or not down:
        return label, Label(None, confidence, "ok", "nobody came down")
    d1, _ = scene.at(scene.settings("after.look_s"))
    who = min(down, key=lambda i: d1[i] - scene.set_depth[i] if np.isfinite(d1[i]) else 0.0)
    side = "offense_left" if scene.set_across[who] < 0 else "offense_right"
    near_middle = float(np.clip(abs(scene.set_across[who]) / 3.0, 0.3, 1.0))
    return label, graded(scene, side, confidence * near_middle, f"from {scene.set_depth[who]:.1f} yd deep")


def rushers(scene: Scene) -> tuple[Label, tuple[int, ...], dict[int, float]]:
    """Defenders who attack the passer: over the line, or engaged and driving, by about 1.5 s."""
    s = scene.settings
    if not scene.until(s("rush.look_s")):
        return blank("the film ends too soon after the snap"), (), {}
    found: dict[int, float] = {}
    for i in scene.dfn:
        q = rush_chance(scene, int(i))
        if q is not None:
            found[int(i)] = q
    p = np.array(list(found.values()))
    dist = count_distribution(np.r_[p, [s("rush.missing_rushes")] * min(scene.missing_def, 4)])
    counted = tuple(i for i, q in found.items() if q > 0.5)
    scene.facts["rush_chances"] = {i: round(q, 2) for i, q in found.items() if q > 0.05}
    n = len(counted)
    confidence = float(dist[n]) if n < len(dist) else 0.0
    return graded(scene, n, confidence, f"{n} came after the passer by {s('rush.look_s'):.1f} s"), counted, found


def rush_features(scene: Scene, i: int) -> dict[str, float]:
    """What is measured of defender i by the rush look: yards, NaN where unknown."""
    look = scene.settings("rush.look_s")
    d0, a0 = scene.set_depth, scene.set_across
    mid, _ = scene.at(0.5 * look)
    d, a = scene.at(look)
    late, _ = scene.at(look + 0.5)
    return {
        "start_depth": float(d0[i]),
        "mid_depth": float(mid[i]),
        "look_depth": float(d[i]),
        "late_depth": float(late[i]),
        "outside": max(abs(float(a[i])) - scene.settings("rush.outside_yd"), 0.0) if np.isfinite(a[i]) else float("nan"),
        "inward": float(abs(a0[i]) - abs(a[i])),
        "passer_closed": _closed(scene, i, 0.25, look),
    }


def _closed(scene: Scene, i: int, from_s: float, to_s: float) -> float:
    """Yards nearer to where the passer is."""
    q = scene.roles.passer
    if q is None:
        return float("nan")
    before, after = (np.hypot(d[i] - d[q], a[i] - a[q]) for d, a in (scene.at(from_s), scene.at(to_s)))
    return float(before - after)


def rush_chance(scene: Scene, i: int) -> float | None:
    """Probability that defender i rushes; None when it is not known where he stood."""
    if not np.isfinite(scene.set_depth[i]):
        return None
    return chance(scene.settings, "rush", rush_features(scene, i))


def block_features(scene: Scene, i: int) -> dict[str, float]:
    """What is measured of a back or tight end by the rush look: yards and yards a second, NaN where unknown."""
    look = scene.settings("rush.look_s")
    d0, a0 = scene.set_depth, scene.set_across
    d, a = scene.at(look)
    late_d, late_a = scene.at(look + 0.5)
    return {
        "look_depth": float(d[i]),
        "late_depth": float(late_d[i]),
        "outside": max(abs(float(a[i])) - scene.settings("block.across_yd"), 0.0) if np.isfinite(a[i]) else float("nan"),
        "moved": float(np.hypot(d[i] - d0[i], a[i] - a0[i])),
        "late_moved": float(np.hypot(late_d[i] - d[i], late_a[i] - a[i])),
        "backfield": float(d0[i] < -2.6),
    }


def blockers(scene: Scene) -> tuple[Label, tuple[int, ...]]:
    """Linemen, backs and tight ends who stay in."""
    s = scene.settings
    if not scene.until(s("rush.look_s")):
        return blank("the film ends too soon after the snap"), ()
    counted: list[int] = []
    p: list[float] = []
    for k in scene.off:
        i = int(k)
        if scene.position[i] in ("receiver", "passer", "unknown"):
            continue
        q = 0.99 if i in scene.roles.linemen else chance(s, "block", block_features(scene, i))
        p.append(q)
        if q > 0.5:
            counted.append(i)
    found = len(scene.roles.linemen)
    n = len(counted) + max(5 - found, 0)
    unseen = min(max(scene.missing_off - 5 + found, 0), 3)
    dist = count_distribution(np.r_[p, [0.97] * max(5 - found, 0), [0.3] * unseen])
    confidence = float(dist[n]) if n < len(dist) else 0.0
    return graded(scene, n, confidence, f"{n} stayed in to block"), tuple(counted)


def spare(scene: Scene, rush: Label, block: Label) -> tuple[Label, Label]:
    """Rushers minus blockers, and how long the passer has."""
    if not isinstance(rush.value, int) or not isinstance(block.value, int):
        worse = rush if rush.value is None else block
        empty = Label(None, 0.0, worse.status, worse.reason)
        return empty, empty
    n = rush.value - block.value
    confidence = rush.confidence * block.confidence
    why = f"{rush.value} rushers, {block.value} blockers"
    # The window depends on the sign only, so it is surer the further the numbers are apart.
    window = 1 - (1 - confidence) * 0.5 ** abs(n - 0.5 if n < 0 else n + 0.5)
    return graded(scene, n, confidence, why), graded(scene, "long" if n < 0 else "short", window, why)
