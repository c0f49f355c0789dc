"""Reports: read without keeping, list, show, link, explain. Import and confirm have modules of their own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import (
    ByOption,
    JsonOption,
    LedgerOption,
    PatientArgument,
    opened,
    person_of,
    signature_of,
    the_patient,
)
from ledger.errors import WrongInput

if TYPE_CHECKING:
    from ledger.reading.proposals import ReadAccess, Reading
    from ledger.store.papers import StoredReport

reports = a_group(
    {
        "read": Later("cli.report:read", "Show what would be proposed; nothing is kept."),
        "import": Later("cli.importing:import_reports", "Keep reports, read them, and link them to their patients."),
        "list": Later("cli.report:list_reports", "The reports of this ledger, waiting ones first."),
        "show": Later("cli.report:show", "A report's text with its quotes marked, and what it proposes."),
        "link": Later("cli.report:link", "Say whose report it is."),
        "dismiss": Later("cli.report:dismiss_report", "Set a report aside as a whole: there is nothing in it for us."),
        "reopen": Later("cli.report:reopen_report", "Put a report that was set aside back to what it waited for."),
        "confirm": Later("cli.confirm:confirm", "Go through what reports propose; what you accept is recorded."),
        "columns": Later("cli.columns:columns", "Say once what the columns of a spreadsheet of reports are for."),
        "explain": Later("cli.report:explain", "A text with everything marked that the reader noticed."),
    },
    help="Operative reports: read, keep, confirm.",
)

DayOption = Annotated[
    str | None,
    typer.Option(
        "--date",
        metavar="DATE",
        help="When it was done, for reports that do not say so: 2026-03-04, 2026-03 or 2026.",
        show_default=False,
    ),
]
ReportArgument = Annotated[
    str, typer.Argument(metavar="REPORT", help="A report's id, or the beginning of it, as `report list` shows.")
]


# --- read ---------------------------------------------------------------------------------------------------------


def read(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="Reports, in any form that can be read.")],
    day: DayOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show what would be proposed; nothing is kept, and no ledger is opened.

    With --json one JSON object a report, each on a line of its own.
    """
    from ledger.arrival import Desk
    from ledger.evidence import content_digest
    from ledger.receiving import opened_up

    when = date_of(day)
    read_any = failed = False
    with Desk() as desk:
        for file in files:
            original = bytes_of(file)
            found = opened_up(original, file.name, day=when, desk=desk)
            digest = content_digest(original)
            for part, reading in zip(found.arrived.parts, found.readings, strict=True):
                read_any = True
                if as_json:
                    told = reading.to_json(file=str(file), part=part.part, digest=digest)
                    say.out(say.json_text(told, one_line=True))
                else:
                    name = f"{file}" + (f", report {part.part}" if len(found.arrived.parts) > 1 else "")
                    say.heading(say.shown(name))
                    _tell_reading(reading)
            for bad in found.arrived.unreadable:
                failed = True
                if as_json:
                    why = {"code": bad.code.value, "problem": bad.problem, "remedy": bad.remedy}
                    told = {"format": 1, "file": str(file), "part": bad.part, "digest": digest, "unreadable": why}
                    say.out(say.json_text(told, one_line=True))
                else:
                    say.heading(say.shown(str(file)))
                    say.paragraph(f"  Could not be read: {bad.problem} {bad.remedy}", hanging="  ")
    if failed:
        raise typer.Exit(3 if read_any else 1)


def bytes_of(file: Path) -> bytes:
    try:
        return file.read_bytes()
    except OSError as failed:
        # The path was typed a moment ago; a file may be called after a patient, so it is not said again.
        reason = failed.strerror or "unknown reason"
        raise WrongInput(
            f"A file that was named cannot be read: {reason}.", "Check its name, and who may read it."
        ) from None


def date_of(text: str | None) -> Any:
    from ledger.dates import PartialDate

    if text is None:
        return None
    try:
        return PartialDate(text)
    except ValueError:
        raise WrongInput("What --date says is not a date.", "Write 2026-03-04, 2026-03 or 2026.") from None


def _tell_reading(reading: Reading) -> None:
    """What a reader proposes of one text, for people."""
    from ledger.projections.wording import day_words

    when = day_words(reading.happened) if reading.happened else "on a day that is not said"
    source = {"text": "", None: ""}.get(reading.happened_from, f", from its {reading.happened_from}")
    say.out(f"  {when[:1].upper()}{when[1:]}{source}.")
    for access in reading.accesses:
        doubts = "".join(f" ({doubt})" for doubt in access.doubts)
        say.paragraph(f"{access.ref}: {access_in_words(access)}{doubts}", "  ", "      ")
    if not reading.proposed:
        say.out("  It proposes nothing.")
    for number, proposal in enumerate(reading.proposed, start=1):
        tell_proposal(number, proposal, reading)
    for doubt in reading.doubts:
        say.paragraph(f"Careful: {doubt}.", "  ", "    ")
    if reading.noticed:
        say.out(f"  Noticed and left out ({len(reading.noticed)}; `report explain` shows where):")
        for one in reading.noticed:
            say.paragraph(f'"{say.shown(reading.text[one.start : one.end])}": {one.reason}', "    ", "      ")


def access_in_words(access: ReadAccess) -> str:
    """An access as a report describes it."""
    from ledger.projections.wording import access_name

    return access_name(
        access.kind,
        access.side,
        site=access.site,
        inflow=access.inflow,
        outflow=access.outflow,
        vein=access.vein,
        configuration=access.configuration,
    )


def tell_proposal(number: int, proposal: Any, reading: Reading, mark: str = "") -> None:
    """One proposal: what, whether plain, each of its details, its doubts, and the words it rests on."""
    from ledger.projections.wording import day_words

    about = f" of {proposal.access}" if proposal.access else ""
    plain = "plainly said" if proposal.plain else "to be checked"
    when = "" if proposal.happened in (None, reading.happened) else f", {day_words(proposal.happened)}"
    say.out(say.bold(f"  {number}. {proposal.kind}{about}{when}") + f"  [{mark or plain}]")
    for name, words in details_of(proposal, reading):
        say.paragraph(f"{name}: {words}", "     ", "       ")
    for doubt in proposal.doubts:
        say.paragraph(f"careful: {doubt}", "     ", "       ")
    if proposal.why:
        say.paragraph(f"why: {proposal.why}", "     ", "       ")
    for cite in proposal.quotes:
        say.paragraph(f'"{say.shown(reading.words(cite))}"', "     | ", "     |  ")


def details_of(proposal: Any, reading: Reading) -> Iterable[tuple[str, str]]:
    """The details of a proposal, in words."""
    told = reading.to_json()["proposed"][reading.proposed.index(proposal)]["detail"]
    for name, value in told.items():
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            for one in value:
                yield name.replace("_", " "), _part_in_words(one)
        elif value is not None and value != []:
            yield name.replace("_", " "), _in_words(value)


def _part_in_words(part: Mapping[str, Any]) -> str:
    return ", ".join(
        f"{name.replace('_', ' ')} {_in_words(value)}"
        for name, value in part.items()
        if value is not None
        and value != []
        and name != "said_place"
        and not (name == "balloon_mm" and "balloons" in part)
    )


def plain_words(value: Any) -> str:
    """A plain JSON value for people: a quantity as it was said, nothing as "nothing"."""
    if value is None:
        return "nothing"
    if isinstance(value, Mapping) and {"value", "low"} & value.keys():
        if "value" in value:
            return f"{value.get('comparator') or ''}{value['value']}"
        return f"{value['low']}-{value['high']}"
    return _in_words(value)


def _in_words(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Mapping) and {"value", "low"} & value.keys():
        return plain_words(value)
    if isinstance(value, Mapping):
        return f'"{say.shown(value["text"])}"' if "text" in value else f"({_part_in_words(value)})"
    if isinstance(value, list):
        return "; ".join(_in_words(one) for one in value)
    return say.shown(str(value).replace("-", " ") if isinstance(value, str) and value.islower() else value)


# --- list ---------------------------------------------------------------------------------------------------------


def list_reports(
    state: Annotated[
        str | None,
        typer.Option("--state", help="Only waiting, confirmed, dismissed or unreadable ones.", show_default=False),
    ] = None,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="PATIENT", help="Only this patient's.", show_default=False)
    ] = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """The reports of this ledger, waiting ones first."""
    from ledger.settling import kept_proposals
    from ledger.store.papers import CONFIRMED, DISMISSED, UNREADABLE, WAITING

    states = (WAITING, UNREADABLE, CONFIRMED, DISMISSED)
    if state is not None and state not in states:
        raise WrongInput("--state has four values.", f"Write {', '.join(states)}.")
    with opened(ledger) as found:
        one = the_patient(found, patient).id if patient else None
        there = list(found.papers.reports(state=state, patient=one))
        same = told_twice(found, there)
        proposed = len(kept_proposals(found, patient=one))
    there.sort(key=lambda report: (states.index(report.state), report.patient is not None))
    if as_json:
        say.as_json(
            {
                "reports": [
                    {
                        **report_json(report),
                        "tells_of_one_procedure_with": [
                            {"report": other, "sameness": sameness} for other, sameness in same.get(report.id, ())
                        ],
                    }
                    for report in there
                ]
            }
        )
        return
    if proposed:
        wait = "waits" if proposed == 1 else "wait"
        say.out(f"{say.counted(proposed, 'proposal')} about patients {wait}: access-ledger patient proposals")
        say.out()
    if not there:
        say.out("No reports." if state or patient else "No reports yet. Bring some in with `report import FOLDER`.")
        return
    say.table(
        ["Report", "State", "Patient", "Done on", "Came", "File", "Waits for"],
        [
            [
                report.id[:10],
                report.state,
                report.patient or "?",
                (report.proposed or {}).get("happened") or "",
                report.arrived_at[:10],
                shortened(report.file_name or ""),
                waits_for(report) + _same_in_words(same.get(report.id, ()))
                if report.state in (WAITING, UNREADABLE)
                else _dismissed_by(report),
            ]
            for report in there
        ],
    )
    waiting = [report for report in there if report.state == WAITING]
    say.out()
    say.out(
        f"{say.counted(len(there), 'report')}, {len(waiting)} waiting"
        + (f", of which {sum(report.patient is None for report in waiting)} for a patient." if waiting else ".")
    )


def told_twice(ledger: Any, reports: list[StoredReport]) -> dict[str, list[tuple[str, str]]]:
    """For each waiting report the other waiting ones that tell, or may tell, of the same procedure."""
    from ledger.confirming import text_held
    from ledger.relating import alike

    found: dict[str, list[tuple[str, str]]] = {}
    waiting = [report for report in reports if report.state == "waiting"]
    for one, two, compared in alike(waiting, text_held(ledger)):
        found.setdefault(one.id, []).append((two.id, compared.sameness.value))
        found.setdefault(two.id, []).append((one.id, compared.sameness.value))
    return found


def _same_in_words(others: Iterable[tuple[str, str]]) -> str:
    return "".join(
        f"; {'tells' if sameness == 'same' else 'may tell'} of the same procedure as {other[:10]}"
        for other, sameness in others
    )


def shortened(name: str) -> str:
    """A file's name with its middle left out, where it is too long for a table."""
    return name if len(name) <= 28 else f"{name[:14]}…{name[-13:]}"


def waits_for(report: StoredReport) -> str:
    """What a report waits for, in words."""
    if report.state == "unreadable":
        return report.waits_for or "another form"
    if report.patient is None:
        return "its patient"
    proposed = (report.proposed or {}).get("proposed")
    if report.waits_for and report.waits_for[:1].isdigit():
        return report.waits_for
    if proposed is None:
        return "a person"
    if not proposed:
        return "a person: nothing proposed"
    plain = sum(bool(one.get("plain")) for one in proposed)
    return f"a person: {say.counted(len(proposed), 'proposal')}, {plain or 'none'} plain"


def _dismissed_by(report: StoredReport) -> str:
    from ledger.dismissing import dismissal_of

    aside = dismissal_of(report)
    return "" if aside is None else f"nothing: set aside by {aside.by}, {aside.at[:10]}"


def report_json(report: StoredReport) -> dict[str, Any]:
    from ledger.dismissing import dismissal_of

    aside = dismissal_of(report)
    proposed = (report.proposed or {}).get("proposed")
    return {
        "report": report.id,
        "state": report.state,
        "patient": report.patient,
        "happened": (report.proposed or {}).get("happened"),
        "arrived_at": report.arrived_at,
        "file": report.file_name,
        "part": report.part,
        "digest": report.digest,
        "media_type": report.media_type,
        "reader": report.reader,
        "proposed": None if proposed is None else len(proposed),
        "waits_for": waits_for(report) if report.state in ("waiting", "unreadable") else None,
        "dismissed": None if aside is None else {"by": aside.by, "at": aside.at, "why": aside.why},
    }


# --- show, explain ------------------------------------------------------------------------------------------------


def show(
    report: ReportArgument,
    text_only: Annotated[bool, typer.Option("--text", help="Only the text, as it is kept.")] = False,
    original_to: Annotated[
        Path | None,
        typer.Option("--original-to", metavar="FILE", help="Write the bytes as they came to a new file."),
    ] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """A report's text with its quotes marked, and what it proposes or became."""
    from cli.look import noted
    from ledger.reading.reader import read_report
    from ledger.receiving import envelope_of

    with opened(ledger) as found:
        stored = found.papers.report(report)
        text = found.papers.text(stored.text_id) if stored.text_id else None
        if original_to is not None:
            _write_original(found.papers.original(stored), original_to)
        reading = read_report(text, envelope_of(stored, text)) if text is not None else None
        if as_json:
            told = None if reading is None else reading.to_json(file=stored.file_name, part=stored.part)
            say.as_json({**report_json(stored), "text": text, "reading": told, "became": became_of(found, stored)})
        elif text_only:
            say.out(say.shown_lines(text or ""))
        else:
            _tell_report(found, stored, text, reading)
        noted(found, "report show", by, stored.patient, stored.id)


def _write_original(original: bytes | None, to: Path) -> None:
    import os

    if original is None:
        raise WrongInput("The original is not held here.", "It was erased, or left out of this copy of the ledger.")
    if to.exists():
        raise WrongInput("There is a file of that name already.", "Name a new one.")
    with os.fdopen(os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
        file.write(original)


def became_of(ledger: Any, stored: StoredReport) -> list[dict[str, Any]]:
    """The entries that came of a report, in force or not."""
    if stored.patient is None:
        return []
    from cli.naming import entry_name
    from ledger.chronology import in_force

    history = ledger.history(stored.patient)
    holding = {entry.id for entry in in_force(history.entries)}
    return [
        {
            "entry": entry_name(history.patient, entry),
            "id": entry.id,
            "kind": entry.kind,
            "in_force": entry.id in holding,
            "by": entry.recorded_by.person,
            "how": entry.recorded_by.how.value,
        }
        for entry in history.entries
        if entry.evidence.report == stored.id or getattr(entry.event, "report", None) == stored.id
    ]


def _tell_report(ledger: Any, stored: StoredReport, text: str | None, reading: Reading | None) -> None:
    say.heading(f"Report {stored.id}")
    from ledger.dismissing import dismissal_of

    linked = stored.envelope.get("linked") or {}
    aside = dismissal_of(stored)
    say.fields(
        [
            ("state", f"{stored.state}, waits for {waits_for(stored)}" if stored.state == "waiting" else stored.state),
            ("patient", stored.patient or "not known: `access-ledger report link` says who"),
            ("found by", found_by(linked) if linked else None),
            ("file", stored.file_name),
            ("came", stored.arrived_at[:16].replace("T", " ") + " UTC"),
            ("problem", stored.waits_for if stored.state == "unreadable" else None),
            ("set aside", f"by {aside.by}, {aside.at[:10]}: {aside.why}" if aside is not None else None),
        ]
    )
    for _, words in linked.get("doubts", ()):
        say.paragraph(f"Careful: {words}", "  ", "    ")
    if stored.patient is None and text is not None and stored.state == "waiting":
        _tell_candidates(ledger, stored, text)
    if text is None or reading is None:
        say.out()
        say.out("There is no text." if stored.state == "unreadable" else "The words were erased.")
        return
    say.out()
    say.out(marked_text(reading))
    say.out()
    became = became_of(ledger, stored)
    if became:
        say.heading("What became of it")
        for one in became:
            bulk = ", in bulk" if one["how"] == "in-bulk" else ""
            gone = "" if one["in_force"] else ", no longer in force"
            say.out(f"  {one['entry']}  {one['kind']}  ({one['by']}{bulk}{gone})")
    say.heading("What it proposes")
    _tell_reading(reading)
    if stored.patient is not None:
        _tell_related(ledger, stored)
    if stored.state == "waiting" and stored.patient is not None:
        say.next_steps((f"access-ledger report confirm {stored.id[:10]}", "go through it"))
    if aside is not None:
        say.next_steps((f"access-ledger report reopen {stored.id[:10]} --by PERSON", "put it back"))


def _tell_related(ledger: Any, stored: StoredReport) -> None:
    """What a report has to do with other reports and with what is known, in words."""
    from cli.naming import named_in
    from ledger.confirming import review_of
    from ledger.retelling import Told

    review = review_of(ledger, stored.id)
    lines = [f"It corrects report {other[:10]} or adds to it." for other in review.earlier]
    lines += [f"Report {other[:10]} corrects it or adds to it." for other in review.later]
    if stored.state == "waiting":
        for other, compared in review.alike:
            seems = "tells" if compared.sameness.value == "same" else "may tell"
            lines.append(f"Report {other[:10]}, which waits as well, {seems} of the same procedure.")
    for index in review.open:
        told, correction = review.told.get(index), review.corrections.get(index)
        known = (told.entry or told.root) if told is not None else correction.corrects if correction else None
        if known is None:
            continue
        how = {Told.AGAIN: "tells again", Told.PERHAPS: "perhaps tells again"}.get(
            told.told if told is not None else Told.OTHERWISE, "tells otherwise"
        )
        differing = "; ".join(
            f"{one.field}: {plain_words(one.known)} there, {plain_words(one.told)} here"
            for one in (correction.differences if correction is not None else ())
        )
        name = named_in(known, review.history)
        lines.append(f"{index + 1} {how} what {name} says" + (f" ({differing})." if differing else "."))
    lines += [f"It no longer tells what {named_in(root, review.history)} says." for root in review.unsaid]
    if lines:
        say.heading("What it has to do with others")
        for line in lines:
            say.paragraph(line, "  ", "    ")


def found_by(linked: Mapping[str, Any]) -> str:
    by = {
        "identifier": "a number in the report",
        "name-and-birth-date": "name and birth date in the report",
        "person": f"{linked.get('person')}, who said so",
    }
    return by.get(str(linked.get("by")), "nobody knows")


def _tell_candidates(ledger: Any, stored: StoredReport, text: str) -> None:
    """Whom a report could be about, and what agrees and disagrees; never names."""
    from ledger.matching import Register, match_patient
    from ledger.receiving import clues_of

    match = match_patient(clues_of(stored, text), Register(ledger.who.patients()))
    if match.waiting is not None:
        say.out(f"  Why no patient was taken: {match.waiting.value.replace('-', ' ')}.")
    for one in match.candidates:
        say.paragraph(f"{one.patient}: {one.words}", "    ", "      ")


def marked_text(reading: Reading) -> str:
    """The text with the quotes of each proposal marked by its number."""
    marks = [(cite.start, cite.end, str(nth)) for nth, one in enumerate(reading.proposed, 1) for cite in one.quotes]
    return marked(reading.text, marks)


def marked(text: str, marks: Iterable[tuple[int, int, str]]) -> str:
    """The text with stretches between brackets, each followed by its label; what overlaps is nested or shares one."""
    opening: dict[int, list[tuple[int, str]]] = {}
    closing: dict[int, list[tuple[int, str]]] = {}
    labels: dict[tuple[int, int], list[str]] = {}
    for start, end, label in marks:
        if start < end and label not in labels.setdefault((start, end), []):
            labels[(start, end)].append(label)
    for (start, end), names in labels.items():
        opening.setdefault(start, []).append((-end, ",".join(names)))
        closing.setdefault(end, []).append((-start, ",".join(names)))
    pieces = []
    before = 0
    for place in sorted({*opening, *closing}):
        pieces.append(say.shown_lines(text[before:place]))
        before = place
        pieces.extend(say.bold(f"⟧{names}") for _, names in sorted(closing.get(place, ())))
        pieces.extend(say.bold("⟦") for _ in sorted(opening.get(place, ())))
    pieces.append(say.shown_lines(text[before:]))
    return "".join(pieces)


def explain(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A report.")],
    day: DayOption = None,
    as_json: JsonOption = False,
) -> None:
    """A text with everything marked that the reader noticed: for whoever improves the reader.

    Proposals are marked with their number, accesses with their ref, what was left out with a letter.
    """
    from ledger.arrival import Desk
    from ledger.receiving import opened_up

    original = bytes_of(file)
    with Desk() as desk:
        found = opened_up(original, file.name, day=date_of(day), desk=desk)
    if as_json:
        told = [reading.to_json(file=str(file), part=nth) for nth, reading in enumerate(found.readings, 1)]
        say.as_json({"parts": told})
    else:
        for reading in found.readings:
            _explain(reading)
    for bad in found.arrived.unreadable:
        say.aside(f"Could not be read: {bad.problem} {bad.remedy}")
    if found.arrived.unreadable:
        raise typer.Exit(3 if found.readings else 1)


def _explain(reading: Reading) -> None:
    marks = [(cite.start, cite.end, str(nth)) for nth, one in enumerate(reading.proposed, 1) for cite in one.quotes]
    marks += [(cite.start, cite.end, one.ref) for one in reading.accesses for cite in (*one.quotes, *one.side_quotes)]
    letters = [_letter(nth) for nth in range(len(reading.noticed))]
    marks += [(one.start, one.end, letter) for one, letter in zip(reading.noticed, letters, strict=True)]
    say.out(marked(reading.text, marks))
    say.out()
    for access in reading.accesses:
        say.paragraph(f"{access.ref}: {access_in_words(access)}", "  ", "      ")
    for number, proposal in enumerate(reading.proposed, start=1):
        tell_proposal(number, proposal, reading)
    for one, letter in zip(reading.noticed, letters, strict=True):
        say.paragraph(f"{letter}: {one.what}, left out: {one.reason}", "  ", "      ")
    say.out(f"  ({reading.reader})")


def _letter(nth: int) -> str:
    return (_letter(nth // 26 - 1) if nth >= 26 else "") + "abcdefghijklmnopqrstuvwxyz"[nth % 26]


# --- link ---------------------------------------------------------------------------------------------------------


def link(
    report: ReportArgument,
    patient: PatientArgument,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say whose report it is. A report of which entries were made stays where it is."""
    from ledger.matching import Register
    from ledger.receiving import by_person, clues_of
    from ledger.receiving import link as link_report
    from ledger.store.upkeep import note

    with opened(ledger) as found:
        person = person_of(found, by)
        stored = found.papers.report(report)
        one = the_patient(found, patient)
        must_not_be_dismissed(stored)
        if stored.patient is not None and stored.patient != one.id and became_of(found, stored):
            raise WrongInput(
                f"Entries of {stored.patient} rest on this report.",
                f"Record that it was about somebody else: `access-ledger record report-moved {stored.patient} "
                f"--report {stored.id} --to-patient {one.id}`; it then waits to be gone through for {one.id}.",
            )
        text = found.papers.text(stored.text_id) if stored.text_id else None
        linked = by_person(person, clues_of(stored, text), Register(found.who.patients()), one.id)
        link_report(found, stored, one.id, linked)
        note(found, "report link", person=person, patient=one.id, about=stored.id)
    if as_json:
        say.as_json({"report": stored.id, "patient": one.id, "doubts": [words for _, words in linked["doubts"]]})
        return
    say.out(f"Report {stored.id[:10]} is {one.id}'s.")
    for _, words in linked["doubts"]:
        say.paragraph(f"Careful: {words}", "  ", "    ")
    say.next_steps((f"access-ledger report confirm {stored.id[:10]}", "go through it"))


# --- dismiss, reopen ----------------------------------------------------------------------------------------------


def dismiss_report(
    report: ReportArgument,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="Why, in your words; kept with the report.")],
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Set a report aside as a whole: a cover sheet, a report of somebody who is no patient here.

    It no longer waits, and importing the file again does not bring it back; `report reopen` does. A report of which
    entries were made is not set aside.
    """
    from ledger.dismissing import dismiss

    with opened(ledger) as found:
        stored = dismiss(found, report, why, signature_of(found, by))
    if as_json:
        say.as_json(report_json(stored))
        return
    say.out(f"Report {stored.id[:10]} is set aside; it no longer waits.")
    say.next_steps((f"access-ledger report reopen {stored.id[:10]} --by PERSON", "put it back"))


def reopen_report(
    report: ReportArgument,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a report that was set aside back to what it waited for."""
    from ledger.dismissing import reopen

    with opened(ledger) as found:
        stored = reopen(found, report, signature_of(found, by))
    if as_json:
        say.as_json(report_json(stored))
        return
    say.out(f"Report {stored.id[:10]} waits again for {waits_for(stored)}.")


def must_not_be_dismissed(stored: StoredReport) -> None:
    """Raises WrongInput for a report that was set aside, of which nobody then says whose it is."""
    if stored.state == "dismissed":
        raise WrongInput(
            f"Report {stored.id[:10]} was set aside.", f"Put it back first: `report reopen {stored.id[:10]}`."
        )
