"""What is true of the person beside their accesses: background, decisions, courses, appointments, follow-up.

These change a needle or a procedure, or say why something is not done. Each keeps the
day on which it was last checked or decided; what is past its review says so, and nothing
ends silently.

To add something that is known of the person, add a field to `PersonView`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.events import (
    AntimicrobialCourse,
    Appointment,
    Background,
    BackgroundItem,
    CareBegan,
    Culture,
    Decision,
    FirstSeenHere,
    FollowUpEnded,
    FollowUpResumed,
    HospitalStay,
    LifePlanReviewed,
    ModalityChanged,
    Referral,
    SetAside,
)
from ledger.projections.folding import Folds, fold_of
from ledger.projections.sentences import DECISIONS, background_words, sentence_of
from ledger.projections.wording import NamesOf, WordsOf, day_words, listed, on_day
from ledger.vocabulary import AppointmentState, BackgroundWhat, Modality, Side, words_of


@dataclass(frozen=True, kw_only=True)
class BackgroundView:
    """One thing that changes a needle or a procedure, and the day on which it was last checked."""

    what: BackgroundWhat
    words: str
    checked: PartialDate
    root: str
    side: Side | None = None
    last_dose: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class DecisionView:
    """A decision that stands. `review_due`: the day of its review is over, so it no longer ends a reminder."""

    what: str
    words: str
    day: PartialDate
    access: str | None
    by_patient: bool | None
    review_on: PartialDate | None
    review_due: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class DueView:
    """Something that is to come, or that is over its day. `day` is None where nobody said when."""

    words: str
    day: PartialDate | None
    over: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class PersonView:
    """The person on one day."""

    followed: bool
    follow_up: str
    modality: Modality | None
    unit: str | None
    shift: str | None
    background: tuple[BackgroundView, ...]
    background_checked: PartialDate | None
    decisions: tuple[DecisionView, ...]
    courses: tuple[DueView, ...]
    appointments: tuple[DueView, ...]
    referrals: tuple[DueView, ...]
    """Sent for, and neither an appointment nor a visit is recorded since."""
    set_aside: tuple[DueView, ...]
    cultures: tuple[str, ...]
    hospital: str
    back_from_hospital: PartialDate | None
    not_looked_at_since: PartialDate | None
    life_plan: str
    life_plan_day: PartialDate | None
    life_plan_review_due: bool
    unknown_before: PartialDate | None
    first_dialysis: PartialDate | None
    possibly: tuple[str, ...]


def person_of(history: History, today: date, words: WordsOf, names: NamesOf, folds: Folds | None = None) -> PersonView:
    """What is true of the person on a day of the unit's zone."""
    folds = folds or fold_of(history)
    person = folds.person
    zone = history.zone
    follow_up, followed = _follow_up(person.last_of("follow-up-ended"), person.last_of("follow-up-resumed"))
    modality, unit, shift = _care(folds)
    stay = person.last_of("hospital-stay")
    plan = person.last_of("life-plan-reviewed")
    back = _back_from_hospital(stay, history, today)
    background = [
        BackgroundView(
            what=item.what,
            words=background_words(item, words),
            checked=one.happened,
            root=one.root,
            last_dose=item.last_dose,
            side=item.side,
        )
        for item, one in background_now(person.of("background"))
        if item.until is None or item.until.latest_in(zone).date() >= today
    ]
    first_seen = person.of("first-seen-here")
    began = person.of("care-began")
    return PersonView(
        followed=followed,
        follow_up=follow_up,
        modality=modality,
        unit=unit,
        shift=shift,
        background=tuple(background),
        background_checked=max((one.checked for one in background), default=None),
        decisions=tuple(_decisions(folds, history, today)),
        courses=tuple(_courses(folds, history, today)),
        appointments=tuple(_appointments(folds, history, today, names)),
        referrals=tuple(_referrals(folds, history, names)),
        set_aside=tuple(_set_aside(folds, history, today)),
        cultures=tuple(_cultures(folds, words)),
        hospital="" if stay is None else f"{day_words(stay.happened)}: {sentence_of(stay, words, names)}",
        back_from_hospital=back,
        not_looked_at_since=back if back is not None and not _looked_at_since(folds, back, history) else None,
        life_plan="" if plan is None else sentence_of(plan, words, names),
        life_plan_day=None if plan is None else plan.happened,
        life_plan_review_due=_review_is_over(plan, history, today),
        unknown_before=next(
            (
                one.fact.history_unknown_before
                for one in reversed(first_seen)
                if isinstance(one.fact, FirstSeenHere) and one.fact.history_unknown_before
            ),
            None,
        ),
        first_dialysis=next(
            (one.fact.first_dialysis for one in began if isinstance(one.fact, CareBegan) and one.fact.first_dialysis),
            None,
        ),
        possibly=tuple(
            f"Possibly by then ({day_words(one.happened)}): {sentence_of(one, words, names)}" for one in person.possibly
        ),
    )


def background_now(facts: Sequence[InForce]) -> list[tuple[BackgroundItem, InForce]]:
    """What holds of all backgrounds, each item with the entry that told it.

    A newer background of the same `what` replaces the older one; allergies and "no known allergy" replace each other,
    since both say what is known of allergies. `withdrawn` ends a `what`.
    """
    held: dict[BackgroundWhat, list[tuple[BackgroundItem, InForce]]] = {}
    for one in facts:
        fact = one.fact
        if not isinstance(fact, Background):
            continue
        for what in fact.withdrawn:
            held.pop(what, None)
        fresh: dict[BackgroundWhat, list[tuple[BackgroundItem, InForce]]] = {}
        for item in fact.items:
            fresh.setdefault(item.what, []).append((item, one))
        for what, items in fresh.items():
            held[what] = items
            other = _OPPOSITES.get(what)
            if other is not None and other not in fresh:
                held.pop(other, None)
    return [item for what in BackgroundWhat for item in held.get(what, [])]


_OPPOSITES = {
    BackgroundWhat.ALLERGY: BackgroundWhat.NO_KNOWN_ALLERGY,
    BackgroundWhat.NO_KNOWN_ALLERGY: BackgroundWhat.ALLERGY,
}


def is_followed(history: History, day: date) -> bool:
    """Whether we follow the patient, by what had happened by the end of a day."""
    told = (entry.event for entries in (history.entries, *(e for _, e in history.merged)) for entry in entries)
    if not any("follow-up-ended" in (event.kind, getattr(getattr(event, "to", None), "kind", "")) for event in told):
        return True

    def last_by_then(kind: str) -> InForce | None:
        told = (one for one in history.facts if one.kind == kind and not one.possibly)
        return next((one for one in reversed([*told]) if one.happened.latest_in(history.zone).date() <= day), None)

    return _follow_up(last_by_then("follow-up-ended"), last_by_then("follow-up-resumed"))[1]


def _follow_up(ended: InForce | None, resumed: InForce | None) -> tuple[str, bool]:
    if ended is None or not isinstance(ended.fact, FollowUpEnded):
        return "", True
    if resumed is not None and resumed.happened.earliest > ended.happened.latest:
        return f"Follow-up resumed {on_day(resumed.happened)}", True
    return f"Follow-up ended {on_day(ended.happened)}: {words_of(ended.fact.reason)}", False


def _care(folds: Folds) -> tuple[Modality | None, str | None, str | None]:
    modality: Modality | None = None
    unit: str | None = None
    shift: str | None = None
    person = folds.person
    facts = [*person.of("care-began"), *person.of("modality-changed"), *person.of("follow-up-resumed")]
    for one in sorted(facts, key=lambda one: (one.happened.earliest, one.root)):
        fact = one.fact
        if isinstance(fact, ModalityChanged):
            modality = fact.to
        elif isinstance(fact, CareBegan | FollowUpResumed):
            modality = fact.modality or modality
        if isinstance(fact, CareBegan | ModalityChanged | FollowUpResumed):
            unit, shift = fact.unit or unit, fact.shift or shift
    return modality, unit, shift


def _decisions(folds: Folds, history: History, today: date) -> list[DecisionView]:
    newest: dict[tuple[str, str | None], InForce] = {}
    for one in folds.person.of("decision"):
        if isinstance(one.fact, Decision):
            newest[one.fact.what, one.access] = one
    views = []
    for one in newest.values():
        fact = one.fact
        assert isinstance(fact, Decision)
        due = fact.review_on is not None and fact.review_on.latest_in(history.zone).date() < today
        review = ""
        if fact.review_on is not None:
            review = f", review {'was due' if due else 'due'} {day_words(fact.review_on)}"
        by = {True: " (by the patient)", False: "", None: ""}[fact.by_patient]
        views.append(
            DecisionView(
                what=fact.what.value,
                words=f"{DECISIONS[fact.what]}{by}, {day_words(fact.happened)}{review}",
                day=fact.happened,
                access=one.access,
                by_patient=fact.by_patient,
                review_on=fact.review_on,
                review_due=due,
                root=one.root,
            )
        )
    return views


def _courses(folds: Folds, history: History, today: date) -> list[DueView]:
    views = []
    for one in folds.person.of("antimicrobial-course"):
        fact = one.fact
        assert isinstance(fact, AntimicrobialCourse)
        end = fact.until or fact.planned_until
        if fact.until is not None and fact.until.latest_in(history.zone).date() < today:
            continue
        why = f" for {words_of(fact.reason)}" if fact.reason else ""
        words = f"antimicrobial course{why} since {day_words(fact.happened)}"
        over = end is not None and end.latest_in(history.zone).date() < today
        if end is None:
            words += ", end not recorded"
        else:
            words += f", {'was planned until' if over else 'until'} {day_words(end)}"
            words += ", end not recorded" if over else ""
        views.append(DueView(words=words, day=end, over=over, root=one.root))
    return views


def _appointments(folds: Folds, history: History, today: date, names: NamesOf) -> list[DueView]:
    """Appointments to come, or over and nothing was heard of them; one for each referral or access."""
    newest: dict[str, InForce] = {}
    for one in folds.person.of("appointment"):
        if isinstance(one.fact, Appointment):
            newest[one.fact.referral or one.access or ""] = one
    views = []
    for one in newest.values():
        fact = one.fact
        assert isinstance(fact, Appointment)
        day = fact.on or fact.happened
        centre = f" at {names(fact.centre) or fact.centre}" if fact.centre else ""
        visited = any(
            visit.happened.latest_in(history.zone) >= day.earliest_in(history.zone) and visit.kind == "visit"
            for folded in folds.accesses.values()
            for visit in folded.visits
            if one.access in (None, folded.access)
        )
        if visited:
            continue
        over = day.latest_in(history.zone).date() < today
        match fact.state:
            case AppointmentState.BOOKED | AppointmentState.MOVED:
                words = f"appointment{centre} {day_words(day)}"
                if over:
                    words += ": no word of what became of it"
            case AppointmentState.ATTENDED:
                words, over = f"appointment{centre} {day_words(day)} kept, no report in", True
            case _:
                words = f"appointment{centre} {day_words(day)} {words_of(fact.state)}"
                over = True
                if (today - day.latest_in(history.zone).date()) > timedelta(days=92):
                    continue
        views.append(DueView(words=words, day=day, over=over, root=one.root))
    return views


def _referrals(folds: Folds, history: History, names: NamesOf) -> list[DueView]:
    """The newest referral of each access (or of none named), while nothing is recorded that came of it."""
    newest = {one.access or "": one for one in folds.person.of("referral") if isinstance(one.fact, Referral)}
    views = []
    for one in newest.values():
        fact = one.fact
        assert isinstance(fact, Referral)
        day = fact.happened.earliest_in(history.zone)
        booked = any(
            isinstance(other.fact, Appointment)
            and (
                other.fact.referral in (one.root, one.entry.id)
                or (
                    one.access in (None, other.access)
                    and (other.fact.on or other.happened).latest_in(history.zone) >= day
                )
            )
            for other in folds.person.of("appointment")
        )
        seen = any(
            visit.happened.latest_in(history.zone) >= day
            for folded in folds.accesses.values()
            for visit in folded.visits
            if one.access in (None, folded.access)
        )
        folded = folds.accesses.get(one.access or "")
        gone = folded is not None and folded.body.state.is_out
        if not booked and not seen and not gone:
            why = listed(words_of(finding) for finding in fact.why)
            words = (
                f"referred{f' to {names(fact.centre) or fact.centre}' if fact.centre else ''} {on_day(fact.happened)}"
            )
            words += f" ({why})" if why else ""
            views.append(
                DueView(
                    words=f"{words}: no appointment and no visit recorded since",
                    day=fact.happened,
                    over=False,
                    root=one.root,
                )
            )
    return views


def _set_aside(folds: Folds, history: History, today: date) -> list[DueView]:
    views = []
    for one in folds.person.of("set-aside"):
        fact = one.fact
        assert isinstance(fact, SetAside)
        if fact.until.latest_in(history.zone).date() >= today:
            words = f'reminder "{words_of(fact.line)}" put off until {day_words(fact.until)}'
            views.append(DueView(words=words, day=fact.until, over=False, root=one.root))
    return views


def _cultures(folds: Folds, words: WordsOf) -> list[str]:
    """Positive cultures that no later clearance culture followed, newest last."""
    told: list[str] = []
    for one in folds.person.of("culture"):
        fact = one.fact
        assert isinstance(fact, Culture)
        if fact.positive:
            told.append(f"{day_words(fact.happened)}: {sentence_of(one, words)}")
        elif fact.positive is False and fact.clearance:
            told.clear()
    return told


def _back_from_hospital(stay: InForce | None, history: History, today: date) -> PartialDate | None:
    if stay is None or not isinstance(stay.fact, HospitalStay):
        return None
    until = stay.fact.until
    if until is None or until.earliest_in(history.zone).date() > today:
        return None
    return until


def _looked_at_since(folds: Folds, back: PartialDate, history: History) -> bool:
    return any(
        folded.examined is not None
        and folded.examined.happened.latest_in(history.zone) >= back.earliest_in(history.zone)
        for folded in folds.accesses.values()
    )


def _review_is_over(plan: InForce | None, history: History, today: date) -> bool:
    review = plan.fact.review_on if plan is not None and isinstance(plan.fact, LifePlanReviewed) else None
    return review is not None and review.latest_in(history.zone).date() < today
