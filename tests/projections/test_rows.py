"""The list columns of an access: what they hold, and that neither day nor order of arrival changes a byte of them."""

from __future__ import annotations

from dataclasses import fields, replace

from hypothesis import given
from hypothesis import strategies as st

from ledger.events import FACT_KINDS
from ledger.minting import packed_id, unpacked_id
from ledger.projections import folding, rows
from ledger.projections.kept_rows import COLUMNS, NO_ROWS, accesses_kept, are_of
from ledger.projections.rows import row_from_bytes, rows_from_bytes, rows_of, stored_rows_of
from tests.examples import EXAMPLES
from tests.lives import a_history, happening


def test_a_fistula_that_was_made_and_looked_at_gives_one_row():
    history = a_history(
        happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left", site="upper-arm"),
        happening("examination", "2024-03-18", access="A1", thrill="continuous"),
    )

    (row,) = rows_of(history)

    assert row.name == "LEFT upper-arm fistula"
    assert (row.body, row.body_day) == ("made", "2024-03-04")
    assert (row.flow, row.flow_day, row.flow_how) == ("flow-seen", "2024-03-18", "examination")
    assert row.readiness == "not-judged"
    assert row.use == "use-unknown"
    assert row.standing == "kept"
    assert row.entries == 2


def test_the_facts_of_a_row_name_the_entries_they_rest_on():
    history = a_history(
        happening("creation", "2024-03-04", access="A1", access_kind="graft", side="right"),
        happening("thrombosis", "2024-05-01", access="A1", known_by="imaging"),
    )
    created, clotted = (entry.id for entry in history.entries)

    (row,) = rows_of(history)

    assert row.facts["body"] == ["made", "2024-03-04", created, ""]
    assert row.facts["flow"] == ["thrombosed", "2024-05-01", clotted, "imaging"]


def test_two_sides_leave_the_column_empty_and_the_name_says_both():
    history = a_history(
        happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left"),
        happening("access-known", "2024-06-01", access="A1", side="right"),
    )

    (row,) = rows_of(history)

    assert row.side is None
    assert row.name == "fistula, SIDE UNSETTLED: told as LEFT and as RIGHT"
    assert row.conflicts == 1


def test_sessions_do_not_change_a_row_so_that_it_does_not_matter_whether_they_were_read():
    first = happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left")
    session = happening("cannulation-session", "2024-06-04", access="A1", needles=2)

    with_sessions = rows_of(a_history(first, session))

    assert with_sessions == rows_of(a_history(first))


def test_a_row_is_the_same_whatever_arrived_first():
    history = a_history(*(example for kind in EXAMPLES.values() for example in kind))
    backwards = replace(
        history, entries=tuple(replace(entry, version=1000 - entry.version) for entry in reversed(history.entries))
    )

    assert [row.to_bytes() for row in rows_of(backwards)] == [row.to_bytes() for row in rows_of(history)]


def test_a_stored_row_reads_back_as_it_was_written():
    history = a_history(*(example for kind in EXAMPLES.values() for example in kind))

    written = rows_of(history)

    assert [row_from_bytes(row.to_bytes()) for row in written] == written


def test_rows_that_were_kept_with_the_names_of_their_columns_are_still_read():
    """The first of these bytes were kept before rows were arrays; the second hold the same."""
    old = (
        b'[{"access":"A1","name":"LEFT fistula","access_kind":"fistula","side":"left","body":"made",'
        b'"body_day":"2024-03-04","flow":"flow-seen","flow_day":"2024-08-09","flow_how":"thrombectomy",'
        b'"readiness":"unknown","use":"use-unknown","standing":"kept","entries":3,"findings":1,'
        b'"facts":{"body":"639d1f34-20d2-5e5c-9ba8-990063154af6",'
        b'"flow":["6cf28b4b-841d-57c0-9692-4343452ca6c2","thrombectomy"],'
        b'"findings":[["swelling","2024-08-09","6cf28b4b-841d-57c0-9692-4343452ca6c2"]]}}]'
    )

    (row,) = rows_from_bytes(old)

    assert (row.access, row.closed, row.entries, row.doubts) == ("A1", None, 3, 0)
    assert row.facts["body"] == ["made", "2024-03-04", "639d1f34-20d2-5e5c-9ba8-990063154af6", ""]
    assert row.facts["use"] == ["use-unknown"]
    assert rows_from_bytes(row.to_bytes()) == [row]
    assert accesses_kept(old) == accesses_kept(row.to_bytes()) == ["A1"]


def test_it_is_told_without_reading_the_rows_whose_they_are():
    history = a_history(
        happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left"),
        happening("catheter-placed", "2024-03-05", access="A2", access_kind="tunnelled-catheter"),
    )

    accesses, stored = stored_rows_of(history)

    assert accesses == accesses_kept(stored) == ["A1", "A2"]
    assert are_of(stored, ["A1", "A2"])
    assert not any(are_of(stored, others) for others in ([], ["A1"], ["A2", "A1"], ["A1", "A2", "A3"]))
    assert stored_rows_of(a_history()) == ([], NO_ROWS)
    assert are_of(NO_ROWS, [])


def test_the_columns_that_are_kept_are_the_fields_of_a_row():
    assert tuple(column.name for column in fields(rows.AccessRow)) == COLUMNS


@given(st.one_of(st.uuids().map(str), st.uuids().map(lambda one: str(one).upper()), st.text(max_size=40)))
def test_the_id_of_an_entry_is_unpacked_as_it_was_packed(entry_id: str):
    assert unpacked_id(packed_id(entry_id)) == entry_id


def test_every_kind_of_fact_has_a_place_in_the_fold():
    named = set(folding._FOLDS) | folding._OF_THE_PERSON

    assert named == FACT_KINDS


def test_every_column_is_described_where_the_columns_are_told():
    described = rows.__doc__ or ""

    assert [column.name for column in fields(rows.AccessRow) if column.name not in described] == []


def test_one_entry_that_says_a_month_of_two_needles_is_enough_to_be_proven_by_use():
    history = a_history(
        happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left"),
        happening("access-used", "2024-07", access="A1", use="two-needles"),
    )

    (row,) = rows_of(history)

    assert row.readiness == "proven-by-use"


def test_two_days_of_needles_are_not_enough_to_be_proven_by_use_and_three_are():
    days = ("2024-06-03", "2024-06-05", "2024-06-07")
    made = happening("creation", "2024-03-04", access="A1", access_kind="fistula", side="left")
    used = [happening("access-used", day, access="A1", use="two-needles") for day in days]

    (after_two,), (after_three,) = rows_of(a_history(made, *used[:2])), rows_of(a_history(made, *used))

    assert (after_two.readiness, after_three.readiness) == ("being-tried", "proven-by-use")
