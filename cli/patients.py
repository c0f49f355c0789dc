"""Patients: add, list, show, change, erase. Who they are, not what happened to them.

What somebody else proposes to change has a module of its own, `cli.proposals`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import (
    ByOption,
    JsonOption,
    LedgerOption,
    PatientArgument,
    TodayOption,
    opened,
    opened_directory,
    person_of,
    the_patient,
)

if TYPE_CHECKING:
    from ledger.dates import PartialDate
    from ledger.people import Identifier, Patient
    from ledger.store import Ledger
    from ledger.store.opening import Directory

patients = a_group(
    {
        "add": Later("cli.patients:add", "Enter a patient."),
        "list": Later("cli.patients:list_patients", "The patients of this ledger, or those who fit."),
        "show": Later("cli.patients:show", "Who a patient is, and what is in the ledger about them."),
        "change": Later("cli.patients:change", "Change what is known of who a patient is."),
        "proposals": Later("cli.proposals:proposals", "Changes and joins that the hospital proposes, to be settled."),
        "accept": Later("cli.proposals:accept_proposal", "Do what such a proposal says."),
        "dismiss": Later("cli.proposals:dismiss_proposal", "Put such a proposal aside for good."),
        "erase": Later("cli.patients:erase", "Erase who a patient is and every word kept about them."),
    },
    help="Patients. Their names and numbers stand apart from the entries, and can be erased.",
)

NumberOption = Annotated[
    list[str] | None,
    typer.Option(
        "--number",
        metavar="[SYSTEM=]NUMBER",
        help="A number that somebody gave them, such as https://hospital.example/mrn=204817. May be repeated.",
        show_default=False,
    ),
]
BornOption = Annotated[
    str | None,
    typer.Option("--born", metavar="DATE", help="Birth date: 1958-07-14, or as much as is known.", show_default=False),
]
SexOption = Annotated[
    str | None, typer.Option("--sex", help="male, female, other or unknown.", metavar="SEX", show_default=False)
]
UnitOption = Annotated[str | None, typer.Option("--unit", help="The id of their dialysis unit.", show_default=False)]
ShiftOption = Annotated[
    str | None, typer.Option("--shift", help="Their shift, as the unit calls it.", show_default=False)
]


def add(
    name: Annotated[str | None, typer.Option("--name", help="The name in full.", show_default=False)] = None,
    born: BornOption = None,
    number: NumberOption = None,
    sex: SexOption = None,
    unit: UnitOption = None,
    shift: ShiftOption = None,
    invented: Annotated[bool, typer.Option("--invented", help="Not a real patient.")] = False,
    another: Annotated[
        bool, typer.Option("--another", help="This is another person than the one of the same name and birth date.")
    ] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter a patient, and give them an id such as P0007."""
    from ledger.errors import WrongInput
    from ledger.people import Patient
    from ledger.store.upkeep import note

    if not (name or number):
        raise WrongInput("A patient needs a name or a number.", "Add --name or --number.")
    with opened(ledger) as found:
        person = person_of(found, by)
        wanted = Patient(
            id="",
            name=name,
            birth_date=_birth_date(born),
            sex=_sex(sex),
            identifiers=_numbers(number),
            unit=_unit(found, unit),
            shift=shift,
            invented=invented,
        )
        with found.db.writing():
            _not_there_yet(found, wanted, another)
            patient = found.who.add_patient(wanted)
            note(found, "patient add", person=person, patient=patient.id)
        alike = [one.id for one in found.who.called_like(patient)]
    if as_json:
        say.as_json({"patient": _plain(patient), "called_alike": alike})
        return
    say.out(f"{patient.id} is in the ledger.")
    if alike:
        say.out(f"Careful: {', '.join(alike)} {'is' if len(alike) == 1 else 'are'} called alike.")
    say.next_steps(
        (f"access-ledger report import PATH --patient {patient.id}", "operative reports about them"),
        (f"access-ledger record creation {patient.id}", "or by hand; `record --help` lists what there is"),
    )


def _not_there_yet(ledger: Ledger, wanted: Patient, another: bool) -> None:
    from ledger.errors import WrongInput

    if another or not wanted.name or wanted.birth_date is None:
        return
    same = [one.id for one in ledger.who.called(wanted.name) if one.birth_date == wanted.birth_date]
    if same:
        raise WrongInput(
            f"A patient of that name and birth date is in the ledger: {', '.join(same)}.",
            "Use that one; if this is another person, add --another.",
        )


def list_patients(
    text: Annotated[
        str | None, typer.Argument(metavar="[TEXT]", help="Only those with this id, number or part of a name.")
    ] = None,
    unit: UnitOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """The patients of this ledger, or those who fit."""
    with opened_directory(ledger) as found:
        if text:
            there = [one for one in found.who.find(text) if unit is None or one.unit == unit]
        else:
            there = list(found.who.patients(unit=unit))
        accesses = _accesses(found, [one.id for one in there])
    if as_json:
        say.as_json({"patients": [{**_plain(one), "accesses": accesses.get(one.id, [])} for one in there]})
    elif there:
        _tell_patients(there, accesses)
    elif text or unit:
        say.out("No patient fits.")
    else:
        say.out('No patients yet. Enter one with `access-ledger patient add --name "…" --born 1958-07-14`.')


def _tell_patients(there: list[Patient], accesses: dict[str, list[str]]) -> None:
    """A line each; what is alike for all of them is said once."""
    all_invented = len(there) > 1 and all(one.invented for one in there)
    units = {one.unit for one in there}
    headings = ["Patient", "Born", *(["Unit"] if len(units) > 1 else []), "Name", "Accesses"]
    rows = []
    for one in there:
        unit = [one.unit or ""] if len(units) > 1 else []
        name = _name(one).removesuffix(" (invented)") if all_invented else _name(one)
        rows.append([one.id, one.birth_date or "", *unit, name, "; ".join(accesses.get(one.id, []))])
    say.table(headings, rows)
    if len(units) == 1 and len(there) > 1 and None not in units:
        say.out(f"All of unit {there[0].unit}.")
    if all_invented:
        say.out("All of them are invented; no such person exists.")


def _accesses(ledger: Directory, wanted: list[str]) -> dict[str, list[str]]:
    """The names of the accesses that are in the body and kept, from the columns kept for lists."""
    found = {}
    for patient, rows in access_rows(ledger, wanted[0] if len(wanted) == 1 else None):
        found[patient] = [row["name"] for row in rows if row.get("closed") is None]
    return found


def access_rows(ledger: Ledger | Directory, patient: str | None = None) -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """The columns kept for lists (`ledger.projections.rows`), of a patient or of all, without those that are empty.

    Read here without the classes of events, whose making takes longer than the list itself.
    """
    from ledger.projections.kept_rows import rows_kept
    from ledger.store.who import number_of, patient_id

    wanted, values = "SELECT stream, accesses FROM streams WHERE org=? AND accesses IS NOT NULL", [ledger.org]
    if patient is not None:
        wanted, values = wanted + " AND stream=?", [ledger.org, 2 * number_of(patient)]
    for stream, accesses in ledger.db.execute(wanted, values).fetchall():
        yield patient_id(stream // 2), rows_kept(bytes(accesses))


def show(
    patient: PatientArgument,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Who a patient is, and what is in the ledger about them."""
    from dataclasses import asdict

    from ledger.projections.rows import row_from_dict
    from ledger.settling import kept_proposals
    from ledger.store.upkeep import note

    with opened(ledger) as found:
        one = the_patient(found, patient)
        alike = [other.id for other in found.who.called_like(one)]
        history = found.history(one.id)
        rows = [asdict(row_from_dict(row)) for _, theirs in access_rows(found, one.id) for row in theirs]
        reports = list(found.papers.reports(patient=one.id))
        proposed = [kept.name for kept in kept_proposals(found, patient=one.id)]
        note(found, "patient show", person=by, patient=one.id)
    if as_json:
        say.as_json(
            {
                "patient": _plain(one),
                "called_alike": alike,
                "version": history.version,
                "accesses": rows,
                "reports": [{"id": report.id, "state": report.state} for report in reports],
                "proposals": proposed,
            }
        )
        return
    say.heading(f"{one.id}  {_name(one)}")
    say.fields(
        [
            ("born", one.birth_date or "not recorded"),
            ("sex", one.sex or "not recorded"),
            *((f"number ({number.system})", number.value) for number in one.identifiers),
            ("unit", one.unit or "not recorded"),
            ("shift", one.shift),
            ("called alike", ", ".join(alike) or None),
        ]
    )
    say.out()
    if rows:
        say.table(
            ["Access", "Since", "Ended", "What it is"],
            [[row["access"], row["opened"] or "?", row["closed"] or "", row["name"]] for row in rows],
        )
    else:
        say.out("No access recorded.")
    waiting = sum(report.state == "waiting" for report in reports)
    say.out()
    say.out(
        f"{say.counted(len(history.entries), 'entry', 'entries')}, {say.counted(len(reports), 'report')}"
        + (f", of which {waiting} wait{'s' if waiting == 1 else ''} to be confirmed." if waiting else ".")
    )
    if proposed:
        say.next_steps((f"access-ledger patient proposals {one.id}", "the hospital says otherwise who this is"))


def change(
    patient: PatientArgument,
    name: Annotated[str | None, typer.Option("--name", help="The name in full.", show_default=False)] = None,
    born: BornOption = None,
    number: NumberOption = None,
    without_number: Annotated[
        list[str] | None,
        typer.Option("--without-number", metavar="NUMBER", help="A number that is not theirs.", show_default=False),
    ] = None,
    sex: SexOption = None,
    unit: UnitOption = None,
    shift: ShiftOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change what is known of who a patient is. What is not named stays."""
    from dataclasses import replace

    from ledger.errors import WrongInput
    from ledger.store.upkeep import note

    with opened(ledger) as found:
        person = person_of(found, by)
        with found.db.writing():
            before = the_patient(found, patient)
            if before.erased:
                raise WrongInput(
                    f"The identity of {before.id} was erased.", "Enter the patient anew if they came back."
                )
            kept = [one for one in before.identifiers if one.value not in (without_number or ())]
            if without_number and len(kept) == len(before.identifiers):
                raise WrongInput(
                    f"{before.id} has no such number.", f"Look with `access-ledger patient show {before.id}`."
                )
            added = [one for one in _numbers(number) if one not in kept]
            for one in added:
                owner = found.who.by_identifier(one.system, one.value)
                if owner is not None and owner.id != before.id:
                    raise WrongInput(
                        f"One of these numbers is already that of {owner.id}.",
                        "Check whose it is; if two records are of one person, join them: "
                        f"`access-ledger record patients-are-one {before.id} --other {owner.id}`.",
                    )
            after = replace(
                before,
                name=name or before.name,
                birth_date=_birth_date(born) or before.birth_date,
                sex=_sex(sex) or before.sex,
                identifiers=(*kept, *added),
                unit=_unit(found, unit) or before.unit,
                shift=shift or before.shift,
            )
            changed = [part for part in vars(after) if getattr(after, part) != getattr(before, part)]
            if changed:
                found.who.change_patient(after)
                note(found, "patient change", person=person, patient=after.id, about=",".join(changed))
    if as_json:
        say.as_json({"patient": _plain(after), "changed": changed})
    elif changed:
        say.out(f"{after.id}: changed {', '.join(part.replace('_', ' ') for part in changed)}.")
    else:
        say.out(f"{after.id}: nothing to change; it says so already.")


def erase(
    patient: PatientArgument,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask; for scripts.")] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Erase who a patient is, and every word kept about them, for good.

    Their entries stay as codes and dates under an id, and the chain of entries still verifies. Copies made earlier
    (backups, dumps, what was sent to other systems) are not reached: erase them where they are.
    """
    from fhir_mapping.outbox import forget_words
    from ledger.errors import WrongInput
    from ledger.settling import forget
    from ledger.store.upkeep import erase as erase_words
    from ledger.store.upkeep import note

    with opened(ledger) as found:
        person = person_of(found, by)
        one = the_patient(found, patient)
        if one.erased:
            if as_json:
                say.as_json({"patient": one.id, "texts_emptied": 0})
            else:
                say.out(f"The identity of {one.id} was erased before; nothing to do.")
            return
        if not yes:
            if not say.is_terminal():
                raise WrongInput("Erasing cannot be undone, and nobody is here to ask.", "Add --yes if you are sure.")
            typed = typer.prompt(
                f"This cannot be undone. Type {one.id} to erase", prompt_suffix=": ", default="", show_default=False
            )
            if typed.strip().upper() != one.id:
                raise WrongInput("That is not the id; nothing was erased.", "Begin again if you are sure.")
        # First, since erasing cleans the file of what was emptied before.
        forget_words(found, one.id)
        forget(found, one.id)
        emptied = erase_words(found, one.id)
        note(found, "patient erase", person=person, patient=one.id)
    if as_json:
        say.as_json({"patient": one.id, "texts_emptied": emptied})
    else:
        say.out(f"Erased the identity of {one.id} and {say.counted(emptied, 'text')}. The entries stay, without words.")


def _name(patient: Patient) -> str:
    if patient.erased:
        return "(erased)"
    return f"{patient.name or '(no name)'}{' (invented)' if patient.invented else ''}"


def _plain(patient: Patient) -> dict[str, Any]:
    return {**vars(patient), "identifiers": [vars(one) for one in patient.identifiers]}


def _birth_date(text: str | None) -> PartialDate | None:
    from ledger.dates import PartialDate
    from ledger.errors import WrongInput

    if not text:
        return None
    try:
        found = PartialDate(text)
    except ValueError:
        found = None
    if found is None or found.precision == "instant":
        raise WrongInput("That is not a birth date.", "Write it as 1958-07-14, or as much as is known: 1958-07, 1958.")
    return found


def _sex(text: str | None) -> str | None:
    from ledger.errors import WrongInput

    if text is not None and text not in ("male", "female", "other", "unknown"):
        raise WrongInput("--sex has four values.", "Write male, female, other or unknown.")
    return text


def _numbers(texts: list[str] | None) -> tuple[Identifier, ...]:
    from ledger.errors import WrongInput
    from ledger.people import Identifier

    found = []
    for text in texts or ():
        system, equals, value = text.rpartition("=")
        if not value.strip() or (equals and not system.strip()):
            raise WrongInput("A number is empty.", "Write SYSTEM=NUMBER, or the number alone.")
        found.append(Identifier(system=system.strip() or "local", value=value.strip()))
    return tuple(found)


def _unit(ledger: Ledger, unit: str | None) -> str | None:
    from ledger.errors import NotFound

    if unit is not None and unit not in {one.id for one in ledger.who.units()}:
        raise NotFound(
            "There is no such unit in this ledger.",
            "Look with `access-ledger unit list`, or enter it with `access-ledger unit add`.",
        )
    return unit
