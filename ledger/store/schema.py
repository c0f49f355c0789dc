"""The tables, on both engines.

Entries, seals and the audit are only ever added to: triggers refuse UPDATE and DELETE,
and on PostgreSQL the application's role needs no right to either. Words and identities
(patients, identifiers, people, texts, reports) stand in tables of their own, which may
change and be erased without touching the chain. The read models are rebuilt from
entries at any time.

The key of an entry is (organisation, stream, version); nothing follows a position.
Patient number n has two streams: 2n for care, 2n + 1 for sessions. A stream's row holds
its head and its read model together, so that an append writes two pages and no more.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    Text,
)

SCHEMA_FORMAT = "1"

SESSION_COLUMNS = "session-columns:"
"""How the keys begin under which `meta` keeps the mappings of session lists (`ledger.store.sessions`)."""

metadata = MetaData()


def _table(name: str, *parts: Column[object] | ForeignKeyConstraint | Index, clustered: bool = True) -> Table:
    return Table(name, metadata, *parts, sqlite_with_rowid=not clustered)


def _key(name: str, kind: type[Integer] | type[Text] = Integer) -> Column[object]:
    return Column(name, kind, primary_key=True, autoincrement=False, nullable=False)


meta = _table("meta", _key("key", Text), Column("value", Text, nullable=False))

organisations = _table(
    "organisations", _key("org"), Column("uuid", Text, nullable=False), Column("zone", Text, nullable=False)
)

entries = _table(
    "entries",
    _key("org"),
    _key("stream", BigInteger),
    _key("version"),
    Column("body", LargeBinary, nullable=False),
    Column("hash", LargeBinary, nullable=False),
)

streams = _table(
    "streams",
    _key("org"),
    _key("stream", BigInteger),
    Column("version", Integer, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    Column("recorded_at", Text, nullable=False),
    # What follows is the read model of a care stream: a function of its entries, made anew by `rebuild`.
    Column("doubts", Integer),
    Column("joined_to", BigInteger),  # the survivor, when this record turned out to be of somebody known already
    Column("joins", Text),  # the numbers of the records that were joined to this one
    Column("accesses", LargeBinary),  # JSON: one row of list columns for each access (ledger.projections.rows)
)

patients = _table(
    "patients",
    _key("org"),
    _key("number", BigInteger),
    Column("name", Text),
    Column("name_key", Text),  # the name folded for finding: no case, no accents, words in order of the alphabet
    Column("birth_date", Text),
    Column("sex", Text),
    Column("unit", Text),
    Column("shift", Text),
    Column("erased", Integer, nullable=False, default=0),
    Column("invented", Integer, nullable=False, default=0),
    Index("patients_by_unit", "org", "unit"),
    Index("patients_by_birth", "org", "birth_date"),
    Index("patients_by_name", "org", "name_key"),
)

identifiers = _table(
    "identifiers",
    _key("org"),
    _key("value", Text),
    _key("system", Text),
    Column("patient", BigInteger, nullable=False),
    Index("identifiers_of_patient", "org", "patient"),
)

people = _table(
    "people",
    _key("org"),
    _key("person", Text),
    Column("name", Text, nullable=False),
    Column("role", Text),
    Column("invented", Integer, nullable=False, default=0),
)

units = _table(
    "units",
    _key("org"),
    _key("unit", Text),
    Column("name", Text, nullable=False),
    Column("zone", Text, nullable=False),
    Column("invented", Integer, nullable=False, default=0),
)

centres = _table(
    "centres",
    _key("org"),
    _key("centre", Text),
    Column("name", Text, nullable=False),
    Column("invented", Integer, nullable=False, default=0),
)

texts = _table(
    "texts",
    _key("org"),
    _key("text", Text),
    Column("patient", BigInteger),
    Column("digest", Text),  # of the words alone, to find the same text again; erased with them
    Column("salt", LargeBinary),
    Column("words", Text),
    Index("texts_of_patient", "org", "patient", "digest"),
)

originals = _table(
    "originals",
    _key("org"),
    _key("digest", Text),
    Column("media_type", Text),
    Column("body", LargeBinary),
)

reports = _table(
    "reports",
    _key("org"),
    _key("report", Text),
    Column("digest", Text, nullable=False),
    Column("part", Integer, nullable=False),
    Column("salt", LargeBinary),
    Column("text", Text),
    Column("patient", BigInteger),
    Column("state", Text, nullable=False),  # waiting | confirmed | dismissed | unreadable
    Column("waits_for", Text),
    Column("arrived_at", Text, nullable=False),
    Column("file_name", Text),
    Column("media_type", Text),
    Column("envelope", Text),  # JSON: what the envelope and the header lines say; erased with the text
    Column("reader", Text),
    Column("proposed", Text),  # JSON: what the reader proposed; made anew by a newer reader
    Index("reports_by_digest", "org", "digest", "part"),
    Index("reports_by_state", "org", "state", "arrived_at"),
    Index("reports_of_patient", "org", "patient"),
)

access_owners = _table(
    "access_owners", _key("org"), _key("access", Text), Column("patient", BigInteger, nullable=False)
)

audit = _table(
    "audit",
    _key("org"),
    _key("number", BigInteger),
    Column("at", Text, nullable=False),
    Column("person", Text),
    Column("did", Text, nullable=False),
    Column("patient", BigInteger),
    Column("about", Text),
)

seals = _table(
    "seals",
    _key("org"),
    _key("digest", Text),
    Column("at", Text, nullable=False),
    Column("person", Text),
    Column("streams", Integer, nullable=False),
    Column("entries", Integer, nullable=False),
)

ONLY_ADDED_TO = ("entries", "seals", "audit")

SQLITE_GUARDS = [
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, '{table} is only ever added to'); END"
    for table in ONLY_ADDED_TO
    for verb in ("UPDATE", "DELETE")
]

POSTGRES_GUARDS = [
    """CREATE OR REPLACE FUNCTION only_added_to() RETURNS trigger LANGUAGE plpgsql AS
    $$ BEGIN RAISE EXCEPTION '% is only ever added to', TG_TABLE_NAME; END $$""",
    *(
        f"CREATE TRIGGER {table}_only_added_to BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
        "FOR EACH STATEMENT EXECUTE FUNCTION only_added_to()"
        for table in ONLY_ADDED_TO
    ),
]
