"""A de-identified extract for a study: dates shifted, identifiers replaced, one row a spell or an event.

What is taken out: names, birth dates, free words, report texts, our ids, calendar time. Each patient's dates are moved
by a number of days of their own, kept under the key; identifiers are keyed hashes. Whoever has the key can find a
patient again; whoever has not cannot, but can still compare intervals, sequences and ages with what they know: an
extract is de-identified and not anonymous, and stays under the rules for such data.

Two things would give a shift away, and then rows carry no calendar dates, only days counted from the start: a date
known only to the month or the year, which would have to fall on the first of a month; and a spell that still ran on the
last day counted, which everybody knows. So dates stand only with patients all of whose dates are known to the day and
whose care here has ended.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from ledger.errors import WrongInput
from ledger.people import Patient
from ledger.statistics.definitions import Definition
from ledger.statistics.groups import BANDS
from ledger.statistics.moments import Care, Life, as_day, days_of
from ledger.statistics.presence import Population
from ledger.statistics.spells import LeftOut, Spell, spells_of_lives

LEAST_KEY = 16
"""Bytes that a key must have."""

MOST_SHIFT = 183
"""Dates move by up to so many days either way."""


@dataclass(frozen=True)
class Column:
    """One column of the extract, for its data dictionary."""

    name: str
    kind: str
    says: str


@dataclass(frozen=True)
class Extract:
    """Rows with their columns and how many were left out; the key is not in here."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[object, ...], ...]
    left_out: Mapping[str, int]

    @property
    def dictionary(self) -> list[tuple[str, str, str]]:
        """The data dictionary: name, kind and meaning of each column."""
        return [(one.name, one.kind, one.says) for one in self.columns]


class Veil:
    """Turns patients and ids into what may leave. The key stays with whoever made it."""

    def __init__(self, key: bytes) -> None:
        if len(key) < LEAST_KEY:
            raise WrongInput(
                problem=f"The key has {len(key)} bytes; it must have at least {LEAST_KEY}.",
                remedy="Make one with a random generator, and keep it apart from the extract.",
            )
        self._key = key

    def hashed(self, what: str, name: str) -> str:
        """A keyed hash of an id: 16 hexadecimal digits, different for a patient and an access of the same name."""
        return hmac.new(self._key, f"{what}\0{name}".encode(), hashlib.sha256).hexdigest()[:16]

    def shift_days(self, patient: str) -> int:
        """By how many days the dates of this patient move; never 0."""
        digest = hmac.new(self._key, f"shift\0{patient}".encode(), hashlib.sha256).digest()
        found = int.from_bytes(digest[:8], "big") % (2 * MOST_SHIFT) - MOST_SHIFT
        return found if found < 0 else found + 1

    def moved(self, patient: str, day: date) -> date:
        return day + timedelta(days=self.shift_days(patient))


SPELL_COLUMNS = (
    Column("patient", "text", "keyed hash of the patient"),
    Column("access", "text", "keyed hash of the access"),
    Column("definition", "text", "the measure; its meaning stands in the definitions"),
    Column("ordinal", "integer", "which spell of the access, from 1"),
    Column("kind", "text", "kind of access"),
    Column("age_band", "text", "age of the patient when the spell began; blank if not recorded"),
    Column("sex", "text", "sex as recorded; blank if not recorded"),
    Column(
        "start",
        "date",
        "first day, moved by the patient's own number of days; blank where it would give the shift away",
    ),
    Column("end", "date", "last day, moved by the same number; blank where it would give the shift away"),
    Column("days_shortest", "integer", "days from start to end by the shortest reading of partial dates"),
    Column("days_longest", "integer", "days from start to end by the longest reading"),
    Column("entered_after", "integer", "days from start until the access was watched; 0 from the beginning"),
    Column("outcome", "text", "event, competing or censored, by the longest reading"),
    Column("because", "text", "what ended it"),
)

EVENT_COLUMNS = (
    Column("patient", "text", "keyed hash of the patient"),
    Column("access", "text", "keyed hash of the access"),
    Column("kind", "text", "kind of access"),
    Column("what", "text", "the class of the event in the definitions, or its kind"),
    Column("day", "integer", "days since the access was made or met, by the earliest reading"),
    Column("day_latest", "integer", "the same by the latest reading"),
    Column("date", "date", "moved by the patient's own number of days; blank where it would give the shift away"),
)


def spell_extract(
    population: Population,
    definitions: Sequence[Definition],
    cut: date,
    key: bytes,
    *,
    people: Mapping[str, Patient] | None = None,
) -> Extract:
    """One row a spell under each definition."""
    veil = Veil(key)
    rows: list[tuple[object, ...]] = []
    left_out: dict[str, int] = {}
    for care in population.cares:
        lives = list(care.lives.values())
        found: list[Spell] = []
        for definition in definitions:
            for one in spells_of_lives(lives, definition, cut):
                if isinstance(one, LeftOut):
                    left_out[one.why] = left_out.get(one.why, 0) + 1
                else:
                    found.append(one)
        dated = _may_be_dated(care, cut) and not any(one.longest.ended_by == "cut" for one in found)
        rows += [_spell_row(one, veil, dated, (people or {}).get(one.patient)) for one in found]
    # The order of patients in the ledger would say who came first.
    return Extract(SPELL_COLUMNS, tuple(sorted(rows, key=lambda row: tuple(map(str, row[:4])))), left_out)


def event_extract(population: Population, cut: date, key: bytes) -> Extract:
    """One row an event of an access, up to and including the cut. Facts without a class in the definitions stay out."""
    veil = Veil(key)
    rows: list[tuple[object, ...]] = []
    left_out: dict[str, int] = {}
    for care in population.cares:
        dated = _may_be_dated(care, cut)
        for life in care.lives.values():
            origin = life.made or life.known
            if origin is None or life.kind is None:
                left_out["no-creation"] = left_out.get("no-creation", 0) + 1
                continue
            began = days_of(origin.fact.happened, life.zone)[0]
            events = [(moment.earliest, moment.latest, moment.what) for moment in life.moments if moment.what]
            events += [
                (*days_of(one.happened, life.zone), one.kind) for one in life.troubles if one.kind == "examination"
            ]
            dated_life = dated and all(earliest == latest for earliest, latest, _ in events)
            for earliest, latest, what in sorted(events):
                if earliest > cut.toordinal():
                    continue
                rows.append(
                    (
                        veil.hashed("patient", life.patient),
                        veil.hashed("access", f"{life.patient}/{life.access}"),
                        life.kind.value,
                        what,
                        earliest - began,
                        latest - began,
                        veil.moved(life.patient, as_day(earliest)).isoformat() if dated_life else "",
                    )
                )
    return Extract(
        EVENT_COLUMNS, tuple(sorted(rows, key=lambda row: (str(row[0]), str(row[1]), int(str(row[4]))))), left_out
    )


def _spell_row(one: Spell, veil: Veil, dated: bool, patient: Patient | None) -> tuple[object, ...]:
    long, short = one.longest, one.shortest
    dates = ("", "")
    if dated and short is long:
        dates = (
            veil.moved(one.patient, long.start).isoformat(),
            veil.moved(one.patient, long.end).isoformat(),
        )
    return (
        veil.hashed("patient", one.patient),
        veil.hashed("access", f"{one.patient}/{one.access}"),
        one.definition,
        one.ordinal,
        one.kind.value,
        _age_band(patient, long.start),
        (patient.sex if patient is not None else None) or "",
        *dates,
        short.days,
        long.days,
        long.entered_after,
        long.outcome.value,
        long.ended_by,
    )


def _age_band(patient: Patient | None, day: date) -> str:
    if patient is None or patient.birth_date is None:
        return ""
    born = patient.birth_date.earliest
    years = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
    return next(words for under, words in BANDS if years < under)


def _may_be_dated(care: Care, cut: date) -> bool:
    """Whether moved dates of this patient give nothing away."""
    if not care.comings or not care.exact or not all(_is_exact(life) for life in care.lives.values()):
        return False
    last = care.comings[-1]
    return last.what == "ended" and last.latest <= cut.toordinal()


def _is_exact(life: Life) -> bool:
    if not life.exact:
        return False
    facts = (life.made, life.known, *life.needled.facts)
    days = [days_of(one.fact.happened, life.zone) for one in facts if one is not None]
    created = getattr(life.known.fact, "created", None) if life.known is not None else None
    if created is not None:
        days.append(days_of(created, life.zone))
    return all(first == last for first, last in days)
