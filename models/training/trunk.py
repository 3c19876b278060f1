"""A trunk that already knows real pixels: a small CSP detector body trained on COCO, as a torch module.

The published single-stage detector (MIT as packaged; its architecture's licence is Apache-2.0) comes as a graph
and a file of fp16 weights with batch normalisation folded into the convolutions. This module re-builds its
backbone, its top-down and bottom-up pyramid and the first 3x3 convolution of each head level, and reads the
weights in graph order, so that an ultralytics head can be trained on top.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from pipeline.errors import ModelError

CHANNELS = 128  # of each of the three output levels (strides 8, 16, 32)
MEAN_RGB = (123.675, 116.28, 103.53)  # of the published weights' training, 0..255
STD_RGB = (58.395, 57.12, 57.375)


class _Conv(nn.Module):
    """Convolution with bias (normalisation folded in) and leaky ReLU 0.1."""

    def __init__(self, c1: int, c2: int, k: int = 3, stride: int = 1, active: bool = True) -> None:
        super().__init__()
        self.conv = nn.Conv2d(c1, c2, k, stride, k // 2)
        self.active = active

    def forward(self, x: Tensor) -> Tensor:
        x = self.conv(x)
        return F.leaky_relu(x, 0.1) if self.active else x


class _Bottle(nn.Module):
    """Two convolutions whose outputs are joined: c -> c/2, c/2 -> c/2, (second, first) -> c."""

    def __init__(self, c: int) -> None:
        super().__init__()
        self.first, self.second = _Conv(c, c // 2), _Conv(c // 2, c // 2)

    def forward(self, x: Tensor) -> Tensor:
        a = self.first(x)
        return torch.cat([self.second(a), a], 1)


class _Stage(nn.Module):
    """Cross-stage block: c1 -> c2 at the stride, n bottles, joined with its own input: 2 * c2 out."""

    def __init__(self, c1: int, c2: int, n: int, stride: int) -> None:
        super().__init__()
        self.inlet = _Conv(c1, c2, 3, stride)
        self.bottles = nn.Sequential(*[_Bottle(c2) for _ in range(n)])
        self.middle = _Conv(c2, c2)

    def forward(self, x: Tensor) -> Tensor:
        x = self.inlet(x)
        return torch.cat([self.middle(self.bottles(x)), x], 1)


class RealTrunk(nn.Module):
    """(B, 3, H, W) RGB 0..1 -> three maps (B, 128, H/s, W/s), s = 8, 16, 32. H and W are multiples of 32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _Conv(3, 32, 3, 2)
        self.pool = nn.MaxPool2d(3, 2, 1)
        self.stages = nn.ModuleList(
            [_Stage(32, 32, 1, 1), _Stage(64, 64, 2, 2), _Stage(128, 128, 2, 2), _Stage(256, 256, 3, 2)]
        )
        self.laterals = nn.ModuleList([_Conv(c, CHANNELS, 1, active=False) for c in (128, 256, 512)])
        self.towers = nn.ModuleList([_Conv(CHANNELS, CHANNELS) for _ in range(3)])
        self.register_buffer("mean", torch.tensor(MEAN_RGB).view(1, 3, 1, 1) / 255, persistent=True)
        self.register_buffer("std", torch.tensor(STD_RGB).view(1, 3, 1, 1) / 255, persistent=True)

    def forward(self, x: Tensor) -> list[Tensor]:
        x = self.pool(self.stem((x - self.mean) / self.std))
        maps = []
        for i, stage in enumerate(self.stages):
            x = stage(x)
            if i:
                maps.append(x)
        p3, p4, p5 = (lateral(m) for lateral, m in zip(self.laterals, maps, strict=True))
        p4 = p4 + _resize(p5, 2.0)
        p3 = p3 + _resize(p4, 2.0)
        p4 = p4 + _resize(p3, 0.5)
        p5 = p5 + _resize(p4, 0.5)
        return [tower(p) for tower, p in zip(self.towers, (p3, p4, p5), strict=True)]


def _resize(x: Tensor, factor: float) -> Tensor:
    return F.interpolate(x, scale_factor=factor, mode="bilinear", align_corners=False)


def _convolutions(trunk: RealTrunk) -> list[nn.Conv2d]:
    """The trunk's convolutions in the graph's own numbering (backbone, laterals)."""
    order: list[nn.Conv2d] = [trunk.stem.conv]
    for stage in trunk.stages:
        order.append(stage.inlet.conv)
        for bottle in stage.bottles:
            order += [bottle.first.conv, bottle.second.conv]
        order.append(stage.middle.conv)
    return order + [lateral.conv for lateral in trunk.laterals]


def _read(stem: Path) -> tuple[dict[str, Any], dict[str, np.ndarray[Any, Any]]]:
    """Graph and constants of PATH.json + PATH.bin. Raises ModelError where they do not fit together."""
    try:
        graph = json.loads(stem.with_suffix(".json").read_text(encoding="utf-8"))
        blob = stem.with_suffix(".bin").read_bytes()
    except (OSError, json.JSONDecodeError) as e:
        raise ModelError(f"Cannot read the pretrained weights: {e}.", where=stem) from e
    kinds = {"float16": np.float16, "float32": np.float32, "int32": np.int32, "bool": np.bool_}
    constants, offset = {}, 0
    for w in graph["weightsManifest"][0]["weights"]:
        dtype = np.dtype(kinds[(w.get("quantization") or {}).get("dtype") or w["dtype"]])
        size = int(np.prod(w["shape"])) * dtype.itemsize if w["shape"] else dtype.itemsize
        constants[w["name"]] = np.frombuffer(blob[offset : offset + size], dtype).reshape(w["shape"])
        offset += size
    if offset != len(blob):
        raise ModelError(f"The weights file has {len(blob)} bytes, its graph names {offset}.", where=stem)
    return graph, constants


def load_pretrained(trunk: RealTrunk, stem: Path) -> None:
    """Fill the trunk from PATH.json + PATH.bin. Raises ModelError on a missing or misshapen weight."""
    graph, constants = _read(stem)
    pairs: dict[str, tuple[str, str]] = {}  # convolution -> names of kernel and bias
    nodes = {n["name"]: n for n in graph["modelTopology"]["node"]}
    for n in nodes.values():
        source = n["input"][0] if n["op"] in ("Add", "AddV2") and n.get("input") else ""
        if source in nodes and nodes[source]["op"] == "Conv2D":
            pairs[source] = (nodes[source]["input"][1], n["input"][1])

    def name(i: int) -> str:
        return "PartitionedCall/convolution" + (f"_{i}" if i else "")

    order = [(name(i), c) for i, c in enumerate(_convolutions(trunk))]
    order += [(name(i), t.conv) for i, t in zip((28, 30, 32), trunk.towers, strict=True)]
    with torch.no_grad():
        for key, conv in order:
            if key not in pairs:
                raise ModelError(f"The pretrained graph has no {key}.", where=stem)
            kernel, bias = (constants[k].astype(np.float32) for k in pairs[key])
            weight = torch.from_numpy(kernel).permute(3, 2, 0, 1)
            if weight.shape != conv.weight.shape:
                raise ModelError(f"{key}: expected {tuple(conv.weight.shape)}, got {tuple(weight.shape)}.", where=stem)
            if conv is trunk.stem.conv:
                weight = weight.flip(1)  # the published weights read BGR
            conv.weight.copy_(weight)
            conv.bias.copy_(torch.from_numpy(bias.copy()))
