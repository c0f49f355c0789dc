"""`send`, `fhir server`, `fhir status`, `fhir retry`, `fhir reconcile`: an engineer's Monday, as commands."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.conftest import Desk
from tests.fhir.peer import running
from tests.fhir.small_server import small_server


@pytest.fixture(scope="module")
def made_once(tmp_path_factory):
    desk = Desk(tmp_path_factory.mktemp("demo") / "ledger.sqlite", by=None)
    desk.ok("demo")
    return desk.file


@pytest.fixture
def demo(made_once, tmp_path):
    return Desk(Path(shutil.copy(made_once, tmp_path / "ledger.sqlite")), by=None)


def settings(tmp_path):
    return f"--settings {tmp_path / 'fhir.toml'}"


@pytest.mark.peer
def test_the_whole_demo_goes_then_nothing_then_a_retraction(demo, tmp_path):
    file = settings(tmp_path)
    with running() as peer:
        demo.ok(f"fhir server add hospital {peer.url} --create-patients --all-types {file}")
        told = demo.ok(f"fhir server test hospital {file}").out
        assert "conditional updates in transactions" in " ".join(told.split())
        would = demo.ok(f"send --to hospital --dry-run --json {file}").json["would_go"]
        assert peer.held() == []

        first = demo.ok(f"send --to hospital --json {file}").json
        writes = peer.writes()
        second = demo.ok(f"send --to hospital --json {file}").json

        assert first["accepted"] == len(would) > 500
        assert (first["refused"], first["held"], first["waiting"]) == ([], [], 0)
        assert (second["accepted"], peer.writes()) == (0, writes)
        exported = [json.loads(line) for line in demo.ok("export --all --as ndjson").out.splitlines()]
        there = {value_of(one) for one in peer.held()}
        assert {value_of(one) for one in exported if is_current(one)} <= there
        assert len([one for one in peer.held() if one["resourceType"] != "Patient"]) == first["accepted"]
        assert demo.ok(f"fhir status --to hospital --json {file}").json["resources"] == {"accepted": first["accepted"]}


def value_of(one):
    found = [each["value"] for each in one.get("identifier", []) if each["system"].startswith("urn:uuid:")]
    found += [each["code"] for each in one.get("meta", {}).get("tag", []) if each["system"].startswith("urn:uuid:")]
    return one["resourceType"], found[0]


def is_current(one):
    return "entered-in-error" not in json.dumps(one)


def test_a_server_is_named_once_and_shown(demo, tmp_path):
    file = settings(tmp_path)
    demo.ok(f"fhir server add hospital https://fhir.hospital.example/r4 --batch 4 {file}")

    listed = demo.ok(f"fhir server list --json {file}").json["servers"]
    again = demo.run(f"fhir server add hospital https://elsewhere.example/r4 {file}")

    assert [(one["name"], one["url"], one["batch"]) for one in listed] == [
        ("hospital", "https://fhir.hospital.example/r4", 4)
    ]
    assert again.code == 1
    assert "already" in again.err
    assert (tmp_path / "fhir.toml").stat().st_mode & 0o777 == 0o600


def test_a_server_that_nobody_named_is_said(demo, tmp_path):
    ran = demo.run(f"send --to nowhere {settings(tmp_path)}")

    assert ran.code == 1
    assert "no server named" in " ".join(ran.err.split())


def test_a_small_server_is_told_of_and_what_is_held_back_is_a_partial_success(demo, tmp_path):
    file = settings(tmp_path)
    with small_server() as server:
        demo.ok(f"fhir server add small {server.url} {file}")
        told = " ".join(demo.ok(f"fhir server test small {file}").out.split())
        assert "plain creates of Procedure and Observation" in told

        server.held.clear()
        ran = demo.run(f"send --to small --patient P0001 {file}")

        assert ran.code == 3
        assert "no patient of the server bears this number" in " ".join(ran.out.split())
        status = demo.ok(f"fhir status --to small --requests 5 {file}").out
        assert "held back" in status
        assert "small: 0" not in status


def test_a_server_that_does_not_answer_ends_with_one(demo, tmp_path, monkeypatch):
    file = settings(tmp_path)
    demo.ok(f"fhir server add gone http://127.0.0.1:9/r4 {file}")
    monkeypatch.setattr("time.sleep", lambda seconds: None)

    ran = demo.run(f"send --to gone --patient P0001 {file}")

    assert ran.code == 1
    assert "could not be reached" in " ".join(ran.err.split())


def test_reconcile_names_what_is_missing_and_lets_it_go_again(demo, tmp_path):
    file = settings(tmp_path)
    with small_server() as server:
        demo.ok(f"fhir server add small {server.url} {file}")
        demo.ok(f"send --to small --patient P0001 {file}")
        assert demo.ok(f"fhir reconcile --to small {file}").out.startswith("small holds everything")
        lost = next(key for key in server.held if key.startswith("Procedure/"))
        del server.held[lost]

        ran = demo.run(f"fhir reconcile --to small --json --again {file}")

        assert ran.code == 3
        assert [one["location"] for one in ran.json["differences"]] == [lost]
        before = len(server.of("Procedure"))
        demo.ok(f"send --to small --patient P0001 {file}")
        assert len(server.of("Procedure")) == before + 1


def test_retry_lets_the_held_back_go_again(demo, tmp_path):
    file = settings(tmp_path)
    with small_server() as server:
        demo.ok(f"fhir server add small {server.url} {file}")
        known = dict(server.held)
        server.held.clear()
        demo.run(f"send --to small --patient P0001 {file}")
        server.held.update(known)

        demo.ok(f"fhir retry --to small {file}")

        assert demo.ok(f"send --to small --patient P0001 {file} --json").json["accepted"] > 0
