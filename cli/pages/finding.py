"""Find: by name, number or birth date; where a nurse begins.

What is looked for is a name. It is sent in a form and never stands in an address, since addresses rest in the history
of browsers, in logs of proxies and on the screen of a shared tablet. The answer has an address of its own with a random
word in it: going back from a patient shows the list again, without asking whether to send the form once more. What the
word stands for is kept by the server for whoever asked, until the server stops or a thousand others have asked since.

Nothing is shown while somebody types: each showing of names is noted in the audit, and a list that changes beneath a
finger is how the wrong patient is opened.
"""

from __future__ import annotations

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page

if TYPE_CHECKING:
    from ledger.projections.rows import AccessRow
    from ledger.store.finding import Found

WRITING = "/write"
"""What stands behind a patient's address where something is written down about them, and is the page's own address."""

KEPT = 1000
"""So many searches are kept, so that going back shows them again."""

LONGEST = 120
"""Letters that are looked for; no name, number and birth date together are longer."""


class _Searches:
    """What was looked for, by a random word, for the person who asked and nobody else."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, tuple[str, str]] = OrderedDict()
        self._lock = threading.Lock()

    def keep(self, person: str, wanted: str) -> str:
        token = secrets.token_urlsafe(12)
        with self._lock:
            self._kept[token] = (person, wanted)
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return token

    def of(self, person: str, token: str) -> str:
        with self._lock:
            whose, wanted = self._kept.get(token, ("", ""))
        return wanted if whose == person else ""


_searches = _Searches()


@dataclass(frozen=True)
class Hit:
    """One patient in the list, with what tells them from another."""

    found: Found
    numbers: str
    unit: str
    accesses: tuple[str, ...]
    joined_to: str | None

    @property
    def warning(self) -> str:
        """What to look at twice before opening."""
        if self.found.same_name:
            return "Another patient has the same name." if self.found.same_name == 1 else "Others have the same name."
        return "Another one here is called alike." if self.found.alike else ""


def home(asked: Asked) -> Response:
    """Where a nurse begins: the field, and what was found when somebody comes back."""
    return _page(asked, "")


def home_to_write(asked: Asked) -> Response:
    """The same for whoever means to write something down: it leads there."""
    return _page(asked, WRITING)


def _page(asked: Asked, onwards: str) -> Response:
    wanted = _searches.of(asked.who.person, asked.query("found")) if asked.query("found") else ""
    if not asked.may("LOOK"):
        return asked.page("find.html", wanted="", hits=[], more=False, may_look=False, onwards=onwards)
    hits, more = _hits(asked, wanted) if wanted else ([], False)
    return asked.page("find.html", wanted=wanted, hits=hits, more=more, may_look=True, onwards=onwards)


def search(asked: Asked) -> Response:
    """Looks for somebody. The only one who fits exactly is opened, unless another is called alike."""
    wanted = " ".join(asked.field("q").split())[:LONGEST]
    onwards = WRITING if asked.field("onwards") == WRITING and asked.may("ENTER") else ""
    if not wanted:
        return asked.to(onwards or "/")
    hits, _ = _hits(asked, wanted)
    asked.note("find", about=f"{len(hits)} shown")
    if len(hits) == 1 and hits[0].found.how < 3 and not hits[0].found.same_name:
        return asked.to(f"/patient/{hits[0].joined_to or hits[0].found.patient.id}{onwards}")
    return asked.to(onwards or "/", {"found": _searches.keep(asked.who.person, wanted)})


def _hits(asked: Asked, wanted: str) -> tuple[list[Hit], bool]:
    from ledger.store.finding import find

    found, more = find(asked.ledger, wanted, units=asked.who.units)
    return hits_of(asked, found), more


def hits_of(asked: Asked, found: list[Found]) -> list[Hit]:
    """Patients as a list shows them."""
    units = {one.id: one.name for one in asked.ledger.who.units()}
    return [
        Hit(
            found=one,
            numbers=", ".join(number.value for number in one.patient.identifiers),
            unit=units.get(one.patient.unit or "", one.patient.unit or ""),
            accesses=accesses_in_words(rows_of_patient(asked, one.patient.id)),
            joined_to=asked.ledger.joined_to(one.patient.id),
        )
        for one in found
    ]


def rows_of_patient(asked: Asked, patient: str) -> list[AccessRow]:
    """What the lists keep of a patient's accesses."""
    from ledger.store.ledger import rows_in
    from ledger.store.who import number_of

    row = asked.ledger.db.execute(
        "SELECT accesses FROM streams WHERE org=? AND stream=?", (asked.ledger.org, 2 * number_of(patient))
    ).fetchone()
    return list(rows_in(row[0])) if row is not None and row[0] is not None else []


def accesses_in_words(rows: list[AccessRow]) -> tuple[str, ...]:
    """The accesses that are in the body and kept, those in use first, each with how it is used."""
    from ledger.projections.folding import Body, UseIs

    kept = [row for row in rows if row.closed is None and row.body != Body.PLANNED]
    used = [row for row in kept if row.use in (UseIs.IN_USE, UseIs.PARTLY)]
    rest = [row for row in kept if row not in used]
    return tuple(f"{row.name}: {row.use.replace('-', ' ')}" for row in (*used, *rest))


PAGES = (
    Page("/", home, Right.SIGNED_IN, menu="Find"),
    Page("/", search, Right.LOOK, methods=("POST",)),
    Page(WRITING, home_to_write, Right.ENTER, menu="Write down"),
)
