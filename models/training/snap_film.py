"""Small, quick grey film of plays for training and testing the snap finder: stick people on a textured plane.

Far cheaper than the renderer of models/training/film (milliseconds a frame): only motion matters here.
Truth is the play's own snap. Frames come as (H, W) uint8, the size the motion stage works on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.playbook.play import STANCES, Play
from pipeline.camera import Camera
from pipeline.field import Field, load

Array = NDArray[np.float64]
PX_PER_YD = 12.0  # of the ground picture
MARGIN_YD = 30.0  # around the field
JOINTS = ("head", "neck", "hip", "knee_l", "knee_r", "foot_l", "foot_r", "hand_l", "hand_r")
BONES = ((1, 2, 0.36), (2, 3, 0.2), (2, 4, 0.2), (3, 5, 0.16), (4, 6, 0.16), (1, 7, 0.14), (1, 8, 0.14))


def _pose(
    head: tuple[float, float], neck: float, hip: float, crouch: float, hands: tuple[float, float]
) -> Array:
    """(9, 3) joints as right, forward, up, yards, for a 2-yard person."""
    f, z = head
    return np.array([
        (0, f, z), (0, neck, z - 0.3), (0, hip, 1.0 - 0.2 * crouch), (-0.2, 0.15 * crouch, 0.5),
        (0.2, 0.15 * crouch, 0.5), (-0.22, hip - 0.1, 0.0), (0.22, hip - 0.1, 0.0),
        (-0.3, *hands), (0.3, *hands),
    ])  # fmt: skip


POSES = {
    "standing": _pose((0.0, 1.85), 0.0, 0.0, 0.0, (0.1, 0.9)),
    "two_point": _pose((0.35, 1.5), 0.2, -0.15, 1.0, (0.4, 0.7)),
    "three_point": _pose((0.75, 1.05), 0.5, -0.2, 1.2, (0.6, 0.15)),
    "four_point": _pose((0.85, 0.9), 0.6, -0.2, 1.4, (0.75, 0.05)),
    "under_center": _pose((0.25, 1.65), 0.12, -0.1, 0.7, (0.45, 0.75)),
    "shotgun": _pose((0.15, 1.7), 0.08, -0.08, 0.6, (0.4, 1.0)),
    "crouched": _pose((0.35, 1.4), 0.2, -0.2, 1.2, (0.4, 0.6)),
    "moving": _pose((0.3, 1.7), 0.18, 0.0, 0.3, (0.3, 1.1)),
    "engaged": _pose((0.4, 1.55), 0.25, -0.15, 0.8, (0.75, 1.25)),
    "throwing": _pose((0.1, 1.8), 0.05, 0.0, 0.3, (0.1, 1.9)),
    "catching": _pose((0.1, 1.85), 0.05, 0.0, 0.2, (0.5, 1.7)),
    "down": _pose((0.9, 0.4), 0.5, 0.0, 4.0, (0.7, 0.2)),
    "kicking": _pose((-0.1, 1.75), 0.0, 0.1, 0.3, (0.3, 1.2)),
    "arms_out": _pose((0.0, 1.85), 0.0, 0.0, 0.0, (0.0, 1.9)),
}
POSE_TABLE = np.stack([POSES[s] for s in STANCES])


@dataclass(frozen=True)
class QuickLook:
    """How a quick film looks: first camera, how it moves, light and noise."""

    width_px: int
    height_px: int
    camera: Camera
    lag_s: float  # camera follows the play this late
    follow: float  # share of the ball's motion the pan takes part in
    zoom_rate: float  # per second once it follows
    shake_px: float
    early_pan_deg_s: float  # camera still moving before the snap
    noise: float
    contrast: float
    view: str
    sweeps: tuple[tuple[float, float, float, float], ...] = ()  # (from s, to s, px to pan, zoom): not the ball's doing


def snaps_s(play: Play) -> list[float]:
    """Seconds of the play's clock at which the ball is snapped: none, one, or several for joined plays."""
    if "snaps_s" in play.extra:
        return list(play.extra["snaps_s"])
    return [] if play.snap_index is None else [float(play.time_s[play.snap_index])]


def join(plays: list[Play], rng: np.random.Generator) -> Play:
    """One long film without cuts: after each play everybody walks to where the next one starts.

    The plays must be of one level; people are matched by their order, spare ones left out.
    """
    hz, count = plays[0].hz, min(len(p.people) for p in plays)
    xy, facing, stance, ball, snaps = [], [], [], [], []
    for k, play in enumerate(plays):
        if k:
            parts = _walk(xy[-1][-1], facing[-1][-1], play, count, hz, rng)
            for store, part in zip((xy, facing, stance), parts, strict=True):
                store.append(part)
            carried = np.clip(np.arange(len(parts[0])) / hz / rng.uniform(3, 6), 0, 1)[:, None]
            ball.append(ball[-1][-1] + carried * (play.ball_xyz_yd[0] - ball[-1][-1]))
        start = sum(map(len, xy)) / hz
        snaps += [start + s - play.time_s[0] for s in snaps_s(play)]
        xy.append(play.xy_yd[:, :count])
        facing.append(play.facing_rad[:, :count])
        stance.append(play.stance[:, :count])
        ball.append(play.ball_xyz_yd)
    first = plays[0]
    total = sum(map(len, xy))
    return Play(
        first.seed, first.level, np.arange(total) / hz, None, first.people[:count], np.concatenate(xy),
        np.concatenate(facing), np.concatenate(stance), np.concatenate(ball), first.line_of_scrimmage_yd,
        first.ball_y_yd, first.direction, {}, {"snaps_s": snaps}, hz,
    )  # fmt: skip


def _walk(
    start: Array, facing0: Array, play: Play, count: int, hz: float, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.int8]]:
    """Stroll back, stand about, and get set: xy (T, P, 2), facing (T, P), stance (T, P)."""
    steps = int(rng.uniform(7, 20) * hz)
    goal = play.xy_yd[0, :count]
    huddle = goal.mean(0) + (goal - goal.mean(0)) * rng.uniform(0.3, 1.0)
    begin = rng.uniform(0, 0.25, count) * steps
    middle = begin + rng.uniform(0.15, 0.3, count) * steps
    depart = rng.uniform(0.55, 0.75, count) * steps
    arrive = np.minimum(depart + rng.uniform(0.1, 0.2, count) * steps, steps - 1)
    t = np.arange(steps)[:, None]
    back = np.clip((t - begin) / np.maximum(middle - begin, 1), 0, 1)[..., None]
    out = np.clip((t - depart) / np.maximum(arrive - depart, 1), 0, 1)[..., None]
    path = start + (huddle - start) * back * back * (3 - 2 * back)
    path = path + (goal - huddle) * out * out * (3 - 2 * out)
    heading = np.gradient(path, axis=0)
    walking = np.linalg.norm(heading, axis=-1) * hz > 0.4
    turn = np.where(walking, np.arctan2(heading[..., 1], heading[..., 0]), facing0)
    settled = t > arrive
    face = np.where(settled, play.facing_rad[0, :count], turn)
    posture = np.where(walking, STANCES.index("moving"), STANCES.index("standing"))
    set_at = arrive + rng.uniform(0, 0.15, count) * steps
    posture = np.where(t > set_at, play.stance[0, :count], posture)
    return path, face, posture.astype(np.int8)


def _line_moves_with_the_ball(play: Play, stance: NDArray[np.int8], rng: np.random.Generator) -> None:
    """The centre's hand goes with the ball, the men beside him know the count and go with him. In place."""
    k = play.snap_index or 0
    late = stance[min(k + 8, len(stance) - 1)]
    slack = rng.uniform(0, 0.07)
    for i, p in enumerate(play.people):
        if p.position in ("center", "guard", "tackle", "tight_end"):
            begin = 0.0 if p.position == "center" else rng.uniform(0, slack)
            stance[(play.time_s >= begin) & (np.arange(len(stance)) < k + 8), i] = late[i]


def add_traps(play: Play, rng: np.random.Generator) -> Play:
    """Movement before the snap that is none: linemen who drop into their stance together, a flinch on a hard
    count, a front that slides over, a passer who stamps and looks about."""
    if play.snap_index is None:
        return play
    xy, stance, t = play.xy_yd.copy(), play.stance.copy(), play.time_s
    line = [i for i, p in enumerate(play.people) if p.position in ("center", "guard", "tackle", "tight_end")]
    front = [i for i, p in enumerate(play.people) if p.position in ("edge", "tackle_inside", "linebacker")]
    along = play.direction
    _line_moves_with_the_ball(play, stance, rng)
    if rng.random() < 0.35:
        at = -rng.uniform(0.8, 4.0)
        first = str(rng.choice(["two_point", "standing", "crouched"]))
        for i in line:
            stance[t < at + rng.uniform(0, 0.3), i] = STANCES.index(first)
        for i in front:
            if rng.random() < 0.5:
                stance[t < at + rng.uniform(0, 1.0), i] = STANCES.index("two_point")
    if rng.random() < 0.3:
        at = -rng.uniform(0.7, 3.5)
        for i in rng.permutation(front)[: rng.integers(1, 4)]:
            start = at + rng.uniform(0, 0.15)
            there = np.clip((t - start) / rng.uniform(0.1, 0.25), 0, 1) - np.clip(
                (t - start - 0.4) / rng.uniform(0.4, 0.9), 0, 1
            )
            xy[:, i, 0] -= along * rng.uniform(0.2, 0.9) * there
    if rng.random() < 0.25:
        at, span = -rng.uniform(1.2, 4.0), rng.uniform(0.4, 0.9)
        slide = rng.choice([-1, 1]) * rng.uniform(0.6, 1.4)
        for i in front:
            xy[:, i, 1] -= slide * (1 - np.clip((t - at - rng.uniform(0, 0.2)) / span, 0, 1))
    if rng.random() < 0.4:
        for i, p in enumerate(play.people):
            if p.position == "passer":
                for at in -rng.uniform(0.4, 4.0, 2):
                    stance[(t > at) & (t < at + rng.uniform(0.1, 0.4)) & (t < -0.2), i] = STANCES.index(
                        "standing"
                    )
    return replace(play, xy_yd=xy, stance=stance)


def draw_look(rng: np.random.Generator, play: Play, width: int = 480, view: str | None = None) -> QuickLook:
    """Cameras as film_statistics has them: high sideline, end zone, low sideline."""
    view = view or str(rng.choice(["sideline", "sideline", "endzone", "low"]))
    f = load(play.level)
    height = round(width * (3 / 4 if rng.random() < 0.05 else 9 / 16))
    los, ball_y = play.line_of_scrimmage_yd, play.ball_y_yd
    if view == "endzone":
        behind, up = rng.uniform(42, 95), rng.uniform(24, 58)
        position = np.array([-behind, f.width / 2 + rng.uniform(-3, 3), up])
        span = rng.uniform(20, 34)  # yards across seen
    elif view == "low":
        position = np.array([los + rng.uniform(-12, 12), -rng.uniform(8, 20), rng.uniform(7, 14)])
        span = rng.uniform(26, 46)
    else:
        position = np.array([f.length / 2 + rng.uniform(-8, 8), -rng.uniform(45, 104), rng.uniform(14, 64)])
        span = rng.uniform(18, 42)
    aim = np.array([los + play.direction * rng.uniform(-2, 4), ball_y * 0.5 + 0.5 * f.width / 2, 0.0])
    if view == "endzone":
        aim = np.array([los, ball_y, 0.0])
    to = aim - position
    distance = float(np.linalg.norm(to))
    pan = float(np.rad2deg(np.arctan2(to[0], to[1])) + rng.normal(0, 1))
    tilt = float(np.rad2deg(np.arctan2(-to[2], np.hypot(to[0], to[1]))))
    focal = width * distance / span
    camera = Camera(width, height, focal, tuple(position), pan, tilt, float(rng.normal(0, 0.6)))
    still = rng.random() < 0.5
    return QuickLook(
        width, height, camera,
        lag_s=float(rng.uniform(0.0, 1.2)), follow=float(rng.uniform(0, 1.0)),
        zoom_rate=float(rng.choice([0.0, rng.uniform(0.0, 0.25)])),
        shake_px=0.0 if still else float(rng.choice([0.1, 0.3, 0.8])),
        early_pan_deg_s=0.0 if still or rng.random() < 0.6 else float(rng.normal(0, 1.5)),
        noise=float(rng.choice([0.0, 1.0, 2.0, 3.0])), contrast=float(rng.uniform(0.35, 1.0)), view=view,
        sweeps=_draw_sweeps(rng, play, width) if rng.random() < 0.3 else (),
    )  # fmt: skip


def _draw_sweeps(rng: np.random.Generator, play: Play, width: int) -> tuple[tuple[float, float, float, float], ...]:
    """One to three pans or zooms at any time: operators frame the formation anew, before the snap too."""
    out = []
    for _ in range(int(rng.integers(1, 4))):
        begin = float(rng.uniform(play.time_s[0], play.time_s[-1]))
        pan = 0.0 if rng.random() < 0.3 else float(rng.normal(0, 0.12)) * width
        zoom = 1.0 if rng.random() < 0.6 else float(np.exp(rng.normal(0, 0.15)))
        out.append((begin, begin + float(rng.uniform(0.4, 2.5)), pan, zoom))
    return tuple(out)


def ground_picture(rng: np.random.Generator, field: Field) -> NDArray[np.uint8]:
    """Plane around the field, PX_PER_YD, row 0 at y = -MARGIN_YD."""
    width = int((field.length + 2 * MARGIN_YD) * PX_PER_YD)
    height = int((field.width + 2 * MARGIN_YD) * PX_PER_YD)
    base = np.full((height, width), rng.uniform(70, 120), np.float32)
    for step, amount in ((2, 3.0), (8, 3.0), (64, 8.0)):
        small = rng.normal(0, rng.uniform(0.4, 1.0) * amount, (height // step + 1, width // step + 1))
        base += cv2.resize(small.astype(np.float32), (width, height), interpolation=cv2.INTER_CUBIC)
    image = np.clip(base, 0, 255).astype(np.uint8)
    white = float(rng.uniform(170, 235))

    def px(x: float, y: float) -> tuple[int, int]:
        return int((x + MARGIN_YD) * PX_PER_YD), int((y + MARGIN_YD) * PX_PER_YD)

    thick = 2 if rng.random() < 0.7 else 3
    for x in field.yard_lines:
        cv2.line(image, px(x, 0), px(x, field.width), white, thick)
    for y in (0.0, field.width):
        cv2.line(image, px(0, y), px(field.length, y), white, thick + 1)
    for x in np.arange(field.end_zone, field.length - field.end_zone, 1.0):
        for y in (*field.hash_rows, 0.4, field.width - 0.4):
            cv2.line(image, px(x, y - 0.33), px(x, y + 0.33), white, 1)
    for x in field.yard_lines[2:-1:2]:
        for y in field.number_rows:
            for dx in (-1.1, 1.1):
                cv2.putText(image, str(rng.integers(0, 9)), px(x + dx - 0.6, y + 0.9), 0, 0.8, white, 3)
    if rng.random() < 0.5:
        cv2.circle(
            image, px(field.length / 2, field.width / 2), int(6 * PX_PER_YD), float(rng.uniform(20, 230)), -1
        )
    for side in ((-MARGIN_YD, -3), (field.width + 3, field.width + MARGIN_YD)):
        y0, y1 = px(0, side[0])[1], px(0, side[1])[1]
        crowd = rng.uniform(20, 220, ((y1 - y0) // 14 + 1, width // 12 + 1)).astype(np.float32)
        image[y0:y1] = (cv2.resize(crowd, (width, y1 - y0)) * 0.6 + 30).astype(np.uint8)
    return cv2.GaussianBlur(image, (3, 3), 0.7)


def _smooth(values: Array, steps: int) -> Array:
    kernel = np.ones(steps) / steps
    return np.convolve(np.pad(values, steps, "edge"), kernel, "same")[steps:-steps]


def _aim(camera: Camera, xy: Array) -> tuple[float, float]:
    """(pan, tilt) in degrees at which a camera sees a point on the ground in its middle."""
    d = np.array([*xy, 0.0]) - np.asarray(camera.position_yd)
    return float(np.rad2deg(np.arctan2(d[0], d[1]))), float(
        np.rad2deg(np.arctan2(-d[2], np.hypot(d[0], d[1])))
    )


class QuickFilm:
    """Iterates over (H, W) uint8 frames of one play at ``rate`` frames a second."""

    def __init__(
        self, play: Play, look: QuickLook, seed: int, rate: float = 30.0, first_s: float | None = None,
        last_s: float | None = None,
    ) -> None:  # fmt: skip
        self.play, self.look, self.rng = play, look, np.random.default_rng(seed)
        start = play.time_s[0] if first_s is None else first_s
        stop = play.time_s[-1] if last_s is None else last_s
        phase = self.rng.uniform(0, 1 / rate)
        self.time_s = (
            np.arange(np.ceil((start - phase) * rate), np.floor((stop - phase) * rate)) / rate + phase
        )
        self.people = len(play.people)
        self.grey = self._kits()
        self.order_phase = self.rng.uniform(0, 6.28, self.people)
        self.gesture = self._gestures()
        self.sway = self.rng.normal(0, 1, (self.people, 6))

    @property
    def snap_frames(self) -> list[int]:
        """First frame at or after each snap, the first that can show it."""
        inside = [s for s in snaps_s(self.play) if self.time_s[0] < s <= self.time_s[-1]]
        return [int(np.argmax(self.time_s >= s)) for s in inside]

    def _kits(self) -> Array:
        """(P, 4) grey of shirt, trousers, helmet, skin."""
        rng = self.rng
        kits = {s: rng.uniform(25, 240, 4) for s in ("offense", "defense", "unknown")}
        kits["official"] = np.array([130, 40, 40, 120.0])
        return np.stack([kits[p.side] + rng.normal(0, 6, 4) for p in self.play.people]).clip(10, 250)

    def _gestures(self) -> list[list[tuple[float, float, int]]]:
        """Per person (from, to, hand): arms that point and wave; rarer for men in a stance."""
        out = []
        for p in self.play.people:
            rate = {"passer": 0.35, "guard": 0.02, "tackle": 0.02, "center": 0.02}.get(p.position, 0.12)
            starts = self.rng.uniform(
                self.time_s[0], self.time_s[-1], self.rng.poisson(rate * len(self.time_s) / 30)
            )
            out.append([(t, t + self.rng.uniform(0.3, 1.4), int(self.rng.integers(7, 9))) for t in starts])
        return out

    def __iter__(self):  # type: ignore[no-untyped-def]
        play = self.play
        t0, hz = play.time_s[0], play.hz
        dt = float(np.median(np.diff(self.time_s)))
        pose = POSE_TABLE[play.stance[0]].copy()
        gait = self.order_phase.copy()
        cameras = self._cameras()
        self.begin()
        for t, camera in zip(self.time_s, cameras, strict=True):
            at = np.clip((t - t0) * hz, 0, len(play.time_s) - 1.001)
            i, part = int(at), at - int(at)
            xy = play.xy_yd[i] * (1 - part) + play.xy_yd[i + 1] * part
            speed = np.linalg.norm(play.xy_yd[i + 1] - play.xy_yd[i], axis=1) * hz
            pose += (1 - np.exp(-dt / 0.12)) * (POSE_TABLE[play.stance[i]] - pose)
            gait += dt * (2.0 + 2.2 * speed) * (speed > 0.3)
            yield self._draw(camera, t, xy, play.facing_rad[i], pose, gait, speed, play.ball_xyz_yd[i])

    def begin(self) -> None:
        """What is drawn once."""
        look = self.look
        self.ground = ground_picture(self.rng, load(self.play.level))
        size = (look.height_px + 64, look.width_px + 64)
        self.noise = self.rng.normal(0, look.noise, size).round().astype(np.int8)

    def _cameras(self) -> list[Camera]:
        """One camera a frame: it follows the ball late and in part, zooms once it does, and shakes."""
        look, c0, steps = self.look, self.look.camera, 12
        center = np.array([self.play.line_of_scrimmage_yd, self.play.ball_y_yd])
        late, ball = self.time_s - look.lag_s, self.play.ball_xyz_yd
        offset = np.stack([np.interp(late, self.play.time_s, ball[:, k] - center[k]) for k in (0, 1)], 1)
        offset = np.stack([_smooth(offset[:, k], steps) for k in (0, 1)], 1)
        walk = self.rng.normal(0, 1, (len(self.time_s), 3))
        shake = np.stack([_smooth(walk[:, k], 5) for k in range(3)], 1) * look.shake_px
        shake *= np.rad2deg(1 / c0.focal_px)
        pan0, tilt0 = _aim(c0, center)
        out = []
        for k, t in enumerate(self.time_s):
            pan, tilt = _aim(c0, center + look.follow * offset[k])
            pan += c0.pan_deg - pan0 + shake[k, 0] + look.early_pan_deg_s * min(t + 0.3, 0.0) * 0.25
            tilt += c0.tilt_deg - tilt0 + shake[k, 1]
            focal = c0.focal_px * (1 + look.zoom_rate) ** max(0.0, t - look.lag_s)
            roll = c0.roll_deg + 0.3 * shake[k, 2]
            for begin, end, pan_px, zoom in look.sweeps:
                part = float(np.clip((t - begin) / (end - begin), 0, 1))
                part = part * part * (3 - 2 * part)
                pan, focal = pan + part * float(np.rad2deg(pan_px / c0.focal_px)), focal * zoom**part
            out.append(Camera(c0.width_px, c0.height_px, focal, c0.position_yd, pan, tilt, roll))
        return out

    def _draw(
        self,
        camera: Camera,
        t: float,
        xy: Array,
        facing: Array,
        pose: Array,
        gait: Array,
        speed: Array,
        ball: Array,
    ) -> NDArray[np.uint8]:
        look = self.look
        w, h = look.width_px, look.height_px
        to_plane = np.array(
            [[PX_PER_YD, 0, MARGIN_YD * PX_PER_YD], [0, PX_PER_YD, MARGIN_YD * PX_PER_YD], [0, 0, 1.0]]
        )
        to_px = camera.yd_to_px @ np.linalg.inv(to_plane)
        image = cv2.warpPerspective(
            self.ground, to_px, (w, h), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
        )
        px = camera.project(self._joints(t, xy, facing, pose, gait, speed))
        one_up = camera.project(np.c_[xy, np.ones(len(xy))])
        scale = np.linalg.norm(one_up - camera.ground_to_px(xy), axis=1)
        depth = np.linalg.norm(xy - np.asarray(camera.position_yd)[:2], axis=1)
        inside = ((px[:, 0] > -80) & (px[:, 0] < [w + 80, h + 80])).all(1) & np.isfinite(px).all((1, 2))
        for i in np.argsort(-depth):
            if inside[i]:
                self._person(image, px[i], float(scale[i]), self.grey[i])
        spot = camera.project(ball)
        if np.isfinite(spot).all():
            size = max(1, int(0.14 * float(np.nanmedian(scale)) * 8))
            cv2.circle(image, tuple(int(v * 8) for v in spot), size, 75.0, -1, cv2.LINE_AA, 3)
        image = cv2.addWeighted(image, look.contrast, image, 0, 100 * (1 - look.contrast))
        if look.noise:
            dy, dx = self.rng.integers(0, 64, 2)
            image = cv2.add(image, self.noise[dy : dy + h, dx : dx + w], dtype=cv2.CV_8U)
        return image

    def _joints(self, t: float, xy: Array, facing: Array, pose: Array, gait: Array, speed: Array) -> Array:
        local = pose.copy()
        stride = np.clip(speed / 4.0, 0, 1.0)
        local[:, 5, 1] += 0.45 * stride * np.sin(gait)
        local[:, 6, 1] -= 0.45 * stride * np.sin(gait)
        local[:, 5, 2] += 0.2 * stride * np.maximum(0, np.cos(gait))
        local[:, 6, 2] += 0.2 * stride * np.maximum(0, -np.cos(gait))
        local[:, 7, 1] -= 0.35 * stride * np.sin(gait)
        local[:, 8, 1] += 0.35 * stride * np.sin(gait)
        s = self.sway
        slow = np.sin(0.7 * t * (1 + 0.3 * s[:, 0]) + 6 * s[:, 1])
        local[:, :2, 0] += (0.012 * slow * s[:, 2])[:, None]
        for i, spans in enumerate(self.gesture):
            for a, b, hand in spans:
                if a <= t <= b:
                    local[i, hand] += np.array([0, 0.2, 0.9]) * np.sin(np.pi * (t - a) / (b - a))
        height = np.array([p.height_yd for p in self.play.people]) / 2.0
        local *= height[:, None, None]
        c, sn = np.cos(facing), np.sin(facing)
        east = local[..., 1] * c[:, None] + local[..., 0] * sn[:, None]
        north = local[..., 1] * sn[:, None] - local[..., 0] * c[:, None]
        return np.stack([xy[:, None, 0] + east, xy[:, None, 1] + north, local[..., 2]], -1)

    @staticmethod
    def _person(image: NDArray[np.uint8], px: Array, scale: float, grey: Array) -> None:
        points = np.round(px * 8).astype(int)
        for a, b, wide in reversed(BONES):
            shade = (
                grey[1]
                if b in (3, 4)
                else grey[3]
                if b in (7, 8)
                else grey[1] * 0.6
                if b in (5, 6)
                else grey[0]
            )
            width = max(1, round(wide * scale * (1.25 if b == 2 else 1)))
            cv2.line(image, tuple(points[a]), tuple(points[b]), float(shade), width, cv2.LINE_AA, 3)
        cv2.circle(image, tuple(points[0]), max(2, int(0.17 * scale * 8)), float(grey[2]), -1, cv2.LINE_AA, 3)
