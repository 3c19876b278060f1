"""How long a run will take: seconds of work for a second of film, measured here or by the bench."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from pipeline.ledger import ClipResult
from pipeline.models import models_dir

BENCH_CORES = 2  # the bench measures with two cores for one clip
FEWEST = 3  # finished clips of a run that say more about this machine than the bench does


@dataclass(frozen=True)
class Rate:
    """Core seconds of work for a second of film, and where the figure is from; None where nothing is known."""

    core_s: float | None
    source: str


def rate(done: Iterable[ClipResult], threads: int) -> Rate:
    """From the finished clips of the run folder (charted with so many threads each), else from the bench."""
    timed = [(r.timings_s.get("total", 0.0), r.film_s) for r in done if not r.failed and r.film_s > 0]
    timed = [(work, film) for work, film in timed if work > 0]
    if len(timed) >= FEWEST:
        total = sum(work for work, _ in timed) / sum(film for _, film in timed)
        return Rate(total * threads, f"as measured on {len(timed)} clip(s) charted here before")
    try:
        found = float(json.loads((models_dir() / "metrics.json").read_text(encoding="utf-8"))["work_s_per_film_s"])
    except (OSError, ValueError, KeyError, TypeError):
        return Rate(None, "nothing measured yet")
    return Rate(found * BENCH_CORES, "as measured by the bench on rendered film")


def wall_s(film_s: Iterable[float], found: Rate, workers: int, threads: int) -> float | None:
    """Seconds until all clips are charted; the longest clip is a floor. None where nothing is known."""
    lengths = list(film_s)
    if found.core_s is None or not lengths:
        return None
    each = found.core_s / threads
    return max(sum(lengths) * each / workers, max(lengths) * each)
