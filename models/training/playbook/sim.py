"""Moves people: targets, limited speed and acceleration, contact, and no two in one place.

Everything is in the play frame, yards and seconds: arrays (N, 2) of depth and across. Men are steered towards
a target each (a path of way points, or another man with an offset) with bounded acceleration. Blockers and
rushers in contact form pairs whose speed the rusher's drive sets.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

HOLD, PATH, FOLLOW = 0, 1, 2
MAX_POINTS = 8
CONTACT_YD = 1.25  # distance at which a blocker and his man are engaged
BODY_YD = 0.56  # nobody comes closer than this
BRAKE = 7.0  # yd/s2, men braking before they collide
PASS_YD = 0.75  # miss distance men aim for when they pass each other
AVOID_YD = 3.5  # how far they look
SOFT_YD = 1.05  # men not in contact start to give way here
NO_DRIVE = -1.0
VIRTUAL = 6  # slots for fixed points other men can be sent to
Event = tuple[float, Callable[["Sim"], None]]


class Sim:
    """State of N men and the plan of each. Fill the plan, then ``run``.

    kind (N,): HOLD, PATH or FOLLOW. PATH walks points (N, K, 2), slowing to cut (N, K) at each. FOLLOW goes to
    ``pts[ref] + gain * unit(pts[toward] - pts[ref]) + offset``, seeing ref as it was ``lag`` frames ago.
    speed, accel (N,) limits; start (N,) the second at which a man reacts. pair (N,) whom he blocks or is
    blocked by, -1 nobody; drive (N,) yd/s a blocked rusher still makes, NO_DRIVE for others.
    """

    def __init__(self, pos: NDArray[np.float64], vel: NDArray[np.float64], hz: float, steps: int, t0: float) -> None:
        n = len(pos)
        self.n, self.dt, self.steps, self.t0 = n, 1.0 / hz, steps, t0
        self.pos, self.vel = pos.astype(float).copy(), vel.astype(float).copy()
        self.kind = np.zeros(n, np.int8)
        self.points = np.repeat(pos[:, None, :], MAX_POINTS, 1)
        self.cut = np.full((n, MAX_POINTS), 4.0)
        self.last = np.zeros(n, np.int64)
        self.at = np.zeros(n, np.int64)
        self.ref = np.arange(n)
        self.toward = np.arange(n)
        self.gain = np.zeros(n)
        self.offset = np.zeros((n, 2))
        self.lag = np.zeros(n, np.int64)
        self.lead = np.full(n, 0.9)
        self.speed = np.full(n, 5.0)
        self.accel = np.full(n, 5.0)
        self.start = np.zeros(n)
        self.pair = np.full(n, -1)
        self.partner = np.full(n, -1)  # the last man he was paired with
        self.drive = np.full(n, NO_DRIVE)
        self.virtual = np.zeros((VIRTUAL, 2))
        self.hist = np.zeros((steps + 1, n + VIRTUAL, 2))
        self.engaged = np.zeros((steps + 1, n), bool)
        self.arange = np.arange(n)
        self.k = 0

    def path(self, i: int, points: list[tuple[float, float]], cut: float | list[float] = 4.0) -> None:
        """Send man i along way points (depth, across)."""
        pts = points[:MAX_POINTS]
        self.kind[i] = PATH
        self.points[i, : len(pts)] = pts
        self.points[i, len(pts) :] = pts[-1]
        self.cut[i, : len(pts)] = cut if isinstance(cut, float) else cut[: len(pts)]
        self.last[i], self.at[i] = len(pts) - 1, 0

    def follow(self, i: int, ref: int, *, toward: int | None = None, gain: float = 0.0,
               offset: tuple[float, float] = (0.0, 0.0), lag: int = 0, lead: float = 0.9) -> None:  # fmt: skip
        """Send man i to another man (or a virtual point n + j)."""
        self.kind[i] = FOLLOW
        self.ref[i], self.toward[i] = ref, ref if toward is None else toward
        self.gain[i], self.offset[i], self.lag[i], self.lead[i] = gain, offset, lag, lead

    def hold(self, i: int) -> None:
        """Let man i slow down and stay."""
        self.kind[i] = HOLD

    def point(self, j: int, at: tuple[float, float] | NDArray[np.float64]) -> int:
        """Set virtual point j and return its index for ``follow``."""
        self.virtual[j] = at
        self.hist[: self.k + 1, self.n + j] = at
        return self.n + j

    def engage(self, blocker: int, rusher: int, drive: float) -> None:
        """Pair a blocker and the man he blocks."""
        self.pair[blocker], self.pair[rusher] = rusher, blocker
        self.partner[blocker], self.partner[rusher] = rusher, blocker
        self.drive[rusher] = drive

    def release(self, i: int) -> None:
        """Undo the pair of man i."""
        j = self.pair[i]
        self.pair[i] = -1
        self.drive[i] = NO_DRIVE
        if j >= 0 and self.pair[j] == i:
            self.pair[j] = -1
            self.drive[j] = NO_DRIVE

    @property
    def t(self) -> float:
        return self.t0 + self.k * self.dt

    def run(
        self, events: list[Event], hook: Callable[[Sim], None] | None = None, every: int = 4
    ) -> NDArray[np.float64]:
        """Run all steps. events: (second, function) once each; hook: called every ``every`` steps.

        Returns positions (steps + 1, N, 2).
        """
        events = sorted(events, key=lambda e: e[0])
        self.hist[0, : self.n] = self.pos
        for _ in range(self.steps):
            while events and events[0][0] <= self.t + 1e-9:
                events.pop(0)[1](self)
            if hook is not None and self.k % every == 0:
                hook(self)
            self._step()
        return self.hist[:, : self.n].copy()

    def _targets(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
        k = self.k
        path = self.kind == PATH
        tgt = self.points[self.arange, self.at]
        delta = tgt - self.pos
        d2 = np.einsum("ij,ij->i", delta, delta)
        step = path & (self.at < self.last) & (d2 < 0.5)
        if step.any():
            self.at += step
            tgt = self.points[self.arange, self.at]
        follow = self.kind == FOLLOW
        final = ~path | (self.at >= self.last)
        past = np.maximum(k - self.lag, 0)
        pts = self.hist[past, self.ref]
        to = self.hist[k, self.toward] - pts
        length = np.sqrt(np.einsum("ij,ij->i", to, to)) + 1e-9
        aim = pts + to * (self.gain / length)[:, None] + self.offset
        tgt = np.where(follow[:, None], aim, tgt)
        tgt = np.where((self.kind == HOLD)[:, None], self.pos, tgt)
        moved = (pts - self.hist[np.maximum(past - 1, 0), self.ref]) / self.dt
        ahead = np.where(follow[:, None], moved * self.lead[:, None], 0.0)
        return tgt, ahead, final

    def _step(self) -> None:
        tgt, ahead, final = self._targets()
        delta = tgt - self.pos
        dist = np.sqrt(np.einsum("ij,ij->i", delta, delta)) + 1e-9
        cut = np.where(final, 0.0, self.cut[self.arange, self.at])
        brake = np.where(final, 3.2, 4.5)
        near = np.sqrt(cut * cut + 2 * brake * np.maximum(dist - 0.05, 0.0))
        want = delta * (np.minimum(np.minimum(self.speed, near), np.maximum(dist / 0.25, cut)) / dist)[:, None] + ahead
        limit, contact = self._contact()
        size = np.sqrt(np.einsum("ij,ij->i", want, want)) + 1e-9
        want *= np.minimum(1.0, limit / size)[:, None]
        want[self.t < self.start] = 0.0
        want += self._give_way(contact)
        acc = (want - self.vel) / 0.13
        size = np.sqrt(np.einsum("ij,ij->i", acc, acc)) + 1e-9
        acc *= np.minimum(1.0, self.accel / size)[:, None]
        if self.k % 2 == 0:
            self.avoid = self._avoid()
            size = np.sqrt(np.einsum("ij,ij->i", self.avoid, self.avoid)) + 1e-9
            self.avoid *= np.minimum(1.0, BRAKE / size)[:, None]
            self.yield_share = (1 - np.minimum(size / BRAKE, 1.0))[:, None]
        acc = acc * self.yield_share + self.avoid
        self.vel += acc * self.dt
        self.pos += self.vel * self.dt
        self.k += 1
        self.hist[self.k, : self.n] = self.pos
        self.hist[self.k, self.n :] = self.virtual
        self.engaged[self.k] = contact

    def _contact(self) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
        """Speed limits with contact, and who is in contact."""
        other = np.maximum(self.pair, 0)
        gap = self.pos - self.pos[other]
        contact = (self.pair >= 0) & (np.einsum("ij,ij->i", gap, gap) < CONTACT_YD**2)
        drive = np.where(self.drive < 0, np.maximum(self.drive[other], 0.8) + 1.2, self.drive)
        return np.where(contact, np.minimum(drive, self.speed), self.speed), contact

    def _give_way(self, contact: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Extra wanted velocity (N, 2) away from men who are too close, sideways to the way one goes."""
        d = self.pos[:, None, :] - self.pos[None, :, :]
        self.gaps = d
        d2 = np.einsum("ijk,ijk->ij", d, d)
        self.d2 = d2
        np.fill_diagonal(d2, 99.0)
        i, j = np.nonzero(d2 < SOFT_YD**2)
        if len(i) == 0:
            return np.zeros((self.n, 2))
        dist = np.sqrt(d2[i, j])
        mates = (self.pair[i] == j) | self._hunts(i, j)
        r = np.where(mates, 0.78, SOFT_YD)
        push = np.clip((r - dist) / (r - 0.45), 0, 1) * 3.0
        unit = d[i, j] / (dist[:, None] + 1e-6)
        side = np.stack([-unit[:, 1], unit[:, 0]], 1)
        turn = np.sign(np.einsum("ij,ij->i", side, self.vel[i]) + 1e-3)
        force = push[:, None] * (unit + np.where(mates, 0.0, 0.7 * turn)[:, None] * side)
        out = np.zeros((self.n, 2))
        np.add.at(out, i, force)
        return out

    def _hunts(self, i: NDArray[np.int64], j: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Pairs of which one man goes for the other: they are meant to meet."""
        target = np.where((self.kind == FOLLOW) & (self.gain == 0), self.ref, -1)
        return np.asarray((target[i] == j) | (target[j] == i))

    def _avoid(self) -> NDArray[np.float64]:
        """Accelerations (N, 2) that keep men from running into each other: aside early, braking late."""
        i, j = np.nonzero(self.d2 < AVOID_YD**2)
        keep = i < j
        i, j = i[keep], j[keep]
        d, w = self.pos[i] - self.pos[j], self.vel[i] - self.vel[j]
        toward = -np.einsum("ij,ij->i", d, w)
        w2 = np.einsum("ij,ij->i", w, w) + 1e-6
        dist = np.sqrt(self.d2[i, j])
        use = (toward > 0) & ((toward < w2) | (dist < 1.2))
        out = np.zeros((self.n, 2))
        if not use.any():
            return out
        i, j, d, w, w2, dist, toward = i[use], j[use], d[use], w[use], w2[use], dist[use], toward[use]
        tau = np.minimum(toward / w2, 1.0)
        speed = np.sqrt(w2)
        perp = np.stack([-w[:, 1], w[:, 0]], 1) / speed[:, None]
        miss = np.einsum("ij,ij->i", d, perp)
        need = np.maximum(PASS_YD - np.abs(miss), 0.0) * ((self.pair[i] != j) & ~self._hunts(i, j))
        side = np.where(miss >= 0, 1.0, -1.0) * need / np.maximum(tau, 0.15) ** 2
        unit = d / (dist + 1e-6)[:, None]
        closing = toward / (dist + 1e-6)
        room = dist - BODY_YD
        hit = np.abs(miss) < BODY_YD
        stop = np.where(hit, closing**2 / (2 * np.maximum(room, 0.06)), 0.0)
        brake = np.where(stop > 6.0, np.minimum(stop, 14.0), 0.0) / 2
        force = perp * side[:, None] + unit * brake[:, None]
        np.add.at(out, i, force)
        np.add.at(out, j, -force)
        return out


def separate(xy: NDArray[np.float64], least: float = 0.5) -> NDArray[np.float64]:
    """Push apart whoever is closer than ``least`` at any moment, smoothly in time.

    xy (T, N, 2). Returns a corrected copy. Pushes are spread over neighbouring frames so that speeds stay human.
    """
    from scipy.ndimage import gaussian_filter1d

    out = xy.copy()
    n = xy.shape[1]
    i, j = np.triu_indices(n, 1)
    lo, hi = out.min(0), out.max(0)
    maybe = ((lo[i] - hi[j] < least) & (lo[j] - hi[i] < least)).all(1)
    i, j = i[maybe], j[maybe]
    for spread in (6.0, 5.0, 4.0, 3.0, 2.0):
        d = out[:, i] - out[:, j]
        d2 = np.einsum("tpk,tpk->tp", d, d)
        t, p = np.nonzero(d2 < least**2)
        if len(t) == 0:
            break
        total = np.zeros_like(out)
        push = _aside(out, d[t, p], t, i[p], j[p], least)
        np.add.at(total, (t, i[p]), push)
        np.add.at(total, (t, j[p]), -push)
        men = np.unique(np.concatenate([i[p], j[p]]))
        soft = gaussian_filter1d(total[:, men], spread, axis=0)
        peak = np.abs(total[:, men]).max((0, 2)) / (np.abs(soft).max((0, 2)) + 1e-9)
        out[:, men] += soft * np.minimum(peak, 4.0)[None, :, None]
    return out


def _aside(
    xy: NDArray[np.float64], d: NDArray[np.float64], t: NDArray[np.int64], i: NDArray[np.int64], j: NDArray[np.int64],
    least: float,
) -> NDArray[np.float64]:  # fmt: skip
    """Half pushes (K, 2) for overlapping pairs: across the way they pass each other, else straight apart."""
    before, after = np.maximum(t - 1, 0), np.minimum(t + 1, len(xy) - 1)
    w = (xy[after, i] - xy[after, j]) - (xy[before, i] - xy[before, j])
    speed = np.linalg.norm(w, axis=1)
    perp = np.stack([-w[:, 1], w[:, 0]], 1) / (speed + 1e-9)[:, None]
    miss = np.einsum("ij,ij->i", d, perp)
    dist = np.linalg.norm(d, axis=1)
    passing = speed > 0.08
    along = np.where(miss >= 0, 1.0, -1.0)[:, None] * perp
    unit = np.where(passing[:, None], along, d / (dist + 1e-6)[:, None])
    have = np.where(passing, np.abs(miss), dist)
    return np.asarray(unit * ((least + 0.03 - np.minimum(have, least)) / 2)[:, None])


def settle_in_time(xy: NDArray[np.float64], frames: float = 1.3) -> NDArray[np.float64]:
    """Low-pass positions (T, N, 2) by a Gaussian of ``frames``: joints of movements become human."""
    from scipy.ndimage import gaussian_filter1d

    pad = np.arange(1, 9)[:, None, None]
    first = xy[:1] - pad[::-1] * (xy[1:2] - xy[:1])
    last = xy[-1:] + pad * (xy[-1:] - xy[-2:-1])
    return np.asarray(gaussian_filter1d(np.concatenate([first, xy, last]), frames, axis=0)[8:-8])
