"""A report that holds nothing for the ledger is set aside as a whole, with a reason, and can be laid back.

For what waits and never will be entries: a cover sheet, a report of somebody who is no patient here, a file that no
reader opens. `dismiss` takes it off the list of what waits; who, when and why stay with the report (`dismissal_of`),
and the reason goes when its words are erased. Where a patient is known and the text is here, a `report-reviewed` entry
keeps the fate of every open proposal, as when each is dismissed by itself. `reopen` withdraws that entry and puts the
report back to what it waited for.

Not for: a report of which entries were made. What is wrong in those is corrected or retracted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ledger.chronology import in_force
from ledger.confirming import Decision, confirm, review_of, short_id
from ledger.dates import PartialDate, instant_text
from ledger.entries import Draft, Entry, Signature
from ledger.errors import WrongInput
from ledger.events import ReportReviewed, Retraction
from ledger.store.papers import CONFIRMED, DISMISSED, UNREADABLE, WAITING
from ledger.store.upkeep import note
from ledger.vocabulary import Fate

if TYPE_CHECKING:
    from ledger.store import Ledger
    from ledger.store.papers import StoredReport

KEPT = "dismissals"
"""Where the envelope of a report keeps them, oldest first; it is emptied when the words of the report are erased."""


@dataclass(frozen=True, kw_only=True)
class Dismissal:
    """That a report was set aside: by whom, when (an instant in UTC) and why. `entry` keeps the fate of each proposal.

    `state` and `waits_for` are what the report was before.
    """

    by: str
    at: str
    why: str
    entry: str | None
    state: str
    waits_for: str | None


def dismissal_of(report: StoredReport) -> Dismissal | None:
    """Who set a report aside, when and why; None for one that is not, or of which the words were erased."""
    kept = report.envelope.get(KEPT)
    if report.state != DISMISSED or not kept or "reopened_at" in kept[-1]:
        return None
    return Dismissal(**kept[-1])


def dismiss(ledger: Ledger, report: str, why: str, by: Signature) -> StoredReport:
    """Sets a report aside as a whole; all of it or nothing.

    Raises NotFound; WrongInput without a reason, for a report that does not wait, and for one of which there are
    entries in force.
    """
    why = why.strip()
    if not why:
        raise WrongInput("A report is not set aside without a reason.", "Say why in your words.")
    with ledger.db.writing():
        stored = ledger.papers.report(report)
        _must_wait(ledger, stored)
        entry = _each_dismissed(ledger, stored, why, by)
        kept = {
            "by": by.person,
            "at": instant_text(ledger.clock()),
            "why": why,
            "entry": entry,
            "state": stored.state,
            "waits_for": stored.waits_for,
        }
        envelope = {**stored.envelope, KEPT: [*stored.envelope.get(KEPT, ()), kept]}
        ledger.papers.change(stored.id, state=DISMISSED, waits_for=None, envelope=envelope)
        note(ledger, "report dismiss", person=by.person, patient=stored.patient, about=stored.id)
    return ledger.papers.report(stored.id)


def reopen(ledger: Ledger, report: str, by: Signature) -> StoredReport:
    """Puts a report that was set aside back to what it waited for; what its dismissal decided is open again.

    Raises NotFound, and WrongInput for a report that nobody set aside.
    """
    with ledger.db.writing():
        stored = ledger.papers.report(report)
        before = dismissal_of(stored)
        if before is None:
            raise WrongInput(
                f"Nobody set report {short_id(stored.id)} aside.",
                "Its words were erased, or it came again in a form that can be read; look with "
                "`access-ledger report list`."
                if stored.state == DISMISSED
                else "Look with `access-ledger report list --state dismissed`.",
            )
        dismissals = [dict(one) for one in stored.envelope[KEPT]]
        dismissals[-1] |= {"reopened_by": by.person, "reopened_at": instant_text(ledger.clock())}
        if before.entry is not None:
            _withdraw(ledger, stored, before.entry, len(dismissals), by)
        envelope = {**stored.envelope, KEPT: dismissals}
        ledger.papers.change(stored.id, state=before.state, waits_for=before.waits_for, envelope=envelope)
        note(ledger, "report reopen", person=by.person, patient=stored.patient, about=stored.id)
    return ledger.papers.report(stored.id)


def entries_of(ledger: Ledger, report: StoredReport) -> list[Entry]:
    """The entries in force that rest on a report, without those that only say that it was gone through."""
    if report.patient is None:
        return []
    return [
        entry
        for entry in in_force(ledger.history(report.patient, sessions=True).entries)
        if not isinstance(entry.event, ReportReviewed)
        and (entry.evidence.report == report.id or getattr(entry.event, "report", None) == report.id)
    ]


def _must_wait(ledger: Ledger, stored: StoredReport) -> None:
    named = short_id(stored.id)
    if stored.state == DISMISSED:
        raise WrongInput(f"Report {named} is set aside already.", f"`access-ledger report reopen {named}` undoes that.")
    if entries_of(ledger, stored):
        raise WrongInput(
            f"Entries rest on report {named}, so it is not set aside as a whole.",
            f"Go through what is left of it with `access-ledger report confirm {named}`; an entry that is wrong is "
            "corrected or retracted.",
        )
    if stored.state == CONFIRMED:
        raise WrongInput(
            f"Report {named} was gone through already; it does not wait.", "There is nothing to set aside."
        )
    assert stored.state in (WAITING, UNREADABLE), "a report has four states"


def _each_dismissed(ledger: Ledger, stored: StoredReport, why: str, by: Signature) -> str | None:
    """Keeps the fate of every open proposal in an entry, as confirming does; gives its id."""
    if stored.patient is None or stored.text_id is None or ledger.papers.text(stored.text_id) is None:
        return None
    review = review_of(ledger, stored.id)
    decided = {index: Decision(fate=Fate.DISMISSED, reason=why) for index in review.open}
    done = confirm(ledger, review, decided, by=by)
    return None if done.review is None else done.review.id


def _withdraw(ledger: Ledger, stored: StoredReport, review: str, nth: int, by: Signature) -> None:
    assert stored.patient is not None, "there is an entry, so there is a patient"
    history = ledger.history(stored.patient)
    if all(entry.id != review for entry in in_force(history.entries)):
        return  # Somebody retracted it by hand.
    event: Any = Retraction(happened=PartialDate(ledger.today(stored.patient).isoformat()), retracts=review)
    ledger.append(history, [Draft(event=event, source=f"report:{stored.id}", ordinal=nth)], by=by)
