"""Words stand beside entries: they can be erased, and the chain still verifies."""

from __future__ import annotations

from pathlib import Path

import pytest

from ledger.entries import Draft
from ledger.evidence import Evidence, Quote
from ledger.people import Identifier
from ledger.store import Ledger
from ledger.store.trust import verify
from ledger.store.upkeep import backup, erase
from tests.lives import happening
from tests.store.conftest import MRN
from tests.store.drafts import a_fistula, add

REPORT = (
    b"Patient: Quillon Ashgrove  Born: 03.02.1950  Number: MRN-0001\n"
    b"Left brachiocephalic fistula. Balloon of the cephalic arch by Dr Invented.\n"
)


def with_words(ledger: Ledger, patient: str) -> str:
    report, _ = ledger.papers.keep_report(REPORT, REPORT.decode(), patient=patient, file_name="ashgrove-fax.txt")
    assert report.text_id is not None
    start = REPORT.index(b"Balloon")
    quoted = Evidence(report=report.id, quotes=(Quote(text=report.text_id, start=start, end=start + 7),))
    note = ledger.papers.typed("Mrs Ashgrove says the arm tingles.", patient)
    event = happening(
        "angioplasty",
        "2024-02-01",
        access="A1",
        note={"text": note.text, "start": note.start, "end": note.end},
    )
    add(ledger, patient, a_fistula(), Draft(event=event, source=f"report:{report.id}", evidence=quoted))
    return report.id


def test_a_quote_gives_the_reports_own_words(ledger: Ledger, patient: str) -> None:
    with_words(ledger, patient)

    entry = ledger.history(patient).entries[1]

    assert [ledger.papers.words(quote) for quote in entry.evidence.quotes] == ["Balloon"]
    assert entry.event.note is not None
    assert ledger.papers.words(entry.event.note) == "Mrs Ashgrove says the arm tingles."


def test_the_same_file_twice_is_one_report(ledger: Ledger, patient: str) -> None:
    first, is_new = ledger.papers.keep_report(REPORT, REPORT.decode(), patient=patient)
    second, is_new_again = ledger.papers.keep_report(REPORT, REPORT.decode(), patient=patient)

    assert (is_new, is_new_again) == (True, False)
    assert first == second


def test_what_is_hashed_holds_no_words(ledger: Ledger, patient: str) -> None:
    with_words(ledger, patient)

    bodies = b"".join(bytes(row[0]) for row in ledger.db.execute("SELECT body FROM entries").fetchall())

    for word in (b"Ashgrove", b"MRN-0001", b"Balloon", b"tingles", b"1950", b"Invented"):
        assert word not in bodies


def test_an_erased_patient_is_nowhere_and_the_chain_verifies(
    ledger: Ledger, patient: str, where: str, tmp_path: Path
) -> None:
    report = with_words(ledger, patient)

    erase(ledger, patient)

    entry = ledger.history(patient).entries[1]
    assert verify(ledger).is_trusted
    assert verify(ledger).erased == 2
    assert ledger.who.patient(patient).erased
    assert ledger.who.find("Ashgrove") == []
    assert ledger.papers.words(entry.evidence.quotes[0]) is None
    assert ledger.papers.original(ledger.papers.report(report)) is None
    if not ledger.db.is_postgres:
        backup(ledger, tmp_path / "copy.sqlite")
        files = [path for path in tmp_path.iterdir() if path.is_file()]
        assert {path.name for path in files} >= {"ledger.sqlite", "copy.sqlite"}
        for path in files:
            content = path.read_bytes()
            for word in (b"Ashgrove", b"ashgrove", b"MRN-0001", b"1950-02-03", b"tingles"):
                assert word not in content, path.name


def test_an_erased_patients_words_are_in_no_table(ledger: Ledger, patient: str) -> None:
    with_words(ledger, patient)

    erase(ledger, patient)

    for table in ("patients", "identifiers", "texts", "reports", "originals", "streams", "entries"):
        rows = repr([tuple(map(_shown, row)) for row in ledger.db.execute(f"SELECT * FROM {table}").fetchall()])
        assert "shgrove" not in rows, table
        assert "MRN-0001" not in rows, table


def _shown(value: object) -> object:
    return bytes(value) if isinstance(value, memoryview) else value


def test_a_number_of_somebody_else_is_not_given_twice(ledger: Ledger, patient: str) -> None:
    with pytest.raises(Exception, match=patient):
        ledger.who.add_patient(name="Another Invented", identifiers=(Identifier(system=MRN, value="MRN-0001"),))


def test_people_are_found_whatever_the_case_the_accents_and_the_order(ledger: Ledger, patient: str) -> None:
    other = ledger.who.add_patient(name="Özlem Ångström-Váradi", invented=True)

    assert [one.id for one in ledger.who.find("angstrom ozlem")] == [other.id]
    assert [one.id for one in ledger.who.find("ASHGROVE, Quillon")] == [patient]
    assert [one.id for one in ledger.who.find("MRN-0001")] == [patient]
