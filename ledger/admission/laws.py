"""The laws: what cannot be, and what is odd, between facts of one patient.

A law is a function of one fact, of a fact and another, or of a fact and its access; it answers with a `Finding` or
with nothing. `PAIRS`, `WITHIN` and `ALONE` say which kinds it is asked about, `sentences` what is said then.

To add a law: write the function, name it in the table of its sort, give its code words in `sentences.LAWS`, and add
its edge to `tests/test_admission.py`. A law never refuses on a number that is only recalled or customary; those are
doubts.

Laws compare readings, never texts: `surely_before` is true only where every reading of both dates says so.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from functools import cache
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from ledger.admission.known import AccessIndex, Known, Told, kind_stated, may_lie_between, reading_of, surely_before
from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.vocabulary import (
    AbandonmentHow,
    AccessKind,
    AppointmentState,
    CatheterTroubleKind,
    ComplicationKind,
    EndOfFollowUp,
    ExchangeForm,
    Grade,
    GraftMaterial,
    InfectionClass,
    LesionPlace,
    MaturityVerdict,
    Organism,
    OtherIntervention,
    Outcome,
    RevisionMethod,
    Site,
    Stage,
    Use,
)

DAYS_BEFORE_A_NEEDLE = 14
"""Needled on day 13 is a doubt, on day 14 it is none. Sources: `sentences.LAWS["needled-early"]`."""


class Finding(NamedTuple):
    """What a law found: its code, the fact that is judged, and what it is judged against.

    Findings of one code that share their `group` (or, without one, what they are judged against) are one doubt.
    """

    code: str
    one: Known
    other: Known | None = None
    days: int | None = None
    field: str | None = None
    group: str | None = None


Alone = Callable[[Known, ZoneInfo], Iterable[Finding]]
Pair = Callable[[Known, Known, AccessIndex], Finding | None]
Within = Callable[[Known, AccessIndex], Finding | None]


# --- When: before it was made -------------------------------------------------------------------------------------

USES = frozenset({"first-cannulation", "access-used", "cannulation-session"})
"""Kinds that say that an access was used; `access-used` only where it says so."""

TREATS = frozenset(
    {"angioplasty", "stent", "thrombectomy", "banding", "revision", "second-stage", "other-intervention"}
)
"""Kinds that say that something was done to an access that exists."""

PRESUPPOSES = (
    USES
    | TREATS
    | {
        "catheter-exchanged",
        "catheter-removed",
        "catheter-trouble",
        "maturity-assessed",
        "measurement",
        "thrombosis",
        "complication",
        "infection",
        "abandonment",
        "taken-up-again",
    }
)
"""Kinds that cannot be said of an access that is not in the body."""

LOOKS = frozenset({"examination", "imaging", "angiogram"})
"""Kinds that look, and may look at the place where an access is to be made."""

MADE = ("creation", "catheter-placed")


def is_use(known: Known) -> bool:
    """Whether the fact says that blood or dialysate went through the access."""
    return known.kind in USES and getattr(known.fact, "use", None) is not Use.NOT_USED


def is_needling(known: Known) -> bool:
    """Whether the fact says that a needle was in the access."""
    if known.kind == "first-cannulation":
        return True
    if known.kind not in USES:
        return False
    use = known.fact.use
    return use is Use.TWO_NEEDLES or use is Use.ONE_NEEDLE or bool(use is None and known.fact.needles)


def before_made(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.last < other.first:
        return Finding("before-made", one, other) if one.kind not in USES or is_use(one) else None
    if one.last_day < other.last_day and one.kind in USES and is_use(one):
        return Finding("maybe-before-made", one, other)
    return None


def looked_at_before_made(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    return Finding("looked-at-before-made", one, other) if surely_before(one, other) else None


def planned_after_made(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    return Finding("planned-after-made", one, other) if surely_before(other, one) else None


def before_made_elsewhere(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    """What was told of an access from elsewhere is hearsay: it raises a doubt and refuses nothing."""
    if other.created is None or access.made or (one.kind in USES and not is_use(one)):
        return None
    return Finding("before-made-elsewhere", one, other) if one.last < other.created.first else None


def made_not_recorded(one: Known, access: AccessIndex) -> Finding | None:
    held = access.by_kind
    if "creation" in held or "catheter-placed" in held or "access-known" in held or not access.openers:
        return None
    return None if one.kind in USES and not is_use(one) else Finding("made-not-recorded", one)


def made_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    return Finding("made-twice", one, other, group=access.id)


# --- When: the first needles --------------------------------------------------------------------------------------


def needled_early(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    days = one.last_day - other.first_day
    if not 0 <= days < DAYS_BEFORE_A_NEEDLE or not is_needling(one) or _is_for_early_needles(other, access):
        return None
    return Finding("needled-early", one, other, days=days)


def _is_for_early_needles(made: Known, access: AccessIndex) -> bool:
    # The fact that makes it may be just being judged, and then it is not in the index yet.
    return made.fact.material is GraftMaterial.EARLY_CANNULATION or access.early_cannulation


def needled_early_elsewhere(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if other.created is None or "creation" in access.by_kind:
        return None
    days = one.last_day - other.created.first_day
    if not 0 <= days < DAYS_BEFORE_A_NEEDLE or not is_needling(one) or _is_for_early_needles(other, access):
        return None
    return Finding("needled-early", one, other, days=days)


def needled_early_after_second_stage(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    days = one.last_day - other.first_day
    if days < DAYS_BEFORE_A_NEEDLE and surely_before(other, one) and is_needling(one):
        return Finding("needled-early-after-second-stage", one, other, days=days)
    return None


def needled_before_first(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.kind != "first-cannulation" and surely_before(one, other) and is_needling(one):
        return Finding("needled-before-first", one, other)
    return None


def first_needled_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    return Finding("first-needled-twice", one, other, group=access.id)


def needled_before_second_stage(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if other.fact.stage is not Stage.FIRST:
        return None
    ready = one.kind == "maturity-assessed" and one.fact.verdict is MaturityVerdict.READY
    if not ready and not is_needling(one):
        return None
    if any(stage.first <= one.last for stage in access.of("second-stage")):
        return None
    return Finding("needled-before-second-stage", one, other)


def second_stage_of_single(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    return Finding("second-stage-of-single", one, other) if other.fact.stage is Stage.ONLY else None


# --- When: clot, and the end --------------------------------------------------------------------------------------


def may_open(known: Known) -> bool:
    """Whether the fact could have brought the flow back."""
    match known.kind:
        case "thrombectomy":
            return known.fact.success is not False
        case "other-intervention":
            return known.fact.what in (OtherIntervention.LYTIC_INFUSION, OtherIntervention.OTHER)
        case "catheter-trouble":
            return known.fact.what is CatheterTroubleKind.LYTIC_DWELL
        case _:
            return True


_OPENING = ("thrombectomy", "revision", "other-intervention", "catheter-trouble", "catheter-exchanged")


def _opened_between(start: Known, end: Known, access: AccessIndex) -> bool:
    return any(may_open(known) and may_lie_between(known, start, end) for known in access.of(*_OPENING))


def used_after_clotted(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if surely_before(other, one) and is_use(one) and not _opened_between(other, one, access):
        return Finding("used-after-clotted", one, other)
    return None


def clotted_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if surely_before(other, one) and not _opened_between(other, one, access):
        return Finding("clotted-twice", one, other)
    return None


def cleared_not_clotted(one: Known, access: AccessIndex) -> Finding | None:
    for clot in access.of("thrombosis"):
        if clot.first > one.last:
            continue
        # A clot that an earlier visit had cleared is not the one that was cleared now.
        cleared = any(
            other.fact.success is True and surely_before(clot, other) and other.last_day < one.first_day
            for other in access.of("thrombectomy")
            if other.root != one.root
        )
        if not cleared:
            return None
    return Finding("cleared-not-clotted", one)


_ENDED = {
    AbandonmentHow.GIVEN_UP: "after-given-up",
    AbandonmentHow.LIGATION: "after-ligation",
    AbandonmentHow.EXCISION: "after-excision",
}
_AFTERCARE = (OtherIntervention.DRAINAGE, OtherIntervention.CLOSURE_OF_PUNCTURE, OtherIntervention.RETRIEVAL)


def after_abandonment(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if not surely_before(other, one) or (one.kind in USES and not is_use(one)):
        return None
    if one.kind == "other-intervention" and one.fact.what in _AFTERCARE:
        return None
    how = other.fact.how
    if how is not AbandonmentHow.EXCISION and any(
        may_lie_between(known, other, one) for known in access.of("taken-up-again")
    ):
        return None
    return Finding(_ENDED[how], one, other)


def taken_up_after_excision(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if other.fact.how is AbandonmentHow.EXCISION and surely_before(other, one):
        return Finding("after-excision", one, other)
    return None


def _put_back_between(start: Known, end: Known, access: AccessIndex) -> bool:
    return any(may_lie_between(known, start, end) for known in access.of("catheter-exchanged"))


def after_removal(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if not surely_before(other, one) or (one.kind in USES and not is_use(one)):
        return None
    if one.kind == "other-intervention" and one.fact.what in _AFTERCARE:
        return None
    return None if _put_back_between(other, one, access) else Finding("after-removal", one, other)


def out_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    start, end = (other, one) if other.first <= one.first else (one, other)
    return None if _put_back_between(start, end, access) else Finding("out-twice", one, other, group=access.id)


def exchanged_when_out(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.fact.form is ExchangeForm.OUT_AND_BACK or not surely_before(other, one):
        return None
    back = any(
        known.root != one.root and known.fact.form is ExchangeForm.OUT_AND_BACK and may_lie_between(known, other, one)
        for known in access.of("catheter-exchanged")
    )
    return None if back else Finding("out-twice", one, other, group=access.id)


def closed_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if other.fact.how is not AbandonmentHow.EXCISION:
        return None
    how = one.fact.how
    if how is AbandonmentHow.EXCISION or (how is AbandonmentHow.LIGATION and surely_before(other, one)):
        return Finding("closed-twice", one, other, group=access.id)
    return None


def given_up_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.fact.how is not other.fact.how or one.fact.how is AbandonmentHow.EXCISION:
        return None
    start, end = (other, one) if other.first <= one.first else (one, other)
    if any(may_lie_between(known, start, end) for known in access.of("taken-up-again")):
        return None
    return Finding("given-up-twice", one, other, group=access.id)


def taken_up_not_given_up(one: Known, access: AccessIndex) -> Finding | None:
    if any(known.first <= one.last for known in access.of("abandonment")):
        return None
    return Finding("taken-up-not-given-up", one)


def removed_not_placed(one: Known, access: AccessIndex) -> Finding | None:
    if "catheter-placed" in access.by_kind or any(known.created is not None for known in access.of("access-known")):
        return None
    return Finding("removed-not-placed", one)


def told_twice(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if not one.first_day == one.last_day == other.first_day == other.last_day:
        return None
    visit = getattr(one.fact, "visit", None)
    if visit is not None and visit == getattr(other.fact, "visit", None):
        return None
    if one.kind == "infection" and one.fact.infection_class is not other.fact.infection_class:
        return None
    return Finding("told-twice", one, other, group=f"{access.id}|{one.kind}|{one.first_day}")


# --- What was said of the access ----------------------------------------------------------------------------------

_OVER_WIRE = (ExchangeForm.SAME_TUNNEL, ExchangeForm.NEW_EXIT, ExchangeForm.OVER_WIRE)

_NEIGHBOURS = frozenset(
    frozenset(pair)
    for pair in (
        (Site.SNUFFBOX, Site.WRIST),
        (Site.SNUFFBOX, Site.FOREARM),
        (Site.WRIST, Site.FOREARM),
        (Site.FOREARM, Site.ELBOW),
        (Site.ELBOW, Site.UPPER_ARM),
        (Site.UPPER_ARM, Site.AXILLA),
        (Site.AXILLA, Site.CHEST),
        (Site.NECK, Site.CHEST),
        (Site.ABDOMEN, Site.FLANK),
        (Site.ABDOMEN, Site.GROIN),
        (Site.GROIN, Site.THIGH),
    )
)
"""Sites that two people may both say of one access. Common practice, no source."""


def _stays_in_its_vein(known: Known, access: AccessIndex) -> bool:
    """Whether what the fact says of a vein is about the first one: an exchange into a new vein changes it."""
    if known.kind == "catheter-exchanged":
        return known.fact.form in _OVER_WIRE and not any(
            other.fact.form not in _OVER_WIRE for other in access.of("catheter-exchanged")
        )
    return True


def side_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.fact.side is None or other.fact.side is None or one.fact.side is other.fact.side:
        return None
    if not _stays_in_its_vein(one, access) or not _stays_in_its_vein(other, access):
        return None
    return Finding("side-disagrees", one, other, group=access.id)


def kind_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    said, known = one.fact.access_kind, other.fact.access_kind
    if said is None or known is None or said is known:
        return None
    return Finding("kind-disagrees", one, other, group=access.id)


def site_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    said, known = _site_of(one.fact), _site_of(other.fact)
    if said is None or known is None or said is known or frozenset((said, known)) in _NEIGHBOURS:
        return None
    return Finding("site-disagrees", one, other, group=access.id)


def _site_of(fact: Any) -> Site | None:
    found: Site | None = fact.exit_site if fact.kind == "catheter-placed" else fact.site
    return found


def material_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if one.fact.material is None or other.fact.material is None or one.fact.material is other.fact.material:
        return None
    return Finding("material-disagrees", one, other, group=access.id)


def vein_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    if not _stays_in_its_vein(one, access) or not _stays_in_its_vein(other, access):
        return None
    for said, known in ((_vein_of(one.fact), _vein_of(other.fact)), (_outflow_of(one.fact), _outflow_of(other.fact))):
        if said is not None and known is not None and said is not known:
            return Finding("vein-disagrees", one, other, group=access.id)
    return None


def _vein_of(fact: Any) -> Any:
    return fact.catheter_vein if fact.kind == "access-known" else getattr(fact, "vein", None)


def _outflow_of(fact: Any) -> Any:
    return getattr(fact, "outflow", None)


def created_disagrees(one: Known, other: Known, access: AccessIndex) -> Finding | None:
    """`one` met the access or was told when it was made; `other` made it, or was told as well."""
    if other.kind == "access-known":
        if one.created is None or other.created is None:
            return None
        apart = one.created.last < other.created.first or other.created.last < one.created.first
    else:
        apart = one.last < other.first or (
            one.created is not None and (one.created.last < other.first or other.last < one.created.first)
        )
    return Finding("created-disagrees", one, other, group=access.id) if apart else None


# --- What can be done or found on which kind of access -------------------------------------------------------------

_NEEDLED = frozenset({AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID})
_LINES = frozenset({AccessKind.TUNNELLED, AccessKind.NONTUNNELLED})
_PERITONEAL = frozenset({AccessKind.PERITONEAL})
_CATHETERS = _LINES | _PERITONEAL
_PLAIN = frozenset({AccessKind.FISTULA, AccessKind.GRAFT})
_HYBRID = frozenset({AccessKind.HYBRID})
_NONE: frozenset[AccessKind] = frozenset()

Kinds = frozenset[AccessKind]
Fits = tuple[Kinds, Kinds]
"""The kinds of access on which something cannot be, and those on which it is unusual."""

_FIXED: dict[str, Fits] = {
    "first-cannulation": (_CATHETERS, _NONE),
    "second-stage": (_CATHETERS, frozenset({AccessKind.GRAFT, AccessKind.HYBRID})),
    "maturity-assessed": (_LINES, _PERITONEAL),
    "thrombosis": (_NONE, _CATHETERS),
    "catheter-removed": (_PLAIN, _HYBRID),
    "catheter-trouble": (_PLAIN, _HYBRID),
    "banding": (_CATHETERS, _NONE),
    "thrombectomy": (_PERITONEAL, _LINES),
    "angiogram": (_NONE, _PERITONEAL),
}


def _exchange_fits(fact: Any) -> Fits:
    match fact.to_kind:
        case AccessKind.PERITONEAL:
            return _PLAIN | _LINES, _HYBRID
        case AccessKind.TUNNELLED | AccessKind.NONTUNNELLED:
            return _PLAIN | _PERITONEAL, _HYBRID
        case _:
            return _PLAIN, _HYBRID


def _use_fits(fact: Any) -> Fits:
    needled = fact.use is Use.TWO_NEEDLES or (
        fact.use is None and bool(getattr(fact, "needles", None) or getattr(fact, "gauge", None))
    )
    cannot: Kinds = _NONE
    odd: Kinds = _NONE
    if needled:
        cannot = _CATHETERS
    elif fact.use is Use.ONE_NEEDLE:
        cannot = _PERITONEAL
    elif fact.use is Use.CATHETER:
        cannot, odd = _PLAIN, _HYBRID
    if fact.kind == "cannulation-session":
        cannot = cannot | _PERITONEAL
    return cannot, odd


_CATHETER_PLACES = frozenset(place for place in LesionPlace if place.is_central) | {
    LesionPlace.CATHETER_TIP,
    LesionPlace.FEMORAL_VEIN,
    LesionPlace.AXILLARY_VEIN,
}
"""Where a lesion can lie that is treated through or around a central line."""


def _balloon_fits(fact: Any) -> Fits:
    places = {lesion.place for lesion in fact.lesions} | {stent.place for stent in getattr(fact, "stents", ())}
    if places and places <= _CATHETER_PLACES:
        return _PERITONEAL, _NONE
    if places & _CATHETER_PLACES or None in places or not places:
        return _PERITONEAL, _LINES
    return _CATHETERS, _NONE


def _revision_fits(fact: Any) -> Fits:
    if set(fact.methods) - {RevisionMethod.OTHER}:
        return _CATHETERS, _NONE
    return _NONE, _CATHETERS


def _infection_fits(fact: Any) -> Fits:
    match fact.infection_class:
        case InfectionClass.PERITONITIS:
            return _NEEDLED | _LINES, _NONE
        case InfectionClass.TUNNEL | InfectionClass.EXIT_SITE:
            return _NONE, _PLAIN
        case InfectionClass.BLOODSTREAM:
            return _NONE, _PERITONEAL
        case _:
            return _NONE, _NONE


def _abandonment_fits(fact: Any) -> Fits:
    match fact.how:
        case AbandonmentHow.LIGATION:
            return _CATHETERS, _NONE
        case AbandonmentHow.EXCISION:
            return _NONE, _CATHETERS
        case _:
            return _NONE, _NONE


def _examination_fits(fact: Any) -> Fits:
    if fact.thrill is not None or fact.bruit is not None or fact.augments is not None:
        return _NONE, _CATHETERS
    return _NONE, _PLAIN if fact.exit_site_clean is not None else _NONE


def _measurement_fits(fact: Any) -> Fits:
    if fact.static_venous_pressure_mmhg is not None or fact.static_arterial_pressure_mmhg is not None:
        return _NONE, _CATHETERS
    if fact.flow_ml_min is not None:
        return _NONE, _CATHETERS
    return _NONE, _PERITONEAL if fact.recirculation_percent is not None else _NONE


_OF_NEEDLED_ONLY = (
    ComplicationKind.STEAL,
    ComplicationKind.NEUROPATHY,
    ComplicationKind.ANEURYSM,
    ComplicationKind.PSEUDOANEURYSM,
    ComplicationKind.INFILTRATION,
    ComplicationKind.HIGH_FLOW,
    ComplicationKind.FAILURE_TO_MATURE,
)


def _complication_fits(fact: Any) -> Fits:
    return _NONE, _CATHETERS if fact.what in _OF_NEEDLED_ONLY else _NONE


_ON_CATHETERS_ONLY = (
    OtherIntervention.SHEATH_DISRUPTION,
    OtherIntervention.REPOSITIONING,
    OtherIntervention.CATHETER_REPAIR,
)
_ON_NEEDLED_ONLY = (OtherIntervention.SIDE_BRANCH_LIGATION, OtherIntervention.SUPERFICIAL_LIPECTOMY)


def _other_intervention_fits(fact: Any) -> Fits:
    if fact.what in _ON_CATHETERS_ONLY:
        return _NONE, _PLAIN
    return _NONE, _CATHETERS if fact.what in _ON_NEEDLED_ONLY else _NONE


_BY_FACT: dict[str, Callable[[Any], Fits]] = {
    "catheter-exchanged": _exchange_fits,
    "access-used": _use_fits,
    "cannulation-session": _use_fits,
    "angioplasty": _balloon_fits,
    "stent": _balloon_fits,
    "revision": _revision_fits,
    "infection": _infection_fits,
    "abandonment": _abandonment_fits,
    "examination": _examination_fits,
    "measurement": _measurement_fits,
    "complication": _complication_fits,
    "other-intervention": _other_intervention_fits,
}

DEPENDS_ON_KIND = frozenset(_FIXED) | frozenset(_BY_FACT)
"""Kinds of entry that do not go with every kind of access."""


def on_this_kind(one: Known, access: AccessIndex) -> Finding | None:
    """Refuses only if it fits none of the kinds that the access was said to have; hearsay and plans raise a doubt."""
    kinds: Collection[AccessKind] = access.kinds or access.hearsay
    if one.kind == "catheter-exchanged":
        # What it was exchanged for is what the exchange says itself.
        others = (kind_stated(known.fact) for known in access.of("creation", "catheter-placed", "access-known"))
        kinds = {stated for stated, certain in others if stated is not None and certain} or access.hearsay
    if not kinds:
        return None
    fixed = _FIXED.get(one.kind)
    cannot, odd = fixed if fixed is not None else _BY_FACT[one.kind](one.fact)
    if cannot and cannot.issuperset(kinds):
        if access.kinds:
            stated_by = access.of("creation", "catheter-placed", "access-known", "catheter-exchanged")
            first = min(stated_by, key=lambda known: (known.first, known.last, known.root), default=None)
            return Finding("not-on-this-kind", one, first)
        return Finding("odd-on-this-kind", one)
    if not (cannot.isdisjoint(kinds) and odd.isdisjoint(kinds)):
        return Finding("odd-on-this-kind", one)
    return None


# --- Lesions ------------------------------------------------------------------------------------------------------


def lesion_on_other_side(one: Known, access: AccessIndex) -> Finding | None:
    lesions = one.fact.lesions
    if not lesions or all(lesion.side is None for lesion in lesions):
        return None
    side = access.side
    if side is None:
        return None
    for lesion in lesions:
        central = lesion.place is not None and lesion.place.is_central
        if lesion.side is not None and lesion.side is not side and not central:
            return Finding("lesion-on-other-side", one)
    return None


def lesion_elsewhere(mine: Told, its: Told, lesion: str) -> Finding | None:
    """One lesion, told by two facts: it has one side and one place, and lies in one access.

    However many facts tell it, it is one doubt: what is said of the arm of an access is one question, and so is where
    a lesion lies.
    """
    one, other = mine.by, its.by
    if mine.side is not None and its.side is not None and mine.side is not its.side:
        return Finding("lesion-on-two-sides", one, other, group=one.access or lesion)
    if mine.place is not None and its.place is not None and mine.place is not its.place:
        return Finding("lesion-in-two-places", one, other, group=lesion)
    if one.access != other.access:
        return Finding("lesion-on-two-accesses", one, other, group=lesion)
    return None


_RANKS = {
    Grade.NONE: 0,
    Grade.MINIMAL: 1,
    Grade.MILD: 2,
    Grade.MODERATE: 3,
    Grade.SEVERE: 4,
    Grade.HIGH_GRADE: 4,
    Grade.CRITICAL: 5,
    Grade.SUBTOTAL: 5,
    Grade.OCCLUDED: 6,
}
"""Grades that have an order. "Present" and "significant" have none."""


def is_worse(left: Told, found: Told) -> bool:
    """Whether surely more was left of a lesion than was found."""
    if left.residual_percent is not None and found.found_percent is not None:
        return lies_above(left.residual_percent, found.found_percent)
    if left.residual_grade is None or found.found_grade is None:
        return False
    left_rank, found_rank = _RANKS.get(left.residual_grade), _RANKS.get(found.found_grade)
    return left_rank is not None and found_rank is not None and left_rank > found_rank


def lies_above(one: Measured, other: Measured) -> bool:
    """Whether the one is surely more than the other."""
    least, most = one.at_least, other.at_most
    return least is not None and most is not None and least > most


def same_visit(one: Known, other: Known) -> bool:
    """Whether two facts belong to one visit: by its id, else by access and day."""
    visit, its = getattr(one.fact, "visit", None), getattr(other.fact, "visit", None)
    if visit is not None or its is not None:
        return bool(visit == its)
    return one.access == other.access and one.first_day == one.last_day == other.first_day == other.last_day


# --- One fact alone -----------------------------------------------------------------------------------------------


def _in_order(one: Known, zone: ZoneInfo, *ends: tuple[PartialDate | None, PartialDate | None]) -> Iterator[Finding]:
    for start, end in ends:
        if start is not None and end is not None and reading_of(end, zone).last < reading_of(start, zone).first:
            yield Finding("ends-before-it-begins", one)
            return


def span_of_instruction(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    fact = one.fact
    begins = fact.from_day or fact.happened
    return _in_order(one, zone, (begins, fact.until), (fact.happened, fact.due))


def span_until(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    return _in_order(one, zone, (one.fact.happened, one.fact.until))


def span_of_course(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    fact = one.fact
    return _in_order(one, zone, (fact.happened, fact.until), (fact.happened, fact.planned_until))


def span_of_background(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    return _in_order(one, zone, *((item.since, item.until) for item in one.fact.items))


def span_to_review(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    return _in_order(one, zone, (one.fact.happened, one.fact.review_on))


def patent_after_loss(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    last = one.fact.last_known_patent
    if last is not None and reading_of(last, zone).first > one.last:
        yield Finding("known-patent-after-loss", one)


def attended_in_future(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    fact = one.fact
    if fact.on is None or fact.state not in (AppointmentState.ATTENDED, AppointmentState.NOT_ATTENDED):
        return
    if reading_of(fact.on, zone).first > one.last:
        yield Finding("attended-in-future", one)


def culture_contradicts_itself(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    fact = one.fact
    grew = fact.organism is not None and fact.organism is not Organism.NO_GROWTH
    if (fact.positive is False and grew) or (fact.positive is True and fact.organism is Organism.NO_GROWTH):
        yield Finding("culture-contradicts-itself", one)
    yield from _in_order(one, zone, (fact.happened, fact.reported_on))


def crossed_pressures(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    fact = one.fact
    if _above(fact.diastolic_mmhg, fact.systolic_mmhg):
        yield Finding("numbers-cross", one, field="diastolic_mmhg above systolic_mmhg")
    if _above(fact.urea_after, fact.urea_before):
        yield Finding("numbers-cross", one, field="urea_after above urea_before")


def crossed_diameters(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    if any(_above(lesion.smallest_mm, lesion.reference_mm) for lesion in one.fact.lesions):
        yield Finding("numbers-cross", one, field="smallest_mm above reference_mm")


def flow_rose(one: Known, zone: ZoneInfo) -> Iterable[Finding]:
    if _above(one.fact.flow_after_ml_min, one.fact.flow_before_ml_min):
        yield Finding("flow-rose-after-banding", one)


def _above(one: Measured | None, other: Measured | None) -> bool:
    return one is not None and other is not None and lies_above(one, other)


# --- The person ---------------------------------------------------------------------------------------------------


def is_death(known: Known) -> bool:
    return known.kind == "follow-up-ended" and known.fact.reason is EndOfFollowUp.DEATH


AFTER_DEATH = frozenset({"set-aside", "follow-up-ended"})
"""Kinds that may be dated after a death: what is put off is about the ledger, and an end is judged by its own laws."""


def ended_twice(one: Known, other: Known, resumptions: Iterable[Known]) -> Finding | None:
    if is_death(one) and is_death(other):
        apart = surely_before(one, other) or surely_before(other, one)
        return Finding("died-twice", one, other, group="died-twice") if apart else None
    start, end = (other, one) if other.first <= one.first else (one, other)
    # Death after a transplant or a transfer is no contradiction, and often reaches the unit.
    if is_death(end) or any(may_lie_between(known, start, end) for known in resumptions):
        return None
    return Finding("ended-twice", one, other, group="ended-twice")


# --- Which law is asked about which kinds --------------------------------------------------------------------------

_RECORDED_ONCE_A_DAY = TREATS | {"thrombosis", "infection", "visit", "catheter-exchanged"}

_PAIRS: tuple[tuple[Iterable[str], Iterable[str], Pair], ...] = (
    (PRESUPPOSES, MADE, before_made),
    (PRESUPPOSES, ("access-known",), before_made_elsewhere),
    (LOOKS, MADE, looked_at_before_made),
    (("access-planned",), MADE, planned_after_made),
    (MADE, MADE, made_twice),
    (USES, ("creation",), needled_early),
    (USES, ("access-known",), needled_early_elsewhere),
    (USES, ("second-stage",), needled_early_after_second_stage),
    (USES - {"first-cannulation"}, ("first-cannulation",), needled_before_first),
    (("first-cannulation",), ("first-cannulation",), first_needled_twice),
    (USES | {"maturity-assessed"}, ("creation",), needled_before_second_stage),
    (("second-stage",), ("creation",), second_stage_of_single),
    (USES, ("thrombosis",), used_after_clotted),
    (("thrombosis",), ("thrombosis",), clotted_twice),
    (USES | TREATS | {"thrombosis", "catheter-exchanged"}, ("abandonment",), after_abandonment),
    (("taken-up-again",), ("abandonment",), taken_up_after_excision),
    (USES | TREATS | {"thrombosis", "catheter-trouble"}, ("catheter-removed",), after_removal),
    (("catheter-removed",), ("catheter-removed",), out_twice),
    (("catheter-exchanged",), ("catheter-removed",), exchanged_when_out),
    (("abandonment",), ("abandonment",), closed_twice),
    (("abandonment",), ("abandonment",), given_up_twice),
    (
        ("creation", "catheter-placed", "access-known"),
        ("creation", "catheter-placed", "access-known", "access-planned"),
        side_disagrees,
    ),
    (("catheter-exchanged",), ("catheter-placed", "access-known"), side_disagrees),
    (("creation", "catheter-placed", "access-known"), ("access-known",), kind_disagrees),
    (("creation", "catheter-placed", "access-known"), ("access-known",), site_disagrees),
    (("creation", "access-known"), ("access-known",), material_disagrees),
    (("creation", "catheter-placed", "access-known"), ("access-known",), vein_disagrees),
    (("catheter-exchanged",), ("catheter-placed", "access-known"), vein_disagrees),
    (("access-known",), ("creation", "catheter-placed", "access-known"), created_disagrees),
    *(((kind,), (kind,), told_twice) for kind in sorted(_RECORDED_ONCE_A_DAY)),
)

_WITHIN: tuple[tuple[Iterable[str], Within], ...] = (
    (PRESUPPOSES - {"catheter-removed"}, made_not_recorded),
    (("thrombectomy",), cleared_not_clotted),
    (("taken-up-again",), taken_up_not_given_up),
    (("catheter-removed",), removed_not_placed),
    (("angiogram", "imaging", "angioplasty", "stent"), lesion_on_other_side),
    (DEPENDS_ON_KIND, on_this_kind),
)

_ALONE: tuple[tuple[Iterable[str], Alone], ...] = (
    (("instruction",), span_of_instruction),
    (("hospital-stay", "set-aside"), span_until),
    (("antimicrobial-course",), span_of_course),
    (("background",), span_of_background),
    (("decision", "life-plan-reviewed"), span_to_review),
    (("thrombosis", "abandonment"), patent_after_loss),
    (("appointment",), attended_in_future),
    (("culture",), culture_contradicts_itself),
    (("measurement",), crossed_pressures),
    (("angiogram", "imaging"), crossed_diameters),
    (("banding",), flow_rose),
)


class Plan(NamedTuple):
    """The laws that a kind of entry is asked about: when it is judged, and when others are judged against it.

    Laws between two facts stand under the other one's kind, so that a kind that an access does not have costs nothing.
    """

    alone: tuple[Alone, ...]
    within: tuple[Within, ...]
    judged_by: dict[str, tuple[Pair, ...]]
    judges: dict[str, tuple[Pair, ...]]


@cache
def plan_of(kind: str) -> Plan:
    """The laws that concern a kind of entry."""
    judged_by: dict[str, tuple[Pair, ...]] = {}
    judges: dict[str, tuple[Pair, ...]] = {}
    for ones, others, law in _PAIRS:
        if kind in ones:
            for other in others:
                judged_by[other] = (*judged_by.get(other, ()), law)
        if kind in others:
            for one in sorted(ones):
                judges[one] = (*judges.get(one, ()), law)
    return Plan(
        alone=tuple(law for kinds, law in _ALONE if kind in kinds),
        within=tuple(law for kinds, law in _WITHIN if kind in kinds),
        judged_by=judged_by,
        judges=judges,
    )


CANCELLED = (Outcome.CANCELLED, Outcome.DECLINED)
DONE_AT_A_VISIT = TREATS | {"angiogram", "creation", "catheter-placed", "catheter-exchanged", "catheter-removed"}
