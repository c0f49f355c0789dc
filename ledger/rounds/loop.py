"""The way to the access centre and back: what was asked, what was booked, what came of it, and in how many days.

A referral is answered by the first visit or operation after it (or by the visit that names
it); nobody has to close it by hand. One that was cancelled, declined or given up part-way is
no answer, and says so. Days are whole days between days of the unit; they are None where one
of the two is not known to the day.

To add a way in which an appointment can end, add it to `AppointmentState`; `_standing` asks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from statistics import median
from typing import Any, assert_never
from zoneinfo import ZoneInfo

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import Appointment, Referral, Visit
from ledger.projections.folding import Folded, Folds
from ledger.projections.sentences import URGENCY, nobody, sentence_of
from ledger.projections.wording import NamesOf, WordsOf, day_words, listed, on_day
from ledger.vocabulary import AppointmentState, Outcome, Urgency, words_of

ArrivedOn = Callable[[str], date | None]
"""Gives the day on which a report came in, by its id."""


@dataclass(frozen=True, kw_only=True)
class Booking:
    """One thing that became known of an appointment: for which day, and what became of it."""

    state: AppointmentState
    known: PartialDate
    on: PartialDate | None
    root: str


@dataclass(frozen=True, kw_only=True)
class Way:
    """One referral and what came of it.

    `standing`: `not-booked`, `booked`, `not-seen` (the day is over and nobody said what became of it), `not-attended`,
    `declined`, `cancelled`, `sent-to-hospital`, `seen-no-report`, `not-done` (a visit that was given up, cancelled or
    declined), `answered`. `found` are sentences of the visit, beside `asked`.
    """

    root: str
    access: str | None
    asked_on: PartialDate
    asked: str
    urgency: Urgency | None
    standing: str
    bookings: tuple[Booking, ...]
    answer: str | None
    answered_on: PartialDate | None
    found: tuple[str, ...]
    days_from_finding: int | None
    days_to_visit: int | None
    days_to_report: int | None
    days_to_confirmation: int | None
    roots: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        return self.standing != "answered"

    def to_json(self) -> dict[str, Any]:
        """The way as plain JSON values."""
        return {
            "referral": self.root,
            "access": self.access,
            "asked_on": self.asked_on,
            "asked": self.asked,
            "urgency": self.urgency,
            "standing": self.standing,
            "answered_on": self.answered_on,
            "found": list(self.found),
            "days": {
                "finding_to_referral": self.days_from_finding,
                "referral_to_visit": self.days_to_visit,
                "visit_to_report": self.days_to_report,
                "visit_to_confirmation": self.days_to_confirmation,
            },
            "roots": list(self.roots),
        }


def ways_of(
    history: History,
    folds: Folds,
    today: date,
    words: WordsOf,
    names: NamesOf = nobody,
    arrived: ArrivedOn | None = None,
    *,
    tell: bool = True,
) -> tuple[Way, ...]:
    """Every referral of a patient with what came of it by a day, oldest first.

    Without `tell` no sentence of what was found is made, and `found` is empty: rounds ask only how each stands.
    """
    return tuple(
        _way(one, history, folds, today, words, names, arrived, tell)
        for one in folds.person.of("referral")
        if isinstance(one.fact, Referral)
    )


def _way(
    one: InForce,
    history: History,
    folds: Folds,
    today: date,
    words: WordsOf,
    names: NamesOf,
    arrived: ArrivedOn | None,
    tell: bool,
) -> Way:
    fact = one.fact
    assert isinstance(fact, Referral)
    zone = history.zone
    answer = _answer(one, folds, zone)
    bookings = _bookings(one, folds, zone)
    standing = "not-booked"
    if answer is not None:
        standing = "not-done" if _not_done(answer) else "answered"
    elif bookings:
        standing = _standing(bookings[-1], today, zone)
    found: tuple[str, ...] = ()
    if answer is not None and tell:
        visit = answer.visit
        same = [
            other
            for other in history.facts
            if other.root == answer.root or (visit is not None and other.visit == visit)
        ]
        found = tuple(sentence_of(other, words, names) for other in same)
    reported = confirmed = None
    if answer is not None and answer.entry.evidence.report is not None:
        reported = arrived(answer.entry.evidence.report) if arrived is not None else None
        confirmed = datetime.fromisoformat(answer.entry.recorded_at).astimezone(zone).date()
    asked_day, visit_day = _exact(one.happened, zone), None if answer is None else _exact(answer.happened, zone)
    return Way(
        root=one.root,
        access=one.access,
        asked_on=one.happened,
        asked=_asked(fact),
        urgency=fact.urgency,
        standing=standing,
        bookings=tuple(bookings),
        answer=None if answer is None else answer.root,
        answered_on=None if answer is None else answer.happened,
        found=found,
        days_from_finding=_between(_first_finding(fact, history, zone), asked_day),
        days_to_visit=_between(asked_day, visit_day),
        days_to_report=_between(visit_day, reported),
        days_to_confirmation=_between(visit_day, confirmed),
        roots=(one.root, *(booking.root for booking in bookings[-1:]), *((answer.root,) if answer else ())),
    )


@dataclass(frozen=True, kw_only=True)
class DaysBetween:
    """How many days lay between two steps of the way, over several referrals.

    `counted` are those in which both days are known to the day; `not_known` those that had come so far without it.
    """

    name: str
    counted: int
    not_known: int
    least: int | None
    median: float | None
    most: int | None

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "counted": self.counted,
            "not_known": self.not_known,
            "least": self.least,
            "median": self.median,
            "most": self.most,
        }


SPANS = (
    ("finding to referral", "days_from_finding"),
    ("referral to visit", "days_to_visit"),
    ("visit to report", "days_to_report"),
    ("visit to confirmation", "days_to_confirmation"),
)
"""The steps of the way between which days are counted, and the field of `Way` that holds them."""


def days_between(ways: Iterable[Way]) -> tuple[DaysBetween, ...]:
    """The days of each step over these referrals; the steps after it only of those that were answered."""
    held = list(ways)
    found = []
    for name, field in SPANS:
        reached = held if field == "days_from_finding" else [way for way in held if way.answer is not None]
        days = [days for way in reached if (days := getattr(way, field)) is not None]
        found.append(
            DaysBetween(
                name=name,
                counted=len(days),
                not_known=len(reached) - len(days),
                least=min(days, default=None),
                median=float(median(days)) if days else None,
                most=max(days, default=None),
            )
        )
    return tuple(found)


def _asked(fact: Referral) -> str:
    why = listed(words_of(finding) for finding in fact.why) or "reason not recorded"
    urgency = f", {URGENCY[fact.urgency.value]}" if fact.urgency is not None else ""
    return f"{why}{urgency}"


def _answer(one: InForce, folds: Folds, zone: ZoneInfo) -> InForce | None:
    """What came of a referral: the visit that names it, else the first visit or operation on or after its day."""
    about: list[Folded] = [folded for access, folded in folds.accesses.items() if one.access in (None, access)]
    named = [
        visit
        for folded in folds.accesses.values()
        for visit in folded.visits
        if isinstance(visit.fact, Visit) and visit.fact.referral in (one.root, one.entry.id)
    ]
    if named:
        return next((visit for visit in named if not _not_done(visit)), named[-1])
    begins = one.happened.earliest_in(zone).date()
    after = [
        done
        for folded in about
        for done in (
            *(visit for visit in folded.visits if isinstance(visit.fact, Visit)),
            *folded.interventions,
            *((folded.made,) if folded.made is not None else ()),
        )
        if done.happened.earliest_in(zone).date() >= begins and done.kind != "access-known"
    ]
    after.sort(key=lambda done: (done.happened.earliest_in(zone), done.kind != "visit", done.root))
    return next((done for done in after if not _not_done(done)), after[-1] if after else None)


def _not_done(one: InForce) -> bool:
    return isinstance(one.fact, Visit) and one.fact.outcome in (Outcome.CANCELLED, Outcome.DECLINED, Outcome.GIVEN_UP)


def _bookings(one: InForce, folds: Folds, zone: ZoneInfo) -> list[Booking]:
    begins = one.happened.earliest_in(zone).date()
    found = []
    for other in folds.person.of("appointment"):
        fact = other.fact
        assert isinstance(fact, Appointment)
        if fact.referral is not None:
            its = fact.referral in (one.root, one.entry.id)
        else:
            its = (one.access is None or other.access in (None, one.access)) and (
                other.happened.latest_in(zone).date() >= begins
            )
        if its:
            found.append(Booking(state=fact.state, known=other.happened, on=fact.on, root=other.root))
    return found


def _standing(last: Booking, today: date, zone: ZoneInfo) -> str:
    match last.state:
        case AppointmentState.BOOKED | AppointmentState.MOVED:
            over = last.on is not None and last.on.latest_in(zone).date() < today
            return "not-seen" if over else "booked"
        case AppointmentState.ATTENDED:
            return "seen-no-report"
        case AppointmentState.NOT_ATTENDED:
            return "not-attended"
        case AppointmentState.DECLINED:
            return "declined"
        case AppointmentState.CANCELLED:
            return "cancelled"
        case AppointmentState.SENT_TO_HOSPITAL:
            return "sent-to-hospital"
        case unnamed:
            assert_never(unnamed)


def standing_words(way: Way) -> str:
    """How a referral stands, in words, with the day that matters."""
    last = way.bookings[-1] if way.bookings else None
    on = day_words(last.on or last.known) if last is not None else ""
    match way.standing:
        case "not-booked":
            return "not booked"
        case "booked":
            return f"booked for {on}"
        case "not-seen":
            return f"was booked for {on}: no word of what became of it"
        case "not-attended":
            return f"not attended {on}, not booked again"
        case "seen-no-report":
            return f"seen {on}, no report in"
        case "not-done":
            return f"went {on_day(way.answered_on)}, what was asked for was not done"
        case "answered":
            return f"answered by the visit {on_day(way.answered_on)}"
        case other:
            return f"{other.replace('-', ' ')} {on}"


def _first_finding(fact: Referral, history: History, zone: ZoneInfo) -> date | None:
    if not fact.findings:
        return None
    days = [
        day
        for one in history.facts
        if one.root in fact.findings or one.entry.id in fact.findings
        if (day := _exact(one.happened, zone)) is not None
    ]
    return min(days, default=None)


def _exact(day: PartialDate, zone: ZoneInfo) -> date | None:
    return day.earliest_in(zone).date() if len(day) >= len("2019-03-04") else None


def _between(first: date | None, second: date | None) -> int | None:
    return None if first is None or second is None else (second - first).days


def open_for(ways: Sequence[Way], access: str | None) -> tuple[Way, ...]:
    """The referrals of an access, or of no single one, that nothing has answered."""
    return tuple(way for way in ways if way.is_open and way.access in (None, access))
