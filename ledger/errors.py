"""What can go wrong, in sentences: what happened, and what to do now.

Three kinds of wrong, three treatments. What the operator can fix is a `LedgerError`
(only `cli/main.py` prints it). Odd data is a `Doubt` beside the result, so that a person
decides and nothing is lost. Our own mistakes are `assert`s.

No error text holds a patient's name, number or words; only ids of our own.
"""

from __future__ import annotations

from dataclasses import dataclass


class LedgerError(Exception):
    """Something that the operator can fix. `exit_code` is what the command ends with."""

    exit_code = 1

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem} {remedy}")
        self.problem = problem
        self.remedy = remedy


class WrongInput(LedgerError):
    """What was given cannot be read."""


class Refused(LedgerError):
    """Admission said no: the entry contradicts what is known, under every reading of the dates."""


class NotFound(LedgerError):
    """There is no such thing in this ledger."""


class StaleHistory(LedgerError):
    """Somebody else wrote in between."""

    exit_code = 4

    def __init__(self, patient_id: str, seen: int, now: int) -> None:
        super().__init__(
            problem=f"The history of {patient_id} has {now} entries, but you were looking at {seen}.",
            remedy="Open it again, check that your entry still makes sense, and confirm once more.",
        )


class NotTrusted(LedgerError):
    """The stored bytes are not what was once written."""

    exit_code = 5


@dataclass(frozen=True, kw_only=True)
class Doubt:
    """Something odd that stays in view until a person settles it.

    `code` is what rests in the ledger; `words` is what is shown. `about` are the ids of the entries concerned.
    """

    code: str
    words: str
    about: tuple[str, ...] = ()
    access: str | None = None
