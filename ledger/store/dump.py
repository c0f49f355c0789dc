"""The whole ledger as a file of JSON lines, and back into an empty one (`entries dump`, `entries restore`).

The first line says the format and the organisation; then units, centres, people,
patients, texts, originals, reports and the saved mappings of session lists; then each
entry with its stream, version, exact bytes and hash; the last line counts them. Restoring
keeps times, persons and hashes, and verifies the chain; read models are rebuilt. With
`words=False` names, numbers and texts are left out and the chain still verifies.
"""

from __future__ import annotations

import os
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from uuid import UUID

import orjson
from sqlalchemy import insert, select, update

from ledger.entries import chained, genesis, recorded_at_of
from ledger.errors import NotTrusted, WrongInput
from ledger.store import schema
from ledger.store.ledger import Ledger
from ledger.store.upkeep import Rebuilt, rebuild

DUMP_FORMAT = 1
BATCH = 2000

_TABLES = {
    "unit": schema.units,
    "centre": schema.centres,
    "person": schema.people,
    "patient": schema.patients,
    "identifier": schema.identifiers,
    "text": schema.texts,
    "original": schema.originals,
    "report": schema.reports,
}
_WORDS = {
    "patient": ("name", "name_key", "birth_date", "sex"),
    "text": ("words", "salt", "digest"),
    "original": ("body", "media_type"),
    "report": ("salt", "file_name", "envelope", "proposed", "waits_for"),
}


@dataclass(frozen=True, kw_only=True)
class Dumped:
    """How many lines of each sort a dump holds."""

    counts: dict[str, int]


def dump(ledger: Ledger, to: Path, *, words: bool = True, progress: Callable[[int], None] | None = None) -> Dumped:
    """Writes the whole ledger to a new file, private to its owner. With `words=False`, without names and texts."""
    if to.exists():
        raise WrongInput(f"{to} is already there.", "Give the dump a new name.")
    part = to.with_name(to.name + ".part")
    with suppress(FileNotFoundError):
        part.unlink()
    counts: dict[str, int] = {}
    descriptor = os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    with os.fdopen(descriptor, "wb") as file, ledger.db.reading():
        for done, line in enumerate(_lines(ledger, words), start=1):
            what = next(iter(line))
            counts[what] = counts.get(what, 0) + 1
            file.write(orjson.dumps(line) + b"\n")
            if progress is not None and done % BATCH == 0:
                progress(done)
        file.write(orjson.dumps({"end": counts}) + b"\n")
        file.flush()
        os.fsync(file.fileno())
    part.replace(to)
    return Dumped(counts=counts)


def _lines(ledger: Ledger, words: bool) -> Iterator[dict[str, Any]]:
    yield {
        "access-ledger-dump": DUMP_FORMAT,
        "organisation": str(ledger.uuid),
        "zone": ledger.zone.key,
        "words": words,
    }
    for what, table in _TABLES.items():
        if what == "identifier" and not words:
            continue
        for row in ledger.db.core.execute(
            select(table).where(table.c.org == ledger.org).order_by(*table.primary_key.columns)
        ).mappings():
            values = {str(name): _plain(value) for name, value in row.items() if name != "org" and value is not None}
            if not words:
                for name in _WORDS.get(what, ()):
                    values.pop(name, None)
            yield {what: values}
    # Columns of a list name nobody, so they stay in a copy without words.
    for name, columns in ledger.db.execute(
        "SELECT key, value FROM meta WHERE key LIKE ? ORDER BY key", (schema.SESSION_COLUMNS + "%",)
    ).fetchall():
        yield {"session-columns": {"name": name.removeprefix(schema.SESSION_COLUMNS), "columns": orjson.loads(columns)}}
    cursor = ledger.db.streaming_cursor()
    cursor.execute(
        ledger.db.sql("SELECT stream, version, body, hash FROM entries WHERE org=? ORDER BY stream, version"),
        (ledger.org,),
    )
    while rows := cursor.fetchmany(BATCH):
        for stream, version, body, digest in rows:
            yield {"entry": [stream, version, bytes(body).decode("utf-8"), bytes(digest).hex()]}
    cursor.close()


def _plain(value: Any) -> Any:
    if isinstance(value, (bytes, memoryview)):
        return {"base64": b64encode(bytes(value)).decode("ascii")}
    return value


def _raw(value: Any) -> Any:
    return b64decode(value["base64"]) if isinstance(value, dict) and "base64" in value else value


def restore(ledger: Ledger, lines: Iterable[bytes], *, progress: Callable[[int], None] | None = None) -> Rebuilt:
    """Brings a dump back into an empty ledger, whole or not at all.

    Raises WrongInput for a ledger that is not empty or a file that is not a whole dump, NotTrusted for a broken chain.
    """
    db = ledger.db
    if any(
        db.execute(f"SELECT 1 FROM {table} WHERE org=? LIMIT 1", (ledger.org,)).fetchone()
        for table in ("entries", "patients", "people", "texts", "reports")
    ):
        raise WrongInput("This ledger is not empty.", "Restore into a new one: name another file with --ledger.")
    with db.writing():
        reader = _Restorer(ledger)
        for number, line in enumerate(lines, start=1):
            try:
                found = orjson.loads(line)
                reader.take(found)
            except NotTrusted:
                raise
            except (orjson.JSONDecodeError, KeyError, TypeError, ValueError, AttributeError, StopIteration):
                raise WrongInput(
                    f"Line {number} is not a line of a dump.", "Use a file that `access-ledger entries dump` wrote."
                ) from None
            if progress is not None and number % BATCH == 0:
                progress(number)
        reader.finish()
        return rebuild(ledger)


class _Restorer:
    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.counts: dict[str, int] = {}
        self.ended = False
        self.rows: list[tuple[int, int, int, bytes, bytes]] = []
        self.heads: list[tuple[int, int, int, bytes, str]] = []
        self.stream = -1
        self.version = 0
        self.hash = b""
        self.recorded_at = ""
        self.values: dict[str, list[dict[str, Any]]] = {}

    def take(self, found: dict[str, Any]) -> None:
        what = next(iter(found))
        if what == "end":
            self.ended = found["end"] == self.counts
            return
        self.counts[what] = self.counts.get(what, 0) + 1
        if what == "access-ledger-dump":
            self._begin(found)
        elif what == "entry":
            self._entry(*found["entry"])
        elif what == "session-columns":
            kept = found[what]
            self.ledger.db.execute(
                "INSERT INTO meta (key, value) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET value=excluded.value",
                (
                    schema.SESSION_COLUMNS + kept["name"],
                    orjson.dumps(kept["columns"], option=orjson.OPT_INDENT_2).decode(),
                ),
            )
        else:
            table = _TABLES[what]
            values: dict[str, Any] = {str(column.name): None for column in table.columns}
            values.update({name: _raw(value) for name, value in found[what].items()})
            values["org"] = self.ledger.org
            if what == "report" and values["envelope"] is None:
                values["envelope"] = "{}"
            self.values.setdefault(what, []).append(values)
            if len(self.values[what]) >= BATCH:
                self._flush()

    def _begin(self, found: dict[str, Any]) -> None:
        if found["access-ledger-dump"] != DUMP_FORMAT:
            raise ValueError
        self.ledger.uuid = UUID(found["organisation"])
        o = schema.organisations
        self.ledger.db.core.execute(
            update(o).where(o.c.org == self.ledger.org).values(uuid=found["organisation"], zone=found["zone"])
        )
        self.ledger.set_zone(found["zone"])

    def _entry(self, stream: int, version: int, body: str, digest: str) -> None:
        if stream != self.stream:
            self._close_stream()
            self.stream, self.version, self.hash = stream, 0, genesis(self.ledger.uuid, stream)
        stored = body.encode("utf-8")
        self.version += 1
        self.hash = chained(self.hash, self.version, stored)
        if version != self.version or self.hash.hex() != digest:
            raise NotTrusted(
                f"The dump was altered, at entry {version} of stream {stream}; nothing was restored.",
                "Use another copy of the dump.",
            )
        self.recorded_at = recorded_at_of(stored)
        self.rows.append((self.ledger.org, stream, version, stored, self.hash))
        if len(self.rows) >= BATCH:
            self._flush()

    def _close_stream(self) -> None:
        if self.version:
            self.heads.append((self.ledger.org, self.stream, self.version, self.hash, self.recorded_at))

    def _flush(self) -> None:
        db = self.ledger.db
        for what, values in self.values.items():
            if values:
                db.core.execute(insert(_TABLES[what]), values)
        self.values = {}
        db.executemany("INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", self.rows)
        db.executemany("INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?)", self.heads)
        self.rows, self.heads = [], []

    def finish(self) -> None:
        self._close_stream()
        self._flush()
        if not self.ended:
            raise WrongInput(
                "The dump is not whole: its last line is missing, or does not count what is there.",
                "Use another copy of the dump; nothing was restored.",
            )
