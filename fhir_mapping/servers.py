"""What a server can take, read from its /metadata, and which way it is spoken to.

Three ways, chosen by capability or by hand. `transaction`: conditional updates by identifier in transactions, the best.
`conditional-create`: create where there is none, then update at the address that was given. `plain-create`: for servers
that ignore identifiers and know Procedure and Observation with the commonest fields; the ledger remembers what it was
given as Location, and searches before it ever sends again after a lost answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fhir_mapping.settings import Server
from fhir_mapping.talking import Stopped, Talker

PLAIN_TYPES = frozenset({"Procedure", "Observation"})
BY_TAG = frozenset({"Provenance", "Linkage"})
"""Types without an identifier in FHIR: updated under our own id, or found by tag."""


@dataclass(frozen=True, kw_only=True)
class TypeAbility:
    """What a server says that it does with one type of resource."""

    interactions: frozenset[str] = frozenset()
    conditional_create: bool = False
    conditional_update: bool = False
    update_create: bool = False
    search: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True)
class Ability:
    """What a server says that it can do."""

    version: str | None
    transaction: bool
    types: Mapping[str, TypeAbility] = field(default_factory=dict)
    software: str | None = None

    def takes(self, kind: str) -> bool:
        """Whether it takes resources of a type at all."""
        found = self.types.get(kind)
        return found is not None and bool(found.interactions & {"create", "update"})

    def way(self) -> str:
        """The best way that it allows."""
        told = [self.types[kind] for kind in PLAIN_TYPES if self.takes(kind)]
        if self.transaction and told and all(one.conditional_update for one in told):
            return "transaction"
        if told and all(one.conditional_create for one in told):
            return "conditional-create"
        return "plain-create"


def ability_of(talker: Talker) -> Ability:
    """Asks a server what it can do. Raises Stopped where it says nothing that is a CapabilityStatement."""
    answer = talker.get("metadata")
    body = answer.body
    if not answer.is_fine or not isinstance(body, dict) or body.get("resourceType") != "CapabilityStatement":
        raise Stopped(
            f"{talker.server.name} does not say what it can do (status {answer.status} for /metadata).",
            "Check the url in the settings: it is the base of the FHIR server, without a type behind it.",
        )
    return read_ability(body)


def read_ability(statement: Mapping[str, Any]) -> Ability:
    """Reads a CapabilityStatement of R4, leniently: what it does not say, it cannot do."""
    rest: Mapping[str, Any] = next((one for one in statement.get("rest", ()) if one.get("mode") == "server"), {})
    types = {}
    everywhere = frozenset(str(one.get("name")) for one in rest.get("searchParam", ()))
    for one in rest.get("resource", ()):
        types[str(one.get("type"))] = TypeAbility(
            interactions=frozenset(str(each.get("code")) for each in one.get("interaction", ())),
            conditional_create=one.get("conditionalCreate") is True,
            conditional_update=one.get("conditionalUpdate") is True,
            update_create=one.get("updateCreate") is True,
            search=frozenset(str(each.get("name")) for each in one.get("searchParam", ())) | everywhere,
        )
    return Ability(
        version=statement.get("fhirVersion"),
        transaction=any(one.get("code") == "transaction" for one in rest.get("interaction", ())),
        types=types,
        software=(statement.get("software") or {}).get("name"),
    )


def chosen_way(server: Server, ability: Ability) -> str:
    """The way in which a server is spoken to: the one set by hand, else the best that it allows."""
    return ability.way() if server.way == "auto" else server.way


def in_words(server: Server, ability: Ability, kinds: list[str]) -> list[str]:
    """What a server can take, and which way it will be spoken to, in sentences."""
    way = chosen_way(server, ability)
    taken = [kind for kind in kinds if ability.takes(kind)]
    missing = [kind for kind in kinds if not ability.takes(kind)]
    said = [
        f"It speaks FHIR {ability.version or 'of a release that it does not say'}"
        + (f" ({ability.software})." if ability.software else "."),
        "It takes transactions." if ability.transaction else "It takes no transactions.",
        _about("It creates only where there is none", taken, ability, "conditional_create"),
        _about("It updates by identifier", taken, ability, "conditional_update"),
        _about("It lets us choose the id", taken, ability, "update_create"),
        f"It takes {', '.join(taken) or 'none of what we send'}.",
    ]
    if missing:
        said.append(
            f"It does not say that it takes {', '.join(missing)}; these are not sent unless the settings say so."
        )
    chosen = "as the settings say" if server.way != "auto" else "the best that it allows"
    said.append(f"It will be spoken to by {_WAYS[way]} ({chosen}).")
    if ability.version and not ability.version.startswith("4.") and server.release == "R4":
        said.append("Its release is not R4, which is what would be sent: set release for it in the settings.")
    return said


_WAYS = {
    "transaction": "conditional updates in transactions",
    "conditional-create": "conditional creates, then updates at the address that it gives",
    "plain-create": "plain creates of Procedure and Observation, remembered by the address that it gives",
}


def _about(what: str, kinds: list[str], ability: Ability, name: str) -> str:
    able = [kind for kind in kinds if getattr(ability.types[kind], name)]
    if not able:
        return f"{what}: no."
    if len(able) == len(kinds):
        return f"{what}: yes."
    return f"{what}: {', '.join(able)} only."
