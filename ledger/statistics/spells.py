"""Each access to its spell: from which day to which under a definition, why it ended, and on which entries that rests.

A spell is read twice where a date is known only to the month or the year: started at its latest with all that followed
at its earliest, and the other way round. Where every date is known to the day, both are the same. What happened after
the last day counted, or after care ended, is not read, so that the same count can be made again.

Rules that come from the published definitions stand in `definitions.toml`; here stands how they are applied. An
event on the day of a censoring counts as an event. A loss is dated to the clot that was never reversed, unless the
choice says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum
from typing import NamedTuple

from ledger.chronology import History, InForce
from ledger.events import Abandonment, Angioplasty, CatheterExchanged, Revision, Stent, Thrombectomy
from ledger.statistics.definitions import Definition
from ledger.statistics.maturity import is_told, matured
from ledger.statistics.moments import (
    RESTORES,
    SHOWS,
    Coming,
    Life,
    Moment,
    as_day,
    days_of,
    lives_of,
    roots_of,
)
from ledger.vocabulary import AccessKind, LesionPlace, Stage


class Outcome(StrEnum):
    """How a spell ended."""

    EVENT = "event"
    COMPETING = "competing"
    CENSORED = "censored"


class Reading(NamedTuple):
    """One reading of a spell. Days are days of the unit's zone; `entered` is the day from which it was watched."""

    start: date
    end: date
    entered: date
    outcome: Outcome
    ended_by: str
    roots: tuple[str, ...]

    @property
    def days(self) -> int:
        """From start to end."""
        return self.end.toordinal() - self.start.toordinal()

    @property
    def entered_after(self) -> int:
        """Days from start until it was watched; 0 where it was watched from the start."""
        return self.entered.toordinal() - self.start.toordinal()


class Spell(NamedTuple):
    """An access (or an index intervention, or a device) under a definition.

    `shortest` and `longest` are the same object where every date is known to the day. `notes` are codes of what is
    odd and does not change the numbers (`NOTES`). `ordinal` counts the spells of one access.
    """

    patient: str
    access: str
    kind: AccessKind
    definition: str
    shortest: Reading
    longest: Reading
    notes: tuple[str, ...] = ()
    ordinal: int = 1
    about: str | None = None
    """For an index lesion, the lesion; for a device, its id if it has one."""
    group: str | None = None

    @property
    def dates_matter(self) -> bool:
        """Whether the two readings differ in days or in how it ended."""
        if self.shortest is self.longest:
            return False
        short, long = self.shortest, self.longest
        return (short.days, short.entered_after, short.outcome) != (long.days, long.entered_after, long.outcome)

    @property
    def roots(self) -> tuple[str, ...]:
        """The entries that the spell rests on: the first of each chain of corrections."""
        if self.shortest is self.longest:
            return self.shortest.roots
        return tuple(dict.fromkeys((*self.shortest.roots, *self.longest.roots)))


@dataclass(frozen=True, slots=True)
class LeftOut:
    """An access that cannot be counted under a definition, and why (`WHY_LEFT_OUT`)."""

    patient: str
    access: str
    why: str
    kind: AccessKind | None = None
    roots: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        return WHY_LEFT_OUT[self.why]


LOSSES = frozenset(
    {"abandonment", "infected-loss", "closed-by-choice", "converted", "unreversed-clot", "untreated-clot"}
)
"""The reasons for which a spell ends in the class `loss`."""

WHY_LEFT_OUT = {
    "other-kind": "the definition is not for this kind of access",
    "kind-not-recorded": "the kind of access is not recorded",
    "no-creation": "nobody recorded when it was made",
    "planned-only": "planned, and not made as far as is recorded",
    "first-stage-unknown": "only the second stage is recorded",
    "second-stage-not-done": "the clock starts at the second stage, which is not done",
    "after-the-cut": "began after the last day counted",
    "never-used": "never used for dialysis, as far as is recorded",
    "first-use-unknown": "its first use lies before it was met",
    "no-intervention": "no intervention",
    "no-lesion": "no treated lesion is named",
    "index-after-loss": "treated after it counted as lost",
    "index-failed": "the index intervention failed, and such are left out by choice",
    "not-followed": "made while the patient was not followed here",
    "ended-unwatched": "ended before it came under observation",
    "met-late": "met late, and such are left out by choice",
    "primary-failure": "lost before it was ever used, and such are left out by choice",
    "no-placement": "nobody recorded when it was placed",
}
"""Why an access is left out, in words."""

NOTES = {
    "clotted": "clotted on the last day counted, neither treated nor given up; its secondary patency runs on",
    "result-not-recorded": "the result of a thrombectomy is not recorded",
    "taken-up-again": "used again after it was given up; the abandonment stands for the curves",
    "censored-by-choice": "closed while it worked, after transplant or by wish: censored on that day",
    "removal-reason": "removed for a reason that nobody recorded: censored on that day",
    "entered-late": "watched only from a day after its start",
    "too-little-told": "too little is recorded to say by this rule that it was not mature; counted as not mature",
}
"""What is odd about a spell and does not change the numbers, in words."""


@dataclass(frozen=True, kw_only=True)
class Spells:
    """Who was counted under a definition, and who was left out and why."""

    definition: Definition
    cut: date
    counted: tuple[Spell, ...]
    left_out: tuple[LeftOut, ...]

    def where(self, keep: Callable[[Spell], bool]) -> Spells:
        """Those of the counted that `keep` keeps. Who was left out stays as it is."""
        return replace(self, counted=tuple(spell for spell in self.counted if keep(spell)))


def spell_of(history: History, access: str, definition: Definition, cut: date) -> Spell | LeftOut:
    """The first spell of an access under a definition, as known up to and including the day `cut`.

    Post-intervention definitions have a spell for each index intervention: `every_spell_of` gives all. Raises KeyError
    for an access that the history does not have.
    """
    return every_spell_of(history, access, definition, cut)[0]


def every_spell_of(history: History, access: str, definition: Definition, cut: date) -> tuple[Spell | LeftOut, ...]:
    """All spells of an access under a definition; at least one, or the reason why there is none."""
    for life in lives_of(history, definition.rulebook):
        if life.access == access:
            counting = _Counting(definition, cut)
            return tuple(counting.of(life)) or (counting.not_for(life),)
    raise KeyError(access)


def spells_of(
    histories: Iterable[History],
    definition: Definition,
    cut: date,
    *,
    kinds: Container[AccessKind] | None = None,
    began: tuple[date, date] | None = None,
    label: Callable[[Life, Spell], str] | None = None,
) -> Spells:
    """The spells of all accesses of these patients, and who is left out and why.

    The population is the accesses of the definition's kinds (or of `kinds` among them) and, with `began`, whose clock
    started on or between two days under the longest reading. Who is outside the population is not "left out".
    `label` gives each spell its group (`ledger.statistics.groups.grouping`).
    """
    lives = (life for history in histories for life in lives_of(history, definition.rulebook))
    return spells_among(lives, definition, cut, kinds=kinds, began=began, label=label)


def spells_among(
    lives: Iterable[Life],
    definition: Definition,
    cut: date,
    *,
    kinds: Container[AccessKind] | None = None,
    began: tuple[date, date] | None = None,
    label: Callable[[Life, Spell], str] | None = None,
) -> Spells:
    """The same for lives that were folded already, when several definitions are counted over one population."""
    counted: list[Spell] = []
    left_out: list[LeftOut] = []
    for found in spells_of_lives(lives, definition, cut, label=label):
        if kinds is not None and found.kind is not None and found.kind not in kinds:
            continue
        if isinstance(found, LeftOut):
            left_out.append(found)
        elif began is None or began[0] <= found.longest.start <= began[1]:
            counted.append(found)
    return Spells(definition=definition, cut=cut, counted=tuple(counted), left_out=tuple(left_out))


def each_spell_of(
    histories: Iterable[History],
    definition: Definition,
    cut: date,
    *,
    label: Callable[[Life, Spell], str] | None = None,
) -> Iterator[Spell | LeftOut]:
    """The same one at a time, so that a million of them need no memory."""
    book = definition.rulebook
    lives = (life for history in histories for life in lives_of(history, book))
    return spells_of_lives(lives, definition, cut, label=label)


def spells_of_lives(
    lives: Iterable[Life],
    definition: Definition,
    cut: date,
    *,
    label: Callable[[Life, Spell], str] | None = None,
) -> Iterator[Spell | LeftOut]:
    """One at a time, for lives that were folded already."""
    counting = _Counting(definition, cut)
    for life in lives:
        if label is None:
            yield from counting.of(life)
        else:
            for found in counting.of(life):
                yield found if isinstance(found, LeftOut) else found._replace(group=label(life, found))


def watched_by(definition: Definition, cut: date) -> Callable[[Life], Spell | LeftOut]:
    """What says from when to when an access was there and watched, for rates, which need no birthday of the access.

    By secondary patency with the choices of `definition`. An access whose creation nobody recorded counts from when it
    was met.
    """
    secondary = definition.rulebook.definition("secondary-patency")
    shared = {name: value for name, value in definition.choices.items() if name in secondary.choices}
    return _Counting(secondary.with_choices(shared), cut).watched


def watched_of(life: Life, definition: Definition, cut: date) -> Spell | LeftOut:
    """The same for one access."""
    return watched_by(definition, cut)(life)


def clots_of(life: Life) -> list[Moment]:
    """Each time the access clotted: the first sign of it. Clot found again before it was opened is the same clot."""
    found: list[Moment] = []
    clotted_on: int | None = None
    for moment in life.moments:
        if moment.what in _CLOTS:
            if clotted_on is None:
                found.append(moment)
                clotted_on = moment.earliest
            if moment.flow == RESTORES:
                clotted_on = None
        elif moment.flow == RESTORES or (
            moment.flow == SHOWS and clotted_on is not None and moment.earliest > clotted_on
        ):
            clotted_on = None
    return found


def index_days_of(life: Life, days: int, classes: Container[str]) -> list[list[Moment]]:
    """The interventions of these classes on an access, those of one day (and of `days` more days) together."""
    groups: list[list[Moment]] = []
    for moment in life.moments:
        if moment.what not in classes:
            continue
        if groups and moment.earliest - groups[-1][0].earliest <= days:
            groups[-1].append(moment)
        else:
            groups.append([moment])
    return groups


# --- One definition, made ready to count --------------------------------------------------------------------------


class _Start(NamedTuple):
    """Where a clock starts: both readings, when it came under observation, and on what that rests."""

    earliest: int
    latest: int
    entered_earliest: int
    entered_latest: int
    roots: tuple[str, ...]
    kind: AccessKind
    after: int | None = None
    """For an index intervention, the last day that belongs to it: what comes on that day or before ends nothing."""
    about: str | None = None
    procedures: tuple[Moment, ...] = ()
    from_the_beginning: bool = True


class _Loss(NamedTuple):
    """The day on which an access was lost or closed (ordinal), why, and the facts that say so."""

    day: int
    why: str
    facts: tuple[InForce, ...]
    is_closing: bool = False
    clotted: bool = False
    given_up_on: int | None = None


class _Flow(NamedTuple):
    loss: _Loss | None
    notes: tuple[str, ...]


_HOW = {
    "earliest": ("earliest",),
    "latest": ("latest",),
    "middle": ("middle",),
    "range": ("shortest", "longest"),
}


class _Counting:
    """A definition and a cut, with everything looked up that does not depend on the access."""

    def __init__(self, definition: Definition, cut: date) -> None:
        self.definition = definition
        self.cut = cut.toordinal()
        book = definition.rulebook
        chosen = definition.choices
        self.kinds = frozenset(definition.kinds)
        self.order = {name: place for place, name in enumerate(definition.ends)}
        self.ends = frozenset(definition.ends)
        self.censors = frozenset(definition.censors)
        self.competes = frozenset(definition.competes)
        self.causes = frozenset(definition.causes)
        self.interventions = frozenset(name for name, one in book.classes.items() if one.intervention)
        self.index_classes = book.index_classes
        self.excludes = book.excludes
        self.needs_loss = "loss" in self.ends or "loss" in self.competes
        computed = self.ends | self.competes
        self.wants_matured = not computed.isdisjoint({"matured", "matured-unassisted", "matured-assisted"})
        self.wants_first_use = "first-use" in computed
        self.wants_excluded = "lesion-excluded" in computed
        self.wants_lesion = "target-lesion" in computed
        self.start = definition.start
        self.second_stage = chosen.get("second-stage", "part-of-creation")
        self.day_of_loss = chosen.get("day-of-loss", "unreversed-clot")
        self.failed_thrombectomy = chosen.get("failed-thrombectomy", "loss-at-the-clot")
        self.untreated = chosen.get("untreated-thrombosis", "runs-on")
        self.unclotted = chosen.get("abandonment-without-thrombosis", "ends")
        self.closed = chosen.get("good-access-closed", "censors")
        self.converted = chosen.get("converted", "ends")
        self.taken_up = chosen.get("taken-up-again", "abandonment-stands")
        self.end_of_care = chosen.get("end-of-care", "censors")
        self.death_day = chosen.get("death-day", "intervention-counts")
        self.met_late = chosen.get("met-late", "enters-late")
        self.primary_failures = chosen.get("primary-failures", "included")
        self.first_use = chosen.get("first-use", "any-needle")
        self.index_days = int(chosen.get("index-days", "0"))
        self.failed_index = chosen.get("failed-index", "counts")
        self.lesion_rule = chosen.get("target-lesion", "same-lesion")
        self.rule = chosen.get("maturation-rule", "two-thirds")
        self.works_out = (
            self.wants_matured or self.wants_first_use or definition.start in ("index-intervention", "index-lesion")
        )
        self.how = _HOW[chosen.get("partial-dates", "range")]

    def of(self, life: Life) -> list[Spell | LeftOut]:
        """The spells of one access; empty where the access is of a kind that the definition is not for."""
        kind = life.kind
        if kind is None:
            # What was only planned is no access yet, and nobody is left out by leaving it.
            return [] if _is_only_planned(life) else [self._left(life, "kind-not-recorded", life.origin)]
        if kind not in self.kinds:
            return []
        starts = _STARTS[self.start](self, life)
        if isinstance(starts, LeftOut):
            return [starts]
        found: list[Spell | LeftOut] = []
        for start in starts:
            made = self._spell(life, start, len(found) + 1)
            found.append(made)
        return found

    def not_for(self, life: Life) -> LeftOut:
        return self._left(life, "planned-only" if _is_only_planned(life) else "other-kind", life.origin)

    def watched(self, life: Life) -> Spell | LeftOut:
        """From when to when the access was there and watched; from when it was met, if its birthday is unknown."""
        starts = self._from_creation(life)
        if isinstance(starts, LeftOut) and starts.why in ("no-creation", "first-stage-unknown"):
            first = life.known or life.second_creation
            if first is None:
                return starts
            starts = self._watched(life, *days_of(first.fact.happened, life.zone), (first,))
        return starts if isinstance(starts, LeftOut) else self._spell(life, starts[0], 1)

    # --- Starts ---

    def _from_creation(self, life: Life) -> list[_Start] | LeftOut:
        made, known = life.made, life.known
        if self.second_stage == "starts-the-clock":
            staged = next((moment for moment in life.moments if moment.what == "second-stage"), None)
            if staged is not None:
                return self._watched(life, staged.earliest, staged.latest, (staged.one,))
            if made is not None and getattr(made.fact, "stage", None) is Stage.FIRST:
                return self._left(life, "second-stage-not-done")
        if made is not None:
            earliest, latest = days_of(made.fact.happened, life.zone)
            return self._watched(life, earliest, latest, (made,))
        if known is not None and known.fact.created is not None:  # type: ignore[union-attr]
            earliest, latest = days_of(known.fact.created, life.zone)  # type: ignore[union-attr]
            met = days_of(known.fact.happened, life.zone)[1]
            return self._watched(life, earliest, max(earliest, min(latest, met)), (known,))
        if life.second_creation is not None:
            return self._left(life, "first-stage-unknown", life.second_creation)
        missing = "no-placement" if life.kind is not None and life.kind.is_catheter else "no-creation"
        return self._left(life, missing, known)

    def _from_first_use(self, life: Life) -> list[_Start] | LeftOut:
        used = life.two_needled if self.first_use == "two-needles" else life.needled
        if not used.facts or used.earliest > self.cut:
            return self._left(life, "never-used", life.origin)
        told = any(one.kind == "first-cannulation" for one in used.facts)
        if not told and _was_there_before(life):
            # Of an access that was met in use, the first use recorded here is not the first there was.
            return self._left(life, "first-use-unknown", life.known or life.made)
        return self._watched(life, used.earliest, used.latest, used.facts, from_beginning=False)

    def _from_placement(self, life: Life) -> list[_Start] | LeftOut:
        return self._from_creation(life)

    def _from_devices(self, life: Life) -> list[_Start] | LeftOut:
        found: list[_Start] = []
        first = self._from_creation(life)
        if not isinstance(first, LeftOut):
            device = getattr(life.made.fact, "device", None) if life.made is not None else None
            found += [one._replace(about=device) for one in first]
        kind = life.kind
        for moment in life.moments:
            fact = moment.one.fact
            if not isinstance(fact, CatheterExchanged) or moment.earliest > self.cut:
                continue
            kind = fact.to_kind or kind
            began = self._watched(life, moment.earliest, moment.latest, (moment.one,))
            if not isinstance(began, LeftOut):
                assert kind is not None
                found += [
                    one._replace(about=fact.device, after=moment.latest, kind=kind, from_the_beginning=False)
                    for one in began
                ]
        return found or first

    def _from_index(self, life: Life) -> list[_Start] | LeftOut:
        found_groups = index_days_of(life, self.index_days, self.index_classes)
        groups = [group for group in found_groups if group[0].earliest <= self.cut]
        if not groups:
            return self._left(life, "no-intervention", life.origin)
        found: list[_Start] = []
        left: LeftOut | None = None
        for group in groups:
            if self.failed_index == "left-out" and _failed(group):
                left = self._left(life, "index-failed", group[0].one)
                continue
            began = self._watched(
                life,
                group[0].earliest,
                group[0].latest,
                tuple(moment.one for moment in group),
                from_beginning=False,
            )
            if isinstance(began, LeftOut):
                left = began
                continue
            after = max(moment.latest for moment in group)
            for one in began:
                whole = one._replace(after=after, procedures=tuple(group))
                if self.start == "index-lesion":
                    found += [whole._replace(about=lesion) for lesion in _lesions_in(group)]
                else:
                    found.append(whole)
        if not found:
            return left or self._left(life, "no-lesion", groups[0][0].one)
        return found

    def _watched(
        self,
        life: Life,
        earliest: int,
        latest: int,
        facts: Sequence[InForce],
        *,
        from_beginning: bool = True,
    ) -> list[_Start] | LeftOut:
        """A start with the day from which the access was watched, or why it is left out."""
        if earliest > self.cut:
            return self._left(life, "after-the-cut", *facts)
        assert life.kind is not None
        roots = roots_of(facts)
        start = _Start(earliest, latest, earliest, latest, roots, life.kind, from_the_beginning=from_beginning)
        if self.met_late == "from-creation":
            return [start]
        watched = self._watched_from(life)
        if watched is None:
            return [start]
        entered_earliest, entered_latest, by = watched
        if entered_latest <= earliest:
            return [start]
        if self.met_late == "left-out" and entered_earliest > latest:
            return self._left(life, "met-late", by)
        return [
            start._replace(
                entered_earliest=max(earliest, entered_earliest),
                entered_latest=max(latest, entered_latest),
                roots=tuple(dict.fromkeys((*roots, by.root))) if by is not None else roots,
            )
        ]

    def _watched_from(self, life: Life) -> tuple[int, int, InForce | None] | None:
        """From which day this access was watched, where it was there before; None where from its beginning."""
        if life.made is not None and life.care.first_seen is None and self.met_late != "enters-with-care":
            return None
        found: list[tuple[int, int, InForce | None]] = []
        if life.made is None and life.known is not None:
            found.append((*days_of(life.known.fact.happened, life.zone), life.known))
        seen = life.care.first_seen
        if seen is not None:
            unknown_before = seen.fact.history_unknown_before  # type: ignore[union-attr]
            if unknown_before is not None:
                found.append((*days_of(unknown_before, life.zone), seen))
            elif life.access in seen.fact.accesses_found:  # type: ignore[union-attr]
                found.append((*days_of(seen.fact.happened, life.zone), seen))
        if self.met_late == "enters-with-care" and life.care.began is not None:
            found.append((*life.care.began, None))
        return max(found, key=lambda one: one[:2], default=None)

    # --- A spell ---

    def _spell(self, life: Life, start: _Start, ordinal: int) -> Spell | LeftOut:
        how = self.how
        exact = life.exact and start.earliest == start.latest and start.entered_earliest == start.entered_latest
        if exact and life.care.exact:
            found = self._read(life, start, "earliest")
            if isinstance(found, LeftOut):
                return found
            readings = (found, found)
        else:
            read = [self._read(life, start, one) for one in how]
            left = next((one for one in read if isinstance(one, LeftOut)), None)
            if left is not None:
                return left
            readings = (read[0], read[-1])  # type: ignore[assignment]
        (shortest, notes), (longest, more) = readings
        if shortest.days > longest.days:
            # Which day came first can decide whether a clot was reversed, so the later reading can be the shorter.
            shortest, longest = longest, shortest
        return Spell(
            life.patient,
            life.access,
            start.kind,
            self.definition.id,
            shortest,
            longest if longest != shortest else shortest,
            notes if more is notes else tuple(dict.fromkeys((*notes, *more))),
            ordinal,
            start.about,
        )

    def _read(self, life: Life, start: _Start, how: str) -> tuple[Reading, tuple[str, ...]] | LeftOut:
        day_of = _DAY[how]
        cut = self.cut
        if how == "shortest":
            began, entered = min(start.latest, cut), min(start.entered_latest, cut)
        elif how == "longest":
            began, entered = start.earliest, start.entered_earliest
        else:
            began = min(day_of(start.earliest, start.latest), cut)
            entered = day_of(start.entered_earliest, start.entered_latest)
        entered = max(entered, began)

        censor_day, censor_why, censor_root = cut, "cut", ""
        if life.care.comings:
            care = self._care(life, start, began, day_of)
            if care is not None:
                day, coming = care
                if coming.what == "not-followed":
                    return self._left(life, "not-followed", life.origin)
                if coming.what == "resumed":
                    entered = max(entered, day)
                elif day <= cut:
                    censor_day, censor_why, censor_root = day, coming.reason, coming.root
        # Facts may be known only as of after the start in truth, so nothing is read before it.
        censor_day = max(censor_day, began)

        if life.exact:
            line: list[tuple[int, Moment]] = [
                (moment.earliest, moment) for moment in life.moments if moment.earliest <= censor_day
            ]
        else:
            line = [
                (day, moment)
                for moment in life.moments
                if (day := day_of(moment.earliest, moment.latest)) <= censor_day
            ]
            line.sort(key=lambda pair: pair[0])

        flow = self._flow(line) if self.needs_loss else _NOTHING
        end_day, end_why, outcome = censor_day, censor_why, Outcome.CENSORED
        end_roots: tuple[str, ...] = (censor_root,) if censor_root else ()
        if censor_why in self.causes:
            outcome = Outcome.COMPETING
        place = (censor_day, 3, 0)
        notes = flow.notes

        for day, moment in line:
            what = moment.what
            if day > end_day:
                break
            is_end = what in self.ends
            if not is_end and what not in self.censors:
                continue
            counted_on = self._counts_on(day, moment, start, began, how)
            if counted_on is None:
                continue
            here = (counted_on, 0 if is_end else 2, self.order.get(what, 0))
            if here < place:
                place = here
                end_day, end_why, end_roots = counted_on, what, (moment.one.root,)
                outcome = Outcome.EVENT if is_end else Outcome.CENSORED

        loss = flow.loss
        if loss is not None:
            day = max(loss.day, began)
            kind_of_end = 0 if "loss" in self.ends else 1
            is_censor = loss.is_closing or (
                self.unclotted == "censors" and not loss.clotted and loss.why != "infected-loss"
            )
            here = (day, 2 if is_censor else kind_of_end, self.order.get("loss", 99))
            # Whatever the definition is about, nothing outlives the access.
            if here < place:
                place = here
                end_day, end_why, end_roots = day, loss.why, roots_of(loss.facts)
                outcome = Outcome.CENSORED if is_censor else (Outcome.EVENT, Outcome.COMPETING)[kind_of_end]
                if loss.is_closing:
                    notes = (*notes, "censored-by-choice")

        worked_out = self._computed(life, start, line, began, day_of) if self.works_out else ()
        for when, what, roots in worked_out:
            counted_on = max(when, began)
            is_end = what in self.ends or what == "failed-index"
            here = (counted_on, 0 if is_end else 1, self.order.get(what, 50))
            if counted_on <= censor_day and here < place:
                place = here
                end_day, end_why, end_roots = counted_on, what, roots
                outcome = Outcome.EVENT if is_end else Outcome.COMPETING

        if (
            self.death_day == "censored"
            and censor_why == "death"
            and outcome is Outcome.EVENT
            and end_day == censor_day
            and end_why in self.interventions
        ):
            end_why, end_roots = "death", (censor_root,)
            outcome = Outcome.COMPETING if "death" in self.causes else Outcome.CENSORED

        if start.after is not None and loss is not None and (loss.given_up_on or began) < began:
            return self._left(life, "index-after-loss", *loss.facts)
        if entered > began and entered >= end_day:
            return self._left(life, "ended-unwatched", life.known or life.origin)
        if self.primary_failures == "left-out" and loss is not None and not loss.is_closing and life.made is not None:
            used = life.needled
            if not used.facts or day_of(used.earliest, used.latest) > loss.day:
                return self._left(life, "primary-failure", *loss.facts)
        if entered > began:
            notes = (*notes, "entered-late")
        if outcome is Outcome.CENSORED and end_why == "removed-reason-unknown":
            notes = (*notes, "removal-reason")
        if (
            self.wants_matured
            and not end_why.startswith("matured")
            # What was lost before any needle was surely not mature by a rule of use.
            and (outcome is Outcome.CENSORED or life.needled.facts)
            and not is_told(life, self.rule)
        ):
            notes = (*notes, "too-little-told")
        if "clotted" in notes and outcome is Outcome.EVENT:
            notes = tuple(note for note in notes if note != "clotted")
        roots = start.roots if not end_roots else tuple(dict.fromkeys((*start.roots, *end_roots)))
        return Reading(as_day(began), as_day(end_day), as_day(entered), outcome, end_why, roots), notes

    def _counts_on(self, day: int, moment: Moment, start: _Start, began: int, how: str) -> int | None:
        """The day on which a moment counts against a spell; None where it came before the clock started."""
        if start.after is not None:
            if how == "longest":
                return day if moment.earliest > start.after else None
            return max(day, began) if moment.latest > start.after and day >= began else None
        if start.from_the_beginning:
            # Whatever is recorded of an access came after it was made, even if the days as known overlap.
            return max(day, began)
        if moment.latest < start.earliest or (how == "longest" and moment.earliest < start.latest):
            return None
        return max(day, began) if day >= began or how == "shortest" else None

    # --- Care ---

    def _care(
        self, life: Life, start: _Start, began: int, day_of: Callable[[int, int], int]
    ) -> tuple[int, Coming] | None:
        """What ended the watching, and when: the coming that censors, `not-followed`, or `resumed` for a late entry."""
        haemo = life.kind is not AccessKind.PERITONEAL
        away: Coming | None = None
        comings = life.care.comings
        for place, coming in enumerate(comings):
            if coming.what == "to-peritoneal" and not haemo:
                continue
            day = day_of(coming.earliest, coming.latest)
            if day < began <= coming.latest and coming.latest >= start.earliest:
                # It may have come before the start or after; it is read as having come after.
                day = began
            if day < began:
                # A change to peritoneal dialysis before the access was made says nothing about watching it.
                if coming.what == "ended":
                    away = coming
                elif coming.what in ("resumed", "began"):
                    away = None
                continue
            if away is not None:
                break
            if coming.what not in ("ended", "to-peritoneal"):
                continue
            if coming.reason == "death" or self.end_of_care == "censors":
                return day, coming
            if self.end_of_care == "resumes" and not _comes_back(coming, comings[place + 1 :], self.cut):
                return day, coming
        if away is None or self.end_of_care == "continues":
            return None
        for coming in comings:
            day = day_of(coming.earliest, coming.latest)
            if coming.what in ("resumed", "began") and began <= day <= self.cut:
                return day, coming._replace(what="resumed")
        return began, away._replace(what="not-followed")

    # --- Loss ---

    def _flow(self, line: Sequence[tuple[int, Moment]]) -> _Flow:
        """Walks an access by day: clotted, opened again, given up. Gives the loss, if there was one by the last day.

        Where no hours are known, what opened the access on a day comes last on that day.
        """
        clot: tuple[int, InForce] | None = None
        failed: tuple[int, InForce] | None = None
        unsaid: set[int] = set()
        opened_on: int | None = None
        for place, (day, moment) in enumerate(line):
            what = moment.what
            fact = moment.one.fact
            if moment.flow == RESTORES:
                clot = failed = None
                opened_on = day
                unsaid.discard(day)
            elif day == opened_on and what in _CLOTS and len(fact.happened) <= _TO_THE_DAY:
                continue
            elif isinstance(fact, Thrombectomy):
                # Clot was taken out, so there was one, recorded or not.
                clot = clot or (day, moment.one)
                if fact.success is False:
                    failed = (day, moment.one)
                else:
                    unsaid.add(day)
            elif what == "thrombosis":
                clot = clot or (day, moment.one)
            elif moment.flow == SHOWS:
                if clot is not None and day > clot[0] and (failed is None or day > failed[0]):
                    clot = failed = None
            elif what in _GIVEN_UP:
                again = any(later.what == "taken-up-again" for _, later in line[place + 1 :])
                if again and self.taken_up == "cancels-it":
                    clot = failed = None
                    continue
                notes = ("taken-up-again",) if again else ()
                # Of two reasons given on one day the graver stands, whichever entry comes first.
                same_day = [one for then, one in line[place:] if then == day and one.what in _GIVEN_UP]
                moment = min(same_day, key=lambda one: _GIVEN_UP[one.what])
                return _Flow(self._given_up(day, moment, clot, failed), (*_unsaid(unsaid), *notes))
        if clot is None:
            return _Flow(None, _unsaid(unsaid)) if unsaid else _NOTHING
        if failed is not None and self.failed_thrombectomy == "loss-at-the-clot":
            loss = _Loss(clot[0], "unreversed-clot", (clot[1], failed[1]), clotted=True)
            return _Flow(loss, _unsaid(unsaid))
        if failed is None and self.untreated == "ends-at-the-clot":
            return _Flow(_Loss(clot[0], "untreated-clot", (clot[1],), clotted=True), _unsaid(unsaid))
        return _Flow(None, (*_unsaid(unsaid), "clotted"))

    def _given_up(
        self, day: int, moment: Moment, clot: tuple[int, InForce] | None, failed: tuple[int, InForce] | None
    ) -> _Loss:
        what = moment.what
        if clot is not None:
            facts = tuple(one for one in (clot[1], failed[1] if failed else None, moment.one) if one is not None)
            when = day if self.day_of_loss == "decision" else clot[0]
            return _Loss(when, "unreversed-clot", facts, clotted=True, given_up_on=day)
        if what == "closed-by-choice":
            return _Loss(day, what, (moment.one,), is_closing=self.closed == "censors", given_up_on=day)
        if what == "converted":
            return _Loss(day, what, (moment.one,), is_closing=self.converted == "censors", given_up_on=day)
        given_up_on = day
        fact = moment.one.fact
        if self.day_of_loss == "last-known-patent" and isinstance(fact, Abandonment) and fact.last_known_patent:
            day = min(day, fact.last_known_patent.latest.toordinal())
        return _Loss(day, what, (moment.one,), given_up_on=given_up_on)

    # --- Classes that no single fact shows ---

    def _computed(
        self,
        life: Life,
        start: _Start,
        line: Sequence[tuple[int, Moment]],
        began: int,
        day_of: Callable[[int, int], int],
    ) -> list[tuple[int, str, tuple[str, ...]]]:
        found: list[tuple[int, str, tuple[str, ...]]] = []
        if self.wants_matured:
            met = matured(life, self.rule, began)
            if met is not None:
                helped = any(
                    moment.what in self.interventions and moment.what != "second-stage" and day <= met.day
                    for day, moment in line
                )
                which = "matured-assisted" if helped else "matured-unassisted"
                what = "matured" if "matured" in self.ends or "matured" in self.competes else which
                found.append((met.day, what, met.roots))
        if self.wants_first_use:
            used = life.two_needled if self.first_use == "two-needles" else life.needled
            if used.facts:
                found.append((day_of(used.earliest, used.latest), "first-use", roots_of(used.facts)))
        if start.procedures:
            found += self._after_index(start, line)
        return found

    def _after_index(self, start: _Start, line: Sequence[tuple[int, Moment]]) -> list[tuple[int, str, tuple[str, ...]]]:
        found: list[tuple[int, str, tuple[str, ...]]] = []
        assert start.after is not None
        if _failed(start.procedures):
            found.append((0, "failed-index", tuple(moment.one.root for moment in start.procedures)))
        places = _places_of(start.procedures, start.about)
        for day, moment in line:
            if moment.earliest <= start.after:
                continue
            kind = moment.one.fact.kind
            if self.wants_excluded and kind in self.excludes:
                tried = self.excludes[kind]
                if any(fits is None or fits(moment.one.fact) for fits in tried):
                    found.append((day, "lesion-excluded", (moment.one.root,)))
            if self.wants_lesion and self._treats(moment, start.about, places):
                found.append((day, "target-lesion", (moment.one.root,)))
        return found

    def _treats(self, moment: Moment, lesion: str | None, places: frozenset[LesionPlace]) -> bool:
        """Whether a moment treats the target lesion again."""
        fact = moment.one.fact
        if isinstance(fact, Angioplasty | Stent):
            if self.lesion_rule == "same-place":
                return not places.isdisjoint(_places_of((moment,), None))
            return lesion in _lesions_in((moment,))
        # A surgical revision names no lesion, only a place.
        return isinstance(fact, Revision) and fact.place is not None and fact.place in places

    def _left(self, life: Life, why: str, *facts: InForce | None) -> LeftOut:
        return LeftOut(life.patient, life.access, why, life.kind, roots_of(facts))


_NOTHING = _Flow(None, ())
_CLOTS = frozenset({"thrombosis", "thrombectomy"})
_TO_THE_DAY = len("2019-03-04")
_GIVEN_UP = {"infected-loss": 0, "abandonment": 1, "converted": 2, "closed-by-choice": 3}

_STARTS: Mapping[str, Callable[[_Counting, Life], list[_Start] | LeftOut]] = {
    "creation": _Counting._from_creation,
    "first-use": _Counting._from_first_use,
    "placement": _Counting._from_placement,
    "device": _Counting._from_devices,
    "index-intervention": _Counting._from_index,
    "index-lesion": _Counting._from_index,
}

_DAY: Mapping[str, Callable[[int, int], int]] = {
    "shortest": lambda earliest, latest: earliest,
    "longest": lambda earliest, latest: latest,
    "earliest": lambda earliest, latest: earliest,
    "latest": lambda earliest, latest: latest,
    "middle": lambda earliest, latest: (earliest + latest) // 2,
}


def _comes_back(left: Coming, later: Iterable[Coming], cut: int) -> bool:
    wanted = "to-haemo" if left.what == "to-peritoneal" else "resumed"
    return any(coming.what == wanted and coming.latest <= cut for coming in later)


def _is_only_planned(life: Life) -> bool:
    return life.planned is not None and life.made is None and life.known is None and not life.moments


def _was_there_before(life: Life) -> bool:
    """Whether the access existed before we knew what happened to it."""
    if life.made is None:
        return True
    seen = life.care.first_seen
    if seen is None:
        return False
    unknown_before = seen.fact.history_unknown_before  # type: ignore[union-attr]
    if unknown_before is None:
        if life.access not in seen.fact.accesses_found:  # type: ignore[union-attr]
            return False
        unknown_before = seen.fact.happened
    return days_of(life.made.fact.happened, life.zone)[0] < days_of(unknown_before, life.zone)[0]


def _unsaid(days: set[int]) -> tuple[str, ...]:
    return ("result-not-recorded",) if days else ()


def _failed(group: Iterable[Moment]) -> bool:
    """An index with a thrombectomy that failed and none that succeeded."""
    results = [moment.one.fact.success for moment in group if isinstance(moment.one.fact, Thrombectomy)]
    return False in results and True not in results


def _lesions_in(group: Iterable[Moment]) -> list[str]:
    found: dict[str, None] = {}
    for moment in group:
        fact = moment.one.fact
        if isinstance(fact, Angioplasty | Stent):
            found.update((treated.lesion, None) for treated in fact.lesions)
        if isinstance(fact, Stent):
            found.update((stent.lesion, None) for stent in fact.stents if stent.lesion is not None)
    return list(found)


def _places_of(group: Iterable[Moment], lesion: str | None) -> frozenset[LesionPlace]:
    """The places of one lesion in these procedures, or of all of them."""
    found: set[LesionPlace] = set()
    for moment in group:
        fact = moment.one.fact
        if isinstance(fact, Angioplasty | Stent):
            found.update(
                treated.place
                for treated in fact.lesions
                if treated.place is not None and (lesion is None or treated.lesion == lesion)
            )
        if isinstance(fact, Stent):
            found.update(
                stent.place
                for stent in fact.stents
                if stent.place is not None and (lesion is None or stent.lesion == lesion)
            )
    return frozenset(found)
