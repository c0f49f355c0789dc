"""How people name entries and accesses, and what they mean by it.

An entry is `P0007.12`: patient and place in their stream, which never changes; a session, in the second stream, is
`P0007.s12`. An access is its id, or words that fit only one access of that patient: "left fistula".
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING

from ledger.errors import NotFound, WrongInput

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.entries import Entry
    from ledger.store import Ledger

_ENTRY = re.compile(r"(?P<patient>[Pp]\d{1,12})\.(?P<session>s?)(?P<version>\d{1,9})")
_SHORT = re.compile(r"(?<=\bentry )[0-9a-f]{8}\b")  # as sentences about entries shorten an id
_UUID = re.compile(r"\b[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}\b")


def entry_name(patient: str, entry: Entry) -> str:
    """`P0007.12`, or `P0007.s12` for a session."""
    return f"{patient}.{'s' if entry.session else ''}{entry.version}"


def entry_named(ledger: Ledger, text: str) -> tuple[History, Entry]:
    """The entry that somebody names, with the history of its patient. Raises WrongInput, NotFound."""
    found = _ENTRY.fullmatch(text.strip())
    if found is None:
        raise WrongInput(
            "That is not the name of an entry.",
            "An entry is named like P0007.12; `access-ledger history` and `audit` show the names.",
        )
    session = bool(found["session"])
    history = ledger.history(found["patient"], sessions=session)
    for entry in history.entries:
        if entry.version == int(found["version"]) and entry.session == session:
            return history, entry
    raise NotFound(
        f"{history.patient} has no such entry.", f"`access-ledger audit {history.patient}` shows all of them."
    )


def entry_names(history: History, roots: Iterable[str]) -> dict[str, str]:
    """The names of entries by their ids: `P0007.12`; one that is not in the history is left out."""
    names = every_entry_name(history)
    return {root: names[root] for root in roots if root in names}


def every_entry_name(history: History) -> dict[str, str]:
    """The names of all entries of a history by their ids, those of joined records too."""
    names = {entry.id: entry_name(history.patient, entry) for entry in history.entries}
    for patient, others in history.merged:
        names.update((entry.id, entry_name(patient, entry)) for entry in others)
    return names


def named_in(text: str, history: History, names: dict[str, str] | None = None) -> str:
    """The same text in which ids of entries are given the names by which people know them.

    `names` is `every_entry_name(history)`, for whoever has many texts.
    """
    if names is None:
        names = every_entry_name(history)
    if not _SHORT.search(text) and not _UUID.search(text):
        return text
    text = _UUID.sub(lambda found: names.get(found[0], found[0]), text)
    short = {entry_id[:8]: name for entry_id, name in names.items()}
    return _SHORT.sub(lambda found: short.get(found[0], found[0]), text)


def access_named(history: History, text: str) -> str:
    """The access of this patient that is meant by an id or by words. Raises NotFound for none or several."""
    rows = access_names(history)
    wanted = text.strip()
    for access, _ in rows:
        if access.casefold() == wanted.casefold():
            return access
    words = re.findall(r"[\w-]+", wanted.casefold())
    fitting = [(access, name) for access, name in rows if words and all(word in name.casefold() for word in words)]
    if len(fitting) == 1:
        return fitting[0][0]
    if fitting:
        raise NotFound(f"Several accesses of {history.patient} fit: {_listed(fitting)}.", "Name one by its id.")
    if rows:
        raise NotFound(
            f"{history.patient} has no such access; there {'is' if len(rows) == 1 else 'are'}: {_listed(rows)}.",
            "Name one by its id, or by words that fit only one, such as 'left fistula'.",
        )
    raise NotFound(
        f"{history.patient} has no access in the ledger.",
        "Enter it first, with `access-ledger record creation`, `catheter-placed` or `access-known`.",
    )


def access_names(history: History) -> list[tuple[str, str]]:
    """The accesses of a patient with their names in words, in the order in which they first appear."""
    from ledger.projections.rows import rows_of

    return [(row.access, row.name) for row in rows_of(history)]


def _listed(rows: Iterable[tuple[str, str]]) -> str:
    return ", ".join(f"{access} ({name})" for access, name in rows)


def access_anywhere(ledger: Ledger, text: str) -> tuple[str, str]:
    """The patient and the access of an access's id, whoever's it is. Raises NotFound."""
    for wanted in (text.strip(), text.strip().upper()):
        owner = ledger.owner_of(wanted)
        if owner is not None:
            return owner, wanted
    raise NotFound(
        "There is no access with that id in this ledger.",
        "`access-ledger patient show` lists the accesses of a patient with their ids; an access can also be named by "
        "words after --patient.",
    )
