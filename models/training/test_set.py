"""Rendered clips with truth that no model was trained on: for ``make bench``, and by hand for a single look.

Seeds from TEST_SEED on are kept for testing: no training command draws from there. Looks are of the split
'test', whose venues, kits and paint are held back from training.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.training.playbook.play import Play, make_play
from pipeline.field import LEVELS
from pipeline.ledger import write_csv

TEST_SEED = 90_000_000
TRUTH_TABLES = ("snaps", "positions", "registration")
# Longer clips than a play needs cost rendering time and tell nothing more; cut film is as short.
BEFORE_S, AFTER_S = 3.5, 2.5
NO_SNAP_EVERY = 10  # each tenth clip has no snap
RATES, RATE_SHARES = (30.0, 30000 / 1001, 25.0, 24.0), (0.65, 0.2, 0.1, 0.05)
BEHIND_OFFENSE = 0.71  # share of end-zone clips with the offence in front, as measured on real film
MOST_KBIT = 600  # at 720p30: film sent over a slow line; keeps a set of some hundred clips small
ENDZONE_EVERY = 4  # each fourth clip is filmed from behind an end zone


@dataclass(frozen=True)
class Clip:
    """One clip of the set: everything follows from the seed and these."""

    seed: int
    name: str
    view: str
    level: str
    kind: str | None
    fps: float


def plan(count: int, first_seed: int = TEST_SEED) -> list[Clip]:
    """Clips in order; the same seed always gives the same clip."""
    clips = []
    for i in range(count):
        seed = first_seed + i
        rng = np.random.default_rng(seed)
        view = "endzone" if i % ENDZONE_EVERY == ENDZONE_EVERY - 1 else "sideline"
        level = str(rng.choice(LEVELS, p=[0.35, 0.3, 0.25, 0.1]))
        kind = "no_snap" if i % NO_SNAP_EVERY == NO_SNAP_EVERY - 1 else None
        fps = float(rng.choice(RATES, p=RATE_SHARES))
        clips.append(Clip(seed, f"test_{seed}", view, level, kind, fps))
    return clips


def trimmed(play: Play, before_s: float = BEFORE_S, after_s: float = AFTER_S) -> Play:
    """The play from before_s before its snap to after_s after; without a snap the middle of the same length."""
    if play.snap_index is not None:
        first = play.snap_index - round(before_s * play.hz)
        last = play.snap_index + round(after_s * play.hz)
    else:
        middle = len(play.time_s) // 2
        first = middle - round((before_s + after_s) / 2 * play.hz)
        last = middle + round((before_s + after_s) / 2 * play.hz)
    first, last = max(first, 0), min(last + 1, len(play.time_s))
    cut = slice(first, last)
    return replace(
        play, time_s=play.time_s[cut], xy_yd=play.xy_yd[cut], facing_rad=play.facing_rad[cut],
        stance=play.stance[cut], ball_xyz_yd=play.ball_xyz_yd[cut],
        snap_index=None if play.snap_index is None else play.snap_index - first,
    )  # fmt: skip


def whole_play(clip: Clip) -> Play:
    """The play of a clip, not trimmed."""
    overrides: dict[str, Any] = {} if clip.kind is None else {"kind": clip.kind}
    if clip.view == "endzone":
        overrides["direction"] = 1 if np.random.default_rng([clip.seed, 7]).random() < BEHIND_OFFENSE else -1
    return make_play(clip.seed, clip.level, **overrides)


def render(clip: Clip, out: Path, size: tuple[int, int] = (1280, 720)) -> Path:
    """Render one clip with its truth into ``out``; done before: nothing to do. Returns the film's path."""
    from models.training.film.clips import render_clip
    from models.training.film.draw import draw_look

    target = out / f"{clip.name}.mp4"
    if not target.exists():
        rng = np.random.default_rng([clip.seed, 7])
        if clip.view == "endzone":
            rng.random()  # the play's direction, see whole_play
        play = trimmed(whole_play(clip))
        look = draw_look(rng, clip.view, clip.level, "test")
        look = replace(look, lens=replace(look.lens, kbit=min(look.lens.kbit, MOST_KBIT)))
        render_clip(play, look, out, clip.name, clip.fps, size)
    return target


def render_all(clips: Sequence[Clip], out: Path, workers: int = 1, seconds: float = math.inf) -> list[Clip]:
    """Render many clips in as many processes as asked for; returns those that are there in the end.

    seconds: no clip is begun later than this. Raises what the renderer raises.
    """
    out.mkdir(parents=True, exist_ok=True)
    until = time.time() + seconds
    if workers <= 1:
        there = []
        for number, clip in enumerate(clips, start=1):
            if _render_before(clip, out, until):
                there.append(clip)
                print(f"[{number}/{len(clips)}] {clip.name} rendered", flush=True)
        return there
    # spawn: OpenCV's threads do not survive a fork.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        done = pool.map(_render_before, clips, [out] * len(clips), [until] * len(clips))
        return [clip for clip, there in zip(clips, done, strict=True) if there]


def _render_before(clip: Clip, out: Path, until: float) -> bool:
    """True where the clip is there: rendered before, or begun in time."""
    cv2.setNumThreads(1)
    if not (out / f"{clip.name}.mp4").exists() and time.time() > until:
        return False
    render(clip, out)
    return True


def merge_truth(films: Sequence[Path], truth: Path) -> None:
    """One truth folder out of the truth of many clips."""
    tables: dict[str, list[dict[str, Any]]] = {name: [] for name in TRUTH_TABLES}
    for path in films:
        for name, rows in json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8")).items():
            tables[name] += rows
    for name, rows in tables.items():
        write_csv(truth / f"{name}.csv", name, rows)


def main(argv: list[str] | None = None) -> None:
    """Render part of the set: shards run side by side, on any machine, and add up to one set."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=300)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--shard", type=int, default=0)
    parser.add_argument("--shards", type=int, default=1)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=math.inf, help="begin no clip later than this")
    parser.add_argument("--first-seed", type=int, default=TEST_SEED)
    options = parser.parse_args(argv)
    mine = plan(options.plays, options.first_seed)[options.shard :: options.shards]
    print(f"{len(render_all(mine, options.out, options.workers, options.seconds))} of {len(mine)} clips are there")


if __name__ == "__main__":
    main()
