"""Infections by class: what grew, which courses until when, whether a culture showed that it cleared, and the catheter.

A culture that an infection names is tied to it. A culture or a course that nobody tied stands with the infection of
the same access that it lies close to, and is marked so: a course may have been for something else. What fits no
infection is listed apart. "Cleared" is said only where a clearance culture was negative; that nothing more was recorded
is said as that.

Nothing is counted here (that is `ledger.statistics`), and no drug, dose or length is in it.

To show more of an infection, add a field to `InfectionView` and fill it in `_view`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import AntimicrobialCourse, CatheterExchanged, CatheterRemoved, Culture, Infection
from ledger.projections.folding import Folds, fold_of
from ledger.projections.rows import name_of
from ledger.projections.sentences import nobody, sentence_of
from ledger.projections.state import plain
from ledger.projections.wording import NamesOf, WordsOf, counted, day_words, on_day
from ledger.vocabulary import CatheterFate, CourseReason, InfectionClass, Organism, words_of

CULTURE_BEFORE = timedelta(days=21)
"""An untied culture drawn so many days before the onset or fewer stands with the infection. Ours: the 21-day rule."""

COURSE_BEFORE = timedelta(days=7)
"""An untied course begun up to so many days before the onset stands with the infection. Ours, no source."""

AFTER = timedelta(days=42)
"""An untied culture or course up to so many days after the onset stands with the infection. Ours, no source."""

CLEARANCE_AFTER = timedelta(days=92)
"""The same for a culture that says of itself that it was drawn to see whether an infection has cleared. Ours."""


@dataclass(frozen=True, kw_only=True)
class CultureView:
    """A culture beside an infection. `tied`: the infection names it; else it only lies close to it."""

    drawn: PartialDate
    words: str
    positive: bool | None
    clearance: bool
    tied: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class CourseView:
    """An antimicrobial course. `state`: `ended`, `running`, `past-planned-end` or `end-not-recorded`."""

    began: PartialDate
    until: PartialDate | None
    state: str
    words: str
    root: str


@dataclass(frozen=True, kw_only=True)
class CatheterAct:
    """What was done with the catheter, and how many days after the onset where both are known to the day."""

    day: PartialDate
    words: str
    days_after: int | None
    root: str


@dataclass(frozen=True, kw_only=True)
class InfectionView:
    """One infection. `clearance` says in words whether a culture showed that it cleared; `cleared_on` is its day."""

    infection_class: InfectionClass
    access: str | None
    access_name: str
    onset: PartialDate
    words: str
    organism: str
    fate: str
    cultures: tuple[CultureView, ...]
    courses: tuple[CourseView, ...]
    cleared_on: PartialDate | None
    clearance: str
    catheter: tuple[CatheterAct, ...]
    root: str


@dataclass(frozen=True, kw_only=True)
class Infections:
    """The infections of a patient by class, oldest first within each, and what belongs to none."""

    patient: str
    day: date
    infections: tuple[InfectionView, ...]
    cultures: tuple[CultureView, ...]
    courses: tuple[CourseView, ...]

    def by_class(self) -> dict[InfectionClass, tuple[InfectionView, ...]]:
        """Those of each class that there are, in the order of the vocabulary."""
        found = {each: tuple(one for one in self.infections if one.infection_class is each) for each in InfectionClass}
        return {each: those for each, those in found.items() if those}

    def to_json(self) -> dict[str, Any]:
        """The whole as plain JSON values."""
        return {
            "patient": self.patient,
            "day": self.day.isoformat(),
            "infections": plain(self.infections),
            "cultures_without_infection": plain(self.cultures),
            "courses_without_infection": plain(self.courses),
        }


def infections_of(
    history: History,
    today: date,
    words: WordsOf | None = None,
    names: NamesOf = nobody,
    *,
    access: str | None = None,
) -> Infections:
    """The infections of a patient, or of one access, by what had happened by a day of the unit's zone."""
    if any(one.happened.earliest_in(history.zone).date() > today for one in history.facts):
        history = history.seen(as_of=today)
    return _Maker(history, today, words or _no_words, names, fold_of(history)).made(access)


def _no_words(_: Any) -> str | None:
    return None


@dataclass
class _Maker:
    history: History
    today: date
    words: WordsOf
    names: NamesOf
    folds: Folds

    @property
    def zone(self) -> ZoneInfo:
        return self.history.zone

    def made(self, access: str | None) -> Infections:
        infections = self._of("infection")
        cultures = {one.root: self._infection_of(one, infections, CULTURE_BEFORE) for one in self._of("culture")}
        courses = {
            one.root: self._infection_of(one, infections, COURSE_BEFORE) for one in self._of("antimicrobial-course")
        }
        views = [self._view(one, infections, cultures, courses) for one in infections]
        loose_cultures = [one for one in self._of("culture") if cultures[one.root] is None]
        loose_courses = [one for one in self._of("antimicrobial-course") if courses[one.root] is None]
        if access is not None:
            views = [one for one in views if one.access == access]
            loose_cultures = [one for one in loose_cultures if one.access == access]
            loose_courses = [one for one in loose_courses if one.access == access]
        order = list(InfectionClass)
        views.sort(key=lambda one: (order.index(one.infection_class), one.onset, one.root))
        return Infections(
            patient=self.history.patient,
            day=self.today,
            infections=tuple(views),
            cultures=tuple(self._culture(one, tied=False) for one in loose_cultures),
            courses=tuple(self._course(one) for one in loose_courses),
        )

    def _of(self, kind: str) -> list[InForce]:
        return [one for one in self.history.facts if one.kind == kind and not one.possibly]

    # --- What belongs to which ---

    def _infection_of(self, one: InForce, infections: Sequence[InForce], before: timedelta) -> str | None:
        """The infection to which a culture or a course belongs: the one that names it, else the nearest."""
        for infection in infections:
            if self._names(infection, one):
                return infection.root
        nearest: tuple[int, str] | None = None
        drawn = self._first(one)
        clearance = isinstance(one.fact, Culture) and bool(one.fact.clearance)
        # What was drawn to see whether an infection has cleared was drawn after it began.
        earliest, latest = (timedelta(0), CLEARANCE_AFTER) if clearance else (before, AFTER)
        for infection in infections:
            onset = self._first(infection)
            # The blood is one: whether it has cleared is shown also by a culture drawn after the catheter was changed.
            anywhere = clearance and getattr(infection.fact, "infection_class", None) is InfectionClass.BLOODSTREAM
            its = anywhere or one.access in (None, infection.access)
            if not its or not onset - earliest <= drawn <= onset + latest:
                continue
            if not _of_that_class(one, infection):
                continue
            away = (abs((drawn - onset).days), infection.root)
            nearest = away if nearest is None else min(nearest, away)
        return None if nearest is None else nearest[1]

    def _names(self, infection: InForce, one: InForce) -> bool:
        fact = infection.fact
        return isinstance(fact, Infection) and bool({one.root, one.entry.id} & set(fact.cultures))

    # --- One infection ---

    def _view(
        self,
        one: InForce,
        infections: Sequence[InForce],
        cultures: dict[str, str | None],
        courses: dict[str, str | None],
    ) -> InfectionView:
        fact = one.fact
        assert isinstance(fact, Infection)
        folded = self.folds.accesses.get(one.access or "")
        drawn = [other for other in self._of("culture") if cultures[other.root] == one.root]
        given = [other for other in self._of("antimicrobial-course") if courses[other.root] == one.root]
        cleared, clearance = self._clearance(one, drawn)
        return InfectionView(
            infection_class=fact.infection_class,
            access=one.access,
            access_name="" if folded is None else name_of(folded),
            onset=one.happened,
            words=sentence_of(one, self.words, self.names),
            organism=words_of(fact.organism, ""),
            fate=_FATES[fact.catheter_fate] if fact.catheter_fate is not None else "",
            cultures=tuple(self._culture(other, tied=self._names(one, other)) for other in drawn),
            courses=tuple(self._course(other) for other in given),
            cleared_on=cleared,
            clearance=clearance,
            catheter=tuple(self._acts(one, infections)),
            root=one.root,
        )

    def _clearance(self, one: InForce, drawn: Sequence[InForce]) -> tuple[PartialDate | None, str]:
        onset = self._first(one)
        checks = [
            other
            for other in drawn
            if isinstance(other.fact, Culture) and other.fact.clearance and self._first(other) >= onset
        ]
        if not checks:
            return None, "no clearance culture recorded"
        last = checks[-1]
        assert isinstance(last.fact, Culture)
        match False if last.fact.organism is Organism.NO_GROWTH and not last.fact.positive else last.fact.positive:
            case False:
                return last.happened, f"clearance culture negative, drawn {on_day(last.happened)}"
            case True:
                return None, f"clearance culture positive again, drawn {on_day(last.happened)}"
            case _:
                return None, f"clearance culture drawn {on_day(last.happened)}, result not recorded"

    def _acts(self, one: InForce, infections: Sequence[InForce]) -> list[CatheterAct]:
        """Exchanges and removals of that access from the onset on, until the next infection of it begins."""
        onset = self._first(one)
        later = [
            self._first(other) for other in infections if other.access == one.access and self._first(other) > onset
        ]
        until = min(later, default=date.max)
        acts = []
        for other in self.history.facts:
            if other.possibly or other.access != one.access or one.access is None:
                continue
            if isinstance(other.fact, CatheterExchanged | CatheterRemoved) and onset <= self._first(other) < until:
                exact = len(one.happened) >= _EXACT and len(other.happened) >= _EXACT
                acts.append(
                    CatheterAct(
                        day=other.happened,
                        words=sentence_of(other, self.words, self.names),
                        days_after=(self._first(other) - onset).days if exact else None,
                        root=other.root,
                    )
                )
        return acts

    # --- Cultures and courses ---

    def _culture(self, one: InForce, *, tied: bool) -> CultureView:
        fact = one.fact
        assert isinstance(fact, Culture)
        return CultureView(
            drawn=one.happened,
            words=sentence_of(one, self.words, self.names),
            positive=fact.positive,
            clearance=bool(fact.clearance),
            tied=tied,
            root=one.root,
        )

    def _course(self, one: InForce) -> CourseView:
        fact = one.fact
        assert isinstance(fact, AntimicrobialCourse)
        until = fact.until or fact.planned_until
        over = until is not None and until.latest_in(self.zone).date() < self.today
        if until is None:
            state, end = "end-not-recorded", "end not recorded"
        elif fact.until is not None:
            state, end = ("ended" if over else "running"), f"{'ended' if over else 'until'} {day_words(until)}"
        else:
            state = "past-planned-end" if over else "running"
            end = f"{'was ' if over else ''}planned until {day_words(until)}" + (", end not recorded" if over else "")
        why = f" for {words_of(fact.reason)}" if fact.reason is not None else ", reason not recorded"
        how = {True: ", intravenous", False: ", not intravenous", None: ""}[fact.intravenous]
        carried = ", continued from hospital" if fact.continued_from_hospital else ""
        days = ""
        if fact.until is not None and len(one.happened) >= _EXACT and len(fact.until) >= _EXACT:
            days = f" ({counted((self._first_day(fact.until) - self._first(one)).days + 1, 'day')})"
        return CourseView(
            began=one.happened,
            until=until,
            state=state,
            words=f"course{why}{how}{carried}, begun {on_day(one.happened)}, {end}{days}",
            root=one.root,
        )

    def _first(self, one: InForce) -> date:
        return self._first_day(one.happened)

    def _first_day(self, day: PartialDate) -> date:
        return day.earliest_in(self.zone).date()


def _of_that_class(one: InForce, infection: InForce) -> bool:
    """Whether a course that says what it is for can be for an infection of that class; a culture always can."""
    if not isinstance(one.fact, AntimicrobialCourse) or one.fact.reason is None:
        return True
    assert isinstance(infection.fact, Infection)
    return infection.fact.infection_class in _FOR.get(one.fact.reason, frozenset(InfectionClass))


_LOCAL = frozenset({InfectionClass.EXIT_SITE, InfectionClass.TUNNEL, InfectionClass.ACCESS, InfectionClass.BLOODSTREAM})
_FOR = {
    CourseReason.BLOODSTREAM: frozenset({InfectionClass.BLOODSTREAM}),
    CourseReason.ACCESS_INFECTION: _LOCAL,
    CourseReason.PERITONITIS: frozenset({InfectionClass.PERITONITIS}),
    CourseReason.OTHER_SITE: frozenset[InfectionClass](),
    CourseReason.PROPHYLAXIS: frozenset[InfectionClass](),
}
_FATES = {
    CatheterFate.KEPT: "catheter kept",
    CatheterFate.EXCHANGED: "catheter exchanged",
    CatheterFate.REMOVED: "catheter removed",
    CatheterFate.LOCKED: "catheter kept, with a lock",
}
_EXACT = len("2019-03-04")
