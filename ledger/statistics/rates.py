"""Rates: infections per 1,000 catheter-days, thrombosis and interventions per access-year, recurrent interventions.

A rate is events over time, with the exact Poisson interval, and beside it a robust one where events repeat within a
patient. Where dates are partial the rate is given twice: the least that the dates allow (events that surely lie in the
period, over the most time) and the most. Dialysis events of surveillance have rules of their own: `surveillance`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

from ledger.events import Infection
from ledger.statistics.basis import Basis, LeftOutCount, left_out_counts
from ledger.statistics.cells import Beware
from ledger.statistics.moments import Care, Life, days_of, kind_at
from ledger.statistics.presence import Period, Population, Span, spans_of, stays_of
from ledger.statistics.spells import LeftOut, clots_of, index_days_of, spells_of_lives, watched_by
from ledger.vocabulary import AccessKind, InfectionClass, words_of

if TYPE_CHECKING:
    from ledger.statistics.curves import MeanCount

YEAR = 365.25
"""Days of a year, in rates a year."""

CATHETER_CHOICES = ("removal-day", "two-catheters", "same-infection-days")


class Listed(NamedTuple):
    """One event of a rate, for those who may see the list behind a number."""

    patient: str
    access: str
    happened: str
    what: str
    root: str


@dataclass(frozen=True)
class Rate:
    """Events over time. `least` and `most` differ only where dates are partial.

    `per` is in units of `exposure`: 1,000 catheter-days, or one access-year.
    """

    what: str
    among: str
    events: int
    events_most: int
    exposure: float
    exposure_least: float
    unit: str
    per: float
    patients: int
    listed: tuple[Listed, ...]
    robust: tuple[float, float] | None
    level: float = 0.95
    hidden: bool = False
    """Few events, or beside few: neither the count nor what could be worked back to it is shown."""

    @property
    def rate(self) -> float | None:
        """The least rate: the events that surely lie in the period, over the most time. None without any time."""
        return self.events / self.exposure * self.per if self.exposure > 0 else None

    @property
    def rate_most(self) -> float | None:
        return self.events_most / self.exposure_least * self.per if self.exposure_least > 0 else None

    @property
    def interval(self) -> tuple[float, float] | None:
        """The exact Poisson interval of `rate`."""
        from ledger.statistics.curves import exact_poisson

        if self.exposure <= 0:
            return None
        low, high = exact_poisson(self.events, self.level)
        return low / self.exposure * self.per, high / self.exposure * self.per

    @property
    def dates_matter(self) -> bool:
        return self.events != self.events_most or self.exposure != self.exposure_least

    def to_json(self) -> dict[str, Any]:
        """Plain values; the list behind the number is not among them."""
        interval = None if self.hidden else self.interval
        return {
            "what": self.what,
            "among": self.among,
            "events": None if self.hidden else self.events,
            "events_most": None if self.hidden else self.events_most,
            "exposure": self.exposure,
            "exposure_least": self.exposure_least,
            "unit": self.unit,
            "per": self.per,
            "rate": None if self.hidden else self.rate,
            "rate_most": None if self.hidden else self.rate_most,
            "low": None if interval is None else interval[0],
            "high": None if interval is None else interval[1],
            "robust": None if self.robust is None or self.hidden else list(self.robust),
            "level": self.level,
            "patients": self.patients,
            "dates_matter": self.dates_matter,
            "hidden": self.hidden,
        }


@dataclass(frozen=True)
class Rates:
    """Rates of one period with what they rest on."""

    name: str
    period: Period
    rates: tuple[Rate, ...]
    basis: Basis

    def of(self, what: str, among: str) -> Rate:
        """The rate of one thing among one sort of access. Raises KeyError if there is none."""
        for one in self.rates:
            if one.what == what and one.among == among:
                return one
        raise KeyError((what, among))

    def to_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "period": {"first": self.period.first.isoformat(), "last": self.period.last.isoformat()},
            "rates": [one.to_json() for one in self.rates],
            "basis": self.basis.to_json(),
        }


class _Happened(NamedTuple):
    """An event with both readings of its day."""

    earliest: int
    latest: int
    listed: Listed


# --- Infections ---------------------------------------------------------------------------------------------------

ANY = "any infection"
LINES = (AccessKind.TUNNELLED, AccessKind.NONTUNNELLED)
BOTH = "tunnelled or not"


def catheter_infections(
    population: Population,
    period: Period,
    chosen: Mapping[str, str] | None = None,
    *,
    unit: str | None = None,
    level: float = 0.95,
) -> Rates:
    """Infections of central lines per 1,000 catheter-days, by class and by kind of line.

    A clinical diagnosis as it was recorded: not the same count as the positive cultures of surveillance. A catheter
    counts from the day on which it was placed, or met, while the patient is in care here.
    """
    choices = population.book.chosen(CATHETER_CHOICES, chosen)
    within = int(choices["same-infection-days"])
    exposure: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    found: dict[tuple[str, str], list[_Happened]] = defaultdict(list)
    left_out: Counter[str] = Counter()
    for care in population.cares:
        for kind, most, least in _catheter_days(care, period, choices, unit):
            exposure[words_of(kind)].append((care.patient, most, least))
            exposure[BOTH].append((care.patient, most, least))
        for life in care.lives.values():
            if life.kind is None and life.troubles:
                left_out["kind-not-recorded"] += 1
            if life.kind not in LINES:
                continue
            for one in infections_of(life, within):
                if not _in_care(care, one.earliest, one.latest, unit):
                    left_out["out-of-care"] += _straddles(one, period) is not None
                    continue
                kind_then = kind_at(life, one.earliest) or life.kind
                for among in (words_of(kind_then), BOTH):
                    found[one.listed.what, among].append(one)
                    found[ANY, among].append(one)
    classes = [InfectionClass.EXIT_SITE, InfectionClass.TUNNEL, InfectionClass.BLOODSTREAM]
    rates = [
        rate_of(what, among, found[what, among], exposure[among], period, "catheter-days", 1000.0, level)
        for among in (*map(words_of, LINES), BOTH)
        for what in (*map(_infection_words, classes), ANY)
    ]
    return _rates(
        "Infections per 1,000 catheter-days",
        period,
        rates,
        exposure[BOTH],
        "catheters",
        choices,
        population,
        left_out,
    )


def peritoneal_infections(
    population: Population, period: Period, *, unit: str | None = None, level: float = 0.95
) -> Rates:
    """Peritonitis and infections of exit site and tunnel per year of a peritoneal catheter."""
    exposure: list[tuple[str, float, float]] = []
    found: dict[str, list[_Happened]] = defaultdict(list)
    for care in population.cares:
        for life in care.lives.values():
            if life.kind is not AccessKind.PERITONEAL:
                continue
            most, least = (_days_in(care, life, period, longest, unit, removal_day=False) for longest in (True, False))
            if most:
                exposure.append((care.patient, most / YEAR, least / YEAR))
            for one in infections_of(life, 0):
                if _in_care(care, one.earliest, one.latest, unit):
                    found[one.listed.what].append(one)
    classes = (InfectionClass.PERITONITIS, InfectionClass.EXIT_SITE, InfectionClass.TUNNEL)
    rates = [
        rate_of(
            _infection_words(one),
            "peritoneal catheter",
            found[_infection_words(one)],
            exposure,
            period,
            "years",
            1.0,
            level,
        )
        for one in classes
    ]
    return _rates("Infections per year of a peritoneal catheter", period, rates, exposure, "catheters", {}, population)


def infections_of(life: Life, within: int) -> list[_Happened]:
    """The infections recorded of one access; of one class, those within some days of the one before are the same."""
    found: list[_Happened] = []
    last: dict[InfectionClass, int] = {}
    for one in life.troubles:
        fact = one.fact
        if not isinstance(fact, Infection):
            continue
        earliest, latest = days_of(fact.happened, life.zone)
        before = last.get(fact.infection_class)
        last[fact.infection_class] = latest
        if before is not None and within and earliest - before <= within:
            continue
        listed = Listed(life.patient, life.access, str(fact.happened), _infection_words(fact.infection_class), one.root)
        found.append(_Happened(earliest, latest, listed))
    return found


def _infection_words(infection: InfectionClass) -> str:
    return {
        InfectionClass.BLOODSTREAM: "bloodstream infection",
        InfectionClass.EXIT_SITE: "exit-site infection",
        InfectionClass.TUNNEL: "tunnel infection",
        InfectionClass.ACCESS: "infection of the access",
        InfectionClass.PERITONITIS: "peritonitis",
    }[infection]


def _catheter_days(
    care: Care, period: Period, choices: Mapping[str, str], unit: str | None
) -> Iterable[tuple[AccessKind, float, float]]:
    """For each central line (or, one a day, for each kind) of a patient: its days in the period, most and least."""
    removal_day = choices["removal-day"] == "counted"
    if choices["two-catheters"] == "each-counts":
        for life in care.lives.values():
            if life.kind not in LINES:
                continue
            for kind in LINES:
                most, least = (
                    _days_in(care, life, period, longest, unit, removal_day=removal_day, only=kind)
                    for longest in (True, False)
                )
                if most:
                    yield kind, most, least
        return
    days: list[dict[AccessKind, float]] = []
    for longest in (True, False):
        taken: set[int] = set()
        counted: dict[AccessKind, float] = {}
        # The riskier kind first: a day with both belongs to the line that is not tunnelled.
        for kind in (AccessKind.NONTUNNELLED, AccessKind.TUNNELLED):
            mine = {
                day
                for life in care.lives.values()
                if life.kind in LINES
                for span in _spans_in(care, life, period, longest, unit, removal_day=removal_day, only=kind)
                for day in range(span.first, span.end)
            } - taken
            taken |= mine
            counted[kind] = float(len(mine))
        days.append(counted)
    for kind in LINES:
        if days[0][kind]:
            yield kind, days[0][kind], days[1][kind]


def _spans_in(
    care: Care,
    life: Life,
    period: Period,
    longest: bool,
    unit: str | None,
    *,
    removal_day: bool,
    only: AccessKind | None = None,
) -> list[Span]:
    found = []
    for span, kind in spans_of(life, longest=longest, removal_day=removal_day):
        if only is not None and kind is not only:
            continue
        for stay in stays_of(care, longest=longest):
            if unit is not None and stay.unit != unit:
                continue
            both = span.within(stay.span).within(period.span)
            if both.days:
                found.append(both)
    return found


def _days_in(
    care: Care,
    life: Life,
    period: Period,
    longest: bool,
    unit: str | None,
    *,
    removal_day: bool,
    only: AccessKind | None = None,
) -> float:
    spans = _spans_in(care, life, period, longest, unit, removal_day=removal_day, only=only)
    return float(sum(span.days for span in spans))


# --- Thrombosis and interventions ---------------------------------------------------------------------------------

NEEDLED = (AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID)
EVERY_ACCESS = "every needled access"
WATCHED_BY = "post-intervention-secondary-patency"
"""The definition whose choices say until when an access counts, and which procedures are one intervention."""


def access_events(
    population: Population,
    period: Period,
    chosen: Mapping[str, str] | None = None,
    *,
    unit: str | None = None,
    level: float = 0.95,
) -> Rates:
    """Thrombosis, interventions, infections and losses per access-year, by kind of access.

    An access counts from its creation (or from when it was met) until it is lost or stops being watched, by secondary
    patency with these choices. Clot found again before the access was opened is the same thrombosis; procedures of one
    day (and of `index-days` more) are one intervention.
    """
    definition = population.book.definition(WATCHED_BY, chosen)
    watched_in = watched_by(definition, period.last)
    index_days = int(definition.choices["index-days"])
    classes = population.book.index_classes
    exposure: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    found: dict[tuple[str, str], list[_Happened]] = defaultdict(list)
    left_out: Counter[str] = Counter()
    for life in population.lives:
        if life.kind is None:
            left_out["kind-not-recorded"] += bool(life.moments)
            continue
        if life.kind not in NEEDLED:
            continue
        watched = watched_in(life)
        if isinstance(watched, LeftOut):
            left_out[watched.why] += watched.why != "after-the-cut"
            continue
        among = words_of(life.kind)
        spans = {
            # The last day counted was watched to its end; a day of loss or of leaving was not.
            reading: Span(one.entered.toordinal(), one.end.toordinal() + (one.ended_by == "cut")).within(period.span)
            for reading, one in (("least", watched.shortest), ("most", watched.longest))
        }
        years = [
            sum(
                spans[reading].within(stay.span).days
                for stay in stays_of(life.care, longest=reading == "most")
                if unit is None or stay.unit == unit
            )
            if unit is not None
            else spans[reading].days
            for reading in ("most", "least")
        ]
        if years[0]:
            for name in (among, EVERY_ACCESS):
                exposure[name].append((life.patient, years[0] / YEAR, years[1] / YEAR))
        first, last = watched.longest.entered.toordinal(), watched.longest.end.toordinal()
        happened = [("thrombosis", one) for one in clots_of(life)]
        happened += [("intervention", group[0]) for group in index_days_of(life, index_days, classes)]
        for what, moment in happened:
            if moment.latest < first or moment.earliest > last or not _in_unit(life.care, moment.earliest, unit):
                continue
            listed = Listed(life.patient, life.access, str(moment.one.happened), what, moment.one.root)
            for name in (among, EVERY_ACCESS):
                found[what, name].append(_Happened(moment.earliest, moment.latest, listed))
        for infection in infections_of(life, 0):
            if (
                first <= infection.latest
                and infection.earliest <= last
                and _in_unit(life.care, infection.earliest, unit)
            ):
                for name in (among, EVERY_ACCESS):
                    found["infection", name].append(infection)
        if watched.longest.outcome == "event" and _in_unit(life.care, last, unit):
            listed = Listed(life.patient, life.access, str(watched.longest.end), "loss", watched.longest.roots[-1])
            ends = sorted((watched.shortest.end.toordinal(), last))
            for name in (among, EVERY_ACCESS):
                found["loss", name].append(_Happened(ends[0], ends[1], listed))
    rates = [
        rate_of(what, among, found[what, among], exposure[among], period, "access-years", 1.0, level)
        for among in (*map(words_of, NEEDLED), EVERY_ACCESS)
        for what in ("thrombosis", "intervention", "infection", "loss")
    ]
    return _rates(
        "Events per access-year",
        period,
        rates,
        exposure[EVERY_ACCESS],
        "accesses",
        dict(definition.choices),
        population,
        left_out,
    )


@dataclass(frozen=True)
class Recurrence:
    """How many interventions an access had by a day after its creation, on average; and what it rests on."""

    counted: MeanCount
    basis: Basis
    listed: tuple[Listed, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values; who stands behind them is not among them."""
        return {
            "rows": [
                {"day": float(day), "at_risk": int(at_risk), "events": int(events), "mean": float(mean)}
                for day, at_risk, events, mean in zip(
                    self.counted.day, self.counted.at_risk, self.counted.events, self.counted.mean, strict=True
                )
            ],
            "basis": self.basis.to_json(),
        }


def recurrent_interventions(
    population: Population,
    cut: date,
    chosen: Mapping[str, str] | None = None,
    *,
    unit: str | None = None,
    level: float = 0.95,
) -> Recurrence:
    """The mean cumulative number of interventions since creation, while the access is there and watched.

    With `unit`, of accesses of those who have been in that unit's care, wherever they were treated.
    The interval is robust for repeated events and several accesses of one patient. A date known only to the month or
    the year stands at its earliest day here; the result says how many there are.
    """
    from ledger.statistics.curves import mean_cumulative_count

    definition = population.book.definition("secondary-patency", chosen)
    left: list[int] = []
    entered: list[int] = []
    cluster: list[str] = []
    event_days: list[int] = []
    event_cluster: list[str] = []
    listed: list[Listed] = []
    left_out: Counter[str] = Counter()
    partial = 0
    classes = population.book.index_classes
    for life in population.cared_for_by(unit, cut).lives:
        for spell in spells_of_lives((life,), definition, cut):
            if isinstance(spell, LeftOut):
                left_out[spell.why] += 1
                continue
            reading = spell.longest
            start, end = reading.start.toordinal(), reading.end.toordinal()
            if reading.days == 0:
                left_out["not-watched-a-day"] += 1
                continue
            left.append(reading.days)
            entered.append(reading.entered_after)
            cluster.append(spell.patient)
            for moment, *_ in index_days_of(life, 0, classes):
                if reading.entered.toordinal() < moment.earliest <= end:
                    event_days.append(moment.earliest - start)
                    event_cluster.append(spell.patient)
                    one = moment.one
                    listed.append(
                        Listed(
                            spell.patient, spell.access, str(one.happened), population.book.words(moment.what), one.root
                        )
                    )
                    partial += moment.earliest != moment.latest
            partial += spell.dates_matter
    counted = mean_cumulative_count(left, cluster, event_days, event_cluster, entered, level=level)
    said = "{} dates known only to the month or the year stand at their earliest day."
    warnings = [Beware(said, partial)] if partial else []
    basis = Basis(
        counted=len(left),
        unit="accesses",
        patients=len(set(cluster)),
        left_out=left_out_words(left_out, _WHY),
        choices=definition.in_use,
        warnings=tuple(warnings),
        cut=cut,
        definition="Interventions an access",
        says="the mean number of interventions by a day after creation, among accesses still there and watched",
    )
    return Recurrence(counted, basis, tuple(listed))


# --- Shared -------------------------------------------------------------------------------------------------------


def rate_of(
    what: str,
    among: str,
    happened: Sequence[tuple[int, int, Listed]],
    exposure: Sequence[tuple[str, float, float]],
    period: Period,
    unit: str,
    per: float,
    level: float,
) -> Rate:
    """One rate of events (earliest day, latest day, line of the list) over (patient, most time, least time)."""
    from ledger.statistics.curves import robust_rate_interval

    events = [_Happened(*one) for one in happened]
    surely = [one for one in events if _straddles(one, period) is True]
    perhaps = [one for one in events if _straddles(one, period) is False]
    by_patient: dict[str, list[float]] = defaultdict(lambda: [0.0, 0.0])
    for patient, most, _ in exposure:
        by_patient[patient][1] += most
    for one in surely:
        by_patient[one.listed.patient][0] += 1
    robust = None
    repeated = any(count > 1 for count, _ in by_patient.values())
    total = sum(most for _, most, _ in exposure)
    if repeated and total > 0:
        counts, times = zip(*by_patient.values(), strict=True)
        robust = robust_rate_interval(counts, times, list(by_patient), level)
    return Rate(
        what=what,
        among=among,
        events=len(surely),
        events_most=len(surely) + len(perhaps),
        exposure=total,
        exposure_least=sum(least for _, _, least in exposure),
        unit=unit,
        per=per,
        patients=len(by_patient),
        listed=tuple(sorted((one.listed for one in (*surely, *perhaps)), key=lambda one: (one.happened, one.root))),
        robust=None if robust is None else (robust[0] * per, robust[1] * per),
        level=level,
    )


def _straddles(one: _Happened, period: Period) -> bool | None:
    """True: surely within the period; False: perhaps; None: surely not."""
    span = period.span
    if span.first <= one.earliest and one.latest < span.end:
        return True
    return False if one.latest >= span.first and one.earliest < span.end else None


def _in_care(care: Care, earliest: int, latest: int, unit: str | None) -> bool:
    """Whether an event fell in care here. The day on which care ended still belongs to it."""
    return any(
        stay.span.first <= latest and earliest <= stay.span.end and (unit is None or stay.unit == unit)
        for stay in stays_of(care, longest=True)
    )


def _in_unit(care: Care, day: int, unit: str | None) -> bool:
    return unit is None or _in_care(care, day, day, unit)


_WHY = {
    "out-of-care": "happened while the patient was not in care here",
    "kind-not-recorded": "the kind of access is not recorded",
    "not-watched-a-day": "not watched for a whole day",
}


def left_out_words(left_out: Mapping[str, int], words: Mapping[str, str]) -> tuple[LeftOutCount, ...]:
    """Reasons with their numbers, in these words or in those of spells."""
    counted = left_out_counts({why: count for why, count in left_out.items() if count})
    return tuple(LeftOutCount(why=one.why, words=words.get(one.why, one.words), count=one.count) for one in counted)


def _rates(
    name: str,
    period: Period,
    rates: Sequence[Rate],
    exposure: Sequence[tuple[str, float, float]],
    unit: str,
    choices: Mapping[str, str],
    population: Population,
    left_out: Mapping[str, int] | None = None,
) -> Rates:
    warnings: list[str] = []
    partial = sum(one.dates_matter for one in rates)
    if partial:
        warnings.append(
            f"{partial} of these rates change with dates known only to the month or the year; "
            "the least and the most are given."
        )
    if any(one.robust is not None for one in rates):
        warnings.append(
            "Events repeat within patients; the exact interval takes them as unrelated, the robust one does not."
        )
    counted = {patient for patient, _, _ in exposure}
    unrecorded = sum(
        1
        for care in population.cares
        if care.patient in counted and not any(stay.is_recorded for stay in stays_of(care, longest=True))
    )
    if unrecorded:
        warnings.append(
            Beware(
                "For {} patients nobody recorded when care began; their time counts from their first access.",
                unrecorded,
            )
        )
    basis = Basis(
        counted=len(exposure),
        unit=unit,
        patients=len(counted),
        left_out=left_out_words(left_out or {}, _WHY),
        choices=population.book.in_use(choices),
        warnings=tuple(warnings),
        cut=period.last,
        definition=name,
    )
    return Rates(name, period, tuple(rates), basis)
