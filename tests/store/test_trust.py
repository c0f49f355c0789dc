"""What somebody does behind the store's back, and what `verify` names, with and without a seal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from ledger.errors import NotTrusted, WrongInput
from ledger.store import Ledger, schema
from ledger.store.trust import seal, verify
from tests.store.drafts import a_fact, a_fistula, add, an_angioplasty


@pytest.fixture
def five(ledger: Ledger, patient: str) -> Ledger:
    add(
        ledger,
        patient,
        a_fistula(),
        *(an_angioplasty(happened=f"2024-0{month}-01") for month in (1, 3, 5)),
        a_fact("thrombosis", "2024-07-01", access="A1", known_by="imaging"),
    )
    return ledger


def behind_the_back(ledger: Ledger, *statements: tuple[str, tuple[Any, ...]]) -> None:
    """Changes rows as the owner of the database can: without the triggers."""
    if ledger.db.is_postgres:
        ledger.db.execute("ALTER TABLE entries DISABLE TRIGGER USER")
    else:
        for name in [g.split()[2] for g in schema.SQLITE_GUARDS]:
            ledger.db.execute(f"DROP TRIGGER IF EXISTS {name}")
    for statement, values in statements:
        ledger.db.execute(statement, values)


def found(ledger: Ledger, seal_file: Path | None = None) -> list[tuple[str, int | None]]:
    return [(wrong.code, wrong.version) for wrong in verify(ledger, seal_file=seal_file).wrong]


def test_an_untouched_ledger_verifies_with_and_without_a_seal(five: Ledger, tmp_path: Path) -> None:
    seal(five, tmp_path / "seal")

    verified = verify(five, seal_file=tmp_path / "seal")

    assert verified.is_trusted
    assert (verified.streams, verified.entries) == (1, 5)


def test_an_altered_entry_is_named(five: Ledger, patient: str) -> None:
    body = bytes(five.db.execute("SELECT body FROM entries WHERE version=3").fetchone()[0])
    behind_the_back(five, ("UPDATE entries SET body=? WHERE version=3", (body.replace(b"2024-03", b"2024-04"),)))

    assert found(five) == [("altered", 3)]
    with pytest.raises(NotTrusted) as untrusted:
        five.history(patient)
    assert untrusted.value.exit_code == 5


def test_an_entry_taken_out_of_the_middle_is_named(five: Ledger) -> None:
    behind_the_back(five, ("DELETE FROM entries WHERE version=3", ()))

    assert found(five) == [("missing", 3)]


def test_two_entries_that_changed_places_are_named(five: Ledger) -> None:
    behind_the_back(
        five,
        ("UPDATE entries SET version=99 WHERE version=2", ()),
        ("UPDATE entries SET version=2 WHERE version=4", ()),
        ("UPDATE entries SET version=4 WHERE version=99", ()),
    )

    assert found(five) == [("reordered", 2), ("reordered", 4)]


def test_a_cut_tail_is_named_when_its_head_row_stayed(five: Ledger) -> None:
    behind_the_back(five, ("DELETE FROM entries WHERE version>3", ()))

    assert found(five) == [("cut", 4)]


def test_a_tail_cut_with_its_head_row_is_found_only_with_a_seal(five: Ledger, tmp_path: Path) -> None:
    seal(five, tmp_path / "seal")
    digest = bytes(five.db.execute("SELECT hash FROM entries WHERE version=3").fetchone()[0])
    behind_the_back(
        five,
        ("DELETE FROM entries WHERE version>3", ()),
        ("UPDATE streams SET version=3, hash=?", (digest,)),
    )

    assert found(five) == []
    assert found(five, tmp_path / "seal") == [("cut", 4)]


def test_a_missing_stream_is_found_only_with_a_seal(five: Ledger, tmp_path: Path) -> None:
    seal(five, tmp_path / "seal")
    behind_the_back(five, ("DELETE FROM entries", ()), ("DELETE FROM streams", ()))

    assert found(five) == []
    assert found(five, tmp_path / "seal") == [("gone", None)]


def test_a_chain_written_anew_is_found_only_with_a_seal(five: Ledger, patient: str, tmp_path: Path) -> None:
    from ledger.entries import chained, genesis

    seal(five, tmp_path / "seal")
    rows = five.db.execute("SELECT stream, version, body FROM entries ORDER BY version").fetchall()
    previous = genesis(five.uuid, rows[0][0])
    statements: list[tuple[str, tuple[Any, ...]]] = []
    for _, version, body in rows:
        forged = bytes(body).replace(b"2024-03", b"2024-04")
        previous = chained(previous, version, forged)
        statements.append(("UPDATE entries SET body=?, hash=? WHERE version=?", (forged, previous, version)))
    behind_the_back(five, *statements, ("UPDATE streams SET hash=?", (previous,)))

    assert found(five) == []
    assert found(five, tmp_path / "seal") == [("unsealed", 5)]


def test_a_head_that_is_not_that_of_the_last_entry_is_named(five: Ledger) -> None:
    behind_the_back(five, ("UPDATE streams SET hash=?", (b"\0" * 32,)))

    assert found(five) == [("head", 5)]


def test_a_ledger_that_grew_still_fits_its_seal(five: Ledger, patient: str, tmp_path: Path) -> None:
    seal(five, tmp_path / "seal")
    add(five, patient, an_angioplasty(happened="2024-09-01"))

    assert found(five, tmp_path / "seal") == []


def test_a_seal_that_was_tampered_with_is_refused(five: Ledger, tmp_path: Path) -> None:
    place = tmp_path / "seal"
    seal(five, place)
    place.write_bytes(place.read_bytes().replace(b",5,", b",4,"))

    with pytest.raises(WrongInput):
        verify(five, seal_file=place)


def test_a_seal_of_another_ledger_is_refused(five: Ledger, tmp_path: Path) -> None:
    from ledger.store import open_ledger

    with open_ledger(tmp_path / "other.sqlite", create=True) as other:
        seal(other, tmp_path / "seal")

    with pytest.raises(WrongInput):
        verify(five, seal_file=tmp_path / "seal")
