"""The shell around the pages: who asks, may they, is the form ours, and what an error looks like.

A request is answered in a thread of its own with a ledger connection from a small pool. What a person can fix is shown
with its problem and remedy. Our own mistakes are told by a reference without any of the patient's words.
"""

from __future__ import annotations

import hmac
import logging
import queue
from collections.abc import Awaitable, Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import date
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from cli.pages.asked import Asked
from cli.pages.doors import Doors
from cli.pages.guarding import HEADERS, LOOPBACK, TooMuch, TooSlow, bounded, guarded
from cli.pages.looks import Looks
from cli.pages.rights import Right
from cli.pages.site import MENU_ORDER, Page, pages
from ledger.errors import LedgerError, NotFound, StaleHistory

if TYPE_CHECKING:
    from jinja2 import Environment

    from ledger.store import Ledger

__all__ = ["HEADERS", "Site", "application"]

HERE = Path(__file__).parent
log = logging.getLogger("access-ledger.pages")


class Site:
    """The pages over one ledger.

    `open_one` opens a further connection to it; `day` counts as today where given. The pages answer to the names of
    `hosts` only, and where `proxies` are declared (addresses, or networks) to them only.
    """

    def __init__(
        self,
        open_one: Callable[[], Ledger],
        doors: Doors,
        *,
        day: date | None = None,
        connections: int = 8,
        hosts: Iterable[str] = LOOPBACK,
        proxies: Iterable[str] = (),
    ) -> None:
        self._open = open_one
        self.hosts, self.proxies = tuple(hosts), tuple(proxies)
        self.looks = Looks(open_one)
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
        """Closes the connections that are idle, when what was looked at is on record."""
        self.looks.close()
        while not self._idle.empty():
            self._idle.get_nowait().close()


def application(site: Site) -> Starlette:
    """The pages as an ASGI application."""
    routes: list[Route | Mount] = [
        Route(page.path, _answering(site, page), methods=list(page.methods), name=page.name) for page in site.pages
    ]
    routes.append(Mount("/static", StaticFiles(directory=HERE / "static"), name="static"))
    app = _Pages(routes=routes, exception_handlers={404: _not_here(site), 405: _not_here(site)})
    app.state.doors = site.doors
    app.state.site = site
    return app


class _Pages(Starlette):
    """Starlette with our guards outside of everything, its own answer to mistakes of ours included."""

    def build_middleware_stack(self) -> ASGIApp:
        site: Site = self.state.site
        guards: ASGIApp = guarded(super().build_middleware_stack(), hosts=site.hosts, proxies=site.proxies)
        return guards


def _answering(site: Site, page: Page) -> Callable[[Request], Awaitable[Response]]:
    async def answer(request: Request) -> Response:
        form = FormData()
        if request.method == "POST":
            arriving = Request(request.scope, bounded(request.receive, page.largest))
            try:
                form = await arriving.form(max_files=20, max_fields=2000, max_part_size=page.largest)
            except TooMuch:
                return PlainTextResponse("This form is too large.", 413, {"connection": "close"})
            except TooSlow:
                return PlainTextResponse("This form took too long to arrive.", 408, {"connection": "close"})
            except ClientDisconnect:
                return PlainTextResponse("This form did not arrive.", 400)
            except HTTPException:
                return PlainTextResponse("This form cannot be read.", 400, {"connection": "close"})
        try:
            return await run_in_threadpool(_answer, site, page, request, form)
        finally:
            await form.close()

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
        answer = _refused(site, page, asked) or _made(page, asked)
        # Before anybody sees the answer, the look is on record: one write for all that the page noted.
        site.looks.write(ledger, asked.noted)
        return answer


def _refused(site: Site, page: Page, asked: Asked) -> Response | None:
    """The answer to whoever may not have this page; None for whoever may."""
    request = asked.request
    if page.right is not Right.ANYBODY and asked.account is None:
        if _wants_json(request):
            return _wrong(asked, 401, "You are not signed in, or no longer.", "Sign in again.")
        has_a_page = any(other.path == page.path and "GET" in other.methods for other in site.pages)
        return RedirectResponse(
            site.doors.sign_in_path(request, back=request.method != "POST" or has_a_page), status_code=303
        )
    if asked.account is not None and not asked.account.may(page.right):
        return _wrong(asked, 403, "Your account may not open this page.", "Ask whoever keeps the accounts.")
    if request.method == "POST" and not _is_ours(page, asked):
        return _wrong(
            asked,
            403,
            "This form did not come from a page of yours, or you were signed out meanwhile.",
            "Nothing was written. Open the page again and send it from there.",
        )
    if asked.account is not None and asked.account.must_change and not page.before_change:
        return RedirectResponse("/password", status_code=303)
    return None


def _is_ours(page: Page, asked: Asked) -> bool:
    """Whether a form came from a page of this session."""
    if asked.request.headers.get("sec-fetch-site") in ("cross-site", "same-site"):
        return False
    if page.without_form_token:
        return True
    sent = asked.form.get("csrf") or asked.request.headers.get("x-csrf") or ""
    return isinstance(sent, str) and bool(asked.csrf) and hmac.compare_digest(sent.encode(), asked.csrf.encode())


def _made(page: Page, asked: Asked) -> Response:
    try:
        return page.answer(asked)
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


def _wants_json(request: Request) -> bool:
    return "application/json" in request.headers.get("accept", "")


def _wrong(asked: Asked, status: int, problem: str, remedy: str) -> Response:
    if _wants_json(asked.request):
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
