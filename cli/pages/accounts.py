"""Accounts: who may come in, as what, for which units. For whoever administers.

An administrator who is bound to units keeps the accounts of those units only. Nobody can take their own right to
administer, or close their own account, so that somebody always can; the command `access-ledger account` can do all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import ROLE_WORDS, Right, Role, roles_of
from cli.pages.site import Page
from ledger.errors import LedgerError, NotFound, WrongInput

if TYPE_CHECKING:
    from ledger.people import Unit
    from ledger.store.accounts import Accounts, StoredAccount


def accounts(asked: Asked) -> Response:
    """Every account, and the form for another one."""
    return _list(asked)


def add(asked: Asked) -> Response:
    """Makes an account, for somebody whom the ledger knows or who is entered now."""
    from cli.places_and_people import checked
    from ledger.people import Person

    try:
        roles, units = _roles(asked), _units(asked)
        person = asked.field("person")
        if not person:
            person = checked(asked.field("id"))
            if not asked.field("full_name"):
                raise WrongInput("Somebody who is new needs a name.", "Write it in full.")
        with asked.ledger.db.writing():
            if not asked.field("person"):
                asked.ledger.who.add_person(
                    Person(id=person, name=asked.field("full_name"), role=asked.field("work") or None)
                )
            _accounts(asked).add(person, roles=roles, units=units, password=_password(asked))
    except LedgerError as wrong:
        return _list(asked, wrong)
    return asked.to(f"/accounts/{person}")


def account(asked: Asked) -> Response:
    """One account."""
    return _one(asked, _theirs(asked))


def change(asked: Asked) -> Response:
    """Changes an account: what to change is the button that was pressed."""
    one = _theirs(asked)
    kept, own = _accounts(asked), one.person == asked.who.person
    try:
        match asked.field("do"):
            case "roles":
                roles = _roles(asked)
                if own and Role.ADMINISTERS.value not in roles:
                    raise WrongInput(
                        "This would leave you unable to keep accounts.", "Let somebody else who administers do it."
                    )
                kept.change(one.person, roles=roles, units=_units(asked))
            case "password":
                kept.set_password(one.person, _password(asked) or "")
            case "close":
                if own:
                    raise WrongInput("You cannot close your own account.", "Let somebody else who administers do it.")
                kept.close(one.person)
            case "reopen":
                kept.reopen(one.person)
            case "end":
                kept.end_sessions(one.person)
            case _:
                raise WrongInput("This form does not say what to change.", "Use one of its buttons.")
    except LedgerError as wrong:
        return _one(asked, one, wrong)
    return asked.to(f"/accounts/{one.person}")


# --- What is shown ------------------------------------------------------------------------------------------------


def _list(asked: Asked, wrong: LedgerError | None = None) -> Response:
    there = [one for one in _accounts(asked).all() if _is_theirs(asked, one)]
    known = {one.person for one in _accounts(asked).all()}
    return asked.page(
        "accounts.html",
        status=422 if wrong else 200,
        wrong=wrong,
        there=there,
        people=[one for one in asked.ledger.who.people() if one.id not in known],
        units=_own_units(asked),
        unit_names={unit.id: unit.name for unit in asked.ledger.who.units()},
        roles=ROLE_WORDS,
        running=asked.doors.running(),
        chosen=set(asked.form.getlist("role")),
    )


def _one(asked: Asked, one: StoredAccount, wrong: LedgerError | None = None) -> Response:
    return asked.page(
        "account.html",
        status=422 if wrong else 200,
        wrong=wrong,
        one=one,
        units=_own_units(asked),
        roles=ROLE_WORDS,
        running=asked.doors.running()[one.person],
    )


# --- Whose accounts these are -------------------------------------------------------------------------------------


def _accounts(asked: Asked) -> Accounts:
    from ledger.store.accounts import Accounts

    return Accounts(asked.ledger, by=asked.who.person)


def _theirs(asked: Asked) -> StoredAccount:
    """The account of the path, in the same words whether there is none or it is of foreign units."""
    found = _accounts(asked).find(asked.path("person"))
    if found is None or not _is_theirs(asked, found):
        raise NotFound("There is no such account that you may see.", "Look in the list of accounts.")
    return found


def _is_theirs(asked: Asked, one: StoredAccount) -> bool:
    return not asked.who.units or (bool(one.units) and one.units <= asked.who.units)


def _own_units(asked: Asked) -> list[Unit]:
    return [unit for unit in asked.ledger.who.units() if asked.who.sees_unit(unit.id)]


def _units(asked: Asked) -> frozenset[str]:
    wanted = frozenset(str(unit) for unit in asked.form.getlist("unit"))
    if asked.who.units and not (wanted and wanted <= asked.who.units):
        raise WrongInput("You keep accounts for your own units only.", "Mark one or more of them.")
    return wanted


def _roles(asked: Asked) -> list[str]:
    found = roles_of(str(role) for role in asked.form.getlist("role"))
    if not found:
        raise WrongInput("An account without a role can do nothing.", "Mark at least one.")
    return [role.value for role in found]


def _password(asked: Asked) -> str | None:
    found = asked.form.get("password")
    return found if isinstance(found, str) and found else None


PAGES = (
    Page("/accounts", accounts, Right.ADMINISTER, menu="Accounts"),
    Page("/accounts", add, Right.ADMINISTER, methods=("POST",), largest=20_000),
    Page("/accounts/{person}", account, Right.ADMINISTER, examples=("/accounts/tamm",)),
    Page("/accounts/{person}", change, Right.ADMINISTER, ("POST",), examples=("/accounts/tamm",), largest=20_000),
)
