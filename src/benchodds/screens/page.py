"""The bench as a page for a phone in the shop: server-rendered, works without JavaScript.

Every form carries a token of its own (the event's), so that a reload, a double tap or a
resent form is one event. Answers to forms are redirects, so that back and reload do no harm.
"""

from __future__ import annotations

import asyncio
import uuid
from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from functools import partial
from importlib.resources import files as package_files
from typing import Any, TypeVar
from urllib.parse import quote, urlsplit

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from benchodds.basics.errors import BenchoddsError, UnknownJobError
from benchodds.basics.language import _
from benchodds.keep import files
from benchodds.keep.session import Session
from benchodds.model import jobs
from benchodds.screens.benchview import job_view, typed_values
from benchodds.screens.commands import (
    did_repair,
    explain,
    make_technique,
    mark_setup,
    record_reading,
)
from benchodds.screens.guard import Guard
from benchodds.screens.pages import environment

T = TypeVar("T")

COOKIE = "bench_device"
MOST_BYTES = 64_000
BODY_S = 20.0
"""Longest wait for the next part of a form."""
FIELDS = ("hits", "tries", "unit", "how", "meter", "leads", "light", "unplugged", "note")
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


class Gate:
    """Lets through what comes from a known host and device, in bounds, and adds the headers."""

    def __init__(self, app: ASGIApp, guard: Guard, hosts: frozenset[str]) -> None:
        self.app, self.guard, self.hosts = app, guard, hosts

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
        refused = self._refused(request)
        if refused is not None:
            await refused(scope, receive, with_headers)
            return
        await self.app(scope, self._bounded(receive), with_headers)

    def _refused(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if host not in self.hosts:
            return HTMLResponse(_("This address is not served here."), 421)
        length = request.headers.get("content-length") or "0"
        if not length.isdecimal() or len(length) > 9 or int(length) > MOST_BYTES:
            return HTMLResponse(_("That is more than a form can hold."), 413)
        if request.method not in ("GET", "HEAD", "POST"):
            return HTMLResponse(_("Not a way to ask."), 405)
        if request.method == "POST":
            origin = request.headers.get("origin")
            site = request.headers.get("sec-fetch-site", "same-origin")
            if (origin is not None and urlsplit(origin).netloc != host) or site not in (
                "same-origin",
                "none",
            ):
                return HTMLResponse(_("Forms are taken from this page only."), 403)
        open_to_all = request.url.path.startswith("/static/") or request.url.path == "/pair"
        role = self.guard.role(request.cookies.get(COOKIE))
        if role is None and not open_to_all:
            return RedirectResponse("/pair", 303)
        if request.method == "POST" and role == "look" and not open_to_all:
            return HTMLResponse(_("This device looks on; it cannot write. Pair it to work."), 403)
        return None

    @staticmethod
    def _bounded(receive: Receive) -> Receive:
        seen = 0

        async def bounded() -> Message:
            nonlocal seen
            try:
                message = await asyncio.wait_for(receive(), BODY_S)
            except TimeoutError:
                return {"type": "http.disconnect"}
            seen += len(message.get("body", b""))
            if seen > MOST_BYTES:
                return {"type": "http.disconnect"}
            return message

        return bounded


class Page:
    """The routes, over one store."""

    def __init__(self, session: Session, guard: Guard) -> None:
        self.session, self.guard = session, guard
        self._alone = ThreadPoolExecutor(1)

    async def _worked_out(self, work: Callable[..., T], *args: Any) -> T:
        """What takes odds: one at a time, so that two devices do not take twice the memory."""
        here = partial(copy_context().run, work, *args)
        return await asyncio.get_running_loop().run_in_executor(self._alone, here)

    def routes(self) -> list[Route]:
        """All addresses of the page."""
        return [
            Route("/", self.home),
            Route("/pair", self.pair, methods=["GET", "POST"]),
            Route("/open", self.open_job, methods=["POST"]),
            Route("/job/{job}", self.job),
            Route("/job/{job}/state", self.state),
            Route("/job/{job}/odds", self.odds),
            Route("/job/{job}/why/{reading}", self.why),
            Route("/job/{job}/reading", self.reading, methods=["POST"]),
            Route("/job/{job}/strike", self.strike, methods=["POST"]),
            Route("/job/{job}/setup", self.setup, methods=["POST"]),
            Route("/job/{job}/done", self.done, methods=["POST"]),
            Route("/static/{name}", self.static),
        ]

    # ---- pieces ----------------------------------------------------------------------------

    def _show(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        key = request.cookies.get(COOKIE)
        fresh = None
        if not key and not self.guard.paired_only:
            key = fresh = self.guard.new_device()
        html = (
            environment()
            .get_template(f"page/{template}")
            .render(
                token=self.guard.form_token(key) if key else "",
                writes=self.guard.role(key) == "work",
                new_uid=lambda: uuid.uuid4().hex,
                **values,
            )
        )
        response = HTMLResponse(html, status)
        if fresh:
            _set_cookie(response, fresh)
        return response

    async def _form(self, request: Request) -> FormData | None:
        """The form sent, or None when it was not made for this device."""
        form = await request.form(max_files=0, max_fields=60)
        if not self.guard.form_is_ours(request.cookies.get(COOKIE), str(form.get("token", ""))):
            return None
        return form

    async def _act(
        self, request: Request, act: Callable[[str, FormData], str], typed: bool = False
    ) -> Response:
        """Do what a form says; back to the job, or the form again with what is wrong beside it."""
        job_id = request.path_params["job"]
        form = await self._form(request)
        if form is None:
            return self._show(
                request, "sorry.html", 403, words=_("This form is out of date. Open the job again.")
            )
        try:
            said = await self._worked_out(act, job_id, form)
        except BenchoddsError as error:
            if isinstance(error, UnknownJobError):
                return self._show(request, "sorry.html", 404, words=str(error))
            kept = (
                {k: str(v) for k, v in form.items() if k not in ("token", "uid")} if typed else {}
            )
            values = form.getlist("value") if typed else []
            return await self._job(
                request, 422, wrong=str(error), kept=kept, kept_values=[str(v) for v in values]
            )
        if "application/json" in request.headers.get("accept", ""):
            return JSONResponse({"schema": 1, "said": said})
        return RedirectResponse(f"/job/{quote(job_id)}", 303)

    async def _job(self, request: Request, status: int = 200, **values: Any) -> Response:
        job_id = request.path_params["job"]
        test = request.query_params.get("test") or (values.get("kept") or {}).get("test")
        skipped = request.query_params.getlist("skip")
        try:
            view = await self._worked_out(job_view, self.session, job_id, test, skipped)
        except BenchoddsError as error:
            return self._show(request, "sorry.html", 404, words=str(error))
        values["kept"] = {**dict.fromkeys(FIELDS, ""), **values.get("kept", {})}
        defaults: dict[str, Any] = {"wrong": "", "kept_values": []}
        return self._show(request, "job.html", status, v=view, **{**defaults, **values})

    # ---- reading pages ---------------------------------------------------------------------

    async def home(self, request: Request) -> Response:
        """Open jobs, and a form for a new one."""
        rows = await run_in_threadpool(lambda: self.session.store.jobs(open_only=True))
        models = await run_in_threadpool(
            lambda: [files.load_system(name) for name in files.available("models")]
        )
        return self._show(request, "home.html", rows=rows, models=models, wrong="")

    async def job(self, request: Request) -> Response:
        """One job: what leads, what next, the form for the reading."""
        return await self._job(request)

    async def state(self, request: Request) -> Response:
        """How many events a job has: what another device's page asks to know of news."""
        try:
            job = await run_in_threadpool(self.session.store.job, request.path_params["job"])
        except BenchoddsError:
            return JSONResponse({"schema": 1, "events": 0}, 404)
        return JSONResponse({"schema": 1, "events": len(job.events)})

    async def odds(self, request: Request) -> Response:
        """All odds, as in the terminal."""
        from benchodds.screens import render

        def work() -> str:
            return render.odds(
                self.session.assess(self.session.store.job(request.path_params["job"]))
            )

        return await self._text(request, _("Odds"), work)

    async def why(self, request: Request) -> Response:
        """What one reading is worth."""
        job, reading = request.path_params["job"], request.path_params["reading"]
        return await self._text(
            request,
            _("Why {reading}").format(reading=reading),
            lambda: explain(self.session, job, reading, None)[0],
        )

    async def _text(self, request: Request, title: str, work: Callable[[], str]) -> Response:
        try:
            text = await self._worked_out(work)
        except BenchoddsError as error:
            return self._show(request, "sorry.html", 404, words=str(error))
        return self._show(
            request, "text.html", title=title, text=text, job=request.path_params["job"]
        )

    async def static(self, request: Request) -> Response:
        """Style and script, from the package."""
        kinds = {"bench.css": "text/css", "bench.js": "text/javascript"}
        name = request.path_params["name"]
        if name not in kinds:
            return HTMLResponse(_("Not here."), 404)
        text = (package_files("benchodds") / "static" / name).read_text(encoding="utf-8")
        return Response(text, media_type=kinds[name])

    # ---- acting pages ----------------------------------------------------------------------

    async def pair(self, request: Request) -> Response:
        """Show the code once, get a key."""
        if request.method == "GET" or not self.guard.paired_only:
            return self._show(request, "pair.html", wrong="")
        form = await request.form(max_files=0, max_fields=5)
        key = self.guard.pair(str(form.get("code", "")))
        if key is None:
            words = _("That is not the code. See the terminal; after five tries it changes.")
            return self._show(request, "pair.html", 403, wrong=words)
        response = RedirectResponse("/", 303)
        _set_cookie(response, key)
        return response

    async def open_job(self, request: Request) -> Response:
        """Open a job from the form on the first page."""
        form = await self._form(request)
        if form is None:
            return self._show(request, "sorry.html", 403, words=_("This form is out of date."))
        system, _slash, complaint = str(form.get("what", "")).partition("/")

        def work() -> str:
            contexts = [str(c) for c in form.getlist("context")]
            variant = str(form.get("variant") or "") or None
            uid = str(form.get("uid", ""))
            return self.session.open(system, complaint, contexts, variant, None, None, uid=uid).id

        try:
            job_id = await run_in_threadpool(work)
        except BenchoddsError as error:
            return self._show(request, "sorry.html", 422, words=str(error))
        return RedirectResponse(f"/job/{quote(job_id)}", 303)

    async def reading(self, request: Request) -> Response:
        """Record what a test showed."""

        def act(job_id: str, form: FormData) -> str:
            keys = ("how", "meter", "leads", "light", "unplugged")
            technique = make_technique({k: str(form[k]) for k in keys if form.get(k)})
            values = typed_values(
                [str(v) for v in form.getlist("value")],
                str(form.get("unit", "")),
                str(form.get("hits", "")),
                str(form.get("tries", "")),
                str(form.get("mark", "")),
            )
            note = str(form.get("note") or "") or None
            text, _ = record_reading(
                self.session,
                job_id,
                str(form.get("test", "")),
                values,
                technique,
                note,
                uid=str(form.get("uid", "")),
            )
            return text

        return await self._act(request, act, typed=True)

    async def strike(self, request: Request) -> Response:
        """Strike a reading."""

        def act(job_id: str, form: FormData) -> str:
            reading, reason = str(form.get("reading", "")), str(form.get("reason") or "mistyped")
            self.session.append(
                job_id,
                lambda j, at, uid: jobs.strike_event(j, reading, at=at, uid=uid, reason=reason),
                uid=str(form.get("uid", "")),
            )
            return _("Struck {reading}.").format(reading=reading)

        return await self._act(request, act)

    async def setup(self, request: Request) -> Response:
        """Say that a set-up is open or closed."""

        def act(job_id: str, form: FormData) -> str:
            return mark_setup(
                self.session, job_id, str(form.get("setup", "")), form.get("state") == "open"
            )

        return await self._act(request, act)

    async def done(self, request: Request) -> Response:
        """Write down a repair."""

        def act(job_id: str, form: FormData) -> str:
            return did_repair(self.session, job_id, str(form.get("repair", "")), None)

        return await self._act(request, act)


def _set_cookie(response: Response, key: str) -> None:
    response.set_cookie(COOKIE, key, httponly=True, samesite="strict", path="/")


async def _lost(request: Request, error: Exception) -> Response:
    """What is shown when something broke here: nothing of the inside."""
    return HTMLResponse(_("Something went wrong here. Nothing recorded is lost; go back."), 500)


Handler = Callable[[Request, Exception], Awaitable[Response]]


def create_app(session: Session, guard: Guard, hosts: frozenset[str]) -> ASGIApp:
    """The page as an ASGI application serving the given host names (with port)."""
    page = Page(session, guard)
    inside = Starlette(routes=page.routes(), exception_handlers={500: _lost, Exception: _lost})
    return Gate(inside, guard, hosts)
