"""What the finders would hand on of a play, without rendering it: people with errors, through a real camera.

For developing and measuring the stages behind the finders. A wide sideline camera after
shared film statistics looks at the play; everybody in the picture is projected, moved by errors that are partly
the same from frame to frame, missed now and then (more often in piles), joined by false finds, cut by the
picture's edge; kits are noisy colours; the registration is off by a slow drift and jitter; the snap by frames.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from models.training.playbook.play import Play
from pipeline.camera import Camera
from pipeline.field import load as load_field
from pipeline.records import ROLES, People, Registration
from pipeline.tracks import Sample

Array = NDArray[np.float64]
TIMES_S = (-3.0, -2.5, -2.0, -1.5, -1.0, -0.6, -0.3, -0.1, 0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0)


@dataclass(frozen=True)
class Errors:
    """Sizes of the simulated errors. Yards, seconds, shares; frames at 30 per second."""

    steady_yd: float = 0.25  # of one person, nearly the same through the play
    flicker_yd: float = 0.15  # of one person, new in every frame
    drift_yd: float = 0.15  # of the whole picture, slow
    jitter_yd: float = 0.06  # of the whole picture, new in every frame
    missed: float = 0.03
    missed_in_pile: float = 0.12
    false_finds: float = 0.4  # a frame
    doubles: float = 0.02  # share of people found twice
    wrong_role: float = 0.02
    snap_off_frames: int = 2
    kit_noise: float = 0.35  # of the distance between the kits
    room_yd: tuple[float, float] = (1.9, 14.7)  # between the deepest defender and the picture's edge
    time_of_pile_yd: float = 1.3


PERFECT = Errors(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.05, (25.0, 25.0))
USUAL = Errors()


@dataclass(frozen=True)
class Observed:
    """Samples as the chain builds them, who each find is (person id or -1), and the snap's error in seconds."""

    samples: tuple[Sample, ...]
    who: tuple[NDArray[np.int64], ...]
    snap_off_s: float


def sideline_camera(play: Play, rng: np.random.Generator, room_yd: tuple[float, float]) -> Camera:
    """A high camera that holds everybody at the snap, with room_yd left past the deepest defender."""
    fld = load_field(play.level)
    i = play.snap_index or 0
    players = [k for k, p in enumerate(play.people) if p.role == "player"]
    xy = play.xy_yd[i, players]
    room = rng.uniform(*room_yd)
    lo, hi = xy[:, 0].min() - 4.0, xy[:, 0].max() + 4.0
    lo, hi = (lo, xy[:, 0].max() + room) if play.direction > 0 else (xy[:, 0].min() - room, hi)
    x = np.clip(rng.normal(fld.length / 2, 3.0), fld.length / 2 - 9, fld.length / 2 + 9)
    position = (float(x), -float(rng.uniform(70, 97)), float(rng.uniform(38, 62)))
    aim = np.array([(lo + hi) / 2, np.clip(xy[:, 1].mean(), 20, fld.width - 20)])
    flat = aim - np.array(position[:2])
    pan = float(np.degrees(np.arctan2(flat[0], flat[1])))
    tilt = float(np.degrees(np.arctan2(position[2], np.hypot(*flat))))
    camera = Camera(1280, 720, 4000.0, position, pan, tilt, float(rng.normal(0, 0.4)), float(rng.uniform(0.01, 0.03)))
    corners = np.array([[lo, xy[:, 1].min() - 1], [hi, xy[:, 1].min() - 1], [lo, xy[:, 1].max()], [hi, xy[:, 1].max()]])
    for _ in range(60):
        px = camera.ground_to_px(corners)
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


def observe(
    play: Play, seed: int, errors: Errors = USUAL, times_s: Sequence[float] = TIMES_S, camera: Camera | None = None
) -> Observed:
    """Samples of a play at times from the (wrongly told) snap."""
    rng = np.random.default_rng([seed, 77])
    n = len(play.people)
    off = int(rng.integers(-errors.snap_off_frames, errors.snap_off_frames + 1)) / 30.0
    camera = camera or sideline_camera(play, rng, errors.room_yd)
    colours = kits(rng, play, errors.kit_noise)
    steady = rng.normal(0, errors.steady_yd, (n, 2)) * [0.6, 1.0]
    drift = rng.normal(0, errors.drift_yd, 2)
    samples, who = [], []
    for t in times_s:
        steady = 0.93 * steady + rng.normal(0, 0.37 * errors.steady_yd, (n, 2)) * [0.6, 1.0]
        drift = 0.93 * drift + rng.normal(0, 0.37 * errors.drift_yd, 2)
        shift = drift + rng.normal(0, errors.jitter_yd, 2)
        i = int(np.clip(round((t + off - play.time_s[0]) * play.hz), 0, len(play.time_s) - 1))
        flicker = rng.normal(0, 1, (n, 2)) * errors.flicker_yd * [0.6, 1.0]
        xy = play.xy_yd[i] + steady + flicker
        people, ids = _find(play, xy, colours, camera, rng, errors)
        reg = Registration(
            "ok", _moved(camera, shift), "sideline", play.level, True, 0.8,
            float(np.hypot(errors.drift_yd, errors.jitter_yd)) * 1.2,
        )  # fmt: skip
        samples.append(Sample(int(round((t + off) * 30)) + 1000, float(t), people, reg))
        who.append(ids)
    return Observed(tuple(samples), tuple(who), off)


def _moved(camera: Camera, shift: Array) -> Camera:
    x, y, z = camera.position_yd
    return replace(camera, position_yd=(x + float(shift[0]), y + float(shift[1]), z))


def _find(
    play: Play, xy: Array, colours: Array, camera: Camera, rng: np.random.Generator, errors: Errors
) -> tuple[People, NDArray[np.int64]]:
    tall = np.array([p.height_yd for p in play.people])
    foot = camera.ground_to_px(xy)
    head = camera.project(np.concatenate([xy, tall[:, None]], 1))
    height = foot[:, 1] - head[:, 1]
    box = np.stack([foot[:, 0] - 0.22 * height, head[:, 1], foot[:, 0] + 0.22 * height, foot[:, 1] + 0.05 * height], 1)
    shown = ((foot > [2, 8]) & (foot < [camera.width_px - 2, camera.height_px - 2])).all(1)
    gap = np.linalg.norm(xy[:, None] - xy[None], axis=-1) + np.eye(len(xy)) * 9
    miss = np.where((gap < errors.time_of_pile_yd).sum(1) >= 2, errors.missed_in_pile, errors.missed)
    got = np.flatnonzero(shown & (rng.uniform(size=len(xy)) >= miss))
    twice = got[rng.uniform(size=len(got)) < errors.doubles]
    index = np.r_[got, twice]
    role = np.array([ROLES.index(play.people[k].role) for k in index], int)
    flip = (rng.uniform(size=len(index)) < errors.wrong_role) & (role < 2)
    role = np.where(flip, 1 - role, role)
    move = np.zeros((len(index), 2))
    move[len(got) :] = rng.normal(0, 0.06, (len(twice), 2)) * height[twice][:, None]
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
