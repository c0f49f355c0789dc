"""`export`: what is known of patients as HL7 FHIR, to standard output or to files.

Thin, like every command: the mapping is in `fhir_mapping`. What leaves is noted in the audit.
"""

from __future__ import annotations

from contextlib import nullcontext
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.fhir import SettingsOption, line, put, settings_of
from cli.options import ByOption, JsonOption, LedgerOption, opened, the_patient

if TYPE_CHECKING:
    from fhir_mapping.export import Exporter
    from ledger.store import Ledger

PARTLY = 3


class Form(StrEnum):
    BUNDLE = "bundle"
    NDJSON = "ndjson"


class Release(StrEnum):
    R4 = "R4"
    R5 = "R5"


def export(
    patient: Annotated[
        str | None,
        typer.Argument(metavar="PATIENT", help="A patient's id, number or name.", show_default=False),
    ] = None,
    everybody: Annotated[bool, typer.Option("--all", help="Every patient of the ledger.")] = False,
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="The patients of one unit.", show_default=False)
    ] = None,
    form: Annotated[
        Form, typer.Option("--as", help="bundle: a transaction for each patient. ndjson: a resource a line.")
    ] = Form.BUNDLE,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to", metavar="FOLDER", help="Write files into this folder instead of printing.", show_default=False
        ),
    ] = None,
    fhir_release: Annotated[Release, typer.Option("--fhir-release", help="Which release of FHIR.")] = Release.R4,
    since: Annotated[
        str | None,
        typer.Option(
            "--since",
            metavar="DAY|INSTANT",
            help="Only what entries have changed after this day or instant.",
            show_default=False,
        ),
    ] = None,
    check: Annotated[
        bool, typer.Option("--check", help="Check every resource; a patient with a faulty one is left out and named.")
    ] = False,
    namespace: Annotated[
        str | None,
        typer.Option(
            "--namespace",
            envvar="ACCESS_LEDGER_FHIR_NAMESPACE",
            metavar="URI",
            help="The URI under which identifiers are unique. Without it, that of the settings or the ledger's own.",
            show_default=False,
        ),
    ] = None,
    create_patients: Annotated[
        bool, typer.Option("--create-patients", help="Patient resources as well; else a reference by number.")
    ] = False,
    attach_text: Annotated[
        bool, typer.Option("--attach-text", help="Let report texts and quotes go out as well.")
    ] = False,
    without_sessions: Annotated[
        bool, typer.Option("--without-sessions", help="Without single dialysis sessions.")
    ] = False,
    settings: SettingsOption = None,
    by: ByOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write what is known of patients as HL7 FHIR: one patient, a unit, or all.

    Printed, a bundle or a resource stands on a line of its own. Written to a folder, bundles are one file a patient,
    and ndjson is one file a type with a manifest. Nothing that is there is overwritten. No text of a report and no
    name of a patient leaves unless it is asked for here or in the settings.
    """
    from dataclasses import replace

    from cli.look import noted
    from fhir_mapping.export import Exporter

    if sum((patient is not None, everybody, unit is not None)) != 1:
        raise typer.BadParameter("say whose facts: a PATIENT, --unit UNIT or --all.")
    with opened(ledger) as found:
        site = settings_of(found, settings).site
        site = replace(
            site,
            namespace=namespace or site.namespace,
            create_patients=site.create_patients or create_patients,
            attach_text=site.attach_text or attach_text,
        )
        exporter = Exporter(
            found,
            site,
            release=fhir_release.value,
            since=None if since is None else _instant(since, found),
            check=check,
            sessions=not without_sessions,
        )
        patients = [the_patient(found, patient).id] if patient is not None else list(exporter.patients(unit))
        noted(found, "export", by, patients[0] if patient is not None else None, about=unit)
        _write(exporter, patients, form, to, as_json)


def _write(exporter: Exporter, patients: list[str], form: Form, to: Path | None, as_json: bool) -> None:
    """Writes patient after patient, and says which were left out."""
    from fhir_mapping.bundles import NdjsonFiles, bundle_of
    from fhir_mapping.elements import written

    counts: dict[str, int] = {}
    left_out: list[dict[str, Any]] = []
    files: Any = NdjsonFiles(to, exporter.newest()) if to is not None and form is Form.NDJSON else nullcontext()
    with files as ndjson, say.progress("patients", len(patients)) as progress:
        for number, one in enumerate(patients, start=1):
            made = exporter.of(one)
            if made.problems:
                left_out.append({"patient": one, "problems": list(made.problems)})
                say.aside(f"{one} is left out: {'; '.join(made.problems[:5])}.")
                continue
            for resource in made.resources:
                counts[resource["resourceType"]] = counts.get(resource["resourceType"], 0) + 1
            if ndjson is not None:
                ndjson.add(made.resources)
            elif form is Form.NDJSON:
                for resource in made.resources:
                    line(written(resource))
            elif made.resources:
                bundle = written(bundle_of(made.resources, exporter.site, others=made.identifiers))
                if to is None:
                    line(bundle)
                else:
                    put(to, f"{one}.json", bundle + b"\n")
            if progress is not None:
                progress(number)
    done = len(patients) - len(left_out)
    if to is not None and as_json:
        say.as_json({"folder": str(to), "patients": done, "resources": counts, "left_out": left_out})
    elif to is not None:
        said = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "nothing had changed"
        total = say.counted(sum(counts.values()), "resource")
        say.out(f"{total} of {say.counted(done, 'patient')} written to {to}: {said}.")
    if left_out:
        raise typer.Exit(PARTLY if done else 1)


def _instant(since: str, ledger: Ledger) -> str:
    """The instant after which a change counts: the end of a day of the organisation, or the instant itself."""
    from datetime import date, datetime

    from ledger.chronology import end_of_day
    from ledger.dates import instant_text
    from ledger.errors import WrongInput

    try:
        if len(since) == 10:
            return end_of_day(date.fromisoformat(since), ledger.zone)
        moment = datetime.fromisoformat(since)
        return instant_text(moment if moment.tzinfo else moment.replace(tzinfo=ledger.zone))
    except ValueError:
        raise WrongInput(
            "What --since says is neither a day nor an instant.", "Write it as 2026-03-04 or 2026-03-04T10:30:00+01:00."
        ) from None
