"""The roster at the snap followed through the play.

Before the snap the count is best known: everybody stands apart and still. After it men engage, hide each other and
are found twice; whoever was there at the snap has the first call on every find, and only what is left can be somebody
new. Each man takes the finds that fit his motion and his side's kit, at least total cost over all men [Kuhn 1955].
A man unseen is taken to slow down: in a pile he stands with the others. Field frame, yards, seconds from the snap.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.association import Track, accel_at, assign, associate, stitch
from pipeline.ground import Finds, TrackSettings, take
from pipeline.kalman import Filter

Array = NDArray[np.float64]

GATE_SIGMA = 5.0
SNAP_SPEED_SD = 1.0  # yd/s: how much faster than his own record a man may be in the first step after the snap
HOLD_S, SLOW_S = 0.3, 0.3  # a man unseen keeps his speed for HOLD_S, then loses it with time constant SLOW_S
STILL_ACCEL = 0.8  # yd/s^2, before the snap
MOST_ODDS = 8.0  # of a man's kit: finds of one man err alike
LOOSE_KIT = 3.0  # a kit against him by more than this and the find is no fall-back
REJOIN_S, REJOIN_SPEED_YD_S = 2.0, 5.0
AGAINST = 1.0  # log odds from which a kit counts as one side's
LOOSE_YD, LOOSE_SPEED_YD_S = 0.8, 6.5


class Man:
    """One of the roster: his track, and the log odds of his kit being the defence's."""

    def __init__(self, track: Track, odds: float) -> None:
        self.track, self.odds = track, odds

    def expected(self, time_s: float, accel: float) -> tuple[Array, Array]:
        """Mean (4,) and covariance (4, 4) at a later time; slowed down when unseen for long."""
        f = self.track.filter
        mean, cov = f.predict(time_s, accel)
        unseen = time_s - f.time_s - HOLD_S
        if unseen > 0:
            mean = mean.copy()
            left = float(np.exp(-unseen / SLOW_S))
            mean[:2] = f.mean[:2] + f.mean[2:] * (HOLD_S + SLOW_S * (1 - left))
            mean[2:] = f.mean[2:] * left
        return mean, cov


def follow(
    roster: Sequence[Track], finds: Sequence[Finds], times: Array, odds: Sequence[Array], settings: TrackSettings
) -> list[Track]:
    """The roster's tracks with their finds after the snap.

    odds: (M,) a sample, log odds of the defence's kit a find. What the tracks held up to the snap stays.
    """
    first = int(np.searchsorted(times, 0.02, side="right"))
    men = [_man(t, finds, times, odds, first) for t in roster]
    for i in range(first, len(times)):
        for man, j in _step(men, finds[i], float(times[i]), odds[i], settings):
            man.track.filter.update(
                float(times[i]), finds[i].xy[j], finds[i].cov[j], accel_at(float(times[i]), settings)
            )
            man.track.at[i] = j
            man.odds = float(np.clip(man.odds + odds[i][j], -MOST_ODDS, MOST_ODDS))
    return [m.track for m in men]


def left_over(tracks: Sequence[Track], finds: Sequence[Finds]) -> list[NDArray[np.int64]]:
    """Per sample the indices of the finds that no track holds."""
    used = [{t.at[i] for t in tracks if i in t.at} for i in range(len(finds))]
    return [np.setdiff1d(np.arange(len(f.xy)), sorted(u)) for f, u in zip(finds, used, strict=True)]


def join_rest(
    rest: Sequence[NDArray[np.int64]], finds: Sequence[Finds], times: Array, settings: TrackSettings
) -> list[Track]:
    """Tracks of the finds at these indices alone, joined as everybody is."""
    part = [take(f, r) for f, r in zip(finds, rest, strict=True)]
    _, tracks = associate(part, times, settings, steady=False)
    tracks = stitch(tracks, part, times, settings)
    for t in tracks:
        t.at = {i: int(rest[i][j]) for i, j in t.at.items()}
    return tracks


def rejoin(
    roster: Sequence[Track], others: Sequence[Track], finds: Sequence[Finds], times: Array, odds: Sequence[Array],
    settings: TrackSettings,
) -> list[Track]:  # fmt: skip
    """Give pieces that begin in mid play to men of the roster lost before, where one could have run there and the
    kits do not speak against it. The roster's tracks grow; returns the pieces nobody took."""
    left = list(others)
    while True:
        best: tuple[float, Track, Track] | None = None
        for man in roster:
            for piece in left:
                gap = float(times[piece.first] - times[man.last])
                if not 0 < gap <= REJOIN_S or _kit(man, odds) * _kit(piece, odds) < -AGAINST**2:
                    continue
                run = float(np.linalg.norm(
                    finds[piece.first].xy[piece.at[piece.first]] - finds[man.last].xy[man.at[man.last]]
                ))  # fmt: skip
                share = run / (LOOSE_YD + REJOIN_SPEED_YD_S * gap)
                if share < 1 and (best is None or share < best[0]):
                    best = (share, man, piece)
        if best is None:
            return left
        _, man, piece = best
        man.at.update(piece.at)
        left = [t for t in left if t is not piece]


def _kit(t: Track, odds: Sequence[Array]) -> float:
    return float(np.median([odds[i][j] for i, j in t.at.items()]))


def _man(track: Track, finds: Sequence[Finds], times: Array, odds: Sequence[Array], first: int) -> Man:
    """A man as known at the snap: his finds up to it, filtered anew as one who stands or moves evenly."""
    at = {i: j for i, j in sorted(track.at.items()) if i < first}
    start = min(at)
    f = Filter.start(float(times[start]), finds[start].xy[at[start]], finds[start].cov[at[start]])
    for i, j in at.items():
        if i > start:
            f.update(float(times[i]), finds[i].xy[j], finds[i].cov[j], STILL_ACCEL)
    f.cov = f.cov + np.diag([0.0, 0.0, SNAP_SPEED_SD**2, SNAP_SPEED_SD**2])
    total = float(sum(odds[i][j] for i, j in at.items()))
    return Man(Track(f, at, track.kit), float(np.clip(total, -MOST_ODDS, MOST_ODDS)))


def _step(
    men: list[Man], f: Finds, time_s: float, odds: Array, settings: TrackSettings
) -> list[tuple[Man, int]]:
    """Who takes which find of one frame: first what fits, then, for those left, what a person could have run to."""
    if not men or not len(f.xy):
        return []
    mean, cov = (np.stack(x) for x in zip(*(m.expected(time_s, accel_at(time_s, settings)) for m in men), strict=True))
    d = f.xy[None] - mean[:, None, :2]
    far = np.einsum("ami,amij,amj->am", d, np.linalg.inv(cov[:, None, :2, :2] + f.cov[None]), d)
    gap = time_s - np.array([m.track.filter.time_s for m in men])[:, None]
    run = np.linalg.norm(f.xy[None] - np.stack([m.track.filter.mean[:2] for m in men])[:, None], axis=2)
    his = 1 / (1 + np.exp(-np.array([m.odds for m in men])))[:, None]
    its = 1 / (1 + np.exp(-odds))[None]
    kit = -settings.follow_kit * np.log(np.clip(his * its + (1 - his) * (1 - its), 1e-4, 1))
    doubt = settings.follow_doubt * (1 - f.confidence)[None]
    able = run < LOOSE_YD + settings.top_speed_yd_s * gap
    pairs = assign(np.where((far < GATE_SIGMA**2) & able, 0.5 * far + kit + doubt, np.inf), settings.follow_unmatched)
    loose = able & (run < LOOSE_YD + LOOSE_SPEED_YD_S * gap) & (kit < LOOSE_KIT * settings.follow_kit)
    loose[[a for a, _ in pairs]] = False
    loose[:, [j for _, j in pairs]] = False
    pairs += assign(np.where(loose, 0.5 * np.sqrt(far) + run + kit + doubt, np.inf), 1e3)
    return [(men[a], j) for a, j in pairs]
