"""What does each learned part buy? Each is switched off in turn, everything else left as it is.

From a collected bench (``bench_set``), by running the stages behind the finders again: people over time (only the
frame at the snap is used), the label classifier (rules alone), the calibration of probabilities. From stills: the
dense answers, level and view of the marks network (cameras start from its lines alone), the numbers network (nothing is
read). From clips: the snap scorer (the largest rise of movement instead).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training import bench_replay, eyes_figures, eyes_stills, eyes_table
from models.training.eyes_figures import share
from pipeline import config as configs
from pipeline import labels, models, motion, registration, snap, tools, tracks
from pipeline.evaluate import evaluate
from pipeline.label_figures import Value
from pipeline.labels import forest
from pipeline.registration import start

LABEL_KEYS = (
    "labels_deep_safeties_exact", "labels_rushers_exact", "labels_rotation_accuracy", "labels_play_kind_accuracy",
    "labels_coverage_after_top1", "labels_coverage_after_top2", "labels_man_zone_accuracy", "labels_worst_ece",
)  # fmt: skip
EYE_KEYS = (
    "eyes_position_median_yd_sideline", "eyes_position_p95_yd_sideline", "eyes_people_recall_sideline",
    "eyes_people_precision_sideline",
)  # fmt: skip
STILLS = 120
TRUST = "trust_"


@dataclass(frozen=True)
class Part:
    """One figure with a part and without it. unit: share, yd, ece."""

    part: str
    without: str
    figure: str
    unit: str
    n: int
    on: float
    off: float


def rules_alone(t: tools.Tools) -> tools.Tools:
    """Labels without any learned score."""
    settings = labels.load(None)
    return replace(t, label=lambda found, aligned: labels.label(found, aligned, settings, forests={}))


def not_calibrated(t: tools.Tools) -> tools.Tools:
    """Labels with their scores as confidences."""
    settings = labels.load(None)
    kept = {k: v for k, v in forest.shipped().items() if not k.startswith(TRUST)}
    return replace(t, label=lambda found, aligned: labels.label(found, aligned, settings, forests=kept))


def at_the_snap_alone(t: tools.Tools) -> tools.Tools:
    """People placed from the one frame at the snap (and one second after it, for the rows of that moment)."""

    def build(samples: list[tracks.Sample]) -> Any:
        def nearest(at: float) -> tracks.Sample:
            return min(samples, key=lambda s: abs(s.time_s - at))

        return t.build_tracks(list({id(s): s for s in (nearest(0.0), nearest(1.0))}.values()))

    return replace(t, build_tracks=build)


def _values(run: Path, truth: Path, eyes: bool) -> dict[str, Value]:
    found = eyes_figures.figures(run, truth) if eyes else evaluate(run, truth).label_figures
    return {v.key: v for v in found}


def from_collected(collected: Path, work: Path, workers: int, only: int = 0) -> list[Part]:
    """The parts behind the finders. work: folder for tables; only: so many plays at most."""
    truth = collected / "truth"
    base = bench_replay.replay(collected, work / "base", workers, None, only)
    with_all = {eyes: _values(base, truth, eyes) for eyes in (True, False)}
    out: list[Part] = []
    changes: tuple[tuple[str, str, bench_replay.Changed, bool, Sequence[str]], ...] = (
        ("people over time", "the frame at the snap alone", at_the_snap_alone, True, EYE_KEYS),
        ("label classifier", "rules alone", rules_alone, False, LABEL_KEYS),
        ("calibrated probabilities", "scores as they are", not_calibrated, False, ("labels_worst_ece",)),
    )
    for part, without, change, eyes, keys in changes:
        run = bench_replay.replay(collected, work / change.__name__, workers, change, only)
        off = _values(run, truth, eyes)
        for key in keys:
            if key in with_all[eyes] and key in off:
                on = with_all[eyes][key]
                out.append(Part(part, without, words(key), on.unit, on.n, on.value, off[key].value))
    return out


def words(key: str) -> str:
    """A key of metrics.json in words."""
    from pipeline import label_figures

    return (eyes_figures.WORDS.get(key) or label_figures.WORDS.get(key) or (key,))[0]


def blind(network: models.Network) -> models.Network:
    """The network's outputs as zeros: it runs, and says nothing."""

    def answer(x: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        return [np.zeros_like(y) for y in network(x)]

    return answer


@contextmanager
def lines_alone() -> Iterator[None]:
    """No start from the dense answers of the marks network."""
    with mock.patch.object(start, "from_dense", lambda *a, **k: (np.zeros((0, 8)), 0.0)):
        yield


def _without_numbers(t: tools.Tools) -> tools.Tools:
    numbers = blind(models.load("numbers", threads=1))
    return replace(t, registrar=registration.Registrar(threads=1, numbers_network=numbers))


def _stills(job: tuple[Path, str]) -> list[eyes_stills.Seen]:
    from models.training.film.shards import read_shard

    path, what = job
    cv2.setNumThreads(1)
    stages = tools.load(configs.load().with_("execution", threads=1).with_("people", passes_still="whole"), still=True)
    if what == "numbers":
        stages = _without_numbers(stages)
    with lines_alone() if what == "marks" else nullcontext():
        return [
            eyes_stills.record(np.asarray(cv2.imread(str(picture)), np.uint8), truth, picture.name, stages)
            for picture, truth in read_shard(path)
        ]


def from_stills(folder: Path, workers: int, stills: int = STILLS) -> list[Part]:
    """The registration networks, on the first stills of a folder."""
    shards = sorted(folder.glob("shard_*.json"))[: max(1, stills // eyes_stills.SHARD)]
    found: dict[str, list[eyes_stills.Seen]] = {}
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        for what in ("", "marks", "numbers"):
            some = pool.map(_stills, [(s, what) for s in shards])
            found[what] = [r for shard in some for r in shard]
    base = eyes_table.figures(found[""])
    out: list[Part] = []
    for what, part, without, keys in (
        ("marks", "marks network: dense answers", "starts from its lines alone", ("usable", "level_told")),
        ("numbers", "numbers network", "nothing read", ("absolute_known", "absolute_wrong", "level_told")),
    ):
        off = eyes_table.figures(found[what])
        for key in keys:
            if key in base:
                other = off[key]["value"] if key in off else float("nan")
                name = {"usable": "registration usable", "level_told": "level told", "absolute_known":
                        "absolute line known", "absolute_wrong": "wrong of those"}[key]  # fmt: skip
                out.append(Part(part, without, f"stills: {name}", "share", int(base[key]["n"]),
                                base[key]["value"], other))  # fmt: skip
    return out


def largest_rise(grid: NDArray[np.float32]) -> NDArray[np.float64]:
    """(K,) rise of the movement in the whole picture, 1 for the largest of the clip: needs nothing learned."""
    level = grid.reshape(len(grid), -1).mean(1).astype(float)
    ticks = np.arange(len(level))
    total = np.concatenate([[0.0], np.cumsum(level)])

    def mean(a: NDArray[Any], b: NDArray[Any]) -> NDArray[np.float64]:
        a, b = np.clip(a, 0, len(level) - 1), np.clip(b, 1, len(level))
        return np.asarray((total[b] - total[a]) / np.maximum(b - a, 1))

    rise = np.maximum(mean(ticks, ticks + 12) - mean(ticks - 15, ticks), 0.0)
    return np.asarray(rise / max(float(rise.max()), 1e-9))


def _snaps(path: Path) -> tuple[list[float], list[float]]:
    """Times of the snaps found in a clip, with the scorer and without."""
    cv2.setNumThreads(1)
    both: tuple[list[float], list[float]] = ([], [])
    for shot, moved in motion.measure(path, threads=1):
        for found, scorer in zip(both, (snap.shipped_scorer(), largest_rise), strict=True):
            for s in snap.find_snaps(moved, shot=shot, scorer=scorer):
                if s.frame is not None and s.time_s is not None:
                    found.append(float(s.time_s))
    return both


def from_clips(film: Sequence[Path], truth: Mapping[str, float | None], workers: int) -> list[Part]:
    """The snap scorer on clips. truth: clip name -> time of its snap, None where there is none."""
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        found = list(pool.map(_snaps, film))
    out: list[Part] = []
    near = eyes_figures.SNAP_FRAMES / eyes_figures.SNAP_RATE + 1e-3

    def right(times: Sequence[float], want: float) -> bool:
        return bool(times) and min(abs(t - want) for t in times) <= near

    named = [(truth[p.name], f) for p, f in zip(film, found, strict=True) if p.name in truth]
    for name, pairs in (
        ("snap within 2 frames, before the tracks confirm it",
         [[right(f[k], want) for want, f in named if want is not None] for k in (0, 1)]),
        ("no snap found on clips without one, before the tracks confirm it",
         [[not f[k] for want, f in named if want is None] for k in (0, 1)]),
    ):  # fmt: skip
        values = [share("x", hits) for hits in pairs]
        if values[0] and values[1]:
            out.append(Part("snap scorer", "the largest rise of movement", name, "share", values[0][0].n,
                            values[0][0].value, values[1][0].value))  # fmt: skip
    return out


def table(parts: Sequence[Part]) -> str:
    """Markdown."""
    from pipeline.evaluate_show import shown

    lines = ["| learned part | instead | figure | over | with | without |", "|---|---|---|---|---|---|"]
    for p in parts:
        cells = (p.part, p.without, p.figure, p.n, shown(p.on, p.unit), shown(p.off, p.unit))
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)
