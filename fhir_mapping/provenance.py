"""Who, when, from which words: one Provenance an entry, https://hl7.org/fhir/R4/provenance.html.

Also corrections, retractions, reviewed reports and statements about identities: an entry that becomes no resource of
its own still tells who said so. Provenance has no status; it is never taken back, since the entry was made. Neither
Provenance nor Linkage has an identifier in R4: a tag of `meta` bears it.
"""

from __future__ import annotations

from typing import Any

from fhir_mapping.elements import Element, Resource, concept, narrative, standard, string
from fhir_mapping.names import Names
from ledger.entries import Entry
from ledger.events import (
    AccessesAreOne,
    AccessSplit,
    Correction,
    PatientsAreOne,
    ReportMoved,
    ReportReviewed,
    Retraction,
)
from ledger.vocabulary import ConfirmedHow


def provenance_of(entry: Entry, targets: list[Element], names: Names) -> Resource:
    """Who recorded an entry, when, on what evidence, and what it did to the resources it is about."""
    event: Any = entry.event
    value = f"{entry.id}/provenance"
    activity = {
        Correction: "update",
        Retraction: "nullify",
        ReportReviewed: "append",
        ReportMoved: "nullify",
        AccessesAreOne: "update",
        AccessSplit: "update",
        PatientsAreOne: "update",
    }.get(type(event), "create")
    agent = "verifier" if isinstance(event, ReportReviewed) else "author"
    if entry.recorded_by.how in (ConfirmedHow.BY_RULE, ConfirmedHow.IN_BULK):
        agent = "enterer"  # Confirmed without anybody reading each.
    title = f"{event.kind.replace('-', ' ')} recorded at {entry.recorded_at}"
    return {
        "resourceType": "Provenance",
        "id": names.id_of("Provenance", value),
        "meta": names.meta(event.kind, entry.id, tag=value),
        "text": narrative([title]),
        "extension": [
            {
                "url": f"{names.site.canonical}/StructureDefinition/confirmed",
                "valueCodeableConcept": concept(names.site, local=entry.recorded_by.how),
            }
        ],
        # An entry about nothing that is sent is still about the patient.
        "target": targets or [names.subject],
        **names.dated("occurredDateTime", event.happened),
        "recorded": entry.recorded_at,
        "reason": [{"text": why}] if (why := _why(event, names)) else None,
        "activity": concept(
            names.site,
            f"provenance-activity/{activity}",
            local=names.kind_coding(event.kind),
            text=event.kind.replace("-", " "),
        ),
        "agent": [
            {
                "type": standard(names.site, f"provenance-agent/{agent}"),
                "who": names.person(entry.recorded_by.person),
            }
        ],
        "entity": _entities(entry, names),
    }


def _why(event: Any, names: Names) -> str | None:
    why = getattr(event, "why", None) if isinstance(event, Correction | Retraction) else None
    return string(names.words(why)) if why is not None else None


def _entities(entry: Entry, names: Names) -> list[Element]:
    event: Any = entry.event
    made: list[Element] = []
    if isinstance(event, Correction):
        made.append({"role": "revision", "what": _entry(event.corrects, names)})
    elif isinstance(event, Retraction):
        made.append({"role": "removal", "what": _entry(event.retracts, names)})
    report = entry.evidence.report
    if report is not None:
        made.append({"role": "source", "what": names.report_reference(report)})
    if names.site.attach_text:
        for quote in entry.evidence.quotes:
            said = string(names.words(quote))
            if said:
                what: Element = names.report_reference(report) if report is not None else {}
                made.append({"role": "quotation", "what": {**what, "display": said}})
    return made


def _entry(entry_id: str, names: Names) -> Element:
    return {"type": "Provenance", "identifier": {"system": names.site.namespace, "value": f"{entry_id}/provenance"}}


def linkage_of(one: Entry, names: Names, active: bool = True) -> list[Resource]:
    """Two records that turned out to be of one access, or of one patient, https://hl7.org/fhir/R4/linkage.html."""
    event: Any = one.event
    if isinstance(event, AccessesAreOne):
        items = [("source", names.structure(event.survivor)), ("alternate", names.structure(event.other))]
        said = f"Two records of accesses are of one: {event.other} is {event.survivor}"
    elif isinstance(event, PatientsAreOne):
        other = {"type": "Patient", "identifier": {"system": names.site.namespace, "value": f"{event.other}/patient"}}
        items = [("source", names.subject), ("alternate", other)]
        said = f"Two records are of one patient: {event.other} is {names.history.patient}"
    else:
        return []
    return [
        {
            "resourceType": "Linkage",
            "id": names.id_of("Linkage", one.id),
            "meta": names.meta(event.kind, one.id, tag=one.id),
            "text": narrative([said]),
            "active": active,
            "item": [{"type": role, "resource": resource} for role, resource in items],
        }
    ]


def root_of(entry: Entry, by_id: dict[str, Entry]) -> str | None:
    """The root of the fact that an entry is about; None for statements about reports and identities."""
    seen: set[str] = set()
    event: Any = entry.event
    while isinstance(event, Retraction):
        if event.retracts in seen or event.retracts not in by_id:
            return None
        seen.add(event.retracts)
        entry = by_id[event.retracts]
        event = entry.event
    return event.root if isinstance(event, Correction) else entry.id
