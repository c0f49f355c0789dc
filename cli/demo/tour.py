"""What `demo` says when it is done: one brief, who needs looking at, and what to type next.

Only what the ledger itself shows; nothing is told here that a brief does not say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cli import say

if TYPE_CHECKING:
    from ledger.projections.brief import Brief

SHOWN = "P0001"
"""Whose brief is shown: the same narrowing four times, sooner each time, and a fax that named the other arm."""


def tell(where: str) -> None:
    """The tour of the demo ledger at `where`, on standard output."""
    from cli.look import brief_made
    from cli.options import opened, today_of

    with opened(where) as ledger:
        briefs: dict[str, Brief] = {}
        names: dict[str, str] = {}
        for patient in ledger.who.patients():
            history = ledger.history(patient.id, sessions=True)
            made = brief_made(ledger, patient, history, today_of(ledger, patient.id, None))
            briefs[patient.id] = made  # type: ignore[assignment]  # a brief, since no sheet was asked for
            names[patient.id] = patient.name or ""
    say.out()
    for line in briefs[SHOWN].lines():
        say.out(say.shown_lines(line))
    say.out()
    say.heading("Who needs looking at")
    say.table(["Patient", "Name", "Why"], [[one, names[one], why] for one, why in needs_looking_at(briefs)])
    say.next_steps(
        (f"export ACCESS_LEDGER={where} ACCESS_LEDGER_BY=nkemelu", "so that the next commands find it"),
        ("access-ledger brief P0001 --known-on 2026-11-14", "what was known while only the fax was in"),
        ("access-ledger history P0001-A2 --quotes", "the life of her fistula, each line with its words"),
        ("access-ledger brief P0002", "a catheter that stayed"),
        ("access-ledger report list", "what came in and waits"),
        ("access-ledger report confirm --patient P0009", "go through what a report proposes"),
        ("access-ledger serve", "the same in a browser; the link signs in once"),
        ("access-ledger --help", "everything else"),
    )


def needs_looking_at(briefs: dict[str, Brief]) -> list[tuple[str, str]]:
    """Patients whose brief stops the reader, and why: what is urgent first, then in the order of their ids."""
    found = []
    for patient, brief in briefs.items():
        stops = [line.text for section in brief.sections if section.key == "stop" for line in section.lines]
        if stops:
            more = len(stops) - 1
            found.append((patient, stops[0] + (f" And {more} more." if more else "")))
    return sorted(found, key=lambda one: (not one[1].startswith("Urgent"), one[0]))
