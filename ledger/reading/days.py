"""When the procedure was, by the text: never the first date found.

A date counts when the text says that it is that of the procedure: under a heading, in
the line that names the report, or beside words such as "performed on". `03/04/2022`
has two readings; the report's other dates or its spelling may tell which; where they
do not, only the year is certain, and a doubt says so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from ledger.dates import PartialDate
from ledger.reading.segments import Parts

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "january jan", "february feb", "march mar", "april apr", "may", "june jun", "july jul", "august aug",
            "september sept sep", "october oct", "november nov", "december dec",
        ),
        1,
    )
    for name in names.split()
}  # fmt: skip
_MONTH = "|".join(sorted(_MONTHS, key=len, reverse=True))
_DATE = re.compile(
    r"(?<![\w/.\-])(?:"
    r"(?P<iso>(?P<iy>20\d\d|19\d\d)-(?P<im>\d\d)-(?P<id>\d\d))(?:[t ](?P<time>\d\d:\d\d))?"
    r"|(?P<compact>(?:20|19)\d{6})(?!\d)"
    r"|(?P<a>\d{1,2})(?P<sep>[/.\-])(?P<b>\d{1,2})(?P=sep)(?P<y>\d{4}|\d{2})(?![\w/])"
    rf"|(?P<d1>\d{{1,2}})(?:st|nd|rd|th)?(?:\s+of)?[\s\-.]+(?P<m1>{_MONTH})\.?,?[\s\-]+(?P<y1>(?:20|19)\d\d|\d\d)(?!\w)"
    rf"|(?P<m2>{_MONTH})\.?\s+(?P<d2>\d{{1,2}})(?:st|nd|rd|th)?,?\s+(?P<y2>(?:20|19)\d\d)(?!\w)"
    rf"|(?P<m3>{_MONTH})\.?,?\s+(?:of\s+)?(?P<y3>(?:20|19)\d\d)(?!\w)"
    r"|(?P<m4>\d{1,2})/(?P<y4>(?:20|19)\d\d)(?!\w)"
    r"|(?P<y5>(?:20|19)\d\d)(?![\w/%]|\s*(?:ml|units|mg|cc|g\b))"
    r")"
)
_NAMED_FOR_THE_PROCEDURE = re.compile(
    r"\b(?:procedure|operation|service|surgery|exam(?:ination)?|study"
    r"|intervention)\W*(?:date|on|was|performed|done)?\W*$"
    r"|\bdate of (?:the )?\w+\W*$"
)
_NOT_OF_THE_PROCEDURE = re.compile(
    r"\b(?:\bd\.?o\.?b\.?|born|birth|dictat\w*|transcri\w*|print\w*|typed|signed|received"
    r"|report(?:ed)? on|faxed|referred|referral"
    r"|comparison|compared|prior|previous|last(?:\s+\w+)?|appointment|booked|rebooked"
    r"|seen again|next\s+\w+|since|until|due|by|after|expir\w*|lot"
    r"|clinic date|seen on|admitted|admission|placed"
    r"|created|inserted|formed|cc|next|follow\w*|review)\W*(?:on|date|in|\w{0,4})?\W*$"
)
_OF_THE_PROCEDURE = re.compile(
    r"(?:performed|done|carried out|operation|surgery|procedure|undertaken|attended\w*"
    r"|seen|examined|underwent|exam|study|session"
    r"|treated|placed|needled|cannulated|used)\W*(?:[\w ]{0,24}\W*)?(?:on|date|dated|of)?\W*(?:the\s+)?$"
)
_TODAY = re.compile(r"\b(?:today|this (?:morning|afternoon|evening))\b\W*(?:on|the)?\W*$")
_AMERICAN = re.compile(
    r"\b(?:hemo\w+|anesthe\w+|tunneled|center\w*|edema|hematoma|catheteriz\w+"
    r"|fluoroscopy time|visualiz\w+|color|liter|fiber"
    r"|gray|pressurized|utiliz\w+|heparinized|prepped)\b"
)
_BRITISH = re.compile(
    r"\b(?:haemo\w+|anaesthe\w+|tunnelled|centre\w*|oedema|haematoma|catheteris\w+"
    r"|visualis\w+|colour|litre|fibre|theatre"
    r"|fistulaplasty|fistuloplasty|plast(?:y|ied)|consultant|registrar|needled|needling|gp|\d+/7|\d+/52|\d+/12|ward)\b"
)


@dataclass(frozen=True)
class Day:
    """A date as it stands in the text."""

    start: int
    end: int
    date: PartialDate
    doubt: str | None = None


def days_of(low: str) -> list[Day]:
    """Every date in a text in small letters."""
    matches = list(_DATE.finditer(low))
    order = _order_of(low, matches)
    found = []
    for one in matches:
        day = _read(one, order)
        if day is not None:
            found.append(day)
    return found


def day_of_procedure(low: str, parts: Parts, days: list[Day], deeds: list[tuple[int, int]]) -> Day | None:
    """The date that the text gives for the procedure; None where it gives none.

    `deeds` are the sentences, as first and last place, that tell something as done.
    """
    best: tuple[int, Day] | None = None
    for day in days:
        if day.date.precision == "year" and day.doubt is None:
            continue
        rank = _rank(low, parts, day)
        if rank and (best is None or rank > best[0]):
            best = (rank, day)
    return best[1] if best else _beside_a_deed(low, days, deeds)


def _beside_a_deed(low: str, days: list[Day], deeds: list[tuple[int, int]]) -> Day | None:
    """In a note without headings: the only full date, if it stands in the sentence of a deed. It stays in doubt."""
    full = [day for day in days if day.date.precision in ("day", "instant") or day.doubt]
    if len(full) != 1:
        return None
    day = full[0]
    line = low.rfind("\n", 0, day.start) + 1
    if _NOT_OF_THE_PROCEDURE.search(low[max(line, day.start - 60) : day.start]):
        return None
    if not any(start <= day.start < end for start, end in deeds):
        return None
    beside = "the day stands beside what was done; no heading says that it is the day of the procedure"
    return Day(day.start, day.end, day.date, day.doubt or beside)


def _rank(low: str, parts: Parts, day: Day) -> int:
    line = low.rfind("\n", 0, day.start) + 1
    before = low[max(line, day.start - 60) : day.start]
    if _NOT_OF_THE_PROCEDURE.search(before) and not _NAMED_FOR_THE_PROCEDURE.search(before):
        return 0
    index = parts.index_at(day.start)
    role = parts.sentences[index].role if index is not None else "opening"
    if role == "date":
        return 9
    if index is None and _NAMED_FOR_THE_PROCEDURE.search(before):
        # "Procedure (12 March 2024):" holds its day within the heading.
        return 7
    if re.search(
        r"(?:date|day) of (?:the )?(?:procedure|operation|surgery|service|exam\w*|study|intervention)\W*$", before
    ):
        return 8
    if _TODAY.search(before):
        return 7
    if role in ("title", "opening") and index is not None:
        return 6 if parts.sentences[index].start <= 300 or role == "title" else 3
    if role in ("narrative", "technique", "findings", "impression") and _OF_THE_PROCEDURE.search(before):
        return 4
    return 0


def _order_of(low: str, matches: list[re.Match[str]]) -> str | None:
    """`mdy` or `dmy`, where something in the text tells; the spelling only where no other date does."""
    month_first = day_first = 0
    for one in matches:
        if one["a"] is None:
            continue
        first, second = int(one["a"]), int(one["b"])
        if one["sep"] == ".":
            day_first += 1
        if first > 12 >= second:
            day_first += 3
        elif second > 12 >= first:
            month_first += 3
    if month_first == day_first:
        american, british = len(_AMERICAN.findall(low)), len(_BRITISH.findall(low))
        if american == british:
            return None
        return "mdy?" if american > british else "dmy?"
    return "mdy" if month_first > day_first else "dmy"


def _read(one: re.Match[str], order: str | None) -> Day | None:
    start, end = one.span()
    try:
        if one["iso"]:
            text = one["iso"] + (f"T{one['time']}" if one["time"] else "")
            return Day(start, end, PartialDate(text))
        if one["compact"]:
            text = one["compact"]
            return Day(start, end, PartialDate(f"{text[:4]}-{text[4:6]}-{text[6:]}"))
        if one["a"]:
            return _numeric(one, order)
        for number in "12":
            if one[f"d{number}"]:
                return Day(
                    start,
                    end,
                    PartialDate(
                        f"{_year(one[f'y{number}'])}-{_MONTHS[one[f'm{number}']]:02}-{int(one[f'd{number}']):02}"
                    ),
                )
        if one["m3"]:
            return Day(start, end, PartialDate(f"{one['y3']}-{_MONTHS[one['m3']]:02}"))
        if one["m4"]:
            return Day(start, end, PartialDate(f"{one['y4']}-{int(one['m4']):02}"))
        return Day(start, end, PartialDate(one["y5"]))
    except ValueError:
        return None


def _numeric(one: re.Match[str], order: str | None) -> Day | None:
    first, second, year = int(one["a"]), int(one["b"]), _year(one["y"])
    start, end = one.span()
    if first > 12 or second > 12 or first == second:
        day, month = (first, second) if first > 12 or first == second else (second, first)
        return Day(start, end, PartialDate(f"{year}-{month:02}-{day:02}"))
    if order is None:
        return Day(
            start,
            end,
            PartialDate(year),
            (
                f"{one.group()} can be {year}-{first:02}-{second:02} or {year}-{second:02}-{first:02}; "
                f"only the year is certain"
            ),
        )
    day, month = (second, first) if order.startswith("mdy") else (first, second)
    doubt = None
    if order.endswith("?"):
        doubt = (
            f"{one.group()} is read as {year}-{month:02}-{day:02} by the report's spelling alone; "
            f"it can be {year}-{day:02}-{month:02}"
        )
    return Day(start, end, PartialDate(f"{year}-{month:02}-{day:02}"), doubt)


def _year(text: str) -> str:
    return text if len(text) == 4 else ("20" if int(text) < 70 else "19") + text
