"""What the defence showed before the snap: deep safeties, corners, box, and the answer to a motion."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.labels import features
from pipeline.labels.scene import Scene, beyond, count_distribution
from pipeline.records import Label

Array = NDArray[np.float64]


def blank(reason: str, status: str = "unsure", confidence: float = 0.0) -> Label:
    """A label without a value, and why."""
    return Label(None, confidence, status, reason)


def graded(scene: Scene, value: str | float | int | bool, confidence: float, reason: str) -> Label:
    """A label with its value; unsure below the configured confidence."""
    confidence = float(np.clip(confidence, 0.0, 1.0))
    sure = confidence >= scene.settings("status.unsure_below")
    return Label(value, confidence, "ok" if sure else "unsure", reason)


def deep_limit(scene: Scene) -> float:
    """Yards past the line from which a defender counts as deep."""
    return scene.settings("deep.depth_yd") * scene.depth_scale


def hidden_deep(scene: Scene, limit: float) -> tuple[int, float]:
    """Defenders not found, and the chance that one of them stands deep outside the picture."""
    s = scene.settings
    missing = scene.missing_def
    visible = scene.visible_depth_yd
    if not np.isfinite(visible):
        return missing, s("deep.missing_is_deep_inside")
    room = visible - limit
    outside = s("deep.missing_is_deep_outside") * float(np.clip(1 - room / s("deep.room_yd"), 0, 1))
    return missing, max(outside, s("deep.missing_is_deep_inside"))


def deep_safeties(scene: Scene) -> tuple[Label, tuple[int, ...], Array]:
    """The count, who was counted, and the distribution over 0, 1, 2, ..."""
    limit = deep_limit(scene)
    corners = (scene.roles.corner_left, scene.roles.corner_right)
    depth = scene.set_depth
    who = np.array([i for i in scene.dfn if i not in corners and np.isfinite(depth[i])], int)
    p = beyond(depth[who], limit, scene.sd_yd)
    missing, chance = hidden_deep(scene, limit)
    dist = count_distribution(np.r_[p, [chance] * min(missing, 4)])
    counted = tuple(int(i) for i, q in zip(who, p, strict=True) if q > 0.5)
    scene.facts["deep_depths_yd"] = [round(float(depth[i]), 2) for i in counted]
    scene.facts["deep_limit_yd"] = round(limit, 2)
    room = scene.visible_depth_yd - limit
    short = np.isfinite(room) and room < scene.settings("deep.least_room_yd") * scene.depth_scale
    # A count that is more likely wrong than right because men are out of sight is no count.
    if missing and (short or dist[len(counted)] < 0.5) and np.isfinite(room):
        why = f"{missing} defenders not found and the picture ends {scene.visible_depth_yd:.0f} yd past the line"
        return Label(None, 0.0, "not_visible", why), counted, dist
    said = ", ".join(f"{depth[i]:.1f}" for i in counted) or "nobody"
    reason = f"{said} deeper than {limit:.1f} yd" + (f"; {missing} defenders not found" if missing else "")
    return graded(scene, len(counted), float(dist[len(counted)]), reason), counted, dist


def middle_of_field(deep: Label) -> Label:
    """Closed with one or three deep, open with none or two."""
    if not isinstance(deep.value, int):
        return Label(None, deep.confidence, deep.status, deep.reason)
    value = "closed" if deep.value in (1, 3) else "open"
    return Label(value, deep.confidence, deep.status, f"{deep.value} deep")


def corner_depths(scene: Scene) -> tuple[Label, Label]:
    """Depth of the corner on the offence's left and right."""
    return _corner(scene, scene.roles.corner_left, scene.roles.widest_left, "left"), _corner(
        scene, scene.roles.corner_right, scene.roles.widest_right, "right"
    )


def _corner(scene: Scene, corner: int | None, receiver: int | None, side: str) -> Label:
    depth, across = scene.set_depth, scene.set_across
    if corner is None or not np.isfinite(depth[corner]):
        status = "not_visible" if scene.missing_def else "unsure"
        return blank(f"no defender found on the offence's {side}", status)
    hidden = scene.missing_def > 0 and scene.missing_off > 0
    if hidden and abs(across[corner]) < scene.settings("corner.least_across_yd"):
        return blank(f"men on the offence's {side} are outside the picture", "not_visible")
    value = round(float(max(depth[corner], 0.0)), 2)
    confidence = 0.93
    reason = f"{value:.1f} yd deep"
    if receiver is not None and np.isfinite(across[receiver]):
        gap = abs(across[corner] - across[receiver])
        reason += f", {gap:.1f} yd across from the widest receiver"
        confidence -= 0.05 * float(np.clip(gap - 2.0, 0, 8))
        if gap > scene.settings("corner.too_far_across_yd") and scene.missing_def:
            return blank(f"no defender near the widest receiver on the offence's {side}", "not_visible")
    else:
        confidence -= 0.1
        reason += ", no receiver outside on that side"
    confidence -= 0.06 * min(scene.missing_def, 3)
    confidence = min(confidence, float(scene.facts.get("corner_chance", {}).get(side, 1.0)))
    return graded(scene, value, confidence * scene.confidence, reason)


def corner_classes(scene: Scene, label: Label) -> dict[str, float]:
    """Probability of press, soft, off for a corner's depth."""
    if not isinstance(label.value, float | int):
        return {"press": 1 / 3, "soft": 1 / 3, "off": 1 / 3}
    s, scale = scene.settings, scene.depth_scale
    deeper_press = float(beyond(np.array(label.value), s("corner.press_yd") * scale, scene.sd_yd))
    deeper_off = float(beyond(np.array(label.value), s("corner.off_yd") * scale, scene.sd_yd))
    return {"press": 1 - deeper_press, "soft": deeper_press - deeper_off, "off": deeper_off}


def corner_picture(scene: Scene, left: Label, right: Label) -> Label:
    """both_press, both_off, mixed (one pressed, one off), soft (anything with a soft corner)."""
    if left.value is None or right.value is None:
        missing = left if left.value is None else right
        return Label(None, 0.0, missing.status, missing.reason)
    a, b = corner_classes(scene, left), corner_classes(scene, right)
    p = {
        "both_press": a["press"] * b["press"],
        "both_off": a["off"] * b["off"],
        "mixed": a["press"] * b["off"] + a["off"] * b["press"],
    }
    p["soft"] = max(1 - sum(p.values()), 0.0)
    hard = {k: max(c, key=lambda n: c[n]) for k, c in (("a", a), ("b", b))}
    pair = {hard["a"], hard["b"]}
    value = (
        "soft" if "soft" in pair else "both_press" if pair == {"press"} else "both_off" if pair == {"off"} else "mixed"
    )
    confidence = p[value] * min(left.confidence, right.confidence) ** 0.5
    return graded(scene, value, confidence, f"left {hard['a']}, right {hard['b']}")


def box_defenders(scene: Scene) -> Label:
    """Defenders near the line between (and just outside) the tackles, or an attached tight end."""
    s = scene.settings
    depth, across = scene.set_depth, scene.set_across
    five = [i for i in scene.roles.linemen if np.isfinite(across[i])]
    attached = [i for i in scene.off if scene.position[i] == "tight_end" and np.isfinite(across[i])]
    edge = max([abs(across[i]) for i in five], default=3.2)
    lo, hi = -edge, edge
    for i in attached:
        if depth[i] > -1.6 and abs(across[i]) < edge + 2.4:
            lo, hi = min(lo, across[i]), max(hi, across[i])
    pad = s("box.outside_yd")
    limit = s("box.depth_yd")
    p = []
    for i in scene.dfn:
        if np.isfinite(depth[i]):
            inside = beyond(np.array(across[i]), lo - pad, scene.sd_yd) * (
                1 - beyond(np.array(across[i]), hi + pad, scene.sd_yd)
            )
            p.append(float(inside * (1 - beyond(np.array(depth[i]), limit, scene.sd_yd))))
    value = int(sum(q > 0.5 for q in p))
    dist = count_distribution(np.r_[p, [0.5] * min(scene.missing_def, 3)])
    return graded(scene, value, float(dist[value]) if value < len(dist) else 0.0,
                  f"{value} within {limit:.0f} yd of the line and {pad:.1f} yd outside the end men")  # fmt: skip


def motion(scene: Scene) -> tuple[Label, Label]:
    """Whether a man of the offence moved across before the snap, and what the defence did about it."""
    s = scene.settings
    t = scene.time_s
    before = np.flatnonzero((t >= -s("motion.window_s") - 0.01) & (t <= 0.02))
    if len(before) < 3:
        why = "too few moments before the snap"
        return blank(why), blank(why)
    travel, mover = 0.0, None
    for i in scene.off:
        path = scene.across[before, i]
        ok = np.isfinite(path)
        if i in scene.roles.linemen or ok.sum() < 3:
            continue
        path = path[ok]
        moved = float(path.max() - path.min())
        if moved > travel:
            travel, mover = moved, int(i)
    limit = s("motion.across_yd")
    p = float(beyond(np.array(travel), limit, max(scene.sd_yd, 0.3) * 1.2))
    scene.facts["motion_travel_yd"] = round(travel, 2)
    missing = 0.03 * scene.missing_off
    if mover is None or p <= 0.5:
        return (
            graded(scene, False, 1 - p - missing, f"nobody moved more than {limit:.0f} yd across (most: {travel:.1f})"),
            Label(None, 1 - p, "ok", "no motion"),
        )
    scene.facts["mover"] = mover
    found = graded(scene, True, p, f"one man moved {travel:.1f} yd across")
    return found, _response(scene, mover, before)


def _response(scene: Scene, mover: int, before: NDArray[np.int64]) -> Label:
    s = scene.settings
    path = scene.across[before, mover]
    ok = np.flatnonzero(np.isfinite(path))
    start, end = before[ok[0]], before[ok[-1]]
    hi = before[ok[np.argmax(np.abs(path[ok] - path[ok[0]]))]]
    end = hi if abs(scene.across[hi, mover] - scene.across[start, mover]) > 1.0 else end
    moved = scene.across[end, mover] - scene.across[start, mover]
    sign = np.sign(moved)
    # Defenders answer a little later than he moves: each is taken at his furthest until then.
    answer = before[(before >= end) & (scene.time_s[before] <= scene.time_s[end] + s("motion.answer_s"))]
    shift = sign * (scene.across[answer][:, scene.dfn] - scene.across[start, scene.dfn])
    shift = np.where(np.isfinite(shift), shift, 0.0).max(0)
    best = float(shift.max()) if len(shift) else 0.0
    share = best / max(abs(moved), 0.1)
    movers = int((shift > s("motion.bump_yd")).sum())
    scene.facts["motion_best_follow_share"] = round(share, 2)
    scene.facts["motion_defenders_shifted"] = movers
    sd = max(scene.sd_yd, 0.3)
    p_follow = float(beyond(np.array(best), s("motion.follow_share") * abs(moved), 1.5 * sd))
    p_bump = float(beyond(np.sort(shift)[-2:].mean(), s("motion.bump_yd"), sd)) * (1 - p_follow)
    p = {"followed": p_follow, "bumped": p_bump, "stayed": max(1 - p_follow - p_bump, 0.0)}
    learned = scene.forests.get("response")
    if learned is not None:
        chances = learned.chances([features.response(scene, mover, before)])[0]
        p = dict(zip(learned.classes, (float(v) for v in chances), strict=True))
    value = max(p, key=lambda k: p[k])
    why = f"the defender who went furthest with him covered {100 * share:.0f} % of the way, {movers} shifted"
    return graded(scene, value, p[value] * (1 - 0.08 * min(scene.missing_def, 5)), why)
