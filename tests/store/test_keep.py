"""Load, dump, restore, rebuild, backup: nothing is lost, nothing is added twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import orjson
import pytest

from ledger.arrival.sessions import SessionColumn, SessionColumns
from ledger.entries import Signature
from ledger.errors import NotTrusted, WrongInput
from ledger.store import Ledger, open_ledger
from ledger.store.dump import dump, restore
from ledger.store.load import load
from ledger.store.sessions import save_columns, saved_columns
from ledger.store.trust import verify
from ledger.store.upkeep import backup, rebuild
from tests.lives import happening
from tests.store.conftest import MRN
from tests.store.drafts import a_fistula, add, an_angioplasty, draft

BY = Signature(person="N1")
PATIENT = {"system": MRN, "value": "MRN-0001"}


def lines(*facts: dict[str, Any]) -> list[bytes]:
    return [orjson.dumps({"patient": PATIENT, **fact}) for fact in facts]


CREATION = {"event": {"kind": "creation", "happened": "2023-03-01", "access": "A1", "access_kind": "fistula"}}
NEEDLED = {"event": {"kind": "first-cannulation", "happened": "2023-06-01", "access": "A1"}, "label": "needled"}
CORRECTED = {
    "event": {"kind": "correction", "to": {"kind": "first-cannulation", "happened": "2023-06-02", "access": "A1"}},
    "corrects": "needled",
}


def read_model(ledger: Ledger) -> list[tuple[Any, ...]]:
    found = []
    for table, order in (("streams", "stream"), ("access_owners", "access")):
        for row in ledger.db.execute(f"SELECT * FROM {table} ORDER BY {order}").fetchall():
            found.append(tuple(bytes(v) if isinstance(v, (bytes, memoryview)) else v for v in row))
    return found


def test_lines_of_one_patient_may_come_in_any_order(ledger: Ledger, patient: str) -> None:
    loaded = load(ledger, lines(CORRECTED, NEEDLED, CREATION), by=BY)

    assert (loaded.added, loaded.refused) == (3, [])
    assert [str(one.happened) for one in ledger.history(patient).facts] == ["2023-03-01", "2023-06-02"]


def test_loading_again_adds_nothing(ledger: Ledger, patient: str) -> None:
    load(ledger, lines(CREATION, NEEDLED, CORRECTED), by=BY)

    again = load(ledger, lines(CREATION, NEEDLED, CORRECTED), by=BY)

    assert (again.added, again.already, again.refused) == (0, 3, [])


def test_a_line_that_needs_a_later_batch_waits_for_it(
    ledger: Ledger, patient: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ledger.store.load.BATCH_LINES", 1)

    loaded = load(ledger, lines(NEEDLED, CREATION), by=BY)

    assert (loaded.added, loaded.refused) == (2, [])


def test_a_bad_line_is_named_and_what_failed_because_of_it_says_so(ledger: Ledger, patient: str) -> None:
    bad = {"event": {"kind": "creation", "happened": "2023-02-30", "access": "A2", "access_kind": "fistula"}}
    after = {"event": {"kind": "thrombosis", "happened": "2023-05-01", "access": "A2"}}

    loaded = load(ledger, [*lines(CREATION, bad, after), b"{not json}\n", b"\n"], by=BY)

    assert loaded.added == 1
    assert [(one.line, one.because_of_line) for one in loaded.refused] == [(2, None), (3, 2), (4, None)]
    assert "no such day" in loaded.refused[0].problem


def test_a_patient_who_is_not_here_is_not_made_up(ledger: Ledger, patient: str) -> None:
    foreign = orjson.dumps({"patient": {"system": MRN, "value": "MRN-9999"}, **CREATION})

    loaded = load(ledger, [foreign], by=BY)

    assert loaded.added == 0
    assert "MRN-9999" not in loaded.refused[0].problem + loaded.refused[0].remedy


def test_typed_words_of_a_line_are_kept_beside_the_entry(ledger: Ledger, patient: str) -> None:
    load(ledger, lines({**CREATION, "words": {"note": "An invented remark."}}), by=BY)

    entry = ledger.history(patient).entries[0]

    assert entry.event.note is not None
    assert ledger.papers.words(entry.event.note) == "An invented remark."


def test_a_dump_brings_back_the_same_ledger(ledger: Ledger, patient: str, tmp_path: Path) -> None:
    load(ledger, lines(CREATION, {**NEEDLED, "words": {"note": "An invented remark."}}, CORRECTED), by=BY)
    ledger.papers.keep_report(b"An invented report.", "An invented report.", patient=patient)
    dump(ledger, tmp_path / "dump.jsonl")

    with open_ledger(tmp_path / "new.sqlite", create=True) as new:
        restore(new, (tmp_path / "dump.jsonl").open("rb"))

        assert new.history(patient) == ledger.history(patient)
        assert new.uuid == ledger.uuid
        assert new.who.patient(patient) == ledger.who.patient(patient)
        assert list(new.papers.reports()) == list(ledger.papers.reports())
        assert read_model(new) == read_model(ledger)
        assert verify(new).is_trusted
        dump(new, tmp_path / "again.jsonl")

    assert (tmp_path / "again.jsonl").read_bytes() == (tmp_path / "dump.jsonl").read_bytes()


@pytest.mark.parametrize("words", [True, False])
def test_a_dump_carries_the_saved_mappings_of_session_lists(
    ledger: Ledger, patient: str, tmp_path: Path, words: bool
) -> None:
    columns = (SessionColumn(heading="No.", use="patient"), SessionColumn(heading="Day", use="day"))
    mapping = SessionColumns(name="Invented list", columns=columns, dates="day-first")
    save_columns(ledger, mapping)
    dump(ledger, tmp_path / "dump.jsonl", words=words)

    with open_ledger(tmp_path / "new.sqlite", create=True) as new:
        restore(new, (tmp_path / "dump.jsonl").open("rb"))

        assert saved_columns(new, "Invented list") == mapping


def test_a_file_joins_two_records_only_if_their_birth_dates_agree(ledger: Ledger, patient: str) -> None:
    other = ledger.who.add_patient(name="Quillon Ashgrove", birth_date="1960-02-03", invented=True).id
    alike = ledger.who.add_patient(name="Maud Vellacott", birth_date="1950-02", invented=True).id
    joined = {"kind": "patients-are-one", "happened": "2025-01-06"}

    loaded = load(ledger, lines({"event": {**joined, "other": other}}, {"event": {**joined, "other": alike}}), by=BY)

    assert [(one.line, "birth dates" in one.problem) for one in loaded.refused] == [(1, True)]
    assert (loaded.added, loaded.doubts) == (1, 1)  # the names differ
    assert [known for known, _ in ledger.history(patient).merged] == [alike]


def test_a_dump_without_words_has_none_and_verifies(ledger: Ledger, patient: str, tmp_path: Path) -> None:
    load(ledger, lines({**CREATION, "words": {"note": "An invented remark."}}), by=BY)
    ledger.papers.keep_report(b"Ashgrove had an invented report.", "Ashgrove had an invented report.", patient=patient)

    dump(ledger, tmp_path / "dump.jsonl", words=False)

    content = (tmp_path / "dump.jsonl").read_text()
    assert not any(word in content for word in ("Ashgrove", "MRN-0001", "remark", "1950-02-03"))
    with open_ledger(tmp_path / "new.sqlite", create=True) as new:
        restore(new, (tmp_path / "dump.jsonl").open("rb"))
        assert verify(new).is_trusted
        assert len(new.history(patient).facts) == 1


@pytest.mark.parametrize("harm", ["alter", "cut"])
def test_a_dump_that_was_altered_or_cut_restores_nothing(
    ledger: Ledger, patient: str, tmp_path: Path, harm: str
) -> None:
    load(ledger, lines(CREATION, NEEDLED), by=BY)
    dump(ledger, tmp_path / "dump.jsonl")
    content = (tmp_path / "dump.jsonl").read_bytes()
    if harm == "alter":
        harmed = content.replace(b"2023-03-01", b"2023-04-01")
    else:
        harmed = b"".join(content.splitlines(keepends=True)[:-1])

    with open_ledger(tmp_path / "new.sqlite", create=True) as new:
        with pytest.raises(NotTrusted if harm == "alter" else WrongInput):
            restore(new, harmed.splitlines(keepends=True))

        assert list(new.who.patients()) == []


def test_a_ledger_with_something_in_it_is_not_restored_into(ledger: Ledger, patient: str, tmp_path: Path) -> None:
    dump(ledger, tmp_path / "dump.jsonl")

    with pytest.raises(WrongInput):
        restore(ledger, (tmp_path / "dump.jsonl").open("rb"))


def test_a_rebuild_gives_the_same_read_models_to_the_byte(ledger: Ledger, patient: str) -> None:
    other = ledger.who.add_patient(name="Second Record", unit="U1", invented=True).id
    first = add(ledger, patient, a_fistula("A1"), an_angioplasty()).entries[1]
    add(ledger, patient, draft(happening("retraction", "2024-03-01", retracts=first.id)))
    add(ledger, other, a_fistula("B1", "2022-01-01", side="right"))
    add(ledger, patient, draft(happening("patients-are-one", "2024-04-01", other=other)))
    add(ledger, other, an_angioplasty("B1", "2024-05-01"))
    before = read_model(ledger)
    ledger.db.execute("UPDATE streams SET accesses=NULL, doubts=99, joined_to=NULL, joins='7'")
    ledger.db.execute("DELETE FROM access_owners")

    rebuilt = rebuild(ledger)

    assert read_model(ledger) == before
    assert sorted((whose, row.access) for whose, row in ledger.accesses()) == [(patient, "A1"), (patient, "B1")]
    assert ledger.owner_of("B1") == patient
    assert rebuilt.patients == 2


def test_what_is_added_to_a_record_that_was_joined_while_empty_is_the_survivors(ledger: Ledger, patient: str) -> None:
    empty = ledger.who.add_patient(name="Second Record", unit="U1", invented=True).id
    add(ledger, patient, a_fistula("A1"))
    joined = add(ledger, patient, draft(happening("patients-are-one", "2024-04-01", other=empty))).entries[0]
    assert verify(ledger).is_trusted
    assert ledger.joined_to(empty) == patient

    add(ledger, empty, a_fistula("B1", "2022-01-01", side="right"))

    before = read_model(ledger)
    assert sorted((whose, row.access) for whose, row in ledger.accesses()) == [(patient, "A1"), (patient, "B1")]
    rebuild(ledger)
    assert read_model(ledger) == before
    add(ledger, patient, draft(happening("retraction", "2024-05-01", retracts=joined.id)))
    assert sorted((whose, row.access) for whose, row in ledger.accesses()) == [(patient, "A1"), (empty, "B1")]
    assert verify(ledger).is_trusted


def test_an_empty_record_that_was_joined_and_parted_leaves_no_trace_in_the_lists(ledger: Ledger, patient: str) -> None:
    empty = ledger.who.add_patient(name="Second Record", unit="U1", invented=True).id
    add(ledger, patient, a_fistula("A1"))
    joined = add(ledger, patient, draft(happening("patients-are-one", "2024-04-01", other=empty))).entries[0]

    add(ledger, patient, draft(happening("retraction", "2024-05-01", retracts=joined.id)))

    assert ledger.joined_to(empty) is None
    before = read_model(ledger)
    rebuild(ledger)
    assert read_model(ledger) == before


def test_two_records_of_one_patient_can_be_parted_again(ledger: Ledger, patient: str) -> None:
    other = ledger.who.add_patient(name="Second Record", unit="U1", invented=True).id
    add(ledger, patient, a_fistula("A1"))
    add(ledger, other, a_fistula("B1", "2022-01-01", side="right"))
    joined = add(ledger, patient, draft(happening("patients-are-one", "2024-04-01", other=other))).entries[0]
    assert ledger.history(patient).accesses == ("B1", "A1")

    add(ledger, patient, draft(happening("retraction", "2024-05-01", retracts=joined.id)))

    assert ledger.history(patient).accesses == ("A1",)
    assert ledger.owner_of("B1") == other


def test_a_backup_is_a_ledger(ledger: Ledger, patient: str, tmp_path: Path) -> None:
    if ledger.db.is_postgres:
        with pytest.raises(WrongInput):
            backup(ledger, tmp_path / "copy.sqlite")
        return
    add(ledger, patient, a_fistula())

    backup(ledger, tmp_path / "copy.sqlite")

    with open_ledger(tmp_path / "copy.sqlite") as copy:
        assert copy.history(patient) == ledger.history(patient)
        assert verify(copy).is_trusted
