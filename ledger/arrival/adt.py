"""HL7 v2 ADT messages → what a sender says of who a patient is, and which two records are of one person.

Read by position: PID says who the patient is now, MRG under which number the same person was known before. Nothing is
decided here: which patient of the ledger is meant, and what would change, is for `ledger.identities`, and a person
confirms it.

Source: the published standard, chapter 3 (A08 and A31 update a person; A34 and A40 join two records, the one in MRG
ends in the one in PID; A47 changes a number), from memory, not looked up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from ledger.arrival.acknowledging import JOINING
from ledger.arrival.hl7v2 import Message, clues_of, identifier_clue, name_clue, timestamp
from ledger.arrival.values import IdentifierClue, NameClue, PatientClues
from ledger.dates import PartialDate
from ledger.identities import ToldIdentity


def identities_in(message: Message, event: str) -> Iterator[ToldIdentity]:
    """What an ADT message tells: one person for each PID, joined with the record of its MRG where the event joins."""
    header = message.first("MSH")
    said = timestamp(message.value(message.first("EVN"), 2)) or timestamp(message.value(header, 7))
    sender = message.value(header, 4) or message.value(header, 3)
    for pid, prior in _groups(message):
        one = replace(message, segments=(("PID", pid),))
        clues = clues_of(one)
        yield ToldIdentity(
            clues=clues,
            name=_written_name(clues),
            birth_date=_day(clues),
            prior=_prior_of(message, prior, clues) if event in JOINING and prior is not None else None,
            joins="only-number" if event == "A47" else "joined" if event in JOINING else None,
            source=f"ADT^{event}",
            sender=sender,
            said=said,
        )


def _groups(message: Message) -> Iterator[tuple[tuple[str, ...], tuple[str, ...] | None]]:
    """Each PID with the MRG that follows it."""
    pid: tuple[str, ...] | None = None
    prior: tuple[str, ...] | None = None
    for name, fields in message.segments:
        if name == "PID":
            if pid is not None:
                yield pid, prior
            pid, prior = fields, None
        elif name == "MRG" and pid is not None:
            prior = fields
    if pid is not None:
        yield pid, prior


def _prior_of(message: Message, fields: tuple[str, ...], now: PatientClues) -> PatientClues:
    """MRG: the numbers of before (MRG-1, and MRG-4 in older versions), the name of before (MRG-7).

    MRG has no birth date; that of PID is of the same person.
    """
    identifiers: list[IdentifierClue] = []
    for number in (1, 4):
        for repetition in message.repetitions(fields, number):
            one = identifier_clue(message, repetition, f"MRG-{number}")
            if one is not None and one.value not in {other.value for other in identifiers}:
                identifiers.append(one)
    names: tuple[NameClue, ...] = tuple(name_clue(message, fields, 7, "MRG-7")) or now.names
    return PatientClues(identifiers=tuple(identifiers), names=names, birth_dates=now.birth_dates, sex=now.sex)


def _written_name(clues: PatientClues) -> str | None:
    """The name as the ledger writes names: given names first."""
    name = clues.name
    if name is None:
        return None
    return " ".join(part for part in (name.given, name.family) if part) or None


def _day(clues: PatientClues) -> PartialDate | None:
    birth = clues.birth_date
    return birth.readings[0] if birth is not None and len(birth.readings) == 1 else None
