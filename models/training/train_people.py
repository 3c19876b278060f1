"""Train one candidate of the people finder for a fixed time: ultralytics' trainer, augmentation and pose head.

``python -m models.training.train_people --candidate trunk --data DIR --minutes 8 --out DIR [--start LAST.pt]``

The candidates are the table CANDIDATES. Roles are the classes (records.ROLES); the two key points of a person are
the point on the ground between the feet and the middle of the helmet. A run stops by the clock, whatever the
machine, with its learning rate already down; the averaged weights lie in OUT/<candidate>/weights/last.pt.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

os.environ.setdefault("YOLO_OFFLINE", "1")
os.environ.setdefault("YOLO_AUTOINSTALL", "0")

import cv2
import numpy as np
import torch
import ultralytics.data.dataset as datasets
import ultralytics.nn.tasks as tasks
from ultralytics.data.augment import Mosaic
from ultralytics.models.yolo.pose import PoseTrainer
from ultralytics.utils import colorstr
from ultralytics.utils.torch_utils import strip_optimizer, unwrap_model

from models.training.trunk import CHANNELS, RealTrunk, load_pretrained
from pipeline.errors import ConfigError
from pipeline.records import ROLES


def _keep_in_memory(prefix: str, path: Path, found: dict[str, Any], version: str) -> None:
    """Several trainings read one folder at once: none of them writes the label cache."""
    found["version"] = version


datasets.save_dataset_cache_file = _keep_in_memory
tasks.RealTrunk = RealTrunk  # ultralytics looks modules up by name in its own namespace


@dataclass(frozen=True)
class Candidate:
    """What is trained. layout: an ultralytics pose layout or 'trunk'; scale: (depth, width, most channels) of it;
    data: mixture of models.training.people_data; lr: first learning rate; trunk_lr: its share for the pretrained
    trunk; frozen: share of the time the trunk stands still; end2end: train a duplicate-free head beside."""

    layout: str
    data: str
    scale: tuple[float, float, int] = (0.50, 0.25, 1024)
    lr: float = 1.5e-3
    trunk_lr: float = 0.2
    frozen: float = 0.08
    end2end: bool = False


WARM_SHARE = 0.03  # of the time: the learning rate rises
PLAIN_SHARE = 0.15  # of the time, at its end: no mosaic
SMALL, WIDE = (0.50, 0.25, 1024), (0.50, 0.50, 512)
CANDIDATES = {
    "scratch_rendered": Candidate("yolo11n-pose.yaml", "rendered", SMALL),
    "scratch": Candidate("yolo11n-pose.yaml", "mixed", SMALL),
    "trunk": Candidate("trunk", "mixed"),
    "trunk_rendered": Candidate("trunk", "rendered"),
    "wide": Candidate("yolo11n-pose.yaml", "mixed", WIDE),
    "free": Candidate("yolo26n-pose.yaml", "mixed", SMALL, end2end=True),
    "free_wide": Candidate("yolo26n-pose.yaml", "mixed", WIDE, end2end=True),
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
        "nc": len(ROLES), "kpt_shape": [2, 3], "end2end": c.end2end,
        "backbone": [[-1, 1, "RealTrunk", []], *levels], "head": [[[1, 2, 3], 1, "Pose", ["nc", "kpt_shape"]]],
    }  # fmt: skip


class Wear:
    """What recorders do to film, on the finished training picture: softening by a smaller size, compression,
    gamma, noise, loss of colour. Each with its own chance; the rendered film has its own such effects below."""

    def __init__(self, chance: float = 0.25) -> None:
        self.chance = chance

    def __call__(self, labels: dict[str, Any]) -> dict[str, Any]:
        image = labels["img"]
        h, w = image.shape[:2]
        if random.random() < self.chance:
            s = random.uniform(0.35, 0.9)
            small = cv2.resize(image, (int(w * s), int(h * s)), interpolation=cv2.INTER_AREA)
            if random.random() < 0.6:
                quality = [cv2.IMWRITE_JPEG_QUALITY, random.randint(25, 80)]
                small = cv2.imdecode(cv2.imencode(".jpg", small, quality)[1], cv2.IMREAD_COLOR)
            image = cv2.resize(small, (w, h), interpolation=random.choice((cv2.INTER_LINEAR, cv2.INTER_CUBIC)))
        if random.random() < self.chance:
            gamma, gain = random.uniform(0.6, 1.6), random.uniform(0.8, 1.15)
            table = (np.linspace(0, 1, 256) ** gamma * gain * 255).clip(0, 255).astype(np.uint8)
            image = cv2.LUT(image, table)
        if random.random() < self.chance / 3:
            image = cv2.cvtColor(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR)
        if random.random() < self.chance / 3:
            noise = np.empty((h // 2, w // 2, 3), np.int16)
            cv2.randn(noise, (0, 0, 0), (random.uniform(3, 12),) * 3)
            image = cv2.add(image, cv2.resize(noise, (w, h)), dtype=cv2.CV_8U)
        labels["img"] = image
        return labels


class TimedMosaic(Mosaic):
    """The mosaic until a moment of the clock, then plain pictures: the last part of a training sees film as it is."""

    close_at = math.inf
    chance = 0.7

    @property
    def p(self) -> float:
        return self.chance if time.time() < self.close_at else 0.0

    @p.setter
    def p(self, value: float) -> None:
        self.chance = value


class FilmDataset(datasets.YOLODataset):
    """ultralytics' dataset with :class:`Wear` before the tensors are made, and the mosaic timed."""

    close_mosaic_at = math.inf

    def build_transforms(self, hyp: Any) -> Any:
        transforms = super().build_transforms(hyp)
        if self.augment:
            transforms.insert(-1, Wear())
            mosaic = transforms.transforms[0].transforms[0]
            if not isinstance(mosaic, Mosaic):
                raise ConfigError("This version of ultralytics orders its augmentation otherwise.")
            chance = mosaic.__dict__.pop("p")
            mosaic.__class__ = TimedMosaic
            mosaic.chance, mosaic.close_at = chance, self.close_mosaic_at
        return transforms


class FinderTrainer(PoseTrainer):
    """The pose trainer with our layouts, the trunk's own learning rate, no validation and no plots in between."""

    def __init__(self, candidate: Candidate, pretrained: Path | None, start: Path | None, **kw: Any) -> None:
        self.candidate, self.pretrained, self.start = candidate, pretrained, start
        super().__init__(**kw)

    def get_model(self, cfg: Any = None, weights: Any = None, verbose: bool = True) -> Any:
        c = self.candidate
        d = self.data
        model = tasks.PoseModel(layout(c), nc=d["nc"], ch=3, data_kpt_shape=d["kpt_shape"], verbose=False)
        for m in model.modules():
            if isinstance(m, RealTrunk) and self.pretrained is not None:
                load_pretrained(m, self.pretrained)
        if self.start is not None:
            model.load(load_averaged(self.start))
        return model

    def build_dataset(self, img_path: str, mode: str = "train", batch: int | None = None) -> FilmDataset:
        a = self.args
        FilmDataset.close_mosaic_at = time.time() + a.time * 3600 * (1 - PLAIN_SHARE)
        return FilmDataset(
            img_path=img_path, imgsz=a.imgsz, batch_size=batch, augment=mode == "train", hyp=a, rect=mode == "val",
            cache=None, single_cls=False, stride=32, pad=0.0 if mode == "train" else 0.5,
            prefix=colorstr(f"{mode}: "), task="pose", classes=None, data=self.data, fraction=1.0,
        )  # fmt: skip

    def build_optimizer(self, model: Any, *a: Any, **kw: Any) -> Any:
        optimizer = super().build_optimizer(model, *a, **kw)
        slow = {id(p) for m in unwrap_model(model).modules() if isinstance(m, RealTrunk) for p in m.parameters()}
        for g in list(optimizer.param_groups):
            ours = [p for p in g["params"] if id(p) in slow]
            if ours:
                g["params"] = [p for p in g["params"] if id(p) not in slow]
                rest = {k: v for k, v in g.items() if k not in ("params", "lr", "initial_lr", "param_group")}
                lr = g["lr"] * self.candidate.trunk_lr
                optimizer.add_param_group({"params": ours, "lr": lr, "param_group": "trunk", **rest})
        return optimizer

    def _progress(self) -> float:
        """Share of the training's time that is over."""
        return min((time.time() - self.train_time_start) / (self.args.time * 3600), 1.0)

    def _model_train(self) -> None:
        super()._model_train()
        self._hold_trunk()

    def _hold_trunk(self) -> None:
        still = self.start is None and self._progress() < self.candidate.frozen
        for m in unwrap_model(self.model).modules():
            if isinstance(m, RealTrunk):
                m.requires_grad_(not still)

    def optimizer_step(self) -> None:
        """One step with the learning rate by the clock (epochs are too long a unit here): up, then a half cosine."""
        done = self._progress()
        self._hold_trunk()
        up = min(done / WARM_SHARE, 1.0)
        down = self.args.lrf + (1 - self.args.lrf) * (1 + math.cos(math.pi * done)) / 2
        for g in self.optimizer.param_groups:
            g["lr"] = g["initial_lr"] * up * down
        super().optimizer_step()

    def validate(self) -> tuple[dict[str, Any], float]:
        self.best_fitness = 0.0
        return self.metrics, 0.0

    def read_results_csv(self) -> dict[str, Any]:
        return {}

    def final_eval(self) -> None:
        strip_optimizer(self.last)
        self.best.unlink(missing_ok=True)


def load_averaged(path: Path) -> torch.nn.Module:
    """The averaged weights of a checkpoint as a float model. Only for files this machine wrote itself."""
    ckpt = torch.load(path, map_location="cpu", weights_only=False)
    model: torch.nn.Module = (ckpt.get("ema") or ckpt["model"]).float()
    return model


def train(name: str, data: Path, out: Path, minutes: float, **options: Any) -> Path:
    """Train candidate NAME on the mixtures in DATA for MINUTES; returns the weights file."""
    c = CANDIDATES[name]
    start, pretrained = options.pop("start", None), options.pop("pretrained", None)
    overrides = {
        "model": "yolo11n-pose.yaml", "data": str(data / f"{c.data}.yaml"), "imgsz": 1280, "batch": 24, "workers": 6,
        "time": minutes / 60, "epochs": 60, "optimizer": "AdamW", "lr0": c.lr * (0.6 if start else 1.0), "lrf": 0.02,
        "momentum": 0.9, "weight_decay": 0.0005, "warmup_epochs": 0.0, "nbs": 24, "close_mosaic": 0,
        "mosaic": 0.7, "scale": 0.5, "translate": 0.1, "degrees": 2.0,
        "hsv_h": 0.03, "hsv_s": 0.6, "hsv_v": 0.5, "fliplr": 0.5, "mixup": 0.0, "pose": 24.0, "kobj": 0.0,
        "amp": "bf16" if torch.cuda.is_available() else False, "val": False, "plots": False, "save": True,
        "project": str(out.resolve()), "name": name,
        "exist_ok": True, "cache": False, "pretrained": False, "patience": 1000, "deterministic": False, **options,
    }  # fmt: skip
    trainer = FinderTrainer(c, pretrained, start, overrides=overrides)
    trainer.train()
    return Path(trainer.last)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--candidate", choices=sorted(CANDIDATES), required=True)
    p.add_argument("--data", type=Path, required=True, help="folder written by models.training.people_data")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--minutes", type=float, required=True)
    p.add_argument("--pretrained", type=Path, help="stem of the COCO detector's .json and .bin (trunk candidates)")
    p.add_argument("--start", type=Path, help="weights of an earlier round to go on from")
    p.add_argument("--device", default=None)
    p.add_argument("--imgsz", type=int, default=1280)
    p.add_argument("--batch", type=int, default=24)
    p.add_argument("--workers", type=int, default=6)
    a = p.parse_args(argv)
    cv2.setNumThreads(0)
    if CANDIDATES[a.candidate].layout == "trunk" and a.start is None and a.pretrained is None:
        p.error("a trunk candidate needs --pretrained (or --start)")
    last = train(
        a.candidate, a.data.resolve(), a.out, a.minutes, pretrained=a.pretrained, start=a.start, imgsz=a.imgsz,
        batch=a.batch, workers=a.workers, device=a.device,
    )  # fmt: skip
    print(f"{a.candidate}: {last}")


if __name__ == "__main__":
    main()
