"""Asking a server for what it holds of our patients: search by patient, page after page, from the same place only."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from fhir_mapping.elements import Resource
from fhir_mapping.sender import Sender, resources_in
from fhir_mapping.talking import Stopped

TYPES = (
    "EpisodeOfCare",
    "Encounter",
    "ServiceRequest",
    "Appointment",
    "Procedure",
    "Observation",
    "Condition",
    "Device",
    "AllergyIntolerance",
    "MedicationStatement",
    "CarePlan",
    "Flag",
    "Task",
    "DocumentReference",
    "DiagnosticReport",
)
MOST_PAGES = 1000


@dataclass(frozen=True, kw_only=True)
class Fetched:
    """What a server holds of one patient of ours."""

    patient: str
    resources: list[Resource]


def fetched(sender: Sender, patients: list[str]) -> Iterator[Fetched]:
    """Everything that a server holds of these patients, of the types that it knows. Raises Stopped."""
    for patient in patients:
        who = sender.ledger.who.patient(patient)
        address, _ = sender.address_of(who)
        if address is None:
            continue
        found: list[Resource] = []
        for kind in TYPES:
            if kind in sender.ability.types or sender.server.all_types:
                parameter = "subject" if kind in ("Task", "Flag") else "patient"
                found += _pages(sender, f"{kind}?{parameter}={address}&_count=200")
        numbers = [{"system": one.system, "value": one.value} for one in who.identifiers]
        # Whose they are is known from the search, also where the server calls the patient by its own address alone.
        numbers.append({"system": f"urn:uuid:{sender.ledger.uuid}", "value": f"{patient}/patient"})
        found += _people(sender, address, numbers)
        yield Fetched(patient=patient, resources=found)


def _people(sender: Sender, address: str, numbers: list[Resource]) -> list[Resource]:
    """The patient as the server has them, with the numbers by which we know them, and the records that are linked."""
    answer = sender.talker.get(address)
    there = answer.body if answer.is_fine and isinstance(answer.body, dict) else {}
    held = there.get("identifier")
    known = held if isinstance(held, list) else []
    found = [{**there, "resourceType": "Patient", "id": address.split("/", 1)[1], "identifier": [*known, *numbers]}]
    links = there.get("link")
    for link in links if isinstance(links, list) else ():
        other = link.get("other") if isinstance(link, dict) else None
        linked = str(other.get("reference", "")) if isinstance(other, dict) else ""
        if re.fullmatch(r"Patient/[A-Za-z0-9.-]{1,64}", linked):
            answer = sender.talker.get(linked)
            if answer.is_fine and isinstance(answer.body, dict) and answer.body.get("resourceType") == "Patient":
                found.append(answer.body)
    return found


def _pages(sender: Sender, where: str) -> list[Resource]:
    found: list[Resource] = []
    base = sender.server.url.rstrip("/") + "/"
    for _ in range(MOST_PAGES):
        answer = sender.talker.get(where)
        if not answer.is_fine:
            return found  # A type that cannot be searched by patient there.
        found += resources_in(answer)
        following = next(
            (link.get("url") for link in answer.body.get("link", ()) if link.get("relation") == "next"), None
        )
        if not following:
            return found
        if not str(following).startswith(base):
            raise Stopped(
                f"{sender.server.name} points to a next page at another address.",
                "Nothing is asked of an address that nobody configured: check the url in the settings.",
            )
        where = str(following).removeprefix(base)
    return found
