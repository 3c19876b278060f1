"""What the defence became after the snap: deep defenders again, rotation, rushers, and who blocked them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.labels import features
from pipeline.labels.before import blank, graded, hidden_deep
from pipeline.labels.scene import Scene, count_distribution
from pipeline.labels.score import chances
from pipeline.records import Label

Array = NDArray[np.float64]


def deep_after(scene: Scene, rushers: tuple[int, ...]) -> tuple[Label, tuple[int, ...], Array]:
    """Deep defenders about a second after the snap (not corners, not rushers)."""
    s = scene.settings
    if not scene.until(s("after.look_s")):
        return blank("the film ends too soon after the snap"), (), np.ones(1)
    d1, _ = scene.at(s("after.look_s"))
    limit = s("after.deep_yd") * scene.depth_scale
    who: list[int] = []
    gone: list[int] = []
    lost = 0
    for i in deep_candidates(scene, rushers):
        if not np.isfinite(d1[i]) and left_going_deep(scene, i, limit):
            gone.append(i)
        elif np.isfinite(d1[i]) or not np.isfinite(scene.set_depth[i]):
            who.append(i)
        elif scene.set_depth[i] > 6.0 * scene.depth_scale:
            lost += 1
    known = [i for i in who if np.isfinite(d1[i])]
    found = dict(zip(known, chances(scene, "deep_after", [features.deep_after(scene, i) for i in known]), strict=True))
    p = [found.get(i, 0.0) for i in who]
    missing, hidden = hidden_deep(scene, limit)
    beyond_edge = [s("after.left_deep")] * len(gone)
    dist = count_distribution(np.r_[p, beyond_edge, [max(hidden, 0.6)] * lost, [hidden] * min(missing, 4)])
    counted = (*(i for i, q in zip(who, p, strict=True) if q > 0.5), *gone)
    scene.facts["deep_after_depths_yd"] = [round(float(d1[i]), 2) for i in counted if i not in gone]
    room = scene.visible_depth_yd - limit
    short = np.isfinite(room) and room < s("deep.least_room_yd") * scene.depth_scale
    blurred = dist[min(len(counted), len(dist) - 1)] < 0.35 and room < s("deep.room_yd")
    if missing and (short or blurred):
        why = f"{missing} defenders not found and the picture ends {scene.visible_depth_yd:.0f} yd past the line"
        return Label(None, 0.0, "not_visible", why), counted, dist
    if lost and short:
        return Label(None, 0.0, "not_visible", f"{lost} deep defenders left the picture"), counted, dist
    said = ", ".join("beyond the picture" if i in gone else f"{d1[i]:.1f}" for i in counted) or "nobody"
    reason = f"{said} deeper than {limit:.1f} yd at {s('after.look_s'):.1f} s"
    return graded(scene, len(counted), float(dist[min(len(counted), len(dist) - 1)]), reason), counted, dist


def left_going_deep(scene: Scene, i: int, limit: float) -> bool:
    """Whether a man left the picture over its deep edge: last seen near it, deep, and not coming down. Had he come
    down he would be in the picture."""
    known = np.flatnonzero(np.isfinite(scene.depth[:, i]) & (scene.time_s <= scene.settings("after.look_s")))
    if len(known) < 2 or not np.isfinite(scene.visible_depth_yd) or scene.time_s[known[-1]] < -0.2:
        return False
    last, earlier = known[-1], known[max(len(known) - 3, 0)]
    depth = scene.depth[last, i]
    speed = (depth - scene.depth[earlier, i]) / max(scene.time_s[last] - scene.time_s[earlier], 0.1)
    near = scene.visible_depth_yd - depth < scene.settings("after.edge_yd")
    return bool(depth > limit - 1.0 and near and speed > -1.0)


def deep_candidates(scene: Scene, rushers: tuple[int, ...]) -> list[int]:
    """Defenders who may be deep after the snap: not the corners, not who rushes."""
    corners = (scene.roles.corner_left, scene.roles.corner_right)
    return [int(i) for i in scene.dfn if i not in corners and i not in rushers]


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
    d1, _ = scene.at(s("after.look_s"))
    men = [int(i) for i in scene.dfn if np.isfinite(scene.set_depth[i])]
    late = [int(i) for i in scene.dfn if not np.isfinite(scene.set_depth[i]) and np.isfinite(d1[i]) and d1[i] < 1.5]
    men += late[: scene.missing_def]  # men first told apart after the snap, mostly out of a pile
    found = dict(zip(men, chances(scene, "rush", [features.rush(scene, i) for i in men]), strict=True))
    p = np.array(list(found.values()))
    dist = count_distribution(np.r_[p, [s("rush.missing_rushes")] * min(max(scene.missing_def - len(late), 0), 4)])
    counted = tuple(i for i, q in found.items() if q > 0.5)
    scene.facts["rush_chances"] = {i: round(q, 2) for i, q in found.items() if q > 0.05}
    n = len(counted)
    confidence = float(dist[n]) if n < len(dist) else 0.0
    return graded(scene, n, confidence, f"{n} came after the passer by {s('rush.look_s'):.1f} s"), counted, found


def blockers(scene: Scene) -> tuple[Label, tuple[int, ...]]:
    """Linemen, backs and tight ends who stay in."""
    s = scene.settings
    if not scene.until(s("rush.look_s")):
        return blank("the film ends too soon after the snap"), ()
    five = list(scene.roles.linemen)
    free = [int(i) for i in scene.off if scene.position[i] in ("back", "tight_end")]
    stay = chances(scene, "block", [features.block(scene, i) for i in free])
    counted = five + [i for i, q in zip(free, stay, strict=True) if q > 0.5]
    p = [0.99] * len(five) + stay
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
