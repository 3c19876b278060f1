"""Draws one moment with OpenGL on EGL, no display: picture, who stands in which pixel, outline areas."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film import atlas, props, shaders, sunlight
from models.training.film.look import Look
from models.training.film.mesh import Solid, to_linear
from pipeline.camera import Camera
from pipeline.errors import SnapledgerError

os.environ.setdefault("LP_NUM_THREADS", "1")  # a software rasteriser stays on its process' core

MARGIN = 30.0
GRID, TILE = (16, 16), (32, 64)
NOBODY, THING = 0, 255
MOST_PEOPLE = 250


class RenderError(SnapledgerError):
    """No OpenGL on EGL here."""


@dataclass(frozen=True)
class Frame:
    """picture (H, W, 3) uint8 BGR before the lens; who (H, W) uint8: 0 ground, 1 + person, 255 things;
    area_px (P,) px of each person's whole outline, unhidden and unclipped."""

    picture: NDArray[np.uint8]
    who: NDArray[np.uint8]
    area_px: NDArray[np.float64]


def _noise() -> NDArray[np.uint8]:
    rng = np.random.default_rng(7)
    n = rng.normal(0, 1, (512, 512, 4))
    spec = np.fft.rfft2(n, axes=(0, 1))
    fy, fx = np.fft.fftfreq(512)[:, None], np.fft.rfftfreq(512)[None]
    soft = np.exp(-((fx**2 + fy**2) * 18.0))[..., None]
    slope = 1.0 / np.maximum(np.hypot(fx, fy), 1 / 512)[..., None] ** np.array([0.35, 0.35, 0.8, 1.0])
    out = np.fft.irfft2(spec * soft * slope, s=(512, 512), axes=(0, 1))
    out = (out - out.mean((0, 1))) / out.std((0, 1))
    return np.clip(127.5 + out * 42, 0, 255).astype(np.uint8)


def light_map(look: Look, n: tuple[int, int] = (72, 48)) -> NDArray[np.float32]:
    """(rows, columns) brightness of the ground over the field and MARGIN around it, mean about 1."""
    f, li = look.field, look.light
    rng = np.random.default_rng(li.lightmap_seed)
    x, y = np.meshgrid(np.linspace(-MARGIN, f.length + MARGIN, n[0]), np.linspace(-MARGIN, f.width + MARGIN, n[1]))
    m = np.ones_like(x)
    for _ in range(3):
        k, ph = rng.normal(0, 0.035, 2), rng.uniform(0, 6)
        m += rng.uniform(0, 0.05) * np.cos(k[0] * x + k[1] * y + ph)
    if li.kind == "night":
        pool = np.zeros_like(x)
        for _ in range(int(rng.integers(4, 9))):
            c = rng.uniform((0, 0), (f.length, f.width))
            s = rng.uniform(10, 24, 2)
            pool += rng.uniform(0.6, 1.2) * np.exp(-((x - c[0]) ** 2 / s[0] ** 2 + (y - c[1]) ** 2 / s[1] ** 2) / 2)
        m *= 1 - li.pools + li.pools * pool / pool[8:-8, 8:-8].mean()
        away = np.maximum(np.maximum(-x, x - f.length), np.maximum(-y, y - f.width)).clip(0)
        m *= np.exp(-away / rng.uniform(15, 60))
    return np.clip(m, 0.12, 1.95).astype(np.float32)


def _stadium(look: Look, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    s = np.zeros(len(xy))
    for nx, ny, off, _ in look.light.shadow_edges:
        s = np.maximum(s, (xy @ (nx, ny) > off) * look.light.shade)
    return s


def exposure(look: Look, cam: Camera, lit: NDArray[np.float32]) -> float:
    """Gain of an automatic exposure: most of what is missing in the light on the ground in view is made up."""
    gx, gy = np.meshgrid(np.linspace(0, cam.width_px - 1, 12), np.linspace(0, cam.height_px - 1, 8))
    p = cam.px_to_ground(np.stack([gx, gy], -1).reshape(-1, 2))
    f = look.field
    inside = np.isfinite(p).all(1) & (p > -5).all(1) & (p < (f.length + 5, f.width + 5)).all(1)
    if not inside.any():
        return look.light.exposure
    p = p[inside]
    cell = (
        ((p + MARGIN) / (f.length + 2 * MARGIN, f.width + 2 * MARGIN) * (lit.shape[1] - 1, lit.shape[0] - 1))
        .round()
        .astype(int)
    )
    direct = look.light.direct * (1 - _stadium(look, p)) if look.light.kind != "night" else look.light.direct
    mean = float(np.mean(lit[cell[:, 1], cell[:, 0]] * (1 - look.light.direct + direct)))
    return look.light.exposure * max(mean, 0.05) ** -0.75


@cache
def context() -> Any:
    """This process' one GL context. Raises RenderError where there is none.

    GL_DEVICES in the environment: processes spread over so many graphics cards.
    """
    cards = int(os.environ.get("GL_DEVICES", "1"))
    try:
        import moderngl

        if cards > 1:
            return moderngl.create_context(
                standalone=True, backend="egl", require=330, device_index=os.getpid() % cards
            )
        return moderngl.create_context(standalone=True, backend="egl", require=330)
    except Exception as e:  # moderngl raises bare Exceptions where no driver is found
        raise RenderError(f"No OpenGL through EGL: {e}.", hint="Install Mesa's EGL or a GPU driver.") from e


class Renderer:
    """Programs and targets for one picture size. Not for use from several threads."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.gl = context()
        import moderngl

        self.mgl = moderngl
        self.size = size
        g = self.gl
        prog = g.program
        self.p_ground = prog(vertex_shader=shaders.FULL_VS, fragment_shader=shaders.GROUND_FS)
        self.p_decal = prog(vertex_shader=shaders.DECAL_VS, fragment_shader=shaders.DECAL_FS)
        self.p_people = prog(vertex_shader=shaders.PEOPLE_VS, fragment_shader=shaders.PEOPLE_FS)
        self.p_shadow = prog(vertex_shader=shaders.SHADOW_VS, fragment_shader=shaders.SHADOW_FS)
        self.p_tile = prog(vertex_shader=shaders.TILE_VS, fragment_shader=shaders.SHADOW_FS)
        self.p_depth = prog(vertex_shader=sunlight.DEPTH_VS, fragment_shader=sunlight.DEPTH_FS)
        self.t_sun = g.depth_texture((sunlight.SIZE_PX, sunlight.SIZE_PX))
        self.t_sun.compare_func, self.t_sun.filter = "", (moderngl.NEAREST, moderngl.NEAREST)
        self.f_sun = g.framebuffer([], self.t_sun)
        self.full = g.vertex_array(
            self.p_ground, [(g.buffer(np.array([-1, -1, 3, -1, -1, 3], "f4").tobytes()), "2f", "corner")]
        )
        self.t_noise = self._mipped(_noise())
        w, h = size
        self.t_layer, self.t_ids = g.texture((2 * w, 2 * h), 4), g.texture((2 * w, 2 * h), 1)
        self.t_ids.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self.f_layer = g.framebuffer([self.t_layer, self.t_ids], g.depth_renderbuffer((2 * w, 2 * h)))
        self.t_layer2, self.f_layer2 = None, None
        self.t_decals, self.t_shadow = g.texture(size, 4), g.texture((w // 2, h // 2), 4)
        self.f_decals, self.f_shadow = g.framebuffer([self.t_decals]), g.framebuffer([self.t_shadow])
        self.f_out = g.framebuffer([g.texture(size, 3), g.texture(size, 1)])
        self.f_tile = g.framebuffer([g.texture((GRID[0] * TILE[0], GRID[1] * TILE[1]), 1)])
        self.t_boxes = g.texture((256, 1), 4, dtype="f4")
        self.t_boxes.filter = (moderngl.NEAREST, moderngl.NEAREST)
        self.look: Look | None = None
        self.held: list[Any] = []

    def _mipped(self, pic: NDArray[np.uint8], repeat: bool = True) -> Any:
        h, w = pic.shape[:2]
        t = self.gl.texture((w, h), pic.shape[2], np.ascontiguousarray(pic).tobytes(), alignment=1)
        t.build_mipmaps()
        t.filter = (self.mgl.LINEAR_MIPMAP_LINEAR, self.mgl.LINEAR)
        t.repeat_x = t.repeat_y = repeat
        return t

    @staticmethod
    def _set(program: Any, **values: Any) -> None:
        for name, value in values.items():
            if name in program:
                program[name].value = value

    def _take(self, look: Look, wardrobe_atlas: NDArray[np.uint8]) -> None:
        """Upload what stays for a look."""
        for r in self.held:
            r.release()
        self.look = look
        pic, tris = atlas.build(look.field, look.paint)
        self.t_atlas = self._mipped(pic, False)
        lit = light_map(look)
        self.lit = lit
        self.t_light = self.gl.texture(
            (lit.shape[1], lit.shape[0]), 1, (lit / 2).astype("f2").tobytes(), dtype="f2", alignment=1
        )
        self.t_light.repeat_x = self.t_light.repeat_y = False
        self.t_cloth = self._mipped(wardrobe_atlas, False)
        b = self.gl.buffer(tris.tobytes()) if len(tris) else None
        self.v_decals = (
            self.gl.vertex_array(self.p_decal, [(b, "2f 2f 3f 4f", "at", "uv", "fill", "rim")]) if b else None
        )
        self.n_decals = len(tris)
        self.v_props, more = self._solid(props.surroundings(look), [self.p_people])
        self.held = [self.t_atlas, self.t_light, self.t_cloth, *more, *([b, self.v_decals] if b else [])]
        self._constants(look)

    def _solid(self, s: Solid, programs: list[Any]) -> tuple[Any, list[Any]]:
        """Vertex arrays of a Solid for the people, shadow and tile programs, in that order."""
        person = np.where(s.person < MOST_PEOPLE, s.person, -1)
        tag = np.stack([person, s.material], 1)
        data = np.concatenate([s.vertices, s.normals, s.colours, s.uv, tag], 1, dtype=np.float32)
        vb, ib = self.gl.buffer(data.tobytes()), self.gl.buffer(s.triangles.astype(np.int32).tobytes())
        forms = {
            id(self.p_people): ("3f 3f 3f 2f 2f", "pos", "normal", "colour", "uv", "tag"),
            id(self.p_shadow): ("3f 40x", "pos"),
            id(self.p_depth): ("3f 40x", "pos"),
            id(self.p_tile): ("3f 32x 2f", "pos", "tag"),
        }
        arrays = [self.gl.vertex_array(p, [(vb, *forms[id(p)])], index_buffer=ib) for p in programs]
        return (arrays[0] if len(arrays) == 1 else arrays), [vb, ib, *arrays]

    def _constants(self, look: Look) -> None:
        f, li, pa, tu = look.field, look.light, look.paint, look.turf
        col = lambda c: tuple(float(v) for v in to_linear(c))  # noqa: E731
        from models.training.film.draw import hsv

        turf = col(hsv(tu.hue_deg / 360, tu.saturation, tu.value))
        lamps = list(li.lamps)[:3]
        edges = [*li.shadow_edges, *[(0.0, 0.0, 0.0, 0.0)] * 2][:2]
        for p in (self.p_ground, self.p_people):
            self._set(
                p,
                field=(f.length, f.width, f.end_zone, 0.0),
                sun=li.sun_dir,
                night=int(li.kind == "night"),
                direct=li.direct,
                shade=li.shade,
                tint=li.tint,
                edge_count=len(li.shadow_edges),
                edges=edges,
                lamps=lamps,
            )
        self._set(
            self.p_ground,
            turf=turf,
            outside=col(tu.outside),
            track=col(tu.track or (0.4, 0.2, 0.15)),
            paint=col(pa.colour),
            ez_colour=[col(c) for c in pa.end_zone_colour],
            stripe_colour=col(pa.stripe_line[1] if pa.stripe_line else (1, 1, 1)),
            sky_top=col(look.venue.sky[0]),
            sky_low=col(look.venue.sky[1]),
            mow=(tu.mow_step, *tu.mow_period_yd, tu.grain),
            ground=(tu.patches, tu.mud, tu.snow, tu.wet),
            lines=(pa.line_width_yd, pa.goal_line_width_yd, pa.border_yd or pa.sideline_width_yd, pa.line_gap_yd),
            hashes=(f.hash_rows[0], pa.hash_tick_yd, pa.hash_width_yd, 1.0 if pa.hash_every_yard else 5.0),
            sides=(*pa.side_tick_yd, float(pa.ticks_side), float(pa.hash_cross)),
            ez=(*pa.end_zone_alpha, float(pa.end_zone_pattern), pa.wear),
            extra=(
                f.yard_lines[pa.stripe_line[0]] if pa.stripe_line else -99.0,
                float(tu.track is not None),
                float(tu.dirt),
                0.45 if li.kind != "sun" else 0.35,
            ),
            twin=pa.twin_line_yd,
            smooth_shadows=int(look.split == "train"),
            restraint=(*col(pa.restraint_colour), pa.restraint_yd),
            seed=((look.wardrobe_seed % 97) / 97, (look.wardrobe_seed % 89) / 89),
        )
        self._set(self.p_people, bounce=tuple(0.5 * v for v in turf), crowd=look.venue.crowd)

    def _aim(self, cam: Camera, look: Look) -> None:
        r = cam.rotation
        v3 = lambda a: tuple(float(v) for v in a)  # noqa: E731
        for p in (self.p_ground, self.p_decal, self.p_people, self.p_shadow, self.p_tile):
            self._set(
                p,
                cam=v3(cam.position_yd),
                ax_r=v3(r[0]),
                ax_d=v3(r[1]),
                ax_f=v3(r[2]),
                focal=float(cam.focal_px),
                k1=float(cam.k1),
                size=(float(cam.width_px), float(cam.height_px)),
                crown=(look.crown_yd, look.field.width),
            )
        e = exposure(look, cam, self.lit)
        self._set(self.p_ground, exposure=e)
        self._set(self.p_people, exposure=e, eye=v3(cam.position_yd))

    def render(
        self, look: Look, cam: Camera, people: Solid, things: list[Solid], boxes_px: NDArray[np.float64],
        wardrobe_atlas: NDArray[np.uint8], sweep_yd: NDArray[np.float32] | None = None,
    ) -> Frame:  # fmt: skip
        """people: triangles with person indices; things: what else moves; boxes_px (P, 4) of whole people;
        sweep_yd (V, 3) how far the people's vertices move while the shutter is open, None for a short one."""
        if look is not self.look:
            self._take(look, wardrobe_atlas)
        self._aim(cam, look)
        arrays, held = self._solid(people, [self.p_people, self.p_shadow, self.p_tile, self.p_depth])
        loose = [self._solid(t, [self.p_people]) for t in things]
        area = self._outlines(arrays[2], boxes_px)
        self._shadows(look, arrays[1])
        self._from_sun(look, arrays[3], people.vertices)
        self._set(self.p_ground, moving=int(sweep_yd is not None))
        rest = [self.v_props, *(a for a, _ in loose)]
        if sweep_yd is None:
            self._layer(self.f_layer, [*rest, arrays[0]])
        else:
            for sign, target in ((-0.5, self.f_layer), (0.5, self._second())):
                shifted = replace(people, vertices=people.vertices + np.float32(sign) * sweep_yd)
                a, more = self._solid(shifted, [self.p_people])
                held += more
                self._layer(target, [*rest, a])
        picture, who = self._ground()
        for r in [*held, *(x for _, h in loose for x in h)]:
            r.release()
        return Frame(picture, who, area)

    def _outlines(self, array: Any, boxes_px: NDArray[np.float64]) -> NDArray[np.float64]:
        n = min(len(boxes_px), MOST_PEOPLE)
        b = np.zeros((256, 4), np.float32)
        whole = np.nan_to_num(boxes_px[:n], nan=0.0)
        b[:n] = np.concatenate([whole[:, :2] + 0.5, whole[:, 2:] - whole[:, :2]], 1)
        self.t_boxes.write(b.tobytes())
        self.gl.disable(self.mgl.DEPTH_TEST | self.mgl.BLEND)
        self.f_tile.use()
        self.f_tile.clear()
        self.t_boxes.use(0)
        self._set(self.p_tile, boxes=0, grid=(float(GRID[0]), float(GRID[1])))
        array.render()
        pic = np.frombuffer(self.f_tile.read(components=1, alignment=1), np.uint8)
        t = pic.reshape(GRID[1], TILE[1], GRID[0], TILE[0])
        share = (t > 0).mean((1, 3)).reshape(-1)[:n]
        out = np.zeros(len(boxes_px))
        out[:n] = share * b[:n, 2] * b[:n, 3]
        return out

    def _shadows(self, look: Look, array: Any) -> None:
        li = look.light
        self.f_shadow.use()
        self.f_shadow.clear()
        sources = [((0.0, 0.0, 1.0, 0.0), 3)]
        if li.kind == "night":
            sources += [((*lamp, 1.0), i) for i, lamp in enumerate(li.lamps[:3])]
        elif li.direct > 0.1:
            sources.append(((*li.sun_dir, 0.0), 0))
        for source, channel in sources:
            self.f_shadow.color_mask = tuple(i == channel for i in range(4))
            self._set(self.p_shadow, source=source)
            array.render()
        self.f_shadow.color_mask = (True,) * 4

    def _from_sun(self, look: Look, array: Any, vertices: NDArray[np.float32]) -> None:
        """How far the nearest person lies from the sun, for shadows on others."""
        on = sunlight.casts(look) and len(vertices) > 0
        self._set(self.p_people, sun_cast=int(on))
        if not on:
            return
        view = sunlight.sun_view(look.light.sun_dir, vertices)
        for p in (self.p_people, self.p_depth):
            self._set(p, sun=look.light.sun_dir, sun_c=view.center, sun_r=view.right, sun_u=view.up)
        self.gl.enable(self.mgl.DEPTH_TEST)
        self.f_sun.use()
        self.f_sun.clear()
        array.render()
        self.gl.disable(self.mgl.DEPTH_TEST)

    def _second(self) -> Any:
        """The layer of the shutter's other end."""
        if self.f_layer2 is None:
            w, h = 2 * self.size[0], 2 * self.size[1]
            self.t_layer2 = self.gl.texture((w, h), 4)
            self.f_layer2 = self.gl.framebuffer(
                [self.t_layer2, self.gl.texture((w, h), 1)], self.gl.depth_renderbuffer((w, h))
            )
        return self.f_layer2

    def _people_inputs(self) -> tuple[tuple[Any, str], ...]:
        return (self.t_light, "light_map"), (self.t_cloth, "cloth"), (self.t_noise, "noise"), (self.t_sun, "sun_map")

    def _layer(self, target: Any, arrays: list[Any]) -> None:
        self.gl.enable(self.mgl.DEPTH_TEST)
        target.use()
        target.clear()
        for i, (t, name) in enumerate(self._people_inputs()):
            t.use(i)
            self._set(self.p_people, **{name: i})
        for a in arrays:
            a.render()
        self.gl.disable(self.mgl.DEPTH_TEST)

    def _ground(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        g, m = self.gl, self.mgl
        self.f_decals.use()
        self.f_decals.clear()
        if self.v_decals:
            g.enable(m.BLEND)
            g.blend_func = (m.ONE, m.ONE_MINUS_SRC_ALPHA)
            self.t_atlas.use(0)
            self._set(self.p_decal, atlas=0)
            self.v_decals.render()
            g.disable(m.BLEND)
        self.f_out.use()
        inputs = {
            "noise": self.t_noise, "decals": self.t_decals, "shadows": self.t_shadow, "layer": self.t_layer,
            "layer2": self.t_layer2 or self.t_layer, "ids": self.t_ids, "light_map": self.t_light,
        }  # fmt: skip
        for i, (name, t) in enumerate(inputs.items()):
            t.use(i)
            self._set(self.p_ground, **{name: i})
        self.full.render()
        w, h = self.size
        rgb = np.frombuffer(self.f_out.read(components=3, attachment=0, alignment=1), np.uint8).reshape(h, w, 3)
        who = np.frombuffer(self.f_out.read(components=1, attachment=1, alignment=1), np.uint8).reshape(h, w)
        return np.ascontiguousarray(rgb[..., ::-1]), who
