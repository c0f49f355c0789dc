"""The doors: how somebody comes in, and how they are known again.

A signed-in browser carries one random cookie; what it stands for is kept in the memory of the server and nowhere else,
so a copy of the ledger lets nobody in, and a restart of the server makes everybody sign in anew. A session ends when
nothing was asked for half an hour, and after twelve hours at the latest. At each request the account is read anew: a
role that was taken, an account that was closed, a password that was changed count at once.

A first start on loopback makes a one-time link, so that trying it takes no set-up. Passwords are looked at in
`ledger.store.accounts`, how often one may try in `slowing`, the hospital's own sign-in in `openid`.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import secrets
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import Enum
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response

from cli.pages.rights import Account, account_of
from cli.pages.slowing import Counted, Slowing
from ledger.errors import LedgerError

if TYPE_CHECKING:
    from cli.pages.openid import OpenId
    from ledger.store import Ledger
    from ledger.store.accounts import StoredAccount

COOKIE = "access_ledger"
"""The cookie of a session. Under TLS its name begins with `__Host-`, so no other host can set it."""
FORM_COOKIE = "access_ledger_form"
"""Before anybody is signed in: the same random text stands in this cookie and in the form that it came with."""
BROWSER_COOKIE = "access_ledger_browser"
"""Says that this browser has signed in to an account before; see `slowing`. One for each account."""

IDLE, LONGEST = timedelta(minutes=30), timedelta(hours=12)
"""A session ends when nothing was asked for this long, and at the latest after this long."""
LINK = timedelta(minutes=15)
"""How long a one-time link is good."""
AT_ONCE = 8
"""So many sign-ins are looked at at a time; a flood of them must not keep others from the pages."""


class TooMany(LedgerError):
    """More people sign in at once than we look at."""


@dataclass(frozen=True)
class WhoAsks:
    """Who a request is from, and the token that its forms carry."""

    account: Account | None = None
    csrf: str = ""


class Way(Enum):
    """How somebody came in."""

    PASSWORD = "password"
    OPENID = "openid"
    LINK = "one-time link"


@dataclass
class _Session:
    account: Account
    csrf: str
    began: datetime
    last: datetime
    epoch: int | None
    """The account's epoch when the session began; None for whoever came by a one-time link and has no account."""
    came_by: Way


class Doors:
    """Sessions of signed-in browsers, in the memory of the server. `openid` is the hospital's sign-in, where there is.

    `clock` gives the present instant.
    """

    def __init__(self, clock: Callable[[], datetime], *, openid: OpenId | None = None) -> None:
        self._clock = clock
        self._sessions: dict[str, _Session] = {}
        self._once: dict[str, tuple[Account, datetime, int | None]] = {}
        self._lock = threading.Lock()
        self.slowing = Slowing(clock)
        self._at_once = threading.BoundedSemaphore(AT_ONCE)
        self.openid = openid

    @contextmanager
    def one_of_a_few(self) -> Iterator[None]:
        """Around what takes long for somebody who is not known yet: a hash, a question to the OpenID provider.

        Raises TooMany where so many are at it that the pages of others would have to wait.
        """
        if not self._at_once.acquire(blocking=False):
            raise TooMany("Many people sign in at this moment.", "Please try once more.")
        try:
            yield
        finally:
            self._at_once.release()

    # --- The one-time link ----------------------------------------------------------------------------------------

    def one_time_link(self, account: Account, *, epoch: int | None = None) -> str:
        """A path that signs this person in as this, once, within a quarter of an hour.

        `epoch` is that of the account that they have besides, if any: when it is closed, the session ends as well.
        """
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._once[_kept(token)] = (account, self._clock() + LINK, epoch)
        return f"/enter?once={token}"

    def enter_once(self, token: str) -> str | None:
        """The cookie for whoever comes with a one-time token; None for one that is spent, too old or unknown."""
        with self._lock:
            account, until, epoch = self._once.pop(_kept(token), (None, self._clock(), None))
        if account is None or self._clock() > until:
            return None
        return self.begin(account, epoch=epoch, came_by=Way.LINK)

    # --- Sessions -------------------------------------------------------------------------------------------------

    def begin(self, account: Account, *, epoch: int | None = None, came_by: Way = Way.PASSWORD) -> str:
        """Begins a session under an id that nobody had before; gives the cookie's value."""
        cookie, now = secrets.token_urlsafe(32), self._clock()
        with self._lock:
            for key in [key for key, found in self._sessions.items() if _is_over(found, now)]:
                del self._sessions[key]
            self._sessions[_kept(cookie)] = _Session(account, secrets.token_urlsafe(32), now, now, epoch, came_by)
        return cookie

    def token_of(self, cookie: str) -> str:
        """The token that the forms of a session carry."""
        with self._lock:
            return self._sessions[_kept(cookie)].csrf

    def end(self, cookie: str) -> None:
        """Ends a session."""
        with self._lock:
            self._sessions.pop(_kept(cookie), None)

    def who_asks(self, request: Request, ledger: Ledger) -> WhoAsks:
        """Who a request is from; nobody when the session is unknown or over, or the account no longer lets them in."""
        cookie = request.cookies.get(cookie_name(request, COOKIE), "")
        now = self._clock()
        with self._lock:
            found = self._sessions.get(_kept(cookie)) if cookie else None
            if found is not None and _is_over(found, now):
                found = None
                del self._sessions[_kept(cookie)]
            if found is None:
                return WhoAsks()
            found.last = now
        if found.epoch is None:
            return WhoAsks(found.account, found.csrf)
        from ledger.store.accounts import Accounts

        stored = Accounts(ledger).find(found.account.person)
        if stored is None or not stored.is_open or stored.epoch != found.epoch:
            self.end(cookie)
            return WhoAsks()
        account = found.account if found.came_by is Way.LINK else account_of(stored)
        # Whoever came in without the password is not asked for one that somebody else knows.
        return WhoAsks(account if found.came_by is Way.PASSWORD else replace(account, must_change=False), found.csrf)

    def running(self) -> Counter[str]:
        """How many sessions each person has open."""
        now = self._clock()
        with self._lock:
            return Counter(one.account.person for one in self._sessions.values() if not _is_over(one, now))

    # --- Coming in and going out ----------------------------------------------------------------------------------

    def lets_in(self, request: Request, answer: Response, stored: StoredAccount, password_hash: str | None) -> None:
        """Begins a session for this account, ends the one that the browser had, and sets its cookies."""
        self.end(request.cookies.get(cookie_name(request, COOKIE), ""))
        self.carry(
            request,
            answer,
            self.begin(
                account_of(stored), epoch=stored.epoch, came_by=Way.OPENID if password_hash is None else Way.PASSWORD
            ),
        )
        if password_hash is not None:
            answer.set_cookie(
                _browser_cookie(stored.person),
                _browser_token(stored.person, password_hash, secrets.token_urlsafe(16)),
                max_age=180 * 24 * 3600,
                path="/enter",
                httponly=True,
                samesite="lax",
                secure=request.url.scheme == "https",
            )

    def carry(self, request: Request, answer: Response, cookie: str) -> None:
        """Sets the cookie of a session.

        Lax and not strict, so that a link in the hospital's record opens for whoever is signed in. No page changes
        anything when it is only looked at, and each form has a token.
        """
        answer.set_cookie(
            cookie_name(request, COOKIE), cookie, httponly=True, samesite="lax", secure=request.url.scheme == "https"
        )

    def counted(self, request: Request, name: str, found: StoredAccount | None, kept: str | None) -> list[Counted]:
        """What a try counts against: the browser if it has signed in to this account before, else account and
        address."""
        if found is not None and kept is not None:
            token = request.cookies.get(_browser_cookie(found.person), "")
            nonce = token.partition(".")[0]
            if hmac.compare_digest(token.encode(), _browser_token(found.person, kept, nonce).encode()):
                return [("browser", nonce)]
        folded = (found.person if found is not None else name).casefold()
        return [("account", _kept(folded)), ("address", _address_of(request))]

    def sign_in_path(self, request: Request, *, back: bool = True) -> str:
        """Where to sign in, and come back from."""
        from urllib.parse import urlencode

        there = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return "/enter?" + urlencode({"then": there if back else "/"})


def cookie_name(request: Request, name: str) -> str:
    """The name of a cookie: under TLS only this host can set it, and only over TLS."""
    return f"__Host-{name}" if request.url.scheme == "https" else name


def safe_path(then: str) -> str:
    """A path of ours to go on to; `/` for anything that could lead elsewhere, and for the doors themselves."""
    from urllib.parse import urlsplit

    if not then.startswith("/") or then.startswith("//") or "\\" in then or not then.isprintable():
        return "/"
    parts = urlsplit(then)
    if parts.scheme or parts.netloc or parts.path.split("/")[1] in ("enter", "leave"):
        return "/"
    return then


def _is_over(session: _Session, now: datetime) -> bool:
    return now - session.last > IDLE or now - session.began > LONGEST


def _kept(token: str) -> str:
    # The memory of the server holds no token that would open anything.
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _browser_cookie(person: str) -> str:
    return f"{BROWSER_COOKIE}_{_kept(person)[:12]}"


def _browser_token(person: str, password_hash: str, nonce: str) -> str:
    """Ends with the password: whoever knew an old one is a stranger again."""
    made = hmac.new(password_hash.encode(), f"browser {person} {nonce}".encode(), hashlib.sha256).hexdigest()
    return f"{nonce}.{made}"


def _address_of(request: Request) -> str:
    host = request.client.host if request.client else ""
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host[:64]
    # One household or ward has a whole network of the sixth version.
    return str(ipaddress.ip_network(f"{host}/64", strict=False)) if address.version == 6 else host
