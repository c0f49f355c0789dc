"""A new access on its way from creation to proven use, and the catheter that waits for it.

For each fistula or graft: what was done and judged, in order and with whose word; the checks that are due by named
limits; the published rules of maturity side by side, of which none is preferred; whether help was needed; and where it
stands still. Beside it each dialysis catheter in the body: how long this one has been in, how long the access, how
many days with a catheter there were in all, and who was to take it out and when.

A rule that what is recorded does not meet is not a verdict: not recorded is not the same as not done. Nothing here says
what to do.

To add a step, tell it in `_steps`; to add a check, name its limit in `_CHECKS` and in `rounds/rules.toml`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import Appointment, Creation, Instruction
from ledger.projections.folding import Folded, Folds, Readiness, fold_of
from ledger.projections.person import PersonView, person_of
from ledger.projections.sentences import nobody, sentence_of
from ledger.projections.state import AccessView, plain, views_of
from ledger.projections.wording import NamesOf, WordsOf, counted, date_words, day_words, listed, on_day
from ledger.rounds.loop import Way, open_for, standing_words, ways_of
from ledger.rounds.maturing import MaturityBy, maturity_by
from ledger.rounds.rules import Rule, Rules, due_on, load_rules
from ledger.vocabulary import AppointmentState, DecisionWhat, InstructionWhat, MaturityVerdict, Stage, words_of


@dataclass(frozen=True, kw_only=True)
class Step:
    """Something on the way: `what` is planned, made, check, judged, help, second-stage, word, needled or proven."""

    what: str
    day: PartialDate
    words: str
    by: str
    root: str


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check by a named limit: due from a day, in some limits until another, and the look that answered it.

    `state`: `done`, `due`, `over` (its last day is past), `to-come`, or `not-known` where the day of creation is not.
    """

    rule: str
    says: str
    source: str
    since: str
    due_from: date | None
    due_until: date | None
    done: PartialDate | None
    state: str
    roots: tuple[str, ...]

    def words(self) -> str:
        """The check in one line."""
        if self.done is not None:
            said = f"done {on_day(self.done)}"
        elif self.due_from is None:
            said = "not known when it is due, the day of creation is not recorded to the day"
        else:
            span = f" to {date_words(self.due_until)}" if self.due_until is not None else ""
            verb = {"to-come": "due", "due": "due since", "over": "was due"}[self.state]
            said = f"{verb} {date_words(self.due_from)}{span}, none recorded"
        return f"{self.says}, counted from {self.since}: {said} ({self.rule})"


@dataclass(frozen=True, kw_only=True)
class CatheterWaiting:
    """A dialysis catheter in the body while an access is on its way, or beside one that is there.

    Days are None where a day is not known. `days_in_all` counts each day on which any dialysis catheter was in the
    body once; `at_least` says that a stay is left out of it because its day is not known.
    """

    access: str
    name: str
    days_of_device: int | None
    days_in_body: int | None
    days_in_all: int
    at_least: bool
    placed: PartialDate | None
    removal: str
    removal_on: PartialDate | None
    beside_proven: str | None
    roots: tuple[str, ...]

    def words(self) -> str:
        """The catheter in one line."""
        days = []
        if self.days_of_device is not None and self.days_of_device != self.days_in_body:
            days.append(f"this one {counted(self.days_of_device, 'day')}")
        if self.days_in_body is not None:
            days.append(f"in the body {counted(self.days_in_body, 'day')}")
        elif self.placed is not None:
            days.append(f"in the body since {day_words(self.placed)}")
        else:
            days.append("days in the body not known")
        days.append(f"{'at least ' if self.at_least else ''}{counted(self.days_in_all, 'day')} with a catheter in all")
        return f"{self.name}: {', '.join(days)}; {self.removal}"


@dataclass(frozen=True, kw_only=True)
class OnItsWay:
    """One fistula, graft or hybrid on its way to proven use, on one day."""

    access: str
    name: str
    made: PartialDate | None
    second_stage: PartialDate | None
    days_since_made: int | None
    days_since_second_stage: int | None
    readiness: str
    readiness_state: str
    steps: tuple[Step, ...]
    checks: tuple[Check, ...]
    rules: tuple[MaturityBy, ...]
    aided: tuple[str, ...]
    stage: str
    first_needle: str
    stalled: str
    sent: str

    @property
    def is_proven(self) -> bool:
        return self.readiness_state == Readiness.PROVEN

    def to_json(self) -> dict[str, Any]:
        """The access as plain JSON values."""
        return {
            "access": self.access,
            "name": self.name,
            "made": self.made,
            "second_stage": self.second_stage,
            "days_since_made": self.days_since_made,
            "days_since_second_stage": self.days_since_second_stage,
            "readiness": {"state": self.readiness_state, "words": self.readiness},
            "steps": [plain(step) for step in self.steps],
            "checks": [plain(check) | {"words": check.words()} for check in self.checks],
            "rules": [rule.to_json() | {"words": rule.words()} for rule in self.rules],
            "aided": list(self.aided),
            "stage": self.stage,
            "first_needle": self.first_needle,
            "stalled": self.stalled,
            "sent": self.sent,
        }


@dataclass(frozen=True, kw_only=True)
class Maturation:
    """All accesses of a patient that are on their way, newest last, and the catheters in the body."""

    patient: str
    day: date
    accesses: tuple[OnItsWay, ...]
    catheters: tuple[CatheterWaiting, ...]

    def to_json(self) -> dict[str, Any]:
        """The whole as plain JSON values."""
        return {
            "patient": self.patient,
            "day": self.day.isoformat(),
            "accesses": [one.to_json() for one in self.accesses],
            "catheters": [plain(one) | {"words": one.words()} for one in self.catheters],
        }


def maturation_of(
    history: History,
    today: date,
    rules: Rules | None = None,
    words: WordsOf | None = None,
    names: NamesOf = nobody,
    *,
    access: str | None = None,
    proven: bool = False,
) -> Maturation:
    """What is on its way in a patient on a day of the unit's zone.

    Without `access` all fistulas and grafts that are kept and not proven yet, with `proven` also those that are.
    """
    if any(one.happened.earliest_in(history.zone).date() > today for one in history.facts):
        history = history.seen(as_of=today)
    says = words or _no_words
    folds = fold_of(history)
    made = _Maker(
        history=history,
        today=today,
        rules=rules or load_rules(),
        words=says,
        names=names,
        folds=folds,
        views=views_of(folds, history, today, says, names),
        person=person_of(history, today, says, names, folds),
        ways=ways_of(history, folds, today, says, names, tell=False),
    )
    wanted = [
        view
        for view in made.views
        if not view.is_catheter
        and (view.access == access if access is not None else view.is_open and (proven or not view.is_proven))
    ]
    return Maturation(
        patient=history.patient,
        day=today,
        accesses=tuple(made.on_its_way(view) for view in wanted),
        catheters=tuple(made.waiting(view) for view in made.views if view.is_catheter and view.in_body),
    )


def _no_words(_: Any) -> str | None:
    return None


_CHECKS = (
    ("first-check-2019", frozenset({"examination", "imaging", "angiogram", "maturity-assessed"})),
    ("maturity-check", frozenset({"maturity-assessed"})),
)
"""The limits of checks, and the kinds that answer each."""


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
    ways: tuple[Way, ...]

    def on_its_way(self, view: AccessView) -> OnItsWay:
        a = view.folded
        made = None if a.made is None else a.made.happened
        second = None if a.second_stage is None else a.second_stage.happened
        sent = open_for(self.ways, view.access)
        return OnItsWay(
            access=view.access,
            name=view.name,
            made=made,
            second_stage=second,
            days_since_made=self._days_since(made),
            days_since_second_stage=self._days_since(second),
            readiness=view.readiness.words,
            readiness_state=view.readiness.state,
            steps=tuple(self._steps(view)),
            checks=tuple(self._checks(a)),
            rules=maturity_by(self.history, view.access, self.rules),
            aided=tuple(f"{_what(one)} {on_day(one.happened)}" for one in a.aided),
            stage=self._stage(view),
            first_needle=self._first_needle(view),
            stalled=self._stalled(view),
            sent=listed(f"referred {on_day(way.asked_on)} ({way.asked}): {standing_words(way)}" for way in sent),
        )

    # --- The steps ---

    def _steps(self, view: AccessView) -> Iterable[Step]:
        a = view.folded
        told: list[tuple[str, InForce]] = []
        if a.planned is not None:
            told.append(("planned", a.planned))
        told += [("made", one) for one in (a.made, a.met) if one is not None]
        if a.second_stage is not None:
            told.append(("second-stage", a.second_stage))
        told += [("help", one) for one in a.aided if one is not a.second_stage and one is not a.made]
        until = a.needle_uses[0] if a.needle_uses else None
        for one in self.history.facts:
            if one.access != view.access or one.possibly:
                continue
            if one.kind == "maturity-assessed":
                told.append(("judged", one))
            elif one.kind in ("examination", "imaging") and (until is None or self._before(one, until)):
                told.append(("check", one))
            elif isinstance(one.fact, Instruction) and one.fact.what is InstructionWhat.USABLE:
                told.append(("word", one))
        first = a.first_needle or until
        if first is not None:
            told.append(("needled", first))
        steps = {one.root: self._step(what, one) for what, one in told}
        if view.is_proven and view.readiness.roots:
            root = view.readiness.roots[0]
            proof = next((one for one in self.history.facts if one.root == root), None)
            if proof is not None:
                words = f"Proven by use (rule: {view.readiness.how})."
                steps[f"{root} proven"] = Step(what="proven", day=proof.happened, words=words, by="", root=root)
        return sorted(steps.values(), key=lambda step: (step.day.earliest, step.day.latest, _ORDER[step.what]))

    def _before(self, one: InForce, other: InForce) -> bool:
        return one.happened.earliest_in(self.history.zone) <= other.happened.earliest_in(self.history.zone)

    def _step(self, what: str, one: InForce) -> Step:
        return Step(
            what=what,
            day=one.happened,
            words=sentence_of(one, self.words, self.names),
            by=self._by(one),
            root=one.root,
        )

    def _by(self, one: InForce) -> str:
        person = one.entry.recorded_by.person
        name = (self.names(person) or person) if person else "a person not named"
        return f"report, confirmed by {name}" if one.entry.evidence.report is not None else f"recorded by {name}"

    # --- The checks ---

    def _checks(self, a: Folded) -> Iterable[Check]:
        """The first look is counted from each stage, maturity from the last."""
        stages = [(one, words) for one, words in ((a.made, "creation"), (a.second_stage, "the second stage")) if one]
        for name, kinds in _CHECKS:
            rule = self.rules.limit(name)
            if rule is None:
                continue
            if not stages:
                yield self._check(rule, "creation", None, self._looks(a, kinds, None, None))
            counted_from = stages if name == "first-check-2019" else stages[-1:]
            for nth, (stage, words) in enumerate(counted_from):
                since = self._day(stage.happened)
                before = self._day(counted_from[nth + 1][0].happened) if nth + 1 < len(counted_from) else None
                yield self._check(rule, words, since, self._looks(a, kinds, since, before))

    def _looks(self, a: Folded, kinds: frozenset[str], since: date | None, before: date | None) -> InForce | None:
        """The first look of these kinds after a day, and up to another."""
        for one in self.history.facts:
            if one.access != a.access or one.possibly or one.kind not in kinds:
                continue
            day = one.happened.latest_in(self.history.zone).date()
            if (since is None or day > since) and (before is None or day <= before):
                return one
        return None

    def _check(self, rule: Rule, counted_from: str, since: date | None, done: InForce | None) -> Check:
        begins = None if since is None else due_on(since, rule)
        ends = (
            date.fromordinal(since.toordinal() + rule.until_days)
            if since is not None and rule.until_days is not None
            else None
        )
        if done is not None:
            state = "done"
        elif begins is None:
            state = "not-known"
        elif self.today < begins:
            state = "to-come"
        else:
            state = "over" if ends is not None and self.today > ends else "due"
        return Check(
            rule=rule.name,
            says=rule.says,
            source=rule.source,
            since=counted_from,
            due_from=begins,
            due_until=ends,
            done=None if done is None else done.happened,
            state=state,
            roots=() if done is None else (done.root,),
        )

    # --- Stage, first needle, standing still ---

    def _stage(self, view: AccessView) -> str:
        a = view.folded
        if a.second_stage is not None:
            return f"second stage done {on_day(a.second_stage.happened)}"
        first = isinstance(a.made.fact, Creation) and a.made.fact.stage is Stage.FIRST if a.made is not None else False
        if not first:
            return "one stage, or not said to be the first of two"
        made = a.made
        assert made is not None
        if a.planned is not None and self._day(a.planned.happened) > self._day(made.happened):
            on = getattr(a.planned.fact, "planned_for", None)
            return "second stage planned" + (f" for {day_words(on)}" if on is not None else ", day not recorded")
        return "first of two stages; the second is neither done nor planned as far as recorded"

    def _first_needle(self, view: AccessView) -> str:
        """The first needle, and by whose word: the report's instruction or the judgement that came before it."""
        a = view.folded
        first = a.first_needle or (a.needle_uses[0] if a.needle_uses else None)
        before = [
            one
            for one in self.history.facts
            if one.access == view.access
            and not one.possibly
            and (
                (isinstance(one.fact, Instruction) and one.fact.what is InstructionWhat.USABLE)
                or getattr(one.fact, "verdict", None) is MaturityVerdict.READY
            )
            and (first is None or self._before(one, first))
        ]
        word = "by whose word is not recorded"
        if before:
            one = before[-1]
            what = "an instruction" if one.kind == "instruction" else "the judgement"
            word = f"by the word of {what} of {day_words(one.happened)} ({self._by(one)})"
        if first is None:
            return (
                f"not needled yet; may be, {word}" if before else "not needled yet, and nobody's word for it recorded"
            )
        return f"first needled {on_day(first.happened)}, {word}"

    def _stalled(self, view: AccessView) -> str:
        a = view.folded
        rule = self.rules.limit("stalled")
        start = a.second_stage or a.made
        if rule is None or start is None or a.needle_uses or view.is_proven:
            return ""
        if self.today < due_on(self._day(start.happened), rule):
            return ""
        days = (self.today - self._day(start.happened)).days
        stage = "the second stage" if a.second_stage is not None else "it was made"
        return f"stands still: {rule.says}, {counted(days, 'day')} since {stage} ({rule.name})"

    # --- The catheter that waits ---

    def waiting(self, view: AccessView) -> CatheterWaiting:
        days, at_least = self._days_in_all()
        removal, on, roots = self._removal(view)
        return CatheterWaiting(
            access=view.access,
            name=view.name,
            days_of_device=view.days_of_device,
            days_in_body=view.days_in_body,
            days_in_all=days,
            at_least=at_least,
            placed=view.opened,
            removal=removal,
            removal_on=on,
            beside_proven=view.beside_proven,
            roots=roots,
        )

    def _days_in_all(self) -> tuple[int, bool]:
        """Days on which any dialysis catheter was in the body, each once; the day of removal is not counted."""
        days: set[int] = set()
        at_least = False
        for view in self.views:
            if not view.is_catheter or view.body.state == "planned":
                continue
            opened, ended = view.opened, view.body.day if view.folded.body.state.is_out else None
            exact = opened is not None and len(opened) >= _EXACT and (ended is None or len(ended) >= _EXACT)
            if opened is None or not exact or (view.folded.body.state.is_out and ended is None):
                at_least = True
                continue
            last = self.today if ended is None else self._day(ended)
            days.update(range(self._day(opened).toordinal(), last.toordinal()))
        return len(days), at_least

    def _removal(self, view: AccessView) -> tuple[str, PartialDate | None, tuple[str, ...]]:
        """Who was to take it out, and when, as far as anybody said."""
        booked = [
            one
            for one in self.folds.person.of("appointment")
            if isinstance(one.fact, Appointment) and one.access == view.access and one.fact.on is not None
        ]
        if booked:
            fact = booked[-1].fact
            assert isinstance(fact, Appointment)
            if fact.state in (AppointmentState.BOOKED, AppointmentState.MOVED) and fact.on is not None:
                where = f" at {self.names(fact.centre) or fact.centre}" if fact.centre else ""
                over = self._day(fact.on) < self.today
                said = f"removal was booked{where} for {day_words(fact.on)}, and it is in" if over else ""
                return said or f"booked{where} for {day_words(fact.on)}", fact.on, (booked[-1].root,)
        decided = [
            one
            for one in self.person.decisions
            if one.what == DecisionWhat.REMOVE_CATHETER and one.access in (None, view.access)
        ]
        if decided:
            one = decided[-1]
            fact_of = next(fact for fact in self.folds.person.of("decision") if fact.root == one.root)
            when = f", by {day_words(one.review_on)}" if one.review_on is not None else ", no day set"
            late = " (that day is over)" if one.review_due else ""
            said = f"to be taken out, decided {on_day(one.day)}{when}{late}, {self._by(fact_of)}"
            return said, one.review_on, (one.root,)
        asked = [way for way in open_for(self.ways, view.access) if way.access == view.access]
        if asked:
            return f"referred {on_day(asked[-1].asked_on)} ({asked[-1].asked}), no day set", None, asked[-1].roots[:1]
        return "who is to take it out, and when, is not recorded", None, ()

    # --- Days ---

    def _day(self, when: PartialDate) -> date:
        """The last day that a date can mean: no check is called due earlier than the facts allow."""
        return when.latest_in(self.history.zone).date()

    def _days_since(self, when: PartialDate | None) -> int | None:
        if when is None or len(when) < _EXACT:
            return None
        return (self.today - when.earliest_in(self.history.zone).date()).days


_EXACT = len("2019-03-04")
_ORDER = {
    what: place
    for place, what in enumerate(
        ("planned", "made", "check", "help", "second-stage", "judged", "word", "needled", "proven")
    )
}


def _what(one: InForce) -> str:
    what = getattr(one.fact, "what", None)
    return words_of(what) if what is not None else one.kind.replace("-", " ")
