"""Write down: any entry by hand, quick on a tablet; put right and withdraw what was entered.

A form is made from the class of its kind, as the options of `record KIND` are (`cli.kinds`, `cli.pages.forms`): a new
kind needs nothing here. What is asked first at the chair stands in `cli.chair`. What is typed is judged by the same
admission as everything else: what cannot be is refused beside its field, what is odd is asked about once, and recorded
when whoever writes says so again.

An entry's source is made of what it says, so a form that is sent twice adds nothing. Whoever writes something down is
not held up when somebody else wrote meanwhile: what was seen at the chair stays true, and admission judges it after all
that is there by then. Putting right and withdrawing are about an entry as it was seen, and are refused when it is not
that any more.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

from starlette.responses import JSONResponse, Response

from cli.pages.asked import Asked
from cli.pages.forms import Shown
from cli.pages.rights import Right
from cli.pages.site import Page
from ledger.errors import LedgerError, NotFound, StaleHistory, WrongInput

if TYPE_CHECKING:
    from cli.kinds import Field
    from ledger.chronology import History
    from ledger.entries import Entry
    from ledger.errors import Doubt
    from ledger.events import Event
    from ledger.people import Patient

AT_THE_CHAIR = ("examination", "cannulation-session", "measurement")
"""What is written down most, offered first."""

GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "At the chair",
        (*AT_THE_CHAIR, "access-used", "first-cannulation", "catheter-trouble", "complication", "maturity-assessed"),
    ),
    ("To the access centre and back", ("referral", "appointment", "visit", "instruction", "imaging", "vein-mapping")),
    (
        "Operations",
        (
            "access-planned",
            "creation",
            "second-stage",
            "angiogram",
            "angioplasty",
            "stent",
            "thrombectomy",
            "banding",
            "revision",
            "other-intervention",
            "catheter-placed",
            "catheter-exchanged",
            "catheter-removed",
        ),
    ),
    ("Flow, infection, end", ("thrombosis", "infection", "culture", "antimicrobial-course", "abandonment")),
    ("The person", ("background", "decision", "life-plan-reviewed", "hospital-stay", "modality-changed")),
)
"""Where a kind stands in the list. A kind that is not in here stands under "Others", so none is ever missing."""


@dataclass(kw_only=True)
class Verdict:
    """What is said of what was typed: per field what is wrong or odd, and of all of it.

    `doubts` are odd and may be recorded; `mark` changes with them, so that being sure is being sure of these.
    """

    event: Event | None = None
    problems: dict[str, tuple[str, str]] = field(default_factory=dict)
    questions: dict[str, str] = field(default_factory=dict)
    refused: tuple[tuple[str, str], ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def is_fine(self) -> bool:
        """Whether it can be recorded, with or without doubts."""
        return self.event is not None and not self.problems and not self.refused

    @property
    def mark(self) -> str:
        """Names the doubts that somebody looked at."""
        said = "|".join((*sorted(self.questions.values()), *sorted(self.doubts)))
        return hashlib.sha256(said.encode()).hexdigest()[:16] if said else ""


# --- What can be written down -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Kind:
    """A kind in the list: its name in words, and the first sentence about it."""

    kind: str
    words: str
    about: str


def kinds(asked: Asked) -> Response:
    """What can be written down about a patient; and what was written a moment ago."""
    from cli.kinds import BY_HAND

    one = asked.patient(did="write")
    grouped = {kind for _, group in GROUPS for kind in group}
    groups = [(name, [_kind(kind) for kind in group if kind in BY_HAND]) for name, group in GROUPS]
    groups.append(("Others", [_kind(kind) for kind in BY_HAND if kind not in grouped]))
    return asked.page("write.html", one=one, groups=groups, done=_done(asked, one), first=AT_THE_CHAIR)


def _kind(kind: str) -> Kind:
    from cli.kinds import sentence_about

    return Kind(kind, words_of_kind(kind), sentence_about(kind).replace("`", ""))


def words_of_kind(kind: str) -> str:
    """The name of a kind for people."""
    words = {
        "cannulation-session": "session",
        "visit": "visit to the access centre",
        "other-intervention": "another intervention",
    }
    said = words.get(kind, kind.replace("-", " "))
    return said[:1].upper() + said[1:]


@dataclass(frozen=True)
class Done:
    """What was recorded a moment ago."""

    name: str
    says: str
    worked: tuple[str, ...]
    doubts: tuple[str, ...]
    was_there: bool
    may_change: bool


def _done(asked: Asked, one: Patient) -> Done | None:
    from cli.naming import entry_name, named_in
    from cli.record import told_in_words
    from ledger.admission import doubts_of
    from ledger.chronology import in_force
    from ledger.projections.formulas import worked_of

    named = asked.query("done") or asked.query("already")
    if not re.fullmatch(re.escape(one.id) + r"\.s?\d{1,9}", named):
        return None
    history = asked.ledger.history(one.id, sessions=True)
    entry = next((each for each in history.entries if entry_name(one.id, each) == named), None)
    if entry is None:
        return None
    doubts = [named_in(doubt.words, history) for doubt in doubts_of(history) if entry.id in doubt.about]
    return Done(
        named,
        told_in_words(asked.ledger, entry),
        tuple(str(each) for each in worked_of(history, getattr(entry.event, "root", entry.id))),
        tuple(dict.fromkeys(doubts)),
        bool(asked.query("already")),
        any(each.id == entry.id for each in in_force(history.entries)) and entry.kind != "retraction",
    )


# --- One entry ----------------------------------------------------------------------------------------------------


def form(asked: Asked) -> Response:
    """An empty form: today, and the access in use."""
    from cli.kinds import fields_of

    one, kind = asked.patient(did="write"), _kind_of(asked)
    history = asked.ledger.history(one.id, sessions=True)
    typed: dict[str, Any] = {"happened": asked.today(one.id).isoformat()}
    # Where an access may stay unsaid, none is put into anybody's mouth.
    asks_for_one = any(box.name == "access" and box.required for box in fields_of(kind)) and not _opens(kind)
    used = _access_in_use(asked, history) if asks_for_one else None
    if used is not None:
        typed["access"] = used
    return _form(asked, one, history, kind, typed)


def write(asked: Asked) -> Response:
    """What was typed: judged while it is typed, laid out again, or recorded."""
    from cli.kinds import fields_of
    from cli.pages.forms import typed_from

    checks = asked.field("do") == "check"
    one = asked.may_see(asked.path("patient")) if checks else asked.patient(did="write")
    kind = _kind_of(asked)
    history = asked.ledger.history(one.id, sessions=True)
    typed = typed_from(asked.form, fields_of(kind))
    verdict = judged(asked, history, kind, typed)
    if checks:
        return _told_as_json(verdict)
    if asked.field("do") != "send":
        return _form(asked, one, history, kind, typed)
    if not verdict.is_fine or (verdict.mark and asked.field("sure") != verdict.mark):
        return _form(asked, one, history, kind, typed, verdict, status=422)
    try:
        return _recorded(asked, one, history, kind, typed)
    except StaleHistory:
        return _form(asked, one, history, kind, typed, verdict, status=409, stale=True)
    except WrongInput as wrong:
        verdict.refused = (_said(wrong.problem, wrong.remedy, kind),)
        return _form(asked, one, history, kind, typed, verdict, status=422)


def _recorded(asked: Asked, one: Patient, history: History, kind: str, typed: Mapping[str, Any]) -> Response:
    from cli.naming import entry_name
    from cli.record import draft_by_hand, event_from

    ledger = asked.ledger
    with ledger.db.writing():
        event = event_from(kind, typed, ledger, history, asked.today(one.id))
        appended = ledger.append(history, [draft_by_hand(one.id, event)], by=asked.signature())
    asked.note("record", patient=one.id, about=kind)
    after = ledger.history(one.id, sessions=True)
    if appended.entries:
        return asked.to(f"/patient/{one.id}/write", {"done": entry_name(one.id, appended.entries[0])})
    there = next((each for each in after.entries if each.id in appended.already), None)
    said = {} if there is None else {"already": entry_name(one.id, there)}
    return asked.to(f"/patient/{one.id}/write", said)


def _only_what_may_be_seen(asked: Asked, event: Event) -> None:
    """An entry that names another patient or a report may only name what whoever writes may see."""
    for name in ("other", "to_patient"):
        named = getattr(event, name, None)
        if isinstance(named, str) and re.fullmatch(r"P\d{1,12}", named):
            asked.may_see(named)
    if isinstance(report := getattr(event, "report", None), str):
        asked.report(report)


def _kind_of(asked: Asked) -> str:
    from cli.kinds import BY_HAND

    kind = asked.path("kind")
    if kind not in BY_HAND:
        raise NotFound("Nothing of that kind can be written down.", "Choose from the list of what can be.")
    return kind


def _opens(kind: str) -> bool:
    from cli.record import OPENERS

    return kind in OPENERS


def _access_in_use(asked: Asked, history: History) -> str | None:
    from ledger.projections.brief import access_to_use
    from ledger.projections.state import accesses_of

    used = access_to_use(accesses_of(history, asked.today(history.patient)))
    return used.access if used is not None else None


# --- Judging what was typed ---------------------------------------------------------------------------------------


def judged(asked: Asked, history: History, kind: str, typed: Mapping[str, Any]) -> Verdict:
    """What admission and the border say of what was typed. Nothing is kept."""
    from cli.kinds import Shape, fields_of
    from cli.pages.forms import MINTED, checking, in_words_of_form, problems_in
    from cli.record import around_by_hand, event_from
    from ledger.events import PatientsAreOne

    fields = fields_of(kind)
    today = asked.today(history.patient)
    around = checking(around_by_hand(asked.ledger, history, today, kind, typed))
    verdict = Verdict(problems=problems_in(fields, typed, around))
    for one in fields:
        made = one.of in MINTED or (one.name == "access" and _opens(kind))
        if one.required and one.name not in typed and not (one.shape is Shape.ID and made):
            verdict.problems.setdefault(one.name, ("This must be said.", ""))
    if verdict.problems:
        return verdict
    try:
        verdict.event = event_from(kind, typed, asked.ledger, history, today, around.keep)
    except LedgerError as wrong:
        verdict.refused = ((in_words_of_form(wrong.problem, fields), in_words_of_form(wrong.remedy, fields)),)
        return verdict
    _only_what_may_be_seen(asked, verdict.event)
    _considered(asked, history, verdict, verdict.event, verdict.event)
    if isinstance(verdict.event, PatientsAreOne):
        try:
            against = asked.ledger.who.one_person(history.patient, verdict.event.other)
        except WrongInput as wrong:
            verdict.refused = ((wrong.problem, "If one of the dates is wrong, have it put right first."),)
        else:
            verdict.doubts += tuple(doubt.words for doubt in against)
    return verdict


def _said(problem: str, remedy: str, kind: str) -> tuple[str, str]:
    from cli.kinds import fields_of
    from cli.pages.forms import in_words_of_form

    return in_words_of_form(problem, fields_of(kind)), in_words_of_form(remedy, fields_of(kind))


def _considered(asked: Asked, history: History, verdict: Verdict, event: Event, fact: Any) -> None:
    """Puts what admission says of an event into the verdict, numbers beside their fields."""
    from cli.naming import named_in
    from ledger.admission import Gate

    ledger = asked.ledger
    gate = Gate(history, today=ledger.today(history.patient), known_patients=ledger.who, owner_of=ledger.owner_of)
    found = gate.consider(event, "being-typed")
    never, unusual = _numbers(fact)
    if found.refusal is not None:
        words = (named_in(found.refusal.problem, history), named_in(found.refusal.remedy, history))
        if found.refusal.code == "impossible-number" and never:
            verdict.problems.update(dict.fromkeys(never, ("This cannot be.", "Look at the number and its unit again.")))
        else:
            verdict.refused = (words,)
    for name in unusual:
        verdict.questions[name] = "This is unusual. Is it right?"
    verdict.doubts = tuple(dict.fromkeys(_doubts(found.doubts, bool(unusual), history)))


def _doubts(doubts: Iterable[Doubt], told_beside: bool, history: History) -> Iterable[str]:
    from cli.naming import named_in

    for doubt in doubts:
        if doubt.code == "implausible-number" and told_beside:
            continue
        yield named_in(doubt.words, history).replace("being-typed", "this entry")


def _numbers(fact: Any) -> tuple[list[str], list[str]]:
    """The fields whose numbers cannot be, and those whose numbers are unusual."""
    from ledger.admission.plausible import numbers_of

    never: list[str] = []
    unusual: list[str] = []
    look = numbers_of(cast("Any", type(fact)))
    if look is not None:
        look(fact, lambda name, impossible: (never if impossible else unusual).append(name))
    return never, unusual


def _told_as_json(verdict: Verdict) -> Response:
    return JSONResponse(
        {
            "format": 1,
            "fields": {name: {"problem": words[0], "remedy": words[1]} for name, words in verdict.problems.items()},
            "questions": verdict.questions,
            "refused": [{"problem": problem, "remedy": remedy} for problem, remedy in verdict.refused],
            "careful": list(verdict.doubts),
        }
    )


# --- The form -----------------------------------------------------------------------------------------------------


def _form(
    asked: Asked,
    one: Patient,
    history: History,
    kind: str,
    typed: Mapping[str, Any],
    verdict: Verdict | None = None,
    *,
    status: int = 200,
    stale: bool = False,
) -> Response:
    from cli.kinds import fields_of, sentence_about

    first, more = _in_order(asked, history, kind, typed)
    boxes = {box.field.name: box for box in _boxes(asked, history, kind, fields_of(kind), typed, verdict)}
    return asked.page(
        "write_one.html",
        status=status,
        one=one,
        kind=kind,
        words=words_of_kind(kind),
        about=sentence_about(kind),
        first=[boxes[name] for name in first],
        more=[boxes[name] for name in more],
        hidden=[box for box in boxes.values() if box.widget == "hidden"],
        verdict=verdict or Verdict(),
        stale=stale,
        to=f"/patient/{one.id}/write/{kind}",
        again=kind == "measurement" or kind in AT_THE_CHAIR,
        version="",
        entry=None,
        why="",
    )


def _boxes(
    asked: Asked,
    history: History,
    kind: str,
    fields: Iterable[Field],
    typed: Mapping[str, Any],
    verdict: Verdict | None,
) -> Iterable[Shown]:
    from dataclasses import replace

    from cli.pages.forms import known_for, shown

    known = known_for(asked.ledger, history)
    for box in shown(fields, typed, known):
        if box.field.name == "access" and _opens(kind):
            # An access begins with this kind, unless it was planned: then it is that one.
            choices = tuple(known.ids["AccessId"])
            box = replace(box, widget="pick", choices=choices, label="Which access", none="a new one")
        if verdict is not None:
            question = verdict.questions.get(box.field.name, "")
            box = box.with_words(*verdict.problems.get(box.field.name, ("", "")), question)
        yield box


def _in_order(asked: Asked, history: History, kind: str, typed: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """The fields that are asked at once, in order, and those behind "more"."""
    from cli.chair import asked_next, is_asked_shortly
    from cli.kinds import fields_of
    from cli.pages.forms import MINTED
    from ledger.projections.rows import rows_of
    from ledger.vocabulary import AccessKind

    names = [one.name for one in fields_of(kind) if one.of not in MINTED]
    if not is_asked_shortly(kind):
        last = [name for name in names if name in ("access",) and _opens(kind)]
        return [name for name in names if name not in last] + last, []
    stated = next((row.access_kind for row in rows_of(history) if row.access == typed.get("access")), None)
    asked_now = asked_next(kind, AccessKind(stated) if stated else None, typed)
    first = ["access", "happened", *(name for name in asked_now if name in names)]
    # What was said stays in view, whatever is asked now.
    first += [name for name in names if name in typed and name not in first]
    return first, [name for name in names if name not in first]


# --- Putting right, withdrawing -----------------------------------------------------------------------------------


def _entry(asked: Asked) -> tuple[Patient, History, Entry]:
    """The entry of the path, if whoever asks may see its patient. Raises NotFound, WrongInput."""
    from cli.naming import entry_named

    named = asked.path("entry")
    one = asked.patient(named.partition(".")[0], did="entry")
    return one, *entry_named(asked.ledger, named)


def correct_form(asked: Asked) -> Response:
    """What an entry says, to be put right."""
    one, history, entry = _entry(asked)
    return _correct_form(asked, one, history, entry, _says(asked, history, entry))


def correct(asked: Asked) -> Response:
    """Says what is true instead. The entry stays in the audit."""
    from cli.kinds import fields_of
    from cli.naming import entry_name
    from cli.pages.forms import typed_from, with_known_words
    from cli.record import corrected
    from ledger.entries import event_to_dict, fact_of

    one, history, entry = _entry(asked)
    fact = fact_of(entry.event)
    fields = _fields(fact.kind)
    typed, why = typed_from(asked.form, fields), asked.field("why")
    verdict = _judged_correction(asked, history, entry, typed)
    if asked.field("do") == "check":
        return _told_as_json(verdict)
    if asked.field("version") != str(history.version):
        return _correct_form(asked, one, history, entry, typed, verdict, why, status=409, stale=True)
    if not verdict.is_fine or (verdict.mark and asked.field("sure") != verdict.mark):
        return _correct_form(asked, one, history, entry, typed, verdict, why, status=422)
    base = _says(asked, history, entry)
    kept = with_known_words(typed, event_to_dict(fact), fields_of(fact.kind), asked.ledger.papers.words)
    values = {one.name: kept[one.name] for one in fields if one.name in kept and _changed(one, typed, base)}
    cleared = [name for name in base if name not in kept]
    try:
        appended = corrected(asked.ledger, history, entry, values, cleared, why or None, asked.signature())
    except StaleHistory:
        return _correct_form(asked, one, history, entry, typed, verdict, why, status=409, stale=True)
    except WrongInput as wrong:
        verdict.refused = (_said(wrong.problem, wrong.remedy, fact.kind),)
        return _correct_form(asked, one, history, entry, typed, verdict, why, status=422)
    if appended is None or not appended.entries:
        return asked.to(f"/patient/{one.id}/write", {"already": entry_name(one.id, entry)})
    asked.note("correct", patient=one.id, about=entry.id)
    return asked.to(f"/patient/{one.id}/write", {"done": entry_name(one.id, appended.entries[0])})


def _changed(one: Field, typed: Mapping[str, Any], base: Mapping[str, Any]) -> bool:
    from cli.pages.forms import differs

    return differs(one, typed.get(one.name), base.get(one.name))


def _fields(kind: str) -> tuple[Field, ...]:
    """The fields of a kind that are shown when it is put right: ids that nobody types stay as they are."""
    from cli.kinds import fields_of
    from cli.pages.forms import MINTED

    return tuple(one for one in fields_of(kind) if one.of not in MINTED)


def _says(asked: Asked, history: History, entry: Entry) -> dict[str, Any]:
    """What an entry says, as somebody would type it."""
    from cli.naming import entry_name
    from cli.pages.forms import texts_of
    from ledger.entries import event_to_dict, fact_of

    fact = fact_of(entry.event)
    names = {each.id: entry_name(history.patient, each) for each in history.entries}
    return texts_of(_fields(fact.kind), event_to_dict(fact), asked.ledger.papers.words, names)


def _judged_correction(asked: Asked, history: History, entry: Entry, typed: Mapping[str, Any]) -> Verdict:
    from cli.kinds import fields_of, told
    from cli.pages.forms import checking, problems_in, with_known_words
    from cli.record import around_by_hand, checked_event
    from ledger.entries import event_to_dict, fact_of
    from ledger.events import Correction

    fact = fact_of(entry.event)
    fields = _fields(fact.kind)
    around = checking(around_by_hand(asked.ledger, history, asked.today(history.patient), fact.kind, typed))
    verdict = Verdict(problems=problems_in(fields, typed, around))
    for one in fields:
        if one.required and one.name not in typed:
            verdict.problems.setdefault(
                one.name, ("This must be said.", "Withdraw the entry if it should not be there.")
            )
    if verdict.problems:
        return verdict
    plain = event_to_dict(fact)
    kept = with_known_words(typed, plain, fields, asked.ledger.papers.words)
    hidden = {name: value for name, value in plain.items() if name not in {one.name for one in fields}}
    try:
        to: Any = checked_event({**hidden, **told(fields_of(fact.kind), kept, around)}, "Look at the fields again.")
    except LedgerError as wrong:
        verdict.refused = (_said(wrong.problem, wrong.remedy, fact.kind),)
        return verdict
    root = entry.event.root if isinstance(entry.event, Correction) else entry.id
    verdict.event = Correction(happened=to.happened, corrects=entry.id, root=root, to=to)
    _considered(asked, history, verdict, verdict.event, to)
    return verdict


def _correct_form(
    asked: Asked,
    one: Patient,
    history: History,
    entry: Entry,
    typed: Mapping[str, Any],
    verdict: Verdict | None = None,
    why: str = "",
    *,
    status: int = 200,
    stale: bool = False,
) -> Response:
    from cli.naming import entry_name
    from cli.record import must_hold, told_in_words
    from ledger.entries import fact_of
    from ledger.events import FACT_KINDS

    try:
        must_hold(history, entry)
    except LedgerError as gone:
        return _gone(asked, gone)
    fact = fact_of(entry.event)
    if fact.kind not in FACT_KINDS:
        raise WrongInput(
            f"{entry_name(one.id, entry)} is not about the world but about other entries ({fact.kind}).",
            "Withdraw it, and write it down anew if need be.",
        )
    boxes = list(_boxes(asked, history, "", _fields(fact.kind), typed, verdict))
    said = [box for box in boxes if box.filled or box.problem or box.required]
    name = entry_name(one.id, entry)
    return asked.page(
        "write_one.html",
        status=status,
        one=one,
        kind=fact.kind,
        words=f"Correct {name}",
        about=told_in_words(asked.ledger, entry),
        first=said,
        more=[box for box in boxes if box not in said],
        hidden=[],
        verdict=verdict or Verdict(),
        stale=stale,
        to=f"/entry/{name}/correct",
        again=False,
        version=str(history.version),
        entry=name,
        why=why,
    )


def _gone(asked: Asked, gone: LedgerError) -> Response:
    """The entry does not hold any more: somebody else was quicker, or the page was an old one."""
    remedy = re.sub(
        r"Look at `access-ledger audit [^`]*`; retract", "Look at the history with its audit; retract", gone.remedy
    )
    return asked.page("wrong.html", status=409, title="No longer in force", problem=gone.problem, remedy=remedy)


def retract_form(asked: Asked) -> Response:
    """What an entry says, to be withdrawn."""
    one, history, entry = _entry(asked)
    return _retract_form(asked, one, history, entry)


def retract(asked: Asked) -> Response:
    """Says that an entry should never have been made. It stays in the audit, and no longer counts."""
    from cli.naming import entry_name
    from cli.record import must_hold, withdrawn

    one, history, entry = _entry(asked)
    why = asked.field("why")
    try:
        must_hold(history, entry)
    except LedgerError as gone:
        return _gone(asked, gone)
    if asked.field("version") != str(history.version):
        return _retract_form(asked, one, history, entry, why, status=409, stale=True)
    if not why:
        return _retract_form(asked, one, history, entry, status=422, problem="A reason is needed, in your words.")
    try:
        with asked.ledger.db.writing():
            signature, altogether = asked.signature(), bool(asked.field("altogether"))
            appended, _ = withdrawn(asked.ledger, history, entry, why, signature, altogether)
    except StaleHistory:
        return _retract_form(asked, one, history, entry, why, status=409, stale=True)
    asked.note("retract", patient=one.id, about=entry.id)
    last = appended.entries[-1] if appended.entries else entry
    return asked.to(f"/patient/{one.id}/write", {"done": entry_name(one.id, last)})


def _retract_form(
    asked: Asked,
    one: Patient,
    history: History,
    entry: Entry,
    why: str = "",
    *,
    status: int = 200,
    stale: bool = False,
    problem: str = "",
) -> Response:
    from cli.naming import entry_name
    from cli.record import must_hold, told_in_words
    from ledger.events import Correction

    try:
        must_hold(history, entry)
    except LedgerError as gone:
        return _gone(asked, gone)
    return asked.page(
        "retract.html",
        status=status,
        one=one,
        name=entry_name(one.id, entry),
        says=told_in_words(asked.ledger, entry),
        is_correction=isinstance(entry.event, Correction),
        version=str(history.version),
        why=why,
        stale=stale,
        problem=problem,
    )


_EXAMPLES = tuple(f"/patient/{{patient}}/write/{kind}" for kind in (*AT_THE_CHAIR, "background", "creation"))

PAGES = (
    Page("/patient/{patient}/write", kinds, Right.ENTER),
    Page("/patient/{patient}/write/{kind}", form, Right.ENTER, examples=_EXAMPLES),
    Page("/patient/{patient}/write/{kind}", write, Right.ENTER, methods=("POST",), examples=_EXAMPLES[:1]),
    Page("/entry/{entry}/correct", correct_form, Right.ENTER),
    Page("/entry/{entry}/correct", correct, Right.ENTER, methods=("POST",)),
    Page("/entry/{entry}/retract", retract_form, Right.ENTER),
    Page("/entry/{entry}/retract", retract, Right.ENTER, methods=("POST",)),
)
