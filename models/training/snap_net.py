"""The snap scorer's network and its training (torch, processor or GPU). Used by ``models.training.train_snap``."""

from __future__ import annotations

import io
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import nn

from pipeline import onset

LAYOUTS = {"short": onset.SHORT, "long": onset.LONG, "fine": onset.FINE}
SIGMA_TICKS = 1.2  # width of the target around the snap
LONGEST = 180  # ticks of a clip that one step of the training sees


class SnapNet(nn.Module):
    """windows (K, channels, rows, columns) of K successive ticks -> (K,) logits: the snap is at this tick.

    layout: one of LAYOUTS. clips: K ticks are that many clips of equal length, one after another.
    """

    def __init__(self, width: int = 14, layout: str = "long", mixed: int = 48, step: int = 1) -> None:
        super().__init__()
        self.width, self.layout = width, layout
        self.cells = nn.Sequential(
            nn.Conv2d(LAYOUTS[layout].channels, width, 3, 2, 1), nn.ReLU(),
            nn.Conv2d(width, 2 * width, 3, 2, 1), nn.ReLU(),
            nn.Conv2d(2 * width, 2 * width, 3, step, 1), nn.ReLU(),
        )  # fmt: skip
        self.mix = nn.Sequential(nn.Linear(4 * width, mixed), nn.ReLU())
        self.time = nn.Sequential(
            nn.Conv1d(mixed, 32, 9, padding=4), nn.ReLU(),
            nn.Conv1d(32, 32, 9, padding=8, dilation=2), nn.ReLU(),
            nn.Conv1d(32, 32, 9, padding=16, dilation=4), nn.ReLU(),
            nn.Conv1d(32, 1, 5, padding=2),
        )  # fmt: skip

    def forward(self, x: torch.Tensor, clips: int = 1) -> torch.Tensor:
        """See the class."""
        f = self.cells(x)
        f = torch.cat([f.amax(dim=(2, 3)), f.mean(dim=(2, 3))], 1)
        f = self.mix(f)
        return self.time(f.reshape(clips, -1, f.shape[1]).transpose(1, 2))[:, 0].reshape(-1)


def keep(net: SnapNet, path: Path) -> None:
    """Write weights with what is needed to build the network again; the file appears whole or not at all."""
    part = path.with_name(path.name + ".part")
    state = {k: v.detach().cpu() for k, v in net.state_dict().items()}
    torch.save({"layout": net.layout, "width": net.width, "state": state}, part)
    part.replace(path)


def kept(path: Path) -> SnapNet:
    """The network that ``keep`` wrote, ready to be used."""
    raw = torch.load(path, weights_only=True)
    net = SnapNet(raw["width"], raw["layout"])
    net.load_state_dict(raw["state"])
    return net.eval()


def from_onnx(path: Path, layout: str) -> list[tuple[SnapNet, float]]:
    """The networks of an ONNX file that ``to_onnx`` wrote, with their weights, and each one's share."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    parts: dict[str, dict[str, torch.Tensor]] = {}
    for tensor in graph.initializer:
        if tensor.name.startswith("nets."):
            _, number, name = tensor.name.split(".", 2)
            parts.setdefault(number, {})[name] = torch.from_numpy(numpy_helper.to_array(tensor).copy())
    known = {n.output[0]: numpy_helper.to_array(n.attribute[0].t) for n in graph.node if n.op_type == "Constant"}
    shares = [float(known[i]) for n in graph.node if n.op_type == "Mul" for i in n.input if i in known]
    steps = [a.ints[0] for n in graph.node if n.op_type == "Conv" for a in n.attribute
             if a.name == "strides" and len(a.ints) == 2][2::3]  # fmt: skip
    nets = []
    for (_, state), step in zip(sorted(parts.items()), steps, strict=True):
        mixed, wide = state["mix.0.weight"].shape
        nets.append(SnapNet(wide // 4, layout, mixed, step).eval())
        nets[-1].load_state_dict(state)
    if len(shares) != len(nets):
        raise ValueError(f"{path.name}: {len(nets)} networks, {len(shares)} shares")
    return list(zip(nets, shares, strict=True))


MARGIN_TICKS = 4 + 8 + 16 + 2  # how far the temporal layers look to each side


@dataclass(frozen=True)
class Clip:
    """A training clip: grid (K, rows, columns) as 255ths, snap ticks (float), kind, name."""

    grid: NDArray[np.uint8]
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


@dataclass(frozen=True)
class Batch:
    """B clips of LONGEST ticks: grid (B, T, rows, columns) 0..1, want (B, T), length (B,) ticks that exist."""

    grid: torch.Tensor
    want: torch.Tensor
    length: torch.Tensor


class Feed:
    """Clips on a device, cut and changed at random."""

    def __init__(self, clips: list[Clip], device: str, seed: int) -> None:
        self.device = device
        self.grid = torch.from_numpy(np.concatenate([c.grid for c in clips])).to(device)
        self.want = torch.from_numpy(np.concatenate([target(c) for c in clips])).to(device)
        lengths = np.array([len(c.grid) for c in clips])
        self.first, self.lengths = np.r_[0, np.cumsum(lengths)[:-1]], lengths
        self.snaps = [c.snaps for c in clips]
        self.rng = np.random.default_rng(seed)
        self.make = torch.Generator(device).manual_seed(seed)

    def _part(self, k: int) -> tuple[int, int]:
        """(first tick, number of ticks): at most LONGEST, around a snap more often than not, now and then a short one
        that ends soon after it."""
        rng, length = self.rng, int(self.lengths[k])
        count = min(length, LONGEST)
        if rng.random() < 0.3:
            count = int(rng.integers(min(count, 60), count + 1))
        spare = length - count
        start = int(rng.integers(0, spare + 1))
        if len(self.snaps[k]) and rng.random() < 0.6:
            start = int(np.clip(rng.choice(self.snaps[k]) - rng.uniform(0.2, 0.9) * count, 0, spare))
        return start, count

    def batch(self, which: NDArray[np.int64]) -> Batch:
        """Some clips, each changed in its own way."""
        index = np.zeros((len(which), LONGEST), np.int64)
        length = np.zeros(len(which), np.int64)
        for row, k in enumerate(which):
            start, length[row] = self._part(int(k))
            index[row] = self.first[k] + start + np.minimum(np.arange(LONGEST), length[row] - 1)
        at = torch.from_numpy(index).to(self.device)
        there = torch.from_numpy(np.arange(LONGEST) < length[:, None]).to(self.device)
        grid = self._changed(self.grid[at].float() / 255)
        return Batch(grid * there[..., None, None], self.want[at] * there, torch.from_numpy(length).to(self.device))

    def _changed(self, grid: torch.Tensor) -> torch.Tensor:
        """Mirrored, shifted, zoomed and louder or quieter; noise in all cells; flashing frames. (B, T, R, C)."""
        b, t, rows, columns = grid.shape

        def uniform(*shape: int) -> torch.Tensor:
            return torch.rand(shape, generator=self.make, device=self.device)

        def normal(*shape: int) -> torch.Tensor:
            return torch.randn(shape, generator=self.make, device=self.device)

        zoom = torch.exp(0.2 * normal(b))
        matrix = torch.zeros((b, 2, 3), device=self.device)
        matrix[:, 0, 0] = torch.where(uniform(b) < 0.5, zoom, -zoom)
        matrix[:, 1, 1] = torch.where(uniform(b) < 0.2, -zoom, zoom)
        matrix[:, :, 2] = 0.15 * normal(b, 2)
        where = nn.functional.affine_grid(matrix, [b, t, rows, columns], align_corners=False)
        grid = nn.functional.grid_sample(grid, where, align_corners=False)
        grid = grid * torch.exp(0.2 * normal(b))[:, None, None, None]
        loud = 0.25 * uniform(b) * (uniform(b) < 0.4)
        grid = grid + loud[:, None, None, None] * uniform(b, t, rows, columns) * uniform(b, t, 1, 1)
        flash = (uniform(b, t, 1, 1) < 0.01) * uniform(b, 1, 1, 1) * (uniform(b, 1, 1, 1) < 0.3)
        return torch.maximum(grid, flash * uniform(b, t, rows, columns)).clamp(0, 1)


def stacked(grid: torch.Tensor, length: torch.Tensor, layout: onset.Layout) -> torch.Tensor:
    """(B, T, R, C) -> (B * T, channels, R, C): as ``pipeline.onset.windows`` does it, for many clips."""
    b, t = grid.shape[:2]
    total = torch.cat([torch.zeros_like(grid[:, :1]), grid.cumsum(1)], 1)
    at = torch.arange(t, device=grid.device)
    end = length[:, None]
    row = torch.arange(b, device=grid.device)[:, None]
    parts = []
    for first, last in layout.spans:
        low = torch.minimum((at + first).clamp(min=0)[None], end)
        high = torch.minimum((at + last + 1).clamp(min=0)[None], end)
        width = (high - low).clamp(min=1)[..., None, None]
        parts.append((total[row, high] - total[row, low]) / width)
    rooms = (at[None].expand(b, t) / -layout.spans[0][0], (end - 1 - at[None]) / layout.spans[-1][1])
    for room in rooms if layout.room else ():
        parts.append(room.clamp(0, 1)[..., None, None].expand(b, t, *grid.shape[2:]))
    return torch.stack(parts, 2).reshape(b * t, layout.channels, *grid.shape[2:])


def fit(
    clips: list[Clip], seconds: float, steps: int, seed: int, start: SnapNet | None = None, rate: float = 4e-3,
    size: int = 32, device: str = "cpu", often: NDArray[np.float64] | None = None,
    now_and_then: Callable[[SnapNet], None] | None = None,
) -> SnapNet:  # fmt: skip
    """Train for ``steps`` batches of ``size`` clips or for ``seconds``, whichever is used up first: the learning rate
    falls with it. Clips that are still wrong come up more often; often: how often each comes up otherwise,
    relatively. now_and_then: called with the network about every 20 s."""
    torch.manual_seed(seed)
    feed = Feed(clips, device, seed)
    net = (start or SnapNet()).to(device).train()
    layout = LAYOUTS[net.layout]
    often = np.ones(len(clips)) if often is None else often
    chance = often / often.sum()
    best = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=1e-3)
    last = np.full(len(clips), 3.0)
    losses: list[float] = []
    begun, told = time.time(), time.time()
    for step in range(steps):
        used = max(step / steps, (time.time() - begun) / seconds)
        if used >= 1:
            break
        for group in best.param_groups:
            group["lr"] = rate * (0.5 + 0.5 * math.cos(math.pi * used)) * (min(1.0, used / 0.06 + 0.02))
        hard = feed.rng.random(size) < 0.4
        some = feed.rng.choice(len(clips), size, p=last * chance / (last * chance).sum())
        which = np.where(hard, some, feed.rng.choice(len(clips), size, p=chance))
        batch = feed.batch(which)
        with torch.autocast("cuda", torch.bfloat16, enabled=device == "cuda"):
            logits = net(stacked(batch.grid, batch.length, layout), size).reshape(batch.want.shape)
        logits = logits.float()
        inside = torch.arange(LONGEST, device=device)[None] < batch.length[:, None]
        weight = (1 + 14 * batch.want) * inside
        each = nn.functional.binary_cross_entropy_with_logits(logits, batch.want, reduction="none") * weight
        each = each.sum(1) / 60
        best.zero_grad()
        each.mean().backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        best.step()
        value = each.detach().cpu().numpy()
        last[which] = 0.5 * last[which] + 0.5 * np.minimum(value, 6.0) + 0.01
        losses.append(float(value.mean()))
        if time.time() - told > 20:
            told = time.time()
            print(f"step {step + 1}, {told - begun:.0f} s: loss {np.mean(losses[-100:]):.3f}", flush=True)
            if now_and_then is not None:
                now_and_then(net)
    print(f"{len(losses)} steps of {size}, {len(losses) * size / len(clips):.1f} epochs, "
          f"loss {np.mean(losses[-200:]):.3f}", flush=True)  # fmt: skip
    return net.cpu().eval()


def seen_by(x: torch.Tensor, shown: str, layout: str) -> torch.Tensor:
    """What a network of ``layout`` would be shown, taken from windows of layout ``shown``, which must hold it: a mean
    over coarser cells is the mean of the finer cells' means."""
    whole, part = LAYOUTS[shown], LAYOUTS[layout]
    if whole == part:
        return x
    wanted = [whole.spans.index(span) for span in part.spans]
    if part.room:
        wanted += [len(whole.spans), len(whole.spans) + 1]
    x = x[:, wanted[0] : wanted[-1] + 1] if wanted == list(range(wanted[0], wanted[-1] + 1)) else x[:, wanted]
    if part.rows != whole.rows:
        x = nn.functional.avg_pool2d(x, whole.rows // part.rows)
    return x


class Together(nn.Module):
    """Several networks as one: weighted mean of their logits. layout: what all are shown, the first one's if ''."""

    def __init__(self, nets: list[SnapNet], shares: list[float], layout: str = "") -> None:
        super().__init__()
        self.nets, self.shares, self.layout = nn.ModuleList(nets), shares, layout or nets[0].layout

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """As SnapNet."""
        parts = [
            share * net(seen_by(x, self.layout, net.layout)) for net, share in zip(self.nets, self.shares, strict=True)
        ]
        return torch.stack(parts).sum(0) / sum(self.shares)


def to_onnx(net: SnapNet | Together) -> bytes:
    """The network as ONNX with a free number of ticks."""
    if isinstance(net, SnapNet):
        net = Together([net], [1.0])  # one input alone
    store = io.BytesIO()
    layout = LAYOUTS[net.layout]
    example = torch.rand(64, layout.channels, layout.rows, layout.columns)
    torch.onnx.export(
        net.eval(), (example,), store, dynamo=False, opset_version=17, input_names=["windows"],
        output_names=["logit"], dynamic_axes={"windows": {0: "ticks"}, "logit": {0: "ticks"}},
    )  # fmt: skip
    return store.getvalue()
