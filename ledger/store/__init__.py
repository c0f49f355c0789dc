"""The door to the disk: tables, append, read, chain, seals, rebuild, backup.

SQLite by default, PostgreSQL by URL; the same code and the same tests on both.
"""

from ledger.store.ledger import Appended, Ledger, open_ledger, patients_of

__all__ = ["Appended", "Ledger", "open_ledger", "patients_of"]
