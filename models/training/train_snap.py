"""Trains the snap scorer on quick grey film: ``python -m models.training.train_snap render|fit|export``.

render: plays -> quick film -> H.264 -> the pipeline's own motion stage -> activity grids with truth, one npz a
clip. fit: a small network over the windows of ``pipeline.onset`` (torch, CPU, minutes). export: ONNX.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
from collections.abc import Iterable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import snap_film, snap_grids
from models.training.playbook.play import Play, make_play
from pipeline import models, onset, snap
from pipeline.film import FilmInfo
from pipeline.motion import WIDTH_PX, Meter
from pipeline.records import Motion

RATES = ("30", "30", "30", "30000/1001", "30000/1001", "24", "25", "50", "60000/1001")
KINDS = ("play", "before", "after", "long", "none")
LEVELS = ("professional", "college", "high_school", "canadian")


def through_codec(
    frames: Iterable[NDArray[np.uint8]], rate: Fraction, crf: int, preset: str
) -> Iterator[NDArray[np.uint8]]:
    """(H, W) grey frames after H.264 at a constant rate factor."""
    store = io.BytesIO()
    with av.open(store, "w", format="matroska") as box:
        stream = None
        for grey in frames:
            if stream is None:
                stream = box.add_stream(
                    "libx264", rate=rate, options={"crf": str(crf), "preset": preset, "threads": "1"}
                )
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
            yield (
                np.frombuffer(plane, np.uint8)
                .reshape(-1, plane.line_size)[: frame.height, : frame.width]
                .copy()
            )


def meter(frames: Iterable[NDArray[np.uint8]], rate: Fraction) -> Motion:
    """Motion of one shot. Raises ValueError where the motion stage finds a cut: quick film has none."""
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


def draw_play(
    rng: np.random.Generator, seed: int, kind: str = ""
) -> tuple[Play, float | None, float | None, str]:
    """(play, first second, last second, kind) of one training clip."""
    level = str(rng.choice(LEVELS, p=[0.35, 0.3, 0.2, 0.15]))
    kind = kind or str(rng.choice(KINDS, p=[0.59, 0.12, 0.04, 0.05, 0.2]))
    if kind == "none":
        return make_play(seed, level, kind="no_snap"), None, None, kind
    forced = {"kind": "special"} if rng.random() < 0.08 else {}
    play = snap_film.add_traps(make_play(seed, level, **forced), rng)
    if kind == "long":
        los = float(np.clip(play.line_of_scrimmage_yd + play.direction * rng.uniform(-5, 12), 25, 85))
        other = make_play(seed + 500_000, level, los=los, direction=play.direction)
        return snap_film.join([play, other], rng), None, None, kind
    start, stop = float(play.time_s[0]), float(play.time_s[-1])
    if play.snap_index is None or kind == "none":
        return play, None, None, "none"
    if kind == "before":
        return play, None, -float(rng.uniform(0.05, 1.0)), kind
    if kind == "after":
        return play, float(rng.uniform(0.15, 0.6)), None, kind
    first = max(start, -float(rng.uniform(1.0, 6.0)))
    return play, first, min(stop, float(rng.uniform(0.8, 4.0))), kind


def render_clip(seed: int, drawn: bool = True, kind: str = "") -> tuple[Motion, NDArray[np.float64], str]:
    """(motion, snap times in seconds from the first frame, kind) of one clip; all drawn from the seed.

    drawn: through pictures, H.264 and the motion stage; else the activity is modelled (``snap_grids``).
    """
    rng = np.random.default_rng(seed)
    play, first, last, kind = draw_play(rng, seed, kind)
    look = snap_film.draw_look(rng, play, WIDTH_PX)
    if kind == "long":
        look = replace(look, zoom_rate=0.0, follow=1.0, early_pan_deg_s=0.0)
    rate = Fraction(str(rng.choice(RATES)))
    if not drawn:
        span = {"first_s": first, "last_s": last}
        motion, grid_film = snap_grids.motion(play, look, seed, rate, span)
        return motion, np.array([float(f / rate) for f in grid_film.snap_frames]), kind
    film = snap_film.QuickFilm(play, look, seed, float(rate), first, last)
    frames: Iterable[NDArray[np.uint8]] = film
    if rng.random() < 0.75:
        preset = str(rng.choice(["ultrafast", "superfast", "veryfast"]))
        frames = through_codec(film, rate, int(rng.integers(18, 34)), preset)
    motion = meter(frames, rate)
    return motion, np.array([float(f / rate) for f in film.snap_frames]), kind


def render(out: Path, first_seed: int, count: int, drawn: bool = True, kind: str = "") -> None:
    """Write clips first_seed .. first_seed + count - 1, skipping those already there."""
    cv2.setNumThreads(1)
    out.mkdir(parents=True, exist_ok=True)
    for seed in range(first_seed, first_seed + count):
        path = out / f"{seed:06d}.npz"
        if path.exists():
            continue
        try:
            motion, snaps, kind = render_clip(seed, drawn, kind)
        except ValueError as e:
            print(f"seed {seed} left out: {e}", flush=True)
            continue
        save(path, motion, snaps, kind)


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


def judge(folder: Path, scorer: snap.Scorer, settings: snap.SnapSettings) -> dict[str, Any]:
    """Figures of the snap stage on a folder of clips: share within two 30ths of a second, nothing invented."""
    errors, missed, extra, quiet, invented, rows = [], 0, 0, 0, 0, []
    for path in sorted(folder.glob("*.npz")):
        motion, truth, kind = load(path)
        found = [s for s in snap.find_snaps(motion, scorer=scorer, settings=settings) if s.frame is not None]
        times = [float(s.time_s - motion.time_s[0]) for s in found if s.time_s is not None]
        if not len(truth):
            quiet += 1
            invented += bool(times)
            if times:
                rows.append((path.stem, kind, "invented", times[0], found[0].confidence))
        near = [min(times, key=lambda t, w=w: abs(t - w), default=None) for w in truth]
        for want, got in zip(truth, near, strict=True):
            if got is None or abs(got - want) > 1.5:
                missed += 1
                rows.append((path.stem, kind, "missed", float(want), got))
            else:
                errors.append((got - want) * 30)
                if abs(errors[-1]) > 2.01:
                    rows.append((path.stem, kind, "off", float(want), got))
        extra += max(0, len(times) - len(truth)) if len(truth) else 0
    error = np.array(errors)
    total = len(error) + missed
    spread = np.round(np.percentile(error, [2.5, 10, 25, 50, 75, 90, 97.5]), 2).tolist() if len(error) else []
    return {
        "snaps": total, "within_2": float((np.abs(error) <= 2.01).sum() / max(total, 1)), "missed": missed,
        "extra": extra, "without": quiet, "left_alone": 1 - invented / max(quiet, 1),
        "error_ticks": spread, "worst": rows,
    }  # fmt: skip


def fit(data: list[Path], out: Path, epochs: int, seed: int, start: Path | None, rate: float) -> None:
    """Train on folders of clips, from the weights in ``start`` if given, and write the ONNX file."""
    import torch

    from models.training import snap_net

    torch.set_num_threads(1)
    clips = [
        snap_net.Clip(onset.grids(motion), truth / onset.TICK_S, kind, path.stem)
        for folder in data for path in sorted(folder.glob("*.npz")) for motion, truth, kind in [load(path)]
    ]  # fmt: skip
    net = snap_net.SnapNet()
    if start is not None:
        net.load_state_dict(torch.load(start, weights_only=True))
    net = snap_net.fit(clips, epochs, seed, net, rate)
    torch.save(net.state_dict(), out.with_suffix(".pt"))
    out.write_bytes(snap_net.to_onnx(net))


def together(weights: list[Path], shares: list[float], out: Path) -> None:
    """Several fits as one ONNX file: the mean of their logits, weighted."""
    import torch

    from models.training import snap_net

    nets = []
    for path in weights:
        net = snap_net.SnapNet()
        net.load_state_dict(torch.load(path, weights_only=True))
        nets.append(net)
    out.write_bytes(snap_net.to_onnx(snap_net.Together(nets, shares)))


def scorer_of(path: Path) -> snap.Scorer:
    """A scorer from an ONNX file that need not be in the manifest."""
    return snap.network_scorer(models.open_network(path.read_bytes(), threads=1, where=path))


def install(onnx: Path, metrics: dict[str, Any]) -> Path:
    """Copy the network to models/snap/ and list it in the manifest with what ``judge`` measured."""
    from models.training.export_people import LICENCE, write_entry

    blob = onnx.read_bytes()
    target = models.models_dir() / "snap" / "snap.onnx"
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(blob)
    entry = {
        "file": "snap/snap.onnx",
        "sha256": hashlib.sha256(blob).hexdigest(),
        "licence": LICENCE,
        "trained_on": [
            "quick grey film of models/training/snap_film.py of this repository (AGPL-3.0-or-later)"
        ],
        "metrics": {k: v for k, v in metrics.items() if k != "worst"},
    }
    return write_entry("snap", entry)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    steps = parser.add_subparsers(dest="what", required=True)
    step = steps.add_parser("render")
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--first-seed", type=int, default=0)
    step.add_argument("--count", type=int, default=300)
    step.add_argument(
        "--modelled", action="store_true", help="model the activity instead of drawing pictures"
    )
    step.add_argument("--kind", choices=["", *KINDS], default="", help="one kind of clip only")
    step = steps.add_parser("fit")
    step.add_argument("--data", type=Path, nargs="+", required=True)
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--epochs", type=int, default=20)
    step.add_argument("--start", type=Path, help="weights (.pt) of an earlier fit")
    step.add_argument("--rate", type=float, default=4e-3)
    step.add_argument("--seed", type=int, default=0)
    step = steps.add_parser("together")
    step.add_argument("--weights", type=Path, nargs="+", required=True, help=".pt files of fits")
    step.add_argument("--shares", type=float, nargs="+", required=True)
    step.add_argument("--out", type=Path, required=True)
    step = steps.add_parser("judge")
    step.add_argument("--data", type=Path, required=True)
    step.add_argument("--onnx", type=Path, required=True)
    step.add_argument("--install", action="store_true", help="list it in the manifest with these figures")
    step.add_argument("--threshold", type=float, nargs="+", default=[snap.DEFAULTS.threshold])
    options = parser.parse_args()
    if options.what == "render":
        render(options.out, options.first_seed, options.count, not options.modelled, options.kind)
    elif options.what == "fit":
        fit(options.data, options.out, options.epochs, options.seed, options.start, options.rate)
    elif options.what == "together":
        together(options.weights, options.shares, options.out)
    else:
        for threshold in options.threshold:
            result = judge(options.data, scorer_of(options.onnx), replace(snap.DEFAULTS, threshold=threshold))
            print(threshold, json.dumps(result))
        if options.install:
            print(install(options.onnx, judge(options.data, scorer_of(options.onnx), snap.DEFAULTS)))


if __name__ == "__main__":
    main()
