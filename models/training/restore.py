"""Weights to go on training from, out of the networks that ship.

``python -m models.training.restore --out DIR`` writes DIR/trunk.pt (train_people --start), DIR/marks_state.pt and
DIR/numbers_state.pt (train_marks --start) from models/people and models/registration. Where the mean of several
networks ships, the last of them is taken.

An ONNX file has its batch normalisation folded into the convolutions. Here each normalisation becomes the identity
plus the folded bias, and ``measure_norms`` then gives it the mean and variance of what really flows through it, its
scale and shift set so that the network's answers stay what they were: only then can it be trained as before.
"""

from __future__ import annotations

import argparse
import copy
from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from pipeline import models
from pipeline.errors import ModelError

MOST_APART = 0.02  # of an answer, by weights in half precision


def constants(graph: Any, prefix: str = "") -> dict[str, Tensor]:
    """The fp32 constants of an ONNX graph by name; those stored as halves under the name of the cast."""
    values = {w.name: torch.from_numpy(numpy_helper.to_array(w).copy()) for w in graph.initializer}
    for node in graph.node:
        if node.op_type == "Cast" and node.input[0] in values:
            values[node.output[0]] = values[node.input[0]]
    return {k: v.float() for k, v in values.items() if k.startswith(prefix)}


def _norm_of(net: nn.Module) -> dict[int, nn.BatchNorm2d]:
    """The normalisation right behind each convolution, by the convolution's id."""
    found: dict[int, nn.BatchNorm2d] = {}
    for parent in net.modules():
        parts = list(parent.children())
        for conv, norm in pairwise(parts):
            if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d):
                found[id(conv)] = norm
    return found


@torch.no_grad()
def put(conv: nn.Conv2d, norm: nn.BatchNorm2d | None, weight: Tensor, bias: Tensor | None, where: str) -> None:
    """Give a convolution (and the normalisation behind it) folded weights. Raises ModelError on another shape."""
    if conv.weight.shape != weight.shape:
        raise ModelError(f"{where}: expected {tuple(conv.weight.shape)}, got {tuple(weight.shape)}.")
    conv.weight.copy_(weight)
    shift = torch.zeros(len(weight)) if bias is None else bias
    if norm is None:
        if conv.bias is not None:
            conv.bias.copy_(shift)
        return
    assert norm.running_mean is not None and norm.running_var is not None
    norm.weight.fill_(1.0)
    norm.bias.copy_(shift)
    norm.running_mean.zero_()
    norm.running_var.fill_(1.0 - norm.eps)


@torch.no_grad()
def measure_norms(net: nn.Module, batches: Iterable[Any], run: Callable[[Any], Any] | None = None) -> int:
    """Give every normalisation the mean and variance of its input over the batches, without changing one answer in
    evaluation. Returns the number of normalisations; leaves the network in the mode it was in."""
    norms = [m for m in net.modules() if isinstance(m, nn.BatchNorm2d)]
    sums = {id(m): [0.0, torch.zeros(m.num_features), torch.zeros(m.num_features)] for m in norms}

    def take(m: nn.Module, x: tuple[Tensor, ...]) -> None:
        v = x[0].detach().double().transpose(0, 1).flatten(1)
        s = sums[id(m)]
        s[0] += v.shape[1]
        s[1] = s[1] + v.sum(1).cpu()
        s[2] = s[2] + v.square().sum(1).cpu()

    hooks = [m.register_forward_pre_hook(take) for m in norms]
    training = net.training
    net.eval()
    for batch in batches:
        (run or net)(batch)
    for hook in hooks:
        hook.remove()
    for m in norms:
        n, total, squares = sums[id(m)]
        if not n:
            continue
        assert m.running_mean is not None and m.running_var is not None
        mean = total / n
        var = (squares / n - mean.square()).clamp_min(1e-8)
        mean, var = mean.to(m.weight), var.to(m.weight)
        scale = m.weight / (m.running_var + m.eps).sqrt()
        m.bias.add_(scale * (mean - m.running_mean))
        m.weight.copy_(scale * (var + m.eps).sqrt())
        m.running_mean.copy_(mean)
        m.running_var.copy_(var)
    net.train(training)
    return len(norms)


def restore_people(path: Path) -> Any:
    """The finder's torch model with the weights of an ONNX file (export_people). Raises ModelError."""
    from models.training.train_people import CANDIDATES, build

    model = build(CANDIDATES["trunk"], None, None)
    values = constants(onnx.load(str(path)).graph)
    norms = _norm_of(model)
    for name, m in model.named_modules():
        if not isinstance(m, nn.Conv2d) or name.endswith("dfl.conv"):
            continue
        weight, bias = values.get(f"{name}.weight"), values.get(f"{name}.bias")
        if weight is None:
            raise ModelError(f"The network has no weights of {name}.", where=path)
        put(m, norms.get(id(m)), weight, bias, name)
    return model


def restore_plain(net: nn.Module, path: Path, example: Tensor, prefix: str = "") -> nn.Module:
    """Fill a network of marks_net from the part of an ONNX file whose names begin with the prefix: convolutions in the
    order in which they run, linear layers likewise. Raises ModelError where their numbers or shapes differ."""
    graph = onnx.load(str(path)).graph
    values = constants(graph)
    order: list[nn.Module] = []
    hooks = [
        m.register_forward_hook(lambda m, x, y: order.append(m))
        for m in net.modules() if isinstance(m, nn.Conv2d | nn.Linear)
    ]  # fmt: skip
    with torch.no_grad():
        net.eval()(example)
    for hook in hooks:
        hook.remove()
    nodes = [n for n in graph.node if n.op_type in ("Conv", "Gemm") and n.name.startswith(prefix)]
    norms = _norm_of(net)
    for kind, op in ((nn.Conv2d, "Conv"), (nn.Linear, "Gemm")):
        ours, theirs = [m for m in order if isinstance(m, kind)], [n for n in nodes if n.op_type == op]
        if len(ours) != len(theirs):
            raise ModelError(f"{len(theirs)} {op} layers in the file, {len(ours)} in the network.", where=path)
        for m, n in zip(ours, theirs, strict=True):
            weight, bias = values[n.input[1]], values[n.input[2]] if len(n.input) > 2 else None
            if isinstance(m, nn.Conv2d):
                put(m, norms.get(id(m)), weight, bias, n.name)
            elif m.weight.shape == weight.shape and bias is not None:
                with torch.no_grad():
                    m.weight.copy_(weight)
                    m.bias.copy_(bias)
            else:
                raise ModelError(f"{n.name}: expected {tuple(m.weight.shape)}, got {tuple(weight.shape)}.", where=path)
    return net


def alone(path: Path, prefix: str) -> Any:
    """The ONNX file as it answers with one of the networks it is the mean of (prefix as in average_networks)."""
    model = onnx.load(str(path))
    if prefix:
        for value in model.graph.output:
            value.name = prefix + value.name
    return model


def last_prefix(path: Path) -> str:
    """Prefix of the names of the last network in a file of average_networks; empty for a single network."""
    names = [n.name for n in onnx.load(str(path)).graph.node]
    found = [f"n{k}_" for k in range(9) if any(n.startswith(f"n{k}_") for n in names)]
    return found[-1] if found else ""


def check(path: Path, prefix: str, net: nn.Module, x: Tensor) -> float:
    """Largest difference between the answers of file and network. Raises ModelError above MOST_APART."""
    from models.training.marks_net import _Exported

    theirs = models.open_network(alone(path, prefix).SerializeToString(), threads=1)(x.numpy())
    with torch.no_grad():
        ours = [y.numpy() for y in _Exported(net).eval()(x)]
    worst = max(float(np.abs(a - b).max()) for a, b in zip(ours, theirs, strict=True))
    if worst > MOST_APART:
        raise ModelError(f"The restored network's answers differ by {worst:.3f}.", where=path)
    return worst


def main(argv: list[str] | None = None) -> None:
    from models.training.marks_net import MarksNet, NumberNet
    from pipeline.registration import layout

    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--out", type=Path, required=True)
    a = p.parse_args(argv)
    a.out.mkdir(parents=True, exist_ok=True)
    shipped = models.models_dir()
    torch.manual_seed(0)

    people = restore_people(shipped / "people" / "people.onnx")
    torch.save({"ema": copy.deepcopy(people).half()}, a.out / "trunk.pt")
    print(f"{a.out / 'trunk.pt'}: {sum(v.numel() for v in people.parameters())} weights")

    kinds: list[tuple[str, type[nn.Module], tuple[int, ...]]] = [
        ("marks", MarksNet, (1, 3, *layout.INPUT_HW)), ("numbers", NumberNet, (2, 3, *layout.PATCH_HW)),
    ]  # fmt: skip
    for name, kind, shape in kinds:
        path, x = shipped / "registration" / f"{name}.onnx", torch.rand(shape)
        prefix = last_prefix(path)
        net = restore_plain(kind(), path, x, prefix)
        worst = check(path, prefix, net, x)
        torch.save(net.state_dict(), a.out / f"{name}_state.pt")
        print(f"{a.out / name}_state.pt: answers differ by at most {worst:.5f}")


if __name__ == "__main__":
    main()
