"""Rates, dialysis events, prevalence and charts: each boundary from both sides, small enough to check with a pencil."""

from __future__ import annotations

import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.dates import PartialDate
from ledger.people import Patient
from ledger.statistics.charts import funnel, p_chart, u_chart
from ledger.statistics.definitions import rulebook
from ledger.statistics.presence import Period, month_of, months_until, population_of, riskiest_on, stays_of
from ledger.statistics.prevalence import (
    access_in_use,
    first_uses,
    long_term_catheters,
    over_months,
    started_dialysis_with,
)
from ledger.statistics.rates import access_events, catheter_infections, peritoneal_infections, recurrent_interventions
from ledger.statistics.surveillance import (
    ALL,
    CULTURES,
    LOCAL,
    ONLY_LOCAL,
    STARTS,
    by_21_days,
    dialysis_events,
    working_days,
)
from ledger.vocabulary import AccessKind
from tests.lives import a_history, happening
from tests.statistics.said import (
    again,
    ballooned,
    began,
    clot_out,
    clotted,
    exchanged,
    given_up,
    gone,
    infected,
    looked_at,
    made,
    met,
    needled,
    placed,
    removed,
    session,
    to,
    used,
)

BOOK = rulebook()
MARCH = month_of(2024, 3)
YEAR_2024 = Period(date(2024, 1, 1), date(2024, 12, 31))


def people(*histories):
    return population_of(histories, BOOK)


def patient(number: int, *events):
    return a_history(*events, patient=f"P{number:04}")


# --- Catheter-days and infections ---


def test_a_month_of_catheter_days_counts_the_day_of_placing_and_not_that_of_removal():
    # Placed on 5 March, out on 15 March: ten days, the 5th to the 14th.
    found = catheter_infections(people(patient(1, placed("2024-03-05"), removed("2024-03-15"))), MARCH)
    counted = catheter_infections(
        people(patient(1, placed("2024-03-05"), removed("2024-03-15"))), MARCH, {"removal-day": "counted"}
    )

    assert found.of("any infection", "tunnelled catheter").exposure == 10
    assert counted.of("any infection", "tunnelled catheter").exposure == 11


def test_a_catheter_that_was_there_all_month_counts_every_day_of_it():
    found = catheter_infections(people(patient(1, placed("2023-01-05"))), MARCH)

    assert found.of("any infection", "tunnelled catheter").exposure == 31


def test_catheter_days_end_with_care_and_begin_with_it():
    history = patient(1, placed("2023-01-05"), began("2024-03-11"), gone("2024-03-21", "death"))

    assert catheter_infections(people(history), MARCH).of("any infection", "tunnelled catheter").exposure == 10


def test_an_exchange_into_another_kind_moves_the_days():
    history = patient(
        1, placed("2024-03-01", "nontunnelled-catheter"), exchanged("2024-03-08", to_kind="tunnelled-catheter")
    )

    found = catheter_infections(people(history), MARCH)

    assert found.of("any infection", "non-tunnelled catheter").exposure == 7
    assert found.of("any infection", "tunnelled catheter").exposure == 24
    assert found.of("any infection", "tunnelled or not").exposure == 31


def test_two_catheters_on_one_day_each_count_or_are_one_day_of_the_riskier():
    history = patient(1, placed("2024-03-01"), placed("2024-03-11", "nontunnelled-catheter", access="C2"))

    each = catheter_infections(people(history), MARCH)
    once = catheter_infections(people(history), MARCH, {"two-catheters": "one-a-day"})

    assert each.of("any infection", "tunnelled or not").exposure == 31 + 21
    assert once.of("any infection", "tunnelled or not").exposure == 31
    assert once.of("any infection", "tunnelled catheter").exposure == 10
    assert once.of("any infection", "non-tunnelled catheter").exposure == 21


def test_infections_are_counted_by_class_with_the_exact_interval():
    # Three bloodstream infections in 1,850 catheter-days: 1.622 per 1,000 (0.334 to 4.739), computed.
    period = Period(date(2024, 1, 1), date(2024, 12, 31))
    five_years = [
        patient(number, placed("2024-01-01"), removed("2024-12-31"), *infections)
        for number, infections in enumerate(
            [
                [infected("2024-03-01")],
                [infected("2024-03-02"), infected("2024-05-05", "exit-site")],
                [infected("2024-07-07")],
                [],
                [],
            ]
        )
    ]
    twenty = [patient(9, placed("2024-01-01"), removed("2024-01-26"))]

    found = catheter_infections(people(*five_years, *twenty), period)

    rate = found.of("bloodstream infection", "tunnelled catheter")
    assert (rate.events, rate.exposure) == (3, 1850)
    assert rate.rate == pytest.approx(1.622, abs=5e-4)
    assert rate.interval == pytest.approx((0.334, 4.739), abs=5e-4)
    assert found.of("exit-site infection", "tunnelled catheter").events == 1
    assert found.of("any infection", "tunnelled catheter").events == 4
    # Two in one patient: the robust interval stands beside the exact one.
    assert found.of("any infection", "tunnelled catheter").robust is not None
    assert rate.robust is None
    assert [line.patient for line in rate.listed] == ["P0000", "P0001", "P0002"]
    json.dumps(found.to_json(), allow_nan=False)


def test_an_infection_soon_after_one_of_its_class_can_be_the_same():
    history = patient(1, placed("2024-01-01"), infected("2024-03-01"), infected("2024-03-11"), infected("2024-03-12"))

    assert catheter_infections(people(history), YEAR_2024).of("any infection", "tunnelled catheter").events == 3
    merged = catheter_infections(people(history), YEAR_2024, {"same-infection-days": "10"})
    assert merged.of("any infection", "tunnelled catheter").events == 1


def test_an_infection_known_to_the_month_is_in_the_year_and_perhaps_in_the_week():
    history = patient(1, placed("2024-01-01"), infected("2024-03"))
    week = Period(date(2024, 3, 4), date(2024, 3, 10))

    in_year = catheter_infections(people(history), YEAR_2024).of("any infection", "tunnelled catheter")
    in_week = catheter_infections(people(history), week).of("any infection", "tunnelled catheter")

    assert (in_year.events, in_year.events_most, in_year.dates_matter) == (1, 1, False)
    assert (in_week.events, in_week.events_most, in_week.dates_matter) == (0, 1, True)


def test_a_catheter_placed_in_some_month_gives_least_and_most_days():
    found = catheter_infections(people(patient(1, placed("2024-03"), removed("2024-04-10"))), YEAR_2024)

    rate = found.of("any infection", "tunnelled catheter")
    assert (rate.exposure_least, rate.exposure) == (10, 40)


def test_no_catheter_is_no_rate_and_no_error():
    rate = catheter_infections(people(patient(1, made("2024-01-01"))), MARCH).of("any infection", "tunnelled catheter")

    assert rate.rate is None
    assert rate.interval is None


def test_peritonitis_is_counted_per_year():
    history = patient(
        1,
        placed("2023-01-01", "peritoneal-catheter"),
        infected("2024-02-02", "peritonitis"),
        to("2023-01-10", "peritoneal-dialysis"),
    )

    rate = peritoneal_infections(people(history), YEAR_2024).of("peritonitis", "peritoneal catheter")

    assert rate.events == 1
    assert rate.exposure == pytest.approx(366 / 365.25)


# --- Events per access-year ---


def test_thrombosis_and_interventions_per_access_year():
    history = patient(
        1,
        made("2023-01-01"),
        ballooned("2024-02-01"),
        clotted("2024-05-01"),
        clot_out("2024-05-02"),
        ballooned("2024-05-02", lesion="L2"),
        looked_at("2024-08-01"),
    )
    other = patient(2, made("2024-07-01", "graft"), given_up("2024-07-31", "stenosis"))

    found = access_events(people(history, other), YEAR_2024)

    fistula = found.of("thrombosis", "fistula")
    assert (fistula.events, fistula.exposure) == (1, pytest.approx(366 / 365.25))
    # The thrombectomy and the balloon of one day are one intervention; the angiogram is none.
    assert found.of("intervention", "fistula").events == 2
    assert found.of("loss", "graft").events == 1
    assert found.of("loss", "graft").exposure == pytest.approx(30 / 365.25)
    assert found.of("thrombosis", "every needled access").events == 1


def test_clot_found_again_before_it_was_opened_is_one_thrombosis():
    history = patient(
        1,
        made("2023-01-01"),
        clotted("2024-05-01"),
        clot_out("2024-05-02", False),
        clotted("2024-05-03"),
        clot_out("2024-05-04"),
        clotted("2024-09-01"),
    )

    assert access_events(people(history), YEAR_2024).of("thrombosis", "fistula").events == 2


def test_an_access_whose_birthday_nobody_knows_still_counts_from_when_it_was_met():
    history = patient(1, met("2024-07-01"), ballooned("2024-08-01"))

    rate = access_events(people(history), YEAR_2024).of("intervention", "fistula")

    assert (rate.events, rate.exposure) == (1, pytest.approx(184 / 365.25))


def test_what_happens_after_the_loss_is_not_counted():
    history = patient(
        1, made("2024-01-01"), given_up("2024-03-01", "steal"), again("2024-05-01"), ballooned("2024-06-01")
    )

    assert access_events(people(history), YEAR_2024).of("intervention", "fistula").events == 0


def test_the_mean_number_of_interventions_since_creation():
    # Two fistulas watched for the whole year; one ballooned on day 100 and 200, one never: a mean of one.
    first = patient(1, made("2023-01-01"), ballooned("2023-04-11"), ballooned("2023-07-20"))
    second = patient(2, made("2023-01-01"))

    found = recurrent_interventions(people(first, second), date(2023, 12, 31))

    assert [(float(day), float(mean)) for day, mean in zip(found.counted.day, found.counted.mean, strict=True)] == [
        (100, 0.5),
        (200, 1.0),
    ]
    at = found.counted.at(300)
    assert at.share == 1.0
    assert at.se == pytest.approx(
        ((0.5 - 0.0) ** 2 + (0.5 - 0.0) ** 2) ** 0.5 * 2 / 2**0.5 * 2**0.5 / 2 * 2**0.5, rel=1
    )
    json.dumps(found.to_json(), allow_nan=False)


# --- Dialysis events ---


def culture(day: str, specimen: str = "catheter-hub", positive: bool = True, **more):
    return happening("culture", day, specimen=specimen, positive=positive, **more)


def course(day: str, until: str | None = None, **more):
    said = {"until": until} if until else {}
    return happening("antimicrobial-course", day, intravenous=True, **said, **more)


def on_line(number: int, *events):
    return patient(number, began("2023-01-01"), placed("2023-01-01"), *events)


def test_day_twenty_is_the_same_event_and_day_twenty_one_a_new_one():
    twenty = on_line(1, culture("2024-03-01"), culture("2024-03-21"))
    twenty_one = on_line(1, culture("2024-03-01"), culture("2024-03-22"))

    assert dialysis_events(people(twenty), [MARCH]).of(CULTURES, ALL).events == 1
    assert dialysis_events(people(twenty_one), [MARCH]).of(CULTURES, ALL).events == 2


@pytest.mark.parametrize(("reading", "events"), [("rolls", 1), ("fixed", 2)])
def test_cultures_on_days_nought_fifteen_and_thirty_under_each_reading(reading, events):
    # The rule is from memory; whether the 21 days roll from the last culture or run from the first is read both ways.
    history = on_line(1, culture("2024-03-01"), culture("2024-03-16"), culture("2024-03-31"))

    found = dialysis_events(people(history), [MARCH], {"twenty-one-days": reading})

    assert found.of(CULTURES, ALL).events == events


def test_the_rule_runs_across_the_end_of_a_month():
    history = on_line(1, culture("2024-02-20"), culture("2024-03-05"))

    assert dialysis_events(people(history), [MARCH]).of(CULTURES, ALL).events == 0


def test_courses_are_apart_from_the_end_of_one_to_the_start_of_the_next():
    # The first ends on 10 March; 30 March is 20 days after, 31 March 21.
    same = on_line(1, course("2024-03-01", "2024-03-10"), course("2024-03-30"))
    new = on_line(1, course("2024-03-01", "2024-03-10"), course("2024-03-31"))

    assert dialysis_events(people(same), [MARCH]).of(STARTS, ALL).events == 1
    assert dialysis_events(people(new), [MARCH]).of(STARTS, ALL).events == 2


def test_an_oral_course_a_negative_culture_and_a_swab_are_no_events():
    history = on_line(
        1,
        happening("antimicrobial-course", "2024-03-05", intravenous=False),
        culture("2024-03-05", positive=False),
        culture("2024-03-05", "exit-site"),
    )

    found = dialysis_events(people(history), [MARCH])

    assert found.of(STARTS, ALL).events == found.of(CULTURES, ALL).events == 0


def test_a_culture_in_hospital_counts_on_the_day_of_admission_and_the_next():
    def stay_with(day: str):
        return on_line(1, happening("hospital-stay", "2024-03-10", until="2024-03-20"), culture(day))

    counted = [
        dialysis_events(people(stay_with(f"2024-03-{day}")), [MARCH]).of(CULTURES, ALL).events for day in (10, 11, 12)
    ]

    assert counted == [1, 1, 0]


def test_a_course_continued_from_hospital_counts_on_the_first_day_outside():
    stay = happening("hospital-stay", "2024-02-20", until="2024-03-02")
    continued = on_line(1, stay, course("2024-02-22", continued_from_hospital=True))
    finished = on_line(1, stay, course("2024-02-22"))

    assert dialysis_events(people(continued), [MARCH]).of(STARTS, ALL).events == 1
    assert dialysis_events(people(finished), [month_of(2024, 2)]).of(STARTS, ALL).events == 0


def test_local_signs_are_an_infection_of_the_site_or_pus_and_redness_seen():
    history = on_line(
        1,
        infected("2024-03-01", "exit-site"),
        happening("examination", "2024-03-28", access="C1", skin=["red"]),
    )
    with_culture = on_line(2, infected("2024-03-01", "exit-site"), culture("2024-03-10"))

    found = dialysis_events(people(history, with_culture), [MARCH])

    assert found.of(LOCAL, ALL).events == 3
    assert found.of(ONLY_LOCAL, ALL).events == 2


def test_the_riskiest_access_present_decides_and_not_the_one_used():
    history = patient(
        1, began("2023-01-01"), made("2022-01-01"), placed("2023-06-01"), used("2024-03-01"), culture("2024-03-05")
    )
    hybrid = patient(2, began("2023-01-01"), made("2022-01-01", "hybrid"), made("2021-01-01", "graft", access="A2"))

    found = dialysis_events(people(history, hybrid), [MARCH])

    assert found.of(CULTURES, "tunnelled catheter").events == 1
    assert found.denominators == {"tunnelled catheter": 1, "graft-to-catheter hybrid": 1, ALL: 2}


def test_a_fistula_given_up_is_no_access_present():
    care = people(patient(1, began("2023-01-01"), made("2022-01-01"), given_up("2024-01-01", "steal"))).cares[0]

    assert riskiest_on(care, date(2023, 12, 31).toordinal()) is AccessKind.FISTULA
    assert riskiest_on(care, date(2024, 1, 1).toordinal()) is None


def test_the_denominator_is_who_was_an_outpatient_on_the_first_two_working_days():
    # 1 March 2024 is a Friday, 2 March a Saturday.
    assert working_days(MARCH, "monday-to-saturday") == [date(2024, 3, 1), date(2024, 3, 2)]
    assert working_days(MARCH, "monday-to-friday") == [date(2024, 3, 1), date(2024, 3, 4)]
    in_time = patient(1, began("2024-03-02"), placed("2024-03-01"))
    too_late = patient(2, began("2024-03-03"), placed("2024-03-01"))
    at_home = patient(3, began("2023-01-01", "home-haemodialysis"), placed("2023-01-01"))
    peritoneal = patient(4, began("2023-01-01", "peritoneal-dialysis"))
    unsaid = patient(5, began("2023-01-01", None), placed("2023-01-01"))
    in_hospital = on_line(6, happening("hospital-stay", "2024-02-25", until="2024-03-09"))

    found = dialysis_events(people(in_time, too_late, at_home, peritoneal, unsaid, in_hospital), [MARCH])

    assert found.denominators[ALL] == 1
    assert [(one.why, one.count) for one in found.basis.left_out] == [("modality-not-recorded", 1)]


def test_the_denominator_can_ask_for_a_recorded_dialysis():
    with_session = on_line(1, session("2024-03-02", access="C1", use="catheter"))
    without = on_line(2)

    found = dialysis_events(people(with_session, without), [MARCH], {"on-the-list": "recorded-dialysis"})

    assert found.denominators[ALL] == 1


def test_four_in_132_patient_months():
    # 3.030 per 100 (0.826 to 7.759), computed: eleven patients for twelve months.
    months = months_until(month_of(2024, 12), 12)
    histories = [on_line(number, *([culture("2024-04-04")] if number < 4 else [])) for number in range(11)]

    rate = dialysis_events(people(*histories), months).of(CULTURES, ALL)

    assert (rate.events, rate.exposure) == (4, 132)
    assert rate.rate == pytest.approx(3.030, abs=5e-4)
    assert rate.interval == pytest.approx((0.826, 7.759), abs=5e-4)


@given(st.lists(st.integers(0, 200), max_size=12))
def test_the_rolling_reading_never_counts_more_than_the_fixed_one(days):
    raw = [(day, day, str(place)) for place, day in enumerate(days)]

    rolling, fixed = by_21_days(raw, rolls=True), by_21_days(raw, rolls=False)

    assert len(rolling) <= len(fixed)
    assert sorted(root for _, roots in fixed for root in roots) == sorted(root for _, _, root in raw)


# --- Prevalence ---


def in_care(number: int, *events):
    return patient(number, began("2023-01-01"), *events)


def test_shares_by_the_access_in_use_on_a_day():
    fistula = in_care(1, made("2022-01-01"), used("2024-03-29"))
    line = in_care(2, placed("2024-01-01"), used("2024-03-30", "catheter", access="C1"))
    partly = in_care(3, made("2023-06-01"), placed("2024-01-01"), used("2024-03-28", "one-needle-and-line"))
    still_in = in_care(4, made("2022-01-01"), placed("2022-06-01"), used("2024-03-29"))
    silent = in_care(5, made("2022-01-01"), used("2024-02-01"))
    peritoneal = patient(6, began("2023-01-01", "peritoneal-dialysis"), placed("2023-01-01", "peritoneal-catheter"))
    left = in_care(7, gone("2024-03-01", "transplant"))

    found = access_in_use(people(fistula, line, partly, still_in, silent, peritoneal, left), date(2024, 3, 31))

    assert {one.name: one.count for one in found.shares} == {
        "fistula": 2,
        "tunnelled catheter": 1,
        "one needle and a catheter line": 1,
        "use not recorded": 1,
        "usable without a catheter": 1,
        "two needles, and a catheter still in": 1,
    }
    assert all(one.of == 5 for one in found.shares)
    assert [(one.why, one.count) for one in found.basis.left_out] == [("not-on-haemodialysis", 1)]
    assert any("not counted as not using" in one for one in found.basis.warnings)
    json.dumps(found.to_json(), allow_nan=False)


def test_a_use_is_known_for_thirty_one_days_unless_chosen_otherwise():
    history = in_care(1, made("2022-01-01"), used("2024-02-29"))
    on_day_31, on_day_32 = date(2024, 3, 31), date(2024, 4, 1)

    assert access_in_use(people(history), on_day_31).of("fistula").count == 1
    assert access_in_use(people(history), on_day_32).of("use not recorded").count == 1
    assert access_in_use(people(history), on_day_32, {"use-known-for": "60"}).of("fistula").count == 1


def test_a_use_known_to_the_month_counts_in_that_month():
    history = in_care(1, made("2022-01-01"), used("2024-03"))

    assert access_in_use(people(history), date(2024, 3, 31)).of("fistula").count == 1


def test_months_are_looked_at_on_their_last_day():
    history = in_care(
        1, placed("2024-01-01"), used("2024-01-20", "catheter", access="C1"), made("2023-01-01"), used("2024-02-20")
    )

    found = over_months(people(history), months_until(month_of(2024, 2), 2))

    assert [(str(month.last), shares.shares[0].name) for month, shares in found] == [
        ("2024-01-31", "tunnelled catheter"),
        ("2024-02-29", "fistula"),
    ]


PEOPLE = {
    f"P{number:04}": Patient(id=f"P{number:04}", birth_date=PartialDate("1960"), invented=True) for number in range(10)
}


def test_ninety_days_and_three_months_differ_at_the_end_of_a_month():
    # On 31 March 2024: placed on 1 January is 90 days ago, which is not more than 90, and not yet three months by the
    # calendar either; placed on 31 December is 91 days, and three months to the day.
    first = in_care(1, placed("2024-01-01"))
    last = in_care(2, placed("2023-12-31"))
    # On 31 May 2024, placed on 29 February: 92 days, and three months since the 29th.
    leap = in_care(3, placed("2024-02-29"))

    march = long_term_catheters(people(first, last), MARCH, people=PEOPLE)
    may = long_term_catheters(people(leap), month_of(2024, 5), people=PEOPLE)

    assert [one.patient for one in march.of("catheter in the body more than 90 days").who] == ["P0002"]
    assert [one.patient for one in march.of("catheter in the body three calendar months or longer").who] == ["P0002"]
    assert may.of("catheter in the body more than 90 days").count == 1


def test_in_april_ninety_days_come_before_three_months():
    # On 30 April 2024: placed on 31 January is 90 days ago and three months ago, since April has no 31st; placed on
    # 30 January is 91 days ago.
    on_the_31st, on_the_30th = in_care(1, placed("2024-01-31")), in_care(2, placed("2024-01-30"))

    found = long_term_catheters(people(on_the_31st, on_the_30th), month_of(2024, 4), people=PEOPLE)

    assert [one.patient for one in found.of("catheter in the body more than 90 days").who] == ["P0002"]
    assert found.of("catheter in the body three calendar months or longer").count == 2


def test_a_maturing_access_excuses_a_long_catheter_by_one_definition():
    alone = in_care(1, placed("2023-06-01"))
    maturing = in_care(2, placed("2023-06-01"), made("2024-03-01"))

    found = long_term_catheters(people(alone, maturing), MARCH, people=PEOPLE)

    assert found.of("catheter in the body more than 90 days").count == 2
    assert found.of("catheter more than 90 days and no other access in the making").count == 1


def test_an_exchange_goes_on_counting():
    history = in_care(1, placed("2023-06-01"), exchanged("2024-03-01"))

    assert long_term_catheters(people(history), MARCH, people=PEOPLE).shares[0].count == 1


def test_continuous_use_asks_for_three_month_ends_of_adults():
    months = ["2024-01-30", "2024-02-27", "2024-03-28"]
    sole = in_care(1, placed("2023-06-01"), *[used(day, "catheter", access="C1") for day in months])
    once_needled = in_care(
        2,
        placed("2023-06-01"),
        made("2023-06-01"),
        used(months[0], "catheter", access="C1"),
        used(months[1], "one-needle-and-line"),
        used(months[2], "catheter", access="C1"),
    )
    silent = in_care(3, placed("2023-06-01"), used(months[2], "catheter", access="C1"))
    ageless = in_care(99, placed("2023-06-01"), *[used(day, "catheter", access="C1") for day in months])

    found = long_term_catheters(people(sole, once_needled, silent, ageless), MARCH, people=PEOPLE)

    alone = found.of("catheter as the sole access used at the end of three months running")
    beside = found.of("catheter used, alone or beside a needle, at the end of three months running")
    assert (alone.count, alone.of) == (1, 2)
    assert (beside.count, beside.of) == (2, 2)
    assert {(one.why, one.count) for one in found.basis.left_out} == {("use-not-recorded", 1), ("age-not-recorded", 1)}


def test_started_dialysis_with_the_first_use_within_a_week():
    with_line = patient(
        1,
        began("2024-03-02", first_dialysis="2024-03-02"),
        placed("2024-03-02"),
        used("2024-03-02", "catheter", access="C1"),
    )
    with_fistula = patient(2, began("2024-03-05", first_dialysis="2024-03-05"), made("2023-03-02"), used("2024-03-07"))
    unsaid = patient(3, began("2024-03-05", first_dialysis="2024-03-05"), made("2023-03-02"))
    earlier = patient(4, began("2024-03-05", first_dialysis="2019-01-01"))
    perhaps = patient(5, began("2024-03-05", first_dialysis="2024"))
    unknown = patient(6, began("2024-03-05"))

    found = started_dialysis_with(people(with_line, with_fistula, unsaid, earlier, perhaps, unknown), MARCH)

    assert {one.name: (one.count, one.of) for one in found.shares} == {
        "tunnelled catheter": (1, 3),
        "fistula": (1, 3),
        "use not recorded": (1, 3),
    }
    assert {one.why for one in found.basis.left_out} == {"first-dialysis-perhaps", "first-dialysis-not-recorded"}


def test_first_uses_and_the_days_since_creation():
    first = patient(1, made("2024-01-01"), needled("2024-03-01"))
    second = patient(2, made("2023-12-01"), needled("2024-03-10"))
    partial = patient(3, made("2023"), needled("2024-03-10"))
    graft = patient(4, made("2024-03-01", "graft"), needled("2024-03-15"))
    met_in_use = patient(5, met("2024-03-01"), used("2024-03-02"))

    fistulas, grafts = first_uses(people(first, second, partial, graft, met_in_use), MARCH)

    assert (fistulas.kind, fistulas.count, fistulas.days) == (AccessKind.FISTULA, 3, (60, 100))
    assert fistulas.quartiles == (70.0, 80.0, 90.0)
    assert (grafts.kind, grafts.days) == (AccessKind.GRAFT, (14,))


def test_a_stay_begins_and_ends_with_care_and_changes_with_the_modality():
    care = people(
        patient(
            1, began("2023-01-01", unit="U1"), to("2023-06-01", "home-haemodialysis"), gone("2024-01-01", "transfer")
        )
    ).cares[0]

    stays = stays_of(care, longest=True)

    assert [(stay.span.days, stay.modality, stay.unit) for stay in stays] == [
        (151, "in-centre-haemodialysis", "U1"),
        (214, "home-haemodialysis", "U1"),
    ]


def test_rates_of_a_unit_count_only_its_own_time():
    moved = patient(
        1,
        began("2024-01-01", unit="U1"),
        placed("2024-01-01"),
        infected("2024-02-10"),
        to("2024-03-01", "in-centre-haemodialysis"),
        infected("2024-05-01"),
    )
    elsewhere = patient(2, began("2024-01-01", unit="U2"), placed("2024-01-01"))

    found = catheter_infections(people(moved, elsewhere), MARCH, unit="U1")

    assert found.of("any infection", "tunnelled catheter").exposure == 31
    assert found.basis.patients == 1


# --- Charts ---


def test_a_month_outside_the_limits_is_a_signal_and_the_others_are_noise():
    months = [(f"2024-{number:02}", 1 + 4 * (number % 2), 100.0) for number in range(1, 12)] + [("2024-12", 14, 100.0)]

    chart = u_chart("infections", "catheter-days", 1000, months)

    assert [mark.name for mark in chart.marks if mark.signal] == ["2024-12"]
    assert chart.centre == pytest.approx((6 * 5 + 5 * 1 + 14) / 1200 * 1000)
    assert "2024-12: outside the limits, above" in chart.says


def test_eight_months_on_one_side_are_a_signal():
    months = [(f"a{number}", 5, 100.0) for number in range(8)] + [(f"b{number}", 3, 100.0) for number in range(8)]

    chart = u_chart("infections", "catheter-days", 1000, months)

    assert [mark.name for mark in chart.marks if mark.signal] == ["a7", "b7"]


def test_shares_and_units_have_charts_of_their_own():
    shares = p_chart("catheters", [("2024-01", 10, 100), ("2024-02", 40, 100), ("2024-03", 12, 100)])
    units = funnel("infections", "catheter-days", 1000, [("U1", 2, 2000), ("U2", 12, 2000), ("U3", 3, 3000)])
    nothing = u_chart("infections", "catheter-days", 1000, [("2024-01", 0, 0.0)])

    assert [mark.name for mark in shares.marks if mark.signal] == ["2024-02"]
    assert [mark.name for mark, _, _ in units.marks if mark.signal] == ["U2"]
    assert nothing.centre is None
    assert nothing.marks[0].value is None
    json.dumps(shares.to_json(), allow_nan=False)


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 400)), min_size=1, max_size=20))
def test_limits_hold_the_centre(months):
    chart = u_chart("x", "days", 1000, [(str(place), count, float(of)) for place, (count, of) in enumerate(months)])

    for mark in chart.marks:
        # Limits are whole counts: the low one lies at or below the count nearest above the mean.
        assert mark.low <= chart.centre + 1000 / mark.of
        assert mark.high >= chart.centre - 1000 / mark.of
