"""The play frame at the snap: line of scrimmage, ball, direction, what everybody plays, and how deep one sees.

The line of scrimmage comes from the two lines facing each other, the ball's spot across the field from the
middle lineman. Positions are named by alignment alone. See pipeline.formation for the rules used.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline import formation
from pipeline.errors import ShapeError
from pipeline.field import load as load_field
from pipeline.records import SIDES, Alignment, Registration, Tracks
from pipeline.teams import set_positions

Array = NDArray[np.float64]
OFFENSE, DEFENSE = SIDES.index("offense"), SIDES.index("defense")
VISIBLE_LIMIT_YD = 40.0
# Where the ground points of a set line stand, measured from the line of scrimmage (middle of the ball).
# Calibrated on the playbook's plays; measured film has 1.1 to 3.2 yd between the two lines, median 1.6.
OFFENSE_LINE_YD = -1.1
DEFENSE_LINE_YD = 0.85


@dataclass(frozen=True)
class Roles:
    """Track indices by what they play; left and right are the offence's."""

    linemen: tuple[int, ...]
    passer: int | None
    corner_left: int | None
    corner_right: int | None
    widest_left: int | None
    widest_right: int | None


def align(
    tracks: Tracks, registrations: Sequence[Registration] | Mapping[int, Registration] | None = None
) -> Alignment:
    """The play frame of tracks. registrations: one per moment of ``tracks`` (or by frame index).

    Raises ShapeError when a sequence of registrations has another length than the tracks have moments.
    Confidence 0 and NaN positions where no formation can be read (too few people).
    """
    by_moment = _per_moment(tracks, registrations)
    still = set_positions(tracks.xy_yd, tracks.time_s)
    players = np.flatnonzero(np.isin(tracks.side, (OFFENSE, DEFENSE)) & np.isfinite(still).all(1))
    off = players[tracks.side[players] == OFFENSE]
    dfn = players[tracks.side[players] == DEFENSE]
    shape = tracks.xy_yd.shape[:2]
    if len(off) < 4 or len(dfn) < 3:
        nan = np.full(shape, np.nan)
        return Alignment(
            float("nan"), float("nan"), 1, 0.0, ("unknown",) * shape[1], nan, nan, float("nan"),
            {"reason": f"{len(off)} of the offence and {len(dfn)} of the defence found at the snap"},
        )  # fmt: skip
    direction = 1 if np.median(still[dfn, 0]) > np.median(still[off, 0]) else -1
    rows = _hash_rows(by_moment)
    line, five, quality, ball_y = _line(still, off, dfn, direction, rows)
    depth = direction * (tracks.xy_yd[..., 0] - line)
    across = -direction * (tracks.xy_yd[..., 1] - ball_y)
    set_depth = direction * (still[:, 0] - line)
    set_across = -direction * (still[:, 1] - ball_y)
    position, roles = _name(tracks, set_depth, set_across, five)
    visible = visible_depth(_at_snap(tracks, by_moment), line, direction)
    confidence = float(1 / (1 + np.exp(-(quality - 1.0)))) if five else 0.2
    wrong_side = int((set_depth[off] > 0.6).sum() + (set_depth[dfn] < -0.6).sum())
    confidence *= 0.8**wrong_side
    return Alignment(
        line, ball_y, direction, confidence, position, depth, across, visible,
        {
            "roles": roles, "line_quality": quality, "linemen_found": len(five), "wrong_side_of_line": wrong_side,
            "set_depth_yd": set_depth, "set_across_yd": set_across,
            "yards_to_goal": _yards_to_goal(by_moment, line, direction), "a_side": _a_side(by_moment),
        },
    )  # fmt: skip


def _per_moment(
    tracks: Tracks, registrations: Sequence[Registration] | Mapping[int, Registration] | None
) -> list[Registration | None]:
    if registrations is None:
        return [None] * len(tracks.time_s)
    if isinstance(registrations, Mapping):
        return [registrations.get(int(f)) for f in tracks.frame]
    if len(registrations) != len(tracks.time_s):
        raise ShapeError(
            f"alignment.align: expected {len(tracks.time_s)} registrations, got {len(registrations)}."
        )
    return list(registrations)


def _at_snap(tracks: Tracks, registrations: list[Registration | None]) -> Registration | None:
    usable = [i for i, r in enumerate(registrations) if r is not None and r.status == "ok"]
    if not usable:
        return None
    return registrations[min(usable, key=lambda i: abs(tracks.time_s[i]))]


def _hash_rows(registrations: list[Registration | None]) -> tuple[float, float] | None:
    levels = [r.level for r in registrations if r is not None and r.status == "ok"]
    return load_field(max(set(levels), key=levels.count)).hash_rows if levels else None


def _a_side(registrations: list[Registration | None]) -> int:
    levels = [r.level for r in registrations if r is not None and r.status == "ok"]
    return 12 if levels and max(set(levels), key=levels.count) == "canadian" else 11


def _yards_to_goal(registrations: list[Registration | None], line: float, direction: int) -> float:
    """Yards from the line to the goal line attacked; NaN where the absolute yard line is not known."""
    usable = [r for r in registrations if r is not None and r.status == "ok"]
    if not any(r.absolute_x_known for r in usable):
        return float("nan")
    fld = load_field(max({r.level for r in usable}, key=[r.level for r in usable].count))
    return fld.length - fld.end_zone - line if direction > 0 else line - fld.end_zone


def _line(
    still: Array, off: NDArray[np.int64], dfn: NDArray[np.int64], direction: int,
    rows: tuple[float, float] | None,
) -> tuple[float, tuple[int, ...], float, float]:  # fmt: skip
    """x of the line of scrimmage, the linemen (track indices), how good the row looks, y of its middle."""
    front_off = np.sort(direction * still[off, 0])[-5:]
    front_def = np.sort(direction * still[dfn, 0])[:3]
    line = (np.median(front_off) + np.median(front_def)) / 2
    five: tuple[int, ...] = ()
    quality, center_y = -6.0, float("nan")
    for _ in range(2):
        depth = direction * still[off, 0] - line
        picked, quality, center_y = formation.linemen(still[off], depth - 0.3, rows)
        five = tuple(int(off[i]) for i in picked)
        if not five:
            return direction * float(line), (), quality, center_y
        own = float(np.median(direction * still[list(five), 0]))
        y = still[list(five), 1]
        facing = dfn[(still[dfn, 1] > y.min() - 2.5) & (still[dfn, 1] < y.max() + 2.5)]
        ahead = np.sort(direction * still[facing, 0] - own)
        close = ahead[(ahead > 0.5) & (ahead < 3.4)]
        line = own - OFFENSE_LINE_YD
        if len(close) >= 2:
            # The defence's line may stand back from the ball: it moves the estimate only a little.
            gap = float(np.median(close[: max(2, len(close) // 2)]))
            line = own + np.clip(gap / 2, 0.55, 1.05) * 0.4 - OFFENSE_LINE_YD * 0.6
    return direction * float(line), five, quality, center_y


def visible_depth(reg: Registration | None, line_yd: float, direction: int) -> float:
    """Yards past the line that the picture shows halfway between the hash rows; NaN without a registration."""
    if reg is None or reg.camera is None:
        return float("nan")
    camera, fld = reg.camera, load_field(reg.level)
    steps = np.arange(0.0, VISIBLE_LIMIT_YD + 0.25, 0.25)
    px = camera.ground_to_px(np.stack([line_yd + direction * steps, np.full_like(steps, fld.width / 2)], -1))
    with np.errstate(invalid="ignore"):
        out = ~((px >= 0) & (px <= (camera.width_px - 1, camera.height_px - 1))).all(1)
    return float(steps[int(np.argmax(out))]) if out.any() else VISIBLE_LIMIT_YD


def _name(
    tracks: Tracks, depth: Array, across: Array, five: tuple[int, ...]
) -> tuple[tuple[str, ...], Roles]:
    """Position of every track from where it stands when set."""
    name = ["official" if SIDES[s] == "official" else "unknown" for s in tracks.side]
    known = np.isfinite(depth) & np.isfinite(across)
    off = [int(i) for i in np.flatnonzero((tracks.side == OFFENSE) & known)]
    dfn = [int(i) for i in np.flatnonzero((tracks.side == DEFENSE) & known)]
    edge = max((abs(across[i]) for i in five), default=3.1)
    edge = float(np.clip(edge, 2.4, 4.0))
    _name_offense(name, off, depth, across, five, edge)
    passer = next((i for i in off if name[i] == "passer"), None)
    outside = [i for i in off if name[i] in ("receiver", "tight_end", "back")]
    corners: dict[str, int | None] = {}
    widest: dict[str, int | None] = {}
    for key, sign in (("left", -1), ("right", 1)):
        eligible = [i for i in outside if sign * across[i] > edge - 0.5]
        widest[key] = max(eligible, key=lambda i: abs(across[i]), default=None)
        ends = [sign * across[i] for i in off if name[i] in ("tackle", "tight_end")]
        end_yd = max((e for e in ends if 0 < e < edge + 3.0), default=edge)
        corners[key] = corner_of(dfn, depth, across, sign, widest[key], end_yd)
    _name_defense(name, dfn, depth, across, edge, outside, [c for c in corners.values() if c is not None])
    roles = Roles(five, passer, corners["left"], corners["right"], widest["left"], widest["right"])
    return tuple(name), roles


def _name_offense(
    name: list[str], off: list[int], depth: Array, across: Array, five: tuple[int, ...], edge: float
) -> None:
    order = sorted(five, key=lambda i: abs(across[i]))
    for rank, i in enumerate(order):
        name[i] = ("center", "guard", "guard", "tackle", "tackle")[rank]
    rest = [i for i in off if i not in five]
    behind = [i for i in rest if abs(across[i]) < 1.4 and -9.0 < depth[i] < -1.1]
    passer = min(behind, key=lambda i: float(abs(across[i]) * 2.0 + abs(depth[i]) * 0.35), default=None)
    for i in rest:
        if i == passer:
            name[i] = "passer"
        elif abs(across[i]) < edge + 1.2 and depth[i] < -2.6:
            name[i] = "back"
        elif abs(across[i]) < edge + 2.6:
            name[i] = "tight_end"
        else:
            name[i] = "receiver"


def corner_of(
    dfn: list[int], depth: Array, across: Array, sign: int, receiver: int | None, end_yd: float
) -> int | None:
    """The defender who takes the widest eligible of a side, or the widest defender where there is none.

    end_yd: across of the end man of the line (tight end included) on that side. Men of the front are no corners.
    """
    side = [
        i for i in dfn
        if sign * across[i] > 1.5 and depth[i] > -0.5 and not (depth[i] < 2.0 and sign * across[i] < end_yd + 1.6)
    ]  # fmt: skip
    if not side:
        return None

    def deep(i: int) -> float:
        # Deep men are safeties, men on the line near its end are edges, before they are corners.
        edge = 2.0 if depth[i] < 2.0 and sign * across[i] < end_yd + 3.5 else 0.0
        return float(0.4 * max(depth[i] - 6.0, 0.0) + 1.2 * max(depth[i] - 8.8, 0.0) + edge)

    if receiver is None or sign * across[receiver] < end_yd + 0.7:
        return min(side, key=lambda i: float(-abs(across[i]) + deep(i)))
    near = [i for i in side if abs(across[i] - across[receiver]) < 7.0 and depth[i] < 13.0]
    if not near:
        return max(side, key=lambda i: float(abs(across[i])))
    # The corner is nearly always the widest: a man further inside must be much nearer to the receiver.
    return min(
        near,
        key=lambda i: float(
            abs(across[i] - across[receiver]) - 0.85 * abs(across[i]) + 0.25 * max(float(depth[i]) - 1.0, 0.0) + deep(i)
        ),
    )


def _name_defense(
    name: list[str], dfn: list[int], depth: Array, across: Array, edge: float, outside: list[int],
    corners: list[int],
) -> None:  # fmt: skip
    for i in dfn:
        if i in corners:
            name[i] = "corner"
        elif depth[i] > 8.0:
            name[i] = "safety"
        elif depth[i] < 1.9 and abs(across[i]) < edge + 3.2:
            name[i] = "edge" if abs(across[i]) > edge - 0.9 else "tackle_inside"
        elif abs(across[i]) > edge + 1.8 and any(abs(across[i] - across[j]) < 4.5 for j in outside):
            name[i] = "slot_defender"
        elif depth[i] > 6.5:
            name[i] = "safety"
        else:
            name[i] = "linebacker"
