"""Who is who after the snap, settled over the whole play at once.

Following men frame by frame takes the best step each time; where two come close or one is hidden, a step that looked
best turns out wrong a few frames later. Here the finds of all frames are shared out anew so that all paths together
are the likeliest: for every stretch of frames, the pieces that the tracks hold in it are permuted among the tracks at
best total likelihood [Kuhn 1955], until no exchange helps. A path's likelihood is that of a constant-velocity Kalman
filter with white acceleration noise [Kalman 1960], its residuals weighted as Student's t, that of the kits worn along
it, and that of having been found at all. Yards, seconds from the snap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from pipeline.association import Track
from pipeline.ground import Finds

Array = NDArray[np.float64]
Index = NDArray[np.int64]
SNAP_S = 0.02  # a frame up to this time counts as before the snap


@dataclass(frozen=True)
class IdentitySettings:
    """Lengths in yards, times in seconds. Chosen on rendered clips and simulated finds."""

    still_noise: float = 0.03  # yd^2/s^3: variance of the speed gained in a second, before the snap
    play_noise: float = 4.0  # and after it
    snap_speed_sd: float = 2.0  # yd/s: change of speed at the snap
    walk_speed_sd: float = 0.4  # yd/s: speed of a man first seen before the snap, and
    run_speed_sd: float = 3.0  # after it
    tails: float = 6.0  # degrees of freedom of a residual
    found_rate: float = 0.93  # of a man, in a frame
    false_finds_yd2: float = 0.02  # a frame
    doubt: float = 2.0  # log odds by which a find of confidence 0 is worse than one of 1
    kit_weight: float = 0.5  # of a kit's log odds: finds of one man err alike
    kit_most: float = 4.0
    area_yd2: float = 1600.0  # where somebody may turn up
    newcomer: float = 3.0  # log odds against somebody who begins after the snap
    reach_yd: float = 3.0  # men who never come nearer in a stretch do not exchange its finds
    spare: int = 4  # empty tracks, to which finds may go that fit nobody
    widths: tuple[int, ...] = (1, 2, 3)  # stretches of so many frames are exchanged, and all rests of the play
    rounds: int = 4  # at most


DEFAULTS = IdentitySettings()


def settle(
    tracks: Sequence[Track], finds: Sequence[Finds], times: Array, odds: Sequence[Array],
    settings: IdentitySettings = DEFAULTS,
) -> list[Track]:  # fmt: skip
    """The tracks with their finds after the snap shared out anew; what they hold up to the snap stays.

    odds: (M,) a frame, log odds of the defence's kit a find. Tracks left without any find are gone; finds that fit
    nobody belong to none afterwards.
    """
    first = int(np.searchsorted(times, SNAP_S, side="right"))
    if not tracks or first >= len(times):
        return list(tracks)
    play = _Play(finds, times, odds, settings)
    index = np.full((len(tracks) + settings.spare, len(times)), play.none)
    for k, t in enumerate(tracks):
        for i, j in t.at.items():
            index[k, i] = j
    index = _Search(play, index, settings).run(first)
    out = []
    for t, row in zip(tracks, index[: len(tracks)], strict=True):
        at = {int(i): int(row[i]) for i in np.flatnonzero(row != play.none)}
        if at:
            out.append(Track(t.filter, at, t.kit))
    return out


class _Play:
    """The finds of all frames as arrays (T, M + 1, ...), the last column standing for no find.

    Places are turned so that the finds' covariances are as good as diagonal: a camera sees sideways better than away.
    """

    def __init__(
        self, finds: Sequence[Finds], times: Array, odds: Sequence[Array], settings: IdentitySettings
    ) -> None:
        self.times, self.settings = times, settings
        frames, most = len(finds), max(len(f.xy) for f in finds)
        self.none = most
        full = [f.cov for f in finds if len(f.xy)]
        turn = np.linalg.eigh(np.median(np.concatenate(full), axis=0))[1] if full else np.eye(2)
        self.place = np.full((frames, most + 1, 2), np.nan)
        self.var = np.ones((frames, most + 1, 2))
        self.worth = np.zeros((frames, most + 1))
        self.kit = np.zeros((frames, most + 1))
        s = settings
        there = np.log(s.found_rate / (1 - s.found_rate)) - np.log(s.false_finds_yd2)
        for i, f in enumerate(finds):
            m = len(f.xy)
            self.place[i, :m] = f.xy @ turn
            self.var[i, :m] = np.einsum("ka,mkl,la->ma", turn, f.cov, turn) if m else 0.0
            self.worth[i, :m] = there - s.doubt * (1 - f.confidence)
            self.kit[i, :m] = np.clip(odds[i], -s.kit_most, s.kit_most) * s.kit_weight

    def value(self, index: Index) -> Array:
        """(C,) log likelihood ratio of paths (C, T), against all their finds being false; empty paths 0."""
        some = index != self.none
        frame = np.arange(len(self.times))
        kit = self.kit[frame, index]
        # The man is of the one side or the other, all the way.
        worn = np.logaddexp(-np.log1p(np.exp(-kit)).sum(1), -np.log1p(np.exp(kit)).sum(1)) + some.sum(1) * np.log(2)
        begins = np.log(self.settings.area_yd2) + self.settings.newcomer * (
            self.times[np.argmax(some, 1)] > SNAP_S
        )
        total = self.moves(index) + self.worth[frame, index].sum(1) + worn - begins
        return np.where(some.any(1), total, 0.0)

    def moves(self, index: Index) -> Array:
        """(C,) log likelihood of the moves along paths (C, T). Both axes on their own: formulas of a filter with
        position and speed, p its covariance's entries."""
        s, size = self.settings, (len(index), 2)
        total, begun = np.zeros(len(index)), np.zeros((len(index), 1), bool)
        at, speed = np.zeros(size), np.zeros(size)
        pp, pv, vv = np.ones(size), np.zeros(size), np.ones(size)
        before = self.times[0]
        for i, now in enumerate(self.times):
            dt, after = now - before, now > SNAP_S
            noise = s.play_noise if after else s.still_noise
            at = at + dt * speed
            pp, pv = pp + 2 * dt * pv + dt * dt * vv + noise * dt**3 / 3, pv + dt * vv + noise * dt * dt / 2
            vv = vv + noise * dt + (s.snap_speed_sd**2 if before <= SNAP_S < now else 0.0)
            before = now
            here = (index[:, i] != self.none)[:, None]
            z, r = self.place[i, index[:, i]], self.var[i, index[:, i]]
            known, new = here & begun, here & ~begun
            total_var = pp + r
            off = np.where(known, z - at, 0.0)
            far = (off * off / total_var).sum(1)
            fit = -0.5 * ((s.tails + 2) * np.log1p(far / s.tails) + np.log(total_var).sum(1)) - np.log(2 * np.pi)
            total += np.where(known[:, 0], fit, 0.0)
            trust = np.minimum((s.tails + 2) / (s.tails + far), 1.0)[:, None]
            gain, push = trust * pp / total_var, trust * pv / total_var
            at, speed = np.where(known, at + gain * off, at), np.where(known, speed + push * off, speed)
            pp, pv, vv = (
                np.where(known, pp - gain * pp, pp), np.where(known, pv - gain * pv, pv),
                np.where(known, vv - push * pv, vv),
            )  # fmt: skip
            sd = s.run_speed_sd if after else s.walk_speed_sd
            at, speed = np.where(new, z, at), np.where(new, 0.0, speed)
            pp, pv, vv = np.where(new, r, pp), np.where(new, 0.0, pv), np.where(new, sd**2, vv)
            begun |= here
        return total


class _Search:
    """Exchanges of finds between tracks; index (N, T) find of a track in a frame, value (N,) of each.

    What an exchange was worth is kept, for every stretch, until one of the two tracks changes.
    """

    def __init__(self, play: _Play, index: Index, settings: IdentitySettings) -> None:
        self.play, self.index, self.settings = play, index, settings
        self.value = play.value(index)
        self.changed = np.zeros(len(index), np.int64)  # at which step a track changed last
        self.step = 1
        self.kept: dict[tuple[int, int], tuple[int, Array]] = {}

    def run(self, first: int) -> Index:
        """Exchange until nothing helps, in frames from ``first`` on; returns the index."""
        last = len(self.play.times)
        stretches = [(a, last) for a in range(max(first, 1), last)]
        stretches += [(a, a + w) for w in self.settings.widths for a in range(first, last - w)]
        for _ in range(self.settings.rounds):
            if not any([self.exchange(a, b) for a, b in stretches]):
                break
        return self.index

    def exchange(self, start: int, end: int) -> bool:
        """Share the pieces in frames [start, end) out among the tracks at best; True where that changed anything."""
        gain = self._gains(start, end)
        rows, columns = linear_sum_assignment(-gain)
        won = gain[rows, columns]
        if won.sum() < 1e-3:
            return False
        self.step += 1
        moved = rows[(columns != rows) & (self.index[rows, start:end] != self.index[columns, start:end]).any(1)]
        self.value = self.value + won
        piece = self.index[columns, start:end]
        self.index = self.index.copy()
        self.index[:, start:end] = piece
        self.changed[moved] = self.step
        return True

    def _gains(self, start: int, end: int) -> Array:
        """(N, N) what a track (row) gains with another's piece (column) of frames [start, end)."""
        when, gain = self.kept.get((start, end), (0, np.full((len(self.index),) * 2, -1e6)))
        stale = self.changed > when if when else np.ones(len(self.index), bool)
        if not stale.any():
            return gain
        piece = self.index[:, start:end]
        same = (piece[:, None] == piece[None]).all(2)
        near = self._near(start, end)
        again = stale[:, None] | stale[None]
        gain = np.where(again, np.where(same & near, 0.0, -1e6), gain)
        np.fill_diagonal(gain, 0.0)
        empty = np.flatnonzero((self.index == self.play.none).all(1))
        spared = np.isin(np.arange(len(self.index)), empty[1:])  # empty tracks are alike: one is tried for all
        taker, giver = np.nonzero(again & near & ~same & ~spared[:, None] & ~spared[None])
        tried = self.index[taker].copy()
        tried[:, start:end] = piece[giver]
        gain[taker, giver] = self.play.value(tried) - self.value[taker]
        gain[empty[1:]] = gain[empty[:1]]
        gain[:, empty[1:]] = gain[:, empty[:1]]
        gain[np.ix_(empty, empty)] = 0.0
        self.kept[start, end] = (self.step, gain)
        return gain

    def _near(self, start: int, end: int) -> NDArray[np.bool_]:
        """(N, N) whether two tracks come near each other around frames [start, end); empty tracks are near all."""
        times = self.play.times
        low, high = max(start - 1, 0), min(end + 1, len(times))
        at = np.full((len(self.index), high - low, 2), np.nan)
        for k, row in enumerate(self.index):
            have = np.flatnonzero(row != self.play.none)
            for d in range(2 if len(have) else 0):
                at[k, :, d] = np.interp(times[low:high], times[have], self.play.place[have, row[have], d])
        apart = np.linalg.norm(at[:, None] - at[None], axis=-1).min(2)
        return np.asarray(~(apart >= self.settings.reach_yd))
