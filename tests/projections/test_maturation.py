"""A new access on its way, told step by step, and the catheter that waits for it. All of it is invented."""

from __future__ import annotations

from datetime import date

import pytest

from ledger.events import Event
from ledger.projections.maturation import Check, Maturation, maturation_of
from ledger.rounds.rules import load_rules
from tests.examples import m
from tests.lives import a_history, happening

LINE = happening(
    "catheter-placed",
    "2025-11-03",
    access="C1",
    access_kind="tunnelled-catheter",
    vein="internal-jugular",
    side="right",
)
MADE = happening("creation", "2026-01-05", access="A1", access_kind="fistula", side="left", site="upper-arm")
LOOKED = happening("examination", "2026-01-15", access="A1", thrill="continuous")
READY = happening("maturity-assessed", "2026-02-09", access="A1", verdict="ready")
NEEDLED = happening("first-cannulation", "2026-02-16", access="A1", needles=1, gauge=17)


def on(day: str, *events: Event, access: str | None = None) -> Maturation:
    return maturation_of(a_history(*events), date.fromisoformat(day), load_rules(), access=access)


def checks(day: str, *events: Event) -> dict[str, Check]:
    return {one.rule.split(" ")[0]: one for one in on(day, MADE, *events).accesses[0].checks}


@pytest.mark.parametrize(
    ("day", "first", "maturity"),
    [
        ("2026-01-18", "to-come", "to-come"),  # day 13
        ("2026-01-19", "due", "to-come"),  # day 14
        ("2026-02-01", "due", "to-come"),  # day 27
        ("2026-02-02", "due", "due"),  # day 28
        ("2026-02-16", "due", "due"),  # day 42
        ("2026-02-17", "due", "over"),  # day 43
    ],
)
def test_checks_are_due_on_the_days_of_their_limits(day: str, first: str, maturity: str) -> None:
    found = checks(day)

    assert (found["first-check-2019"].state, found["maturity-check"].state) == (first, maturity)


def test_a_look_answers_the_first_check_and_only_a_judgement_that_of_maturity() -> None:
    found = checks("2026-02-20", LOOKED, READY)

    assert (found["first-check-2019"].done, found["maturity-check"].done) == ("2026-01-15", "2026-02-09")
    assert checks("2026-02-20", LOOKED)["maturity-check"].state == "over"


def test_without_a_day_of_creation_nobody_says_when_a_check_is_due() -> None:
    known = happening("access-known", "2026-01-05", access="A1", access_kind="fistula", side="left")
    found = on("2026-02-20", known).accesses[0]

    assert {one.state for one in found.checks} == {"not-known"}
    assert "the day of creation is not recorded" in found.checks[0].words()
    assert found.rules == ()


def test_the_way_is_told_in_order_with_who_said_so() -> None:
    found = on("2026-03-02", LINE, MADE, LOOKED, READY, NEEDLED).accesses[0]

    assert [step.what for step in found.steps] == ["made", "check", "judged", "needled"]
    assert all("recorded by" in step.by for step in found.steps)
    assert "first needled on 16 February 2026, by the word of the judgement of 9 February 2026" in found.first_needle


def test_the_first_needle_goes_by_the_reports_word_where_there_is_one_and_says_when_nobodys_is_recorded() -> None:
    word = happening("instruction", "2026-02-10", access="A1", what="may-be-used", from_day="2026-02-16")

    assert (
        "by the word of an instruction of 10 February 2026"
        in on("2026-03-02", MADE, word, NEEDLED).accesses[0].first_needle
    )
    later = happening("instruction", "2026-02-20", access="A1", what="may-be-used", from_day="2026-02-21")
    assert on("2026-03-02", MADE, NEEDLED, later).accesses[0].first_needle.endswith("by whose word is not recorded")
    assert on("2026-03-02", MADE, NEEDLED).accesses[0].first_needle.endswith("by whose word is not recorded")
    assert on("2026-01-20", MADE).accesses[0].first_needle.startswith("not needled yet")


def test_help_before_the_first_needle_is_told_and_after_it_is_not() -> None:
    def balloon(day: str) -> Event:
        return happening("angioplasty", day, access="A1", lesions=[{"lesion": "L1", "place": "juxta-anastomotic"}])

    assert on("2026-03-02", MADE, balloon("2026-02-02")).accesses[0].aided == ("angioplasty on 2 February 2026",)
    assert on("2026-03-02", MADE, NEEDLED, balloon("2026-02-27")).accesses[0].aided == ()


def test_every_rule_of_maturity_stands_beside_the_others() -> None:
    measured = happening(
        "maturity-assessed", "2026-02-16", access="A1", flow_ml_min=m("700"), diameter_mm=m("6"), depth_mm=m("5")
    )
    found = on("2026-03-02", MADE, measured).accesses[0]

    assert {rule.rule.by for rule in found.rules} == {
        "sixes",
        "two-thirds",
        "three-quarters",
        "eight-of-twelve",
        "three-sessions",
    }
    assert [rule.rule.by for rule in found.rules if rule.on is not None] == ["sixes"]


def test_it_stands_still_two_calendar_months_after_it_was_made_or_after_the_second_stage() -> None:
    staged = happening("creation", "2025-12-31", access="A1", access_kind="fistula", stage="first")
    second = happening("second-stage", "2026-01-15", access="A1", form="transposition")

    assert on("2026-02-27", staged).accesses[0].stalled == ""
    assert "59 days since it was made" in on("2026-02-28", staged).accesses[0].stalled
    assert on("2026-03-14", staged, second).accesses[0].stalled == ""
    assert "since the second stage" in on("2026-03-15", staged, second).accesses[0].stalled
    assert "neither done nor planned" in on("2026-02-28", staged).accesses[0].stage
    assert "second stage done on 15 January 2026" in on("2026-03-14", staged, second).accesses[0].stage


def test_a_proven_access_is_left_out_unless_it_is_asked_for() -> None:
    used = happening("access-used", "2026-03", access="A1", use="two-needles")
    history = a_history(MADE, used)

    assert on("2026-04-20", MADE, used).accesses == ()
    (found,) = maturation_of(history, date(2026, 4, 20), proven=True).accesses
    assert found.is_proven
    assert found.steps[-1].what == "proven"


def test_the_catheter_that_waits_counts_this_one_the_access_and_all() -> None:
    before = [
        happening("catheter-placed", "2025-09-01", access="C0", access_kind="nontunnelled-catheter"),
        happening("catheter-removed", "2025-09-11", access="C0"),
    ]
    exchanged = happening("catheter-exchanged", "2026-01-02", access="C1", form="over-wire-same-tunnel")
    (line,) = on("2026-02-01", *before, LINE, exchanged, MADE).catheters

    assert (line.days_of_device, line.days_in_body, line.days_in_all) == (30, 90, 100)
    assert not line.at_least
    assert line.removal == "who is to take it out, and when, is not recorded"


def test_a_stay_of_which_no_day_is_known_makes_the_days_in_all_at_least_so_many() -> None:
    before = [
        happening("catheter-placed", "2024", access="C0", access_kind="tunnelled-catheter"),
        happening("catheter-removed", "2025", access="C0"),
    ]
    (line,) = on("2026-02-01", *before, LINE).catheters

    assert line.at_least
    assert "at least 90 days with a catheter in all" in line.words()


@pytest.mark.parametrize(
    ("told", "says"),
    [
        (
            happening("decision", "2026-01-20", what="remove-catheter", access="C1", review_on="2026-02-10"),
            "to be taken out, decided on 20 January 2026, by 10 February 2026",
        ),
        (
            happening("appointment", "2026-01-20", state="booked", access="C1", on="2026-02-12"),
            "booked for 12 February 2026",
        ),
        (
            happening("appointment", "2026-01-20", state="booked", access="C1", on="2026-01-28"),
            "removal was booked for 28 January 2026, and it is in",
        ),
        (
            happening("referral", "2026-01-20", access="C1", why=["catheter-removal"]),
            "referred on 20 January 2026",
        ),
    ],
)
def test_who_was_to_take_it_out_and_when(told: Event, says: str) -> None:
    (line,) = on("2026-02-01", LINE, told).catheters

    assert line.removal.startswith(says)


def test_a_day_in_the_past_shows_what_was_known_of_it_then() -> None:
    found = on("2026-01-10", LINE, MADE, LOOKED, READY, NEEDLED).accesses[0]

    assert [step.what for step in found.steps] == ["made"]
    assert found.days_since_made == 5


def test_what_is_known_to_the_month_counts_in_that_month_as_on_rounds() -> None:
    needled = happening("first-cannulation", "2026-02", access="A1", needles=1, gauge=17)
    found = on("2026-02-20", MADE, needled).accesses[0]

    assert [step.what for step in found.steps] == ["made", "needled"]
    assert found.first_needle.startswith("first needled in February 2026")
