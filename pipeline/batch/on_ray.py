"""Engine: workers of a Ray cluster (extra ``ray``). Film and run folder must be on a disk that all machines share.

``ray://HOST:PORT`` joins a cluster, ``ray://auto`` the one this machine belongs to, ``ray://local`` starts one here.
A worker that is lost costs nothing: its clip is tried again elsewhere, and one more is started. On a machine with a
GPU a worker has one for itself.
"""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.batch.jobs import (
    ATTEMPTS,
    Ended,
    Event,
    Job,
    Plan,
    Recipe,
    Started,
    cores,
    crashed,
    hung,
    limit_s,
)
from pipeline.errors import OutputError, SnapledgerError, UsageError
from pipeline.ledger import WORK, write_bytes

PREFIX = "ray://"
LOOK_EVERY_S = 1.0
START_LIMIT_S = 600.0  # for a machine to be found and the models to be loaded


def _ray() -> Any:
    try:
        import ray
    except ImportError as e:
        raise UsageError("Ray is not installed.", hint="pip install 'snapledger[ray]', or leave --on out.") from e
    return ray


def connect(address: str, workers: int) -> Any:
    """Join or start the cluster of ``ray://ADDRESS``; the ray module. Raises UsageError."""
    where = address.removeprefix(PREFIX)
    if not address.startswith(PREFIX) or not where:
        raise UsageError(f"Unknown place {address!r}.", hint="--on local, here, ray://local, ray://HOST:PORT.")
    ray = _ray()
    os.environ.setdefault("RAY_USAGE_STATS_ENABLED", "0")  # nothing leaves these machines
    quiet = {"log_to_driver": False, "logging_level": "ERROR", "ignore_reinit_error": True}
    try:
        if where == "local":
            ray.init(num_cpus=max(workers, 1), include_dashboard=False, **quiet)
        else:
            ray.init(address="auto" if where == "auto" else address, **quiet)
    except Exception as e:  # ray raises many kinds of its own
        raise UsageError(
            f"No Ray cluster answers at {address}: {str(e).splitlines()[0] if str(e) else type(e).__name__}",
            hint="Start it with `ray start --head` and name HOST:PORT of its client server (10001 by default).",
        ) from e
    return ray


class Actor:
    """What runs on a machine of the cluster: a worker with its own models."""

    def __init__(self, recipe: Recipe, threads: int, token: str) -> None:
        from pipeline.batch.work import Worker, use_threads

        if not (recipe.out / WORK / token).is_file():
            raise OutputError("A machine of the cluster does not see the run folder.", where=recipe.out,
                              hint="Film and --out must be on a disk that all machines share.")  # fmt: skip
        use_threads(threads)
        self.worker = Worker(recipe)

    def ready(self) -> int:
        """Process id, once the models are loaded."""
        return os.getpid()

    def length(self, job: Job) -> float:
        """Seconds of film; 0 where it cannot be told."""
        from pipeline import film

        try:
            info = film.probe(job.clip.path, self.worker.recipe.config.film.longest_s)
        except SnapledgerError:
            return 0.0
        return float(info.duration_s or 0.0)

    def do(self, job: Job) -> None:
        """Chart and store a clip. Raises OutputError."""
        self.worker.do(job)


@dataclass
class _Seat:
    """An actor, what it is asked for at the moment, and until when it may take."""

    actor: Any
    pending: Any
    step: str  # ready, idle, length, do
    deadline: float
    job: Job | None = None
    pid: int = 0


class OnRay:
    """Does jobs with actors of a cluster; at most ``plan.workers``, each with plan.threads cores."""

    def __init__(self, address: str, recipe: Recipe, plan: Plan) -> None:
        self.ray = connect(address, plan.workers * plan.threads)
        self.address, self.recipe, self.plan = address, recipe, plan
        self._token = f".shared-{os.getpid()}"
        self._gpu = 1 if self.ray.cluster_resources().get("GPU", 0) >= 1 else 0
        self._seats: list[_Seat] = []
        self._failed_starts = 0

    @property
    def models_sha256(self) -> str:
        return self.recipe.models_sha256

    def describe(self) -> str:
        gpu = ", a GPU each" if self._gpu else ""
        return f"Ray at {self.address}, up to {self.plan.workers} worker(s) of {self.plan.threads} core(s){gpu}"

    def pids(self) -> list[int]:
        """Process ids of the workers that are ready."""
        return [s.pid for s in self._seats if s.pid]

    def run(self, jobs: Sequence[Job]) -> Iterator[Event]:
        """Events as they happen. Raises SnapledgerError: results cannot be written, no worker can start."""
        write_bytes(self.recipe.out / WORK / self._token, b"snapledger")
        todo = deque(replace(j, clip=replace(j.clip, path=j.clip.path.resolve())) for j in jobs)
        while todo or any(s.job for s in self._seats):
            yield from self._fill(todo)
            pending = {s.pending: s for s in self._seats if s.pending is not None}
            done, _ = self.ray.wait(list(pending), num_returns=1, timeout=LOOK_EVERY_S) if pending else ([], [])
            for handle in done:
                yield from self._hear(pending[handle], todo)
            for seat in [s for s in self._seats if s.step != "idle" and time.monotonic() > s.deadline]:
                yield from self._lose(seat, todo, "")

    def _fill(self, todo: deque[Job]) -> Iterator[Event]:
        for seat in [s for s in self._seats if s.step == "idle"]:
            if todo:
                seat.job = todo.popleft()
                seat.step, seat.pending = "length", seat.actor.length.remote(seat.job)
                seat.deadline = time.monotonic() + limit_s(self.recipe.config, None)
                yield Started(seat.job)
        waiting = sum(1 for s in self._seats if s.job is None)
        while len(self._seats) < self.plan.workers and waiting < len(todo):
            options = {"num_cpus": self.plan.threads, "num_gpus": self._gpu, "max_restarts": 0}
            actor = self.ray.remote(Actor).options(**options).remote(self.recipe, self.plan.threads, self._token)
            self._seats.append(_Seat(actor, actor.ready.remote(), "ready", time.monotonic() + START_LIMIT_S))
            waiting += 1

    def _hear(self, seat: _Seat, todo: deque[Job]) -> Iterator[Event]:
        try:
            value = self.ray.get(seat.pending)
        except self.ray.exceptions.RayTaskError as e:
            self._drop(seat)
            raise _cause(e) from e
        except self.ray.exceptions.RayError as e:
            cause = getattr(e, "cause", None)
            if seat.step == "ready" and isinstance(_cause(e), SnapledgerError):
                self._drop(seat)
                raise _cause(e) from e
            yield from self._lose(seat, todo, type(cause or e).__name__)
            return
        if seat.step == "ready":
            seat.pid, seat.step, seat.pending, self._failed_starts = value, "idle", None, 0
        elif seat.step == "length":
            seat.deadline = time.monotonic() + limit_s(self.recipe.config, value)
            seat.step, seat.pending = "do", seat.actor.do.remote(seat.job)
        elif seat.job is not None:
            job, seat.job, seat.step, seat.pending = seat.job, None, "idle", None
            yield Ended(job)

    def _lose(self, seat: _Seat, todo: deque[Job], how: str) -> Iterator[Event]:
        self._drop(seat)
        job = seat.job
        if job is None:
            self._failed_starts += 1
            if self._failed_starts >= max(3, self.plan.workers):
                raise SnapledgerError(f"No worker of the cluster gets ready ({how or 'no room in time'}).",
                                      hint="Look at `ray status`; fewer --workers may fit.")  # fmt: skip
        elif job.attempt < ATTEMPTS:
            todo.append(replace(job, attempt=job.attempt + 1))
        else:
            limit = limit_s(self.recipe.config, None)
            yield Ended(job, True, crashed(job, how) if how else hung(job, limit), "film")

    def _drop(self, seat: _Seat) -> None:
        self._seats.remove(seat)
        self.ray.kill(seat.actor, no_restart=True)

    def close(self) -> None:
        """End all workers and leave the cluster."""
        for seat in list(self._seats):
            self._drop(seat)
        (self.recipe.out / WORK / self._token).unlink(missing_ok=True)
        if self.ray.is_initialized():
            self.ray.shutdown()


def _cause(e: Exception) -> SnapledgerError:
    """The program's own error inside one of ray's."""
    found: BaseException | None = e
    for _ in range(6):
        if isinstance(found, SnapledgerError):
            return found
        found = getattr(found, "cause", None) or getattr(found, "__cause__", None)
    return SnapledgerError(f"A worker failed: {str(e).strip().splitlines()[-1]}")


def plan_for(recipe: Recipe, workers: int, jobs: int) -> Plan:
    """How many workers and cores each: on a cluster --workers counts all machines together."""
    threads = recipe.config.execution.threads or 2
    return Plan(max(1, min(workers or jobs, jobs, 512)), min(threads, cores()) if not workers else threads)
