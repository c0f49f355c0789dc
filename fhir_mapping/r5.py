"""The same resources in FHIR R5 (5.0.0), for receivers that speak it.

R4 is what is mapped; this module says what is called or shaped otherwise in R5, one function a type of resource, after
https://hl7.org/fhir/R5/diff.html. Identifiers, ids and references stay, so a receiver that moves from one release to
the other keeps its identities. What R5 asks for and nobody recorded is said to be unknown, never made up.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from fhir_mapping.elements import DATA_ABSENT, Element, Resource, without_unknown
from fhir_mapping.site import Site

Release = Literal["R4", "R5"]


def released(resources: list[Resource], release: Release, site: Site) -> list[Resource]:
    """The resources in a release of FHIR. R4 is given back as it is."""
    return resources if release == "R4" else [r5_of(resource, site) for resource in resources]


def r5_of(resource: Resource, site: Site) -> Resource:
    """An R4 resource of ours as R5."""
    change = _CHANGES.get(resource["resourceType"])
    made = dict(resource)
    if change is not None:
        change(made, site)
    renamed: Resource = without_unknown(_with_new_addresses(made))
    return renamed


def _with_new_addresses(value: Any) -> Any:
    """References to a type that has another name in R5."""
    if isinstance(value, dict):
        made = {name: _with_new_addresses(held) for name, held in value.items()}
        reference = made.get("reference")
        if isinstance(reference, str) and reference.startswith("DeviceUseStatement/"):
            made["reference"] = "DeviceUsage/" + reference.split("/", 1)[1]
        if made.get("type") == "DeviceUseStatement":
            made["type"] = "DeviceUsage"
        return made
    if isinstance(value, list):
        return [_with_new_addresses(held) for held in value]
    return value


def _moved(made: Resource, old: str, new: str) -> None:
    for before, after in ((old, new), (f"_{old}", f"_{new}")):
        if before in made:
            made[after] = made.pop(before)


def _either(made: Resource, concepts: str, references: str, new: str) -> None:
    """Two lists become one of CodeableReferences."""
    found = [{"concept": concept} for concept in made.pop(concepts, ())]
    found += [{"reference": reference} for reference in made.pop(references, ())]
    if found:
        made[new] = found


def _procedure(made: Resource, site: Site) -> None:
    _moved(made, "performedDateTime", "occurrenceDateTime")
    _either(made, "reasonCode", "reasonReference", "reason")
    _either(made, "complication", "complicationDetail", "complication")
    _either(made, "usedCode", "usedReference", "used")
    if "category" in made:
        made["category"] = [made["category"]]


def _device(made: Resource, site: Site) -> None:
    made["name"] = [{"value": one["name"], "type": one["type"]} for one in made.pop("deviceName", ())]
    if "type" in made:
        made["type"] = [made["type"]]
    properties: list[Element] = []
    for one in made.pop("property", ()):
        properties += [{"type": one["type"], "valueQuantity": held} for held in one.get("valueQuantity", ())]
        properties += [{"type": one["type"], "valueCodeableConcept": held} for held in one.get("valueCode", ())]
    made["property"] = properties
    # Whose it is stands in the DeviceUsage.
    made.pop("patient", None)


def _device_use(made: Resource, site: Site) -> None:
    made["resourceType"] = "DeviceUsage"
    _moved(made, "subject", "patient")
    made["device"] = {"reference": made["device"]}
    if "bodySite" in made:
        made["bodySite"] = {"concept": made["bodySite"]}


def _body_structure(made: Resource, site: Site) -> None:
    location = made.pop("location", None)
    qualifier = made.pop("locationQualifier", None)
    structure = location or {"extension": [{"url": DATA_ABSENT, "valueCode": "unknown"}]}
    made["includedStructure"] = [{"structure": structure, "laterality": qualifier[0] if qualifier else None}]


def _provenance(made: Resource, site: Site) -> None:
    reasons = made.pop("reason", ())
    if reasons:
        made["authorization"] = [{"concept": reason} for reason in reasons]


def _condition(made: Resource, site: Site) -> None:
    if "clinicalStatus" not in made:
        coding = site.codes.coding("r5/condition-clinical/unknown")
        made["clinicalStatus"] = {"coding": [coding], "text": coding["display"]}
    evidence: list[Element] = []
    for one in made.pop("evidence", ()):
        evidence += [{"concept": held} for held in one.get("code", ())]
        evidence += [{"reference": held} for held in one.get("detail", ())]
    if evidence:
        made["evidence"] = evidence


def _encounter(made: Resource, site: Site) -> None:
    made["status"] = {"finished": "completed"}.get(made["status"], made["status"])
    made["class"] = [{"coding": [made["class"]]}]
    _moved(made, "period", "actualPeriod")
    reasons = made.pop("reasonCode", ())
    if reasons:
        made["reason"] = [{"value": [{"concept": reason}]} for reason in reasons]
    if "participant" in made:
        made["participant"] = [{"type": one.get("type"), "actor": one.get("individual")} for one in made["participant"]]


def _service_request(made: Resource, site: Site) -> None:
    made["code"] = {"concept": made["code"]}
    details = made.pop("orderDetail", ())
    if details:
        made["orderDetail"] = [
            {"parameter": [{"code": {"text": "question"}, "valueString": one["text"]}]} for one in details
        ]
    _either(made, "reasonCode", "reasonReference", "reason")
    information = made.pop("supportingInfo", ())
    if information:
        made["supportingInfo"] = [{"reference": reference} for reference in information]
    instruction = made.pop("patientInstruction", None)
    if instruction:
        made["patientInstruction"] = [{"instructionMarkdown": instruction}]


def _appointment(made: Resource, site: Site) -> None:
    _moved(made, "cancelationReason", "cancellationReason")
    made["serviceType"] = [{"concept": concept} for concept in made.get("serviceType", ())]
    comment = made.pop("comment", None)
    if comment:
        made["note"] = [{"text": comment}]


def _care_plan(made: Resource, site: Site) -> None:
    activities = made.pop("activity", ())
    # R5 keeps activities in requests of their own; what was planned stays readable here.
    said = "; ".join(one["detail"]["description"] for one in activities)
    if said:
        made["description"] = said


def _task(made: Resource, site: Site) -> None:
    concept = made.pop("reasonCode", None)
    reference = made.pop("reasonReference", None)
    made["reason"] = [
        *([{"concept": concept}] if concept else ()),
        *([{"reference": reference}] if reference else ()),
    ]


def _medication_statement(made: Resource, site: Site) -> None:
    if made["status"] != "entered-in-error":
        made["status"] = "recorded"
    made["medication"] = {"concept": made.pop("medicationCodeableConcept")}
    _either(made, "reasonCode", "reasonReference", "reason")


_CHANGES: dict[str, Callable[[Resource, Site], None]] = {
    "Procedure": _procedure,
    "Device": _device,
    "DeviceUseStatement": _device_use,
    "BodyStructure": _body_structure,
    "Provenance": _provenance,
    "Condition": _condition,
    "Encounter": _encounter,
    "ServiceRequest": _service_request,
    "Appointment": _appointment,
    "CarePlan": _care_plan,
    "Task": _task,
    "MedicationStatement": _medication_statement,
}
"""AllergyIntolerance, DocumentReference, EpisodeOfCare, Flag, Linkage, Observation and Patient are as in R4."""
