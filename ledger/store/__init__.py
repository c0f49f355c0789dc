"""The door to the disk: tables, append, read, chain, seals, rebuild, backup.

SQLite by default, PostgreSQL by URL; the same code and the same tests on both.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ledger.store.ledger import Appended, Ledger, open_ledger, patients_of

__all__ = ["Appended", "Ledger", "open_ledger", "patients_of"]


def __getattr__(name: str) -> Any:
    """What is named in `__all__`, when it is asked for: a list of patients needs none of the classes of events."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from ledger.store import ledger

    return getattr(ledger, name)
