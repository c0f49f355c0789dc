"""What an entry rests on: a report, and the stretches of its text.

Offsets count Unicode code points of the extracted text that the ledger keeps. The
original bytes are kept as well, under their digest. An entry names a text by a salted
digest of it, so that it commits to the words and holds none: when the words are erased,
salt and text go, and nobody can tell any more what they were.
"""

from __future__ import annotations

import hashlib
from base64 import urlsafe_b64encode
from collections.abc import Iterable
from dataclasses import dataclass

SALT_BYTES = 16


@dataclass(frozen=True, kw_only=True)
class Quote:
    """Where in a text the words stand: code points `start` to `end` of the text `text`."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """What an entry rests on. All of it may be unknown: an entry by hand rests on whoever made it."""

    report: str | None = None
    quotes: tuple[Quote, ...] = ()


def text_id_of(text: str, salt: bytes) -> str:
    """The salted digest by which entries name a text: `t-` and 132 bits of SHA-256 of salt and UTF-8 text."""
    return "t-" + _short(hashlib.sha256(salt + text.encode("utf-8")).digest())


def report_id_of(original: bytes, part: int, salt: bytes) -> str:
    """The salted digest by which entries name a report: `r-`, over the original bytes and the part of them."""
    return "r-" + _short(hashlib.sha256(salt + part.to_bytes(4, "big") + original).digest())


def content_digest(original: bytes) -> str:
    """The plain SHA-256 of the original bytes, in hex; it is kept beside them and erased with them."""
    return hashlib.sha256(original).hexdigest()


def _short(digest: bytes) -> str:
    # 22 characters; a leading hyphen would look like an option on a command line, which the prefix prevents.
    return urlsafe_b64encode(digest)[:22].decode("ascii")


def words_at(quotes: Iterable[Quote], text: str) -> list[str]:
    """The words that the quotes stand for, given the text."""
    return [text[quote.start : quote.end] for quote in quotes]
