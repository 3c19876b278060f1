"""Networks taken out of ONNX files to train on, and the mean of two trainings: answers must stay what they were."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch")
onnx = pytest.importorskip("onnx")

from models.training.average_weights import average_marks, mean_state  # noqa: E402
from models.training.marks_net import MarksNet, NumberNet, export  # noqa: E402
from models.training.restore import MOST_APART, check, measure_norms, restore_plain  # noqa: E402
from pipeline.errors import InputError, ModelError  # noqa: E402
from pipeline.registration import layout  # noqa: E402


def trained(seed: int) -> NumberNet:
    """A number reader whose normalisations have seen something."""
    torch.manual_seed(seed)
    net = NumberNet()
    net.train()
    for _ in range(3):
        net(torch.rand(4, 3, *layout.PATCH_HW))
    return net.eval()


def answers(net: NumberNet, x: torch.Tensor) -> np.ndarray:
    with torch.no_grad():
        return np.concatenate([a.numpy() for a in net.eval()(x)], 1)


def test_a_network_out_of_its_file_answers_as_before_and_its_norms_can_be_measured(tmp_path: Path) -> None:
    net, x = trained(1), torch.rand(2, 3, *layout.PATCH_HW)
    export(net, tmp_path / "numbers.onnx")
    again = restore_plain(NumberNet(), tmp_path / "numbers.onnx", x)
    assert check(tmp_path / "numbers.onnx", "", again, x) < 1e-3
    before = answers(again, x)
    batches = [torch.rand(4, 3, *layout.PATCH_HW) for _ in range(3)]
    measured = measure_norms(again, batches)
    assert measured == sum(isinstance(m, torch.nn.BatchNorm2d) for m in again.modules())
    np.testing.assert_allclose(answers(again, x), before, atol=2e-3)
    # what was measured is what flows: a batch normalised by itself gives nearly the same (no such thing before)
    first = next(m for m in again.modules() if isinstance(m, torch.nn.BatchNorm2d))
    assert float((first.running_mean.abs() + (first.running_var - 1).abs()).max()) > 0.05


def test_another_network_in_the_file_is_told(tmp_path: Path) -> None:
    export(trained(1), tmp_path / "numbers.onnx")
    x = torch.rand(2, 3, *layout.PATCH_HW)
    with pytest.raises(ModelError):
        check(tmp_path / "numbers.onnx", "", trained(2), x)
    with pytest.raises(ModelError):
        restore_plain(NumberNet(c=16), tmp_path / "numbers.onnx", x)


def test_the_mean_of_two_lies_between_them_and_needs_one_layout(tmp_path: Path) -> None:
    a, b = trained(1).state_dict(), trained(2).state_dict()
    mean = mean_state([a, b])
    key = next(k for k, v in a.items() if v.is_floating_point() and v.ndim == 4)
    np.testing.assert_allclose(mean[key].numpy(), ((a[key] + b[key]) / 2).numpy(), atol=1e-6)
    with pytest.raises(InputError):
        mean_state([a, NumberNet(c=16).state_dict()])


def test_the_mean_of_two_trainings_is_written_as_a_network_that_answers_like_it(tmp_path: Path) -> None:
    folders = []
    for seed in (1, 2):
        folder = tmp_path / str(seed)
        folder.mkdir()
        torch.manual_seed(seed)
        torch.save(MarksNet().state_dict(), folder / "marks_state.pt")
        torch.save(trained(seed).state_dict(), folder / "numbers_state.pt")
        folders.append(folder)
    average_marks(folders, tmp_path / "mean")
    net, x = NumberNet(), torch.rand(2, 3, *layout.PATCH_HW)
    net.load_state_dict(mean_state([trained(1).state_dict(), trained(2).state_dict()]))
    path = tmp_path / "mean" / "numbers.onnx"
    assert check(path, "", net, x) < MOST_APART
    assert path.stat().st_size < 0.6 * 4 * sum(v.numel() for v in net.parameters())  # halves
    assert (tmp_path / "mean" / "marks.onnx").is_file()
    with pytest.raises(FileNotFoundError):
        average_marks([tmp_path], tmp_path / "out")
