"""A small HTTP server for what the real one cannot be: one that ignores identifiers, redirects, or is badly signed.

Like the servers of some large records it takes plain creates of Procedure and Observation, keeps the commonest fields
and forgets identifiers. What goes wrong next is set by `next_answers`.
"""

from __future__ import annotations

import json
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

KEPT = (
    "resourceType", "status", "category", "code", "subject", "performedDateTime", "effectiveDateTime", "note",
    "component", "valueQuantity", "valueCodeableConcept", "dataAbsentReason",
)  # fmt: skip


class SmallServer:
    """The state of a running one."""

    def __init__(self) -> None:
        self.held: dict[str, dict[str, Any]] = {"Patient/p1": {"resourceType": "Patient", "id": "p1"}}
        self.asked: list[tuple[str, str]] = []
        self.next_answers: list[str] = []
        self.updates = True
        self.port = 0
        self.scheme = "http"

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}/r4"

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [one for one in self.held.values() if one["resourceType"] == kind]

    def statement(self) -> dict[str, Any]:
        codes = ["create", "read", "search-type", *(["update"] if self.updates else [])]
        return {
            "resourceType": "CapabilityStatement",
            "fhirVersion": "4.0.1",
            "rest": [
                {
                    "mode": "server",
                    "resource": [
                        {"type": kind, "interaction": [{"code": code} for code in codes]}
                        for kind in ("Patient", "Procedure", "Observation")
                    ],
                }
            ],
        }


@contextmanager
def small_server(certificate: Path | None = None) -> Iterator[SmallServer]:
    """Runs one on a free port of loopback; with a certificate (and its key in the same file), over TLS."""
    state = SmallServer()

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: Any) -> None: ...

        def answer(self, status: int, body: Any, headers: dict[str, str] | None = None) -> None:
            is_text = isinstance(body, str)
            content = body.encode() if is_text else json.dumps(body).encode()
            self.send_response(status)
            self.send_header("Content-Type", "text/html" if is_text else "application/fhir+json")
            for name, value in (headers or {}).items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def handle_all(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            body = json.loads(self.rfile.read(length)) if length else None
            parts = urlsplit(self.path)
            where = parts.path.removeprefix("/r4").strip("/")
            state.asked.append((self.command, self.path))
            now = state.next_answers.pop(0) if state.next_answers and self.command != "GET" else ""
            if where == "metadata":
                self.answer(200, state.statement())
            elif now == "redirect":
                self.answer(302, "", {"Location": "http://127.0.0.1:1/elsewhere"})
            elif now == "page":
                self.answer(200, "<html>Welcome</html>")
            elif now == "lost-before":
                self.connection.close()
            elif self.command == "GET":
                self.found(where, parse_qs(parts.query))
            else:
                self.written(where, body, now)

        def found(self, where: str, query: dict[str, list[str]]) -> None:
            if "/" in where:
                one = state.held.get(where)
                self.answer(200 if one else 404, one or {"resourceType": "OperationOutcome", "issue": []})
                return
            there = state.of(where)
            if "patient" in query:
                wanted = {query["patient"][0], f"Patient/{query['patient'][0]}"}
                there = [one for one in there if one["subject"]["reference"] in wanted]
            if "date" in query:
                there = [
                    one
                    for one in there
                    if (one.get("performedDateTime") or one.get("effectiveDateTime")).startswith(query["date"][0])
                ]
            entries = [{"resource": one} for one in there]
            self.answer(200, {"resourceType": "Bundle", "type": "searchset", "entry": entries})

        def written(self, where: str, body: dict[str, Any], now: str) -> None:
            kept = {name: body[name] for name in KEPT if name in body}
            if self.command == "POST":
                kept["id"] = f"x{len(state.held)}"
                status, headers = 201, {"Location": f"/r4/{where}/{kept['id']}"}
            else:
                kept["id"] = where.split("/")[1]
                status, headers = 200, {}
            state.held[f"{kept['resourceType']}/{kept['id']}"] = kept
            if now == "lost-after":
                self.connection.close()
                return
            # An empty body and a Location, as some large records answer.
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        do_GET = do_POST = do_PUT = handle_all

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    if certificate is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificate)
        server.socket = context.wrap_socket(server.socket, server_side=True)
        state.scheme = "https"
    state.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield state
    finally:
        server.shutdown()
        server.server_close()
