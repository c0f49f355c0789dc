"""From a text to a reading: the walk through segments, mentions, scope, accesses, deeds, lesions and what is beside.

A function of the text and its envelope, and of nothing else: the same text always gives
the same reading, and no text makes it fail.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from ledger.dates import PartialDate
from ledger.reading.accesses import CATHETERS, Meant, accesses_of
from ledger.reading.acts import REASONS, Deed, LeftOut, deeds_of
from ledger.reading.amending import amends_of
from ledger.reading.around import Beside, beside_of
from ledger.reading.details import detail_of, visit_of
from ledger.reading.lesions import lesions_of
from ledger.reading.notes import notes_of
from ledger.reading.page import Page, Thing
from ledger.reading.proposals import Cite, Noticed, Proposal, ReadAccess, Reading, ReadLesion
from ledger.vocabulary import (
    AccessKind,
    Artery,
    Configuration,
    GraftMaterial,
    Outcome,
    Side,
    Site,
    Vein,
)

if TYPE_CHECKING:
    from ledger.arrival.values import Envelope

READER_VERSION = "reader-2"

_LONGEST = 200_000
"""Code points that are read; a text beyond that is not a report, and the rest is said to be unread."""

_VASCULAR = frozenset({"angiogram", "angioplasty", "stent", "thrombectomy"})


def read_report(text: str, envelope: Envelope | None = None) -> Reading:
    """What the text proposes. The date of the procedure comes from the text, else from the envelope, else stays open.

    Never raises for what a text holds, and every quote is a stretch of `text`. What a coded resource tells is not read
    from its words, but taken from its codes (`ledger.reading.coded`).
    """
    if envelope is not None and envelope.told is not None:
        from ledger.reading.coded import coded_reading

        return coded_reading(text, envelope.told)
    page = Page(text[:_LONGEST])
    happened, dated_by, date_doubt = _happened(page, envelope)
    accesses = accesses_of(page)
    deeds, left_out = deeds_of(page, accesses)
    main = _main(accesses, deeds)
    lesions = _lesions(page, deeds, main)
    beside = beside_of(page, deeds, accesses, main, happened)
    beside += notes_of(page, deeds, accesses, main, happened, beside)
    # A date at the access centre that fell through is told as that, and not as a procedure that was not done as well.
    told_as_date = any(one.kind == "appointment" for one in beside)
    cancelled = None if told_as_date else _not_done(page, deeds, accesses)
    used = _used(accesses, deeds, beside, main if cancelled else None)
    refs = {id(one): f"a{number}" for number, one in enumerate(used, 1)}
    proposed = _proposals(page, deeds, lesions, beside, refs, happened, date_doubt, cancelled, main, accesses)
    doubts = [date_doubt] if date_doubt and proposed else []
    amends = () if deeds else amends_of(page)
    if amends and not used:
        doubts.append(
            "an addendum or a correction that names no access: it is about the access of its first report"
            if any(one.what != "other" for one in amends)
            else "an addendum or a correction whose change is not understood: read it beside its first report"
        )
    if len(text) > _LONGEST:
        doubts.append("the text is longer than any report; what follows was not read")
    return Reading(
        text=text,
        reader=READER_VERSION,
        accesses=tuple(_access(page, one, refs[id(one)]) for one in used),
        proposed=tuple(proposed),
        noticed=_noticed(left_out, deeds),
        happened=happened,
        happened_from=dated_by,
        doubts=tuple(doubts),
        amends=amends,
    )


# --- The day ------------------------------------------------------------------------------------------------------


def _happened(page: Page, envelope: Envelope | None) -> tuple[PartialDate | None, str | None, str | None]:
    if page.day is not None:
        return page.day.date, "text", page.day.doubt
    if envelope is None:
        return None, None, None
    if envelope.performed is not None:
        return envelope.performed, "performed", None
    if envelope.dated is not None:
        return (
            envelope.dated,
            "dated",
            "the day is the one on which the report was written; the text does not say when it was done",
        )
    if envelope.file_dated is not None:
        return (
            envelope.file_dated,
            "file-dated",
            "the day is the file's own; neither the text nor its envelope says when it was done",
        )
    return None, None, None


# --- Accesses -----------------------------------------------------------------------------------------------------


def _main(accesses: list[Meant], deeds: list[Deed]) -> Meant | None:
    operated = [deed.access for deed in deeds if deed.access is not None]
    if operated:
        return operated[0]
    strong = [one for one in accesses if any(name.strength != "weak" or name.is_certain for name in one.named)]
    return max(strong, key=lambda one: one.weight, default=None)


def _used(accesses: list[Meant], deeds: list[Deed], beside: list[Beside], also: Meant | None) -> list[Meant]:
    found: list[Meant] = []
    for access in [*(deed.access for deed in deeds), *(one.access for one in beside), also]:
        if access is not None and not any(other is access for other in found):
            found.append(access)
    return found


def _access(page: Page, one: Meant, ref: str) -> ReadAccess:
    kind = AccessKind(one.kind) if one.kind and one.kind != "catheter" else None
    if one.kind == "catheter":
        kind = _kind_of_catheter(page, one)
    is_catheter = one.kind in CATHETERS
    quotes = sorted({Cite(start=name.start, end=name.end) for name in one.named if name.strength != "weak"})[:4]
    if not quotes:
        quotes = [Cite(start=name.start, end=name.end) for name in one.named[:1]]
    return ReadAccess(
        ref=ref,
        kind=kind,
        side=Side(one.side) if one.side in ("left", "right") else None,
        site=Site(one.site) if one.site else None,
        inflow=Artery(one.inflow) if one.inflow and not is_catheter else None,
        outflow=Vein(one.outflow) if one.outflow and not is_catheter else None,
        vein=Vein(one.vein) if one.vein and is_catheter else None,
        configuration=Configuration(one.configuration) if one.configuration else None,
        material=GraftMaterial(one.material) if one.material else None,
        described=_described(one),
        quotes=tuple(quotes),
        side_quotes=tuple(Cite(start=start, end=end) for start, end in sorted(set(one.side_spans))[:3]),
        doubts=tuple(one.doubts),
    )


def _kind_of_catheter(page: Page, one: Meant) -> AccessKind | None:
    """What kind of catheter, where the name does not say it: by a cuff, by a tunnel, or by the groin."""
    own = {name.thing.sentence for name in one.named}
    beside = " ".join(page.low[page.sentence(index).start : page.sentence(index).end] for index in sorted(own))
    told = " ".join(
        page.low[sentence.start : sentence.end]
        for sentence in page.parts.sentences
        if sentence.role in ("title", "opening", "technique", "narrative", "findings", "impression", "access")
    )
    if re.search(r"\bnon[\s-]?(?:tunnel|cuff)|\buncuffed", beside):
        return AccessKind.NONTUNNELLED
    if re.search(r"(?<!non)(?<!non-)(?<!non )(?:\btunnel(?!l?er)|\bcuff)", told):
        return AccessKind.TUNNELLED
    if re.search(r"temporary|acute dialysis|vas-?cath|triple[\s-]lumen|bedside", beside) or one.vein == "femoral":
        return AccessKind.NONTUNNELLED
    return None


def _described(one: Meant) -> str | None:
    parts = []
    if one.kind in CATHETERS:
        if one.vein:
            parts.append(one.vein.replace("-", " "))
    else:
        if one.inflow and one.outflow:
            parts.append(
                f"{one.inflow}-{one.outflow}".replace("brachial-", "brachio").replace("radial-", "radio")
                if one.outflow in ("cephalic", "basilic") and one.inflow in ("brachial", "radial")
                else f"{one.inflow}-{one.outflow}"
            )
        elif one.outflow:
            parts.append(one.outflow)
        if one.site:
            parts.append(one.site.replace("-", " "))
        if one.configuration in ("loop", "necklace"):
            parts.append(one.configuration)
    if not parts and one.site:
        parts.append(one.site)
    return " ".join(parts) or None


# --- Proposals ----------------------------------------------------------------------------------------------------


def _lesions(page: Page, deeds: list[Deed], main: Meant | None) -> list[ReadLesion]:
    if not any(deed.kind in _VASCULAR for deed in deeds):
        return []
    return lesions_of(page, is_graft=main is not None and main.kind == "graft")


def _not_done(page: Page, deeds: list[Deed], accesses: list[Meant]) -> tuple[Outcome, Cite] | None:
    """A procedure that was cancelled, declined or given up before anything was done."""
    if deeds or not any(
        name.strength != "weak" or name.is_certain or name.thing.get("access") for one in accesses for name in one.named
    ):
        return None
    for pattern, outcome in (
        (r"procedure (?:was )?cancell?ed|case cancell?ed|(?:was|were) cancell?ed|cancell?ed\b", Outcome.CANCELLED),
        (
            (
                r"(?:patient|pt|he|she)\s+(?:\w+\s+)?(?:declined|refused)\s+(?:the\s+)?(?:procedure"
                r"|intervention|fistulogram|surgery|operation|to)|declined procedure"
            ),
            Outcome.DECLINED,
        ),
        (
            (
                r"no fistula (?:was )?formed|procedure (?:was )?(?:abandoned|aborted|terminated)"
                r"|(?:was|were) (?:abandoned|aborted)"
            ),
            Outcome.GIVEN_UP,
        ),
    ):
        for hit in re.finditer(pattern, page.low):
            index = page.parts.index_at(hit.start())
            role = page.sentence(index).role if index is not None else "opening"
            if role in ("past", "indication", "consent", "plan", "access") or page.is_clinic:
                continue
            return outcome, Cite(start=hit.start(), end=hit.end())
    return None


def _proposals(
    page: Page,
    deeds: list[Deed],
    lesions: list[ReadLesion],
    beside: list[Beside],
    refs: dict[int, str],
    happened: PartialDate | None,
    date_doubt: str | None,
    cancelled: tuple[Outcome, Cite] | None,
    main: Meant | None,
    accesses: list[Meant],
) -> list[Proposal]:
    found: list[Proposal] = []
    given = _lesions_by_deed(deeds, lesions)
    for deed in deeds:
        detail = detail_of(page, deed)
        mine = given.get(id(deed), [])
        if mine:
            detail["lesions"] = tuple(mine)
        doubts = list(deed.doubts)
        access = deed.access
        if access is not None:
            doubts.extend(access.doubts)
            if access.kind is None:
                doubts.append("the text does not say what kind of access it is")
        told_against = [one for one in deed.against if one.scope.what in ("denied", "given-up")]
        if told_against:
            doubts.append("the text also says that it was not done, or was given up")
        if date_doubt:
            doubts.append(date_doubt)
        plain = not doubts and _is_plain(page, deed, accesses, lesions)
        quotes = _quotes(page, deed, mine)
        found.append(
            Proposal(
                kind=deed.kind,
                access=refs.get(id(access)) if access is not None else None,
                happened=happened,
                quotes=quotes,
                detail=detail,
                doubts=tuple(doubts),
                plain=plain,
                why=_why(deed),
                of_visit=True,
            )
        )
    if deeds:
        detail, cites = visit_of(page, Outcome.DONE)
        access = deeds[0].access
        first = found[0].quotes[0] if found[0].quotes else None
        found.append(
            Proposal(
                kind="visit",
                access=refs.get(id(access)) if access is not None else None,
                happened=happened,
                quotes=tuple(sorted(set(cites))[:6]) or ((first,) if first else ()),
                detail=detail,
                doubts=(date_doubt,) if date_doubt else (),
                plain=False,
                why="what the entries of this procedure share",
                of_visit=True,
            )
        )
    elif cancelled is not None and main is not None:
        outcome, cite = cancelled
        found.append(
            Proposal(
                kind="visit",
                access=refs.get(id(main)),
                happened=happened,
                quotes=(cite,),
                detail={"outcome": outcome},
                doubts=(date_doubt,) if date_doubt else (),
                plain=False,
                why="the report says that the procedure was not done",
                of_visit=True,
            )
        )
    for one in beside:
        found.append(
            Proposal(
                kind=one.kind,
                access=refs.get(id(one.access)) if one.access is not None else None,
                happened=one.happened or happened,
                quotes=tuple(one.cites),
                detail=one.detail,
                doubts=(*one.doubts, *([date_doubt] if date_doubt and one.happened is None else [])),
                plain=one.plain and not one.doubts and not date_doubt,
                why=one.why,
                of_visit=one.of_visit,
            )
        )
    return found


def _is_plain(page: Page, deed: Deed, accesses: list[Meant], lesions: list[ReadLesion]) -> bool:
    """The words leave no room.

    The text tells the deed more than once; or a title names it with its access; or, in a text that speaks of no other
    access, and of this one with its side, a title names it and the account bears it out, or a finished verb of an
    operation tells it of its access. A deed that is only concluded (of the bare name of an access, of contrast) is
    never plain.
    """
    said = [one for one in deed.evidence if one.thing.cls in ("act", "verb")]
    named = any(one.names_access for one in said) or any(
        one.role in ("title", "opening") and _names_beside(page, one.thing, deed.access) for one in said
    )
    if len(said) > 1 and (named or _is_spoken_of_alone(deed.access, accesses)):
        return any(one.weight >= 2 for one in said)
    if any(one.role == "title" and one.names_access for one in said):
        return True
    if deed.against or deed.access is None or not _is_the_only_one(deed.access, accesses):
        return False
    if any(one.role == "title" and one.weight == 3 for one in said) and _is_borne_out(page, deed, lesions):
        return True
    return page.operating_words >= 2 and any(
        one.weight == 2
        and (one.names_access or _is_borne_out(page, deed, lesions))
        and one.thing.get("form") == "v"
        and one.role in ("technique", "narrative", "findings", "opening")
        for one in said
    )


def _is_borne_out(page: Page, deed: Deed, lesions: list[ReadLesion]) -> bool:
    """Beside the title the account tells what belongs to the deed: a lesion that was dilated, clot, what was seen."""
    told = frozenset({"technique", "narrative", "findings", "impression"})
    seen = {thing.cls for thing in page.things if page.role(thing) in told}
    match deed.kind:
        case "angioplasty":
            return any(one.ballooned for one in lesions)
        case "stent":
            return any(one.stented and one.stents for one in lesions)
        case "angiogram":
            return any(one.place is not None for one in lesions) or "patent" in seen or "central" in seen
        case "thrombectomy":
            return "clot" in seen or "clotted" in seen
        case _:
            return False


def _is_the_only_one(access: Meant, accesses: list[Meant]) -> bool:
    """The text speaks of one access, names it so that it can be nothing else, and says its side."""
    if access.doubts or not any(name.is_certain for name in access.named):
        return False
    if access.side not in ("left", "right") and access.kind != "peritoneal-catheter":
        return False
    return _is_spoken_of_alone(access, accesses)


def _is_spoken_of_alone(access: Meant | None, accesses: list[Meant]) -> bool:
    """No other access is named in the text, not even one of long ago."""
    return all(one is access or one.kind is None for one in accesses)


def _names_beside(page: Page, thing: Thing, access: Meant | None) -> bool:
    """The sentence of a deed names the access that it is taken for."""
    return access is not None and any(name.thing.sentence == thing.sentence for name in access.named)


def _lesions_by_deed(deeds: list[Deed], lesions: list[ReadLesion]) -> dict[int, list[ReadLesion]]:
    """Each lesion once: with the deed that treated it, else with the angiogram, else with the clot's removal."""
    by_kind: dict[str, Deed] = {}
    for deed in deeds:
        by_kind.setdefault(deed.kind, deed)
    found: dict[int, list[ReadLesion]] = {}
    for lesion in lesions:
        order = ("angiogram", "thrombectomy", "angioplasty", "stent")
        if lesion.stented:
            order = ("stent", "angioplasty", "angiogram", "thrombectomy")
        elif lesion.ballooned:
            order = ("angioplasty", "stent", "angiogram", "thrombectomy")
        teller = next((by_kind[kind] for kind in order if kind in by_kind), None)
        if teller is not None:
            found.setdefault(id(teller), []).append(lesion)
    return found


_MOST_QUOTES = 10
_LONGEST_QUOTE = 220


def _quotes(page: Page, deed: Deed, lesions: list[ReadLesion]) -> tuple[Cite, ...]:
    """The sentences that tell a deed best, and those that tell its lesions; each once."""
    best = sorted(deed.evidence, key=lambda one: (-one.weight, one.start))
    cites = [Cite(start=one.start, end=one.end) for one in best[:3]]
    for lesion in lesions:
        cites.extend(lesion.quotes)
    unlike: list[Cite] = []
    for cite in cites:
        wide = _widened(page, cite)
        if wide.end > wide.start and wide not in unlike:
            unlike.append(wide)
    return tuple(unlike[:_MOST_QUOTES])


def _widened(page: Page, cite: Cite) -> Cite:
    """The sentence around some words, so that a person can judge them; of a long one what stands between its commas."""
    index = page.parts.index_at(cite.start)
    if index is None:
        return cite
    sentence = page.sentence(index)
    end = max(sentence.end, cite.end)
    if end - sentence.start <= _LONGEST_QUOTE:
        return Cite(start=sentence.start, end=end)
    left = page.low.rfind(", ", max(sentence.start, cite.start - 90), cite.start)
    right = page.low.find(", ", cite.end, min(end, cite.end + 90))
    start = left + 2 if left >= 0 else _word_before(page, max(sentence.start, cite.start - 90), sentence.start)
    return Cite(start=min(start, cite.start), end=right if right >= 0 else _word_after(page, cite.end + 90, end))


def _word_before(page: Page, place: int, first: int) -> int:
    space = page.low.find(" ", place)
    return first if place <= first or space < 0 else space + 1


def _word_after(page: Page, place: int, last: int) -> int:
    space = page.low.rfind(" ", 0, place)
    return last if place >= last or space < 0 else space


def _why(deed: Deed) -> str:
    parts = []
    if deed.in_title:
        parts.append("the title names it")
    if deed.is_told:
        parts.append("the account tells it as done")
    elif not deed.in_title:
        parts.append("the account names it")
    access = deed.access
    if access is not None and any(one.access is access and one.thing.cls == "verb" for one in deed.evidence):
        parts.append("with this access as its object")
    elif access is not None:
        parts.append("this is the access that the report is about")
    return "; ".join(parts)


def _noticed(left_out: list[LeftOut], deeds: list[Deed]) -> tuple[Noticed, ...]:
    told = {(one.start, one.end) for deed in deeds for one in deed.evidence}
    found: dict[tuple[int, int], Noticed] = {}
    for one in left_out:
        key = (one.start, one.end)
        if key in found or key in told:
            continue
        found[key] = Noticed(start=one.start, end=one.end, what=one.what, reason=REASONS.get(one.reason, one.reason))
    return tuple(found[key] for key in sorted(found))
