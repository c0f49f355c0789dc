"""From what a report proposes to entries, by a person: what is open, what is plain, and what became of each.

`review_of` lays out a report: its text, what the reader proposes now, which access of
the patient each of its accesses seems to be, and what was decided before. `plainly_told`
says what may be taken without reading each. `confirm` appends what a person decided,
with a `report-reviewed` entry that keeps the fate of every proposal, in one transaction:
killed half-way, nothing of it is there, and the same decisions can be given again.

Confirming again adds nothing: what was decided is not open any more, and ids are made of
the report, never of the reader's version. Nothing reopens by itself.

Not for: asking and showing (`cli.report`, the pages), judging (`ledger.admission`).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, cast

from ledger.chronology import History, in_force
from ledger.dates import PartialDate, instant_text
from ledger.entries import Draft, Entry, Signature, entry_id_of, event_to_dict, validated
from ledger.errors import Doubt, LedgerError, NotFound, WrongInput
from ledger.events import FACT_KINDS, KINDS, Correction, Fact, ProposalFate, ReportReviewed
from ledger.matching import (
    AccessMatch,
    AccessVerdict,
    Agreement,
    Trait,
    access_for_drafts,
    described_in,
    match_access,
    recorded_accesses,
)
from ledger.minting import ACCESS, minted
from ledger.reading.drafting import CREATING_KINDS, Drafted, KnownAccess, drafts_of, ordinals_of
from ledger.reading.proposals import Proposal, ReadAccess
from ledger.relating import alike, earlier_reports, later_reports, tells_whole
from ledger.retelling import (
    Compared,
    ProposedCorrection,
    Retelling,
    Told,
    amended,
    facts_from,
    merged,
    told_before,
)
from ledger.vocabulary import AccessKind, ConfirmedHow, Fate, Side

if TYPE_CHECKING:
    from uuid import UUID

    from ledger.admission import Refusal
    from ledger.chronology import InForce
    from ledger.reading.proposals import Cite, Reading
    from ledger.store import Ledger
    from ledger.store.papers import StoredReport

NEVER_IN_BULK = frozenset({"instruction"})
"""Kinds that a person reads one by one: what a report says on use afterwards is followed at the chair."""

NOT_IN_LEDGER = "the access is not known to the ledger"
PATIENT_NOT_LOOKED_AT = "nobody has looked yet whether it is this patient's"
SIDE_NOT_LOOKED_AT = "it rests on a side that nobody has looked at yet"

_DECIDED = frozenset({Fate.ACCEPTED, Fate.EDITED, Fate.DISMISSED, Fate.ALREADY_KNOWN})


@dataclass(frozen=True, kw_only=True)
class Choice:
    """Which access of the ledger a report's access is; `is_new` when the ledger does not know it yet."""

    id: str
    is_new: bool = False


@dataclass(frozen=True, kw_only=True)
class Decision:
    """What a person decided about one proposal.

    `changes` are the edited fields as plain values, None for one that is not known after all. `reason` is why it was
    dismissed. `corrects`: what is known already is put right by it (`Review.corrections`), instead of being joined by
    a second entry; so it is also by accepting what is surely told otherwise. `own`: it is another thing than what is
    known, whatever it looks like, and becomes an entry of its own.
    """

    fate: Fate
    changes: Mapping[str, Any] = field(default_factory=dict)
    reason: str | None = None
    corrects: bool = False
    own: bool = False


@dataclass(frozen=True, kw_only=True)
class Review:
    """A report on the table: what is proposed, what it is about, and what is still open.

    `matches` says for each access of the reading which access of the patient it seems to be; `told` for each proposal
    which known fact from elsewhere it tells again, as it was or otherwise; `corrections` what the known fact would be
    with what this report says. What is told again as it was is, accepted, known already. Where the report is an
    addendum or a correction of an earlier one (`earlier`), accepting such a proposal corrects; `unsaid` are then roots
    of facts that the earlier report told and this one does not; `later` are reports that are so about this one. `alike`
    are other waiting reports of the patient that seem to tell of the same procedure. `open` are the numbers (from 0) of
    the proposals that nobody decided yet; `before` what was decided, by number. `chosen_before` is which access a
    person took each of the reading's accesses for, in an earlier review; `picked` which they take each for now
    (`with_choices`).
    """

    report: StoredReport
    text: str
    reading: Reading
    history: History
    matches: Mapping[str, AccessMatch]
    told: Mapping[int, Retelling]
    corrections: Mapping[int, ProposedCorrection]
    earlier: tuple[str, ...]
    later: tuple[str, ...]
    unsaid: tuple[str, ...]
    alike: tuple[tuple[str, Compared], ...]
    before: Mapping[int, ProposalFate]
    chosen_before: Mapping[str, str]
    picked: Mapping[str, Choice] | None
    organisation: UUID
    reviews: tuple[ReportReviewed, ...]

    @property
    def open(self) -> tuple[int, ...]:
        return tuple(index for index in range(len(self.reading.proposed)) if index not in self.before)

    @cached_property
    def choices(self) -> dict[str, Choice]:
        """For each access of the reading what a person or else matching takes it for; the others have to be said."""
        if self.picked is not None:
            return dict(self.picked)
        found = {}
        for ref, match in self.matches.items():
            if ref in self.chosen_before:
                found[ref] = Choice(id=self.chosen_before[ref])
            elif match.verdict is AccessVerdict.KNOWN:
                assert match.access is not None
                found[ref] = Choice(id=match.access)
            elif match.verdict is AccessVerdict.NEW:
                found[ref] = self.new_access(ref)
        return found

    def new_access(self, ref: str) -> Choice:
        """A new access for one of the reading: always the same id for the same report."""
        return Choice(id=minted(ACCESS, self.organisation, self.report.id, ref), is_new=True)

    def access_of(self, index: int) -> ReadAccess | None:
        """The access of the reading that a proposal names."""
        return self.reading.access(self.reading.proposed[index].access)


@dataclass(frozen=True, kw_only=True)
class Confirmed:
    """What a confirmation did: entries that are new, ids that were there, what was refused or waits, and why."""

    entries: tuple[Entry, ...] = ()
    already: tuple[str, ...] = ()
    refused: tuple[tuple[int | None, Refusal], ...] = ()
    waiting: tuple[tuple[int | None, str], ...] = ()
    doubts: tuple[Doubt, ...] = ()
    review: Entry | None = None
    state: str = "waiting"
    open: int = 0


def review_of(ledger: Ledger, report: str, *, happened: PartialDate | None = None) -> Review:
    """Lays a report out. `happened` is the day that a person gives; it counts where the report says none.

    Raises NotFound; WrongInput for a report without text or without a patient.
    """
    from ledger.reading.reader import read_report
    from ledger.receiving import envelope_of

    stored = ledger.papers.report(report)
    text = ledger.papers.text(stored.text_id) if stored.text_id else None
    if text is None:
        raise _without_text(stored)
    if stored.patient is None:
        raise WrongInput(
            f"Nobody knows yet whose report {short_id(stored.id)} is.",
            f"Say so with `access-ledger report link {short_id(stored.id)} PATIENT`; "
            f"`access-ledger report show {short_id(stored.id)}` shows what it says about that.",
        )
    reading = _dated(read_report(text, envelope_of(stored, text)), happened)
    history = ledger.history(stored.patient)
    others = list(ledger.papers.reports(patient=stored.patient))
    earlier = tuple(one.id for one in earlier_reports(stored, others))
    reading, of_first = _with_first_report(reading, history, earlier)
    described = described_in(reading)
    matches = {ref: match_access(one, history, _day_of(reading, ref)) for ref, one in described.items()}
    matches = _as_in_first_report({**matches, **of_first}, history, earlier)
    holding = [
        entry.event
        for entry in in_force(history.entries)
        if isinstance(entry.event, ReportReviewed) and entry.event.report == stored.id
    ]
    review = Review(
        report=stored,
        text=text,
        reading=reading,
        history=history,
        matches=matches,
        told={},
        corrections={},
        earlier=earlier,
        later=tuple(one.id for one in later_reports(stored, others)),
        unsaid=(),
        alike=_alike(ledger, stored),
        before={},
        chosen_before={},
        picked=None,
        organisation=ledger.uuid,
        reviews=tuple(
            entry.event
            for entry in history.entries
            if isinstance(entry.event, ReportReviewed) and entry.event.report == stored.id
        ),
    )
    review = replace(review, chosen_before=_chosen_before(review, holding))
    return _compared(replace(review, before=_decided(review, holding)))


# --- An addendum takes its access from its first report -----------------------------------------------------------


def _with_first_report(
    reading: Reading, history: History, earlier: tuple[str, ...]
) -> tuple[Reading, dict[str, AccessMatch]]:
    """What a short addendum changes, as proposals about the entries of its first report.

    "The side should read left": where the first report told the side of its access, that is what is proposed anew;
    where it told something of an access that was known before, the report was about the access of the other side.
    """
    if not reading.amends or reading.proposed:
        return reading, {}
    known = facts_from(history, earlier)
    if not known:
        words = (
            "its first report has not been gone through yet: do that first"
            if earlier
            else "its first report is not known here: nothing says which entries it changes"
        )
        return replace(reading, doubts=(*reading.doubts, words)), {}
    side = next((Side(one.value) for one in reading.amends if one.what == "side" and one.value), None)
    day = next((PartialDate(one.value) for one in reading.amends if one.what == "happened" and one.value), None)
    cites = tuple(one.quote for one in reading.amends)
    sided = [one for one in known if getattr(one.fact, "side", None) is not None]
    asked = known if day is not None or not sided else tuple(sided)
    if side is None and day is None:
        return reading, {}
    accesses: list[ReadAccess] = []
    matches: dict[str, AccessMatch] = {}
    proposed: list[Proposal] = []
    for one in asked:
        if one.access is None:
            continue
        ref = f"a{len(accesses) + 1}"
        same = next((each.ref for each in accesses if each.described == one.access), None)
        if same is None:
            recorded = next(each for each in recorded_accesses(history) if each.id == one.access)
            kind = next(iter(recorded.kinds), None)
            moves = side is not None and not sided
            its_side = side or next(iter(recorded.sides), None)
            accesses.append(ReadAccess(ref=ref, kind=kind, side=its_side, described=one.access, quotes=cites))
            if not moves:
                doubt = Doubt(
                    code="from-first-report", words="It is the access of the first report.", access=one.access
                )
                matches[ref] = AccessMatch(verdict=AccessVerdict.KNOWN, access=one.access, doubts=(doubt,))
            same = ref
        proposed.append(_amended_proposal(one, same, side, day, cites))
    accesses = [replace(one, described=None) for one in accesses]
    return replace(reading, accesses=tuple(accesses), proposed=tuple(proposed)), matches


def _amended_proposal(
    one: InForce, ref: str, side: Side | None, day: PartialDate | None, cites: tuple[Cite, ...]
) -> Proposal:
    left_out = {"kind", "happened", "access", "visit", "note", "lesions", "stents", "device", "old_device"}
    detail = {
        name: value
        for name in one.fact.__dataclass_fields__
        if name not in left_out and (value := getattr(one.fact, name)) not in (None, ())
    }
    if side is not None and "side" in detail:
        detail["side"] = side
    return Proposal(
        kind=one.kind,
        access=ref,
        happened=day or one.happened,
        quotes=cites,
        detail=detail,
        doubts=("an addendum changes what its first report said",),
        why="the addendum says what the first report should read",
        of_visit=True,
    )


def _as_in_first_report(
    matches: dict[str, AccessMatch], history: History, earlier: tuple[str, ...]
) -> dict[str, AccessMatch]:
    """An access that a later report does not describe is the one that its first report was about."""
    of_first = {one.access for one in facts_from(history, earlier) if one.access is not None}
    if len(of_first) != 1:
        return matches
    (access,) = of_first
    found = {}
    for ref, match in matches.items():
        if match.verdict is AccessVerdict.ASK and any(one.code in _NOT_DESCRIBED for one in match.doubts):
            doubt = Doubt(code="from-first-report", words="It is the access of the first report.", access=access)
            match = replace(match, verdict=AccessVerdict.KNOWN, access=access, doubts=(doubt,), plain=False)
        found[ref] = match
    return found


_NOT_DESCRIBED = frozenset({"access-not-described", "access-kind-not-said"})


def with_choices(review: Review, choices: Mapping[str, Choice]) -> Review:
    """The same report on the table, with the accesses that a person picked."""
    return _compared(replace(review, picked=dict(choices)))


def _day_of(reading: Reading, ref: str) -> PartialDate | None:
    days = (one.happened for one in reading.proposed if one.access == ref and one.happened is not None)
    return next(days, reading.happened)


def _dated(reading: Reading, day: PartialDate | None) -> Reading:
    if day is None or reading.happened is not None:
        return reading
    proposed = tuple(replace(one, happened=one.happened or day) for one in reading.proposed)
    return replace(reading, happened=day, happened_from="a person", proposed=proposed)


def _without_text(stored: StoredReport) -> LedgerError:
    if stored.state == "unreadable":
        return WrongInput(
            f"Report {short_id(stored.id)} could not be read: {stored.waits_for or 'it holds no text.'}",
            "Ask the sender for it in another form, and import that.",
        )
    return NotFound(
        f"The words of report {short_id(stored.id)} are not held here.",
        "They were erased, or left out of this copy of the ledger.",
    )


def short_id(report: str) -> str:
    """The beginning of a report's id, which is enough to name it."""
    return report[:10]


# --- Which access -------------------------------------------------------------------------------------------------


def _known(choice: Choice, history: History) -> KnownAccess:
    """What drafting has to know of an access: its lesions, and the catheter that is in."""
    return replace(access_for_drafts(history, choice.id), is_new=choice.is_new)


# --- What was decided before, what was told elsewhere -------------------------------------------------------------


def _ordinals(review: Review, choices: Mapping[str, Choice]) -> list[tuple[str, str | None, int]]:
    """Kind, access and ordinal of each proposal: what its fate is kept under."""
    known = {ref: choice.id for ref, choice in choices.items()}
    counted = ordinals_of(review.reading, known)
    return [
        (one.kind, known.get(one.access) if one.access is not None else None, ordinal)
        for one, ordinal in zip(review.reading.proposed, counted, strict=True)
    ]


def _chosen_before(review: Review, reviews: Iterable[ReportReviewed]) -> dict[str, str]:
    """Which access a person took each access for, where matching says something else or nothing."""
    fated: dict[str, set[str]] = {}
    for event in reviews:
        for fate in event.fates:
            if fate.fate in _DECIDED and fate.access is not None and fate.access in review.history.accesses:
                fated.setdefault(fate.access, set()).add(fate.kind)
    settled = {choice.id for choice in review.choices.values() if choice.id in fated}
    found = {}
    for ref in review.matches:
        choice = review.choices.get(ref)
        if choice is not None and choice.id in fated:
            continue
        kinds = {one.kind for one in review.reading.proposed if one.access == ref}
        fitting = [access for access, theirs in fated.items() if access not in settled and kinds & theirs]
        if len(fitting) == 1:
            found[ref] = fitting[0]
    return found


def _decided(review: Review, reviews: Iterable[ReportReviewed]) -> dict[int, ProposalFate]:
    """The fates that hold, by the number of the proposal now. A newer reader may propose others beside them."""
    found: dict[int, ProposalFate] = {}
    keys = _ordinals(review, review.choices)
    for event in reversed(list(reviews)):
        for fate in event.fates:
            if fate.fate not in _DECIDED:
                continue
            exact = (index for index, key in enumerate(keys) if key == (fate.kind, fate.access, fate.ordinal))
            # Where nobody knew or knows which access is meant, the kind and its place among its like still tell.
            alike = (
                index
                for index, (kind, access, ordinal) in enumerate(keys)
                if (kind, ordinal) == (fate.kind, fate.ordinal)
                and (fate.access is None or access is None or access not in review.history.accesses)
            )
            index = next((one for one in (*exact, *alike) if one not in found), None)
            if index is not None:
                found[index] = fate
    return found


def _alike(ledger: Ledger, stored: StoredReport) -> tuple[tuple[str, Compared], ...]:
    """Other waiting reports of the patient that seem to tell of the same procedure."""
    waiting = list(ledger.papers.reports(state="waiting", patient=stored.patient))
    if stored.id not in {one.id for one in waiting}:
        waiting.append(stored)
    return tuple(
        ((two if one.id == stored.id else one).id, compared)
        for one, two, compared in alike(waiting, text_held(ledger))
        if stored.id in (one.id, two.id)
    )


def text_held(ledger: Ledger) -> Callable[[StoredReport], str | None]:
    """Gives the text of a report, where it is held here."""
    return lambda report: ledger.papers.text(report.text_id) if report.text_id else None


def _compared(review: Review) -> Review:
    """The review with what its proposals tell again or otherwise, given which accesses are meant."""
    facts = _facts(review)
    numbers = sorted(facts)
    asked = [facts[number] for number in numbers]
    told: dict[int, Retelling] = {}
    corrections: dict[int, ProposedCorrection] = {}
    unsaid: tuple[str, ...] = ()
    if review.earlier:
        amendment = amended(
            asked,
            facts_from(review.history, review.earlier),
            whole=tells_whole(review.report),
            day_is_said=review.reading.happened_from == "text",
        )
        corrections = {numbers[one.fact]: one for one in amendment.corrections}
        told = {numbers[fact]: Retelling(fact=fact, told=Told.AGAIN, root=root) for fact, root in amendment.unchanged}
        unsaid = amendment.unsaid
    in_force_by_root = {one.root: one for one in review.history.facts}
    for one in told_before(asked, review.history, not_from=[review.report.id]):
        number = numbers[one.fact]
        if one.told is Told.NEW or number in corrections or number in told:
            continue
        told[number] = one
        known = in_force_by_root.get(one.root or "")
        if one.differences and known is not None:
            to = merged(known.fact, facts[number], with_day=True)
            if to != known.fact:
                corrections[number] = ProposedCorrection(
                    fact=one.fact, corrects=known.entry.id, root=known.root, to=to, differences=one.differences
                )
    return replace(review, told=told, corrections=corrections, unsaid=unsaid)


def _amends(review: Review, index: int, decisions: Mapping[int, Decision]) -> bool:
    return amends(review, index) and not decisions[index].own


def amends(review: Review, index: int) -> bool:
    """Whether accepting a proposal corrects an entry of the earlier report that this one is about."""
    return bool(review.earlier) and index in review.corrections and index not in review.told


def _facts(review: Review) -> dict[int, Fact]:
    """The facts that the proposals state, as far as they can be drafted, by number."""
    everything = dict.fromkeys(range(len(review.reading.proposed)), Decision(fate=Fate.ACCEPTED))
    drafted, _ = _drafts(replace(review, before={}, corrections={}), everything, everything.keys(), review.choices)
    return {
        one.proposal: cast("Fact", one.draft.event)
        for one in drafted
        if one.proposal is not None and one.draft.event.kind in FACT_KINDS
    }


# --- In bulk ------------------------------------------------------------------------------------------------------


def plainly_told(
    review: Review, *, also_new: bool = False, looked_at: bool = False
) -> tuple[dict[int, Decision], dict[int, str]]:
    """What may be taken without reading each, and why the rest waits for a person, by number of the proposal.

    Whose report it is and which side is meant is never taken without a person. `looked_at`: a person saw both for this
    report and said yes. Without that nothing is taken of a report that a program matched to its patient, and nothing
    that enters a side or an access, only what is told of an access whose side is on record and said alike.

    Taken is what the reader marks as plainly said, with a day, about an access that is matched beyond doubt or whose
    making the report plainly tells, in a report whose patient is beyond doubt. `also_new` takes accesses that the
    ledger does not know as well, as known from this report only. Instructions on use never.
    """
    about_report = _why_not_this_report(review, looked_at)
    made = {
        review.reading.proposed[index].access
        for index in review.open
        if review.reading.proposed[index].kind in CREATING_KINDS
        and about_report is None
        and _why_not(review, index, True, looked_at) is None
    }
    taken: dict[int, Decision] = {}
    left: dict[int, str] = {}
    for index in review.open:
        ref = review.reading.proposed[index].access
        why = about_report or _why_not(review, index, also_new or ref in made, looked_at)
        if why is None:
            taken[index] = Decision(fate=Fate.ACCEPTED)
        else:
            left[index] = why
    return taken, left


def _why_not_this_report(review: Review, looked_at: bool) -> str | None:
    linked = review.report.envelope.get("linked") or {}
    if not linked:
        return "nobody said whose report this is"
    if linked.get("doubts"):
        return f"whose report this is, is in doubt: {linked['doubts'][0][1]}"
    if linked.get("by") == "person" or looked_at:
        return None
    if linked.get("by") == "name-and-birth-date":
        return "the patient was found by name and birth date, without a number"
    return PATIENT_NOT_LOOKED_AT


def _why_not(review: Review, index: int, also_new: bool, looked_at: bool) -> str | None:
    proposal = review.reading.proposed[index]
    if proposal.kind in NEVER_IN_BULK:
        return "instructions on use are read by a person"
    if not proposal.plain:
        return "to be checked" + (f": {proposal.doubts[0]}" if proposal.doubts else "")
    if proposal.doubts:
        return proposal.doubts[0]
    if proposal.happened is None and review.reading.happened is None:
        return "the day is not known"
    if index in review.told:
        return "it may have been told already"
    if review.earlier or review.later or review.alike:
        return "another report tells of the same procedure"
    if proposal.access is None:
        return None
    match = review.matches[proposal.access]
    access = review.reading.access(proposal.access)
    assert access is not None, "a proposal names an access that its reading has"
    if match.verdict is AccessVerdict.ASK or (match.verdict is AccessVerdict.KNOWN and not match.plain):
        return match.doubts[0].words if match.doubts else "which access is meant is not beyond doubt"
    if match.verdict is AccessVerdict.NEW:
        if match.doubts:
            return match.doubts[0].words
        if access.kind is None or (access.side is None and not access.kind.value.startswith("peritoneal")):
            return "the access is not known to the ledger, and kind or side is not said"
        if access.doubts:
            return access.doubts[0]
        if not also_new and not (match.plain and proposal.kind in CREATING_KINDS):
            return NOT_IN_LEDGER
    if not looked_at and _enters_a_side(review, proposal, access, match):
        return SIDE_NOT_LOOKED_AT
    return None


def _enters_a_side(review: Review, proposal: Proposal, access: ReadAccess, match: AccessMatch) -> bool:
    """Whether taking it would enter a side, or rest on one that is not on record and said alike."""
    if access.kind is AccessKind.PERITONEAL:
        return False
    if match.verdict is not AccessVerdict.KNOWN or access.side is None or proposal.detail.get("side") is not None:
        return True
    if any(lesion.side not in (None, access.side) for lesion in proposal.detail.get("lesions", ())):
        return True
    known = next((one for one in match.candidates if one.access == match.access), None)
    return known is None or known.traits[Trait.SIDE] is not Agreement.SAME


def needs_a_look(review: Review, *, also_new: bool = False) -> bool:
    """Whether a person who looks at patient and side lets something be taken that otherwise waits."""
    taken, _ = plainly_told(review, also_new=also_new)
    looked_at, _ = plainly_told(review, also_new=also_new, looked_at=True)
    return looked_at.keys() != taken.keys()


# --- Confirming ---------------------------------------------------------------------------------------------------


def confirm(
    ledger: Ledger,
    review: Review,
    decisions: Mapping[int, Decision],
    *,
    by: Signature,
) -> Confirmed:
    """Appends what a person decided, with the fate of every open proposal; all of it or nothing.

    Which access each access of the reading is, the review says (`with_choices`). What admission refuses waits, with
    its reason.

    Raises StaleHistory when somebody else wrote since the report was laid out; WrongInput for a report that was set
    aside as a whole.
    """
    if review.report.state == "dismissed":
        named = short_id(review.report.id)
        raise WrongInput(
            f"Report {named} was set aside as a whole.",
            f"Put it back first: `access-ledger report reopen {named}`, or on its page.",
        )
    its = review.choices
    decisions = {index: _settled(review, index, one) for index, one in decisions.items() if one.fate is not Fate.LEFT}
    chosen = {index for index, one in decisions.items() if one.fate in (Fate.ACCEPTED, Fate.EDITED)}
    assert not decisions.keys() & review.before.keys(), "what was decided is not open any more"
    if not decisions and review.open:
        return Confirmed(state=review.report.state, open=len(review.open))
    with ledger.db.writing():
        drafted, waiting = _drafts(review, decisions, chosen, its)
        appended = ledger.append(review.history, [one.draft for one in drafted], by=by, partly=True)
        fates = _fates(ledger, review, decisions, its, drafted, appended, waiting)
        closed = sum(fate.fate in _DECIDED for fate in fates.values())
        left = len(review.open) - closed
        entry = _reviewed(ledger, review, fates, by) if _is_news(review, fates) else None
        state = "waiting" if left else "confirmed"
        ledger.papers.change(
            review.report.id,
            state=state,
            waits_for=f"{left} of {len(review.reading.proposed)} proposals" if left else None,
            reader=review.reading.reader,
        )
    places = {id(one.draft): one.proposal for one in drafted}
    return Confirmed(
        entries=appended.entries,
        already=appended.already,
        refused=tuple((places[id(draft)], refusal) for draft, refusal in appended.refused),
        waiting=tuple(waiting.items()),
        doubts=appended.doubts,
        review=entry,
        state=state,
        open=left,
    )


def _settled(review: Review, index: int, decision: Decision) -> Decision:
    """What accepting means for what was surely told before: it is known already, or puts right what is known."""
    told = review.told.get(index)
    if told is None or decision.own or decision.corrects or decision.fate not in (Fate.ACCEPTED, Fate.EDITED):
        return decision
    if told.told is Told.AGAIN and decision.fate is Fate.ACCEPTED:
        return replace(decision, fate=Fate.ALREADY_KNOWN)
    if told.told in (Told.AGAIN, Told.OTHERWISE) and index in review.corrections:
        return replace(decision, corrects=True)
    return decision


def _drafts(
    review: Review,
    decisions: Mapping[int, Decision],
    chosen: Collection[int],
    choices: Mapping[str, Choice],
) -> tuple[list[Drafted], dict[int | None, str]]:
    """The drafts of what was accepted, edits applied, and what cannot be drafted yet."""
    edited = {index: dict(decisions[index].changes) for index in chosen if decisions[index].changes}
    # What was accepted before is drafted along, so that no lesion is told twice for being accepted in two sittings.
    accepted = {index for index, fate in review.before.items() if fate.fate in (Fate.ACCEPTED, Fate.EDITED)}
    reading = replace(
        review.reading,
        proposed=tuple(_with_changes(one, edited.get(index, {})) for index, one in enumerate(review.reading.proposed)),
    )
    assert review.report.text_id is not None, "a report on the table has a text"
    drafts = drafts_of(
        reading,
        report=review.report.id,
        text_id=review.report.text_id,
        accesses={ref: _known(choice, review.history) for ref, choice in choices.items()},
        only={*chosen, *accepted},
    )
    found = []
    waiting: dict[int | None, str] = {
        one.proposal: one.words for one in drafts.waiting if one.proposal is None or one.proposal in chosen
    }
    for one in drafts.drafted:
        if one.proposal in accepted:
            continue
        changes = edited.get(one.proposal) if one.proposal is not None else None
        draft = _edited(one.draft, changes) if changes else one.draft
        if one.proposal is not None and (decisions[one.proposal].corrects or _amends(review, one.proposal, decisions)):
            draft = _correcting(draft, review.corrections[one.proposal], changes or {})
        found.append(replace(one, draft=draft))
    return found, waiting


def _with_changes(proposal: Proposal, changes: Mapping[str, Any]) -> Proposal:
    """A proposal with a person's edits, as far as drafting needs them to make a draft at all."""
    if not changes:
        return proposal
    names = KINDS[proposal.kind].__dataclass_fields__.keys() - {"happened", "access", "lesions", "stents", "visit"}
    detail = {name: value for name, value in proposal.detail.items() if changes.get(name, 0) is not None}
    detail.update((name, value) for name, value in changes.items() if name in names and value is not None)
    happened = changes.get("happened")
    return replace(proposal, detail=detail, happened=PartialDate(happened) if happened else proposal.happened)


def _edited(draft: Draft, changes: Mapping[str, Any]) -> Draft:
    values = event_to_dict(draft.event)
    for name, value in changes.items():
        if value is None:
            values.pop(name, None)
        else:
            values[name] = value
    return replace(draft, event=validated(values))


def _correcting(draft: Draft, correction: ProposedCorrection, changes: Mapping[str, Any]) -> Draft:
    """The draft of a correction, in the place of a second entry that would tell the same."""
    values = event_to_dict(correction.to)
    for name, value in changes.items():
        if value is None:
            values.pop(name, None)
        else:
            values[name] = value
    to = cast("Fact", validated(values))
    event = Correction(happened=to.happened, corrects=correction.corrects, root=correction.root, to=to)
    return replace(draft, event=event)


def _fates(
    ledger: Ledger,
    review: Review,
    decisions: Mapping[int, Decision],
    choices: Mapping[str, Choice],
    drafted: list[Drafted],
    appended: Any,
    waiting: Mapping[int | None, str],
) -> dict[int, ProposalFate]:
    """What became of each open proposal."""
    patient = review.history.patient
    keys = _ordinals(review, choices)
    ids = {one.proposal: entry_id_of(ledger.uuid, patient, one.draft) for one in drafted}
    refused = {entry_id_of(ledger.uuid, patient, draft) for draft, _ in appended.refused}
    fates = {}
    for index in review.open:
        kind, access, ordinal = keys[index]
        decision = decisions.get(index, Decision(fate=Fate.LEFT))
        fate, entry, reason = decision.fate, None, None
        if fate in (Fate.ACCEPTED, Fate.EDITED):
            entry = ids.get(index)
            if entry is None or index in waiting:
                fate, entry = Fate.LEFT, None
            elif entry in refused:
                fate, entry = Fate.REFUSED, None
        elif fate is Fate.ALREADY_KNOWN and index in review.told:
            entry = review.told[index].root
        if decision.reason:
            reason = ledger.papers.typed(decision.reason, patient)
        fates[index] = ProposalFate(
            kind=kind,
            ordinal=ordinal,
            fate=fate,
            access=access,
            entry=entry,
            edited=tuple(sorted(decision.changes)) if fate is Fate.EDITED else (),
            reason=reason,
        )
    return fates


def _is_news(review: Review, fates: Mapping[int, ProposalFate]) -> bool:
    """Whether a review says more than the ones before it: a report once gone through, a decision, a new refusal."""
    if not review.reviews:
        return True
    refused = {
        (fate.kind, fate.access, fate.ordinal)
        for event in review.reviews
        for fate in event.fates
        if fate.fate is Fate.REFUSED
    }
    return any(
        fate.fate in _DECIDED or (fate.fate is Fate.REFUSED and (fate.kind, fate.access, fate.ordinal) not in refused)
        for fate in fates.values()
    )


def _reviewed(ledger: Ledger, review: Review, fates: Mapping[int, ProposalFate], by: Signature) -> Entry:
    """The entry that keeps what was proposed and what became of it."""
    patient = review.history.patient
    event = ReportReviewed(
        happened=PartialDate(instant_text(ledger.clock())[:19] + "Z"),
        report=review.report.id,
        reader=review.reading.reader,
        fates=tuple(fates[index] for index in sorted(fates)),
    )
    draft = Draft(event=event, source=f"report:{review.report.id}", ordinal=len(review.reviews) + 1)
    (entry,) = ledger.append(patient, [draft], by=by).entries
    return entry


def in_bulk(person: str) -> Signature:
    """Whose name stands under what was taken without reading each."""
    return Signature(person=person, how=ConfirmedHow.IN_BULK)


def drafted_event(
    review: Review, index: int, choices: Mapping[str, Choice], changes: Mapping[str, Any], *, corrects: bool = False
) -> tuple[Any, str | None]:
    """What would be recorded of one proposal: its event, or None and what is missing. For showing before deciding."""
    decision = Decision(fate=Fate.EDITED if changes else Fate.ACCEPTED, changes=changes, corrects=corrects)
    drafted, waiting = _drafts(review, {index: decision}, {index}, choices)
    event = next((one.draft.event for one in drafted if one.proposal == index), None)
    return event, waiting.get(index)
