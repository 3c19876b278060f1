"""Who may ask the page's server: this machine's own browser on the page itself, nobody else.

The Host header must name this machine (against DNS rebinding), requests from other sites are refused by Origin and
Sec-Fetch-Site (W3C Fetch Metadata), writes need the token that only the page has. Every answer forbids foreign
content (W3C Content Security Policy Level 3) and being framed.
"""

from __future__ import annotations

import secrets
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

NAMES = ("127.0.0.1", "localhost")
TOKEN_HEADER = "x-snapledger-token"
LARGEST_BODY = 64 << 10
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}  # fmt: skip


class Guard:
    """ASGI middleware in front of everything."""

    def __init__(self, app: ASGIApp, token: str) -> None:
        self.app, self.token = app, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if "cache-control" not in headers:
                    headers["Cache-Control"] = "no-store"
            await send(message)

        why = self.refusal(scope["method"], scope["path"], Headers(scope=scope))
        if why is not None:
            await JSONResponse({"error": why}, status_code=403)(scope, receive, with_headers)
            return
        await self.app(scope, receive, with_headers)

    def refusal(self, method: str, path: str, headers: Headers) -> str | None:
        """Why a request is refused; None where it is not."""
        hosts = headers.getlist("host")
        if len(hosts) != 1 or urlsplit(f"//{hosts[0]}").hostname not in NAMES:
            return "This page answers to 127.0.0.1 only: the request named another host."
        origin = headers.get("origin")
        if origin is not None and origin != f"http://{hosts[0]}":
            return "This request comes from another site."
        site = headers.get("sec-fetch-site", "none")
        opened = method == "GET" and path == "/" and headers.get("sec-fetch-mode") == "navigate"
        if site not in ("same-origin", "none") and not opened:
            return "This request comes from another site."
        if method in ("GET", "HEAD"):
            return None
        if not secrets.compare_digest(headers.get(TOKEN_HEADER, "").encode(), self.token.encode()):
            return "The page is older than the server: load it again."
        if headers.get("content-type", "").split(";")[0].strip() != "application/json":
            return "Acts are sent as JSON."
        length = headers.get("content-length", "")
        if not length.isdigit() or int(length) > LARGEST_BODY:
            return "This act is too large."
        return None
