"""A text in its parts: what stands under which heading, and sentences.

Houses write headings in their own way, in the middle of a line, or not at all. A
heading that the table does not know keeps the role of the part that it stands in.
Page furniture belongs to no sentence. Offsets are those of the whole text.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from ledger.reading.tables import phrases_of

_WORD = re.compile(r"[a-z0-9]+")
_PAGE = re.compile(
    r"^\W*(?:page\s+\d+(?:\s*(?:of|/)\s*\d+)?|\d+\s*/\s*\d+|-+\s*\d+\s*-+|continued(?: on next page)?)\W*$", re.I
)
_LIST_MARK = re.compile(r"\s*(?:\d{1,2}[.)]\s|[-*•·–]\s|\[[ xX]?\]|\([a-z0-9]\)\s|[a-z]\)\s|#\s?\d)")
_LABEL = re.compile(r"[ \t]*[A-Z][A-Za-z0-9 /&'()\-]{1,38}:")
_NAMES_A_LOOK = re.compile(r"(?:diagnostic |completion |central )?(?:fistul|angi|shunt|graft|ven)ogra(?:m|phy)")
_UNTICKED = re.compile(r"\s*(?:\[ ?\]|\( \)|☐|□)")
_IN_A_LABEL = re.compile(r"\b[A-Z]{2,}[ /]$|\b[A-Z]{2,} (?:OF|AND|TO|FOR|IN) $")
_TELLING = frozenset({"technique", "findings", "title", "narrative"})
_ONE_LINE = frozenset({"indication", "consent", "access", "diagnosis", "date", "people", "aside", "header", "sedation"})
_OF_ONE_LINE = frozenset({"date", "people", "header", "sedation"})
_OPERATES = re.compile(
    r"\b(?:(?:was|were) (?:\w+ )?(?:punctured|accessed|cannulated|dilated|prepped|prepared"
    r"|exposed|inserted|removed|placed"
    r"|treated|ballooned|injected|deployed|exchanged|ligated|made)|incision|sheath|balloon"
    r"|guidewire|ultrasound guidance)\b"
)
_NAMES_A_DEED = re.compile(
    r"plasty|gram\b|graphy|ectomy|placement|insertion|removal|exchange|ligation|creation"
    r"|revision|stent|banding|excision"
    r"|transposition|formation|catheter|fistula|graft|declot|thrombolysis|\bpta\b"
)
_NARRATES = re.compile(r"\b(?:was|were|had|has|is|are|been|did|shows?|showed)\b")
_TELLS = re.compile(r"\b(?:was|were) (?:then )?(?:\w+ed|taken|brought|placed|made)\b")
_LETTER = re.compile(r"\s*(?:i|we|many thanks|thank you|this|dear)\b")
_AFTER_HEADING = re.compile(r"[ \t]{0,3}(?:\([^()\n:]{1,48}\))?[ \t*_]{0,4}")
_EMPTY_LINE = re.compile(r"[ \t*_]*(?:\n|$)")
_STOP = re.compile(r"[.!?;]+[\"')\]]*(?=\s)|\n|(?<=[.;,)a-z%])\s(?=\d{1,2}[.)]\s+[A-Z])|\s\|\s|\s(?=\[[ xX]?\])")
_ABBREVIATIONS = frozenset(
    [
        "dr",
        "mr",
        "mrs",
        "ms",
        "no",
        "nos",
        "approx",
        "vs",
        "st",
        "fr",
        "ca",
        "eg",
        "ie",
        "etc",
        "inc",
        "jr",
        "sr",
        "mt",
        "cf",
        "fig",
        "dept",
        "prof",
        "v",
        "a",
    ]
)


@dataclass(frozen=True)
class Sentence:
    """One sentence or line, under its heading's role. `listed`: it is an item of a list."""

    start: int
    end: int
    role: str
    part: int
    listed: bool = False


@dataclass(frozen=True)
class Parts:
    """A text cut into sentences. `titled`: some heading says what was done."""

    sentences: tuple[Sentence, ...]
    headings: tuple[tuple[int, int, str], ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "_starts", [one.start for one in self.sentences])

    def index_at(self, place: int) -> int | None:
        """Which sentence holds a place; None for headings and page furniture."""
        starts: list[int] = self._starts  # type: ignore[attr-defined]
        index = bisect_right(starts, place) - 1
        if index < 0 or place >= self.sentences[index].end:
            return None
        return index


def parts_of(text: str, low: str) -> Parts:
    """The sentences of a text, each under the role of its heading."""
    headings = list(_headings(text, low))
    furniture = _furniture(text)
    sentences: list[Sentence] = []
    edges = [(0, 0, "opening"), *headings]
    last_telling = max((number for number, (*_, role) in enumerate(edges) if role in _TELLING), default=-1)
    for number, (named, begin, role) in enumerate(edges):
        if role in ("findings", "technique") and _NAMES_A_LOOK.match(low, named, begin):
            # "FISTULOGRAM: ..." says by its heading that there was one.
            sentences.append(Sentence(named, begin, role, number, False))
        finish = edges[number + 1][0] if number + 1 < len(edges) else len(text)
        pieces = list(_pieces(text, begin, finish, furniture))
        narrated = letter = False
        is_last = number >= last_telling
        for index, (start, end, listed) in enumerate(pieces):
            mine = role
            new_line = index > 0 and "\n" in text[pieces[index - 1][1] : start]
            if role in _ONE_LINE and is_last and not narrated and new_line and _OPERATES.search(low, start, end):
                # "Indication: arm swelling." and, on the next line, the account without a heading of its own.
                narrated = True
            if role == "access" and index and not narrated and _OPERATES.search(low, start, end):
                # "Access: left AVG. Two stenoses were opened with a balloon": the account goes on in the same line.
                narrated = True
            if role in _ONE_LINE and narrated:
                mine = "narrative" if letter else "technique"
            elif role in _OF_ONE_LINE and any(
                "\n" in text[left[1] : right[0]] for left, right in pairwise(pieces[: index + 1])
            ):
                mine = "narrative"
            elif role == "diagnosis" and (
                index and "\n\n" in text[pieces[index - 1][1] : start] and _LETTER.match(low, start, end)
            ):
                # The diagnoses head a letter, which then begins.
                narrated = letter = True
                mine = "narrative"
            if _UNTICKED.match(text, start):
                mine = "unticked"
            elif role == "title":
                # What was done is named; a sentence with a finished verb goes on to tell it.
                narrated = narrated or (index > 0 and _NARRATES.search(low, start, end) is not None and not listed)
                narrated = narrated or (index > 0 and "%" in text[start:end] and not listed)
                label = _LABEL.match(text, start, end) if new_line and not listed else None
                if label is not None and not _NAMES_A_DEED.search(low, start, label.end()):
                    narrated = True
                if new_line and not listed and (end - start > 90 or text[end - 1] in ".;"):
                    # Notes go on in the next line without a heading; an unnumbered list of titles has no full stops.
                    narrated = narrated or not _NAMES_A_DEED.search(low, start, end)
                if new_line and not listed:
                    line_end = text.find("\n", start)
                    line = text[start : line_end if 0 <= line_end < finish else finish]
                    narrated = narrated or re.search(r"[.;]\s+\S", line.rstrip()) is not None
                if narrated or (index == 0 and end - start > 90 and _TELLS.search(low, start, end)):
                    narrated, mine = True, "technique"
            if role == "opening" and (index > 2 or end - start > 110):
                mine = "narrative"
            sentences.append(Sentence(start, end, mine, number, listed))
    return Parts(tuple(sentences), tuple(headings))


def _headings(text: str, low: str) -> list[tuple[int, int, str]]:
    known = phrases_of("headings")
    found: list[tuple[int, int, str]] = []
    done = 0
    for word in _WORD.finditer(low):
        start = word.start()
        if start < done or not known.begins(word.group()):
            continue
        line_start = low.rfind("\n", 0, start) + 1
        before = text[line_start:start]
        opens_line = not before.strip(" \t*_#>•-–.()0123456789|")
        after_stop = (
            opens_line
            or text[max(0, start - 2) : start] in ("  ", ". ", "; ", "| ", "- ", ".\t")
            or before.endswith("\t")
        )
        capital = text[start].isupper()
        if not after_stop and not capital:
            continue
        match = known.at(low, start, word.group())
        if match is None:
            continue
        end = match.end
        after = _AFTER_HEADING.match(text, end)
        assert after is not None
        stop = after.end()
        sign = text[stop : stop + 1]
        whole = text[start:end]
        lonely = opens_line and _EMPTY_LINE.match(text, end) is not None
        if sign == ":" and (
            after_stop or (whole.isupper() and not _IN_A_LABEL.search(text, max(line_start, start - 24), start))
        ):
            found.append((start, stop + 1, match.cls))
            done = stop + 1
        elif opens_line and lonely and (whole.isupper() or whole.istitle() or len(whole) > 5):
            found.append((start, end, match.cls))
            done = end
        elif opens_line and sign in "-–" and sign and text[stop + 1 : stop + 2] == " " and whole.isupper():
            found.append((start, stop + 1, match.cls))
            done = stop + 1
    return found


def _furniture(text: str) -> list[tuple[int, int]]:
    """Lines that a page carries and nobody wrote: page numbers, and lines that stand again beside them."""
    lines = []
    place = 0
    for line in text.split("\n"):
        lines.append((place, place + len(line), line.strip()))
        place += len(line) + 1
    pages = {index for index, (_, _, line) in enumerate(lines) if line and _PAGE.match(line)}
    again = Counter(line for _, _, line in lines if line)
    found = set(pages)
    for index in pages:
        for near in (index - 2, index - 1, index + 1, index + 2):
            if 0 <= near < len(lines) and again[lines[near][2]] > 1:
                found.add(near)
    return [(lines[index][0], lines[index][1]) for index in sorted(found)]


def _pieces(text: str, begin: int, finish: int, furniture: list[tuple[int, int]]) -> list[tuple[int, int, bool]]:
    cuts = [begin]
    for stop in _STOP.finditer(text, begin, finish):
        if stop.group() == "\n":
            if _line_ends(text, stop.start(), begin, finish):
                cuts.append(stop.end())
        elif stop.group().startswith("."):
            word = re.compile(r"[A-Za-z]+$").search(text[max(begin, stop.start() - 12) : stop.start()])
            number = re.compile(r"(?:^|[\s(])\d{1,2}$").search(text[max(begin, stop.start() - 4) : stop.start()])
            if word and word.group().lower() in _ABBREVIATIONS:
                continue
            if number and _is_list_number(text, begin, stop.start()):
                continue
            following = text[stop.end() : stop.end() + 2].strip()
            goes_on = following and following[0].islower() and "\n" not in text[stop.end() : stop.end() + 2]
            # A small letter goes on with the sentence, but telegraphic notes do begin with one.
            if goes_on and not (word and len(word.group()) > 3):
                continue
            cuts.append(stop.end())
        else:
            cuts.append(stop.end())
    cuts.append(finish)
    pieces = []
    for start, end in pairwise(cuts):
        for left, right in _without(start, end, furniture):
            while left < right and text[left].isspace():
                left += 1
            while right > left and text[right - 1].isspace():
                right -= 1
            listed = bool(_LIST_MARK.match(text, left, right))
            for first, last in _no_longer(text, left, right):
                pieces.append((first, last, listed and first == left))
    return pieces


_LONGEST_SENTENCE = 2_000
"""Code points. Nobody writes a longer one; a text without a stop is cut, so that reading it stays quick."""


def _no_longer(text: str, left: int, right: int) -> Iterator[tuple[int, int]]:
    while right - left > _LONGEST_SENTENCE:
        space = text.rfind(" ", left + 1, left + _LONGEST_SENTENCE)
        cut = space if space > left else left + _LONGEST_SENTENCE
        yield left, cut
        left = cut
        while left < right and text[left].isspace():
            left += 1
    if left < right:
        yield left, right


def _is_list_number(text: str, begin: int, place: int) -> bool:
    line = text[max(begin, text.rfind("\n", 0, place) + 1) : place]
    before = line.rstrip("0123456789").rstrip()
    return not before or before[-1] in ".;:,)"


def _line_ends(text: str, place: int, begin: int, finish: int) -> bool:
    line_start = max(begin, text.rfind("\n", begin, place) + 1)
    line = text[line_start:place].rstrip()
    following_end = text.find("\n", place + 1, finish)
    following = text[place + 1 : finish if following_end < 0 else following_end]
    if not line.strip() or not following.strip():
        return True
    if line[-1] in ".;:!?|":
        return True
    if _LIST_MARK.match(following) or _LABEL.match(following):
        return True
    first = following.strip()
    if first[0].islower() or line[-1] in ",-(/":
        return False
    if "  " in line.strip() or ":" in line:
        return True
    # A line goes on in the next one if it was broken because it was full: its next word did not fit any more.
    width = max(_width_around(text, place, begin, finish), 40)
    return len(line) + 1 + len(first.split()[0]) <= width


def _width_around(text: str, place: int, begin: int, finish: int) -> int:
    """The longest of the lines around a place."""
    left, right = max(begin, place - 600), min(finish, place + 600)
    return max((len(line.rstrip()) for line in text[left:right].split("\n")), default=0)


def _without(start: int, end: int, furniture: list[tuple[int, int]]) -> list[tuple[int, int]]:
    pieces = []
    for left, right in furniture:
        if right <= start or left >= end:
            continue
        if left > start:
            pieces.append((start, left))
        start = max(start, right)
    if start < end:
        pieces.append((start, end))
    return pieces
