"""Rebuild, backup, and erasing what the law asks to erase.

Read models are functions of the entries, so `rebuild` makes them anew, equal to the
byte. Erasing takes names, numbers and words out of the tables that hold them and out of
the file's free pages and journal; the entries stay, and the chain verifies.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import delete, update

from ledger.chronology import History
from ledger.dates import instant_text
from ledger.entries import Entry, genesis
from ledger.errors import WrongInput
from ledger.events import PatientsAreOne
from ledger.store import schema
from ledger.store.ledger import (
    INSERT_ACCESS_ROW,
    INSERT_PATIENT_ROW,
    AccessRowValues,
    Ledger,
    PatientRowValues,
    read_models,
    trusted,
)
from ledger.store.who import number_of, patient_id

BATCH = 2000


@dataclass(frozen=True, kw_only=True)
class Rebuilt:
    """What a rebuild read and wrote."""

    patients: int
    entries: int
    accesses: int


def rebuild(ledger: Ledger, *, progress: Callable[[int], None] | None = None) -> Rebuilt:
    """Makes the read models anew from the entries, verified on the way. Raises NotTrusted when the chain is broken.

    Runs in one write transaction: whoever reads meanwhile sees the old ones.
    """
    db = ledger.db
    units: dict[int, str | None] = {}
    with db.writing():
        for number, unit in db.execute("SELECT number, unit FROM patients WHERE org=?", (ledger.org,)).fetchall():
            units[number] = unit
        db.execute("DELETE FROM access_rows WHERE org=?", (ledger.org,))
        db.execute("DELETE FROM patient_rows WHERE org=?", (ledger.org,))
        access_rows: list[AccessRowValues] = []
        patient_rows: list[PatientRowValues] = []
        survivors: list[int] = []
        patients = entries = accesses = 0
        for stream, found in _streams(ledger):
            if stream % 2:
                # Sessions are not in the read models, but their chain is verified as well.
                entries += len(found)
                continue
            number = stream // 2
            if any(isinstance(entry.event, PatientsAreOne) for entry in found):
                survivors.append(number)
            zone = ledger.who.zones.get(units.get(number) or "", ledger.zone)
            history = History(patient=patient_id(number), zone=zone, entries=tuple(found))
            rows, row = read_models(history, units.get(number), ledger.org, number, None)
            access_rows.extend(rows)
            patient_rows.append(row)
            patients += 1
            entries += len(found)
            accesses += len(rows)
            if len(patient_rows) >= BATCH:
                _flush(db, access_rows, patient_rows)
                if progress is not None:
                    progress(entries)
        _flush(db, access_rows, patient_rows)
        for number in survivors:
            ledger._write_rows(number, ledger._history(number, sessions=False))
    return Rebuilt(patients=patients, entries=entries, accesses=accesses)


def _flush(db: Any, access_rows: list[AccessRowValues], patient_rows: list[PatientRowValues]) -> None:
    db.executemany(INSERT_ACCESS_ROW, access_rows)
    db.executemany(INSERT_PATIENT_ROW, patient_rows)
    access_rows.clear()
    patient_rows.clear()


def _streams(ledger: Ledger) -> Iterable[tuple[int, list[Entry]]]:
    """Every stream with its entries, verified, in order of the streams, in bounded memory."""
    cursor = ledger.db.streaming_cursor()
    cursor.execute(
        ledger.db.sql("SELECT stream, version, body, hash FROM entries WHERE org=? ORDER BY stream, version"),
        (ledger.org,),
    )
    current = -1
    rows: list[tuple[int, bytes, bytes]] = []
    try:
        while batch := cursor.fetchmany(BATCH):
            for stream, version, body, digest in batch:
                if stream != current:
                    if rows:
                        yield current, trusted(rows, genesis(ledger.uuid, current), current)
                    current, rows = stream, []
                rows.append((version, body, digest))
        if rows:
            yield current, trusted(rows, genesis(ledger.uuid, current), current)
    finally:
        cursor.close()


def backup(ledger: Ledger, to: Path) -> None:
    """Copies a SQLite ledger while it is in use, to a new file private to its owner.

    Raises WrongInput for PostgreSQL, which has tools of its own for that, and for a file that is there.
    """
    if ledger.db.is_postgres:
        raise WrongInput(
            "A ledger in PostgreSQL is backed up with PostgreSQL's own tools.",
            "Use pg_dump or base backups, or `access-ledger entries dump`.",
        )
    if to.exists():
        raise WrongInput(f"{to} is already there.", "Give the backup a new name.")
    os.close(os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    copy = sqlite3.connect(to)
    try:
        ledger.db.raw.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")
    finally:
        copy.close()


def erase(ledger: Ledger, patient: str) -> int:
    """Erases who a patient is and every word kept about them; returns how many texts were emptied.

    Their entries stay: codes, dates and numbers under an id that no longer says whose they are. Copies made
    earlier (backups, dumps, what was sent to other systems) are not reached, and have to be erased where they are.
    """
    number = number_of(patient)
    ledger.who.patient(patient)
    p, i, t, r, o = schema.patients, schema.identifiers, schema.texts, schema.reports, schema.originals
    core = ledger.db.core
    with ledger.db.writing():
        core.execute(
            update(p)
            .where(p.c.org == ledger.org, p.c.number == number)
            .values(name=None, name_key=None, birth_date=None, sex=None, erased=1)
        )
        core.execute(delete(i).where(i.c.org == ledger.org, i.c.patient == number))
        emptied = core.execute(
            update(t)
            .where(t.c.org == ledger.org, t.c.patient == number, t.c.words.is_not(None))
            .values(words=None, salt=None, digest=None)
        ).rowcount
        digests = [
            row[0]
            for row in ledger.db.execute(
                "SELECT digest FROM reports WHERE org=? AND patient=?", (ledger.org, number)
            ).fetchall()
        ]
        core.execute(
            update(r)
            .where(r.c.org == ledger.org, r.c.patient == number)
            .values(file_name=None, envelope="{}", proposed=None, salt=None, waits_for=None)
        )
        for digest in digests:
            # The bytes may name this person, whoever else is in them, so they go. The others' texts stay.
            core.execute(
                update(o).where(o.c.org == ledger.org, o.c.digest == digest).values(body=None, media_type=None)
            )
        ledger.papers.forget()
    if ledger.db.is_postgres:
        for table in ("patients", "identifiers", "texts", "reports", "originals"):
            ledger.db.cursor.execute(f"VACUUM FULL {table}")
    else:
        # Secure delete has overwritten the pages; the journal may still hold what they were.
        ledger.db.cursor.execute("VACUUM")
        ledger.db.cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        ledger.db.cursor.fetchall()
    return int(emptied)


def note(ledger: Ledger, did: str, *, person: str | None, patient: str | None = None, about: str | None = None) -> None:
    """Adds a line to the audit: who did or looked at what. Ids only."""
    with ledger.db.writing():
        newest = ledger.db.execute("SELECT MAX(number) FROM audit WHERE org=?", (ledger.org,)).fetchone()[0]
        ledger.db.execute(
            "INSERT INTO audit (org, number, at, person, did, patient, about) VALUES (?,?,?,?,?,?,?)",
            (
                ledger.org,
                (newest or 0) + 1,
                instant_text(ledger.clock()),
                person,
                did,
                None if patient is None else number_of(patient),
                about,
            ),
        )
