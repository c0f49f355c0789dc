"""Resources as they leave: transactions, NDJSON files by type with a manifest, and digests.

In a transaction a resource goes out under its identifier (`PUT Type?identifier=system%7Cvalue`), so sending again
changes nothing, and refers to others of the same transaction by `urn:uuid`. What lies outside of it is referred to by
the address that the server once gave, else by a conditional reference; so references survive a split. In NDJSON a
resource keeps its own id and relative references (Bulk Data: one resource a line, one file a type).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any
from urllib.parse import quote

from fhir_mapping.elements import Element, Resource, written
from fhir_mapping.resources import identifier_of, references_in
from fhir_mapping.site import Site
from ledger.errors import WrongInput

FHIR_JSON = "application/fhir+json"
FHIR_NDJSON = "application/fhir+ndjson"


def digest_of(resource: Resource) -> str:
    """SHA-256 over the written resource, in hex: equal for equal content, since writing is deterministic."""
    return hashlib.sha256(written(resource)).hexdigest()


def key_of(resource: Resource) -> str:
    """`Type/id`: how other resources of ours refer to it before anything is sent."""
    return f"{resource['resourceType']}/{resource['id']}"


def condition_of(kind: str, system: str, value: str) -> str:
    """The search that finds exactly one resource: `identifier=system%7Cvalue`; by tag for the types without one."""
    parameter = "_tag" if kind in ("Provenance", "Linkage") else "identifier"
    return f"{parameter}={quote(f'{system}|{value}', safe=':/')}"


def bundle_of(
    resources: Iterable[Resource],
    site: Site,
    *,
    others: Mapping[str, Element] | None = None,
    located: Mapping[str, str] | None = None,
) -> Resource:
    """A transaction of conditional updates.

    `others` are the identifiers of resources outside of it, by their key, and `located` the addresses that the server
    gave some of them. A reference to neither is written as it stands.
    """
    inside = list(resources)
    keys = {key_of(resource) for resource in inside}
    assert len(keys) == len(inside), "an identity stands twice in one bundle"
    entries = []
    for resource in inside:
        identifier = identifier_of(resource, site.namespace)
        assert identifier is not None
        sent = addressed(resource, inside=keys, others=others or {}, located=located or {})
        sent.pop("id")
        condition = condition_of(resource["resourceType"], identifier["system"], identifier["value"])
        entries.append(
            {
                "fullUrl": f"urn:uuid:{resource['id']}",
                "resource": sent,
                "request": {"method": "PUT", "url": f"{resource['resourceType']}?{condition}"},
            }
        )
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def addressed(
    resource: Resource,
    *,
    inside: Iterable[str] = (),
    others: Mapping[str, Element] | None = None,
    located: Mapping[str, str] | None = None,
    as_patient: str | None = None,
) -> Resource:
    """A copy whose references are addresses: of the same bundle, of the server, or conditional.

    `as_patient` is the server's address of the patient, where it is known; else a logical reference to the patient
    becomes a conditional one, which fails loudly where it finds none or several.
    """
    known = inside if isinstance(inside, set | frozenset) else frozenset(inside)
    made: Resource = _addressed(resource, known, others or {}, located or {}, as_patient)
    return made


def _addressed(
    value: Any, inside: Any, others: Mapping[str, Element], located: Mapping[str, str], as_patient: str | None
) -> Any:
    if isinstance(value, dict):
        reference = value.get("reference")
        if isinstance(reference, str):
            if reference in inside:
                return {**value, "reference": f"urn:uuid:{reference.split('/', 1)[1]}"}
            if reference in located:
                return {**value, "reference": located[reference]}
            if reference in others:
                kind = reference.split("/", 1)[0]
                identifier = others[reference]
                found = condition_of(kind, identifier["system"], identifier["value"])
                return {**value, "reference": f"{kind}?{found}"}
            return value
        if value.get("type") == "Patient" and "identifier" in value and "value" in value["identifier"]:
            if as_patient is not None:
                return {"reference": as_patient, **value}
            found = condition_of("Patient", value["identifier"]["system"], value["identifier"]["value"])
            return {"reference": f"Patient?{found}", **value}
        return {name: _addressed(held, inside, others, located, as_patient) for name, held in value.items()}
    if isinstance(value, list):
        return [_addressed(held, inside, others, located, as_patient) for held in value]
    return value


def identifiers_of(resources: Iterable[Resource], site: Site) -> dict[str, Element]:
    """The identifiers of resources by their key, for `others`."""
    found = {}
    for resource in resources:
        identifier = identifier_of(resource, site.namespace)
        if identifier is not None:
            found[key_of(resource)] = identifier
    return found


def with_what_it_names(resources: Iterable[Resource], key: str) -> list[Resource]:
    """The resource of this key and all that it names, however far, in the order in which they stood.

    Raises KeyError where there is none of this key.
    """
    held = {key_of(resource): resource for resource in resources}
    wanted: set[str] = set()
    asked = [key]
    while asked:
        one = asked.pop()
        if one in wanted:
            continue
        wanted.add(one)
        named = (str(reference.get("reference", "")) for reference in references_in(held[one]))
        asked += [reference for reference in named if reference in held]
    return [resource for found, resource in held.items() if found in wanted]


class NdjsonFiles:
    """One file a type in a folder, written as resources come, with a manifest at the end (Bulk Data).

    Holds nothing but open files and counts, so a million resources pass in constant memory. The files are private to
    their owner. Raises WrongInput when the folder already holds one of them, and overwrites nothing.
    """

    def __init__(self, folder: Path, taken_at: str, request: str = "access-ledger export") -> None:
        self.folder = folder
        self.taken_at = taken_at
        self.request = request
        self.counts: dict[str, int] = {}
        self._files: dict[str, IO[bytes]] = {}

    def __enter__(self) -> NdjsonFiles:
        self.folder.mkdir(parents=True, exist_ok=True)
        return self

    def add(self, resources: Iterable[Resource]) -> None:
        """Writes resources, each to the file of its type."""
        for resource in resources:
            kind = resource["resourceType"]
            file = self._files.get(kind)
            if file is None:
                file = self._files[kind] = created(self.folder / f"{kind}.ndjson")
            file.write(written(resource) + b"\n")
            self.counts[kind] = self.counts.get(kind, 0) + 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for file in self._files.values():
            file.close()
        if error is None:
            with created(self.folder / "manifest.json") as file:
                file.write(written(self.manifest()))

    def manifest(self) -> Resource:
        """What stands in which file, as Bulk Data's manifest."""
        return {
            "transactionTime": self.taken_at,
            "request": self.request,
            "requiresAccessToken": False,
            "output": [
                {"type": kind, "url": f"{kind}.ndjson", "count": self.counts[kind]} for kind in sorted(self.counts)
            ],
            "error": [],
        }


def created(path: Path) -> IO[bytes]:
    """A new file, private to its owner. Raises WrongInput when it is there already."""
    import os

    try:
        return os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb", buffering=1 << 20)
    except FileExistsError:
        raise WrongInput(
            problem=f"{path} is already there, and an export overwrites nothing.",
            remedy="Give an empty folder with --to, or move the old export away.",
        ) from None
