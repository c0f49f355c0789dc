"""Talking to one server over HTTP: retries, waiting, and every way in which an answer can be none.

A request ends in one of three ways: an `Answer` of the server, `Lost` (it may or may not have been carried out), or
`Stopped` (nothing more can be done now; says what is wrong and what to do). Whether a lost request may simply be sent
again is for the caller to say: conditional updates may, plain creates may not. Every attempt goes to `log`, without
content and without a patient's number.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

from fhir_mapping.bundles import FHIR_JSON
from fhir_mapping.settings import Server
from ledger.errors import LedgerError

AGAIN = frozenset({429, 500, 502, 503, 504})
"""Statuses after which the same request may succeed in a while."""

MOST_TRIES = 6
LONGEST_WAIT_S = 900.0


class Stopped(LedgerError):
    """The server cannot be worked with at present. What was accepted is remembered; the rest waits."""


class Lost(Exception):
    """No usable answer came: the request may have been carried out or not."""


class Authentication(Protocol):
    """Gives the headers of a request; `renew` is asked once when the server says 401."""

    def headers(self) -> dict[str, str]: ...

    def renew(self) -> bool: ...


@dataclass(frozen=True)
class Answer:
    """What the server said. `body` is its JSON, None where there was none."""

    status: int
    headers: dict[str, str]
    body: Any

    @property
    def is_fine(self) -> bool:
        return 200 <= self.status < 300

    @property
    def location(self) -> str | None:
        """`Type/id` of what was written, without the version."""
        return location_of(self.headers.get("location"))

    @property
    def etag(self) -> str | None:
        return self.headers.get("etag")


@dataclass(frozen=True)
class Attempt:
    """One request as it is kept on record: no content, no number of a patient."""

    at: str
    method: str
    where: str
    digest: str | None
    status: int | None
    what: str


def location_of(location: str | None) -> str | None:
    """`Procedure/17` from any form of Location: absolute, with or without a version."""
    found = re.search(r"(?:^|/)([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?$", location or "")
    return found[1] if found else None


def without_numbers(where: str) -> str:
    """A path as it may be logged: what a patient is looked for by is left out."""
    return re.sub(r"((?:^|/)Patient\?|patient=|subject=).*", r"\1…", where)


class Talker:
    """A connection to one server. `clock` and `sleep` are those of the world; tests pass others."""

    def __init__(
        self,
        server: Server,
        authentication: Authentication,
        log: Callable[[Attempt], None],
        *,
        ca_file: Path | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        sleep: Callable[[float], None] = time.sleep,
        tries: int = MOST_TRIES,
    ) -> None:
        import ssl

        import httpx

        self.server = server
        self.authentication = authentication
        self.log = log
        self.clock = clock
        self.sleep = sleep
        self.tries = tries
        verify: Any = True
        if ca_file is not None:
            try:
                verify = ssl.create_default_context(cafile=str(ca_file))
            except (OSError, ssl.SSLError):
                raise Stopped(
                    f"The certificates that ca_file names for {server.name} cannot be read.",
                    "Check the path in the settings; the file holds certificates in PEM.",
                ) from None
        self._client = httpx.Client(
            verify=verify,
            timeout=server.timeout_s,
            follow_redirects=False,
            headers={"Accept": FHIR_JSON, "User-Agent": "access-ledger"},
        )

    def __enter__(self) -> Talker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def get(self, where: str) -> Answer:
        """A read or a search."""
        return self.ask("GET", where)

    def ask(
        self,
        method: str,
        where: str,
        content: bytes | None = None,
        *,
        headers: dict[str, str] | None = None,
        digest: str | None = None,
        may_repeat: bool = True,
    ) -> Answer:
        """One request, repeated where that helps. Raises Lost (only without `may_repeat`) and Stopped."""
        renewed = False
        why = "no answer"
        for number in range(self.tries):
            try:
                answer = self._once(method, where, content, headers or {}, digest)
            except Lost as lost:
                if not may_repeat:
                    raise
                why = str(lost)
                self._wait(number, None)
                continue
            if answer.status == 401 and not renewed and self.authentication.renew():
                renewed = True
                continue
            if answer.status in (401, 403):
                raise Stopped(
                    f"{self.server.name} does not let us in (status {answer.status}).",
                    "Check client, key, token and scopes in the settings with `access-ledger fhir server test "
                    f"{self.server.name}`.",
                )
            if answer.status in AGAIN:
                why = f"status {answer.status}"
                if answer.status in (500, 502, 504) and not may_repeat:
                    raise Lost(why)
                self._wait(number, answer.headers.get("retry-after"))
                continue
            return answer
        raise Stopped(
            f"{self.server.name} could not be reached: {why}, {self.tries} times.",
            "Try again later; what was accepted so far is remembered, and the rest waits.",
        )

    def _once(
        self, method: str, where: str, content: bytes | None, headers: dict[str, str], digest: str | None
    ) -> Answer:
        import httpx

        url = f"{self.server.url.rstrip('/')}/{where}".rstrip("/")
        sent = {**self.authentication.headers(), **headers}
        if content is not None:
            sent["Content-Type"] = FHIR_JSON
        try:
            got = self._client.request(method, url, content=content, headers=sent)
        except httpx.HTTPError as failed:
            what = type(failed).__name__
            self._note(method, where, digest, None, what)
            if "CERTIFICATE_VERIFY_FAILED" in str(failed) or "certificate" in str(failed).lower():
                raise Stopped(
                    f"The certificate of {self.server.name} is not trusted.",
                    "Check the address; if the hospital signs its own certificates, name them with ca_file.",
                ) from None
            if isinstance(failed, httpx.UnsupportedProtocol | httpx.LocalProtocolError):
                raise Stopped(
                    f"{self.server.name} cannot be asked ({what}).", "Check its url in the settings."
                ) from None
            raise Lost(f"the connection was lost ({what})") from None
        answer_headers = {name.lower(): value for name, value in got.headers.items()}
        self._note(method, where, digest, got.status_code, "")
        if 300 <= got.status_code < 400 and got.status_code != 304:
            raise Stopped(
                f"{self.server.name} points to another address (status {got.status_code}).",
                "Nothing is sent to an address that nobody configured: check the url in the settings.",
            )
        return Answer(got.status_code, answer_headers, self._json(got.status_code, got.content, answer_headers))

    def _json(self, status: int, content: bytes, headers: dict[str, str]) -> Any:
        import json
        from decimal import Decimal

        if not content.strip():
            return None
        is_fine = 200 <= status < 300
        try:
            return json.loads(content, parse_float=Decimal)
        except (ValueError, UnicodeDecodeError):
            if not is_fine:
                return None  # An error page of some proxy; the status says enough.
            if "json" in headers.get("content-type", ""):
                raise Lost("half an answer came") from None
            kind = headers.get("content-type", "unknown")
            raise Stopped(
                f"{self.server.name} answers with something that is not FHIR ({kind}).",
                "Check the url in the settings: it may be that of a web page or of a proxy.",
            ) from None

    def _wait(self, number: int, asked: str | None) -> None:
        if number + 1 >= self.tries:
            return
        wait = min(float(2**number), 60.0) if asked is None else self._asked_s(asked)
        if wait > LONGEST_WAIT_S:
            raise Stopped(
                f"{self.server.name} asks to wait {int(wait)} seconds.",
                "Try again after that; what was accepted so far is remembered.",
            )
        self.sleep(wait)

    def _asked_s(self, asked: str) -> float:
        """Retry-After, in seconds or as a date (RFC 9110, 10.2.3)."""
        if asked.strip().isdigit():
            return float(asked)
        try:
            when = parsedate_to_datetime(asked)
        except (ValueError, TypeError):
            return 1.0
        if when.tzinfo is None:
            when = when.replace(tzinfo=UTC)
        return max(0.0, (when - self.clock()).total_seconds())

    def _note(self, method: str, where: str, digest: str | None, status: int | None, what: str) -> None:
        at = self.clock().astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        self.log(Attempt(at, method, without_numbers(where), digest, status, what))
