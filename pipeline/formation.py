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
SPLIT_ODDS = 3.0  # the scores of the two directions are overconfident by about this factor
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


def direction_confidence(odds: float) -> float:
    """Probability that the likelier side is the offence, from the margin between both readings."""
    return float(1 / (1 + np.exp(-max(odds, 0.0) / SPLIT_ODDS)))


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
    score += passer_score(depth, across) + kick_score(xy[:, 1], depth)
    # Offence seldom deeper than 9 yd, the defence mostly has somebody there; both capped against bystanders.
    score -= 1.2 * min(float(np.clip(-depth[off] - 9.0, 0, 2.5).sum()), 5.0)
    score += 0.8 * min(float(np.clip(depth[dfn] - 5.0, 0, 2.5).sum()), 5.0)
    return Formation(line, direction, 0.0, five, center_y, float(score), gain)


def passer_score(depth: Array, across: Array) -> float:
    """Somebody stands behind the middle lineman: just behind him or four to seven yards."""
    behind = (across < 0.9) & (depth < -1.2) & (depth > -6.8)
    if behind.any():
        return 3.0
    punter = (across < 2.5) & (depth < -10.5) & (depth > -17.0)
    return 3.0 if punter.sum() == 1 and (depth < -10.5).sum() == 1 else -1.5


def kick_score(y: Array, depth: Array) -> float:
    """A placekick's formation: seven or more found tight on the line, a holder behind their middle, hardly anyone else;
    or a punt's: one man far behind the middle and at most two between."""
    line = (depth < 0) & (depth > -2.7)
    punter = (depth < -10.5) & (depth > -17.0)
    between = (depth <= -2.7) & (depth >= -10.5)
    if line.sum() >= 7 and punter.sum() == 1 and between.sum() <= 2 and (depth < -10.5).sum() == 1:
        aside = abs(float(y[punter][0]) - float(np.median(y[line & (np.abs(y - np.median(y[line])) < 8.0)])))
        return 6.0 if aside < 2.5 else 0.0
    back = (depth < -6.6) & (depth > -11.0)
    if line.sum() < 7 or not 1 <= back.sum() <= 3 or ((depth <= -2.7) & (depth >= -6.6)).any():
        return 0.0
    tight = float(np.ptp(y[line])) < 10.5
    if not tight or float(np.abs(y[back] - np.median(y[line])).min()) >= 1.8:
        return 0.0
    return 10.0 if line.sum() > 7 else 7.0


# The row of five: places (0 is the middle), how far behind the ball each stands against the middle man (yards;
# common practice: the snapper's head is at the ball, guards and tackles a little behind), and spreads in yards.
PLACES = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
BACK_FROM_CENTER = np.array([0.33, 0.22, 0.0, 0.22, 0.33])
ROW_BASE = 8.0  # score of a faultless row; the rest are log likelihoods
ROW_Y_SD, ROW_X_SD, SPLIT_SD, PASSER_SD = 0.28, 0.26, 0.12, 0.33
MISSING_COST = 3.5  # of a lineman nobody found
SPLITS = (1.42, 1.56, 1.70)


def linemen(
    xy: Array, depth: Array, hash_rows: tuple[float, float] | None = None
) -> tuple[tuple[int, ...], float, float]:
    """The five in a row just behind the line: indices in order of y, how much like a line they look, and the
    y of the middle man (of everybody's median where there is no row).

    Every man near the line is tried at every place of the row; each place takes the nearest man, one may stay
    empty at a cost. A passer right behind the snapper stands too deep to be taken for one of the row.
    """
    nothing: tuple[tuple[int, ...], float, float] = ((), -6.0, float(np.median(xy[:, 1])))
    near = np.flatnonzero((depth < 0.1) & (depth > -LINE_DEPTH_YD))
    if len(near) < 4:
        return nothing
    y, d = xy[near, 1], depth[near]
    behind = np.stack([xy[:, 1], depth], 1)[(depth < -1.2) & (depth > -9.0)]
    split = np.repeat(SPLITS, len(y) * 5)
    start = np.concatenate([(y[:, None] - s * PLACES).ravel() for s in SPLITS])
    front = float(np.sort(d)[-min(5, len(d)) :].mean()) + 0.22
    want_y = start[:, None] + split[:, None] * PLACES  # (H, 5)
    cost = ((y[None, None] - want_y[..., None]) / 0.45) ** 2
    cost = cost + ((d[None, None] - (front - BACK_FROM_CENTER)[None, :, None]) / 0.4) ** 2
    pick = cost.argmin(2)  # (H, 5) index into near
    rows = np.unique(np.where(np.take_along_axis(cost, pick[..., None], 2)[..., 0] < 9.0, pick, -1), axis=0)
    best = nothing
    for row in rows:
        found = row >= 0
        men = row[found]
        if found.sum() < 4 or len(set(men.tolist())) < len(men):
            continue
        quality, centre = _row_quality(PLACES[found], y[men], d[men], BACK_FROM_CENTER[found], behind, hash_rows)
        quality -= MISSING_COST * int((~found).sum())
        if quality > best[1]:
            best = (tuple(int(near[i]) for i in men), quality, centre)
    return best


def _row_quality(
    k: Array, y: Array, depth: Array, back: Array, behind: Array, hash_rows: tuple[float, float] | None
) -> tuple[float, float]:
    """Log likelihood of a row (places k, y, depth) and its middle's y."""
    centre, split = _fit_row(k, y)
    if not 0.9 < split < 2.4:
        return -20.0, centre
    off = (y - centre - split * k) / ROW_Y_SD
    quality = ROW_BASE - 0.5 * float(np.minimum(off**2, 16).sum()) * 5 / len(y)
    quality -= 0.5 * min(((split - SPLIT_YD) / SPLIT_SD) ** 2, 25.0)
    level = depth + back
    quality -= 0.5 * float(np.minimum(((level - np.median(level)) / ROW_X_SD) ** 2, 9).sum())
    # Behind the row, not in it: a man on the line beside it is no passer.
    passers = behind[behind[:, 1] < np.median(depth) - 0.55]
    aside = float((np.abs(passers[:, 0] - centre)).min()) if len(passers) else 9.0
    quality += 2.0 - 0.5 * min((aside / PASSER_SD) ** 2, 12.0)
    if hash_rows is not None:
        outside = max(hash_rows[0] - centre, centre - hash_rows[1], 0.0)
        quality -= 3.0 * max(outside - 0.4, 0.0)
        quality += 0.7 * float(np.exp(-0.5 * (min(abs(centre - r) for r in hash_rows) / 0.35) ** 2))
    return quality, centre


def _fit_row(k: Array, y: Array) -> tuple[float, float]:
    """Middle and split of a row: least squares y = centre + split * k."""
    km, ym = k.mean(), y.mean()
    split = float(((k - km) * (y - ym)).sum() / ((k - km) ** 2).sum())
    return float(ym - split * km), split
