"""What is true of the person beside the accesses, and what lay in their veins."""

from __future__ import annotations

from datetime import date

from ledger.projections.person import PersonView, is_followed, person_of
from ledger.projections.veinbook import vein_book_of
from ledger.vocabulary import Modality
from tests.examples import words
from tests.lives import a_history, an_entry, corrected, happening, retracted
from tests.projections.telling import (
    FISTULA,
    angiogram,
    ballooned,
    cultured,
    decided,
    fistula,
    line,
    looked,
    removed,
    stented,
    visited,
)


def seen(history, day: str) -> PersonView:
    return person_of(history, date.fromisoformat(day), words, lambda key: None)


def test_a_course_is_due_until_its_end_and_says_when_no_end_was_recorded():
    history = a_history(
        happening("antimicrobial-course", "2025-02-03", reason="peritonitis", planned_until="2025-02-24"),
        happening("antimicrobial-course", "2025-02-10", until="2025-02-17"),
        happening("antimicrobial-course", "2025-02-12"),
    )

    assert [due.words for due in seen(history, "2025-02-20").courses] == [
        "antimicrobial course for peritonitis since 3 February 2025, until 24 February 2025",
        "antimicrobial course since 12 February 2025, end not recorded",
    ]
    assert [due.words for due in seen(history, "2025-03-20").courses] == [
        (
            "antimicrobial course for peritonitis since 3 February 2025, was planned until 24 February 2025, "
            "end not recorded"
        ),
        "antimicrobial course since 12 February 2025, end not recorded",
    ]


def test_an_appointment_to_come_then_without_word_then_answered_by_its_visit():
    booked = happening("appointment", "2025-03-03", access=FISTULA, state="booked", on="2025-03-17")
    history = a_history(fistula("2024-03-04"), booked)
    answered = a_history(fistula("2024-03-04"), booked, visited("2025-03-17", "V1"))

    assert [due.words for due in seen(history, "2025-03-10").appointments] == ["appointment 17 March 2025"]
    assert [due.words for due in seen(history, "2025-03-20").appointments] == [
        "appointment 17 March 2025: no word of what became of it"
    ]
    assert seen(answered, "2025-03-20").appointments == ()


def test_a_decision_past_its_review_says_so_and_a_newer_one_of_the_same_kind_replaces_it():
    history = a_history(
        decided("2024-03-04", "declines-fistula", review_on="2024-06-03"),
        decided("2024-06-10", "declines-fistula", by_patient=True, review_on="2024-09-02"),
    )

    (decision,) = seen(history, "2024-10-07").decisions

    assert decision.review_due
    assert decision.words == "declines a fistula (by the patient), 10 June 2024, review was due 2 September 2024"


def test_the_way_of_dialysis_is_the_last_one_told():
    history = a_history(
        happening("care-began", "2023-01-09", modality="in-centre-haemodialysis", unit="U1", shift="U1-mon"),
        happening("modality-changed", "2024-05-06", to="peritoneal-dialysis"),
    )

    person = seen(history, "2025-03-04")

    assert person.modality is Modality.PERITONEAL
    assert (person.unit, person.shift) == ("U1", "U1-mon")


def test_followed_again_after_the_end_of_follow_up():
    history = a_history(
        happening("follow-up-ended", "2024-10-30", reason="transplant"), happening("follow-up-resumed", "2025-01-07")
    )

    assert not seen(history.seen(as_of=date(2024, 12, 1)), "2024-12-01").followed
    assert seen(history, "2025-03-04").followed


def test_positive_cultures_are_told_until_a_clearance_culture():
    history = a_history(
        line("2025-01-06"),
        cultured("2025-02-03", positive=True, organism="candida"),
        cultured("2025-02-18", clearance=True, positive=False),
        cultured("2025-03-03", positive=True),
    )

    assert seen(history, "2025-03-04").cultures == ("3 March 2025: Culture drawn: positive.",)


def test_a_reminder_that_was_put_off_is_told_until_its_day():
    history = a_history(happening("set-aside", "2025-03-03", line="review-due", until="2025-03-17"))

    assert [due.words for due in seen(history, "2025-03-04").set_aside] == [
        'reminder "review due" put off until 17 March 2025'
    ]
    assert seen(history, "2025-03-18").set_aside == ()


def test_the_plan_of_the_accesses_says_when_its_review_is_over():
    history = a_history(happening("life-plan-reviewed", "2024-03-04", next_access="graft", review_on="2025-03-03"))

    assert not seen(history, "2025-03-03").life_plan_review_due
    assert seen(history, "2025-03-04").life_plan_review_due


def test_the_vein_book_holds_every_line_lead_and_port_with_its_vein_and_side():
    history = a_history(
        line("2018-01-08", "C1", kind="nontunnelled-catheter", vein="femoral"),
        removed("2018-01-15", "C1"),
        line("2018-01-15", "C2"),
        happening("access-known", "2025-01-06", access="C3", access_kind="tunnelled-catheter", side="left"),
        happening("background", "2025-01-06", items=[{"what": "line", "side": "right", "vein": "basilic"}]),
    )

    assert vein_book_of(history).lines() == [
        "RIGHT femoral vein: non-tunnelled catheter, from 8 January 2018, to 15 January 2018",
        "RIGHT internal jugular vein: tunnelled catheter, from 15 January 2018, still in",
        "LEFT vein not recorded: tunnelled catheter, from when not recorded, still in",
        (
            "RIGHT basilic vein: line (as told on 6 January 2025), from when not recorded, "
            "whether it is still in is not recorded"
        ),
    ]


def test_beside_the_veins_stand_the_signs_that_they_suffered():
    central = [{"lesion": "L9", "place": "brachiocephalic-vein", "side": "left", "stenosis_percent": {"value": "70"}}]
    history = a_history(
        fistula("2023-03-04"),
        looked("2024-12-02", swelling=True, collaterals=True),
        angiogram("2024-12-09", lesions=central, central_veins="stenosed"),
        ballooned("2024-12-09", "L9", "brachiocephalic-vein"),
        stented("2025-02-03", place="brachiocephalic-vein", side="left", covered=False),
        looked("2025-03-03", swelling=False),
    )

    assert [sign.words for sign in vein_book_of(history).signs] == [
        "LEFT: collateral veins, still open",
        "70 % stenosis in the brachiocephalic vein (LEFT)",
        "brachiocephalic vein treated by balloon, residual 20 %",
        "central veins stenosed",
        "bare stent, in the brachiocephalic vein (LEFT), whether across a needle zone not recorded",
    ]


def test_an_empty_vein_book_is_not_a_clean_one():
    assert vein_book_of(a_history(fistula("2023-03-04"))).lines() == [
        "No line, port or lead recorded; not recorded is not the same as not present."
    ]


def test_a_peritoneal_catheter_lies_in_no_vein():
    history = a_history(
        happening("catheter-placed", "2025-01-06", access="P1", access_kind="peritoneal-catheter", side="left")
    )

    assert vein_book_of(history).occupants == ()


def test_the_outflow_of_a_hybrid_lies_in_a_central_vein():
    history = a_history(
        happening("creation", "2025-01-06", access="H1", access_kind="hybrid", side="left", outflow="internal-jugular")
    )

    assert vein_book_of(history).lines() == [
        "LEFT internal jugular vein: graft-to-catheter hybrid, from 6 January 2025, still in"
    ]


def test_whom_we_follow_is_asked_of_the_day_and_of_what_was_said_since():
    ended = happening("follow-up-ended", "2025-02-03", reason="transfer")
    resumed = happening("follow-up-resumed", "2025-03-04")
    history = a_history(happening("care-began", "2024-01-01"), ended, resumed)

    followed = {
        day: is_followed(history, date.fromisoformat(day)) for day in ("2025-02-02", "2025-02-03", "2025-03-05")
    }

    assert followed == {"2025-02-02": True, "2025-02-03": False, "2025-03-05": True}


def test_an_end_of_follow_up_that_was_withdrawn_or_only_came_by_a_correction_is_seen():
    began = an_entry(happening("care-began", "2024-01-01"), 1)
    wrong = an_entry(happening("follow-up-ended", "2025-02-03", reason="death"), 2)
    history = a_history(began, wrong)
    other = an_entry(happening("examination", "2025-02-03", access="A1", thrill="continuous"), 2)

    assert not is_followed(history, date(2025, 3, 1))
    assert is_followed(retracted(history, wrong.id), date(2025, 3, 1))
    told_otherwise = corrected(
        a_history(began, other), other.id, happening("follow-up-ended", "2025-02-03", reason="lost-to-follow-up")
    )
    assert not is_followed(told_otherwise, date(2025, 3, 1))
