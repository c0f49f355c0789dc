"""Whether and when an access was mature, by each published rule.

No rule is built in anywhere else: the raw dialyses and assessments are kept, and each rule is worked out from them.
A quantity that was not recorded meets no rule. The day of maturity is the day on which the rule was first met, that
is the last day of the stretch of dialyses that meets it.

What counts as "4 weeks": 28 days from a dialysis through this access, with at least one dialysis in each of the four
weeks; otherwise too little is recorded to say. That is a reading of this project; the sources do not say it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from decimal import Decimal
from typing import NamedTuple

from ledger.events import CannulationSession, MaturityAssessed
from ledger.measured import Measured
from ledger.statistics.moments import Life, Session, days_of, months_after
from ledger.vocabulary import MaturityVerdict, Use


class Matured(NamedTuple):
    """The day on which the rule was met (ordinal) and the facts that it rests on."""

    day: int
    roots: tuple[str, ...]


def matured(life: Life, rule: str, made: int) -> Matured | None:
    """When the access met a rule of the choice `maturation-rule`; None if it never did, as far as is recorded.

    `made` is the day of creation (ordinal), for rules that are bound to a time from it.
    """
    return RULES[rule](life, made)


def is_told(life: Life, rule: str) -> bool:
    """Whether enough is recorded of an access to say by a rule that it was not mature at some time.

    Where it is not, an access that never met the rule may well have been mature.
    """
    sessions = life.care.sessions
    mine = [one for one in sessions if one.access == life.access]
    if rule in ("two-thirds", "three-quarters"):
        days = [one.day for one in sessions]
        return any(_has_four_weeks(sessions, days, one.day) for one in mine)
    if rule == "eight-of-twelve":
        return len(mine) >= 8 and any(_flow_of(one) > 0 for one in mine)
    if rule == "three-sessions":
        return sum(_gauge_of(one) is not None for one in mine) >= 3
    if rule == "sixes":
        return any(
            None not in (one.fact.flow_ml_min, one.fact.diameter_mm, one.fact.depth_mm)
            for one in life.assessments
            if isinstance(one.fact, MaturityAssessed)
        )
    return bool(life.assessments)


def _has_four_weeks(sessions: list[Session], days: list[int], first: int) -> bool:
    stretch = sessions[bisect_left(days, first) : bisect_left(days, first + 28)]
    return len({(one.day - first) // 7 for one in stretch}) == 4


def _two_thirds(life: Life, made: int) -> Matured | None:
    return _in_four_weeks(life, _with_two_needles, lambda met, of: 3 * met > 2 * of, None)


def _three_quarters(life: Life, made: int) -> Matured | None:
    # Within 6 months of creation, counted by the calendar.
    return _in_four_weeks(
        life,
        lambda session: _with_two_needles(session) and _flow_of(session) >= 300,
        lambda met, of: 4 * met >= 3 * of,
        months_after(made, 6),
    )


def _eight_of_twelve(life: Life, made: int) -> Matured | None:
    sessions = life.care.sessions
    for first in range(len(sessions) - 11):
        twelve = sessions[first : first + 12]
        met = [one for one in twelve if one.access == life.access and _with_needles(one) and _flow_of(one) >= 300]
        if len(met) >= 8:
            return Matured(twelve[-1].day, tuple(one.root for one in met))
    return None


def _three_sessions(life: Life, made: int) -> Matured | None:
    run: list[Session] = []
    for session in life.care.sessions:
        if session.access == life.access and _with_two_needles(session) and _gauge_of(session) in (15, 16):
            run.append(session)
            if len(run) >= 3 and not _line_in_body(life, session.day):
                return Matured(session.day, tuple(one.root for one in run[-3:]))
        else:
            run = []
    return None


def _sixes(life: Life, made: int) -> Matured | None:
    for one in life.assessments:
        fact = one.fact
        assert isinstance(fact, MaturityAssessed)
        if _above(fact.flow_ml_min, 600) and _at_least(fact.diameter_mm, 6) and _at_most(fact.depth_mm, 6):
            return Matured(days_of(fact.happened, life.zone)[1], (one.root,))
    return None


def _judged(life: Life, made: int) -> Matured | None:
    for one in life.assessments:
        fact = one.fact
        assert isinstance(fact, MaturityAssessed)
        if fact.verdict is MaturityVerdict.READY:
            return Matured(days_of(fact.happened, life.zone)[1], (one.root,))
    return None


RULES: dict[str, Callable[[Life, int], Matured | None]] = {
    "two-thirds": _two_thirds,
    "three-quarters": _three_quarters,
    "eight-of-twelve": _eight_of_twelve,
    "three-sessions": _three_sessions,
    "sixes": _sixes,
    "judged": _judged,
}


def _in_four_weeks(
    life: Life, good: Callable[[Session], bool], enough: Callable[[int, int], bool], until: int | None
) -> Matured | None:
    sessions = life.care.sessions
    days = [one.day for one in sessions]
    for first, session in enumerate(sessions):
        if session.access != life.access or not good(session):
            continue
        after = bisect_left(days, session.day + 28)
        stretch = sessions[first:after]
        last = stretch[-1].day
        if until is not None and last > until:
            return None
        weeks = {(one.day - session.day) // 7 for one in stretch}
        met = [one for one in stretch if one.access == life.access and good(one)]
        if len(weeks) == 4 and enough(len(met), len(stretch)):
            return Matured(last, tuple(one.root for one in met))
    return None


def _with_two_needles(session: Session) -> bool:
    fact = session.fact
    if fact.use is None and isinstance(fact, CannulationSession):
        return fact.needles == 2
    return fact.use is Use.TWO_NEEDLES


def _with_needles(session: Session) -> bool:
    return session.fact.use is Use.ONE_NEEDLE or _with_two_needles(session)


def _flow_of(session: Session) -> Decimal:
    """The blood flow that was surely reached; -1 where none was recorded, so that it meets no rule."""
    fact = session.fact
    flow = fact.blood_flow_ml_min if isinstance(fact, CannulationSession) else None
    return Decimal(-1) if flow is None or flow.at_least is None else flow.at_least


def _gauge_of(session: Session) -> int | None:
    return session.fact.gauge if isinstance(session.fact, CannulationSession) else None


def _line_in_body(life: Life, day: int) -> bool:
    """Whether a central line was in the patient on that day, as far as is recorded."""
    for other in life.care.lives.values():
        if other.kind is None or not other.kind.is_central_line:
            continue
        origin = other.made or other.known
        if origin is None or days_of(origin.fact.happened, life.zone)[0] > day:
            continue
        if not any(moment.what in _LINE_OUT and moment.latest <= day for moment in other.moments):
            return True
    return False


_LINE_OUT = frozenset(
    {"removed-for-infection", "removed-for-trouble", "removed-electively", "removed-reason-unknown", "fell-out"}
)


def _above(said: Measured | None, bound: int) -> bool:
    least = None if said is None else said.at_least
    return least is not None and (least > bound or (least == bound and said is not None and said.comparator == ">"))


def _at_least(said: Measured | None, bound: int) -> bool:
    least = None if said is None else said.at_least
    return least is not None and least >= bound


def _at_most(said: Measured | None, bound: int) -> bool:
    most = None if said is None else said.at_most
    return most is not None and most <= bound
