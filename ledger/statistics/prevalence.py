"""Who dialyses through what on a day, and over months: shares with their denominators, and the lists behind them.

"In use" is what the last recorded use says. Where none was recorded near the day it is "use not recorded", which is a
group of its own and is never counted as not in use. Whether a catheter stayed too long is asked in four ways, because
the published definitions differ; none of them is the truth.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

from ledger.people import Patient
from ledger.statistics.basis import Basis
from ledger.statistics.cells import Beware
from ledger.statistics.moments import Care, Life, days_of, months_after, roots_of
from ledger.statistics.presence import (
    NEEDLE_AND_LINE,
    UNKNOWN_USE,
    Period,
    Population,
    in_haemodialysis,
    in_use_on,
    present_on,
    spans_of,
    stay_on,
)
from ledger.statistics.rates import left_out_words
from ledger.vocabulary import AccessKind, Use, words_of

CHOICES = ("use-known-for",)

LONG_DAYS = 90
"""A catheter counts as long-term after more days than this, by the reading in days."""

LONG_MONTHS = 3
"""And from this many calendar months on, by the reading in months."""


class Who(NamedTuple):
    """One patient behind a number, and the entries it rests on."""

    patient: str
    roots: tuple[str, ...] = ()


@dataclass(frozen=True)
class Share:
    """So many of so many, with the exact interval, and who they are for those who may see it."""

    name: str
    count: int
    of: int
    who: tuple[Who, ...]
    says: str | None = None
    source: str | None = None
    hidden: bool = False
    """Small, or beside something small: neither the count nor what could be worked back to it is shown."""

    @property
    def share(self) -> float | None:
        return self.count / self.of if self.of else None

    @property
    def interval(self) -> tuple[float, float] | None:
        from ledger.statistics.curves import exact_binomial

        return exact_binomial(self.count, self.of) if self.of else None

    def to_json(self) -> dict[str, Any]:
        """Plain values; who they are is not among them."""
        interval = self.interval
        return {
            "name": self.name,
            "count": None if self.hidden else self.count,
            "of": self.of,
            "share": None if self.hidden else self.share,
            "low": None if interval is None or self.hidden else interval[0],
            "high": None if interval is None or self.hidden else interval[1],
            "hidden": self.hidden,
            "says": self.says,
            "source": self.source,
        }


@dataclass(frozen=True)
class Prevalence:
    """Shares on a day or over a period, with what they rest on."""

    name: str
    day: date
    shares: tuple[Share, ...]
    basis: Basis
    since: date | None = None
    """The first day of the period, for what is counted over one that ends on `day`."""

    def of(self, name: str) -> Share:
        """The share of this name. Raises KeyError if there is none."""
        for one in self.shares:
            if one.name == name:
                return one
        raise KeyError(name)

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "since": None if self.since is None else self.since.isoformat(),
            "day": self.day.isoformat(),
            "shares": [one.to_json() for one in self.shares],
            "basis": self.basis.to_json(),
        }


def access_in_use(
    population: Population, day: date, chosen: Mapping[str, str] | None = None, *, unit: str | None = None
) -> Prevalence:
    """By what the patients on haemodialysis dialyse on a day; and who could do without a catheter."""
    choices = population.book.chosen(CHOICES, chosen)
    known_for = int(choices["use-known-for"])
    here, left_out = _on_haemodialysis(population, day, unit)
    groups: dict[str, list[Who]] = {}
    without: list[Who] = []
    beside: list[Who] = []
    for care in here:
        used, roots = in_use_on(care, day.toordinal(), known_for)
        groups.setdefault(used, []).append(Who(care.patient, roots))
        line = any(kind.is_central_line for _, kind in present_on(care, day.toordinal()))
        needled = used in _NEEDLED
        if needled and not line:
            without.append(Who(care.patient, roots))
        elif needled:
            beside.append(Who(care.patient, roots))
    names = [*(name for name in _ORDER if name in groups), *sorted(set(groups) - set(_ORDER))]
    shares = [Share(_in_words(name), len(groups[name]), len(here), tuple(groups[name])) for name in names]
    shares.append(
        Share(
            "usable without a catheter",
            len(without),
            len(here),
            tuple(without),
            says="dialysed with two needles by the last use recorded, and no central line in the body",
        )
    )
    shares.append(
        Share(
            "two needles, and a catheter still in",
            len(beside),
            len(here),
            tuple(beside),
            says="dialysed with two needles by the last use recorded, with a central line in the body",
        )
    )
    return _prevalence("Access in use", day, shares, here, choices, population, left_out)


def over_months(
    population: Population,
    months: Sequence[Period],
    chosen: Mapping[str, str] | None = None,
    *,
    unit: str | None = None,
) -> list[tuple[Period, Prevalence]]:
    """The same on the last day of each month."""
    return [(month, access_in_use(population, month.last, chosen, unit=unit)) for month in months]


# --- Catheters that stayed ----------------------------------------------------------------------------------------


def long_term_catheters(
    population: Population,
    month: Period,
    chosen: Mapping[str, str] | None = None,
    *,
    people: Mapping[str, Patient] | None = None,
    unit: str | None = None,
) -> Prevalence:
    """Catheters longer than three months at the end of a month, by each published reading.

    `people` gives birth dates for the measure that counts adults only; who has none is left out of that one and said.
    """
    choices = population.book.chosen(CHOICES, chosen)
    known_for = int(choices["use-known-for"])
    day = month.last.toordinal()
    here, left_out = _on_haemodialysis(population, month.last, unit)
    in_days, in_months, no_other = [], [], []
    for care in here:
        since = _line_since(care, day)
        if since is None:
            continue
        who = Who(care.patient, since.roots)
        if day - since.day > LONG_DAYS:
            in_days.append(who)
            if not any(kind.is_needled for _, kind in present_on(care, day)):
                no_other.append(who)
        if months_after(since.day, LONG_MONTHS) <= day:
            in_months.append(who)
    shares = [
        Share(
            "catheter in the body more than 90 days",
            len(in_days),
            len(here),
            tuple(in_days),
            says="a central line on the last day of the month, placed more than 90 days before, exchanged or not",
        ),
        Share(
            "catheter in the body three calendar months or longer",
            len(in_months),
            len(here),
            tuple(in_months),
            says="the same, from the same day of the month three months on",
        ),
        Share(
            "catheter more than 90 days and no other access in the making",
            len(no_other),
            len(here),
            tuple(no_other),
            says="more than 90 days, and no fistula or graft in the body that was not given up",
            source=_KDOQI,
        ),
    ]
    adults, sole, any_line = _continuous_use(population, month, known_for, people, unit, left_out)
    shares += [
        Share(
            "catheter as the sole access used at the end of three months running",
            len(sole),
            adults,
            tuple(sole),
            says="adults on haemodialysis the whole month; last use recorded in it and the two before: catheter",
            source=_CONTINUOUS,
        ),
        Share(
            "catheter used, alone or beside a needle, at the end of three months running",
            len(any_line),
            adults,
            tuple(any_line),
            says="the same, with one needle and a catheter line counted as well",
            source=_CONTINUOUS,
        ),
    ]
    return _prevalence("Catheters longer than three months", month.last, shares, here, choices, population, left_out)


_KDOQI = "KDOQI 2006, guideline 8: over 3 months in the absence of a maturing permanent access (read 2026-11-24)"
_CONTINUOUS = (
    "NQMC:011397: a catheter used continuously for 3 months or longer, in patient-months (read 2026-11-24); "
    "the reading by last sessions is from memory"
)


class _Since(NamedTuple):
    day: int
    roots: tuple[str, ...]


def _line_since(care: Care, day: int) -> _Since | None:
    """Since when a central line was in the body on that day: the earliest placed of those in, exchanged or not."""
    found: list[_Since] = []
    for life in care.lives.values():
        if life.kind is None or not life.kind.is_central_line:
            continue
        for span, _ in spans_of(life, longest=True):
            if span.first <= day < span.end:
                found.append(_Since(_placed(life), tuple(one.root for one in (life.made or life.known,) if one)))
    return min(found, default=None)


def _placed(life: Life) -> int:
    origin = life.made or life.known
    if origin is None:
        return life.moments[0].earliest
    created = getattr(origin.fact, "created", None)
    return days_of(created if created is not None else origin.fact.happened, life.zone)[1]


def _continuous_use(
    population: Population,
    month: Period,
    known_for: int,
    people: Mapping[str, Patient] | None,
    unit: str | None,
    left_out: Counter[str],
) -> tuple[int, list[Who], list[Who]]:
    ends = [month.last.toordinal()]
    for _ in range(2):
        first = date.fromordinal(ends[-1]).replace(day=1).toordinal()
        ends.append(first - 1)
    adults, sole, any_line = 0, [], []
    for care in population.cares:
        at_first, last = stay_on(care, month.first.toordinal()), stay_on(care, ends[0])
        if not (in_haemodialysis(at_first) and in_haemodialysis(last)):
            continue
        if unit is not None and last is not None and last.unit != unit:
            continue
        patient = (people or {}).get(care.patient)
        if patient is None or patient.birth_date is None:
            left_out["age-not-recorded"] += 1
            continue
        if _is_child(patient, month.first):
            left_out["not-an-adult"] += 1
            continue
        used = [in_use_on(care, day, known_for) for day in ends]
        if any(name == UNKNOWN_USE for name, _ in used):
            left_out["use-not-recorded"] += 1
            continue
        adults += 1
        roots = tuple(root for _, found in used for root in found)
        if all(name in _LINES for name, _ in used):
            sole.append(Who(care.patient, roots))
        if all(name in _LINES or name == NEEDLE_AND_LINE for name, _ in used):
            any_line.append(Who(care.patient, roots))
    return adults, sole, any_line


def _is_child(patient: Patient, day: date) -> bool:
    """Surely below 18 years on a day: by the earliest day on which the patient can have been born."""
    assert patient.birth_date is not None
    born = patient.birth_date.earliest
    return (day.year - born.year - ((day.month, day.day) < (born.month, born.day))) < 18


# --- Beginnings ---------------------------------------------------------------------------------------------------


def started_dialysis_with(
    population: Population, period: Period, chosen: Mapping[str, str] | None = None, *, unit: str | None = None
) -> Prevalence:
    """With which access those whose first dialysis ever lies in the period began: the first use within 7 days of it."""
    left_out: Counter[str] = Counter()
    groups: dict[str, list[Who]] = {}
    here: list[Care] = []
    for care in population.cares:
        one = care.first_dialysis
        if one is None or one.fact.first_dialysis is None:  # type: ignore[union-attr]
            left_out["first-dialysis-not-recorded"] += 1
            continue
        earliest, latest = days_of(one.fact.first_dialysis, care.zone)  # type: ignore[union-attr]
        if latest < period.span.first or earliest >= period.span.end:
            continue
        if not (period.span.first <= earliest and latest < period.span.end):
            left_out["first-dialysis-perhaps"] += 1
            continue
        if unit is not None and (one.fact.unit or care.home_unit) != unit:  # type: ignore[union-attr]
            continue
        here.append(care)
        name, roots = _first_used(care, earliest, latest)
        groups.setdefault(name, []).append(Who(care.patient, (one.root, *roots)))
    names = [*(name for name in _ORDER if name in groups), *sorted(set(groups) - set(_ORDER))]
    shares = [Share(_in_words(name), len(groups[name]), len(here), tuple(groups[name])) for name in names]
    found = _prevalence("Started dialysis with", period.last, shares, here, {}, population, left_out)
    return replace(found, since=period.first)


def _first_used(care: Care, earliest: int, latest: int) -> tuple[str, tuple[str, ...]]:
    near = [one for one in care.uses if one.latest >= earliest and one.earliest <= latest + 7]
    if not near:
        return UNKNOWN_USE, ()
    first = min(near, key=lambda one: one.earliest)
    on_that_day = [one for one in near if one.earliest == first.earliest]
    if any(one.use is Use.ONE_NEEDLE for one in on_that_day) or len({one.use for one in on_that_day}) > 1:
        return NEEDLE_AND_LINE, tuple(one.root for one in on_that_day)
    kind = care.lives[first.access].kind
    return (UNKNOWN_USE if kind is None else kind.value), (first.root,)


class FirstNeedle(NamedTuple):
    """One access that was needled for the first time: days since its creation, if known, and the facts that say so."""

    patient: str
    access: str
    days: int | None
    roots: tuple[str, ...]


@dataclass(frozen=True)
class FirstUse:
    """Accesses of one kind needled for the first time in a period: how many, and how many days after creation."""

    kind: AccessKind
    count: int
    days: tuple[int, ...]
    listed: tuple[FirstNeedle, ...]
    hidden: bool = False

    @property
    def quartiles(self) -> tuple[float, float, float] | None:
        """A quarter, a half and three quarters of them were needled by these days after creation."""
        if not self.days:
            return None
        import numpy as np

        low, middle, high = np.percentile(self.days, [25, 50, 75])
        return float(low), float(middle), float(high)

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind.value,
            "count": None if self.hidden else self.count,
            "with_known_creation": None if self.hidden else len(self.days),
            "days": None if self.hidden or self.quartiles is None else list(self.quartiles),
            "hidden": self.hidden,
        }


def first_uses(population: Population, period: Period, *, unit: str | None = None) -> tuple[FirstUse, ...]:
    """Fistulas and grafts whose first needle, as far as is recorded, surely lies in the period.

    With `unit`, those whose patient was in that unit's care on the day of that needle.
    Where the creation is not known to the day the days to the first needle are not counted, but the access is.
    """
    found: dict[AccessKind, list[FirstNeedle]] = {}
    for life in population.lives:
        if life.kind not in (AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID) or not life.needled.facts:
            continue
        if not any(one.kind == "first-cannulation" for one in life.needled.facts) and life.made is None:
            continue
        if not (period.span.first <= life.needled.earliest and life.needled.latest < period.span.end):
            continue
        if unit is not None:
            stay = stay_on(life.care, life.needled.earliest)
            if stay is None or stay.unit != unit:
                continue
        days: int | None = None
        if life.made is not None:
            made = days_of(life.made.fact.happened, life.zone)
            if made[0] == made[1] and life.needled.earliest == life.needled.latest:
                days = life.needled.earliest - made[0]
        roots = roots_of(life.needled.facts)
        found.setdefault(life.kind, []).append(FirstNeedle(life.patient, life.access, days, roots))
    return tuple(
        FirstUse(kind, len(mine), tuple(sorted(one.days for one in mine if one.days is not None)), tuple(mine))
        for kind, mine in sorted(found.items())
    )


# --- Shared -------------------------------------------------------------------------------------------------------

_LINES = frozenset({AccessKind.TUNNELLED.value, AccessKind.NONTUNNELLED.value})
_NEEDLED = frozenset({AccessKind.FISTULA.value, AccessKind.GRAFT.value, AccessKind.HYBRID.value, "two accesses"})
NEEDLED_ALONE = frozenset({*(words_of(AccessKind(name)) for name in _NEEDLED - {"two accesses"}), "two accesses"})
"""The names of the shares of those who dialyse with two needles."""

_KINDS = frozenset(kind.value for kind in AccessKind)
_ORDER = (
    *(kind.value for kind in AccessKind),
    NEEDLE_AND_LINE,
    "two accesses",
    UNKNOWN_USE,
)


def _in_words(name: str) -> str:
    return words_of(AccessKind(name)) if name in _KINDS else name


def _on_haemodialysis(population: Population, day: date, unit: str | None) -> tuple[list[Care], Counter[str]]:
    here: list[Care] = []
    left_out: Counter[str] = Counter()
    for care in population.cares:
        stay = stay_on(care, day.toordinal())
        if stay is None or (unit is not None and stay.unit != unit):
            continue
        if stay.modality is None:
            left_out["modality-not-recorded"] += 1
        elif in_haemodialysis(stay):
            here.append(care)
        else:
            left_out["not-on-haemodialysis"] += 1
    return here, left_out


_WHY = {
    "modality-not-recorded": "in care, but how they dialyse is not recorded",
    "not-on-haemodialysis": "in care, but not on haemodialysis on that day",
    "age-not-recorded": "age not recorded (left out of the measure that counts adults)",
    "not-an-adult": "below 18 (left out of the measure that counts adults)",
    "use-not-recorded": "use not recorded at the end of one of the three months (left out of the measure by use)",
    "first-dialysis-not-recorded": "the day of their first dialysis is not recorded",
    "first-dialysis-perhaps": "their first dialysis may lie in the period or not: its date is not known well enough",
}


def _prevalence(
    name: str,
    day: date,
    shares: Iterable[Share],
    here: Sequence[Care],
    choices: Mapping[str, str],
    population: Population,
    left_out: Mapping[str, int],
) -> Prevalence:
    shares = tuple(shares)
    warnings: list[str] = []
    unknown = next((one.count for one in shares if one.name == UNKNOWN_USE), 0)
    if unknown:
        warnings.append(
            Beware("For {} no use is recorded near that day; they are not counted as not using an access.", unknown)
        )
    basis = Basis(
        counted=len(here),
        unit="patients",
        patients=len(here),
        left_out=left_out_words(left_out, _WHY),
        choices=population.book.in_use(choices),
        warnings=tuple(warnings),
        cut=day,
        definition=name,
    )
    return Prevalence(name, day, shares, basis)
