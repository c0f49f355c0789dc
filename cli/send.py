"""Sending to the hospital's record, and the servers that are sent to.

Every request is on record without patients' content; a refusal is kept whole. Exit codes: 0 everything is there, 1 the
server cannot be worked with, 3 something was refused, is held back or waits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.fhir import SettingsOption, default_settings, settings_of
from cli.lazy import Later, a_group
from cli.options import ByOption, JsonOption, LedgerOption, opened, the_patient
from ledger.errors import WrongInput

if TYPE_CHECKING:
    from collections.abc import Mapping

    from fhir_mapping.sender import Outcome, Sender
    from fhir_mapping.settings import Settings

PARTLY = 3

servers = a_group(
    {
        "add": Later("cli.send:add_server", "Name a server and its address."),
        "list": Later("cli.send:list_servers", "The servers that are named in the settings."),
        "test": Later("cli.send:ask_server", "What a server can take, and which way it will be spoken to."),
    },
    help="The servers that are sent to, by name.",
)

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The server's name in the settings.")]
ToOption = Annotated[str, typer.Option("--to", metavar="NAME", help="The server's name in the settings.")]
WhichOption = Annotated[
    str | None,
    typer.Option(
        "--to",
        metavar="NAME",
        help="The server's name in the settings. Without it, the only one that is named there.",
        show_default=False,
    ),
]


def send(
    to: ToOption,
    patient: Annotated[
        str | None, typer.Option("--patient", metavar="PATIENT", help="Only this patient.", show_default=False)
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="Only the patients of a unit.", show_default=False)
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would go and why; ask the server nothing.")
    ] = False,
    batch: Annotated[
        int | None,
        typer.Option("--batch", metavar="NUMBER", help="At most so many entries a transaction.", show_default=False),
    ] = None,
    everything: Annotated[
        bool, typer.Option("--everything", help="Look also at patients of whom nothing seems to have changed.")
    ] = False,
    settings: SettingsOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Send what has changed to a server, each fact once. Run it every night.

    What the server accepted is remembered, so running it again sends nothing. A refusal is kept with the server's
    reason, holds back only what depends on it, and is shown by `fhir status`.
    """
    from cli.look import noted
    from fhir_mapping.sender import Sender

    with opened(ledger) as found:
        said = settings_of(found, settings)
        sender = Sender(found, said, said.server(to), batch=batch)
        if patient is not None:
            patients = [the_patient(found, patient).id]
            survivor = sender.exporter.survivor_of(patients[0])
            patients = [survivor] if survivor is not None else patients
        else:
            patients = list(sender.exporter.patients(unit))
        if dry_run:
            _tell_what_would_go(sender, patients, as_json)
            return
        noted(found, "send", by, patients[0] if patient is not None else None, about=to)
        with say.progress("patients", len(patients)) as progress:
            done = sender.send(patients, progress, everything=everything)
    _tell(to, done, as_json)
    if done.stopped is not None:
        if not as_json:
            raise done.stopped
        raise typer.Exit(1)
    if not done.is_complete:
        raise typer.Exit(PARTLY)


def _tell_what_would_go(sender: Sender, patients: list[str], as_json: bool) -> None:
    found = sender.would_go(patients)
    if as_json:
        say.as_json({"would_go": [vars(one) for one in found], "types_known": not sender.not_asked_yet})
        return
    if not found:
        say.out(f"Nothing would go to {sender.server.name}: it was sent everything.")
        return
    from collections import Counter

    say.table(
        ["patient", "why", "type", "entry", "identifier"],
        [[one.patient, one.why, one.kind, one.entry, one.value] for one in found],
    )
    whys = ", ".join(f"{count} {why}" for why, count in Counter(one.why for one in found).most_common())
    say.out(f"{say.counted(len(found), 'resource')} would go to {sender.server.name}: {whys}.")
    say.paragraph(_by_type(Counter(one.kind for one in found)), "  ", "  ")
    if sender.not_asked_yet:
        say.out("It was not asked yet which types it takes; those that it does not take will not go.")
        say.next_steps((f"access-ledger fhir server test {sender.server.name}", "ask it; nothing is sent"))


def _by_type(counted: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counted.items())) + "."


def _tell(to: str, done: Outcome, as_json: bool) -> None:
    if as_json:
        say.as_json(
            {
                "patients": done.patients,
                "unchanged": done.unchanged_patients,
                "accepted": done.accepted,
                "refused": [_refusal(one) for one in done.refused],
                "held": [{"patient": one.patient, "reason": one.reason} for one in done.held],
                "waiting": done.waiting,
                "not_taken": dict(sorted(done.not_taken.items())),
                "stopped": None
                if done.stopped is None
                else {"problem": done.stopped.problem, "remedy": done.stopped.remedy},
            }
        )
        return
    say.out(
        f"{to}: {say.counted(done.accepted, 'resource')} accepted, {len(done.refused)} refused, {done.waiting} wait; "
        f"{say.counted(done.patients, 'patient')} looked at, {done.unchanged_patients} unchanged."
    )
    for one in done.refused:
        say.paragraph(f"refused: {one.patient} {one.kind} {one.value}: {_reason(one.outcome)}", "  ", "    ")
    for held in done.held:
        say.paragraph(f"held back: {held.patient}: {held.reason}", "  ", "    ")
    if done.not_taken:
        said = _by_type(done.not_taken)
        say.paragraph(f"not sent, since it does not say that it takes them: {said}", "  ", "    ")
    if done.refused or done.held:
        say.next_steps(
            (f"access-ledger fhir status --to {to}", "what was refused and why, at any time"),
            (f"access-ledger fhir retry --to {to}", "once the reason is gone, let it go again with the next send"),
        )


def _refusal(one: Any) -> dict[str, Any]:
    import orjson

    found = {name: value for name, value in vars(one).items() if name not in ("digest", "tried", "etag", "outcome")}
    try:
        return {**found, "outcome": orjson.loads(one.outcome or "null")}
    except ValueError:
        return {**found, "outcome": one.outcome}


def _reason(outcome: str | None) -> str:
    """A server's OperationOutcome in one line."""
    import orjson

    try:
        found = orjson.loads(outcome or "null")
    except ValueError:
        return outcome or "no reason given"
    if not isinstance(found, dict):
        return "no reason given"
    said = []
    for issue in found.get("issue", ()):
        text = issue.get("details", {}).get("text") or issue.get("diagnostics") or issue.get("code", "")
        where = ", ".join(issue.get("expression", ()) or issue.get("location", ()))
        said.append(f"{text} ({where})" if where else str(text))
    return "; ".join(said) or f"status {found.get('status', 'unknown')}, without a reason"


# --- Servers ------------------------------------------------------------------------------------------------------


def add_server(
    name: NameArgument,
    url: Annotated[str, typer.Argument(metavar="URL", help="The base address, such as https://fhir.example/r4.")],
    create_patients: Annotated[
        bool, typer.Option("--create-patients", help="Make patients there whom the server does not know.")
    ] = False,
    way: Annotated[
        str, typer.Option("--way", metavar="WAY", help="auto, transaction, conditional-create or plain-create.")
    ] = "auto",
    batch: Annotated[int, typer.Option("--batch", metavar="NUMBER", help="Entries a transaction, at most.")] = 8,
    release: Annotated[str, typer.Option("--fhir-release", metavar="R4|R5", help="Which release it speaks.")] = "R4",
    auth: Annotated[str, typer.Option("--auth", metavar="HOW", help="none, bearer or smart.")] = "none",
    token_file: Annotated[
        str | None, typer.Option("--token-file", help="A file with the bearer token.", show_default=False)
    ] = None,
    token_env: Annotated[
        str | None, typer.Option("--token-env", help="The variable that holds it.", show_default=False)
    ] = None,
    client_id: Annotated[
        str | None, typer.Option("--client-id", help="Who we are to its SMART service.", show_default=False)
    ] = None,
    key_file: Annotated[
        str | None, typer.Option("--key-file", help="Our private key, as JWK or PEM.", show_default=False)
    ] = None,
    algorithm: Annotated[str, typer.Option("--algorithm", metavar="RS384|ES384", help="How we sign.")] = "RS384",
    scope: Annotated[str | None, typer.Option("--scope", help="What we ask for.", show_default=False)] = None,
    ca_file: Annotated[
        str | None, typer.Option("--ca-file", help="Certificates that it is signed by.", show_default=False)
    ] = None,
    all_types: Annotated[
        bool, typer.Option("--all-types", help="Send also what its own statement does not name.")
    ] = False,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """Name a server in the settings. Secrets stay in files or variables; none is taken on the command line."""
    from fhir_mapping.settings import Server
    from fhir_mapping.settings import add_server as added

    file = settings or default_settings()
    made = Server(
        name=name,
        url=url,
        way=way,
        batch=batch,
        create_patients=create_patients,
        release=release,
        auth=auth,
        token_file=token_file,
        token_env=token_env,
        client_id=client_id,
        key_file=key_file,
        algorithm=algorithm,
        scope=scope,
        ca_file=ca_file,
        all_types=all_types,
    )
    added(file, made)
    if as_json:
        say.as_json({"file": str(file), "server": vars(made)})
        return
    say.out(f"{name} is now in {file}.")
    say.next_steps((f"access-ledger fhir server test {name}", "what it can take, and how it will be spoken to"))


def list_servers(settings: SettingsOption = None, ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """The servers that are named in the settings."""
    with opened(ledger) as found:
        said = settings_of(found, settings)
    if as_json:
        say.as_json({"servers": [vars(one) for one in said.servers.values()]})
        return
    if not said.servers:
        say.out("No server is named yet.")
        say.next_steps(("access-ledger fhir server add NAME URL", "name one"))
        return
    say.table(
        ["server", "address", "way", "who we are"],
        [[one.name, one.url, one.way, one.auth] for one in said.servers.values()],
    )


def ask_server(
    name: NameArgument, settings: SettingsOption = None, ledger: LedgerOption = None, as_json: JsonOption = False
) -> None:
    """Ask a server what it can take, and say which way it will be spoken to. Nothing is sent."""
    from fhir_mapping.checks import TARGETS
    from fhir_mapping.sender import Sender
    from fhir_mapping.servers import in_words

    kinds = sorted({path.split(".")[0] for path in TARGETS})
    with opened(ledger) as found:
        said = settings_of(found, settings)
        sender = Sender(found, said, said.server(name))
        with sender.talker:
            ability = sender.ability
            # Its statement is often open to everybody; a search is not, and shows whether we are let in.
            entered = sender.talker.get("Patient?identifier=access-ledger%7Cnobody&_count=1")
    if as_json:
        say.as_json(
            {
                "server": name,
                "version": ability.version,
                "transaction": ability.transaction,
                "way": sender.way,
                "let_in": entered.is_fine,
                "takes": {kind: ability.takes(kind) for kind in kinds},
            }
        )
    else:
        for line in in_words(sender.server, ability, kinds):
            say.paragraph(line)
        say.out("It lets us search." if entered.is_fine else f"It does not let us search (status {entered.status}).")
    if not entered.is_fine:
        raise typer.Exit(1)


# --- How things stand ---------------------------------------------------------------------------------------------


def _which(said: Settings, to: str | None) -> str:
    """The server that is named, or the only one that there is. Raises WrongInput."""
    if to is not None:
        return to
    if len(said.servers) == 1:
        return next(iter(said.servers))
    names = ", ".join(said.servers) or "none yet"
    raise WrongInput(f"Say which server is meant: {names}.", "Name it with --to; `fhir server list` shows them.")


def status(
    to: WhichOption = None,
    requests: Annotated[int, typer.Option("--requests", metavar="NUMBER", help="Also the last so many requests.")] = 0,
    settings: SettingsOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """What a server accepted, what it refused and why, what is held back, and what waits."""
    from fhir_mapping.outbox import HELD, IN_FLIGHT, REFUSED, WAITING, Outbox

    with opened(ledger) as found:
        said = settings_of(found, settings)
        to = _which(said, to)
        outbox = Outbox(found, said.server(to).name)
        counted = outbox.counted()
        refused = list(outbox.with_state(REFUSED))
        waiting = list(outbox.with_state(HELD, IN_FLIGHT, WAITING))
        held = [one for one in outbox.patients() if one.state == HELD]
        asked = outbox.requests(requests) if requests else []
    if as_json:
        say.as_json(
            {
                "server": to,
                "resources": counted,
                "refused": [_refusal(one) for one in refused],
                "held": [vars(one) for one in held],
                "requests": [vars(one) for one in asked],
            }
        )
        return
    say.out(f"{to}: " + (", ".join(f"{count} {state}" for state, count in counted.items()) or "nothing was sent yet"))
    for one in refused:
        say.paragraph(f"refused: {one.patient} {one.kind} {one.value}: {_reason(one.outcome)}", "  ", "    ")
    for one in waiting:
        say.paragraph(f"{one.state}: {one.patient} {one.kind} {one.value}", "  ", "    ")
    for patient in held:
        say.paragraph(f"held back: {patient.patient}: {patient.reason}", "  ", "    ")
    if asked:
        say.table(
            ["when", "what", "where", "answer"],
            [[one.at, one.method, one.where, one.status or one.what] for one in asked],
        )


def retry(
    to: WhichOption = None, settings: SettingsOption = None, ledger: LedgerOption = None, as_json: JsonOption = False
) -> None:
    """Let what was refused or held back go again with the next `send`."""
    from fhir_mapping.outbox import Outbox

    with opened(ledger) as found:
        said = settings_of(found, settings)
        to = _which(said, to)
        outbox = Outbox(found, said.server(to).name)
        with outbox.alone():
            changed = outbox.try_again()
    if as_json:
        say.as_json({"server": to, "resources": changed})
    else:
        say.out(f"{say.counted(changed, 'resource')} will go again with the next send.")


def reconcile(
    to: WhichOption = None,
    again: Annotated[
        bool, typer.Option("--again", help="Let what is missing or was changed there go again with the next send.")
    ] = False,
    settings: SettingsOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Ask a server for everything that it accepted, and show what is missing, doubled or was changed there.

    Changes nothing on the server.
    """
    from fhir_mapping.reconciling import WORDS, differences
    from fhir_mapping.sender import Sender

    with opened(ledger) as found:
        said = settings_of(found, settings)
        to = _which(said, to)
        sender = Sender(found, said, said.server(to))
        with sender.talker, say.progress("resources") as progress:
            differing = list(differences(sender, progress))
        if again:
            with sender.outbox.alone():
                sender.outbox.forget_digests([one.sent for one in differing if one.difference != "several"])
    if as_json:
        say.as_json(
            {
                "server": to,
                "differences": [
                    {
                        "patient": one.sent.patient,
                        "type": one.sent.kind,
                        "identifier": one.sent.value,
                        "location": one.sent.location,
                        "difference": one.difference,
                    }
                    for one in differing
                ],
            }
        )
    elif not differing:
        say.out(f"{to} holds everything that it accepted, unchanged.")
    else:
        for one in differing:
            say.paragraph(f"{one.sent.patient} {one.sent.kind} {one.sent.value}: {WORDS[one.difference]}", "  ", "    ")
        say.out(
            "They go again with the next send."
            if again
            else "Nothing was changed. With --again, what is missing or was changed there goes with the next send."
        )
    if differing:
        raise typer.Exit(PARTLY)
