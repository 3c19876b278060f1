"""Who wears what: the part of a mesh that stays the same over a clip (colours, atlas places, shapes)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import atlas as at
from models.training.film.figures import poses
from models.training.film.figures.bodies import KINDS, Template, template
from models.training.film.figures.wardrobe import COLORS, SKIN, Kit, Wardrobe
from models.training.film.figures.zones import CLOTH, MATERIAL, ZONE, ZONES

F = NDArray[np.float64]


class PersonLike(Protocol):
    """What is read of a person (see the playbook's Person). ``kind`` (one of KINDS) is optional."""

    @property
    def id(self) -> int: ...
    @property
    def side(self) -> str: ...
    @property
    def role(self) -> str: ...
    @property
    def position(self) -> str: ...
    @property
    def number(self) -> int: ...
    @property
    def height_yd(self) -> float: ...
    @property
    def build(self) -> float: ...


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


def kind_of(person: PersonLike, rng: np.random.Generator) -> str:
    """The template of a person; bystanders without a kind become staff, capes or photographers at random."""
    if person.role == "player":
        return "player"
    if person.role == "official":
        return "official"
    kind = str(getattr(person, "kind", ""))
    return kind if kind in KINDS else str(rng.choice(["staff", "staff", "staff", "cape", "player", "photographer"]))


def _variant(person: PersonLike, rng: np.random.Generator) -> int:
    """Linemen and linebackers put hands on knees; receivers and corners stand lightly."""
    if person.position in ("receiver", "corner"):
        return int(rng.choice([0, 0, 0, 3]))
    if person.position in ("linebacker", "slot_defender", "safety", "back"):
        return int(rng.choice([0, 1, 2, 3, 3] if person.position == "safety" else [1, 2, 2, 3]))
    if person.position in ("guard", "tackle", "center"):
        return int(rng.choice([1, 1, 2]))
    return int(rng.integers(poses.VARIANTS))


def make_cast(people: Sequence[PersonLike], wardrobe: Wardrobe, seeds: NDArray[np.int64], fine: NDArray[np.bool_]) -> Cast:
    """Everything about these people that no frame changes."""
    n = len(people)
    rngs = [np.random.default_rng([int(s) & 0x7FFFFFFF, 77]) for s in seeds]
    kinds = [kind_of(p, r) for p, r in zip(people, rngs, strict=True)]
    variant = np.array([_variant(p, r) for p, r in zip(people, rngs, strict=True)], int).reshape(n)
    mirror = np.array([r.random() < 0.4 for r in rngs], bool).reshape(n)
    noise = np.array([r.standard_normal(len(poses.PARAMS)) for r in rngs]).reshape(n, -1)
    build = np.clip([p.build for p in people], 0.8, 1.4).reshape(n)
    padded = np.array([k == "player" for k in kinds], bool).reshape(n)
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
    uv = np.empty((len(who), v, 2), np.float32)
    for k, i in enumerate(who):
        person, rng = people[i], rngs[i]
        srgb = _dress(kind, person, wardrobe, rng)
        linear = at.to_linear(srgb / 255.0)[shape.zone]
        speckle = 1 + 0.05 * rng.standard_normal(v) * (MATERIAL[shape.zone] == CLOTH)
        color[k] = np.clip(linear * (shape.shade * speckle)[:, None], 0, 1)
        uv[k] = _place(kind, person, shape, rng, int(getattr(person, "team", -1)))
    return Group(shape, who, color, uv, MATERIAL[shape.zone], shape.triangle)


def team_of(person: PersonLike) -> int:
    """0 offence, 1 defence, -1 neither."""
    return {"offense": 0, "defense": 1}.get(person.side, int(getattr(person, "team", -1)))


def _place(kind: str, person: PersonLike, shape: Template, rng: np.random.Generator, team: int) -> F:
    """(V, 2) atlas places: panels to their cells, cloth to a fold tile, the rest to white."""
    x, y, z = shape.vertex.T
    uv = np.tile(np.array(at.white_uv()), (len(x), 1))
    cloth = MATERIAL[shape.zone] == CLOTH
    left, top, w, h = at.tile_rect(int(rng.integers(4)))
    u = np.abs(2 * ((shape.uv[:, 0] + rng.uniform(0, 1)) % 1.0) - 1) if False else 1 - np.abs(2 * shape.uv[:, 0] - 1)
    fold = np.stack([left + w * u, top + h * np.clip(rng.uniform(0, 0.45) + shape.uv[:, 1] * 1.2, 0, 1)], 1)
    uv[cloth] = fold[cloth]
    if kind == "official":
        left, top, w, h = at.tile_rect(4)
        zone = np.isin(shape.zone, [ZONE[n] for n in ("shirt", "yoke", "cap0", "cap1", "cap2", "cap3", "sl0", "sl1",
                                                       "sl2", "sl3")])  # fmt: skip
        around = np.where(np.abs(y) > 0.105, 0.5 * u, u)
        bars = np.stack([left + w * around, top + h * np.clip(shape.uv[:, 1] * 1.5, 0, 1)], 1)
        uv[zone] = bars[zone]
    team = team_of(person) if team < 0 else team
    if kind == "player":
        _place_panels(uv, shape, person, max(team, 0), int(rng.integers(at.NAMES)))
    return uv


def _place_panels(uv: F, shape: Template, person: PersonLike, team: int, name: int) -> None:
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
    m = shape.zone == ZONE["decal"]
    left, top, w, h = at.decal_rect(team)
    uv[m] = np.stack([left + w * np.clip(shape.uv[m, 0], 0, 1), top + h * np.clip(1 - shape.uv[m, 1], 0, 1)], 1)


def _dress(kind: str, person: PersonLike, wardrobe: Wardrobe, rng: np.random.Generator) -> F:
    """(zones, 3) sRGB colours of one person."""
    c = np.full((len(ZONES), 3), 128.0)
    skin = np.array(SKIN[int(rng.integers(len(SKIN)))], float) * rng.uniform(0.88, 1.05)
    for name in ("face", "neck", "hand", "palm"):
        c[ZONE[name]] = skin
    hair = np.array(((30, 22, 18), (60, 42, 28), (150, 120, 80), (110, 108, 104))[int(rng.integers(4))], float)
    c[ZONE["hair"]] = hair
    for name, value in (("gear", 28), ("lens", 40), ("pole", 190), ("strap", 30), ("headset", 35), ("sole", 60)):
        c[ZONE[name]] = value * rng.uniform(0.8, 1.15)
    team = team_of(person)
    if kind == "player":
        _dress_player(c, wardrobe.kits[max(team, 0)], person, skin, rng)
    elif kind == "official":
        _dress_official(c, wardrobe, skin, rng)
    else:
        _dress_staff(c, kind, wardrobe, team, skin, rng)
    return c


def _set(c: F, names: str, value: F) -> None:
    for name in names.split():
        c[ZONE[name]] = value


def _dress_player(c: F, kit: Kit, person: PersonLike, skin: F, rng: np.random.Generator) -> None:
    long_under, gloves, odd_shoes, towel = rng.random(4) < kit.mood
    _set(c, "jersey sleeve_number shoulder_number tail", kit.jersey)
    _set(c, "jersey_side", kit.side)
    _set(c, "yoke", kit.yoke)
    _set(c, "collar", kit.collar)
    _set(c, "front_number back_number name decal", np.full(3, 255.0))
    arm = kit.under if long_under else skin
    big = person.build > 1.12
    end = min(kit.sleeve_end + (1 if not big and rng.random() < 0.4 else 0), 5)
    for i, name in enumerate("sl0 sl1 sl2 sl3 cap0 cap1 cap2 cap3".split()):
        c[ZONE[name]] = kit.sleeve[i] if i >= end else arm
    _set(c, "fa0 fa1 fa2 fa3", arm)
    white, black = np.full(3, 232.0), np.full(3, 24.0)
    extra = rng.random(4)
    if extra[0] < 0.3:
        _set(c, "fa0", white if rng.random() < 0.6 else black)
    if extra[1] < 0.18:
        _set(c, "fa3 sl0", black if rng.random() < 0.6 else white)
    if extra[2] < 0.15:
        _set(c, "fa1 fa2", kit.under)
    if gloves:
        _set(c, "hand palm", kit.glove if rng.random() < 0.7 else (white if rng.random() < 0.5 else black))
    _set(c, "belt", kit.belt)
    _set(c, "pants", kit.pants)
    _set(c, "pants_s0", kit.pants_edge)
    _set(c, "pants_s1", kit.pants_stripe)
    _set(c, "towel", white if towel else kit.pants)
    high = rng.random()
    _set(c, "knee", kit.pants if high < 0.6 else skin if high < 0.85 else kit.sock[-1])
    for i in range(5):
        c[ZONE[f"cf{i}"]] = kit.sock[i]
    if rng.random() < 0.3:
        bare = int(rng.integers(1, 4))
        _set(c, " ".join(f"cf{i}" for i in range(bare, 5)), skin if rng.random() < 0.7 else kit.under)
    shoe = kit.shoe
    if odd_shoes:
        shoe = np.array(list(COLORS.values())[int(rng.integers(len(COLORS)))], float) if rng.random() < 0.4 else (
            white if rng.random() < 0.5 else black)  # fmt: skip
    _set(c, "shoe", shoe)
    if rng.random() < 0.2:
        _set(c, "cf0", white if rng.random() < 0.7 else black)
    _set(c, "sole", white if rng.random() < 0.5 else black)
    _set(c, "shell", kit.shell)
    _set(c, "shell_s0", kit.shell_edge)
    _set(c, "shell_s1", kit.shell_stripe)
    _set(c, "mask", kit.mask)
    _set(c, "face", skin * 0.45)
    _set(c, "visor", skin * 0.4 if rng.random() < 0.75 else np.full(3, 40.0))
    _set(c, "neck", skin * 0.6)


def _dress_official(c: F, wardrobe: Wardrobe, skin: F, rng: np.random.Generator) -> None:
    o = wardrobe.officials
    stripes = np.full(3, 240.0)
    _set(c, "shirt yoke cap0 cap1 cap2 cap3 sl0 sl1 sl2 sl3 collar", stripes)
    _set(c, "collar", o["cap"])
    bare = not wardrobe.cold and rng.random() < 0.75
    _set(c, "fa0 fa1 fa2 fa3", skin if bare else o["cap"])
    if bare:
        _set(c, "sl0", skin)
    _set(c, "pants pants_s0 pants_s1 knee cf1 cf2 cf3 cf4", o["pants"])
    _set(c, "cf0", o["sock"] if rng.random() < 0.5 else o["pants"])
    if o["pants"].mean() > 120 and rng.random() < 0.6:
        _set(c, "cf0 cf1 cf2 cf3", o["sock"])
    if o["pants"].mean() < 120 and rng.random() < 0.4:
        _set(c, "pants_s1", np.full(3, 230.0))
    _set(c, "belt", o["belt"])
    _set(c, "shoe", o["shoe"])
    _set(c, "cap brim", o["chief_cap"] if rng.random() < 0.15 else o["cap"])
    _set(c, "headset", skin)


def _dress_staff(c: F, kind: str, wardrobe: Wardrobe, team: int, skin: F, rng: np.random.Generator) -> None:
    names = [n for n in COLORS if wardrobe.split == "test" or n not in ("lime", "pink", "violet")]

    def any_color() -> F:
        return np.array(COLORS[names[int(rng.integers(len(names)))]], float) * rng.uniform(0.8, 1.1)

    kit = wardrobe.kits[team] if team in (0, 1) else None
    own = wardrobe.sideline if kit is None else (kit.jersey if rng.random() < 0.6 else kit.shell)
    top = own if rng.random() < 0.6 else any_color()
    bottom = np.array(((186, 164, 128), (30, 30, 34), (60, 62, 70), (40, 48, 78))[int(rng.integers(4))], float)
    _set(c, "shirt yoke collar cap0 cap1 cap2 cap3 sl0 sl1 sl2 sl3", top)
    sleeves = wardrobe.cold or rng.random() < 0.45
    _set(c, "fa0 fa1 fa2 fa3", top if sleeves else skin)
    if not sleeves:
        _set(c, "sl0 sl1", skin)
    _set(c, "pants pants_s0 pants_s1 knee cf0 cf1 cf2 cf3 cf4", bottom)
    if not wardrobe.cold and rng.random() < 0.35:
        _set(c, "knee cf1 cf2 cf3 cf4", skin)
        _set(c, "cf0", np.full(3, 225.0))
    _set(c, "belt", bottom * 0.5)
    _set(c, "shoe", np.full(3, 230.0) if rng.random() < 0.5 else np.full(3, 35.0))
    hat = rng.random()
    _set(c, "cap brim", own if hat < 0.5 else any_color() if hat < 0.75 else c[ZONE["hair"]])
    if rng.random() < 0.6:
        _set(c, "headset", skin)
    _set(c, "coat", own if rng.random() < 0.7 else any_color())
    vest = kind in ("photographer", "pole", "cameraman") or rng.random() < 0.08
    if vest:
        _set(c, "shirt yoke", wardrobe.vest)
    if kind == "pole":
        _set(c, "pole sign", np.array([(230, 110, 20), (220, 40, 40)][int(rng.integers(2))], float))
