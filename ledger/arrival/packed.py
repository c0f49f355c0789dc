"""Zipped XML, opened with care: Word documents and spreadsheets, and XML by itself.

Nothing is unpacked beyond the limits, whatever the archive says of itself; a document
type declaration is refused, so no entity is ever expanded and nothing outside is asked
for; nesting and the number of elements are bounded.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from xml.etree.ElementTree import Element, TreeBuilder
from xml.parsers import expat

from ledger.arrival.values import CannotRead, Limits, Why

MOST_ELEMENTS = 3_000_000
DEEPEST = 400
_MOST_MEMBERS = 20_000
_HIGHEST_RATIO = 400
_ASK = "Ask the sender what it is; import only what comes from somebody you know."


class Package:
    """The members of a zipped document, each read once and counted against what may be unpacked in all."""

    def __init__(self, original: bytes, limits: Limits) -> None:
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(original))
        except (zipfile.BadZipFile, ValueError, NotImplementedError, EOFError, OverflowError):
            raise CannotRead(
                Why.BROKEN,
                "The document is a zip file whose directory is broken or cut short.",
                "Ask the sender for it once more; a transfer may have ended early.",
            ) from None
        self._left = limits.unpacked_bytes
        self.names = self._zip.namelist()
        if len(self.names) > _MOST_MEMBERS:
            raise CannotRead(Why.HOSTILE, f"The document has {len(self.names)} members.", _ASK)

    def xml(self, name: str) -> Element | None:
        """The root element of a member; None where there is no such member."""
        if name not in self.names:
            return None
        return xml_of(self._read(name))

    def _read(self, name: str) -> bytes:
        info = self._zip.getinfo(name)
        if info.flag_bits & 1:
            raise CannotRead(
                Why.ENCRYPTED,
                "The document is protected with a password.",
                "Open it with the password, save it without one, and import that.",
            )
        if info.file_size > self._left or info.file_size > max(info.compress_size, 4096) * _HIGHEST_RATIO:
            raise _bomb()
        try:
            with self._zip.open(info) as member:
                # One byte more than it says, since what an archive says of itself is not to be believed.
                found = member.read(info.file_size + 1)
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, ValueError):
            raise CannotRead(
                Why.BROKEN,
                "A part of the document is damaged and cannot be unpacked.",
                "Ask the sender for it once more, or save it anew from the program that shows it.",
            ) from None
        if len(found) > info.file_size:
            raise _bomb()
        self._left -= len(found)
        return found


def _bomb() -> CannotRead:
    return CannotRead(Why.HOSTILE, "The document unpacks to far more than a report can hold.", _ASK)


def xml_of(original: bytes) -> Element:
    """The root element. Names are `{namespace}local`. Raises CannotRead for what is broken, or defines entities."""
    builder = TreeBuilder()
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    depth = count = 0

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth, count
        depth, count = depth + 1, count + 1
        if depth > DEEPEST or count > MOST_ELEMENTS:
            raise CannotRead(Why.HOSTILE, "The XML is nested deeper, or has more elements, than any report.", _ASK)
        builder.start(_full(name), {_full(key): value for key, value in attributes.items()})

    def end(name: str) -> None:
        nonlocal depth
        depth -= 1
        builder.end(_full(name))

    def refuse(*_: object) -> None:
        raise CannotRead(
            Why.HOSTILE, "The XML declares a document type, which reports do not need and attackers do.", _ASK
        )

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = builder.data
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    try:
        parser.Parse(original, True)
        return builder.close()
    except (expat.ExpatError, LookupError, ValueError, AssertionError):
        raise CannotRead(
            Why.BROKEN,
            "The XML is not well formed.",
            "Ask the sender for it once more; a transfer may have ended early.",
        ) from None


def _full(name: str) -> str:
    return "{" + name if "}" in name else name


def local(element: Element) -> str:
    """The name of an element without its namespace."""
    return element.tag.rpartition("}")[2]


def attribute(element: Element, name: str) -> str | None:
    """An attribute by its local name, whatever its namespace."""
    for key, value in element.attrib.items():
        if key.rpartition("}")[2] == name:
            return value
    return None
