"""The snap scorer's network and its training (torch, CPU). Used by ``models.training.train_snap``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from pipeline import onset

SIGMA_TICKS = 1.2  # width of the target around the snap


class SnapNet(nn.Module):
    """(K, CHANNELS, ROWS, COLUMNS) windows of K successive ticks -> (K,) logits: the snap is at this tick."""

    def __init__(self, width: int = 16) -> None:
        super().__init__()
        self.cells = nn.Sequential(
            nn.Conv2d(onset.CHANNELS, width, 3, 2, 1), nn.ReLU(),
            nn.Conv2d(width, 2 * width, 3, 2, 1), nn.ReLU(),
            nn.Conv2d(2 * width, 2 * width, 3, 2, 1), nn.ReLU(),
        )  # fmt: skip
        self.mix = nn.Sequential(nn.Linear(4 * width, 32), nn.ReLU())
        self.time = nn.Sequential(
            nn.Conv1d(32, 32, 9, padding=4), nn.ReLU(),
            nn.Conv1d(32, 32, 9, padding=8, dilation=2), nn.ReLU(),
            nn.Conv1d(32, 32, 9, padding=16, dilation=4), nn.ReLU(),
            nn.Conv1d(32, 1, 5, padding=2),
        )  # fmt: skip

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """See the class."""
        f = self.cells(x)
        f = torch.cat([f.amax(dim=(2, 3)), f.mean(dim=(2, 3))], 1)
        f = self.mix(f)
        return self.time(f.t().unsqueeze(0))[0, 0]


MARGIN_TICKS = 4 + 8 + 16 + 2  # how far the temporal layers look to each side


@dataclass(frozen=True)
class Clip:
    """A training clip: grid (K, ROWS, COLUMNS) 0..1, snap ticks (float), kind, name."""

    grid: NDArray[np.float32]
    snaps: NDArray[np.float64]
    kind: str
    name: str


def target(clip: Clip) -> NDArray[np.float32]:
    """(K,) 1 at a snap, falling off with SIGMA_TICKS."""
    at = np.arange(len(clip.grid), dtype=float)
    out = np.zeros(len(at))
    for snap in clip.snaps:
        out = np.maximum(out, np.exp(-0.5 * ((at - snap) / SIGMA_TICKS) ** 2))
    return out.astype(np.float32)


def augment(grid: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """Mirrored, shifted, zoomed and louder or quieter; noise in all cells; a dropped or flashing frame."""
    import cv2

    out = grid[..., ::-1] if rng.random() < 0.5 else grid
    out = out[:, ::-1] if rng.random() < 0.2 else out
    zoom = float(np.exp(rng.normal(0, 0.2)))
    rows, columns = grid.shape[1:]
    matrix = np.array([[zoom, 0, (1 - zoom) * columns / 2 + rng.normal(0, 4)],
                       [0, zoom, (1 - zoom) * rows / 2 + rng.normal(0, 2.5)]])  # fmt: skip
    frames = np.ascontiguousarray(out)
    out = np.stack([cv2.warpAffine(f, matrix, (columns, rows), flags=cv2.INTER_LINEAR) for f in frames])
    out = out * float(np.exp(rng.normal(0, 0.2)))
    if rng.random() < 0.4:
        level = rng.uniform(0.02, 0.25)
        noise = (
            rng.random((len(out), rows, columns), np.float32)
            * level
            * rng.random((len(out), 1, 1), np.float32)
        )
        out = out + noise
    if rng.random() < 0.3:
        for k in rng.integers(0, len(out), rng.integers(1, 4)):
            out[k] = np.maximum(out[k], rng.random((rows, columns), np.float32) * rng.uniform(0.2, 0.9))
    return np.clip(out, 0, 1).astype(np.float32)


def stacked(grid: NDArray[np.float32]) -> torch.Tensor:
    """(K, CHANNELS, ROWS, COLUMNS) windows of a whole clip."""
    return torch.from_numpy(np.concatenate([c[i] for _, i, c in onset.windows(grid)]))


def scores(net: SnapNet, grid: NDArray[np.float32]) -> NDArray[np.float64]:
    """(K,) probabilities of a whole clip."""
    net.eval()
    with torch.no_grad():
        return torch.sigmoid(net(stacked(grid))).numpy().astype(float)


def fit(
    clips: list[Clip],
    epochs: int,
    seed: int,
    start: SnapNet | None = None,
    rate: float = 4e-3,
    longest: int = 160,
) -> SnapNet:
    """Train on clips; one step a clip, gradients of four clips together."""
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = start or SnapNet()
    total = epochs * len(clips) // 4 + 1
    best = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-3)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, rate, total_steps=total + 1, pct_start=0.15)
    for epoch in range(epochs):
        net.train()
        losses = []
        for step, k in enumerate(rng.permutation(len(clips))):
            clip = clips[k]
            a = int(rng.integers(0, max(1, len(clip.grid) - longest)))
            if len(clip.snaps) and len(clip.grid) > longest and rng.random() < 0.6:
                a = int(
                    np.clip(
                        rng.choice(clip.snaps) - rng.uniform(0.2, 0.8) * longest, 0, len(clip.grid) - longest
                    )
                )
            part = slice(a, a + longest)
            grid = augment(clip.grid[part], rng)
            want = torch.from_numpy(target(clip)[part])
            logits = net(stacked(grid))
            weight = 1 + 14 * want
            loss = (
                nn.functional.binary_cross_entropy_with_logits(logits, want, weight=weight, reduction="sum")
                / 60
            )
            loss.backward()
            losses.append(float(loss.detach()))
            if step % 4 == 3:
                torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
                best.step()
                best.zero_grad()
                plan.step()
        print(f"epoch {epoch}: loss {np.mean(losses):.3f}", flush=True)
    return net


class Together(nn.Module):
    """Several networks as one: weighted mean of their logits."""

    def __init__(self, nets: list[SnapNet], shares: list[float]) -> None:
        super().__init__()
        self.nets, self.shares = nn.ModuleList(nets), shares

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """As SnapNet."""
        return sum(share * net(x) for net, share in zip(self.nets, self.shares, strict=True)) / sum(
            self.shares
        )


def to_onnx(net: nn.Module) -> bytes:
    """The network as ONNX with a free number of ticks."""
    import io

    store = io.BytesIO()
    example = torch.rand(64, onset.CHANNELS, onset.ROWS, onset.COLUMNS)
    torch.onnx.export(
        net.eval(), (example,), store, dynamo=False, opset_version=17, input_names=["windows"],
        output_names=["logit"], dynamic_axes={"windows": {0: "ticks"}, "logit": {0: "ticks"}},
    )  # fmt: skip
    return store.getvalue()
