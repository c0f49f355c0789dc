"""Options that every command understands alike, and what they stand for: a ledger, a person, a day.

Heavy modules are imported inside the functions, so that `--help` pays for none of them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from ledger.entries import Signature
    from ledger.people import Patient
    from ledger.store import Ledger
    from ledger.store.opening import Directory
    from ledger.vocabulary import ConfirmedHow

LedgerOption = Annotated[
    str | None,
    typer.Option(
        "--ledger",
        envvar="ACCESS_LEDGER",
        metavar="FILE|URL",
        help="The ledger: a file, or a PostgreSQL URL. Without it, the one in your data folder.",
        show_default=False,
    ),
]
ByOption = Annotated[
    str | None,
    typer.Option(
        "--by",
        envvar="ACCESS_LEDGER_BY",
        metavar="PERSON",
        help="Who does this: the id of a person in the ledger.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON for a script instead of text.")]
TodayOption = Annotated[
    str | None,
    typer.Option(
        "--today",
        envvar="ACCESS_LEDGER_TODAY",
        metavar="DAY",
        help="Look as if it were this day.",
        show_default=False,
        hidden=True,
    ),
]
PatientArgument = Annotated[str, typer.Argument(metavar="PATIENT", help="A patient's id, number or name.")]
AsOfOption = Annotated[
    str | None,
    typer.Option(
        "--as-of",
        metavar="DAY",
        help="Only what had happened by the end of this day; what may have, is marked.",
        show_default=False,
    ),
]
KnownOnOption = Annotated[
    str | None,
    typer.Option(
        "--known-on",
        metavar="DAY",
        help="Only what had been recorded by the end of this day, or by this instant.",
        show_default=False,
    ),
]


@contextmanager
def opened(where: str | None) -> Iterator[Ledger]:
    """The ledger that the option names, or the one in the user's data folder."""
    from ledger.store import open_ledger

    with open_ledger(where_of(where)) as ledger:
        yield ledger


@contextmanager
def opened_directory(where: str | None) -> Iterator[Directory]:
    """People and places of that ledger, for commands that need no entry; opens quicker."""
    from ledger.store.opening import open_directory

    with open_directory(where_of(where)) as found:
        yield found


def where_of(option: str | None) -> str | Path:
    """Where the ledger lies."""
    from cli.places import default_ledger

    return option or default_ledger()


def signature_of(ledger: Ledger, by: str | None, how: ConfirmedHow | None = None) -> Signature:
    """Who does this, as a signature. Raises WrongInput when nobody was named, or nobody whom the ledger knows."""
    from ledger.entries import Signature
    from ledger.vocabulary import ConfirmedHow

    return Signature(person=person_of(ledger, by), how=how or ConfirmedHow.CLAIMED)


def person_of(ledger: Ledger, by: str | None) -> str:
    """The id of the person who does this."""
    from ledger.errors import WrongInput

    if not by:
        raise WrongInput(
            "This is kept with the name of whoever does it, and nobody was named.",
            "Add --by PERSON, or set ACCESS_LEDGER_BY; `access-ledger person list` shows who there is, "
            "`access-ledger person add` enters somebody.",
        )
    found = ledger.who.person(by)
    if found is None:
        raise WrongInput(
            "There is no such person in this ledger as --by names.",
            "Look with `access-ledger person list`, or enter them with `access-ledger person add`.",
        )
    return found.id


def the_patient(ledger: Ledger, named: str) -> Patient:
    """The one patient who is meant by an id, a number or a name."""
    return ledger.who.the_patient(named)


def day_from(text: str, option: str) -> date:
    """A whole day from what was typed. Raises WrongInput."""
    from ledger.errors import WrongInput

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise WrongInput(f"What {option} says is not a day.", "Write it as 2026-03-04.") from None


def today_of(ledger: Ledger, patient: str | None, option: str | None) -> date:
    """The day on which we look: the one asked for, else that of a demo ledger, else the present day of the unit."""
    if option:
        return day_from(option, "--today")
    row = ledger.db.execute("SELECT value FROM meta WHERE key=?", ("demo_today",)).fetchone()
    if row is not None:
        return date.fromisoformat(row[0])
    return ledger.today(patient)
