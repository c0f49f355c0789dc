"""What each server was sent, and what became of it: remembered in the ledger's own database.

One row a server, type and identifier: the digest last accepted, where it lies there, its ETag, and its state. A row
says "in flight" before the request leaves, so a process that dies leaves a question and no duplicate. None of it is
part of the chain: it can be thrown away, and is then found again on the server by identifier.

One sender at a time a server: a lock that ends with the process that holds it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zlib import crc32

import orjson

from fhir_mapping.talking import Attempt
from ledger.errors import WrongInput
from ledger.store import Ledger
from ledger.store.who import number_of, patient_id

WAITING, IN_FLIGHT, ACCEPTED, REFUSED, HELD = "waiting", "in-flight", "accepted", "refused", "held"
STATES = (WAITING, IN_FLIGHT, ACCEPTED, REFUSED, HELD)

_TABLES = (
    """CREATE TABLE IF NOT EXISTS fhir_sent (
        org INTEGER NOT NULL, server TEXT NOT NULL, kind TEXT NOT NULL, value TEXT NOT NULL,
        patient BIGINT NOT NULL, state TEXT NOT NULL, digest TEXT, tried TEXT, location TEXT, etag TEXT,
        outcome TEXT, at TEXT NOT NULL,
        PRIMARY KEY (org, server, kind, value))""",
    """CREATE TABLE IF NOT EXISTS fhir_patients (
        org INTEGER NOT NULL, server TEXT NOT NULL, patient BIGINT NOT NULL,
        seen TEXT, address TEXT, state TEXT NOT NULL, reason TEXT, at TEXT NOT NULL,
        PRIMARY KEY (org, server, patient))""",
    """CREATE TABLE IF NOT EXISTS fhir_requests (
        org INTEGER NOT NULL, server TEXT NOT NULL, number BIGINT NOT NULL,
        at TEXT NOT NULL, method TEXT NOT NULL, asked TEXT NOT NULL, digest TEXT, status INTEGER, what TEXT NOT NULL,
        PRIMARY KEY (org, server, number))""",
    """CREATE TABLE IF NOT EXISTS fhir_servers (
        org INTEGER NOT NULL, server TEXT NOT NULL, url TEXT NOT NULL, types TEXT NOT NULL, at TEXT NOT NULL,
        PRIMARY KEY (org, server))""",
    "CREATE INDEX IF NOT EXISTS fhir_sent_of_patient ON fhir_sent (org, server, patient)",
)


@dataclass(frozen=True, kw_only=True)
class Sent:
    """What is remembered of one resource at one server. `digest` is of what it accepted, `tried` of the last try."""

    kind: str
    value: str
    patient: str
    state: str
    digest: str | None = None
    tried: str | None = None
    location: str | None = None
    etag: str | None = None
    outcome: str | None = None
    at: str = ""


@dataclass(frozen=True, kw_only=True)
class PatientThere:
    """How far a patient has come at one server. `seen` names the state of the history that was last sent in full."""

    patient: str
    state: str
    seen: str | None = None
    address: str | None = None
    reason: str | None = None
    at: str = ""


class Outbox:
    """The memory of one server, in one ledger."""

    def __init__(self, ledger: Ledger, server: str) -> None:
        self.ledger = ledger
        self.db = ledger.db
        self.key = (ledger.org, server)
        self.server = server
        with self.db.writing():
            for statement in _TABLES:
                self.db.execute(statement)

    # --- Resources ---

    def of_patient(self, patient: str) -> dict[tuple[str, str], Sent]:
        """Everything remembered of a patient's resources, by type and identifier value."""
        return {(one.kind, one.value): one for one in self._sent(" AND patient=?", (number_of(patient),))}

    def find(self, kind: str, value: str) -> Sent | None:
        """What is remembered of one resource, whosever it was when it was sent."""
        return next(self._sent(" AND kind=? AND value=?", (kind, value)), None)

    def with_state(self, *states: str) -> Iterator[Sent]:
        """Everything in one of these states, by patient."""
        places = ",".join("?" for _ in states)
        yield from self._sent(f" AND state IN ({places})", states)

    def _sent(self, more: str, values: Sequence[Any]) -> Iterator[Sent]:
        rows = self.db.execute(
            "SELECT kind, value, patient, state, digest, tried, location, etag, outcome, at FROM fhir_sent "
            f"WHERE org=? AND server=?{more} ORDER BY patient, kind, value",
            (*self.key, *values),
        ).fetchall()
        for kind, value, patient, state, digest, tried, location, etag, outcome, at in rows:
            yield Sent(
                kind=kind,
                value=value,
                patient=patient_id(patient),
                state=state,
                digest=digest,
                tried=tried,
                location=location,
                etag=etag,
                outcome=outcome,
                at=at,
            )

    def put(self, found: Sequence[Sent]) -> None:
        """Remembers how resources stand, in one transaction."""
        at = self._now()
        with self.db.writing():
            self.db.executemany(
                "INSERT INTO fhir_sent (org, server, kind, value, patient, state, digest, tried, location, etag, "
                "outcome, at) VALUES (?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (org, server, kind, value) DO UPDATE SET "
                "patient=excluded.patient, state=excluded.state, digest=excluded.digest, tried=excluded.tried, "
                "location=excluded.location, etag=excluded.etag, outcome=excluded.outcome, at=excluded.at",
                [
                    (
                        *self.key,
                        one.kind,
                        one.value,
                        number_of(one.patient),
                        one.state,
                        one.digest,
                        one.tried,
                        one.location,
                        one.etag,
                        one.outcome,
                        at,
                    )
                    for one in found
                ],
            )

    def counted(self) -> dict[str, int]:
        """How many resources are in each state."""
        rows = self.db.execute(
            "SELECT state, COUNT(*) FROM fhir_sent WHERE org=? AND server=? GROUP BY state", self.key
        ).fetchall()
        return dict(sorted(rows))

    def try_again(self) -> int:
        """Puts what was refused or held back to the waiting; says how many resources."""
        changed = [
            replace(one, state=WAITING, tried=None, outcome=None) for one in self.with_state(REFUSED, HELD, IN_FLIGHT)
        ]
        self.put(changed)
        with self.db.writing():
            self.db.execute(
                "UPDATE fhir_patients SET seen=NULL, state=?, reason=NULL WHERE org=? AND server=? AND state<>?",
                (WAITING, *self.key, ACCEPTED),
            )
        return len(changed)

    def forget_digests(self, found: Sequence[Sent]) -> None:
        """Lets resources go again with the next send, though they were accepted once."""
        self.put([replace(one, state=WAITING, digest="", tried=None) for one in found])
        with self.db.writing():
            for patient in sorted({number_of(one.patient) for one in found}):
                self.db.execute(
                    "UPDATE fhir_patients SET seen=NULL, state=? WHERE org=? AND server=? AND patient=?",
                    (WAITING, *self.key, patient),
                )

    # --- Patients ---

    def patient(self, patient: str) -> PatientThere | None:
        """How far a patient has come; None when they were never looked at for this server."""
        return next(self._patients(" AND patient=?", (number_of(patient),)), None)

    def patients(self) -> Iterator[PatientThere]:
        """How far every patient has come."""
        yield from self._patients("", ())

    def _patients(self, more: str, values: Sequence[Any]) -> Iterator[PatientThere]:
        rows = self.db.execute(
            f"SELECT patient, seen, address, state, reason, at FROM fhir_patients WHERE org=? AND server=?{more} "
            "ORDER BY patient",
            (*self.key, *values),
        ).fetchall()
        for patient, seen, address, state, reason, at in rows:
            yield PatientThere(
                patient=patient_id(patient), seen=seen, address=address, state=state, reason=reason, at=at
            )

    def put_patient(self, one: PatientThere) -> None:
        """Remembers how far a patient has come."""
        with self.db.writing():
            self.db.execute(
                "INSERT INTO fhir_patients (org, server, patient, seen, address, state, reason, at) "
                "VALUES (?,?,?,?,?,?,?,?) ON CONFLICT (org, server, patient) DO UPDATE SET seen=excluded.seen, "
                "address=excluded.address, state=excluded.state, reason=excluded.reason, at=excluded.at",
                (*self.key, number_of(one.patient), one.seen, one.address, one.state, one.reason, self._now()),
            )

    # --- What it takes ---

    def remember_types(self, url: str, types: Iterable[str]) -> None:
        """Remembers which types of resource are sent to the server at this address."""
        with self.db.writing():
            self.db.execute(
                "INSERT INTO fhir_servers (org, server, url, types, at) VALUES (?,?,?,?,?) "
                "ON CONFLICT (org, server) DO UPDATE SET url=excluded.url, types=excluded.types, at=excluded.at",
                (*self.key, url, " ".join(sorted(types)), self._now()),
            )

    def types(self, url: str) -> frozenset[str] | None:
        """Which types were sent to it when it was last asked; None when it was not asked yet at this address."""
        row = self.db.execute(
            "SELECT types FROM fhir_servers WHERE org=? AND server=? AND url=?", (*self.key, url)
        ).fetchone()
        return None if row is None else frozenset(row[0].split())

    # --- Requests ---

    def log(self, attempt: Attempt) -> None:
        """Puts a request on record."""
        with self.db.writing():
            row = self.db.execute(
                "SELECT COALESCE(MAX(number), 0) FROM fhir_requests WHERE org=? AND server=?", self.key
            ).fetchone()
            self.db.execute(
                "INSERT INTO fhir_requests (org, server, number, at, method, asked, digest, status, what) "
                "VALUES (?,?,?,?,?,?,?,?,?)",
                (
                    *self.key,
                    row[0] + 1,
                    attempt.at,
                    attempt.method,
                    attempt.where,
                    attempt.digest,
                    attempt.status,
                    attempt.what,
                ),
            )

    def requests(self, last: int = 50) -> list[Attempt]:
        """The last requests, oldest first."""
        rows = self.db.execute(
            "SELECT at, method, asked, digest, status, what FROM fhir_requests WHERE org=? AND server=? "
            "ORDER BY number DESC LIMIT ?",
            (*self.key, last),
        ).fetchall()
        return [Attempt(*row) for row in reversed(rows)]

    def _now(self) -> str:
        from ledger.dates import instant_text

        return instant_text(self.ledger.clock())

    # --- One at a time ---

    @contextmanager
    def alone(self) -> Iterator[None]:
        """Holds the lock of this server. Raises WrongInput when another process sends to it just now."""
        if self.db.is_postgres:
            number = crc32(f"access-ledger fhir {self.key[0]} {self.server}".encode())
            got = self.db.execute("SELECT pg_try_advisory_lock(?, ?)", (7351, number - 2**31)).fetchone()[0]
            if not got:
                raise self._busy()
            try:
                yield
            finally:
                self.db.execute("SELECT pg_advisory_unlock(?, ?)", (7351, number - 2**31))
            return
        row = self.db.execute("PRAGMA database_list").fetchone()
        if not row or not row[2]:  # In memory: nobody else can be there.
            yield
            return
        file = Path(f"{row[2]}.fhir-{crc32(self.server.encode()):08x}.lock")
        with _locked(file) as got:
            if not got:
                raise self._busy()
            yield

    def _busy(self) -> WrongInput:
        return WrongInput(
            f"Another process is sending to {self.server} from this ledger.",
            "Wait until it has ended; two senders at a time could make duplicates.",
        )


def forget_words(ledger: Ledger, patient: str) -> None:
    """Empties what servers answered about a patient: a refusal that is kept whole may hold their words."""
    with ledger.db.writing():
        for statement in _TABLES:
            ledger.db.execute(statement)
        ledger.db.execute(
            "UPDATE fhir_sent SET outcome=NULL WHERE org=? AND patient=? AND outcome IS NOT NULL",
            (ledger.org, number_of(patient)),
        )


@contextmanager
def _locked(file: Path) -> Iterator[bool]:
    """An exclusive lock on a file, which the system takes back when the process ends."""
    import os

    handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            import fcntl
        except ImportError:  # Windows; the core is written to run there and said to be untried.
            import msvcrt

            try:
                msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
            except OSError:
                yield False
                return
            yield True
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            yield False
            return
        yield True
    finally:
        os.close(handle)


def outcome_text(body: Any) -> str:
    """A server's OperationOutcome, kept whole."""
    return orjson.dumps(body, default=str).decode("utf-8")
