"""Short reports, one a line: what was done, and to which access."""

from __future__ import annotations

import pytest

from ledger.reading import read_report
from tests.score_reader import FIXTURES

LINES = [
    line
    for name in ("short.list", "short-2.list", "short-3.list", "short-4.list", "short-5.list")
    for line in (FIXTURES / name).read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
NO_DEEDS = frozenset({"visit", "background", "instruction", "infection", "thrombosis", "maturity-assessed", "referral"})


@pytest.mark.parametrize("line", LINES)
def test_a_short_report_says_what_was_done_and_to_what(line: str) -> None:
    text, expected = line.replace("\\n", "\n").rsplit(" => ", 1)
    access, kinds = expected.split(":")

    reading = read_report(text)

    assert {one.kind for one in reading.proposed} - NO_DEEDS == set(kinds.split())
    read = [
        f"{one.kind.value if one.kind else 'none'} {one.side.value if one.side else 'none'}" for one in reading.accesses
    ]
    assert access in (read or ["none none"])
