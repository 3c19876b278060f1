"""Clips for the snap finder: a story with or without a snap, filmed cheaply, measured by the pipeline's motion stage.

``python -m models.training.snap_clips --clips N --workers W --out DIR --seconds S [--how rendered]`` makes clips in
DIR until N are there or S seconds are over, and packs their activity grids with truth into DIR/snap_grids.npz
(about 12 KB a clip). Films: ``rendered`` (the renderer's people, needs OpenGL), ``drawn`` (stick people), ``modelled``
(no picture at all). All follows from the seed; seeds from TEST_SEED on are for testing.
"""

from __future__ import annotations

import argparse
import io
import math
import time
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import snap_film, snap_grids, snap_plays
from models.training.playbook.play import Play, make_play
from pipeline import onset
from pipeline.film import FilmInfo
from pipeline.motion import WIDTH_PX, Meter
from pipeline.records import Motion

Grey = NDArray[np.uint8]
HOW = ("rendered", "drawn", "modelled")
TEST_SEED = 80_000_000
RATES = {
    "30": 0.3, "30000/1001": 0.17, "15": 0.12, "24": 0.08, "25": 0.13, "50": 0.05, "60": 0.06, "60000/1001": 0.09,
}  # fmt: skip
LEVELS = ("professional", "college", "high_school", "canadian")
KINDS = {
    "play": 0.24, "prelude": 0.17, "special": 0.1, "wait": 0.05, "long": 0.03, "before": 0.1, "after": 0.04,
    "none": 0.05, "quiet": 0.22,
}  # fmt: skip
LONGEST_S = 9.0  # of a clip, but for joined plays and long waits
RECORDED_AT = {"24": "30", "25": "50", "30": "60", "30000/1001": "60000/1001"}  # film shown at a higher rate: repeats
PACKED = (onset.LONG.rows, onset.LONG.columns)  # of packed grids
STEPS = 15  # of the packed grids, of the root of the activity


@dataclass(frozen=True)
class Told:
    """What a clip shows: the play, which part of its clock (s), and of what kind."""

    play: Play
    first_s: float | None
    last_s: float | None
    kind: str


def tell(rng: np.random.Generator, seed: int, kind: str = "", long: bool = True) -> Told:
    """Draw what a clip shows. kind: one of KINDS, or of snap_plays.QUIET; long: joined plays may come too."""
    level = str(rng.choice(LEVELS, p=[0.35, 0.3, 0.2, 0.15]))
    names = [k for k in KINDS if long or k != "long"]
    share = np.array([KINDS[k] for k in names])
    drawn = str(rng.choice(names, p=share / share.sum()))
    kind = kind or drawn
    if kind == "none":
        return _part(rng, make_play(seed, level, kind="no_snap"), kind)
    play = make_play(seed, level, **({"kind": "special"} if kind == "special" else {}))
    if play.snap_index is None:
        return _part(rng, play, "none")
    if kind == "quiet" or kind in snap_plays.QUIET:
        quiet, name = snap_plays.quiet(play, rng, "" if kind == "quiet" else kind)
        return _part(rng, quiet, name)
    play = snap_film.add_traps(play, rng)
    if kind == "long":
        los = float(np.clip(play.line_of_scrimmage_yd + play.direction * rng.uniform(-5, 12), 25, 85))
        other = make_play(seed + 500_000, level, los=los, direction=play.direction)
        if other.snap_index is not None:
            return Told(snap_film.join([play, other], rng), None, None, kind)
    if kind == "after":
        after = snap_plays.tail(play, rng) if rng.random() < 0.5 else play
        first = float(rng.uniform(0.1, 1.0))
        return Told(after, first, min(float(after.time_s[-1]), first + LONGEST_S), kind)
    if kind == "wait":
        play = snap_plays.wait(play, rng)
        last = min(float(play.time_s[-1]), float(rng.uniform(1.5, 4.0)))
        return Told(play, float(play.time_s[0]), last, kind)
    if kind == "prelude" or (kind == "before" and rng.random() < 0.6):
        play = snap_plays.prelude(play, rng)
    if kind == "before":
        last = -float(rng.uniform(0.05, 1.0))
        return Told(play, max(float(play.time_s[0]), last - LONGEST_S), last, kind)
    if rng.random() < 0.25:
        play = _with_tail(play, rng)
    last = min(float(play.time_s[-1]), float(rng.uniform(0.8, 5.0)))
    first = max(float(play.time_s[0]), -float(rng.uniform(0.8, 6.5)), last - LONGEST_S)
    return Told(play, first, last, kind)


def _with_tail(play: Play, rng: np.random.Generator) -> Play:
    cut = int(np.searchsorted(play.time_s, rng.uniform(2.0, 4.0)))
    short = replace(
        play, time_s=play.time_s[:cut], xy_yd=play.xy_yd[:cut], facing_rad=play.facing_rad[:cut],
        stance=play.stance[:cut], ball_xyz_yd=play.ball_xyz_yd[:cut],
    )  # fmt: skip
    return snap_plays.tail(short, rng)


def _part(rng: np.random.Generator, play: Play, kind: str) -> Told:
    """At most LONGEST_S of a play, anywhere in it."""
    first, last = float(play.time_s[0]), float(play.time_s[-1])
    length = min(last - first, float(rng.uniform(4.0, LONGEST_S)))
    begin = first + float(rng.uniform(0, last - first - length))
    return Told(play, begin, begin + length, kind)


def through_codec(frames: Iterable[Grey], rate: Fraction, crf: int, preset: str, times: float = 1.0) -> Iterator[Grey]:
    """(H, W) grey frames after H.264 at a constant rate factor. ``times``: encoded that much larger, as film of more
    pixels is before the motion stage makes it small."""
    store, size = io.BytesIO(), (0, 0)
    with av.open(store, "w", format="matroska") as box:
        stream: Any = None
        for small in frames:
            grey = small if times == 1.0 else cv2.resize(small, None, fx=times, fy=times, interpolation=cv2.INTER_CUBIC)
            if stream is None:
                size = (small.shape[1], small.shape[0])
                options = {"crf": str(crf), "preset": preset, "threads": "1"}
                stream = box.add_stream("libx264", rate=rate, options=options)
                stream.height, stream.width = grey.shape[0] // 2 * 2, grey.shape[1] // 2 * 2
                stream.pix_fmt = "yuv420p"
            grey = np.ascontiguousarray(grey[: stream.height, : stream.width])
            box.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="gray")))
        if stream is not None:
            box.mux(stream.encode())
    store.seek(0)
    with av.open(store) as box:
        for frame in box.decode(video=0):
            plane = frame.planes[0]
            rows = np.frombuffer(plane, np.uint8).reshape(-1, plane.line_size)
            shown = rows[: frame.height, : frame.width]
            if times == 1.0:
                yield shown.copy()
            else:
                yield np.asarray(cv2.resize(shown, size, interpolation=cv2.INTER_AREA), np.uint8)


def meter(frames: Iterable[Grey], rate: Fraction) -> Motion:
    """Motion of one shot. Raises ValueError where the motion stage finds a cut: such film has none."""
    gauge, pieces = None, []
    for i, grey in enumerate(frames):
        if gauge is None:
            size = (grey.shape[1], grey.shape[0])
            info = FilmInfo("", *size, 0, Fraction(1), rate, None, None, "", False, 0)
            gauge = Meter(info, size, 600.0, 12.0)
        pieces += list(gauge.take(i, i / rate, grey))
    if gauge is None:
        raise ValueError("No frames.")
    pieces += list(gauge.end())
    if len(pieces) != 1:
        raise ValueError(f"{len(pieces)} pieces, cuts {gauge.cuts}")
    return pieces[0][1]


def shown_frames(count: int, rng: np.random.Generator, repeats: float, drops: float) -> NDArray[np.int64]:
    """Which frame each recorded frame shows: some repeat the one before, some are missing."""
    at = np.arange(count)
    kept = at[(rng.random(count) >= drops) | (at == 0)]
    again = rng.random(len(kept)) < repeats
    again[0] = False
    return np.where(again, np.r_[kept[0], kept[:-1]], kept)


def shown_at(count: int, rate: Fraction, recorded: Fraction) -> NDArray[np.int64]:
    """Which frame each recorded frame shows where film of ``rate`` is recorded at a higher one: some come twice."""
    return np.asarray(np.arange(int(count * recorded / rate)) * float(rate / recorded) + 1e-6, np.int64)


def in_order(frames: Iterable[Grey], shown: NDArray[np.int64]) -> Iterator[Grey]:
    """The frames that ``shown`` (not falling) asks for."""
    pictures, at = enumerate(frames), -1
    picture: Grey | None = None
    for want in shown:
        while at < want:
            at, picture = next(pictures)
        if picture is not None:
            yield picture


def render_clip(seed: int, how: str = "drawn", kind: str = "") -> tuple[Motion, NDArray[np.float64], str]:
    """(motion, snap times in seconds from the first frame, kind) of one clip; all drawn from the seed."""
    rng = np.random.default_rng([seed, HOW.index(how)])
    told = tell(rng, seed, kind, how != "rendered")
    look = snap_film.draw_look(rng, told.play, WIDTH_PX)
    if told.kind == "long":
        look = replace(look, zoom_rate=0.0, follow=1.0, early_pan_deg_s=0.0)
    rate = Fraction(str(rng.choice(list(RATES), p=list(RATES.values()))))
    if how == "modelled":
        span = {"first_s": told.first_s, "last_s": told.last_s}
        motion, grid_film = snap_grids.motion(told.play, look, seed, rate, span)
        return motion, np.array([float(f / rate) for f in grid_film.snap_frames]), told.kind
    film = _film(rng, told, look, seed, rate, how)
    harm = rng.random() < 0.25
    repeats, drops = (rng.uniform(0, 0.12), float(rng.choice([0.0, rng.uniform(0, 0.1)]))) if harm else (0.0, 0.0)
    shown = shown_frames(len(film.time_s), rng, repeats, drops)
    if not harm and str(rate) in RECORDED_AT and rng.random() < 0.12:
        recorded = Fraction(RECORDED_AT[str(rate)])
        shown, rate = shown_at(len(film.time_s), rate, recorded), recorded
    frames: Iterable[Grey] = in_order(film, shown)
    if rng.random() < 0.85:
        preset = str(rng.choice(["ultrafast", "superfast", "veryfast"]))
        times = float(rng.choice([1.0, 1.5, 2.0], p=[0.6, 0.2, 0.2])) if how == "rendered" else 1.0
        frames = through_codec(frames, rate, int(rng.integers(18, 34)), preset, times)
    motion = meter(frames, rate)
    snaps = [int(np.searchsorted(shown, f)) for f in film.snap_frames]
    return motion, np.array([float(f / rate) for f in snaps if f < len(shown)]), told.kind


def _film(
    rng: np.random.Generator, told: Told, look: snap_film.QuickLook, seed: int, rate: Fraction, how: str
) -> snap_film.QuickFilm:
    if how == "drawn":
        return snap_film.QuickFilm(told.play, look, seed, float(rate), told.first_s, told.last_s)
    from models.training.film.draw import draw_look
    from models.training.snap_render import MeshFilm, framed

    view = str(rng.choice(["sideline", "endzone", "low"], p=[0.6, 0.25, 0.15]))
    split = "test" if seed >= TEST_SEED else "train"
    film_look = draw_look(rng, view, told.play.level, split)
    snaps = snap_film.snaps_s(told.play)
    when = snaps[0] if snaps else float(rng.uniform(told.first_s or 0.0, told.last_s or 0.0))
    at = int(np.clip((when - told.play.time_s[0]) * told.play.hz, 0, len(told.play.time_s) - 1))
    look = framed(replace(look, height_px=270), film_look, told.play, at)
    look = _operated(rng, look)
    return MeshFilm(told.play, look, film_look, seed, float(rate), told.first_s, told.last_s)


def _operated(rng: np.random.Generator, look: snap_film.QuickLook) -> snap_film.QuickLook:
    """What operators do: leave the camera locked off, frame far wider than the formation; dull light."""
    if rng.random() < 0.2:
        look = replace(look, follow=0.0, zoom_rate=0.0, shake_px=0.0, early_pan_deg_s=0.0, sweeps=())
    if rng.random() < 0.35:
        look = replace(look, camera=replace(look.camera, focal_px=look.camera.focal_px * float(rng.uniform(0.55, 1.0))))
    if rng.random() < 0.2:
        look = replace(look, contrast=look.contrast * float(rng.uniform(0.5, 1.0)))
    return look


def save(path: Path, motion: Motion, snaps: NDArray[np.float64], kind: str) -> None:
    """Keep a clip's motion (activity squashed to 8 bits, no camera path) with its truth."""
    np.savez_compressed(
        path, activity=(onset.squash(motion.activity) * 255).round().astype(np.uint8), snaps=snaps, kind=kind,
        times=np.array([float(t) for t in motion.time_s]), frame=motion.frame,
    )  # fmt: skip


def load(path: Path) -> tuple[Motion, NDArray[np.float64], str]:
    """What ``save`` kept: (motion, snap times in seconds, kind)."""
    raw = np.load(path)
    squashed = raw["activity"].astype(np.float32) / 255
    activity = np.expm1(squashed * np.log1p(3 * onset.FULL_PX)) / 3
    count = len(squashed)
    motion = Motion(
        WIDTH_PX, round(squashed.shape[1] * 8), np.asarray(raw["frame"], np.int64),
        tuple(Fraction(float(t)).limit_denominator(100_000) for t in raw["times"]),
        np.tile(np.eye(3), (count, 1, 1)), activity.astype(np.float32), np.zeros(count, bool),
    )  # fmt: skip
    return motion, np.atleast_1d(raw["snaps"]).astype(float), str(raw["kind"])


Gridded = tuple[NDArray[np.float32], NDArray[np.float64], str, str]


def pack(clips: Iterable[Gridded], out: Path) -> None:
    """Many clips as grids per tick, (K, *PACKED) with snap ticks, kind and name, in one small file."""
    rows = list(clips)
    grids = [np.round(np.sqrt(onset.coarse(g, onset.LONG)) * STEPS).astype(np.uint8) for g, _, _, _ in rows]
    part = out.with_suffix(".part.npz")
    np.savez_compressed(
        part, grid=np.concatenate(grids).reshape(sum(map(len, grids)), -1).T.copy(), length=[len(g) for g in grids],
        snaps=np.concatenate([t for _, t, _, _ in rows]), count=[len(t) for _, t, _, _ in rows],
        kind=[k for _, _, k, _ in rows], name=[n for *_, n in rows],
    )  # fmt: skip
    part.replace(out)


def unpack(path: Path) -> list[Gridded]:
    """What ``pack`` kept."""
    raw = np.load(path)
    grid = (raw["grid"].T.reshape(-1, *PACKED).astype(np.float32) / STEPS) ** 2
    grids = np.split(grid, np.cumsum(raw["length"])[:-1])
    snaps = np.split(raw["snaps"].astype(float), np.cumsum(raw["count"])[:-1])
    return [(g, t, str(k), str(n)) for g, t, k, n in zip(grids, snaps, raw["kind"], raw["name"], strict=True)]


def gridded(path: Path) -> Gridded:
    """A kept clip as the scorer sees it."""
    motion, snaps, kind = load(path)
    return onset.grids(motion), snaps / onset.TICK_S, kind, path.stem


def one(seed: int, out: Path, how: str, kind: str, until: float, ticks: bool = False) -> str:
    """Make one clip unless it is there or time is over; what happened, in a word. ticks: keep it as the scorer sees
    it too, as 255ths, in NAME.ticks.npy."""
    cv2.setNumThreads(1)
    path = out / f"{seed:08d}.npz"
    if path.exists():
        return "there"
    if time.time() > until:
        return "late"
    try:
        motion, snaps, told = render_clip(seed, how, kind)
    except ValueError as e:
        return f"seed {seed} left out: {e}"
    if ticks:
        np.save(path.with_suffix(".ticks.npy"), np.round(onset.grids(motion) * 255).astype(np.uint8))
    save(path, motion, snaps, told)
    return "there"


def make(options: argparse.Namespace) -> int:
    """The command; returns how many clips are there."""
    options.out.mkdir(parents=True, exist_ok=True)
    until = time.time() + options.seconds
    seeds = range(options.first_seed, options.first_seed + options.clips)
    more = ([options.out] * len(seeds), [options.how] * len(seeds), [options.kind] * len(seeds), [until] * len(seeds))
    if options.workers > 1:  # spawn: neither OpenGL nor OpenCV's threads survive a fork
        with ProcessPoolExecutor(options.workers, mp_context=get_context("spawn")) as pool:
            words = list(pool.map(one, seeds, *more, chunksize=1))
    else:
        words = [one(*row) for row in zip(seeds, *more, strict=True)]
    for word in words:
        if word not in ("there", "late"):
            print(word, flush=True)
    paths = sorted(options.out.glob("[0-9]*.npz"))
    if not options.no_pack and paths:
        pack((gridded(p) for p in paths), options.out / "snap_grids.npz")
    return len(paths)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clips", type=int, required=True)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=math.inf, help="begin no clip later than this")
    parser.add_argument("--first-seed", type=int, default=1_000_000)
    parser.add_argument("--how", choices=HOW, default="rendered")
    parser.add_argument("--kind", default="", help="one kind of clip only")
    parser.add_argument("--no-pack", action="store_true", help="leave the clips as they are, with their full grids")
    options = parser.parse_args()
    print(f"{make(options)} clips are there", flush=True)


if __name__ == "__main__":
    main()
