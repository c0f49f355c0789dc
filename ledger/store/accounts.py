"""Accounts: which people of the ledger may come in by the pages, as what, and for which units.

One row a person, in a table that is made when it is first needed: ledgers from before have none, and a program that
knows nothing of accounts still opens one that has. Dumps leave it out; a backup copies it with the file. Passwords are
kept as hashes (`passwords`). The audit learns who did what to whose account, and nothing else of it.

`epoch` goes up whenever whoever is signed in has to come in anew; the pages compare it at each request. Roles are kept
as words; what each lets people do is told where the pages are (`cli.pages.rights`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Column, Index, Integer, MetaData, Table, Text, insert, update

from ledger.dates import instant_text
from ledger.errors import NotFound, WrongInput
from ledger.people import Person
from ledger.store import passwords
from ledger.store.ledger import Ledger
from ledger.store.upkeep import note

metadata = MetaData()

table = Table(
    "accounts",
    metadata,
    Column("org", Integer, primary_key=True, autoincrement=False, nullable=False),
    Column("person", Text, primary_key=True, nullable=False),
    Column("roles", Text, nullable=False),  # words with spaces between
    Column("units", Text, nullable=False),  # ids with spaces between; empty: every unit
    Column("password", Text),  # Argon2id, with its parameters and salt
    Column("must_change", Integer, nullable=False, default=0),  # somebody else knows this password
    Column("issuer", Text),  # whom the hospital's OpenID Connect calls so
    Column("subject", Text),
    Column("epoch", Integer, nullable=False, default=1),
    Column("made_at", Text, nullable=False),
    Column("closed_at", Text),
    Index("accounts_by_subject", "org", "issuer", "subject", unique=True),
    sqlite_with_rowid=False,
)


@dataclass(frozen=True, kw_only=True)
class StoredAccount:
    """An account as the ledger keeps it. `units` empty means every unit. The hash stays inside the store."""

    person: str
    name: str
    roles: frozenset[str]
    units: frozenset[str]
    has_password: bool
    must_change: bool
    issuer: str | None
    subject: str | None
    epoch: int
    made_at: str
    closed_at: str | None

    @property
    def is_open(self) -> bool:
        """Whether its person may come in."""
        return self.closed_at is None


class Accounts:
    """Reads and writes the accounts of one ledger. `by` is who does it, for the audit."""

    def __init__(self, ledger: Ledger, by: str | None = None) -> None:
        self._ledger = ledger
        self._db = ledger.db
        self._org = ledger.org
        self._by = by

    # --- Looking --------------------------------------------------------------------------------------------------

    def all(self) -> list[StoredAccount]:
        """Every account, closed ones too, by the person's id."""
        if not self._is_there():
            return []
        rows = self._db.execute(f"{_SELECT} WHERE a.org=? ORDER BY a.person", (self._org,)).fetchall()
        return [_account(row) for row in rows]

    def there_are_any(self) -> bool:
        """Whether anybody can come in with an account."""
        return any(one.is_open for one in self.all())

    def find(self, person: str) -> StoredAccount | None:
        """The account of the person with exactly this id; None for none."""
        if not self._is_there():
            return None
        row = self._db.execute(f"{_SELECT} WHERE a.org=? AND a.person=?", (self._org, person)).fetchone()
        return None if row is None else _account(row)

    def account(self, person: str) -> StoredAccount:
        """The account of the person with this id. Raises NotFound."""
        found = self.find(person)
        if found is None:
            raise NotFound(
                "That person has no account.", "`access-ledger account list` shows those who have; `add` makes one."
            )
        return found

    def typed(self, name: str) -> StoredAccount | None:
        """The account that somebody means who types this id, in whatever case; None for none, and for several."""
        exact = self.find(name)
        if exact is not None:
            return exact
        near = [one for one in self.all() if one.person.casefold() == name.casefold()]
        return near[0] if len(near) == 1 else None

    def of_subject(self, issuer: str, subject: str) -> StoredAccount | None:
        """The account of whom this OpenID provider calls so; None for none."""
        if not self._is_there():
            return None
        row = self._db.execute(
            f"{_SELECT} WHERE a.org=? AND a.issuer=? AND a.subject=?", (self._org, issuer, subject)
        ).fetchone()
        return None if row is None else _account(row)

    def hash_of(self, person: str) -> str | None:
        """The hash of a person's password, for what is derived from it; None where there is none."""
        if not self._is_there():
            return None
        row = self._db.execute("SELECT password FROM accounts WHERE org=? AND person=?", (self._org, person)).fetchone()
        return None if row is None else row[0]

    # --- Coming in ------------------------------------------------------------------------------------------------

    def signs_in(self, name: str, password: str) -> StoredAccount | None:
        """The open account with this id and password; None otherwise, and as slowly for an id that nobody has."""
        found = self.typed(name)
        kept = None if found is None else self.hash_of(found.person)
        if not passwords.is_right(kept, password) or found is None or not found.is_open:
            return None
        assert kept is not None
        if passwords.is_outdated(kept):
            self._write(found.person, password=passwords.hashed(password))
        return found

    # --- Changing -------------------------------------------------------------------------------------------------

    def add(self, person: str, *, roles: Iterable[str], units: Iterable[str] = (), password: str | None = None) -> None:
        """Makes an account for a person of the ledger; its password is theirs to change at the first sign-in.

        Raises WrongInput for a person or unit that is not there, an account that is, and a weak password.
        """
        known = self._person(person)
        wanted = self._units(units)
        if password is not None:
            passwords.check_good_enough(password, self._about(known))
        kept = None if password is None else passwords.hashed(password)
        self._make_table()
        with self._db.writing():
            if self.find(person) is not None:
                raise WrongInput(
                    "That person has an account already.", "Change it with `access-ledger account change`."
                )
            self._db.core.execute(
                insert(table).values(
                    org=self._org,
                    person=person,
                    roles=_joined(roles),
                    units=_joined(wanted),
                    password=kept,
                    must_change=int(password is not None),
                    epoch=1,
                    made_at=self._now(),
                )
            )
            self._note("account added", person)

    def change(self, person: str, *, roles: Iterable[str] | None = None, units: Iterable[str] | None = None) -> None:
        """Gives an account other roles or units; sessions that run have them at their next request."""
        self.account(person)
        values: dict[str, Any] = {}
        if roles is not None:
            values["roles"] = _joined(roles)
        if units is not None:
            values["units"] = _joined(self._units(units))
        if values:
            with self._db.writing():
                self._write(person, **values)
                self._note("account changed", person)

    def set_password(self, person: str, password: str, *, by_themselves: bool = False) -> None:
        """A new password, which ends every session of the person. Unless it is their own choice, they have to change
        it when they come in. Raises WrongInput for a weak one."""
        found = self.account(person)
        passwords.check_good_enough(password, self._about(self._person(person)))
        kept = passwords.hashed(password)
        with self._db.writing():
            self._write(person, password=kept, must_change=int(not by_themselves), epoch=found.epoch + 1)
            self._note("password changed", person)

    def set_subject(self, person: str, issuer: str | None, subject: str | None) -> None:
        """Says whom the hospital's OpenID Connect calls so; None for nobody. Raises WrongInput when it is another."""
        self.account(person)
        self._make_table()
        with self._db.writing():
            other = None if issuer is None or subject is None else self.of_subject(issuer, subject)
            if other is not None and other.person != person:
                raise WrongInput(
                    f"The account of {other.person} is known by that name at the OpenID provider.",
                    "Take it from there first, with `access-ledger account change --no-openid`.",
                )
            self._write(person, issuer=issuer, subject=subject)
            self._note("account changed", person)

    def close(self, person: str) -> None:
        """Lets the person in no more, and ends their sessions. What they entered stays theirs."""
        found = self.account(person)
        with self._db.writing():
            self._write(person, closed_at=self._now(), epoch=found.epoch + 1)
            self._note("account closed", person)

    def reopen(self, person: str) -> None:
        """Lets the person in again, as before."""
        self.account(person)
        with self._db.writing():
            self._write(person, closed_at=None)
            self._note("account opened again", person)

    def end_sessions(self, person: str) -> None:
        """Makes whoever is signed in with this account sign in anew."""
        found = self.account(person)
        with self._db.writing():
            self._write(person, epoch=found.epoch + 1)
            self._note("sessions ended", person)

    # --- Inside ---------------------------------------------------------------------------------------------------

    def _write(self, person: str, **values: Any) -> None:
        self._db.core.execute(update(table).where(table.c.org == self._org, table.c.person == person).values(**values))

    def _note(self, did: str, about: str) -> None:
        note(self._ledger, did, person=self._by, about=about)

    def _person(self, person: str) -> Person:
        found = self._ledger.who.person(person)
        if found is None:
            raise WrongInput(
                "There is no such person in this ledger.",
                "Look with `access-ledger person list`, or enter them with `access-ledger person add`.",
            )
        return found

    def _units(self, units: Iterable[str]) -> frozenset[str]:
        wanted = frozenset(units)
        if wanted - {unit.id for unit in self._ledger.who.units()}:
            raise WrongInput("There is no such unit in this ledger.", "Look with `access-ledger unit list`.")
        return wanted

    def _about(self, person: Person) -> list[str]:
        return [person.id, person.name, person.role or "", *(unit.name for unit in self._ledger.who.units())]

    def _now(self) -> str:
        moment: Callable[[], datetime] = self._ledger.clock
        return instant_text(moment())

    def _is_there(self) -> bool:
        if self._db.is_postgres:
            return self._db.execute("SELECT to_regclass('accounts')").fetchone()[0] is not None
        return self._db.execute("SELECT 1 FROM sqlite_master WHERE name='accounts'").fetchone() is not None

    def _make_table(self) -> None:
        if self._is_there():
            return
        with self._db.writing():
            if self._db.is_postgres:
                self._db.execute("SELECT pg_advisory_xact_lock(7204931150413)")
            if not self._is_there():
                metadata.create_all(self._db.core, checkfirst=False)


_SELECT = (
    "SELECT a.person, p.name, a.roles, a.units, a.password IS NOT NULL, a.must_change, a.issuer, a.subject, a.epoch, "
    "a.made_at, a.closed_at FROM accounts a LEFT JOIN people p ON p.org=a.org AND p.person=a.person"
)


def _account(row: tuple[Any, ...]) -> StoredAccount:
    return StoredAccount(
        person=row[0],
        name=row[1] or row[0],
        roles=frozenset(row[2].split()),
        units=frozenset(row[3].split()),
        has_password=bool(row[4]),
        must_change=bool(row[5]),
        issuer=row[6],
        subject=row[7],
        epoch=row[8],
        made_at=row[9],
        closed_at=row[10],
    )


def _joined(words: Iterable[str]) -> str:
    return " ".join(sorted(set(words)))
