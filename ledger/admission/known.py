"""Facts as admission looks at them: with the readings of their dates, by access, by visit and by lesion.

Nothing is judged in here; `laws` judges. An index takes a fact in or lets it go in constant time, so that
many entries on one history cost no more than the entries themselves.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta
from functools import lru_cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ledger.chronology import Links
from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.vocabulary import AccessKind, EndOfFollowUp, Grade, GraftMaterial, LesionPlace, Side

OPENERS = frozenset({"access-planned", "access-known", "creation", "catheter-placed"})
"""Kinds by which an access comes into being in the ledger."""


_STATES_A_KIND = OPENERS | {"catheter-exchanged"}
_TELLS_OF_LESIONS = frozenset({"angiogram", "imaging", "angioplasty", "stent"})
_RESUMES = frozenset({"follow-up-resumed", "care-began"})


class Reading(NamedTuple):
    """All that a partial date can mean: seconds of universal time, and days of the unit's zone as ordinals."""

    first: int
    last: int
    first_day: int
    last_day: int


@lru_cache(maxsize=65536)
def reading_of(text: str, zone: ZoneInfo) -> Reading:
    """The earliest and the latest that a date can mean for a unit in `zone`.

    In universal time, so that the hour that a clock repeats in autumn puts nothing before its cause.
    """
    said = PartialDate(text)
    if len(text) <= 10:
        first_day, last_day = said.earliest, said.latest
        first = int(datetime.combine(first_day, time.min, tzinfo=zone).timestamp())
        after = int(datetime.combine(last_day + timedelta(days=1), time.min, tzinfo=zone).timestamp())
        # A zone may leave out a whole day; whoever writes it down all the same means the day that came instead.
        last = after - 1 if after > first else first + 86_399
        return Reading(first, last, first_day.toordinal(), last_day.toordinal())
    moment = datetime.fromisoformat(text)
    # A minute said without its seconds may be any of them.
    open_seconds = 0 if text.count(":", 10, 19) == 2 else 59
    if moment.tzinfo is not None:
        second = int(moment.timestamp())
        day = moment.astimezone(zone).toordinal()
        return Reading(second, second + open_seconds, day, day)
    # Without an offset it is local to the unit, and in the hour that comes twice it may be either.
    once, again = (int(moment.replace(tzinfo=zone, fold=fold).timestamp()) for fold in (0, 1))
    day = moment.toordinal()
    return Reading(min(once, again), max(once, again) + open_seconds, day, day)


class Known:
    """A fact that holds or is about to, with its readings. `fact` is any of the classes of `ledger.events.Fact`."""

    __slots__ = (
        "access",
        "created",
        "entry",
        "fact",
        "first",
        "first_day",
        "kind",
        "last",
        "last_day",
        "recorded_at",
        "report",
        "root",
        "told",
    )

    # The laws are chosen by the fact's kind and then read its own fields; a union would make each of them ask again.
    fact: Any

    def __init__(
        self, fact: Any, entry: str, root: str, access: str | None, reading: Reading, recorded_at: str | None
    ) -> None:
        self.fact = fact
        self.kind: str = fact.kind
        self.entry = entry
        self.root = root
        self.access = access
        self.first, self.last, self.first_day, self.last_day = reading
        self.recorded_at = recorded_at
        self.report: str | None = None
        self.created: Reading | None = None  # of an access known from elsewhere: when it was made, as it was told
        self.told: list[tuple[str, Told]] | None = None  # what it tells of lesions, once somebody asked


def surely_before(one: Known, other: Known) -> bool:
    """Whether the one came before the other under every reading of their dates."""
    return one.last < other.first


def may_lie_between(one: Known, start: Known, end: Known) -> bool:
    """Whether some reading puts the one between the two."""
    return one.last >= start.first and one.first <= end.last


class AccessIndex:
    """What is known of one access: its facts by kind, and what was stated of it."""

    __slots__ = ("by_kind", "hearsay", "id", "kinds", "openers")

    def __init__(self, access: str) -> None:
        self.id = access
        self.openers = 0
        self.by_kind: dict[str, list[Known]] = {}
        self.kinds: dict[AccessKind, int] = {}
        self.hearsay: dict[AccessKind, int] = {}

    def put(self, known: Known) -> None:
        """Takes a fact in."""
        held = self.by_kind.get(known.kind)
        if held is None:
            self.by_kind[known.kind] = [known]
        else:
            held.append(known)
        if known.kind in _STATES_A_KIND:
            self.count(known, 1)

    def drop(self, known: Known) -> None:
        """Lets a fact go that was taken in before."""
        held = self.by_kind[known.kind]
        held.remove(known)
        if not held:
            del self.by_kind[known.kind]
        if known.kind in _STATES_A_KIND:
            self.count(known, -1)

    def count(self, known: Known, by: int) -> None:
        """Counts once more, or once less, what a fact states of the access."""
        if known.kind in OPENERS:
            self.openers += by
        stated, certain = kind_stated(known.fact)
        if stated is None:
            return
        counts = self.kinds if certain else self.hearsay
        counts[stated] = counts.get(stated, 0) + by
        if not counts[stated]:
            del counts[stated]

    def of(self, *kinds: str) -> list[Known]:
        """The facts of these kinds, in no order."""
        found: list[Known] = []
        for kind in kinds:
            held = self.by_kind.get(kind)
            if held:
                found += held
        return found

    @property
    def made(self) -> list[Known]:
        """Its creation or placement; more than one only where a correction or a link uncovered it."""
        return self.of("creation", "catheter-placed")

    @property
    def side(self) -> Side | None:
        """The side that everything but a plan agrees on; None where nobody said it or two sides were said."""
        sides = {
            known.fact.side
            for known in self.of("access-known", "creation", "catheter-placed")
            if known.fact.side is not None
        }
        return sides.pop() if len(sides) == 1 else None

    @property
    def early_cannulation(self) -> bool:
        """Whether somebody said that it is of a material that is made to be needled within days."""
        return any(
            known.fact.material is GraftMaterial.EARLY_CANNULATION for known in self.of("creation", "access-known")
        )


def kind_stated(fact: Any) -> tuple[AccessKind | None, bool]:
    """The kind of access that a fact states, and whether it is more than a plan or hearsay."""
    match fact.kind:
        case "creation" | "catheter-placed":
            return fact.access_kind, True
        case "access-known":
            return fact.access_kind, not fact.from_report_only
        case "catheter-exchanged":
            return fact.to_kind, True
        case "access-planned":
            return fact.access_kind, False
        case _:
            return None, False


class Told(NamedTuple):
    """What one fact tells of a lesion: where it is, what was found, what was left."""

    by: Known
    place: LesionPlace | None
    side: Side | None
    found_percent: Measured | None = None
    found_grade: Grade | None = None
    residual_percent: Measured | None = None
    residual_grade: Grade | None = None


def told_of(known: Known) -> list[tuple[str, Told]]:
    """Every lesion that a fact tells of, by its id."""
    if known.told is None:
        known.told = _told_of(known)
    return known.told


def _told_of(known: Known) -> list[tuple[str, Told]]:
    fact = known.fact
    match known.kind:
        case "angiogram" | "imaging":
            return [
                (one.lesion, Told(known, one.place, one.side, one.stenosis_percent, one.grade)) for one in fact.lesions
            ]
        case "angioplasty" | "stent":
            found = [
                (
                    one.lesion,
                    Told(
                        known,
                        one.place,
                        one.side,
                        one.found_percent,
                        one.found_grade,
                        one.residual_percent,
                        one.residual_grade,
                    ),
                )
                for one in fact.lesions
            ]
            found += [
                (one.lesion, Told(known, one.place, one.side))
                for one in getattr(fact, "stents", ())
                if one.lesion is not None
            ]
            return found
        case _:
            return []


class PatientIndex:
    """What is known of one patient: accesses, visits, lesions, the end of follow-up, and links between identities."""

    __slots__ = (
        "accesses",
        "deaths",
        "ends",
        "gone",
        "has_links",
        "lesions",
        "links",
        "moved_away",
        "resumptions",
        "roots",
        "visits",
        "zone",
    )

    def __init__(self, zone: ZoneInfo, links: Links) -> None:
        self.zone = zone
        self.links = links
        self.has_links = bool(links)
        self.accesses: dict[str, AccessIndex] = {}
        self.roots: dict[str, Known] = {}
        self.visits: dict[str, list[Known]] = {}
        self.lesions: dict[str, list[Told]] = {}
        self.deaths: list[Known] = []
        self.ends: list[Known] = []
        self.resumptions: list[Known] = []
        self.moved_away: set[str] = set()  # reports that turned out to be about somebody else
        self.gone: set[str] = set()  # entries that no longer say anything

    def put(self, known: Known) -> None:
        """Takes a fact in."""
        self.roots[known.root] = known
        access = known.access
        kind = known.kind
        if access is not None:
            its = self.accesses.get(access)
            if its is None:
                its = self.accesses[access] = AccessIndex(access)
            held = its.by_kind.get(kind)
            if held is None:
                its.by_kind[kind] = [known]
            else:
                held.append(known)
            if kind in _STATES_A_KIND:
                its.count(known, 1)
        visit = known.fact.__dict__.get("visit")
        if visit is not None:
            at_visit = self.visits.get(visit)
            if at_visit is None:
                self.visits[visit] = [known]
            else:
                at_visit.append(known)
        if kind in _TELLS_OF_LESIONS:
            for lesion, told in told_of(known):
                self.lesions.setdefault(lesion, []).append(told)
        elif kind == "follow-up-ended":
            self.ends.append(known)
            if known.fact.reason is EndOfFollowUp.DEATH:
                self.deaths.append(known)
        elif kind in _RESUMES:
            self.resumptions.append(known)

    def drop(self, known: Known) -> None:
        """Lets a fact go that was taken in before."""
        del self.roots[known.root]
        if known.access is not None:
            access = self.accesses[known.access]
            access.drop(known)
            if not access.by_kind and not access.openers:
                del self.accesses[known.access]
        visit = known.fact.__dict__.get("visit")
        if visit is not None:
            self.visits[visit].remove(known)
        for lesion, _ in told_of(known):
            self.lesions[lesion] = [told for told in self.lesions[lesion] if told.by is not known]
        for held in (self.deaths, self.ends, self.resumptions):
            if known in held:
                held.remove(known)

    def open(self, access: str, openers: int = 1) -> AccessIndex:
        """The index of an access, made if need be; `openers` counts what a link says of its existence."""
        found = self.accesses.get(access)
        if found is None:
            found = self.accesses[access] = AccessIndex(access)
        found.openers += openers
        return found

    def is_open(self, access: str) -> bool:
        """Whether something in force says that this access exists or is to exist."""
        found = self.accesses.get(access)
        return found is not None and found.openers > 0
