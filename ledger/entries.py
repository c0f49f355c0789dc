"""An entry: an event, who recorded it, when, and on what evidence; and its bytes.

The bytes that are hashed are the bytes that are stored. `encode` writes them, `decode`
reads them without pydantic: what was validated on the way in is not validated again on
the way out. A stored `kind` never changes; each form has a number, and `_LIFTS` brings
an old form up to the newest when it is read.

To change the stored form of a kind: raise its number in `FORMS`, add a function to
`_LIFTS` that makes the new dict of the old one, and add bytes of the old form to
`tests/stored_forms.jsonl`. Old bytes are never rewritten.
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterable
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from enum import Enum
from functools import lru_cache
from hashlib import sha1
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints
from uuid import UUID

import orjson

import ledger.events
from ledger.dates import PartialDate
from ledger.events import KINDS, Correction, Event, Fact, Happening, Retraction
from ledger.evidence import Evidence, Quote
from ledger.vocabulary import ConfirmedHow

FORMS: dict[str, int] = {}
"""The newest number of each kind's stored form, where it is not 1."""

_LIFTS: dict[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {}
"""From (kind, old number) to the next one."""


NO_EVIDENCE = Evidence()
_F = TypeVar("_F", bound=Callable[..., Any])


def _once(function: _F) -> _F:
    """Remembers every answer; typed so that classes can be asked about."""
    return cast("_F", lru_cache(maxsize=None)(function))


@dataclass(frozen=True, kw_only=True)
class Signature:
    """Who recorded an entry, and how sure the ledger is of it."""

    person: str
    how: ConfirmedHow = ConfirmedHow.CLAIMED


@dataclass(frozen=True, kw_only=True)
class Draft:
    """An entry that nobody has recorded yet: what is handed to admission and to the append.

    `source` and `ordinal` make its id (`entry_id_of`): the report or the sender's identifier that it comes from,
    and the how-manieth of its kind and access in there. `attempt` is raised when a retracted fact is entered anew.
    """

    event: Event
    source: str
    ordinal: int = 1
    attempt: int = 1
    evidence: Evidence = NO_EVIDENCE


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One line of the ledger. `version` is its place in its patient's stream, from 1; it never moves.

    `doubts` are the codes of what admission found odd at the time.
    """

    id: str
    event: Event
    version: int
    recorded_at: str
    recorded_by: Signature
    source: str
    evidence: Evidence = NO_EVIDENCE
    doubts: tuple[str, ...] = ()
    session: bool = field(default=False, compare=False)
    """Whether it lies in the patient's second stream, that of sessions."""

    @property
    def happened(self) -> PartialDate:
        return self.event.happened

    @property
    def kind(self) -> str:
        return self.event.kind


def entry_id_of(organisation: UUID, patient: str, draft: Draft) -> str:
    """The id of an entry: UUIDv5 of organisation, patient, source, kind, access and ordinal (and attempt).

    Never of spans or of the reader's version, so importing or confirming twice adds nothing.
    """
    access = ledger.events.access_of(draft.event) or ""
    kind = draft.event.kind
    about = ""
    if isinstance(draft.event, Correction):
        about = draft.event.corrects
    elif isinstance(draft.event, Retraction):
        about = draft.event.retracts
    name = f"{patient}|{draft.source}|{kind}|{access}|{about}|{draft.ordinal}|{draft.attempt}"
    # The same as uuid.uuid5, without making an object of it: this runs for every entry of an import.
    digest = bytearray(sha1(organisation.bytes + name.encode("utf-8"), usedforsecurity=False).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x50
    digest[8] = digest[8] & 0x3F | 0x80
    text = digest.hex()
    return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"


def entry_made(**values: Any) -> Entry:
    """An entry of all its fields, without the cost of a frozen class's constructor; for the store."""
    entry = _new(Entry)
    entry.__dict__.update(values)
    return entry


# --- Bytes --------------------------------------------------------------------------------------------------------


def encode(entry: Entry) -> bytes:
    """The stored bytes of an entry: JSON without what is unknown; its place in the stream is hashed beside it."""
    form = FORMS.get(entry.event.kind, 1)
    body: dict[str, Any] = {"id": entry.id, "at": entry.recorded_at, "by": entry.recorded_by.person}
    if entry.recorded_by.how is not ConfirmedHow.CLAIMED:
        body["how"] = entry.recorded_by.how.value
    body["source"] = entry.source
    if form != 1:
        body["form"] = form
    if FORMS and isinstance(entry.event, Correction) and (to_form := FORMS.get(entry.event.to.kind, 1)) != 1:
        body["to_form"] = to_form
    if entry.evidence.report is not None:
        body["report"] = entry.evidence.report
    if entry.evidence.quotes:
        body["quotes"] = [[quote.text, quote.start, quote.end] for quote in entry.evidence.quotes]
    if entry.doubts:
        body["doubts"] = entry.doubts
    body["event"] = _event_values(entry.event)
    return orjson.dumps(body)


def decode(body: bytes, version: int, session: bool = False) -> Entry:
    """The entry that the stored bytes hold. The bytes are ours: whatever is wrong with them is for `verify` to say."""
    found = orjson.loads(body)
    report = found.get("report")
    quotes = found.get("quotes")
    if report is None and quotes is None:
        evidence = NO_EVIDENCE
    else:
        evidence = Evidence(
            report=report,
            quotes=tuple([Quote(text=text, start=start, end=end) for text, start, end in quotes or ()]),
        )
    entry = _new(Entry)
    entry.__dict__.update(
        id=found["id"],
        event=event_from_dict(found["event"], found.get("form", 1), found.get("to_form", 1)),
        version=version,
        recorded_at=found["at"],
        recorded_by=_signature(found["by"], found.get("how", "claimed")),
        source=found["source"],
        evidence=evidence,
        doubts=tuple(found.get("doubts", ())),
        session=session,
    )
    return entry


_new = object.__new__


@_once
def _signature(person: str, how: str) -> Signature:
    return Signature(person=person, how=ConfirmedHow(how))


def genesis(organisation: UUID, stream: int) -> bytes:
    """What the first entry of a stream is chained to."""
    return hashlib.sha256(b"access-ledger 1\0" + organisation.bytes + stream.to_bytes(8, "big")).digest()


def chained(previous: bytes, version: int, body: bytes) -> bytes:
    """The hash of an entry: SHA-256 over the hash before it, its version and its stored bytes."""
    return hashlib.sha256(previous + version.to_bytes(8, "big") + body).digest()


# --- Between events and plain dicts -------------------------------------------------------------------------------


def event_to_dict(event: Happening) -> dict[str, Any]:
    """An event as plain JSON values, `kind` first, without what is unknown or at its default."""
    found: dict[str, Any] = orjson.loads(orjson.dumps(_event_values(event)))
    return found


def _event_values(event: Happening) -> dict[str, Any]:
    return {"kind": event.kind, **_values_of(event)}


def event_from_dict(found: dict[str, Any], form: int = 1, to_form: int = 1) -> Event:
    """The event that a stored dict holds, lifted to the newest form. What comes from outside goes to `validated`.

    `form` is that of the event, `to_form` that of the fact within a correction.
    """
    if FORMS:
        found = _lifted(found, form)
        if found["kind"] == "correction":
            found = {**found, "to": _lifted(found["to"], to_form)}
    return cast("Event", _reader_of(KINDS[found["kind"]])(found))


def _lifted(found: dict[str, Any], form: int) -> dict[str, Any]:
    kind = found["kind"]
    for number in range(form, FORMS.get(kind, 1)):
        found = _LIFTS[kind, number](found)
    return found


def validated(found: Any, *, strictly_json: bool = False) -> Event:
    """An event from outside, checked by pydantic. Raises pydantic's ValidationError; callers say it in words."""
    adapter = _border()
    if strictly_json:
        return cast("Event", adapter.validate_json(found))
    return cast("Event", adapter.validate_python(found))


@_once
def _border() -> Any:
    from pydantic import Field, TypeAdapter

    return TypeAdapter(Annotated[Event, Field(discriminator="kind")])


@_once
def border_of(kind: str) -> Any:
    """The pydantic TypeAdapter of one kind; quicker to build than that of all."""
    from pydantic import TypeAdapter

    return TypeAdapter(KINDS[kind])


def _values_of(value: Any) -> dict[str, Any]:
    """What is known in an object, for orjson, which writes enums, dates and tuples by itself."""
    encoders, defaults = _encoding_of(type(value))
    out: dict[str, Any] = {}
    for name, held in value.__dict__.items():
        # Identity is enough to tell a default, since None, False and () are single objects; the kind of an event is
        # written by its holder.
        if held is None or held is (default := defaults.get(name)) or (name == "kind" and default is not None):
            continue
        encoder = encoders.get(name)
        out[name] = held if encoder is None else encoder(held)
    return out


def _values_of_each(values: tuple[Any, ...]) -> list[dict[str, Any]]:
    return [_values_of(value) for value in values]


@_once
def _encoding_of(cls: Any) -> tuple[dict[str, Callable[[Any], Any]], dict[str, Any]]:
    """For a class: how the fields that hold objects are written, and every field's default."""
    hints = _hints_of(cls)
    encoders: dict[str, Callable[[Any], Any]] = {}
    defaults: dict[str, Any] = {}
    for one in fields(cls):
        bare = _bare(hints[one.name])
        if get_origin(bare) in (Union, UnionType):
            encoders[one.name] = _event_values
        elif get_origin(bare) is tuple and is_dataclass(_bare(get_args(bare)[0])):
            encoders[one.name] = _values_of_each
        elif isinstance(bare, type) and is_dataclass(bare):
            # ProposalFate and others have a `kind` of their own, which is theirs to write.
            encoders[one.name] = _values_of
        defaults[one.name] = None if one.default is MISSING else one.default
    return encoders, defaults


@_once
def _hints_of(cls: Any) -> dict[str, Any]:
    return get_type_hints(cls, vars(sys.modules[cls.__module__]), include_extras=True)


def _bare(hint: Any) -> Any:
    """The type behind `Annotated` and `| None`."""
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif get_origin(hint) in (Union, UnionType):
            inner = [arg for arg in get_args(hint) if arg is not NoneType]
            if len(inner) != 1:
                return hint
            hint = inner[0]
        else:
            return hint


@_once
def _reader_of(cls: Any) -> Callable[[dict[str, Any]], Any]:
    """Makes a stored dict into an object of `cls`. Fields that are not there keep the class's default."""
    hints = _hints_of(cls)
    converters = {
        one.name: converter
        for one in fields(cls)
        if one.name != "kind" and (converter := _converter_of(hints[one.name])) is not None
    }

    def read(found: dict[str, Any]) -> Any:
        made = _new(cls)
        held = made.__dict__
        for name, value in found.items():
            converter = converters.get(name)
            held[name] = value if converter is None else converter(value)
        return made

    return read


def _converter_of(hint: Any) -> Callable[[Any], Any] | None:
    bare = _bare(hint)
    if bare is PartialDate:
        return _date_of
    if get_origin(bare) is Literal:
        first = get_args(bare)[0]
        return _members_of(type(first)).__getitem__ if isinstance(first, Enum) else None
    if get_origin(bare) is tuple:
        inner = _converter_of(get_args(bare)[0])
        if inner is None:
            return tuple
        return lambda values: tuple([inner(value) for value in values])
    if get_origin(bare) in (Union, UnionType):  # only the fact within a correction
        return lambda value: _reader_of(KINDS[value["kind"]])(value)
    if isinstance(bare, type) and issubclass(bare, Enum):
        return _members_of(bare).__getitem__
    if is_dataclass(bare):
        return _reader_of(cast("type[Any]", bare))
    return None


@_once
def _members_of(enum: Any) -> dict[str, Enum]:
    return {member.value: member for member in enum}


@_once
def _date_of(text: str) -> PartialDate:
    return PartialDate(text)


def fact_of(event: Event) -> Event:
    """The fact that an event states: for a correction the corrected one, else itself."""
    return event.to if isinstance(event, Correction) else event


def replaced(fact: Fact, **changes: Any) -> Fact:
    """The same fact with some fields changed, checked again at the border."""
    found = _event_values(fact)
    for name, value in changes.items():
        if value is None:
            found.pop(name, None)
        else:
            found[name] = value
    return cast("Fact", validated(orjson.loads(orjson.dumps(found, default=_values_of))))


def texts_in(event: Happening) -> Iterable[str]:
    """The ids of all texts that an event's words refer to."""
    return sorted({words.text for words in words_in(event)})


def words_in(value: Any) -> Iterable[ledger.events.Words]:
    """Every stretch of text that an event refers to, at any depth."""
    if isinstance(value, ledger.events.Words):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from words_in(item)
    elif is_dataclass(value):
        for one in fields(value):
            yield from words_in(getattr(value, one.name))
