"""Where the patient is looked after, visits, and what changes a needle.

Care that began is an EpisodeOfCare, a visit to the access centre and a stay in hospital are Encounters; what was told
as background is an AllergyIntolerance, a MedicationStatement, a Flag or an Observation, item by item. One function a
kind; links: https://hl7.org/fhir/R4/episodeofcare.html, encounter.html, allergyintolerance.html,
medicationstatement.html, flag.html.
"""

from __future__ import annotations

from dataclasses import replace

from fhir_mapping.conditions import conditions_of_visit
from fhir_mapping.elements import Resource, concept, period, standard
from fhir_mapping.names import BODY_SITE, Names
from fhir_mapping.observations import observation
from ledger.chronology import InForce
from ledger.events import (
    AntimicrobialCourse,
    Background,
    BackgroundItem,
    CareBegan,
    FollowUpResumed,
    HospitalStay,
    Visit,
)
from ledger.vocabulary import Allergen, BackgroundWhat, Outcome, words_of

WARNS = frozenset(
    {
        BackgroundWhat.CARDIAC_LEAD,
        BackgroundWhat.PORT,
        BackgroundWhat.LINE,
        BackgroundWhat.ARM_NOT_TO_USE,
        BackgroundWhat.PRECAUTION,
        BackgroundWhat.SEDATION_RISK,
    }
)
"""Background that warns whoever is about to do something: a Flag."""

DRUGS = frozenset({BackgroundWhat.ANTICOAGULANT, BackgroundWhat.ANTIPLATELET})
ALLERGIES = frozenset({BackgroundWhat.ALLERGY, BackgroundWhat.NO_KNOWN_ALLERGY})


def episode_from_care(fact: CareBegan | FollowUpResumed, one: InForce, names: Names) -> list[Resource]:
    """This unit looks after the patient, until an end of follow-up."""
    end = names.context.episode_ends.get(one.root)
    title = "dialysis care began" if isinstance(fact, CareBegan) else "dialysis care resumed"
    return [
        {
            **names.head("EpisodeOfCare", one, title, more=names.note_extension(one)),
            "status": "active" if end is None else "finished",
            "type": [concept(names.site, local=names.kind_coding(fact.kind), text=title)],
            "patient": names.subject,
            "managingOrganization": names.unit(fact.unit),
            "period": period(fact.happened, end.happened if end is not None else None, names.site, names.history.zone),
        }
    ]


def encounter_from_hospital_stay(fact: HospitalStay, one: InForce, names: Names) -> list[Resource]:
    """The patient was in hospital."""
    title = "stay in hospital"
    return [
        {
            **names.head("Encounter", one, title, more=names.note_extension(one)),
            "status": "finished" if fact.until is not None else "unknown",
            "class": names.site.codes.coding("encounter-class/inpatient"),
            "type": [concept(names.site, local=names.kind_coding(fact.kind), text=title)],
            "subject": names.subject,
            "period": period(fact.happened, fact.until, names.site, names.history.zone),
        }
    ]


def encounter_from_visit(fact: Visit, one: InForce, names: Names) -> list[Resource]:
    """What the procedures of one visit share; its complications are Conditions."""
    title = "visit for dialysis access"
    found = names.entry_reference(fact.referral) if fact.referral is not None else None
    performer = names.operator(fact.operator)
    whole: Resource = {
        **names.head(
            "Encounter",
            one,
            title,
            left_out=frozenset({"operator"}),
            more=[*names.note_extension(one), *names.target(one.access, BODY_SITE)],
        ),
        "status": _STATUS_OF_VISIT[fact.outcome],
        "class": names.site.codes.coding("encounter-class/ambulatory"),
        "type": [concept(names.site, local=names.kind_coding(fact.kind), text=title)],
        "subject": names.subject,
        "basedOn": [found[1]] if found is not None and found[0] == "ServiceRequest" else None,
        "participant": [
            {"type": [standard(names.site, "participant/performer")], "individual": each["actor"]}
            for each in performer or ()
        ],
        "period": period(fact.happened, None, names.site, names.history.zone),
        "reasonCode": [concept(names.site, local=reason) for reason in fact.reasons],
        "serviceProvider": names.centre(fact.centre),
    }
    return [whole, *conditions_of_visit(fact, one, names)]


_STATUS_OF_VISIT: dict[Outcome | None, str] = {
    None: "unknown",
    Outcome.DONE: "finished",
    Outcome.PARTLY: "finished",
    Outcome.GIVEN_UP: "finished",
    Outcome.CANCELLED: "cancelled",
    Outcome.DECLINED: "cancelled",
}


def resources_from_background(fact: Background, one: InForce, names: Names) -> list[Resource]:
    """What was told, item by item, under an Observation of the day on which it was last checked.

    Whom to call is somebody else's name and number: that there is such a person is sent, and not the words.
    """
    items = tuple(replace(item, words=None) if item.what is BackgroundWhat.CONTACT else item for item in fact.items)
    if items != fact.items:
        fact = replace(fact, items=items)
        one = replace(one, fact=fact)
    whole = observation(
        one, names, title="background checked", category="social-history", left_out=frozenset({"items"}), focus=False
    )
    return [whole, *(_item(number, item, one, names) for number, item in enumerate(fact.items))]


def _item(number: int, item: BackgroundItem, one: InForce, names: Names) -> Resource:
    outdated = (one.root, number) in names.context.outdated
    if item.what in ALLERGIES:
        return _allergy(number, item, one, names, outdated)
    if item.what in DRUGS:
        return _drug(number, item, one, names, outdated)
    if item.what in WARNS:
        return _warning(number, item, one, names, outdated)
    return observation(
        one,
        names,
        title=f"background: {words_of(item.what)}",
        category="social-history",
        part=f"item/{number}",
        about=item,
        own="background-item",
        ordinal=number,
        body_site=names.place(item.side, None),
        focus=False,
    )


def _allergy(number: int, item: BackgroundItem, one: InForce, names: Names, outdated: bool) -> Resource:
    none_known = item.what is BackgroundWhat.NO_KNOWN_ALLERGY
    title = "no known allergy" if none_known else f"allergy: {_allergen(item.allergen)}"
    code = concept(names.site, local=item.what, text=title)
    if item.allergen is not None:
        code["coding"] += concept(names.site, local=item.allergen)["coding"]
    return {
        **names.head(
            "AllergyIntolerance",
            one,
            title,
            part=f"item/{number}",
            about=item,
            own="background-item",
            ordinal=number,
        ),
        "clinicalStatus": standard(names.site, "allergy-clinical/inactive" if outdated else "allergy-clinical/active"),
        "verificationStatus": standard(names.site, "allergy-verification/unconfirmed"),
        "code": code,
        "patient": names.subject,
        **names.dated("onsetDateTime", item.since),
        **names.dated("recordedDate", one.fact.happened),
    }


def _allergen(allergen: Allergen | None) -> str:
    return words_of(allergen, "what to is not recorded")


def _drug(number: int, item: BackgroundItem, one: InForce, names: Names, outdated: bool) -> Resource:
    title = f"takes an {words_of(item.what)} (not named here)"
    status = "completed" if item.until is not None else ("unknown" if outdated else "active")
    return {
        **names.head(
            "MedicationStatement", one, title, part=f"item/{number}", about=item, own="background-item", ordinal=number
        ),
        "status": status,
        "medicationCodeableConcept": concept(names.site, local=item.what),
        "subject": names.subject,
        "effectivePeriod": period(item.since, item.until, names.site, names.history.zone),
        **names.dated("dateAsserted", one.fact.happened),
    }


def _warning(number: int, item: BackgroundItem, one: InForce, names: Names, outdated: bool) -> Resource:
    side = f", {words_of(item.side)}" if item.side is not None else ""
    title = f"{words_of(item.what)}{side}"
    return {
        **names.head("Flag", one, title, part=f"item/{number}", about=item, own="background-item", ordinal=number),
        "status": "inactive" if outdated else "active",
        "category": [concept(names.site, local=names.kind_coding("background"), text="background")],
        "code": concept(names.site, local=item.what, text=title),
        "subject": names.subject,
        "period": period(item.since, item.until, names.site, names.history.zone),
    }


def medication_from_antimicrobial_course(fact: AntimicrobialCourse, one: InForce, names: Names) -> list[Resource]:
    """A course was started. No drug and no dose is recorded, so none is sent."""
    title = "antimicrobial course (no drug recorded)"
    return [
        {
            **names.head("MedicationStatement", one, title, more=names.target(one.access, BODY_SITE)),
            "status": "active" if fact.until is None else "completed",
            "medicationCodeableConcept": concept(names.site, local=names.kind_coding(fact.kind), text=title),
            "subject": names.subject,
            "effectivePeriod": period(fact.happened, fact.until, names.site, names.history.zone),
            "reasonCode": [concept(names.site, local=fact.reason)] if fact.reason is not None else None,
            "note": names.note(one),
        }
    ]
