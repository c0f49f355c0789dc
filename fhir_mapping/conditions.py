"""What went wrong, as Conditions, https://hl7.org/fhir/R4/condition.html.

One function a kind, and one for each lesion over all entries that speak of it: what procedures give as their reason.
Whether a problem is still there is said only where an entry says so; R4 asks for no clinical status of a diagnosis.
"""

from __future__ import annotations

from typing import Any

from fhir_mapping.context import LesionSeen
from fhir_mapping.elements import Element, Resource, concept, local_system, standard
from fhir_mapping.names import BODY_SITE, Names
from ledger.chronology import InForce
from ledger.events import CatheterTrouble, Complication, Infection, Thrombosis, Visit, VisitComplication
from ledger.vocabulary import ComplicationKind, Scale, words_of


def condition_from_thrombosis(fact: Thrombosis, one: InForce, names: Names) -> list[Resource]:
    """The access clotted."""
    return [condition(one, names, title="thrombosis of dialysis access")]


def condition_from_complication(fact: Complication, one: InForce, names: Names) -> list[Resource]:
    """Something went wrong with the access outside a visit, graded by a named scheme."""
    title = (
        "no complication of dialysis access"
        if fact.what is ComplicationKind.NONE
        else f"{words_of(fact.what)}, dialysis access"
    )
    made = condition(one, names, title=title, more_codes=[fact.what])
    made["stage"] = _stage(fact.scale, fact.grade, names)
    if fact.place is not None:
        made["bodySite"].append(concept(names.site, local=fact.place))
    if fact.what is ComplicationKind.NONE:
        # Said to have been none: a Condition that was looked for and refuted.
        made["verificationStatus"] = standard(names.site, "condition-verification/refuted")
    return [made]


def condition_from_catheter_trouble(fact: CatheterTrouble, one: InForce, names: Names) -> list[Resource]:
    """The catheter gave trouble; the one Condition whose entry may say whether it is resolved."""
    made = condition(one, names, title=f"dialysis catheter: {words_of(fact.what)}", more_codes=[fact.what])
    if fact.resolved is not None:
        made["clinicalStatus"] = standard(
            names.site, "condition-clinical/resolved" if fact.resolved else "condition-clinical/active"
        )
    return [made]


def condition_from_infection(fact: Infection, one: InForce, names: Names) -> list[Resource]:
    """An infection of the access; the organism and the cultures are its evidence."""
    made = condition(
        one,
        names,
        title=f"{words_of(fact.infection_class)} infection, dialysis access",
        more_codes=[fact.infection_class],
    )
    evidence: list[Element] = []
    if fact.organism is not None:
        evidence.append({"code": [concept(names.site, local=fact.organism)]})
    for culture in fact.cultures:
        found = names.entry_reference(culture)
        if found is not None:
            evidence.append({"detail": [found[1]]})
    made["evidence"] = evidence
    return [made]


def conditions_of_visit(fact: Visit, one: InForce, names: Names) -> list[Resource]:
    """The complications of a visit, each with its scheme; "none" is said in the visit itself."""
    return [
        _visit_complication(number, happened, one, names)
        for number, happened in enumerate(fact.complications)
        if happened.what is not ComplicationKind.NONE
    ]


def _visit_complication(number: int, happened: VisitComplication, one: InForce, names: Names) -> Resource:
    made = condition(
        one,
        names,
        title=f"complication of visit: {words_of(happened.what)}",
        part=f"complication/{number}",
        about=happened,
        own="visit-complication",
        more_codes=[happened.what],
    )
    made["stage"] = _stage(happened.scale, happened.grade, names)
    made["encounter"] = names.reference("Encounter", one.root)
    return made


def condition_from_lesion(seen: LesionSeen, names: Names) -> Resource:
    """One narrowing over its whole life; what was found and left each time are Observations."""
    place = words_of(seen.place) if seen.place is not None else "place not recorded"
    side = f"{words_of(seen.side)} " if seen.side is not None else ""
    title = f"stenosis of dialysis access, {side}{place}"
    code = {"system": local_system(names.site, "kind"), "code": "lesion", "display": "lesion"}
    return {
        **names.derived_head(
            "Condition",
            seen.value,
            [f"{title}; first told of on {seen.first.happened}"],
            names.target(seen.first.access, BODY_SITE),
        ),
        "verificationStatus": standard(names.site, "condition-verification/confirmed"),
        "category": [standard(names.site, "condition-category/encounter-diagnosis")],
        "code": concept(names.site, "condition/lesion", local=code, text=title),
        "bodySite": [concept(names.site, local=seen.place)] if seen.place is not None else [],
        "subject": names.subject,
        # The first time that anybody told of it, which is not when it began.
        **names.dated("recordedDate", seen.first.happened),
    }


def condition(
    one: InForce,
    names: Names,
    *,
    title: str,
    part: str = "",
    about: Any = None,
    own: str | None = None,
    more_codes: list[Any] | None = None,
) -> Resource:
    """What every Condition of ours says, in the order of its page."""
    fact: Any = one.fact
    kind = own or fact.kind
    uses = [f"condition/{kind}/{value.value}" for value in more_codes or ()]
    code = concept(names.site, *uses, f"condition/{kind}", local=names.kind_coding(kind), text=title)
    for value in more_codes or ():
        code["coding"] += concept(names.site, local=value)["coding"]
    site = names.body_site(one.access)
    return {
        **names.head(
            "Condition",
            one,
            title,
            part=part,
            about=about,
            own=own,
            more=names.target(one.access, BODY_SITE),
        ),
        "clinicalStatus": None,
        "verificationStatus": standard(names.site, "condition-verification/confirmed"),
        "category": [standard(names.site, "condition-category/encounter-diagnosis")],
        "code": code,
        "bodySite": [site] if site is not None else [],
        "subject": names.subject,
        "encounter": names.encounter(one.visit),
        **names.dated("onsetDateTime", fact.happened),
        "stage": None,
        "evidence": None,
        "note": names.note(one) if part == "" else None,
    }


def _stage(scale: Scale | None, grade: str | None, names: Names) -> list[Element] | None:
    """A grade with the scheme that it belongs to: without it, it means nothing."""
    if grade is None:
        return None
    made: Element = {"summary": {"text": grade}}
    if scale is not None:
        made["type"] = concept(names.site, local=scale)
    return [made]
