"""What the finders would hand on of a play, without rendering it: people with errors, through a real camera.

For developing and measuring the stages behind the finders. A wide camera after the shared film statistics looks at
the play from the side or from behind an end zone; everybody in the picture is projected, moved by errors, missed,
joined by false finds, cut by the picture's edge. How much a man is hidden by those nearer to the camera decides how
far off he is, whether he is missed (for several frames together) and whether his kit is taken from the man before
him. Sizes are those measured between rendered clips charted by the finders and their truth; ``scale`` enlarges them
play by play, because film from elsewhere is read worse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from models.training.playbook.play import Play
from pipeline.camera import Camera
from pipeline.field import load as load_field
from pipeline.records import ROLES, People, Registration
from pipeline.tracks import Sample

Array = NDArray[np.float64]
TIMES_S = (-3.0, -2.5, -2.0, -1.5, -1.0, -0.6, -0.3, -0.1, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0)
GRID = np.stack(np.meshgrid(np.linspace(0.08, 0.92, 5), np.linspace(0.06, 0.97, 9)), -1).reshape(-1, 2)
STEADY = 0.93  # how much of a lasting error or of being missed carries over from one sampled frame to the next


@dataclass(frozen=True)
class Errors:
    """Sizes of the simulated errors. Yards, seconds, shares; frames at 30 per second.

    sideways_yd, away_yd: of a ground point in the open while people stand, square to the camera's view and along it;
    hidden_gain: by how much more where a man is fully hidden; moving_gain: times this after the snap.
    missed: in the open; missed_hidden_set, missed_hidden_play: more where hidden, before and after the snap.
    scale: errors of a play are enlarged by a factor drawn from this range (even in its logarithm).
    """

    sideways_yd: float = 0.06
    away_yd: float = 0.13
    hidden_gain: float = 1.7
    moving_gain: float = 1.4
    steady_share: float = 0.5  # of the variance: the same from frame to frame
    drift_yd: float = 0.06  # of the whole picture, slow
    jitter_yd: float = 0.04  # of the whole picture, new in every frame
    missed: float = 0.012
    missed_hidden_set: float = 0.9
    missed_hidden_play: float = 0.4
    kit_from_front: float = 0.5  # share of fully hidden men whose kit is that of the man before them
    false_finds: float = 0.4  # a frame
    doubles: float = 0.01  # share of people found twice
    wrong_role: float = 0.02
    snap_off_frames: int = 2
    kit_noise: float = 0.35  # of the distance between the kits
    # Between the deepest defender and the picture's edge: even between two, or quantiles 0, 0.1, 0.5, 0.9, 1. Measured
    # film has 1.9/2.5/5.1/9.6/14.7, rendered clips a median of 12; in a few clips of strangers he is cut off.
    room_yd: tuple[float, ...] = (-2.5, 2.0, 7.5, 14.0, 20.0)
    scale: tuple[float, float] = (1.0, 1.0)


PERFECT = Errors(
    sideways_yd=0, away_yd=0, drift_yd=0, jitter_yd=0, missed=0, missed_hidden_set=0, missed_hidden_play=0,
    kit_from_front=0, false_finds=0, doubles=0, wrong_role=0, snap_off_frames=0, kit_noise=0.05, room_yd=(25.0, 25.0),
)  # fmt: skip
USUAL = Errors()  # as on rendered clips
WORSE = Errors(scale=(1.0, 3.5))  # up to a median error of about half a yard: what to train on


@dataclass(frozen=True)
class Observed:
    """Samples as the chain builds them, who each find is (person id or -1), and the snap's error in seconds."""

    samples: tuple[Sample, ...]
    who: tuple[NDArray[np.int64], ...]
    snap_off_s: float


def drawn(rng: np.random.Generator, values: Sequence[float]) -> float:
    """A draw evenly between two values, or from the quantiles 0, 0.1, 0.5, 0.9 and 1 where five are given."""
    at = (0.0, 0.1, 0.5, 0.9, 1.0) if len(values) == 5 else (0.0, 1.0)
    return float(np.interp(rng.uniform(), at, values))


def sideline_camera(play: Play, rng: np.random.Generator, room_yd: Sequence[float]) -> Camera:
    """A high camera that holds the formation at the snap, with room_yd left past the deepest defender where he stands
    (less than nothing: he is out of the picture). Everybody else's place is kept in it from near to far."""
    fld = load_field(play.level)
    i = play.snap_index or 0
    players = [k for k, p in enumerate(play.people) if p.role == "player"]
    xy, way = play.xy_yd[i, players], play.direction
    deepest = xy[int(np.argmax(way * xy[:, 0]))]
    ahead = np.array([deepest[0] + way * drawn(rng, room_yd), deepest[1]])
    behind = np.array([(way * xy[:, 0]).min() * way - way * rng.uniform(2.0, 8.0), xy[:, 1].mean()])
    x = np.clip(rng.normal(fld.length / 2, 3.0), fld.length / 2 - 9, fld.length / 2 + 9)
    position = (float(x), -float(rng.uniform(70, 97)), float(rng.uniform(38, 62)))
    low, high = xy[:, 1].min() - 1.0, xy[:, 1].max()
    aim = np.array([(ahead[0] + behind[0]) / 2, np.clip((low + high) / 2, 20, fld.width - 20)])
    camera = _looking_at(position, aim, 4000.0, rng)
    for _ in range(12):  # both ends to the edges of the picture
        px = camera.ground_to_px(np.stack([ahead, behind]))[:, 0]
        aim[0] += (px.mean() - camera.width_px / 2) / (abs(px[0] - px[1]) + 1.0) * abs(ahead[0] - behind[0])
        turned = float(np.degrees(np.arctan2(aim[0] - position[0], aim[1] - position[1])))
        size = float(np.clip((camera.width_px - 1) / max(abs(px[0] - px[1]), 1.0), 0.7, 1.4))
        camera = replace(camera, pan_deg=turned, focal_px=camera.focal_px * size)
    return _holding(camera, np.array([[aim[0], low], [aim[0], high]]))


def endzone_camera(play: Play, rng: np.random.Generator) -> Camera:
    """A camera behind the near end zone that holds the five linemen and what is near them."""
    fld = load_field(play.level)
    position = (-float(rng.uniform(49, 79)), fld.width / 2 + float(rng.uniform(-2.5, 3.1)), float(rng.uniform(31, 53)))
    x, y = play.line_of_scrimmage_yd, play.ball_y_yd
    aim = np.array([x + play.direction * rng.uniform(1.0, 5.0), y + rng.normal(0, 0.8)])
    camera = _looking_at(position, aim, 4000.0, rng)
    half = float(rng.uniform(7.0, 9.5))
    near = np.array([[x - 7.5 * play.direction, y - half], [x - 7.5 * play.direction, y + half],
                     [x + 6 * play.direction, y - half], [x + 6 * play.direction, y + half]])  # fmt: skip
    distance = float(np.hypot(*(aim - np.array(position[:2]))))
    return _holding(replace(camera, focal_px=1280 * distance / (2 * half)), near)


def _looking_at(position: tuple[float, float, float], aim: Array, focal_px: float, rng: np.random.Generator) -> Camera:
    flat = aim - np.array(position[:2])
    pan = float(np.degrees(np.arctan2(flat[0], flat[1])))
    tilt = float(np.degrees(np.arctan2(position[2], np.hypot(*flat))))
    return Camera(1280, 720, focal_px, position, pan, tilt, float(rng.normal(0, 0.4)), float(rng.uniform(0.01, 0.03)))


def _holding(camera: Camera, points: Array) -> Camera:
    """The camera with its focal length shortened until the points are in the picture."""
    for _ in range(60):
        px = camera.ground_to_px(points)
        if (px[:, 0] > 0).all() and (px[:, 0] < 1279).all() and (px[:, 1] > 55).all() and (px[:, 1] < 719).all():
            break
        camera = replace(camera, focal_px=camera.focal_px * 0.96)
    return camera


def kits(rng: np.random.Generator, play: Play, noise: float) -> Array:
    """(P, 6) true kit colours per person: jersey and trousers in a Lab-like space, 0..1."""
    while True:
        a, b = rng.uniform(0, 1, 6), rng.uniform(0, 1, 6)
        if np.linalg.norm(a - b) > 0.45:
            break
    striped = np.array([0.5, 0.5, 0.5, 0.05, 0.5, 0.5])
    base = {"offense": a, "defense": b, "official": striped}
    size = noise * float(np.linalg.norm(a - b)) / np.sqrt(6)
    return np.stack([base.get(p.side, rng.uniform(0, 1, 6)) + rng.normal(0, size, 6) for p in play.people])


@dataclass
class _Eyes:
    """State of the simulated finder from frame to frame. steady (P, 2) and lost (P,): standard normal, lasting."""

    rng: np.random.Generator
    errors: Errors
    scale: float
    colours: Array
    steady: Array
    lost: Array

    def next(self) -> None:
        """One sampled frame on."""
        fresh = np.sqrt(1 - STEADY**2)
        self.steady = STEADY * self.steady + fresh * self.rng.normal(0, 1, self.steady.shape)
        self.lost = STEADY * self.lost + fresh * self.rng.normal(0, 1, self.lost.shape)

    def moved(self, hidden: Array, after: bool) -> Array:
        """(P, 2) errors sideways and away from the camera, yards; heavy tails (Student's t, 5 degrees)."""
        e = self.errors
        size = np.array([e.sideways_yd, e.away_yd]) * self.scale * (e.moving_gain if after else 1.0)
        flicker = np.clip(self.rng.standard_t(5, self.steady.shape) / np.sqrt(5 / 3), -4, 4)
        unit = np.sqrt(e.steady_share) * self.steady + np.sqrt(1 - e.steady_share) * flicker
        return np.asarray(unit * size * (1 + e.hidden_gain * hidden)[:, None])

    def missed(self, hidden: Array, after: bool) -> NDArray[np.bool_]:
        """(P,) who is not found in this frame."""
        e = self.errors
        more = (
            e.missed_hidden_play * hidden**2 if after else e.missed_hidden_set / (1 + np.exp(-(hidden - 0.8) / 0.06))
        )
        p = np.clip((e.missed * (1.8 if after else 1.0) + more) * self.scale**0.7, 0, 0.97)
        return np.asarray(ndtr(self.lost) < p)


def observe(
    play: Play, seed: int, errors: Errors = USUAL, times_s: Sequence[float] = TIMES_S, camera: Camera | None = None,
    view: str = "sideline",
) -> Observed:  # fmt: skip
    """Samples of a play at times from the (wrongly told) snap. view: sideline or endzone."""
    rng = np.random.default_rng([seed, 77])
    n = len(play.people)
    off = int(rng.integers(-errors.snap_off_frames, errors.snap_off_frames + 1)) / 30.0
    if camera is None:
        camera = endzone_camera(play, rng) if view == "endzone" else sideline_camera(play, rng, errors.room_yd)
    low, high = np.log(errors.scale)
    scale = float(np.exp(rng.uniform(low, high)))
    eyes = _Eyes(rng, errors, scale, kits(rng, play, errors.kit_noise), rng.normal(0, 1, (n, 2)), rng.normal(0, 1, n))
    drift = rng.normal(0, errors.drift_yd * scale, 2)
    samples, who = [], []
    for t in times_s:
        eyes.next()
        drift = 0.93 * drift + rng.normal(0, 0.37 * errors.drift_yd * scale, 2)
        shift = drift + rng.normal(0, errors.jitter_yd * scale, 2)
        i = int(np.clip(round((t + off - play.time_s[0]) * play.hz), 0, len(play.time_s) - 1))
        people, ids = _find(play, play.xy_yd[i], camera, eyes, t + off > 0.1)
        reg = Registration(
            "ok", _moved(camera, shift), view, play.level, True, 0.8,
            float(np.hypot(errors.drift_yd, errors.jitter_yd)) * 1.2 * scale,
        )  # fmt: skip
        samples.append(Sample(int(round((t + off) * 30)) + 1000, float(t), people, reg))
        who.append(ids)
    return Observed(tuple(samples), tuple(who), off)


def _moved(camera: Camera, shift: Array) -> Camera:
    x, y, z = camera.position_yd
    return replace(camera, position_yd=(x + float(shift[0]), y + float(shift[1]), z))


def _boxes(play: Play, xy: Array, camera: Camera) -> tuple[Array, Array, Array, Array]:
    """Feet (P, 2), heads (P, 2), heights (P,) and boxes (P, 4), pixels."""
    tall = np.array([p.height_yd for p in play.people])
    foot = camera.ground_to_px(xy)
    head = camera.project(np.concatenate([xy, tall[:, None]], 1))
    h = foot[:, 1] - head[:, 1]
    box = np.stack([foot[:, 0] - 0.22 * h, head[:, 1], foot[:, 0] + 0.22 * h, foot[:, 1] + 0.03 * h], 1)
    return foot, head, h, box


def hidden_by(box: Array, near: Array) -> tuple[Array, NDArray[np.int64]]:
    """Share of each box (P, 4) behind boxes of people nearer to the camera, and who hides most of it.

    near (P,): the larger the nearer (the feet's row in the picture).
    """
    points = box[:, None, :2] + GRID[None] * (box[:, None, 2:] - box[:, None, :2])  # (P, G, 2)
    inside = (
        (points[:, :, None] > box[None, None, :, :2]) & (points[:, :, None] < box[None, None, :, 2:])
    ).all(-1)  # (P, G, P)
    inside &= (near[None, :] > near[:, None])[:, None, :]
    return inside.any(2).mean(1), inside.sum(1).argmax(1)


def _find(
    play: Play, xy: Array, camera: Camera, eyes: _Eyes, after: bool
) -> tuple[People, NDArray[np.int64]]:
    rng, errors = eyes.rng, eyes.errors
    foot, head, height, box = _boxes(play, xy, camera)
    hidden, front = hidden_by(box, foot[:, 1])
    pan = np.radians(camera.pan_deg)
    away, side = np.array([np.sin(pan), np.cos(pan)]), np.array([np.cos(pan), -np.sin(pan)])
    off = eyes.moved(hidden, after)
    at = camera.ground_to_px(xy + off[:, :1] * side + off[:, 1:] * away)
    move = at - foot
    shown = ((foot > [2, 8]) & (foot < [camera.width_px - 2, camera.height_px - 2])).all(1)
    got = np.flatnonzero(shown & ~eyes.missed(hidden, after))
    twice = got[rng.uniform(size=len(got)) < errors.doubles]
    index = np.r_[got, twice]
    role = np.array([ROLES.index(play.people[k].role) for k in index], int)
    flip = (rng.uniform(size=len(index)) < errors.wrong_role) & (role < 2)
    role = np.where(flip, 1 - role, role)
    move = move[index]
    move[len(got) :] += rng.normal(0, 0.06, (len(twice), 2)) * height[twice][:, None]
    colours = eyes.colours.copy()
    taken = rng.uniform(size=len(colours)) < errors.kit_from_front * hidden**2
    colours[taken] = 0.3 * colours[taken] + 0.7 * eyes.colours[front[taken]]
    false_n = int(rng.poisson(errors.false_finds))
    false_foot = rng.uniform([20, 80], [camera.width_px - 20, camera.height_px - 8], (false_n, 2))
    h = float(np.median(height[got])) if len(got) else 60.0
    false_box = np.concatenate([false_foot - [0.22 * h, h], false_foot + [0.22 * h, 0.05 * h]], 1)
    ids = np.r_[[play.people[k].id for k in index], np.full(false_n, -1)].astype(np.int64)
    noise = errors.kit_noise * 0.2
    kit = np.concatenate([colours[index] + rng.normal(0, noise, (len(index), 6)), rng.uniform(0, 1, (false_n, 6))])
    boxes = np.concatenate([box[index] + np.tile(move, 2), false_box])
    people = People(
        camera.width_px, camera.height_px, boxes.astype(np.float32),
        np.r_[role, np.zeros(false_n, int)].astype(np.int64),
        np.r_[rng.uniform(0.6, 0.95, len(index)), rng.uniform(0.25, 0.6, false_n)].astype(np.float32),
        np.concatenate([foot[index] + move, false_foot]).astype(np.float32),
        np.concatenate([head[index] + move, false_foot - [0, h]]).astype(np.float32),
        np.zeros(len(ids), bool), kit.astype(np.float32),
    )  # fmt: skip
    return people, ids
