"""Small cells hidden: a count so small that it could point at a person is not shown, nor can it be worked out.

Where numbers add up to another that is shown, hiding one of them alone hides nothing. So with each line of numbers
that add up, if only one would be hidden, the smallest of the others is hidden too. Zeros are shown: they are about
nobody. What is hidden is marked, in tables, CSV and JSON alike.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

from ledger.statistics.prevalence import NEEDLED_ALONE, Prevalence
from ledger.statistics.rates import Rates
from ledger.statistics.surveillance import ALL, Surveillance

Key = TypeVar("Key", bound=Hashable)


def hidden_cells(counts: Mapping[Key, int], lines: Iterable[Sequence[Key]], below: int) -> set[Key]:
    """Which of these counts may not be shown. Each line names counts that can be worked out from each other.

    >>> sorted(hidden_cells({"a": 40, "b": 12, "c": 3, "d": 0}, [["a", "b", "c", "d"]], 5))
    ['b', 'c']
    """
    hidden = {key for key, count in counts.items() if 0 < count < below}
    known = [tuple(dict.fromkeys(key for key in line if key in counts)) for line in lines]
    changed = True
    while changed:
        changed = False
        for line in known:
            mine = [key for key in line if key in hidden]
            others = [key for key in line if key not in hidden and counts[key] > 0]
            if len(mine) == 1 and others:
                hidden.add(min(others, key=lambda key: counts[key]))
                changed = True
    return hidden


def without_small_cells(found: Prevalence, below: int) -> Prevalence:
    """The same shares with small ones hidden. Groups in use add up to all patients; so do some of the others."""
    counts = {one.name: one.count for one in found.shares}
    asked = [one.name for one in found.shares if one.says]
    groups = [one.name for one in found.shares if not one.says]
    needled = [name for name in groups if name in NEEDLED_ALONE]
    # What was asked beside the groups overlaps with them, so each two of those can be set against each other.
    lines = [groups, [*needled, *asked], *([name] for name in asked)]
    hidden = hidden_cells(counts, lines, below)
    return replace(found, shares=tuple(replace(one, hidden=one.name in hidden) for one in found.shares))


def rates_without_small_cells(found: Rates, below: int) -> Rates:
    """The same rates with few events hidden: kinds add up to all kinds, and classes to any class."""
    hidden = _of_rates(found, below)
    return replace(found, rates=tuple(replace(one, hidden=(one.what, one.among) in hidden) for one in found.rates))


def events_without_small_cells(found: Surveillance, below: int) -> Surveillance:
    """The same for dialysis events; and for the patient-months under them."""
    hidden = _of_rates(found, below)
    small = hidden_cells(found.denominators, [list(found.denominators)], below) - {ALL}
    return replace(
        found,
        rates=tuple(replace(one, hidden=(one.what, one.among) in hidden or one.among in small) for one in found.rates),
        denominators={name: count for name, count in found.denominators.items() if name not in small},
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
