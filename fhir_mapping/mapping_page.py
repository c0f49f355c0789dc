"""Which kind of entry becomes which resources, and where each of its fields goes: a page made from the code.

Every kind is mapped once with all of its fields filled and once for each word of its lists, and what comes out is
read off. So the page (`MAPPING.md`) cannot say something that the code does not do; a test compares the two. Written
anew with `python -m fhir_mapping.mapping_page`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

from fhir_mapping.bundles import key_of
from fhir_mapping.details import FieldSpec, in_component, specs_of
from fhir_mapping.elements import Resource
from fhir_mapping.observations import VALUE_FIELDS
from fhir_mapping.resources import identifier_of, primary_type, resources_of
from fhir_mapping.site import Site
from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.entries import Entry, Signature
from ledger.events import FACT_KINDS, KINDS, SESSION_KINDS, Fact, Words
from ledger.measured import Measured
from ledger.people import Patient

_SITE = Site(namespace="https://unit.example/access-ledger")
_EVERYWHERE = frozenset({"resourceType", "id", "meta", "text", "extension", "identifier"})
_WORDS = Words(text="t-text", start=0, end=4)


@dataclass(frozen=True, kw_only=True)
class MappingRow:
    """One kind: the resource that speaks for it (several where a word of a list decides), its parts, its fields."""

    kind: str
    says: str
    primary: tuple[str, ...]
    elements: tuple[str, ...]
    parts: tuple[str, ...]
    codes: tuple[str, ...]
    homes: tuple[tuple[str, str], ...]


def mapping_rows() -> list[MappingRow]:
    """One row a kind of fact, in the order in which they are declared."""
    return [_row(kind) for kind in KINDS if kind in FACT_KINDS]


def _row(kind: str) -> MappingRow:
    cls = KINDS[kind]
    primary: dict[str, None] = {}
    parts: dict[str, None] = {}
    codes = {f"{line.code} {line.display} (for {line.use})": None for line in _SITE.codes if f"/{kind}" in line.use}
    elements: dict[str, None] = {}
    for fact in _variants(cls):
        primary[primary_type(fact)] = None
        for resource, part in _resources(fact):
            if not part:
                elements.update(dict.fromkeys(name for name in resource if name not in _EVERYWHERE))
            elif resource["resourceType"] not in ("Provenance", "BodyStructure"):
                parts[f"{resource['resourceType']} `…/{part}`"] = None
    return MappingRow(
        kind=kind,
        says=(cls.__doc__ or "").strip().split("\n")[0],
        primary=tuple(sorted(primary)),
        elements=tuple(sorted(elements)),
        parts=tuple(parts),
        codes=tuple(codes),
        homes=tuple((spec.name, _home(spec, kind, next(iter(primary)))) for spec in specs_of(cls)),
    )


def _home(spec: FieldSpec, kind: str, primary: str) -> str:
    if spec.name == "operator":
        return "performer"
    if spec.name in _SEPARATE.get(kind, ()):
        return "resources of their own, see parts"
    if primary == "Observation":
        if VALUE_FIELDS.get(kind) == spec.name:
            return "value[x]"
        if in_component(spec):
            return "component"
    if kind == "angiogram" and spec.name in ("clot", "central_veins", "flow_seen"):
        return "component of the Observation `…/findings`"
    return f"extension {kind}"


_SEPARATE = {
    "angiogram": ("lesions",),
    "angioplasty": ("lesions",),
    "stent": ("lesions",),
    "imaging": ("lesions",),
    "vein-mapping": ("vessels", "suitable_for"),
    "background": ("items",),
}


def _variants(cls: Any) -> Iterator[Fact]:
    """The kind with everything filled; then again for every word of each of its lists."""
    whole = _filled(cls)
    yield cast("Fact", cls(**whole))
    for spec in specs_of(cls):
        if spec.enum is not None:
            for member in spec.enum:
                yield cast("Fact", cls(**{**whole, spec.name: (member,) if spec.many else member}))
        if spec.nested is not None and spec.many:
            inner = _filled(spec.nested)
            for one in specs_of(spec.nested):
                for member in one.enum or ():
                    held = (member,) if one.many else member
                    yield cast("Fact", cls(**{**whole, spec.name: (spec.nested(**{**inner, one.name: held}),)}))


def _filled(cls: Any) -> dict[str, Any]:
    made: dict[str, Any] = {}
    specs = {spec.name: spec for spec in specs_of(cls)}
    for one in fields(cls):
        if one.name == "kind" and one.name not in specs:
            continue
        if one.name == "happened":
            made["happened"] = PartialDate("2020-01-01")
        elif one.name == "note":
            made["note"] = _WORDS
        else:
            value = _value(specs[one.name])
            made[one.name] = (value,) if specs[one.name].many else value
    return made


def _value(spec: FieldSpec) -> Any:
    match spec.shape:
        case "measured":
            return Measured(value="1")
        case "code":
            assert spec.enum is not None
            return next(iter(spec.enum))
        case "bool":
            return True
        case "int":
            return 1
        case "date":
            return PartialDate("2020-01-01")
        case "words":
            return _WORDS
        case "nested":
            return spec.nested(**_filled(spec.nested))
        case _:
            return "X1"


def _resources(fact: Fact) -> list[tuple[Resource, str]]:
    """What a fact makes, each with the part of the entry that it tells; devices and the access by their role."""
    entry = Entry(
        id="entry",
        event=fact,
        version=1,
        recorded_at="2020-01-01T00:00:00.000000Z",
        recorded_by=Signature(person="N1"),
        source="page",
        session=fact.kind in SESSION_KINDS,
    )
    history = History(patient="P0001", zone=ZoneInfo("UTC"), entries=(entry,))
    found = resources_of(history, Patient(id="P0001"), _SITE, lambda stretch: "said")
    made = []
    for resource in found:
        identifier = identifier_of(resource, _SITE.namespace)
        assert identifier is not None, key_of(resource)
        value = str(identifier["value"])
        if value != "entry":
            part = value.removeprefix("entry/").removeprefix("P0001/")
            part = "/".join("N" if piece.isdigit() or piece == "X1" else piece for piece in part.split("/"))
            made.append((resource, part))
        else:
            made.append((resource, ""))
    return made


def mapping_page() -> str:
    """The page as Markdown."""
    lines = [
        "# What becomes what in FHIR",
        "",
        "Made from the code by `python -m fhir_mapping.mapping_page`; do not edit. Release 4.0.1; what is called",
        "otherwise in R5 stands in `r5.py`. Every entry also has a Provenance `…/provenance`, every access a",
        "BodyStructure, every report a DocumentReference. `…` is the id of the root entry, which a correction",
        "keeps; `N` is a number or an id. `happened` is the date of the resource and `note` its note. Codes of our",
        "own (kinds, fields, words of lists) are in `code-systems.json`, extensions in `structure-definitions.json`;",
        "what is listed here under codes stands beside our own, from `codes.tsv`.",
        "",
    ]
    for row in mapping_rows():
        lines += [f"## {row.kind}", "", row.says, "", f"- speaks for it: {' or '.join(row.primary)} `…`"]
        lines.append(f"- elements: {', '.join(row.elements)}")
        lines += [f"- part: {part}" for part in row.parts]
        lines += [f"- code: {code}" for code in row.codes]
        lines.append("")
        if row.homes:
            lines += ["| field | where |", "| --- | --- |"]
            lines += [f"| {name} | {home} |" for name, home in row.homes]
            lines.append("")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    (Path(__file__).parent / "MAPPING.md").write_text(mapping_page(), encoding="utf-8")
