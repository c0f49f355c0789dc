"""The brief of a patient as a page: from the request to the last byte of the answer, on the server's side.

One patient with two hundred entries and sessions three times a week for a year, in a ledger of a hundred thousand
patients with twelve entries each. What is measured is all that the server does, with the line in the audit; the network
is not in it. The limits are 30 ms and, for the page with its styles and scripts, 150 kB.
"""

from __future__ import annotations

import statistics
import tempfile
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from time import perf_counter, process_time

from ledger.entries import Draft, Signature, validated
from ledger.store import Ledger, open_ledger
from tests.benchmarks import Ratio
from tests.benchmarks.rounds import add_others, add_sessions
from tests.generator import END, PERSONS, lives_of
from tests.make_unit import fill

ENTRIES, TIMES, ROUNDS = 200, 60, 6


def run(scale: float) -> Iterable[Ratio]:
    others = int(100_000 * scale)
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "ledger.sqlite"
        fill(place, lives_of(11, 12, 5))
        with open_ledger(place) as ledger:
            patient = the_long_one(ledger)
            sessions = add_sessions(ledger, [patient], years=1)
            add_others(ledger, first=len(list(ledger.who.patients())) + 1, patients=others)
        for path in ("", "/sheet"):
            taken, worked, size, styles = served(place, f"/patient/{patient}{path}")
            what = f"{path.strip('/') or 'brief'} of {ENTRIES} entries and {sessions} sessions"
            yield Ratio(
                name=f"page: {what}, among {others:,} patients (the limit is the peer)",
                ours=taken, peer=30, unit="ms", wanted=1.0, peer_name="30 ms", n=TIMES,
            )  # fmt: skip
            yield Ratio(
                name=f"page: {what}, processor time alone (the limit is the peer)",
                ours=worked, peer=30, unit="ms", wanted=1.0, peer_name="30 ms", n=TIMES,
            )  # fmt: skip
            yield Ratio(
                name=f"page: {what}, weight with styles and scripts (the limit is the peer)",
                ours=(size + styles) / 1000, peer=150, unit="kB", wanted=1.0, peer_name="150 kB", n=1,
            )  # fmt: skip


def the_long_one(ledger: Ledger) -> str:
    """The patient with the most entries, given looks and measurements until there are two hundred."""
    found = max((one.id for one in ledger.who.patients()), key=lambda one: len(ledger.history(one).entries))
    history = ledger.history(found)
    access = next(row.access for patient, row in ledger.accesses() if patient == found and row.closed is None)
    by = Signature(person=PERSONS[0].id)
    number = 0
    while len(history.entries) < ENTRIES:
        day = f"{END.year - 1}-{number % 12 + 1:02}-{number // 12 % 28 + 1:02}"
        fact: dict[str, object] = {"happened": day, "access": access}
        if number % 3:
            fact |= {"kind": "examination", "thrill": "continuous", "pulse": "soft"}
        else:
            fact |= {"kind": "measurement", "method": "indicator-dilution", "flow_ml_min": {"value": str(900 - number)}}
        ledger.append(history, [Draft(event=validated(fact), source=f"hand-{number}")], by=by)
        history = ledger.history(found)
        number += 1
    return found


def served(place: Path, path: str) -> tuple[float, float, int, int]:
    """Milliseconds of an answer by the clock and of the processor, its bytes, and the bytes of what it links to.

    The lowest median of some rounds: what else runs on the machine only ever makes it slower. The time of the processor
    is that of this process, the asking client's included; it says what the page costs on a machine that is busy.
    """
    import re

    from starlette.testclient import TestClient

    from cli.pages.doors import COOKIE, Doors
    from cli.pages.rights import Account, Role
    from cli.pages.shell import Site, application

    doors = Doors(lambda: datetime.now(UTC))
    site = Site(lambda: open_ledger(place), doors, day=END)
    app = application(site)
    app.state.doors = doors
    client = TestClient(app, base_url="http://127.0.0.1")
    client.cookies.set(COOKIE, doors.begin(Account(person=PERSONS[0].id, name="N", roles=frozenset(Role))))
    for _ in range(5):
        answer = client.get(path)
    assert answer.status_code == 200, answer.status_code
    medians, processor = [], []
    for _ in range(ROUNDS):
        found, worked = [], []
        for _ in range(TIMES // ROUNDS):
            begin, began = perf_counter(), process_time()
            client.get(path)
            found.append((perf_counter() - begin) * 1000)
            worked.append((process_time() - began) * 1000)
        medians.append(statistics.median(found))
        processor.append(statistics.median(worked))
    linked = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', answer.text))
    styles = sum(len(client.get(one).content) for one in linked)
    site.close()
    return min(medians), min(processor), len(answer.content), styles
