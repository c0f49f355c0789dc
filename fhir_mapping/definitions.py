"""What our own extensions and codes mean, as StructureDefinitions and CodeSystems, made from the code that sends them.

They are shipped beside this module (`structure-definitions.json`, `code-systems.json`, `capability-statement.json`) for
whoever receives; a test says when the files are no longer what the code makes. Write them anew with
`python -m fhir_mapping.definitions`. Nothing here is written by hand: a new field or a new word of a list appears by
itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import is_dataclass
from enum import Enum
from pathlib import Path
from typing import Any

import orjson

from fhir_mapping.checks import TARGETS
from fhir_mapping.details import FieldSpec, specs_of
from fhir_mapping.devices import DEVICE_TYPES
from fhir_mapping.elements import Element, Resource, list_name
from fhir_mapping.site import CANONICAL
from ledger import vocabulary
from ledger.events import (
    FACT_KINDS,
    KINDS,
    BackgroundItem,
    LesionFound,
    LesionTreated,
    MappedVessel,
    SuitableFor,
    VisitComplication,
)
from ledger.vocabulary import Side, Site, words_of

PARTS: dict[str, type] = {
    "background-item": BackgroundItem,
    "lesion-found": LesionFound,
    "lesion-treated": LesionTreated,
    "mapped-vessel": MappedVessel,
    "suitable-for": SuitableFor,
    "visit-complication": VisitComplication,
}
"""Parts of facts that have a resource of their own, by the name of their extension."""

KIND_WORDS = [*KINDS, *PARTS, "findings", "lesion"]
PUBLISHER = "access-ledger"
VERSION = "1.0.0"
RELEASED = "2026-11-25"


def code_systems(canonical: str = CANONICAL) -> list[Resource]:
    """All our own code systems, in the order of their names."""
    made = [
        _code_system(
            canonical,
            list_name(enum),
            (enum.__doc__ or "").strip(),
            [(member.value, words_of(member)) for member in enum],  # type: ignore[arg-type]
        )
        for enum in _lists()
    ]
    made += [
        _code_system(
            canonical,
            "kind",
            "What an entry, or a part of one, says.",
            [(kind, kind.replace("-", " ")) for kind in KIND_WORDS],
        ),
        _code_system(canonical, "detail", "The fields of entries, as components of Observations.", _details()),
        _code_system(canonical, "body-site", "A side and a site of the body as one concept.", _body_sites()),
        _code_system(canonical, "device-type", "What was left in the body.", list(DEVICE_TYPES.items())),
        _code_system(
            canonical,
            "device-action",
            "What a procedure did with a device.",
            [("implanted", "implanted"), ("explanted", "explanted")],
        ),
        _code_system(
            canonical,
            "device-property",
            "What is said of a device.",
            [(name, name) for name in ("material", "diameter", "length", "calibre")],
        ),
    ]
    return sorted(made, key=lambda one: str(one["id"]))


def _lists() -> Iterable[type[Enum]]:
    for held in vars(vocabulary).values():
        if isinstance(held, type) and issubclass(held, Enum) and held.__module__ == vocabulary.__name__:
            yield held


def _details() -> list[tuple[str, str]]:
    found: dict[str, str] = {}
    for cls in _classes():
        for spec in specs_of(cls):
            found.setdefault(spec.code, spec.display)
            assert found[spec.code] == spec.display, f"{spec.code} is called two things"
    return sorted(found.items())


def _classes() -> list[Any]:
    seen: dict[Any, None] = {}

    def walk(cls: Any) -> None:
        if cls not in seen:
            seen[cls] = None
            for spec in specs_of(cls):
                if spec.nested is not None:
                    walk(spec.nested)

    for kind in KINDS:
        if kind in FACT_KINDS:
            walk(KINDS[kind])
    return list(seen)


def _body_sites() -> list[tuple[str, str]]:
    made = [(side.value, f"{words_of(side)} side") for side in Side]
    made += [(site.value, words_of(site)) for site in Site]
    made += [(f"{side.value}-{site.value}", f"{words_of(side)} {words_of(site)}") for side in Side for site in Site]
    return made


def _code_system(canonical: str, name: str, description: str, concepts: list[tuple[str, str]]) -> Resource:
    made: Resource = {
        "resourceType": "CodeSystem",
        "id": name,
        "url": f"{canonical}/CodeSystem/{name}",
        "version": VERSION,
        "name": _pascal(name),
        "title": name.replace("-", " "),
        "status": "active",
        "experimental": False,
        "publisher": PUBLISHER,
    }
    if description:
        made["description"] = " ".join(description.split())
    made.update(
        caseSensitive=True,
        content="complete",
        count=len(concepts),
        concept=[{"code": code, "display": display} for code, display in concepts],
    )
    return made


def _pascal(name: str) -> str:
    return "".join(part.capitalize() for part in name.split("-"))


def structure_definitions(canonical: str = CANONICAL) -> list[Resource]:
    """All our own extensions, in the order of their names."""
    made = [
        _extension(
            canonical,
            kind,
            f"The fields of an entry of the kind {kind.replace('-', ' ')}. {_first_line(KINDS[kind])}",
            [
                *_children(KINDS[kind], "Extension"),
                *(_child("Extension", "happened", "when", ["dateTime", "string"]) if kind == "instruction" else ()),
            ],
            ["Resource"],
        )
        for kind in KINDS
        if kind in FACT_KINDS
    ]
    made += [
        _extension(canonical, name, _first_line(cls), _children(cls, "Extension", ordinal=True), ["Resource"])
        for name, cls in PARTS.items()
    ]
    made += [
        _extension(
            canonical,
            "as-known",
            "How a number was known: about, measured, or estimated by eye.",
            [
                *_child("Extension", "about", "The number was said with about.", ["boolean"]),
                *_child("Extension", "how", "measured or estimated", ["code"]),
            ],
            ["Quantity", "Range"],
        ),
        _extension(
            canonical,
            "as-said",
            "The letters in which a date was said, where FHIR cannot write it so: a time without an offset is local to "
            "the unit, a minute has no seconds.",
            _value(["string"]),
            ["dateTime", "date", "instant"],
        ),
        _extension(
            canonical,
            "note",
            "A note of the entry, for types of resource that have no note.",
            _value(["string"]),
            ["Resource"],
        ),
        _extension(
            canonical,
            "entered-in-error",
            "This structure was never there; R4 gives BodyStructure no status to say so.",
            _value(["boolean"]),
            ["BodyStructure"],
        ),
        _extension(
            canonical,
            "confirmed",
            "How sure the ledger is of who recorded the entry.",
            _value(["CodeableConcept"]),
            ["Provenance"],
        ),
    ]
    return sorted(made, key=lambda one: str(one["id"]))


def _first_line(cls: Any) -> str:
    return (cls.__doc__ or "").strip().split("\n")[0]


_TYPES: dict[str, list[str]] = {
    "measured": ["Quantity", "Range"],
    "code": ["CodeableConcept"],
    "bool": ["boolean"],
    "int": ["integer"],
    "date": ["dateTime", "string"],
    "words": ["string"],
    "text": ["string"],
}


def _children(cls: Any, path: str, where: str | None = None, ordinal: bool = False) -> list[Element]:
    where = where or path
    made: list[Element] = []
    for spec in specs_of(cls):
        made += _field(spec, path, where)
    if ordinal:
        made += _child(where, "ordinal", "The place of this part in its list, from 0.", ["integer"], path=path)
    return made


def _field(spec: FieldSpec, path: str, where: str) -> list[Element]:
    if spec.shape != "nested":
        return _child(where, spec.code, spec.display, _TYPES[spec.shape], many=spec.many, path=path)
    assert is_dataclass(spec.nested)
    name = f"{where}.extension:{spec.code}"
    inner = f"{path}.extension"
    return [
        _slice(name, inner, spec.code, spec.display, spec.many),
        *_children(spec.nested, inner, name),
        *_child(name, "empty", "Nothing is known of this part but that it is there.", ["boolean"], path=inner),
        {"id": f"{name}.url", "path": f"{inner}.url", "fixedUri": spec.code},
        {"id": f"{name}.value[x]", "path": f"{inner}.value[x]", "max": "0"},
    ]


def _slice(name: str, path: str, code: str, short: str, many: bool) -> Element:
    return {
        "id": name,
        "path": path,
        "sliceName": code,
        "short": short,
        "min": 0,
        "max": "*" if many else "1",
    }


def _child(
    where: str, code: str, short: str, types: list[str], *, many: bool = False, path: str = "Extension"
) -> list[Element]:
    name = f"{where}.extension:{code}"
    inner = f"{path}.extension"
    return [
        _slice(name, inner, code, short, many),
        {"id": f"{name}.extension", "path": f"{inner}.extension", "max": "0"},
        {"id": f"{name}.url", "path": f"{inner}.url", "fixedUri": code},
        {
            "id": f"{name}.value[x]",
            "path": f"{inner}.value[x]",
            "min": 1,
            "type": [{"code": each} for each in types],
        },
    ]


def _value(types: list[str]) -> list[Element]:
    return [
        {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
        {
            "id": "Extension.value[x]",
            "path": "Extension.value[x]",
            "min": 1,
            "type": [{"code": each} for each in types],
        },
    ]


def _extension(canonical: str, name: str, description: str, elements: list[Element], contexts: list[str]) -> Resource:
    url = f"{canonical}/StructureDefinition/{name}"
    is_complex = any("sliceName" in element for element in elements)
    whole: list[Element] = [{"id": "Extension", "path": "Extension", "short": _shortened(description)}, *elements]
    whole.append({"id": "Extension.url", "path": "Extension.url", "fixedUri": url})
    if is_complex:
        whole.append({"id": "Extension.value[x]", "path": "Extension.value[x]", "max": "0"})
    return {
        "resourceType": "StructureDefinition",
        "id": name,
        "url": url,
        "version": VERSION,
        "name": _pascal(name),
        "title": name.replace("-", " "),
        "status": "active",
        "experimental": False,
        "publisher": PUBLISHER,
        "description": description,
        "fhirVersion": "4.0.1",
        "kind": "complex-type",
        "abstract": False,
        "context": [{"type": "element", "expression": context} for context in contexts],
        "type": "Extension",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension",
        "derivation": "constraint",
        "differential": {"element": whole},
    }


def _shortened(text: str) -> str:
    return re.split(r"(?<=\.)\s", text, maxsplit=1)[0]


def capability_statement(canonical: str = CANONICAL) -> Resource:
    """What the ledger does as a client: which resources it sends and takes in, and by which interactions."""
    types = sorted({path.split(".")[0] for path in TARGETS} | {"Patient"})
    return {
        "resourceType": "CapabilityStatement",
        "id": "access-ledger",
        "url": f"{canonical}/CapabilityStatement/access-ledger",
        "version": VERSION,
        "name": "AccessLedger",
        "title": "access-ledger as a client",
        "status": "active",
        "experimental": False,
        "date": RELEASED,
        "publisher": PUBLISHER,
        "description": "Sends the facts of dialysis accesses to a FHIR server, each once, and takes in what it holds.",
        "kind": "requirements",
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json"],
        "rest": [
            {
                "mode": "client",
                "documentation": "Conditional update by identifier in transactions, conditional create, or plain "
                "create, as the server's own statement allows. Nothing is ever deleted.",
                "security": {"description": "None, a bearer token, or SMART Backend Services with a signed assertion."},
                "resource": [
                    {
                        "type": kind,
                        "interaction": [{"code": code} for code in ("create", "update", "read", "search-type")],
                        "conditionalCreate": True,
                        "conditionalUpdate": True,
                        "searchParam": [_search_parameter(kind)],
                    }
                    for kind in types
                ],
                "interaction": [{"code": "transaction"}],
            }
        ],
    }


def _search_parameter(kind: str) -> Element:
    if kind in ("Provenance", "Linkage"):
        return {"name": "_tag", "type": "token"}
    return {"name": "identifier", "type": "token"}


# --- Files --------------------------------------------------------------------------------------------------------

FILES: dict[str, Callable[[], list[Resource]]] = {
    "capability-statement.json": lambda: [capability_statement()],
    "code-systems.json": code_systems,
    "structure-definitions.json": structure_definitions,
}


def file_text(name: str) -> bytes:
    """What one of the shipped files holds, indented for people to read: a collection Bundle, or the one resource."""
    found = FILES[name]()
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": one["url"], "resource": one} for one in found],
    }
    return orjson.dumps(found[0] if len(found) == 1 else bundle, option=orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE)


def write_files(folder: Path) -> None:
    """Writes the shipped files anew."""
    for name in FILES:
        (folder / name).write_bytes(file_text(name))


if __name__ == "__main__":
    write_files(Path(__file__).parent)
