"""Every field of every fact has one home in a resource, in both directions.

FHIR has elements for much of what the ledger knows and not for all. A mapper puts what it can into the elements that
every receiver reads; and so that nothing is lost on the way, the fields of a fact also travel in our own complex
extension of its kind (`…/StructureDefinition/creation`), one child a field, or, in an Observation, as components. The
same description of a field writes it, reads it back, and makes the StructureDefinition: see `definitions.py`.

Nothing here knows a single kind. A new field of a fact is described by its type; a new type of field is added to
`Shape`, `_value` and `_plain`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from decimal import Decimal
from enum import Enum
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

import ledger.events
from fhir_mapping.elements import (
    Element,
    concept,
    date_time,
    list_name,
    local_system,
    quantity,
    quantity_text,
    string,
    unit_of,
)
from fhir_mapping.site import Site, WordsOf
from ledger.dates import PartialDate
from ledger.events import Happening, Words
from ledger.measured import Measured
from ledger.vocabulary import words_of

Shape = Literal["measured", "code", "bool", "int", "date", "words", "text", "nested"]

EVERYWHERE = frozenset({"kind", "happened", "note"})
"""Fields of a fact that have an element of FHIR of their own in every resource."""

_DISPLAY = {
    "flow_ml_min": "access flow",
    "kt_v": "Kt/V",
    "happened": "when",
    "urea_systemic": "urea, systemic (one unit for the three)",
    "urea_arterial": "urea, arterial line (one unit for the three)",
    "urea_venous": "urea, venous line (one unit for the three)",
    "urea_before": "urea before (one unit for the two)",
    "urea_after": "urea after (one unit for the two)",
    "how": "how",
}


@dataclass(frozen=True)
class FieldSpec:
    """How one field of a fact travels: its code (the name with hyphens), its shape, its unit or list."""

    name: str
    code: str
    display: str
    shape: Shape
    many: bool
    required: bool
    enum: type[Enum] | None = None
    nested: Any = None
    unit: tuple[str, str] | None = None


_SPECS: dict[Any, tuple[FieldSpec, ...]] = {}


def specs_of(cls: Any) -> tuple[FieldSpec, ...]:
    """The fields of a fact's class, or of a part of one, without those that have a home of their own everywhere."""
    found = _SPECS.get(cls)
    if found is None:
        found = _SPECS[cls] = _specs(cls)
    return found


def _specs(cls: Any) -> tuple[FieldSpec, ...]:
    hints = get_type_hints(cls, vars(ledger.events), include_extras=True)
    left_out = EVERYWHERE if issubclass(cls, Happening) else frozenset()
    return tuple(_spec(one, hints[one.name]) for one in fields(cls) if one.name not in left_out)


def _spec(one: Any, hint: Any) -> FieldSpec:
    bare = _bare(hint)
    many = get_origin(bare) is tuple
    if many:
        bare = _bare(get_args(bare)[0])
    unit = unit_of(one.name)
    made: dict[str, Any] = {}
    shape: Shape
    if bare is Measured:
        shape = "measured"
        made["unit"] = unit
    elif bare is PartialDate:
        shape = "date"
    elif bare is Words:
        shape = "words"
    elif bare is bool:
        shape = "bool"
    elif bare is int:
        shape = "int"
    elif bare is str:
        shape = "text"
    elif get_origin(bare) is Literal:
        first = get_args(bare)[0]
        if isinstance(first, Enum):
            shape = "code"
            made["enum"] = type(first)
        else:
            shape = "text"
    elif isinstance(bare, type) and issubclass(bare, Enum):
        shape = "code"
        made["enum"] = bare
    else:
        assert is_dataclass(bare), f"{one.name} is of a type that no resource can hold"
        shape = "nested"
        made["nested"] = bare
    code = one.name.replace("_", "-")
    plain = one.name.replace("_", " ")
    if unit is not None and shape == "measured":
        for end in (
            " ml min",
            " mmhg",
            " mm",
            " cm",
            " percent",
            " fraction",
            " atm",
            " fr",
            " min",
            " minutes",
            " ml",
        ):
            plain = plain.removesuffix(end)
        plain = plain.removesuffix(" l").removesuffix(" kg")
    return FieldSpec(
        name=one.name,
        code=code,
        display=_DISPLAY.get(one.name, plain),
        shape=shape,
        many=many,
        required=one.default is MISSING,
        **made,
    )


def _bare(hint: Any) -> Any:
    """The type behind `Annotated` and `| None`."""
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif get_origin(hint) in (Union, UnionType):
            inner = [arg for arg in get_args(hint) if arg is not NoneType]
            assert len(inner) == 1
            hint = inner[0]
        else:
            return hint


# --- Out ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Voice:
    """What is needed to put a field into FHIR or into words: the site, the unit's zone, and the kept texts."""

    site: Site
    zone: ZoneInfo
    words: WordsOf


def children(value: Any, voice: Voice, left_out: frozenset[str] = frozenset()) -> list[Element]:
    """The fields of a fact, or of a part of one, as children of a complex extension. What is unknown is not there."""
    made: list[Element] = []
    for spec in specs_of(type(value)):
        held = value.__dict__.get(spec.name)
        if held is None or held == () or spec.name in left_out:
            continue
        for item in held if spec.many else (held,):
            if spec.shape == "nested":
                inner = children(item, voice)
                # An extension holds a value or children, never nothing: an empty part says so by an empty marker.
                made.append({"url": spec.code, "extension": inner or [{"url": "empty", "valueBoolean": True}]})
                continue
            element = _value(item, spec, voice)
            if element is not None:
                kind, content = element
                made.append({"url": spec.code, f"value{kind}": content})
    return made


def components(value: Any, voice: Voice, left_out: frozenset[str] = frozenset()) -> list[Element]:
    """The fields of a fact that an Observation's components can hold: all but those that are made of parts."""
    made: list[Element] = []
    for spec in specs_of(type(value)):
        held = value.__dict__.get(spec.name)
        if held is None or held == () or spec.name in left_out or not in_component(spec):
            continue
        for item in held if spec.many else (held,):
            element = _value(item, spec, voice)
            if element is not None:
                kind, content = element
                made.append({"code": field_code(spec, voice.site), f"value{kind}": content})
    return made


def in_component(spec: FieldSpec) -> bool:
    """Whether a field is told as a component of an Observation. Our ids and parts stay in the extension."""
    return spec.shape not in ("nested", "text")


def field_code(spec: FieldSpec, site: Site) -> Element:
    """What a component is about: verified codes where there are some, our own, and text."""
    local = {"system": local_system(site, "detail"), "code": spec.code, "display": spec.display}
    return concept(site, f"measurement/{spec.code}", local=local, text=spec.display)


def value_of(value: Any, name: str, voice: Voice) -> Element:
    """One field as an Observation's value[x]; nothing where it is unknown."""
    spec = next(spec for spec in specs_of(type(value)) if spec.name == name)
    held = value.__dict__.get(name)
    element = None if held is None else _value(held, spec, voice)
    if element is None:
        return {}
    kind, content = element
    return {f"value{kind}": content}


def _value(item: Any, spec: FieldSpec, voice: Voice) -> tuple[str, Any] | None:
    match spec.shape:
        case "measured":
            kind, made = quantity(item, spec.unit, voice.site)
            return kind, made
        case "code":
            return "CodeableConcept", concept(voice.site, local=item)
        case "bool":
            return "Boolean", item
        case "int":
            return "Integer", item
        case "date":
            # A date that FHIR cannot write as it was said (local to the unit, without seconds) stays in its letters.
            text = date_time(item, voice.zone)
            return ("DateTime", text) if text == str(item) else ("String", str(item))
        case "words":
            said = string(voice.words(item))
            return None if said is None else ("String", said)
        case _:
            return "String", str(item)


def sentences(value: Any, voice: Voice, left_out: frozenset[str] = frozenset()) -> list[str]:
    """The fields of a fact in words, for the narrative: `diameter 7 mm`, `lesion: L1, cephalic arch, …`."""
    said: list[str] = []
    for spec in specs_of(type(value)):
        held = value.__dict__.get(spec.name)
        if held is None or held == () or spec.name in left_out:
            continue
        for item in held if spec.many else (held,):
            words = _said(item, spec, voice)
            if words:
                said.append(f"{spec.display}: {words}")
    return said


def _said(item: Any, spec: FieldSpec, voice: Voice) -> str:
    match spec.shape:
        case "measured":
            return quantity_text(item, spec.unit)
        case "code":
            return words_of(item)
        case "bool":
            return "yes" if item else "no"
        case "words":
            return voice.words(item) or ""
        case "nested":
            return ", ".join(sentences(item, voice))
        case _:
            return str(item)


# --- Back ---------------------------------------------------------------------------------------------------------

KeepWords = Callable[[str], dict[str, Any]]
"""Keeps words that came in as a text of the ledger, and gives the plain JSON of the stretch that stands for them."""


class Unreadable(ValueError):
    """An element that ought to hold a field of a fact does not. Says which, never what was in it."""


def read_children(cls: Any, extension: Iterable[Element], site: Site, keep: KeepWords) -> dict[str, Any]:
    """The plain JSON of a fact, or of a part of one, from the children of its extension."""
    by_code = {spec.code: spec for spec in specs_of(cls)}
    found: dict[str, Any] = {}
    for child in extension:
        spec = by_code.get(child.get("url", ""))
        if spec is None:
            continue
        if spec.shape == "nested":
            _put(found, spec, read_children(spec.nested, child.get("extension", ()), site, keep))
        else:
            _put(found, spec, _plain(child, spec, site, keep))
    return found


def read_components(cls: Any, component: Iterable[Element], site: Site, keep: KeepWords) -> dict[str, Any]:
    """The plain JSON of the fields that stand in an Observation's components."""
    by_code = {spec.code: spec for spec in specs_of(cls)}
    system = local_system(site, "detail")
    found: dict[str, Any] = {}
    for one in component:
        codes = [c.get("code", "") for c in one.get("code", {}).get("coding", ()) if c.get("system") == system]
        spec = by_code.get(codes[0]) if codes else None
        if spec is not None:
            _put(found, spec, _plain(one, spec, site, keep))
    return found


def read_value(cls: Any, name: str, element: Element, site: Site, keep: KeepWords) -> dict[str, Any]:
    """The plain JSON of the one field that stands in value[x]."""
    spec = next(spec for spec in specs_of(cls) if spec.name == name)
    if not any(key.startswith("value") for key in element):
        return {}
    return {name: _plain(element, spec, site, keep)}


def _put(found: dict[str, Any], spec: FieldSpec, value: Any) -> None:
    if spec.many:
        found.setdefault(spec.name, []).append(value)
    else:
        found[spec.name] = value


def _plain(element: Element, spec: FieldSpec, site: Site, keep: KeepWords) -> Any:
    try:
        match spec.shape:
            case "measured":
                return _plain_quantity(element, site)
            case "code":
                assert spec.enum is not None
                return _plain_code(element["valueCodeableConcept"], spec.enum)
            case "bool":
                return element["valueBoolean"]
            case "int":
                return element["valueInteger"]
            case "date":
                return element["valueDateTime"] if "valueDateTime" in element else element["valueString"]
            case "words":
                return keep(element["valueString"])
            case _:
                return element["valueString"]
    except (KeyError, TypeError, IndexError, StopIteration, AttributeError):
        raise Unreadable(f"{spec.code} is not told in the way that it is sent") from None


def said_date(text: str, sister: Element | None, site: Site) -> str:
    """A date in the letters in which it was said, from a FHIR dateTime and its sister."""
    for extension in (sister or {}).get("extension", ()):
        if extension.get("url") == f"{site.canonical}/StructureDefinition/as-said":
            return str(extension["valueString"])
    return text


def _plain_code(held: Element, enum: type[Enum]) -> str:
    values = {member.value for member in enum}
    ending = f"/CodeSystem/{list_name(enum)}"
    found = [c["code"] for c in held["coding"] if c.get("system", "").endswith(ending) and c.get("code") in values]
    return str(found[0])


def _plain_quantity(element: Element, site: Site) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if "valueRange" in element:
        held = element["valueRange"]
        found["low"] = digits(held["low"]["value"])
        found["high"] = digits(held["high"]["value"])
    else:
        held = element["valueQuantity"]
        found["value"] = digits(held["value"])
        if "comparator" in held:
            found["comparator"] = held["comparator"]
    for extension in held.get("extension", ()):
        if extension.get("url") == f"{site.canonical}/StructureDefinition/as-known":
            for child in extension.get("extension", ()):
                if child.get("url") == "about" and child.get("valueBoolean"):
                    found["comparator"] = "~"
                elif child.get("url") == "how":
                    found["how"] = child["valueCode"]
    return found


def digits(value: Any) -> str:
    """A number in its digits. A float has lost some; it is taken as its shortest reading."""
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("not a number")
    return format(Decimal(str(value)), "f")
