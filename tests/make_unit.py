"""Writes a generated unit to disk, for trying commands by hand and for measuring.

    python -m tests.make_unit --to FOLDER --patients 1000      people.json and entries.jsonl
    python -m tests.make_unit --ledger unit.sqlite             a ledger of its own, recorded as the story has it

The files are written patient by patient, so that a hundred thousand of them need no more
memory than one. `entries.jsonl` is what `entries load` takes, once the patients of
`people.json` are in the ledger; with `--story` its lines also say who recorded them and
when. The ledger is stamped to the day: what one person recorded on one day for one
patient goes in together.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from datetime import datetime
from itertools import groupby
from pathlib import Path

import orjson

from tests.generator import (
    CENTRES,
    END,
    PERSONS,
    UNITS,
    ZONE,
    Life,
    Rates,
    drafts_of,
    line_of,
    lives_of,
    patient_line,
    people_of,
)


def main(arguments: list[str]) -> int:
    """The program; gives its exit code."""
    asked = _parser().parse_args(arguments)
    if asked.to is None and asked.ledger is None:
        print("Say --to FOLDER, --ledger FILE, or both.", file=sys.stderr)
        return 2
    rates = Rates(sessions_a_month=asked.sessions)
    if asked.to is not None:
        lives = lives_of(asked.seed, asked.patients, asked.years, rates)
        patients, lines = write_files(lives, asked.to, story=asked.story)
        print(f"{patients} patients and {lines} lines in {asked.to}; today is {END}.")
    if asked.ledger is not None:
        lives = lives_of(asked.seed, asked.patients, asked.years, rates)
        patients, entries = fill(asked.ledger, lives)
        print(f"{patients} patients and {entries} entries in {asked.ledger}; look at it with --today {END}.")
    return 0


def write_files(lives: Iterable[Life], folder: Path, *, story: bool = False) -> tuple[int, int]:
    """Writes `people.json` and `entries.jsonl`; says how many patients and lines."""
    folder.mkdir(parents=True, exist_ok=True)
    patients = lines = 0
    head = orjson.dumps(people_of([]), option=orjson.OPT_INDENT_2).decode()
    begin, _, end = head.partition('"patients": []')
    with (folder / "people.json").open("w", encoding="utf-8") as people, (folder / "entries.jsonl").open("wb") as out:
        people.write(begin + '"patients": [')
        for life in lives:
            for patient in (life.patient, *life.also):
                people.write(("," if patients else "") + "\n    " + orjson.dumps(patient_line(patient)).decode())
                patients += 1
            for one in life.told:
                out.write(orjson.dumps(line_of(one, story=story)) + b"\n")
                lines += 1
        people.write("\n  ]" + end + "\n")
    return patients, lines


def fill(where: Path | str, lives: Iterable[Life]) -> tuple[int, int]:
    """Makes a new ledger and records every life in it; says how many patients and entries.

    Raises Refused when admission turns something down, which is a mistake of the generator.
    """
    from ledger.store import open_ledger

    moment = datetime(2000, 1, 1, tzinfo=ZONE)
    with open_ledger(where, create=True, zone=ZONE.key, clock=lambda: moment) as ledger:
        for unit in UNITS:
            ledger.who.add_unit(unit)
        for centre in CENTRES:
            ledger.who.add_centre(centre)
        for person in PERSONS:
            ledger.who.add_person(person)
        patients = entries = 0
        for life in lives:
            with ledger.db.writing():
                for patient in (life.patient, *life.also):
                    ledger.who.add_patient(patient)
                    patients += 1
                drafts = drafts_of(life.told, ledger.uuid)
                for (patient_id, _, by), group in groupby(drafts, key=_together):
                    held = list(group)
                    moment = datetime.fromisoformat(held[-1][0])
                    appended = ledger.append(patient_id, [draft for _, _, draft, _ in held], by=by)
                    entries += len(appended.entries)
    return patients, entries


def _together(one: tuple[str, str, object, object]) -> tuple[str, str, object]:
    recorded_at, patient, _, by = one
    return patient, recorded_at[:10], by


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.make_unit", description=__doc__.split("\n")[0])
    parser.add_argument("--to", type=Path, metavar="FOLDER", help="write people.json and entries.jsonl there")
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="make a ledger there")
    parser.add_argument("--patients", type=int, default=150)
    parser.add_argument("--years", type=float, default=5)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sessions", type=int, default=1, metavar="N", help="sessions a month that are recorded")
    parser.add_argument("--story", action="store_true", help="lines also say who recorded them, and when")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
