"""What light, lens, camera and recorder do to a picture, on the device, for batches of training pictures.

Every effect is drawn per picture, most for a part of them only. Order as in film: light, lens, sensor, recorder.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

# RGB <-> luma and two colour differences (ITU-R BT.601, the rows of JPEG's YCbCr without offset)
YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])
# The example luminance quantisation table of ITU-T T.81 (JPEG), annex K, table K.1
QUANT = np.array(
    [[16, 11, 10, 16, 24, 40, 51, 61], [12, 12, 14, 19, 26, 58, 60, 55], [14, 13, 16, 24, 40, 57, 69, 56],
     [14, 17, 22, 29, 51, 87, 80, 62], [18, 22, 37, 56, 68, 109, 103, 77], [24, 35, 55, 64, 81, 104, 113, 92],
     [49, 64, 78, 87, 103, 121, 120, 101], [72, 92, 95, 98, 112, 100, 103, 99]], float,
)  # fmt: skip


def wear(x: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """(B, 3, H, W) 0..1 -> the same, worn. H and W are multiples of 32."""
    x = _light(_colour(x, rng, strength), rng, strength)
    for share, across, down in ((0.25, (0.4, 1.8), (0.4, 1.8)), (0.08, (1.0, 3.0), (0.3, 0.8))):  # lens, panning
        some = np.flatnonzero(rng.random(len(x)) < share * strength)
        x = _change(x, some, lambda y, a=across, d=down: blur(y, rng.uniform(*a, len(y)), rng.uniform(*d, len(y))))
    x = _on_some(x, rng, 0.22 * strength, lambda y: _sharpen(y, rng))
    x = _on_some(x, rng, 0.4 * strength, lambda y: _noise(y, rng))
    for _ in range(2):
        x = _on_some(x, rng, 0.16 * strength, lambda y: _smaller(y, rng))
    return record(x, rng, strength).clamp(0, 1)


def record(x: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """What a recorder does: half-resolution colour, combed half frames, still-picture and video compression."""
    x = _on_some(x, rng, 0.25 * strength, lambda y: half_colour(y, rng))
    x = _on_some(x, rng, 0.05 * strength, lambda y: comb(y, rng.uniform(0.5, 3.0, len(y))))
    x = _on_some(x, rng, 0.12 * strength, lambda y: blocks(y, rng.uniform(0.3, 2.5, len(y))))
    return _on_some(x, rng, 0.2 * strength, lambda y: video(y, rng.uniform(6, 38, len(y)) / 255, rng))


def _on_some(x: Tensor, rng: np.random.Generator, share: float, effect: Callable[..., Tensor]) -> Tensor:
    """Apply an effect to a random share of the pictures."""
    return _change(x, np.flatnonzero(rng.random(len(x)) < share), effect)


def _change(x: Tensor, some: NDArray[np.int64], effect: Callable[..., Tensor]) -> Tensor:
    """Apply an effect to these pictures."""
    if len(some):
        index = torch.from_numpy(some).to(x.device)
        x = x.index_copy(0, index, effect(x[index]).to(x.dtype))
    return x


def _per_picture(values: NDArray[np.float64], like: Tensor) -> Tensor:
    return torch.from_numpy(np.asarray(values, np.float32)).to(like.device, like.dtype).view(-1, 1, 1, 1)


def _colour(x: Tensor, rng: np.random.Generator, strength: float) -> Tensor:
    """Hue, saturation, loss of colour, white balance, gamma, contrast, brightness."""
    b, _, h, w = x.shape
    mats = np.empty((b, 3, 3))
    for i in range(b):
        turn = rng.normal(0, 0.12) * strength
        sat = 0.0 if rng.random() < 0.06 * strength else math.exp(rng.normal(0, 0.35) * strength)
        c, s = math.cos(turn) * sat, math.sin(turn) * sat
        mats[i] = np.linalg.inv(YCC) @ np.array([[1, 0, 0], [0, c, -s], [0, s, c]]) @ YCC
        mats[i] = np.diag(np.exp(rng.normal(0, 0.06, 3) * strength)) @ mats[i]
    m = torch.from_numpy(mats).to(x.device, x.dtype)
    x = torch.bmm(m, x.reshape(b, 3, h * w)).view(b, 3, h, w)
    x = x.clamp(1e-3, 1) ** _per_picture(np.exp(rng.normal(0, 0.32, b) * strength), x)
    gain = _per_picture(np.exp(rng.normal(0, 0.2, b) * strength), x)
    return (x - 0.4) * gain + (0.4 + _per_picture(rng.normal(0, 0.07, b) * strength, x))


def _light(x: Tensor, rng: np.random.Generator, strength: float) -> Tensor:
    """Uneven light, darker rims, and the hard edge of a large shadow."""
    b, _, h, w = x.shape
    low = torch.from_numpy(rng.normal(0, 0.12 * strength, (b, 1, 3, 4)).astype(np.float32)).to(x.device)
    shade = F.interpolate(low, size=(h, w), mode="bicubic", align_corners=False)
    yy = torch.linspace(-1, 1, h, device=x.device).view(1, 1, h, 1)
    xx = torch.linspace(-1, 1, w, device=x.device).view(1, 1, 1, w)
    rim = torch.from_numpy((rng.random(b) < 0.25) * rng.uniform(0, 0.5, b)).to(x.device, torch.float32)
    shade = shade - rim.view(-1, 1, 1, 1) * (xx.square() + yy.square())
    edge = torch.from_numpy(rng.normal(0, 1, (3, b, 1, 1, 1)).astype(np.float32)).to(x.device)
    depth = torch.from_numpy((rng.random(b) < 0.15 * strength) * rng.uniform(0.3, 1.3, b)).to(x.device, torch.float32)
    soft = torch.from_numpy(np.exp(rng.uniform(2, 6, b)).astype(np.float32)).to(x.device).view(-1, 1, 1, 1)
    inside = torch.sigmoid((edge[0] * xx + edge[1] * yy + 0.7 * edge[2]) * soft)
    return x * torch.exp(shade - depth.view(-1, 1, 1, 1) * inside).to(x.dtype)


def blur(x: Tensor, across: NDArray[np.float64], down: NDArray[np.float64]) -> Tensor:
    """Gaussian of its own width (px) across and down for each picture, as a sum of shifted pictures."""
    h, w = x.shape[2:]
    r = np.arange(-6, 7)

    def weights(sigma: NDArray[np.float64]) -> list[Tensor]:
        k = np.exp(-0.5 * (r[None] / np.maximum(sigma, 0.1)[:, None]) ** 2)
        return [_per_picture(c, x) for c in (k / k.sum(1, keepdims=True)).T]

    y = F.pad(x, (6, 6, 6, 6), mode="replicate")
    none = torch.zeros((), dtype=x.dtype, device=x.device)
    y = sum((y[..., i : i + w] * k for i, k in enumerate(weights(across))), none)
    return sum((y[..., i : i + h, :] * k for i, k in enumerate(weights(down))), none)


def _sharpen(x: Tensor, rng: np.random.Generator) -> Tensor:
    """Halos of a camera's edge enhancement."""
    n = len(x)
    width = rng.uniform(0.7, 1.8, n)
    return (x + (x - blur(x, width, width)) * _per_picture(rng.uniform(0.5, 2.5, n), x)).clamp(0, 1)


def _noise(x: Tensor, rng: np.random.Generator) -> Tensor:
    b, _, h, w = x.shape
    grain = int(rng.choice([1, 2, 3, 6], p=[0.5, 0.28, 0.14, 0.08]))  # px a grain: noise reduction leaves coarse ones
    noise = torch.randn((b, 3, h // grain, w // grain), device=x.device, dtype=x.dtype)
    if grain > 1:
        noise = F.interpolate(noise, size=(h, w), mode="bilinear", align_corners=False)
    if rng.random() < 0.5:
        noise = noise.mean(1, keepdim=True) * 1.7
    if rng.random() < 0.15:  # rows of a sensor that differ
        noise = noise * 0.7 + torch.randn((b, 1, h, 1), device=x.device, dtype=x.dtype) * 0.5
    if rng.random() < 0.4:  # more of it in the dark
        noise = noise * (1.5 - x.mean(1, keepdim=True).clamp(0, 1))
    return (x + noise * _per_picture(rng.uniform(0.008, 0.05, b), x)).clamp(0, 1)


def _smaller(x: Tensor, rng: np.random.Generator) -> Tensor:
    """Film recorded at a smaller size, mostly compressed there, and enlarged again."""
    h, w = x.shape[2:]
    s = rng.uniform(0.3, 0.9)
    size = (round(h * s / 8) * 8, round(w * s / 8) * 8)
    if rng.random() < 0.15:  # a poor converter: no filter before
        y = F.interpolate(x.float(), size=size, mode="nearest")
    else:
        y = F.interpolate(x.float(), size=size, mode="bilinear", align_corners=False, antialias=rng.random() < 0.8)
    if rng.random() < 0.3:
        y = half_colour(y, rng)
    if rng.random() < 0.6:
        lossy = rng.random() < 0.5
        y = video(y, rng.uniform(6, 40, len(y)) / 255, rng) if lossy else blocks(y, rng.uniform(0.3, 2.0, len(y)))
    way = "bicubic" if rng.random() < 0.5 else "bilinear"
    return F.interpolate(y, size=(h, w), mode=way, align_corners=False).clamp(0, 1).to(x.dtype)


def half_colour(x: Tensor, rng: np.random.Generator) -> Tensor:
    """Colour differences at half or a quarter of the resolution, a little beside their place."""
    h, w = x.shape[2:]
    to = torch.from_numpy(YCC).to(x.device, torch.float32)
    y = torch.einsum("ij,bjhw->bihw", to, x.float())
    by = (2, 2) if rng.random() < 0.7 else (1, 4) if rng.random() < 0.5 else (4, 4)
    chroma = F.avg_pool2d(y[:, 1:], by)
    way = "bilinear" if rng.random() < 0.7 else "nearest"
    chroma = F.interpolate(chroma, size=(h, w), mode=way, align_corners=False if way == "bilinear" else None)
    chroma = torch.roll(chroma, (int(rng.integers(-1, 2)), int(rng.integers(-2, 3))), (2, 3))
    back = torch.from_numpy(np.linalg.inv(YCC)).to(x.device, torch.float32)
    return torch.einsum("ij,bjhw->bihw", back, torch.cat([y[:, :1], chroma], 1)).clamp(0, 1).to(x.dtype)


def comb(x: Tensor, shift: NDArray[np.float64]) -> Tensor:
    """Every second row beside its place by shift (B,) px: two half frames of a moving camera."""
    whole = np.round(shift).astype(int).clip(1)
    y = x.clone()
    for i, n in enumerate(whole):
        y[i, :, 1::2] = torch.roll(x[i, :, 1::2], int(n), 2)
    return y


def video(x: Tensor, step: NDArray[np.float64], rng: np.random.Generator) -> Tensor:
    """Video compression: 4 x 4 or 8 x 8 cosine blocks quantised evenly with a dead zone, and smoothed at their edges.

    step (B,) width of a quantiser's step at picture values 0..1. After ITU-T H.264: even quantisation with a dead
    zone of 1/3, a loop filter at the blocks' edges; prediction is left out.
    """
    b, _, h, w = x.shape
    n = 4 if rng.random() < 0.4 else 8
    to = torch.from_numpy(YCC).to(x.device, torch.float32)
    d = torch.from_numpy(_dct(n)).to(x.device, torch.float32)
    y = torch.einsum("ij,bjhw->bihw", to, x.float() - 0.5)
    q = (
        torch.from_numpy(np.outer(step * n / 4, [1.0, 1.6, 1.6]))
        .to(x.device, torch.float32)
        .view(b, 3, 1, 1, 1, 1)
        .repeat(1, 1, 1, 1, n, n)
    )
    q[..., 0, 0] *= 0.25  # a block's mean is predicted from its neighbours and nearly kept
    f = d @ y.view(b, 3, h // n, n, w // n, n).transpose(3, 4) @ d.T
    f = torch.sign(f) * torch.floor(f.abs() / q + 1 / 3) * q
    y = (d.T @ f @ d).transpose(3, 4).reshape(b, 3, h, w)
    edge = torch.zeros(n, device=x.device)
    edge[0] = edge[-1] = 1.0
    at_edge = torch.maximum(edge.repeat(h // n)[:, None], edge.repeat(w // n)[None])
    y = torch.lerp(y, F.avg_pool2d(y, 3, 1, 1, count_include_pad=False), at_edge * float(rng.uniform(0.3, 0.9)))
    back = torch.from_numpy(np.linalg.inv(YCC)).to(x.device, torch.float32)
    return (torch.einsum("ij,bjhw->bihw", back, y) + 0.5).clamp(0, 1).to(x.dtype)


def _dct(size: int = 8) -> NDArray[np.float64]:
    k, n = np.mgrid[:size, :size]
    d = np.cos(np.pi * (2 * n + 1) * k / (2 * size)) * np.sqrt(2 / size)
    d[0] /= np.sqrt(2)
    return d


def blocks(x: Tensor, coarse: NDArray[np.float64]) -> Tensor:
    """Quantised 8 x 8 cosine blocks, the loss of JPEG and of video's still frames; coarse (B,) times QUANT.

    Colour differences are quantised twice as coarsely, which stands for their halved resolution.
    """
    b, _, h, w = x.shape
    dev = x.device
    to = torch.from_numpy(YCC).to(dev, torch.float32)
    d = torch.from_numpy(_dct()).to(dev, torch.float32)
    step = torch.from_numpy(QUANT[None, None] * np.array([1.0, 2.0, 2.0])[None, :, None, None]).to(dev, torch.float32)
    step = (step * torch.from_numpy(coarse).to(dev, torch.float32).view(b, 1, 1, 1) / 255).view(b, 3, 1, 1, 8, 8)
    y = torch.einsum("ij,bjhw->bihw", to, x.float() - 0.5)
    y = y.view(b, 3, h // 8, 8, w // 8, 8).transpose(3, 4)
    y = d @ y @ d.T
    y = torch.round(y / step) * step
    y = (d.T @ y @ d).transpose(3, 4).reshape(b, 3, h, w)
    back = torch.from_numpy(np.linalg.inv(YCC)).to(dev, torch.float32)
    return (torch.einsum("ij,bjhw->bihw", back, y) + 0.5).clamp(0, 1).to(x.dtype)
