"""Rebuild, backup, and erasing what the law asks to erase.

Read models are functions of the entries, so `rebuild` makes them anew, equal to the
byte. Erasing takes names, numbers and words out of the tables that hold them and out of
the file's free pages and journal; the entries stay, and the chain verifies.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import delete, update

from ledger.chronology import History
from ledger.dates import instant_text
from ledger.entries import Entry, genesis
from ledger.errors import NotTrusted, WrongInput
from ledger.events import PatientsAreOne
from ledger.store import schema
from ledger.store.database import raw_bytes
from ledger.store.ledger import PUT_OWNER, Ledger, read_model, trusted
from ledger.store.who import number_of, patient_id

BATCH = 2000

AUDIT_LOCK = 7204931150414
"""PostgreSQL's lock for whoever writes to the audit."""


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
    with db.writing():
        zones = {
            number: ledger.who.zones.get(unit or "", ledger.zone)
            for number, unit in db.execute("SELECT number, unit FROM patients WHERE org=?", (ledger.org,)).fetchall()
        }
        # Owners that no longer are one; a row that a writer adds meanwhile is not among them.
        gone: dict[str, int] = dict(
            db.execute("SELECT access, patient FROM access_owners WHERE org=?", (ledger.org,)).fetchall()
        )
        models: list[tuple[int, None, str | None, bytes, int, int, int]] = []
        kept = _ModelsKept(ledger)
        owners: list[tuple[int, str, int]] = []
        survivors: list[int] = []
        patients = entries = accesses = 0

        def flush() -> None:
            # In PostgreSQL others write meanwhile: a stream that has moved on has its newer read model already.
            db.executemany(
                "UPDATE streams SET doubts=?, joined_to=?, joins=?, accesses=? WHERE org=? AND stream=? AND version=?",
                models,
            )
            db.executemany(PUT_OWNER, owners)
            models.clear()
            owners.clear()

        for stream, found in streams_of(ledger):
            entries += len(found)
            if stream % 2:
                continue  # Sessions are not in the read models, but their chain was verified as well.
            number = stream // 2
            zone = zones.get(number, ledger.zone)
            history = History(patient=patient_id(number), zone=zone, entries=tuple(found))
            model = read_model(history, None)
            if not history.facts_alone and any(isinstance(entry.event, PatientsAreOne) for entry in found):
                survivors.append(number)
            # What stands there already is not written again: writing takes as long as making it.
            if kept.of(stream) != (len(found), model.doubts, None, None, model.accesses):
                models.append((model.doubts, None, None, model.accesses, ledger.org, stream, len(found)))
            for access in model.owned:
                if gone.pop(access, None) != number:
                    owners.append((ledger.org, access, number))
            patients += 1
            accesses += len(model.owned)
            if patients % BATCH == 0:
                flush()
                if progress is not None:
                    progress(entries)
        flush()
        db.executemany(
            "DELETE FROM access_owners WHERE org=? AND access=? AND patient=?",
            [(ledger.org, access, number) for access, number in gone.items()],
        )
        for number in survivors:
            ledger.renew_joined(number)
    return Rebuilt(patients=patients, entries=entries, accesses=accesses)


class _ModelsKept:
    """The read models that stand in the ledger, asked for in order of their streams; bounded in memory."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._models: dict[int, tuple[int, int | None, int | None, str | None, bytes | None]] = {}

    def of(self, stream: int) -> tuple[int, int | None, int | None, str | None, bytes | None] | None:
        """Version, doubts, joined to, joins and rows of a stream; None where it has no row of its own."""
        if stream not in self._models:
            rows = self._ledger.db.execute(
                "SELECT stream, version, doubts, joined_to, joins, accesses FROM streams WHERE org=? AND stream>=? "
                "ORDER BY stream LIMIT ?",
                (self._ledger.org, stream, BATCH),
            ).fetchall()
            self._models = {
                row[0]: (row[1], row[2], row[3], row[4], None if row[5] is None else raw_bytes(row[5])) for row in rows
            }
        return self._models.get(stream)


def streams_of(ledger: Ledger) -> Iterable[tuple[int, list[Entry]]]:
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
    note_all(ledger, [Noted(instant_text(ledger.clock()), person, did, patient, about)])


class Noted(NamedTuple):
    """A line of the audit that is to be written: when, who, what, of whom."""

    at: str
    person: str | None
    did: str
    patient: str | None = None
    about: str | None = None


def note_all(ledger: Ledger, lines: Sequence[Noted]) -> None:
    """Adds lines to the audit in one transaction."""
    with ledger.db.writing():
        if ledger.db.is_postgres:
            # Two who write at once would take the same number; they wait for each other until the transaction ends.
            ledger.db.execute("SELECT pg_advisory_xact_lock(?)", (AUDIT_LOCK,))
        newest = ledger.db.execute("SELECT MAX(number) FROM audit WHERE org=?", (ledger.org,)).fetchone()[0]
        ledger.db.executemany(
            "INSERT INTO audit (org, number, at, person, did, patient, about) VALUES (?,?,?,?,?,?,?)",
            [
                (ledger.org, number, one.at, one.person, one.did, one.patient and number_of(one.patient), one.about)
                for number, one in enumerate(lines, (newest or 0) + 1)
            ],
        )


def restore_backup(backup_file: Path, to: Path) -> None:
    """Copies a backup to a new place, private to its owner, and opens and verifies it there. The backup is only read.

    Raises WrongInput for a file that is no ledger or a place that is taken, NotTrusted when the backup does not
    verify; then nothing is left at the new place.
    """
    from ledger.store.ledger import open_ledger
    from ledger.store.trust import verify

    if to.exists():
        raise WrongInput(f"{to} is already there.", "Name a new place for the restored ledger with --ledger.")
    if not backup_file.is_file():
        raise WrongInput(f"There is no file {backup_file}.", "Name a file that `access-ledger backup` wrote.")
    part = to.with_name(to.name + ".part")
    part.unlink(missing_ok=True)
    to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    try:
        source = sqlite3.connect(f"{backup_file.resolve().as_uri()}?mode=ro", uri=True)
        copy = sqlite3.connect(part)
        try:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode=DELETE")
        except sqlite3.DatabaseError:
            raise WrongInput(
                f"{backup_file} is not a ledger, or is damaged.", "Name a file that `access-ledger backup` wrote."
            ) from None
        finally:
            copy.close()
            source.close()
        with open_ledger(part) as ledger:
            found = verify(ledger)
            ledger.db.cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            ledger.db.cursor.fetchall()
        if not found.is_trusted:
            raise NotTrusted(
                f"The backup is not as it was written: {found.wrong[0].words}. Nothing was restored.",
                "Use another backup.",
            )
        part.replace(to)
    finally:
        for left in (part, part.with_name(part.name + "-wal"), part.with_name(part.name + "-shm")):
            left.unlink(missing_ok=True)
