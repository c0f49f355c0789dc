"""What was planned, asked for, booked, instructed and put off.

A plan for an access and a referral are ServiceRequests, an appointment is an Appointment, the life plan a CarePlan, an
instruction a Flag or a ServiceRequest, a reminder that was put off a Task. One function a kind; links:
https://hl7.org/fhir/R4/servicerequest.html, appointment.html, careplan.html, flag.html, task.html.
"""

from __future__ import annotations

from typing import Any

from fhir_mapping.elements import Element, Resource, absent, concept, date_time, period, string
from fhir_mapping.names import FLAG_DETAIL, Names
from ledger.chronology import InForce
from ledger.events import AccessPlanned, Appointment, Instruction, LifePlanReviewed, Referral, SetAside
from ledger.vocabulary import AppointmentState, InstructionWhat, Side, Urgency, Vein, words_of

ASKS = frozenset({InstructionWhat.FOLLOW_UP, InstructionWhat.NEXT_TEST, InstructionWhat.SUTURES})
"""Instructions that ask for something to be done: a ServiceRequest. All others warn or allow: a Flag."""


def request_from_access_planned(fact: AccessPlanned, one: InForce, names: Names) -> list[Resource]:
    """Somebody decided to make this access; completed once it is there."""
    title = f"planned: {words_of(fact.access_kind)} for dialysis"
    place = names.place(fact.side, fact.site)
    code = concept(names.site, f"request/{fact.kind}", local=names.kind_coding(fact.kind), text=title)
    code["coding"] += concept(names.site, local=fact.access_kind)["coding"]
    return [
        {
            **names.head("ServiceRequest", one, title, more=names.target(one.access)),
            "status": "completed" if one.access in names.context.made else "active",
            "intent": "plan",
            "code": code,
            "subject": names.subject,
            **names.dated("occurrenceDateTime", fact.planned_for),
            **names.dated("authoredOn", fact.happened),
            "supportingInfo": names.report(one),
            "bodySite": [place] if place is not None else None,
            "note": names.note(one),
        }
    ]


def request_from_referral(fact: Referral, one: InForce, names: Names) -> list[Resource]:
    """Somebody asked the access centre for something; completed once a visit or an appointment answered it."""
    title = "referral to the access centre"
    findings = [found for finding in fact.findings if (found := names.entry_reference(finding)) is not None]
    reasons = [reference for kind, reference in findings if kind in ("Condition", "Observation")]
    others = [reference for kind, reference in findings if kind not in ("Condition", "Observation")]
    question = string(names.words(fact.question)) if fact.question is not None else None
    site = names.body_site(one.access)
    return [
        {
            **names.head("ServiceRequest", one, title, more=names.target(one.access)),
            "status": _answered(names.context.answered.get(one.root) or names.context.answered.get(one.entry.id)),
            "intent": "order",
            "priority": _PRIORITY[fact.urgency] if fact.urgency is not None else None,
            "code": concept(names.site, f"request/{fact.kind}", local=names.kind_coding(fact.kind), text=title),
            "orderDetail": [{"text": question}] if question else None,
            "subject": names.subject,
            **names.dated("authoredOn", fact.happened),
            "performer": [centre] if (centre := names.centre(fact.centre)) is not None else None,
            "reasonCode": [concept(names.site, local=why) for why in fact.why],
            "reasonReference": reasons,
            "supportingInfo": [*others, *(names.report(one) or ())],
            "bodySite": [site] if site is not None else None,
            "note": names.note(one),
        }
    ]


_PRIORITY = {
    Urgency.TODAY: "stat",
    Urgency.DAYS: "urgent",
    Urgency.WEEKS: "routine",
    Urgency.PLANNED: "routine",
}


def _answered(done: bool | None) -> str:
    return "completed" if done else "active"


def appointment_from_appointment(fact: Appointment, one: InForce, names: Names) -> list[Resource]:
    """A date at the access centre. FHIR asks for its start and end as instants; what is not known of them is absent."""
    title = f"appointment at the access centre: {words_of(fact.state)}"
    status = _STATUS[fact.state]
    if fact.state in (AppointmentState.BOOKED, AppointmentState.MOVED):
        later = names.context.later_appointment.get(one.root)
        if later is not None:
            # What became of the date is told by the next entry about it.
            status = "cancelled" if later.state in _DROPPED else _STATUS[later.state]
    based_on = names.entry_reference(fact.referral) if fact.referral is not None else None
    made: Resource = {
        **names.head("Appointment", one, title),
        "status": status,
        "serviceType": [concept(names.site, local=names.kind_coding(fact.kind), text="dialysis access")],
        "supportingInformation": [names.structure(one.access)] if one.access is not None else None,
        "description": title,
        "start": None,
        "_start": None,
        "end": None,
        "_end": absent(),
        **names.dated("created", fact.happened),
        "comment": string(names.words(fact.note)) if fact.note is not None else None,
        "basedOn": [based_on[1]] if based_on is not None and based_on[0] == "ServiceRequest" else None,
        "participant": [{"actor": names.subject, "status": _PARTICIPATION.get(fact.state, "accepted")}],
        "requestedPeriod": [asked]
        if (
            asked := period(
                fact.on, fact.on if fact.on and len(fact.on) <= 10 else None, names.site, names.history.zone
            )
        )
        else None,
    }
    if fact.on is not None and fact.on.precision == "instant":
        made["start"] = date_time(fact.on, names.history.zone)
    else:
        made["_start"] = absent()
    if status == "cancelled":
        made["cancelationReason"] = concept(names.site, local=fact.state)
    return [made]


_STATUS = {
    AppointmentState.BOOKED: "booked",
    AppointmentState.MOVED: "booked",
    AppointmentState.ATTENDED: "fulfilled",
    AppointmentState.NOT_ATTENDED: "noshow",
    AppointmentState.DECLINED: "cancelled",
    AppointmentState.CANCELLED: "cancelled",
    AppointmentState.SENT_TO_HOSPITAL: "cancelled",
}
_DROPPED = frozenset({AppointmentState.MOVED, AppointmentState.BOOKED})
_PARTICIPATION = {AppointmentState.DECLINED: "declined"}


def plan_from_life_plan(fact: LifePlanReviewed, one: InForce, names: Names) -> list[Resource]:
    """What next, what if this one fails, what to spare. A newer review replaces it."""
    title = "life plan of dialysis accesses"
    older = names.context.older_plan.get(one.root)
    activities = []
    if fact.modality_next is not None:
        activities.append(f"next way of dialysis: {words_of(fact.modality_next)}")
    if fact.next_access is not None or fact.next_site is not None or fact.next_side is not None:
        activities.append(f"next access: {_access_words(fact.next_access, fact.next_side, fact.next_site)}")
    if fact.contingency is not None or fact.contingency_vein is not None or fact.contingency_side is not None:
        activities.append(
            f"if this one fails: {_access_words(fact.contingency, fact.contingency_side, fact.contingency_vein)}"
        )
    made: list[Element] = [{"detail": {"status": "unknown", "description": text}} for text in activities]
    if fact.vessels_to_spare or fact.arm_to_spare is not None:
        text = f"to be spared: {_spared(fact.vessels_to_spare, fact.arm_to_spare)}"
        made.append({"detail": {"status": "unknown", "doNotPerform": True, "description": text}})
    return [
        {
            **names.head("CarePlan", one, title),
            "replaces": [names.reference("CarePlan", older)] if older is not None else None,
            "status": "revoked" if one.root in names.context.newer_plan else "active",
            "intent": "plan",
            "category": [concept(names.site, local=names.kind_coding(fact.kind), text=title)],
            "title": title,
            "subject": names.subject,
            "period": period(fact.happened, None, names.site, names.history.zone),
            "activity": made,
            "note": names.note(one),
        }
    ]


def _access_words(kind: Any, side: Side | None, place: Any) -> str:
    return ", ".join(words_of(part) for part in (kind, side, place) if part is not None)


def _spared(veins: tuple[Vein, ...], arm: Side | None) -> str:
    said = [f"{words_of(vein)} vein" for vein in veins]
    if arm is not None:
        said.append(f"{words_of(arm)} arm")
    return ", ".join(said)


def resource_from_instruction(fact: Instruction, one: InForce, names: Names) -> list[Resource]:
    """What the report said about afterwards: a request where it asks, else a flag for whoever comes next."""
    title = f"instruction for dialysis access: {words_of(fact.what)}"
    said = string(names.words(fact.words)) if fact.words is not None else None
    site = names.body_site(one.access)
    if fact.what in ASKS:
        return [
            {
                **names.head("ServiceRequest", one, title, more=names.target(one.access)),
                "status": "active",
                "intent": "plan",
                "code": _instruction_code(fact, title, names),
                "subject": names.subject,
                "encounter": names.encounter(one.visit),
                **names.dated("occurrenceDateTime", fact.due),
                **names.dated("authoredOn", fact.happened),
                "supportingInfo": names.report(one),
                "bodySite": [site] if site is not None else None,
                "note": names.note(one),
                "patientInstruction": said,
            }
        ]
    return [
        {
            **names.head(
                "Flag",
                one,
                title,
                more=[*names.note_extension(one), *names.target(one.access, FLAG_DETAIL)],
                tells_when=True,
            ),
            "status": "active",
            "category": [concept(names.site, local=names.kind_coding(fact.kind), text="instruction")],
            "code": _instruction_code(fact, title, names),
            "subject": names.subject,
            "period": period(fact.from_day or fact.happened, fact.until, names.site, names.history.zone),
            "encounter": names.encounter(one.visit),
        }
    ]


def _instruction_code(fact: Instruction, title: str, names: Names) -> Element:
    return concept(names.site, f"instruction/{fact.what.value}", local=fact.what, text=title)


def task_from_set_aside(fact: SetAside, one: InForce, names: Names) -> list[Resource]:
    """A reminder that a person put off until a day."""
    title = f"reminder put off: {words_of(fact.line)}"
    about = names.entry_reference(fact.about) if fact.about is not None else None
    return [
        {
            **names.head("Task", one, title),
            "status": "on-hold",
            "intent": "plan",
            "code": concept(names.site, f"request/{fact.kind}", local=names.kind_coding(fact.kind), text=title),
            "description": title,
            "focus": names.structure(one.access) if one.access is not None else None,
            "for": names.subject,
            **names.dated("authoredOn", fact.happened),
            "reasonCode": concept(names.site, local=fact.line),
            "reasonReference": about[1] if about is not None else None,
            "note": names.note(one),
            "restriction": {"period": period(None, fact.until, names.site, names.history.zone)},
        }
    ]
