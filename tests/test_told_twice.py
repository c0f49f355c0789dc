"""One procedure by fax and by message, preliminary and final, and with an addendum: one set of entries, by a person.

All of it is invented; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ledger.confirming import Decision, Review, confirm, plainly_told, review_of
from ledger.dates import PartialDate
from ledger.entries import Signature
from ledger.events import Correction
from ledger.matching import Register
from ledger.people import Identifier, Person
from ledger.receiving import opened_up, receive
from ledger.store import Ledger, open_ledger
from ledger.vocabulary import Fate
from tests.store.drafts import a_fistula, add

BY = Signature(person="N1")
PATIENT = "P0001"
ACCEPTED = Decision(fate=Fate.ACCEPTED)

WORDS = """\
PROCEDURE: Left brachiocephalic fistula, fistulogram and balloon angioplasty.
DATE OF PROCEDURE: 14 March 2024
FINDINGS: There was an 80% stenosis of the cephalic arch. Central veins patent.
The cephalic arch stenosis was dilated with an 8 mm x 40 mm balloon. Residual stenosis was 10%.
"""
TWENTY = WORDS.replace("10%", "20%")
ADDENDUM = """\
ADDENDUM
DATE OF PROCEDURE: 14 March 2024
PROCEDURE: Stent placement, left brachiocephalic fistula.
A 7 mm x 50 mm covered stent was deployed across the cephalic arch.
"""


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """One invented patient with a left brachiocephalic fistula A1, made in March 2023."""
    with open_ledger(tmp_path / "ledger.sqlite", create=True, zone="Europe/London") as found:
        found.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        found.who.add_patient(
            name="Maud Vellacott",
            birth_date=PartialDate("1950-04-13"),
            identifiers=(Identifier(system="urn:oid:1.2.826.0.1.99999.7", value="K204817"),),
            invented=True,
        )
        add(found, PATIENT, a_fistula())
        yield found


def a_message(words: str, document: str, *, event: str = "T02", about: str = "", status: str = "AU") -> bytes:
    """An invented HL7 v2 MDM message that carries a report."""
    lines = [
        rf"MSH|^~\&|DICTATION|HARROWGATE|LEDGER|UNIT|20240315101500+0000||MDM^{event}^MDM_T02|M-{document}|P|2.5.1",
        f"EVN|{event}|20240315101500",
        "PID|1||K204817^^^HARROWGATE&1.2.826.0.1.99999.7&ISO^MR||VELLACOTT^MAUD||19500413|F",
        "PV1|1|O",
        f"TXA|1|OP^Operative note|TX|20240314|||20240315|||||{document}^HARROWGATE|{about}||||{status}",
    ]
    lines += [f"OBX|{nth}|TX|11504-8||{words}||||||F" for nth, words in enumerate(words.splitlines(), start=1)]
    return ("\r".join(lines) + "\r").encode()


def came(ledger: Ledger, original: bytes, name: str = "m.hl7") -> str:
    register = Register(ledger.who.patients())
    (received,) = receive(ledger, opened_up(original, name), register, patient=PATIENT, person="N1")
    assert received.report is not None
    return received.report


def accept_all(ledger: Ledger, report: str) -> Review:
    review = review_of(ledger, report)
    confirm(ledger, review, dict.fromkeys(review.open, ACCEPTED), by=BY)
    return review


def facts(ledger: Ledger) -> list[str]:
    return sorted(one.kind for one in ledger.history(PATIENT).facts)


def residual(ledger: Ledger) -> list[str]:
    return [
        str(lesion.residual_percent)
        for one in ledger.history(PATIENT).facts
        if one.kind == "angioplasty"
        for lesion in getattr(one.fact, "lesions", ())
    ]


def test_a_fax_and_a_message_of_one_procedure_give_one_set_of_entries(ledger: Ledger) -> None:
    accept_all(ledger, came(ledger, f"PAGE 1 OF 1\n{WORDS}".encode(), "fax.txt"))
    once = facts(ledger)
    entries = len(ledger.history(PATIENT).entries)

    second = accept_all(ledger, came(ledger, a_message(WORDS, "DOC-1")))

    assert facts(ledger) == once
    assert set(second.told) == set(range(len(second.reading.proposed)))
    fates = ledger.history(PATIENT).entries[-1].event.fates  # type: ignore[union-attr]
    assert {fate.fate for fate in fates} == {Fate.ALREADY_KNOWN}
    assert all(fate.entry is not None for fate in fates)
    assert len(ledger.history(PATIENT).entries) == entries + 1
    assert ledger.papers.report(second.report.id).state == "confirmed"


def test_a_person_may_say_that_what_looks_the_same_is_another_one(ledger: Ledger) -> None:
    accept_all(ledger, came(ledger, WORDS.encode(), "fax.txt"))
    review = review_of(ledger, came(ledger, a_message(WORDS, "DOC-1")))
    (plasty,) = [index for index, one in enumerate(review.reading.proposed) if one.kind == "angioplasty"]

    confirm(ledger, review, {plasty: Decision(fate=Fate.ACCEPTED, own=True)}, by=BY)

    assert facts(ledger).count("angioplasty") == 2


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (a_message(WORDS, "DOC-1", status="PR"), a_message(TWENTY, "DOC-1", status="AU")),
        (a_message(WORDS, "DOC-1"), a_message(TWENTY, "DOC-3", event="T10", about="DOC-1^HARROWGATE")),
        (WORDS.encode(), a_message(TWENTY, "DOC-1")),
    ],
    ids=["preliminary then final", "replaced", "fax, then a message that says otherwise"],
)
def test_a_later_report_that_says_otherwise_corrects_the_entry_of_the_first(
    ledger: Ledger, first: bytes, second: bytes
) -> None:
    accept_all(ledger, came(ledger, first, "first"))
    once = facts(ledger)
    assert residual(ledger) == ["10"]

    later = accept_all(ledger, came(ledger, second, "second"))

    assert facts(ledger) == once
    assert residual(ledger) == ["20"]
    corrections = [one for one in ledger.history(PATIENT).entries if isinstance(one.event, Correction)]
    assert [one.evidence.report for one in corrections] == [later.report.id]


def test_an_addendum_adds_what_it_tells_and_takes_nothing_away(ledger: Ledger) -> None:
    first = came(ledger, a_message(WORDS, "DOC-1"))
    accept_all(ledger, first)
    once = facts(ledger)

    review = accept_all(ledger, came(ledger, a_message(ADDENDUM, "DOC-2", event="T06", about="DOC-1^HARROWGATE")))

    assert review.earlier == (first,)
    assert review.unsaid == ()
    assert "stent" in facts(ledger)
    assert [kind for kind in facts(ledger) if kind != "stent"] == once
    assert residual(ledger) == ["10"]


def test_a_replacement_says_what_it_no_longer_tells(ledger: Ledger) -> None:
    accept_all(ledger, came(ledger, a_message(WORDS, "DOC-1")))
    shorter = WORDS.replace("fistulogram and balloon angioplasty", "fistulogram").replace(
        WORDS.splitlines()[3] + "\n", "No treatment was needed.\n"
    )

    review = review_of(ledger, came(ledger, a_message(shorter, "DOC-3", event="T10", about="DOC-1^HARROWGATE")))

    kinds = {one.root: one.kind for one in review.history.facts}
    assert "angioplasty" in [kinds[root] for root in review.unsaid]


def test_confirming_twice_adds_nothing(ledger: Ledger) -> None:
    accept_all(ledger, came(ledger, a_message(WORDS, "DOC-1")))
    later = came(ledger, a_message(TWENTY, "DOC-3", event="T10", about="DOC-1^HARROWGATE"))
    accept_all(ledger, later)
    before = ledger.history(PATIENT).entries

    again = review_of(ledger, later)
    confirm(ledger, again, {}, by=BY)

    assert again.open == ()
    assert ledger.history(PATIENT).entries == before


def test_in_bulk_neither_of_two_reports_of_one_procedure_is_taken(ledger: Ledger) -> None:
    first = came(ledger, WORDS.encode(), "fax.txt")
    second = came(ledger, a_message(WORDS, "DOC-1"))

    for report, other in ((first, second), (second, first)):
        review = review_of(ledger, report)
        assert [found for found, _ in review.alike] == [other]
        assert plainly_told(review, also_new=True, looked_at=True)[0] == {}


def test_in_bulk_nothing_is_taken_of_a_report_that_a_later_one_corrects(ledger: Ledger) -> None:
    first = came(ledger, a_message(WORDS, "DOC-1"))
    later = came(ledger, a_message("The residual was wrong.", "DOC-2", event="T06", about="DOC-1^HARROWGATE"))

    review = review_of(ledger, first)

    assert review.later == (later,)
    assert plainly_told(review, also_new=True, looked_at=True)[0] == {}
