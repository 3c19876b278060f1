"""People of one frame put on the ground: yards, how far each may be off, doubles merged, bystanders left out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline import teams
from pipeline.camera import Camera
from pipeline.field import load as load_field
from pipeline.records import ROLES, People, Registration

Array = NDArray[np.float64]
EDGE_PX = 3.0  # a box this near to the picture's edge touches it
BYSTANDER = ROLES.index("bystander")


@dataclass(frozen=True)
class Sample:
    """One sampled frame: its index, seconds from the snap, who was found in it and where it looks.

    faint: finds too unsure to count alone; several frames, or a side short of men, may bear them out.
    """

    frame: int
    time_s: float
    people: People
    registration: Registration
    faint: People | None = None


@dataclass(frozen=True)
class TrackSettings:
    """Distances in yards, times in seconds. Human limits: top speed and acceleration of field players."""

    ground_error_of_height: float = 0.05  # error of the ground point, share of the box height
    registration_error_yd: float = 0.10  # added to every position's own error
    honest_share: float = 0.7  # of the ground point's spread above: with it two thirds of the errors are smaller
    cut_factor: float = 2.5  # how much worse the ground point of a man is whom the picture's edge cuts
    head_yd: float = 1.65  # height of a head above the ground, where the edge hides the feet
    head_sd_yd: float = 0.25  # and how far stances differ from it
    unseen_yd_s: float = 1.5  # how fast the error of a man out of sight grows
    top_speed_yd_s: float = 10.5  # about 9.6 m/s, near the fastest carried-ball speeds measured; from memory
    gate_sigma: float = 4.0
    unmatched: float = 2.5  # price in sigmas of leaving a person without a find in a frame
    bridge_s: float = 1.1  # a track unseen for longer is ended
    stitch_s: float = 1.6  # two pieces are joined over a gap of up to this
    merge_yd: float = 0.30  # two finds in one frame closer than this are one person
    merge_iou: float = 0.65
    field_margin_yd: float = 1.0  # players may stand this far outside the lines
    still_accel_yd_s2: float = 0.8
    play_accel_yd_s2: float = 5.0
    found_rate: float = 0.92  # of a person in the open, per frame
    found_rate_pile: float = 0.65
    repeat_rate: float = 0.06  # of a false find turning up again at the same place
    double_rate: float = 0.3  # the same of a second find of one man, which flickers on and off
    double_yd: float = 0.9  # nearer than this to a surer find it may be such a second find
    kit_cost: float = 4.0  # cost in sigmas of a kit as unlike as the two teams' are
    follow_kit: float = 0.7  # after the snap: weight of the log odds of the kits
    follow_doubt: float = 2.0  # and price of a find of confidence 0 over one of 1, in log odds
    follow_unmatched: float = 6.0  # and of leaving a man of the roster without a find
    reserve_share: float = 0.5  # of the frames before the snap in which a man must be found who was not sure in any
    reserve_gap_yd: float = 0.8  # and how far from everybody else he must stand
    extend_s: float = 0.55  # how far a track reaches past its first and last find


@dataclass(frozen=True)
class Finds:
    """Finds of one frame on the ground: xy (M, 2), cov (M, 2, 2), source index (M,), and what people said.

    tall_yd (M,): height of the box against the camera's scale where he stands; second (M,) True beside a surer
    find, of whom it may be a second find.
    """

    xy: Array
    cov: Array
    index: NDArray[np.int64]
    role: NDArray[np.int64]
    confidence: Array
    kit: Array
    piled: NDArray[np.bool_]
    tall_yd: Array
    second: NDArray[np.bool_]


FIELDS = ("xy", "cov", "index", "role", "confidence", "kit", "piled", "tall_yd", "second")


def _jacobians(camera: Camera, px: Array) -> Array:
    """(M, 2) px -> (M, 2, 2) yards per px at the ground."""
    here = camera.px_to_ground(px)
    dx = camera.px_to_ground(px + [1.0, 0.0]) - here
    dy = camera.px_to_ground(px + [0.0, 1.0]) - here
    return np.stack([dx, dy], -1)


def yard_px(camera: Camera, xy: Array) -> Array:
    """(M,) px that one yard upright takes at ground points (M, 2) yards."""
    foot = camera.ground_to_px(xy)
    top = camera.project(np.concatenate([xy, np.ones((len(xy), 1))], 1))
    return np.asarray(np.linalg.norm(top - foot, axis=-1))


def on_ground(sample: Sample, settings: TrackSettings) -> Finds:
    """The people of a frame on the ground, without bystanders, doubles and those beyond the lines."""
    people, reg = sample.people, sample.registration
    kit = teams.comparable(np.asarray(people.kit, float))
    if reg.status != "ok" or reg.camera is None or len(people) == 0:
        none = np.zeros(0)
        return Finds(
            none.reshape(0, 2), none.reshape(0, 2, 2), none.astype(np.int64), none.astype(np.int64), none,
            kit[:0], none.astype(bool), none, none.astype(bool),
        )  # fmt: skip
    height = (people.box_px[:, 3] - people.box_px[:, 1]).astype(float)
    xy, cov = _places(people, reg.camera, height, settings)
    fld = load_field(reg.level)
    m = settings.field_margin_yd
    inside = (
        np.isfinite(xy).all(1) & np.isfinite(cov).all((1, 2))
        & (xy[:, 0] > -m) & (xy[:, 0] < fld.length + m) & (xy[:, 1] > -m) & (xy[:, 1] < fld.width + m)
        & (people.role != BYSTANDER)
    )  # fmt: skip
    keep = np.flatnonzero(inside)
    keep = keep[~_doubles(xy[keep], people.box_px[keep].astype(float), people.confidence[keep].astype(float), settings)]
    iou = _iou(people.box_px[keep].astype(float))
    piled = np.asarray((iou > 0.1).any(1), bool) if len(keep) else np.zeros(0, bool)
    tall = height[keep] / np.maximum(yard_px(reg.camera, xy[keep]), 1e-6)
    sure = people.confidence[keep].astype(float)
    near = np.linalg.norm(xy[keep][:, None] - xy[keep][None], axis=-1) < settings.double_yd
    second = np.asarray((near & (sure[None] > sure[:, None])).any(1), bool)
    return Finds(xy[keep], cov[keep], keep, people.role[keep], sure, kit[keep], piled, tall, second)


def _places(people: People, camera: Camera, height_px: Array, settings: TrackSettings) -> tuple[Array, Array]:
    """Ground points (M, 2) yards and their covariances (M, 2, 2).

    Of a man whose feet the lower edge hides the head tells the place: it is about as high above the ground as heads
    are. All whom an edge cuts are less certain.
    """
    px = np.asarray(people.ground_px, float)
    xy = camera.px_to_ground(px)
    factor = np.where(people.cut, settings.cut_factor, 1.0)
    sd = settings.ground_error_of_height * np.maximum(height_px, 8.0) * factor
    edge = camera.height_px - EDGE_PX
    below = people.cut & (people.box_px[:, 3] > edge) & (px[:, 1] > edge - EDGE_PX)
    if below.any():
        head = np.asarray(people.head_px, float)
        by_head = camera.px_to_ground(head, settings.head_yd)
        foot = camera.ground_to_px(by_head)
        below &= np.isfinite(foot).all(1) & (foot[:, 1] > px[:, 1]) & (head[:, 1] < edge)
        xy = np.where(below[:, None], by_head, xy)
        px = np.where(below[:, None], foot, px)
        sd = np.where(below, settings.head_sd_yd * yard_px(camera, xy), sd)
    jac = _jacobians(camera, px)
    cov = jac @ np.swapaxes(jac, 1, 2) * (sd**2)[:, None, None] + np.eye(2) * settings.registration_error_yd**2
    return xy, cov


def with_faint(finds: Finds, sample: Sample, settings: TrackSettings, shift: Array) -> Finds:
    """The finds of a frame, then its faint ones that are no double of them. index goes on past the sure people.

    shift (2,): yards by which finds were moved to agree with the frames before.
    """
    if sample.faint is None or len(sample.faint) == 0:
        return finds
    more = on_ground(Sample(sample.frame, sample.time_s, sample.faint, sample.registration), settings)
    if not len(more.xy):
        return finds
    more = replace(more, xy=more.xy + shift)
    if len(finds.xy):
        gap = np.linalg.norm(more.xy[:, None] - finds.xy[None], axis=-1).min(1)
        apart = gap >= 2 * settings.merge_yd
    else:
        apart = np.ones(len(more.xy), bool)
    more = take(more, np.flatnonzero(apart))
    more = replace(more, index=more.index + len(sample.people))
    return Finds(*(np.concatenate([getattr(finds, k), getattr(more, k)]) for k in FIELDS))


def take(finds: Finds, keep: NDArray[np.int64]) -> Finds:
    """The finds at these indices."""
    return Finds(*(getattr(finds, k)[keep] for k in FIELDS))


def _iou(box: Array) -> Array:
    """(M, M) intersection over union, zero on the diagonal."""
    wh = np.minimum(box[:, None, 2:], box[None, :, 2:]) - np.maximum(box[:, None, :2], box[None, :, :2])
    inter = np.prod(np.clip(wh, 0, None), -1)
    area = np.prod(box[:, 2:] - box[:, :2], -1)
    union = area[:, None] + area[None] - inter
    iou = inter / np.maximum(union, 1e-9)
    np.fill_diagonal(iou, 0.0)
    return iou


def _doubles(xy: Array, box: Array, confidence: Array, settings: TrackSettings) -> NDArray[np.bool_]:
    """(M,) True for the less sure of two finds on one person."""
    gap = np.linalg.norm(xy[:, None] - xy[None], axis=-1)
    same = (gap < settings.merge_yd) | ((_iou(box) > settings.merge_iou) & (gap < 3 * settings.merge_yd))
    drop = np.zeros(len(xy), bool)
    for i in np.argsort(-np.asarray(confidence)):
        if not drop[i]:
            rivals = same[i].copy()
            rivals[i] = False
            drop |= rivals & ~drop & (np.asarray(confidence) <= confidence[i])
    return drop
