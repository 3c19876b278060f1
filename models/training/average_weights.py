"""One network out of several trainings that went on from the same weights: the mean of their weights.

``python -m models.training.average_weights --people A.pt B.pt --out C.pt`` (checkpoints of train_people),
``python -m models.training.average_weights --marks DIR DIR --out DIR`` (folders of train_marks; writes the states and
both ONNX files). Such a mean errs less on film unlike the training's than each of them and costs nothing when run
(M. Wortsman and others, Model soups, ICML 2022). It holds only for trainings with a common start.
"""

from __future__ import annotations

import argparse
import copy
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import torch
from torch import Tensor

from pipeline.errors import InputError


def mean_state(states: Sequence[dict[str, Tensor]]) -> dict[str, Tensor]:
    """The mean of several states; counters and other whole numbers are the first's. Raises InputError where the
    states are of other layouts."""
    first = states[0]
    if not all(s.keys() == first.keys() and all(s[k].shape == v.shape for k, v in first.items()) for s in states[1:]):
        raise InputError("These are networks of different layouts.", hint="Average trainings that began as one.")
    return {
        k: torch.stack([s[k].float() for s in states]).mean(0).to(v.dtype) if v.is_floating_point() else v.clone()
        for k, v in first.items()
    }


def average_people(paths: Sequence[Path], out: Path) -> None:
    """Write the mean of people finders as a checkpoint export_people and train_people take."""
    from models.training.train_people import load_averaged

    nets: list[Any] = [load_averaged(p) for p in paths]
    net = copy.deepcopy(nets[0])
    net.load_state_dict(mean_state([n.state_dict() for n in nets]))
    out.parent.mkdir(parents=True, exist_ok=True)
    torch.save({"ema": net.half()}, out)


def average_marks(folders: Sequence[Path], out: Path) -> None:
    """Write the mean of both registration networks: states, and ONNX with its larger weights in half precision."""
    import onnx

    from models.training.average_networks import halve
    from models.training.marks_net import MarksNet, NumberNet, export

    out.mkdir(parents=True, exist_ok=True)
    kinds: dict[str, Any] = {"marks": MarksNet, "numbers": NumberNet}
    for name, kind in kinds.items():
        net = kind()
        net.load_state_dict(
            mean_state([torch.load(f / f"{name}_state.pt", map_location="cpu", weights_only=True) for f in folders])
        )
        torch.save(net.state_dict(), out / f"{name}_state.pt")
        path = out / f"{name}.onnx"
        export(net.eval(), path)
        onnx.save(halve(onnx.load(str(path))), str(path))


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--people", type=Path, nargs="+", metavar="PT")
    p.add_argument("--marks", type=Path, nargs="+", metavar="DIR")
    p.add_argument("--out", type=Path, required=True)
    a = p.parse_args(argv)
    if bool(a.people) == bool(a.marks):
        p.error("name either --people or --marks")
    if a.people:
        average_people(a.people, a.out)
    else:
        average_marks(a.marks, a.out)
    print(f"{a.out}: mean of {len(a.people or a.marks)}")


if __name__ == "__main__":
    main()
