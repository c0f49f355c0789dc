"""The way to the access centre and back: what was asked beside what was found, and the days between."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from ledger.chronology import History
from ledger.evidence import Evidence
from ledger.projections.folding import fold_of
from ledger.rounds.loop import Way, days_between, ways_of
from tests.examples import m, words
from tests.lives import a_history, an_entry, grown, happening

TODAY = date(2026, 4, 30)
MADE = happening("creation", "2025-01-06", access="A1", access_kind="fistula", side="left")
LOW = happening("measurement", "2026-03-02", access="A1", flow_ml_min=m("380"))


def ways(history: History, today: date = TODAY) -> tuple[Way, ...]:
    return ways_of(history, fold_of(history), today, words, arrived=lambda report: date(2026, 3, 18))


def asked(history: History, day: str = "2026-03-04") -> History:
    finding = history.entries[1].id
    return grown(
        history,
        happening("referral", day, access="A1", why=["low-flow"], urgency="within-days", findings=[finding]),
    )


def from_report(history: History, *events: object) -> History:
    """The same history with entries of a report, confirmed on 21 March 2026."""
    entries = list(history.entries)
    for event in events:
        entries.append(
            an_entry(
                event,  # type: ignore[arg-type]
                len(entries) + 1,
                recorded_at="2026-03-21T09:00:00.000000Z",
                evidence=Evidence(report="r-example0000000000000001"),
            )
        )
    return replace(history, entries=tuple(entries))


VISIT = happening("visit", "2026-03-13", access="A1", visit="V1", outcome="done")
FOUND = happening(
    "angiogram",
    "2026-03-13",
    access="A1",
    visit="V1",
    lesions=[{"lesion": "L1", "place": "cephalic-arch", "stenosis_percent": m("80")}],
)


def test_a_report_that_answers_closes_the_loop_by_itself_with_its_days() -> None:
    (way,) = ways(from_report(asked(a_history(MADE, LOW)), VISIT, FOUND))

    assert way.standing == "answered"
    assert not way.is_open
    assert way.asked == "low flow, within days"
    assert any("80 %" in sentence and "cephalic arch" in sentence for sentence in way.found)
    assert (way.days_from_finding, way.days_to_visit) == (2, 9)
    assert (way.days_to_report, way.days_to_confirmation) == (5, 8)


def test_a_visit_before_the_referral_answers_nothing() -> None:
    before = happening("visit", "2026-03-03", access="A1", visit="V0", outcome="done")

    (way,) = ways(asked(a_history(MADE, LOW, before)))

    assert way.standing == "not-booked"
    assert way.days_to_visit is None


def test_a_visit_on_another_access_answers_nothing_unless_it_names_the_referral() -> None:
    other = happening("creation", "2024-01-06", access="A2", access_kind="graft", side="right")
    history = asked(a_history(MADE, LOW, other))
    elsewhere = happening("visit", "2026-03-13", access="A2", visit="V2", outcome="done")
    named = happening("visit", "2026-03-13", access="A2", visit="V2", outcome="done", referral=history.entries[-1].id)

    assert ways(grown(history, elsewhere))[0].standing == "not-booked"
    assert ways(grown(history, named))[0].standing == "answered"


def test_a_visit_that_was_given_up_is_no_answer_and_a_later_one_that_was_done_is() -> None:
    given_up = happening("visit", "2026-03-13", access="A1", visit="V1", outcome="given-up")
    done = happening("visit", "2026-03-20", access="A1", visit="V2", outcome="done")
    history = grown(asked(a_history(MADE, LOW)), given_up)

    assert ways(history)[0].standing == "not-done"
    assert ways(grown(history, done))[0].answered_on == "2026-03-20"


def test_days_to_a_day_that_nobody_said_are_not_counted() -> None:
    in_march = happening("visit", "2026-03", access="A1", visit="V1", outcome="done")
    history = asked(a_history(MADE, LOW), "2026-02-28")

    (way,) = ways(grown(history, in_march))

    assert way.standing == "answered"
    assert way.days_to_visit is None


def test_days_are_days_of_the_unit_across_the_change_of_the_clocks() -> None:
    history = grown(
        a_history(MADE, LOW),
        happening("referral", "2026-03-28T23:30:00Z", access="A1"),
        happening("visit", "2026-03-30T00:15:00+02:00", access="A1", visit="V1", outcome="done"),
    )

    # Half past midnight of the 29th in the unit, on which the clocks went forward.
    assert ways(history)[0].days_to_visit == 1


def test_days_over_several_referrals_have_a_median_and_say_what_is_not_known() -> None:
    def way(asked: str, visited: str | None) -> tuple[Any, ...]:
        events = [happening("referral", asked, access="A1", why=["low-flow"])]
        if visited is not None:
            events.append(happening("visit", visited, access="A1", visit=f"V{visited}", outcome="done"))
        return tuple(events)

    history = a_history(
        *way("2025-01-06", "2025-01-08"), *way("2025-02-03", "2025-02-13"), *way("2025-03", "2025-03-20"),
        *way("2025-04-07", None),
    )  # fmt: skip
    several = ways_of(history, fold_of(history), date(2025, 5, 1), words)

    (found,) = [one for one in days_between(several) if one.name == "referral to visit"]

    assert (found.counted, found.not_known) == (2, 1)
    assert (found.least, found.median, found.most) == (2, 6.0, 10)
    assert [one.median for one in days_between(())] == [None] * 4
