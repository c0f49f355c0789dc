"""Who was here on which days, and which access was in which body: what rates and prevalence divide by.

Everything is read twice: `longest` takes every beginning at its earliest and every end at its latest, `shortest` the
other way round. Days are ordinal numbers; an interval holds its first day and not its `end`. A day on which a catheter
is taken out, or care ends, is not counted unless a choice says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from typing import NamedTuple

from ledger.chronology import History
from ledger.events import CatheterExchanged
from ledger.people import Patient
from ledger.statistics.definitions import Rulebook
from ledger.statistics.moments import Care, Life, care_of, days_of
from ledger.vocabulary import AccessKind, Modality, Use

EVER = 4_000_000
"""After every day that a date can name."""


class Span(NamedTuple):
    """Days from `first` up to and not including `end`."""

    first: int
    end: int

    @property
    def days(self) -> int:
        return max(0, self.end - self.first)

    def within(self, other: Span) -> Span:
        return Span(max(self.first, other.first), min(self.end, other.end))


class Stay(NamedTuple):
    """A stretch in our care: how the patient dialysed and which unit looked after them; None where not recorded."""

    span: Span
    modality: str | None
    unit: str | None
    is_recorded: bool


@dataclass(frozen=True)
class Period:
    """The days that a rate is of, both included."""

    first: date
    last: date

    @property
    def span(self) -> Span:
        return Span(self.first.toordinal(), self.last.toordinal() + 1)

    def __str__(self) -> str:
        return f"{self.first} to {self.last}"


def month_of(year: int, month: int) -> Period:
    """The period that is a calendar month."""
    after = date(year + month // 12, month % 12 + 1, 1)
    return Period(date(year, month, 1), date.fromordinal(after.toordinal() - 1))


def months_until(last: Period, count: int) -> list[Period]:
    """The `count` calendar months up to and including the month in which `last` begins, in order."""
    found = []
    for back in range(count - 1, -1, -1):
        year, month = divmod(last.first.year * 12 + last.first.month - 1 - back, 12)
        found.append(month_of(year, month + 1))
    return found


@dataclass(frozen=True)
class Population:
    """Patients folded once, so that many counts can be made of them."""

    cares: tuple[Care, ...]
    book: Rulebook

    @property
    def lives(self) -> Iterator[Life]:
        for care in self.cares:
            yield from care.lives.values()

    def cared_for_by(self, unit: str | None, until: date) -> Population:
        """Those who were in this unit's care on any day up to `until`, with their whole lives; for None, everybody.

        Whoever died or went elsewhere since is among them: with those alone who are still here, a curve of accesses
        would be one of survivors.
        """
        if unit is None:
            return self
        last = until.toordinal()
        mine = (
            care
            for care in self.cares
            if any(stay.unit == unit and stay.span.first <= last for stay in stays_of(care, longest=True))
        )
        return Population(tuple(mine), self.book)


def population_of(
    histories: Iterable[History], book: Rulebook, people: Mapping[str, Patient] | None = None
) -> Population:
    """The patients of these histories, ready to be counted. `people` says to which unit the register puts them."""
    cares = []
    for history in histories:
        care = care_of(history, book)
        known = (people or {}).get(history.patient)
        care.home_unit = None if known is None else known.unit
        cares.append(care)
    return Population(tuple(cares), book)


# --- Care ---------------------------------------------------------------------------------------------------------


def stays_of(care: Care, *, longest: bool) -> list[Stay]:
    """The stretches in which the patient was ours, one for each modality and unit, in order.

    Where nobody recorded how care began, it is taken to have begun before anything was recorded, and said so.
    """
    found: list[Stay] = []
    first, modality, unit, recorded = (-EVER, None, None, False)
    is_open = not any(coming.what in ("began", "resumed") for coming in care.comings[:1])
    for coming in care.comings:
        opens = coming.what != "ended"
        day = coming.earliest if opens == longest else coming.latest
        if is_open and day > first:
            found.append(Stay(Span(first, day), modality, unit or care.home_unit, recorded))
        if not opens:
            is_open = False
            continue
        if coming.what in ("began", "resumed") or is_open:
            # A change of modality while nobody followed the patient begins no care.
            first, is_open, recorded = day, True, True
            modality = coming.modality or modality
            unit = coming.unit or unit
    if is_open:
        found.append(Stay(Span(first, EVER), modality, unit or care.home_unit, recorded))
    return found


def stay_on(care: Care, day: int) -> Stay | None:
    """In which stretch of care the patient was on a day; None if in none, by the reading that holds the most days."""
    for stay in stays_of(care, longest=True):
        if stay.span.first <= day < stay.span.end:
            return stay
    return None


def in_haemodialysis(stay: Stay | None) -> bool:
    """In care and on haemodialysis, in a centre or at home."""
    return stay is not None and stay.modality in (Modality.IN_CENTRE.value, Modality.HOME.value)


# --- In the body --------------------------------------------------------------------------------------------------

OUT = frozenset(
    {
        "removed-for-infection",
        "removed-for-trouble",
        "removed-electively",
        "removed-reason-unknown",
        "fell-out",
        "abandonment",
        "infected-loss",
        "closed-by-choice",
        "converted",
    }
)
"""Classes after which an access is no longer one: taken out, or given up."""


def spans_of(life: Life, *, longest: bool, removal_day: bool = False) -> list[tuple[Span, AccessKind]]:
    """When the access was there to be used, as far as it was watched: from its making, or from when it was met.

    A catheter that was exchanged into another kind has a span for each kind; an access taken up again has two.
    """
    kind = life.kind
    if kind is None:
        return []
    origin = life.made or life.known or life.second_creation
    began = None if origin is None else days_of(origin.fact.happened, life.zone)
    if began is None:
        # Only events tell of it: it was there by the first of them.
        if not life.moments:
            return []
        began = (life.moments[0].latest, life.moments[0].latest)
    found: list[tuple[Span, AccessKind]] = []
    first: int | None = began[0] if longest else began[1]
    for moment in life.moments:
        if moment.what in OUT and first is not None:
            end = (moment.latest if longest else moment.earliest) + removal_day
            found.append((Span(first, max(first, end)), kind))
            first = None
        elif moment.what == "taken-up-again" and first is None:
            first = moment.earliest if longest else moment.latest
        elif isinstance(moment.one.fact, CatheterExchanged) and first is not None:
            to_kind = moment.one.fact.to_kind
            if to_kind is not None and to_kind is not kind:
                day = max(first, moment.earliest)
                found.append((Span(first, day), kind))
                first, kind = day, to_kind
    if first is not None:
        found.append((Span(first, EVER), kind))
    return found


def present_on(care: Care, day: int) -> list[tuple[Life, AccessKind]]:
    """The accesses that were there to be used on a day, as far as is recorded."""
    return [
        (life, kind)
        for life in care.lives.values()
        for span, kind in spans_of(life, longest=True)
        if span.first <= day < span.end
    ]


RISK = (
    AccessKind.NONTUNNELLED,
    AccessKind.TUNNELLED,
    AccessKind.HYBRID,
    AccessKind.GRAFT,
    AccessKind.FISTULA,
)
"""From the highest to the lowest risk of infection, as surveillance orders them (omb.report 201508-0920-001, document
58543401, read 2026-11-24): the hybrid of graft and catheter stands between the lines and the graft."""


def riskiest_on(care: Care, day: int) -> AccessKind | None:
    """The riskiest access that was present on a day, used or not; None if no haemodialysis access was."""
    kinds = {kind for _, kind in present_on(care, day)}
    return next((kind for kind in RISK if kind in kinds), None)


# --- In use -------------------------------------------------------------------------------------------------------

NEEDLE_AND_LINE = "one needle and a catheter line"
UNKNOWN_USE = "use not recorded"


def in_use_on(care: Care, day: int, known_for: int) -> tuple[str, tuple[str, ...]]:
    """What was in use on a day, by the last use recorded in the `known_for` days up to it, and the entries it rests on.

    A kind of access in the words of the enum, `NEEDLE_AND_LINE`, or `UNKNOWN_USE`: no record is never "not in use".
    """
    # A use known to the month stands for its last day that is not after the day asked for.
    near = [
        (min(one.latest, day), one)
        for one in care.uses
        if one.earliest <= day and min(one.latest, day) > day - known_for - 1
    ]
    if not near:
        return UNKNOWN_USE, ()
    last = max(when for when, _ in near)
    here = [one for when, one in near if when == last]
    roots = tuple(one.root for one in here)
    if any(one.use is Use.ONE_NEEDLE for one in here) or len({one.use for one in here}) > 1:
        return NEEDLE_AND_LINE, roots
    kinds = {_kind_on(care.lives[one.access], last) for one in here}
    if len(kinds) == 1:
        (kind,) = kinds
        return (kind.value if kind is not None else UNKNOWN_USE), roots
    return NEEDLE_AND_LINE if any(kind is not None and kind.is_catheter for kind in kinds) else "two accesses", roots


def _kind_on(life: Life, day: int) -> AccessKind | None:
    spans = spans_of(life, longest=True, removal_day=True)
    return next((kind for span, kind in spans if span.first <= day < span.end), life.kind)
