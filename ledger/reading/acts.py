"""What was done: from words such as "placement", "was ligated" and "fistulogram" to deeds on an access.

A deed is taken for done when the title names it and nothing takes it back, or when a
finished verb of the operation tells it. What was noticed and not taken is kept with
its reason.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from ledger.reading.accesses import CATHETERS, NEEDLED, Meant, described_beside
from ledger.reading.page import ANSWERED_YES, Page, Scope, Thing
from ledger.reading.segments import Sentence

REASONS = {
    "past": "told as history",
    "planned": "planned or conditional",
    "denied": "denied",
    "risk": "a risk or a choice that was explained",
    "given-up": "tried and given up",
    "diagnosis": "stands in the diagnosis",
    "aside": "stands in a part about something else",
    "other organ": "another organ or another device",
    "no access": "no dialysis access that it could belong to",
    "not an angioplasty": "a balloon that did not open a narrowing",
    "of the exchange": "part of placing or exchanging it",
    "of the excision": "part of ligating or excising it",
    "not told as done": "named, but not told as done",
    "branch": "a branch or a vein end, not the access",
    "another access": "about an access that was not operated on",
}


@dataclass
class Evidence:
    """One place that tells a deed. `weight`: 3 a title, 2 a finished verb, 1 a noun in the running text."""

    kind: str
    start: int
    end: int
    thing: Thing
    weight: int
    role: str
    scope: Scope
    access: Meant | None
    method: str | None = None
    how: str | None = None
    names_access: bool = False  # the words themselves name a dialysis access as what it was done to


@dataclass
class Deed:
    """Something done to an access, with all that tells it."""

    kind: str
    access: Meant | None
    evidence: list[Evidence]
    against: list[Evidence] = field(default_factory=list)
    how: str | None = None
    doubts: list[str] = field(default_factory=list)

    @property
    def in_title(self) -> bool:
        return any(one.weight == 3 for one in self.evidence)

    @property
    def is_told(self) -> bool:
        return any(one.weight == 2 for one in self.evidence)

    @property
    def methods(self) -> list[str]:
        found: list[str] = []
        for one in self.evidence:
            if one.method and one.method not in found:
                found.append(one.method)
        return found


@dataclass
class LeftOut:
    """Words that were noticed and not taken."""

    start: int
    end: int
    what: str
    reason: str


_KIND_OF = {
    ("make", "needled"): "creation",
    ("place", "needled"): "creation",
    ("place", "catheter"): "catheter-placed",
    ("remove", "catheter"): "catheter-removed",
    ("exchange", "catheter"): "catheter-exchanged",
    ("ligate", "needled"): "abandonment",
    ("excise", "needled"): "abandonment",
    ("remove", "graft"): "abandonment",
    ("revise", "needled"): "revision",
    ("elevate", "needled"): "second-stage",
    ("exchange", "graft"): "revision",
    ("abandon", "needled"): "abandonment",
    ("revise", "catheter"): "other-intervention",
    ("reposition", "catheter"): "other-intervention",
    ("bring-out", "catheter"): "other-intervention",
}
_OBJECTS = frozenset({"head", "tool", "part", "stent", "clot", "other", "vessel"})
_VASCULAR = frozenset(
    {
        "creation",
        "angiogram",
        "angioplasty",
        "stent",
        "thrombectomy",
        "banding",
        "revision",
        "second-stage",
        "abandonment",
    }
)
_CATHETER = frozenset({"catheter-placed", "catheter-removed", "catheter-exchanged"})


def deeds_of(page: Page, accesses: list[Meant]) -> tuple[list[Deed], list[LeftOut]]:
    """What was done to which access, and what was noticed and left out."""
    left_out: list[LeftOut] = []
    if not _is_about_access(page, accesses):
        for thing in page.things:
            if thing.cls == "act":
                left_out.append(LeftOut(thing.start, thing.end, thing.get("kind") or "", "no access"))
        return [], left_out
    evidence = []
    strict = title_is_elsewhere(page) or _is_only_the_way_of_dialysis(page, accesses)
    for thing in page.things:
        if thing.cls == "act":
            one = _act(page, thing, accesses, left_out, strict)
        elif thing.cls == "verb":
            one = _verb(page, thing, accesses, left_out, strict)
        else:
            continue
        if one is not None:
            evidence.append(one)
    evidence.extend(_shown_by_numbers(page, evidence))
    evidence.extend(_shown_by_the_name(page, accesses, evidence, strict))
    evidence.extend(_shown_transposed(page, accesses, evidence))
    deeds = _weighed(page, accesses, evidence, left_out)
    deeds.extend(_shown_by_contrast(page, deeds))
    if not deeds and not strict:
        deeds.extend(_branches_alone(page, accesses))
    if not deeds:
        deeds.extend(_mapped(page, accesses))
    return deeds, left_out


_POSSIBLE = re.compile(
    r"\b(?:suitable|possible|candidate|adequate for|before (?:dialysis )?access|for access planning)\b"
)


def _mapped(page: Page, accesses: list[Meant]) -> list[Deed]:
    """Veins and arteries with their calibres, and what they would be good for: a mapping that no word names."""
    if page.is_clinic or not _POSSIBLE.search(page.low) or not any(one.family == "needled" for one in accesses):
        return []
    measured = [
        thing
        for thing in page.things
        if thing.cls == "vessel"
        and (thing.get("vein") in ("cephalic", "basilic") or thing.get("artery") in ("radial", "brachial"))
        and page.said(thing.start, thing.end, thing.sentence).is_now
        and any(one.unit == "mm" for one in page.quantities_in(thing.end, thing.end + 24))
    ]
    if len(measured) < 2:
        return []
    first = measured[0]
    told = [
        Evidence("vein-mapping", one.start, one.end, one, 1, page.role(one), Scope("now"), None) for one in measured[:3]
    ]
    main = next(one for one in accesses if one.family == "needled")
    for one in told:
        one.access = main
    assert told[0].thing is first, "in the order of the text"
    return [
        Deed("vein-mapping", main, told, doubts=["no word of the text names a mapping; the calibres of vessels do"])
    ]


def _branches_alone(page: Page, accesses: list[Meant]) -> list[Deed]:
    """Where nothing else was done, tying the branches of a fistula was what was done."""
    access = _main(accesses, "needled")
    if access is None or page.is_clinic or not any(name.is_certain for name in access.named):
        return []
    for thing in page.things:
        if thing.get("do") != "ligate" or thing.get("form") == "n" or not page.scope(thing, noun=False).is_now:
            continue
        target = _object_of(page, thing)
        if target is None or target.cls != "part" or page.role(thing) not in ("opening", "narrative", "technique"):
            continue
        if re.search(r"accessory|competing|side|collateral", page.low[target.start : target.end]):
            start, end = min(thing.start, target.start), max(thing.end, target.end)
            told = Evidence("other-intervention", start, end, thing, 2, page.role(thing), Scope("now"), access)
            told.method = "side-branch-ligation"
            return [Deed("other-intervention", access, [told])]
    return []


def _shown_by_numbers(page: Page, evidence: list[Evidence]) -> list[Evidence]:
    """ "JAS 80->10% w 6x40": a place, a before and an after, and a size, in a note that has no verb for it."""
    if any(one.kind in ("angioplasty", "stent") for one in evidence):
        return []
    for index, sentence in enumerate(page.parts.sentences):
        if sentence.role not in ("opening", "narrative", "findings", "technique"):
            continue
        place = next((thing for thing in page.within(index) if thing.get("place")), None)
        numbers = page.quantities_in(sentence.start, sentence.end)
        percents = [one for one in numbers if one.unit == "percent"]
        size = next((one for one in numbers if one.unit == "size"), None)
        if place is None or size is None or len(percents) != 2:
            continue
        gap = page.low[percents[0].end : percents[1].start]
        if percents[0].end <= size.start < percents[1].start:
            # "85% -> 8x40 -> 15%": the size stands between.
            gap = page.low[percents[0].end : size.start] + page.low[size.end : percents[1].start]
        if not re.fullmatch(r"\s*%?\s*(?:(?:-+>|=>|→)\s*(?:mm\s*)?){1,2}", gap) or not page.scope(place).is_now:
            continue
        return [Evidence("angioplasty", place.start, size.end, place, 2, sentence.role, Scope("now"), None)]
    return []


_FLUOROSCOPY = re.compile(r"\b(?:fluoroscop\w+|fluoro time)\b")
_NO_PLACEMENT = re.compile(
    r"\b(?:check|evaluat|dressing|care\b|dysfunction|malfunction|infect|cultur|study"
    r"|injection|\w*gram\b|flow|thrombolysis|repair)"
)
_LAID_DOWN = re.compile(
    r"\s*(?:supine|prone|in (?:a |the )?\w*\s*(?:position|lithotomy|supine|decubitus)"
    r"|on (?:the|an?) (?:\w+ )?(?:table|bed|back|list|waiting list|arm ?board))"
)
_SEWN = re.compile(
    r"anastomos|\bsewn\b|tunnel|spatulat|arteriotomy|end[\s-]to[\s-]side|radiofrequency|\be[-/]s\b|\b[5-8][/-]0\b"
)


_LOOKED_AT = re.compile(r"\b(?:exam\w*|inspect\w*|check\w*|review\w*|assess\w*|evaluat\w*|needl\w*|cannulat\w*)\b")


def _is_sewn(page: Page, sentence: Sentence) -> bool:
    """A sentence tells as done what is only done when an access is made."""
    sewn = _SEWN.search(page.low, sentence.start, sentence.end)
    index = page.parts.index_at(sewn.start()) if sewn is not None else None
    return sewn is not None and index is not None and page.said(sewn.start(), sewn.end(), index).is_now


def _shown_by_the_name(page: Page, accesses: list[Meant], evidence: list[Evidence], strict: bool) -> list[Evidence]:
    """A title that is only the name of a fistula or a graft, over an account that sews it: it was made."""
    found = []
    found.extend(_in_one_stage(page, evidence))
    if not strict and not page.is_clinic:
        found.extend(_in_and_out(page, accesses))
    if not any(one.kind == "stent" for one in evidence):
        found.extend(_stent_in_title(page, strict))
    found.extend(_listed_by_name(page, accesses, strict))
    if strict or any(
        one.weight == 3 and one.scope.what in ("now", "given-up", "planned", "denied") for one in evidence
    ):
        return found
    for thing in page.things:
        if thing.cls != "head" or page.role(thing) != "title":
            continue
        access = _access_of(accesses, thing)
        if thing.get("kind") in CATHETERS and thing.get("strength") == "strong" and page.scope(thing).is_now:
            if access is not None and access.vein is not None and not _NO_PLACEMENT.search(_sentence_text(page, thing)):
                found.append(
                    Evidence("catheter-placed", thing.start, thing.end, thing, 3, "title", Scope("now"), access)
                )
                break
            continue
        if thing.get("kind") not in NEEDLED:
            continue
        if access is None or not page.scope(thing).is_now or not any(name.is_certain for name in access.named):
            continue
        told = [
            one
            for one in page.parts.sentences
            if one.role in ("technique", "narrative", "findings", "title", "opening")
        ]
        if _LOOKED_AT.search(_sentence_text(page, thing)) or not any(_is_sewn(page, one) for one in told):
            continue
        named = next(name for name in access.named if name.thing is thing)
        found.append(Evidence("creation", named.start, named.end, thing, 3, "title", Scope("now"), access))
        break
    return found


def _listed_by_name(page: Page, accesses: list[Meant], strict: bool) -> list[Evidence]:
    """ "1. First stage right brachiobasilic AV fistula. 2. …": an item of a list of titles that only names it."""
    if strict:
        return []
    for thing in page.things:
        if thing.cls != "head" or thing.get("kind") not in NEEDLED or page.role(thing) != "title":
            continue
        around = page.within(thing.sentence)
        staged = any(one.cls == "stage" and one.get("stage") in ("first", "only") for one in around)
        if not staged or any(one.cls in ("act", "verb") for one in around) or not page.scope(thing).is_now:
            continue
        if not page.sentence(thing.sentence).listed or not any(_is_sewn(page, one) for one in page.parts.sentences):
            continue
        access = _access_of(accesses, thing)
        if access is not None:
            named = next(name for name in access.named if name.thing is thing)
            return [Evidence("creation", named.start, named.end, thing, 3, "title", Scope("now"), access)]
    return []


def _in_one_stage(page: Page, evidence: list[Evidence]) -> list[Evidence]:
    """A transposition in one stage makes the fistula as well."""
    if any(one.kind == "creation" and one.scope.is_now for one in evidence):
        return []
    for one in evidence:
        if one.kind != "second-stage" or one.weight != 3 or not one.scope.is_now:
            continue
        alone = any(thing.cls == "stage" and thing.get("stage") == "only" for thing in page.within(one.thing.sentence))
        # Sewn to the artery, where the text knows of no fistula that was there before.
        fresh = _TO_THE_ARTERY.search(page.low) and not any(
            thing.get("kind") == "fistula" and thing.cls == "head" for thing in page.things
        )
        if alone or (fresh and not any(thing.cls == "stage" for thing in page.things)):
            return [Evidence("creation", one.start, one.end, one.thing, 3, one.role, one.scope, one.access)]
    return []


_NEW_AT_THE_HEAD = re.compile(r"^\W*new\s+$")


_TO_THE_ARTERY = re.compile(r"anastomos\w+\s+(?:\w+[\s\-]+){0,6}?(?:to|with)\s+(?:the\s+)?brachial artery")
_IN_OR_OUT = re.compile(r"\s+(?P<what>in|out)\s*(?=[,.;(]|\d|$|\n|w/|with no)")


def _in_and_out(page: Page, accesses: list[Meant]) -> list[Evidence]:
    """ "R fem vascath in, 20 cm": notes say in and out for placed and removed."""
    found = []
    for thing in page.things:
        if thing.cls != "head" or thing.get("kind") not in CATHETERS - {"catheter"}:
            continue
        role = page.role(thing)
        said = _IN_OR_OUT.match(page.low, thing.end)
        if thing.sentence == 0 and _NEW_AT_THE_HEAD.match(page.low[: thing.start]) and re.search(r"\btip\b", page.low):
            # "New tunnelled dialysis line, left IJ … tip RA."
            access = _access_of(accesses, thing)
            found.append(Evidence("catheter-placed", thing.start, thing.end, thing, 2, role, Scope("now"), access))
            continue
        if said is None or role not in ("opening", "narrative", "technique") or not page.scope(thing).is_now:
            continue
        kind = "catheter-placed" if said["what"] == "in" else "catheter-removed"
        access = _access_of(accesses, thing)
        found.append(Evidence(kind, thing.start, said.end("what"), thing, 2, role, Scope("now"), access))
    return found


def _shown_transposed(page: Page, accesses: list[Meant], evidence: list[Evidence]) -> list[Evidence]:
    """A "transposition fistula" that is made is a creation and a transposition."""
    found = []
    for thing in page.things:
        if thing.get("transposed") and page.role(thing) in ("title", "opening") and page.scope(thing).is_now:
            access = _access_of(accesses, thing)
            if any(one.kind == "creation" and one.access is access for one in evidence):
                found.append(
                    Evidence("second-stage", thing.start, thing.end, thing, 3, page.role(thing), Scope("now"), access)
                )
    return found


def _is_a_list_of_deeds(page: Page, thing: Thing) -> bool:
    """ "L AVG thrombectomy, PTA, stent": other deeds stand before it, and there is no verb."""
    deeds = [one for one in page.within(thing.sentence) if one.cls == "act" and one.end <= thing.start]
    return bool(deeds) and not re.search(r"\b(?:is|was|were|are|has|had|patent)\b", _sentence_text(page, thing))


def _stent_in_title(page: Page, strict: bool) -> list[Evidence]:
    """ "Fistulogram, plasty and stent": in a title the bare word is the deed, unless it says where one was."""
    for thing in page.things:
        if thing.cls != "stent" or strict or not page.scope(thing).is_now:
            continue
        if ANSWERED_YES.match(page.low, thing.end):
            return [Evidence("stent", thing.start, thing.end, thing, 3, page.role(thing), Scope("now"), None)]
        if page.role(thing) not in ("title", "opening", "impression") and not (
            page.role(thing) == "technique"
            and re.match(r"\s*\d{1,2}\s*(?:mm\s*)?x", page.low[thing.end : thing.end + 9])
        ):
            continue
        if page.role(thing) != "title" and not _is_a_list_of_deeds(page, thing):
            continue
        before, after = page.low[max(0, thing.start - 12) : thing.start], page.low[thing.end : thing.end + 16]
        leads = page.role(thing) == "title" and thing.start == page.sentence(thing.sentence).start
        if leads and re.match(r"\s*(?:for|to|across|treatment of)\b", after):
            return [Evidence("stent", thing.start, thing.end, thing, 3, "title", Scope("now"), None)]
        if re.search(r"(?:\+|&|\band|\bwith|,|/|;|\d\.|\)|\ba|mm|cm)\s*$", before) and not re.match(
            r"\s*(?:stenosis|thrombosis|restenosis|patent|check|evaluation|occlusion|retrieval|removal)", after
        ):
            return [Evidence("stent", thing.start, thing.end, thing, 3, "title", Scope("now"), None)]
    return []


def _shown_by_contrast(page: Page, deeds: list[Deed]) -> list[Deed]:
    """A narrowing that was opened under contrast was seen with it: an angiogram that no word of the text names."""
    opened = [deed for deed in deeds if deed.kind in ("angioplasty", "stent") and deed.access is not None]
    if not opened or any(deed.kind == "angiogram" for deed in deeds) or page.is_open:
        return []
    if opened[0].access is not None and opened[0].access.family == "catheter":
        return []
    seen = [(one.start, one.end) for one in page.spoken("contrast")]
    for start, end in sorted([*seen, *(one.span() for one in _FLUOROSCOPY.finditer(page.low))]):
        index = page.parts.index_at(start)
        if index is None or page.sentence(index).role in ("past", "consent", "indication", "plan", "aside"):
            continue
        before = page.low[max(0, start - 24) : start]
        if re.search(r"\b(?:no|without|allerg\w*)\s+(?:\w+\s+){0,3}$", before):
            continue
        one = opened[0].evidence[0]
        role = page.sentence(index).role
        shown = Evidence("angiogram", start, end, one.thing, 1, role, Scope("now"), one.access)
        doubt = "no word of the text names an angiogram; contrast or fluoroscopy shows that there was one"
        return [Deed("angiogram", opened[0].access, [shown], doubts=[doubt])]
    return []


def _is_about_access(page: Page, accesses: list[Meant]) -> bool:
    named = [name for meant in accesses for name in meant.named]
    certain = [name for name in named if name.is_certain]
    if certain and all("shunt" in page.low[name.thing.start : name.thing.end] for name in certain):
        # A shunt of the liver is looked at and opened in the same words, and its text names no access and no limb.
        return not any(thing.get("organ") == "liver" for thing in page.things)
    if certain:
        return True
    return any(name.strength != "weak" for name in named) and bool(page.spoken("dialysis"))


def title_is_elsewhere(page: Page) -> bool:
    """The title speaks of something else, so only what names a dialysis access itself can count.

    What a title says after its first sentence, unless it is a list, is no title any more.
    """
    leads = [
        (index, sentence)
        for index, sentence in enumerate(page.parts.sentences)
        if sentence.role == "title"
        and (sentence.listed or index == 0 or page.sentence(index - 1).part != sentence.part or _goes_on(page, index))
    ]
    if not leads:
        return page.is_clinic or _opens_elsewhere(page)
    titled = [thing for index, _ in leads for thing in page.within(index)]
    other = any(thing.cls == "other" for thing in titled)
    if any(_is_operated_on(page, index) for index, _ in leads):
        return False
    if other:
        return True
    if _elsewhere_in(titled):
        return True
    # "Left arm venogram. Angioplasty of the brachiocephalic vein": the vessels of an access, and no other organ.
    return not any(thing.cls in ("act", "vessels", "stent", "opens") for thing in titled)


_SPARED = re.compile(r"\b(?:not used|avoided|spared|protected|padded|preserved|untouched|not touched|undisturbed)\b")
_ACCOUNT = frozenset({"title", "opening", "technique", "narrative", "findings", "impression"})


def _is_only_the_way_of_dialysis(page: Page, accesses: list[Meant]) -> bool:
    """Every access is named only as what the patient is dialysed by, and the account tells of another organ or the leg.

    Then a balloon or a stent without a place of its own belongs to what the account tells of.
    """
    things = [thing for thing in page.things if page.role(thing) in _ACCOUNT]
    of_the_thigh = any(one.site in ("thigh", "groin") or one.inflow == "femoral" for one in accesses)
    if not (_other_in(things) if of_the_thigh else _elsewhere_in(things)):
        return False
    if any(thing.get("access") for thing in things):
        return False
    if any(thing.cls == "place" and not thing.get("weak") and not thing.get("vein") for thing in things):
        return False
    certain = [name for meant in accesses for name in meant.named if name.is_certain]
    return bool(certain) and all(_is_the_way_of_dialysis(page, name.thing) for name in certain)


def _is_the_way_of_dialysis(page: Page, thing: Thing) -> bool:
    """ "On haemodialysis through a left AV fistula", "the fistula arm was padded": nothing ails it, nothing is done."""
    sentence = page.sentence(thing.sentence)
    if any(one.cls in ("act", "verb", "opens", "stenosis", "place") for one in page.within(thing.sentence)):
        return False
    if _TROUBLE.search(page.low, sentence.start, sentence.end):
        return False
    spared = _SPARED.search(page.low, sentence.start, sentence.end)
    return spared is not None or bool(page.spoken("dialysis", sentence.start, sentence.end))


def _opens_elsewhere(page: Page) -> bool:
    """Without a title the first sentence says what a text is about."""
    first = next((index for index, _ in enumerate(page.parts.sentences) if page.within(index)), None)
    if first is None or page.sentence(first).role not in ("opening", "narrative", "technique"):
        return False
    things = page.within(first)
    of_an_access = any(thing.cls == "head" and thing.get("kind") for thing in things)
    return (_other_in(things) or (_elsewhere_in(things) and not of_an_access)) and not _is_operated_on(page, first)


def _goes_on(page: Page, index: int) -> bool:
    """A title whose items are parted by full stops or semicolons: each names a deed, and none has a verb of its own."""
    sentence = page.sentence(index)
    before = page.sentence(index - 1)
    if before.role != "title" or not any(thing.cls in ("act", "verb") for thing in page.within(index - 1)):
        return False
    things = page.within(index)
    return bool(things) and any(
        thing.cls in ("act", "verb") and page.words_between(sentence.start, thing.start) <= 5 for thing in things
    )


def _is_operated_on(page: Page, index: int) -> bool:
    """A title sentence that names an access together with a deed, or nothing but the access."""
    things = page.within(index)
    if any(thing.get("access") for thing in things):
        return True
    heads = [one for one in things if one.cls == "head" and (one.get("strength") == "strong" or not _other_in(things))]
    deeds = [thing for thing in things if thing.cls in ("act", "verb", "opens") and not _told_of_old(page, thing)]
    for head in heads:
        if any(other.cls == "other" and _is_nearer(page, other, head, deeds) for other in things):
            continue
        if deeds and min(_apart(page, head, deed) for deed in deeds) <= 10:
            return True
        if not deeds and not _other_in(things) and page.scope(head).what != "past":
            named = described_beside(page, head)
            if page.words_between(page.sentence(index).start, named.start) <= 2:
                return True
    return False


def _told_of_old(page: Page, thing: Thing) -> bool:
    """ "History of AV graft thrombectomy", even where it stands in a title."""
    scope = page.scope(thing)
    return scope.what == "past" and scope.cue is not None


def _elsewhere_in(things: list[Thing]) -> bool:
    """Another organ, or the leg."""
    return any(
        thing.cls == "other" or thing.get("body") == "leg" or thing.get("artery") in ("femoral", "popliteal")
        for thing in things
    )


def _other_in(things: list[Thing]) -> bool:
    return any(thing.cls == "other" for thing in things)


def _apart(page: Page, one: Thing, other: Thing) -> int:
    return page.words_between(min(one.end, other.end), max(one.start, other.start))


def _is_nearer(page: Page, other: Thing, head: Thing, deeds: list[Thing]) -> bool:
    return bool(deeds) and min(_apart(page, other, deed) for deed in deeds) <= min(
        _apart(page, head, deed) for deed in deeds
    )


def _act(page: Page, thing: Thing, accesses: list[Meant], left_out: list[LeftOut], strict: bool) -> Evidence | None:
    kind = thing.get("kind")
    assert kind is not None
    around = page.within(thing.sentence)
    role = page.role(thing)
    noun = thing.get("form") == "n"
    access = _access_beside(page, thing, accesses, kind)
    names_access = access is not None or thing.get("access") is not None
    if any(one.cls == "other" for one in around) and not (
        names_access and not strict and not _other_is_nearer(page, thing)
    ):
        left_out.append(LeftOut(thing.start, thing.end, kind, "other organ"))
        return None
    told = thing.get("form") == "v" or re.search(
        r"\b(?:was|were) (?:\w+ )?(?:performed|done|carried out|undertaken)\b", _sentence_text(page, thing)
    )
    if strict and not (names_access and told and page.scope(thing, noun=noun).is_now and not page.is_clinic):
        left_out.append(LeftOut(thing.start, thing.end, kind, "no access"))
        return None
    if thing.get("needs") == "branch" and not any(one.cls in ("part", "vessel") for one in around):
        return None
    scope = page.scope(thing, noun=noun)
    if page.is_questioned(thing):
        scope = Scope("planned")
    if kind == "angiogram" and scope.cue is not None and _NOT_TREATED.match(page.low, scope.cue[0]):
        # "Check angiogram: 60% stenosis, not treated" denies no angiogram.
        scope = Scope("now")
    if kind in ("angioplasty", "stent", "thrombectomy", "angiogram") and _is_of_the_leg(page, thing, accesses):
        left_out.append(LeftOut(thing.start, thing.end, kind, "other organ"))
        return None
    if (
        kind == "other-intervention"
        and access is None
        and not any(one.cls in ("head", "vessels", "part") for one in around)
        and not (thing.get("method") == "fibrin-sheath-disruption" and _main_is_catheter(accesses))
    ):
        left_out.append(LeftOut(thing.start, thing.end, kind, "no access"))
        return None
    if kind == "angioplasty":
        reason = _no_angioplasty(page, thing)
        if reason is not None:
            left_out.append(LeftOut(thing.start, thing.end, kind, reason))
            return None
    if kind == "angiogram" and not thing.get("access") and _main_is_catheter(accesses) and role != "title":
        return None
    if thing.get("narrative") and _main_is_catheter(accesses):
        return None
    weight = _weight(page, thing, role, noun)
    one = Evidence(kind, thing.start, thing.end, thing, weight, role, scope, access, thing.get("method"))
    one.names_access = thing.get("access") is not None and thing.get("strength") == "strong"
    return one


_NOT_TREATED = re.compile(r"(?:was |were )?not (?:treated|touched|dilated|ballooned|stented|ligated)\b")


def _is_of_the_leg(page: Page, thing: Thing, accesses: list[Meant]) -> bool:
    """A vessel of the leg is what was looked at or opened, and no access of the thigh is spoken of."""
    around = page.within(thing.sentence)
    arteries = [
        one
        for one in around
        if one.get("artery") in ("femoral", "popliteal")
        or one.get("vein") in ("iliac", "femoral", "saphenous")
        or (one.get("body") == "leg" and one.start > thing.end)
    ]
    if not arteries or any(one.site in ("thigh", "groin") or one.inflow == "femoral" for one in accesses):
        return False
    heads = [one for one in around if one.cls == "head" or one.get("place")]
    nearest = min(_apart(page, one, thing) for one in arteries)
    return not heads or nearest < min(_apart(page, one, thing) for one in heads)


def _sentence_text(page: Page, thing: Thing) -> str:
    sentence = page.sentence(thing.sentence)
    return page.low[sentence.start : sentence.end]


def _weight(page: Page, thing: Thing, role: str, noun: bool) -> int:
    if role == "title" or (role == "opening" and noun) or ANSWERED_YES.match(page.low, thing.end):
        return 3
    if not noun:
        return 2
    return 1


def _other_is_nearer(page: Page, thing: Thing) -> bool:
    around = [one for one in page.within(thing.sentence) if one.cls in ("other", "head")]
    if not around:
        return False
    nearest = min(around, key=lambda one: max(one.start - thing.end, thing.start - one.end, 0))
    return nearest.cls == "other"


def _no_angioplasty(page: Page, thing: Thing) -> str | None:
    sentence = page.sentence(thing.sentence)
    around = page.within(thing.sentence)
    form = thing.get("form")
    words = page.low[thing.start : thing.end]
    for one in around:
        if one.cls != "notplasty":
            continue
        by_balloon = "balloon" in words or page.low[thing.end : thing.end + 9].lstrip().startswith("balloon")
        beside = one.get("method") is None and abs(one.start - thing.end) < 40
        if form != "n" or thing.get("needs") or by_balloon or beside:
            return "not an angioplasty"
    text = page.low[sentence.start : sentence.end]
    if any(one.get("balloon") == "pull" for one in around) and form != "n":
        return "not an angioplasty"
    needs = thing.get("needs")
    if needs == "balloon":
        sized = any(
            one.unit in ("mm", "size", "sizes") and one.first.at_most is not None and one.first.at_most <= 26
            for one in page.quantities_in(sentence.start, sentence.end)
        )
        if "balloon" not in text and not sized:
            return "not told as done"
        if re.search(r"\bdilators?\b|tract|subcutaneous|skin|cervi", text) and "balloon" not in text:
            return "not an angioplasty"
    if needs == "lesion":
        before = page.low[max(0, sentence.start - 300) : sentence.end]
        if not re.search(r"steno|narrow|lesion|occlu|strictur", before):
            return "not told as done"
    return None


def _main_is_catheter(accesses: list[Meant]) -> bool:
    best = max(accesses, key=lambda one: one.weight, default=None)
    return best is not None and best.family == "catheter"


def _verb(page: Page, thing: Thing, accesses: list[Meant], left_out: list[LeftOut], strict: bool) -> Evidence | None:
    do = thing.get("do")
    assert do is not None
    noun = thing.get("form") == "n"
    target = _object_of(page, thing)
    if target is not None and target.cls == "head":
        target = _part_of(page, target) or target
    if target is None and do == "ligate" and noun and page.role(thing) == "title":
        target = _fistula_of_title(page, thing)
    if target is None:
        return None
    if do == "exchange" and target.cls == "head":
        target = _becomes(page, thing, target)
    if target.cls == "other":
        left_out.append(LeftOut(thing.start, thing.end, do, "other organ"))
        return None
    if target.cls == "stent" and do == "place":
        return _told(page, thing, target, accesses, left_out, strict, "stent")
    if target.cls == "clot" and "," in page.low[target.end : thing.start]:
        return None
    if target.cls == "clot" and do == "remove" and not _main_is_catheter(accesses):
        return _told(page, thing, target, accesses, left_out, strict, "thrombectomy")
    if target.cls != "head":
        if target.cls == "part" and do == "ligate":
            left_out.append(LeftOut(thing.start, thing.end, do, "branch"))
        return None
    if (
        any(one.cls == "other" and abs(one.start - target.end) < 25 for one in page.within(thing.sentence))
        and target.get("strength") != "strong"
    ):
        left_out.append(LeftOut(thing.start, thing.end, do, "other organ"))
        return None
    if re.search(r"pulled|withdrawn", page.low[thing.start : thing.end]) and re.match(
        r"\s*(?:through|back|into|across|to\b|over|until|down|up\b)", page.low[thing.end : thing.end + 10]
    ):
        return None
    if do == "place" and _LAID_DOWN.match(page.low, thing.end):
        return None
    if target.get("strength") == "weak" and _means_another(page, target):
        left_out.append(LeftOut(thing.start, thing.end, do, "other organ"))
        return None
    access = _access_of(accesses, target)
    if access is None:
        return None
    head_kind = access.kind or target.get("kind")
    family = access.family
    kind = None
    if family == "needled" or (family is None and head_kind is None):
        if head_kind == "graft":
            kind = _KIND_OF.get((do, "graft"))
        kind = kind or _KIND_OF.get((do, "needled"))
    elif family == "catheter":
        kind = _KIND_OF.get((do, "catheter"))
        if kind is not None and not _is_dialysis_catheter(page, thing, target, access):
            left_out.append(LeftOut(thing.start, thing.end, kind, "other organ"))
            return None
    if kind is None:
        return None
    if do == "abandon" and target.get("strength") == "weak" and _TRIED.search(_sentence_text(page, thing)):
        # "A line was attempted for access, then abandoned": the attempt was.
        return None
    if do == "elevate" and page.role(thing) not in ("title", "opening"):
        # "Elevation of the fistula arm" is part of looking at it.
        return None
    if thing.get("only") == "catheter" and family != "catheter":
        return None
    if do == "revise" and not noun and target.get("strength") == "weak" and head_kind != "fistula":
        return None
    role = page.role(thing)
    if strict and not (
        target.get("strength") == "strong"
        and role in ("technique", "title", "findings", "impression")
        and (family == "catheter" or noun)
    ):
        left_out.append(LeftOut(thing.start, thing.end, kind, "no access"))
        return None
    scope = page.scope(thing, noun=noun)
    if scope.is_now and page.scope(target).what in ("planned", "risk", "given-up", "denied"):
        scope = page.scope(target)
    if page.is_questioned(target) or page.is_questioned(thing):
        scope = Scope("planned")
    how = (
        {"ligate": "ligation", "excise": "excision", "remove": "excision", "abandon": "given-up"}.get(do)
        if kind == "abandonment"
        else None
    )
    if kind == "abandonment" and how == "excision":
        around = page.low[max(0, min(thing.start, target.start) - 40) : max(thing.end, target.end) + 30]
        if re.search(r"\b(?:partial|segment|portion of|part of|segmental|half|limb of)\b", around):
            kind, how = "revision", None
    method = (
        {"revise": "catheter-repair", "reposition": "catheter-repositioning", "bring-out": "other"}.get(do)
        if kind == "other-intervention"
        else None
    )
    weight = _weight(page, thing, role, noun)
    start, end = min(thing.start, target.start), max(thing.end, target.end)
    one = Evidence(kind, start, end, thing, weight, role, scope, access, method, how)
    one.names_access = target.get("strength") == "strong"
    return one


_TUBES = re.compile(r"(?:catheter|line|tube|drain|port|picc|hickman|suprapubic)s?$")
_SAID_AGAIN = {"catheter": _TUBES, "line": _TUBES, "tube": _TUBES}
"""What a bare word can take up that is not the same word: any tube can be called a catheter in the next sentence."""


def _means_another(page: Page, target: Thing) -> bool:
    """ "A skin graft was cut. The graft was placed": the bare word takes up what was named last in the account."""
    word = page.low[target.start : target.end].rstrip("s")
    for one in reversed(page.things[: page.things.index(target)]):
        if page.role(one) in ("past", "indication", "plan", "consent", "aside"):
            continue
        if one.cls == "other" and _SAID_AGAIN.get(word, re.compile(rf"{word}s?$")).search(page.low, one.start, one.end):
            return not any(
                head.cls == "head" and head.get("strength") != "weak" and page.role(head) == "title"
                for head in page.things
            )
        if one.cls == "head" and one.get("strength") != "weak" and one.get("kind") == target.get("kind"):
            return False
    return False


_TRIED = re.compile(r"\b(?:attempt\w*|tried|trial)\b")


def _part_of(page: Page, head: Thing) -> Thing | None:
    """In "the catheter cuff" it is the cuff that is spoken of."""
    following = next((one for one in page.within(head.sentence) if one.start >= head.end), None)
    if following is None or following.cls != "part" or page.low[head.end : following.start].strip():
        return None
    return (
        following
        if page.low[following.start : following.end] in ("cuff", "hub", "port", "exit site", "tunnel")
        else None
    )


def _fistula_of_title(page: Page, thing: Thing) -> Thing | None:
    """ "Excision of the fistula's aneurysm and ligation": the fistula that the same title or the diagnosis names."""
    if any(one.cls in ("part", "vessel", "other") for one in page.within(thing.sentence)):
        return None
    heads = [one for one in page.things if one.cls == "head" and one.get("kind") in NEEDLED]
    here = [one for one in heads if one.sentence == thing.sentence]
    named = here or [one for one in heads if page.role(one) == "diagnosis"]
    return named[0] if named else None


def _becomes(page: Page, thing: Thing, target: Thing) -> Thing:
    """In "conversion of a temporary catheter to a tunnelled one" the access goes on as the latter."""
    for one in page.within(thing.sentence):
        if one.cls == "head" and one.start > target.end and one.get("kind") in CATHETERS - {"catheter"}:
            gap = page.low[target.end : one.start]
            if re.fullmatch(r"\s*(?:[\w\-]+\s+){0,6}?(?:to|for|with|by)\s+(?:[\w.\-]+\s+){0,6}", gap):
                return one
    return target


def _told(
    page: Page, thing: Thing, target: Thing, accesses: list[Meant], left_out: list[LeftOut], strict: bool, kind: str
) -> Evidence | None:
    """A verb whose object is a stent or a clot tells a deed on the access that the text is about."""
    if strict or any(one.cls == "other" for one in page.within(thing.sentence)):
        left_out.append(LeftOut(thing.start, thing.end, kind, "other organ" if not strict else "no access"))
        return None
    noun = thing.get("form") == "n"
    role = page.role(thing)
    scope = page.scope(thing, noun=noun)
    if scope.is_now and page.scope(target, noun=noun).what in ("planned", "risk", "denied", "past"):
        scope = page.scope(target, noun=noun)
    start, end = min(thing.start, target.start), max(thing.end, target.end)
    access = _access_beside(page, thing, accesses, kind)
    return Evidence(kind, start, end, thing, _weight(page, thing, role, noun), role, scope, access)


def _object_of(page: Page, thing: Thing) -> Thing | None:
    """What a verb is about: for "insertion of …" what follows, for "… was removed" what stands before."""
    around = page.within(thing.sentence)
    at = around.index(thing)
    before = [
        one
        for one in around[:at]
        if one.cls in _OBJECTS and not (one.cls == "vessel" and one.get("artery") is None and one.get("vein") is None)
    ]
    after = [one for one in around[at + 1 :] if one.cls in _OBJECTS]
    low = page.low
    if thing.get("form") == "n":
        follows = bool(re.match(r"\s*of\b", low[thing.end : thing.end + 6]))
        if not follows and re.match(r"\s*for\b", low[thing.end : thing.end + 6]):
            # "Tenckhoff removal for peritonitis" is of what stands before; "insertion for dialysis" of what follows.
            follows = not (before and before[-1].cls == "head" and not low[before[-1].end : thing.start].strip())
        if not follows and before:
            last = before[-1]
            if page.words_between(last.end, thing.start) <= 1 and last.cls != "vessel":
                return last
        for one in after:
            if page.words_between(thing.end, one.start) > 14:
                break
            if one.cls == "vessel":
                # "Insertion of a left subclavian catheter": the vein says where, unless it is what is tied.
                if thing.get("do") in ("ligate", "excise") and not _head_follows(page, one, after):
                    return one
                continue
            if (
                one.cls == "tool"
                and _head_follows(page, one, after)
                and re.search(r"\bof\b", low[thing.end : one.start]) is None
            ):
                continue
            if _BESIDE.search(low, thing.end, one.start):
                # "Excision of a lipoma beside the fistula".
                return None
            return one
        return None
    if thing.get("form") == "p" and re.match(
        r"\s+(?:the|an?|his|her|this|both|that)\b", low[thing.end : thing.end + 8]
    ):
        # "… and removed the catheter": the verb is active, and its object follows.
        return _following(page, thing, after)
    for one in reversed(before):
        if page.words_between(one.end, thing.start) > 16:
            break
        if one.cls == "vessel" and thing.get("do") != "ligate":
            continue
        gap = low[one.end : thing.start]
        if one.cls == "head" and re.search(
            r"(?<!over a )(?<!over the )(?<!over )\bwires?\b|\bneedle\b|\bsheath\b", gap
        ):
            continue
        if one.cls == "head" and before.index(one):
            earlier = before[before.index(one) - 1]
            if earlier.cls == "part" and re.match(
                r"\s+(?:of|to|from)\s+(?:\w+\s+){0,5}$", low[earlier.end : one.start]
            ):
                # "The branches of the fistula were ligated": it was the branches.
                return earlier
        if one.cls in ("tool", "part") and re.search(
            r"(?:with|using|over|through|via|by|around|at|from)\s+(?:an?|the)?\s*(?:[\w.\-/]+\s+){0,4}$",
            low[max(0, one.start - 40) : one.start],
        ):
            # "The graft was tied with two sutures and removed": the means is not what was removed.
            continue
        return one
    return _following(page, thing, after) if thing.get("form") == "p" else None


_BESIDE = re.compile(r"\b(?:beside|near|next to|adjacent to|close to|away from|opposite)\b")


def _following(page: Page, thing: Thing, after: list[Thing]) -> Thing | None:
    for one in after:
        if one.cls == "part" and _head_follows(page, one, after):
            continue
        if one.cls == "vessel":
            continue
        return one if page.words_between(thing.end, one.start) <= 9 else None
    return None


def _head_follows(page: Page, one: Thing, after: list[Thing]) -> bool:
    following = after[after.index(one) + 1 :]
    return bool(following) and following[0].cls == "head" and page.words_between(one.end, following[0].start) <= 4


def _is_dialysis_catheter(page: Page, thing: Thing, target: Thing, access: Meant) -> bool:
    sentence = page.sentence(thing.sentence)
    if page.spoken("otheruse", sentence.start, sentence.end):
        return False
    if target.get("strength") == "strong":
        return True
    if target.get("strength") == "weak" and _is_only_used(page, target, access):
        return False
    if _is_for_something_else(page):
        return False
    if any(name.strength == "strong" for name in access.named):
        return True
    if access.vein is None and all(name.strength == "weak" for name in access.named):
        # "The catheter" alone, with no vein and no other name, can be any tube.
        return False
    if page.spoken("otheruse") and "dialysis" not in page.low:
        return False
    if all(name.strength == "weak" for name in access.named) and not _why_dialysed(page):
        return False
    return bool(page.spoken("dialysis")) or bool(
        re.search(r"\b(?:left|right|l|r)\s+(?:upper |fore)?\s?arm (?:fistula|graft)|\bavf\b|\bavg\b", page.low)
    )


_THERE_ALREADY = re.compile(r"\b(?:has|had|have|with|existing|known|via|through|by|on)\s+(?:\w+\s+){0,5}$")
_STAYS = re.compile(r"\s*(?:was |is |remains? )?(?:unchanged|undisturbed|in place|in situ|in use|not used|left)\b")
_NAMES_DIALYSIS = re.compile(r"nephrolog|renal (?!failure)|ckd")


def _is_for_something_else(page: Page) -> bool:
    """The line is said to be for cells, drugs or pressures, and dialysis only as what goes on by another access."""
    if not [one for one in page.spoken("otheruse") if _role_at(page, one.start) not in ("past", "plan", "aside")]:
        return False
    for thing in page.things:
        if thing.cls == "head" and thing.get("strength") == "strong" and thing.get("kind") in CATHETERS:
            there = _THERE_ALREADY.search(page.low, max(0, thing.start - 48), thing.start)
            if not there and not _STAYS.match(page.low, thing.end):
                return False
    return not _why_dialysed(page)


_TROUBLE = re.compile(
    r"clot|thrombos|occlu|infect|fail|matur|malfunction|dysfunction|no thrill|ligat|excis|bleed|lost|stenos|need|start"
)


def _why_dialysed(page: Page) -> bool:
    """Whether dialysis is spoken of as something that a line is put in for, and not as going on by another access."""
    for one in page.spoken("dialysis"):
        index = page.parts.index_at(one.start)
        if index is None or _NAMES_DIALYSIS.match(page.low, one.start):
            continue
        if page.said(one.start, one.end, index).what in ("denied", "past"):
            continue
        if any(thing.cls == "head" and thing.get("strength") == "strong" for thing in page.within(index)):
            # "Has a dialysis catheter, CRRT through it": how it is dialysed, and not why this one is put in.
            sentence = page.sentence(index)
            if not _TROUBLE.search(page.low, sentence.start, sentence.end):
                continue
        return True
    return False


def _role_at(page: Page, place: int) -> str | None:
    index = page.parts.index_at(place)
    return None if index is None else page.sentence(index).role


_USED_BY = re.compile(
    r"\b(?:on|dialys\w+|dialyz\w+|h[ae]*modialysis|hd|crrt)\s+(?:by|via|through|with)\s+(?:\w+\s+){0,5}$"
)


def _is_only_used(page: Page, target: Thing, access: Meant) -> bool:
    """ "Catheter 22F placed. On dialysis by TDC": the dialysis catheter is told only as the way of dialysis, later."""
    certain = [name for name in access.named if name.strength != "weak"]
    return bool(certain) and all(
        name.start > target.end and _USED_BY.search(page.low, max(0, name.start - 60), name.start) for name in certain
    )


def _access_of(accesses: list[Meant], head: Thing) -> Meant | None:
    for meant in accesses:
        if any(name.thing is head for name in meant.named):
            return meant
    return None


def _access_beside(page: Page, thing: Thing, accesses: list[Meant], kind: str) -> Meant | None:
    """The access that the words of a deed name themselves."""
    own = _access_of(accesses, thing)
    if own is not None:
        return own
    around = page.within(thing.sentence)
    heads = [one for one in around if one.cls == "head" and _fits(one.get("kind"), kind)]
    near = [one for one in heads if page.words_between(min(one.end, thing.end), max(one.start, thing.start)) <= 10]
    if not near:
        return None
    best = min(near, key=lambda one: max(one.start - thing.end, thing.start - one.end))
    return _access_of(accesses, best)


def _fits(head_kind: str | None, kind: str) -> bool:
    if kind in _CATHETER:
        return head_kind in CATHETERS
    if kind in _VASCULAR:
        return head_kind is None or head_kind in NEEDLED
    return True


def _weighed(page: Page, accesses: list[Meant], evidence: list[Evidence], left_out: list[LeftOut]) -> list[Deed]:
    """The deeds that the evidence amounts to, in the order in which the text tells them."""
    for one in evidence:
        if one.access is not None and one.scope.is_now:
            one.access.acted += 2.0 * one.weight if one.kind != "angiogram" else 1.0 * one.weight
    main = {
        "needled": _main(accesses, "needled"),
        "catheter": _main(accesses, "catheter"),
    }
    _one_told_on_both_sides(accesses, evidence)
    groups: dict[tuple[str, int], Deed] = {}
    against: dict[str, list[Evidence]] = {}
    for one in evidence:
        family = "catheter" if one.kind in _CATHETER else "needled"
        access = one.access
        if access is None or (one.kind in _VASCULAR and access.family is None):
            access = main[family] or access
            if access is None and family == "needled":
                access = main["catheter"]
        if access is None:
            left_out.append(LeftOut(one.start, one.end, one.kind, "no access"))
            continue
        one.access = access
        if not one.scope.is_now:
            against.setdefault(one.kind, []).append(one)
            left_out.append(LeftOut(one.start, one.end, one.kind, one.scope.what))
            continue
        key = (one.kind if one.how is None else f"{one.kind}/{one.how}", id(access))
        deed = groups.get(key)
        if deed is None:
            deed = groups[key] = Deed(one.kind, access, [], how=one.how)
        deed.evidence.append(one)
    deeds = list(groups.values())
    for deed in deeds:
        deed.against = against.get(deed.kind, [])
    return _sifted(page, accesses, deeds, left_out)


def _one_told_on_both_sides(accesses: list[Meant], evidence: list[Evidence]) -> None:
    """The same deed on a left access and on a right one of the same kind: one access whose side the text gets wrong."""
    told: dict[tuple[str, str | None], dict[str, Meant]] = {}
    for one in evidence:
        if one.access is not None and one.access.side and one.scope.is_now and one.access.family == "needled":
            told.setdefault((one.kind, one.access.kind), {})[one.access.side] = one.access
    for sides in told.values():
        if len(sides) < 2:
            continue
        first, second = sorted(sides.values(), key=lambda access: -access.weight)
        titles = [{name.role for name in access.named} & {"title", "opening"} for access in (first, second)]
        if all(titles) or second not in accesses:
            continue
        first.doubts.append("the text says left in one place and right in another")
        first.side = None
        first.side_spans.extend(second.side_spans)
        first.named.extend(second.named)
        first.named.sort(key=lambda name: name.start)
        for name in ("site", "inflow", "outflow", "configuration", "material"):
            if getattr(first, name) is None:
                setattr(first, name, getattr(second, name))
        for one in evidence:
            if one.access is second:
                one.access = first
        accesses.remove(second)


def _main(accesses: list[Meant], family: str) -> Meant | None:
    fitting = [one for one in accesses if one.family == family or (family == "needled" and one.family is None)]
    return max(fitting, key=lambda one: one.weight, default=None)


def _sifted(page: Page, accesses: list[Meant], deeds: list[Deed], left_out: list[LeftOut]) -> list[Deed]:
    def drop(deed: Deed, reason: str) -> None:
        deeds.remove(deed)
        for one in deed.evidence:
            left_out.append(LeftOut(one.start, one.end, one.kind, reason))

    for deed in list(deeds):
        if _taken_back(deed):
            drop(deed, "given-up" if any(one.scope.what == "given-up" for one in deed.against) else "denied")
    if deeds and not any(deed.is_told for deed in deeds) and _is_called_off(page):
        for deed in list(deeds):
            drop(deed, "given-up")
    titled_any = any(deed.in_title for deed in deeds)
    for deed in list(deeds):
        if not deed.in_title and not deed.is_told and not _noun_tells(page, deed):
            drop(deed, "not told as done")
    _gone_and_come(page, deeds)
    # Exchange: the old one goes and the new one comes, and it is one event.
    for exchange in [deed for deed in deeds if deed.kind == "catheter-exchanged"]:
        for deed in list(deeds):
            if deed.kind in ("catheter-placed", "catheter-removed") and (
                deed.access is exchange.access or not deed.in_title
            ):
                exchange.evidence.extend(deed.evidence)
                drop(deed, "of the exchange")
    for deed in list(deeds):
        if deed not in deeds:
            continue
        if (deed.kind in _CATHETER and not deed.in_title and titled_any and not _strong_telling(page, deed)) or (
            deed.kind == "creation"
            and not deed.in_title
            and any(
                other.kind
                in ("angiogram", "thrombectomy", "revision", "angioplasty", "second-stage", "abandonment", "banding")
                and (other.in_title or other.is_told)
                for other in deeds
            )
        ):
            drop(deed, "not told as done")
    # One catheter is not placed and removed in one operation: the title says which of the two it was.
    for mine, other_kind in (("catheter-removed", "catheter-placed"), ("catheter-placed", "catheter-removed")):
        for deed in list(deeds):
            beside = [other for other in deeds if other.kind == other_kind and other.access is deed.access]
            if deed.kind == mine and not deed.in_title and any(other.in_title for other in beside):
                drop(deed, "of the exchange")
    for deed in list(deeds):
        ended = any(
            other.kind == "abandonment"
            and (other.in_title or (other.is_told and _is_only_cut_out(deed)))
            and other.access is deed.access
            for other in deeds
        )
        if deed.kind == "revision" and ended and deed.methods == ["aneurysm-excision"]:
            drop(deed, "of the excision")
    _one_excision(deeds, drop)
    _catheters_of_one_place(page, deeds, drop)
    deeds.sort(key=lambda deed: min((one.weight != 3, one.start) for one in deed.evidence))
    return deeds


_CALLED_OFF = re.compile(r"\b(?:cancell?ed|called off|not proceeded with)\b")
_NOTHING_BEGUN = re.compile(
    r"\b(?:no|without|before|prior to)\s+(?:any |an? |the |skin |local |surgical ){0,2}"
    r"(?:incision|puncture|needle|sheath|contrast|sedation)\b"
)


def _is_called_off(page: Page) -> bool:
    """The operation was cancelled, and nothing of it was begun: what the title names was not done."""
    if not _NOTHING_BEGUN.search(page.low):
        return False
    for hit in _CALLED_OFF.finditer(page.low):
        index = page.parts.index_at(hit.start())
        if index is not None and page.said(hit.start(), hit.end(), index).is_now:
            return True
    return False


_OVER_A_WIRE = re.compile(r"\bwires?\b|\bguide\s?wires?\b|\bsame (?:tunnel|tract|site|venotomy|exit)\b|\brewired?\b")


_NOT_EXCHANGED = re.compile(
    r"could not be (?:exchanged|rewired)|unable to exchange|exchange (?:failed|was not possible|was unsuccessful)"
)


def _gone_and_come(page: Page, deeds: list[Deed]) -> None:
    """The old catheter removed over a wire and a new one placed over it, on one access, are an exchange."""
    for removed in [deed for deed in deeds if deed.kind == "catheter-removed"]:
        placed = next(
            (deed for deed in deeds if deed.kind == "catheter-placed" and deed.access is removed.access), None
        )
        if placed is None or not (removed.is_told and placed.is_told) or not _OVER_A_WIRE.search(page.low):
            continue
        if not re.search(r"\b(?:new|another|fresh|replacement)\b", page.low):
            continue
        if (removed.in_title and placed.in_title) or _NOT_EXCHANGED.search(page.low):
            continue
        evidence = sorted(removed.evidence + placed.evidence, key=lambda one: one.start)
        deeds.append(Deed("catheter-exchanged", removed.access, evidence))
        deeds.remove(removed)
        deeds.remove(placed)


def _taken_back(deed: Deed) -> bool:
    """The text says itself that it was not done, and does not tell it as done elsewhere."""
    back = [one for one in deed.against if one.scope.what in ("denied", "given-up")]
    if not back:
        return False
    told = [one for one in deed.evidence if one.weight == 2]
    titled = [one for one in deed.evidence if one.weight == 3]
    if told:
        return False
    if any(one.weight == 3 for one in back):
        return True
    return not titled or all(one.role in ("technique", "narrative", "findings", "impression") for one in back)


def _noun_tells(page: Page, deed: Deed) -> bool:
    """A noun in the running text says that it was done, in a part that tells what was done."""
    for one in deed.evidence:
        sentence = page.sentence(one.thing.sentence)
        if one.role in ("technique", "findings", "impression", "narrative", "opening", "complications"):
            text = page.low[sentence.start : sentence.end]
            first = page.words_between(sentence.start, one.thing.start) <= 5
            if first or re.search(
                r"\b(?:was|were|performed|done|carried out|undertaken|successful\w*|followed by"
                r"|demonstrat\w+|show\w*|reveal\w*|with|"
                r"did|confirmed|after|post|following|through|completion|then|underwent|obtained)\b",
                text,
            ):
                return True
    return False


def _strong_telling(page: Page, deed: Deed) -> bool:
    """A dialysis catheter that was placed or removed during another operation says so with its full name."""
    for one in deed.evidence:
        if one.weight < 2:
            continue
        heads = [
            thing
            for thing in page.within(one.thing.sentence)
            if thing.cls == "head"
            and thing.get("strength") in ("strong", "medium")
            and one.start <= thing.start < one.end
        ]
        if heads and one.role in ("technique", "narrative", "findings", "impression", "opening"):
            return True
    return False


def _one_excision(deeds: list[Deed], drop: object) -> None:
    """Cutting out includes tying off, and repairing with a new segment includes cutting out the old one."""
    ends = [deed for deed in deeds if deed.kind == "abandonment"]
    for access in {id(deed.access): deed.access for deed in ends}.values():
        mine = [deed for deed in ends if deed.access is access]
        if len(mine) > 1:
            titled = [deed for deed in mine if deed.in_title] or mine
            best = next((deed for deed in titled if deed.how == "excision"), titled[0])
            for deed in mine:
                if deed is not best and deed in deeds:
                    best.evidence.extend(deed.evidence)
                    deeds.remove(deed)
    for deed in list(deeds):
        if (
            deed.kind == "abandonment"
            and not deed.in_title
            and any(
                other.access is deed.access
                and not (_is_only_cut_out(other) and deed.is_told)
                and other.kind in ("revision", "banding", "second-stage", "creation", "thrombectomy")
                for other in deeds
            )
        ):
            drop(deed, "branch")  # type: ignore[operator]


def _is_only_cut_out(deed: Deed) -> bool:
    """An aneurysm cut out, which the title does not name: part of ending the access, where its end is told."""
    return deed.kind == "revision" and not deed.in_title and deed.methods == ["aneurysm-excision"]


def _catheters_of_one_place(page: Page, deeds: list[Deed], drop: object) -> None:
    placed = [deed for deed in deeds if deed.kind == "catheter-placed"]
    for deed in placed[1:]:
        if not deed.in_title and placed[0].access is not None and deed.access is not None:
            same = placed[0].access.vein == deed.access.vein and placed[0].access.side == deed.access.side
            if same:
                placed[0].evidence.extend(deed.evidence)
                deeds.remove(deed)
