"""The liaison's spreadsheet → one report a row. CSV and XLSX, with a mapping of columns that a person saved once.

A mapping says what each heading is for; it is data (`ColumnMapping`, JSON), kept by
whoever imports. Each row becomes a text of its own, one "Heading: cell" a line, in the
order of the columns, so that nothing typed is lost and every proposal can quote it.
What stands in a column of its own is also given as a hint. A date typed as text is read
in the order that the mapping names; where it names none, a date that can be read in two
ways is left out with a doubt.
"""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Literal
from xml.etree.ElementTree import Element

from ledger.arrival import plain
from ledger.arrival.headers import day_readings, nhs_number_holds, sex_of
from ledger.arrival.opening import Document, Refused, arrived, charset_of, encoding_doubts
from ledger.arrival.packed import Package, attribute, local
from ledger.arrival.values import (
    Arrived,
    BirthDateClue,
    CannotRead,
    Form,
    Hint,
    IdentifierClue,
    Limits,
    NameClue,
    PatientClues,
    Span,
    Why,
)
from ledger.dates import PartialDate
from ledger.errors import Doubt, WrongInput

if TYPE_CHECKING:
    from ledger.arrival.sandbox import Order


class ColumnUse(StrEnum):
    """What a column is for. All but `leave-out` stand in the text of the row as well."""

    IDENTIFIER = "identifier"
    NAME = "name"
    FAMILY = "family-name"
    GIVEN = "given-name"
    BIRTH = "birth-date"
    SEX = "sex"
    PERFORMED = "performed"
    DATED = "dated"
    DOCUMENT = "document-id"
    CENTRE = "centre"
    OPERATOR = "operator"
    TEXT = "text"
    ACCESS_KIND = "access-kind"
    SIDE = "side"
    SITE = "site"
    LEAVE_OUT = "leave-out"


DateOrder = Literal["day-first", "month-first"]


@dataclass(frozen=True, kw_only=True)
class Column:
    """A heading, as it stands in the sheet, and what the column is for. `system`: whose numbers an identifier is of."""

    heading: str
    use: ColumnUse
    system: str | None = None


@dataclass(frozen=True, kw_only=True)
class ColumnMapping:
    """What the columns of one kind of sheet are for.

    `header_row` counts from 1. `sheet` names the sheet of a workbook; None is its first. `dates` is the order in which
    this house types its dates: a person who knows says it once, so that no date is guessed.
    """

    name: str
    columns: tuple[Column, ...]
    sheet: str | None = None
    header_row: int = 1
    dates: DateOrder | None = None
    format: Literal[1] = 1

    def to_json(self) -> bytes:
        """The mapping as it is saved."""
        import orjson

        return orjson.dumps(self, option=orjson.OPT_INDENT_2)

    @classmethod
    def from_json(cls, saved: bytes) -> ColumnMapping:
        """A saved mapping. Raises WrongInput when it is none, or maps a heading twice, or no column to a text."""
        from pydantic import TypeAdapter, ValidationError

        try:
            found = TypeAdapter(cls).validate_json(saved)
        except ValidationError as wrong:
            first = wrong.errors(include_url=False, include_input=False)[0]
            place = ".".join(str(step) for step in first["loc"]) or "the whole"
            raise WrongInput(
                problem=f"The column mapping is not one: {place}: {first['msg']}.",
                remedy="Correct it, or make it anew from the headings of the sheet.",
            ) from None
        headings = [heading_key(column.heading) for column in found.columns]
        if len(set(headings)) != len(headings):
            raise WrongInput(
                problem="The column mapping names a heading twice.", remedy="Leave one use to each heading."
            )
        if not any(column.use is ColumnUse.TEXT for column in found.columns):
            raise WrongInput(
                problem="The column mapping names no column that says what was done.",
                remedy='Give the use "text" to at least one heading.',
            )
        return found


def proposed_mapping(headings: Sequence[str], name: str = "proposed") -> ColumnMapping:
    """A first mapping for these headings, for a person to look at. Whatever it does not know stays plain text."""
    known = {
        heading_key(heading): ColumnUse(group["use"]) for group in _known_headings() for heading in group["headings"]
    }
    columns: list[Column] = []
    for heading in dict.fromkeys(heading for heading in headings if heading.strip()):
        use = known.get(heading_key(heading))
        taken = {column.use for column in columns}
        if use is not None and (use in (ColumnUse.TEXT, ColumnUse.IDENTIFIER) or use not in taken):
            columns.append(Column(heading=heading, use=use))
    return ColumnMapping(name=name, columns=tuple(columns))


@cache
def _known_headings() -> list[dict[str, Any]]:
    found = tomllib.loads(files("ledger.arrival").joinpath("columns.toml").read_text(encoding="utf-8"))
    groups: list[dict[str, Any]] = found["column"]
    return groups


def opened_sheet(original: bytes, order: Order) -> Arrived:
    """The rows of a sheet as reports; its headings in any case, so that a mapping can be offered."""
    mapping = ColumnMapping.from_json(order.columns) if order.columns is not None else None
    rows, doubts = _rows(original, order, mapping)
    header = (mapping.header_row if mapping else 1) - 1
    headings = tuple(rows[header]) if len(rows) > header else ()
    try:
        if mapping is None:
            raise CannotRead(
                Why.MAPPING_MISSING,
                "This is a spreadsheet, and nobody has said what its columns are for.",
                "Save a column mapping for sheets of this kind once, and import it with that.",
            )
        documents = _documents(rows[header + 1 :], headings, mapping, order, doubts)
        return replace(arrived(order.form, documents, order.limits.parts, order.limits.text_length), headings=headings)
    except CannotRead as why:
        return Arrived(form=order.form, unreadable=(why.as_unreadable(),), headings=headings)


def _documents(
    rows: Sequence[Sequence[str]],
    headings: tuple[str, ...],
    mapping: ColumnMapping,
    order: Order,
    doubts: tuple[Doubt, ...],
) -> Iterator[Document | Refused]:
    keys = [heading_key(heading) for heading in headings]
    missing = [column.heading for column in mapping.columns if keys.count(heading_key(column.heading)) == 0]
    twice = [column.heading for column in mapping.columns if keys.count(heading_key(column.heading)) > 1]
    if missing or twice:
        said = [f"has no column {heading!r}" for heading in missing] + [f"has {heading!r} twice" for heading in twice]
        raise CannotRead(
            Why.MAPPING_UNFIT,
            f"The sheet does not fit the column mapping {mapping.name!r}: it {', and it '.join(said[:5])}.",
            "Import it with the mapping of its own kind, or save one for it.",
        )
    uses = {heading_key(column.heading): column for column in mapping.columns}
    for row in rows:
        cells = [(heading, cell.strip()) for heading, cell in zip(headings, row, strict=False)]
        if not any(cell for _, cell in cells) or all(
            heading_key(cell) == heading_key(heading) for heading, cell in cells if cell
        ):
            continue
        yield _document_of(cells, uses, mapping, order, doubts)


def _document_of(
    cells: list[tuple[str, str]],
    uses: dict[str, Column],
    mapping: ColumnMapping,
    order: Order,
    doubts: tuple[Doubt, ...],
) -> Document | Refused:
    found: dict[ColumnUse, list[tuple[Column, str]]] = {}
    pieces: list[str] = []
    hints: list[Hint] = []
    length = 0
    for nth, (heading, raw) in enumerate(cells):
        # Normalised here, piece by piece, so that the spans of the hints hold in the text that is kept.
        cell, title = plain.normalised(raw), plain.normalised(heading).strip() or f"Column {nth + 1}"
        column = uses.get(heading_key(heading))
        if not cell or (column is not None and column.use is ColumnUse.LEAVE_OUT):
            continue
        is_long = column is not None and column.use is ColumnUse.TEXT
        before = f"{title}:\n" if is_long else f"{title}: "
        span = Span(start=length + len(before), end=length + len(before) + len(cell))
        pieces.append(f"{before}{cell}\n")
        length += len(pieces[-1])
        if column is not None:
            found.setdefault(column.use, []).append((column, cell))
            hints.append(Hint(what=column.use, column=heading, text=cell, span=span))
    text = "".join(pieces)

    def first(use: ColumnUse) -> str | None:
        return found[use][0][1] if use in found else None

    performed, odd_performed = _day(first(ColumnUse.PERFORMED), mapping.dates, "performed")
    dated, odd_dated = _day(first(ColumnUse.DATED), mapping.dates, "dated")
    envelope = {
        "performed": performed,
        "dated": dated,
        "sender": first(ColumnUse.CENTRE),
        "author": first(ColumnUse.OPERATOR),
        "document_id": first(ColumnUse.DOCUMENT),
    }
    clues = _clues(found, mapping)
    if ColumnUse.TEXT not in found:
        why = CannotRead(
            Why.NO_TEXT,
            "The row has no text: the columns that say what was done are empty.",
            "Fill them in, or leave the row out.",
        )
        return Refused(why=why, envelope=envelope, clues=clues)
    return Document(
        text=text,
        media_type=order.media_type,
        envelope=envelope,
        clues=clues,
        hints=tuple(hints),
        doubts=(*doubts, *odd_performed, *odd_dated),
    )


def _clues(found: dict[ColumnUse, list[tuple[Column, str]]], mapping: ColumnMapping) -> PatientClues:
    identifiers = tuple(
        IdentifierClue(value=cell, source=f"column {column.heading}", system=column.system, label=column.heading)
        for column, cell in found.get(ColumnUse.IDENTIFIER, [])
        if not (column.system or "").endswith("nhs-number") or nhs_number_holds(cell)
    )
    names: tuple[NameClue, ...] = ()
    if ColumnUse.FAMILY in found and ColumnUse.GIVEN in found:
        (column, family), (_, given) = found[ColumnUse.FAMILY][0], found[ColumnUse.GIVEN][0]
        names = (NameClue(text=f"{family}, {given}", source=f"column {column.heading}", family=family, given=given),)
    elif ColumnUse.NAME in found:
        column, cell = found[ColumnUse.NAME][0]
        names = (NameClue(text=cell, source=f"column {column.heading}"),)
    births = []
    for column, cell in found.get(ColumnUse.BIRTH, []):
        readings = readings_in_order(cell, mapping.dates, birth=True)
        if readings:
            births.append(BirthDateClue(as_said=cell, readings=readings, source=f"column {column.heading}"))
    sexes = found.get(ColumnUse.SEX)
    return PatientClues(
        identifiers=identifiers,
        names=names,
        birth_dates=tuple(births),
        sex=sex_of(sexes[0][1]) if sexes else None,
    )


def _day(cell: str | None, dates: DateOrder | None, what: str) -> tuple[PartialDate | None, tuple[Doubt, ...]]:
    if cell is None:
        return None, ()
    readings = readings_in_order(cell, dates)
    if len(readings) == 1:
        return readings[0], ()
    if readings:
        words = f"The date in its column can be {' or '.join(readings)}; neither was taken."
        return None, (Doubt(code=f"{what}-two-readings", words=words),)
    return None, (Doubt(code=f"{what}-not-a-date", words="What stands in the column for the date is no date."),)


_NUMERIC = re.compile(r"\s*(\d{1,2})\s*[-/.]\s*(\d{1,2})\s*[-/.]\s*(?:\d{4}|\d\d)(?!\d)")


def readings_in_order(cell: str, dates: DateOrder | None, birth: bool = False) -> tuple[PartialDate, ...]:
    """What a typed date can mean, given the order in which this house types its dates."""
    readings = day_readings(cell, birth=birth)
    numbers = _NUMERIC.match(cell)
    if dates is None or numbers is None:
        return readings
    day, month = (numbers[1], numbers[2]) if dates == "day-first" else (numbers[2], numbers[1])
    return tuple(one for one in readings if one[5:] == f"{int(month):02}-{int(day):02}")


def heading_key(heading: str) -> str:
    """A heading for comparing: case, blanks and signs taken away."""
    return " ".join(re.findall(r"\w+", heading.lower()))


# --- Rows ---------------------------------------------------------------------------------------------------------


def _rows(original: bytes, order: Order, mapping: ColumnMapping | None) -> tuple[list[list[str]], tuple[Doubt, ...]]:
    if order.form is Form.CSV:
        found = plain.decoded(original, charset_of(order.declared), order.limits)
        return csv_rows(found.text), encoding_doubts(found)
    return xlsx_rows(original, mapping.sheet if mapping else None, order.limits), ()


def csv_rows(text: str) -> list[list[str]]:
    """The rows of delimited text. The sign that parts the cells is the one that the first rows agree on."""
    csv.field_size_limit(2**31 - 1)
    sign = _delimiter(text)
    try:
        return list(csv.reader(io.StringIO(text), delimiter=sign, doublequote=True, strict=False))
    except csv.Error:
        raise CannotRead(
            Why.BROKEN,
            "The list cannot be parted into rows and cells.",
            "Save it as XLSX or CSV anew, and import that.",
        ) from None


def _delimiter(text: str) -> str:
    """Of `, ; tab |`: the one that gives the first rows the most cells, and the same number in most of them."""
    named = re.match(r"sep=(.)\n", text)
    if named:
        return named[1]
    best, most = ",", (0, 0)
    for sign in ",;\t|":
        rows = [row for _, row in zip(range(20), csv.reader(io.StringIO(text[:200_000]), delimiter=sign), strict=False)]
        lengths = [len(row) for row in rows if row]
        if not lengths or lengths[0] < 2:
            continue
        score = (sum(1 for length in lengths if length == lengths[0]), lengths[0])
        if score > most:
            best, most = sign, score
    return best


_BUILT_IN_DATES = frozenset({*range(14, 23), *range(27, 37), *range(45, 48), *range(50, 59)})


def xlsx_rows(original: bytes, sheet: str | None, limits: Limits) -> list[list[str]]:
    """The rows of one sheet, each cell as it shows: dates as ISO, percentages with their sign, numbers unrounded."""
    package = Package(original, limits)
    workbook = package.xml("xl/workbook.xml")
    if workbook is None:
        raise CannotRead(
            Why.BROKEN, "The workbook has no list of its sheets.", "Save it anew as XLSX or CSV, and import that."
        )
    root = package.xml(_sheet_part(package, workbook, sheet))
    if root is None:
        raise CannotRead(
            Why.BROKEN, "The sheet is not in the workbook.", "Save it anew as XLSX or CSV, and import that."
        )
    strings = _shared_strings(package)
    formats = _number_formats(package)
    since_1904 = any(
        attribute(one, "date1904") in ("1", "true") for one in workbook.iter() if local(one) == "workbookPr"
    )
    rows: list[list[str]] = []
    cells_left = 5_000_000
    for row in (one for one in root.iter() if local(one) == "row"):
        number = int(attribute(row, "r") or len(rows) + 1)
        if number > 1_100_000 or number - len(rows) > 200_000:
            raise CannotRead(
                Why.HOSTILE, "The sheet claims more rows than any sheet has.", "Save it as CSV, and import that."
            )
        while len(rows) < number - 1:
            rows.append([])
        found: list[str] = []
        for cell in (one for one in row if local(one) == "c"):
            at = _column_number(attribute(cell, "r")) if attribute(cell, "r") else len(found)
            cells_left -= max(1, at - len(found) + 1)
            if at > 16_384 or cells_left < 0:
                raise CannotRead(
                    Why.HOSTILE, "The sheet claims more cells than any list has.", "Save it as CSV, and import that."
                )
            found += [""] * (at - len(found))
            found.append(_cell_text(cell, strings, formats, since_1904))
        rows.append(found)
    return rows


def _sheet_part(package: Package, workbook: Element, sheet: str | None) -> str:
    sheets = [one for one in workbook.iter() if local(one) == "sheet"]
    named = [one for one in sheets if sheet is None or (attribute(one, "name") or "").lower() == sheet.lower()]
    if not named:
        raise CannotRead(
            Why.MAPPING_UNFIT,
            "The workbook has no sheet of the name that the column mapping gives.",
            "Import it with the mapping of its own kind, or save one for it.",
        )
    relation = next((value for key, value in named[0].attrib.items() if key.endswith("}id")), None)
    relations = package.xml("xl/_rels/workbook.xml.rels")
    for one in relations if relations is not None else ():
        if one.get("Id") == relation:
            target = (one.get("Target") or "").lstrip("/")
            return target if target.startswith("xl/") else f"xl/{target}"
    return "xl/worksheets/sheet1.xml"


def _shared_strings(package: Package) -> list[str]:
    root = package.xml("xl/sharedStrings.xml")
    return [_string(one) for one in root if local(one) == "si"] if root is not None else []


def _string(item: Element) -> str:
    """The words of a string, its runs joined; phonetic guides are left out."""
    return "".join(
        (one.text or "") if local(one) == "t" else "".join(t.text or "" for t in one if local(t) == "t")
        for one in item
        if local(one) in ("t", "r")
    )


def _number_formats(package: Package) -> list[str]:
    """For each cell style: its format code; built-in date formats as `yyyy-mm-dd`, built-in percentages as `0%`."""
    root = package.xml("xl/styles.xml")
    if root is None:
        return []
    codes = {
        int(one.get("numFmtId") or -1): one.get("formatCode") or "" for one in root.iter() if local(one) == "numFmt"
    }
    found = []
    for styles in (one for one in root if local(one) == "cellXfs"):
        for style in styles:
            number = int(style.get("numFmtId") or 0)
            built_in = "yyyy-mm-dd" if number in _BUILT_IN_DATES else "0%" if number in (9, 10) else ""
            found.append(codes.get(number, built_in))
    return found


def _column_number(reference: str | None) -> int:
    number = 0
    for letter in re.match(r"[A-Z]{0,4}", reference or "")[0]:  # type: ignore[index]
        number = number * 26 + ord(letter) - 64
    return number - 1


def _cell_text(cell: Element, strings: list[str], formats: list[str], since_1904: bool) -> str:
    kind = cell.get("t") or "n"
    if kind == "inlineStr":
        return next((_string(one) for one in cell if local(one) == "is"), "")
    value = next((one.text or "" for one in cell if local(one) == "v"), "")
    if kind == "s":
        return strings[int(value)] if value.isdigit() and int(value) < len(strings) else ""
    if kind == "b":
        return {"1": "yes", "0": "no"}.get(value, value)
    if kind == "n" and value:
        style = cell.get("s") or "0"
        code = formats[int(style)] if style.isdigit() and int(style) < len(formats) else ""
        return _number_text(value, code, since_1904)
    return "" if kind == "e" else value


def _number_text(value: str, code: str, since_1904: bool) -> str:
    try:
        number = Decimal(repr(float(value)))  # the shortest digits that mean this number: 0.8, not 0.80000000000000004
    except (ValueError, ArithmeticError):
        return value
    bare = re.sub(r'"[^"]*"|\[[^\]]*\]|\\.', "", code).lower()
    if number.is_finite() and re.search(r"[dy]", bare) and "general" not in bare:
        return _date_text(number, since_1904) or value
    if bare.rstrip().endswith("%"):
        return f"{_digits(number * 100)} %"
    if re.fullmatch(r"0{2,}", bare) and number == number.to_integral_value() and number >= 0:
        return f"{int(number):0{len(bare)}}"
    return _digits(number)


def _digits(number: Decimal) -> str:
    text = f"{number:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _date_text(number: Decimal, since_1904: bool) -> str | None:
    """A day, with its time where there is one. Serial 60 of the 1900 calendar is a day that never was."""
    if not 0 < number < 2_958_466:
        return None
    start = datetime(1904, 1, 1) if since_1904 else datetime(1899, 12, 30) if number >= 61 else datetime(1899, 12, 31)
    if not since_1904 and int(number) == 60:
        return None
    moment = start + timedelta(seconds=round(float(number) * 86_400))
    return moment.date().isoformat() if not (moment.hour or moment.minute) else moment.isoformat(timespec="minutes")
