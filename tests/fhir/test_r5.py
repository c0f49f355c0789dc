"""The same facts in FHIR R5, against the R5 models of `fhir.resources`, which are generated from the standard."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from fhir_mapping.bundles import key_of
from fhir_mapping.r5 import r5_of, released
from fhir_mapping.resources import references_in, resources_of
from ledger.events import FACT_KINDS
from tests.examples import EXAMPLES, words
from tests.fhir.generated import histories
from tests.fhir.test_export import PEOPLE, SENDS_ALL, SITE
from tests.fhir.validators import r5_errors
from tests.lives import PATIENT, a_history, happening, retracted


def in_r5(history, site=SITE):
    return released(resources_of(history, PATIENT, site, words, PEOPLE), "R5", site)


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_both_examples_of_a_kind_are_valid_also_when_retracted(kind):
    history = a_history(*EXAMPLES[kind])

    problems = [problem for one in in_r5(history) for problem in r5_errors(one)]
    gone = retracted(history, history.entries[0].id)
    problems += [problem for one in in_r5(gone, SENDS_ALL) for problem in r5_errors(one)]

    assert problems == []


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_generated_histories_are_valid_and_their_references_hold(history):
    found = in_r5(history, SENDS_ALL)

    assert [problem for one in found for problem in r5_errors(one)] == []
    keys = {key_of(one) for one in found}
    assert {reference["reference"] for one in found for reference in references_in(one)} <= keys


def test_the_check_would_notice():
    found = in_r5(a_history(*EXAMPLES["visit"], *EXAMPLES["creation"]))
    encounter = next(one for one in found if one["resourceType"] == "Encounter")
    procedure = next(one for one in found if one["resourceType"] == "Procedure")

    assert r5_errors({**encounter, "status": "finished"})
    assert r5_errors({**procedure, "partOf": [{"reference": "Device/1"}]})
    assert r5_errors({**procedure, "performedDateTime": "2019"})


def test_what_is_called_otherwise_in_r5():
    # https://hl7.org/fhir/R5/procedure.html: occurrence[x], reason as CodeableReference; category repeats.
    history = a_history(
        happening("catheter-exchanged", "2019-01", access="A3", reason="poor-flow", old_device="D1", device="D2")
    )

    found = in_r5(history)

    procedure = next(one for one in found if one["resourceType"] == "Procedure")
    assert procedure["occurrenceDateTime"] == "2019-01"
    assert procedure["reason"][0]["concept"]["text"] == "poor flow"
    assert isinstance(procedure["category"], list)
    assert {one["resourceType"] for one in found} >= {"DeviceUsage", "Device", "BodyStructure"}


def test_r4_is_given_back_as_it_is():
    found = resources_of(a_history(*EXAMPLES["creation"]), PATIENT, SITE, words)

    assert released(found, "R4", SITE) is found


def test_an_identity_is_the_same_in_both_releases():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))

    for one in resources_of(history, PATIENT, SITE, words):
        changed = r5_of(one, SITE)
        assert changed["id"] == one["id"]
        assert changed.get("identifier") == one.get("identifier")
