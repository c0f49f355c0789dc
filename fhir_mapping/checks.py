"""What is checked before anything leaves, beyond what validators catch.

`gate` is the structural gate (fhir.resources, R4B: for our resources valid R4 is valid R4B and the other way round).
`problems_of` is our own: days that exist, a closed list of UCUM units, references to the right types, codes that
stand in the table or in our own lists. Both give sentences that hold paths and codes and no words of a patient.
To send an element that refers to something, name its targets in `TARGETS`; a test compares them with the standard.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from functools import lru_cache
from typing import Any

from fhir_mapping.elements import UCUM, UCUM_CODES, Resource, written
from fhir_mapping.r5 import Release
from fhir_mapping.site import Site
from ledger.dates import PartialDate

TARGETS: Mapping[str, frozenset[str]] = {
    path: frozenset(targets.split())
    for path, targets in {
        "AllergyIntolerance.patient": "Patient",
        "Appointment.basedOn": "ServiceRequest",
        "Appointment.participant.actor": "Patient",
        "Appointment.supportingInformation": "*",
        "BodyStructure.patient": "Patient",
        "CarePlan.replaces": "CarePlan",
        "CarePlan.subject": "Patient",
        "Condition.encounter": "Encounter",
        "Condition.evidence.detail": "*",
        "Condition.subject": "Patient",
        "Device.patient": "Patient",
        "DeviceUseStatement.derivedFrom": "Procedure",
        "DeviceUseStatement.device": "Device",
        "DeviceUseStatement.subject": "Patient",
        "DocumentReference.subject": "Patient",
        "Encounter.basedOn": "ServiceRequest",
        "Encounter.participant.individual": "Practitioner",
        "Encounter.serviceProvider": "Organization",
        "Encounter.subject": "Patient",
        "EpisodeOfCare.managingOrganization": "Organization",
        "EpisodeOfCare.patient": "Patient",
        "Flag.encounter": "Encounter",
        "Flag.subject": "Patient",
        "Linkage.item.resource": "*",
        "MedicationStatement.subject": "Patient",
        "Observation.derivedFrom": "DocumentReference",
        "Observation.encounter": "Encounter",
        "Observation.focus": "*",
        "Observation.hasMember": "Observation",
        "Observation.partOf": "Procedure",
        "Observation.subject": "Patient",
        "Procedure.basedOn": "ServiceRequest",
        "Procedure.complicationDetail": "Condition",
        "Procedure.encounter": "Encounter",
        "Procedure.focalDevice.manipulated": "Device",
        "Procedure.partOf": "Procedure",
        "Procedure.performer.actor": "Practitioner",
        "Procedure.reasonReference": "Condition",
        "Procedure.report": "DocumentReference",
        "Procedure.subject": "Patient",
        "Provenance.agent.who": "Practitioner",
        "Provenance.entity.what": "*",
        "Provenance.target": "*",
        "ServiceRequest.encounter": "Encounter",
        "ServiceRequest.performer": "Organization",
        "ServiceRequest.reasonReference": "Condition Observation",
        "ServiceRequest.subject": "Patient",
        "ServiceRequest.supportingInfo": "*",
        "Task.focus": "*",
        "Task.for": "*",
        "Task.reasonReference": "*",
    }.items()
}
"""What each element that refers to something may refer to here; `*` is anything. Narrower than the standard."""

EXTENSION_TARGETS = {
    "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure": frozenset({"BodyStructure"}),
    "http://hl7.org/fhir/StructureDefinition/bodySite": frozenset({"BodyStructure"}),
    "http://hl7.org/fhir/StructureDefinition/flag-detail": frozenset({"*"}),
}

_DATES = re.compile(r"(date|.*Date|.*DateTime|.*Time|authoredOn|dateAsserted|created|recorded|start|end)$")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")
_OID = re.compile(r"urn:oid:[0-2](\.(0|[1-9]\d*))+")
_BARE_OID = re.compile(r"[0-2](\.\d+){3,}")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def gate(resource: Resource, release: Release = "R4") -> list[str]:
    """The structural gate: what `fhir.resources` refuses (R4B for R4), as path and reason. Empty when nothing."""
    from importlib import import_module

    import orjson
    from pydantic import ValidationError

    kind = resource["resourceType"]
    package = "fhir.resources.R4B" if release == "R4" else "fhir.resources"
    model = getattr(import_module(f"{package}.{kind.lower()}"), kind)
    try:
        model.model_validate(orjson.loads(written(resource)))
    except ValidationError as error:
        return [
            f"{kind}.{'.'.join(str(part) for part in one['loc'])}: {one['type']}"
            for one in error.errors(include_input=False)
        ]
    return []


def problems_of(resource: Resource, site: Site) -> list[str]:
    """What no validator catches, as path and reason. Empty when nothing."""
    kind = resource["resourceType"]
    found: list[str] = []
    if not _ID.fullmatch(resource.get("id", "x")):
        found.append(f"{kind}.id: not an id of FHIR")
    for path, name, holder in _walk(resource, kind):
        value = holder[name]
        if isinstance(value, str):
            found += _string_problems(path, name, value)
        elif isinstance(value, dict):
            found += _element_problems(path, value, site)
    return found


def _walk(value: Any, path: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every named element at any depth, with its path without indexes."""
    if isinstance(value, dict):
        for name, held in value.items():
            inner = f"{path}.{name}"
            if isinstance(held, list):
                for item in held:
                    yield inner, name, {name: item}
                    yield from _walk(item, inner)
            else:
                yield inner, name, value
                yield from _walk(held, inner)


def _string_problems(path: str, name: str, value: str) -> list[str]:
    found = []
    if not value.strip():
        found.append(f"{path}: blank")
    if _DATES.fullmatch(name) and not _is_real_date(value):
        found.append(f"{path}: not a day that exists")
    if name in ("system", "url", "fullUrl", "reference"):
        if value.startswith("urn:oid:") and not _OID.fullmatch(value):
            found.append(f"{path}: not a well-formed OID")
        if _BARE_OID.fullmatch(value):
            found.append(f"{path}: an OID without urn:oid:")
    if name == "recorded" and not _INSTANT.fullmatch(value):
        found.append(f"{path}: not an instant with its zone")
    return found


def _is_real_date(value: str) -> bool:
    try:
        PartialDate(re.sub(r"(\.\d{6})\d+", r"\1", value))
    except ValueError:
        return False
    if "T" in value:
        try:
            return datetime.fromisoformat(value).tzinfo is not None
        except ValueError:
            return False
    return True


def _element_problems(path: str, value: dict[str, Any], site: Site) -> list[str]:
    found = []
    system = value.get("system")
    if system == UCUM and value.get("code") not in UCUM_CODES:
        found.append(f"{path}: {value.get('code')!r} is not in the list of units")
    if "code" in value and isinstance(system, str) and system != UCUM and not _is_known_code(value, site):
        found.append(f"{path}: {value.get('code')!r} of {system} is not in the table of codes")
    if "extension" in path.split("."):
        targets = EXTENSION_TARGETS.get(value.get("url", ""))
        if targets is not None and "valueReference" in value:
            found += _target_problems(path, value["valueReference"], targets)
    elif path in TARGETS:
        found += _target_problems(path, value, TARGETS[path])
    elif "reference" in value and not path.endswith((".valueReference", ".extension")):
        found.append(f"{path}: refers to something, and nobody said to what it may")
    return found


def _target_problems(path: str, reference: dict[str, Any], targets: frozenset[str]) -> list[str]:
    address = reference.get("reference")
    kind = reference.get("type")
    if isinstance(address, str) and not address.startswith("urn:"):
        kind = re.split(r"[/?]", address, maxsplit=1)[0]
    if kind is None or "*" in targets or kind in targets:
        return []
    return [f"{path}: refers to a {kind}"]


def _is_known_code(coding: dict[str, Any], site: Site) -> bool:
    system, code = coding["system"], coding["code"]
    if system == site.namespace:
        return True  # The identifier of a Provenance or a Linkage, as a tag.
    if system.startswith(site.canonical):
        return code in _local_codes(site.canonical).get(system, frozenset())
    return (system, code) in _table_codes(site)


@lru_cache(maxsize=8)
def _local_codes(canonical: str) -> dict[str, frozenset[str]]:
    from fhir_mapping.definitions import code_systems

    return {one["url"]: frozenset(c["code"] for c in one["concept"]) for one in code_systems(canonical)}


@lru_cache(maxsize=8)
def _table_codes(site: Site) -> frozenset[tuple[str, str]]:
    return frozenset((line.system, line.code) for line in site.codes if line.verified)
