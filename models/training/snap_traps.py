"""What can fool the snap finder, each trap measured by itself: ``python -m models.training.snap_traps --count 20``.

Stick-figure films (``snap_film``) of plays no training used, through H.264 and the motion stage, with one trap each.
Printed: true snaps found within two 30ths of a second, how many were flagged, and moments taken for a snap that are
none, with 95 % intervals. The people's tracks (``pipeline.confirm``) see none of these films.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import snap_clips, snap_film, snap_plays
from models.training.playbook.play import Play, make_play
from models.training.train_snap import NEAR_TICKS, checker_of, interval, scorer_of
from pipeline import snap, snap_check
from pipeline.film import FilmInfo
from pipeline.motion import Meter
from pipeline.records import Motion, Shot

Grey = NDArray[np.uint8]
SEED = 85_000_000


@dataclass(frozen=True)
class Trapped:
    """A film: pictures, the second of each from the first one, seconds of the true snaps."""

    frames: Iterable[Grey]
    times: list[Fraction]
    snaps: list[float]


def _play(seed: int, **forced: object) -> Play:
    play = make_play(seed, ("professional", "college", "high_school")[seed % 3], **{"kind": "pass", **forced})
    return snap_film.add_traps(play, np.random.default_rng(seed))


def _look(seed: int, play: Play, **values: object) -> snap_film.QuickLook:
    look = snap_film.draw_look(np.random.default_rng(seed), play, view=("sideline", "sideline", "endzone")[seed % 3])
    look = replace(look, zoom_rate=0.0, early_pan_deg_s=0.0, sweeps=(), contrast=max(look.contrast, 0.5))
    return replace(look, **values)  # type: ignore[arg-type]


def _filmed(
    play: Play, look: snap_film.QuickLook, seed: int, rate: str = "30", first_s: float = -4.0, last_s: float = 2.5
) -> Trapped:
    """A film of the part of a play around its (first) snap."""
    exact = Fraction(rate)
    start = max(first_s, float(play.time_s[0]))
    film = snap_film.QuickFilm(play, look, seed, float(exact), start, min(last_s, float(play.time_s[-1])))
    frames = snap_clips.through_codec(film, exact, 24, "superfast")
    count = len(film.time_s)
    return Trapped(frames, [i / exact for i in range(count)], [float(f / exact) for f in film.snap_frames])


def _plain(seed: int, rate: str = "30") -> Trapped:
    play = _play(seed)
    return _filmed(play, _look(seed, play), seed, rate)


def _prelude(kind: str) -> Callable[[int], Trapped]:
    def made(seed: int) -> Trapped:
        play = snap_plays.prelude(_play(seed), np.random.default_rng(seed), kind)
        return _filmed(play, _look(seed, play), seed, first_s=-7.0)

    return made


def _motion_man(seed: int) -> Trapped:
    play = _play(seed, motion=("jet", "across")[seed % 2])
    return _filmed(play, _look(seed, play), seed)


def _pan(seed: int) -> Trapped:
    play = _play(seed)
    rng = np.random.default_rng(seed)
    way = float(rng.choice([-1, 1])) * rng.uniform(40, 110)
    return _filmed(play, _look(seed, play, sweeps=((-rng.uniform(0.3, 1.5), 0.8, way, 1.0),)), seed)


def _zoom(seed: int) -> Trapped:
    play = _play(seed)
    rng = np.random.default_rng(seed)
    by = float(rng.choice([0.75, 1.35]))
    return _filmed(play, _look(seed, play, sweeps=((-rng.uniform(0.5, 2.0), 0.6, 0.0, by),)), seed)


def _cut(seed: int) -> Trapped:
    """Another camera takes over 0.7 to 1.6 s after the snap."""
    play = _play(seed)
    rng = np.random.default_rng(seed)
    at = float(rng.uniform(0.7, 1.6))
    first = _filmed(play, _look(seed, play), seed, last_s=at)
    other = _look(seed + 1, play, width_px=480, height_px=270)
    second = _filmed(play, other, seed + 7, first_s=at)
    shots = [list(first.frames), [cv2.resize(f, (480, 270)) for f in second.frames]]
    frames = [np.asarray(cv2.resize(f, (480, 270)), np.uint8) for f in shots[0]] + shots[1]
    return Trapped(frames, [Fraction(i, 30) for i in range(len(frames))], first.snaps)


def _spoilt(repeats: float, drops: float) -> Callable[[int], Trapped]:
    def made(seed: int) -> Trapped:
        plain = _plain(seed)
        shown = snap_clips.shown_frames(len(plain.times), np.random.default_rng(seed), repeats, drops)
        frames = snap_clips.in_order(plain.frames, shown)
        snaps = [int(np.searchsorted(shown, round(s * 30))) / 30 for s in plain.snaps]
        return Trapped(frames, [Fraction(i, 30) for i in range(len(shown))], snaps)

    return made


def _interlaced(seed: int) -> Trapped:
    """Two fields of 60 a second woven into each picture, and nothing says so."""
    plain = _plain(seed, "60")

    def woven() -> Iterator[Grey]:
        fields = iter(plain.frames)
        for upper in fields:
            lower = next(fields, upper)
            picture = upper.copy()
            picture[1::2] = lower[1::2]
            yield picture

    return Trapped(woven(), plain.times[::2], plain.snaps)


def _variable(seed: int) -> Trapped:
    """Frames of a 60-a-second film, each left out by chance: 20 to 60 a second, true timestamps."""
    plain = _plain(seed, "60")
    rng = np.random.default_rng(seed)
    shown = np.flatnonzero((rng.random(len(plain.times)) < 0.6) | (np.arange(len(plain.times)) % 3 == 0))
    return Trapped(snap_clips.in_order(plain.frames, shown), [plain.times[k] for k in shown], plain.snaps)


def _at_the_snap(seed: int) -> Trapped:
    play = _play(seed)
    film = _filmed(play, _look(seed, play), seed, first_s=float(np.random.default_rng(seed).uniform(0.0, 0.3)))
    return replace(film, snaps=[])


def _two(seed: int) -> Trapped:
    first, second = _play(seed, los=50.0, direction=1), _play(seed + 50_000, los=56.0, direction=1)
    if first.level != second.level:
        second = make_play(seed + 50_000, first.level, kind="pass", los=56.0, direction=1)
    both = snap_film.join([first, second], np.random.default_rng(seed))
    return _filmed(both, _look(seed, both, follow=1.0), seed, first_s=-99.0, last_s=99.0)


def _quiet(kind: str) -> Callable[[int], Trapped]:
    def made(seed: int) -> Trapped:
        play, _ = snap_plays.quiet(_play(seed), np.random.default_rng(seed), kind)
        return _filmed(play, _look(seed, play), seed, first_s=-9.0, last_s=0.0)

    return made


TRAPS: dict[str, Callable[[int], Trapped]] = {
    "none": _plain, "offside jump, then reset": _prelude("encroach"), "hard count": _prelude("flinch"),
    "all rise for a call, then reset": _prelude("look_over"), "shift": _prelude("shift"),
    "motion man running at the snap": _motion_man, "pan before the snap": _pan, "zoom before the snap": _zoom,
    "cut in mid play": _cut, "10 % of frames dropped": _spoilt(0.0, 0.1), "12 % of frames repeated": _spoilt(0.12, 0.0),
    "interlaced": _interlaced, "24 fps": lambda s: _plain(s, "24"), "25 fps": lambda s: _plain(s, "25"),
    "29.97 fps": lambda s: _plain(s, "30000/1001"), "50 fps": lambda s: _plain(s, "50"),
    "59.94 fps": lambda s: _plain(s, "60000/1001"), "variable rate": _variable, "two plays": _two,
    "starts at the snap (no snap to find)": _at_the_snap, "foul before the snap, dead ball": _quiet("dead_ball"),
    "offence stands up and goes": _quiet("stand_up"), "huddle breaks": _quiet("huddle_break"),
    "time-out, units leave": _quiet("leave"), "way back after the whistle": _quiet("walk_back"),
}  # fmt: skip


def measured(film: Trapped) -> list[tuple[Shot, Motion]]:
    """Shots and motion as the pipeline would see them."""
    gauge: Meter | None = None
    out: list[tuple[Shot, Motion]] = []
    for i, (grey, time_s) in enumerate(zip(film.frames, film.times, strict=False)):
        if gauge is None:
            size = (grey.shape[1], grey.shape[0])
            info = FilmInfo("", *size, 0, Fraction(1), Fraction(30), None, None, "", False, 0)
            gauge = Meter(info, size, 600.0, 12.0)
        out += list(gauge.take(i, time_s, grey))
    return out + (list(gauge.end()) if gauge else [])


def look_at(film: Trapped, scorer: snap.Scorer, checker: snap_check.Checker | None) -> dict[str, int]:
    """Counts of one film: snaps, within two frames, flagged, and moments that are none (all, and without a flag)."""
    found = [
        (float(s.time_s), s.status)
        for shot, motion in measured(film)
        for s in snap.find_snaps(motion, shot=shot, scorer=scorer, checker=checker)
        if s.time_s is not None
    ]  # fmt: skip
    out = {"snaps": len(film.snaps), "near": 0, "flagged": 0, "false": 0, "false_sure": 0}
    left = list(found)
    for want in film.snaps:
        near = [f for f in left if abs(f[0] - want) * 30 <= NEAR_TICKS]
        if near:
            out["near"] += 1
            out["flagged"] += near[0][1] != "ok"
            left.remove(near[0])
    out["false"] = len(left)
    out["false_sure"] = sum(status == "ok" for _, status in left)
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=20, help="films of each trap")
    parser.add_argument("--first-seed", type=int, default=SEED)
    parser.add_argument("--only", default="", help="traps whose name holds this")
    parser.add_argument("--onnx", type=Path, help="the shipped scorer if left out")
    parser.add_argument("--check", type=Path, help="a checker's ONNX file; the shipped one if left out")
    parser.add_argument("--no-check", action="store_true", help="the scorer alone")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    scorer = snap.shipped_scorer() if options.onnx is None else scorer_of(options.onnx)
    checker = snap_check.shipped_checker() if options.check is None else checker_of(options.check)
    checker = None if options.no_check else checker
    print("| trap | within 2 frames | flagged | false moments | without a flag | films |\n|---|---|---|---|---|---|")
    for name, make in TRAPS.items():
        if options.only not in name:
            continue
        rows = [look_at(make(options.first_seed + k), scorer, checker) for k in range(options.count)]
        total = {key: sum(r[key] for r in rows) for key in rows[0]}
        near = interval(total["near"], total["snaps"])
        print(f"| {name} | {near} | {total['flagged']} | {total['false']} | {total['false_sure']} | {len(rows)} |",
              flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
