"""Renders training stills: ``python -m models.training.film.stills --count N --seed S --split train --out DIR``.

Each still has a moment and a look of its own; three in a row share a play. Shards of --shard stills are tasks
of their own; a shard that is
already there is not rendered again, so a broken run goes on where it stopped.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEVEL_SHARES = {"professional": 0.4, "college": 0.21, "high_school": 0.21, "canadian": 0.18}
VIEW_SHARES = {"sideline": 0.54, "endzone": 0.27, "low": 0.19}
PACKED_SHARE = 0.35  # of the training stills: men near the ball closer together, as a real line and its piles are
PLAY_STILLS = 3
SIZES = {(1280, 720): 0.84, (1920, 1080): 0.06, (852, 480): 0.10}


@dataclass(frozen=True)
class Job:
    """One shard: stills [first, first + count) of a seed."""

    out: str
    seed: int
    split: str
    first: int
    count: int
    size: tuple[int, int] | None = None
    view: str | None = None
    level: str | None = None


def _pick(rng: np.random.Generator, shares: dict[Any, float]) -> Any:
    keys = list(shares)
    return keys[int(rng.choice(len(keys), p=list(shares.values())))]


def moment(rng: np.random.Generator) -> float:
    """Seconds from the snap: mostly just before it, up to 2.5 s after."""
    r = rng.random()
    if r < 0.5:
        return float(rng.uniform(-1.2, 0.0))
    return float(rng.uniform(-4.0, -1.2)) if r < 0.64 else float(rng.uniform(0.0, 2.5))


def packed(play: Any, index: int, rng: np.random.Generator) -> Any:
    """The play with the men around the ball closer together and, before the snap, more of them with a hand down.

    Splits of linemen shrink to 70 to 95 %; after the snap whoever is within 4 yd of the ball moves towards it by
    up to half of the way. Positions by eye; truth follows, for it is worked out from the play.
    """
    from models.training.playbook.play import STANCES

    before = play.snap_index is None or index <= play.snap_index
    ball = np.array([play.line_of_scrimmage_yd, play.ball_y_yd]) if before else play.ball_xyz_yd[index, :2]
    players = np.array([p.role == "player" for p in play.people])
    off = play.xy_yd - ball
    near = players & (np.linalg.norm(off[index], axis=1) < (5.5 if before else 4.0))
    shrink = np.array([1.0, rng.uniform(0.7, 0.95)]) if before else rng.uniform(0.5, 0.95, 2)
    xy = np.where(near[None, :, None], ball + off * shrink, play.xy_yd)
    stance = play.stance.copy()
    if before:
        up = np.isin(stance[index], [STANCES.index(n) for n in ("two_point", "crouched")])
        close = players & (np.abs(off[index, :, 0]) < 1.6) & (np.abs(off[index, :, 1]) < 6)
        down = up & close & (rng.random(len(players)) < 0.7)
        stance[:, down] = STANCES.index("three_point" if rng.random() < 0.8 else "four_point")
    return replace(play, xy_yd=xy, stance=stance)


@lru_cache(maxsize=2)
def _play(seed: int, level: str, direction: int) -> Any:
    from models.training.playbook.play import make_play

    return make_play(seed, level, direction=direction)


def one_still(
    seed: int, k: int, split: str, size: Any = None, view: str | None = None, level: str | None = None
) -> tuple[NDArray[np.uint8], Any, int]:
    """(picture, truth, quality of the file) of still k of a seed; PLAY_STILLS in a row share a play, not a look."""
    from models.training.film.draw import draw_look
    from models.training.film.extras import enriched
    from models.training.film.look import SPLITS
    from models.training.film.still import render_still

    rng = np.random.default_rng([seed, k // PLAY_STILLS, SPLITS.index(split)])
    level, view = level or _pick(rng, LEVEL_SHARES), view or _pick(rng, VIEW_SHARES)
    # From behind the end zone the offence is nearer in 71 % of the measured stills; sideways it goes left in 58 %.
    direction = (1 if rng.random() < 0.71 else -1) if view == "endzone" else (1 if rng.random() < 0.45 else -1)
    play = _play(int(rng.integers(2**31)), level, direction)
    rng = np.random.default_rng([seed, k, SPLITS.index(split), 1])
    size = size or _pick(rng, SIZES)
    look = draw_look(rng, view, level, split)
    index = int(np.argmin(np.abs(play.time_s - moment(rng))))
    if split == "train" and rng.random() < PACKED_SHARE:
        play = packed(play, index, rng)
    if split == "train":
        look, play = enriched(look, play, index, np.random.default_rng([seed, k, 2]))
    picture, truth = render_still(play, index, look, size)
    return picture, truth, look.lens.quality


def render_shard(job: Job) -> tuple[int, list[str]]:
    """Renders one shard; (stills written, errors). A still that fails is named, never silently dropped."""
    import cv2

    from models.training.film.shards import write_shard

    cv2.setNumThreads(0)
    out = Path(job.out)
    path = out / f"shard_{job.seed}_{job.first:06d}"
    if path.with_suffix(".json").exists():
        return job.count, []
    names, truths, errors = [], [], []
    for k in range(job.first, job.first + job.count):
        try:
            picture, truth, quality = one_still(job.seed, k, job.split, job.size, job.view, job.level)
        except Exception:  # one broken play must not lose a shard; reported by the caller
            errors.append(f"still {k}: {traceback.format_exc(limit=-3)}")
            continue
        name = f"{job.seed}_{k:06d}.jpg"
        cv2.imwrite(str(out / name), picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
        names.append(name)
        truths.append(truth)
    write_shard(path, names, truths)
    return len(names), errors


def run(jobs: list[Job], workers: int) -> int:
    """Renders all; returns how many stills failed."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    start, done, failed = time.time(), 0, 0
    if workers <= 1:
        results: Any = (render_shard(j) for j in jobs)
        pool = None
    else:
        pool = ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))
        results = (f.result() for f in as_completed([pool.submit(render_shard, j) for j in jobs]))
    for n, errors in results:
        done += n
        failed += len(errors)
        for e in errors[:3]:
            print(e, file=sys.stderr)
        print(f"{done} stills, {failed} failed, {done / (time.time() - start):.2f} a second", flush=True)
    if pool:
        pool.shutdown()
    return failed


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--count", type=int, required=True)
    p.add_argument("--seed", type=int, required=True)
    p.add_argument("--split", choices=("train", "test"), default="train")
    p.add_argument("--out", required=True)
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--shard", type=int, default=50)
    p.add_argument("--view", choices=tuple(VIEW_SHARES))
    p.add_argument("--level", choices=tuple(LEVEL_SHARES))
    p.add_argument("--size", help="WIDTHxHEIGHT, else mixed")
    a = p.parse_args()
    Path(a.out).mkdir(parents=True, exist_ok=True)
    size = tuple(int(v) for v in a.size.split("x")) if a.size else None
    jobs = [
        Job(a.out, a.seed, a.split, k, min(a.shard, a.count - k), size, a.view, a.level)  # type: ignore[arg-type]
        for k in range(0, a.count, a.shard)
    ]
    raise SystemExit(1 if run(jobs, a.workers) else 0)


if __name__ == "__main__":
    main()
