"""Which numbers cannot be, and which are unusual: the table in `plausible.toml`, read once.

A quantity cannot be only if no reading of it can: "<120 %" may be ninety. It is unusual as soon as a number that was
said lies outside the usual range.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, NamedTuple, Union, get_args, get_origin, get_type_hints

import ledger.events
from ledger.measured import Measured


class Limits(NamedTuple):
    """The bounds of one number; infinite where there is none."""

    never_below: float
    never_above: float
    usually_from: float
    usually_to: float
    source: str


Odd = Callable[[str, bool], None]
"""Is told the name of a field, and whether its number cannot be (True) or is only unusual (False)."""


@cache
def limits_of(cls: str, field: str) -> Limits:
    """The bounds of a field of a class of `ledger.events`. Raises KeyError where the table has no line."""
    line = _table()[cls][field]
    never_below, never_above = _bound(line["possible"][0], -math.inf), _bound(line["possible"][1], math.inf)
    return Limits(
        never_below=never_below,
        never_above=never_above,
        usually_from=_bound(line["usual"][0], never_below),
        usually_to=_bound(line["usual"][1], never_above),
        source=line["source"],
    )


def _bound(said: float | str, without: float) -> float:
    return without if said == "" else float(said)


@cache
def _table() -> dict[str, Any]:
    with Path(__file__).with_name("plausible.toml").open("rb") as file:
        return tomllib.load(file)


@cache
def numbers_of(cls: Any) -> Callable[[Any, Odd], None] | None:
    """The check of all numbers in an object of this class, at any depth; None where it can hold none."""
    measures: list[tuple[str, Limits]] = []
    counts: list[tuple[str, Limits]] = []
    many_measures: list[tuple[str, Limits]] = []
    within: list[tuple[str, Callable[[Any, Odd], None]]] = []
    for name, bare, is_many in numeric_and_nested(cls):
        if bare is Measured:
            (many_measures if is_many else measures).append((name, limits_of(cls.__name__, name)))
        elif bare is int:
            counts.append((name, limits_of(cls.__name__, name)))
        elif (inner := numbers_of(bare)) is not None:
            assert is_many, "one object inside another has no numbers yet"
            within.append((name, inner))
    if not (measures or counts or many_measures or within):
        return None

    def check(value: Any, odd: Odd) -> None:
        held = value.__dict__
        for name, limits in measures:
            quantity = held.get(name)
            if quantity is None:
                continue
            # Nearly every number is plain and usual, and this is asked for every number of every import.
            value = quantity.value
            if (
                value is None
                or quantity.comparator is not None
                or not limits.usually_from <= float(value) <= limits.usually_to
            ):
                _judge(quantity, limits, name, odd)
        for name, limits in counts:
            count = held.get(name)
            if count is not None and not limits.usually_from <= count <= limits.usually_to:
                odd(name, not limits.never_below <= count <= limits.never_above)
        for name, limits in many_measures:
            for quantity in held.get(name, ()):
                _judge(quantity, limits, name, odd)
        for name, inner in within:
            for item in held.get(name, ()):
                inner(item, odd)

    return check


def _judge(quantity: Measured, limits: Limits, name: str, odd: Odd) -> None:
    if quantity.value is not None:
        number = float(quantity.value)
        least, most = number, number
        if quantity.comparator in ("<", "<="):
            least = -math.inf
        elif quantity.comparator in (">", ">="):
            most = math.inf
        usual = limits.usually_from <= number <= limits.usually_to
        # "More than 100 percent" touches the bound and still cannot be.
        beyond = (quantity.comparator == ">" and number >= limits.never_above) or (
            quantity.comparator == "<" and number <= limits.never_below
        )
    else:
        assert quantity.low is not None
        assert quantity.high is not None
        least, most = float(quantity.low), float(quantity.high)
        usual = limits.usually_from <= least and most <= limits.usually_to
        beyond = False
    cannot_be = beyond or least > limits.never_above or most < limits.never_below
    if cannot_be or not usual:
        odd(name, cannot_be)


@cache
def numeric_and_nested(cls: Any) -> tuple[tuple[str, Any, bool], ...]:
    """The fields of a class that hold numbers or objects: name, type behind None and tuple, and whether many."""
    hints = get_type_hints(cls, vars(ledger.events), include_extras=True)
    found = []
    for one in fields(cls):
        bare, is_many = _bare(hints[one.name]), False
        if get_origin(bare) is tuple:
            bare, is_many = _bare(get_args(bare)[0]), True
        if bare is int or (is_dataclass(bare) and bare is not ledger.events.Words):
            found.append((one.name, bare, is_many))
    return tuple(found)


def _bare(hint: Any) -> Any:
    """The type behind `Annotated` and `| None`; a union of several stays what it is."""
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif get_origin(hint) in (Union, UnionType):
            inner = [arg for arg in get_args(hint) if arg is not NoneType]
            if len(inner) != 1:
                return hint
            hint = inner[0]
        else:
            return hint
