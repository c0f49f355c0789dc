"""The brief: what a nurse needs to know in the minute before anybody touches the arm.

Ten sections in the order of the chair, one screen of 100 by 40 at most; what does not
fit is counted and given on request. It shows what was recorded, by whom and when. It
does not advise, score or colour, it never says that an access may be used, and what
nobody confirmed is not in it: only that a report waits is told.

To add something to the brief, put it in the section where a nurse looks for it, and say
in `_ROOM` how many lines the section may have when the screen is full.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate, day_of
from ledger.errors import Doubt
from ledger.events import Abandonment, Angiogram, Imaging, Instruction, Visit
from ledger.people import Patient
from ledger.projections.folding import FlowIs, Folds, Readiness, Standing, UseIs, fold_of
from ledger.projections.person import BackgroundView, PersonView, person_of
from ledger.projections.sentences import nobody, place_words, sentence_of, visit_complications
from ledger.projections.state import AccessView, InstructionView, StentView, plain, views_of, words_of_kind
from ledger.projections.wording import NamesOf, WordsOf, counted, date_words, day_words, listed, number_words, on_day
from ledger.vocabulary import AbandonmentHow, BackgroundWhat, ConfirmedHow, InstructionWhat, words_of

WIDTH, HEIGHT = 100, 40

SUTURES_STOP_DAYS = 30
"""For so many days sutures past their day stand at the top; after that among what is due. Ours, no source."""

CAUTIONS = (
    (
        "Look, listen, feel first. Not recorded is not the same as not present. Stop and ask if arm, side or history "
        "differs from this sheet."
    ),
    (
        "This does not replace examination, the original report, local protocol and licensed judgement. A stented "
        "or covered segment, a fresh sheath hole or suture, a new wound and thin, infected or bruised skin are not "
        "needled without the access centre's word."
    ),
    (
        "Urgent, by local pathway: no thrill or flow; a cold, painful, weak or numb hand; thin or ulcerated skin or "
        "a warning bleed; swollen face or neck; a catheter cracked, open or out; a spreading haematoma; pus; fever or "
        "rigors with a catheter."
    ),
)
"""What every brief and every printed sheet carries."""


@dataclass(frozen=True, kw_only=True)
class WaitingReport:
    """A report that nobody has confirmed: that it waits is told, and nothing of what it says."""

    report: str
    happened: PartialDate | None = None
    received: str | None = None


@dataclass(frozen=True)
class BriefLine:
    """One line of a section, the roots of the entries that it rests on, and the fewer words of a full screen."""

    text: str
    roots: tuple[str, ...] = ()
    short: str = ""


@dataclass(frozen=True)
class Section:
    """One of the ten sections. `label` stands in front of its first line."""

    key: str
    label: str
    lines: tuple[BriefLine, ...]


@dataclass(frozen=True, kw_only=True)
class Brief:
    """The brief of one patient on one day."""

    patient: str
    day: date
    as_of: date | None
    known_on: str | None
    recorded_up_to: str
    printed: str
    sections: tuple[Section, ...]
    accesses: tuple[AccessView, ...]
    person: PersonView

    def lines(self, width: int = WIDTH, height: int | None = HEIGHT) -> list[str]:
        """The brief as text, at most `height` lines of `width` characters; `None` gives all of it.

        Where it does not fit, the sections that can wait lose lines first, and each says how many more there are.
        """
        return _laid_out(self.sections, width, height)

    def section(self, key: str) -> Section:
        """The section of this key; raises KeyError where there is none."""
        return {section.key: section for section in self.sections}[key]

    def to_json(self) -> dict[str, Any]:
        """The brief as plain JSON values, whole."""
        return {
            "format": 1,
            "patient": self.patient,
            "day": self.day.isoformat(),
            "as_of": None if self.as_of is None else self.as_of.isoformat(),
            "known_on": self.known_on,
            "recorded_up_to": self.recorded_up_to,
            "printed": self.printed,
            "sections": [
                {
                    "key": section.key,
                    "label": section.label,
                    "lines": [{"text": line.text, "roots": list(line.roots)} for line in section.lines],
                }
                for section in self.sections
            ],
            "accesses": [view.to_json() for view in self.accesses],
            "person": plain(self.person),
            "cautions": list(CAUTIONS),
        }


def brief_of(
    history: History,
    patient: Patient,
    today: date,
    now: datetime,
    words: WordsOf,
    people: NamesOf = nobody,
    *,
    waiting_reports: Sequence[WaitingReport] = (),
    same_names: int = 0,
    same_births: int = 0,
    joined: Sequence[Patient] = (),
    joined_to: str | None = None,
    doubts: Sequence[Doubt] = (),
) -> Brief:
    """The brief of a patient.

    `today` is a day of the unit's zone, `now` an instant with an offset. For a view as of a day or as known on one,
    pass `history.seen(…)`: the ages are then those of that day, and the view says what it is. `people` gives names of
    persons, units and centres by id; `same_names` counts the other patients who are called alike,
    `same_births` those of them who are born on the same day: there the birth date tells nobody apart.
    `joined` are the other records of this person, which are read here; `joined_to` the record in which this one is.
    """
    day = history.as_of or (day_of(history.known_on, history.zone) if history.known_on is not None else today)
    folds = fold_of(history)
    views = views_of(folds, history, day, words, people)
    person = person_of(history, day, words, people, folds)
    made = _Maker(
        history=history,
        patient=patient,
        day=day,
        now=now,
        words=words,
        people=people,
        folds=folds,
        views=views,
        person=person,
        waiting=tuple(waiting_reports),
        same_names=same_names,
        same_births=same_births,
        joined=tuple(joined),
        joined_to=joined_to,
        doubts=tuple(doubts),
    )
    return Brief(
        patient=history.patient,
        day=day,
        as_of=history.as_of,
        known_on=history.known_on,
        recorded_up_to=made.recorded_up_to,
        printed=made.printed,
        sections=tuple(made.sections()),
        accesses=views,
        person=person,
    )


def access_to_use(views: Sequence[AccessView]) -> AccessView | None:
    """The access that the record shows in use: the one used last that is still in the body and kept.

    An access that an instruction in force keeps from needles, or that is thrombosed, gives way to one that is used.
    Where nothing is recorded as used, the newest that is in the body; the brief then says that its use is unknown.
    """
    there = [view for view in views if view.in_body and view.folded.standing.state is not Standing.GIVEN_UP]
    if not there:
        return None
    return max(there, key=_claim_to_use)


def shown_doubts(doubts: Sequence[Doubt], views: Sequence[AccessView]) -> list[Doubt]:
    """The doubts in the words of the brief: accesses by name, and none that is told as two sentences already.

    What would be the same sentence several times is told once, with how often.
    """
    names = {view.access: _short_name(view) for view in views}
    disputed = {view.access for view in views if any(found.about in ("side", "kind") for found in view.conflicts)}
    alike: dict[tuple[str, str], list[Doubt]] = {}
    for doubt in doubts:
        if doubt.access in disputed and doubt.code in _TOLD_AS_CONFLICT:
            continue
        words = doubt.words
        if doubt.access is not None and doubt.access in names:
            words = re.sub(rf"(?<![\w-]){re.escape(doubt.access)}(?![\w-])", f"the {names[doubt.access]}", words)
        alike.setdefault((doubt.code, _upper(words)), []).append(doubt)
    return [
        replace(
            first,
            words=words if not more else f"{words.removesuffix('.')} ({len(more) + 1} times).",
            about=tuple(dict.fromkeys(entry for doubt in (first, *more) for entry in doubt.about)),
        )
        for (_, words), (first, *more) in alike.items()
    ]


_TOLD_AS_CONFLICT = frozenset({"side-disagrees", "kind-disagrees", "lesion-on-other-side", "lesion-on-two-sides"})
_DOUBTS_THAT_STOP = _TOLD_AS_CONFLICT | {"site-disagrees", "vein-disagrees", "lesion-on-two-accesses", "after-death"}
"""Codes of admission's doubts that may mean the wrong arm, the wrong access or the wrong patient."""


def _claim_to_use(view: AccessView) -> tuple[int, str, str]:
    used = view.folded.use.state in (UseIs.IN_USE, UseIs.PARTLY, UseIs.BOTH)
    kept_from = view.is_thrombosed or any(
        one.holds
        and one.what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.DIALYSE_BY_CATHETER, InstructionWhat.REST)
        and one.state != "waits"
        for one in view.instructions
        if not (one.what is InstructionWhat.NOT_TO_NEEDLE and _names_a_place(view, one))
    )
    rank = 0
    if used and not kept_from:
        rank = 6
    elif used:
        rank = 5
    elif view.folded.use.state is UseIs.UNKNOWN and not kept_from:
        # Nobody said what is used: what was judged ready comes before a catheter, and a catheter before a new access.
        ready = view.folded.ready.state in (Readiness.READY, Readiness.TRIED)
        rank = 4 if ready else 3 if view.is_catheter else 2
    elif view.folded.use.state is not UseIs.BURIED:
        rank = 1
    return (rank, view.last_use or "", view.opened or "")


def _names_a_place(view: AccessView, one: InstructionView) -> bool:
    return any(
        isinstance(held.fact, Instruction) and held.fact.place is not None
        for held in view.folded.instructions
        if held.root == one.root
    )


@dataclass(frozen=True, kw_only=True)
class _Maker:
    history: History
    patient: Patient
    day: date
    now: datetime
    words: WordsOf
    people: NamesOf
    folds: Folds
    views: tuple[AccessView, ...]
    person: PersonView
    waiting: tuple[WaitingReport, ...]
    same_names: int
    same_births: int
    joined: tuple[Patient, ...]
    joined_to: str | None
    doubts: tuple[Doubt, ...]

    def short(self, view: AccessView) -> str:
        """An access in few words, where no other access of the patient goes by the same ones."""
        name = _short_name(view)
        alike = [other for other in self.views if other.in_body and _short_name(other) == name]
        return name if len(alike) < 2 else view.name

    def sections(self) -> Iterable[Section]:
        main = access_to_use(self.views)
        yield self._identity()
        yield Section("stop", "STOP, READ", tuple(self._stop(main)))
        yield Section("access", "Access", tuple(self._access(main)))
        yield Section("look", "Last look", tuple(self._look(main)))
        yield Section("needle", "Needle", tuple(self._needle(main)))
        yield Section("background", "Changes a needle", tuple(self._background()))
        yield Section("intervention", "Last intervention", tuple(self._intervention(main)))
        yield Section("others", "Also in the body", tuple(self._others(main)))
        yield Section("due", "Due", tuple(self._due()))
        yield Section("recorded", "", tuple(self._recorded()))
        yield Section("cautions", "", tuple(BriefLine(caution) for caution in CAUTIONS))

    # --- 1: who ---

    def _identity(self) -> Section:
        patient = self.patient
        if patient.erased or patient.name is None:
            who = f"Patient {patient.id}: identity erased or not held here"
        else:
            numbers = ", ".join(map(number_words, patient.identifiers)) or "no number recorded"
            born = f"born {day_words(patient.birth_date)}" if patient.birth_date else "birth date not recorded"
            who = f"{patient.name}, {born}, number {numbers}, here {patient.id}"
        lines = [BriefLine(who + (", INVENTED PATIENT" if patient.invented else ""))]
        for other in self.joined:
            numbers = "".join(f", number {number_words(number)}" for number in other.identifiers)
            lines.append(
                BriefLine(f"Also recorded as {other.name or 'a patient'}, {other.id}{numbers}: read here as one.")
            )
        if self.joined_to is not None:
            lines.append(
                BriefLine(
                    f"HALF OF A RECORD: {patient.id} was said to be the same person as {self.joined_to}. Look at the "
                    f"brief of {self.joined_to}, where both are read."
                )
            )
        if self.same_names:
            who = "Another patient is" if self.same_names == 1 else f"{self.same_names} other patients are"
            if self.same_births:
                check = "and born on the same day: check the number. It may be one person recorded twice"
            else:
                check = "check birth date and number"
            lines.append(BriefLine(f"{who} called alike here{' ' if self.same_births else ': '}{check}."))
        if self.history.as_of is not None:
            lines.append(BriefLine(f"VIEW AS OF {date_words(self.history.as_of)}: what happened later is not shown."))
        if self.history.known_on is not None:
            seen = date_words(day_of(self.history.known_on, self.history.zone))
            lines.append(BriefLine(f"VIEW AS KNOWN ON {seen}: what was recorded later is not shown."))
        if self.person.follow_up and not self.person.followed:
            lines.append(BriefLine(f"{self.person.follow_up}."))
        return Section("identity", "", tuple(lines))

    # --- 2: stop ---

    def _stop(self, main: AccessView | None) -> Iterable[BriefLine]:
        open_views = [view for view in self.views if view.in_body]
        for view in open_views:
            yield from self._unsettled(view)
        for view in open_views:
            urgent = [found for found in view.findings if _is_urgent(found.key, view)]
            if urgent:
                what = listed(dict.fromkeys(found.words for found in urgent))
                since = day_words(min(found.since for found in urgent))
                yield BriefLine(
                    f"Urgent, by local pathway: {what}, open since {since} ({self.short(view)}).",
                    tuple(found.root for found in urgent),
                )
            stopped = view.flow is not None and view.folded.flow.state in (FlowIs.THROMBOSED, FlowIs.BOTH)
            if view.flow is not None and stopped and view.folded.standing.state is not Standing.GIVEN_UP:
                yield BriefLine(f"{_upper(view.flow.words)} ({self.short(view)}).", view.flow.roots)
        stopping = [(one, view) for view in open_views for one in view.instructions if _stops(one, self.day)]
        for one, view in sorted(stopping, key=lambda pair: _STOPS.index(pair[0].what)):
            if one.holds:
                yield BriefLine(self._instruction(one, view), (one.root,))
            elif self._just_ended(one):
                yield BriefLine(
                    f"Ended {day_words(one.ended_on)} ({one.ending}): {one.words} ({self.short(view)}).", (one.root,)
                )
        yield from waiting_lines(self.waiting)
        for due in self.person.appointments:
            if due.over and due.words.endswith("no report in"):
                yield BriefLine(f"{_upper(due.words)}.", (due.root,))
        for view in open_views:
            for conflict in view.conflicts:
                if conflict.about not in ("side", "kind"):
                    yield BriefLine(
                        f"Two entries disagree ({self.short(view)}). {conflict.first} {conflict.second}", conflict.roots
                    )
        for doubt in shown_doubts(self.doubts, self.views):
            if doubt.code in _DOUBTS_THAT_STOP:
                yield BriefLine(f"In doubt: {doubt.words}", doubt.about)
        if self.person.not_looked_at_since is not None:
            yield BriefLine(
                f"Back from hospital {on_day(self.person.not_looked_at_since)}: no look at an access recorded since."
            )
        for words in (*(word for view in self.views for word in view.possibly), *self.person.possibly):
            yield BriefLine(words)

    def _unsettled(self, view: AccessView) -> Iterable[BriefLine]:
        """What is disputed about which access it is: one short sentence for each entry that says something else."""
        for about, first, second in view.folded.conflicts:
            if about not in ("side", "kind"):
                continue
            told = [f"{_claimed(about, one)}, {_told_by(one)} of {day_words(one.happened)}." for one in (first, second)]
            yield BriefLine(f"{about.capitalize()} UNSETTLED. {' '.join(told)}", (first.root, second.root))

    def _instruction(self, one: InstructionView, view: AccessView) -> str:
        past = (
            "PAST DUE, never recorded as done: "
            if one.state == "past-due"
            else "to come: "
            if one.state == "waits"
            else ""
        )
        return f"Report of {day_words(one.given)}: {past}{one.words} ({self.short(view)})."

    def _just_ended(self, one: InstructionView) -> bool:
        if one.ended_on is None or one.state == "answered":
            return False
        ended = one.ended_on.latest_in(self.history.zone).date()
        return 0 <= (self.day - ended).days <= 14

    # --- 3, 4, 5: the access, the look, the needle ---

    def _access(self, main: AccessView | None) -> Iterable[BriefLine]:
        if main is None:
            planned = [view for view in self.views if view.is_open]
            if not self.views:
                yield BriefLine("No access is recorded. Not recorded is not the same as not present.")
            elif not planned:
                yield BriefLine("No access is recorded in the body and kept.")
            else:
                yield BriefLine("No access is recorded in the body.")
            return
        parts = [main.age, *(part for part in (main.material, main.direction) if part), *main.tied_to]
        yield BriefLine(f"{_upper(main.name)}: {'; '.join(parts)}.", main.body.roots)
        if main.folded.use.state is UseIs.UNKNOWN:
            yield BriefLine("Which access is in use is not recorded.")
        facts = [main.standing] if main.folded.standing.state is not Standing.KEPT else []
        if main.flow is not None:
            facts += [main.flow, main.readiness, main.use]
        roots = tuple(dict.fromkeys(root for fact in (*facts, main.use) for root in fact.roots))
        words = [fact.words for fact in facts] + [word for word in (main.catheter, main.beside_proven) if word]
        yield BriefLine(f"{_upper('; '.join(words))}.", roots)
        if main.findings_words:
            yield BriefLine(f"{_upper(main.findings_words)}.", tuple(found.root for found in main.findings))
        if main.folded.use.state is UseIs.PARTLY:
            lines = [view.name for view in self.views if view.is_catheter and view.in_body]
            if lines:
                yield BriefLine(f"The line beside it: {', '.join(lines)}.")

    def _look(self, main: AccessView | None) -> Iterable[BriefLine]:
        if main is None:
            return
        examined = main.folded.examined
        who = ""
        if examined is not None:
            person = examined.entry.recorded_by.person
            who = f" (recorded by {self.people(person) or person}{_bulk(examined)})"
        roots = () if main.last_look_root is None else (main.last_look_root,)
        yield BriefLine(f"{_upper(main.last_look)}{who}", roots)
        if main.last_measured:
            yield BriefLine(f"Last measured: {main.last_measured}.")

    def _needle(self, main: AccessView | None) -> Iterable[BriefLine]:
        if main is None:
            return
        for view in [main, *(view for view in self.views if view is not main and view.is_open)]:
            named = "" if view is main else f" ({self.short(view)})"
            where = list(dict.fromkeys((*view.not_to_needle, *self._fresh(view))))
            if where:
                yield BriefLine(f"Not here{named}: {'; '.join(where)}.")
        for told in main.needles:
            yield BriefLine(f"{told}.")

    def _fresh(self, view: AccessView) -> Iterable[str]:
        """Sheath holes and wounds of the last two weeks. How long they stay fresh is for local protocol."""
        for one in (*view.folded.visits, *view.folded.interventions, view.folded.made, view.folded.second_stage):
            if one is None:
                continue
            age = (self.day - one.happened.earliest_in(self.history.zone).date()).days
            if not 0 <= age <= 14:
                continue
            if isinstance(one.fact, Visit) and one.fact.sheath_fr:
                sizes = " and ".join(str(size) for size in one.fact.sheath_fr)
                where = listed(place_words(place) for place in one.fact.sheath_places) or "place not recorded"
                yield f"sheath hole of {day_words(one.happened)} ({sizes} Fr), {where}"
            elif one.kind in ("creation", "second-stage", "revision", "banding"):
                yield f"wound of {day_words(one.happened)}"

    # --- 6: what changes a needle ---

    def _background(self) -> Iterable[BriefLine]:
        shown = [one for one in self.person.background if one.what in _AT_THE_NEEDLE]
        if not any(one.what in _ALLERGIES for one in shown):
            yield BriefLine("Allergies not recorded.")
        days: dict[PartialDate, list[BackgroundView]] = {}
        for one in shown:
            days.setdefault(one.checked, []).append(one)
        for checked, same in days.items():
            told = "; ".join(one.words for one in same)
            yield BriefLine(f"{_upper(told)} (checked {day_words(checked)})", tuple({one.root: None for one in same}))

    # --- 7: the last intervention ---

    def _intervention(self, main: AccessView | None) -> Iterable[BriefLine]:
        if main is None:
            return
        facts = [one for one in main.folded.interventions if one.kind not in _OPENINGS and not _is_only_said(one)]
        if not facts:
            yield BriefLine(f"No intervention recorded since it was {'placed' if main.is_catheter else 'made'}.")
        else:
            last = facts[-1]
            same = [one for one in facts if _same_visit(one, last)]
            visit = next((one for one in main.folded.visits if _same_visit(one, last)), None)
            where = ""
            if visit is not None and isinstance(visit.fact, Visit) and visit.fact.centre:
                where = f" at {self.people(visit.fact.centre) or visit.fact.centre}"
            done = listed(dict.fromkeys(words_of_kind(one.kind) for one in same))
            told = " ".join(sentence_of(_without_operator(one), self.words, self.people) for one in same)
            yield BriefLine(
                f"{_upper(day_words(last.happened))}{where}{_bulk(last)}: {told}",
                tuple(one.root for one in same),
                short=f"{day_words(last.happened)}{where}{_bulk(last)}: {done}{self._left(main, same)}.",
            )
            if visit is not None and isinstance(visit.fact, Visit):
                for complication in visit_complications(visit.fact, self.words):
                    yield BriefLine(f"{_upper(complication)}.", (visit.root,))
        for lesion in main.lesions:
            if lesion.times >= 2:
                yield BriefLine(f"{_upper(lesion.words)}.", tuple(one.root for one in lesion.treatments))
        stents: dict[str, list[StentView]] = {}
        for stent in main.stents:
            stents.setdefault(stent.words, []).append(stent)
        for words, alike in stents.items():
            times = "" if len(alike) == 1 else f"{len(alike)} of them, the last "
            roots = tuple(stent.root for stent in alike)
            yield BriefLine(f"{_upper(words)} ({times}{day_words(alike[-1].day)}).", roots)
        for lesion in main.lesions:
            if lesion.times == 0:
                yield BriefLine(f"{_upper(lesion.words)}.")
        if any(isinstance(one.fact, Angiogram | Imaging) and one.fact.central_veins is None for one in facts[-1:]):
            yield BriefLine("Whether the central veins were seen the last time is not recorded.")

    def _left(self, main: AccessView, same: Sequence[InForce]) -> str:
        """What was left of the lesions that these entries treated, in few words."""
        roots = {one.root for one in same}
        left = [
            f"{lesion.place} {lesion.treatments[-1].residual}"
            for lesion in main.lesions
            if lesion.treatments and lesion.treatments[-1].root in roots and lesion.treatments[-1].residual
        ]
        return f"; {listed(left)}" if left else ""

    # --- 8: the other accesses ---

    def _others(self, main: AccessView | None) -> Iterable[BriefLine]:
        others = [view for view in self.views if view is not main and not view.folded.body.state.is_out]
        # A catheter that is still in and an access that is kept come before what was given up or only planned.
        others.sort(key=lambda view: (not view.in_body, not view.is_open, not view.is_catheter))
        for view in others:
            roots = tuple(dict.fromkeys((*view.body.roots, *view.standing.roots)))
            yield BriefLine(view.sentence, roots, short=self._in_few_words(view))
        gone = [view for view in self.views if view.folded.body.state.is_out]
        if gone:
            yield BriefLine(f"Out of the body: {counted(len(gone), 'access', 'accesses')}, see the history.")

    def _in_few_words(self, view: AccessView) -> str:
        if not view.in_body or view.folded.standing.state is not Standing.KEPT:
            word = view.body.words if not view.in_body else view.standing.words
        elif view.catheter is not None:
            days = f"{counted(view.days_in_body, 'day')} in the body; " if view.days_in_body is not None else ""
            word = days + ("beside a proven access" if view.beside_proven else view.catheter)
        else:
            word = "; ".join(part for part in (view.flow.words if view.flow else "", view.use.words) if part)
        return f"{self.short(view)}: {word}."

    # --- 9: due ---

    def _due(self) -> Iterable[BriefLine]:
        asked = [(one, view) for view in self.views for one in view.instructions if not _stops(one, self.day)]
        ended: list[BriefLine] = []  # told last: what is to come is read first
        for one, view in sorted(asked, key=lambda pair: (not pair[0].holds, pair[0].due or "9999", pair[0].what)):
            if one.holds:
                yield BriefLine(self._instruction(one, view), (one.root,))
            elif self._just_ended(one):
                ended.append(
                    BriefLine(
                        f"Ended {day_words(one.ended_on)} ({one.ending}): {one.words} ({self.short(view)}).",
                        (one.root,),
                    )
                )
        for view in self.views:
            if view.in_body and _awaits_second_stage(view):
                yield BriefLine(f"Second stage not recorded ({self.short(view)}).", view.body.roots)
        for due in (*self.person.appointments, *self.person.referrals, *self.person.courses):
            if not due.words.endswith("no report in"):
                yield BriefLine(f"{_upper(due.words)}.", (due.root,))
        for decision in self.person.decisions:
            about = next((f" ({self.short(view)})" for view in self.views if view.access == decision.access), "")
            yield BriefLine(f"Decision: {decision.words}{about}.", (decision.root,))
        for due in self.person.set_aside:
            yield BriefLine(f"{_upper(due.words)}.", (due.root,))
        for doubt in shown_doubts(self.doubts, self.views):
            if doubt.code not in _DOUBTS_THAT_STOP:
                yield BriefLine(f"In doubt: {doubt.words}", doubt.about)
        yield from ended
        if self.person.life_plan_day is not None:
            over = "REVIEW WAS DUE. " if self.person.life_plan_review_due else ""
            yield BriefLine(f"{over}{day_words(self.person.life_plan_day)}: {self.person.life_plan}")

    # --- 10: recorded ---

    @property
    def recorded_up_to(self) -> str:
        streams = (self.history.entries, *(entries for _, entries in self.history.merged))
        newest = max((entry.recorded_at for entries in streams for entry in entries), default=None)
        return "" if newest is None else _local(newest, self.history)

    @property
    def printed(self) -> str:
        return self.now.astimezone(self.history.zone).strftime("%H:%M")

    def _recorded(self) -> Iterable[BriefLine]:
        up_to = self.recorded_up_to or "now: nothing is recorded"
        on = date_words(self.now.astimezone(self.history.zone).date())
        told = [f"Recorded facts up to {up_to}; printed {self.printed} on {on}, out of date after this session."]
        if self.person.unknown_before is not None:
            told.append(f"Earlier history unknown before {day_words(self.person.unknown_before)}.")
        bulk = sum(1 for one in self.history.facts if one.entry.recorded_by.how is ConfirmedHow.IN_BULK)
        if bulk:
            told.append(f"{counted(bulk, 'entry', 'entries')} confirmed in bulk, without reading each.")
        yield BriefLine(" ".join(told))


_ALLERGIES = frozenset({BackgroundWhat.ALLERGY, BackgroundWhat.NO_KNOWN_ALLERGY})
_AT_THE_NEEDLE = frozenset(BackgroundWhat) - {
    BackgroundWhat.HAND_DOMINANCE,
    BackgroundWhat.SEDATION_RISK,
    BackgroundWhat.CONTACT,
}
_OPENINGS = frozenset({"catheter-placed"})

_URGENT = frozenset(
    {"no-thrill", "no-bruit", "hand-cold", "hand-painful", "hand-weak", "hand-numb", "skin-ulcer", "skin-thin"}
    | {"skin-pus", "fever", "complication-bleeding", "complication-haematoma", "complication-ischaemic-neuropathy"}
    | {"trouble-cracked", "trouble-bleeding", "trouble-pulled", "culture", "infection-bloodstream"}
)
"""The findings that local pathways call urgent. Common practice, no source."""


def waiting_lines(waiting: Sequence[WaitingReport]) -> Iterable[BriefLine]:
    """That reports wait, and of which days; nothing of what they say."""
    if not waiting:
        return
    days = [f"of {day_words(one.happened)}" for one in waiting if one.happened is not None]
    undated = [one.received for one in waiting if one.happened is None]
    if len(undated) == 1:
        came = f" that came {on_day(undated[0])}" if undated[0] else ""
        days.append(f"without a date{came}")
    elif undated:
        days.append(f"{len(undated)} without a date")
    roots = tuple(one.report for one in waiting)
    if len(waiting) == 1:
        yield BriefLine(f"The report {days[0]} has not been confirmed.", roots)
    else:
        yield BriefLine(f"{len(waiting)} reports have not been confirmed: {listed(days)}.", roots)


def _told_by(one: InForce) -> str:
    if one.kind == "access-known":
        return "by a report" if getattr(one.fact, "from_report_only", False) else "by the first look here"
    return f"by the {words_of_kind(one.kind)}"


def _claimed(about: str, one: InForce) -> str:
    """The side or the kind that an entry tells."""
    fact: Any = one.fact
    if about == "kind":
        return _upper(words_of(fact.access_kind))
    sides = [getattr(fact, "exit_side", None), getattr(fact, "side", None)]
    sides += [lesion.side for lesion in getattr(fact, "lesions", ())]
    return next((side.value.upper() for side in sides if side is not None), "Side not recorded")


def _short_name(view: AccessView) -> str:
    kind = "access" if view.access_kind is None else words_of(view.access_kind)
    if view.other_side is not None:
        return f"{kind}, SIDE UNSETTLED"
    return f"{view.side.value.upper()} {kind}" if view.side is not None else f"{kind}, side not recorded"


def _is_urgent(key: str, view: AccessView) -> bool:
    return key in _URGENT and view.folded.standing.state is not Standing.GIVEN_UP


_STOPS = (
    InstructionWhat.DIALYSE_BY_CATHETER,
    InstructionWhat.NOT_TO_NEEDLE,
    InstructionWhat.REST,
    InstructionWhat.USABLE,
    InstructionWhat.SUTURES,
)
"""Instructions that change what a hand does today, the strictest first."""


def _stops(one: InstructionView, day: date) -> bool:
    """Whether an instruction changes what a hand does today; the others are for the list of what is due."""
    if one.what is InstructionWhat.SUTURES:
        # Sutures of long ago that nobody recorded as out stay in the list of what is due, and stop nobody any more.
        return one.state == "past-due" and one.due is not None and (day - one.due.latest).days <= SUTURES_STOP_DAYS
    return one.what in _STOPS


def _awaits_second_stage(view: AccessView) -> bool:
    made = view.folded.made
    stage = getattr(made.fact, "stage", None) if made is not None else None
    return (
        stage is not None
        and stage.value == "first"
        and view.second_stage is None
        and view.folded.standing.state is not Standing.GIVEN_UP
        and view.readiness.state != Readiness.PROVEN
    )


def _is_only_said(one: InForce) -> bool:
    """Whether an access was given up and left as it is: a decision, at which nobody touched it."""
    return isinstance(one.fact, Abandonment) and one.fact.how is AbandonmentHow.GIVEN_UP


def _same_visit(one: InForce, other: InForce) -> bool:
    if one.visit is not None and other.visit is not None:
        return one.visit == other.visit
    return one.happened[:10] == other.happened[:10]


def _bulk(one: InForce) -> str:
    return ", confirmed in bulk" if one.entry.recorded_by.how is ConfirmedHow.IN_BULK else ""


def _without_operator(one: InForce) -> InForce:
    """Who operated is told on request; on the brief it takes the room of what was done."""
    if getattr(one.fact, "operator", None) is None:
        return one
    fact: Any = one.fact
    return replace(one, fact=replace(fact, operator=None))


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


def _local(instant: str, history: History) -> str:
    moment = datetime.fromisoformat(instant).astimezone(history.zone)
    return f"{date_words(moment.date())} {moment:%H:%M}"


# --- Laying it out ------------------------------------------------------------------------------------------------

_LABEL = 18

_ROOM = {
    "identity": 5,
    "stop": 9,
    "access": 5,
    "look": 2,
    "needle": 5,
    "background": 3,
    "intervention": 4,
    "others": 3,
    "due": 2,
    "recorded": 2,
    "cautions": 7,
}
"""Lines that a section keeps when the screen is full."""

_YIELDS = ("due", "intervention", "others", "background", "needle", "look", "access", "stop")
"""Which sections give way first."""


def _laid_out(sections: Sequence[Section], width: int, height: int | None) -> list[str]:
    blocks = {
        section.key: [_wrapped(line.text, width, section.label) for line in section.lines] for section in sections
    }
    if height is not None:
        over = sum(len(block) for held in blocks.values() for block in held) - height
        for key in _YIELDS:
            section = next((one for one in sections if one.key == key), None)
            if over > 0 and section is not None and any(line.short for line in section.lines):
                held = [_wrapped(line.short or line.text, width, section.label) for line in section.lines]
                over -= sum(map(len, blocks[key])) - sum(map(len, held))
                blocks[key] = held
    labels = {section.key: section.label for section in sections}
    room = {key: sum(len(block) for block in held) for key, held in blocks.items()}
    if height is not None:
        over = sum(room.values()) - height
        for least in (_ROOM, dict.fromkeys(_ROOM, 1)):
            for key in _YIELDS:
                if over <= 0:
                    break
                if key in room and room[key] > least[key]:
                    given = min(over, room[key] - least[key])
                    room[key] -= given
                    over -= given
    told: list[str] = []
    for key, held in blocks.items():
        told += _fitted(held, labels[key], room[key], width)
    return told if height is None else told[:height]


def _wrapped(text: str, width: int, label: str) -> list[str]:
    return textwrap.wrap(text, width - _LABEL if label else width, break_long_words=True, break_on_hyphens=False) or [
        ""
    ]


def _fitted(blocks: Sequence[list[str]], label: str, room: int, width: int) -> list[str]:
    """The lines of a section in the room that it has; the last of them says what is left out."""
    lines: list[str] = []
    if sum(len(block) for block in blocks) <= room:
        lines = [line for block in blocks for line in block]
    elif room == 1:
        note = f" … {counted(len(blocks), 'entry', 'entries')} in all, on request"
        lines = [blocks[0][0][: width - _LABEL - len(note)] + note]
    else:
        for index, block in enumerate(blocks):
            left = room - 1 - len(lines)
            # What does not fit is told as far as it goes; the note then says that it goes on.
            lines += block[:left]
            if len(block) > left:
                rest = len(blocks) - index
                lines.append(f"… more on request ({counted(rest, 'entry', 'entries')} not told in full)")
                break
    indent = " " * _LABEL
    return [
        (f"{label:<{_LABEL}}" if index == 0 else indent) + line if label else line for index, line in enumerate(lines)
    ]
