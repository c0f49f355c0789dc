"""Charts over months and between units, with limits, so that noise is not taken for news.

Limits are exact (Poisson for counts over time, binomial for shares), since counts in one unit are small; the usual
three standard errors would put a limit below nothing. The centre line is the mean of the months shown. Signals: a
month outside the limits, and eight months in a row on one side of the median (common practice, no source): of the
median and not of the mean, because where most months have no event they lie below the mean by nature.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

TAIL = 0.00135
"""Beyond three standard errors of a normal curve on each side."""

RUN = 8
"""Months in a row on one side of the median that are a signal."""

FUNNEL_TAILS = (0.025, 0.001)
"""The limits of a funnel: 95 % and 99.8 % (from memory: Spiegelhalter 2005)."""


@dataclass(frozen=True)
class Mark:
    """One month (or unit) of a chart. `low` and `high` are limits in the same terms as `value`; None without time."""

    name: str
    count: int
    of: float
    value: float | None
    low: float | None
    high: float | None
    signal: str | None = None

    def to_json(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True)
class Chart:
    """A u-chart (counts over time) or p-chart (shares): the centre, and each month with its limits."""

    kind: str
    what: str
    unit: str
    per: float
    centre: float | None
    marks: tuple[Mark, ...]

    @property
    def says(self) -> str:
        """What the chart shows, in a sentence."""
        signals = [f"{mark.name}: {mark.signal}" for mark in self.marks if mark.signal]
        if self.centre is None:
            return "Nothing to draw: no time, or nobody, was counted."
        if not signals:
            return "No month lies outside what chance alone makes, and no eight in a row lie on one side of the median."
        return "Signals: " + "; ".join(signals) + "."

    def to_json(self) -> dict[str, Any]:
        return {
            "kind": self.kind,
            "what": self.what,
            "unit": self.unit,
            "per": self.per,
            "centre": self.centre,
            "marks": [mark.to_json() for mark in self.marks],
            "says": self.says,
        }


def u_chart(what: str, unit: str, per: float, months: Sequence[tuple[str, int, float]]) -> Chart:
    """Counts over time: (month, count, time). A month without time has no value and no limits."""
    from ledger.statistics.curves import poisson_limits

    time = sum(of for _, _, of in months)
    centre = sum(count for _, count, _ in months) / time if time > 0 else None
    marks = []
    for name, count, of in months:
        if centre is None or of <= 0:
            marks.append(Mark(name, count, of, None, None, None))
            continue
        low, high = poisson_limits(centre * of, TAIL)
        signal = _outside(count, low, high)
        marks.append(Mark(name, count, of, count / of * per, low / of * per, high / of * per, signal))
    return Chart("u-chart", what, unit, per, None if centre is None else centre * per, _with_runs(marks))


def p_chart(what: str, months: Sequence[tuple[str, int, int]]) -> Chart:
    """Shares: (month, count, of how many), in percent."""
    from ledger.statistics.curves import binomial_limits

    total = sum(of for _, _, of in months)
    centre = sum(count for _, count, _ in months) / total if total else None
    marks = []
    for name, count, of in months:
        if centre is None or not of:
            marks.append(Mark(name, count, of, None, None, None))
            continue
        low, high = binomial_limits(of, centre, TAIL)
        signal = _outside(count, low, high)
        marks.append(Mark(name, count, of, count / of * 100, low / of * 100, high / of * 100, signal))
    return Chart("p-chart", what, "patients", 100, None if centre is None else centre * 100, _with_runs(marks))


@dataclass(frozen=True)
class Funnel:
    """Units (or groups) beside each other: each against the limits that chance draws around the mean of all."""

    what: str
    unit: str
    per: float
    centre: float | None
    marks: tuple[tuple[Mark, float | None, float | None], ...]
    """Each with its inner (95 %) limits in the mark and its outer (99.8 %) limits beside it."""

    def to_json(self) -> dict[str, Any]:
        return {
            "what": self.what,
            "unit": self.unit,
            "per": self.per,
            "centre": self.centre,
            "marks": [{**mark.to_json(), "outer_low": low, "outer_high": high} for mark, low, high in self.marks],
        }


def funnel(what: str, unit: str, per: float, groups: Sequence[tuple[str, int, float]]) -> Funnel:
    """Counts over time of several groups against the mean of all of them."""
    from ledger.statistics.curves import poisson_limits

    time = sum(of for _, _, of in groups)
    centre = sum(count for _, count, _ in groups) / time if time > 0 else None
    marks: list[tuple[Mark, float | None, float | None]] = []
    for name, count, of in groups:
        if centre is None or of <= 0:
            marks.append((Mark(name, count, of, None, None, None), None, None))
            continue
        inner, outer = (poisson_limits(centre * of, tail) for tail in FUNNEL_TAILS)
        signal = _outside(count, *outer, beyond="beyond the 99.8 % limits")
        signal = signal or _outside(count, *inner, beyond="beyond the 95 % limits")
        mark = Mark(name, count, of, count / of * per, inner[0] / of * per, inner[1] / of * per, signal)
        marks.append((mark, outer[0] / of * per, outer[1] / of * per))
    return Funnel(what, unit, per, None if centre is None else centre * per, tuple(marks))


def _outside(count: int, low: int, high: int, *, beyond: str = "outside the limits") -> str | None:
    if count > high:
        return f"{beyond}, above"
    return f"{beyond}, below" if count < low else None


def _with_runs(marks: Sequence[Mark]) -> tuple[Mark, ...]:
    """Adds the signal of a long run on one side; a month on the median, or without a value, breaks a run."""
    from dataclasses import replace
    from statistics import median

    values = [mark.value for mark in marks if mark.value is not None]
    middle = median(values) if values else 0.0
    found = list(marks)
    run, side = 0, 0
    for place, mark in enumerate(found):
        if mark.value is None:
            run, side = 0, 0
            continue
        now = (mark.value > middle) - (mark.value < middle)
        run = run + 1 if now and now == side else (1 if now else 0)
        side = now
        if run >= RUN and mark.signal is None:
            where = "above" if side > 0 else "below"
            found[place] = replace(mark, signal=f"{run} in a row {where} the median")
    return tuple(found)
