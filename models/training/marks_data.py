"""Training data of the registration networks: stills in memory, worn and warped on the device, targets from geometry.

Targets are not rendered: the field point under every cell of the answer follows from the still's exact camera
(crown of the ground and lens term included), and every mark is a function of that point. A training picture is
a random view (zoom, shift, turn, slight perspective, mirror) of a stored one.
"""

from __future__ import annotations

from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from pipeline.errors import InputError
from pipeline.registration import layout

STORE_HW = (720, 1280)
FAR_YD = 260.0  # ground beyond this distance from the camera is no target
# Columns of a still's geometry row.
GEOMETRY = (
    "focal", "px", "py", "pz", *(f"r{i}{j}" for i in range(3) for j in range(3)), "k1", "crown", "length", "width",
    "end_zone", "hash", "number", "number_near", "number_far", "every", "arrows", "endzone_view", "level",
)  # fmt: skip


@dataclass
class Stills:
    """N stills: image (N, 3, 720, 1280) uint8 RGB on the host or the device, geometry (N, len(GEOMETRY)) float32."""

    image: Tensor
    geometry: Tensor

    def __len__(self) -> int:
        return len(self.image)

    def take(self, index: Tensor, device: torch.device) -> tuple[Tensor, Tensor]:
        """Pictures and geometry of some stills, on the device. index (B,) on the host."""
        image = self.image[index.to(self.image.device)].to(device, non_blocking=True)
        return image, self.geometry[index].to(device)


def geometry_row(t: Any, width_px: int) -> list[float]:
    """The geometry of a StillTruth-like record, its camera scaled to a picture STORE_HW wide."""
    c, f, p = t.camera, t.field, t.paint
    near, far = p.number_rows
    return [
        c.focal_px * STORE_HW[1] / width_px, *c.position_yd, *np.asarray(c.rotation).ravel(), c.k1, t.crown_yd,
        f.length, f.width, f.end_zone, f.hash_rows[0], p.number_bottom_yd + p.number_height_yd / 2,
        float(near), float(far), float(p.number_every), float(p.arrows), float(t.view == "endzone"),
        float(layout.LEVEL_LOGITS.index(f.level)),
    ]  # fmt: skip


def load(pairs: Iterable[tuple[Path, Any]], limit: int = 0, workers: int = 4) -> Stills:
    """Decode stills (16:9 and others fitted by width). Raises InputError when there are none."""
    items = list(pairs)
    if limit:
        items = items[:limit]
    if not items:
        raise InputError("No rendered stills to train on.")
    image = torch.zeros((len(items), 3, *STORE_HW), dtype=torch.uint8)

    def read(i: int) -> list[float]:
        picture, t = items[i]
        bgr = cv2.imread(str(picture)) if isinstance(picture, (str, Path)) else picture
        if bgr is None:
            raise InputError("A picture cannot be read.", where=picture)
        h, w = bgr.shape[:2]
        nh = round(h * STORE_HW[1] / w)
        bgr = cv2.resize(bgr, (STORE_HW[1], nh), interpolation=cv2.INTER_AREA if w > STORE_HW[1] else cv2.INTER_LINEAR)
        # Other aspects are cropped or padded around the middle: the principal point stays there.
        canvas = np.zeros((*STORE_HW, 3), np.uint8)
        a, b = max((nh - STORE_HW[0]) // 2, 0), max((STORE_HW[0] - nh) // 2, 0)
        n = min(nh, STORE_HW[0])
        canvas[b : b + n] = bgr[a : a + n]
        image[i] = torch.from_numpy(np.ascontiguousarray(canvas[..., ::-1].transpose(2, 0, 1)))
        return geometry_row(t, w)

    with ThreadPoolExecutor(workers) as pool:
        rows = list(pool.map(read, range(len(items))))
    return Stills(image, torch.tensor(rows, dtype=torch.float32))


def _column(g: Tensor, name: str) -> Tensor:
    return g[:, GEOMETRY.index(name), None, None]


def ground(g: Tensor, px: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Field point under stored-picture px. g (B, K), px (B, H, W, 2) -> x, y (B, H, W) yards, valid (B, H, W)."""
    h = STORE_HW[1] / 2.0
    d = (px - torch.tensor([(STORE_HW[1] - 1) / 2.0, (STORE_HW[0] - 1) / 2.0], device=px.device)) / h
    k1 = _column(g, "k1")[..., None]
    u = d.clone()
    for _ in range(6):
        u = d / (1 + k1 * u.square().sum(-1, keepdim=True))
    u = u * h / _column(g, "focal")[..., None]
    r = [[_column(g, f"r{i}{j}") for j in range(3)] for i in range(3)]
    ray = [u[..., 0] * r[0][j] + u[..., 1] * r[1][j] + r[2][j] for j in range(3)]
    down = (-ray[2]).clamp_min(1e-4)
    pz, width, crown = _column(g, "pz"), _column(g, "width"), _column(g, "crown")
    z: Tensor | float = 0.0
    for _ in range(3):
        k = (pz - z) / down
        x, y = _column(g, "px") + ray[0] * k, _column(g, "py") + ray[1] * k
        v = (y - width / 2) / (width / 2)
        z = crown * (0.35 - (v * v).clamp_max(1.4))
    valid = (ray[2] < -1e-3) & (k * ray[2].abs().clamp_min(1e-4) > 0)
    valid &= ((x - _column(g, "px")).square() + (y - _column(g, "py")).square()).sqrt() < FAR_YD
    return x, y, valid


def _gradient(v: Tensor) -> Tensor:
    """(B, H, W) size of the gradient per cell."""
    p = F.pad(v[:, None], (1, 1, 1, 1), mode="replicate")[:, 0]
    dx, dy = (p[:, 1:-1, 2:] - p[:, 1:-1, :-2]) / 2, (p[:, 2:, 1:-1] - p[:, :-2, 1:-1]) / 2
    dx[:, :, 0], dx[:, :, -1] = 2 * dx[:, :, 0], 2 * dx[:, :, -1]
    dy[:, 0], dy[:, -1] = 2 * dy[:, 0], 2 * dy[:, -1]
    return (dx.square() + dy.square()).sqrt().clamp_min(1e-5)


def targets(g: Tensor, px: Tensor, mirror: Tensor) -> tuple[Tensor, Tensor]:
    """Target maps (B, CHANNELS, H, W) and weight (B, 1, H, W) where the answer counts.

    px (B, H, W, 2) stored-picture px under every cell; mirror (B,) bool: the picture is shown left to right.
    """
    x, y, valid = ground(g, px)
    length, width, ez = _column(g, "length"), _column(g, "width"), _column(g, "end_zone")
    end = _column(g, "endzone_view") > 0.5
    m = mirror[:, None, None]
    x = torch.where(m & ~end, length - x, x)
    y = torch.where(m & end, width - y, y)
    gx, gy = _gradient(x), _gradient(y)
    inside = valid & (x > -0.5) & (x < length + 0.5) & (y > -0.5) & (y < width + 0.5)
    playing = inside & (x > ez - 0.6) & (x < length - ez + 0.6)

    def ridge(value: Tensor, at: Tensor | float, grad: Tensor, where: Tensor) -> Tensor:
        d = (value - at) / grad / layout.LINE_SIGMA_CELLS
        return torch.exp(-0.5 * d.square()) * where

    def hump(row: Tensor, painted: Tensor) -> Tensor:
        at = 10 * torch.round(x / 10)
        spacing = (at - ez).minimum(length - ez - at)
        on = (spacing > 5) & (torch.round(spacing) % 10 == 0) & (painted > 0.5)
        # At least a cell wide, so that far numbers keep a peak.
        sx, sy = (layout.NUMBER_SIGMA_YD / gx).clamp_min(0.9) * gx, (layout.NUMBER_SIGMA_YD / gy).clamp_min(0.9) * gy
        return torch.exp(-0.5 * (((x - at) / sx).square() + ((y - row) / sy).square())) * (on & playing)

    at5 = (5 * torch.round(x / 5)).maximum(ez).minimum(length - ez)
    hash_y, number = _column(g, "hash"), _column(g, "number")
    along = valid & (x > 0) & (x < length)
    across = valid & (y > -0.3) & (y < width + 0.3)
    goal = ridge(x, ez, gx, across).maximum(ridge(x, length - ez, gx, across))
    back = ridge(x, 0.0, gx, across).maximum(ridge(x, length, gx, across))
    field = inside.float()
    maps = [
        ridge(x, at5, gx, inside & across), ridge(y, hash_y, gy, playing), ridge(y, width - hash_y, gy, playing),
        ridge(y, 0.0, gy, along), ridge(y, width, gy, along), hump(number, _column(g, "number_near")),
        hump(width - number, _column(g, "number_far")), goal, back,
        field, field * ((x < ez) | (x > length - ez)),
        y / width, *(wave(x * (2 * np.pi / period)) for period in (10, 5) for wave in (torch.cos, torch.sin)),
    ]  # fmt: skip
    h, w = STORE_HW
    seen = (px[..., 0] > -0.5) & (px[..., 0] < w - 0.5) & (px[..., 1] > -0.5) & (px[..., 1] < h - 0.5)
    return torch.nan_to_num(torch.stack(maps, 1)), seen[:, None].float()


def random_view(n: int, device: torch.device, plain: bool = False) -> tuple[Tensor, Tensor]:
    """(n, 3, 3) homographies from input px to stored px, and (n,) mirror flags. plain: the letterbox as in use."""
    ih, iw = layout.INPUT_HW
    base = STORE_HW[1] / iw
    one = torch.ones(n, device=device)
    if plain:
        zoom, turn, sx, sy, pers = one, 0 * one, 0 * one, 0 * one, torch.zeros(n, 2, device=device)
        mirror = torch.zeros(n, dtype=torch.bool, device=device)
    else:
        zoom = torch.exp(torch.randn(n, device=device) * 0.24).clamp(0.5, 1.9)
        close = torch.rand(n, device=device) < 0.12  # down to two yard lines and one hash row
        zoom = torch.where(close, torch.exp(torch.empty(n, device=device).uniform_(0.4, 1.15)), zoom)
        turn = torch.randn(n, device=device) * 0.03
        room = (1 - 1 / zoom).abs() * 0.5 + 0.04
        sx = (torch.rand(n, device=device) * 2 - 1) * room * STORE_HW[1]
        sy = (torch.rand(n, device=device) * 2 - 1) * room * STORE_HW[0]
        pers = torch.randn(n, 2, device=device) * 1.5e-5
        mirror = torch.rand(n, device=device) < 0.5
    stretch = one if plain else torch.exp(torch.randn(n, device=device) * 0.04)
    s = base / zoom
    c, d = torch.cos(turn) * s, torch.sin(turn) * s
    flip = torch.where(mirror, -one, one)
    f = flip * stretch
    view = torch.stack([c * f, -d, sx, d * f, c, sy, pers[:, 0], pers[:, 1], one], 1).view(n, 3, 3)
    to_mid = torch.tensor([[1, 0, -(iw - 1) / 2], [0, 1, -(ih - 1) / 2], [0, 0, 1.0]], device=device)
    mx, my = (STORE_HW[1] - 1) / 2, (STORE_HW[0] - 1) / 2
    back = torch.tensor([[1, 0, mx], [0, 1, my], [0, 0, 1.0]], device=device)
    return back @ view @ to_mid, mirror


def apply(view: Tensor, px: Tensor) -> Tensor:
    """Homographies (B, 3, 3) on (H, W, 2) px -> (B, H, W, 2)."""
    p = torch.cat([px, torch.ones_like(px[..., :1])], -1)
    q = torch.einsum("bij,hwj->bhwi", view, p)
    return q[..., :2] / q[..., 2:]


def pixel_grid(h: int, w: int, step: int, device: torch.device) -> Tensor:
    """(h, w, 2) px at the middle of cells of a size."""
    ys = (torch.arange(h, device=device) + 0.5) * step - 0.5
    xs = (torch.arange(w, device=device) + 0.5) * step - 0.5
    return torch.stack(torch.meshgrid(xs, ys, indexing="xy"), -1)


def sample(image: Tensor, px: Tensor) -> Tensor:
    """Bilinear colours 0..1 of stored uint8 pictures (B, 3, 720, 1280) at px (B, H, W, 2)."""
    size = torch.tensor([STORE_HW[1], STORE_HW[0]], device=px.device)
    grid = (px + 0.5) / size * 2 - 1
    return F.grid_sample(image.float() / 255.0, grid, mode="bilinear", padding_mode="zeros", align_corners=False)


def _kernels(sigma: Tensor, stretch: Tensor, angle: Tensor, size: int = 9) -> Tensor:
    """(B, 1, size, size) Gaussians, stretched along an angle."""
    r = torch.arange(size, device=sigma.device) - size // 2
    y, x = torch.meshgrid(r.float(), r.float(), indexing="ij")
    c, s = torch.cos(angle)[:, None, None], torch.sin(angle)[:, None, None]
    u, v = x * c + y * s, y * c - x * s
    a = (sigma + stretch)[:, None, None]
    k = torch.exp(-0.5 * ((u / a).square() + (v / sigma[:, None, None]).square()))
    return (k / k.sum((1, 2), keepdim=True))[:, None]


def wear(x: Tensor, strength: float = 1.0) -> Tensor:
    """What cameras, light and recorders do: colour, gamma, shade, blur, low resolution, noise, things in the way."""
    b, _, h, w = x.shape
    dev = x.device

    def rand(*shape: int) -> Tensor:
        return torch.rand(*shape, device=dev)

    def normal(*shape: int) -> Tensor:
        return torch.randn(*shape, device=dev)

    grey = x.mean(1, keepdim=True)
    sat = torch.exp(normal(b, 1, 1, 1) * 0.35 * strength) * (rand(b, 1, 1, 1) > 0.06)
    x = grey + (x - grey) * sat
    mix = torch.eye(3, device=dev) + normal(b, 3, 3) * 0.06 * strength
    x = torch.einsum("bij,bjhw->bihw", mix, x)
    x = x.clamp(1e-3, 1) ** torch.exp(normal(b, 1, 1, 1) * 0.3 * strength)
    x = (x - 0.4) * torch.exp(normal(b, 1, 1, 1) * 0.22 * strength) + 0.4 + normal(b, 1, 1, 1) * 0.08 * strength
    shade = F.interpolate(normal(b, 1, 3, 4) * 0.12 * strength, size=(h, w), mode="bicubic", align_corners=False)
    x = x * torch.exp(shade)
    edge = normal(b, 3)
    yy, xx = torch.meshgrid(torch.linspace(-1, 1, h, device=dev), torch.linspace(-1, 1, w, device=dev), indexing="ij")
    side = edge[:, 0, None, None] * xx + edge[:, 1, None, None] * yy + edge[:, 2, None, None] * 0.7 > 0
    dark = 1 - (rand(b, 1, 1) < 0.15) * (0.25 + 0.4 * rand(b, 1, 1)) * side
    x = x * dark[:, None]
    for _ in range(3):  # things in the way
        cx, cy, on = rand(b, 1, 1) * w, rand(b, 1, 1) * h, rand(b, 1, 1) < 0.25
        bw, bh = w * (0.005 + 0.05 * rand(b, 1, 1)), h * (0.02 + 0.15 * rand(b, 1, 1))
        px = torch.arange(w, device=dev)[None, None].float()
        py = torch.arange(h, device=dev)[None, :, None].float()
        hit = (((px - cx).abs() < bw) & ((py - cy).abs() < bh) & on)[:, None]
        x = torch.where(hit, rand(b, 3, 1, 1), x)
    sigma = 0.3 + (rand(b) < 0.5) * rand(b) * 1.4 * strength
    k = _kernels(sigma, (rand(b) < 0.15) * rand(b) * 2.5, rand(b) * np.pi)
    x = F.conv2d(x.reshape(1, b * 3, h, w), k.repeat_interleave(3, 0), padding=4, groups=b * 3).reshape(b, 3, h, w)
    small = F.interpolate(F.avg_pool2d(x, 2), size=(h, w), mode="bilinear", align_corners=False)
    x = torch.where(rand(b, 1, 1, 1) < 0.15 * strength, small, x)
    over = x - F.avg_pool2d(x, 3, 1, 1)
    x = x + over * (rand(b, 1, 1, 1) < 0.3) * rand(b, 1, 1, 1) * 1.2
    x = x + normal(b, 3, h, w) * ((rand(b, 1, 1, 1) < 0.6) * rand(b, 1, 1, 1) * 0.06 * strength)
    return x.clamp(0, 1)


def number_places(g: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """One random place of each still: (x, y, far) (B, 3), tens (B,), arrow (B,) and weight (B,).

    Three in four lie on a number; the rest on yard lines without one, or anywhere. A number counts as there
    even where people hide a part of it.
    """
    b, dev = len(g), g.device
    col = {k: g[:, i] for i, k in enumerate(GEOMETRY)}
    mid = torch.zeros(b, 1, 1, 2, device=dev)
    mid[..., 0] = STORE_HW[1] * (0.1 + 0.8 * torch.rand(b, 1, 1, device=dev))
    mid[..., 1] = STORE_HW[0] * (0.3 + 0.5 * torch.rand(b, 1, 1, device=dev))
    x0, y0, _ = (v[:, 0, 0] for v in ground(g, mid))
    x0 = torch.nan_to_num(x0).clamp(-300, 300)
    far = torch.rand(b, device=dev) < 0.5
    kind = torch.rand(b, device=dev)
    x = torch.where(kind < 0.78, 10 * torch.round(x0 / 10), torch.where(kind < 0.9, 5 * torch.round(x0 / 5), x0))
    far = _row_in_sight(g, x, far)
    y = torch.where(far, col["width"] - col["number"], col["number"])
    y = torch.where(kind > 0.94, y0.clamp(-5, 70), y)
    from_goal = (x - col["end_zone"]).minimum(col["length"] - col["end_zone"] - x)
    whole = torch.round(from_goal)
    on = ((from_goal - whole).abs() < 0.8) & (whole > 5) & (whole % 10 == 0) & (kind <= 0.94)
    on &= torch.where(far, col["number_far"], col["number_near"]) > 0.5
    tens = torch.where(on, (whole / 10).clamp(0, 5), torch.zeros_like(whole)).long()
    toward = torch.sign(x - col["length"] / 2) * torch.where(far, -1.0, 1.0)  # in the patch: + = right
    pointed = on & (col["arrows"] > 0.5) & (toward != 0)
    arrow = torch.where(pointed, torch.where(toward > 0, 2, 1), 0)
    # Numbers on every fifth line, rows not painted where others are, near misses: no clear answer.
    clear = ~((col["every"] < 10) & ~on & (kind <= 0.94)) & ((kind < 0.9) | ((from_goal - whole).abs() > 0.0))
    off = (y - torch.where(far, col["width"] - col["number"], col["number"])).abs()
    clear &= (kind <= 0.94) | (off > 4.0)
    clear &= (kind < 0.9) | (kind > 0.94) | on | ((x / 10 - torch.round(x / 10)).abs() > 0.35)
    return torch.stack([x, y, far.float()], 1), tens, arrow, clear.float()


def _row_in_sight(g: Tensor, x: Tensor, far: Tensor) -> Tensor:
    """(B,) far, but the other row where only that one lies in the picture at x."""
    near_y = g[:, GEOMETRY.index("number")]
    rows = torch.stack([near_y, g[:, GEOMETRY.index("width")] - near_y], 1)
    px = project(g, torch.stack([x[:, None].expand(-1, 2), rows], -1)[:, None])[:, 0]
    inside = ((px > 30) & (px < torch.tensor([STORE_HW[1], STORE_HW[0]], device=px.device) - 30)).all(-1)
    return torch.where(inside[:, 0] == inside[:, 1], far, inside[:, 1])


def cut_patches(image: Tensor, g: Tensor, place: Tensor, jitter: bool) -> tuple[Tensor, Tensor]:
    """Patches (B, 3, *PATCH_HW) of stored pictures at place (x, y, far), and the share of each inside the picture."""
    b, dev = len(g), g.device
    ph, pw = layout.PATCH_HW
    v, u = torch.meshgrid(
        (0.5 - (torch.arange(ph, device=dev) + 0.5) / ph) * layout.PATCH_YD[0],
        ((torch.arange(pw, device=dev) + 0.5) / pw - 0.5) * layout.PATCH_YD[1],
        indexing="ij",
    )
    u, v = u[None].expand(b, -1, -1), v[None].expand(b, -1, -1)
    if jitter:
        n = torch.randn(b, 6, 1, 1, device=dev)
        turn = n[:, 0] * 0.05
        u, v = u * torch.cos(turn) - v * torch.sin(turn), v * torch.cos(turn) + u * torch.sin(turn)
        u = u * torch.exp(n[:, 1] * 0.06) + n[:, 2] * 0.25
        v = v * torch.exp(n[:, 3] * 0.08) + n[:, 4] * 0.3
    sign = torch.where(place[:, 2] > 0.5, -1.0, 1.0)[:, None, None]
    xy = torch.stack([place[:, 0, None, None] + sign * u, place[:, 1, None, None] + sign * v], -1)
    px = project(g, xy)
    size = torch.tensor([STORE_HW[1], STORE_HW[0]], device=dev)
    inside = ((px > 0) & (px < size - 1)).all(-1).float().mean((1, 2))
    return sample(image, px), inside


def project(g: Tensor, xy: Tensor) -> Tensor:
    """Ground points (B, H, W, 2) yards -> stored px."""
    v = (xy[..., 1] - _column(g, "width") / 2) / (_column(g, "width") / 2)
    z = _column(g, "crown") * (0.35 - (v * v).clamp_max(1.4))
    d = [xy[..., 0] - _column(g, "px"), xy[..., 1] - _column(g, "py"), z - _column(g, "pz")]
    c = [sum(_column(g, f"r{i}{j}") * d[j] for j in range(3)) for i in range(3)]
    depth = torch.as_tensor(c[2]).clamp_min(0.1)
    h = STORE_HW[1] / 2.0
    u = torch.stack([torch.as_tensor(c[0]) / depth, torch.as_tensor(c[1]) / depth], -1)
    u = u * _column(g, "focal")[..., None] / h
    u = u * (1 + _column(g, "k1")[..., None] * u.square().sum(-1, keepdim=True))
    return u * h + torch.tensor([(STORE_HW[1] - 1) / 2.0, (STORE_HW[0] - 1) / 2.0], device=xy.device)
