"""The life of an access: drawn in time from planning to abandonment with every entry, and each below in a sentence.

What is told comes from `ledger.projections.timeline`, the intervals from `ledger.statistics.spells` by the definitions
that the command counts by. The picture only gives them a place: all that it bears stands below it in words.

To give a kind of entry its own row, name it in `_ROWS`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
from typing import TYPE_CHECKING

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.projections.state import AccessView
    from ledger.projections.timeline import Line, Timeline

_ROWS: tuple[tuple[str, frozenset[str]], ...] = (
    (
        "The access",
        frozenset(
            {
                "access-planned",
                "creation",
                "catheter-placed",
                "access-known",
                "second-stage",
                "catheter-exchanged",
                "catheter-removed",
                "abandonment",
                "taken-up-again",
            }
        ),
    ),
    (
        "Interventions",
        frozenset(
            {"visit", "angiogram", "angioplasty", "stent", "thrombectomy", "revision", "banding", "other-intervention"}
        ),
    ),
    (
        "Trouble",
        frozenset({"thrombosis", "infection", "culture", "antimicrobial-course", "complication", "catheter-trouble"}),
    ),
    ("Looked at, measured", frozenset({"examination", "measurement", "imaging", "maturity-assessed"})),
    ("Used", frozenset({"first-cannulation", "cannulation-session", "access-used"})),
)
"""What stands in which row of the picture. Everything else stands in the last row."""
_LAST_ROW = "Said, planned, decided"

_NAMED_IN_PICTURE = {
    "creation": "made",
    "catheter-placed": "placed",
    "access-known": "first met",
    "second-stage": "second stage",
    "abandonment": "given up",
    "catheter-removed": "out",
    "catheter-exchanged": "exchanged",
    "taken-up-again": "taken up again",
    "thrombosis": "thrombosis",
    "stent": "stent",
    "angioplasty": "balloon",
    "thrombectomy": "clot removed",
    "revision": "revision",
    "first-cannulation": "first needles",
}
"""Entries that have their word beside their tick, where there is room."""

_MEASURES = {
    True: ("catheter-survival", "infection-free-catheter-survival", "peritoneal-catheter-survival"),
    False: ("primary-patency", "assisted-primary-patency", "secondary-patency", "functional-primary-patency"),
}
"""The intervals that are drawn, for catheters and for what is needled."""


@dataclass(frozen=True)
class Interval:
    """One interval of the access: its name, its days, and what it ended with, in words."""

    name: str
    start: date
    end: date
    goes_on: bool
    words: str


def life(asked: Asked) -> Response:
    """The whole life of one access."""
    from cli.look import names_of
    from cli.naming import every_entry_name, named_in
    from ledger.projections.state import accesses_of
    from ledger.projections.timeline import timeline_of

    access = asked.path("access")
    one = asked.owner(access, did="history")
    history = asked.history(one.id)
    entry_names = every_entry_name(history)
    with_audit = asked.query("audit") == "1"
    day = history.as_of or asked.today(one.id)
    names = names_of(asked.ledger)
    told = timeline_of(history, access, asked.ledger.papers.words, names, audit=with_audit)
    views = accesses_of(history, day, asked.ledger.papers.words, names)
    view = next((found for found in views if found.access == access), None)
    intervals = () if view is None else tuple(intervals_of(history, view, day))
    return asked.page(
        "life.html",
        one=one,
        access=access,
        told=told,
        view=view,
        years=years_of(told.lines),
        names=entry_names,
        sentences={line.entry: named_in(line.sentence, history, entry_names) for line in told.lines},
        intervals=intervals,
        picture=picture_of(told, intervals, day),
        audit=with_audit,
        past=_past(told),
        others=tuple((f"/access/{found.access}", found.name) for found in views if found.access != access),
    )


def _past(told: Timeline) -> str:
    from ledger.projections.wording import day_words

    views = []
    if told.as_of is not None:
        views.append(f"as of {told.as_of}")
    if told.known_on is not None:
        views.append(f"as known on {day_words(told.known_on[:10])}")
    return ", ".join(views)


def years_of(lines: Sequence[Line]) -> tuple[tuple[str, tuple[Line, ...]], ...]:
    """The lines by the year in which they happened, so that two hundred of them can be read."""
    years: dict[str, list[Line]] = {}
    for line in lines:
        years.setdefault(line.happened[:4], []).append(line)
    return tuple((year, tuple(found)) for year, found in years.items())


def intervals_of(history: History, view: AccessView, day: date) -> Iterable[Interval]:
    """The intervals of an access under the definitions that are counted, as far as it has any."""
    from ledger.projections.wording import counted, date_words
    from ledger.statistics.definitions import rulebook
    from ledger.statistics.spells import Outcome, Spell, spell_of

    book = rulebook()
    for measure in _MEASURES[view.is_catheter]:
        definition = book.definition(measure)
        found = spell_of(history, view.access, definition, day)
        if not isinstance(found, Spell):
            continue
        reading = found.longest
        goes_on = reading.outcome is not Outcome.EVENT
        if reading.ended_by == "cut":
            ended = f"goes on, counted to {date_words(reading.end)}"
        elif goes_on:
            ended = (
                f"not ended by the definition; counted to {date_words(reading.end)} ({book.words(reading.ended_by)})"
            )
        else:
            ended = f"ended on {date_words(reading.end)}: {book.words(reading.ended_by)}"
        days = counted(reading.days, "day")
        if found.dates_matter:
            days = f"{found.shortest.days} to {days}, since a date is not known to the day"
        words = f"{definition.name}: {days}, from {date_words(reading.start)}; {ended}"
        yield Interval(definition.name, reading.start, reading.end, goes_on, words)


# --- The picture --------------------------------------------------------------------------------------------------

WIDE, LEFT, RIGHT = 960.0, 182.0, 18.0
ROW, INTERVAL, AXIS = 34.0, 20.0, 22.0


def picture_of(told: Timeline, intervals: Sequence[Interval], day: date) -> str:
    """The life as SVG: a row for each sort of entry, a tick for each entry, and below them the intervals."""
    lines = [line for line in told.lines if line.standing in ("in-force", "possibly")]
    if not lines:
        return ""
    spans = [(line.happened.earliest.toordinal(), line.happened.latest.toordinal()) for line in lines]
    first = min([start for start, _ in spans] + [one.start.toordinal() for one in intervals])
    last = max([end for _, end in spans] + [one.end.toordinal() for one in intervals] + [first + 30])
    last = max(last, min(day.toordinal(), last + 365)) if intervals else last

    def across(ordinal: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (ordinal - first) / (last - first)

    rows = _in_rows(lines)
    high = AXIS + ROW * len(rows) + (8 + INTERVAL * len(intervals) if intervals else 0) + 4
    parts = list(_axis(first, last, high, across))
    y = AXIS
    for name, held in rows:
        parts += _row(name, held, y, across)
        y += ROW
    if intervals:
        y += 6
        parts.append(f'<path d="M0 {y:.0f}H{WIDE:.0f}" stroke="#8a939b" stroke-width="0.8"/>')
        for one in intervals:
            parts += _interval(one, y, across)
            y += INTERVAL
    return (
        f'<svg class="time" viewBox="0 0 {WIDE:.0f} {high:.0f}" role="img" aria-labelledby="time-title" '
        f'xmlns="http://www.w3.org/2000/svg" font-family="system-ui, DejaVu Sans, sans-serif">'
        f'<title id="time-title">The life of {escape(told.name)} in time; each entry stands below in words.</title>'
        f"{''.join(parts)}</svg>"
    )


def _in_rows(lines: Sequence[Line]) -> list[tuple[str, list[Line]]]:
    rows: dict[str, list[Line]] = {name: [] for name in (*(name for name, _ in _ROWS), _LAST_ROW)}
    for line in lines:
        name = next((name for name, kinds in _ROWS if line.kind in kinds), _LAST_ROW)
        rows[name].append(line)
    return [(name, held) for name, held in rows.items() if held]


def _axis(first: int, last: int, high: float, across: _Across) -> Iterable[str]:
    """The years, or the months of a short life, as thin lines through all rows."""
    begin, end = date.fromordinal(first), date.fromordinal(last)
    years = end.year - begin.year
    marks = [(date(year, 1, 1), str(year)) for year in range(begin.year, end.year + 1)]
    if years <= 2:
        step = 1 if (last - first) < 300 else 3
        names = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
        marks = [
            (date(year, month, 1), f"{names[month - 1]} {year}")
            for year in range(begin.year, end.year + 1)
            for month in range(1, 13, step)
        ]
    said_to = -100.0
    for day, name in marks:
        if not first <= day.toordinal() <= last:
            continue
        x = across(day.toordinal())
        yield f'<path d="M{x:.1f} {AXIS - 4:.0f}V{high:.0f}" stroke="#d5d9dc" stroke-width="1"/>'
        wide = 7.0 * len(name)
        if x - wide / 2 > said_to and x + wide / 2 < WIDE:
            yield _say(x, 13, name, "middle")
            said_to = x + wide / 2 + 6
    if not any(first <= day.toordinal() <= last for day, _ in marks):
        yield _say(LEFT, 13, f"{begin.year}", "start")


def _row(name: str, lines: Sequence[Line], y: float, across: _Across) -> Iterable[str]:
    from ledger.projections.wording import day_words

    middle = y + 20
    yield _say(0, middle + 4, f"{name} ({len(lines)})", "start")
    yield f'<path d="M{LEFT} {middle:.0f}H{WIDE - RIGHT:.0f}" stroke="#c9cdd1" stroke-width="0.8"/>'
    said_to = LEFT - 10
    for line in lines:
        x, to = across(line.happened.earliest.toordinal()), across(line.happened.latest.toordinal())
        title = f"<title>{escape(day_words(line.happened))}: {escape(line.kind.replace('-', ' '))}</title>"
        if len(line.happened) < 10:
            # A date that is known to the month or the year is a stretch, not a day.
            wide = max(to - x, 3)
            yield (
                f'<rect x="{x:.1f}" y="{middle - 5:.1f}" width="{wide:.1f}" height="10" fill="#ffffff" '
                f'fill-opacity="0.6" stroke="#1c2126" stroke-dasharray="3 2">{title}</rect>'
            )
        else:
            dash = ' stroke-dasharray="2 2"' if line.standing == "possibly" else ""
            yield (
                f'<path d="M{x:.1f} {middle - 8:.1f}V{middle + 8:.1f}" stroke="#14506b" stroke-width="2.2"'
                f"{dash}>{title}</path>"
            )
        word = _NAMED_IN_PICTURE.get(line.kind)
        if word is not None:
            wide = 6.2 * len(word)
            start = min(x, WIDE - RIGHT - wide)
            if start > said_to:
                yield _say(start, y + 9, word, "start")
                said_to = start + wide + 5


def _interval(one: Interval, y: float, across: _Across) -> Iterable[str]:
    x, to = across(one.start.toordinal()), across(one.end.toordinal())
    middle = y + 11
    yield _say(0, middle + 4, _shorter(one.name), "start")
    yield (
        f'<path d="M{x:.1f} {middle:.1f}H{to:.1f}" stroke="#1c2126" stroke-width="5"><title>{escape(one.words)}</title>'
        "</path>"
    )
    if one.goes_on:
        # An open arrow: the definition did not end it, only the counting.
        yield (
            f'<path d="M{to:.1f} {middle - 6:.1f}L{to + 9:.1f} {middle:.1f}L{to:.1f} {middle + 6:.1f}" fill="none" '
            f'stroke="#1c2126" stroke-width="1.6"/>'
        )
    else:
        yield f'<path d="M{to:.1f} {middle - 7:.1f}V{middle + 7:.1f}" stroke="#1c2126" stroke-width="2.4"/>'


def _shorter(name: str) -> str:
    return name if len(name) <= 30 else name[:29].rstrip() + "…"


def _say(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="11" text-anchor="{anchor}" fill="#1c2126">{escape(words)}</text>'


if TYPE_CHECKING:
    from collections.abc import Callable

    _Across = Callable[[float], float]

PAGES = (Page("/access/{access}", life, Right.LOOK, examples=("/access/{access}?audit=1",)),)
