"""Sending, against a real FHIR R4 server where there is one, and against a small one for what that cannot be.

The real server refuses invalid resources, takes at most eight conditional entries a transaction, and makes faults on
demand; see `peer.py`. Every test that names the peer is skipped, with the reason, where there is none.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import pytest

from fhir_mapping.elements import written
from fhir_mapping.outbox import ACCEPTED, HELD, IN_FLIGHT, REFUSED, Outbox, forget_words
from fhir_mapping.reconciling import differences
from fhir_mapping.resources import identifier_of
from fhir_mapping.sender import Sender, is_in_error
from fhir_mapping.servers import chosen_way, in_words, read_ability
from fhir_mapping.settings import Server, settings_for
from fhir_mapping.talking import Stopped, Talker, location_of, without_numbers
from ledger.entries import Draft, Signature, event_to_dict, replaced
from ledger.errors import WrongInput
from ledger.people import Identifier, Person, Unit
from ledger.store import open_ledger
from tests.examples import EXAMPLES
from tests.fhir.peer import running
from tests.fhir.small_server import small_server
from tests.lives import happening

MRN = "https://invented.example/mrn"
NUMBER = "MRN-0001"
BY = Signature(person="N1")
NOW = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)

VISIT = [
    happening("creation", "2019-03-04", access="A1", access_kind="fistula", side="left", site="wrist"),
    happening("visit", "2021-09-14", access="A1", visit="V1", outcome="done", reasons=["low-flow"]),
    happening("angiogram", "2021-09-14", access="A1", visit="V1", lesions=[{"lesion": "L1", "grade": "severe"}]),
    happening(
        "angioplasty",
        "2021-09-14",
        access="A1",
        visit="V1",
        lesions=[{"lesion": "L1", "residual_percent": {"value": "20", "comparator": "<"}}],
    ),
    happening("measurement", "2021-10-01", access="A1", flow_ml_min={"value": "812.50"}),
]


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(
        tmp_path / "ledger.sqlite",
        create=True,
        zone="Europe/London",
        uuid=UUID("6f0c3a52-5d4e-4d0a-9a55-0f7d6f3f3c11"),
        clock=lambda: NOW,
    ) as made:
        made.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/London", invented=True))
        made.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        made.who.add_patient(
            name="Invented Patient", identifiers=(Identifier(system=MRN, value=NUMBER),), unit="U1", invented=True
        )
        told(made, *VISIT)
        yield made


def told(ledger, *events, patient="P0001"):
    drafts = [
        Draft(event=event, source=f"hand-{ledger.history(patient).version}-{number}")
        for number, event in enumerate(events)
    ]
    return ledger.append(patient, drafts, by=BY).entries


def correct(ledger, wrong, patient="P0001", **changes):
    to = replaced(wrong.event, **changes)
    return told(
        ledger,
        happening("correction", str(to.happened), corrects=wrong.id, root=wrong.id, to=event_to_dict(to)),
        patient=patient,
    )[0]


def retract(ledger, wrong, patient="P0001"):
    return told(ledger, happening("retraction", "2026-01-05", retracts=wrong.id), patient=patient)[0]


class Waits(list):
    """How long the sender would have slept."""

    def __call__(self, seconds):
        self.append(seconds)


def a_sender(ledger, url, waits=None, **server):
    said = settings_for(ledger.uuid, None)
    options = {name: server.pop(name) for name in ("batch_now", "authentication", "tries") if name in server}
    made = Server(name="peer", url=url, **{"create_patients": True, "all_types": True, **server})
    return Sender(
        ledger,
        replace(said, servers={"peer": made}),
        made,
        sleep=Waits() if waits is None else waits,
        batch=options.get("batch_now"),
        tries=options.get("tries", 6),
    )


def sent(ledger, url, waits=None, **server):
    sender = a_sender(ledger, url, waits, **server)
    return sender.send(list(sender.exporter.patients()))


def arrived(ledger, url, **server):
    done = sent(ledger, url, **server)
    assert done.is_complete, (done.stopped, done.refused, done.held)
    return done


def plain(value):
    """A resource without what a server adds and without addresses, for comparing."""
    if isinstance(value, dict):
        return {
            name: plain(held)
            for name, held in value.items()
            if name not in ("reference", "id", "versionId", "lastUpdated", "author", "project", "compartment", "type")
            or (name == "type" and not isinstance(held, str))
        }
    return [plain(item) for item in value] if isinstance(value, list) else value


def assert_the_same_there(ledger, peer, patients=("P0001",)):
    """What the server holds is what the ledger says, fact by fact, and nothing besides."""
    sender = a_sender(ledger, peer.url)
    namespace = sender.site.namespace
    there = {}
    for one in peer.held():
        identifier = identifier_of(one, namespace)
        if identifier is not None:
            key = (one["resourceType"], identifier["value"])
            assert key not in there, f"doubled: {key}"
            there[key] = one
    wanted = set()
    for patient in patients:
        history, who = ledger.history(patient, sessions=True), ledger.who.patient(patient)
        for one in sender.exporter.resources(history, who):
            key = (one["resourceType"], identifier_of(one, namespace)["value"])
            if is_in_error(one) and key not in there:
                continue
            wanted.add(key)
            ours, theirs = plain(json.loads(written(one))), plain(there[key])
            for subject in ("subject", "patient", "for"):
                ours.pop(subject, None), theirs.pop(subject, None)
            assert dropped(ours) == dropped(theirs), key
    assert {key for key in there if key[0] != "Patient"} == wanted
    return there


def dropped(value):
    """Without references, which are addresses there and our own ids here."""
    if isinstance(value, dict):
        return {name: made for name, held in value.items() if (made := dropped(held)) not in ({}, [], None)}
    return [made for item in value if (made := dropped(item)) not in ({}, [])] if isinstance(value, list) else value


# --- Against the real server --------------------------------------------------------------------------------------


@pytest.mark.peer
def test_everything_arrives_once_and_a_second_send_sends_nothing(ledger):
    with running() as peer:
        first = arrived(ledger, peer.url)
        writes = peer.writes()
        second = arrived(ledger, peer.url)

        there = assert_the_same_there(ledger, peer)
        assert first.accepted == len(there) - 1  # The patient was made beside them.
        assert (second.accepted, second.unchanged_patients, peer.writes()) == (0, 1, writes)
        assert b'"value":812.5' in peer.control("dump")
        assert not [one for one in peer.asked() if one["method"] == "DELETE"]


@pytest.mark.peer
def test_every_kind_of_entry_is_taken_by_a_server_that_validates(ledger):
    facts = [event for kind in EXAMPLES for event in EXAMPLES[kind]]
    for number, fact in enumerate(facts):
        ledger.append("P0001", [Draft(event=fact, source=f"example-{number}")], by=BY, partly=True)
    kinds = {one.kind for one in ledger.history("P0001", sessions=True).facts}
    assert len(kinds) > 38

    with running() as peer:
        arrived(ledger, peer.url)

        assert_the_same_there(ledger, peer)


@pytest.mark.peer
def test_corrections_and_retractions_arrive_as_new_versions_at_the_same_address(ledger):
    creation, _, angiogram, _, measurement = ledger.history("P0001").entries
    with running() as peer:
        arrived(ledger, peer.url)
        before = {one["identifier"][0]["value"]: one["id"] for one in peer.held() if "identifier" in one}

        correct(ledger, creation, side="right")
        retract(ledger, measurement)
        correct(ledger, angiogram, lesions=[{"lesion": "L9"}])
        arrived(ledger, peer.url)

        there = assert_the_same_there(ledger, peer)
        assert there["Observation", measurement.id]["status"] == "entered-in-error"
        assert there["Observation", f"{angiogram.id}/lesion/L1"]["status"] == "entered-in-error"
        assert there["Observation", f"{angiogram.id}/lesion/L9"]["status"] == "amended"
        assert there["Procedure", creation.id]["bodySite"][0]["text"] == "right wrist"
        for value, address in before.items():
            kinds = [one for one in peer.held() if one["id"] == address]
            assert [one["identifier"][0]["value"] for one in kinds] == [value]


@pytest.mark.peer
def test_a_fact_that_changes_its_type_leaves_the_old_one_entered_in_error(ledger):
    measurement = ledger.history("P0001").entries[-1]
    with running() as peer:
        arrived(ledger, peer.url)

        told(
            ledger,
            happening(
                "correction",
                "2021-10-01",
                corrects=measurement.id,
                root=measurement.id,
                to={"kind": "thrombosis", "happened": "2021-10-01", "access": "A1"},
            ),
        )
        arrived(ledger, peer.url)

        there = assert_the_same_there(ledger, peer)
        assert there["Observation", measurement.id]["status"] == "entered-in-error"
        assert there["Condition", measurement.id]["verificationStatus"]["text"] == "Confirmed"


@pytest.mark.peer
def test_what_was_withdrawn_before_it_was_ever_sent_never_goes(ledger):
    retract(ledger, ledger.history("P0001").entries[-1])

    with running() as peer:
        arrived(ledger, peer.url)

        assert not any(is_in_error(one) for one in peer.held())


@pytest.mark.peer
@pytest.mark.parametrize("fault", ["status_503", "status_429", "drop", "trunc", "html"])
def test_every_fault_ends_with_everything_there_once(ledger, fault):
    waits = Waits()
    with running() as peer:
        peer.faults(**{fault: 2})

        done = sent(ledger, peer.url, waits)

        assert done.is_complete, done.stopped
        assert len(waits) >= 2
        assert_the_same_there(ledger, peer)


@pytest.mark.peer
def test_retry_after_is_kept_as_seconds_and_as_a_date(ledger):
    for said, expected in (("7", 7.0), ("date", None)):
        waits = Waits()
        with running(FAULT_429="1", RETRY_AFTER=said) as peer:
            sender = a_sender(ledger, peer.url, waits)
            sender.outbox.try_again()
            sender.send(["P0001"], everything=True)
        if expected is not None:
            assert waits[:1] == [expected]
        else:
            assert all(0 <= wait <= 3 for wait in waits[:1])


@pytest.mark.peer
def test_a_lost_answer_then_death_makes_no_duplicate_and_the_next_run_goes_on(ledger):
    with running() as peer:
        peer.faults(drop=1)
        first = sent(ledger, peer.url, tries=1)
        assert first.stopped is not None
        states = Outbox(ledger, "peer").counted()

        arrived(ledger, peer.url)

        assert states.get(IN_FLIGHT, 0) > 0 or peer.held("Patient")
        assert_the_same_there(ledger, peer)


@pytest.mark.peer
@pytest.mark.parametrize("fault", ["status_503", "drop", "trunc"])
def test_conditional_creates_and_updates_come_to_the_same(ledger, fault):
    with running() as peer:
        peer.faults(**{fault: 2})
        arrived(ledger, peer.url, way="conditional-create")
        correct(ledger, ledger.history("P0001").entries[0], side="right")
        arrived(ledger, peer.url, way="conditional-create")

        assert_the_same_there(ledger, peer)


@pytest.mark.peer
@pytest.mark.parametrize("batch", [1, 3, 8])
def test_references_survive_any_split(ledger, batch):
    with running(REQUIRE_REFS="1") as peer:
        arrived(ledger, peer.url, batch_now=batch)

        assert_the_same_there(ledger, peer)
        procedures = {one["identifier"][0]["value"]: one for one in peer.held("Procedure")}
        angioplasty = next(one for one in procedures.values() if "angioplasty" in one["code"]["text"])
        angiogram = next(one for one in procedures.values() if "angiogram" in one["code"]["text"])
        assert angioplasty["partOf"] == [{"reference": f"Procedure/{angiogram['id']}"}]


# --- Whose it is --------------------------------------------------------------------------------------------------


def a_patient(id, value=NUMBER):
    return {"resourceType": "Patient", "id": id, "identifier": [{"system": MRN, "value": value}]}


@pytest.mark.peer
def test_a_patient_that_the_server_knows_is_found_by_number_and_not_made(ledger):
    with running() as peer:
        peer.put(a_patient("known"))
        arrived(ledger, peer.url)

        assert [one["id"] for one in peer.held("Patient")] == ["known"]
        assert {one["subject"]["reference"] for one in peer.held("Procedure")} == {"Patient/known"}


@pytest.mark.peer
def test_an_unknown_patient_is_held_back_with_a_clear_word(ledger):
    with running() as peer:
        done = sent(ledger, peer.url, create_patients=False)

        assert [one.patient for one in done.held] == ["P0001"]
        assert "no patient of the server bears this number" in done.held[0].reason
        assert peer.held() == []
        peer.put(a_patient("known"))
        arrived(ledger, peer.url, create_patients=False)


@pytest.mark.peer
def test_two_patients_of_one_number_hold_this_one_back(ledger):
    with running() as peer:
        peer.put(a_patient("one"))
        peer.put(a_patient("two"))

        done = sent(ledger, peer.url)

        assert "several patients" in done.held[0].reason
        assert peer.held("Procedure") == []


@pytest.mark.peer
def test_a_map_of_patients_names_the_one(ledger, tmp_path):
    (tmp_path / "map.json").write_text('{"P0001": "Patient/mapped"}')
    with running() as peer:
        peer.put(a_patient("mapped", "another number"))
        arrived(ledger, peer.url, patients=str(tmp_path / "map.json"), create_patients=False)

        assert {one["subject"]["reference"] for one in peer.held("Procedure")} == {"Patient/mapped"}


@pytest.mark.peer
def test_joined_patients_are_sent_again_under_the_survivor(ledger):
    ledger.who.add_patient(
        name="Invented Again", identifiers=(Identifier(system=MRN, value="MRN-0002"),), unit="U1", invented=True
    )
    told(
        ledger,
        happening("catheter-placed", "2018-11-02", access="A2", access_kind="tunnelled-catheter"),
        patient="P0002",
    )
    with running() as peer:
        peer.put(a_patient("first"))
        peer.put(a_patient("second", "MRN-0002"))
        arrived(ledger, peer.url)
        subjects = Counter(one["subject"]["reference"] for one in peer.held("Procedure"))
        assert subjects["Patient/second"] == 1

        told(ledger, happening("patients-are-one", "2026-01-04", other="P0002"))
        arrived(ledger, peer.url)

        assert {one["subject"]["reference"] for one in peer.held("Procedure")} == {"Patient/first"}
        assert len(peer.held("Linkage")) == 1
        assert_the_same_there(ledger, peer)


def test_erased_words_leave_the_memory_and_what_was_sent(ledger):
    from ledger.store.upkeep import erase

    note = ledger.papers.typed("A word of the patient.", "P0001")
    told(ledger, replace(happening("thrombosis", "2022-01-10", access="A1"), note=note))
    with small_server() as server:
        arrived(ledger, server.url, **PLAIN)
        outbox = Outbox(ledger, "peer")
        one = next(outbox.with_state(ACCEPTED))
        outbox.put([replace(one, state=REFUSED, outcome='{"text": "A word of the patient."}')])

        forget_words(ledger, "P0001")
        erase(ledger, "P0001")
        server.held.pop("Patient/p1")  # Their number, by which they could be found, is gone as well.
        done = sent(ledger, server.url, **PLAIN)

        assert "A word" not in repr(list(outbox.with_state(REFUSED, ACCEPTED)))
        assert done.held == []


# --- Refusals -----------------------------------------------------------------------------------------------------


@pytest.mark.peer
@pytest.mark.parametrize("batch", [1, 8])
def test_a_refusal_is_kept_whole_holds_back_what_depends_on_it_and_can_be_retried(ledger, batch):
    ledger.who.add_patient(
        name="Invented Again", identifiers=(Identifier(system=MRN, value="MRN-0002"),), unit="U1", invented=True
    )
    told(ledger, happening("creation", "2020", access="A2", access_kind="fistula"), patient="P0002")
    namespace = f"urn:uuid:{ledger.uuid}"
    angiogram = ledger.history("P0001").entries[2]
    doubled = {
        "resourceType": "Procedure",
        "status": "completed",
        "subject": {"reference": "Patient/x"},
        "identifier": [{"system": namespace, "value": angiogram.id}],
    }
    with running() as peer:
        peer.put({**doubled, "id": "one"})
        peer.put({**doubled, "id": "two"})

        done = sent(ledger, peer.url, batch_now=batch)

        # Two resources of the server bear the identifier, so it refuses to update "the one".
        assert [(one.kind, one.value) for one in done.refused] == [("Procedure", angiogram.id)]
        assert json.loads(done.refused[0].outcome)["resourceType"] == "OperationOutcome"
        outbox = Outbox(ledger, "peer")
        held = {(one.kind, one.value) for one in outbox.with_state(HELD)}
        assert ("Observation", f"{angiogram.id}/lesion/L1") in held
        assert outbox.patient("P0002").state == ACCEPTED
        assert sent(ledger, peer.url).accepted == 0  # The same is not tried again by itself.

        peer.put({**doubled, "id": "two", "identifier": [{"system": namespace, "value": "elsewhere"}]})
        assert outbox.try_again() > 0
        arrived(ledger, peer.url)

        assert list(outbox.with_state(REFUSED, HELD)) == []


@pytest.mark.peer
def test_reconcile_finds_what_is_missing_doubled_and_changed_there(ledger):
    with running() as peer:
        arrived(ledger, peer.url)
        sender = a_sender(ledger, peer.url)
        with sender.talker:
            assert list(differences(sender)) == []
        creation = ledger.history("P0001").entries[0]
        procedure = next(one for one in peer.held("Procedure") if one["identifier"][0]["value"] == creation.id)
        peer.put({**procedure, "note": [{"text": "changed by somebody else"}]})
        structure = peer.held("BodyStructure")[0]
        peer.put({**structure, "id": "doubled"})

        sender = a_sender(ledger, peer.url)
        with sender.talker:
            found = {one.sent.kind: one for one in differences(sender)}
        assert {kind: one.difference for kind, one in found.items()} == {
            "Procedure": "changed-there",
            "BodyStructure": "several",
        }
        sender.outbox.forget_digests([found["Procedure"].sent])
        arrived(ledger, peer.url)

        assert all("note" not in one for one in peer.held("Procedure"))


# --- Who we are ---------------------------------------------------------------------------------------------------


@pytest.mark.peer
@pytest.mark.parametrize("algorithm", ["RS384", "ES384"])
def test_smart_backend_services_lets_us_in_and_a_token_that_ran_out_is_renewed(ledger, tmp_path, algorithm):
    keys_in(tmp_path, algorithm)
    server = {
        "auth": "smart",
        "client_id": "test-client",
        "key_file": str(tmp_path / "key.json"),
        "algorithm": algorithm,
    }
    with running(AUTH="1", AUTH_JWKS=str(tmp_path / "jwks.json"), AUTH_TTL="1") as peer:
        arrived(ledger, peer.url, **server)

        assert_there(peer)
        assert len([one for one in peer.asked() if one["url"] == "/token"]) > 1


@pytest.mark.peer
def test_a_key_that_the_server_does_not_know_ends_in_a_clear_word(ledger, tmp_path):
    keys_in(tmp_path, "RS384")
    (tmp_path / "jwks.json").write_text('{"keys": []}')
    with running(AUTH="1", AUTH_JWKS=str(tmp_path / "jwks.json")) as peer:
        done = sent(ledger, peer.url, auth="smart", client_id="test-client", key_file=str(tmp_path / "key.json"))

    assert "gives us no token" in done.stopped.problem


@pytest.mark.peer
def test_without_a_token_we_are_not_let_in(ledger, tmp_path):
    keys_in(tmp_path, "RS384")
    with running(AUTH="1", AUTH_JWKS=str(tmp_path / "jwks.json")) as peer:
        done = sent(ledger, peer.url)

    assert "does not let us in" in done.stopped.problem


@pytest.mark.peer
def test_a_bearer_token_is_read_anew_when_the_server_says_401(ledger, tmp_path):
    keys_in(tmp_path, "RS384")
    with running(AUTH="1", AUTH_JWKS=str(tmp_path / "jwks.json")) as peer:
        good = (
            a_sender(ledger, peer.url, auth="smart", client_id="test-client", key_file=str(tmp_path / "key.json"))
            .talker.authentication.headers()["Authorization"]
            .removeprefix("Bearer ")
        )
        token = tmp_path / "token"
        token.write_text("stale")
        sender = a_sender(ledger, peer.url, auth="bearer", token_file=str(token))
        token.write_text(good + "\n")

        done = sender.send(["P0001"])

        assert done.is_complete
    requests = "".join(map(repr, sender.outbox.requests(1000)))
    assert good not in requests


def keys_in(folder, algorithm):
    from joserfc.jwk import ECKey, RSAKey

    key = (
        RSAKey.generate_key(2048, {"kid": "k1", "alg": algorithm, "use": "sig"})
        if algorithm == "RS384"
        else ECKey.generate_key("P-384", {"kid": "k1", "alg": algorithm, "use": "sig"})
    )
    (folder / "key.json").write_text(json.dumps(key.as_dict(private=True)))
    (folder / "jwks.json").write_text(json.dumps({"keys": [key.as_dict(private=False)]}))


def assert_there(peer):
    assert len(peer.held("Procedure")) == 3


# --- On record, one at a time, dry --------------------------------------------------------------------------------


@pytest.mark.peer
def test_every_request_is_on_record_without_a_patients_number_or_words(ledger):
    with running() as peer:
        peer.faults(status_503=1)
        sender = a_sender(ledger, peer.url)
        sender.send(["P0001"])

        on_record = sender.outbox.requests(10_000)
        # The log is of the FHIR requests; the peer's own controls are not ours.
        assert len(on_record) == len([one for one in peer.asked() if not one["url"].startswith("/__ctl")])
        assert 503 in {one.status for one in on_record}
        text = repr(on_record)
        assert NUMBER not in text
        assert "Invented Patient" not in text


@pytest.mark.peer
def test_a_dry_run_says_what_would_go_and_asks_nothing(ledger):
    with running() as peer:
        before = len(peer.asked())
        first = a_sender(ledger, peer.url).would_go(["P0001"])
        assert len(peer.asked()) == before
        assert {one.why for one in first} == {"new"}

        arrived(ledger, peer.url)
        assert a_sender(ledger, peer.url).would_go(["P0001"]) == []
        retract(ledger, ledger.history("P0001").entries[-1])
        again = {(one.kind, one.why) for one in a_sender(ledger, peer.url).would_go(["P0001"])}
        assert again == {("Observation", "in-error"), ("Provenance", "new")}


def test_a_second_sender_is_turned_away_and_a_dead_one_keeps_no_lock(ledger, tmp_path):
    import subprocess
    import sys

    outbox = Outbox(ledger, "peer")
    with outbox.alone(), open_ledger(tmp_path / "ledger.sqlite") as other:
        with pytest.raises(WrongInput, match="Another process"), Outbox(other, "peer").alone():
            pass
        with Outbox(other, "elsewhere").alone():
            pass
    program = (
        "import os, sys; from ledger.store import open_ledger; from fhir_mapping.outbox import Outbox\n"
        "held = Outbox(open_ledger(sys.argv[1]), 'peer').alone(); held.__enter__(); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", program, str(tmp_path / "ledger.sqlite")], check=False)
    with outbox.alone():
        pass


# --- What a server can take ---------------------------------------------------------------------------------------


def a_statement(transaction=True, **abilities):
    return {
        "resourceType": "CapabilityStatement",
        "fhirVersion": "4.0.1",
        "rest": [
            {
                "mode": "server",
                "interaction": [{"code": "transaction"}] if transaction else [],
                "resource": [
                    {"type": kind, "interaction": [{"code": "create"}, {"code": "update"}], **abilities}
                    for kind in ("Procedure", "Observation")
                ],
            }
        ],
    }


@pytest.mark.parametrize(
    ("statement", "way"),
    [
        (a_statement(conditionalUpdate=True, conditionalCreate=True), "transaction"),
        (a_statement(transaction=False, conditionalUpdate=True, conditionalCreate=True), "conditional-create"),
        (a_statement(conditionalCreate=True), "conditional-create"),
        (a_statement(), "plain-create"),
        ({"rest": []}, "plain-create"),
        ({}, "plain-create"),
    ],
)
def test_the_way_is_chosen_by_what_the_server_says(statement, way):
    ability = read_ability(statement)

    server = Server(name="s", url="https://hospital.example/r4")
    assert chosen_way(server, ability) == way
    assert chosen_way(replace(server, way="plain-create"), ability) == "plain-create"
    assert "will be spoken to" in " ".join(in_words(server, ability, ["Procedure", "Task"]))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("https://h.example/r4/Procedure/17/_history/3", "Procedure/17"),
        ("Procedure/17", "Procedure/17"),
        ("/r4/Procedure/17", "Procedure/17"),
        ("https://h.example/r4/Procedure", None),
        (None, None),
    ],
)
def test_a_location_is_read_in_every_form(text, found):
    assert location_of(text) == found


def test_a_patients_number_is_not_logged():
    assert without_numbers("Patient?identifier=https://x%7CMRN-1") == "Patient?…"
    assert without_numbers("Procedure?patient=17&date=2019") == "Procedure?patient=…"
    assert without_numbers("Procedure?identifier=ns%7Ce-1") == "Procedure?identifier=ns%7Ce-1"


# --- Against the small server -------------------------------------------------------------------------------------


PLAIN = {"create_patients": False, "all_types": False}


def test_a_server_that_ignores_identifiers_gets_procedures_and_observations_once(ledger):
    with small_server() as server:
        done = arrived(ledger, server.url, **PLAIN)
        again = arrived(ledger, server.url, **PLAIN)

        assert (len(server.of("Procedure")), len(server.of("Observation"))) == (3, 3)
        assert (done.accepted, again.accepted) == (6, 0)
        assert {one["subject"]["reference"] for one in server.of("Procedure")} == {"Patient/p1"}


@pytest.mark.parametrize("when", ["lost-after", "lost-before"])
def test_after_a_lost_answer_a_plain_create_searches_before_it_sends_again(ledger, when):
    with small_server() as server:
        server.next_answers = ["", when, "", when]

        arrived(ledger, server.url, **PLAIN)

        assert (len(server.of("Procedure")), len(server.of("Observation"))) == (3, 3)
        assert any("patient=p1&date=" in path for method, path in server.asked if method == "GET")


def test_a_process_that_died_after_a_plain_create_searches_in_the_next_run(ledger):
    with small_server() as server:
        server.next_answers = ["lost-after"]
        sender = a_sender(ledger, server.url, **PLAIN)

        def dies(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        sender.talker.sleep = dies
        import fhir_mapping.sender as module

        original = module._Carrier._like
        module._Carrier._like = dies  # type: ignore[assignment]
        try:
            with pytest.raises(KeyboardInterrupt):
                sender.send(["P0001"])
        finally:
            module._Carrier._like = original  # type: ignore[method-assign]
        assert [one.state for one in Outbox(ledger, "peer").with_state(IN_FLIGHT)] == [IN_FLIGHT]

        arrived(ledger, server.url, **PLAIN)

        assert (len(server.of("Procedure")), len(server.of("Observation"))) == (3, 3)


def test_a_plain_server_that_takes_updates_gets_the_correction_at_its_address(ledger):
    with small_server() as server:
        arrived(ledger, server.url, **PLAIN)
        retract(ledger, ledger.history("P0001").entries[-1])
        arrived(ledger, server.url, **PLAIN)

        assert Counter(one["status"] for one in server.of("Observation")) == {"final": 2, "entered-in-error": 1}


def test_a_plain_server_that_takes_no_updates_says_so_in_the_refusal(ledger):
    with small_server() as server:
        server.updates = False
        arrived(ledger, server.url, **PLAIN)
        retract(ledger, ledger.history("P0001").entries[-1])

        done = sent(ledger, server.url, **PLAIN)

        assert "takes no changes" in done.refused[0].outcome


def test_a_redirect_a_web_page_and_nobody_end_in_clear_words(ledger):
    with small_server() as server:
        server.next_answers = ["redirect"]
        assert "another address" in sent(ledger, server.url, **PLAIN).stopped.problem
        server.next_answers = ["page"]
        assert "not FHIR" in sent(ledger, server.url, **PLAIN).stopped.problem
        arrived(ledger, server.url, **PLAIN)
        url = server.url
    told(ledger, happening("thrombosis", "2022", access="A1"))
    waits = Waits()
    stopped = sent(ledger, url, waits, **PLAIN).stopped
    assert "could not be reached" in stopped.problem
    assert len(waits) == 5


def test_a_certificate_that_nobody_trusts_is_said_and_one_that_is_named_is_taken(ledger, tmp_path):
    certificate = tmp_path / "server.pem"
    made_certificate(certificate)
    with small_server(certificate) as server:
        stopped = sent(ledger, server.url, **PLAIN).stopped
        assert "certificate" in stopped.problem.lower()

        arrived(ledger, server.url, ca_file=str(certificate), **PLAIN)


def made_certificate(file):
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "invented")])
    from ipaddress import ip_address

    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    file.write_bytes(
        made.public_bytes(serialization.Encoding.PEM)
        + key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )


def test_a_resource_that_fails_our_own_check_holds_its_patient_back_and_nothing_leaves(ledger, monkeypatch):
    with small_server() as server:
        monkeypatch.setattr("fhir_mapping.sender.gate", lambda resource, release: ["Procedure.status: missing"])

        done = sent(ledger, server.url, **PLAIN)

        assert "own check" in done.held[0].reason
        assert [method for method, _ in server.asked if method != "GET"] == []


@pytest.mark.parametrize(("asked", "seconds"), [("12", 12.0), ("Mon, 05 Jan 2026 08:00:30 GMT", 30.0), ("soon", 1.0)])
def test_retry_after_is_read_as_seconds_and_as_a_date(asked, seconds):
    # RFC 9110, 10.2.3
    class Nobody:
        def headers(self):
            return {}

        def renew(self):
            return False

    talker = Talker(
        Server(name="s", url="https://hospital.example/r4"), Nobody(), lambda attempt: None, clock=lambda: NOW
    )

    assert talker._asked_s(asked) == seconds
    with pytest.raises(Stopped, match="asks to wait"):
        talker._wait(0, "86400")
