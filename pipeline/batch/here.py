"""Engine: in this process, one clip after the other; no time limit, nothing survives a crash but what is stored."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from pipeline.batch.jobs import Advanced, Ended, Event, Job, Recipe, Started
from pipeline.batch.work import Worker
from pipeline.config import Config
from pipeline.tools import Tools


class Here:
    """Does jobs with the given tools. ``on_share`` is told while a clip is in work."""

    def __init__(self, config: Config, tools: Tools, out: Path) -> None:
        self._worker = Worker(Recipe(config, out), tools)
        self.on_share: Callable[[Advanced], None] = lambda event: None

    @property
    def models_sha256(self) -> str:
        return self._worker.tools.models_sha256

    def describe(self) -> str:
        return "in this process"

    def run(self, jobs: Sequence[Job]) -> Iterator[Event]:
        """Started, then Ended for each job. Raises OutputError."""
        for job in jobs:
            yield Started(job)
            self._worker.do(job, lambda share, job=job: self.on_share(Advanced(job, share)))  # type: ignore[misc]
            yield Ended(job)

    def close(self) -> None:
        """Nothing to end."""
