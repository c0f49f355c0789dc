"""Speed, as ratios to a peer or to the raw limit, measured in the same run on the same machine.

`python -m tests.benchmarks` runs all at full size and prints a table; `--scale 0.01` at a hundredth, as a smoke test;
`--json FILE` keeps the numbers with machine, date and commit. No benchmark asserts a time.

To add one: write a module here with `run(scale) -> Iterable[Ratio]` and name it in `__main__.MODULES`.
"""

from __future__ import annotations

import gc
import statistics
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from time import perf_counter, process_time
from typing import Any, NamedTuple


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """One row: ours against a peer. `ratio` is how many times as fast as the peer ours is; `wanted` the least.

    `processor` is the same ratio of processor time alone: on a busy machine the clock on the wall mostly measures
    the others. It decides nothing.
    """

    name: str
    ours: float
    peer: float
    unit: str
    wanted: float | None
    peer_name: str
    n: int
    more_is_better: bool = False
    processor: float | None = None

    @property
    def ratio(self) -> float:
        return self.ours / self.peer if self.more_is_better else self.peer / self.ours

    @property
    def is_reached(self) -> bool | None:
        return None if self.wanted is None else self.ratio >= self.wanted


def per_call(function: Callable[[int], Any], times: int, *, rounds: int = 5) -> float:
    """Microseconds a call: the median of some rounds, each of `times` calls with its number."""
    found = []
    number = 0
    for _ in range(rounds):
        gc.collect()
        begin = perf_counter()
        for _ in range(times):
            function(number)
            number += 1
        found.append((perf_counter() - begin) / times * 1e6)
    return statistics.median(found)


class Spent(NamedTuple):
    """What something took: by the clock on the wall, and of the processor, in the same unit."""

    wall: float
    processor: float


def spent_on(function: Callable[[], Any]) -> Spent:
    """Seconds that one call takes."""
    gc.collect()
    wall, processor = perf_counter(), process_time()
    function()
    return Spent(perf_counter() - wall, process_time() - processor)


def middle(found: Iterable[Spent]) -> Spent:
    """The medians of both."""
    walls, processors = zip(*found, strict=True)
    return Spent(statistics.median(walls), statistics.median(processors))


def in_turns(
    ours: Callable[[int], Any], peer: Callable[[int], Any], times: int, *, rounds: int = 7
) -> tuple[Spent, Spent]:
    """Microseconds a call of both, measured in turns so that a noisy moment hits both alike; medians."""
    first: list[Spent] = []
    second: list[Spent] = []
    for turn in range(rounds):
        for function, found in ((ours, first), (peer, second)):

            def calls(function: Callable[[int], Any] = function, number: int = turn * times) -> None:
                for step in range(times):
                    function(number + step)

            took = spent_on(calls)
            found.append(Spent(took.wall / times * 1e6, took.processor / times * 1e6))
    return middle(first), middle(second)


def interleaved(
    ours: Callable[[int], Any], peer: Callable[[int], Any], times: int, *, rounds: int = 7
) -> tuple[float, float]:
    """The same by the clock on the wall alone."""
    first, second = in_turns(ours, peer, times, rounds=rounds)
    return first.wall, second.wall
