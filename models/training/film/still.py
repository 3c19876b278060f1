"""One moment of a play as a picture with its truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film import effects, props
from models.training.film.cameras import cameras
from models.training.film.crowd import Beside, beside
from models.training.film.figures import Mesh, Wardrobe, build_meshes, draw_wardrobe, gait_phase, soft_stance
from models.training.film.look import Look, Paint
from models.training.film.mesh import Solid, ball, join
from models.training.film.scene import MOST_PEOPLE, Renderer
from models.training.film.tags import tags
from models.training.playbook.play import Play
from pipeline.camera import Camera
from pipeline.field import Field
from pipeline.records import ROLES, SIDES

MOTION_SEEN_YD = 0.02  # half a pixel at 40 px a yard, slower people look the same with an open shutter


@dataclass(frozen=True)
class StillTruth:
    """Truth of one picture. N people: those whose outline meets the picture, players first.

    camera is exact for this picture (ground of height look.ground_z where crown_yd is not 0); box_px (N, 4) left
    top right bottom of the visible pixels (NaN where none), full_box_px (N, 4) of the whole body, also outside
    the picture; visible (N,) visible pixels over those of the whole outline; role, side (N,) indices into
    records.ROLES and SIDES; ground_px (N, 2) of the point between the feet, head_px (N, 2) middle of the helmet;
    xy_yd (N, 2) the play's position, feet_yd (N, 2) the ground point; in_picture (N,) ground point inside;
    cut (N,) the picture's edge cuts the body; tags: one word a key of tags.KEYS, how the picture looks.
    """

    camera: Camera
    field: Field
    paint: Paint
    view: str
    kind: str
    crown_yd: float
    time_s: float
    person_id: NDArray[np.int64]
    role: NDArray[np.int64]
    side: NDArray[np.int64]
    position: tuple[str, ...]
    box_px: NDArray[np.float64]
    full_box_px: NDArray[np.float64]
    visible: NDArray[np.float64]
    ground_px: NDArray[np.float64]
    head_px: NDArray[np.float64]
    xy_yd: NDArray[np.float64]
    feet_yd: NDArray[np.float64]
    in_picture: NDArray[np.bool_]
    cut: NDArray[np.bool_]
    tags: dict[str, str] = field(default_factory=dict)

    @property
    def level(self) -> str:
        return self.field.level

    def __len__(self) -> int:
        return len(self.person_id)


@lru_cache(maxsize=4)
def renderer(size: tuple[int, int]) -> Renderer:
    """The renderer of this process for a picture size."""
    return Renderer(size)


@lru_cache(maxsize=3)
def wardrobe_of(seed: int, level: str, split: str, snow: bool) -> Wardrobe:
    return draw_wardrobe(np.random.default_rng(seed), level, split, snow)


class Stage:
    """A play with its look: poses people for any moment, knows whom a camera can see."""

    def __init__(self, play: Play, look: Look) -> None:
        self.play, self.look = play, look
        self.wardrobe = wardrobe_of(look.wardrobe_seed, look.level, look.split, look.turf.snow > 0)
        self.beside: Beside = beside(look, play)
        self.people: tuple[Any, ...] = (*play.people, *self.beside.people)
        self.seeds = np.array([(look.wardrobe_seed + 7919 * p.id) % 2**31 for p in self.people], np.int64)
        self.phase = gait_phase(play.xy_yd, play.hz)
        rng = np.random.default_rng(look.venue.seed)
        gain = play.line_of_scrimmage_yd + play.direction * float(rng.uniform(1, 10))
        self.things = props.chains(look, play.line_of_scrimmage_yd, gain) if rng.random() < 0.35 else []
        if look.venue.wire_camera:
            self.things += props.wire_camera(look, play.line_of_scrimmage_yd, play.ball_y_yd)

    def xy(self, i: int) -> NDArray[np.float64]:
        return np.concatenate([self.play.xy_yd[i], self.beside.at(float(self.play.time_s[i]))])

    def seen(self, cams: list[Camera], index: list[int]) -> NDArray[np.int64]:
        """Whom any of the cameras may see, at most MOST_PEOPLE: all within a margin of the picture."""
        keep = np.zeros(len(self.people), bool)
        for cam, i in zip(cams, index, strict=True):
            xy = self.xy(i)
            top = cam.project(np.concatenate([xy, np.full((len(xy), 1), 2.1)], 1))
            foot = cam.ground_to_px(xy)
            tall = np.abs(top[:, 1] - foot[:, 1])
            m = (tall * 1.6 + 8)[:, None]
            wh = np.array([cam.width_px, cam.height_px])
            with np.errstate(invalid="ignore"):
                near = (
                    (foot > -m).all(1)
                    & (top[:, 0] > -m[:, 0])
                    & (foot[:, 0] < wh[0] + m[:, 0])
                    & (top[:, 1] < wh[1] + m[:, 0])
                )
            keep |= near & (tall < 4 * wh[1])
        who = np.flatnonzero(keep)[:MOST_PEOPLE]
        return who if len(who) else np.array([0])

    def mesh(self, i: int, who: NDArray[np.int64]) -> Mesh:
        """Triangles of some people at moment i; person indices count within who."""
        play, n = self.play, len(self.play.people)
        dt = 1.0 / play.hz
        a, b = max(i - 1, 0), min(i + 1, len(play.time_s) - 1)
        vel = (play.xy_yd[b] - play.xy_yd[a]) / max((b - a) * dt, dt)
        acc = np.zeros_like(vel)
        if a < i < b:
            acc = (play.xy_yd[b] - 2 * play.xy_yd[i] + play.xy_yd[a]) / dt**2
        first = max(i - round(0.4 * play.hz), 0)
        soft = soft_stance(play.stance[first : i + 1], play.hz)[-1]
        still = np.eye(soft.shape[1], dtype=soft.dtype)[self.beside.stance]
        k = len(self.beside.people)
        return build_meshes(
            [self.people[j] for j in who],
            self.wardrobe,
            self.xy(i)[who],
            np.concatenate([vel, np.zeros((k, 2))])[who],
            np.concatenate([play.facing_rad[i], self.beside.facing_rad])[who],
            np.concatenate([soft, still])[who],
            np.concatenate([self.phase[i], np.zeros(k)])[who],
            self.seeds[who],
            np.clip(np.concatenate([acc, np.zeros((k, 2))]), -8, 8)[who],
            np.array([j < n for j in who]),
        )

    def sweep(self, i: int, who: NDArray[np.int64], mesh: Mesh) -> NDArray[np.float32] | None:
        """(V, 3) yards the mesh moves while the shutter is open; None where that is too little to see."""
        open_s = self.look.lens.shutter / self.play.hz
        if i + 1 >= len(self.play.time_s):
            return None
        step = np.linalg.norm(self.play.xy_yd[i + 1] - self.play.xy_yd[i], axis=1) * self.play.hz
        if np.sort(step)[-6:].mean() * open_s < MOTION_SEEN_YD:
            return None
        return (self.mesh(i + 1, who).vertices - mesh.vertices) * np.float32(self.look.lens.shutter)

    def loose(self, i: int) -> list[Solid]:
        x, y, z = self.play.ball_xyz_yd[i]
        toy = ball((x, y, max(float(z), 0.12)), (0.155, 0.1, 0.1), (0.34, 0.17, 0.09), n=5)
        return [join([*self.things, toy])]


def whole_boxes(mesh: Mesh, cam: Camera, look: Look, count: int) -> NDArray[np.float64]:
    """(P, 4) box of each person's whole body in px, NaN for those without triangles."""
    v = mesh.vertices - np.asarray(cam.position_yd, np.float32)
    if look.crown_yd:
        v[:, 2] += look.ground_z(mesh.vertices[:, 1])
    c = v @ cam.rotation.T.astype(np.float32)
    p = c[:, :2] * (np.float32(cam.focal_px) / np.maximum(c[:, 2:], np.float32(0.5)))
    p *= 1 + np.float32(cam.k1 / (cam.width_px / 2) ** 2) * np.einsum("vk,vk->v", p, p)[:, None]
    p += cam.center_px.astype(np.float32)
    cuts = np.flatnonzero(np.diff(mesh.person)) + 1
    starts = np.concatenate([[0], cuts])
    out = np.full((count, 4), np.nan)
    if len(p):
        out[mesh.person[starts], :2] = np.minimum.reduceat(p, starts)
        out[mesh.person[starts], 2:] = np.maximum.reduceat(p, starts)
    return out


def visible_boxes(who: NDArray[np.uint8], count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """((P, 4) px box of the visible pixels, (P,) their number) from the picture of indices."""
    w = who.shape[1]
    flat = who.ravel()
    at = np.flatnonzero((flat > 0) & (flat < 255))
    ids = flat[at].astype(np.int64) - 1
    order = np.argsort(ids, kind="stable")
    ids, at = ids[order], at[order]
    out, px = np.full((count, 4), np.nan), np.zeros(count)
    if len(ids):
        starts = np.concatenate([[0], np.flatnonzero(np.diff(ids)) + 1])
        x, y = at % w, at // w
        k = ids[starts]
        for col, (v, f) in enumerate(((x, np.minimum), (y, np.minimum), (x, np.maximum), (y, np.maximum))):
            out[k, col] = f.reduceat(v, starts) + (-0.5 if col < 2 else 0.5)
        px[k] = np.diff(np.append(starts, len(ids)))
    return out, px


def _truth(stage: Stage, i: int, cam: Camera, who: NDArray[np.int64], mesh: Mesh, whole: NDArray[np.float64],
           mask: NDArray[np.uint8], area: NDArray[np.float64]) -> StillTruth:  # fmt: skip
    look = stage.look
    n = len(who)
    bar, side_bar = effects.active(look.lens, (cam.width_px, cam.height_px))
    if bar or side_bar:
        mask = mask.copy()
        mask[:bar] = mask[cam.height_px - bar :] = 0
        mask[:, :side_bar] = mask[:, cam.width_px - side_bar :] = 0
    box, px = visible_boxes(mask, n)
    feet = mesh.feet_yd
    ground = cam.project(np.concatenate([feet, look.ground_z(feet[:, 1])[:, None]], 1))
    heads = mesh.heads_yd.copy()
    heads[:, 2] += look.ground_z(heads[:, 1])
    lo, hi = np.array([side_bar, bar]) - 0.5, np.array([cam.width_px - side_bar, cam.height_px - bar]) - 0.5
    with np.errstate(invalid="ignore"):
        meets = (whole[:, 2:] > lo).all(1) & (whole[:, :2] < hi).all(1)
        inside = (ground > lo).all(1) & (ground < hi).all(1)
        cut = (whole[:, :2] < lo).any(1) | (whole[:, 2:] > hi).any(1)
    k = np.flatnonzero(meets)
    chosen = [stage.people[who[j]] for j in k]
    return StillTruth(
        cam, look.field, look.paint, look.view, look.kind, look.crown_yd, float(stage.play.time_s[i]),
        np.array([p.id for p in chosen], np.int64),
        np.array([ROLES.index(p.role) for p in chosen], np.int64),
        np.array([SIDES.index(p.side) for p in chosen], np.int64),
        tuple(p.position for p in chosen),
        box[k], whole[k], np.clip(px[k] / np.maximum(area[k], 1.0), 0, 1), ground[k], cam.project(heads)[k],
        stage.xy(i)[who[k]], feet[k], inside[k], cut[k], tags(look, stage.wardrobe, cam.height_px),
    )  # fmt: skip


def shoot(
    stage: Stage, i: int, cam: Camera, who: NDArray[np.int64], motion_px: tuple[float, float], seed: int
) -> tuple[NDArray[np.uint8], StillTruth]:
    """Render moment i through one camera and develop it."""
    r = renderer((cam.width_px, cam.height_px))
    mesh = stage.mesh(i, who)
    whole = whole_boxes(mesh, cam, stage.look, len(who))
    frame = r.render(stage.look, cam, mesh, stage.loose(i), whole, stage.wardrobe.atlas, stage.sweep(i, who, mesh))
    truth = _truth(stage, i, cam, who, mesh, whole, frame.who, frame.area_px)
    rng = np.random.default_rng([seed, i])
    return effects.develop(frame.picture, stage.look.lens, rng, motion_px), truth


def camera_motion(cams: list[Camera], shutter: float) -> tuple[float, float]:
    """Px the picture's middle moves between the last two cameras while the shutter is open."""
    if len(cams) < 2:
        return (0.0, 0.0)
    a, b = cams[-2], cams[-1]
    mid = a.px_to_ground(a.center_px)
    if not np.isfinite(mid).all():
        return (0.0, 0.0)
    d = (b.ground_to_px(mid) - a.center_px) * shutter
    return (float(d[0]), float(d[1])) if np.isfinite(d).all() else (0.0, 0.0)


def render_still(
    play: Play, time_index: int, look: Look, size: tuple[int, int] = (1280, 720)
) -> tuple[NDArray[np.uint8], StillTruth]:
    """(H, W, 3) BGR uint8 and its truth, at a moment of the play. Raises RenderError without OpenGL."""
    i = int(np.clip(time_index, 0, len(play.time_s) - 1))
    stage = Stage(play, look)
    cams = cameras(look, play, np.array([max(i - 1, 0), i]), size)
    who = stage.seen(cams[-1:], [i])
    return shoot(stage, i, cams[-1], who, camera_motion(cams, look.lens.shutter), look.venue.seed)
