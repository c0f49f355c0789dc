"""Connections that do not wait for ever: uvicorn's own protocol, with an end to a request that never comes whole and
to an answer that is never read."""

from __future__ import annotations

import asyncio
from typing import Any

from uvicorn.protocols.http.h11_impl import H11Protocol

HEADER_SECONDS = 20.0
"""From the beginning of a connection, or the end of an answer, to the whole head of the next request."""
REQUEST_SECONDS = 180.0
"""From the head of a request to the last byte of its answer, whoever is slow."""
MOST = 256
"""Connections at once; who comes then is told to try again."""


class BoundedConnection(H11Protocol):
    """A connection that is closed when its client takes longer than that."""

    header_seconds = HEADER_SECONDS
    request_seconds = REQUEST_SECONDS

    def __init__(self, *arguments: Any, **named: Any) -> None:
        super().__init__(*arguments, **named)
        self._end: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._within(self.header_seconds)

    def data_received(self, data: bytes) -> None:
        before = self.cycle
        super().data_received(data)
        if self.cycle is not None and self.cycle is not before and not self.cycle.response_complete:
            self._within(self.request_seconds)

    def on_response_complete(self) -> None:
        self._within(self.header_seconds)
        super().on_response_complete()

    def connection_lost(self, exc: Exception | None) -> None:
        self._within(None)
        super().connection_lost(exc)

    def _within(self, seconds: float | None) -> None:
        if self._end is not None:
            self._end.cancel()
        self._end = None if seconds is None else self.loop.call_later(seconds, self._abort)

    def _abort(self) -> None:
        self.transport.abort()
