"""Numbers with their units, as they stand in a text.

What a number is about is decided elsewhere; here it is found, with its comparator or
its range, and brought to the unit of the field that may hold it. Centimetres become
millimetres by moving the point, so that no digit is lost or made up.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from ledger.measured import Comparator, Measured

Unit = Literal["percent", "mm", "size", "sizes", "fr", "atm", "ml_min", "units", "mg", "ml", "min", "gauge"]


@dataclass(frozen=True)
class Quantity:
    """A number at `start` to `end`. For a `size` `first` is the diameter and `second` the length; `all` of a list."""

    start: int
    end: int
    unit: Unit
    first: Measured
    second: Measured | None = None
    all: tuple[Measured, ...] = ()


_WORDS = {
    "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6", "seven": "7", "eight": "8",
    "nine": "9", "ten": "10", "eleven": "11", "twelve": "12", "fifteen": "15", "twenty": "20", "twenty-five": "25",
    "thirty": "30", "thirty-five": "35", "forty": "40", "forty-five": "45", "fifty": "50", "fifty-five": "55",
    "sixty": "60", "sixty-five": "65", "seventy": "70", "seventy-five": "75", "eighty": "80", "eighty-five": "85",
    "ninety": "90", "ninety-five": "95", "ninety-nine": "99", "hundred": "100", "one hundred": "100",
}  # fmt: skip
_NUMBER_WORD = "|".join(sorted((re.escape(one).replace("\\-", r"[\s-]") for one in _WORDS), key=len, reverse=True))
_N = rf"(?:\d{{1,4}}(?:\.\d{{1,3}})?|\.\d{{1,2}}|(?:{_NUMBER_WORD}))"
_COMPARATOR = (
    r"(?P<cmp>less\s+than\s+or\s+equal\s+to|less\s+than|no\s+more\s+than|at\s+most|under"
    r"|below|<=|≤|(?<!-)>=|≥|<|(?<![-=])>|greater\s+than"
    r"|more\s+than|over|at\s+least|about|approximately|approx\.?|around|roughly|~|circa"
    r"|ca\.?|nearly|almost|estimated\s+at)?"
)
_SIGNS: dict[str, Comparator] = {
    "lessthanorequalto": "<=", "lessthan": "<", "nomorethan": "<=", "atmost": "<=", "under": "<", "below": "<",
    "<=": "<=", "≤": "<=", ">=": ">=", "≥": ">=", "<": "<", ">": ">", "greaterthan": ">", "morethan": ">",
    "over": ">", "atleast": ">=", "about": "~", "approximately": "~", "approx": "~", "approx.": "~", "around": "~",
    "roughly": "~", "~": "~", "circa": "~", "ca": "~", "ca.": "~", "nearly": "~", "almost": "~", "estimatedat": "~",
}  # fmt: skip

_MM = r"(?:mm|rnm|millimet(?:er|re)s?)"
_CM = r"(?:cm|cms|centimet(?:er|re)s?)"
_PERCENT = re.compile(
    rf"{_COMPARATOR}\s*(?<![\w.])(?P<a>{_N})(?:\s*(?:%|percent|per\s?cent)?\s*(?:-|–|—|to)\s*(?P<b>{_N}))?"
    r"\s*-?\s*(?:%|percent\b|per\s?cent\b)"
)
_ARROWED = re.compile(
    r"(?<![\w./])(?P<a>\d{1,3})\s*(?:->|→|=>|-->)\s*(?P<cmp><|<=|~)?\s*(?P<b>\d{1,2})\s*(?:%|percent|per\s?cent)"
)
_PRE_POST = re.compile(
    r"\bpre\s*[:=]?\s*(?P<a>\d{2,3})(?!\s*(?:mm|ml|cm"
    r"|[\d.]))\s*%?[^\n.]{0,24}?\bpost\s*[:=]?\s*(?P<cmp><"
    r"|<=)?\s*(?P<b>\d{1,2})(?!\s*(?:mm|ml|cm|[\d.x]))\s*%?"
)
_SIZE = re.compile(
    rf"(?<![\w.])(?P<a>{_N})\s*-?\s*(?P<ua>{_MM}|{_CM})?\s*(?:diameter|wide)?\s*(?:x|×|\*"
    rf"|by)\s*(?P<b>{_N})\s*-?\s*(?P<ub>{_MM}|{_CM})?"
    r"(?![\w%])"
)
_LIST = re.compile(
    rf"(?<![\w.])(?P<list>(?:{_N}\s*-?\s*(?:{_MM})?\s*(?:,\s*and\s+then|,\s*then|,\s*and"
    rf"|and\s+then|then|followed\s+by(?:\s+an?)?|,|and|&|/|to)\s+(?:an?\s+|to\s+)?){{1,4}}"
    rf"{_N})\s*-?\s*{_MM}\b"
)
_LENGTH = re.compile(
    rf"{_COMPARATOR}\s*(?<![\w.])(?P<a>{_N})(?:\s*(?P<u0>{_MM}|{_CM})?\s*(?:-|–"
    rf"|to)\s*(?P<b>{_N}))?\s*-?\s*(?P<u>{_MM}|{_CM})\b"
)
_FR = re.compile(rf"(?<![\w.])#?(?P<a>{_N})\s*-?\s*(?:f|fr|fr\.|french)(?![a-z])")
_ATM = re.compile(rf"(?<![\w.])(?P<a>{_N})\s*-?\s*(?:atm|atms|atmospheres?|atmosphere)\b")
_FLOW = re.compile(
    rf"{_COMPARATOR}\s*(?<![\w.])(?P<a>\d{{1,2}}[,]?\d{{3}}|{_N})\s*(?:-"
    rf"|–)?\s*(?P<u>mls?\s*/\s*min(?:ute)?|ml\s*per\s*min(?:ute)?|mls?\s*/\s*m"
    rf"|l\s*/\s*min(?:ute)?|cc\s*/\s*min)\b"
)
_UNITS = re.compile(r"(?<![\w.])(?P<a>\d{1,3}(?:,\d{3})+|\d{1,6})\s*-?\s*(?:units?|iu|u)\b(?!\s*(?:/|per\b))")
_MG = re.compile(rf"(?<![\w.])(?P<a>{_N})\s*-?\s*(?:mg|milligrams?)\b")
_ML = re.compile(rf"(?<![\w.])(?P<a>{_N})\s*-?\s*(?:ml|mls|cc|milliliters?|millilitres?)\b(?!\s*(?:/|per\b))")
_MIN = re.compile(rf"(?<![\w.])(?P<a>{_N})\s*-?\s*(?:min|mins|minutes?)\b")
_GAUGE = re.compile(r"(?<![\w.])#?(?P<a>1[4-8])\s*-?\s*(?:g|ga|gauge)\b")
_ANY_NUMBER = re.compile(_N)


def quantities_of(low: str) -> list[Quantity]:
    """Every number with a unit in a text in small letters, in order of where it stands."""
    found: list[Quantity] = []
    taken: list[tuple[int, int]] = []

    def free(start: int, end: int) -> bool:
        return all(end <= left or start >= right for left, right in taken)

    def keep(quantity: Quantity) -> None:
        found.append(quantity)
        taken.append((quantity.start, quantity.end))

    for one in _PRE_POST.finditer(low):
        if int(one["a"]) <= 100:
            keep(Quantity(one.start("a"), one.end("a"), "percent", Measured(value=one["a"])))
            after = Measured(value=one["b"], comparator=_sign(one["cmp"]))
            keep(Quantity(one.start("b"), one.end("b"), "percent", after))
    if "%" in low or "percent" in low or "per cent" in low:
        for one in _ARROWED.finditer(low):
            keep(Quantity(one.start("a"), one.end("a"), "percent", Measured(value=one["a"])))
            after = Measured(value=one["b"], comparator=_sign(one["cmp"]))
            keep(Quantity(one.start("cmp") if one["cmp"] else one.start("b"), one.end(), "percent", after))
        for one in _PERCENT.finditer(low):
            if not free(one.start("a"), one.end()):
                continue
            quantity = _bounded(one["a"], one["b"], one["cmp"])
            if quantity is not None and _within_percent(quantity):
                keep(Quantity(_start_of(one), one.end(), "percent", quantity))
    for one in _SIZE.finditer(low):
        if not free(one.start(), one.end()):
            continue
        first, second = _size(one)
        if first is not None and second is not None:
            keep(Quantity(one.start(), one.end(), "size", first, second))
    for one in _LIST.finditer(low):
        if not free(one.start(), one.end()):
            continue
        all_of_it = tuple(
            Measured(value=_digits(number)) for number in _ANY_NUMBER.findall(one["list"]) if _digits(number)
        )
        if len(all_of_it) > 1:
            keep(Quantity(one.start(), one.end(), "sizes", all_of_it[0], None, all_of_it))
    for one in _LENGTH.finditer(low):
        if not free(one.start("a"), one.end()):
            continue
        length = _length(one)
        if length is not None:
            keep(Quantity(_start_of(one), one.end(), "mm", length))
    for pattern, unit in ((_FR, "fr"), (_ATM, "atm"), (_UNITS, "units"), (_MG, "mg"), (_MIN, "min"), (_GAUGE, "gauge")):
        for one in pattern.finditer(low):
            if free(one.start(), one.end()):
                value = _bounded(one["a"].replace(",", ""), None, None)
                if value is not None:
                    keep(Quantity(one.start(), one.end(), unit, value))  # type: ignore[arg-type]
    for one in _FLOW.finditer(low):
        if not free(one.start("a"), one.end()):
            continue
        number = _digits(one["a"].replace(",", ""))
        if number is None:
            continue
        if one["u"].startswith("l"):
            number = _moved(number, 3)
        keep(Quantity(one.start("a"), one.end(), "ml_min", Measured(value=number, comparator=_sign(one["cmp"]))))
    for one in _ML.finditer(low):
        if free(one.start(), one.end()):
            value = _bounded(one["a"], None, None)
            if value is not None:
                keep(Quantity(one.start(), one.end(), "ml", value))
    found.sort(key=lambda quantity: quantity.start)
    return found


def _start_of(one: re.Match[str]) -> int:
    """Where the number begins, with its comparator; not at the white space before it."""
    return one.start("cmp") if one["cmp"] else one.start("a")


def _digits(text: str | None) -> str | None:
    if text is None:
        return None
    text = re.sub(r"\s+", "-", text.strip())
    text = _WORDS.get(text, _WORDS.get(text.replace("-", " "), text))
    if text.startswith("."):
        text = "0" + text
    return text if re.fullmatch(r"\d{1,6}(\.\d{1,3})?", text) else None


def _sign(text: str | None) -> Comparator | None:
    return _SIGNS.get(re.sub(r"\s+", "", text)) if text else None


def _bounded(first: str, second: str | None, comparator: str | None) -> Measured | None:
    low, high = _digits(first), _digits(second)
    if low is None:
        return None
    if high is not None:
        # "80-90 %"; "from 80 to 20" is no range, and whoever looks for residuals takes it apart.
        if Decimal(low) < Decimal(high):
            return Measured(low=low, high=high)
        return Measured(value=high)
    return Measured(value=low, comparator=_sign(comparator))


def _within_percent(quantity: Measured) -> bool:
    most = quantity.value or quantity.high
    return most is not None and Decimal(most) <= 100


def _size(one: re.Match[str]) -> tuple[Measured | None, Measured | None]:
    first, second = _digits(one["a"]), _digits(one["b"])
    if first is None or second is None:
        return None, None
    unit_first, unit_second = one["ua"], one["ub"]
    if unit_first is None and unit_second is None and "by" in one.group():
        return None, None
    if unit_first and unit_first.startswith("c"):
        first = _moved(first, 1)
    if unit_second and unit_second.startswith("c"):
        second = _moved(second, 1)
    # "8 x 4 cm" of a balloon: nobody has a balloon of 80 mm, so the unit is of the length alone.
    return Measured(value=first), Measured(value=second)


def _length(one: re.Match[str]) -> Measured | None:
    quantity = _bounded(one["a"], one["b"], one["cmp"])
    if quantity is None or not one["u"].startswith("c"):
        return quantity
    if quantity.value is not None:
        return Measured(value=_moved(quantity.value, 1), comparator=quantity.comparator)
    assert quantity.low is not None
    assert quantity.high is not None
    return Measured(low=_moved(quantity.low, 1), high=_moved(quantity.high, 1))


def _moved(number: str, places: int) -> str:
    """The number with its point moved to the right: 2.5 cm are 25 mm, with no digit more or less than was said."""
    whole, _, part = number.partition(".")
    part = part.ljust(places, "0")
    moved = (whole + part[:places]).lstrip("0") or "0"
    return f"{moved}.{part[places:]}" if part[places:] else moved
