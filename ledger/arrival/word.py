"""Word documents (docx) → text: headers first, then paragraphs and tables in order, then notes and footers.

What a reader of the printed page would not see is left out: text deleted under tracked
changes, and hidden text; a doubt says so. A row of a table is a line, its cells parted
by tabs; a cell with several paragraphs is written out as such, since houses lay out
whole reports in tables.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree.ElementTree import Element

from ledger.arrival.opening import Document
from ledger.arrival.packed import Package, attribute, local
from ledger.arrival.values import CannotRead, Limits, Why
from ledger.dates import PartialDate
from ledger.errors import Doubt

_LEFT_OUT = {"del", "moveFrom", "delText", "Fallback", "instrText", "footnoteReference", "endnoteReference"}


def word_document(original: bytes, limits: Limits) -> Document:
    """The text of a Word document. Raises CannotRead for what is broken, protected or hostile."""
    package = Package(original, limits)
    body = package.xml("word/document.xml")
    if body is None:
        raise CannotRead(
            Why.BROKEN,
            "The Word document has no text part.",
            "Save it anew from the program that shows it, and import that.",
        )
    headers = _others(package, r"word/header\d*\.xml")
    footers = _others(package, r"word/(?:footnotes|endnotes|footer\d*)\.xml")
    text = _joined([*headers, "\n".join(_blocks(body)), *footers])
    return Document(
        text=text,
        media_type="application/vnd.openxmlformats-officedocument.wordprocessingml.document",
        envelope={"file_dated": _stamp(package)},
        several=True,
        doubts=tuple(_doubts(body)),
    )


def _others(package: Package, pattern: str) -> list[str]:
    found = []
    for name in sorted(package.names):
        if re.fullmatch(pattern, name):
            root = package.xml(name)
            if root is not None:
                found.append("\n".join(_blocks(root)))
    return found


def _joined(pieces: list[str]) -> str:
    """The pieces that say something, each once: every section repeats the header of the first."""
    kept = dict.fromkeys(piece.strip("\n") for piece in pieces if piece.strip())
    return "\n\n".join(kept) + "\n" if kept else ""


def _blocks(element: Element) -> Iterator[str]:
    """Paragraphs and table rows, in order."""
    for child in element:
        name = local(child)
        if name == "p":
            yield "".join(_runs(child))
        elif name == "tbl":
            for row in _within(child, "tr"):
                yield from _row(row)
        elif name not in _LEFT_OUT:
            yield from _blocks(child)


def _row(row: Element) -> Iterator[str]:
    cells = [[line for line in _blocks(cell) if line.strip()] for cell in _within(row, "tc")]
    if any(len(cell) > 1 for cell in cells):
        for cell in cells:
            yield from cell
    else:
        yield "\t".join(cell[0].replace("\n", " ") if cell else "" for cell in cells)


def _within(element: Element, name: str) -> Iterator[Element]:
    """The nearest descendants of this name, through wrappers such as content controls and tracked rows."""
    for child in element:
        if local(child) == name:
            yield child
        elif local(child) not in _LEFT_OUT and local(child) not in ("tbl", "p"):
            yield from _within(child, name)


def _runs(element: Element) -> Iterator[str]:
    for child in element:
        match local(child):
            case "t":
                yield child.text or ""
            case "tab" | "ptab":
                yield "\t"
            case "br":
                yield "\f" if attribute(child, "type") == "page" else "\n"
            case "cr":
                yield "\n"
            case "noBreakHyphen":
                yield "-"
            case "sym":
                yield from _symbol(child)
            case "r" if _is_hidden(child):
                pass
            case "txbxContent":
                yield "\n" + "\n".join(_blocks(child)) + "\n"
            case name if name in _LEFT_OUT or name in ("pPr", "rPr"):
                pass
            case _:
                yield from _runs(child)


_SYMBOLS = {"F0B0": "°", "F0B1": "±", "F0B3": "≥", "F0A3": "≤", "F06D": "µ", "F0B4": "×", "F0B7": "•", "F0FC": "✓"}


def _symbol(element: Element) -> Iterator[str]:
    """A sign from a symbol font, where its place in the Symbol font is one that reports use."""
    code = (attribute(element, "char") or "").upper()
    yield _SYMBOLS.get(code, "\ufffd")


def _is_hidden(run: Element) -> bool:
    for properties in run:
        if local(properties) == "rPr":
            for one in properties:
                if local(one) in ("vanish", "webHidden"):
                    return attribute(one, "val") not in ("0", "false", "off")
    return False


def _doubts(body: Element) -> Iterator[Doubt]:
    names = {local(element) for element in body.iter()}
    if names & {"del", "ins", "moveFrom"}:
        yield Doubt(
            code="tracked-changes",
            words="The document has tracked changes; it was read as if all were accepted.",
        )
    if any(_is_hidden(element) for element in body.iter() if local(element) == "r"):
        yield Doubt(code="hidden-text-left-out", words="The document has hidden text, which was left out.")


def _stamp(package: Package) -> PartialDate | None:
    core = package.xml("docProps/core.xml")
    if core is None:
        return None
    said = {local(element): element.text or "" for element in core}
    for name in ("modified", "created"):
        try:
            return PartialDate(said.get(name, "")[:10])
        except ValueError:
            continue
    return None
