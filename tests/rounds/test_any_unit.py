"""Rounds over generated lives: whatever is in them, lines come in order, with their grounds, and without an error.

These lives hold corrections, late facts, wrong arms and joined records; what is left undone in them was not planted, so
nothing is said here about which lines are right (`test_simulated_unit` does that). What they bring up is printed.
"""

from __future__ import annotations

from collections import Counter
from datetime import date

import pytest

from ledger.chronology import History
from ledger.people import Patient
from ledger.rounds.lines import ORDER, lines_of, rounds_of
from tests.generator import generate_unit, histories_of

DAYS = ("2022-02-28", "2024-02-29", "2025-11-02", "2026-11-20")
"""End of a month, a leap day, the day on which the clocks of the generated unit change, its last day."""


@pytest.fixture(scope="module")
def unit() -> list[tuple[Patient, History]]:
    made = generate_unit(5, patients=40, years=5)
    people = {one.id: one for one in made.patients}
    return [(people[patient], history) for patient, history in histories_of(made).items()]


@pytest.mark.parametrize("day", DAYS)
def test_lines_come_in_order_and_rest_on_entries_that_had_happened(
    unit: list[tuple[Patient, History]], day: str
) -> None:
    today = date.fromisoformat(day)
    found: Counter[str] = Counter()
    for patient, history in unit:
        lines = lines_of(history, patient, today)
        happened = {one.root for one in history.facts if one.happened.earliest_in(history.zone).date() <= today}

        assert [ORDER[one.line] for one in lines] == sorted(ORDER[one.line] for one in lines)
        for one in lines:
            assert set(one.roots) <= happened
            assert one.roots
            assert one.words.strip()
            assert one.days is None or one.days >= -31  # a promise of this month may lie ahead by its last reading
        found.update(one.line.value for one in lines)
    print(f"{day}: {len(unit)} patients, {sum(found.values())} lines: {dict(found.most_common())}")


def test_the_same_history_gives_the_same_lines(unit: list[tuple[Patient, History]]) -> None:
    for patient, history in unit[:10]:
        today = date(2026, 11, 20)

        assert rounds_of(history, patient, today)[0] == lines_of(history, patient, today)


def test_no_line_comes_up_before_the_first_entry(unit: list[tuple[Patient, History]]) -> None:
    for patient, history in unit:
        assert lines_of(history, patient, date(1990, 1, 1)) == ()
