"""`fhir receive`: from one ledger to another through files and through a server, and what is the hospital's own."""

from __future__ import annotations

import json
import re

import pytest

from ledger.confirming import Decision, confirm, review_of
from ledger.entries import Signature
from ledger.people import Identifier, Person, Unit
from ledger.store import open_ledger
from ledger.vocabulary import Fate
from tests.cli.conftest import MRN, NAME, Desk
from tests.fhir.peer import running
from tests.fhir.small_server import small_server


def a_desk(where):
    with open_ledger(where, create=True, zone="Europe/London") as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit by the quay", zone="Europe/London", invented=True))
        ledger.who.add_person(Person(id="N1", name="Nurse Invented", role="nurse", invented=True))
        ledger.who.add_patient(
            name=NAME, identifiers=(Identifier(system=MRN, value="MRN-0001"),), unit="U1", invented=True
        )
    return Desk(where)


@pytest.fixture
def one(tmp_path):
    desk = a_desk(tmp_path / "one.sqlite")
    lines = [
        {"kind": "creation", "happened": "2019-03-04", "access": "A1", "access_kind": "fistula", "side": "left"},
        {"kind": "thrombosis", "happened": "2022-01-10", "access": "A1"},
        {"kind": "measurement", "happened": "2021-09-08", "access": "A1", "flow_ml_min": {"value": "812.50"}},
    ]
    with desk.open() as ledger:
        from ledger.entries import Draft, Signature, validated

        drafts = [Draft(event=validated(line), source=f"s{number}") for number, line in enumerate(lines)]
        ledger.append("P0001", drafts, by=Signature(person="N1"))
    return desk


@pytest.fixture
def other(tmp_path):
    return a_desk(tmp_path / "other.sqlite")


def told(desk):
    with desk.open() as ledger:
        return [str(one.fact) for one in ledger.history("P0001").facts]


@pytest.mark.parametrize("form", ["bundle", "ndjson"])
def test_what_one_ledger_exports_another_takes_over(one, other, tmp_path, form):
    file = tmp_path / "out.json"
    file.write_text(one.ok(f"export P0001 --as {form}").out)

    looked = other.run("fhir receive --json", file)
    assert (looked.code, looked.json["added"], looked.json["facts"]) == (3, 0, {"new": 3})
    taken = other.ok("fhir receive --take-over --json", file)
    again = other.ok("fhir receive --take-over --json", file)

    assert taken.json["added"] == 3
    assert told(other) == told(one)
    assert (again.json["added"], again.json["facts"]) == (0, {"known": 3})


def test_a_retraction_that_came_later_is_taken_over_as_one(one, other, tmp_path):
    file = tmp_path / "out.json"
    file.write_text(one.ok("export P0001").out)
    other.ok("fhir receive --take-over", file)
    with one.open() as ledger:
        from ledger.entries import Draft, Signature, validated

        wrong = ledger.history("P0001").entries[1]
        event = validated({"kind": "retraction", "happened": "2023-01-01", "retracts": wrong.id})
        ledger.append("P0001", [Draft(event=event, source="r")], by=Signature(person="N1"))
    file.write_text(one.ok("export P0001").out)

    said = other.ok("fhir receive --take-over --json", file).json

    assert said["facts"] == {"known": 2, "withdrawn": 1}
    assert told(other) == told(one)


def test_a_patient_whom_nobody_knows_is_said_and_nothing_is_recorded(one, tmp_path):
    file = tmp_path / "out.json"
    file.write_text(one.ok("export P0001").out.replace("MRN-0001", "MRN-9999"))
    desk = a_desk(tmp_path / "third.sqlite")

    ran = desk.run("fhir receive --take-over", file)

    assert ran.code == 3
    assert "unknown-patient" in ran.out
    assert told(desk) == []


def test_what_is_the_hospitals_own_waits_as_a_report(other, tmp_path):
    file = tmp_path / "theirs.json"
    procedure = {
        "resourceType": "Procedure",
        "id": "17",
        "status": "completed",
        "subject": {"identifier": {"system": MRN, "value": "MRN-0001"}},
        "performedDateTime": "2020-05-04",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "233468004"}]},
        "bodySite": [{"text": "left wrist"}],
        "note": [{"text": "A left radiocephalic arteriovenous fistula was created at the wrist."}],
    }
    file.write_text(json.dumps({"resourceType": "Bundle", "type": "collection", "entry": [{"resource": procedure}]}))

    said = other.ok("fhir receive --json", file).json

    assert [(one["type"], one["outcome"], one["patient"]) for one in said["reports"]] == [
        ("Procedure", "stored", "P0001")
    ]
    shown = other.ok(f"report show {said['reports'][0]['report']}").out
    # The code has no display in the resource; it is that of our table (published value set).
    assert "Creation of Cimino fistula" in re.sub(r"\s+", " ", shown)
    assert other.ok("fhir receive --json", file).json["reports"][0]["outcome"] == "already"


@pytest.mark.parametrize("text", ["not json", '{"resourceType": "Bundle"}\nnot json'])
def test_a_file_that_is_not_fhir_is_said(other, tmp_path, text):
    file = tmp_path / "bad.json"
    file.write_text(text)

    ran = other.run("fhir receive", file)

    assert ran.code == 1
    assert "JSON" in ran.err
    assert other.run("fhir receive").code == 2


@pytest.mark.peer
def test_what_one_ledger_sent_to_a_server_another_asks_for(one, other, tmp_path):
    with running() as peer:
        for desk in (one, other):
            desk.ok(f"fhir server add hospital {peer.url} --create-patients --all-types --settings {desk.file}.toml")
        peer.put({"resourceType": "Patient", "id": "p", "identifier": [{"system": MRN, "value": "MRN-0001"}]})
        one.ok(f"send --to hospital --settings {one.file}.toml")

        said = other.ok(f"fhir receive --from hospital --take-over --json --settings {other.file}.toml").json
        back = one.ok(f"fhir receive --from hospital --json --settings {one.file}.toml").json

    assert (said["added"], said["reports"]) == (3, [])
    # The server is written in a language that drops the last zero of a number.
    assert told(other) == [fact.replace("812.50", "812.5") for fact in told(one)]
    assert back["facts"] == {"known": 3}


def test_a_server_that_keeps_no_identifiers_gives_nothing_that_is_ours(one, other, tmp_path):
    with small_server() as server:
        one.ok(f"fhir server add small {server.url} --settings {one.file}.toml")
        one.ok(f"send --to small --settings {one.file}.toml")
        said = one.ok(f"fhir receive --from small --json --settings {one.file}.toml").json

    assert said["facts"] == {}
    assert {report["type"] for report in said["reports"]} == {"Procedure", "Observation"}


def test_patients_that_the_hospital_calls_one_wait_for_a_person(one, tmp_path):
    with one.open() as ledger:
        ledger.who.add_patient(name=NAME, identifiers=(Identifier(system=MRN, value="MRN-0002"),), invented=True)
    stays = {"resourceType": "Patient", "id": "a", "identifier": [{"system": MRN, "value": "MRN-0001"}]}
    gone = {
        "resourceType": "Patient",
        "id": "b",
        "identifier": [{"system": MRN, "value": "MRN-0002"}],
        "link": [{"other": {"reference": "Patient/a"}, "type": "replaced-by"}],
    }
    file = tmp_path / "patients.json"
    file.write_text("\n".join(json.dumps(resource) for resource in (stays, gone)))

    came = one.ok("fhir receive --json", file).json
    again = one.ok("fhir receive --json", file).json
    one.ok("patient accept I1")

    assert (came["about_patients"], again["about_patients"]) == (["I1"], [])
    with one.open() as ledger:
        entry = ledger.history("P0001").entries[-1]
    assert (entry.kind, entry.event.other) == ("patients-are-one", "P0002")


def test_a_foreign_procedure_is_confirmed_and_rests_on_the_resource(other, tmp_path):
    theirs = {
        "resourceType": "Procedure",
        "status": "completed",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "233468004"}]},
        "subject": {"identifier": {"system": MRN, "value": "MRN-0001"}},
        "performedDateTime": "2024-03-04",
        "bodySite": [{"text": "Left wrist"}],
        "identifier": [{"system": "https://hospital.example/procedures", "value": "77"}],
    }
    file = tmp_path / "theirs.json"
    file.write_text(json.dumps(theirs))

    came = other.ok("fhir receive --json", file).json["reports"][0]
    shown = other.ok(f"report show {came['report']}").out
    with other.open() as ledger:
        confirm(ledger, review_of(ledger, came["report"]), {0: Decision(fate=Fate.ACCEPTED)}, by=Signature(person="N1"))
        entries = ledger.history("P0001").entries

    assert came["patient"] == "P0001"
    assert "its code stands for creation (fistula)" in shown
    assert [entry.kind for entry in entries if entry.kind == "creation"] == ["creation"]
    entry = next(entry for entry in entries if entry.kind == "creation")
    assert (str(entry.event.side), str(entry.event.site), str(entry.event.inflow)) == ("left", "wrist", "radial")
    assert entry.evidence.report == came["report"]
    assert '"Creation of Cimino fistula"' in other.ok("history P0001 --quotes").out

    # The hospital changes it, and then takes it back.
    file.write_text(json.dumps({**theirs, "meta": {"versionId": "2"}, "performedDateTime": "2024-03-05"}))
    changed = other.ok("fhir receive --json", file).json["reports"][0]
    file.write_text(json.dumps({**theirs, "status": "entered-in-error"}))
    gone = other.ok("fhir receive --json", file).json["reports"][0]

    assert changed["outcome"] == "stored"
    assert "correct" in other.ok(f"report show {changed['report']}").out
    assert gone["outcome"] == "withdrawn"
    assert other.ok("fhir receive --json", file).json["reports"][0]["outcome"] == "already"
    unreadable = other.ok("report list --state unreadable --json").json["reports"]
    assert came["report"][:10] in unreadable[0]["waits_for"]


def test_a_person_takes_facts_of_another_ledger_one_by_one(one, other, tmp_path):
    file = tmp_path / "out.json"
    file.write_text(one.ok("export P0001").out)
    looked = " ".join(other.run("fhir receive", file).out.split())

    screen = other.at_terminal(
        f"fhir receive {file} --one-by-one",
        [("1 of 3", ""), ("q to stop", "y\n"), ("q to stop", "n\n"), ("q to", "q\n")],
    )
    with other.open() as ledger:
        (entry,) = ledger.history("P0001").entries

    assert "new: P0001 creation, 2019-03-04" in looked
    assert "These were not recorded" in looked
    assert (entry.kind, entry.recorded_by.person, entry.recorded_by.how) == ("creation", "N1", "claimed")
    assert "2 of 3" in screen
    assert other.run("fhir receive --one-by-one", file).code == 1


def test_a_change_there_is_shown_beside_what_is_on_record(one, tmp_path):
    lines = [json.loads(line) for line in one.ok("export P0001 --as ndjson").out.splitlines()]
    creation = next(line for line in lines if line["resourceType"] == "Procedure")
    creation["performedDateTime"] = "2019-03-09"
    file = tmp_path / "changed.json"
    file.write_text(json.dumps(creation))

    shown = " ".join(one.run("fhir receive", file).out.split())

    assert "changed: P0001.1 creation" in shown
    assert "on record, 2019-03-04:" in shown
    assert "told, 2019-03-09: Corrected to:" in shown
