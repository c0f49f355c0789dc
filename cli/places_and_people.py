"""Units, access centres, and the people who record: add, list."""

from __future__ import annotations

import re
from typing import Annotated

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import JsonOption, LedgerOption, opened_directory

units = a_group(
    {
        "add": Later("cli.places_and_people:add_unit", "Enter a unit, or change its name or zone."),
        "list": Later("cli.places_and_people:list_units", "The units of this ledger."),
    },
    help="Dialysis units. A unit's days are those of its time zone.",
)
centres = a_group(
    {
        "add": Later("cli.places_and_people:add_centre", "Enter an access centre, or change its name."),
        "list": Later("cli.places_and_people:list_centres", "The access centres of this ledger."),
    },
    help="Access centres and hospitals, where things are done to accesses.",
)
people = a_group(
    {
        "add": Later("cli.places_and_people:add_person", "Enter somebody who records."),
        "list": Later("cli.places_and_people:list_people", "The people of this ledger."),
    },
    help="People who record, confirm or look. Each entry says which person.",
)

IdArgument = Annotated[
    str, typer.Argument(metavar="ID", help="A short id of your choice, such as N1. It never changes.")
]
NameOption = Annotated[str, typer.Option("--name", help="The name in full.", show_default=False)]
InventedOption = Annotated[bool, typer.Option("--invented", help="Not a real one: made up for trying or teaching.")]


def add_unit(
    id: IdArgument,
    name: NameOption,
    zone: Annotated[
        str | None,
        typer.Option("--zone", help="Its time zone. Without it, that of the ledger.", show_default=False),
    ] = None,
    invented: InventedOption = False,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter a unit, or change its name or zone."""
    from ledger.people import Unit

    with opened_directory(ledger) as found:
        unit = Unit(id=checked(id), name=name, zone=zone or found.zone.key, invented=invented)
        found.who.add_unit(unit)
        if as_json:
            say.as_json({"unit": vars(unit)})
        else:
            say.out(f"{unit.id} is in the ledger: {say.shown(unit.name)}, {unit.zone}.")


def list_units(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """The units of this ledger."""
    with opened_directory(ledger) as found:
        there = found.who.units()
    if as_json:
        say.as_json({"units": [vars(one) for one in there]})
    elif there:
        say.table(["Unit", "Zone", "Name"], [[one.id, one.zone, _name(one.name, one.invented)] for one in there])
    else:
        say.out('No units yet. Enter one with `access-ledger unit add U1 --name "…"`.')


def add_centre(
    id: IdArgument,
    name: NameOption,
    invented: InventedOption = False,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter an access centre, or change its name."""
    from ledger.people import Centre

    with opened_directory(ledger) as found:
        centre = Centre(id=checked(id), name=name, invented=invented)
        found.who.add_centre(centre)
    if as_json:
        say.as_json({"centre": vars(centre)})
    else:
        say.out(f"{centre.id} is in the ledger: {say.shown(centre.name)}.")


def list_centres(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """The access centres of this ledger."""
    with opened_directory(ledger) as found:
        there = found.who.centres()
    if as_json:
        say.as_json({"centres": [vars(one) for one in there]})
    elif there:
        say.table(["Centre", "Name"], [[one.id, _name(one.name, one.invented)] for one in there])
    else:
        say.out('No access centres yet. Enter one with `access-ledger centre add C1 --name "…"`.')


def add_person(
    id: IdArgument,
    name: NameOption,
    role: Annotated[
        str | None, typer.Option("--role", help="What they do, such as nurse or liaison.", show_default=False)
    ] = None,
    invented: InventedOption = False,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Enter somebody who records."""
    from ledger.people import Person

    with opened_directory(ledger) as found:
        person = Person(id=checked(id), name=name, role=role, invented=invented)
        found.who.add_person(person)
    if as_json:
        say.as_json({"person": vars(person)})
        return
    say.out(f"{person.id} is in the ledger: {say.shown(person.name)}.")
    say.next_steps((f"export ACCESS_LEDGER_BY={person.id}", "and --by is not needed any more in this window"))


def list_people(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """The people of this ledger."""
    with opened_directory(ledger) as found:
        there = found.who.people()
    if as_json:
        say.as_json({"people": [vars(one) for one in there]})
    elif there:
        say.table(
            ["Person", "Role", "Name"], [[one.id, one.role or "", _name(one.name, one.invented)] for one in there]
        )
    else:
        say.out('Nobody yet. Enter yourself with `access-ledger person add N1 --name "…"`.')


def checked(id: str) -> str:
    """An id as entries can hold it. Raises WrongInput."""
    from ledger.errors import WrongInput

    if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._:-]{0,63}", id) is None:
        raise WrongInput(
            "That cannot be an id.", "Use letters, digits and . _ : - only, at most 64, for example N1 or unit-north."
        )
    return id


def _name(name: str, invented: bool) -> str:
    return f"{name} (invented)" if invented else name
