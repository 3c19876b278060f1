"""What a rendered clip looks like: camera, paint, turf, light, surroundings, lens and recorder.

Everything random about the picture is drawn once per clip by :func:`models.training.film.draw.draw_look` and
stands in these frozen records. Lengths in yards of the field frame (:mod:`pipeline.field`), colours as
sRGB 0..1 triples unless a name says linear.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.field import Field

Colour = tuple[float, float, float]

KINDS = ("high", "endzone", "low")  # where the camera stands
SPLITS = ("train", "test")


@dataclass(frozen=True)
class Decal:
    """A painted picture on the ground.

    cell: name of the atlas cell. center_yd: where its middle lies; size_yd: extent along its own right and up;
    turn_rad: direction of its own right in the field frame (0 = +x). colour tints the cell's red channel,
    colour2 the green one. alpha: how opaque the paint still is.
    """

    cell: str
    center_yd: tuple[float, float]
    size_yd: tuple[float, float]
    turn_rad: float
    colour: Colour
    colour2: Colour = (1.0, 1.0, 1.0)
    alpha: float = 1.0


@dataclass(frozen=True)
class Stripe:
    """A line or circle of another sport. Line: a to b; circle: middle a, radius b[0] (b[1] is 0)."""

    kind: str  # line, circle
    a_yd: tuple[float, float]
    b_yd: tuple[float, float]
    width_yd: float
    colour: Colour


@dataclass(frozen=True)
class Paint:
    """Which marks are painted and how; registration training draws its targets from this.

    Geometry not listed comes from the Field. hash_every_yard False: ticks stand on the 5-yard lines only.
    number_rows (near, far): which rows of numbers exist. number_top: which way the top of a digit points,
    'infield' (bottoms face the nearest sideline: the far row is upside down from the near camera) or 'far'
    (both rows upright for the near camera). border_yd: width of the solid border outside the sidelines,
    0 where there is only a line of sideline_width_yd. ticks_side: yard ticks inside the sidelines;
    side_tick_yd (from, to) yards inside the line.
    """

    colour: Colour
    line_width_yd: float
    goal_line_width_yd: float
    sideline_width_yd: float
    border_yd: float
    hash_every_yard: bool
    hash_tick_yd: float
    hash_width_yd: float
    hash_cross: bool  # a short bar along the field where a hash row meets a 5-yard line
    ticks_side: bool
    side_tick_yd: tuple[float, float]
    number_rows: tuple[bool, bool]
    number_bottom_yd: float
    number_height_yd: float
    number_width_yd: float
    number_top: str
    number_every: int  # 10 (usual) or 5
    number_style: int
    arrows: bool
    goal_numbers: bool  # a G painted on the goal lines
    line_gap_yd: float  # yard lines stop this far short of the sideline
    wear: float  # 0 fresh .. 1 nearly gone
    end_zone_colour: tuple[Colour, Colour]
    end_zone_alpha: tuple[float, float]
    end_zone_pattern: int  # 0 plain, 1 diagonal stripes
    stripe_line: tuple[int, Colour] | None  # index of a yard line in colour
    decals: tuple[Decal, ...]
    other_sports: tuple[Stripe, ...]
    twin_line_yd: float = 0.0  # a second line this far beside every 10-yard line, 0 = none
    number_colour: Colour | None = None  # None: as the lines
    number_rim: Colour | None = None
    number_thick: float = 1.0  # strokes of the digits over the style's own
    number_gap_yd: float = 0.25  # between the yard line and a digit
    restraint_yd: float = 0.0  # a dashed line this far outside the sidelines, 0 = none
    restraint_colour: Colour = (0.9, 0.8, 0.2)


@dataclass(frozen=True)
class Turf:
    """The ground. hue_deg, saturation, value: the sRGB colour a lit, dry piece should come out with."""

    hue_deg: float
    saturation: float
    value: float
    artificial: bool
    mow_step: float  # relative step of reflectance between bands
    mow_period_yd: tuple[float, float]  # along x, along y; 0 = none
    grain: float  # strength of the fine texture
    patches: float  # strength of slow shading
    mud: float
    snow: float
    wet: float
    dirt: bool  # a bare dirt area of another sport
    outside: Colour  # colour of the ground beyond the borders
    track: Colour | None  # running lanes around the field


@dataclass(frozen=True)
class Light:
    """Light. sun_dir points from the ground to the sun; shares add up to 1 on open, lit, flat ground.

    lamps: (x, y, z) of up to 3 floodlight groups; pools: strength of floodlight pools 0..1.
    shadow_edges: half planes (nx, ny, offset, softness) in shade where n.p > offset (stadium shadow).
    exposure: gain on linear light; tint: linear RGB of the light.
    """

    kind: str  # sun, overcast, night
    sun_dir: tuple[float, float, float]
    direct: float
    lamps: tuple[tuple[float, float, float], ...]
    pools: float
    shadow_edges: tuple[tuple[float, float, float, float], ...]
    shade: float  # how dark the direct light's shadow is kept, 0..1 (1 = no direct light left)
    exposure: float
    tint: Colour
    lightmap_seed: int


@dataclass(frozen=True)
class Rig:
    """Where the camera stands and how its operator works.

    position_yd: None x means 'near midfield' has been resolved already. aim_px: where the ball stands in the
    picture (share of width, height) before the snap. room_yd: least room left around the outermost of the
    22 people (high), across_yd: yards seen across on the line (end zone), focal_width fixed (low).
    lag_s, delay_s: how late the operator follows; zoom_in: focal growth some 6 s after the snap; shake_px: jitter.
    """

    kind: str
    position_yd: tuple[float, float, float]
    roll_deg: float
    k1_offset: float
    aim: tuple[float, float]
    room_yd: float
    across_yd: float
    focal_width: float
    focal_limits: tuple[float, float]
    delay_s: float
    lag_s: float
    zoom_in: float
    shake_px: float
    drift_deg: float
    follow: float  # share of the ball's way the pan follows (1 all, 0 locked off)
    seed: int


@dataclass(frozen=True)
class Venue:
    """What stands around the field; built into triangles by :mod:`models.training.film.props`."""

    seed: int
    stands: tuple[float, float, float, float]  # depth of stands near, far, left, right; 0 = none
    crowd: float  # share of seats taken
    boards: bool
    fence: bool
    trees: bool
    buildings: bool
    bench_people: int
    posts: bool
    wire_camera: bool
    sky: tuple[Colour, Colour]
    seat: Colour


@dataclass(frozen=True)
class Lens:
    """Lens and recorder. Lengths in px of a 1280-wide picture; 0 = off."""

    blur_px: float
    motion_blur_px: tuple[float, float]
    shutter: float  # share of the frame time the shutter is open
    sharpen: float
    sharpen_px: float
    noise: float  # sd in 8-bit steps
    noise_px: float  # softness of the noise
    chroma_blur_px: float
    fringe: float  # lateral colour, relative
    gain: Colour
    saturation: float
    contrast: float
    black: float
    gamma: float
    vignette: float
    veil: float  # haze
    rows: int  # lines of the recorder, 0 = the picture's own
    interlace: float
    letterbox: float  # share of the height lost to bars
    pillarbox: float
    text: str  # burned in, '' = none
    text_place: int
    jpeg: int  # quality of a compression before the last, 0 = none
    quality: int  # of the still's file
    kbit: int  # video bit rate at 1280x720 and 30 fps
    rain: float
    glare: float  # reflections in the window of the press box
    repeats: float = 0.0  # share of a clip's frames that repeat the one before


@dataclass(frozen=True)
class Look:
    """One clip's look. size is not part of it: every length scales with the picture's width."""

    split: str
    kind: str
    view: str  # sideline, endzone
    field: Field
    crown_yd: float  # height of the middle over the sidelines
    rig: Rig
    paint: Paint
    turf: Turf
    light: Light
    venue: Venue
    lens: Lens
    wardrobe_seed: int

    @property
    def level(self) -> str:
        return self.field.level

    def ground_z(self, y_yd: Any) -> Any:
        """Height of the crowned ground over the reference plane at y (array or float), mean near zero."""
        u = (y_yd - self.field.width / 2) / (self.field.width / 2)
        return self.crown_yd * (0.35 - np.minimum(u * u, 1.4))
