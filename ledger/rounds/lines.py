"""The fifteen lines of rounds: what must not be forgotten, in the order of the ward.

Each line says what, since when, by which rule, and on which entries it rests; none says what
to do. A `set-aside` puts a line off until its day; a decision ends the lines that it answers
until its review. Neither silences a line about today's danger when something was recorded
after it.

`lines_of` is a function of a history, a day and rules. A history is read as of that day, so
that rounds of a day in the past show what was due then.

To change when a line comes up, change its function; they stand in the order of the lines. To
add a line, name it in `ReminderLine`, write its function and add it to `_LINES`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any, NamedTuple

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.events import (
    AntimicrobialCourse,
    Appointment,
    CatheterTrouble,
    Culture,
    FirstSeenHere,
    HospitalStay,
    SetAside,
)
from ledger.people import Patient
from ledger.projections.brief import WaitingReport, access_to_use
from ledger.projections.folding import FlowIs, Folds, Readiness, Standing, UseIs, fold_of
from ledger.projections.person import PersonView, person_of
from ledger.projections.sentences import nobody
from ledger.projections.state import AccessView, FindingView, views_of
from ledger.projections.wording import NamesOf, WordsOf, counted, day_words, listed, on_day, said
from ledger.rounds.loop import ArrivedOn, Way, open_for, standing_words, ways_of
from ledger.rounds.rules import Rule, Rules, due_on, is_due, load_rules, months_on
from ledger.rounds.trends import RuleMet, measures_of, rules_met, series_of
from ledger.vocabulary import (
    AppointmentState,
    CatheterTroubleKind,
    CourseReason,
    DecisionWhat,
    Finding,
    InstructionWhat,
    Modality,
    ReminderLine,
    Urgency,
    words_of,
)

HEADINGS = {
    ReminderLine.NO_FLOW: "No flow, a weak or painful hand, an ulcer or a bleed, and no act recorded",
    ReminderLine.UNANSWERED_CULTURE: "Positive culture or fever with a catheter, nothing recorded after it",
    ReminderLine.CONFLICT: "Side, kind or access in conflict, access in use",
    ReminderLine.REPORT_MISSING: "Treated, report not in or not confirmed",
    ReminderLine.INSTRUCTION_DUE: "Instruction or sutures past due, or ending today",
    ReminderLine.NOT_LOOKED_AT: "Back from hospital, from elsewhere, or not attended: access not looked at",
    ReminderLine.REFERRAL_OPEN: "Referred, and no answer",
    ReminderLine.RULE_MET: "Findings that meet a rule, no referral or decision",
    ReminderLine.LESION_AGAIN: "The same lesion again, intervals shrinking",
    ReminderLine.RESTING_DUE: "Infiltrated and resting: due to be tried",
    ReminderLine.NEW_ACCESS_DUE: "New access: check due, or stalled",
    ReminderLine.CATHETER_BESIDE_PROVEN: "Catheter still in beside a proven access, no removal date",
    ReminderLine.CATHETER_LONG: "Catheter past the limit, no plan and no decision",
    ReminderLine.COURSE_OPEN: "Antimicrobial course without end or clearance culture; lytic again",
    ReminderLine.REVIEW_DUE: "Look, life plan, decision or background older than its limit",
}
"""The lines in the order in which rounds bring them up."""

ORDER = {line: place for place, line in enumerate(HEADINGS)}

ANSWERS: dict[DecisionWhat, frozenset[ReminderLine]] = {
    DecisionWhat.DECLINES_FISTULA: frozenset({ReminderLine.CATHETER_LONG}),
    DecisionWhat.CHOOSES_CATHETER: frozenset({ReminderLine.CATHETER_LONG, ReminderLine.CATHETER_BESIDE_PROVEN}),
    DecisionWhat.NO_OPTION_LEFT: frozenset({ReminderLine.CATHETER_LONG}),
    DecisionWhat.LIMITED_PROGNOSIS: frozenset(
        {
            ReminderLine.CATHETER_LONG,
            ReminderLine.CATHETER_BESIDE_PROVEN,
            ReminderLine.RULE_MET,
            ReminderLine.LESION_AGAIN,
            ReminderLine.NEW_ACCESS_DUE,
            ReminderLine.REVIEW_DUE,
        }
    ),
    DecisionWhat.KEPT_IN_RESERVE: frozenset({ReminderLine.NEW_ACCESS_DUE, ReminderLine.RESTING_DUE}),
    DecisionWhat.CHOOSES_PERITONEAL: frozenset({ReminderLine.CATHETER_LONG, ReminderLine.NEW_ACCESS_DUE}),
    DecisionWhat.NO_FURTHER_INTERVENTION: frozenset(
        {ReminderLine.RULE_MET, ReminderLine.LESION_AGAIN, ReminderLine.NEW_ACCESS_DUE}
    ),
    DecisionWhat.REMOVE_CATHETER: frozenset({ReminderLine.CATHETER_LONG, ReminderLine.CATHETER_BESIDE_PROVEN}),
    DecisionWhat.OTHER: frozenset(),
}
"""Which lines a decision ends until its review. None of them is a line about today's danger, a report or a promise."""

URGENT = frozenset({ReminderLine.NO_FLOW, ReminderLine.UNANSWERED_CULTURE, ReminderLine.CONFLICT})
"""Lines that a set-aside puts off only as far as what they rest on was recorded before it."""

_URGENT_KEYS = frozenset(
    {"no-thrill", "no-bruit", "hand-weak", "hand-numb", "hand-painful", "skin-ulcer"}
    | {"complication-bleeding", "complication-neuropathy", "trouble-bleeding", "trouble-cracked"}
)
_CONFLICTS = frozenset({"side", "kind", "body", "standing"})
_DOUBTS = frozenset(
    {"site-disagrees", "vein-disagrees", "lesion-on-two-accesses", "lesion-on-two-sides", "lesion-on-other-side"}
    | {"after-death", "side-disagrees", "kind-disagrees"}
)
"""Codes of admission's doubts that may mean the wrong arm, the wrong access or the wrong patient."""

CULTURE_BEFORE = timedelta(days=21)
"""An infection whose onset lies up to so many days before a culture answers it: one event, as surveillance has it."""


@dataclass(frozen=True, kw_only=True)
class Line:
    """One thing that must not be forgotten.

    `since` is the day from which it counts, `days` how many days that is ago where it is known to the day, `rule` the
    rule with its year where there is one, `roots` the entries it rests on. `decided` is set only in the list of
    catheters that stay by a decision, and `put_off` in that of lines which a person set aside; neither is a reminder.
    """

    line: ReminderLine
    patient: str
    access: str | None
    access_name: str
    words: str
    since: PartialDate | None = None
    days: int | None = None
    rule: str | None = None
    source: str | None = None
    roots: tuple[str, ...] = ()
    decided: str | None = None
    put_off: str | None = None

    def to_json(self) -> dict[str, Any]:
        """The line as plain JSON values."""
        return {
            "line": self.line.value,
            "place": ORDER[self.line] + 1,
            "heading": HEADINGS[self.line],
            "patient": self.patient,
            "access": self.access,
            "access_name": self.access_name,
            "words": self.words,
            "since": self.since,
            "days": self.days,
            "rule": self.rule,
            "source": self.source,
            "roots": list(self.roots),
            "decided": self.decided,
            "put_off": self.put_off,
        }


class Rounds(NamedTuple):
    """What rounds say of one patient: the lines, the catheters that stay by a decision, and what was set aside."""

    lines: tuple[Line, ...]
    decided: tuple[Line, ...] = ()
    put_off: tuple[Line, ...] = ()


def lines_of(
    history: History,
    patient: Patient,
    today: date,
    rules: Rules | None = None,
    waiting_reports: Sequence[WaitingReport] = (),
    *,
    words: WordsOf | None = None,
    names: NamesOf = nobody,
    doubts: Sequence[Doubt] = (),
    arrived: ArrivedOn | None = None,
) -> tuple[Line, ...]:
    """What rounds bring up for a patient on a day of the unit's zone, in the order of the lines.

    Give it the history with its sessions. `doubts` are those of admission; `waiting_reports` the reports of this
    patient that nobody has confirmed. Nobody who is no longer followed has a line.
    """
    return _Maker.of(history, patient, today, rules, waiting_reports, words, names, doubts, arrived).made().lines


def rounds_of(
    history: History,
    patient: Patient,
    today: date,
    rules: Rules | None = None,
    waiting_reports: Sequence[WaitingReport] = (),
    *,
    words: WordsOf | None = None,
    names: NamesOf = nobody,
    doubts: Sequence[Doubt] = (),
    arrived: ArrivedOn | None = None,
) -> Rounds:
    """`lines_of` with what is listed apart; the history is folded one time for all of it."""
    return _Maker.of(history, patient, today, rules, waiting_reports, words, names, doubts, arrived).made()


def decided_of(
    history: History, patient: Patient, today: date, rules: Rules | None = None, *, names: NamesOf = nobody
) -> tuple[Line, ...]:
    """Catheters past the limit that stay by a decision: listed apart, with their days in the body. No reminder."""
    return _Maker.of(history, patient, today, rules, (), None, names, (), None).made().decided


def _no_words(_: Any) -> str | None:
    return None


def _reaches_beyond(history: History, today: date) -> bool:
    """Whether anything in a history begins after a day. The last fact in clinical order mostly answers for all."""
    facts = history.facts
    if not facts or facts[-1].happened.latest_in(history.zone).date() <= today:
        return False
    return any(one.happened.earliest_in(history.zone).date() > today for one in facts)


@dataclass
class _Maker:
    history: History
    patient: Patient
    today: date
    rules: Rules
    waiting: Sequence[WaitingReport]
    words: WordsOf
    names: NamesOf
    doubts: Sequence[Doubt]
    folds: Folds
    views: tuple[AccessView, ...]
    person: PersonView
    ways: tuple[Way, ...]

    @classmethod
    def of(
        cls,
        history: History,
        patient: Patient,
        today: date,
        rules: Rules | None,
        waiting: Sequence[WaitingReport],
        words: WordsOf | None,
        names: NamesOf,
        doubts: Sequence[Doubt],
        arrived: ArrivedOn | None,
    ) -> _Maker:
        if _reaches_beyond(history, today):
            history = history.seen(as_of=today)
        says = words or _no_words
        folds = fold_of(history)
        return cls(
            history=history,
            patient=patient,
            today=today,
            rules=rules or load_rules(),
            waiting=waiting,
            words=says,
            names=names,
            doubts=doubts,
            folds=folds,
            views=views_of(folds, history, today, says, names),
            person=person_of(history, today, says, names, folds),
            ways=ways_of(history, folds, today, says, names, arrived, tell=False),
        )

    @property
    def facts(self) -> list[InForce]:
        """What had happened by the day; what only may have is told in the brief and ends no line."""
        return [one for one in self.history.facts if not one.possibly]

    @property
    def kept(self) -> list[AccessView]:
        """The accesses that are in the body and not given up."""
        return [view for view in self.views if view.in_body and view.is_open]

    def made(self) -> Rounds:
        if not self.person.followed:
            return Rounds(())
        found: list[Line] = []
        decided: list[Line] = []
        put_off: list[Line] = []
        for which, make in _LINES.items():
            for line in make(self):
                aside = self._put_off(line)
                decision = None if aside is not None else self._decided(line)
                if aside is not None:
                    put_off.append(replace(line, put_off=self._aside_words(aside)))
                elif decision is None:
                    found.append(line)
                elif which is ReminderLine.CATHETER_LONG:
                    decided.append(replace(line, decided=decision))
        for lines in (found, put_off):
            lines.sort(key=lambda line: (ORDER[line.line], line.since or "", line.access or "", line.words))
        return Rounds(tuple(found), tuple(decided), tuple(put_off))

    # --- What ends a line ---

    def _put_off(self, line: Line) -> InForce | None:
        """The newest entry by which a person set a line aside until today or later."""
        for one in reversed(self.folds.person.of("set-aside")):
            fact = one.fact
            assert isinstance(fact, SetAside)
            if fact.line is not line.line or fact.until.latest_in(self.history.zone).date() < self.today:
                continue
            if fact.access is not None and one.access != line.access:
                continue
            if fact.about is not None and fact.about not in line.roots and self._root_of(fact.about) not in line.roots:
                continue
            if line.line in URGENT and self._newer_than(line, one):
                continue
            return one
        return None

    def _aside_words(self, one: InForce) -> str:
        fact = one.fact
        assert isinstance(fact, SetAside)
        person = one.entry.recorded_by.person
        why = said(self.words, fact.why or fact.note)
        words = f"set aside until {day_words(fact.until)} by {self.names(person) or person}"
        return f"{words}: {why}" if why else f"{words}, reason not recorded"

    def _root_of(self, entry_id: str) -> str | None:
        return next((one.root for one in self.history.facts if one.entry.id == entry_id), None)

    def _newer_than(self, line: Line, one: InForce) -> bool:
        rests = [fact.entry for fact in self.history.facts if fact.root in line.roots]
        return any(entry.recorded_at > one.entry.recorded_at for entry in rests)

    def _decided(self, line: Line) -> str | None:
        """The decision that answers a line, in words; None where none stands."""
        for one in self.person.decisions:
            if one.review_due or line.line not in ANSWERS[DecisionWhat(one.what)]:
                continue
            if one.access is not None and line.access is not None and one.access != line.access:
                continue
            if DecisionWhat(one.what) is DecisionWhat.REMOVE_CATHETER and one.review_on is None:
                continue  # Decided, and no day: that it stays in view is the point.
            if line.line is ReminderLine.REVIEW_DUE and "decision" in line.words and one.root in line.roots:
                continue
            return one.words
        return None

    # --- Help for the lines ---

    def line(
        self,
        which: ReminderLine,
        view: AccessView | None,
        words: str,
        since: PartialDate | None = None,
        *,
        rule: Rule | None = None,
        roots: Iterable[str] = (),
    ) -> Line:
        exact = since is not None and len(since) >= len("2019-03-04")
        return Line(
            line=which,
            patient=self.patient.id,
            access=None if view is None else view.access,
            access_name="" if view is None else view.name,
            words=words,
            since=since,
            days=self.days_since(since) if exact and since is not None else None,
            rule=None if rule is None else rule.name,
            source=None if rule is None else rule.source,
            roots=tuple(dict.fromkeys(roots)),
        )

    def day(self, when: PartialDate) -> date:
        """The last day that a date can mean: nobody is reminded earlier than the facts allow."""
        return when.latest_in(self.history.zone).date()

    def first_day(self, when: PartialDate) -> date:
        return when.earliest_in(self.history.zone).date()

    def days_since(self, when: PartialDate) -> int:
        return (self.today - self.first_day(when)).days

    def acted_on(self, view: AccessView, since: PartialDate, *, but: str = "") -> bool:
        """Whether an act on an access was recorded since then: sent, booked, treated, given up.

        An act of the same day counts, unless the hours say that it came before.
        """
        begins = since.earliest_in(self.history.zone)
        folded = view.folded
        acts = [*folded.interventions, *folded.visits]
        acts += [one for one in self.folds.person.of("referral") if one.access in (None, view.access)]
        acts += [
            one
            for one in self.folds.person.of("appointment")
            if one.access in (None, view.access) and isinstance(one.fact, Appointment) and one.fact.state in _COMING
        ]
        acts += [
            one
            for one in self.folds.person.of("hospital-stay")
            if isinstance(one.fact, HospitalStay) and one.fact.because_of_access
        ]
        return any(one.happened.latest_in(self.history.zone) >= begins and one.root != but for one in acts)

    def is_booked(self, view: AccessView) -> bool:
        """Whether a day at the access centre is to come for this access."""
        newest: dict[str, InForce] = {}
        for one in self.folds.person.of("appointment"):
            if isinstance(one.fact, Appointment) and one.access in (None, view.access):
                newest[one.fact.referral or one.access or ""] = one
        return any(
            isinstance(one.fact, Appointment)
            and one.fact.state in (AppointmentState.BOOKED, AppointmentState.MOVED)
            and one.fact.on is not None
            and self.day(one.fact.on) >= self.today
            for one in newest.values()
        )

    def looked_at(self, view: AccessView) -> list[InForce]:
        """Every time that somebody looked at an access: examined, imaged, or judged."""
        return [one for one in self.facts if one.access == view.access and one.kind in _LOOKS]

    def has_looked_since(self, view: AccessView, day: date) -> bool:
        return any(self.day(one.happened) >= day for one in self.looked_at(view))


_COMING = (
    AppointmentState.BOOKED,
    AppointmentState.MOVED,
    AppointmentState.ATTENDED,
    AppointmentState.SENT_TO_HOSPITAL,
)
_LOOKS = frozenset({"examination", "imaging", "angiogram", "maturity-assessed"})


# --- 1. No flow, a hand, an ulcer, a bleed ------------------------------------------------------------------------


def _no_flow(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        flow = view.flow
        gone = flow is not None and flow.state in (FlowIs.THROMBOSED, FlowIs.NOT_FOUND)
        # What showed that there is no flow is no act; what was done about it on that day is.
        shown = flow.roots[-1] if flow is not None and flow.roots else ""
        if gone and flow is not None and flow.day is not None and not of.acted_on(view, flow.day, but=shown):
            words = f"{flow.words}; no act recorded since"
            yield of.line(ReminderLine.NO_FLOW, view, words, flow.day, roots=flow.roots)
        keys = {finding.key for finding in view.findings}
        urgent = [
            finding
            for finding in view.findings
            if finding.key in _URGENT_KEYS - {"no-thrill", "no-bruit"}
            # One cold hand says little; cold and painful, weak or numb is looked at today.
            or (finding.key == "hand-cold" and keys & {"hand-painful", "hand-weak", "hand-numb"})
        ]
        open_ones = [finding for finding in urgent if not of.acted_on(view, finding.since)]
        if open_ones:
            yield of.line(
                ReminderLine.NO_FLOW,
                view,
                f"{listed(finding.words for finding in open_ones)} since {day_words(open_ones[0].since)}; "
                "no act recorded since",
                open_ones[0].since,
                roots=[finding.root for finding in open_ones],
            )


# --- 2. Culture or fever with a catheter --------------------------------------------------------------------------


def _unanswered_culture(of: _Maker) -> Iterable[Line]:
    catheters = [view for view in of.kept if view.is_catheter]
    if not catheters:
        return
    for one in of.folds.person.of("culture"):
        fact = one.fact
        assert isinstance(fact, Culture)
        if not fact.positive or (fact.access is not None and one.access not in {view.access for view in catheters}):
            continue
        if not _culture_answered(of, one):
            about = next((view for view in catheters if view.access == one.access), None)
            organism = f", {words_of(fact.organism)}" if fact.organism is not None else ""
            words = f"positive culture drawn {on_day(one.happened)}{organism}; "
            words += "no infection, clearance culture or catheter act recorded"
            yield of.line(
                ReminderLine.UNANSWERED_CULTURE,
                about or (catheters[0] if len(catheters) == 1 else None),
                words,
                one.happened,
                roots=[one.root],
            )
    for view in catheters:
        fever = next((finding for finding in view.findings if finding.key == "fever"), None)
        if fever is not None and not _fever_answered(of, view, fever):
            words = f"fever {on_day(fever.since)} with a catheter in; no culture, infection or catheter act recorded"
            yield of.line(ReminderLine.UNANSWERED_CULTURE, view, words, fever.since, roots=[fever.root])


def _culture_answered(of: _Maker, culture: InForce) -> bool:
    drawn = of.first_day(culture.happened)
    for one in of.facts:
        if one.kind == "infection" and of.day(one.happened) >= drawn - CULTURE_BEFORE:
            return True
        clearance = isinstance(one.fact, Culture) and one.fact.clearance and one.root != culture.root
        # Drawn to see whether it has cleared; one that was positive again asks by itself.
        if clearance and of.first_day(one.happened) > drawn:
            return True
        if one.kind in _CATHETER_ACTS and of.day(one.happened) >= drawn:
            return True
    return False


def _fever_answered(of: _Maker, view: AccessView, fever: FindingView) -> bool:
    began = of.first_day(fever.since)
    return any(
        of.day(one.happened) >= began
        for one in of.facts
        if one.kind in ("infection", "culture") or (one.kind in _CATHETER_ACTS and one.access == view.access)
    )


_CATHETER_ACTS = frozenset({"catheter-exchanged", "catheter-removed"})


# --- 3. Conflicts -------------------------------------------------------------------------------------------------


def _conflict(of: _Maker) -> Iterable[Line]:
    main = access_to_use(of.views)
    for view in of.views:
        used = view.use.state in (UseIs.IN_USE, UseIs.PARTLY, UseIs.BOTH)
        if not (used or view is main or view.folded.use.state in (UseIs.IN_USE, UseIs.PARTLY)):
            continue
        told = [found for found in view.conflicts if found.about in _CONFLICTS]
        for found in told:
            yield of.line(
                ReminderLine.CONFLICT,
                view,
                f"{found.about} in conflict: {found.first} {found.second}",
                roots=found.roots,
            )
        about = {found.about for found in told}
        for doubt in of.doubts:
            if doubt.access != view.access or doubt.code not in _DOUBTS:
                continue
            if doubt.code.removesuffix("-disagrees") in about or (doubt.code.startswith("lesion-on") and about):
                continue
            yield of.line(ReminderLine.CONFLICT, view, doubt.words, roots=doubt.about)


# --- 4. Treated, and no report ------------------------------------------------------------------------------------


def _report_missing(of: _Maker) -> Iterable[Line]:
    for report in of.waiting:
        if report.happened is not None and of.first_day(report.happened) > of.today:
            continue
        day = f" of {day_words(report.happened)}" if report.happened is not None else ", day not read,"
        came = f", in since {day_words(report.received)}" if report.received else ""
        since = report.happened or (PartialDate(report.received) if report.received else None)
        yield of.line(ReminderLine.REPORT_MISSING, None, f"the report{day} has not been confirmed{came}", since)
    for one in of.folds.person.of("appointment"):
        fact = one.fact
        assert isinstance(fact, Appointment)
        if fact.state is not AppointmentState.ATTENDED:
            continue
        day = fact.on or one.happened
        later = [
            done
            for folded in of.folds.accesses.values()
            if one.access in (None, folded.access)
            for done in (*(v for v in folded.visits if v.kind == "visit"), *folded.interventions)
        ]
        if any(_may_be_of(of, report, day) for report in of.waiting):
            continue  # It is in and waits to be confirmed, which is the line above.
        if not any(of.day(done.happened) >= of.first_day(day) for done in later):
            view = next((view for view in of.views if view.access == one.access), None)
            words = f"seen at the access centre {on_day(day)}, no report in"
            yield of.line(ReminderLine.REPORT_MISSING, view, words, day, roots=[one.root])


def _may_be_of(of: _Maker, report: WaitingReport, day: PartialDate) -> bool:
    """Whether a report that waits can be that of a day: it says so, or it says no day and came in on it or later."""
    if report.happened is not None:
        return of.first_day(report.happened) <= of.day(day) and of.day(report.happened) >= of.first_day(day)
    return report.received is not None and of.day(PartialDate(report.received)) >= of.first_day(day)


# --- 5. Instructions ----------------------------------------------------------------------------------------------


def _instruction_due(of: _Maker) -> Iterable[Line]:
    asked = of.rules.limit("instruction-past-due")
    for view in of.kept:
        for one in view.instructions:
            due = one.due
            if one.state == "past-due":
                if asked is not None and due is not None and is_due(of.day(due), of.today, asked):
                    continue
                words = f"{one.words}: past due since {day_words(due)} (report of {day_words(one.given)})"
            elif one.state == "in-force" and due is not None and of.day(due) == of.today:
                words = f"{one.words}: due today (report of {day_words(one.given)})"
            elif one.state == "in-force" and one.until is not None and of.day(one.until) == of.today:
                words, due = f"{one.words}: ends today (report of {day_words(one.given)})", one.until
            else:
                continue
            yield of.line(ReminderLine.INSTRUCTION_DUE, view, words, due, roots=[one.root])


# --- 6. Not looked at ---------------------------------------------------------------------------------------------


def _not_looked_at(of: _Maker) -> Iterable[Line]:
    came: list[tuple[PartialDate, str, InForce]] = []
    stay = of.folds.person.last_of("hospital-stay")
    back = of.person.back_from_hospital
    if stay is not None and back is not None:
        came.append((back, f"back from hospital {on_day(back)}", stay))
    seen = of.folds.person.last_of("first-seen-here")
    if seen is not None and isinstance(seen.fact, FirstSeenHere):
        came.append((seen.happened, f"came from elsewhere {on_day(seen.happened)}", seen))
    missed = [
        one
        for one in of.folds.person.of("appointment")
        if isinstance(one.fact, Appointment) and one.fact.state is AppointmentState.NOT_ATTENDED
    ]
    for view in of.kept:
        its = [(day, words, one) for day, words, one in came if _was_there(of, view, day)]
        its += [
            (day, f"appointment {on_day(day)} not attended", one)
            for one in missed
            if one.access in (None, view.access) and isinstance(one.fact, Appointment)
            if (day := one.fact.on or one.happened)
        ]
        its = [(day, words, one) for day, words, one in its if not of.has_looked_since(view, of.first_day(day))]
        if its:
            day, words, one = max(its, key=lambda found: of.first_day(found[0]))
            words += "; access not looked at since"
            yield of.line(ReminderLine.NOT_LOOKED_AT, view, words, day, roots=[one.root])


def _was_there(of: _Maker, view: AccessView, day: PartialDate) -> bool:
    """Whether the access was there by then: one that was made later has nothing to be looked at for."""
    return view.opened is None or of.first_day(view.opened) <= of.day(day)


# --- 7. Referrals -------------------------------------------------------------------------------------------------


def _referral_open(of: _Maker) -> Iterable[Line]:
    for way in of.ways:
        if not way.is_open or way.standing in ("seen-no-report", "booked"):
            continue
        view = next((view for view in of.views if view.access == way.access), None)
        if view is not None and way.access is not None and not view.in_body:
            continue
        if way.standing == "not-booked" and not _had_time(of, way):
            continue
        later = any(
            of.first_day(other.asked_on) > of.day(way.asked_on) for other in of.ways if other.access == way.access
        )
        if later:
            continue  # Asked again since; the newer referral is followed.
        days = of.days_since(way.asked_on)
        words = f"referred {on_day(way.asked_on)} ({way.asked}), {counted(days, 'day')} ago: {standing_words(way)}"
        yield of.line(ReminderLine.REFERRAL_OPEN, view, words, way.asked_on, roots=way.roots)


def _had_time(of: _Maker, way: Way) -> bool:
    """Whether an appointment could have been booked by now, by how urgent it was; the limits are the site's."""
    limit = of.rules.limit(f"booking-{(way.urgency or Urgency.DAYS).value}")
    asked = of.day(way.asked_on)
    return asked < of.today if limit is None else is_due(asked, of.today, limit)


# --- 8. Rules that are met ----------------------------------------------------------------------------------------


def _rule_met(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        if open_for(of.ways, view.access) or of.is_booked(view):
            continue
        asked = measures_of(of.rules, view.access_kind)
        for met in rules_met(series_of(view.folded, of.history.zone, asked), of.rules, of.history.zone):
            if not of.acted_on(view, met.day):
                yield _of_rule(of, view, met)


def _of_rule(of: _Maker, view: AccessView, met: RuleMet) -> Line:
    words = met.words
    if met.asks_first:
        words += f". First: {met.asks_first}"
    if met.differs:
        words += f". Another position: {'; '.join(met.differs)}"
    return of.line(ReminderLine.RULE_MET, view, words, met.since, rule=met.rule, roots=met.roots)


# --- 9. The same lesion -------------------------------------------------------------------------------------------


def _lesion_again(of: _Maker) -> Iterable[Line]:
    often = next((rule for rule in of.rules.in_use("count") if rule.id == "same-lesion-2006"), None)
    for view in of.kept:
        for lesion in view.lesions:
            if not lesion.treatments:
                continue
            last = lesion.treatments[-1]
            if _answered_since(of, view, last.day):
                continue
            roots = [treated.root for treated in lesion.treatments]
            known = [days for days in lesion.intervals if days is not None]
            shrinks = len(known) >= 2 and known[-1] < known[-2] and lesion.intervals[-1] is not None
            # Once this interval has outgrown the last one, they shrink no more.
            if shrinks and of.days_since(last.day) <= known[-1]:
                yield of.line(ReminderLine.LESION_AGAIN, view, lesion.words, last.day, roots=roots)
                continue
            if often is not None and often.threshold is not None and often.months is not None:
                within = [
                    treated
                    for treated in lesion.treatments
                    if len(treated.day) >= 10 and months_on(of.first_day(treated.day), often.months) >= of.today
                ]
                if len(within) > often.threshold:
                    words = f"meets {often.name}: {often.says}; {lesion.words}"
                    yield of.line(ReminderLine.LESION_AGAIN, view, words, within[0].day, rule=often, roots=roots)


def _answered_since(of: _Maker, view: AccessView, day: PartialDate) -> bool:
    """Whether somebody thought about it after the last treatment: a referral, a life plan, a revision."""
    after = of.first_day(day)
    thought = [one for one in of.folds.person.of("referral") if one.access in (None, view.access)]
    thought += of.folds.person.of("life-plan-reviewed")
    thought += [one for one in view.folded.interventions if one.kind == "revision"]
    return any(of.first_day(one.happened) > after for one in thought)


# --- 10. Resting --------------------------------------------------------------------------------------------------


def _resting_due(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        rests = [one for one in view.folded.instructions if getattr(one.fact, "what", None) is InstructionWhat.REST]
        rest = rests[-1] if rests else None
        hurt = next((f for f in view.findings if f.key in ("complication-infiltration", "needle-infiltration")), None)
        until = getattr(rest.fact, "until", None) if rest is not None else None
        began = rest.happened if rest is not None else hurt.since if hurt is not None else None
        if began is None or not view.folded.is_needled:
            continue
        if any(of.first_day(one.happened) > of.first_day(began) for one in view.folded.needle_uses):
            continue  # Tried already; what came of it is in the findings.
        if rest is not None and any(one.state == "replaced" and one.root == rest.root for one in view.instructions):
            continue
        roots = [one for one in (rest.root if rest is not None else None, hurt.root if hurt else None) if one]
        if until is not None:
            if of.day(until) <= of.today:
                words = f"rested since {day_words(began)}, until {day_words(until)}: not tried since"
                yield of.line(ReminderLine.RESTING_DUE, view, words, until, roots=roots)
        else:
            what = "infiltrated" if hurt is not None else "rested"
            words = f"{what} {on_day(began)}, not needled since; until when it rests is not recorded"
            yield of.line(ReminderLine.RESTING_DUE, view, words, began, roots=roots)


# --- 11. New accesses ---------------------------------------------------------------------------------------------


def _new_access(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        made = view.folded.made
        if made is None or view.is_catheter or view.readiness.state in (Readiness.PROVEN, Readiness.NEVER):
            continue
        if view.is_thrombosed or view.folded.needle_uses:
            continue
        start = view.folded.second_stage or made
        stage = "the second stage" if view.folded.second_stage is not None else "it was made"
        since = of.day(start.happened)
        days = (of.today - since).days
        looks = [one for one in of.looked_at(view) if of.day(one.happened) > since]
        judged = [one for one in looks if one.kind == "maturity-assessed"]
        found = _new_access_words(of, view, since, days, stage, looks, judged)
        if found is not None:
            words, rule = found
            yield of.line(ReminderLine.NEW_ACCESS_DUE, view, words, start.happened, rule=rule, roots=[start.root])


def _new_access_words(
    of: _Maker,
    view: AccessView,
    since: date,
    days: int,
    stage: str,
    looks: Sequence[InForce],
    judged: Sequence[InForce],
) -> tuple[str, Rule] | None:
    if open_for(of.ways, view.access) or of.is_booked(view):
        return None
    first, maturity, stalled = (of.rules.limit(name) for name in ("first-check-2019", "maturity-check", "stalled"))
    age = f"{counted(days, 'day')} since {stage}"
    first_stage = getattr(view.folded.made.fact, "stage", None) if view.folded.made is not None else None
    if first_stage is not None and first_stage.value == "first" and view.folded.second_stage is None:
        if maturity is not None and is_due(since, of.today, maturity) and not _second_stage_planned(of, view):
            return f"second stage neither done nor planned, {age}", maturity
        return None
    if stalled is not None and is_due(since, of.today, stalled):
        return f"stalled: not needled, {view.readiness.words}, {age}", stalled
    if maturity is not None and is_due(since, of.today, maturity) and not judged:
        until = f" to {maturity.until_days}" if maturity.until_days is not None else ""
        return f"maturity check due between days {maturity.days}{until}, none recorded, {age}", maturity
    if first is not None and is_due(since, of.today, first) and not looks:
        return f"first check due by day {first.days}, none recorded, {age}", first
    return None


def _second_stage_planned(of: _Maker, view: AccessView) -> bool:
    planned = [one for one in of.facts if one.kind == "access-planned" and one.access == view.access]
    made = view.folded.made
    if made is not None and any(of.first_day(one.happened) > of.day(made.happened) for one in planned):
        return True
    return any(
        Finding.SECOND_STAGE in getattr(one.fact, "why", ())
        for one in of.folds.person.of("referral")
        if one.access in (None, view.access)
    )


# --- 12 and 13. Catheters -----------------------------------------------------------------------------------------


def _catheter_beside(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        if view.beside_proven is None or of.is_booked(view):
            continue
        asked = [way for way in open_for(of.ways, view.access) if way.access == view.access]
        words = f"{view.beside_proven}; {_days_in_body(view)}; "
        words += f"referred {on_day(asked[-1].asked_on)}, no removal date" if asked else "no removal date"
        decided = [
            one for one in of.person.decisions if one.what == DecisionWhat.REMOVE_CATHETER and one.review_on is None
        ]
        if decided:
            words += f" ({decided[-1].words})"
        proven = [other for other in of.views if other.is_proven and other.is_open]
        since = min((other.readiness.day for other in proven if other.readiness.day is not None), default=None)
        roots = [root for other in proven for root in other.readiness.roots]
        opened = [view.folded.made.root] if view.folded.made is not None else []
        yield of.line(ReminderLine.CATHETER_BESIDE_PROVEN, view, words, since, roots=[*opened, *roots])


def _catheter_long(of: _Maker) -> Iterable[Line]:
    for view in of.kept:
        if view.access_kind is None or not view.access_kind.is_central_line or view.opened is None:
            continue
        if view.beside_proven is not None or of.is_booked(view):
            continue
        met = long_by(of.rules, of.day(view.opened), of.today, maturing=_maturing(of, view))
        if not met or _has_plan(of, view):
            continue
        words = f"{_days_in_body(view)}; past {listed(rule.name for rule in met)}; no plan recorded"
        opened = view.folded.made or view.folded.met
        roots = [opened.root] if opened is not None else []
        yield of.line(ReminderLine.CATHETER_LONG, view, words, view.opened, rule=met[0], roots=roots)


def long_by(rules: Rules, placed: date, today: date, *, maturing: bool) -> tuple[Rule, ...]:
    """The definitions of a long-term catheter that one meets that has been in since a day.

    In days it is more than so many; in months it is so many or more; the one of 2006 says more than so many months,
    and asks that no permanent access is maturing. Around the ends of months they differ.
    """
    met = []
    for rule in rules.in_use("catheter"):
        match rule.by:
            case "days":
                is_long = rule.days is not None and (today - placed).days > rule.days
            case "months":
                is_long = rule.months is not None and today >= months_on(placed, rule.months)
            case _:
                is_long = rule.months is not None and today > months_on(placed, rule.months) and not maturing
        if is_long:
            met.append(rule)
    return tuple(met)


def _maturing(of: _Maker, line: AccessView) -> bool:
    return any(
        view.folded.is_needled and not view.is_thrombosed and view.readiness.state != Readiness.NEVER
        for view in of.kept
        if view is not line
    )


def _has_plan(of: _Maker, line: AccessView) -> bool:
    """Whether something is on its way that ends the catheter: another access, a referral, a plan, a next access."""
    if _maturing(of, line) or open_for(of.ways, line.access):
        return True
    if any(view.body.state == "planned" and view.folded.standing.state is not Standing.GIVEN_UP for view in of.views):
        return True
    plan = of.folds.person.last_of("life-plan-reviewed")
    named = getattr(plan.fact, "next_access", None) if plan is not None else None
    return named is not None and not named.is_central_line and not of.person.life_plan_review_due


def _days_in_body(view: AccessView) -> str:
    if view.days_in_body is None:
        return f"in the body since {day_words(view.opened)}" if view.opened else "days in the body not known"
    words = f"{counted(view.days_in_body, 'day')} in the body"
    if view.days_of_device is not None and view.days_of_device != view.days_in_body:
        words += f", this catheter {view.days_of_device}"
    return words


# --- 14. Courses and lytics ---------------------------------------------------------------------------------------


def _course_open(of: _Maker) -> Iterable[Line]:
    asked = of.rules.limit("course-past-planned-end")
    for due in of.person.courses:
        if due.over and due.day is not None and asked is not None and is_due(of.day(due.day), of.today, asked):
            continue
        if due.day is None or due.over:
            one = next(one for one in of.folds.person.of("antimicrobial-course") if one.root == due.root)
            view = next((view for view in of.views if view.access == one.access), None)
            yield of.line(ReminderLine.COURSE_OPEN, view, due.words, one.happened, roots=[due.root])
    clearance = of.rules.limit("course-without-clearance")
    for one in of.folds.person.of("antimicrobial-course"):
        fact = one.fact
        assert isinstance(fact, AntimicrobialCourse)
        if clearance is None or fact.until is None or of.day(fact.until) >= of.today:
            continue
        if fact.reason not in (CourseReason.BLOODSTREAM, CourseReason.ACCESS_INFECTION):
            continue
        if is_due(of.day(fact.until), of.today, clearance) or not _positive_uncleared(of, one):
            continue
        view = next((view for view in of.views if view.access == one.access), None)
        words = f"course for {words_of(fact.reason)} ended {on_day(fact.until)}, no clearance culture recorded"
        yield of.line(ReminderLine.COURSE_OPEN, view, words, fact.until, rule=clearance, roots=[one.root])
    yield from _lytic_twice(of)


def _positive_uncleared(of: _Maker, course: InForce) -> bool:
    """Whether a culture was positive around the course and none was drawn since to see that it has cleared."""
    began = of.first_day(course.happened)
    positive = False
    for one in of.folds.person.of("culture"):
        fact = one.fact
        assert isinstance(fact, Culture)
        if fact.positive and of.day(one.happened) >= began - CULTURE_BEFORE:
            positive = True
        elif fact.clearance and fact.positive is False and of.first_day(one.happened) >= began:
            return False
    return positive


def _lytic_twice(of: _Maker) -> Iterable[Line]:
    rule = of.rules.limit("lytic-twice")
    if rule is None:
        return
    for view in of.kept:
        dwells = [
            one
            for one in of.facts
            if one.access == view.access
            and isinstance(one.fact, CatheterTrouble)
            and one.fact.what is CatheterTroubleKind.LYTIC_DWELL
        ]
        if len(dwells) < 2:
            continue
        first, second = dwells[-2], dwells[-1]
        close = of.first_day(second.happened) <= due_on(of.first_day(first.happened), rule)
        if close and not is_due(of.first_day(second.happened), of.today, rule):
            words = f"lytic dwell {on_day(first.happened)} and again {on_day(second.happened)}"
            yield of.line(
                ReminderLine.COURSE_OPEN, view, words, second.happened, rule=rule, roots=[first.root, second.root]
            )


# --- 15. Reviews --------------------------------------------------------------------------------------------------


def _review_due(of: _Maker) -> Iterable[Line]:
    monthly = of.rules.limit("look-monthly-2006")
    if monthly is not None:
        for view in of.kept:
            yield from _look_due(of, view, monthly)
    yield from _plan_due(of)
    for one in of.person.decisions:
        if one.review_due:
            words = f"review of the decision is over its day: {one.words}"
            about = next((view for view in of.views if view.access == one.access), None)
            yield of.line(ReminderLine.REVIEW_DUE, about, words, one.review_on, roots=[one.root])
    background = of.rules.limit("background-age")
    if background is not None:
        last = of.folds.person.last_of("background")
        if last is not None and is_due(of.day(last.happened), of.today, background):
            words = f"allergies, anticoagulant and the like last checked {on_day(last.happened)}"
            yield of.line(ReminderLine.REVIEW_DUE, None, words, last.happened, rule=background, roots=[last.root])


def _look_due(of: _Maker, view: AccessView, monthly: Rule) -> Iterable[Line]:
    looked = of.looked_at(view)
    if looked:
        last = looked[-1]
        if is_due(of.day(last.happened), of.today, monthly):
            words = f"last looked at {on_day(last.happened)}"
            yield of.line(ReminderLine.REVIEW_DUE, view, words, last.happened, rule=monthly, roots=[last.root])
        return
    first = view.folded.made or view.folded.met
    if first is not None and is_due(of.day(first.happened), of.today, monthly):
        words = "not looked at since it was first recorded"
        yield of.line(ReminderLine.REVIEW_DUE, view, words, first.happened, rule=monthly, roots=[first.root])


def _plan_due(of: _Maker) -> Iterable[Line]:
    yearly = of.rules.limit("life-plan-2019")
    plan = of.folds.person.last_of("life-plan-reviewed")
    if of.person.modality is Modality.NOT_YET and plan is None and not of.kept:
        began = of.folds.person.last_of("care-began")
        if began is not None:
            words = "not yet on dialysis, no access and no life plan recorded"
            yield of.line(ReminderLine.REVIEW_DUE, None, words, began.happened, rule=yearly, roots=[began.root])
        return
    if yearly is None:
        return
    if plan is not None:
        if of.person.life_plan_review_due:
            words = f"life plan of {day_words(plan.happened)}: the day of its review is over"
        elif is_due(of.day(plan.happened), of.today, yearly):
            words = f"life plan last reviewed {on_day(plan.happened)}"
        else:
            return
        yield of.line(ReminderLine.REVIEW_DUE, None, words, plan.happened, rule=yearly, roots=[plan.root])
    elif (began := of.folds.person.last_of("care-began")) is not None and is_due(
        of.day(began.happened), of.today, yearly
    ):
        words = f"no life plan recorded, in care since {day_words(began.happened)}"
        yield of.line(ReminderLine.REVIEW_DUE, None, words, began.happened, rule=yearly, roots=[began.root])


_LINES: dict[ReminderLine, Callable[[_Maker], Iterable[Line]]] = {
    ReminderLine.NO_FLOW: _no_flow,
    ReminderLine.UNANSWERED_CULTURE: _unanswered_culture,
    ReminderLine.CONFLICT: _conflict,
    ReminderLine.REPORT_MISSING: _report_missing,
    ReminderLine.INSTRUCTION_DUE: _instruction_due,
    ReminderLine.NOT_LOOKED_AT: _not_looked_at,
    ReminderLine.REFERRAL_OPEN: _referral_open,
    ReminderLine.RULE_MET: _rule_met,
    ReminderLine.LESION_AGAIN: _lesion_again,
    ReminderLine.RESTING_DUE: _resting_due,
    ReminderLine.NEW_ACCESS_DUE: _new_access,
    ReminderLine.CATHETER_BESIDE_PROVEN: _catheter_beside,
    ReminderLine.CATHETER_LONG: _catheter_long,
    ReminderLine.COURSE_OPEN: _course_open,
    ReminderLine.REVIEW_DUE: _review_due,
}
