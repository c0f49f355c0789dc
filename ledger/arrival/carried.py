"""What FHIR and C-CDA have in common: a document that is there in several forms, and base64 that may not be."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from ledger.arrival.opening import Document, embedded
from ledger.arrival.values import CannotRead, Limits, Why

_BEST_FIRST = (
    "text/plain",
    "text/html",
    "application/xhtml",
    "text/xml",
    "application/xml",
    "application/hl7-v3",
    "text/",
)
"""Text as typed is better than text taken out of a layout, and that is better than a picture."""


@dataclass(frozen=True, kw_only=True)
class Carried:
    """One of the forms in which a document is carried. `content` gives its bytes, or raises CannotRead."""

    media_type: str | None
    content: Callable[[], bytes]


def best_of(forms: Iterable[Carried], limits: Limits) -> Document:
    """The document in the best of its forms that can be read. Raises CannotRead of the best one when none can."""
    why: CannotRead | None = None
    for one in sorted(forms, key=_preference):
        try:
            found = embedded(one.content(), one.media_type, limits)
            if any(sign.isalnum() for sign in found.text):
                return found
            fault = CannotRead(Why.NO_TEXT, "The document that it carries has no words in it.", _ASK)
        except CannotRead as caught:
            fault = caught
        why = why or fault
    raise why or CannotRead(Why.NO_TEXT, "It carries no document and no text.", _ASK)


_ASK = "Ask the sender for the report as text or PDF within it."


def _preference(one: Carried) -> int:
    declared = (one.media_type or "").lower()
    return next((nth for nth, kind in enumerate(_BEST_FIRST) if declared.startswith(kind)), len(_BEST_FIRST))


def from_base64(encoded: str) -> bytes:
    """The bytes, blanks and line ends within the base64 allowed for. Raises CannotRead."""
    try:
        return base64.b64decode("".join(encoded.split()), validate=True)
    except (binascii.Error, ValueError):
        raise CannotRead(
            Why.BROKEN,
            "The document that it carries is not proper base64.",
            "Ask the sender for it once more; a transfer may have ended early.",
        ) from None
