"""What the hospital's record holds that is not ours: what its codes tell is proposed, and the rest is kept in words.

A Procedure, an Observation, a Device or a Condition of somebody else becomes a report: a short text, a line a field,
and beside it what its codes, times, body sites, outcomes, values and components come to (`ledger.reading.coded`). A
code is understood through the code tables, read backwards: `codes.tsv`, `received_codes.tsv`, a site's own file. Where
no code is known, the name is looked up in a few English phrases of the trade, and the proposal says so; where the
resource carries prose and no known code, its words are read like any report. Nothing is guessed: what is not
understood is listed as that, and a person confirms all of it.

A DocumentReference or a DiagnosticReport is a report already. To understand a code, add a line to
`received_codes.tsv`; a phrase, to `_CONDITIONS` or `_MEASURES`; a kind of resource, to `_TELLING`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from importlib import resources
from typing import Any

import orjson

from fhir_mapping.codes import CodeTable, read_code_lines
from fhir_mapping.elements import Resource
from ledger.dates import PartialDate
from ledger.vocabulary import AccessKind, LesionPlace

DOCUMENTS = frozenset({"DocumentReference", "DiagnosticReport", "Composition"})
TOLD = frozenset({"Procedure", "Observation", "Device", "Condition"})

_DATES = (
    "performedDateTime",
    "occurrenceDateTime",
    "effectiveDateTime",
    "effectiveInstant",
    "onsetDateTime",
    "recordedDate",
    "issued",
)
_PERIODS = ("performedPeriod", "occurrencePeriod", "effectivePeriod", "onsetPeriod")


@dataclass(frozen=True, kw_only=True)
class ForeignReport:
    """A resource as a report: its words, what its codes tell (JSON of `ledger.reading.coded`), and its own name.

    `told` is None where the words have to be read like prose. `is_corrected`: it is a later version of the resource.
    `is_withdrawn`: its sender takes it back.
    """

    text: str
    told: str | None
    happened: PartialDate | None
    document_id: str | None
    is_corrected: bool
    is_withdrawn: bool


def foreign_report(
    resource: Resource, codes: CodeTable, others: Mapping[str, Resource] | None = None
) -> ForeignReport | None:
    """A resource of somebody else as a report; None for a type that says nothing of an access.

    `others` are resources that came along, by `Type/id` and by address, for the references in this one.
    """
    if resource.get("resourceType") not in TOLD:
        return None
    page = _Page(resource, codes, others or {})
    page.write()
    if page.is_empty:
        return None
    page.tell()
    return ForeignReport(
        text=page.text,
        told=page.told(),
        happened=page.when,
        document_id=document_id_of(resource),
        is_corrected=_is_corrected(resource),
        is_withdrawn=_is_withdrawn(resource),
    )


def as_report_text(resource: Resource, codes: CodeTable) -> str | None:
    """A resource in words alone."""
    found = foreign_report(resource, codes)
    return None if found is None else found.text


def document_id_of(resource: Resource) -> str | None:
    """The name that a resource keeps through its versions: its identifier, else its address."""
    for identifier in _dicts(resource.get("identifier")):
        if _word(identifier.get("value")):
            return f"{identifier.get('system') or ''}|{identifier['value']}".removeprefix("|")
    if _word(resource.get("id")):
        return f"{resource.get('resourceType')}/{resource['id']}"
    return None


def subject_identifiers(resource: Resource, others: Mapping[str, Resource] | None = None) -> list[tuple[str, str]]:
    """The numbers of a resource's patient: in its own reference, and of the Patient that came along."""
    found = []
    for name in ("subject", "patient"):
        reference = _dict(resource.get(name))
        held = [_dict(reference.get("identifier"))]
        held += _dicts((others or {}).get(str(reference.get("reference")), {}).get("identifier"))
        found += [(str(one.get("system")), str(one["value"])) for one in held if one.get("value")]
    return found


def _is_withdrawn(resource: Resource) -> bool:
    verification = _dicts(_dict(resource.get("verificationStatus")).get("coding"))
    return resource.get("status") == "entered-in-error" or any(
        one.get("code") == "entered-in-error" for one in verification
    )


def _is_corrected(resource: Resource) -> bool:
    version = _word(_dict(resource.get("meta")).get("versionId"))
    return resource.get("status") in ("amended", "corrected") or (version or "1") not in ("1", "0")


# --- Codes, read backwards ----------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def received_codes() -> CodeTable:
    """The codes that are understood when others send them, besides those that we send."""
    text = resources.files("fhir_mapping").joinpath("received_codes.tsv").read_text(encoding="utf-8")
    return CodeTable({}).replaced_by(read_code_lines(text.splitlines(), where="received_codes.tsv"))


@lru_cache(maxsize=8)
def _uses(codes: CodeTable) -> dict[tuple[str, str], str]:
    """The use of each code that is verified. Where two uses share one code, the end that differs is left open."""
    found: dict[tuple[str, str], str] = {}
    for line in (*received_codes(), *codes):
        if line.verified:
            key = (line.system, line.code)
            found[key] = _common(found[key], line.use) if key in found else line.use
    return found


def _common(one: str, two: str) -> str:
    shared = []
    for mine, theirs in zip(one.split("/"), two.split("/"), strict=False):
        if mine != theirs:
            break
        shared.append(mine)
    return "/".join(shared)


# --- Words --------------------------------------------------------------------------------------------------------

_SITES = (
    (r"snuff\s?box", "snuffbox"),
    (r"wrist", "wrist"),
    (r"forearm|lower arm", "forearm"),
    (r"elbow|antecubital|cubital fossa", "elbow"),
    (r"upper arm|brachium", "upper-arm"),
    (r"axilla", "axilla"),
    (r"thigh", "thigh"),
    (r"groin", "groin"),
    (r"chest", "chest"),
    (r"neck", "neck"),
)
_VEINS = (
    (r"internal jugular", "internal-jugular"),
    (r"external jugular", "external-jugular"),
    (r"subclavian vein", "subclavian"),
    (r"femoral vein", "femoral"),
    (r"superior vena cava", "superior-vena-cava"),
    (r"inferior vena cava", "inferior-vena-cava"),
    (r"cephalic vein", "cephalic"),
    (r"basilic vein", "basilic"),
    (r"axillary vein", "axillary"),
)
_KINDS = (
    (r"non-?tunnell?ed.*catheter|temporary (?:dialysis|vascular) catheter", "nontunnelled-catheter"),
    (r"tunnell?ed.*catheter|permcath", "tunnelled-catheter"),
    (r"peritoneal.*catheter", "peritoneal-catheter"),
    (r"(?:av|arteriovenous|dialysis|vascular)[- ]*graft|graft fistula", "graft"),
    (r"(?:av|arteriovenous|dialysis)[- ]*fistula|\bavf\b|cimino", "fistula"),
)
_ARM = r"(?:arm|wrist|elbow|thigh|left|right)\b.*"
_KINDS_BY_PLACE = ((rf"{_ARM}\bfistula\b", "fistula"), (rf"{_ARM}\bgraft\b", "graft"))
_PLACES = tuple((place.value.replace("-", "[- ]"), place.value) for place in LesionPlace)

_CONDITIONS: tuple[tuple[str, str, dict[str, Any]], ...] = (
    (r"pseudo-?aneurysm|false aneurysm", "complication", {"what": "pseudoaneurysm"}),
    (r"aneurysm", "complication", {"what": "aneurysm"}),
    (r"steal", "complication", {"what": "steal"}),
    (r"(?:non-?|failure (?:of|to) )matur", "complication", {"what": "failure-to-mature"}),
    (r"thrombos[ie]s|thrombosed|clotted|occlusion by thrombus", "thrombosis", {}),
    (r"bloodstream infection|bacteraemia|bacteremia", "infection", {"infection_class": "bloodstream"}),
    (r"exit[- ]site infection", "infection", {"infection_class": "exit-site"}),
    (r"tunnel infection", "infection", {"infection_class": "tunnel"}),
    (r"peritonitis", "infection", {"infection_class": "peritonitis"}),
    (r"infect", "infection", {"infection_class": "access"}),
)
"""Phrases of the trade in the name of a condition of an access, the narrower ones first; common practice, no source."""

_AN_ACCESS = re.compile(
    r"dialysis|vascular access|arteriovenous (?:shunt|graft|fistula)|\bav[fg]?\b|central (?:venous )?(?:line|catheter)"
    r"|tunnell?ed (?:line|catheter)|catheter-?related bloodstream|exit[- ]site"
)
_ELSEWHERE = re.compile(
    r"malformation|cerebral|intracranial|dural|spinal|pulmonary|coronary|cardiac|hepat|portal|portosystemic"
    r"|renal artery|aort|urin|bladder|foley|ventricul|retina|anal\b|intestin"
)
"""What makes a condition one of a dialysis access, and what makes it one of another part of the body."""

_MEASURES = (
    (r"(?:vascular |av |dialysis )?access (?:blood )?flow(?: rate)?|qa", "flow_ml_min"),
    (r"(?:vascular |av |dialysis )?access recirculation|recirculation", "recirculation_percent"),
    (r"static (?:intra-?access )?venous pressure", "static_venous_pressure_mmhg"),
    (r"static (?:intra-?access )?arterial pressure", "static_arterial_pressure_mmhg"),
    (r"dynamic venous pressure", "dynamic_venous_pressure_mmhg"),
    (r"(?:dialysis )?blood flow rate|blood pump (?:speed|rate)|qb", "blood_flow_ml_min"),
    (r"(?:sp|e|single[- ]pool |equilibrated )?kt/v", "kt_v"),
    (r"systolic (?:blood pressure|pressure)", "systolic_mmhg"),
    (r"diastolic (?:blood pressure|pressure)", "diastolic_mmhg"),
    (r"ultrafiltration volume", "ultrafiltration_l"),
)
"""Whole names of measurements of an access; common practice, no source."""

_OF_AN_ACCESS = frozenset(
    {
        "flow_ml_min",
        "recirculation_percent",
        "static_venous_pressure_mmhg",
        "static_arterial_pressure_mmhg",
        "dynamic_venous_pressure_mmhg",
        "kt_v",
    }
)
"""Fields one of which a measurement has to have: a blood pressure alone is not about an access."""

_UNITS: dict[str, dict[str, Decimal]] = {
    "ml_min": {"mL/min": Decimal(1), "L/min": Decimal(1000), "mL/s": Decimal(60)},
    "percent": {"%": Decimal(1)},
    "mmhg": {"mm[Hg]": Decimal(1)},
    "l": {"L": Decimal(1), "mL": Decimal("0.001")},
    "v": {"1": Decimal(1), "{ratio}": Decimal(1), "": Decimal(1)},
}
"""UCUM units by the end of a field's name, and by how much one is multiplied."""

_SPELLED = {
    "ml/min": "mL/min",
    "l/min": "L/min",
    "mmhg": "mm[Hg]",
    "mm[hg]": "mm[Hg]",
    "%": "%",
    "percent": "%",
    "l": "L",
    "ml": "mL",
    "": "",
    "1": "1",
}
"""Units as people write them where no UCUM code stands."""

_DONE = frozenset({"completed", None, "unknown"})
_OUTCOME = {"success": "success", "failed": "failed", "partial": "partial"}


@dataclass
class _Line:
    """A line of the text: the field, what it says, and where."""

    field: str
    concept: Any
    words: str
    start: int
    end: int

    @property
    def span(self) -> list[int]:
        return [self.start, self.end]


@dataclass
class _Page:
    """One resource on its way to a report."""

    resource: Resource
    codes: CodeTable
    others: Mapping[str, Resource]
    lines: list[_Line] = field(default_factory=list)
    when: PartialDate | None = None
    proposed: list[dict[str, Any]] = field(default_factory=list)
    noticed: list[dict[str, Any]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    access: dict[str, Any] = field(default_factory=dict)
    _text: list[str] = field(default_factory=list)
    _length: int = 0

    # --- The text

    @property
    def text(self) -> str:
        return "".join(self._text)

    @property
    def is_empty(self) -> bool:
        return not any(line.field != "when" for line in self.lines)

    @property
    def kind(self) -> str:
        return str(self.resource.get("resourceType"))

    def put(self, name: str, label: str, words: str | None, concept: Any = None) -> None:
        """A line of the text, or several, where there is something to say."""
        if not words:
            return
        begin = f"{label}: " if label else ""
        start = self._length + len(begin)
        self.lines.append(_Line(name, concept, words, start, start + len(words)))
        self._text.append(f"{begin}{words}\n")
        self._length += len(begin) + len(words) + 1

    def write(self) -> None:
        """Everything that a person needs to see of the resource, a line a field."""
        resource = self.resource
        said = _when(resource)
        self.when = _partial(said) if said else None
        self.put("when", "Date of procedure" if self.kind == "Procedure" else "Date", said[:10] if said else None)
        named = resource.get("code") or _first_of(resource.get("type"))
        # Not under a heading of its own: that is where a report says what was done, and prose may follow below.
        self.put("code", f"{self.kind} named", self.name(named), named)
        for site in self.sites():
            self.put("bodySite", "Body site", self.name(site), site)
        for name, label in (("reasonCode", "Indication"), ("complication", "Complication"), ("statusReason", "Why")):
            for one in _dicts(resource.get(name)):
                self.put(name, label, self.name(one), one)
        self.put("outcome", "Outcome", self.name(resource.get("outcome")), resource.get("outcome"))
        self.put("value", "Result", self.value(resource), resource)
        for part in _dicts(resource.get("component")):
            self.put("component", self.name(part.get("code")) or "component", self.value(part), part)
        if self.kind == "Observation":
            self.put("method", "Method", self.name(resource.get("method")), resource.get("method"))
        status = resource.get("status")
        if isinstance(status, str) and status not in ("completed", "final"):
            self.put("status", "Status", status)
        for note in _dicts(resource.get("note")):
            said = note.get("text")
            self.put("note", "", said.strip() if isinstance(said, str) else None)

    def sites(self) -> Iterator[Any]:
        """The body sites: in the resource itself, in the extension for one, and of the structure that it points to."""
        held = self.resource.get("bodySite")
        yield from held if isinstance(held, list) else [held] if held else []
        for extension in _dicts(self.resource.get("extension")):
            url = str(extension.get("url"))
            if url.endswith(("/procedure-targetBodyStructure", "/bodySite")):
                structure = self.others.get(str(_dict(extension.get("valueReference")).get("reference")), {})
                yield from (one for one in (structure.get("morphology"), structure.get("location")) if one)
                yield from _dicts(structure.get("locationQualifier"))

    def name(self, concept: Any) -> str | None:
        """What a CodeableConcept is called: its text, its display, or the display of a code that we know."""
        held = _dict(concept)
        if _word(held.get("text")):
            return _word(held["text"])
        for coding in _dicts(held.get("coding")):
            display = _word(coding.get("display"))
            if display is not None:
                return display
            for line in (*self.codes, *received_codes()):
                if (line.system, line.code) == (coding.get("system"), coding.get("code")) and line.verified:
                    return str(line.display)
        coding = next(iter(_dicts(held.get("coding"))), {})
        return f"code {coding['code']} of {coding.get('system')}" if _word(coding.get("code")) else None

    def value(self, held: Any) -> str | None:
        quantity = _dict(_dict(held).get("valueQuantity"))
        if "value" in quantity:
            unit = quantity.get("unit") or quantity.get("code") or ""
            return f"{quantity.get('comparator', '')}{quantity['value']} {unit}".strip()
        within = _dict(_dict(held).get("valueRange"))
        if within:
            ends = [_dict(within.get(end)) for end in ("low", "high")]
            return " to ".join(f"{one.get('value')} {one.get('unit') or one.get('code') or ''}".strip() for one in ends)
        concept = _dict(held).get("valueCodeableConcept")
        if concept is not None:
            return self.name(concept)
        said = _dict(held).get("valueBoolean")
        if isinstance(said, bool):
            return "yes" if said else "no"
        return _word(_dict(held).get("valueString"))

    # --- What it tells

    def tell(self) -> None:
        """Lays out what the codes come to."""
        self._access()
        status = self.resource.get("status")
        verification = {
            str(coding.get("code")) for coding in _dicts(_dict(self.resource.get("verificationStatus")).get("coding"))
        }
        if self.kind == "Procedure" and status not in (*_DONE, "stopped"):
            self.leave_out("code", f"it was not done, or not yet: status {status}")
            return
        if self.kind == "Observation" and status in ("registered", "cancelled"):
            self.leave_out("code", f"there is no result: status {status}")
            return
        if self.kind == "Condition" and verification & {"refuted", "unconfirmed", "differential", "provisional"}:
            self.leave_out("code", "the sender does not confirm it")
            return
        _TELLING[self.kind](self)

    def told(self) -> str | None:
        """What it tells as JSON; None where its prose has to be read instead."""
        has_prose = any(line.field == "note" and len(line.words.split()) > 4 for line in self.lines)
        if not self.proposed and not self.noticed and has_prose:
            return None
        if not self.proposed and not self.noticed:
            self.leave_out("code", "neither the code nor the name of it is understood")
        if self.proposed:
            for line in self.lines:
                if line.field in ("note", "complication", "statusReason"):
                    self.notice(line, "words beside the codes: read them")
        told = {
            "happened": self.when,
            "access": self.access,
            "proposed": self.proposed,
            "noticed": self.noticed,
            "doubts": self.doubts,
        }
        return orjson.dumps(told).decode("utf-8")

    def propose(
        self,
        kind: str,
        detail: dict[str, Any],
        why: str,
        *,
        quotes: Iterable[_Line] = (),
        lesions: list[dict[str, Any]] | None = None,
        doubts: Iterable[str] = (),
    ) -> None:
        """One proposal, resting on lines of the text."""
        rests = [line.span for line in self.lines if line.field in ("code", "when", "bodySite")]
        rests += [line.span for line in quotes]
        more = list(doubts)
        if self.resource.get("status") == "stopped":
            more.append("it was stopped before its end")
        self.proposed.append(
            {
                "kind": kind,
                "detail": {name: held for name, held in detail.items() if held is not None},
                "lesions": lesions or [],
                "quotes": sorted(rests),
                "doubts": more,
                "why": why,
            }
        )

    def leave_out(self, name: str, reason: str) -> None:
        """Says of a field why nothing is made of it."""
        for line in self.lines:
            if line.field == name:
                self.notice(line, reason)

    def notice(self, line: _Line, reason: str) -> None:
        self.noticed.append({"start": line.start, "end": line.end, "what": line.field, "reason": reason})

    def uses(self, concept: Any) -> list[str]:
        """What the codes of a concept are used for."""
        known = _uses(self.codes)
        return [
            known[key]
            for coding in _dicts(_dict(concept).get("coding"))
            if (key := (str(coding.get("system")), str(coding.get("code")))) in known
        ]

    def line(self, name: str) -> _Line | None:
        return next((line for line in self.lines if line.field == name), None)

    # --- Which access

    def _access(self) -> None:
        """Side, site, vessels and kind, from codes and words of body site and name. What disagrees stays open."""
        lines = [line for line in self.lines if line.field in ("bodySite", "code")]
        sides = {side for line in lines for side in _sides(line.words, self.uses(line.concept))}
        site_words = " ; ".join(line.words for line in lines if line.field == "bodySite").lower()
        words = " ; ".join(line.words for line in lines).lower()
        found: dict[str, Any] = {
            "side": next(iter(sides)) if len(sides) == 1 else None,
            "site": _first(_SITES, site_words) or _first(_SITES, words),
            "kind": _first(_KINDS, words) or _first(_KINDS_BY_PLACE, site_words),
            "vein": None,
        }
        if len(sides) > 1:
            self.doubts.append("it names both sides")
        vein = _first(_VEINS, words)
        if found["kind"] and AccessKind(found["kind"]).is_central_line:
            found["vein"] = vein
        self.access = {name: held for name, held in found.items() if held}
        self.access["quotes"] = [line.span for line in lines]
        self.access["described"] = site_words or None


# --- Kinds of resource --------------------------------------------------------------------------------------------


def _procedure(page: _Page) -> None:
    line = page.line("code")
    if line is None:
        return
    uses = [use for use in page.uses(line.concept) if use.startswith("procedure/")]
    if not uses:
        return
    kind, what, *more = [*max(uses, key=lambda use: use.count("/")).split("/")[1:], ""]
    why = f"its code stands for {kind.replace('-', ' ')}" + (f" ({what})" if what not in ("", "unknown") else "")
    outcome = next(
        (use.split("/")[1] for one in page.lines if one.field == "outcome" for use in page.uses(one.concept)), None
    )
    rests = [one for one in page.lines if one.field in ("outcome", "reasonCode")]
    access = page.access
    match kind:
        case "creation":
            access["kind"] = what or access.get("kind")
            detail = {name: access.get(name) for name in ("side", "site")} | {"access_kind": access["kind"]}
            doubts = []
            if more and more[0] == "radiocephalic":
                detail |= {"inflow": "radial", "outflow": "cephalic"}
            elif more and more[0].startswith("transposed"):
                vein = more[0].removeprefix("transposed-")
                detail |= {"configuration": "transposed", "outflow": vein if vein != "forearm" else None}
                doubts.append("it may be the second stage of a fistula that was made before")
            access |= {name: held for name, held in detail.items() if held and name != "access_kind"}
            page.propose(kind, detail, why, quotes=rests, doubts=doubts)
        case "catheter-placed":
            if what != "unknown":
                access["kind"] = what
            detail = {name: access.get(name) for name in ("side", "vein")} | {"access_kind": access.get("kind")}
            page.propose(kind, detail, why, quotes=rests)
        case "catheter-exchanged":
            page.propose(kind, {name: access.get(name) for name in ("side", "vein")}, why, quotes=rests)
        case "stent":
            access.setdefault("kind", what or None)
            lesion = _lesion(page, outcome, stented=True)
            if more and more[0] in ("bare", "covered", "coated"):
                lesion["stent"] = {"coated": True} if more[0] == "coated" else {"covered": more[0] == "covered"}
            page.propose(kind, {}, why, quotes=rests, lesions=[lesion])
        case "angioplasty":
            lesion = _lesion(page, outcome, ballooned=True)
            if what == "superior-vena-cava":
                lesion["place"] = what
            page.propose(kind, {}, why, quotes=rests, lesions=[lesion])
        case "thrombectomy":
            if what not in ("", "unknown"):
                access["kind"] = what
            success = {"success": True, "failed": False}.get(outcome or "")
            methods = ["mechanical"] if more and more[0] == "mechanical" else []
            page.propose(kind, {"success": success, "methods": methods or None}, why, quotes=rests)
        case "revision" | "first-cannulation":
            doubts = ["a code for needling does not say that it was the first time"] if kind != "revision" else []
            if what in ("fistula", "graft"):
                access.setdefault("kind", what)
            page.propose(kind, {}, why, quotes=rests, doubts=doubts)
        case "other" if what == "revision-with-thrombectomy":
            page.propose("revision", {}, "its code stands for a revision with removal of clot", quotes=rests)
            page.propose("thrombectomy", {}, "its code stands for a revision with removal of clot", quotes=rests)
        case "peritoneal":
            access["kind"] = "peritoneal-catheter"
            detail = {"access_kind": "peritoneal-catheter"}
            page.propose("catheter-placed", detail, "its code stands for a peritoneal catheter", quotes=rests)
        case _:
            page.leave_out("code", "its code is known, and says too little to propose an entry")
            return
    if outcome is not None and kind not in ("thrombectomy", "angioplasty", "stent"):
        page.leave_out("outcome", f"the outcome is coded as {outcome}; the entry has no place for it")


def _lesion(page: _Page, outcome: str | None, **what: Any) -> dict[str, Any]:
    words = " ; ".join(line.words for line in page.lines if line.field in ("bodySite", "code")).lower()
    return {
        "place": _first(_PLACES, words),
        "side": page.access.get("side"),
        "outcome": _OUTCOME.get(outcome or ""),
        "quotes": [line.span for line in page.lines if line.field in ("bodySite", "outcome")],
        **what,
    }


def _observation(page: _Page) -> None:
    detail: dict[str, Any] = {}
    rests: list[_Line] = []
    doubts: list[str] = []
    # A single value stands under the resource's own code, a component under its.
    named = page.line("code")
    asked = [] if named is None else [(named.concept, page.line("value"), page.resource)]
    asked += [(one.concept.get("code"), one, one.concept) for one in page.lines if one.field == "component"]
    for concept, line, held in asked:
        if line is None:
            continue
        name, by_name = _measure(page, concept)
        if name is None:
            page.notice(line, "what was measured is not understood")
            continue
        measured, doubt = _measured(_dict(held), name)
        if measured is None:
            page.notice(line, doubt or "there is no number")
            continue
        detail[name] = measured
        rests.append(line)
        doubts += [one for one in (doubt, "understood by its name, not by a code" if by_name else None) if one]
    if not detail.keys() & _OF_AN_ACCESS:
        if detail:
            page.noticed.clear()
            page.leave_out("code", "nothing in it is measured at an access")
        return
    method = page.line("method")
    if method is not None and re.search(r"dilution", method.words, re.IGNORECASE):
        detail["method"] = "indicator-dilution"
    elif method is not None and re.search(r"duplex|doppler|ultrasound", method.words, re.IGNORECASE):
        detail["method"] = "duplex"
    if method is not None and "method" in detail:
        rests.append(method)
    page.propose("measurement", detail, "its code or name is a measurement", quotes=rests, doubts=dict.fromkeys(doubts))


def _measure(page: _Page, concept: Any) -> tuple[str | None, bool]:
    """The field of a measurement that a concept names, and whether only its name says so."""
    for use in page.uses(concept):
        head, _, rest = use.partition("/")
        if head == "measurement":
            return rest.replace("-", "_"), False
    name = re.sub(r"\s+", " ", re.sub(r"\[[^\]]*\]|\([^)]*\)", " ", page.name(concept) or "")).strip(" .:").lower()
    return next((held for phrase, held in _MEASURES if re.fullmatch(phrase, name)), None), True


def _measured(held: Resource, name: str) -> tuple[dict[str, Any] | None, str | None]:
    """A quantity in the unit of a field, with a doubt where it was converted; else why there is none."""
    quantity = _dict(held.get("valueQuantity"))
    within = _dict(held.get("valueRange"))
    ends = {"value": quantity} if quantity else {"low": _dict(within.get("low")), "high": _dict(within.get("high"))}
    units = _UNITS.get(next((end for end in _UNITS if name.endswith(f"_{end}")), ""))
    if units is None:
        return None, "it is not a number in this ledger"
    made: dict[str, Any] = {}
    doubt = None
    for end, one in ends.items():
        if "value" not in one:
            return None, "there is no number"
        code = _word(one.get("code")) if one.get("system") == "http://unitsofmeasure.org" else None
        spelled = re.sub(r"\s", "", str(one.get("unit") or one.get("code") or "")).lower()
        unit = code if code is not None else _SPELLED.get(spelled)
        if unit not in units:
            return None, "its unit is missing or not understood"
        try:
            number = Decimal(str(one["value"]))
        except InvalidOperation:
            return None, "there is no number"
        if not number.is_finite():
            return None, "there is no number"
        if units[unit] != 1:
            number, doubt = _times(number, units[unit]), f"it was said in {unit}"
        made[end] = format(number, "f")
    comparator = quantity.get("comparator")
    if comparator in ("<", "<=", ">=", ">"):
        made["comparator"] = comparator
    return made, doubt


def _times(number: Decimal, factor: Decimal) -> Decimal:
    """A number in another unit. By a power of ten only the point moves, so that no digit is made up."""
    if factor.normalize().as_tuple().digits == (1,):
        return number.scaleb(factor.adjusted())
    return number * factor


def _condition(page: _Page) -> None:
    line = page.line("code")
    if line is None:
        return
    words = line.words.lower()
    site = str(page.access.get("described") or "")
    both = f"{words} ; {site}"
    if _ELSEWHERE.search(both) or not (_AN_ACCESS.search(both) or _first(_KINDS_BY_PLACE, site)):
        return
    for phrase, kind, detail in _CONDITIONS:
        if not re.search(phrase, words):
            continue
        values = dict(detail)
        if kind == "complication":
            clinical = _dicts(_dict(page.resource.get("clinicalStatus")).get("coding"))
            if any(coding.get("code") in ("resolved", "inactive", "remission") for coding in clinical):
                values["resolved"] = True
        page.propose(
            kind, values, "the name of the condition says so", doubts=["understood by its name, not by a code"]
        )
        return


def _device(page: _Page) -> None:
    kind = page.access.get("kind")
    line = page.line("code")
    if line is None or kind is None or page.resource.get("status") in ("inactive", "entered-in-error"):
        page.leave_out("code", "it is not a device of an access that is in the body, as far as its name says")
        return
    detail = {name: page.access.get(name) for name in ("side", "site")} | {"access_kind": kind}
    page.propose(
        "access-known",
        detail,
        "a device of this kind is on record there",
        doubts=["a device does not say when it was put in: give the day on which it was known"],
    )


_TELLING: dict[str, Callable[[_Page], None]] = {
    "Procedure": _procedure,
    "Observation": _observation,
    "Condition": _condition,
    "Device": _device,
}


# --- Small things -------------------------------------------------------------------------------------------------


def _first_of(found: Any) -> Any:
    """The first of a list, as R5 has where R4 has one."""
    return next(iter(found), None) if isinstance(found, list) else found


def _sides(words: str, uses: list[str]) -> set[str]:
    found = {side for side in ("left", "right") if re.search(rf"\b{side}\b", words, re.IGNORECASE)}
    return found | {use.split("/")[1] for use in uses if use.startswith("laterality/")}


def _first(table: Iterable[tuple[str, str]], words: str) -> str | None:
    return next((held for phrase, held in table if re.search(phrase, words)), None)


def _when(resource: Resource) -> str | None:
    for name in _DATES:
        if isinstance(resource.get(name), str):
            return str(resource[name])
    for name in _PERIODS:
        start = _dict(resource.get(name)).get("start")
        if isinstance(start, str):
            return start
    return None


def _partial(said: str) -> PartialDate | None:
    """The day of a time; a time of the day is the server's, often made up, and adds nothing here."""
    try:
        return PartialDate(said[:10])
    except ValueError:
        return None


def _dict(found: Any) -> dict[str, Any]:
    return found if isinstance(found, dict) else {}


def _dicts(found: Any) -> list[dict[str, Any]]:
    held = found if isinstance(found, list) else [found]
    return [one for one in held if isinstance(one, dict)]


def _word(found: Any) -> str | None:
    return " ".join(found.split()) if isinstance(found, str) and found.strip() else None
