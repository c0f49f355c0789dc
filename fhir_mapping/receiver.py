"""The way back: resources of ours, or of another ledger, become facts again.

`received_from` is a pure function: it reads every resource that bears a kind of ours, gathers the parts of one entry by
their identifier, and gives the fact that they tell; what cannot be read is named with its reason. `proposals_for` holds
those facts against what a ledger knows: new, known already, changed (a correction), withdrawn (a retraction). Nothing
is recorded here but by `take_over`, for a person or by rule.

Where each field stands is described once, in `details.py`; a new kind needs nothing here. Resources that are not ours
are told apart by `foreign_in` and go the way of reports: `report import`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import Any, Literal, cast

from fhir_mapping.definitions import PARTS
from fhir_mapping.details import (
    KeepWords,
    Unreadable,
    read_children,
    read_components,
    read_value,
    said_date,
    specs_of,
)
from fhir_mapping.elements import Element, Resource, written
from fhir_mapping.observations import VALUE_FIELDS
from fhir_mapping.retelling import MOST_QUOTES, retold
from fhir_mapping.sender import is_in_error
from fhir_mapping.site import Site, WordsOf
from ledger.chronology import History, entry_in_force_for
from ledger.entries import Draft, Entry, Signature, entry_id_of, event_to_dict, fact_of, validated, words_in
from ledger.events import FACT_KINDS, KINDS, Event, Fact, Words
from ledger.evidence import Evidence, Quote
from ledger.store import Ledger
from ledger.store.papers import CONFIRMED

REFERRING = ("findings", "cultures", "referral", "about")
"""Fields that hold ids of other entries; these change when entries come into another ledger."""

_MISBUILT = (AttributeError, IndexError, KeyError, StopIteration, TypeError, ValueError)
"""What a resource raises that is not built as FHIR builds it. Nothing of ours is called under it but reading."""

_DATES = {
    "Procedure": "performedDateTime",
    "Observation": "effectiveDateTime",
    "Condition": "onsetDateTime",
    "ServiceRequest": "authoredOn",
    "Appointment": "created",
    "Task": "authoredOn",
}
_PERIODS = {
    "EpisodeOfCare": "period",
    "Encounter": "period",
    "CarePlan": "period",
    "MedicationStatement": "effectivePeriod",
}
_LISTS = {
    ("angiogram", "lesion-found"): "lesions",
    ("imaging", "lesion-found"): "lesions",
    ("angioplasty", "lesion-treated"): "lesions",
    ("stent", "lesion-treated"): "lesions",
    ("vein-mapping", "mapped-vessel"): "vessels",
    ("vein-mapping", "suitable-for"): "suitable_for",
    ("background", "background-item"): "items",
}


@dataclass(frozen=True, kw_only=True)
class ReceivedFact:
    """One fact that came in: whose identifier it bears, what it says (plain JSON), and of whom.

    `said` is None where the sender takes it back; `subjects` are the identifiers of the patient, as (system, value).
    `resources` are those that tell it: the one that speaks for the entry first, then its parts.
    """

    namespace: str
    root: str
    kind: str
    said: dict[str, Any] | None
    subjects: tuple[tuple[str, str], ...]
    resources: tuple[Resource, ...] = field(default=(), compare=False, repr=False)


@dataclass
class ReceivedAll:
    """What was read of a pile of resources."""

    facts: list[ReceivedFact] = field(default_factory=list)
    not_read: list[tuple[str, str]] = field(default_factory=list)
    patients: list[Resource] = field(default_factory=list)
    foreign: list[Resource] = field(default_factory=list)


def resources_in(found: Any) -> list[Resource]:
    """The resources of a Bundle, or the one that is there."""
    if not isinstance(found, dict):
        return []
    if found.get("resourceType") == "Bundle":
        made = []
        for entry in found.get("entry", ()):
            resource = entry.get("resource")
            if isinstance(resource, dict):
                address = entry.get("fullUrl")
                made.append({**resource, "_fullUrl": address} if isinstance(address, str) else resource)
        return made
    return [found]


def addressed(resources: Iterable[Resource]) -> dict[str, Resource]:
    """Resources by `Type/id`, and by their address in a bundle."""
    found = {}
    for one in resources:
        if one.get("id"):
            found[f"{one.get('resourceType')}/{one['id']}"] = one
        if isinstance(one.get("_fullUrl"), str):
            found[one["_fullUrl"]] = one
    return found


class KeptWords:
    """Words that came in, held until it is known whose they are; nothing is stored before a fact is taken over."""

    def __init__(self) -> None:
        self.said: dict[str, str] = {}

    def __call__(self, said: str) -> dict[str, Any]:
        name = f"t-received-{len(self.said)}"
        self.said[name] = said
        return {"text": name, "start": 0, "end": len(said)}

    def or_else(self, words: WordsOf) -> WordsOf:
        """The words of a stretch: those that came in, else those of the ledger."""

        def of(stretch: Words | Quote) -> str | None:
            text = self.said.get(stretch.text)
            return words(stretch) if text is None else text[stretch.start : stretch.end]

        return of

    def settled(self, event: Event, ledger: Ledger, patient: str) -> Event:
        """The same event with its words kept as texts of the patient."""
        if not any(stretch.text in self.said for stretch in words_in(event)):
            return event

        def put(value: Any) -> Any:
            if isinstance(value, dict) and value.get("text") in self.said:
                stretch = ledger.papers.typed(self.said[value["text"]], patient)
                return {"text": stretch.text, "start": stretch.start, "end": stretch.end}
            if isinstance(value, dict):
                return {name: put(held) for name, held in value.items()}
            return [put(item) for item in value] if isinstance(value, list) else value

        return validated(put(event_to_dict(event)))


def received_from(
    resources: Iterable[Resource], keep: KeepWords, namespaces: frozenset[str] = frozenset()
) -> ReceivedAll:
    """The facts that a pile of resources tells. `keep` keeps words and gives the stretch that stands for them.

    `namespaces` are those by whose identifiers resources are known as ours even where a server dropped their source.
    """
    done = ReceivedAll()
    primary: dict[tuple[str, str], tuple[Resource, str, str]] = {}
    parts: dict[tuple[str, str], list[Resource]] = {}
    patients: dict[str, Resource] = {}
    for resource in resources:
        try:
            _sort(resource, namespaces, done, primary, parts, patients)
        except _MISBUILT:
            done.not_read.append((str(resource.get("resourceType"))[:40], "is not built like a resource"))
    for key, (resource, kind, canonical) in primary.items():
        namespace, root = key
        if kind not in FACT_KINDS:
            continue
        try:
            said = None if is_in_error(resource) else _fact(resource, kind, canonical, parts.get(key, []), keep)
            if said is not None:
                validated(said)
            subjects = _subjects(resource, patients)
        except _MISBUILT as wrong:
            reason = str(wrong) if isinstance(wrong, Unreadable) else "it does not say what its kind asks for"
            done.not_read.append((f"{resource['resourceType']} {root}", reason))
            continue
        done.facts.append(
            ReceivedFact(
                namespace=namespace,
                root=root,
                kind=kind,
                said=said,
                subjects=subjects,
                resources=(resource, *parts.get(key, ())),
            )
        )
    return done


def _sort(
    resource: Resource,
    namespaces: frozenset[str],
    done: ReceivedAll,
    primary: dict[tuple[str, str], tuple[Resource, str, str]],
    parts: dict[tuple[str, str], list[Resource]],
    patients: dict[str, Resource],
) -> None:
    """Puts a resource where it belongs: a patient, one that speaks for an entry, a part of one, or not ours."""
    of = resource.get("resourceType")
    if of == "Patient":
        done.patients.append(resource)
        for address in (f"Patient/{resource.get('id')}", str(resource.get("_fullUrl"))):
            patients[address] = resource
        return
    told = _kind_of(resource)
    named = _named(resource, namespaces)
    if told is None or named is None:
        if of not in ("Provenance", "Linkage", "OperationOutcome") and named is None:
            done.foreign.append(resource)
        return
    canonical, kind = told
    namespace, value = named
    root, _, part = value.partition("/")
    if part:
        parts.setdefault((namespace, root), []).append(resource)
        return
    # A fact that changed its type has left an older resource, in error, under the same identifier.
    held = primary.get((namespace, root))
    if held is None or is_in_error(held[0]):
        primary[namespace, root] = (resource, kind, canonical)


def _kind_of(resource: Resource) -> tuple[str, str] | None:
    """The kind of entry that a resource tells, and the canonical base of whoever wrote it."""
    for tag in resource.get("meta", {}).get("tag", ()):
        system = str(tag.get("system", ""))
        if system.endswith("/CodeSystem/kind") and tag.get("code") in KINDS:
            return system.removesuffix("/CodeSystem/kind"), str(tag["code"])
    return None


def _named(resource: Resource, namespaces: frozenset[str]) -> tuple[str, str] | None:
    """The identifier by which a resource is one of ours, or of another ledger: (namespace, value)."""
    source = str(resource.get("meta", {}).get("source", "")).partition("#")[0]
    identifiers = resource.get("identifier", ())
    for identifier in identifiers if isinstance(identifiers, list) else ():
        system = str(identifier.get("system"))
        if system in namespaces or (source and system == source):
            return system, str(identifier.get("value"))
    return None


def _fact(resource: Resource, kind: str, canonical: str, parts: list[Resource], keep: KeepWords) -> dict[str, Any]:
    site = Site(namespace="urn:uuid:00000000-0000-0000-0000-000000000000", canonical=canonical)
    cls = KINDS[kind]
    found: dict[str, Any] = {"kind": kind, "happened": _happened(resource, kind, site)}
    note = _note(resource, canonical)
    if note is not None:
        found["note"] = keep(note)
    found.update(read_children(cls, _own(resource, kind, canonical), site, keep))
    if resource["resourceType"] == "Observation":
        found.update(read_components(cls, resource.get("component", ()), site, keep))
        if kind in VALUE_FIELDS:
            found.update(read_value(cls, VALUE_FIELDS[kind], resource, site, keep))
    if any(spec.name == "operator" for spec in specs_of(cls)):
        operator = _operator(resource)
        if operator is not None:
            found["operator"] = keep(operator)
    lists: dict[str, list[tuple[int, dict[str, Any]]]] = {}
    for part in parts:
        if is_in_error(part):
            continue
        value = next(str(one["value"]) for one in part["identifier"])
        if value.endswith("/findings"):
            found.update(read_components(cls, part.get("component", ()), site, keep))
            continue
        for own, part_cls in PARTS.items():
            name = _LISTS.get((kind, own))
            children = _own(part, own, canonical)
            if name is None or not children:
                continue
            told = read_children(part_cls, children, site, keep)
            if part["resourceType"] == "Observation":
                told.update(read_components(part_cls, part.get("component", ()), site, keep))
                if own in VALUE_FIELDS:
                    told.update(read_value(part_cls, VALUE_FIELDS[own], part, site, keep))
            place = next((int(child["valueInteger"]) for child in children if child.get("url") == "ordinal"), 0)
            lists.setdefault(name, []).append((place, told))
    for name, told_parts in lists.items():
        found[name] = [told for _, told in sorted(told_parts, key=lambda one: one[0])]
    return found


def _happened(resource: Resource, kind: str, site: Site) -> str:
    for child in _own(resource, kind, site.canonical):
        if child.get("url") == "happened":
            return str(child["valueDateTime"] if "valueDateTime" in child else child["valueString"])
    of = resource["resourceType"]
    if of in _DATES:
        name = _DATES[of]
        return said_date(resource[name], resource.get(f"_{name}"), site)
    period = resource[_PERIODS[of]]
    return said_date(period["start"], period.get("_start"), site)


def _note(resource: Resource, canonical: str) -> str | None:
    if resource["resourceType"] == "Appointment":
        return cast("str | None", resource.get("comment"))
    for extension in resource.get("extension", ()):
        if extension.get("url") == f"{canonical}/StructureDefinition/note":
            return str(extension["valueString"])
    notes = resource.get("note", ())
    return str(notes[0]["text"]) if notes else None


def _own(resource: Resource, name: str, canonical: str) -> list[Element]:
    """The children of our extension of this name."""
    for extension in resource.get("extension", ()):
        if extension.get("url") == f"{canonical}/StructureDefinition/{name}":
            return list(extension.get("extension", ()))
    return []


def _operator(resource: Resource) -> str | None:
    for performer in resource.get("performer", ()) if resource["resourceType"] == "Procedure" else ():
        return cast("str | None", performer.get("actor", {}).get("display"))
    for participant in resource.get("participant", ()) if resource["resourceType"] == "Encounter" else ():
        return cast("str | None", participant.get("individual", {}).get("display"))
    return None


def _subjects(resource: Resource, patients: Mapping[str, Resource]) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for name in ("subject", "patient", "for"):
        reference = resource.get(name)
        if isinstance(reference, dict):
            identifiers = [reference["identifier"]] if isinstance(reference.get("identifier"), dict) else []
            known = patients.get(str(reference.get("reference")))
            identifiers += (known or {}).get("identifier", [])
            found += [(str(one.get("system")), str(one.get("value"))) for one in identifiers]
    for participant in resource.get("participant", ()) if resource["resourceType"] == "Appointment" else ():
        found += _subjects({"resourceType": "", "subject": participant.get("actor", {})}, patients)
    return tuple(dict.fromkeys(found))


# --- Into a ledger ------------------------------------------------------------------------------------------------

What = Literal["new", "known", "changed", "withdrawn", "unknown-patient"]


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """What one received fact would do to a ledger. `draft` is None where it would do nothing."""

    what: What
    received: ReceivedFact
    patient: str | None
    draft: Draft | None = None


def source_of(received: ReceivedFact) -> str:
    """The source of an entry that came in: the sender's own identifier, so that it comes in once."""
    return f"fhir|{received.namespace}|{received.root}"


def patient_of_received(ledger: Ledger, received: ReceivedFact) -> str | None:
    """Whose fact it is: by a number that the ledger knows, or by our own where it was ours."""
    for system, value in received.subjects:
        if system == f"urn:uuid:{ledger.uuid}" or system == received.namespace:
            own = value.removesuffix("/patient")
            if system == f"urn:uuid:{ledger.uuid}" and own in ledger.who:
                return own
        found = ledger.who.by_identifier(system, value)
        if found is not None:
            return found.id
    return None


def proposals_for(ledger: Ledger, namespace: str, received: Iterable[ReceivedFact], kept: KeptWords) -> list[Proposal]:
    """What received facts would do to a ledger whose own namespace this is, in an order in which they can go in."""
    words = kept.or_else(ledger.papers.words)
    by_patient: dict[str, list[ReceivedFact]] = {}
    made: list[Proposal] = []
    for one in received:
        patient = patient_of_received(ledger, one)
        if patient is None:
            made.append(Proposal(what="unknown-patient", received=one, patient=None))
        else:
            by_patient.setdefault(patient, []).append(one)
    for patient, facts in by_patient.items():
        history = ledger.history(patient, sessions=True)
        made += proposals_after(history, facts, namespace, ledger, words)
    return made


def proposals_after(
    history: History, received: Iterable[ReceivedFact], namespace: str, ledger: Ledger, words: WordsOf
) -> list[Proposal]:
    """What received facts of one patient would do after a history."""
    facts = list(received)
    ids = {one.root: _entry_id(one, history.patient, namespace, ledger) for one in facts}
    made = []
    for one in sorted(facts, key=_order):
        entry_id = ids[one.root]
        entries = [*history.entries, *(e for _, others in history.merged for e in others)]
        there = history.entry(entry_id)
        now = entry_in_force_for(entry_id, entries) if there is not None else None
        if one.said is None:
            if now is None:
                made.append(Proposal(what="known", received=one, patient=history.patient))
            else:
                event = validated({"kind": "retraction", "happened": _today(ledger, history), "retracts": now.id})
                made.append(_proposal("withdrawn", one, history.patient, event))
            continue
        fact = cast("Fact", validated(_with_ids(one.said, ids)))
        if there is None:
            made.append(
                Proposal(
                    what="new", received=one, patient=history.patient, draft=Draft(event=fact, source=source_of(one))
                )
            )
        elif now is None or _same(fact, now, words):
            made.append(Proposal(what="known", received=one, patient=history.patient))
        else:
            event = validated(
                {
                    "kind": "correction",
                    "happened": str(fact.happened),
                    "corrects": now.id,
                    "root": entry_id,
                    "to": event_to_dict(fact),
                }
            )
            made.append(_proposal("changed", one, history.patient, event))
    return made


def _proposal(what: What, one: ReceivedFact, patient: str, event: Any) -> Proposal:
    # A second change of the same fact is another entry: the id of a correction names what it corrects.
    return Proposal(what=what, received=one, patient=patient, draft=Draft(event=event, source=source_of(one)))


def take_over(
    ledger: Ledger, proposals: Iterable[Proposal], by: Signature, kept: KeptWords
) -> tuple[int, list[tuple[Proposal, str]]]:
    """Records proposals. Gives how many went in, and those that admission refused, with its reason.

    The resources are kept as a report of each patient, and every entry rests on what they say.
    """
    added = 0
    refused: list[tuple[Proposal, str]] = []
    by_patient: dict[str, list[Proposal]] = {}
    for one in proposals:
        if one.draft is not None and one.patient is not None:
            draft = replace(one.draft, event=kept.settled(one.draft.event, ledger, one.patient))
            by_patient.setdefault(one.patient, []).append(replace(one, draft=draft))
    for patient, ones in by_patient.items():
        with ledger.db.writing():
            waiting = _resting_on_resources(ledger, patient, ones)
            # What was refused because something else was not there yet may go in after it.
            while waiting:
                done = ledger.append(patient, [one.draft for one in waiting if one.draft], by=by, partly=True)
                added += len(done.entries)
                turned_down = {id(draft): refusal for draft, refusal in done.refused}
                left = [one for one in waiting if id(one.draft) in turned_down]
                if not done.entries or not left:
                    refused += [(one, turned_down[id(one.draft)].problem) for one in left]
                    break
                waiting = left
    return added, refused


def _resting_on_resources(ledger: Ledger, patient: str, ones: list[Proposal]) -> list[Proposal]:
    """Keeps the resources of a patient's proposals as one report, and lets each draft quote its own."""
    telling = [resource for one in ones for resource in one.received.resources]
    if not telling:
        return ones
    whole = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": _bare(one)} for one in telling]}
    told = retold(telling)
    report, _ = ledger.papers.keep_report(
        written(whole),
        told.text,
        patient=patient,
        file_name="received.json",
        media_type="application/fhir+json",
        state=CONFIRMED,
        envelope={
            "envelope": {"form": "fhir-json", "sender": ones[0].received.namespace},
            "linked": {"by": "identifier", "doubts": []},
        },
    )
    assert report.text_id is not None, "it was kept with its text, now or before"
    made, place = [], 0
    for one in ones:
        own = told.quotes[place : place + len(one.received.resources)]
        place += len(one.received.resources)
        assert one.draft is not None
        quotes = tuple(Quote(text=report.text_id, start=start, end=end) for part in own for start, end in part)
        evidence = Evidence(report=report.id, quotes=quotes[:MOST_QUOTES])
        made.append(replace(one, draft=replace(one.draft, evidence=evidence)))
    return made


def _bare(resource: Resource) -> Resource:
    return {name: held for name, held in resource.items() if name != "_fullUrl"}


def _entry_id(one: ReceivedFact, patient: str, namespace: str, ledger: Ledger) -> str:
    """The id of the entry that a received fact is, or would become, here."""
    if one.namespace == namespace:
        return one.root
    said = one.said or {}
    event = validated(said) if said else None
    if event is None:
        # Taken back: its kind and access are not needed by anybody who never had it.
        for entry in ledger.history(patient, sessions=True).entries:
            if entry.source == source_of(one):
                return entry.event.root if entry.event.kind == "correction" else entry.id
        return one.root
    return entry_id_of(ledger.uuid, patient, Draft(event=event, source=source_of(one)))


def _with_ids(said: dict[str, Any], ids: Mapping[str, str]) -> dict[str, Any]:
    """The same fact with the ids that its other entries have here."""
    made = dict(said)
    for name in REFERRING:
        held = made.get(name)
        if isinstance(held, str):
            made[name] = ids.get(held, held)
        elif isinstance(held, list):
            made[name] = [ids.get(one, one) for one in held]
    return made


def _same(fact: Fact, now: Entry, words: WordsOf) -> bool:
    """Whether two facts say the same. 812.50 and 812.5 do here: many servers keep numbers without their last zeros."""
    there = cast("Fact", fact_of(now.event))
    return bool(_numerically(in_words(fact, words)) == _numerically(in_words(there, words)))


def _numerically(value: Any) -> Any:
    if isinstance(value, dict):
        return {
            name: Decimal(held).normalize() if name in ("value", "low", "high") else _numerically(held)
            for name, held in value.items()
        }
    return [_numerically(item) for item in value] if isinstance(value, list) else value


def in_words(fact: Fact, words: Callable[[Any], str | None]) -> dict[str, Any]:
    """A fact as plain JSON, with its words in the place of the stretches that stand for them; for comparing."""
    said = {(one.text, one.start, one.end): words(one) for one in words_in(fact)}

    def put(value: Any) -> Any:
        if isinstance(value, dict):
            if set(value) == {"text", "start", "end"}:
                return said[value["text"], value["start"], value["end"]]
            return {name: put(held) for name, held in value.items()}
        return [put(item) for item in value] if isinstance(value, list) else value

    return cast("dict[str, Any]", put(_whole(event_to_dict(fact))))


def _whole(value: Any) -> Any:
    """Plain JSON in which a stretch that begins at 0 says so, as the comparison needs."""
    if isinstance(value, dict):
        made = {name: _whole(held) for name, held in value.items()}
        if "text" in made and "end" in made:
            made.setdefault("start", 0)
        return made
    return [_whole(item) for item in value] if isinstance(value, list) else value


_OPENS = ("creation", "catheter-placed", "access-known", "access-planned", "care-began")


def _order(one: ReceivedFact) -> tuple[str, int, str]:
    said = one.said or {}
    return (str(said.get("happened", "")), 0 if one.kind in _OPENS else 1, one.root)


def _today(ledger: Ledger, history: History) -> str:
    return ledger.clock().astimezone(history.zone).date().isoformat()
