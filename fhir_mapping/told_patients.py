"""What Patient resources say of who our patients are, and which two records are of one person.

A name, a birth date, a sex or a number that differs from the record is proposed as a change; `Patient.link` as a join:
`replaced-by` and `replaces` name the record that stays, `seealso` and `refer` only that two may be of one person.
`ledger.identities` says which of our patients are meant, and a person settles it.

Source: https://hl7.org/fhir/R4/patient.html and its value set link-type (from memory, not looked up).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from fhir_mapping.elements import Resource
from ledger.arrival.fhir import clues_of_patient
from ledger.arrival.values import PatientClues
from ledger.dates import PartialDate
from ledger.identities import ToldIdentity


def identities_told(patients: Iterable[Resource], sender: str | None = None) -> Iterator[ToldIdentity]:
    """What Patient resources tell, of each its own traits and its links. Those entered in error tell nothing."""
    held = list(patients)
    by_address = {address: one for one in held for address in _addresses(one)}
    for one in held:
        clues = _clues(one)
        if clues.is_empty:
            continue
        said = _instant(one)
        told = ToldIdentity(clues=clues, source="Patient", sender=sender, said=said)
        yield replace(told, name=_name(clues), birth_date=_born(clues))
        links = one.get("link")
        for link in links if isinstance(links, list) else ():
            other = _other(link, by_address)
            kind = link.get("type") if isinstance(link, dict) else None
            if other is None or other.is_empty or not isinstance(kind, str):
                continue
            linked = replace(told, source=f"Patient.link {kind}"[:40])
            match kind:
                case "replaces":
                    yield replace(linked, prior=other, joins="joined")
                case "replaced-by":
                    yield replace(linked, clues=other, prior=clues, joins="joined")
                case "seealso" | "refer":
                    yield replace(linked, prior=other, joins="perhaps")
                case _:
                    continue


def _addresses(patient: Resource) -> Iterator[str]:
    if patient.get("id"):
        yield f"Patient/{patient['id']}"
    if isinstance(patient.get("_fullUrl"), str):
        yield patient["_fullUrl"]


def _other(link: object, by_address: Mapping[str, Resource]) -> PatientClues | None:
    """The record that a link points to: by its number, or as a resource that came along."""
    other = link.get("other") if isinstance(link, dict) else None
    if not isinstance(other, dict):
        return None
    reference = str(other.get("reference", ""))
    there = by_address.get(reference) or by_address.get("/".join(reference.split("/")[-2:]))
    if there is not None:
        return _clues(there)
    if isinstance(other.get("identifier"), dict):
        return clues_of_patient({"resourceType": "Patient", "identifier": [other["identifier"]]})
    return None


def _clues(patient: Resource) -> PatientClues:
    """Who a resource says that somebody is. Names that a ledger gave are no numbers of a hospital."""
    found = clues_of_patient(patient)
    kept = tuple(one for one in found.identifiers if not (one.system or "").startswith("urn:uuid:"))
    return replace(found, identifiers=kept)


def _name(clues: PatientClues) -> str | None:
    name = clues.name
    if name is None:
        return None
    return " ".join(part for part in (name.given, name.family) if part) or name.text


def _born(clues: PatientClues) -> PartialDate | None:
    birth = clues.birth_date
    return birth.readings[0] if birth is not None and len(birth.readings) == 1 else None


def _instant(patient: Resource) -> PartialDate | None:
    meta = patient.get("meta")
    said = meta.get("lastUpdated") if isinstance(meta, dict) else None
    try:
        return PartialDate(said) if isinstance(said, str) else None
    except ValueError:
        return None
