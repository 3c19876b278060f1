"""Truth of many stills on disk: JPEGs, one JSON and one npz a shard; written whole or not at all."""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from models.training.film.look import Decal, Paint, Stripe
from models.training.film.still import StillTruth
from pipeline import field as fields
from pipeline.camera import Camera

ARRAYS = (
    "person_id", "role", "side", "box_px", "full_box_px", "visible", "ground_px", "head_px", "xy_yd", "feet_yd",
    "in_picture", "cut",
)  # fmt: skip


def write_shard(path: Path, names: list[str], truths: list[StillTruth]) -> None:
    """path without suffix: path.json lists the stills, path.npz holds the people of all of them in a row."""
    rows, first = [], 0
    for name, t in zip(names, truths, strict=True):
        rows.append(
            {
                "name": name,
                "level": t.level,
                "view": t.view,
                "kind": t.kind,
                "crown_yd": t.crown_yd,
                "time_s": t.time_s,
                "camera": dataclasses.asdict(t.camera),
                "paint": dataclasses.asdict(t.paint),
                "position": list(t.position),
                "tags": t.tags,
                "first": first,
                "count": len(t),
            }
        )
        first += len(t)
    if not truths:
        return
    arrays: dict[str, Any] = {n: np.concatenate([getattr(t, n) for t in truths]) for n in ARRAYS}
    part = path.with_suffix(".part.npz")
    np.savez_compressed(part, **arrays)
    os.replace(part, path.with_suffix(".npz"))
    text = path.with_suffix(".part.json")
    text.write_text(json.dumps(rows), encoding="utf-8")
    os.replace(text, path.with_suffix(".json"))


def _tuples(v: Any) -> Any:
    return tuple(_tuples(x) for x in v) if isinstance(v, list) else v


def _paint(raw: dict[str, Any]) -> Paint:
    d = {k: _tuples(v) for k, v in raw.items()}
    d["decals"] = tuple(Decal(**{k: _tuples(v) for k, v in x.items()}) for x in raw["decals"])
    d["other_sports"] = tuple(Stripe(**{k: _tuples(v) for k, v in x.items()}) for x in raw["other_sports"])
    return Paint(**d)


def read_shard(path: Path) -> Iterator[tuple[Path, StillTruth]]:
    """(picture's path, truth) of every still of path.json."""
    rows = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    with np.load(path.with_suffix(".npz")) as z:
        arrays = {n: z[n] for n in ARRAYS}
    for r in rows:
        part = slice(r["first"], r["first"] + r["count"])
        cam = Camera(**{k: _tuples(v) for k, v in r["camera"].items()})
        yield (
            path.parent / r["name"],
            StillTruth(
                camera=cam,
                field=fields.load(r["level"]),
                paint=_paint(r["paint"]),
                view=r["view"],
                kind=r["kind"],
                crown_yd=r["crown_yd"],
                time_s=r["time_s"],
                position=tuple(r["position"]),
                tags=r.get("tags", {}),
                **{n: a[part] for n, a in arrays.items()},
            ),
        )


def read_all(folder: Path) -> Iterator[tuple[Path, StillTruth]]:
    """Every still below a folder, shard by shard."""
    for path in sorted(folder.rglob("shard_*.json")):
        yield from read_shard(path)
