"""What the columns of a spreadsheet are for: offered from its headings, corrected by a person, kept once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from cli import say
from cli.options import JsonOption, LedgerOption, opened
from cli.report import bytes_of
from ledger.errors import WrongInput


def columns(
    sheet: Annotated[
        Path | None,
        typer.Argument(metavar="[SHEET]", help="A CSV or XLSX file with a report a row; its headings are looked at."),
    ] = None,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE", help="Write what is offered to a new file, to be corrected.")
    ] = None,
    keep: Annotated[
        Path | None, typer.Option("--keep", metavar="FILE", help="Keep a mapping in the ledger, for `report import`.")
    ] = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say once what the columns of a spreadsheet of reports are for.

    With a sheet, a mapping is offered from its headings. Look at it, write it to a file with --to, correct it there,
    and keep it with --keep: `report import` then reads every sheet with these headings. Without either, the mappings
    that are kept are listed.
    """
    if keep is not None:
        _keep(keep, ledger, as_json)
    elif sheet is not None:
        _offer(sheet, to, as_json)
    else:
        _list(ledger, as_json)


def _keep(file: Path, where: str | None, as_json: bool) -> None:
    from ledger.receiving import keep_mapping

    with opened(where) as found:
        name = keep_mapping(found, bytes_of(file))
    if as_json:
        say.as_json({"kept": name})
    else:
        say.out(f"Kept the mapping {say.shown(name)}. `report import` reads sheets with these headings now.")


def _offer(sheet: Path, to: Path | None, as_json: bool) -> None:
    from ledger.arrival import arrive
    from ledger.arrival.sheets import proposed_mapping

    arrived = arrive(bytes_of(sheet), sheet.name)
    headings = [heading for heading in arrived.headings if heading.strip()]
    if not headings:
        raise WrongInput(
            "That is not a spreadsheet with headings in its first row.",
            "Save it as CSV or XLSX with one row of headings.",
        )
    mapping = proposed_mapping(headings, name=sheet.stem)
    if to is not None:
        if to.exists():
            raise WrongInput("There is a file of that name already.", "Name a new one.")
        with os.fdopen(os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "wb") as file:
            file.write(mapping.to_json())
    if as_json:
        say.out(mapping.to_json().decode("utf-8"))
        return
    uses = {column.heading: column.use.value for column in mapping.columns}
    say.table(["Heading", "Offered as"], [[heading, uses.get(heading, "words of the report")] for heading in headings])
    say.out()
    if to is None:
        say.out("--to FILE writes this mapping, to be corrected: uses, whose numbers they are, how dates are typed.")
    else:
        say.out(f"Written to {to}. Correct it there; then: access-ledger report columns --keep {to}")


def _list(where: str | None, as_json: bool) -> None:
    import orjson

    from ledger.receiving import kept_mappings

    with opened(where) as found:
        kept = [orjson.loads(one) for one in kept_mappings(found)]
    if as_json:
        say.as_json({"mappings": kept})
    elif kept:
        say.table(
            ["Mapping", "Dates", "Columns"],
            [
                [
                    one["name"],
                    one.get("dates") or "not said",
                    ", ".join(f"{each['heading']}: {each['use']}" for each in one["columns"]),
                ]
                for one in kept
            ],
        )
    else:
        say.out("No mapping is kept. Begin with `access-ledger report columns SHEET`.")
