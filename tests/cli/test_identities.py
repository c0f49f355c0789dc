"""Identities by hand: two accesses that are one, one that is two, two records of a person, a report of somebody else's.

Each is a link that is made with `record` and taken back with `retract`; nothing of what was recorded moves.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from ledger.dates import PartialDate
from ledger.people import Identifier
from tests.cli.conftest import MRN, Desk

HEIR = "Maud Vellacott Orme"


@pytest.fixture
def with_another(with_fistula: Desk) -> Desk:
    """A second record, P0002, of the same name and birth date, with a graft of its own."""
    with with_fistula.open() as ledger:
        ledger.who.add_patient(
            name=HEIR,
            birth_date=PartialDate("1958-07-14"),
            identifiers=(Identifier(system=MRN, value="K999001"),),
            unit="U1",
            invented=True,
        )
    with_fistula.ok(
        "record creation P0002 --access G1 --happened 2025-02-03 --access-kind graft --side right --site forearm"
    )
    return with_fistula


@pytest.fixture
def with_report(with_another: Desk, a_report: Callable[..., Path]) -> tuple[Desk, str]:
    """A report that was confirmed for P0001, with two entries that rest on it; and its id."""
    with_another.ok("report import --patient P0001", a_report())
    with with_another.open() as ledger:
        (report,) = ledger.papers.reports()
    with_another.run("report confirm --all", report.id)
    with with_another.open() as ledger:
        assert [one for one in ledger.history("P0001").facts if one.entry.evidence.report == report.id]
    return with_another, report.id


def accesses_of(desk: Desk, patient: str = "P0001") -> set[str]:
    with desk.open() as ledger:
        return set(ledger.history(patient).accesses)


# --- Accesses -----------------------------------------------------------------------------------------------------


def test_two_accesses_become_one_and_two_again(with_fistula: Desk) -> None:
    with_fistula.ok("record access-known P0001 --access A2 --happened 2024-09-01 --access-kind fistula --side left")

    with_fistula.ok("record accesses-are-one P0001 --happened 2024-10-01 --survivor A1 --other A2")
    assert accesses_of(with_fistula) == {"A1"}

    with_fistula.ok("retract P0001.3", "--why", "there are two after all")
    assert accesses_of(with_fistula) == {"A1", "A2"}


def test_joining_what_does_not_go_together_is_said_at_once(with_fistula: Desk) -> None:
    with_fistula.ok("record access-known P0001 --access A2 --happened 2024-09-01 --access-kind graft --side right")

    ran = with_fistula.ok("record accesses-are-one P0001 --happened 2024-10-01 --survivor A1 --other A2")

    assert "disagree about the side of A1" in " ".join(ran.out.split())
    assert "disagree about what kind of access A1 is" in " ".join(ran.out.split())


def test_an_access_is_split_and_whole_again(with_fistula: Desk) -> None:
    with_fistula.ok("record examination P0001 --access A1 --happened 2024-09-01 --thrill continuous")

    with_fistula.ok("record access-split P0001 --happened 2024-10-01 --access A1 --part A9 --entry P0001.2")
    assert accesses_of(with_fistula) == {"A1", "A9"}

    with_fistula.ok("retract P0001.3", "--why", "one after all")
    assert accesses_of(with_fistula) == {"A1"}


# --- Patients -----------------------------------------------------------------------------------------------------


def test_two_records_are_read_as_one_and_apart_again(with_another: Desk) -> None:
    with_another.ok("record patients-are-one P0001 --happened 2025-03-03 --other P0002")
    assert accesses_of(with_another) == {"A1", "G1"}

    with_another.ok("retract P0001.2", "--why", "two people")
    assert accesses_of(with_another) == {"A1"}


def test_the_brief_says_which_records_are_read_as_one_and_warns_of_half_a_record(with_another: Desk) -> None:
    with_another.ok("record patients-are-one P0001 --happened 2025-03-03 --other P0002")

    whole, half = with_another.ok("brief P0001"), with_another.ok("brief P0002")

    assert f"Also recorded as {HEIR}, P0002, number K999001 (mrn): read here as one." in " ".join(whole.out.split())
    assert "called alike" not in whole.out
    assert "HALF OF A RECORD: P0002 was said to be the same person as P0001." in " ".join(half.out.split())


def test_before_they_are_joined_each_brief_warns_of_the_other(with_another: Desk) -> None:
    ran = with_another.ok("brief P0001")

    assert "called alike here and born on the same day" in " ".join(ran.out.split())


def test_records_with_different_birth_dates_are_not_taken_for_one_person(with_another: Desk) -> None:
    with_another.ok("patient change P0002 --born 1958-07-15")

    ran = with_another.run("record patients-are-one P0001 --happened 2025-03-03 --other P0002")

    assert ran.code == 1
    assert "different birth dates" in " ".join(ran.err.split())
    assert accesses_of(with_another) == {"A1"}


def test_a_birth_date_that_is_only_a_year_disagrees_with_no_day_of_it(with_another: Desk) -> None:
    with_another.ok("patient change P0002 --born 1958")

    with_another.ok("record patients-are-one P0001 --happened 2025-03-03 --other P0002")

    assert accesses_of(with_another) == {"A1", "G1"}


def test_records_under_different_names_are_joined_with_a_warning_that_repeats_no_name(with_another: Desk) -> None:
    with_another.ok("patient change P0002 --name", "Ivor Quill-Invented")

    ran = with_another.ok("record patients-are-one P0001 --happened 2025-03-03 --other P0002")

    assert "recorded under different names" in " ".join(ran.out.split())
    assert "Quill" not in ran.out


def test_a_patient_may_be_named_by_number(with_another: Desk) -> None:
    with_another.ok("record patients-are-one P0001 --happened 2025-03-03 --other K999001")

    assert accesses_of(with_another) == {"A1", "G1"}


# --- Reports ------------------------------------------------------------------------------------------------------


def test_a_report_that_moves_waits_for_the_right_patient_and_its_entries_do_not_count(
    with_report: tuple[Desk, str],
) -> None:
    desk, report = with_report

    ran = desk.ok(f"record report-moved P0001 --happened 2025-03-03 --report {report[:10]} --to-patient P0002")

    assert "report confirm" in ran.out
    with desk.open() as ledger:
        kept = ledger.papers.report(report)
        left = [one for one in ledger.history("P0001").facts if one.entry.evidence.report == report]
    assert (kept.patient, kept.state) == ("P0002", "waiting")
    assert left == []
    assert "has not been confirmed" in desk.ok("brief P0002").out
    assert "has not been confirmed" not in desk.ok("brief P0001").out


def test_the_entries_of_a_moved_report_are_proposed_again_for_whom_they_are_about(
    with_report: tuple[Desk, str],
) -> None:
    from ledger.confirming import review_of

    desk, report = with_report
    desk.ok(f"record report-moved P0001 --happened 2025-03-03 --report {report} --to-patient P0002")

    with desk.open() as ledger:
        review = review_of(ledger, report)

    assert review.history.patient == "P0002"
    assert review.open == tuple(range(len(review.reading.proposed)))
    assert review.open


def test_a_report_that_was_moved_by_mistake_comes_back_with_its_entries(with_report: tuple[Desk, str]) -> None:
    desk, report = with_report
    moved = desk.ok(f"record report-moved P0001 --happened 2025-03-03 --report {report} --to-patient P0002 --json")
    (entry,) = (one["entry"] for one in moved.json["recorded"])

    desk.ok(f"retract {entry}", "--why", "it was hers")

    with desk.open() as ledger:
        kept = ledger.papers.report(report)
        back = [one for one in ledger.history("P0001").facts if one.entry.evidence.report == report]
    assert (kept.patient, kept.state) == ("P0001", "confirmed")
    assert back


def test_a_report_that_is_not_here_cannot_move(with_another: Desk) -> None:
    ran = with_another.run("record report-moved P0001 --happened 2025-03-03 --report r-none --to-patient P0002")

    assert ran.code == 1
    assert "no such report" in " ".join(ran.err.split())
