"""Append and load one life: ours with everything on, against the same facts in the peer, both fully synchronised."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path

from ledger.entries import Draft, Signature, chained, encode, entry_id_of, entry_made, genesis, validated
from ledger.people import Person, Unit
from ledger.store import Ledger, open_ledger
from tests.benchmarks import Ratio, Spent, in_turns
from tests.benchmarks.lives import REPORT, life
from tests.benchmarks.peer import build, peer_in

BY = Signature(person="N1")
PEER = "eventsourcing"


def run(scale: float) -> Iterable[Ratio]:
    times = max(3, int(150 * scale))
    rounds = 7
    with tempfile.TemporaryDirectory() as folder:
        ledger = a_ledger(Path(folder), patients=times * rounds * 2 + 10)
        app = peer_in(Path(folder))
        built: list[object] = []

        def peer_builds(number: int) -> None:
            aggregate = build(life(f"A{number}"))
            app.save(aggregate)
            built.append(aggregate.id)

        ours, peer = in_turns(lambda n: store_layer(ledger, n), peer_builds, times, rounds=rounds)
        yield _row(
            "store layer alone, 12 entries, full synchronisation, validated, chained",
            ours,
            peer,
            wanted=1.3,
            peer_name=f"{PEER} build and save",
            n=times * rounds,
        )

    with tempfile.TemporaryDirectory() as folder:
        ledger = a_ledger(Path(folder), patients=times * rounds + 10)
        app = peer_in(Path(folder))
        built.clear()
        ours, peer = in_turns(lambda n: append_life(ledger, n), peer_builds, times, rounds=rounds)
        yield _row(
            "public append of 12, everything on",
            ours,
            peer,
            wanted=1.0,
            peer_name=f"{PEER} build and save",
            n=times * rounds,
        )

        ours, peer = in_turns(
            lambda n: ledger.history(f"P{n + 1:04d}").facts,
            lambda n: app.repository.get(built[n]),  # type: ignore[arg-type]
            times,
            rounds=rounds,
        )
        yield _row(
            "load and verify one history, typed, in clinical order",
            ours,
            peer,
            wanted=None,
            peer_name=f"{PEER} get",
            n=times * rounds,
        )
        ours, peer = in_turns(
            lambda n: ledger.history(f"P{n + 1:04d}").entries,
            lambda n: app.repository.get(built[n]),  # type: ignore[arg-type]
            times,
            rounds=rounds,
        )
        yield _row(
            "load and verify one history, typed", ours, peer, wanted=1.8, peer_name=f"{PEER} get", n=times * rounds
        )

        def ours_adds(number: int) -> None:
            patient = f"P{number + 1:04d}"
            fact = {"kind": "examination", "happened": "2024-09-10", "access": f"A{number}", "thrill": "continuous"}
            seen = ledger.history(patient)
            ledger.append(seen, [Draft(event=validated(fact), source="hand", evidence=REPORT)], by=BY)

        def peer_adds(number: int) -> None:
            fact = {"kind": "examination", "happened": "2024-09-10", "access": f"A{number}", "thrill": "continuous"}
            aggregate = app.repository.get(built[number])  # type: ignore[arg-type]
            aggregate.tell(fact)
            app.save(aggregate)

        ours, peer = in_turns(ours_adds, peer_adds, times, rounds=rounds)
        yield _row(
            "public append of one", ours, peer, wanted=1.5, peer_name=f"{PEER} get, record, save", n=times * rounds
        )


def _row(name: str, ours: Spent, peer: Spent, *, wanted: float | None, peer_name: str, n: int) -> Ratio:
    return Ratio(
        name=name,
        ours=ours.wall,
        peer=peer.wall,
        processor=peer.processor / ours.processor,
        unit="µs",
        wanted=wanted,
        peer_name=peer_name,
        n=n,
    )


def a_ledger(folder: Path, *, patients: int, name: str = "ledger.sqlite") -> Ledger:
    """A ledger with so many invented patients and nothing recorded of them."""
    ledger = open_ledger(folder / name, create=True, zone="Europe/Berlin")
    ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
    ledger.who.add_person(Person(id="N1", name="Invented Nurse", invented=True))
    with ledger.db.writing():
        ledger.db.executemany(
            "INSERT INTO patients (org, number, name, name_key, unit, erased, invented) VALUES (1,?,?,?,?,0,1)",
            [(number, f"Invented {number}", f"invented {number}", "U1") for number in range(1, patients + 1)],
        )
    return ledger


def append_life(ledger: Ledger, number: int) -> None:
    """Twelve facts, validated at the border, admitted, chained, read models written."""
    new = [Draft(event=validated(fact), source=f"report:A{number}", evidence=REPORT) for fact in life(f"A{number}")]
    ledger.append(f"P{number + 1:04d}", new, by=BY)


def store_layer(ledger: Ledger, number: int) -> None:
    """The store's part alone: validate, id, bytes, chain, insert, commit."""
    patient, stream = f"P{number + 1:04d}", 2 * (number + 1)
    previous = genesis(ledger.uuid, stream)
    rows = []
    for version, fact in enumerate(life(f"A{number}"), start=1):
        new = Draft(event=validated(fact), source=f"report:A{number}", evidence=REPORT)
        entry = entry_made(
            id=entry_id_of(ledger.uuid, patient, new),
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
        rows.append((1, stream, version, body, previous))
    with ledger.db.writing():
        ledger.db.executemany("INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", rows)
        ledger.db.execute(
            "INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?)",
            (1, stream, len(rows), previous, "2025-01-06T08:00:00.000000Z"),
        )
