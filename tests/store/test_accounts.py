"""Accounts: made, changed, closed, on both engines; and which passwords are good enough."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from ledger.errors import WrongInput
from ledger.people import Person
from ledger.store import Ledger, open_ledger, passwords
from ledger.store.accounts import Accounts
from ledger.store.dump import dump
from ledger.store.upkeep import Noted, note_all

GOOD = "marsh lantern bicycle ox"
ABOUT = ["N1", "Invented Nurse", "unit nurse", "Invented unit"]


def test_a_person_becomes_an_account_and_signs_in_with_its_password(ledger: Ledger) -> None:
    accounts = Accounts(ledger, by="N1")
    assert not accounts.there_are_any()

    accounts.add("N1", roles=["looks", "enters"], units=["U1"], password=GOOD)

    found = accounts.signs_in("n1", GOOD)
    assert found is not None
    assert (found.person, found.roles, found.units) == ("N1", {"looks", "enters"}, {"U1"})
    assert found.must_change, "somebody else knows it"
    assert accounts.signs_in("N1", GOOD + "!") is None
    assert accounts.signs_in("nobody", GOOD) is None
    assert accounts.signs_in("N1", "") is None


def test_an_account_without_a_password_has_none_that_opens_it(ledger: Ledger) -> None:
    Accounts(ledger).add("N1", roles=["looks"])

    assert Accounts(ledger).signs_in("N1", "") is None


def test_a_closed_account_is_refused_until_it_is_opened_again(ledger: Ledger) -> None:
    accounts = Accounts(ledger)
    accounts.add("N1", roles=["looks"], password=GOOD)
    before = accounts.account("N1").epoch

    accounts.close("N1")

    assert accounts.signs_in("N1", GOOD) is None
    assert accounts.account("N1").epoch > before, "its sessions end"
    assert not accounts.there_are_any()
    accounts.reopen("N1")
    assert accounts.signs_in("N1", GOOD) is not None


def test_a_new_password_ends_the_sessions_and_the_old_one(ledger: Ledger) -> None:
    accounts = Accounts(ledger)
    accounts.add("N1", roles=["looks"], password=GOOD)

    accounts.set_password("N1", "thimble estuary fourteen", by_themselves=True)

    assert accounts.signs_in("N1", GOOD) is None
    found = accounts.signs_in("N1", "thimble estuary fourteen")
    assert found is not None
    assert (found.epoch, found.must_change) == (2, False)


def test_a_hash_with_other_parameters_is_made_anew_when_its_owner_signs_in(ledger: Ledger) -> None:
    accounts = Accounts(ledger)
    accounts.add("N1", roles=["looks"], password=GOOD)
    weaker = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(GOOD)
    ledger.db.execute("UPDATE accounts SET password=? WHERE person=?", (weaker, "N1"))

    assert accounts.signs_in("N1", GOOD) is not None

    kept = accounts.hash_of("N1")
    assert kept is not None
    assert kept != weaker
    assert not passwords.is_outdated(kept)
    assert accounts.signs_in("N1", GOOD) is not None


def test_a_name_at_the_openid_provider_belongs_to_one_account(ledger: Ledger) -> None:
    ledger.who.add_person(Person(id="N2", name="Invented Liaison", invented=True))
    accounts = Accounts(ledger)
    for person in ("N1", "N2"):
        accounts.add(person, roles=["looks"])

    accounts.set_subject("N1", "https://invented.example", "sub-1")

    with pytest.raises(WrongInput, match="N1"):
        accounts.set_subject("N2", "https://invented.example", "sub-1")
    found = accounts.of_subject("https://invented.example", "sub-1")
    assert found is not None
    assert found.person == "N1"
    assert accounts.of_subject("https://other.example", "sub-1") is None
    accounts.set_subject("N1", None, None)
    assert accounts.of_subject("https://invented.example", "sub-1") is None


def test_accounts_are_for_people_and_units_that_there_are(ledger: Ledger) -> None:
    accounts = Accounts(ledger)

    with pytest.raises(WrongInput, match="no such person"):
        accounts.add("somebody", roles=["looks"])
    with pytest.raises(WrongInput, match="no such unit"):
        accounts.add("N1", roles=["looks"], units=["U9"])
    accounts.add("N1", roles=["looks"])
    with pytest.raises(WrongInput, match="already"):
        accounts.add("N1", roles=["looks"])


def test_the_audit_says_who_did_what_to_whose_account_and_nothing_of_the_password(ledger: Ledger) -> None:
    accounts = Accounts(ledger, by="N1")
    accounts.add("N1", roles=["looks"], password=GOOD)
    accounts.change("N1", roles=["looks", "administers"])
    accounts.end_sessions("N1")

    rows = ledger.db.execute("SELECT person, did, about, patient FROM audit ORDER BY number").fetchall()

    assert [tuple(row) for row in rows] == [
        ("N1", "account added", "N1", None),
        ("N1", "account changed", "N1", None),
        ("N1", "sessions ended", "N1", None),
    ]


def test_a_ledger_from_before_there_were_accounts_still_opens_and_takes_them(ledger: Ledger, where: str) -> None:
    assert Accounts(ledger).all() == []
    assert Accounts(ledger).find("N1") is None
    assert Accounts(ledger).signs_in("N1", GOOD) is None

    Accounts(ledger).add("N1", roles=["looks"])

    with open_ledger(where) as again:
        assert [one.person for one in Accounts(again).all()] == ["N1"]


def test_a_dump_holds_no_account(ledger: Ledger, tmp_path: Path) -> None:
    Accounts(ledger).add("N1", roles=["looks"], password=GOOD)

    dump(ledger, tmp_path / "all.jsonl")

    dumped = (tmp_path / "all.jsonl").read_bytes()
    assert b"argon2" not in dumped
    assert b"account" not in dumped


def test_two_who_write_to_the_audit_at_once_both_stand_in_it(ledger: Ledger, where: str) -> None:
    def write() -> None:
        with open_ledger(where) as own:
            for _ in range(20):
                note_all(own, [Noted("2025-01-06T08:00:00Z", "N1", "looked")] * 3)

    both = [threading.Thread(target=write) for _ in range(2)]
    for one in both:
        one.start()
    for one in both:
        one.join()

    numbers = [row[0] for row in ledger.db.execute("SELECT number FROM audit ORDER BY number").fetchall()]
    assert numbers == list(range(1, 121))


def test_what_is_noted_lightly_is_there_and_the_connection_is_as_before(ledger: Ledger, where: str) -> None:
    asked = "SHOW synchronous_commit" if ledger.db.is_postgres else "PRAGMA synchronous"
    before = ledger.db.execute(asked).fetchone()[0]

    with ledger.db.waiting(0.25), ledger.db.lightly():
        note_all(ledger, [Noted("2025-01-06T08:00:00Z", "N1", "looked")])
        during = ledger.db.execute(asked).fetchone()[0]

    assert (before, during) == (("on", "off") if ledger.db.is_postgres else (2, 1))
    assert ledger.db.execute(asked).fetchone()[0] == before
    with open_ledger(where) as other:
        assert other.db.execute("SELECT COUNT(*) FROM audit WHERE did='looked'").fetchone()[0] == 1


@pytest.mark.parametrize(
    "weak",
    [
        "",
        "brevity",
        "fourteen chars",
        "aaaaaaaaaaaaaaaaaaaa",
        "abcabcabcabcabcabc",
        "correctcorrectcorrect",
        "abcdefghijklmnopqrst",
        "qwertyuiopasdfghjkl",
        "12345678901234567890",
        "Invented Nurse 2025!",
        "Invented unit dialysis password",
        "x" * 300,
    ],
)
def test_a_password_that_is_easily_guessed_is_refused_without_repeating_it(weak: str) -> None:
    with pytest.raises(WrongInput) as refused:
        passwords.check_good_enough(weak, ABOUT)

    assert not weak or weak not in str(refused.value)


@pytest.mark.parametrize(
    "good", [GOOD, "Ölkanne im Schnee am Dienstag", "тихий вечер у старой мельницы", "kettle-Drum 7 vexing owls"]
)
def test_a_long_password_of_any_letters_is_good_enough(good: str) -> None:
    passwords.check_good_enough(good, ABOUT)


def test_the_same_password_typed_with_composed_and_with_combining_letters_is_one() -> None:
    kept = passwords.hashed("\u00d6lkanne im Schnee am Dienstag")

    assert passwords.is_right(kept, "O\u0308lkanne im Schnee am Dienstag")


def test_a_weak_password_makes_no_account(ledger: Ledger) -> None:
    with pytest.raises(WrongInput, match="too short"):
        Accounts(ledger).add("N1", roles=["looks"], password="brief")

    assert Accounts(ledger).all() == []
