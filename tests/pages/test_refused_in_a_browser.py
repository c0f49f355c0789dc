"""What a real browser is refused: a wrong password, a stolen form, a patient of a foreign unit."""

from __future__ import annotations

import http.server
import re
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from ledger.store.accounts import Accounts
from tests.pages.conftest import Desk

pytestmark = pytest.mark.chromium

PASSWORD = "marsh lantern bicycle ox"


def test_a_wrong_password_is_refused_and_the_right_one_goes_where_one_was_going(
    desk: Desk, tab: Callable[..., Any], axe: Callable[[Any], None], fits: Callable[[Any], None]
) -> None:
    with desk.ledger() as ledger:
        Accounts(ledger).add("nkemelu", roles=["looks"], units=["fern-valley"])
        Accounts(ledger).set_password("nkemelu", PASSWORD, by_themselves=True)
    page = tab("/patient/P0001", signed_in=False)

    page.get_by_label("Your short name here").fill("nkemelu")
    page.get_by_label("Password").fill("not this one")
    page.keyboard.press("Enter")
    page.get_by_role("alert").wait_for()
    assert page.get_by_role("alert").inner_text() == "There is no such account, or this is not its password."
    assert page.get_by_label("Password").evaluate("it => it === document.activeElement && it.value === ''")
    axe(page)
    fits(page)
    page.wrong.clear()  # the browser says on its console that the answer was 401
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/patient/P0001")

    assert "Wilhelmina Osterpike" in page.inner_text("body")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/enter")
    page.go_back()
    page.wait_for_url("**/enter?*")
    assert "Osterpike" not in page.inner_text("body"), "the browser kept nothing to go back to"


def test_a_first_password_is_changed_by_its_owner(
    desk: Desk, tab: Callable[..., Any], axe: Callable[[Any], None], fits: Callable[[Any], None]
) -> None:
    with desk.ledger() as ledger:
        Accounts(ledger).add("nkemelu", roles=["looks"], password=PASSWORD)
    page = tab("/", signed_in=False)
    page.get_by_label("Your short name here").fill("NKEMELU")
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    page.wait_for_url("**/password")
    axe(page)
    fits(page)

    page.get_by_label("Present password").fill(PASSWORD)
    page.get_by_label("New password", exact=True).fill("thimble estuary fourteen")
    page.get_by_label("New password, once more").fill("thimble estuary fourteen")
    page.get_by_role("button", name="Change it").click()
    page.wait_for_url(re.compile(r":\d+/$"))

    with desk.ledger() as ledger:
        found = Accounts(ledger).account("nkemelu")
    assert not found.must_change


def test_a_patient_of_a_foreign_unit_is_not_there(tab: Callable[..., Any]) -> None:
    page = tab("/", units=frozenset({"fern-valley-home"}))

    answer = page.goto("/patient/P0001")

    assert answer.status == 404
    assert "There is no patient P0001 that you may see." in page.inner_text("body")
    assert "Osterpike" not in page.content()
    page.wrong.clear()  # the browser says on its console that the answer was 404


@pytest.fixture
def elsewhere() -> Iterator[Callable[[str], str]]:
    """A site of somebody else on this machine, with one page."""
    shown = {"html": ""}

    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(shown["html"].encode())

        def log_message(self, *_: Any) -> None:
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page)
    running = threading.Thread(target=server.serve_forever, daemon=True)
    running.start()

    def with_page(html: str) -> str:
        shown["html"] = html
        # Another name is another site to a browser.
        return f"http://localhost:{server.server_address[1]}/"

    yield with_page
    server.shutdown()
    server.server_close()


def test_a_form_that_another_site_sends_in_somebodys_name_does_nothing(
    tab: Callable[..., Any], served: str, elsewhere: Callable[[str], str]
) -> None:
    page = tab("/patient/P0001")
    stolen = page.locator('form.leave input[name="csrf"]').input_value()

    page.goto(
        elsewhere(
            f'<form method="post" action="{served}/leave"><input name="csrf" value="{stolen}"></form>'
            "<script>document.forms[0].submit()</script>"
        )
    )
    page.wait_for_url(f"{served}/**")

    assert page.goto("/patient/P0001").status == 200, "she is still signed in"
    page.wrong.clear()  # it did ask elsewhere


def test_no_other_site_may_show_ours_in_a_frame(
    tab: Callable[..., Any], served: str, elsewhere: Callable[[str], str]
) -> None:
    page = tab("/")

    page.goto(elsewhere(f'<iframe src="{served}/patient/P0001"></iframe>'))
    page.wait_for_load_state("networkidle")

    assert all("Osterpike" not in frame.content() for frame in page.frames if "chrome-error" not in frame.url)
    assert any("frame-ancestors" in said for said in page.wrong)
    page.wrong.clear()
