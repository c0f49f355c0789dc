"""What was done to the body, as Procedures, https://hl7.org/fhir/R4/procedure.html.

One function a kind. The procedures of a visit point with `partOf` to its angiogram, else to its creation; the access
is named by the standard extension for R4 and by `bodySite` for readers that ignore extensions. What was found or left
of a lesion is an Observation of its own (`observations.py`); a device's life is in `devices.py`.
"""

from __future__ import annotations

from enum import Enum
from typing import Any

from fhir_mapping.elements import Element, Resource, concept, quantity_text, standard, unit_of
from fhir_mapping.names import Names
from fhir_mapping.observations import findings_of_angiogram, lesions_found, lesions_treated
from ledger.chronology import InForce
from ledger.events import (
    Abandonment,
    Angiogram,
    Angioplasty,
    Balloon,
    Banding,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    Creation,
    FirstCannulation,
    LesionTreated,
    OtherInterventionDone,
    Revision,
    SecondStage,
    Stent,
    Thrombectomy,
    Visit,
)
from ledger.vocabulary import (
    AccessKind,
    Artery,
    ComplicationKind,
    Configuration,
    LesionPlace,
    NeedleTrouble,
    Outcome,
    Site,
    TreatmentOutcome,
    Vein,
    words_of,
)

OPERATOR = frozenset({"operator"})


def procedure_from_creation(fact: Creation, one: InForce, names: Names) -> list[Resource]:
    """The operation that made the access."""
    uses = [f"procedure/creation/{fact.access_kind.value}{ending}" for ending in _form_of_fistula(fact)]
    return [
        procedure(
            one,
            names,
            title=f"creation of {_with_article(fact.access_kind)}",
            uses=uses,
            body_site=names.place(fact.side, fact.site) or names.body_site(one.access),
            devices=[("new", "implanted")],
        )
    ]


def _form_of_fistula(fact: Creation) -> list[str]:
    """The most particular codes that the recorded form allows, then the general one."""
    if fact.access_kind is not AccessKind.FISTULA:
        return [""]
    if fact.configuration is Configuration.TRANSPOSED:
        if fact.site is Site.FOREARM:
            return ["/transposed-forearm"]
        if fact.site in (Site.UPPER_ARM, Site.ELBOW) and fact.outflow is Vein.BASILIC:
            return ["/transposed-basilic"]
        if fact.site in (Site.UPPER_ARM, Site.ELBOW) and fact.outflow is Vein.CEPHALIC:
            return ["/transposed-cephalic"]
    if fact.site is Site.WRIST and fact.inflow is Artery.RADIAL and fact.outflow is Vein.CEPHALIC:
        return ["/radiocephalic", ""]
    return [""]


def procedure_from_catheter_placed(fact: CatheterPlaced, one: InForce, names: Names) -> list[Resource]:
    """A dialysis catheter was put in."""
    return [
        procedure(
            one,
            names,
            title=f"insertion of {_with_article(fact.access_kind)}",
            uses=[f"procedure/catheter-placed/{fact.access_kind.value}"],
            reason=[fact.reason],
            body_site=names.place(fact.exit_side or fact.side, fact.exit_site),
            places=[fact.vein],
            devices=[("new", "implanted")],
        )
    ]


def procedure_from_catheter_exchanged(fact: CatheterExchanged, one: InForce, names: Names) -> list[Resource]:
    """One catheter out, another in."""
    kind = fact.to_kind or names.seen(one.access).kind
    return [
        procedure(
            one,
            names,
            title="exchange of dialysis catheter",
            uses=[f"procedure/catheter-exchanged/{kind.value}"] if kind is not None else [],
            reason=[fact.reason],
            places=[fact.vein],
            devices=[("old", "explanted"), ("new", "implanted")],
        )
    ]


def procedure_from_catheter_removed(fact: CatheterRemoved, one: InForce, names: Names) -> list[Resource]:
    """The catheter was taken out, or fell out: the reason says which."""
    kind = names.seen(one.access).kind
    return [
        procedure(
            one,
            names,
            title="removal of dialysis catheter",
            uses=[f"procedure/catheter-removed/{kind.value}"] if kind is not None else [],
            reason=[fact.reason],
            devices=[("old", "explanted")],
        )
    ]


def procedure_from_second_stage(fact: SecondStage, one: InForce, names: Names) -> list[Resource]:
    """The vein was brought to where a needle reaches it."""
    form = words_of(fact.form, "second stage")
    return [procedure(one, names, title=f"second stage of fistula: {form}", places=[fact.outflow])]


def procedure_from_first_cannulation(fact: FirstCannulation, one: InForce, names: Names) -> list[Resource]:
    """The first needle ever in this access."""
    kind = names.seen(one.access).kind
    trouble = fact.trouble if fact.trouble is not NeedleTrouble.NONE else None
    return [
        procedure(
            one,
            names,
            title="first cannulation of dialysis access",
            uses=[f"procedure/first-cannulation/{kind.value}"] if kind is not None else [],
            category=None,
            complication=[trouble],
        )
    ]


def procedure_from_angiogram(fact: Angiogram, one: InForce, names: Names) -> list[Resource]:
    """The access was looked at with contrast; what was found are Observations."""
    found = procedure(
        one,
        names,
        title="angiogram of dialysis access",
        category="diagnostic",
        reasons_of_visit=True,
        left_out=frozenset({"lesions", "clot", "central_veins", "flow_seen"}),
    )
    return [
        found,
        *findings_of_angiogram(fact, one, names),
        *lesions_found(fact.lesions, one, names, in_procedure=True),
    ]


def procedure_from_angioplasty(fact: Angioplasty, one: InForce, names: Names) -> list[Resource]:
    """Lesions were opened with a balloon; what was left of each is an Observation."""
    places = [lesion.place for lesion in fact.lesions]
    only_cava = bool(places) and set(places) == {LesionPlace.SUPERIOR_CAVA}
    found = procedure(
        one,
        names,
        title="balloon angioplasty of dialysis access",
        uses=["procedure/angioplasty/superior-vena-cava"] if only_cava else [],
        places=places,
        lesions=fact.lesions,
        outcome=_worst_of(fact.lesions),
        used=[_balloon_text(balloon) for lesion in fact.lesions for balloon in lesion.balloons],
        left_out=frozenset({"lesions"}),
    )
    return [found, *lesions_treated(fact.lesions, one, names)]


def procedure_from_stent(fact: Stent, one: InForce, names: Names) -> list[Resource]:
    """Stents or stent grafts were placed."""
    uses = []
    if names.seen(one.access).kind is AccessKind.FISTULA:
        if any(stent.covered for stent in fact.stents):
            uses.append("procedure/stent/fistula/covered")
        if any(stent.coated and not stent.covered for stent in fact.stents):
            uses.append("procedure/stent/fistula/coated")
        if any(stent.covered is False and stent.coated is False for stent in fact.stents):
            uses.append("procedure/stent/fistula/bare")
    found = procedure(
        one,
        names,
        title="placement of stent in dialysis access",
        uses=uses,
        places=[*(stent.place for stent in fact.stents), *(lesion.place for lesion in fact.lesions)],
        lesions=fact.lesions,
        more_lesions=[stent.lesion for stent in fact.stents],
        outcome=_worst_of(fact.lesions),
        devices=[(f"stent/{number}", "implanted") for number in range(len(fact.stents))],
        used=[_balloon_text(balloon) for lesion in fact.lesions for balloon in lesion.balloons],
        left_out=frozenset({"lesions"}),
    )
    return [found, *lesions_treated(fact.lesions, one, names)]


def procedure_from_thrombectomy(fact: Thrombectomy, one: InForce, names: Names) -> list[Resource]:
    """Clot was taken out. Success and failure are `outcome`."""
    kind = names.seen(one.access).kind
    return [
        procedure(
            one,
            names,
            title="thrombectomy of dialysis access",
            uses=[f"procedure/thrombectomy/{kind.value}"] if kind is not None else [],
            outcome=None if fact.success is None else ("success" if fact.success else "failed"),
        )
    ]


def procedure_from_banding(fact: Banding, one: InForce, names: Names) -> list[Resource]:
    """The access was narrowed on purpose."""
    return [procedure(one, names, title="banding of dialysis access", reason=[fact.reason])]


def procedure_from_revision(fact: Revision, one: InForce, names: Names) -> list[Resource]:
    """A surgeon changed the access and it goes on."""
    kind = names.seen(one.access).kind
    return [
        procedure(
            one,
            names,
            title="revision of dialysis access",
            uses=[f"procedure/revision/{kind.value}"] if kind is not None else [],
            reason=[fact.reason],
            places=[fact.place],
            devices=[("new", "implanted")],
        )
    ]


def procedure_from_other_intervention(fact: OtherInterventionDone, one: InForce, names: Names) -> list[Resource]:
    """A side branch tied or coiled, a sheath disrupted, something retrieved, a catheter repositioned."""
    return [
        procedure(
            one,
            names,
            title=f"{words_of(fact.what)}, dialysis access",
            uses=[f"procedure/other-intervention/{fact.what.value}"],
            more_codes=[fact.what],
            reason=[fact.reason],
            places=[fact.place],
        )
    ]


def procedure_from_abandonment(fact: Abandonment, one: InForce, names: Names) -> list[Resource]:
    """The access was ligated or excised. Given up in place is no operation: see `observations.py`."""
    return [
        procedure(
            one,
            names,
            title=f"{words_of(fact.how)} of dialysis access, abandoned",
            uses=[f"procedure/abandonment/{fact.how.value}"],
            more_codes=[fact.how],
            reason=[fact.reason],
        )
    ]


def procedure(
    one: InForce,
    names: Names,
    *,
    title: str,
    uses: list[str] | None = None,
    more_codes: list[Enum] | None = None,
    category: str | None = "surgical",
    reason: list[Any] | None = None,
    reasons_of_visit: bool = False,
    body_site: Element | None = None,
    places: list[Any] | None = None,
    lesions: tuple[LesionTreated, ...] = (),
    more_lesions: list[str | None] | None = None,
    outcome: str | None = None,
    complication: list[Any] | None = None,
    devices: list[tuple[str, str]] | None = None,
    used: list[str] | None = None,
    left_out: frozenset[str] = frozenset(),
) -> Resource:
    """What every Procedure of ours says, in the order of its page."""
    fact: Any = one.fact
    site = names.site
    visit = names.context.visits.get(one.visit or "")
    is_primary = names.context.primary_of_visit.get(one.visit or "") is one
    reasons = list(reason or ())
    complications = list(complication or ())
    complication_detail: list[Element] = []
    if visit is not None and isinstance(visit.fact, Visit):
        if reasons_of_visit:
            reasons += visit.fact.reasons
        if is_primary:
            outcome = outcome or _OUTCOMES.get(visit.fact.outcome)
            for number, happened in enumerate(visit.fact.complications):
                if happened.what is not ComplicationKind.NONE:
                    complications.append(happened.what)
                    complication_detail.append(names.reference("Condition", f"{visit.root}/complication/{number}"))
    code = concept(site, *(uses or ()), f"procedure/{fact.kind}", local=names.kind_coding(fact.kind), text=title)
    for value in more_codes or ():
        code["coding"] += concept(site, local=value)["coding"]
    treated = dict.fromkeys([*(lesion.lesion for lesion in lesions), *(name for name in more_lesions or () if name)])
    sites = [body_site or names.body_site(one.access)]
    sites += [concept(site, local=place) for place in dict.fromkeys(places or ()) if place is not None]
    return {
        **names.head(
            "Procedure",
            one,
            title,
            left_out=left_out | OPERATOR,
            more=names.target(one.access),
        ),
        "basedOn": _based_on(visit, names),
        "partOf": names.part_of(one),
        "status": "completed",
        "category": standard(site, f"procedure-category/{category}") if category else None,
        "code": code,
        "subject": names.subject,
        "encounter": names.encounter(one.visit),
        # As precise as the report was: a bare year stays a bare year.
        **names.dated("performedDateTime", fact.happened),
        "performer": names.operator(getattr(fact, "operator", None)),
        "reasonCode": [concept(site, local=value) for value in dict.fromkeys(reasons) if value is not None],
        "reasonReference": [
            names.reference("Condition", names.context.lesions[lesion].value)
            for lesion in treated
            if lesion in names.context.lesions
        ],
        "bodySite": [place for place in sites if place is not None],
        "outcome": standard(site, f"outcome/{outcome}") if outcome else None,
        "report": names.report(one),
        "complication": [concept(site, local=value) for value in complications if value is not None],
        "complicationDetail": complication_detail,
        "note": names.note(one),
        "focalDevice": _focal_devices(devices or [], one, names),
        "usedCode": [{"text": text} for text in used or ()],
    }


_OUTCOMES: dict[Outcome | None, str] = {
    Outcome.DONE: "success",
    Outcome.PARTLY: "partial",
    Outcome.GIVEN_UP: "failed",
}


def _worst_of(lesions: tuple[LesionTreated, ...]) -> str | None:
    """The outcome of several lesions: failed if all failed, success if all succeeded, else partial; None if unsaid."""
    said = [lesion.outcome for lesion in lesions if lesion.outcome is not None]
    if not said or len(said) < len(lesions):
        return None
    if all(outcome is TreatmentOutcome.SUCCESS for outcome in said):
        return "success"
    if all(outcome is TreatmentOutcome.FAILED for outcome in said):
        return "failed"
    return "partial"


def _based_on(visit: InForce | None, names: Names) -> list[Element] | None:
    if visit is None or not isinstance(visit.fact, Visit) or visit.fact.referral is None:
        return None
    found = names.entry_reference(visit.fact.referral)
    return [found[1]] if found is not None and found[0] == "ServiceRequest" else None


def _focal_devices(devices: list[tuple[str, str]], one: InForce, names: Names) -> list[Element]:
    made = []
    for part, action in devices:
        key = names.context.device_of_fact.get((one.root, part))
        if key is not None:
            local = {"system": f"{names.site.canonical}/CodeSystem/device-action", "code": action, "display": action}
            made.append(
                {"action": concept(names.site, local=local, text=action), "manipulated": names.reference("Device", key)}
            )
    return made


def _balloon_text(balloon: Balloon) -> str:
    said = ["cutting balloon" if balloon.cutting else "balloon"]
    if balloon.diameter_mm is not None:
        said.append(quantity_text(balloon.diameter_mm, unit_of("diameter_mm")))
    if balloon.length_mm is not None:
        said.append(f"length {quantity_text(balloon.length_mm, unit_of('length_mm'))}")
    if balloon.pressure_atm is not None:
        said.append(f"to {quantity_text(balloon.pressure_atm, unit_of('pressure_atm'))}")
    if balloon.coated:
        said.append("drug-coated")
    return ", ".join(said)


def _with_article(kind: AccessKind) -> str:
    return f"a {words_of(kind)}"
