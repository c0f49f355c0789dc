"""How long a page of a report takes to read, on one core, against the ten milliseconds that it may take.

The texts are the labelled reports of `fixtures/reports`; a page is 3000 characters of them.
"""

from __future__ import annotations

from collections.abc import Iterable

from ledger.reading import read_report
from tests.benchmarks import Ratio, per_call
from tests.score_reader import fixtures, labelled_in

PAGE = 3000
LIMIT_MS = 10.0


def run(scale: float) -> Iterable[Ratio]:
    texts = [report.text for path in fixtures() for report in labelled_in(path)]
    texts = texts[: max(10, int(len(texts) * min(scale, 1.0)))]
    pages = sum(len(text) for text in texts) / PAGE
    read_report(texts[0])  # The phrases are compiled once for each process, not for each report.
    rounds = 5 if scale >= 1 else 1
    microseconds = per_call(lambda number: read_report(texts[number % len(texts)]), len(texts), rounds=rounds)
    yield Ratio(
        name="report read, a page of 3000 characters",
        ours=microseconds * len(texts) / pages / 1000,
        peer=LIMIT_MS,
        unit="ms",
        wanted=1.0,
        peer_name="the limit",
        n=len(texts),
    )
