"""Trains the snap checker: ``python -m models.training.snap_checks describe|fit|together``.

describe: runs the shipped scorer, or another, over clips (folders, packed files), and keeps what
``pipeline.snap_check`` says about each moment that looks like a snap, with truth. fit: a small network on that (torch,
processor, a minute), as ONNX.
"""

from __future__ import annotations

import argparse
import io
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.train_snap import gather, scorer_of
from pipeline import onset, snap, snap_check

SCORE = snap_check.FEATURES - 8  # where the scorer's own score stands among the features
BLEND = 0.35  # its part in the logit: chosen on clips of the test set with even numbers, and drawn ones
NEAR_TICKS = 4.0  # a moment this close to a snap is the snap


def describe(sources: list[Path], out: Path, scorer: snap.Scorer, every: int = 1) -> None:
    """Moments of all clips, or of those whose seed is a multiple of ``every``: features, whether it is the snap, clip,
    kind. A scorer's own training clips say too little of how sure it is elsewhere."""
    rows, right, clip, kinds = [], [], [], []
    clips = gather(sources)
    for number, (grid, ticks, kind, name) in enumerate(clips):
        if int(name) % every:
            continue
        score = scorer(fine(grid))
        shown = onset.coarse(grid, onset.LONG)
        at = snap_check.moments(np.where(np.arange(len(score)) >= 9, score, 0.0), snap.DEFAULTS.lowest)
        inside = [round(float(t)) for t in ticks if 9 <= t < len(score) - 5]
        at += [t for t in inside if not any(abs(a - t) <= NEAR_TICKS for a in at)]
        for k in at:
            rows.append(snap_check.describe(shown, score, k))
            right.append(bool(len(ticks)) and float(np.abs(np.asarray(ticks) - k).min()) <= NEAR_TICKS)
            clip.append(f"{number}/{name}")
            kinds.append(kind)
        if number % 200 == 199:
            print(number + 1, "of", len(clips), flush=True)
    np.savez_compressed(out, x=np.array(rows, np.float32), y=np.array(right), clip=clip, kind=kinds)
    print(len(rows), "moments,", int(np.sum(right)), "snaps")


def fine(grid: NDArray[np.float32]) -> NDArray[np.float32]:
    """A packed grid at the resolution that the shipped scorer is shown."""
    if grid.shape[1:] == (onset.ROWS, onset.COLUMNS):
        return grid
    times = onset.ROWS // grid.shape[1]
    return np.repeat(np.repeat(grid, times, 1), times, 2)


def fit(sources: list[Path], shares: list[float], out: Path, steps: int, nets: int) -> None:
    """Small networks on described moments, as one ONNX file: mean of their logits, blended with the scorer's own.
    shares: how often a moment of each source comes up, relatively."""
    import torch

    parts = [np.load(s) for s in sources]
    x = torch.from_numpy(np.concatenate([p["x"] for p in parts]))
    y = torch.from_numpy(np.concatenate([p["y"] for p in parts]).astype(np.float32))
    often = np.concatenate([np.full(len(p["y"]), s) for p, s in zip(parts, shares, strict=True)])
    torch.set_num_threads(1)

    class Mean(torch.nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.nets = torch.nn.ModuleList([_one(x, y, often, steps, seed) for seed in range(nets)])

        def forward(self, v: Any) -> Any:
            score = v[:, SCORE : SCORE + 1].clamp(1e-4, 1 - 1e-4)
            own = torch.log(score) - torch.log(1 - score)
            return (1 - BLEND) * torch.stack([net(v) for net in self.nets]).mean(0) + BLEND * own

    store = io.BytesIO()
    torch.onnx.export(
        Mean().eval(), (x[:4],), store, dynamo=False, opset_version=17, input_names=["described"],
        output_names=["logit"], dynamic_axes={"described": {0: "moments"}, "logit": {0: "moments"}},
    )  # fmt: skip
    out.write_bytes(store.getvalue())


def together(checks: list[Path], out: Path) -> None:
    """Several checkers as one ONNX file: the mean of their logits."""
    import onnx
    from onnx import TensorProto, compose, helper

    nodes, initializers, logits, version = [], [], [], 0
    for number, path in enumerate(checks):
        model = compose.add_prefix(onnx.load(str(path)), f"part{number}/")
        graph, version = model.graph, max(version, model.opset_import[0].version)
        nodes += [helper.make_node("Identity", ["described"], [graph.input[0].name]), *graph.node]
        initializers += list(graph.initializer)
        logits.append(graph.output[0].name)
    nodes.append(helper.make_node("Mean", logits, ["logit"]))
    shown = helper.make_tensor_value_info("described", TensorProto.FLOAT, ["moments", snap_check.FEATURES])
    said = helper.make_tensor_value_info("logit", TensorProto.FLOAT, ["moments", 1])
    graph = helper.make_graph(nodes, "checkers", [shown], [said], initializers)
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", version)])
    model.ir_version = min(model.ir_version, onnx.load(str(checks[0])).ir_version)
    onnx.checker.check_model(model)
    out.write_bytes(model.SerializeToString())


def _one(x: Any, y: Any, often: NDArray[np.float64], steps: int, seed: int) -> Any:
    """One network, fitted."""
    import torch

    torch.manual_seed(seed)
    net = small_net(x)
    best = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=0.03)
    plan = torch.optim.lr_scheduler.OneCycleLR(best, 3e-3, total_steps=steps, pct_start=0.1)
    chance = torch.from_numpy(often / often.sum())
    net.train()
    for _ in range(steps):
        some = torch.multinomial(chance, 256, replacement=True)
        noisy = x[some] * (1 + 0.06 * torch.randn(256, 1)) + 0.03 * net[0].scale * torch.randn(256, x.shape[1])
        loss = torch.nn.functional.binary_cross_entropy_with_logits(net(noisy)[:, 0], 0.98 * y[some] + 0.01)
        best.zero_grad()
        loss.backward()
        best.step()
        plan.step()
    print(f"net {seed}: loss {float(loss.detach()):.3f}", flush=True)
    return net


def small_net(x: Any) -> Any:
    """Standardised features, two hidden layers, one logit."""
    import torch

    class Standard(torch.nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.register_buffer("middle", x.mean(0))
            self.register_buffer("scale", x.std(0) + 1e-3)

        def forward(self, v: torch.Tensor) -> torch.Tensor:
            return ((v - self.middle) / self.scale).clamp(-6, 6)

    nn = torch.nn
    return nn.Sequential(
        Standard(), nn.Linear(x.shape[1], 64), nn.ReLU(), nn.Dropout(0.3), nn.Linear(64, 32), nn.ReLU(),
        nn.Dropout(0.2), nn.Linear(32, 1),
    )  # fmt: skip


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(dest="what", required=True)
    step = steps.add_parser("describe")
    step.add_argument("--data", type=Path, nargs="+", required=True)
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--onnx", type=Path, help="a scorer; the shipped one if left out")
    step.add_argument("--layout", choices=["short", "long", "fine"], default="long", help="what the ONNX file is shown")
    step.add_argument("--every", type=int, default=1, help="only clips whose seed is a multiple of this")
    step = steps.add_parser("fit")
    step.add_argument("--data", type=Path, nargs="+", required=True, help="files of describe")
    step.add_argument("--shares", type=float, nargs="+", required=True)
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--steps", type=int, default=4000)
    step.add_argument("--nets", type=int, default=4)
    step = steps.add_parser("together")
    step.add_argument("--checks", type=Path, nargs="+", required=True, help="ONNX files of fits")
    step.add_argument("--out", type=Path, required=True)
    options = parser.parse_args()
    if options.what == "together":
        together(options.checks, options.out)
    elif options.what == "describe":
        layout = {"short": onset.SHORT, "long": onset.LONG, "fine": onset.FINE}[options.layout]
        scorer = snap.shipped_scorer() if options.onnx is None else scorer_of(options.onnx, layout)
        describe(options.data, options.out, scorer, options.every)
    else:
        fit(options.data, options.shares, options.out, options.steps, options.nets)


if __name__ == "__main__":
    main()
