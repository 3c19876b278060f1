"""Routes of the audit page: one HTML page, our own scripts and styles, JSON, stills."""

from __future__ import annotations

import json
import logging
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from pipeline import __version__
from pipeline.audit import agreement
from pipeline.audit.events import NewEvent, checked_who
from pipeline.audit.guard import Guard
from pipeline.audit.room import Room, schema_json
from pipeline.audit.store import Conflict
from pipeline.errors import AuditError, BusyError, InputError, OutputError, SnapledgerError
from pipeline.ledger import plain

log = logging.getLogger(__name__)
PAGE = Path(__file__).resolve().parent / "page"
TYPES = {".js": "text/javascript", ".css": "text/css"}
WIDTHS = (640, 960, 1280, 1920)
CAUTIONS = (
    "Labels are estimates from film: look before you lean on one.",
    "Film is used under the league's rules on exchange and on use during a game.",
    "Film and names of minors need the school's consent and stay on this computer.",
    "Not for officiating, and not for medical judgement.",
)
Handler = Callable[[Request], Awaitable[Response]]


class Page:
    """Handlers of one room."""

    def __init__(self, room: Room, who: str, token: str) -> None:
        self.room, self.who, self.token = room, who, token
        self.files = {p.name: p for p in PAGE.iterdir() if p.suffix in TYPES}
        self.templates = Environment(loader=FileSystemLoader(PAGE), autoescape=select_autoescape())

    def routes(self) -> list[Route]:
        """All there is; everything else is not found."""
        return [
            Route("/", self.index),
            Route("/page/{name}", self.asset),
            Route("/api/run", self.guarded(self.run)),
            Route("/api/snaps", self.guarded(self.snaps)),
            Route("/api/changes", self.guarded(self.changes)),
            Route("/api/snap", self.guarded(self.snap)),
            Route("/api/why", self.guarded(self.why)),
            Route("/api/other", self.guarded(self.other)),
            Route("/api/still", self.guarded(self.still)),
            Route("/api/picture", self.guarded(self.picture)),
            Route("/api/act", self.guarded(self.act), methods=["POST"]),
            Route("/api/blind", self.guarded(self.blind)),
            Route("/api/blind", self.guarded(self.blind_answer), methods=["POST"]),
            Route("/api/agreement", self.guarded(self.agreement)),
        ]

    def guarded(self, handler: Handler) -> Handler:
        """The program's own errors as JSON with a status that tells the page whether to try again."""

        async def wrapped(request: Request) -> Response:
            try:
                return await handler(request)
            except (BusyError, OutputError) as e:
                return JSONResponse({"error": str(e), "again": not self.room.store.read_only}, status_code=503)
            except InputError as e:
                return JSONResponse({"error": str(e)}, status_code=404)
            except SnapledgerError as e:
                return JSONResponse({"error": str(e)}, status_code=400)

        return wrapped

    async def index(self, request: Request) -> Response:
        """The page."""
        text = self.templates.get_template("index.html").render(
            token=self.token, run_name=self.room.run_dir.resolve().name, cautions=CAUTIONS, version=__version__
        )
        return HTMLResponse(text)

    async def asset(self, request: Request) -> Response:
        """A script or style of the page, by exact name."""
        path = self.files.get(request.path_params["name"])
        if path is None:
            return JSONResponse({"error": "not found"}, status_code=404)
        return FileResponse(path, media_type=TYPES[path.suffix], headers={"Cache-Control": "no-cache"})

    async def run(self, request: Request) -> Response:
        """What the page needs to know once."""
        return _json({
            "who": self.who, "read_only": self.room.store.read_only, "labels": schema_json(),
            "asked": list(agreement.ASKED), "run": str(self.room.run_dir.resolve()),
        })  # fmt: skip

    async def snaps(self, request: Request) -> Response:
        """The list."""
        seq = await run_in_threadpool(self._seq)
        return _json({"snaps": await run_in_threadpool(self.room.listed), "seq": seq})

    def _seq(self) -> int:
        events = self.room.store.events()
        return events[-1].seq if events else 0

    async def changes(self, request: Request) -> Response:
        """Acts since a sequence number: what other people did."""
        since = _integer(request, "since", 0)
        events = await run_in_threadpool(self.room.store.events)
        late = [e for e in events if e.seq > since and e.kind != "blind_answer"]
        return _json({"events": [e.as_dict() for e in late[-200:]], "seq": events[-1].seq if events else 0,
                      "working": dict(self.room._jobs)})  # fmt: skip

    async def snap(self, request: Request) -> Response:
        """One snap; its stills are made ready behind the answer."""
        snap_id, who = _text(request, "id"), checked_who(_text(request, "who"))
        found = await run_in_threadpool(self.room.detail, snap_id, who)
        if found["film"]["there"]:
            self.room.open(snap_id, WIDTHS[2])
        return _json(found)

    async def other(self, request: Request) -> Response:
        """The other view of a play."""
        return _json(await run_in_threadpool(self.room.other, _text(request, "id")))

    async def why(self, request: Request) -> Response:
        """What the labels of a snap rest on."""
        return _json({"labels": await run_in_threadpool(self.room.why, _text(request, "id"))})

    async def still(self, request: Request) -> Response:
        """A decoded frame as JPEG."""
        width = _integer(request, "width", 1280)
        if width not in WIDTHS:
            raise AuditError(f"Width is one of {', '.join(map(str, WIDTHS))}.")
        frame = _integer(request, "frame", -1)
        if not 0 <= frame < 10**8:
            raise AuditError("A frame is a whole number from 0.")
        data = await run_in_threadpool(self.room.still, _text(request, "id"), frame, width)
        return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=3600"})

    async def picture(self, request: Request) -> Response:
        """A picture that the charting made: shown where the film is not there."""
        path = self.room.picture(_text(request, "id"), _text(request, "moment"))
        if path is None:
            raise InputError("There is no such picture.")
        return FileResponse(path, media_type="image/jpeg")

    async def act(self, request: Request) -> Response:
        """Write one act and answer with the snap as it is then; 409 names who was there before."""
        said = await _body(request)
        who, snap_id = checked_who(str(said.get("who") or "")), str(said.get("snap_id") or "")
        result = await run_in_threadpool(self._act, said, who, snap_id)
        if isinstance(result, Conflict):
            theirs = [e.as_dict() for e in result.rivals]
            detail = await run_in_threadpool(self.room.detail, snap_id, who)
            return _json({"error": result.message, "rivals": theirs, "snap": detail}, status=409)
        return _json({"snap": await run_in_threadpool(self.room.detail, snap_id, who)})

    def _act(self, said: dict[str, Any], who: str, snap_id: str) -> Conflict | None:
        kind, id = str(said.get("kind") or ""), str(said.get("id") or "")
        self.room.known(snap_id)
        if kind in ("undo", "redo"):
            turn = self.room.store.undo if kind == "undo" else self.room.store.redo
            if turn(snap_id, who, id=id) is None:
                raise AuditError(f"There is nothing of yours to {kind} on this snap.")
            return None
        if kind == "blind_answer":
            raise AuditError("Blind answers have a place of their own.")
        to = said.get("to")
        expected = said.get("expected")
        event = NewEvent(snap_id, kind, str(said.get("subject") or ""), to if isinstance(to, dict) else {}, {}, who,
                         expected if isinstance(expected, int) else None, id)  # fmt: skip
        return self.room.act(event)

    async def blind(self, request: Request) -> Response:
        """A blind sample: snaps with nothing of the prediction but where and when to look."""
        who = checked_who(_text(request, "who"))
        count, seed = _integer(request, "count", 20), _integer(request, "seed", 1)
        found = await run_in_threadpool(self._blind, who, max(1, min(count, 500)), seed)
        return _json({"snaps": found, "asked": list(agreement.ASKED)})

    def _blind(self, who: str, count: int, seed: int) -> list[dict[str, Any]]:
        events = self.room.store.events()
        rows = {k: r for k, r in self.room.rows.items() if r.get("snap_frame") is not None}
        picked = agreement.sample(list(rows), events, who, count, seed)
        done = {snap for (person, snap, _) in agreement.blind_answers(events) if person == who}
        return [{"id": s, "clip": rows[s]["clip"], "frame": rows[s]["snap_frame"], "answered": s in done,
                 "film": self.room.film_there(s)} for s in picked]  # fmt: skip

    async def blind_answer(self, request: Request) -> Response:
        """Write one snap's blind answers, all or none."""
        said = await _body(request)
        who, snap_id, id = checked_who(str(said.get("who") or "")), str(said.get("snap_id") or ""), str(said.get("id"))
        answers = said.get("answers")
        if not isinstance(answers, dict) or not answers:
            raise AuditError("No answers came.")
        self.room.known(snap_id)
        events = [
            NewEvent(snap_id, "blind_answer", name, {"value": value}, {}, who, None, f"{id}-{name.replace('_', '-')}")
            for name, value in answers.items() if name in agreement.ASKED
        ]  # fmt: skip
        await run_in_threadpool(self.room.store.append_many, events)
        return _json({"written": len(events)})

    async def agreement(self, request: Request) -> Response:
        """Blind accuracy and agreement."""
        who = request.query_params.get("who") or None
        return _json(await run_in_threadpool(self._agreement, who))

    def _agreement(self, who: str | None) -> dict[str, Any]:
        events = self.room.store.events()
        return {
            "mine": agreement.accuracy(events, self.room.rows, who), "all": agreement.accuracy(events, self.room.rows),
            "agreement": agreement.agreement(events, self.room.rows), "least": agreement.MIN_SNAPS,
        }  # fmt: skip


def _json(value: Any, status: int = 200) -> Response:
    text = json.dumps(plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return Response(text.encode("utf-8", "replace"), status, media_type="application/json")


def _text(request: Request, name: str) -> str:
    value = request.query_params.get(name)
    if not value or len(value) > 400:
        raise AuditError(f"{name} is missing.")
    return value


def _integer(request: Request, name: str, default: int) -> int:
    value = request.query_params.get(name)
    try:
        return default if value is None else int(value)
    except ValueError as e:
        raise AuditError(f"{name} is a whole number, got {value!r}.") from e


async def _body(request: Request) -> dict[str, Any]:
    try:
        said = json.loads(await request.body())
    except (ValueError, RecursionError) as e:
        raise AuditError("The act is not JSON.") from e
    if not isinstance(said, dict):
        raise AuditError("An act is a JSON object.")
    return said


def build(room: Room, who: str, token: str) -> Starlette:
    """The application of one run."""
    return Starlette(routes=[*Page(room, who, token).routes()], middleware=[Middleware(Guard, token=token)])
