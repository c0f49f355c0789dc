"""Finding a patient by what somebody types: a number, a birth date, a name, some of it, or a misspelt one.

`find` reads what was typed (`wanted_from`), asks the tables, and puts what fits best first: the very number or id,
then whole names, beginnings, parts, and names that are nearly so. A number or a date may be written in several ways; a
date that means two days is looked for under both. Only patients of the units that are given exist for it.

At a hundred thousand patients it answers without any index kept in memory: an exact question by the tables' indexes, a
misspelt name by one scan that counts the trigrams which each name shares with what was typed, of which the best few
hundred are compared letter by letter (`difflib`).

To find by something else, read it in `wanted_from` and ask for it in `find`.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher
from enum import IntEnum
from typing import TYPE_CHECKING, Any

from ledger.dates import PartialDate
from ledger.people import Patient
from ledger.store.who import name_key

if TYPE_CHECKING:
    from ledger.arrival.values import PatientClues
    from ledger.matching import Register
    from ledger.store.ledger import Ledger

NEARLY_FROM = 0.74
"""From this likeness of letters on (0 to 1, `difflib`) a word may be another one misspelt. Chosen on invented names."""

BESIDE = 0.12
"""How much less alike than the best a misspelt name may be and is still shown."""

LOOKED_AT = 400
"""How many names with the most trigrams in common are compared letter by letter."""


_PLAIN = "REPLACE(REPLACE(REPLACE(REPLACE(i.value,' ',''),'-',''),'.',''),'/','')"
"""A number as it stands in the table, without what people space it with (`ledger.matching.number_key`)."""


class How(IntEnum):
    """How surely somebody is meant, best first."""

    EXACTLY = 0  # id, number, or whole words of the name and the birth date, as far as they were typed
    BEGINS = 1  # the words typed begin words of the name, or the birth date is recorded less exactly
    IN_PART = 2  # the words typed are somewhere in the name, or the number ends so
    NEARLY = 3  # a letter or two differ


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What was typed, as it can be understood: an id, a number, words of a name, readings of a birth date."""

    number: str = ""
    words: tuple[str, ...] = ()
    births: tuple[PartialDate, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Found:
    """One patient who may be meant. `likeness` orders those who are found alike.

    `same_name` is how many other patients of the organisation have this very name, `alike` that another patient who was
    found has a name that could be taken for it.
    """

    patient: Patient
    how: How
    likeness: float
    same_name: int = 0
    alike: bool = False


def wanted_from(text: str) -> Wanted:
    """What somebody typed, taken apart. Whatever has a digit may be a number as well, written with words around it.

    >>> wanted_from("osterpike 22.3.1958")
    Wanted(number='OSTERPIKE2231958', words=('osterpike',), births=('1958-03-22',))
    >>> wanted_from("K 204-817").number
    'K204817'
    """
    from ledger.arrival.headers import day_readings
    from ledger.matching import number_key

    pieces = text.split()
    births: tuple[PartialDate, ...] = ()
    for length in (4, 3, 2, 1):
        for at in range(len(pieces) - length + 1):
            said = " ".join(pieces[at : at + length]).strip(",;")
            readings = day_readings(said, birth=True, strict=True) or _run_together(said)
            if readings:
                births, pieces = readings, pieces[:at] + pieces[at + length :]
                break
        if births:
            break
    rest = " ".join(pieces)
    has_digit = any(sign.isdigit() for sign in text)
    return Wanted(
        number=re.sub(r"[%_\\]", "", number_key(text.strip())) if has_digit else "",
        words=tuple(name_key(re.sub(r"[’'`_]", "", rest)).split()) if not any(s.isdigit() for s in rest) else (),
        births=births,
    )


def _run_together(said: str) -> tuple[PartialDate, ...]:
    """Days written as eight digits: 22031958, 03221958 or 19580322."""
    if re.fullmatch(r"\d{8}", said) is None:
        return ()
    shapes = (said, said[4:] + said[2:4] + said[:2], said[4:] + said[:2] + said[2:4])
    found = set()
    for one in shapes:
        if one[:2] in ("18", "19", "20"):
            try:
                found.add(PartialDate(f"{one[:4]}-{one[4:6]}-{one[6:]}"))
            except ValueError:
                continue
    return tuple(sorted(found))


def find(ledger: Ledger, text: str, *, units: Collection[str] = (), limit: int = 20) -> tuple[list[Found], bool]:
    """Patients who may be meant by what was typed, best first, and whether there are more than `limit`.

    `units`: only patients of these; of all where it is empty.
    """
    wanted = wanted_from(text)
    asking = _Asking(ledger, units)
    found = {number: (how, likeness) for number, how, likeness in asking.by_number(text.strip(), wanted.number)}
    if not found or wanted.births:
        for number, how, likeness in asking.by_name_and_birth(wanted):
            found.setdefault(number, (how, likeness))
    closest = max((likeness for how, likeness in found.values() if how is How.NEARLY), default=0.0)
    ordered = sorted(
        (number for number, (how, likeness) in found.items() if how is not How.NEARLY or likeness > closest - BESIDE),
        key=lambda number: (found[number][0], -found[number][1], number),
    )
    shown = list(ledger.who.with_numbers(ordered[:limit]))
    hits = [
        Found(patient=one, how=found[number][0], likeness=found[number][1])
        for one, number in zip(shown, ordered, strict=False)
    ]
    return _with_namesakes(ledger, hits), len(ordered) > limit


def near(ledger: Ledger, clues: Iterable[PatientClues]) -> Register:
    """The patients whom `ledger.matching` could take for what some reports say, or warn of, laid out for it.

    Whoever shares a number, a birth date or a word of a name: the same answers as from a register of everybody, without
    reading a hundred thousand patients for one report.
    """
    from ledger.matching import Register, name_words, number_key

    numbers: set[str] = set()
    births: set[str] = set()
    words: set[str] = set()
    for one in clues:
        numbers |= {number_key(clue.value).lstrip("0") for clue in one.identifiers}
        readings = [str(reading) for birth in one.birth_dates for reading in birth.readings]
        births |= {known for reading in readings for known in (reading, reading[:7], reading[:4])}
        for name in one.names:
            # The tables hold names as `name_key` folds them, which parts some words that matching does not.
            words |= {word for word in (*name_words(name.text), *name_key(name.text).split()) if len(word) > 1}
    asking = _Asking(ledger, ())
    found: dict[int, None] = {}
    for number in sorted(numbers):
        found.update(dict.fromkeys(asking.with_number(number)))
    for birth in sorted(births):
        found.update(dict.fromkeys(asking.born(birth)))
    for word in sorted(words):
        found.update(dict.fromkeys(asking.with_word(word)))
    numbered = sorted(found)
    everybody = (
        patient
        for start in range(0, len(numbered), 500)
        for patient in ledger.who.with_numbers(numbered[start : start + 500])
    )
    return Register(everybody)


class _Asking:
    """The questions to the tables, all of them about patients of the units only."""

    def __init__(self, ledger: Ledger, units: Collection[str]) -> None:
        self.db = ledger.db
        self.where = "p.org=? AND p.erased=0" + (f" AND p.unit IN ({','.join('?' * len(units))})" if units else "")
        self.values = [ledger.org, *sorted(units)]

    def _rows(self, text: str, values: Iterable[Any]) -> list[Any]:
        rows: list[Any] = self.db.execute(text, [*values]).fetchall()
        return rows

    def by_number(self, text: str, number: str) -> Iterator[tuple[int, How, float]]:
        """By our own id, by a whole number however it is spaced, or by the last digits of one."""
        if re.fullmatch(r"[Pp]\d{1,12}", text):
            asked = f"SELECT p.number FROM patients p WHERE {self.where} AND p.number=?"
            yield from ((row[0], How.EXACTLY, 1.0) for row in self._rows(asked, [*self.values, int(text[1:])]))
        if not number:
            return
        joined = f"JOIN identifiers i ON i.org=p.org AND i.patient=p.number WHERE {self.where}"
        asked = f"SELECT p.number FROM patients p {joined} AND i.value=?"
        rows = self._rows(asked, [*self.values, text])
        if not rows and len(number) >= 4:
            asked = f"SELECT p.number, UPPER({_PLAIN})=? FROM patients p {joined} AND UPPER({_PLAIN}) LIKE ? LIMIT 200"
            rows = self._rows(asked, [number, *self.values, f"%{number}"])
            whole = [row for row in rows if row[1]]
            yield from ((row[0], How.EXACTLY if row[1] else How.IN_PART, 1.0) for row in whole or rows)
            return
        yield from ((row[0], How.EXACTLY, 1.0) for row in rows)

    def with_number(self, number: str) -> Iterator[int]:
        """Whoever has this number, however it is spaced, noughts in front left aside."""
        asked = (
            f"SELECT p.number FROM patients p JOIN identifiers i ON i.org=p.org AND i.patient=p.number "
            f"WHERE {self.where} AND LTRIM(UPPER({_PLAIN}),'0')=?"
        )
        yield from (row[0] for row in self._rows(asked, [*self.values, number]))

    def born(self, birth: str) -> Iterator[int]:
        """Whoever is recorded with exactly this birth date, or month, or year."""
        asked = f"SELECT p.number FROM patients p WHERE {self.where} AND p.birth_date=?"
        yield from (row[0] for row in self._rows(asked, [*self.values, birth]))

    def with_word(self, word: str) -> Iterator[int]:
        """Whoever has this word in their name."""
        asked = f"SELECT p.number FROM patients p WHERE {self.where} AND ' ' || p.name_key || ' ' LIKE ?"
        yield from (row[0] for row in self._rows(asked, [*self.values, f"% {word} %"]))

    def by_name_and_birth(self, wanted: Wanted) -> Iterator[tuple[int, How, float]]:
        """By words of the name, by birth date, or by both; then by a name that is nearly so."""
        if not wanted.words and not wanted.births:
            return
        conditions, values = [], []
        if wanted.births:
            whole = sorted({known for one in wanted.births for known in (one, one[:7], one[:4])})
            begin = [f"{one}-%" for one in wanted.births if len(one) < 10]
            conditions.append(
                "(p.birth_date IN ("
                + ",".join("?" * len(whole))
                + ")"
                + "".join(" OR p.birth_date LIKE ?" for _ in begin)
                + ")"
            )
            values += [*whole, *begin]
        in_order = "SELECT p.number, p.name_key, p.birth_date FROM patients p WHERE " + self.where
        if not wanted.births:
            rows = self._rows(
                in_order + "".join(" AND p.name_key LIKE ?" for _ in wanted.words) + " ORDER BY p.name_key LIMIT 1000",
                [*self.values, *(f"%{word}%" for word in wanted.words)],
            )
            exactly = [(row[0], *_fit(wanted, row[1], row[2])) for row in rows]
            yield from exactly
            # A word may be in the middle of many names by chance; then the name that was meant is still looked for.
            if not any(how in (How.EXACTLY, How.BEGINS) for _, how, _ in exactly):
                yield from self._nearly(wanted)
            return
        rows = self._rows(in_order + "".join(f" AND {one}" for one in conditions) + " LIMIT 4000", self.values + values)
        for number, key, birth in rows:
            how, likeness = _fit(wanted, key, birth)
            if likeness >= NEARLY_FROM:
                yield number, how, likeness

    def _nearly(self, wanted: Wanted) -> Iterator[tuple[int, How, float]]:
        pieces = list(dict.fromkeys(piece for word in wanted.words for piece in _trigrams(word)))
        place = "STRPOS" if self.db.is_postgres else "INSTR"
        shared = "+".join([f"CASE WHEN {place}(k,?)>0 THEN 1 ELSE 0 END"] * len(pieces))
        rows = self._rows(
            f"SELECT number, k, {shared} AS shared FROM "
            f"(SELECT p.number AS number, ' ' || p.name_key || ' ' AS k FROM patients p WHERE {self.where} "
            f"AND p.name_key IS NOT NULL) AS named ORDER BY shared DESC, number LIMIT {LOOKED_AT}",
            [*pieces, *self.values],
        )
        for number, key, common in rows:
            if not common:
                break
            how, likeness = _fit(wanted, key, None)
            if likeness >= NEARLY_FROM:
                yield number, how, likeness


def _trigrams(word: str) -> list[str]:
    padded = f" {word} "
    return [padded[at : at + 3] for at in range(len(padded) - 2)] or [padded]


def _fit(wanted: Wanted, key: str | None, birth: str | None) -> tuple[How, float]:
    """How well a name and a birth date fit what was typed, and how alike the words are."""
    how, likeness = How.EXACTLY, 1.0
    if wanted.births and birth is not None and len(birth) < min(len(one) for one in wanted.births):
        how = How.BEGINS
    known = (key or "").split()
    if wanted.words:
        each = [_word_fit(word, known) for word in wanted.words]
        how = max(how, *(one for one, _ in each))
        worst = min(alike for _, alike in each)
        # One word that is quite another one makes it another name, however well the rest fits.
        likeness = sum(alike for _, alike in each) / len(each) if worst >= 0.6 else 0.0
    return how, likeness


def _word_fit(word: str, known: Sequence[str]) -> tuple[How, float]:
    if word in known:
        return How.EXACTLY, 1.0
    if any(one.startswith(word) for one in known):
        return How.BEGINS, 0.99
    if len(word) > 1 and any(word in one for one in known):
        return How.IN_PART, 0.9
    best = 0.0
    for one in known:
        matcher = SequenceMatcher(None, word, one, autojunk=False)
        best = max(best, matcher.ratio())
        # A name that is still being typed is compared with as much of the other.
        if len(one) > len(word) + 1 and len(word) >= 4:
            matcher.set_seq2(one[: len(word)])
            best = max(best, matcher.ratio() - 0.05)
    return How.NEARLY, best


def _with_namesakes(ledger: Ledger, hits: list[Found]) -> list[Found]:
    from ledger.matching import called_alike

    names = {name_key(one.patient.name) for one in hits if one.patient.name}
    if not names:
        return hits
    rows = ledger.db.execute(
        f"SELECT name_key FROM patients WHERE org=? AND name_key IN ({','.join('?' * len(names))})",
        [ledger.org, *sorted(names)],
    ).fetchall()
    how_many = Counter(row[0] for row in rows)
    return [
        replace(
            one,
            same_name=how_many[name_key(one.patient.name)] - 1,
            alike=any(
                other is not one and other.patient.name and called_alike(one.patient.name, other.patient.name)
                for other in hits
            ),
        )
        if one.patient.name
        else one
        for one in hits
    ]
