"""A patient's history in a large ledger: as quick as in a small one, warm and cold; and a verified rebuild of it all.

At full size a million entries; `--scale 10` is ten million.
"""

from __future__ import annotations

import os
import random
import statistics
import tempfile
from collections.abc import Iterable
from pathlib import Path
from time import perf_counter

from ledger.entries import Draft, Entry, chained, encode, entry_id_of, genesis, validated
from ledger.store import Ledger, open_ledger
from ledger.store.upkeep import Rebuilt, rebuild
from tests.benchmarks import Ratio, spent_on
from tests.benchmarks.lives import REPORT, life
from tests.benchmarks.store import BY, a_ledger

LOOKS = 400


def run(scale: float) -> Iterable[Ratio]:
    small, large = 10_000 // 12, max(1000, int(1_000_000 * scale) // 12)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        few, many = filled(folder, small, "small.sqlite"), filled(folder, large, "large.sqlite")
        few_us, many_us = opened(few, small), opened(many, large)
        few.close()
        yield Ratio(
            name=f"a history of 12 opens, warm, among {large * 12:,} entries",
            ours=many_us, peer=few_us, unit="µs", wanted=1 / 1.5,
            peer_name=f"among {small * 12:,}", n=LOOKS,
        )  # fmt: skip
        longer = the_long_one(many, large)
        yield Ratio(
            name=f"a history of 200 opens, warm, among {large * 12:,} entries (the limit is the peer)",
            ours=longer, peer=1500, unit="µs", wanted=1.0, peer_name="1.5 ms", n=LOOKS,
        )  # fmt: skip
        yield Ratio(
            name=f"a history of 12 opens, warm, among {large * 12:,} entries (the limit is the peer)",
            ours=many_us, peer=300, unit="µs", wanted=1.0, peer_name="0.3 ms", n=LOOKS,
        )  # fmt: skip
        many.close()
        cold = opened_cold(folder / "large.sqlite", large)
        yield Ratio(
            name=f"a history of 12 opens, cold, among {large * 12:,} entries (the limit is the peer)",
            ours=cold, peer=5000, unit="µs", wanted=1.0, peer_name="5 ms", n=20,
        )  # fmt: skip
        with open_ledger(folder / "large.sqlite") as again:
            rebuilt: list[Rebuilt] = []
            spent = spent_on(lambda: rebuilt.append(rebuild(again)))
        (done,) = rebuilt
        limit = done.entries * 90 / 10_000_000
        yield Ratio(
            name=f"verified rebuild of {done.entries:,} entries on one core (limit: 90 s for ten million)",
            ours=spent.wall, peer=limit, processor=limit / spent.processor, unit="s", wanted=1.0, peer_name="limit",
            n=done.entries,
        )  # fmt: skip


def filled(folder: Path, patients: int, name: str) -> Ledger:
    """A ledger in which every patient has the same life; the last one has two hundred entries."""
    ledger = a_ledger(folder, patients=patients, name=name)
    templates = [Draft(event=validated(fact), source="report:A", evidence=REPORT) for fact in life("A")]
    looks = Draft(
        event=validated({"kind": "examination", "happened": "2024-09-10", "access": "A", "thrill": "continuous"}),
        source="hand",
    )
    bodies = [
        encode(
            Entry(
                id=entry_id_of(ledger.uuid, "P0001", one),
                event=one.event,
                version=1,
                recorded_at="2025-01-06T08:00:00.000000Z",
                recorded_by=BY,
                source=one.source,
                evidence=one.evidence,
            )
        )
        for one in [*templates, looks]
    ]
    batch: list[tuple[int, int, int, bytes, bytes]] = []
    heads: list[tuple[int, int, int, bytes, str]] = []
    for number in range(1, patients + 1):
        previous = genesis(ledger.uuid, 2 * number)
        last = 200 if number == patients else 12
        for version in range(1, last + 1):
            body = bodies[min(version - 1, 12)].replace(b'"A"', b'"A%d"' % number)
            # Ids have to differ within a stream; the last digits of the template's are the version.
            body = body.replace(body[4:40], body[4:36] + b"%04d" % version, 1)
            previous = chained(previous, version, body)
            batch.append((1, 2 * number, version, body, previous))
        heads.append((1, 2 * number, last, previous, "2025-01-06T08:00:00.000000Z"))
        if len(batch) > 50_000 or number == patients:
            with ledger.db.writing():
                ledger.db.executemany(
                    "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", batch
                )
                ledger.db.executemany(
                    "INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?)", heads
                )
            batch.clear()
            heads.clear()
    return ledger


def opened(ledger: Ledger, patients: int) -> float:
    """Median µs to open a history that was opened a moment ago."""
    chosen = [f"P{number:04d}" for number in random.Random(7).sample(range(1, patients), min(LOOKS, patients - 1))]
    for patient in chosen:
        ledger.history(patient)
    return statistics.median(_timed(ledger, patient) for patient in chosen)


def the_long_one(ledger: Ledger, patients: int) -> float:
    return statistics.median(_timed(ledger, f"P{patients:04d}") for _ in range(LOOKS))


def opened_cold(path: Path, patients: int) -> float:
    """Median µs for the first look after the file's pages were dropped from the system's cache."""
    found = []
    for seed in range(20):
        descriptor = os.open(path, os.O_RDONLY)
        if hasattr(os, "posix_fadvise"):
            os.fsync(descriptor)
            os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)
        with open_ledger(path) as ledger:
            found.append(_timed(ledger, f"P{random.Random(seed).randint(1, patients - 1):04d}"))
    return statistics.median(found)


def _timed(ledger: Ledger, patient: str) -> float:
    begin = perf_counter()
    ledger.history(patient)
    return (perf_counter() - begin) * 1e6
