"""Clips and scorers of the snap finder made side by side on a machine with many cores and a GPU.

::

    python -m models.training.snap_fits make --out DIR --workers 24 --seconds 380   # modelled, then rendered clips
    python -m models.training.snap_fits fit --out DIR --name fine1 --first-until T --seconds 200
    python -m models.training.snap_fits films --film FOLDER --out DIR --workers 24 --seconds 120
    python -m models.training.snap_fits collect --out DIR --to FOLDER               # at any time, again and again
    python -m models.training.snap_fits unpack --tar T.tar --out FOLDER             # where they came back to

DIR holds ``modelled/``, ``train/``, ``test/`` and ``films/`` (kept clips, each also small enough to travel) and
``fits/``. A fit learns modelled clips until second T of the epoch, then rendered ones among them with what is there by
then. Each HELD-th rendered training clip is kept from it, for the snap checker. ``device/snap.sh`` calls these.
"""

from __future__ import annotations

import argparse
import io
import json
import lzma
import sys
import tarfile
import time
import traceback
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import snap_clips
from models.training.bench_pool import Board, Pool, work
from pipeline import onset, snap
from pipeline.records import Motion

MODELLED_SEED, TRAIN_SEED = 2_100_000, 3_000_000
HELD = 4
TESTS = 4  # each so many-th rendered clip is a test clip, while there are
LEVELS = 31  # of the root of a travelling clip's activity
MOST_BYTES = 14_500_000  # of one archive
RESERVE_S = 12.0  # a clip begun later than this before the end would not be finished


@dataclass(frozen=True)
class Fit:
    """layout and width of the network; seed; share of rendered clips among those seen in the second part."""

    layout: str
    width: int
    seed: int
    rendered: float


FITS = {
    "fine1": Fit("fine", 16, 1, 0.7),
    "long1": Fit("long", 20, 2, 0.7),
    "short1": Fit("short", 14, 3, 0.7),
    "fine2": Fit("fine", 16, 4, 0.9),
    "long2": Fit("long", 20, 5, 0.9),
}


def names_of(modelled: int, train: int, test: int) -> list[str]:
    """Pieces of work in order: modelled clips, then training and test clips in turn."""
    out = [f"m{MODELLED_SEED + i}" for i in range(modelled)]
    a = [f"r{TRAIN_SEED + i}" for i in range(train)]
    b = [f"t{snap_clips.TEST_SEED + i}" for i in range(test)]
    while a or b:
        out += b[:1] + a[: TESTS - 1]
        a, b = a[TESTS - 1 :], b[1:]
    return out


FOLDERS = {"m": ("modelled", "modelled"), "r": ("train", "rendered"), "t": ("test", "rendered")}


def make_worker(options: argparse.Namespace) -> None:
    """Make clips until none is left or the time is up."""
    cv2.setNumThreads(1)
    until = options.until - RESERVE_S

    def one(name: str) -> None:
        folder, how = FOLDERS[name[0]]
        if how == "modelled" and time.time() > options.modelled_until:
            return
        out = options.out / folder
        word = snap_clips.one(int(name[1:]), out, how, "", until, ticks=True)
        if word not in ("there", "late"):
            raise ValueError(word)
        path = out / f"{int(name[1:]):08d}.npz"
        if how == "rendered" and path.exists():
            _travel(path)

    work(Board(options.out / "pool"), names_of(options.modelled, options.clips, options.test_clips), one, until)


def make(options: argparse.Namespace) -> None:
    """Run workers; ends in time, whatever they do."""
    began = time.time()
    until = began + options.seconds
    for folder, _ in FOLDERS.values():
        (options.out / folder).mkdir(parents=True, exist_ok=True)
    command = [
        sys.executable, "-m", "models.training.snap_fits", "make-worker", "--out", str(options.out), "--until",
        str(until), "--modelled-until", str(began + options.modelled_seconds), "--modelled", str(options.modelled),
        "--clips", str(options.clips), "--test-clips", str(options.test_clips),
    ]  # fmt: skip
    Pool(Board(options.out / "pool"), command, options.workers, until, options.out / "make.log").run()
    told = {f: len(list((options.out / f).glob("[0-9]*.npz"))) for f in ("modelled", "train", "test")}
    print(f"{time.time() - began:.0f} s: clips {told}", flush=True)
    for name, words in list(Board(options.out / "pool").failures().items())[:5]:
        print(name, "failed:", words[-400:], flush=True)


def _travel(path: Path) -> None:
    """The kept clip beside itself as NAME.xz: activity in LEVELS steps of its root."""
    with np.load(path) as raw:
        arrays = {k: raw[k] for k in ("snaps", "kind", "times", "frame")}
        steps = np.round(np.sqrt(raw["activity"] / np.float32(255)) * LEVELS).astype(np.uint8)
    arrays["activity"] = np.moveaxis(steps, 0, -1).copy()
    store = io.BytesIO()
    np.savez(store, **arrays)
    part = path.with_suffix(".xzpart")
    part.write_bytes(lzma.compress(store.getvalue(), preset=6))
    part.replace(path.with_suffix(".xz"))


def _arrive(blob: bytes, path: Path) -> None:
    """A travelled clip as a kept one again."""
    with np.load(io.BytesIO(lzma.decompress(blob))) as raw:
        arrays = dict(raw)
    shares = np.moveaxis(arrays.pop("activity"), -1, 0).astype(np.float32) / LEVELS
    np.savez_compressed(path, activity=np.round(shares**2 * 255).astype(np.uint8), **arrays)


def read(folder: Path, layout: str, held: bool | None = None) -> list[Any]:
    """Clips of a folder for training, at a layout's resolution; held: only those kept back, or only the others. A file
    that is not whole is left out."""
    from models.training import snap_net

    rows, columns = snap_net.LAYOUTS[layout].rows, snap_net.LAYOUTS[layout].columns
    clips = []
    for path in sorted(folder.glob("[0-9]*.npz")):
        if held is not None and (int(path.stem) % HELD == 0) != held:
            continue
        try:
            grid = np.load(path.with_suffix(".ticks.npy"))
            with np.load(path) as raw:
                snaps, kind = np.atleast_1d(raw["snaps"]).astype(float) / onset.TICK_S, str(raw["kind"])
        except (OSError, ValueError, EOFError, KeyError) as e:
            print(f"{path.name} left out: {e}", flush=True)
            continue
        a, b = onset.ROWS // rows, onset.COLUMNS // columns
        if a > 1 or b > 1:
            mean = grid.reshape(len(grid), rows, a, columns, b).mean((2, 4), dtype=np.float32)
            grid = np.round(mean).astype(np.uint8)
        clips.append(snap_net.Clip(grid, snaps, kind, path.stem))
    return clips


def fit(options: argparse.Namespace) -> None:
    """One scorer in two parts; its weights are kept as it goes, figures of the test clips at the end of each part."""
    import torch

    from models.training import snap_net

    plan = FITS[options.name]
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.set_num_threads(options.threads)
    torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    out = options.out / "fits"
    out.mkdir(parents=True, exist_ok=True)
    weights = out / f"{options.name}.pt"
    while len(list((options.out / "modelled").glob("[0-9]*.npz"))) < 0.97 * options.modelled:
        if time.time() > options.modelled_until + 3:
            break
        time.sleep(1)
    net = snap_net.SnapNet(plan.width, plan.layout)
    print(options.name, plan, device, "torch", torch.__version__, flush=True)

    def told(clips: list[Any]) -> None:
        print(f"{len(clips)} clips", dict(Counter(c.kind for c in clips)), flush=True)

    modelled = read(options.out / "modelled", plan.layout)
    seconds = options.first_until - time.time()
    if modelled and seconds > 5:
        told(modelled)
        net = snap_net.fit(
            modelled, seconds, options.steps, plan.seed, net, options.rate, options.batch, device,
            now_and_then=lambda n: snap_net.keep(n, weights),
        )  # fmt: skip
        snap_net.keep(net, weights)
        _told(net, options.out / "test", device, out / f"{options.name}.modelled.json")
    while time.time() < options.first_until:
        time.sleep(1)
    rendered = read(options.out / "train", plan.layout, held=False)
    clips = modelled + rendered
    if not clips:
        raise SystemExit("no clips: nothing to learn from")
    told(clips)
    share = plan.rendered if modelled and rendered else 0.5
    often = np.r_[np.full(len(modelled), (1 - share) / max(len(modelled), 1)),
                  np.full(len(rendered), share / max(len(rendered), 1))]  # fmt: skip
    seconds = options.seconds - max(0.0, time.time() - options.first_until)
    net = snap_net.fit(
        clips, seconds, options.steps, plan.seed + 100, net, 0.6 * options.rate, options.batch, device, often,
        now_and_then=lambda n: snap_net.keep(n, weights),
    )  # fmt: skip
    snap_net.keep(net, weights)
    (out / f"{options.name}.onnx").write_bytes(snap_net.to_onnx(net))
    _told(net, options.out / "test", device, out / f"{options.name}.json")
    print("done", flush=True)


def _told(net: Any, folder: Path, device: str, to: Path) -> None:
    """Write and print what ``judged`` says; a fit does not end because of it."""
    try:
        figures = judged(net, folder, device)
        to.write_text(json.dumps(figures), encoding="utf-8")
    except Exception:
        traceback.print_exc()
        return
    for threshold, row in figures.items():
        print(threshold, row, flush=True)


def judged(net: Any, folder: Path, device: str) -> dict[str, Any]:
    """Of the test clips and the scorer alone, by threshold: snaps within two ticks, missed (none within 1.5 s),
    moments taken for a snap in clips without one. No exact frame is looked for."""
    import torch

    from models.training import snap_net

    net = net.to(device).eval()
    layout, rows = snap_net.LAYOUTS[net.layout], []
    with torch.no_grad():
        for clip in read(folder, net.layout):
            grid = torch.from_numpy(clip.grid).to(device).float()[None] / 255
            length = torch.tensor([grid.shape[1]], device=device)
            rows.append((clip, torch.sigmoid(net(snap_net.stacked(grid, length, layout), 1)).double().cpu().numpy()))
    net.cpu()
    return {f"{t:.2f}": _counted(rows, t) for t in (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6)} if rows else {}


def _counted(rows: Sequence[tuple[Any, NDArray[np.float64]]], threshold: float) -> dict[str, int]:
    out: Counter[str] = Counter(snaps=0, within_2=0, missed=0, extra=0, without=0, invented=0)
    for clip, score in rows:
        at = snap.peaks(score, snap.SnapSettings(threshold=threshold))
        truth = [t for t in clip.snaps if 9 <= t < len(score) - 5]
        out["without"] += not len(clip.snaps)
        out["invented"] += not len(clip.snaps) and bool(at)
        for want in truth:
            near = min((abs(k - want) for k in at), default=99.0)
            out["snaps"] += 1
            out["within_2"] += near <= 2.5
            out["missed"] += near > 45
        out["extra"] += max(0, len(at) - len(truth)) if truth else 0
    return {k: int(v) for k, v in out.items()}


def films_worker(options: argparse.Namespace) -> None:
    """Measure films of the bench's test set."""
    cv2.setNumThreads(1)

    def one(name: str) -> None:
        path = options.out / "films" / f"{name}.npz"
        snap_clips.save(path, *measured(options.film / f"{name}.mp4"))
        _travel(path)

    names = sorted(p.name.split(".")[0] for p in options.film.glob("*.truth.json"))
    names = [n for n in names if (options.film / f"{n}.mp4").exists()]
    work(Board(options.out / "pool_films"), names, one, options.until)


def measured(film: Path) -> tuple[Motion, NDArray[np.float64], str]:
    """(longest shot's motion, seconds of its snaps, view and kind) of a rendered film with its truth beside it."""
    from pipeline.motion import measure

    motion = max((m for _, m in measure(film, threads=1)), key=lambda m: len(m.frame))
    truth = json.loads(film.with_suffix(".truth.json").read_text(encoding="utf-8"))["snaps"]
    frames = [int(r["snap_frame"]) for r in truth if r.get("snap_frame") not in (None, "")]
    where = {int(f): float(t - motion.time_s[0]) for f, t in zip(motion.frame, motion.time_s, strict=True)}
    kind = " ".join(str(truth[0].get(k, "")) for k in ("view", "play_kind")) if truth else "none"
    return motion, np.array([where[f] for f in frames if f in where]), kind


def films(options: argparse.Namespace) -> None:
    """Run workers that measure films."""
    (options.out / "films").mkdir(parents=True, exist_ok=True)
    until = time.time() + options.seconds
    command = [
        sys.executable, "-m", "models.training.snap_fits", "films-worker", "--out", str(options.out), "--film",
        str(options.film), "--until", str(until - 4),
    ]  # fmt: skip
    Pool(Board(options.out / "pool_films"), command, options.workers, until, options.out / "films.log").run()
    print(len(list((options.out / "films").glob("*.xz"))), "films measured", flush=True)
    for name, words in list(Board(options.out / "pool_films").failures().items())[:3]:
        print(name, "failed:", words[-400:], flush=True)


def collect(options: argparse.Namespace) -> None:
    """At most three archives: fits, logs and test clips; training clips, those held back first; measured films."""
    options.to.mkdir(parents=True, exist_ok=True)
    fits = sorted(p for p in (options.out / "fits").glob("*") if p.suffix != ".part")
    fits += sorted(options.out.glob("*.log"))
    train = sorted((options.out / "train").glob("*.xz"), key=lambda p: (int(p.stem) % HELD != 0, p.stem))
    archive(options.to / "snap_fits.tar", options.out, [*fits, *sorted((options.out / "test").glob("*.xz"))])
    archive(options.to / "snap_clips.tar", options.out, train)
    archive(options.to / "snap_films.tar", options.out, sorted((options.out / "films").glob("*.xz")))


def archive(to: Path, root: Path, paths: Sequence[Path]) -> None:
    """A tar of files under MOST_BYTES, in order as long as they fit."""
    size, taken = 10_240, 0
    if not paths:
        return
    with tarfile.open(to, "w") as box:
        for path in paths:
            blob = path.read_bytes()
            room = 512 + -(-len(blob) // 512) * 512
            if size + room > MOST_BYTES:
                continue
            info = tarfile.TarInfo(str(path.relative_to(root)))
            info.size = len(blob)
            box.addfile(info, io.BytesIO(blob))
            size, taken = size + room, taken + 1
    print(f"{to.name}: {taken} of {len(paths)} files, {to.stat().st_size / 2**20:.1f} MiB", flush=True)


def unpack(options: argparse.Namespace) -> None:
    """Archives back into folders, clips as kept ones."""
    for tar in options.tar:
        with tarfile.open(tar) as box:
            for member in box:
                source = box.extractfile(member)
                path = options.out / member.name
                if source is None or ".." in Path(member.name).parts or path.is_absolute() != options.out.is_absolute():
                    continue
                path.parent.mkdir(parents=True, exist_ok=True)
                if path.suffix == ".xz":
                    _arrive(source.read(), path.with_suffix(".npz"))
                else:
                    path.write_bytes(source.read())


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(dest="what", required=True)
    for what in ("make", "make-worker", "fit", "films", "films-worker", "collect", "unpack"):
        step = steps.add_parser(what)
        step.add_argument("--out", type=Path, required=True)
        if what in ("make", "films"):
            step.add_argument("--workers", type=int, default=2)
            step.add_argument("--seconds", type=float, required=True)
        if what in ("make", "make-worker", "fit"):
            step.add_argument("--modelled", type=int, default=4000)
        if what in ("make", "make-worker"):
            step.add_argument("--clips", type=int, default=3000)
            step.add_argument("--test-clips", type=int, default=320)
        if what == "make":
            step.add_argument("--modelled-seconds", type=float, default=70.0)
        if what in ("make-worker", "films-worker"):
            step.add_argument("--until", type=float, required=True)
        if what in ("make-worker", "fit"):
            step.add_argument("--modelled-until", type=float, default=0.0)
        if what in ("films", "films-worker"):
            step.add_argument("--film", type=Path, required=True)
        if what == "fit":
            step.add_argument("--name", choices=list(FITS), required=True)
            step.add_argument("--first-until", type=float, required=True, help="second of the epoch")
            step.add_argument("--seconds", type=float, default=200.0, help="of the second part")
            step.add_argument("--steps", type=int, default=1_000_000)
            step.add_argument("--rate", type=float, default=4e-3)
            step.add_argument("--batch", type=int, default=32)
            step.add_argument("--threads", type=int, default=2)
        if what == "collect":
            step.add_argument("--to", type=Path, required=True)
        if what == "unpack":
            step.add_argument("--tar", type=Path, nargs="+", required=True)
    options = parser.parse_args()
    commands = {
        "make": make, "make-worker": make_worker, "fit": fit, "films": films, "films-worker": films_worker,
        "collect": collect, "unpack": unpack,
    }  # fmt: skip
    try:
        commands[options.what](options)
    except Exception:
        traceback.print_exc()
        raise SystemExit(1) from None


if __name__ == "__main__":
    main()
