"""What US Core asks of a Procedure and an Observation, of every one that we send.

Source: US Core 9.0.0, profiles us-core-procedure, us-core-simple-observation and us-core-observation-clinical-result:
the elements that are mandatory, and the invariants us-core-2, us-core-3 and us-core-7. The profiles themselves are not
at hand, so the requirements are written out here; `meta.profile` therefore claims nothing.
"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from fhir_mapping.resources import resources_of
from ledger.events import FACT_KINDS
from tests.examples import EXAMPLES, words
from tests.fhir.generated import histories
from tests.fhir.test_export import PEOPLE, SENDS_ALL, SITE
from tests.lives import PATIENT, a_history


def problems_of_procedure(one):
    missing = [name for name in ("status", "code", "subject") if name not in one]
    # us-core-7: Performed SHALL be present if the status is 'completed' or 'in-progress'.
    if one["status"] in ("completed", "in-progress") and not any(name.startswith("performed") for name in one):
        missing.append("performed[x]")
    if not one["code"].get("coding") and not one["code"].get("text"):
        missing.append("code.coding or code.text")
    return missing


def problems_of_observation(one):
    missing = [name for name in ("status", "category", "code", "subject") if not one.get(name)]
    has_value = any(name.startswith("value") for name in one)
    # us-core-2: without component or hasMember, either a value[x] or a data absent reason.
    if not (one.get("component") or one.get("hasMember") or has_value or one.get("dataAbsentReason")):
        missing.append("value[x], dataAbsentReason, component or hasMember")
    if "effectiveDateTime" not in one:
        missing.append("effective[x]")
    # us-core-3: a quantity with a code has its system.
    quantity = one.get("valueQuantity", {})
    if "code" in quantity and quantity.get("system") != "http://unitsofmeasure.org":
        missing.append("valueQuantity.system")
    known = {"procedure", "exam", "imaging", "laboratory", "survey", "therapy", "social-history", "vital-signs"}
    if not {c["code"] for each in one["category"] for c in each["coding"]} & known:
        missing.append("a category of the list")
    return missing


CHECKS = {"Procedure": problems_of_procedure, "Observation": problems_of_observation}


def problems(history, site):
    found = resources_of(history, PATIENT, site, words, PEOPLE)
    return [
        f"{one['resourceType']}: {problem}"
        for one in found
        if one["resourceType"] in CHECKS
        for problem in CHECKS[one["resourceType"]](one)
    ]


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_both_examples_of_a_kind_fulfil_what_us_core_asks(kind):
    assert problems(a_history(*EXAMPLES[kind]), SITE) == []


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_generated_histories_fulfil_it_too(history):
    assert problems(history, SENDS_ALL) == []


def test_the_check_would_notice():
    found = resources_of(a_history(*EXAMPLES["angioplasty"]), PATIENT, SITE, words)
    procedure = next(one for one in found if one["resourceType"] == "Procedure")
    observation = next(one for one in found if one["resourceType"] == "Observation")

    assert problems_of_procedure({name: held for name, held in procedure.items() if name != "performedDateTime"})
    assert problems_of_observation({**observation, "category": []} | {"category": [{"coding": []}]})


def test_a_device_that_was_implanted_stands_in_focal_device():
    # US Core 9.0.0: an implantable device SHOULD be in focalDevice; Device.type is mandatory.
    found = resources_of(a_history(*EXAMPLES["stent"]), PATIENT, SITE, words)

    devices = [one for one in found if one["resourceType"] == "Device"]
    procedures = [one for one in found if one["resourceType"] == "Procedure" and "focalDevice" in one]
    named = {each["manipulated"]["reference"] for one in procedures for each in one["focalDevice"]}
    assert {f"Device/{one['id']}" for one in devices} == named
    assert all(one["type"]["text"] for one in devices)
