"""Series of an access: their baseline, slope and fall, their picture, and their speed with sessions by the thousand."""

from __future__ import annotations

import time
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

import numpy
import pytest

from ledger.chronology import History
from ledger.projections.folding import fold_of
from ledger.rounds.rules import load_rules
from ledger.rounds.trends import Series, line_for, measures_of, plot_of, plotted, rules_met, series_of
from tests.examples import m
from tests.lives import ZONE, a_history, happening

MADE = happening("creation", "2025-01-06", access="A1", access_kind="graft", side="left")


def series(history: History) -> dict[str, Series]:
    return series_of(fold_of(history).accesses["A1"], ZONE)


def measured(day: str, **row: Any) -> Any:
    return happening("measurement", day, access="A1", **row)


def flow(day: str, value: str) -> Any:
    return measured(day, flow_ml_min=m(value))


def test_the_baseline_is_the_first_value_after_the_last_intervention_and_the_fall_is_against_it() -> None:
    history = a_history(
        MADE,
        flow("2025-06-02", "1100"),
        flow("2025-12-01", "500"),
        happening("angioplasty", "2025-12-10", access="A1"),
        flow("2026-01-05", "1000"),
        flow("2026-03-02", "740"),
    )

    found = series(history)["flow"]

    assert found.baseline == 1000
    assert found.fall_percent == Decimal("26")  # 1000 to 740 is 26.0 %, computed
    assert found.since == "2025-12-10"
    assert len(found.readings) == 4
    assert "26 % below it" in found.words()


def test_the_slope_is_the_line_of_least_squares_as_numpy_has_it() -> None:
    days = [date(2026, 1, 1) + timedelta(days=step) for step in (0, 9, 31, 62, 80)]
    values = ["900", "870", "880", "790", "760"]
    history = a_history(MADE, *(flow(str(day), value) for day, value in zip(days, values, strict=True)))

    expected = numpy.polyfit([day.toordinal() - days[0].toordinal() for day in days], [*map(float, values)], 1)[0] * 30

    slope = series(history)["flow"].slope
    assert slope is not None
    assert float(slope) == pytest.approx(expected, rel=1e-9)


def test_two_readings_or_one_day_have_no_slope() -> None:
    assert series(a_history(MADE, flow("2026-01-05", "900"), flow("2026-02-05", "800")))["flow"].slope is None
    same = a_history(MADE, *(flow("2026-01-05", value) for value in ("900", "800", "700")))
    assert series(same)["flow"].slope is None


def test_ratios_recirculation_and_kt_v_are_worked_out_of_the_raw_numbers() -> None:
    history = a_history(
        MADE,
        measured(
            "2026-01-05",
            static_venous_pressure_mmhg=m("45"),
            chamber_height_cm=m("20"),
            systolic_mmhg=m("120"),
            diastolic_mmhg=m("75"),
        ),
        measured("2026-01-06", urea_systemic=m("80"), urea_arterial=m("72"), urea_venous=m("20")),
        measured(
            "2026-01-07",
            urea_before=m("100"),
            urea_after=m("30"),
            hours=m("4"),
            ultrafiltration_l=m("3"),
            weight_after_kg=m("72"),
        ),
        measured("2026-01-08", blood_flow_ml_min=m("300"), reversed_recirculation_fraction=m("0.25")),
    )

    found = series(history)

    # Computed from the formulas' sources, see ledger.projections.formulas: 0.6156, 13.33 %, 1.4397, 900 mL/min.
    assert round(found["venous-ratio"].readings[0].number, 4) == Decimal("0.6156")
    assert round(found["recirculation-urea"].readings[0].number, 2) == Decimal("13.33")
    assert round(found["kt-v"].readings[0].number, 4) == Decimal("1.4397")
    assert found["flow"].readings[0].number == 900
    assert found["urea-reduction"].readings[0].number == 70


def test_a_recirculation_of_which_nobody_said_how_it_was_taken_is_in_neither_series() -> None:
    found = series(a_history(MADE, measured("2026-01-05", recirculation_percent=m("20"))))

    assert not {"recirculation-urea", "recirculation-dilution"} & set(found)


def test_the_baseline_of_sessions_is_the_median_of_the_first_three() -> None:
    sessions = [
        happening("cannulation-session", f"2026-01-0{day}", access="A1", venous_pressure_mmhg=m(value))
        for day, value in ((2, "140"), (5, "300"), (7, "150"), (9, "200"))
    ]

    assert series(a_history(MADE, *sessions))["session-venous-pressure"].baseline == 150


def test_the_picture_holds_every_reading_the_rules_line_and_the_intervention() -> None:
    history = a_history(
        MADE,
        flow("2026-01-05", "900"),
        happening("angioplasty", "2026-02-10", access="A1"),
        flow("2026-02-20", "800"),
        flow("2026-03-20", "590"),
    )
    found = series(history)["flow"]
    rule = line_for(found, load_rules())
    assert rule is not None

    drawn = plotted(found, rule)

    assert rule.id == "graft-flow-2006"
    assert "the line is graft-flow-2006 (2006)" in drawn[0]
    assert sum(line.count("*") for line in drawn[1:-1]) == 3
    assert any(set(line[4:]) >= {"-"} and line.startswith("600") for line in drawn)
    assert sum("|" in line for line in drawn) >= 6
    assert max(map(len, drawn)) <= 80


def test_what_a_picture_shows_is_told_point_by_point_with_baseline_intervention_and_every_rules_line() -> None:
    history = a_history(
        MADE,
        flow("2026-01-05", "900"),
        happening("angioplasty", "2026-02-10", access="A1"),
        flow("2026-02-20", "800"),
        measured("2026-03", flow_ml_min=m("590", "<")),
    )

    found = plot_of(series(history)["flow"], load_rules('[[rule]]\nid = "high-flow"\nthreshold = 1500\n'))

    assert found is not None
    assert [(str(one.day), one.said, one.fresh, one.exact) for one in found.points] == [
        ("2026-01-05", "900", False, True),
        ("2026-02-20", "800", True, True),
        ("2026-03-01", "<590", True, False),
    ]
    assert (found.treated, found.baseline, found.baseline_from) == (
        date(2026, 2, 10),
        Decimal(800),
        date(2026, 2, 20),
    )
    assert {one.rule: one.threshold for one in found.lines} == {
        "graft-flow-2006 (2006)": 600,
        "high-flow (no year)": 1500,
    }
    assert (found.lowest, found.highest) == (Decimal(590), Decimal(1500))
    assert found.to_json()["points"][2]["number"] == "590"


def test_a_picture_of_the_newest_readings_keeps_the_baseline_of_all_and_an_empty_series_has_none() -> None:
    history = a_history(MADE, *(flow(f"2026-0{month}-02", str(900 - 20 * month)) for month in range(1, 7)))
    whole = series(history)["flow"]

    newest = plot_of(whole, load_rules(), most=2)

    assert newest is not None
    assert [one.said for one in newest.points] == ["800", "780"]
    assert newest.baseline == 880
    assert newest.slope == whole.slope
    nothing = Series(measure="flow", access="A1", kind=None, readings=(), fresh=(), since=None)
    assert plot_of(nothing, load_rules()) is None


def test_ten_thousand_sessions_take_less_than_a_second() -> None:
    start = date(2000, 1, 3)
    sessions = [
        happening(
            "cannulation-session",
            str(start + timedelta(days=step // 2)),
            access="A1",
            blood_flow_ml_min=m("300"),
            venous_pressure_mmhg=m(str(120 + step % 30)),
            arterial_pressure_mmhg=m("-160"),
            bleeding_minutes=m("8"),
        )
        for step in range(10_000)
    ]
    folded = fold_of(a_history(MADE, *sessions)).accesses["A1"]

    begun = time.process_time()
    found = series_of(folded, ZONE)
    rules_met(found, load_rules(), ZONE)
    told = [found[name].words() for name in found]

    # Of the processor alone, since a busy machine proves nothing. Generous: about a tenth of that on a small machine.
    assert time.process_time() - begun < 1.5
    assert len(told) == 4


def test_only_the_measures_that_are_asked_for_are_worked_out_and_they_are_the_same() -> None:
    history = a_history(
        MADE,
        flow("2026-01-05", "900"),
        happening(
            "cannulation-session", "2026-01-07", access="A1", venous_pressure_mmhg=m("150"), bleeding_minutes=m("9")
        ),
    )
    folded = fold_of(history).accesses["A1"]
    asked = measures_of(load_rules(), folded.access_kind)

    found, whole = series_of(folded, ZONE, asked), series_of(folded, ZONE)

    assert asked >= {"flow", "bleeding"}
    assert "session-venous-pressure" not in asked  # no rule that is on asks for it
    assert found == {measure: one for measure, one in whole.items() if measure in asked}
    assert set(whole) - set(found) == {"session-venous-pressure"}
