"""Import and rebuild by the thousand, bytes on disk, and PostgreSQL with eight writers."""

from __future__ import annotations

import gc
import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from time import perf_counter

import orjson

from ledger.entries import Draft, Entry, Signature, chained, encode, entry_id_of, genesis, validated
from ledger.store.load import load
from ledger.store.upkeep import rebuild
from tests.benchmarks import Ratio
from tests.benchmarks.lives import REPORT, life
from tests.benchmarks.peer import build, peer_in
from tests.benchmarks.store import BY, a_ledger


def run(scale: float) -> Iterable[Ratio]:
    patients = max(20, int(8000 * scale))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        yield from _imports(folder, patients)
        yield from _rebuilds(folder, max(20, patients // 4))


def _timed_raw(folder: Path, rows: list[tuple[int, int, int, bytes, bytes]]) -> float:
    """Raw `executemany` of finished rows into the same table, in transactions as large as the import's."""
    ledger = a_ledger(folder, patients=1, name="raw.sqlite")
    gc.collect()
    begin = perf_counter()
    for start in range(0, len(rows), 20_000):
        with ledger.db.writing():
            ledger.db.executemany(
                "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)",
                rows[start : start + 20_000],
            )
    spent = perf_counter() - begin
    ledger.close()
    return spent


def _made(ledger_uuid: object, patients: int) -> Iterator[tuple[int, int, int, bytes, bytes]]:
    from uuid import UUID

    assert isinstance(ledger_uuid, UUID)
    for number in range(patients):
        patient, stream = f"P{number + 1:04d}", 2 * (number + 1)
        previous = genesis(ledger_uuid, stream)
        for version, fact in enumerate(life(f"A{number}"), start=1):
            new = Draft(event=validated(fact), source=f"report:A{number}", evidence=REPORT)
            entry = Entry(
                id=entry_id_of(ledger_uuid, patient, new),
                event=new.event,
                version=version,
                recorded_at="2025-01-06T08:00:00.000000Z",
                recorded_by=BY,
                source=new.source,
                evidence=new.evidence,
            )
            body = encode(entry)
            previous = chained(previous, version, body)
            yield 1, stream, version, body, previous


def _imports(folder: Path, patients: int) -> Iterable[Ratio]:
    ledger = a_ledger(folder, patients=patients)
    rows = list(_made(ledger.uuid, patients))
    raw = _timed_raw(folder, rows)
    count = len(rows)
    del rows
    gc.collect()
    begin = perf_counter()
    batch: list[tuple[int, int, int, bytes, bytes]] = []
    for row in _made(ledger.uuid, patients):
        batch.append(row)
        if len(batch) == 20_000:
            with ledger.db.writing():
                ledger.db.executemany(
                    "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", batch
                )
            batch.clear()
    with ledger.db.writing():
        ledger.db.executemany("INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", batch)
    spent = perf_counter() - begin
    ledger.close()
    yield Ratio(
        name="bulk import: validated and chained",
        ours=count / spent, peer=count / raw, unit="entries/s", wanted=0.3,
        peer_name="raw executemany", n=count, more_is_better=True,
    )  # fmt: skip

    ledger = a_ledger(folder, patients=patients, name="whole.sqlite")
    lines = [
        orjson.dumps({"patient": f"P{number + 1:04d}", "event": fact})
        for number in range(patients)
        for fact in life(f"A{number}")
    ]
    gc.collect()
    begin = perf_counter()
    loaded = load(ledger, lines, by=Signature(person="N1"))
    spent = perf_counter() - begin
    assert loaded.added == count, loaded.refused[:3]
    yield Ratio(
        name="bulk import: from JSON lines, with admission and read models",
        ours=count / spent, peer=count / raw, unit="entries/s", wanted=0.2,
        peer_name="raw executemany", n=count, more_is_better=True,
    )  # fmt: skip
    ledger.close()


def _rebuilds(folder: Path, patients: int) -> Iterable[Ratio]:
    ledger = a_ledger(folder, patients=patients, name="rebuilt.sqlite")
    lines = (
        orjson.dumps({"patient": f"P{number + 1:04d}", "event": fact})
        for number in range(patients)
        for fact in life(f"A{number}")
    )
    load(ledger, lines, by=BY)
    app = peer_in(folder)
    for number in range(patients):
        app.save(build(life(f"A{number}")))
    count = 12 * patients
    gc.collect()
    begin = perf_counter()
    for notification in app.recorder.select_notifications(start=0, limit=count):
        app.mapper.to_domain_event(notification)
    peer = perf_counter() - begin
    gc.collect()
    begin = perf_counter()
    done = rebuild(ledger)
    ours = perf_counter() - begin
    assert done.entries == count
    yield Ratio(
        name="rebuild everything, verified, typed",
        ours=count / ours, peer=count / peer, unit="entries/s", wanted=1.5,
        peer_name="eventsourcing reading its log, decoded", n=count, more_is_better=True,
    )  # fmt: skip
    ledger.close()
    yield Ratio(
        name="bytes an entry on disk",
        ours=_on_disk(folder / "rebuilt.sqlite", ("entries", "streams")) / count,
        peer=_on_disk(folder / "peer.sqlite", ("stored_events",)) / count,
        unit="bytes", wanted=1 / 0.9, peer_name="eventsourcing", n=count,
    )  # fmt: skip


def _on_disk(path: Path, tables: tuple[str, ...]) -> int:
    """Bytes of the pages that hold these tables and their indexes, after a checkpoint."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    page = connection.execute("PRAGMA page_size").fetchone()[0]
    try:
        found = connection.execute(
            "SELECT SUM(pgsize) FROM dbstat WHERE name IN (SELECT name FROM sqlite_master WHERE tbl_name IN "
            f"({','.join('?' * len(tables))}))",
            tables,
        ).fetchone()[0]
        return int(found)
    except sqlite3.OperationalError:
        # This SQLite was built without dbstat: the whole file, less what is free.
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        free = connection.execute("PRAGMA freelist_count").fetchone()[0]
        return int((pages - free) * page)
    finally:
        connection.close()
