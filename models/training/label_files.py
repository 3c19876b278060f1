"""Puts fitted values of the labels where the program reads them: configs/labels.toml, models/labels, the manifest."""

from __future__ import annotations

import hashlib
import json
import tomllib
from typing import Any

from pipeline.field import configs_dir
from pipeline.models import models_dir


def write(values: dict[str, Any], source: str) -> None:
    """Put fitted values into configs/labels.toml; everything else stays."""
    path = configs_dir() / "labels.toml"
    text = path.read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    for name, value in values.items():
        section, key = name.split(".")
        entry = raw.setdefault(section, {}).setdefault(key, {"value": 0.0, "unit": _unit(section, key), "source": ""})
        entry.update(value=value, source=source)
    head = "\n".join(line for line in text.split("\n", 4)[:4] if line.startswith("#"))
    blocks = [head]
    for section, keys in raw.items():
        for key, e in keys.items():
            v = e["value"]
            said = "[" + ", ".join(f"{x:g}" for x in v) + "]" if isinstance(v, list) else f"{v:g}"
            said = said if any(ch in said for ch in ".e[") else said + ".0"
            blocks.append(f'[{section}.{key}]\nvalue = {said}\nunit = "{e["unit"]}"\nsource = "{e["source"]}"')
    path.write_text("\n\n".join(blocks) + "\n", encoding="utf-8")


def _unit(section: str, key: str) -> str:
    if key.endswith("_range"):
        return "yd or yd a second; values past the ends count as the end"
    if key.startswith("without_"):
        return "log odds where it cannot be measured"
    if key.startswith("per_"):
        return "log odds a unit"
    if section.startswith("coverage_weight"):
        return "weight of the fact"
    return "log odds" if key == "start" else "share of plays"


def prune(values: dict[str, Any]) -> None:
    """Drop weights of sections fitted here that no feature uses any more."""
    path = configs_dir() / "labels.toml"
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    sections = {n.split(".")[0] for n in values if n.endswith(".start")}
    stale = [
        f"{s}.{k}" for s in sections for k in raw.get(s, {})
        if (k.startswith(("per_", "without_")) or k.endswith("_range")) and f"{s}.{k}" not in values
    ]  # fmt: skip
    text = path.read_text(encoding="utf-8")
    for name in stale:
        at = text.index(f"[{name}]")
        end = text.find("\n[", at)
        text = text[:at] + (text[end + 1 :] if end >= 0 else "")
    path.write_text(text, encoding="utf-8")


def write_forests(forests: dict[str, Any], trained_on: str, metrics: dict[str, float]) -> None:
    """models/labels/labels.json and its entry in the manifest; other entries stay as they are."""
    folder = models_dir() / "labels"
    folder.mkdir(exist_ok=True)
    data = json.dumps({"forests": forests}, separators=(",", ":")).encode()
    (folder / "labels.json").write_bytes(data)
    path = models_dir() / "manifest.toml"
    text = path.read_text(encoding="utf-8") if path.is_file() else ""
    kept: list[str] = []
    mine = False
    for line in text.splitlines():
        if line.startswith("["):
            mine = line.strip() == "[labels]" or line.startswith("[labels.")
        if not mine:
            kept.append(line)
    entry = [
        "[labels]", 'file = "labels/labels.json"', f'sha256 = "{hashlib.sha256(data).hexdigest()}"',
        'licence = "AGPL-3.0-or-later"', f'trained_on = ["{trained_on}"]', "[labels.metrics]",
        *(f"{k} = {v:.4f}" for k, v in metrics.items()),
    ]  # fmt: skip
    path.write_text("\n".join(kept).rstrip() + "\n\n" + "\n".join(entry) + "\n", encoding="utf-8")
