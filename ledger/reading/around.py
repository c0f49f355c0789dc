"""What a report tells beside the operation: a clot, an infection, the first needle, readiness, and afterwards.

Only what the words say of today or of what is to come is proposed. Instructions are
kept in the report's own words, with what can be read out of them; a person looks at
each, since a needle hangs on it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any

from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.reading.accesses import Meant
from ledger.reading.acts import Deed, title_is_elsewhere
from ledger.reading.details import known_by
from ledger.reading.page import Page, Thing
from ledger.reading.proposals import Cite
from ledger.reading.tables import Found, phrases_of
from ledger.vocabulary import (
    AbandonmentHow,
    CatheterFate,
    Finding,
    ImagingModality,
    InfectionClass,
    InstructionWhat,
    MaturityVerdict,
    NeedleTrouble,
    Organism,
    Urgency,
)


@dataclass
class Beside:
    """Something beside the deeds, with where it stands."""

    kind: str
    access: Meant | None
    cites: list[Cite]
    detail: dict[str, Any]
    doubts: list[str] = field(default_factory=list)
    why: str = ""
    plain: bool = False
    of_visit: bool = True
    happened: PartialDate | None = None  # where it is another day than that of the text


def beside_of(
    page: Page, deeds: list[Deed], accesses: list[Meant], main: Meant | None, day: PartialDate | None
) -> list[Beside]:
    """What is told beside the deeds, in a fixed order of kinds."""
    if main is None:
        return []
    found = [
        *_thrombosis(page, deeds, accesses, main),
        *_infections(page, deeds, accesses, main),
        *_first_needle(page, accesses, main),
        *_maturity(page, deeds, accesses, main),
        *_given_up(page, deeds, accesses),
        *_referrals(page, main),
    ]
    if deeds or found:
        found.extend(_instructions(page, deeds, accesses, main, day))
    return found


# --- A clot -------------------------------------------------------------------------------------------------------


def _thrombosis(page: Page, deeds: list[Deed], accesses: list[Meant], main: Meant) -> list[Beside]:
    needled = [one for one in accesses if one.family == "needled"]
    treated = next((deed for deed in deeds if deed.kind == "thrombectomy"), None)
    cites: list[Cite] = []
    target = treated.access if treated else None
    for thing in page.things:
        if thing.cls not in ("clotted",) and not (thing.cls == "stenosis" and thing.get("grade") == "occluded"):
            continue
        role = page.role(thing)
        heads = [
            one
            for one in page.within(thing.sentence)
            if one.cls == "head" and page.words_between(min(one.end, thing.end), max(one.start, thing.start)) <= 6
        ]
        meant = next((access for access in needled if any(name.thing in heads for name in access.named)), None)
        if meant is None or (target is not None and meant is not target):
            continue
        scope = page.scope(thing)
        if scope.what in ("denied", "risk", "planned", "given-up") or (scope.cue is not None and scope.what == "past"):
            continue
        if role not in (
            "title",
            "diagnosis",
            "indication",
            "findings",
            "technique",
            "narrative",
            "opening",
            "impression",
        ):
            continue
        if role in ("indication",) and treated is None:
            continue
        if thing.cls == "stenosis" and treated is None:
            continue
        if treated is None and page.is_clinic:
            continue
        target = target or meant
        cites.append(Cite(start=thing.start, end=thing.end))
    if treated is not None and treated.access is not None and treated.access.family == "needled":
        if not cites:
            cites = [Cite(start=one.start, end=one.end) for one in treated.evidence[:1]]
    elif not cites or any(deed.kind == "abandonment" for deed in deeds) or not _clot_is_today(page):
        return []
    detail = {name: value for name, value in {"known_by": known_by(page)}.items() if value is not None}
    return [
        Beside(
            "thrombosis",
            target or main,
            cites[:2],
            detail,
            ["the day is the one on which the clot was dealt with or told, not the one on which the access clotted"],
            "the report is about a clotted access",
        )
    ]


def _clot_is_today(page: Page) -> bool:
    return not page.is_clinic and bool(
        re.search(r"\b(?:today|this morning|no thrill|last night|overnight|presents with|found)\b", page.low)
    )


# --- Infection ----------------------------------------------------------------------------------------------------

_NOT_INFECTED = re.compile(r"\b(?:no|not|without|denies|negative for|free of|rule out|r/o|\?)\s*(?:\w+\s+){0,4}$")


def _infections(page: Page, deeds: list[Deed], accesses: list[Meant], main: Meant) -> list[Beside]:
    found: dict[str, Beside] = {}
    if not deeds and title_is_elsewhere(page):
        return []
    about_this = bool(deeds)
    exit_pus = re.search(
        r"exit[\s-]?site[^.;\n]{0,40}\b(?:red|pus|purulen\w*|erythema\w*|infected|discharg\w*|inflamed)\b", page.low
    )
    things: list[tuple[int, int, str]] = []
    for thing in page.things:
        if thing.cls != "infection":
            continue
        scope = page.scope(thing)
        if scope.what in ("denied", "risk", "planned", "past") and not (
            scope.what == "past" and scope.cue is None and page.role(thing) == "indication"
        ):
            continue
        if _NOT_INFECTED.search(page.low[max(0, thing.start - 40) : thing.start]):
            continue
        if page.role(thing) in ("consent", "past", "plan", "aside", "exam"):
            continue
        kind = thing.get("class") or "access"
        if (
            kind == "access"
            and main.family == "catheter"
            and not re.search(r"(?:graft|fistula)", page.low[thing.start : thing.end + 30])
        ):
            kind = "tunnel" if re.search(r"tunnel", page.low[thing.start : thing.end + 20]) else ""
            if not kind:
                continue
        if kind == "access" and not any(
            one.cls == "head" and page.words_between(min(one.end, thing.end), max(one.start, thing.start)) <= 6
            for one in page.within(thing.sentence)
        ):
            continue
        things.append((thing.start, thing.end, kind))
        told_here = page.role(thing) in ("title", "opening", "diagnosis", "narrative", "impression")
        about_this = about_this or (told_here and not page.is_clinic)
    if (
        exit_pus
        and not _NOT_INFECTED.search(page.low[max(0, exit_pus.start(0) - 25) : exit_pus.start()])
        and not re.search(r"\bno\b|\bnot\b|without", exit_pus.group())
    ):
        things.append((exit_pus.start(), exit_pus.end(), "exit-site"))
        about_this = about_this or main.family == "catheter"
    if not about_this:
        return []
    for start, end, kind in things:
        if kind == "peritonitis" and main.kind != "peritoneal-catheter":
            continue
        if kind in found:
            if len(found[kind].cites) < 2:
                found[kind].cites.append(Cite(start=start, end=end))
            continue
        detail: dict[str, Any] = {"infection_class": InfectionClass(kind)}
        organism = next(
            (
                one
                for one in page.things
                if one.cls == "organism" and page.scope(one).what not in ("denied", "past", "risk")
            ),
            None,
        )
        cites = [Cite(start=start, end=end)]
        if organism is not None:
            detail["organism"] = Organism(organism.get("organism") or "")
            cites.append(Cite(start=organism.start, end=organism.end))
        if main.family == "catheter":
            if any(deed.kind == "catheter-removed" for deed in deeds):
                detail["catheter_fate"] = CatheterFate.REMOVED
            elif any(deed.kind == "catheter-exchanged" for deed in deeds):
                detail["catheter_fate"] = CatheterFate.EXCHANGED
        found[kind] = Beside(
            "infection",
            main,
            cites,
            detail,
            ["the onset is not told; the day is that of the report"],
            "the report says that the access is infected",
        )
    return list(found.values())


# --- The first needle, and readiness ------------------------------------------------------------------------------


def _first_needle(page: Page, accesses: list[Meant], main: Meant) -> list[Beside]:
    for thing in page.things:
        if thing.cls != "firstuse":
            continue
        scope = page.scope(thing, noun=False)
        if scope.what in ("denied", "planned", "risk", "given-up"):
            continue
        if scope.what == "past" and page.role(thing) in ("past", "indication", "plan", "consent"):
            continue
        if scope.what == "past" and scope.cue is not None and not _same_sentence_day(page, thing):
            continue
        before = page.low[page.sentence(thing.sentence).start : thing.end + 12]
        if re.search(r"\b(?:not yet|when|until|before)\b", before):
            continue
        access = _needled_near(page, thing, accesses) or (main if main.family != "catheter" else None)
        if access is None:
            continue
        sentence = page.sentence(thing.sentence)
        stretch = (sentence.start, min(len(page.low), sentence.end + 120))
        detail: dict[str, Any] = {}
        gauge = next((one for one in page.quantities_in(*stretch) if one.unit == "gauge"), None)
        cites = [Cite(start=thing.start, end=thing.end)]
        if gauge is not None and gauge.first.value:
            detail["gauge"] = int(gauge.first.value)
            cites.append(Cite(start=gauge.start, end=gauge.end))
        needles = re.search(
            (
                r"\b(?:2|two)\s*(?:x\s*)?(?:1[4-7]\s*(?:g|gauge)?\s*)?(?:needles?|x)|\b(2"
                r"|two)\s*x\s*1[4-7]|\btwo\s+1[4-7]\s*(?:g|gauge)"
            ),
            page.low[stretch[0] : stretch[1]],
        )
        if needles:
            detail["needles"] = 2
        elif re.search(r"\bone needle\b|single needle", page.low[stretch[0] : stretch[1]]):
            detail["needles"] = 1
        flow = re.search(
            r"(?:qb|pump speed|bfr|blood flow|pump)\s*(?:of|at|rate)?\s*(\d{2,3})\b", page.low[stretch[0] : stretch[1]]
        )
        if flow:
            detail["blood_flow_ml_min"] = Measured(value=flow[1])
            cites.append(Cite(start=stretch[0] + flow.start(), end=stretch[0] + flow.end()))
        if re.search(
            r"no infiltration|without infiltration|no problems|no trouble|without (?:problem|difficult)", page.low
        ):
            detail["trouble"] = NeedleTrouble.NONE
        elif re.search(r"infiltrat", page.low):
            detail["trouble"] = NeedleTrouble.INFILTRATION
        return [
            Beside(
                "first-cannulation",
                access,
                cites,
                detail,
                [],
                "the text says that it was the first needle",
                plain=True,
                of_visit=False,
            )
        ]
    return []


def _same_sentence_day(page: Page, thing: Thing) -> bool:
    sentence = page.sentence(thing.sentence)
    return page.day is not None and sentence.start <= page.day.start < sentence.end


def _needled_near(page: Page, thing: Thing, accesses: list[Meant]) -> Meant | None:
    needled = [one for one in accesses if one.family == "needled"]
    if not needled:
        return None
    return min(needled, key=lambda one: min(abs(name.start - thing.start) for name in one.named))


_OF_A_LINE = re.compile(r"\b(?:catheter|line|port|picc|device|tube|drain)\b[^.;]{0,24}$")


def _maturity(page: Page, deeds: list[Deed], accesses: list[Meant], main: Meant) -> list[Beside]:
    for thing in page.things:
        if thing.cls != "mature" or page.is_questioned(thing):
            continue
        role = page.role(thing)
        scope = page.scope(thing, noun=False)
        verdict = thing.get("verdict")
        if scope.what == "denied" and verdict == "ready":
            verdict = "not-ready"
        elif not scope.is_now:
            continue
        if role in ("indication", "past", "consent", "plan", "exam"):
            continue
        if _OF_A_LINE.search(page.low, page.sentence(thing.sentence).start, thing.start):
            continue
        access = _needled_near(page, thing, accesses)
        if access is None or (
            deeds
            and any(
                deed.kind
                in (
                    "creation",
                    "catheter-placed",
                    "catheter-exchanged",
                    "catheter-removed",
                    "abandonment",
                    "second-stage",
                )
                for deed in deeds
            )
        ):
            continue
        detail: dict[str, Any] = {"verdict": MaturityVerdict(verdict or "ready")}
        cites = [Cite(start=thing.start, end=thing.end)]
        for one in page.quantities:
            before = page.low[max(0, one.start - 22) : one.start]
            if one.unit == "mm" and re.search(r"diam\w*\W*$", before):
                detail.setdefault("diameter_mm", one.first)
            elif one.unit == "mm" and re.search(r"depth\W*$", before):
                detail.setdefault("depth_mm", one.first)
            elif one.unit == "ml_min" and re.search(r"flow\W*(?:of\W*)?$", before):
                detail.setdefault("flow_ml_min", one.first)
        if not ({"diameter_mm", "flow_ml_min", "depth_mm"} & set(detail)) and deeds:
            continue
        if not ({"diameter_mm", "flow_ml_min", "depth_mm"} & set(detail)) and not re.search(
            r"exam|assess|palpa|thrill|check|clinic", page.low
        ):
            continue
        return [
            Beside(
                "maturity-assessed", access, cites, detail, [], "the text judges whether it is ready", of_visit=False
            )
        ]
    return []


# --- Given up, and sent on ----------------------------------------------------------------------------------------

_NO_LONGER = re.compile(
    r"(?:no longer (?:salvageable|usable)|not salvageable|unsalvageable|(?:access|graft"
    r"|fistula)\s+(?:is|was|has been|considered|deemed|declared"
    r"|now)?\s*(?:\w+\s)?abandoned|abandon(?:ed)? (?:the |this )?(?:access|graft|fistula))"
)


_TRIED = re.compile(r"\b(?:attempt\w*|tried)\b")


def _given_up(page: Page, deeds: list[Deed], accesses: list[Meant]) -> list[Beside]:
    if any(deed.kind == "abandonment" for deed in deeds):
        return []
    needled = [one for one in accesses if one.family == "needled"]
    for hit in _NO_LONGER.finditer(page.low):
        index = page.parts.index_at(hit.start())
        if index is None or page.sentence(index).role in (
            "past",
            "indication",
            "consent",
            "access",
            "exam",
            "diagnosis",
        ):
            continue
        scope = page.scope_of(hit.start(), hit.end(), index, noun=False)
        if not scope.is_now or page.is_clinic or not needled:
            continue
        if _TRIED.search(page.low, page.sentence(index).start, hit.start()):
            # "A line was attempted for access, then abandoned": the attempt was.
            continue
        access = min(needled, key=lambda one: min(abs(name.start - hit.start()) for name in one.named))
        return [
            Beside(
                "abandonment",
                access,
                [Cite(start=hit.start(), end=hit.end())],
                {"how": AbandonmentHow.GIVEN_UP},
                ["given up in words, not by an operation"],
                "the report says that the access is given up",
            )
        ]
    return []


_REFERRAL = re.compile(
    r"\b(?:referred?|refer|will refer|referral(?: made)?|sent"
    r"|send)\s+(?:urgently\s+)?(?:to|back to|for)?\s*(?:the\s+|a\s+)?(?:access (?:centre"
    r"|center)|vascular(?: access)?(?: surge\w+| team| clinic| nurse)?|surge\w+|surgical"
    r"|interventional|ir\b|radiology|for (?:surgical|declot|fistulogram|angiogram"
    r"|new access|vein mapping))"
)


def _referrals(page: Page, main: Meant) -> list[Beside]:
    for hit in _REFERRAL.finditer(page.low):
        index = page.parts.index_at(hit.start())
        if index is None:
            continue
        sentence = page.sentence(index)
        if sentence.role in ("indication", "past", "consent", "diagnosis", "aside", "people", "header", "exam"):
            continue
        before = page.low[max(sentence.start, hit.start() - 40) : hit.start()]
        if page.is_clinic or re.search(
            (
                r"\b(?:was|were|who was|been|if|should|would|grateful|consider\w*|thank you for"
                r"|reason for)\s+(?:\w+\s+){0,2}$"
            ),
            before,
        ):
            continue
        text = page.low[sentence.start : sentence.end]
        urgency = Urgency.TODAY if re.search(r"\burgent|emergen|today|stat\b", text) else None
        why = []
        if re.search(r"declot|clot|thrombos|no thrill", text + page.low[max(0, sentence.start - 160) : sentence.start]):
            why.append(Finding.THROMBOSED if re.search(r"declot|clot|thrombos", text) else Finding.NO_THRILL)
        if re.search(r"new access|new fistula|creation", text):
            why.append(Finding.NEW_ACCESS)
        detail = {name: value for name, value in {"urgency": urgency, "why": tuple(why)}.items() if value}
        return [
            Beside(
                "referral",
                main,
                [Cite(start=sentence.start, end=sentence.end)],
                detail,
                [],
                "the report asks somebody for something",
                of_visit=False,
            )
        ]
    return []


# --- Afterwards ---------------------------------------------------------------------------------------------------

_NUMBER = {
    "one": 1,
    "two": 2,
    "three": 3,
    "four": 4,
    "five": 5,
    "six": 6,
    "seven": 7,
    "eight": 8,
    "ten": 10,
    "a": 1,
    "twelve": 12,
}
_IN = re.compile(
    r"\b(?:in|after|for|at|until|within|x)?\s*(?P<n>\d{1,2}|one|two|three|four|five|six"
    r"|seven|eight|ten|twelve|a)(?:\s*(?:-|–|to)\s*(?P<m>\d{1,2}|one|two|three|four"
    r"|six))?\s*(?P<u>hours?|hrs?|h|days?|d|weeks?|wks?|wk|months?|mths?|/7|/52|/12)\b"
)
_STRONG_ROLES = frozenset({"plan", "impression", "technique", "narrative", "opening", "findings", "complications"})
_WEAK_USES = re.compile(
    r"^(?:needle|stick|use in|use from|use after|cannulate|dress|duplex|aspirin"
    r"|clopidogrel|plavix|antiplatelet|usable|follow up|f/u|followup|ready for use|mature)$"
)


_ASKS_FOR_IT = re.compile(
    r"\b(?:continue|keep|use|should|must|may|can|please|to be|until|meanwhile|for now|next|will|pending)\b"
)


def _instructions(
    page: Page, deeds: list[Deed], accesses: list[Meant], main: Meant, day: PartialDate | None
) -> list[Beside]:
    found: dict[tuple[InstructionWhat, int], Beside] = {}
    last = max((one.end for deed in deeds for one in deed.evidence), default=0)
    for hit in phrases_of("afterwards").find(page.low):
        index = page.parts.index_at(hit.start)
        role = None
        if index is None:
            continue
        sentence = page.sentence(index)
        role = sentence.role
        if role not in _STRONG_ROLES:
            continue
        words = page.low[hit.start : hit.end]
        text = page.low[sentence.start : sentence.end]
        if (
            _WEAK_USES.match(" ".join(words.split()))
            and role != "plan"
            and not (hit.start - sentence.start <= 3 and sentence.start > last)
        ):
            continue
        if not _is_instruction(page, hit, index, role, text):
            continue
        what = InstructionWhat(hit.get("what") or "other")
        if (
            what is InstructionWhat.DIALYSE_BY_CATHETER
            and not deeds
            and role != "plan"
            and not _ASKS_FOR_IT.search(text)
        ):
            # "HD via R IJ line": how somebody is dialysed, in a text that tells of nothing done.
            continue
        key = (what, index)
        if key in found:
            continue
        if what is InstructionWhat.USABLE and any(
            other[0] is InstructionWhat.NOT_TO_NEEDLE and other[1] == index for other in found
        ):
            continue
        detail = _instruction(page, what, sentence.start, sentence.end, day, hit)
        cite = Cite(start=sentence.start, end=sentence.end)
        access = _access_of_instruction(page, index, what, deeds, accesses, main)
        found[key] = Beside(
            "instruction",
            access,
            [cite],
            {"what": what, **detail, "words": cite},
            ["an instruction on use is read by a person before it counts"]
            if what in (InstructionWhat.USABLE, InstructionWhat.NOT_TO_NEEDLE, InstructionWhat.DIALYSE_BY_CATHETER)
            else [],
            "the report says what is to be done afterwards",
        )
    return list(found.values())


def _names_a_suture(words: str) -> bool:
    return words.startswith(("sut", "sti", "nyl", "sil", "cli", "pur", "sta", "mon"))


def _is_instruction(page: Page, hit: Found, index: int, role: str, text: str) -> bool:
    before = page.low[max(page.sentence(index).start, hit.start - 40) : hit.start]
    if re.search(r"\b(?:if|should the|unless)\b", before):
        return False
    told_as_done = re.search(r"\b(?:was|were|had been|has been|been)\s+(?:\w+\s+){0,2}$", before)
    if told_as_done and hit.get("what") != "may-be-used" and not _names_a_suture(page.low[hit.start : hit.end]):
        return False
    what = hit.get("what")
    if (
        what == "may-be-used"
        and role not in ("plan", "impression")
        and not re.search(r"may|can|ok|okay|ready|available|resume|use|usable|safe", page.low[hit.start : hit.end])
    ):
        return False
    if what == "may-be-used" and re.search(
        r"not yet ready|not ready|never|no longer|is not yet\s*$|not\s+(?:\w+\s+)?$",
        before + page.low[hit.start : hit.end],
    ):
        return False
    if (
        what == "next-test"
        and role not in ("plan",)
        and not re.search(r"repeat|surveillance|follow", page.low[hit.start : hit.end])
    ):
        return False
    if what == "dialyse-by-catheter" and re.search(
        r"\b(?:currently|has been|was|is|dialyzing|who|been|on)\s+(?:\w+\s+){0,1}$", before
    ):
        return False
    return not (
        what in ("follow-up", "dressing")
        and role not in ("plan", "impression")
        and not re.search(r"\d|week|month|day|clinic|office|/7|/52", text)
    )


_BY_WHOM = re.compile(
    r"\b(?:by|at|with|via)\s+(?:(?:the|a|an|his|her|their|your|own)\s+)*(?P<who>(?:(?:practice|district|community|dialysis"
    r"|unit|access|renal|home|outpatient|vascular|clinic|haemodialysis|hemodialysis|local|hd|wound|treatment|care)\s+)*"
    r"(?:nurses?|gp|general practitioner|family doctor|surgeon|surgery|centre|center|unit|clinic|team|staff|office))\b"
)
_TO_DO_IT = re.compile(
    r"\b(?P<who>(?:(?:practice|district|community|dialysis|access|renal|hd|home)\s+)*(?:nurses?|gp|unit|centre|center|team))"
    r"\s+(?:to|will|please)\s+(?:remove|take out)"
)


def _by_whom(page: Page, start: int, end: int) -> Cite | None:
    """Who is to take the sutures out, in the report's words."""
    said = _TO_DO_IT.search(page.low, start, end) or _BY_WHOM.search(page.low, start, end)
    return Cite(start=said.start("who"), end=said.end("who")) if said else None


def _day_named(page: Page, start: int, end: int) -> PartialDate | None:
    """The one full date that stands in an instruction."""
    days = [one for one in page.days if start <= one.start < end and one.doubt is None and one.date.precision == "day"]
    return days[0].date if len(days) == 1 else None


def _instruction(
    page: Page, what: InstructionWhat, start: int, end: int, day: PartialDate | None, hit: Found
) -> dict[str, Any]:
    text = page.low[start:end]
    detail: dict[str, Any] = {}
    named = _day_named(page, start, end)
    when = named if named is not None and (day is None or named.earliest >= day.earliest) else day_after(text, day)
    if what is InstructionWhat.SUTURES:
        count = re.search(
            (
                r"\b(?:sutures?|stitch\w*)\s*x\s*(\d)|\b(\d|one|two|three)\s+(?:\w+\s+)?(?:sutures"
                r"|stitches|suture)\b|\bsutures?,?\s*(\d)\b"
            ),
            text,
        )
        if count:
            said = next(one for one in count.groups() if one)
            detail["sutures"] = int(said) if said.isdigit() else _NUMBER[said]
        if when is not None:
            detail["due"] = when
        who = _by_whom(page, start, end)
        if who is not None:
            detail["note"] = who
    elif what in (InstructionWhat.FOLLOW_UP, InstructionWhat.NEXT_TEST):
        if when is not None:
            detail["due"] = when
        if what is InstructionWhat.NEXT_TEST and re.search(r"duplex|ultrasound|scan", text):
            detail["test"] = ImagingModality.DUPLEX
        elif what is InstructionWhat.NEXT_TEST:
            detail["test"] = ImagingModality.FLUOROSCOPY
    elif what is InstructionWhat.USABLE:
        if when is not None:
            detail["from_day"] = when
        elif re.search(r"\btoday\b|immediate|now\b", text) and day is not None:
            detail["from_day"] = day
    elif (
        what
        in (
            InstructionWhat.NOT_TO_NEEDLE,
            InstructionWhat.REST,
            InstructionWhat.DIALYSE_BY_CATHETER,
            InstructionWhat.ANTIPLATELET,
        )
        and when is not None
    ):
        # Where one sentence tells of two drugs, the day behind the drug is its own.
        own = (
            day_after(page.low[hit.start : end], day)
            if what is InstructionWhat.ANTIPLATELET and named is None
            else when
        )
        if own is not None:
            detail["until"] = own
    gauge = re.search(r"\b(1[4-7])\s*(?:g|gauge)\b", text)
    if gauge and what in (InstructionWhat.USABLE, InstructionWhat.NOT_TO_NEEDLE):
        detail["gauge"] = int(gauge[1])
    if what is InstructionWhat.USABLE:
        needles = re.search(r"\b(one|two|1|2|single|both)\s+(?:1[4-7]\s*(?:g|gauge)\s+)?needles?\b", text)
        if needles:
            detail["needles"] = {"one": 1, "1": 1, "single": 1}.get(needles[1], 2)
        flow = re.search(
            r"\b(?:qb|bfr|blood flow|pump speed|flow)\s*(?:of|rate|at)?\s*(?:max(?:imum)?|at most|up to|no more than"
            r"|not over|<=?|≤|limited to)\s*(?:of\s*)?(\d{3})\b",
            text,
        ) or re.search(r"\bmax(?:imum)?\s+(?:qb|bfr|blood flow|pump speed|flow)\s*(?:of|rate|is|:)?\s*(\d{3})\b", text)
        if flow:
            detail["highest_blood_flow_ml_min"] = Measured(value=flow[1])
    return detail


def day_after(text: str, day: PartialDate | None) -> PartialDate | None:
    """The day that "in two weeks" means, where the day of the procedure is known; never one without it."""
    if day is None or day.precision not in ("day", "instant"):
        return None
    if re.search(r"\btomorrow\b", text):
        return PartialDate((day.earliest + timedelta(days=1)).isoformat())
    hit = _IN.search(text)
    if hit is None or hit["m"]:
        return None
    number = int(hit["n"]) if hit["n"].isdigit() else _NUMBER.get(hit["n"], 0)
    unit = hit["u"]
    if unit.startswith("h"):
        if number % 24:
            return None
        days = number // 24
    elif unit in ("/7",) or unit.startswith("d"):
        days = number
    elif unit in ("/52",) or unit.startswith("w"):
        days = number * 7
    else:
        # A month has no fixed length: only the month in which it falls can be said.
        month = day.earliest.month - 1 + number
        return PartialDate(f"{day.earliest.year + month // 12}-{month % 12 + 1:02}")
    return PartialDate((day.earliest + timedelta(days=days)).isoformat())


def _access_of_instruction(
    page: Page, index: int, what: InstructionWhat, deeds: list[Deed], accesses: list[Meant], main: Meant
) -> Meant:
    heads = [one for one in page.within(index) if one.cls == "head"]
    for head in heads:
        for access in accesses:
            if any(name.thing is head for name in access.named) and (
                access is main or any(deed.access is access for deed in deeds)
            ):
                return access
    if what is InstructionWhat.DIALYSE_BY_CATHETER:
        return main
    return main
