"""Reads the set formation before the snap: line of scrimmage, which way the offence attacks, the five linemen.

Rules used. Neither team is in the neutral zone at the snap, seven or more of the offence stand on their line
and the snap is between the hash rows (rulebooks: neutral zone, scrimmage formation, inbounds spot). Common
practice, no source: five linemen about 1.5 yd apart, the passer behind the middle one, nobody of the offence
deeper than about 9 yd, some of the defence deeper. Field frame, yards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
SPLIT_YD = 1.56  # median shoulder to shoulder on the line in measured plays (0.33 to 1.74 at the edges)
LINE_DEPTH_YD = 2.2  # linemen stand at most this far behind the line of scrimmage


@dataclass(frozen=True)
class Formation:
    """line_x: middle of the neutral zone; direction +1 or -1; odds: log odds of the direction;
    linemen: indices of the five (may be fewer) in order of y; center_y; score of the whole reading;
    kit_gain: log likelihood gained by two kits over one."""

    line_x: float
    direction: int
    odds: float
    linemen: tuple[int, ...]
    center_y: float
    score: float
    kit_gain: float


def whiten(kit: Array, dims: int = 4) -> Array:
    """(N, K) kit features -> (N, <= dims) leading components, median and spread taken out. Empty stays empty."""
    if kit.size == 0 or len(kit) < 4:
        return np.zeros((len(kit), 0))
    z = kit - np.median(kit, axis=0)
    scale = np.percentile(np.abs(z), 75, axis=0)
    z = z[:, scale > 1e-9]
    if z.shape[1] == 0:
        return np.zeros((len(kit), 0))
    # One scale for all: features share a unit (colour), and noise must not be blown up to the size of signal.
    z = np.clip(z / max(float(np.max(scale)), 1e-9), -4, 4)
    u, s, _ = np.linalg.svd(z, full_matrices=False)
    k = min(dims, int((s > 0.15 * s[0]).sum()))
    return u[:, :k] * s[:k]


def kit_gain(z: Array, group: NDArray[np.bool_]) -> float:
    """Log likelihood gained by giving the two groups their own mean kit (shared covariance), penalised."""
    n, k = z.shape
    if k == 0 or group.sum() < 3 or (~group).sum() < 3:
        return 0.0
    total = np.cov(z.T, bias=True).reshape(k, k) + 0.05 * np.eye(k)
    rest = z.copy()
    for g in (group, ~group):
        rest[g] -= np.median(z[g], axis=0)
    within = rest.T @ rest / n + 0.05 * np.eye(k)
    gain = 0.5 * n * (np.linalg.slogdet(total)[1] - np.linalg.slogdet(within)[1])
    return float(max(gain - 0.5 * k * np.log(n), 0.0))


def read(xy: Array, weight: Array, kit: Array, hash_rows: tuple[float, float] | None = None) -> Formation | None:
    """Best reading of players' positions (N, 2) with weight (N,) 0..1 and whitened kit (N, k).

    None with fewer than eight players. Both directions are tried at every place of the line.
    """
    if len(xy) < 8:
        return None
    results: list[Formation] = []
    for line in candidates(xy):
        gain = kit_gain(kit, xy[:, 0] < line)
        for direction in (1, -1):
            results.append(_judge(xy, weight, float(line), direction, gain, hash_rows))
    best = max(results, key=lambda f: f.score)
    against = max((f.score for f in results if f.direction != best.direction), default=-50.0)
    return Formation(
        best.line_x, best.direction, best.score - against, best.linemen, best.center_y, best.score, best.kit_gain
    )


def candidates(xy: Array) -> Array:
    """Places along x where a line of scrimmage may be: every gap wide enough, and a coarse grid."""
    x = np.sort(xy[:, 0])
    mid = (x[1:] + x[:-1]) / 2
    gaps = mid[(x[1:] - x[:-1]) > 0.2]
    lo, hi = np.percentile(x, [12, 88])
    grid = np.arange(lo, hi, 0.25)
    both = np.r_[gaps, grid]
    left = (xy[None, :, 0] < both[:, None]).sum(1)
    return both[(left >= 4) & (len(xy) - left >= 4)]


def _judge(
    xy: Array, weight: Array, line: float, direction: int, gain: float, hash_rows: tuple[float, float] | None
) -> Formation:
    depth = direction * (xy[:, 0] - line)
    off, dfn = depth < 0, depth >= 0
    five, quality, center_y = linemen(xy, depth, hash_rows)
    score = quality + 0.5 * min(gain, 24.0)
    # Nobody in the neutral zone; people close on both sides of it.
    score -= 1.5 * float((np.clip(1 - np.abs(depth) / 0.4, 0, 1) * weight).sum())
    score += 0.5 * min(int(((depth > 0.3) & (depth < 2.0)).sum()), 5)
    score += 0.4 * min(int(((depth < -0.3) & (depth > -1.8)).sum()), 7)
    # Even sides: eleven (twelve) each, when everybody was found.
    score -= 0.35 * abs(int(off.sum()) - int(dfn.sum()))
    across = np.abs(xy[:, 1] - center_y)
    score += passer_score(depth, across)
    # Offence seldom deeper than 9 yd, the defence mostly has somebody there; both capped against bystanders.
    score -= 1.2 * min(float(np.clip(-depth[off] - 9.0, 0, 2.5).sum()), 5.0)
    score += 0.8 * min(float(np.clip(depth[dfn] - 5.0, 0, 2.5).sum()), 5.0)
    return Formation(line, direction, 0.0, five, center_y, float(score), gain)


def passer_score(depth: Array, across: Array) -> float:
    """Somebody stands behind the middle lineman: just behind him, or four to seven yards."""
    behind = (across < 0.9) & (depth < -1.2) & (depth > -8.5)
    return 3.0 if behind.any() else -1.5


def linemen(
    xy: Array, depth: Array, hash_rows: tuple[float, float] | None = None
) -> tuple[tuple[int, ...], float, float]:
    """The five in a row just behind the line: indices in order of y, how much like a line they look, and the
    y of the middle man (of everybody's median where there is no row).

    Every run of people in order of y within LINE_DEPTH_YD is tried; one missing man is allowed at a cost.
    """
    near = np.flatnonzero((depth < 0.1) & (depth > -LINE_DEPTH_YD))
    near = near[np.argsort(xy[near, 1])]
    best: tuple[tuple[int, ...], float, float] = ((), -6.0, float(np.median(xy[:, 1])))
    behind = np.stack([xy[:, 1], depth], 1)[(depth < -1.2) & (depth > -9.0)]
    for slots, cost in ROWS:
        k = np.array(slots, float)
        for start in range(len(near) - len(slots) + 1):
            run = near[start : start + len(slots)]
            centre, split = _fit_row(k, xy[run, 1])
            quality = _row_quality(k, xy[run, 1], depth[run], centre, split, behind, hash_rows) - cost
            if quality > best[1]:
                best = (tuple(int(i) for i in run), quality, centre)
    return best


# Places in the row (0 is the middle) of the men found: all five, or one of them missing.
ROWS = (
    ((-2, -1, 0, 1, 2), 0.0), ((-2, -1, 1, 2), 3.0), ((-2, 0, 1, 2), 3.0), ((-2, -1, 0, 2), 3.0),
    ((-1, 0, 1, 2), 4.0), ((-2, -1, 0, 1), 4.0),
)  # fmt: skip
ROW_BASE = 8.0  # score of a faultless row; the rest are log likelihoods
ROW_Y_SD, ROW_X_SD, SPLIT_SD, PASSER_SD = 0.3, 0.3, 0.2, 0.45  # yards: position error and habit


def _row_quality(
    k: Array, y: Array, depth: Array, centre: float, split: float, behind: Array,
    hash_rows: tuple[float, float] | None,
) -> float:  # fmt: skip
    off = (y - centre - split * k) / ROW_Y_SD
    quality = ROW_BASE - 0.5 * float(np.minimum(off**2, 16).sum()) * 5 / len(y)
    quality -= 0.5 * min(((split - SPLIT_YD) / SPLIT_SD) ** 2, 25.0)
    quality -= 0.5 * float(np.minimum(((depth - np.median(depth)) / ROW_X_SD) ** 2, 9).sum())
    # Behind the row, not in it: a man on the line beside it is no passer.
    back = behind[behind[:, 1] < np.median(depth) - 0.55]
    aside = float((np.abs(back[:, 0] - centre)).min()) if len(back) else 9.0
    quality += 2.0 - 0.5 * min((aside / PASSER_SD) ** 2, 10.0)
    if hash_rows is not None:
        outside = max(hash_rows[0] - centre, centre - hash_rows[1], 0.0)
        quality -= 2.0 * max(outside - 0.8, 0.0)
    return quality


def _fit_row(k: Array, y: Array) -> tuple[float, float]:
    """Middle and split of a row: least squares y = centre + split * k."""
    km, ym = k.mean(), y.mean()
    split = float(((k - km) * (y - ym)).sum() / ((k - km) ** 2).sum())
    return float(ym - split * km), split
