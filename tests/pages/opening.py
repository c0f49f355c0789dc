"""What the tests open: every page that there is, with patients, accesses, reports and entries of the demonstration.

The paths come from the tables of pages, so that a page which is added is walked without a word here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from cli.pages.site import Page, pages
from ledger.store import Ledger
from ledger.store.who import patient_id

HERE, ELSEWHERE = "fern-valley", "fern-valley-home"
"""The demonstration's two units: the tests open patients of the first, and ask as somebody of the second."""

NAMED = ("patient", "access", "report", "entry")


@dataclass(frozen=True)
class Opened:
    """One path of a page, filled in."""

    page: Page
    path: str
    template: str

    @property
    def about_somebody(self) -> bool:
        """Whether the path names a patient, or something of theirs."""
        return self.path != self.template


def filling(ledger: Ledger, unit: str = HERE) -> dict[str, str]:
    """A patient of this unit with an access, a report and entries: the id of each, by the name of its place."""
    row = ledger.db.execute(
        "SELECT p.number, a.access, r.report FROM patients p "
        "JOIN access_owners a ON a.org=p.org AND a.patient=p.number "
        "JOIN reports r ON r.org=p.org AND r.patient=p.number "
        "WHERE p.org=? AND p.unit=? ORDER BY p.number, a.access DESC, r.report LIMIT 1",
        (ledger.org, unit),
    ).fetchone()
    patient = patient_id(row[0])
    return {"patient": patient, "access": row[1], "report": row[2], "entry": f"{patient}.1"}


NOBODY = {"patient": "P9999", "access": "P9999-A1", "report": "r-nobodys-report-aaaaaaa", "entry": "P9999.1"}
"""The same places, filled with what does not exist."""


def opened(method: str, filled: dict[str, str]) -> Iterator[Opened]:
    """Every path that answers this method, filled in: each page's own path, or else its examples, and those."""
    for page in pages():
        if method not in page.methods:
            continue
        own = (page.path,) if set(_places(page.path)) <= set(NAMED) else ()
        assert own or page.examples, f"{page.name} has a place in its path that only it knows: give it `examples`"
        for template in (*own, *page.examples):
            yield Opened(page, template.format_map(filled), template)


def _places(path: str) -> list[str]:
    return re.findall(r"{(\w+)(?::\w+)?}", path)


def comparable(text: str, filled: dict[str, str]) -> str:
    """The text of an answer without what differs from one request to the next, and without the ids asked for."""
    text = re.sub(r'name="csrf" value="[^"]*"', "", text)
    for place in ("entry", "access", "report", "patient"):
        text = text.replace(filled[place], place)
    return text
