"""Speed, as ratios to a peer or to the raw limit, measured in the same run on the same machine.

`python -m tests.benchmarks` runs all at full size and prints a table; `--scale 0.01` at a hundredth, as a smoke test;
`--json FILE` keeps the numbers with machine, date and commit. No benchmark asserts a time.

To add one: write a module here with `run(scale) -> Iterable[Ratio]` and name it in `__main__.MODULES`.
"""

from __future__ import annotations

import gc
import statistics
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """One row: ours against a peer. `ratio` is how many times as fast as the peer ours is; `wanted` the least."""

    name: str
    ours: float
    peer: float
    unit: str
    wanted: float | None
    peer_name: str
    n: int
    more_is_better: bool = False

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


def interleaved(
    ours: Callable[[int], Any], peer: Callable[[int], Any], times: int, *, rounds: int = 7
) -> tuple[float, float]:
    """Microseconds a call of both, measured in turns so that a noisy moment hits both alike; medians."""
    first, second = [], []
    number = 0
    for _ in range(rounds):
        for function, found in ((ours, first), (peer, second)):
            gc.collect()
            begin = perf_counter()
            for step in range(times):
                function(number + step)
            found.append((perf_counter() - begin) / times * 1e6)
        number += times
    return statistics.median(first), statistics.median(second)
