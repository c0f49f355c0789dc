"""Coming in: with a password, slowly after wrong ones, by a link once; being known again; going out, or put out."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.testclient import TestClient

from cli.pages.doors import AT_ONCE, BROWSER_COOKIE, COOKIE, IDLE, LINK, LONGEST, Doors, safe_path
from cli.pages.rights import Account, Role
from cli.pages.shell import Site, application
from cli.pages.slowing import FREE, Slowing
from cli.pages.slowing import LONGEST as LONGEST_WAIT
from ledger.store import Ledger, open_ledger, passwords
from ledger.store.accounts import Accounts

NURSE, PASSWORD = "nkemelu", "marsh lantern bicycle ox"
OTHER = "thimble estuary fourteen"


class Clock:
    """Stands where the test puts it."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 20, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def pass_by(self, time: timedelta) -> None:
        self.now += time


@dataclass
class House:
    """The pages over the demonstration, in which the nurse has an account whose password is her own."""

    file: Path
    clock: Clock
    site: Site

    def browser(self, address: str = "192.0.2.10") -> TestClient:
        return TestClient(
            application(self.site), base_url="http://127.0.0.1", follow_redirects=False, client=(address, 50000)
        )

    def ledger(self) -> Ledger:
        return open_ledger(self.file)

    def accounts(self, ledger: Ledger) -> Accounts:
        return Accounts(ledger, by="brask")

    def audit(self) -> list[tuple[Any, ...]]:
        with self.ledger() as ledger:
            rows = ledger.db.execute(
                "SELECT person, did, about FROM audit WHERE did LIKE '%sign%' ORDER BY number"
            ).fetchall()
        return [tuple(row) for row in rows]


@pytest.fixture(scope="module")
def kept_hash() -> str:
    return passwords.hashed(PASSWORD)


@pytest.fixture
def house(demo_file: Path, tmp_path: Path, kept_hash: str) -> Iterator[House]:
    file = tmp_path / "ledger.sqlite"
    shutil.copy(demo_file, file)
    with open_ledger(file) as ledger:
        Accounts(ledger).add(NURSE, roles=["enters"], units=["fern-valley"])
        ledger.db.execute("UPDATE accounts SET password=? WHERE person=?", (kept_hash, NURSE))
    clock = Clock()
    site = Site(lambda: open_ledger(file), Doors(clock), day=clock.now.date())
    yield House(file, clock, site)
    site.close()


def sign_in(browser: TestClient, password: str = PASSWORD, *, name: str = NURSE, then: str = "/", **other: Any) -> Any:
    form = re.search(r'name="form" value="([^"]+)"', browser.get("/enter").text)
    assert form is not None
    return browser.post("/enter", data={"form": form[1], "name": name, "password": password, "then": then, **other})


def token(browser: TestClient) -> str:
    found = re.search(r'name="csrf" value="([^"]+)"', browser.get("/").text)
    assert found is not None
    return found[1]


# --- Passwords ----------------------------------------------------------------------------------------------------


def test_the_right_password_opens_the_page_that_was_asked_for(house: House) -> None:
    browser = house.browser()
    sent_away = browser.get("/patient/P0001?as_of=2025")
    assert sent_away.headers["location"] == "/enter?then=%2Fpatient%2FP0001%3Fas_of%3D2025"

    answer = sign_in(browser, then="/patient/P0001?as_of=2025")

    assert (answer.status_code, answer.headers["location"]) == (303, "/patient/P0001?as_of=2025")
    assert browser.get("/patient/P0001").status_code == 200
    assert (NURSE, "signed in", NURSE) not in house.audit(), "nobody was signed in yet when she came"
    assert (None, "signed in", NURSE) in house.audit()


@pytest.mark.parametrize("name", [NURSE, "nobody-of-that-name"])
def test_a_wrong_password_and_a_name_that_nobody_has_are_answered_alike(house: House, name: str) -> None:
    answer = sign_in(house.browser(), "not the password at all", name=name)

    assert answer.status_code == 401
    assert "There is no such account, or this is not its password." in answer.text
    assert "not the password at all" not in answer.text
    assert COOKIE not in answer.cookies


def test_what_was_typed_for_a_name_goes_on_record_only_when_it_is_one(house: House) -> None:
    sign_in(house.browser(), "wrong", name="my password in the wrong field")
    sign_in(house.browser(), "wrong")

    assert house.audit() == [(None, "sign-in refused", None), (None, "sign-in refused", NURSE)]


def test_no_name_takes_less_work_than_another(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether somebody has an account must not show in the time: each try makes exactly one comparison of a hash."""
    seen: list[bool] = []
    right = passwords.is_right
    monkeypatch.setattr(passwords, "is_right", lambda kept, typed: (seen.append(kept is None), right(kept, typed))[1])

    for name in (NURSE, "nobody-of-that-name", "tamm"):
        sign_in(house.browser(), "wrong", name=name)

    assert seen == [False, True, True]


# --- Waiting after wrong ones -------------------------------------------------------------------------------------


def test_after_a_few_wrong_passwords_one_waits_and_each_time_longer(house: House) -> None:
    browser = house.browser()
    for _ in range(FREE["account"]):
        assert sign_in(browser, "wrong").status_code == 401

    refused = sign_in(browser)

    assert refused.status_code == 429, "even the right one is not looked at"
    waits = [int(refused.headers["retry-after"])]
    for _ in range(5):
        house.clock.pass_by(timedelta(seconds=waits[-1]))
        assert sign_in(browser, "wrong").status_code == 401
        waits.append(int(sign_in(browser, "wrong").headers["retry-after"]))
    assert waits == sorted(set(waits)), "longer each time"
    house.clock.pass_by(timedelta(seconds=waits[-1]))
    assert sign_in(browser).status_code == 303
    assert sign_in(house.browser("192.0.2.99"), "wrong").status_code == 401, "and it is forgotten"


def test_guessing_elsewhere_does_not_keep_a_nurse_from_the_browser_that_she_has_used(house: House) -> None:
    hers, fresh = house.browser(), house.browser("192.0.2.11")
    sign_in(hers)
    hers.post("/leave", data={"csrf": token(hers)})

    stranger = house.browser("198.51.100.7")
    for _ in range(FREE["account"]):
        sign_in(stranger, "wrong")

    assert sign_in(fresh).status_code == 429, "a browser that she has not used before waits"
    assert sign_in(hers).status_code == 303


def test_the_cookie_of_a_known_browser_ends_with_the_password_and_cannot_be_made_up(house: House) -> None:
    hers = house.browser()
    sign_in(hers)
    with house.ledger() as ledger:
        house.accounts(ledger).set_password(NURSE, OTHER, by_themselves=True)
    stranger = house.browser("198.51.100.7")
    for _ in range(FREE["account"]):
        sign_in(stranger, "wrong")
    made_up = house.browser("198.51.100.8")
    name = next(name for name in hers.cookies if name.startswith(BROWSER_COOKIE))
    made_up.cookies.set(name, "nonce." + "0" * 64)

    assert sign_in(hers, OTHER).status_code == 429
    assert sign_in(made_up, OTHER).status_code == 429


def test_an_address_that_tries_many_names_waits_too(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "is_right", lambda kept, typed: False)
    stranger = house.browser("198.51.100.7")

    answers = [sign_in(stranger, "wrong", name=f"name-{number}").status_code for number in range(FREE["address"] + 1)]

    assert answers == [401] * FREE["address"] + [429]
    assert sign_in(house.browser(), "wrong").status_code == 401


@given(st.lists(st.tuples(st.integers(0, 600), st.booleans()), max_size=60), st.integers(1, 40))
def test_a_wait_is_bounded_and_forgotten_after_an_hour(steps: list[tuple[int, bool]], patient_tries: int) -> None:
    clock = Clock()
    slowing = Slowing(clock)

    def wait_after_a_try() -> timedelta:
        wait = slowing.tries([("account", "one")])
        assert wait is None or timedelta() < wait <= LONGEST_WAIT
        return wait or timedelta()

    for seconds, right in steps:
        clock.pass_by(timedelta(seconds=seconds))
        if not wait_after_a_try() and right:
            slowing.was_right([("account", "one")])
    for _ in range(patient_tries):
        clock.pass_by(wait_after_a_try())  # whoever waits as told, and is wrong again

    clock.pass_by(timedelta(hours=1, seconds=1))
    assert not wait_after_a_try()


@given(st.integers(0, 40))
def test_whoever_tries_without_end_is_slowed_to_a_few_an_hour(seconds: int) -> None:
    clock = Clock()
    slowing = Slowing(clock)
    looked_at = 0

    for _ in range(3 * 3600 // (seconds + 1)):
        looked_at += slowing.tries([("account", "one")]) is None
        clock.pass_by(timedelta(seconds=seconds + 1))

    assert looked_at < FREE["account"] + 12 + 3 * 4


def test_a_flood_of_sign_ins_keeps_nobody_from_the_pages(house: House) -> None:
    nurse = house.browser()
    sign_in(nurse)

    with ExitStack() as flood:
        for _ in range(AT_ONCE):
            flood.enter_context(house.site.doors.one_of_a_few())
        answers = [sign_in(house.browser(), "wrong").status_code for _ in range(FREE["account"] + 1)]

        assert set(answers) == {503}
        assert nurse.get("/patient/P0001").status_code == 200

    assert sign_in(house.browser()).status_code == 303, "none of it counted against her"


# --- The form, and where it leads ---------------------------------------------------------------------------------


def test_a_sign_in_form_from_elsewhere_is_refused(house: House) -> None:
    browser = house.browser()
    sent = {"name": NURSE, "password": PASSWORD}

    assert browser.post("/enter", data=sent).status_code == 400
    assert browser.post("/enter", data={**sent, "form": ""}).status_code == 400
    browser.get("/enter")
    assert browser.post("/enter", data={**sent, "form": "guessed"}).status_code == 400
    assert browser.get("/").status_code == 303


def test_a_form_that_the_browser_says_comes_from_another_site_is_refused(house: House) -> None:
    browser = house.browser()
    sign_in(browser)
    own = token(browser)

    assert browser.post("/leave", data={"csrf": own}, headers={"sec-fetch-site": "cross-site"}).status_code == 403
    assert browser.get("/").status_code == 200
    assert browser.post("/leave", data={"csrf": own}, headers={"sec-fetch-site": "same-origin"}).status_code == 303


def test_the_token_of_one_session_opens_no_form_of_another(house: House) -> None:
    one, other = house.browser(), house.browser()
    sign_in(one)
    sign_in(other)

    assert other.post("/leave", data={"csrf": token(one)}).status_code == 403


@pytest.mark.parametrize(
    "then",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "/\t/evil.example",
        "javascript:alert(1)",
        "///evil.example",
        "evil",
        "",
        "/enter?once=x",
        "/leave",
    ],
)
def test_nobody_is_sent_elsewhere_after_signing_in(house: House, then: str) -> None:
    assert sign_in(house.browser(), then=then).headers["location"] == "/"


@given(st.text(st.sampled_from("/\\:@?#.%ab\t\n ;"), max_size=12))
def test_a_path_to_go_on_to_is_one_of_this_host(then: str) -> None:
    from urllib.parse import urljoin, urlsplit

    parts = urlsplit(urljoin("https://here.example/enter", safe_path(then)))

    assert (parts.scheme, parts.netloc) == ("https", "here.example")


# --- Sessions -----------------------------------------------------------------------------------------------------


def test_each_sign_in_has_an_id_of_its_own_and_ends_the_one_before(house: House) -> None:
    browser = house.browser()
    browser.cookies.set(COOKIE, "an-id-that-somebody-put-there", domain="127.0.0.1", path="/")
    sign_in(browser)
    first = browser.cookies[COOKIE]
    sign_in(browser)

    assert first not in ("an-id-that-somebody-put-there", browser.cookies[COOKIE])
    stale = house.browser()
    stale.cookies.set(COOKIE, first)
    assert stale.get("/").status_code == 303


def test_a_session_ends_when_nothing_was_asked_for_a_while(house: House) -> None:
    browser = house.browser()
    sign_in(browser)

    house.clock.pass_by(IDLE)
    assert browser.get("/").status_code == 200
    house.clock.pass_by(IDLE + timedelta(seconds=1))
    assert browser.get("/").status_code == 303


def test_a_session_ends_after_its_longest_time_however_busy_it_is(house: House) -> None:
    browser = house.browser()
    sign_in(browser)

    for _ in range(int(LONGEST / timedelta(minutes=20))):
        house.clock.pass_by(timedelta(minutes=20))
        assert browser.get("/").status_code == 200
    house.clock.pass_by(timedelta(seconds=1))

    assert browser.get("/").status_code == 303


def test_signing_out_ends_the_session_on_the_server(house: House) -> None:
    browser = house.browser()
    sign_in(browser)
    cookie = browser.cookies[COOKIE]

    browser.post("/leave", data={"csrf": token(browser)})

    kept = house.browser()
    kept.cookies.set(COOKIE, cookie)
    assert kept.get("/").status_code == 303
    assert (NURSE, "signed out", None) in house.audit()


def test_a_restart_of_the_server_ends_every_session(house: House) -> None:
    browser = house.browser()
    sign_in(browser)
    again = Site(lambda: open_ledger(house.file), Doors(house.clock))

    restarted = TestClient(application(again), base_url="http://127.0.0.1", follow_redirects=False)
    restarted.cookies.set(COOKIE, browser.cookies[COOKIE])

    assert restarted.get("/").status_code == 303
    again.close()


def test_a_role_that_is_taken_and_a_unit_that_is_changed_count_at_the_next_request(house: House) -> None:
    browser = house.browser()
    sign_in(browser)
    assert browser.get("/patient/P0001").status_code == 200

    with house.ledger() as ledger:
        house.accounts(ledger).change(NURSE, units=["fern-valley-home"])
    assert browser.get("/patient/P0001").status_code == 404
    with house.ledger() as ledger:
        house.accounts(ledger).change(NURSE, roles=["connects"])

    assert browser.get("/patient/P0001").status_code == 403


@pytest.mark.parametrize("what", ["close", "end_sessions", "set_password"])
def test_an_account_that_is_closed_or_changed_is_signed_out_at_once(house: House, what: str) -> None:
    browser = house.browser()
    sign_in(browser)

    with house.ledger() as ledger:
        accounts = house.accounts(ledger)
        accounts.set_password(NURSE, OTHER) if what == "set_password" else getattr(accounts, what)(NURSE)

    assert browser.get("/").status_code == 303
    if what == "close":
        assert sign_in(browser).status_code == 401


def test_whoever_has_a_password_from_somebody_else_chooses_their_own_first(house: House) -> None:
    with house.ledger() as ledger:
        house.accounts(ledger).set_password(NURSE, OTHER)
    browser, elsewhere = house.browser(), house.browser()
    sign_in(elsewhere, OTHER)
    sign_in(browser, OTHER)
    assert browser.get("/patient/P0001").headers["location"] == "/password"
    found = re.search(r'name="csrf" value="([^"]+)"', browser.get("/password").text)
    assert found is not None

    def choose(old: str, new: str, again: str) -> Any:
        return browser.post("/password", data={"csrf": found[1], "old": old, "new": new, "again": again})

    assert choose("wrong", PASSWORD, PASSWORD).status_code == 422
    assert choose(OTHER, OTHER, OTHER).status_code == 422
    assert choose(OTHER, PASSWORD, PASSWORD + "x").status_code == 422
    assert choose(OTHER, "too short", "too short").status_code == 422
    assert choose(OTHER, PASSWORD, PASSWORD).status_code == 303
    assert browser.get("/patient/P0001").status_code == 200
    assert elsewhere.get("/").status_code == 303, "signed out everywhere else"


def test_a_session_that_ended_is_told_to_a_script_in_its_own_form(house: House) -> None:
    answer = house.browser().post("/leave", headers={"accept": "application/json"})

    assert answer.status_code == 401
    assert answer.json()["problem"] == "You are not signed in, or no longer."


def test_under_tls_the_cookies_are_this_hosts_own(house: House) -> None:
    browser = TestClient(application(house.site), base_url="https://127.0.0.1", follow_redirects=False)

    answer = sign_in(browser)

    cookies = answer.headers.get_list("set-cookie")
    session = next(cookie for cookie in cookies if cookie.startswith(f"__Host-{COOKIE}="))
    assert {"HttpOnly", "Secure", "Path=/", "SameSite=lax"} <= {part.strip() for part in session.split(";")}
    assert all("Secure" in cookie and "HttpOnly" in cookie for cookie in cookies)
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    assert browser.get("/").status_code == 200


# --- The link that works once -------------------------------------------------------------------------------------


def test_a_link_signs_in_once_and_not_for_long(house: House) -> None:
    account = Account(person=NURSE, name="Invented", roles=frozenset(Role))
    link, late = house.site.doors.one_time_link(account), house.site.doors.one_time_link(account)
    browser = house.browser()

    assert browser.head(link).status_code == 200, "a look ahead does not use it up"
    assert browser.get(link).status_code == 303
    assert browser.get("/").status_code == 200
    assert house.browser().get(link).status_code == 401
    house.clock.pass_by(LINK + timedelta(seconds=1))
    assert house.browser().get(late).status_code == 401
    assert house.browser().get("/enter?once=guessed").status_code == 401


@pytest.mark.parametrize("what", ["close", "end_sessions"])
def test_a_session_by_link_of_somebody_with_an_account_ends_with_it(house: House, what: str) -> None:
    everything = Account(person=NURSE, name="Invented", roles=frozenset(Role))
    with house.ledger() as ledger:
        epoch = house.accounts(ledger).account(NURSE).epoch
    browser = house.browser()
    browser.get(house.site.doors.one_time_link(everything, epoch=epoch))
    assert browser.get("/accounts").status_code == 200, "whoever may start the server may do all"

    with house.ledger() as ledger:
        getattr(house.accounts(ledger), what)(NURSE)

    assert browser.get("/").status_code == 303
