"""Accounts of the pages: who may come in, as what, for which units.

The pages have the same for whoever administers. A password never stands on a command line, where every program of this
machine could read it: it is asked for, or read from a file or from standard input.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import ByOption, JsonOption, LedgerOption, opened
from ledger.errors import WrongInput

if TYPE_CHECKING:
    from ledger.store import Ledger
    from ledger.store.accounts import Accounts, StoredAccount

accounts = a_group(
    {
        "add": Later("cli.accounts:add", "Let somebody in: roles, units, a first password."),
        "list": Later("cli.accounts:list_accounts", "Who may come in, as what."),
        "change": Later("cli.accounts:change", "Other roles, units, another password, the hospital's sign-in."),
        "close": Later("cli.accounts:close", "Let somebody in no more, from this moment."),
        "sign-out": Later("cli.accounts:sign_out", "End the sessions of somebody, wherever they are signed in."),
    },
    help="Who may come in to the pages. Roles: looks, enters, confirms, connects, administers.",
)

PersonArgument = Annotated[str, typer.Argument(metavar="PERSON", help="The id of a person of the ledger.")]
RoleOption = Annotated[
    list[str] | None,
    typer.Option(
        "--role",
        metavar="ROLE",
        help="looks, enters, confirms, connects or administers. Repeatable.",
        show_default=False,
    ),
]
UnitOption = Annotated[
    list[str] | None,
    typer.Option(
        "--unit", metavar="UNIT", help="Only patients of this unit exist for them. Repeatable.", show_default=False
    ),
]
PasswordFileOption = Annotated[
    str | None,
    typer.Option(
        "--password-file",
        metavar="FILE",
        help="Where the password stands, - for standard input. Without it you are asked.",
        show_default=False,
    ),
]


def add(
    person: PersonArgument,
    role: RoleOption = None,
    unit: UnitOption = None,
    password_file: PasswordFileOption = None,
    no_password: Annotated[
        bool, typer.Option("--no-password", help="They come in through the hospital's sign-in only.")
    ] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Let a person of the ledger in. They change the password when they first come in.

    Without --unit they see the patients of every unit.
    """
    with opened(ledger) as found:
        roles = _roles(role or [])
        _check_free(found, person)
        password = None if no_password else _password(password_file)
        kept = _kept(found, by)
        kept.add(person, roles=roles, units=unit or [], password=password)
        _tell(kept.account(person), as_json, "may come in")


def list_accounts(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """Who may come in to the pages."""
    with opened(ledger) as found:
        there = _kept(found, None).all()
    if as_json:
        say.as_json({"accounts": [_as_json(one) for one in there]})
    elif there:
        say.table(
            ["Person", "Roles", "Units", "Comes in with", "Name"],
            [
                [one.person, " ".join(sorted(one.roles)), " ".join(sorted(one.units)) or "all", _with(one), one.name]
                for one in there
            ],
        )
    else:
        say.out("Nobody has an account yet. Make one with `access-ledger account add PERSON --role looks`.")


def change(
    person: PersonArgument,
    role: RoleOption = None,
    unit: UnitOption = None,
    every_unit: Annotated[bool, typer.Option("--every-unit", help="The patients of every unit again.")] = False,
    password: Annotated[bool, typer.Option("--password", help="Ask for another password.")] = False,
    password_file: PasswordFileOption = None,
    openid: Annotated[
        tuple[str, str] | None,
        typer.Option(
            "--openid",
            metavar="ISSUER NAME",
            help="Whom this OpenID provider calls so, in the claim that `serve --openid` names.",
            show_default=False,
        ),
    ] = None,
    no_openid: Annotated[bool, typer.Option("--no-openid", help="No longer through the hospital's sign-in.")] = False,
    reopen: Annotated[bool, typer.Option("--reopen", help="Let them in again after the account was closed.")] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Change an account: --role and --unit say all that it has from now on. Running sessions follow at once."""
    if unit and every_unit:
        raise WrongInput("--unit and --every-unit say different things.", "Give one of them.")
    if openid is not None and no_openid:
        raise WrongInput("--openid and --no-openid say different things.", "Give one of them.")
    if not any((role, unit, every_unit, password, password_file, openid, no_openid, reopen)):
        raise WrongInput("Nothing was said to be changed.", "`access-ledger account change --help` lists what can be.")
    with opened(ledger) as found:
        kept = _kept(found, by)
        kept.account(person)
        roles = _roles(role) if role else None
        new = _password(password_file) if password or password_file else None
        with found.db.writing():
            if roles is not None or unit or every_unit:
                kept.change(person, roles=roles, units=[] if every_unit else unit or None)
            if new is not None:
                kept.set_password(person, new)
            if openid is not None:
                kept.set_subject(person, *openid)
            if no_openid:
                kept.set_subject(person, None, None)
            if reopen:
                kept.reopen(person)
        _tell(kept.account(person), as_json, "is changed")


def close(
    person: PersonArgument, by: ByOption = None, ledger: LedgerOption = None, as_json: JsonOption = False
) -> None:
    """Let somebody in no more, from this moment. What they entered stays theirs."""
    with opened(ledger) as found:
        kept = _kept(found, by)
        kept.close(person)
        _tell(kept.account(person), as_json, "is closed; `account change --reopen` opens it again")


def sign_out(
    person: PersonArgument, by: ByOption = None, ledger: LedgerOption = None, as_json: JsonOption = False
) -> None:
    """End the sessions of somebody, wherever they are signed in."""
    with opened(ledger) as found:
        kept = _kept(found, by)
        kept.end_sessions(person)
        _tell(kept.account(person), as_json, "is signed out everywhere")


# --- Inside -------------------------------------------------------------------------------------------------------


def _kept(ledger: Ledger, by: str | None) -> Accounts:
    from cli.options import person_of
    from ledger.store.accounts import Accounts

    return Accounts(ledger, by=person_of(ledger, by) if by else None)


def _check_free(ledger: Ledger, person: str) -> None:
    """Before anybody types a password: is there such a person, without an account?"""
    if ledger.who.person(person) is None:
        raise WrongInput(
            "There is no such person in this ledger.",
            "Look with `access-ledger person list`, or enter them with `access-ledger person add`.",
        )
    if _kept(ledger, None).find(person) is not None:
        raise WrongInput("That person has an account already.", "Change it with `access-ledger account change`.")


def _roles(words: list[str]) -> list[str]:
    from cli.pages.rights import Role, roles_of

    known = [role.value for role in Role]
    if not words or set(words) - set(known):
        raise WrongInput(
            "No role was named that there is." if words else "An account without a role can do nothing.",
            f"Give --role with one of {', '.join(known)}; several for somebody who does several things.",
        )
    return [role.value for role in roles_of(words)]


def _password(file: str | None) -> str:
    """A password from a file, from standard input, or typed twice. Its line end does not belong to it."""
    if file == "-":
        return sys.stdin.readline().rstrip("\r\n")
    if file is not None:
        try:
            return Path(file).read_text("utf-8").split("\n")[0].rstrip("\r")
        except (OSError, ValueError):
            raise WrongInput(f"{file} cannot be read.", "Name a file with the password on its first line.") from None
    if not sys.stdin.isatty():
        raise WrongInput("Nobody is there to type a password.", "Give --password-file FILE, or - for standard input.")
    typed: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    return typed


def _with(one: StoredAccount) -> str:
    if not one.is_open:
        return "closed"
    ways = [
        *(["password"] if one.has_password and not one.must_change else []),
        *(["first password"] if one.has_password and one.must_change else []),
        *(["hospital sign-in"] if one.subject else []),
    ]
    return ", ".join(ways) or "nothing yet"


def _as_json(one: StoredAccount) -> dict[str, object]:
    return {
        "person": one.person,
        "name": one.name,
        "roles": sorted(one.roles),
        "units": sorted(one.units),
        "has_password": one.has_password,
        "must_change": one.must_change,
        "issuer": one.issuer,
        "subject": one.subject,
        "made_at": one.made_at,
        "closed_at": one.closed_at,
    }


def _tell(one: StoredAccount, as_json: bool, what: str) -> None:
    if as_json:
        say.as_json({"account": _as_json(one)})
        return
    units = "every unit" if not one.units else ", ".join(sorted(one.units))
    say.out(f"{one.person} ({', '.join(sorted(one.roles))}; {units}) {what}.")
