"""The bench's test set on a machine with many cores: renders it in the background, charts it, gathers, packs.

::

    python -m models.training.bench_set render --out DIR --workers 14     # until done or `stop`; goes on where it was
    python -m models.training.bench_set stop --out DIR --wait 10
    python -m models.training.bench_set models --out DIR --people P.onnx --marks FOLDER
    python -m models.training.bench_set chart --out DIR --workers 30 --seconds 220
    python -m models.training.bench_set gather --out DIR                  # tables of the run and its truth
    python -m models.training.bench_set worst --out DIR --seconds 40      # the ten worst again, with pictures
    python -m models.training.bench_set pack --out DIR --to FOLDER        # archives that travel

DIR holds ``film/`` (clips with truth), ``run/`` (a run folder), ``truth/``, ``seen/`` (whom each looked-at frame
shows) and ``models/`` (another models folder). ``device/bench.sh`` calls these in turn.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import lzma
import os
import shutil
import sys
import tarfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.training import test_set
from models.training.bench_pool import Board, Pool, work
from pipeline import config as configs
from pipeline import models, tools
from pipeline.chart import chart_clip
from pipeline.evaluate import Report, evaluate
from pipeline.ledger import RUN_TABLES, ClipResult, failure_row, write_csv, write_json
from pipeline.people.kit import KIT_FEATURES
from pipeline.records import ROLES

BYSTANDER = ROLES.index("bystander")
SHARE = KIT_FEATURES.index("torso_share")
MOST_BYTES = 15_500_000  # of one archive
SEEN = ("person_id", "role", "side", "box_px", "visible", "ground_px", "xy_yd", "in_picture", "cut")


@dataclass(frozen=True)
class Place:
    """The folders of one bench."""

    out: Path

    @property
    def film(self) -> Path:
        return self.out / "film"

    @property
    def run(self) -> Path:
        return self.out / "run"

    @property
    def models(self) -> Path:
        return self.out / "models"

    def board(self, what: str) -> Board:
        return Board(self.out / "pool" / what)

    def rendered(self) -> list[str]:
        """Clips with film and truth, in order of their seeds; film is written last, under its final name."""
        return sorted(p.stem for p in self.film.glob("*.mp4") if self.film.joinpath(f"{p.stem}.truth.json").exists()
                      and ".part" not in p.name)  # fmt: skip

    def charted(self) -> list[str]:
        """Clips with a result, whatever it is."""
        return sorted(self.board("chart").names("done") | self.board("chart").names("failed"))


def levels() -> dict[str, str]:
    """Clip -> field level, for more seeds than any bench has."""
    return {c.name: c.level for c in test_set.plan(5000)}


def settings(place: Place, pictures: bool) -> configs.Config:
    """One thread a process, the processor alone, the models of the bench where it has some."""
    config = configs.load().with_("pictures", enabled=pictures).with_("execution", threads=1, device="cpu")
    return config.with_("models", folder=str(place.models)) if place.models.is_dir() else config


class Charter:
    """Charts clips one by one, each with its field level given, as a staff would give it."""

    def __init__(self, place: Place, pictures: bool = False) -> None:
        self.place, self.config = place, settings(place, pictures)
        self.tools = tools.load(self.config)
        self.levels = levels()
        self.at = lru_cache(maxsize=None)(self.tools.at_level)

    def __call__(self, name: str) -> None:
        """Chart a clip and keep its result; one that fails is kept as failed, and that is raised again."""
        try:
            result = chart_clip(
                self.place.film / f"{name}.mp4", f"{name}.mp4", name, self.config, self.at(self.levels[name]),
                self.place.run,
            )  # fmt: skip
        except Exception as e:
            keep_failure(self.place, name, e, getattr(e, "stage", "film"))
            raise
        keep(self.place, name, result)
        seen_frames(self.place, name, [int(r["frame"]) for r in result.rows.get("registration", [])])
        slim(self.place, name)


def keep(place: Place, name: str, result: ClipResult) -> None:
    """Keep the rows of a charted clip."""
    write_json(place.run / "results" / f"{name}.json", {**vars(result), "evidence": {}})


def keep_failure(place: Place, name: str, error: BaseException, stage: str) -> None:
    """The result of a clip that could not be charted."""
    result = ClipResult(f"{name}.mp4", failed=True)
    result.add("failures", failure_row(result.clip, error, stage))
    keep(place, name, result)


def seen_frames(place: Place, name: str, frames: list[int]) -> None:
    """Keep whom the looked-at frames show: seen/NAME.npz, players and officials alone, rounded to travel light."""
    path = place.film / f"{name}.npz"
    if not path.exists():
        return
    with np.load(path) as z:
        mine = np.isin(z["frame"], frames) & (z["role"] != BYSTANDER)
        arrays: dict[str, Any] = {"frame": z["frame"][mine].astype(np.int32)}
        for key in SEEN:
            values = z[key][mine]
            step = 4 if key.endswith("_px") else 64  # a quarter of a pixel; half an inch
            exact = values.dtype.kind != "f"
            arrays[key] = values.astype(np.int16) if exact else (np.round(values * step) / step).astype(np.float32)
    (place.out / "seen").mkdir(exist_ok=True)
    np.savez_compressed(place.out / "seen" / f"{name}.npz", **arrays)


def slim(place: Place, name: str) -> None:
    """Keep of the evidence what the stages behind the finders need to run again, rounded to travel light."""
    for path in (place.run / "evidence").glob(f"{name}-p*.json"):
        raw = json.loads(path.read_text(encoding="utf-8"))
        for sample in raw["samples"]:
            people = sample["people"]
            share = [k[SHARE] for k in people["kit"]]
            for key, digits in (("box_px", 1), ("ground_px", 2), ("head_px", 1), ("confidence", 3), ("kit", 1)):
                people[key] = rounded(people[key], digits)
            for kit, exact in zip(people["kit"], share, strict=True):
                kit[SHARE] = round(exact, 2)
        kept = {k: raw[k] for k in ("shot", "snap", "samples")}
        packed = lzma.compress(json.dumps(kept, separators=(",", ":")).encode(), preset=6)
        path.with_name(path.name + ".xz").write_bytes(packed)
        path.unlink()


def rounded(values: Any, digits: int) -> Any:
    """Nested lists of numbers with fewer digits."""
    if isinstance(values, list):
        return [rounded(v, digits) for v in values]
    return round(values, digits) if isinstance(values, float) else values


def render_worker(place: Place, plays: int, until: float) -> None:
    """Render clips from the first test seed on."""
    clips = {c.name: c for c in test_set.plan(plays)}

    def one(name: str) -> None:
        test_set.render(clips[name], place.film)

    work(place.board("render"), list(clips), one, until)


def chart_worker(place: Place, until: float) -> None:
    """Chart what is rendered."""
    work(place.board("chart"), place.rendered(), Charter(place), until)


def pool(options: argparse.Namespace, place: Place, what: str) -> None:
    """Run workers of this module for rendering or charting."""
    until = time.time() + options.seconds
    command = [sys.executable, "-m", "models.training.bench_set", what, "--out", str(place.out), "--worker", str(until)]
    command += ["--plays", str(options.plays)]
    board = place.board(what)
    board.make()
    Pool(board, command, options.workers, until, place.out / f"{what}.log").run()
    if what == "chart":
        for name, words in board.failures().items():
            if not (place.run / "results" / f"{name}.json").exists():
                keep_failure(place, name, RuntimeError(words.strip().splitlines()[-1]), "process")
    print(f"{what}: {len(board.names('done'))} done, {len(board.names('failed'))} failed", flush=True)
    for name, words in list(board.failures().items())[:5]:
        print(name, words[-600:], sep="\n", flush=True)


def install(place: Place, people: Path | None, marks: Path | None, confidence: float | None) -> None:
    """Copy models/ and put freshly trained networks in, listed with their checksums.

    Raises ModelError where one of them cannot be loaded: nothing may be measured with other models than meant.
    """
    part = place.out / f"models.{os.getpid()}"
    shutil.copytree(models.models_dir(), part, ignore=shutil.ignore_patterns("training", "__pycache__", "*.py"))
    manifest = part / "manifest.toml"
    text = manifest.read_text(encoding="utf-8")
    fresh = {"people": people, **{n: marks / f"{n}.onnx" for n in ("marks", "numbers") if marks is not None}}
    for name, path in fresh.items():
        if path is None or not path.is_file():
            print(f"{name}: as shipped", flush=True)
            continue
        entry = models.find(name, part)
        shutil.copyfile(path, entry.path)
        text = text.replace(entry.sha256, hashlib.sha256(path.read_bytes()).hexdigest())
        print(f"{name}: {path}", flush=True)
    if confidence is not None:
        head, tail = text.split("[people.settings]", 1)
        old = f"confidence = {models.find('people', part).settings['confidence']}"
        text = head + "[people.settings]" + tail.replace(old, f"confidence = {confidence}", 1)
    manifest.write_text(text, encoding="utf-8")
    for entry in models.read_manifest(part).values():
        models.read_checked(entry)
    for name in ("people", "marks", "numbers"):
        models.load(name, part, threads=1)
    shutil.rmtree(place.models, ignore_errors=True)
    part.rename(place.models)


def gather(place: Place) -> list[str]:
    """Tables of the run and of the truth of what was charted; returns the clips."""
    names = place.charted()
    results = [json.loads((place.run / "results" / f"{n}.json").read_text(encoding="utf-8")) for n in names]
    for table in RUN_TABLES:
        write_csv(place.run / f"{table}.csv", table, [row for r in results for row in r["rows"].get(table, [])])
    test_set.merge_truth([place.film / f"{n}.mp4" for n in names], place.out / "truth")
    facts: dict[str, Any] = {
        "seeds": [int(n.rsplit("_", 1)[1]) for n in names], "commit": os.environ.get("COMMIT", ""),
        "rendered": len(place.rendered()), "failed": place.board("chart").failures(),
        "timings_s": {n: r["timings_s"] for n, r in zip(names, results, strict=True)},
        "render_failed": place.board("render").failures(),
        "models": {n: e.sha256 for n, e in models.read_manifest(_folder(place)).items()},
    }  # fmt: skip
    write_json(place.out / "facts.json", facts)
    print(f"gathered {len(names)} clips, {len(facts['failed'])} failed", flush=True)
    return names


def _folder(place: Place) -> Path | None:
    return place.models if place.models.is_dir() else None


def worst_clips(report: Report, count: int = 10) -> list[str]:
    """Stems of the clips that are among the worst in most ways."""
    ways: dict[str, int] = {}
    for w in report.worst:
        ways[w["clip"]] = ways.get(w["clip"], 0) + 1
    return sorted(ways, key=lambda c: (-ways[c], c))[:count]


def worst(place: Place, workers: int, seconds: float) -> None:
    """Chart the ten worst clips again with pictures, beside the run."""
    report = evaluate(place.run, place.out / "truth")
    facts = json.loads((place.out / "facts.json").read_text(encoding="utf-8"))
    behind = evaluate(place.run, place.out / "truth", "endzone")
    write_json(place.out / "report.json", report.as_dict() | {"endzone": behind.as_dict()} | facts)
    again = Place(place.out / "again")
    again.film.mkdir(parents=True, exist_ok=True)
    for name in worst_clips(report):
        for suffix in (".mp4", ".truth.json"):
            shutil.copyfile(place.film / (name + suffix), again.film / (name + suffix))
    if place.models.is_dir() and not again.models.exists():
        again.models.symlink_to(place.models, target_is_directory=True)
    command = [sys.executable, "-m", "models.training.bench_set", "worst", "--out", str(again.out), "--worker"]
    until = time.time() + seconds
    Pool(again.board("chart"), [*command, str(until)], workers, until, place.out / "worst.log").run()
    shutil.rmtree(place.out / "worst", ignore_errors=True)
    frames = again.run / "frames"
    if frames.is_dir():
        shutil.copytree(frames, place.out / "worst")


def pack(place: Place, to: Path) -> None:
    """What has been found so far as files of at most MOST_BYTES: bench.tar.xz, and evidence_N.tar while it fits."""
    to.mkdir(parents=True, exist_ok=True)
    names = ("facts.json", "report.json", "run", "truth", "worst", "chart.log", "render.log")
    light = [p for n in names for p in _files(place.out / n) if "results" not in p.parts and p.suffix != ".xz"]
    light = [p for p in light if "evidence" not in p.parts]
    part = to / ".bench.part"
    for chosen in (light, [p for p in light if p.suffix != ".jpg"]):
        with tarfile.open(part, "w:xz", preset=3) as tar:
            for path in chosen:
                tar.add(path, path.relative_to(place.out))
        if part.stat().st_size < MOST_BYTES:
            break
    os.replace(part, to / "bench.tar.xz")
    heavy = sorted([*_files(place.run / "evidence"), *_files(place.out / "seen")], key=lambda p: p.name)
    number, size = 1, 0
    for old in to.glob("evidence_*.tar"):
        old.unlink()
    for path in heavy:
        if size + path.stat().st_size + 2048 > MOST_BYTES:
            number, size = number + 1, 0
        with tarfile.open(to / f"evidence_{number}.tar", "a") as tar:
            tar.add(path, path.relative_to(place.out))
        size += path.stat().st_size + 1536  # a header and the rest of a block
    print("packed", {p.name: p.stat().st_size for p in sorted(to.iterdir()) if p.is_file()}, flush=True)


def _files(path: Path) -> list[Path]:
    if path.is_dir():
        return sorted(p for p in path.rglob("*") if p.is_file())
    return [path] if path.exists() else []


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("render", "stop", "models", "chart", "gather", "worst", "pack"))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--plays", type=int, default=500)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=3600.0, help="workers are ended after so long")
    parser.add_argument("--wait", type=float, default=5.0, help="stop: how long to wait for the end")
    parser.add_argument("--people", type=Path)
    parser.add_argument("--marks", type=Path, help="folder of marks.onnx and numbers.onnx")
    parser.add_argument("--confidence", type=float, help="of the people finder, in place of the manifest's")
    parser.add_argument("--to", type=Path, help="pack: where the archives go")
    parser.add_argument("--worker", type=float, help=argparse.SUPPRESS)
    options = parser.parse_args(argv)
    cv2.setNumThreads(1)
    place = Place(options.out.resolve())
    place.film.mkdir(parents=True, exist_ok=True)
    if options.worker is not None:
        _work(options, place)
        return
    steps: dict[str, Callable[[], Any]] = {
        "render": lambda: _render(options, place),
        "stop": lambda: place.board("render").stop(options.wait),
        "models": lambda: install(place, options.people, options.marks, options.confidence),
        "chart": lambda: pool(options, place, "chart"),
        "gather": lambda: gather(place),
        "worst": lambda: worst(place, options.workers, options.seconds),
        "pack": lambda: pack(place, options.to or place.out),
    }
    steps[options.what]()


def _work(options: argparse.Namespace, place: Place) -> None:
    if options.what == "render":
        render_worker(place, options.plays, options.worker)
    elif options.what == "chart":
        chart_worker(place, options.worker)
    else:
        work(place.board("chart"), place.rendered(), Charter(place, pictures=True), options.worker)


def _render(options: argparse.Namespace, place: Place) -> None:
    if place.board("render").busy():
        print("rendering goes on from an earlier call", flush=True)
        return
    if not place.rendered():  # whatever broke every clip broke them for a reason outside them: all are tried again
        shutil.rmtree(place.board("render").folder, ignore_errors=True)
    pool(options, place, "render")


if __name__ == "__main__":
    main()
