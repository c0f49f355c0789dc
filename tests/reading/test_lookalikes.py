"""Texts in which no dialysis access was operated on, though their words sound like it: nothing is read."""

from __future__ import annotations

import pytest

from ledger.reading import read_report
from ledger.vocabulary import Outcome
from tests.score_reader import FIXTURES

LINES = [
    line
    for line in (FIXTURES / "lookalikes.list").read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
ASKED_FOR = frozenset({"referral", "thrombosis", "instruction"})


@pytest.mark.parametrize("line", LINES)
def test_nothing_is_read_from_a_lookalike(line: str) -> None:
    text, _, told = line.partition("\t=> ")
    allowed = {*told.split(), *(ASKED_FOR if text.startswith("+ ") else ())}

    reading = read_report(text.removeprefix("+ "))

    read = [
        one.kind
        for one in reading.proposed
        if one.kind not in allowed and not (one.kind == "visit" and one.detail["outcome"] is not Outcome.DONE)
    ]
    assert read == []
    assert set(told.split()) <= {one.kind for one in reading.proposed}


def test_there_are_lookalikes_to_read() -> None:
    assert len(LINES) > 100
