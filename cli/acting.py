"""What a person does on rounds: `refer` to the access centre, and set a reminder aside until a day, with a reason."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.fhir import SettingsOption, settings_of
from cli.naming import access_named, named_in
from cli.options import (
    ByOption,
    JsonOption,
    LedgerOption,
    PatientArgument,
    TodayOption,
    opened,
    signature_of,
    the_patient,
    today_of,
)

if TYPE_CHECKING:
    from fhir_mapping.elements import Resource
    from ledger.chronology import History
    from ledger.entries import Signature
    from ledger.projections.sheet import Sheet
    from ledger.store import Appended, Ledger

# --- refer --------------------------------------------------------------------------------------------------------


def refer(
    patient: PatientArgument,
    access: Annotated[
        str | None,
        typer.Option("--access", metavar="ACCESS", help="Which access, by id or in words.", show_default=False),
    ] = None,
    why: Annotated[
        list[str] | None,
        typer.Option("--why", metavar="FINDING", help="Why; may be repeated: low-flow, no-thrill, …"),
    ] = None,
    urgency: Annotated[
        str | None,
        typer.Option("--urgency", metavar="WORD", help="today, within-days, within-weeks or planned."),
    ] = None,
    finding: Annotated[
        list[str] | None,
        typer.Option("--finding", metavar="ENTRY", help="An entry that it rests on, as P0007.12; may be repeated."),
    ] = None,
    question: Annotated[
        str | None, typer.Option("--question", metavar="WORDS", help="What the access centre is asked.")
    ] = None,
    centre: Annotated[str | None, typer.Option("--centre", metavar="CENTRE", help="To which access centre.")] = None,
    happened: Annotated[
        str | None, typer.Option("--happened", metavar="DATE", help="When it was sent; without it, today.")
    ] = None,
    pdf: Annotated[
        Path | None,
        typer.Option(
            "--pdf", metavar="FILE", help="Also the sheet as one page to print, a new file.", show_default=False
        ),
    ] = None,
    fhir: Annotated[
        Path | None,
        typer.Option(
            "--fhir",
            metavar="FILE",
            help="Also the referral as HL7 FHIR R4, with what it names, as a transaction in a new file.",
            show_default=False,
        ),
    ] = None,
    settings: SettingsOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send a patient to the access centre: an entry, and the sheet that goes with them.

    Without --finding it rests on the findings that are open on the access.
    """
    from cli.look import brief_made
    from ledger.errors import WrongInput
    from ledger.projections.sheet import Sheet

    with opened(ledger) as found:
        signature = signature_of(found, by)
        one = the_patient(found, patient)
        history = found.history(one.id, sessions=True)
        day = today_of(found, one.id, today)
        if not why:
            raise WrongInput(
                "Nobody said why.", "Add --why FINDING; `access-ledger record referral --help` lists what there is."
            )
        about = access_named(history, access) if access is not None else _the_one_access(found, one.id)
        typed = {
            "happened": happened or day.isoformat(),
            "access": about,
            "why": why,
            "urgency": urgency,
            "centre": centre,
            "findings": finding or list(_open_findings(history, about, day)) or None,
            "question": question,
        }
        appended = _recorded(found, history, day, "referral", typed, signature)
        after = found.history(one.id, sessions=True)
        sheet = brief_made(found, one, after, day, for_intervention=True, access=about)
        assert isinstance(sheet, Sheet)
        if pdf is not None:
            _print_sheet(found, after, sheet, pdf)
        if fhir is not None:
            roots = [entry.id for entry in appended.entries] or list(appended.already)
            _write_referral(found, one.id, roots[0], settings, fhir)
        if as_json:
            say.as_json({**_said(one.id, appended, after), "access": about, "sheet": sheet.to_json()})
            return
        _tell(appended, after)
        for line in sheet.lines(height=None):
            say.out(say.shown_lines(line))


def _print_sheet(ledger: Ledger, history: History, sheet: Sheet, to: Path) -> None:
    from cli.look import beside_sheet
    from cli.printed import sheet_printed

    _put(to, sheet_printed(sheet, beside_sheet(ledger, history, sheet)[1]))
    say.aside(f"The sheet is in {to}.")


def _write_referral(ledger: Ledger, patient: str, root: str, settings: Path | None, to: Path) -> None:
    from fhir_mapping.bundles import bundle_of
    from fhir_mapping.elements import written

    site = settings_of(ledger, settings).site
    inside, identifiers = referral_resources(ledger, patient, root, settings)
    _put(to, written(bundle_of(inside, site, others=identifiers)) + b"\n")
    say.aside(f"The referral as FHIR is in {to}.")


def referral_resources(
    ledger: Ledger, patient: str, root: str, settings: Path | None = None
) -> tuple[list[Resource], dict[str, Any]]:
    """The ServiceRequest of a referral and all that it names, and the identifiers of all the patient's resources."""
    from fhir_mapping.bundles import key_of, with_what_it_names
    from fhir_mapping.export import Exporter

    made = Exporter(ledger, settings_of(ledger, settings).site).of(patient)
    key = next(
        key_of(one)
        for one in made.resources
        if one["resourceType"] == "ServiceRequest" and any(root == held["value"] for held in one["identifier"])
    )
    return with_what_it_names(made.resources, key), made.identifiers


def _put(to: Path, text: bytes) -> None:
    from cli.fhir import put

    put(to.parent, to.name, text)


def _the_one_access(ledger: Ledger, patient: str) -> str:
    """The patient's only access that is kept. Raises WrongInput where it is not clear which is meant."""
    from cli.patients import access_rows
    from ledger.errors import WrongInput

    kept = [row for _, rows in access_rows(ledger, patient) for row in rows if row.get("closed") is None]
    if len(kept) == 1:
        return str(kept[0]["access"])
    names = "; ".join(f"{row['access']} {row['name']}" for row in kept)
    raise WrongInput(
        "It is not clear about which access." if kept else "No access in the body is recorded.",
        f"Add --access ACCESS: {names}." if kept else "Record it first, or use `access-ledger record referral`.",
    )


def _open_findings(history: History, access: str, day: date) -> Iterator[str]:
    """The entries, as they are now in force, of the findings that are open on an access."""
    from ledger.projections.state import accesses_of

    for view in accesses_of(history, day):
        if view.access == access:
            roots = dict.fromkeys(finding.root for finding in view.findings)
            yield from (named_in(root, history) for root in roots)


# --- set-aside ----------------------------------------------------------------------------------------------------


def set_aside(
    patient: PatientArgument,
    line: Annotated[
        str, typer.Argument(metavar="LINE", help="Which line of rounds: its number, 1 to 15, or its word in --json.")
    ],
    until: Annotated[
        str | None, typer.Option("--until", metavar="DAY", help="Through which day it is put off.", show_default=False)
    ] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="WORDS", help="The reason.", show_default=False)] = None,
    access: Annotated[
        str | None,
        typer.Option("--access", metavar="ACCESS", help="Only of this access, by id or in words.", show_default=False),
    ] = None,
    about: Annotated[
        str | None,
        typer.Option(
            "--about", metavar="ENTRY", help="Only the line that rests on this entry, as P0007.12.", show_default=False
        ),
    ] = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a line of rounds off until a day, with a reason. It comes back after that day.

    Lines 1 to 3 come back as soon as something new is recorded that they rest on.
    """
    from ledger.errors import WrongInput

    which = line_named(line)
    if until is None or not why:
        raise WrongInput(_NOT_SAID, "Add --until DAY and --why WORDS.")
    with opened(ledger) as found:
        signature = signature_of(found, by)
        one = the_patient(found, patient)
        history = found.history(one.id, sessions=True)
        day = today_of(found, one.id, today)
        named = None if access is None else access_named(history, access)
        appended = line_set_aside(found, history, day, which, until, why, signature, access=named, about=about)
        after = found.history(one.id, sessions=True)
        if as_json:
            say.as_json({**_said(one.id, appended, after), "line": which})
        else:
            _tell(appended, after)


_NOT_SAID = "A line is set aside until a day, with a reason, and one of them was not said."


def line_set_aside(
    ledger: Ledger,
    history: History,
    day: date,
    line: str,
    until: str,
    why: str,
    signature: Signature,
    *,
    access: str | None = None,
    about: str | None = None,
) -> Appended:
    """Records that a person put a line off until a day, with a reason. `about` is the name of an entry it rests on.

    Raises WrongInput where the day or the reason is missing, and StaleHistory where the history is not the newest.
    """
    from ledger.errors import WrongInput

    if not until.strip() or not why.strip():
        raise WrongInput(_NOT_SAID, "Say through which day, and why.")
    typed = {
        "happened": day.isoformat(),
        "line": line_named(line),
        "until": until.strip(),
        "access": access,
        "about": about,
        "why": why.strip(),
    }
    return _recorded(ledger, history, day, "set-aside", typed, signature)


def line_named(text: str) -> str:
    """The word of a line of rounds by its number or its word. Raises WrongInput."""
    from ledger.errors import WrongInput
    from ledger.rounds.lines import HEADINGS

    words = [each.value for each in HEADINGS]
    if text.strip().isdigit() and 1 <= int(text) <= len(words):
        return words[int(text) - 1]
    if text.strip() in words:
        return text.strip()
    raise WrongInput("Rounds have no such line.", f"Give its number, 1 to {len(words)}, or one of: {', '.join(words)}.")


# --- Recording ----------------------------------------------------------------------------------------------------


def _recorded(
    ledger: Ledger, history: History, day: date, kind: str, typed: Mapping[str, Any], signature: Signature
) -> Appended:
    from cli.record import draft_by_hand, event_from

    with ledger.db.writing():
        event = event_from(kind, typed, ledger, history, day)
        return ledger.append(history, [draft_by_hand(history.patient, event)], by=signature)


def _said(patient: str, appended: Appended, after: History) -> dict[str, Any]:
    return {
        "patient": patient,
        "recorded": [named_in(entry.id, after) for entry in appended.entries],
        "already": [named_in(entry, after) for entry in appended.already],
    }


def _tell(appended: Appended, after: History) -> None:
    for entry in appended.entries:
        say.aside(f"Recorded as {named_in(entry.id, after)}.")
    for entry_id in appended.already:
        say.aside(f"{named_in(entry_id, after)} says so already; nothing was added.")
