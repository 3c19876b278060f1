"""What ``locate`` makes of rendered stills of looks that no training saw: one record a still.

Stills are of the split 'test', from seeds no training draws from, in four sizes. The way is that of
``snapledger locate``: people in all passes, the field with neither level nor view given, doubles taken out.
"""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from models.training.evaluate_registration import errors as registration_errors
from models.training.people_data import MIN_VISIBLE
from pipeline import config as configs
from pipeline import field as fields
from pipeline import locate, tools
from pipeline.compare import GROUND_OF_HEIGHT, IOU, iou
from pipeline.ledger import write_json
from pipeline.records import ROLES, People, Registration

SEED = 912_000_000  # and on: no training draws from there
SIZES = (((1280, 720), 0.45), ((852, 480), 0.22), ((1920, 1080), 0.2), ((3840, 2160), 0.13))
SHARD = 15
WIDTH_PX = 1280  # errors in px are given at this width
SAME_IOU = 0.4  # a find that overlaps somebody who need not be found so much is held against nobody


@dataclass(frozen=True)
class Seen:
    """One still. wanted, hit: people to be found and found; finds: finds that count. ground_px (at WIDTH_PX),
    ground_yd: errors of those found, yards only where the field was registered. inside_yd: median error of the
    registration between the hash rows (NaN where there is none); claimed_yd: its own estimate. level_told: 'unsure'
    where the program does not say."""

    name: str
    tags: dict[str, str]
    wanted: int
    hit: int
    finds: int
    doubles: int
    ground_px: tuple[float, ...]
    ground_yd: tuple[float, ...]
    status: str
    inside_yd: float
    claimed_yd: float
    level: str
    level_told: str
    view_right: bool
    absolute_known: bool
    absolute_wrong: bool

    @property
    def usable(self) -> bool:
        return self.status == "ok" and self.inside_yd < 1.0


def render(out: Path, count: int, workers: int) -> None:
    """Render the stills, each shard in one size; shards that are there stay."""
    from models.training.film import stills

    out.mkdir(parents=True, exist_ok=True)
    jobs = [
        stills.Job(str(out), SEED, "test", first, min(SHARD, count - first), size_of(first))
        for first in range(0, count, SHARD)
    ]
    failed = stills.run(jobs, workers)
    if failed:
        print(f"{failed} stills could not be rendered", flush=True)


def size_of(first: int) -> tuple[int, int]:
    """Size of the shard that begins with still ``first``: shares of SIZES, spread evenly over the shards."""
    at = (first // SHARD * 0.6180339887) % 1.0  # golden ratio: any number of shards has about these shares
    for size, share in SIZES:
        if at < share:
            return size
        at -= share
    return SIZES[0][0]


def matches(people: People, kept: NDArray[np.int64], truth: Any) -> tuple[dict[int, int], NDArray[np.int64], int, int]:
    """(find -> person, persons wanted, finds that count, doubles) of one still.

    Overlap of at least IOU with the visible or the whole box, or ground points within GROUND_OF_HEIGHT of a
    person's height, one to one. Finds of people of whom next to nothing shows, and of players and officials beyond the
    lines, are held against nobody; a find of a bystander counts as wrong.
    """
    box = people.box_px[kept].astype(float)
    own, whole = (np.nan_to_num(np.asarray(b, float)) for b in (truth.box_px, truth.full_box_px))
    overlap = np.maximum(iou(box, own), iou(box, whole)) if len(box) else np.zeros((0, len(own)))
    tall = np.maximum(whole[:, 3] - whole[:, 1], 4.0)
    apart = np.linalg.norm(people.ground_px[kept][:, None].astype(float) - truth.ground_px[None], axis=-1) / tall
    ours = truth.role < ROLES.index("bystander")
    asked = ours & (truth.visible >= MIN_VISIBLE) & within_lines(truth.feet_yd, truth.level)
    wanted = np.flatnonzero(asked)
    allowed = (overlap >= IOU) | (apart <= GROUND_OF_HEIGHT)
    score = np.where(allowed, 1 + overlap + np.exp(-4 * np.minimum(np.nan_to_num(apart, nan=50), 50)), 0.0)[:, wanted]
    rows, columns = linear_sum_assignment(-score)
    hits = {int(i): int(wanted[j]) for i, j in zip(rows, columns, strict=True) if score[i, j] > 0}
    spare = np.flatnonzero(ours & ~asked)
    free = sum(1 for i in range(len(box)) if i not in hits and len(spare) and overlap[i, spare].max() >= SAME_IOU)
    twice = sum(1 for i in range(len(box)) if i not in hits and len(wanted) and overlap[i, wanted].max() >= SAME_IOU)
    return hits, wanted, len(box) - free, twice


def record(image: NDArray[np.uint8], truth: Any, name: str, stages: tools.Tools) -> Seen:
    """One still through the program, against its truth."""
    people = stages.finder.find(image)
    found = stages.registrar.register(image, people=people, hint=None)
    told = locate.tell(people, found)
    kept = np.flatnonzero(told.keep & (people.role != ROLES.index("bystander")))
    hits, wanted, finds, twice = matches(people, kept, truth)
    at = np.array([people.ground_px[kept[i]] for i in hits], float).reshape(-1, 2)
    true = truth.ground_px[list(hits.values())].reshape(-1, 2)
    px = np.linalg.norm(at - true, axis=1) * WIDTH_PX / truth.camera.width_px
    inside, shift = math.nan, 0.0
    yd = np.zeros(0)
    if found.status == "ok" and found.camera is not None:
        between, _, shift = registration_errors(truth.camera, found.camera, truth.level)
        inside = float(np.median(between)) if len(between) else math.nan
        feet = truth.feet_yd[list(hits.values())].reshape(-1, 2)
        yd = on_field(found, at, feet, shift, truth.level)
    return Seen(
        name, dict(truth.tags), len(wanted), len(hits), finds, twice, _short(px), _short(yd), found.status, inside,
        float(found.error_yd), truth.level, found.level_told, found.view == truth.view, bool(found.absolute_x_known),
        bool(found.absolute_x_known and shift != 0),
    )  # fmt: skip


def within_lines(feet: NDArray[Any], level: str) -> NDArray[np.bool_]:
    """(N,) True for ground points inside the sidelines and end lines."""
    f = fields.load(level)
    return np.asarray((feet[:, 0] > 0) & (feet[:, 0] < f.length) & (feet[:, 1] > 0) & (feet[:, 1] < f.width))


def on_field(found: Registration, px: NDArray[Any], feet: NDArray[Any], shift: float, level: str) -> NDArray[Any]:
    """(N,) yards between found and true ground points of people inside the lines, the shift along the field out."""
    if found.camera is None or not len(px):
        return np.zeros(0)
    inside = within_lines(feet, level)
    off = np.asarray(found.camera.px_to_ground(px), float) - feet - np.array([shift, 0.0])
    return np.asarray(np.linalg.norm(np.nan_to_num(off, nan=100.0), axis=1)[inside])


def _short(values: NDArray[Any]) -> tuple[float, ...]:
    return tuple(round(float(v), 3) for v in values)


def _shard(path: Path, passes: str, models_folder: str, out: Path) -> list[Seen]:
    """Records of one shard, kept in ``out`` as soon as they are made."""
    from models.training.film.shards import read_shard

    stages = _stages(passes, models_folder)
    found = []
    for picture, truth in read_shard(path):
        image = cv2.imread(str(picture))
        if image is not None:
            found.append(record(np.asarray(image, np.uint8), truth, picture.name, stages))
    keep(out / f"{path.stem}.json", found)
    return found


_loaded: dict[tuple[str, str], tools.Tools] = {}


def _stages(passes: str, models_folder: str) -> tools.Tools:
    if (passes, models_folder) not in _loaded:
        cv2.setNumThreads(1)
        config = configs.load().with_("execution", threads=1).with_("models", folder=models_folder)
        _loaded[passes, models_folder] = tools.load(config.with_("people", passes_still=passes), still=True)
    return _loaded[passes, models_folder]


def look_at(folder: Path, workers: int, out: Path, passes: str = "", models_folder: Path | None = None) -> list[Seen]:
    """Records of every still below a folder, in order of the shards; each shard's are kept in ``out``.

    passes: '' takes the program's own; models_folder: None takes the models that ship.
    """
    passes = passes or configs.load().people.passes_still
    shards = sorted(folder.glob("shard_*.json"))
    n, other = len(shards), str(models_folder or "")
    out.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        return [seen for some in pool.map(_shard, shards, [passes] * n, [other] * n, [out] * n) for seen in some]


def keep(path: Path, records: Sequence[Seen]) -> None:
    """Records as JSON."""
    write_json(path, [asdict(r) for r in records])


def read_all(folder: Path) -> list[Seen]:
    """Records of every shard in a folder."""
    return [r for path in sorted(folder.glob("*.json")) for r in read(path)]


def read(path: Path) -> list[Seen]:
    """Inverse of :func:`keep`."""
    raw = json.loads(path.read_text(encoding="utf-8"))
    numbers = ("inside_yd", "claimed_yd")
    return [
        Seen(**{**r, **{k: math.nan if r[k] is None else r[k] for k in numbers},
                "ground_px": tuple(r["ground_px"]), "ground_yd": tuple(r["ground_yd"])})
        for r in raw
    ]  # fmt: skip


def main(argv: list[str] | None = None) -> None:
    """Render the stills and keep their records, on any machine; ``bench_eyes --records`` does the rest."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stills", type=int, default=600)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--models", type=Path, help="another models folder than the one that ships")
    options = parser.parse_args(argv)
    render(options.out / "stills", options.stills, options.workers)
    records = look_at(options.out / "stills", options.workers, options.out / "records", "", options.models)
    print(f"{len(records)} stills looked at", flush=True)


if __name__ == "__main__":
    main()
