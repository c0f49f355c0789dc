"""Looking: the brief, the life of an access, and the audit. Each look at a patient is noted, ids only."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date, datetime
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.naming import access_anywhere, access_named, entry_name, every_entry_name, named_in
from cli.options import (
    AsOfOption,
    ByOption,
    JsonOption,
    KnownOnOption,
    LedgerOption,
    PatientArgument,
    TodayOption,
    day_from,
    opened,
    the_patient,
    today_of,
)

if TYPE_CHECKING:
    from cli.pages.drawing import Drawing
    from ledger.chronology import History
    from ledger.people import Patient
    from ledger.projections.brief import Brief, WaitingReport
    from ledger.projections.sheet import Sheet
    from ledger.projections.state import AccessView
    from ledger.projections.timeline import Line
    from ledger.store import Ledger


class Paper(StrEnum):
    """What printers hold."""

    A4 = "a4"
    LETTER = "letter"


def brief(
    patient: PatientArgument,
    for_intervention: Annotated[
        bool, typer.Option("--for-intervention", help="The sheet for the interventionalist instead.")
    ] = False,
    access: Annotated[
        str | None,
        typer.Option(
            "--access", metavar="ACCESS", help="With --for-intervention: on which access.", show_default=False
        ),
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="All of it, also what does not fit on one screen.")] = False,
    pdf: Annotated[
        Path | None,
        typer.Option("--pdf", metavar="FILE", help="Write it as one page to print, a new file.", show_default=False),
    ] = None,
    paper: Annotated[Paper, typer.Option("--paper", help="With --pdf: the paper.")] = Paper.A4,
    as_of: AsOfOption = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """What one needs to know in the minute before anybody touches the arm."""
    if access is not None and not for_intervention:
        raise typer.BadParameter("--access goes with --for-intervention.")
    if paper is not Paper.A4 and pdf is None:
        raise typer.BadParameter("--paper goes with --pdf.")
    with opened(ledger) as found:
        one = the_patient(found, patient)
        whole = found.history(one.id, sessions=True)
        history = seen(whole, as_of, known_on)
        about = access_named(whole, access) if access is not None else None
        made = brief_made(found, one, history, today_of(found, one.id, today), for_intervention, about)
        if pdf is not None:
            _print_to(pdf, found, history, made, paper)
        if as_json:
            say.out(say.json_text(made.to_json()))
        elif pdf is not None:
            say.out(f"Written: {pdf}, one page of {paper.value}.")
        else:
            for line in made.lines(height=None) if everything or for_intervention else made.lines():
                say.out(say.shown_lines(line))
        noted(found, "sheet" if for_intervention else "brief", by, one.id)


def _print_to(to: Path, ledger: Ledger, history: History, made: Brief | Sheet, paper: Paper) -> None:
    from cli.count import put
    from cli.printed import brief_printed, sheet_printed
    from ledger.projections.brief import Brief

    if isinstance(made, Brief):
        put(to, brief_printed(made, paper=paper))
    else:
        put(to, sheet_printed(made, beside_sheet(ledger, history, made)[1], paper=paper))


def beside_sheet(ledger: Ledger, history: History, made: Sheet) -> tuple[tuple[AccessView, ...], Drawing]:
    """The accesses on the day of a sheet, and their drawing, in which the sheet's own is the heaviest."""
    from cli.pages.drawing import drawing_of
    from ledger.projections.folding import fold_of
    from ledger.projections.person import person_of
    from ledger.projections.state import views_of

    names, folds = names_of(ledger), fold_of(history)
    views = views_of(folds, history, made.day, ledger.papers.words, names)
    person = person_of(history, made.day, ledger.papers.words, names, folds)
    main = next((view for view in views if view.access == made.access), None)
    return views, drawing_of(views, person, main)


def brief_made(
    ledger: Ledger,
    patient: Patient,
    history: History,
    today: date,
    for_intervention: bool = False,
    access: str | None = None,
) -> Brief | Sheet:
    """The brief of a patient, or the interventionalist's sheet, on a day."""
    from ledger.admission import doubts_of
    from ledger.projections.brief import brief_of

    joined = [ledger.who.patient(other) for other, _ in history.merged]
    joined_to = ledger.joined_to(patient.id)
    own = {patient.id, *(other.id for other in joined)}
    alike = [other for other in ledger.who.called_like(patient) if other.id not in {*own, joined_to}]
    made_of: Callable[..., Brief | Sheet]
    if for_intervention:
        from ledger.projections.sheet import sheet_of

        made_of = partial(sheet_of, access=access)
    else:
        made_of = partial(
            brief_of,
            same_births=_born_alike(patient, alike),
            joined=joined,
            joined_to=joined_to,
        )
    is_view = history.as_of is not None or history.known_on is not None
    return made_of(
        history,
        patient,
        today,
        _moment(ledger, history, today),
        ledger.papers.words,
        names_of(ledger),
        waiting_reports=[report for one in sorted(own) for report in waiting_reports(ledger, one)],
        same_names=len(alike),
        doubts=() if is_view else doubts_of(history),
    )


def _born_alike(patient: Patient, others: Iterable[Patient]) -> int:
    return sum(1 for other in others if patient.birth_date and other.birth_date == patient.birth_date)


def _moment(ledger: Ledger, history: History, today: date) -> datetime:
    """When this is looked at. On another day than the present one, at this hour of that day."""
    moment = ledger.clock().astimezone(history.zone)
    return moment if moment.date() == today else datetime.combine(today, moment.time(), tzinfo=history.zone)


def seen(
    history: History,
    as_of: str | None,
    known_on: str | None,
    asked_as: tuple[str, str] = ("--as-of", "--known-on"),
) -> History:
    """The history as of a day, as known on a day or at an instant, or both.

    `asked_as` is what the two are called where somebody types them. Raises WrongInput.
    """
    if as_of is None and known_on is None:
        return history
    return history.seen(
        as_of=None if as_of is None else day_from(as_of, asked_as[0]),
        known_on=None if known_on is None else _known_by(known_on, history, asked_as[1]),
    )


def _known_by(text: str, history: History, asked_as: str) -> date | str:
    from ledger.dates import instant_text

    if "T" not in text:
        return day_from(text, asked_as)
    from ledger.errors import WrongInput

    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise WrongInput(
            f"What {asked_as} says is neither a day nor an instant.", "Write 2026-03-04 or 2026-03-04T10:30."
        ) from None
    return instant_text(moment if moment.tzinfo else moment.replace(tzinfo=history.zone))


def names_of(ledger: Ledger) -> Callable[[str], str | None]:
    """The name of a person, a unit or a centre by its id."""
    who = ledger.who
    names = {one.id: one.name for one in who.people()}
    names |= {one.id: one.name for one in who.units()}
    names |= {one.id: one.name for one in who.centres()}
    return {key: say.shown(name) for key, name in names.items()}.get


def waiting_reports(ledger: Ledger, patient: str) -> list[WaitingReport]:
    """The reports of a patient that nobody has confirmed: that they wait, and of which day."""
    from ledger.dates import PartialDate
    from ledger.projections.brief import WaitingReport

    found = []
    for report in ledger.papers.reports(state="waiting", patient=patient):
        day = (report.proposed or {}).get("happened")
        found.append(
            WaitingReport(report=report.id, happened=PartialDate(day) if day else None, received=report.arrived_at[:10])
        )
    return found


def noted(ledger: Ledger, did: str, by: str | None, patient: str | None, about: str | None = None) -> None:
    """Notes a look. Whoever looks sees what they asked for even when the ledger cannot be written to just now."""
    from ledger.errors import LedgerError
    from ledger.store.upkeep import note

    try:
        note(ledger, did, person=by, patient=patient, about=about)
    except LedgerError as busy:
        say.aside(f"This look could not be noted in the audit: {busy.problem}")


# --- history ------------------------------------------------------------------------------------------------------


def history(
    access: Annotated[
        str, typer.Argument(metavar="ACCESS", help="An access's id, or a patient's for all of their accesses.")
    ],
    patient: Annotated[
        str | None,
        typer.Option(
            "--patient",
            metavar="PATIENT",
            help="Whose access it is; then words will do: history 'left fistula' --patient P0007.",
            show_default=False,
        ),
    ] = None,
    quotes: Annotated[
        bool, typer.Option("--quotes", help="Below each line the report's words that it rests on.")
    ] = False,
    with_audit: Annotated[
        bool, typer.Option("--audit", help="Also what was corrected and withdrawn, and by whom.")
    ] = False,
    as_of: AsOfOption = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """The whole life of an access, a plain sentence a line, with who confirmed it."""
    from ledger.projections.timeline import timeline_of

    with opened(ledger) as found:
        one, named = _whose(found, access, patient)
        whole = found.history(one.id, sessions=True)
        if patient is not None:
            named = access_named(whole, access)
        life = timeline_of(seen(whole, as_of, known_on), named, found.papers.words, names_of(found), audit=with_audit)
        if as_json:
            told = life.to_json()
            entry_names = every_entry_name(whole)
            for line in told["lines"]:
                line["name"] = entry_names.get(line["entry"], line["entry"])
            say.out(say.json_text(told))
        else:
            _tell_life(whole, one, life, quotes, bool(as_of or known_on))
        noted(found, "history", by, one.id, named)


def _whose(ledger: Ledger, access: str, patient: str | None) -> tuple[Patient, str | None]:
    import re

    if patient is not None:
        return the_patient(ledger, patient), None
    if re.fullmatch(r"[Pp]\d{1,12}", access.strip()):
        return ledger.who.patient(access.strip()), None
    owner, named = access_anywhere(ledger, access)
    return ledger.who.patient(owner), named


def _tell_life(whole: History, one: Patient, life: Any, quotes: bool, is_view: bool) -> None:
    from ledger.projections.wording import day_words

    name = "all that is recorded" if life.access is None else f"{life.name} ({life.access})"
    say.heading(f"{one.id} {say.shown(one.name or '')}: {name}")
    if is_view:
        views = [("as of", life.as_of), ("as known on", life.known_on)]
        say.out("  " + ", ".join(f"{words} {value}" for words, value in views if value))
    if not life.lines:
        say.out("Nothing is recorded.")
        return
    entry_names = every_entry_name(whole)
    names = [entry_names.get(line.entry, line.entry) for line in life.lines]
    signs = _signs(whole, life)
    days = [day_words(line.happened) for line in life.lines]
    widest, longest = max(map(len, names)), max(map(len, days))
    for line, entry, day in zip(life.lines, names, days, strict=True):
        say.paragraph(
            named_in(say.shown(_sentence(line)), whole, entry_names),
            f"{entry.ljust(widest)}  {day.ljust(longest)}  {signs.get(line.access, '')}",
            " " * (widest + longest + 4),
        )
        for worked in line.worked:
            say.paragraph(worked, " " * (widest + longest + 4), " " * (widest + longest + 6))
        if quotes:
            for quote in line.quotes:
                say.paragraph(f'"{say.shown(quote)}"', " " * (widest + 4), " " * (widest + 5))


def _signs(whole: History, life: Any) -> dict[str | None, str]:
    """In the life of a patient with several accesses: the number that stands before what is of each of them."""
    from ledger.projections.rows import rows_of

    if life.access is not None:
        return {}
    told = {line.access for line in life.lines}
    rows = [row for row in rows_of(whole) if row.access in told]
    if len(rows) < 2:
        return {}
    for nth, row in enumerate(rows, start=1):
        say.paragraph(f"({nth}) {row.name} ({row.access})", "  ", "      ")
    return {row.access: f"({nth}) " for nth, row in enumerate(rows, start=1)}


def _sentence(line: Line) -> str:
    marks = {"in-force": "", "possibly": "[possibly by then] ", "about": ""}
    mark = marks.get(line.standing, f"[{line.standing}] ")
    return f"{mark}{line.sentence} ({line.confirmed})"


# --- audit --------------------------------------------------------------------------------------------------------


def audit(
    patient: Annotated[
        str | None,
        typer.Argument(metavar="[PATIENT]", help="Only what concerns this patient, with every entry ever made."),
    ] = None,
    person: Annotated[
        str | None, typer.Option("--person", metavar="PERSON", help="Only what this person did.", show_default=False)
    ] = None,
    last: Annotated[int, typer.Option("--last", metavar="N", min=0, help="The newest N lines; 0 for all.")] = 100,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Who recorded, changed and looked at what, oldest first. Of a patient also each entry, in force or not."""
    with opened(ledger) as found:
        one = the_patient(found, patient) if patient else None
        lines = _audit_lines(found, one.id if one else None)
        if one is not None:
            lines += _entry_lines(found, one.id)
            lines.sort(key=lambda line: (line["at"], line["about"] or ""))
        if person is not None:
            lines = [line for line in lines if line["person"] == person]
        left_out = max(0, len(lines) - last) if last else 0
        lines = lines[left_out:]
        zone = found.history(one.id).zone if one else found.zone
    if as_json:
        say.as_json({"patient": one.id if one else None, "left_out": left_out, "lines": lines})
        return
    if not lines:
        say.out("Nothing was done or looked at.")
        return
    if left_out:
        say.out(f"({left_out} older; --last 0 shows all)")
    say.table(
        ["When", "Who", "Patient", "What"],
        [
            [
                datetime.fromisoformat(line["at"]).astimezone(zone).strftime("%Y-%m-%d %H:%M:%S"),
                line["person"] or "not named",
                line["patient"] or "",
                " ".join(part for part in (line["did"], line["about"], line["words"]) if part),
            ]
            for line in lines
        ],
    )


def _audit_lines(ledger: Ledger, patient: str | None) -> list[dict[str, Any]]:
    from ledger.store.who import number_of, patient_id

    wanted = "SELECT at, person, did, patient, about FROM audit WHERE org=?"
    values: list[Any] = [ledger.org]
    if patient is not None:
        wanted += " AND patient=?"
        values.append(number_of(patient))
    return [
        {
            "at": at,
            "person": person,
            "did": did,
            "patient": None if number is None else patient_id(number),
            "about": about,
            "words": None,
        }
        for at, person, did, number, about in ledger.db.execute(wanted + " ORDER BY number", values).fetchall()
    ]


def _entry_lines(ledger: Ledger, patient: str) -> list[dict[str, Any]]:
    from ledger.chronology import in_force
    from ledger.projections.sentences import entry_sentence
    from ledger.projections.wording import day_words

    history = ledger.history(patient, sessions=True)
    names = names_of(ledger)
    entry_names = every_entry_name(history)
    holding = {entry.id for entry in in_force(history.entries)}
    lines = []
    for entry in history.entries:
        sentence = named_in(entry_sentence(entry, ledger.papers.words, names), history, entry_names)
        no_longer = "" if entry.id in holding else " [no longer in force]"
        lines.append(
            {
                "at": entry.recorded_at,
                "person": entry.recorded_by.person,
                "did": "recorded",
                "patient": patient,
                "about": entry_name(patient, entry),
                "words": f"({day_words(entry.happened)}) {sentence}{no_longer}",
            }
        )
    return lines
