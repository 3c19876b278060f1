"""From a finished simulation to what a camera sees: the ball, where people look, how they stand."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from models.training.playbook.outcome import Outcome, Scene
from models.training.playbook.play import STANCES

S = {name: i for i, name in enumerate(STANCES)}
Array = NDArray[np.float64]
BALL_REST = (0.0, 0.0, 0.1)


def snap_flight_s(scene: Scene, to: int) -> float:
    """Seconds the ball takes from the centre to the man who gets it."""
    depth = -scene.offense[to].depth
    return 0.13 if depth < 3 else depth / 13.5


def ball_path(s: Scene, t: Array, xy: Array, out: Outcome, facing: Array, getter: int) -> Array:
    """Ball (T, 3): depth, across, height. It starts to move one hundredth of a second before time 0.

    xy (T, N, 2) play frame, facing (T, N) there.
    """
    ball = np.tile(np.array(BALL_REST), (len(t), 1))
    lead = 0.01
    arrive = snap_flight_s(s, getter)

    def in_hands(i: int) -> Array:
        ahead = np.stack([np.cos(facing[:, i]), np.sin(facing[:, i])], -1) * 0.28
        return np.concatenate([xy[:, i] + ahead, np.full((len(t), 1), 1.15)], 1)

    times = [(arrive, getter)] + sorted(out.holder)
    for when, who in times:
        ball = np.where((t >= when)[:, None], in_hands(who), ball)
    fly = (t > -lead) & (t < arrive)
    f = ((t + lead) / (arrive + lead))[:, None]
    to = in_hands(getter)
    arc = np.array(BALL_REST) + f * (to - np.array(BALL_REST))
    arc[:, 2] += 0.5 * (f * (1 - f))[:, 0] * (arrive > 0.2)
    ball = np.where(fly[:, None], arc, ball)
    if not np.isnan(out.throw_s):
        ball = _thrown(t, ball, in_hands, out)
    for when, _ in out.down[:1]:
        ball[:, 2] = np.where(t > when, np.maximum(0.3, 1.15 - 2.5 * (t - when)), ball[:, 2])
    return ball


def _thrown(t: Array, ball: Array, in_hands: Callable[[int], Array], out: Outcome) -> Array:
    k = int(np.searchsorted(t, out.throw_s))
    if k >= len(t) or out.catch_at is None:
        return ball
    a = ball[k].copy()
    a[2] = 1.9
    b = np.array([*out.catch_at, 1.5 if out.caught else 1.0])
    d = out.arrive_s - out.throw_s
    f = ((t - out.throw_s) / d)[:, None]
    arc = a + f * (b - a)
    arc[:, 2] += 4.9 / 0.9144 * d * d * (f * (1 - f))[:, 0]
    fly = (t >= out.throw_s) & (t < out.arrive_s)
    ball = np.where(fly[:, None], arc, ball)
    late = t >= out.arrive_s
    if out.caught:
        return np.where(late[:, None], in_hands(out.target), ball)
    u = np.clip(t - out.arrive_s, 0, 0.8)[:, None]
    away = (b - a)[:2] / (np.hypot(*(b - a)[:2]) + 1e-6)
    drop = np.concatenate([b[:2] + away * 3.0 * u, np.maximum(0.1, 1.0 - 5 * u * u)], 1)
    return np.where(late[:, None], drop, ball)


def facings(
    s: Scene, t: Array, xy: Array, out: Outcome | None, engaged: NDArray[np.bool_], pair: NDArray[np.int64]
) -> Array:
    """Direction the bodies face (T, N) in the play frame: angle of (depth, across)."""
    n, hz = s.n_off, 1.0 / (t[1] - t[0])
    vel = np.gradient(xy, axis=0) * hz
    speed = np.hypot(vel[..., 0], vel[..., 1])
    home = np.zeros((xy.shape[1], 2))
    home[:n] = (1.0, 0.0)
    home[n:] = (-1.0, 0.0)
    look = np.tile(home, (len(t), 1, 1))
    for i, m in enumerate(s.men):
        if m.position in ("receiver", "corner", "slot_defender", "safety", "linebacker"):
            look[:, i, 1] = -np.clip(xy[:, i, 1], -9, 9) * (0.06 if i < n else 0.05)
    after = t >= 0
    if out is not None:
        look[after] = _look_after(s, xy[after], look[after], out, t[after])
    fast = np.clip((speed - 1.5) / 2.0, 0, 1)
    back = np.zeros(xy.shape[1], bool)
    back[n:] = True
    retreat = back & (vel[..., 0] > 0) & (speed < 5.2) & (t < 3.0)[:, None]
    fast = np.where(retreat, fast * 0.25, fast)
    for i in s.linemen():
        fast[:, i] *= np.where(t < 2.5, 0.15, 1.0)
    fast[:, s.passer] *= np.where((t > 0) & (t < 1.2), 0.55, 1.0)
    fast = np.where(engaged, 0.0, fast)
    unit = vel / (speed[..., None] + 1e-6)
    want = look / (np.linalg.norm(look, axis=-1, keepdims=True) + 1e-9) * (1 - fast[..., None]) + unit * fast[..., None]
    for i in np.flatnonzero(engaged.any(0) & (pair >= 0)).tolist():
        to = xy[:, pair[i]] - xy[:, i]
        to /= np.linalg.norm(to, axis=-1, keepdims=True) + 1e-9
        want[:, i] = np.where(engaged[:, i, None], to, want[:, i])
    return smooth_angles(want, 0.8)


def smooth_angles(want: Array, keep: float) -> Array:
    """Unit vectors (T, N, 2) low-passed in time, as angles."""
    zi = keep * want[:1]
    out, _ = lfilter([1 - keep], [1, -keep], want, axis=0, zi=zi)
    return np.arctan2(out[..., 1], out[..., 0])


def _look_after(s: Scene, xy: Array, look: Array, out: Outcome, t: Array) -> Array:
    """After the snap the defence looks at the passer, then everybody at the ball."""
    n = s.n_off
    to_passer = xy[:, s.passer, None, :] - xy[:, n:]
    look[:, n:] = to_passer
    if not np.isnan(out.arrive_s) and out.catch_at is not None:
        late = t > out.throw_s + 0.3
        look[late] = out.catch_at - xy[late]
        near = (t > out.throw_s - 0.7) & ~late
        look[near, s.passer] = out.catch_at - xy[near, s.passer]
    return look


def stances(s: Scene, t: Array, xy: Array, out: Outcome | None, engaged: NDArray[np.bool_],
            ready: dict[int, float], getter: int | None) -> NDArray[np.int8]:  # fmt: skip
    """Stance (T, N) as index into STANCES."""
    hz = 1.0 / (t[1] - t[0])
    vel = np.gradient(xy, axis=0) * hz
    speed = np.hypot(vel[..., 0], vel[..., 1])
    men = s.men
    set_s = np.array([ready.get(i, -99.0) for i in range(len(men))])
    base = np.array([S[m.stance] for m in men], np.int8)
    before = np.where(t[:, None] >= set_s, base, S["standing"])
    low = np.array(
        [m.position in ("center", "guard", "tackle") or m.stance in ("three_point", "four_point") for m in men]
    )
    rest = np.where(
        low & (t < 2.5)[:, None], S["crouched"], np.where((t < 2.0)[:, None], S["two_point"], S["standing"])
    )
    out_st = np.where((t <= 0)[:, None], before, rest).astype(np.int8)
    keeps = (t <= 0.12)[:, None] & (speed < 0.8) & (t >= 0)[:, None]
    out_st = np.where(keeps, base, out_st)
    out_st = np.where(speed > 0.8, S["moving"], out_st)
    out_st = np.where(engaged & (t > 0.1)[:, None], S["engaged"], out_st)
    if out is not None and getter is not None:
        _ball_men(s, t, out, out_st, speed, getter)
    return out_st.astype(np.int8)


def _ball_men(s: Scene, t: Array, out: Outcome, st: NDArray[np.int8], speed: Array, getter: int) -> None:
    p = getter
    hold = (t > 0.1) & (speed[:, p] < 1.0) & (np.isnan(out.throw_s) | (t < out.throw_s))
    st[hold, p] = S["shotgun"]
    if not np.isnan(out.throw_s):
        st[(t > out.throw_s - 0.3) & (t < out.throw_s + 0.25), p] = S["throwing"]
        st[(t > out.arrive_s - 0.35) & (t < out.arrive_s + 0.12), out.target] = S["catching"]
    for when, i in out.down:
        st[t > when, i] = S["down"]
