"""A report beside what it proposes: what the page shows, and what a person decided, read back from the form.

`laid_out` makes of a report and a form the `Table` that the page shows: the text in pieces with its quotes marked,
which access each of the report's is taken for, and each proposal with its details, what it would say, and what stands
in the form. Nothing is written here; the page gives `Table.decisions` to `ledger.confirming.confirm`, as the command
does.

Whatever somebody typed comes back as it was typed: after a refusal, a stale history, or another access being picked.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import orjson
from starlette.datastructures import FormData

from cli.kinds import Around, Field, fields_of, told
from cli.naming import access_names, named_in
from cli.pages.forms import (
    MINTED,
    Known,
    Shown,
    differs,
    known_for,
    problems_in,
    shown,
    texts_of,
    typed_from,
    with_known_words,
)
from ledger.errors import LedgerError

if TYPE_CHECKING:
    from ledger.confirming import Choice, Decision, Review
    from ledger.matching import AccessCandidate
    from ledger.reading.proposals import Proposal, Reading
    from ledger.store import Ledger

NEW, CANNOT_TELL = "new", "?"

FATES = {
    "accept": ("a", "Accept"),
    "corrects": ("c", "Correct by it"),
    "known": ("k", "Known already"),
    "own": ("o", "Another one"),
    "dismiss": ("d", "Dismiss"),
}
"""What can become of a proposal: the key and the words of each."""


@dataclass(frozen=True)
class Piece:
    """A stretch of the text, what it is quoted for (`p0` a proposal, `aA1` an access, `n2` left out), and what ends."""

    text: str
    of: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()

    @property
    def keys(self) -> str:
        """For the page: what this stretch belongs to."""
        return " ".join(self.of)

    @property
    def is_quote(self) -> bool:
        """Whether something rests on it; what was only left out is marked otherwise."""
        return any(one[0] in "pa" for one in self.of)


@dataclass(frozen=True)
class Option:
    """An access of the ledger that the report's could be."""

    value: str
    words: str
    why: str = ""


@dataclass(frozen=True)
class AccessAsked:
    """An access of the report: how it is described, the words for it, and which of the ledger it is taken for."""

    ref: str
    described: str
    quotes: tuple[str, ...]
    doubts: tuple[str, ...]
    options: tuple[Option, ...]
    picked: str
    asks: bool
    """Whether a person has to say it: matching is not beyond doubt."""

    @property
    def picked_words(self) -> str:
        return next((one.words for one in self.options if one.value == self.picked), "")


@dataclass(kw_only=True)
class Item:
    """One open proposal."""

    index: int
    kind: str
    about: str
    when: str
    plain: bool
    details: tuple[tuple[str, str], ...]
    doubts: tuple[str, ...]
    why: str
    quotes: tuple[str, ...]
    says: str = ""
    missing: str = ""
    told: str = ""
    differences: tuple[str, ...] = ()
    fates: tuple[str, ...] = ()
    fate: str = ""
    reason: str = ""
    fields: tuple[Shown, ...] = ()
    more: tuple[Shown, ...] = ()
    was: str = "{}"
    changed: tuple[str, ...] = ()
    wrong: str = ""
    refused: str = ""

    @property
    def is_edited(self) -> bool:
        return bool(self.changed)


@dataclass(frozen=True)
class Settled:
    """A proposal that was decided before."""

    index: int
    kind: str
    fate: str
    entry: str | None
    reason: str
    edited: tuple[str, ...]


@dataclass(kw_only=True)
class Table:
    """The whole page of one report."""

    review: Review
    pieces: tuple[Piece, ...]
    careful: tuple[str, ...]
    accesses: tuple[AccessAsked, ...]
    items: tuple[Item, ...]
    settled: tuple[Settled, ...]
    left_out: tuple[tuple[str, str, str], ...]
    unsaid: tuple[str, ...]
    asks_for_day: bool
    day: str
    day_problem: str = ""
    decisions: dict[int, Decision] = field(default_factory=dict)

    @property
    def version(self) -> str:
        """What was looked at: the history, the reader and how much it proposed."""
        return mark_of(self.review)

    @property
    def wrong(self) -> bool:
        """Whether something that was typed cannot be taken as it stands."""
        return bool(self.day_problem) or any(one.wrong for one in self.items)


def mark_of(review: Review) -> str:
    """A mark that changes when the history, the reader, or what is proposed is another one."""
    return f"{review.history.version}.{review.reading.reader}.{len(review.reading.proposed)}.{len(review.open)}"


def laid_out(ledger: Ledger, report: str, form: FormData) -> Table:
    """A report with what stands in the form. Raises as `ledger.confirming.review_of` does."""
    from ledger.confirming import review_of, with_choices

    day, day_problem = _day(form)
    review = review_of(ledger, report, happened=day)
    asks_for_day = review.reading.happened_from in (None, "a person") and any(
        one.happened is None or review.reading.happened_from == "a person" for one in review.reading.proposed
    )
    picked, asked = _accesses(review, form)
    review = with_choices(review, picked)
    typed = _TypedWords(ledger)
    known = known_for(ledger, review.history)
    items, decisions = [], {}
    for index in review.open:
        item, decision = _item(ledger, review, index, form, known, typed)
        items.append(item)
        if decision is not None:
            decisions[index] = decision
    return Table(
        review=review,
        pieces=tuple(pieces_of(review.reading)),
        careful=tuple(_careful(review)),
        accesses=asked,
        items=tuple(items),
        settled=tuple(_settled(ledger, review)),
        left_out=tuple(
            (f"n{nth}", review.reading.text[one.start : one.end], one.reason)
            for nth, one in enumerate(review.reading.noticed)
        ),
        unsaid=tuple(named_in(root, review.history) for root in review.unsaid),
        asks_for_day=asks_for_day and bool(review.open),
        day=str(form.get("day") or ""),
        day_problem=day_problem,
        decisions=decisions,
    )


class _TypedWords:
    """Words that are in the form and nowhere else, so that what would be said can be shown before anything is kept."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._kept: dict[str, str] = {}

    def keep(self, words: str) -> dict[str, Any]:
        name = f"t-typed-{len(self._kept)}"
        self._kept[name] = words
        return {"text": name, "start": 0, "end": len(words)}

    def words(self, where: Any) -> str | None:
        held = self._kept.get(where.text)
        return held[where.start : where.end] if held is not None else self._ledger.papers.words(where)


def _day(form: FormData) -> tuple[Any, str]:
    from ledger.dates import PartialDate

    said = str(form.get("day") or "").strip()
    if not said:
        return None, ""
    try:
        return PartialDate(said), ""
    except ValueError:
        return None, "This is not a date. Write 2026-03-04, 2026-03 or 2026."


# --- The text -----------------------------------------------------------------------------------------------------


def pieces_of(reading: Reading) -> Iterable[Piece]:
    """The text cut wherever a quote begins or ends, each piece with what it is quoted for."""
    marks = [(cite.start, cite.end, f"p{nth}") for nth, one in enumerate(reading.proposed) for cite in one.quotes]
    marks += [
        (cite.start, cite.end, f"a{one.ref}") for one in reading.accesses for cite in (*one.quotes, *one.side_quotes)
    ]
    marks += [(one.start, one.end, f"n{nth}") for nth, one in enumerate(reading.noticed)]
    yield from pieces(reading.text, marks)


def pieces(text: str, marks: Iterable[tuple[int, int, str]]) -> Iterable[Piece]:
    """A text cut at its marks. A proposal's number stands where its quote ends."""
    held = [(start, end, key) for start, end, key in marks if start < end]
    places = sorted({0, len(text), *(start for start, _, _ in held), *(end for _, end, _ in held)})
    for start, end in pairwise(places):
        of = tuple(dict.fromkeys(key for first, last, key in held if first <= start and end <= last))
        ending = dict.fromkeys(key for _, last, key in held if last == end and key[0] == "p")
        labels = tuple(str(int(key[1:]) + 1) for key in ending)
        yield Piece(text[start:end], of, labels)


# --- Which access -------------------------------------------------------------------------------------------------


def _accesses(review: Review, form: FormData) -> tuple[dict[str, Choice], tuple[AccessAsked, ...]]:
    """For each access of the report which of the ledger it is taken for. Where matching is in doubt, nobody has
    chosen until a person has: a side is never taken in passing."""
    from cli.report import access_in_words
    from ledger.confirming import Choice

    names = dict(access_names(review.history))
    choices = dict(review.choices)
    asked = []
    for access in review.reading.accesses:
        match = review.matches[access.ref]
        choice = choices.get(access.ref)
        is_open = any(review.reading.proposed[index].access == access.ref for index in review.open)
        settled = choice is not None and (match.plain or not names or access.ref in review.chosen_before)
        said = str(form.get(f"access.{access.ref}") or "")
        if not said and settled and choice is not None:
            said = NEW if choice.is_new else choice.id
        if said == NEW:
            choices[access.ref] = review.new_access(access.ref)
        elif said in names:
            choices[access.ref] = Choice(id=said)
        elif is_open:
            choices.pop(access.ref, None)
        if not is_open:
            continue
        candidates = {one.access: _compared_in_words(one) for one in match.candidates}
        best_first = [*(one for one in candidates if one in names), *(one for one in names if one not in candidates)]
        options = [Option(one, names[one], candidates.get(one, "")) for one in best_first]
        options.append(Option(NEW, "an access that the ledger does not know yet"))
        if not settled:
            options.append(Option(CANNOT_TELL, "I cannot tell: what is about it waits"))
        quotes = dict.fromkeys(review.reading.words(cite) for cite in (*access.quotes, *access.side_quotes))
        asked.append(
            AccessAsked(
                access.ref,
                access_in_words(access),
                tuple(quotes),
                (*access.doubts, *(named_in(doubt.words, review.history) for doubt in match.doubts)),
                tuple(options),
                said,
                not settled,
            )
        )
    return choices, tuple(asked)


def _compared_in_words(one: AccessCandidate) -> str:
    """How a known access compares with the report's, in one clause; what cannot be compared is left out."""
    from ledger.matching import Agreement, Presence

    said = {Agreement.SAME: "same", Agreement.NEAR: "nearly the same", Agreement.OTHER: "ANOTHER"}
    traits = [
        f"{said[agreement]} {trait.value.replace('-', ' ')}"
        for trait, agreement in one.traits.items()
        if agreement in said
    ]
    if one.presence not in (Presence.PRESENT, Presence.UNKNOWN):
        traits.append(one.presence.value.replace("-", " "))
    return ", ".join(traits)


# --- The proposals ------------------------------------------------------------------------------------------------


def editable(kind: str) -> tuple[Field, ...]:
    """What of a proposal can be edited: all but which access and visit it is of, which is said elsewhere."""
    return tuple(one for one in fields_of(kind) if one.name not in ("access", "note") and one.of not in MINTED)


def _item(
    ledger: Ledger, review: Review, index: int, form: FormData, known: Known, typed_words: _TypedWords
) -> tuple[Item, Decision | None]:
    from cli.report import details_of
    from ledger.confirming import drafted_event
    from ledger.entries import event_to_dict
    from ledger.projections.sentences import sentence_of_event
    from ledger.projections.wording import day_words

    proposal = review.reading.proposed[index]
    fields = editable(proposal.kind)
    event, missing = drafted_event(review, index, review.choices, {})
    plain = event_to_dict(event) if event is not None else {}
    base = texts_of(fields, plain, ledger.papers.words, {}) if plain else _texts_of_proposal(proposal, review, fields)
    was = _was(form, index, base)
    stands = typed_from(form, fields, f"e.{index}") if form.get(f"was.{index}") else base
    changed = tuple(one.name for one in fields if differs(one, stands.get(one.name), was.get(one.name)))
    problems: dict[str, tuple[str, str]] = {}
    changes: dict[str, Any] = {}
    if changed:
        around = _around(ledger, review, typed_words.keep, index)
        named = {name: stands[name] for name in changed if name in stands}
        problems = problems_in(fields, named, around)
        kept = with_known_words(named, plain, fields, ledger.papers.words)
        if not problems:
            changes = {**told(fields, kept, around), **{name: None for name in changed if name not in stands}}
            event, missing, problems = _drafted_again(review, index, changes, event, missing)
    fate = str(form.get(f"fate.{index}") or "")
    item = Item(
        index=index,
        kind=proposal.kind,
        about=proposal.access or "",
        when=day_words(proposal.happened) if proposal.happened is not None else "",
        plain=proposal.plain,
        details=tuple(details_of(proposal, review.reading)),
        doubts=tuple(proposal.doubts),
        why=proposal.why,
        quotes=tuple(review.reading.words(cite) for cite in proposal.quotes),
        missing=missing or "",
        fates=tuple(_fates(review, index)),
        fate=fate if fate in FATES else "",
        reason=str(form.get(f"reason.{index}") or "").strip(),
        was=orjson.dumps(was).decode(),
        changed=changed,
    )
    if event is not None and not problems:
        words = sentence_of_event(event, typed_words.words)
        item.says = f"{day_words(event.happened)}: {words}"
    boxes = [
        box.with_words(*problems.get(box.field.name, ())) for box in shown(fields, stands, known, f"e.{index}", blank=1)
    ]
    item.fields = tuple(box for box in boxes if box.field.name in base or box.field.name in changed)
    item.more = tuple(box for box in boxes if box not in item.fields)
    _tell_known(item, review)
    decision = _decision(item, changes)
    if decision is not None and problems:
        item.wrong = "What was edited cannot be taken yet; see beside the field."
    elif item.fate == "dismiss" and not item.reason:
        item.wrong = "A reason is needed to dismiss it, in your words."
    return item, None if item.wrong else decision


def _drafted_again(
    review: Review, index: int, changes: Mapping[str, Any], event: Any, missing: str | None
) -> tuple[Any, str | None, dict[str, tuple[str, str]]]:
    """The event with a person's edits, or what speaks against them."""
    from ledger.confirming import drafted_event

    try:
        return (*drafted_event(review, index, review.choices, changes), {})
    except LedgerError as wrong:
        return event, missing, {next(iter(changes)): (wrong.problem, wrong.remedy)}
    except ValueError:
        words = ("With this the entry does not hold together.", "Look at what belongs to it.")
        return event, missing, {next(iter(changes)): words}


def _texts_of_proposal(proposal: Proposal, review: Review, fields: Iterable[Field]) -> dict[str, Any]:
    """The plain details of a proposal that cannot be drafted yet, as far as they can be typed."""
    from enum import Enum

    from ledger.measured import Measured

    found: dict[str, Any] = {}
    for one in fields:
        value = proposal.detail.get(one.name)
        if one.name == "happened":
            value = proposal.happened
        if isinstance(value, Enum):
            found[one.name] = str(value.value)
        elif isinstance(value, bool):
            found[one.name] = "yes" if value else "no"
        elif isinstance(value, str | int | Measured) and value != "":
            found[one.name] = str(value)
        elif isinstance(value, tuple) and value and all(isinstance(each, Enum) for each in value):
            found[one.name] = [str(each.value) for each in value]
    return found


def _was(form: FormData, index: int, base: dict[str, Any]) -> dict[str, Any]:
    """What the fields held when they were shown: only what differs from that was edited."""
    try:
        found = orjson.loads(str(form.get(f"was.{index}") or ""))
    except orjson.JSONDecodeError:
        return base
    return found if isinstance(found, dict) else base


def _around(ledger: Ledger, review: Review, keep: Any, index: int) -> Around:
    """What edited words become values by. A lesion or stent that somebody adds gets an id made of the report."""
    from cli.naming import entry_named
    from ledger.minting import DEVICE, LESION, minted

    made: dict[str, int] = {}

    def mint(one: Field, _: Mapping[str, Any]) -> str | None:
        prefix = {"LesionId": LESION, "DeviceId": DEVICE}.get(one.of)
        if prefix is None:
            return None
        made[prefix] = made.get(prefix, 0) + 1
        return minted(prefix, ledger.uuid, review.report.id, "edited", index, made[prefix])

    return Around(
        today=ledger.today(review.history.patient),
        keep=keep,
        entry=lambda text: entry_named(ledger, text)[1].id,
        access=str,
        mint=mint,
    )


def _fates(review: Review, index: int) -> Iterable[str]:
    from ledger.confirming import amends
    from ledger.retelling import Told

    told_before = review.told.get(index)
    yield "accept"
    if told_before is not None and index in review.corrections:
        yield "corrects"
    if told_before is not None:
        yield "known"
    if amends(review, index) or (told_before is not None and told_before.told in (Told.AGAIN, Told.OTHERWISE)):
        yield "own"
    yield "dismiss"


def _tell_known(item: Item, review: Review) -> None:
    from cli.report import plain_words
    from ledger.retelling import Told

    told_before = review.told.get(item.index)
    if told_before is not None:
        name = named_in(told_before.entry or told_before.root or "", review.history)
        item.told = {
            Told.AGAIN: f"{name} tells the same. Accepted, it is known already; say “another one” if it is not.",
            Told.OTHERWISE: f"{name} tells it otherwise. Accept or correct if this one is right; “known already” if "
            "that one is.",
        }.get(told_before.told, f"{name} may tell the same. “Known already” if it does.")
    correction = review.corrections.get(item.index)
    if correction is not None:
        item.differences = tuple(
            f"{_field_in_words(one.field)}: {plain_words(one.known)} there, {plain_words(one.told)} here"
            for one in correction.differences
        )


def _field_in_words(name: str) -> str:
    """`lesions[outflow-vein].balloons` as people say it: "balloons (lesions, outflow vein)"."""
    whole, dot, part = name.rpartition("].")
    if not dot:
        return name.replace("_", " ")
    thing, _, which = whole.partition("[")
    return f"{part.replace('_', ' ')} ({thing.replace('_', ' ')}, {which.replace('-', ' ')})"


def _decision(item: Item, changes: Mapping[str, Any]) -> Decision | None:
    from ledger.confirming import Decision
    from ledger.vocabulary import Fate

    taken = Fate.EDITED if item.changed else Fate.ACCEPTED
    match item.fate:
        case "accept":
            return Decision(fate=taken, changes=changes)
        case "corrects" if "corrects" in item.fates:
            return Decision(fate=taken, changes=changes, corrects=True)
        case "own" if "own" in item.fates:
            return Decision(fate=taken, changes=changes, own=True)
        case "known" if "known" in item.fates:
            return Decision(fate=Fate.ALREADY_KNOWN)
        case "dismiss":
            return Decision(fate=Fate.DISMISSED, reason=item.reason)
    return None


def kept_for_good(ledger: Ledger, table: Table, form: FormData) -> dict[int, Decision]:
    """The decisions, with the words that were typed kept in the ledger. Within the caller's transaction."""
    from dataclasses import replace

    review = table.review
    found = {}
    for index, decision in table.decisions.items():
        if decision.changes:
            fields = editable(review.reading.proposed[index].kind)
            stands = typed_from(form, fields, f"e.{index}")
            item = next(one for one in table.items if one.index == index)
            named = {name: stands[name] for name in item.changed if name in stands}
            plain = _plain_of(review, index)
            kept = with_known_words(named, plain, fields, ledger.papers.words)
            around = _around(
                ledger, review, lambda words: vars(ledger.papers.typed(words, review.history.patient)), index
            )
            changes = {**told(fields, kept, around), **{name: None for name in item.changed if name not in stands}}
            decision = replace(decision, changes=changes)
        found[index] = decision
    return found


def _plain_of(review: Review, index: int) -> dict[str, Any]:
    from ledger.confirming import drafted_event
    from ledger.entries import event_to_dict

    event, _ = drafted_event(review, index, review.choices, {})
    return event_to_dict(event) if event is not None else {}


# --- What to be careful about, what was decided -------------------------------------------------------------------


def _careful(review: Review) -> Iterable[str]:
    linked = review.report.envelope.get("linked") or {}
    yield from (words for _, words in linked.get("doubts", ()))
    yield from (f"{doubt}." for doubt in review.reading.doubts)
    for other, compared in review.alike:
        seems = "tells" if compared.sameness.value == "same" else "may tell"
        why = ", ".join(reason.replace("-", " ") for reason in compared.reasons)
        yield f"Report {other[:10]}, which waits as well, {seems} of the same procedure ({why})."
    for report in review.later:
        yield f"Report {report[:10]} corrects this one or adds to it; look at both."
    if review.earlier:
        named = ", ".join(report[:10] for report in review.earlier)
        yield f"It adds to or corrects report {named}: accepting corrects what that one said."


def _settled(ledger: Ledger, review: Review) -> Iterable[Settled]:
    for index, fate in sorted(review.before.items()):
        entry = named_in(fate.entry, review.history) if fate.entry is not None else None
        reason = (ledger.papers.words(fate.reason) or "") if fate.reason is not None else ""
        words = fate.fate.value.replace("-", " ")
        yield Settled(index, review.reading.proposed[index].kind, words, entry, reason, tuple(fate.edited))
