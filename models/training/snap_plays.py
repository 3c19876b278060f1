"""What else happens on coach film than a snap: plays rewritten for training and testing the snap finder.

``quiet`` makes clips in which no ball is snapped though men move: flags before the snap, shifts of everybody,
huddles that break, time-outs, units that change, the way back after the whistle. ``prelude`` puts such a thing
before a real snap and ``tail`` the walk back behind it. All of it works on finished plays
(``models.training.playbook``), on positions, facings and stances alone. What teams do between snaps is common
practice, no source; speeds: walking 1.3 to 2.2 yd/s, jogging 2.5 to 4.5.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.play import STANCES, Play
from models.training.snap_film import snaps_s

Array = NDArray[np.float64]
S = {name: i for i, name in enumerate(STANCES)}
LINE = ("center", "guard", "tackle", "tight_end")
FRONT = ("edge", "tackle_inside", "linebacker")
ACCEL = 4.5  # yd/s2 of a man who starts to walk or jog


class Story:
    """Appends segments of movement after a pose of a play. Arrays are (P, ...) over its people."""

    def __init__(self, play: Play, k: int, rng: np.random.Generator) -> None:
        self.play, self.rng, self.hz = play, rng, play.hz
        self.xy, self.face = play.xy_yd[k].copy(), play.facing_rad[k].copy()
        self.pose, self.ball = play.stance[k].copy(), play.ball_xyz_yd[k].copy()
        self.start = self.xy.copy()
        self.parts: list[tuple[Array, Array, NDArray[np.int8], Array]] = []
        role = np.array([p.role for p in play.people])
        position = np.array([p.position for p in play.people])
        self.player = role == "player"
        self.offense = self.player & np.array([p.side == "offense" for p in play.people])
        self.defense = self.player & ~self.offense
        self.line = self.offense & np.isin(position, LINE)
        self.front = self.defense & np.isin(position, FRONT)
        self.passer = self.offense & (position == "passer")

    @property
    def count(self) -> int:
        return len(self.xy)

    @property
    def seconds(self) -> float:
        return sum(len(p[0]) for p in self.parts) / self.hz

    def some(self, mask: NDArray[np.bool_], low: int, high: int) -> NDArray[np.int64]:
        """Between low and high (inside) men of a mask, at random."""
        who = self.rng.permutation(np.flatnonzero(mask))
        return who[: int(self.rng.integers(low, high + 1))]

    def ahead(self) -> Array:
        """(2,) unit vector the offence attacks along."""
        return np.array([float(self.play.direction), 0.0])

    def move(
        self, seconds: float, goal: Array | None = None, begin: Array | float = 0.0, speed: Array | float = 1.8,
        pose: NDArray[np.int8] | int | None = None, face: Array | None = None, offset: Array | None = None,
        postures: NDArray[np.int8] | None = None, settle_s: float = 0.25,
    ) -> Story:  # fmt: skip
        """Everybody walks straight to his goal from ``begin`` on (s) at ``speed``; who has one, turns to ``face``
        and takes ``pose`` when there. offset (n, P, 2): added to the places; postures (n, P): overrule, -1 not."""
        n = max(2, round(seconds * self.hz))
        t = np.arange(1, n + 1)[:, None] / self.hz
        goal = self.xy if goal is None else goal
        begin, speed = np.broadcast_to(begin, (self.count,)), np.broadcast_to(speed, (self.count,))
        way = goal - self.xy
        length = np.linalg.norm(way, axis=1)
        top = np.maximum(np.minimum(speed, np.sqrt(ACCEL * np.maximum(length, 1e-9))), 1e-3)
        rise = top / ACCEL
        total = rise + length / top
        u = np.clip(t - begin, 0, total)
        gone = np.where(
            u < rise, ACCEL * u**2 / 2,
            np.where(u < total - rise, top * (u - rise / 2), length - ACCEL * (total - u) ** 2 / 2),
        )  # fmt: skip
        path = self.xy + way * (gone / np.maximum(length, 1e-9))[..., None]
        if offset is not None:
            path = path + offset
        walks = (length > 0.3) & (t > begin) & (t < begin + total)
        there = t >= begin + np.where(length > 0.3, total, 0.0) + settle_s * self.rng.uniform(0.2, 1.5, self.count)
        heading = np.where(length > 0.3, np.arctan2(way[:, 1], way[:, 0]), self.face)
        turn = np.where(walks | ((length > 0.3) & (t >= begin + total)), heading, self.face)
        turn = turn if face is None else np.where(there, face, turn)
        stand = np.broadcast_to(self.pose, (n, self.count))
        stand = np.where(walks, S["moving"], stand)
        stand = np.where((length > 0.3) & (t >= begin + total), S["standing"], stand)
        if pose is not None:
            final = np.broadcast_to(np.asarray(pose), (self.count,))
            stand = np.where(there & (final >= 0), final, stand)
        if postures is not None:
            stand = np.where(postures >= 0, postures, stand)
        stand = stand.astype(np.int8)
        self.parts.append((path, turn, stand, np.tile(self.ball, (n, 1))))
        self.xy, self.face, self.pose = path[-1].copy(), turn[-1].copy(), stand[-1].copy()
        return self

    def bump(self, seconds: float, who: NDArray[np.int64], by: Array, at: float, out_s: float, back_s: float) -> Array:
        """(n, P, 2) offsets: some men go by (K, 2) yards and come back."""
        n = max(2, round(seconds * self.hz))
        t = np.arange(1, n + 1) / self.hz
        out = np.zeros((n, self.count, 2))
        for i, step in zip(who, by, strict=True):
            out_s = max(out_s, float(np.linalg.norm(step)) / 5.0)  # smooth steps peak at 1.5 times their mean
            begin = at + self.rng.uniform(0, 0.12)
            there = np.clip((t - begin) / out_s, 0, 1) - np.clip((t - begin - out_s - 0.15) / back_s, 0, 1)
            out[:, i] = (there * there * (3 - 2 * there))[:, None] * step
        return out

    def posture(self, seconds: float, who: NDArray[np.int64], at: float, until: float, code: int) -> NDArray[np.int8]:
        """(n, P) stances of some men for a while, -1 elsewhere; each begins and ends a little off."""
        n = max(2, round(seconds * self.hz))
        t = np.arange(1, n + 1)[:, None] / self.hz
        out = np.full((n, self.count), -1, np.int8)
        begin = at + self.rng.uniform(0, 0.2, len(who))
        end = until + self.rng.uniform(-0.1, 0.6, len(who))
        out[:, who] = np.where((t > begin) & (t < end), code, -1)
        return out

    def play_of(self, after: Play | None = None, k: int = 0, before: Play | None = None, until: int = 0) -> Play:
        """The story as a play without a snap of its own; after: goes on with that play from moment k, before: starts
        with that play up to moment ``until``. Snaps of both are kept in extra['snaps_s']."""
        blocks = [
            (b.xy_yd[part], b.facing_rad[part], b.stance[part], b.ball_xyz_yd[part])
            for b, part in ((before, slice(0, until + 1)),) if b is not None
        ] + self.parts  # fmt: skip
        lead = sum(len(b[0]) for b in blocks) / self.hz
        snaps = [] if before is None else [s - before.time_s[0] for s in snaps_s(before)]
        if after is not None:
            blocks.append((after.xy_yd[k:], after.facing_rad[k:], after.stance[k:], after.ball_xyz_yd[k:]))
            snaps += [s - after.time_s[k] + lead for s in snaps_s(after) if s >= after.time_s[k]]
        xy, face, stance, ball = (np.concatenate(parts) for parts in zip(*blocks, strict=True))
        xy = xy + _sway(self.rng, xy, stance)
        zero = snaps[0] if snaps else len(xy) / self.hz  # cameras that follow the ball start to at 0
        return replace(
            self.play, time_s=np.arange(len(xy)) / self.hz - zero, snap_index=None, xy_yd=xy, facing_rad=face,
            stance=stance.astype(np.int8), ball_xyz_yd=ball, labels={}, extra={"snaps_s": [s - zero for s in snaps]},
        )  # fmt: skip


def _sway(rng: np.random.Generator, xy: Array, stance: NDArray[np.int8]) -> Array:
    """Slow sway, a little only: what the playbook adds to a play is in its positions already."""
    t = np.arange(len(xy))[:, None, None] / 30
    rate, phase = rng.uniform(0.5, 2.0, (2, 1, xy.shape[1], 2)), rng.uniform(0, 6.3, (2, 1, xy.shape[1], 2))
    wave = np.sin(rate[0] * t + phase[0]) + np.sin(rate[1] * t + phase[1])
    calm = np.where(stance == S["standing"], 0.02, 0.006)[..., None]
    return np.asarray(calm * wave)


# Things that happen, on a running story.


def shift(s: Story) -> None:
    """The offence, or its line alone, rises and moves along the line or up to it, and is set again."""
    rng = s.rng
    who = np.flatnonzero(s.offense) if rng.random() < 0.5 else s.some(s.offense, 3, 7)
    if rng.random() < 0.4:
        who = np.flatnonzero(s.line)
    goal = s.xy.copy()
    goal[who] += np.array([0.0, rng.choice([-1, 1]) * rng.uniform(0.8, 4.0)]) * rng.uniform(0.5, 1.2, (len(who), 1))
    goal[who, 0] += rng.normal(0, 0.5, len(who)) - 0.3 * s.play.direction
    begin = np.full(s.count, 99.0)
    begin[who] = rng.uniform(0.1, 0.5) + np.abs(rng.normal(0, 0.12, len(who)))
    react = s.some(s.defense, 2, 7)
    goal[react] += np.array([0.0, np.sign(float((goal - s.xy)[who, 1].sum()) or 1.0)]) * rng.uniform(0.3, 2.5)
    begin[react] = 0.5 + rng.uniform(0, 0.8, len(react))
    back = s.xy.copy()
    pose, face = s.pose.copy(), s.face.copy()
    speed = rng.uniform(1.8, 4.0)
    s.move(rng.uniform(2.0, 3.2), goal, begin, speed, pose, face)
    if rng.random() < 0.5:
        s.move(rng.uniform(1.8, 3.0), back, begin * rng.uniform(0.5, 1.0), speed, pose, face)


def look_over(s: Story) -> None:
    """Everybody rises at once to look for a call, the passer steps about, and they get down again."""
    rng = s.rng
    n = rng.uniform(2.0, 4.0)
    who = np.flatnonzero(s.offense) if rng.random() < 0.7 else np.flatnonzero(s.line)
    up = s.posture(n, who, 0.2, n - 0.7, S["standing"])
    also = s.some(s.front, 0, 6)
    up = np.maximum(up, s.posture(n, also, 0.6, n - 0.5, S["two_point"]))
    goal = s.xy.copy()
    goal[s.passer] += rng.normal(0, 0.8, 2)
    s.move(n, goal, 0.6, 1.5, s.pose.copy(), s.face.copy(), postures=up)


def flinch(s: Story) -> None:
    """A hard count: men of the line twitch, a few of the front step up and back."""
    rng = s.rng
    n = rng.uniform(0.8, 1.6)
    who = s.some(s.line, 1, 7)
    up = s.posture(n, who, 0.1, rng.uniform(0.15, 0.5), S["crouched"])
    front = s.some(s.front, 0, 4)
    offset = s.bump(n, front, -s.ahead() * rng.uniform(0.2, 0.8, (len(front), 1)), 0.15, 0.2, 0.5)
    s.move(n, offset=offset, postures=up)


def encroach(s: Story) -> None:
    """One to three of the front jump across the line and get back before the ball is snapped."""
    rng = s.rng
    n = rng.uniform(1.8, 2.8)
    who = s.some(s.front, 1, 3)
    offset = s.bump(n, who, -s.ahead() * rng.uniform(0.8, 2.2, (len(who), 1)), 0.1, rng.uniform(0.25, 0.45), 1.0)
    up = np.maximum(
        s.posture(n, s.some(s.line, 0, 3), 0.25, 0.9, S["two_point"]), s.posture(n, who, 0.1, n, S["moving"])
    )
    s.move(n, offset=offset, postures=up)


PRELUDES: dict[str, Callable[[Story], None]] = {
    "shift": shift, "look_over": look_over, "flinch": flinch, "encroach": encroach,
}  # fmt: skip


def dead_ball(s: Story) -> None:
    """A foul before the snap: one man or a few start, others react, the whistle blows and all rise and walk."""
    rng = s.rng
    early = rng.random() < 0.5
    first = s.some(s.line if early else s.front, 1, 3)
    way = s.ahead() * (1 if early else -1)
    n = rng.uniform(1.2, 2.0)
    goal = s.xy.copy()
    goal[first] += way * rng.uniform(0.5, 3.0, (len(first), 1))
    begin = np.full(s.count, 99.0)
    begin[first] = rng.uniform(0.05, 0.2, len(first))
    more = s.some(s.player, 0, 9)
    goal[more] += np.where(s.offense[more], 1, -1)[:, None] * s.ahead() * rng.uniform(0.3, 1.2, (len(more), 1))
    begin[more] = np.minimum(begin[more], rng.uniform(0.15, 0.6, len(more)))
    up = s.posture(n, np.flatnonzero(s.player), 0.6, 99, S["standing"])
    s.move(n, goal, begin, rng.uniform(2.5, 5.5), postures=up)
    stroll(s, rng.uniform(1.5, 5.0))


def stroll(s: Story, seconds: float, speed: tuple[float, float] = (1.0, 2.2)) -> None:
    """Everybody walks a few yards his own way, more or less at once; the sides away from each other."""
    rng = s.rng
    back = np.where(s.offense, -1, 1)[:, None] * s.ahead()
    goal = s.xy + back * rng.uniform(0, 5, (s.count, 1)) + rng.normal(0, 2.0, (s.count, 2))
    goal[~s.player] = s.xy[~s.player] + rng.normal(0, 1.0, (int((~s.player).sum()), 2))
    spread = rng.choice([0.2, 0.6, 1.5])
    begin = 0.2 + np.abs(rng.normal(0, spread, s.count))
    s.move(seconds, goal, begin, rng.uniform(*speed, s.count), S["standing"])


def stand_up(s: Story) -> None:
    """The whole offence rises at once and goes; the defence follows at once or a little later."""
    rng = s.rng
    n = rng.uniform(0.3, 1.0)
    up = s.posture(n, np.flatnonzero(s.offense), 0.05, 99, S["standing"])
    s.move(n, postures=np.maximum(up, s.posture(n, s.some(s.defense, 0, 11), 0.2, 99, S["standing"])))
    stroll(s, rng.uniform(2.0, 6.0), (1.2, 3.2))


def leave(s: Story) -> None:
    """Time-out or change of units: everybody or one side goes to a sideline at a walk or a jog."""
    rng = s.rng
    width = 2 * float(np.median(s.play.ball_xyz_yd[:, 1]))
    who = rng.choice([0, 1, 2])
    side = rng.choice([-1.0, 1.0], 2)
    goal = s.xy.copy()
    for team, mask in enumerate((s.offense, s.defense)):
        if who in (team, 2):
            edge = -2.0 if side[team] < 0 else max(width, 54.0)
            goal[mask, 1] = edge
            goal[mask, 0] += rng.normal(0, 4, int(mask.sum()))
    begin = 0.2 + np.abs(rng.normal(0, rng.choice([0.1, 0.3, 1.0]), s.count))
    s.move(
        rng.uniform(3.0, 6.0), goal, begin, rng.uniform(*((1.2, 2.2) if rng.random() < 0.5 else (2.5, 4.5)), s.count)
    )


def huddle_break(s: Story) -> None:
    """From a huddle to the places of the formation, all at once, at a walk or a jog; then they get set."""
    rng = s.rng
    places, pose, face = s.xy.copy(), s.pose.copy(), s.face.copy()
    middle = np.array([s.play.line_of_scrimmage_yd, s.play.ball_y_yd])
    for mask, depth in ((s.offense, -rng.uniform(6, 9)), (s.defense, rng.uniform(4, 8))):
        n = int(mask.sum())
        angle = np.linspace(0, 2 * np.pi, n, endpoint=False) + rng.normal(0, 0.1, n)
        ring = np.stack([np.cos(angle), np.sin(angle)], 1) * rng.uniform(1.6, 2.6)
        if mask is s.offense or rng.random() < 0.5:
            s.xy[mask] = middle + s.ahead() * depth + ring
            s.face[mask] = angle + np.pi
            s.pose[mask] = S["standing"]
    s.start = s.xy.copy()
    s.move(rng.uniform(0.8, 3.5))
    begin = 0.1 + np.abs(rng.normal(0, rng.choice([0.1, 0.4]), s.count))
    begin[s.defense] += rng.uniform(0, 1.0)
    length = float(np.linalg.norm(places - s.xy, axis=1)[s.offense].max())
    speed = rng.uniform(1.8, 4.2)
    s.move(min(length / speed + 2.0, 9.0), places, begin, speed, pose, face, settle_s=0.8)
    s.move(rng.uniform(0.2, 2.0))


def walk_back(s: Story) -> None:
    """After the whistle: men slow down, get up and walk or jog back to a huddle."""
    rng = s.rng
    middle = np.array([s.play.line_of_scrimmage_yd, s.play.ball_y_yd]) + s.ahead() * rng.uniform(-3, 8)
    goal = s.xy.copy()
    for mask, depth in ((s.offense, -rng.uniform(5, 9)), (s.defense, rng.uniform(3, 9))):
        goal[mask] = middle + s.ahead() * depth + rng.normal(0, 2.0, (int(mask.sum()), 2))
    spread = rng.choice([0.2, 0.6, 1.5])
    begin = rng.uniform(0, 1.5) + np.abs(rng.normal(0, spread, s.count))
    n = rng.uniform(3.0, 7.0)
    s.move(n, goal, begin, rng.uniform(1.2, 3.4, s.count), S["standing"])


def idle(s: Story) -> None:
    """Long wait: a few change their stance or place now and then."""
    rng = s.rng
    for _ in range(int(rng.integers(2, 5))):
        n = rng.uniform(1.0, 2.2)
        who = s.some(s.player, 0, 4)
        goal = s.xy.copy()
        goal[who] += rng.normal(0, 1.0, (len(who), 2))
        up = s.posture(n, s.some(s.player, 0, 3), 0.2, rng.uniform(0.5, n), S["two_point"])
        s.move(n, goal, rng.uniform(0, 0.6, s.count), rng.uniform(1, 2.5), s.pose.copy(), s.face.copy(), postures=up)


QUIET: dict[str, tuple[Callable[[Story], None], float]] = {
    "stand_up": (stand_up, 0.17), "dead_ball": (dead_ball, 0.15), "leave": (leave, 0.12),
    "huddle_break": (huddle_break, 0.14), "walk_back": (walk_back, 0.12), "shift": (shift, 0.1),
    "look_over": (look_over, 0.08), "encroach": (encroach, 0.05), "flinch": (flinch, 0.03), "idle": (idle, 0.04),
}  # fmt: skip
STILL_S = (0.6, 3.5)  # how long everybody waits before it happens


def quiet(play: Play, rng: np.random.Generator, kind: str = "") -> tuple[Play, str]:
    """A clip without a snap made from a scrimmage play, and its kind; kind: one of QUIET, drawn where ''."""
    names = list(QUIET)
    share = np.array([QUIET[n][1] for n in names])
    kind = kind or str(rng.choice(names, p=share / share.sum()))
    at = play.snap_index or 0
    story = Story(play, len(play.time_s) - 1 if kind == "walk_back" else at, rng)
    if kind not in ("huddle_break", "walk_back"):
        story.move(rng.uniform(*STILL_S))
        if kind != "idle" and rng.random() < 0.15:
            PRELUDES[str(rng.choice(list(PRELUDES)))](story)
            story.move(rng.uniform(0.4, 1.5))
    QUIET[kind][0](story)
    if kind not in ("leave", "stand_up", "walk_back", "dead_ball"):
        story.move(rng.uniform(0.3, 2.0))
    return story.play_of(), kind


def prelude(play: Play, rng: np.random.Generator, kind: str = "") -> Play:
    """The play with one to two of PRELUDES before it; snaps in extra['snaps_s']."""
    at = int(max(0, (play.snap_index or 0) - rng.uniform(0.5, 2.2) * play.hz))
    story = Story(play, at, rng)
    story.move(rng.uniform(0.4, 2.0))
    for _ in range(1 if rng.random() < 0.75 else 2):
        PRELUDES[kind or str(rng.choice(list(PRELUDES)))](story)
        story.move(rng.uniform(0.3, 1.2))
    pose, face = play.stance[at], play.facing_rad[at]
    away = float(np.linalg.norm(play.xy_yd[at] - story.xy, axis=1).max())
    story.move(away / 2.2 + rng.uniform(0.8, 2.0), play.xy_yd[at], 0.0, 2.2, pose, face)
    return story.play_of(play, at)


def tail(play: Play, rng: np.random.Generator) -> Play:
    """The play and the way back after it; snaps in extra['snaps_s']."""
    story = Story(play, len(play.time_s) - 1, rng)
    walk_back(story)
    return story.play_of(before=play, until=len(play.time_s) - 1)


def wait(play: Play, rng: np.random.Generator) -> Play:
    """The play after 5 to 14 s in which little happens; snaps in extra['snaps_s']."""
    at = int(max(0, (play.snap_index or 0) - rng.uniform(0.5, 2.2) * play.hz))
    story, length = Story(play, at, rng), rng.uniform(5.0, 14.0)
    while story.seconds < length:
        if rng.random() < 0.5:
            idle(story)
        story.move(rng.uniform(0.5, 3.0))
    away = float(np.linalg.norm(play.xy_yd[at] - story.xy, axis=1).max())
    story.move(away / 2.2 + rng.uniform(0.8, 2.0), play.xy_yd[at], 0.0, 2.2, play.stance[at], play.facing_rad[at])
    return story.play_of(play, at)
