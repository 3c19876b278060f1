"""Who is on which side: kit colours and where people stand before the snap, weighed together.

Before the snap geometry alone separates the sides (the neutral zone); kits decide for those near the line and
for people first seen after the snap, and help to find the line. Officials come from the finder's role, or from
a kit like neither team's. Confidence is a probability.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline import formation
from pipeline.people.kit import KIT_FEATURES
from pipeline.records import ROLES, SIDES

Array = NDArray[np.float64]
PLAYER, OFFICIAL = ROLES.index("player"), ROLES.index("official")
OFFENSE, DEFENSE, OFFICIAL_SIDE, UNKNOWN = (SIDES.index(s) for s in ("offense", "defense", "official", "unknown"))
GEOMETRY_SD_YD = 0.45  # of a person's distance from the line: position error and stance
SHADE_SHARE = 0.8  # how much of the turf's shade a kit shares
PATCH_WEIGHTS = {"torso": 1.0, "trousers": 0.8, "helmet": 0.6}  # how well a patch tells teams apart
UNSURE_ROLE = 0.8  # share of the finder's votes below which a role may be turned
OWN_KIT_SD = 2.2  # a kit this near to a team's is that team's
ODD_KIT_SD = 4.5  # a kit this far from both teams' is no player's when the finder was not sure either
SURE_FIND = 0.6  # confidence from which a find is not doubted for it
KIT_CLIP = 5.0  # log odds: shade, mud and boxes over others keep a kit from being proof
GEOMETRY_CLIP = 7.0


@dataclass(frozen=True)
class Split:
    """Per track (N,): keep (False for a surplus find), role, side, confidence; and the formation read."""

    keep: NDArray[np.bool_]
    role: NDArray[np.int64]
    side: NDArray[np.int64]
    confidence: Array
    formation: formation.Formation | None


def split(
    xy: Array, seen: NDArray[np.bool_], times: Array, role: NDArray[np.int64], role_share: Array, kit: Array,
    a_side: int = 11, confidence: Array | None = None,
) -> Split:  # fmt: skip
    """Sides of N tracks: xy (T, N, 2) yards, seen (T, N), times (T,) from the snap, kit (N, K).

    confidence (N,): the finder's, where more than a_side of a side make it count.
    """
    n = len(role)
    keep = np.ones(n, bool)
    side = np.where(role == OFFICIAL, OFFICIAL_SIDE, UNKNOWN)
    found_sure = np.full(n, SURE_FIND) if confidence is None else confidence
    confidence = np.where(role == OFFICIAL, role_share, 0.5)
    still = set_positions(xy, times)
    weight = seen[times <= 0.1].mean(0) if (times <= 0.1).any() else np.zeros(n)
    players = np.flatnonzero((role == PLAYER) & np.isfinite(still).all(1))
    maybe = (role == PLAYER) | ((role == OFFICIAL) & (role_share < UNSURE_ROLE))
    z_all = formation.whiten(kit[maybe])
    z = np.zeros((n, z_all.shape[1]))
    z[maybe] = z_all
    read = formation.read(still[players], weight[players], z[players])
    if read is None:
        return Split(keep, role, side.astype(np.int64), confidence, None)
    depth = read.direction * (still[:, 0] - read.line_x)
    odds = np.clip(np.nan_to_num(depth / GEOMETRY_SD_YD**2), -GEOMETRY_CLIP, GEOMETRY_CLIP)
    kit_odds, distance = _kit_odds(z, players, odds)
    total = odds + kit_odds
    near = np.nan_to_num(np.abs(depth), nan=99.0) < 25.0
    role, side = _settle_roles(role, maybe & near, role_share, total, distance, a_side if z.shape[1] else 0)
    everyone = role == PLAYER
    sure = 1 / (1 + np.exp(-np.abs(total)))
    sure *= formation.direction_confidence(read.odds)
    confidence = np.where(everyone, sure, confidence)
    keep = _drop_surplus(keep, side, still, weight, distance, read, a_side, found_sure)
    return Split(keep, role, side.astype(np.int64), np.clip(confidence, 0, 1), read)


def _settle_roles(
    role: NDArray[np.int64], maybe: NDArray[np.bool_], share: Array, odds: Array, distance: Array, a_side: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Roles and sides with the kits known: an unsure player in a kit like neither team's is an official; an unsure
    official in a team's kit is a player while his side is short of men."""
    odd = (role == PLAYER) & (distance > ODD_KIT_SD) & (share < 0.7)
    role = np.where(odd, OFFICIAL, role)
    side = np.where(odds > 0, DEFENSE, OFFENSE)
    back = np.flatnonzero((role == OFFICIAL) & maybe & ~odd & (distance < OWN_KIT_SD))
    for i in back[np.argsort(share[back])]:
        if ((role == PLAYER) & (side == side[i])).sum() < a_side:
            role[i] = PLAYER
    side = np.where(role == PLAYER, side, np.where(role == OFFICIAL, OFFICIAL_SIDE, UNKNOWN))
    return role.astype(np.int64), side.astype(np.int64)


def comparable(kit: Array) -> Array:
    """Kit features of one frame (N, K) made comparable between people in sun and shade.

    The finder's own features (pipeline.people.kit) are known by name: lightness is taken against the turf beside
    the man, colour counts double, what is no colour is dropped. Rows of zeros (not measured) become the median
    of the others. Features of any other length are left as they are.
    """
    if kit.shape[1] != len(KIT_FEATURES) or not len(kit):
        return kit
    at = {name: kit[:, k] for k, name in enumerate(KIT_FEATURES)}
    shade = SHADE_SHARE * (at["turf_L"] - np.median(at["turf_L"]))
    parts = []
    for patch, weight in PATCH_WEIGHTS.items():
        parts += [weight * (at[f"{patch}_L"] - shade)]
        parts += [2.0 * weight * at[f"{patch}_{c}"] for c in "ab"]
    out = np.stack(parts, 1)
    measured = np.abs(kit).sum(1) > 0
    if measured.any():
        out[~measured] = np.median(out[measured], axis=0)
    return out


def set_positions(xy: Array, times: Array) -> Array:
    """(N, 2) where each stands when set: median over the last second before the snap; else first seen before."""
    window = (times >= -0.75) & (times <= 0.02)
    if not window.any():
        window = times <= times.min() + 0.02
    with np.errstate(all="ignore"):
        import warnings

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            return np.nanmedian(xy[window], axis=0)


def kit_evidence(kit: Array, side: NDArray[np.int64]) -> tuple[Array, Array]:
    """Log odds (M,) of the defence's kit for M finds, and each one's distance from the nearer kit in sds.

    kit (M, K) as ``comparable`` gives it; side (M,) of those whose side is sure, UNKNOWN elsewhere. Zeros where
    there are too few to learn the kits from.
    """
    if not len(kit):
        return np.zeros(0), np.zeros(0)
    geometry = np.select([side == DEFENSE, side == OFFENSE], [GEOMETRY_CLIP, -GEOMETRY_CLIP], 0.0)
    return _kit_odds(formation.whiten(kit), np.flatnonzero(geometry != 0), geometry)


def _kit_odds(z: Array, players: NDArray[np.int64], geometry: Array) -> tuple[Array, Array]:
    """(N,) log odds of the defence's kit, and each one's distance from the nearer kit in sds.

    The kits are learned from the people whose side geometry is sure of.
    """
    n, k = z.shape
    sure_off = players[geometry[players] < -2.5]
    sure_def = players[geometry[players] > 2.5]
    if k == 0 or len(sure_off) < 4 or len(sure_def) < 4:
        return np.zeros(n), np.zeros(n)
    a, b = np.median(z[sure_off], axis=0), np.median(z[sure_def], axis=0)
    rest = np.concatenate([z[sure_off] - a, z[sure_def] - b])
    far = np.linalg.norm(rest, axis=1)
    rest = rest[far <= 3.0 * np.median(far) + 1e-9]  # one odd kit must not make all kits look alike
    cov = rest.T @ rest / len(rest) + 0.05 * np.eye(k)
    inv = np.linalg.inv(cov)
    da = np.sqrt(np.einsum("ni,ij,nj->n", z - a, inv, z - a))
    db = np.sqrt(np.einsum("ni,ij,nj->n", z - b, inv, z - b))
    # Student-like tails: an odd patch of colour must not outvote where a man stands.
    odds = 2.0 * (np.log1p(da**2 / 4) - np.log1p(db**2 / 4))
    return np.clip(odds, -KIT_CLIP, KIT_CLIP), np.minimum(da, db)


def _drop_surplus(
    keep: NDArray[np.bool_], side: NDArray[np.int64], still: Array, weight: Array, kit_distance: Array,
    read: formation.Formation, a_side: int, found_sure: Array,
) -> NDArray[np.bool_]:  # fmt: skip
    """More than eleven (twelve) of a side cannot play: those least like players of it go.

    Twelve men do happen by mistake; common practice, no source: far rarer than a false find.
    """
    keep = keep.copy()
    for s in (OFFENSE, DEFENSE):
        members = np.flatnonzero((side == s) & keep & np.isfinite(still).all(1))
        extra = len(members) - a_side
        if extra <= 0:
            continue
        far = np.abs(still[members, 0] - read.line_x)
        gap = np.linalg.norm(still[members][:, None] - still[members][None], axis=-1) + np.eye(len(members)) * 9
        doubtful = (
            3.0 * (1 - weight[members])
            + 0.25 * np.clip(kit_distance[members] - 1.5, 0, 3)
            + 0.15 * np.clip(far - (10 if s == OFFENSE else 20), 0, 10)
            + 1.2 * np.clip(1 - gap.min(1) / 0.8, 0, 1)
            + 3.0 * np.clip(SURE_FIND - found_sure[members], 0, 1)
        )
        keep[members[np.argsort(-doubtful)[:extra]]] = False
    return keep
