"""Train one candidate of the people finder until a moment of the clock.

``python -m models.training.train_people --candidate trunk --data DIR --minutes 8 --out DIR [--start LAST.pt]``

DIR is packed by models.training.people_data. Model, head, loss and weight average are ultralytics'; the loop is our
own, because its trainer decodes and augments on the processor, which held the GPU at 60 pictures a second: here
all frames lie in the device's memory and batches are drawn there (models.training.people_batches).

The candidates are the table CANDIDATES. Roles are the classes (records.ROLES); the two key points of a person are
the point on the ground between the feet and the middle of the helmet. The averaged weights lie in
OUT/<name>/weights/last.pt and are renewed on the way, so that an early end leaves something usable.

What a look, the real frames or the wear of pictures buy is measured by short trainings of equal steps, each
without one of them: ``--name trunk_short_without_night --without light=night --steps 900``.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("YOLO_OFFLINE", "1")
os.environ.setdefault("YOLO_AUTOINSTALL", "0")

import numpy as np
import torch
import ultralytics.nn.tasks as tasks
from torch import Tensor, nn
from ultralytics.cfg import get_cfg
from ultralytics.utils.torch_utils import ModelEMA

from models.training.film.tags import KEYS
from models.training.people_batches import LAST, Frames, Recipe, draw_batch
from models.training.people_data import KEYPOINT_SIGMAS, MIXTURES
from models.training.real_look import RealLook, open_bank
from models.training.restore import measure_norms
from models.training.trunk import CHANNELS, RealTrunk, load_pretrained
from pipeline.errors import InputError
from pipeline.records import ROLES

tasks.RealTrunk = RealTrunk  # type: ignore[attr-defined]  # ultralytics looks modules up by name in its own namespace


@dataclass(frozen=True)
class Candidate:
    """What is trained. layout: an ultralytics pose layout or 'trunk'; scale: (depth, width, most channels) of it;
    data: mixture of models.training.people_data; lr: highest learning rate; trunk_lr: its share for the pretrained
    trunk; frozen: share of the time the whole trunk stands still; kept: stages of the trunk never trained."""

    layout: str
    data: str
    scale: tuple[float, float, int] = (0.50, 0.25, 1024)
    lr: float = 1.5e-3
    trunk_lr: float = 0.25
    frozen: float = 0.04
    kept: int = 0


WARM_SHARE = 0.03  # of the time: the learning rate rises
LEVEL_SHARE = 0.35  # of the time: the learning rate stays at its highest
LAST_SHARE = 0.15  # of the time, at its end: fewer mosaics, more pictures as they are
LEAST_RATE = 0.02  # of the highest learning rate, at the end
SAVE_SECONDS = 40.0
NORM_BATCHES = 12
LARGEST_GRADIENT = 10.0  # norm, as in ultralytics' trainer
SMALL, WIDE = (0.50, 0.25, 1024), (0.50, 0.50, 512)
GAINS = {"box": 7.5, "cls": 0.5, "dfl": 1.5, "pose": 24.0, "kobj": 0.0}
CANDIDATES = {
    "scratch_rendered": Candidate("yolo11n-pose.yaml", "rendered", SMALL),
    "scratch": Candidate("yolo11n-pose.yaml", "mixed", SMALL),
    "wide": Candidate("yolo11n-pose.yaml", "mixed", WIDE),
    "trunk": Candidate("trunk", "mixed"),
    "trunk_rendered": Candidate("trunk", "rendered"),
    "trunk_calm": Candidate("trunk", "mixed", trunk_lr=0.08, kept=2),
}


def layout(c: Candidate) -> dict[str, Any]:
    """The network as an ultralytics layout."""
    if c.layout != "trunk":
        d = tasks.yaml_model_load(c.layout)
        d["scales"] = {"n": list(c.scale)}
        d["scale"] = "n"
        return {**d, "nc": len(ROLES), "kpt_shape": [2, 3]}
    levels = [[0, 1, "Index", [CHANNELS, i]] for i in range(3)]
    return {
        "nc": len(ROLES), "kpt_shape": [2, 3], "end2end": False,
        "backbone": [[-1, 1, "RealTrunk", []], *levels], "head": [[[1, 2, 3], 1, "Pose", ["nc", "kpt_shape"]]],
    }  # fmt: skip


def build(c: Candidate, pretrained: Path | None, start: Path | None) -> Any:
    """The candidate's PoseModel with its starting weights."""
    model: Any = tasks.PoseModel(layout(c), nc=len(ROLES), ch=3, data_kpt_shape=[2, 3], verbose=False)
    model.args = get_cfg(overrides=GAINS)
    model.kpt_oks_sigmas = list(KEYPOINT_SIGMAS)
    model.names = dict(enumerate(ROLES))
    for trunk in trunks(model):
        if pretrained is not None:
            load_pretrained(trunk, pretrained)
    if start is not None:
        model.load_state_dict(load_averaged(start).state_dict())
    return model


def trunks(model: nn.Module) -> list[RealTrunk]:
    """The pretrained trunks in a model (one or none)."""
    return [m for m in model.modules() if isinstance(m, RealTrunk)]


def load_averaged(path: Path) -> torch.nn.Module:
    """The averaged weights of a checkpoint as a float model. Only for files this machine wrote itself."""
    ckpt = torch.load(path, map_location="cpu", weights_only=False)
    model: torch.nn.Module = (ckpt.get("ema") or ckpt["model"]).float()
    return model


def set_still(model: nn.Module, c: Candidate, still: bool) -> None:
    """Which parts of the trunk learn now."""
    for trunk in trunks(model):
        trunk.requires_grad_(not still)
        for part in (trunk.stem, *trunk.stages[: c.kept - 1]) if c.kept else ():
            part.requires_grad_(False)


def build_optimizer(model: nn.Module, c: Candidate, soften: float) -> torch.optim.Optimizer:
    """AdamW; the trunk at its own rate, no decay of biases and normalisation."""
    slow = {id(p) for t in trunks(model) for p in t.parameters()}
    groups = []
    for ours in (True, False):
        for decays in (True, False):
            params = [p for p in model.parameters() if (id(p) in slow) == ours and (p.ndim > 1) == decays]
            peak = c.lr * soften * (c.trunk_lr if ours else 1.0)
            if params:
                groups.append({"params": params, "lr": 0.0, "peak": peak, "weight_decay": 0.01 if decays else 0.0})
    fused = next(model.parameters()).is_cuda
    return torch.optim.AdamW(groups, lr=0.0, betas=(0.9, 0.999), fused=fused)


def rate(done: float) -> float:
    """Share of the highest learning rate when this share of the time is over: up, level, then a half cosine."""
    fall = max(done - LEVEL_SHARE, 0.0) / (1 - LEVEL_SHARE)
    return min(done / WARM_SHARE, 1.0) * (LEAST_RATE + (1 - LEAST_RATE) * (1 + math.cos(math.pi * min(fall, 1.0))) / 2)


def save(average: ModelEMA, path: Path) -> None:
    """The averaged weights as fp16, written whole or not at all."""
    model = copy.deepcopy(average.ema).half().to(memory_format=torch.contiguous_format)
    part = path.with_suffix(".part")
    torch.save({"ema": model}, part)
    os.replace(part, path)


class Training:
    """One candidate in training on one device."""

    def __init__(self, c: Candidate, frames: Frames, device: torch.device, **options: Any) -> None:
        self.candidate, self.frames, self.device = c, frames, device
        self.batch, self.start = options["batch"], options.get("start")
        model = build(c, options.get("pretrained"), self.start)
        self.model = model.to(device).to(memory_format=torch.channels_last).train()
        self.rng = np.random.default_rng(options.get("seed", 0))
        self.real: RealLook | None = options.get("real")
        self.worn = float(options.get("worn", 1.0))
        if self.start:  # weights out of an ONNX file know nothing of what flows through their normalisations
            measure_norms(self.model, (self.draw(0.5)["img"] for _ in range(NORM_BATCHES)))
        self.average = ModelEMA(self.model, decay=0.9985, tau=300)
        self.optimizer = build_optimizer(self.model, c, 0.6 if self.start else 1.0)
        self.steps, self.skipped = 0, 0

    def draw(self, done: float) -> dict[str, Tensor]:
        """One batch; done: share of the time that is over."""
        recipe = replace(LAST if done > 1 - LAST_SHARE else Recipe(), worn=self.worn)
        return draw_batch(self.rng, self.frames, self.batch, recipe, self.device, self.real)

    def step(self, done: float) -> dict[str, Tensor]:
        """One update; done: share of the time that is over. Returns the parts of the loss."""
        set_still(self.model, self.candidate, self.start is None and done < self.candidate.frozen)
        for g in self.optimizer.param_groups:
            g["lr"] = g["peak"] * rate(done)
        batch = self.draw(done)
        x = batch["img"].contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            preds = self.model(x)
        # bf16 has too few digits for places in the picture: the loss works in fp32
        preds = {k: [f.float() for f in v] if isinstance(v, list) else v.float() for k, v in preds.items()}
        loss, parts = self.model.loss(batch, preds)
        self.optimizer.zero_grad(set_to_none=True)
        loss.sum().backward()
        norm = nn.utils.clip_grad_norm_(self.model.parameters(), LARGEST_GRADIENT)
        self.steps += 1
        if not torch.isfinite(norm):
            self.skipped += 1
            return dict(parts)
        self.optimizer.step()
        self.average.update(self.model)
        return dict(parts)


def train(name: str, frames: Frames, out: Path, until: float, device: torch.device, **options: Any) -> Path:
    """Train candidate NAME into the folder ``out`` until the time ``until`` (seconds of the epoch), or for
    options['steps'] updates where that comes first; returns the weights file."""
    t = Training(CANDIDATES[name], frames, device, **options)
    steps = int(options.get("steps", 0))
    path = out / "weights" / "last.pt"
    path.parent.mkdir(parents=True, exist_ok=True)
    began = saved = shown = time.time()
    log = []
    while ((now := time.time()) < until and not (steps and t.steps >= steps)) or not t.steps:
        parts = t.step(t.steps / steps if steps else (now - began) / max(until - began, 1e-3))
        if now - shown > 15 or t.steps == 20:
            shown, values = now, {k: round(float(v), 3) for k, v in parts.items()}
            speed = round(t.steps * t.batch / (time.time() - began), 1)
            log.append({"seconds": round(now - began), "steps": t.steps, "pictures_a_second": speed, **values})
            print(json.dumps(log[-1]), f"skipped {t.skipped}", flush=True)
        if now - saved > SAVE_SECONDS:
            saved = now
            save(t.average, path)
    save(t.average, path)
    if t.steps < steps:
        print(f"ended after {t.steps} of {steps} steps: no fair comparison", flush=True)
    (out / "log.json").write_text(
        json.dumps({"steps": t.steps, "asked": steps, "log": log}, indent=1), encoding="utf-8"
    )
    (out / "done").touch()
    return path


def arguments() -> argparse.ArgumentParser:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--candidate", choices=sorted(CANDIDATES), required=True)
    p.add_argument("--name", help="folder under --out; else the candidate's")
    p.add_argument("--data", type=Path, required=True, help="folder written by models.training.people_data")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--minutes", type=float, help="training time")
    p.add_argument("--until", type=float, help="or the moment it ends, seconds of the epoch")
    p.add_argument("--steps", type=int, default=0, help="updates at most; the learning rate then follows them")
    p.add_argument("--pretrained", type=Path, help="stem of the COCO detector's .json and .bin (trunk candidates)")
    p.add_argument("--start", type=Path, help="weights of an earlier round to go on from")
    p.add_argument("--without", nargs="*", default=[], metavar="KEY=WORD", help="looks left out (film.tags)")
    p.add_argument("--most", type=int, default=0, help="rendered frames at most")
    p.add_argument(
        "--worn", type=float, default=1.0, help="strength of the wear of pictures; 0: none, nothing borrowed"
    )
    p.add_argument("--host", action="store_true", help="leave the frames in the host's memory")
    p.add_argument("--batch", type=int, default=32)
    p.add_argument("--seed", type=int, default=0)
    return p


def check_words(words: list[str]) -> None:
    """Raises InputError for a look nobody could have."""
    for w in words:
        if w.split("=")[0] not in KEYS or w.count("=") != 1:
            raise InputError(f"{w!r} names no look.", hint=f"KEY=WORD, a key of {', '.join(KEYS)}.")


def main(argv: list[str] | None = None) -> None:
    p = arguments()
    a = p.parse_args(argv)
    if (a.minutes is None) == (a.until is None):
        p.error("name either --minutes or --until")
    c = CANDIDATES[a.candidate]
    if c.layout == "trunk" and a.start is None and a.pretrained is None:
        p.error("a trunk candidate needs --pretrained (or --start)")
    check_words(a.without)
    torch.manual_seed(a.seed)
    torch.backends.cudnn.benchmark = True
    torch.set_float32_matmul_precision("high")
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    began = time.time()
    frames = Frames(a.data, MIXTURES[c.data], device, without=a.without, most=a.most, host=a.host)
    real = open_bank(a.data, device) if a.worn > 0 and c.data != "rendered" else None
    print(f"{len(frames.rendered)} rendered, {len(frames.real)} real frames in {time.time() - began:.0f} s, "
          f"on {frames.image.device}; borrows from real pictures: {real is not None}", flush=True)  # fmt: skip
    until = a.until if a.until is not None else time.time() + 60 * a.minutes
    last = train(
        a.candidate, frames, a.out / (a.name or a.candidate), until, device, batch=a.batch, seed=a.seed, steps=a.steps,
        pretrained=a.pretrained, start=a.start, worn=a.worn, real=real,
    )  # fmt: skip
    print(f"{a.name or a.candidate}: {last}")


if __name__ == "__main__":
    main()
