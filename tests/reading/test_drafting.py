"""From proposals to drafts: typed facts, their ids, their evidence, and what has to wait."""

from __future__ import annotations

from datetime import date
from typing import Any

from ledger.admission import Gate
from ledger.dates import PartialDate
from ledger.entries import Draft
from ledger.events import (
    AccessKnown,
    Angiogram,
    Angioplasty,
    CatheterExchanged,
    CatheterRemoved,
    Creation,
    Instruction,
    Stent,
    Visit,
    Words,
)
from ledger.evidence import Quote
from ledger.measured import Measured
from ledger.reading import Reading, read_report
from ledger.reading.drafting import Drafts, KnownAccess, KnownLesion, drafts_of, new_access_id, visit_id_of
from ledger.vocabulary import AccessKind, LesionPlace, Outcome, Side
from tests.lives import ZONE
from tests.score_reader import fixtures, parted
from tests.strategies import Recorder

ARCH = (
    "DATE OF PROCEDURE: 2024-03-01\n"
    "PROCEDURES: 1. Fistulogram, left brachiocephalic AV fistula. 2. Angioplasty. 3. Stent graft placement.\n"
    "SURGEON: Doctor A\n"
    "FINDINGS: 80% stenosis of the cephalic arch. 50% stenosis of the left subclavian vein, not treated.\n"
    "INTERVENTION: The cephalic arch was dilated with an 8 mm x 40 mm balloon. 40% recoil. "
    "A 9 mm x 50 mm covered stent was deployed. Residual stenosis <10%.\n"
)


def drafted(reading: Reading, **given: Any) -> Drafts:
    accesses = given.pop("accesses", {one.ref: "A1" for one in reading.accesses})
    return drafts_of(reading, report="r-1", text_id="t-1", accesses=accesses, **given)


def the(drafts: Drafts, kind: type[Any]) -> Any:
    """The one event of a kind."""
    (found,) = [one.event for one in drafts.drafts if isinstance(one.event, kind)]
    return found


def test_no_lesion_is_told_twice_where_it_was_found_and_treated_in_one_visit() -> None:
    drafts = drafted(read_report(ARCH))

    angiogram, angioplasty, stent = the(drafts, Angiogram), the(drafts, Angioplasty), the(drafts, Stent)
    arch, subclavian = angiogram.lesions
    assert (arch.place, arch.stenosis_percent) == (LesionPlace.CEPHALIC_ARCH, Measured(value="80"))
    assert (subclavian.place, subclavian.side, subclavian.left_alone) == (
        LesionPlace.SUBCLAVIAN_VEIN,
        Side.LEFT,
        True,
    )
    (dilated,) = angioplasty.lesions
    assert dilated.lesion == arch.lesion
    assert (dilated.found_percent, dilated.residual_percent) == (None, None)
    assert [str(one.diameter_mm) for one in dilated.balloons] == ["8"]
    (stented,) = stent.lesions
    assert stented.lesion == arch.lesion
    assert (stented.found_percent, stented.balloons) == (None, ())
    assert stented.residual_percent == Measured(value="10", comparator="<")
    (placed,) = stent.stents
    assert (placed.covered, str(placed.diameter_mm), str(placed.length_mm)) == (True, "9", "50")
    assert placed.lesion == arch.lesion


def test_without_an_angiogram_the_treatment_holds_what_was_found() -> None:
    text = "PROCEDURE: Angioplasty of left AVF.\n80% cephalic arch stenosis dilated with 8 mm balloon, 10% residual."

    drafts = drafted(read_report(text), happened=PartialDate("2024-03-01"))

    (lesion,) = the(drafts, Angioplasty).lesions
    assert (lesion.found_percent, lesion.residual_percent) == (Measured(value="80"), Measured(value="10"))


def test_a_person_who_dismisses_the_angiogram_does_not_lose_what_was_found() -> None:
    reading = read_report(ARCH)
    kept = [index for index, one in enumerate(reading.proposed) if one.kind != "angiogram"]

    drafts = drafted(reading, only=kept)

    (lesion,) = the(drafts, Angioplasty).lesions
    assert lesion.found_percent == Measured(value="80")


def test_the_same_place_is_the_lesion_that_the_access_is_known_to_have() -> None:
    reading = read_report(ARCH)
    known = KnownAccess(id="A1", lesions=(KnownLesion(id="L-arch", place=LesionPlace.CEPHALIC_ARCH),))

    drafts = drafted(reading, accesses={one.ref: known for one in reading.accesses})

    assert the(drafts, Angiogram).lesions[0].lesion == "L-arch"
    assert the(drafts, Stent).stents[0].lesion == "L-arch"


def test_a_lesion_on_the_other_side_is_another_one() -> None:
    reading = read_report(ARCH)
    known = KnownAccess(
        id="A1", lesions=(KnownLesion(id="L-right", place=LesionPlace.SUBCLAVIAN_VEIN, side=Side.RIGHT),)
    )

    drafts = drafted(reading, accesses={one.ref: known for one in reading.accesses})

    assert "L-right" not in [one.lesion for one in the(drafts, Angiogram).lesions]


def test_the_same_report_gives_the_same_drafts_whichever_were_accepted() -> None:
    reading = read_report(ARCH)

    together = {one.proposal: one.draft for one in drafted(reading).drafted}
    one_by_one = {
        index: drafted(reading, only=[index]).drafted[0].draft
        for index, proposal in enumerate(reading.proposed)
        if proposal.kind in ("visit", "angiogram")
    }

    assert all(together[index] == draft for index, draft in one_by_one.items())


def test_entries_of_one_procedure_share_its_visit() -> None:
    drafts = drafted(read_report(ARCH))

    visits = {getattr(one.event, "visit", None) for one in drafts.drafts}

    assert visits == {visit_id_of("r-1")}
    assert the(drafts, Visit).outcome is Outcome.DONE


def test_words_stay_stretches_of_the_text_and_quotes_name_it() -> None:
    drafts = drafted(read_report(ARCH))

    visit = next(one for one in drafts.drafts if isinstance(one.event, Visit))

    assert isinstance(visit.event, Visit)
    assert isinstance(visit.event.operator, Words)
    assert ARCH[visit.event.operator.start : visit.event.operator.end] == "Doctor A"
    assert visit.source == "report:r-1"
    assert visit.evidence.report == "r-1"
    assert all(isinstance(quote, Quote) and quote.text == "t-1" for quote in visit.evidence.quotes)


def test_an_access_that_the_ledger_does_not_know_is_made_known_first() -> None:
    reading = read_report(ARCH)
    new = KnownAccess(id=new_access_id("r-1", "a1"), is_new=True)

    drafts = drafted(reading, accesses={"a1": new})

    first = drafts.drafts[0].event
    assert isinstance(first, AccessKnown)
    assert (first.access, first.access_kind, first.side, first.from_report_only) == (
        new.id,
        AccessKind.FISTULA,
        Side.LEFT,
        True,
    )
    assert sum(isinstance(one.event, AccessKnown) for one in drafts.drafts) == 1


def test_an_access_that_the_report_creates_is_not_made_known_besides() -> None:
    text = "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Creation of left radiocephalic AV fistula.\n"
    reading = read_report(text)

    drafts = drafted(reading, accesses={"a1": KnownAccess(id="A9", is_new=True)})

    assert not any(isinstance(one.event, AccessKnown) for one in drafts.drafts)
    made = the(drafts, Creation)
    assert (made.access, made.access_kind, made.side) == ("A9", AccessKind.FISTULA, Side.LEFT)


def test_without_a_day_everything_waits_and_nothing_is_invented() -> None:
    reading = read_report("PROCEDURE: Fistulogram of left AVF. Widely patent.")

    drafts = drafted(reading)

    assert drafts.drafts == ()
    assert {one.code for one in drafts.waiting} == {"no-date"}


def test_a_day_that_a_person_gives_counts_where_the_text_has_none() -> None:
    undated = drafted(read_report("PROCEDURE: Fistulogram of left AVF."), happened=PartialDate("2024-05"))
    dated = drafted(read_report(ARCH), happened=PartialDate("2020-01-01"))

    assert {one.event.happened for one in undated.drafts} == {"2024-05"}
    assert {one.event.happened for one in dated.drafts} == {"2024-03-01"}


def test_an_access_that_nobody_named_waits() -> None:
    reading = read_report(ARCH)

    drafts = drafted(reading, accesses={})

    assert drafts.drafts == ()
    assert {one.code for one in drafts.waiting} == {"no-access"}


def test_a_graft_placement_whose_kind_is_not_said_waits_with_what_to_give() -> None:
    reading = read_report(
        "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Insertion of dialysis catheter, left IJ.\nIt flushed well."
    )

    drafts = drafted(reading)

    assert [(one.code, one.words) for one in drafts.waiting] == [
        ("not-complete", "The report does not say what kind of access was made: say which.")
    ]


def test_a_catheter_that_goes_and_one_that_comes_are_two_devices() -> None:
    text = "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Exchange of right IJ tunneled dialysis catheter over a wire.\n"
    reading = read_report(text)
    known = KnownAccess(id="A1", device="d-old")

    exchanged = the(drafted(reading, accesses={"a1": known}), CatheterExchanged)

    assert exchanged.old_device == "d-old"
    assert exchanged.device not in (None, "d-old")


def test_the_device_that_is_in_is_the_one_that_is_removed() -> None:
    text = "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Removal of right IJ tunneled dialysis catheter.\n"
    reading = read_report(text)

    removed = the(drafted(reading, accesses={"a1": KnownAccess(id="A1", device="d-old")}), CatheterRemoved)

    assert removed.device == "d-old"


def test_an_instruction_keeps_the_reports_own_words() -> None:
    text = "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Left AVF fistulogram.\nPLAN: Remove sutures in 10 days.\n"
    drafts = drafted(read_report(text))

    told = the(drafts, Instruction)

    assert told.words is not None
    assert text[told.words.start : told.words.end] == "Remove sutures in 10 days."
    assert told.due == "2024-03-11"


def test_admission_refuses_nothing_of_a_patient_whose_only_history_is_one_report() -> None:
    refused = []
    reports = 0
    for path in fixtures():
        for report in parted(path)[0]:
            reading = read_report(report.text)
            accesses = {one.ref: KnownAccess(id=new_access_id("r-1", one.ref), is_new=True) for one in reading.accesses}
            day = PartialDate("2024-03-01")
            made = drafts_of(reading, report="r-1", text_id="t-1", accesses=accesses, happened=day)
            recorder = Recorder(ZONE)
            recorder.gate = Gate(recorder.history, today=date(2027, 1, 1))
            for draft in made.drafts:
                verdict = recorder.gate.consider(draft.event, "e")
                if verdict.refusal is not None:
                    refused.append(f"{report.id}: {draft.event.kind}: {verdict.refusal.problem}")
                else:
                    _take(recorder, draft)
            reports += bool(made.drafts)

    assert refused == []
    assert reports > 100


def _take(recorder: Recorder, draft: Draft) -> None:
    recorder.add(draft.event, source=f"{draft.source}/{draft.event.kind}/{draft.ordinal}")
