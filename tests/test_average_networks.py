"""Networks averaged into one answer with the mean of theirs."""

from __future__ import annotations

import numpy as np
import pytest

onnx = pytest.importorskip("onnx", reason="the training extra is not installed")

from models.training.average_networks import apart, average, halve  # noqa: E402


def _network(weight: float, name: str = "y") -> onnx.ModelProto:
    from onnx import TensorProto, helper, numpy_helper

    w = numpy_helper.from_array(np.full((32, 32), weight, np.float32), "w")
    x = helper.make_tensor_value_info("x", TensorProto.FLOAT, ["n", 32])
    y = helper.make_tensor_value_info(name, TensorProto.FLOAT, ["n", 32])
    graph = helper.make_graph([helper.make_node("MatMul", ["x", "w"], [name])], "g", [x], [y], [w])
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)])
    model.ir_version = 8
    return model


def test_answers_are_the_mean() -> None:
    mean = average([_network(0.5), _network(1.5)])
    onnx.checker.check_model(mean)
    assert apart(mean, _network(1.0)) < 1e-4
    assert apart(mean, _network(1.1)) > 0.1


def test_half_precision_keeps_the_answers_and_takes_less_room() -> None:
    full = average([_network(0.3), _network(0.7)])
    small = halve(full)
    assert small.ByteSize() < 0.7 * full.ByteSize()
    assert apart(full, small) < 0.02


def test_other_outputs_are_refused() -> None:
    with pytest.raises(ValueError, match="other inputs or outputs"):
        average([_network(1.0), _network(1.0, "z")])
