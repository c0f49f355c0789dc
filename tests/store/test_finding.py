"""Finding patients, on both engines: the questions to the tables mean the same in SQLite and in PostgreSQL."""

from __future__ import annotations

from ledger.arrival.values import BirthDateClue, IdentifierClue, NameClue, PatientClues
from ledger.dates import PartialDate
from ledger.people import Identifier
from ledger.store import Ledger
from ledger.store.finding import How, find, near


def _people(ledger: Ledger) -> None:
    born = [PartialDate("1958-03-22"), PartialDate("1961"), None, PartialDate("1958-03-22")]
    names = ["Wilhelmina Osterpike", "Anselm Thornquist", "Zoë Müller-Ng", None]
    for number, (name, birth) in enumerate(zip(names, born, strict=True), start=1):
        ledger.who.add_patient(
            name=name, birth_date=birth, identifiers=(Identifier(system="local", value=f"K 204-81{number}"),)
        )


def test_a_patient_is_found_by_name_number_and_birth_date(ledger: Ledger) -> None:
    _people(ledger)

    def found(typed: str) -> list[tuple[str, How]]:
        return [(one.patient.id, one.how) for one in find(ledger, typed)[0]]

    assert found("osterpike") == [("P0001", How.EXACTLY)]
    assert found("oster") == [("P0001", How.BEGINS)]
    assert found("Osterpyke") == [("P0001", How.NEARLY)]
    assert found("zoe muller") == [("P0003", How.EXACTLY)]
    assert found("k204811") == [("P0001", How.EXACTLY)]
    assert found("04812") == [("P0002", How.IN_PART)]
    assert found("22.3.1958") == [("P0001", How.EXACTLY), ("P0004", How.EXACTLY)]
    assert found("Thornquist 4.5.1961") == [("P0002", How.BEGINS)]
    assert found("100% _nobody'") == []


def test_whoever_shares_a_number_a_birth_date_or_a_word_of_a_name_is_near(ledger: Ledger) -> None:
    _people(ledger)

    def who(**clues: object) -> set[str]:
        asked = PatientClues(**clues)  # type: ignore[arg-type]
        return {one.id for one in near(ledger, [asked]).near(asked)} if clues else set()

    assert who(identifiers=(IdentifierClue(value="00K204813", source="text"),)) == {"P0003"}
    assert who(names=(NameClue(text="THORNQUIST, Mr Anselm", source="text"),)) == {"P0002"}
    day = (PartialDate("1961-05-04"),)
    assert who(birth_dates=(BirthDateClue(as_said="4 May 1961", readings=day, source="text"),)) == {"P0002"}
