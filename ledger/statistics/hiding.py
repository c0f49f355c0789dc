"""Small cells hidden: a count so small that it could point at a person is not shown, nor can it be worked out.

Where numbers add up to another that is shown, hiding one of them alone hides nothing. So with each line of numbers
that add up, if only one would be hidden, the smallest of the others is hidden too (`cells`). Zeros are shown: they are
about nobody. What is hidden is marked, in tables, CSV and JSON alike.

A curve is printed on few days only, as far as enough people stand behind it: each of its steps is one person, or a few.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from ledger.statistics.cells import Beware, hidden_cells
from ledger.statistics.prevalence import NEEDLED_ALONE, FirstUse, Prevalence
from ledger.statistics.rates import Rates
from ledger.statistics.surveillance import ALL, Surveillance

if TYPE_CHECKING:
    from ledger.statistics.counting import PrevalenceOfAll
    from ledger.statistics.curves import Curve
    from ledger.statistics.patency import Comparison, OnDay, Patency


def without_small_cells(found: Prevalence, below: int) -> Prevalence:
    """The same shares with small ones hidden. Groups in use add up to all patients; so do some of the others."""
    counts = {one.name: one.count for one in found.shares}
    asked = [one.name for one in found.shares if one.says]
    groups = [one.name for one in found.shares if not one.says]
    needled = [name for name in groups if name in NEEDLED_ALONE]
    # What was asked beside the groups overlaps with them, so each two of those can be set against each other.
    lines = [groups, [*needled, *asked], *([name] for name in asked)]
    hidden = hidden_cells(counts, lines, below)
    shares = tuple(replace(one, hidden=one.name in hidden) for one in found.shares)
    return replace(found, shares=shares, basis=replace(found.basis, hide_below=below))


def first_uses_without_small_cells(found: Sequence[FirstUse], below: int) -> tuple[FirstUse, ...]:
    """The same first needles; kinds with few are hidden, and what would give them away."""
    counts = {one.kind: one.count for one in found}
    hidden = hidden_cells(counts, [list(counts)], below)
    # Of those with a known creation there may be few among many.
    return tuple(replace(one, hidden=one.kind in hidden or 0 < len(one.days) < below) for one in found)


def all_without_small_cells(found: PrevalenceOfAll, below: int) -> PrevalenceOfAll:
    """All that `prevalence` tells, without small counts. Its chart holds counts of single months: do not show it."""
    return replace(
        found,
        shares=tuple(without_small_cells(one, below) for one in found.shares),
        over_months=tuple((period, without_small_cells(one, below)) for period, one in found.over_months),
        first_uses=first_uses_without_small_cells(found.first_uses, below),
    )


def rates_without_small_cells(found: Rates, below: int) -> Rates:
    """The same rates with few events hidden: kinds add up to all kinds, and classes to any class."""
    hidden = _of_rates(found, below)
    rates = tuple(replace(one, hidden=(one.what, one.among) in hidden) for one in found.rates)
    return replace(found, rates=rates, basis=replace(found.basis, hide_below=below))


def events_without_small_cells(found: Surveillance, below: int) -> Surveillance:
    """The same for dialysis events; and for the patient-months under them."""
    hidden = _of_rates(found, below)
    small = hidden_cells(found.denominators, [list(found.denominators)], below) - {ALL}
    return replace(
        found,
        rates=tuple(replace(one, hidden=(one.what, one.among) in hidden or one.among in small) for one in found.rates),
        denominators={name: count for name, count in found.denominators.items() if name not in small},
        basis=replace(found.basis, hide_below=below),
    )


def hide_rates(found: Rates | Surveillance, below: int) -> Rates | Surveillance:
    """The same rates, or dialysis events, with few events hidden."""
    if isinstance(found, Rates):
        return rates_without_small_cells(found, below)
    return events_without_small_cells(found, below)


def _of_rates(found: Rates | Surveillance, below: int) -> set[tuple[str, str]]:
    counts = {(one.what, one.among): one.events_most for one in found.rates}
    amongs = dict.fromkeys(one.among for one in found.rates)
    whats = dict.fromkeys(one.what for one in found.rates)
    lines = [[(what, among) for among in amongs] for what in whats]
    lines += [[(what, among) for what in whats] for among in amongs]
    return hidden_cells(counts, lines, below)


# --- Curves -------------------------------------------------------------------------------------------------------


def curve_without_small_cells(found: Patency, below: int, *, whole: bool = False) -> Patency:
    """The same curve on those of its days behind which enough people stand; with `whole`, on none.

    A day is shown when at least `below` are at risk, and when since the day shown before it either nobody or at least
    so many had the event, and likewise left without it: both can be worked out from two days that are shown. The number
    of all events is shown on the same terms, the median and the restricted mean where enough are at risk then.
    """
    from ledger.statistics.curves import Median

    counted = found.curve.n
    whole = whole or 0 < counted < below
    curves = (found.curve, found.curve_longest)
    last = [_Standing(counted, 0, 0)] * 2
    shown: list[OnDay] = []
    for one in found.horizons:
        here = [_standing(curve, one.day) for curve in curves]
        fits = not whole and all(_may_follow(before, now, below) for before, now in zip(last, here, strict=True))
        if fits:
            last = here
            shown.append(one)
        else:
            shown.append(replace(one, shortest=None, longest=None, hidden=one.shortest is not None))
    rest = [curve.total_events - here.events for curve, here in zip(curves, last, strict=True)]

    def enough(day: float | None) -> bool:
        return not whole and (day is None or all(_standing(curve, day).at_risk >= below for curve in curves))

    def kept(median: Median) -> Median:
        days = (median.day, median.low, median.high)
        return Median(*(day if enough(day) else None for day in days))

    mean = found.restricted_mean
    return replace(
        found,
        horizons=tuple(shown),
        median=kept(found.median),
        median_longest=kept(found.median_longest),
        restricted_mean=mean if mean is not None and enough(mean.until) else None,
        basis=replace(found.basis, hide_below=below, is_hidden=whole),
        hide_below=below,
        events_hidden=whole or any(0 < one < below for one in rest),
    )


def comparison_without_small_cells(found: Comparison, below: int) -> Comparison:
    """The same groups; of one that is small nothing is shown, nor of the one whose number would give it away."""
    counts = {one.group or "": one.basis.counted for one in found.groups}
    hidden = hidden_cells(counts, [list(counts)], below)
    return replace(
        found,
        groups=tuple(curve_without_small_cells(one, below, whole=(one.group or "") in hidden) for one in found.groups),
        # What was observed and expected in each group would tell the events that are hidden.
        log_rank=None if found.log_rank is None else replace(found.log_rank, groups=()),
        gray=None if found.gray is None else replace(found.gray, groups=()),
        warnings=tuple(one.without_small(below) if isinstance(one, Beware) else one for one in found.warnings),
        hide_below=below,
    )


class _Standing(NamedTuple):
    """A curve on a day: at risk just before it, events before it, and events up to and including it."""

    at_risk: int
    events_before: int
    events: int


def _standing(curve: Curve, day: float) -> _Standing:
    return _Standing(
        int(curve.watched.at_risk(day)),
        int(curve.events[curve.day < day].sum()),
        int(curve.events[curve.day <= day].sum()),
    )


def _may_follow(before: _Standing, now: _Standing, below: int) -> bool:
    """Whether a day may be shown after the one shown before it. With late entries more may come than leave."""
    happened = now.events - before.events
    left = before.at_risk - now.at_risk - (now.events_before - before.events_before)
    return now.at_risk >= below and all(count <= 0 or count >= below for count in (happened, left))
