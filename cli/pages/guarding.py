"""What stands before every page: who may be asked by which name, over what, how much, and what a browser may do with
the answer.

Nothing here knows of patients or people. Outermost first: `Guarded` (headers, our own mistakes), then the declared
proxy, then the names by which the pages may be called. `bounded` reads a body within its size and time.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Iterable
from typing import Any

from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import PlainTextResponse

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

ONLY_TLS = ("Strict-Transport-Security", "max-age=31536000")
"""Under TLS: the browser does not come without it any more. Not for subdomains, which are not ours to speak for."""

LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
"""The names of this machine for itself. Another name that leads here may be somebody's trick (DNS rebinding)."""

BODY_SECONDS = 60
"""How long the whole of a form may take to arrive."""

log = logging.getLogger("access-ledger.pages")


def guarded(app: Any, *, hosts: Iterable[str] = LOOPBACK, proxies: Iterable[str] = ()) -> Any:
    """The pages, answering to these names only, and to these proxies only where there are any."""
    inner: Any = TrustedHostMiddleware(app, allowed_hosts=list(hosts), www_redirect=False)
    behind = list(proxies)
    if behind:
        from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

        # Nobody else's word counts, so whoever comes past the proxy comes without TLS.
        inner = ProxyHeadersMiddleware(_OnlyTls(inner), trusted_hosts=behind)
    return Guarded(inner)


class Guarded:
    """Puts the security headers on every answer, keeps pages about patients out of stores, and answers in a sentence
    where something broke outside of a page."""

    def __init__(self, app: Any) -> None:
        self.app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        static = scope["path"].startswith("/static/")
        begun = False

        async def sending(message: Any) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                headers = message.setdefault("headers", [])
                present = {name.lower() for name, _ in headers}
                wanted = dict(HEADERS)
                if scope["scheme"] == "https" and not _is_localhost(scope):
                    wanted[ONLY_TLS[0]] = ONLY_TLS[1]
                for name, value in wanted.items():
                    if name.lower().encode() not in present:
                        headers.append((name.lower().encode(), value.encode()))
                if b"cache-control" not in present:
                    headers.append((b"cache-control", b"no-cache" if static else b"no-store"))
            await send(message)

        try:
            await self.app(scope, receive, sending)
        except Exception as unexpected:
            from cli.main import reference_of

            log.error("outside of a page: %s", reference_of(unexpected))
            if begun:
                return  # It is not passed on: the server would write its text, which may hold a patient's words.
            await PlainTextResponse("Something went wrong that should not. Try again.", 500)(scope, receive, sending)


def _is_localhost(scope: Any) -> bool:
    """Whether the browser calls us localhost, a name that other programs of the machine have to share."""
    return any(name == b"host" and value.partition(b":")[0] == b"localhost" for name, value in scope["headers"])


class _OnlyTls:
    """Answers only what came to a declared proxy over TLS, by that proxy's word."""

    def __init__(self, app: Any) -> None:
        self.app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] == "http" and scope["scheme"] != "https":
            told = "These pages are reached over https, through their proxy only (which says so in X-Forwarded-Proto)."
            await PlainTextResponse(told, 403)(scope, receive, send)
            return
        await self.app(scope, receive, send)


class TooMuch(Exception):
    """A body is larger than it may be."""


class TooSlow(Exception):
    """A body takes longer than it may."""


def bounded(receive: Any, most: int, seconds: float = BODY_SECONDS) -> Any:
    """Receives a body of at most so many bytes within so many seconds, whatever its headers say of it.

    Raises TooMuch, TooSlow.
    """
    loop = asyncio.get_running_loop()
    until, so_far = loop.time() + seconds, 0

    async def receiving() -> Any:
        nonlocal so_far
        try:
            async with asyncio.timeout_at(until):
                message = await receive()
        except TimeoutError:
            raise TooSlow from None
        so_far += len(message.get("body") or b"")
        if so_far > most:
            raise TooMuch
        return message

    return receiving
