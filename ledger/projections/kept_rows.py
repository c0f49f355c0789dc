"""How the store keeps the rows of a patient's accesses (`ledger.projections.rows`), and how they are read.

Not for: what a row says; that is made by `rows`. Read in here without the classes of events, since making those takes
longer than a list of patients itself.

What is kept of a patient is a JSON array: the ids of the accesses, and then a row for each, in that order. A row is an
array in the order of `COLUMNS` without the access. What is None or none of is 0, the ids of entries are packed
(`ledger.minting.packed_id`), and a claim's state and day stand in their columns only. In the place of `facts` stand the
entries of the five claims, and behind them, where there are any, findings and conflicts. A row that fits into the page
of its stream spares every append a page. Of a patient without an access an empty array is kept.

Rows were kept as objects with the names of their columns before; those are still read, and a rebuild writes them anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import orjson

from ledger.minting import packed_id, unpacked_id

COLUMNS = (
    "access",
    "name",
    "access_kind",
    "side",
    "site",
    "body",
    "body_day",
    "flow",
    "flow_day",
    "flow_how",
    "readiness",
    "readiness_day",
    "use",
    "use_day",
    "last_use",
    "standing",
    "standing_day",
    "opened",
    "second_stage",
    "device_since",
    "closed",
    "first_event",
    "last_event",
    "last_intervention",
    "referred",
    "findings",
    "findings_since",
    "instructions",
    "treatments",
    "conflicts",
    "doubts",
    "entries",
    "facts",
)
"""The fields of `rows.AccessRow`, in their order; a test compares them."""

NO_ROWS = b"[]"
"""What is kept of a patient without an access."""


def kept(rows: Sequence[Sequence[Any]]) -> bytes:
    """Rows, each with its columns in order, as the store keeps them: equal rows give equal bytes."""
    if not rows:
        return NO_ROWS
    return orjson.dumps([[row[0] for row in rows], *map(_shortened, rows)])


def rows_kept(stored: bytes) -> list[dict[str, Any]]:
    """The rows that the store keeps, by the names of their columns, without columns that are None or none of."""
    found = orjson.loads(stored)
    if found and isinstance(found[0], list):
        accesses, *rows = found
        return [_by_name(access, row) for access, row in zip(accesses, rows, strict=True)]
    return [{**row, "facts": _facts_by_name(row)} for row in found]


def accesses_kept(stored: bytes) -> list[str]:
    """The ids of the accesses of which the store keeps a row."""
    found = orjson.loads(stored)
    if found and isinstance(found[0], list):
        return list(found[0])
    return [row["access"] for row in found]


def are_of(stored: bytes, accesses: Sequence[str]) -> bool:
    """Whether what the store keeps are rows of just these accesses, in this order; without reading the rows."""
    return stored.startswith(orjson.dumps([accesses])[:-1]) if accesses else stored == NO_ROWS


# --- A row --------------------------------------------------------------------------------------------------------

_CLAIMS = (
    ("body", "body", "body_day"),
    ("readiness", "readiness", "readiness_day"),
    ("use", "use", "use_day"),
    ("standing", "standing", "standing_day"),
    ("flow", "flow", "flow_day"),
)
_CLAIMED = tuple(name for name, _, _ in _CLAIMS)
_PLAIN = COLUMNS[1:-1]


def _shortened(columns: Sequence[Any]) -> list[Any]:
    short = [value or 0 for value in columns[1:-1]]
    facts = columns[-1]
    for name in _CLAIMED:
        claim = facts.get(name)
        if claim is None or len(claim) == 1:
            short.append(0)  # A catheter has no flow; what nobody said rests on no entry.
        elif isinstance(claim[0], list):
            short.append([[*told[:2], *map(packed_id, told[2:3]), *told[3:]] for told in claim])  # told both ways
        else:
            short.append([packed_id(claim[2]), claim[3]] if claim[3] else packed_id(claim[2]))
    findings, conflicts = facts.get("findings"), facts.get("conflicts")
    if findings or conflicts:
        short.append([[key, day, packed_id(root)] for key, day, root in findings or ()])
        if conflicts:
            short.append([[about, packed_id(first), packed_id(second)] for about, first, second in conflicts])
    return short


def _by_name(access: str, short: list[Any]) -> dict[str, Any]:
    columns: dict[str, Any] = {"access": access}
    columns.update((name, value) for name, value in zip(_PLAIN, short, strict=False) if value)
    claims = short[len(_PLAIN) :]
    facts: dict[str, Any] = {}
    for (name, state, day), claim in zip(_CLAIMS, claims, strict=False):
        if claim == 0:
            if state in columns:
                facts[name] = [columns[state]]
        elif isinstance(claim, str):
            facts[name] = [columns[state], columns[day], unpacked_id(claim), ""]
        elif isinstance(claim[0], list):
            facts[name] = [[*told[:2], *map(unpacked_id, told[2:3]), *told[3:]] for told in claim]
        else:
            facts[name] = [columns[state], columns[day], unpacked_id(claim[0]), claim[1]]
    findings, conflicts = (*claims[len(_CLAIMS) :], [], [])[:2]
    if findings:
        facts["findings"] = [[key, day, unpacked_id(root)] for key, day, root in findings]
    if conflicts:
        facts["conflicts"] = [[about, unpacked_id(first), unpacked_id(second)] for about, first, second in conflicts]
    columns["facts"] = facts
    return columns


def _facts_by_name(row: dict[str, Any]) -> dict[str, Any]:
    """The facts of a row that is kept with the names of its columns."""
    told = row["facts"]
    facts: dict[str, Any] = {}
    for name, state, day in _CLAIMS:
        claim = told.get(name)
        if claim is None:
            if state in row:
                facts[name] = [row[state]]
        elif isinstance(claim, str):
            facts[name] = [row[state], row[day], claim, ""]
        elif isinstance(claim[0], list):
            facts[name] = claim
        else:
            facts[name] = [row[state], row[day], *claim]
    return {**told, **facts}
