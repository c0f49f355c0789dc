"""Import and rebuild by the thousand, and bytes on disk."""

from __future__ import annotations

import sqlite3
import tempfile
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import UUID

import orjson

from ledger.entries import Draft, Signature, chained, encode, entry_id_of, entry_made, genesis, validated
from ledger.store import Ledger
from ledger.store.load import Loaded, load
from ledger.store.upkeep import rebuild, streams_of
from tests.benchmarks import Ratio, Spent, middle, spent_on
from tests.benchmarks.lives import REPORT, life
from tests.benchmarks.peer import build, peer_in
from tests.benchmarks.store import BY, a_ledger


def run(scale: float) -> Iterable[Ratio]:
    patients = max(20, int(8000 * scale))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        yield from _imports(folder, patients)
        yield from _rebuilds(folder, max(20, patients // 4))


ROUNDS = 3
"""Each measurement is made so often, in turns with its peer; the median counts."""

Row = tuple[int, int, int, bytes, bytes]
INSERT = "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)"
BATCH = 20_000


def _timed_insert(ledger: Ledger, rows: Iterable[Row]) -> Spent:
    """What `executemany` of rows takes, in transactions as large as the import's."""

    def insert() -> None:
        source = iter(rows)
        while batch := list(islice(source, BATCH)):
            with ledger.db.writing():
                ledger.db.executemany(INSERT, batch)

    spent = spent_on(insert)
    ledger.close()
    return spent


def _timed_load(ledger: Ledger, lines: list[bytes]) -> Spent:
    done: list[Loaded] = []
    spent = spent_on(lambda: done.append(load(ledger, lines, by=Signature(person="N1"))))
    assert done[0].added == len(lines), done[0].refused[:3]
    ledger.close()
    return spent


def _made(ledger_uuid: UUID, patients: int) -> Iterator[Row]:
    """Finished rows of plain facts, each validated, given its id, written as bytes and chained."""
    for number in range(patients):
        patient, stream = f"P{number + 1:04d}", 2 * (number + 1)
        previous = genesis(ledger_uuid, stream)
        for version, fact in enumerate(life(f"A{number}"), start=1):
            new = Draft(event=validated(fact), source=f"report:A{number}", evidence=REPORT)
            entry = entry_made(
                id=entry_id_of(ledger_uuid, patient, new),
                event=new.event,
                version=version,
                recorded_at="2025-01-06T08:00:00.000000Z",
                recorded_by=BY,
                source=new.source,
                evidence=new.evidence,
                doubts=(),
                session=False,
            )
            body = encode(entry)
            previous = chained(previous, version, body)
            yield 1, stream, version, body, previous


def _imports(folder: Path, patients: int) -> Iterable[Ratio]:
    # What is inserted raw is finished; what is imported is plain JSON or plain values.
    lines = _lines(patients)
    raw, chained_only, whole = [], [], []
    for number in range(ROUNDS):
        ledger = a_ledger(folder, patients=patients, name=f"raw{number}.sqlite")
        finished = list(_made(ledger.uuid, patients))
        raw.append(_timed_insert(ledger, finished))
        del finished
        ledger = a_ledger(folder, patients=patients, name=f"chained{number}.sqlite")
        chained_only.append(_timed_insert(ledger, _made(ledger.uuid, patients)))
        whole.append(_timed_load(a_ledger(folder, patients=patients, name=f"whole{number}.sqlite"), lines))
    count = len(lines)
    peer = middle(raw)
    yield Ratio(
        name="bulk import: validated and chained",
        **_rates(count, middle(chained_only), peer), wanted=0.3,
        peer_name="raw executemany", n=count, more_is_better=True,
    )  # fmt: skip
    yield Ratio(
        name="bulk import: from JSON lines, with admission and read models",
        **_rates(count, middle(whole), peer), wanted=0.2,
        peer_name="raw executemany", n=count, more_is_better=True,
    )  # fmt: skip


def _rates(count: int, ours: Spent, peer: Spent) -> Any:
    """Entries a second by the clock on the wall, and the ratio of processor time."""
    return {
        "ours": count / ours.wall,
        "peer": count / peer.wall,
        "unit": "entries/s",
        "processor": peer.processor / ours.processor,
    }


def _lines(patients: int) -> list[bytes]:
    return [
        orjson.dumps({"patient": f"P{number + 1:04d}", "event": fact})
        for number in range(patients)
        for fact in life(f"A{number}")
    ]


def _rebuilds(folder: Path, patients: int) -> Iterable[Ratio]:
    ledger = a_ledger(folder, patients=patients, name="rebuilt.sqlite")
    load(ledger, _lines(patients), by=BY)
    app = peer_in(folder)
    for number in range(patients):
        app.save(build(life(f"A{number}")))
    count = 12 * patients
    blank, again, read, peer = [], [], [], []

    def decode_all() -> None:
        decoded = 0
        for notification in app.recorder.select_notifications(start=0, limit=count):
            app.mapper.to_domain_event(notification)
            decoded += 1
        assert decoded == count

    def read_all() -> None:
        assert sum(len(entries) for _, entries in streams_of(ledger)) == count

    def rebuild_all() -> None:
        assert rebuild(ledger).entries == count

    for _ in range(ROUNDS):
        peer.append(spent_on(decode_all))
        read.append(spent_on(read_all))
        again.append(spent_on(rebuild_all))
        ledger.db.execute("UPDATE streams SET doubts=NULL, accesses=NULL")
        blank.append(spent_on(rebuild_all))
    named: Any = {"peer_name": "eventsourcing reading its log, decoded", "n": count, "more_is_better": True}
    yield Ratio(
        name="rebuild everything, verified, typed, read models judged and compared",
        **_rates(count, middle(again), middle(peer)), wanted=1.5, **named,
    )  # fmt: skip
    yield Ratio(
        name="the same where no read model is left, so that all are written",
        **_rates(count, middle(blank), middle(peer)), wanted=1.5, **named,
    )  # fmt: skip
    yield Ratio(
        name="of that, reading everything, verified and typed, without read models",
        **_rates(count, middle(read), middle(peer)), wanted=None, **named,
    )  # fmt: skip
    ledger.close()
    yield Ratio(
        name="bytes an entry on disk, with its share of the read model",
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
