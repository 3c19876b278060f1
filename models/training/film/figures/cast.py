"""Who wears what: the part of a mesh that stays the same over a clip (colours, atlas places, shapes)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import atlas as at
from models.training.film.figures import poses
from models.training.film.figures.bodies import KINDS, Template, template
from models.training.film.figures.dress import BARE_ARM, NUMBERED, PersonLike, dress, other_arm, team_of
from models.training.film.figures.wardrobe import Kit, Wardrobe
from models.training.film.figures.zones import CLOTH, MATERIAL, ZONE

_PADDED = ("player", "bare_player", "cape")

F = NDArray[np.float64]


@dataclass(frozen=True)
class Bystander:
    """A person beside the field; kind is one of KINDS or '' for any, team 0, 1 or -1 for whose colours."""

    id: int
    kind: str = ""
    team: int = -1
    number: int = 0
    height_yd: float = 1.95
    build: float = 1.0
    side: str = "unknown"
    role: str = "bystander"
    position: str = "unknown"


@dataclass(frozen=True)
class Group:
    """People that share a template: who (N,) indices; color (N, V, 3) linear; uv (N, V, 2)."""

    shape: Template
    who: NDArray[np.int64]
    color: NDArray[np.float32]
    uv: NDArray[np.float32]
    material: NDArray[np.int32]
    triangle: NDArray[np.int32]


@dataclass(frozen=True)
class Cast:
    """P people: groups, and per person variant, mirror, noise (P, D), height, width, belly, upright."""

    groups: tuple[Group, ...]
    variant: NDArray[np.int64]
    mirror: NDArray[np.bool_]
    noise: F
    height: F
    width: F
    belly: F
    upright: F


_ANY = ("staff", "staff", "staff", "staff", "cape", "player", "bare_player", "photographer", "water")


def kind_of(person: PersonLike, wardrobe: Wardrobe, rng: np.random.Generator) -> str:
    """The template of a person; bystanders without a kind become staff, capes or photographers at random."""
    if person.role == "player":
        return "athlete" if wardrobe.style == "athlete" else "player"
    if person.role == "official":
        return "official"
    kind = str(getattr(person, "kind", ""))
    return kind if kind in KINDS else str(rng.choice(_ANY))


def _variant(person: PersonLike, rng: np.random.Generator) -> int:
    """Linemen and linebackers put hands on knees; receivers and corners stand lightly."""
    if person.position in ("receiver", "corner"):
        return int(rng.choice([0, 0, 0, 3]))
    if person.position in ("linebacker", "slot_defender", "safety", "back"):
        return int(rng.choice([0, 1, 2, 3, 3] if person.position == "safety" else [1, 2, 2, 3]))
    if person.position in ("guard", "tackle", "center"):
        return int(rng.choice([1, 1, 2]))
    return int(rng.integers(poses.VARIANTS))


def make_cast(
    people: Sequence[PersonLike], wardrobe: Wardrobe, seeds: NDArray[np.int64], fine: NDArray[np.bool_]
) -> Cast:
    """Everything about these people that no frame changes."""
    n = len(people)
    rngs = [np.random.default_rng([int(s) & 0x7FFFFFFF, 77]) for s in seeds]
    kinds = [kind_of(p, wardrobe, r) for p, r in zip(people, rngs, strict=True)]
    variant = np.array([_variant(p, r) for p, r in zip(people, rngs, strict=True)], int).reshape(n)
    mirror = np.array([r.random() < 0.4 for r in rngs], bool).reshape(n)
    noise = np.array([r.standard_normal(len(poses.PARAMS)) for r in rngs]).reshape(n, -1)
    build = np.clip([p.build for p in people], 0.8, 1.4).reshape(n)
    padded = np.array([k in _PADDED for k in kinds], bool).reshape(n)
    belly = np.where(padded, np.clip((build - 1.06) / 0.2, 0, 1.3), [max(0.0, r.normal(0.3, 0.5)) for r in rngs])
    groups = []
    for kind in sorted(set(kinds)):
        for level in (True, False):
            who = np.array([i for i in range(n) if kinds[i] == kind and bool(fine[i]) == level], int)
            if len(who):
                groups.append(_group(kind, level, who, people, wardrobe, rngs))
    return Cast(
        tuple(groups), variant, mirror, noise, np.array([p.height_yd for p in people], float).reshape(n),
        build, belly, np.where(padded, 0.0, 1.0),
    )  # fmt: skip


def _group(
    kind: str, fine: bool, who: NDArray[np.int64], people: Sequence[PersonLike], wardrobe: Wardrobe,
    rngs: list[np.random.Generator],
) -> Group:  # fmt: skip
    shape = template(kind, fine)
    v = len(shape.zone)
    color = np.empty((len(who), v, 3), np.float32)
    triangles = []
    uv = np.empty((len(who), v, 2), np.float32)
    for k, i in enumerate(who):
        person, rng = people[i], rngs[i]
        srgb = dress(kind, person, wardrobe, rng)
        linear = at.to_linear(srgb / 255.0)[shape.zone]
        if kind in NUMBERED:
            arm = np.isin(shape.zone, BARE_ARM) & (shape.vertex[:, 1] < 0)
            linear[arm] = at.to_linear(other_arm(srgb, rng) / 255.0)[shape.zone[arm]]
        speckle = 1 + 0.05 * rng.standard_normal(v) * (MATERIAL[shape.zone] == CLOTH)
        linear = linear * (shape.shade * speckle * rng.uniform(0.9, 1.06))[:, None]
        color[k] = np.clip(_soil(linear, shape, wardrobe.dirt if kind == "player" else 0.0, rng), 0, 1)
        triangles.append(_worn(shape, kind, wardrobe, person, rng) + k * v)
        uv[k] = _place(kind, person, shape, wardrobe, rng, int(getattr(person, "team", -1)))
    return Group(shape, who, color, uv, MATERIAL[shape.zone], np.concatenate(triangles).astype(np.int32))


def _worn(
    shape: Template, kind: str, wardrobe: Wardrobe, person: PersonLike, rng: np.random.Generator
) -> NDArray[np.int32]:
    """Triangles without the pieces this person does not wear (towel, long hair)."""
    if kind == "athlete":
        return shape.triangle[shape.zone[shape.triangle[:, 0]] != ZONE["brim"]]
    if kind != "player":
        return shape.triangle
    towel = wardrobe.kits[max(team_of(person), 0)].mood[3]
    off = [ZONE[n] for n, share in (("towel", towel), ("hair_tail", 0.10)) if rng.random() >= share]
    return shape.triangle[~np.isin(shape.zone[shape.triangle[:, 0]], off)]


def _soil(linear: F, shape: Template, dirt: float, rng: np.random.Generator) -> F:
    """Mud and grass stains on knees, trousers and sleeves."""
    if dirt <= 0:
        return linear
    x, y, z = shape.vertex.T
    wave = np.sin(rng.uniform(30, 60) * x + rng.uniform(0, 6)) + np.sin(rng.uniform(30, 60) * y + rng.uniform(0, 6))
    wave += np.sin(rng.uniform(20, 50) * z + rng.uniform(0, 6))
    amount = np.clip(wave * 0.5 + rng.normal(-0.3, 0.7), 0, 1) * dirt
    amount *= np.interp(z, [0.1, 0.3, 0.5, 0.8], [0.8, 1, 0.6, 0.25])
    ink = np.array((0.12, 0.085, 0.05)) if rng.random() < 0.6 else np.array((0.10, 0.14, 0.05))
    amount = (amount * (MATERIAL[shape.zone] == CLOTH))[:, None]
    return linear + amount * (ink - linear)


def _place(
    kind: str, person: PersonLike, shape: Template, wardrobe: Wardrobe, rng: np.random.Generator, team: int
) -> F:
    """(V, 2) atlas places: panels to their cells, cloth to a fold tile, the rest to white."""
    y = shape.vertex[:, 1]
    uv = np.tile(np.array(at.white_uv()), (len(y), 1))
    cloth = MATERIAL[shape.zone] == CLOTH
    left, top, w, h = at.tile_rect(int(rng.integers(4)))
    u = 1 - np.abs(2 * shape.uv[:, 0] - 1)
    fold = np.stack([left + w * u, top + h * np.clip(rng.uniform(0, 0.45) + shape.uv[:, 1] * 1.2, 0, 1)], 1)
    uv[cloth] = fold[cloth]
    if kind == "official" and "plain" not in wardrobe.officials:
        left, top, w, h = at.tile_rect(4)
        zone = np.isin(shape.zone, [ZONE[n] for n in ("shirt", "yoke", "cap0", "cap1", "cap2", "cap3", "sl0", "sl1",
                                                       "sl2", "sl3")])  # fmt: skip
        around = np.where(np.abs(y) > 0.105, 0.5 * u, u)
        bars = np.stack([left + w * around, top + h * np.clip(shape.uv[:, 1] * 1.5, 0, 1)], 1)
        uv[zone] = bars[zone]
    team = team_of(person) if team < 0 else team
    if kind in NUMBERED:
        _place_panels(uv, shape, person, wardrobe.kits[max(team, 0)], max(team, 0), int(rng.integers(at.NAMES)))
    return uv


def _place_panels(uv: F, shape: Template, person: PersonLike, kit: Kit, team: int, name: int) -> None:
    x, y, z = shape.vertex.T
    number = at.number_rect(team, person.number)
    for zone, turn, rect, (y0, z0, wide, high) in (
        ("front_number", 1.0, number, (0, 0.705, 0.185, 0.185)),
        ("back_number", -1.0, number, (0, 0.70, 0.20, 0.20)),
        ("name", -1.0, at.name_rect(team, name), (0, 0.797, 0.21, 0.034)),
    ):
        m = shape.zone == ZONE[zone]
        left, top, w, h = rect
        uv[m, 0] = left + w * np.clip(0.5 + turn * (y[m] - y0) / wide, 0, 1)
        uv[m, 1] = top + h * np.clip(0.5 - (z[m] - z0) / high, 0, 1)
    m = (shape.zone == ZONE["sleeve_number"]) & kit.sleeve_numbers
    left, top, w, h = number
    uv[m, 0] = left + w * np.clip(0.5 - np.sign(y[m]) * x[m] / 0.105, 0, 1)
    uv[m, 1] = top + h * np.clip(0.5 - (z[m] - 0.797) / 0.075, 0, 1)
    m = shape.zone == ZONE["decal"]
    left, top, w, h = at.decal_rect(team)
    uv[m] = np.stack([left + w * np.clip(shape.uv[m, 0], 0, 1), top + h * np.clip(1 - shape.uv[m, 1], 0, 1)], 1)
