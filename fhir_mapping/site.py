"""What is particular to one place: whose identifiers these are, what may leave, and under which names.

A `Site` is frozen configuration, read once from the settings of the ledger; nothing in it changes from one day to the
next, so two exports of the same history are equal to the byte. `Directory` holds the names of people and places, and
the reports: what entries only know by id. To add a choice, add a field with a default that sends less, not more.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from fhir_mapping.codes import CodeTable, code_table
from ledger.errors import WrongInput
from ledger.events import Words
from ledger.evidence import Quote
from ledger.people import Centre, Person, Unit

CANONICAL = "https://access-ledger.example/fhir"
"""Where our own extensions and code systems are said to live: a reserved name that belongs to nobody."""

WordsOf = Callable[[Words | Quote], str | None]
"""Gives the words that a stretch of text stands for; None when they were erased or left out of a copy."""

_ABSOLUTE = re.compile(r"(https?://[^\s|]+|urn:uuid:[0-9a-f-]{36}|urn:oid:[0-2](\.(0|[1-9]\d*))+)")


@dataclass(frozen=True, kw_only=True)
class Site:
    """One sender. `namespace` is the absolute URI under which all our identifiers are unique for ever.

    `patient_system` names the identifier by which the receiver knows patients; without it the first one that is not
    local is taken. `attach_text` lets report texts and quotes leave; `create_patients` lets Patient resources leave.
    Codes of `systems_left_out` are not sent (a site without a SNOMED CT licence names it here); their text is.
    """

    namespace: str
    assigner: str | None = None
    patient_system: str | None = None
    attach_text: bool = False
    create_patients: bool = False
    canonical: str = CANONICAL
    codes: CodeTable = field(default_factory=code_table)
    systems_left_out: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        for what, uri in (("namespace", self.namespace), ("canonical", self.canonical)):
            if not _ABSOLUTE.fullmatch(uri):
                raise WrongInput(
                    problem=f"The {what} {uri[:60]!r} of the FHIR settings is not an absolute URI.",
                    remedy="Write it as https://…, urn:uuid:… or urn:oid:1.2.3, without blanks and without a bar.",
                )


@dataclass(frozen=True, kw_only=True)
class ReportCopy:
    """What is sent of a report: when it reached us (an instant), its media type, and its text where that may leave."""

    id: str
    received_at: str | None = None
    media_type: str = "text/plain"
    text: str | None = None


@dataclass(frozen=True, kw_only=True)
class Directory:
    """The names behind the ids that entries hold. Whoever is not in here is named by id alone."""

    persons: Mapping[str, Person] = field(default_factory=dict)
    units: Mapping[str, Unit] = field(default_factory=dict)
    centres: Mapping[str, Centre] = field(default_factory=dict)
    reports: Mapping[str, ReportCopy] = field(default_factory=dict)


NOBODY = Directory()
