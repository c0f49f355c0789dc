"""Clues to the patient, and what a report says about itself, from the header lines of a text.

The labels stand in `labels.toml`, each with a line that shows it. What is found is what
is written, with where it is written; a date that can be read in two ways keeps both
readings, and two headers that disagree are both kept, with a doubt. Prose is not
searched: "Mr Vellacott's fistula" is no header.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Any

from ledger.arrival.values import (
    BirthDateClue,
    DocumentStatus,
    Envelope,
    Form,
    IdentifierClue,
    NameClue,
    PatientClues,
    Span,
)
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.matching import name_words, names_could_be_one, number_key

NHS_NUMBER = "https://fhir.nhs.uk/Id/nhs-number"
"""The URI of the English health-service number as its FHIR profiles publish it (from memory, not looked up)."""


def clues_in(text: str) -> PatientClues:
    """Who the header lines of a text say that the patient is. Each clue once, where it first stands."""
    identifiers: dict[tuple[str, str | None], IdentifierClue] = {}
    names: dict[str, NameClue] = {}
    births: dict[tuple[PartialDate, ...], BirthDateClue] = {}
    sexes: set[str] = set()
    doubts: list[Doubt] = []
    family: Labelled | None = None
    for one in labelled(text):
        if one.what == "name":
            name = _name_of(one)
            if name is not None:
                names.setdefault(name_key(name.text), name)
        elif one.what == "family":
            family = one if looks_like_a_name(one.text, words=1) else None
        elif one.what == "given" and family is not None and looks_like_a_name(one.text, words=1):
            said = f"{family.text}, {one.text}"
            clue = NameClue(
                text=said,
                source="text",
                family=family.text,
                given=one.text,
                span=Span(start=family.start, end=one.end),
            )
            names.setdefault(name_key(said), clue)
            family = None
        elif one.what == "birth":
            readings = day_readings(one.text, birth=True)
            if readings:
                as_said = one.text[: _date_length(one.text)]
                births.setdefault(
                    readings,
                    BirthDateClue(
                        as_said=as_said,
                        readings=readings,
                        source="text",
                        span=Span(start=one.start, end=one.start + len(as_said)),
                    ),
                )
        elif one.what == "sex":
            sex = sex_of(one.text)
            if sex is not None:
                sexes.add(sex)
        elif one.what == "identifier":
            clue_and_doubt = _identifier_of(one)
            if clue_and_doubt is not None:
                found, doubt = clue_and_doubt
                identifiers.setdefault((number_key(found.value), found.label), found)
                if doubt is not None:
                    doubts.append(doubt)
    kept_names = same_person_only(names.values())
    doubts += disagreements(kept_names, tuple(births.values()), identifiers.values())
    return PatientClues(
        identifiers=tuple(identifiers.values()),
        names=kept_names,
        birth_dates=tuple(births.values()),
        sex=next(iter(sexes)) if len(sexes) == 1 else None,
        doubts=tuple(dict.fromkeys(doubts)),
    )


def disagreements(
    names: tuple[NameClue, ...], births: tuple[BirthDateClue, ...], identifiers: Iterable[IdentifierClue]
) -> list[Doubt]:
    """What a part says about its patient that cannot all be true."""
    doubts = []
    if len(names) > 1:
        doubts.append(
            Doubt(
                code="names-disagree", words="The headers name more than one person; a page may be of another patient."
            )
        )
    if len(births) > 1 and not set.intersection(*(set(one.readings) for one in births)):
        doubts.append(Doubt(code="birth-dates-disagree", words="The headers give more than one birth date."))
    by_label: dict[str, set[str]] = {}
    for one in identifiers:
        if one.label is not None:
            by_label.setdefault(one.system or one.label, set()).add(number_key(one.value))
    for label, values in by_label.items():
        if len(values) > 1:
            called = "number of one kind" if "/" in label else label
            doubts.append(Doubt(code="identifiers-disagree", words=f"The headers give more than one {called}."))
    return doubts


def envelope_in(text: str, form: Form = Form.PLAIN, **known: Any) -> Envelope:
    """What a text says about itself: when it was written, how finished it is. `known` is what the carrier told us."""
    dated, status = None, None
    doubts: list[Doubt] = list(known.pop("doubts", ()))
    for one in labelled(text):
        if one.what == "dated" and dated is None:
            readings = day_readings(one.text)
            if len(readings) == 1:
                dated = readings[0]
            elif readings:
                doubts.append(
                    Doubt(
                        code="report-date-two-readings",
                        words=f"“{one.text[: _date_length(one.text)]}” in the header can be "
                        + " or ".join(readings)
                        + "; neither was taken.",
                    )
                )
        elif one.what == "status" and status is None:
            status = status_of(one.text)
    status = _status_heading(text) or status
    merged: dict[str, Any] = {"dated": dated, "status": status} | {k: v for k, v in known.items() if v is not None}
    return Envelope(form=form, doubts=tuple(dict.fromkeys(doubts)), **merged)


def names_another(one: PatientClues, two: PatientClues) -> bool:
    """Whether two headers plainly name two people.

    Plainly: a number of the same kind differs and none is equal; or, without such numbers, the names are not of one
    person and no birth date is shared. A header that is silent names nobody.
    """
    kinds: dict[str | None, set[str]] = {}
    for clue in one.identifiers:
        kinds.setdefault(clue.label, set()).add(number_key(clue.value))
    equal = [number_key(clue.value) in kinds[clue.label] for clue in two.identifiers if clue.label in kinds]
    if equal:
        return not any(equal)
    if not (one.names and two.names):
        return False
    if any(names_could_be_one(first.text, second.text) for first in one.names for second in two.names):
        return False
    births = [set(clue.readings) for clue in one.birth_dates], [set(clue.readings) for clue in two.birth_dates]
    return not any(first & second for first in births[0] for second in births[1])


# --- Labels and what follows them ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Labelled:
    """A label that was found, and the stretch of text after it. `calls_it` and `scheme` belong to identifiers."""

    what: str
    text: str
    start: int
    end: int
    calls_it: str | None = None
    scheme: str | None = None


_LONGEST_VALUE = 200


def labelled(text: str) -> Iterator[Labelled]:
    """Every label at a place where a label can stand, with what is written after it, in the order of the text."""
    table = _table()
    offset = 0
    lines = text.splitlines(keepends=True)
    for number, line in enumerate(lines):
        found = _labels_in(line, table)
        if found:
            beneath = lines[number + 1] if number + 1 < len(lines) else ""
            values = _cells_beneath(line, found, beneath)
            for nth, one in enumerate(found):
                what = table.of[" ".join(one["label"].lower().split())]
                if values is not None:
                    start, end = values[nth]
                    base, source = offset + len(line), beneath
                else:
                    limit = found[nth + 1].start() if nth + 1 < len(found) else len(line)
                    start, end = _value_in(line, one.end(), limit, needs_gap=what.what in ("name", "family", "given"))
                    base, source = offset, line
                    if start == end and nth + 1 == len(found) and not table.pattern.match(beneath):
                        base, source = offset + len(line), beneath
                        start, end = _value_in(beneath, 0, len(beneath), needs_gap=True)
                if not (values is not None or one["mark"] or _stands_without_mark(what, source[start:end])):
                    continue
                if start < end:
                    end = min(end, start + _LONGEST_VALUE)
                    yield Labelled(what.what, source[start:end], base + start, base + end, what.calls_it, what.scheme)
        offset += len(line)


def _labels_in(line: str, table: _Table) -> list[re.Match[str]]:
    found = list(table.pattern.finditer(line))
    taken = [one.span("label") for one in found]
    for one in table.within.finditer(line):
        start, end = one.span("label")
        if not any(start < other_end and other_start < end for other_start, other_end in taken):
            found.append(one)
    return sorted(found, key=lambda one: one.start("label"))


def _value_in(line: str, start: int, limit: int, needs_gap: bool) -> tuple[int, int]:
    """The stretch after a label: to the next label, gap, tab or bar; without the blanks and commas around it."""
    stop = re.compile(r"[ \xa0]{3,}|\t|\||\n|\f" if needs_gap else r"\t|\||;|\n|\f| {4,}")
    while start < limit and line[start] in " \t\xa0":
        start += 1
    found = stop.search(line, start, limit)
    end = found.start() if found else limit
    while end > start and line[end - 1] in " \t\xa0,;|-/":
        end -= 1
    return start, end


def _stands_without_mark(what: _Label, value: str) -> bool:
    """ "MRN 4410" and "DOB 3/4/1950" are headers also without a colon; "name" and "reported" need one."""
    if what.what == "birth":
        return bool(day_readings(value, birth=True))
    if what.what == "identifier":
        return (
            what.calls_it in ("MRN", "NHS number", "hospital number", "CHI number") and _NUMBER.match(value) is not None
        )
    return False


_CELL = re.compile(r"[^\s|](?:[^\t|]*?[^\s|])??(?=[ ]{2,}|\s*[\t|]|\s*$)")


def _cells_beneath(line: str, found: list[re.Match[str]], beneath: str) -> list[tuple[int, int]] | None:
    """A line of labels alone, with a line of as many cells beneath it: a table of two rows."""
    if len(found) < 2:
        return None
    cells = [cell for cell in re.finditer(r"[^\t|]+?(?=[ ]{2,}|[\t|]|\s*$)", line) if cell[0].strip()]
    labels = {" ".join(one["label"].lower().split()) for one in found}
    if [cell for cell in cells if " ".join(cell[0].lower().strip(" :#.").split()) not in labels]:
        return None
    values = list(_CELL.finditer(beneath.rstrip("\n")))
    return [value.span() for value in values] if len(values) == len(found) else None


@dataclass(frozen=True)
class _Label:
    what: str
    calls_it: str | None
    scheme: str | None


@dataclass(frozen=True)
class _Table:
    pattern: re.Pattern[str]
    within: re.Pattern[str]
    of: dict[str, _Label]
    status: dict[str, DocumentStatus]
    not_a_name: frozenset[str]
    titles: frozenset[str]
    particles: frozenset[str]


@cache
def _table() -> _Table:
    found = tomllib.loads(files("ledger.arrival").joinpath("labels.toml").read_text(encoding="utf-8"))
    of: dict[str, _Label] = {}
    for what in ("name", "family", "given", "birth", "sex", "identifier", "dated", "status"):
        for group in found[what]:
            for label in group["labels"]:
                of[label] = _Label(what, group.get("calls_it"), group.get("scheme"))
    mark = r"(?P<mark>[ \t]*(?:[:#=]+|\.{3,})|\.?(?![\w'’]))"
    pattern = re.compile(
        rf"(?:^[ \t\xa0>*#•-]*|(?<=[\t|;,(])[ ]?|(?<=[ ]{{2}})|(?<=,[ ]))(?P<label>{_any_of(of)}){mark}", re.IGNORECASE
    )
    within = re.compile(rf"(?<=\S[ ])(?P<label>{_any_of(found['within_a_line']['labels'])}){mark}", re.IGNORECASE)
    status = {word: DocumentStatus(name) for name, words in found["status_words"].items() for word in words}
    rest = found["not_a_name"]
    return _Table(
        pattern,
        within,
        of,
        status,
        frozenset(rest["words"]),
        frozenset(rest["titles"]),
        frozenset(rest["particles"]),
    )


def _any_of(labels: Iterable[str]) -> str:
    longest_first = sorted(labels, key=len, reverse=True)
    return "|".join(re.escape(label).replace(r"\ ", r"[ \t\xa0]{1,3}") for label in longest_first)


def shown_labels() -> list[tuple[str, str, str]]:
    """Each group of labels: what it is, the line that shows it, and the value expected of that line."""
    found = tomllib.loads(files("ledger.arrival").joinpath("labels.toml").read_text(encoding="utf-8"))
    return [
        (what, *(side.strip() for side in group["shown"].rsplit("=>", 1)))
        for what in ("name", "family", "given", "birth", "sex", "identifier", "dated", "status")
        for group in found[what]
    ]


# --- Names --------------------------------------------------------------------------------------------------------

_AFTER_NAME = re.compile(r"[(\[;:]|\s+[-–]\s+|,?\s*(?=\d)|\s+(?:aged?|dob|born)\b", re.IGNORECASE)
_WORD = re.compile(r"[^\W\d_]+(?:['’.-][^\W\d_]+)*\.?")


def _name_of(one: Labelled) -> NameClue | None:
    """The name at the beginning of what follows a label: up to a bracket, a number or a date."""
    cut = re.split(
        r"[(\[;:]|\s+[-–]\s+|,?\s*(?=\d)|\s+(?:aged?|dob|born)\b", one.text, maxsplit=1, flags=re.IGNORECASE
    )[0]
    said = cut.rstrip(" ,.-")
    if cut.rstrip().endswith(".") and re.search(r"\b[^\W\d_]\.$", cut.rstrip()):
        said = cut.rstrip()
    if not looks_like_a_name(said):
        return None
    family, given = name_parts(said)
    return NameClue(
        text=said, source="text", family=family, given=given, span=Span(start=one.start, end=one.start + len(said))
    )


def looks_like_a_name(said: str, words: int = 2) -> bool:
    """Whether a stretch can be a person's name: so many words, each with a capital, none that names a thing.

    >>> looks_like_a_name("VELLACOTT, Maud"), looks_like_a_name("Tolerated the procedure well")
    (True, False)
    """
    table = _table()
    found = _WORD.findall(said)
    if re.search(r"[\d_@/\\<>=]|\*\*", said):
        return False
    plain = [word for word in found if word.lower().strip(".") not in table.titles]
    if not words <= len(plain) <= 6 or len(said) > 70:
        return False
    return all(
        (word[0].isupper() or word.lower() in table.particles or not word[0].islower())
        and word.lower().strip(".") not in table.not_a_name
        for word in plain
    )


def name_parts(said: str) -> tuple[str | None, str | None]:
    """Family and given name, only where the writing tells them apart: "SURNAME, Given" or one word in capitals.

    >>> name_parts("van der BERG, Ilse"), name_parts("Maud VELLACOTT"), name_parts("Maud Vellacott")
    (('van der BERG', 'Ilse'), ('VELLACOTT', 'Maud'), (None, None))
    """
    table = _table()
    if said.count(",") == 1:
        family, given = (side.strip() for side in said.split(","))
        if family and given and given.lower().strip(".") not in table.titles:
            return family, _without_titles(given)
    words = [word for word in said.replace(",", " ").split() if word.lower().strip(".") not in table.titles]
    capital = [word for word in words if len(word) > 2 and word.isupper()]
    if len(capital) == 1 and len(words) > 1 and not all(word.isupper() for word in words):
        return capital[0], " ".join(word for word in words if word not in capital) or None
    return None, None


def _without_titles(said: str) -> str:
    return " ".join(word for word in said.split() if word.lower().strip(".") not in _table().titles)


def name_key(said: str) -> str:
    """A name for comparing: titles, order, case, accents and punctuation taken away."""
    return " ".join(sorted(name_words(said)))


def same_person_only(names: Iterable[NameClue]) -> tuple[NameClue, ...]:
    """One clue for each person named: of several that could be of one person, the fullest, else the first."""
    kept: list[NameClue] = []
    for clue in names:
        for nth, other in enumerate(kept):
            if names_could_be_one(clue.text, other.text):
                if len(name_key(clue.text)) > len(name_key(other.text)):
                    kept[nth] = clue
                break
        else:
            kept.append(clue)
    return tuple(kept)


# --- Numbers ------------------------------------------------------------------------------------------------------

_NUMBER = re.compile(r"(?=[A-Za-z./-]{0,6}\d)[A-Za-z0-9](?:[A-Za-z0-9./-]{1,24}[A-Za-z0-9])?")
_NHS = re.compile(r"\d{3}[ -]?\d{3}[ -]?\d{4}(?!\d)")


def _identifier_of(one: Labelled) -> tuple[IdentifierClue, Doubt | None] | None:
    if one.scheme == "nhs":
        found = _NHS.match(one.text)
        if found is None:
            return None
        span = Span(start=one.start, end=one.start + found.end())
        if not nhs_number_holds(found[0]):
            doubt = Doubt(
                code="check-digit-wrong",
                words="The NHS number does not fit its check digit; it may be mistyped and was not used.",
            )
            return IdentifierClue(value=found[0], source="text", label=one.calls_it, span=span), doubt
        return (
            IdentifierClue(value=found[0], source="text", system=NHS_NUMBER, label=one.calls_it, span=span),
            None,
        )
    found = _NUMBER.match(one.text)
    if found is None or day_readings(found[0], strict=True):
        return None
    return (
        IdentifierClue(
            value=found[0],
            source="text",
            label=one.calls_it,
            span=Span(start=one.start, end=one.start + found.end()),
        ),
        None,
    )


def nhs_number_holds(value: str) -> bool:
    """Whether ten digits fit their check digit: weights 10 to 2, modulus 11 (NHS data dictionary; from memory).

    >>> nhs_number_holds("999 000 0018"), nhs_number_holds("999 000 0019")
    (True, False)
    """
    digits = [int(sign) for sign in value if sign.isdecimal()]
    if len(digits) != 10:
        return False
    check = 11 - sum(digit * weight for digit, weight in zip(digits, range(10, 1, -1), strict=False)) % 11
    return check % 11 == digits[9] and check != 10


def sex_of(said: str) -> str | None:
    """FHIR's administrative gender for what is written; None for what says neither."""
    first = re.match(r"[A-Za-z]+", said)
    return {"f": "female", "female": "female", "m": "male", "male": "male", "o": "other", "other": "other"}.get(
        first[0].lower() if first else ""
    )


# --- Dates --------------------------------------------------------------------------------------------------------

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan",
            "february feb",
            "march mar",
            "april apr",
            "may",
            "june jun",
            "july jul",
            "august aug",
            "september sept sep",
            "october oct",
            "november nov",
            "december dec",
        ),
        start=1,
    )
    for name in names.split()
}
_MONTH = "(?P<month>" + "|".join(sorted(_MONTHS, key=len, reverse=True)) + r")\b\.?"
_YEAR = r"(?P<year>(?:19|20)\d\d|['’]?\d\d)(?!\d)"
_SHAPES = [
    re.compile(shape, re.IGNORECASE)
    for shape in (
        r"(?P<year>(?:19|20)\d\d)[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})(?!\d)",
        r"(?P<year>(?:19|20)\d\d)(?P<month>0[1-9]|1[0-2])(?P<day>[0-3]\d)(?!\d)",
        rf"(?P<day>\d{{1,2}})(?:st|nd|rd|th)?[ \t.,/-]*(?:of[ ])?{_MONTH}[ \t.,/-]*{_YEAR}",
        rf"{_MONTH}[ \t]*(?P<day>\d{{1,2}})(?:st|nd|rd|th)?[ \t,]+{_YEAR}",
        rf"{_MONTH}[ \t,./-]*(?P<year>(?:19|20)\d\d)(?!\d)",
        rf"(?P<first>\d{{1,2}})[ ]?[-/.][ ]?(?P<second>\d{{1,2}})[ ]?[-/.][ ]?{_YEAR}",
        r"(?P<month>0?[1-9]|1[0-2])/(?P<year>(?:19|20)\d\d)(?!\d)",
        r"(?P<year>(?:19|20)\d\d)(?![\d/.-])",
    )
]
_WEEKDAY = re.compile(r"(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?,?\s+", re.IGNORECASE)


def day_readings(said: str, birth: bool = False, strict: bool = False) -> tuple[PartialDate, ...]:
    """Every day, month or year that the date at the beginning of a stretch can mean, earliest first.

    "03/04/1950" means two days, "13/04/1950" one. A year in two digits means, for a birth, this century and the
    last; for anything else 1970 to 2069, as POSIX reads it. `strict`: the whole stretch has to be the date.

    >>> day_readings("03/04/1950")
    ('1950-03-04', '1950-04-03')
    >>> day_readings("14 March 2019"), day_readings("14/03/2019"), day_readings("none")
    (('2019-03-14',), ('2019-03-14',), ())
    """
    start = found_day.end() if (found_day := _WEEKDAY.match(said)) else 0
    for shape in _SHAPES:
        found = shape.match(said, start)
        if found is None or (strict and found.end() != len(said)):
            continue
        readings = {reading for year in _years(found["year"], birth) for reading in _readings(found, year)}
        if readings:
            return tuple(sorted(readings))
    return ()


def _date_length(said: str) -> int:
    start = found_day.end() if (found_day := _WEEKDAY.match(said)) else 0
    return max((found.end() for shape in _SHAPES if (found := shape.match(said, start))), default=len(said))


def _years(said: str, birth: bool) -> list[int]:
    digits = said.lstrip("'’")
    if len(digits) == 4:
        return [int(digits)]
    if birth:
        return [1900 + int(digits), 2000 + int(digits)]
    return [1900 + int(digits) if int(digits) >= 70 else 2000 + int(digits)]


def _readings(found: re.Match[str], year: int) -> Iterator[PartialDate]:
    parts = found.groupdict()
    if "first" in parts:
        pairs = {(int(parts["first"]), int(parts["second"])), (int(parts["second"]), int(parts["first"]))}
    elif parts.get("month"):
        month = _MONTHS.get(parts["month"].lower()) or int(parts["month"])
        if not parts.get("day"):
            yield PartialDate(f"{year:04}-{month:02}")
            return
        pairs = {(month, int(parts["day"]))}
    else:
        yield PartialDate(f"{year:04}")
        return
    for month, day in pairs:
        try:
            yield PartialDate(date(year, month, day).isoformat())
        except ValueError:
            continue


# --- How finished -------------------------------------------------------------------------------------------------


def status_of(said: str) -> DocumentStatus | None:
    """The status that a status field names; None for words that say none."""
    words = " ".join(re.sub(r"[^\w ]", " ", said).lower().split())
    table = _table().status
    return (
        table.get(words) or table.get(words.removesuffix(" report")) or table.get(words.split(" ")[0] if words else "")
    )


def _status_heading(text: str) -> DocumentStatus | None:
    """A heading of its own among the first lines that says it: "ADDENDUM", "*** PRELIMINARY REPORT ***".

    "Addendum to the report of 3 March" on such a line counts as well. In the middle of a report such a heading
    begins a paragraph of it, which is for reading.
    """
    seen = 0
    for line in text.split("\n"):
        words = " ".join(re.sub(r"[^\w ]", " ", line[:_LONGEST_VALUE]).lower().split())
        if not words:
            continue
        seen += 1
        if seen > 15:
            return None
        if len(line) >= _LONGEST_VALUE:
            continue
        table = _table().status
        if words in table and (" " in words or line.strip().isupper() or line.strip(" *-_=#:").istitle()):
            return table[words]
        about = re.match(r"(addendum|correction|amendment)\b.*\b(?:to|of)\b.*\b(?:report|note|summary)\b", words)
        if about and len(words) < 90 and not re.match(r"\W*\w+[^:]*[.;]\s+\w", line):
            return DocumentStatus.ADDENDUM if about[1] == "addendum" else DocumentStatus.CORRECTED
    return None
