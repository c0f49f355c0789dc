"""The machine's list of dialyses → one session a row. CSV, with a mapping of columns that a person saved once.

A house heads its columns as its machines or its office do; the mapping (`SessionColumns`, JSON) says once what each
heading is for, in which unit its numbers are, what the house's own words mean, and in which order it types its dates.
A row that cannot be read is set apart with its line and the reason; the others go on. No number is guessed: what is not
a number in the column's unit is refused, an empty cell is not recorded.

Not for: whose row it is and which access it means (`ledger.store.sessions`), what can be and what is odd
(`ledger.admission`).

To let a column hold another field of a session, add the field to `CannulationSession`: the uses of columns are its
fields. To offer a heading of another house, add it to `sessions.toml`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields
from decimal import Decimal
from enum import Enum
from functools import cache
from importlib.resources import files
from types import NoneType, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from ledger import events
from ledger.arrival.sheets import DateOrder, csv_rows, heading_key, readings_in_order
from ledger.dates import PartialDate
from ledger.errors import WrongInput
from ledger.events import CannulationSession
from ledger.measured import Measured, measured

ABOUT_WHOM = ("patient", "name", "birth-date", "access")
WHEN = ("day", "time")
ASIDE = ("session-id", "leave-out")
_OWN = frozenset({"kind", "happened", "access"})

UNITS: dict[str, dict[str, Decimal]] = {
    "ml_min": {"ml/min": Decimal(1), "l/min": Decimal(1000)},
    "mmhg": {"mmhg": Decimal(1)},
    "cm": {"cm": Decimal(1), "mm": Decimal("0.1")},
    "mm": {"mm": Decimal(1), "cm": Decimal(10)},
    "minutes": {"min": Decimal(1), "minutes": Decimal(1), "h": Decimal(60), "hours": Decimal(60)},
}
"""For the end of a field's name, the units that a column may be in and what each is in that of the field.

Only what converts without rounding: a number is kept as it was said.
"""


@dataclass(frozen=True, kw_only=True)
class SessionColumn:
    """A heading as it stands in the list, and what the column is for.

    `use` is one of `uses()`. `unit` is that of its numbers; without it, that of the field. `system` is whose numbers
    the patients' numbers are. `words` gives for a word of the house the word of the ledger: {"2N": "two-needles"}.
    """

    heading: str
    use: str
    unit: str | None = None
    system: str | None = None
    words: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class SessionColumns:
    """What the columns of one house's list of sessions are for. `decimal` is the sign before decimals: . or ,"""

    name: str
    columns: tuple[SessionColumn, ...]
    dates: DateOrder | None = None
    decimal: Literal[".", ","] = "."
    format: Literal[1] = 1

    def to_json(self) -> bytes:
        """The mapping as it is saved."""
        import orjson

        return orjson.dumps(self, option=orjson.OPT_INDENT_2)

    @classmethod
    def from_json(cls, saved: bytes) -> SessionColumns:
        """A saved mapping. Raises WrongInput when it is none, or does not say enough."""
        from pydantic import TypeAdapter, ValidationError

        try:
            found = TypeAdapter(cls).validate_json(saved)
        except ValidationError as wrong:
            first = wrong.errors(include_url=False, include_input=False)[0]
            place = ".".join(str(step) for step in first["loc"]) or "the whole"
            raise WrongInput(
                f"The column mapping is not one: {place}: {first['msg']}.",
                "Correct it, or save it anew with `access-ledger entries sessions FILE --save NAME`.",
            ) from None
        found.check()
        return found

    def check(self) -> None:
        """Raises WrongInput where the mapping cannot give a session, or says two things."""
        problem = next(self._problems(), None)
        if problem is not None:
            raise WrongInput(f"The column mapping {self.name[:40]!r} does not do: {problem}.", _SAY_COLUMNS)

    def _problems(self) -> Iterator[str]:
        headings = [heading_key(column.heading) for column in self.columns]
        yield from (f"it names {one!r} twice" for one in headings if headings.count(one) > 1)
        used = [column.use for column in self.columns if column.use != "leave-out"]
        yield from (f"two columns are said to be {use}" for use in used if used.count(use) > 1)
        for column in self.columns:
            if column.use not in uses():
                yield f"{column.use[:40]!r} is nothing that a column can be for"
            elif column.unit is not None and _factor(column) is None:
                yield (
                    f"{column.unit[:20]!r} is no unit for {column.use}; it is read in {' or '.join(_units(column.use))}"
                    if _units(column.use)
                    else f"{column.use} has no unit"
                )
        yield from (f"no column says the {needed}" for needed in ("patient", "day") if needed not in used)


_SAY_COLUMNS = (
    'Say what a column is for with --column "HEADING=USE", or "HEADING=USE in UNIT"; '
    "`access-ledger entries sessions --help` lists the uses."
)


@dataclass(frozen=True, kw_only=True)
class SessionRow:
    """One row of the list: its line in the file, whose it is as the list says it, and the session in plain values."""

    line: int
    number: str
    system: str | None
    name: str | None
    births: tuple[PartialDate, ...]
    access: str | None
    session_id: str | None
    event: dict[str, Any]
    note: str | None


@dataclass(frozen=True, kw_only=True)
class RowRefused:
    """A row that cannot be read, by its line in the file: why, and what to do. Repeats nothing that stands in it."""

    line: int
    problem: str
    remedy: str


@cache
def uses() -> tuple[str, ...]:
    """Everything that a column can be for."""
    own = tuple(one.name.replace("_", "-") for one in fields(CannulationSession) if one.name not in _OWN)
    return (*ABOUT_WHOM, *WHEN, *own, *ASIDE)


def proposed_columns(headings: Sequence[str], name: str = "proposed") -> SessionColumns:
    """A first mapping for these headings, for a person to look at. A heading that nobody knows is left out."""
    known = {heading_key(one): group["use"] for group in _known_headings() for one in group["headings"]}
    columns: list[SessionColumn] = []
    for heading in dict.fromkeys(heading for heading in headings if heading.strip()):
        said, unit = _unit_in(heading)
        use = known.get(heading_key(said), "leave-out")
        if use != "leave-out" and any(column.use == use for column in columns):
            use = "leave-out"
        column = SessionColumn(heading=heading, use=use, unit=unit if _units(use) else None)
        columns.append(column)
    return SessionColumns(name=name, columns=tuple(columns))


def session_rows(text: str, mapping: SessionColumns) -> Iterator[SessionRow | RowRefused]:
    """The rows of a list, in the order of the file. Raises WrongInput where the list is not of this mapping's kind."""
    rows = numbered_rows(text)
    first = next(rows, None)
    if first is None:
        raise WrongInput("The list is empty.", "Save it anew, with a row of headings and a row for each session.")
    headings = [heading_key(cell) for cell in first[1]]
    missing = [c.heading for c in mapping.columns if c.use != "leave-out" and heading_key(c.heading) not in headings]
    twice = [c.heading for c in mapping.columns if c.use != "leave-out" and headings.count(heading_key(c.heading)) > 1]
    if missing or twice:
        said = [f"has no column {one!r}" for one in missing] + [f"has {one!r} twice" for one in twice]
        raise WrongInput(
            f"The list does not fit the column mapping {mapping.name!r}: it {', and it '.join(said[:5])}.",
            "Use the mapping of its own kind, or save one for it with --save.",
        )
    for column in mapping.columns:
        _, in_heading = _unit_in(column.heading)
        if in_heading and _units(column.use) and in_heading.lower() != (column.unit or _units(column.use)[0]).lower():
            raise WrongInput(
                f"The heading of the column for {column.use} speaks of {in_heading}, the mapping {mapping.name!r} of "
                f"{column.unit or _units(column.use)[0]}.",
                "Look which is true, and save the mapping anew.",
            )
    by_heading = {heading_key(column.heading): column for column in mapping.columns}
    placed = [by_heading.get(heading) for heading in headings]
    for line, cells in rows:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(placed) and any(cell.strip() for cell in cells[len(placed) :]):
            yield RowRefused(
                line=line,
                problem="The row has more cells than there are headings.",
                remedy="Put a cell that holds the separating sign in double quotes.",
            )
            continue
        held = {c.use: (c, cell.strip()) for c, cell in zip(placed, cells, strict=False) if c is not None}
        yield _row(line, {use: found for use, found in held.items() if found[1] and use != "leave-out"}, mapping)


def numbered_rows(text: str) -> Iterator[tuple[int, list[str]]]:
    """The rows with the lines on which they begin: a cell in quotes may hold line ends."""
    line = 1
    for cells in csv_rows(text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")):
        yield line, cells
        line += 1 + sum(cell.count("\n") for cell in cells)


def _row(line: int, held: Mapping[str, tuple[SessionColumn, str]], mapping: SessionColumns) -> SessionRow | RowRefused:
    try:
        event: dict[str, Any] = {"kind": "cannulation-session", "happened": _happened(held, mapping)}
        for use, (column, cell) in held.items():
            name = use.replace("-", "_")
            if use not in (*ABOUT_WHOM, *WHEN, *ASIDE, "note"):
                event[name] = _value(name, column, column.words.get(cell, cell), mapping.decimal)
        if "patient" not in held:
            raise _cell("patient", "is empty", "Say whose session it is.")
        births: tuple[PartialDate, ...] = ()
        if "birth-date" in held:
            births = readings_in_order(held["birth-date"][1], mapping.dates, birth=True)
            if not births:
                raise _cell("birth-date", "is no date", "Write it as 1958-07-14, or leave it empty.")
    except WrongInput as wrong:
        return RowRefused(line=line, problem=wrong.problem, remedy=wrong.remedy)
    said = {use: column.words.get(cell, cell) for use, (column, cell) in held.items()}
    return SessionRow(
        line=line,
        number=said["patient"],
        system=held["patient"][0].system,
        name=said.get("name"),
        births=births,
        access=said.get("access"),
        session_id=said.get("session-id"),
        event=event,
        note=said.get("note"),
    )


def _happened(held: Mapping[str, tuple[SessionColumn, str]], mapping: SessionColumns) -> str:
    if "day" not in held:
        raise _cell("day", "is empty", "Say on which day it was.")
    cell = held["day"][1]
    day, _, clock = cell.replace("T", " ").partition(" ") if re.match(r"\d{4}-\d\d-\d\d[T ]", cell) else (cell, "", "")
    readings = readings_in_order(day, mapping.dates)
    if len(readings) > 1:
        raise _cell("day", "can be read in two ways", "Save the mapping with --dates day-first or month-first.")
    if not readings or len(readings[0]) != 10:
        raise _cell("day", "is no day", "Write it as 2026-03-04.")
    clock = (held["time"][1] if "time" in held else clock).strip()
    if not clock:
        return str(readings[0])
    found = re.fullmatch(r"(\d{1,2})[:.](\d\d)(?:[:.]\d\d(?:\.\d+)?)?", clock)
    if found is None or int(found[1]) > 23 or int(found[2]) > 59:
        raise _cell("time", "is no time of day", "Write it as 07:10.")
    return f"{readings[0]}T{int(found[1]):02}:{found[2]}"


def _value(name: str, column: SessionColumn, cell: str, decimal: str) -> Any:
    hint = _hints()[name]
    if hint is bool:
        if cell.lower() not in _YES_NO:
            raise _cell(column.use, "is neither yes nor no", "Write yes or no, or say in the mapping what it means.")
        return _YES_NO[cell.lower()]
    if isinstance(hint, type) and issubclass(hint, Enum):
        choices = [str(one.value) for one in hint]
        word = cell.lower().replace(" ", "-").replace("_", "-")
        if word not in choices:
            raise _cell(
                column.use,
                "is not one of its words",
                f'Write one of {", ".join(choices)}, or say in the mapping what the word means: --word "'
                f'{column.heading[:40]}:WORD={choices[0]}".',
            )
        return word
    number = _number(column, cell, decimal)
    if hint is int:
        if number.value is None or number.comparator is not None or Decimal(number.value) % 1:
            raise _cell(column.use, "is not a whole number", "Write it in digits.")
        return int(Decimal(number.value))
    return {part: held for part, held in vars(number).items() if held is not None}


def _number(column: SessionColumn, cell: str, decimal: str) -> Measured:
    text = cell.replace(" ", " ").strip()
    factor = _factor(column)
    if factor is None:
        assert column.unit is None, "a unit that is none was refused with the mapping"
        factor = Decimal(1)
    clock = re.fullmatch(r"(\d{1,2}):(\d\d)(?::\d\d)?", text)
    if clock and column.use == "minutes":
        return Measured(value=str(60 * int(clock[1]) + int(clock[2])))
    said = re.fullmatch(r"(.*?\d)\s*([A-Za-z][A-Za-z/]*)", text)
    if said:
        own = dict(zip(map(str.lower, _units(column.use)), _units(column.use), strict=True)).get(said[2].lower())
        if own is None or own.lower() != (column.unit or _units(column.use)[0]).lower():
            raise _cell(column.use, "is in another unit than the mapping says", "Write the number alone, in that unit.")
        text = said[1]
    if decimal == ",":
        if "." in text and "," not in text:
            raise _cell(column.use, "has a point, where this house writes a comma", "Write 12,5 or 1250.")
        text = text.replace(".", "").replace(",", ".")
    try:
        found = measured(text)
    except ValueError:
        raise _cell(column.use, "is not a number", "Write 350, 12.5, <20 or 3-4; leave unknown cells empty.") from None
    if factor == 1:
        return found
    changed = {part: _times(getattr(found, part), factor) for part in ("value", "low", "high")}
    return Measured(**changed, comparator=found.comparator, how=found.how)


def _times(said: str | None, factor: Decimal) -> str | None:
    return None if said is None else f"{(Decimal(said) * factor).normalize():f}"


def _cell(use: str, what: str, remedy: str) -> WrongInput:
    return WrongInput(f"The cell for {use} {what}.", remedy)


_YES_NO = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}


# --- Fields, units, headings --------------------------------------------------------------------------------------


@cache
def _hints() -> dict[str, Any]:
    return {name: _bare(hint) for name, hint in get_type_hints(CannulationSession, vars(events)).items()}


def _bare(hint: Any) -> Any:
    if get_origin(hint) in (Union, UnionType):
        (hint,) = (one for one in get_args(hint) if one is not NoneType)
    return hint


def _ending(use: str) -> str | None:
    name = use.replace("-", "_")
    if _hints().get(name) not in (Measured, int):
        return None
    return next((end for end in UNITS if name == end or name.endswith(f"_{end}")), None)


def _units(use: str) -> tuple[str, ...]:
    """The units that a column for this may be in, that of the field first; empty where it has none."""
    ending = _ending(use)
    return tuple(UNITS[ending]) if ending else ()


def _factor(column: SessionColumn) -> Decimal | None:
    """What one of the column's unit is in that of the field; None where that is no unit for it."""
    ending = _ending(column.use)
    if ending is None:
        return None
    return Decimal(1) if column.unit is None else UNITS[ending].get(column.unit.lower())


def _unit_in(heading: str) -> tuple[str, str | None]:
    """A heading without its unit, and the unit: `Qb (ml/min)`, `Qb [ml/min]`."""
    found = re.fullmatch(r"\s*(.*?)\s*[\[(]\s*([A-Za-z/]+)\s*[\])]\s*", heading)
    known = {unit for units in UNITS.values() for unit in units}
    return (found[1], found[2].lower()) if found and found[2].lower() in known else (heading, None)


@cache
def _known_headings() -> list[dict[str, Any]]:
    found = tomllib.loads(files("ledger.arrival").joinpath("sessions.toml").read_text(encoding="utf-8"))
    groups: list[dict[str, Any]] = found["column"]
    return groups
