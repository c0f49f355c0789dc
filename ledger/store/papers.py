"""Reports, their originals, and texts: the words that entries refer to.

A text is named by a salted digest of itself; the salt stands beside it and goes with
it. Original bytes are kept under their plain digest, which also tells that a file came
twice. Erasing a patient's words empties these rows and leaves the entries as they are.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any

import orjson
from sqlalchemy import and_, func, insert, select, update

from ledger.dates import instant_text
from ledger.errors import NotFound
from ledger.events import Words
from ledger.evidence import SALT_BYTES, Quote, content_digest, report_id_of, text_id_of
from ledger.store import schema
from ledger.store.database import Database
from ledger.store.who import number_of, patient_id

WAITING, CONFIRMED, DISMISSED, UNREADABLE = "waiting", "confirmed", "dismissed", "unreadable"


@dataclass(frozen=True, kw_only=True)
class StoredReport:
    """One report as the ledger keeps it. `patient` is None as long as nobody knows whose it is.

    `state` is waiting, confirmed, dismissed or unreadable; `waits_for` says in words what a waiting one needs.
    `envelope` is what header lines, file and message say; `proposed` what the reader of version `reader` proposed.
    """

    id: str
    digest: str
    part: int
    text_id: str | None
    patient: str | None
    state: str
    waits_for: str | None
    arrived_at: str
    file_name: str | None
    media_type: str | None
    envelope: dict[str, Any]
    reader: str | None
    proposed: dict[str, Any] | None


class Papers:
    """Reads and writes the words of one organisation."""

    def __init__(self, db: Database, org: int, *, salt: Callable[[int], bytes], clock: Callable[[], datetime]) -> None:
        self._db = db
        self._org = org
        self._salt = salt
        self._clock = clock
        self._text = lru_cache(maxsize=256)(self._read_text)

    # --- Texts ----------------------------------------------------------------------------------------------------

    def keep_text(self, words: str, patient: str | None) -> str:
        """Keeps a text and gives its id. The same words of the same patient keep the id that they have."""
        digest = hashlib.sha256(words.encode("utf-8")).hexdigest()
        number = None if patient is None else number_of(patient)
        t = schema.texts
        with self._db.writing():
            same = t.c.patient.is_(None) if number is None else t.c.patient == number
            found: str | None = self._db.core.execute(
                select(t.c.text).where(t.c.org == self._org, same, t.c.digest == digest)
            ).scalar()
            if found is not None:
                return found
            salt = self._salt(SALT_BYTES)
            text_id = text_id_of(words, salt)
            self._db.core.execute(
                insert(t).values(org=self._org, text=text_id, patient=number, digest=digest, salt=salt, words=words)
            )
        return text_id

    def forget(self) -> None:
        """Drops the texts held in memory, after words were erased."""
        self._text.cache_clear()

    def typed(self, words: str, patient: str) -> Words:
        """Words that somebody typed, kept as a text of their own."""
        return Words(text=self.keep_text(words, patient), start=0, end=len(words))

    def text(self, text_id: str) -> str | None:
        """The words of a text; None when they were erased or left out of a copy."""
        return self._text(text_id)

    def _read_text(self, text_id: str) -> str | None:
        row = self._db.execute("SELECT words FROM texts WHERE org=? AND text=?", (self._org, text_id)).fetchone()
        found: str | None = row[0] if row else None
        return found

    def words(self, where: Words | Quote) -> str | None:
        """The words at a place in a text; None when they were erased."""
        text = self.text(where.text)
        return None if text is None else text[where.start : where.end]

    # --- Reports --------------------------------------------------------------------------------------------------

    def keep_report(
        self,
        original: bytes,
        text: str | None,
        *,
        part: int = 0,
        patient: str | None = None,
        file_name: str | None = None,
        media_type: str | None = None,
        envelope: dict[str, Any] | None = None,
        state: str = WAITING,
        waits_for: str | None = None,
    ) -> tuple[StoredReport, bool]:
        """Keeps a report with its original; says whether it is new. The same bytes and part are the same report."""
        digest = content_digest(original)
        r = schema.reports
        with self._db.writing():
            found = self._first(and_(r.c.digest == digest, r.c.part == part))
            if found is not None:
                return found, False
            o = schema.originals
            there = self._db.core.execute(select(o.c.digest).where(o.c.org == self._org, o.c.digest == digest)).first()
            if there is None:
                self._db.core.execute(
                    insert(o).values(org=self._org, digest=digest, media_type=media_type, body=original)
                )
            salt = self._salt(SALT_BYTES)
            report = report_id_of(original, part, salt)
            self._db.core.execute(
                insert(r).values(
                    org=self._org,
                    report=report,
                    digest=digest,
                    part=part,
                    salt=salt,
                    text=None if text is None else self.keep_text(text, patient),
                    patient=None if patient is None else number_of(patient),
                    state=state,
                    waits_for=waits_for,
                    arrived_at=instant_text(self._clock()),
                    file_name=file_name,
                    media_type=media_type,
                    envelope=orjson.dumps(envelope or {}).decode(),
                )
            )
        return self.report(report), True

    def known(self, original: bytes) -> list[StoredReport]:
        """The reports that came in exactly these bytes, by part."""
        r = schema.reports
        return list(self._select(r.c.digest == content_digest(original)))

    def report(self, report: str) -> StoredReport:
        """The report with this id, or with an id that begins so. Raises NotFound for none or several."""
        r = schema.reports
        found = list(self._select(r.c.report == report)) or list(
            self._select(r.c.report.startswith(report, autoescape=True), limit=3)
        )
        if not found:
            raise NotFound("There is no such report in this ledger.", "Look with `access-ledger report list`.")
        if len(found) > 1:
            raise NotFound("Several reports begin with that id.", "Give more of its letters.")
        return found[0]

    def holds(self, report: str) -> bool:
        """Whether a report with exactly this id is kept here."""
        return self._first(schema.reports.c.report == report) is not None

    def reports(self, *, state: str | None = None, patient: str | None = None) -> Iterator[StoredReport]:
        """Reports by the time at which they came in."""
        r = schema.reports
        conditions = []
        if state is not None:
            conditions.append(r.c.state == state)
        if patient is not None:
            conditions.append(r.c.patient == number_of(patient))
        yield from self._select(*conditions)

    def counted(self) -> dict[str, int]:
        """How many reports there are in each state."""
        r = schema.reports
        rows = self._db.core.execute(
            select(r.c.state, func.count()).where(r.c.org == self._org).group_by(r.c.state).order_by(r.c.state)
        )
        return {row[0]: row[1] for row in rows}

    def original(self, report: StoredReport) -> bytes | None:
        """The bytes as they came; None when they were erased."""
        o = schema.originals
        row = self._db.core.execute(select(o.c.body).where(o.c.org == self._org, o.c.digest == report.digest)).first()
        return None if row is None or row[0] is None else bytes(row[0])

    def link(self, report: str, patient: str) -> None:
        """Says whose report this is; its text follows, so that it is erased with the patient."""
        number = number_of(patient)
        with self._db.writing():
            found = self.report(report)
            text_id = found.text_id
            self._change(report, patient=number)
            if text_id is not None:
                t = schema.texts
                self._db.core.execute(update(t).where(t.c.org == self._org, t.c.text == text_id).values(patient=number))

    def change(self, report: str, **values: Any) -> None:
        """Changes what is kept about a report: `state`, `waits_for`, `reader`, `proposed`, `envelope`."""
        for name in ("proposed", "envelope"):
            if values.get(name) is not None:
                values[name] = orjson.dumps(values[name]).decode()
        with self._db.writing():
            self._change(report, **values)

    def _change(self, report: str, **values: Any) -> None:
        r = schema.reports
        self._db.core.execute(update(r).where(r.c.org == self._org, r.c.report == report).values(**values))

    def _first(self, condition: Any) -> StoredReport | None:
        return next(self._select(condition, limit=1), None)

    def _select(self, *conditions: Any, limit: int | None = None) -> Iterator[StoredReport]:
        r = schema.reports
        wanted = select(r).where(r.c.org == self._org, *conditions).order_by(r.c.arrived_at, r.c.file_name, r.c.report)
        if limit is not None:
            wanted = wanted.limit(limit)
        for row in self._db.core.execute(wanted).fetchall():
            yield StoredReport(
                id=row.report,
                digest=row.digest,
                part=row.part,
                text_id=row.text,
                patient=None if row.patient is None else patient_id(row.patient),
                state=row.state,
                waits_for=row.waits_for,
                arrived_at=row.arrived_at,
                file_name=row.file_name,
                media_type=row.media_type,
                envelope=orjson.loads(row.envelope or "{}"),
                reader=row.reader,
                proposed=orjson.loads(row.proposed) if row.proposed else None,
            )
