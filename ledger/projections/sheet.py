"""The sheet that goes with a patient to whoever intervenes: the whole access on paper, and seven blanks to send back.

Plain text, in the order in which an interventionalist asks. What the ledger cannot know
today (potassium, the last dose of an anticoagulant) is a blank to fill in by hand, never
an old value. It asks a question and tells what was recorded; it proposes nothing.

To add something to the sheet, put it in the part where it is asked for, in `_parts`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from ledger.chronology import History, InForce
from ledger.dates import PartialDate, day_of
from ledger.errors import Doubt
from ledger.events import (
    Abandonment,
    Angiogram,
    Angioplasty,
    Banding,
    Imaging,
    LesionTreated,
    MaturityAssessed,
    Measurement,
    Referral,
    Revision,
    Stent,
    Thrombectomy,
    Visit,
)
from ledger.measured import Measured
from ledger.people import Patient
from ledger.projections.brief import CAUTIONS, WaitingReport, access_to_use, shown_doubts, waiting_lines
from ledger.projections.folding import Folds, fold_of
from ledger.projections.formulas import worked_from
from ledger.projections.person import PersonView, person_of
from ledger.projections.sentences import (
    ENDINGS,
    URGENCY,
    balloon_words,
    because,
    lesion_words,
    nobody,
    place_words,
    residual_words,
    sentence_of,
)
from ledger.projections.state import AccessView, plain, views_of, words_of_kind
from ledger.projections.veinbook import VeinBook, vein_book_of
from ledger.projections.wording import (
    NamesOf,
    WordsOf,
    counted,
    date_words,
    day_words,
    listed,
    number_words,
    on_day,
    quantity,
    said,
)
from ledger.vocabulary import BackgroundWhat, ConfirmedHow, Grade, Outcome, words_of

WIDTH = 100

BLANKS = ("Found", "Done", "Residual", "Usable when and where", "Sutures", "Drugs given", "Next")
"""The strip to fill and send back."""


@dataclass(frozen=True)
class Part:
    """One part of the sheet: a heading and its lines, or a table."""

    key: str
    heading: str
    lines: tuple[str, ...]
    table: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """The sheet of one patient for one access on one day."""

    patient: str
    access: str | None
    day: date
    as_of: date | None
    known_on: str | None
    printed: str
    parts: tuple[Part, ...]

    def lines(self, width: int = WIDTH, height: int | None = None) -> list[str]:
        """The sheet as plain text. `height` cuts it, and says so; without it all is told."""
        told = [line for part in self.parts for line in _laid_out(part, width)]
        if height is not None and len(told) > height:
            return [*told[: height - 1], f"… {counted(len(told) - height + 1, 'more line')}"]
        return told

    def part(self, key: str) -> Part:
        """The part of this key; raises KeyError where there is none."""
        return {part.key: part for part in self.parts}[key]

    def to_json(self) -> dict[str, Any]:
        """The sheet as plain JSON values."""
        return {
            "format": 1,
            "patient": self.patient,
            "access": self.access,
            "day": self.day.isoformat(),
            "as_of": None if self.as_of is None else self.as_of.isoformat(),
            "known_on": self.known_on,
            "printed": self.printed,
            "parts": plain(self.parts),
        }


def sheet_of(
    history: History,
    patient: Patient,
    today: date,
    now: datetime,
    words: WordsOf,
    people: NamesOf = nobody,
    *,
    access: str | None = None,
    waiting_reports: Sequence[WaitingReport] = (),
    same_names: int = 0,
    doubts: Sequence[Doubt] = (),
) -> Sheet:
    """The sheet for an intervention on `access`; without it on the access of the last referral, else on the one in use.

    The other arguments are those of `brief_of`.
    """
    day = history.as_of or (day_of(history.known_on, history.zone) if history.known_on is not None else today)
    folds = fold_of(history)
    views = views_of(folds, history, day, words, people)
    maker = _Maker(
        history=history,
        patient=patient,
        day=day,
        now=now,
        words=words,
        people=people,
        folds=folds,
        views=views,
        person=person_of(history, day, words, people, folds),
        book=vein_book_of(history, folds),
        main=_about(views, folds, access),
        waiting=tuple(waiting_reports),
        same_names=same_names,
        doubts=tuple(doubts),
    )
    return Sheet(
        patient=history.patient,
        access=None if maker.main is None else maker.main.access,
        day=day,
        as_of=history.as_of,
        known_on=history.known_on,
        printed=f"{date_words(now.astimezone(history.zone).date())} {now.astimezone(history.zone):%H:%M}",
        parts=tuple(maker.parts()),
    )


def _about(views: Sequence[AccessView], folds: Folds, access: str | None) -> AccessView | None:
    by_id = {view.access: view for view in views}
    if access is not None:
        return by_id.get(access)
    referral = folds.person.last_of("referral")
    if referral is not None and referral.access in by_id and by_id[referral.access].in_body:
        return by_id[referral.access]
    return access_to_use(views)


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
    book: VeinBook
    main: AccessView | None
    waiting: tuple[WaitingReport, ...]
    same_names: int
    doubts: tuple[Doubt, ...]

    def parts(self) -> Iterable[Part]:
        yield Part("identity", "", tuple(self._identity()))
        yield Part("why", "Why sent", tuple(self._why()))
        yield Part("stop", "Stop", tuple(self._stop()))
        yield Part("today", "Today", tuple(self._today()))
        yield Part("anatomy", "The access", tuple(self._anatomy()))
        yield Part("interventions", "All interventions on it", (), tuple(self._table()))
        yield Part("veins", "Vein book", tuple(self.book.lines()))
        yield Part("trend", "Trend", tuple(self._trend()))
        yield Part("use", "Use, fallback and next", tuple(self._use()))
        yield Part("doubts", "Doubts and gaps", tuple(self._doubts()))
        yield Part("schedule", "Schedule, and where to send the report", tuple(self._schedule()))
        yield Part("back", "To fill in and send back", tuple(f"{blank}: {'_' * 40}" for blank in BLANKS))
        yield Part("cautions", "", self._cautions())

    def _identity(self) -> Iterable[str]:
        patient = self.patient
        if patient.erased or patient.name is None:
            yield f"Patient {patient.id}: identity erased or not held here"
        else:
            numbers = ", ".join(map(number_words, patient.identifiers)) or "no number recorded"
            born = f"born {day_words(patient.birth_date)}" if patient.birth_date else "birth date not recorded"
            yield f"{patient.name}, {born}, number {numbers}, here {patient.id}" + (
                ", INVENTED PATIENT" if patient.invented else ""
            )
        if self.same_names:
            yield "Another patient is called alike here: check birth date and number."
        if self.history.as_of is not None:
            yield f"VIEW AS OF {date_words(self.history.as_of)}: what happened later is not shown."
        if self.history.known_on is not None:
            yield f"VIEW AS KNOWN ON {date_words(self.day)}: what was recorded later is not shown."
        yield f"Contact: {self._background(BackgroundWhat.CONTACT).removeprefix('Contact ') or _BLANK}"
        yield f"Consent: {self._background(BackgroundWhat.CONSENT) or _BLANK}"
        yield f"Language: {self._background(BackgroundWhat.LANGUAGE) or _BLANK}"

    def _why(self) -> Iterable[str]:
        referral = self._referral()
        answer = self._answer(referral) if referral is not None else None
        if referral is None or not isinstance(referral.fact, Referral):
            yield f"No referral recorded. Why sent: {_BLANK}"
        elif answer is not None:
            yield f"The last referral, {on_day(referral.happened)}, was answered by a visit {on_day(answer.happened)}."
            yield f"Why sent: {_BLANK}"
        else:
            fact = referral.fact
            why = listed(words_of(finding) for finding in fact.why) or "not recorded"
            urgency = URGENCY[fact.urgency.value] if fact.urgency else "not recorded"
            yield f"Referred {on_day(fact.happened)}: {why}; how urgent: {urgency}"
            question = said(self.words, fact.question)
            yield f"Question: {question or _BLANK}"
            for root in fact.findings:
                finding = next((one for one in self.history.facts if root in (one.root, one.entry.id)), None)
                if finding is not None:
                    yield f"Rests on: {day_words(finding.happened)}: {sentence_of(finding, self.words, self.people)}"
        if self.main is not None:
            for found in self.main.findings:
                yield f"Open since {day_words(found.since)}: {found.words}"
            if not self.main.findings:
                yield "No open finding recorded."

    def _referral(self) -> InForce | None:
        if self.main is not None and self.main.folded.referral is not None:
            return self.main.folded.referral
        last = self.folds.person.last_of("referral")
        return last if last is not None and last.access is None else None

    def _answer(self, referral: InForce) -> InForce | None:
        """The visit that came of a referral; one that was cancelled or given up is no answer."""
        for view in self.views:
            if referral.access not in (None, view.access):
                continue
            for visit in view.folded.visits:
                done = isinstance(visit.fact, Visit) and visit.fact.outcome in (Outcome.DONE, Outcome.PARTLY, None)
                if done and visit.happened.earliest_in(self.history.zone) >= referral.happened.latest_in(
                    self.history.zone
                ):
                    return visit
        return None

    def _stop(self) -> Iterable[str]:
        allergies = [
            one
            for one in self.person.background
            if one.what in (BackgroundWhat.ALLERGY, BackgroundWhat.NO_KNOWN_ALLERGY)
        ]
        for one in allergies:
            yield f"{_upper(one.words)} (checked {day_words(one.checked)})"
        if not allergies:
            yield "Allergies not recorded."
        drugs = [
            one
            for one in self.person.background
            if one.what in (BackgroundWhat.ANTICOAGULANT, BackgroundWhat.ANTIPLATELET)
        ]
        for one in drugs:
            # A dose told on another day may not be the last one any more.
            told_today = one.last_dose is not None and self._is_of_the_day(one.checked)
            blank = f"; {'since then' if one.last_dose is not None else 'last dose'}: {_BLANK}"
            yield f"{_upper(one.words)} (checked {day_words(one.checked)})" + ("" if told_today else blank)
        if not drugs:
            yield f"Anticoagulant or antiplatelet not recorded; last dose: {_BLANK}"
        infections = [
            found for view in self.views if view.in_body for found in view.findings if _is_infection(found.key)
        ]
        for found in infections:
            yield f"Infection: {found.words}, open since {day_words(found.since)}"
        for due in self.person.courses:
            yield f"{_upper(due.words)}"
        if not infections and not self.person.courses:
            yield "Infection: none open as far as recorded."
        for what in (
            BackgroundWhat.CARDIAC_LEAD,
            BackgroundWhat.PORT,
            BackgroundWhat.LINE,
            BackgroundWhat.ARM_NOT_TO_USE,
            BackgroundWhat.PRECAUTION,
            BackgroundWhat.SEDATION_RISK,
        ):
            told = self._background(what)
            if told:
                yield told
        if not self._background(BackgroundWhat.CARDIAC_LEAD):
            yield "Cardiac lead not recorded."
        if not self._background(BackgroundWhat.SEDATION_RISK):
            yield "Sedation risk not recorded."
        if self.main is not None:
            for conflict in self.main.conflicts:
                yield f"Two entries disagree. {conflict.first} {conflict.second}"

    def _today(self) -> Iterable[str]:
        session = self._last_session()
        last = _BLANK
        # Yesterday's numbers would be taken for today's; what is older than today is left to be filled in.
        if session is not None and self._is_of_the_day(session.happened):
            last = day_words(session.happened)
        yield f"Last dialysis: {last}   Potassium: {self._potassium()}"
        if self.main is not None and self.main.flow is not None:
            yield f"{_upper(self.main.flow.words)}."

    def _potassium(self) -> str:
        """The newest potassium of the day, with its time; a blank where there is none of the day."""
        held = [
            one
            for view in self.views
            for one in view.folded.measured
            if isinstance(one.fact, Measurement) and one.fact.potassium_mmol_l is not None
            if self._is_of_the_day(one.happened)
        ]
        if not held:
            return f"{'_' * 8} at {'_' * 6}"
        newest = max(held, key=lambda one: one.happened.earliest_in(self.history.zone))
        assert isinstance(newest.fact, Measurement)
        hour = newest.happened.earliest_in(self.history.zone).strftime("%H:%M") if "T" in newest.happened else "_" * 6
        return f"{quantity(newest.fact.potassium_mmol_l, 'mmol/L')} at {hour}"

    def _is_of_the_day(self, when: PartialDate) -> bool:
        """Whether something is known to be of the day of the sheet, and of no other."""
        zone = self.history.zone
        return when.earliest_in(zone).date() == self.day == when.latest_in(zone).date()

    def _last_session(self) -> InForce | None:
        used = [view.folded.last_use for view in self.views if view.folded.last_use is not None]
        return max(used, key=lambda one: one.happened.earliest_in(self.history.zone), default=None)

    def _anatomy(self) -> Iterable[str]:
        main = self.main
        if main is None:
            yield "No access in the body is recorded."
            return
        yield main.sentence
        if main.direction or main.material:
            yield f"{_upper('; '.join(part for part in (main.material, main.direction) if part))}."
        for tied in main.tied_to:
            yield f"{_upper(tied)}."
        for stage in (main.folded.made, main.folded.met, main.folded.second_stage, *main.folded.exchanges):
            if stage is not None:
                yield f"{day_words(stage.happened)}: {sentence_of(stage, self.words, self.people)}"
        for stent in main.stents:
            yield f"{_upper(stent.words)} ({day_words(stent.day)})."
        for lesion in main.lesions:
            if lesion.times >= 2 or lesion.times == 0:
                yield f"{_upper(lesion.words)}."
        yield (
            f"Last look {main.last_look}." if main.folded.examined is not None else "Not looked at, as far as recorded."
        )

    # --- The table of interventions ---

    def _table(self) -> Iterable[tuple[str, ...]]:
        yield ("Date", "Lesion or place", "Before", "After", "Balloon or device", "Result", "Interval")
        rows = list(self._rows()) if self.main is not None else []
        yield from rows
        if not rows:
            yield ("none recorded", "", "", "", "", "", "")

    def _rows(self) -> Iterable[tuple[str, ...]]:
        assert self.main is not None
        treated_on: dict[str, PartialDate] = {}
        told: set[tuple[str, str]] = set()
        for one in self.main.folded.interventions:
            fact = one.fact
            day = day_words(one.happened)
            if isinstance(fact, Angioplasty | Stent):
                for row in self._treatments(one, fact, treated_on, told):
                    yield (day, *row)
            elif isinstance(fact, Angiogram):
                if not self._treated_in(one):
                    found = "; ".join(lesion_words(lesion) for lesion in fact.lesions) or "no lesion recorded"
                    yield (day, "angiogram, no treatment recorded", found, "", "", "", "")
            elif isinstance(fact, Thrombectomy):
                result = {True: "flow restored", False: "flow not restored", None: "not recorded"}[fact.success]
                methods = listed(words_of(method) for method in fact.methods)
                clot = f"{words_of(fact.residual_clot)} clot" if fact.residual_clot else ""
                yield (day, "thrombectomy", "clot", clot, methods, result, "")
            elif isinstance(fact, Abandonment):
                why = because(fact.reason) if fact.reason else "reason not recorded"
                yield (day, f"{ENDINGS[fact.how].lower()}, {why}", "", "", "", "", "")
            elif isinstance(fact, Banding | Revision):
                how = words_of(fact.method, "") if isinstance(fact, Banding) else listed(map(words_of, fact.methods))
                before, after = (
                    f"flow {quantity(flow, 'mL/min')}" if flow else ""
                    for flow in (fact.flow_before_ml_min, fact.flow_after_ml_min)
                )
                yield (day, words_of_kind(one.kind), before, after, how, "", "")
            elif one.kind not in ("catheter-placed",):
                sentence = sentence_of(one, self.words, self.people)
                yield (day, words_of_kind(one.kind), "", "", "", sentence, "")

    def _treatments(
        self,
        one: InForce,
        fact: Angioplasty | Stent,
        treated_on: dict[str, PartialDate],
        told: set[tuple[str, str]],
    ) -> Iterable[tuple[str, ...]]:
        lesions = {lesion.lesion: lesion for lesion in fact.lesions}
        devices: dict[str, list[str]] = {}
        for lesion in fact.lesions:
            devices.setdefault(lesion.lesion, []).extend(balloon_words(balloon) for balloon in lesion.balloons)
        if isinstance(fact, Stent):
            for stent in fact.stents:
                sizes = " x ".join(str(size) for size in (stent.diameter_mm, stent.length_mm) if size is not None)
                kind = {True: "covered stent", False: "bare stent", None: "stent"}[stent.covered]
                name = f"{kind} {sizes} mm" if sizes else kind
                devices.setdefault(stent.lesion or f"at {place_words(stent.place) or 'not recorded'}", []).append(name)
        for lesion_id, used in devices.items():
            treated = lesions.get(lesion_id)
            key = (lesion_id, one.visit or one.happened[:10])
            interval = ""
            before = treated_on.get(lesion_id)
            if key not in told and before is not None:
                exact = len(before) >= 10 and len(one.happened) >= 10
                interval = (
                    counted((one.happened.earliest - before.earliest).days, "day") if exact else "not known to the day"
                )
            if key not in told:
                treated_on[lesion_id] = one.happened
            told.add(key)
            yield (
                self._place(lesion_id, treated),
                self._before(one, lesion_id, treated),
                residual_words(treated).removeprefix("residual ") if treated is not None else "",
                ", ".join(used),
                words_of(treated.outcome, "") if treated is not None else "",
                interval,
            )

    def _place(self, lesion_id: str, treated: LesionTreated | None) -> str:
        if treated is not None and treated.place is not None:
            return place_words(treated.place)
        assert self.main is not None
        known = next((lesion.place for lesion in self.main.lesions if lesion.lesion == lesion_id), None)
        return known or lesion_id.removeprefix("at ")

    def _before(self, one: InForce, lesion_id: str, treated: LesionTreated | None) -> str:
        if treated is not None and (treated.found_percent or treated.found_grade):
            return quantity(treated.found_percent, "%") or _grade(treated.found_grade)
        assert self.main is not None
        found, _ = self.main.folded.lesions.get(lesion_id, ([], []))
        for look in found:
            same = look.one.visit == one.visit if one.visit is not None else look.one.happened == one.happened
            if same:
                return quantity(look.lesion.stenosis_percent, "%") or _grade(look.lesion.grade)
        return ""

    def _treated_in(self, one: InForce) -> bool:
        assert self.main is not None
        return any(
            other is not one
            and isinstance(other.fact, Angioplasty | Stent | Thrombectomy)
            and (other.visit == one.visit if one.visit is not None else other.happened == one.happened)
            for other in self.main.folded.interventions
        )

    # --- Trend, use, doubts ---

    def _trend(self) -> Iterable[str]:
        main = self.main
        measured = main.folded.measured[-8:] if main is not None else []
        if not measured:
            yield "No measurement recorded."
        before: Measured | None = None
        for one in measured:
            fact = one.fact
            if isinstance(fact, Measurement):
                worked = [
                    f"{found.name} {found.printed}{f' ({found.note})' if found.note else ''}"
                    for found in worked_from(fact, before)
                    if found.value is not None
                ]
                sentence = sentence_of(one, self.words, self.people).rstrip(".")
                yield f"{day_words(one.happened)}: {sentence}" + (
                    f"; worked out: {'; '.join(worked)}" if worked else ""
                )
                before = fact.flow_ml_min or before
            elif isinstance(fact, Imaging | MaturityAssessed):
                yield f"{day_words(one.happened)}: access flow {quantity(fact.flow_ml_min, 'mL/min')}"
                before = fact.flow_ml_min or before

    def _use(self) -> Iterable[str]:
        main = self.main
        if main is not None:
            yield f"{main.name}: {main.use.words}"
            yield from (f"{told}." for told in main.needles)
            for where in main.not_to_needle:
                yield f"Not to needle: {where}"
        others = [view for view in self.views if view is not main and view.in_body]
        for view in others:
            yield f"Also in the body: {view.sentence}"
        if not others:
            yield "No other access in the body is recorded."
        if self.person.life_plan_day is not None:
            yield f"{day_words(self.person.life_plan_day)}: {self.person.life_plan}"
        else:
            yield "Next access: no plan recorded."
        for decision in self.person.decisions:
            yield f"Decision: {decision.words}"

    def _doubts(self) -> Iterable[str]:
        if self.person.unknown_before is not None:
            yield f"Earlier history unknown before {day_words(self.person.unknown_before)}."
        elif self.main is not None and self.main.folded.made is None:
            yield "When it was made is not recorded; earlier history may be missing."
        yield from (line.text for line in waiting_lines(self.waiting))
        for doubt in shown_doubts(self.doubts, self.views):
            yield f"In doubt: {doubt.words}"
        yield from (*(word for view in self.views for word in view.possibly), *self.person.possibly)
        bulk = sum(1 for one in self.history.facts if one.entry.recorded_by.how is ConfirmedHow.IN_BULK)
        if bulk:
            yield f"{counted(bulk, 'entry', 'entries')} confirmed in bulk, without reading each."
        looks = [
            one.fact
            for one in (self.main.folded.interventions if self.main is not None else [])
            if isinstance(one.fact, Angiogram)
        ]
        if looks and all(look.central_veins is None for look in looks):
            yield "Whether the central veins were ever seen is not recorded."
        yield "Not recorded is not the same as not present."

    def _schedule(self) -> Iterable[str]:
        unit = self.person.unit or self.patient.unit
        shift = self.person.shift or self.patient.shift
        name = (self.people(unit) or unit) if unit is not None else "not recorded"
        yield f"Unit: {name}; shift: {(self.people(shift) or shift) if shift is not None else 'not recorded'}"
        yield f"Send the report to: {name if unit is not None else _BLANK}"

    def _cautions(self) -> tuple[str, ...]:
        streams = (self.history.entries, *(entries for _, entries in self.history.merged))
        newest = max((entry.recorded_at for entries in streams for entry in entries), default=None)
        up_to = "nothing is recorded"
        if newest is not None:
            moment = datetime.fromisoformat(newest).astimezone(self.history.zone)
            up_to = f"{date_words(moment.date())} {moment:%H:%M}"
        local = self.now.astimezone(self.history.zone)
        return (
            f"Recorded facts up to {up_to}; printed {local:%H:%M} on {date_words(local.date())}.",
            *CAUTIONS,
        )

    def _background(self, what: BackgroundWhat) -> str:
        return "; ".join(
            f"{_upper(one.words)} (checked {day_words(one.checked)})"
            for one in self.person.background
            if one.what is what
        )


_BLANK = "_" * 24


def _is_infection(key: str) -> bool:
    return key.startswith(("infection-", "culture", "skin-pus", "fever"))


def _grade(grade: Grade | None) -> str:
    return words_of(grade, "") if grade is not None else ""


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]


# --- Laying it out ------------------------------------------------------------------------------------------------

_COLUMNS = (18, 17, 13, 13, 18, 11)
"""Widths of the columns of the table but the last, which has what is left."""


def _laid_out(part: Part, width: int) -> list[str]:
    lines = []
    if part.heading:
        lines += ["", part.heading.upper()]
    elif part.key == "cautions":
        lines.append("")
    for text in part.lines:
        lines += textwrap.wrap(text, width, subsequent_indent="  ", break_on_hyphens=False) or [""]
    for row in part.table:
        lines += _row(row, width)
    return lines


def _row(cells: Sequence[str], width: int) -> list[str]:
    scale = width / WIDTH
    widths = [max(8, int(column * scale)) for column in _COLUMNS]
    widths.append(max(8, width - sum(widths)))
    wrapped = [
        # In a narrow column a long word is broken at its hyphen: juxta-, anastomotic.
        textwrap.wrap(cell, column - 1) or [""]
        for cell, column in zip(cells, widths, strict=True)
    ]
    deep = max(len(cell) for cell in wrapped)
    return [
        "".join(
            (cell[index] if index < len(cell) else "").ljust(column)
            for cell, column in zip(wrapped, widths, strict=True)
        ).rstrip()
        for index in range(deep)
    ]
