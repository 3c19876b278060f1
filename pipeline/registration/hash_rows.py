"""Which row of hash marks is which: the two rows look alike, so the picture's geometry has the last word.

The points of both answers are grouped into the lines they lie on. Two lines are told by their order (lower in the
picture, or further right behind an end zone: near). A single one may be either row: both are tried, and where the
camera would have to stand decides, with the network's own answer.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.registration import start
from pipeline.registration.marks import Marks
from pipeline.registration.start_lines import Line, group

Array = NDArray[np.float64]

MIN_POINTS = 8
MIN_EVIDENCE = 4.0  # sum of squared answers on a line of points to call it a row
SECOND_SHARE = 0.25  # points of the second line, of those of the first, to count as a row
ALMOST_PARALLEL = 0.5  # rows may meet at the horizon, but not cross steeply: least cosine of their angle
ANSWER_DOUBT = 0.1  # chance that the network's word on the row means nothing
MIN_NUMBERS, FAINT = 3, 0.5  # numbers seen, mean answer on the rows: when to try without rows
NO_ROWS_LOG = -8.0  # log probability of that reading
SURE_SECOND = 0.6  # answers on the second line, of those on the first, that leave no doubt that it is a row
ONE_OF_TWO_LOG = -6.0  # log probability that it is none: what it costs the reading without it to pass over its points
NONE = np.zeros((0, 5))


def variants(marks: Marks, view: str) -> list[tuple[Marks, str, float]]:
    """The ways to read the hash rows: see :func:`_by_lines`; where the rows are faint and numbers plain, also none."""
    ways = _by_lines(marks, view)
    answers = np.concatenate([marks.ridge[n][:, 4] for n in ("near_hash", "far_hash")])
    plain = sum(int((p[:, 2] > 0.5).sum()) for p in marks.number.values())
    if plain >= MIN_NUMBERS and (not len(answers) or answers.mean() < FAINT):
        ways.append((_with(marks, NONE, NONE), "none", NO_ROWS_LOG))
    return ways


def _by_lines(marks: Marks, view: str) -> list[tuple[Marks, str, float]]:
    """The ways to read the hash rows: marks with the points sorted out, the rows seen (both,
    near, far) and the log probability of each."""
    parts = [marks.ridge["near_hash"], marks.ridge["far_hash"]]
    points = np.concatenate(parts)
    is_far = np.repeat([False, True], [len(p) for p in parts])
    if len(points) < MIN_POINTS:
        return [(_with(marks, NONE, NONE), "none", 0.0)]
    ideal = np.concatenate([start.undistort(points[:, :2], start.TYPICAL_K1, marks.size), points[:, 2:]], 1)
    lines = [
        q for q in group(ideal, marks.size[0] / 1280)
        if len(q.points) >= MIN_POINTS and float((ideal[q.points, 4] ** 2).sum()) > MIN_EVIDENCE
    ]  # fmt: skip
    if not lines:
        return [(_with(marks, NONE, NONE), "none", 0.0)]
    lines.sort(key=lambda q: -float(ideal[q.points, 4].sum()))
    first = lines[0]
    others = [
        q for q in lines[1:]
        if len(q.points) > SECOND_SHARE * len(first.points) and abs(float(q.normal @ first.normal)) > ALMOST_PARALLEL
    ]  # fmt: skip
    if others:
        pair = sorted([first, others[0]], key=lambda q: _place(q.normal, q.offset, marks.size, view), reverse=True)
        near, far = (points[q.points] for q in pair)
        both = (_with(marks, near, far), "both", 0.0)
        strong, weak = (ideal[q.points, 4] for q in (first, others[0]))
        if weak.sum() > SURE_SECOND * strong.sum() and weak.mean() > FAINT:
            return [both]
        alone = _single(marks, points, ideal, is_far, first)  # the weaker line may be another: yard ticks, goal posts
        return [both, *((m, rows, log + ONE_OF_TWO_LOG) for m, rows, log in alone)]
    return _single(marks, points, ideal, is_far, first)


def _single(
    marks: Marks, points: Array, ideal: Array, is_far: NDArray[np.bool_], first: Line
) -> list[tuple[Marks, str, float]]:  # fmt: skip
    """One line of points read as either row; is_far (N,): the network's word for each point."""
    mine = points[first.points]
    far_share = float((mine[:, 4] * is_far[first.points]).sum() / mine[:, 4].sum())
    p_far = (1 - ANSWER_DOUBT) * far_share + ANSWER_DOUBT / 2
    return [
        (_with(marks, mine, NONE), "near", float(np.log(1 - p_far))),
        (_with(marks, NONE, mine), "far", float(np.log(p_far))),
    ]


def _place(normal: Array, offset: float, size: tuple[int, int], view: str) -> float:
    """How near a line lies: its row in the picture's middle column, or its column in the middle row."""
    mid = np.array([(size[0] - 1) / 2, (size[1] - 1) / 2])
    axis = 1 if view == "sideline" else 0
    return float((offset - normal[1 - axis] * mid[1 - axis]) / (normal[axis] if abs(normal[axis]) > 1e-6 else 1e-6))


def _with(marks: Marks, near: Array, far: Array) -> Marks:
    return replace(marks, ridge={**marks.ridge, "near_hash": near, "far_hash": far})
