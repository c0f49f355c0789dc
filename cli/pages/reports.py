"""Reports: the list that waits, and one of them beside what it proposes, to be gone through by keyboard alone.

What a report proposes, which access it means and what was decided before is worked out in `ledger.confirming`, as for
`report confirm`; `cli.pages.beside` lays it out. Each proposal is taken by a person who has seen it: nothing here takes
several at once, a side least of all. What is decided goes in together, in the name of whoever is signed in; what is
refused says why and stays, and nothing that was typed is lost.

A report that nobody has matched to a patient belongs to no unit. Somebody has to find out whose it is, so whoever may
confirm may read it, and that is noted; the patients who could be meant are named only where they may be seen.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any

import orjson
from starlette.datastructures import FormData, UploadFile
from starlette.responses import JSONResponse, Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page
from ledger.errors import NotFound, StaleHistory, WrongInput

if TYPE_CHECKING:
    from cli.pages.beside import Piece, Table
    from cli.pages.finding import Hit
    from ledger.confirming import Confirmed
    from ledger.matching import PatientCandidate
    from ledger.people import Patient
    from ledger.store.papers import StoredReport

AT_ONCE = 100
"""So many reports stand on one page of the list."""

FILTERS = ("waits", "unit", "sender", "days")
"""What the list can be narrowed by; going from one report to the next stays within it."""

WAITS = {"person": "for somebody to go through them", "patient": "for their patient", "unreadable": "in another form"}


# --- The list -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Waiting:
    """One report in the list."""

    report: StoredReport
    patient: Patient | None
    unit: str
    days: int
    why: str
    careful: tuple[str, ...]


def waiting_list(asked: Asked) -> Response:
    """The reports that wait: for whom, since when and why."""
    narrowed = _narrowed(asked.query)
    today = asked.today()
    rows = list(_waiting(asked, narrowed))
    page = max(1, int(asked.query("page") or 1)) if (asked.query("page") or "1").isdigit() else 1
    shown = rows[(page - 1) * AT_ONCE : page * AT_ONCE]
    units = {one.id: one.name for one in asked.ledger.who.units()}
    centres = _centres(asked)
    return asked.page(
        "reports.html",
        rows=[_row(asked, one, units, today) for one in shown],
        total=len(rows),
        page=page,
        pages=-(-len(rows) // AT_ONCE),
        narrowed=narrowed,
        waits=WAITS,
        units=[one for one in asked.ledger.who.units() if asked.who.sees_unit(one.id)],
        senders=sorted({one.sender(centres) for one in _waiting(asked, dict.fromkeys(FILTERS, ""))} - {""}),
        after=_after(asked),
        came=_came(asked),
        queue=queue_of(narrowed),
    )


def _narrowed(said: Any) -> dict[str, str]:
    found = {name: said(name) for name in FILTERS}
    if found["waits"] not in WAITS:
        found["waits"] = ""
    if not found["days"].isdigit():
        found["days"] = ""
    return found


def queue_of(narrowed: Mapping[str, str]) -> str:
    """The filters as the end of an address; they name units and senders, nobody."""
    from urllib.parse import urlencode

    held = {name: value for name, value in narrowed.items() if value}
    return "?" + urlencode(held) if held else ""


@dataclass(frozen=True)
class _Brief:
    """A waiting report as far as it takes to put it into the list or leave it out."""

    report: str
    patient: str | None
    unit: str | None
    arrived_at: str
    file_name: str
    envelope: str
    head: str

    def sender(self, centres: Iterable[str]) -> str:
        """Who sent it, by its envelope; else the access centre whose name stands at its head. "" for nobody known."""
        kept = orjson.loads(self.envelope or "{}").get("envelope") or {}
        head = _folded(" ".join(self.head.splitlines()[:2]))  # Further down a centre may be spoken of.
        return str(kept.get("sender") or next((one for one in centres if _folded(one) in head), ""))


def _folded(words: str) -> str:
    """Words for comparing, in either spelling of English."""
    return " ".join(words.casefold().replace("centre", "center").split())


def _waiting(asked: Asked, narrowed: Mapping[str, str]) -> Iterator[_Brief]:
    """Reports that wait and that whoever asks may see, oldest first; what cannot be read comes last.

    Asked of the tables at once: the list is gone through again at each report, to know which is next.
    """
    from ledger.store.papers import UNREADABLE, WAITING
    from ledger.store.who import patient_id

    states = {"": (WAITING, UNREADABLE), "unreadable": (UNREADABLE,)}.get(narrowed["waits"], (WAITING,))
    today = asked.today()
    centres = _centres(asked)
    rows = asked.ledger.db.execute(
        "SELECT r.report, r.patient, p.unit, r.arrived_at, r.file_name, r.envelope, r.state, SUBSTR(t.words, 1, 300) "
        "FROM reports r LEFT JOIN patients p ON p.org=r.org AND p.number=r.patient "
        "LEFT JOIN texts t ON t.org=r.org AND t.text=r.text "
        f"WHERE r.org=? AND r.state IN ({','.join('?' * len(states))})",
        (asked.ledger.org, *states),
    ).fetchall()
    for row in sorted(rows, key=lambda row: (row[6] == UNREADABLE, row[3], row[4] or "", row[0])):
        number, unit = row[1], row[2]
        patient = None if number is None else patient_id(number)
        one = _Brief(row[0], patient, unit, row[3], row[4] or "", row[5], row[7] or "")
        if not (asked.may("CONFIRM") if one.patient is None else asked.who.sees_unit(unit)):
            continue
        if narrowed["waits"] in ("person", "patient") and (one.patient is None) != (narrowed["waits"] == "patient"):
            continue
        if narrowed["unit"] and (one.patient is None or unit != narrowed["unit"]):
            continue
        if narrowed["days"] and _days(one.arrived_at, today) < int(narrowed["days"]):
            continue
        if narrowed["sender"] and one.sender(centres) != narrowed["sender"]:
            continue
        yield one


def _centres(asked: Asked) -> list[str]:
    return [one.name for one in asked.ledger.who.centres()]


def _row(asked: Asked, one: _Brief, units: Mapping[str, str], today: date) -> Waiting:
    from cli.report import waits_for

    report = asked.ledger.papers.report(one.report)
    patient = asked.ledger.who.patient(one.patient) if one.patient is not None else None
    linked = report.envelope.get("linked") or {}
    return Waiting(
        report,
        patient,
        units.get((patient.unit if patient else None) or "", ""),
        _days(report.arrived_at, today),
        waits_for(report).removeprefix("a person: "),
        tuple(words for _, words in linked.get("doubts", ())),
    )


def _days(arrived_at: str, today: date) -> int:
    return max(0, (today - date.fromisoformat(arrived_at[:10])).days)


@dataclass(frozen=True)
class After:
    """What became of the report that was gone through, or set aside, a moment ago. `patient` is "" for nobody known."""

    report: str
    patient: str
    entries: tuple[str, ...]
    state: str


def _after(asked: Asked) -> After | None:
    """What the address names as just done, if whoever asks may see it."""
    from cli.report import became_of

    named = asked.query("after")
    if not named or not asked.ledger.papers.holds(named):
        return None
    report = asked.ledger.papers.report(named)
    if report.patient is None:
        is_news = report.state == "dismissed" and asked.may("CONFIRM")
        return After(report.id, "", (), report.state) if is_news else None
    if not asked.who.sees_unit(asked.ledger.who.patient(report.patient).unit):
        return None
    kept = [one["entry"] for one in became_of(asked.ledger, report) if one["kind"] != "report-reviewed"]
    return After(report.id, report.patient, tuple(kept), report.state)


# --- Bringing reports in ------------------------------------------------------------------------------------------


def bring_in(asked: Asked) -> Response:
    """Keeps files as `report import` does: reads them, links them to their patients, confirms nothing."""
    from ledger.arrival import Desk
    from ledger.receiving import kept_mappings, opened_up, receive, received_before
    from ledger.store.finding import near

    files = [one for one in asked.form.getlist("files") if isinstance(one, UploadFile) and one.filename]
    if not files:
        raise WrongInput("No file was chosen.", "Choose one or several report files, and send them again.")
    counts = dict.fromkeys(("stored", "linked", "already", "dismissed", "unreadable"), 0)
    with Desk() as desk:
        for file in files:
            original = file.file.read()
            opened = opened_up(original, file.filename, desk=desk, mappings=kept_mappings(asked.ledger))
            register = near(asked.ledger, (part.clues for part in opened.arrived.parts))
            received = received_before(asked.ledger, original, register, person=asked.who.person)
            if received is None:
                received = receive(asked.ledger, opened, register, person=asked.who.person)
            for one in received:
                counts[one.outcome] += 1
    asked.note("report import", about=f"{len(files)} files")
    return asked.to("/reports", {name: str(number) for name, number in counts.items() if number})


def _came(asked: Asked) -> dict[str, int]:
    said = {
        "stored": "kept",
        "linked": "kept before, now with their patient",
        "already": "there already",
        "dismissed": "set aside before",
        "unreadable": "could not be read",
    }
    return {words: int(asked.query(name)) for name, words in said.items() if asked.query(name).isdigit()}


# --- One report ---------------------------------------------------------------------------------------------------


@dataclass(kw_only=True)
class Told:
    """What a confirmation did, to be told above the report."""

    entries: tuple[tuple[str, str], ...] = ()
    already: int = 0
    refused: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass(kw_only=True)
class Candidate:
    """A patient who could be meant, with what the record says beside what the report says."""

    hit: Hit
    number: str = ""
    name: str = ""
    birth_date: str = ""
    against: bool = False


@dataclass(kw_only=True)
class Whose:
    """Whose report it is: what it says of that, and who could be meant."""

    numbers: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    births: tuple[str, ...] = ()
    waiting: str = ""
    candidates: tuple[Candidate, ...] = ()
    foreign: bool = False
    """Whether somebody who could be meant is of a unit that whoever asks does not see; how many is not said."""
    sought: str = ""
    more: bool = False
    is_fixed: bool = False
    """Entries rest on the report, so it stays where it is."""


@dataclass(kw_only=True)
class Way:
    """Where to go from here, within the list as it was narrowed."""

    before: str = ""
    next: str = ""
    left: int = 0
    queue: str = ""
    narrowed: dict[str, str] = field(default_factory=dict)


def show(asked: Asked) -> Response:
    """A report's text, and what it proposes or became."""
    return _page(asked, _seen(asked), FormData())


def decide(asked: Asked) -> Response:
    """What was decided about a report: recorded, or laid out again with what was typed."""
    stored = _seen(asked)
    match asked.field("do"):
        case "link":
            return _link(asked, stored)
        case "seek":
            return _page(asked, stored, asked.form, sought=asked.field("q"))
        case "record":
            return _record(asked, stored)
        case "dismiss":
            return _dismiss(asked, stored)
        case "reopen":
            return _reopen(asked, stored)
    return _page(asked, stored, asked.form)


def original(asked: Asked) -> Response:
    """The bytes as they came, to be saved and never to be shown by the browser as a page of ours."""
    stored = _seen(asked, did="report original")
    body = asked.ledger.papers.original(stored)
    if body is None:
        raise NotFound("The original is not held here.", "It was erased, or left out of this copy of the ledger.")
    # The sender's file name may be a patient's, and the media type is what the sender said: neither is passed on.
    endings = {"application/pdf": "pdf", "text/plain": "txt", "image/tiff": "tif", "image/png": "png"}
    ending = endings.get((stored.media_type or "").split(";")[0], "bin")
    headers = {
        "content-disposition": f'attachment; filename="{stored.id[:10]}.{ending}"',
        "content-security-policy": "sandbox; default-src 'none'",
    }
    return Response(body, media_type="application/octet-stream", headers=headers)


def _seen(asked: Asked, did: str = "report") -> StoredReport:
    stored = asked.report(did=did)
    if stored.patient is None and not asked.may("CONFIRM"):
        raise NotFound("There is no such report that you may see.", "Look in the list of reports.")
    return stored


def _record(asked: Asked, stored: StoredReport) -> Response:
    from cli.pages.beside import kept_for_good, laid_out
    from ledger.confirming import confirm

    table = laid_out(asked.ledger, stored.id, asked.form)
    if asked.field("version") != table.version:
        return _page(asked, stored, asked.form, table=table, status=409, stale=True)
    if table.wrong:
        return _page(asked, stored, asked.form, table=table, status=422)
    if (not table.decisions and table.review.open) or (not table.review.open and table.review.reviews):
        return _to(asked, *_onwards(asked, stored))
    try:
        with asked.ledger.db.writing():
            decisions = kept_for_good(asked.ledger, table, asked.form)
            done = confirm(asked.ledger, table.review, decisions, by=asked.signature())
    except StaleHistory:
        table = laid_out(asked.ledger, stored.id, asked.form)
        return _page(asked, stored, asked.form, table=table, status=409, stale=True)
    asked.note("report confirm", patient=stored.patient, about=stored.id)
    if not done.refused and not done.doubts and not done.waiting:
        return _to(asked, *_onwards(asked, stored, after=stored.id))
    return _page(asked, asked.ledger.papers.report(stored.id), asked.form, told=_told(asked, table, done))


def _dismiss(asked: Asked, stored: StoredReport) -> Response:
    """Sets the whole report aside in the name of whoever is signed in. Raises WrongInput where it cannot be."""
    from ledger.dismissing import dismiss

    why = asked.field("why").strip()
    if not why:
        return _page(asked, stored, FormData(), status=422, without_reason=True)
    onwards = _onwards(asked, stored, after=stored.id)
    dismiss(asked.ledger, stored.id, why, asked.signature())
    return _to(asked, *onwards)


def _reopen(asked: Asked, stored: StoredReport) -> Response:
    """Puts a report that was set aside back to what it waited for."""
    from ledger.dismissing import reopen

    reopen(asked.ledger, stored.id, asked.signature())
    return asked.to(f"/report/{stored.id}", {name: value for name, value in _narrowed(asked.field).items() if value})


@dataclass(frozen=True)
class Aside:
    """Who set a report aside, on which day, and why."""

    by: str
    day: str
    why: str


def _aside(asked: Asked, stored: StoredReport) -> Aside | None:
    from ledger.dismissing import dismissal_of
    from ledger.projections.wording import day_words

    found = dismissal_of(stored)
    if found is None:
        return None
    names = {one.id: one.name for one in asked.ledger.who.people()}
    return Aside(names.get(found.by, found.by), day_words(found.at[:10]), found.why)


def _can_be_dismissed(asked: Asked, stored: StoredReport) -> bool:
    from ledger.dismissing import entries_of

    return asked.may("CONFIRM") and stored.state in ("waiting", "unreadable") and not entries_of(asked.ledger, stored)


def _to(asked: Asked, path: str, query: Mapping[str, str]) -> Response:
    """On to another page; to a script that sent the form, where that is, so that it is not opened twice."""
    if "application/json" in asked.request.headers.get("accept", ""):
        return JSONResponse({"format": 1, "to": path + queue_of(query)})
    return asked.to(path, query)


def _told(asked: Asked, table: Table, done: Confirmed) -> Told:
    from cli.naming import entry_name, named_in
    from cli.record import told_in_words

    patient = table.review.history.patient
    history = asked.ledger.history(patient)
    kinds = table.review.reading.proposed

    def about(index: int | None) -> str:
        return "An access" if index is None else f"{index + 1}. {kinds[index].kind.replace('-', ' ')}"

    return Told(
        entries=tuple((entry_name(patient, one), told_in_words(asked.ledger, one)) for one in done.entries),
        already=len(done.already),
        refused=(
            *(named_in(f"{about(i)}: {no.problem} {no.remedy}", history) for i, no in done.refused),
            *(f"{about(i)} waits: {words}" for i, words in done.waiting),
        ),
        doubts=tuple(dict.fromkeys(named_in(doubt.words, history) for doubt in done.doubts)),
    )


def _onwards(asked: Asked, stored: StoredReport, after: str = "") -> tuple[str, dict[str, str]]:
    way = way_of(asked, stored)
    held = {name: value for name, value in way.narrowed.items() if value}
    if after:
        held["after"] = after
    return (f"/report/{way.next}" if way.next else "/reports"), held


def way_of(asked: Asked, stored: StoredReport) -> Way:
    """The reports before and after this one in the list. At its end it goes on with what was passed over."""
    said = asked.field if asked.request.method == "POST" else asked.query
    narrowed = _narrowed(said)
    if not narrowed["waits"] and stored.patient is not None:
        narrowed["waits"] = "person"
    rows = list(_waiting(asked, narrowed))
    order = (stored.state == "unreadable", stored.arrived_at, stored.file_name or "", stored.id)
    place = sum((stored.state == "unreadable", one.arrived_at, one.file_name, one.report) < order for one in rows)
    there = [one.report for one in rows]
    others = [one for one in (*there[place:], *there[:place]) if one != stored.id]
    return Way(
        before=next((one for one in reversed(there[:place]) if one != stored.id), ""),
        next=others[0] if others else "",
        left=len(others),
        queue=queue_of(narrowed),
        narrowed=narrowed,
    )


def _page(
    asked: Asked,
    stored: StoredReport,
    form: FormData,
    *,
    table: Table | None = None,
    told: Told | None = None,
    status: int = 200,
    stale: bool = False,
    sought: str = "",
    without_reason: bool = False,
) -> Response:
    from cli.pages.beside import FATES, laid_out

    text = asked.ledger.papers.text(stored.text_id) if stored.text_id else None
    patient = asked.ledger.who.patient(stored.patient) if stored.patient is not None else None
    if table is None and text is not None and patient is not None:
        table = laid_out(asked.ledger, stored.id, form)
    aside = _aside(asked, stored)
    asks_whose = asked.may("CONFIRM") and text is not None and aside is None
    whose = _whose(asked, stored, text, sought) if asks_whose else None
    return asked.page(
        "report.html",
        status=status,
        stored=stored,
        text=text,
        patient=patient,
        table=table,
        stretches=table.pieces if table is not None else _clue_pieces(stored, text),
        told=told,
        stale=stale,
        whose=whose,
        way=way_of(asked, stored),
        after=_after(asked),
        fates=FATES,
        linked=_linked(stored),
        confirmed=_confirmed(asked, stored) if aside is None else [],
        may_decide=asked.may("CONFIRM") and aside is None,
        aside=aside,
        can_be_dismissed=_can_be_dismissed(asked, stored),
        without_reason=without_reason,
    )


def _linked(stored: StoredReport) -> str:
    from cli.report import found_by

    linked = stored.envelope.get("linked") or {}
    return found_by(linked) if linked else ""


def _confirmed(asked: Asked, stored: StoredReport) -> list[tuple[str, str, str]]:
    """Who went through it and when, and the entries that came of it: person, day, entries."""
    if stored.patient is None:
        return []
    from ledger.events import ReportReviewed
    from ledger.projections.wording import day_words

    history = asked.ledger.history(stored.patient)
    names = {one.id: one.name for one in asked.ledger.who.people()}
    return [
        (
            names.get(entry.recorded_by.person, entry.recorded_by.person),
            day_words(entry.recorded_at[:10]),
            ", taken in bulk" if entry.recorded_by.how.value == "in-bulk" else "",
        )
        for entry in history.entries
        if isinstance(entry.event, ReportReviewed) and entry.event.report == stored.id
    ]


# --- Whose it is --------------------------------------------------------------------------------------------------


def _clue_pieces(stored: StoredReport, text: str | None) -> tuple[Piece, ...]:
    """The text of a report without a patient, with what it says about its patient marked."""
    from cli.pages.beside import pieces
    from ledger.receiving import clues_of

    if text is None:
        return ()
    clues = clues_of(stored, text)
    spans = [one.span for one in clues.identifiers]
    spans += [one.span for one in clues.names]
    spans += [one.span for one in clues.birth_dates]
    return tuple(pieces(text, [(one.start, one.end, "awhose") for one in spans if one is not None]))


def _whose(asked: Asked, stored: StoredReport, text: str | None, sought: str) -> Whose:
    """What a report says about its patient, beside the patients who could be meant."""
    from cli.pages.finding import hits_of
    from ledger.matching import compared, match_patient
    from ledger.receiving import clues_of
    from ledger.store.finding import Found as Meant
    from ledger.store.finding import How, find, near

    clues = clues_of(stored, text)
    whose = Whose(
        numbers=tuple(dict.fromkeys(one.value for one in clues.identifiers)),
        names=tuple(dict.fromkeys(one.text for one in clues.names)),
        births=tuple(dict.fromkeys(one.as_said for one in clues.birth_dates)),
        sought=sought,
        is_fixed=_entries_rest_on(asked, stored),
    )
    if whose.is_fixed or (stored.patient is not None and not sought):
        return whose
    if sought:
        found, whose.more = find(asked.ledger, sought, units=asked.who.units)
    else:
        match = match_patient(clues, near(asked.ledger, [clues]))
        whose.waiting = match.waiting.value.replace("-", " ") if match.waiting is not None else ""
        mine = [asked.ledger.who.patient(one.patient) for one in match.candidates]
        whose.foreign = any(not asked.who.sees_unit(one.unit) for one in mine)
        found = [Meant(patient=one, how=How.EXACTLY, likeness=1.0) for one in mine if asked.who.sees_unit(one.unit)]
    whose.candidates = tuple(_candidate(hit, compared(clues, hit.found.patient)) for hit in hits_of(asked, found))
    return whose


def _candidate(hit: Hit, compared: PatientCandidate) -> Candidate:
    from ledger.matching import Agreement

    said = {
        Agreement.SAME: "the same",
        Agreement.FULLER: "one has a further name",
        Agreement.NEAR: "nearly the same",
        Agreement.OTHER: "DIFFERENT",
        Agreement.UNKNOWN: "",
    }
    return Candidate(
        hit=hit,
        number=said[compared.identifier],
        name=said[compared.name],
        birth_date=said[compared.birth_date],
        against=Agreement.OTHER in (compared.identifier, compared.name, compared.birth_date),
    )


def _entries_rest_on(asked: Asked, stored: StoredReport) -> bool:
    from cli.report import became_of

    return stored.patient is not None and bool(became_of(asked.ledger, stored))


def _link(asked: Asked, stored: StoredReport) -> Response:
    """Says whose report it is, in the name of whoever is signed in; what speaks against it stays with it."""
    from cli.report import must_not_be_dismissed
    from ledger.receiving import by_person, clues_of
    from ledger.receiving import link as link_report
    from ledger.store.finding import near

    must_not_be_dismissed(stored)
    one = asked.may_see(asked.field("patient"))
    if stored.patient is not None and stored.patient != one.id and _entries_rest_on(asked, stored):
        raise WrongInput(
            f"Entries of {stored.patient} rest on this report.",
            "Record that it was about somebody else, with the entry “report moved”.",
        )
    text = asked.ledger.papers.text(stored.text_id) if stored.text_id else None
    clues = clues_of(stored, text)
    register = near(asked.ledger, [clues])
    if one.id not in {each.id for each in register.near(clues)}:
        register.put(one)
    link_report(asked.ledger, stored, one.id, by_person(asked.who.person, clues, register, one.id))
    asked.note("report link", patient=one.id, about=stored.id)
    narrowed = {name: value for name, value in _narrowed(asked.field).items() if value and name != "waits"}
    return asked.to(f"/report/{stored.id}", narrowed)


LARGEST_FILE = 64 * 1024 * 1024
"""Bytes of report files in one form; as much as is read of one file."""

PAGES = (
    Page("/reports", waiting_list, Right.LOOK, menu="Reports"),
    Page("/reports", bring_in, Right.CONFIRM, methods=("POST",), largest=LARGEST_FILE),
    Page("/report/{report}", show, Right.LOOK),
    Page("/report/{report}", decide, Right.CONFIRM, methods=("POST",)),
    Page("/report/{report}/original", original, Right.LOOK),
)
