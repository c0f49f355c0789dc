"""C-CDA documents → text with their headings: operative and procedure notes, and any other with narrative.

The narrative block of each section is the report; the coded entries beneath it are not
read, since they repeat it at best. No entity is expanded (`packed.xml_of`). A document
whose body is not structured carries its report as text, PDF or Word within it.

Source: HL7 CDA R2, header and narrative block (element names from memory, not looked up).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from xml.etree.ElementTree import Element

from ledger.arrival.carried import from_base64
from ledger.arrival.hl7v2 import timestamp
from ledger.arrival.opening import Document, Refused, embedded
from ledger.arrival.packed import local, xml_of
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

_MEDIA_TYPE = "application/cda+xml"


def cda_documents(original: bytes, limits: Limits, within: bool = False) -> list[Document | Refused]:
    """The one document of a C-CDA file. `within`: it was itself carried by something, and may carry nothing more."""
    root = xml_of(original)
    if local(root) != "ClinicalDocument":
        raise CannotRead(
            Why.NOT_SUPPORTED,
            "This is XML, but no clinical document (C-CDA).",
            "Save the report as text, PDF or Word, and import that.",
        )
    envelope, clues = _envelope_of(root), _clues_of(root)
    try:
        found = _body(root, limits, within)
    except CannotRead as why:
        return [Refused(why=why, envelope=envelope, clues=clues)]
    return [replace(found, envelope=found.envelope | envelope, clues=clues)]


def _body(root: Element, limits: Limits, within: bool) -> Document:
    title = _first(root, "title")
    heading = _words(title).strip() if title is not None else ""
    for component in _children(root, "component"):
        unstructured = _first(component, "nonXMLBody")
        if unstructured is not None:
            text = _first(unstructured, "text")
            if text is None or within:
                break
            declared = text.get("mediaType")
            if text.get("representation") == "B64":
                return embedded(from_base64("".join(text.itertext())), declared, limits)
            return Document(text="".join(text.itertext()), media_type=declared or "text/plain")
        structured = _first(component, "structuredBody")
        if structured is not None:
            lines = [heading] if heading else []
            for section in _sections(structured):
                _section(section, lines)
            return Document(text="\n".join(lines) + "\n", media_type=_MEDIA_TYPE)
    raise CannotRead(
        Why.NO_TEXT, "The clinical document has no body with text.", "Ask the sender for the report as text or PDF."
    )


def _sections(element: Element) -> Iterator[Element]:
    for component in _children(element, "component"):
        yield from _children(component, "section")


def _section(section: Element, lines: list[str]) -> None:
    title, text = _first(section, "title"), _first(section, "text")
    said = _narrative(text).strip("\n") if text is not None else ""
    heading = _words(title).strip() if title is not None else ""
    if heading:
        lines += ["", f"{heading.rstrip(':')}:"]
    if said:
        lines.append(said)
    for inner in _sections(section):
        _section(inner, lines)


_OWN_LINE = frozenset({"paragraph", "list", "table", "caption", "tr", "item"})


def _narrative(text: Element) -> str:
    """The narrative block: paragraphs and list items on lines of their own, table cells parted by tabs."""
    pieces: list[str] = []
    _tell(text, pieces)
    lines = (" ".join(line.split(" ")).strip() for line in "".join(pieces).split("\n"))
    return "\n".join(line for line in lines if line)


def _tell(element: Element, pieces: list[str]) -> None:
    name = local(element)
    if name in ("renderMultiMedia", "footnoteRef") or element.get("revised") == "delete":
        return
    if name in _OWN_LINE or name == "br":
        pieces.append("\n")
    if name in ("td", "th") and pieces and not pieces[-1].endswith("\n"):
        pieces.append("\t")
    pieces.append(_typed(element.text))
    for child in element:
        _tell(child, pieces)
        pieces.append(_typed(child.tail))
    if name in _OWN_LINE:
        pieces.append("\n")


def _typed(text: str | None) -> str:
    """Blanks and line ends within the XML are layout of the file, not of the report."""
    if not text:
        return ""
    words = " ".join(text.split())
    if not words:
        return " " if "\n" not in text else ""
    return (" " if text[0].isspace() else "") + words + (" " if text[-1].isspace() else "")


# --- The header ---------------------------------------------------------------------------------------------------


def _envelope_of(root: Element) -> dict[str, Any]:
    own = _id_text(_first(root, "id"))
    status, supersedes = None, []
    for related in _children(root, "relatedDocument"):
        kind = related.get("typeCode")
        if kind in ("RPLC", "APND"):
            status = DocumentStatus.CORRECTED if kind == "RPLC" else DocumentStatus.ADDENDUM
            supersedes += [earlier for one in _path(related, "parentDocument/id") if (earlier := _id_text(one))]
    performed, doubts = _performed(root)
    custodian = "custodian/assignedCustodian/representedCustodianOrganization/name"
    code = _first(root, "code")
    return {
        "performed": performed,
        "dated": _time(_first(root, "effectiveTime")),
        "sender": next((_words(one).strip() for one in _path(root, custodian)), None) or None,
        "author": next((_name(one)[0] for one in _path(root, "author/assignedAuthor/assignedPerson/name")), None),
        "document_id": own,
        "supersedes": tuple(dict.fromkeys(supersedes)),
        "status": status,
        "document_kind": code.get("displayName") or code.get("code") if code is not None else None,
        "doubts": doubts,
    }


def _performed(root: Element) -> tuple[PartialDate | None, tuple[Doubt, ...]]:
    days = set()
    for time in _path(root, "documentationOf/serviceEvent/effectiveTime"):
        low, high = _time(_first(time, "low")), _time(_first(time, "high"))
        said = _time(time) or low
        if said is not None and (high is None or high[:10] == said[:10]):
            days.add(said)
        elif said is not None:
            days.update((said, high or said))
    if len({one[:10] for one in days}) == 1:
        return min(days), ()
    if not days:
        return None, ()
    words = "The procedure lies between two days; neither was taken for its day."
    return None, (Doubt(code="performed-in-a-period", words=words),)


def _clues_of(root: Element) -> PatientClues:
    roles = list(_path(root, "recordTarget/patientRole"))
    if len(roles) > 1:
        words = "The document names more than one patient."
        return PatientClues(doubts=(Doubt(code="patients-disagree", words=words),))
    if not roles:
        return PatientClues()
    identifiers = []
    for one in _children(roles[0], "id"):
        value, giver = one.get("extension"), one.get("root")
        if value and not one.get("nullFlavor"):
            system = f"urn:oid:{giver}" if giver and giver.replace(".", "").isdigit() else None
            assigner = one.get("assigningAuthorityName")
            identifiers.append(IdentifierClue(value=value, source="recordTarget", system=system, assigner=assigner))
    names, births, sex = [], [], None
    for patient in _children(roles[0], "patient"):
        named = list(_children(patient, "name"))
        legal = next((one for one in named if (one.get("use") or "L") == "L"), named[0] if named else None)
        if legal is not None:
            text, family, given = _name(legal)
            if text:
                names.append(NameClue(text=text, source="recordTarget", family=family, given=given))
        born = _time(_first(patient, "birthTime"))
        if born is not None:
            births.append(BirthDateClue(as_said=born, readings=(PartialDate(born[:10]),), source="recordTarget"))
        coded = _first(patient, "administrativeGenderCode")
        sex = {"F": "female", "M": "male", "UN": "other"}.get(coded.get("code") or "") if coded is not None else None
    return PatientClues(identifiers=tuple(identifiers), names=tuple(names), birth_dates=tuple(births), sex=sex)


def _name(name: Element) -> tuple[str | None, str | None, str | None]:
    family = " ".join(_words(one).strip() for one in _children(name, "family")) or None
    given = " ".join(_words(one).strip() for one in _children(name, "given")) or None
    said = ", ".join(one for one in (family, given) if one) or _words(name).strip()
    return said or None, family, given


def _time(element: Element | None) -> PartialDate | None:
    return timestamp(element.get("value")) if element is not None else None


def _id_text(element: Element | None) -> str | None:
    if element is None or not element.get("root"):
        return None
    extension = element.get("extension")
    return f"urn:oid:{element.get('root')}|{extension}" if extension else f"urn:oid:{element.get('root')}"


# --- XML by local name --------------------------------------------------------------------------------------------


def _children(element: Element, name: str) -> Iterator[Element]:
    return (child for child in element if local(child) == name)


def _first(element: Element, name: str) -> Element | None:
    return next(_children(element, name), None)


def _path(element: Element, path: str) -> Iterator[Element]:
    first, _, rest = path.partition("/")
    for child in _children(element, first):
        if rest:
            yield from _path(child, rest)
        else:
            yield child


def _words(element: Element) -> str:
    return " ".join("".join(element.itertext()).split())
