"""Engine: processes of this machine. A clip that crashes or hangs its worker costs that clip alone.

Workers are spawned (never forked: networks and decoders hold threads), load their models once, store each result
themselves and end with the run, even where the run was killed. They ignore Ctrl-C: the run ends them.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from multiprocessing.connection import Connection, wait
from typing import Any

from pipeline.batch.jobs import (
    ATTEMPTS,
    Advanced,
    Ended,
    Event,
    Job,
    Plan,
    Recipe,
    Started,
    crashed,
    hung,
    limit_s,
)  # fmt: skip
from pipeline.errors import SnapledgerError

START_LIMIT_S = 300.0  # for loading the models
FAILED_STARTS = 3  # workers that end while starting, one after the other, before the run gives up
SHARE_EVERY_S = 0.25
STAGE_BYTES = 32
_SPAWN = multiprocessing.get_context("spawn")


def _watch_parent() -> None:
    """End this process when the run's process is gone, however it went."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def serve(pipe: Connection, recipe: Recipe, threads: int, stage: Any) -> None:
    """A worker process: load, then do jobs until the pipe closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_watch_parent, daemon=True).start()
    from pipeline import chart, film
    from pipeline.batch.work import Worker, use_threads

    use_threads(threads)
    try:
        worker = Worker(recipe)
    except SnapledgerError as e:
        pipe.send(("broken", e))
        return

    def entered(name: str) -> None:
        stage.value = name.encode()[:STAGE_BYTES]

    chart.on_stage = entered
    pipe.send(("ready", worker.tools.models_sha256))
    with suppress(EOFError, KeyboardInterrupt):
        while True:
            job: Job = pipe.recv()
            entered("film")
            with suppress(SnapledgerError):  # the reason is charting's to tell
                info = film.probe(job.clip.path, recipe.config.film.longest_s)
                pipe.send(("length", float(info.duration_s or 0.0)))
            try:
                worker.do(job, _throttled(lambda share: pipe.send(("share", share))))
            except SnapledgerError as e:
                pipe.send(("broken", e))
                return
            pipe.send(("done", None))


def _throttled(tell: Callable[[float], None]) -> Callable[[float], None]:
    last = [0.0]

    def tick(share: float) -> None:
        now = time.monotonic()
        if now - last[0] >= SHARE_EVERY_S:
            last[0] = now
            tell(share)

    return tick


@contextmanager
def _thread_variables(threads: int) -> Iterator[None]:
    """A child's libraries read these when they are imported, before any code of ours runs in it."""
    from pipeline.batch.work import THREAD_VARIABLES

    before = {name: os.environ.get(name) for name in THREAD_VARIABLES}
    os.environ.update(dict.fromkeys(THREAD_VARIABLES, str(threads)))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@dataclass
class _Seat:
    """A worker process and the job it has."""

    process: Any
    pipe: Connection
    stage: Any
    since: float = field(default_factory=time.monotonic)  # of its start or of its job
    limit_s: float = START_LIMIT_S
    ready: bool = False
    job: Job | None = None

    @property
    def left_s(self) -> float:
        """Seconds until it counts as hung; without a job a worker may wait for ever."""
        if self.ready and self.job is None:
            return float("inf")
        return self.since + self.limit_s - time.monotonic()

    def give(self, job: Job, limit: float) -> None:
        self.since, self.limit_s, self.job = time.monotonic(), limit, job
        self.pipe.send(job)

    def end(self) -> None:
        """Kill it."""
        self.process.kill()
        self.process.join(10)
        self.pipe.close()


class Local:
    """Does jobs with plan.workers processes of plan.threads threads each."""

    def __init__(self, recipe: Recipe, plan: Plan) -> None:
        self.recipe, self.plan = recipe, plan
        self._seats: list[_Seat] = []
        self._failed_starts = 0

    @property
    def models_sha256(self) -> str:
        return self.recipe.models_sha256

    def describe(self) -> str:
        why = f" ({self.plan.why})" if self.plan.why else ""
        return f"{self.plan.workers} worker(s) of {self.plan.threads} thread(s){why}"

    def run(self, jobs: Sequence[Job]) -> Iterator[Event]:
        """Events as they happen. Raises SnapledgerError: results cannot be written, workers cannot start."""
        todo = deque(jobs)
        while todo or any(s.job for s in self._seats):
            yield from self._fill(todo)
            pipes = {s.pipe: s for s in self._seats}
            patience = min([s.left_s for s in self._seats], default=0.0)
            for pipe in wait(list(pipes), timeout=max(0.0, min(patience, 5.0))):
                yield from self._hear(pipes[pipe], todo)  # type: ignore[index]
            for seat in [s for s in self._seats if s.left_s <= 0]:
                yield from self._lose(seat, todo, late=True)

    def _fill(self, todo: deque[Job]) -> Iterator[Event]:
        """Give waiting workers a job; start as many more as there is work for."""
        for seat in list(self._seats):
            if todo and seat.ready and seat.job is None:
                job = todo.popleft()
                try:
                    seat.give(job, limit_s(self.recipe.config, None))
                except OSError:  # it ended while it waited: no fault of the job
                    self._drop(seat)
                    todo.appendleft(job)
                    continue
                yield Started(job)
        waiting = sum(1 for s in self._seats if s.job is None)
        while len(self._seats) < self.plan.workers and waiting < len(todo):
            self._seats.append(self._start())
            waiting += 1

    def _start(self) -> _Seat:
        ours, theirs = _SPAWN.Pipe()
        stage = _SPAWN.RawArray("c", STAGE_BYTES)
        process = _SPAWN.Process(
            target=serve, args=(theirs, self.recipe, self.plan.threads, stage), daemon=True, name="snapledger-worker"
        )
        with _thread_variables(self.plan.threads):
            process.start()
        theirs.close()
        return _Seat(process, ours, stage)

    def _drop(self, seat: _Seat) -> None:
        self._seats.remove(seat)
        seat.end()

    def _hear(self, seat: _Seat, todo: deque[Job]) -> Iterator[Event]:
        try:
            kind, value = seat.pipe.recv()
        except (EOFError, OSError):
            yield from self._lose(seat, todo, late=False)
            return
        if kind == "ready":
            seat.ready, self._failed_starts = True, 0
        elif kind == "broken":
            self._drop(seat)
            raise value
        elif seat.job is None:
            return
        elif kind == "length":
            seat.limit_s = limit_s(self.recipe.config, value)
        elif kind == "share":
            yield Advanced(seat.job, value)
        elif kind == "done":
            job, seat.job = seat.job, None
            yield Ended(job)

    def _lose(self, seat: _Seat, todo: deque[Job], *, late: bool) -> Iterator[Event]:
        """A worker that ended by itself or is late: its clip is tried once more, then given up."""
        self._drop(seat)
        job, how = seat.job, _how(seat.process.exitcode)
        if job is None:
            if not seat.ready:
                self._count_failed_start("it did not get ready in time" if late else how)
            return
        if job.attempt < ATTEMPTS:
            todo.append(replace(job, attempt=job.attempt + 1))
            return
        stage = bytes(seat.stage.value).decode() or "film"
        yield Ended(job, True, hung(job, seat.limit_s) if late else crashed(job, how), stage)

    def _count_failed_start(self, how: str) -> None:
        self._failed_starts += 1
        if self._failed_starts >= FAILED_STARTS:
            raise SnapledgerError(
                f"Workers end while they start ({how}).",
                hint="Memory may be short: try --workers 1, or --on here to see what happens.",
            )

    def close(self) -> None:
        """End all workers at once; what they had not finished is lost, what they had is stored."""
        for seat in self._seats:
            seat.process.kill()
        for seat in self._seats:
            seat.end()
        self._seats = []


def _how(code: int | None) -> str:
    """An exit code in words."""
    if code is None:
        return "unknown"
    if code < 0:
        with suppress(ValueError):
            return signal.Signals(-code).name
    return f"exit code {code}"
