"""What somebody else says of who a patient is, held against the record: proposals, for a named person to settle.

A hospital changes a name, corrects a birth date, gives a new number, finds that two records are of one person. None
of that is taken over by itself: `proposals_of` says what would change and what speaks against it, `ledger.settling`
keeps it until somebody decides. A proposal that would change nothing is none. Functions of values.

To take another trait of a patient, add it to `_changes` and to `changed`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Literal

from ledger.arrival.values import IdentifierClue, PatientClues
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.matching import (
    Agreement,
    PatientCandidate,
    Register,
    match_patient,
    name_words,
    names_compared,
    number_key,
)
from ledger.people import Identifier, Patient

Joins = Literal["joined", "only-number", "perhaps"]


@dataclass(frozen=True, kw_only=True)
class ToldIdentity:
    """What a message or a resource says of one person.

    `clues` is who they are now, `name` and `birth_date` as the record would hold them. `prior` is the other record of
    the same person; `joins` says whether that record is given up for this one, whether it only had an older number, or
    whether the sender is not sure. `source` names the form (ADT^A40, Patient.link), `said` when the sender said so.
    """

    clues: PatientClues
    name: str | None = None
    birth_date: PartialDate | None = None
    prior: PatientClues | None = None
    joins: Joins | None = None
    source: str
    sender: str | None = None
    said: PartialDate | None = None


@dataclass(frozen=True, kw_only=True)
class Change:
    """One trait of a patient as it is on record and as it is told. `what`: name, birth_date, sex, number (added)."""

    what: Literal["name", "birth_date", "sex", "number"]
    before: str | None
    after: str
    system: str | None = None  # of a number


@dataclass(frozen=True, kw_only=True)
class IdentityProposal:
    """What a person is asked: to change the record of `patient`, or to join `other` to it as the same person."""

    kind: Literal["change", "join"]
    patient: str
    other: str | None = None
    changes: tuple[Change, ...] = ()
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Found:
    """What told identities come to: proposals, and whether anybody of the ledger was meant at all.

    `unclear` says why nobody can tell who is meant, for a person to look; no name or number in it.
    """

    proposals: tuple[IdentityProposal, ...] = ()
    is_about_ours: bool = False
    unclear: str | None = None


def proposals_of(told: ToldIdentity, register: Register, joined_to: Callable[[str], str | None]) -> Found:
    """What would change in the ledger's records. `joined_to` gives the record that another one was joined to."""
    now, prior = _meant(told.clues, register), _meant(told.prior, register) if told.prior is not None else []
    now, prior = _survivors(now, joined_to), _survivors(prior, joined_to)
    if not now and not prior:
        return Found()
    if len(now) > 1 and told.prior is None:
        # Numbers of two of our patients, said to be one person's, join them without saying so.
        first, second, *more = now
        if more:
            return Found(is_about_ours=True, unclear="It names numbers of more than two patients of this ledger.")
        doubts = [
            Doubt(code="not-said-to-be-one", words="It joins no records; it gives one person the numbers of both.")
        ]
        return Found(is_about_ours=True, proposals=(_join(first, second, register, doubts),))
    if len(now) > 1 or len(prior) > 1:
        return Found(is_about_ours=True, unclear="Several patients of this ledger have the numbers that it names.")
    if now and prior and now[0].patient != prior[0].patient and told.joins != "only-number":
        doubts = []
        if told.joins == "perhaps":
            doubts.append(Doubt(code="perhaps-one", words="The sender calls them related, and not one for certain."))
        # How the two records differ is said below; here only that the sender may mean another person altogether.
        doubts += [one for one in _disagreements(now[0]) if one.code == "another-person"]
        changes = _change(now[0], told, register)
        join = _join(now[0], prior[0], register, doubts)
        return Found(is_about_ours=True, proposals=(join, *changes))
    if now and prior and now[0].patient != prior[0].patient:
        return Found(is_about_ours=True, unclear="The old and the new number are of two patients of this ledger.")
    return Found(is_about_ours=True, proposals=_change((now or prior)[0], told, register, also_prior=True))


def changed(patient: Patient, changes: Iterable[Change]) -> Patient:
    """The record with these changes made."""
    for one in changes:
        match one.what:
            case "name":
                patient = replace(patient, name=one.after)
            case "birth_date":
                patient = replace(patient, birth_date=PartialDate(one.after))
            case "sex":
                patient = replace(patient, sex=one.after)
            case "number":
                added = Identifier(system=one.system or "local", value=one.after)
                patient = replace(patient, identifiers=(*patient.identifiers, added))
    return patient


def still_stands(patient: Patient, change: Change) -> bool:
    """Whether the record is still as it was when a change was proposed."""
    match change.what:
        case "name":
            return patient.name == change.before
        case "birth_date":
            return (None if patient.birth_date is None else str(patient.birth_date)) == change.before
        case "sex":
            return patient.sex == change.before
        case "number":
            return Identifier(system=change.system or "local", value=change.after) not in patient.identifiers


def _meant(clues: PatientClues, register: Register) -> list[PatientCandidate]:
    """Who has the numbers that are named; without a number of ours, who has the same name and birth date."""
    match = match_patient(clues, register)
    numbered = [one for one in match.candidates if one.identifier is Agreement.SAME]
    # The same digits of another house are nobody's number: with another name and birth date they mean nobody here.
    numbered = [
        one for one in numbered if one.by_system or not (one.name is one.birth_date is Agreement.OTHER or _is_bare(one))
    ]
    if numbered:
        return numbered
    if match.patient is not None:
        return [one for one in match.candidates if one.patient == match.patient]
    return []


def _is_bare(one: PatientCandidate) -> bool:
    """Only the digits agree: nothing else can be compared, or it does not agree."""
    return Agreement.SAME not in (one.name, one.birth_date) and Agreement.FULLER is not one.name


def _survivors(found: list[PatientCandidate], joined_to: Callable[[str], str | None]) -> list[PatientCandidate]:
    made: dict[str, PatientCandidate] = {}
    for one in found:
        survivor = joined_to(one.patient) or one.patient
        made.setdefault(survivor, replace(one, patient=survivor))
    return list(made.values())


def _join(
    survivor: PatientCandidate, other: PatientCandidate, register: Register, doubts: list[Doubt]
) -> IdentityProposal:
    one, two = register.patient(survivor.patient), register.patient(other.patient)
    if one.name and two.name and names_compared(one.name, two.name) in (Agreement.OTHER, Agreement.NEAR):
        doubts = [*doubts, Doubt(code="names-differ", words="The two records have different names.")]
    if one.birth_date and two.birth_date and not _overlap(one.birth_date, two.birth_date):
        doubts = [*doubts, Doubt(code="birth-dates-differ", words="The two records have different birth dates.")]
    if {one.sex, two.sex} == {"male", "female"}:
        doubts = [*doubts, Doubt(code="sexes-differ", words="The two records have different sexes.")]
    kept = tuple({doubt.code: doubt for doubt in doubts}.values())
    return IdentityProposal(kind="join", patient=survivor.patient, other=other.patient, doubts=kept)


def _change(
    candidate: PatientCandidate, told: ToldIdentity, register: Register, also_prior: bool = False
) -> tuple[IdentityProposal, ...]:
    patient = register.patient(candidate.patient)
    changes = tuple(_changes(patient, told, register, also_prior))
    if not changes:
        return ()
    return (
        IdentityProposal(
            kind="change", patient=patient.id, changes=changes, doubts=tuple(_disagreements(candidate, told.prior))
        ),
    )


def _changes(patient: Patient, told: ToldIdentity, register: Register, also_prior: bool) -> Iterable[Change]:
    if told.name is not None and _is_another_name(told.name, patient.name):
        yield Change(what="name", before=patient.name, after=told.name)
    born = patient.birth_date
    if told.birth_date is not None and told.birth_date != born and _says_more(told.birth_date, born):
        yield Change(what="birth_date", before=None if born is None else str(born), after=str(told.birth_date))
    if told.clues.sex in ("male", "female", "other") and told.clues.sex != patient.sex:
        yield Change(what="sex", before=patient.sex, after=told.clues.sex)
    known = {(one.system, number_key(one.value)) for one in patient.identifiers}
    bare = {number_key(one.value) for one in patient.identifiers if one.system == "local"}
    numbers = list(told.clues.identifiers)
    if also_prior and told.prior is not None:
        numbers += told.prior.identifiers
    for clue in numbers:
        key = number_key(clue.value)
        # A number without its system could be anybody's, so it is not put on record by itself.
        if clue.system is None or (clue.system, key) in known or key in bare:
            continue
        if _is_somebodys(clue, register):
            continue  # A number of another record is not added; that record is joined, by itself.
        known.add((clue.system, key))
        yield Change(what="number", before=None, after=clue.value, system=clue.system)


def _is_somebodys(clue: IdentifierClue, register: Register) -> bool:
    wanted = (clue.system, number_key(clue.value))
    return any(
        (one.system, number_key(one.value)) == wanted
        for patient in register.near(PatientClues(identifiers=(clue,)))
        for one in patient.identifiers
    )


def _is_another_name(told: str, known: str | None) -> bool:
    if known is None:
        return True
    compared = names_compared(told, known)
    if compared is Agreement.FULLER:
        return len(name_words(told)) > len(name_words(known))
    return compared is not Agreement.SAME


def _says_more(told: PartialDate, known: PartialDate | None) -> bool:
    """Whether a birth date is another one, or the same one said more precisely."""
    if known is None or not _overlap(told, known):
        return True
    return len(told) > len(known)


def _overlap(one: PartialDate, two: PartialDate) -> bool:
    return one.earliest <= two.latest and two.earliest <= one.latest


def _disagreements(one: PatientCandidate, prior: PatientClues | None = None) -> Iterable[Doubt]:
    name_is_other = one.name is Agreement.OTHER
    if name_is_other and one.birth_date is Agreement.OTHER:
        yield Doubt(
            code="another-person",
            words="Name and birth date both disagree with the record: the number may be another person's.",
            about=(one.patient,),
        )
    elif one.birth_date is Agreement.OTHER:
        yield Doubt(
            code="birth-date-disagrees", words="The birth date disagrees with the record.", about=(one.patient,)
        )
    elif name_is_other:
        yield Doubt(code="name-disagrees", words="The name disagrees with the record.", about=(one.patient,))
    if one.identifier is not Agreement.SAME and prior is None:
        yield Doubt(
            code="found-without-number",
            words="The patient was found by name and birth date, without a number on record.",
            about=(one.patient,),
        )
