"""Batches of the people finder's training: packed frames in memory, views of them drawn and sampled on the device.

A training picture is one view of a stored frame, or four views beside each other (mosaic): scaled, shifted, turned
a little, mirrored. Boxes and points go through the same map on the host; the pixels and all wear on the device.
Coordinates count from the corner of the stored picture (its first pixel's middle is 0.5), as in ultralytics.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training.people_data import FRAMES, LABELS, STORE_HW
from models.training.people_wear import wear
from models.training.real_look import RealLook
from pipeline.errors import InputError

Floats = NDArray[np.float64]

CANVAS_HW = (736, 1280)  # of a training picture, as in use: the longer side 1280, both multiples of 32
PAD = 114 / 255
LEAST_SEEN = 0.3  # share of a box that must lie in a view for its person to be asked for
LEAST_PX = 5.0  # and least height and width of what is left of it


@dataclass(frozen=True)
class Recipe:
    """How views are drawn. real: share of real frames; mosaic: share of mosaics; plain: share of views as in use;
    near: share of views enlarged beyond the usual (people up to half the picture's height, soft); far: share made
    smaller than usual (men of 15 px); worn: strength of everything that changes pixels, 0 for none of it."""

    real: float = 0.16
    mosaic: float = 0.35
    plain: float = 0.15
    near: float = 0.18
    worn: float = 1.0
    far: float = 0.08


LAST = Recipe(mosaic=0.1, plain=0.45, near=0.12, far=0.05)  # of the last part of a training


class Frames:
    """N packed frames (models.training.people_data.pack): image (N, 720, 1280, 3) uint8 RGB, labels on the host.

    real, rendered: indices of the two kinds. Raises InputError for a folder without frames.
    """

    def __init__(self, folder: Path, mixture: tuple[str, ...], device: torch.device, **options: Any) -> None:
        """options: without, words 'key=word' of looks left out; most, rendered frames at most (0: all);
        host, True leaves the pictures in the host's memory."""
        path = folder / LABELS
        if not path.is_file():
            raise InputError("No packed frames in this folder.", where=folder)
        with np.load(path) as z:
            label = {k: z[k] for k in z.files}
        n = len(label["count"])
        stored = np.memmap(folder / FRAMES, np.uint8, "c", shape=(n, *STORE_HW, 3))
        kept = _chosen(label, mixture, tuple(options.get("without", ())), int(options.get("most", 0)))
        self.label = {k: v[kept] for k, v in label.items()}
        self.image = _to_device(stored, kept, device, bool(options.get("host", False)))
        self.place = np.arange(len(kept)) if self.image.shape[0] == len(kept) else kept
        sets = self.label["set"].astype(str)
        self.rendered, self.real = np.flatnonzero(sets == "rendered"), np.flatnonzero(sets != "rendered")
        if not len(self.rendered) + len(self.real):
            raise InputError(f"None of the sets {mixture} is packed here.", where=folder)

    def draw(self, rng: np.random.Generator, n: int, real: float) -> NDArray[np.int64]:
        """(n,) frame indices, a share of them real."""
        if not len(self.real) or not len(self.rendered):
            return rng.choice(np.concatenate([self.real, self.rendered]), n)
        pick = rng.random(n) < real
        return np.where(pick, rng.choice(self.real, n), rng.choice(self.rendered, n)).astype(np.int64)


def _chosen(
    label: dict[str, NDArray[Any]], mixture: tuple[str, ...], without: tuple[str, ...], most: int
) -> NDArray[np.int64]:
    """Indices of the frames to train on: the mixture's sets, no look left out, at most so many rendered ones."""
    sets = label["set"].astype(str)
    looks = label["look"].astype(str) if "look" in label else np.full(len(sets), "")
    out = np.array([any(w in look.split() for w in without) for look in looks], bool)
    kept = np.isin(sets, mixture) & ~out
    rendered = np.flatnonzero(kept & (sets == "rendered"))
    if most and len(rendered) > most:
        rendered = np.random.default_rng(0).choice(rendered, most, replace=False)
    return np.sort(np.concatenate([rendered, np.flatnonzero(kept & (sets != "rendered"))])).astype(np.int64)


def _to_device(stored: Any, kept: NDArray[np.int64], device: torch.device, host: bool) -> Tensor:
    """The kept frames on the device where they fit beside the training, else all of them where they are."""
    size = int(np.prod(stored.shape[1:])) * len(kept)
    if host or device.type != "cuda" or torch.cuda.mem_get_info(device)[0] < size + 30e9:
        return torch.from_numpy(stored)
    image = torch.empty((len(kept), *stored.shape[1:]), dtype=torch.uint8, device=device)
    for i in range(0, len(kept), 128):
        image[i : i + 128] = torch.from_numpy(np.ascontiguousarray(stored[kept[i : i + 128]])).to(device)
    return image


@dataclass(frozen=True)
class Views:
    """T views: frame (T,), item (T,) training picture each goes to, m (T, 2, 2), source (T, 2) and target (T, 2):
    target + m (p - source) is where p of the frame lies; rect (T, 4) the part of the picture the view fills."""

    frame: NDArray[np.int64]
    item: NDArray[np.int64]
    m: Floats
    source: Floats
    target: Floats
    rect: Floats


def draw_views(rng: np.random.Generator, frames: Frames, n: int, recipe: Recipe) -> Views:
    """Views for n training pictures."""
    h, w = CANVAS_HW
    item, rect = [], []
    for i in range(n):
        if rng.random() < recipe.mosaic:
            x, y = rng.uniform(0.3, 0.7) * w // 1, rng.uniform(0.3, 0.7) * h // 1
            parts = [(0, 0, x, y), (x, 0, w, y), (0, y, x, h), (x, y, w, h)]
        else:
            parts = [(0.0, 0.0, float(w), float(h))]
        item += [i] * len(parts)
        rect += parts
    index = frames.draw(rng, len(item), recipe.real)
    maps = [_one_view(rng, frames, int(k), np.array(r, float), recipe) for k, r in zip(index, rect, strict=True)]
    m, source, target = (np.stack(v) for v in zip(*maps, strict=True))
    return Views(index, np.array(item), m, source, target, np.array(rect, float))


def _one_view(
    rng: np.random.Generator, frames: Frames, k: int, rect: Floats, recipe: Recipe
) -> tuple[Floats, Floats, Floats]:
    """(m, source, target) of one view filling ``rect`` of its training picture."""
    size, flip = np.array(STORE_HW[::-1], float), 1.0 if rng.random() < 0.5 else -1.0
    middle = (rect[:2] + rect[2:]) / 2
    room = rect[2:] - rect[:2]
    whole = room[0] >= CANVAS_HW[1]
    kind = rng.random()
    if whole and kind < recipe.plain:  # as in use: the frame as it is, padded below
        m = np.diag([flip, 1.0])
        return m, np.array([0.0 if flip > 0 else size[0], 0.0]), np.zeros(2)
    if kind > 1 - recipe.near:
        zoom = float(np.exp(rng.uniform(np.log(1.6), np.log(4.0))))
    elif kind > 1 - recipe.near - recipe.far:
        zoom = float(np.exp(rng.uniform(np.log(0.28), np.log(0.55))))
    else:
        zoom = float(np.exp(rng.uniform(np.log(0.55), np.log(1.7)))) * (1.0 if whole else 0.85)
    turn, stretch = rng.normal(0, 0.03), float(np.exp(rng.normal(0, 0.06)))
    c, s = np.cos(turn), np.sin(turn)
    m = np.array([[c, -s], [s, c]]) @ np.diag([zoom * stretch * flip, zoom])
    shown = room / (zoom * np.array([stretch, 1.0]))  # of the frame, px
    count = int(frames.label["count"][k])
    if count and rng.random() < 0.6:  # around somebody, so that enlarged views are not empty
        b = frames.label["box"][k, rng.integers(count)]
        source = (b[:2] + b[2:]) / 2 + rng.uniform(-0.4, 0.4, 2) * shown
    else:
        source = rng.uniform(0, 1, 2) * size
    low, high = shown / 2 - 0.06 * size, size - shown / 2 + 0.06 * size
    source = np.where(low < high, np.clip(source, np.minimum(low, high), np.maximum(low, high)), source)
    if (low >= high).any():  # the frame is smaller than the room: anywhere in it
        slack = np.maximum(room - size * zoom, 0) / 2 / zoom
        source = np.where(low >= high, size / 2 + rng.uniform(-1, 1, 2) * slack, source)
    return m, source, middle


def labels(frames: Frames, v: Views) -> dict[str, NDArray[np.float32]]:
    """batch_idx (P,), cls (P, 1), bboxes (P, 4) centre and size 0..1, keypoints (P, 2, 3), sorted by picture."""
    lab = frames.label
    most = int(lab["count"][v.frame].max(initial=1))
    box, point = lab["box"][v.frame, :most].astype(float), lab["point"][v.frame, :most].astype(float)
    m, source, target = v.m[:, None], v.source[:, None], v.target[:, None]

    def there(p: Floats) -> Floats:
        return np.einsum("tnij,tnj->tni", np.broadcast_to(m, (*p.shape, 2)), p - source) + target

    centre = there((box[..., :2] + box[..., 2:]) / 2)
    scale = np.linalg.norm(v.m, axis=1)[:, None]  # of the frame's x and y
    half = (box[..., 2:] - box[..., :2]) / 2 * scale
    low = np.maximum(centre - half, v.rect[:, None, :2])
    high = np.minimum(centre + half, v.rect[:, None, 2:])
    left = (high - low).clip(0)
    share = left.prod(2) / np.maximum((4 * half.prod(2)), 1e-6)
    keep = np.arange(most)[None] < lab["count"][v.frame][:, None]
    keep &= (share >= LEAST_SEEN) & (left > LEAST_PX).all(2)
    t, j = np.nonzero(keep)
    order = np.argsort(v.item[t], kind="stable")
    t, j = t[order], j[order]
    size = np.array(CANVAS_HW[::-1], float)
    points = np.stack([there(point[:, :, i]) for i in range(2)], 2)[t, j]
    inside = ((points >= v.rect[t][:, None, :2]) & (points < v.rect[t][:, None, 2:])).all(2)
    seen = lab["seen"][v.frame[t], j] & inside
    points = np.where(seen[..., None], points / size, 0.0)
    return {
        "batch_idx": v.item[t].astype(np.float32),
        "cls": lab["role"][v.frame[t], j].astype(np.float32)[:, None],
        "bboxes": np.concatenate([(low + high)[t, j] / 2 / size, left[t, j] / size], 1).astype(np.float32),
        "keypoints": np.concatenate([points, 2.0 * seen[..., None]], 2).astype(np.float32),
    }


def pixels(frames: Frames, v: Views, n: int, device: torch.device) -> Tensor:
    """(n, 3, 736, 1280) the views' pixels 0..1, grey where nothing lies."""
    sh, sw = STORE_HW
    inverse = np.linalg.inv(v.m)
    back = v.source - np.einsum("tij,tj->ti", inverse, v.target)  # p = inverse q + back
    a, b = inverse * 2 / np.array([[sw], [sh]]), back * 2 / np.array([sw, sh]) - 1  # grid_sample's -1..1
    out = torch.full((n, 3, *CANVAS_HW), PAD, device=device)
    xs, ys = (torch.arange(s, device=device) + 0.5 for s in CANVAS_HW[::-1])
    for t in range(len(v.frame)):
        x0, y0, x1, y1 = (int(r) for r in v.rect[t])
        image = frames.image[int(frames.place[v.frame[t]])].to(device, non_blocking=True)
        x = (image.permute(2, 0, 1).float() / 255 - PAD)[None]
        q, r = xs[None, x0:x1], ys[y0:y1, None]
        grid = torch.stack([float(a[t, i, 0]) * q + float(a[t, i, 1]) * r + float(b[t, i]) for i in range(2)], 2)
        y = F.grid_sample(x, grid[None], mode="bilinear", padding_mode="zeros", align_corners=False)
        out[v.item[t], :, y0:y1, x0:x1] += y[0]
    return out


def draw_batch(
    rng: np.random.Generator, frames: Frames, n: int, recipe: Recipe, device: torch.device,
    real: RealLook | None = None,
) -> dict[str, Tensor]:  # fmt: skip
    """One batch as ultralytics' losses take it, on the device; img (n, 3, 736, 1280) 0..1. real: what pictures
    borrow from real film, None for nothing."""
    views = draw_views(rng, frames, n, recipe)
    lab = labels(frames, views)
    with torch.no_grad():
        x = pixels(frames, views, n, device)
        if real is not None:
            lab = real.paste(x, lab, rng)
            x = real(x, rng, recipe.worn)
        batch = {k: torch.from_numpy(a).to(device, non_blocking=True) for k, a in lab.items()}
        batch["img"] = wear(x, rng, recipe.worn) if recipe.worn > 0 else x
    return batch
