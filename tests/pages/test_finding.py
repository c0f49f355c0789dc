"""Find: whoever is sought is found however they are written, and nobody whom one may not see."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest
from sqlalchemy import insert
from starlette.testclient import TestClient

from ledger.arrival.values import BirthDateClue, IdentifierClue, NameClue, PatientClues
from ledger.dates import PartialDate
from ledger.matching import Register, match_patient
from ledger.receiving import clues_of
from ledger.store import open_ledger, schema
from ledger.store.finding import How, find, near, wanted_from
from ledger.store.who import name_key
from tests.pages.conftest import Desk
from tests.pages.opening import ELSEWHERE


@pytest.mark.parametrize(
    ("typed", "patient"),
    [
        ("osterpike", "P0001"),
        ("Osterpike, Wilhelmina", "P0001"),
        ("wil oster", "P0001"),
        ("Wilhelmina Osterpyke", "P0001"),  # a letter changed
        ("Ostrepike", "P0001"),  # two letters swapped
        ("Osterpik", "P0001"),  # one left out
        ("Kowalchyk", "P0011"),  # as it is heard
        ("Starkwether Ng", "P0018"),
        ("22.3.1958", "P0001"),
        ("22/03/1958", "P0001"),
        ("1958-03-22", "P0001"),
        ("22 March 1958", "P0001"),
        ("March 22, 1958", "P0001"),
        ("22031958", "P0001"),
        ("22.3.58", "P0001"),
        ("Osterpyke 1958", "P0001"),
        ("P0001", "P0001"),
    ],
)
def test_a_patient_is_found_however_they_are_written(desk: Desk, typed: str, patient: str) -> None:
    with desk.ledger() as ledger:
        found, more = find(ledger, typed)

    assert found[0].patient.id == patient
    assert not more


def test_a_day_that_means_two_is_looked_for_under_both() -> None:
    assert wanted_from("3/4/1950").births == ("1950-03-04", "1950-04-03")
    assert wanted_from("13/4/1950").births == ("1950-04-13",)


def test_a_number_is_found_however_it_is_spaced(desk: Desk) -> None:
    with desk.ledger() as ledger:
        number = ledger.who.patient("P0001").identifiers[0].value
        typed = [number, f" {number.lower()} ", re.sub(r"[ .-]", "", number), f"{number[:2]} {number[2:]}", number[-5:]]

        assert {find(ledger, one)[0][0].patient.id for one in typed} == {"P0001"}


def test_a_misspelt_name_says_that_it_is_nearly_so_and_strangers_stay_away(desk: Desk) -> None:
    with desk.ledger() as ledger:
        found, _ = find(ledger, "Wilhelmina Osterpyke")

    assert [(one.patient.id, one.how) for one in found] == [("P0001", How.NEARLY)]


def test_namesakes_are_found_together_and_warned_of(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking()

    answer = client.post("/", data={"q": "Thornquist", "csrf": client.csrf})
    page = client.get(answer.headers["location"]).text

    assert page.count("Another patient has the same name. Look at the birth date.") == 2
    assert "3 March 1949" in page
    assert "21 August 1966" in page


def test_the_only_one_who_fits_is_opened_and_a_misspelt_one_is_not(asking: Callable[..., TestClient]) -> None:
    client = asking()

    exactly = client.post("/", data={"q": "osterpike", "csrf": client.csrf})
    nearly = client.post("/", data={"q": "osterpyke", "csrf": client.csrf})

    assert exactly.headers["location"] == "/patient/P0001"
    assert nearly.headers["location"].startswith("/?found=")
    assert "Nobody is called just so" in client.get(nearly.headers["location"]).text


def test_whoever_means_to_write_is_led_there(asking: Callable[..., TestClient]) -> None:
    client = asking()

    exactly = client.post("/", data={"q": "osterpike", "onwards": "/write", "csrf": client.csrf})
    several = client.post("/", data={"q": "Thornquist", "onwards": "/write", "csrf": client.csrf})
    elsewhere = client.post("/", data={"q": "osterpike", "onwards": "//elsewhere.example", "csrf": client.csrf})

    assert exactly.headers["location"] == "/patient/P0001/write"
    assert several.headers["location"].startswith("/write?found=")
    assert 'href="/patient/P0013/write"' in client.get(several.headers["location"]).text
    assert elsewhere.headers["location"] == "/patient/P0001"


def test_no_name_stands_in_an_address_and_nobody_else_sees_what_was_sought(asking: Callable[..., TestClient]) -> None:
    mine, theirs = asking(), asking(person="nkemelu")

    address = mine.post("/", data={"q": "Thornquist", "csrf": mine.csrf}).headers["location"]

    assert "hornquist" not in address
    assert "Anselm" in mine.get(address).text, "going back shows the list again"
    assert "hornquist" not in theirs.get(address).text


def test_a_patient_of_a_foreign_unit_is_not_found(asking: Callable[..., TestClient]) -> None:
    client = asking(units=frozenset({ELSEWHERE}))

    for typed in ("Osterpike", "Osterpyke", "P0001", "22.3.1958"):
        address = client.post("/", data={"q": typed, "csrf": client.csrf}).headers["location"]
        assert "Nobody whom you may see fits that" in client.get(address).text, typed


def test_a_search_is_noted_without_what_was_sought(desk: Desk, asking: Callable[..., TestClient]) -> None:
    client = asking(person="nkemelu")

    client.post("/", data={"q": "Thornquist", "csrf": client.csrf})

    with desk.ledger() as ledger:
        row = ledger.db.execute("SELECT person, did, about FROM audit ORDER BY number DESC LIMIT 1").fetchone()
    assert tuple(row) == ("nkemelu", "find", "2 shown")


def test_matching_among_those_near_says_what_matching_among_everybody_says(desk: Desk) -> None:
    with desk.ledger() as ledger:
        everybody = Register(ledger.who.patients())
        asked = [clues_of(one, ledger.papers.text(one.text_id)) for one in ledger.papers.reports() if one.text_id]
        for patient in ledger.who.patients():
            # Reports of each patient: as they are, misspelt, with the names turned round, with another's birth date.
            for name in (patient.name, f"{patient.name}e", " ".join(reversed((patient.name or "").split()))):
                for born in (patient.birth_date, PartialDate("1960-09-13")):
                    birth = BirthDateClue(as_said=str(born), readings=(born,), source="text")
                    number = IdentifierClue(value="0" + patient.identifiers[0].value.replace("-", " "), source="text")
                    for numbers in ((), (number,)):
                        called = (NameClue(text=name, source="text"),)
                        asked.append(PatientClues(identifiers=numbers, names=called, birth_dates=(birth,)))

        wrong = [
            clues for clues in asked if match_patient(clues, near(ledger, [clues])) != match_patient(clues, everybody)
        ]

    assert len(asked) > 200
    assert not wrong, wrong[:3]


@pytest.mark.slow
def test_at_a_hundred_thousand_patients_a_misspelt_name_is_found_while_one_waits(tmp_path: Path) -> None:
    random = Random(11)
    syllables = "ka lo mi ter ven dor sal pi ran gus mar bel tho lin ches wick ford ham ley ton mond"
    pieces = syllables.split()

    def word() -> str:
        return "".join(random.choice(pieces) for _ in range(random.choice((2, 3)))).capitalize()

    with open_ledger(tmp_path / "many.sqlite", create=True) as ledger:
        names = [f"{word()} {word()}" for _ in range(99_999)] + ["Wilhelmina Osterpike"]
        rows = [
            {"org": ledger.org, "number": number, "name": name, "name_key": name_key(name), "erased": 0, "invented": 1}
            for number, name in enumerate(names, start=1)
        ]
        with ledger.db.writing():
            ledger.db.core.execute(insert(schema.patients), rows)
        began = time.perf_counter()
        found, _ = find(ledger, "Wilhelmina Osterpyke")
        took = time.perf_counter() - began

    assert found[0].patient.name == "Wilhelmina Osterpike"
    # 0.25 s on two shared cores; ten times as much would make a nurse type again.
    assert took < 2.5


def test_a_nurse_finds_a_misspelt_patient_by_keyboard(tab: Callable[..., Any], fits: Callable[..., None]) -> None:
    page = tab("/")

    page.keyboard.type("osterpyke")
    page.keyboard.press("Enter")
    page.get_by_text("Nobody is called just so").wait_for()
    fits(page)
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")

    assert page.evaluate("document.activeElement.getAttribute('href')") == "/patient/P0001"
