"""What is kept about reports follows the links that are recorded about them.

A `report-moved` says that a report was about somebody else: in the stream that it leaves, its entries no longer count.
The report itself, with its text, is then the other patient's, and waits there to be gone through, so that its facts are
proposed again for whom they are about. Retracting the link brings it back.
"""

from __future__ import annotations

from collections.abc import Iterable

from ledger.chronology import History, in_force
from ledger.entries import Entry
from ledger.events import ReportMoved, ReportReviewed, Retraction
from ledger.store.papers import CONFIRMED, WAITING, Papers


def follow_moved_reports(papers: Papers, added: Iterable[Entry], after: History) -> None:
    """Moves the reports that were said to be another patient's, and brings back those of which that was withdrawn."""
    for entry in added:
        named: Entry | None = entry
        while named is not None and isinstance(named.event, Retraction):
            named = after.entry(named.event.retracts)
        if named is None or not isinstance(named.event, ReportMoved):
            continue
        moved, holding = named.event, in_force(after.entries)
        if any(one.id == named.id for one in holding):
            _give(papers, moved.report, moved.to_patient, reviewed=False)
        else:
            reviews = (one.event for one in holding if isinstance(one.event, ReportReviewed))
            _give(papers, moved.report, after.patient, any(one.report == moved.report for one in reviews))


def _give(papers: Papers, report: str, patient: str, reviewed: bool) -> None:
    from ledger.receiving import WAITS_FOR_PERSON

    if not papers.holds(report):
        return  # A copy without reports: the entry says whose it is.
    papers.link(report, patient)
    if reviewed:
        papers.change(report, state=CONFIRMED, waits_for=None)
    else:
        papers.change(report, state=WAITING, waits_for=WAITS_FOR_PERSON)
