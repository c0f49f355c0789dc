"""Rounds of one unit among a hundred thousand patients: the whole command, from its start to its last line.

The unit's hundred and fifty lives are those of the generator, with three years of sessions three times a week; the
other patients have twelve entries each and are of other units. The limit is a second.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from datetime import date, datetime, timedelta
from pathlib import Path
from time import perf_counter

from ledger.dates import PartialDate
from ledger.entries import Draft, Entry, Signature, chained, encode, entry_id_of, genesis, validated
from ledger.store import Ledger, open_ledger
from ledger.store.who import number_of
from tests.benchmarks import Ratio
from tests.benchmarks.lives import REPORT, life
from tests.generator import END, PERSONS, UNITS, ZONE, lives_of
from tests.make_unit import fill

UNIT = UNITS[0].id
OURS = [sys.executable, "-c", "from cli.main import run; run()"]
TIMES = 5


def run(scale: float) -> Iterable[Ratio]:
    in_unit, others = max(3, int(150 * min(scale, 1))), int(100_000 * scale)
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "unit.sqlite"
        fill(place, lives_of(11, in_unit, 5))
        with open_ledger(place) as ledger:
            ours = [one.id for one in ledger.who.patients()]
            with ledger.db.writing():
                ledger.db.execute("UPDATE patients SET unit=? WHERE org=?", (UNIT, ledger.org))
        without = taken(place)
        with open_ledger(place) as ledger:
            held = add_sessions(ledger, ours, years=3)
        alone = taken(place)
        with open_ledger(place) as ledger:
            add_others(ledger, first=len(ours) + 1, patients=others)
        among = taken(place)
    yield Ratio(
        name=f"rounds --unit, {len(ours)} patients without session data (the limit is the peer)",
        ours=without[0], peer=1.0, unit="s", wanted=1.0, peer_name="1 s", n=TIMES, processor=1 / without[1],
    )  # fmt: skip
    yield Ratio(
        name=f"rounds --unit, {len(ours)} patients, {held:,} sessions, among {others:,} others (the limit is the peer)",
        ours=among[0], peer=1.0, unit="s", wanted=1.0, peer_name="1 s", n=TIMES, processor=1 / among[1],
    )  # fmt: skip
    yield Ratio(
        name=f"rounds --unit among {others:,} other patients, against alone",
        ours=among[0], peer=alone[0], unit="s", wanted=1 / 1.5, peer_name="the unit alone", n=TIMES,
        processor=alone[1] / among[1],
    )  # fmt: skip


def taken(place: Path) -> tuple[float, float]:
    """Seconds of the whole command, as a process of its own, by the clock and of the processor: medians of some."""
    command = [*OURS, "rounds", "--unit", UNIT, "--today", END.isoformat(), "--ledger", str(place)]
    walls, processors = [], []
    for _ in range(TIMES):
        before, begin = os.times(), perf_counter()
        subprocess.run(command, env=dict(os.environ), check=True, capture_output=True)
        walls.append(perf_counter() - begin)
        after = os.times()
        processors.append(after.children_user - before.children_user + after.children_system - before.children_system)
    return statistics.median(walls), statistics.median(processors)


def add_sessions(ledger: Ledger, patients: list[str], *, years: int) -> int:
    """Sessions three times a week through whatever each patient has, written as rows, chained like any other."""
    written = 0
    by = Signature(person=PERSONS[-1].id)
    with ledger.db.writing():
        for patient in patients:
            row = next((row for one, row in ledger.accesses(unit=UNIT) if one == patient and row.closed is None), None)
            if row is None or row.opened is None:
                continue
            stream = 2 * number_of(patient) + 1
            ledger.db.execute("DELETE FROM streams WHERE org=? AND stream=?", (ledger.org, stream))
            previous, version = genesis(ledger.uuid, stream), 0
            there = ledger.db.execute(
                "SELECT version, hash FROM entries WHERE org=? AND stream=? ORDER BY version DESC LIMIT 1",
                (ledger.org, stream),
            ).fetchone()
            if there is not None:
                version, previous = there[0], bytes(there[1])
            day = max(END - timedelta(days=365 * years), PartialDate(row.opened).latest + timedelta(days=60))
            at = ""
            while day <= END:
                draft = Draft(event=validated(_session(row.access, day)), source=f"sheet:{day}")
                at = f"{day}T18:00:00.{version:06}Z"
                entry = Entry(
                    id=entry_id_of(ledger.uuid, patient, draft), event=draft.event, version=version + 1,
                    recorded_at=at, recorded_by=by, source=draft.source, evidence=draft.evidence, session=True,
                )  # fmt: skip
                version += 1
                body = encode(entry)
                previous = chained(previous, version, body)
                ledger.db.execute(
                    "INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)",
                    (ledger.org, stream, version, body, previous),
                )
                day += timedelta(days=3 if day.weekday() == 4 else 2)
                written += 1
            ledger.db.execute(
                "INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?)",
                (ledger.org, stream, version, previous, at or datetime.now(ZONE).isoformat()),
            )
    return written


def _session(access: str, day: date) -> dict[str, object]:
    return {
        "kind": "cannulation-session",
        "happened": day.isoformat(),
        "access": access,
        "needles": 2,
        "gauge": 15,
        "blood_flow_ml_min": {"value": "320"},
        "arterial_pressure_mmhg": {"value": "-180"},
        "venous_pressure_mmhg": {"value": "150"},
        "trouble": "none",
        "bleeding_minutes": {"value": "8"},
        "completed": True,
    }


def add_others(ledger: Ledger, *, first: int, patients: int) -> None:
    """So many patients of other units, twelve entries each, written as rows."""
    by = Signature(person=PERSONS[0].id)
    templates = [Draft(event=validated(fact), source="report:A", evidence=REPORT) for fact in life("A")]
    bodies = [
        encode(
            Entry(
                id=entry_id_of(ledger.uuid, "P0001", one), event=one.event, version=1,
                recorded_at="2025-01-06T08:00:00.000000Z", recorded_by=by, source=one.source, evidence=one.evidence,
            )
        )
        for one in templates
    ]  # fmt: skip
    with ledger.db.writing():
        for number in range(first, first + patients):
            previous = genesis(ledger.uuid, 2 * number)
            rows = []
            for version, template in enumerate(bodies, start=1):
                body = template.replace(b'"A"', b'"A%d"' % number)
                previous = chained(previous, version, body)
                rows.append((ledger.org, 2 * number, version, body, previous))
            ledger.db.executemany("INSERT INTO entries (org, stream, version, body, hash) VALUES (?,?,?,?,?)", rows)
            ledger.db.execute(
                "INSERT INTO streams (org, stream, version, hash, recorded_at) VALUES (?,?,?,?,?)",
                (ledger.org, 2 * number, len(bodies), previous, "2025-01-06T08:00:00.000000Z"),
            )
            ledger.db.execute(
                "INSERT INTO patients (org, number, name, name_key, unit, erased, invented) VALUES (?,?,?,?,?,0,1)",
                (ledger.org, number, f"Invented {number}", f"invented {number}", f"unit-{number % 600}"),
            )
