"""Every page there is, for every role: what it refuses, what it hides, and whether a browser can show it to anybody.

The paths come from the tables of pages (`opening.py`), so a page that is added is walked without a word here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from cli.pages.rights import RIGHTS_OF, Right, Role
from cli.pages.site import pages
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE, NOBODY, comparable, filling, opened


def _ask(client: TestClient, method: str, path: str) -> Any:
    if method == "GET":
        return client.get(path)
    return client.request(method, path, data={"csrf": getattr(client, "csrf", "")})


@pytest.mark.parametrize("role", list(Role), ids=lambda role: role.value)
def test_a_role_opens_what_its_rights_allow_and_nothing_else(
    desk: Desk, asking: Callable[..., TestClient], role: Role
) -> None:
    filled = filling(desk.ledger())
    wrong = []

    for method in ("GET", "POST"):
        for one in opened(method, filled):
            may = one.page.right in (Right.ANYBODY, Right.SIGNED_IN) or one.page.right in RIGHTS_OF[role]
            # A session of its own: one of these pages signs out.
            answer = _ask(asking(roles=frozenset({role})), method, one.path)
            if may == (answer.status_code == 403) or answer.status_code >= 500:
                wrong.append(f"{method} {one.path} ({one.page.right.value}): {answer.status_code}")

    assert not wrong, wrong


def test_whoever_is_not_signed_in_is_sent_to_the_door(desk: Desk) -> None:
    filled = filling(desk.ledger())
    client = TestClient(desk.app, base_url="http://127.0.0.1", follow_redirects=False)
    wrong = []

    for method in ("GET", "POST"):
        for one in opened(method, filled):
            if one.page.right is not Right.ANYBODY:
                answer = _ask(client, method, one.path)
                if answer.status_code != 303 or not answer.headers["location"].startswith("/enter?"):
                    wrong.append(f"{method} {one.path}: {answer.status_code}")

    assert not wrong, wrong


def test_a_form_without_the_token_of_the_session_is_refused_by_every_page(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    filled = filling(desk.ledger())
    client = asking()

    answered = {
        one.path: client.post(one.path, data={"csrf": "stolen"}).status_code
        for one in opened("POST", filled)
        if not one.page.without_form_token
    }

    assert set(answered.values()) == {403}, answered


def test_the_pages_about_a_patient_of_a_foreign_unit_say_what_they_say_of_no_patient(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    filled = filling(desk.ledger())
    client = asking(units=frozenset({ELSEWHERE}))
    wrong = []

    for method in ("GET", "POST"):
        nobody = [one.path for one in opened(method, NOBODY)]
        for one, none in zip(opened(method, filled), nobody, strict=True):
            if not one.about_somebody:
                continue
            foreign, missing = _ask(client, method, one.path), _ask(client, method, none)
            told = comparable(foreign.text, filled), comparable(missing.text, NOBODY)
            if foreign.status_code != 404 or missing.status_code != 404 or told[0] != told[1]:
                wrong.append(f"{method} {one.template}: {foreign.status_code}, of none {missing.status_code}")

    assert not wrong, wrong


def test_no_page_shows_a_patient_of_a_foreign_unit(desk: Desk, asking: Callable[..., TestClient]) -> None:
    with desk.ledger() as ledger:
        foreign = ledger.db.execute(
            "SELECT number, name FROM patients WHERE org=? AND COALESCE(unit, '')<>?", (ledger.org, ELSEWHERE)
        ).fetchall()
        mine = filling(ledger, ELSEWHERE)
    client = asking(units=frozenset({ELSEWHERE}))
    wrong = []

    for one in opened("GET", mine):
        text = client.get(one.path).text
        for number, name in foreign:
            if name in text or re.search(rf"\bP{number:04d}\b", text):
                wrong.append(f"{one.path} shows P{number:04d}")

    assert not wrong, wrong


def test_the_menu_names_only_pages_that_exist_and_that_one_may_open(asking: Callable[..., TestClient]) -> None:
    for role in Role:
        client = asking(roles=frozenset({role}))
        menu = re.findall(r'<li><a href="([^"]+)"', client.get("/").text.split("</nav>")[0])

        assert menu
        assert {client.get(path).status_code for path in menu} == {200}


def test_no_two_pages_answer_the_same(desk: Desk) -> None:
    said = [(method, page.path) for page in pages() for method in page.methods]

    assert len(said) == len(set(said))


@pytest.mark.chromium
def test_every_page_fits_its_window_and_has_no_serious_issue_of_access(
    desk: Desk,
    asking: Callable[..., TestClient],
    tab: Callable[..., Any],
    axe: Callable[[Any], None],
    fits: Callable[[Any], None],
) -> None:
    filled = filling(desk.ledger())
    wrong = []
    client, page = asking(), tab("/")

    for one in opened("GET", filled):
        if "openid" in one.path:
            continue  # there is a page only where the hospital's sign-in is set up; see test_openid.py
        if not client.get(one.path).headers.get("content-type", "").startswith("text/html"):
            continue  # a file, not a page
        answer = page.goto(one.path)
        if answer is None or answer.status != 200:
            wrong.append(f"{one.path}: {answer and answer.status}")
            page.wrong.clear()
            continue
        for look in (axe, fits):
            try:
                look(page)
            except AssertionError as found:
                wrong.append(str(found))

    assert not wrong, "\n".join(wrong)


@pytest.mark.chromium
def test_the_looks_of_these_tests_see_what_is_wrong(
    tab: Callable[..., Any], axe: Callable[[Any], None], fits: Callable[[Any], None]
) -> None:
    page = tab("/")

    page.set_content('<html lang="en"><title>Wide</title><main><h1>Wide</h1><img width="2000" src="data:,"></main>')

    with pytest.raises(AssertionError, match="image-alt"):
        axe(page)
    with pytest.raises(AssertionError, match="360 px"):
        fits(page)


def test_a_report_that_is_nobodys_yet_is_shown_to_whoever_confirms_and_to_nobody_else(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    with desk.ledger() as ledger:
        row = ledger.db.execute("SELECT report FROM reports WHERE patient IS NULL AND state='waiting'").fetchone()
    unmatched = {**NOBODY, "report": row[0]}

    looks, confirms = (asking(roles=frozenset({role})) for role in (Role.LOOKS, Role.CONFIRMS))

    assert confirms.get(f"/report/{row[0]}").status_code == 200
    for path in ("", "/original"):
        refused, none = (looks.get(f"/report/{one['report']}{path}") for one in (unmatched, NOBODY))
        assert (refused.status_code, none.status_code) == (404, 404)
        assert comparable(refused.text, unmatched) == comparable(none.text, NOBODY)
