"""The stages behind the finders once more on what a bench kept: tracks, alignment and labels of this checkout.

The finders are what costs; their finds of a whole bench travel in a few megabytes (``bench_set`` writes them). So a
change of the labels is measured on every play of the bench without the film, and without finding anybody again.
"""

from __future__ import annotations

import json
import lzma
import re
from collections.abc import Callable, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from pipeline import chart, tools
from pipeline import config as configs
from pipeline.audit.evidence import camera_of, people_of, snap_of
from pipeline.ledger import RUN_TABLES, ClipResult, Row, read_csv, write_csv
from pipeline.records import Registration, Shot, Snap
from pipeline.snap import SnapSettings

SURE = SnapSettings().sure
NEAR_TICKS = 8  # the frame lies this close to the peak of the score
AFTERTHOUGHT = re.compile(r"(; |^)only \d+ (of \d+ men|% of the men|men of the).*$")  # words that confirm adds
Changed = Callable[[tools.Tools], tools.Tools]


def read_evidence(path: Path) -> dict[str, Any]:
    """The raw evidence of a snap, packed or not."""
    data = path.read_bytes()
    found: dict[str, Any] = json.loads(lzma.decompress(data) if path.suffix == ".xz" else data)
    return found


def evidence_of(run: Path) -> dict[str, Path]:
    """Snap id -> file, of a run folder."""
    files = sorted((run / "evidence").glob("*.json*"))
    return {p.name.split(".json")[0]: p for p in files}


def registration_of(raw: Mapping[str, Any]) -> Registration:
    """Registration as written, its own evidence as plain values; what was not a number (null) is left out."""
    px, yd = (float("nan") if raw[k] is None else float(raw[k]) for k in ("error_px", "error_yd"))
    return Registration(
        raw["status"], camera_of(raw["camera"]), raw["view"], raw["level"], bool(raw["absolute_x_known"]), px, yd,
        raw.get("reason") or "", {k: v for k, v in (raw.get("evidence") or {}).items() if v is not None},
    )  # fmt: skip


def unconfirmed(raw: Mapping[str, Any]) -> Snap:
    """The snap as the snap finder gave it, before the tracks were asked: from its evidence.

    Frame and score are kept there; the time of a withdrawn one follows from the frames looked at (constant rate).
    """
    told, evidence = snap_of(raw["snap"]), raw["snap"].get("evidence") or {}
    score = evidence.get("score")
    frame = evidence.get("withdrawn_frame", told.frame)
    if "tracks" not in evidence or frame is None or (told.time_s is None and not score):
        return told
    first, last = raw["samples"][0], raw["samples"][-1]
    time = told.time_s
    if time is None:
        step = Fraction((last["time_s"] - first["time_s"]) / (last["frame"] - first["frame"])).limit_denominator(1001)
        time = frame * step
    sure = told.confidence
    if score:
        tick = round(float(time) / float(evidence["tick_s"]))
        sure = max(score[max(0, tick - NEAR_TICKS) : tick + NEAR_TICKS + 1])
    reason = AFTERTHOUGHT.sub("", "" if told.frame is None else told.reason)
    if not reason and sure < SURE:
        reason = f"score {sure:.2f} under {SURE:.2f}"
    return Snap("unsure" if reason else "ok", int(frame), time, float(sure), reason, {**evidence, "tracks": None})


def play_of(raw: Mapping[str, Any], number: int) -> chart.Play:
    """A play as the chart holds it after its last sampled frame, registration over time done."""
    samples = [
        chart.Sample(int(s["frame"]), float(s["time_s"]), people_of(s["people"]), registration_of(s["registration"]))
        for s in raw["samples"]
    ]
    wanted = {s.frame: s.time_s for s in samples}
    shot = Shot(**raw["shot"])
    return chart.Play(number, shot, unconfirmed(raw), wanted, {}, {f: np.eye(3) for f in wanted}, samples)


def again(path: Path, clip: str, stages: tools.Tools, config: configs.Config) -> ClipResult:
    """Rows of one snap, from its evidence; the tracks are asked again whether they bear the snap out."""
    snap_id = path.name.split(".json")[0]
    base, number = snap_id.rsplit("-p", 1)
    result = ClipResult(clip)
    kept = replace(stages, over_time=lambda frames, registrations, to_first: list(registrations))
    chart._finish(play_of(read_evidence(path), int(number)), clip, base, kept, config, None, result)
    return result


class Replay:
    """Runs in worker processes: the tools are loaded once in each. change: switches a stage to something else."""

    def __init__(self, config: configs.Config, change: Changed | None = None) -> None:
        self.config = config.with_("pictures", enabled=False)
        loaded = tools.load(self.config)
        self.tools = change(loaded) if change else loaded

    def __call__(self, path: Path, clip: str) -> dict[str, list[Row]]:
        return again(path, clip, self.tools, self.config).rows


_worker: list[Replay] = []


def _begin(change: Changed | None) -> None:
    import cv2

    cv2.setNumThreads(1)
    _worker[:] = [Replay(configs.load().with_("execution", threads=1), change)]


def _one(path: Path, clip: str) -> dict[str, list[Row]]:
    return _worker[0](path, clip)


def replay(collected: Path, out: Path, workers: int = 2, change: Changed | None = None, only: int = 0) -> Path:
    """Tables of a collected bench with the stages behind the finders run again, in ``out``; returns it.

    Clips without evidence (failed, no field, no snap withdrawn later) keep the rows they had. only: that many plays
    at most, the rest left as they were.
    """
    run = collected / "run"
    tables = {name: read_csv(run / f"{name}.csv", name) for name in RUN_TABLES}
    files = evidence_of(run)
    clip_of = {str(r["snap_id"]): str(r["clip"]) for r in tables["snaps"]}
    chosen = [s for s in clip_of if s in files][: only or None]
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_begin, initargs=(change,)) as pool:
        found = list(pool.map(_one, [files[s] for s in chosen], [clip_of[s] for s in chosen], chunksize=4))
    fresh = set(chosen)
    for name in ("snaps", "positions", "labels"):
        tables[name] = [r for r in tables[name] if r["snap_id"] not in fresh]
        tables[name] += [row for rows in found for row in rows.get(name, [])]
        tables[name].sort(key=lambda r: str(r["snap_id"]))
    for name, rows in tables.items():
        write_csv(out / f"{name}.csv", name, rows)
    return out
