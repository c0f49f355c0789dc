"""Opening a ledger's database: is there one, is it ours, which organisation is it of?

`open_directory` opens the tables of people and places alone, for commands that need no
entry: it is ready before the classes of events would be. Everything else goes through
`ledger.store.ledger.open_ledger`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from sqlalchemy import insert

from ledger.errors import WrongInput
from ledger.store import schema
from ledger.store.database import Database, connect
from ledger.store.who import Who

ORGANISATION = 1
"""In a file there is one organisation. In PostgreSQL a ledger of another organisation is opened with its number."""


@dataclass(frozen=True)
class Directory:
    """People and places of one organisation, over one connection."""

    db: Database
    org: int
    uuid: UUID
    zone: ZoneInfo
    who: Who


@contextmanager
def open_directory(where: str | Path, *, org: int = ORGANISATION) -> Iterator[Directory]:
    """People and places of the ledger at a path or a PostgreSQL URL. Raises NotFound, WrongInput."""
    db, uuid, zone = opened(where, org=org)
    try:
        yield Directory(db, org, uuid, ZoneInfo(zone), Who(db, org))
    finally:
        db.close()


def opened(
    where: str | Path,
    *,
    create: bool = False,
    zone: str = "UTC",
    org: int = ORGANISATION,
    uuid: UUID | None = None,
) -> tuple[Database, UUID, str]:
    """The database at a path or a PostgreSQL URL, with its organisation's id and zone; with `create`, made if need be.

    Raises NotFound, WrongInput.
    """
    if create:
        _check_zone(zone)
    db = connect(where, create=create)
    try:
        if not _has_tables(db):
            if not create:
                raise WrongInput(
                    "This database holds no ledger.",
                    "Make one there with `access-ledger init`, or name another with --ledger.",
                )
            _make_tables(db)
        row = db.execute("SELECT value FROM meta WHERE key='format'").fetchone()
        if row is None or row[0] != schema.SCHEMA_FORMAT:
            raise WrongInput(
                "This ledger was written by a newer version of access-ledger.", "Use that version, or a newer one."
            )
        found = db.execute("SELECT uuid, zone FROM organisations WHERE org=?", (org,)).fetchone()
        if found is None:
            made = uuid or uuid4()
            with db.writing():
                db.execute("INSERT INTO organisations (org, uuid, zone) VALUES (?,?,?)", (org, str(made), zone))
            found = (str(made), zone)
        return db, UUID(found[0]), found[1]
    except BaseException:
        db.close()
        raise


def _check_zone(zone: str) -> None:
    try:
        ZoneInfo(zone)
    except Exception:
        raise WrongInput(
            f"{zone[:40]!r} is not a time zone.", "Name one as the IANA list does, for example Europe/London."
        ) from None


def _has_tables(db: Database) -> bool:
    if db.is_postgres:
        return db.execute("SELECT to_regclass('entries')").fetchone()[0] is not None
    return db.execute("SELECT 1 FROM sqlite_master WHERE name='entries'").fetchone() is not None


def _make_tables(db: Database) -> None:
    """Makes the schema under a lock, so that two who start at once do not get in each other's way."""
    with db.writing():
        if db.is_postgres:
            db.execute("SELECT pg_advisory_xact_lock(7204931150412)")
        if _has_tables(db):
            return
        schema.metadata.create_all(db.core, checkfirst=False)
        for statement in schema.POSTGRES_GUARDS if db.is_postgres else schema.SQLITE_GUARDS:
            db.cursor.execute(statement)
        db.core.execute(insert(schema.meta), [{"key": "format", "value": schema.SCHEMA_FORMAT}])
