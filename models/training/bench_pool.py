"""Many pieces of work on many cores: worker processes that claim one piece after the other.

Built for machines that may stop at any second. A piece that breaks, even one that ends its process, costs that
piece alone; what is done stays done; a second start goes on. A folder holds the state: ``claims/NAME`` taken,
``done/NAME`` finished, ``failed/NAME`` broken (why), ``stop`` no new pieces please, ``alive`` touched while
somebody works here, ``ended`` written when nobody does.
"""

from __future__ import annotations

import os
import subprocess
import time
import traceback
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

ALIVE_S = 8.0  # a supervisor that did not touch its folder for so long is gone
POLL_S = 0.2
STATES = ("claims", "done", "failed")


@dataclass(frozen=True)
class Board:
    """The state of a pool in a folder."""

    folder: Path

    def make(self) -> None:
        for name in STATES:
            (self.folder / name).mkdir(parents=True, exist_ok=True)

    def names(self, state: str) -> set[str]:
        """Names of pieces in one of STATES."""
        place = self.folder / state
        return {p.name for p in place.iterdir()} if place.is_dir() else set()

    def take(self, name: str) -> bool:
        """True where the piece is ours now, False where somebody had it before."""
        try:
            handle = os.open(self.folder / "claims" / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY)
        except FileExistsError:
            return False
        with os.fdopen(handle, "w") as f:
            f.write(str(os.getpid()))
        return True

    def close(self, name: str, error: str = "") -> None:
        """A piece is done, or failed with these words."""
        (self.folder / ("failed" if error else "done") / name).write_text(error, encoding="utf-8")

    def open_claims(self) -> dict[str, int]:
        """Pieces taken and not closed -> process that took them."""
        found = {}
        for name in self.names("claims") - self.names("done") - self.names("failed"):
            with suppress(OSError, ValueError):
                found[name] = int((self.folder / "claims" / name).read_text())
        return found

    def release(self) -> None:
        """Give back pieces that were taken and never closed: for when nobody works here any more."""
        for name in self.names("claims") - self.names("done") - self.names("failed"):
            (self.folder / "claims" / name).unlink(missing_ok=True)

    def blame(self, pid: int, words: str) -> None:
        """The piece a process held when it ended of itself has failed."""
        for name, holder in self.open_claims().items():
            if holder == pid:
                self.close(name, words)

    def failures(self) -> dict[str, str]:
        """Failed pieces -> why."""
        return {n: (self.folder / "failed" / n).read_text(encoding="utf-8") for n in sorted(self.names("failed"))}

    def busy(self) -> bool:
        """True while a supervisor works in this folder, from whatever call it was started."""
        alive = self.folder / "alive"
        return alive.is_file() and not self.stopped() and time.time() - alive.stat().st_mtime < ALIVE_S

    def stopped(self) -> bool:
        return (self.folder / "ended").exists()

    def stop(self, wait_s: float = 0.0) -> None:
        """Ask for no more work, and wait until the supervisor says that all has ended, or so long."""
        self.make()
        (self.folder / "stop").touch()
        until = time.time() + wait_s
        while self.busy() and time.time() < until:
            time.sleep(POLL_S)


def work(board: Board, names: Sequence[str], one: Callable[[str], None], until: float) -> None:
    """Take and do pieces in order until none is left, the time is up or a stop is asked for."""
    for name in names:
        if time.time() >= until or (board.folder / "stop").exists():
            return
        if not board.take(name):
            continue
        try:
            one(name)
        except Exception:  # a broken piece must not take the others along; its words are kept
            board.close(name, traceback.format_exc(limit=-6))
        else:
            board.close(name)


@dataclass
class Pool:
    """Worker processes on a board. command: starts one worker; a worker that dies is started again."""

    board: Board
    command: Sequence[str]
    workers: int
    until: float  # second of the epoch when workers still at work are ended
    log: Path
    restarts: int = 20
    running: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def run(self) -> None:
        """Work until all workers have ended, the time is up or a stop is asked for."""
        self.board.make()
        for name in ("stop", "ended"):
            (self.board.folder / name).unlink(missing_ok=True)
        self.board.release()
        try:
            with open(self.log, "ab") as log:
                self.running = [self._start(log) for _ in range(self.workers)]
                while self.running and not self._over():
                    (self.board.folder / "alive").touch()
                    self._look(log)
                    time.sleep(POLL_S)
        finally:
            self._end()
            self.board.release()
            (self.board.folder / "ended").touch()

    def _over(self) -> bool:
        return time.time() >= self.until or (self.board.folder / "stop").exists()

    def _start(self, log: object) -> subprocess.Popen[bytes]:
        return subprocess.Popen(self.command, stdout=log, stderr=subprocess.STDOUT)  # type: ignore[call-overload, no-any-return]

    def _look(self, log: object) -> None:
        for worker in list(self.running):
            code = worker.poll()
            if code is None:
                continue
            self.running.remove(worker)
            if code != 0:
                self.board.blame(worker.pid, f"The process ended with code {code}.")
                if self.restarts > 0:
                    self.restarts -= 1
                    self.running.append(self._start(log))

    def _end(self) -> None:
        for worker in self.running:
            with suppress(OSError):
                worker.kill()
        for worker in self.running:
            worker.wait()
