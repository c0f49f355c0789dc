"""Every look goes on record, before it is shown.

What a page noted is written in one transaction. It is with the operating system before the answer leaves, so that a
server which crashes or is killed loses nothing, and on the disk within a second: waiting for the disk at each look
would cost a millisecond where it is idle and a hundred where it is busy, of the thirty that a page may take. A power
cut may lose the looks of its last second. Entries are not written this way; they are on the disk before anybody is
told so.

Where another program holds the file for longer than a quarter of a second (a rebuild, a large import), the nurse is not
made to wait for it: the page is shown at once, the line is kept in memory with its own instant and written as soon as
the other has finished. A server that is killed in just that time loses those lines; one that is stopped writes them
first. A disk that takes nothing any more (full, read-only) does not take the history from the nurse either: then the
line goes to the server's own log.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ledger.store.database import InUse, settled
from ledger.store.upkeep import Noted, note_all

if TYPE_CHECKING:
    from ledger.store import Ledger

PATIENCE = 0.25
"""Seconds that an answer waits for another program to finish writing."""
SETTLED_AFTER = 1.0
"""Seconds until what was noted is brought to the disk, for all looks of that time at once."""

log = logging.getLogger("access-ledger.pages")


class Looks:
    """Writes what was noted. `open_one` opens a connection of its own for what has to wait."""

    def __init__(self, open_one: Callable[[], Ledger]) -> None:
        self._open = open_one
        self._late: list[Noted] = []
        self._lock = threading.Lock()
        self._writer: threading.Thread | None = None
        self._settling: threading.Timer | None = None

    def write(self, ledger: Ledger, lines: Sequence[Noted]) -> None:
        """Puts lines on record with this connection; when somebody else writes for long, soon."""
        if not lines:
            return
        try:
            with ledger.db.waiting(PATIENCE), ledger.db.lightly():
                note_all(ledger, lines)
            if ledger.db.journal is not None:
                self._settle_soon(ledger.db.journal)
        except Exception as failed:
            if not isinstance(failed, InUse):
                _to_the_log(failed, lines)
                return
            log.warning("another program writes to the ledger; %d lines of the audit follow", len(lines))
            with self._lock:
                self._late.extend(lines)
                if self._writer is None:
                    self._writer = threading.Thread(target=self._follow, name="audit", daemon=True)
                    self._writer.start()

    def _settle_soon(self, journal: Path) -> None:
        with self._lock:
            if self._settling is None:
                self._settling = threading.Timer(SETTLED_AFTER, self._settle, [journal])
                self._settling.daemon = True
                self._settling.start()

    def _settle(self, journal: Path) -> None:
        with self._lock:
            self._settling = None
        settled(journal)

    def _follow(self) -> None:
        """Writes what is late until nothing is."""
        with self._open() as own:
            while True:
                with self._lock:
                    lines = list(self._late)
                    if not lines:
                        self._writer = None
                        return
                try:
                    note_all(own, lines)
                except InUse:
                    continue  # It has waited for half a minute; it goes on waiting.
                except Exception as failed:
                    _to_the_log(failed, lines)
                with self._lock:
                    del self._late[: len(lines)]

    def close(self) -> None:
        """Waits until what is late is written, and all of it on the disk."""
        with self._lock:
            writer, settling = self._writer, self._settling
        if writer is not None:
            writer.join()
        if settling is not None:
            settling.cancel()
            self._settle(*settling.args)


def _to_the_log(why: Exception, lines: Sequence[Noted]) -> None:
    from cli.main import reference_of

    for line in lines:
        log.error("the audit was not written (%s): %s", reference_of(why), " ".join(part or "-" for part in line))
