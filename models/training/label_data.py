"""Simulated plays as the chain sees them, kept on disk: what ``fit_labels`` fits on.

``python -m models.training.label_data --plays 20000 --seed 2000000 --out DIR [--workers 2]``: each play of the playbook
is seen through simulated finders (``observe``), tracked and aligned by the program's own stages, and written with
its truth into shards of 100 plays. A shard that is there is not made again. The mix: a quarter with perfect positions,
half with errors as measured on rendered film, a quarter worse; every eighth from behind an end zone.
"""

from __future__ import annotations

import argparse
import gzip
import json
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.observe import PERFECT, USUAL, WORSE, Observed, observe
from models.training.playbook.play import Play, make_play
from pipeline import alignment, tracks
from pipeline.alignment import Roles
from pipeline.field import LEVELS
from pipeline.records import Alignment, Tracks

SHARD = 100
TRAIN_SEED = 2_000_000
ENDZONE_SHARE = 0.12
KINDS = {"pass": 0.76, "run": 0.16, "special": 0.08}


@dataclass(frozen=True)
class Case:
    """One play: its truth by label, per track what is true of who it follows, and what the chain made of it.

    owner (N,) person id, -1 for nobody; flags (P, 4) rusher, blocker, deep, deep_after; side (P,) of SIDES;
    corners: person ids of the corners on the offence's left and right, -1 where there is none.
    """

    seed: int
    errors: str
    view: str
    truth: dict[str, Any]
    owner: NDArray[np.int64]
    flags: NDArray[np.bool_]
    side: tuple[str, ...]
    direction: int
    tracks: Tracks
    alignment: Alignment
    corners: tuple[int, int] = (-1, -1)


def owners(observed: Observed, t: Tracks) -> NDArray[np.int64]:
    """(N,) person id a track mostly follows, -1 for a false find."""
    out = np.full(len(t.role), -1)
    for k in range(len(t.role)):
        ids = [int(observed.who[i][t.found[i, k]]) for i in range(len(t.time_s)) if t.found[i, k] >= 0]
        if ids:
            out[k] = max(set(ids), key=ids.count)
    return out


def draw(seed: int) -> tuple[Play, Observed, str, str]:
    """The play of a seed, how it is seen, the name of the errors and the view."""
    rng = np.random.default_rng([seed, 5])
    level = str(rng.choice(LEVELS, p=[0.35, 0.3, 0.25, 0.1]))
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    view = "endzone" if rng.random() < ENDZONE_SHARE else "sideline"
    name = str(rng.choice(["perfect", "usual", "worse"], p=[0.25, 0.5, 0.25])) if view == "sideline" else "usual"
    play = make_play(seed, level, kind=kind)
    errors = {"perfect": PERFECT, "usual": USUAL, "worse": WORSE}[name]
    return play, observe(play, seed, errors, view=view), name, view


def case(play: Play, observed: Observed, errors: str, view: str) -> Case:
    """Track and align what was observed."""
    t = tracks.build(observed.samples)
    a = alignment.align(t, [s.registration for s in observed.samples])
    flags = np.array([[p.rusher, p.blocker, p.deep, p.deep_after] for p in play.people], bool)
    side = tuple(p.side for p in play.people)
    return Case(
        play.seed, errors, view, dict(play.labels), owners(observed, t), flags, side, play.direction, t, a,
        named_corners(play),
    )  # fmt: skip


def named_corners(play: Play) -> tuple[int, int]:
    """Person ids of the corners on the offence's left and right, -1 where there is none."""
    first = sum(p.side == "offense" and p.role == "player" for p in play.people)
    named = play.extra.get("corners") or {}
    left, right = (first + named[sign] if sign in named else -1 for sign in (-1, 1))
    return left, right


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return round(float(value), 3) if np.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def to_json(c: Case) -> dict[str, Any]:
    """A case as plain values; xy is left out (depth and across hold it)."""
    t, a = c.tracks, c.alignment
    roles = a.evidence.get("roles")
    return {
        "seed": c.seed, "errors": c.errors, "view": c.view, "truth": _plain(c.truth), "owner": _plain(c.owner),
        "flags": _plain(c.flags), "side": list(c.side), "direction": c.direction,
        "corners": list(c.corners), "tracks": {k: _plain(getattr(t, k)) for k in (
            "time_s", "frame", "seen", "role", "side", "side_confidence", "found", "error_yd")},
        "alignment": {
            "line": _plain(a.line_of_scrimmage_yd), "ball": _plain(a.ball_y_yd), "direction": a.direction,
            "confidence": float(a.confidence), "position": list(a.position), "depth": _plain(a.depth_yd),
            "across": _plain(a.across_yd), "visible": _plain(a.visible_depth_yd),
            "roles": None if roles is None else _plain(vars(roles)),
            **{k: _plain(a.evidence.get(k)) for k in ("a_side", "yards_to_goal", "reason")},
        },
    }  # fmt: skip


def _floats(value: Any) -> NDArray[np.float64]:
    return np.array(value, dtype=float)  # None becomes NaN


def from_json(raw: dict[str, Any]) -> Case:
    """Inverse of :func:`to_json`."""
    t, a = raw["tracks"], raw["alignment"]
    shape = (len(t["time_s"]), len(t["role"]))
    depth, across = _floats(a["depth"]).reshape(shape), _floats(a["across"]).reshape(shape)
    nan = float("nan")
    line, ball = (nan if a[k] is None else a[k] for k in ("line", "ball"))
    xy = np.stack([line + a["direction"] * depth, ball - a["direction"] * across], -1)
    made = Tracks(
        _floats(t["time_s"]), np.array(t["frame"], np.int64), xy, np.array(t["seen"], bool).reshape(shape),
        np.array(t["role"], np.int64), np.array(t["side"], np.int64), _floats(t["side_confidence"]),
        np.array(t["found"], np.int64).reshape(shape), _floats(t["error_yd"]),
    )  # fmt: skip
    roles = None
    if a["roles"] is not None:
        r: dict[str, Any] = dict(a["roles"])
        roles = Roles(tuple(r.pop("linemen")), **r)
    evidence = {"a_side": a["a_side"] or 11, "yards_to_goal": nan if a["yards_to_goal"] is None else a["yards_to_goal"]}
    evidence |= {k: v for k, v in (("roles", roles), ("reason", a["reason"])) if v is not None}
    visible = nan if a["visible"] is None else a["visible"]
    aligned = Alignment(
        line, ball, a["direction"], a["confidence"], tuple(a["position"]), depth, across, visible, evidence
    )
    return Case(
        raw["seed"], raw["errors"], raw["view"], raw["truth"], np.array(raw["owner"], np.int64),
        np.array(raw["flags"], bool), tuple(raw["side"]), raw["direction"], made, aligned,
        tuple(raw.get("corners") or (-1, -1)),
    )  # fmt: skip


def make_shard(first: int, out: Path) -> Path:
    """Plays first .. first + SHARD - 1 into one file, one play a line."""
    path = out / f"{first}.jsonl.gz"
    if path.is_file():
        return path
    part = path.with_suffix(".part")
    with gzip.open(part, "wt", compresslevel=4, encoding="utf-8") as f:
        for seed in range(first, first + SHARD):
            f.write(json.dumps(to_json(case(*draw(seed))), separators=(",", ":")) + "\n")
    return part.replace(path)


def make(plays: int, seed: int, out: Path, workers: int = 1) -> list[Path]:
    """Shards of ``plays`` plays (rounded up to whole shards)."""
    out.mkdir(parents=True, exist_ok=True)
    firsts = range(seed, seed + plays, SHARD)
    if workers <= 1:
        return [make_shard(first, out) for first in firsts]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(partial(make_shard, out=out), firsts))


def read(out: Path, limit: int | None = None) -> Iterator[Case]:
    """Cases of a folder in order of their seeds."""
    made = 0
    for path in sorted(out.glob("*.jsonl.gz")):
        with gzip.open(path, "rt", encoding="utf-8") as f:
            for line in f:
                if limit is not None and made >= limit:
                    return
                made += 1
                yield from_json(json.loads(line))


def main(argv: list[str] | None = None) -> None:
    """Make shards."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=TRAIN_SEED)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args(argv)
    print(f"{len(make(options.plays, options.seed, options.out, options.workers))} shards in {options.out}")


if __name__ == "__main__":
    main()
