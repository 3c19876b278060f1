"""``snapledger audit``: bind 127.0.0.1, take the run's lock, serve the page until it is stopped."""

from __future__ import annotations

import contextlib
import getpass
import secrets
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from pipeline.audit import final
from pipeline.audit.app import build
from pipeline.audit.room import Room
from pipeline.audit.store import AuditStore
from pipeline.errors import BusyError, OutputError, UsageError

HOST = "127.0.0.1"
FIRST_PORT, PORTS = 8321, 20


def default_who() -> str:
    """The system's name of the user, else ``analyst``."""
    with contextlib.suppress(Exception):
        return getpass.getuser()
    return "analyst"


def bound(port: int | None) -> socket.socket:
    """A listening socket on 127.0.0.1: at the port, or at the first free one. Raises UsageError."""
    for candidate in [port] if port is not None else [*range(FIRST_PORT, FIRST_PORT + PORTS), 0]:
        s = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind((HOST, candidate))
            return s
        except (OSError, OverflowError) as e:
            s.close()
            if port is not None:
                raise UsageError(f"Port {port} cannot be used: {e}.", hint="Leave --port out, or name another.") from e
    raise UsageError("No free port was found.", hint="Name one with --port.")


def open_store(run_dir: Path, who: str, say: Callable[[str], None]) -> AuditStore:
    """The store for writing, or for looking where the folder cannot be written. Raises BusyError, InputError."""
    final.predicted(run_dir)  # a run at all? before anything is made in it
    try:
        return AuditStore(run_dir, who)
    except BusyError:
        raise
    except OutputError as e:
        say(f"{e}")
        say("Opened for looking only: nothing can be changed.")
        return AuditStore(run_dir, who, read_only=True)


def serve(
    run_dir: Path, *, port: int | None = None, who: str | None = None, browser: bool = True,
    film: Path | None = None, say: Callable[[str], None] = print,
) -> None:  # fmt: skip
    """Serve the page of a run until it is interrupted. Raises UsageError, BusyError, InputError."""
    if film is not None and not film.is_dir():
        raise UsageError("There is no such film folder.", where=film, hint="Check --film.")
    name = who if who is not None else default_who()
    with open_store(run_dir, name, say) as store, contextlib.closing(bound(port)) as sock:
        url = f"http://{HOST}:{sock.getsockname()[1]}/"
        if store.lock is not None:
            store.lock.tell(url=url)
        app = build(Room(store, film), store.who, secrets.token_urlsafe(24))
        say(f"Audit of {run_dir}: {url}  (end with Ctrl+C; every act is saved at once)")
        if browser:
            with contextlib.suppress(webbrowser.Error):
                webbrowser.open(url)
        config = uvicorn.Config(app, log_level="warning", lifespan="off", access_log=False, server_header=False,
                                timeout_graceful_shutdown=2)  # fmt: skip
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[sock])
        say("Ended. Every act was saved when it was made.")
