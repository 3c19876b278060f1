"""Kits of two teams, officials and people beside the field, all random; palettes held back for test looks.

A wardrobe is drawn once a look. Colours are sRGB 0..255 in the kits and linear on the mesh.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film.figures import atlas as at

F = NDArray[np.float64]
U8 = NDArray[np.uint8]

# Invented base colours; a kit never takes them pure. Those of TEST appear in no train look as main colour.
COLORS: dict[str, tuple[int, int, int]] = {
    "navy": (22, 30, 66), "royal": (30, 66, 165), "sky": (120, 170, 215), "red": (175, 28, 34),
    "scarlet": (205, 50, 30), "burgundy": (96, 20, 44), "forest": (18, 66, 40), "kelly": (20, 122, 60),
    "grass": (86, 118, 62), "gold": (215, 165, 50), "amber": (240, 188, 30), "black": (20, 20, 22),
    "charcoal": (58, 60, 64), "silver": (165, 168, 172), "brown": (72, 44, 28), "purple": (70, 34, 120),
    "white": (238, 238, 236), "cream": (228, 220, 196),
    "orange": (226, 104, 24), "teal": (0, 112, 116), "maroon": (116, 26, 28), "violet": (112, 60, 150),
    "steel": (70, 92, 120), "olive": (84, 88, 44), "lime": (150, 200, 40), "pink": (214, 110, 140),
}  # fmt: skip
TEST_ONLY = ("orange", "teal", "maroon", "violet", "steel", "olive", "lime", "pink")
_LIGHT = ("white", "white", "white", "cream", "silver", "sky", "gold", "amber")
_DARK = ("navy", "royal", "red", "burgundy", "forest", "black", "charcoal", "brown", "purple", "kelly", "scarlet")
_GREEN = ("forest", "kelly", "grass")
SKIN = ((244, 208, 178), (226, 182, 146), (198, 146, 106), (160, 108, 74), (118, 76, 50), (88, 56, 38), (64, 42, 30))


@dataclass(frozen=True)
class Kit:
    """One team's clothes; every colour (3,) sRGB 0..255, bands from the hem up."""

    jersey: F
    side: F
    yoke: F
    collar: F
    sleeve: F  # (8, 3) sl0..sl3 of the upper arm, then cap0..cap3 up to the shoulder
    sleeve_end: int  # first of those 8 that is jersey; below it the bare or covered arm
    under: F
    number: F
    number_edge: F
    pants: F
    pants_edge: F
    pants_stripe: F
    belt: F
    sock: F  # (5, 3) from the ankle up
    shoe: F
    shell: F
    shell_edge: F
    shell_stripe: F
    mask: F
    glove: F
    decal_inks: F  # (2, 3)
    sleeve_numbers: bool = False
    mood: F = field(default_factory=lambda: np.zeros(4))
    """Shares of players: long undershirt, gloves, odd shoes, towel."""


@dataclass(frozen=True)
class Wardrobe:
    """Kits (two), officials' colours, sideline colours, and the atlas (H, W, 3) uint8 sRGB.

    cache holds what build_meshes works out once a cast (not part of the look).
    """

    kits: tuple[Kit, Kit]
    officials: dict[str, F]
    sideline: F
    vest: F
    atlas: U8
    cold: bool
    split: str
    dirt: float = 0.0
    style: str = "full"
    """full: pads and helmets; shorts: helmets and shorts (practice); athlete: neither (see bodies.KINDS)."""
    cache: dict[Any, Any] = field(default_factory=dict, repr=False, compare=False)


def _tint(rng: np.random.Generator, name: str, spread: float = 12.0) -> F:
    base = np.array(COLORS[name], float)
    return np.clip(base * rng.uniform(0.85, 1.12) + rng.normal(0, spread * 0.5, 3), 8, 248)


def _pick(rng: np.random.Generator, names: tuple[str, ...], split: str) -> str:
    """A main colour: train looks never use TEST_ONLY; test looks do in two of three picks."""
    if split == "test" and rng.random() < 0.67 and names is not _LIGHT and names is not _GREEN:
        return str(rng.choice(TEST_ONLY))
    return str(rng.choice(names))


def _pairing(rng: np.random.Generator, split: str, snow: bool) -> tuple[str, str]:
    """Main colours of two jerseys: mostly dark against light, at times two dark, green, or two light."""
    kind = rng.choice(["plain", "colour", "dark", "green", "light"], p=[0.58, 0.16, 0.12, 0.08, 0.06])
    if snow and rng.random() < 0.6:
        kind = "plain"
    if kind == "plain":
        pair = (_pick(rng, _DARK, split), str(rng.choice(_LIGHT[:4])))
    elif kind == "colour":
        pair = (_pick(rng, _DARK + _LIGHT[4:], split), _pick(rng, _DARK, split))
    elif kind == "dark":
        pair = (_pick(rng, _DARK[:8], split), _pick(rng, _DARK[:8], split))
    elif kind == "green":
        pair = (str(rng.choice(_GREEN)), _pick(rng, _LIGHT + _DARK, split))
    else:
        pair = (str(rng.choice(("silver", "sky", "cream", "gold"))), "white")
    if pair[0] == pair[1]:
        pair = (pair[0], "white" if pair[0] != "white" else "navy")
    return pair if rng.random() < 0.5 else (pair[1], pair[0])


def draw_kit(rng: np.random.Generator, main: str, split: str) -> Kit:
    """A random kit around a main jersey colour."""
    names = tuple(n for n in COLORS if n not in TEST_ONLY or split == "test")
    jersey = _tint(rng, main)
    light = float(jersey.mean()) > 120
    second = _tint(rng, _pick(rng, _DARK if light else _LIGHT, split))
    third = _tint(rng, str(rng.choice(names)))
    white, dark = _tint(rng, "white", 4), _tint(rng, "black", 4)
    contrast = [second, third, white if not light else dark]

    def some(*choices: F) -> F:
        return choices[int(rng.integers(len(choices)))]

    sleeve = np.tile(jersey if rng.random() < 0.75 else second, (8, 1))
    style = int(rng.integers(0, 6))
    if style == 1:
        sleeve[[3, 5]] = second
    elif style == 2:
        sleeve[5] = second
        sleeve[4] = third
    elif style == 3:
        sleeve[4:6] = second
    elif style == 4:
        sleeve[[2, 4]] = some(second, third)
    sock = np.tile(some(white, dark, second, jersey, third), (5, 1))
    if rng.random() < 0.6:
        sock[: int(rng.integers(1, 4))] = some(white, dark)
    if rng.random() < 0.2:
        sock[int(rng.integers(2, 5))] = some(second, third)
    pants = some(white, second, jersey, _tint(rng, "silver"), third, white if light else second)
    stripe = rng.random()
    pants_edge = pants if stripe < 0.45 else some(second, third, white)
    pants_stripe = pants_edge if stripe > 0.8 or stripe < 0.3 else some(second, third, jersey)
    shell = some(jersey if not light else second, second, white, dark, third)
    shell_edge = shell if rng.random() < 0.5 else some(white, second, third)
    plain = rng.random() < 0.6
    return Kit(
        jersey=jersey, side=jersey if plain else some(second, third), yoke=jersey if rng.random() < 0.7 else second,
        collar=some(jersey, second, white), sleeve=sleeve, sleeve_end=int(rng.choice([0, 1, 2, 3, 3, 4])),
        under=some(white, dark, jersey, second), number=some(*contrast[::2], second),
        number_edge=some(jersey, third, white, dark),
        pants=pants, pants_edge=pants_edge, pants_stripe=pants_stripe, belt=some(white, dark, second, pants),
        sock=sock, shoe=some(white, dark, dark, second), shell=shell, shell_edge=shell_edge,
        shell_stripe=shell if rng.random() < 0.35 else some(white, second, third),
        mask=some(_tint(rng, "silver"), white, dark, second, jersey), glove=some(white, dark, second),
        sleeve_numbers=bool(rng.random() < 0.6 and np.all(sleeve[6:] == jersey)),
        decal_inks=np.stack([some(white, dark, second, third), some(second, third, white)]),
        mood=np.array([rng.uniform(0.1, 0.7), rng.uniform(0.4, 0.9), rng.uniform(0, 0.5), rng.uniform(0, 0.4)]),
    )  # fmt: skip


def _number_ink(kit: Kit) -> F:
    """The number colour, moved to white or black where it would not show on the jersey."""
    if abs(float(kit.number.mean() - kit.jersey.mean())) > 60:
        return kit.number
    return np.full(3, 235.0) if kit.jersey.mean() < 130 else np.full(3, 25.0)


def draw_wardrobe(
    rng: np.random.Generator, level: str = "professional", split: str = "train", snow: bool = False
) -> Wardrobe:
    """Kits of two teams (index 0 offence, 1 defence), officials and people beside the field."""
    pair = _pairing(rng, split, snow)
    kits = (draw_kit(rng, pair[0], split), draw_kit(rng, pair[1], split))
    picture = np.full((at.HEIGHT, at.WIDTH, 3), 255, np.uint8)
    for team, kit in enumerate(kits):
        ink = _number_ink(kit)
        picture[at.TOP : at.TOP + 640, team * 640 : (team + 1) * 640] = at.number_cells(
            rng, kit.jersey, ink, kit.number_edge
        )
        x = at.DECAL_X + team * (at.DECAL + 8)
        picture[at.TOP : at.TOP + at.DECAL, x : x + at.DECAL] = at.decal(rng, kit.shell, *kit.decal_inks)
        blank = rng.random() < 0.3
        for i in range(team * (at.NAMES // 2), (team + 1) * (at.NAMES // 2)):
            y = at.NAME_Y + i * (at.NAME_H + 2)
            strip = at.name_strip(rng, kit.jersey, kit.jersey if blank else ink)
            picture[y : y + at.NAME_H, at.NAME_X : at.NAME_X + at.NAME_W] = strip
    _paint_tiles(rng, picture)
    black = _tint(rng, "black", 3)
    style = "full"
    if split == "train":
        style = str(rng.choice(["full", "shorts", "athlete"], p=[0.88, 0.04, 0.08]))
    officials = {
        "pants": _tint(rng, "white", 4) if rng.random() < (0.35 if level == "professional" else 0.5) else black,
        "cap": _tint(rng, "black", 3), "chief_cap": _tint(rng, "white", 3), "shoe": black,
        "sock": black, "belt": black,
    }  # fmt: skip
    if style == "athlete" and rng.random() < 0.7:
        officials["plain"] = _tint(rng, str(rng.choice(("white", "black", "amber", "sky", "lime", "pink", "scarlet"))))
    cold = bool(snow or rng.random() < 0.25)
    dirt = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.1, 0.8))
    side = str(rng.choice([n for n in COLORS if split == "test" or n not in TEST_ONLY]))
    vest = np.array([(235, 120, 20), (190, 220, 40), (60, 120, 190), (200, 40, 50)][int(rng.integers(4))], float)
    return Wardrobe(kits, officials, _tint(rng, side), vest, picture, cold, split, dirt, style)


def _paint_tiles(rng: np.random.Generator, picture: U8) -> None:
    for i in range(5):
        tile = at.official_stripes(rng) if i == 4 else at.folds(rng, float(rng.uniform(0.10, 0.26)))
        grey = np.round(at.to_srgb(tile) * 255).astype(np.uint8)
        picture[at.FOLDS_Y : at.FOLDS_Y + at.TILE, i * at.TILE : (i + 1) * at.TILE] = grey[..., None]
