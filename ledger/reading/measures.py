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
_COMPARATOR = re.compile(
    r"(less\s+than\s+or\s+equal\s+to|less\s+than|no\s+more\s+than|at\s+most|under|below|<=|≤|(?<!-)>=|≥|<|(?<![-=])>"
    r"|greater\s+than|more\s+than|over|at\s+least|about|approximately|approx\.?|around|roughly|~|circa|ca\.?|nearly"
    r"|almost|estimated\s+at)\s*$"
)
_SIGNS: dict[str, Comparator] = {
    "lessthanorequalto": "<=", "lessthan": "<", "nomorethan": "<=", "atmost": "<=", "under": "<", "below": "<",
    "<=": "<=", "≤": "<=", ">=": ">=", "≥": ">=", "<": "<", ">": ">", "greaterthan": ">", "morethan": ">",
    "over": ">", "atleast": ">=", "about": "~", "approximately": "~", "approx": "~", "approx.": "~", "around": "~",
    "roughly": "~", "~": "~", "circa": "~", "ca": "~", "ca.": "~", "nearly": "~", "almost": "~", "estimatedat": "~",
}  # fmt: skip

_MM = r"(?:mm|rnm|millimet(?:er|re)s?)"
_CM = r"(?:cm|cms|centimet(?:er|re)s?)"
_ANY_NUMBER = re.compile(_N)
_BEGINS = re.compile(rf"(?<![\w.])(?:\d|\.\d|(?=[efnost])(?:{_NUMBER_WORD})\b)")
_PRE_POST = re.compile(
    r"\bpre\s*[:=]?\s*(?P<a>\d{2,3})(?!\s*(?:mm|ml|cm|[\d.]))\s*%?[^\n.]{0,24}?"
    r"\bpost\s*[:=]?\s*(?P<cmp><|<=)?\s*(?P<b>\d{1,2})(?!\s*(?:mm|ml|cm|[\d.x]))\s*%?"
)
# Each of these is matched where a number begins.
_ARROWED = re.compile(r"(?P<a>\d{1,3})\s*(?:->|→|=>|-->)\s*(?P<cmp><=?|~)?\s*(?P<b>\d{1,2})\s*(?:%|percent|per\s?cent)")
_PERCENT = re.compile(
    rf"(?P<a>{_N})(?:\s*(?:%|percent|per\s?cent)?\s*(?:-|–|—|to)\s*(?P<b>{_N}))?\s*-?\s*(?:%|percent\b|per\s?cent\b)"
)
_SIZE = re.compile(
    rf"(?P<a>{_N})\s*-?\s*(?P<ua>{_MM}|{_CM})?\s*(?:diameter|wide)?\s*(?:x|×|\*|by)\s*"
    rf"(?P<b>{_N})(?:\s*-?\s*(?P<ub>{_MM}|{_CM}))?(?![\w%])"
)
_LIST = re.compile(
    rf"(?P<list>(?:{_N}\s*-?\s*(?:{_MM})?\s*(?:,\s*and\s+then|,\s*then|,\s*and|and\s+then|then"
    rf"|followed\s+by(?:\s+an?)?|,|and|&|/|to)\s+(?:an?\s+|to\s+)?){{1,4}}{_N})\s*-?\s*{_MM}\b"
)
_LENGTH = re.compile(rf"(?P<a>{_N})(?:\s*(?P<u0>{_MM}|{_CM})?\s*(?:-|–|to)\s*(?P<b>{_N}))?\s*-?\s*(?P<u>{_MM}|{_CM})\b")
_FLOW = re.compile(
    rf"(?P<a>\d{{1,2}},?\d{{3}}|{_N})\s*(?:-|–)?\s*(?P<u>mls?\s*/\s*min(?:ute)?|mls?\s*per\s*min(?:ute)?|mls?\s*/\s*m"
    r"|l\s*/\s*min(?:ute)?|cc\s*/\s*min)\b"
)
_SINGLE: tuple[tuple[Unit, re.Pattern[str]], ...] = (
    ("fr", re.compile(rf"(?P<a>{_N})\s*-?\s*(?:f|fr|fr\.|french)(?![a-z])")),
    ("atm", re.compile(rf"(?P<a>{_N})\s*-?\s*(?:atms?|atmospheres?)\b")),
    ("units", re.compile(r"(?P<a>\d{1,3}(?:,\d{3})+|\d{1,6})\s*-?\s*(?:units?|iu|u)\b(?!\s*(?:/|per\b))")),
    ("mg", re.compile(rf"(?P<a>{_N})\s*-?\s*(?:mg|milligrams?)\b")),
    ("min", re.compile(rf"(?P<a>{_N})\s*-?\s*(?:min|mins|minutes?)\b")),
    ("gauge", re.compile(r"(?P<a>1[4-8])\s*-?\s*(?:g|ga|gauge)\b")),
    ("ml", re.compile(rf"(?P<a>{_N})\s*-?\s*(?:ml|mls|cc|milliliters?|millilitres?)\b(?!\s*(?:/|per\b))")),
)


def quantities_of(low: str) -> list[Quantity]:
    """Every number with a unit in a text in small letters, in order of where it stands."""
    found: list[Quantity] = []
    for one in _PRE_POST.finditer(low) if "post" in low else ():
        if int(one["a"]) <= 100:
            found.append(Quantity(one.start("a"), one.end("a"), "percent", Measured(value=one["a"])))
            after = Measured(value=one["b"], comparator=_sign(one["cmp"]))
            found.append(Quantity(one.start("b"), one.end("b"), "percent", after))
    taken = {one.start for one in found}
    done = 0
    for begin in _BEGINS.finditer(low):
        start = begin.start()
        if start < done or start in taken:
            continue
        for quantity in _at(low, start):
            found.append(quantity)
            done = max(done, quantity.end)
    found.sort(key=lambda quantity: quantity.start)
    return found


def _at(low: str, start: int) -> list[Quantity]:
    """The quantity that begins at a number, two of them for "80->10 %", none for a bare number."""
    arrowed = _ARROWED.match(low, start)
    if arrowed:
        after = Measured(value=arrowed["b"], comparator=_sign(arrowed["cmp"]))
        place = arrowed.start("cmp") if arrowed["cmp"] else arrowed.start("b")
        return [
            Quantity(start, arrowed.end("a"), "percent", Measured(value=arrowed["a"])),
            Quantity(place, arrowed.end(), "percent", after),
        ]
    comparator = _COMPARATOR.search(low, max(0, start - 24), start)
    sign = _sign(comparator[1]) if comparator else None
    begins = comparator.start() if comparator else start
    percent = _PERCENT.match(low, start)
    if percent and percent["b"] and _falls(percent["a"], percent["b"]):
        # "From 95 % to 40 %" are two numbers and no range.
        first, second = _bounded(percent["a"], None, sign), _bounded(percent["b"], None, None)
        if first is not None and second is not None and _within_percent(first):
            return [
                Quantity(begins, percent.end("a"), "percent", first),
                Quantity(percent.start("b"), percent.end(), "percent", second),
            ]
    if percent:
        quantity = _bounded(percent["a"], percent["b"], sign)
        if quantity is not None and _within_percent(quantity):
            return [Quantity(begins, percent.end(), "percent", quantity)]
        return []
    size = _SIZE.match(low, start)
    if size:
        first, second = _size(size)
        if first is not None and second is not None:
            return [Quantity(start, size.end(), "size", first, second)]
    several = _LIST.match(low, start)
    if several:
        numbers = [_digits(number) for number in _ANY_NUMBER.findall(several["list"])]
        all_of_it = tuple(Measured(value=number) for number in numbers if number)
        if len(all_of_it) > 1:
            return [Quantity(start, several.end(), "sizes", all_of_it[0], None, all_of_it)]
    length = _LENGTH.match(low, start)
    if length:
        said = _length(length, sign)
        if said is not None:
            return [Quantity(begins, length.end(), "mm", said)]
    flow = _FLOW.match(low, start)
    if flow:
        number = _digits(flow["a"].replace(",", ""))
        if number is not None:
            number = _moved(number, 3) if flow["u"].startswith("l") else number
            return [Quantity(begins, flow.end(), "ml_min", Measured(value=number, comparator=sign))]
    for unit, pattern in _SINGLE:
        single = pattern.match(low, start)
        if single:
            value = _bounded(single["a"].replace(",", ""), None, None)
            if value is not None:
                return [Quantity(start, single.end(), unit, value)]
    return []


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


def _bounded(first: str, second: str | None, comparator: Comparator | None) -> Measured | None:
    low, high = _digits(first), _digits(second)
    if low is None:
        return None
    if high is not None:
        # "80-90 %"; "from 80 to 20" is no range, and whoever looks for residuals takes it apart.
        if Decimal(low) < Decimal(high):
            return Measured(low=low, high=high)
        return Measured(value=high)
    return Measured(value=low, comparator=comparator)


def _falls(first: str, second: str) -> bool:
    before, after = _digits(first), _digits(second)
    return before is not None and after is not None and Decimal(before) > Decimal(after)


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


def _length(one: re.Match[str], sign: Comparator | None) -> Measured | None:
    quantity = _bounded(one["a"], one["b"], sign)
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
