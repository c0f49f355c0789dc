"""A million accesses counted on one core from their entries, in bounded memory; and a unit of two hundred at once.

The histories are invented. A hundred are made beforehand, and each is folded anew every time it comes round, so that
making them is not measured and keeping them costs no memory; few enough to be as near to the processor as entries are
that were just read. What is measured is everything after the store has
read the entries: the effective history, the spells, the columns, the curve with its interval, and competing risks.
Time is that of the processor, since "on one core" must not depend on who else uses the machine.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from pathlib import Path
from time import process_time

from ledger.chronology import History
from ledger.people import Person, Unit
from ledger.statistics.definitions import rulebook
from ledger.statistics.moments import lives_of
from ledger.statistics.patency import columns_of, patency_of_many
from ledger.statistics.presence import month_of, population_of
from ledger.statistics.report import quality_report
from ledger.statistics.spells import each_spell_of, spells_of_lives
from ledger.store import open_ledger
from tests.benchmarks import Ratio
from tests.lives import a_history
from tests.statistics.said import ballooned, began, clot_out, clotted, given_up, gone, looked_at, made, needled
from tests.statistics.unit import an_invented_unit, day, filled

ACCESSES = 1_000_000
KEPT = 100
CUT = date(2024, 12, 31)
THREE = ("primary-patency", "assisted-primary-patency", "secondary-patency")


def run(scale: float) -> Iterator[Ratio]:
    """One row each: a million by one definition, by three, the curve alone, what is kept of each, a unit's report."""
    size = max(1000, int(ACCESSES * scale))
    histories = _invented(min(KEPT, size))
    book = rulebook()

    begin = process_time()
    definition = book.definition("secondary-patency")
    found = patency_of_many(each_spell_of(_fresh(histories, size), definition, CUT), definition, CUT)
    seconds = process_time() - begin
    assert found.basis.counted == size
    yield Ratio(
        name="a million accesses by one definition, from their entries",
        ours=seconds,
        peer=60 * size / ACCESSES,
        unit="s",
        wanted=1.0,
        peer_name="a minute for a million",
        n=size,
    )

    begin = process_time()
    definitions = [book.definition(name) for name in THREE]
    kept = [columns_of(()) for _ in definitions]
    for history in _fresh(histories, size):
        lives = lives_of(history, book)
        for definition, columns in zip(definitions, kept, strict=True):
            for one in spells_of_lives(lives, definition, CUT):
                columns.take(one)
    seconds = process_time() - begin
    yield Ratio(
        name="the same by three definitions at once",
        ours=seconds,
        peer=60 * size / ACCESSES,
        unit="s",
        wanted=None,
        peer_name="a minute for a million",
        n=size,
    )
    held = sum(
        column.itemsize * len(column)
        for columns in kept
        for column in (*columns.days.values(), *columns.entered.values(), *columns.cause.values(), columns.patient)
    )
    yield Ratio(
        name="memory kept of each spell while a million go by",
        ours=held / (size * len(kept)),
        peer=64,
        unit="bytes",
        wanted=1.0,
        peer_name="a bound of ours",
        n=size * len(kept),
    )

    yield _curve_alone(size)
    unit = max(2, int(200 * min(1.0, scale * 100)))
    yield _a_unit(unit)
    yield _the_command(unit)


def _curve_alone(size: int) -> Ratio:
    """The curve and its interval from columns, beside lifelines on the same columns."""
    import numpy as np
    from lifelines import KaplanMeierFitter

    from ledger.statistics.curves import kaplan_meier

    draw = np.random.default_rng(1)
    days, happened = draw.integers(1, 4000, size), draw.random(size) < 0.4
    begin = process_time()
    kaplan_meier(days, happened)
    ours = process_time() - begin
    begin = process_time()
    KaplanMeierFitter().fit(days, happened)
    peer = process_time() - begin
    return Ratio(
        name="a curve of a million with its interval",
        ours=ours,
        peer=peer,
        unit="s",
        wanted=1.0,
        peer_name="lifelines",
        n=size,
    )


def _a_unit(size: int) -> Ratio:
    """The content of the quality report of a unit, twelve months of it, without drawing."""
    histories, people = an_invented_unit(size)
    begin = process_time()
    quality_report(population_of(histories, rulebook()), "U1", month_of(2024, 6), people=people)
    return Ratio(
        name="all numbers of the quality report of a unit",
        ours=process_time() - begin,
        peer=2.0,
        unit="s",
        wanted=None,
        peer_name="two seconds",
        n=size,
    )


def _the_command(size: int) -> Ratio:
    """`patency` of a unit as a process of its own, start-up included: the processor's time of the quickest of five."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "unit.sqlite"
        with open_ledger(file, create=True, zone="Europe/London") as ledger:
            ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/London", invented=True))
            ledger.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
            filled(ledger, size)
        line = ["patency", "secondary-patency", "--unit", "U1", "--json", "--ledger", str(file)]
        spent = []
        for _ in range(5):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(
                [sys.executable, "-c", "from cli.main import run; run()", *line], check=True, capture_output=True
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return Ratio(
        name="patency of a unit as a command, start-up included",
        ours=min(spent),
        peer=0.5,
        unit="s",
        wanted=1.0,
        peer_name="half a second",
        n=size,
    )


def _invented(size: int) -> list[History]:
    """One access each, ten entries, as they come in practice."""
    found = []
    for number in range(size):
        start = number % 1200
        found.append(
            a_history(
                began(day(start)),
                made(day(start)),
                needled(day(start + 60 + number % 30)),
                looked_at(day(start + 120)),
                ballooned(day(start + 120 + number % 3)),
                clotted(day(start + 200 + number % 100)),
                clot_out(day(start + 201 + number % 100), number % 4 > 0),
                ballooned(day(start + 300 + number % 50)),
                given_up(day(start + 420), "thrombosis") if number % 5 == 0 else looked_at(day(start + 420)),
                gone(day(start + 500), "death" if number % 2 else "transplant"),
                patient=f"P{number:05}",
            )
        )
    return found


def _fresh(histories: list[History], size: int) -> Iterator[History]:
    """As many histories as asked for, none of them folded before, each a patient of its own."""
    for number in range(size):
        yield replace(histories[number % len(histories)], patient=f"P{number:07}")
