"""One text with everything that was found in it, and the scope of each thing found.

Scope is whether words speak of what was done today, of the past, of a plan, of a risk
that was explained, of something denied, or of something tried and given up. It comes
from the heading that the words stand under and from the cues around them.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections import defaultdict
from dataclasses import dataclass
from functools import cached_property

from ledger.dates import PartialDate
from ledger.reading.days import Day, day_of_procedure, days_of
from ledger.reading.measures import Quantity, quantities_of
from ledger.reading.segments import Parts, Sentence, parts_of
from ledger.reading.tables import Found, folded, phrases_of, respelt

_THINGS = ("accesses", "body", "acts", "findings")
_SECTION_SCOPE = {
    "past": "past", "plan": "planned", "consent": "risk", "indication": "past", "access": "past", "exam": "past",
    "diagnosis": "diagnosis", "unticked": "denied", "aside": "aside", "people": "aside", "header": "aside",
}  # fmt: skip
_SUBJECTS = frozenset(
    {"act", "head", "stent", "place", "vessel", "central", "stenosis", "verb", "tool", "clot", "infection", "other"}
)
ANSWERED_YES = re.compile(r"\s*:\s*(?:yes|y|done|performed)\b")
_ANSWERED_NO = re.compile(r"\s*:\s*(?:no|none|nil|n/?a|not|n)\b")
_DAY_AND_MONTH = re.compile(r"\s*(?:on\s+)?(\d{1,2})/(\d{1,2})(?![\d/]|\s*(?:mm|cm|fr|vicryl|prolene|nylon|silk|poly))")
_DID = (
    r"\b(?:i|we)\s+(?:have\s+)?(?:carried out|performed|did|undertook|inserted|exchanged|removed|ligated|formed|created"
    r"|placed|dilated|banded|revised|took out|put in)\b"
)
_DID_IT_TODAY = re.compile(rf"\btoday\b[^.\n]{{0,40}}{_DID}|{_DID}[^.\n]{{0,90}}\btoday\b")
_DONE_THERE = re.compile(r"\b(?:removed|taken out|inserted|changed|exchanged|placed|done)\s*$")
_ANOTHER = re.compile(r"\b(?:second|third|other|others|latter|rest|remainder|remaining (?:one|ones|lesions?))\b")
_ACCOUNT = re.compile(
    r"\b(?:was|were) (?:then |successfully |also )?(?:\w+ed|made|taken|brought|cut|drawn|withdrawn|put|seen|sewn)\b"
)
_OPENS_A_LINE = re.compile(r"(?:^|\n)[^\n.:;]{0,24}$")
_SIGNED = re.compile(r"\s*(?:was|were|is|has been|signed|obtained|taken|completed|given|in (?:the )?(?:chart|notes))\b")
_ROWS = re.compile(r"^\s*(?:\d{1,2}[:.]\d{2}|\d{1,2}[.)])\s", re.M)
_HEAD_OF_A_SHEET = 160
"""Code points within which a sheet says what it is."""
_STRENGTH = ("denied", "given-up", "risk", "planned", "past")


@dataclass(frozen=True)
class Thing:
    """A phrase found in a sentence."""

    found: Found
    sentence: int

    @property
    def start(self) -> int:
        return self.found.start

    @property
    def end(self) -> int:
        return self.found.end

    @property
    def cls(self) -> str:
        return self.found.row.cls

    def get(self, name: str) -> str | None:
        return self.found.row.attributes.get(name)


@dataclass(frozen=True)
class Scope:
    """What words speak of: `now`, or why not. `cue` is where the reason stands; None when it is the heading."""

    what: str
    cue: tuple[int, int] | None = None

    @property
    def is_now(self) -> bool:
        return self.what == "now"


class Page:
    """A text, once through all tables."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.low = respelt(folded(text))
        self.parts: Parts = parts_of(text, self.low)
        self.things: list[Thing] = []
        self._scopes: dict[tuple[int, int, int, bool, bool, bool], Scope] = {}
        self._of_sentence: dict[int, list[Thing]] = defaultdict(list)
        for found in phrases_of(*_THINGS).find(self.low):
            index = self.parts.index_at(found.start)
            if index is None:
                continue
            if len(self.low[found.start : found.end]) == 1 and not self._is_letter_of_side(found):
                continue
            for each in (*self._organs_within(found), found):
                thing = Thing(each, index)
                self.things.append(thing)
                self._of_sentence[index].append(thing)
        self._cues: dict[int, list[Found]] = defaultdict(list)
        for found in phrases_of("cues").find(self.low):
            index = self.parts.index_at(found.start)
            if index is not None:
                self._cues[index].append(found)
        self.quantities: list[Quantity] = quantities_of(self.low)
        self._quantity_starts = [one.start for one in self.quantities]
        self.days: list[Day] = days_of(self.low)
        self.day: Day | None = None
        self.day = day_of_procedure(self.low, self.parts, self.days, self._sentences_of_deeds() if self.days else [])

    def _organs_within(self, found: Found) -> list[Found]:
        """Another organ that a phrase with a gap took in: "repair of popliteal aneurysm"."""
        if found.row.cls not in ("act", "verb") or ".." not in found.row.phrase:
            return []
        within = phrases_of("body").find(self.low[found.start : found.end])
        return [
            Found(found.start + one.start, found.start + one.end, one.row) for one in within if one.row.cls == "other"
        ]

    def _sentences_of_deeds(self) -> list[tuple[int, int]]:
        found = []
        for index, sentence in enumerate(self.parts.sentences):
            if sentence.role not in ("opening", "narrative", "technique", "findings", "impression"):
                continue
            if any(
                one.cls in ("act", "verb") and (one.get("form") != "n" or self._is_dated_beside(one))
                for one in self.within(index)
            ):
                found.append((sentence.start, sentence.end))
        return found

    def _is_dated_beside(self, thing: Thing) -> bool:
        """A day stands directly behind the name of a deed: "Fistulogram 12.07.2025"."""
        return any(0 <= day.start - thing.end <= 2 for day in self.days) and not any(
            cue.cls == "past" for cue in self.cues(thing.sentence)
        )

    def sentence(self, index: int) -> Sentence:
        return self.parts.sentences[index]

    def role(self, thing: Thing) -> str:
        return self.parts.sentences[thing.sentence].role

    def within(self, index: int) -> list[Thing]:
        """What was found in a sentence, in order."""
        return self._of_sentence.get(index, [])

    def cues(self, index: int) -> list[Found]:
        return self._cues.get(index, [])

    def quantities_in(self, start: int, end: int) -> list[Quantity]:
        """The numbers that begin within a stretch of the text."""
        left = bisect_left(self._quantity_starts, start)
        right = bisect_left(self._quantity_starts, end)
        return self.quantities[left:right]

    def words_between(self, start: int, end: int) -> int:
        return len(self.low[start:end].split()) if end > start else 0

    @cached_property
    def _context(self) -> list[Found]:
        return list(phrases_of("context").find(self.low))

    @cached_property
    def noted(self) -> list[Found]:
        """What the table of notes finds in the text."""
        return list(phrases_of("notes").find(self.low))

    def spoken(self, cls: str, start: int = 0, end: int | None = None) -> list[Found]:
        """What the table of contexts finds of a class in the text, or in a stretch of it."""
        last = len(self.low) if end is None else end
        return [one for one in self._context if one.row.cls == cls and start <= one.start < last]

    @cached_property
    def is_clinic(self) -> bool:
        """A letter or a consultation, in which what was done is told as history."""
        # "Follow up in clinic in 2 weeks" is said of what is to come, at the end of any report.
        told = [
            self.parts.index_at(one.start)
            for one in self.spoken("clinic")
            if not _DONE_THERE.search(self.low, max(0, one.start - 20), one.start)
        ]
        if all(index is not None and self.sentence(index).role == "plan" for index in told):
            return False
        if _DID_IT_TODAY.search(self.low):
            return False
        by_a_tool = any(one.get("hard") for one in self.spoken("operating"))
        return self.operating_words < (2 if by_a_tool else 3)

    @cached_property
    def paper(self) -> str | None:
        """The scope of a whole sheet that is no report: a list, a consent, a leaflet, a bill, the cover of a fax.

        The sheet says so at its head, or anywhere in words of its own; one that gives an account of its own is read.
        """
        told = self.spoken("paper")
        if not told or self.operating_words > 2 or len(_ACCOUNT.findall(self.low)) > 1:
            return None
        if {"percent", "size"} <= {one.unit for one in self.quantities}:
            # A narrowing and a balloon: whatever the sheet calls itself, it tells what was done.
            return None
        for one in told:
            at_the_head = one.start <= _HEAD_OF_A_SHEET and _OPENS_A_LINE.search(self.low, 0, one.start)
            if one.get("where") != "any" and not at_the_head:
                continue
            if _SIGNED.match(self.low, one.end) or (one.get("rows") and len(_ROWS.findall(self.low)) < 3):
                continue
            if one.get("nouns") and any(
                thing.cls in ("act", "verb") and thing.get("form") != "n" for thing in self.things
            ):
                continue
            return one.get("what")
        return None

    @cached_property
    def operating_words(self) -> int:
        """How many different words of operating the text has."""
        return len({self.low[one.start : one.end] for one in self.spoken("operating")})

    @cached_property
    def is_open(self) -> bool:
        """It was done by the knife."""
        words = {self.low[one.start : one.end] for one in self.spoken("operating")}
        return bool(self.spoken("open")) or "incision" in words or any(word.startswith("dissect") for word in words)

    def scope(self, thing: Thing, *, noun: bool = True) -> Scope:
        """Whether a thing speaks of today. `noun`: the words only name it, and do not themselves say it was done."""
        # A finding such as "not yet mature" holds its own denial; a deed such as "was not ligated" is denied by it.
        deed = thing.cls in ("act", "verb", "stent")
        return self.scope_of(thing.start, thing.end, thing.sentence, noun=noun, inside=deed, deed=deed)

    def scope_of(
        self, start: int, end: int, index: int, *, noun: bool = True, inside: bool = True, deed: bool = False
    ) -> Scope:
        """The scope of any stretch of a sentence."""
        key = (start, end, index, noun, inside, deed)
        known = self._scopes.get(key)
        if known is None:
            known = self._scopes[key] = self._scope_of(start, end, index, noun, inside, deed)
        return known

    def said(self, start: int, end: int, index: int) -> Scope:
        """The scope of words by what stands around them alone: headings and the kind of text do not count."""
        strongest, _, _ = self._cued(start, end, index, noun=True, inside=False, deed=False)
        if strongest is not None:
            return strongest
        dated = self._dated_elsewhere(start, end, index)
        return Scope("past", dated) if dated is not None else Scope("now")

    def _cued(
        self, start: int, end: int, index: int, *, noun: bool, inside: bool, deed: bool
    ) -> tuple[Scope | None, bool, bool]:
        """The strongest cue that reaches words, whether one says that it was done, and whether one says today."""
        strongest: Scope | None = None
        cues = self.cues(index)
        done = False
        today = any(cue.cls == "today" for cue in cues)
        for cue in cues:
            effect = cue.cls
            if today and cue.get("unless") == "today":
                continue
            if effect == "stop" or (not inside and start <= cue.start and cue.end <= end):
                continue
            if effect in ("done", "today"):
                done = done or (effect == "done" and self._reaches(cue, start, end, index))
                continue
            behind = cue.get("behind")
            if behind is not None and noun and end <= cue.start and self._near(end, cue.start, int(behind), index):
                # "Urgent angioplasty advised."
                strongest = strongest or Scope(effect, (cue.start, cue.end))
                continue
            if (cue.get("form") == "n" and not noun) or (cue.get("form") == "a" and not (deed and noun)):
                continue
            if not self._reaches(cue, start, end, index):
                continue
            if strongest is None or _STRENGTH.index(effect) < _STRENGTH.index(strongest.what):
                strongest = Scope(effect, (cue.start, cue.end))
        return strongest, done, today

    def _scope_of(self, start: int, end: int, index: int, noun: bool, inside: bool, deed: bool) -> Scope:
        sentence = self.sentence(index)
        strongest, done, today = self._cued(start, end, index, noun=noun, inside=inside, deed=deed)
        if _ANSWERED_NO.match(self.low, end):
            return Scope("denied", (end, end + 1))
        if ANSWERED_YES.match(self.low, end):
            return Scope("now")
        section = _SECTION_SCOPE.get(sentence.role)
        if self.paper is not None and (strongest is None or strongest.what != "denied"):
            return Scope(self.paper)
        if strongest is not None and strongest.what in ("denied", "given-up", "risk"):
            return strongest
        if strongest is not None and not (strongest.what == "planned" and done and sentence.role not in ("plan",)):
            return strongest
        if section is not None:
            return Scope(section)
        dated = self._dated_elsewhere(start, end, index)
        if dated is not None and (sentence.role != "title" or self.is_clinic):
            return Scope("past", dated)
        if self.is_clinic and not today:
            return Scope("past")
        return Scope("now")

    def is_questioned(self, thing: Thing) -> bool:
        """A question mark stands directly before the words, "?PTA", or the whole sentence asks."""
        before = self.low[max(0, thing.start - 2) : thing.start]
        return "?" in before or self.low[: self.sentence(thing.sentence).end].endswith("?")

    def _reaches(self, cue: Found, start: int, end: int, index: int) -> bool:
        way = cue.get("dir")
        if way == "s":
            return True
        reach = int(cue.get("reach") or 60)
        if start <= cue.start and cue.end <= end:
            return cue.cls == "denied"
        if cue.cls == "denied" and cue.start < start < cue.end:
            # "Was not treated with a balloon": the denial takes in the word with which the deed begins.
            return True
        if way == "f":
            if cue.start > start or (cue.start >= start and cue.end >= end):
                return False
            return self._near(cue.end, start, reach, index)
        if cue.end < end:
            return False
        return self._near(end, cue.start, reach, index) and self._is_subject(start, end, cue, index)

    def _is_subject(self, start: int, end: int, cue: Found, index: int) -> bool:
        """Whether "… was not done" is said of these words: they stand before it, alone or as one of a list of the like.

        "PTA of the arch, central veins not imaged" denies the central veins and not the angioplasty.
        """
        if "," not in self.low[end : cue.start] and " and " not in self.low[end : cue.start]:
            return True
        clause = self.low[max(self.low.rfind(",", end, cue.start), end) : cue.start]
        if _ANOTHER.search(clause):
            # "The first was dilated, the second left alone."
            return False
        before = [one for one in self.within(index) if one.end <= cue.start and one.cls in _SUBJECTS]
        if not before or before[-1].start <= start:
            return True
        own = next((one for one in before if one.start <= start < one.end), None)
        last_comma = max(self.low.rfind(",", end, cue.start), self.low.rfind(" and ", end, cue.start))
        after_comma = [one for one in before if one.start > last_comma]
        return not after_comma or (own is not None and any(one.cls == own.cls for one in after_comma))

    def _near(self, left: int, right: int, reach: int, sentence: int) -> bool:
        if right <= left:
            return True
        if self.words_between(left, right) > reach:
            return False
        return not any(cue.cls == "stop" and left <= cue.start < right for cue in self.cues(sentence))

    def _dated_elsewhere(self, start: int, end: int, index: int) -> tuple[int, int] | None:
        """A date of another day that stands beside the words: "fistula 2015", "a stent in 2018"."""
        sentence = self.sentence(index)
        short = _DAY_AND_MONTH.match(self.low, end)
        if (
            short
            and self.day is not None
            and self.day.date.precision == "day"
            and short[2] not in ("7", "0", "52", "12")
        ):
            said = {int(short[1]), int(short[2])}
            if {self.day.date.earliest.day, self.day.date.earliest.month} != said:
                return (short.start(1), short.end())
        for day in self.days:
            if day.start < sentence.start or day.start >= sentence.end:
                continue
            if self.day is not None and _may_be_same(day.date, self.day.date):
                continue
            left, right = (end, day.start) if day.start >= end else (day.end, start)
            if self.day is None and day.date.precision != "year" and sentence.role == "opening":
                continue
            if self.words_between(left, right) <= 6:
                return (day.start, day.end)
        return None

    def _is_letter_of_side(self, found: Found) -> bool:
        """`L` and `R` are sides only as capitals, before a word that a side can belong to."""
        letter = self.text[found.start : found.end]
        if not letter.isupper():
            return False
        before = self.text[max(0, found.start - 2) : found.start]
        if before and (before[-1].isdigit() or before[-1] in "'’"):
            return False
        after = self.low[found.end : found.end + 24]
        return bool(
            re.match(
                r"[\s.:/)\-]*\s*(?:ij|ijv|sc|av|bc|rc|bb|bv|fem|femoral|upper|fore|fa\b|ua\b|arm|thigh|groin"
                r"|ue\b|rcf|bcf|bbf|jug|int|sub|ext|inn"
                r"|ceph|bas|brach|radio|tdc|tunn|tesio|perm|vas|ptfe|loop|wrist|elbow|chest|neck|hand"
                r"|leg|iliac|side|dialysis|graft"
                r"|fistula|snuff|axill|ulnar|proximal|distal|mid|permc|catheter|line|non|$|\n|[,;.|)])",
                after,
            )
        )


def _may_be_same(one: PartialDate, other: PartialDate) -> bool:
    return one.earliest <= other.latest and other.earliest <= one.latest
