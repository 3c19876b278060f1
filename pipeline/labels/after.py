"""What the defence became after the snap: deep defenders again, rotation, rushers, and who blocked them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.labels.before import blank, graded, hidden_deep
from pipeline.labels.scene import Scene, beyond, count_distribution
from pipeline.records import Label

Array = NDArray[np.float64]


def deep_after(scene: Scene, rushers: tuple[int, ...]) -> tuple[Label, tuple[int, ...], Array]:
    """Deep defenders about a second after the snap (not corners, not rushers)."""
    s = scene.settings
    if not scene.until(s("after.look_s")):
        return blank("the film ends too soon after the snap"), (), np.ones(1)
    corners = (scene.roles.corner_left, scene.roles.corner_right)
    d1, _ = scene.at(s("after.look_s"))
    d2, _ = scene.at(s("after.until_s"))
    limit = s("after.deep_yd") * scene.depth_scale
    late = s("after.deep_late_yd") * scene.depth_scale
    who, p = [], []
    lost = 0
    for i in scene.dfn:
        if i in corners or i in rushers:
            continue
        if not np.isfinite(d1[i]):
            if np.isfinite(scene.set_depth[i]) and scene.set_depth[i] > 6.0:
                lost += 1
            continue
        q = float(beyond(np.array(d1[i]), limit, 1.3 * scene.sd_yd))
        if np.isfinite(d2[i]):
            q = 0.5 * q + 0.5 * float(beyond(np.array(d2[i]), late, 1.6 * scene.sd_yd))
        who.append(int(i))
        p.append(q)
    missing, chance = hidden_deep(scene, limit)
    dist = count_distribution(np.r_[p, [max(chance, 0.6)] * lost, [chance] * min(missing, 4)])
    counted = tuple(i for i, q in zip(who, p, strict=True) if q > 0.5)
    scene.facts["deep_after_depths_yd"] = [round(float(d1[i]), 2) for i in counted]
    if lost and scene.visible_depth_yd - limit < s("deep.least_room_yd") + 4:
        return Label(None, 0.0, "not_visible", f"{lost} deep defenders left the picture"), counted, dist
    said = ", ".join(f"{d1[i]:.1f}" for i in counted) or "nobody"
    reason = f"{said} deeper than {limit:.1f} yd at {s('after.look_s'):.1f} s"
    return graded(scene, len(counted), float(dist[min(len(counted), len(dist) - 1)]), reason), counted, dist


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
    chance: dict[int, float] = {}
    for i in scene.dfn:
        q = rush_chance(scene, int(i))
        if q is not None:
            chance[int(i)] = q
    p = np.array(list(chance.values()))
    dist = count_distribution(np.r_[p, [s("rush.missing_rushes")] * min(scene.missing_def, 4)])
    counted = tuple(i for i, q in chance.items() if q > 0.5)
    scene.facts["rush_chances"] = {i: round(q, 2) for i, q in chance.items() if q > 0.05}
    n = len(counted)
    confidence = float(dist[n]) if n < len(dist) else 0.0
    return graded(scene, n, confidence, f"{n} came after the passer by {s('rush.look_s'):.1f} s"), counted, chance


def rush_chance(scene: Scene, i: int) -> float | None:
    """Probability that defender i rushes; None when nothing is known of him."""
    s = scene.settings
    start = scene.set_depth[i]
    if not np.isfinite(start):
        return None
    d_mid, a_mid = (v[i] for v in scene.at(0.5 * s("rush.look_s")))
    d_end, a_end = (v[i] for v in scene.at(s("rush.look_s")))
    score = s("rush.start") + s("rush.per_start_depth") * start
    if not np.isfinite(d_end):
        d_end = d_mid
    if not np.isfinite(d_end):
        # Lost in the pile: men on the line mostly rush, others mostly do not.
        on_line = start < s("rush.on_line_yd")
        return 0.9 if on_line else 0.1
    outside = a_end if np.isfinite(a_end) else a_mid
    score += s("rush.per_outside") * max(abs(outside) - s("rush.outside_yd"), 0.0)
    score += s("rush.per_end_depth") * d_end + s("rush.per_gain") * (start - d_end)
    return float(1 / (1 + np.exp(-np.clip(score, -12, 12))))


def blockers(scene: Scene) -> tuple[Label, tuple[int, ...]]:
    """Linemen, backs and tight ends who stay in."""
    s = scene.settings
    if not scene.until(s("rush.look_s")):
        return blank("the film ends too soon after the snap"), ()
    depth, across = scene.at(s("rush.look_s"))
    counted: list[int] = []
    p: list[float] = []
    for i in scene.off:
        if scene.position[i] in ("receiver", "passer", "unknown"):
            continue
        if i in scene.roles.linemen:
            q = 0.98
        elif not np.isfinite(depth[i]):
            q = 0.5
        else:
            out = max(abs(across[i]) - s("block.across_yd"), 0.0)
            q = float(1 / (1 + np.exp(np.clip(2.2 * (depth[i] - s("block.depth_yd")) + 1.2 * out, -12, 12))))
        p.append(q)
        if q > 0.5:
            counted.append(int(i))
    found = len(scene.roles.linemen)
    n = len(counted) + max(5 - found, 0)
    unseen = min(max(scene.missing_off - 5 + found, 0), 3)
    dist = count_distribution(np.r_[p, [0.95] * max(5 - found, 0), [0.3] * unseen])
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
