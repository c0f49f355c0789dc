"""The doors: how somebody comes in, and how they are known again.

A signed-in browser carries one random cookie; what it stands for is kept by the server. A first start on loopback
makes a one-time link, so that trying it takes no set-up.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from starlette.requests import Request

from cli.pages.rights import Account

if TYPE_CHECKING:
    from ledger.store import Ledger

COOKIE = "access_ledger"
IDLE, LONGEST = timedelta(minutes=30), timedelta(hours=12)
"""A session ends when nothing was asked for this long, and at the latest after this long."""


@dataclass(frozen=True)
class WhoAsks:
    """Who a request is from, and the token that its forms carry."""

    account: Account | None = None
    csrf: str = ""


@dataclass
class _Session:
    account: Account
    csrf: str
    began: datetime
    last: datetime


class Doors:
    """Sessions of signed-in browsers, in the memory of the server."""

    def __init__(self, clock: Callable[[], datetime]) -> None:
        self._clock = clock
        self._sessions: dict[str, _Session] = {}
        self._once: dict[str, Account] = {}
        self._lock = threading.Lock()

    def one_time_link(self, account: Account) -> str:
        """A path that signs this account in, once."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._once[token] = account
        return f"/enter?once={token}"

    def enter_once(self, token: str) -> str | None:
        """The cookie for whoever comes with a one-time token; None for one that is spent or unknown."""
        with self._lock:
            account = self._once.pop(token, None)
        return None if account is None else self.begin(account)

    def begin(self, account: Account) -> str:
        """Begins a session; gives the cookie's value."""
        cookie, now = secrets.token_urlsafe(32), self._clock()
        with self._lock:
            self._sessions[cookie] = _Session(account, secrets.token_urlsafe(32), now, now)
        return cookie

    def token_of(self, cookie: str) -> str:
        """The token that the forms of a session carry."""
        with self._lock:
            return self._sessions[cookie].csrf

    def end(self, cookie: str) -> None:
        """Ends a session."""
        with self._lock:
            self._sessions.pop(cookie, None)

    def who_asks(self, request: Request, ledger: Ledger) -> WhoAsks:
        """Who a request is from; nobody when the session is unknown or over."""
        cookie = request.cookies.get(COOKIE, "")
        now = self._clock()
        with self._lock:
            found = self._sessions.get(cookie)
            if found is None:
                return WhoAsks()
            if now - found.last > IDLE or now - found.began > LONGEST:
                del self._sessions[cookie]
                return WhoAsks()
            found.last = now
            return WhoAsks(found.account, found.csrf)

    def sign_in_path(self, request: Request) -> str:
        """Where to sign in, and come back from."""
        from urllib.parse import urlencode

        there = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return "/enter?" + urlencode({"then": there if request.method == "GET" else "/"})
