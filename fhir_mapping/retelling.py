"""A resource in words, so that what was taken from it can be shown as resting on it.

The text holds everything that a resource says: its narrative first, then each field under its path.
The bytes of the resource are kept beside it as they came. A quote of the text is what a person sees under a line of
the history; the path says where in the resource it stands.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from fhir_mapping.elements import Resource

MOST_QUOTES = 6
_PASSED_OVER = frozenset({"resourceType", "meta", "text", "_fullUrl", "id", "implicitRules"})
_TELLING = ("code.", "type.", "performed", "effective", "onset", "occurrence", "value", "bodySite", "outcome", "note")


@dataclass(frozen=True)
class Retold:
    """The text of some resources, and for each of them the stretches that say it best."""

    text: str
    quotes: tuple[tuple[tuple[int, int], ...], ...]


def retold(resources: Sequence[Resource]) -> Retold:
    """Resources one after another as one text."""
    lines: list[str] = []
    length = 0
    quotes: list[tuple[tuple[int, int], ...]] = []
    for resource in resources:
        own: list[tuple[int, int]] = []
        told = list(_narrative(resource))
        for line, is_quote in [
            (f"{resource.get('resourceType')}", False),
            *((line, True) for line in told),
            *((line, not told and line.startswith(_TELLING)) for line in _fields(resource, "")),
            ("", False),
        ]:
            if is_quote and len(own) < MOST_QUOTES:
                own.append((length, length + len(line)))
            lines.append(line)
            length += len(line) + 1
        quotes.append(tuple(own))
    return Retold("\n".join(lines), tuple(quotes))


def _narrative(resource: Resource) -> Iterator[str]:
    """The narrative on one line, without its marks; its blocks are parted by semicolons."""
    held = resource.get("text")
    div = held.get("div") if isinstance(held, dict) else None
    if not isinstance(div, str):
        return
    blocks = re.split(r"</?(?:p|div|li|tr|br|h\d|table|ul|ol)\b[^>]*>", div)
    said = [" ".join(html.unescape(re.sub(r"<[^>]*>", " ", block)).split()) for block in blocks]
    line = "; ".join(one for one in said if one)
    if line:
        yield line


def _fields(held: Any, path: str) -> Iterator[str]:
    if isinstance(held, dict):
        for name, value in held.items():
            if path or name not in _PASSED_OVER:
                yield from _fields(value, f"{path}.{name}" if path else name)
    elif isinstance(held, list):
        for place, value in enumerate(held):
            yield from _fields(value, f"{path}[{place}]")
    elif held is not None:
        yield f"{path}: {' '.join(str(held).split())}"
