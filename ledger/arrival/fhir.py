"""FHIR JSON → reports: DocumentReference, DiagnosticReport, Composition; alone, in a Bundle, or one to a line.

R4 and R5 alike: the elements that a report needs have the same names, or both are
looked for. Nothing is fetched: a report that lies behind a URL is said to. Binary and
Patient are found in the same Bundle, or contained.

Sources: https://hl7.org/fhir/R4/documentreference.html, diagnosticreport.html,
composition.html (element names from memory, not looked up).
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import orjson

from ledger.arrival.carried import Carried, best_of, from_base64
from ledger.arrival.markup import html_text
from ledger.arrival.opening import Document, Refused
from ledger.arrival.values import (
    BirthDateClue,
    CannotRead,
    DocumentStatus,
    IdentifierClue,
    Limits,
    NameClue,
    PatientClues,
    Why,
)
from ledger.dates import PartialDate
from ledger.errors import Doubt

Resource = dict[str, Any]
_MEDIA_TYPE = "application/fhir+json"
_REPORTS = ("DocumentReference", "DiagnosticReport", "Composition")


def fhir_documents(original: bytes, limits: Limits) -> Iterator[Document | Refused]:
    """The documents of a file of resources, in its order."""
    roots = _roots(original)
    found = False
    for root in roots:
        file = _File(root)
        for resource in file.resources:
            if resource.get("resourceType") in _REPORTS:
                found = True
                yield _document_of(resource, file, limits)
    if not found:
        kinds = ", ".join(sorted({_kind(root) for root in roots})[:5])
        raise CannotRead(
            Why.NO_TEXT,
            f"The file holds no DocumentReference, DiagnosticReport or Composition ({kinds}).",
            "Export the reports themselves, and import those; `access-ledger fhir receive` takes other resources.",
        )


def _roots(original: bytes) -> list[Resource]:
    text = original.removeprefix(b"\xef\xbb\xbf")
    if text.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = text.decode("utf-16", errors="replace").encode("utf-8")
    try:
        found = orjson.loads(text)
        roots = found if isinstance(found, list) else [found]
    except orjson.JSONDecodeError:
        try:
            roots = [orjson.loads(line) for line in text.splitlines() if line.strip()]
        except orjson.JSONDecodeError:
            raise CannotRead(
                Why.BROKEN,
                "The JSON is not well formed, or nested deeper than any resource.",
                "Ask the sender for it once more; a transfer may have ended early.",
            ) from None
    return [one for one in roots if isinstance(one, dict)]


def _kind(resource: Resource) -> str:
    kind = resource.get("resourceType")
    return kind if isinstance(kind, str) and kind.isalpha() and len(kind) < 40 else "no resource"


class _File:
    """The resources of one root, and how references within it are followed."""

    def __init__(self, root: Resource) -> None:
        self.resources: list[Resource] = []
        self.received = _date(root.get("timestamp")) if root.get("resourceType") == "Bundle" else None
        self._by_reference: dict[str, Resource] = {}
        # A bundle may hold bundles, as a search over documents does.
        waiting: list[tuple[str | None, Any]] = [(None, root)]
        while waiting:
            url, one = waiting.pop(0)
            if not isinstance(one, dict):
                continue
            if one.get("resourceType") == "Bundle":
                entries = [entry for entry in _list(one.get("entry")) if isinstance(entry, dict)]
                waiting += [(_text(entry.get("fullUrl")), entry.get("resource")) for entry in entries]
                continue
            self.resources.append(one)
            if url:
                self._by_reference[url] = one
            kind, id = _text(one.get("resourceType")), _text(one.get("id"))
            if kind and id:
                self._by_reference.setdefault(f"{kind}/{id}", one)

    def follow(self, reference: Any, within: Resource) -> Resource | None:
        """The resource that a Reference points to, contained or in the same bundle; None where it is elsewhere."""
        target = _text(_dict(reference).get("reference"))
        if not target:
            return None
        if target.startswith("#"):
            contained = [one for one in _list(within.get("contained")) if isinstance(one, dict)]
            return next((one for one in contained if one.get("id") == target[1:]), None)
        return self._by_reference.get(target) or self._by_reference.get("/".join(target.split("/")[-2:]))


def _document_of(resource: Resource, file: _File, limits: Limits) -> Document | Refused:
    kind = resource["resourceType"]
    envelope = _envelope_of(resource, file)
    clues = _clues_of(resource, file)
    if envelope.get("status") is DocumentStatus.WITHDRAWN:
        why = CannotRead(
            Why.WITHDRAWN,
            "The sender marks the document as entered in error or cancelled.",
            "Look at what was taken from that document, and retract what no longer holds.",
        )
        return Refused(why=why, envelope=envelope, clues=clues)
    try:
        if kind == "Composition":
            found = Document(text=_composition_text(resource), media_type=_MEDIA_TYPE)
        else:
            attachments = _attachments(resource)
            forms = [_carried(one, file, resource) for one in attachments]
            found = best_of(forms, limits) if forms else Document(text=_conclusion(resource), media_type=_MEDIA_TYPE)
            found = replace(found, doubts=(*found.doubts, *_attachment_doubts(attachments)))
    except CannotRead as why:
        return Refused(why=why, envelope=envelope, clues=clues)
    return replace(found, envelope=found.envelope | envelope, clues=clues)


# --- The text -----------------------------------------------------------------------------------------------------


def _attachments(resource: Resource) -> list[Resource]:
    if resource["resourceType"] == "DocumentReference":
        return [_dict(_dict(one).get("attachment")) for one in _list(resource.get("content"))]
    return [_dict(one) for one in _list(resource.get("presentedForm"))]


def _carried(attachment: Resource, file: _File, within: Resource) -> Carried:
    declared = _text(attachment.get("contentType"))
    data, url = _text(attachment.get("data")), _text(attachment.get("url"))
    if data is not None:
        return Carried(media_type=declared, content=_later(data))
    binary = file.follow({"reference": url}, within) if url else None
    if binary is not None and _text(binary.get("data")) is not None:
        return Carried(media_type=_text(binary.get("contentType")) or declared, content=_later(binary["data"]))
    if url and url.startswith("data:") and ";base64," in url:
        return Carried(media_type=url[5:].split(";")[0] or declared, content=_later(url.split(";base64,", 1)[1]))
    return Carried(media_type=declared, content=_elsewhere if url else _nothing)


def _later(data: str) -> Callable[[], bytes]:
    return lambda: from_base64(data)


def _elsewhere() -> bytes:
    raise CannotRead(
        Why.LINKED,
        "The resource points to a document that lies on a server, and does not carry it.",
        "Export it with the attachment in it, or save the document and import that.",
    )


def _nothing() -> bytes:
    raise CannotRead(
        Why.NO_TEXT, "The attachment carries no document.", "Ask the sender for the report as text or PDF within it."
    )


def _attachment_doubts(attachments: list[Resource]) -> Iterator[Doubt]:
    for one in attachments:
        data, said = _text(one.get("data")), _text(one.get("hash"))
        if data is None or said is None:
            continue
        try:
            found = hashlib.sha1(from_base64(data), usedforsecurity=False).digest()
            if found != from_base64(said):
                words = "An attachment does not fit its own checksum; it may have been altered on the way."
                yield Doubt(code="checksum-differs", words=words)
        except CannotRead:
            continue


def _conclusion(resource: Resource) -> str:
    """A report without an attachment: what its conclusion and its narrative say."""
    narrative = _text(_dict(resource.get("text")).get("div"))
    pieces = [_text(resource.get("conclusion")), html_text(narrative) if narrative else None]
    return "\n\n".join(piece for piece in pieces if piece)


def _composition_text(resource: Resource) -> str:
    lines = [title] if (title := _text(resource.get("title"))) else []
    _sections(_list(resource.get("section")), lines, 0)
    return "\n".join(lines) + "\n"


def _sections(sections: list[Any], lines: list[str], depth: int) -> None:
    for section in sections:
        if not isinstance(section, dict) or depth > 20:
            continue
        if title := _text(section.get("title")):
            lines += ["", f"{title}:"]
        if narrative := _text(_dict(section.get("text")).get("div")):
            lines.append(html_text(narrative).strip("\n"))
        _sections(_list(section.get("section")), lines, depth + 1)


# --- The envelope -------------------------------------------------------------------------------------------------

_STATUS = {
    "registered": DocumentStatus.PRELIMINARY,
    "partial": DocumentStatus.PRELIMINARY,
    "preliminary": DocumentStatus.PRELIMINARY,
    "final": DocumentStatus.FINAL,
    "amended": DocumentStatus.CORRECTED,
    "corrected": DocumentStatus.CORRECTED,
    "modified": DocumentStatus.CORRECTED,
    "appended": DocumentStatus.ADDENDUM,
    "cancelled": DocumentStatus.WITHDRAWN,
    "entered-in-error": DocumentStatus.WITHDRAWN,
    "deprecated": DocumentStatus.WITHDRAWN,
}
_RELATION = {
    "replaces": DocumentStatus.CORRECTED,
    "amends": DocumentStatus.CORRECTED,
    "appends": DocumentStatus.ADDENDUM,
}


def _envelope_of(resource: Resource, file: _File) -> dict[str, Any]:
    kind = resource["resourceType"]
    own = _identifier_text(_first(resource.get("masterIdentifier")) or _first(resource.get("identifier")))
    if own is None and _text(resource.get("id")):
        own = f"{kind}/{resource['id']}"
    status = _STATUS.get(_text(resource.get("docStatus")) or _text(resource.get("status")) or "")
    if _text(resource.get("status")) == "entered-in-error":
        status = DocumentStatus.WITHDRAWN
    supersedes = []
    for relation in (_dict(one) for one in _list(resource.get("relatesTo"))):
        code = relation.get("code")
        if isinstance(code, dict):
            code = _dict(_first(code.get("coding"))).get("code")
        if code not in _RELATION:
            continue
        target = _dict(relation.get("target") or relation.get("targetReference") or relation.get("resourceReference"))
        earlier = _identifier_text(_dict(target.get("identifier")) or _dict(relation.get("targetIdentifier")))
        if earlier is None:
            followed = file.follow(target, resource)
            earlier = _identifier_text(_first((followed or {}).get("masterIdentifier"))) or _identifier_text(
                _first((followed or {}).get("identifier"))
            )
        earlier = earlier or _text(target.get("reference"))
        status = status if status is DocumentStatus.WITHDRAWN else _RELATION[code]
        if earlier:
            supersedes.append(earlier)
    if not supersedes and own and status is not None and status.is_about_an_earlier_report:
        supersedes.append(own)
    performed, doubts = _performed(resource)
    return {
        "performed": performed,
        "dated": _date(resource.get("date") or resource.get("issued")),
        "received": file.received,
        "sender": _named(resource.get("custodian"), file, resource),
        "author": _named(_first(resource.get("author")) or _first(resource.get("performer")), file, resource),
        "document_id": own,
        "order_number": _identifier_text(_dict(_dict(_first(resource.get("basedOn"))).get("identifier"))),
        "supersedes": tuple(dict.fromkeys(supersedes)),
        "status": status,
        "document_kind": _concept(resource.get("type") or resource.get("code")),
        "doubts": doubts,
    }


def _performed(resource: Resource) -> tuple[PartialDate | None, tuple[Doubt, ...]]:
    if said := _date(resource.get("effectiveDateTime") or resource.get("effectiveInstant")):
        return said, ()
    event = _dict(_first(resource.get("event")))
    period = _dict(
        resource.get("effectivePeriod")
        or resource.get("period")
        or _dict(resource.get("context")).get("period")
        or event.get("period")
    )
    start, end = _date(period.get("start")), _date(period.get("end"))
    if start is None or end is None or start[:10] == end[:10]:
        return start, ()
    words = "The procedure lies between two days; neither was taken for its day."
    return None, (Doubt(code="performed-in-a-period", words=words),)


def _date(said: Any) -> PartialDate | None:
    text = _text(said)
    if text is None:
        return None
    try:
        return PartialDate(text)
    except ValueError:
        return None


def _concept(said: Any) -> str | None:
    concept = _dict(said)
    coding = _dict(_first(concept.get("coding")))
    return _text(concept.get("text")) or _text(coding.get("display")) or _text(coding.get("code"))


def _identifier_text(said: Any) -> str | None:
    identifier = _dict(said)
    value, system = _text(identifier.get("value")), _text(identifier.get("system"))
    return f"{system}|{value}" if value and system else value


def _named(reference: Any, file: _File, within: Resource) -> str | None:
    found = _dict(reference)
    if display := _text(found.get("display")):
        return display
    followed = file.follow(found, within) or {}
    name = followed.get("name")
    return _text(name) or _human_name(_dict(_first(name)))[0]


# --- The patient --------------------------------------------------------------------------------------------------


def _clues_of(resource: Resource, file: _File) -> PatientClues:
    subject = _dict(resource.get("subject") or resource.get("patient"))
    patient = file.follow(subject, resource)
    if patient is None or patient.get("resourceType") != "Patient":
        display = _text(subject.get("display"))
        return PatientClues(
            identifiers=tuple(_identifier(subject.get("identifier"), "subject")),
            names=(NameClue(text=display, source="subject"),) if display and " " in display.strip() else (),
        )
    return clues_of_patient(patient)


def clues_of_patient(patient: Resource) -> PatientClues:
    """What a Patient resource says of who somebody is."""
    chosen = _chosen_name(_list(patient.get("name")))
    text, family, given = _human_name(chosen or {})
    born = _date(patient.get("birthDate"))
    births = (BirthDateClue(as_said=born, readings=(born,), source="subject"),) if born is not None else ()
    sex = _text(patient.get("gender"))
    return PatientClues(
        identifiers=tuple(clue for one in _list(patient.get("identifier")) for clue in _identifier(one, "subject")),
        names=(NameClue(text=text, source="subject", family=family, given=given),) if text else (),
        birth_dates=births,
        sex=sex if sex in ("male", "female", "other", "unknown") else None,
    )


def _identifier(said: Any, source: str) -> Iterator[IdentifierClue]:
    identifier = _dict(said)
    value, system = _text(identifier.get("value")), _text(identifier.get("system"))
    kind = _concept(identifier.get("type"))
    if not value or _text(identifier.get("use")) == "old" or kind in ("SS", "DL", "PPN"):
        return
    assigner = _text(_dict(identifier.get("assigner")).get("display"))
    yield IdentifierClue(value=value, source=source, system=system, label=kind, assigner=assigner)


@dataclass(frozen=True)
class _Name:
    use: str
    parts: Resource


def _chosen_name(names: list[Any]) -> Resource | None:
    """The official or usual name; old, maiden and nick names are other names of the same person."""
    found = [_Name(_text(one.get("use")) or "usual", one) for one in names if isinstance(one, dict)]
    for use in ("official", "usual"):
        for one in found:
            if one.use == use:
                return one.parts
    return None


def _human_name(name: Resource) -> tuple[str | None, str | None, str | None]:
    family = _text(name.get("family"))
    given = " ".join(part for part in map(_text, _list(name.get("given"))) if part) or None
    said = ", ".join(part for part in (family, given) if part)
    return said or _text(name.get("text")), family, given


# --- JSON that may be anything ------------------------------------------------------------------------------------


def _dict(found: Any) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _list(found: Any) -> list[Any]:
    return found if isinstance(found, list) else []


def _first(found: Any) -> Any:
    """The first of a list; the thing itself where there is no list."""
    return (found[0] if found else None) if isinstance(found, list) else found


def _text(found: Any) -> str | None:
    return found if isinstance(found, str) and found.strip() else None
