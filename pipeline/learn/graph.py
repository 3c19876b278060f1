"""An ONNX network as a torch module that can learn, and its weights back into the same graph.

The program ships networks as ONNX only. Instead of asking for the weights they were exported from, the graph itself
is run with torch operations; weights of convolutions are parameters. After learning they go back into the file they
came from, so that the new network is the old one in everything but these numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional as F

from pipeline.errors import ModelError


def _onnx() -> Any:
    try:
        import onnx
    except ImportError as e:
        raise ModelError("Learning needs the package onnx.", hint="pip install 'snapledger[learn]'.") from e
    return onnx


class Graph(nn.Module):
    """The graph of an ONNX file. forward: (B, C, H, W) -> its first output. Raises ModelError for an operation that
    is not known here."""

    def __init__(self, data: bytes, where: Path | None = None) -> None:
        super().__init__()
        onnx = _onnx()
        self.model = onnx.load_from_string(data)
        graph = self.model.graph
        self._nodes = [(n.op_type, list(n.input), list(n.output), _attributes(onnx, n)) for n in graph.node]
        unknown = sorted({op for op, *_ in self._nodes} - set(OPERATIONS))
        if unknown:
            raise ModelError(f"This network cannot learn here: it has {', '.join(unknown)}.", where=where)
        constants = {w.name: np.array(onnx.numpy_helper.to_array(w)) for w in graph.initializer}
        widened = {o[0]: i[0] for op, i, o, _ in self._nodes if op == "Cast" and i[0] in constants}
        self._source = {name: widened.get(name, name) for name in (*constants, *widened)}
        learned = {i for op, inputs, _, _ in self._nodes if op == "Conv" for i in inputs[1:]}
        self.weights = nn.ParameterDict()
        self._fixed: dict[str, Tensor] = {}
        for name, source in self._source.items():
            value = torch.from_numpy(constants[source])
            if name in learned and not _ladder(value):
                self.weights[_key(name)] = nn.Parameter(value.float())
            else:
                self._fixed[name] = value
        self._nodes = [n for n in self._nodes if not (n[0] == "Cast" and n[2][0] in widened)]
        self._input, self._output = graph.input[0].name, graph.output[0].name

    def forward(self, x: Tensor) -> Tensor:
        known: dict[str, Any] = {self._input: x, "": None}

        def value(name: str) -> Any:
            if name in known:
                return known[name]
            if _key(name) in self.weights:
                return self.weights[_key(name)]
            return self._fixed[name].to(x.device) if self._fixed[name].ndim else self._fixed[name]

        for op, inputs, outputs, attributes in self._nodes:
            made = OPERATIONS[op]([value(i) for i in inputs], attributes)
            for name, one in zip(outputs, made if isinstance(made, (list, tuple)) else [made], strict=False):
                known[name] = one
        out: Tensor = known[self._output]
        return out

    def order(self) -> list[str]:
        """Names of the parameters in the order in which the picture passes them."""
        names = [_key(i) for op, inputs, _, _ in self._nodes if op == "Conv" for i in inputs[1:]]
        return [n for n in dict.fromkeys(names) if n in self.weights]

    def to_bytes(self) -> bytes:
        """The ONNX file with the weights as they are now, in the precision it had."""
        onnx = _onnx()
        model = onnx.ModelProto()
        model.CopyFrom(self.model)
        by_source = {self._source[n]: n for n in self._source if _key(n) in self.weights}
        for w in model.graph.initializer:
            if w.name in by_source:
                old = onnx.numpy_helper.to_array(w)
                new = self.weights[_key(by_source[w.name])].detach().cpu().numpy().astype(old.dtype)
                w.CopyFrom(onnx.numpy_helper.from_array(new, w.name))
        onnx.checker.check_model(model)
        data: bytes = model.SerializeToString()
        return data


def _ladder(value: Tensor) -> bool:
    """True for the weights 0, 1, 2, ... that only take a mean over steps of a distance: nothing to learn."""
    flat = value.flatten().float()
    return len(flat) > 1 and bool(torch.equal(flat, torch.arange(len(flat), dtype=torch.float32)))


def _key(name: str) -> str:
    return name.replace(".", "|")


def _attributes(onnx: Any, node: Any) -> dict[str, Any]:
    found = {}
    for a in node.attribute:
        value = onnx.helper.get_attribute_value(a)
        if a.type == onnx.AttributeProto.TENSOR:
            value = torch.from_numpy(np.array(onnx.numpy_helper.to_array(value)))
        found[a.name] = value.decode() if isinstance(value, bytes) else value
    return found


def _whole(value: Any) -> list[int]:
    return [int(v) for v in (value.tolist() if isinstance(value, Tensor) and value.ndim else [int(value)])]


def _conv(i: list[Any], a: dict[str, Any]) -> Tensor:
    pads = a.get("pads", [0, 0, 0, 0])
    if pads[0] != pads[2] or pads[1] != pads[3]:
        raise ModelError("This network cannot learn here: uneven padding.")
    bias = i[2] if len(i) > 2 else None
    form = (a.get("strides", [1, 1]), pads[:2], a.get("dilations", [1, 1]), a.get("group", 1))
    return F.conv2d(i[0], i[1].float(), bias, *form)


def _resize(i: list[Any], a: dict[str, Any]) -> Tensor:
    if a.get("mode") not in ("linear", "nearest"):
        raise ModelError(f"This network cannot learn here: resizing {a.get('mode')}.")
    if len(i) > 3 and i[3] is not None and i[3].numel() > 0:
        size = [int(v) for v in i[3][2:]]
    else:
        size = [int(n * float(s)) for n, s in zip(i[0].shape[2:], i[2][2:], strict=True)]
    if a["mode"] == "nearest":
        return F.interpolate(i[0], size=size, mode="nearest")
    return F.interpolate(i[0], size=size, mode="bilinear", align_corners=False)


def _slice(i: list[Any], a: dict[str, Any]) -> Tensor:
    out = i[0]
    axes = _whole(i[3]) if len(i) > 3 and i[3] is not None else list(range(len(_whole(i[1]))))
    steps = _whole(i[4]) if len(i) > 4 and i[4] is not None else [1] * len(axes)
    for start, end, axis, step in zip(_whole(i[1]), _whole(i[2]), axes, steps, strict=True):
        at = [slice(None)] * out.ndim
        at[axis] = slice(start, None if end > 2**31 else end, step)
        out = out[tuple(at)]
    return out


def _gather(i: list[Any], a: dict[str, Any]) -> Tensor:
    index = i[1].to(i[0].device)
    axis = a.get("axis", 0)
    if index.ndim == 0:
        return i[0].select(axis, int(index))
    flat: Tensor = i[0].index_select(axis, index.flatten())
    return flat.reshape(*i[0].shape[:axis], *index.shape, *i[0].shape[axis + 1 :])


def _unsqueeze(i: list[Any], a: dict[str, Any]) -> Tensor:
    out = i[0]
    for axis in sorted(_whole(i[1])):
        out = out.unsqueeze(axis)
    return out


def _reshape(i: list[Any], a: dict[str, Any]) -> Tensor:
    wanted = _whole(i[1])
    return i[0].reshape([i[0].shape[k] if n == 0 else n for k, n in enumerate(wanted)])


def _divide(i: list[Any], a: dict[str, Any]) -> Tensor:
    whole = not torch.is_floating_point(i[0]) and not torch.is_floating_point(i[1])
    return torch.div(i[0], i[1].to(i[0].device), rounding_mode="trunc") if whole else i[0] / _beside(i[1], i[0])


def _beside(value: Tensor, other: Tensor) -> Tensor:
    return value.to(other.device)


_KINDS = {1: torch.float32, 6: torch.int32, 7: torch.int64, 9: torch.bool, 10: torch.float32, 11: torch.float64}


def _cast(i: list[Any], a: dict[str, Any]) -> Tensor:
    return i[0].to(_KINDS[a["to"]])


def _constant_of_shape(i: list[Any], a: dict[str, Any]) -> Tensor:
    value = a.get("value", torch.zeros(1))
    return torch.full(_whole(i[0]), value.item(), dtype=value.dtype)


def _max_pool(i: list[Any], a: dict[str, Any]) -> Tensor:
    return F.max_pool2d(i[0], a["kernel_shape"], a.get("strides"), a.get("pads", [0, 0])[:2])


def _concat(i: list[Any], a: dict[str, Any]) -> Tensor:
    device = next((v.device for v in i if v.device.type != "cpu"), i[0].device)
    return torch.cat([v.to(device) for v in i], a["axis"])


OPERATIONS: dict[str, Callable[[list[Any], dict[str, Any]], Any]] = {
    "Add": lambda i, a: i[0] + _beside(i[1], i[0]),
    "Cast": _cast,
    "Concat": _concat,
    "Constant": lambda i, a: a["value"],
    "ConstantOfShape": _constant_of_shape,
    "Conv": _conv,
    "Div": _divide,
    "Exp": lambda i, a: i[0].exp(),
    "Expand": lambda i, a: i[0].expand(torch.broadcast_shapes(tuple(i[0].shape), tuple(_whole(i[1])))),
    "Gather": _gather,
    "Identity": lambda i, a: i[0],
    "LeakyRelu": lambda i, a: F.leaky_relu(i[0], a.get("alpha", 0.01)),
    "MatMul": lambda i, a: i[0] @ i[1],
    "MaxPool": _max_pool,
    "Mul": lambda i, a: i[0] * _beside(i[1], i[0]),
    "Range": lambda i, a: torch.arange(i[0].item(), i[1].item(), i[2].item(), dtype=i[0].dtype),
    "Relu": lambda i, a: F.relu(i[0]),
    "Reshape": _reshape,
    "Resize": _resize,
    "Shape": lambda i, a: torch.tensor(list(i[0].shape), dtype=torch.int64),
    "Sigmoid": lambda i, a: torch.sigmoid(i[0]),
    "Slice": _slice,
    "Softmax": lambda i, a: torch.softmax(i[0], a.get("axis", -1)),
    "Split": lambda i, a: torch.split(i[0], _whole(i[1]), a.get("axis", 0)),
    "Sub": lambda i, a: i[0] - _beside(i[1], i[0]) if i[0].ndim else i[0] - i[1],
    "Transpose": lambda i, a: i[0].permute(a["perm"]),
    "Unsqueeze": _unsqueeze,
}
