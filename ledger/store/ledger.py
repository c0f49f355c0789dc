"""The ledger as its users hold it: open, look at a history, append.

An append states the version that it saw. Ids make it idempotent: an entry whose id is
already in the stream is not added again. What admission refuses is never dropped: the
caller gets it back with its reason. Read models are written in the same transaction.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path
from typing import NamedTuple
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlalchemy import select

from ledger.admission import Gate, Refusal, doubts_of
from ledger.chronology import History
from ledger.dates import instant_text
from ledger.entries import Draft, Entry, Signature, chained, decode, encode, entry_id_of, entry_made, genesis
from ledger.errors import Doubt, LedgerError, NotFound, NotTrusted, Refused, StaleHistory
from ledger.events import FACT_KINDS, SESSION_KINDS, PatientsAreOne
from ledger.projections.kept_rows import NO_ROWS, accesses_kept, are_of
from ledger.projections.rows import AccessRow, rows_from_bytes, stored_rows_of
from ledger.store import schema
from ledger.store.database import Database, raw_bytes
from ledger.store.moving import follow_moved_reports
from ledger.store.opening import ORGANISATION, opened
from ledger.store.papers import Papers
from ledger.store.who import Who, number_of, patient_id


@dataclass(frozen=True, kw_only=True)
class Appended:
    """What an append did.

    `already` are ids that the stream held before; `refused` are drafts that admission turned down, with the reason.
    """

    entries: tuple[Entry, ...]
    already: tuple[str, ...]
    refused: tuple[tuple[Draft, Refusal], ...]
    doubts: tuple[Doubt, ...]
    version: int


class Head(NamedTuple):
    """The end of a stream: what the next entry is chained to."""

    version: int
    hash: bytes
    recorded_at: str


class Standing(NamedTuple):
    """What the tables say of a patient at the moment of an append: unit, head of the care stream, read model."""

    unit: str | None
    head: Head
    doubts: int
    joined_to: int | None
    joins: str | None
    accesses: bytes | None


def _now() -> datetime:
    return datetime.now(UTC)


class Ledger:
    """One organisation's ledger over one connection.

    `clock` gives the present instant; only tests and the demo pass another. `salt` gives random bytes likewise.
    """

    def __init__(
        self,
        db: Database,
        org: int,
        uuid: UUID,
        zone: str,
        *,
        clock: Callable[[], datetime] = _now,
        salt: Callable[[int], bytes] = secrets.token_bytes,
    ) -> None:
        self.db = db
        self.org = org
        self.uuid = uuid
        self.zone = ZoneInfo(zone)
        self.clock = clock
        self.salt = salt

    @cached_property
    def who(self) -> Who:
        """Patients, people, units and centres."""
        return Who(self.db, self.org)

    @cached_property
    def papers(self) -> Papers:
        """Reports, their originals, and texts."""
        return Papers(self.db, self.org, salt=lambda size: self.salt(size), clock=lambda: self.clock())

    def set_zone(self, zone: str) -> None:
        """Takes over the organisation's zone from a dump; units keep their own."""
        self.zone = ZoneInfo(zone)
        self.who.forget()

    def close(self) -> None:
        self.db.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- Looking --------------------------------------------------------------------------------------------------

    def today(self, patient: str | None = None) -> date:
        """The present day in the zone of the patient's unit, or of the organisation."""
        zone = self.zone if patient is None else self._zone_of(number_of(patient))
        return self.clock().astimezone(zone).date()

    def history(self, patient: str, *, sessions: bool = False) -> History:
        """All that is recorded of a patient, its chain verified. `sessions` adds the second stream.

        Raises NotFound for an unknown patient, NotTrusted when the stored bytes are not those that were written.
        """
        number = number_of(patient)
        if not sessions:
            zone = self._zone_of(number)
            # One statement sees one state by itself; opening a transaction for it costs as much as reading it.
            entries = self._stream(2 * number)
            if not _joins_somebody(entries):
                return History(patient=patient_id(number), zone=zone, entries=tuple(entries))
        with self.db.reading():
            return self._history(number, sessions=sessions)

    def _history(self, number: int, *, sessions: bool, zone: ZoneInfo | None = None) -> History:
        if zone is None:
            zone = self._zone_of(number)
        entries = self._stream(2 * number)
        if sessions:
            entries = entries + self._stream(2 * number + 1)
        history = History(patient=patient_id(number), zone=zone, entries=tuple(entries))
        others = self._others(entries, {number}, sessions)
        return replace(history, merged=tuple(others)) if others else history

    def with_sessions(self, history: History) -> History:
        """A history that was opened without its sessions, with them; what was read of it is not read again."""
        if history.merged:
            return self.history(history.patient, sessions=True)
        with self.db.reading():
            sessions = self._stream(2 * number_of(history.patient) + 1)
        return replace(history, entries=history.entries + tuple(sessions)) if sessions else history

    def _others(self, entries: Iterable[Entry], seen: set[int], sessions: bool) -> list[tuple[str, tuple[Entry, ...]]]:
        found: list[tuple[str, tuple[Entry, ...]]] = []
        if _joins_somebody(entries):
            from ledger.chronology import in_force

            for entry in in_force(entries):
                if isinstance(entry.event, PatientsAreOne) and (other := number_of(entry.event.other)) not in seen:
                    seen.add(other)
                    theirs = self._stream(2 * other) + (self._stream(2 * other + 1) if sessions else [])
                    found.append((entry.event.other, tuple(theirs)))
                    found.extend(self._others(theirs, seen, sessions))
        return found

    def _zone_of(self, number: int) -> ZoneInfo:
        row = self.db.execute("SELECT unit FROM patients WHERE org=? AND number=?", (self.org, number)).fetchone()
        if row is None:
            raise _no_such_patient(number)
        return self.zone_of_unit(row[0])

    def zone_of_unit(self, unit: str | None) -> ZoneInfo:
        """The zone of a unit's days; the organisation's where the unit is unknown."""
        return self.who.zones.get(unit or "", self.zone)

    def _stream(self, stream: int) -> list[Entry]:
        rows = self.db.execute(
            "SELECT version, body, hash FROM entries WHERE org=? AND stream=? ORDER BY version", (self.org, stream)
        ).fetchall()
        return trusted(rows, genesis(self.uuid, stream), stream)

    def _head(self, stream: int) -> Head:
        row = self.db.execute(
            "SELECT version, hash, recorded_at FROM streams WHERE org=? AND stream=?", (self.org, stream)
        ).fetchone()
        return Head(row[0], raw_bytes(row[1]), row[2]) if row else Head(0, genesis(self.uuid, stream), "")

    def standing(self, number: int) -> Standing:
        """How a patient stands now; in PostgreSQL nobody else appends to them until the transaction ends."""
        row = self.db.execute(
            STANDING_LOCKED if self.db.is_postgres else STANDING,
            (self.org, number),
        ).fetchone()
        if row is None:
            raise _no_such_patient(number)
        if row[1] is None:
            return Standing(row[0], Head(0, genesis(self.uuid, 2 * number), ""), 0, None, None, None)
        accesses = None if row[7] is None else bytes(row[7])
        return Standing(row[0], Head(row[1], bytes(row[2]), row[3]), row[4] or 0, row[5], row[6], accesses)

    def joined_to(self, patient: str) -> str | None:
        """The record of the same person in which that of this patient is read; None for a record of its own."""
        row = self.db.execute(
            "SELECT joined_to FROM streams WHERE org=? AND stream=?", (self.org, 2 * number_of(patient))
        ).fetchone()
        return None if row is None or row[0] is None else patient_id(row[0])

    def owner_of(self, access: str) -> str | None:
        """The patient whose access this is; None for an id that nobody has."""
        row = self.db.execute(
            "SELECT patient FROM access_owners WHERE org=? AND access=?", (self.org, access)
        ).fetchone()
        return patient_id(row[0]) if row else None

    def accesses(self, *, unit: str | None = None) -> Iterator[tuple[str, AccessRow]]:
        """The row of every access, or of those of a unit's patients, with the patient's id; for lists."""
        rows = self.db.execute(
            "SELECT p.number, s.accesses FROM patients p JOIN streams s ON s.org=p.org AND s.stream=2*p.number "
            "WHERE p.org=?" + (" AND p.unit=?" if unit is not None else "") + " ORDER BY p.number",
            (self.org,) if unit is None else (self.org, unit),
        ).fetchall()
        for number, accesses in rows:
            for row in rows_in(accesses):
                yield patient_id(number), row

    # --- Appending ------------------------------------------------------------------------------------------------

    def append(
        self,
        seen: History | str,
        drafts: Sequence[Draft],
        *,
        by: Signature,
        partly: bool = False,
        anew: bool = False,
    ) -> Appended:
        """Adds entries to the stream of the patient whose history was seen.

        Given a patient's id instead of a history, what is there now counts as seen. With `partly`, what admission
        refuses is handed back and the rest goes in; else one refusal stops all. With `anew`, a fact that was retracted
        may be entered again, under a new attempt number.

        Raises StaleHistory when somebody else wrote in between, Refused when admission says no.
        """
        with self.db.writing():
            number = number_of(seen if isinstance(seen, str) else seen.patient)
            standing = self.standing(number)
            zone = self.zone_of_unit(standing.unit)
            if not isinstance(seen, str):
                history = seen
            elif standing.head.version:
                history = self._history(number, sessions=False, zone=zone)
            else:
                history = History(patient=patient_id(number), zone=zone, entries=())
            if history.version != standing.head.version or history.as_of is not None or history.known_on is not None:
                raise StaleHistory(history.patient, history.version, standing.head.version)
            if _about_sessions(drafts, history):
                history = self._history(number, sessions=True, zone=zone)
            return self._append(number, history, standing, drafts, by, partly=partly, anew=anew)

    def _append(
        self,
        number: int,
        history: History,
        standing: Standing,
        drafts: Sequence[Draft],
        by: Signature,
        *,
        partly: bool,
        anew: bool,
        recorded_at: str | None = None,
    ) -> Appended:
        moment = self.clock()
        gate = Gate(
            history,
            today=moment.astimezone(history.zone).date(),
            known_patients=self.who,
            owner_of=self.owner_of,
        )
        patient = history.patient
        heads = {2 * number: standing.head}
        added: list[Entry] = []
        rows: list[tuple[int, int, int, bytes, bytes]] = []
        already: list[str] = []
        refused: list[tuple[Draft, Refusal]] = []
        doubts: list[Doubt] = []
        at = recorded_at or instant_text(moment)
        only_facts = True
        for draft in drafts:
            entry_id = entry_id_of(self.uuid, patient, draft)
            if gate.has(entry_id):
                while anew and gate.has(entry_id) and not gate.holds(entry_id):
                    draft = replace(draft, attempt=draft.attempt + 1)
                    entry_id = entry_id_of(self.uuid, patient, draft)
                if gate.has(entry_id):
                    already.append(entry_id)
                    continue
            event = draft.event
            verdict = gate.consider(event, entry_id, draft.evidence)
            refusal = verdict.refusal
            if refusal is not None:
                if not partly:
                    raise Refused(refusal.problem, refusal.remedy)
                refused.append((draft, refusal))
                continue
            session = gate.is_of_sessions(event)
            stream = 2 * number + session
            last = heads.get(stream)
            if last is None:
                last = self._head(stream)
            version = last.version + 1
            when = at if at >= last.recorded_at else last.recorded_at
            entry = entry_made(
                id=entry_id,
                event=event,
                version=version,
                recorded_at=when,
                recorded_by=by,
                source=draft.source,
                evidence=draft.evidence,
                doubts=tuple([doubt.code for doubt in verdict.doubts]) if verdict.doubts else (),
                session=session,
            )
            body = encode(entry)
            digest = chained(last.hash, version, body)
            heads[stream] = Head(version, digest, when)
            rows.append((self.org, stream, version, body, digest))
            gate.take(entry)
            added.append(entry)
            if verdict.doubts:
                doubts += verdict.doubts
            if event.kind not in FACT_KINDS:
                only_facts = False
        if added:
            self.db.executemany(INSERT_ENTRY, rows)
            self._write_heads(number, heads, rows)
            if only_facts:
                after = history.followed_by(added)
            elif any(entry.event.kind == "patients-are-one" or _names_join(entry, history) for entry in added):
                after = self._history(number, sessions=False, zone=history.zone)
            else:
                after = history.followed_by(added)
            if not only_facts:
                follow_moved_reports(self.papers, added, after)
            # Facts that raised no doubt, after a history without any, leave none: then nothing has to be judged anew.
            quiet = only_facts and not (standing.doubts or doubts or history.merged)
            self._write_read_model(number, after, standing, heads[2 * number], doubts=0 if quiet else None)
        return Appended(
            entries=tuple(added),
            already=tuple(already),
            refused=tuple(refused),
            doubts=tuple(doubts),
            version=heads[2 * number].version,
        )

    def _write_heads(self, number: int, heads: dict[int, Head], rows: list[tuple[int, int, int, bytes, bytes]]) -> None:
        """The head of the sessions' stream; that of the care stream is written with its read model."""
        stream = 2 * number + 1
        if stream in heads and any(row[1] == stream for row in rows):
            head = heads[stream]
            self.db.execute(
                "INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?) "
                "ON CONFLICT (org, stream) DO UPDATE SET version=excluded.version, hash=excluded.hash, "
                "recorded_at=excluded.recorded_at",
                (self.org, stream, head.version, head.hash, head.recorded_at),
            )

    def _write_read_model(
        self, number: int, history: History, before: Standing, head: Head, *, doubts: int | None = None
    ) -> None:
        """Head and read model of one patient, as `rebuild` would make them.

        The accesses of a record that was joined to another stand under the survivor, once.
        """
        if before.joins is None and before.joined_to is None and not history.merged:
            if head.version:
                self._put_model(number, head, None, read_model(history, None, doubts), before.accesses)
            return
        merged = {number_of(patient) for patient, _ in history.merged}
        for other in {*_numbers(before.joins), *merged}:
            self.renew(other, joined_to=number if other in merged else None)
        model = read_model(history, before.joined_to, doubts)
        if head.version:
            self._put_model(number, head, before.joined_to, model, before.accesses)
        if before.joined_to is not None:
            self.renew(before.joined_to, joined_to=None)

    def renew_joined(self, number: int) -> None:
        """Makes the read models of a survivor and of the records joined to it anew; for a rebuild."""
        standing = self.standing(number)
        history = self._history(number, sessions=False, zone=self.zone_of_unit(standing.unit))
        self._write_read_model(number, history, standing, standing.head)

    def renew(self, number: int, *, joined_to: int | None) -> None:
        """Makes the read model of one patient anew."""
        before = self.standing(number)
        history = self._history(number, sessions=False, zone=self.zone_of_unit(before.unit))
        if before.head.version or joined_to is not None:
            # A record without entries has a row, too, while it is joined: what is added to it is the survivor's.
            self._put_model(number, before.head, joined_to, read_model(history, joined_to), before.accesses)
        else:
            self.db.execute("DELETE FROM streams WHERE org=? AND stream=?", (self.org, 2 * number))

    def _put_model(
        self, number: int, head: Head, joined_to: int | None, model: ReadModel, old_accesses: bytes | None
    ) -> None:
        self.db.execute(
            PUT_STREAM,
            (
                self.org,
                2 * number,
                head.version,
                head.hash,
                head.recorded_at,
                model.doubts,
                joined_to,
                model.joins,
                model.accesses,
            ),
        )
        if model.accesses != old_accesses:
            if old_accesses is not None and are_of(old_accesses, model.owned):
                return
            had, new = set(accesses_kept(old_accesses)) if old_accesses else set(), set(model.owned)
            for access in had - new:
                self.db.execute(
                    "DELETE FROM access_owners WHERE org=? AND access=? AND patient=?", (self.org, access, number)
                )
            for access in new - had:
                self.db.execute(PUT_OWNER, (self.org, access, number))


STANDING = (
    "SELECT p.unit, s.version, s.hash, s.recorded_at, s.doubts, s.joined_to, s.joins, s.accesses "
    "FROM patients p LEFT JOIN streams s ON s.org=p.org AND s.stream=2*p.number WHERE p.org=? AND p.number=?"
)
STANDING_LOCKED = STANDING + " FOR UPDATE OF p"
INSERT_ENTRY = "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)"
PUT_OWNER = (
    "INSERT INTO access_owners (org, access, patient) VALUES (?,?,?) "
    "ON CONFLICT (org, access) DO UPDATE SET patient=excluded.patient"
)
PUT_STREAM = (
    "INSERT INTO streams (org, stream, version, hash, recorded_at, doubts, joined_to, joins, accesses) "
    "VALUES (?,?,?,?,?,?,?,?,?) ON CONFLICT (org, stream) DO UPDATE SET version=excluded.version, "
    "hash=excluded.hash, recorded_at=excluded.recorded_at, doubts=excluded.doubts, joined_to=excluded.joined_to, "
    "joins=excluded.joins, accesses=excluded.accesses"
)


@dataclass(frozen=True)
class ReadModel:
    """What is kept for lists, of one patient: a function of the history alone, so a rebuild gives the same bytes."""

    doubts: int
    joins: str | None
    owned: Sequence[str]
    """The ids of the accesses that have a row."""
    accesses: bytes


def read_model(history: History, joined_to: int | None, doubts: int | None = None) -> ReadModel:
    """The read model of a patient; empty for a record that was joined to another. `doubts` where they are counted."""
    joins = ",".join(str(number_of(patient)) for patient, _ in history.merged) or None
    if joined_to is not None:
        return ReadModel(0, joins, (), NO_ROWS)
    owned, rows = stored_rows_of(history)
    return ReadModel(len(doubts_of(history)) if doubts is None else doubts, joins, owned, rows)


def rows_in(accesses: bytes | memoryview | None) -> list[AccessRow]:
    """The rows of accesses that a read model holds."""
    return [] if accesses is None else rows_from_bytes(bytes(accesses))


def _no_such_patient(number: int) -> NotFound:
    return NotFound(
        f"There is no patient {patient_id(number)} in this ledger.",
        "Look with `access-ledger patient list`, or enter the patient with `access-ledger patient add`.",
    )


def _numbers(joins: str | None) -> list[int]:
    return [int(number) for number in joins.split(",")] if joins else []


def trusted(rows: Iterable[Sequence[object]], previous: bytes, stream: int) -> list[Entry]:
    """The entries of one stream, in order, if each is chained to the one before it. Raises NotTrusted."""
    session = bool(stream % 2)
    entries: list[Entry] = []
    wanted = 1
    for version, body, digest in rows:
        stored = body if type(body) is bytes else raw_bytes(body)
        previous = chained(previous, wanted, stored)
        if version != wanted or previous != raw_bytes(digest):
            raise NotTrusted(
                f"The history of {patient_id(stream // 2)} was altered behind the ledger's back, at entry {wanted}.",
                "Run `access-ledger verify` to see what else is wrong, and restore a backup.",
            )
        entries.append(decode(stored, wanted, session))
        wanted += 1
    return entries


def _joins_somebody(entries: Iterable[Entry]) -> bool:
    return any(entry.event.kind == "patients-are-one" for entry in entries)


def _about_sessions(drafts: Sequence[Draft], history: History) -> bool:
    """Whether a draft is a session, or corrects or retracts something that the first stream does not hold."""
    for draft in drafts:
        event = draft.event
        if event.kind in FACT_KINDS:
            if event.kind in SESSION_KINDS:
                return True
            continue
        named = getattr(event, "corrects", None) or getattr(event, "retracts", None)
        if named is not None and history.entry(named) is None:
            return True
    return False


def _names_join(entry: Entry, history: History) -> bool:
    """Whether an entry undoes the joining of two patients."""
    retracts = getattr(entry.event, "retracts", None)
    named = history.entry(retracts) if retracts else None
    return bool(history.merged) and (named is None or named.kind in ("patients-are-one", "retraction", "correction"))


def open_ledger(
    where: str | Path,
    *,
    create: bool = False,
    zone: str = "UTC",
    org: int = ORGANISATION,
    uuid: UUID | None = None,
    clock: Callable[[], datetime] = _now,
    salt: Callable[[int], bytes] = secrets.token_bytes,
) -> Ledger:
    """Opens the ledger at a path or a PostgreSQL URL; with `create`, makes it where there is none.

    `zone` and `uuid` are those of a new organisation. Raises NotFound, WrongInput.
    """
    db, found, its_zone = opened(where, create=create, zone=zone, org=org, uuid=uuid)
    return Ledger(db, org, found, its_zone, clock=clock, salt=salt)


def patients_of(ledger: Ledger, *, unit: str | None = None) -> Iterator[str]:
    """The ids of all patients, or of a unit's, in order of their number."""
    wanted = select(schema.patients.c.number).where(schema.patients.c.org == ledger.org)
    if unit is not None:
        wanted = wanted.where(schema.patients.c.unit == unit)
    for (number,) in ledger.db.core.execute(wanted.order_by(schema.patients.c.number)).fetchall():
        yield patient_id(number)


__all__ = ["Appended", "Ledger", "LedgerError", "open_ledger", "patients_of"]
