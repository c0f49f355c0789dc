"""`fhir receive`: what the hospital's record, or another ledger, holds comes in as proposals.

Facts that one of our ledgers sent are read back exactly, and recorded by `--take-over` only; everything else goes the
way of reports, where a person confirms. Exit codes: 0 nothing is open, 3 something waits or was not taken.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.fhir import SettingsOption, settings_of
from cli.options import ByOption, JsonOption, LedgerOption, opened, person_of
from ledger.errors import WrongInput

if TYPE_CHECKING:
    from fhir_mapping.elements import Resource
    from fhir_mapping.receiver import KeptWords, Proposal, ReceivedAll
    from fhir_mapping.settings import Settings
    from ledger.store import Ledger

PARTLY = 3


def receive(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="FILE", help="A resource, a Bundle, or one resource a line.", show_default=False),
    ] = None,
    origin: Annotated[
        str | None,
        typer.Option("--from", metavar="NAME", help="Ask this server of the settings instead.", show_default=False),
    ] = None,
    take_all: Annotated[
        bool, typer.Option("--take-over", help="Record what our own kind of ledger sent, marked as taken over by rule.")
    ] = False,
    one_by_one: Annotated[
        bool, typer.Option("--one-by-one", help="Ask for each of these facts; what you accept is recorded as yours.")
    ] = False,
    settings: SettingsOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take in FHIR: facts of ours and of other ledgers, and what else the hospital's record says of our patients.

    Our own resources coming back are recognised; one that was changed there proposes a correction, one that was
    entered in error a retraction. Nothing is recorded without --one-by-one, --take-over, or a server that the settings
    call trusted. What is not ours is kept as a report and waits to be confirmed; what is said of who patients are waits
    in `patient proposals`.
    """
    from fhir_mapping.receiver import KeptWords, proposals_for, received_from, take_over
    from ledger.entries import Signature
    from ledger.vocabulary import ConfirmedHow

    if (file is None) == (origin is None):
        raise typer.BadParameter("name a FILE, or a server with --from.")
    if one_by_one and take_all:
        raise typer.BadParameter("--one-by-one asks, --take-over does not: say one of them.")
    if one_by_one and (as_json or not say.is_terminal()):
        raise WrongInput("Nobody is here to ask.", "Run it at a terminal, or record all of it with --take-over.")
    with opened(ledger) as found:
        said = settings_of(found, settings)
        trusted = not one_by_one and (take_all or (origin is not None and said.server(origin).trusted))
        person = person_of(found, by)
        kept = KeptWords()
        resources = _of_file(file) if file is not None else _of_server(found, said, str(origin))
        received = received_from(resources, kept, frozenset({said.site.namespace}))
        proposals = proposals_for(found, said.site.namespace, received.facts, kept)
        open_ones = [one for one in proposals if one.draft is not None]
        added = 0
        refused: list[tuple[Proposal, str]] = []
        shown = {id(one): _in_words(found, one, kept) for one in open_ones} if not trusted else {}
        if one_by_one:
            taken = _asked(open_ones, shown)
            added, refused = take_over(found, taken, Signature(person=person), kept)
            done = {id(one) for one in taken}
            open_ones = [one for one in open_ones if id(one) not in done]
            proposals = [one for one in proposals if id(one) not in done]
        elif trusted and open_ones:
            signature = Signature(person=person, how=ConfirmedHow.BY_RULE)
            added, refused = take_over(found, open_ones, signature, kept)
        reports = _foreign(found, said, received, person)
        told = _patients(found, received, origin)
    _tell(received, proposals, shown, added, refused, reports, told, trusted, as_json)
    nobody = [one for one in proposals if one.what == "unknown-patient"]
    if refused or nobody or received.not_read or (open_ones and not trusted):
        raise typer.Exit(PARTLY)


def _in_words(ledger: Ledger, one: Proposal, kept: KeptWords) -> list[str]:
    """What a proposal would do, in sentences: what it is about, what is on record, what is told."""
    from ledger.chronology import entry_in_force_for
    from ledger.projections.sentences import sentence_of_event

    assert one.draft is not None
    assert one.patient is not None
    words = kept.or_else(ledger.papers.words)
    event = one.draft.event
    about = getattr(event, "corrects", None) or getattr(event, "retracts", None)
    if about is None:
        return [f"new: {one.patient} {one.received.kind}, {event.happened}", sentence_of_event(event, words)]
    history = ledger.history(one.patient, sessions=True)
    entries = [*history.entries, *(e for _, others in history.merged for e in others)]
    entry = entry_in_force_for(about, entries) or history.entry(about)
    name = f"{one.patient}.{entry.version}" if entry is not None else one.patient
    lines = [f"{one.what}: {name} {one.received.kind}"]
    if entry is not None:
        lines.append(f"on record, {entry.happened}: {sentence_of_event(entry.event, words)}")
    told = "entered in error" if one.what == "withdrawn" else sentence_of_event(event, words)
    return [*lines, f"told, {event.happened}: {told}"]


def _asked(proposals: list[Proposal], shown: dict[int, list[str]]) -> list[Proposal]:
    """Those that a person takes, one by one; what was taken before they stop is recorded."""
    taken = []
    for number, one in enumerate(proposals, start=1):
        say.out()
        say.heading(f"{number} of {len(proposals)}")
        for line in shown[id(one)]:
            say.paragraph(line, "  ", "    ")
        answer = ""
        while answer not in ("y", "n", "q"):
            answer = typer.prompt("Record it? y, n, or q to stop", default="", show_default=False).strip().lower()[:1]
        if answer == "q":
            break
        if answer == "y":
            taken.append(one)
    return taken


def _of_file(file: Path) -> list[Resource]:
    from fhir_mapping.receiver import resources_in

    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise WrongInput("The file cannot be read as text.", "Check its name, and that it is FHIR as JSON.") from None
    try:
        return resources_in(json.loads(text, parse_float=Decimal))
    except ValueError:
        pass
    found = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            found += resources_in(json.loads(line, parse_float=Decimal))
        except ValueError:
            raise WrongInput(
                f"Line {number} of the file is not JSON.", "It has to be a resource, a Bundle, or one resource a line."
            ) from None
    return found


def _of_server(ledger: Ledger, said: Settings, name: str) -> Iterator[Resource]:
    from fhir_mapping.fetching import fetched
    from fhir_mapping.sender import Sender

    sender = Sender(ledger, said, said.server(name))
    patients = list(sender.exporter.patients())
    with sender.talker, say.progress("patients", len(patients)) as progress:
        for number, one in enumerate(fetched(sender, patients), start=1):
            yield from one.resources
            if progress is not None:
                progress(number)


def _foreign(ledger: Ledger, said: Settings, received: ReceivedAll, person: str) -> list[dict[str, Any]]:
    """Keeps what is not ours as reports: documents as they are, of the rest what its codes and words tell."""
    from fhir_mapping.elements import written
    from fhir_mapping.foreign import DOCUMENTS, foreign_report, subject_identifiers
    from fhir_mapping.receiver import addressed
    from ledger.arrival import Arrived, ArrivedReport, DocumentStatus, Envelope, Form, PatientClues
    from ledger.matching import Register
    from ledger.reading.reader import read_report
    from ledger.receiving import OpenedUp, opened_up
    from ledger.receiving import receive as kept_as_report

    made: list[dict[str, Any]] = []
    if not received.foreign:
        return made
    register = Register(ledger.who.patients())
    others = addressed([*received.foreign, *received.patients])
    for resource in received.foreign:
        of = str(resource.get("resourceType"))
        content = written({key: held for key, held in resource.items() if key != "_fullUrl"})
        named = [ledger.who.by_identifier(system, value) for system, value in subject_identifiers(resource, others)]
        whose = {known.id for known in named if known is not None}
        # Numbers of two patients name nobody: a person says whose it is.
        patient = whose.pop() if len(whose) == 1 else None
        if of in DOCUMENTS:
            opened = opened_up(content, f"{of}.json")
        else:
            report = foreign_report(resource, said.site.codes, others)
            if report is None:
                made.append({"type": of, "outcome": "not-taken"})
                continue
            if report.is_withdrawn:
                made.append(_withdrawn(ledger, content, of, report.document_id, patient))
                continue
            status = DocumentStatus.CORRECTED if report.is_corrected else DocumentStatus.FINAL
            envelope = Envelope(
                form=Form.FHIR,
                performed=report.happened,
                document_id=report.document_id,
                supersedes=(report.document_id,) if report.is_corrected and report.document_id else (),
                status=status,
                document_kind=of,
                told=report.told,
            )
            part = ArrivedReport(
                part=1,
                text=report.text,
                media_type="application/fhir+json",
                envelope=envelope,
                clues=PatientClues(),
            )
            opened = OpenedUp(
                original=content,
                file_name=f"{of}.json",
                arrived=Arrived(form=Form.FHIR, parts=(part,)),
                readings=(read_report(report.text, envelope),),
            )
        for one in kept_as_report(ledger, opened, register, patient=patient, person=person if patient else None):
            made.append({"type": of, "outcome": one.outcome, "report": one.report, "patient": one.patient})
    return made


def _withdrawn(ledger: Ledger, content: bytes, of: str, document_id: str | None, patient: str | None) -> dict[str, Any]:
    """A resource that its sender takes back: listed with what was made of it; not kept where nothing ever was."""
    earlier = [
        one.id[:10]
        for one in (ledger.papers.reports(patient=patient) if patient is not None and document_id else ())
        if (one.envelope.get("envelope") or {}).get("document_id") == document_id and one.state != "unreadable"
    ]
    if not earlier:
        return {"type": of, "outcome": "not-taken"}
    stored, is_new = ledger.papers.keep_report(
        content,
        None,
        patient=patient,
        file_name=f"{of}.json",
        media_type="application/fhir+json",
        state="unreadable",
        waits_for=f"The sender takes it back: look at what was taken from {', '.join(earlier)}, and retract what no "
        "longer holds.",
        envelope={"envelope": {"form": "fhir-json", "document_id": document_id, "status": "withdrawn"}},
    )
    return {
        "type": of,
        "outcome": "withdrawn" if is_new else "already",
        "report": stored.id,
        "patient": patient,
        "earlier": earlier,
    }


def _patients(ledger: Ledger, received: ReceivedAll, origin: str | None) -> list[str]:
    """Keeps what Patient resources say otherwise than our record, for a person to settle; their names."""
    from fhir_mapping.told_patients import identities_told
    from ledger.matching import Register
    from ledger.settling import take_in

    if not received.patients:
        return []
    register = Register(ledger.who.patients())
    found = [take_in(ledger, told, register) for told in identities_told(received.patients, origin)]
    # A later resource may take the place of what an earlier one proposed.
    return list(dict.fromkeys(kept.name for one in found for kept in one.opened))


def _tell(
    received: ReceivedAll,
    proposals: list[Proposal],
    shown: dict[int, list[str]],
    added: int,
    refused: list[Any],
    reports: list[dict[str, Any]],
    told: list[str],
    trusted: bool,
    as_json: bool,
) -> None:
    from collections import Counter

    counted = Counter(one.what for one in proposals)
    if as_json:
        say.as_json(
            {
                "facts": dict(sorted(counted.items())),
                "added": added,
                "refused": [
                    {"kind": one.received.kind, "root": one.received.root, "patient": one.patient, "reason": reason}
                    for one, reason in refused
                ],
                "not_read": [{"what": what, "reason": reason} for what, reason in received.not_read],
                "reports": reports,
                "about_patients": told,
                "proposals": [
                    {"what": one.what, "patient": one.patient, "kind": one.received.kind, "root": one.received.root}
                    for one in proposals
                    if one.what != "known"
                ],
            }
        )
        return
    said = ", ".join(f"{number} {what}" for what, number in sorted(counted.items())) or "none"
    say.out(f"Facts of ours and of other ledgers: {said}; {added} recorded.")
    for one in proposals:
        if one.draft is None and one.what != "known":
            words = f"{one.what}: {one.patient or 'nobody'} {one.received.kind} {one.received.root}"
            say.paragraph(words, "  ", "    ")
        for number, line in enumerate(shown.get(id(one), ())):
            say.paragraph(line, "    " if number else "  ", "      ")
    for one, reason in refused:
        say.paragraph(f"not taken: {one.patient} {one.received.kind} {one.received.root}: {reason}", "  ", "    ")
    for what, reason in received.not_read:
        say.paragraph(f"not read: {what}: {reason}", "  ", "    ")
    waiting = [one for one in reports if one["outcome"] != "not-taken"]
    if waiting:
        say.out(f"{say.counted(len(waiting), 'resource')} of the hospital's own kept as reports.")
        back = sum(one["outcome"] == "withdrawn" for one in reports)
        if back:
            say.out(f"{say.counted(back, 'resource')} taken back there; `report list` names what was made of it.")
        say.next_steps(("access-ledger report list", "what waits to be confirmed"))
    if told:
        say.out(f"{say.counted(len(told), 'proposal')} about who patients are.")
        say.next_steps(("access-ledger patient proposals", "what the hospital says otherwise, to be settled"))
    if not trusted and any(one.draft is not None for one in proposals):
        say.out("These were not recorded. --one-by-one asks for each; --take-over records all, marked as by rule.")
