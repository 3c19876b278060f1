"""Progress: bars on a terminal, one line a clip elsewhere."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol, TextIO

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn


class Named(Protocol):
    """A clip or a still."""

    @property
    def name(self) -> str: ...

    @property
    def path(self) -> Path: ...


class Reporter(Protocol):
    """Is told how a run goes."""

    def started(self, clip: Named, number: int, total: int) -> None: ...

    def advanced(self, share: float) -> None: ...

    def ended(self, clip: Named, text: str, ok: bool) -> None: ...


class LineReporter:
    """One line a clip, flushed at once, for logs and pipes."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.place = ""

    def started(self, clip: Named, number: int, total: int) -> None:
        self.place = f"[{number}/{total}] "

    def advanced(self, share: float) -> None:
        """Nothing: a line says how a clip ended."""

    def ended(self, clip: Named, text: str, ok: bool) -> None:
        print(f"{self.place}{clip.name}: {text}", file=self.stream, flush=True)


class BarReporter:
    """A bar over all clips and the share of the one in work."""

    def __init__(self, progress: Progress) -> None:
        self.progress = progress
        self.task: TaskID | None = None
        self.number = 0

    def started(self, clip: Named, number: int, total: int) -> None:
        self.number = number
        if self.task is None:
            self.task = self.progress.add_task("", total=total)
        self.progress.update(
            self.task, description=escape(clip.name), completed=number - 1, total=total
        )

    def advanced(self, share: float) -> None:
        if self.task is not None:
            self.progress.update(self.task, completed=self.number - 1 + share)

    def ended(self, clip: Named, text: str, ok: bool) -> None:
        colour = "green" if ok else "red"
        self.progress.console.print(f"[{colour}]{escape(clip.name)}[/]: {escape(text)}", highlight=False)
        if self.task is not None:
            self.progress.update(self.task, completed=self.number)


@contextmanager
def reporter_for(stream: TextIO) -> Iterator[Reporter]:
    """Bars where the stream is a terminal, else lines."""
    if not stream.isatty():
        yield LineReporter(stream)
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.1f}/{task.total:.0f}"),
        TimeElapsedColumn(), TimeRemainingColumn(),
    )  # fmt: skip
    with Progress(*columns, console=Console(file=stream)) as progress:
        yield BarReporter(progress)
