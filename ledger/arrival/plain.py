"""Bytes of plain text → text, and one text → the reports that it plainly says it holds.

The text that is kept is made so that offsets stay stable and nothing is hidden from
whoever confirms it:

- a byte-order mark is dropped; CRLF, CR, NEL, and the Unicode line and paragraph
  separators become LF; form feeds (page ends) stay;
- other control characters become a space each;
- soft hyphens, zero-width characters and marks that turn the direction of writing are
  dropped, since they part words, or show another order than the one that is stored;
- typographic ligatures ("ﬁstula") are spelled out, since PDF files are full of them.

Nothing else is changed: no trimming, no joining of lines, no Unicode normal form. The
same bytes always give the same text, and normalising twice changes nothing.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise

from ledger.arrival.headers import names_another
from ledger.arrival.values import LIMITS, CannotRead, Limits, PatientClues, Why

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_LINE_ENDS = re.compile("\r\n|[\r\x85\u2028\u2029]")
_SPACED: dict[int, str] = {code: " " for code in range(0x20) if chr(code) not in "\t\n\f"} | {0x7F: " "}
_SPACED |= dict.fromkeys(range(0x80, 0xA0), " ")
_HIDDEN = (0xAD, 0x200B, 0x200C, 0x200D, 0x2060, 0xFEFF)
_TURNS = (0x200E, 0x200F, 0x061C, *range(0x202A, 0x202F), *range(0x2066, 0x206A))
_DROPPED = dict.fromkeys((*_HIDDEN, *_TURNS))
_LIGATURES = dict(zip(range(0xFB00, 0xFB07), ("ff", "fi", "fl", "ffi", "ffl", "st", "st"), strict=True))
# Half of a pair that stands alone is no character, and cannot be stored.
_BROKEN = dict.fromkeys(range(0xD800, 0xE000), "\ufffd")
_TABLE: dict[int, str | None] = {**_SPACED, **_DROPPED, **_LIGATURES, **_BROKEN}


@dataclass(frozen=True)
class Decoded:
    """A normalised text, the encoding that it came in, and whether that was only the best guess."""

    text: str
    encoding: str
    guessed: bool = False


def normalised(text: str) -> str:
    """The text in the form that the ledger keeps, as the module says.

    >>> normalised("A\\r\\nB\\rC\\x00D\\fﬁstula")
    'A\\nB\\nC D\\x0cfistula'
    """
    return _LINE_ENDS.sub("\n", text).translate(_TABLE)


def decoded(original: bytes, charset: str | None = None, limits: Limits = LIMITS) -> Decoded:
    """The text that the bytes hold.

    A byte-order mark decides; then the charset that the carrier named, if the bytes fit it; then UTF-8 if they are
    valid UTF-8; then UTF-16 without a mark if every other byte is nought; then Windows-1252, which is marked as a
    guess when it had to be chosen among encodings that any bytes would fit.

    Raises CannotRead for what holds no words, is not text, or is longer than the limits allow.
    """
    if not original.strip(b" \t\r\n\f\x00"):
        raise CannotRead(
            Why.EMPTY, "The file holds no words at all.", "Ask the sender for the report once more; nothing was lost."
        )
    encoding, guessed, text = _decoded(original, charset)
    kept = normalised(text)
    if not kept.strip():
        raise CannotRead(
            Why.EMPTY, "The file holds no words at all.", "Ask the sender for the report once more; nothing was lost."
        )
    if len(kept) > limits.text_length:
        raise CannotRead(
            Why.TOO_LARGE,
            f"The text has {len(kept)} characters; the limit is {limits.text_length}.",
            "Split the file by report, and import the pieces.",
        )
    return Decoded(kept, encoding, guessed)


def _decoded(original: bytes, charset: str | None) -> tuple[str, bool, str]:
    for mark, name in _MARKS:
        if original.startswith(mark):
            try:
                return name, False, _words_only(original[len(mark) :].decode(name))
            except UnicodeDecodeError:
                raise _not_text("It begins with the mark of a Unicode text, but the rest is not one.") from None
    if charset is not None:
        codec = _codec_of(charset)
        if codec is not None:
            try:
                return codec, False, _words_only(original.decode(codec))
            except UnicodeDecodeError:
                pass  # The carrier was wrong about its own bytes; the bytes themselves decide.
    if original.count(0) > len(original) // 5:
        wide = _wide_without_mark(original)
        if wide is None:
            raise _not_text("It holds nought bytes in a pattern that no text has.")
        return wide[0], True, _words_only(wide[1])
    try:
        return "utf-8", False, _words_only(original.decode("utf-8"))
    except UnicodeDecodeError:
        pass
    # Five bytes mean nothing in Windows-1252; they become control characters, and so spaces.
    text = original.decode("cp1252", errors="replace") if not _has_undefined(original) else original.decode("latin-1")
    return ("windows-1252" if not _has_undefined(original) else "iso-8859-1"), True, _words_only(text)


def _has_undefined(original: bytes) -> bool:
    return any(byte in original for byte in (b"\x81", b"\x8d", b"\x8f", b"\x90", b"\x9d"))


def _codec_of(charset: str) -> str | None:
    try:
        found = codecs.lookup(charset.strip().strip('"'))
    except (LookupError, ValueError):
        return None
    # Codecs such as base64 and rot13 are looked up the same way and are no encodings of text.
    return found.name if found._is_text_encoding else None


def _wide_without_mark(original: bytes) -> tuple[str, str] | None:
    if len(original) % 2:
        return None
    even, odd = original[0::2].count(0), original[1::2].count(0)
    name = "utf-16-le" if odd > even else "utf-16-be"
    try:
        return name, original.decode(name)
    except UnicodeDecodeError:
        return None


def _words_only(text: str) -> str:
    """The text itself, unless too much of it is control characters for it to be one."""
    sample = text[:200_000]
    odd = sum(1 for sign in sample if (sign < " " and sign not in "\t\n\r\f\v\x1a\x1b") or "\ue000" <= sign <= "\uf8ff")
    seen = sum(1 for sign in sample if not sign.isspace())
    letters = sum(1 for sign in sample if sign.isalnum())
    if odd * 20 > len(sample) or (seen > 50 and letters * 10 < seen):
        raise _not_text("Too much of it is control characters or signs that are no letters.")
    return text


def _not_text(why: str) -> CannotRead:
    return CannotRead(
        Why.BINARY,
        f"This is not a text, and no form of report that is known here. {why}",
        "If it is a report, have it saved as PDF, Word or plain text, and import that.",
    )


# --- Several reports in one text ----------------------------------------------------------------------------------

_END = re.compile(
    r"^[^\w\n]*(?:end[ \t]+of[ \t]+(?:the[ \t]+)?(?:report|document|dictation|transcription|note|summary)"
    r"|end[ \t]+report)"
    r"(?:[ \t]+(?:no\.?|number|#)?[ \t]*\d{1,4})?[^\w\n]*$",
    re.IGNORECASE | re.MULTILINE,
)
_NUMBERED = re.compile(
    r"^[^\w\n]*(?:report|document|patient|case)[ \t]*(?:no\.?|number|#)?[ \t]*(?P<nth>\d{1,4})[ \t]*(?:of|/)[ \t]*"
    r"(?P<all>\d{1,4})[^\w\n]*$",
    re.IGNORECASE | re.MULTILINE,
)
_PAGE_ONE = re.compile(r"\bpage[ \t]*:?[ \t]*0*1[ \t]*(?:of|/)[ \t]*\d{1,4}\b", re.IGNORECASE)
_MOST_STRETCHES = 20_000
_RULE = re.compile(r"^[ \t]*(?:={10,}|\*{10,}|_{10,}|-{10,}|#{10,}|~{10,})[ \t]*$", re.MULTILINE)


def reports_in(text: str, clues_in: Callable[[str], PatientClues]) -> list[tuple[int, int]]:
    """Where in a text each report stands. One stretch, unless the text plainly says that there are several.

    It says so by "End of report", by "Report 1 of 3" on a line of its own with the numbers in order, by a page that
    begins again with "Page 1 of …", by a page whose header names another patient, and by a line drawn across with
    the header of another patient right below it. `clues_in(stretch)` gives what a stretch says of its patient.

    Stretches are in order and cover the whole text.
    """
    cuts = {0}
    cuts.update(_after_line(text, found.end()) for found in _END.finditer(text))
    cuts.update(_numbered_in_order(text))
    pages = [0, *(found.end() for found in re.finditer("\f", text)), len(text)]
    first_pages = 0
    for start, end in pairwise(pages):
        is_first = _PAGE_ONE.search(text, start, end) is not None
        if is_first and first_pages:
            cuts.add(start)
        first_pages += is_first
    rules = {rule.start() for rule in _RULE.finditer(text)}
    cuts.update(_where_the_patient_changes(text, cuts, pages, rules, clues_in))
    return _with_words(text, sorted(cuts | {len(text)}))


def _where_the_patient_changes(
    text: str, cuts: set[int], pages: list[int], rules: set[int], clues_in: Callable[[str], PatientClues]
) -> Iterator[int]:
    """Each stretch between pages and lines drawn across is looked at once, beside the last header before it."""
    starts = sorted({*pages, *rules, *cuts, len(text)})
    if len(starts) > _MOST_STRETCHES:
        return
    known: PatientClues | None = None
    since = 0
    for start, end in pairwise(starts):
        if start in cuts:
            known, since = None, start
        # Below a line drawn across, the header of another report stands at once; further down is its prose.
        only_a_rule = start in rules and start not in pages
        clues = clues_in(text[start : min(end, start + 800) if only_a_rule else end])
        if clues.is_empty:
            continue
        if known is not None and names_another(known, clues) and (not only_a_rule or start - since > 200):
            yield start
            known, since = None, start
        known = clues if known is None else known


def _after_line(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def _numbered_in_order(text: str) -> list[int]:
    """Beginnings by "Report 2 of 3"; only when every number from 1 to the last is there once, in order."""
    found = list(_NUMBERED.finditer(text))
    if len(found) < 2:
        return []
    whole = {int(one["all"]) for one in found}
    numbers = [int(one["nth"]) for one in found]
    if len(whole) != 1 or numbers != list(range(1, len(found) + 1)) or whole != {len(found)}:
        return []
    return [one.start() for one in found[1:]]


def _with_words(text: str, cuts: list[int]) -> list[tuple[int, int]]:
    """Stretches between the cuts; one without words joins its neighbour, so that no sign is lost."""
    stretches: list[tuple[int, int]] = []
    for start, end in pairwise(cuts):
        has_words = sum(1 for sign in text[start:end] if sign.isalpha()) >= 20
        if stretches and not has_words:
            stretches[-1] = (stretches[-1][0], end)
        else:
            stretches.append((start, end))
    if len(stretches) > 1 and sum(1 for sign in text[slice(*stretches[0])] if sign.isalpha()) < 20:
        stretches[:2] = [(stretches[0][0], stretches[1][1])]
    return stretches or [(0, len(text))]
