"""The colours of one person by zone: player, official, or someone beside the field."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures.wardrobe import COLORS, SKIN, Kit, Wardrobe
from models.training.film.figures.zones import ZONE, ZONES

F = NDArray[np.float64]
_SLEEVE = ("sl0", "sl1", "sl2", "sl3", "cap0", "cap1", "cap2", "cap3")
BARE_ARM = [ZONE[n] for n in ("fa0", "fa1", "fa2", "fa3")]
NUMBERED = ("player", "bare_player", "athlete")


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


def team_of(person: PersonLike) -> int:
    """0 offence, 1 defence, -1 neither."""
    return {"offense": 0, "defense": 1}.get(person.side, int(getattr(person, "team", -1)))


def dress(kind: str, person: PersonLike, wardrobe: Wardrobe, rng: np.random.Generator) -> F:
    """(zones, 3) sRGB colours of one person."""
    c = np.full((len(ZONES), 3), 128.0)
    skin = np.array(SKIN[int(rng.integers(len(SKIN)))], float) * rng.uniform(0.88, 1.05)
    for name in ("face", "neck", "hand", "palm"):
        c[ZONE[name]] = skin
    hair = np.array(((30, 22, 18), (60, 42, 28), (150, 120, 80), (110, 108, 104))[int(rng.integers(4))], float)
    c[ZONE["hair"]] = hair
    c[ZONE["hair_tail"]] = hair * 0.7
    for name, value in (("gear", 28), ("lens", 40), ("pole", 190), ("strap", 30), ("headset", 35), ("sole", 60)):
        c[ZONE[name]] = value * rng.uniform(0.8, 1.15)
    team = team_of(person)
    if kind in NUMBERED:
        _dress_player(c, wardrobe.kits[max(team, 0)], person, skin, rng)
        if wardrobe.style != "full" or kind == "athlete":
            _set(c, "thigh thigh_s0 thigh_s1 knee", skin)
        if kind == "athlete":
            _set(c, "cap brim", hair)
            _set(c, "headset face neck", skin)
    elif kind == "official":
        _dress_official(c, wardrobe, skin, rng)
    else:
        _dress_staff(c, kind, wardrobe, team, skin, rng)
    return c


def other_arm(c: F, rng: np.random.Generator) -> F:
    """The right arm's colours: as the left, or with a sleeve, a pad or a band of its own."""
    out = c.copy()
    style = rng.random()
    cloth = np.full(3, 30.0 if rng.random() < 0.5 else 228.0)
    if style < 0.10:
        _set(out, "fa0 fa1 fa2 fa3", cloth)
    elif style < 0.2:
        _set(out, "fa0", cloth)
    elif style < 0.28:
        _set(out, "fa3", cloth)
    elif style < 0.42:
        _set(out, "fa0 fa1 fa2 fa3", c[ZONE["face"]] / 0.45)
    return np.clip(out, 0, 255)


def _set(c: F, names: str, value: F) -> None:
    for name in names.split():
        c[ZONE[name]] = value


def _dress_player(c: F, kit: Kit, person: PersonLike, skin: F, rng: np.random.Generator) -> None:
    long_under, gloves, odd_shoes, towel = rng.random(4) < kit.mood
    _set(c, "jersey shoulder_number tail", kit.jersey)
    _set(c, "sleeve_number", np.full(3, 255.0) if kit.sleeve_numbers else kit.sleeve[7])
    _set(c, "jersey_side", kit.side)
    _set(c, "yoke", kit.yoke)
    _set(c, "collar", kit.collar)
    _set(c, "front_number back_number name decal", np.full(3, 255.0))
    arm = kit.under if long_under else skin
    big = person.build > 1.12
    end = min(kit.sleeve_end + (1 if not big and rng.random() < 0.4 else 0), 5)
    for i, name in enumerate(_SLEEVE):
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
    _set(c, "belt", kit.belt if rng.random() < 0.7 else kit.jersey)
    _set(c, "pants", kit.pants)
    _set(c, "thigh", kit.pants)
    _set(c, "thigh_s0", kit.pants_edge)
    _set(c, "thigh_s1", kit.pants_stripe)
    _set(c, "pants_s0", kit.pants_edge)
    _set(c, "pants_s1", kit.pants_stripe)
    _set(c, "towel", white if towel else kit.pants)
    high = rng.random()
    _set(c, "knee", kit.pants if high < 0.6 else skin if high < 0.85 else kit.sock[-1])
    for i in range(5):
        c[ZONE[f"cf{i}"]] = kit.sock[i]
    if rng.random() < (0.25 if big else 0.05):
        _set(c, "knee", black if rng.random() < 0.7 else white)
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
    _set(c, "face", skin * (0.45 if person.role == "player" else 0.8))
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
    _set(c, "pants pants_s0 pants_s1 thigh thigh_s0 thigh_s1 knee cf1 cf2 cf3 cf4", o["pants"])
    _set(c, "cf0", o["sock"] if rng.random() < 0.5 else o["pants"])
    if o["pants"].mean() > 120 and rng.random() < 0.6:
        _set(c, "cf0 cf1 cf2 cf3", o["sock"])
    if o["pants"].mean() < 120 and rng.random() < 0.4:
        _set(c, "pants_s1", np.full(3, 230.0))
    _set(c, "belt", o["belt"])
    _set(c, "shoe", o["shoe"])
    _set(c, "cap brim", o["chief_cap"] if rng.random() < 0.15 else o["cap"])
    _set(c, "headset", skin)
    if "plain" in o:
        _set(c, "shirt yoke cap0 cap1 cap2 cap3 sl0 sl1 sl2 sl3 collar", o["plain"])
        _set(c, "thigh thigh_s0 thigh_s1 knee", skin)
        _set(c, "cf0 cf1 cf2 cf3", o["pants"])
        _set(c, "cap brim", c[ZONE["hair"]])


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
    _set(c, "pants pants_s0 pants_s1 thigh thigh_s0 thigh_s1 knee cf0 cf1 cf2 cf3 cf4", bottom)
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
    if kind == "band":
        _set(c, "shirt yoke collar sl0 sl1 sl2 sl3 cap0 cap1 cap2 cap3 fa0 fa1 fa2 fa3", wardrobe.sideline)
        _set(c, "cap", np.full(3, 230.0) if rng.random() < 0.5 else wardrobe.sideline * 0.6)
    if kind == "water":
        _set(c, "sign", np.array([(40, 160, 70), (230, 120, 30), (30, 70, 180)][int(rng.integers(3))], float))
    if kind == "pole":
        _set(c, "pole sign", np.array([(230, 110, 20), (220, 40, 40)][int(rng.integers(2))], float))
