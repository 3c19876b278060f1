"""Stills of the film for the page: decoded by the program in order, a small cache, never the browser's seeking."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av

from pipeline import film
from pipeline.container import open_film, video_stream
from pipeline.errors import InputError
from pipeline.pictures import jpeg

CACHE_BYTES = 192 << 20
QUALITY = 84
BEFORE = 3  # frames before the one asked for that are made too: a step back finds them
GO_ON = 40  # frames ahead for which a paused reader is gone on with rather than started anew
FURTHEST = 400  # frames that a reader may be gone on with at all
PAUSED = 6  # readers kept open
INDEXES = 64
LARGE_BYTES = 200 << 20  # the table of a file this large takes seconds to read: not while a page waits for its text
NEAR_S = 0.004  # a frame's time by the file's index and by the charting must agree this well


@dataclass(frozen=True)
class FilmIndex:
    """Times of the frames of a file, seconds from the first, by frame; empty where the file's index cannot be used."""

    path: Path
    times: tuple[Fraction, ...]

    @property
    def frames(self) -> int:
        """How many frames there are; 0 where not known."""
        return len(self.times)


def index_of(path: Path) -> FilmIndex:
    """Times by the container's own table, nothing decoded. Raises InputError."""
    with open_film(path) as box:
        stream = video_stream(box, path)
        try:
            stamps = sorted(p.pts for p in box.demux(stream) if p.pts is not None and p.size)
        except av.error.FFmpegError:
            stamps = []
        base = stream.time_base
    if not stamps or base is None or len(set(stamps)) != len(stamps):
        return FilmIndex(path, ())
    return FilmIndex(path, tuple((s - stamps[0]) * base for s in stamps))


def agrees(index: FilmIndex, known: Sequence[tuple[int, float]]) -> bool:
    """Whether the file's table gives frames the times they were charted with. known: (frame, seconds from first)."""
    return bool(index.times) and all(
        f < index.frames and abs(float(index.times[f]) - t) < NEAR_S for f, t in known
    )  # fmt: skip


class _Run:
    """A reader paused behind a frame: the next frames cost one decoding each, not a seek."""

    def __init__(self, reader: Iterator[tuple[int, Fraction, film.Picture]], start: int) -> None:
        self.reader, self.next = reader, start


class Stills:
    """JPEGs of frames by file, frame and width. One decoding at a time: a laptop has few cores."""

    def __init__(self, limit_bytes: int = CACHE_BYTES, threads: int | None = None) -> None:
        self.limit_bytes, self.threads = limit_bytes, threads
        self._cache: OrderedDict[tuple[str, int, int], bytes] = OrderedDict()
        self._size = 0
        self._indexes: OrderedDict[tuple[str, int], FilmIndex] = OrderedDict()
        self._runs: OrderedDict[tuple[str, int], _Run] = OrderedDict()
        self._guard = threading.Lock()
        self._decoding = threading.Lock()
        self._asked = 0  # requests that wait: what is made ahead lets them pass

    def index(self, path: Path) -> FilmIndex:
        """Index of a file, kept while the file stays as it is. Raises InputError."""
        try:
            key = (str(path), path.stat().st_mtime_ns)
        except OSError as e:
            raise InputError(f"The film cannot be read: {e.strerror or e}.", where=path) from e
        with self._guard:
            if key in self._indexes:
                return self._indexes[key]
        made = index_of(path)
        with self._guard:
            self._indexes[key] = made
            while len(self._indexes) > INDEXES:
                self._indexes.popitem(last=False)
        return made

    def frames(self, path: Path) -> int:
        """How many frames a file has; 0 where that is not known without reading a large file through."""
        with self._guard:
            there = next((i for (p, _), i in self._indexes.items() if p == str(path)), None)
        if there is not None:
            return there.frames
        return self.index(path).frames if path.stat().st_size < LARGE_BYTES else 0

    def get(self, path: Path, frame: int, width: int, known: Sequence[tuple[int, float]] = ()) -> bytes:
        """JPEG of a frame at most ``width`` wide. Raises InputError."""
        found = self._cached(path, frame, width)
        if found is not None:
            return found
        with self._guard:
            self._asked += 1
        try:
            with self._decoding:
                if self._cached(path, frame, width) is None:
                    self._run_to(path, frame, width, known)
        finally:
            with self._guard:
                self._asked -= 1
        found = self._cached(path, frame, width)
        if found is None:
            raise InputError("This frame cannot be decoded.", where=path, frame=frame,
                             hint="It lies behind the film's end, or the file is damaged there.")  # fmt: skip
        return found

    def _run_to(self, path: Path, frame: int, width: int, known: Sequence[tuple[int, float]]) -> None:
        """Go on from where a reader of this file is paused, or start one a little before the frame."""
        key = (str(path), width)
        run = self._runs.pop(key, None)
        if run is None or not run.next <= frame <= run.next + GO_ON:
            start = max(0, frame - BEFORE)
            reader = self._reader(path, range(start, frame + FURTHEST), width, known)
            if reader is None:
                return
            run = _Run(iter(reader), start)
        for at, _, image in run.reader:
            run.next = at + 1
            self._keep((str(path), at, width), jpeg(image, QUALITY))
            if at >= frame:
                self._runs[key] = run
                while len(self._runs) > PAUSED:
                    self._runs.popitem(last=False)
                return

    def _reader(
        self, path: Path, frames: Sequence[int], width: int, known: Sequence[tuple[int, float]]
    ) -> film.Reader | None:
        index = self.index(path)
        usable = agrees(index, known)
        wanted = [f for f in frames if not usable or f < index.frames]
        if not wanted:
            return None
        return film.Reader(path, wanted, max_width=width, times=index.times if usable else None, threads=self.threads)

    def ready(
        self, path: Path, frames: Sequence[int], width: int, known: Sequence[tuple[int, float]] = (),
        wanted: Callable[[], bool] = lambda: True,
    ) -> None:
        """Make stills ahead of being asked, as long as they are wanted; whoever asks for one goes first."""
        todo = sorted(f for f in set(frames) if f >= 0 and self._cached(path, f, width) is None)
        reader = self._reader(path, todo, width, known) if todo else None
        steps = iter(reader) if reader is not None else iter(())
        while wanted():
            if self._asked:
                time.sleep(0.02)
                continue
            with self._decoding:
                step = next(steps, None)
            if step is None:
                return
            if self._cached(path, step[0], width) is None:
                self._keep((str(path), step[0], width), jpeg(step[2], QUALITY))

    def _cached(self, path: Path, frame: int, width: int) -> bytes | None:
        key = (str(path), frame, width)
        with self._guard:
            if key in self._cache:
                self._cache.move_to_end(key)
            return self._cache.get(key)

    def _keep(self, key: tuple[str, int, int], data: bytes) -> None:
        with self._guard:
            old = self._cache.pop(key, None)
            self._size += len(data) - (len(old) if old else 0)
            self._cache[key] = data
            while self._size > self.limit_bytes and len(self._cache) > 1:
                _, gone = self._cache.popitem(last=False)
                self._size -= len(gone)
