"""The gate before the page: known hosts, paired devices, bounded forms, headers on all answers."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchodds.basics.language import _
from benchodds.screens.connections import Connections
from benchodds.screens.guard import Guard

COOKIE = "bench_device"
MOST_BYTES = 64_000
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; "
        "img-src 'self' data:; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Cache-Control": "no-store",
}


def by_script(request: Request) -> bool:
    """Whether the page's script asks, which reads JSON and shows the answer itself."""
    return "application/json" in request.headers.get("accept", "")


def plainly(request: Request, words: str, status: int, **more: Any) -> Response:
    """An answer of one sentence, as a page or for the script; ``more`` is for the script."""
    if by_script(request):
        return JSONResponse({"schema": 1, "said": words, **more}, status)
    return HTMLResponse(words, status)


class Gate:
    """Lets through what comes from a known host and device, in bounds, and adds the headers."""

    def __init__(
        self, app: ASGIApp, guard: Guard, hosts: frozenset[str], connections: Connections
    ) -> None:
        self.app, self.guard, self.hosts, self.connections = app, guard, hosts, connections

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                raw = [(k.lower().encode(), v.encode()) for k, v in HEADERS.items()]
                message["headers"] = [*message["headers"], *raw]
            await send(message)

        request = Request(scope)
        peer, patience = scope.get("client"), self.connections.patience
        peer = tuple(peer) if peer else None
        self.connections.allow(peer, patience.form_s)
        try:
            app: ASGIApp | None = self._refused(request)
            if app is None:
                body = await self._whole(receive)
                if body is None:  # nobody is there to be answered
                    return
                app = self.app if len(body) <= MOST_BYTES else _too_much(request)
                receive = _heard(body, receive)
            self.connections.allow(peer, patience.answer_s, owes=False)
            await app(scope, receive, with_headers)
        finally:
            self.connections.allow(peer, patience.request_s)

    def _refused(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if host not in self.hosts:
            return plainly(request, _("This address is not served here."), 421)
        length = request.headers.get("content-length") or "0"
        if not length.isdecimal() or len(length) > 9 or int(length) > MOST_BYTES:
            return _too_much(request)
        if request.method not in ("GET", "HEAD", "POST"):
            return plainly(request, _("Not a way to ask."), 405)
        if request.method == "POST":
            origin = request.headers.get("origin")
            site = request.headers.get("sec-fetch-site", "same-origin")
            if (origin is not None and urlsplit(origin).netloc != host) or site not in (
                "same-origin",
                "none",
            ):
                return plainly(request, _("Forms are taken from this page only."), 403)
        open_to_all = request.url.path.startswith("/static/") or request.url.path == "/pair"
        role = self.guard.role(request.cookies.get(COOKIE))
        if role is None and not open_to_all:
            if by_script(request):
                return plainly(request, _("Pair this device first."), 401)
            return RedirectResponse("/pair", 303)
        if request.method == "POST" and role == "look" and not open_to_all:
            words = _("This device looks on; it cannot write. Pair it to work.")
            return plainly(request, words, 403)
        return None

    @staticmethod
    async def _whole(receive: Receive) -> bytes | None:
        """What a form holds, read until it is too much; None when the other end is gone."""
        body, more = b"", True
        while more and len(body) <= MOST_BYTES:
            message = await receive()
            if message["type"] == "http.disconnect":
                return None
            body += message.get("body", b"")
            more = message.get("more_body", False)
        return body


def _too_much(request: Request) -> Response:
    answer = plainly(request, _("That is more than a form can hold."), 413)
    answer.headers["connection"] = "close"  # what else was to come is not read
    return answer


def _heard(body: bytes, receive: Receive) -> Receive:
    """Hands on what has been read, then what comes."""
    messages: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

    async def again() -> Message:
        return messages.pop() if messages else await receive()

    return again
