"""What a deed's words tell beside the deed: devices, sizes, methods, material, and how the visit went.

Every value is one that stands in the text, brought to the unit of its field. What is
not said stays out.
"""

from __future__ import annotations

import re
from collections.abc import Container, Iterable
from typing import Any

from ledger.measured import Measured
from ledger.reading.accesses import CATHETERS, Meant
from ledger.reading.acts import Deed
from ledger.reading.measures import Quantity
from ledger.reading.page import Page, Thing
from ledger.reading.proposals import Cite
from ledger.reading.tables import Found, rows_of
from ledger.vocabulary import (
    AbandonmentHow,
    AbandonmentReason,
    AccessKind,
    Artery,
    BandingMethod,
    CatheterReason,
    CentralVeins,
    ComplicationKind,
    Configuration,
    Contrast,
    ExchangeForm,
    Finding,
    GraftMaterial,
    KnownBy,
    LesionPlace,
    Limb,
    MadeBy,
    OtherIntervention,
    Outcome,
    PeritonealStart,
    RevisionMethod,
    Scale,
    SecondStageForm,
    Sedation,
    Side,
    Site,
    Stage,
    ThrombectomyMethod,
    TipPlace,
    Vein,
)

_TOLD = frozenset(
    {
        "title",
        "opening",
        "findings",
        "technique",
        "impression",
        "narrative",
        "complications",
        "access",
        "date",
        "sedation",
    }
)


def detail_of(page: Page, deed: Deed) -> dict[str, Any]:
    """The details of one deed, under the names of its event's fields."""
    access = deed.access
    found: dict[str, Any] = {}
    match deed.kind:
        case "creation":
            found = _creation(page, deed)
        case "catheter-placed":
            found = _catheter(page, deed, placed=True)
        case "catheter-exchanged":
            found = _catheter(page, deed, placed=False)
            found["form"] = _form_of_exchange(page)
        case "catheter-removed":
            found = {"reason": _reason_of_catheter(page, removed=True), "whole": _whole(page)}
        case "second-stage":
            found = {"form": _form_of_stage(page, deed), "outflow": _vein(access.outflow if access else None)}
        case "thrombectomy":
            found = {"methods": _clot_methods(page), "success": _clot_success(page, deed)}
        case "banding":
            found = _banding(page)
        case "revision":
            found = _revision(page, deed)
        case "other-intervention":
            found = {"what": OtherIntervention(deed.methods[0]) if deed.methods else OtherIntervention.OTHER}
        case "abandonment":
            found = {"how": AbandonmentHow(deed.how or "given-up"), "reason": _reason_of_end(page)}
        case "angiogram":
            found = angiogram_details(page)
        case "stent":
            found = {"note": across_side_vein(page)}
        case _:
            found = {}
    return {name: value for name, value in found.items() if value not in (None, ())}


# --- Creation, revision, the second stage -------------------------------------------------------------------------


def _creation(page: Page, deed: Deed) -> dict[str, Any]:
    access = deed.access
    assert access is not None
    kind = access.kind if access.kind in ("fistula", "graft", "hybrid") else None
    stage = None
    for thing in _now(page, "stage"):
        stage = Stage(thing.get("stage") or "")
        break
    configuration = access.configuration or next(
        (one.get("configuration") for one in _now(page, "configuration")), None
    )
    found: dict[str, Any] = {
        "access_kind": AccessKind(kind) if kind else None,
        "side": _side(access.side),
        "site": _site(access),
        "inflow": _artery(access.inflow),
        "outflow": _vein(access.outflow),
        "stage": stage if stage is not Stage.SECOND else None,
        "made_by": MadeBy.PERCUTANEOUS
        if any(True for _ in _now(page, "percutaneous", titled=True))
        else MadeBy.SURGERY
        if page.operating_words >= 2 or re.search(r"anastomos|incision", page.low)
        else None,
    }
    if kind == "graft":
        found["configuration"] = Configuration(configuration) if configuration else None
        found["material"] = _material(page, access)
        found["calibre_mm"] = _calibre(page)
    elif re.search(r"transpos", page.low) and any(other.thing.get("kind") == "second-stage" for other in deed.evidence):
        found["configuration"] = Configuration.TRANSPOSED
    limb = next((one.get("limb") for one in page.things if one.cls == "limb"), None)
    found["arterial_limb"] = Limb(limb) if limb else None
    return found


def _material(page: Page, access: Meant) -> GraftMaterial | None:
    best = None
    for thing in page.things:
        if thing.cls == "material" and page.role(thing) in _TOLD:
            material = GraftMaterial(thing.get("material") or "")
            if best in (None, GraftMaterial.PTFE):
                best = material
    if best is None and access.material:
        best = GraftMaterial(access.material)
    if best in (None, GraftMaterial.PTFE):
        if re.search(r"early[\s-]cannulation|immediate[\s-]access|early[\s-]access", page.low):
            return GraftMaterial.EARLY_CANNULATION
        if re.search(r"heparin[\s-](?:bonded|coated)", page.low):
            return GraftMaterial.HEPARIN_BONDED
        if re.search(r"bovine (?:carotid|artery|mesenteric)", page.low):
            return GraftMaterial.BOVINE
        if re.search(r"\be?ptfe\b|gore[\s-]?tex|polytetraf", page.low):
            return GraftMaterial.PTFE
    return best


def _calibre(page: Page) -> Measured | None:
    for one in page.quantities:
        if one.unit != "mm" or one.first.at_most is None or one.first.at_most > 10:
            continue
        around = page.low[max(0, one.start - 30) : one.end + 40]
        if re.search(
            r"graft|ptfe|bovine|tapered|ringed|heparin|early", page.low[one.end : one.end + 40]
        ) and not re.search(r"balloon|stent|vein\b|arter(?:y|ial)\s+\w{0,3}\s*$", around[:70].split(".")[0][:30]):
            return one.first
    return None


def _form_of_stage(page: Page, deed: Deed) -> SecondStageForm | None:
    words = " ".join(page.low[one.start : one.end] for one in deed.evidence)
    if "transpos" in words:
        return SecondStageForm.TRANSPOSITION
    if "superficial" in words:
        return SecondStageForm.SUPERFICIALISATION
    if "elevat" in words:
        return SecondStageForm.ELEVATION
    if "transpos" in page.low:
        return SecondStageForm.TRANSPOSITION
    return None


def _revision(page: Page, deed: Deed) -> dict[str, Any]:
    methods = tuple(RevisionMethod(one) for one in deed.methods if one in RevisionMethod._value2member_map_)
    return {"methods": methods, "reason": _reason_of_visit(page), **_flows(page)}


def _banding(page: Page) -> dict[str, Any]:
    method = None
    if re.search(
        r"over (?:the |an? )?(?:inflated )?(?:\d mm )?balloon|around (?:the )?balloon|mandrel|dowel|sizing|endoluminal",
        page.low,
    ):
        method = BandingMethod.OVER_BALLOON
    elif re.search(r"\bptfe (?:cuff|band|sleeve)|\bband of|\bdacron", page.low):
        method = BandingMethod.BAND
    elif "plicat" in page.low:
        method = BandingMethod.PLICATION
    elif re.search(r"suture|prolene|polypropylene|tied", page.low):
        method = BandingMethod.SUTURE
    reason = (
        Finding.STEAL
        if re.search(r"\bsteal\b|ischa?emi", page.low)
        else Finding.HIGH_FLOW
        if re.search(r"high[\s-](?:flow|output)|heart failure", page.low)
        else None
    )
    return {"method": method, "reason": reason, **_flows(page)}


def _flows(page: Page) -> dict[str, Any]:
    """Flow before and after, where the text puts the words beside the numbers."""
    flows = [one for one in page.quantities if one.unit == "ml_min"]
    found: dict[str, Any] = {}
    for one in flows:
        before = page.low[max(0, one.start - 50) : one.start]
        after = page.low[one.end : one.end + 30]
        if re.search(
            r"(?:after|post|repeat|final|flow now|reduced to|decreased to|fell to|to)\b[^.;]*$", before
        ) or re.match(r"\s*after", after):
            found["flow_after_ml_min"] = one.first
        elif (
            re.search(r"(?:pre|before|initial|baseline|high[\s-]flow|from)\b[^.;]*$", before)
            and "flow_before_ml_min" not in found
        ):
            found["flow_before_ml_min"] = one.first
    return found


# --- Catheters ----------------------------------------------------------------------------------------------------

_TIP = re.compile(
    r"\btips?\b[^.;]{0,60}?\b(?:(?P<cavo>cavo[\s-]?atrial|(?:svc|atrio\w*)[\s/\-]*(?:ra"
    r"|right atri\w+|caval)?\s*junction|caval atrial|atriocaval)|(?P<ra>right atri\w+"
    r"|\bra\b|atrium)"
    r"|(?P<svc>superior vena cava|svc)|(?P<ivc>inferior vena cava|ivc)|(?P<pelvis>pelvis|pouch of douglas))"
)


def _catheter(page: Page, deed: Deed, *, placed: bool) -> dict[str, Any]:
    access = deed.access
    assert access is not None
    kind = AccessKind(access.kind) if access.kind in CATHETERS and access.kind != "catheter" else None
    found: dict[str, Any] = {"vein": _vein(access.vein), "side": _side(access.side)}
    if kind is AccessKind.PERITONEAL:
        found = {"exit_side": _exit_side(page)}
    found["access_kind" if placed else "to_kind"] = kind
    found["calibre_fr"], found["length_cm"] = _size_of_catheter(page)
    tip = tip_of(page)
    if tip is not None:
        found["tip"] = tip[0]
    found["reason"] = _reason_of_catheter(page, removed=False)
    if placed:
        lumens = re.search(r"\b(double|dual|twin|two|triple|three|single)[\s-]lumen", page.low)
        if lumens:
            found["lumens"] = {"single": 1, "triple": 3, "three": 3}.get(lumens[1], 2)
        if (
            kind is AccessKind.PERITONEAL
            and re.search(r"\bburied\b(?! in the fascia)|embedded", page.low)
            and re.search(r"buried (?:catheter|subcut)|catheter (?:was )?buried|embedded", page.low)
        ):
            found["peritoneal_start"] = PeritonealStart.BURIED
    return found


_TIP_PLACES = {
    "cavo": TipPlace.CAVOATRIAL,
    "ra": TipPlace.RIGHT_ATRIUM,
    "svc": TipPlace.SUPERIOR_CAVA,
    "ivc": TipPlace.INFERIOR_CAVA,
    "pelvis": TipPlace.PELVIS,
}


def tip_of(page: Page) -> tuple[TipPlace, Cite] | None:
    """Where the text says that the tip of a catheter lies."""
    tip = _TIP.search(page.low)
    if tip is None or re.search(r"out of|migrat|not in", tip.group()):
        return None
    place = next(place for name, place in _TIP_PLACES.items() if tip[name])
    return place, Cite(start=tip.start(), end=tip.end())


def _size_of_catheter(page: Page) -> tuple[Measured | None, Measured | None]:
    calibre = length = None
    for one in page.quantities:
        around = page.low[max(0, one.start - 45) : one.end + 60]
        if re.search(r"sheath|dilator|needle|foley|tube\b", page.low[one.end : one.end + 18]):
            continue
        if (
            one.unit == "fr"
            and calibre is None
            and one.first.at_least is not None
            and one.first.at_least >= 9
            and re.search(r"catheter|line|lumen|cuff|tdc|perm|cm|device", around)
        ):
            calibre = one.first
        if (
            length is None
            and one.unit == "mm"
            and re.search(r"catheter|tip|cuff|line|lumen|hub|fr\b|french|\df\b", around)
        ):
            length = _in_cm(one.first)
        if length is None and one.unit == "size":
            length = _in_cm(one.second)
    return calibre, length


def _in_cm(length_mm: Measured | None) -> Measured | None:
    """A catheter's length in the centimetres in which it is said; None for what is no length of a catheter."""
    if length_mm is None or length_mm.value is None or not 100 <= float(length_mm.value) <= 600:
        return None
    digits = length_mm.value
    if "." in digits:
        return None
    return Measured(value=digits[:-1] if digits.endswith("0") else f"{digits[:-1]}.{digits[-1]}")


def _form_of_exchange(page: Page) -> ExchangeForm | None:
    new_tunnel = re.search(r"new (?:tunnel|exit|subcutaneous tunnel)", page.low)
    wire = re.search(
        r"over (?:a |the |stiff |an )*(?:\w+ )?(?:guide\s?)?wire|guide\s?wire exchange|wired|over[\s-]the[\s-]wire",
        page.low,
    )
    if new_tunnel and wire:
        return ExchangeForm.NEW_EXIT
    if wire:
        return ExchangeForm.OVER_WIRE
    return None


def _reason_of_catheter(page: Page, *, removed: bool) -> CatheterReason | None:
    roles = ("indication", "diagnosis", "title", "opening", "narrative", "impression")
    for said in _reasons(page, "line", roles):
        reason = CatheterReason(said)
        if removed or reason is not CatheterReason.NO_LONGER_NEEDED:
            return reason
    return None


_NOT_SO = re.compile(r"\b(?:no|not|without|denies|negative for)\s+(?:\w+\s+){0,2}$")


def _reasons(page: Page, name: str, roles: Container[str] | None = None) -> list[str]:
    """The reasons of a kind that the text gives and does not deny, the weightiest first: in the order of the table."""
    order = {row.phrase: place for place, row in enumerate(rows_of("context"))}
    found = []
    for one in page.spoken("reason"):
        said = one.get(name)
        index = page.parts.index_at(one.start)
        if said is None or index is None or (roles is not None and page.sentence(index).role not in roles):
            continue
        if _NOT_SO.search(page.low, max(0, one.start - 24), one.start):
            continue
        found.append((order[one.row.phrase], one.start, said))
    return [said for _, _, said in sorted(found)]


def _whole(page: Page) -> bool | None:
    if re.search(
        r"removed (?:intact|in toto|whole|complete|in its entirety)|in toto|tip intact|intact catheter|catheter intact",
        page.low,
    ):
        return True
    return None


def _exit_side(page: Page) -> Side | None:
    found = re.search(r"exit(?:\s*-?\s*site)?[^.;]{0,30}?\b(left|right|l|r)\b", page.low)
    if found:
        return Side.LEFT if found[1].startswith("l") else Side.RIGHT
    return None


# --- Clot, ends ---------------------------------------------------------------------------------------------------


def _clot_methods(page: Page) -> tuple[ThrombectomyMethod, ...]:
    found = [ThrombectomyMethod.SURGICAL] if page.is_open else []
    for one in page.spoken("method"):
        index = page.parts.index_at(one.start)
        if index is None or page.sentence(index).role in ("past", "indication", "plan", "consent", "aside"):
            continue
        method = ThrombectomyMethod(one.get("method") or "")
        if method not in found:
            found.append(method)
    return tuple(found)


def _clot_success(page: Page, deed: Deed) -> bool | None:
    if any(one.scope.what == "given-up" for one in deed.against) or re.search(
        (
            r"(?:could not be|unable to be|not) (?:re)?opened|re-?thrombosed|no flow (?:could|was)"
            r"|unsuccessful|thrombectomy failed|failed thrombectomy"
        ),
        page.low,
    ):
        return False
    if re.search(
        (
            r"(?:good|strong|excellent|brisk|palpable|restored|continuous) (?:\w+ )?(?:thrill|flow"
            r"|pulse)|thrill (?:restored|present|at|\+|ok)|flow (?:was )?(?:restored"
            r"|re-?established)|successful|brisk flow|good thrill|thrill"
        ),
        page.low,
    ):
        return True
    return None


def _reason_of_end(page: Page) -> AbandonmentReason | None:
    said = _reasons(page, "end")
    return AbandonmentReason(said[0]) if said else None


def angiogram_details(page: Page) -> dict[str, Any]:
    """What an angiogram, or another look, tells of the central veins."""
    central = None
    for thing in page.things:
        if thing.cls != "central" and thing.get("place") not in (
            "subclavian-vein",
            "brachiocephalic-vein",
            "superior-vena-cava",
        ):
            continue
        if page.role(thing) not in ("findings", "technique", "narrative", "impression", "opening"):
            continue
        sentence = page.sentence(thing.sentence)
        text = page.low[sentence.start : sentence.end]
        if re.search(r"not (?:imaged|seen|visuali[sz]ed|evaluated|studied)", text):
            central = CentralVeins.NOT_SEEN
            break
        if re.search(r"occlu", text) and not re.search(r"no (?:\w+ )*occlu", text):
            central = CentralVeins.OCCLUDED
            break
        if re.search(r"steno|narrow", text) and not re.search(
            r"(?:no|without)\s+(?:\w+ ){0,3}(?:steno|narrow|obstruct)", text
        ):
            if thing.cls != "central" and central is None:
                central = CentralVeins.STENOSED
        elif (
            re.search(r"patent|normal|no (?:\w+ )*(?:obstruction|stenosis)|unremarkable|clear", text)
            and central is None
        ):
            central = CentralVeins.PATENT
    return {"central_veins": central} if central is not None else {}


# --- The visit ----------------------------------------------------------------------------------------------------


def visit_of(page: Page, outcome: Outcome) -> tuple[dict[str, Any], list[Cite]]:
    """How the visit went, and where the text says so."""
    cites: list[Cite] = []
    found: dict[str, Any] = {"outcome": outcome}
    low = page.low
    sedation = _sedation(page, cites)
    if sedation is not None:
        found["sedation"] = sedation
    contrast = re.search(r"\bco2\b|carbon dioxide", low)
    if contrast and "angiogra" in low:
        found["contrast"] = Contrast.CARBON_DIOXIDE
    for one in page.quantities:
        before = low[max(0, one.start - 40) : one.start]
        if one.unit == "ml" and "contrast_ml" not in found and _is_of_contrast(page, one):
            found["contrast_ml"] = one.first
            found.setdefault("contrast", Contrast.IODINATED)
            cites.append(Cite(start=one.start, end=one.end))
        elif one.unit == "min" and re.search(r"fluoro\w*(?:\s+time)?[^.;]{0,16}$", before):
            found["fluoroscopy_min"] = one.first
            cites.append(Cite(start=one.start, end=one.end))
    sheaths = [
        one
        for one in page.quantities
        if one.unit == "fr" and re.match(r"\s*(?:\w+\s+){0,2}sheath", low[one.end : one.end + 30])
    ]
    if sheaths:
        found["sheath_fr"] = tuple(_unlike(one.first for one in sheaths))
    drugs = _drugs(page)
    if drugs:
        found["drugs"] = drugs
    complications = _complications(page, cites)
    if complications:
        found["complications"] = complications
    places = _sheath_places(page, cites)
    if places:
        found["sheath_places"] = places
    operator = _operator(page)
    if operator is not None:
        found["operator"] = operator
    reason = _reason_of_visit(page)
    if reason is not None:
        found["reasons"] = (reason,)
    return found, cites


_TITLE_AND_NAME = (
    r"(?:Dr|Mr|Mrs|Ms|Miss|Prof|Professor|DR|MR|MS)\.?\s+(?:[A-Z]\.?\s+)?[A-Z][\w'’-]+(?:\s+[A-Z][\w'’-]+)?"
)
_OPERATOR_TOLD = (
    re.compile(rf"\b(?i:performed|done|carried out|undertaken|operated)\s+(?i:by)\s*:?\s+(?P<who>{_TITLE_AND_NAME})"),
    re.compile(
        rf"\b(?i:surgeon|operator|operating surgeon|radiologist|interventionalist|proceduralist)\s*[-–=,:]?\s*"
        rf"(?P<who>{_TITLE_AND_NAME})"
    ),
    re.compile(rf"(?P<who>{_TITLE_AND_NAME})\s*[,(]\s*(?i:operator|surgeon|operating surgeon|proceduralist)\b"),
    re.compile(
        r"\b(?i:performed|done|carried out)\s+(?i:by)\s+(?P<who>[A-Z][\w'’-]+(?:\s+[A-Z]\.)?(?:\s+[A-Z][\w'’-]+)?,"
        r"\s+(?:MD|M\.D\.|DO|FRCS|FRCR|MBBS))"
    ),
)


def _operator(page: Page) -> Cite | None:
    """Who did it: under a heading of their own, or told beside the deed in one of the ways in which people say it."""
    heading = next(
        (
            one
            for one in page.parts.headings
            if one[2] == "people"
            and re.match(r"surgeons?|operators?|radiologist|performed by", page.low[one[0] : one[1]])
        ),
        None,
    )
    if heading is not None:
        index = next((index for index, one in enumerate(page.parts.sentences) if one.start >= heading[1]), None)
        if index is not None and page.sentence(index).role == "people":
            sentence = page.sentence(index)
            return Cite(start=sentence.start, end=sentence.end)
    for pattern in _OPERATOR_TOLD:
        for said in pattern.finditer(page.text):
            index = page.parts.index_at(said.start("who"))
            if index is None or page.sentence(index).role in ("past", "indication", "plan", "consent"):
                continue
            # "It was performed by": what it was stands in another sentence, and can be of another year.
            of_another = re.search(
                r"\b(?:it|that|which|this) (?:had been |has been |was )?$", page.low[: said.start()][-20:]
            )
            if of_another is None and page.said(said.start(), said.end(), index).is_now:
                return Cite(start=said.start("who"), end=said.end("who"))
    return None


_HOLES = frozenset(
    place
    for place in LesionPlace
    if place
    not in (
        LesionPlace.SUBCLAVIAN_VEIN,
        LesionPlace.BRACHIOCEPHALIC_VEIN,
        LesionPlace.SUPERIOR_CAVA,
        LesionPlace.INFERIOR_CAVA,
        LesionPlace.ILIAC_VEIN,
        LesionPlace.CATHETER_TIP,
    )
)
_SHEATH_IN = re.compile(
    r"\bsheaths?\b(?:\s+(?:was|were|is|being|then|also|has been))*"
    r"\s*(?:placed|inserted|introduced|positioned|sited)?\s*(?:in|into|at|near|within)\s+(?:the\s+|a\s+|its\s+)?(?:[\w-]+\s+){0,2}$"
)
_PUNCTURED = re.compile(r"^[^.;,]{0,24}\b(?:was|were)\s+(?:\w+\s+){0,2}(?:punctured|accessed|cannulated|entered)\b")
_PUNCTURE_OF = re.compile(
    r"\b(?:puncture|access) (?:of|in|into|at|was (?:gained|obtained) (?:in|into|at|through|via))"
    r"\s+(?:the\s+)?(?:[\w-]+\s+){0,2}$"
)


def _sheath_places(page: Page, cites: list[Cite]) -> tuple[LesionPlace, ...]:
    """Where the sheaths went in: named behind the sheath, or as what was punctured for one."""
    found: list[LesionPlace] = []
    low = page.low
    if "sheath" not in low:
        return ()
    for thing in page.things:
        said = thing.get("place")
        if said is None or LesionPlace(said) not in _HOLES:
            continue
        if page.role(thing) not in ("technique", "findings", "narrative", "opening", "title", "access"):
            continue
        sentence = page.sentence(thing.sentence)
        before, after = low[sentence.start : thing.start], low[thing.end : sentence.end]
        behind = low[sentence.end : sentence.end + 160]
        holed = _SHEATH_IN.search(before) or (
            (_PUNCTURED.match(after) or _PUNCTURE_OF.search(before)) and ("sheath" in after or "sheath" in behind)
        )
        if not holed or not page.said(thing.start, thing.end, thing.sentence).is_now:
            continue
        if LesionPlace(said) not in found:
            found.append(LesionPlace(said))
            cites.append(Cite(start=thing.start, end=thing.end))
    return tuple(found)


def across_needle_zone(page: Page) -> tuple[bool, Cite] | None:
    """Whether the text says of its stent that it lies across the segment that is needled."""
    for said in _ACROSS.finditer(page.low):
        index = page.parts.index_at(said.start())
        if index is None or page.sentence(index).role not in (
            "technique",
            "findings",
            "narrative",
            "impression",
            "opening",
        ):
            continue
        scope = page.said(said.start("zone"), said.end("zone"), index)
        if scope.what in ("past", "planned", "risk"):
            continue
        spared = scope.what == "denied" or _SPARED.search(said.group()) is not None
        return not spared, Cite(start=said.start(), end=said.end())
    return None


_ACROSS = re.compile(
    r"\bstents?\b[^.;\n]{0,90}?\b(?:across|over|cover(?:s|ed|ing)?|into|within|in|through|cross(?:es|ed|ing)?|includ(?:es|ed|ing)"
    r"|spar(?:es|ed|ing)|outside|short of|away from|central to|avoid(?:s|ed|ing)?)\s+(?:the\s+|a\s+|part of the\s+)*"
    r"(?P<zone>(?:venous |arterial )?(?:cannulation|needling|needle|puncture)\s+(?:zone|segment|area|site)s?)"
)
_SPARED = re.compile(r"\b(?:not|spar\w+|outside|short of|away from|central to|avoid\w*|without)\b")
_SIDE_VEIN = re.compile(
    r"\bstents?\b[^.;\n]{0,90}?\b(?:across|over|cover(?:s|ed|ing)?|jail(?:s|ed|ing)?|cross(?:es|ed|ing)?)\s+(?:the\s+|a\s+)*"
    r"(?:(?:ostium|origin|mouth|inflow|confluence) of (?:the )?)?"
    r"(?:basilic|axillary|brachial|cephalic|internal jugular|jugular|side|accessory|contralateral|azygos)"
    r"\s*(?:vein|branch|tributary)?"
)


def across_side_vein(page: Page) -> Cite | None:
    """Where the text says that a stent lies over the mouth of another vein; words, since no field holds it."""
    for said in _SIDE_VEIN.finditer(page.low):
        index = page.parts.index_at(said.start())
        if index is None or page.sentence(index).role not in (
            "technique",
            "findings",
            "narrative",
            "impression",
            "opening",
        ):
            continue
        if re.search(r"\b(?:stenosis|lesion|narrowing|occlusion|recoil)\b", said.group()) or _SPARED.search(
            said.group()
        ):
            continue
        jailed = re.search(r"jail|ostium|origin|mouth|inflow|confluence|side|accessory|contralateral", said.group())
        if jailed and page.said(said.start(), said.end(), index).is_now:
            return Cite(start=said.start(), end=said.end())
    return None


def _is_of_contrast(page: Page, one: Quantity) -> bool:
    """Contrast is named before a volume in its sentence, or at most three words behind it."""
    for said in page.spoken("contrast"):
        if 0 <= one.start - said.end <= 30 and not re.search(r"[.;]", page.low[said.end : one.start]):
            return True
        if 0 <= said.start - one.end <= 30 and page.words_between(one.end, said.start) <= 3:
            return not re.search(r"[.;,]", page.low[one.end : said.start])
    return False


def _unlike(values: Iterable[Measured]) -> list[Measured]:
    found: list[Measured] = []
    for value in values:
        if value not in found:
            found.append(value)
    return found


_ANAESTHESIA = re.compile(r"ana?esthe|sedat|\bga\b|\bla\b|lidocaine|lignocaine|midazolam|\blocal\b|\bblock\b")


def _sedation(page: Page, cites: list[Cite]) -> Sedation | None:
    found: list[tuple[int, int, Found]] = []
    deepest = [Sedation.GENERAL, Sedation.BLOCK, Sedation.MODERATE, Sedation.LOCAL]
    for one in page.spoken("sedation"):
        index = page.parts.index_at(one.start)
        if index is None or page.sentence(index).role in ("plan", "past", "consent", "indication"):
            continue
        sentence = page.sentence(index)
        if sentence.role != "sedation" and not _ANAESTHESIA.search(page.low, sentence.start, sentence.end):
            continue
        if _NOT_SO.search(page.low, max(0, one.start - 24), one.start):
            continue
        found.append((sentence.role != "sedation", deepest.index(Sedation(one.get("kind") or "")), one))
    if not found:
        return None
    _, depth, one = min(found, key=lambda each: each[:2])
    cites.append(Cite(start=one.start, end=one.end))
    return deepest[depth]


def _drugs(page: Page) -> tuple[dict[str, Any], ...]:
    found: list[dict[str, Any]] = []
    for one in page.quantities:
        if one.unit not in ("units", "mg"):
            continue
        around = page.low[max(0, one.start - 25) : one.end + 30]
        index = page.parts.index_at(one.start)
        role = page.sentence(index).role if index is not None else ""
        if role in ("past", "indication", "plan", "aside"):
            continue
        if (
            one.unit == "units"
            and "heparin" in around
            and not re.search(r"lock|/ml|per ml|flush", page.low[max(0, one.start - 25) : one.end + 18])
        ):
            found.append(
                {"what": "heparin", "dose": one.first, "unit": "units", "words": Cite(start=one.start, end=one.end)}
            )
        elif one.unit == "mg" and _is_of_lytic(page, one):
            found.append(
                {"what": "lytic", "dose": one.first, "unit": "mg", "words": Cite(start=one.start, end=one.end)}
            )
        elif one.unit == "mg" and "protamine" in around:
            found.append(
                {"what": "protamine", "dose": one.first, "unit": "mg", "words": Cite(start=one.start, end=one.end)}
            )
    return tuple(found)


def _is_of_lytic(page: Page, one: Quantity) -> bool:
    """A lytic is named beside a dose."""
    return any(
        said.get("method") == "lytic" and -25 <= said.start - one.end <= 30 and said.end >= one.start - 25
        for said in page.spoken("method", max(0, one.start - 40), one.end + 31)
    )


_NO_COMPLICATION = re.compile(
    r"\bno (?:\w+ ){0,2}complications?\b|\bcomplications?\s*[:\-]?\s*(?:none|nil|no\b)"
    r"|without (?:\w+ )?complications?|\buncomplicated\b"
    r"|there were no (?:\w+ ){0,2}complications?"
)


def _complications(page: Page, cites: list[Cite]) -> tuple[dict[str, Any], ...]:
    found: list[dict[str, Any]] = []
    for thing in page.things:
        if thing.cls != "complication" or not page.scope(thing).is_now:
            continue
        role = page.role(thing)
        if role not in ("complications", "findings", "technique", "narrative", "impression"):
            continue
        words = page.low[max(0, thing.start - 30) : thing.end + 30]
        what = thing.get("what") or ""
        if what == "bleeding" and re.search(
            (
                r"back[\s-]?bleeding|prolonged|good bleeding|brisk bleeding|bleeding from the graft"
                r"|controlled|bleeding points"
            ),
            words,
        ):
            continue
        if what == "embolism" and "emboli" in words and "coil" in words:
            continue
        if (
            role != "complications"
            and what in ("bleeding", "haematoma", "arrhythmia", "pneumothorax")
            and not re.search(r"(?:developed|occurred|there was|noted|small|large|expanding)", words)
        ):
            continue
        if role == "indication":
            continue
        one: dict[str, Any] = {"what": ComplicationKind(what)}
        grade = re.search(
            r"\bgrade\s+(?P<g>\d|i{1,3}v?)\b|\bclass\s+(?P<c>[a-f])\b", page.low[thing.start : thing.end + 60]
        )
        if grade:
            one["grade"] = (grade["g"] or grade["c"]).upper()
            one["scale"] = Scale.SIR if grade["c"] else Scale.WORDS
        if not any(other["what"] is one["what"] for other in found):
            found.append(one)
            cites.append(Cite(start=thing.start, end=thing.end))
    if not found:
        for none in _NO_COMPLICATION.finditer(page.low):
            index = page.parts.index_at(none.start())
            role = page.sentence(index).role if index is not None else "complications"
            if role in ("past", "indication", "consent"):
                continue
            cites.append(Cite(start=none.start(), end=none.end()))
            return ({"what": ComplicationKind.NONE},)
        for index, sentence in enumerate(page.parts.sentences):
            if sentence.role == "complications" and re.match(r"none|nil|no\b", page.low[sentence.start : sentence.end]):
                cites.append(Cite(start=sentence.start, end=sentence.end))
                return ({"what": ComplicationKind.NONE},)
            if index > 400:
                break
    return tuple(found)


def _reason_of_visit(page: Page) -> Finding | None:
    said = _reasons(page, "finding", ("indication", "diagnosis"))
    return Finding(said[0]) if said else None


# --- Small helpers ------------------------------------------------------------------------------------------------


def _now(page: Page, cls: str, titled: bool = False) -> Iterable[Thing]:
    for thing in page.things:
        if (
            thing.cls == cls
            and page.role(thing) in ({"title", "opening"} if titled else _TOLD)
            and page.scope(thing).is_now
        ):
            yield thing


def _side(side: str | None) -> Side | None:
    return Side(side) if side in ("left", "right") else None


def _site(access: Meant) -> Site | None:
    return Site(access.site) if access.site else None


def _artery(name: str | None) -> Artery | None:
    return Artery(name) if name else None


def _vein(name: str | None) -> Vein | None:
    return Vein(name) if name else None


def known_by(page: Page) -> KnownBy | None:
    """How a thrombosis was known, by what the operation found."""
    if page.is_open:
        return KnownBy.SURGERY
    return KnownBy.IMAGING if page.spoken("seen") else None
