"""What the hospital's record holds that is not ours: told in words, and then read like any report.

A Procedure, an Observation, a Device or a Condition of somebody else becomes a short text with its date, codes, body
site and notes, kept as a report; the reader proposes entries from it, and a person confirms. A DocumentReference or a
DiagnosticReport is a report already. No code is believed further than its display: whoever confirms sees the words.
"""

from __future__ import annotations

from typing import Any

from fhir_mapping.codes import CodeTable
from fhir_mapping.elements import Resource

DOCUMENTS = frozenset({"DocumentReference", "DiagnosticReport", "Composition"})
TOLD = frozenset({"Procedure", "Observation", "Device", "Condition"})

_DATES = (
    "performedDateTime",
    "occurrenceDateTime",
    "effectiveDateTime",
    "onsetDateTime",
    "recordedDate",
    "issued",
)
_PERIODS = ("performedPeriod", "occurrencePeriod", "effectivePeriod", "onsetPeriod")


def as_report_text(resource: Resource, codes: CodeTable) -> str | None:
    """A resource in words, as a report would say it; None for a type that says nothing of an access."""
    of = resource.get("resourceType")
    if of not in TOLD:
        return None
    lines = []
    when = _when(resource)
    if when:
        lines.append(f"Date of procedure: {when}" if of == "Procedure" else f"Date: {when}")
    name = _name(resource.get("code") or resource.get("type"), codes)
    if name:
        lines.append(f"{of}: {name}")
    sites = resource.get("bodySite", ())
    for site in sites if isinstance(sites, list) else [sites]:
        said = _name(site, codes)
        if said:
            lines.append(f"Body site: {said}")
    for field, label in (("reasonCode", "Indication"), ("complication", "Complication")):
        for one in resource.get(field, ()):
            said = _name(one, codes)
            if said:
                lines.append(f"{label}: {said}")
    outcome = _name(resource.get("outcome"), codes)
    if outcome:
        lines.append(f"Outcome: {outcome}")
    value = _value(resource)
    if value:
        lines.append(f"Result: {value}")
    for part in resource.get("component", ()):
        said = _value(part)
        if said:
            lines.append(f"{_name(part.get('code'), codes) or 'component'}: {said}")
    for note in resource.get("note", ()):
        if isinstance(note, dict) and note.get("text"):
            lines.append(str(note["text"]))
    return "\n".join(lines) + "\n" if name or len(lines) > 1 else None


def _when(resource: Resource) -> str | None:
    for name in _DATES:
        if isinstance(resource.get(name), str):
            return str(resource[name])[:10]
    for name in _PERIODS:
        period = resource.get(name)
        if isinstance(period, dict) and isinstance(period.get("start"), str):
            return str(period["start"])[:10]
    return None


def _name(concept: Any, codes: CodeTable) -> str | None:
    """What a CodeableConcept is called: its text, its display, or the display of a code that we know."""
    if not isinstance(concept, dict):
        return None
    if concept.get("text"):
        return str(concept["text"])
    for coding in concept.get("coding", ()):
        if coding.get("display"):
            return str(coding["display"])
        for line in codes:
            if (line.system, line.code) == (coding.get("system"), coding.get("code")) and line.verified:
                return line.display
    return None


def _value(held: Resource) -> str | None:
    quantity = held.get("valueQuantity")
    if isinstance(quantity, dict) and "value" in quantity:
        unit = quantity.get("unit") or quantity.get("code") or ""
        return f"{quantity.get('comparator', '')}{quantity['value']} {unit}".strip()
    concept = held.get("valueCodeableConcept")
    if isinstance(concept, dict):
        return str(concept.get("text") or next((c.get("display") for c in concept.get("coding", ())), "") or "") or None
    text = held.get("valueString")
    return str(text) if text else None


def subject_identifiers(resource: Resource) -> list[tuple[str, str]]:
    """The numbers by which a resource names its patient itself."""
    found = []
    for name in ("subject", "patient"):
        identifier = (resource.get(name) or {}).get("identifier")
        if isinstance(identifier, dict) and identifier.get("value"):
            found.append((str(identifier.get("system")), str(identifier["value"])))
    return found
