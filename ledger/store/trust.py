"""Seals and verification: what was altered behind the ledger's back.

`verify` alone finds what was altered, reordered or taken out of the middle of a stream,
and a tail that was cut without its head row. `verify` with a seal also finds cut tails
and missing streams: a seal is a file with each stream's version and head, kept by
somebody else. It shows tampering to whoever kept it; it does not stop the owner of the
database.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
from sqlalchemy import insert, select

from ledger.dates import instant_text
from ledger.entries import chained, genesis
from ledger.errors import WrongInput
from ledger.store import schema
from ledger.store.database import raw_bytes
from ledger.store.ledger import Ledger
from ledger.store.who import patient_id

SEAL_FORMAT = 1


@dataclass(frozen=True, kw_only=True)
class Wrong:
    """One thing that is not as it was written.

    `code` is altered, missing, reordered, cut, head, gone, unsealed or orphan.
    """

    code: str
    patient: str
    session: bool
    version: int | None
    words: str


@dataclass(frozen=True, kw_only=True)
class Verified:
    """What a verification looked at and found. `erased` counts texts whose words were erased by law."""

    streams: int
    entries: int
    wrong: tuple[Wrong, ...]
    erased: int

    @property
    def is_trusted(self) -> bool:
        return not self.wrong


def seal(ledger: Ledger, to: Path, *, person: str | None = None) -> int:
    """Writes each stream's version and head hash to a file, private to its owner, and notes the seal in the ledger.

    The file is JSON lines: a header, then `[stream, version, hash]` a line, then a footer with the count and the
    digest of all lines before it. Returns the number of streams.
    """
    digest = hashlib.sha256()
    at = instant_text(ledger.clock())
    count = entries = 0
    if to.exists():
        raise WrongInput(f"{to} is already there.", "Give the seal a new name; an old seal is worth keeping.")
    descriptor = os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    with os.fdopen(descriptor, "wb") as file, ledger.db.reading():

        def write(line: Any) -> None:
            text = orjson.dumps(line) + b"\n"
            digest.update(text)
            file.write(text)

        write({"format": SEAL_FORMAT, "organisation": str(ledger.uuid), "at": at})
        for stream, version, head in _heads(ledger):
            write([stream, version, head.hex()])
            count += 1
            entries += version
        total = digest.hexdigest()
        file.write(orjson.dumps({"streams": count, "digest": total}) + b"\n")
    with ledger.db.writing():
        ledger.db.core.execute(
            insert(schema.seals).values(
                org=ledger.org, digest=total, at=at, person=person, streams=count, entries=entries
            )
        )
    return count


def _heads(ledger: Ledger) -> Iterator[tuple[int, int, bytes]]:
    t = schema.streams
    rows = ledger.db.core.execute(
        # A record that was joined to another before it had an entry has a row, and nothing to be trusted yet.
        select(t.c.stream, t.c.version, t.c.hash).where(t.c.org == ledger.org, t.c.version > 0).order_by(t.c.stream)
    )
    for stream, version, head in rows:
        yield stream, version, raw_bytes(head)


def verify(ledger: Ledger, *, seal_file: Path | None = None, progress: Callable[[int], None] | None = None) -> Verified:
    """Walks every stream and says what is not as it was written. Nothing is changed."""
    wrong: list[Wrong] = []
    count = 0
    last: dict[int, tuple[int, bytes]] = {}
    sealed = _read_seal(seal_file, ledger) if seal_file is not None else {}
    at_seal: dict[int, bytes] = {}
    broken: list[int] = []
    with ledger.db.reading():
        heads = {stream: (version, head) for stream, version, head in _heads(ledger)}
        cursor = ledger.db.streaming_cursor()
        cursor.execute(
            ledger.db.sql("SELECT stream, version, body, hash FROM entries WHERE org=? ORDER BY stream, version"),
            (ledger.org,),
        )
        current, expected, previous = -1, 1, b""
        while rows := cursor.fetchmany(2000):
            for stream, version, body, digest in rows:
                if stream != current:
                    current, expected, previous = stream, 1, genesis(ledger.uuid, stream)
                if not (isinstance(stream, int) and isinstance(version, int)):
                    wrong.append(_without_place())
                    continue
                stored = raw_bytes(digest)
                if version != expected or chained(previous, version, raw_bytes(body)) != stored:
                    if not broken or broken[-1] != stream:
                        broken.append(stream)
                    expected = version
                previous = stored
                last[stream] = (version, stored)
                if stream in sealed and sealed[stream][0] == version:
                    at_seal[stream] = stored
                expected += 1
                count += 1
            if progress is not None:
                progress(count)
        cursor.close()
        for stream in broken:
            wrong.extend(_diagnosed(ledger, stream))
        erased = ledger.db.execute(
            "SELECT COUNT(*) FROM texts WHERE org=? AND words IS NULL", (ledger.org,)
        ).fetchone()[0]
    for stream, (version, head) in heads.items():
        there = last.get(stream)
        if there is None or there[0] < version:
            begin = 1 if there is None else there[0] + 1
            wrong.append(_wrong("cut", stream, begin, f"entries {begin} to {version} were cut off the end"))
        elif there != (version, head):
            wrong.append(_wrong("head", stream, version, "its head is not that of its last entry"))
    for stream in sorted(last.keys() - heads.keys()):
        wrong.append(_wrong("orphan", stream, None, "it has entries, but its head is missing"))
    for stream, (version, head) in sealed.items():
        there = last.get(stream)
        if there is None:
            wrong.append(_wrong("gone", stream, None, f"the whole stream is missing; the seal knew {version} entries"))
        elif there[0] < version:
            begin = there[0] + 1
            wrong.append(
                _wrong("cut", stream, begin, f"entries {begin} to {version}, which the seal knew, were cut off")
            )
        elif at_seal.get(stream) != head:
            wrong.append(_wrong("unsealed", stream, version, f"entry {version} is not the one that was sealed"))
    unique = tuple(dict.fromkeys(wrong))
    return Verified(streams=len(last), entries=count, wrong=unique, erased=erased)


def _diagnosed(ledger: Ledger, stream: int) -> Iterator[Wrong]:
    """What happened to a stream whose chain does not hold: which entries are altered, missing or in another's place."""
    rows = {
        version: (raw_bytes(body), raw_bytes(digest))
        for version, body, digest in ledger.db.execute(
            "SELECT version, body, hash FROM entries WHERE org=? AND stream=?", (ledger.org, stream)
        ).fetchall()
        if isinstance(version, int)
    }
    previous: bytes | None = genesis(ledger.uuid, stream)
    for version in range(1, max(rows) + 1):
        here = rows.get(version)
        if previous is None:
            # The link to what is missing cannot be checked; the gap was named.
            previous = here[1] if here else None
        elif here is not None and chained(previous, version, here[0]) == here[1]:
            previous = here[1]
        else:
            moved = next(
                (other for other, (body, digest) in rows.items() if chained(previous, version, body) == digest), None
            )
            if moved is not None:
                yield _wrong("reordered", stream, version, f"entry {version} stands in the place of entry {moved}")
                previous = rows[moved][1]
                continue
            previous = here[1] if here else None
            if here is not None:
                yield _wrong("altered", stream, version, f"entry {version} is not what was written")
        if here is None:
            yield _wrong("missing", stream, version, f"entry {version} is missing")


def _wrong(code: str, stream: int, version: int | None, words: str) -> Wrong:
    session = bool(stream % 2)
    patient = patient_id(stream // 2)
    whose = f"{patient} (sessions)" if session else patient
    return Wrong(code=code, patient=patient, session=session, version=version, words=f"{whose}: {words}")


def _without_place() -> Wrong:
    words = "an entry stands in the table without a place in any stream"
    return Wrong(code="altered", patient="?", session=False, version=None, words=words)


def _read_seal(path: Path, ledger: Ledger) -> dict[int, tuple[int, bytes]]:
    try:
        lines = path.read_bytes().splitlines(keepends=True)
        header, footer = orjson.loads(lines[0]), orjson.loads(lines[-1])
        whole = hashlib.sha256(b"".join(lines[:-1])).hexdigest() == footer["digest"]
        found = {
            int(stream): (int(version), bytes.fromhex(head)) for stream, version, head in map(orjson.loads, lines[1:-1])
        }
        of_this_ledger = header["organisation"] == str(ledger.uuid)
        is_known_format = header["format"] == SEAL_FORMAT
    except (OSError, ValueError, KeyError, IndexError, TypeError):
        raise WrongInput(f"{path} is not a seal.", "Name a file that `access-ledger seal --to FILE` wrote.") from None
    if not whole or not is_known_format:
        raise WrongInput(f"The seal {path} is damaged or was altered.", "Use the copy that somebody else keeps.")
    if not of_this_ledger:
        raise WrongInput(f"The seal {path} is of another ledger.", "Name a seal of this one.")
    return found
