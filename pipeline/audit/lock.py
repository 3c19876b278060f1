"""One writer a run: a lock file that the system frees when its process ends, and that says who holds it."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.errors import BusyError, OutputError

NAME = "audit.lock"


class RunLock:
    """Holds RUN/audit.lock until ``release`` or the end of the process. Raises BusyError, OutputError."""

    def __init__(self, run_dir: Path, who: str) -> None:
        self.path = run_dir / NAME
        self.facts: dict[str, Any] = {
            "pid": os.getpid(), "machine": socket.gethostname(), "who": who,
            "since": datetime.now(UTC).isoformat(timespec="seconds"),
        }  # fmt: skip
        try:
            self._fd = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError as e:
            raise OutputError(
                f"The audit cannot be written here: {e.strerror or e}.", where=self.path,
                hint="Copy the run to a folder you may write to, or ask for the right to write in it.",
            ) from e  # fmt: skip
        if not _lock(self._fd):
            os.close(self._fd)
            raise BusyError(
                f"Another program is auditing this run: {_describe(self.path)}.", where=run_dir,
                hint="Use its page, or end it first. Two analysts share one page: each gives a name in it.",
            )  # fmt: skip
        self.tell()

    def tell(self, **more: Any) -> None:
        """Write who holds the lock, with facts such as the page's address."""
        self.facts.update(more)
        with contextlib.suppress(OSError):  # the lock holds without its text (a full disk)
            os.ftruncate(self._fd, 0)
            os.lseek(self._fd, 0, os.SEEK_SET)
            os.write(self._fd, json.dumps(self.facts, ensure_ascii=False).encode())

    def release(self) -> None:
        """Let the run go. The file stays: removing it would let two others each hold one of its name."""
        if self._fd >= 0:
            with contextlib.suppress(OSError):
                os.ftruncate(self._fd, 0)
            os.close(self._fd)
            self._fd = -1


def holder(run_dir: Path) -> dict[str, Any]:
    """What the holder of the lock wrote about itself; empty where nothing can be read."""
    try:
        facts = json.loads((run_dir / NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return facts if isinstance(facts, dict) else {}


def _describe(path: Path) -> str:
    facts = holder(path.parent)
    if not facts:
        return "a process that did not say its name"
    where = f" on {facts['machine']}" if facts.get("machine") not in (None, socket.gethostname()) else ""
    url = f", page {facts['url']}" if facts.get("url") else ""
    return f"process {facts.get('pid')}{where}, started by {facts.get('who')} at {facts.get('since')}{url}"


if sys.platform == "win32":
    import msvcrt

    def _lock(fd: int) -> bool:
        try:  # one byte far behind the text, which stays readable
            os.lseek(fd, 1 << 30, os.SEEK_SET)
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(fd: int) -> bool:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
