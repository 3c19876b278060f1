"""One network whose answers are the mean of several with the same inputs and outputs.

``python -m models.training.average_networks --networks A.onnx B.onnx --out C.onnx``. Trainings that saw other film err
elsewhere, so the mean of their answers is steadier than either (L. K. Hansen and P. Salamon, Neural network
ensembles, 1990). Weights are kept as half precision and cast on loading, so that two networks take the room of one.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, compose, helper, numpy_helper

LEAST_WEIGHTS = 512  # smaller tensors (biases, shapes) stay as they are
MOST_APART = 5e-3  # an answer may change this much by the half precision of the weights


def _shape(value: onnx.ValueInfoProto) -> tuple[int | str, ...]:
    return tuple(d.dim_param or d.dim_value for d in value.type.tensor_type.shape.dim)


def average(networks: list[onnx.ModelProto]) -> onnx.ModelProto:
    """The mean of the networks. Raises ValueError where their inputs or outputs differ."""
    first = networks[0]
    ins, outs = list(first.graph.input), list(first.graph.output)
    signature = [(v.name, _shape(v)) for v in (*ins, *outs)]
    for other in networks[1:]:
        if [(v.name, _shape(v)) for v in (*other.graph.input, *other.graph.output)] != signature:
            raise ValueError("the networks have other inputs or outputs than the first")
    nodes, weights = [], []
    for k, network in enumerate(networks):
        part = compose.add_prefix(network, f"n{k}_").graph
        renamed = {f"n{k}_{v.name}": v.name for v in ins}
        for node in part.node:
            node.input[:] = [renamed.get(name, name) for name in node.input]
        nodes += list(part.node)
        weights += list(part.initializer)
    for v in outs:
        nodes.append(helper.make_node("Mean", [f"n{k}_{v.name}" for k in range(len(networks))], [v.name]))
    graph = helper.make_graph(nodes, "mean", ins, outs, weights)
    opset = max(o.version for n in networks for o in n.opset_import if o.domain in ("", "ai.onnx"))
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", opset)])
    model.ir_version = min(n.ir_version for n in networks)
    return model


def halve(model: onnx.ModelProto) -> onnx.ModelProto:
    """The same network with its larger weights stored in half precision and cast back on loading."""
    out = onnx.ModelProto()
    out.CopyFrom(model)
    casts = []
    for tensor in out.graph.initializer:
        if tensor.data_type != TensorProto.FLOAT or int(np.prod(tensor.dims)) < LEAST_WEIGHTS:
            continue
        name = tensor.name
        half = numpy_helper.from_array(numpy_helper.to_array(tensor).astype(np.float16), f"{name}_half")
        tensor.CopyFrom(half)
        casts.append(helper.make_node("Cast", [half.name], [name], to=TensorProto.FLOAT))
    nodes = [*casts, *out.graph.node]
    del out.graph.node[:]
    out.graph.node.extend(nodes)
    return out


def apart(a: onnx.ModelProto, b: onnx.ModelProto, seed: int = 0) -> float:
    """The largest difference of two networks' answers to a random picture."""
    import onnxruntime

    rng = np.random.default_rng(seed)
    shape = [d if isinstance(d, int) and d > 0 else 2 for d in _shape(a.graph.input[0])]
    x = rng.random(shape, np.float32)
    answers = []
    for m in (a, b):
        session = onnxruntime.InferenceSession(m.SerializeToString(), providers=["CPUExecutionProvider"])
        answers.append(session.run(None, {m.graph.input[0].name: x}))
    return max(float(np.abs(p - q).max()) for p, q in zip(*answers, strict=True))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--networks", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    full = average([onnx.load(str(p)) for p in arguments.networks])
    onnx.checker.check_model(full)
    small = halve(full)
    difference = apart(full, small)
    if difference > MOST_APART:
        raise SystemExit(f"half precision changes the answers by {difference:.4f}: nothing written")
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    onnx.save(small, str(arguments.out))
    print(f"{arguments.out}: mean of {len(arguments.networks)}, half precision changes answers by {difference:.4f}")


if __name__ == "__main__":
    main()
