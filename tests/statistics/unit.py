"""An invented unit of some patients with all that can be counted, made from a seed; nobody in it exists."""

from __future__ import annotations

import random
from datetime import date, timedelta

from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.entries import Draft, Signature, event_to_dict, validated
from ledger.people import Patient
from ledger.store import Ledger
from tests.lives import a_history, happening
from tests.statistics.said import (
    ballooned,
    began,
    clot_out,
    clotted,
    exchanged,
    given_up,
    gone,
    infected,
    made,
    needled,
    placed,
    removed,
    used,
)

FIRST = date(2021, 1, 1)


def day(number: int) -> str:
    return (FIRST + timedelta(days=number)).isoformat()


def an_invented_unit(size: int, seed: int = 1) -> tuple[list[History], dict[str, Patient]]:
    """So many patients over four years: fistulas, grafts, lines, clots, infections, cultures, leaving."""
    draw = random.Random(seed)
    histories, people = [], {}
    for number in range(1, size + 1):
        name = f"P{number:04}"
        start = draw.randrange(900)
        kind = draw.choice(["fistula", "fistula", "graft"])
        creation = day(start) if draw.random() < 0.85 else day(start)[:7]
        events = [
            began(day(start), unit="U1", first_dialysis=day(start)),
            placed(day(start)),
            used(day(start + 1), "catheter", access="C1"),
            made(creation, kind, side=draw.choice(["left", "right"])),
        ]
        if draw.random() < 0.15:
            events.append(infected(day(start + draw.randrange(5, 60)), draw.choice(["bloodstream", "exit-site"])))
            events.append(
                happening("culture", day(start + draw.randrange(5, 60)), specimen="catheter-hub", positive=True)
            )
        if draw.random() < 0.2:
            events.append(exchanged(day(start + draw.randrange(10, 50)), form="over-wire"))
        if draw.random() < 0.9:
            first = start + draw.randrange(40, 100)
            events.append(needled(day(first)))
            events += [
                used(day(first + 20 * step)) for step in range(draw.randrange(4, 40)) if first + 20 * step < 1460
            ]
            events.append(removed(day(first + draw.randrange(10, 40)), "no-longer-needed"))
        for _ in range(draw.randrange(4)):
            events.append(ballooned(day(start + draw.randrange(100, 700)), lesion=draw.choice(["L1", "L2"])))
        if draw.random() < 0.4:
            clot = start + draw.randrange(120, 800)
            opened = draw.random() < 0.6
            events += [clotted(day(clot)), clot_out(day(clot + 1), opened)]
            if not opened:
                events.append(given_up(day(clot + 10), "thrombosis"))
        if draw.random() < 0.3:
            events.append(
                gone(day(start + draw.randrange(300, 1400)), draw.choice(["death", "transplant", "transfer"]))
            )
        histories.append(a_history(*events, patient=name))
        people[name] = Patient(
            id=name,
            name=f"Invented Person {number}",
            birth_date=PartialDate(f"{draw.randrange(1935, 1995)}"),
            sex=draw.choice(["female", "male"]),
            unit="U1",
            invented=True,
        )
    return histories, people


def filled(ledger: Ledger, size: int, seed: int = 1) -> int:
    """Puts such a unit into a ledger that has the unit U1 and the person N1; gives the number of entries that went in.

    What admission refuses (something after a death) stays out, as it would in life.
    """
    histories, people = an_invented_unit(size, seed)
    entries = 0
    for history in histories:
        ledger.who.add_patient(people[history.patient])
        drafts = []
        for place, entry in enumerate(sorted(history.entries, key=lambda one: str(one.happened))):
            told = event_to_dict(entry.event)
            if "access" in told:
                # An access has its id in the whole ledger, not only with its patient.
                told["access"] = f"{told['access']}-{history.patient}"
            drafts.append(Draft(event=validated(told), source=f"invented-{place}"))
        entries += len(ledger.append(history.patient, drafts, by=Signature(person="N1"), partly=True).entries)
    return entries
