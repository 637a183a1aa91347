"""The bench as a page for a phone in the shop: server-rendered, works without JavaScript.

Every form carries a token of its own (the event's), so that a reload, a double tap or a
resent form is one event. Answers to forms are redirects, so that back and reload do no harm; to
the page's script, which keeps what was pressed until it is heard, they are JSON that names it.
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
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from benchodds.basics.errors import BenchoddsError, ClosedJobError, StoreError, UnknownJobError
from benchodds.basics.language import _
from benchodds.keep import files
from benchodds.keep.session import Session
from benchodds.screens.benchview import job_view
from benchodds.screens.commands import explain
from benchodds.screens.connections import Connections
from benchodds.screens.gate import COOKIE, Gate, by_script, plainly
from benchodds.screens.guard import Guard
from benchodds.screens.pages import environment
from benchodds.screens.posted import DEEDS, TECHNIQUE, Form, Posted, one

T = TypeVar("T")

FIELDS = (*TECHNIQUE, "test", "mark", "hits", "tries", "unit", "note")


class Page:
    """The routes, over one store."""

    def __init__(self, session: Session, guard: Guard) -> None:
        self.session, self.guard, self.posted = session, guard, Posted(session)
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
            *(Route(f"/job/{{job}}/{d}", self.deed, methods=["POST"]) for d in DEEDS),
            Route("/token", self.token),
            Route("/static/{name}", self.static),
        ]

    # ---- pieces ----------------------------------------------------------------------------

    def _key(self, request: Request) -> tuple[str, str | None]:
        """The key of the device that asks, and one to give it when it may have one and has none."""
        key = request.cookies.get(COOKIE)
        if key or self.guard.paired_only:
            return key or "", None
        fresh = self.guard.new_device()
        return fresh, fresh

    def _show(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        key, fresh = self._key(request)
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

    async def _form(self, request: Request) -> tuple[Form, bool]:
        """The form sent, and whether it was made for this device by this run of the page."""
        sent = await request.form(max_files=0, max_fields=60)
        form = {name: [str(v) for v in sent.getlist(name)] for name in sent}
        return form, self.guard.form_is_ours(request.cookies.get(COOKIE), one(form, "token"))

    def _sorry(self, request: Request, words: str, status: int, **more: Any) -> Response:
        """What is wrong, on a page of its own or for the script."""
        if by_script(request):
            return plainly(request, words, status, **more)
        return self._show(request, "sorry.html", status, words=words)

    async def _job(self, request: Request, status: int = 200, **values: Any) -> Response:
        job_id = request.path_params["job"]
        test = request.query_params.get("test") or (values.get("kept") or {}).get("test")
        skipped = request.query_params.getlist("skip")
        sure = "sure" in request.query_params or bool(values.get("kept"))
        try:
            view = await self._worked_out(job_view, self.session, job_id, test, skipped, sure)
        except BenchoddsError as error:
            return self._show(request, "sorry.html", 404, words=str(error))
        values["kept"] = {**dict.fromkeys(FIELDS, ""), **values.get("kept", {})}
        defaults: dict[str, Any] = {"wrong": "", "kept_values": []}
        return self._show(request, "job.html", status, v=view, of=view.of, **{**defaults, **values})

    # ---- reading pages ---------------------------------------------------------------------

    async def home(self, request: Request) -> Response:
        """Open jobs, and a form for a new one."""
        found = await run_in_threadpool(lambda: self.session.store.snapshot())
        models = await run_in_threadpool(
            lambda: [files.load_system(name) for name in files.available("models")]
        )
        told: dict[str, Any] = {
            "rows": found.lines(open_only=True),
            "damaged": found.damaged,
            "models": models,
        }
        return self._show(request, "home.html", wrong="", **told)

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
        from benchodds.screens import numbers

        def work() -> str:
            return numbers.odds(
                self.session.assess(self.session.store.job(request.path_params["job"]))
            )

        return await self._text(request, _("Odds"), work)

    async def why(self, request: Request) -> Response:
        """What one reading is worth."""
        job, reading = request.path_params["job"], request.path_params["reading"]
        return await self._text(
            request,
            _("Why {reading}").format(reading=reading),
            lambda: explain(self.session, job, reading, numbers=True)[0],
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
        kinds = {"css": "text/css", "js": "text/javascript"}
        name = request.path_params["name"]
        if name not in ("bench.css", "bench.js", "waiting.js"):
            return HTMLResponse(_("Not here."), 404)
        text = (package_files("benchodds") / "static" / name).read_text(encoding="utf-8")
        return Response(text, media_type=kinds[name.rpartition(".")[2]])

    # ---- acting pages ----------------------------------------------------------------------

    async def pair(self, request: Request) -> Response:
        """Show the code once, get a key."""
        if request.method == "GET" or not self.guard.paired_only:
            return self._show(request, "pair.html", wrong="")
        address = request.client.host if request.client else ""
        if self.guard.must_wait(address):
            words = _("Too many wrong codes from this device; try again in half a minute.")
            return self._show(request, "pair.html", 429, wrong=words)
        form = await request.form(max_files=0, max_fields=5)
        key = self.guard.pair(str(form.get("code", "")), address)
        if key is None:
            words = _("That is not the code; it stands in the terminal.")
            return self._show(request, "pair.html", 403, wrong=words)
        response = RedirectResponse("/", 303)
        _set_cookie(response, key)
        return response

    async def token(self, request: Request) -> Response:
        """What a form sent now must carry, for the script: forms from before a restart have not."""
        key, fresh = self._key(request)
        writes = self.guard.role(key) == "work"
        said = "" if writes else _("This device looks on; it cannot write. Pair it to work.")
        token = self.guard.form_token(key)
        response = JSONResponse({"schema": 1, "token": token, "writes": writes, "said": said})
        if fresh:
            _set_cookie(response, fresh)
        return response

    async def open_job(self, request: Request) -> Response:
        """Open a job from the form on the first page."""
        form, ours = await self._form(request)
        if not ours:
            return self._sorry(request, _("This form is out of date; fill it in anew."), 403)
        system, _slash, complaint = one(form, "what").partition("/")
        uid = one(form, "uid")

        def work() -> str:
            said, variant = form.get("context", ()), one(form, "variant") or None
            both = "+".join(dict.fromkeys((complaint, *form.get("also", ()))))
            done = form.get("replaced", ())
            told = self.session.open(system, both, said, variant, None, None, uid, done)
            return told.id

        try:
            job_id = await run_in_threadpool(work)
        except BenchoddsError as error:
            return self._sorry(request, str(error), _status(error), uid=uid)
        return _taken(request, uid, _("Job {job} is open.").format(job=job_id), job_id)

    async def deed(self, request: Request) -> Response:
        """Do what a form says; back to the job, or the form again with what is wrong beside it."""
        job_id, deed = request.path_params["job"], request.url.path.rpartition("/")[2]
        form, ours = await self._form(request)
        if not ours:
            words = _("The page was started anew since; look it over and press the button again.")
            if by_script(request) or not request.cookies.get(COOKIE):
                return self._sorry(request, words, 403)
            return await self._again(request, form, words, 403)
        uid = one(form, "uid")
        try:
            said = await self._worked_out(self.posted.take, deed, job_id, form)
        except BenchoddsError as error:
            if by_script(request) or isinstance(error, UnknownJobError):
                return self._sorry(request, str(error), _status(error), uid=uid)
            return await self._again(request, form, str(error), _status(error))
        return _taken(request, uid, said, job_id)

    async def _again(self, request: Request, form: Form, wrong: str, status: int) -> Response:
        """The job with the form as it was filled in."""
        kept = {k: one(form, k) for k in FIELDS}
        values = list(form.get("value", ()))
        return await self._job(request, status, wrong=wrong, kept=kept, kept_values=values)


def _status(error: BenchoddsError) -> int:
    """What the script goes by: all but 422, which the technician has to correct, is tried again."""
    for kind, status in ((UnknownJobError, 404), (ClosedJobError, 409), (StoreError, 503)):
        if isinstance(error, kind):
            return status
    return 422


def _taken(request: Request, uid: str, said: str, job_id: str) -> Response:
    """What is answered when a form's event is on record."""
    go = f"/job/{quote(job_id)}"
    if by_script(request):
        return JSONResponse({"schema": 1, "uid": uid, "said": said, "go": go})
    return RedirectResponse(go, 303)


def _set_cookie(response: Response, key: str) -> None:
    response.set_cookie(COOKIE, key, httponly=True, samesite="strict", path="/")


async def _lost(request: Request, error: Exception) -> Response:
    """What is shown when something broke here: nothing of the inside."""
    return HTMLResponse(_("Something went wrong here. Nothing recorded is lost; go back."), 500)


Handler = Callable[[Request, Exception], Awaitable[Response]]


def create_app(
    session: Session,
    guard: Guard,
    hosts: frozenset[str],
    connections: Connections | None = None,
) -> ASGIApp:
    """The page as an ASGI application serving the given host names (with port)."""
    page = Page(session, guard)
    inside = Starlette(routes=page.routes(), exception_handlers={500: _lost, Exception: _lost})
    return Gate(inside, guard, hosts, connections or Connections())
