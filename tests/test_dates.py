"""When something happened, as precisely as it was said: what is a date, what it can mean, and where."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from ledger.admission.known import reading_of
from ledger.dates import PartialDate, age_words, day_of, days_between, instant_text
from tests.strategies import days, partial_dates, zones

LONDON = ZoneInfo("Europe/London")
ST_JOHNS = ZoneInfo("America/St_Johns")
APIA = ZoneInfo("Pacific/Apia")

FHIR_DATE = re.compile(
    r"([0-9]([0-9]([0-9][1-9]|[1-9]0)|[1-9]00)|[1-9]000)(-(0[1-9]|1[0-2])(-(0[1-9]|[1-2][0-9]|3[0-1]))?)?"
)
"""The regular expression of FHIR's type `date` (hl7.org/fhir/R4/datatypes.html#date), from memory."""


@pytest.mark.parametrize(
    ("said", "precision", "earliest", "latest"),
    [
        ("2019", "year", date(2019, 1, 1), date(2019, 12, 31)),
        ("2019-03", "month", date(2019, 3, 1), date(2019, 3, 31)),
        ("2019-02", "month", date(2019, 2, 1), date(2019, 2, 28)),
        ("2020-02", "month", date(2020, 2, 1), date(2020, 2, 29)),
        ("1900-02", "month", date(1900, 2, 1), date(1900, 2, 28)),
        ("2000-02", "month", date(2000, 2, 1), date(2000, 2, 29)),
        ("2019-03-04", "day", date(2019, 3, 4), date(2019, 3, 4)),
        ("2020-02-29", "day", date(2020, 2, 29), date(2020, 2, 29)),
        ("2019-03-04T10:30", "instant", date(2019, 3, 4), date(2019, 3, 4)),
        ("2019-03-04T10:30:15.25", "instant", date(2019, 3, 4), date(2019, 3, 4)),
        ("2019-03-04T10:30:00+01:00", "instant", date(2019, 3, 4), date(2019, 3, 4)),
        ("2019-03-04T23:59Z", "instant", date(2019, 3, 4), date(2019, 3, 4)),
    ],
)
def test_a_date_means_all_that_it_can_mean_and_no_more(said: str, precision: str, earliest: date, latest: date):
    found = PartialDate(said)

    assert found.precision == precision
    assert (found.earliest, found.latest) == (earliest, latest)
    assert str(found) == said


@pytest.mark.parametrize(
    "said",
    [
        "",
        "19",
        "0999",
        "3000",
        "2019-3",
        "2019-00",
        "2019-13",
        "2019-03-00",
        "2019-03-32",
        "2019-02-29",
        "1900-02-29",
        "2019-04-31",
        "2019-03-04T10",
        "2019-03-04T24:00",
        "2019-03-04T10:60",
        "2019-03-04T10:30:60",
        "2019-03-04T10:30+25:00",
        "2019-03-04T10:30z",
        "2019-03-04 10:30",
        "2019-03-04T10:30:00.1234567",
        "2019\n",
        " 2019",
        "04.03.2019",
        "4 March 2019",
        "1２３４",  # digits that are digits and not ours
    ],
)
def test_what_is_no_date_is_refused_in_words(said: str):
    with pytest.raises(ValueError, match="is not a year, month, day or instant"):
        PartialDate(said)


@given(days)
def test_what_is_said_in_days_months_and_years_is_a_date_of_fhir(day: date):
    for said in (f"{day.year}", f"{day.year}-{day.month:02d}", day.isoformat()):
        assert FHIR_DATE.fullmatch(PartialDate(said))


@given(partial_dates())
def test_the_earliest_reading_is_not_after_the_latest(said: PartialDate):
    assert said.earliest <= said.latest
    assert (said.earliest == said.latest) is (said.precision in ("day", "instant"))


@given(days, zones)
def test_the_more_precise_lies_within_the_less_precise(day: date, zone: ZoneInfo):
    at_noon = PartialDate(f"{day.isoformat()}T12:00")
    the_day = PartialDate(day.isoformat())
    month = PartialDate(f"{day.year}-{day.month:02d}")
    year = PartialDate(f"{day.year}")

    for inner, outer in ((at_noon, the_day), (the_day, month), (month, year)):
        assert outer.earliest_in(zone) <= inner.earliest_in(zone) <= inner.latest_in(zone) <= outer.latest_in(zone)
        assert outer.earliest <= inner.earliest <= inner.latest <= outer.latest


@given(partial_dates(), partial_dates())
def test_dates_are_partly_ordered_and_neither_comes_before_itself(one: PartialDate, other: PartialDate):
    def surely_before(first: PartialDate, second: PartialDate) -> bool:
        return reading_of(first, LONDON).last < reading_of(second, LONDON).first

    assert not surely_before(one, one)
    assert not (surely_before(one, other) and surely_before(other, one))


@given(st.lists(partial_dates(), min_size=3, max_size=3))
def test_what_comes_before_what_comes_before_comes_before(three: list[PartialDate]):
    first, second, third = (reading_of(said, ST_JOHNS) for said in three)

    if first.last < second.first and second.last < third.first:
        assert first.last < third.first


def test_an_instant_without_an_offset_is_local_to_the_unit():
    said = PartialDate("2019-07-04T10:30")

    assert said.is_local
    for zone in (LONDON, ST_JOHNS, APIA):
        assert said.earliest_in(zone) == datetime(2019, 7, 4, 10, 30)
    assert not PartialDate("2019-07-04T10:30Z").is_local
    assert not PartialDate("2019-07-04").is_local


@pytest.mark.parametrize(
    ("zone", "local"),
    [
        (LONDON, datetime(2019, 7, 4, 11, 30)),  # summer time, one hour ahead
        (ST_JOHNS, datetime(2019, 7, 4, 8, 0)),  # two and a half hours behind in summer
        (APIA, datetime(2019, 7, 4, 23, 30)),  # thirteen hours ahead
    ],
)
def test_an_instant_with_an_offset_is_told_in_the_units_time(zone: ZoneInfo, local: datetime):
    """Offsets on that day: the IANA time zone database."""
    assert PartialDate("2019-07-04T10:30:00Z").earliest_in(zone) == local


@pytest.mark.parametrize(
    ("instant", "zone", "day"),
    [
        ("2019-07-04T22:59:59Z", LONDON, date(2019, 7, 4)),
        ("2019-07-04T23:00:00Z", LONDON, date(2019, 7, 5)),
        ("2019-07-04T02:29:59Z", ST_JOHNS, date(2019, 7, 3)),
        ("2019-07-04T02:30:00Z", ST_JOHNS, date(2019, 7, 4)),
        # Samoa left out 30 December 2011 and went from the 29th to the 31st.
        ("2011-12-30T09:59:59Z", APIA, date(2011, 12, 29)),
        ("2011-12-30T10:00:00Z", APIA, date(2011, 12, 31)),
    ],
)
def test_a_day_is_a_day_of_the_units_zone(instant: str, zone: ZoneInfo, day: date):
    """Offsets on these days: the IANA time zone database."""
    assert day_of(instant, zone) == day


def test_the_day_that_samoa_left_out_contradicts_neither_neighbour():
    left_out = reading_of("2011-12-30", APIA)
    day_before, day_after = reading_of("2011-12-29", APIA), reading_of("2011-12-31", APIA)

    assert day_before.last < left_out.first
    assert not left_out.last < day_after.first
    assert not day_after.last < left_out.first


@pytest.mark.parametrize(
    ("day", "hours"),
    [
        ("2020-03-29", 23),  # London's clocks go forward
        ("2020-10-25", 25),  # and back
        ("2020-06-01", 24),
    ],
)
def test_a_day_has_the_hours_that_its_zone_gives_it(day: str, hours: int):
    """The days on which London's clocks changed in 2020: the IANA time zone database."""
    found = reading_of(day, LONDON)

    assert found.last - found.first + 1 == hours * 3600


def test_an_hour_that_comes_twice_has_two_readings_and_one_that_never_comes_has_some():
    twice, never = reading_of("2020-10-25T01:30:00", LONDON), reading_of("2020-03-29T01:30:00", LONDON)

    assert twice.last - twice.first == 3600
    assert never.first <= never.last
    assert never.first_day == date(2020, 3, 29).toordinal()


def test_a_minute_may_be_any_of_its_seconds():
    minute, second = reading_of("2020-06-01T10:30", LONDON), reading_of("2020-06-01T10:30:59", LONDON)

    assert not minute.last < second.first
    assert not second.last < minute.first


@given(st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2050, 1, 1)), st.integers(1, 10**6), zones)
def test_instants_sort_as_text_in_the_order_of_time(moment: datetime, later: int, zone: ZoneInfo):
    first = moment.replace(tzinfo=zone)
    # Added in universal time: adding to a local time would lose the hour that a clock leaves out.
    second = datetime.fromtimestamp(first.timestamp() + later, tz=zone)

    assert instant_text(first) < instant_text(second)
    assert datetime.fromisoformat(instant_text(first)) == first


@pytest.mark.parametrize(
    ("since", "until", "said"),
    [
        (date(2024, 1, 1), date(2024, 1, 1), "0 days"),
        (date(2024, 1, 1), date(2024, 1, 2), "1 day"),
        (date(2024, 1, 1), date(2024, 1, 14), "13 days"),
        (date(2024, 1, 1), date(2024, 1, 15), "2 weeks"),
        (date(2024, 1, 1), date(2024, 4, 1), "13 weeks"),
        (date(2024, 1, 1), date(2024, 4, 2), "3 months"),
        (date(2024, 2, 29), date(2025, 2, 28), "11 months"),
        (date(2024, 2, 29), date(2025, 3, 1), "12 months"),
        (date(2024, 1, 1), date(2025, 12, 31), "23 months"),
        (date(2024, 1, 1), date(2026, 1, 1), "2 years"),
        (date(2024, 1, 1), date(2026, 2, 1), "2 years 1 month"),
    ],
)
def test_how_long_ago_is_said_in_the_wards_words(since: date, until: date, said: str):
    assert age_words(since, until) == said


@given(days, st.integers(-4000, 4000))
def test_days_between_count_leap_days(first: date, number: int):
    assert days_between(first, first + timedelta(days=number)) == number


def test_a_date_from_outside_is_checked_at_the_border():
    border = TypeAdapter(PartialDate)

    assert border.validate_python("2019-03") == PartialDate("2019-03")
    assert isinstance(border.validate_python("2019-03"), PartialDate)
    for wrong in (2019, None, date(2019, 3, 4), "2019-02-29", "x" * 100):
        with pytest.raises(ValidationError):
            border.validate_python(wrong)
