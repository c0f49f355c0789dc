"""When an access counts as proven by use: by a named rule, and only from what was recorded.

No single rule is agreed on: published programmes count two thirds of the sessions of
four weeks, three quarters of them at a blood flow of 300 mL/min, or eight of twelve. So
the rules are data, each with its source; what was met is named beside the word "proven".
Sessions that nobody recorded count for nothing, neither for nor against.

To add a rule, write a function of the dialyses and name it in `RULES` with its source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import NamedTuple
from zoneinfo import ZoneInfo

from ledger.chronology import InForce
from ledger.events import AccessUsed, CannulationSession, FirstCannulation
from ledger.measured import Measured
from ledger.projections.folding import Folded, Folds
from ledger.vocabulary import NeedleTrouble, Use

FEWEST_SESSIONS = 8
"""Fewest recorded sessions of which a share is taken: two thirds of twelve. Common practice, no source."""

FEWEST_USES = 3
"""No rule is met by fewer days of use than these, unless one entry stands for a month of them."""

FOUR_WEEKS = timedelta(days=28)


class Dialysis(NamedTuple):
    """One dialysis, or a month of them, as far as it was recorded."""

    first_day: date
    last_day: date
    access: str
    needles: int | None
    blood_flow: Measured | None
    one: InForce

    @property
    def two_needles(self) -> bool:
        return self.needles is not None and self.needles >= 2

    @property
    def went_wrong(self) -> bool:
        """Not completed, or a needle that missed or infiltrated: such a use shows nothing of the access."""
        fact = self.one.fact
        if isinstance(fact, CannulationSession) and fact.completed is False:
            return True
        return isinstance(fact, CannulationSession | FirstCannulation) and fact.trouble in _WRONG


class Proof(NamedTuple):
    """The rule that was met, and the use that met it."""

    rule: str
    one: InForce


@dataclass(frozen=True)
class Rule:
    """A rule in words, where it comes from, and the function that looks for the first use that meets it."""

    name: str
    words: str
    source: str
    met: Callable[[str, Sequence[Dialysis], date | None], InForce | None]
    of_sessions: bool = True


def may_be_proven(folded: Folded) -> bool:
    """Whether there is enough of recorded use that a rule could be met; most accesses are spared the rules by this."""
    uses = folded.needle_uses
    return len(uses) >= FEWEST_USES or any(len(one.fact.happened) < len("2019-03-04") for one in uses)


def proof_of(folded: Folded, dialyses: Sequence[Dialysis], made: date | None = None) -> Proof | None:
    """The rule that an access met first, of those met on one day the first of `RULES`; None if it met none."""
    if not folded.needle_uses:
        return None
    any_session = any(d.one.fact.kind == "cannulation-session" for d in dialyses)
    first: Proof | None = None
    for rule in RULES.values():
        if rule.of_sessions and not any_session:
            continue
        found = rule.met(folded.access, dialyses, made)
        if found is not None and (first is None or found.happened.earliest < first.one.happened.earliest):
            first = Proof(rule.name, found)
    return first


def proofs_of(folded: Folded, dialyses: Sequence[Dialysis], made: date | None = None) -> dict[str, InForce | None]:
    """For every rule the use that met it first, or None: the rules side by side."""
    return {rule.name: rule.met(folded.access, dialyses, made) for rule in RULES.values()}


def dialyses_of(folds: Folds, zone: ZoneInfo) -> list[Dialysis]:
    """Every recorded dialysis of the person, through whichever access, by day."""
    found: list[Dialysis] = []
    for folded in folds.accesses.values():
        seen: set[str] = set()
        for one in (*folded.needle_uses, *folded.sessions):
            if one.root not in seen:
                seen.add(one.root)
                found.append(_dialysis(one, folded.access, zone))
    found.sort(key=lambda dialysis: (dialysis.first_day, dialysis.last_day, dialysis.one.root))
    return found


def _dialysis(one: InForce, access: str, zone: ZoneInfo) -> Dialysis:
    fact = one.fact
    first, last = fact.happened.earliest_in(zone).date(), fact.happened.latest_in(zone).date()
    match fact:
        case AccessUsed(use=use):
            return Dialysis(first, last, access, _NEEDLES.get(use), None, one)
        case FirstCannulation():
            return Dialysis(first, last, access, fact.needles, fact.blood_flow_ml_min, one)
        case CannulationSession():
            needles = fact.needles if fact.needles is not None else _NEEDLES.get(fact.use) if fact.use else None
            return Dialysis(first, last, access, needles, fact.blood_flow_ml_min, one)
        case _:
            return Dialysis(first, last, access, None, None, one)


_WRONG = frozenset({NeedleTrouble.INFILTRATION, NeedleTrouble.MISSED})
_NEEDLES = {Use.TWO_NEEDLES: 2, Use.ONE_NEEDLE: 1, Use.CATHETER: 0, Use.NOT_USED: 0}


def _sessions(dialyses: Iterable[Dialysis]) -> list[Dialysis]:
    return [d for d in dialyses if d.one.fact.kind == "cannulation-session"]


def _two_thirds_of_four_weeks(access: str, dialyses: Sequence[Dialysis], made: date | None) -> InForce | None:
    return _share_of_four_weeks(access, _sessions(dialyses), Decimal(2) / 3, more_than=True, at_least_flow=None)


def _three_quarters_of_four_weeks(access: str, dialyses: Sequence[Dialysis], made: date | None) -> InForce | None:
    sessions = _sessions(dialyses)
    if made is not None:
        limit = made + timedelta(days=183)  # "within 6 months of creation"
        sessions = [d for d in sessions if d.last_day <= limit]
    return _share_of_four_weeks(access, sessions, Decimal("0.75"), more_than=False, at_least_flow=Decimal(300))


def _share_of_four_weeks(
    access: str, sessions: Sequence[Dialysis], share: Decimal, *, more_than: bool, at_least_flow: Decimal | None
) -> InForce | None:
    first = 0
    for last, newest in enumerate(sessions):
        while sessions[first].first_day <= newest.first_day - FOUR_WEEKS:
            first += 1
        window = sessions[first : last + 1]
        # From the first to the last session of four weeks there are 24 days at two sessions a week, 25 at three.
        if len(window) < FEWEST_SESSIONS or (newest.first_day - window[0].first_day).days < 24:
            continue
        good = sum(1 for d in window if d.access == access and d.two_needles and _fast(d, at_least_flow))
        met = good > share * len(window) if more_than else good >= share * len(window)
        if met and newest.access == access and newest.two_needles:
            return newest.one
    return None


def _eight_of_twelve(access: str, dialyses: Sequence[Dialysis], made: date | None) -> InForce | None:
    sessions = _sessions(dialyses)
    for last in range(len(sessions)):
        window = sessions[max(0, last - 11) : last + 1]
        good = [d for d in window if d.access == access and d.two_needles and _fast(d, Decimal(300))]
        if len(good) >= 8:
            return sessions[last].one
    return None


def _recorded_as_used(access: str, dialyses: Sequence[Dialysis], made: date | None) -> InForce | None:
    days: list[date] = []
    for dialysis in dialyses:
        if dialysis.access != access or not dialysis.two_needles or dialysis.went_wrong:
            if dialysis.needles != 0 or dialysis.access == access:
                days = []
            continue
        if dialysis.first_day != dialysis.last_day and (dialysis.last_day - dialysis.first_day).days < 31:
            return dialysis.one
        if dialysis.first_day == dialysis.last_day and dialysis.first_day not in days:
            days.append(dialysis.first_day)
        if len(days) >= 3:
            return dialysis.one
    return None


def _fast(dialysis: Dialysis, at_least: Decimal | None) -> bool:
    if at_least is None:
        return True
    flow = dialysis.blood_flow.at_least if dialysis.blood_flow is not None else None
    return flow is not None and flow >= at_least


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule(
            "two-thirds-of-four-weeks",
            "two needles in more than two thirds of the sessions of four weeks",
            "functional maturity as KDOQI 2019 is quoted (droracle.ai 763435; the text itself was not reachable)",
            _two_thirds_of_four_weeks,
        ),
        Rule(
            "three-quarters-of-four-weeks",
            "two needles at 300 mL/min or more in three quarters of the sessions of four weeks, within six months",
            "suitability as in PMC6475715, table 3 (after Lee 2011)",
            _three_quarters_of_four_weeks,
        ),
        Rule(
            "eight-of-twelve",
            "two needles at 300 mL/min or more in eight of twelve sessions",
            "suitability in Dember 2008, PMC4943222",
            _eight_of_twelve,
        ),
        Rule(
            "recorded-as-used",
            "recorded as used with two needles for a whole month, or on three days in a row without a missed needle",
            "common practice, no source; for units whose sessions do not arrive",
            _recorded_as_used,
            of_sessions=False,
        ),
    )
}
