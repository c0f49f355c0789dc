"""`report confirm`: a person goes through what reports propose, with the words it rests on in view.

One key for each proposal on a terminal. `--all` takes what is plain and leaves the rest: on a terminal after one look
at patient and side for each report, in a script only where a person has said both before. What is taken, refused and
waits is decided in `ledger.confirming`; here it is only asked for and said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.naming import access_names, entry_name, named_in
from cli.options import ByOption, JsonOption, LedgerOption, opened, person_of, signature_of, the_patient
from cli.record import told_in_words
from cli.report import access_in_words, date_of, marked_text, plain_words, tell_proposal
from ledger.errors import LedgerError, WrongInput

if TYPE_CHECKING:
    from ledger.confirming import Choice, Confirmed, Decision, Review
    from ledger.dates import PartialDate
    from ledger.entries import Signature
    from ledger.store import Ledger

PARTLY = 3


@dataclass
class Left:
    """What still waits in a report, and why."""

    kind: str
    why: str


@dataclass
class Told:
    """What became of one report."""

    report: str
    patient: str | None = None
    state: str = "waiting"
    recorded: list[str] = field(default_factory=list)
    already: int = 0
    left: list[Left] = field(default_factory=list)
    problem: str | None = None
    remedy: str | None = None
    doubts: list[str] = field(default_factory=list)


def confirm(
    reports: Annotated[
        list[str] | None, typer.Argument(metavar="[REPORT]…", help="Reports by id; without any, all that wait.")
    ] = None,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="PATIENT", help="Only this patient's.", show_default=False)
    ] = None,
    take_all: Annotated[
        bool,
        typer.Option(
            "--all",
            help="Take what is plain without reading each, marked so; leave the rest. On a terminal you look at "
            "patient and side of each report first; without one both have to be said before.",
        ),
    ] = False,
    also_new: Annotated[
        bool,
        typer.Option(
            "--also-new", help="With --all: also accesses the ledger does not know, as known from a report only."
        ),
    ] = False,
    day: Annotated[
        str | None,
        typer.Option(
            "--date", metavar="DATE", help="When it was done, where a report does not say.", show_default=False
        ),
    ] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Go through what reports propose; what you accept is recorded in your name.

    On a terminal: a accept, e edit, d dismiss, v view the text, s skip, q quit; where an entry
    tells it already, k leaves that as it is, c corrects it by this report, and o is for another one.
    Confirming again adds nothing; stopped half-way, it goes on where it was.
    """
    if also_new and not take_all:
        raise typer.BadParameter("--also-new goes with --all.")
    if not take_all and (as_json or not say.is_terminal()):
        raise WrongInput(
            "Nobody is here to be asked.",
            "Run it on a terminal, or add --all to take what is plain and leave the rest.",
        )
    with opened(ledger) as found:
        person = person_of(found, by)
        wanted = _wanted(found, reports, patient)
        when = date_of(day)
        told: list[Told] = []
        for report in wanted:
            if take_all:
                asks = say.is_terminal() and not as_json
                told.append(_in_bulk(found, report, person, also_new, when, asks))
                continue
            try:
                one, goes_on = _by_hand(found, report, signature_of(found, person), when, len(told) + 1, len(wanted))
            except LedgerError as wrong:
                if len(wanted) == 1:
                    raise
                one, goes_on = Told(report, problem=wrong.problem, remedy=wrong.remedy), True
                say.paragraph(f"{wrong.problem} {wrong.remedy}")
            told.append(one)
            if not goes_on:
                break
    _tell(told, len(wanted), as_json)
    if take_all and any(one.left or one.problem for one in told):
        raise typer.Exit(PARTLY)


def _wanted(ledger: Ledger, reports: list[str] | None, patient: str | None) -> list[str]:
    if reports:
        return [ledger.papers.report(report).id for report in reports]
    one = the_patient(ledger, patient).id if patient else None
    return [report.id for report in ledger.papers.reports(state="waiting", patient=one) if report.patient is not None]


# --- In bulk ------------------------------------------------------------------------------------------------------


def _in_bulk(
    ledger: Ledger, report: str, person: str, also_new: bool, when: PartialDate | None, asks: bool = False
) -> Told:
    from ledger.confirming import confirm as confirm_report
    from ledger.confirming import in_bulk, needs_a_look, plainly_told, review_of

    try:
        review = review_of(ledger, report, happened=when)
        looked_at = asks and needs_a_look(review, also_new=also_new) and _looked_at(ledger, review)
        decisions, left = plainly_told(review, also_new=also_new, looked_at=looked_at)
        if not review.reading.proposed and not review.reviews:
            # Nothing found is not the same as nothing there.
            return Told(
                report, review.history.patient, review.report.state, left=[Left("", "it proposes nothing: read it")]
            )
        if not decisions and left:
            told = Told(report, review.history.patient, review.report.state)
        else:
            done = confirm_report(ledger, review, decisions, by=in_bulk(person))
            told = _told(ledger, review, done)
    except LedgerError as wrong:
        return Told(report, problem=wrong.problem, remedy=wrong.remedy)
    told.left += [Left(review.reading.proposed[index].kind, why) for index, why in left.items()]
    return told


def _looked_at(ledger: Ledger, review: Review) -> bool:
    """Shows whose report it is and which sides it tells, and asks for one key: nobody takes these unseen."""
    from ledger.projections.wording import day_words

    patient = ledger.who.patient(review.history.patient)
    born = f", born {day_words(patient.birth_date)}" if patient.birth_date else ""
    names = dict(access_names(review.history))
    say.out()
    say.heading(f"{review.report.id[:10]}  {patient.id} {say.shown(patient.name or '')}{born}")
    say.paragraph(say.shown(" ".join(review.text.split())[:150]), "     | ", "     | ")
    for access in review.reading.accesses:
        choice = review.choices.get(access.ref)
        where = (
            "not in the ledger yet" if choice is None or choice.is_new else f"{choice.id} {names.get(choice.id, '')}"
        )
        say.paragraph(f"{access_in_words(access)}: {where}", "  ", "    ")
        words = dict.fromkeys(say.shown(review.reading.words(cite)) for cite in (*access.quotes, *access.side_quotes))
        if words:
            say.paragraph(", ".join(f'"{one}"' for one in words), "     | ", "     |  ")
    while True:
        key = _key("  This patient, and this side?  y yes   n no, leave it > ")
        if key in "yn" and key:
            return key == "y"


def _told(ledger: Ledger, review: Review, done: Confirmed) -> Told:
    """What a confirmation did, in the words of people."""
    patient = review.history.patient
    history = ledger.history(patient) if done.entries or done.doubts else review.history
    told = Told(review.report.id, patient, done.state, already=len(done.already))
    told.recorded = [entry_name(patient, entry) for entry in done.entries]
    proposed = review.reading.proposed
    for index, refusal in done.refused:
        kind = "access-known" if index is None else proposed[index].kind
        told.left.append(Left(kind, named_in(f"{refusal.problem} {refusal.remedy}", history)))
    for index, words in done.waiting:
        told.left.append(Left("access-known" if index is None else proposed[index].kind, words))
    told.doubts = [named_in(doubt.words, history) for doubt in done.doubts]
    return told


# --- By hand ------------------------------------------------------------------------------------------------------


def _by_hand(
    ledger: Ledger, report: str, signature: Signature, when: PartialDate | None, nth: int, of: int
) -> tuple[Told, bool]:
    """One report on a terminal. Gives what became of it, and whether to go on with the next."""
    from ledger.confirming import confirm as confirm_report
    from ledger.confirming import review_of, with_choices
    from ledger.projections.wording import day_words

    review = review_of(ledger, report, happened=when)
    patient = ledger.who.patient(review.history.patient)
    say.out()
    say.heading(f"Report {nth} of {of}: {review.report.id[:10]}, {patient.id} {say.shown(patient.name or '')}")
    _tell_header(review)
    if review.before:
        say.out(f"  {len(review.before)} of {len(review.reading.proposed)} proposals were decided before.")
    if not review.open:
        if not review.reviews:
            _tell_nothing(review)
            if typer.confirm("  Done with it", default=True):
                return _told(ledger, review, confirm_report(ledger, review, {}, by=signature)), True
        return Told(review.report.id, patient.id, review.report.state), True
    if review.reading.happened is None and _asks_for_day(review) and (when := _day_asked()) is not None:
        review = review_of(ledger, report, happened=when)
    if review.reading.happened is not None:
        say.out(f"  Done on {day_words(review.reading.happened)}, from {review.reading.happened_from}.")
    review = with_choices(review, _choices_asked(review))
    table = _Table(ledger, review)
    goes_on = table.go_through()
    if not table.decisions:
        say.out("  Nothing was decided; it waits as before.")
        return Told(review.report.id, patient.id, review.report.state, left=_still_open(review)), goes_on
    done = confirm_report(ledger, review, table.decisions, by=signature)
    told = _told(ledger, review, done)
    _tell_done(ledger, patient.id, told, done)
    return told, goes_on


def _tell_nothing(review: Review) -> None:
    """A report that proposes nothing, with its text and what was left out: a person says that there is nothing."""
    say.out(marked_text(review.reading))
    say.out()
    say.out("  It proposes nothing for the ledger.")
    for one in review.reading.noticed:
        words = say.shown(review.reading.text[one.start : one.end])
        say.paragraph(f'Left out: "{words}", {one.reason}', "  ", "    ")


def _still_open(review: Review) -> list[Left]:
    return [Left(review.reading.proposed[index].kind, "not decided") for index in review.open]


def _tell_header(review: Review) -> None:
    linked = review.report.envelope.get("linked") or {}
    for _, words in linked.get("doubts", ()):
        say.paragraph(f"Careful: {words}", "  ", "    ")
    for doubt in review.reading.doubts:
        say.paragraph(f"Careful: {doubt}.", "  ", "    ")
    for other, compared in review.alike:
        seems = "tells" if compared.sameness.value == "same" else "may tell"
        why = ", ".join(reason.replace("-", " ") for reason in compared.reasons)
        words = f"Careful: report {other[:10]}, which waits as well, {seems} of the same procedure ({why})."
        say.paragraph(words, "  ", "    ")
    for report in review.later:
        say.paragraph(f"Careful: report {report[:10]} corrects this one or adds to it; look at both.", "  ", "    ")
    if review.earlier:
        named = ", ".join(report[:10] for report in review.earlier)
        say.paragraph(f"It adds to or corrects report {named}: accepting corrects what that one said.", "  ", "    ")


def _asks_for_day(review: Review) -> bool:
    return any(review.reading.proposed[index].happened is None for index in review.open)


def _day_asked() -> PartialDate | None:
    while True:
        answer = typer.prompt(
            "  Neither text nor envelope says when it was done. The day (Enter: not known)",
            default="",
            show_default=False,
        ).strip()
        if not answer:
            return None
        try:
            found: PartialDate = date_of(answer)
        except WrongInput as wrong:
            say.out(f"  {wrong.remedy}")
            continue
        return found


def _choices_asked(review: Review) -> dict[str, Choice]:
    """For each access of the report the access of the ledger: said where it is plain, asked where it is not."""
    from ledger.confirming import Choice

    names = dict(access_names(review.history))
    choices = dict(review.choices)
    for access in review.reading.accesses:
        if not any(review.reading.proposed[index].access == access.ref for index in review.open):
            continue
        match = review.matches[access.ref]
        described = access_in_words(access)
        words = dict.fromkeys(say.shown(review.reading.words(cite)) for cite in (*access.quotes, *access.side_quotes))
        quoted = [f'"{one}"' for one in words]
        choice = choices.get(access.ref)
        for doubt in match.doubts:
            say.paragraph(f"Careful: {doubt.words}", "  ", "    ")
        if choice is not None and (match.plain or not names):
            what = "not in the ledger yet" if choice.is_new else f"taken for {choice.id} ({names.get(choice.id, '')})"
            say.paragraph(f"{access.ref}: {described}: {what}.", "  ", "      ")
            say.paragraph(", ".join(quoted), "     | ", "     |  ")
            continue
        say.paragraph(f"{access.ref}: {described}. Which access is it?", "  ", "      ")
        say.paragraph(", ".join(quoted), "     | ", "     |  ")
        rows = list(names)
        for nth, one in enumerate(rows, start=1):
            candidate = next((each for each in match.candidates if each.access == one), None)
            say.paragraph(
                f"{nth}  {one} {names[one]}" + (f" ({candidate.words})" if candidate else ""), "    ", "       "
            )
        say.out("    n  an access that the ledger does not know yet")
        say.out("    ?  I cannot tell: what is about it waits")
        default = "?" if choice is None else "n" if choice.is_new else str(rows.index(choice.id) + 1)
        while True:
            answer = typer.prompt("  ", default=default, prompt_suffix="").strip().lower()
            if answer == "?":
                choices.pop(access.ref, None)
            elif answer == "n":
                choices[access.ref] = review.new_access(access.ref)
            elif answer.isdigit() and 1 <= int(answer) <= len(rows):
                choices[access.ref] = Choice(id=rows[int(answer) - 1])
            else:
                continue
            break
    return choices


class _Table:
    """The proposals of a report, one after the other."""

    def __init__(self, ledger: Ledger, review: Review) -> None:
        self.ledger = ledger
        self.review = review
        self.decisions: dict[int, Decision] = {}

    def go_through(self) -> bool:
        """Asks about each open proposal. False when the person wants to stop."""
        for index in self.review.open:
            say.out()
            self._show(index)
            if not self._ask(index):
                return False
        for root in self.review.unsaid:
            name = named_in(root, self.review.history)
            words = f"{name} stood in the earlier report and not in this one; look whether it is to be retracted."
            say.paragraph(words, "  ", "    ")
        return True

    def _show(self, index: int, changes: Mapping[str, Any] | None = None, *, whole: bool = False) -> None:
        from ledger.confirming import drafted_event
        from ledger.projections.sentences import sentence_of_event
        from ledger.projections.wording import day_words
        from ledger.retelling import Told

        review = self.review
        proposal = review.reading.proposed[index]
        event, missing = drafted_event(review, index, review.choices, changes or {})
        if event is None or whole:
            tell_proposal(index + 1, proposal, review.reading)
        if event is not None:
            # What would be recorded, and the words that it rests on, are what a person compares; v shows the rest.
            sentence = say.shown(sentence_of_event(event, self.ledger.papers.words))
            if whole:
                say.paragraph(f"would say: {day_words(event.happened)}: {sentence}", "     ", "       ")
            else:
                of = f" of {proposal.access}" if proposal.access else ""
                mark = "plainly said" if proposal.plain else "to be checked"
                say.out(say.bold(f"  {index + 1}. {proposal.kind}{of}") + f"  [{mark}]")
                say.paragraph(f"{day_words(event.happened)}: {sentence}", "     ", "       ")
                for cite in proposal.quotes:
                    words = " ".join(say.shown(review.reading.words(cite)).split())
                    if f'"{words}"' not in sentence:
                        say.paragraph(f'"{words}"', "     | ", "     |  ")
                for doubt in proposal.doubts:
                    say.paragraph(f"careful: {doubt}", "     ", "       ")
        elif missing is not None:
            say.paragraph(f"cannot be recorded yet: {missing}", "     ", "       ")
        if index in review.told:
            told = review.told[index]
            name = named_in(told.entry or told.root or "", review.history)
            words = {
                Told.AGAIN: f"{name} tells the same: accepted, it is known already; o if it is something else.",
                Told.OTHERWISE: f"{name} tells it otherwise: a or c if this one is right, k if that one is; "
                "o if it is something else.",
            }.get(told.told, f"{name} may tell the same; k if it does, c if this one is right about it.")
            say.paragraph(f"careful: {words}", "     ", "       ")
        correction = review.corrections.get(index)
        for one in correction.differences if correction is not None else ():
            said = f"{one.field}: {plain_words(one.known)} there, {plain_words(one.told)} here"
            say.paragraph(said, "       - ", "         ")

    def _ask(self, index: int) -> bool:
        from ledger.confirming import Decision
        from ledger.vocabulary import Fate

        changes: dict[str, Any] = {}
        while True:
            known = "  k known already" if index in self.review.told else ""
            puts_right = "  c correct by it" if index in self.review.told and index in self.review.corrections else ""
            own = "  o another one" if self._may_be_same(index) else ""
            key = _key(f"     a accept  e edit  d dismiss{known}{puts_right}{own}  v view  s skip  q quit > ")
            match key:
                case "a":
                    fate = Fate.EDITED if changes else Fate.ACCEPTED
                    self.decisions[index] = Decision(fate=fate, changes=changes)
                case "e":
                    changes |= self._changes(index)
                    self._show(index, changes)
                    continue
                case "d":
                    reason = typer.prompt("     Why", default="", show_default=False).strip()
                    if not reason:
                        say.out("     A reason is needed, in your words.")
                        continue
                    self.decisions[index] = Decision(fate=Fate.DISMISSED, reason=reason)
                case "c" if puts_right:
                    fate = Fate.EDITED if changes else Fate.ACCEPTED
                    self.decisions[index] = Decision(fate=fate, changes=changes, corrects=True)
                case "o" if own:
                    fate = Fate.EDITED if changes else Fate.ACCEPTED
                    self.decisions[index] = Decision(fate=fate, changes=changes, own=True)
                case "k" if known:
                    self.decisions[index] = Decision(fate=Fate.ALREADY_KNOWN)
                case "v":
                    say.out()
                    say.out(marked_text(self.review.reading))
                    self._show(index, changes, whole=True)
                    continue
                case "s":
                    pass
                case "q":
                    return False
                case _:
                    continue
            return True

    def _may_be_same(self, index: int) -> bool:
        """Whether accepting would not make an entry of its own."""
        from ledger.confirming import amends
        from ledger.retelling import Told

        told = self.review.told.get(index)
        return amends(self.review, index) or (told is not None and told.told in (Told.AGAIN, Told.OTHERWISE))

    def _changes(self, index: int) -> dict[str, Any]:
        """Edits as field=value, checked, until Enter."""
        from cli.kinds import Around, fields_of, told, typed_changes

        kind = self.review.reading.proposed[index].kind
        names = ", ".join(one.name for one in fields_of(kind) if one.name not in ("access", "visit", "note"))
        say.paragraph(f"fields: {names}", "     ", "       ")
        today = self.ledger.today(self.review.history.patient)
        around = Around(
            today=today,
            keep=lambda words: vars(self.ledger.papers.typed(words, self.review.history.patient)),
            entry=str,
            access=str,
            mint=lambda *_: None,
        )
        found: dict[str, Any] = {}
        while True:
            answer = typer.prompt("     FIELD=VALUE (Enter to finish)", default="", show_default=False).strip()
            if not answer:
                return found
            try:
                values, cleared = typed_changes(kind, [answer])
                if "access" in values or "visit" in values:
                    raise WrongInput("Which access it is, is asked before.", "Quit, and begin this report again.")
                found |= told(fields_of(kind), values, around)
                found |= dict.fromkeys(cleared)
            except LedgerError as wrong:
                say.paragraph(f"{wrong.problem} {wrong.remedy}", "     ", "     ")


def _key(words: str) -> str:
    """One key, shown after the words."""
    import sys

    sys.stdout.write(words)
    sys.stdout.flush()
    # What was typed ahead belongs to a proposal that nobody has seen yet, and is dropped.
    key = typer.getchar()[:1].lower()
    if key in ("\x03", "\x04"):
        raise KeyboardInterrupt
    say.out(key if key.isprintable() else "")
    return key


# --- Saying what was done -----------------------------------------------------------------------------------------


def _tell_done(ledger: Ledger, patient: str, told: Told, done: Confirmed) -> None:
    say.out()
    for entry in done.entries:
        say.paragraph(f"{entry_name(patient, entry)}  {told_in_words(ledger, entry)}", "  ", "    ")
    if told.already:
        say.out(f"  {told.already} were there already.")
    for left in told.left:
        say.paragraph(f"{left.kind} waits: {left.why}", "  ", "    ")
    for doubt in told.doubts:
        say.paragraph(f"Careful: {doubt}", "  ", "    ")
    say.out("  All of it is decided." if told.state == "confirmed" else f"  {done.open} left to decide.")


def _tell(told: list[Told], wanted: int, as_json: bool) -> None:
    if as_json:
        say.as_json(
            {
                "reports": [{**vars(one), "left": [vars(left) for left in one.left]} for one in told],
                "confirmed": sum(one.state == "confirmed" for one in told),
                "entries": sum(len(one.recorded) for one in told),
            }
        )
        return
    say.out()
    if not wanted:
        say.out("No report waits to be confirmed.")
        return
    entries = sum(len(one.recorded) for one in told)
    confirmed = sum(one.state == "confirmed" for one in told)
    say.out(
        f"{say.counted(entries, 'entry', 'entries')} recorded; {confirmed} of {say.counted(wanted, 'report')} done."
    )
    rows = [[one.report[:10], one.patient or "?", left.kind, left.why] for one in told for left in one.left]
    rows += [[one.report[:10], one.patient or "?", "", f"{one.problem} {one.remedy}"] for one in told if one.problem]
    if rows:
        say.out()
        say.heading("Left for a person")
        say.table(["Report", "Patient", "What", "Why"], rows)
        from ledger.confirming import NOT_IN_LEDGER

        if any(left.why == NOT_IN_LEDGER for one in told for left in one.left):
            say.out("--also-new takes accesses that the ledger does not know as well, as known from a report only.")
