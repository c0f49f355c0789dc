"""How dates, quantities and accesses are said to people.

One place for the ward's way of saying things, so that the brief, the timeline and the
sheet say them alike. It holds no facts and decides nothing about an access; what a kind
of entry says as a sentence is in `sentences`.

To add a way of naming an access, extend `_PAIRS` or `access_name`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from functools import lru_cache

from ledger.dates import PartialDate
from ledger.events import Words
from ledger.evidence import Quote
from ledger.measured import Measured
from ledger.people import Identifier
from ledger.vocabulary import AccessKind, Artery, Configuration, Side, Site, Vein, words_of

WordsOf = Callable[[Words | Quote], str | None]
"""Gives the words of a stretch of text; None where they were erased or left out of a copy."""

NamesOf = Callable[[str], str | None]
"""Gives the name of a person, unit or centre by its id; None where nobody holds it."""

NO_WORDS = "[words not held here]"

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


@lru_cache(maxsize=16384)
def day_words(when: PartialDate | str | None, unknown: str = "on a day not recorded") -> str:
    """A date as it was said: never fuller than it was, never emptier.

    >>> day_words(PartialDate("2019")), day_words(PartialDate("2019-03")), day_words(PartialDate("2019-03-04T10:30"))
    ('2019', 'March 2019', '4 March 2019 at 10:30')
    """
    if when is None:
        return unknown
    year = when[:4]
    if len(when) == 4:
        return year
    month = _MONTHS[int(when[5:7]) - 1]
    if len(when) == 7:
        return f"{month} {year}"
    said = f"{int(when[8:10])} {month} {year}"
    if len(when) == 10:
        return said
    return f"{said} at {when[11:16]}"


def on_day(when: PartialDate | str | None) -> str:
    """A date with its preposition: `on 4 March 2019`, `in March 2019`, `in 2019`.

    >>> on_day(PartialDate("2019")), on_day(PartialDate("2019-03-04"))
    ('in 2019', 'on 4 March 2019')
    """
    if when is None:
        return "on a day not recorded"
    return f"{'on' if len(when) >= 10 else 'in'} {day_words(when)}"


def date_words(day: date) -> str:
    """A whole day in words: `4 March 2019`."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def quantity(value: Measured | None, unit: str) -> str:
    """A quantity as it was said, with its unit; empty where nobody recorded it. An estimate says so.

    >>> quantity(Measured(value="20", comparator="<"), "%"), quantity(Measured(low="3", high="4"), "cm")
    ('<20 %', '3-4 cm')
    """
    if value is None:
        return ""
    return f"{value} {unit}" + (" (estimated)" if value.how == "estimated" else "")


def said(words: WordsOf, stretch: Words | Quote | None) -> str:
    """Words in quotation marks; a plain remark where they are not held; empty where there never were any."""
    if stretch is None:
        return ""
    found = words(stretch)
    return NO_WORDS if found is None else f'"{" ".join(found.split())}"'


def listed(parts: Iterable[str], last: str = "and") -> str:
    """`a, b and c`, leaving out what is empty."""
    held = [part for part in parts if part]
    if len(held) < 2:
        return "".join(held)
    return f"{', '.join(held[:-1])} {last} {held[-1]}"


def number_words(number: Identifier) -> str:
    """A patient's number with the system that gave it, the system by its last part; `local` goes without saying.

    >>> number_words(Identifier(system="https://hospital.example/mrn", value="0042"))
    '0042 (mrn)'
    """
    system = number.system.rstrip("/").replace(":", "/").rsplit("/", 1)[-1]
    return number.value if system == "local" or not system else f"{number.value} ({system})"


def counted(number: int, what: str, plural: str | None = None) -> str:
    """`1 lesion`, `2 lesions`."""
    return f"{number} {what}" if number == 1 else f"{number} {plural or what + 's'}"


def nth(number: int) -> str:
    """`1st`, `2nd`, `3rd`, `11th`."""
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def side_words(side: Side | None) -> str:
    """A side as it must be read, in capitals: `LEFT`, `RIGHT`, else `side not recorded`."""
    return "side not recorded" if side is None else side.value.upper()


_PAIRS = {
    (Artery.RADIAL, Vein.CEPHALIC): "radiocephalic",
    (Artery.RADIAL, Vein.BASILIC): "radiobasilic",
    (Artery.BRACHIAL, Vein.CEPHALIC): "brachiocephalic",
    (Artery.BRACHIAL, Vein.BASILIC): "brachiobasilic",
}


def vessels_words(inflow: Artery | None, outflow: Vein | None) -> str:
    """Artery and vein as the trade names the pair; only what is known.

    >>> vessels_words(Artery.BRACHIAL, Vein.CEPHALIC), vessels_words(Artery.ULNAR, Vein.BASILIC)
    ('brachiocephalic', 'ulnar-basilic')
    """
    if inflow is not None and outflow is not None:
        return _PAIRS.get((inflow, outflow)) or f"{words_of(inflow)}-{words_of(outflow)}"
    if outflow is not None:
        return f"{words_of(outflow)} outflow"
    if inflow is not None:
        return f"{words_of(inflow)} inflow"
    return ""


@lru_cache(maxsize=4096)
def access_name(
    kind: AccessKind | None,
    side: Side | None,
    *,
    other_side: Side | None = None,
    site: Site | None = None,
    inflow: Artery | None = None,
    outflow: Vein | None = None,
    vein: Vein | None = None,
    configuration: Configuration | None = None,
) -> str:
    """An access in words, the side first and in capitals, since a side is what must not be misread.

    `other_side` is a second side that an entry tells and nobody has settled; then both are said. For a central
    line `side` is that of the vein; for a peritoneal catheter that of the exit, which need not be known.

    >>> access_name(AccessKind.FISTULA, Side.LEFT, site=Site.UPPER_ARM, inflow=Artery.BRACHIAL, outflow=Vein.CEPHALIC)
    'LEFT upper-arm fistula (brachiocephalic)'
    >>> access_name(AccessKind.TUNNELLED, Side.RIGHT, vein=Vein.INTERNAL_JUGULAR)
    'RIGHT internal jugular tunnelled catheter'
    >>> access_name(AccessKind.GRAFT, None, site=Site.THIGH, configuration=Configuration.LOOP)
    'thigh loop graft, side not recorded'
    """
    words: list[str] = []
    bracket = ""
    if kind is not None and kind.is_catheter:
        if vein is not None and kind is not AccessKind.PERITONEAL:
            words.append(words_of(vein))
        words.append(words_of(kind))
    else:
        if site is not None:
            words.append(site.value)
        if configuration is not None:
            words.append(words_of(configuration))
        words.append("access of a kind not recorded" if kind is None else words_of(kind))
        bracket = vessels_words(inflow, outflow)
    name = " ".join(words) + (f" ({bracket})" if bracket else "")
    if other_side is not None and other_side is not side:
        return f"{name}, SIDE UNSETTLED: told as {' and as '.join(sorted((side_words(side), side_words(other_side))))}"
    if side is not None:
        return (
            f"{side.value.upper()} {name}" if kind is not AccessKind.PERITONEAL else f"{name}, exit {side_words(side)}"
        )
    return name if kind is AccessKind.PERITONEAL else f"{name}, side not recorded"
