"""Planning the next access: what was mapped, what was judged possible, which vessels are used up and which are left.

Both arms, chest and legs as a list, vein by vein, each with what was recorded of it: the accesses that it served, the
lines that lay in it, narrowings seen in it, the newest mapping. Beside it the vein book, the life plan with its parts,
and what was planned or decided. A vein of which nothing is recorded is called that; it may have been used all the same.

A mapping grows old: how fast is the site's limit (`mapping-age` in the rules), and without one its age is told and no
more. Nothing is proposed here: which access comes next is decided by people.

To show another vein, name it in `_VEINS`; to say more of one, tell it in `_vessel`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import AccessPlanned, LifePlanReviewed, MappedVessel, VeinMapping
from ledger.projections.folding import Folded, Folds, Standing, fold_of
from ledger.projections.person import DecisionView, PersonView, background_now, person_of
from ledger.projections.sentences import background_words, mapped_vessel_words, nobody, sentence_of
from ledger.projections.state import AccessView, plain, views_of
from ledger.projections.veinbook import VeinBook, vein_book_of
from ledger.projections.wording import (
    NamesOf,
    WordsOf,
    access_name,
    counted,
    date_words,
    day_words,
    listed,
    on_day,
    side_words,
)
from ledger.rounds.rules import Rule, Rules, due_on, load_rules
from ledger.vocabulary import ArmSegment, BackgroundWhat, LesionPlace, Side, Site, Vein, words_of


@dataclass(frozen=True, kw_only=True)
class MappedView:
    """One vessel in one segment, as the newest mapping that saw it says."""

    side: Side | None
    vessel: str
    segment: ArmSegment | None
    words: str
    day: PartialDate
    old: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class MappingView:
    """One mapping. `old` by the site's limit; `age` says how old it is and by which limit it is old."""

    day: PartialDate
    side: Side | None
    age: str
    old: bool
    rule: str | None
    root: str


@dataclass(frozen=True, kw_only=True)
class PossibleView:
    """A kind of access that a mapping judged possible. `since_used`: what was made or planned there since, in words."""

    words: str
    day: PartialDate
    old: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class VesselView:
    """One vein of the list. `state`: `in-use`, `used-up`, `held-a-line`, `narrowed`, `mapped` or `nothing-recorded`.

    `told` are the sentences behind it, newest last; `spare` says that a plan asks to spare it, or the arm, or that the
    arm is not to be used.
    """

    region: str
    side: Side | None
    vein: Vein
    segment: str
    state: str
    told: tuple[str, ...]
    spare: str
    roots: tuple[str, ...]

    @property
    def name(self) -> str:
        side = f"{side_words(self.side)} " if self.side is not None else ""
        return f"{side}{self.plain_name}"

    @property
    def plain_name(self) -> str:
        """The name without its side, for a list under the side's heading."""
        return f"{self.segment} {words_of(self.vein)}".strip()

    @property
    def is_left(self) -> bool:
        """Whether nothing recorded takes it: neither in use nor used up."""
        return self.state not in ("in-use", "used-up")


@dataclass(frozen=True, kw_only=True)
class PlanPart:
    """One part of the life plan: which, and what it says; `not recorded` where nobody said."""

    key: str
    heading: str
    words: str


@dataclass(frozen=True, kw_only=True)
class LifePlanView:
    """The life plan in force. `old`: the day of its review is over, or it is older than the limit."""

    day: PartialDate
    by: str
    parts: tuple[PlanPart, ...]
    review_on: PartialDate | None
    old: bool
    age: str
    root: str


@dataclass(frozen=True, kw_only=True)
class Planning:
    """What is known for planning the next access of a patient, on one day."""

    patient: str
    day: date
    plan: LifePlanView | None
    planned: tuple[str, ...]
    decisions: tuple[DecisionView, ...]
    background: tuple[str, ...]
    accesses: tuple[str, ...]
    mappings: tuple[MappingView, ...]
    mapped: tuple[MappedView, ...]
    possible: tuple[PossibleView, ...]
    vessels: tuple[VesselView, ...]
    book: VeinBook

    def by_region(self) -> dict[str, tuple[VesselView, ...]]:
        """The list of veins: arms, then chest and neck, then legs."""
        found: dict[str, list[VesselView]] = {}
        for one in self.vessels:
            found.setdefault(one.region, []).append(one)
        return {region: tuple(those) for region, those in found.items()}

    def to_json(self) -> dict[str, Any]:
        """The whole as plain JSON values."""
        return {
            "patient": self.patient,
            "day": self.day.isoformat(),
            "life_plan": plain(self.plan),
            "planned": list(self.planned),
            "decisions": plain(self.decisions),
            "background": list(self.background),
            "accesses": list(self.accesses),
            "mappings": plain(self.mappings),
            "mapped": plain(self.mapped),
            "possible": plain(self.possible),
            "vessels": [plain(one) | {"name": one.name, "left": one.is_left} for one in self.vessels],
            "vein_book": self.book.to_json(),
        }


def planning_of(
    history: History,
    today: date,
    rules: Rules | None = None,
    words: WordsOf | None = None,
    names: NamesOf = nobody,
) -> Planning:
    """What is known for planning, by what had happened by a day of the unit's zone."""
    if any(one.happened.earliest_in(history.zone).date() > today for one in history.facts):
        history = history.seen(as_of=today)
    says = words or _no_words
    folds = fold_of(history)
    return _Maker(
        history=history,
        today=today,
        rules=rules or load_rules(),
        words=says,
        names=names,
        folds=folds,
        views=views_of(folds, history, today, says, names),
        person=person_of(history, today, says, names, folds),
        book=vein_book_of(history, folds),
    ).made()


def _no_words(_: Any) -> str | None:
    return None


ARMS, CHEST, LEGS = "arms", "chest and neck", "legs"

_VEINS: tuple[tuple[str, Vein, str], ...] = (
    (ARMS, Vein.CEPHALIC, "forearm"),
    (ARMS, Vein.CEPHALIC, "upper-arm"),
    (ARMS, Vein.BASILIC, "forearm"),
    (ARMS, Vein.BASILIC, "upper-arm"),
    (ARMS, Vein.MEDIAN_CUBITAL, ""),
    (ARMS, Vein.PERFORATING, ""),
    (ARMS, Vein.BRACHIAL, ""),
    (ARMS, Vein.AXILLARY, ""),
    (CHEST, Vein.INTERNAL_JUGULAR, ""),
    (CHEST, Vein.EXTERNAL_JUGULAR, ""),
    (CHEST, Vein.SUBCLAVIAN, ""),
    (CHEST, Vein.BRACHIOCEPHALIC, ""),
    (CHEST, Vein.SUPERIOR_CAVA, ""),
    (LEGS, Vein.FEMORAL, ""),
    (LEGS, Vein.SAPHENOUS, ""),
    (LEGS, Vein.ILIAC, ""),
    (LEGS, Vein.INFERIOR_CAVA, ""),
)
"""The veins of the list by region; those of the arms that run along it in two segments."""

_NO_SIDE = frozenset({Vein.SUPERIOR_CAVA, Vein.INFERIOR_CAVA})
_IN_FOREARM = frozenset({Site.SNUFFBOX, Site.WRIST, Site.FOREARM})
_FOREARM = frozenset({ArmSegment.FOREARM_DISTAL, ArmSegment.FOREARM_MID, ArmSegment.FOREARM_PROXIMAL})
_UPPER_ARM = frozenset({ArmSegment.UPPER_ARM_DISTAL, ArmSegment.UPPER_ARM_MID, ArmSegment.UPPER_ARM_PROXIMAL})
_PLACES = {
    LesionPlace.AXILLARY_VEIN: Vein.AXILLARY,
    LesionPlace.SUBCLAVIAN_VEIN: Vein.SUBCLAVIAN,
    LesionPlace.BRACHIOCEPHALIC_VEIN: Vein.BRACHIOCEPHALIC,
    LesionPlace.SUPERIOR_CAVA: Vein.SUPERIOR_CAVA,
    LesionPlace.INTERNAL_JUGULAR_VEIN: Vein.INTERNAL_JUGULAR,
    LesionPlace.FEMORAL_VEIN: Vein.FEMORAL,
    LesionPlace.ILIAC_VEIN: Vein.ILIAC,
    LesionPlace.INFERIOR_CAVA: Vein.INFERIOR_CAVA,
}
"""Deep veins by the place of a lesion: what narrows one of them matters for every access of that side."""


@dataclass(frozen=True, kw_only=True)
class _Maker:
    history: History
    today: date
    rules: Rules
    words: WordsOf
    names: NamesOf
    folds: Folds
    views: tuple[AccessView, ...]
    person: PersonView
    book: VeinBook

    def made(self) -> Planning:
        mappings = self._mappings()
        return Planning(
            patient=self.history.patient,
            day=self.today,
            plan=self._plan(),
            planned=tuple(self._planned()),
            decisions=self.person.decisions,
            background=tuple(self._background()),
            accesses=tuple(view.sentence for view in self.views if view.body.state != "planned"),
            mappings=tuple(self._mapping(one) for one in mappings),
            mapped=tuple(self._mapped(mappings)),
            possible=tuple(self._possible(mappings)),
            vessels=tuple(self._vessels(mappings)),
            book=self.book,
        )

    # --- Mapping ---

    def _mappings(self) -> list[InForce]:
        return [one for one in self.history.facts if one.kind == "vein-mapping" and not one.possibly]

    def _mapping(self, one: InForce) -> MappingView:
        assert isinstance(one.fact, VeinMapping)
        old, age, rule = self._age(one.happened, "mapping-age")
        name = None if rule is None else rule.name
        return MappingView(day=one.happened, side=one.fact.side, age=age, old=old, rule=name, root=one.root)

    def _age(self, day: PartialDate, limit: str) -> tuple[bool, str, Rule | None]:
        """Whether something is old by a limit, its age in words, and the limit where there is one."""
        rule = self.rules.limit(limit)
        last = day.latest_in(self.history.zone).date()
        days = (self.today - last).days
        age = f"{counted(days, 'day')} old"
        if rule is None:
            return False, f"{age}; no limit is set here (rule {limit})", None
        due = due_on(last, rule)
        if self.today >= due:
            return True, f"{age}: old since {date_words(due)} by {rule.name}", rule
        return False, f"{age}; old from {date_words(due)} by {rule.name}", rule

    def _mapped(self, mappings: Iterable[InForce]) -> Iterable[MappedView]:
        """The newest look at each vessel of each segment; what an older mapping saw and a newer did not, stays."""
        newest: dict[tuple[Any, ...], tuple[InForce, MappedVessel]] = {}
        for one in mappings:
            assert isinstance(one.fact, VeinMapping)
            for vessel in one.fact.vessels:
                side = vessel.side or one.fact.side
                newest[(side, vessel.vein or vessel.artery, vessel.segment, vessel.tourniquet)] = (one, vessel)
        order = list(ArmSegment)
        for (side, vessel_is, segment, _), (one, vessel) in sorted(
            newest.items(),
            key=lambda item: (
                side_words(item[0][0]),
                str(item[0][1] or ""),
                order.index(item[0][2]) if item[0][2] is not None else -1,
                str(item[0][3]),
            ),
        ):
            yield MappedView(
                side=side,
                vessel=words_of(vessel_is, "vessel not named"),
                segment=segment,
                words=mapped_vessel_words(vessel),
                day=one.happened,
                old=self._age(one.happened, "mapping-age")[0],
                root=one.root,
            )

    def _possible(self, mappings: Iterable[InForce]) -> Iterable[PossibleView]:
        """What the newest mapping of each arm judged possible."""
        newest: dict[Side | None, InForce] = {}
        for one in mappings:
            assert isinstance(one.fact, VeinMapping)
            sides = {one.fact.side} if one.fact.side is not None else {found.side for found in one.fact.suitable_for}
            for side in sides or {None}:
                newest[side] = one
        told: set[tuple[str, str]] = set()
        for side, one in newest.items():
            assert isinstance(one.fact, VeinMapping)
            for found in one.fact.suitable_for:
                its = found.side or one.fact.side
                if its is not side:
                    continue
                words = access_name(found.access_kind, its, site=found.site, inflow=found.inflow, outflow=found.outflow)
                if (words, one.root) not in told:
                    told.add((words, one.root))
                    old = self._age(one.happened, "mapping-age")[0]
                    yield PossibleView(words=words, day=one.happened, old=old, root=one.root)

    # --- The veins ---

    def _vessels(self, mappings: Iterable[InForce]) -> Iterable[VesselView]:
        looked = list(mappings)
        for region in (ARMS, CHEST, LEGS):
            for side in (Side.RIGHT, Side.LEFT):
                for where, vein, segment in _VEINS:
                    if where == region and vein not in _NO_SIDE:
                        yield self._vessel(f"{side_words(side)} {_OF_SIDE[region]}", side, vein, segment, looked)
            for where, vein, segment in _VEINS:
                if where == region and vein in _NO_SIDE:
                    yield self._vessel("great veins", None, vein, segment, looked)

    def _vessel(self, region: str, side: Side | None, vein: Vein, segment: str, mappings: list[InForce]) -> VesselView:
        told: list[str] = []
        roots: list[str] = []
        states: set[str] = set()
        for view in self.views:
            use = self._use(view, side, vein, segment)
            if use is not None:
                state, words = use
                states.add(state)
                told.append(words)
                roots += [one.root for one in (view.folded.made, view.folded.met) if one is not None]
        for occupant in self.book.occupants:
            if occupant.vein is vein and (occupant.side is side or side is None) and not segment:
                states.add("in-use" if occupant.still else "held-a-line")
                told.append(occupant.words)
                roots += occupant.roots
        for sign, place in self._narrowed():
            if _PLACES.get(place) is vein and (side is None or sign[0] in (side, None)):
                states.add("narrowed")
                told.append(sign[1])
                roots.append(sign[2])
        for one in mappings:
            assert isinstance(one.fact, VeinMapping)
            for vessel in one.fact.vessels:
                if vessel.vein is not vein or (vessel.side or one.fact.side) is not side or not _lies(vessel, segment):
                    continue
                states.add("mapped")
                told.append(f"mapped {day_words(one.happened)}: {mapped_vessel_words(vessel)}")
                roots.append(one.root)
        state = next((state for state in _STATES if state in states), "nothing-recorded")
        return VesselView(
            region=region,
            side=side,
            vein=vein,
            segment=segment,
            state=state,
            told=tuple(dict.fromkeys(told)),
            spare=self._spare(side, vein, region),
            roots=tuple(dict.fromkeys(roots)),
        )

    def _use(self, view: AccessView, side: Side | None, vein: Vein, segment: str) -> tuple[str, str] | None:
        """What an access did to a vein: it flows through it now, or did until it was given up."""
        a = view.folded
        if view.is_catheter or view.body.state == "planned" or view.side is None or view.side is not side:
            return None
        if a.outflow is not vein or (segment and segment != _segment_of(a)):
            return None
        state = "in-use"
        ended = ""
        if a.body.state.is_out or a.standing.state is Standing.GIVEN_UP:
            state, ended = "used-up", f"; {view.standing.words if not a.body.state.is_out else view.body.words}"
        made = f", made {on_day(view.opened)}" if view.opened is not None else ""
        return state, f"outflow of {view.name}{made}{ended}"

    def _narrowed(self) -> Iterable[tuple[tuple[Side | None, str, str], LesionPlace]]:
        for folded in self.folds.accesses.values():
            for found, _ in folded.lesions.values():
                for look in found:
                    place = look.lesion.place
                    if place in _PLACES:
                        side = look.lesion.side or folded.side
                        words = f"{words_of(place)} narrowed or treated, seen {on_day(look.one.happened)}"
                        yield (side, words, look.one.root), place

    def _spare(self, side: Side | None, vein: Vein, region: str) -> str:
        for item, told in background_now(self.folds.person.of("background")):
            if item.what is BackgroundWhat.ARM_NOT_TO_USE and item.side is side and region.endswith("arm"):
                return f"arm not to use, as told {on_day(told.happened)}"
        one = self.folds.person.last_of("life-plan-reviewed")
        if one is None or not isinstance(one.fact, LifePlanReviewed):
            return ""
        if one.fact.arm_to_spare is side is not None and region.endswith("arm"):
            return f"arm to be spared, plan of {day_words(one.happened)}"
        arm = one.fact.arm_to_spare
        if vein in one.fact.vessels_to_spare and (arm is None or arm is side):
            return f"vein to be spared, plan of {day_words(one.happened)}"
        return ""

    # --- Plan, background ---

    def _plan(self) -> LifePlanView | None:
        one = self.folds.person.last_of("life-plan-reviewed")
        if one is None or not isinstance(one.fact, LifePlanReviewed):
            return None
        fact = one.fact
        old, age, _ = self._age(one.happened, "life-plan-2019")
        person = one.entry.recorded_by.person
        following = ""
        if fact.next_access is not None:
            following = access_name(fact.next_access, fact.next_side, site=fact.next_site)
        elif fact.next_side is not None or fact.next_site is not None:
            following = listed((side_words(fact.next_side), words_of(fact.next_site, "")))
        fails = ""
        if fact.contingency is not None:
            vein = f" by the {words_of(fact.contingency_vein)} vein" if fact.contingency_vein else ""
            side = f"{side_words(fact.contingency_side)} " if fact.contingency_side else ""
            fails = f"{side}{words_of(fact.contingency)}{vein}"
        spare = [words_of(vein) for vein in fact.vessels_to_spare]
        spared = listed([*spare, f"the {side_words(fact.arm_to_spare)} arm" if fact.arm_to_spare else ""])
        parts = (
            ("now", "Way of dialysis now", words_of(self.person.modality, "")),
            ("next-way", "Next way of dialysis", words_of(fact.modality_next, "")),
            ("next-access", "Next access", following),
            ("if-it-fails", "If this one fails", fails),
            ("to-spare", "Veins to spare", spared),
            ("review", "To be reviewed", day_words(fact.review_on) if fact.review_on is not None else ""),
        )
        return LifePlanView(
            day=one.happened,
            by=(self.names(person) or person) if person else "",
            parts=tuple(PlanPart(key=key, heading=head, words=words or "not recorded") for key, head, words in parts),
            review_on=fact.review_on,
            old=old or self.person.life_plan_review_due,
            age="the day of its review is over" if self.person.life_plan_review_due else age,
            root=one.root,
        )

    def _planned(self) -> Iterable[str]:
        for view in self.views:
            one = view.folded.planned
            if one is not None and view.body.state == "planned" and isinstance(one.fact, AccessPlanned):
                yield f"{day_words(one.happened)}: {sentence_of(one, self.words, self.names)}"

    def _background(self) -> Iterable[str]:
        wanted = (
            BackgroundWhat.HAND_DOMINANCE,
            BackgroundWhat.ARM_NOT_TO_USE,
            BackgroundWhat.CARDIAC_LEAD,
            BackgroundWhat.PORT,
            BackgroundWhat.LINE,
        )
        for item, one in background_now(self.folds.person.of("background")):
            if item.what in wanted:
                yield f"{background_words(item, self.words)} (checked {day_words(one.happened)})"


_OF_SIDE = {ARMS: "arm", CHEST: "chest and neck", LEGS: "leg"}
_STATES = ("in-use", "used-up", "held-a-line", "narrowed", "mapped")

STATE_WORDS = {
    "in-use": "in use",
    "used-up": "used up",
    "held-a-line": "held a line",
    "narrowed": "narrowed",
    "mapped": "mapped",
    "nothing-recorded": "nothing recorded",
}
"""How the state of a vein is said."""


def _segment_of(a: Folded) -> str:
    """The segment of an outflow vein that runs along the arm: that of the access's site."""
    if a.site is None:
        return ""
    return "forearm" if a.site in _IN_FOREARM else "upper-arm"


def _lies(vessel: MappedVessel, segment: str) -> bool:
    """Whether a mapped vessel lies in a segment of the list; one whose segment nobody said lies in every one."""
    if not segment or vessel.segment is None:
        return True
    if vessel.segment in _FOREARM:
        return segment == "forearm"
    return segment == "upper-arm" and (vessel.segment in _UPPER_ARM or vessel.segment is ArmSegment.ELBOW)
