"""Who may: the roles that a person's account can have, and what each lets them do.

A role is a set of rights. An account may have several roles, and may be bound to units: then only patients of those
units exist for it. `Account` is what the pages know of whoever asks; where accounts are kept is not told here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ledger.store.accounts import StoredAccount


class Right(Enum):
    """What a page needs."""

    ANYBODY = "anybody"  # signing in, styles
    SIGNED_IN = "signed in"  # whoever has an account
    LOOK = "look"
    ENTER = "enter"
    CONFIRM = "confirm"
    CONNECT = "connect"
    ADMINISTER = "administer"


class Role(Enum):
    """The roles of people, as verbs."""

    LOOKS = "looks"
    ENTERS = "enters"
    CONFIRMS = "confirms"
    CONNECTS = "connects"
    ADMINISTERS = "administers"


RIGHTS_OF: dict[Role, frozenset[Right]] = {
    Role.LOOKS: frozenset({Right.LOOK}),
    Role.ENTERS: frozenset({Right.LOOK, Right.ENTER}),
    Role.CONFIRMS: frozenset({Right.LOOK, Right.ENTER, Right.CONFIRM}),
    Role.CONNECTS: frozenset({Right.CONNECT}),
    Role.ADMINISTERS: frozenset({Right.ADMINISTER}),
}


@dataclass(frozen=True, kw_only=True)
class Account:
    """Whoever asks: the id of a person of the ledger, their name, roles, and the units they see (empty: all)."""

    person: str
    name: str
    roles: frozenset[Role]
    units: frozenset[str] = frozenset()
    must_change: bool = False
    """Somebody else knows their password: they choose another before anything else."""

    def may(self, right: Right) -> bool:
        """Whether one of the roles gives this right."""
        if right in (Right.ANYBODY, Right.SIGNED_IN):
            return True
        return any(right in RIGHTS_OF[role] for role in self.roles)

    def sees_unit(self, unit: str | None) -> bool:
        """Whether patients of this unit exist for them."""
        return not self.units or unit in self.units


def account_of(stored: StoredAccount) -> Account:
    """The account as the pages know it. A role that this version has no name for gives no right."""
    return Account(
        person=stored.person,
        name=stored.name,
        roles=roles_of(stored.roles),
        units=stored.units,
        must_change=stored.must_change,
    )


def roles_of(words: Iterable[str]) -> frozenset[Role]:
    """The roles that these words name."""
    named = set(words)
    return frozenset(role for role in Role if role.value in named)


ROLE_WORDS: dict[Role, str] = {
    Role.LOOKS: "finds patients and reads their histories",
    Role.ENTERS: "looks, and writes down what happened",
    Role.CONFIRMS: "enters, and confirms what reports propose",
    Role.CONNECTS: "connects the hospital's record; sees no patient by that",
    Role.ADMINISTERS: "keeps accounts; sees no patient by that",
}
"""What each role may do, for whoever gives them."""
