"""Changes and joins of patients that somebody else proposes: kept until a named person accepts or dismisses them.

Nothing of a proposal is in force before that. Accepting a change writes the record; accepting a join appends a
patients-are-one entry to the survivor's stream. Both are noted in the audit. What was decided does not come up again
when it is told again; a newer change of the same patient takes the place of one that is still open.

Proposals hold names and numbers, so they stand in a table of their own beside the chain, and are erased with their
patient (`forget`). They are not in a dump; a backup has them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import orjson

from ledger.dates import instant_text
from ledger.entries import Draft, Signature, validated
from ledger.errors import Doubt, LedgerError, NotFound, WrongInput
from ledger.identities import Change, IdentityProposal, ToldIdentity, changed, proposals_of, still_stands
from ledger.matching import Register
from ledger.store import Ledger
from ledger.store.upkeep import note
from ledger.store.who import number_of, patient_id

OPEN, ACCEPTED, DISMISSED, REPLACED = "open", "accepted", "dismissed", "replaced"

_TABLES = (
    """CREATE TABLE IF NOT EXISTS identity_proposals (
        org INTEGER NOT NULL, number BIGINT NOT NULL, key TEXT NOT NULL, kind TEXT NOT NULL,
        patient BIGINT NOT NULL, other BIGINT, state TEXT NOT NULL, at TEXT NOT NULL, source TEXT NOT NULL,
        sender TEXT, said TEXT, told TEXT, decided_at TEXT, decided_by TEXT, why TEXT,
        PRIMARY KEY (org, number))""",
    "CREATE UNIQUE INDEX IF NOT EXISTS identity_proposals_once ON identity_proposals (org, key)",
)


@dataclass(frozen=True, kw_only=True)
class KeptProposal:
    """A proposal as the ledger keeps it. `name` is how people call it: I1, I2, …"""

    number: int
    proposal: IdentityProposal
    state: str
    at: str
    source: str
    sender: str | None = None
    said: str | None = None
    decided_at: str | None = None
    decided_by: str | None = None
    why: str | None = None

    @property
    def name(self) -> str:
        return f"I{self.number}"


class StaleProposal(LedgerError):
    """The record is not any more what it was when the change was proposed."""

    exit_code = 4


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a told identity came to: proposals that are new and open; whether it was about anybody of the ledger."""

    opened: tuple[KeptProposal, ...] = ()
    is_about_ours: bool = False
    unclear: str | None = None


def take_in(ledger: Ledger, told: ToldIdentity, register: Register) -> Told:
    """Keeps what a told identity proposes. Told again, it adds nothing."""
    found = proposals_of(told, register, ledger.joined_to)
    opened = []
    with ledger.db.writing():
        _make_table(ledger)
        for one in found.proposals:
            kept = _keep(ledger, one, told)
            if kept is not None:
                opened.append(kept)
    return Told(opened=tuple(opened), is_about_ours=found.is_about_ours, unclear=found.unclear)


def kept_proposals(
    ledger: Ledger, *, patient: str | None = None, states: Collection[str] = (OPEN,)
) -> list[KeptProposal]:
    """The proposals in these states, oldest first, of all patients or of one."""
    if not _has_table(ledger):
        return []
    places = ",".join("?" for _ in states)
    wanted, values = f" AND state IN ({places})", list[Any](states)
    if patient is not None:
        wanted, values = wanted + " AND (patient=? OR other=?)", [*values, number_of(patient), number_of(patient)]
    return _read(ledger, wanted, values)


def kept_proposal(ledger: Ledger, name: str) -> KeptProposal:
    """The proposal of this name (I3, or 3). Raises NotFound."""
    number = name.strip().upper().removeprefix("I")
    found = (
        _read(ledger, " AND number=?", [int(number)])
        if number.isascii() and number.isdigit() and _has_table(ledger)
        else []
    )
    if not found:
        raise NotFound("There is no such proposal in this ledger.", "Look with `access-ledger patient proposals`.")
    return found[0]


def accept(ledger: Ledger, name: str, by: Signature, *, only: Collection[str] = ()) -> KeptProposal:
    """Does what a proposal says, in the name of a person; of a change all of it, or only the traits that are named.

    Raises NotFound, WrongInput for one that was settled or that joins two birth dates, StaleProposal where
    the record has changed since, and Refused where admission says no to a join.
    """
    with ledger.db.writing():
        kept = _open_one(ledger, name)
        one = kept.proposal
        if one.kind == "join":
            assert one.other is not None
            ledger.who.one_person(one.patient, one.other)
            event = validated(
                {"kind": "patients-are-one", "happened": ledger.today(one.patient).isoformat(), "other": one.other}
            )
            ledger.append(one.patient, [Draft(event=event, source=f"identity|{kept.number}")], by=by, anew=True)
        else:
            left = _change(ledger, one, only)
            if left:
                # What was not taken was decided as well: told again alone, it does not come up once more.
                rest = replace(one, changes=left)
                _insert(ledger, rest, kept.source, kept.sender, kept.said, DISMISSED, by.person)
        note(ledger, f"patient {one.kind} accepted", person=by.person, patient=one.patient, about=kept.name)
        _settle(ledger, kept, ACCEPTED, by.person, ",".join(sorted(only)) or None)
    return kept_proposal(ledger, name)


def dismiss(ledger: Ledger, name: str, person: str, why: str | None = None) -> KeptProposal:
    """Puts a proposal aside for good. Raises NotFound, WrongInput for one that was settled."""
    with ledger.db.writing():
        kept = _open_one(ledger, name)
        one = kept.proposal
        note(ledger, f"patient {one.kind} dismissed", person=person, patient=one.patient, about=kept.name)
        _settle(ledger, kept, DISMISSED, person, why)
    return kept_proposal(ledger, name)


def forget(ledger: Ledger, patient: str) -> None:
    """Empties what proposals say of a patient, and settles the open ones, when their words are erased."""
    if not _has_table(ledger):
        return
    number = number_of(patient)
    with ledger.db.writing():
        ledger.db.execute(
            "UPDATE identity_proposals SET told=NULL, why=NULL WHERE org=? AND (patient=? OR other=?)",
            (ledger.org, number, number),
        )
        ledger.db.execute(
            "UPDATE identity_proposals SET state=? WHERE org=? AND state=? AND (patient=? OR other=?)",
            (REPLACED, ledger.org, OPEN, number, number),
        )


# --- Within -------------------------------------------------------------------------------------------------------


def _change(ledger: Ledger, one: IdentityProposal, only: Collection[str]) -> tuple[Change, ...]:
    """Writes the changes; gives those that were not asked for."""
    unknown = set(only) - {change.what for change in one.changes}
    if unknown:
        raise WrongInput(
            f"This proposal does not change {', '.join(sorted(unknown))}.",
            f"It changes {', '.join(dict.fromkeys(change.what for change in one.changes))}.",
        )
    changes = [change for change in one.changes if not only or change.what in only]
    patient = ledger.who.patient(one.patient)
    if not all(still_stands(patient, change) for change in changes):
        raise StaleProposal(
            f"The record of {one.patient} has changed since this was proposed.",
            f"Look with `access-ledger patient show {one.patient}`; then dismiss the proposal, or change by hand with "
            "`access-ledger patient change`.",
        )
    for change in changes:
        owner = ledger.who.by_identifier(change.system, change.after) if change.what == "number" else None
        if owner is not None and owner.id != one.patient:
            raise StaleProposal(
                f"A number that is proposed is by now that of {owner.id}.",
                f"If two records are of one person, join them: `access-ledger record patients-are-one {one.patient} "
                f"--other {owner.id}`; else dismiss the proposal.",
            )
    ledger.who.change_patient(changed(patient, changes))
    return tuple(change for change in one.changes if change not in changes)


def _keep(ledger: Ledger, one: IdentityProposal, told: ToldIdentity) -> KeptProposal | None:
    there = ledger.db.execute(
        "SELECT number, state FROM identity_proposals WHERE org=? AND key=?", (ledger.org, _key_of(ledger, one))
    ).fetchone()
    if there is not None and there[1] != REPLACED and (there[1], one.kind) != (ACCEPTED, "change"):
        # A change that was accepted and is told again was undone in between, or it would not be one.
        return None
    if one.kind == "change":
        ledger.db.execute(
            "UPDATE identity_proposals SET state=? WHERE org=? AND state=? AND kind='change' AND patient=?",
            (REPLACED, ledger.org, OPEN, number_of(one.patient)),
        )
    if there is not None:
        ledger.db.execute(
            "UPDATE identity_proposals SET state=?, told=?, at=?, source=?, sender=?, said=?, decided_at=NULL, "
            "decided_by=NULL, why=NULL WHERE org=? AND number=?",
            (OPEN, _told(one), instant_text(ledger.clock()), told.source, told.sender, told.said, ledger.org, there[0]),
        )
        return _read(ledger, " AND number=?", [there[0]])[0]
    number = _insert(ledger, one, told.source, told.sender, told.said, OPEN, None)
    return _read(ledger, " AND number=?", [number])[0]


def _key_of(ledger: Ledger, one: IdentityProposal) -> str:
    """What was decided is known again by a digest, since the words of it may have been erased."""
    said = orjson.dumps([one.kind, one.patient, one.other, [asdict(change) for change in one.changes]])
    return hashlib.sha256(ledger.uuid.bytes + said).hexdigest()


def _told(one: IdentityProposal) -> str:
    told = {"changes": [asdict(change) for change in one.changes], "doubts": [asdict(doubt) for doubt in one.doubts]}
    return orjson.dumps(told).decode("utf-8")


def _insert(
    ledger: Ledger,
    one: IdentityProposal,
    source: str,
    sender: str | None,
    said: str | None,
    state: str,
    decided_by: str | None,
) -> int:
    newest = ledger.db.execute("SELECT MAX(number) FROM identity_proposals WHERE org=?", (ledger.org,)).fetchone()[0]
    number = int(newest or 0) + 1
    at = instant_text(ledger.clock())
    ledger.db.execute(
        "INSERT INTO identity_proposals (org, number, key, kind, patient, other, state, at, source, sender, said, "
        "told, decided_at, decided_by) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?) ON CONFLICT (org, key) DO NOTHING",
        (
            ledger.org,
            number,
            _key_of(ledger, one),
            one.kind,
            number_of(one.patient),
            None if one.other is None else number_of(one.other),
            state,
            at,
            source,
            sender,
            said,
            _told(one),
            None if decided_by is None else at,
            decided_by,
        ),
    )
    return number


def _open_one(ledger: Ledger, name: str) -> KeptProposal:
    kept = kept_proposal(ledger, name)
    if kept.state != OPEN:
        raise WrongInput(
            f"{kept.name} was settled: {kept.state}.", "Look with `access-ledger patient proposals --all`."
        )
    return kept


def _settle(ledger: Ledger, kept: KeptProposal, state: str, person: str, why: str | None) -> None:
    ledger.db.execute(
        "UPDATE identity_proposals SET state=?, decided_at=?, decided_by=?, why=? WHERE org=? AND number=?",
        (state, instant_text(ledger.clock()), person, why, ledger.org, kept.number),
    )


def _read(ledger: Ledger, more: str, values: Sequence[Any]) -> list[KeptProposal]:
    rows = ledger.db.execute(
        "SELECT number, kind, patient, other, state, at, source, sender, said, told, decided_at, decided_by, why "
        f"FROM identity_proposals WHERE org=?{more} ORDER BY number",
        (ledger.org, *values),
    ).fetchall()
    made = []
    for number, kind, patient, other, state, at, source, sender, said, told, decided_at, decided_by, why in rows:
        held = orjson.loads(told) if told else {"changes": [], "doubts": []}
        proposal = IdentityProposal(
            kind=kind,
            patient=patient_id(patient),
            other=None if other is None else patient_id(other),
            changes=tuple(Change(**one) for one in held["changes"]),
            doubts=tuple(Doubt(**{**one, "about": tuple(one["about"])}) for one in held["doubts"]),
        )
        made.append(
            KeptProposal(
                number=number,
                proposal=proposal,
                state=state,
                at=at,
                source=source,
                sender=sender,
                said=said,
                decided_at=decided_at,
                decided_by=decided_by,
                why=why,
            )
        )
    return made


def _make_table(ledger: Ledger) -> None:
    for statement in _TABLES:
        ledger.db.execute(statement)


def _has_table(ledger: Ledger) -> bool:
    if ledger.db.is_postgres:
        return ledger.db.execute("SELECT to_regclass('identity_proposals')").fetchone()[0] is not None
    row = ledger.db.execute("SELECT 1 FROM sqlite_master WHERE name='identity_proposals'").fetchone()
    return row is not None
