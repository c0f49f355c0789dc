"""HTML and rich text → plain text. Both come inside messages more often than as files.

Only what is shown is kept: no scripts, no styles, no hidden elements, no pictures.
Nothing is fetched.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser

from ledger.arrival.opening import Document, charset_of, encoding_doubts
from ledger.arrival.plain import decoded, normalised
from ledger.arrival.values import LIMITS, CannotRead, Limits, Why

_SKIPPED = frozenset({"script", "style", "head", "template", "noscript", "svg", "iframe", "object"})
_EMPTY = frozenset(
    ("area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr")
)
_BLOCKS = frozenset(
    {"p", "div", "h1", "h2", "h3", "h4", "h5", "h6", "ul", "ol", "table", "thead", "tbody", "caption", "section", "dl"}
    | {"article", "header", "footer", "blockquote", "pre", "form", "fieldset", "address", "main", "body"}
)
_LINES = frozenset({"li", "tr", "dt", "dd", "br", "hr", "option"})
_DEEPEST = 2_000


def html_document(original: bytes, media_type: str | None, limits: Limits = LIMITS) -> Document:
    """The text that a page of HTML shows."""
    found = decoded(original, charset_of(media_type) or _charset_within(original), limits)
    return Document(
        text=html_text(found.text),
        media_type="text/html",
        envelope={"encoding": found.encoding},
        several=True,
        doubts=encoding_doubts(found),
    )


def html_text(markup: str) -> str:
    """The words that HTML shows: blocks parted by lines, table cells by tabs, blanks run together."""
    shown = _Shown()
    shown.feed(markup)
    shown.close()
    return re.sub(r"\n{3,}", "\n\n", re.sub(r"[ \xa0]*\n[ \xa0]*", "\n", "".join(shown.pieces))).strip("\n") + "\n"


def _charset_within(original: bytes) -> str | None:
    found = re.search(rb"charset\s*=\s*[\"']?([A-Za-z0-9_-]{2,30})", original[:2048])
    return found[1].decode("ascii") if found else None


class _Shown(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.pieces: list[str] = []
        self._skipping: list[str] = []
        self._kept_as_typed = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _EMPTY:
            if not self._skipping and tag in _LINES:
                self.pieces.append("\n")
            return
        style = "".join((value or "") for name, value in attrs if name == "style").replace(" ", "").lower()
        hidden = any(name == "hidden" for name, _ in attrs) or "display:none" in style or "visibility:hidden" in style
        if self._skipping or tag in _SKIPPED or hidden:
            if len(self._skipping) < _DEEPEST:
                self._skipping.append(tag)
            return
        self._kept_as_typed += tag == "pre"
        if tag in _BLOCKS:
            self.pieces.append("\n\n" if tag in ("p", "h1", "h2", "h3", "h4", "h5", "h6", "table") else "\n")
        elif tag in _LINES:
            self.pieces.append("\n")
        elif tag in ("td", "th"):
            self.pieces.append("\t" if self.pieces and not self.pieces[-1].endswith("\n") else "")

    def handle_endtag(self, tag: str) -> None:
        if self._skipping:
            if tag in self._skipping:
                # A tag that was never closed ends with the one around it.
                while self._skipping.pop() != tag:
                    pass
            return
        self._kept_as_typed -= tag == "pre" and self._kept_as_typed > 0
        if tag in _BLOCKS:
            self.pieces.append("\n")

    def handle_data(self, data: str) -> None:
        if self._skipping:
            return
        self.pieces.append(data if self._kept_as_typed else re.sub(r"[ \t\n\r\f]+", " ", data))


# --- Rich text ----------------------------------------------------------------------------------------------------

_RTF = re.compile(
    r"\\(?P<word>[a-z]{1,32})(?P<number>-?\d{1,10})?[ ]?|\\'(?P<byte>[0-9a-fA-F]{2})|\\(?P<sign>[^a-z])"
    r"|(?P<open>\{)|(?P<close>\})|(?P<line>[\r\n]+)|(?P<text>[^\\{}\r\n]+)"
)
_DESTINATIONS = frozenset(
    {"fonttbl", "colortbl", "stylesheet", "info", "pict", "object", "themedata", "colorschememapping", "datastore"}
    | {"latentstyles", "listtable", "listoverridetable", "rsidtbl", "generator", "xmlnstbl", "fldinst", "nonshppict"}
    | {"filetbl", "revtbl", "bkmkstart", "bkmkend", "annotation", "mmathPr", "pgptbl", "private", "panose", "fname"}
)
_BREAKS = {"par": "\n", "line": "\n", "sect": "\n", "page": "\f", "tab": "\t", "cell": "\t", "row": "\n", "emdash": "—"}
_BREAKS |= {
    "endash": "–",
    "bullet": "•",
    "lquote": "‘",
    "rquote": "’",
    "ldblquote": "“",
    "rdblquote": "”",
    "nestcell": "\t",
}
_BREAKS |= {"emspace": " ", "enspace": " ", "qmspace": " ", "nestrow": "\n", "softline": "\n"}
_CODE_PAGES = {"437": "cp437", "850": "cp850", "1250": "cp1250", "1251": "cp1251", "1252": "cp1252", "1253": "cp1253"}


def rtf_document(original: bytes) -> Document:
    """The text of a rich-text file, as dictation systems write it."""
    return Document(text=rtf_text(original), media_type="application/rtf", several=True)


def rtf_text(original: bytes) -> str:
    """The words of rich text: its control words followed as far as they make text, everything else passed over.

    Raises CannotRead when it is not rich text, or nested deeper than any document.
    """
    source = original.decode("latin-1")
    if not source.lstrip().startswith("{\\rtf"):
        raise CannotRead(
            Why.BROKEN, "The rich text does not begin like one.", "Save it as docx or PDF, and import that."
        )
    page = re.search(r"\\ansicpg(\d+)", source[:2000])
    encoding = _CODE_PAGES.get(page[1], "cp1252") if page else "cp1252"
    pieces: list[str] = []
    # For each open group: whether it is passed over, whether it is hidden, how many signs follow a \u as its stand-in.
    groups: list[tuple[bool, bool, int]] = []
    passed, hidden, stand_in, to_skip = False, False, 1, 0
    starred = False
    for found in _RTF.finditer(source):
        kind = found.lastgroup if found.lastgroup != "number" else "word"
        if kind == "open":
            if len(groups) > _DEEPEST:
                raise CannotRead(
                    Why.HOSTILE,
                    "The rich text is nested deeper than any document.",
                    "Ask the sender what it is; import only what comes from somebody you know.",
                )
            groups.append((passed, hidden, stand_in))
            starred = False
        elif kind == "close":
            if groups:
                passed, hidden, stand_in = groups.pop()
            to_skip = 0
        elif kind == "sign" and found["sign"] == "*":
            starred = True
        elif kind == "word":
            word, number = found["word"], found["number"]
            if word in _DESTINATIONS or starred:
                passed = True
            elif word == "v":
                hidden = number != "0"
            elif word == "plain":
                hidden = False
            elif word == "uc":
                stand_in = min(int(number or 1), 8)
            elif not passed and not hidden:
                if word == "u" and number is not None:
                    pieces.append(chr(int(number) % 65536))
                    to_skip = stand_in
                elif word in _BREAKS:
                    pieces.append(_BREAKS[word])
            starred = False
        elif not passed and not hidden:
            to_skip = _add_signs(pieces, found, encoding, to_skip)
    joined = "".join(pieces)
    # \u gives halves of a pair for signs beyond the first plane; together they are one.
    return normalised(joined.encode("utf-16", "surrogatepass").decode("utf-16", "replace"))


def _add_signs(pieces: list[str], found: re.Match[str], encoding: str, to_skip: int) -> int:
    if found["byte"] is not None:
        if to_skip:
            return to_skip - 1
        pieces.append(bytes([int(found["byte"], 16)]).decode(encoding, errors="replace"))
    elif found["sign"] is not None:
        pieces.append({"~": "\xa0", "_": "-", "\n": "\n", "\r": "\n"}.get(found["sign"], ""))
        if found["sign"] in "\\{}":
            pieces.append(found["sign"])
    elif found["text"] is not None:
        text = found["text"]
        pieces.append(text[to_skip:])
        return max(0, to_skip - len(text))
    return 0
