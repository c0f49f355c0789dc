"""Accounts, kept on the page by whoever administers, and by command."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import Any

import pytest
from starlette.testclient import TestClient

from cli.main import main
from cli.pages.rights import Role
from ledger.store.accounts import Accounts, StoredAccount
from tests.pages.conftest import Desk

PASSWORD = "marsh lantern bicycle ox"
ADMINISTERS = frozenset({Role.ADMINISTERS})


def account(desk: Desk, person: str) -> StoredAccount | None:
    with desk.ledger() as ledger:
        return Accounts(ledger).find(person)


def send(client: TestClient, path: str, **fields: Any) -> Any:
    return client.post(path, data={"csrf": client.csrf, **fields})  # type: ignore[attr-defined]


# --- On the page --------------------------------------------------------------------------------------------------


def test_somebody_whom_the_ledger_knows_gets_an_account(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking(roles=ADMINISTERS)

    answer = send(
        client, "/accounts", person="nkemelu", role=["looks", "enters"], unit="fern-valley", password=PASSWORD
    )

    assert answer.headers["location"] == "/accounts/nkemelu"
    made = account(desk, "nkemelu")
    assert made is not None
    assert (made.roles, made.units, made.must_change) == ({"looks", "enters"}, {"fern-valley"}, True)
    assert "Adaora Nkemelu-Voss" in client.get("/accounts").text


def test_somebody_new_becomes_a_person_of_the_ledger_with_an_account(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    send(
        asking(roles=ADMINISTERS), "/accounts", id="odell", full_name="Invented Odell", role="looks", password=PASSWORD
    )

    with desk.ledger() as ledger:
        assert ledger.who.person("odell") is not None
    assert account(desk, "odell") is not None


@pytest.mark.parametrize(
    ("fields", "told"),
    [
        ({"person": "nkemelu", "password": PASSWORD}, "without a role"),
        ({"person": "nkemelu", "role": "reigns", "password": PASSWORD}, "without a role"),
        ({"person": "nkemelu", "role": "looks", "password": "brevity"}, "too short"),
        ({"person": "nkemelu", "role": "looks", "unit": "nowhere"}, "no such unit"),
        ({"person": "tamm", "role": "looks"}, "already"),
        ({"person": "stranger", "role": "looks"}, "no such person"),
        ({"id": "new one", "full_name": "Invented", "role": "looks"}, "cannot be an id"),
        ({"id": "new-one", "role": "looks"}, "needs a name"),
        ({"id": "new-one", "full_name": "Invented", "role": "looks", "password": "brevity"}, "too short"),
    ],
)
def test_an_account_that_cannot_be_is_not_made_and_what_was_typed_stays(
    desk: Desk, asking: Callable[..., TestClient], fields: dict[str, str], told: str
) -> None:
    answer = send(asking(roles=ADMINISTERS), "/accounts", **fields)

    assert answer.status_code == 422
    assert told in answer.text
    if "password" in fields:
        assert fields["password"] not in answer.text
    with desk.ledger() as ledger:
        assert [one.person for one in Accounts(ledger).all()] == ["tamm"]
        assert ledger.who.person("new-one") is None


def test_an_account_is_changed_closed_and_opened_again(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking(roles=ADMINISTERS)

    assert send(client, "/accounts/tamm", do="roles", role="looks").status_code == 303
    changed = account(desk, "tamm")
    assert send(client, "/accounts/tamm", do="password", password=PASSWORD).status_code == 303
    assert send(client, "/accounts/tamm", do="close").status_code == 303
    closed = account(desk, "tamm")
    assert send(client, "/accounts/tamm", do="reopen").status_code == 303
    assert send(client, "/accounts/tamm", do="end").status_code == 303
    opened = account(desk, "tamm")

    assert changed is not None
    assert closed is not None
    assert opened is not None
    assert (changed.roles, changed.units) == ({"looks"}, frozenset())
    assert (closed.is_open, closed.has_password, opened.is_open) == (False, True, True)
    assert opened.epoch > closed.epoch > changed.epoch


@pytest.mark.parametrize("fields", [{"do": "close"}, {"do": "roles", "role": "looks"}])
def test_nobody_shuts_themselves_out(desk: Desk, asking: Callable[..., TestClient], fields: dict[str, str]) -> None:
    answer = send(asking(person="tamm", roles=ADMINISTERS), "/accounts/tamm", **fields)

    assert answer.status_code == 422
    kept = account(desk, "tamm")
    assert kept is not None
    assert (kept.is_open, kept.roles) == (True, {"enters", "administers"})


def test_whoever_administers_one_unit_keeps_the_accounts_of_that_unit_only(
    desk: Desk, asking: Callable[..., TestClient]
) -> None:
    with desk.ledger() as ledger:
        accounts = Accounts(ledger)
        accounts.add("quill", roles=["looks"], units=["fern-valley-home"])
        accounts.add("perrault", roles=["looks"])
        accounts.add("nkemelu", roles=["looks"], units=["fern-valley", "fern-valley-home"])
    client = asking(roles=ADMINISTERS, units=frozenset({"fern-valley"}))
    none = client.get("/accounts/nobody").text.replace("nobody", "")

    for person in ("quill", "perrault", "nkemelu"):
        assert client.get(f"/accounts/{person}").status_code == 404
        assert send(client, f"/accounts/{person}", do="close").status_code == 404
        assert client.get(f"/accounts/{person}").text.replace(person, "") == none
        assert f"/accounts/{person}" not in client.get("/accounts").text
    assert client.get("/accounts/tamm").status_code == 200
    assert send(client, "/accounts", person="brask", role="looks").status_code == 422, (
        "every unit is not theirs to give"
    )
    assert send(client, "/accounts", person="brask", role="looks", unit="fern-valley-home").status_code == 422
    assert send(client, "/accounts/tamm", do="roles", role="looks", unit="fern-valley-home").status_code == 422
    assert send(client, "/accounts", person="brask", role="looks", unit="fern-valley").status_code == 303


def test_no_page_shows_a_hash(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking(roles=ADMINISTERS)
    send(client, "/accounts/tamm", do="password", password=PASSWORD)

    assert "argon2" not in client.get("/accounts").text + client.get("/accounts/tamm").text


# --- By command ---------------------------------------------------------------------------------------------------


def command(desk: Desk, line: str, typed: str = "", monkeypatch: pytest.MonkeyPatch | None = None) -> int:
    if monkeypatch is not None:
        monkeypatch.setattr("sys.stdin", io.StringIO(typed))
    return main([*line.split(), "--ledger", str(desk.file)])


def test_an_account_is_made_listed_changed_and_closed_by_command(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    line = "account add quill --role looks --role enters --unit fern-valley-home --password-file - --by brask"
    assert command(desk, line, PASSWORD + "\n", monkeypatch) == 0
    assert "quill (enters, looks; fern-valley-home) may come in." in capsys.readouterr().out
    with desk.ledger() as ledger:
        assert Accounts(ledger).signs_in("quill", PASSWORD) is not None

    assert command(desk, "account change quill --role confirms --every-unit --openid https://id.example q.17") == 0
    assert command(desk, "account list") == 0
    told = capsys.readouterr().out
    assert "first password, hospital sign-in" in told
    assert "argon2" not in told
    assert command(desk, "account sign-out quill") == 0
    assert command(desk, "account close quill --json") == 0
    made = account(desk, "quill")
    assert made is not None
    assert (made.roles, made.units, made.is_open, made.subject) == ({"confirms"}, frozenset(), False, "q.17")
    assert command(desk, "account change quill --reopen --no-openid") == 0
    with desk.ledger() as ledger:
        rows = ledger.db.execute("SELECT person, did FROM audit WHERE about='quill' ORDER BY number").fetchall()
    assert [tuple(row) for row in rows] == [
        ("brask", "account added"),
        (None, "account changed"),
        (None, "account changed"),
        (None, "sessions ended"),
        (None, "account closed"),
        (None, "account changed"),
        (None, "account opened again"),
    ]


def test_a_password_is_read_from_a_file(desk: Desk, tmp_path: Any) -> None:
    file = tmp_path / "password"
    file.write_text(PASSWORD + "\r\n")

    assert command(desk, f"account add quill --role looks --password-file {file}") == 0

    with desk.ledger() as ledger:
        assert Accounts(ledger).signs_in("quill", PASSWORD) is not None


@pytest.mark.parametrize(
    ("line", "typed", "told"),
    [
        ("account add quill", "", "without a role"),
        ("account add quill --role reigns", "", "No role was named that there is"),
        ("account add stranger --role looks", "", "no such person"),
        ("account add tamm --role looks", "", "already"),
        ("account add quill --role looks", "", "Nobody is there to type"),
        ("account add quill --role looks --password-file -", "short\n", "too short"),
        ("account add quill --role looks --password-file /nowhere/at/all", "", "cannot be read"),
        ("account add quill --role looks --no-password --unit nowhere", "", "no such unit"),
        ("account change tamm", "", "Nothing was said"),
        ("account change quill --role looks", "", "no account"),
        ("account close quill", "", "no account"),
        ("account change tamm --unit fern-valley --every-unit", "", "different things"),
    ],
)
def test_a_command_that_cannot_be_says_why(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, line: str, typed: str, told: str
) -> None:
    assert command(desk, line, typed, monkeypatch) == 1

    assert told in capsys.readouterr().err
    assert account(desk, "quill") is None
