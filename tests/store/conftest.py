"""A fresh ledger on each engine, with an invented unit, a clock that stands where the test puts it, and fixed salts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from uuid import uuid4

import pytest

from ledger.people import Identifier, Person, Unit
from ledger.store import Ledger, open_ledger

MRN = "https://invented.example/mrn"


class Clock:
    """Goes on by a second at every look, from a moment that a test can set."""

    def __init__(self, start: str = "2025-01-06T08:00:00+00:00") -> None:
        self.now = datetime.fromisoformat(start)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now.astimezone(UTC)

    def set(self, moment: str) -> None:
        self.now = datetime.fromisoformat(moment)


def fixed_salts() -> Callable[[int], bytes]:
    numbers = count(1)
    return lambda size: next(numbers).to_bytes(size, "big")


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """A place for a new ledger: a file, or a database of its own in PostgreSQL."""
    if request.param == "sqlite":
        return str(tmp_path / "ledger.sqlite")
    import psycopg

    server = request.getfixturevalue("postgres_server")
    name = f"t{uuid4().hex[:12]}"
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return str(server).replace("/postgres?", f"/{name}?")


@pytest.fixture
def ledger(where: str, clock: Clock) -> Iterator[Ledger]:
    with open_ledger(where, create=True, zone="Europe/Berlin", clock=clock, salt=fixed_salts()) as opened:
        opened.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
        opened.who.add_person(Person(id="N1", name="Invented Nurse", invented=True))
        yield opened


@pytest.fixture
def patient(ledger: Ledger) -> str:
    return ledger.who.add_patient(
        name="Quillon Ashgrove",
        birth_date="1950-02-03",
        identifiers=(Identifier(system=MRN, value="MRN-0001"),),
        unit="U1",
        invented=True,
    ).id
