"""A quick picture of a painted field with exact truth, in numpy: for tests and trials of registration alone.

Turf with slow shading and noise, every mark of the Field, numbers with arrows, rectangles for people. The film
renderer (models.training.film) makes the training pictures; this one needs no GPU and 0.2 s a picture.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film.glyphs import NUMBER_PENS, glyph
from pipeline import field as fields
from pipeline.camera import Camera
from pipeline.field import Field

Rng = np.random.Generator


@dataclass(frozen=True)
class QuickTruth:
    """What registration training reads of a still's truth; boxes (N, 4) px of the rectangles standing for people."""

    camera: Camera
    field: Field
    paint: Any
    view: str
    kind: str
    crown_yd: float
    box_px: NDArray[np.float64]

    @property
    def level(self) -> str:
        return self.field.level


def random_camera(rng: Rng, f: Field, view: str, low: bool = False, size: tuple[int, int] = (1280, 720)) -> Camera:
    """A camera from the measured ranges: high sideline, low sideline or raised end zone."""
    w, h = size
    cx = f.length / 2
    if view == "endzone":
        pos = np.array([-rng.uniform(45, 90), f.width / 2 + rng.normal(0, 1.5), rng.uniform(26, 55)])
        target = np.array([rng.uniform(25, f.length - 25), f.width / 2 + rng.normal(0, 2.5), 0.0])
        across = rng.uniform(14, 20)
        focal = w * float(np.linalg.norm(target - pos)) / across
        focal = min(focal, 11.4 * w)
    elif low:
        pos = np.array([cx + rng.normal(0, 12), -rng.uniform(8, 17), rng.uniform(7.9, 12.6)])
        target = np.array([pos[0] + rng.uniform(-14, 14), rng.uniform(24, 34), 0.0])
        focal = w * rng.uniform(1.03, 1.47)
    else:
        pos = np.array([cx + rng.normal(1, 3), -rng.uniform(70, 98), rng.uniform(38, 62)])
        target = np.array([cx + rng.uniform(-42, 42), rng.uniform(22, 31), 0.0])
        focal = w * float(np.clip(rng.normal(4.1, 0.7), 2.6, 6.5))
    d = target - pos
    pan = float(np.rad2deg(np.arctan2(d[0], d[1])))
    tilt = float(np.rad2deg(np.arctan2(-d[2], np.hypot(d[0], d[1]))))
    k1 = float(np.clip(0.021 - 0.0075 * (focal / w - 3.96), 0.001, 0.033)) if view == "sideline" else 0.009
    return Camera(w, h, float(focal), tuple(map(float, pos)), pan, tilt, float(rng.normal(0, 0.5)), k1)  # type: ignore[arg-type]


def random_paint(rng: Rng, f: Field) -> Any:
    """The marks' sizes, as the film renderer's Paint names them."""
    return SimpleNamespace(
        line_width_yd=float(rng.uniform(0.11, 0.2)), goal_line_width_yd=f.goal_line_width, border_yd=f.border_width,
        hash_tick_yd=f.hash_tick, hash_every_yard=True, number_rows=(True, True), number_bottom_yd=f.number_bottom,
        number_height_yd=f.number_height, number_width_yd=f.number_width, number_top="infield", number_every=10,
        number_style=int(rng.integers(len(NUMBER_PENS))), arrows=bool(rng.random() < 0.8), line_gap_yd=0.15,
    )  # fmt: skip


def _ground(cam: Camera, f: Field, crown: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """x, y (H, W) yards of the ground under each pixel; NaN above the horizon."""
    xs, ys = np.meshgrid(np.arange(cam.width_px), np.arange(cam.height_px))
    px = np.stack([xs, ys], -1).astype(float)
    g = cam.px_to_ground(px)
    if crown:
        u = (cam.undistort_px(px) - cam.center_px) / cam.focal_px
        ray = np.concatenate([u, np.ones(u.shape[:-1] + (1,))], -1) @ cam.rotation
        for _ in range(3):
            v = (g[..., 1] - f.width / 2) / (f.width / 2)
            k = (crown * (0.35 - np.minimum(v * v, 1.4)) - cam.position_yd[2]) / ray[..., 2]
            g = np.asarray(cam.position_yd)[:2] + ray[..., :2] * k[..., None]
    return g[..., 0], g[..., 1]


def _cover(d: NDArray[np.float64], half: float, grad: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of a pixel covered by a band of half width at distance d (yards), grad yards per pixel."""
    return np.clip((half - np.abs(d)) / grad + 0.5, 0, 1) * np.minimum(2 * half / grad, 1)


def draw(
    rng: Rng, level: str = "professional", view: str = "sideline", low: bool = False, people: int = 22,
    camera: Camera | None = None, crown: float = 0.0,
) -> tuple[NDArray[np.uint8], QuickTruth]:  # fmt: skip
    """A picture (H, W, 3) BGR and its truth."""
    f = fields.load(level)
    cam = camera or random_camera(rng, f, view, low)
    p = random_paint(rng, f)
    x, y = _ground(cam, f, crown)
    with np.errstate(invalid="ignore"):
        gx = np.maximum(np.hypot(*np.gradient(x)), 1e-4)
        gy = np.maximum(np.hypot(*np.gradient(y)), 1e-4)
        cover = _marks(x, y, gx, gy, f, p)
    cover = np.nan_to_num(cover)
    hue = np.array([rng.uniform(40, 80), rng.uniform(95, 140), rng.uniform(60, 95)])
    grain = cv2.GaussianBlur(rng.normal(0, 9, cover.shape).astype(np.float32), (0, 0), 1.0)
    slow = cv2.resize(rng.normal(0, 7, (4, 6)).astype(np.float32), cover.shape[::-1], interpolation=cv2.INTER_CUBIC)
    base = hue[None, None] + (grain + slow)[..., None]
    outside = ~((x > -2) & (x < f.length + 2) & (y > -3) & (y < f.width + 3))
    base[outside] = base[outside] * 0.5 + rng.uniform(20, 70, 3)
    white = rng.uniform(190, 235)
    image = base * (1 - cover[..., None]) + white * cover[..., None]
    image = _numbers(image, cam, f, p, white, view, crown)
    boxes = _people(image, rng, cam, f, people)
    image = cv2.GaussianBlur(image, (0, 0), float(rng.uniform(0.5, 1.0))) + rng.normal(0, 2.5, image.shape)
    picture = np.clip(image, 0, 255).astype(np.uint8)
    kind = "endzone" if view == "endzone" else ("low" if low else "high")
    return picture, QuickTruth(cam, f, p, view, kind, crown, boxes)


def _marks(x: Any, y: Any, gx: Any, gy: Any, f: Field, p: Any) -> NDArray[np.float64]:
    in_x = (x > f.end_zone - 0.5) & (x < f.length - f.end_zone + 0.5)
    in_y = (y > p.line_gap_yd) & (y < f.width - p.line_gap_yd)
    lines = _cover(x - 5 * np.round(x / 5), p.line_width_yd / 2, gx) * in_x * in_y
    out = lines
    for goal in (f.end_zone, f.length - f.end_zone):
        out = np.maximum(out, _cover(x - goal, p.goal_line_width_yd / 2, gx) * (y > 0) * (y < f.width))
    tick = _cover(x - np.round(x), p.line_width_yd / 2, gx) * in_x
    for row in f.hash_rows:
        out = np.maximum(out, tick * _cover(y - row, p.hash_tick_yd / 2, gy))
    for edge, sign in ((0.0, 1.0), (f.width, -1.0)):
        out = np.maximum(out, tick * _cover(y - edge - sign * 0.45, 0.33, gy))
        wide = p.border_yd or p.line_width_yd
        out = np.maximum(out, _cover(y - edge + sign * wide / 2, wide / 2, gy) * (x > -wide) * (x < f.length + wide))
    for end, sign in ((0.0, 1.0), (f.length, -1.0)):
        wide = p.border_yd or p.line_width_yd
        out = np.maximum(out, _cover(x - end + sign * wide / 2, wide / 2, gx) * (y > -wide) * (y < f.width + wide))
    return np.asarray(out)


def _paste(image: Any, cam: Camera, stamp: NDArray[np.uint8], corners_yd: NDArray[np.float64], white: float) -> None:
    """Blend a coverage stamp onto the ground quadrilateral (4, 3): top left, top right, bottom right, bottom left."""
    h, w = stamp.shape
    q = cam.project(corners_yd)
    if not np.isfinite(q).all() or (q.max(0) < 0).any() or (q.min(0) > (cam.width_px, cam.height_px)).any():
        return
    src = np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32) - 0.5
    x0, y0 = np.maximum(np.floor(q.min(0)).astype(int) - 2, 0)
    x1, y1 = np.minimum(np.ceil(q.max(0)).astype(int) + 3, (cam.width_px, cam.height_px))
    if x1 <= x0 or y1 <= y0:
        return
    m = cv2.getPerspectiveTransform(src, (q - (x0, y0)).astype(np.float32))
    part = cv2.warpPerspective(stamp, m, (int(x1 - x0), int(y1 - y0)), flags=cv2.INTER_AREA)
    soft = part.astype(float)[..., None] / 255
    image[y0:y1, x0:x1] = image[y0:y1, x0:x1] * (1 - soft) + white * soft


def _numbers(image: Any, cam: Camera, f: Field, p: Any, white: float, view: str, crown: float) -> Any:
    pen = NUMBER_PENS[p.number_style]
    w, h = p.number_width_yd, p.number_height_yd
    arrow = np.zeros((24, 36), np.uint8)
    cv2.fillPoly(arrow, [np.array([[0, 2], [35, 12], [0, 22]], np.int32)], 255)
    for row in (0, 1):
        y = p.number_bottom_yd + h / 2
        sign = 1.0 if row == 0 else -1.0
        y = y if row == 0 else f.width - y
        z = crown * (0.35 - ((y - f.width / 2) / (f.width / 2)) ** 2)
        for x in f.yard_lines:
            value = f.number_at(x)
            if not value:
                continue
            for side, ch in zip((-1, 1), f"{value:02d}", strict=True):
                mid = np.array([x + sign * side * (w / 2 + 0.25), y, z])
                _paste(image, cam, glyph(ch, 64, 96, pen), _corners(mid, w, h, sign), white)
            toward = np.sign(x - f.length / 2)
            if p.arrows and toward:
                mid = np.array([x + toward * (w + 0.8), y + sign * 0.25 * h, z])
                _paste(image, cam, arrow, _corners(mid, 0.66, 0.5, float(toward)), white)
    return image


def _corners(mid: Any, w: float, h: float, sign: float) -> NDArray[np.float64]:
    d = np.array([[-w, h, 0], [w, h, 0], [w, -h, 0], [-w, -h, 0]]) / 2
    return np.asarray(mid + sign * d)


def _people(image: Any, rng: Rng, cam: Camera, f: Field, n: int) -> NDArray[np.float64]:
    center = cam.px_to_ground(cam.center_px)
    boxes = []
    for _ in range(n):
        at = center + rng.normal(0, (9, 11))
        foot, top = cam.project(np.array([[*at, 0.0], [*at, 2.0]]))
        if not np.isfinite([foot, top]).all():
            continue
        tall = foot[1] - top[1]
        half = tall * rng.uniform(0.15, 0.3)
        x0, x1 = (np.array([-half, half]) + foot[0]).astype(int)
        y0, y1 = int(top[1]), int(foot[1])
        body = np.s_[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)]
        image[body] = rng.uniform(10, 235, 3)
        boxes.append((x0, y0, x1, y1))
    return np.array(boxes, float).reshape(-1, 4)


def random_still(rng: Rng) -> tuple[NDArray[np.uint8], QuickTruth]:
    """A still of any level and view, mixed about as the film is."""
    kind = rng.choice(["high", "endzone", "low"], p=[0.6, 0.25, 0.15])
    level = str(rng.choice(fields.LEVELS, p=[0.45, 0.2, 0.15, 0.2]))
    if kind == "low":
        level = str(rng.choice(["canadian", "high_school"]))
    return draw(
        rng, level, "endzone" if kind == "endzone" else "sideline", low=kind == "low",
        crown=float(rng.choice([0.0, 0.25])),
    )  # fmt: skip
