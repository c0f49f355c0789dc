"""The fifteen lines of rounds: each found on its day, not the day before, and not once somebody has acted."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import pytest

from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.events import Event
from ledger.projections.brief import WaitingReport
from ledger.rounds.lines import ANSWERS, HEADINGS, ORDER, Line, decided_of, lines_of
from ledger.rounds.rules import Rules, load_rules
from ledger.vocabulary import DecisionWhat, ReminderLine
from tests.examples import m
from tests.lives import PATIENT, a_history, grown, happening


def began(day: str = "2025-01-06") -> Event:
    return happening("care-began", day, unit="U1", modality="in-centre-haemodialysis")


def fistula(day: str = "2025-02-03", **said: Any) -> Event:
    fields = {"access_kind": "fistula", "side": "left", "site": "upper-arm", **said}
    return happening("creation", day, access="A1", **fields)


def line(day: str = "2025-01-06", **said: Any) -> Event:
    fields = {"access_kind": "tunnelled-catheter", "vein": "internal-jugular", "side": "right", **said}
    return happening("catheter-placed", day, access="C1", **fields)


def used(day: str, use: str = "two-needles", access: str = "A1") -> Event:
    return happening("access-used", day, access=access, use=use)


def looked(day: str, access: str = "A1", **said: Any) -> Event:
    return happening("examination", day, access=access, **({"thrill": "continuous"} | said if access == "A1" else said))


def plan(day: str, **said: Any) -> Event:
    return happening("life-plan-reviewed", day, **said)


def decision(day: str, what: str, **said: Any) -> Event:
    return happening("decision", day, what=what, **said)


IN_USE = (began(), fistula(), used("2025-06"), plan("2026-01-05"), looked("2026-02-20"))
"""A proven fistula, looked at, with a plan: nothing to bring up in the first days of March 2026."""


def brought_up(
    history: History,
    today: str,
    *,
    rules: Rules | None = None,
    waiting: Sequence[WaitingReport] = (),
    doubts: Sequence[Doubt] = (),
) -> list[Line]:
    return list(lines_of(history, PATIENT, date.fromisoformat(today), rules, waiting, doubts=doubts))


def of(lines: Sequence[Line], which: ReminderLine) -> list[Line]:
    return [one for one in lines if one.line is which]


def finds(which: ReminderLine, history: History, today: str, **more: Any) -> bool:
    return bool(of(brought_up(history, today, **more), which))


def test_a_life_in_which_nothing_is_missing_brings_up_nothing() -> None:
    assert brought_up(a_history(*IN_USE), "2026-03-01") == []


NO_FLOW = ReminderLine.NO_FLOW


@pytest.mark.parametrize(
    "found",
    [
        looked("2026-03-02", thrill="absent"),
        looked("2026-03-02", hand=["weak"]),
        looked("2026-03-02", hand=["cold", "painful"]),
        looked("2026-03-02", skin=["ulcer"]),
        happening("thrombosis", "2026-03-02", access="A1", known_by="imaging"),
        happening("complication", "2026-03-02", access="A1", what="bleeding"),
    ],
)
def test_line_1_no_flow_a_hand_an_ulcer_or_a_bleed_until_an_act_is_recorded(found: Event) -> None:
    history = a_history(*IN_USE, found)

    first = brought_up(history, "2026-03-02")[0]
    assert first.line is NO_FLOW
    assert first.since == "2026-03-02"
    assert history.facts[-1].root in first.roots
    assert not finds(NO_FLOW, history, "2026-03-01")
    assert not finds(NO_FLOW, grown(history, happening("referral", "2026-03-02", access="A1")), "2026-03-03")


def test_line_1_one_cold_hand_alone_is_no_line() -> None:
    assert not finds(NO_FLOW, a_history(*IN_USE, looked("2026-03-02", hand=["cold"])), "2026-03-02")


def test_line_1_a_treatment_before_the_bleed_of_the_same_day_is_no_act() -> None:
    treated = happening("angioplasty", "2026-03-02T09:00", access="A1")
    bled = happening("complication", "2026-03-02T15:00", access="A1", what="bleeding")

    assert finds(NO_FLOW, a_history(*IN_USE, treated, bled), "2026-03-02")


CULTURE = ReminderLine.UNANSWERED_CULTURE
WITH_LINE = (began(), line(), plan("2026-01-05", next_access="fistula"), looked("2026-02-20", access="C1"))


@pytest.mark.parametrize(
    "found",
    [
        happening("culture", "2026-03-02", positive=True, specimen="catheter-hub", access="C1"),
        happening("culture", "2026-03-02", positive=True, specimen="dialysis-circuit"),
        looked("2026-03-02", access="C1", fever=True),
    ],
)
@pytest.mark.parametrize(
    "answer",
    [
        happening("infection", "2026-03-02", access="C1", infection_class="bloodstream"),
        happening("catheter-exchanged", "2026-03-03", access="C1", form="over-wire"),
        happening("catheter-removed", "2026-03-03", access="C1"),
        happening("culture", "2026-03-05", positive=False, clearance=True, access="C1"),
    ],
)
def test_line_2_a_positive_culture_or_fever_with_a_catheter_until_it_is_answered(found: Event, answer: Event) -> None:
    history = a_history(*WITH_LINE, found)

    assert finds(CULTURE, history, "2026-03-02")
    assert not finds(CULTURE, history, "2026-03-01")
    assert not finds(CULTURE, grown(history, answer), "2026-03-06")


def test_line_2_asks_nothing_without_a_catheter() -> None:
    assert not finds(CULTURE, a_history(*IN_USE, happening("culture", "2026-03-02", positive=True)), "2026-03-02")


def test_line_3_two_sides_of_an_access_in_use_and_doubts_about_it() -> None:
    other = happening("access-known", "2026-03-02", access="A1", access_kind="fistula", side="right")
    history = a_history(*IN_USE, used("2026-02-27"), other)
    doubt = Doubt(code="vein-disagrees", words="Two entries disagree about the vein of A1.", access="A1")

    assert finds(ReminderLine.CONFLICT, history, "2026-03-02")
    assert not finds(ReminderLine.CONFLICT, history, "2026-03-01")
    assert finds(ReminderLine.CONFLICT, a_history(*IN_USE), "2026-03-02", doubts=[doubt])
    odd_number = Doubt(code="implausible-number", words="…", access="A1")
    assert not finds(ReminderLine.CONFLICT, a_history(*IN_USE), "2026-03-02", doubts=[odd_number])


def test_line_4_a_report_that_waits_and_a_visit_without_one() -> None:
    waiting = [WaitingReport(report="r-1", happened=PartialDate("2026-03-02"), received="2026-03-03")]
    attended = happening("appointment", "2026-03-02", state="attended", access="A1", on="2026-03-02")
    seen = a_history(*IN_USE, attended)

    assert finds(ReminderLine.REPORT_MISSING, a_history(*IN_USE), "2026-03-03", waiting=waiting)
    assert not finds(ReminderLine.REPORT_MISSING, a_history(*IN_USE), "2026-03-03")
    assert finds(ReminderLine.REPORT_MISSING, seen, "2026-03-03")
    report = happening("visit", "2026-03-02", access="A1", visit="V1", outcome="done")
    assert not finds(ReminderLine.REPORT_MISSING, grown(seen, report), "2026-03-03")


def test_line_4_tells_a_report_that_is_in_once_and_not_also_that_none_is() -> None:
    attended = happening("appointment", "2026-03-02", state="attended", access="A1", on="2026-03-02")
    seen = a_history(*IN_USE, attended)
    of_that_day = WaitingReport(report="r-1", happened=PartialDate("2026-03-02"), received="2026-03-03")
    of_no_day = WaitingReport(report="r-2", received="2026-03-03")
    of_another = WaitingReport(report="r-3", happened=PartialDate("2026-02-01"), received="2026-03-03")

    for report, told in ((of_that_day, 1), (of_no_day, 1), (of_another, 2)):
        assert len(of(brought_up(seen, "2026-03-03", waiting=[report]), ReminderLine.REPORT_MISSING)) == told


def test_line_5_sutures_on_their_day_and_after_it_until_they_are_out() -> None:
    told = happening("instruction", "2026-03-02", access="A1", what="sutures", sutures=2, due="2026-03-04")
    out = happening("instruction", "2026-03-05", access="A1", what="sutures", sutures=0)
    history = a_history(*IN_USE, told)

    assert not finds(ReminderLine.INSTRUCTION_DUE, history, "2026-03-03")
    assert "due today" in of(brought_up(history, "2026-03-04"), ReminderLine.INSTRUCTION_DUE)[0].words
    assert "past due" in of(brought_up(history, "2026-03-05"), ReminderLine.INSTRUCTION_DUE)[0].words
    assert not finds(ReminderLine.INSTRUCTION_DUE, grown(history, out), "2026-03-05")


def test_line_5_asks_three_months_for_sutures_of_which_nobody_wrote_that_they_are_out() -> None:
    told = happening("instruction", "2026-01-05", access="A1", what="sutures", sutures=1, due="2026-01-31")
    history = a_history(*IN_USE, told)

    assert not finds(ReminderLine.INSTRUCTION_DUE, history, "2026-01-30")
    assert finds(ReminderLine.INSTRUCTION_DUE, history, "2026-01-31")
    assert finds(ReminderLine.INSTRUCTION_DUE, history, "2026-04-29")
    assert not finds(ReminderLine.INSTRUCTION_DUE, history, "2026-04-30")  # a month without a 31st


def test_line_5_an_instruction_that_ends_today() -> None:
    told = happening("instruction", "2026-03-02", access="A1", what="not-to-be-needled", until="2026-03-06")
    history = a_history(*IN_USE, told)

    found = {
        day: finds(ReminderLine.INSTRUCTION_DUE, history, day) for day in ("2026-03-05", "2026-03-06", "2026-03-07")
    }
    assert found == {"2026-03-05": False, "2026-03-06": True, "2026-03-07": False}


@pytest.mark.parametrize(
    "came",
    [
        happening("hospital-stay", "2026-02-25", until="2026-03-02"),
        happening("first-seen-here", "2026-03-02", accesses_found=["A1"]),
        happening("appointment", "2026-03-02", state="not-attended", access="A1", on="2026-03-02"),
    ],
)
def test_line_6_back_from_hospital_from_elsewhere_or_not_attended_until_looked_at(came: Event) -> None:
    history = a_history(*IN_USE, came)

    assert finds(ReminderLine.NOT_LOOKED_AT, history, "2026-03-02")
    assert not finds(ReminderLine.NOT_LOOKED_AT, history, "2026-03-01")
    assert not finds(ReminderLine.NOT_LOOKED_AT, grown(history, looked("2026-03-03")), "2026-03-03")


def booked(state: str, known: str, on: str) -> Event:
    return happening("appointment", known, state=state, access="A1", on=on)


@pytest.mark.parametrize(
    ("more", "today", "says"),
    [
        ((), "2026-03-02", None),  # the day on which it was asked
        ((), "2026-03-03", None),  # for within days: two of them
        ((), "2026-03-04", "2 days ago: not booked"),
        ((booked("booked", "2026-03-03", "2026-03-09"),), "2026-03-09", None),
        ((booked("booked", "2026-03-03", "2026-03-09"),), "2026-03-10", "no word of what became of it"),
        ((booked("cancelled", "2026-03-04", "2026-03-09"),), "2026-03-05", "cancelled"),
        ((booked("not-attended", "2026-03-09", "2026-03-09"),), "2026-03-10", "not booked again"),
        (
            (happening("visit", "2026-03-09", access="A1", visit="V1", outcome="given-up"),),
            "2026-03-10",
            "what was asked for was not done",
        ),
        ((happening("visit", "2026-03-09", access="A1", visit="V1", outcome="done"),), "2026-03-10", None),
        ((happening("angioplasty", "2026-03-09", access="A1"),), "2026-03-10", None),
    ],
)
def test_line_7_referred_and_not_booked_not_seen_or_not_done(
    more: tuple[Event, ...], today: str, says: str | None
) -> None:
    asked = happening("referral", "2026-03-02", access="A1", why=["low-flow"], urgency="within-days")
    found = of(brought_up(a_history(*IN_USE, asked, *more), today), ReminderLine.REFERRAL_OPEN)

    assert [says in one.words for one in found if says] == ([True] if says else [])
    assert bool(found) is bool(says)


@pytest.mark.parametrize(
    ("urgency", "not_yet", "due"),
    [
        ("today", "2026-03-02", "2026-03-03"),
        ("within-days", "2026-03-03", "2026-03-04"),
        (None, "2026-03-03", "2026-03-04"),
        ("within-weeks", "2026-03-08", "2026-03-09"),
        ("planned", "2026-03-15", "2026-03-16"),
    ],
)
def test_line_7_asks_for_a_booking_by_how_urgent_it_was(urgency: str | None, not_yet: str, due: str) -> None:
    """The days are common practice, no source; a site edits them."""
    asked = happening("referral", "2026-03-02", access="A1", why=["low-flow"], urgency=urgency)
    history = a_history(*IN_USE, asked)

    assert not finds(ReminderLine.REFERRAL_OPEN, history, not_yet)
    assert finds(ReminderLine.REFERRAL_OPEN, history, due)


def test_line_7_goes_on_asking_for_an_access_that_was_given_up_and_lies_in_the_body() -> None:
    given_up = happening("abandonment", "2026-02-09", access="A1", how="given-up")
    removed = happening("abandonment", "2026-02-09", access="A1", how="excision")
    asked = happening("referral", "2026-03-02", access="A1", why=["infection"], urgency="today")

    assert finds(ReminderLine.REFERRAL_OPEN, a_history(*IN_USE, given_up, asked), "2026-03-03")
    assert not finds(ReminderLine.REFERRAL_OPEN, a_history(*IN_USE, removed, asked), "2026-03-03")


def flows(*values: str) -> tuple[Event, ...]:
    days = ("2026-03-02", "2026-03-09", "2026-03-16")
    return tuple(
        happening("measurement", day, access="A1", flow_ml_min=m(value))
        for day, value in zip(days, values, strict=False)
    )


def test_line_8_a_rule_met_as_often_in_a_row_as_it_asks_until_a_referral_or_a_decision() -> None:
    history = a_history(*IN_USE, *flows("390", "380"))

    found = of(brought_up(history, "2026-03-09"), ReminderLine.RULE_MET)
    assert [one.rule for one in found] == ["fistula-flow-2006 (2006)"]
    assert found[0].roots == tuple(one.root for one in history.facts[-2:])
    assert not finds(ReminderLine.RULE_MET, history, "2026-03-08")
    referred = grown(history, happening("referral", "2026-03-10", access="A1"))
    assert not finds(ReminderLine.RULE_MET, referred, "2026-03-10")
    decided = grown(history, decision("2026-03-10", "no-further-intervention", access="A1", review_on="2026-06-10"))
    assert not finds(ReminderLine.RULE_MET, decided, "2026-06-10")
    assert finds(ReminderLine.RULE_MET, decided, "2026-06-11")
    assert not finds(ReminderLine.RULE_MET, a_history(*IN_USE, *flows("390", "450")), "2026-03-16")
    asked_before = happening("referral", "2026-03-01", access="A1", why=["difficult-needling"])
    assert not finds(ReminderLine.RULE_MET, a_history(*IN_USE, asked_before, *flows("390", "380")), "2026-03-09")


def ballooned(day: str) -> Event:
    return happening("angioplasty", day, access="A1", lesions=[{"lesion": "L1", "place": "cephalic-arch"}])


def test_line_9_the_same_lesion_while_its_intervals_shrink() -> None:
    shrinking = a_history(*IN_USE, *map(ballooned, ("2025-07-01", "2025-11-01", "2026-02-01")))  # 123 and 92 days

    assert "123, 92 days" in of(brought_up(shrinking, "2026-03-01"), ReminderLine.LESION_AGAIN)[0].words
    assert not finds(ReminderLine.LESION_AGAIN, shrinking, "2026-01-31")
    assert finds(ReminderLine.LESION_AGAIN, shrinking, "2026-05-04")  # day 92
    assert not finds(ReminderLine.LESION_AGAIN, shrinking, "2026-05-05")  # this interval has outgrown the last one
    assert not finds(ReminderLine.LESION_AGAIN, grown(shrinking, plan("2026-02-10")), "2026-03-01")
    growing = a_history(*IN_USE, *map(ballooned, ("2025-08-01", "2025-10-01", "2026-02-01")))
    assert not finds(ReminderLine.LESION_AGAIN, growing, "2026-03-01")


def test_line_9_more_than_twice_in_three_months_also_where_the_intervals_do_not_shrink() -> None:
    three = a_history(*IN_USE, *map(ballooned, ("2026-01-10", "2026-02-10", "2026-03-20")))

    found = of(brought_up(three, "2026-04-10"), ReminderLine.LESION_AGAIN)
    assert [one.rule for one in found] == ["same-lesion-2006 (2006)"]
    assert not finds(ReminderLine.LESION_AGAIN, three, "2026-04-11")


def test_line_10_an_infiltrated_access_is_due_to_be_tried_when_its_rest_is_over() -> None:
    hurt = happening("complication", "2026-03-02", access="A1", what="infiltration")
    rest = happening("instruction", "2026-03-02", access="A1", what="rest", until="2026-03-16")
    history = a_history(*IN_USE, hurt, rest)

    assert not finds(ReminderLine.RESTING_DUE, history, "2026-03-15")
    assert finds(ReminderLine.RESTING_DUE, history, "2026-03-16")
    assert finds(ReminderLine.RESTING_DUE, history, "2026-03-20")
    assert not finds(ReminderLine.RESTING_DUE, grown(history, used("2026-03-17")), "2026-03-20")
    no_day = of(brought_up(a_history(*IN_USE, hurt), "2026-03-03"), ReminderLine.RESTING_DUE)
    assert "until when it rests is not recorded" in no_day[0].words


NEW = ReminderLine.NEW_ACCESS_DUE


def test_line_11_the_first_check_the_maturity_check_and_an_access_that_is_stalled() -> None:
    made = a_history(began(), plan("2026-01-05"), fistula("2026-01-31"))

    def says(history: History, today: str) -> str:
        found = of(brought_up(history, today), NEW)
        return found[0].words.split(",")[0] if found else ""

    assert says(made, "2026-02-13") == ""  # day 13
    assert says(made, "2026-02-14") == "first check due by day 14"
    checked = grown(made, looked("2026-02-10"))
    assert says(checked, "2026-02-27") == ""  # day 27
    assert says(checked, "2026-02-28") == "maturity check due between days 28 to 42"
    judged = grown(checked, happening("maturity-assessed", "2026-03-05", access="A1", verdict="not-ready"))
    assert says(judged, "2026-03-30") == ""
    assert says(judged, "2026-03-31") == "stalled: not needled"  # two calendar months
    assert says(grown(judged, happening("first-cannulation", "2026-03-30", access="A1")), "2026-03-31") == ""
    assert says(grown(judged, happening("referral", "2026-03-20", access="A1")), "2026-03-31") == ""


def test_line_11_a_second_stage_that_nobody_planned() -> None:
    first = a_history(began(), plan("2026-01-05"), fistula("2026-01-31", stage="first"), looked("2026-02-05"))

    assert not finds(NEW, first, "2026-02-27")
    assert "second stage neither done nor planned" in of(brought_up(first, "2026-02-28"), NEW)[0].words
    planned = grown(first, happening("referral", "2026-02-20", access="A1", why=["second-stage"]))
    assert not finds(NEW, planned, "2026-02-28")
    intended = grown(first, happening("access-planned", "2026-02-20", access="A1", access_kind="fistula"))
    assert not finds(NEW, intended, "2026-02-28")
    done = grown(first, happening("second-stage", "2026-02-20", access="A1"))
    assert not finds(NEW, done, "2026-02-28")


BESIDE = ReminderLine.CATHETER_BESIDE_PROVEN
LONG = ReminderLine.CATHETER_LONG


def test_line_12_a_catheter_beside_a_proven_access_until_a_day_is_set_or_it_is_out() -> None:
    history = a_history(*IN_USE, line("2025-01-06"))

    found = of(brought_up(history, "2026-03-01"), BESIDE)
    assert "catheter still in beside a proven access" in found[0].words
    assert "419 days in the body" in found[0].words
    day = happening("appointment", "2026-03-01", state="booked", access="C1", on="2026-03-10")
    assert not finds(BESIDE, grown(history, day), "2026-03-10")
    assert finds(BESIDE, grown(history, day), "2026-03-11")
    assert not finds(BESIDE, grown(history, happening("catheter-removed", "2026-03-01", access="C1")), "2026-03-02")
    assert finds(BESIDE, grown(history, decision("2026-03-01", "remove-catheter", access="C1")), "2026-03-02")
    with_day = decision("2026-03-01", "remove-catheter", access="C1", review_on="2026-03-20")
    assert not finds(BESIDE, grown(history, with_day), "2026-03-20")
    assert finds(BESIDE, grown(history, with_day), "2026-03-21")


def test_line_13_a_catheter_past_the_limit_with_no_plan_and_no_decision() -> None:
    history = a_history(began(), line("2026-01-01"))

    assert not finds(LONG, history, "2026-03-31")
    first = of(brought_up(history, "2026-04-01"), LONG)[0]  # 3 calendar months, day 90
    assert first.rule == "long-catheter-months (no year)"
    assert first.words.startswith("90 days in the body")
    assert not finds(LONG, grown(history, fistula("2026-03-01")), "2026-04-01")
    assert not finds(LONG, grown(history, plan("2026-03-01", next_access="graft")), "2026-04-01")
    assert not finds(LONG, grown(history, happening("referral", "2026-03-01", access="C1")), "2026-04-01")


@pytest.mark.parametrize("what", ["chooses-catheter", "no-option-left", "declines-fistula", "limited-prognosis"])
def test_line_13_a_decision_takes_a_catheter_off_the_reminders_and_lists_it_apart_until_its_review(what: str) -> None:
    history = a_history(began(), line("2025-03-01"), decision("2025-06-01", what, review_on="2026-06-01"))

    before = decided_of(history, PATIENT, date(2026, 6, 1))
    assert not finds(LONG, history, "2026-06-01")
    assert [one.words.split(";")[0] for one in before] == ["457 days in the body"]
    assert before[0].decided
    assert finds(LONG, history, "2026-06-02")
    assert decided_of(history, PATIENT, date(2026, 6, 2)) == ()


def test_line_14_asks_three_months_for_the_end_of_a_course_that_was_planned_to_end() -> None:
    planned = happening("antimicrobial-course", "2025-11-03", reason="infection-elsewhere", planned_until="2025-11-30")
    history = a_history(*IN_USE, planned)

    assert not finds(ReminderLine.COURSE_OPEN, history, "2025-11-30")
    assert finds(ReminderLine.COURSE_OPEN, history, "2025-12-01")
    assert finds(ReminderLine.COURSE_OPEN, history, "2026-02-27")
    assert not finds(ReminderLine.COURSE_OPEN, history, "2026-02-28")


def test_line_14_a_course_without_an_end_and_one_without_a_clearance_culture() -> None:
    open_course = happening("antimicrobial-course", "2026-03-02", reason="bloodstream-infection", access="C1")
    drawn = happening("culture", "2026-03-02", positive=True, access="C1", specimen="catheter-hub")
    ended = happening(
        "antimicrobial-course", "2026-03-02", reason="bloodstream-infection", access="C1", until="2026-03-20"
    )
    history = a_history(*WITH_LINE, drawn, ended)
    course = ReminderLine.COURSE_OPEN

    assert finds(course, a_history(*WITH_LINE, open_course), "2026-03-02")
    assert not finds(course, history, "2026-03-20")
    assert finds(course, history, "2026-03-21")
    assert finds(course, history, "2026-06-19")
    assert not finds(course, history, "2026-06-20")  # three months after its end
    cleared = happening("culture", "2026-03-10", positive=False, clearance=True, access="C1")
    assert not finds(course, grown(history, cleared), "2026-03-21")


@pytest.mark.parametrize(("second", "is_found"), [("2026-03-16", True), ("2026-03-17", False)])
def test_line_14_lytic_twice_within_the_days_of_the_site_and_without_them_never(second: str, is_found: bool) -> None:
    dwells = [
        happening("catheter-trouble", day, access="C1", what="lytic-dwell", resolved=True)
        for day in ("2026-03-02", second)
    ]
    site = load_rules('[[rule]]\nid = "lytic-twice"\ndays = 14')
    history = a_history(*WITH_LINE, *dwells)

    assert finds(ReminderLine.COURSE_OPEN, history, second, rules=site) is is_found
    assert not finds(ReminderLine.COURSE_OPEN, history, second)


REVIEW = ReminderLine.REVIEW_DUE


def test_line_15_a_look_a_month_old_a_plan_a_year_old_and_a_decision_past_its_review() -> None:
    history = a_history(*IN_USE)  # looked at on 20 February, planned on 5 January 2026

    assert not finds(REVIEW, history, "2026-03-19")
    assert [one.rule for one in of(brought_up(history, "2026-03-20"), REVIEW)] == ["look-monthly-2006 (2006)"]
    later = grown(history, looked("2026-12-30"))
    assert not finds(REVIEW, later, "2027-01-04")
    assert [one.rule for one in of(brought_up(later, "2027-01-05"), REVIEW)] == ["life-plan-2019 (2019)"]
    decided = grown(history, decision("2026-02-25", "kept-in-reserve", access="A1", review_on="2026-03-05"))
    assert not finds(REVIEW, decided, "2026-03-05")
    assert "review of the decision" in of(brought_up(decided, "2026-03-06"), REVIEW)[0].words


def test_line_15_the_background_by_the_limit_of_the_site() -> None:
    asked = happening("background", "2026-02-01", items=[{"what": "no-known-allergy"}])
    site = load_rules('[[rule]]\nid = "background-age"\nmonths = 1')
    history = a_history(*IN_USE, asked)

    assert finds(REVIEW, history, "2026-03-01", rules=site)
    assert not finds(REVIEW, history, "2026-02-28", rules=site)
    assert not finds(REVIEW, history, "2026-03-01")


def test_line_15_near_dialysis_without_a_plan() -> None:
    waits = happening("care-began", "2026-03-02", unit="U1", modality="not-yet-on-dialysis")

    assert finds(REVIEW, a_history(waits), "2026-03-02")
    assert not finds(REVIEW, a_history(waits, plan("2026-03-02")), "2026-03-02")


# --- What holds for all of them -----------------------------------------------------------------------------------


def test_there_are_fifteen_lines_in_the_order_of_the_vocabulary() -> None:
    assert list(HEADINGS) == list(ReminderLine)
    assert len(ORDER) == 15


def test_lines_come_in_their_order() -> None:
    history = a_history(
        *IN_USE,
        line("2025-01-06"),
        looked("2026-03-02", thrill="absent"),
        happening("hospital-stay", "2026-02-25", until="2026-03-01"),
    )

    places = [ORDER[one.line] for one in brought_up(history, "2026-03-25")]

    assert places == sorted(places)
    assert len(set(places)) >= 3


def test_nobody_who_is_no_longer_followed_has_a_line() -> None:
    lost = a_history(*IN_USE, looked("2026-03-02", thrill="absent"))

    assert brought_up(grown(lost, happening("follow-up-ended", "2026-03-02", reason="death")), "2026-03-03") == []


def test_a_set_aside_puts_a_line_off_through_its_day_and_only_that_line_of_that_access() -> None:
    off = happening("set-aside", "2026-03-20", line="review-due", until="2026-03-25", access="A1")
    other = happening("set-aside", "2026-03-20", line="review-due", until="2026-03-25", access="C9")
    history = a_history(*IN_USE)

    assert not finds(REVIEW, grown(history, off), "2026-03-25")
    assert finds(REVIEW, grown(history, off), "2026-03-26")
    assert finds(REVIEW, grown(history, other), "2026-03-25")
    another = happening("set-aside", "2026-03-20", line="rule-met", until="2026-03-25")
    assert finds(REVIEW, grown(history, another), "2026-03-25")


def test_a_set_aside_about_an_entry_puts_off_what_rests_on_it_alone() -> None:
    history = a_history(*IN_USE)
    root = of(brought_up(history, "2026-03-20"), REVIEW)[0].roots[0]
    first = history.facts[0].root

    def off(about: str) -> Event:
        return happening("set-aside", "2026-03-20", line="review-due", until="2026-03-25", about=about)

    assert not finds(REVIEW, grown(history, off(root)), "2026-03-20")
    assert finds(REVIEW, grown(history, off(first)), "2026-03-20")


def test_a_set_aside_silences_no_danger_that_was_recorded_after_it() -> None:
    off = happening("set-aside", "2026-03-02", line="no-flow-or-urgent-finding", until="2026-03-31")
    clotted = a_history(*IN_USE, looked("2026-03-02", thrill="absent"), off)

    assert not finds(NO_FLOW, clotted, "2026-03-03")
    assert finds(NO_FLOW, grown(clotted, looked("2026-03-04", hand=["weak"])), "2026-03-04")


def test_no_decision_ends_a_line_about_danger_reports_or_promises() -> None:
    kept = {
        ReminderLine.NO_FLOW,
        ReminderLine.UNANSWERED_CULTURE,
        ReminderLine.CONFLICT,
        ReminderLine.REPORT_MISSING,
        ReminderLine.INSTRUCTION_DUE,
        ReminderLine.NOT_LOOKED_AT,
        ReminderLine.REFERRAL_OPEN,
        ReminderLine.COURSE_OPEN,
    }

    assert set(ANSWERS) == set(DecisionWhat)
    assert not kept & frozenset().union(*ANSWERS.values())


def test_rounds_of_a_day_in_the_past_know_nothing_of_what_happened_later() -> None:
    history = a_history(
        *IN_USE, looked("2026-03-02", thrill="absent"), happening("referral", "2026-03-04", access="A1")
    )

    assert finds(NO_FLOW, history, "2026-03-03")
    assert not finds(NO_FLOW, history, "2026-03-04")


@pytest.mark.parametrize(("kind", "said"), [("correction", "a correction of the day"), ("retraction", "a retraction")])
def test_what_was_corrected_or_withdrawn_brings_up_nothing(kind: str, said: str) -> None:
    history = a_history(*IN_USE, looked("2026-03-02", thrill="absent"))
    wrong = history.entries[-1]
    if kind == "retraction":
        after = grown(history, happening("retraction", "2026-03-03", retracts=wrong.id))
    else:
        to = {"kind": "examination", "happened": "2026-03-02", "access": "A1", "thrill": "continuous"}
        after = grown(history, happening("correction", "2026-03-02", corrects=wrong.id, root=wrong.id, to=to))

    assert finds(NO_FLOW, history, "2026-03-03")
    assert not finds(NO_FLOW, after, "2026-03-03"), said


def test_every_line_says_whom_it_is_about_and_the_entries_it_rests_on() -> None:
    history = a_history(*IN_USE, line("2025-01-06"), looked("2026-03-02", thrill="absent"), *flows("390", "380"))

    found = brought_up(history, "2026-03-25")

    roots = {one.root for one in history.facts}
    assert found
    for one in found:
        assert one.patient == PATIENT.id
        assert one.roots
        assert set(one.roots) <= roots
        assert not {"should", "must", "safe", "steal", "non-compliant"} & set(one.words.lower().split())
