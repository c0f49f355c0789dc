"""Who: patients, the people who record, units and access centres.

All of this may be erased or changed without touching an entry: entries hold only ids.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

from ledger.dates import PartialDate


@dataclass(frozen=True, kw_only=True)
class Identifier:
    """A number that somebody gave to a patient. `system` says who: a URI, or `local`."""

    system: str
    value: str


@dataclass(frozen=True, kw_only=True)
class Patient:
    """A patient as the unit knows them. `name` is None once the identity was erased."""

    id: str
    name: str | None = None
    birth_date: PartialDate | None = None
    sex: str | None = None  # as FHIR's administrative gender: male, female, other, unknown
    identifiers: tuple[Identifier, ...] = ()
    unit: str | None = None
    shift: str | None = None
    erased: bool = False
    invented: bool = False


@dataclass(frozen=True, kw_only=True)
class Person:
    """Somebody who records, confirms or looks."""

    id: str
    name: str
    role: str | None = None
    invented: bool = False


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A dialysis unit; its days are those of its zone."""

    id: str
    name: str
    zone: str
    invented: bool = False

    @property
    def tz(self) -> ZoneInfo:
        return ZoneInfo(self.zone)


@dataclass(frozen=True, kw_only=True)
class Centre:
    """An access centre or hospital where things are done to accesses."""

    id: str
    name: str
    invented: bool = False
