"""Histories for tests, made of facts: ids, versions and times of recording follow from the order, never from a clock.

The people, units and patients are invented. `a_history(*events)` gives a history in which every event was recorded one
minute after the one before it; `grown` adds more to one that is there, so that a test can correct or retract by id.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from ledger.chronology import History
from ledger.dates import PartialDate, instant_text
from ledger.entries import NO_EVIDENCE, Draft, Entry, Signature, entry_id_of, validated
from ledger.events import SESSION_KINDS, Event
from ledger.evidence import Evidence
from ledger.people import Identifier, Patient
from ledger.vocabulary import ConfirmedHow

ORGANISATION = UUID("6f0c3a52-5d4e-4d0a-9a55-0f7d6f3f3c11")
ZONE = ZoneInfo("Europe/Berlin")
NURSE = "N1"
FIRST_RECORDED = "2025-01-06T08:00:00+00:00"

PATIENT = Patient(
    id="P0001",
    name="Invented Patient",
    birth_date=PartialDate("1958-07"),
    sex="female",
    identifiers=(Identifier(system="https://invented.example/mrn", value="MRN-0001"),),
    unit="U1",
    invented=True,
)


def happening(kind: str, happened: str, **fields: Any) -> Event:
    """An event of plain JSON values, checked at the border: `happening("creation", "2019-03", access="A1", …)`."""
    return validated({"kind": kind, "happened": happened, **fields})


def an_entry(
    event: Event,
    version: int,
    *,
    patient: str = PATIENT.id,
    recorded_at: str | None = None,
    by: str = NURSE,
    how: ConfirmedHow = ConfirmedHow.CLAIMED,
    evidence: Evidence = NO_EVIDENCE,
    source: str | None = None,
    session: bool | None = None,
    id: str | None = None,
) -> Entry:
    """One entry; its id is made as the ledger makes it, of a source that says which version it is."""
    source = source or f"hand-{version}"
    if recorded_at is None:
        recorded_at = instant_text(datetime.fromisoformat(FIRST_RECORDED) + timedelta(minutes=version))
    return Entry(
        id=id or entry_id_of(ORGANISATION, patient, Draft(event=event, source=source)),
        event=event,
        version=version,
        recorded_at=recorded_at,
        recorded_by=Signature(person=by, how=how),
        source=source,
        evidence=evidence,
        session=event.kind in SESSION_KINDS if session is None else session,
    )


def a_history(
    *events: Event | Entry,
    patient: str = PATIENT.id,
    zone: ZoneInfo = ZONE,
    by: str = NURSE,
    evidence: Evidence = NO_EVIDENCE,
) -> History:
    """The history in which these events were recorded in this order. An entry among them keeps what it holds."""
    return grown(History(patient=patient, zone=zone, entries=()), *events, by=by, evidence=evidence)


def grown(history: History, *events: Event | Entry, by: str = NURSE, evidence: Evidence = NO_EVIDENCE) -> History:
    """The same history with more recorded in it."""
    entries = list(history.entries)
    for event in events:
        if isinstance(event, Entry):
            entries.append(event)
        else:
            made = an_entry(
                event,
                len(entries) + 1,
                patient=history.patient,
                by=by,
                evidence=evidence,
                session=lies_in_sessions(event, entries),
            )
            entries.append(made)
    return replace(history, entries=tuple(entries))


def lies_in_sessions(event: Event, entries: Sequence[Entry]) -> bool:
    """Whether an event belongs to the stream of sessions: a session, or what is said about one."""
    about = getattr(event, "corrects", None) or getattr(event, "retracts", None)
    for entry in entries:
        if entry.id == about:
            return entry.session
    return event.kind in SESSION_KINDS


def corrected(history: History, entry_id: str, to: Event, **fields: Any) -> History:
    """The same history in which an entry was corrected."""
    from ledger.entries import event_to_dict
    from ledger.events import Correction

    named = history.entry(entry_id)
    assert named is not None
    root = named.event.root if isinstance(named.event, Correction) else named.id
    event = happening("correction", str(to.happened), corrects=entry_id, root=root, to=event_to_dict(to), **fields)
    return grown(history, event)


def retracted(history: History, entry_id: str, happened: str = "2025-02-01", **fields: Any) -> History:
    """The same history in which an entry was retracted."""
    return grown(history, happening("retraction", happened, retracts=entry_id, **fields))
