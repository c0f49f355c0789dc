"""Patients, people, units and centres: the tables that may change, and be erased, without touching an entry."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import delete, func, insert, select, update

from ledger.dates import PartialDate
from ledger.errors import Doubt, NotFound, WrongInput
from ledger.people import Centre, Identifier, Patient, Person, Unit
from ledger.store import schema
from ledger.store.database import Database


def patient_id(number: int) -> str:
    """`P0007`: the id by which people and entries name a patient. It says nothing about them."""
    return f"P{number:04d}"


def number_of(patient: str) -> int:
    """The number in a patient's id. Raises NotFound for what is not such an id."""
    found = re.fullmatch(r"[Pp](\d{1,12})", patient)
    if found is None:
        raise NotFound(
            "That is not the id of a patient.", "An id looks like P0007; `access-ledger patient list` shows them."
        )
    return int(found[1])


def name_key(name: str) -> str:
    """A name folded for finding: no case, no accents, no punctuation, its words in alphabetical order."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))
    return " ".join(sorted(re.findall(r"\w+", plain)))


def _could_be_one_day(one: PartialDate, two: PartialDate) -> bool:
    return one.earliest <= two.latest and two.earliest <= one.latest


class Who:
    """Reads and writes the people of one organisation."""

    def __init__(self, db: Database, org: int) -> None:
        self._db = db
        self._org = org
        self._zones: dict[str, ZoneInfo] | None = None

    @property
    def zones(self) -> dict[str, ZoneInfo]:
        """The zone of each unit."""
        if self._zones is None:
            rows = self._db.execute("SELECT unit, zone FROM units WHERE org=?", (self._org,)).fetchall()
            self._zones = {unit: ZoneInfo(zone) for unit, zone in rows}
        return self._zones

    def __contains__(self, patient: object) -> bool:
        """Whether there is a patient with this id."""
        found = re.fullmatch(r"P(\d{1,12})", patient) if isinstance(patient, str) else None
        if found is None:
            return False
        return (
            self._db.execute("SELECT 1 FROM patients WHERE org=? AND number=?", (self._org, int(found[1]))).fetchone()
            is not None
        )

    def forget(self) -> None:
        """Reads the units anew when they are next asked for."""
        self._zones = None

    # --- Patients -------------------------------------------------------------------------------------------------

    def add_patient(self, patient: Patient | None = None, **known: Any) -> Patient:
        """Enters a patient and gives them the next number (or that of `patient.id`, when a dump is restored).

        Raises WrongInput when one of the identifiers is already somebody's.
        """
        wanted = patient or Patient(id="", **known)
        t = schema.patients
        with self._db.writing():
            for one in wanted.identifiers:
                owner = self.by_identifier(one.system, one.value)
                if owner is not None:
                    raise WrongInput(
                        f"One of these numbers is already that of {owner.id}.",
                        "Open that patient; if two records are of one person, join them with an entry.",
                    )
            if wanted.id:
                number = number_of(wanted.id)
            else:
                newest = self._db.core.execute(select(func.max(t.c.number)).where(t.c.org == self._org)).scalar()
                number = (newest or 0) + 1
            self._db.core.execute(insert(t).values(org=self._org, number=number, **_columns_of(wanted)))
            self._write_identifiers(number, wanted.identifiers)
        return replace(wanted, id=patient_id(number))

    def change_patient(self, patient: Patient) -> None:
        """Writes what is now known of who the patient is. The unit's lists follow."""
        number = number_of(patient.id)
        t = schema.patients
        with self._db.writing():
            self._db.core.execute(
                update(t).where(t.c.org == self._org, t.c.number == number).values(**_columns_of(patient))
            )
            i = schema.identifiers
            self._db.core.execute(delete(i).where(i.c.org == self._org, i.c.patient == number))
            self._write_identifiers(number, patient.identifiers)

    def one_person(self, patient: str, other: str) -> list[Doubt]:
        """What speaks against two records being of one person, before they are joined.

        Raises NotFound, and WrongInput where the birth dates disagree under every reading.
        """
        from ledger.matching import names_could_be_one

        one, two = self.patient(patient), self.patient(other)
        if one.birth_date and two.birth_date and not _could_be_one_day(one.birth_date, two.birth_date):
            raise WrongInput(
                f"{one.id} and {two.id} are recorded with different birth dates, so they are not taken for one person.",
                "If one of the dates is wrong, put it right first with `access-ledger patient change`.",
            )
        if one.name and two.name and not names_could_be_one(one.name, two.name):
            words = f"{one.id} and {two.id} are recorded under different names. Look once more whether they are one."
            return [Doubt(code="names-differ", words=words)]
        return []

    def _write_identifiers(self, number: int, identifiers: Sequence[Identifier]) -> None:
        if identifiers:
            self._db.core.execute(
                insert(schema.identifiers),
                [
                    {"org": self._org, "system": one.system, "value": one.value, "patient": number}
                    for one in identifiers
                ],
            )

    def patient(self, patient: str) -> Patient:
        """The patient with this id. Raises NotFound."""
        found = list(self._read([number_of(patient)]))
        if not found:
            raise NotFound(
                f"There is no patient {patient_id(number_of(patient))} in this ledger.",
                "Look with `access-ledger patient list`, or enter the patient with `access-ledger patient add`.",
            )
        return found[0]

    def by_identifier(self, system: str | None, value: str) -> Patient | None:
        """The one patient with this number; None for nobody, and for several when no system is given."""
        found = self.with_identifier(value, system)
        return found[0] if len(found) == 1 else None

    def with_identifier(self, value: str, system: str | None = None) -> list[Patient]:
        """All patients with this number, in any system or in the one given."""
        i = schema.identifiers
        wanted = select(i.c.patient).where(i.c.org == self._org, i.c.value == value)
        if system is not None:
            wanted = wanted.where(i.c.system == system)
        numbers = sorted({row[0] for row in self._db.core.execute(wanted)})
        return list(self._read(numbers))

    def born_on(self, birth_date: str) -> list[Patient]:
        """All patients with this birth date."""
        t = schema.patients
        wanted = select(t.c.number).where(t.c.org == self._org, t.c.birth_date == birth_date)
        return list(self._read([row[0] for row in self._db.core.execute(wanted)]))

    def called(self, name: str) -> list[Patient]:
        """All patients with this name, whatever the case, the accents and the order of its words."""
        t = schema.patients
        wanted = select(t.c.number).where(t.c.org == self._org, t.c.name_key == name_key(name))
        return list(self._read([row[0] for row in self._db.core.execute(wanted)]))

    def called_like(self, patient: Patient) -> list[Patient]:
        """Other patients of the same name, or of the same family name and birth year: the warning on the brief."""
        if patient.name is None:
            return []
        return [other for other in self.called(patient.name) if other.id != patient.id]

    def find(self, text: str) -> list[Patient]:
        """Patients by id, number or (part of a) name, best first; for people who type."""
        text = text.strip()
        if re.fullmatch(r"[Pp]\d{1,12}", text):
            return list(self._read([number_of(text)]))
        by_number = self.with_identifier(text)
        if by_number:
            return by_number
        words = name_key(text).split()
        if not words:
            return []
        t = schema.patients
        wanted = select(t.c.number).where(t.c.org == self._org)
        for word in words:
            wanted = wanted.where(t.c.name_key.contains(word, autoescape=True))
        return list(self._read([row[0] for row in self._db.core.execute(wanted.order_by(t.c.name_key).limit(50))]))

    def the_patient(self, text: str) -> Patient:
        """The one patient that somebody means by an id, a number or a name. Raises NotFound for none or several."""
        found = self.find(text)
        if len(found) == 1:
            return found[0]
        if not found:
            raise NotFound("No patient here has that id, number or name.", "Look with `access-ledger patient list`.")
        raise NotFound(
            f"{len(found)} patients fit: {', '.join(one.id for one in found[:10])}.", "Name one by id or number."
        )

    def patients(self, *, unit: str | None = None) -> Iterator[Patient]:
        """All patients, or those of a unit, by number."""
        t = schema.patients
        wanted = select(t.c.number).where(t.c.org == self._org)
        if unit is not None:
            wanted = wanted.where(t.c.unit == unit)
        numbers = [row[0] for row in self._db.core.execute(wanted.order_by(t.c.number))]
        for start in range(0, len(numbers), 500):
            yield from self._read(numbers[start : start + 500])

    def with_numbers(self, numbers: Sequence[int]) -> Iterator[Patient]:
        """The patients with these numbers, in this order; one that there is not is left out."""
        return self._read(numbers)

    def _read(self, numbers: Sequence[int]) -> Iterator[Patient]:
        if not numbers:
            return
        t, i = schema.patients, schema.identifiers
        owned: dict[int, list[Identifier]] = {}
        for owner, system, value in self._db.core.execute(
            select(i.c.patient, i.c.system, i.c.value)
            .where(i.c.org == self._org, i.c.patient.in_(numbers))
            .order_by(i.c.system, i.c.value)
        ):
            owned.setdefault(owner, []).append(Identifier(system=system, value=value))
        rows = {
            found.number: found
            for found in self._db.core.execute(select(t).where(t.c.org == self._org, t.c.number.in_(numbers)))
        }
        for number in numbers:
            row = rows.get(number)
            if row is not None:
                yield Patient(
                    id=patient_id(number),
                    name=row.name,
                    birth_date=PartialDate(row.birth_date) if row.birth_date else None,
                    sex=row.sex,
                    identifiers=tuple(owned.get(number, ())),
                    unit=row.unit,
                    shift=row.shift,
                    erased=bool(row.erased),
                    invented=bool(row.invented),
                )

    # --- People, units, centres -----------------------------------------------------------------------------------

    def add_person(self, person: Person) -> None:
        """Enters somebody who records. Raises WrongInput when the id is taken."""
        if self.person(person.id) is not None:
            raise WrongInput(f"The id {person.id} is taken.", "Choose another; an id is never given twice.")
        with self._db.writing():
            self._db.core.execute(
                insert(schema.people).values(
                    org=self._org,
                    person=person.id,
                    name=person.name,
                    role=person.role,
                    invented=int(person.invented),
                )
            )

    def person(self, person: str) -> Person | None:
        t = schema.people
        row = self._db.core.execute(select(t).where(t.c.org == self._org, t.c.person == person)).first()
        return None if row is None else _person(row)

    def people(self) -> list[Person]:
        t = schema.people
        rows = self._db.core.execute(select(t).where(t.c.org == self._org).order_by(t.c.person))
        return [_person(row) for row in rows]

    def add_unit(self, unit: Unit) -> None:
        """Enters a unit, or changes its name and zone. Raises WrongInput for a zone that there is not."""
        try:
            ZoneInfo(unit.zone)
        except Exception:
            raise WrongInput(
                f"{unit.zone[:40]!r} is not a time zone.", "Name one as the IANA list does, for example Europe/London."
            ) from None
        values = {"name": unit.name, "zone": unit.zone, "invented": int(unit.invented)}
        self._put(schema.units, "unit", unit.id, values)
        self._zones = None

    def units(self) -> list[Unit]:
        t = schema.units
        rows = self._db.core.execute(select(t).where(t.c.org == self._org).order_by(t.c.unit))
        return [Unit(id=row.unit, name=row.name, zone=row.zone, invented=bool(row.invented)) for row in rows]

    def add_centre(self, centre: Centre) -> None:
        """Enters an access centre, or changes its name."""
        self._put(schema.centres, "centre", centre.id, {"name": centre.name, "invented": int(centre.invented)})

    def centres(self) -> list[Centre]:
        t = schema.centres
        rows = self._db.core.execute(select(t).where(t.c.org == self._org).order_by(t.c.centre))
        return [Centre(id=row.centre, name=row.name, invented=bool(row.invented)) for row in rows]

    def _put(self, table: Any, key: str, value: str, values: dict[str, Any]) -> None:
        with self._db.writing():
            changed = self._db.core.execute(
                update(table).where(table.c.org == self._org, table.c[key] == value).values(**values)
            )
            if changed.rowcount == 0:
                self._db.core.execute(insert(table).values(org=self._org, **{key: value}, **values))


def _person(row: Any) -> Person:
    return Person(id=row.person, name=row.name, role=row.role, invented=bool(row.invented))


def _columns_of(patient: Patient) -> dict[str, Any]:
    return {
        "name": patient.name,
        "name_key": name_key(patient.name) if patient.name else None,
        "birth_date": patient.birth_date,
        "sex": patient.sex,
        "unit": patient.unit,
        "shift": patient.shift,
        "erased": int(patient.erased),
        "invented": int(patient.invented),
    }
