"""The facts of a patient as moments of each access: on which days, of which class, and whether flow was seen.

Done once a history; every definition then reads the same moments. Days are ordinal numbers (`date.toordinal`) in the
history's zone, with an earliest and a latest reading. What a fact means stands in `definitions.toml`; here is only
the folding.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import (
    AccessKnown,
    AccessPlanned,
    AccessUsed,
    CannulationSession,
    CareBegan,
    CatheterExchanged,
    CatheterPlaced,
    Creation,
    Examination,
    FirstCannulation,
    FollowUpEnded,
    FollowUpResumed,
    Infection,
    MaturityAssessed,
    ModalityChanged,
    SecondStage,
    Visit,
)
from ledger.statistics.definitions import Matcher, Rulebook
from ledger.vocabulary import AccessKind, Modality, SecondStageForm, Stage, Use

NO_FLOW, RESTORES, SHOWS = 0, 1, 2


class Moment(NamedTuple):
    """A fact on the line of an access: its first and last possible day, its class ("" for none), what flow it shows."""

    earliest: int
    latest: int
    what: str
    flow: int
    one: InForce


class Coming(NamedTuple):
    """The patient came into or left our care: `what` is `ended`, `resumed`, `began`, `to-peritoneal` or `to-haemo`."""

    earliest: int
    latest: int
    what: str
    reason: str
    root: str
    modality: str | None = None
    unit: str | None = None


class Used(NamedTuple):
    """A recorded use of an access, on a day or in a month."""

    earliest: int
    latest: int
    access: str
    use: Use
    root: str


class Session(NamedTuple):
    """One dialysis of the patient through one access, known to the day."""

    day: int
    access: str
    fact: CannulationSession | AccessUsed
    root: str


class Firsts(NamedTuple):
    """The facts that may be the first of their sort (of partial dates, several can be) and the days of the first."""

    facts: tuple[InForce, ...]
    earliest: int
    latest: int

    def meeting(self, one: InForce, earliest: int, latest: int) -> Firsts:
        """With the next fact in clinical order (by earliest reading), if it may still be the first."""
        if not self.facts:
            return Firsts((one,), earliest, latest)
        if earliest <= self.latest and latest < self.latest:
            return Firsts((*self.facts, one), self.earliest, latest)
        return self


NONE_YET = Firsts((), 0, 0)


@dataclass(slots=True)
class Care:
    """What is the patient's and not an access's: coming, going, arrival from elsewhere, and every dialysis recorded."""

    patient: str
    zone: ZoneInfo
    home_unit: str | None = None
    """The unit that the register names; stretches of care of which nobody recorded the unit are taken to be there."""
    comings: list[Coming] = field(default_factory=list)
    first_dialysis: InForce | None = None
    first_seen: InForce | None = None
    began: tuple[int, int] | None = None
    sessions: list[Session] = field(default_factory=list)
    uses: list[Used] = field(default_factory=list)
    lives: dict[str, Life] = field(default_factory=dict)
    units: list[InForce] = field(default_factory=list)
    """The facts that can say which unit cares for the patient."""
    facts: list[InForce] = field(default_factory=list)
    """Cultures, courses and stays: what rates ask for beside the accesses."""
    exact: bool = True
    """Whether every coming and going is known to the day."""


@dataclass(slots=True)
class Life:
    """One access: how it came into being, how it was met, and its moments in clinical order."""

    patient: str
    access: str
    care: Care
    zone: ZoneInfo
    kind: AccessKind | None = None
    moments: list[Moment] = field(default_factory=list)
    made: InForce | None = None
    second_creation: InForce | None = None
    known: InForce | None = None
    planned: InForce | None = None
    needled: Firsts = NONE_YET
    two_needled: Firsts = NONE_YET
    assessments: tuple[InForce, ...] = ()
    visits: tuple[Visit, ...] = ()
    troubles: tuple[InForce, ...] = ()
    """Infections and examinations: what rates ask for beside the moments."""
    exact: bool = True

    @property
    def origin(self) -> InForce | None:
        """The fact that says the most about what this access is."""
        return self.made or self.known or self.second_creation or self.planned


@lru_cache(maxsize=65536)
def days_of(happened: PartialDate, zone: ZoneInfo) -> tuple[int, int]:
    """The first and the last day, in the zone, that this can mean, as ordinal numbers.

    >>> days_of(PartialDate("2024-02"), ZoneInfo("UTC"))
    (738917, 738945)
    """
    if len(happened) <= 10:
        return happened.earliest.toordinal(), happened.latest.toordinal()
    return happened.earliest_in(zone).date().toordinal(), happened.latest_in(zone).date().toordinal()


def lives_of(history: History, book: Rulebook) -> list[Life]:
    """Every access of a history with its moments, in the order in which the accesses first appear."""
    return list(care_of(history, book).lives.values())


def care_of(history: History, book: Rulebook) -> Care:
    """The patient's comings and goings, and within them the lives of all accesses."""
    care = Care(history.patient, history.zone)
    lives = care.lives
    zone = history.zone
    patient = history.patient
    ways = _ways_of(book)
    begun_out_of: list[tuple[str, InForce]] = []
    named: dict[str, str] = {}
    for one in history.facts:
        access = one.access
        fact = one.fact
        way = ways.get(fact.kind)
        if access is None:
            if way is not None:
                if way.is_beside:
                    care.facts.append(one)
                if way.is_of_care:
                    _to_care(care, one, zone)
            continue
        life = lives.get(access)
        if life is None:
            life = lives[access] = Life(patient, access, care, zone)
        if way is None:
            continue
        if way.is_beside:
            care.facts.append(one)
        what = way.what
        for name, fits in way.tried:
            if fits is None or fits(fact):
                what = name
                break
        flow = way.flow
        for then, fits in way.flow_tried:
            if fits is None or fits(fact):
                flow = then
                break
        if way.is_special:
            what = _to_life(life, one, what, begun_out_of)
        if what or flow:
            earliest, latest = days_of(fact.happened, zone)
            if earliest != latest:
                life.exact = False
            life.moments.append(Moment(earliest, latest, what, flow, one))
        raw = fact.access  # type: ignore[union-attr]
        if raw is not None and raw != access:
            named[raw] = access
    for old, one in begun_out_of:
        ended = lives.get(named.get(old, old))
        if ended is not None:
            earliest, latest = days_of(one.fact.happened, zone)
            ended.exact = ended.exact and earliest == latest
            ended.moments.append(Moment(earliest, latest, "converted", NO_FLOW, one))
            ended.moments.sort(key=lambda moment: moment.earliest)
    if len(care.sessions) > 1:
        care.sessions = _once_a_day(care.sessions)
    return care


def _once_a_day(sessions: list[Session]) -> list[Session]:
    """A day on which an access was used is one dialysis, told by its session where there is one."""
    found: dict[tuple[int, str], Session] = {}
    for one in sessions:
        key = (one.day, one.access)
        if key not in found or isinstance(one.fact, CannulationSession):
            found[key] = one
    return sorted(found.values(), key=lambda one: one.day)


_OF_CARE = frozenset({"follow-up-ended", "follow-up-resumed", "modality-changed", "care-began", "first-seen-here"})
_OF_UNITS = frozenset({"care-began", "modality-changed", "follow-up-resumed"})
_BESIDE = frozenset({"culture", "antimicrobial-course", "hospital-stay"})
_SPECIAL = frozenset(
    {
        "visit",
        "infection",
        "examination",
        "creation",
        "access-known",
        "access-planned",
        "catheter-placed",
        "first-cannulation",
        "access-used",
        "cannulation-session",
        "maturity-assessed",
        "second-stage",
    }
)


class _Way(NamedTuple):
    """What is to be done with facts of one kind; a class or a flow that needs no condition stands in itself."""

    what: str
    tried: tuple[tuple[str, Matcher | None], ...]
    flow: int
    flow_tried: tuple[tuple[int, Matcher | None], ...]
    is_special: bool
    is_beside: bool
    is_of_care: bool


def _ways_of(book: Rulebook) -> dict[str, _Way]:
    # One look-up a fact is what a million accesses have time for, so the tables of a rulebook are joined once.
    for known, made in _KNOWN_WAYS:
        if known is book:
            return made
    kinds = {*book.acts, *book.restores, *book.shows, *_SPECIAL, *_BESIDE, *_OF_CARE}
    made = {kind: _way_of(kind, book) for kind in kinds}
    _KNOWN_WAYS.append((book, made))
    return made


_KNOWN_WAYS: deque[tuple[Rulebook, dict[str, _Way]]] = deque(maxlen=4)


def _way_of(kind: str, book: Rulebook) -> _Way:
    tried = book.acts.get(kind, ())
    flow_tried = tuple((RESTORES, fits) for fits in book.restores.get(kind, ()))
    flow_tried += tuple((SHOWS, fits) for fits in book.shows.get(kind, ()))
    what, flow = "", NO_FLOW
    if tried and tried[0][1] is None:
        what, tried = tried[0][0], ()
    if flow_tried and flow_tried[0][1] is None:
        flow, flow_tried = flow_tried[0][0], ()
    return _Way(what, tried, flow, flow_tried, kind in _SPECIAL, kind in _BESIDE, kind in _OF_CARE)


def _to_care(care: Care, one: InForce, zone: ZoneInfo) -> None:
    fact = one.fact
    earliest, latest = days_of(fact.happened, zone)
    care.exact = care.exact and earliest == latest
    if fact.kind in _OF_UNITS:
        care.units.append(one)
    unit = getattr(fact, "unit", None)
    match fact:
        case FollowUpEnded(reason=reason):
            care.comings.append(Coming(earliest, latest, "ended", reason.value, one.root))
        case ModalityChanged(to=Modality.PERITONEAL as modality):
            care.comings.append(
                Coming(earliest, latest, "to-peritoneal", "to-peritoneal", one.root, modality.value, unit)
            )
        case ModalityChanged(to=modality):
            care.comings.append(Coming(earliest, latest, "to-haemo", "", one.root, modality.value, unit))
        case FollowUpResumed(modality=known):
            care.comings.append(Coming(earliest, latest, "resumed", "", one.root, known.value if known else None, unit))
        case CareBegan(modality=known):
            care.comings.append(Coming(earliest, latest, "began", "", one.root, known.value if known else None, unit))
            care.began = care.began or (earliest, latest)
            if fact.first_dialysis is not None:
                care.first_dialysis = care.first_dialysis or one
        case _:
            care.first_seen = care.first_seen or one


def _to_life(life: Life, one: InForce, what: str, begun_out_of: list[tuple[str, InForce]]) -> str:
    """Files what opens, uses or judges an access; gives the class of the moment that it also is."""
    fact = one.fact
    match fact:
        case Creation():
            if fact.continues_from is not None:
                begun_out_of.append((fact.continues_from, one))
            if fact.stage is Stage.SECOND:
                life.second_creation = life.second_creation or one
                life.kind = life.kind or fact.access_kind
                return "second-stage"
            if life.made is None:
                life.made = one
                life.kind = fact.access_kind
        case CatheterPlaced():
            if life.made is None:
                life.made = one
                life.kind = fact.access_kind
        case AccessKnown():
            life.known = life.known or one
            if life.made is None and life.kind is None:
                life.kind = fact.access_kind
        case AccessPlanned():
            life.planned = life.planned or one
        case FirstCannulation():
            earliest, latest = days_of(fact.happened, life.zone)
            life.needled = life.needled.meeting(one, earliest, latest)
            if used_with_two(one):
                life.two_needled = life.two_needled.meeting(one, earliest, latest)
        case AccessUsed() | CannulationSession():
            earliest, latest = days_of(fact.happened, life.zone)
            if fact.use in _NEEDLED or (fact.use is None and isinstance(fact, CannulationSession) and fact.needles):
                life.needled = life.needled.meeting(one, earliest, latest)
                if used_with_two(one):
                    life.two_needled = life.two_needled.meeting(one, earliest, latest)
            use = fact.use
            if use is None and isinstance(fact, CannulationSession) and fact.needles in (1, 2):
                use = Use.TWO_NEEDLES if fact.needles == 2 else Use.ONE_NEEDLE
            if use is not None and use is not Use.NOT_USED:
                life.care.uses.append(Used(earliest, latest, life.access, use, one.root))
            if earliest == latest and fact.use is not Use.NOT_USED:
                life.care.sessions.append(Session(earliest, life.access, fact, one.root))
        case Visit():
            life.visits = (*life.visits, fact)
        case Infection() | Examination():
            life.troubles = (*life.troubles, one)
        case MaturityAssessed():
            life.assessments = (*life.assessments, one)
        case SecondStage():
            made = life.made
            # Brought to the surface without having been planned in two stages: an operation of its own.
            if (
                fact.form in (SecondStageForm.SUPERFICIALISATION, SecondStageForm.ELEVATION)
                and made is not None
                and isinstance(made.fact, Creation)
                and made.fact.stage is Stage.ONLY
            ):
                return "superficialisation"
        case _:
            pass
    return what


_NEEDLED = (Use.TWO_NEEDLES, Use.ONE_NEEDLE)


def kind_at(life: Life, day: int) -> AccessKind | None:
    """What kind the access was on a day: an exchange can make a tunnelled line of one that was not."""
    kind = life.kind
    for moment in life.moments:
        if moment.latest > day:
            break
        if isinstance(moment.one.fact, CatheterExchanged) and moment.one.fact.to_kind is not None:
            kind = moment.one.fact.to_kind
    return kind


def as_day(ordinal: int) -> date:
    return date.fromordinal(ordinal)


def months_after(day: int, months: int) -> int:
    """The same day of the month some months on; the last of a shorter month."""
    start = as_day(day)
    year, month = divmod(start.year * 12 + start.month - 1 + months, 12)
    for length in (start.day, 30, 29, 28):
        try:
            return start.replace(year=year, month=month + 1, day=min(start.day, length)).toordinal()
        except ValueError:
            continue
    raise AssertionError("every month has a 28th")


def used_with_two(one: InForce) -> bool:
    """A recorded use with two needles."""
    fact = one.fact
    if isinstance(fact, FirstCannulation):
        return fact.needles == 2
    if isinstance(fact, CannulationSession) and fact.use is None:
        return fact.needles == 2
    return isinstance(fact, AccessUsed | CannulationSession) and fact.use is Use.TWO_NEEDLES


def roots_of(facts: Sequence[InForce | None]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.root for one in facts if one is not None))
