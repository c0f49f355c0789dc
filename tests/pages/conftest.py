"""The invented unit behind pages: asked in this process, and in Debian's Chromium where it is installed.

`desk` is a copy of the demo for one test, `asking(...)` a signed-in client without a browser, `served` the same pages
on a port of this machine, `tab` a browser tab that fails the test on a console error or a request to elsewhere.
`axe(page)` fails on what axe-core finds serious or critical, `fits(page)` on a page that is wider than its window.
`opening.py` lists every path that there is.
"""

from __future__ import annotations

import json
import os
import shutil
import socket
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from starlette.testclient import TestClient

from cli.main import main
from cli.pages.doors import COOKIE, Doors
from cli.pages.rights import Account, Role
from cli.pages.shell import Site, application
from ledger.store import Ledger, open_ledger
from ledger.store.accounts import Accounts

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

CHROMIUM = "/usr/bin/chromium"
DAY = date(2026, 11, 20)
"""The day on which the demo is looked at."""

WIDTHS = (360, 768, 1440)
"""A telephone, a tablet at the chair, an old PC: no page is wider than its window."""

EVERY_ROLE = frozenset(Role)

NODE_MODULES = Path(
    os.environ.get("ACCESS_LEDGER_NODE_MODULES") or Path.home() / ".cache" / "access-ledger" / "node_modules"
)
"""Where the packages of the npm registry stand that tests need: `npm install axe-core oidc-provider`."""


def node_package(name: str) -> Path:
    """The folder of a package from the npm registry. Skips the test on a machine that has not got it."""
    found = NODE_MODULES / name
    if not found.is_dir():
        pytest.skip(f"the npm package {name} is not installed here (see ACCESS_LEDGER_NODE_MODULES)")
    return found


@dataclass
class Desk:
    """A ledger file with the demo in it, and the pages over it."""

    file: Path
    doors: Doors
    site: Site

    @property
    def app(self) -> Any:
        return application(self.site)

    def ledger(self) -> Ledger:
        """A connection of the test's own."""
        return open_ledger(self.file)

    def account(
        self, person: str = "brask", roles: frozenset[Role] = EVERY_ROLE, units: frozenset[str] = frozenset()
    ) -> Account:
        return Account(person=person, name=person.title(), roles=roles, units=units)


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo, made once for all tests of a worker; copied, never written to."""
    file = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    assert main(["demo", "--ledger", str(file), "--json"]) == 0
    with open_ledger(file) as ledger:
        Accounts(ledger).add("tamm", roles=["enters", "administers"], units=["fern-valley"])
    with closing(sqlite3.connect(file)) as raw:
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return file


@pytest.fixture
def desk(demo_file: Path, tmp_path: Path) -> Iterator[Desk]:
    file = tmp_path / "ledger.sqlite"
    shutil.copy(demo_file, file)
    doors = Doors(lambda: datetime.now(UTC))
    site = Site(lambda: open_ledger(file), doors, day=DAY)
    yield Desk(file, doors, site)
    site.close()


@pytest.fixture
def asking(desk: Desk) -> Callable[..., TestClient]:
    """Gives a client that is signed in: `asking(roles=…, units=…)`; its `csrf` attribute is the form token."""

    def sign_in(**account: Any) -> TestClient:
        client = TestClient(desk.app, base_url="http://127.0.0.1", follow_redirects=False)
        cookie = desk.doors.begin(desk.account(**account))
        client.cookies.set(COOKIE, cookie)
        client.csrf = desk.doors.token_of(cookie)  # type: ignore[attr-defined]
        return client

    return sign_in


@pytest.fixture
def served(desk: Desk) -> Iterator[str]:
    """The address of the pages, served on a free port of this machine."""
    import uvicorn

    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = uvicorn.Server(uvicorn.Config(desk.app, host="127.0.0.1", port=port, log_level="error", access_log=False))
    running = threading.Thread(target=server.run, daemon=True)
    running.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    assert server.started
    yield f"http://127.0.0.1:{port}"
    server.should_exit = True
    running.join(10)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium through Playwright."""
    if not Path(CHROMIUM).exists():
        pytest.skip("Chromium is not installed here")
    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright is not installed here")
    with sync_api.sync_playwright() as started:
        found = started.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
            ],
        )
        yield found
        found.close()


@pytest.fixture
def tab(browser: Browser, desk: Desk, served: str) -> Iterator[Callable[..., Page]]:
    """Gives browser tabs: `tab("/path", width=…, height=…, roles=…)`, signed in unless `signed_in=False`.

    At the end the test fails if a tab said an error on its console or asked for anything elsewhere.
    """
    wrong: list[str] = []
    contexts: list[BrowserContext] = []

    def open_tab(
        path: str = "/", *, width: int = 1440, height: int = 900, signed_in: bool = True, **account: Any
    ) -> Page:
        context = browser.new_context(base_url=served, viewport={"width": width, "height": height})
        contexts.append(context)
        if signed_in:
            cookie = desk.doors.begin(desk.account(**account))
            context.add_cookies([{"name": COOKIE, "value": cookie, "url": served}])
        page = context.new_page()
        page.on("console", lambda said: wrong.append(f"console: {said.text}") if said.type == "error" else None)
        page.on("pageerror", lambda error: wrong.append(f"script: {error}"))
        page.on(
            "request",
            lambda asked: None if asked.url.startswith((served, "data:")) else wrong.append(f"elsewhere: {asked.url}"),
        )
        page.goto(path)
        page.wrong = wrong  # type: ignore[attr-defined]  # a test that expects a refusal empties it
        return page

    yield open_tab
    for context in contexts:
        context.close()
    assert not wrong, wrong


@pytest.fixture(scope="session")
def axe_source() -> str:
    """axe-core, https://github.com/dequelabs/axe-core, as one script."""
    return (node_package("axe-core") / "axe.min.js").read_text("utf-8")


@pytest.fixture
def axe(axe_source: str) -> Callable[[Page], None]:
    """Fails when axe-core finds a serious or critical issue: `axe(page)`. The page is left as it was."""

    def look(page: Page) -> None:
        # Evaluated through the debugger's own world, so that the page's content policy stays as strict as it is.
        found: list[dict[str, Any]] = page.evaluate(
            f"async () => {{ {axe_source}; const seen = await axe.run(document); return seen.violations; }}"
        )
        bad = [
            f"{one['id']} ({one['impact']}): {one['help']} — {[node['html'][:160] for node in one['nodes'][:4]]}"
            for one in found
            if one["impact"] in ("serious", "critical")
        ]
        assert not bad, f"{page.url}\n" + "\n".join(bad)

    return look


@pytest.fixture
def fits() -> Callable[[Page], None]:
    """Fails when a page is wider than its window at one of the widths: `fits(page)`."""

    def look(page: Page) -> None:
        before = page.viewport_size
        wide = []
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            over = page.evaluate(
                """() => {
                    const room = document.documentElement.clientWidth;
                    if (document.documentElement.scrollWidth <= room) return null;
                    const out = [...document.body.querySelectorAll("*")].filter(
                        (one) => one.getBoundingClientRect().right > room + 1
                    );
                    return out.slice(0, 4).map((one) => one.outerHTML.slice(0, 120));
                }"""
            )
            if over is not None:
                wide.append(f"{width} px: {json.dumps(over)}")
        if before is not None:
            page.set_viewport_size(before)
        assert not wide, f"{page.url} is wider than its window\n" + "\n".join(wide)

    return look
