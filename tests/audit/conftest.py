"""A charted run, a page served from it, and a browser; made once, copied for each test."""

from __future__ import annotations

import secrets
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from pipeline.audit.app import build
from pipeline.audit.room import Room
from pipeline.audit.server import bound, open_store
from tests.audit import audit_support as support

CHROMIUM = next((p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None)


@pytest.fixture(scope="session")
def charted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run of three small films, never written by a test."""
    return support.chart(tmp_path_factory.mktemp("audit"))


@pytest.fixture
def run(charted: Path, tmp_path: Path) -> Path:
    """A copy of the run that a test may write."""
    return Path(shutil.copytree(charted, tmp_path / "run"))


class Served:
    """The page of a run, served from a thread of this process."""

    def __init__(self, run_dir: Path, who: str = "Ada", port: int | None = None) -> None:
        self.store = open_store(run_dir, who, lambda text: None)
        self.sock = bound(port)
        self.port = self.sock.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}/"
        if self.store.lock is not None:
            self.store.lock.tell(url=self.url)
        app = build(Room(self.store), who, secrets.token_urlsafe(24))
        config = uvicorn.Config(app, log_level="warning", lifespan="off", timeout_graceful_shutdown=1)
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.sock]}, daemon=True)
        self.thread.start()
        while not self.server.started and self.thread.is_alive():
            time.sleep(0.01)

    def stop(self) -> None:
        """End it without waiting for the page."""
        self.server.force_exit = self.server.should_exit = True
        self.thread.join(10)
        self.sock.close()
        self.store.close()


class Command:
    """The command ``snapledger audit`` in a process of its own."""

    def __init__(self, run_dir: Path, who: str, port: int) -> None:
        command = [sys.executable, "-m", "pipeline.cli", "audit", str(run_dir), "--port", str(port), "--who", who,
                   "--no-browser"]  # fmt: skip
        self.url = f"http://127.0.0.1:{port}/"
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        for _ in range(1200):
            with socket.socket() as s:
                if self.process.poll() is not None or s.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.05)

    def stop(self) -> None:
        """Kill it: nothing may depend on a clean end."""
        self.process.kill()
        self.process.wait()


@pytest.fixture
def serve() -> Iterator[Callable[..., Any]]:
    """Start pages; all are stopped at the end of the test."""
    started: list[Served | Command] = []

    def start(run_dir: Path, who: str = "Ada", port: int | None = None, command: bool = False) -> Served | Command:
        started.append(Command(run_dir, who, port or 0) if command else Served(run_dir, who, port))
        return started[-1]

    yield start
    for server in started:
        server.stop()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """The system's Chromium; without it the tests of the page in a browser are skipped, and say so."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: the page is not tested in a browser (apt-get install chromium)")
    with sync_api.sync_playwright() as p:
        chromium = p.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """Open pages in contexts of their own (as two analysts' browsers); a script error fails the test."""
    contexts: list[Any] = []
    errors: list[str] = []

    def start(url: str, **options: Any) -> Any:
        context = browser.new_context(**{"viewport": {"width": 1280, "height": 720}, **options})
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20000)
        page.on("pageerror", lambda e: errors.append(str(e)))
        page.goto(url)
        return page

    yield start
    for context in contexts:
        context.close()
    assert errors == []
