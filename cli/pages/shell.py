"""The shell around the pages: who asks, may they, is the form ours, and what an error looks like.

A request is answered in a thread of its own with a ledger connection from a small pool. What a person can fix is shown
with its problem and remedy. Our own mistakes are told by a reference without any of the patient's words.
"""

from __future__ import annotations

import hmac
import logging
import queue
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from datetime import date
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from cli.pages.asked import Asked
from cli.pages.doors import Doors
from cli.pages.rights import Right
from cli.pages.site import MENU_ORDER, Page, pages
from ledger.errors import LedgerError, NotFound, StaleHistory

if TYPE_CHECKING:
    from jinja2 import Environment

    from ledger.store import Ledger

HERE = Path(__file__).parent
LARGEST_FORM = 2_000_000
"""Bytes of a form; a report that is dropped on a page comes in pieces of its own."""

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
"""On every answer. What the browser may keep is said per answer: pages about patients are not stored."""

log = logging.getLogger("access-ledger.pages")


class Site:
    """The pages over one ledger. `open_one` opens a further connection to it; `day` counts as today where given."""

    def __init__(
        self, open_one: Callable[[], Ledger], doors: Doors, *, day: date | None = None, connections: int = 8
    ) -> None:
        self._open = open_one
        self._idle: queue.LifoQueue[Ledger] = queue.LifoQueue(connections)
        self.doors = doors
        self.day = day
        self.templates = _templates()
        self.pages = tuple(pages())

    @contextmanager
    def connection(self) -> Iterator[Ledger]:
        """A ledger connection that nobody else uses meanwhile."""
        try:
            ledger = self._idle.get_nowait()
        except queue.Empty:
            ledger = self._open()
        try:
            yield ledger
        except BaseException as wrong:
            if isinstance(wrong, LedgerError | HTTPException):
                self._put_back(ledger)
            else:
                ledger.close()
            raise
        self._put_back(ledger)

    def _put_back(self, ledger: Ledger) -> None:
        try:
            self._idle.put_nowait(ledger)
        except queue.Full:
            ledger.close()

    def close(self) -> None:
        """Closes the connections that are idle."""
        while not self._idle.empty():
            self._idle.get_nowait().close()


def application(site: Site) -> Starlette:
    """The pages as an ASGI application."""
    routes: list[Route | Mount] = [
        Route(page.path, _answering(site, page), methods=list(page.methods), name=page.name) for page in site.pages
    ]
    routes.append(Mount("/static", StaticFiles(directory=HERE / "static"), name="static"))
    app = Starlette(routes=routes, exception_handlers={404: _not_here(site), 405: _not_here(site)})
    app.add_middleware(_Headers)
    return app


def _answering(site: Site, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        form = FormData()
        if request.method == "POST":
            if int(request.headers.get("content-length") or 0) > LARGEST_FORM:
                return PlainTextResponse("This form is too large.", 413)
            form = await request.form(max_files=20, max_fields=2000, max_part_size=LARGEST_FORM)
        return await run_in_threadpool(_answer, site, page, request, form)

    return answer


def _answer(site: Site, page: Page, request: Request, form: FormData) -> Response:
    with site.connection() as ledger:
        who = site.doors.who_asks(request, ledger)
        asked = Asked(
            request=request,
            account=who.account,
            ledger=ledger,
            templates=site.templates,
            csrf=who.csrf,
            day=site.day,
            form=form,
        )
        if page.right is not Right.ANYBODY and who.account is None:
            return RedirectResponse(site.doors.sign_in_path(request), status_code=303)
        if who.account is not None and not who.account.may(page.right):
            return _wrong(
                asked, 403, "Your account may not open this page.", "Ask whoever keeps the accounts of your unit."
            )
        if request.method == "POST" and not page.without_form_token:
            sent = form.get("csrf") or request.headers.get("x-csrf") or ""
            if not isinstance(sent, str) or not who.csrf or not hmac.compare_digest(sent, who.csrf):
                return _wrong(
                    asked,
                    403,
                    "This form did not come from a page of yours, or you were signed out meanwhile.",
                    "Nothing was written. Open the page again and send it from there.",
                )
        try:
            answer = page.answer(asked)
        except NotFound as wrong:
            return _wrong(asked, 404, wrong.problem, wrong.remedy)
        except StaleHistory as wrong:
            return _wrong(asked, 409, wrong.problem, wrong.remedy)
        except LedgerError as wrong:
            return _wrong(asked, 422, wrong.problem, wrong.remedy)
        except Exception as unexpected:
            from cli.main import reference_of

            reference = reference_of(unexpected)
            log.error("%s: %s", page.name, reference)
            return _wrong(
                asked,
                500,
                f"Something went wrong inside access-ledger that should not ({reference}).",
                "Nothing was half written. Try again; if it comes back, report that reference.",
            )
        return answer


def _wrong(asked: Asked, status: int, problem: str, remedy: str) -> Response:
    if "application/json" in asked.request.headers.get("accept", ""):
        from starlette.responses import JSONResponse

        return JSONResponse({"format": 1, "problem": problem, "remedy": remedy}, status)
    return asked.page("wrong.html", status=status, title=HTTPStatus(status).phrase, problem=problem, remedy=remedy)


def _not_here(site: Site) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def answer(request: Request, _: Exception) -> Response:
        def make() -> Response:
            with site.connection() as ledger:
                who = site.doors.who_asks(request, ledger)
                asked = Asked(
                    request=request, account=who.account, ledger=ledger, templates=site.templates, csrf=who.csrf
                )
                return _wrong(asked, 404, "There is no such page.", "Begin again with Find.")

        return await run_in_threadpool(make)

    return answer


class _Headers:
    """Puts the security headers on every answer, and keeps pages about patients out of stores."""

    def __init__(self, app: Any) -> None:
        self.app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        static = scope["path"].startswith("/static/")

        async def sending(message: Any) -> None:
            if message["type"] == "http.response.start":
                headers = message.setdefault("headers", [])
                present = {name.lower() for name, _ in headers}
                for name, value in HEADERS.items():
                    if name.lower().encode() not in present:
                        headers.append((name.lower().encode(), value.encode()))
                if b"cache-control" not in present:
                    headers.append((b"cache-control", b"no-cache" if static else b"no-store"))
            await send(message)

        await self.app(scope, receive, sending)


def _templates() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    from ledger.projections.wording import date_words, day_words

    made = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["day"] = day_words
    made.filters["date"] = date_words
    made.globals["menu"] = _menu
    return made


def _menu(asked: Asked) -> list[tuple[str, str]]:
    """Name and path of what stands in the menu of whoever asks."""
    if asked.account is None:
        return []
    found = {page.menu: page.path for page in pages() if page.menu and asked.account.may(page.right)}
    return [(name, found[name]) for name in MENU_ORDER if name in found]
