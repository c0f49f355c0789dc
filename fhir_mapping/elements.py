"""The small pieces that resources are made of: dates, quantities, codes with their text, narrative.

Each function gives plain dicts in the order of the FHIR page. A decimal stays a `Decimal` with the digits that were
said ("812.50"), and `written` puts those digits into the JSON. A piece of which nothing is known is None, and
`without_unknown` takes it out. The closed list of UCUM units stands here; a new unit is added to `UNITS`.
"""

from __future__ import annotations

from datetime import UTC
from decimal import Decimal
from enum import Enum
from html import escape
from typing import Any
from zoneinfo import ZoneInfo

import orjson

from fhir_mapping.codes import SNOMED
from fhir_mapping.site import Site
from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.vocabulary import words_of

Resource = dict[str, Any]
Element = dict[str, Any]

UCUM = "http://unitsofmeasure.org"
DATA_ABSENT = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"

UNITS: dict[str, tuple[str, str]] = {
    "ml_min": ("mL/min", "mL/min"),
    "mm": ("mm", "mm"),
    "cm": ("cm", "cm"),
    "mmhg": ("mm[Hg]", "mmHg"),
    "percent": ("%", "%"),
    "fraction": ("1", "1"),
    "ratio": ("1", "1"),
    "atm": ("atm", "atm"),
    "fr": ("[Ch]", "Fr"),
    "min": ("min", "min"),
    "minutes": ("min", "min"),
    "hours": ("h", "h"),
    "ml": ("mL", "mL"),
    "l": ("L", "L"),
    "kg": ("kg", "kg"),
    "mg": ("mg", "mg"),
    "mmol_l": ("mmol/L", "mmol/L"),
}
"""The ends of field names, with the UCUM code and what is printed. Nothing else is sent as a unit with a code."""

UCUM_CODES = frozenset(code for code, _ in UNITS.values())


def unit_of(field_name: str) -> tuple[str, str] | None:
    """The unit that the end of a field's name fixes, as UCUM code and print; None where the field has no unit."""
    if field_name == "kt_v":
        return UNITS["ratio"]
    for length in (2, 1):
        parts = field_name.split("_")[-length:]
        if len(parts) == length and "_".join(parts) in UNITS:
            return UNITS["_".join(parts)]
    return None


def quantity(held: Measured, unit: tuple[str, str] | None, site: Site) -> tuple[str, Element]:
    """A quantity as it was said: ("Quantity", …), or ("Range", …) where two ends were given.

    "About" has no code in FHIR R4, nor has how a number was known: both stand in our extension `as-known`.
    """
    extension = []
    if held.comparator == "~":
        extension.append({"url": "about", "valueBoolean": True})
    if held.how is not None:
        extension.append({"url": "how", "valueCode": held.how})
    made: Element = {}
    if extension:
        made["extension"] = [{"url": f"{site.canonical}/StructureDefinition/as-known", "extension": extension}]
    if held.value is None:
        assert held.low is not None
        assert held.high is not None
        made["low"] = _number(held.low, unit)
        made["high"] = _number(held.high, unit)
        return "Range", made
    comparator = held.comparator if held.comparator != "~" else None
    number = _number(held.value, unit)
    made["value"] = number.pop("value")
    if comparator is not None:
        made["comparator"] = comparator
    made.update(number)
    return "Quantity", made


def _number(digits: str, unit: tuple[str, str] | None) -> Element:
    made: Element = {"value": Decimal(digits)}
    if unit is not None:
        code, printed = unit
        made.update(unit=printed, system=UCUM, code=code)
    return made


def quantity_text(held: Measured, unit: tuple[str, str] | None) -> str:
    """The quantity in words: `about 480 mL/min`, `20-30 mm`, `0.27`."""
    printed = "" if unit is None or unit[1] == "1" else f" {unit[1]}"
    how = "" if held.how is None else f" ({held.how})"
    return f"{held}{printed}{how}"


def date_time(happened: PartialDate, zone: ZoneInfo) -> str:
    """A date as FHIR's dateTime: as precise as it was said. A time gets seconds and the offset that FHIR asks for."""
    if happened.precision != "instant":
        return str(happened)
    moment = happened.earliest_in(zone).replace(tzinfo=zone)
    if not happened.is_local:
        from datetime import datetime

        moment = datetime.fromisoformat(happened)
    offset = moment.utcoffset()
    assert offset is not None
    minutes, rest = divmod(int(offset.total_seconds()), 60)
    if rest or not -14 * 60 <= minutes <= 14 * 60:
        # Offsets with seconds (local mean time) and beyond fourteen hours cannot be written in FHIR.
        moment = moment.astimezone(UTC)
    text = moment.isoformat(timespec="seconds" if not moment.microsecond else "microseconds")
    if not happened.is_local and text == str(happened).replace("Z", "+00:00"):
        return str(happened)
    return text


def dated(name: str, happened: PartialDate | None, site: Site, zone: ZoneInfo) -> Element:
    """A date element with its sister of extensions, which says how it was said where FHIR cannot."""
    if happened is None:
        return {}
    text = date_time(happened, zone)
    made: Element = {name: text}
    if text != str(happened):
        made[f"_{name}"] = {"extension": [as_said(happened, site)]}
    return made


def as_said(happened: PartialDate, site: Site) -> Element:
    """The letters in which a date was said: `2018-11-02T09:40`, local to the unit."""
    return {"url": f"{site.canonical}/StructureDefinition/as-said", "valueString": str(happened)}


def period(start: PartialDate | None, end: PartialDate | None, site: Site, zone: ZoneInfo) -> Element | None:
    """From one date to another. An end whose earliest reading lies before the start is left out (FHIR per-1)."""
    # An end before the start contradicts it. So, for many receivers, does "2002" as the end of what began in July 2002:
    # it is true, and they compare it as if it were January.
    if start is not None and end is not None and end.earliest_in(zone) < start.earliest_in(zone):
        end = None
    made = dated("start", start, site, zone)
    made.update(dated("end", end, site, zone))
    return made or None


def absent(reason: str = "unknown") -> Element:
    """The sister of a primitive element that is asked for and not known."""
    return {"extension": [{"url": DATA_ABSENT, "valueCode": reason}]}


# --- Codes --------------------------------------------------------------------------------------------------------


def local_system(site: Site, name: str) -> str:
    """The URI of one of our own code systems."""
    return f"{site.canonical}/CodeSystem/{name}"


def list_name(enum: type[Enum]) -> str:
    """The name of the code system of a closed list of the vocabulary: `AccessKind` is `access-kind`."""
    name = enum.__name__
    return "".join(f"-{c.lower()}" if c.isupper() and i else c.lower() for i, c in enumerate(name))


def local_coding(value: Enum, site: Site) -> Element:
    """A value of the vocabulary as a Coding of our own code system of that list."""
    return {
        "system": local_system(site, list_name(type(value))),
        "code": value.value,
        "display": words_of(value),  # type: ignore[arg-type]
    }


def concept(site: Site, *uses: str, local: Element | Enum | None = None, text: str | None = None) -> Element:
    """A CodeableConcept: the verified codings of the uses, our own coding, and text beside them, always."""
    coding: list[Element] = []
    for use in uses:
        coding += [line.coding for line in site.codes.codings(use) if line.system not in site.systems_left_out]
    if isinstance(local, Enum):
        text = text or words_of(local)  # type: ignore[arg-type]
        coding.append(local_coding(local, site))
    elif local is not None:
        coding.append(local)
    made: Element = {}
    if coding:
        made["coding"] = coding
    if text is None:
        assert coding
        text = coding[0]["display"]
    made["text"] = text
    return made


def standard(site: Site, use: str) -> Element:
    """A CodeableConcept of HL7's own lists, which a required or extensible binding asks for."""
    coding = site.codes.coding(use)
    if coding["system"] == SNOMED and SNOMED in site.systems_left_out:
        return {"text": coding["display"]}
    return {"coding": [coding], "text": coding["display"]}


# --- Words --------------------------------------------------------------------------------------------------------


def narrative(sentences: list[str]) -> Element:
    """The text of a resource for people; nothing in it is not also in its elements."""
    lines = "".join(f"<p>{escape(_printable(sentence), quote=False)}</p>" for sentence in sentences if sentence)
    return {"status": "generated", "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{lines}</div>'}


def annotation(text: str | None) -> list[Element] | None:
    """A note, where its words are still kept."""
    cleaned = string(text)
    return None if cleaned is None else [{"text": cleaned}]


def string(text: str | None) -> str | None:
    """Words as a FHIR string: no control characters, not blank. None where nothing is left of them."""
    if text is None:
        return None
    return _printable(text).strip() or None


def _printable(text: str) -> str:
    # FHIR strings and XML hold no control characters but tab, line feed and carriage return.
    return "".join(c if c in "\t\n\r" or (ord(c) >= 32 and c not in "\x7f\ufffe\uffff") else " " for c in text)


# --- Writing ------------------------------------------------------------------------------------------------------


def without_unknown(value: Any) -> Any:
    """A dict without what is None or empty, at any depth."""
    if isinstance(value, dict):
        made = {}
        for name, held in value.items():
            if held is None:
                continue
            if isinstance(held, (dict, list)):
                held = without_unknown(held)
                if not held:
                    continue
            made[name] = held
        return made
    if isinstance(value, list):
        return [kept for item in value if (kept := without_unknown(item)) is not None and kept != {}]
    return value


def written(resource: Any) -> bytes:
    """JSON in UTF-8, decimals in the digits that were said. The same dict gives the same bytes, always."""
    return orjson.dumps(resource, default=_digits)


def _digits(value: Any) -> Any:
    if isinstance(value, Decimal):
        return orjson.Fragment(format(value, "f"))
    raise TypeError(f"{type(value).__name__} has no place in a resource")
