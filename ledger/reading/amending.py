"""A short addendum or correction that says only what an earlier report should read.

"ADDENDUM: the side should read left" names no access and tells no deed; it changes what
the first report said. Here it is found that a text is such a one, and which value it puts
right, where that is a side or the day. Which report it is about is for `ledger.relating`,
what becomes of the entries for `ledger.confirming`.
"""

from __future__ import annotations

import re

from ledger.reading.page import Page
from ledger.reading.proposals import Amends, Cite

_AT_THE_HEAD = 160
"""Code points from the beginning within which the word has to stand."""


def amends_of(page: Page) -> tuple[Amends, ...]:
    """What the text puts right in an earlier report; empty for a text that is no addendum.

    An addendum whose change is not understood gives one `Amends` of `other`, with its words.
    """
    heads = [one for one in page.spoken("amends") if one.start < _AT_THE_HEAD]
    if not heads or not _opens(page, heads[0].start):
        return ()
    found: list[Amends] = []
    for reads in page.spoken("reads", heads[0].start):
        index = page.parts.index_at(reads.start)
        if index is None:
            continue
        sentence = page.sentence(index)
        if re.search(r"\b(?:not|if|whether)\s+$", page.low[max(sentence.start, reads.start - 10) : reads.start]):
            continue
        for thing in page.within(index):
            if thing.cls == "side" and thing.get("side") in ("left", "right") and thing.start >= reads.end:
                if _is_what_was_wrong(page, thing.start):
                    continue
                found.append(
                    Amends(what="side", value=thing.get("side"), quote=Cite(start=sentence.start, end=sentence.end))
                )
                break
        for day in page.days:
            if reads.end <= day.start < sentence.end and re.search(
                r"\b(?:date|day|performed|done)\b", page.low[sentence.start : reads.start]
            ):
                if day.doubt is None and day.date.precision == "day":
                    quote = Cite(start=sentence.start, end=sentence.end)
                    found.append(Amends(what="happened", value=str(day.date), quote=quote))
                break
    if len({one.value for one in found if one.what == "side"}) > 1:
        found = [one for one in found if one.what != "side"]
    if found:
        return tuple(dict.fromkeys(found))
    end = min(len(page.text.rstrip()), heads[0].start + 240)
    return (Amends(what="other", value=None, quote=Cite(start=heads[0].start, end=end)),)


def _opens(page: Page, start: int) -> bool:
    """The word opens a line; in the middle of a sentence it speaks of another text."""
    line = page.text.rfind("\n", 0, start) + 1
    return not re.search(r"[a-z]{3}", page.low[line:start])


def _is_what_was_wrong(page: Page, start: int) -> bool:
    """ "Left, not right", "left instead of right": the second is what was wrong."""
    return (
        re.search(r"\b(?:not|instead of|rather than|and not)\s+(?:the\s+)?$", page.low[max(0, start - 18) : start])
        is not None
    )
