"""The gate: is a new entry possible after what is known, and is it odd?

`Gate.consider` judges one event against one patient's history and changes nothing; `Gate.take` adds an entry that was
admitted, so that the next one is judged after it. `doubts_of` judges a whole history anew. Both ask the same laws.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, Final, NamedTuple, cast

from ledger.admission import laws
from ledger.admission.known import OPENERS, AccessIndex, Known, PatientIndex, Reading, kind_stated, reading_of, told_of
from ledger.admission.laws import Finding
from ledger.admission.plausible import numbers_of
from ledger.admission.sentences import LAWS, REFUSED
from ledger.chronology import History, Links, in_force, links_of
from ledger.entries import NO_EVIDENCE, Entry
from ledger.errors import Doubt
from ledger.events import (
    FACT_KINDS,
    KINDS,
    SESSION_KINDS,
    AccessesAreOne,
    AccessSplit,
    Correction,
    Event,
    PatientsAreOne,
    ReportMoved,
    ReportReviewed,
    Retraction,
    access_of,
)
from ledger.evidence import Evidence
from ledger.vocabulary import AbandonmentHow, AccessKind, ReminderLine


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """Why an entry is not admitted, and what to do now. Holds ids and nothing else of a patient."""

    problem: str
    remedy: str
    code: str = "refused"


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What admission says of one event: refused, or admitted with what is odd about it."""

    refusal: Refusal | None = None
    doubts: tuple[Doubt, ...] = ()


ADMITTED: Final = Verdict()


class Gate:
    """Admission for one patient's history.

    `today` is the day in the unit's zone. `known_patients` are the ids that a link may name; None leaves that check to
    the caller. `owner_of` says whose an access is that this patient does not have; it is asked about nothing else.
    """

    def __init__(
        self,
        history: History,
        today: date,
        known_patients: Container[str] | None = None,
        owner_of: Callable[[str], str | None] | None = None,
    ) -> None:
        assert history.as_of is None, "admission judges after all that is recorded"
        assert history.known_on is None, "admission judges after all that is recorded"
        self._zone = history.zone
        self._today = today.toordinal()
        self._known_patients = known_patients
        self._owner_of = owner_of
        self._history = history
        self._load(history)

    def _load(self, history: History) -> None:
        self._patient = history.patient
        self._taken: list[Entry] = []
        self._entries = {entry.id: entry for entry in history.entries}
        self._elsewhere = {entry.id: patient for patient, others in history.merged for entry in others}
        self._joined = frozenset(patient for patient, _ in history.merged)
        self._index = index_of(history)
        self._holding: dict[str, Entry] | None = None
        self._judged: Known | None = None

    # --- What the store asks --------------------------------------------------------------------------------------

    def consider(self, event: Event, entry_id: str, evidence: Evidence = NO_EVIDENCE) -> Verdict:
        """Judges an event that would become the entry `entry_id`. Changes nothing."""
        if entry_id in self._entries:
            return _refused("already-recorded", one=entry_id)
        when = reading_of(event.happened, self._zone)
        if when.first_day > self._today:
            return _refused("in-the-future")
        if event.kind in FACT_KINDS:
            return self._fact(event, entry_id, entry_id, when, evidence)
        match event:
            case Correction():
                return self._correction(event, entry_id, when, evidence)
            case Retraction():
                return self._retraction(event)
            case AccessesAreOne() | AccessSplit():
                return self._access_link(event)
            case PatientsAreOne(other=patient) | ReportMoved(to_patient=patient):
                return self._patient_link(event, patient)
            case _:
                # What became of the proposals of a report is as it is said.
                assert isinstance(event, ReportReviewed)
                return ADMITTED

    def take(self, entry: Entry) -> None:
        """Adds an entry that was admitted to what the next one is judged against."""
        event = entry.event
        self._entries[entry.id] = entry
        self._taken.append(entry)
        if event.kind in FACT_KINDS:
            known = self._judged
            if known is not None and known.fact is event and known.root == entry.id:
                known.recorded_at = entry.recorded_at  # What was judged a moment ago need not be made again.
            else:
                known = self._known_of(event, entry.id, entry.id, entry.recorded_at)
            self._index.put(known)
            if self._holding is not None:
                self._holding[entry.id] = entry
            return
        if isinstance(event, Correction) and (replaced := self._index.roots.get(event.root)) is not None:
            self._index.drop(replaced)
            self._index.put(self._known_of(event.to, entry.id, event.root, entry.recorded_at))
        elif isinstance(event, Retraction) and (withdrawn := self._index.roots.get(event.retracts)) is not None:
            # It was never corrected, since its own id is its root: nothing comes back in its place.
            self._index.drop(withdrawn)
            self._index.gone.add(event.retracts)
        elif not isinstance(event, ReportReviewed):
            self._again()
        self._holding = None

    def has(self, entry_id: str) -> bool:
        """Whether there is an entry with this id in the patient's streams, in force or not."""
        return entry_id in self._entries

    def knows(self, access: str) -> bool:
        """Whether something in force says that this patient has this access, or is to have it."""
        return self._index.is_open(access)

    def holds(self, entry_id: str) -> bool:
        """Whether the entry is in force."""
        return entry_id in self._in_force()

    def is_of_sessions(self, event: Event) -> bool:
        """Whether an event belongs into the patient's second stream: a session, or what is said about one.

        A correction or retraction stands in the stream of the entry that it names, since "newest first" has a
        meaning only within one stream.
        """
        kind = event.kind
        if kind in FACT_KINDS:
            return kind in SESSION_KINDS
        match event:
            case Correction(corrects=named) | Retraction(retracts=named):
                entry = self._entries.get(named)
                return entry is not None and entry.session
            case _:
                return False

    def _again(self) -> None:
        """Makes the indexes anew, for entries that change which others hold."""
        self._history = replace(self._history, entries=(*self._history.entries, *self._taken))
        self._load(self._history)

    def _in_force(self) -> dict[str, Entry]:
        if self._holding is None:
            self._holding = {entry.id: entry for entry in in_force(self._entries.values())}
        return self._holding

    def _known_of(self, fact: Any, entry: str, root: str, recorded_at: str | None) -> Known:
        return _known(fact, entry, root, self._access_of(root, access_of(fact)), recorded_at, self._index)

    def _access_of(self, root: str, access: str | None) -> str | None:
        links = self._index.links
        return links.access_of(root, access) if access is not None and links else access

    # --- Facts ----------------------------------------------------------------------------------------------------

    def _fact(
        self,
        fact: Any,
        entry_id: str,
        root: str,
        when: Reading,
        evidence: Evidence,
        was_so: Container[str] | None = None,
    ) -> Verdict:
        """Judges a fact; with `was_so`, one that a correction states, and the codes of what was so before it."""
        index = self._index
        kind = fact.kind
        access: str | None = fact.__dict__.get("access")
        if access is not None:
            if index.has_links:
                access = index.links.access_of(root, access)
            its = index.accesses.get(access)
            if its is None or its.openers <= 0:
                if kind not in OPENERS:
                    return self._no_such_access(access)
                if self._owner_of is not None and (refusal := self._of_another(access)) is not None:
                    return refusal
        if kind in _NAMES_OTHERS and (refusal := self._names_wrongly(fact)) is not None:
            return refusal
        known = Known(fact, entry_id, root, access, when, None)
        if kind == "access-known" and known.fact.created is not None:
            known.created = reading_of(known.fact.created, self._zone)
            if known.created.first_day > self._today:
                return _refused("in-the-future")
        self._judged = known
        found = findings(known, index, both_ways=True)
        if index.moved_away and evidence.report is not None and evidence.report in index.moved_away:
            found.append(Finding("report-moved-away", known))
        if not found:
            return ADMITTED
        impossible = [
            finding
            for finding in found
            if LAWS[finding.code].remedy is not None
            and (was_so is None or (finding.one is known and finding.code not in was_so))
        ]
        if impossible:
            return Verdict(refusal=_refusal_of(min(impossible, key=_clinically)))
        return Verdict(doubts=tuple(_doubts(found)))

    def _no_such_access(self, access: str) -> Verdict:
        owner = self._of_another(access)
        return owner if owner is not None else _refused("no-such-access", access=access)

    def _of_another(self, access: str) -> Verdict | None:
        owner = None if self._owner_of is None else self._owner_of(access)
        if owner is None or owner == self._patient or owner in self._joined:
            return None
        return _refused("access-of-another-patient", access=access, other=owner)

    def _names_wrongly(self, fact: Any) -> Verdict | None:
        """The refusal of a fact that names, beside its own access, an access or an entry that is not there."""
        for access in _other_accesses(fact):
            if not self._index.is_open(self._index.links.stands_for(access)):
                return self._no_such_access(access)
        if fact.kind == "creation" and fact.continues_from == fact.access:
            return _refused("one-with-itself", access=fact.access)
        for entry in _other_entries(fact):
            if entry not in self._entries and entry not in self._elsewhere:
                return _refused("no-such-entry", other=entry)
        return None

    # --- About entries --------------------------------------------------------------------------------------------

    def _correction(self, event: Correction, entry_id: str, when: Reading, evidence: Evidence) -> Verdict:
        named = event.corrects
        holding = self._in_force()
        entry = holding.get(named)
        if entry is None:
            return self._not_in_force(named, "corrects")
        if isinstance(entry.event, Correction):
            root = entry.event.root
        elif entry.event.kind in FACT_KINDS:
            root = entry.id
        else:
            return _refused("corrects-no-fact", other=named)
        if event.root != root:
            return _refused("wrong-root", other=named, access=root)
        if event.happened != event.to.happened:
            return _refused("two-days", other=named)
        index = self._index
        replaced = index.roots.get(root)
        if replaced is None:  # It rests on a report that was moved away.
            return self._fact(event.to, entry_id, root, when, evidence, was_so=())
        index.drop(replaced)
        try:
            # Why a correction is not refused for what others say: whoever puts right two days one after the other
            # has to pass through a history that contradicts itself.
            was_so = {finding.code for finding in findings(replaced, index, both_ways=False)}
            return self._fact(event.to, entry_id, root, when, evidence, was_so)
        finally:
            index.put(replaced)

    def _retraction(self, event: Retraction) -> Verdict:
        withdrawn = self._in_force().get(event.retracts)
        if withdrawn is None:
            return self._not_in_force(event.retracts, "retracts")
        if isinstance(withdrawn.event, Retraction):
            return self._bringing_back(event, withdrawn)
        return ADMITTED

    def _bringing_back(self, event: Retraction, withdrawn: Entry) -> Verdict:
        """Refuses to bring back what a later entry has said otherwise: one fact is said by one entry at a time."""
        as_if = Entry(
            id="",
            event=event,
            version=1 + max(entry.version for entry in self._entries.values()),
            recorded_at=withdrawn.recorded_at,
            recorded_by=withdrawn.recorded_by,
            source="",
            session=withdrawn.session,
        )
        said: dict[str, str] = {}
        for entry in in_force([*self._entries.values(), as_if]):
            if isinstance(entry.event, Correction) or entry.event.kind in FACT_KINDS:
                root = entry.event.root if isinstance(entry.event, Correction) else entry.id
                if root in said:
                    now = entry.id if entry.id in self._in_force() else said[root]
                    return _refused("retracts-superseded", other=event.retracts, access=now)
                said[root] = entry.id
        return ADMITTED

    def _not_in_force(self, named: str, what: str) -> Verdict:
        """The refusal of a correction or retraction that names an entry that does not hold: what holds instead?"""
        if named in self._elsewhere:
            return _refused("corrects-elsewhere", other=named, access=self._elsewhere[named])
        if named not in self._entries:
            return _refused(f"{what}-unknown", other=named)
        event = self._entries[named].event
        root = event.root if isinstance(event, Correction) else named
        holding = self._in_force()
        for entry in holding.values():
            if isinstance(entry.event, Correction) and entry.event.root == root:
                return _refused(f"{what}-stale", other=named, access=entry.id)
        if root in holding:
            return _refused(f"{what}-stale", other=named, access=root)
        by = next(
            entry.id
            for entry in holding.values()
            if isinstance(entry.event, Retraction) and entry.event.retracts in (named, root)
        )
        return _refused(f"{what}-withdrawn", other=named, access=by)

    # --- About identities -----------------------------------------------------------------------------------------

    def _access_link(self, event: AccessesAreOne | AccessSplit) -> Verdict:
        index = self._index
        if isinstance(event, AccessesAreOne):
            if event.survivor == event.other:
                return _refused("one-with-itself", access=event.other)
            for access in (event.survivor, event.other):
                if access not in index.accesses and access not in index.links.one:
                    return self._no_such_access(access)
            if index.links.stands_for(event.survivor) == index.links.stands_for(event.other):
                return _refused("already-one", access=event.survivor, other=event.other)
            return ADMITTED
        if event.access == event.part:
            return _refused("one-with-itself", access=event.part)
        if not index.is_open(index.links.stands_for(event.access)):
            return self._no_such_access(event.access)
        if (refusal := self._of_another(event.part)) is not None:
            return refusal
        if not event.entries:
            return _refused("splits-nothing", access=event.access)
        for root in event.entries:
            known = index.roots.get(root)
            if known is None or known.access != index.links.stands_for(event.access):
                return _refused("not-of-this-access", other=root, access=event.access)
        return ADMITTED

    def _patient_link(self, event: PatientsAreOne | ReportMoved, patient: str) -> Verdict:
        if patient == self._patient:
            return _refused("one-with-itself", access=patient)
        if isinstance(event, PatientsAreOne) and patient in self._joined:
            return _refused("already-one", access=self._patient, other=patient)
        if self._known_patients is not None and patient not in self._known_patients:
            return _refused("no-such-patient", other=patient)
        return ADMITTED


def doubts_of(history: History, today: date | None = None) -> tuple[Doubt, ...]:
    """All that is odd in the effective history, in clinical order, judged anew.

    With `today`, what a `set-aside` about conflicts puts off until a later day is left out, unless something recorded
    after it adds to the doubt.
    """
    index = index_of(history)
    found: list[Finding] = []
    for known in index.roots.values():
        found += findings(known, index, both_ways=False)
        if known.report in index.moved_away:
            found.append(Finding("report-moved-away", known))
    if len(index.accesses) > 1:
        found += _two_tunnelled_anywhere(index)
    if today is not None and found:
        put_off = [known for known in index.roots.values() if _is_in_force_on(known, today, index)]
        if put_off:
            found = [finding for finding in found if not any(_covers(one, finding, index) for one in put_off)]
    return tuple(_doubts(found))


# --- Asking the laws ----------------------------------------------------------------------------------------------


def findings(known: Known, index: PatientIndex, *, both_ways: bool) -> list[Finding]:
    """What the laws find about a fact; `both_ways` also what other facts become by it.

    The fact itself need not be in the index; if it is, it is not judged against itself.
    """
    found: list[Finding] = []
    kind = known.kind
    asked = _ASKED[kind]
    if asked.numbers is not None:

        def odd(field: str, cannot_be: bool) -> None:
            found.append(Finding("impossible-number" if cannot_be else "implausible-number", known, field=field))

        asked.numbers(known.fact, odd)
    for alone in asked.plan.alone:
        found += alone(known, index.zone)
    if known.access is not None:
        access = index.accesses.get(known.access)
        if access is not None:
            _on_access(known, access, asked, both_ways, found)
        elif not asked.opens:
            found.append(Finding("access-not-opened", known))
    if asked.has_visit and (visit := known.fact.__dict__.get("visit")) is not None:
        others = index.visits.get(visit)
        if others is not None:
            _in_visit(known, others, found, both_ways)
    if asked.has_lesions:
        _lesions(known, index, found, both_ways)
    if index.deaths:
        _after_death(known, index, found)
    if asked.is_more:
        _further(known, index, found, both_ways)
    return found


def _further(known: Known, index: PatientIndex, found: list[Finding], both_ways: bool) -> None:
    """What only few kinds are asked about."""
    kind = known.kind
    if both_ways:
        if kind == "follow-up-ended" and laws.is_death(known):
            found += (
                Finding("after-death", other, known)
                for other in index.roots.values()
                if other.first_day > known.last_day and other.kind not in laws.AFTER_DEATH
            )
        elif kind in _OPENS_TUNNELLED and known.access is not None:
            found += _two_tunnelled_with(known, index)
    if kind == "follow-up-ended":
        for other in index.ends:
            if other.root != known.root and (ended := laws.ended_twice(known, other, index.resumptions)) is not None:
                found.append(ended)
    if kind in _NAMES_OTHERS and index.gone:
        for entry in _other_entries(known.fact):
            if entry in index.gone:
                found.append(Finding("rests-on-withdrawn", known))
                break


def _on_access(known: Known, access: AccessIndex, asked: Asked, both_ways: bool, found: list[Finding]) -> None:
    by_kind = access.by_kind
    plan = asked.plan
    root = known.root
    for kind, pairs in plan.judged_by.items():
        if kind in by_kind:
            for pair in pairs:
                for other in by_kind[kind]:
                    if other.root != root and (finding := pair(known, other, access)) is not None:
                        found.append(finding)
    for within in plan.within:
        if (finding := within(known, access)) is not None:
            found.append(finding)
    if access.openers <= 0 and not asked.opens:
        found.append(Finding("access-not-opened", known))
    if not both_ways:
        return
    if plan.judges:
        for kind, pairs in plan.judges.items():
            if kind in by_kind:
                for pair in pairs:
                    for other in by_kind[kind]:
                        if other.root != root and (finding := pair(other, known, access)) is not None:
                            found.append(finding)
    if not asked.states_kind:
        return
    stated, _ = kind_stated(known.fact)
    if stated is not None and stated not in access.kinds:
        # What was done before may not go with the kind that the access turns out to be.
        access.put(known)
        try:
            for kind in laws.DEPENDS_ON_KIND & by_kind.keys():
                for other in by_kind[kind]:
                    if other is not known and (finding := laws.on_this_kind(other, access)) is not None:
                        found.append(finding._replace(other=known))
        finally:
            access.drop(known)


def _in_visit(known: Known, others: Iterable[Known], found: list[Finding], both_ways: bool) -> None:
    for other in others:
        if other.root == known.root:
            continue
        if other.last_day < known.first_day or known.last_day < other.first_day:
            found.append(Finding("visit-on-two-days", known, other, group=known.fact.visit))
        if known.kind in laws.DONE_AT_A_VISIT and other.kind == "visit" and other.fact.outcome in laws.CANCELLED:
            found.append(Finding("done-though-cancelled", known, other))
        elif (
            both_ways
            and known.kind == "visit"
            and known.fact.outcome in laws.CANCELLED
            and other.kind in laws.DONE_AT_A_VISIT
        ):
            found.append(Finding("done-though-cancelled", other, known))


def _lesions(known: Known, index: PatientIndex, found: list[Finding], both_ways: bool) -> None:
    for lesion, mine in told_of(known):
        if laws.is_worse(mine, mine):
            found.append(Finding("residual-worse", known, group=f"{known.root}|{lesion}"))
        for its in index.lesions.get(lesion, ()):
            other = its.by
            if other.root == known.root:
                continue
            if (elsewhere := laws.lesion_elsewhere(mine, its, lesion)) is not None:
                found.append(elsewhere)
            if not laws.same_visit(known, other):
                continue
            if other.kind == "angiogram" and laws.is_worse(mine, its):
                found.append(Finding("residual-worse", known, other, group=f"{known.root}|{lesion}"))
            elif both_ways and known.kind == "angiogram" and laws.is_worse(its, mine):
                found.append(Finding("residual-worse", other, known, group=f"{other.root}|{lesion}"))


def _after_death(known: Known, index: PatientIndex, found: list[Finding]) -> None:
    if known.kind in laws.AFTER_DEATH:
        return
    for death in index.deaths:
        if known.first_day > death.last_day:
            found.append(Finding("after-death", known, death))


# --- Two tunnelled catheters at once ------------------------------------------------------------------------------

_OPENS_TUNNELLED = ("catheter-placed", "access-known", "catheter-exchanged")
_FOREVER = 10**9


def _in_body(access: AccessIndex, also: Known | None = None) -> tuple[int, int, Known] | None:
    """From which day at the latest, until which at the earliest, a tunnelled catheter was there; and who says so."""
    starts = access.of(*_OPENS_TUNNELLED)
    if also is not None:
        starts.append(also)
    starts = [known for known in starts if kind_stated(known.fact)[0] is AccessKind.TUNNELLED]
    if not starts:
        return None
    start = min(starts, key=lambda known: (known.last_day, known.root))
    ends = [known.first_day for known in access.of("catheter-removed")]
    ends += [known.first_day for known in access.of("abandonment") if known.fact.how is not AbandonmentHow.GIVEN_UP]
    return start.last_day, min(ends, default=_FOREVER), start


def _two_tunnelled_with(known: Known, index: PatientIndex) -> Iterator[Finding]:
    stated, _ = kind_stated(known.fact)
    if stated is not AccessKind.TUNNELLED:
        return
    assert known.access is not None
    access = index.accesses.get(known.access) or AccessIndex(known.access)
    mine = _in_body(access, known)
    if mine is None:
        return
    for other in index.accesses.values():
        if other.id != known.access and AccessKind.TUNNELLED in other.kinds:
            its = _in_body(other)
            if its is not None and max(mine[0], its[0]) < min(mine[1], its[1]):
                yield _at_once(known, its[2])


def _two_tunnelled_anywhere(index: PatientIndex) -> Iterator[Finding]:
    spans = [
        span
        for access in index.accesses.values()
        if AccessKind.TUNNELLED in access.kinds and (span := _in_body(access)) is not None
    ]
    for place, mine in enumerate(spans):
        for its in spans[:place]:
            if max(mine[0], its[0]) < min(mine[1], its[1]):
                later, earlier = (mine, its) if mine[0] >= its[0] else (its, mine)
                yield _at_once(later[2], earlier[2])


def _at_once(one: Known, other: Known) -> Finding:
    return Finding("two-tunnelled", one, other, group="|".join(sorted((str(one.access), str(other.access)))))


# --- From findings to words ---------------------------------------------------------------------------------------


def _doubts(found: Iterable[Finding]) -> Iterator[Doubt]:
    """One doubt for all findings of one code about one thing, in the order in which they were found."""
    together: dict[tuple[str, str | None, str | None], list[Finding]] = {}
    for finding in found:
        if finding.group is not None:
            about: str | None = finding.group
        else:
            about = finding.other.root if finding.other is not None else finding.field
            if finding.other is None and finding.one.access is None:
                about = finding.one.root
        key = (finding.code, None if finding.group is not None else finding.one.access, about)
        together.setdefault(key, []).append(finding)
    for (code, _, _), all_of_them in sorted(together.items(), key=lambda group: _clinically(group[1][0])):
        concerned = {known for finding in all_of_them for known in (finding.one, finding.other) if known is not None}
        first = all_of_them[0]
        yield Doubt(
            code=code,
            words=_words(LAWS[code].words, first),
            about=tuple([known.entry for known in sorted(concerned, key=_when)]),
            access=first.one.access,
        )


def _when(known: Known) -> tuple[int, int, str]:
    return known.first, known.last, known.root


def _clinically(finding: Finding) -> tuple[object, ...]:
    return *_when(finding.one), finding.code, finding.field or "", *(_when(finding.other) if finding.other else ())


def _refusal_of(finding: Finding) -> Refusal:
    law = LAWS[finding.code]
    assert law.remedy is not None
    return Refusal(code=law.code, problem=_words(law.words, finding), remedy=_words(law.remedy, finding))


def _words(template: str, finding: Finding) -> str:
    return template.format(
        one=finding.one.entry,
        other=finding.other.entry if finding.other is not None else "the entry that says so",
        access=finding.one.access or "the access",
        days=finding.days,
        field=_field_words(finding.field),
    )


_UNITS = {"ml_min": "mL/min", "mmhg": "mmHg", "percent": "%", "mm": "mm", "cm": "cm", "fr": "Fr", "atm": "atm"}


def _field_words(field: str | None) -> str:
    """The name of a field as one says it, with its unit: `venous pressure (mmHg)`."""
    name = field or ""
    if " above " in name:
        return " above ".join(map(_field_words, name.split(" above ")))
    for ending, unit in _UNITS.items():
        if name.endswith(f"_{ending}"):
            return f"{name.removesuffix(f'_{ending}').replace('_', ' ')} ({unit})"
    return name.replace("_", " ")


def _refused(code: str, **ids: str) -> Verdict:
    problem, remedy = REFUSED[code]
    return Verdict(refusal=Refusal(code=code, problem=problem.format(**ids), remedy=remedy.format(**ids)))


# --- What was put aside -------------------------------------------------------------------------------------------


def _is_in_force_on(known: Known, today: date, index: PatientIndex) -> bool:
    if known.kind != "set-aside" or known.fact.line is not ReminderLine.CONFLICT:
        return False
    return today.toordinal() < reading_of(known.fact.until, index.zone).first_day


def _covers(aside: Known, finding: Finding, index: PatientIndex) -> bool:
    """Whether a doubt was put aside. What was recorded after that may make it another doubt, so it is not covered."""
    about = [finding.one] if finding.other is None else [finding.one, finding.other]
    if any((known.recorded_at or "") > (aside.recorded_at or "") for known in about):
        return False
    entry, access = aside.fact.about, aside.fact.access
    if entry is not None:
        return any(entry in (known.entry, known.root) for known in about)
    if access is not None:
        access = index.links.stands_for(access)
        return any(known.access == access for known in about)
    return True


# --- Helpers ------------------------------------------------------------------------------------------------------


def index_of(history: History) -> PatientIndex:
    """The facts in force of a history, ready to be judged against."""
    about = not history.facts_alone
    holding = [*in_force(history.entries), *(e for _, o in history.merged for e in in_force(o))] if about else []
    index = PatientIndex(history.zone, links_of(holding) if about else _NO_LINKS)
    zone = history.zone
    for one in history.facts:
        fact, entry = one.fact, one.entry
        known = Known(fact, entry.id, one.root, one.access, reading_of(fact.happened, zone), entry.recorded_at)
        if known.kind == "access-known" and known.fact.created is not None:
            known.created = reading_of(known.fact.created, zone)
        known.report = entry.evidence.report
        index.put(known)
    if not about:
        return index
    own = {history.patient, *(patient for patient, _ in history.merged)}
    for entry in holding:
        match entry.event:
            case AccessSplit(part=part):
                index.open(index.links.stands_for(part))
            case ReportMoved(report=report, to_patient=patient) if patient not in own:
                index.moved_away.add(report)
            case _:
                pass
    _find_gone(history, index)
    return index


_NO_LINKS: Final = Links({}, {}, {})


def _find_gone(history: History, index: PatientIndex) -> None:
    """Which entries no longer say anything: neither in force nor corrected by one that is."""
    for entries in (history.entries, *(others for _, others in history.merged)):
        for entry in entries:
            event = entry.event
            root = event.root if isinstance(event, Correction) else entry.id
            if (event.kind in FACT_KINDS or isinstance(event, Correction)) and root not in index.roots:
                index.gone.add(entry.id)


def _known(fact: Any, entry: str, root: str, access: str | None, recorded_at: str | None, index: PatientIndex) -> Known:
    known = Known(fact, entry, root, access, reading_of(fact.happened, index.zone), recorded_at)
    if known.kind == "access-known" and fact.created is not None:
        known.created = reading_of(fact.created, index.zone)
    return known


class Asked(NamedTuple):
    """What there is to ask about a kind: its laws, its numbers, and which of the other questions concern it."""

    plan: laws.Plan
    numbers: Callable[[Any, Any], None] | None
    opens: bool
    states_kind: bool
    has_visit: bool
    has_lesions: bool
    is_more: bool


class _AskedOfEach(dict[str, Asked]):
    """What there is to ask about each kind, made when it is first asked for."""

    def __missing__(self, kind: str) -> Asked:
        asked = self[kind] = Asked(
            plan=laws.plan_of(kind),
            numbers=numbers_of(cast("Any", KINDS[kind])),
            opens=kind in OPENERS,
            states_kind=kind in OPENERS or kind == "catheter-exchanged",
            has_visit=kind in _WITH_VISIT,
            has_lesions=kind in _WITH_LESIONS,
            is_more=kind in _NAMES_OTHERS or kind in _OPENS_TUNNELLED or kind == "follow-up-ended",
        )
        return asked


_ASKED: Final = _AskedOfEach()


_WITH_VISIT = frozenset(kind for kind, cls in KINDS.items() if "visit" in cls.__dataclass_fields__)
_WITH_LESIONS = frozenset({"angiogram", "imaging", "angioplasty", "stent"})
_NAMES_OTHERS = frozenset({"first-seen-here", "creation", "infection", "referral", "appointment", "visit", "set-aside"})


def _other_accesses(fact: Any) -> Iterable[str]:
    """The accesses that a fact names beside its own."""
    match fact.kind:
        case "first-seen-here":
            return cast("tuple[str, ...]", fact.accesses_found)
        case "creation":
            return () if fact.continues_from is None else (fact.continues_from,)
        case _:
            return ()


def _other_entries(fact: Any) -> Iterable[str]:
    """The entries that a fact names."""
    match fact.kind:
        case "infection":
            return cast("tuple[str, ...]", fact.cultures)
        case "referral":
            return cast("tuple[str, ...]", fact.findings)
        case "appointment" | "visit":
            return () if fact.referral is None else (fact.referral,)
        case "set-aside":
            return () if fact.about is None else (fact.about,)
        case _:
            return ()
