"""People as one triangle mesh: poses, skinning, and the helpers that turn a play's arrays into smooth motion."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import poses
from models.training.film.figures import skeleton as sk
from models.training.film.figures.cast import Cast, Group, PersonLike, make_cast
from models.training.film.figures.gear import HEAD
from models.training.film.figures.wardrobe import Wardrobe
from pipeline.errors import ShapeError

F = NDArray[np.float64]


@dataclass(frozen=True)
class Mesh:
    """Field frame, yards. Albedo of a point = colours (linear RGB) x wardrobe.atlas at uv, made linear.

    vertices, normals (V, 3) float32; colours (V, 3) float32; uv (V, 2) float32, origin top left, 0..1;
    material (V,) int32 (0 cloth, 1 helmet, 2 skin, 3 other); person (V,) int32 index into the people given;
    triangles (F, 3) int32, anticlockwise from outside; heads_yd (P, 3) centre of helmet or head;
    feet_yd (P, 2) the ground point: middle of the feet, for a man who lies the point below his hips.
    """

    vertices: NDArray[np.float32]
    normals: NDArray[np.float32]
    colours: NDArray[np.float32]
    uv: NDArray[np.float32]
    material: NDArray[np.int32]
    person: NDArray[np.int32]
    triangles: NDArray[np.int32]
    heads_yd: F
    feet_yd: F


def build_meshes(
    people: Sequence[PersonLike],
    wardrobe: Wardrobe,
    xy_yd: F,
    velocity_yd_s: F,
    facing_rad: F,
    stance: NDArray[np.int64] | F,
    phase: F,
    rng_seed: NDArray[np.int64] | Sequence[int],
    acceleration_yd_s2: F | None = None,
    fine: NDArray[np.bool_] | bool | None = None,
) -> Mesh:
    """The mesh of P people at one moment.

    xy_yd (P, 2), velocity_yd_s (P, 2), facing_rad (P,), phase (P,) rad of the gait (see gait_phase);
    stance (P,) index into ALL_STANCES, or (P, stances) weights from soft_stance; rng_seed (P,) one a person, the
    same in every frame; acceleration_yd_s2 (P, 2) leans people; fine (P,) picks the near template (players
    and officials by default). Raises ShapeError where a shape differs.
    """
    n = len(people)
    xy, vel = np.asarray(xy_yd, float), np.asarray(velocity_yd_s, float)
    facing, ph, sd = np.asarray(facing_rad, float), np.asarray(phase, float), np.asarray(rng_seed, np.int64)
    acc = np.zeros((n, 2)) if acceleration_yd_s2 is None else np.asarray(acceleration_yd_s2, float)
    wanted = {"xy_yd": (xy, (n, 2)), "velocity_yd_s": (vel, (n, 2)), "facing_rad": (facing, (n,)),
              "phase": (ph, (n,)), "rng_seed": (sd, (n,)), "acceleration_yd_s2": (acc, (n, 2))}  # fmt: skip
    for name, (value, shape) in wanted.items():
        if value.shape != shape:
            raise ShapeError(f"build_meshes {name}: expected shape {shape}, got {value.shape}.")
    cast = _cast(people, wardrobe, sd, fine)
    turn = sk.rot_z(-facing)[:, :2, :2]
    local_v = (turn @ vel[:, :, None])[..., 0] / cast.height[:, None]
    lean = np.clip((turn @ acc[:, :, None])[..., 0] / 10.7 * 0.45, -0.25, 0.25)
    weights = _stance_weights(stance, n)
    rows = poses.pose_rows(weights, cast.variant, cast.mirror, cast.noise, local_v, ph, cast.upright)
    rig = poses.solve(rows, lean, cast.width**0.5 * (1 - 0.10 * cast.upright))
    return _assemble(cast, rig, xy, facing, weights[:, poses.STANCE["down"]])


def _stance_weights(stance: NDArray[np.int64] | F, n: int) -> F:
    s = np.asarray(stance)
    if s.ndim == 1:
        if s.shape != (n,):
            raise ShapeError(f"build_meshes stance: expected shape ({n},), got {s.shape}.")
        return np.eye(len(poses.ALL_STANCES))[s.astype(int)]
    if s.shape[0] != n or s.shape[1] > len(poses.ALL_STANCES):
        raise ShapeError(f"build_meshes stance: expected ({n}, up to {len(poses.ALL_STANCES)}), got {s.shape}.")
    return np.pad(s.astype(float), ((0, 0), (0, len(poses.ALL_STANCES) - s.shape[1])))


def _cast(
    people: Sequence[PersonLike], wardrobe: Wardrobe, seeds: NDArray[np.int64], fine: NDArray[np.bool_] | bool | None
) -> Cast:
    if fine is None:
        near = np.array([p.role != "bystander" for p in people], bool)
    else:
        near = np.broadcast_to(np.asarray(fine, bool), (len(people),))
    key = (tuple(people), seeds.tobytes(), near.tobytes())
    if key not in wardrobe.cache:
        if len(wardrobe.cache) > 8:
            wardrobe.cache.clear()
        wardrobe.cache[key] = make_cast(people, wardrobe, seeds, near)
    cast: Cast = wardrobe.cache[key]
    return cast


_LIMB = np.array([n[:4] in ("arm_", "fore", "thig", "shin", "hand", "foot") for n in sk.BONES])
_TRUNK = np.array([n in ("pelvis", "belly", "chest") for n in sk.BONES])


def _matrices(cast: Cast, rig: sk.Rig, xy: F, facing: F) -> tuple[F, F]:
    """Skinning (P, B, 4, 3) to field yards and normal (P, B, 3, 3) matrices, for row vectors."""
    width = cast.width[:, None]
    thick = np.where(_LIMB, width**0.8, np.where(_TRUNK, width, 1.0))
    scale = np.ones(rig.origin.shape)
    scale[..., 0] = np.where(_TRUNK, width**0.8, thick)
    scale[..., 1] = np.where(_TRUNK, width**0.85, thick)
    feet = np.array([n.startswith(("foot", "hand")) for n in sk.BONES])
    scale[:, feet] = 1 + (scale[:, feet] - 1) * 0.3
    world = sk.rot_z(facing)[:, None]
    rot = world @ rig.rotation
    org = (world @ rig.origin[..., None])[..., 0]
    size = cast.height[:, None, None]
    m = np.empty(rig.origin.shape[:2] + (4, 3))
    m[..., :3, :] = np.swapaxes(rot * scale[..., None, :], -1, -2) * size[..., None]
    m[..., 3, :] = org * size + np.concatenate([xy, np.zeros((len(xy), 1))], 1)[:, None]
    normal = np.swapaxes(rot / scale[..., None, :], -1, -2)
    return m, normal


def _assemble(cast: Cast, rig: sk.Rig, xy: F, facing: F, lying: F) -> Mesh:
    m, nm = _matrices(cast, rig, xy, facing)
    verts, norms, persons, tris = [], [], [], []
    drop = np.zeros(len(xy))
    base = 0
    for g in cast.groups:
        v, nrm = _skin(g, m, nm, cast.belly)
        low = v[..., 2].min(1)
        drop[g.who] = low
        v[..., 2] -= low[:, None]
        count = v.shape[1]
        verts.append(v.reshape(-1, 3))
        norms.append(nrm.reshape(-1, 3))
        persons.append(np.repeat(g.who, count).astype(np.int32))
        tris.append(g.triangle + np.int32(base))
        base += count * len(g.who)
    b = sk.BONE
    head = np.append(HEAD - sk.rest_origins()[b["head"]], 1.0)
    heads = np.einsum("k,pkc->pc", head, m[:, b["head"]])
    heads[:, 2] -= drop
    sole = np.array([0.03, 0.0, -sk.ANKLE_Z, 1.0])
    feet = sum(np.einsum("k,pkc->pc", sole, m[:, b[f]])[:, :2] for f in ("foot_l", "foot_r")) / 2
    hips = m[:, b["pelvis"], 3, :2]
    ground = feet + np.clip(lying, 0, 1)[:, None] * (hips - feet)

    def cat(parts: list[NDArray[np.float32]], width: int) -> NDArray[np.float32]:
        return np.concatenate(parts) if parts else np.zeros((0, width), np.float32)

    return Mesh(
        cat(verts, 3), cat(norms, 3), cat([g.color.reshape(-1, 3) for g in cast.groups], 3),
        cat([g.uv.reshape(-1, 2) for g in cast.groups], 2),
        np.concatenate([np.tile(g.material, len(g.who)) for g in cast.groups] or [np.zeros(0, np.int32)]),
        np.concatenate(persons or [np.zeros(0, np.int32)]),
        np.concatenate(tris or [np.zeros((0, 3), np.int32)]), heads, ground,
    )  # fmt: skip


def _skin(g: Group, m: F, nm: F, belly: F) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """(N, V, 3) vertices and unit normals of one group."""
    k = len(g.who)
    mats = m[g.who].astype(np.float32).reshape(k, -1, 3).transpose(1, 0, 2).reshape(-1, 3 * k)
    fat = mats.reshape(-1, k, 3) * belly[g.who].astype(np.float32)[:, None]
    v = g.shape.skin @ mats
    some = np.flatnonzero(np.abs(g.shape.belly).sum(1) > 1e-6)
    v[some] += g.shape.belly[some] @ fat.reshape(-1, 3 * k)
    nmats = nm[g.who].astype(np.float32).reshape(k, -1, 3).transpose(1, 0, 2).reshape(-1, 3 * k)
    nrm = (g.shape.bend @ nmats).reshape(-1, k, 3)
    nrm /= np.sqrt(np.maximum(np.einsum("vkc,vkc->vk", nrm, nrm), 1e-12))[..., None]
    return np.ascontiguousarray(v.reshape(-1, k, 3).transpose(1, 0, 2)), np.ascontiguousarray(nrm.transpose(1, 0, 2))


def gait_phase(xy_yd: F, hz: float, start: F | None = None) -> F:
    """(T, P) rad from positions (T, P, 2) at hz: 2 pi per stride of two steps, strides longer at speed.

    Stride length 1.0 + 0.42 yd per yd/s (walk about 1.5 yd, sprint about 4.5 yd; common practice, from memory).
    """
    xy = np.asarray(xy_yd, float)
    step = np.linalg.norm(np.diff(xy, axis=0, prepend=xy[:1]), axis=-1)
    speed = step * hz
    phase = np.cumsum(2 * np.pi * step / (1.0 + 0.42 * speed), axis=0)
    offset = np.linspace(0, 2 * np.pi * 7, xy.shape[1], endpoint=False) if start is None else start
    return phase + offset


def soft_stance(stance: NDArray[np.int64], hz: float, rise_s: float = 0.30) -> NDArray[np.float32]:
    """(T, P, stances) weights from stance (T, P): each change eases in over rise_s after it happens."""
    s = np.asarray(stance, int)
    hard = np.eye(len(poses.ALL_STANCES), dtype=np.float32)[s]
    width = max(int(round(rise_s * hz)), 1)
    ramp = poses.smooth(np.arange(1, width + 1) / width, 0.0, 1.0)
    kernel = np.diff(ramp, prepend=0.0).astype(np.float32)
    padded = np.concatenate([np.repeat(hard[:1], width - 1, 0), hard])
    out = np.zeros_like(hard)
    for k, weight in enumerate(kernel):
        out += weight * padded[width - 1 - k : width - 1 - k + len(hard)]
    return out
