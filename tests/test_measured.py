"""A quantity as it was said: no digit is lost, no number is made up."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given

from ledger.measured import Measured, measured
from tests.strategies import decimals, measures


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("812.50", Measured(value="812.50")),
        ("0", Measured(value="0")),
        ("-200", Measured(value="-200")),
        ("<20", Measured(value="20", comparator="<")),
        ("< 20", Measured(value="20", comparator="<")),
        ("≤20", Measured(value="20", comparator="<=")),
        ("<=20", Measured(value="20", comparator="<=")),
        (">=600", Measured(value="600", comparator=">=")),
        ("≥600", Measured(value="600", comparator=">=")),
        ("> 600", Measured(value="600", comparator=">")),
        ("~5", Measured(value="5", comparator="~")),
        ("about 5", Measured(value="5", comparator="~")),
        ("3-4", Measured(low="3", high="4")),
        ("3 – 4", Measured(low="3", high="4")),
        ("3 to 4", Measured(low="3", high="4")),
        ("-20--5", Measured(low="-20", high="-5")),
        ("  6.0 ", Measured(value="6.0")),
    ],
)
def test_what_a_person_types_is_read_as_it_was_typed(typed: str, said: Measured):
    assert measured(typed) == said


@pytest.mark.parametrize(
    "typed", ["", "twenty", "5 mm", "5,0", "1e3", "4-3", "<", "5.", ".5", "1２", "0x1", "~3-4", "1" * 10]
)
def test_what_is_no_quantity_is_refused_in_words(typed: str):
    with pytest.raises(ValueError, match=r"is not a quantity|lies above"):
        measured(typed)


@pytest.mark.parametrize(
    "parts",
    [
        {},
        {"low": "1"},
        {"high": "1"},
        {"value": "1", "low": "1", "high": "2"},
        {"value": "1", "high": "2"},
        {"low": "2", "high": "1"},
        {"low": "1", "high": "2", "comparator": "<"},
        {"value": "1２"},
        {"value": "1."},
        {"value": "NaN"},
    ],
)
def test_half_a_quantity_is_none(parts: dict[str, str]):
    with pytest.raises(ValueError, match=r"quantity|decimal number|range"):
        Measured(**parts)  # type: ignore[arg-type]


def test_digits_stay_as_they_were_said():
    assert measured("812.50") != measured("812.5")
    assert str(measured("812.50")) == "812.50"
    assert measured("812.50").at_least == Decimal("812.5")


@pytest.mark.parametrize(
    ("typed", "least", "most", "exact"),
    [
        ("20", "20", "20", True),
        ("<20", None, "20", False),
        ("<=20", None, "20", False),
        (">20", "20", None, False),
        (">=20", "20", None, False),
        ("~20", "20", "20", False),
        ("3-4", "3", "4", False),
    ],
)
def test_a_quantity_means_no_more_than_it_says(typed: str, least: str | None, most: str | None, exact: bool):
    found = measured(typed)

    assert found.at_least == (None if least is None else Decimal(least))
    assert found.at_most == (None if most is None else Decimal(most))
    assert found.is_exact is exact


@given(measures())
def test_what_is_shown_can_be_typed_again(said: Measured):
    again = measured(str(said))

    assert again == Measured(value=said.value, comparator=said.comparator, low=said.low, high=said.high)


@given(measures())
def test_the_least_is_not_above_the_most(said: Measured):
    if said.at_least is not None and said.at_most is not None:
        assert said.at_least <= said.at_most


@given(decimals())
def test_a_plain_number_keeps_every_digit(digits: str):
    assert str(measured(digits)) == digits
