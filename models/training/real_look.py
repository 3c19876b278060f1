"""Real film's colours, slow light, turf and people in batches of training pictures, on the device.

Fourier amplitude mixing follows Yang & Soatto, FDA: Fourier Domain Adaptation for Semantic Segmentation (2020);
the transfer of colour statistics Reinhard et al., Color Transfer between Images (2001), both in parts only.
What is borrowed stands in the bank of models.training.real_bank.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from models.training.real_bank import BANK, CELL_HW, RADIUS, TURF_PX, YCC
from pipeline.errors import InputError

Labels = dict[str, NDArray[np.float32]]
SHARES = {"spectrum": 0.22, "colour": 0.22, "turf": 0.35, "people": 0.25}  # of the pictures, at strength 1
MOST_PASTED = 5
LARGEST_ZOOM = 2.6  # of a pasted person over his real size: beyond that he is a blur
ALLOWED_OVERLAP = 0.1  # share of a pasted person, or of somebody there, that may be covered


def open_bank(folder: Path | None, device: torch.device) -> RealLook | None:
    """The bank of a folder after one trial of every effect; None, said aloud, where there is none or this machine
    cannot do one of them: a training of minutes on a lent machine goes on without rather than not at all."""
    if folder is None or not (folder / BANK).is_file():
        print(f"no bank of real pictures in {folder}: nothing is borrowed", flush=True)
        return None
    try:
        real, x, rng = RealLook(folder, device), torch.rand(2, 3, 96, 160, device=device), np.random.default_rng(0)
        for name, effect in (("turf", real.on_turf), ("colour", real.mix_colour), ("spectrum", real.mix_spectrum)):
            if len(getattr(real, name)) and not bool(torch.isfinite(effect(x, rng)).all()):
                raise InputError("An effect gives no finite picture.", where=folder)
    except (RuntimeError, InputError, IndexError) as e:
        print(f"REAL PICTURES CANNOT BE BORROWED, training goes on without: {e}", flush=True)
        return None
    return real


class RealLook:
    """The bank on a device. Raises InputError where there is none."""

    def __init__(self, folder: Path, device: torch.device) -> None:
        path = folder / BANK
        if not path.is_file():
            raise InputError("No bank of real pictures in this folder.", where=folder)
        with np.load(path) as z:
            held = {k: z[k] for k in z.files}
        self.spectrum = torch.from_numpy(held["spectrum"]).to(device)
        self.colour = torch.from_numpy(held["colour"]).to(device)
        self.turf = torch.from_numpy(held["turf"]).to(device)
        self.people = torch.from_numpy(held["people"]).to(device)
        self.size, self.box, self.ground, self.role = (held[k] for k in ("size", "box", "ground", "role"))

    def __call__(self, x: Tensor, rng: np.random.Generator, strength: float = 1.0, whole: bool = True) -> Tensor:
        """(B, 3, H, W) 0..1 -> the same with real turf, colours and, where a whole picture is seen, slow light in
        some of them."""
        for name, effect in (("turf", self.on_turf), ("spectrum", self.mix_spectrum), ("colour", self.mix_colour)):
            if name == "spectrum" and not whole:
                continue
            some = np.flatnonzero(rng.random(len(x)) < SHARES[name] * strength)
            if len(some) and len(getattr(self, name)):
                index = torch.from_numpy(some).to(x.device)
                x = x.index_copy(0, index, effect(x[index].float(), rng).to(x.dtype))
        return x.clamp(0, 1)

    def _some(self, bank: Tensor, rng: np.random.Generator, n: int) -> Tensor:
        return bank[torch.from_numpy(rng.integers(0, len(bank), n)).to(bank.device)].float()

    def mix_spectrum(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Amplitudes of low frequencies part of the way to those of real frames; phases stay."""
        b, _, h, w = x.shape
        f = torch.fft.rfft2(x, norm="forward")
        rows = torch.cat([torch.arange(RADIUS + 1), torch.arange(h - RADIUS, h)]).to(x.device)
        low = f[:, :, rows, : RADIUS + 1]
        size = low.abs().clamp_min(1e-8)
        ky = torch.cat([torch.arange(RADIUS + 1), torch.arange(-RADIUS, 0)]).to(x.device)
        kx = torch.arange(RADIUS + 1, device=x.device)
        far = (ky[:, None].square() + kx[None].square()).sqrt()
        reach = _column(np.exp(rng.uniform(0.0, np.log(RADIUS), b)), x)
        part = _column(rng.uniform(0.1, 0.8, b) * rng.uniform(0.4, 1.0, b), x) * torch.sigmoid((reach - far) * 2.0)
        wanted = self._some(self.spectrum, rng, b)
        new = low * ((size * (1 - part) + wanted * part) / size)
        f[:, :, rows, : RADIUS + 1] = new
        return torch.fft.irfft2(f, s=(h, w), norm="forward").clamp(0, 1)

    def mix_colour(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Mean and spread of luma and colour differences part of the way to those of real frames."""
        b = len(x)
        to = torch.from_numpy(YCC).to(x.device)
        back = torch.linalg.inv(to)
        y = torch.einsum("ij,bjhw->bihw", to, x)
        mean, spread = y.mean((2, 3), keepdim=True), y.std((2, 3), keepdim=True).clamp_min(0.01)
        wanted = self._some(self.colour, rng, b)[..., None, None]
        part = _column(rng.uniform(0.2, 0.95, b), x)
        gain = (1 + part * (wanted[:, 1] / spread - 1)).clamp(0.4, 2.2)
        y = (y - mean) * gain + mean + part * (wanted[:, 0] - mean)
        return torch.einsum("ij,bjhw->bihw", back, y).clamp(0, 1)

    def on_turf(self, x: Tensor, rng: np.random.Generator) -> Tensor:
        """Real turf's fine texture on what is green."""
        b, _, h, w = x.shape
        pieces = self._some(self.turf, rng, b)[:, None]
        zoom = np.exp(rng.uniform(np.log(0.7), np.log(2.2), b))
        theta = np.zeros((b, 2, 3), np.float32)
        theta[:, 0, 0], theta[:, 1, 1] = w / TURF_PX / zoom, h / TURF_PX / zoom
        theta[:, :, 2] = rng.uniform(-1, 1, (b, 2))
        grid = F.affine_grid(torch.from_numpy(theta).to(x.device), [b, 1, h, w], align_corners=False)
        texture = F.grid_sample(pieces, grid, padding_mode="reflection", align_corners=False)
        r, g, bl = x[:, :1], x[:, 1:2], x[:, 2:]
        where = ((2 * g - r - bl) / (r + g + bl).clamp_min(1e-3) * 8).clamp(0, 1)
        return x * (1 + where * texture * _column(rng.uniform(0.5, 2.5, b), x))

    def paste(self, x: Tensor, labels: Labels, rng: np.random.Generator) -> Labels:
        """Puts real people onto some of the pictures (in place); returns the labels with them, sorted by picture.

        They stand near people who are there, as tall as those, where they hide nobody. Points stay unknown.
        """
        if not len(self.people):
            return labels
        h, w = x.shape[2:]
        rows: list[NDArray[np.float32]] = []
        for i in np.flatnonzero(rng.random(len(x)) < SHARES["people"]):
            here = labels["batch_idx"] == i
            mine = labels["bboxes"][here] * np.array([w, h, w, h], np.float32)
            players = mine[labels["cls"][here, 0] == 0]
            for _ in range(int(rng.integers(1, MOST_PASTED + 1)) if len(players) >= 4 else 0):
                spot = self._spot(players, mine, (h, w), rng)
                if spot is not None:
                    k, box, cell = spot
                    self._put(x[i], k, cell)
                    mine = np.concatenate([mine, box[None]])
                    rows.append(np.array([i, self.role[k], *box / (w, h, w, h)], np.float32))
        if not rows:
            return labels
        new = np.stack(rows)
        points = np.zeros((len(new), 2, 3), np.float32)
        joined = {
            "batch_idx": np.concatenate([labels["batch_idx"], new[:, 0]]),
            "cls": np.concatenate([labels["cls"], new[:, 1:2]]),
            "bboxes": np.concatenate([labels["bboxes"], new[:, 2:]]),
            "keypoints": np.concatenate([labels["keypoints"], points]),
        }
        order = np.argsort(joined["batch_idx"], kind="stable")
        return {key: v[order] for key, v in joined.items()}

    def _spot(
        self, players: NDArray[np.float32], boxes: NDArray[np.float32], size_hw: tuple[int, int],
        rng: np.random.Generator,
    ) -> tuple[int, NDArray[np.float32], tuple[int, int, int, int]] | None:  # fmt: skip
        """(person, his box as centre and size, cell x0 y0 x1 y1) at a free place, px; None where none was found."""
        near = players[int(rng.integers(len(players)))]
        tall = np.quantile(players[np.abs(players[:, 1] - near[1]) < 1.5 * near[3], 3], 0.8) * rng.uniform(0.85, 1.1)
        k = int(rng.integers(len(self.people)))
        inner = self.box[k]
        zoom = tall / max((inner[3] - inner[1]) * self.size[k, 0], 1.0)
        if not 0.3 < zoom < LARGEST_ZOOM:
            return None
        high, wide = self.size[k] * zoom
        at = near[:2] + rng.choice([-1, 1], 2) * rng.uniform((0.6, 0.0), (4.0, 1.5)) * near[3]
        corner = np.round(at - np.array([wide, high]) / 2)
        x0, y0 = int(corner[0]), int(corner[1])
        x1, y1 = x0 + max(4, round(wide)), y0 + max(6, round(high))
        if x0 < 0 or y0 < 0 or x1 > size_hw[1] or y1 > size_hw[0]:
            return None
        low = np.array([x0, y0]) + inner[:2] * (x1 - x0, y1 - y0)
        top = np.array([x0, y0]) + inner[2:] * (x1 - x0, y1 - y0)
        theirs = np.concatenate([boxes[:, :2] - boxes[:, 2:] / 2, boxes[:, :2] + boxes[:, 2:] / 2], 1)
        both = (np.minimum(theirs[:, 2:], top) - np.maximum(theirs[:, :2], low)).clip(0).prod(1)
        if (both > ALLOWED_OVERLAP * np.minimum(boxes[:, 2:].prod(1), (top - low).prod())).any():
            return None
        return k, np.concatenate([(low + top) / 2, top - low]).astype(np.float32), (x0, y0, x1, y1)

    def _put(self, picture: Tensor, k: int, cell: tuple[int, int, int, int]) -> None:
        x0, y0, x1, y1 = cell
        rgba = self.people[k].permute(2, 0, 1)[None].float() / 255
        smaller = y1 - y0 < CELL_HW[0]
        rgba = F.interpolate(rgba, size=(y1 - y0, x1 - x0), mode="bilinear", align_corners=False, antialias=smaller)[0]
        under = picture[:, y0:y1, x0:x1]
        gain = (under.mean() / max(float(self.ground[k]) * 0.9, 0.08)).clamp(0.6, 1.5)
        under.copy_(under + (rgba[:3] * gain - under) * rgba[3:])


def _column(values: NDArray[Any], like: Tensor) -> Tensor:
    return torch.from_numpy(np.asarray(values, np.float32)).to(like.device).view(-1, 1, 1, 1)
