"""Several results at once, as a command or a report asks for them: which rates, which charts, which shares.

Nothing is worked out in here; it only calls each count with the choices that it makes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from ledger.errors import WrongInput
from ledger.people import Patient
from ledger.statistics import prevalence, rates, surveillance
from ledger.statistics.charts import Chart, Funnel, funnel, p_chart, u_chart
from ledger.statistics.presence import Period, Population, months_until
from ledger.statistics.prevalence import FirstUse, Prevalence
from ledger.statistics.rates import Rates
from ledger.statistics.surveillance import Surveillance
from ledger.vocabulary import AccessKind, words_of

INFECTIONS, EVENTS, ACCESSES, PERITONEAL = "infections", "dialysis-events", "accesses", "peritoneal"


def picked(chosen: Mapping[str, str], names: Iterable[str]) -> dict[str, str]:
    """Of all choices that were given, those that one count makes."""
    wanted = set(names)
    return {name: value for name, value in chosen.items() if name in wanted}


def rates_of(
    population: Population,
    months: Sequence[Period],
    wanted: Sequence[str],
    chosen: Mapping[str, str],
    *,
    unit: str | None = None,
) -> list[Rates | Surveillance]:
    """The rates asked for, over all these months together. Raises WrongInput for a choice that none of them makes."""
    period = Period(months[0].first, months[-1].last)
    accesses = tuple(population.book.definition(rates.WATCHED_BY).choices)
    makes = {INFECTIONS: rates.CATHETER_CHOICES, EVENTS: surveillance.CHOICES, ACCESSES: accesses, PERITONEAL: ()}
    _all_made(chosen, [name for one in wanted for name in makes[one]])
    found: list[Rates | Surveillance] = []
    for one in wanted:
        mine = picked(chosen, makes[one])
        if one == INFECTIONS:
            found.append(rates.catheter_infections(population, period, mine, unit=unit))
        elif one == EVENTS:
            found.append(surveillance.dialysis_events(population, months, mine, unit=unit))
        elif one == ACCESSES:
            found.append(rates.access_events(population, period, mine, unit=unit))
        else:
            found.append(rates.peritoneal_infections(population, period, unit=unit))
    return found


def charts_of(
    population: Population,
    months: Sequence[Period],
    wanted: Sequence[str],
    chosen: Mapping[str, str],
    *,
    unit: str | None = None,
) -> list[Chart]:
    """The charts over months of what was asked for; of peritoneal catheters there is none, they are too few."""
    found = []
    for one in wanted:
        if one == PERITONEAL:
            continue
        by_month = [
            rates_of(population, [month], [one], _kept(chosen, population, one), unit=unit)[0] for month in months
        ]
        what, among, title, unit_words, per = _CHARTED[one]
        points = []
        for month, made in zip(months, by_month, strict=True):
            rate = made.of(what, among)
            points.append((f"{month.first:%Y-%m}", rate.events, rate.exposure))
        found.append(u_chart(title, unit_words, per, points))
    return found


def funnel_of(
    population: Population,
    months: Sequence[Period],
    one: str,
    chosen: Mapping[str, str],
    units: Sequence[str],
) -> Funnel:
    """Units beside each other: each one's rate over all these months against what chance makes around their mean."""
    what, among, title, unit_words, per = _CHARTED[one]
    groups = []
    for unit in units:
        made = rates_of(population, months, [one], _kept(chosen, population, one), unit=unit)[0]
        rate = made.of(what, among)
        groups.append((unit, rate.events, rate.exposure))
    return funnel(title, unit_words, per, groups)


_CHARTED = {
    INFECTIONS: (
        rates.ANY,
        rates.BOTH,
        "Infections of central lines per 1,000 catheter-days",
        "catheter-days",
        1000.0,
    ),
    EVENTS: (
        surveillance.CULTURES,
        surveillance.ALL,
        "Positive blood cultures per 100 patient-months",
        "patient-months",
        100.0,
    ),
    ACCESSES: (
        "thrombosis",
        rates.EVERY_ACCESS,
        "Thromboses per access-year",
        "access-years",
        1.0,
    ),
}


def _kept(chosen: Mapping[str, str], population: Population, one: str) -> dict[str, str]:
    makes = {
        INFECTIONS: rates.CATHETER_CHOICES,
        EVENTS: surveillance.CHOICES,
        ACCESSES: tuple(population.book.definition(rates.WATCHED_BY).choices),
    }
    return picked(chosen, makes[one])


def _all_made(chosen: Mapping[str, str], makes: Sequence[str]) -> None:
    for name in chosen:
        if name not in makes:
            said = f"Its choices are: {', '.join(makes)}." if makes else "It makes none."
            raise WrongInput(f"None of what is counted makes a choice called {name!r}.", said)


@dataclass(frozen=True)
class PrevalenceOfAll:
    """Shares on a day, catheters that stayed, how dialysis began, first needles, and the chart over months."""

    shares: tuple[Prevalence, ...]
    over_months: tuple[tuple[Period, Prevalence], ...]
    first_uses: tuple[FirstUse, ...]
    chart: Chart


def prevalence_of(
    population: Population,
    last: Period,
    months: int,
    chosen: Mapping[str, str],
    *,
    day: date | None = None,
    people: Mapping[str, Patient] | None = None,
    unit: str | None = None,
) -> PrevalenceOfAll:
    """Everything that `prevalence` tells of a unit up to a month; `day` is another day than the last of that month."""
    _all_made(chosen, prevalence.CHOICES)
    year = months_until(last, months)
    period = Period(year[0].first, last.last)
    over = prevalence.over_months(population, year, chosen, unit=unit)
    shares = (
        prevalence.access_in_use(population, day or last.last, chosen, unit=unit),
        prevalence.long_term_catheters(population, last, chosen, people=people, unit=unit),
        prevalence.started_dialysis_with(population, period, unit=unit),
    )
    return PrevalenceOfAll(
        shares, tuple(over), prevalence.first_uses(population, period, unit=unit), catheters_chart(over)
    )


def catheters_chart(over: Sequence[tuple[Period, Prevalence]]) -> Chart:
    """The share of those who dialyse through a catheter alone, month by month."""
    lines = {words_of(AccessKind.TUNNELLED), words_of(AccessKind.NONTUNNELLED)}
    points = [
        (f"{month.last:%Y-%m}", sum(one.count for one in here.shares if one.name in lines), here.basis.counted)
        for month, here in over
    ]
    return p_chart("Patients who dialyse through a catheter alone, %", points)
