"""The networks of field registration: marks of the field as ridges, and the painted numbers.

Plain convolutions with skip connections, so that they run fast on processors and export without care.
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional as F

from pipeline.registration import layout

EVIDENCE = ("near_hash", "far_hash", "near_number", "far_number", "near_sideline", "far_sideline")


class _Conv(nn.Sequential):
    def __init__(self, c1: int, c2: int, k: int = 3, stride: int = 1, dilation: int = 1) -> None:
        super().__init__(
            nn.Conv2d(c1, c2, k, stride, k // 2 * dilation, dilation, bias=False),
            nn.BatchNorm2d(c2),
            nn.ReLU(inplace=True),
        )


class _Block(nn.Module):
    """Residual block of two 3x3 convolutions."""

    def __init__(self, c: int, dilation: int = 1) -> None:
        super().__init__()
        self.a = _Conv(c, c, dilation=dilation)
        self.b = nn.Sequential(nn.Conv2d(c, c, 3, 1, 1, bias=False), nn.BatchNorm2d(c))

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.b(self.a(x)))


class MarksNet(nn.Module):
    """(B, 3, 544, 960) RGB 0..1 -> maps (B, CHANNELS, 136, 240) and (B, 6) view and level logits.

    The maps of HEAT and MASK are logits while training and 0..1 once exported.
    """

    def __init__(self, widths: tuple[int, int, int, int, int] = (16, 32, 72, 112, 176), decode: int = 40) -> None:
        super().__init__()
        a, b, c, d, e = widths
        self.s2 = _Conv(3, a, 5, 2)
        self.s4 = nn.Sequential(_Conv(a, b, 3, 2), _Block(b))
        self.s8 = nn.Sequential(_Conv(b, c, 3, 2), _Block(c), _Block(c))
        self.s16 = nn.Sequential(_Conv(c, d, 3, 2), _Block(d), _Block(d, 2), _Block(d))
        self.s32 = nn.Sequential(_Conv(d, e, 3, 2), _Block(e), _Block(e, 2), _Block(e, 4), _Block(e))
        self.context = nn.Sequential(nn.Linear(e, e), nn.ReLU(inplace=True), nn.Linear(e, e))
        told = 2 * len(EVIDENCE)
        self.kinds = nn.Sequential(
            nn.Linear(e + told, e // 2), nn.ReLU(inplace=True),
            nn.Linear(e // 2, len(layout.VIEW_LOGITS) + len(layout.LEVEL_LOGITS)),
        )  # fmt: skip
        self.up16 = nn.ModuleList([_Conv(e, 80, 1), _Conv(d, 80, 1), _Conv(80, 80)])
        self.up8 = nn.ModuleList([_Conv(80, 56, 1), _Conv(c, 56, 1), _Conv(56, 56)])
        self.up4 = nn.ModuleList([_Conv(56, decode, 1), _Conv(b, decode, 1), _Block(decode)])
        answer = nn.Conv2d(decode, len(layout.CHANNELS), 1)
        with torch.no_grad():
            list(answer.parameters())[1][: len(layout.HEAT)] = -3.0  # most cells hold no mark
        self.last = nn.Sequential(_Conv(decode, decode), answer)

    @staticmethod
    def _join(parts: nn.ModuleList, low: Tensor, skip: Tensor) -> Tensor:
        up = F.interpolate(parts[0](low), scale_factor=2.0, mode="bilinear", align_corners=False)
        return parts[2](up + parts[1](skip))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        f4 = self.s4(self.s2(x - 0.4))
        f8 = self.s8(f4)
        f16 = self.s16(f8)
        f32 = self.s32(f16)
        pooled = f32.mean((2, 3))
        f32 = f32 + self.context(pooled)[:, :, None, None]
        y = self._join(self.up16, f32, f16)
        y = self._join(self.up8, y, f8)
        y = self._join(self.up4, y, f4)
        maps = self.last(y)
        return maps, self.kinds(torch.cat([pooled, _evidence(maps)], 1))


def _evidence(maps: Tensor) -> Tensor:
    """(B, 2 * rows) where across the field each row of EVIDENCE is seen, and how much of it: rulebooks differ there.

    No gradient flows back: the maps answer for themselves.
    """
    maps = maps.detach().float()
    across = maps[:, layout.CHANNELS.index("across")]
    out = []
    for name in EVIDENCE:
        seen = maps[:, layout.CHANNELS.index(name)].sigmoid()
        seen = seen * (seen > 0.3)
        mass = seen.sum((1, 2))
        out += [((seen * across).sum((1, 2)) / (mass + 1.0) - 0.5) * 8.0, mass / 400.0]
    return torch.stack(out, 1)


class NumberNet(nn.Module):
    """(B, 3, 48, 96) RGB 0..1 patches -> (B, 6) logits of the tens and (B, 3) of the arrow."""

    def __init__(self, c: int = 32) -> None:
        super().__init__()
        self.body = nn.Sequential(
            _Conv(3, c),
            _Conv(c, c, 3, 2),
            _Block(c),
            _Conv(c, 2 * c, 3, 2),
            _Block(2 * c),
            _Conv(2 * c, 4 * c, 3, 2),
            _Block(4 * c),
        )
        self.flat = nn.Sequential(
            _Conv(4 * c, 48, 1), nn.Flatten(), nn.Dropout(0.2), nn.Linear(48 * 6 * 12, 128), nn.ReLU()
        )
        self.tens = nn.Linear(128, len(layout.TENS))
        self.arrow = nn.Linear(128, len(layout.ARROWS))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        mean = x.mean((2, 3), keepdim=True)
        scale = (x - mean).square().mean((1, 2, 3), keepdim=True).sqrt() + 0.03
        y = self.flat(self.body((x - mean) / scale))
        return self.tens(y), self.arrow(y)


class _Exported(nn.Module):
    """The same with what was trained as logits as probabilities."""

    def __init__(self, net: nn.Module) -> None:
        super().__init__()
        self.net = net

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        a, b = self.net(x)
        if isinstance(self.net, NumberNet):
            return a.softmax(1), b.softmax(1)
        n = len(layout.HEAT) + len(layout.MASK)
        v = len(layout.VIEW_LOGITS)
        return torch.cat([a[:, :n].sigmoid(), a[:, n:]], 1), torch.cat([b[:, :v].softmax(1), b[:, v:].softmax(1)], 1)


def export(net: nn.Module, path: Path) -> None:
    """Write ONNX (opset 17); the picture size is fixed, the number reader takes any count of patches."""
    numbers = isinstance(net, NumberNet)
    shape = (2, 3, *layout.PATCH_HW) if numbers else (1, 3, *layout.INPUT_HW)
    x = torch.zeros(shape)
    wrapped = _Exported(net).eval()
    torch.onnx.export(
        wrapped, (x,), str(path), opset_version=17, input_names=["x"], output_names=["first", "second"],
        dynamic_axes={k: {0: "n"} for k in ("x", "first", "second")} if numbers else None, dynamo=False,
    )  # fmt: skip


def load_state(net: nn.Module, path: Path) -> None:
    """Fill a network from a state file written by the trainer (weights only).

    The last layer may have grown at its end since: what the file lacks keeps its first values.
    """
    state = torch.load(path, map_location="cpu", weights_only=True)
    for name, now in net.state_dict().items():
        old = state[name]
        if old.shape != now.shape and old.shape[1:] == now.shape[1:] and len(old) < len(now):
            state[name] = torch.cat([old, now[len(old) :]])
    net.load_state_dict(state)
