"""How things of the ledger are called in FHIR: identifiers, references, subjects; and what a mapper has to know.

Every resource carries one identifier, (the site's namespace, a value that is stable for ever): the root entry's id,
with a part behind a slash where an entry makes several of one type; or the owner's id and `access/…`, `device/…`,
`lesion/…`, `report/…` for what many entries speak of. Its `id` is the UUIDv5 of namespace, type and value, so a
reference can be written before anything is sent, and sending again is equal to the byte.

`Names` is made once for a history; mappers ask it and it knows no kind's mapping. What a mapper needs to know of other
facts (the access, the visit, a device's life) is gathered in `context.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any
from uuid import NAMESPACE_URL, UUID, uuid5

from fhir_mapping.context import AccessSeen, Context
from fhir_mapping.details import Voice, children, sentences
from fhir_mapping.elements import Element, Resource, date_time, dated, local_system, narrative, standard, string
from fhir_mapping.site import Directory, Site, WordsOf
from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import Words
from ledger.people import Patient
from ledger.vocabulary import Side, words_of
from ledger.vocabulary import Site as BodySite

PROCEDURE_TARGET = "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure"
BODY_SITE = "http://hl7.org/fhir/StructureDefinition/bodySite"
FLAG_DETAIL = "http://hl7.org/fhir/StructureDefinition/flag-detail"


@dataclass(frozen=True, kw_only=True)
class Names:
    """The names of everything in one patient's history, as one site calls them."""

    history: History
    patient: Patient
    site: Site
    words: WordsOf
    people: Directory
    context: Context

    @cached_property
    def space(self) -> UUID:
        """The namespace of our UUIDs at this site."""
        return uuid5(NAMESPACE_URL, self.site.namespace)

    @cached_property
    def voice(self) -> Voice:
        """How fields are put into FHIR and into words here."""
        return Voice(site=self.site, zone=self.history.zone, words=self.words)

    @cached_property
    def issued(self) -> dict[str, str]:
        """The identifier values of all references that were written, by `Type/id`."""
        return {}

    # --- Names ---

    def id_of(self, kind: str, value: str) -> str:
        """The id of a resource: UUIDv5 of namespace, type and identifier value."""
        return str(uuid5(self.space, f"{kind}|{value}"))

    def identifier(self, value: str) -> list[Element]:
        """The identifier of one of our resources."""
        made: Element = {"system": self.site.namespace, "value": value}
        if self.site.assigner is not None:
            made["assigner"] = {"display": self.site.assigner}
        return [made]

    def reference(self, kind: str, value: str) -> Element:
        """A reference to one of our resources, by the id that it will have; `resources_of` loosens what dangles."""
        target = f"{kind}/{self.id_of(kind, value)}"
        self.issued[target] = value
        return {"reference": target}

    def owner(self, entry_id: str) -> str:
        """The patient in whose stream an entry stands: another one where two records are of one patient."""
        return self.context.owners.get(entry_id, self.history.patient)

    def access_value(self, access: str) -> str:
        """The identifier value of an access."""
        return f"{self.context.access_owners.get(access, self.history.patient)}/access/{access}"

    # --- Whom it is about ---

    @cached_property
    def subject(self) -> Element:
        """The patient: by our own Patient resource where this site sends one, else by the receiver's number."""
        if self.site.create_patients:
            return self.reference("Patient", f"{self.patient.id}/patient")
        return {"type": "Patient", "identifier": self.patient_identifier}

    @cached_property
    def patient_identifier(self) -> Element:
        """The number by which the receiver knows the patient; our own where there is none (or it was erased)."""
        wanted = [one for one in self.patient.identifiers if one.system == self.site.patient_system]
        known = wanted or [one for one in self.patient.identifiers if one.system != "local" and ":" in one.system]
        if known and not (self.site.patient_system and not wanted):
            return {"system": known[0].system, "value": known[0].value}
        return {"system": self.site.namespace, "value": f"{self.patient.id}/patient"}

    def person(self, person: str) -> Element:
        """Somebody who recorded an entry: a reference by our own number, with the name where it is known."""
        known = self.people.persons.get(person)
        made: Element = {"identifier": {"system": self.site.namespace, "value": f"person/{person}"}}
        if known is not None:
            made["display"] = known.name
        return made

    def centre(self, centre: str | None) -> Element | None:
        """An access centre as an organisation."""
        if centre is None:
            return None
        known = self.people.centres.get(centre)
        return self._organisation(f"centre/{centre}", known.name if known else None)

    def unit(self, unit: str | None) -> Element | None:
        """A dialysis unit as an organisation."""
        if unit is None:
            return None
        known = self.people.units.get(unit)
        return self._organisation(f"unit/{unit}", known.name if known else None)

    def _organisation(self, value: str, display: str | None) -> Element:
        made: Element = {"type": "Organization", "identifier": {"system": self.site.namespace, "value": value}}
        if display:
            made["display"] = display
        return made

    def operator(self, words: Words | None) -> list[Element] | None:
        """Who operated, in the report's words: the ledger does not know them as a person."""
        said = string(self.words(words)) if words is not None else None
        return None if said is None else [{"actor": {"display": said}}]

    # --- The beginning of a resource ---

    def head(
        self,
        kind: str,
        one: InForce,
        title: str,
        *,
        part: str = "",
        about: Any = None,
        left_out: frozenset[str] = frozenset(),
        own: str | None = None,
        more: list[Element] | None = None,
        ordinal: int | None = None,
        tells_when: bool = False,
    ) -> Resource:
        """What every resource made of an entry begins with: id, meta, narrative, our extension, identifier.

        `part` names which of several; `about` is the part of the fact that it tells (the fact itself by default), and
        `own` the name of its extension; fields in `left_out` have another home in this resource, and `ordinal` is the
        place of the part in its list. `tells_when` puts the date into the extension, where the resource has no
        element for it.
        """
        fact = one.fact
        about = fact if about is None else about
        if about is fact and one.access != getattr(fact, "access", one.access):
            about = replace(fact, access=one.access)
        value = f"{one.root}/{part}" if part else one.root
        fields = children(about, self.voice, left_out)
        if tells_when:
            when = date_time(fact.happened, self.history.zone)
            exactly = when == str(fact.happened)
            fields.append({"url": "happened", "valueDateTime" if exactly else "valueString": str(fact.happened)})
        if ordinal is not None:
            fields.append({"url": "ordinal", "valueInteger": ordinal})
        extension = list(more or ())
        if fields:
            extension.append(
                {"url": f"{self.site.canonical}/StructureDefinition/{own or fact.kind}", "extension": fields}
            )
        told = sentences(about, self.voice)
        said = [f"{title}, {fact.happened}", *told]
        if fact.note is not None and part == "":
            said.append(self.words(fact.note) or "")
        return {
            "resourceType": kind,
            "id": self.id_of(kind, value),
            "meta": self.meta(fact.kind, one.entry.id),
            "text": narrative(said),
            "extension": extension,
            "identifier": self.identifier(value),
        }

    def derived_head(self, kind: str, value: str, said: list[str], extension: list[Element] | None = None) -> Resource:
        """The beginning of a resource that many entries speak of: an access, a device, a lesion."""
        return {
            "resourceType": kind,
            "id": self.id_of(kind, value),
            "meta": self.meta(None, None),
            "text": narrative(said),
            "extension": list(extension or ()),
            "identifier": self.identifier(value),
        }

    def meta(self, kind: str | None, entry: str | None, tag: str | None = None) -> Element:
        """Where it comes from, which kind of entry it is, and whether the patient was invented for tests.

        `tag` is the identifier of the two types that have no element for one.
        """
        made: Element = {"source": self.site.namespace if entry is None else f"{self.site.namespace}#{entry}"}
        if self.patient.invented:
            made["security"] = [self.site.codes.coding("security/test-data")]
        if kind is not None:
            made["tag"] = [self.kind_coding(kind)]
        if tag is not None:
            made.setdefault("tag", []).append({"system": self.site.namespace, "code": tag})
        return made

    def kind_coding(self, kind: str) -> Element:
        """The kind of an entry as a Coding."""
        return {"system": local_system(self.site, "kind"), "code": kind, "display": kind.replace("-", " ")}

    def dated(self, name: str, happened: PartialDate | None) -> Element:
        """A date element, with how it was said where FHIR cannot say it so."""
        return dated(name, happened, self.site, self.history.zone)

    def note(self, one: InForce) -> list[Element] | None:
        """The entry's note, where its words are still kept."""
        said = string(self.words(one.fact.note)) if one.fact.note is not None else None
        return None if said is None else [{"text": said}]

    def note_extension(self, one: InForce) -> list[Element]:
        """The note for the types of resource that have no element for one."""
        said = string(self.words(one.fact.note)) if one.fact.note is not None else None
        if said is None:
            return []
        return [{"url": f"{self.site.canonical}/StructureDefinition/note", "valueString": said}]

    # --- Where in the body ---

    def target(self, access: str | None, url: str = PROCEDURE_TARGET) -> list[Element]:
        """The access as the structure that was worked on: the standard extension for R4."""
        if access is None:
            return []
        return [{"url": url, "valueReference": self.structure(access)}]

    def structure(self, access: str) -> Element:
        """A reference to the BodyStructure of an access."""
        return self.reference("BodyStructure", self.access_value(access))

    def focus(self, access: str | None) -> list[Element] | None:
        """The access as what an Observation is about."""
        return None if access is None else [self.structure(access)]

    def body_site(self, access: str | None) -> Element | None:
        """Where the access lies, for readers that ignore extensions; None where nobody recorded it."""
        if access is None or access not in self.context.accesses:
            return None
        seen = self.context.accesses[access]
        return self.place(seen.side, seen.site)

    def place(self, side: Side | None, site: BodySite | None) -> Element | None:
        """A side and a site of the body as one concept of our own, with text: `left forearm`."""
        if side is None and site is None:
            return None
        code = "-".join(part.value for part in (side, site) if part is not None)
        text = " ".join(words_of(part) for part in (side, site) if part is not None)
        if site is None:
            text = f"{text} side"
        return {
            "coding": [{"system": local_system(self.site, "body-site"), "code": code, "display": text}],
            "text": text,
        }

    def laterality(self, side: Side | None) -> list[Element] | None:
        """The side as R4's own qualifier."""
        return None if side is None else [standard(self.site, f"laterality/{side.value}")]

    def seen(self, access: str | None) -> AccessSeen:
        """What is known of an access, over all its entries."""
        return self.context.accesses.get(access or "", AccessSeen())

    # --- Together ---

    def encounter(self, visit: str | None) -> Element | None:
        """The visit of a fact, where an entry tells of the visit."""
        root = self.context.visits.get(visit or "")
        return None if root is None else self.reference("Encounter", root.root)

    def part_of(self, one: InForce) -> list[Element] | None:
        """The procedure of the same visit that this one was part of."""
        primary = self.context.primary_of_visit.get(one.visit or "")
        if primary is None or primary.root == one.root:
            return None
        return [self.reference("Procedure", primary.root)]

    def entry_reference(self, entry_id: str) -> tuple[str, Element] | None:
        """The type of, and a reference to, the resource that an entry became; None for an entry that is not there."""
        root = self.context.roots.get(entry_id)
        if root is None:
            return None
        from fhir_mapping.resources import primary_type

        kind = primary_type(root.fact)
        return kind, self.reference(kind, root.root)

    def report(self, one: InForce) -> list[Element] | None:
        """The report that the entry rests on."""
        report = one.entry.evidence.report
        return None if report is None else [self.report_reference(report)]

    def report_reference(self, report: str) -> Element:
        """A reference to the DocumentReference of a report."""
        return self.reference("DocumentReference", self.report_value(report))

    def report_value(self, report: str) -> str:
        """The identifier value of a report. A report that was moved is sent under each patient that it was put to."""
        return f"{self.history.patient}/report/{report}"
