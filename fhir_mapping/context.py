"""What a single fact does not say of itself: which access it is about, its visit, a device's or a lesion's whole life.

One pass over the effective history in clinical order. A projection for the mapping only: what a nurse sees is made in
`ledger.projections`. It cannot fail, and nothing in it depends on the day on which it is made.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import (
    Abandonment,
    AccessKnown,
    AccessPlanned,
    Angiogram,
    Angioplasty,
    Appointment,
    Background,
    CareBegan,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    Creation,
    FollowUpEnded,
    FollowUpResumed,
    Imaging,
    LesionFound,
    LesionTreated,
    LifePlanReviewed,
    Revision,
    Stent,
    StentPlaced,
    TakenUpAgain,
    Visit,
    access_of,
)
from ledger.vocabulary import (
    AbandonmentHow,
    AccessKind,
    AppointmentState,
    Artery,
    BackgroundWhat,
    Configuration,
    GraftMaterial,
    LesionPlace,
    Outcome,
    Side,
    Vein,
)
from ledger.vocabulary import Site as BodySite


@dataclass(frozen=True, kw_only=True)
class AccessSeen:
    """What is known of an access over all its entries. None is unknown."""

    kind: AccessKind | None = None
    side: Side | None = None
    site: BodySite | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    vein: Vein | None = None
    configuration: Configuration | None = None
    in_use: bool = True


@dataclass(frozen=True, kw_only=True)
class DeviceSeen:
    """One thing that was left in the body: a graft, a catheter, a stent. `told_by` is where it was placed."""

    value: str
    what: str
    told_by: InForce | None
    access: str | None
    stent: StentPlaced | None = None
    material: GraftMaterial | None = None
    catheter: AccessKind | None = None
    placed: PartialDate | None = None
    removed: PartialDate | None = None
    removed_by: InForce | None = None
    place: LesionPlace | None = None


@dataclass(frozen=True, kw_only=True)
class LesionSeen:
    """One narrowing, over all entries that speak of it."""

    value: str
    lesion: str
    first: InForce
    place: LesionPlace | None = None
    side: Side | None = None


@dataclass
class Context:
    """Everything that mappers ask about other facts."""

    facts: tuple[InForce, ...]
    owners: dict[str, str] = field(default_factory=dict)
    access_owners: dict[str, str] = field(default_factory=dict)
    accesses: dict[str, AccessSeen] = field(default_factory=dict)
    visits: dict[str, InForce] = field(default_factory=dict)
    primary_of_visit: dict[str, InForce] = field(default_factory=dict)
    roots: dict[str, InForce] = field(default_factory=dict)
    devices: dict[str, DeviceSeen] = field(default_factory=dict)
    device_of_fact: dict[tuple[str, str], str] = field(default_factory=dict)
    lesions: dict[str, LesionSeen] = field(default_factory=dict)
    episode_ends: dict[str, InForce] = field(default_factory=dict)
    later_appointment: dict[str, Appointment] = field(default_factory=dict)
    answered: dict[str, bool] = field(default_factory=dict)
    outdated: set[tuple[str, int]] = field(default_factory=set)
    older_plan: dict[str, str] = field(default_factory=dict)
    newer_plan: set[str] = field(default_factory=set)
    made: set[str] = field(default_factory=set)


OPERATIONS = frozenset(
    {
        "creation",
        "catheter-placed",
        "catheter-exchanged",
        "catheter-removed",
        "second-stage",
        "first-cannulation",
        "angiogram",
        "angioplasty",
        "stent",
        "thrombectomy",
        "banding",
        "revision",
        "other-intervention",
    }
)
"""Kinds that are always a Procedure. An abandonment is one when something was ligated or excised."""


def is_operation(one: InForce) -> bool:
    """Whether a fact is something that was done to the body."""
    if isinstance(one.fact, Abandonment):
        return one.fact.how is not AbandonmentHow.GIVEN_UP
    return one.kind in OPERATIONS


def context_of(history: History, facts: tuple[InForce, ...]) -> Context:
    """What mappers need to know of all the facts together."""
    found = Context(facts=facts)
    _owners(found, history)
    in_catheter: dict[str, str] = {}
    episode: str | None = None
    plan: str | None = None
    background: dict[BackgroundWhat, list[tuple[str, int]]] = {}
    booked: dict[tuple[str | None, str | None], str] = {}
    for one in facts:
        fact: Any = one.fact
        found.roots[one.root] = one
        found.roots[one.entry.id] = one
        if one.access is not None:
            _see_access(found, one)
        if is_operation(one) and one.visit is not None:
            _see_primary(found, one)
        match fact:
            case Visit():
                found.visits.setdefault(fact.visit, one)
                if fact.referral is not None:
                    done = fact.outcome not in (Outcome.CANCELLED, Outcome.DECLINED)
                    found.answered[fact.referral] = found.answered.get(fact.referral, False) or done
            case CareBegan() | FollowUpResumed():
                episode = one.root
            case FollowUpEnded():
                if episode is not None:
                    found.episode_ends[episode] = one
                    episode = None
            case Appointment():
                about = (fact.referral, one.access)
                if about in booked:
                    found.later_appointment[booked[about]] = fact
                booked[about] = one.root
                if fact.referral is not None and fact.state is AppointmentState.ATTENDED:
                    found.answered[fact.referral] = True
            case Background():
                for number, item in enumerate(fact.items):
                    found.outdated.update(place for place in background.get(item.what, []) if place[0] != one.root)
                    background[item.what] = [
                        place for place in background.get(item.what, []) if place[0] == one.root
                    ] + [(one.root, number)]
                for what in fact.withdrawn:
                    found.outdated.update(place for place in background.pop(what, []) if place[0] != one.root)
            case LifePlanReviewed():
                if plan is not None:
                    found.older_plan[one.root] = plan
                    found.newer_plan.add(plan)
                plan = one.root
            case _:
                pass
        _see_devices(found, one, in_catheter)
        _see_lesions(found, one)
    return found


def _owners(found: Context, history: History) -> None:
    for patient, entries in ((history.patient, history.entries), *history.merged):
        for entry in entries:
            found.owners[entry.id] = patient
            access = access_of(entry.event)
            if access is not None:
                found.access_owners.setdefault(access, patient)


def _see_access(found: Context, one: InForce) -> None:
    access = one.access
    assert access is not None
    seen = found.accesses.get(access, AccessSeen())
    fact: Any = one.fact
    match fact:
        case Creation():
            found.made.add(access)
            seen = replace(
                seen,
                kind=fact.access_kind,
                side=fact.side or seen.side,
                site=fact.site or seen.site,
                inflow=fact.inflow or seen.inflow,
                outflow=fact.outflow or seen.outflow,
                configuration=fact.configuration or seen.configuration,
            )
        case CatheterPlaced():
            found.made.add(access)
            seen = replace(
                seen,
                kind=fact.access_kind,
                side=fact.side or fact.exit_side or seen.side,
                site=fact.exit_site or seen.site,
                vein=fact.vein or seen.vein,
            )
        case CatheterExchanged():
            seen = replace(
                seen,
                kind=fact.to_kind or seen.kind,
                side=fact.side or seen.side,
                vein=fact.vein or seen.vein,
            )
        case AccessKnown():
            found.made.add(access)
            seen = replace(
                seen,
                kind=seen.kind or fact.access_kind,
                side=seen.side or fact.side,
                site=seen.site or fact.site,
                inflow=seen.inflow or fact.inflow,
                outflow=seen.outflow or fact.outflow,
                vein=seen.vein or fact.catheter_vein,
                configuration=seen.configuration or fact.configuration,
            )
        case AccessPlanned():
            seen = replace(
                seen,
                kind=seen.kind or fact.access_kind,
                side=seen.side or fact.side,
                site=seen.site or fact.site,
                inflow=seen.inflow or fact.inflow,
                outflow=seen.outflow or fact.outflow,
            )
        case Abandonment() | CatheterRemoved():
            seen = replace(seen, in_use=False)
        case TakenUpAgain():
            seen = replace(seen, in_use=True)
        case _:
            pass
    found.accesses[access] = seen


def _see_primary(found: Context, one: InForce) -> None:
    """The angiogram of a visit, else its creation, else nothing: only these two enclose the other procedures."""
    rank = {"angiogram": 0, "creation": 1}.get(one.kind)
    visit = one.visit
    if rank is None or visit is None:
        return
    held = found.primary_of_visit.get(visit)
    if held is None or ("angiogram", "creation").index(held.kind) > rank:
        found.primary_of_visit[visit] = one


def _see_devices(found: Context, one: InForce, in_catheter: dict[str, str]) -> None:
    fact: Any = one.fact
    match fact:
        case Creation():
            if fact.device is not None or fact.access_kind is not AccessKind.FISTULA:
                _placed(found, one, fact.device, "graft", material=fact.material)
        case Revision():
            if fact.device is not None:
                _placed(found, one, fact.device, "graft", material=fact.material)
        case CatheterPlaced():
            in_catheter[fact.access] = _placed(found, one, fact.device, "catheter", catheter=fact.access_kind)
        case CatheterExchanged():
            old = _key(found, one, fact.old_device) if fact.old_device else in_catheter.get(fact.access)
            if old is not None:
                _out(found, one, old, "old")
            kind = fact.to_kind or found.accesses.get(one.access or "", AccessSeen()).kind
            in_catheter[fact.access] = _placed(found, one, fact.device, "catheter", catheter=kind)
        case CatheterRemoved():
            old = _key(found, one, fact.device) if fact.device else in_catheter.pop(fact.access, None)
            if old is not None:
                _out(found, one, old, "old")
        case Stent():
            for number, stent in enumerate(fact.stents):
                _placed(found, one, stent.device, "stent", stent=stent, part=f"stent/{number}")
        case _:
            pass


def _key(found: Context, one: InForce, device: str) -> str:
    return f"{found.owners.get(one.entry.id, '')}/device/{device}"


def _placed(
    found: Context,
    one: InForce,
    device: str | None,
    what: str,
    *,
    part: str = "new",
    stent: StentPlaced | None = None,
    material: GraftMaterial | None = None,
    catheter: AccessKind | None = None,
) -> str:
    key = f"{one.root}/device" if device is None else _key(found, one, device)
    held = found.devices.get(key)
    if held is None or held.told_by is None:
        found.devices[key] = DeviceSeen(
            value=key,
            what=what,
            told_by=one,
            access=one.access,
            stent=stent,
            material=material,
            catheter=catheter,
            placed=one.happened,
            removed=held.removed if held else None,
            removed_by=held.removed_by if held else None,
            place=stent.place if stent else None,
        )
    found.device_of_fact[one.root, part] = key
    return key


def _out(found: Context, one: InForce, key: str, part: str) -> None:
    held = found.devices.get(key)
    if held is None:
        # Taken out without ever having been told of as put in.
        kind = found.accesses.get(one.access or "", AccessSeen()).kind
        held = DeviceSeen(value=key, what="catheter", told_by=None, access=one.access, catheter=kind)
    found.devices[key] = replace(held, removed=one.happened, removed_by=one)
    found.device_of_fact[one.root, part] = key


def _see_lesions(found: Context, one: InForce) -> None:
    fact: Any = one.fact
    if not isinstance(fact, Angiogram | Imaging | Angioplasty | Stent):
        return
    lesions: Iterable[LesionFound | LesionTreated] = fact.lesions
    for lesion in lesions:
        held = found.lesions.get(lesion.lesion)
        if held is None:
            owner = found.owners.get(one.entry.id, "")
            held = LesionSeen(value=f"{owner}/lesion/{lesion.lesion}", lesion=lesion.lesion, first=one)
        found.lesions[lesion.lesion] = replace(held, place=held.place or lesion.place, side=held.side or lesion.side)
