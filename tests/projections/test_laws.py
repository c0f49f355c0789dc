"""What holds for every history that admission lets through, whatever is in it.

Each law was broken on purpose once; `tests/README.md` says how, and which of these tests failed.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from ledger.chronology import History
from ledger.projections.brief import brief_of
from ledger.projections.rows import rows_from_bytes, rows_of, stored_rows_of
from ledger.projections.sheet import sheet_of
from ledger.projections.state import accesses_of
from ledger.projections.timeline import timeline_of
from tests.lives import PATIENT
from tests.projections.test_sentences import NOT_SAID
from tests.strategies import FIRST_DAY, LAST_DAY, admitted_histories

DAYS = st.dates(min_value=FIRST_DAY, max_value=LAST_DAY)
NOW = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)


def said(stretch):
    return "words of the report"


def shuffled(history: History, seed: list[int]) -> History:
    """The same entries in force, recorded in another order: only corrections stay after what they correct."""
    holding = [one.entry for one in history.facts]
    order = sorted(range(len(holding)), key=lambda place: (seed[place % len(seed)], place))
    plain = tuple(replace(holding[place], version=number + 1) for number, place in enumerate(order))
    return replace(history, entries=plain)


def in_the_order_recorded(history: History) -> History:
    return shuffled(history, [0])


@given(admitted_histories(), st.lists(st.integers(0, 99), min_size=1, max_size=12), DAYS)
def test_the_order_of_arrival_does_not_change_what_is_true_of_an_access(history, seed, day):
    # Corrections are facts of their own here, so that any order of them is a possible one.
    first = in_the_order_recorded(history)

    other = shuffled(history, seed)

    assert accesses_of(other, day) == accesses_of(first, day)
    assert rows_of(other) == rows_of(first)


@given(admitted_histories())
def test_rows_made_anew_are_equal_to_the_byte_and_know_no_day(history):
    again = replace(history, entries=tuple(history.entries))

    assert [row.to_bytes() for row in rows_of(again)] == [row.to_bytes() for row in rows_of(history)]


@given(admitted_histories())
def test_what_the_store_keeps_reads_back_as_the_rows(history):
    accesses, stored = stored_rows_of(history)

    assert rows_from_bytes(stored) == rows_of(history)
    assert accesses == [row.access for row in rows_of(history)]


@given(admitted_histories(), DAYS)
def test_rows_and_views_agree_on_what_needs_no_day(history, day):
    plain = replace(history, entries=tuple(entry for entry in history.entries if not entry.session))

    rows = {row.access: row for row in rows_of(plain)}

    views = {view.access: view for view in accesses_of(plain, day)}
    assert list(views) == list(rows)
    for access, view in views.items():
        row = rows[access]
        assert view.name == row.name
        assert view.body.state == row.body
        assert view.standing.state == row.standing
        assert len(view.conflicts) == row.conflicts
        assert len(view.findings) == row.findings


@given(admitted_histories(), DAYS)
def test_no_history_makes_the_looking_fail_and_the_screen_is_never_fuller_than_it_is(history, day):
    seen = history.seen(as_of=day)

    for view in (history, seen, history.seen(known_on=date(2026, 1, 7))):
        brief = brief_of(view, PATIENT, day, NOW, said)
        lines = brief.lines()
        assert len(lines) <= 40
        assert max(map(len, lines)) <= 100
        assert json.loads(json.dumps(brief.to_json()))["format"] == 1
        assert sheet_of(view, PATIENT, day, NOW, said).lines()
        assert len(timeline_of(view, None, said).lines) == len(view.facts)


@given(admitted_histories(), DAYS)
def test_the_brief_never_says_what_must_not_be_said(history, day):
    brief = brief_of(history, PATIENT, day, NOW, said)

    text = "\n".join(line.text for section in brief.sections for line in section.lines)

    assert not NOT_SAID.search(text), text
    assert "None" not in text
    assert not re.search(r"\bmature\b", text)


@given(admitted_histories(), DAYS)
def test_what_happened_after_a_day_is_in_no_view_as_of_that_day(history, day):
    seen = history.seen(as_of=day)

    for view in accesses_of(seen, day):
        for fact in (view.body, view.flow, view.readiness, view.use, view.standing):
            if fact is not None and fact.day is not None:
                assert fact.day.latest_in(history.zone).date() <= day


@given(admitted_histories(), DAYS)
def test_every_fact_of_five_rests_on_entries_in_force(history, day):
    roots = {one.root for one in history.facts}

    for view in accesses_of(history, day):
        for fact in (view.body, view.flow, view.readiness, view.use, view.standing):
            if fact is not None:
                assert set(fact.roots) <= roots
        for finding in view.findings:
            assert finding.root in roots


@given(admitted_histories())
def test_a_day_without_entries_changes_ages_and_no_fact(history):
    before = accesses_of(history, LAST_DAY + timedelta(days=400))

    after = accesses_of(history, LAST_DAY + timedelta(days=401))

    for one, other in zip(before, after, strict=True):
        assert one.body == other.body
        assert one.flow == other.flow
        assert one.standing == other.standing
        assert one.conflicts == other.conflicts
        assert one.lesions == other.lesions
