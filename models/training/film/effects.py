"""Lens and recorder: turns the clean picture into film. Works on 8-bit BGR; few full-frame passes."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.film.look import Lens

Picture = NDArray[np.uint8]


SOFTNESS = (0.45, 0.65, 0.9, 1.2)


@lru_cache(maxsize=len(SOFTNESS))
def _noise_tile(softness: float) -> NDArray[np.float32]:
    rng = np.random.default_rng(11)
    n = rng.normal(0, 1, (1024, 1024, 3)).astype(np.float32)
    n = n * 0.45 + rng.normal(0, 1, (1024, 1024, 1)).astype(np.float32)
    n = cv2.GaussianBlur(n, (0, 0), softness)
    return (n / n.std()).astype(np.float32)


@lru_cache(maxsize=8)
def _vignette(w: int, h: int, strength: float) -> NDArray[np.float32]:
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    r2 = ((x - w / 2) ** 2 + (y - h / 2) ** 2) / (w * w / 4)
    return np.repeat((1.0 - strength * r2)[..., None], 3, 2).astype(np.float32)


def _blur(pic: Picture, sigma: float) -> Picture:
    return cv2.GaussianBlur(pic, (0, 0), sigma) if sigma > 0.25 else pic  # type: ignore[return-value]


def _motion(pic: Picture, dx: float, dy: float) -> Picture:
    n = int(np.ceil(max(abs(dx), abs(dy)))) | 1
    if n < 3:
        return pic
    k = np.zeros((n + 2, n + 2), np.float32)
    c = (n + 1) / 2
    for t in np.linspace(-0.5, 0.5, 4 * n):
        x, y = c + t * dx, c + t * dy
        i, j = int(y), int(x)
        fy, fx = y - i, x - j
        for a, b, v in ((0, 0, (1 - fy) * (1 - fx)), (0, 1, (1 - fy) * fx), (1, 0, fy * (1 - fx)), (1, 1, fy * fx)):
            if 0 <= i + a < n + 2 and 0 <= j + b < n + 2:
                k[i + a, j + b] += v
    return cv2.filter2D(pic, -1, k / k.sum())  # type: ignore[return-value]


def _curve(lens: Lens) -> NDArray[np.uint8]:
    """(256, 1, 3) look-up: gain, haze, contrast about mid grey, black level, gamma."""
    x = np.linspace(0, 1, 256)[:, None] * np.array(lens.gain)[None, ::-1]
    x = x * (1 - lens.veil) + lens.veil * 0.8
    x = 0.48 + (x - 0.48) * lens.contrast + lens.black
    x = np.clip(x, 0, 1) ** lens.gamma
    return np.clip(x * 255 + 0.5, 0, 255).astype(np.uint8)[:, None, :]


def _colour(pic: Picture, lens: Lens, scale: float) -> Picture:
    """Saturation and softened, half-resolution chroma."""
    ycc = cv2.cvtColor(pic, cv2.COLOR_BGR2YCrCb)
    h, w = pic.shape[:2]
    chroma = cv2.resize(np.ascontiguousarray(ycc[..., 1:]), (w // 2, h // 2), interpolation=cv2.INTER_AREA)
    chroma = cv2.GaussianBlur(chroma, (0, 0), max(lens.chroma_blur_px * scale * 0.5, 0.3))
    if abs(lens.saturation - 1) > 0.02:
        chroma = cv2.convertScaleAbs(chroma, alpha=lens.saturation, beta=128 * (1 - lens.saturation))
    ycc[..., 1:] = cv2.resize(chroma, (w, h), interpolation=cv2.INTER_LINEAR)
    return cv2.cvtColor(ycc, cv2.COLOR_YCrCb2BGR)  # type: ignore[return-value]


def _fringe(pic: Picture, amount: float) -> Picture:
    h, w = pic.shape[:2]
    out = pic.copy()
    for ch, s in ((0, 1 + amount), (2, 1 - amount)):
        m = np.array([[s, 0, (1 - s) * w / 2], [0, s, (1 - s) * h / 2]])
        out[..., ch] = cv2.warpAffine(np.ascontiguousarray(pic[..., ch]), m, (w, h), borderMode=cv2.BORDER_REPLICATE)
    return out


def _rain(pic: Picture, strength: float, rng: np.random.Generator) -> Picture:
    h, w = pic.shape[:2]
    veil = np.zeros((h, w), np.uint8)
    lean = float(rng.normal(0, 0.15))
    for x, y, n in zip(rng.uniform(0, w, 400), rng.uniform(0, h, 400), rng.uniform(8, 40, 400), strict=True):
        cv2.line(veil, (int(x), int(y)), (int(x + lean * n), int(y + n)), int(90 * strength), 1, cv2.LINE_AA)
    return cv2.add(pic, cv2.merge([cv2.GaussianBlur(veil, (0, 0), 0.8)] * 3))  # type: ignore[return-value]


def _glare(pic: Picture, strength: float) -> Picture:
    """Soft lights mirrored in glass, the same in every frame of a clip."""
    h, w = pic.shape[:2]
    rng = np.random.default_rng(round(strength * 1e6))
    small = np.clip(cv2.GaussianBlur(rng.normal(0, 1, (18, 32)), (0, 0), 2.0) * 6, 0, 2) * 22 * strength
    return cv2.add(
        pic, cv2.merge([cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC).clip(0, 255).astype(np.uint8)] * 3)
    )  # type: ignore[return-value]


def text_box(lens: Lens, size: tuple[int, int]) -> tuple[int, int, float]:
    """(x, y, scale) of burned-in text."""
    w, h = size
    s = 0.8 * w / 1280
    n = round(len(lens.text) * 17 * s)
    x = (14, (w - n) // 2, w - n - 14)[lens.text_place % 3]
    return x, (round(34 * s) + 6 if lens.text_place < 3 else h - 16), s


def burn(pic: Picture, lens: Lens) -> Picture:
    """Text, bars."""
    h, w = pic.shape[:2]
    bar, side = active(lens, (w, h))
    if bar:
        pic[:bar] = pic[h - bar :] = 4
    if side:
        pic[:, :side] = pic[:, w - side :] = 4
    if lens.text:
        x, y, s = text_box(lens, (w, h))
        for colour, t in (((0, 0, 0), 3), ((235, 235, 235), 1)):
            cv2.putText(
                pic, lens.text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, s, colour, max(1, round(t * s * 1.5)), cv2.LINE_AA
            )
    return pic


def active(lens: Lens, size: tuple[int, int]) -> tuple[int, int]:
    """(rows, columns) lost to bars at each edge."""
    return round(lens.letterbox * size[1]), round(lens.pillarbox * size[0])


def compress(pic: Picture, quality: int) -> Picture:
    """Through JPEG and back."""
    ok, data = cv2.imencode(".jpg", pic, [cv2.IMWRITE_JPEG_QUALITY, quality])
    return cv2.imdecode(data, cv2.IMREAD_COLOR) if ok else pic  # type: ignore[return-value]


def develop(pic: Picture, lens: Lens, rng: np.random.Generator, motion_px: tuple[float, float] = (0.0, 0.0)) -> Picture:
    """(H, W, 3) BGR uint8 -> the film's picture. motion_px: the camera's own movement while the shutter is open."""
    h, w = pic.shape[:2]
    scale = w / 1280
    mx, my = (lens.motion_blur_px[i] * scale + motion_px[i] for i in (0, 1))
    pic = _motion(pic, mx, my)
    if lens.rain:
        pic = _rain(pic, lens.rain, rng)
    pic = _blur(pic, lens.blur_px * scale)
    if lens.fringe:
        pic = _fringe(pic, lens.fringe)
    if lens.glare:
        pic = _glare(pic, lens.glare)
    small = lens.rows and lens.rows < h
    full = (w, h)
    if small:
        pic = cv2.resize(pic, (round(w * lens.rows / h), lens.rows), interpolation=cv2.INTER_AREA)  # type: ignore[assignment]
        h, w = pic.shape[:2]
        scale = w / 1280
    if lens.vignette:
        pic = cv2.multiply(pic, _vignette(w, h, round(lens.vignette, 2)), dtype=cv2.CV_8U)  # type: ignore[assignment]
    pic = cv2.LUT(pic, _curve(lens))  # type: ignore[assignment]
    if lens.noise > 0.3:
        tile = _noise_tile(min(SOFTNESS, key=lambda v: abs(v - lens.noise_px * max(scale, 0.6))))
        y, x = int(rng.integers(0, 1024)), int(rng.integers(0, 1024))
        rows, cols = (y + np.arange(h)) % 1024, (x + np.arange(w)) % 1024
        pic = cv2.add(pic, tile[rows][:, cols] * np.float32(lens.noise / (1 + 0.6 * lens.sharpen)), dtype=cv2.CV_8U)  # type: ignore[assignment]
    if lens.sharpen:
        low = cv2.GaussianBlur(pic, (0, 0), lens.sharpen_px * max(scale, 0.6))
        pic = cv2.addWeighted(pic, 1 + lens.sharpen, low, -lens.sharpen, 0)  # type: ignore[assignment]
    pic = _colour(pic, lens, max(scale, 0.5))
    if lens.interlace:
        shift = max(1, round(lens.interlace))
        pic[1::2] = np.roll(pic[1::2], shift, 1)
    if lens.jpeg:
        pic = compress(pic, lens.jpeg)
    if small:
        pic = cv2.resize(pic, full, interpolation=cv2.INTER_CUBIC)  # type: ignore[assignment]
    return burn(pic, lens)
