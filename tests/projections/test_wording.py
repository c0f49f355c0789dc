"""How dates, sides and accesses are said: the examples in the docstrings are true, and no date is made fuller."""

from __future__ import annotations

import doctest
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.dates import PartialDate
from ledger.projections import wording
from ledger.projections.wording import access_name, day_words, listed, nth, on_day
from ledger.vocabulary import AccessKind, Side


def test_the_examples_in_the_docstrings_are_true():
    assert doctest.testmod(wording).failed == 0


@pytest.mark.parametrize(
    ("when", "said"),
    [
        ("2019", "in 2019"),
        ("2019-03", "in March 2019"),
        ("2019-03-04", "on 4 March 2019"),
        ("2019-03-04T10:30", "on 4 March 2019 at 10:30"),
        ("2019-03-04T10:30:00+01:00", "on 4 March 2019 at 10:30"),
    ],
)
def test_a_date_is_said_as_precisely_as_it_was(when, said):
    assert on_day(PartialDate(when)) == said


@given(st.dates(min_value=date(1900, 1, 1), max_value=date(2100, 1, 1)))
def test_a_year_never_grows_a_month_and_a_month_never_a_day(day):
    year, month = day_words(PartialDate(f"{day:%Y}")), day_words(PartialDate(f"{day:%Y-%m}"))

    assert year.isdigit()
    assert len(month.split()) == 2


@pytest.mark.parametrize(
    ("number", "said"), [(1, "1st"), (2, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (21, "21st")]
)
def test_the_nth_time(number, said):
    assert nth(number) == said


def test_a_list_leaves_out_what_is_empty():
    assert listed(["thrill", "", "bruit"]) == "thrill and bruit"
    assert listed(["thrill", "bruit"], "or") == "thrill or bruit"


@pytest.mark.parametrize("kind", AccessKind)
@pytest.mark.parametrize("side", Side)
def test_a_side_that_is_known_is_in_every_name_in_capitals(kind, side):
    assert side.value.upper() in access_name(kind, side)


def test_two_sides_are_both_said():
    assert access_name(AccessKind.FISTULA, Side.LEFT, other_side=Side.RIGHT) == (
        "fistula, SIDE UNSETTLED: told as LEFT and as RIGHT"
    )
