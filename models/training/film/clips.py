"""Renders clips with their truth in the form of a run folder.

``python -m models.training.film.clips --count N --seed S --split test --out DIR --workers W`` writes
<name>.mp4 and <name>.npz (boxes of every frame) and, over all clips, snaps.csv, positions.csv,
registration.csv. A clip that is already there is not rendered again.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.training.film.look import Look
from models.training.film.stills import LEVEL_SHARES, VIEW_SHARES
from models.training.playbook.play import Play
from pipeline.camera import Camera
from pipeline.records import ROLES, SIDES, Registration
from pipeline.rows import direction_text, registration_row
from pipeline.schema import SCHEMA_VERSION

Row = dict[str, Any]
AFTER_S = 1.0
REGISTRATION_EVERY = 5
FRAME_ARRAYS = (
    "person_id",
    "role",
    "side",
    "box_px",
    "full_box_px",
    "visible",
    "ground_px",
    "head_px",
    "xy_yd",
    "in_picture",
    "cut",
)
TABLES = ("snaps", "positions", "registration")


def resampled(play: Play, fps: float, before_s: float = 99.0, after_s: float = 99.0) -> Play:
    """The play on a grid of 1/fps through the snap, cut to before_s and after_s around it."""
    t0 = max(float(play.time_s[0]), -before_s)
    t1 = min(float(play.time_s[-1]), after_s)
    k = np.arange(np.ceil(t0 * fps - 1e-6), np.floor(t1 * fps + 1e-6) + 1)
    t = k / fps
    at = np.interp(t, play.time_s, np.arange(len(play.time_s)))
    i = np.clip(np.floor(at).astype(int), 0, len(play.time_s) - 2)
    u = at - i

    def mix(v: NDArray[Any]) -> NDArray[Any]:
        w = u.reshape(-1, *[1] * (v.ndim - 1))
        return v[i] * (1 - w) + v[i + 1] * w

    return replace(
        play,
        time_s=t,
        hz=float(fps),
        snap_index=None if play.snap_index is None else int(np.argmin(np.abs(t))),
        xy_yd=mix(play.xy_yd),
        facing_rad=mix(np.unwrap(play.facing_rad, axis=0)),
        stance=play.stance[np.round(at).astype(int)],
        ball_xyz_yd=mix(play.ball_xyz_yd),
    )


def visible_depth(play: Play, look: Look, cam: Camera) -> float:
    """Yards past the line of scrimmage in the picture, halfway between the hash rows."""
    d = np.arange(0.0, 60.0, 0.25)
    p = cam.ground_to_px(
        np.stack([play.line_of_scrimmage_yd + play.direction * d, np.full(len(d), look.field.width / 2)], 1)
    )
    with np.errstate(invalid="ignore"):
        out = ~((p >= 0) & (p <= (cam.width_px - 1, cam.height_px - 1))).all(1)
    return float(d[np.argmax(out)]) if out.any() else 60.0


def snap_truth(play: Play, look: Look, clip: str, fps: float, cam: Camera) -> Row:
    """The row of snaps.csv."""
    row: Row = {"snap_id": f"{clip}-p1", "clip": clip, "view": look.view, "schema_version": SCHEMA_VERSION}
    row.update({k: v for k, v in play.labels.items() if not isinstance(v, (list, tuple, dict))})
    row.update(field_level=look.level, registration_error_yd=0.0)
    if play.snap_index is None:
        return row | {"play_kind": "no_snap"}
    row.update(
        snap_frame=play.snap_index,
        snap_time_s=play.snap_index / fps,
        offense_direction=direction_text(look.view, play.direction),
        visible_depth_yd=visible_depth(play, look, cam),
    )
    from pipeline.schema import table

    known = set(table("snaps").names)
    return {k: v for k, v in row.items() if k in known}


def position_truth(play: Play, clip: str, moment: str, i: int, truth: Any) -> list[Row]:
    """Rows of positions.csv at moment i: players and officials whose ground point is in the picture."""
    by_id = {p.id: p for p in play.people}
    rows: list[Row] = []
    for n in range(len(truth)):
        role = ROLES[int(truth.role[n])]
        if role == "bystander" or not truth.in_picture[n]:
            continue
        p = by_id[int(truth.person_id[n])]
        x, y = truth.feet_yd[n]
        depth, across = play.to_play_frame(np.array([x, y]))
        row: Row = {
            "snap_id": f"{clip}-p1", "clip": clip, "moment": moment, "frame": i, "time_s": float(play.time_s[i]),
            "person_id": p.id, "role": role, "side": SIDES[int(truth.side[n])], "position": p.position,
            "x_yd": float(x), "y_yd": float(y), "depth_yd": float(depth), "across_yd": float(across), "error_yd": 0.0,
            "ground_x_px": float(truth.ground_px[n, 0]), "ground_y_px": float(truth.ground_px[n, 1]), "confidence": 1.0,
            "deep": p.deep if moment == "snap" else p.deep_after, "rusher": p.rusher, "blocker": p.blocker,
        }  # fmt: skip
        if np.isfinite(truth.box_px[n]).all():
            row.update(
                zip(
                    ("box_left_px", "box_top_px", "box_right_px", "box_bottom_px"),
                    map(float, truth.box_px[n]),
                    strict=True,
                )
            )
        rows.append(row)
    return rows


def shown_moments(count: int, look: Look, keep: tuple[int | None, ...]) -> NDArray[np.int64]:
    """(count,) the moment each frame shows: some frames repeat the one before, those in keep never do."""
    rng = np.random.default_rng([look.venue.seed, 9])
    again = rng.random(count) < look.lens.repeats
    again[0] = False
    again[1:] &= ~again[:-1]
    again[[k for k in keep if k is not None]] = False
    return np.arange(count) - again


def render_clip(
    play: Play, look: Look, out_dir: Path | str, name: str, fps: float = 30.0, size: tuple[int, int] = (1280, 720),
    before_s: float = 99.0, after_s: float = 99.0,
) -> dict[str, list[Row]]:  # fmt: skip
    """Writes <name>.mp4, <name>.npz and <name>.truth.json into out_dir; returns the truth rows by table.

    Raises RenderError without OpenGL.
    """
    import av

    from models.training.film.cameras import cameras
    from models.training.film.still import Stage, camera_motion, shoot

    out = Path(out_dir)
    out.mkdir(parents=True, exist_ok=True)
    play = resampled(play, fps, before_s, after_s)
    stage = Stage(play, look)
    count = len(play.time_s)
    cams = cameras(look, play, np.arange(count), size)
    some = list(range(0, count, 5)) + [count - 1]
    who = stage.seen([cams[i] for i in some], some)
    clip = f"{name}.mp4"
    snap = play.snap_index
    after = None if snap is None else min(snap + round(AFTER_S * fps), count - 1)
    tables: dict[str, list[Row]] = {n: [] for n in TABLES}
    tables["snaps"].append(snap_truth(play, look, clip, fps, cams[snap or 0]))
    frames: list[Any] = []
    part = out / f"{name}.part.mp4"
    with av.open(str(part), "w") as container:
        stream: Any = container.add_stream("libx264", rate=Fraction(fps).limit_denominator(1001))
        stream.width, stream.height, stream.pix_fmt = size[0], size[1], "yuv420p"
        stream.bit_rate = int(look.lens.kbit * 1000 * size[0] * size[1] / (1280 * 720) * max(fps / 30, 0.7))
        stream.codec_context.options = {"preset": "medium", "threads": "1"}
        source = shown_moments(count, look, (snap, after))
        for i in range(count):
            k = int(source[i])
            if k == i:
                motion = camera_motion(cams[max(i - 1, 0) : i + 1], look.lens.shutter)
                picture, truth = shoot(stage, i, cams[i], who, motion, look.venue.seed)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
            frames.append(truth)
            if i % REGISTRATION_EVERY == 0 or i in (snap, after):
                r = Registration("ok", cams[k], look.view, look.level, True, 0.0, 0.0)
                tables["registration"].append(registration_row(clip, i, r))
            if i in (snap, after):
                tables["positions"] += position_truth(play, clip, "snap" if i == snap else "after", i, truth)
        container.mux(stream.encode())
    _write(out, name, frames, tables)
    os.replace(part, out / clip)
    return tables


def _write(out: Path, name: str, frames: list[Any], tables: dict[str, list[Row]]) -> None:
    from pipeline.ledger import write_json

    arrays = {n: np.concatenate([getattr(t, n) for t in frames]) for n in FRAME_ARRAYS}
    counts = [len(t) for t in frames]
    np.savez_compressed(out / f"{name}.npz", frame=np.repeat(np.arange(len(frames)), counts), **arrays)
    write_json(out / f"{name}.truth.json", tables)


def gather(out: Path) -> None:
    """Writes snaps.csv, positions.csv and registration.csv over all clips of a folder."""
    from pipeline.ledger import write_csv

    tables: dict[str, list[Row]] = {n: [] for n in TABLES}
    for path in sorted(out.glob("*.truth.json")):
        for n, rows in json.loads(path.read_text(encoding="utf-8")).items():
            tables[n] += rows
    for n, rows in tables.items():
        write_csv(out / f"{n}.csv", n, rows)


@dataclass(frozen=True)
class ClipJob:
    """Clip k of a seed."""

    out: str
    seed: int
    k: int
    split: str
    view: str | None
    level: str | None
    size: tuple[int, int]
    before_s: float
    after_s: float


def render_job(job: ClipJob) -> tuple[str, str]:
    """Renders one; (name, error or '')."""
    import cv2

    from models.training.film.draw import draw_look
    from models.training.film.look import SPLITS
    from models.training.playbook.play import make_play

    cv2.setNumThreads(0)
    name = f"{job.split}_{job.seed}_{job.k:04d}"
    if (Path(job.out) / f"{name}.mp4").exists():
        return name, ""
    try:
        rng = np.random.default_rng([job.seed, job.k, SPLITS.index(job.split), 3])
        levels, views = list(LEVEL_SHARES), list(VIEW_SHARES)
        level = job.level or levels[int(rng.choice(4, p=list(LEVEL_SHARES.values())))]
        view = job.view or views[int(rng.choice(3, p=list(VIEW_SHARES.values())))]
        extra: dict[str, Any] = {"direction": 1 if rng.random() < 0.71 else -1} if view == "endzone" else {}
        play = make_play(int(rng.integers(2**31)), level, **extra)
        look = draw_look(rng, view, level, job.split)
        fps = float(rng.choice([30.0, 30000 / 1001, 24.0, 25.0], p=[0.6, 0.25, 0.05, 0.1]))
        size = (852, 480) if view == "low" and rng.random() < 0.5 else job.size
        render_clip(play, look, job.out, name, fps, size, job.before_s, job.after_s)
        return name, ""
    except Exception:  # one broken clip must not lose the others; reported by the caller
        return name, traceback.format_exc(limit=-4)


def main() -> None:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--count", type=int, required=True)
    p.add_argument("--seed", type=int, required=True)
    p.add_argument("--split", choices=("train", "test"), default="test")
    p.add_argument("--out", required=True)
    p.add_argument("--workers", type=int, default=1)
    p.add_argument("--view", choices=tuple(VIEW_SHARES))
    p.add_argument("--level", choices=tuple(LEVEL_SHARES))
    p.add_argument("--size", default="1280x720")
    p.add_argument("--before", type=float, default=99.0, help="seconds kept before the snap")
    p.add_argument("--after", type=float, default=99.0, help="seconds kept after it")
    a = p.parse_args()
    w, h = (int(v) for v in a.size.split("x"))
    jobs = [ClipJob(a.out, a.seed, k, a.split, a.view, a.level, (w, h), a.before, a.after) for k in range(a.count)]
    start, bad = time.time(), 0
    pool = ProcessPoolExecutor(a.workers, mp_context=multiprocessing.get_context("spawn")) if a.workers > 1 else None
    results: Any = (render_job(j) for j in jobs)
    if pool:
        results = (f.result() for f in as_completed([pool.submit(render_job, j) for j in jobs]))
    for done, (name, error) in enumerate(results, 1):
        bad += bool(error)
        print(f"{done}/{len(jobs)} {name} {time.time() - start:.0f} s", flush=True)
        if error:
            print(error, file=sys.stderr)
    gather(Path(a.out))
    raise SystemExit(1 if bad else 0)


if __name__ == "__main__":
    main()
