"""From bytes to kept reports: linked to a patient or waiting for one, kept once, and nothing lost."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ledger.arrival.headers import clues_in
from ledger.arrival.values import (
    BirthDateClue,
    DocumentStatus,
    Envelope,
    Form,
    IdentifierClue,
    NameClue,
    PatientClues,
    Span,
)
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.matching import Register
from ledger.people import Identifier
from ledger.receiving import _plain, clues_of, envelope_of, opened_up, receive, received_before
from ledger.store import Ledger, open_ledger
from ledger.store.papers import StoredReport
from tests.test_confirming import REPORT


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path / "ledger.sqlite", create=True, zone="Europe/London") as found:
        yield found


def a_patient(ledger: Ledger) -> str:
    return ledger.who.add_patient(
        name="Maud Vellacott-Orme",
        birth_date=PartialDate("1958-07-14"),
        identifiers=(Identifier(system="local", value="K204817"),),
        invented=True,
    ).id


def register(ledger: Ledger) -> Register:
    return Register(ledger.who.patients())


def test_a_report_is_kept_with_its_reading_and_how_its_patient_was_found(ledger: Ledger) -> None:
    patient = a_patient(ledger)

    (one,) = receive(ledger, opened_up(REPORT.encode(), "r.txt"), register(ledger))

    kept = ledger.papers.report(one.report or "")
    assert (one.outcome, one.patient, kept.patient) == ("stored", patient, patient)
    assert kept.envelope["linked"] == {"by": "identifier", "doubts": []}
    assert kept.proposed is not None
    assert len(kept.proposed["proposed"]) == one.proposed > 0
    assert kept.file_name == "r.txt"


def test_a_file_of_two_reports_is_kept_as_two(ledger: Ledger) -> None:
    two = f"{REPORT}\nEnd of report\n{REPORT.replace('12 May', '13 May')}\nEnd of report\n"

    found = receive(ledger, opened_up(two.encode(), "two.txt"), register(ledger))

    assert [one.part for one in found] == [1, 2]
    assert len({one.report for one in found}) == 2
    again = receive(ledger, opened_up(two.encode(), "two.txt"), register(ledger))
    assert [one.outcome for one in again] == ["already", "already"]


def test_bytes_that_hold_no_report_are_kept_beside_the_reason_and_kept_once(ledger: Ledger) -> None:
    noise = bytes(range(256)) * 20

    first = receive(ledger, opened_up(noise, "noise.bin"), register(ledger))
    second = receive(ledger, opened_up(noise, "noise.bin"), register(ledger))

    assert [one.outcome for one in first + second] == ["unreadable", "unreadable"]
    (kept,) = ledger.papers.reports()
    assert (kept.state, ledger.papers.original(kept)) == ("unreadable", noise)
    assert received_before(ledger, noise, register(ledger)) is None


def test_what_could_not_be_read_and_now_can_takes_the_place_of_its_note(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ledger.arrival import Arrived, Unreadable, Why

    def reads_nothing(*_: object) -> Arrived:
        bad = Unreadable(code=Why.OCR_MISSING, problem="There is no program for it.", remedy="Install it.")
        return Arrived(form=Form.IMAGE, unreadable=(bad,))

    with monkeypatch.context() as patched:
        patched.setattr("ledger.arrival.arrive", reads_nothing)
        receive(ledger, opened_up(REPORT.encode(), "r.txt"), register(ledger))

    receive(ledger, opened_up(REPORT.encode(), "r.txt"), register(ledger))

    assert sorted(report.state for report in ledger.papers.reports()) == ["dismissed", "waiting"]


def test_a_report_that_waited_for_its_patient_is_linked_without_being_opened_again(ledger: Ledger) -> None:
    (waits,) = receive(ledger, opened_up(REPORT.encode(), "r.txt"), register(ledger))
    assert (waits.patient, waits.waiting) == (None, "nobody-fits")
    patient = a_patient(ledger)

    before = received_before(ledger, REPORT.encode(), register(ledger))

    assert before is not None
    assert [(one.outcome, one.patient) for one in before] == [("linked", patient)]
    assert ledger.papers.report(waits.report or "").patient == patient
    assert received_before(ledger, b"other bytes", register(ledger)) is None


def test_whoever_says_whose_it_is_is_told_that_it_fits_another(ledger: Ledger) -> None:
    a_patient(ledger)
    other = ledger.who.add_patient(name="Otto Invented", birth_date=PartialDate("1940-01-02"), invented=True).id

    (one,) = receive(ledger, opened_up(REPORT.encode()), register(ledger), patient=other, person="N1")

    assert one.patient == other
    assert [doubt.code for doubt in one.doubts] == ["fits-another-patient"]


def test_the_day_that_is_given_counts_where_the_text_says_none() -> None:
    undated = REPORT.replace("Date of procedure: 12 May 2024", "")

    without = opened_up(undated.encode()).readings[0].happened
    given = opened_up(undated.encode(), day=PartialDate("2024-05")).readings[0].happened
    said = opened_up(REPORT.encode(), day=PartialDate("2024-06")).readings[0].happened

    assert (without, given, said) == (None, "2024-05", "2024-05-12")


READINGS = (PartialDate("1950-04-03"), PartialDate("1950-03-04"))
CLUES = PatientClues(
    identifiers=(IdentifierClue(value="K1", source="PID-3", system="https://invented.example/mrn", label="MRN"),),
    names=(NameClue(text="Maud Invented", source="text", span=Span(start=3, end=16)),),
    birth_dates=(
        BirthDateClue(as_said="3/4/50", readings=(PartialDate("1950-04-03"), PartialDate("1950-03-04")), source="text"),
    ),
    sex="female",
    doubts=(Doubt(code="names-disagree", words="Two names.", about=("x",)),),
)
ENVELOPE = Envelope(
    form=Form.HL7,
    performed=PartialDate("2024-05"),
    dated=PartialDate("2024-05-13"),
    sender="invented",
    supersedes=("D1", "D2"),
    status=DocumentStatus.CORRECTED,
    pages=2,
    by_ocr=True,
    doubts=(Doubt(code="encoding-guessed", words="Guessed."),),
)


def kept_as(envelope: dict[str, object]) -> StoredReport:
    return StoredReport(
        id="r-x", digest="", part=1, text_id=None, patient=None, state="waiting", waits_for=None, arrived_at="",
        file_name=None, media_type=None, envelope=envelope, reader=None, proposed=None,
    )  # fmt: skip


def test_clues_and_envelope_come_back_as_they_were_kept() -> None:
    report = kept_as({"clues": _plain(CLUES), "envelope": _plain(ENVELOPE)})

    assert clues_of(report, None) == CLUES
    assert envelope_of(report, None) == ENVELOPE


def test_a_report_kept_without_clues_is_asked_for_them_again() -> None:
    assert clues_of(kept_as({}), REPORT) == clues_in(REPORT)
    assert clues_of(kept_as({}), None).is_empty
    assert envelope_of(kept_as({}), None) == Envelope()
