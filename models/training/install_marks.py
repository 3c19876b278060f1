"""List freshly trained registration networks in the manifest.

``python -m models.training.install_marks --from DIR`` copies DIR/marks.onnx and DIR/numbers.onnx into
models/registration/ and writes their entries, with the validation figures the trainer left in DIR/*.json.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from pathlib import Path

from models.training.export_people import write_entry
from pipeline import models
from pipeline.errors import InputError

LICENCE = "AGPL-3.0-or-later"
TRAINED_ON = [
    "stills rendered by models/training/film of this repository (AGPL-3.0-or-later)",
    "colours, spectra and turf texture of public dataset football-players-detection-3zvbc-dcpes v1 (CC BY 4.0 as "
    "stated by its publisher)",
]
FIGURES = {
    "marks": ("ridge", "area", "across", "phase", "kind", "view_right", "level_right"),
    "numbers": ("tens_right", "arrow_right"),
}
LARGEST_BYTES = 16 * 2**20


def install(source: Path) -> None:
    """Copy both networks and write the manifest. Raises InputError where a file is missing or too large."""
    measured: dict[str, object] = {}
    for path in sorted(source.glob("*.json")):
        measured |= json.loads(path.read_text(encoding="utf-8"))
    for name, keys in FIGURES.items():
        path = source / f"{name}.onnx"
        if not path.is_file():
            raise InputError("The network is not there.", where=path, hint="Run models.training.train_marks first.")
        blob = path.read_bytes()
        if len(blob) > LARGEST_BYTES:
            raise InputError(f"The file has {len(blob)} bytes, at most {LARGEST_BYTES} are shipped.", where=path)
        target = models.models_dir() / "registration" / f"{name}.onnx"
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(blob)
        figures = {k: round(float(str(measured[k])), 4) for k in keys if k in measured}
        write_entry(
            name,
            {
                "file": f"registration/{name}.onnx", "sha256": hashlib.sha256(blob).hexdigest(), "licence": LICENCE,
                "trained_on": TRAINED_ON, "metrics": figures, "settings": {},
            },
        )  # fmt: skip


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--from", dest="source", type=Path, required=True)
    install(parser.parse_args(argv).source)


if __name__ == "__main__":
    main()
