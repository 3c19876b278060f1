"""The page's server: who may ask, what it gives, what it says when it cannot write. Over real HTTP."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

import pytest

from pipeline.audit import AuditStore, audited_snaps
from pipeline.ledger import csv_bytes, read_csv

SNAP = "harbor_01-p1"
HOSTILE = ["=cmd|' /C calc'!A0", "\"double\" 'single'", "🏈\u202eאב <b>x</b>", "../../../etc/passwd", "x" * 300,
           "<script>alert(1)</script>"]  # fmt: skip


class Client:
    """Plain HTTP with any headers, so that also what a browser would not send can be sent."""

    def __init__(self, port: int) -> None:
        self.port, self.host = port, f"127.0.0.1:{port}"
        page = self.get("/")[1].decode()
        found = re.search(r'name="audit-token" content="([^"]+)"', page)
        assert found is not None
        self.token = found.group(1)

    def send(self, method: str, path: str, body: Any = None, **headers: str | None) -> tuple[int, bytes, Any]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        named = {"Host": self.host, **{k.replace("_", "-"): v for k, v in headers.items()}}
        data = None if body is None else json.dumps(body).encode()
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in named.items():
            if value is not None:
                connection.putheader(name, value)
        if data is not None and "Content-Length" not in named:
            connection.putheader("Content-Length", str(len(data)))
        connection.endheaders(data)
        answer = connection.getresponse()
        content = answer.read()
        connection.close()
        return answer.status, content, answer.headers

    def get(self, path: str, **headers: str | None) -> tuple[int, bytes, Any]:
        return self.send("GET", path, **headers)

    def json(self, path: str, **params: Any) -> Any:
        status, body, _ = self.get(f"{path}?{urlencode(params)}")
        assert status == 200, body
        return json.loads(body)

    def act(self, kind: str, subject: str = "", to: Any = None, **more: Any) -> tuple[int, Any]:
        body = {"id": uuid.uuid4().hex, "snap_id": SNAP, "kind": kind, "subject": subject, "to": to or {}, "who": "Ada",
                **more}  # fmt: skip
        status, answer, _ = self.send("POST", "/api/act", body, X_Snapledger_Token=self.token,
                                      Content_Type="application/json")  # fmt: skip
        return status, json.loads(answer)


@pytest.fixture
def client(run: Path, serve: Callable[..., Any]) -> Client:
    return Client(serve(run).port)


def test_an_act_is_answered_with_the_snap_as_it_is_then(client: Client, run: Path) -> None:
    status, answer = client.act("label_set", "rushers", {"value": 5}, expected=0)
    assert status == 200 and answer["snap"]["revision"] == 1
    row = next(r for r in answer["snap"]["labels"] if r["label"] == "rushers")
    assert (row["value_final"], row["source"]) == (5, "Ada")
    assert audited_snaps(run)[0]["rushers"] == 5
    status, answer = client.act("label_set", "rushers", {"value": 3}, expected=0, who="Berit")
    assert status == 409 and answer["error"] == "changed by Ada"
    assert answer["rivals"][0]["to"] == {"value": 5}
    assert client.act("undo")[0] == 200 and audited_snaps(run)[0]["rushers"] is None


def test_moving_a_person_computes_the_labels_again(client: Client) -> None:
    view = client.json("/api/snap", id=SNAP, who="Ada")["view"]
    moment = min(view["moments"], key=lambda m: abs(m["time_s"]))
    safety = next(p for p in moment["people"] if p["position"] == "safety")
    to = {"moment": "snap", "x_yd": safety["x_yd"] - 8, "y_yd": safety["y_yd"]}
    status, answer = client.act("person_moved", safety["id"], to)
    assert status == 200
    row = next(r for r in answer["snap"]["labels"] if r["label"] == "deep_safeties")
    assert (row["value_predicted"], row["value_final"], row["how"]) == (2, 1, "recomputed")
    status, answer = client.act("person_added", "", {"moment": "snap", "x_yd": 73.0, "y_yd": 26.0, "side": "defense"})
    assert status == 200 and answer["snap"]["history"][-1]["subject"] == "a1"


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "", None, "0.0.0.0"])
def test_a_foreign_host_header_is_refused(client: Client, host: str | None) -> None:
    for path in ("/", "/api/snaps", f"/api/still?id={SNAP}&frame=3"):
        status, body, _ = client.get(path, Host=host)
        assert status in (400, 403) and b"harbor" not in body


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec_Fetch_Site": "cross-site"},
     {"Sec_Fetch_Site": "same-site"}, {"X_Snapledger_Token": None}, {"X_Snapledger_Token": "guess"},
     {"Content_Type": "text/plain"}, {"Content_Type": "application/x-www-form-urlencoded"},
     {"Content_Length": "999999999"}],
)  # fmt: skip
def test_a_post_from_another_site_writes_nothing(client: Client, run: Path, headers: dict[str, str | None]) -> None:
    body = {"id": uuid.uuid4().hex, "snap_id": SNAP, "kind": "checked", "subject": "row", "to": {}, "who": "Ada"}
    all_headers = {"X_Snapledger_Token": client.token, "Content_Type": "application/json", **headers}
    status, _, _ = client.send("POST", "/api/act", body, **all_headers)
    assert status == 403
    assert not audited_snaps(run)[0]["checked"]


def test_pictures_are_not_given_to_other_sites(client: Client) -> None:
    status, _, headers = client.get(f"/api/still?id={SNAP}&frame=45", Sec_Fetch_Site="cross-site")
    assert status == 403
    status, body, headers = client.get(f"/api/still?id={SNAP}&frame=45", Sec_Fetch_Site="same-origin")
    assert status == 200 and body[:2] == b"\xff\xd8" and headers["Cross-Origin-Resource-Policy"] == "same-origin"
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy and "unsafe" not in policy and "http" not in policy


@pytest.mark.parametrize(
    "path",
    ["/page/../store.py", "/page/..%2fstore.py", "/page/%2e%2e/%2e%2e/cli.py", "/page/index.html", "/snaps.csv",
     "/audit.sqlite", "/api/picture?id=..%2f..%2fx&moment=snap", f"/api/picture?id={SNAP}&moment=..%2f..%2frun",
     "/api/snap?id=..%2f..%2fetc%2fpasswd&who=Ada", "/api/still?id=..%2fx&frame=1", "//etc/passwd",
     f"/api/still?id={SNAP}&frame=-1", f"/api/still?id={SNAP}&frame=1&width=99999",
     f"/api/still?id={SNAP}&frame=99999999999", f"/api/still?id={SNAP}&frame=5000", "/api/still", "/docs"],
)  # fmt: skip
def test_only_files_of_the_run_are_given(client: Client, path: str) -> None:
    status, body, _ = client.get(path)
    assert status in (400, 404), body[:200]
    assert b"root:" not in body and b"import " not in body


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS"])
def test_other_methods_do_nothing(client: Client, method: str) -> None:
    assert client.send(method, "/api/act", {}, X_Snapledger_Token=client.token)[0] in (403, 405)


@pytest.mark.parametrize(
    "body",
    [[], "text", {}, {"snap_id": SNAP, "kind": "drop"}, {"snap_id": SNAP, "kind": "label_set", "subject": "rushers",
     "to": {"value": "many"}}, {"snap_id": "none", "kind": "checked"}, {"snap_id": SNAP, "kind": "blind_answer"},
     {"snap_id": SNAP, "kind": "person_moved", "subject": "999", "to": {"moment": "snap", "x_yd": 1, "y_yd": 1}},
     {"snap_id": SNAP, "kind": "snap_moved", "to": {"frame": 1.5}},
     {"snap_id": SNAP, "kind": "note", "to": {"text": 5}}],
)  # fmt: skip
def test_acts_that_make_no_sense_get_a_clear_word(client: Client, run: Path, body: Any) -> None:
    if isinstance(body, dict):
        body = {"who": "Ada", "id": uuid.uuid4().hex, **body}
    status, answer, _ = client.send("POST", "/api/act", body, X_Snapledger_Token=client.token,
                                    Content_Type="application/json")  # fmt: skip
    assert status in (400, 404) and len(json.loads(answer)["error"]) > 10
    with AuditStore(run, "x", read_only=True) as store:
        assert store.events() == []


def test_a_second_server_on_the_run_is_refused_by_name(client: Client, run: Path) -> None:
    command = [sys.executable, "-m", "pipeline.cli", "audit", str(run), "--who", "Berit", "--no-browser"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 1 and "started by Ada" in done.stderr and f"127.0.0.1:{client.port}" in done.stderr


def test_wrong_usage(tmp_path: Path) -> None:
    base = [sys.executable, "-m", "pipeline.cli", "audit", "--no-browser"]
    empty = subprocess.run([*base, str(tmp_path)], capture_output=True, text=True, timeout=60, check=False)
    assert empty.returncode == 2 and "no ledger" in empty.stderr and list(tmp_path.iterdir()) == []


def test_a_file_locked_by_another_program_is_said_and_tried_again(client: Client, run: Path) -> None:
    client.json("/api/snaps")
    other = sqlite3.connect(run / "audit.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    status, answer = client.act("label_set", "rushers", {"value": 5}, id="kept-by-the-page")
    assert status == 503 and answer["again"] is True and "Another program holds" in answer["error"]
    other.execute("ROLLBACK")
    other.close()
    assert client.act("label_set", "rushers", {"value": 5}, id="kept-by-the-page")[0] == 200
    assert client.act("label_set", "rushers", {"value": 5}, id="kept-by-the-page")[0] == 200
    with AuditStore(run, "x", read_only=True) as store:
        assert len(store.events()) == 1


@contextlib.contextmanager
def unwritable(run: Path) -> Iterator[Path]:
    """A copy of the run that this process's user may read only (root becomes nobody while it lasts)."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "run"
        shutil.copytree(run, folder)
        Path(name).chmod(0o755)
        folder.chmod(0o555)
        was = os.geteuid()
        if was == 0:
            os.seteuid(65534)
        try:
            yield folder
        finally:
            os.seteuid(was)
            folder.chmod(0o755)


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="needs POSIX users")
def test_a_read_only_folder_can_be_looked_at(run: Path) -> None:
    from pipeline.audit.app import build
    from pipeline.audit.room import Room
    from pipeline.audit.server import open_store

    said: list[str] = []
    with unwritable(run) as folder, open_store(folder, "Ada", said.append) as store:
        assert store.read_only and "looking only" in said[-1]
        room = Room(store)
        build(room, "Ada", "token")
        assert len(room.listed()) == 3 and room.detail(SNAP, "Ada")["row"]["deep_safeties"] == 2


def test_two_thousand_snaps_and_a_still_come_quickly(charted: Path, tmp_path: Path, serve: Callable[..., Any]) -> None:
    run = Path(shutil.copytree(charted, tmp_path / "large"))
    for name in ("snaps", "labels"):
        rows = [r for r in read_csv(run / f"{name}.csv", name) if r["snap_id"] == SNAP]
        many = [{**r, "snap_id": f"harbor_01-p{i}"} for i in range(1, 2001) for r in rows]
        (run / f"{name}.csv").write_bytes(csv_bytes(name, many))
    client = Client(serve(run).port)
    assert len(client.json("/api/snaps")["snaps"]) == 2000

    def seconds(call: Callable[[], Any]) -> float:
        start = time.perf_counter()
        call()
        return time.perf_counter() - start

    assert min(seconds(lambda: client.json("/api/snaps")) for _ in range(3)) < 1.0
    # Other frames each time: none from the cache but the first that was decoded on the way.
    stills = [seconds(lambda f=f: client.get(f"/api/still?id=harbor_01-p{900 + f}&frame={f}")) for f in (20, 44, 3, 80)]
    assert sorted(stills)[1] < 0.3, stills


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_and_notes_come_back_as_they_are(client: Client, name: str) -> None:
    who = name[:80]
    status, _ = client.act("note", "note", {"text": name}, who=who)
    assert status == 200
    found = client.json("/api/snap", id=SNAP, who=who)
    assert found["notes"][-1][0] == who and found["notes"][-1][2] == name
    assert client.get(f"/api/snap?id={quote(name)}&who=Ada")[0] == 404
    page = client.get("/")[1].decode()
    assert name not in page
