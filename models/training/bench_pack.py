"""The folders of a bench, the models it measures, and what of it travels."""

from __future__ import annotations

import hashlib
import json
import lzma
import os
import shutil
import tarfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from models.training.bench_pool import Board
from pipeline import models
from pipeline.people.kit import KIT_FEATURES

SHARE = KIT_FEATURES.index("torso_share")
LOGS = ("chart.log", "render.log", "eyes.log", "worst.log")
MOST_BYTES = 15_500_000  # of one archive


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

    @property
    def other_models(self) -> Path | None:
        """The models folder of this bench, where it has one."""
        return self.models if self.models.is_dir() else None

    def board(self, what: str) -> Board:
        return Board(self.out / "pool" / what)

    def rendered(self) -> list[str]:
        """Clips with film and truth, in order of their seeds; film is written last, under its final name."""
        return sorted(p.stem for p in self.film.glob("*.mp4") if self.film.joinpath(f"{p.stem}.truth.json").exists()
                      and ".part" not in p.name)  # fmt: skip

    def charted(self) -> list[str]:
        """Clips with a result, whatever it is."""
        return sorted(self.board("chart").names("done") | self.board("chart").names("failed"))


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


def pack(place: Place, to: Path) -> None:
    """What has been found so far as files of at most MOST_BYTES: bench.tar.xz, and evidence_N.tar while it fits."""
    to.mkdir(parents=True, exist_ok=True)
    names = ("facts.json", "report.json", "run", "truth", "worst", "eyes/records", *LOGS)
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
