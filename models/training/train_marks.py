"""Train the two networks of field registration for a fixed time, and export them.

``python -m models.training.train_marks --data DIR [--val DIR] --minutes 8 --out DIR [--start DIR]``

DIR holds rendered stills (models.training.film.stills); --start continues from the *_state.pt of an earlier run.
OUT gets marks.onnx, numbers.onnx, marks_state.pt, numbers_state.pt and marks_metrics.json. The averaged weights
(EMA) are the ones exported; the learning rate follows the clock (one cycle).
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from models.training import marks_data as data
from models.training.marks_net import MarksNet, NumberNet, export, load_state
from models.training.people_wear import record
from models.training.real_look import RealLook, open_bank
from models.training.restore import measure_norms
from pipeline.registration import layout

N_HEAT, N_MASK = len(layout.HEAT), len(layout.MASK)
LINE_WEIGHT = 12.0  # a ridge covers few cells: its cells count more
SAVE_SECONDS = 60.0
NORM_BATCHES = 12
ENDZONE_ODDS = 1.5  # of a still from behind the end zone, over one from the side
MARKS_SHARE = 0.85  # of the steps' time; the number reader gets the rest


def marks_loss(maps: Tensor, kinds: Tensor, want: Tensor, seen: Tensor, g: Tensor) -> tuple[Tensor, dict[str, Tensor]]:
    """Weighted sum of the losses of the marks network, and its parts."""
    heat, mask, dense = maps[:, :N_HEAT], maps[:, N_HEAT : N_HEAT + N_MASK], maps[:, N_HEAT + N_MASK :]
    t_heat, t_mask, t_dense = want[:, :N_HEAT], want[:, N_HEAT : N_HEAT + N_MASK], want[:, N_HEAT + N_MASK :]
    w = seen * (1 + LINE_WEIGHT * t_heat)
    ridge = (F.binary_cross_entropy_with_logits(heat, t_heat, reduction="none") * w).mean()
    area = (F.binary_cross_entropy_with_logits(mask, t_mask, reduction="none") * seen).mean()
    on = t_mask[:, :1] * seen
    norm = on.sum().clamp_min(1.0)
    across = ((dense[:, :1] - t_dense[:, :1]).abs() * on).sum() / norm
    ten = ((dense[:, 1:3] - t_dense[:, 1:3]).abs() * on).sum() / norm / 2
    five = ((dense[:, 3:] - t_dense[:, 3:]).abs() * on).sum() / norm / 2
    view = g[:, data.GEOMETRY.index("endzone_view")].long()
    level = g[:, data.GEOMETRY.index("level")].long()
    nv = len(layout.VIEW_LOGITS)
    kind = F.cross_entropy(kinds[:, :nv], view) + 1.5 * F.cross_entropy(kinds[:, nv:], level)
    parts = {"ridge": ridge, "area": area, "across": across, "ten": ten, "five": five, "kind": kind}
    return 10 * ridge + 0.5 * area + 2 * across + 0.3 * ten + 0.7 * five + 0.1 * kind, parts


class Trainer:
    """One network with its optimiser, its average, and its learning rate by the clock."""

    def __init__(self, net: nn.Module, lr: float, device: torch.device) -> None:
        self.net: Any = net.to(device).to(memory_format=torch.channels_last)
        self.average = copy.deepcopy(self.net).eval()
        decay = [p for p in net.parameters() if p.ndim > 1]
        rest = [p for p in net.parameters() if p.ndim <= 1]
        groups = [{"params": decay, "weight_decay": 0.02}, {"params": rest, "weight_decay": 0.0}]
        self.optimizer = torch.optim.AdamW(groups, lr=lr, betas=(0.9, 0.99))
        self.peak, self.steps = lr, 0

    def step(self, loss: Tensor, done: float) -> None:
        """One update; done: share of the time used."""
        warm = 0.06
        scale = done / warm if done < warm else 0.5 * (1 + math.cos(math.pi * min((done - warm) / (1 - warm), 1)))
        for group in self.optimizer.param_groups:
            group["lr"] = self.peak * max(scale, 0.01)
        self.optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        nn.utils.clip_grad_norm_(self.net.parameters(), 5.0)
        self.optimizer.step()
        self.steps += 1
        keep = min(0.998, (1 + self.steps) / (10 + self.steps))
        with torch.no_grad():
            torch._foreach_lerp_(list(self.average.parameters()), list(self.net.parameters()), 1 - keep)
            for a, p in zip(self.average.buffers(), self.net.buffers(), strict=True):
                a.copy_(p)


def marks_batch(
    stills: data.Stills, index: Tensor, device: torch.device, plain: bool, real: RealLook | None = None
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Worn pictures (B, 3, *INPUT_HW), targets, weights and geometry of some stills; real: what worn pictures borrow
    from real film."""
    image, g = stills.take(index, device)
    view, mirror = data.random_view(len(index), device, plain)
    px = data.apply(view, data.pixel_grid(*layout.INPUT_HW, 1, device))
    x = data.sample(image, px)
    cells = data.apply(view, data.pixel_grid(*layout.GRID_HW, layout.STRIDE, device))
    want, seen = data.targets(g, cells, mirror)
    return (x if plain else _worn(x, real, 1.0)), want, seen, g


def _worn(x: Tensor, real: RealLook | None, strength: float, whole: bool = True) -> Tensor:
    """Real colours and turf, light and lens, recorder."""
    rng = np.random.default_rng(int(torch.randint(2**31, (1,))))
    if real is not None:
        x = real(x, rng, strength, whole)
    return record(data.wear(x, strength), rng, strength)


def numbers_batch(
    stills: data.Stills, index: Tensor, device: torch.device, plain: bool, real: RealLook | None = None
) -> tuple[Tensor, Tensor, Tensor, Tensor]:
    """Patches, tens, arrows and weights."""
    image, g = stills.take(index, device)
    place, tens, arrow, weight = data.number_places(g)
    x, inside = data.cut_patches(image, g, place, jitter=not plain)
    weight = weight * (inside > 0.75)
    return (x if plain else _worn(x, real, 0.8, whole=False)), tens, arrow, weight


def numbers_loss(tens: Tensor, arrow: Tensor, t_tens: Tensor, t_arrow: Tensor, weight: Tensor) -> Tensor:
    each = F.cross_entropy(tens, t_tens, reduction="none", label_smoothing=0.02)
    each = each + 0.5 * F.cross_entropy(arrow, t_arrow, reduction="none", label_smoothing=0.02)
    return (each * weight).sum() / weight.sum().clamp_min(1.0)


@torch.no_grad()
def validate(
    marks: nn.Module, numbers: nn.Module, stills: data.Stills, device: torch.device, batch: int
) -> dict[str, float]:
    """Losses and shares on pictures as in use, without wear."""
    torch.manual_seed(1)
    sums: dict[str, float] = {}
    hits = [0.0, 0.0, 0.0]
    count = 0
    for start in range(0, len(stills), batch):
        index = torch.arange(start, min(start + batch, len(stills)))
        x, want, seen, g = marks_batch(stills, index, device, plain=True)
        maps, kinds = marks(x)
        _, parts = marks_loss(maps, kinds, want, seen, g)
        nv = len(layout.VIEW_LOGITS)
        view = g[:, data.GEOMETRY.index("endzone_view")].long()
        level = g[:, data.GEOMETRY.index("level")].long()
        parts["view_right"] = (kinds[:, :nv].argmax(1) == view).float().mean()
        parts["level_right"] = (kinds[:, nv:].argmax(1) == level).float().mean()
        for k, v in parts.items():
            sums[k] = sums.get(k, 0.0) + float(v) * len(index)
        count += len(index)
        patch, tens, arrow, weight = numbers_batch(stills, index, device, plain=True)
        a, b = numbers(patch)
        hits[0] += float(((a.argmax(1) == tens) * weight).sum())
        hits[1] += float(((b.argmax(1) == arrow) * weight).sum())
        hits[2] += float(weight.sum())
    out = {k: v / count for k, v in sums.items()}
    out["tens_right"], out["arrow_right"] = (h / max(hits[2], 1.0) for h in hits[:2])
    return out


def _read(folder: Path, limit: int) -> data.Stills:
    from models.training.film.shards import read_all

    return data.load(read_all(folder), limit, max(2, (os.cpu_count() or 2) - 1))


def draw_odds(geometry: Tensor) -> Tensor:
    """(N,) how often each still is drawn, relative: the view behind the end zone and rare levels more often."""
    end = geometry[:, data.GEOMETRY.index("endzone_view")]
    level = geometry[:, data.GEOMETRY.index("level")].long()
    share = torch.bincount(level, minlength=len(layout.LEVEL_LOGITS)).clamp_min(1) / len(level)
    return (1 + (ENDZONE_ODDS - 1) * end) / share[level].sqrt()


def save_states(out: Path, marks: Trainer, numbers: Trainer) -> None:
    """Averaged weights of both, to go on from; written whole or not at all."""
    for name, trainer in (("marks", marks), ("numbers", numbers)):
        part = out / f"{name}_state.part"
        torch.save({k: v.detach().cpu().contiguous() for k, v in trainer.average.state_dict().items()}, part)
        os.replace(part, out / f"{name}_state.pt")


def train(stills: data.Stills, val: data.Stills, a: argparse.Namespace, device: torch.device) -> dict[str, Any]:
    """Train both networks until the clock runs out; writes the files and returns the metrics."""
    marks, numbers = MarksNet(), NumberNet()
    if a.start:
        load_state(marks, a.start / "marks_state.pt")
        load_state(numbers, a.start / "numbers_state.pt")
    soften = 0.5 if a.start else 1.0
    real = open_bank(a.borrow, device) if a.borrow else None
    odds = draw_odds(stills.geometry)

    def batch(of: Any, size: int) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        with torch.autocast(device.type, enabled=False), torch.no_grad():
            drawn: tuple[Tensor, Tensor, Tensor, Tensor] = of(
                stills, torch.multinomial(odds, size, replacement=True), device, False, real
            )
            return drawn

    if a.start:  # weights out of an ONNX file know nothing of what flows through their normalisations
        for net, of, size in ((marks, marks_batch, a.batch), (numbers, numbers_batch, 4 * a.batch)):
            measure_norms(net.to(device), (batch(of, size)[0] for _ in range(NORM_BATCHES)))
    lead, side = Trainer(marks, 3e-3 * soften, device), Trainer(numbers, 1.5e-3 * soften, device)
    began, shown, saved = time.time(), 0.0, 0.0
    limit = max(a.until - began, 1.0) if a.until is not None else a.minutes * 60.0
    spent = [1e-9, 1e-9]
    a.out.mkdir(parents=True, exist_ok=True)
    while (used := time.time() - began) < limit:
        to_marks = spent[0] / (spent[0] + spent[1]) < MARKS_SHARE
        trainer, size = (lead, a.batch) if to_marks else (side, 4 * a.batch)
        start = time.time()
        trainer.net.train()
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            if to_marks:
                x, want, seen, g = batch(marks_batch, size)
                maps, kinds = trainer.net(x.contiguous(memory_format=torch.channels_last))
                loss, _ = marks_loss(maps.float(), kinds.float(), want, seen, g)
            else:
                x, tens, arrow, weight = batch(numbers_batch, size)
                p, q = trainer.net(x)
                loss = numbers_loss(p.float(), q.float(), tens, arrow, weight)
        trainer.step(loss, used / limit)
        if device.type == "cuda":
            torch.cuda.synchronize()
        spent[0 if to_marks else 1] += time.time() - start
        if used - saved > SAVE_SECONDS:
            saved = used
            save_states(a.out, lead, side)
        if used - shown > 20:
            shown = used
            print(
                f"{used:5.0f} s, marks step {lead.steps}, numbers step {side.steps}, last loss {float(loss):.4f}",
                flush=True,
            )
    metrics: dict[str, Any] = validate(lead.average, side.average, val, device, a.batch)
    metrics.update(
        marks_steps=lead.steps, numbers_steps=side.steps, batch=a.batch, stills=len(stills), minutes=limit / 60
    )
    save_states(a.out, lead, side)
    for name, trainer in (("marks", lead), ("numbers", side)):
        export(trainer.average.cpu().float().to(memory_format=torch.contiguous_format).eval(), a.out / f"{name}.onnx")
    (a.out / "marks_metrics.json").write_text(json.dumps(metrics, indent=1), encoding="utf-8")
    return metrics


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--data", type=Path, required=True)
    p.add_argument("--val", type=Path, default=None, help="stills of unseen looks; else a twentieth of --data")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--minutes", type=float, default=8.0)
    p.add_argument("--until", type=float, help="or the moment training ends, seconds of the epoch")
    p.add_argument("--borrow", type=Path, help="folder with a bank of real pictures (models.training.people_data)")
    p.add_argument("--batch", type=int, default=24)
    p.add_argument("--limit", type=int, default=0, help="use at most so many stills")
    p.add_argument("--start", type=Path, default=None)
    p.add_argument("--seed", type=int, default=0)
    a = p.parse_args(argv)
    torch.manual_seed(a.seed)
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    begin = time.time()
    stills = _read(a.data, a.limit)
    if a.val:
        val = _read(a.val, min(a.limit, 256) if a.limit else 256)
    else:
        n = max(1, len(stills) // 20)
        val = data.Stills(stills.image[-n:], stills.geometry[-n:])
        stills = data.Stills(stills.image[:-n], stills.geometry[:-n])
    print(
        f"{len(stills)} stills to train on, {len(val)} to measure on, read in {time.time() - begin:.0f} s, {device}",
        flush=True,
    )
    if device.type == "cuda" and torch.cuda.mem_get_info()[0] > stills.image.nbytes * 1.2 + 16e9:
        stills.image = stills.image.to(device)
    print(json.dumps(train(stills, val, a, device), indent=1))


if __name__ == "__main__":
    main()
