"""The one fold: what a history makes of each access, without asking what day it is.

The list columns (`rows`), the five facts with their day (`state`), the brief and the
sheet all rest on what is folded here, so they cannot disagree. A fold walks the
effective history once, in clinical order, and keeps for every access its body, flow,
readiness, use and standing, each with the entry that it rests on, and beside them what
is open: findings, instructions, lesions, stents, referrals.

Nothing here depends on today, and nothing raises: whatever is in the ledger has
happened. Where two entries disagree and nothing orders them, both are kept
(`Folded.conflicts`), since a conflict gives two sentences and not one guess.

To add a kind: write a function that takes the access, the entry and the fact, and name
it in `_FOLDS`; or name the kind in `_OF_THE_PERSON` if it says nothing of one access.
A test asks for one of the two. Keep the functions small: the fold runs at every append.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import (
    Abandonment,
    AccessKnown,
    AccessPlanned,
    AccessUsed,
    Angiogram,
    Angioplasty,
    Appointment,
    Banding,
    CannulationSession,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    CatheterTrouble,
    Complication,
    Creation,
    Culture,
    Decision,
    Examination,
    FirstCannulation,
    Imaging,
    Infection,
    Instruction,
    LesionFound,
    LesionTreated,
    MaturityAssessed,
    Measurement,
    OtherInterventionDone,
    Referral,
    Revision,
    SecondStage,
    Stent,
    StentPlaced,
    TakenUpAgain,
    Thrombectomy,
    Thrombosis,
    Visit,
)
from ledger.measured import Measured
from ledger.vocabulary import (
    AbandonmentHow,
    AbandonmentReason,
    AccessKind,
    AppointmentState,
    Artery,
    Bruit,
    CatheterFate,
    CatheterReason,
    CatheterTroubleKind,
    ClotExtent,
    ComplicationKind,
    Configuration,
    DecisionWhat,
    Finding,
    GraftMaterial,
    HandState,
    InfectionClass,
    KnownBy,
    Limb,
    MaturityVerdict,
    NeedleTrouble,
    OtherIntervention,
    Outcome,
    PeritonealStart,
    Pulse,
    RevisionMethod,
    Side,
    Site,
    SkinState,
    Stage,
    Thrill,
    Use,
    Vein,
    words_of,
)


class Body(StrEnum):
    """Where the access is. `not-recorded`: nobody said that it was made, placed or met."""

    PLANNED = "planned"
    MADE = "made"
    PLACED = "placed"
    MET = "met"  # found in the body, made elsewhere or on a day that nobody recorded
    LIGATED = "ligated"
    EXCISED = "excised"
    REMOVED = "removed"
    FELL_OUT = "fell-out"
    UNKNOWN = "not-recorded"

    @property
    def is_out(self) -> bool:
        """No longer there to be needled or connected."""
        return self in _OUT

    @property
    def is_in(self) -> bool:
        """Known to be in the body."""
        return self in _IN


_OUT = frozenset({Body.LIGATED, Body.EXCISED, Body.REMOVED, Body.FELL_OUT})
_IN = frozenset({Body.MADE, Body.PLACED, Body.MET})


class FlowIs(StrEnum):
    """Whether blood was seen to flow. Always as of a day: there is no undated "patent"."""

    SEEN = "flow-seen"
    NOT_FOUND = "not-found"  # no thrill or bruit found, or none seen: a finding, not yet a thrombosis
    THROMBOSED = "thrombosed"
    BOTH = "told-both-ways"  # two entries of one day disagree
    UNKNOWN = "unknown"


class Readiness(StrEnum):
    """How far an access is on its way to being needled. Patent is not mature, and mature is not used."""

    UNKNOWN = "unknown"
    NEW = "not-judged"  # made, and nobody judged it: healing or maturing, depending on the day
    NOT_READY = "not-ready"
    READY = "judged-ready"
    TRIED = "being-tried"
    PROVEN = "proven-by-use"
    NEVER = "never-usable"
    NOT_ASKED = "not-asked"  # a catheter is not judged for readiness


class UseIs(StrEnum):
    """How the access is used, as of the last day on which anybody said so."""

    IN_USE = "in-use"
    PARTLY = "partly"
    RESTING = "resting"
    RESERVE = "kept-in-reserve"
    NOT_USED = "not-used"
    BOTH = "told-both-ways"
    UNKNOWN = "use-unknown"
    BURIED = "buried"  # a peritoneal catheter under the skin


class Standing(StrEnum):
    """Whether the access is kept. Says nothing about the body: an access given up is still in it."""

    KEPT = "kept"
    GIVEN_UP = "given-up"
    TAKEN_UP = "taken-up-again"
    ENDED = "ended"  # a catheter that is out


class Claim(NamedTuple):
    """What one entry says about one of the five facts, and how that is known."""

    state: Any
    one: InForce | None = None
    how: str = ""


class OpenFinding(NamedTuple):
    """A finding that nothing has closed. `words` say it; `one` is the entry that opened it."""

    words: str
    one: InForce
    finding: Finding | None


class Conflict(NamedTuple):
    """Two entries that cannot both be the whole truth. `about` says of what: side, kind, flow, body, use."""

    about: str
    first: InForce
    second: InForce


class Found(NamedTuple):
    """A lesion as one look found it."""

    one: InForce
    lesion: LesionFound


class Treated(NamedTuple):
    """A lesion as one operation treated it. `stent` where a stent was placed in it."""

    one: InForce
    lesion: LesionTreated | None
    stent: StentPlaced | None


class Folded:
    """What the history makes of one access. Mutable while the fold runs, read-only after it."""

    __slots__ = (
        "access",
        "access_kind",
        "aided",
        "arterial_limb",
        "body",
        "configuration",
        "conflicts",
        "continues_from",
        "decisions",
        "device_since",
        "doubts",
        "entries",
        "examined",
        "exchanges",
        "exit_side",
        "exit_site",
        "findings",
        "first",
        "first_needle",
        "flow",
        "flow_also",
        "given_up",
        "inflow",
        "instructions",
        "interventions",
        "kind_said",
        "last",
        "last_use",
        "lesions",
        "made",
        "material",
        "measured",
        "met",
        "needle_uses",
        "opened",
        "other_kind",
        "other_side",
        "outflow",
        "planned",
        "possibly",
        "ready",
        "referral",
        "reserve",
        "second_stage",
        "sessions",
        "side",
        "side_said",
        "site",
        "standing",
        "stents",
        "tip",
        "unused",
        "use",
        "vein",
        "visits",
    )

    def __init__(self, access: str) -> None:
        self.access = access
        self.access_kind: AccessKind | None = None
        self.kind_said: InForce | None = None
        self.other_kind: AccessKind | None = None
        self.side: Side | None = None
        self.side_said: InForce | None = None
        self.other_side: Side | None = None
        self.site: Site | None = None
        self.inflow: Artery | None = None
        self.outflow: Vein | None = None
        self.vein: Vein | None = None
        self.exit_side: Side | None = None
        self.exit_site: Site | None = None
        self.configuration: Configuration | None = None
        self.material: GraftMaterial | None = None
        self.arterial_limb: Limb | None = None
        self.tip: Any = None
        self.continues_from: str | None = None
        self.planned: InForce | None = None
        self.made: InForce | None = None
        self.met: InForce | None = None
        self.opened: PartialDate | None = None
        self.second_stage: InForce | None = None
        self.device_since: InForce | None = None
        self.exchanges: list[InForce] = []
        self.body = _NO_BODY
        self.flow = _NO_FLOW
        self.flow_also: Claim | None = None
        self.ready = _NO_READINESS
        self.aided: list[InForce] = []
        self.first_needle: InForce | None = None
        self.needle_uses: list[InForce] = []
        self.sessions: list[InForce] = []
        self.use = _NO_USE
        self.last_use: InForce | None = None
        self.unused: InForce | None = None
        self.reserve: InForce | None = None
        self.standing = _KEPT
        self.given_up: InForce | None = None
        self.findings: dict[str, OpenFinding] = {}
        self.instructions: list[InForce] = []
        self.lesions: dict[str, tuple[list[Found], list[Treated]]] = {}
        self.stents: list[Treated] = []
        self.interventions: list[InForce] = []
        self.visits: list[InForce] = []
        self.examined: InForce | None = None
        self.measured: list[InForce] = []
        self.referral: InForce | None = None
        self.decisions: list[InForce] = []
        self.conflicts: list[Conflict] = []
        self.possibly: list[InForce] = []
        self.doubts = 0
        self.entries = 0
        self.first: InForce | None = None
        self.last: InForce | None = None

    @property
    def is_catheter(self) -> bool:
        return self.access_kind is not None and self.access_kind.is_catheter

    @property
    def is_needled(self) -> bool:
        return self.access_kind is not None and not self.access_kind.is_catheter


_NO_BODY = Claim(Body.UNKNOWN)
_NO_FLOW = Claim(FlowIs.UNKNOWN)
_NO_READINESS = Claim(Readiness.UNKNOWN)
_NO_USE = Claim(UseIs.UNKNOWN)
_KEPT = Claim(Standing.KEPT)


@dataclass
class OfThePerson:
    """What is said of the person, or of no single access, by kind and in clinical order."""

    by_kind: dict[str, list[InForce]]
    possibly: list[InForce]

    def of(self, kind: str) -> list[InForce]:
        """The facts of one kind, oldest first."""
        return self.by_kind.get(kind, [])

    def last_of(self, kind: str) -> InForce | None:
        """The newest fact of one kind."""
        found = self.by_kind.get(kind)
        return found[-1] if found else None


class Folds(NamedTuple):
    """The whole history, folded: its accesses in the order in which they first appear, and the person."""

    accesses: dict[str, Folded]
    person: OfThePerson


def fold_of(history: History, *, sessions: bool = True) -> Folds:
    """What the history makes of each access and of the person.

    Facts that a view as of a day marks as possibly later are kept apart and move nothing. `sessions=False` leaves
    out the second stream, so that what is made of the first does not depend on whether the second was read.
    """
    accesses: dict[str, Folded] = {}
    by_kind: dict[str, list[InForce]] = {}
    maybe: list[InForce] = []
    zone = history.zone
    for one in history.facts:
        entry = one.entry
        if entry.session and not sessions:
            continue
        fact = one.fact
        kind = fact.kind
        access = one.access
        if kind in _OF_THE_PERSON:
            if one.possibly:
                maybe.append(one)
                continue
            held = by_kind.get(kind)
            if held is None:
                by_kind[kind] = [one]
            else:
                held.append(one)
        if access is None:
            continue
        folded = accesses.get(access)
        if folded is None:
            folded = accesses[access] = Folded(access)
            folded.first = one
        if one.possibly:
            folded.possibly.append(one)
            if kind in _OPENS:
                _named_by(folded, one)
            continue
        folded.entries += 1
        folded.last = one
        if entry.doubts:
            folded.doubts += len(entry.doubts)
        _FOLDS[kind](folded, one, fact, zone)
    if len(accesses) > 1:
        _beside_each_other(accesses, zone)
    return Folds(accesses, OfThePerson(by_kind, maybe))


# --- How an access comes into being -------------------------------------------------------------------------------


def _planned(a: Folded, one: InForce, fact: AccessPlanned, zone: Any) -> None:
    a.planned = one
    if a.body.state is Body.UNKNOWN:
        a.body = Claim(Body.PLANNED, one)
    if a.access_kind is None:
        a.access_kind = fact.access_kind
    # What was planned is no claim about what was made: it only lends its name until something is.
    if a.side is None:
        a.side, a.side_said = fact.side, None
    a.site = a.site or fact.site
    a.inflow = a.inflow or fact.inflow
    a.outflow = a.outflow or fact.outflow


def _known(a: Folded, one: InForce, fact: AccessKnown, zone: Any) -> None:
    if a.met is None:
        a.met = one
    _says_kind(a, one, fact.access_kind)
    _says_side(a, one, fact.side)
    a.site = a.site or fact.site
    a.inflow = a.inflow or fact.inflow
    a.outflow = a.outflow or fact.outflow
    a.vein = a.vein or fact.catheter_vein
    a.configuration = a.configuration or fact.configuration
    a.material = a.material or fact.material
    a.arterial_limb = a.arterial_limb or fact.arterial_limb
    if a.made is None and fact.created is not None:
        a.opened = fact.created
    if a.body.state in _BEFORE_BODY:
        a.body = Claim(Body.MET, one)
    if a.ready.state is Readiness.UNKNOWN and a.is_catheter:
        a.ready = Claim(Readiness.NOT_ASKED)


def _creation(a: Folded, one: InForce, fact: Creation, zone: Any) -> None:
    _says_kind(a, one, fact.access_kind)
    if a.side_said is None:
        a.side = None
    _says_side(a, one, fact.side)
    a.site = fact.site or a.site
    a.inflow = fact.inflow or a.inflow
    a.outflow = fact.outflow or a.outflow
    a.configuration = fact.configuration or a.configuration
    a.material = fact.material or a.material
    a.arterial_limb = fact.arterial_limb or a.arterial_limb
    a.continues_from = fact.continues_from or a.continues_from
    if fact.stage is Stage.SECOND:
        # The first stage may have been made elsewhere and never told; then its day stays unknown.
        a.second_stage = one
    if a.made is None or fact.stage is not Stage.SECOND:
        a.made = one
        a.opened = one.fact.happened if fact.stage is not Stage.SECOND else a.opened
    if a.body.state in _BEFORE_BODY or a.body.state is Body.MET:
        a.body = Claim(Body.MADE, one)
    if a.ready.state is Readiness.UNKNOWN:
        a.ready = Claim(Readiness.NEW, one)


def _placed(a: Folded, one: InForce, fact: CatheterPlaced, zone: Any) -> None:
    _says_kind(a, one, fact.access_kind)
    peritoneal = fact.access_kind is AccessKind.PERITONEAL
    if a.side_said is None:
        a.side = None
    _says_side(a, one, (fact.exit_side or fact.side) if peritoneal else fact.side)
    a.vein = fact.vein or a.vein
    a.exit_side = fact.exit_side or a.exit_side
    a.exit_site = fact.exit_site or a.exit_site
    a.site = fact.exit_site or a.site
    a.tip = fact.tip or a.tip
    a.made = one
    a.device_since = one
    a.opened = fact.happened
    a.body = Claim(Body.PLACED, one)
    a.ready = Claim(Readiness.NOT_ASKED)
    if a.standing.state is Standing.ENDED:
        a.standing = _KEPT
    if fact.peritoneal_start is PeritonealStart.BURIED:
        a.use = Claim(UseIs.BURIED, one)
    elif fact.peritoneal_start is PeritonealStart.RESTING:
        a.use = Claim(UseIs.RESTING, one)
    elif fact.peritoneal_start is PeritonealStart.USED:
        _used_on(a, one, UseIs.IN_USE, "peritoneal", zone)
    a.interventions.append(one)


def _exchanged(a: Folded, one: InForce, fact: CatheterExchanged, zone: Any) -> None:
    if fact.to_kind is not None:
        a.access_kind = fact.to_kind
    if fact.vein is not None:
        a.vein = fact.vein
    if fact.side is not None and fact.side is not a.side:
        # Another vein may lie on the other side; an exchange within one tunnel cannot change sides.
        if a.side is not None and fact.form is not None and fact.form.value.startswith("over-wire"):
            _says_side(a, one, fact.side)
        else:
            a.side, a.side_said = fact.side, one
    a.tip = fact.tip or a.tip
    a.exchanges.append(one)
    a.device_since = one
    if a.body.state is not Body.PLACED:
        a.body = Claim(Body.PLACED, one)
    a.ready = Claim(Readiness.NOT_ASKED)
    a.interventions.append(one)
    _closes(a, _CLOSED_BY_NEW_CATHETER)


def _removed(a: Folded, one: InForce, fact: CatheterRemoved, zone: Any) -> None:
    # A catheter that fell out is on record as fallen out; that somebody then noted it as removed changes nothing.
    if a.body.state is not Body.FELL_OUT or not _overlap(a.body.one, one, zone):
        state = Body.FELL_OUT if fact.reason is CatheterReason.DISLODGED else Body.REMOVED
        a.body = Claim(state, one, _reason(fact.reason))
    a.standing = Claim(Standing.ENDED, one)
    a.interventions.append(one)
    a.findings.clear()


def _second_stage(a: Folded, one: InForce, fact: SecondStage, zone: Any) -> None:
    a.second_stage = one
    a.outflow = fact.outflow or a.outflow
    if a.body.state in _BEFORE_BODY:
        a.body = Claim(Body.MADE, one)
    if a.ready.state in (Readiness.UNKNOWN, Readiness.NEW, Readiness.NOT_READY):
        a.ready = Claim(Readiness.NEW, one)
    a.interventions.append(one)


def _named_by(a: Folded, one: InForce) -> None:
    """An access that is only possibly there by a day still has a name, so that it can be said."""
    fact: Any = one.fact
    if a.access_kind is None:
        a.access_kind = getattr(fact, "access_kind", None)
    for name in ("side", "site", "inflow", "outflow", "vein", "configuration"):
        if getattr(a, name) is None:
            setattr(a, name, getattr(fact, name, None))


def _says_kind(a: Folded, one: InForce, kind: AccessKind | None) -> None:
    if kind is None:
        return
    if a.kind_said is None or a.access_kind is None:
        a.access_kind, a.kind_said = kind, one
    elif kind is not a.access_kind:
        if a.other_kind is None:
            a.conflicts.append(Conflict("kind", a.kind_said, one))
        a.other_kind = kind


def _says_side(a: Folded, one: InForce, side: Side | None) -> None:
    if side is None:
        return
    if a.side_said is None:
        a.side, a.side_said = side, one
    elif side is not a.side:
        if a.other_side is None:  # told once, by the first entry that says otherwise
            a.conflicts.append(Conflict("side", a.side_said, one))
        a.other_side = side


# --- Flow ---------------------------------------------------------------------------------------------------------


def _flow(a: Folded, claim: Claim, zone: Any, *, may_follow: bool = False) -> None:
    """Takes what an entry says about flow. `may_follow`: what was told of the same day came before this, surely."""
    state, now = claim.state, a.flow.state
    if a.is_catheter:
        return
    one, before = claim.one, a.flow.one
    assert one is not None
    if a.conflicts and before is not None and _after(one, before, zone):
        # What a later day shows settles what an earlier one left open about flow.
        a.conflicts = [known for known in a.conflicts if known.about not in _ABOUT_FLOW]
    if state is FlowIs.NOT_FOUND and now is FlowIs.THROMBOSED:
        return  # No thrill over a clotted access is no news.
    if state is now and state is not FlowIs.BOTH:
        a.flow, a.flow_also = claim, None
        return
    if before is not None and before.fact.kind in _USES and state in _NO_FLOW_STATES:
        # Whoever used the access on that day, or some time in that month, used it before its flow was gone.
        may_follow = True
    if not may_follow and before is not None and _disagree(state, now) and _overlap(before, one, zone):
        a.flow_also = a.flow
        a.flow = Claim(FlowIs.BOTH, one, claim.how)
        a.conflicts.append(Conflict("flow", before, one))
        return
    if now is FlowIs.BOTH and before is not None and _overlap(before, one, zone) and not may_follow:
        return  # A third entry of the same day does not settle what two of them dispute.
    if state is FlowIs.SEEN and now is FlowIs.THROMBOSED and not may_follow and before is not None:
        # Flow again, and nothing recorded in between brought it back: both are said.
        a.conflicts.append(Conflict("flow-back", before, one))
    a.flow, a.flow_also = claim, None


_ABOUT_FLOW = frozenset({"flow", "flow-back"})


def _disagree(one: Any, other: Any) -> bool:
    return (one is FlowIs.SEEN and other in _NO_FLOW_STATES) or (other is FlowIs.SEEN and one in _NO_FLOW_STATES)


_NO_FLOW_STATES = frozenset({FlowIs.NOT_FOUND, FlowIs.THROMBOSED})


def _overlap(first: InForce | None, second: InForce, zone: Any) -> bool:
    """Whether nothing in their dates says which of the two came first."""
    if first is None:
        return False
    one, other = first.fact.happened, second.fact.happened
    if len(one) == len(other) == 10:
        return one == other
    return bool(one.earliest_in(zone) <= other.latest_in(zone) and other.earliest_in(zone) <= one.latest_in(zone))


def _after(later: InForce, earlier: InForce, zone: Any) -> bool:
    """Whether the one came after the other under every reading of their dates."""
    one, other = later.fact.happened, earlier.fact.happened
    if len(one) == len(other) == 10:
        return one > other
    return bool(one.earliest_in(zone) > other.latest_in(zone))


def _thrombosis(a: Folded, one: InForce, fact: Thrombosis, zone: Any) -> None:
    how = words_of(fact.known_by, "how it was known is not recorded")
    if fact.known_by in (KnownBy.EXAMINATION, KnownBy.REPORTED):
        how += ", not confirmed by imaging, clot or surgery"
    _flow(a, Claim(FlowIs.THROMBOSED, one, how), zone)


def _thrombectomy(a: Folded, one: InForce, fact: Thrombectomy, zone: Any) -> None:
    a.interventions.append(one)
    if fact.success:
        _flow(a, Claim(FlowIs.SEEN, one, "thrombectomy"), zone, may_follow=True)
        _closes(a, _CLOSED_BY_TREATMENT)
        _closes(a, _CLOSED_BY_FLOW)
    elif fact.success is False:
        if a.flow.state is not FlowIs.THROMBOSED:
            _flow(a, Claim(FlowIs.THROMBOSED, one, "clot that a thrombectomy did not clear"), zone, may_follow=True)
    else:
        a.flow = Claim(FlowIs.UNKNOWN, one, "after a thrombectomy whose success is not recorded")
        a.flow_also = None


def _angiogram(a: Folded, one: InForce, fact: Angiogram, zone: Any) -> None:
    a.interventions.append(one)
    _looked(a, one, fact, "angiogram", zone)


def _imaging(a: Folded, one: InForce, fact: Imaging, zone: Any) -> None:
    how = words_of(fact.modality, "imaging")
    a.tip = fact.tip or a.tip
    flow = fact.flow_ml_min
    if flow is not None:
        a.measured.append(one)
    _looked(a, one, fact, how, zone)
    if fact.flow_seen is None and fact.clot is not ClotExtent.OCCLUSIVE and flow is not None:
        _measured_flow(a, one, flow, how, zone)


def _looked(a: Folded, one: InForce, fact: Angiogram | Imaging, how: str, zone: Any) -> None:
    # A mural or a partial clot in an access that flows is not a thrombosis.
    if fact.clot is ClotExtent.OCCLUSIVE and fact.flow_seen is not True:
        _flow(a, Claim(FlowIs.THROMBOSED, one, f"clot seen on {how}"), zone)
    elif fact.flow_seen is True:
        _flow(a, Claim(FlowIs.SEEN, one, how), zone)
    elif fact.flow_seen is False:
        _flow(a, Claim(FlowIs.NOT_FOUND, one, how), zone)
    for lesion in fact.lesions:
        _lesion(a, lesion.lesion)[0].append(Found(one, lesion))
        if lesion.side is not None:
            _side_of_lesion(a, one, lesion)


def _measured_flow(a: Folded, one: InForce, flow: Measured, how: str, zone: Any) -> None:
    if flow.at_most is not None and flow.at_most <= 0:
        _flow(a, Claim(FlowIs.NOT_FOUND, one, how), zone)
    elif flow.at_least is not None and flow.at_least > 0:
        _flow(a, Claim(FlowIs.SEEN, one, how), zone)


def _side_of_lesion(a: Folded, one: InForce, lesion: LesionFound | LesionTreated) -> None:
    """A lesion in the arm lies in the arm of its access; a central one may lie across the middle."""
    if lesion.place is not None and not lesion.place.is_central and not a.is_catheter:
        _says_side(a, one, lesion.side)


def _examination(a: Folded, one: InForce, fact: Examination, zone: Any) -> None:
    a.examined = one
    thrill, bruit = fact.thrill, fact.bruit
    # `possibly no thrill but a bruit` is flow: patency needs a thrill or a bruit (Beathard 2018, PMC5967685).
    if (thrill is not None and thrill is not Thrill.ABSENT) or (bruit is not None and bruit is not Bruit.ABSENT):
        _flow(a, Claim(FlowIs.SEEN, one, "examination"), zone)
    elif thrill is Thrill.ABSENT or bruit is Bruit.ABSENT:
        _flow(a, Claim(FlowIs.NOT_FOUND, one, "examination"), zone)
    found = a.findings
    if thrill is not None:
        _finding(a, one, "no-thrill", thrill is Thrill.ABSENT, "no thrill found", Finding.NO_THRILL)
        weak = thrill in (Thrill.WEAK, Thrill.SYSTOLIC_ONLY)
        _finding(a, one, "weak-thrill", weak, f"{words_of(thrill)} thrill", Finding.WEAK_THRILL)
    if bruit is not None:
        _finding(a, one, "no-bruit", bruit is Bruit.ABSENT, "no bruit found", Finding.NO_THRILL)
        odd = bruit in (Bruit.HIGH_PITCHED, Bruit.SYSTOLIC_ONLY)
        _finding(a, one, "bruit", odd, f"{words_of(bruit)} bruit", Finding.STENOSIS)
    if fact.pulse is not None:
        _finding(a, one, "pulse", fact.pulse is not Pulse.SOFT, f"{words_of(fact.pulse)} pulse", Finding.PULSATILE)
    for name, bad, words, finding in _EXAMINED:
        value = getattr(fact, name)
        if value is not None:
            if value is bad:
                if name not in found:
                    found[name] = OpenFinding(words, one, finding)
            else:
                found.pop(name, None)
    if fact.skin:
        for skin in _BAD_SKIN:
            there = skin in fact.skin
            # Skin that is looked at and called intact closes what was there; skin not called intact closes nothing.
            if there or SkinState.INTACT in fact.skin:
                _finding(a, one, f"skin-{skin}", there, _BAD_SKIN[skin], Finding.THIN_SKIN)
        if SkinState.INTACT in fact.skin:
            found.pop("complication-infiltration", None)
    if fact.hand:
        warm = HandState.WARM in fact.hand and len(fact.hand) == 1
        for hand in _BAD_HAND:
            there = hand in fact.hand
            if there or warm:
                _finding(a, one, f"hand-{hand}", there, f"{words_of(hand)} hand", _BAD_HAND[hand])
    if fact.swelling is False:
        found.pop("complication-oedema", None)
    if fact.aneurysm is False:
        found.pop("complication-aneurysm", None)
        found.pop("complication-pseudoaneurysm", None)


_EXAMINED: tuple[tuple[str, bool, str, Finding], ...] = (
    ("augments", False, "pulse does not augment", Finding.LOW_FLOW),
    ("collapses_on_elevation", False, "does not collapse on elevation", Finding.HIGH_VENOUS_PRESSURE),
    ("swelling", True, "swelling", Finding.SWELLING),
    ("collaterals", True, "collateral veins", Finding.COLLATERALS),
    ("aneurysm", True, "aneurysm", Finding.ANEURYSM),
    ("exit_site_clean", False, "exit site not clean", Finding.INFECTION),
    ("fever", True, "fever", Finding.INFECTION),
)
_BAD_SKIN = {
    SkinState.BRUISED: "bruised skin",
    SkinState.THIN: "thin skin",
    SkinState.ULCER: "ulcer over the access",
    SkinState.RED: "red skin",
    SkinState.PUS: "pus",
}
_BAD_HAND = {
    HandState.COLD: Finding.COLD_HAND,
    HandState.PAINFUL: Finding.HAND_PAIN,
    HandState.WEAK: Finding.HAND_PAIN,
    HandState.NUMB: Finding.HAND_PAIN,
}


def _measurement(a: Folded, one: InForce, fact: Measurement, zone: Any) -> None:
    a.measured.append(one)
    if fact.flow_ml_min is not None:
        _measured_flow(a, one, fact.flow_ml_min, "measurement", zone)


# --- Findings -----------------------------------------------------------------------------------------------------


def _finding(a: Folded, one: InForce, key: str, there: bool, words: str, finding: Finding | None) -> None:
    if not there:
        a.findings.pop(key, None)
    elif key not in a.findings:
        a.findings[key] = OpenFinding(words, one, finding)


def _closes(a: Folded, keys: frozenset[str]) -> None:
    if a.findings:
        for key in keys & a.findings.keys():
            del a.findings[key]


_CLOSED_BY_TREATMENT = frozenset(
    {"weak-thrill", "bruit", "pulse", "augments", "collapses_on_elevation", "complication-bleeding"}
    | {"needle-bleeding", "needle-difficult", "needle-low-flow", "needle-high-pressure", "needle-clots"}
)
"""What the report of a treatment of the circuit answers. Swelling, skin and hand are answered by being looked at."""

_CLOSED_BY_FLOW = frozenset({"no-thrill", "no-bruit"})
_CLOSED_BY_NEW_CATHETER = frozenset({"exit_site_clean"} | {f"trouble-{kind.value}" for kind in CatheterTroubleKind})


def _complication(a: Folded, one: InForce, fact: Complication, zone: Any) -> None:
    if fact.what is ComplicationKind.NONE:
        return
    words = words_of(fact.what)
    if fact.what is ComplicationKind.FAILURE_TO_MATURE:
        words = "not maturing"
        if a.ready.state in (Readiness.UNKNOWN, Readiness.NEW, Readiness.READY) and not fact.resolved:
            a.ready = Claim(Readiness.NOT_READY, one)
    key = f"complication-{fact.what.value}"
    _finding(a, one, key, not fact.resolved, words, _FINDING_OF.get(fact.what))


_FINDING_OF = {
    ComplicationKind.STEAL: Finding.STEAL,
    ComplicationKind.NEUROPATHY: Finding.HAND_PAIN,
    ComplicationKind.ANEURYSM: Finding.ANEURYSM,
    ComplicationKind.PSEUDOANEURYSM: Finding.ANEURYSM,
    ComplicationKind.BLEEDING: Finding.PROLONGED_BLEEDING,
    ComplicationKind.OEDEMA: Finding.SWELLING,
    ComplicationKind.HIGH_FLOW: Finding.HIGH_FLOW,
    ComplicationKind.FAILURE_TO_MATURE: Finding.NOT_MATURING,
    ComplicationKind.INFILTRATION: Finding.DIFFICULT_NEEDLING,
}


def _catheter_trouble(a: Folded, one: InForce, fact: CatheterTrouble, zone: Any) -> None:
    if fact.what is CatheterTroubleKind.FELL_OUT:
        a.body = Claim(Body.FELL_OUT, one)
        a.standing = Claim(Standing.ENDED, one)
        a.findings.clear()
        return
    key = f"trouble-{fact.what.value}"
    _finding(a, one, key, not fact.resolved, words_of(fact.what), Finding.CATHETER_POOR_FLOW)
    if fact.resolved:
        # A dwell or a reversal of the lines that was said to have worked answers the flow that asked for it.
        if fact.what in (CatheterTroubleKind.LYTIC_DWELL, CatheterTroubleKind.LINES_REVERSED):
            a.findings.pop(f"trouble-{CatheterTroubleKind.POOR_FLOW.value}", None)
        if fact.what is CatheterTroubleKind.POOR_FLOW:
            a.findings.pop(f"trouble-{CatheterTroubleKind.LYTIC_DWELL.value}", None)
            a.findings.pop(f"trouble-{CatheterTroubleKind.LINES_REVERSED.value}", None)


def _infection(a: Folded, one: InForce, fact: Infection, zone: Any) -> None:
    words = f"{words_of(fact.infection_class)} infection"
    if fact.infection_class is InfectionClass.PERITONITIS:
        words = "peritonitis"
    a.findings[f"infection-{fact.infection_class.value}"] = OpenFinding(words, one, Finding.INFECTION)
    if fact.catheter_fate is CatheterFate.REMOVED and a.is_catheter and not a.body.state.is_out:
        a.body = Claim(Body.REMOVED, one, "infection")
        a.standing = Claim(Standing.ENDED, one)


def _culture(a: Folded, one: InForce, fact: Culture, zone: Any) -> None:
    key = "culture"
    if fact.positive:
        if key not in a.findings:
            a.findings[key] = OpenFinding("positive culture", one, Finding.INFECTION)
    elif fact.positive is False and fact.clearance:
        for name in [name for name in a.findings if name == key or name.startswith("infection-")]:
            del a.findings[name]


def _course(a: Folded, one: InForce, fact: Any, zone: Any) -> None:
    return  # A course does not close an infection: its end or a clearance culture does, and both depend on the day.


# --- Interventions ------------------------------------------------------------------------------------------------


def _angioplasty(a: Folded, one: InForce, fact: Angioplasty, zone: Any) -> None:
    _intervened(a, one)
    for lesion in fact.lesions:
        _lesion(a, lesion.lesion)[1].append(Treated(one, lesion, None))
        if lesion.side is not None:
            _side_of_lesion(a, one, lesion)
    _closes(a, _CLOSED_BY_TREATMENT)


def _stent(a: Folded, one: InForce, fact: Stent, zone: Any) -> None:
    _intervened(a, one)
    told = {lesion.lesion: lesion for lesion in fact.lesions}
    for stent in fact.stents:
        lesion = told.pop(stent.lesion, None) if stent.lesion is not None else None
        treated = Treated(one, lesion, stent)
        a.stents.append(treated)
        if stent.lesion is not None:
            _lesion(a, stent.lesion)[1].append(treated)
    for lesion in told.values():
        _lesion(a, lesion.lesion)[1].append(Treated(one, lesion, None))
    _closes(a, _CLOSED_BY_TREATMENT)


def _lesion(a: Folded, lesion: str) -> tuple[list[Found], list[Treated]]:
    held = a.lesions.get(lesion)
    if held is None:
        held = a.lesions[lesion] = ([], [])
    return held


def _banding(a: Folded, one: InForce, fact: Banding, zone: Any) -> None:
    _intervened(a, one)
    _closes(a, _CLOSED_BY_BANDING)


_CLOSED_BY_BANDING = frozenset({"complication-steal", "complication-high-flow"})


def _revision(a: Folded, one: InForce, fact: Revision, zone: Any) -> None:
    _intervened(a, one)
    a.inflow = fact.inflow or a.inflow
    a.outflow = fact.outflow or a.outflow
    methods = set(fact.methods)
    if methods & _FOR_STEAL:
        _closes(a, _CLOSED_BY_BANDING)
    if methods & _FOR_ANEURYSM:
        _closes(a, frozenset({"aneurysm", "complication-aneurysm", "complication-pseudoaneurysm"}))
    if methods - _FOR_STEAL - _FOR_ANEURYSM:
        _closes(a, _CLOSED_BY_TREATMENT)


_FOR_STEAL = frozenset(
    {RevisionMethod.DISTAL_REVASCULARISATION, RevisionMethod.DISTAL_INFLOW, RevisionMethod.PROXIMAL_INFLOW}
)
_FOR_ANEURYSM = frozenset({RevisionMethod.ANEURYSM_REPAIR, RevisionMethod.ANEURYSM_EXCISION, RevisionMethod.PLICATION})


def _other_intervention(a: Folded, one: InForce, fact: OtherInterventionDone, zone: Any) -> None:
    _intervened(a, one)
    if fact.what in _FOR_CATHETER:
        _closes(a, _CLOSED_BY_NEW_CATHETER)


_FOR_CATHETER = frozenset(
    {OtherIntervention.SHEATH_DISRUPTION, OtherIntervention.REPOSITIONING, OtherIntervention.CATHETER_REPAIR}
)


def _intervened(a: Folded, one: InForce) -> None:
    a.interventions.append(one)
    if a.first_needle is None and not a.needle_uses and a.is_needled:
        a.aided.append(one)


def _visit(a: Folded, one: InForce, fact: Visit, zone: Any) -> None:
    a.visits.append(one)
    if fact.outcome in (Outcome.DONE, Outcome.PARTLY):
        for reason in fact.reasons:
            for key in [k for k, found in a.findings.items() if found.finding is reason]:
                # A clotted or silent access is only answered by flow; the visit alone does not bring it back.
                if key not in _CLOSED_BY_FLOW and not key.startswith(("infection-", "culture")):
                    del a.findings[key]


def _referral(a: Folded, one: InForce, fact: Referral, zone: Any) -> None:
    a.referral = one


def _nothing(a: Folded, one: InForce, fact: Any, zone: Any) -> None:
    return


def _appointment(a: Folded, one: InForce, fact: Appointment, zone: Any) -> None:
    if fact.state is AppointmentState.ATTENDED:
        a.visits.append(one)


def _instruction(a: Folded, one: InForce, fact: Instruction, zone: Any) -> None:
    a.instructions.append(one)


def _decision(a: Folded, one: InForce, fact: Decision, zone: Any) -> None:
    a.decisions.append(one)
    if fact.what is DecisionWhat.KEPT_IN_RESERVE:
        a.reserve = one
        a.use = Claim(UseIs.RESERVE, one)


# --- Readiness and use --------------------------------------------------------------------------------------------


def _maturity(a: Folded, one: InForce, fact: MaturityAssessed, zone: Any) -> None:
    verdict = fact.verdict
    if verdict is not None and a.ready.state not in (Readiness.PROVEN,):
        state = _VERDICTS[verdict]
        if not (state is Readiness.READY and a.ready.state is Readiness.TRIED):
            a.ready = Claim(state, one, fact.rule or "")
    if verdict is MaturityVerdict.READY:
        a.findings.pop("complication-failure-to-mature", None)
    if fact.thrill is not None:
        _finding(a, one, "no-thrill", fact.thrill is Thrill.ABSENT, "no thrill found", Finding.NO_THRILL)
    if fact.flow_ml_min is not None:
        a.measured.append(one)
        _measured_flow(a, one, fact.flow_ml_min, "maturity assessment", zone)
    elif fact.thrill is not None:
        seen = FlowIs.NOT_FOUND if fact.thrill is Thrill.ABSENT else FlowIs.SEEN
        _flow(a, Claim(seen, one, "maturity assessment"), zone)


_VERDICTS = {
    MaturityVerdict.READY: Readiness.READY,
    MaturityVerdict.NOT_READY: Readiness.NOT_READY,
    MaturityVerdict.NEVER: Readiness.NEVER,
}


def _first_cannulation(a: Folded, one: InForce, fact: FirstCannulation, zone: Any) -> None:
    if a.first_needle is None:
        a.first_needle = one
    _needled(a, one, fact.needles, fact.trouble, zone)


def _access_used(a: Folded, one: InForce, fact: AccessUsed, zone: Any) -> None:
    match fact.use:
        case Use.TWO_NEEDLES:
            _needled(a, one, 2, None, zone)
        case Use.ONE_NEEDLE:
            _needled(a, one, 1, None, zone)
        case Use.CATHETER:
            _used_on(a, one, UseIs.IN_USE, "catheter", zone)
        case Use.NOT_USED:
            if a.last_use is not None and a.last_use.fact.happened == fact.happened:
                a.conflicts.append(Conflict("use", a.last_use, one))
                a.use = Claim(UseIs.BOTH, one)
            else:
                a.use = Claim(UseIs.NOT_USED, one)
            a.unused = one


def _session(a: Folded, one: InForce, fact: CannulationSession, zone: Any) -> None:
    a.sessions.append(one)
    if fact.use is Use.NOT_USED:
        return
    needles = fact.needles
    if needles is None and fact.use is not None:
        needles = {Use.TWO_NEEDLES: 2, Use.ONE_NEEDLE: 1}.get(fact.use)
    if a.is_catheter or fact.use is Use.CATHETER:
        _used_on(a, one, UseIs.IN_USE, "session", zone)
    else:
        _needled(a, one, needles, fact.trouble, zone)


def _needled(a: Folded, one: InForce, needles: int | None, trouble: NeedleTrouble | None, zone: Any) -> None:
    a.needle_uses.append(one)
    if needles == 1:
        _used_on(a, one, UseIs.PARTLY, "one needle and a line", zone)
    else:
        _used_on(a, one, UseIs.IN_USE, "two needles" if needles == 2 else "needles", zone)
    if needles is not None and needles >= 2:
        # A session on the day of an opposite finding is told beside it; one after it brings the flow back in view.
        _flow(a, Claim(FlowIs.SEEN, one, "two needles"), zone)
    if a.ready.state not in (Readiness.PROVEN, Readiness.TRIED):
        a.ready = Claim(Readiness.TRIED, one)
    if trouble is not None:
        if trouble is NeedleTrouble.NONE:
            for key in [key for key in a.findings if key.startswith("needle-")]:
                del a.findings[key]
            a.findings.pop("complication-infiltration", None)
        else:
            key = f"needle-{trouble.value}"
            if key not in a.findings:
                a.findings[key] = OpenFinding(_TROUBLE[trouble], one, _TROUBLE_FINDING.get(trouble))


_TROUBLE = {
    NeedleTrouble.INFILTRATION: "infiltration",
    NeedleTrouble.DIFFICULT: "difficult to needle",
    NeedleTrouble.MISSED: "needle missed",
    NeedleTrouble.CLOTS: "clots drawn",
    NeedleTrouble.BLEEDING: "prolonged bleeding",
    NeedleTrouble.PAIN: "pain at the needle",
    NeedleTrouble.LOW_FLOW: "low flow at the needle",
    NeedleTrouble.HIGH_PRESSURE: "high pressure at the needle",
    NeedleTrouble.OTHER: "trouble at the needle",
}
_TROUBLE_FINDING = {
    NeedleTrouble.INFILTRATION: Finding.DIFFICULT_NEEDLING,
    NeedleTrouble.DIFFICULT: Finding.DIFFICULT_NEEDLING,
    NeedleTrouble.MISSED: Finding.DIFFICULT_NEEDLING,
    NeedleTrouble.CLOTS: Finding.CLOTS_ASPIRATED,
    NeedleTrouble.BLEEDING: Finding.PROLONGED_BLEEDING,
    NeedleTrouble.LOW_FLOW: Finding.LOW_FLOW,
    NeedleTrouble.HIGH_PRESSURE: Finding.HIGH_VENOUS_PRESSURE,
}


def _used_on(a: Folded, one: InForce, state: UseIs, how: str, zone: Any) -> None:
    said = a.use.one
    if a.conflicts and said is not None and _after(one, said, zone):
        a.conflicts = [known for known in a.conflicts if known.about != "use"]
    if a.use.state is UseIs.NOT_USED and said is not None and said.fact.happened == one.fact.happened:
        a.conflicts.append(Conflict("use", said, one))
        a.use = Claim(UseIs.BOTH, one)
    else:
        a.use = Claim(state, one, how)
    a.last_use, a.unused = one, None
    body, standing = a.body, a.standing
    # Using what is out, or what was given up, contradicts that; it is told once, by the first such use.
    if body.state in _OUT and body.one is not None:
        if _after(one, body.one, zone):
            _contradicts(a, "body", body.one, one)
    elif standing.state is Standing.GIVEN_UP and standing.one is not None and _after(one, standing.one, zone):
        _contradicts(a, "standing", standing.one, one)


def _contradicts(a: Folded, about: str, first: InForce, second: InForce) -> None:
    if not any(known.about == about and known.first is first for known in a.conflicts):
        a.conflicts.append(Conflict(about, first, second))


# --- The end of an access, and after ------------------------------------------------------------------------------


def _abandonment(a: Folded, one: InForce, fact: Abandonment, zone: Any) -> None:
    reason = words_of(fact.reason, "")
    a.given_up = one
    a.standing = Claim(Standing.GIVEN_UP, one, reason)
    if fact.how is AbandonmentHow.LIGATION:
        a.body = Claim(Body.LIGATED, one, reason)
        a.findings.clear()
    elif fact.how is AbandonmentHow.EXCISION:
        a.body = Claim(Body.EXCISED, one, reason)
        a.findings.clear()
    if fact.reason is AbandonmentReason.THROMBOSIS and a.flow.state not in (FlowIs.THROMBOSED, FlowIs.BOTH):
        a.flow, a.flow_also = Claim(FlowIs.THROMBOSED, one, "the reason for giving it up"), None
    if fact.reason is AbandonmentReason.NOT_MATURED and a.ready.state is not Readiness.PROVEN:
        a.ready = Claim(Readiness.NEVER, one)
    a.interventions.append(one)


def _taken_up(a: Folded, one: InForce, fact: TakenUpAgain, zone: Any) -> None:
    a.standing = Claim(Standing.TAKEN_UP, one)
    a.conflicts = [known for known in a.conflicts if known.about != "standing"]


def _reason(reason: CatheterReason | None) -> str:
    return words_of(reason, "")


# --- What one access says about another ---------------------------------------------------------------------------


def _beside_each_other(accesses: dict[str, Folded], zone: Any) -> None:
    """A catheter is "in and not used since" when another access was used without it later."""
    whole = [
        a.last_use for a in accesses.values() if a.last_use is not None and a.use.state is UseIs.IN_USE and a.is_needled
    ]
    if not whole:
        return
    for a in accesses.values():
        if a.is_catheter and a.last_use is not None and a.use.state is UseIs.IN_USE and not a.body.state.is_out:
            later = [one for one in whole if _after(one, a.last_use, zone)]
            if later:
                a.unused = later[0]


_BEFORE_BODY = (Body.UNKNOWN, Body.PLANNED)
_OPENS = frozenset({"creation", "catheter-placed", "access-known", "access-planned"})
_USES = frozenset({"access-used", "cannulation-session", "first-cannulation"})

_FOLDS: dict[str, Callable[[Folded, InForce, Any, Any], None]] = {
    "access-planned": _planned,
    "access-known": _known,
    "creation": _creation,
    "catheter-placed": _placed,
    "catheter-exchanged": _exchanged,
    "catheter-removed": _removed,
    "second-stage": _second_stage,
    "maturity-assessed": _maturity,
    "first-cannulation": _first_cannulation,
    "access-used": _access_used,
    "cannulation-session": _session,
    "examination": _examination,
    "measurement": _measurement,
    "thrombosis": _thrombosis,
    "complication": _complication,
    "catheter-trouble": _catheter_trouble,
    "infection": _infection,
    "culture": _culture,
    "antimicrobial-course": _course,
    "referral": _referral,
    "appointment": _appointment,
    "visit": _visit,
    "angiogram": _angiogram,
    "imaging": _imaging,
    "angioplasty": _angioplasty,
    "stent": _stent,
    "thrombectomy": _thrombectomy,
    "banding": _banding,
    "revision": _revision,
    "other-intervention": _other_intervention,
    "instruction": _instruction,
    "abandonment": _abandonment,
    "taken-up-again": _taken_up,
    "decision": _decision,
    "set-aside": _nothing,
}
"""What each kind that can name an access does to it."""

_OF_THE_PERSON = frozenset(
    {
        "care-began",
        "modality-changed",
        "hospital-stay",
        "first-seen-here",
        "follow-up-ended",
        "follow-up-resumed",
        "background",
        "decision",
        "life-plan-reviewed",
        "vein-mapping",
        "culture",
        "antimicrobial-course",
        "referral",
        "appointment",
        "set-aside",
    }
)
"""Kinds that are said of the person, whether or not they name an access as well."""
