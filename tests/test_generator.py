"""The generated unit: the same for the same seed, as often wrong as asked, and admissible all the same."""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import orjson
import pytest

from ledger.admission import doubts_of
from ledger.entries import Signature, event_to_dict, validated
from ledger.events import Angioplasty, Correction
from ledger.people import Identifier, Patient
from ledger.store import Ledger, open_ledger
from ledger.store.load import load
from ledger.vocabulary import Side
from tests.generator import (
    CENTRES,
    END,
    PERSONS,
    UNITS,
    ZONE,
    GeneratedUnit,
    Rates,
    drafts_of,
    generate_unit,
    histories_of,
    lives_of,
)
from tests.make_unit import fill, main, write_files


@pytest.fixture(scope="module")
def unit() -> GeneratedUnit:
    return generate_unit(7, patients=150)


@pytest.fixture(scope="module")
def small() -> GeneratedUnit:
    return generate_unit(3, patients=12, years=3, merged=0.2)


# --- Always the same ----------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_unit(unit: GeneratedUnit):
    again = generate_unit(7, patients=150)

    assert again == unit


def test_another_seed_gives_another_unit(unit: GeneratedUnit):
    other = generate_unit(8, patients=150)

    assert {one.event for one in other.told[:200] if one.event.kind == "creation"} != {
        one.event for one in unit.told[:200] if one.event.kind == "creation"
    }


def test_a_life_does_not_depend_on_how_many_patients_there_are():
    rates = Rates(merged=0)

    few = list(lives_of(5, 4, rates=rates))
    many = list(islice(lives_of(5, 4000, rates=rates), 4))

    assert few == many


# --- As often wrong as asked --------------------------------------------------------------------------------------


def test_a_tenth_of_the_entries_is_corrected_or_withdrawn(unit: GeneratedUnit):
    mended = sum(one.corrects is not None or one.retracts is not None for one in unit.told)

    assert 0.085 <= mended / (len(unit.told) - mended) <= 0.115


def test_a_twentieth_of_the_entries_comes_weeks_late(unit: GeneratedUnit):
    # What happened before the ledger was begun had to be entered from the papers, and is not counted.
    begun = END - timedelta(days=5 * 365 + 31)
    own = [
        one
        for one in unit.told
        if one.corrects is None and one.retracts is None and one.event.happened.earliest > begun
    ]

    late = sum(datetime.fromisoformat(one.recorded_at).date() - one.event.happened.latest > _TWO_WEEKS for one in own)

    assert 0.035 <= late / len(own) <= 0.065


def test_two_procedures_in_a_hundred_are_first_told_of_the_other_arm():
    unit = generate_unit(7, patients=400)
    side_of = {one.event.access: one.event.side for one in unit.told if one.event.kind == "creation"}
    procedures = [one.event for one in unit.told if isinstance(one.event, Angioplasty)]

    of_the_other_arm = [one for one in procedures if _is_wrong(one, side_of)]

    assert 0.012 <= len(of_the_other_arm) / len(procedures) <= 0.028


def test_most_of_the_wrong_arms_are_put_right(unit: GeneratedUnit):
    side_of = {one.event.access: one.event.side for one in unit.told if one.event.kind == "creation"}
    wrong = [one for one in unit.told if isinstance(one.event, Angioplasty) and _is_wrong(one.event, side_of)]
    corrected = {one.corrects for one in unit.told if isinstance(one.event, Correction)}

    righted = [one for one in wrong if one.label in corrected]

    assert wrong
    assert all(one.odd for one in wrong)
    assert len(righted) >= len(wrong) / 2


def test_one_patient_in_a_hundred_has_two_records_of_one_name_and_birth_date():
    unit = generate_unit(2, patients=1000, years=1)
    joined = [one for one in unit.told if one.event.kind == "patients-are-one"]

    assert 5 <= len(joined) <= 20
    known = {patient.id: patient for patient in unit.patients}
    for one in joined:
        mine, other = known[one.patient], known[one.event.other]
        assert (mine.name, mine.birth_date) == (other.name, other.birth_date)
        assert mine.identifiers != other.identifiers


def test_nothing_goes_wrong_where_nothing_is_asked_to():
    unit = generate_unit(4, patients=30, corrections=0, late=0, wrong_arm=0, merged=0)

    kinds = {one.event.kind for one in unit.told}

    assert not kinds & {"correction", "retraction", "patients-are-one", "accesses-are-one"}


# --- Admissible ---------------------------------------------------------------------------------------------------


def test_every_event_passes_the_border(unit: GeneratedUnit):
    seen = Counter[str]()
    for _, _, draft, _ in drafts_of(unit.told):
        seen[draft.event.kind] += 1
        if seen[draft.event.kind] <= 40:
            assert validated(event_to_dict(draft.event)) == draft.event

    assert len(seen) >= 40


def test_every_patient_is_recorded_in_order_and_nothing_before_it_happened(unit: GeneratedUnit):
    last: dict[str, str] = {}
    for one in unit.told:
        assert one.recorded_at >= last.get(one.patient, "")
        last[one.patient] = one.recorded_at
        recorded = datetime.fromisoformat(one.recorded_at).astimezone(ZONE).date()
        assert one.event.happened.earliest <= recorded <= END, one


def test_a_store_refuses_nothing_and_holds_what_the_histories_say(small: GeneratedUnit, tmp_path: Path):
    lives = lives_of(3, 12, 3, Rates(merged=0.2))

    patients, entries = fill(tmp_path / "unit.sqlite", lives)

    assert patients == len(small.patients)
    assert entries == len(small.told)
    with open_ledger(tmp_path / "unit.sqlite") as ledger:
        expected = histories_of(small, ledger.uuid)
        for patient in small.patients:
            stored = ledger.history(patient.id, sessions=True)
            assert [entry.id for entry in stored.entries] == [entry.id for entry in expected[patient.id].entries]
            assert [entry.event for entry in stored.entries] == [entry.event for entry in expected[patient.id].entries]
            assert [one.root for one in stored.facts] == [one.root for one in expected[patient.id].facts]


def test_few_doubts_stay_and_they_are_of_the_kinds_that_were_meant(unit: GeneratedUnit):
    found = Counter(doubt.code for history in histories_of(unit).values() for doubt in doubts_of(history))

    assert set(found) <= {
        "lesion-on-other-side",
        "lesion-on-two-sides",  # follows from a lesion that lies on the other side
        "residual-worse",
        "first-needled-twice",
        "maybe-before-made",  # made in some month, needled or looked at in the same
        "looked-at-before-made",
        "side-disagrees",
    }
    assert found["residual-worse"]


# --- On disk ------------------------------------------------------------------------------------------------------


def test_the_lines_load_into_a_ledger_that_knows_the_patients(tmp_path: Path):
    lives = list(lives_of(9, 8, 2, Rates(merged=0, corrections=0.4)))
    patients, count = write_files(lives, tmp_path)
    people = orjson.loads((tmp_path / "people.json").read_bytes())
    lines = (tmp_path / "entries.jsonl").read_bytes().splitlines()

    with _peopled(tmp_path / "unit.sqlite", people["patients"]) as ledger:
        loaded = load(ledger, lines, by=Signature(person="liaison"))
        histories = [ledger.history(life.patient.id, sessions=True) for life in lives]

    assert (len(people["patients"]), len(lines)) == (patients, count)
    assert loaded.refused == []
    assert loaded.added == count
    for history in histories:  # also where a correction was itself corrected, in the same file
        for one in history.facts:
            first = history.entry(one.root)
            assert first is not None
            assert not isinstance(first.event, Correction)


def test_a_file_of_nothing_but_a_correction_finds_the_session_that_it_is_about(tmp_path: Path):
    lives = list(lives_of(9, 2, 2, Rates(merged=0, corrections=0)))
    write_files(lives, tmp_path)
    people = orjson.loads((tmp_path / "people.json").read_bytes())

    with _peopled(tmp_path / "unit.sqlite", people["patients"]) as ledger:
        load(ledger, (tmp_path / "entries.jsonl").read_bytes().splitlines(), by=Signature(person="liaison"))
        run = next(entry for entry in ledger.history("P0001", sessions=True).entries if entry.session)
        line = {
            "patient": "P0001",
            "event": {"kind": "correction", "to": {**event_to_dict(run.event), "gauge": 17}},
            "corrects": run.id,
        }
        loaded = load(ledger, [orjson.dumps(line)], by=Signature(person="nurse-a"))
        after = ledger.history("P0001", sessions=True)

    assert loaded.refused == []
    assert [one.fact.gauge for one in after.facts if one.root == run.id] == [17]


def test_the_program_says_what_it_wrote(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    code = main(["--to", str(tmp_path / "unit"), "--patients", "3", "--years", "1", "--story"])

    line = orjson.loads((tmp_path / "unit" / "entries.jsonl").read_bytes().splitlines()[0])
    assert code == 0
    assert {"recorded_at", "by", "how"} <= line.keys()
    assert "3 patients and " in capsys.readouterr().out


def test_the_program_asks_where_to_write(capsys: pytest.CaptureFixture[str]):
    assert main([]) == 2

    assert "--to FOLDER" in capsys.readouterr().err


_TWO_WEEKS = timedelta(days=14)


def _is_wrong(event: Angioplasty, side_of: dict[str, Side]) -> bool:
    return event.lesions[0].side is not side_of[event.access]


def _peopled(where: Path, patients: list[dict[str, Any]]) -> Ledger:
    """A new ledger that knows the generated people, on the last day of the story."""
    noon = datetime(END.year, END.month, END.day, 16, tzinfo=ZONE)
    ledger = open_ledger(where, create=True, zone=ZONE.key, clock=lambda: noon)
    for unit in UNITS:
        ledger.who.add_unit(unit)
    for centre in CENTRES:
        ledger.who.add_centre(centre)
    for person in PERSONS:
        ledger.who.add_person(person)
    for one in patients:
        numbers = tuple(Identifier(**number) for number in one["identifiers"])
        ledger.who.add_patient(Patient(**{**one, "identifiers": numbers}, invented=True))
    return ledger
