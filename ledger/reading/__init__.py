"""A report's text → what it proposes to enter, with the words under each proposal.

`read_report` is a function of the text and its envelope. It asks nobody, keeps nothing,
and makes nothing up: a number that is not in the text is not in the reading. What was
noticed and left out is listed with its reason.

It goes segments → mentions → scope → accesses → deeds → lesions → what is told beside,
by notes and by addenda → proposals, a module each. Words that it knows are rows of the
tables beside it, each with a test sentence; a new phrase is a new row. When a reading of
the same text changes, raise `READER_VERSION`.

Not for: who the patient is and which access of the ledger is meant (`ledger.matching`).
"""

from __future__ import annotations

from ledger.reading.proposals import (
    Amends,
    Cite,
    Noticed,
    Proposal,
    ReadAccess,
    ReadBalloon,
    Reading,
    ReadLesion,
    ReadStent,
)
from ledger.reading.reader import READER_VERSION, read_report

__all__ = [
    "READER_VERSION",
    "Amends",
    "Cite",
    "Noticed",
    "Proposal",
    "ReadAccess",
    "ReadBalloon",
    "ReadLesion",
    "ReadStent",
    "Reading",
    "read_report",
]
