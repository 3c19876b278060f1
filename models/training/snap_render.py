"""Grey film of plays with the renderer's own people, cheap: for training and testing the snap finder.

The ground and what stands on it are rendered once, wider than the picture; each frame warps that (a camera that
turns and zooms in place sees the same picture through a homography) and draws only the people over it. No paint,
truth masks or lens passes per frame, so a frame costs a tenth of ``models.training.film``'s.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film.cameras import first_camera
from models.training.film.look import Look
from models.training.film.scene import Renderer
from models.training.film.still import Stage
from models.training.playbook.play import Play
from models.training.snap_film import QuickFilm, QuickLook
from pipeline.camera import Camera

Grey = NDArray[np.uint8]
REACH = 1.7  # the ground picture sees this many times as far to each side
SHARP = 1.4  # and has this many pixels for one of the film


@lru_cache(maxsize=3)
def _renderer(size: tuple[int, int]) -> Renderer:
    return Renderer(size)


def at_times(play: Play, times: NDArray[np.float64], hz: float) -> Play:
    """The play at given seconds of its clock."""
    at = np.clip((times - play.time_s[0]) * play.hz, 0, len(play.time_s) - 1.001)
    i = at.astype(int)
    u = at - i

    def mix(v: NDArray[np.float64]) -> NDArray[np.float64]:
        w = u.reshape(-1, *[1] * (v.ndim - 1))
        return np.asarray(v[i] * (1 - w) + v[i + 1] * w)

    return replace(
        play, time_s=times, hz=hz, snap_index=None, xy_yd=mix(play.xy_yd),
        facing_rad=mix(np.unwrap(play.facing_rad, axis=0)), stance=play.stance[i], ball_xyz_yd=mix(play.ball_xyz_yd),
    )  # fmt: skip


def framed(look: QuickLook, film_look: Look, play: Play, at: int) -> QuickLook:
    """The quick look with the camera that the renderer's operator would choose at moment ``at`` of the play."""
    size = (look.width_px, look.height_px)
    camera = first_camera(film_look, replace(play, snap_index=at), size)
    return replace(look, camera=replace(camera, k1=0.0), view=film_look.kind)


class MeshFilm(QuickFilm):
    """Iterates over (H, W) uint8 frames of one play at ``rate``, with rendered people.

    look: how the camera moves, noise and contrast; film_look: ground, light, kits. Raises RenderError without
    OpenGL.
    """

    def __init__(
        self, play: Play, look: QuickLook, film_look: Look, seed: int, rate: float = 30.0,
        first_s: float | None = None, last_s: float | None = None,
    ) -> None:  # fmt: skip
        super().__init__(play, look, seed, rate, first_s, last_s)
        self.film_look = film_look
        self.stage = Stage(at_times(play, self.time_s, rate), film_look)

    def __iter__(self) -> Iterator[Grey]:
        look = self.look
        cameras = self._cameras()
        count = len(self.play.people)
        some = list(range(0, len(cameras), 8))
        who = self.stage.seen([cameras[i] for i in some], some)
        who = who[who < count] if (who < count).any() else np.array([0])
        ground, wide = self._ground()
        noise = self.rng.normal(0, look.noise * 0.7, (look.height_px + 64, look.width_px + 64)).round().astype(np.int8)
        for i, camera in enumerate(cameras):
            frame = self._frame(i, camera, who, ground, wide)
            frame = cv2.addWeighted(frame, look.contrast, frame, 0, 100 * (1 - look.contrast))
            if look.noise:
                dy, dx = self.rng.integers(0, 64, 2)
                frame = cv2.add(frame, noise[dy : dy + look.height_px, dx : dx + look.width_px], dtype=cv2.CV_8U)
            yield np.asarray(frame, np.uint8)

    def _ground(self) -> tuple[Grey, Camera]:
        """The ground with its surroundings and the people beside it, and the wide camera that sees it."""
        c = self.look.camera
        size = tuple(int(v * REACH * SHARP) // 2 * 2 for v in (c.width_px, c.height_px))
        wide = replace(c, width_px=size[0], height_px=size[1], focal_px=c.focal_px * SHARP)
        stage, count = self.stage, len(self.play.people)
        others = stage.seen([wide], [0])
        others = others[others >= count]
        mesh = stage.mesh(0, others if len(others) else np.array([0]))
        if not len(others):
            mesh = replace(mesh, vertices=mesh.vertices - np.float32([0, 0, 900]))
        boxes = np.zeros((max(len(others), 1), 4))
        frame = _renderer(size).render(self.film_look, wide, mesh, [], boxes, stage.wardrobe.atlas)
        return np.asarray(cv2.cvtColor(frame.picture, cv2.COLOR_BGR2GRAY), np.uint8), wide

    def _frame(self, i: int, camera: Camera, who: NDArray[np.int64], ground: Grey, wide: Camera) -> Grey:
        size = (camera.width_px, camera.height_px)
        r, look = _renderer(size), self.film_look
        if look is not r.look:
            r._take(look, self.stage.wardrobe.atlas)
        r._aim(camera, look)
        people, held = r._solid(self.stage.mesh(i, who), [r.p_people, r.p_shadow])
        r._shadows(look, people[1])
        r._layer(r.f_layer, [people[0]])
        w, h = size
        double = r.f_layer.read(components=4, attachment=0, alignment=1)
        layer = np.frombuffer(double, np.uint8).reshape(2 * h, 2 * w, 4)
        shade = np.frombuffer(r.f_shadow.read(components=4, alignment=1), np.uint8).reshape(h // 2, w // 2, 4)
        for thing in held:
            thing.release()
        layer = cv2.resize(layer, size, interpolation=cv2.INTER_AREA)
        dark = 0.3 * shade[..., 3].astype(np.float32) + 0.45 * look.light.direct * shade[..., :3].max(-1)
        keep = 1 - cv2.resize(cv2.blur(dark, (3, 3)), size, interpolation=cv2.INTER_LINEAR) / 255
        back = cv2.warpPerspective(
            ground, camera.yd_to_px @ np.linalg.inv(wide.yd_to_px), size, flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        front = layer[..., :3] @ np.float32([0.299, 0.587, 0.114])
        cover = layer[..., 3].astype(np.float32) / 255
        return np.asarray(np.clip(back * keep * (1 - cover) + front, 0, 255), np.uint8)
