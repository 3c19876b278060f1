"""A models folder like the one in use with some files replaced; the one in use is never touched."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pipeline import models
from pipeline.errors import OutputError, UsageError
from pipeline.ledger import write_bytes

FOLDER, CONFIG, REPORT = "models", "chart.toml", "learned.txt"


@dataclass(frozen=True)
class Replaced:
    """A model's new bytes, what it learned from, and figures to stand beside it."""

    data: bytes
    learned_from: str
    metrics: Mapping[str, float | int | str] = field(default_factory=dict)


def check_target(out: Path, used: Path) -> None:
    """Raise UsageError before any work is done where the new folder cannot be made."""
    if out.exists() and not out.is_dir():
        raise UsageError("--out is a file.", where=out, hint="Name a new folder.")
    if out.exists() and any(out.iterdir()):
        raise UsageError("The folder is not empty: models that are there are never overwritten.", where=out,
                         hint="Name a new folder.")  # fmt: skip
    if out.resolve() == used.resolve() or used.resolve() in out.resolve().parents:
        raise UsageError("This is the models folder in use.", where=out, hint="Name a new folder.")


def write(out: Path, used: Path, replaced: Mapping[str, Replaced], report: str) -> Path:
    """Write OUT/models, OUT/chart.toml and OUT/learned.txt. Raises OutputError, ModelError."""
    folder = out / FOLDER
    parts = ["# Models of `snapledger learn`; those not named in learned.txt are copies.\n"]
    for name, entry in models.read_manifest(used).items():
        data = models.read_checked(entry)
        file = entry.path.relative_to(used.resolve()).as_posix()
        new = replaced.get(name)
        trained_on, metrics = list(entry.trained_on), dict(entry.metrics)
        if new is not None:
            data = new.data
            trained_on.append(new.learned_from)
            metrics = {**metrics, **new.metrics}
        write_bytes(folder / file, data)
        values = {"file": file, "sha256": hashlib.sha256(data).hexdigest(), "licence": entry.licence,
                  "trained_on": trained_on}  # fmt: skip
        parts.append(_table(name, values, metrics, entry.settings))
        _copy_card(entry.path, folder / file)
    write_bytes(folder / "manifest.toml", "\n".join(parts).encode())
    models.read_manifest(folder)
    write_bytes(out / CONFIG, f'[models]\nfolder = "{FOLDER}"\n'.encode())
    write_bytes(out / REPORT, report.encode("utf-8", "replace"))
    return out / CONFIG


def _copy_card(source: Path, target: Path) -> None:
    card = source.with_name("card.md")
    try:
        if card.is_file():
            shutil.copyfile(card, target.with_name("card.md"))
    except OSError as e:
        raise OutputError(f"Cannot write: {e.strerror or e}.", where=target.parent) from e


def _table(name: str, values: Mapping[str, Any], metrics: Mapping[str, Any], settings: Mapping[str, Any]) -> str:
    lines = [f"[{name}]", *(f"{k} = {_toml(v)}" for k, v in values.items())]
    for part, table in (("metrics", metrics), ("settings", settings)):
        if table:
            lines += ["", f"[{name}.{part}]", *(f"{_toml(str(k))} = {_toml(v)}" for k, v in table.items())]
    return "\n".join(lines) + "\n"


def _toml(value: Any) -> str:
    """A TOML value: JSON's text, number, bool and array forms are TOML's too; a table inside one stands in a line."""
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_toml(str(k))} = {_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)
