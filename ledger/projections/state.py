"""What is true of an access on a day: five facts, each with its day and how it is known.

An access has no single status. It has a body, a flow, a readiness, a use and a standing;
the one sentence that a nurse reads is made of them here and is never stored. Beside them
stand what is open: findings, conflicts (two sentences, not one guess), instructions,
sutures, lesions that come back, stents, and what a needle has to keep away from.

What does not depend on the day is folded in `folding`; here a day is added. A view as of
a day is made from `history.seen(as_of=…)`; what may have happened by then is told beside
the facts and moves none of them.

To add something that is shown of an access, add a field to `AccessView` and fill it in
`_view`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, is_dataclass
from datetime import date
from functools import cached_property
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from ledger.chronology import History, InForce
from ledger.dates import PartialDate, age_words
from ledger.events import (
    Abandonment,
    AccessPlanned,
    CannulationSession,
    CatheterExchanged,
    Examination,
    FirstCannulation,
    FollowUpEnded,
    Instruction,
    Measurement,
    Stent,
)
from ledger.projections.folding import (
    Body,
    Claim,
    FlowIs,
    Folded,
    Folds,
    Readiness,
    Standing,
    Treated,
    UseIs,
    fold_of,
)
from ledger.projections.formulas import is_worth_a_line, worked_from
from ledger.projections.proving import Dialysis, dialyses_of
from ledger.projections.rows import name_of, readiness_of
from ledger.projections.sentences import (
    because,
    examination_words,
    instruction_words,
    nobody,
    place_words,
    residual_words,
    sentence_of,
    stent_words,
)
from ledger.projections.wording import NamesOf, WordsOf, counted, day_words, listed, nth, on_day, quantity
from ledger.vocabulary import (
    AccessKind,
    Configuration,
    EndOfFollowUp,
    ExchangeForm,
    GraftMaterial,
    InstructionWhat,
    LesionPlace,
    NeedleTrouble,
    Side,
    words_of,
)

HEALING_DAYS = 14
"""Below this age an access is called healing, above it maturing. Common practice, no source."""

MATURING_DAYS = 183
"""Above this age an access that nobody judged or needled is no longer called maturing: six months, as in the
suitability definitions of PMC6475715, table 3."""

ENDED_SHOWN_DAYS = 14
"""For so many days an instruction that ended is shown as ended, so that it does not vanish silently. Ours."""


INTERVALS_TOLD = 5
"""So many intervals between treatments of one lesion are told in words; all of them are in `LesionView.intervals`."""


@dataclass(frozen=True, kw_only=True)
class FiveFact:
    """One of the five facts. `state` is the code; `words` say it; `roots` are the entries that it rests on."""

    state: str
    words: str
    day: PartialDate | None = None
    how: str = ""
    roots: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class FindingView:
    """A finding that nothing has closed, and since when."""

    key: str
    words: str
    since: PartialDate
    root: str


@dataclass(frozen=True, kw_only=True)
class ConflictView:
    """Two sentences that cannot both be the whole truth. Nobody has settled which one is."""

    about: str
    first: str
    second: str
    roots: tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class TreatmentView:
    """One treatment of a lesion: its day, what was done, what was left."""

    day: PartialDate
    what: str
    residual: str
    root: str


@dataclass(frozen=True, kw_only=True)
class LesionView:
    """A lesion with its treatments, oldest first. `intervals` are days between them; None where no day is known."""

    lesion: str
    place: str
    side: str | None
    treatments: tuple[TreatmentView, ...]
    intervals: tuple[int | None, ...]
    found: tuple[tuple[PartialDate, str], ...]
    words: str

    @property
    def times(self) -> int:
        """How many times it was treated."""
        return len(self.treatments)


@dataclass(frozen=True, kw_only=True)
class StentView:
    """A stent that lies in the circuit."""

    device: str
    day: PartialDate
    words: str
    place: str | None
    covered: bool | None
    across_needle_zone: bool | None
    root: str


@dataclass(frozen=True, kw_only=True)
class InstructionView:
    """An instruction of a report on this day.

    `state`: `waits` (its first day is still to come), `in-force`, `past-due` (its due day is over and nothing
    answered it), `ended` (its last day is over), `replaced` (a later report said otherwise), `answered`, `overtaken`
    (the access was needled all the same). `ended_on` is the day on which it ended, and `ending` says how.
    """

    what: InstructionWhat
    words: str
    state: str
    given: PartialDate
    due: PartialDate | None
    until: PartialDate | None
    ended_on: PartialDate | None
    ending: str
    root: str

    @property
    def holds(self) -> bool:
        """Whether somebody has to heed it today."""
        return self.state in ("waits", "in-force", "past-due")


@dataclass(frozen=True, kw_only=True)
class AccessView:
    """One access on one day. `facts` of practice: `body`, `flow` (None for a catheter), `readiness`, `use`, `standing`.

    `sentence` is the one sentence made of them. `catheter` holds a catheter's own words. Days are partial dates in the
    letters in which they were said; `days_in_body` is None where the day is not known.
    """

    access: str
    name: str
    access_kind: AccessKind | None
    side: Side | None
    other_side: Side | None
    today: date
    sentence: str
    body: FiveFact
    flow: FiveFact | None
    readiness: FiveFact
    use: FiveFact
    standing: FiveFact
    opened: PartialDate | None
    age: str
    second_stage: PartialDate | None
    days_in_body: int | None
    days_of_device: int | None
    catheter: str | None
    beside_proven: str | None
    direction: str
    material: str
    findings: tuple[FindingView, ...]
    findings_words: str
    referred: PartialDate | None
    conflicts: tuple[ConflictView, ...]
    lesions: tuple[LesionView, ...]
    stents: tuple[StentView, ...]
    not_to_needle: tuple[str, ...]
    instructions: tuple[InstructionView, ...]
    last_look: str
    last_look_root: str | None
    last_measured: str
    needles: tuple[str, ...]
    last_use: PartialDate | None
    interventions: int
    last_intervention: PartialDate | None
    tied_to: tuple[str, ...]
    possibly: tuple[str, ...]
    doubts: int
    entries: int
    bulk: int
    folded: Folded = field(repr=False, compare=False)

    @property
    def in_body(self) -> bool:
        """Whether it is still in the body as far as anybody said; an access that is only planned is not."""
        return not self.folded.body.state.is_out and self.folded.body.state is not Body.PLANNED

    @property
    def is_open(self) -> bool:
        """In the body, or planned, and not given up."""
        return not self.folded.body.state.is_out and self.folded.standing.state is not Standing.GIVEN_UP

    @property
    def is_catheter(self) -> bool:
        return self.access_kind is not None and self.access_kind.is_catheter

    @property
    def is_proven(self) -> bool:
        """Proven by use, by the named rule in `readiness.how`."""
        return self.readiness.state == Readiness.PROVEN

    @property
    def is_thrombosed(self) -> bool:
        return self.flow is not None and self.flow.state == FlowIs.THROMBOSED

    def to_json(self) -> dict[str, Any]:
        """The view as plain JSON values: every field but the fold itself."""
        return {one.name: plain(getattr(self, one.name)) for one in fields(self) if one.name != "folded"}


def accesses_of(
    history: History, today: date, words: WordsOf | None = None, people: NamesOf = nobody
) -> tuple[AccessView, ...]:
    """Every access of the history on a day, in the order in which they first appear clinically.

    `today` is a day of the unit's zone. Without `words` no words of reports are told, only that they are not held;
    `people` gives the names of persons, units and centres by id.
    """
    return views_of(fold_of(history), history, today, words or _no_words, people)


def views_of(
    folds: Folds, history: History, today: date, words: WordsOf, people: NamesOf = nobody
) -> tuple[AccessView, ...]:
    """The same, for whoever has folded the history already."""
    names = {access: name_of(folded) for access, folded in folds.accesses.items()}
    dialyses = dialyses_of(folds, history.zone)
    ready = {access: readiness_of(folded, dialyses, history) for access, folded in folds.accesses.items()}
    proven = [
        access
        for access, claim in ready.items()
        if claim.state is Readiness.PROVEN and _is_kept(folds.accesses[access])
    ]
    made = _Maker(history, today, words, people, names, ready, proven, dialyses, folds)
    return tuple(made.view(folded) for folded in folds.accesses.values())


def _is_kept(a: Folded) -> bool:
    flows = a.flow.state not in (FlowIs.THROMBOSED, FlowIs.NOT_FOUND)
    return not a.body.state.is_out and a.standing.state is not Standing.GIVEN_UP and flows


def _no_words(_: Any) -> str | None:
    return None


@dataclass
class _Maker:
    """Adds a day to what was folded. Holds what every access needs to know of the others."""

    history: History
    today: date
    words: WordsOf
    people: NamesOf
    names: dict[str, str]
    ready: dict[str, Claim]
    proven: list[str]
    dialyses: Sequence[Dialysis]
    folds: Folds

    @property
    def zone(self) -> ZoneInfo:
        return self.history.zone

    @cached_property
    def counted_to(self) -> date:
        """The day to which ages and days in the body are counted: the day of the view, or that of the death."""
        ended = self.folds.person.last_of("follow-up-ended")
        if ended is None or not isinstance(ended.fact, FollowUpEnded) or ended.fact.reason is not EndOfFollowUp.DEATH:
            return self.today
        return min(self.today, ended.happened.latest_in(self.zone).date())

    def name(self, key: str) -> str | None:
        return self.names.get(key) or self.people(key)

    def view(self, a: Folded) -> AccessView:
        ready = self.ready[a.access]
        instructions = tuple(self._instructions(a, ready))
        lesions = tuple(self._lesions(a))
        findings = _findings(a)
        referred = self._referred(a, findings)
        body = self._body(a)
        flow = None if a.is_catheter else self._flow(a)
        readiness = self._readiness(a, ready)
        use = self._use(a, instructions)
        standing = _standing(a)
        beside = self._beside(a)
        findings_words = _findings_words(findings, referred)
        catheter = self._catheter(a) if a.is_catheter else None
        return AccessView(
            access=a.access,
            name=self.names[a.access],
            access_kind=a.access_kind,
            side=a.side,
            other_side=a.other_side,
            today=self.today,
            sentence=self._sentence(a, body, flow, readiness, use, standing, catheter, findings_words, beside),
            body=body,
            flow=flow,
            readiness=readiness,
            use=use,
            standing=standing,
            opened=a.opened,
            age=self._age(a),
            second_stage=None if a.second_stage is None else a.second_stage.fact.happened,
            days_in_body=self._days_since(a.opened) if not a.body.state.is_out else None,
            days_of_device=self._days_since(a.device_since.fact.happened)
            if a.device_since is not None and not a.body.state.is_out
            else None,
            catheter=catheter,
            beside_proven=beside,
            direction=_direction(a),
            material=_material(a),
            findings=findings,
            findings_words=findings_words,
            referred=referred,
            conflicts=tuple(self._conflicts(a)),
            lesions=lesions,
            stents=tuple(_stents(a)),
            not_to_needle=tuple(self._not_to_needle(a, instructions)),
            instructions=instructions,
            last_look=self._last_look(a),
            last_look_root=None if a.examined is None else a.examined.root,
            last_measured=_last_measured(a),
            needles=tuple(_needles(a, instructions)),
            last_use=None if a.last_use is None else a.last_use.fact.happened,
            interventions=len(a.interventions),
            last_intervention=a.interventions[-1].fact.happened if a.interventions else None,
            tied_to=tuple(self._tied(a)),
            possibly=tuple(
                f"Possibly by then ({day_words(one.happened)}): {sentence_of(one, self.words, self.name)}"
                for one in a.possibly
            ),
            doubts=a.doubts,
            entries=a.entries,
            bulk=sum(
                1
                for one in self.history.facts
                if one.access == a.access and one.entry.recorded_by.how.value == "in-bulk"
            ),
            folded=a,
        )

    # --- The five facts ---

    def _body(self, a: Folded) -> FiveFact:
        claim = a.body
        said = on_day(claim.one.fact.happened) if claim.one is not None else ""
        match claim.state:
            case Body.UNKNOWN:
                words = "that it was made or placed is not recorded"
            case Body.PLANNED:
                words = f"planned {said}, not made yet as far as recorded"
                planned = claim.one.fact if claim.one else None
                if isinstance(planned, AccessPlanned) and planned.planned_for:
                    words += f"; planned for {day_words(planned.planned_for)}"
            case Body.MET:
                made = f"made {on_day(a.opened)}" if a.opened is not None else "when it was made is not recorded"
                words = f"in the body, first met {said}; {made}"
            case Body.MADE | Body.PLACED:
                opened = a.made.fact.happened if a.made is not None else None
                words = f"{claim.state.value} {on_day(opened)}" if opened else f"in the body {said}"
            case _:
                why = f" ({claim.how})" if claim.how else ""
                words = f"{words_of(claim.state)} {said}{why}"
        return _fact(claim, words)

    def _flow(self, a: Folded) -> FiveFact:
        if a.body.state.is_out:
            return FiveFact(state=FlowIs.UNKNOWN, words="no longer asked")
        return _fact(a.flow, _flow_words(a), also=a.flow_also)

    def _readiness(self, a: Folded, claim: Claim) -> FiveFact:
        day = on_day(claim.one.fact.happened) if claim.one is not None else ""
        state: str = claim.state
        how = claim.how
        match claim.state:
            case Readiness.NOT_ASKED:
                words = "not asked of a catheter"
            case Readiness.PROVEN:
                words = f"proven by use {day} (rule: {claim.how})"
            case Readiness.TRIED:
                first = a.first_needle or a.needle_uses[0]
                words = f"being tried since {day_words(first.fact.happened)}, not proven by a rule yet"
            case Readiness.READY:
                words = f"judged ready {day} ({f'rule: {claim.how}' if claim.how else 'rule not recorded'}"
                if claim.one is not None:
                    person = claim.one.entry.recorded_by.person
                    words += f", recorded by {self.people(person) or person})"
            case Readiness.NOT_READY:
                words = f"judged not ready {day}" + (f" (rule: {claim.how})" if claim.how else "")
            case Readiness.NEVER:
                words = f"never became usable, said {day}"
            case Readiness.NEW:
                state, words = self._young(a)
            case _:
                words = "readiness not recorded"
        return FiveFact(
            state=state,
            words=words,
            day=None if claim.one is None else claim.one.fact.happened,
            how=how,
            roots=() if claim.one is None else (claim.one.root,),
        )

    def _young(self, a: Folded) -> tuple[str, str]:
        since = a.second_stage or a.made
        if since is None:
            return Readiness.UNKNOWN, "readiness not recorded"
        early = a.material is GraftMaterial.EARLY_CANNULATION
        note = "; early-cannulation material" if early else ""
        aided = f", aided ({listed(_aid(one) for one in a.aided)})" if a.aided else ""
        happened = since.fact.happened
        least, most = self._days(happened)
        stage = "the second stage" if a.second_stage is not None else "it was made"
        if most < HEALING_DAYS:
            return "healing", f"healing, {_days_text(least, most)} since {stage}{note}"
        if least >= MATURING_DAYS:
            return Readiness.UNKNOWN, f"readiness not recorded{note}"
        word = "maturing" if least >= HEALING_DAYS else "healing or maturing"
        return word.replace(" ", "-"), f"{word}{aided}, not judged yet, {_days_text(least, most)} since {stage}{note}"

    def _use(self, a: Folded, instructions: Sequence[InstructionView]) -> FiveFact:
        if a.body.state.is_out:
            return FiveFact(state=UseIs.UNKNOWN, words="no longer used", day=_happened(a.last_use))
        claim = a.use
        day = on_day(claim.one.fact.happened) if claim.one is not None else ""
        rest = next((one for one in instructions if one.holds and one.what is InstructionWhat.REST), None)
        if rest is not None and rest.state != "waits":
            until = f" until {day_words(rest.until)}" if rest.until else ", until when is not recorded"
            last = f"; last use known {on_day(a.last_use.fact.happened)}" if a.last_use is not None else ""
            return FiveFact(
                state=UseIs.RESTING,
                words=f"resting since {day_words(rest.given)}{until}{last}",
                day=rest.given,
                how="instruction",
                roots=(rest.root,),
            )
        last = f"; last use known {on_day(a.last_use.fact.happened)}" if a.last_use is not None else ""
        match claim.state:
            case UseIs.IN_USE:
                how = f" with {claim.how}" if claim.how in ("two needles", "needles") else ""
                words = f"in use{how}, last use known {day}"
                if a.standing.state is Standing.GIVEN_UP:
                    words = f"was used{how} until it was given up, last use known {day}"
                if a.unused is not None and a.is_catheter:
                    words = f"last use known {day}, not recorded as used since"
            case UseIs.PARTLY:
                words = f"partly used, one needle and a catheter line, last {day}"
            case UseIs.RESERVE:
                words = f"kept in reserve, decided {day}{last}"
            case UseIs.NOT_USED:
                words = f"not used {day}, reason unknown{last}"
            case UseIs.RESTING:
                words = f"resting since {day_words(claim.one.fact.happened) if claim.one else ''}"
            case UseIs.BURIED:
                words = f"buried since {day_words(claim.one.fact.happened) if claim.one else ''}, not used yet"
            case UseIs.BOTH:
                words = f"told both as used and as not used {day}"
            case _:
                words = "use unknown"
        return _fact(claim, words)

    # --- The sentence ---

    def _sentence(
        self,
        a: Folded,
        body: FiveFact,
        flow: FiveFact | None,
        readiness: FiveFact,
        use: FiveFact,
        standing: FiveFact,
        catheter: str | None,
        findings: str,
        beside: str | None,
    ) -> str:
        name = self.names[a.access]
        if a.body.state.is_out:
            given = f"; {standing.words}" if a.standing.state is Standing.GIVEN_UP and not body.words else ""
            return f"{name}: {body.words}{given}."
        if a.body.state is Body.PLANNED:
            return f"{name}: {body.words}."
        parts = [self._age(a)]
        if a.standing.state is not Standing.KEPT:
            parts.append(standing.words)
        if catheter is not None:
            parts += [catheter, beside or "", findings]
        elif a.standing.state is Standing.GIVEN_UP:
            parts.append("still in the body")
            parts.append(flow.words if flow is not None else "")
        else:
            parts += [flow.words if flow is not None else "", readiness.words, use.words, findings]
        return f"{name}: {'; '.join(part for part in parts if part)}."

    def _catheter(self, a: Folded) -> str:
        """A catheter in its own words: in and used, in and not used since, in with trouble open, exchanged, out."""
        if a.body.state.is_out:
            return self._body(a).words
        parts = []
        if a.exchanges:
            last = a.exchanges[-1]
            fact = last.fact
            if isinstance(fact, CatheterExchanged):
                parts.append(f"exchanged {on_day(fact.happened)} {_exchange_words(fact)}")
        trouble = [found for key, found in sorted(a.findings.items()) if key.startswith("trouble-")]
        use = a.use
        day = use.one.fact.happened if use.one is not None else None
        if use.state is UseIs.BURIED:
            parts.append(f"buried since {day_words(day)}")
        elif use.state is UseIs.RESTING:
            parts.append(f"in and resting since {day_words(day)}")
        elif trouble:
            oldest = min(found.one.fact.happened for found in trouble)
            what = listed(found.words for found in trouble)
            parts.append(f"in, trouble open since {day_words(oldest)}: {what}")
        elif use.state is UseIs.NOT_USED:
            parts.append(f"in and not used {on_day(day)}")
        elif use.state is UseIs.IN_USE and a.unused is not None:
            other = self.names.get(a.unused.access or "", "another access")
            without = "" if self._beside(a) else f"; {other} used {on_day(a.unused.fact.happened)} without it"
            parts.append(f"in and not recorded as used since {day_words(day)}{without}")
        elif use.state is UseIs.IN_USE:
            parts.append(f"in and used, last {on_day(day)}")
        elif use.state is UseIs.BOTH:
            parts.append(self._use(a, ()).words)
        else:
            parts.append("in, use unknown")
        if a.tip is not None:
            parts.append(f"tip in the {words_of(a.tip)}")
        return "; ".join(parts)

    def _beside(self, a: Folded) -> str | None:
        if not (a.access_kind is not None and a.access_kind.is_central_line) or not a.body.state.is_in:
            return None
        others = [access for access in self.proven if access != a.access]
        if not others:
            return None
        since = self.ready[others[0]].one
        day = f", proven {on_day(since.fact.happened)}" if since is not None else ""
        return f"catheter still in beside a proven access ({self.names[others[0]]}{day})"

    def _age(self, a: Folded) -> str:
        opened = a.opened
        if a.is_catheter and opened is not None and not a.body.state.is_out:
            return self._days_in(a, opened)
        if opened is None:
            words = "age not recorded"
        elif len(opened) < 10:
            words = f"{'placed' if a.is_catheter else 'made'} {on_day(opened)}"
        else:
            made = f"{'placed' if a.is_catheter else 'made'} {on_day(opened[:10])}"
            words = f"{age_words(opened.earliest, self.counted_to)} old ({made})"
        if a.second_stage is not None:
            second = a.second_stage.fact.happened
            since = f"{age_words(second.earliest, self.counted_to)} ago" if len(second) >= 10 else on_day(second)
            words += f", second stage {since}" + (f" ({on_day(second[:10])})" if len(second) >= 10 else "")
        return words

    def _days_in(self, a: Folded, placed: PartialDate) -> str:
        """For a catheter the days in the body are always shown, and those of the catheter that now lies there."""
        days = self._days_since(placed)
        words = f"placed {on_day(placed)}" + (f", {counted(days, 'day')} in the body" if days is not None else "")
        device = a.device_since
        if device is not None and device.fact.happened != placed:
            own = self._days_since(device.fact.happened)
            words += f", this catheter {counted(own, 'day')}" if own is not None else ""
        return words

    # --- What is open ---

    def _referred(self, a: Folded, findings: Sequence[FindingView]) -> PartialDate | None:
        if a.referral is None:
            return None
        if findings:
            oldest = min(found.since.earliest_in(self.zone) for found in findings)
            if a.referral.fact.happened.latest_in(self.zone) < oldest:
                return None
        return a.referral.fact.happened

    def _conflicts(self, a: Folded) -> list[ConflictView]:
        told = []
        for about, first, second in a.conflicts:
            told.append(
                ConflictView(
                    about=about,
                    first=self._dated(first),
                    second=self._dated(second),
                    roots=(first.root, second.root),
                )
            )
        return told

    def _dated(self, one: InForce) -> str:
        said = on_day(one.fact.happened)
        return f"{said[0].upper()}{said[1:]}: {sentence_of(one, self.words, self.name)}"

    def _lesions(self, a: Folded) -> list[LesionView]:
        views = []
        for lesion, (found, treated) in a.lesions.items():
            views.append(_lesion_view(lesion, found, treated))
        views.sort(key=lambda view: (-(view.times), view.lesion))
        return views

    def _instructions(self, a: Folded, ready: Claim) -> list[InstructionView]:
        return [self._instruction(a, one, ready) for one in a.instructions]

    def _instruction(self, a: Folded, one: InForce, ready: Claim) -> InstructionView:
        fact = one.fact
        assert isinstance(fact, Instruction)
        state, ended, ending = self._instruction_state(a, one, fact, ready)
        return InstructionView(
            what=fact.what,
            words=instruction_words(fact, self.words),
            state=state,
            given=fact.happened,
            due=fact.due or (fact.until if fact.what is InstructionWhat.SUTURES else None),
            until=fact.until,
            ended_on=ended,
            ending=ending,
            root=one.root,
        )

    def _instruction_state(
        self, a: Folded, one: InForce, fact: Instruction, ready: Claim
    ) -> tuple[str, PartialDate | None, str]:
        what = fact.what
        if a.body.state.is_out and a.body.one is not None:
            return "ended", a.body.one.fact.happened, f"the access is {words_of(a.body.state)}"
        if what is InstructionWhat.SUTURES and fact.sutures == 0:
            return "answered", fact.happened, "sutures out"
        # Sutures stay in until somebody says that they are out; their `until` is the day on which they are due.
        over = fact.until is not None and what is not InstructionWhat.SUTURES
        ends = fact.until if over else None
        for later in a.instructions:
            if later is not one and self._is_later(later, one) and _ends(later, one) and self._has_begun(later):
                if ends is not None and ends.latest_in(self.zone) < later.fact.happened.earliest_in(self.zone):
                    break  # It had ended by itself before anybody said otherwise.
                return "replaced", later.fact.happened, f"by what was said {on_day(later.fact.happened)}"
        if what in (InstructionWhat.NEXT_TEST, InstructionWhat.FOLLOW_UP):
            done = next((visit for visit in a.visits if self._is_later(visit, one)), None)
            if done is not None:
                return "answered", done.fact.happened, f"by the visit {on_day(done.fact.happened)}"
        if ends is not None and ends.latest_in(self.zone).date() < self.today:
            return "ended", ends, f"was said until {day_words(ends)}"
        used = self._needled_since(a, one, fact)
        if used is not None and fact.place is None:
            if what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.REST, InstructionWhat.DIALYSE_BY_CATHETER):
                return "overtaken", used.fact.happened, f"needled since, {on_day(used.fact.happened)}"
            if what is InstructionWhat.USABLE and (not _restricts(fact) or ready.state is Readiness.PROVEN):
                return "answered", used.fact.happened, f"needled since, {on_day(used.fact.happened)}"
        if fact.from_day is not None and fact.from_day.earliest_in(self.zone).date() > self.today:
            return "waits", None, ""
        due = fact.due or (fact.until if what is InstructionWhat.SUTURES else None)
        if due is not None and due.latest_in(self.zone).date() < self.today:
            return "past-due", None, ""
        return "in-force", None, ""

    def _is_later(self, later: InForce, earlier: InForce) -> bool:
        return later.fact.happened.earliest_in(self.zone) > earlier.fact.happened.earliest_in(self.zone)

    def _has_begun(self, one: InForce) -> bool:
        fact = one.fact
        begins = fact.from_day if isinstance(fact, Instruction) else None
        return begins is None or begins.earliest_in(self.zone).date() <= self.today

    def _needled_since(self, a: Folded, one: InForce, fact: Instruction) -> InForce | None:
        begins = (fact.from_day or fact.happened).latest_in(self.zone)
        if fact.what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.REST, InstructionWhat.DIALYSE_BY_CATHETER):
            begins = fact.happened.latest_in(self.zone)
        for use in a.needle_uses:
            if use.fact.happened.earliest_in(self.zone) > begins:
                return use
        return None

    def _not_to_needle(self, a: Folded, instructions: Sequence[InstructionView]) -> list[str]:
        told = []
        stents: dict[str, list[str]] = {}
        for treated in a.stents:
            stent = treated.stent
            if stent is not None and (stent.across_needle_zone or may_be_needled(stent.place)):
                stents.setdefault(stent_words(stent), []).append(day_words(treated.one.fact.happened))
        for words, days in stents.items():
            times = f", {len(days)} of them, the last" if len(days) > 1 else ""
            told.append(f"{words} ({days[-1]})" if not times else f"{words}{times} of {days[-1]}")
        for instruction in instructions:
            if instruction.what is InstructionWhat.NOT_TO_NEEDLE and instruction.holds:
                told.append(f"{instruction.words} (report of {day_words(instruction.given)})")
        for key, found in sorted(a.findings.items()):
            if key.startswith("skin-"):
                told.append(f"{found.words} (since {day_words(found.one.fact.happened)})")
        for key in ("complication-aneurysm", "complication-pseudoaneurysm", "complication-infiltration"):
            if key in a.findings:
                told.append(f"{a.findings[key].words} (since {day_words(a.findings[key].one.fact.happened)})")
        if "needle-infiltration" in a.findings:
            told.append(f"infiltration (since {day_words(a.findings['needle-infiltration'].one.fact.happened)})")
        return told

    def _last_look(self, a: Folded) -> str:
        one = a.examined
        if one is None or not isinstance(one.fact, Examination):
            return "not looked at, as far as recorded"
        found = examination_words(one.fact) or "no finding recorded"
        return f"{day_words(one.fact.happened)}: {found}"

    def _tied(self, a: Folded) -> list[str]:
        told = []
        if a.continues_from is not None:
            told.append(f"begun out of {self.names.get(a.continues_from, a.continues_from)}")
        for other in self.folds.accesses.values():
            if other.continues_from == a.access:
                told.append(f"gone on as {self.names[other.access]}")
        return told

    # --- Days ---

    def _days(self, happened: PartialDate) -> tuple[int, int]:
        """The fewest and the most days that can have passed since then."""
        return (
            (self.today - happened.latest_in(self.zone).date()).days,
            (self.today - happened.earliest_in(self.zone).date()).days,
        )

    def _days_since(self, happened: PartialDate | None) -> int | None:
        if happened is None or len(happened) < 10:
            return None
        return (self.counted_to - happened.earliest_in(self.zone).date()).days


# --- Parts that need no day ---------------------------------------------------------------------------------------


def _fact(claim: Claim, words: str, also: Claim | None = None) -> FiveFact:
    roots = tuple(one.root for one in (also.one if also else None, claim.one) if one is not None)
    return FiveFact(
        state=claim.state,
        words=words,
        day=None if claim.one is None else claim.one.fact.happened,
        how=claim.how,
        roots=roots,
    )


def _flow_words(a: Folded) -> str:
    claim = a.flow
    if claim.one is None:
        return "flow not recorded"
    day = on_day(claim.one.fact.happened)
    match claim.state:
        case FlowIs.SEEN:
            return f"flow seen {day} by {claim.how}"
        case FlowIs.NOT_FOUND if claim.how == "examination":
            fact = claim.one.fact
            what = "no thrill found"
            if isinstance(fact, Examination):
                gone = [
                    name
                    for name, value in (("thrill", fact.thrill), ("bruit", fact.bruit))
                    if value is not None and value.value == "absent"
                ]
                what = f"no {listed(gone, 'or')} found"
            return f"{what} {day}, not confirmed"
        case FlowIs.NOT_FOUND:
            return f"no flow found {day} by {claim.how}, not confirmed"
        case FlowIs.THROMBOSED:
            return f"thrombosed {day} ({claim.how})"
        case FlowIs.BOTH if a.flow_also is not None and a.flow_also.one is not None:
            other = on_day(a.flow_also.one.fact.happened)
            return f"told both ways: {_short(a.flow_also)} {other}; {_short(claim, a.flow_also)} {day}"
        case _:
            return f"flow unknown since {day_words(claim.one.fact.happened)}" + (f" ({claim.how})" if claim.how else "")


def _short(claim: Claim, other: Claim | None = None) -> str:
    if other is not None:
        # The second of two that disagree: it says what the first does not.
        return f"{'no flow' if other.state is FlowIs.SEEN else 'flow seen'} by {claim.how}"
    return f"{'flow seen' if claim.state is FlowIs.SEEN else 'no flow'} by {claim.how}"


def _standing(a: Folded) -> FiveFact:
    claim = a.standing
    day = on_day(claim.one.fact.happened) if claim.one is not None else ""
    match claim.state:
        case Standing.GIVEN_UP:
            given_up = claim.one.fact if claim.one is not None else None
            reason = given_up.reason if isinstance(given_up, Abandonment) else None
            why = f", {because(reason)}" if reason is not None else ", reason not recorded"
            words = f"given up {day}{why}"
        case Standing.TAKEN_UP:
            before = f"given up {on_day(a.given_up.fact.happened)}, " if a.given_up is not None else ""
            words = f"{before}taken up again {day}"
        case Standing.ENDED:
            words = f"ended {day}"
        case _:
            words = "kept"
    return _fact(claim, words)


def _findings(a: Folded) -> tuple[FindingView, ...]:
    views = [
        FindingView(key=key, words=found.words, since=found.one.fact.happened, root=found.one.root)
        for key, found in a.findings.items()
    ]
    views.sort(key=lambda view: view.since)  # of one look, in the order in which one looks: the thrill first
    return tuple(views)


def _findings_words(findings: Sequence[FindingView], referred: PartialDate | None) -> str:
    if not findings:
        return ""
    told = listed(dict.fromkeys(found.words for found in findings))
    referral = f"referred {on_day(referred)}" if referred is not None else "not referred"
    return f"findings open since {day_words(findings[0].since)}: {told}; {referral}"


def _direction(a: Folded) -> str:
    """Which limb carries the arterial side. A wrong guess makes recirculation, so nothing is guessed."""
    if a.is_catheter:
        return ""
    shape = words_of(a.configuration, "") if a.configuration is not Configuration.TRANSPOSED else ""
    if a.arterial_limb is not None:
        part = "limb" if a.configuration is Configuration.LOOP else "end"
        return ", ".join(word for word in (shape, f"arterial {part} {words_of(a.arterial_limb)}") if word)
    if a.access_kind is AccessKind.FISTULA:
        return ", ".join(word for word in (shape, "direction of flow not recorded") if word)
    return ", ".join(word for word in (shape, "limb side not recorded") if word)


def _material(a: Folded) -> str:
    return words_of(a.material, "")


def _stents(a: Folded) -> list[StentView]:
    views = []
    for treated in a.stents:
        stent = treated.stent
        if stent is None:
            continue
        views.append(
            StentView(
                device=stent.device,
                day=treated.one.fact.happened,
                words=stent_words(stent),
                place=stent.place.value if stent.place else None,
                covered=stent.covered,
                across_needle_zone=stent.across_needle_zone,
                root=treated.one.root,
            )
        )
    return views


_NEEDLE_PLACES = frozenset(
    {
        LesionPlace.CANNULATION_ZONE,
        LesionPlace.OUTFLOW_VEIN,
        LesionPlace.CEPHALIC_VEIN,
        LesionPlace.BASILIC_VEIN,
        LesionPlace.BRACHIAL_VEIN,
        LesionPlace.MEDIAN_CUBITAL_VEIN,
        LesionPlace.INTRAGRAFT,
    }
)


def may_be_needled(place: LesionPlace | None) -> bool:
    """Whether needles go there, or may, for all that is recorded."""
    return place is None or place in _NEEDLE_PLACES


def _lesion_view(lesion: str, found: Sequence[Any], treated: Sequence[Treated]) -> LesionView:
    place: LesionPlace | None = None
    side: Side | None = None
    days: dict[str, list[Treated]] = {}
    for look in found:
        place, side = look.lesion.place or place, look.lesion.side or side
    for one in treated:
        for held in (one.lesion, one.stent):
            if held is not None:
                place, side = held.place or place, held.side or side
        # A balloon and a stent of one visit, or of one day, are one treatment of the lesion.
        days.setdefault(one.one.visit or one.one.fact.happened[:10], []).append(one)
    treatments = []
    for same in days.values():
        what = listed("stent" if isinstance(one.one.fact, Stent) else "balloon" for one in _each_once(same))
        left = [residual_words(one.lesion) for one in same if one.lesion is not None]
        treatments.append(
            TreatmentView(
                day=same[0].one.fact.happened,
                what=what,
                residual=next((words for words in reversed(left) if words), ""),
                root=same[0].one.root,
            )
        )
    intervals: list[int | None] = []
    for first, second in pairwise(treatments):
        exact = len(first.day) >= 10 and len(second.day) >= 10
        intervals.append((second.day.earliest - first.day.earliest).days if exact else None)
    where = place_words(place) or "place not recorded"
    return LesionView(
        lesion=lesion,
        place=where,
        side=side.value if side else None,
        treatments=tuple(treatments),
        intervals=tuple(intervals),
        found=tuple((look.one.fact.happened, _percent(look.lesion)) for look in found),
        words=_lesion_words(where, treatments, intervals),
    )


def _each_once(same: Sequence[Treated]) -> list[Treated]:
    seen: dict[bool, Treated] = {}
    for one in same:
        seen.setdefault(isinstance(one.one.fact, Stent), one)
    return list(seen.values())


def _lesion_words(place: str, treatments: Sequence[TreatmentView], intervals: Sequence[int | None]) -> str:
    if not treatments:
        return f"{place}: seen, not treated as far as recorded"
    last = treatments[-1]
    left = f", {last.residual}" if last.residual else ", what was left is not recorded"
    if len(treatments) == 1:
        return f"{place}: treated {on_day(last.day)} ({last.what}){left}"
    shown = intervals[-INTERVALS_TOLD:]
    told = ", ".join("not known to the day" if days is None else str(days) for days in shown)
    unit = "" if shown[-1] is None else " days"
    kind = "interval" if len(intervals) == 1 else "intervals"
    if len(shown) < len(intervals):
        kind = f"the last {len(shown)} intervals"
    return (
        f"{place}: the same lesion for the {nth(len(treatments))} time, {kind} {told}{unit}; "
        f"last {on_day(last.day)} ({last.what}){left}"
    )


def _percent(lesion: Any) -> str:
    percent = quantity(lesion.stenosis_percent, "%")
    return percent or words_of(lesion.grade, "degree not recorded")


def _last_measured(a: Folded) -> str:
    if not a.measured:
        return ""
    one = a.measured[-1]
    fact: Any = one.fact
    flow = getattr(fact, "flow_ml_min", None)
    parts = [f"access flow {quantity(flow, 'mL/min')}"] if flow else []
    if isinstance(fact, Measurement):
        if fact.static_venous_pressure_mmhg:
            parts.append(f"static venous pressure {quantity(fact.static_venous_pressure_mmhg, 'mmHg')}")
        if fact.recirculation_percent:
            parts.append(f"recirculation {quantity(fact.recirculation_percent, '%')}")
        if fact.dynamic_venous_pressure_mmhg:
            parts.append(f"dynamic venous pressure {quantity(fact.dynamic_venous_pressure_mmhg, 'mmHg')}")
        before = next(
            (
                other.fact.flow_ml_min
                for other in reversed(a.measured[:-1])
                if isinstance(other.fact, Measurement) and other.fact.flow_ml_min and other.fact.method is fact.method
            ),
            None,
        )
        # A rise says nothing that the number itself does not say.
        parts += [
            f"{found.name} {found.printed}"
            for found in worked_from(fact, before)
            if found.value is not None and is_worth_a_line(found) and not (found.name == "fall in flow" and found.note)
        ]
    return f"{', '.join(parts)} {on_day(fact.happened)}" if parts else ""


def _needles(a: Folded, instructions: Sequence[InstructionView]) -> list[str]:
    """What a needle has to know: the last needles, where they went, what the machine read, what went wrong."""
    told: list[str] = []
    for one in reversed(a.needle_uses):
        fact = one.fact
        if not isinstance(fact, CannulationSession | FirstCannulation):
            continue
        parts = []
        if fact.needles is not None:
            parts.append(counted(fact.needles, "needle"))
        if fact.gauge is not None:
            parts.append(f"{fact.gauge} gauge")
        if fact.needle_length_mm:
            parts.append(f"{quantity(fact.needle_length_mm, 'mm')} long")
        if fact.technique is not None:
            parts.append(words_of(fact.technique))
        if isinstance(fact, CannulationSession):
            if fact.arterial_site_cm:
                parts.append(f"arterial site {quantity(fact.arterial_site_cm, 'cm')}")
            if fact.venous_site_cm:
                parts.append(f"venous site {quantity(fact.venous_site_cm, 'cm')}")
            if fact.arterial_needle_retrograde is not None:
                way = "against" if fact.arterial_needle_retrograde else "with"
                parts.append(f"arterial needle {way} the flow")
        if fact.blood_flow_ml_min:
            parts.append(f"blood flow {quantity(fact.blood_flow_ml_min, 'mL/min')}")
        if isinstance(fact, CannulationSession):
            if fact.arterial_pressure_mmhg:
                parts.append(f"arterial {quantity(fact.arterial_pressure_mmhg, 'mmHg')}")
            if fact.venous_pressure_mmhg:
                parts.append(f"venous {quantity(fact.venous_pressure_mmhg, 'mmHg')}")
        if parts:
            told.append(f"Last needles {on_day(fact.happened[:10])}: {', '.join(parts)}")
            break
    trouble = _last_trouble(a)
    if trouble:
        told.append(trouble)
    return told


def _last_trouble(a: Folded) -> str:
    for one in reversed(a.needle_uses):
        fact = one.fact
        if isinstance(fact, CannulationSession | FirstCannulation) and fact.trouble not in (None, NeedleTrouble.NONE):
            return f"Last trouble at a needle {on_day(fact.happened[:10])}: {words_of(fact.trouble)}"
    return ""


def _ends(later: InForce, earlier: InForce) -> bool:
    """Whether a later instruction takes the place of an earlier one; two of one report never do."""
    new, old = later.fact, earlier.fact
    assert isinstance(new, Instruction)
    assert isinstance(old, Instruction)
    if new.visit is not None and new.visit == old.visit:
        return False
    if old.what is InstructionWhat.NOT_TO_NEEDLE and old.place is not None:
        # A segment stays closed to needles until a report names that segment again.
        return new.place is old.place and new.what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.USABLE)
    if old.what is InstructionWhat.SUTURES or new.what is InstructionWhat.SUTURES:
        return new.what is old.what
    if new.what is old.what:
        return True
    if new.what is InstructionWhat.USABLE:
        return old.what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.REST, InstructionWhat.DIALYSE_BY_CATHETER)
    if old.what is InstructionWhat.USABLE:
        return new.what in (InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.REST) and new.place is None
    return False


def _restricts(fact: Instruction) -> bool:
    return bool(fact.gauge or fact.needles or fact.highest_blood_flow_ml_min or fact.place)


def _aid(one: InForce) -> str:
    return f"{words_of_kind(one.kind)} {on_day(one.fact.happened)}"


def words_of_kind(kind: str) -> str:
    """A kind of entry as it is said: `first-cannulation` as `first cannulation`."""
    return kind.replace("-", " ")


def _exchange_words(fact: CatheterExchanged) -> str:
    forms = {
        ExchangeForm.SAME_TUNNEL: "over a wire in the same tunnel",
        ExchangeForm.NEW_EXIT: "over a wire with a new exit",
        ExchangeForm.OVER_WIRE: "over a wire, tunnel not recorded",
        ExchangeForm.OUT_AND_BACK: "out and back later",
        ExchangeForm.NEW_VEIN: "into a new vein",
    }
    words = forms[fact.form] if fact.form else "in a form not recorded"
    if fact.days_without is not None:
        words += f", {counted(fact.days_without, 'day')} without"
    return words + (f" ({words_of(fact.reason)})" if fact.reason else "")


def _days_text(least: int, most: int) -> str:
    return counted(least, "day") if least == most else f"{max(least, 0)} to {most} days"


def _happened(one: InForce | None) -> PartialDate | None:
    return None if one is None else one.fact.happened


def plain(value: Any) -> Any:
    """Dataclasses, dates and enums as plain JSON values."""
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, str):
        return str(value)
    return value
