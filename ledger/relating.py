"""Which of a patient's reports are about which: what corrects or adds to what, and what tells of one procedure.

Functions of kept reports and their texts. Whether facts were told before is for
`ledger.retelling`; what a person makes of it, for `ledger.confirming`.

A sender's number for a document means something within one sender, so only reports of
one patient are ever compared. To understand one more stage of a document, add it to
`_STAGES`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from ledger.dates import PartialDate
from ledger.retelling import Compared, Sameness, Summary, days_apart, same_procedure, summary_from

if TYPE_CHECKING:
    from ledger.store.papers import StoredReport

_AMENDS = 2
_STAGES = {"preliminary": 0, "final": 1, "addendum": _AMENDS, "corrected": _AMENDS, "withdrawn": _AMENDS}


def earlier_reports(report: StoredReport, others: Iterable[StoredReport]) -> tuple[StoredReport, ...]:
    """Of a patient's reports those that this one corrects, completes or adds to, through all in between, oldest first.

    By the sender's own numbers of documents. A final report with the number of a preliminary one completes it. An
    addendum that names no document is about the one other report of its order or visit, else of its day, if there is
    exactly one.
    """
    others = list(others)
    return _reached(report, others, _is_about) or _first_of_its_kin(report, others)


def later_reports(report: StoredReport, others: Iterable[StoredReport]) -> tuple[StoredReport, ...]:
    """Of a patient's reports those that correct, complete or add to this one, oldest first."""
    others = list(others)
    found = list(_reached(report, others, lambda one, other: _is_about(other, one)))
    known = {one.id for one in found}
    for other in others:
        if other.id not in known and other.id != report.id and adds_only(other):
            rest = [report, *(one for one in others if one.id not in (other.id, report.id))]
            if not _reached(other, rest, _is_about) and _first_of_its_kin(other, rest) == (report,):
                found.append(other)
    return tuple(sorted(found, key=_came))


def adds_only(report: StoredReport) -> bool:
    """Whether a report says of itself that it adds to another, by its status or by its words."""
    return _said(report, "status") in ("addendum", "corrected") or bool((report.proposed or {}).get("amends"))


def _first_of_its_kin(report: StoredReport, others: Sequence[StoredReport]) -> tuple[StoredReport, ...]:
    """The one report that an addendum without numbers can be about: of its order or visit, else of its day."""
    if not adds_only(report) or _said(report, "supersedes"):
        return ()
    firsts = [one for one in others if one.id != report.id and one.patient == report.patient and not adds_only(one)]
    order = _said(report, "order_number")
    if order is not None:
        of_order = [one for one in firsts if _said(one, "order_number") == order]
        if of_order:
            return tuple(of_order) if len(of_order) == 1 else ()
    days = [
        day
        for day in ((report.proposed or {}).get("happened"), _said(report, "performed"))
        if day is not None and PartialDate(day).precision in ("day", "instant")
    ]
    for day in days:
        of_day = [
            one
            for one in firsts
            if (theirs := (one.proposed or {}).get("happened"))
            and days_apart(PartialDate(day), PartialDate(theirs)) == 0
        ]
        if of_day:
            return tuple(of_day) if len(of_day) == 1 else ()
    return ()


def tells_whole(report: StoredReport) -> bool:
    """Whether a report about an earlier one tells everything anew; an addendum tells only what it adds."""
    return _said(report, "status") in ("corrected", "final")


def _reached(
    report: StoredReport, others: Iterable[StoredReport], leads: Callable[[StoredReport, StoredReport], bool]
) -> tuple[StoredReport, ...]:
    left = {one.id: one for one in others if one.id != report.id}
    found: list[StoredReport] = []
    todo = [report]
    while todo:
        one = todo.pop()
        new = [other for other in left.values() if leads(one, other)]
        for other in new:
            del left[other.id]
        found += new
        todo += new
    return tuple(sorted(found, key=_came))


def _is_about(report: StoredReport, other: StoredReport) -> bool:
    number = _said(other, "document_id")
    if number is None:
        return False
    if number != _said(report, "document_id"):
        return number in (_said(report, "supersedes") or ())
    # Of two with one number the status tells which is about which, and between equals the one that came later.
    mine, theirs = (_STAGES.get(_said(one, "status") or "", 1) for one in (report, other))
    if mine != theirs:
        return mine > theirs
    return mine == _AMENDS and _came(other) < _came(report)


def _came(report: StoredReport) -> tuple[str, str]:
    return report.arrived_at, report.id


def _said(report: StoredReport, name: str) -> Any:
    return (report.envelope.get("envelope") or {}).get(name)


# --- One procedure told twice -------------------------------------------------------------------------------------


def alike(
    reports: Sequence[StoredReport], text_of: Callable[[StoredReport], str | None]
) -> list[tuple[StoredReport, StoredReport, Compared]]:
    """The pairs among some reports that tell, or may tell, of one procedure of one patient.

    Compared is what was kept when they were read. Texts are asked for only where patient and day leave it open.
    """
    by_patient: dict[str, list[StoredReport]] = {}
    for report in reports:
        if report.patient is not None and report.proposed and report.proposed.get("proposed"):
            by_patient.setdefault(report.patient, []).append(report)
    summaries: dict[str, Summary | None] = {}

    def summary(report: StoredReport) -> Summary | None:
        if report.id not in summaries:
            text = text_of(report)
            summaries[report.id] = None if text is None else summary_from(report.proposed or {}, text)
        return summaries[report.id]

    found = []
    for theirs in by_patient.values():
        for nth, one in enumerate(theirs):
            for two in theirs[nth + 1 :]:
                if not _days_touch(one, two):
                    continue
                mine, other = summary(one), summary(two)
                if mine is None or other is None:
                    continue
                compared = same_procedure(mine, other)
                if compared.sameness is not Sameness.DIFFERENT:
                    found.append((one, two, compared))
    return found


def _days_touch(one: StoredReport, two: StoredReport) -> bool:
    mine, theirs = ((report.proposed or {}).get("happened") for report in (one, two))
    return not mine or not theirs or days_apart(PartialDate(mine), PartialDate(theirs)) <= 1
