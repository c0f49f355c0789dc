"""Bytes → reports: text, envelope, clues to the patient. Or a sentence on why not.

`arrive` never raises for what a file holds: what cannot be read comes back as
`Unreadable`, with what to do now, beside whatever else the file held. It knows no
store and no clock, and keeps nothing; the caller keeps the original under its digest.

Not for: who the patient is (`ledger.matching`), what was done (`ledger.reading`).
"""

from __future__ import annotations

from ledger.arrival.desk import Desk, arrive
from ledger.arrival.values import (
    LIMITS,
    Arrived,
    ArrivedReport,
    BirthDateClue,
    DocumentStatus,
    Envelope,
    Form,
    Hint,
    IdentifierClue,
    Limits,
    NameClue,
    PatientClues,
    Span,
    Unreadable,
    Why,
)

__all__ = [
    "LIMITS",
    "Arrived",
    "ArrivedReport",
    "BirthDateClue",
    "Desk",
    "DocumentStatus",
    "Envelope",
    "Form",
    "Hint",
    "IdentifierClue",
    "Limits",
    "NameClue",
    "PatientClues",
    "Span",
    "Unreadable",
    "Why",
    "arrive",
]
