"""Progress: bars on a terminal, one line a clip elsewhere; how many clips a minute, and how long it will take."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol, TextIO

from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

PACE_EVERY_S = 30.0  # a line about the pace in a log
PACE_AFTER_S = 5.0  # before that an estimate says nothing


class Named(Protocol):
    """A clip or a still."""

    @property
    def name(self) -> str: ...

    @property
    def path(self) -> Path: ...


class Reporter(Protocol):
    """Is told how a run goes. Several clips may be in work at once."""

    def started(self, clip: Named, number: int, total: int) -> None: ...

    def advanced(self, share: float, clip: Named | None = None) -> None: ...

    def ended(self, clip: Named, text: str, ok: bool, worked: bool = True) -> None: ...

    def said(self, text: str) -> None: ...


class Pace:
    """Clips a minute and time left, from what is done and what is in work; clips done before do not count."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self.begun: float | None = None
        self.total = 0
        self.ended = 0
        self.worked = 0
        self.shares: dict[str, float] = {}
        self.current = ""

    def started(self, name: str, total: int) -> None:
        if self.begun is None:
            self.begun = self.clock()
        self.total, self.current = total, name
        self.shares[name] = 0.0

    def advanced(self, share: float, name: str | None) -> None:
        self.shares[name or self.current] = min(max(share, 0.0), 1.0)

    def ended_with(self, name: str, worked: bool) -> None:
        self.shares.pop(name, None)
        self.ended += 1
        self.worked += worked

    @property
    def completed(self) -> float:
        """Clips done, those in work by their share."""
        return self.ended + sum(self.shares.values())

    def text(self) -> str:
        """'3.2 clips a minute, about 12 min left'; blank while too little is known."""
        elapsed = 0.0 if self.begun is None else self.clock() - self.begun
        done = self.worked + sum(self.shares.values())
        if elapsed < PACE_AFTER_S or done <= 0:
            return ""
        rate = done / elapsed
        left = max(self.total - self.completed, 0.0) / rate
        return f"{60 * rate:.1f} clips a minute, {about(left)} left"


def about(seconds: float) -> str:
    """A length of time as people say it."""
    if seconds < 90:
        return f"about {max(1, round(seconds))} s"
    if seconds < 90 * 60:
        return f"about {round(seconds / 60)} min"
    return f"about {seconds / 3600:.1f} h"


class LineReporter:
    """One line a clip, flushed at once, for logs and pipes; now and then one about the pace."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream
        self.places: dict[str, str] = {}
        self.pace = Pace()
        self.paced = time.monotonic()

    def started(self, clip: Named, number: int, total: int) -> None:
        self.places[clip.name] = f"[{number}/{total}] "
        self.pace.started(clip.name, total)

    def advanced(self, share: float, clip: Named | None = None) -> None:
        self.pace.advanced(share, clip.name if clip else None)
        self._tell_pace()

    def ended(self, clip: Named, text: str, ok: bool, worked: bool = True) -> None:
        self.pace.ended_with(clip.name, worked)
        self.said(f"{self.places.pop(clip.name, '')}{clip.name}: {text}")
        self._tell_pace()

    def said(self, text: str) -> None:
        print(text, file=self.stream, flush=True)

    def _tell_pace(self) -> None:
        if time.monotonic() - self.paced > PACE_EVERY_S and self.pace.text():
            self.paced = time.monotonic()
            self.said(f"{self.pace.ended} of {self.pace.total} done, {self.pace.text()}")


class BarReporter:
    """A bar over all clips with the pace, and a line for each that ended."""

    def __init__(self, progress: Progress) -> None:
        self.progress = progress
        self.task: TaskID | None = None
        self.pace = Pace()

    def _show(self) -> None:
        if self.task is None:
            self.task = self.progress.add_task("", total=self.pace.total, pace="")
        names = list(self.pace.shares)
        described = escape(names[0]) if len(names) == 1 else f"{len(names)} clips in work"
        self.progress.update(
            self.task, description=described if names else "done", completed=self.pace.completed,
            total=self.pace.total, pace=self.pace.text(),
        )  # fmt: skip

    def started(self, clip: Named, number: int, total: int) -> None:
        self.pace.started(clip.name, total)
        self._show()

    def advanced(self, share: float, clip: Named | None = None) -> None:
        self.pace.advanced(share, clip.name if clip else None)
        self._show()

    def ended(self, clip: Named, text: str, ok: bool, worked: bool = True) -> None:
        colour = "green" if ok else "red"
        self.progress.console.print(f"[{colour}]{escape(clip.name)}[/]: {escape(text)}", highlight=False)
        self.pace.ended_with(clip.name, worked)
        self._show()

    def said(self, text: str) -> None:
        self.progress.console.print(escape(text), highlight=False)


@contextmanager
def reporter_for(stream: TextIO) -> Iterator[Reporter]:
    """Bars where the stream is a terminal, else lines."""
    if not stream.isatty():
        yield LineReporter(stream)
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(), TextColumn("{task.completed:.1f}/{task.total:.0f}"),
        TimeElapsedColumn(), TextColumn("{task.fields[pace]}"),
    )  # fmt: skip
    with Progress(*columns, console=Console(file=stream)) as progress:
        yield BarReporter(progress)
