"""One connection to SQLite or PostgreSQL, and its transactions.

The schema and the cold statements are SQLAlchemy Core; the hot paths (append, read one
history, import, rebuild) use the driver's cursor with the same connection. The engine
runs in autocommit, so that every transaction here begins and ends where it says so:
writers with BEGIN IMMEDIATE on SQLite, none open across a prompt.
"""

from __future__ import annotations

import os
import sqlite3
import stat
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from functools import cached_property
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, exc
from sqlalchemy.engine import Connection
from sqlalchemy.pool import NullPool

from ledger.errors import LedgerError, NotFound, WrongInput

OLDEST_SQLITE = (3, 37, 0)
BUSY_SECONDS = 30
"""How long a writer waits for another one."""
_PRAGMAS = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "secure_delete=ON",
    "cache_size=-16000",
    # Four times SQLite's own: the journal grows to 16 MB instead of 4 before it is written back. A page that many
    # appends touch is then written back once; measured, that takes a seventh off the processor's time for an append.
    "wal_autocheckpoint=4000",
)
LIGHTLY = {
    # https://sqlite.org/pragma.html#pragma_synchronous: in WAL, NORMAL keeps a database whole, if not its last commit.
    False: ("PRAGMA synchronous=NORMAL", "PRAGMA synchronous=FULL"),
    # https://www.postgresql.org/docs/current/wal-async-commit.html: on the disk within three times wal_writer_delay.
    True: ("SET synchronous_commit TO OFF", "SET synchronous_commit TO DEFAULT"),
}
_NETWORK_FILE_SYSTEMS = frozenset({"nfs", "nfs4", "cifs", "smbfs", "smb3", "fuse.sshfs", "afs", "ncpfs", "9p", "ceph"})


class InUse(WrongInput):
    """Somebody else writes, and has not finished in the time that we wait."""


class Database:
    """A single connection. Not shared between threads; opening another one is cheap."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self.core: Connection = engine.connect()
        self.is_postgres = engine.dialect.name == "postgresql"
        raw: Any = self.core.connection.driver_connection
        self.raw = raw
        self.cursor: Any = raw.cursor()
        self._depth = 0

    def sql(self, text: str) -> str:
        """A statement with `?` places, in the driver's own style."""
        return text.replace("?", "%s") if self.is_postgres else text

    def execute(self, text: str, values: Sequence[Any] = ()) -> Any:
        """Runs one statement on the driver's cursor; the cursor holds its rows until the next call."""
        self.cursor.execute(self.sql(text), values)
        return self.cursor

    def executemany(self, text: str, rows: Sequence[Sequence[Any]]) -> None:
        """Runs one statement for many rows. Not with insertmanyvalues: the driver's own is quicker."""
        if rows:
            self.cursor.executemany(self.sql(text), rows)

    def streaming_cursor(self) -> Any:
        """A cursor of its own for reading many rows in bounded memory; within a transaction on PostgreSQL."""
        return self.raw.cursor(name="streaming") if self.is_postgres else self.raw.cursor()

    @contextmanager
    def writing(self) -> Iterator[None]:
        """A short write transaction. Nested ones belong to the outermost."""
        if self._depth:
            self._depth += 1
            try:
                yield
            finally:
                self._depth -= 1
            return
        try:
            self.cursor.execute("BEGIN" if self.is_postgres else "BEGIN IMMEDIATE")
        except sqlite3.OperationalError as busy:
            raise _said(busy) from None
        self._depth = 1
        try:
            yield
        except BaseException:
            self._depth = 0
            self.cursor.execute("ROLLBACK")
            raise
        self._depth = 0
        try:
            self.cursor.execute("COMMIT")
        except sqlite3.OperationalError as failed:
            self.cursor.execute("ROLLBACK")
            raise _said(failed) from None

    @contextmanager
    def waiting(self, seconds: float) -> Iterator[None]:
        """Waits no longer than this for another writer of a SQLite file. Raises InUse."""
        if self.is_postgres:
            yield  # There writers of different rows do not wait for each other.
            return
        self.raw.execute(f"PRAGMA busy_timeout={int(seconds * 1000)}")
        try:
            yield
        finally:
            self.raw.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")

    @contextmanager
    def lightly(self) -> Iterator[None]:
        """What is committed inside is with the operating system at once and on the disk a moment later: a crash of
        ours loses none of it, a power cut may lose what `settled` has not yet seen. Not for entries."""
        on, off = LIGHTLY[self.is_postgres]
        self.raw.execute(on)
        try:
            yield
        finally:
            self.raw.execute(off)

    @cached_property
    def journal(self) -> Path | None:
        """The journal file of a SQLite ledger, which `settled` brings to the disk; PostgreSQL does it by itself."""
        if self.is_postgres:
            return None
        file = self.raw.execute("PRAGMA database_list").fetchone()[2]
        return Path(f"{file}-wal") if file else None

    @contextmanager
    def reading(self) -> Iterator[None]:
        """A snapshot: what is read inside belongs together."""
        if self._depth:
            yield
            return
        self.cursor.execute("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY" if self.is_postgres else "BEGIN")
        self._depth = 1
        try:
            yield
        finally:
            self._depth = 0
            self.cursor.execute("COMMIT")

    def close(self) -> None:
        self.cursor.close()
        self.core.close()
        self.engine.dispose()


def _said(error: Exception) -> LedgerError:
    text = str(error)
    if "locked" in text or "busy" in text:
        return InUse("Another program is writing to this ledger.", "Wait for it to finish and try again.")
    if "full" in text:
        return WrongInput("The disk is full; nothing was written.", "Make room and try again.")
    if "readonly" in text or "unable to open" in text:
        # A file that may be read in a folder that may not be written to is no use either: beside it stands its journal.
        return WrongInput("This ledger cannot be written to.", "Check who owns the file, and its folder.")
    return WrongInput(
        f"The ledger's file refuses: {text}.", "Run `access-ledger verify`, and restore a backup if need be."
    )


def raw_bytes(stored: object) -> bytes:
    """The bytes of what a column of bytes holds. SQLite keeps there whatever somebody else put in, text as well."""
    if isinstance(stored, bytes):
        return stored
    return bytes(stored) if isinstance(stored, memoryview | bytearray) else str(stored).encode("utf-8", "surrogatepass")


def settled(journal: Path) -> None:
    """Brings to the disk what was committed lightly."""
    with suppress(FileNotFoundError):  # The last connection was closed, and all of it is in the file itself.
        descriptor = os.open(journal, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def is_url(where: str) -> bool:
    return where.startswith(("postgresql:", "postgres:", "postgresql+psycopg:"))


def connect(where: str | Path, *, create: bool) -> Database:
    """Opens the database. A file that is not there is made only with `create`, private to its owner."""
    text = str(where)
    if is_url(text):
        return _connect_postgres(text)
    if text == ":memory:":
        return _connect_sqlite(":memory:")
    path = Path(text).expanduser()
    _check_sqlite_can(path)
    if not path.exists():
        if not create:
            raise NotFound(
                f"There is no ledger at {path}.",
                "Make one with `access-ledger init`, try `access-ledger demo`, or name another with --ledger.",
            )
        _make_private(path)
    elif path.is_dir():
        raise WrongInput(f"{path} is a folder.", "Name a file, for example ledger.sqlite in that folder.")
    elif path.stat().st_size and path.open("rb").read(16) != b"SQLite format 3\0":
        raise WrongInput(f"{path} is not a ledger.", "Name another file; this one was not touched.")
    return _connect_sqlite(str(path))


def _make_private(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, stat.S_IRUSR | stat.S_IWUSR))


def _check_sqlite_can(path: Path) -> None:
    if sqlite3.sqlite_version_info < OLDEST_SQLITE:
        raise WrongInput(
            f"SQLite {sqlite3.sqlite_version} is too old; 3.37 or newer is needed.",
            "Use a newer Python, or a ledger in PostgreSQL.",
        )
    kind = _file_system_of(path)
    if kind in _NETWORK_FILE_SYSTEMS:
        raise WrongInput(
            f"{path} lies on a network share ({kind}), where SQLite's locks cannot be trusted.",
            "Keep the ledger on a local disk, or use PostgreSQL.",
        )


def _file_system_of(path: Path) -> str | None:
    try:
        mounts = Path("/proc/self/mounts").read_text().splitlines()
    except OSError:
        return None  # Not Linux: it cannot be told, so nothing is refused.
    there = str(path.absolute())
    best, kind = "", None
    for line in mounts:
        _, point, found, *_ = line.split(" ")
        point = point.replace("\\040", " ")
        if len(point) > len(best) and (there + "/").startswith(point.rstrip("/") + "/"):
            best, kind = point, found
    return kind


def _connect_sqlite(path: str) -> Database:
    engine = create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(path, isolation_level=None, timeout=BUSY_SECONDS, check_same_thread=False),
        poolclass=NullPool,
        isolation_level="AUTOCOMMIT",
    )

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _: object) -> None:
        # Full synchronisation: what was reported as stored survives a power cut. Secure delete: erased words are gone.
        for pragma in _PRAGMAS:
            connection.execute(f"PRAGMA {pragma}")

    try:
        return Database(engine)
    except (sqlite3.OperationalError, exc.OperationalError) as failed:
        raise _said(failed) from None


def _connect_postgres(url: str) -> Database:
    for prefix in ("postgresql+psycopg:", "postgresql:", "postgres:"):
        if url.startswith(prefix):
            url = "postgresql+psycopg:" + url.removeprefix(prefix)
            break
    engine = create_engine(url, poolclass=NullPool, isolation_level="AUTOCOMMIT")
    try:
        return Database(engine)
    except Exception as failed:
        if type(failed).__name__ != "OperationalError":
            raise
        raise NotFound(
            "The PostgreSQL server of this ledger does not answer, or does not let this user in.",
            "Check host, port, database and user of the URL; keep the password in PGPASSFILE or PGPASSWORD.",
        ) from None
