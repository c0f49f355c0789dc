"""What the hospital says of who a patient is, to be settled by a named person: list, accept, dismiss.

They come as ADT messages (`listen`) and as Patient resources (`fhir receive`). Nothing of them is in force before
somebody accepts it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.options import ByOption, JsonOption, LedgerOption, opened, person_of, signature_of, the_patient

if TYPE_CHECKING:
    from ledger.identities import Change
    from ledger.settling import KeptProposal
    from ledger.store import Ledger

ProposalArgument = Annotated[
    str, typer.Argument(metavar="PROPOSAL", help="Its name, such as I3, as `patient proposals` shows.")
]


def proposals(
    patient: Annotated[
        str | None,
        typer.Argument(metavar="[PATIENT]", help="Only those about this patient.", show_default=False),
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="Also those that were settled.")] = False,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Changes of a name, a birth date or a number, and joins of two records, that the hospital proposes.

    None is in force before a person accepts it. What speaks against it is said beside it.
    """
    from cli.look import noted
    from ledger.settling import ACCEPTED, DISMISSED, OPEN, REPLACED, kept_proposals

    with opened(ledger) as found:
        whose = None if patient is None else the_patient(found, patient).id
        states = (OPEN, ACCEPTED, DISMISSED, REPLACED) if everything else (OPEN,)
        there = kept_proposals(found, patient=whose, states=states)
        if there:
            noted(found, "patient proposals", by, whose)
        if as_json:
            say.as_json({"proposals": [_plain(one) for one in there]})
            return
        if not there:
            say.out("Nothing is proposed about patients.")
            return
        for one in there:
            _tell(found, one)
    is_open = next((one for one in there if one.state == OPEN), None)
    if is_open is not None:
        say.next_steps(
            (f"access-ledger patient accept {is_open.name} --by PERSON", "do what it says"),
            (f"access-ledger patient dismiss {is_open.name} --by PERSON --why WORDS", "put it aside for good"),
        )


def accept_proposal(
    proposal: ProposalArgument,
    only: Annotated[
        list[str] | None,
        typer.Option(
            "--only", metavar="WHAT", help="Of a change only name, birth-date, sex or number.", show_default=False
        ),
    ] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Do what a proposal says: change who the patient is on record, or join two records as one person's.

    A join is an entry of its own, and can be taken back with `retract`. Exit code 4: the record has changed since.
    """
    from ledger.settling import accept

    with opened(ledger) as found:
        signature = signature_of(found, by)
        done = accept(found, proposal, signature, only=[one.replace("-", "_") for one in only or ()])
    _told(done, as_json)


def dismiss_proposal(
    proposal: ProposalArgument,
    why: Annotated[str | None, typer.Option("--why", metavar="WORDS", help="The reason.", show_default=False)] = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Put a proposal aside for good. Told again, it does not come back."""
    from ledger.settling import dismiss

    with opened(ledger) as found:
        done = dismiss(found, proposal, person_of(found, by), why)
    _told(done, as_json)


def _told(done: KeptProposal, as_json: bool) -> None:
    if as_json:
        say.as_json({"proposal": _plain(done)})
        return
    one = done.proposal
    about = one.patient if one.kind == "change" else f"{one.patient} and {one.other}"
    say.out(f"{done.name} about {about}: {done.state}.")
    if one.kind == "join" and done.state == "accepted":
        say.out(f"The record {one.other} is read as part of {one.patient} from now on.")


def _tell(ledger: Ledger, kept: KeptProposal) -> None:
    one = kept.proposal
    state = "" if kept.state == "open" else f"  [{kept.state}{f' by {kept.decided_by}' if kept.decided_by else ''}]"
    if one.kind == "join":
        assert one.other is not None
        say.heading(f"{kept.name}  {one.other} is the same person as {one.patient}, and is joined to it{state}")
        for patient in (one.patient, one.other):
            say.paragraph(f"{patient}: {_who(ledger, patient)}", "    ", "      ")
    else:
        say.heading(f"{kept.name}  {one.patient}: change of {_traits(one.changes)}{state}")
        say.paragraph(f"on record: {_who(ledger, one.patient)}", "    ", "      ")
        for change in one.changes:
            say.paragraph(f"{change.what.replace('_', ' ')}: {_in_words(change)}", "    ", "      ")
    for doubt in one.doubts:
        say.paragraph(f"careful: {doubt.words}", "    ", "      ")
    when = f", said {kept.said}" if kept.said else ""
    say.paragraph(f"from {kept.source} of {kept.sender or 'an unnamed sender'}{when}, came {kept.at[:16]}", "    ")
    if kept.why:
        say.paragraph(f"why: {say.shown(kept.why)}", "    ", "      ")


def _traits(changes: tuple[Change, ...]) -> str:
    return ", ".join(dict.fromkeys(one.what.replace("_", " ") for one in changes)) or "record (words erased)"


def _in_words(change: Change) -> str:
    if change.what == "number":
        return f"{say.shown(change.after)} of {say.shown(change.system)} is added"
    return f"{say.shown(change.before or 'not recorded')} becomes {say.shown(change.after)}"


def _who(ledger: Ledger, patient: str) -> str:
    one = ledger.who.patient(patient)
    if one.erased:
        return "(erased)"
    numbers = ", ".join(number.value for number in one.identifiers) or "no number"
    return say.shown(f"{one.name or '(no name)'}, born {one.birth_date or 'on an unknown day'}, {numbers}")


def _plain(kept: KeptProposal) -> dict[str, Any]:
    one = kept.proposal
    return {
        "name": kept.name,
        "kind": one.kind,
        "patient": one.patient,
        "other": one.other,
        "changes": [vars(change) for change in one.changes],
        "doubts": [{"code": doubt.code, "words": doubt.words} for doubt in one.doubts],
        **{name: value for name, value in vars(kept).items() if name not in ("proposal", "number")},
    }
