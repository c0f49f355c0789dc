"""Infections by class with what belongs to them. All of it is invented."""

from __future__ import annotations

from datetime import date

import pytest

from ledger.chronology import History
from ledger.entries import Entry
from ledger.events import Event
from ledger.projections.infections import Infections, infections_of
from ledger.vocabulary import InfectionClass
from tests.lives import a_history, an_entry, happening

LINE = happening("catheter-placed", "2025-11-03", access="C1", access_kind="tunnelled-catheter", side="right")
BLOOD = happening("infection", "2026-02-02", access="C1", infection_class="bloodstream", organism="enterococcus")
DRAWN = happening("culture", "2026-02-01", access="C1", specimen="catheter-hub", positive=True, organism="enterococcus")


def of(history: History, day: str = "2026-06-01") -> Infections:
    return infections_of(history, date.fromisoformat(day))


def told(*events: Event | Entry, day: str = "2026-06-01") -> Infections:
    return of(a_history(*events), day)


def test_infections_stand_by_class_in_the_order_of_the_vocabulary() -> None:
    exit_site = happening("infection", "2026-03-02", access="C1", infection_class="exit-site")
    found = told(LINE, BLOOD, exit_site)

    assert list(found.by_class()) == [InfectionClass.EXIT_SITE, InfectionClass.BLOODSTREAM]
    assert found.by_class()[InfectionClass.BLOODSTREAM][0].organism == "Enterococcus"


@pytest.mark.parametrize(
    ("drawn", "is_with_it"),
    [
        ("2026-01-11", False),  # 22 days before the onset
        ("2026-01-12", True),  # 21
        ("2026-03-16", True),  # 42 days after it
        ("2026-03-17", False),
    ],
)
def test_a_culture_that_nobody_tied_stands_with_the_infection_it_lies_close_to(drawn: str, is_with_it: bool) -> None:
    culture = happening("culture", drawn, access="C1", positive=True)
    found = told(LINE, BLOOD, culture)

    assert bool(found.infections[0].cultures) is is_with_it
    assert bool(found.cultures) is not is_with_it
    assert not any(one.tied for one in found.infections[0].cultures)


def test_a_culture_that_the_infection_names_is_tied_to_it_whenever_it_was_drawn() -> None:
    culture = an_entry(happening("culture", "2025-12-01", access="C1", positive=True), 2)
    infection = happening("infection", "2026-02-02", access="C1", infection_class="bloodstream", cultures=[culture.id])
    (found,) = told(an_entry(LINE, 1), culture, an_entry(infection, 3)).infections

    assert [one.tied for one in found.cultures] == [True]


def test_cleared_is_said_only_of_a_negative_clearance_culture() -> None:
    def clearance(day: str, positive: bool | None, access: str = "C1") -> Event:
        return happening("culture", day, access=access, clearance=True, positive=positive)

    none = told(LINE, BLOOD, DRAWN).infections[0]
    again = told(LINE, BLOOD, DRAWN, clearance("2026-02-10", True)).infections[0]
    open_result = told(LINE, BLOOD, clearance("2026-02-10", None)).infections[0]
    gone = told(LINE, BLOOD, clearance("2026-02-10", True), clearance("2026-02-20", False)).infections[0]

    assert (none.cleared_on, none.clearance) == (None, "no clearance culture recorded")
    assert (again.cleared_on, again.clearance) == (None, "clearance culture positive again, drawn on 10 February 2026")
    assert "result not recorded" in open_result.clearance
    assert gone.cleared_on == "2026-02-20"


def test_the_blood_is_one_so_a_clearance_culture_from_the_new_catheter_counts_and_not_for_an_exit_site() -> None:
    other = happening("catheter-placed", "2026-02-05", access="C2", access_kind="tunnelled-catheter", side="left")
    culture = happening("culture", "2026-02-20", access="C2", clearance=True, positive=False)
    exit_site = happening("infection", "2026-02-02", access="C1", infection_class="exit-site")

    assert told(LINE, BLOOD, other, culture).infections[0].cleared_on == "2026-02-20"
    assert told(LINE, exit_site, other, culture).infections[0].cleared_on is None


@pytest.mark.parametrize(
    ("said", "day", "state", "words"),
    [
        ({}, "2026-06-01", "end-not-recorded", "end not recorded"),
        ({"planned_until": "2026-02-16"}, "2026-02-16", "running", "planned until 16 February 2026"),
        ({"planned_until": "2026-02-16"}, "2026-02-17", "past-planned-end", "end not recorded"),
        ({"until": "2026-02-16"}, "2026-02-17", "ended", "ended 16 February 2026 (15 days)"),
        ({"until": "2026-02"}, "2026-06-01", "ended", "ended February 2026"),
    ],
)
def test_a_course_says_until_when(said: dict[str, str], day: str, state: str, words: str) -> None:
    course = happening("antimicrobial-course", "2026-02-02", access="C1", reason="bloodstream-infection", **said)
    (found,) = told(LINE, BLOOD, course, day=day).infections[0].courses

    assert found.state == state
    assert found.words.endswith(words)


def test_a_course_for_something_else_stands_apart() -> None:
    course = happening("antimicrobial-course", "2026-02-02", access="C1", reason="infection-elsewhere")
    found = told(LINE, BLOOD, course)

    assert found.infections[0].courses == ()
    assert len(found.courses) == 1


def test_what_was_done_with_the_catheter_is_told_with_its_days_until_the_next_infection() -> None:
    exchanged = happening("catheter-exchanged", "2026-02-04", access="C1", form="over-wire-same-tunnel")
    second = happening("infection", "2026-04-01", access="C1", infection_class="bloodstream")
    removed = happening("catheter-removed", "2026-04-03", access="C1", reason="infection")
    first, later = told(LINE, BLOOD, exchanged, second, removed).infections

    assert [(act.day, act.days_after) for act in first.catheter] == [("2026-02-04", 2)]
    assert [(act.day, act.days_after) for act in later.catheter] == [("2026-04-03", 2)]


def test_the_first_of_two_infections_does_not_take_the_cultures_of_the_second() -> None:
    second = happening("infection", "2026-02-25", access="C1", infection_class="bloodstream")
    culture = happening("culture", "2026-02-24", access="C1", positive=True)
    first, later = told(LINE, BLOOD, DRAWN, second, culture).infections

    assert [one.drawn for one in first.cultures] == ["2026-02-01"]
    assert [one.drawn for one in later.cultures] == ["2026-02-24"]


def test_what_happened_later_is_not_told_of_an_earlier_day() -> None:
    assert told(LINE, DRAWN, BLOOD, day="2026-02-01").infections == ()
    assert len(told(LINE, DRAWN, BLOOD, day="2026-02-01").cultures) == 1
