"""What stands before every page: names, proxies, sizes, slowness, headers; and looks that go on record first."""

from __future__ import annotations

import logging
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from typing import Any

import pytest
from starlette.testclient import TestClient

from cli.pages import looks
from cli.pages.connections import BoundedConnection
from cli.pages.doors import COOKIE
from cli.pages.guarding import HEADERS
from cli.pages.shell import Site, application
from cli.pages.site import Page
from ledger.store import open_ledger
from tests.pages.conftest import Desk


def client(desk: Desk, base: str = "http://127.0.0.1", *, address: str = "127.0.0.1", **site: Any) -> TestClient:
    """Signed in, with guards of its own."""
    made = Site(lambda: open_ledger(desk.file), desk.doors, day=desk.site.day, **site)
    found = TestClient(application(made), base_url=base, follow_redirects=False, client=(address, 50000))
    cookie = desk.doors.begin(desk.account())
    found.cookies.set(COOKIE, cookie)
    found.cookies.set(f"__Host-{COOKIE}", cookie)
    return found


# --- Names and proxies --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8750", "localhost:8750", "[::1]:8750", "LOCALHOST"])
def test_on_loopback_the_pages_answer_to_the_names_of_this_machine(desk: Desk, host: str) -> None:
    assert client(desk).get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "evil.example:8750", "", "a@127.0.0.1"])
def test_a_name_that_somebody_led_here_is_refused(desk: Desk, host: str) -> None:
    """DNS rebinding: a page of evil.example whose name turns into 127.0.0.1 must not read ours."""
    answer = client(desk).get("/", headers={"host": host})

    assert answer.status_code == 400
    assert answer.headers["content-security-policy"] == HEADERS["Content-Security-Policy"]


def test_the_names_of_the_network_are_those_that_were_given(desk: Desk) -> None:
    found = client(desk, hosts=["access.invented.example"])

    assert found.get("/", headers={"host": "access.invented.example:8750"}).status_code == 200
    assert found.get("/", headers={"host": "127.0.0.1"}).status_code == 400


BEHIND = {"hosts": ["access.invented.example"], "proxies": ["10.0.0.5/32"]}
HOST = {"host": "access.invented.example"}


def test_behind_a_proxy_only_the_proxy_is_answered_and_only_what_came_to_it_over_tls(desk: Desk) -> None:
    proxy, other = client(desk, address="10.0.0.5", **BEHIND), client(desk, address="10.0.0.6", **BEHIND)
    over_tls = {**HOST, "x-forwarded-proto": "https", "x-forwarded-for": "192.0.2.10"}

    answer = proxy.get("/", headers=over_tls)

    assert answer.status_code == 200
    assert answer.headers["strict-transport-security"]
    assert other.get("/", headers=over_tls).status_code == 403
    assert proxy.get("/", headers=HOST).status_code == 403
    assert proxy.get("/", headers={**HOST, "x-forwarded-proto": "http"}).status_code == 403


def test_without_a_declared_proxy_nobodys_word_about_tls_counts(desk: Desk) -> None:
    answer = client(desk).get("/", headers={"x-forwarded-proto": "https", "forwarded": "proto=https"})

    assert "strict-transport-security" not in answer.headers


# --- Sizes and slowness -------------------------------------------------------------------------------------------


def test_a_form_is_bounded_whatever_it_says_of_its_length(desk: Desk) -> None:
    found = client(desk)
    sent = []

    def pieces() -> Iterator[bytes]:
        yield b"csrf="
        for _ in range(100):
            sent.append(1)
            yield b"x" * 100_000

    chunked = found.post("/leave", content=pieces(), headers={"content-type": "application/x-www-form-urlencoded"})

    assert chunked.status_code == 413
    assert found.post("/leave", data={"csrf": "x" * 2_100_000}).status_code == 413
    assert found.post("/leave", files={"csrf": ("a.txt", b"x" * 2_100_000)}).status_code == 413
    assert found.get("/").status_code == 200, "nothing was signed out"


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("multipart/form-data; boundary=x", b"--x\r\nnonsense"),
        ("multipart/form-data", b"no boundary"),
        ("application/x-www-form-urlencoded", b"%ff%fe=%00&" * 30),
        ("application/x-www-form-urlencoded", b"&".join(b"a%d=1" % number for number in range(3000))),
        ("application/json", b"{}"),
    ],
)
def test_a_form_that_cannot_be_read_is_refused_in_a_sentence(desk: Desk, kind: str, body: bytes) -> None:
    answer = client(desk).post("/leave", content=body, headers={"content-type": kind})

    assert answer.status_code in (400, 403)
    assert "form" in answer.text


@pytest.fixture
def serving(desk: Desk) -> Callable[..., Any]:
    import uvicorn

    @contextmanager
    def start(**slower: float) -> Iterator[int]:
        kind = type("Quick", (BoundedConnection,), slower)
        config = uvicorn.Config(desk.app, port=0, log_level="critical", http=kind, ws="none", lifespan="off")
        with closing(socket.socket()) as own:
            own.bind(("127.0.0.1", 0))
            server = uvicorn.Server(config)
            running = threading.Thread(target=server.run, args=([own],), daemon=True)
            running.start()
            until = time.monotonic() + 20
            while not server.started and time.monotonic() < until:
                time.sleep(0.01)
            yield own.getsockname()[1]
            server.should_exit = True
            running.join(10)

    return start


def _closed_within(seconds: float, port: int, *pieces: bytes) -> bool:
    """Sends the pieces, a tenth of a second between them, and says whether the server hangs up in that time."""
    with socket.create_connection(("127.0.0.1", port), timeout=seconds) as connection:
        try:
            for piece in pieces:
                connection.sendall(piece)
                time.sleep(0.1)
            while connection.recv(65536):
                pass
        except TimeoutError:
            return False
        except OSError:
            return True
    return True


def test_whoever_never_says_what_they_want_is_hung_up_on(serving: Callable[..., Any]) -> None:
    head = [b"GET / HTTP/1.1\r\n", b"Host: 127.0.0.1\r\n", *[b"X-Slow: 1\r\n"] * 12]

    with serving(header_seconds=0.6, request_seconds=20.0) as port:
        assert _closed_within(3, port)
        assert _closed_within(3, port, *head)
        whole = b"GET /enter HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
        assert _closed_within(3, port, whole, *head), "nor after a first request"


def test_whoever_never_ends_their_form_or_reads_the_answer_is_hung_up_on(serving: Callable[..., Any]) -> None:
    head = b"POST /enter HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 1000\r\n"
    form = b"Content-Type: application/x-www-form-urlencoded\r\n\r\n"

    with serving(header_seconds=20.0, request_seconds=0.6) as port:
        assert _closed_within(3, port, head + form, b"a=1")


def test_a_form_that_takes_too_long_is_not_waited_for() -> None:
    import asyncio

    from cli.pages.guarding import TooSlow, bounded

    async def never() -> Any:
        await asyncio.sleep(60)

    async def ask() -> None:
        with pytest.raises(TooSlow):
            await bounded(never, 1000, seconds=0.05)()

    # In a thread of its own: the browser's driver has a loop running in ours.
    with ThreadPoolExecutor(1) as own:
        own.submit(lambda: asyncio.run(ask())).result()


@pytest.mark.parametrize(
    "path",
    ["/static/../shell.py", "/static/%2e%2e/shell.py", "/static/..%2fshell.py", "/static/", "/static//etc/passwd"],
)
def test_only_the_files_of_the_static_folder_are_given(desk: Desk, path: str) -> None:
    assert client(desk).get(path).status_code == 404


# --- Our own mistakes ---------------------------------------------------------------------------------------------


def test_a_mistake_of_ours_is_told_by_a_reference_and_no_word_of_a_patient(
    desk: Desk, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(asked: Any) -> Any:
        raise ValueError("Wilhelmina Osterpike, born 1958")

    found = client(desk)
    site = found.app.state.site  # type: ignore[attr-defined]
    site.pages = (Page("/broken", broken, site.pages[0].right),)
    found = TestClient(application(site), base_url="http://127.0.0.1")

    answer = found.get("/broken")

    assert answer.status_code == 500
    assert "Osterpike" not in answer.text + caplog.text
    assert "ValueError" in answer.text
    assert answer.headers["cache-control"] == "no-store"


def test_a_mistake_outside_of_a_page_is_told_as_little(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> Any:
        raise ValueError("Wilhelmina Osterpike")

    monkeypatch.setattr(desk.site, "connection", broken)
    answer = TestClient(desk.app, base_url="http://127.0.0.1").get("/")

    assert answer.status_code == 500
    assert "Osterpike" not in answer.text + caplog.text
    assert answer.headers["content-security-policy"] == HEADERS["Content-Security-Policy"]


# --- Looks on record ----------------------------------------------------------------------------------------------


def looked(desk: Desk) -> list[tuple[Any, ...]]:
    with desk.ledger() as ledger:
        rows = ledger.db.execute("SELECT person, did, patient FROM audit WHERE person='brask' ORDER BY number")
        return [tuple(row) for row in rows.fetchall()]


def test_a_look_at_a_patient_and_a_refused_one_are_on_record(desk: Desk, asking: Callable[..., TestClient]) -> None:
    before = len(looked(desk))

    asking().get("/patient/P0001")
    asking(units=frozenset({"fern-valley-home"})).get("/patient/P0001")

    assert looked(desk)[before:] == [("brask", "brief", 1), ("brask", "refused", 1)]


def test_a_look_while_another_program_writes_is_shown_at_once_and_on_record_when_it_has_finished(
    desk: Desk, asking: Callable[..., TestClient], caplog: pytest.LogCaptureFixture
) -> None:
    before, client = len(looked(desk)), asking()
    client.get("/")
    with closing(sqlite3.connect(desk.file, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")

        began = time.monotonic()
        answer = client.get("/patient/P0001")
        took = time.monotonic() - began

        assert answer.status_code == 200
        assert took < 6, "not the half minute that a writer waits"
        assert len(looked(desk)) == before
        other.execute("COMMIT")
    desk.site.looks.close()

    assert looked(desk)[before:] == [("brask", "brief", 1)]


def test_a_look_that_cannot_be_put_on_record_goes_to_the_log_of_the_server(
    desk: Desk, asking: Callable[..., TestClient], caplog: pytest.LogCaptureFixture
) -> None:
    client = asking()
    client.get("/")
    with desk.ledger() as ledger:
        ledger.db.execute("CREATE TRIGGER full BEFORE INSERT ON audit BEGIN SELECT RAISE(FAIL, 'disk is full'); END")

    with caplog.at_level(logging.ERROR):
        answer = client.get("/patient/P0001")

    assert answer.status_code == 200
    assert "brask brief P0001" in caplog.text
    assert "Osterpike" not in caplog.text


def test_a_look_is_with_the_system_before_it_is_shown_and_on_the_disk_soon(
    desk: Desk, asking: Callable[..., TestClient], monkeypatch: pytest.MonkeyPatch
) -> None:
    brought: list[str] = []
    monkeypatch.setattr(looks, "settled", lambda journal: brought.append(journal.name))
    monkeypatch.setattr(looks, "SETTLED_AFTER", 0.2)
    client, before = asking(), len(looked(desk))

    for patient in ("P0001", "P0002", "P0003"):
        client.get(f"/patient/{patient}")
        assert looked(desk)[-1][2] == int(patient[1:])
    until = time.monotonic() + 10
    while not brought and time.monotonic() < until:
        time.sleep(0.02)
    time.sleep(0.3)
    client.get("/patient/P0004")
    desk.site.close()

    assert brought[0] == "ledger.sqlite-wal"
    assert 2 <= len(brought) <= 4, "once for all looks of that time, and once more at the end"
    assert len(looked(desk)) == before + 4


def test_a_connection_that_noted_a_look_still_brings_entries_to_the_disk_at_once(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    asking().get("/patient/P0001")

    with desk.site.connection() as used:
        assert used.db.execute("PRAGMA synchronous").fetchone()[0] == 2, "FULL, as when it was opened"
        assert used.db.execute("PRAGMA busy_timeout").fetchone()[0] == 30_000
