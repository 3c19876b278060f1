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
import os
import shutil
import sys
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.training import test_set
from models.training.bench_pack import Place, install, pack, slim
from models.training.bench_pool import Pool, work
from pipeline import config as configs
from pipeline import models, pictures, tools
from pipeline.chart import chart_clip
from pipeline.evaluate import Report, evaluate
from pipeline.ledger import RUN_TABLES, ClipResult, failure_row, write_bytes, write_csv, write_json
from pipeline.records import ROLES

BYSTANDER = ROLES.index("bystander")
SEEN = ("person_id", "role", "side", "box_px", "visible", "ground_px", "xy_yd", "in_picture", "cut")


def levels(first_seed: int = test_set.TEST_SEED) -> dict[str, str]:
    """Clip -> field level, for more seeds than any bench has."""
    return {c.name: c.level for c in test_set.plan(5000, first_seed)}


def settings(place: Place, with_pictures: bool) -> configs.Config:
    """One thread a process, the processor alone, the models of the bench where it has some."""
    config = configs.load().with_("pictures", enabled=with_pictures).with_("execution", threads=1, device="cpu")
    return config.with_("models", folder=str(place.models)) if place.models.is_dir() else config


class Charter:
    """Charts clips one by one, each with its field level given, as a staff would give it."""

    def __init__(self, place: Place, with_pictures: bool = False, first_seed: int = test_set.TEST_SEED) -> None:
        self.place, self.config = place, settings(place, with_pictures)
        self.tools = tools.load(self.config)
        self.levels = levels(first_seed)
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


def render_worker(place: Place, plays: int, until: float, first_seed: int = test_set.TEST_SEED) -> None:
    """Render clips from the first seed on."""
    clips = {c.name: c for c in test_set.plan(plays, first_seed)}

    def one(name: str) -> None:
        test_set.render(clips[name], place.film)

    work(place.board("render"), list(clips), one, until)


def chart_worker(place: Place, until: float, first_seed: int = test_set.TEST_SEED) -> None:
    """Chart what is rendered."""
    work(place.board("chart"), place.rendered(), Charter(place, first_seed=first_seed), until)


def fingerprint(place: Place) -> str:
    """What a chart stands on: program, settings, models."""
    digest = hashlib.sha256(settings(place, False).fingerprint().encode())
    for path in sorted(Path(models.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    for entry in models.read_manifest(place.other_models).values():
        digest.update(entry.sha256.encode())
    return digest.hexdigest()


def forget_others(place: Place) -> None:
    """Results of another program, other settings or other models are not taken up."""
    mine, path = fingerprint(place), place.out / "pool" / "charted_with"
    if path.is_file() and path.read_text(encoding="utf-8") != mine:
        for folder in (place.board("chart").folder, place.run, place.out / "seen"):
            shutil.rmtree(folder, ignore_errors=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(mine, encoding="utf-8")


def pool(
    place: Place, what: str, plays: int, workers: int, seconds: float, first_seed: int = test_set.TEST_SEED
) -> None:
    """Run workers of this module for rendering or charting."""
    until = time.time() + seconds
    if what == "chart":
        forget_others(place)
    command = [sys.executable, "-m", "models.training.bench_set", what, "--out", str(place.out), "--worker", str(until)]
    board = place.board(what)
    board.make()
    command += ["--plays", str(plays), "--first-seed", str(first_seed)]
    Pool(board, command, workers, until, place.out / f"{what}.log").run()
    if what == "chart":
        for name, words in board.failures().items():
            if not (place.run / "results" / f"{name}.json").exists():
                keep_failure(place, name, RuntimeError(words.strip().splitlines()[-1]), "process")
    print(f"{what}: {len(board.names('done'))} done, {len(board.names('failed'))} failed", flush=True)
    for name, words in list(board.failures().items())[:5]:
        print(name, words[-600:], sep="\n", flush=True)


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
        "models": {n: e.sha256 for n, e in models.read_manifest(place.other_models).items()},
    }  # fmt: skip
    write_json(place.out / "facts.json", facts)
    print(f"gathered {len(names)} clips, {len(facts['failed'])} failed", flush=True)
    return names


def worst_clips(report: Report, count: int = 10) -> list[str]:
    """Stems of the clips that are among the worst in most ways."""
    ways: dict[str, int] = {}
    for w in report.worst:
        ways[w["clip"]] = ways.get(w["clip"], 0) + 1
    return sorted(ways, key=lambda c: (-ways[c], c))[:count]


def captioned(path: Path, target: Path, words: str) -> None:
    """A picture with what is wrong with it."""
    image = np.asarray(cv2.imread(str(path)), np.uint8)
    pictures.text(image, words[:180], (12, image.shape[0] - 12), 0.5, pictures.INK, chip=pictures.PAPER)
    write_bytes(target, pictures.jpeg(image))


def worst(place: Place, workers: int, seconds: float, first_seed: int = test_set.TEST_SEED) -> None:
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
    command = [sys.executable, "-m", "models.training.bench_set", "worst", "--out", str(again.out),
               "--first-seed", str(first_seed), "--worker"]  # fmt: skip
    until = time.time() + seconds
    Pool(again.board("chart"), [*command, str(until)], workers, until, place.out / "worst.log").run()
    shutil.rmtree(place.out / "worst", ignore_errors=True)
    for rank, name in enumerate(worst_clips(report), start=1):
        words = "; ".join(f"{w['what']} {w['value']:g}" for w in report.worst if w["clip"] == name)
        for path in sorted((again.run / "frames").glob(f"{name}-p*.jpg")):
            captioned(path, place.out / "worst" / f"{rank:02d}-{path.name}", words)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("render", "stop", "models", "chart", "gather", "worst", "pack"))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--plays", type=int, default=500)
    parser.add_argument(
        "--first-seed", type=int, default=test_set.TEST_SEED, help="of the clips; another one for a set to develop on"
    )
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
        "chart": lambda: pool(
            place, "chart", options.plays, options.workers, options.seconds, options.first_seed
        ),
        "gather": lambda: gather(place),
        "worst": lambda: worst(place, options.workers, options.seconds, options.first_seed),
        "pack": lambda: pack(place, options.to or place.out),
    }
    steps[options.what]()


def _work(options: argparse.Namespace, place: Place) -> None:
    if options.what == "render":
        render_worker(place, options.plays, options.worker, options.first_seed)
    elif options.what == "chart":
        chart_worker(place, options.worker, options.first_seed)
    else:
        charter = Charter(place, with_pictures=True, first_seed=options.first_seed)
        work(place.board("chart"), place.rendered(), charter, options.worker)


def _render(options: argparse.Namespace, place: Place) -> None:
    if place.board("render").busy():
        print("rendering goes on from an earlier call", flush=True)
        return
    if not place.rendered():  # whatever broke every clip broke them for a reason outside them: all are tried again
        shutil.rmtree(place.board("render").folder, ignore_errors=True)
    pool(place, "render", options.plays, options.workers, options.seconds, options.first_seed)


if __name__ == "__main__":
    main()
