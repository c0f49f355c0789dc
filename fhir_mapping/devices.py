"""The access itself, what was left in the body, the report, and the patient where a site lets us send one.

BodyStructure, https://hl7.org/fhir/R4/bodystructure.html: one per access, sent again when it changes; R4 gives it no
status but `active`. Device and DeviceUseStatement: one each per graft, catheter and stent, placed and taken out by
Procedures. A native fistula has no Device. Devices are described by what they are.
"""

from __future__ import annotations

from base64 import b64encode

from fhir_mapping.context import AccessSeen, DeviceSeen
from fhir_mapping.elements import Element, Resource, concept, local_system, period, quantity, quantity_text, unit_of
from fhir_mapping.names import BODY_SITE, Names
from ledger.events import CatheterExchanged, CatheterPlaced, Creation
from ledger.measured import Measured
from ledger.vocabulary import AccessKind, words_of


def structure_of(access: str, seen: AccessSeen, names: Names) -> Resource:
    """The access as a structure of the body."""
    text = access_words(seen)
    return {
        **names.derived_head("BodyStructure", names.access_value(access), [text]),
        "active": seen.in_use,
        "morphology": concept(names.site, local=seen.kind) if seen.kind is not None else None,
        "location": names.place(seen.side, seen.site),
        "locationQualifier": names.laterality(seen.side),
        "description": text,
        "patient": names.subject,
    }


def access_words(seen: AccessSeen) -> str:
    """An access in words: `left forearm loop graft, brachial artery to axillary vein`."""
    form = words_of(seen.configuration) if seen.configuration is not None else None
    parts = [words_of(part) for part in (seen.side, seen.site) if part is not None]
    parts += [part for part in (form, words_of(seen.kind, "dialysis access, kind not recorded")) if part]
    said = " ".join(parts)
    vessels = []
    if seen.inflow is not None:
        vessels.append(f"{words_of(seen.inflow)} artery")
    if seen.outflow is not None:
        vessels.append(f"{words_of(seen.outflow)} vein")
    if seen.vein is not None:
        vessels.append(f"{words_of(seen.vein)} vein")
    return f"{said}, {' to '.join(vessels)}" if vessels else said


def device_of(seen: DeviceSeen, names: Names) -> list[Resource]:
    """A graft, a catheter or a stent, and how long it was in the body."""
    text, properties = _described(seen, names)
    kind = {"system": local_system(names.site, "device-type"), "code": _type_code(seen), "display": _type_words(seen)}
    device: Resource = {
        **names.derived_head("Device", seen.value, [text]),
        "status": "inactive" if seen.removed is not None else "active",
        "deviceName": [{"name": text, "type": "user-friendly-name"}],
        "type": concept(names.site, local=kind, text=_type_words(seen)),
        "property": properties,
        "patient": names.subject,
    }
    derived_from: list[Element] = []
    for one in (seen.told_by, seen.removed_by):
        if one is not None:
            derived_from.append(names.reference("Procedure", one.root))
    place = concept(names.site, local=seen.place) if seen.place is not None else names.body_site(seen.access)
    use: Resource = {
        **names.derived_head(
            "DeviceUseStatement", seen.value, [f"{text}, in the body"], names.target(seen.access, BODY_SITE)
        ),
        "status": "completed" if seen.removed is not None else "active",
        "subject": names.subject,
        "derivedFrom": derived_from,
        "timingPeriod": period(seen.placed, seen.removed, names.site, names.history.zone),
        "device": names.reference("Device", seen.value),
        "bodySite": place,
    }
    return [device, use]


def _type_code(seen: DeviceSeen) -> str:
    if seen.what == "catheter":
        return seen.catheter.value if seen.catheter is not None else "catheter"
    if seen.what == "stent" and seen.stent is not None and seen.stent.covered:
        return "stent-graft"
    return seen.what


def _type_words(seen: DeviceSeen) -> str:
    return DEVICE_TYPES[_type_code(seen)]


DEVICE_TYPES = {
    "graft": "graft for dialysis access",
    "catheter": "dialysis catheter",
    AccessKind.TUNNELLED.value: "tunnelled dialysis catheter",
    AccessKind.NONTUNNELLED.value: "non-tunnelled dialysis catheter",
    AccessKind.PERITONEAL.value: "peritoneal dialysis catheter",
    "stent": "stent",
    "stent-graft": "covered stent",
    AccessKind.FISTULA.value: "device of a fistula",
    AccessKind.GRAFT.value: "device of a graft",
    AccessKind.HYBRID.value: "device of a graft-to-catheter hybrid",
}


def _described(seen: DeviceSeen, names: Names) -> tuple[str, list[Element]]:
    """What it is, in words and as properties: sizes as they were told where it was placed."""
    sizes: list[tuple[str, str, object]] = []
    if seen.stent is not None:
        sizes = [("diameter_mm", "diameter", seen.stent.diameter_mm), ("length_mm", "length", seen.stent.length_mm)]
    elif seen.told_by is not None:
        fact = seen.told_by.fact
        if isinstance(fact, CatheterPlaced | CatheterExchanged):
            sizes = [("calibre_fr", "calibre", fact.calibre_fr), ("length_cm", "length", fact.length_cm)]
        elif isinstance(fact, Creation):
            sizes = [("calibre_mm", "calibre", fact.calibre_mm)]
    words = [_type_words(seen)]
    properties: list[Element] = []
    if seen.material is not None:
        words.append(words_of(seen.material))
        properties.append(
            {"type": _property("material", names), "valueCode": [concept(names.site, local=seen.material)]}
        )
    for field, display, held in sizes:
        if not isinstance(held, Measured):
            continue
        words.append(f"{display} {quantity_text(held, unit_of(field))}")
        kind, made = quantity(held, unit_of(field), names.site)
        if kind == "Quantity":
            properties.append({"type": _property(display, names), "valueQuantity": [made]})
    return ", ".join(words), properties


def _property(name: str, names: Names) -> Element:
    return concept(
        names.site,
        local={"system": local_system(names.site, "device-property"), "code": name, "display": name},
        text=name,
    )


def document_of(report: str, names: Names, in_error: bool) -> Resource:
    """A report that entries rest on. Its text leaves only where the site says so and the words are still kept."""
    known = names.people.reports.get(report)
    attachment: Element = {"contentType": known.media_type if known is not None else "text/plain"}
    if names.site.attach_text and known is not None and known.text is not None:
        attachment["contentType"] = "text/plain; charset=utf-8"
        attachment["data"] = b64encode(known.text.encode("utf-8")).decode("ascii")
    attachment["title"] = "Report about a dialysis access"
    return {
        **names.derived_head("DocumentReference", names.report_value(report), [f"Report {report}"]),
        "status": "entered-in-error" if in_error else "current",
        "type": concept(names.site, "document/operation-note", text="Surgical operation note"),
        "subject": names.subject,
        "date": known.received_at if known is not None else None,
        "content": [{"attachment": attachment}],
    }


def patient_of(names: Names) -> Resource:
    """The patient, for sites where the receiver does not know them yet. Without a name once the identity was erased."""
    patient = names.patient
    value = f"{patient.id}/patient"
    identifiers = [{"system": one.system, "value": one.value} for one in patient.identifiers if one.system != "local"]
    return {
        "resourceType": "Patient",
        "id": names.id_of("Patient", value),
        "meta": names.meta(None, None),
        "identifier": [*names.identifier(value), *identifiers],
        "name": [{"text": patient.name}] if patient.name else None,
        "gender": patient.sex if patient.sex in ("male", "female", "other", "unknown") else None,
        **({"birthDate": str(patient.birth_date)[:10]} if patient.birth_date is not None else {}),
    }
