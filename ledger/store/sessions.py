"""Sessions in bulk: rows of a list into the patients' second streams (`entries sessions`).

Each row is judged for itself: whose it is (a number that matches while name or birth date disagree is no match), which
access it means, and what admission says. What is refused is told by line and does not stop the rest. Loading the same
list again adds nothing; a row that says something else of a session than was loaded before is refused, since a
session that is in the ledger is corrected and not overwritten.

The mapping of columns (`ledger.arrival.sessions`) is kept in the ledger under its name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from ledger.arrival.sessions import RowRefused, SessionColumns, SessionRow
from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.entries import Draft, Entry, Signature, entry_id_of, validated
from ledger.errors import LedgerError, NotFound, WrongInput
from ledger.matching import names_could_be_one
from ledger.store.schema import SESSION_COLUMNS

if TYPE_CHECKING:
    from ledger.people import Patient
    from ledger.store.ledger import Ledger

BATCH_ROWS = 5_000

_OPENS = frozenset({"creation", "catheter-placed", "access-known"})


@dataclass(frozen=True, kw_only=True)
class RowQuestioned:
    """A row that went in and is odd: its line, the entry's name, and what is odd about it."""

    line: int
    entry: str
    words: str


@dataclass(kw_only=True)
class SessionsLoaded:
    """What a load did: rows of the list, entries added, rows that said what was known, and what was odd or refused."""

    rows: int = 0
    added: int = 0
    already: int = 0
    patients: int = 0
    questioned: list[RowQuestioned] = field(default_factory=list)
    refused: list[RowRefused] = field(default_factory=list)


def load_sessions(
    ledger: Ledger,
    rows: Iterable[SessionRow | RowRefused],
    *,
    by: Signature,
    progress: Callable[[int], None] | None = None,
) -> SessionsLoaded:
    """Appends what the rows say, a batch in one transaction."""
    loader = _Loader(ledger, by)
    for batch in _batches(rows):
        loader.take(batch)
        if progress is not None:
            progress(loader.done.rows)
    loader.done.patients = len(loader.touched)
    loader.done.refused.sort(key=lambda one: one.line)
    loader.done.questioned.sort(key=lambda one: one.line)
    return loader.done


def _batches(rows: Iterable[SessionRow | RowRefused]) -> Iterable[list[SessionRow | RowRefused]]:
    batch: list[SessionRow | RowRefused] = []
    for row in rows:
        batch.append(row)
        if len(batch) == BATCH_ROWS:
            yield batch
            batch = []
    if batch:
        yield batch


class _Loader:
    def __init__(self, ledger: Ledger, by: Signature) -> None:
        self.ledger = ledger
        self.by = by
        self.done = SessionsLoaded()
        self.known: dict[tuple[str | None, str], list[Patient]] = {}
        self.seen: dict[tuple[str, str], list[dict[str, Any]]] = {}
        self.touched: set[str] = set()

    def take(self, batch: list[SessionRow | RowRefused]) -> None:
        of_patient: dict[str, list[SessionRow]] = {}
        for row in batch:
            self.done.rows += 1
            if isinstance(row, RowRefused):
                self.done.refused.append(row)
                continue
            try:
                of_patient.setdefault(self._patient(row).id, []).append(row)
            except LedgerError as wrong:
                self._refuse(row, wrong)
        with self.ledger.db.writing():
            for patient in sorted(of_patient):
                self._append(patient, of_patient[patient])

    def _refuse(self, row: SessionRow, wrong: LedgerError) -> None:
        self.done.refused.append(RowRefused(line=row.line, problem=wrong.problem, remedy=wrong.remedy))

    def _patient(self, row: SessionRow) -> Patient:
        key = (row.system, row.number)
        if key not in self.known:
            found = self.ledger.who.with_identifier(row.number, row.system)
            if not found and row.system is None and re.fullmatch(r"[Pp]\d{1,12}", row.number):
                found = [self.ledger.who.patient(row.number)]
            self.known[key] = found
        found = self.known[key]
        if not found:
            raise NotFound(
                "No patient here has the number that the row names.",
                "Enter the patient first, with that number and its system.",
            )
        if len(found) > 1:
            raise WrongInput(
                f"{len(found)} patients here have the number that the row names, in different systems.",
                "Say in the mapping whose numbers they are, with --system.",
            )
        (one,) = found
        if row.name is not None and one.name is not None and not names_could_be_one(row.name, one.name):
            raise WrongInput(
                f"The number is that of {one.id}, and the name is another's.",
                "A number alone is no match: look whose session it is.",
            )
        if row.births and one.birth_date is not None and one.birth_date not in row.births:
            raise WrongInput(
                f"The number is that of {one.id}, and the birth date is another's.",
                "A number alone is no match: look whose session it is.",
            )
        return one

    def _append(self, patient: str, rows: list[SessionRow]) -> None:
        history = self.ledger.history(patient, sessions=True)
        accesses = accesses_in_use(history)
        drafts: list[Draft] = []
        row_of: dict[str, SessionRow] = {}
        for row in sorted(rows, key=lambda one: (one.event["happened"], one.line)):
            try:
                draft = self._draft(row, history, accesses)
            except LedgerError as wrong:
                self._refuse(row, wrong)
                continue
            except ValueError:
                self.done.refused.append(
                    RowRefused(
                        line=row.line,
                        problem="The row is no session as the ledger knows it.",
                        remedy="Look at its numbers and its day.",
                    )
                )
                continue
            entry_id = entry_id_of(self.ledger.uuid, patient, draft)
            before = history.entry(entry_id)
            if before is not None and before.event != draft.event:
                self.done.refused.append(
                    RowRefused(
                        line=row.line,
                        problem=f"This session is in the ledger already, and says something else there "
                        f"({patient}.s{before.version}).",
                        remedy="Correct it with `access-ledger correct` if the list is right.",
                    )
                )
                continue
            row_of[entry_id] = row
            drafts.append(draft)
        if not drafts:
            return
        appended = self.ledger.append(history, drafts, by=self.by, partly=True)
        self.done.added += len(appended.entries)
        self.done.already += len(appended.already)
        if appended.entries:
            self.touched.add(patient)
        for draft, refusal in appended.refused:
            row = row_of[entry_id_of(self.ledger.uuid, patient, draft)]
            self.done.refused.append(RowRefused(line=row.line, problem=refusal.problem, remedy=refusal.remedy))
        names = {entry.id: f"{patient}.s{entry.version}" for entry in appended.entries}
        self._question_twice(patient, history, appended.entries, row_of)
        for doubt in appended.doubts:
            for entry_id in (one for one in doubt.about if one in names):
                self.done.questioned.append(
                    RowQuestioned(line=row_of[entry_id].line, entry=names[entry_id], words=doubt.words)
                )

    def _question_twice(
        self, patient: str, history: History, added: Iterable[Entry], row_of: Mapping[str, SessionRow]
    ) -> None:
        """Asks about a session of a day of which another is recorded already, perhaps by hand or by another list."""
        there = {
            (one.access, one.happened[:10]): one.entry for one in history.facts if one.kind == "cannulation-session"
        }
        for entry in added:
            before = there.get((getattr(entry.event, "access", None), entry.happened[:10]))
            if before is not None and entry.id in row_of:
                self.done.questioned.append(
                    RowQuestioned(
                        line=row_of[entry.id].line,
                        entry=f"{patient}.s{entry.version}",
                        words="Another session of that access and day is recorded already "
                        f"({patient}.s{before.version}).",
                    )
                )

    def _draft(self, row: SessionRow, history: History, accesses: list[AccessInUse]) -> Draft:
        patient = history.patient
        event = {**row.event, "access": _access(row, history, accesses)}
        if row.note:
            event["note"] = vars(self.ledger.papers.typed(row.note, patient))
        source = f"session:{row.session_id}" if row.session_id else f"session:{event['happened']}"
        # Two sessions of one day without a time are the first and the second of that day; a row that stands in the
        # list twice is one.
        alike = self.seen.setdefault((patient, f"{source}|{event['access']}"), [])
        if event not in alike:
            alike.append(event)
        return Draft(event=validated(event), source=source[:64], ordinal=alike.index(event) + 1)


@dataclass(frozen=True)
class AccessInUse:
    """An access as far as a session needs to know it: from when to when it could be used."""

    id: str
    name: str
    opened: PartialDate
    closed: PartialDate | None
    is_catheter: bool

    def could_be_used_on(self, day: PartialDate) -> bool:
        begun = self.opened.earliest <= day.latest
        return begun and (self.closed is None or day.earliest <= self.closed.latest)


def accesses_in_use(history: History) -> list[AccessInUse]:
    """The accesses of a patient with the days between which they could be used."""
    from ledger.projections.rows import rows_of

    names = {row.access: row for row in rows_of(history)}
    found = []
    for access in history.accesses:
        facts = history.of_access(access)
        opened = [getattr(one.fact, "created", None) or one.happened for one in facts if one.kind in _OPENS]
        if not opened or access not in names:
            continue
        closed: PartialDate | None = None
        for one in facts:
            if one.kind in ("catheter-removed", "abandonment"):
                closed = one.happened
            elif one.kind == "taken-up-again":
                closed = None
        row = names[access]
        found.append(
            AccessInUse(
                access,
                row.name,
                min(opened, key=lambda when: when.earliest),
                closed,
                "catheter" in (row.access_kind or ""),
            )
        )
    return found


def _access(row: SessionRow, history: History, accesses: list[AccessInUse]) -> str:
    """The access that a row means. Never a guess: one that is named, or the only one that can have been used so."""
    day = PartialDate(row.event["happened"])
    if row.access is not None:
        named = [one for one in accesses if one.id.casefold() == row.access.casefold()]
        if named:
            return named[0].id
    there = [one for one in accesses if one.could_be_used_on(day)]
    if row.access is not None:
        words = re.findall(r"[\w-]+", row.access.casefold())
        fitting = [one for one in there if words and all(word in one.name.casefold() for word in words)]
        what = "fits what the row says of the access"
    elif (use := row.event.get("use")) is not None:
        fitting = [one for one in there if one.is_catheter == (use == "catheter")]
        what = "can have been used so on that day"
    else:
        fitting = there
        what = "can have been used on that day"
    if len(fitting) == 1:
        return fitting[0].id
    if not fitting:
        raise NotFound(
            f"No access of {history.patient} {what}.",
            "Record it first, or correct the row; in the mapping, --word says what a word of your list means.",
        )
    listed = ", ".join(f"{one.id} ({one.name})" for one in fitting)
    raise WrongInput(
        f"More than one access of {history.patient} {what}: {listed}.",
        "Say which in a column for the access, by its id or by words that fit only one.",
    )


# --- Mappings that were saved -------------------------------------------------------------------------------------


def save_columns(ledger: Ledger, mapping: SessionColumns) -> None:
    """Keeps a mapping under its name; one of that name is replaced. Raises WrongInput when it does not do."""
    mapping.check()
    with ledger.db.writing():
        ledger.db.execute(
            "INSERT INTO meta (key, value) VALUES (?,?) ON CONFLICT (key) DO UPDATE SET value=excluded.value",
            (SESSION_COLUMNS + mapping.name, mapping.to_json().decode()),
        )


def saved_columns(ledger: Ledger, name: str) -> SessionColumns:
    """The mapping that was saved under a name. Raises NotFound."""
    row = ledger.db.execute("SELECT value FROM meta WHERE key=?", (SESSION_COLUMNS + name,)).fetchone()
    if row is None:
        there = ", ".join(names_of_columns(ledger)) or "none yet"
        raise NotFound(
            f"No column mapping is saved under {name[:40]!r} in this ledger; there: {there}.",
            "Save one with `access-ledger entries sessions FILE --save NAME`.",
        )
    return SessionColumns.from_json(row[0].encode())


def names_of_columns(ledger: Ledger) -> list[str]:
    """The names of the mappings that are saved."""
    rows = ledger.db.execute("SELECT key FROM meta WHERE key LIKE ? ORDER BY key", (SESSION_COLUMNS + "%",)).fetchall()
    return [row[0].removeprefix(SESSION_COLUMNS) for row in rows]
