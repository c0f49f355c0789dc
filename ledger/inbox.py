"""HL7 v2 messages that came over a line: stored before they are acknowledged, and opened afterwards.

`take` stores a message in one synchronised transaction and gives what to answer; a process that dies at any point has
stored it whole or not at all. The same message again, known by its sender, its control id and all that it says, adds
nothing and gets the same answer; the same control id with other content is another message. `read_waiting` makes
reports (`ledger.receiving`) and proposals about patients (`ledger.settling`) of what was stored; it can be run again
at any time. What cannot be used is kept as an unreadable report with its reason, as a file would be.

Messages about changes of patients are let go when they were read: what they ask for is in the proposals, and of people
whom this ledger does not know nothing is kept but that a message came.

The table is no part of the chain, and not in a dump; a backup has it. To take another type of message, name it in
`ledger.arrival.acknowledging.EVENTS`, and let `_read` say what becomes of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC
from typing import TYPE_CHECKING

from ledger.arrival.acknowledging import (
    TAKEN,
    Heading,
    Judgement,
    acknowledgements,
    event_of,
    heading_of,
    judged,
    sameness_of,
)
from ledger.dates import instant_text
from ledger.errors import LedgerError
from ledger.evidence import content_digest
from ledger.matching import Register
from ledger.receiving import opened_up, receive
from ledger.settling import take_in
from ledger.store import Ledger

if TYPE_CHECKING:
    from ledger.arrival import Desk

KEPT, READ, NOT_USED, NOBODY = "kept", "read", "not-used", "nobody-here"
STATES = (KEPT, READ, NOT_USED, NOBODY)

PRODUCTION = frozenset({"P"})
_DATABASES = ("sqlite3", "psycopg", "sqlalchemy")


@dataclass(frozen=True, kw_only=True)
class Taken:
    """What became of a message at the door. `number` is its place in the inbox; None where it could not be stored."""

    number: int | None
    what: str
    judgement: Judgement
    answers: tuple[bytes, ...]
    is_new: bool = False
    control_id_used_before: bool = False


@dataclass(frozen=True, kw_only=True)
class KeptMessage:
    """One message of the inbox. `sender` and `control_id` are as the message gives them."""

    number: int
    at: str
    sender: str
    control_id: str
    what: str
    code: str
    state: str
    reason: str | None
    reports: int
    proposals: int


@dataclass(frozen=True, kw_only=True)
class Opened:
    """What a stored message came to."""

    number: int
    what: str
    state: str
    reason: str | None = None
    reports: int = 0
    without_patient: int = 0
    not_read: int = 0
    proposals: int = 0


class Inbox:
    """The messages of one ledger. Not shared between threads, like the ledger itself."""

    def __init__(self, ledger: Ledger, *, processing: frozenset[str] = PRODUCTION) -> None:
        self.ledger = ledger
        self.db = ledger.db
        self.processing = processing
        body = "BYTEA" if self.db.is_postgres else "BLOB"
        with self.db.writing():
            self.db.execute(
                "CREATE TABLE IF NOT EXISTS hl7_messages (org INTEGER NOT NULL, number BIGINT NOT NULL, "
                "at TEXT NOT NULL, sender TEXT NOT NULL, control_id TEXT NOT NULL, sameness TEXT NOT NULL, "
                "what TEXT NOT NULL, code TEXT NOT NULL, state TEXT NOT NULL, reason TEXT, "
                f"digest TEXT NOT NULL, body {body}, reports INTEGER NOT NULL, proposals INTEGER NOT NULL, "
                "PRIMARY KEY (org, number))"
            )
            self.db.execute(
                "CREATE UNIQUE INDEX IF NOT EXISTS hl7_messages_once "
                "ON hl7_messages (org, sender, control_id, sameness)"
            )
            self.db.execute("CREATE INDEX IF NOT EXISTS hl7_messages_by_state ON hl7_messages (org, state)")

    # --- At the door --------------------------------------------------------------------------------------------------

    def take(self, raw: bytes) -> Taken:
        """Stores a message, and says what to answer. Never raises: what cannot be stored is rejected, to come again."""
        heading = heading_of(raw)
        judgement = judged(raw, heading, self.processing)
        try:
            return self._stored(raw, heading, judgement)
        except LedgerError as wrong:
            return self.turned_away(heading, wrong.problem)
        except Exception as ours:
            words = f"Something went wrong inside access-ledger ({type(ours).__name__}); nothing was stored."
            return self.turned_away(heading, words)

    def turned_away(self, heading: Heading, reason: str) -> Taken:
        """The answer to a message that was not stored."""
        judgement = Judgement(code="AR", error=207, reason=reason)
        answers = self._answers(heading, judgement, "0")
        return Taken(number=None, what=heading.what, judgement=judgement, answers=answers)

    def _stored(self, raw: bytes, heading: Heading, judgement: Judgement) -> Taken:
        key = (self.ledger.org, _as_text(heading.sender), _as_text(heading.control_id))
        sameness = sameness_of(raw)
        with self.db.writing():
            if self.db.is_postgres:
                self.db.execute("LOCK TABLE hl7_messages IN SHARE ROW EXCLUSIVE MODE")
            there = self.db.execute(
                "SELECT number, sameness, code FROM hl7_messages WHERE org=? AND sender=? AND control_id=?",
                key,
            ).fetchall()
            same = next((row for row in there if row[1] == sameness), None)
            if same is None:
                newest = self.db.execute("SELECT MAX(number) FROM hl7_messages WHERE org=?", key[:1]).fetchone()[0]
                number = int(newest or 0) + 1
                self.db.execute(
                    "INSERT INTO hl7_messages (org, number, at, sender, control_id, sameness, what, code, state, "
                    "reason, digest, body, reports, proposals) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,0,0)",
                    (
                        self.ledger.org,
                        number,
                        instant_text(self.ledger.clock()),
                        *key[1:],
                        sameness,
                        heading.what,
                        judgement.code,
                        KEPT,
                        judgement.reason or None,
                        content_digest(raw),
                        raw,
                    ),
                )
            elif same[2] == TAKEN.code:
                number, judgement = int(same[0]), TAKEN
            else:
                number = int(same[0])
                if judgement.is_taken:
                    # It was turned away when this listener took less; now it is taken after all.
                    self.db.execute(
                        "UPDATE hl7_messages SET code=?, state=?, reason=NULL, body=? WHERE org=? AND number=?",
                        (judgement.code, KEPT, raw, self.ledger.org, number),
                    )
        return Taken(
            number=number,
            what=heading.what,
            judgement=judgement,
            answers=self._answers(heading, judgement, str(number)),
            is_new=same is None,
            control_id_used_before=same is None and bool(there) and bool(heading.control_id),
        )

    def _answers(self, heading: Heading, judgement: Judgement, own_id: str) -> tuple[bytes, ...]:
        at = self.ledger.clock().astimezone(UTC).strftime("%Y%m%d%H%M%S+0000")
        return tuple(acknowledgements(heading, judgement, own_id, at))

    # --- Afterwards ---------------------------------------------------------------------------------------------------

    def read_waiting(self, desk: Desk) -> Iterator[Opened]:
        """Opens what is stored and was not opened yet, oldest first."""
        waiting = self.db.execute(
            "SELECT number FROM hl7_messages WHERE org=? AND state=? ORDER BY number", (self.ledger.org, KEPT)
        ).fetchall()
        if not waiting:
            return
        register = Register(self.ledger.who.patients())
        for (number,) in waiting:
            done = self._read(int(number), register, desk)
            if done is not None:
                yield done

    def _read(self, number: int, register: Register, desk: Desk) -> Opened | None:
        row = self.db.execute(
            "SELECT what, code, reason, body FROM hl7_messages WHERE org=? AND number=?", (self.ledger.org, number)
        ).fetchone()
        if row[3] is None:
            return None  # Somebody else opened it in between.
        what, code, reason, body = row[0], row[1], row[2], bytes(row[3])
        try:
            if code != "AA":
                done = self._not_used(number, what, body, reason or "It was not taken.")
            elif what.startswith("ADT"):
                done = self._identities(number, what, body, register)
            else:
                done = self._reports(number, what, body, register, desk)
        except Exception as ours:
            if isinstance(ours, LedgerError | OSError) or type(ours).__module__.startswith(_DATABASES):
                raise  # The disk or the database: the message stays as it is, to be opened later.
            words = f"It could not be opened; the mistake is ours ({type(ours).__name__})."
            done = self._not_used(number, what, body, words)
        return done

    def _reports(self, number: int, what: str, body: bytes, register: Register, desk: Desk) -> Opened:
        opened = opened_up(body, _file_name(number), desk=desk)
        with self.db.writing():
            made = receive(self.ledger, opened, register)
            done = Opened(
                number=number,
                what=what,
                state=READ,
                reports=sum(one.outcome != "unreadable" for one in made),
                without_patient=sum(
                    one.outcome not in ("unreadable", "dismissed") and one.patient is None for one in made
                ),
                not_read=sum(one.outcome == "unreadable" for one in made),
            )
            self._settled(done)
        return done

    def _identities(self, number: int, what: str, body: bytes, register: Register) -> Opened:
        from ledger.arrival.adt import identities_in
        from ledger.arrival.hl7v2 import parsed

        unclear, is_ours, proposals = None, False, 0
        with self.db.writing():
            for told in identities_in(parsed(body), event_of(body)):
                found = take_in(self.ledger, told, register)
                proposals += len(found.opened)
                is_ours = is_ours or found.is_about_ours
                unclear = unclear or found.unclear
            if unclear is None:
                done = Opened(number=number, what=what, state=READ if is_ours else NOBODY, proposals=proposals)
                self._settled(done)
        return self._not_used(number, what, body, unclear, proposals) if unclear is not None else done

    def _not_used(self, number: int, what: str, body: bytes, reason: str, proposals: int = 0) -> Opened:
        """Keeps the message where files that could not be read are kept, with its reason."""
        with self.db.writing():
            self.ledger.papers.keep_report(
                body, None, file_name=_file_name(number), state="unreadable", waits_for=reason
            )
            done = Opened(number=number, what=what, state=NOT_USED, reason=reason, not_read=1, proposals=proposals)
            self._settled(done)
        return done

    def _settled(self, done: Opened) -> None:
        self.db.execute(
            "UPDATE hl7_messages SET state=?, reason=?, reports=?, proposals=?, body=NULL "
            "WHERE org=? AND number=? AND state=?",
            (done.state, done.reason, done.reports, done.proposals, self.ledger.org, done.number, KEPT),
        )

    # --- Looking ------------------------------------------------------------------------------------------------------

    def counted(self) -> dict[str, int]:
        """How many messages are in each state."""
        rows = self.db.execute(
            "SELECT state, COUNT(*) FROM hl7_messages WHERE org=? GROUP BY state", (self.ledger.org,)
        ).fetchall()
        return {state: int(dict(rows).get(state, 0)) for state in STATES}

    def messages(self, *, state: str | None = None, last: int | None = None) -> list[KeptMessage]:
        """The messages, newest first: all, those in a state, the last so many."""
        rows = self.db.execute(
            "SELECT number, at, sender, control_id, what, code, state, reason, reports, proposals FROM hl7_messages "
            "WHERE org=?" + (" AND state=?" if state else "") + " ORDER BY number DESC" + (" LIMIT ?" if last else ""),
            (self.ledger.org, *([state] if state else []), *([last] if last else [])),
        ).fetchall()
        return [
            KeptMessage(
                number=number,
                at=at,
                sender=sender,
                control_id=control_id,
                what=what,
                code=code,
                state=state_,
                reason=reason,
                reports=reports,
                proposals=proposals,
            )
            for number, at, sender, control_id, what, code, state_, reason, reports, proposals in rows
        ]


def _file_name(number: int) -> str:
    return f"hl7-message-{number}.hl7"


def _as_text(said: str) -> str:
    """What a message calls itself, as a column of text can hold it: PostgreSQL takes no NUL."""
    return said.replace("\x00", "")[:400]
