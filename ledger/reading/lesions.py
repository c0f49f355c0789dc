"""Narrowings and occlusions: where, how much before, what was done to each, how much was left.

The text is walked sentence by sentence, as it is told: what is found opens a lesion,
what is done and what is left goes to the lesion that the sentence names, else to the
one that was last spoken of. A percentage that is not a stenosis is left alone, and an
intermediate result gives way to the later one.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from ledger.measured import Measured
from ledger.reading.details import across_needle_zone
from ledger.reading.measures import Quantity
from ledger.reading.page import Page, Thing
from ledger.reading.proposals import Cite, ReadBalloon, ReadLesion, ReadStent
from ledger.vocabulary import Grade, LesionPlace, Side, TreatmentOutcome

_TOLD_IN = frozenset({"findings", "technique", "impression", "narrative", "opening", "complications", "title"})
_TO_PLACE = re.compile(
    r"^[^,;:]*\b(?:of|in|at|within|involving|along|near|across|throughout|affecting"
    r"|just)\b[^,;:]*$|^\s*(?:stenosis|narrowing|lesion)?\s*[@(\-]?\s*$"
)
_NOT_IN_GAP = re.compile(r"\b(?:and the|and a|and an|but|while|with|was|were|is|are|which)\b")
_SEGMENT = re.compile(
    r"(mid|middle|proximal|distal|central|peripheral|upper|lower|whole|entire|terminal"
    r"|midportion)[\s\-]*(?:portion of (?:the )?|part of (?:the )?|aspect of (?:the )?"
    r"|segment of (?:the )?|to\s+\w+\s+)?(?:left\s+|right\s+)?(?:upper arm\s+|forearm\s+)?$"
)
_TAG = re.compile(r"[\s\-*•]*(?:\w{2,12}:\s*)?(?:#|lesion\s*#?|stenosis\s*#?|site\s*#?|no\.?\s*)(\d)\b")
_ARROW = re.compile(r"(?:->|→|=>|-->|\bto\b)\s*(?:<|less than|about)?\s*$")


_IS_A_LENGTH = re.compile(r"\s*(?:-\s*)?(?:long\b|in length|length\b)")
_MARKS = frozenset({"residual", "after", "before", "recoil", "stenosis"})
_AT_AN_ANASTOMOSIS = frozenset(
    {
        LesionPlace.ARTERIAL_ANASTOMOSIS,
        LesionPlace.JUXTA_ANASTOMOTIC,
        LesionPlace.GRAFT_ARTERY_ANASTOMOSIS,
        LesionPlace.GRAFT_VEIN_ANASTOMOSIS,
    }
)


@dataclass
class _Open:
    """A lesion while the text is still being read."""

    place: LesionPlace | None = None
    side: Side | None = None
    segment: str | None = None
    said: str | None = None
    before: Measured | None = None
    grade: Grade | None = None
    after: Measured | None = None
    after_grade: Grade | None = None
    length: Measured | None = None
    reference: Measured | None = None
    smallest: Measured | None = None
    in_stent: bool | None = None
    left_alone: bool | None = None
    recoiled: bool = False
    ruptured: bool = False
    balloons: list[ReadBalloon] = field(default_factory=list)
    stents: list[ReadStent] = field(default_factory=list)
    ballooned: bool = False
    stented: bool = False
    cites: list[Cite] = field(default_factory=list)
    sentence: int = -1
    tag: str | None = None

    def cite(self, start: int, end: int) -> None:
        one = Cite(start=start, end=end)
        if one not in self.cites:
            self.cites.append(one)


@dataclass(frozen=True)
class _Where:
    """A place as some words name it."""

    start: int
    end: int
    place: LesionPlace | None
    side: Side | None
    segment: str | None
    weak: bool


def lesions_of(page: Page, *, is_graft: bool) -> list[ReadLesion]:
    """The lesions that a text tells, each once, in the order in which they are met."""
    walk = _Walk(page, is_graft)
    for index, sentence in enumerate(page.parts.sentences):
        if sentence.role in _TOLD_IN:
            walk.read(index)
    for index, sentence in enumerate(page.parts.sentences):
        if sentence.role == "title":
            walk.read_title(index)
    found = [
        _closed(one)
        for one in walk.lesions
        if one.place or one.before or one.after or one.ballooned or one.stented or one.said
    ]
    return _over_the_needles(page, found)


def _over_the_needles(page: Page, lesions: list[ReadLesion]) -> list[ReadLesion]:
    """What the text says of its stent and the segment that is needled; of several stents it is not known which."""
    stented = [one for one in lesions if one.stented]
    said = across_needle_zone(page) if len(stented) == 1 else None
    if said is None:
        return lesions
    across, cite = said
    return [
        replace(
            one,
            stents=tuple(replace(stent, across_needle_zone=across) for stent in one.stents or (ReadStent(),)),
            quotes=tuple(sorted({*one.quotes, cite})),
        )
        if one.stented
        else one
        for one in lesions
    ]


class _Walk:
    def __init__(self, page: Page, is_graft: bool) -> None:
        self.page = page
        self.is_graft = is_graft
        self.lesions: list[_Open] = []
        self.spoken: list[_Open] = []  # those of the sentence that last spoke of any
        self.treated: list[_Open] = []
        self.now = -1  # the sentence that is being read

    # --- One sentence

    def read(self, index: int) -> None:
        page = self.page
        self.now = index
        sentence = page.sentence(index)
        things = page.within(index)
        quantities = page.quantities_in(sentence.start, sentence.end)
        if not things and not quantities:
            return
        places = self._places(index, things)
        spoken: list[_Open] = []
        percents = [one for one in quantities if one.unit == "percent" and self._is_stenosis(one, index, things)]
        if sentence.role != "title" or percents:
            for one in percents:
                if self._is_residual(one, index, things, percents):
                    continue
                lesion = self._found(one, index, things, places, percents)
                if lesion is not None and lesion not in spoken:
                    spoken.append(lesion)
            for lesion in self._graded(index, things, places, percents):
                if lesion not in spoken:
                    spoken.append(lesion)
        if spoken:
            self.spoken = spoken
        self._devices(index, things, quantities, places, spoken)
        if sentence.role != "title" or percents:
            left = [one for one in percents if self._is_residual(one, index, things, percents)]
            ordered = self._in_order(index, len(left))
            if not ordered and len(left) > 1 and len(left) == len(self.treated) and not places:
                # "Residual 10 % and 25 %", after two that were treated in this order.
                ordered = self.treated
            for at, one in enumerate(left):
                if ordered:
                    ordered[at].after, ordered[at].after_grade = one.first, None
                    ordered[at].cite(one.start, one.end)
                else:
                    self._left(one, index, things, places, percents)
            self._left_in_words(index, things, places, percents)
            self._lengths(index, quantities, spoken)
            self._calibres(index, quantities)
            self._ruptures(index, things)
            self._left_alone(index, places)

    def read_title(self, index: int) -> None:
        """A title that gives the balloon of a place: "4. Balloon angioplasty, cephalic arch, 9 mm"."""
        page = self.page
        things = page.within(index)
        sentence = page.sentence(index)
        acts = [
            one for one in things if one.cls == "act" and one.get("kind") == "angioplasty" and page.scope(one).is_now
        ]
        sizes = [one for one in page.quantities_in(sentence.start, sentence.end) if one.unit in ("mm", "size", "sizes")]
        if not acts or len(sizes) != 1 or any(one.cls in ("stent", "head") for one in things):
            return
        for where in self._places(index, things):
            lesion = self._lesion_at(where, None)
            if lesion is not None and not lesion.balloons:
                lesion.ballooned = True
                for diameter in sizes[0].all or (sizes[0].first,):
                    lesion.balloons.append(ReadBalloon(diameter_mm=diameter, length_mm=sizes[0].second))
                lesion.cite(sizes[0].start, sizes[0].end)

    # --- Places

    def _places(self, index: int, things: list[Thing]) -> list[_Where]:
        found = []
        for at, thing in enumerate(things):
            name = thing.get("place")
            weak = thing.get("weak") is not None
            site = None
            if name is None:
                if (
                    thing.cls == "body"
                    and thing.get("site") in ("forearm", "upper-arm", "elbow")
                    and self._segment_before(thing)
                ):
                    site = self.page.low[thing.start : thing.end]
                else:
                    continue
            before = things[at - 1] if at else None
            side = None
            if (
                before is not None
                and before.cls == "side"
                and thing.start - before.end <= 2
                and before.get("side") != "both"
            ):
                side = Side(before.get("side") or "")
            segment = self._segment_before(thing)
            if site is not None:
                found.append(_Where(thing.start, thing.end, None, side, f"{segment} {site}", False))
                continue
            if name is None or (thing.get("graft") and not self.is_graft):
                continue
            place = LesionPlace(name)
            if place is LesionPlace.ARTERIAL_ANASTOMOSIS and self.is_graft and not weak:
                place = LesionPlace.GRAFT_ARTERY_ANASTOMOSIS
            words = self.page.low[thing.start : thing.end]
            if segment is None and re.match(r"upper arm|forearm", words):
                segment = words.split()[0]
            if (
                segment is None
                and before is not None
                and before.get("site") in ("forearm", "upper-arm")
                and thing.start - before.end <= 2
            ):
                segment = self.page.low[before.start : before.end]
            found.append(_Where(thing.start, thing.end, place, side, segment, weak))
        return found

    def _segment_before(self, thing: Thing) -> str | None:
        found = _SEGMENT.search(self.page.low, max(0, thing.start - 45), thing.start)
        return found[1] if found else None

    def _place_for(self, start: int, end: int, places: list[_Where], bound: tuple[int, int]) -> _Where | None:
        """The place that a number belongs to: "80 % stenosis of the arch", else "the arch had an 80 % stenosis"."""
        low = self.page.low
        after = [one for one in places if end <= one.start < bound[1]]
        for one in after:
            gap = low[end : one.start]
            if len(gap) > 110:
                break
            if _TO_PLACE.match(gap) and not _NOT_IN_GAP.search(gap):
                better = next(
                    (
                        other
                        for other in after
                        if other is not one
                        and one.weak is False
                        and other.place is LesionPlace.CEPHALIC_ARCH
                        and other.start - one.end < 12
                    ),
                    None,
                )
                return better or one
            break
        before = [one for one in places if bound[0] <= one.start and one.end <= start]
        if before:
            nearest = before[-1]
            if self.page.words_between(nearest.end, start) <= 16:
                return nearest
        if after and self.page.words_between(end, after[0].start) <= 5:
            return after[0]
        # "80 % juxta-anastomotic stenosis" is met by the gap above; the weak rest has no place.
        return None

    # --- What was found

    def _is_stenosis(self, one: Quantity, index: int, things: list[Thing]) -> bool:
        page = self.page
        for thing in things:
            if thing.cls == "drugpercent" and (0 <= thing.start - one.end <= 12 or 0 <= one.start - thing.end <= 12):
                return False
            if (
                thing.cls == "percentother"
                and page.words_between(min(thing.end, one.end), max(thing.start, one.start)) <= 9
            ):
                return False
        if re.match(
            (
                r"\s*(?:lido|ligno|xylo|marc|bupi|saline|solution|of the (?:time|circum|arterial)"
                r"|oxygen|o2|dextr|epi|luminal gain|confidence|flow|decrease in flow|increase"
                r"|improvement|of (?:his|her|their)|isodose|chance|risk|success)"
            ),
            page.low[one.end : one.end + 24],
        ):
            return False
        sentence = page.sentence(index)
        words = any(
            thing.cls in ("stenosis", "residual", "after", "before", "recoil", "instent") or thing.get("place")
            for thing in things
        )
        words = words or any(thing.cls == "act" and thing.get("kind") in ("angioplasty", "stent") for thing in things)
        if not words and not (
            index and self.spoken and sentence.role in ("findings", "technique", "impression", "narrative")
        ):
            return False
        scope = page.scope_of(one.start, one.end, index)
        if scope.what in ("past", "planned", "risk"):
            return False
        if not words:
            return bool(re.search(r"steno|narrow|resid|lesion|balloon|dilat", page.low[sentence.start : sentence.end]))
        return not (
            scope.what == "denied"
            and not any(thing.cls in ("residual",) for thing in things)
            and self._denies_near(one, index)
        )

    def _denies_near(self, one: Quantity, index: int) -> bool:
        before = self.page.low[max(0, one.start - 40) : one.start]
        return bool(re.search(r"\b(?:no|without|nor)\b[^.,;]*$", before))

    def _is_residual(self, one: Quantity, index: int, things: list[Thing], percents: list[Quantity]) -> bool:
        page = self.page
        low = page.low
        at = percents.index(one)
        lower = percents[at - 1].end if at else page.sentence(index).start
        upper = percents[at + 1].start if at + 1 < len(percents) else page.sentence(index).end
        before, after = low[lower : one.start], low[one.end : upper]
        if at and _ARROW.search(before) and len(before) < 140:
            return True
        if re.search(
            r"\b(?:dilat\w+|plast\w+|balloon\w*|angioplast\w+|pta)\b[^.;%]{0,60}\bto\s*$", before
        ) and not re.match(r"[\s)]*(?:stenosis|narrowing)", after):
            return True
        if re.search(r"\b(?:after|following)\b[^.;%]{0,40}\bballoons?\b[^.;%]{0,30}$", before):
            return True
        if re.search(r"\b(?:balloons?|pta|plasty|angioplasty|dilat\w+)\b[^.;%]{0,20}\bleft\s*$", before):
            return True
        # "Residual was 10 % at the anastomosis and 20 % in the axillary vein": the second goes on as the first.
        between = [mark for mark in things if lower <= mark.start < one.start and mark.cls in _MARKS]
        if at and not between and len(before) < 60 and self._is_residual(percents[at - 1], index, things, percents):
            return not re.match(r"[\s)]*(?:stenosis|narrowing|lesion|occlu)", after)
        if re.match(
            r"[\s)]*(?:of\s+)?(?:mild\s+|minimal\s+|minor\s+)?(?:residual|recoil|residuum|remaining|remained|remains)",
            after,
        ):
            return True
        if re.match(
            r"[\s)]*(?:after\b(?!\s+(?:the|an?)\b)|afterwards|post\b(?![\s:=\-]*$|-)"
            r"|at (?:the )?(?:end|completion))",
            after,
        ):
            return True
        if re.match(
            (
                r"\s*(?:stenosis|narrowing)?\s*(?:remained|remaining|remains|persist\w*|was left\b"
                r"|left(?=\s*(?:[.,;)]|$|in\b|behind)))"
            ),
            after,
        ):
            return True
        if re.match(
            (
                r"[\s)]*(?:stenosis|narrowing|recurrent|in[\s-]stent|tight|occlu|lesion|focal|luminal"
                r"|diameter|concentric|eccentric)"
            ),
            after,
        ) and not re.search(
            (
                r"\b(?:residual|leaving|post|final|reduced to|improved to|down to|leaves|decreased to"
                r"|completion|remaining)\b[^.;]*$"
            ),
            before,
        ):
            return False
        marks = [
            thing
            for thing in things
            if lower <= thing.start < one.start and thing.cls in ("residual", "after", "before", "recoil", "stenosis")
        ]
        if marks:
            last = marks[-1]
            if last.cls in ("residual", "recoil"):
                return True
            if last.cls == "after":
                return page.words_between(last.end, one.start) <= 12
            if last.cls == "before":
                return False
            earlier = [mark for mark in marks if mark.cls in ("residual", "after")]
            if last.cls == "stenosis" and earlier and page.words_between(earlier[-1].end, one.start) <= 5:
                return True
        # "(<20%)" behind "minimal residual narrowing at the anastomosis"
        if re.search(r"residual[^.;%]*$", before):
            return True
        following = [
            thing for thing in things if one.end <= thing.start < upper and thing.cls in ("residual", "recoil")
        ]
        return bool(following) and page.words_between(one.end, following[0].start) <= 3

    def _found(
        self, one: Quantity, index: int, things: list[Thing], places: list[_Where], percents: list[Quantity]
    ) -> _Open | None:
        at = percents.index(one)
        sentence = self.page.sentence(index)
        lower = percents[at - 1].end if at else sentence.start
        upper = percents[at + 1].start if at + 1 < len(percents) else sentence.end
        where = self._place_for(one.start, one.end, places, (lower, upper)) or (
            self._place_for(one.start, one.end, places, (sentence.start, sentence.end))
            if at and not any(p.start < lower and self._used(p) for p in places)
            else None
        )
        lesion = None
        if where is None:
            if not self._speaks_of_stenosis(one, things):
                return None
            # "There was a tight lesion at the arch. It measured 90 %": the one just spoken of, if it has no number yet.
            free = [other for other in self.spoken if other.before is None and other.sentence >= index - 1]
            lesion = free[-1] if free else None
            if lesion is None:
                same = [other for other in self.lesions if other.before == one.first]
                lesion = same[-1] if same else None
        if lesion is None:
            lesion = self._lesion_at(where, one.first)
        if lesion is None:
            lesion = self._opened(where, index)
        if lesion.before is None or (lesion.before == one.first):
            lesion.before = one.first
            lesion.cite(*self._cite_of(one.start, one.end, where, index))
        lesion.sentence = index
        lesion.tag = lesion.tag or self._tag(index)
        self._grade_near(lesion, one.start, one.end, index, things)
        for thing in things:
            if thing.cls == "instent" and min(percents, key=lambda other: self._apart(other, thing)) is one:
                lesion.in_stent = True
        return lesion

    def _used(self, where: _Where) -> bool:
        return any(lesion.place == where.place for lesion in self.lesions)

    @staticmethod
    def _apart(one: Quantity, thing: Thing) -> int:
        return max(thing.start - one.end, one.start - thing.end, 0)

    def _speaks_of_stenosis(self, one: Quantity, things: list[Thing]) -> bool:
        if any(thing.cls == "act" and thing.get("kind") in ("angioplasty", "stent") for thing in things):
            return True
        near = [thing for thing in things if thing.cls in ("stenosis", "instent")]
        return any(self.page.words_between(min(thing.end, one.end), max(thing.start, one.start)) <= 6 for thing in near)

    def _lesion_at(self, where: _Where | None, before: Measured | None) -> _Open | None:
        if where is None:
            return None
        if where.weak and not any(lesion.place is where.place for lesion in self.lesions):
            # "At the anastomosis" without more is the one anastomosis that was spoken of.
            near = [lesion for lesion in self.lesions if lesion.place in _AT_AN_ANASTOMOSIS]
            if len(near) == 1 and (before is None or near[0].before in (None, before)):
                return near[0]
        for lesion in reversed(self.lesions):
            if lesion.place is not where.place and not (
                lesion.place is None and lesion.said is None and lesion.before == before and before is not None
            ):
                continue
            if lesion.side and where.side and lesion.side is not where.side:
                continue
            if lesion.segment and where.segment and lesion.segment != where.segment:
                continue
            if where.place is None and lesion.segment != where.segment:
                continue
            if before is not None and lesion.before is not None and lesion.before != before:
                # Another number at the same place is another lesion only if a segment tells them apart.
                if not (lesion.segment and where.segment) and lesion.sentence != self.now:
                    return lesion
                continue
            return lesion
        return None

    def _opened(self, where: _Where | None, index: int) -> _Open:
        lesion = _Open(sentence=index)
        if where is not None:
            self._placed(lesion, where)
        self.lesions.append(lesion)
        return lesion

    def _placed(self, lesion: _Open, where: _Where) -> None:
        lesion.place, lesion.side, lesion.segment = where.place, where.side, where.segment
        start = where.start
        if where.segment is not None:
            found = self.page.low.rfind(where.segment.split()[0], max(0, where.start - 45), where.end)
            start = found if found >= 0 else start
        lesion.said = " ".join(self.page.text[start : where.end].split())

    def _cite_of(self, start: int, end: int, where: _Where | None, index: int) -> tuple[int, int]:
        if where is not None:
            start, end = min(start, where.start), max(end, where.end)
        after = re.compile(r"\s*(?:\w+\s+){0,2}(?:stenosis|narrowing|lesion|occlusion)").match(
            self.page.low, end, self.page.sentence(index).end
        )
        return start, after.end() if after else end

    def _grade_near(self, lesion: _Open, start: int, end: int, index: int, things: list[Thing]) -> None:
        for thing in things:
            if (
                thing.cls == "grade"
                and abs(thing.start - start) < 40
                and lesion.grade is None
                and thing.get("grade") not in ("significant", "minimal")
            ):
                lesion.grade = Grade(thing.get("grade") or "")

    def _graded(self, index: int, things: list[Thing], places: list[_Where], percents: list[Quantity]) -> list[_Open]:
        """A stenosis told without a number: it stays in words."""
        page = self.page
        found = self._tight(index, things, places, percents)
        for at, thing in enumerate(things):
            words = page.low[thing.start : thing.end]
            if thing.cls != "stenosis" or words == "waist" or (words.startswith("lesion") and not places):
                continue
            if not page.scope(thing).is_now or page.is_questioned(thing):
                continue
            if any(page.words_between(min(one.end, thing.end), max(one.start, thing.start)) <= 6 for one in percents):
                continue
            if any(
                other.cls == "residual"
                and page.words_between(min(other.end, thing.end), max(other.start, thing.start)) <= 4
                for other in things
            ):
                continue
            lower, upper = page.sentence(index).start, page.sentence(index).end
            where = self._place_for(thing.start, thing.end, places, (lower, upper))
            if where is None:
                touching = [one for one in places if 0 <= thing.start - one.end <= 14]
                where = touching[-1] if touching else None
            if where is None or (where.weak and thing.get("word") == "weak"):
                continue
            lesion = self._lesion_at(where, None)
            if (
                lesion is None
                and page.sentence(index).role == "impression"
                and any(one.before for one in self.lesions)
                and where.weak
            ):
                continue
            if lesion is None:
                lesion = self._opened(where, index)
                lesion.grade = Grade(thing.get("grade") or "present")
                start, end = min(where.start, thing.start), max(where.end, thing.end)
                lesion.cite(start, end)
                previous = [
                    one for one in things[:at] if one.cls == "grade" and page.words_between(one.end, thing.start) <= 5
                ]
                if previous and lesion.grade is Grade.PRESENT:
                    lesion.grade = Grade(previous[-1].get("grade") or "")
            if len(places) == 1 and any(one.cls == "instent" for one in things):
                lesion.in_stent = True
            lesion.sentence = index
            found.append(lesion)
        return found

    def _tight(self, index: int, things: list[Thing], places: list[_Where], percents: list[Quantity]) -> list[_Open]:
        """ "Tight arch": a grade directly before a place is a stenosis without the word."""
        found = []
        for thing in things:
            if thing.cls != "grade" or thing.get("grade") not in ("severe", "critical", "subtotal") or percents:
                continue
            if any(other.cls == "stenosis" for other in things) or not self.page.scope(thing).is_now:
                continue
            where = next((one for one in places if 0 <= one.start - thing.end <= 2), None)
            if where is not None and self._lesion_at(where, None) is None:
                lesion = self._opened(where, index)
                lesion.grade = Grade(thing.get("grade") or "severe")
                lesion.cite(thing.start, where.end)
                found.append(lesion)
        return found

    def _tag(self, index: int) -> str | None:
        """The number by which a list calls a lesion: "#1", "Lesion 2", "Site 1"."""
        sentence = self.page.sentence(index)
        found = _TAG.match(self.page.low, sentence.start, sentence.end)
        return found[1] if found else None

    def _of_tag(self, index: int) -> list[_Open]:
        tag = self._tag(index)
        return [one for one in self.lesions if tag is not None and one.tag == tag][-1:]

    def _in_the_stent(self, things: list[Thing]) -> list[_Open]:
        """The one lesion that lies in a stent, where the sentence speaks of one."""
        if not any(thing.cls == "instent" for thing in things):
            return []
        found = [one for one in self.lesions if one.in_stent]
        return found if len(found) == 1 else []

    # --- What was done

    def _devices(
        self, index: int, things: list[Thing], quantities: list[Quantity], places: list[_Where], spoken: list[_Open]
    ) -> None:
        page = self.page
        sentence = page.sentence(index)
        text = page.low[sentence.start : sentence.end]
        if sentence.role == "title" and not any(one.unit == "percent" for one in quantities):
            return
        acts = [thing for thing in things if thing.cls == "act" and thing.get("kind") in ("angioplasty", "stent")]
        has_stent_word = any(thing.cls in ("stent", "stenttype") or thing.get("kind") == "stent" for thing in things)
        not_plasty = any(thing.cls == "notplasty" for thing in things) or any(
            thing.get("balloon") == "pull" for thing in things
        )
        scope_bad = {"past", "planned", "risk", "denied", "given-up"}
        balloons: list[tuple[Quantity, list[Measured], Measured | None]] = []
        stents: list[tuple[Quantity, ReadStent]] = []
        for one in quantities:
            if one.unit not in ("mm", "size", "sizes"):
                continue
            if one.unit == "mm" and balloons and _IS_A_LENGTH.match(page.low, one.end):
                # "Opened to 8 mm (40 mm long balloon)": the length of the one just told.
                last, diameters, length = balloons[-1]
                balloons[-1] = (last, diameters, length or one.first)
                continue
            what = self._device_of(one, text, sentence.start, acts, has_stent_word, not_plasty)
            if what is None or page.scope_of(one.start, one.end, index, noun=False).what in scope_bad:
                continue
            if what == "stent":
                stents.append((one, self._stent(one, things)))
            else:
                diameters = list(one.all) or [one.first]
                balloons.append((one, diameters, one.second))
        done_stent = [
            thing
            for thing in acts
            if thing.get("kind") == "stent" and page.scope(thing, noun=thing.get("form") == "n").is_now
        ]
        done_plasty = [
            thing
            for thing in acts
            if thing.get("kind") == "angioplasty"
            and page.scope(thing, noun=thing.get("form") == "n").is_now
            and not not_plasty
        ]
        if balloons or done_plasty:
            first = balloons[0][0] if balloons else None
            anchor = (first.start, first.end) if first else (done_plasty[0].start, done_plasty[0].end)
            if balloons or (done_plasty and sentence.role in ("technique", "narrative", "findings", "opening")):
                self._ballooned(index, anchor, balloons, things, places, spoken, bool(first))
        if stents or done_stent:
            anchor = (stents[0][0].start, stents[0][0].end) if stents else (done_stent[0].start, done_stent[0].end)
            if stents or sentence.role != "impression":
                self._stented(index, anchor, stents, things, places, spoken)

    def _device_of(
        self, one: Quantity, text: str, offset: int, acts: list[Thing], has_stent: bool, not_plasty: bool
    ) -> str | None:
        low = self.page.low
        after = low[one.end : one.end + 60]
        before = low[max(offset, one.start - 60) : one.start]
        if re.match(
            r"[\s,]*(?:\(?[\w\-]+\)?\s+){0,4}?(?:stent|covered|endoprosthesis)", after.split(".")[0]
        ) and not re.match(r"[\s,]*(?:\w+\s+){0,3}?balloon", after):
            return "stent"
        if re.match(r"\s*(?:pta|plasty|dcb|deb|angioplasty)\b", after) and not not_plasty:
            return "balloon"
        if (
            re.match(
                (
                    r"[\s\-]*(?:\w+\s+){0,2}?(?:sheath|incision|graft|wire|catheter|from|beyond|above"
                    r"|below|distal to|proximal to|of vein|stenosis|segment|aneurysm|long\b|vein|artery"
                    r"|ptfe|ringed|tapered|cuff|in diameter|deep|depth|punch|anastomosis)"
                ),
                after,
            )
            and "balloon" not in after[:30]
        ):
            return None
        if re.search(r"stent\w*(?:\s+graft)?[\s(,:]*(?:\w+\s+){0,2}(?:of\s+)?\(?$", before) and not re.match(
            r"[\s,]*(?:\w+\s+){0,3}?balloon", after
        ):
            return "stent"
        if not_plasty:
            return None
        heading = low[max(0, one.start - 14) : one.start]
        if re.search(r"balloons?\s*:?\s*$", heading):
            return "balloon"
        ballooned = re.match(r"[\s,()]*(?:[\w\-]+[\s,]+){0,6}?balloon", after) or re.search(
            r"balloon\w*[\s:(,]*(?:\w+\s+){0,4}\(?$", before
        )
        if ballooned:
            return "balloon"
        plasty = [thing for thing in acts if thing.get("kind") == "angioplasty"]
        percents = [other for other in self.page.quantities_in(offset, offset + len(text)) if other.unit == "percent"]
        if len(percents) == 2 and not has_stent and (one.unit == "size" or self._is_calibre(one)):
            return "balloon"
        index = self.page.parts.index_at(one.start)
        if index is not None and self._of_tag(index) and self._is_calibre(one):
            return "balloon"
        if re.match(r"[\s,]*(?:dcb|deb)\b", after):
            return "balloon"
        if not plasty:
            return None
        if re.search(
            r"(?:pta|plasty|plastied|ballooned|dilat\w+)[\s,:]+(?:[\w,]+\s+){0,3}$", before
        ) and self._is_calibre(one):
            return "balloon"
        if re.search(r"post[\s-]?dilat\w+\s*(?:to|with)?\s*(?:an?\s+)?$", before):
            return None
        if (
            one.unit == "size"
            or re.search(
                r"(?:to|with|using|by)\s+(?:an?\s+|up to\s+)?(?:\d+(?:\.\d)?\s*(?:mm)?\s*(?:,|and|then)\s*)*$", before
            )
            or re.match(r"\s*(?:pta|plasty|dcb|angioplasty|drug|cutting)", after)
        ):
            return "stent" if has_stent and re.search(r"stent\w*[^.]{0,12}$", before) else "balloon"
        return None

    @staticmethod
    def _is_calibre(one: Quantity) -> bool:
        least, most = one.first.at_least, one.first.at_most
        return least is not None and most is not None and least >= 2 and most <= 26

    def _stent(self, one: Quantity, things: list[Thing]) -> ReadStent:
        covered = coated = None
        for thing in things:
            if thing.cls == "stenttype":
                covered = thing.get("covered") == "yes"
            elif thing.cls == "stent" or thing.get("kind") == "stent":
                words = self.page.low[thing.start : thing.end]
                if re.search(r"covered|graft|endoprosthesis", words):
                    covered = True
                elif "bare" in words:
                    covered = False
            elif thing.cls == "coated":
                coated = True
        sentence = self.page.sentence(things[0].sentence) if things else None
        if sentence is not None and covered is None:
            text = self.page.low[sentence.start : sentence.end]
            if re.search(r"\bcovered\b|stent[\s-]?graft", text):
                covered = True
            elif re.search(r"\bbare\b|uncovered", text):
                covered = False
        return ReadStent(diameter_mm=one.first, length_mm=one.second, covered=covered, coated=coated)

    def _targets(
        self, index: int, anchor: tuple[int, int], things: list[Thing], places: list[_Where], spoken: list[_Open]
    ) -> list[_Open]:
        page = self.page
        tagged = self._of_tag(index) or self._in_the_stent(things)
        if tagged:
            return tagged
        if any(thing.cls == "both" for thing in things) and len(self.lesions) > 1:
            free = [one for one in self.lesions if not one.left_alone]
            return free[-2:] if any("both" in page.low[t.start : t.end] for t in things if t.cls == "both") else free
        usable = [one for one in places if not self._is_way(one)]
        named = []
        for where in usable:
            lesion = self._lesion_at(where, None)
            if lesion is not None and lesion not in named:
                named.append(lesion)
        if named:
            if len(named) > 1:
                nearest = min(usable, key=lambda one: min(abs(one.start - anchor[0]), abs(one.end - anchor[0])))
                lesion = self._lesion_at(nearest, None)
                chosen = [lesion] if lesion is not None else named[:1]
                # "The arch and the axillary vein were dilated": all that stand before the verb.
                if all(one.end <= anchor[0] for one in usable) and re.search(
                    r"\band\b", page.low[usable[0].end : usable[-1].start + 1]
                ):
                    chosen = named
                return chosen
            return named
        if spoken:
            return spoken
        strong = [one for one in usable if not one.weak]
        if strong:
            nearest = min(strong, key=lambda one: min(abs(one.start - anchor[0]), abs(one.end - anchor[0])))
            return [self._opened(nearest, index)]
        open_ones = [one for one in self.lesions if not one.left_alone]
        if len(open_ones) == 1:
            return open_ones
        if self.spoken:
            recent = [one for one in self.spoken if not one.left_alone]
            if recent:
                return recent
        untreated = [one for one in open_ones if not one.ballooned and not one.stented]
        if untreated:
            return untreated if len(untreated) == 1 else untreated[-1:]
        return open_ones[-1:]

    def _is_way(self, where: _Where) -> bool:
        """A vessel that a wire or a run went through is not where the balloon was."""
        before = self.page.low[max(0, where.start - 40) : where.start]
        return bool(
            re.search(
                (
                    r"(?:into|through|via|from|accessed|punctured?|advanced to|past|extend\w* into"
                    r"|to the level of)\s+(?:the\s+)?(?:\w+\s+){0,2}$"
                ),
                before,
            )
        )

    def _in_order(self, index: int, count: int) -> list[_Open]:
        """The lesions that "7 mm for the first and 8 mm for the second" and "respectively" mean, in order."""
        sentence = self.page.sentence(index)
        text = self.page.low[sentence.start : sentence.end]
        if count < 2 or not re.search(r"\brespectively\b|\bfirst\b.*\bsecond\b|\bformer\b.*\blatter\b", text):
            return []
        recent = [one for one in self.lesions if not one.left_alone]
        return recent[-count:] if len(recent) >= count else []

    def _ballooned(
        self,
        index: int,
        anchor: tuple[int, int],
        balloons: list[tuple[Quantity, list[Measured], Measured | None]],
        things: list[Thing],
        places: list[_Where],
        spoken: list[_Open],
        sized: bool,
    ) -> None:
        page = self.page
        sentence = page.sentence(index)
        each = [(quantity, diameter, length) for quantity, diameters, length in balloons for diameter in diameters]
        ordered = self._in_order(index, len(each))
        if ordered:
            for lesion, (quantity, diameter, length) in zip(ordered, each, strict=True):
                lesion.ballooned = True
                lesion.balloons.append(ReadBalloon(diameter_mm=diameter, length_mm=length))
                lesion.cite(quantity.start, quantity.end)
                lesion.sentence = index
            self.treated = self.spoken = ordered
            return
        targets = self._targets(index, anchor, things, places, spoken)
        if not targets:
            if not sized:
                return
            targets = [self._opened(next(iter(places), None), index)]
        pressures = [one.first for one in page.quantities_in(sentence.start, sentence.end) if one.unit == "atm"]
        coated = True if any(thing.cls == "coated" for thing in things) else None
        cutting = True if any(thing.cls == "cutting" for thing in things) else None
        for lesion in targets:
            lesion.ballooned = True
            lesion.left_alone = None
            for quantity, diameters, length in balloons:
                for diameter in diameters:
                    balloon = ReadBalloon(
                        diameter_mm=diameter,
                        length_mm=length,
                        pressure_atm=pressures[0] if len(pressures) == 1 else None,
                        coated=coated,
                        cutting=cutting,
                    )
                    if not any(other.diameter_mm == diameter for other in lesion.balloons):
                        lesion.balloons.append(balloon)
                lesion.cite(quantity.start, quantity.end)
            if not balloons:
                lesion.cite(*anchor)
            lesion.sentence = index
        self.treated = targets
        self.spoken = targets

    def _stented(
        self,
        index: int,
        anchor: tuple[int, int],
        stents: list[tuple[Quantity, ReadStent]],
        things: list[Thing],
        places: list[_Where],
        spoken: list[_Open],
    ) -> None:
        targets = self._targets(index, anchor, things, places, spoken)
        if not targets:
            targets = [self._opened(next((one for one in places if not self._is_way(one)), None), index)]
        for lesion in targets:
            lesion.stented = True
            lesion.left_alone = None
            for quantity, stent in stents:
                if stent not in lesion.stents:
                    lesion.stents.append(stent)
                lesion.cite(quantity.start, quantity.end)
            if not stents:
                lesion.cite(*anchor)
            lesion.sentence = index
        self.treated = targets
        self.spoken = targets

    # --- What was left

    def _left(
        self, one: Quantity, index: int, things: list[Thing], places: list[_Where], percents: list[Quantity]
    ) -> None:
        recoil = re.match(r"[\s)]*(?:elastic\s+)?recoil", self.page.low[one.end : one.end + 20]) or re.search(
            r"recoil[\s(,:of]*$", self.page.low[max(0, one.start - 12) : one.start]
        )
        sentence = self.page.sentence(index)
        at = percents.index(one)
        bound = (
            percents[at - 1].end if at else sentence.start,
            percents[at + 1].start if at + 1 < len(percents) else sentence.end,
        )
        for lesion in self._left_targets(one.start, one.end, index, things, places, bound):
            lesion.after = one.first
            lesion.after_grade = None
            if recoil:
                lesion.recoiled = True
            lesion.cite(*self._cite_of(one.start, one.end, None, index))

    def _left_targets(
        self,
        start: int,
        end: int,
        index: int,
        things: list[Thing],
        places: list[_Where],
        bound: tuple[int, int] | None = None,
    ) -> list[_Open]:
        tagged = self._of_tag(index) or self._in_the_stent(things)
        if tagged:
            return tagged
        if any(thing.cls == "both" for thing in things) and len(self.lesions) > 1:
            return [one for one in self.lesions if one.ballooned or one.stented] or list(self.lesions)
        usable = [where for where in places if not self._is_way(where)]
        own = self._place_for(start, end, usable, bound) if bound is not None else None
        near = sorted(usable, key=lambda where: min(abs(where.start - start), abs(where.end - start)))
        for where in [own, *near] if own is not None else near:
            lesion = self._lesion_at(where, None)
            if lesion is not None:
                return [lesion]
        if self.treated:
            return self.treated
        if self.spoken:
            return self.spoken[-1:] if len(self.spoken) > 1 else self.spoken
        return self.lesions[-1:]

    def _left_in_words(self, index: int, things: list[Thing], places: list[_Where], percents: list[Quantity]) -> None:
        page = self.page
        for thing in things:
            if thing.cls != "residual":
                continue
            if any(page.words_between(min(one.end, thing.end), max(one.start, thing.start)) <= 5 for one in percents):
                continue
            after = page.low[thing.end : thing.end + 40]
            if not re.match(r"[\s\-]*(?:\w+\s+)?(?:stenosis|narrowing|lesion|waist|disease)|[\s]*[.;,)]|$", after):
                continue
            before = page.low[max(page.sentence(index).start, thing.start - 40) : thing.start]
            denied = re.search(
                r"\b(?:no|without|nor|zero|any)\b(?:\s+(?:evidence of|any|further|remaining))*\s*$", before
            )
            if "clot" in after[:20] or "thrombus" in after[:20]:
                continue
            targets = self._left_targets(thing.start, thing.end, index, things, places)
            grade = re.search(r"\b(minimal|mild|moderate|trivial)\s+$", before)
            for lesion in targets:
                if denied:
                    lesion.after = Measured(value="0") if lesion.before is not None else None
                    lesion.after_grade = Grade.NONE
                elif grade and lesion.after is None:
                    lesion.after_grade = {
                        "minimal": Grade.MINIMAL,
                        "trivial": Grade.MINIMAL,
                        "mild": Grade.MILD,
                        "moderate": Grade.MODERATE,
                    }[grade[1]]
                else:
                    continue
                lesion.cite(thing.start, thing.end)

    def _lengths(self, index: int, quantities: list[Quantity], spoken: list[_Open]) -> None:
        for one in quantities:
            if one.unit != "mm" or len(spoken) != 1:
                continue
            before, after = self.page.low[max(0, one.start - 12) : one.start], self.page.low[one.end : one.end + 12]
            if re.search(r"(?:over|length of|for)\s+(?:a\s+)?$", before) or re.match(
                r"\s*(?:long|in length|length|segment)", after
            ):
                spoken[0].length = spoken[0].length or one.first

    def _calibres(self, index: int, quantities: list[Quantity]) -> None:
        """ "Reference diameter 7 mm, minimal lumen 2 mm" of the lesion that was last spoken of."""
        if not self.spoken:
            return
        for one in quantities:
            before = self.page.low[max(0, one.start - 40) : one.start]
            if one.unit != "mm":
                continue
            if re.search(r"reference (?:vessel )?(?:diameter|size)\W+(?:\w+\W+){0,2}$", before):
                self.spoken[-1].reference = one.first
            elif re.search(
                r"(?:minim\w+|smallest|residual) (?:luminal |lumen )?(?:lumen|diameter)\W+(?:\w+\W+){0,2}$", before
            ):
                self.spoken[-1].smallest = one.first

    def _ruptures(self, index: int, things: list[Thing]) -> None:
        if not self.treated:
            return
        for thing in things:
            torn = thing.cls == "complication" and thing.get("what") in ("rupture", "extravasation")
            before = self.page.low[max(0, thing.start - 24) : thing.start]
            if torn and self.page.scope(thing).is_now and not re.search(r"\bballoon\s+(?:\w+\s+)?$", before):
                for lesion in self.treated:
                    lesion.ruptured = True

    def _left_alone(self, index: int, places: list[_Where]) -> None:
        text = self.page.low[self.page.sentence(index).start : self.page.sentence(index).end]
        if not re.search(
            (
                r"\b(?:not treated|left alone|not dilated|not angioplastied|not intervened"
                r"|no treatment|was not addressed|left untreated|observed)\b"
            ),
            text,
        ):
            return
        for where in places:
            lesion = self._lesion_at(where, None)
            if lesion is not None and not lesion.ballooned and not lesion.stented:
                lesion.left_alone = True


def _closed(one: _Open) -> ReadLesion:
    outcome = None
    if one.ruptured:
        outcome = TreatmentOutcome.RUPTURE
    elif one.recoiled and not one.stented:
        outcome = TreatmentOutcome.RECOIL
    return ReadLesion(
        place=one.place,
        side=one.side,
        said_place=one.said,
        before_percent=one.before,
        before_grade=one.grade,
        after_percent=one.after,
        after_grade=one.after_grade,
        length_mm=one.length,
        reference_mm=one.reference,
        smallest_mm=one.smallest,
        in_stent=one.in_stent,
        left_alone=one.left_alone,
        outcome=outcome,
        balloons=tuple(one.balloons),
        stents=tuple(one.stents),
        ballooned=one.ballooned,
        stented=one.stented,
        quotes=tuple(sorted(one.cites)),
    )
