"""Who came free: rushers who are left over when every blocker takes one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from pipeline.report.plays import Play

FAR_YD = 50.0  # stands in for a man whose place is not known


@dataclass(frozen=True)
class Free:
    """Position and side (as the offence sees it) of a man who came free."""

    position: str
    side: str


def rushers(play: Play) -> list[str]:
    """Positions of those counted as rushers."""
    return [str(r.get("position") or "unknown") for r in _at(play) if r.get("rusher")]


def _at(play: Play) -> Sequence[dict[str, object]]:
    return play.people.get("after") or play.people.get("snap") or ()


def free(play: Play) -> list[Free] | None:
    """Those left over when blockers are given to rushers so that the way between them is shortest in all.

    (Assignment problem, scipy.optimize.linear_sum_assignment.) None where rushers or blockers are not known or no
    more came than blocked.
    """
    count, block = play.row.get("rushers"), play.row.get("blockers")
    rush = [r for r in _at(play) if r.get("rusher") and r.get("across_yd") is not None]
    held = [r for r in _at(play) if r.get("blocker") and r.get("across_yd") is not None]
    if count is None or block is None or int(count) <= int(block) or not rush:
        return None
    places = [np.array([[r["across_yd"], r["depth_yd"]] for r in rows], float).reshape(-1, 2) for rows in (rush, held)]
    cost = np.linalg.norm(places[0][:, None] - places[1][None], axis=2)
    cost = np.nan_to_num(cost, nan=FAR_YD)
    taken = set(linear_sum_assignment(cost)[0].tolist()) if len(held) else set()
    left = [r for i, r in enumerate(rush) if i not in taken]
    return [Free(str(r.get("position") or "unknown"), _side(float(r["across_yd"]))) for r in left]  # type: ignore[arg-type]


def _side(across: float) -> str:
    return "middle" if abs(across) < 2.0 else ("right" if across > 0 else "left")
