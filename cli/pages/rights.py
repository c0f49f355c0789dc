"""Who may: the roles that a person's account can have, and what each lets them do.

A role is a set of rights. An account may have several roles, and may be bound to units: then only patients of those
units exist for it. `Account` is what the pages know of whoever asks; where accounts are kept is not told here.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


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

    def may(self, right: Right) -> bool:
        """Whether one of the roles gives this right."""
        if right in (Right.ANYBODY, Right.SIGNED_IN):
            return True
        return any(right in RIGHTS_OF[role] for role in self.roles)

    def sees_unit(self, unit: str | None) -> bool:
        """Whether patients of this unit exist for them."""
        return not self.units or unit in self.units
