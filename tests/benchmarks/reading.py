"""How long a page of a report takes to read, on one core, against the ten milliseconds that it may take.

The texts are the labelled reports of `fixtures/reports`; a page is 3000 characters of them. What counts is the time
that the core works for it, so that whatever else runs on the machine does not count as reading.
"""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence
from time import process_time

from ledger.reading import read_report
from tests.benchmarks import Ratio
from tests.score_reader import fixtures, labelled_in

PAGE = 3000
LIMIT_MS = 10.0


def run(scale: float) -> Iterable[Ratio]:
    texts = [report.text for path in fixtures() for report in labelled_in(path)]
    read_report(texts[0])  # The phrases are compiled once for each process, not for each report.
    rounds = 7 if scale >= 1 else 1
    some = texts[: max(10, int(len(texts) * min(scale, 1.0)))]
    long = [text for text in texts if len(text) > 900]
    yield _ratio("report read, short ones, a page of 3000 characters", some, rounds)
    yield _ratio("report read, long ones, a page of 3000 characters", long, rounds)


def _ratio(name: str, texts: Sequence[str], rounds: int) -> Ratio:
    pages = sum(len(text) for text in texts) / PAGE
    found = []
    for _ in range(rounds):
        begin = process_time()
        for text in texts:
            read_report(text)
        found.append((process_time() - begin) / pages * 1000)
    return Ratio(
        name=name,
        ours=statistics.median(found),
        peer=LIMIT_MS,
        unit="ms",
        wanted=1.0,
        peer_name="the limit",
        n=len(texts),
    )
