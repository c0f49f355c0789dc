"""From a patient's history to FHIR R4 resources: the one door out.

`resources_of` is a pure function: the same history and settings give the same resources, to the byte, on any day.
Every fact in force becomes its resources; every fact that is no longer in force, and every part that a correction
took away, goes out once more as entered in error under the identifier that it always had. Nothing is ever deleted.
What depends on something else comes after it.

To add a kind, write its mapper in the module of its FHIR resource and name it in `_mapped`; mypy asks for it there,
and `primary_type` says which type of resource speaks for it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, assert_never, cast

from fhir_mapping.care import (
    encounter_from_hospital_stay,
    encounter_from_visit,
    episode_from_care,
    medication_from_antimicrobial_course,
    resources_from_background,
)
from fhir_mapping.conditions import (
    condition_from_catheter_trouble,
    condition_from_complication,
    condition_from_infection,
    condition_from_lesion,
    condition_from_thrombosis,
)
from fhir_mapping.context import AccessSeen, context_of
from fhir_mapping.devices import device_of, document_of, patient_of, structure_of
from fhir_mapping.elements import Element, Resource, narrative, standard, without_unknown
from fhir_mapping.names import Names
from fhir_mapping.observations import (
    observation_from_abandonment,
    observation_from_access_known,
    observation_from_access_used,
    observation_from_cannulation_session,
    observation_from_culture,
    observation_from_decision,
    observation_from_examination,
    observation_from_first_seen_here,
    observation_from_follow_up_ended,
    observation_from_imaging,
    observation_from_maturity_assessed,
    observation_from_measurement,
    observation_from_modality_changed,
    observation_from_taken_up_again,
    observation_from_vein_mapping,
)
from fhir_mapping.plans import (
    ASKS,
    appointment_from_appointment,
    plan_from_life_plan,
    request_from_access_planned,
    request_from_referral,
    resource_from_instruction,
    task_from_set_aside,
)
from fhir_mapping.procedures import (
    procedure_from_abandonment,
    procedure_from_angiogram,
    procedure_from_angioplasty,
    procedure_from_banding,
    procedure_from_catheter_exchanged,
    procedure_from_catheter_placed,
    procedure_from_catheter_removed,
    procedure_from_creation,
    procedure_from_first_cannulation,
    procedure_from_other_intervention,
    procedure_from_revision,
    procedure_from_second_stage,
    procedure_from_stent,
    procedure_from_thrombectomy,
)
from fhir_mapping.provenance import linkage_of, provenance_of, root_of
from fhir_mapping.site import NOBODY, Directory, Site, WordsOf
from ledger.chronology import History, InForce, in_clinical_order, in_force
from ledger.entries import Entry, fact_of
from ledger.events import (
    FACT_KINDS,
    Abandonment,
    AccessesAreOne,
    AccessKnown,
    AccessPlanned,
    AccessSplit,
    AccessUsed,
    Angiogram,
    Angioplasty,
    AntimicrobialCourse,
    Appointment,
    Background,
    Banding,
    CannulationSession,
    CareBegan,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    CatheterTrouble,
    Complication,
    Correction,
    Creation,
    Culture,
    Decision,
    Examination,
    Fact,
    FirstCannulation,
    FirstSeenHere,
    FollowUpEnded,
    FollowUpResumed,
    HospitalStay,
    Imaging,
    Infection,
    Instruction,
    LifePlanReviewed,
    MaturityAssessed,
    Measurement,
    ModalityChanged,
    OtherInterventionDone,
    PatientsAreOne,
    Referral,
    ReportMoved,
    ReportReviewed,
    Revision,
    SecondStage,
    SetAside,
    Stent,
    TakenUpAgain,
    Thrombectomy,
    Thrombosis,
    VeinMapping,
    Visit,
    access_of,
)
from ledger.people import Patient
from ledger.vocabulary import AbandonmentHow


def resources_of(
    history: History, patient: Patient, site: Site, words: WordsOf, people: Directory = NOBODY
) -> list[Resource]:
    """All resources of a patient, what depends on something else after it. Plain dicts; decimals are `Decimal`.

    `words` gives the words of a stretch of text, None where they were erased or left out of a copy.
    """
    facts = one_a_root(history.facts)
    names = names_of(history, patient, site, words, people, facts)
    made = _Made()
    if site.create_patients:
        made.add(patient_of(names))
    of_root: dict[str, list[Element]] = {}
    for one in facts:
        for resource in _mapped(one, names):
            made.add(resource)
            of_root.setdefault(one.root, []).append(_to(resource))
    _add_derived(made, names)
    for entry in _holding(history):
        for resource in linkage_of(entry, names):
            made.add(resource)
            of_root.setdefault(entry.id, []).append(_to(resource))
    issued = dict(names.issued)
    issued.update(_add_in_error(made, of_root, history, patient, site, words, people))
    issued.update(_add_provenance(made, of_root, names))
    return _in_order_of_dependence(_loosened(made.resources, issued, site), site)


def one_a_root(facts: tuple[InForce, ...]) -> tuple[InForce, ...]:
    """One fact under each identity: where two corrections of one entry both hold (the retraction of one was retracted
    after the other was made), the one recorded last speaks."""
    last: dict[str, InForce] = {}
    for one in facts:
        held = last.get(one.root)
        if held is None or (held.entry.recorded_at, held.entry.version) < (one.entry.recorded_at, one.entry.version):
            last[one.root] = one
    if len(last) == len(facts):
        return facts
    return tuple(one for one in facts if last[one.root] is one)


def primary_type(fact: Fact) -> str:
    """The type of the resource that speaks for a fact: the one whose identifier is the root entry's id alone."""
    match fact:
        case CareBegan() | FollowUpResumed():
            return "EpisodeOfCare"
        case HospitalStay() | Visit():
            return "Encounter"
        case LifePlanReviewed():
            return "CarePlan"
        case AccessPlanned() | Referral():
            return "ServiceRequest"
        case Appointment():
            return "Appointment"
        case Thrombosis() | Complication() | CatheterTrouble() | Infection():
            return "Condition"
        case AntimicrobialCourse():
            return "MedicationStatement"
        case Instruction(what=what):
            return "ServiceRequest" if what in ASKS else "Flag"
        case SetAside():
            return "Task"
        case (
            Creation()
            | CatheterPlaced()
            | CatheterExchanged()
            | CatheterRemoved()
            | SecondStage()
            | FirstCannulation()
            | Angiogram()
            | Angioplasty()
            | Stent()
            | Thrombectomy()
            | Banding()
            | Revision()
            | OtherInterventionDone()
        ):
            return "Procedure"
        case Abandonment(how=how):
            return "Observation" if how is AbandonmentHow.GIVEN_UP else "Procedure"
        case _:
            return "Observation"


def _mapped(one: InForce, names: Names) -> list[Resource]:
    """The resources of one fact."""
    match one.fact:
        case CareBegan() | FollowUpResumed() as fact:
            return episode_from_care(fact, one, names)
        case ModalityChanged() as fact:
            return observation_from_modality_changed(fact, one, names)
        case HospitalStay() as fact:
            return encounter_from_hospital_stay(fact, one, names)
        case FirstSeenHere() as fact:
            return observation_from_first_seen_here(fact, one, names)
        case FollowUpEnded() as fact:
            return observation_from_follow_up_ended(fact, one, names)
        case Background() as fact:
            return resources_from_background(fact, one, names)
        case Decision() as fact:
            return observation_from_decision(fact, one, names)
        case LifePlanReviewed() as fact:
            return plan_from_life_plan(fact, one, names)
        case VeinMapping() as fact:
            return observation_from_vein_mapping(fact, one, names)
        case AccessPlanned() as fact:
            return request_from_access_planned(fact, one, names)
        case AccessKnown() as fact:
            return observation_from_access_known(fact, one, names)
        case Creation() as fact:
            return procedure_from_creation(fact, one, names)
        case CatheterPlaced() as fact:
            return procedure_from_catheter_placed(fact, one, names)
        case CatheterExchanged() as fact:
            return procedure_from_catheter_exchanged(fact, one, names)
        case CatheterRemoved() as fact:
            return procedure_from_catheter_removed(fact, one, names)
        case SecondStage() as fact:
            return procedure_from_second_stage(fact, one, names)
        case MaturityAssessed() as fact:
            return observation_from_maturity_assessed(fact, one, names)
        case FirstCannulation() as fact:
            return procedure_from_first_cannulation(fact, one, names)
        case AccessUsed() as fact:
            return observation_from_access_used(fact, one, names)
        case CannulationSession() as fact:
            return observation_from_cannulation_session(fact, one, names)
        case Examination() as fact:
            return observation_from_examination(fact, one, names)
        case Measurement() as fact:
            return observation_from_measurement(fact, one, names)
        case Thrombosis() as fact:
            return condition_from_thrombosis(fact, one, names)
        case Complication() as fact:
            return condition_from_complication(fact, one, names)
        case CatheterTrouble() as fact:
            return condition_from_catheter_trouble(fact, one, names)
        case Infection() as fact:
            return condition_from_infection(fact, one, names)
        case Culture() as fact:
            return observation_from_culture(fact, one, names)
        case AntimicrobialCourse() as fact:
            return medication_from_antimicrobial_course(fact, one, names)
        case Referral() as fact:
            return request_from_referral(fact, one, names)
        case Appointment() as fact:
            return appointment_from_appointment(fact, one, names)
        case Visit() as fact:
            return encounter_from_visit(fact, one, names)
        case Angiogram() as fact:
            return procedure_from_angiogram(fact, one, names)
        case Imaging() as fact:
            return observation_from_imaging(fact, one, names)
        case Angioplasty() as fact:
            return procedure_from_angioplasty(fact, one, names)
        case Stent() as fact:
            return procedure_from_stent(fact, one, names)
        case Thrombectomy() as fact:
            return procedure_from_thrombectomy(fact, one, names)
        case Banding() as fact:
            return procedure_from_banding(fact, one, names)
        case Revision() as fact:
            return procedure_from_revision(fact, one, names)
        case OtherInterventionDone() as fact:
            return procedure_from_other_intervention(fact, one, names)
        case Instruction() as fact:
            return resource_from_instruction(fact, one, names)
        case Abandonment() as fact:
            if fact.how is AbandonmentHow.GIVEN_UP:
                return observation_from_abandonment(fact, one, names)
            return procedure_from_abandonment(fact, one, names)
        case TakenUpAgain() as fact:
            return observation_from_taken_up_again(fact, one, names)
        case SetAside() as fact:
            return task_from_set_aside(fact, one, names)
        case unmapped:
            assert_never(unmapped)


class _Made:
    """The resources so far; the first of an identity stays."""

    def __init__(self) -> None:
        self.resources: dict[str, Resource] = {}

    def add(self, resource: Resource) -> bool:
        key = f"{resource['resourceType']}/{resource['id']}"
        if key in self.resources:
            return False
        self.resources[key] = without_unknown(resource)
        return True


def names_of(
    history: History,
    patient: Patient,
    site: Site,
    words: WordsOf,
    people: Directory,
    facts: tuple[InForce, ...] | None = None,
) -> Names:
    """The names of everything in a history; of all its effective facts, unless others are given."""
    facts = one_a_root(history.facts) if facts is None else facts
    return Names(
        history=history,
        patient=patient,
        site=site,
        words=words,
        people=people,
        context=context_of(history, facts),
    )


def _derived(names: Names) -> Iterable[Resource]:
    """What many entries speak of: accesses, devices, lesions."""
    for access, seen in names.context.accesses.items():
        yield structure_of(access, seen, names)
    for device in names.context.devices.values():
        yield from device_of(device, names)
    for lesion in names.context.lesions.values():
        yield condition_from_lesion(lesion, names)


def _add_derived(made: _Made, names: Names) -> None:
    for resource in _derived(names):
        made.add(resource)
    moved = {entry.event.report for entry in _holding(names.history) if isinstance(entry.event, ReportMoved)}
    reports = dict.fromkeys(
        report for entry in _all_entries(names.history) if (report := _report_of(entry)) is not None
    )
    for report in reports:
        made.add(document_of(report, names, in_error=report in moved))


def _report_of(entry: Entry) -> str | None:
    if isinstance(entry.event, ReportReviewed | ReportMoved):
        return entry.event.report
    return entry.evidence.report


def _all_entries(history: History) -> list[Entry]:
    return [*history.entries, *(entry for _, others in history.merged for entry in others)]


def _holding(history: History) -> list[Entry]:
    found = in_force(history.entries)
    for _, others in history.merged:
        found += in_force(others)
    return found


# --- In error -----------------------------------------------------------------------------------------------------


def _add_in_error(
    made: _Made,
    of_root: dict[str, list[Element]],
    history: History,
    patient: Patient,
    site: Site,
    words: WordsOf,
    people: Directory,
) -> dict[str, str]:
    """What was once sent and no longer holds: the same identifiers, entered in error.

    These are the resources of all entries that are not in force, as far as no resource in force bears their identity.
    Gives the identifiers that were issued on the way.
    """
    current = one_a_root(history.facts)
    holding = {one.entry.id for one in current}
    gone = [_as_in_force(entry) for entry in _all_entries(history) if _is_gone(entry, holding)]
    linked = [entry for entry in _all_entries(history) if isinstance(entry.event, AccessesAreOne | PatientsAreOne)]
    known = {access for entry in _all_entries(history) if (access := access_of(entry.event)) is not None}
    lost = known - set(history.accesses)
    still = {entry.id for entry in _holding(history)}
    if not gone and not lost and all(entry.id in still for entry in linked):
        return {}
    facts = tuple(in_clinical_order([*current, *gone], history.zone))
    names = names_of(history, patient, site, words, people, facts)
    # The newest wording of what was told several times comes first, since the first of an identity stays.
    for one in sorted(gone, key=lambda one: one.entry.recorded_at, reverse=True):
        for resource in _mapped(one, names):
            marked = in_error(resource, names)
            if made.add(marked):
                of_root.setdefault(one.root, []).append(_to(resource))
    for access in sorted(lost):
        seen = names.context.accesses.get(access, AccessSeen())
        made.add(in_error(structure_of(access, seen, names), names))
    for resource in _derived(names):
        made.add(in_error(resource, names))
    for entry in linked:
        if entry.id not in still:
            for resource in linkage_of(entry, names, active=False):
                if made.add(resource):
                    of_root.setdefault(entry.id, []).append(_to(resource))
    return names.issued


def _is_gone(entry: Entry, holding: set[str]) -> bool:
    fact = fact_of(entry.event)
    return fact.kind in FACT_KINDS and entry.id not in holding


def _as_in_force(entry: Entry) -> InForce:
    fact = cast("Fact", fact_of(entry.event))
    root = entry.event.root if isinstance(entry.event, Correction) else entry.id
    return InForce(fact=fact, entry=entry, root=root, access=access_of(fact))


def in_error(resource: Resource, names: Names) -> Resource:
    """The same resource, marked as entered in error in the way of its type. Never deleted."""
    made = dict(resource)
    match resource["resourceType"]:
        case "Condition":
            # FHIR con-5: no clinical status of what was entered in error.
            made.pop("clinicalStatus", None)
            made["verificationStatus"] = standard(names.site, "condition-verification/entered-in-error")
        case "AllergyIntolerance":
            made.pop("clinicalStatus", None)
            made["verificationStatus"] = standard(names.site, "allergy-verification/entered-in-error")
        case "BodyStructure":
            # R4 gives BodyStructure no status: our extension says that it was never there.
            made["active"] = False
            url = f"{names.site.canonical}/StructureDefinition/entered-in-error"
            made["extension"] = [*made.get("extension", ()), {"url": url, "valueBoolean": True}]
        case "Appointment":
            # FHIR app-4: a reason only of what is cancelled.
            made.pop("cancelationReason", None)
            made["status"] = "entered-in-error"
        case _:
            made["status"] = "entered-in-error"
    made["text"] = narrative(["Entered in error: this does not hold."])
    return made


# --- Provenance, references, order --------------------------------------------------------------------------------


def _add_provenance(made: _Made, of_root: dict[str, list[Element]], names: Names) -> dict[str, str]:
    entries = _all_entries(names.history)
    by_id = {entry.id: entry for entry in entries}
    for entry in entries:
        event: Any = entry.event
        targets: list[Element]
        match event:
            case ReportReviewed() | ReportMoved():
                targets = [names.report_reference(event.report)]
            case AccessesAreOne():
                targets = [*of_root.get(entry.id, ()), names.structure(event.survivor), names.structure(event.other)]
            case AccessSplit():
                targets = [names.structure(event.access), names.structure(event.part)]
            case PatientsAreOne():
                targets = list(of_root.get(entry.id, ()))
            case _:
                targets = list(of_root.get(root_of(entry, by_id) or "", ()))
        targets = [target for target in targets if target["reference"] in made.resources]
        made.add(provenance_of(entry, targets, names))
    return names.issued


def _to(resource: Resource) -> Element:
    return {"reference": f"{resource['resourceType']}/{resource['id']}"}


def _loosened(resources: dict[str, Resource], issued: dict[str, str], site: Site) -> dict[str, Resource]:
    """References to what is not there become identifiers: a receiver may know it, and none dangles."""
    for resource in resources.values():
        for reference in references_in(resource):
            target = reference["reference"]
            if target not in resources:
                del reference["reference"]
                if "identifier" not in reference:
                    reference["identifier"] = {"system": site.namespace, "value": issued[target]}
                reference["type"] = target.split("/", 1)[0]
    return resources


def references_in(value: Any) -> Iterable[Element]:
    """Every reference by address in a resource, at any depth."""
    if isinstance(value, dict):
        if isinstance(value.get("reference"), str):
            yield value
        else:
            for held in value.values():
                if isinstance(held, dict | list):
                    yield from references_in(held)
    elif isinstance(value, list):
        for held in value:
            yield from references_in(held)


_FIRST = {kind: rank for rank, kind in enumerate(("Patient", "BodyStructure", "DocumentReference", "Device"))}


def _in_order_of_dependence(resources: dict[str, Resource], site: Site) -> list[Resource]:
    """What is referred to comes first. Two that refer to each other: the later reference becomes an identifier."""
    ordered: dict[str, Resource] = {}
    open_now: set[str] = set()

    def place(key: str) -> None:
        resource = resources[key]
        open_now.add(key)
        for reference in references_in(resource):
            target = reference["reference"]
            if target in ordered:
                continue
            if target in open_now:
                del reference["reference"]
                reference["identifier"] = identifier_of(resources[target], site.namespace)
                reference["type"] = target.split("/", 1)[0]
                continue
            place(target)
        open_now.discard(key)
        ordered[key] = resource

    for key in sorted(resources, key=lambda key: _FIRST.get(key.split("/", 1)[0], len(_FIRST))):
        if key not in ordered:
            place(key)
    return list(ordered.values())


def identifier_of(resource: Resource, namespace: str) -> Element | None:
    """Our identifier of a resource; for the two types that have no element for one, that of its tag."""
    for identifier in resource.get("identifier", ()):
        if identifier.get("system") == namespace:
            return {"system": namespace, "value": identifier["value"]}
    for tag in resource.get("meta", {}).get("tag", ()):
        if tag.get("system") == namespace:
            return {"system": namespace, "value": tag["code"]}
    return None
