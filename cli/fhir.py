"""The hospital's record: what an engineer wants to know, and sets up, before anything is sent."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import say
from cli.lazy import Later, a_group
from cli.options import JsonOption, LedgerOption, opened

if TYPE_CHECKING:
    from fhir_mapping.settings import Settings
    from ledger.store import Ledger

fhir = a_group(
    {
        "codes": Later("cli.fhir:codes", "The codes that are sent, where each was seen, and what has none."),
        "map": Later("cli.fhir:show_map", "What becomes what: every kind of entry and its resources."),
        "definitions": Later("cli.fhir:definitions", "Write our extensions, code systems and capability statement."),
        "settings": Later("cli.fhir:show_settings", "What the settings file says, and what may stand in it."),
        "server": Later("cli.send:servers", "The servers that are sent to: add, list, test."),
        "status": Later("cli.send:status", "What a server accepted, what it refused and why, and what waits."),
        "retry": Later("cli.send:retry", "Let what was refused or held back go again with the next send."),
        "receive": Later("cli.receive:receive", "Take in what a file or a server holds, as proposals."),
        "reconcile": Later("cli.send:reconcile", "Ask a server what it has, and show what differs."),
    },
    help="The hospital's record in HL7 FHIR: codes, mapping, definitions, settings, servers.",
)

SettingsOption = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        envvar="ACCESS_LEDGER_FHIR",
        metavar="FILE",
        help="The FHIR settings file. Without it, fhir.toml in your configuration folder.",
        show_default=False,
    ),
]
ReleaseOption = Annotated[
    str, typer.Option("--fhir-release", metavar="R4|R5", help="The release of FHIR that is written.")
]
PARTLY = 3


def settings_of(ledger: Ledger, file: Path | None) -> Settings:
    """The FHIR settings for this ledger."""
    from fhir_mapping.settings import settings_for

    return settings_for(ledger.uuid, file or default_settings())


def default_settings() -> Path:
    """`fhir.toml` in the user's configuration folder of this application."""
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        said = os.environ.get("XDG_CONFIG_HOME", "")
        base = Path(said) if os.path.isabs(said) else Path.home() / ".config"
    return base / "access-ledger" / "fhir.toml"


# --- What an engineer wants to know -------------------------------------------------------------------------------


def codes(
    received: Annotated[
        bool, typer.Option("--received", help="Instead the codes that are understood when others send them.")
    ] = False,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
) -> None:
    """The codes that are sent, by the place in the mapping that asks for them, with where each was seen.

    A site adds or replaces codes with a file of its own (`codes` under [site] in the settings); their check digits are
    verified when it is read. What is not verified is listed and never sent. With --received, the codes by which
    resources of the hospital's own are understood: those that are sent, and more.
    """
    from uuid import UUID

    from fhir_mapping.settings import settings_for

    table = list(settings_for(UUID(int=0), settings or default_settings()).site.codes)
    sent = {line for line in table if line.verified}
    if received:
        from fhir_mapping.foreign import received_codes

        table = sorted({*received_codes(), *sent}, key=lambda line: (line.use, line.code))
    if as_json:
        say.as_json({"codes": [{**vars(line), "sent": line in sent} for line in table]})
        return
    say.table(
        ["used for", "code", "sent", "display, and where it was seen"],
        [[line.use, line.code, "yes" if line in sent else "no", f"{line.display} ({line.source})"] for line in table],
    )


def show_map() -> None:
    """What becomes what in FHIR: every kind of entry, the resources that it makes and where each field goes."""
    from fhir_mapping.mapping_page import mapping_page

    say.out(mapping_page())


def definitions(
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Write one file a definition here.", show_default=False),
    ] = None,
) -> None:
    """Our extensions (StructureDefinitions), code systems and capability statement, for whoever receives.

    Without --to, one a line.
    """
    from fhir_mapping.definitions import FILES
    from fhir_mapping.elements import written

    made = [one for name in sorted(FILES) for one in FILES[name]()]
    for one in made:
        if to is None:
            line(written(one))
        else:
            put(to, f"{one['resourceType']}-{one['id']}.json", written(one))
    if to is not None:
        say.out(f"{len(made)} definitions written to {to}.")


def show_settings(
    settings: SettingsOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """What the settings say for this ledger, and what may stand in the file."""
    with opened(ledger) as found:
        said = settings_of(found, settings)
    site = {
        "namespace": said.site.namespace,
        "assigner": said.site.assigner,
        "patient_system": said.site.patient_system,
        "attach_text": said.site.attach_text,
        "leave_out": sorted(said.site.systems_left_out),
        "codes": sum(1 for _ in said.site.codes),
    }
    if as_json:
        say.as_json({"file": str(said.file), "site": site, "servers": [vars(one) for one in said.servers.values()]})
        return
    there = "" if said.file is not None and said.file.exists() else " (not there yet; these are the defaults)"
    say.heading(f"{said.file}{there}")
    say.fields((name, value) for name, value in site.items() if value not in (None, []))
    for one in said.servers.values():
        say.heading(f"server {one.name}")
        say.fields((name, value) for name, value in vars(one).items() if value is not None and name != "name")
    say.out()
    import fhir_mapping.settings

    say.out(str(fhir_mapping.settings.__doc__))


def line(text: bytes) -> None:
    """One line of JSON to standard output."""
    try:
        sys.stdout.write(text.decode("utf-8") + "\n")
    except BrokenPipeError:
        say.nobody_listens()


def put(folder: Path, name: str, text: bytes) -> None:
    """A new file in a folder, private to its owner."""
    from fhir_mapping.bundles import created

    folder.mkdir(parents=True, exist_ok=True)
    with created(folder / name) as file:
        file.write(text)
