"""Appending: what was seen is stated, ids make it idempotent, nothing is altered, read models follow at once."""

from __future__ import annotations

import sqlite3
import stat
from pathlib import Path

import pytest

from ledger.chronology import effective
from ledger.entries import Draft
from ledger.errors import NotFound, Refused, StaleHistory, WrongInput
from ledger.events import Creation
from ledger.store import Ledger, open_ledger
from tests.lives import happening
from tests.store.conftest import Clock
from tests.store.drafts import BY, a_fact, a_fistula, add, an_angioplasty, draft


def test_what_was_appended_comes_back_as_it_was(ledger: Ledger, patient: str) -> None:
    appended = add(ledger, patient, a_fistula(), an_angioplasty())

    history = ledger.history(patient)

    assert history.entries == appended.entries
    assert [entry.version for entry in history.entries] == [1, 2]
    assert history.version == 2
    assert isinstance(history.facts[0].fact, Creation)


def test_appending_the_same_again_adds_nothing(ledger: Ledger, patient: str) -> None:
    first = add(ledger, patient, a_fistula())

    again = add(ledger, patient, a_fistula())

    assert again.entries == ()
    assert again.already == (first.entries[0].id,)
    assert ledger.history(patient).version == 1


def test_whoever_looked_at_an_older_history_is_told_to_look_again(ledger: Ledger, patient: str) -> None:
    seen = ledger.history(patient)
    add(ledger, patient, a_fistula())

    with pytest.raises(StaleHistory) as stale:
        ledger.append(seen, [an_angioplasty()], by=BY)

    assert stale.value.exit_code == 4
    assert ledger.history(patient).version == 1


def test_a_history_as_of_a_day_is_not_one_to_append_to(ledger: Ledger, patient: str) -> None:
    add(ledger, patient, a_fistula())
    view = ledger.history(patient).seen(known_on="2024-01-01T00:00:00.000000Z")

    with pytest.raises(StaleHistory):
        ledger.append(view, [an_angioplasty()], by=BY)


def test_one_refusal_stops_all_unless_part_of_it_is_welcome(ledger: Ledger, patient: str) -> None:
    good, bad = a_fistula(), an_angioplasty(access="A-unknown")

    with pytest.raises(Refused):
        add(ledger, patient, good, bad)
    appended = ledger.append(ledger.history(patient), [good, bad], by=BY, partly=True)

    assert [entry.kind for entry in appended.entries] == ["creation"]
    assert [refused.event.kind for refused, _ in appended.refused] == ["angioplasty"]


def test_an_access_of_another_patient_is_refused(ledger: Ledger, patient: str) -> None:
    add(ledger, patient, a_fistula("A1"))
    other = ledger.who.add_patient(name="Someone Invented", unit="U1", invented=True).id

    with pytest.raises(Refused) as refused:
        add(ledger, other, a_fistula("A1"))

    assert patient in refused.value.problem
    assert ledger.history(other).version == 0


def test_recorded_times_never_go_back_even_when_the_clock_does(ledger: Ledger, patient: str, clock: Clock) -> None:
    add(ledger, patient, a_fistula())
    clock.set("2025-01-01T00:00:00+00:00")

    add(ledger, patient, an_angioplasty())

    first, second = ledger.history(patient).entries
    assert second.recorded_at == first.recorded_at


def test_sessions_stand_in_a_second_stream(ledger: Ledger, patient: str) -> None:
    session = a_fact("cannulation-session", "2024-05-02", access="A1", needles=2, use="two-needles")
    add(ledger, patient, a_fistula(), session)

    short = ledger.history(patient)
    whole = ledger.history(patient, sessions=True)

    assert [entry.kind for entry in short.entries] == ["creation"]
    assert [(entry.kind, entry.version, entry.session) for entry in whole.entries] == [
        ("creation", 1, False),
        ("cannulation-session", 1, True),
    ]


def test_a_session_is_retracted_in_its_own_stream(ledger: Ledger, patient: str) -> None:
    session = a_fact("cannulation-session", "2024-05-02", access="A1", needles=2)
    added = add(ledger, patient, a_fistula(), session).entries[1]

    add(ledger, patient, draft(happening("retraction", "2024-05-03", retracts=added.id)))

    whole = ledger.history(patient, sessions=True)
    assert [one.kind for one in whole.facts] == ["creation"]
    assert [entry.session for entry in whole.entries if entry.kind == "retraction"] == [True]


def test_a_retracted_fact_entered_anew_gets_a_new_id(ledger: Ledger, patient: str) -> None:
    first = add(ledger, patient, a_fistula()).entries[0]
    add(ledger, patient, draft(happening("retraction", "2024-05-03", retracts=first.id)))

    quietly = add(ledger, patient, a_fistula())
    anew = ledger.append(ledger.history(patient), [a_fistula()], by=BY, anew=True)

    assert quietly.already == (first.id,)
    assert len(anew.entries) == 1
    assert anew.entries[0].id != first.id
    assert len(effective(ledger.history(patient).entries)) == 1


@pytest.mark.parametrize("statement", ["UPDATE entries SET version=9", "DELETE FROM entries"])
def test_nothing_alters_an_entry_through_the_front_door(ledger: Ledger, patient: str, statement: str) -> None:
    add(ledger, patient, a_fistula())

    with pytest.raises(Exception, match="only ever added to"):
        ledger.db.execute(statement)


def test_the_read_model_follows_in_the_same_transaction(ledger: Ledger, patient: str) -> None:
    add(ledger, patient, a_fistula("A1"), a_fistula("A2", "2024-06-01", side="right"))

    rows = list(ledger.accesses(unit="U1"))

    assert [(whose, row.access, row.side) for whose, row in rows] == [(patient, "A1", "left"), (patient, "A2", "right")]
    assert list(ledger.accesses(unit="U2")) == []
    assert ledger.owner_of("A2") == patient


def test_a_new_ledger_is_private_to_its_owner(tmp_path: Path) -> None:
    place = tmp_path / "data" / "ledger.sqlite"

    with open_ledger(place, create=True) as ledger:
        ledger.who.add_patient(name="Quillon Ashgrove", invented=True)
        modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in place.parent.iterdir()}

    assert set(modes.values()) == {0o600}
    assert stat.S_IMODE(place.parent.stat().st_mode) == 0o700


def test_a_file_that_is_something_else_is_not_touched(tmp_path: Path) -> None:
    place = tmp_path / "notes.txt"
    place.write_text("not a ledger at all, but long enough to have a header\n")

    with pytest.raises(WrongInput):
        open_ledger(place, create=True)

    assert place.read_text().startswith("not a ledger")


def test_another_programs_database_is_not_taken_for_a_ledger(tmp_path: Path) -> None:
    place = tmp_path / "other.sqlite"
    other = sqlite3.connect(place)
    other.execute("CREATE TABLE things (x)")
    other.commit()
    other.close()

    with pytest.raises(WrongInput):
        open_ledger(place)


def test_a_ledger_that_is_not_there_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(NotFound) as missing:
        open_ledger(tmp_path / "nowhere.sqlite")

    assert "access-ledger init" in missing.value.remedy


def test_ids_do_not_depend_on_where_words_stand(ledger: Ledger, patient: str) -> None:
    note = ledger.papers.typed("Invented remark.", patient)
    with_note = happening(
        "creation",
        "2023-03-01",
        access="A1",
        access_kind="fistula",
        note={"text": note.text, "start": 0, "end": 8},
    )
    without = happening("creation", "2023-03-01", access="A1", access_kind="fistula")

    first = add(ledger, patient, Draft(event=with_note, source="report:r-1"))
    second = add(ledger, patient, Draft(event=without, source="report:r-1"))

    assert second.already == (first.entries[0].id,)
