"""`entries sessions`: a unit's list of dialyses into the patients' second streams, by a mapping that was saved once."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import say
from cli.options import ByOption, JsonOption, LedgerOption, opened, signature_of

if TYPE_CHECKING:
    from ledger.arrival.sessions import SessionColumns
    from ledger.store import Ledger
    from ledger.store.sessions import SessionsLoaded

PARTLY = 3


def sessions(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A list as CSV: a row of headings, a row a session.")],
    columns: Annotated[
        str | None,
        typer.Option(
            "--columns",
            metavar="NAME",
            help="The saved mapping of columns; without it, the only one. A file that ends in .json is read instead.",
            show_default=False,
        ),
    ] = None,
    save: Annotated[
        str | None,
        typer.Option(
            "--save",
            metavar="NAME",
            help="Make a mapping from the headings of this list, show it and save it; records no session.",
            show_default=False,
        ),
    ] = None,
    column: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="HEADING=USE",
            help="With --save: what a column is for; 'HEADING=USE in UNIT' where its unit is another. May be repeated.",
            show_default=False,
        ),
    ] = None,
    word: Annotated[
        list[str] | None,
        typer.Option(
            "--word",
            metavar="HEADING:WORD=MEANING",
            help="With --save: what a word of the list means, 'Access:AVF=fistula'. May be repeated.",
            show_default=False,
        ),
    ] = None,
    dates: Annotated[
        str | None,
        typer.Option(
            "--dates",
            metavar="day-first|month-first",
            help="With --save: how 03/04/2026 is read here.",
            show_default=False,
        ),
    ] = None,
    decimal: Annotated[
        str, typer.Option("--decimal", metavar=".|,", help="With --save: the sign before decimals.")
    ] = ".",
    system: Annotated[
        str | None,
        typer.Option(
            "--system",
            metavar="SYSTEM",
            help="With --save: whose numbers the patients' numbers are.",
            show_default=False,
        ),
    ] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Record sessions in bulk from a list as CSV. Loading it again adds nothing.

    The first time: --save NAME looks at the headings, shows what each is taken for, and keeps that. Then: --columns
    NAME. A row that cannot be, or of which nobody can say whose it is, is named with its line and does not stop the
    rest; what is unusual goes in and is named as well.

    A column can be for: patient, name, birth-date, access, day, time, use, needles, gauge, needle-length-mm, technique,
    arterial-site-cm, venous-site-cm, arterial-needle-retrograde, blood-flow-ml-min, arterial-pressure-mmhg,
    venous-pressure-mmhg, minutes, completed, trouble, bleeding-minutes, note, session-id, leave-out.
    """
    from ledger.arrival.sessions import session_rows
    from ledger.store.sessions import load_sessions

    text = _text_of(file)
    with opened(ledger) as found:
        if save is not None:
            _save(found, text, file, save, column or (), word or (), dates, decimal, system, as_json)
            return
        if column or word or dates or system:
            raise typer.BadParameter("--column, --word, --dates and --system go with --save.")
        mapping = _mapping(found, columns, file)
        signature = signature_of(found, by)
        with say.progress("sessions") as progress:
            done = load_sessions(found, session_rows(text, mapping), by=signature, progress=progress)
    if as_json:
        say.as_json(
            {
                "rows": done.rows,
                "added": done.added,
                "already": done.already,
                "patients": done.patients,
                "questioned": [vars(one) for one in done.questioned],
                "refused": [vars(one) for one in done.refused],
            }
        )
    else:
        _tell(done)
    if done.refused:
        raise typer.Exit(PARTLY if done.added or done.already else 1)


def _text_of(file: Path) -> str:
    from ledger.errors import WrongInput

    try:
        original = file.read_bytes()
    except OSError as failed:
        raise WrongInput(
            f"The file cannot be read ({failed.strerror or 'unknown reason'}).", "Check its name, and who may read it."
        ) from None
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            return original.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise WrongInput("The file is no text.", "Save the list as CSV in UTF-8, and load that.")


def _mapping(ledger: Ledger, named: str | None, file: Path) -> SessionColumns:
    from ledger.arrival.sessions import SessionColumns
    from ledger.errors import WrongInput
    from ledger.store.sessions import names_of_columns, saved_columns

    if named is not None and named.endswith(".json"):
        try:
            return SessionColumns.from_json(Path(named).read_bytes())
        except OSError:
            raise WrongInput("The file of the column mapping cannot be read.", "Check its name.") from None
    if named is not None:
        return saved_columns(ledger, named)
    there = names_of_columns(ledger)
    if len(there) == 1:
        return saved_columns(ledger, there[0])
    raise WrongInput(
        "Nobody has said yet what the columns of this list are for."
        if not there
        else f"Several column mappings are saved: {', '.join(there)}.",
        f"Look at them once: `access-ledger entries sessions {file.name} --save NAME`."
        if not there
        else "Name one with --columns.",
    )


def _save(
    ledger: Ledger,
    text: str,
    file: Path,
    name: str,
    columns: Iterable[str],
    words: Iterable[str],
    dates: str | None,
    decimal: str,
    system: str | None,
    as_json: bool,
) -> None:
    from ledger.arrival.sessions import numbered_rows, proposed_columns, uses
    from ledger.errors import WrongInput
    from ledger.store.sessions import save_columns

    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", name):
        raise WrongInput("That is no name for a mapping.", "Take letters, digits and hyphens, at most forty.")
    if dates not in (None, "day-first", "month-first"):
        raise WrongInput("What --dates says is not an order.", "Write day-first or month-first.")
    if decimal not in (".", ","):
        raise WrongInput("What --decimal says is no such sign.", "Write . or ,")
    rows = [cells for _, (_, cells) in zip(range(2), numbered_rows(text), strict=False)]
    if not rows:
        raise WrongInput("The list is empty.", "Take one with a row of headings.")
    mapping = replace(proposed_columns(rows[0], name), dates=dates, decimal=decimal)  # type: ignore[arg-type]
    for change in columns:
        mapping = _with_column(mapping, change)
    for change in words:
        mapping = _with_word(mapping, change)
    if say.is_terminal() and not as_json:
        say.out("What each column is taken for:")
        _tell_columns(mapping, rows)
        say.paragraph(f"It can be for: {', '.join(uses())}.")
        while change := typer.prompt("HEADING=USE to change one (Enter to save)", default="", show_default=False):
            mapping = _with_column(mapping, change)
    if system is not None:
        mapping = replace(
            mapping,
            columns=tuple(replace(one, system=system) if one.use == "patient" else one for one in mapping.columns),
        )
    save_columns(ledger, mapping)
    if as_json:
        say.as_json({"name": name, "columns": [vars(one) for one in mapping.columns], "dates": mapping.dates})
        return
    if not say.is_terminal():
        _tell_columns(mapping, rows)
    say.out(f"Saved in the ledger as {name}.")
    say.next_steps((f"access-ledger entries sessions {file.name} --columns {name}", "record what the list says"))


def _with_column(mapping: SessionColumns, change: str) -> SessionColumns:
    from ledger.errors import WrongInput

    heading, equals, use = change.rpartition("=")
    use, _, unit = use.strip().partition(" in ")
    if not equals or not any(one.heading.strip() == heading.strip() for one in mapping.columns):
        raise WrongInput(
            "What --column says names no heading of this list.",
            f"Write HEADING=USE; its headings are: {', '.join(one.heading for one in mapping.columns)}.",
        )
    changed = []
    for one in mapping.columns:
        if one.heading.strip() == heading.strip():
            one = replace(one, use=use.strip(), unit=unit.strip().lower() or one.unit)
        elif one.use == use.strip() and one.use != "leave-out":
            one = replace(one, use="leave-out", unit=None)
        changed.append(one)
    return replace(mapping, columns=tuple(changed))


def _with_word(mapping: SessionColumns, change: str) -> SessionColumns:
    from ledger.errors import WrongInput

    found = re.fullmatch(r"(.+?):(.+)=(.+)", change)
    if found is None or not any(one.heading.strip() == found[1].strip() for one in mapping.columns):
        raise WrongInput(
            "What --word says names no heading of this list, a word and its meaning.", "Write HEADING:WORD=MEANING."
        )
    return replace(
        mapping,
        columns=tuple(
            replace(one, words={**one.words, found[2].strip(): found[3].strip()})
            if one.heading.strip() == found[1].strip()
            else one
            for one in mapping.columns
        ),
    )


def _tell_columns(mapping: SessionColumns, rows: list[list[str]]) -> None:
    first = rows[1] if len(rows) > 1 else []
    cells = dict(zip(rows[0], first, strict=False))
    say.table(
        ["Heading", "Taken for", "Unit", "First row"],
        [
            [one.heading, "not recorded" if one.use == "leave-out" else one.use, one.unit, cells.get(one.heading, "")]
            for one in mapping.columns
        ],
    )


def _tell(done: SessionsLoaded) -> None:
    said = [f"{say.counted(done.added, 'session')} of {say.counted(done.patients, 'patient')} recorded"]
    if done.already:
        said.append(f"{done.already} there already")
    if done.questioned:
        said.append(f"{len({one.line for one in done.questioned})} of them unusual")
    say.out(f"{say.counted(done.rows, 'row')}: {', '.join(said)}, {len(done.refused)} not taken.")
    for odd in done.questioned:
        say.paragraph(f"line {odd.line}, {odd.entry}: {odd.words}", "  ", "    ")
    for one in done.refused:
        say.paragraph(f"line {one.line}, NOT TAKEN: {one.problem} {one.remedy}", "  ", "    ")
