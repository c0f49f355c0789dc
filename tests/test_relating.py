"""Which reports are about which, by the numbers of their documents; and which tell of one procedure. All invented."""

from __future__ import annotations

from typing import Any

import pytest

from ledger.reading.reader import read_report
from ledger.relating import alike, earlier_reports, later_reports, tells_whole
from ledger.retelling import Sameness
from ledger.store.papers import StoredReport

FIRST = """\
Date of procedure: 14 March 2024
PROCEDURE: Fistulogram and balloon angioplasty of the left brachiocephalic fistula.
There was an 80% stenosis of the cephalic arch, dilated with an 8 mm balloon. Residual stenosis was 10%.
"""


def a_report(id: str, text: str = FIRST, patient: str | None = "P0001", **envelope: Any) -> StoredReport:
    told = read_report(text).to_json()
    return StoredReport(
        id=id, digest=id, part=1, text_id=id, patient=patient, state="waiting", waits_for=None,
        arrived_at=f"2024-03-15T10:00:0{id[-1]}Z", file_name=None, media_type="text/plain",
        envelope={"envelope": envelope}, reader="1", proposed=told,
    )  # fmt: skip


def ids(reports: tuple[StoredReport, ...]) -> list[str]:
    return [one.id for one in reports]


def test_a_corrected_report_is_about_the_first_and_all_in_between() -> None:
    first = a_report("r1", document_id="DOC-1", status="final")
    addendum = a_report("r2", document_id="DOC-2", supersedes=["DOC-1"], status="addendum")
    corrected = a_report("r3", document_id="DOC-3", supersedes=["DOC-2"], status="corrected")
    there = [corrected, first, addendum]

    assert ids(earlier_reports(corrected, there)) == ["r1", "r2"]
    assert ids(later_reports(first, there)) == ["r2", "r3"]
    assert (tells_whole(addendum), tells_whole(corrected)) == (False, True)


@pytest.mark.parametrize(("one", "two"), [("preliminary", "final"), ("final", "corrected"), ("corrected", "corrected")])
def test_a_report_with_the_same_number_takes_the_place_of_the_one_before(one: str, two: str) -> None:
    first = a_report("r1", document_id="DOC-1", status=one)
    second = a_report("r2", document_id="DOC-1", supersedes=["DOC-1"], status=two)

    assert ids(earlier_reports(second, [first, second])) == ["r1"]
    assert ids(earlier_reports(first, [first, second])) == []


def test_a_preliminary_report_that_comes_late_takes_the_place_of_nothing() -> None:
    final = a_report("r1", document_id="DOC-1", status="final")
    preliminary = a_report("r2", document_id="DOC-1", status="preliminary")

    assert ids(earlier_reports(preliminary, [final, preliminary])) == []
    assert ids(earlier_reports(final, [final, preliminary])) == ["r2"]


def test_reports_without_numbers_are_about_no_other() -> None:
    assert earlier_reports(a_report("r1"), [a_report("r2"), a_report("r3", document_id="DOC-1")]) == ()


def test_documents_that_name_each_other_come_to_an_end() -> None:
    one = a_report("r1", document_id="A", supersedes=["B"])
    two = a_report("r2", document_id="B", supersedes=["A"])

    assert ids(earlier_reports(one, [one, two])) == ["r2"]


def texts(**by_id: str) -> Any:
    return lambda report: by_id.get(report.id)


def test_a_fax_and_a_message_of_one_procedure_are_found_and_another_patient_or_month_is_not() -> None:
    fax = f"PAGE 1 OF 1\n{FIRST}"
    june = FIRST.replace("March", "June")
    there = [a_report("r1"), a_report("r2", fax), a_report("r3", june), a_report("r4", patient="P0002")]

    found = alike(there, texts(r1=FIRST, r2=fax, r3=june, r4=FIRST))

    assert [(one.id, two.id, compared.sameness) for one, two, compared in found] == [("r1", "r2", Sameness.SAME)]


def test_words_that_were_erased_are_compared_with_nothing() -> None:
    assert alike([a_report("r1"), a_report("r2")], texts(r1=FIRST)) == []


def test_nobody_says_of_a_report_without_patient_that_it_is_the_same() -> None:
    there = [a_report("r1", patient=None), a_report("r2", patient=None)]

    assert alike(there, texts(r1=FIRST, r2=FIRST)) == []
