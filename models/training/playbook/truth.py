"""Truth of a play under the ledger's columns: what was done, and what the geometry showed.

Thresholds are those of DESIGN section 4 (all common practice), scaled near the goal line as there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.assignments import Plan
from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.roster import Man

Array = NDArray[np.float64]
PRESS_YD, OFF_YD, BOX_DEPTH_YD, BOX_OUTSIDE_YD = 3.0, 5.5, 6.5, 1.8
MOTION_YD, MOTION_WINDOW_S = 3.0, 3.0


INSIDE_YD = 2.6  # who lines up between the tackles has no side


def corner_of(s: Scene, sign: int) -> int | None:
    """The corner of a side by DESIGN section 4: who takes the widest eligible receiver, or the widest defender.

    A man called corner who stands between the tackles, having gone there with a motion, is the corner of no side;
    where none is left, a deep safety is one only with nobody else on that side.
    """
    side = [k for k, d in enumerate(s.defense) if d.across * sign > 0 and d.position not in ("tackle_inside",)]
    named = [k for k in side if s.defense[k].position == "corner" and abs(s.defense[k].across) > INSIDE_YD]
    wide = [m for m in s.offense if m.eligible and m.across * sign > 2.6 and m.position != "back"]
    if named:
        target = max(wide, key=lambda m: abs(m.across)) if wide else None
        if target is None:
            return max(named, key=lambda k: abs(s.defense[k].across))
        return min(named, key=lambda k: abs(s.defense[k].across - target.across))
    off = [k for k in side if not (s.defense[k].on_line and s.defense[k].depth < 2)]
    low = [k for k in off if s.defense[k].depth <= s.spot.deep_limit()]
    return max(low or off or side, key=lambda k: abs(s.defense[k].across)) if side else None


def corner_class(depth: float, scale: float) -> str:
    """press, soft or off."""
    return "press" if depth < PRESS_YD * scale else ("off" if depth > OFF_YD * scale else "soft")


def corner_picture(left: float, right: float, scale: float) -> str:
    """both_press, both_off, mixed (one of each), else soft."""
    pair = {corner_class(left, scale), corner_class(right, scale)}
    if "soft" in pair:
        return "soft"
    return "mixed" if len(pair) == 2 else f"both_{pair.pop()}"


def box_count(offense: list[Man], defense: list[Man]) -> int:
    """Defenders in the box: near the line and not far outside the end men of the line."""
    ends = [m.across for m in offense if m.position == "tackle"]
    ends += [m.across for m in offense if m.position == "tight_end" and m.depth > -1.6 and abs(m.across) < 5.8]
    lo, hi = min(ends) - BOX_OUTSIDE_YD, max(ends) + BOX_OUTSIDE_YD
    return sum(d.depth < BOX_DEPTH_YD and lo < d.across < hi for d in defense)


def picture_coverage(s: Scene, deep: int, picture: str, shown: str, response: str | None) -> str:
    """The coverage a picture shows (DESIGN section 4), ties going to the call, then to what was meant to be shown."""
    if deep == 0:
        options = ["cover_0"]
    elif deep == 1:
        options = {"followed": ["cover_1"], "bumped": ["cover_3"], "stayed": ["cover_3"]}.get(
            response or "", ["cover_1", "cover_3"]
        )
    elif deep == 2:
        options = {"both_off": ["cover_4"], "mixed": ["cover_6"], "both_press": ["cover_2", "cover_2_man"]}.get(
            picture, ["cover_2", "cover_4", "cover_6", "cover_2_man"]
        )
    else:
        options = ["other"]
    for name in (s.call.family, shown):
        if name in options:
            return name
    return options[0]


def rotation_of(before: int, after: int) -> str | None:
    """DESIGN section 4; None for changes its words do not cover."""
    if before == after:
        return "none"
    if after == 0:
        return "to_none"
    if after >= 3:
        return "to_three"
    return {(2, 1): "two_to_one", (1, 2): "one_to_two"}.get((before, after))


def motion_truth(t: Array, xy: Array, s: Scene, moved: int) -> bool:
    """Whether a man who is no lineman moved more than 3 yd across in the last 3 s."""
    window = (t >= -MOTION_WINDOW_S) & (t <= 0)
    lines = set(s.linemen())
    path = xy[window][:, [i for i in range(s.n_off) if i not in lines], 1]
    return bool((path.max(0) - path.min(0)).max() > MOTION_YD)


def before_labels(s: Scene, shown: str, response: str | None) -> tuple[dict[str, Any], set[int], dict[int, int]]:
    """Labels of the picture at the snap, the deep safeties and the corners (side -> defender)."""
    limit, scale = s.spot.deep_limit(), s.spot.deep_limit() / 9.0
    corners = {g: k for g in (-1, 1) if (k := corner_of(s, g)) is not None}
    deep = {k for k, d in enumerate(s.defense) if d.depth > limit and k not in corners.values()}
    depth = {g: s.defense[k].depth for g, k in corners.items()}
    picture = corner_picture(depth[-1], depth[1], scale) if len(depth) == 2 else None
    labels: dict[str, Any] = {
        "deep_safeties": len(deep),
        "middle_of_field": "closed" if len(deep) in (1, 3) else "open",
        "corner_depth_offense_left_yd": depth.get(-1),
        "corner_depth_offense_right_yd": depth.get(1),
        "corner_picture": picture,
        "box_defenders": box_count(s.offense, s.defense),
        "coverage_before": picture_coverage(s, len(deep), picture or "soft", shown, response),
    }
    return labels, deep, corners


def after_labels(
    s: Scene, plan: Plan, out: Outcome, t: Array, xy: Array, deep: set[int], corners: dict[int, int]
) -> tuple[dict[str, Any], set[int]]:
    """Labels of what the picture became, and who was deep then. Deep after: a deep job, and deep at 1.0-2.0 s."""
    look = (t >= 1.0) & (t <= 2.0)
    depth = xy[look][:, s.n_off :, 0].mean(0)
    limit = s.spot.deep_limit()
    jobs = plan.jobs
    later = {k for k, j in jobs.items() if j.kind == "deep" and k not in corners.values() and depth[k] > limit}
    rot = rotation_of(len(deep), len(later))
    gone = sorted(deep - later, key=lambda k: depth[k] - s.defense[k].depth)
    down = gone[0] if rot in ("two_to_one", "to_none") and gone else None
    side = None if down is None else ("offense_left" if s.defense[down].across < 0 else "offense_right")
    family = {0: "none", 2: "two"}
    n_rush, n_block = len(out.rushers), len(out.blockers)
    labels: dict[str, Any] = {
        "deep_safeties_after": len(later),
        "rotation": rot,
        "rotation_from": side,
        "disguised": family.get(len(deep), "one") != family.get(len(later), "one"),
        "rushers": n_rush,
        "blockers": n_block,
        "spare_rushers": n_rush - n_block,
        "read_window": "long" if n_block > n_rush else "short",
        "coverage_after": s.call.family,
    }
    return labels, later


COLUMNS = (
    "play_kind",
    "field_level",
    "line_of_scrimmage_yd",
    "ball_across_yd",
    "offense_players",
    "defense_players",
    "deep_safeties",
    "middle_of_field",
    "corner_depth_offense_left_yd",
    "corner_depth_offense_right_yd",
    "corner_picture",
    "box_defenders",
    "motion",
    "motion_response",
    "deep_safeties_after",
    "rotation",
    "rotation_from",
    "disguised",
    "rushers",
    "blockers",
    "spare_rushers",
    "read_window",
    "coverage_before",
    "coverage_after",
)


def play_kind(kind: str) -> str:
    """Ledger word for a kind of play."""
    if kind in ("run",):
        return "run"
    if kind in ("kneel", "field_goal", "punt"):
        return "special"
    return "no_snap" if kind in ("stand_up", "walk_up", "between_plays") else "dropback"
