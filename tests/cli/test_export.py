"""`export` and `fhir …`: the demonstration's facts as files, and what an engineer asks for before sending."""

from __future__ import annotations

import json
import os
import stat

import pytest

from ledger.entries import Draft, Signature
from ledger.people import Identifier
from tests.cli.conftest import MRN, Desk
from tests.lives import happening


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    desk = Desk(tmp_path_factory.mktemp("demo") / "ledger.sqlite", by=None)
    desk.ok("demo")
    return desk


def test_one_patient_is_one_transaction(demo):
    ran = demo.ok("export P0001 --check")

    bundle = json.loads(ran.out)
    assert bundle["type"] == "transaction"
    assert all(entry["request"]["method"] == "PUT" for entry in bundle["entry"])


def test_the_same_ledger_gives_the_same_bytes(demo):
    assert demo.ok("export --all").out == demo.ok("export --all").out


def test_everybody_passes_the_check_and_is_written_once(demo, tmp_path):
    ran = demo.ok("export --all --as ndjson --check --json --to", tmp_path / "out")

    said = ran.json
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert said["left_out"] == []
    assert {one["type"]: one["count"] for one in manifest["output"]} == said["resources"]
    for one in manifest["output"]:
        file = tmp_path / "out" / one["url"]
        lines = [json.loads(line) for line in file.read_text().splitlines()]
        assert {line["resourceType"] for line in lines} == {one["type"]}
        assert len({line["id"] for line in lines}) == one["count"]
        assert stat.S_IMODE(os.stat(file).st_mode) == 0o600


def test_an_export_overwrites_nothing(demo, tmp_path):
    demo.ok("export P0001 --to", tmp_path / "out")

    ran = demo.run("export P0001 --to", tmp_path / "out")

    assert ran.code == 1
    assert "overwrites nothing" in " ".join(ran.err.split())


def test_release_five_is_written_on_demand(demo):
    found = [json.loads(line) for line in demo.ok("export P0001 --as ndjson --fhir-release R5").out.splitlines()]

    assert any("occurrenceDateTime" in one for one in found if one["resourceType"] == "Procedure")


def test_since_gives_only_what_changed(demo):
    assert demo.ok("export --all --as ndjson --since 2999-01-01").out == ""
    assert demo.ok("export P0001 --as ndjson --since 1999-01-01").out == demo.ok("export P0001 --as ndjson").out


def test_no_name_and_no_report_leaves_unasked(demo):
    names = [line["name"] for line in demo.ok("patient list --json").json["patients"]]
    assert names

    text = demo.ok("export --all").out

    assert not any(name in text for name in names)
    assert '"data"' not in text
    assert any(name in demo.ok("export --all --create-patients").out for name in names)
    assert '"data"' in demo.ok("export --all --attach-text").out


@pytest.mark.parametrize(
    "line", ["export", "export P0001 --all", "export --all --as xml", "export --all --fhir-release R3"]
)
def test_what_is_asked_for_unclearly_is_said(demo, line):
    assert demo.run(line).code == 2


def test_a_record_that_was_joined_is_exported_under_the_survivor_and_names_it(empty):
    with empty.open() as ledger:
        for number in ("MRN-1", "MRN-2"):
            ledger.who.add_patient(
                name="Invented Patient", identifiers=(Identifier(system=MRN, value=number),), unit="U1", invented=True
            )
        by = Signature(person="N1")
        creation = happening("creation", "2019", access="A2", access_kind="fistula")
        ledger.append("P0002", [Draft(event=creation, source="s")], by=by)
        joined = happening("patients-are-one", "2023-05-06", other="P0002")
        ledger.append("P0001", [Draft(event=joined, source="s")], by=by)

    ran = empty.run("export P0002")
    found = [json.loads(line) for line in empty.ok("export --all --as ndjson").out.splitlines()]

    assert ran.code == 1
    assert "P0001" in ran.err
    procedures = [one for one in found if one["resourceType"] == "Procedure"]
    assert [one["subject"]["identifier"]["value"] for one in procedures] == ["MRN-1"]


def test_an_export_is_in_the_audit(demo):
    demo.ok("export P0002")

    assert "export" in demo.ok("audit P0002").out


def test_what_is_sent_is_listed_with_its_source(demo):
    found = demo.ok("fhir codes --json").json["codes"]

    assert {"79827002", "11504-8"} <= {one["code"] for one in found}
    assert all(one["source"] and one["verified"] for one in found)


def test_the_map_and_the_definitions_can_be_taken_away(demo, tmp_path):
    demo.ok("fhir definitions --to", tmp_path / "definitions")

    assert (tmp_path / "definitions" / "StructureDefinition-creation.json").is_file()
    assert "## creation" in demo.ok("fhir map").out


def test_the_settings_say_whose_identifiers_these_are(demo, tmp_path):
    file = tmp_path / "fhir.toml"
    file.write_text('[site]\nnamespace = "https://unit.example/ledger"\nleave_out = ["http://snomed.info/sct"]\n')

    text = demo.ok("export P0001 --settings", file).out

    assert "https://unit.example/ledger" in text
    assert "snomed" not in text
    assert "https://unit.example/ledger" in demo.ok("fhir settings --settings", file).out


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[site", "is not TOML"),
        ('[site]\nnamespace = "nothing"', "not an absolute URI"),
        ("[site]\nnonsense = 1", "nobody knows"),
        ("[sites]\n", "nobody knows"),
        ("[site]\nattach_text = 1", "neither true nor false"),
        ("[servers.a]\nbatch = 8", "names no url"),
        ('[servers.a]\nurl = "ftp://x"', "does not begin with https"),
        ('[servers.a]\nurl = "http://hospital.example/r4"', "unencrypted"),
        ('[servers.a]\nurl = "https://u:p@hospital.example/r4"', "password"),
        ('[servers.a]\nurl = "https://hospital.example/r4"\nway = "carrier-pigeon"', "none of"),
        ('[servers.a]\nurl = "https://hospital.example/r4"\nauth = "smart"', "client_id"),
        ('[servers.a]\nurl = "https://hospital.example/r4"\nauth = "bearer"', "token_env"),
        ('[servers.a]\nurl = "https://hospital.example/r4"\nbatch = -1', "positive"),
    ],
)
def test_a_settings_file_that_is_wrong_says_where(demo, tmp_path, text, what):
    file = tmp_path / "fhir.toml"
    file.write_text(text)

    ran = demo.run("export P0001 --settings", file)

    assert ran.code == 1
    assert what in " ".join(ran.err.split())
