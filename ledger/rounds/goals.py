"""A unit's own numbers beside published outcome goals: the goal by its name and year, the number with its denominator.

A goal is a rule (sort `goal` in `rules.toml`), which a site switches, edits and adds to; here stands which number of
the unit is set beside it. What "infection over the use-life" or "primary failure" is taken to mean is said beside the
number. A number that cannot be worked out of what is recorded is None, with why; it is not zero. The goals of 2006 have
no successor of the same kind: later texts moved away from fixed shares of fistulas and catheters, and that is said.

Nothing here is a target for a patient, and a goal that is not reached says nothing of why.

To set a number beside another goal, write a function of `_Unit` and name it in `_NUMBERS` under the goal's id.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from ledger.events import CannulationSession, Creation
from ledger.rounds.rules import Rule, Rules, load_rules, meets
from ledger.statistics.moments import Life, days_of
from ledger.statistics.patency import Patency, patency_of_many
from ledger.statistics.presence import Period, Population
from ledger.statistics.prevalence import access_in_use, long_term_catheters
from ledger.statistics.rates import BOTH, access_events, catheter_infections, infections_of
from ledger.statistics.spells import LeftOut, spells_of_lives, watched_of
from ledger.vocabulary import AccessKind, Configuration, Site, words_of

FIRST_SESSIONS = 3
"""Of so many first sessions of a catheter the blood flow is looked at. Ours; the goal does not say."""

MATURITY_OPEN_DAYS = 183
"""A graft that was neither used nor lost so many days after it was made counts in no primary failure yet. Ours."""


@dataclass(frozen=True, kw_only=True)
class Number:
    """A number of the unit. `value` is None where it cannot be worked out, and `says` says why; else of what it is.

    `count` of `of` where it is a share of persons or accesses.
    """

    value: Decimal | None
    unit: str
    says: str
    count: int | None = None
    of: int | None = None

    def words(self) -> str:
        """The number with its denominator."""
        if self.value is None:
            return f"no number: {self.says}"
        share = f" ({self.count} of {self.of})" if self.of is not None else ""
        return f"{_rounded(self.value)} {self.unit}{share}: {self.says}"


@dataclass(frozen=True, kw_only=True)
class GoalBeside:
    """A goal and the unit's number. `is_met` is None where either of the two is not there."""

    rule: Rule
    number: Number
    is_met: bool | None

    def words(self) -> str:
        """The goal, the number, and how they lie to each other; nothing of what to do."""
        lies = {True: "within the goal", False: "not within the goal", None: "not compared"}[self.is_met]
        return f"{self.rule.name}, {self.rule.says}: {self.number.words()}; {lies}"

    def to_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule.id,
            "year": self.rule.year,
            "goal": self.rule.says,
            "is": self.rule.compared,
            "threshold": None if self.rule.threshold is None else str(self.rule.threshold),
            "source": self.rule.source,
            "verified": self.rule.verified,
            "value": None if self.number.value is None else str(_rounded(self.number.value)),
            "unit": self.number.unit,
            "count": self.number.count,
            "of": self.number.of,
            "says": self.number.says,
            "is_met": self.is_met,
        }


def goals_of(
    population: Population, period: Period, rules: Rules | None = None, *, unit: str | None = None
) -> tuple[GoalBeside, ...]:
    """Every goal in use beside the unit's number for a period, in the order of the rules.

    Shares of patients are of its last day, rates of its days; curves and failures are of all who were ever in the
    unit's care until its last day. A goal that is an empty parameter is told without a comparison.
    """
    unit_of = _Unit(
        population=population, followed=population.cared_for_by(unit, period.last), period=period, unit=unit
    )
    found = []
    for rule in (rules or load_rules()).rules.values():
        if rule.sort != "goal" or not rule.on:
            continue
        number = _NUMBERS[rule.id](unit_of) if rule.id in _NUMBERS else _none("no number of the ledger belongs to it")
        is_met = None
        if rule.threshold is not None and number.value is not None:
            is_met = _lies(number.value, rule.compared, rule.threshold)
        found.append(GoalBeside(rule=rule, number=number, is_met=is_met))
    return tuple(found)


def _lies(value: Decimal, compared: str, threshold: Decimal) -> bool:
    """Whether a number lies within a goal; exactly at its limit by the word of the goal."""
    match compared:
        case "above":
            return value > threshold
        case "at-least":
            return value >= threshold
        case "below":
            return value < threshold
        case _:
            return value <= threshold


@dataclass(frozen=True, kw_only=True)
class _Unit:
    population: Population
    followed: Population
    period: Period
    unit: str | None

    # --- Shares of patients on the last day ---

    def fistula_share(self) -> Number:
        shares = access_in_use(self.population, self.period.last, unit=self.unit)
        fistula = [one for one in shares.shares if one.name == words_of(AccessKind.FISTULA)]
        of = shares.shares[0].of
        return _share(fistula[0].count if fistula else 0, of, f"use a fistula on {self.period.last}, by the last use")

    def catheter_share(self) -> Number:
        found = long_term_catheters(self.population, self.period, unit=self.unit)
        share = found.of("catheter more than 90 days and no other access in the making")
        return _share(share.count, share.of, f"on {self.period.last}: more than 90 days, nothing else in the making")

    # --- Rates in the period ---

    def thrombosis(self, kind: AccessKind) -> Number:
        rate = access_events(self.population, self.period, unit=self.unit).of("thrombosis", words_of(kind))
        if rate.rate is None:
            return _none(f"no {words_of(kind)} was watched in the period")
        says = f"{rate.events} in {rate.exposure:.1f} years of a {words_of(kind)}; the goal says patient-years"
        return Number(value=Decimal(str(rate.rate)), unit="a year", says=says)

    def blood_infections(self) -> Number:
        rate = catheter_infections(self.population, self.period, unit=self.unit).of("bloodstream infection", BOTH)
        if rate.rate is None:
            return _none("no day with a central line in the period")
        says = f"{rate.events} bloodstream infections in {rate.exposure:.0f} catheter-days, as they were diagnosed"
        return Number(value=Decimal(str(rate.rate)), unit="per 1,000 catheter-days", says=says)

    # --- Over the life of an access ---

    def infected(self, kind: AccessKind) -> Number:
        used = [life for life in self._of(kind) if life.needled.facts]
        infected = [life for life in used if infections_of(life, 0)]
        return _share(len(infected), len(used), f"of the {words_of(kind)}s ever needled had an infection recorded")

    def patency(self, kind: AccessKind, definition: str, per_year: int, unit: str, said: str) -> Number:
        found = self._curve(kind, definition)
        half = found.curve.median.day
        if half is None:
            return _none(f"{said} has not come down to a half ({found.basis.counted} counted)")
        return Number(value=Decimal(str(half)) / per_year, unit=unit, says=f"{said}, half of {found.basis.counted}")

    def line_infection(self, day: int) -> Number:
        found = self._curve(AccessKind.TUNNELLED, "infection-free-catheter-survival")
        at = found.curve.at(day)
        if at is None:
            return _none(f"no tunnelled catheter was followed for {day} days")
        value = (1 - Decimal(str(at.share))) * 100
        says = f"of tunnelled catheters had an infection recorded by day {day}, {at.at_risk} still watched then"
        return Number(value=value, unit="%", says=says)

    # --- Primary failure ---

    def graft_failure(self, sites: frozenset[Site], shape: Configuration | None) -> Number:
        failed = known = 0
        definition = self.population.book.definition("secondary-patency")
        for life in self._of(AccessKind.GRAFT):
            fact = life.made.fact if life.made is not None else None
            if not isinstance(fact, Creation) or fact.site not in sites:
                continue
            if shape is not None and fact.configuration is not shape:
                continue
            if life.two_needled.facts:
                known += 1
                continue
            watched = watched_of(life, definition, self.period.last)
            lost = not isinstance(watched, LeftOut) and watched.longest.outcome == "event"
            age = self.period.last.toordinal() - days_of(fact.happened, life.zone)[1]
            if lost or age > MATURITY_OPEN_DAYS:
                known += 1
                failed += 1
        return _share(failed, known, f"lost before two needles, or not used within {MATURITY_OPEN_DAYS} days")

    def slow_lines(self) -> Number:
        slow = known = 0
        for life in self._of(AccessKind.TUNNELLED):
            flows = [
                one.fact.blood_flow_ml_min
                for one in life.care.sessions
                if one.access == life.access and isinstance(one.fact, CannulationSession)
            ][:FIRST_SESSIONS]
            said = [flow for flow in flows if flow is not None]
            if not said:
                continue
            known += 1
            slow += all(meets(flow, "below", Decimal(300)) for flow in said)
        return _share(slow, known, f"ran below 300 mL/min in each of the first {FIRST_SESSIONS} sessions recorded")

    # --- Help ---

    def _of(self, kind: AccessKind) -> Iterator[Life]:
        last = self.period.last.toordinal()
        for life in self.followed.lives:
            origin = life.origin
            if life.kind is kind and origin is not None and days_of(origin.happened, life.zone)[0] <= last:
                yield life

    def _curve(self, kind: AccessKind, name: str) -> Patency:
        definition = self.population.book.definition(name)
        spells = spells_of_lives(self._of(kind), definition, self.period.last)
        return patency_of_many(spells, definition, self.period.last)


def _share(count: int, of: int, says: str) -> Number:
    if not of:
        return _none(f"nobody to count ({says})")
    return Number(value=Decimal(count) / of * 100, unit="%", says=says, count=count, of=of)


def _none(says: str) -> Number:
    return Number(value=None, unit="", says=says)


def _rounded(value: Decimal) -> Decimal:
    return value.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)


_FOREARM = frozenset({Site.WRIST, Site.FOREARM})
_UPPER_ARM = frozenset({Site.UPPER_ARM, Site.AXILLA})
_YEAR, _MONTH = 365, 30

_NUMBERS: dict[str, Callable[[_Unit], Number]] = {
    "goal-fistula-thrombosis-2006": lambda of: of.thrombosis(AccessKind.FISTULA),
    "goal-graft-thrombosis-2006": lambda of: of.thrombosis(AccessKind.GRAFT),
    "goal-fistula-share-2006": _Unit.fistula_share,
    "goal-catheter-share-2006": _Unit.catheter_share,
    "goal-fistula-infection-2006": lambda of: of.infected(AccessKind.FISTULA),
    "goal-graft-infection-2006": lambda of: of.infected(AccessKind.GRAFT),
    "goal-fistula-patency-2006": lambda of: of.patency(
        AccessKind.FISTULA, "secondary-patency", _YEAR, "years", "secondary patency from creation"
    ),
    "goal-graft-patency-2006": lambda of: of.patency(
        AccessKind.GRAFT, "secondary-patency", _YEAR, "years", "secondary patency from creation"
    ),
    "goal-graft-after-balloon-2006": lambda of: of.patency(
        AccessKind.GRAFT, "post-intervention-primary-patency", _MONTH, "months of 30 days", "from each intervention"
    ),
    "goal-line-infection-2006": lambda of: of.line_infection(90),
    "goal-line-infection-year-2006": lambda of: of.line_infection(365),
    "goal-failure-forearm-straight-2006": lambda of: of.graft_failure(_FOREARM, Configuration.STRAIGHT),
    "goal-failure-forearm-loop-2006": lambda of: of.graft_failure(_FOREARM, Configuration.LOOP),
    "goal-failure-upper-arm-2006": lambda of: of.graft_failure(_UPPER_ARM, None),
    "goal-line-slow-2006": _Unit.slow_lines,
    "goal-line-infection-2019": _Unit.blood_infections,
}
"""Which number of the unit is set beside a goal."""
