"""A text with everything marked that the reader saw in it, for whoever improves the reader.

Each line stands under the role of its part, every phrase that a table knows is in
[brackets] with its class and, where it is not today's, its scope; then come the
accesses, the proposals with their words and their why, and what was left out.

Not for: the words under a proposal that a nurse looks at; those are its quotes.
"""

from __future__ import annotations

from collections.abc import Iterable

from ledger.reading.page import Page, Thing
from ledger.reading.proposals import Proposal, Reading, plain_value

_MARGIN = 12


def explain(text: str, reading: Reading) -> str:
    """The text with everything marked, and what the reading made of it. Ends with a line break."""
    lines = [*_marked(text), "", *_accesses(reading), *_day(reading), "", *_proposals(reading), *_left_out(reading)]
    return "\n".join(lines) + "\n"


def _marked(text: str) -> Iterable[str]:
    page = Page(text)
    for index, sentence in enumerate(page.parts.sentences):
        words = ""
        done = sentence.start
        for thing in page.within(index):
            words += text[done : thing.start]
            words += f"[{text[thing.start : thing.end]}|{_label(page, thing)}]"
            done = thing.end
        words += text[done : sentence.end]
        yield f"{sentence.role:<{_MARGIN}}{' '.join(words.split())}"


def _label(page: Page, thing: Thing) -> str:
    said = thing.get("kind") or thing.get("do") or thing.get("place") or thing.get("side") or ""
    scope = page.scope(thing, noun=thing.get("form") == "n").what
    return " ".join(part for part in (thing.cls, said, "" if scope == "now" else f"({scope})") if part)


def _accesses(reading: Reading) -> Iterable[str]:
    for one in reading.accesses:
        said = [one.kind.value if one.kind else "kind not said", one.side.value if one.side else "side not said"]
        if one.described:
            said.append(one.described)
        yield f"{one.ref:<{_MARGIN}}{', '.join(said)}"
        for doubt in one.doubts:
            yield f"{'':<{_MARGIN}}doubt: {doubt}"


def _day(reading: Reading) -> Iterable[str]:
    if reading.happened is None:
        yield f"{'day':<{_MARGIN}}neither the text nor its envelope says when"
    else:
        yield f"{'day':<{_MARGIN}}{reading.happened}, from {reading.happened_from}"


def _proposals(reading: Reading) -> Iterable[str]:
    for one in reading.proposed:
        sure = "plainly said" if one.plain else "to be checked"
        yield f"{one.kind} on {one.access or 'no access'}, {sure}: {one.why}"
        for cite in one.quotes:
            yield f"{'':<{_MARGIN}}“{' '.join(reading.words(cite).split())}”"
        for line in _details(reading, one):
            yield f"{'':<{_MARGIN}}{line}"
        for doubt in one.doubts:
            yield f"{'':<{_MARGIN}}doubt: {doubt}"
    if not reading.proposed:
        yield "nothing is proposed"


def _details(reading: Reading, proposal: Proposal) -> Iterable[str]:
    for name, value in proposal.detail.items():
        if name == "lesions":
            for lesion in value:
                said = {key: each for key, each in lesion.to_json().items() if each is not None and key != "balloons"}
                yield "lesion: " + ", ".join(f"{key} {each}" for key, each in said.items())
        elif isinstance(value, tuple):
            yield f"{name}: " + ", ".join(str(plain_value(each)) for each in value)
        elif not hasattr(value, "start"):
            yield f"{name}: {plain_value(value)}"


def _left_out(reading: Reading) -> Iterable[str]:
    if reading.noticed:
        yield ""
        yield "left out"
    for one in reading.noticed:
        words = " ".join(reading.text[one.start : one.end].split())
        yield f"{'':<{_MARGIN}}“{words}” ({one.what}): {one.reason}"
