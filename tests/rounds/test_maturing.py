"""The rules of maturity side by side, at their limits."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from ledger.rounds.maturing import MaturityBy, maturity_by
from ledger.rounds.rules import load_rules
from tests.examples import m
from tests.lives import a_history, happening

MADE = happening("creation", "2025-01-06", access="A1", access_kind="fistula", side="left")


def by(*events: Any) -> dict[str, MaturityBy]:
    return {one.rule.by: one for one in maturity_by(a_history(MADE, *events), "A1", load_rules())}


def assessed(flow: str = "601", diameter: str = "6", depth: str = "6") -> Any:
    return happening(
        "maturity-assessed",
        "2025-02-17",
        access="A1",
        flow_ml_min=m(flow),
        diameter_mm=m(diameter),
        depth_mm=m(depth),
    )


def sessions(good: int, of: int, blood_flow: str = "300") -> list[Any]:
    start = date(2025, 3, 3)
    return [
        happening(
            "cannulation-session",
            str(start + timedelta(days=step * 7 // 3)),
            access="A1",
            use="two-needles" if step < good else "one-needle-and-line",
            blood_flow_ml_min=m(blood_flow if step < good else "200"),
        )
        for step in range(of)
    ]


@pytest.mark.parametrize(
    ("said", "is_met"),
    [
        ({}, True),
        ({"flow": "600"}, False),  # above 600
        ({"diameter": "5.9"}, False),
        ({"depth": "6.1"}, False),
    ],
)
def test_the_rule_of_sixes_at_its_limits(said: dict[str, str], is_met: bool) -> None:
    assert (by(assessed(**said))["sixes"].on == date(2025, 2, 17)) is is_met


@pytest.mark.parametrize(("good", "flow", "is_met"), [(7, "300", False), (8, "299", False), (8, "300", True)])
def test_eight_of_twelve_at_300(good: int, flow: str, is_met: bool) -> None:
    assert (by(*sessions(good, 12, flow))["eight-of-twelve"].on is not None) is is_met


def test_the_rules_stand_beside_each_other_and_say_whether_they_were_met_with_help() -> None:
    helped = happening("angioplasty", "2025-02-01", access="A1")

    found = by(helped, assessed(), *sessions(8, 12))

    assert list(found) == ["sixes", "two-thirds", "three-quarters", "eight-of-twelve", "three-sessions"]
    assert found["sixes"].words() == "maturity-sixes-2006 (2006): met on 17 February 2025, aided"
    assert found["two-thirds"].words() == "maturity-two-thirds-2019 (2019): not met by what is recorded"
    assert not by(assessed())["sixes"].aided


def test_an_access_whose_creation_nobody_recorded_has_no_answer() -> None:
    met = a_history(happening("access-known", "2025-01-06", access="A1", access_kind="fistula"))

    assert maturity_by(met, "A1", load_rules()) == ()


@pytest.mark.parametrize(("good", "is_met"), [(8, False), (9, True)])  # of 12: exactly two thirds, and more
def test_two_thirds_of_the_sessions_of_four_weeks_is_more_than_two_thirds(good: int, is_met: bool) -> None:
    assert (by(*sessions(good, 12))["two-thirds"].on is not None) is is_met


@pytest.mark.parametrize(
    ("good", "flow", "is_met"),
    [(8, "300", False), (9, "299", False), (9, "300", True)],  # exactly three quarters
)
def test_three_quarters_at_300_is_met_at_both_limits(good: int, flow: str, is_met: bool) -> None:
    assert (by(*sessions(good, 12, flow))["three-quarters"].on is not None) is is_met


@pytest.mark.parametrize(("made", "is_met"), [("2024-09-28", True), ("2024-09-27", False)])
def test_three_quarters_has_to_be_met_within_six_calendar_months_of_creation(made: str, is_met: bool) -> None:
    told = sessions(12, 12)  # the last of them on 28 March 2025
    assert told[-1].happened == "2025-03-28"
    history = a_history(happening("creation", made, access="A1", access_kind="fistula", side="left"), *told)

    found = {one.rule.by: one for one in maturity_by(history, "A1", load_rules())}

    assert (found["three-quarters"].on is not None) is is_met


def needled(*gauges: int) -> list[Any]:
    return [
        happening("cannulation-session", f"2025-03-0{3 + 2 * nth}", access="A1", use="two-needles", gauge=gauge)
        for nth, gauge in enumerate(gauges)
    ]


@pytest.mark.parametrize(
    ("gauges", "is_met"),
    [((15, 16), False), ((15, 16, 15), True), ((15, 17, 16), False), ((17, 16, 15), False), ((14, 15, 16), False)],
)
def test_three_sessions_in_a_row_with_15_or_16_gauge(gauges: tuple[int, ...], is_met: bool) -> None:
    assert (by(*needled(*gauges))["three-sessions"].on is not None) is is_met


@pytest.mark.parametrize(("out", "is_met"), [("2025-03-07", True), ("2025-03-08", False)])
def test_three_sessions_count_once_the_catheter_is_out(out: str, is_met: bool) -> None:
    line = [
        happening("catheter-placed", "2025-01-06", access="C1", access_kind="tunnelled-catheter"),
        happening("catheter-removed", out, access="C1"),
    ]

    assert (by(*line, *needled(15, 15, 15))["three-sessions"].on is not None) is is_met
