"""From bytes that came in to reports that are kept, read, and linked to a patient where that is beyond doubt.

`opened_up` is a function of the bytes, so it may run in many processes; `receive` keeps
what it gives, one transaction a file, so that what was said to be kept is kept. Keeping
a file again adds nothing, and links to a patient what waited for one and can now be told.

Nothing here makes an entry: that takes a person (`ledger.confirming`). Nothing is lost:
the bytes of what could not be read are kept as well, beside the reason.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from typing import TYPE_CHECKING, Any

from ledger.dates import PartialDate
from ledger.errors import Doubt

if TYPE_CHECKING:
    from ledger.arrival import Arrived, ArrivedReport, Desk, Envelope, PatientClues
    from ledger.matching import PatientMatch, Register
    from ledger.reading.proposals import Reading
    from ledger.store import Ledger
    from ledger.store.papers import StoredReport

WAITS_FOR_PATIENT = "patient"
WAITS_FOR_PERSON = "confirming"


@dataclass(frozen=True, kw_only=True)
class OpenedUp:
    """A file that was opened: its bytes, what it held, and the reading of each report, in their order."""

    original: bytes
    file_name: str | None
    arrived: Arrived
    readings: tuple[Reading, ...]


@dataclass(frozen=True, kw_only=True)
class Received:
    """What became of one report of a file, or of a file that could not be read.

    `outcome` is `stored`, `linked` (kept before, now with a patient), `already`, `dismissed` (kept before, and set
    aside by a person) or `unreadable`. `problem`, `remedy` and `code` say why something could not be read. `waiting`
    says why no patient was taken, `candidates` who could be meant; `doubts` are about the match.
    """

    outcome: str
    report: str | None
    part: int
    patient: str | None = None
    proposed: int = 0
    plain: int = 0
    waiting: str | None = None
    candidates: tuple[str, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    code: str | None = None
    problem: str | None = None
    remedy: str | None = None


def opened_up(
    original: bytes,
    file_name: str | None = None,
    *,
    day: PartialDate | None = None,
    desk: Desk | None = None,
    mappings: Sequence[bytes] = (),
) -> OpenedUp:
    """The reports that a file holds, each of them read. `day` is when it was done, for texts that do not say so.

    `mappings` are column mappings that were kept; a sheet is read with the one that knows most of its headings.
    Never raises for what is in the file.
    """
    from ledger.arrival import Why, arrive
    from ledger.reading.reader import read_report

    arrived = desk.arrive(original, file_name) if desk is not None else arrive(original, file_name)
    if any(bad.code is Why.MAPPING_MISSING for bad in arrived.unreadable):
        mapping = fitting_mapping(arrived.headings, mappings)
        if mapping is not None:
            arrived = arrive(original, file_name, columns=mapping)
    if day is not None:
        parts = tuple(replace(part, envelope=replace(part.envelope, performed=day)) for part in arrived.parts)
        arrived = replace(arrived, parts=parts)
    readings = tuple(read_report(part.text, part.envelope) for part in arrived.parts)
    return OpenedUp(original=original, file_name=file_name, arrived=arrived, readings=readings)


def receive(
    ledger: Ledger, opened: OpenedUp, register: Register, *, patient: str | None = None, person: str | None = None
) -> list[Received]:
    """Keeps what a file held, in one transaction. With `patient`, `person` says that it is about them.

    A file that could not be read and that a person set aside adds nothing when it comes again.
    """
    from ledger.dismissing import dismissal_of

    with ledger.db.writing():
        known = {report.part: report for report in ledger.papers.known(opened.original)}
        if 0 in known and dismissal_of(known[0]) is not None:
            return [_set_aside(known[0])]
        found = []
        for part, reading in zip(opened.arrived.parts, opened.readings, strict=True):
            stored = known.get(part.part)
            if stored is not None and stored.state != "unreadable":
                found.append(_again(ledger, stored, register, patient, person))
            else:
                found.append(_kept(ledger, opened, part, reading, register, patient, person))
        for bad in opened.arrived.unreadable:
            number = bad.part or 0
            stored = known.get(number)
            if stored is None:
                stored, _ = ledger.papers.keep_report(
                    opened.original,
                    None,
                    part=number,
                    patient=patient,
                    file_name=opened.file_name,
                    state="unreadable",
                    waits_for=bad.problem,
                )
            elif dismissal_of(stored) is not None:
                found.append(_set_aside(stored))
                continue
            found.append(
                Received(
                    outcome="unreadable",
                    report=stored.id,
                    part=number,
                    code=bad.code.value,
                    problem=bad.problem,
                    remedy=bad.remedy,
                )
            )
        if opened.arrived.parts and (whole := known.get(0)) is not None and whole.state == "unreadable":
            # What could not be read before can be read now: the note that it could not has had its time.
            ledger.papers.change(whole.id, state="dismissed", waits_for=None)
    return sorted(found, key=lambda one: one.part)


def received_before(
    ledger: Ledger, original: bytes, register: Register, *, patient: str | None = None, person: str | None = None
) -> list[Received] | None:
    """What became of a file that is kept already, every report of it read; None for any other.

    A report that waits for its patient is linked now, if it can be; one that a person set aside stays so.
    """
    from ledger.dismissing import dismissal_of

    known = ledger.papers.known(original)
    whole = next((report for report in known if not report.part and dismissal_of(report) is not None), None)
    if whole is not None:
        return [_set_aside(whole)]
    parts = [report for report in known if report.state != "unreadable" and report.part]
    if not parts or any(report.state == "unreadable" for report in known):
        return None
    with ledger.db.writing():
        return [_again(ledger, report, register, patient, person) for report in parts]


def _kept(
    ledger: Ledger,
    opened: OpenedUp,
    part: ArrivedReport,
    reading: Reading,
    register: Register,
    patient: str | None,
    person: str | None,
) -> Received:
    match = _match(part.clues, register)
    owner, linked, doubts = _owner(match, part.clues, register, patient, person)
    envelope = {
        "envelope": _plain(part.envelope),
        "clues": _plain(part.clues),
        "hints": _plain(part.hints),
        "linked": linked,
    }
    report, _ = ledger.papers.keep_report(
        opened.original,
        part.text,
        part=part.part,
        patient=owner,
        file_name=opened.file_name,
        media_type=part.media_type,
        envelope=envelope,
    )
    if report.state == "unreadable":
        ledger.papers.change(report.id, state="waiting", envelope=envelope)
    proposed = reading.to_json()
    proposed.pop("not_understood")
    ledger.papers.change(
        report.id,
        reader=reading.reader,
        proposed=proposed,
        waits_for=WAITS_FOR_PERSON if owner is not None else WAITS_FOR_PATIENT,
    )
    return _received("stored", report.id, part.part, owner, match, doubts, proposed)


def _again(
    ledger: Ledger, stored: StoredReport, register: Register, patient: str | None, person: str | None
) -> Received:
    """A report that was kept before: nothing is added, but one that waited for its patient may now find them."""
    from ledger.dismissing import dismissal_of

    if dismissal_of(stored) is not None:
        return _set_aside(stored)
    proposed = stored.proposed or {}
    if stored.patient is not None or stored.state != "waiting":
        return Received(
            outcome="already",
            report=stored.id,
            part=stored.part,
            patient=stored.patient,
            proposed=_how_many(proposed),
            plain=_how_many(proposed, plain=True),
        )
    clues = clues_of(stored, ledger.papers.text(stored.text_id) if stored.text_id else None)
    match = _match(clues, register)
    owner, linked, doubts = _owner(match, clues, register, patient, person)
    if owner is not None:
        link(ledger, stored, owner, linked)
    return _received("already" if owner is None else "linked", stored.id, stored.part, owner, match, doubts, proposed)


def _set_aside(stored: StoredReport) -> Received:
    proposed = stored.proposed or {}
    return Received(
        outcome="dismissed",
        report=stored.id,
        part=stored.part,
        patient=stored.patient,
        proposed=_how_many(proposed),
        plain=_how_many(proposed, plain=True),
    )


def link(ledger: Ledger, report: StoredReport, patient: str, linked: Mapping[str, Any]) -> None:
    """Says whose report this is, and how that is known."""
    with ledger.db.writing():
        ledger.papers.link(report.id, patient)
        ledger.papers.change(
            report.id, envelope={**report.envelope, "linked": dict(linked)}, waits_for=WAITS_FOR_PERSON
        )


def by_person(person: str, clues: PatientClues | None, register: Register | None, patient: str) -> dict[str, Any]:
    """The note that a person said whose report this is, with what in the report speaks against it."""
    return {"by": "person", "person": person, "doubts": _against(clues, register, patient)}


def _owner(
    match: PatientMatch, clues: PatientClues, register: Register, patient: str | None, person: str | None
) -> tuple[str | None, dict[str, Any], tuple[Doubt, ...]]:
    if patient is not None:
        assert person is not None, "whoever says whose report this is has a name"
        linked = by_person(person, clues, register, patient)
        doubts = tuple(Doubt(code=code, words=words) for code, words in linked["doubts"])
        return patient, linked, doubts
    if match.patient is None:
        return None, {}, match.doubts
    assert match.by is not None
    linked = {"by": match.by.value, "doubts": [[doubt.code, doubt.words] for doubt in match.doubts]}
    return match.patient, linked, match.doubts


def _against(clues: PatientClues | None, register: Register | None, patient: str) -> list[list[str]]:
    """What in a report speaks against the patient whom a person named: shown, and left out of anything in bulk."""
    from ledger.matching import Agreement, Waiting

    if clues is None or clues.is_empty or register is None:
        return []
    match = _match(clues, register)
    if match.patient is not None and match.patient != patient:
        words = "What the report says about its patient fits another one better; look whose it is."
        return [["fits-another-patient", words]]
    mine = next((one for one in match.candidates if one.patient == patient), None)
    if mine is not None and Agreement.OTHER in (mine.name, mine.birth_date, mine.identifier):
        words = f"The report disagrees with the record of its patient: {mine.words}."
        return [["disagrees-with-patient", words]]
    if mine is None and match.waiting in (Waiting.NOBODY, Waiting.CONFLICT, Waiting.SEVERAL):
        words = "Neither number nor name nor birth date in the report is that of its patient; look whose it is."
        return [["names-nobody-here", words]]
    return []


def _match(clues: PatientClues, register: Register) -> PatientMatch:
    from ledger.matching import match_patient

    return match_patient(clues, register)


def _received(
    outcome: str,
    report: str,
    part: int,
    owner: str | None,
    match: PatientMatch,
    doubts: tuple[Doubt, ...],
    proposed: Mapping[str, Any],
) -> Received:
    return Received(
        outcome=outcome,
        report=report,
        part=part,
        patient=owner,
        waiting=None if owner is not None or match.waiting is None else match.waiting.value,
        candidates=() if owner is not None else tuple(one.patient for one in match.candidates),
        doubts=doubts,
        proposed=_how_many(proposed),
        plain=_how_many(proposed, plain=True),
    )


def _how_many(proposed: Mapping[str, Any], *, plain: bool = False) -> int:
    return sum(1 for one in proposed.get("proposed", ()) if one.get("plain") or not plain)


# --- Envelope and clues, kept as JSON -----------------------------------------------------------------------------


def clues_of(report: StoredReport, text: str | None) -> PatientClues:
    """What a kept report says about its patient: as it arrived, else from its text."""
    from ledger.arrival.headers import clues_in
    from ledger.arrival.values import (
        BirthDateClue,
        IdentifierClue,
        NameClue,
        PatientClues,
    )

    kept = report.envelope.get("clues")
    if kept is None:
        return clues_in(text) if text else PatientClues()
    return PatientClues(
        identifiers=tuple(IdentifierClue(**_with_span(one)) for one in kept.get("identifiers", ())),
        names=tuple(NameClue(**_with_span(one)) for one in kept.get("names", ())),
        birth_dates=tuple(
            BirthDateClue(**{**_with_span(one), "readings": tuple(PartialDate(reading) for reading in one["readings"])})
            for one in kept.get("birth_dates", ())
        ),
        sex=kept.get("sex"),
        doubts=tuple(Doubt(**{**one, "about": tuple(one.get("about", ()))}) for one in kept.get("doubts", ())),
    )


def envelope_of(report: StoredReport, text: str | None) -> Envelope:
    """What a kept report says about itself, for reading it again."""
    from ledger.arrival.headers import envelope_in
    from ledger.arrival.values import DocumentStatus, Envelope, Form

    kept = report.envelope.get("envelope")
    if kept is None:
        return envelope_in(text, Form.PLAIN) if text else Envelope()
    values = dict(kept)
    for name in ("performed", "dated", "received", "file_dated"):
        if name in values:
            values[name] = PartialDate(values[name])
    if "status" in values:
        values["status"] = DocumentStatus(values["status"])
    values["form"] = Form(values.get("form", Form.PLAIN.value))
    values["supersedes"] = tuple(values.get("supersedes", ()))
    values["doubts"] = tuple(Doubt(**{**one, "about": tuple(one.get("about", ()))}) for one in values.get("doubts", ()))
    return Envelope(**values)


def _with_span(one: Mapping[str, Any]) -> dict[str, Any]:
    from ledger.arrival.values import Span

    span = one.get("span")
    return {**one, "span": None if span is None else Span(**span)}


def _plain(value: Any) -> Any:
    """A value of arrival as JSON, without what is None or empty."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, str | int | float | bool):
        return value
    if isinstance(value, tuple):
        return [_plain(one) for one in value]
    return {name: _plain(one) for name, one in vars(value).items() if one is not None and one != ()}


# --- What the columns of a sheet are for --------------------------------------------------------------------------


def keep_mapping(ledger: Ledger, saved: bytes) -> str:
    """Keeps a column mapping in the ledger, in the place of one of the same name; gives its name. Raises WrongInput."""
    from ledger.arrival.sheets import ColumnMapping

    mapping = ColumnMapping.from_json(saved)
    with ledger.db.writing():
        ledger.db.execute(
            "INSERT INTO meta (key, value) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET value=excluded.value",
            (f"columns:{ledger.org}:{mapping.name}", mapping.to_json().decode("utf-8")),
        )
    return mapping.name


def kept_mappings(ledger: Ledger) -> list[bytes]:
    """The column mappings that were kept, by name."""
    rows = ledger.db.execute(
        "SELECT value FROM meta WHERE key LIKE ? ORDER BY key", (f"columns:{ledger.org}:%",)
    ).fetchall()
    return [value.encode("utf-8") for (value,) in rows]


def fitting_mapping(headings: Sequence[str], mappings: Iterable[bytes]) -> bytes | None:
    """The mapping all of whose headings the sheet has; of several the one that knows most of them."""
    from ledger.arrival.sheets import ColumnMapping, heading_key

    there = {heading_key(heading) for heading in headings}
    best, most = None, 0
    for saved in mappings:
        known = {heading_key(column.heading) for column in ColumnMapping.from_json(saved).columns}
        if known <= there and len(known) > most:
            best, most = saved, len(known)
    return best
