"""What the engines share: jobs, events, the recipe of a worker, how the cores are divided, time limits."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pipeline.config import Config
from pipeline.errors import InputError, SnapledgerError

WORKER_BYTES = 1_000_000_000  # a worker with its models on 1080p film and room; the bench measures the peak
ATTEMPTS = 2  # a clip that crashed or hung its worker is tried once more


@dataclass(frozen=True)
class Clip:
    """One film file of a run: path, name in the ledger and stem of its snap ids, both unique in the run."""

    path: Path
    name: str
    snap_base: str


@dataclass(frozen=True)
class Job:
    """A clip to chart. level: field level that the other clips of the run showed, None to tell it from the film;
    note: a sentence for the clip's notes; attempt: 1, or 2 where a worker was lost over it; only_level: do not chart
    it, only tell its field level (pipeline.batch.level)."""

    clip: Clip
    level: str | None = None
    note: str = ""
    attempt: int = 1
    only_level: bool = False


@dataclass(frozen=True)
class Recipe:
    """All a worker needs to know to do jobs: settings, run folder, checksum of the models it must find.

    tools: 'module:function' that loads the stages from a Config; a test names stand-ins.
    """

    config: Config
    out: Path
    models_sha256: str = ""
    tools: str = "pipeline.tools:load"


@dataclass(frozen=True)
class Started:
    """A worker began with a clip."""

    job: Job


@dataclass(frozen=True)
class Advanced:
    """Share of a clip that is done, 0..1."""

    job: Job
    share: float


@dataclass(frozen=True)
class Ended:
    """A clip's result is stored in the run folder (lost False), or its worker was lost twice over it.

    error and stage: what was lost and where; only for lost clips.
    """

    job: Job
    lost: bool = False
    error: SnapledgerError | None = None
    stage: str = ""


Event = Started | Advanced | Ended


class Engine(Protocol):
    """Does jobs in any order. ``run`` may be called several times; ``close`` ends all workers at once."""

    @property
    def models_sha256(self) -> str: ...

    def describe(self) -> str:
        """In words: where, how many."""

    def run(self, jobs: Sequence[Job]) -> Iterator[Event]:
        """Do jobs; an Ended event for each. Raises SnapledgerError where no more work is possible."""

    def close(self) -> None: ...


def cores() -> int:
    """Processor cores this process may use: affinity and, on Linux, the quota of its control group."""
    found = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    try:  # Linux kernel documentation, cgroup v2: cpu.max holds "quota period", "max" for none
        quota, period = Path("/sys/fs/cgroup/cpu.max").read_text(encoding="ascii").split()
        if quota != "max":
            found = min(found, max(1, round(int(quota) / int(period))))
    except (OSError, ValueError):
        pass
    return max(1, found)


def memory_bytes() -> int | None:
    """Memory that is free for new processes; None where the system does not say (not Linux)."""
    try:
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError):
        pass
    return None


@dataclass(frozen=True)
class Plan:
    """Workers and threads of each; why names what limited the workers, blank for the cores."""

    workers: int
    threads: int
    why: str = ""


def divide(config: Config, jobs: int, have_cores: int | None = None, free: int | None = None) -> Plan:
    """How the machine is divided: workers times threads is the number of cores.

    execution.workers 0 takes one worker a core, as many as there are clips and memory for; execution.threads 0
    divides the cores among the workers.
    """
    have = have_cores or cores()
    wanted, why = config.execution.workers or have, ""
    free = memory_bytes() if free is None else free
    room = max(1, int(0.85 * free / WORKER_BYTES)) if free is not None else wanted
    if not config.execution.workers and room < wanted:
        wanted, why = room, f"memory is free for {room} workers"
    workers = max(1, min(wanted, jobs))
    return Plan(workers, config.execution.threads or max(1, have // workers), why)


def limit_s(config: Config, film_s: float | None) -> float:
    """Seconds after which a clip's worker counts as hung; the floor until the length of the film is known."""
    execution = config.execution
    return max(execution.limit_floor_s, execution.limit_per_film_s * (film_s or 0.0))


def hung(job: Job, after_s: float) -> InputError:
    """The error of a clip that took too long, twice."""
    return InputError(
        f"No end after {after_s:.0f} s of work, twice.", where=job.clip.name,
        hint="Play the file through and cut out what is damaged; a slow computer may need a larger "
        "execution.limit_per_film_s.",
    )  # fmt: skip


def crashed(job: Job, how: str) -> InputError:
    """The error of a clip that took its worker down, twice."""
    return InputError(
        f"The worker ended while charting it ({how}), twice.", where=job.clip.name,
        hint="The file may be damaged, or memory ran out: try it alone with --workers 1.",
    )  # fmt: skip
