"""Dialysis events as national surveillance counts them: per 100 patient-months, by the riskiest access present.

Three events: an intravenous antimicrobial is started, a blood culture is positive, there is pus, redness or increased
swelling at an access (omb.report 201308-0920-010, document 41913101, read 2026-11-24). Each is new only when 21 days
or more have passed since the one before of its sort (the rule is from memory). The denominator is who dialysed here as
an outpatient on the first two working days of the month, once each, under the riskiest access in the body, used or not.

This is one of three counts that must not be mixed: a clinical diagnosis of infection is in `rates`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

from ledger.events import AntimicrobialCourse, Culture, Examination, HospitalStay, Infection
from ledger.statistics.basis import Basis
from ledger.statistics.moments import Care, days_of
from ledger.statistics.presence import RISK, Period, Population, Stay, in_haemodialysis, riskiest_on, stay_on
from ledger.statistics.rates import Listed, Rate, left_out_words, rate_of
from ledger.vocabulary import InfectionClass, Modality, SkinState, Specimen, words_of

CHOICES = ("twenty-one-days", "on-the-list", "working-days")

STARTS, CULTURES, LOCAL = (
    "intravenous antimicrobial started",
    "positive blood culture",
    "pus, redness or swelling at an access",
)
SORTS = (STARTS, CULTURES, LOCAL)
ONLY_LOCAL = "signs at an access without a positive culture within 21 days"
ALL, NO_ACCESS = "every access", "no access recorded"
GAP = 21
"""Days after which an event of the same sort is a new one: day 20 is the same event, day 21 a new one."""

_BLOOD = (Specimen.HUB, Specimen.CIRCUIT, Specimen.PERIPHERAL)
_AT_THE_ACCESS = (InfectionClass.EXIT_SITE, InfectionClass.TUNNEL, InfectionClass.ACCESS)
_OUTPATIENT = (Modality.IN_CENTRE.value,)


class DialysisEvent(NamedTuple):
    """One event that counts, with those that the 21-day rule made part of it."""

    sort: str
    patient: str
    day: int
    access: str
    roots: tuple[str, ...]


@dataclass(frozen=True)
class Surveillance:
    """Dialysis events of some months: rates by sort and by the riskiest access present."""

    period: Period
    months: int
    rates: tuple[Rate, ...]
    denominators: Mapping[str, int]
    basis: Basis

    def of(self, sort: str, among: str) -> Rate:
        """The rate of one sort among those with one access. Raises KeyError if there is none."""
        for one in self.rates:
            if one.what == sort and one.among == among:
                return one
        raise KeyError((sort, among))

    def to_json(self) -> dict[str, Any]:
        return {
            "period": {"first": self.period.first.isoformat(), "last": self.period.last.isoformat()},
            "months": self.months,
            "patient_months": dict(self.denominators),
            "rates": [one.to_json() for one in self.rates],
            "basis": self.basis.to_json(),
        }


def dialysis_events(
    population: Population,
    months: Sequence[Period],
    chosen: Mapping[str, str] | None = None,
    *,
    unit: str | None = None,
    level: float = 0.95,
) -> Surveillance:
    """Dialysis events of these calendar months, per 100 patient-months.

    The 21-day rule runs across the ends of months: what began before the first of them is looked at too.
    """
    choices = population.book.chosen(CHOICES, chosen)
    period = Period(months[0].first, months[-1].last)
    left_out: Counter[str] = Counter()
    denominator: Counter[str] = Counter()
    exposure: dict[str, list[tuple[str, float, float]]] = defaultdict(list)
    for care in population.cares:
        for month in months:
            among, why = _on_the_list(care, month, choices, unit)
            if among is None:
                if why is not None:
                    left_out[why] += 1
                continue
            denominator[among] += 1
            exposure[among].append((care.patient, 1.0, 1.0))
            exposure[ALL].append((care.patient, 1.0, 1.0))
    found: dict[tuple[str, str], list[tuple[int, int, Listed]]] = defaultdict(list)
    for care in population.cares:
        for event in events_of(care, rolls=choices["twenty-one-days"] == "rolls", left_out=left_out):
            stay = stay_on(care, event.day)
            if not period.span.first <= event.day < period.span.end:
                continue
            if not _is_outpatient(stay) or (unit is not None and (stay is None or stay.unit != unit)):
                left_out["not-an-outpatient-here"] += 1
                continue
            day = date.fromordinal(event.day).isoformat()
            listed = Listed(event.patient, event.access, day, event.sort, event.roots[0])
            for among in (event.access, ALL):
                found[event.sort, among].append((event.day, event.day, listed))
    amongs = [*[words_of(kind) for kind in RISK], *([NO_ACCESS] if exposure.get(NO_ACCESS) else []), ALL]
    rates = tuple(
        rate_of(sort, among, found[sort, among], exposure[among], period, "patient-months", 100.0, level)
        for among in amongs
        for sort in (*SORTS, ONLY_LOCAL)
    )
    warnings = [_SOURCES]
    if choices["on-the-list"] == "in-care":
        warnings.append(
            "Who dialysed on the first two working days is taken from who was in care then, not from sessions."
        )
    basis = Basis(
        counted=len(exposure[ALL]),
        unit="patient-months",
        patients=len({patient for patient, _, _ in exposure[ALL]}),
        left_out=left_out_words(left_out, _WHY),
        choices=population.book.in_use(choices),
        warnings=tuple(warnings),
        cut=period.last,
        definition="Dialysis events per 100 patient-months",
        says="by the riskiest access present on the first working day of the month, used or not",
    )
    return Surveillance(period, len(months), rates, dict(denominator) | {ALL: len(exposure[ALL])}, basis)


_SOURCES = (
    "A source other than the access cannot be recorded for a culture, so every positive one counts as from the access "
    "or uncertain."
)

_WHY = {
    "modality-not-recorded": "in care, but how they dialysed is not recorded (patient-months)",
    "not-an-outpatient-here": "happened while the patient was no in-centre outpatient here (events)",
    "drawn-in-hospital": "drawn in hospital, more than one day after admission (cultures)",
    "given-in-hospital": "started and not continued from hospital (courses)",
    "date-not-to-the-day": "date not known to the day, so no 21-day rule can be applied (events)",
    "no-access-recorded": "no access in the body is recorded (patient-months)",
}


def events_of(care: Care, *, rolls: bool, left_out: Counter[str] | None = None) -> list[DialysisEvent]:
    """The dialysis events of one patient by the 21-day rule, each with the riskiest access present on its day.

    `rolls`: the 21 days run from the last positive culture, the last onset, the end of the last course; otherwise from
    the first of the event.
    """
    why = left_out if left_out is not None else Counter()
    stays = [one.fact for one in care.facts if isinstance(one.fact, HospitalStay)]
    raw: dict[str, list[tuple[int, int, str]]] = {sort: [] for sort in SORTS}
    for one in care.facts:
        fact = one.fact
        if not isinstance(fact, Culture | AntimicrobialCourse):
            continue
        earliest, latest = days_of(fact.happened, care.zone)
        if earliest != latest:
            why["date-not-to-the-day"] += _matters(fact)
            continue
        if isinstance(fact, Culture):
            if not _matters(fact):
                continue
            if _in_hospital(care, stays, earliest, after=1) is not None:
                why["drawn-in-hospital"] += 1
                continue
            raw[CULTURES].append((earliest, earliest, one.root))
        elif _matters(fact):
            stay = _in_hospital(care, stays, earliest, after=0)
            begin = earliest
            if stay is not None and fact.continued_from_hospital:
                # A course continued from hospital counts on its first day as an outpatient.
                begin = stay
            elif stay is not None:
                why["given-in-hospital"] += 1
                continue
            end = begin if fact.until is None else max(begin, days_of(fact.until, care.zone)[1])
            raw[STARTS].append((begin, end, one.root))
    for life in care.lives.values():
        for one in life.troubles:
            fact = one.fact
            local = isinstance(fact, Infection) and fact.infection_class in _AT_THE_ACCESS
            local = local or (
                isinstance(fact, Examination) and (SkinState.PUS in fact.skin or SkinState.RED in fact.skin)
            )
            if not local:
                continue
            earliest, latest = days_of(fact.happened, care.zone)
            if earliest != latest:
                why["date-not-to-the-day"] += 1
            else:
                raw[LOCAL].append((earliest, earliest, one.root))
    found: list[DialysisEvent] = []
    for sort in SORTS:
        for day, roots in by_21_days(raw[sort], rolls=rolls):
            found.append(_event(care, sort, day, roots))
    cultures = [event.day for event in found if event.sort == CULTURES]
    alone = [
        event._replace(sort=ONLY_LOCAL)
        for event in found
        if event.sort == LOCAL and not any(abs(event.day - day) < GAP for day in cultures)
    ]
    return [*found, *alone]


def by_21_days(raw: Sequence[tuple[int, int, str]], *, rolls: bool) -> list[tuple[int, tuple[str, ...]]]:
    """Events of one sort made of (day, last day, root): new when 21 days or more have passed.

    >>> [day for day, _ in by_21_days([(0, 0, "a"), (15, 15, "b"), (30, 30, "c")], rolls=True)]
    [0]
    >>> [day for day, _ in by_21_days([(0, 0, "a"), (15, 15, "b"), (30, 30, "c")], rolls=False)]
    [0, 30]
    """
    found: list[tuple[int, list[str]]] = []
    since = -GAP
    for day, last, root in sorted(raw):
        if found and day - since < GAP:
            found[-1][1].append(root)
            since = max(since, last) if rolls else since
        else:
            found.append((day, [root]))
            since = last
    return [(day, tuple(roots)) for day, roots in found]


def working_days(month: Period, which: str) -> list[date]:
    """The first two working days of a month."""
    last = {"monday-to-saturday": 5, "monday-to-friday": 4, "every-day": 6}[which]
    days = (date.fromordinal(day) for day in range(month.span.first, month.span.end))
    return [day for day in days if day.weekday() <= last][:2]


def _on_the_list(
    care: Care, month: Period, choices: Mapping[str, str], unit: str | None
) -> tuple[str | None, str | None]:
    """Under which access a patient stands in the denominator of a month; or None, and why where it is worth saying."""
    stays = [one.fact for one in care.facts if isinstance(one.fact, HospitalStay)]
    why: str | None = None
    for day in working_days(month, choices["working-days"]):
        number = day.toordinal()
        stay = stay_on(care, number)
        if stay is None or (unit is not None and stay.unit != unit):
            continue
        if stay.modality is None:
            why = "modality-not-recorded"
            continue
        if not _is_outpatient(stay) or _in_hospital(care, stays, number, after=0) is not None:
            continue
        if choices["on-the-list"] == "recorded-dialysis" and not any(
            one.earliest == number == one.latest for one in care.uses
        ):
            continue
        kind = riskiest_on(care, number)
        return (NO_ACCESS if kind is None else words_of(kind)), None
    return None, why


def _event(care: Care, sort: str, day: int, roots: tuple[str, ...]) -> DialysisEvent:
    kind = riskiest_on(care, day)
    return DialysisEvent(sort, care.patient, day, NO_ACCESS if kind is None else words_of(kind), roots)


def _is_outpatient(stay: Stay | None) -> bool:
    return in_haemodialysis(stay) and stay is not None and stay.modality in _OUTPATIENT


def _matters(fact: Culture | AntimicrobialCourse) -> bool:
    """A positive blood culture, or an antimicrobial given into a vein."""
    if isinstance(fact, Culture):
        return fact.positive is True and fact.specimen in _BLOOD
    return fact.intravenous is True


def _in_hospital(care: Care, stays: Sequence[HospitalStay], day: int, *, after: int) -> int | None:
    """The day of discharge if the day lies in a hospital stay, more than `after` days after its admission.

    A stay whose end nobody recorded covers only the day of admission and the next.
    """
    for stay in stays:
        admitted = days_of(stay.happened, care.zone)[0]
        until = admitted + 1 if stay.until is None else days_of(stay.until, care.zone)[1]
        if admitted + after < day < until or (after == 0 and admitted <= day < until):
            return until
    return None
