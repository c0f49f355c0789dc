"""What holds for every page: a right, security headers, a form token, an error that says what to do."""

from __future__ import annotations

from collections.abc import Callable

from starlette.testclient import TestClient

from cli.pages.shell import HEADERS


def test_every_answer_carries_the_security_headers(asking: Callable[..., TestClient]) -> None:
    answer = asking().get("/")

    assert answer.status_code == 200
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert answer.headers["cache-control"] == "no-store"


def test_a_form_that_is_not_ours_is_refused(asking: Callable[..., TestClient]) -> None:
    client = asking()

    assert client.post("/leave", data={"csrf": "guessed"}).status_code == 403
    assert client.get("/").status_code == 200, "still signed in"
    assert client.post("/leave", data={"csrf": client.csrf}).status_code == 303  # type: ignore[attr-defined]
    assert client.get("/").status_code == 303, "signed out"


def test_the_first_page_opens_in_a_browser(tab: Callable[..., object]) -> None:
    page = tab("/")

    assert page.get_by_role("heading").inner_text() == "Find a patient"  # type: ignore[attr-defined]
