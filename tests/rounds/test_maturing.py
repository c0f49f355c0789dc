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
