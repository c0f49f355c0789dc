"""Which accesses a text speaks of, and which one it is about.

Words that name an access are gathered with the side, the site and the vessels beside
them; what can be the same access becomes one. The one that was operated on is the one
that the title, the technique and the findings speak of, not the one of the history.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from ledger.reading.page import Page, Thing
from ledger.vocabulary import AccessKind

_ROLE_WEIGHT = {
    "title": 6.0, "opening": 4.0, "access": 5.0, "diagnosis": 2.5, "technique": 2.0, "findings": 2.0, "impression": 3.0,
    "narrative": 1.5, "complications": 1.0, "indication": 1.2, "past": 0.2, "plan": 0.4, "exam": 0.5, "consent": 0.3,
}  # fmt: skip
_SCOPE_WEIGHT = {
    "now": 1.0,
    "past": 0.5,
    "diagnosis": 1.0,
    "planned": 0.25,
    "denied": 0.3,
    "risk": 0.2,
    "given-up": 0.8,
}
_MODIFIERS = frozenset(
    {"side", "body", "vessels", "vessel", "material", "configuration", "stage", "clotted", "infection", "percutaneous"}
)
_LEFT_BREAKS = re.compile(
    r"\b(?:and|with|for|was|were|is|are|has|had|but|which|that|after|before|no|not|then|shows?|showed)\b|[;:.]"
)
_RIGHT_FILLERS = re.compile(
    r"^[\s,()\-–/:]*(?:(?:of|in|at|via|through|on|from|into|the|a|an|his|her|their"
    r"|patient's|using|placed|inserted|located|this|site|side"
    r"|location|vein|approach|under|ultrasound|guidance|over|guidewire|wire|by|way"
    r"|existing|dual|lumen|double|cuffed|with|tip|lying"
    r"|catheter|line|access|arm|via)[\s,()\-–/:]*)*$"
)

_IS_GONE = re.compile(
    r"\b(?:never matured|failed|abandoned|given up|was lost|clotted off|ligated|excised)\b[^.;\n]*\b(?:19|20)\d\d\b"
    r"|\b(?:19|20)\d\d\b[^.;\n]*\b(?:never matured|failed|abandoned|given up|was lost|clotted off|ligated|excised)\b"
)

KINDS = {kind.value: kind for kind in AccessKind}
CATHETERS = frozenset({"catheter", "tunnelled-catheter", "nontunnelled-catheter", "peritoneal-catheter"})
NEEDLED = frozenset({"fistula", "graft", "hybrid"})


@dataclass
class Named:
    """An access as one phrase names it."""

    thing: Thing
    kind: str | None
    strength: str
    side: str | None = None
    site: str | None = None
    inflow: str | None = None
    outflow: str | None = None
    vein: str | None = None
    configuration: str | None = None
    material: str | None = None
    start: int = 0
    end: int = 0
    scope: str = "now"
    role: str = "narrative"
    side_span: tuple[int, int] | None = None
    in_limb: bool = False
    is_tunnelled_here: bool = False
    is_of_old: bool = False  # the whole sentence is history
    is_gone: bool = False  # the sentence dates it and says that it failed or was given up

    @property
    def is_certain(self) -> bool:
        """The words can mean nothing but an access for dialysis: by themselves, or by the vessels or the arm."""
        if self.strength == "strong":
            return True
        if self.kind in CATHETERS:
            return False
        return (self.inflow is not None and self.outflow is not None) or self.in_limb


@dataclass
class Meant:
    """An access of the text: all the phrases that name it."""

    kind: str | None = None
    side: str | None = None
    site: str | None = None
    inflow: str | None = None
    outflow: str | None = None
    vein: str | None = None
    configuration: str | None = None
    material: str | None = None
    named: list[Named] = field(default_factory=list)
    score: float = 0.0
    acted: float = 0.0
    side_spans: list[tuple[int, int]] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)
    weak_kind: bool = False

    @property
    def family(self) -> str | None:
        if self.kind in CATHETERS:
            return "catheter"
        if self.kind in NEEDLED:
            return "needled"
        return None

    @property
    def weight(self) -> float:
        return self.score + self.acted


def accesses_of(page: Page) -> list[Meant]:
    """The accesses that a text speaks of; what names one more than once is one."""
    found: list[Meant] = []
    named = [_named(page, thing) for thing in page.things if thing.cls == "head" or thing.get("access")]
    # The strong words come first, so that "the fistula" finds what it can mean, wherever it stands.
    order = {"strong": 0, "medium": 1, "weak": 2}
    for one in sorted(named, key=lambda name: (order[name.strength], name.start)):
        _joined(found, one)
    for meant in found:
        meant.named.sort(key=lambda name: name.start)
    _settle(page, found)
    return found


def described_beside(page: Page, thing: Thing) -> Named:
    """What stands beside any words that might tell an access: side, site, vessels."""
    return _named(page, thing)


def _named(page: Page, thing: Thing) -> Named:
    kind = thing.get("kind") if thing.cls == "head" else thing.get("of")
    one = Named(thing, kind, thing.get("strength") or "medium", start=thing.start, end=thing.end)
    one.site, one.inflow, one.outflow = thing.get("site"), thing.get("inflow"), thing.get("outflow")
    one.configuration, one.material = thing.get("configuration"), thing.get("material")
    scope = page.scope(thing)
    one.scope = scope.what
    verbs = [other for other in page.within(thing.sentence) if other.cls == "verb"]
    one.is_of_old = (
        scope.what == "past"
        and scope.cue is not None
        and bool(verbs)
        and not any(page.scope(verb, noun=verb.get("form") == "n").is_now for verb in verbs)
    )
    one.role = page.role(thing)
    sentence = page.sentence(thing.sentence)
    one.is_gone = scope.what != "now" and _IS_GONE.search(page.low, sentence.start, sentence.end) is not None
    one.is_tunnelled_here = "tunnel" in page.low[sentence.start : sentence.end]
    around = page.within(thing.sentence)
    at = around.index(thing)
    edge = thing.start
    for other in reversed(around[:at]):
        gap = page.low[other.end : edge]
        joins_vessels = other.cls in ("vessel", "vessels") and re.fullmatch(r"[\s\-]*(?:to|and)?[\s\-]*", gap)
        if (other.cls not in _MODIFIERS and other.cls != "nothing") or _is_of_the_neck(other, one):
            break
        if not joins_vessels and (len(gap.split()) > 4 or _LEFT_BREAKS.search(gap)):
            break
        _take(page, one, other)
        one.start = min(one.start, other.start)
        edge = other.start
    edge = thing.end
    for other in around[at + 1 :]:
        gap = page.low[edge : other.start]
        if other.cls in ("tool", "part") and len(gap) < 40:
            edge = other.end
            continue
        if other.cls not in _MODIFIERS or _is_of_the_neck(other, one):
            break
        if not _RIGHT_FILLERS.match(gap):
            break
        _take(page, one, other, right=True)
        one.end = max(one.end, other.end)
        edge = other.end
    return one


def _is_of_the_neck(other: Thing, one: Named) -> bool:
    """A jugular vein beside a fistula is that of a catheter."""
    return other.get("vein") in ("internal-jugular", "external-jugular") and one.kind in ("fistula", "graft")


def _take(page: Page, one: Named, other: Thing, right: bool = False) -> None:
    if other.cls == "side":
        side = other.get("side")
        if side != "both" and one.side is None:
            one.side = side
            one.side_span = (other.start, other.end)
        if other.get("vein") and one.vein is None:
            one.vein = other.get("vein")
        one.in_limb = one.in_limb or other.get("body") == "arm"
    elif other.cls == "body":
        one.in_limb = one.in_limb or (other.get("body") in ("arm", "leg") and one.thing.cls in ("head", "act"))
        if one.site is None and other.get("site") and not (one.kind in CATHETERS and other.get("body") != "leg"):
            one.site = other.get("site")
    elif other.cls == "vessels":
        if one.inflow is None:
            one.inflow = other.get("inflow")
        if one.outflow is None:
            one.outflow = other.get("outflow")
        if one.site is None:
            one.site = other.get("site")
    elif other.cls == "vessel":
        vein, artery = other.get("vein"), other.get("artery")
        if one.kind in CATHETERS:
            one.vein = one.vein or vein
        else:
            one.inflow = one.inflow or artery
            one.outflow = one.outflow or vein
    elif other.cls == "configuration":
        one.configuration = one.configuration or other.get("configuration")
    elif other.cls == "material":
        one.material = one.material or other.get("material")
        if one.kind is None:
            one.kind = "graft"


def _joined(found: list[Meant], one: Named) -> None:
    fits = [meant for meant in found if _can_be(meant, one, found)]
    if not fits:
        meant = Meant()
        found.append(meant)
    elif len(fits) == 1:
        meant = fits[0]
    else:

        def nearness(candidate: Meant) -> tuple[float, float]:
            said = sum(
                getattr(candidate, name) is not None and getattr(candidate, name) == getattr(one, name)
                for name in ("side", "site", "vein", "inflow", "outflow", "kind")
            )
            if candidate.kind == "tunnelled-catheter" and one.is_tunnelled_here:
                said += 1
            before = [name.start for name in candidate.named if name.start <= one.start]
            return (said, -(one.start - max(before)) if before else -(10**6))

        meant = max(fits, key=nearness)
    _merge(meant, one)


def _can_be(meant: Meant, one: Named, found: list[Meant]) -> bool:
    if meant.kind is not None and one.kind is not None and meant.kind != one.kind:
        both = {meant.kind, one.kind}
        if both <= CATHETERS and "catheter" in both and "peritoneal-catheter" not in both:
            pass
        elif both == {"fistula", "graft"} and one.thing.cls == "act":
            # A fistulogram is made of grafts as well.
            pass
        elif both == {"fistula", "graft"} and one.strength == "weak" and one.kind == "fistula":
            # A graft is called a fistula often enough, where the text knows no other fistula.
            if any(other.kind == "fistula" for other in found):
                return False
        else:
            return False
    elif one.kind is None and meant.kind in CATHETERS:
        return False
    if (
        one.is_of_old
        and (one.side or one.vein)
        and meant.side is None
        and any(name.scope == "now" for name in meant.named)
    ):
        # "Previous right line removed three days ago" does not say on which side today's is.
        return False
    if meant.side is not None and one.side is None and not one.is_gone and all(name.is_gone for name in meant.named):
        # "A left forearm fistula was tried in 2016 and never matured" does not say on which side today's is.
        return False
    for name in ("side", "vein"):
        mine, theirs = getattr(meant, name), getattr(one, name)
        if mine is not None and theirs is not None and mine != theirs:
            return False
    if meant.site and one.site and meant.site != one.site and not _same_region(meant.site, one.site):
        return False
    return not (
        meant.inflow
        and one.inflow
        and meant.outflow
        and one.outflow
        and (meant.inflow, meant.outflow) != (one.inflow, one.outflow)
    )


_REGIONS = (
    frozenset({"wrist", "forearm", "snuffbox"}),
    frozenset({"upper-arm", "elbow", "axilla"}),
    frozenset({"thigh", "groin"}),
    frozenset({"chest", "neck", "axilla"}),
    frozenset({"forearm", "elbow"}),
)


def _same_region(one: str, other: str) -> bool:
    return any(one in region and other in region for region in _REGIONS)


def _merge(meant: Meant, one: Named) -> None:
    if one.kind is not None:
        if meant.kind is None or meant.kind == "catheter":
            meant.kind = one.kind
            meant.weak_kind = one.strength == "weak"
        elif meant.kind == "fistula" and one.kind == "graft" and one.thing.cls == "head":
            meant.kind = "graft"
    for name in ("side", "site", "inflow", "outflow", "vein", "configuration", "material"):
        if getattr(meant, name) is None:
            setattr(meant, name, getattr(one, name))
    if one.side_span is not None:
        meant.side_spans.append(one.side_span)
    meant.named.append(one)
    meant.score += (
        _ROLE_WEIGHT.get(one.role, 0.5) * _SCOPE_WEIGHT.get(one.scope, 0.5) * (0.5 if one.strength == "weak" else 1.0)
    )


def _settle(page: Page, found: list[Meant]) -> None:
    """Sides that stand elsewhere: in the title, in "the left arm was prepped", in "the right internal jugular vein"."""
    for meant in found:
        if meant.kind in ("tunnelled-catheter", "nontunnelled-catheter", "catheter"):
            _settle_catheter(page, meant)
        elif meant.kind != "peritoneal-catheter" and meant.side is None:
            _settle_side(page, meant, found)


def _settle_side(page: Page, meant: Meant, found: list[Meant]) -> None:
    sides: dict[str, float] = {}
    spans: dict[str, tuple[int, int]] = {}
    taken = {span for other in found if other is not meant for span in other.side_spans}
    for thing in page.things:
        if thing.cls != "side" or thing.get("side") == "both" or (thing.start, thing.end) in taken:
            continue
        if thing.get("body") == "neck":
            continue
        role = page.role(thing)
        if role in ("past", "consent", "people", "header", "aside"):
            continue
        nearby = [
            other
            for other in page.within(thing.sentence)
            if 0 <= other.start - thing.end <= 30
            and other.cls in ("body", "vessel", "vessels", "place", "head", "act", "other")
        ]
        first = nearby[0] if nearby else None
        if first is not None and (
            first.cls == "other"
            or first.get("body") in ("neck", "chest", "abdomen")
            or first.get("vein") in ("internal-jugular",)
            or first.get("kind") in CATHETERS
        ):
            continue
        if first is not None and first.get("body") in ("hand",):
            continue
        weight = _ROLE_WEIGHT.get(role, 0.5) * _SCOPE_WEIGHT.get(page.scope(thing).what, 0.5)
        side = thing.get("side") or ""
        sides[side] = sides.get(side, 0.0) + weight
        spans.setdefault(side, (thing.start, thing.end))
    if not sides:
        return
    best = max(sides, key=lambda side: sides[side])
    rest = sum(weight for side, weight in sides.items() if side != best)
    if sides[best] >= 3 * rest and sides[best] >= 0.5:
        meant.side = best
        meant.side_spans.append(spans[best])
    elif rest:
        meant.doubts.append("the text names both sides, and it does not say of which one this access is")


def _settle_catheter(page: Page, meant: Meant) -> None:
    """The vein and the side of a catheter stand where it went in, not where the tunnel leaves the skin."""
    if meant.side is not None and meant.vein is not None:
        return
    best: tuple[float, str | None, str | None, tuple[int, int] | None] | None = None
    for thing in page.things:
        vein = thing.get("vein")
        if (
            vein is None
            or thing.cls not in ("vessel", "side")
            or vein
            in (
                "superior-vena-cava",
                "cephalic",
                "basilic",
                "brachial",
                "axillary",
                "median-cubital",
                "perforating",
                "brachiocephalic",
            )
        ):
            continue
        if vein == "inferior-vena-cava" and page.low[thing.start : thing.end] != "translumbar":
            continue
        if meant.vein is not None and vein != meant.vein:
            continue
        scope = page.scope(thing).what
        role = page.role(thing)
        side, span = thing.get("side"), (thing.start, thing.end) if thing.get("side") else None
        if side is None:
            around = page.within(thing.sentence)
            at = around.index(thing)
            for other in reversed(around[:at]):
                if other.cls == "side" and thing.start - other.end <= 12 and other.get("side") != "both":
                    side, span = other.get("side"), (other.start, other.end)
                break
        if meant.side is not None and side is not None and side != meant.side:
            continue
        weight = _ROLE_WEIGHT.get(role, 0.5) * (1.0 if scope in ("now", "diagnosis") else 0.2)
        if side is not None:
            weight *= 2
        sentence = page.sentence(thing.sentence)
        told = page.low[sentence.start : sentence.end]
        if re.search(r"occluded|thrombosed|attempt|could not|would not|abandoned|unsuccessful|failed|unable", told):
            weight *= 0.1
        elif scope in ("now", "diagnosis") and (
            re.search(r"\b(?:punctured|accessed|cannulated|entered|via|through)\b", told)
            or any(other.get("do") in ("place", "exchange", "remove") for other in page.within(thing.sentence))
        ):
            weight *= 4
        if best is None or weight > best[0]:
            best = (weight, vein, side, span)
    if best is None:
        if meant.side is None and meant.kind != "catheter":
            _settle_side_of_catheter(page, meant)
        return
    meant.vein = meant.vein or best[1]
    if meant.side is None and best[2] is not None:
        meant.side = best[2]
        if best[3] is not None:
            meant.side_spans.append(best[3])
    elif meant.side is None:
        _settle_side_of_catheter(page, meant)


def _settle_side_of_catheter(page: Page, meant: Meant) -> None:
    for thing in page.things:
        if thing.cls != "side" or page.role(thing) in ("past", "consent", "plan", "indication"):
            continue
        after = page.low[thing.end : thing.end + 20]
        of_the_vein = re.match(r"[\s\-]*(?:sided|neck|chest|groin|ij|femoral|subclavian)", after)
        says_side = page.low[thing.start : thing.end].endswith("side")
        if (of_the_vein or says_side) and page.scope(thing).what == "now":
            meant.side = thing.get("side")
            meant.side_spans.append((thing.start, thing.end))
            return
