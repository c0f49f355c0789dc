"""`export`: the same facts as FHIR, to standard output or to files."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.options import JsonOption, LedgerOption, opened

if TYPE_CHECKING:
    from fhir_mapping.elements import Resource
    from fhir_mapping.site import Directory, Site
    from ledger.store import Ledger


class Form(StrEnum):
    BUNDLE = "bundle"
    NDJSON = "ndjson"


class Release(StrEnum):
    R4 = "R4"
    R5 = "R5"


def export(
    patient: Annotated[
        str | None, typer.Argument(metavar="PATIENT", help="A patient's id, number or name.", show_default=False)
    ] = None,
    everybody: Annotated[bool, typer.Option("--all", help="Every patient of the ledger.")] = False,
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="Every patient of a unit.", show_default=False)
    ] = None,
    form: Annotated[
        Form, typer.Option("--as", help="bundle: a transaction for each patient. ndjson: a resource a line.")
    ] = Form.BUNDLE,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="FOLDER", help="Write files there instead of printing.", show_default=False),
    ] = None,
    namespace: Annotated[
        str | None,
        typer.Option(
            "--namespace",
            envvar="ACCESS_LEDGER_FHIR_NAMESPACE",
            metavar="URI",
            help="The URI under which identifiers are unique; without it, one made of the ledger's own id.",
            show_default=False,
        ),
    ] = None,
    attach_text: Annotated[
        bool, typer.Option("--attach-text", help="Let report texts and quotes go out as well.")
    ] = False,
    create_patients: Annotated[
        bool, typer.Option("--create-patients", help="Patient resources as well; else a reference by number.")
    ] = False,
    fhir_release: Annotated[Release, typer.Option("--fhir-release", help="Which release of FHIR.")] = Release.R4,
    check: Annotated[
        bool, typer.Option("--check", help="Check every resource first, and write nothing that fails.")
    ] = False,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write a patient's facts, or everybody's, as FHIR resources (R4).

    Nothing that changes with today's date is in there, so the same ledger gives the same bytes. A withdrawn fact goes
    out as entered in error; report texts stay here unless --attach-text says otherwise.
    """
    from fhir_mapping.site import Site
    from ledger.errors import WrongInput

    if sum((patient is not None, everybody, unit is not None)) != 1:
        raise WrongInput("It is not said whose facts to export.", "Name one patient, or say --all or --unit UNIT.")
    with opened(ledger) as found:
        site = Site(
            namespace=namespace or f"urn:uuid:{found.uuid}", attach_text=attach_text, create_patients=create_patients
        )
        patients = [found.who.the_patient(patient).id] if patient else _patients(found, unit)
        made = _made(found, patients, site, fhir_release, check)
        if form is Form.NDJSON:
            counts = _as_ndjson(found, made, to)
        else:
            counts = _as_bundles(made, site, to)
    if to is not None:
        if as_json:
            say.as_json({"folder": str(to), "patients": len(patients), "resources": counts})
        else:
            total = sum(counts.values())
            say.out(
                f"{say.counted(total, 'resource')} of {say.counted(len(patients), 'patient')} written to {to}: "
                + ", ".join(f"{number} {kind}" for kind, number in sorted(counts.items()))
                + "."
            )


def _patients(ledger: Ledger, unit: str | None) -> list[str]:
    """Everybody's ids but those of records that were joined to another: these speak through the survivor."""
    from ledger.store import patients_of
    from ledger.store.who import number_of

    return [
        patient for patient in patients_of(ledger, unit=unit) if ledger.standing(number_of(patient)).joined_to is None
    ]


def _made(
    ledger: Ledger, patients: list[str], site: Site, release: Release, check: bool
) -> Iterator[tuple[str, list[Resource]]]:
    """The resources of one patient after the other; a record that was joined to another speaks through that one."""
    from fhir_mapping.r5 import released
    from fhir_mapping.resources import resources_of

    people = directory_of(ledger)
    with say.progress("patients", len(patients)) as progress:
        for number, patient in enumerate(patients, start=1):
            history = ledger.history(patient, sessions=True)
            resources = released(
                resources_of(history, ledger.who.patient(patient), site, ledger.papers.words, people(patient)),
                release.value,
                site,
            )
            if check:
                _check(resources, site, release, patient)
            yield patient, resources
            if progress is not None:
                progress(number)


def directory_of(ledger: Ledger) -> Any:
    """A function that gives the names behind the ids in one patient's entries."""
    from fhir_mapping.site import Directory, ReportCopy

    persons = {one.id: one for one in ledger.who.people()}
    units = {one.id: one for one in ledger.who.units()}
    centres = {one.id: one for one in ledger.who.centres()}

    def of(patient: str) -> Directory:
        reports = {
            one.id: ReportCopy(
                id=one.id,
                received_at=one.arrived_at,
                text=None if one.text_id is None else ledger.papers.text(one.text_id),
            )
            for one in ledger.papers.reports(patient=patient)
        }
        return Directory(persons=persons, units=units, centres=centres, reports=reports)

    return of


def _check(resources: list[Resource], site: Site, release: Release, patient: str) -> None:
    from fhir_mapping.checks import gate, problems_of
    from ledger.errors import WrongInput

    for resource in resources:
        wrong = gate(resource, release.value) + (problems_of(resource, site) if release is Release.R4 else [])
        if wrong:
            raise WrongInput(
                f"A resource of {patient} does not pass the check: {'; '.join(wrong[:3])}.",
                "This is a mistake of ours, or of the file of codes; nothing more was written.",
            )


def _as_ndjson(ledger: Ledger, made: Iterator[tuple[str, list[Resource]]], to: Path | None) -> dict[str, int]:
    from fhir_mapping.bundles import NdjsonFiles
    from fhir_mapping.elements import written
    from ledger.dates import instant_text

    if to is not None:
        with NdjsonFiles(to, instant_text(ledger.clock())) as files:
            for _, resources in made:
                files.add(resources)
        return files.counts
    for _, resources in made:
        for resource in resources:
            sys.stdout.buffer.write(written(resource) + b"\n")
    return {}


def _as_bundles(made: Iterator[tuple[str, list[Resource]]], site: Site, to: Path | None) -> dict[str, int]:
    """A transaction for each patient: a file each, or a line each."""
    import os

    from fhir_mapping.bundles import bundle_of
    from fhir_mapping.elements import written
    from ledger.errors import WrongInput

    counts: dict[str, int] = {}
    if to is not None:
        to.mkdir(parents=True, exist_ok=True)
    for patient, resources in made:
        for resource in resources:
            counts[resource["resourceType"]] = counts.get(resource["resourceType"], 0) + 1
        content = written(bundle_of(resources, site)) + b"\n"
        if to is None:
            sys.stdout.buffer.write(content)
            continue
        place = to / f"{patient}.json"
        try:
            descriptor = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        except FileExistsError:
            raise WrongInput(
                f"{place} is already there, and an export overwrites nothing.",
                "Give an empty folder with --to, or move the old export away.",
            ) from None
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
    return counts
