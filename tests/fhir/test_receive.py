"""The way back: what goes out comes in as the same facts, for every kind, and into a ledger as the same state.

Oracle: the facts that went out. Words come back as words, ids of entries as the ids that these have in the new ledger.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from decimal import Decimal
from uuid import UUID

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fhir_mapping.bundles import bundle_of
from fhir_mapping.elements import written
from fhir_mapping.receiver import (
    KeptWords,
    in_words,
    proposals_for,
    received_from,
    resources_in,
    take_over,
)
from fhir_mapping.resources import one_a_root, resources_of
from fhir_mapping.site import Site
from ledger.entries import Draft, Signature, event_to_dict, replaced, validated
from ledger.events import FACT_KINDS
from ledger.people import Identifier, Person, Unit
from ledger.projections.rows import rows_of
from ledger.store import open_ledger
from ledger.vocabulary import ConfirmedHow
from tests.examples import EXAMPLES, TEXTS, words
from tests.fhir.generated import histories
from tests.fhir.test_export import PEOPLE, SENDS_ALL, SITE
from tests.lives import PATIENT, a_history, corrected, happening, retracted

NOW = datetime(2026, 1, 15, 8, 0, tzinfo=UTC)
RULE = Signature(person="N1", how=ConfirmedHow.BY_RULE)


class Kept(dict):
    """Texts that came in, by an id of their own."""

    def __call__(self, said):
        name = f"t-in-{len(self)}"
        self[name] = said
        return {"text": name, "start": 0, "end": len(said)}

    def words(self, where):
        text = self.get(where.text, TEXTS.get(where.text))
        return None if text is None else text[where.start : where.end]


def over_the_wire(resources):
    """As bytes and back, decimals kept."""
    return [json.loads(written(one), parse_float=Decimal) for one in resources]


def facts_out(history):
    """What a history says: by root, with effective access, words as words, without characters that FHIR cannot hold.

    Whom to call is another person's name and number, and does not leave the ledger.
    """
    return {
        one.root: without_contact(
            in_words(
                one.fact
                if one.access == getattr(one.fact, "access", one.access)
                else replace(one.fact, access=one.access),
                words,
            )
        )
        for one in one_a_root(history.facts)
    }


def without_contact(said):
    if said["kind"] == "background":
        for item in said["items"]:
            if item["what"] == "contact":
                item.pop("words", None)
    return said


def facts_in(resources):
    kept = Kept()
    found = received_from(resources, kept)
    assert found.not_read == []
    return {one.root: in_words(validated(one.said), kept.words) for one in found.facts if one.said is not None}


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_both_examples_of_a_kind_come_back_as_they_went(kind):
    history = a_history(*EXAMPLES[kind])

    for site in (SITE, SENDS_ALL):
        resources = over_the_wire(resources_of(history, PATIENT, site, words, PEOPLE))

        assert facts_in(resources) == facts_out(history)


def test_of_two_corrections_that_both_hold_the_one_recorded_last_speaks():
    history = a_history(happening("thrombosis", "2022-01-10", access="A1"))
    first = corrected(history, history.entries[0].id, happening("thrombosis", "2022-01-11", access="A1"))
    gone = retracted(first, first.entries[1].id)
    second = corrected(gone, gone.entries[0].id, happening("thrombosis", "2022-01-12", access="A1"))
    both = retracted(second, second.entries[2].id)
    assert len(both.facts) == 2

    resources = over_the_wire(resources_of(both, PATIENT, SITE, words, PEOPLE))

    assert [fact["happened"] for fact in facts_in(resources).values()] == ["2022-01-12"]


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_generated_histories_of_every_kind_come_back_as_they_went(history):
    resources = over_the_wire(resources_of(history, PATIENT, SITE, words, PEOPLE))

    assert facts_in(resources) == facts_out(history)


@pytest.mark.slow
@settings(max_examples=10_000, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_ten_thousand_generated_histories_come_back_as_they_went(history):
    resources = over_the_wire(resources_of(history, PATIENT, SITE, words, PEOPLE))

    assert facts_in(resources) == facts_out(history)


def test_a_transaction_comes_back_too():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))
    bundle = json.loads(
        written(bundle_of(resources_of(history, PATIENT, SENDS_ALL, words), SENDS_ALL)), parse_float=Decimal
    )

    found = received_from(resources_in(bundle), Kept())

    assert len(found.facts) == len(history.facts)
    assert found.foreign == []
    assert {("https://invented.example/mrn", "MRN-0001")} <= set(found.facts[0].subjects)


def test_what_is_taken_back_comes_in_as_taken_back():
    history = a_history(*EXAMPLES["thrombosis"])

    found = received_from(
        over_the_wire(resources_of(retracted(history, history.entries[0].id), PATIENT, SITE, words)), Kept()
    )

    assert [one.said is None for one in sorted(found.facts, key=lambda one: one.said is None)] == [False, True]


def test_what_is_not_ours_is_told_apart():
    theirs = {
        "resourceType": "Procedure",
        "id": "1",
        "identifier": [{"system": "https://hospital.example", "value": "7"}],
        "status": "completed",
        "code": {"text": "something"},
    }

    found = received_from([theirs], Kept())

    assert (found.facts, found.foreign) == ([], [theirs])


def test_a_resource_of_ours_that_somebody_broke_is_named_and_stops_nothing():
    history = a_history(*EXAMPLES["creation"], *EXAMPLES["measurement"])
    resources = over_the_wire(resources_of(history, PATIENT, SITE, words))
    procedure = next(one for one in resources if one["resourceType"] == "Procedure")
    own = next(one for one in procedure["extension"] if one["url"].endswith("/creation"))
    next(one for one in own["extension"] if one["url"] == "access-kind").pop("valueCodeableConcept")

    found = received_from(resources, Kept())

    assert found.not_read == [
        (f"Procedure {history.entries[0].id}", "access-kind is not told in the way that it is sent")
    ]
    assert len(found.facts) == 3


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)
@given(histories(most=4), st.randoms(use_true_random=False))
def test_damaged_resources_never_crash_the_reader(history, chance):
    resources = over_the_wire(resources_of(history, PATIENT, SITE, words, PEOPLE))
    for one in resources:
        damage(one, chance)

    received_from(resources, Kept())


def damage(value, chance):
    if isinstance(value, dict):
        for name in list(value):
            if name in ("resourceType", "identifier", "meta", "tag", "system", "code"):
                continue
            if chance.random() < 0.05:
                value[name] = chance.choice([None, 1, "x", [], {}])
            else:
                damage(value[name], chance)
    elif isinstance(value, list):
        for item in value:
            damage(item, chance)


# --- Into a ledger ------------------------------------------------------------------------------------------------


def a_ledger(where, number):
    made = open_ledger(where, create=True, zone="Europe/Berlin", uuid=UUID(int=number), clock=lambda: NOW)
    made.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
    made.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
    made.who.add_patient(
        name="Invented Patient",
        identifiers=(Identifier(system="https://invented.example/mrn", value="MRN-0001"),),
        unit="U1",
        invented=True,
    )
    return made


def receive(ledger, resources):
    kept = KeptWords()
    found = received_from(resources, kept)
    assert found.not_read == []
    return proposals_for(ledger, f"urn:uuid:{ledger.uuid}", found.facts, kept), kept


def take(ledger, resources, what=("new", "known", "changed", "withdrawn")):
    proposals, kept = receive(ledger, resources)
    return take_over(ledger, [one for one in proposals if one.what in what], RULE, kept)


def sent_of(ledger):
    site = Site(namespace=f"urn:uuid:{ledger.uuid}")
    history = ledger.history("P0001", sessions=True)
    return over_the_wire(resources_of(history, ledger.who.patient("P0001"), site, ledger.papers.words))


STORY = [
    happening("catheter-placed", "2018-11-02T09:40", access="A2", access_kind="tunnelled-catheter", device="D1"),
    happening("creation", "2019-03-04", access="A1", access_kind="fistula", side="left", site="wrist"),
    happening("first-cannulation", "2019-06-24", access="A1", gauge=17),
    happening("catheter-removed", "2019-07", access="A2", reason="no-longer-needed", device="D1"),
    happening("referral", "2021-09-09", access="A1", why=["low-flow"]),
    happening("visit", "2021-09-14", access="A1", visit="V1", outcome="done"),
    happening("angiogram", "2021-09-14", access="A1", visit="V1", lesions=[{"lesion": "L1", "grade": "severe"}]),
    happening(
        "angioplasty",
        "2021-09-14",
        access="A1",
        visit="V1",
        lesions=[{"lesion": "L1", "balloons": [{"diameter_mm": {"value": "7"}}], "residual_percent": {"value": "10"}}],
    ),
    happening("thrombosis", "2022-01-10", access="A1"),
    happening("abandonment", "2022-02", access="A1", how="given-up"),
]


@pytest.fixture
def two(tmp_path):
    with a_ledger(tmp_path / "one.sqlite", 1) as one, a_ledger(tmp_path / "two.sqlite", 2) as other:
        note = one.papers.typed("Clot felt by the nurse.", "P0001")
        story = [replace(event, note=note) if event.kind == "thrombosis" else event for event in STORY]
        one.append("P0001", [Draft(event=event, source=f"s{n}") for n, event in enumerate(story)], by=RULE)
        yield one, other


def test_what_one_ledger_sends_an_empty_one_takes_over_as_the_same_state_and_history(two):
    one, other = two

    added, refused = take(other, sent_of(one))

    assert (added, refused) == (len(STORY), [])
    assert state_of(other) == state_of(one)
    assert plain_facts(other) == plain_facts(one)
    assert any(fact.get("note") == "Clot felt by the nurse." for fact in plain_facts(other))
    assert {entry.recorded_by.how for entry in other.history("P0001").entries} == {ConfirmedHow.BY_RULE}


def test_what_was_taken_over_rests_on_the_resources_and_shows_their_words(two):
    one, other = two

    take(other, sent_of(one))

    entries = other.history("P0001").entries
    for entry in entries:
        report = other.papers.report(entry.evidence.report)
        assert (report.state, report.patient) == ("confirmed", "P0001")
        assert other.papers.original(report).startswith(b'{"resourceType":"Bundle"')
        assert 0 < len(entry.evidence.quotes) <= 6
    assert len({entry.evidence.report for entry in entries}) == 1
    angioplasty = next(entry for entry in entries if entry.kind == "angioplasty")
    said = [other.papers.words(quote) for quote in angioplasty.evidence.quotes]
    assert "angioplasty" in said[0]
    assert any("7 mm" in words for words in said)
    text = other.papers.text(angioplasty.evidence.quotes[0].text)
    assert "performedDateTime: 2021-09-14" in text


def test_a_correction_and_a_retraction_rest_on_the_resource_that_said_so(two):
    one, other = two
    take(other, sent_of(one))
    thrombosis = next(entry for entry in one.history("P0001").entries if entry.kind == "thrombosis")
    gone = validated({"kind": "retraction", "happened": "2026-01-10", "retracts": thrombosis.id})
    one.append("P0001", [Draft(event=gone, source="r")], by=RULE)

    take(other, sent_of(one))

    entry = other.history("P0001").entries[-1]
    assert entry.kind == "retraction"
    assert "entered-in-error" in other.papers.text(entry.evidence.quotes[0].text)


def state_of(ledger):
    """The five facts of each access, without the ids of entries, which are another ledger's own."""
    return re.sub(r"[0-9a-f]{8}-[0-9a-f-]{27}", "…", repr(rows_of(ledger.history("P0001"))))


def plain_facts(ledger):
    return [in_words(one.fact, ledger.papers.words) for one in ledger.history("P0001", sessions=True).facts]


def test_taking_it_over_again_adds_nothing(two):
    one, other = two
    take(other, sent_of(one))

    again, _ = receive(other, sent_of(one))

    assert {proposal.what for proposal in again} == {"known"}
    assert take(other, sent_of(one)) == (0, [])


def test_a_change_comes_as_a_correction_and_a_withdrawal_as_a_retraction(two):
    one, other = two
    take(other, sent_of(one))
    creation = next(entry for entry in one.history("P0001").entries if entry.kind == "creation")
    thrombosis = next(entry for entry in one.history("P0001").entries if entry.kind == "thrombosis")
    right = validated(
        {
            "kind": "correction",
            "happened": "2019-03-05",
            "corrects": creation.id,
            "root": creation.id,
            "to": event_to_dict(replaced(creation.event, happened="2019-03-05")),
        }
    )
    gone = validated({"kind": "retraction", "happened": "2026-01-10", "retracts": thrombosis.id})
    one.append("P0001", [Draft(event=right, source="c"), Draft(event=gone, source="r")], by=RULE)

    proposals, _ = receive(other, sent_of(one))
    assert sorted(one.what for one in proposals if one.what != "known") == ["changed", "withdrawn"]
    take(other, sent_of(one))

    assert plain_facts(other) == plain_facts(one)
    assert {proposal.what for proposal in receive(other, sent_of(one))[0]} == {"known"}


def test_our_own_resources_coming_back_are_recognised(two):
    one, _ = two

    proposals, _ = receive(one, sent_of(one))

    assert {proposal.what for proposal in proposals} == {"known"}
    assert len(proposals) == len(STORY)


def test_our_own_resource_that_was_changed_there_proposes_a_correction(two):
    one, _ = two
    resources = sent_of(one)
    procedure = next(r for r in resources if r["resourceType"] == "Procedure" and "creation" in r["code"]["text"])
    procedure["performedDateTime"] = "2019-03-09"

    proposals = [proposal for proposal in receive(one, resources)[0] if proposal.what != "known"]

    assert [proposal.what for proposal in proposals] == ["changed"]
    assert proposals[0].draft.event.to.happened == "2019-03-09"


def test_a_patient_whom_the_ledger_does_not_know_waits(tmp_path, two):
    one, _ = two
    with open_ledger(tmp_path / "three.sqlite", create=True, uuid=UUID(int=3), clock=lambda: NOW) as third:
        proposals, _ = receive(third, sent_of(one))

    assert {proposal.what for proposal in proposals} == {"unknown-patient"}


def test_what_admission_refuses_is_handed_back_with_its_reason(two):
    one, other = two
    other.append(
        "P0001",
        [Draft(event=happening("creation", "2018", access="A1", access_kind="graft"), source="before")],
        by=RULE,
    )

    added, refused = take(other, sent_of(one))

    assert added == len(STORY) - len(refused) > 0
    assert any(proposal.received.kind == "creation" for proposal, _ in refused)
    assert all(reason for _, reason in refused)
