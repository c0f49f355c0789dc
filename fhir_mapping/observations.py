"""What was seen, measured, found or said, as Observations, https://hl7.org/fhir/R4/observation.html.

One function a kind. The fields are components of one Observation where they share one time; each lesion, each mapped
vessel and each judged site is an Observation of its own, so that a lesion can be followed by its place. `focus` names
the access. An Observation of which nothing is known but that it was made says so by dataAbsentReason.
"""

from __future__ import annotations

from typing import Any

from fhir_mapping.details import components, in_component, specs_of, value_of
from fhir_mapping.elements import Element, Resource, concept, local_system, standard
from fhir_mapping.names import Names
from ledger.chronology import InForce
from ledger.events import (
    Abandonment,
    AccessKnown,
    AccessUsed,
    Angiogram,
    CannulationSession,
    Correction,
    Culture,
    Decision,
    Examination,
    FirstSeenHere,
    FollowUpEnded,
    Imaging,
    LesionFound,
    LesionTreated,
    MaturityAssessed,
    Measurement,
    ModalityChanged,
    TakenUpAgain,
    VeinMapping,
)
from ledger.vocabulary import Modality

VALUE_FIELDS: dict[str, str] = {
    "modality-changed": "to",
    "follow-up-ended": "reason",
    "decision": "what",
    "maturity-assessed": "verdict",
    "access-used": "use",
    "culture": "organism",
    "access-known": "access_kind",
    "abandonment": "reason",
    "lesion-found": "stenosis_percent",
    "lesion-treated": "residual_percent",
    "suitable-for": "access_kind",
    "background-item": "what",
}
"""The field that is an Observation's value; all others are components."""


def observation_from_modality_changed(fact: ModalityChanged, one: InForce, names: Names) -> list[Resource]:
    """Another way of dialysis from now on."""
    made = observation(one, names, title="change of dialysis modality", category="therapy")
    if fact.to in (Modality.IN_CENTRE, Modality.HOME):
        made["valueCodeableConcept"] = concept(names.site, "modality/haemodialysis", local=fact.to)
    return [made]


def observation_from_first_seen_here(fact: FirstSeenHere, one: InForce, names: Names) -> list[Resource]:
    """Arrival from elsewhere: what was in the body."""
    made = observation(one, names, title="first seen at this unit", category="exam")
    made["focus"] = [names.structure(access) for access in fact.accesses_found]
    return [made]


def observation_from_follow_up_ended(fact: FollowUpEnded, one: InForce, names: Names) -> list[Resource]:
    """We no longer follow the patient; says nothing about any access."""
    return [observation(one, names, title="end of follow-up", category="social-history")]


def observation_from_decision(fact: Decision, one: InForce, names: Names) -> list[Resource]:
    """What the patient chose, or what was decided with them."""
    return [observation(one, names, title="decision about dialysis access", category="social-history")]


def observation_from_vein_mapping(fact: VeinMapping, one: InForce, names: Names) -> list[Resource]:
    """The vessels before an access is made: one Observation a vessel and segment, under one."""
    vessels = [
        observation(
            one,
            names,
            title="vessel mapped",
            category="imaging",
            part=f"vessel/{number}",
            about=vessel,
            own="mapped-vessel",
            ordinal=number,
            body_site=concept(names.site, local=place) if (place := vessel.vein or vessel.artery) else None,
            focus=False,
        )
        for number, vessel in enumerate(fact.vessels)
    ]
    judged = [
        observation(
            one,
            names,
            title="site judged suitable for dialysis access",
            category="imaging",
            part=f"suitable/{number}",
            about=suitable,
            own="suitable-for",
            ordinal=number,
            body_site=names.place(suitable.side, suitable.site),
            focus=False,
        )
        for number, suitable in enumerate(fact.suitable_for)
    ]
    members = [_to(each) for each in (*vessels, *judged)]
    whole = observation(
        one,
        names,
        title="vein mapping",
        category="imaging",
        left_out=frozenset({"vessels", "suitable_for"}),
        body_site=names.place(fact.side, None),
        members=members,
    )
    return [*vessels, *judged, whole]


def observation_from_access_known(fact: AccessKnown, one: InForce, names: Names) -> list[Resource]:
    """An access that was first met, not made, by those who tell of it."""
    return [
        observation(
            one,
            names,
            title="dialysis access found in place",
            category="exam",
            body_site=names.place(fact.side, fact.site),
        )
    ]


def observation_from_maturity_assessed(fact: MaturityAssessed, one: InForce, names: Names) -> list[Resource]:
    """Whether the access was judged ready."""
    return [observation(one, names, title="maturity of dialysis access", category="exam")]


def observation_from_access_used(fact: AccessUsed, one: InForce, names: Names) -> list[Resource]:
    """Which access was used on a day, or in a month."""
    return [observation(one, names, title="dialysis access used", category="procedure")]


def observation_from_cannulation_session(fact: CannulationSession, one: InForce, names: Names) -> list[Resource]:
    """The numbers of one dialysis through the access, at one time."""
    return [observation(one, names, title="dialysis session through access", category="procedure")]


def observation_from_examination(fact: Examination, one: InForce, names: Names) -> list[Resource]:
    """Look, listen, feel."""
    return [observation(one, names, title="examination of dialysis access", category="exam")]


def observation_from_measurement(fact: Measurement, one: InForce, names: Names) -> list[Resource]:
    """Raw numbers, taken together; ratios are for whoever computes them."""
    return [observation(one, names, title="measurement of dialysis access", category="procedure")]


def observation_from_culture(fact: Culture, one: InForce, names: Names) -> list[Resource]:
    """A culture and its result, as far as it is there."""
    made = observation(one, names, title="culture", category="laboratory")
    if fact.final is False and made["status"] == "final":
        made["status"] = "preliminary"
    return [made]


def observation_from_imaging(fact: Imaging, one: InForce, names: Names) -> list[Resource]:
    """The access was looked at without being entered; each lesion is an Observation under it."""
    lesions = lesions_found(fact.lesions, one, names, in_procedure=False)
    whole = observation(
        one,
        names,
        title="imaging of dialysis access",
        category="imaging",
        left_out=frozenset({"lesions"}),
        members=[_to(lesion) for lesion in lesions],
    )
    return [*lesions, whole]


def observation_from_abandonment(fact: Abandonment, one: InForce, names: Names) -> list[Resource]:
    """The access was given up in place: nobody operated."""
    return [observation(one, names, title="dialysis access given up in place", category="exam")]


def observation_from_taken_up_again(fact: TakenUpAgain, one: InForce, names: Names) -> list[Resource]:
    """An access that was given up is used again."""
    return [observation(one, names, title="dialysis access taken up again", category="exam")]


# --- Parts of procedures ------------------------------------------------------------------------------------------


def findings_of_angiogram(fact: Angiogram, one: InForce, names: Names) -> list[Resource]:
    """Clot, central veins and flow, as the angiogram showed them; nothing where it is silent about all three."""
    if fact.clot is None and fact.central_veins is None and fact.flow_seen is None:
        return []
    made = observation(
        one,
        names,
        title="findings of angiogram of dialysis access",
        category="imaging",
        part="findings",
        left_out=frozenset({"lesions", "access", "visit"}),
    )
    made["partOf"] = [names.reference("Procedure", one.root)]
    return [made]


def lesions_found(
    lesions: tuple[LesionFound, ...], one: InForce, names: Names, *, in_procedure: bool
) -> list[Resource]:
    """Each narrowing as it was found."""
    return [
        _lesion(part, lesion, number, one, names, "lesion-found", "stenosis of dialysis access, found", in_procedure)
        for number, (part, lesion) in enumerate(_parts_of(lesions))
    ]


def lesions_treated(lesions: tuple[LesionTreated, ...], one: InForce, names: Names) -> list[Resource]:
    """What was done to each narrowing and what was left of it."""
    return [
        _lesion(
            part, lesion, number, one, names, "lesion-treated", "stenosis of dialysis access, after treatment", True
        )
        for number, (part, lesion) in enumerate(_parts_of(lesions))
    ]


def _parts_of(lesions: tuple[Any, ...]) -> list[tuple[str, Any]]:
    """The part names of lesions: by their id, so that a correction of the order changes no identity."""
    count: dict[str, int] = {}
    made = []
    for lesion in lesions:
        count[lesion.lesion] = count.get(lesion.lesion, 0) + 1
        again = f"/{count[lesion.lesion]}" if count[lesion.lesion] > 1 else ""
        made.append((f"lesion/{lesion.lesion}{again}", lesion))
    return made


def _lesion(
    part: str, lesion: Any, number: int, one: InForce, names: Names, own: str, title: str, in_procedure: bool
) -> Resource:
    made = observation(
        one,
        names,
        title=title,
        category="imaging",
        part=part,
        about=lesion,
        own=own,
        ordinal=number,
        body_site=concept(names.site, local=lesion.place) if lesion.place is not None else None,
    )
    if in_procedure:
        made["partOf"] = [names.reference("Procedure", one.root)]
    return made


# --- What they share ----------------------------------------------------------------------------------------------


def observation(
    one: InForce,
    names: Names,
    *,
    title: str,
    category: str,
    part: str = "",
    about: Any = None,
    own: str | None = None,
    ordinal: int | None = None,
    left_out: frozenset[str] = frozenset(),
    body_site: Element | None = None,
    members: list[Element] | None = None,
    focus: bool = True,
) -> Resource:
    """What every Observation of ours says, in the order of its page."""
    fact: Any = one.fact
    about = fact if about is None else about
    own = own or fact.kind
    value_field = VALUE_FIELDS.get(own) if part != "findings" else None
    told = frozenset(spec.name for spec in specs_of(type(about)) if in_component(spec))
    value = value_of(about, value_field, names.voice) if value_field else {}
    parts = components(about, names.voice, left_out | {value_field or ""})
    code = names.kind_coding(own)
    if part == "findings":
        code = {"system": local_system(names.site, "kind"), "code": "findings", "display": "findings"}
    made = {
        **names.head(
            "Observation",
            one,
            title,
            part=part,
            about=about,
            own=own,
            left_out=left_out | told,
            ordinal=ordinal,
        ),
        "partOf": None,
        "status": "amended" if isinstance(one.entry.event, Correction) else "final",
        "category": [standard(names.site, f"observation-category/{category}")],
        "code": concept(names.site, f"observation/{code['code']}", local=code, text=title),
        "subject": names.subject,
        "focus": names.focus(one.access) if focus else None,
        "encounter": names.encounter(one.visit),
        **names.dated("effectiveDateTime", fact.happened),
        **value,
        "dataAbsentReason": None,
        "note": names.note(one) if about is fact and part == "" else None,
        "bodySite": body_site or names.body_site(one.access),
        "hasMember": members,
        "derivedFrom": names.report(one),
        "component": parts,
    }
    if not value and not parts and not members:
        made["dataAbsentReason"] = standard(names.site, "data-absent/unknown")
    return made


def _to(resource: Resource) -> Element:
    return {"reference": f"{resource['resourceType']}/{resource['id']}"}
