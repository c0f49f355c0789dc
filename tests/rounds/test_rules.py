"""Rules as data, and every limit just below, at and just above: in numbers and in time.

Numbers are those of the rules' sources as `rules.toml` names them (read on 2026-11-24, or from memory and marked so).
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from ledger.chronology import History
from ledger.errors import WrongInput
from ledger.measured import measured
from ledger.projections.folding import fold_of
from ledger.rounds.lines import long_by
from ledger.rounds.rules import Rules, due_on, events_by, is_due, load_rules, meets
from ledger.rounds.trends import RuleMet, rules_met, series_of
from tests.examples import m
from tests.lives import ZONE, a_history, happening

ALL_ON = "\n".join(f'[[rule]]\nid = "{one.id}"\non = true' for one in load_rules().rules.values())


def readings(kind: str, *rows: dict[str, Any], fact: str = "measurement") -> History:
    """An access of this kind with one reading a month, from January 2026."""
    central = kind.endswith("catheter")
    opened = happening(
        "catheter-placed" if central else "creation", "2025-01-06", access="A1", access_kind=kind, side="left"
    )
    days = [f"2026-{month:02}-03" for month in range(1, len(rows) + 1)]
    return a_history(opened, *(happening(fact, day, access="A1", **row) for day, row in zip(days, rows, strict=True)))


def met(history: History, rules: Rules | None = None) -> dict[str, RuleMet]:
    folded = fold_of(history).accesses["A1"]
    return {one.rule.id: one for one in rules_met(series_of(folded, ZONE), rules or load_rules(ALL_ON), ZONE)}


def flow(value: str) -> dict[str, Any]:
    return {"flow_ml_min": m(value)}


def ratio(venous: str | None = None, arterial: str | None = None) -> dict[str, Any]:
    """A static pressure of which the ratio is what is asked for: no height but 0, and a mean pressure of 100."""
    row: dict[str, Any] = {"chamber_height_cm": m("0"), "systolic_mmhg": m("140"), "diastolic_mmhg": m("80")}
    for name, said in (("static_venous_pressure_mmhg", venous), ("static_arterial_pressure_mmhg", arterial)):
        if said is not None:
            row[name] = m(str(Decimal(said) * 100 - Decimal("3.4")))  # pressure = static + 3.4
    return row


def dwell(value: str) -> dict[str, Any]:
    return {"blood_flow_ml_min": m(value)}


LIMITS = [
    # rule, kind of access, a reading of a value, readings in a row, does not meet, at the limit, meets, met at it
    ("graft-flow-2006", "graft", flow, 2, "601", "600", "599", False),
    ("fistula-flow-2006", "fistula", flow, 2, "401", "400", "399", False),
    ("fistula-flow-500-2006", "fistula", flow, 2, "501", "500", "499", False),
    ("graft-venous-ratio-2006", "graft", lambda v: ratio(venous=v), 2, "0.499", "0.500", "0.501", False),
    ("fistula-venous-ratio-2006", "fistula", lambda v: ratio(venous=v), 2, "0.349", "0.350", "0.351", False),
    ("graft-arterial-ratio-2006", "graft", lambda v: ratio(arterial=v), 2, "0.749", "0.750", "0.751", False),
    ("fistula-arterial-ratio-2006", "fistula", lambda v: ratio(arterial=v), 2, "0.429", "0.430", "0.431", False),
    ("graft-between-needles-2006", "graft", lambda v: ratio("0.49", v), 2, "0.749", "0.750", "0.751", False),
    ("graft-between-needles-2006", "graft", lambda v: ratio(v, "0.80"), 2, "0.501", "0.500", "0.499", False),
    ("fistula-between-needles-2006", "fistula", lambda v: ratio("0.34", v), 2, "0.429", "0.430", "0.431", False),
    (
        "slow-flow-venous-ratio",
        "graft",
        lambda v: ratio() | {"dynamic_venous_pressure_mmhg": m(v), "blood_flow_ml_min": m("50")},
        1,
        "59",
        "60",
        "61",
        False,
    ),
    (
        "recirculation-urea",
        "fistula",
        lambda v: {"method": "urea", "recirculation_percent": m(v)},
        2,
        "9.9",
        "10",
        "10.1",
        False,
    ),
    (
        "recirculation-dilution-2006",
        "fistula",
        lambda v: {"method": "indicator-dilution", "recirculation_percent": m(v)},
        2,
        "4.9",
        "5",
        "5.1",
        False,
    ),
    ("kt-v-low", "fistula", lambda v: {"kt_v": m(v)}, 2, "1.21", "1.20", "1.19", False),
    (
        "urea-reduction",
        "graft",
        lambda v: {"urea_before": m("100"), "urea_after": m(str(100 - Decimal(v)))},
        2,
        "65.1",
        "65",
        "64.9",
        False,
    ),
]


@pytest.mark.parametrize(("rule", "kind", "reading", "row", "outside", "at", "inside", "met_at"), LIMITS)
def test_a_rule_is_met_on_one_side_of_its_limit_and_only_as_often_in_a_row_as_it_asks(
    rule: str, kind: str, reading: Any, row: int, outside: str, at: str, inside: str, met_at: bool
) -> None:
    assert rule in met(readings(kind, *[reading(inside)] * row))
    assert rule not in met(readings(kind, *[reading(outside)] * row))
    assert (rule in met(readings(kind, *[reading(at)] * row))) is met_at
    if row > 1:
        assert rule not in met(readings(kind, *[reading(inside)] * (row - 1)))
        assert rule not in met(readings(kind, *[reading(inside)] * row, reading(outside)))


SESSIONS = [
    ("line-flow-two-sessions", "tunnelled-catheter", dwell, 2, "301", "300", "299", True),
    ("bleeding-three-sessions", "fistula", lambda v: {"bleeding_minutes": m(v)}, 3, "19", "20", "21", False),
    ("arterial-pressure", "fistula", lambda v: {"arterial_pressure_mmhg": m(v)}, 3, "-249", "-250", "-251", False),
    (
        "line-flow-2006",
        "tunnelled-catheter",
        lambda v: dwell(v) | {"arterial_pressure_mmhg": m("-260")},
        1,
        "301",
        "300",
        "299",
        False,
    ),
    (
        "line-flow-2006",
        "tunnelled-catheter",
        lambda v: dwell("280") | {"arterial_pressure_mmhg": m(v)},
        1,
        "-249",
        "-250",
        "-251",
        False,
    ),
]


@pytest.mark.parametrize(("rule", "kind", "reading", "row", "outside", "at", "inside", "met_at"), SESSIONS)
def test_a_rule_about_sessions_is_met_on_one_side_of_its_limit(
    rule: str, kind: str, reading: Any, row: int, outside: str, at: str, inside: str, met_at: bool
) -> None:
    def history(value: str, times: int) -> History:
        return readings(kind, *[reading(value)] * times, fact="cannulation-session")

    assert rule in met(history(inside, row))
    assert rule not in met(history(outside, row))
    assert (rule in met(history(at, row))) is met_at
    assert row == 1 or rule not in met(history(inside, row - 1))


@pytest.mark.parametrize(
    ("before", "after", "is_met"),
    [
        ("1200", "901", False),  # 24.9 %
        ("1200", "900", False),  # exactly 25.0 %: more than 25 is asked for
        ("1200", "899", True),  # 25.1 %
        ("1100", "800", True),  # 27.3 %, computed
        ("1400", "1000", False),  # 28.6 %, but not below 1000
        ("1400", "999", True),
    ],
)
def test_a_fall_in_flow_counts_above_a_quarter_and_below_a_litre(before: str, after: str, is_met: bool) -> None:
    assert ("flow-fall-2006" in met(readings("fistula", flow(before), flow(after)))) is is_met


@pytest.mark.parametrize(("before", "after", "is_met"), [("1000", "801", False), ("1000", "800", True)])
def test_the_rule_of_2001_is_met_at_a_fifth(before: str, after: str, is_met: bool) -> None:
    assert ("flow-fall-2001" in met(readings("graft", flow(before), flow(after)))) is is_met


@pytest.mark.parametrize(("last", "is_met"), [("2026-05-30", True), ("2026-05-31", True), ("2026-06-01", False)])
def test_a_fall_looks_back_four_calendar_months_also_from_the_end_of_a_month(last: str, is_met: bool) -> None:
    history = a_history(
        happening("creation", "2025-01-06", access="A1", access_kind="fistula"),
        happening("measurement", "2026-01-31", access="A1", flow_ml_min=m("1200")),
        happening("measurement", last, access="A1", flow_ml_min=m("800")),
    )

    assert ("flow-fall-2006" in met(history)) is is_met


@pytest.mark.parametrize(("after", "is_met"), [("1.31", False), ("1.30", False), ("1.29", True)])
def test_kt_v_drops_by_more_than_a_fifth_of_one(after: str, is_met: bool) -> None:
    assert ("kt-v-drop" in met(readings("fistula", {"kt_v": m("1.50")}, {"kt_v": m(after)}))) is is_met


def test_a_finding_says_the_rule_its_year_the_value_the_day_and_the_limit_and_nothing_to_do() -> None:
    found = met(readings("graft", flow("590"), flow("580")))["graft-flow-2006"]

    assert found.words.startswith("meets graft-flow-2006 (2006): 580 mL/min on 3 February 2026, below 600, 2 in a row")
    assert found.since == "2026-01-03"
    assert any(position.startswith("surveillance-2019 (2019), from memory") for position in found.differs)
    assert not {"refer", "should", "must", "treat"} & set(found.words.split())


def test_recirculation_asks_first_for_swapped_lines_and_close_needles() -> None:
    row = {"method": "urea", "recirculation_percent": m("14")}

    found = met(readings("fistula", row, row))["recirculation-urea"]

    assert found.asks_first == "were the lines swapped, or the needles close together?"


def test_what_came_before_the_last_intervention_meets_no_rule() -> None:
    history = a_history(
        happening("creation", "2025-01-06", access="A1", access_kind="graft"),
        happening("measurement", "2026-01-03", access="A1", flow_ml_min=m("580")),
        happening("angioplasty", "2026-01-20", access="A1"),
        happening("measurement", "2026-02-03", access="A1", flow_ml_min=m("570")),
    )

    assert "graft-flow-2006" not in met(history)


def test_a_reading_with_other_needles_than_the_rule_asks_for_is_void_and_breaks_no_row() -> None:
    site = load_rules('[[rule]]\nid = "dynamic-venous-pressure"\nthreshold = 140')
    good = {"dynamic_venous_pressure_mmhg": m("150"), "gauge": 15, "blood_flow_ml_min": m("200")}
    void = good | {"gauge": 17, "dynamic_venous_pressure_mmhg": m("90")}
    unsaid = {"dynamic_venous_pressure_mmhg": m("150")}

    assert "dynamic-venous-pressure" in met(readings("graft", good, good, void, good), site)
    assert "dynamic-venous-pressure" not in met(readings("graft", good, good, void), site)
    assert "dynamic-venous-pressure" not in met(readings("graft", unsaid, unsaid, unsaid), site)


def test_an_empty_parameter_finds_nothing() -> None:
    assert "high-flow" not in met(readings("fistula", flow("3000"), flow("3000")))
    assert "high-flow" in met(
        readings("fistula", flow("3000"), flow("3000")), load_rules('[[rule]]\nid = "high-flow"\nthreshold = 1500')
    )


@pytest.mark.parametrize(
    ("said", "compared", "limit", "is_met"),
    [
        ("<600", "below", 600, True),
        ("<=600", "below", 600, False),
        ("<601", "below", 600, False),
        ("550-590", "below", 600, True),
        ("550-600", "below", 600, False),
        (">50", "above", 50, True),
        (">=50", "above", 50, False),
        (">49", "above", 50, False),
        ("~590", "below", 600, True),
        ("<300", "at-most", 300, True),
        (">300", "at-most", 300, False),
        (">=300", "at-least", 300, True),
    ],
)
def test_what_could_lie_on_either_side_of_a_limit_meets_nothing(
    said: str, compared: str, limit: int, is_met: bool
) -> None:
    assert meets(measured(said), compared, Decimal(limit)) is is_met


# --- Time ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("since", "rule", "on"),
    [
        ("2026-03-03", "look-monthly-2006", "2026-04-03"),
        ("2024-01-31", "look-monthly-2006", "2024-02-29"),  # a leap day
        ("2025-01-31", "look-monthly-2006", "2025-02-28"),
        ("2024-02-29", "life-plan-2019", "2025-02-28"),
        ("2026-03-20", "first-check-2019", "2026-04-03"),  # across the change of the clocks, 29 March 2026
        ("2026-10-20", "maturity-check", "2026-11-17"),  # across the change back, 25 October 2026
        ("2025-12-31", "stalled", "2026-02-28"),
    ],
)
def test_a_limit_in_time_is_reached_on_its_day_and_not_the_day_before(since: str, rule: str, on: str) -> None:
    found, start, day = load_rules().rule(rule), date.fromisoformat(since), date.fromisoformat(on)

    assert due_on(start, found) == day
    assert is_due(start, day, found)
    assert not is_due(start, date.fromordinal(day.toordinal() - 1), found)


@pytest.mark.parametrize(
    ("placed", "today", "expected"),
    [
        ("2026-01-01", "2026-03-31", set()),  # day 89
        ("2026-01-01", "2026-04-01", {"long-catheter-months"}),  # day 90: 3 calendar months, not more than 90 days
        ("2026-01-01", "2026-04-02", {"long-catheter-days", "long-catheter-months", "long-catheter-2006"}),  # day 91
        ("2026-07-01", "2026-09-29", set()),  # day 90
        ("2026-07-01", "2026-09-30", {"long-catheter-days"}),  # day 91, and not yet 3 calendar months
        ("2026-07-01", "2026-10-01", {"long-catheter-days", "long-catheter-months"}),
        ("2025-11-30", "2026-02-28", {"long-catheter-months"}),  # end of February, day 90
        ("2023-11-30", "2024-02-29", {"long-catheter-days", "long-catheter-months"}),  # a leap day, day 91
    ],
)
def test_the_definitions_of_a_long_term_catheter_differ_around_the_ends_of_months(
    placed: str, today: str, expected: set[str]
) -> None:
    found = long_by(load_rules(), date.fromisoformat(placed), date.fromisoformat(today), maturing=False)

    assert {rule.id for rule in found} == expected


def test_the_definition_of_2006_is_not_met_while_a_permanent_access_matures() -> None:
    found = long_by(load_rules(), date(2026, 1, 1), date(2026, 12, 1), maturing=True)

    assert {rule.id for rule in found} == {"long-catheter-days", "long-catheter-months"}


@pytest.mark.parametrize(
    ("days", "rolls", "fixed"),
    [((0, 20), 1, 1), ((0, 21), 2, 2), ((0, 15, 30), 1, 2)],
)
def test_both_readings_of_the_rule_of_21_days(days: tuple[int, ...], rolls: int, fixed: int) -> None:
    """Computed from the wording of the protocol, which is from memory."""
    start = date(2026, 2, 15)  # it runs across the end of a month and the change of the clocks
    onsets = [(date.fromordinal(start.toordinal() + day), f"e{day}") for day in days]
    rules = load_rules()

    assert len(events_by(rules.rule("dialysis-event-rolls"), onsets)) == rolls
    assert len(events_by(rules.rule("dialysis-event-fixed"), onsets)) == fixed


# --- The file -----------------------------------------------------------------------------------------------------


def test_every_rule_that_ships_says_where_it_is_from_and_whether_that_was_read() -> None:
    for rule in load_rules().rules.values():
        assert rule.says, rule.id
        assert rule.sources, rule.id
        assert not rule.verified or any(source.verified and source.read_on for source in rule.sources), rule.id


def test_what_could_not_be_verified_ships_empty() -> None:
    empty = {rule.id for rule in load_rules().rules.values() if rule.is_empty}

    assert {"interventions-to-facilitate-2019", "interventions-to-maintain-2019", "goal-line-infection-2019"} <= empty
    assert {"high-flow", "lytic-twice", "background-age", "mapping-age", "dynamic-venous-pressure"} <= empty


def test_a_site_switches_edits_and_adds() -> None:
    rules = load_rules(
        """
        version = "7"
        [sources.ours]
        text = "our protocol of 2026"
        verified = true
        read_on = "2026-01-05"
        [[rule]]
        id = "graft-flow-2006"
        on = false
        [[rule]]
        id = "fistula-flow-2006"
        threshold = 450
        in_a_row = 1
        [[rule]]
        id = "our-bleeding"
        sort = "series"
        says = "bleeding longer than half an hour"
        measure = "bleeding"
        population = ["fistula"]
        is = "above"
        threshold = 30
        sources = ["ours"]
        verified = true
        """
    )

    assert "graft-flow-2006" not in {rule.id for rule in rules.in_use("series")}
    assert rules.rule("fistula-flow-2006").threshold == 450
    assert rules.rule("fistula-flow-2006").of_site
    assert rules.rule("fistula-flow-2006").year == 2006
    assert rules.rule("our-bleeding").source == "our protocol of 2026 (read 2026-01-05)"
    assert "fistula-flow-2006" in met(readings("fistula", flow("449")), rules)
    assert load_rules().rule("fistula-flow-2006").threshold == 400


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[rule]", "cannot be read"),
        ("[[rule]]\non = true", "has no id"),
        ('[[rule]]\nid = "x"', "sort is None"),
        ('[[rule]]\nid = "graft-flow-2006"\nthreshold = "600"', "threshold is '600'"),
        ('[[rule]]\nid = "graft-flow-2006"\nis = "under"', "is is 'under'"),
        ('[[rule]]\nid = "graft-flow-2006"\npopulation = ["shunt"]', "population names 'shunt'"),
        ('[[rule]]\nid = "graft-flow-2006"\ntreshold = 3', "'treshold' means nothing"),
        ('[[rule]]\nid = "graft-flow-2006"\nsources = ["nowhere"]', "source 'nowhere' is not described"),
        ('[[rule]]\nid = "graft-flow-2006"\nsort = "limit"', "of sort series, not limit"),
        ('[[rule]]\nid = "graft-flow-2006"\nin_a_row = 0', "in_a_row is below 1"),
        ('[[rule]]\nid = "y"\nsort = "series"\nsays = "y"', "measure, is or population is missing"),
    ],
)
def test_a_mistake_in_a_sites_file_is_named(text: str, says: str) -> None:
    with pytest.raises(WrongInput, match=says.replace("(", r"\(")):
        load_rules(text)


def test_the_rules_that_the_readme_shows_load_as_they_stand() -> None:
    readme = (Path(__file__).parents[2] / "ledger" / "README.md").read_text("utf-8")
    shown = re.search(r"## A site's own rules.*?```toml\n(.*?)```", readme, re.S)
    assert shown is not None

    rules = load_rules(shown[1])

    assert rules.limit("mapping-age") is not None
    assert not rules.rule("flow-fall-2006").on
    assert rules.rule("booking-planned").days == 21
    history = readings("fistula", flow("2001"), flow("2001"))
    assert "our-high-flow" in met(history, rules)
    assert "our-high-flow" not in met(readings("fistula", flow("2001"), flow("2000")), rules)
