"""An entry: an event, who recorded it, when, and on what evidence; and its bytes.

The bytes that are hashed are the bytes that are stored. `encode` writes them, `decode`
reads them without pydantic: what was validated on the way in is not validated again on
the way out. A stored `kind` never changes; each form has a number, and `_LIFTS` brings
an old form up to the newest when it is read.

To change the stored form of a kind: raise its number in `FORMS`, add a function to
`_LIFTS` that makes the new dict of the old one, and add bytes of the old form to
`tests/stored_forms.jsonl`. Old bytes are never rewritten.

What stands around the event has a number of its own, `ENVELOPE`, the first value of the
bytes. The first envelope was a JSON object with names, and is still read; the second is
an array, a third shorter and quicker to write and to read (tests/benchmarks/README.md).
"""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Callable, Iterable
from copy import deepcopy
from dataclasses import MISSING, dataclass, field, fields, is_dataclass
from datetime import UTC, datetime, timedelta
from enum import Enum
from functools import lru_cache
from hashlib import sha1
from operator import attrgetter
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints
from uuid import UUID

import orjson

import ledger.events
from ledger.dates import PartialDate
from ledger.events import KINDS, Correction, Event, Fact, Happening, Retraction
from ledger.evidence import Evidence, Quote
from ledger.measured import Measured
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

    def __init__(
        self, *, event: Event, source: str, ordinal: int = 1, attempt: int = 1, evidence: Evidence = NO_EVIDENCE
    ) -> None:
        # What a frozen class makes by itself sets one field after the other, at three times the cost.
        self.__dict__.update(event=event, source=source, ordinal=ordinal, attempt=attempt, evidence=evidence)


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
    event = draft.event
    kind = event.kind
    about = ""
    if isinstance(event, Correction):
        about = event.corrects
        access = ledger.events.access_of(event)
    else:
        access = event.__dict__.get("access")
        if isinstance(event, Retraction):
            about = event.retracts
    name = f"{patient}|{draft.source}|{kind}|{access or ''}|{about}|{draft.ordinal}|{draft.attempt}"
    # The same as uuid.uuid5, without making an object of it: this runs for every entry of an import.
    digest = _begun_with(organisation.int).copy()
    digest.update(name.encode("utf-8"))
    text = digest.hexdigest()
    return f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{_VARIANT[text[16]]}{text[17:20]}-{text[20:32]}"


@lru_cache(maxsize=16)
def _begun_with(organisation: int) -> Any:
    return sha1(organisation.to_bytes(16, "big"), usedforsecurity=False)


_VARIANT = {digit: "89ab"[int(digit, 16) & 3] for digit in "0123456789abcdef"}
"""The variant of RFC 4122 in the place of whatever the digest has there."""


def entry_made(**values: Any) -> Entry:
    """An entry of all its fields, without the cost of a frozen class's constructor; for the store."""
    entry = _new(Entry)
    _set(entry, "__dict__", values)
    return entry


# --- Bytes --------------------------------------------------------------------------------------------------------


ENVELOPE = 2
"""The number of the newest form of what stands around an event."""


def encode(entry: Entry) -> bytes:
    """The stored bytes of an entry, a JSON array without what is unknown; its place in the stream is hashed beside it.

    In order: the number of the envelope, id, recorded at, by, source, kind, happened, access, the event's other fields;
    and, where there is anything to say, report, quotes, doubts and forms. `ledger/README.md` says how each is written.
    """
    event = entry.event
    kind = event.kind
    by = entry.recorded_by
    values = _values_of(event)
    body: list[Any] = [
        ENVELOPE,
        entry.id,
        _counted_from_1970(entry.recorded_at),
        by.person if by.how is ConfirmedHow.CLAIMED else [by.person, by.how.value],
        entry.source,
        kind,
        values.pop("happened"),
        values.pop("access", None),
        values,
    ]
    evidence, doubts = entry.evidence, entry.doubts
    forms = _forms_of(event) if FORMS else None
    if forms is not None or doubts:
        body += (evidence.report, _places_of(evidence) or None, doubts or None)
        if forms is not None:
            body.append(forms)
    elif evidence.quotes:
        body += (evidence.report, _places_of(evidence))
    elif evidence.report is not None:
        body.append(evidence.report)
    return orjson.dumps(body)


def _places_of(evidence: Evidence) -> list[list[Any]]:
    return [[quote.text, quote.start, quote.end] for quote in evidence.quotes]


def decode(body: bytes, version: int, session: bool = False) -> Entry:
    """The entry that the stored bytes hold. The bytes are ours: whatever is wrong with them is for `verify` to say."""
    found = orjson.loads(body)
    if type(found) is dict:
        return _decoded_from_first(found, version, session)
    _, entry_id, at, by, source, kind, happened, access, event, *rest = found
    evidence = NO_EVIDENCE
    doubts: tuple[str, ...] = ()
    forms = None
    if rest:
        report, *rest = rest
        quotes = rest[0] if rest else None
        evidence = _evidence(report, quotes) if quotes is not None or report is not None else NO_EVIDENCE
        if len(rest) > 1:
            doubts = tuple(rest[1] or ())
            forms = rest[2] if len(rest) > 2 else None
    event["happened"] = happened
    if access is not None:
        event["access"] = access
    if FORMS:
        event = _lifted_whole({"kind": kind, **event}, *(forms or (1, 1)))
    entry = _new(Entry)
    # What a frozen class makes by itself sets one field after the other, at three times the cost.
    _set(
        entry,
        "__dict__",
        {
            "id": entry_id,
            "event": _READERS[kind](event),
            "version": version,
            "recorded_at": _instant_of(at),
            "recorded_by": _signature(by, "claimed") if type(by) is str else _signature(*by),
            "source": source,
            "evidence": evidence,
            "doubts": doubts,
            "session": session,
        },
    )
    return entry


def recorded_at_of(body: bytes) -> str:
    """When the entry that the stored bytes hold was recorded; without reading the rest."""
    found = orjson.loads(body)
    at: str = found["at"] if type(found) is dict else _instant_of(found[2])
    return at


def _decoded_from_first(found: dict[str, Any], version: int, session: bool) -> Entry:
    """The entry in the first envelope, an object with the names `id`, `at`, `by` and so on."""
    report = found.get("report")
    quotes = found.get("quotes")
    event = found["event"]
    if FORMS:
        event = _lifted_whole(event, found.get("form", 1), found.get("to_form", 1))
    return entry_made(
        id=found["id"],
        event=_READERS[event["kind"]](event),
        version=version,
        recorded_at=found["at"],
        recorded_by=_signature(found["by"], found.get("how", "claimed")),
        source=found["source"],
        evidence=NO_EVIDENCE if report is None and quotes is None else _evidence(report, quotes),
        doubts=tuple(found.get("doubts", ())),
        session=session,
    )


def _forms_of(event: Event) -> list[int] | None:
    """The number of the form of an event, and of the fact within a correction; None where both are the first."""
    form = FORMS.get(event.kind, 1)
    to_form = FORMS.get(event.to.kind, 1) if isinstance(event, Correction) else 1
    return None if form == to_form == 1 else [form, to_form]


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_EPOCH_WITHOUT_ZONE = datetime(1970, 1, 1)


@lru_cache(maxsize=1024)
def _counted_from_1970(instant: str) -> int | str:
    """An instant as the ledger writes it, as microseconds since 1970; any other text as it is."""
    try:
        count = (datetime.fromisoformat(instant) - _EPOCH) // timedelta(microseconds=1)
    except (ValueError, TypeError):
        return instant
    return count if _instant_of(count) == instant else instant


@lru_cache(maxsize=4096)
def _instant_of(count: int | str) -> str:
    # What is appended at once bears one instant, so most of these were asked for a moment ago.
    if not isinstance(count, int):
        return count
    # As `instant_text` writes it. Counted without a zone: a history with sessions asks for thousands.
    return (_EPOCH_WITHOUT_ZONE + timedelta(microseconds=count)).isoformat(timespec="microseconds") + "Z"


_new = object.__new__
_set = object.__setattr__


def _evidence(report: str | None, quotes: list[list[Any]] | None) -> Evidence:
    found = []
    for text, start, end in quotes or ():
        quote = _new(Quote)
        _set(quote, "__dict__", {"text": text, "start": start, "end": end})
        found.append(quote)
    evidence = _new(Evidence)
    _set(evidence, "__dict__", {"report": report, "quotes": tuple(found)})
    return evidence


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
    return _values_of(event, {"kind": event.kind})


def event_from_dict(found: dict[str, Any], form: int = 1, to_form: int = 1) -> Event:
    """The event that a stored dict holds, lifted to the newest form. What comes from outside goes to `validated`.

    `form` is that of the event, `to_form` that of the fact within a correction.
    """
    found = deepcopy(_lifted_whole(found, form, to_form) if FORMS else found)
    return cast("Event", _READERS[found["kind"]](found))


def _lifted_whole(found: dict[str, Any], form: int, to_form: int) -> dict[str, Any]:
    found = _lifted(found, form)
    if found["kind"] == "correction":
        found = {**found, "to": _lifted(found["to"], to_form)}
    return found


def _lifted(found: dict[str, Any], form: int) -> dict[str, Any]:
    kind = found["kind"]
    for number in range(form, FORMS.get(kind, 1)):
        found = _LIFTS[kind, number](found)
    return found


def validated(found: Any, *, strictly_json: bool = False) -> Event:
    """An event from outside, checked by pydantic. Raises pydantic's ValidationError; callers say it in words."""
    if strictly_json:
        return cast("Event", _border().validate_json(found))
    return cast("Event", _border().validate_python(found))


@_once
def _border() -> Any:
    from pydantic import Field, TypeAdapter

    # The adapter's own methods only pass on to its validator.
    return TypeAdapter(Annotated[Event, Field(discriminator="kind")]).validator


@_once
def border_of(kind: str) -> Any:
    """The pydantic TypeAdapter of one kind; quicker to build than that of all."""
    from pydantic import TypeAdapter

    return TypeAdapter(KINDS[kind])


def _values_of(value: Any, begun: dict[str, Any] | None = None) -> dict[str, Any]:
    """What is known in an object, for orjson, which writes dates and tuples by itself; added to what was begun."""
    special = _encoding_of(type(value))
    out: dict[str, Any] = {} if begun is None else begun
    for name, held in value.__dict__.items():
        if held is None:
            continue
        how = special.get(name)
        if how is None:
            out[name] = held
            continue
        default, encoder = how
        # Identity is enough to tell a default, since False and () are single objects; the kind of an event is written
        # by its holder.
        if held is not default and (name != "kind" or default is None):
            out[name] = held if encoder is None else encoder(held)
    return out


def _values_of_each(values: tuple[Any, ...]) -> list[dict[str, Any]]:
    return [_values_of(value) for value in values]


@_once
def _encoding_of(cls: Any) -> dict[str, tuple[Any, Callable[[Any], Any] | None]]:
    """The default and the way of writing of each field of a class that has one of them."""
    hints = _hints_of(cls)
    special: dict[str, tuple[Any, Callable[[Any], Any] | None]] = {}
    for one in fields(cls):
        bare = _bare(hints[one.name])
        default = None if one.default is MISSING else one.default
        encoder: Callable[[Any], Any] | None = None
        if get_origin(bare) in (Union, UnionType):
            encoder = _event_values
        elif get_origin(bare) is tuple and is_dataclass(_bare(get_args(bare)[0])):
            encoder = _values_of_each
        elif isinstance(bare, type) and is_dataclass(bare):
            # ProposalFate and others have a `kind` of their own, which is theirs to write.
            encoder = _values_of
        elif _is_enum(bare):
            # orjson would ask each member for its `value`, which is a call.
            encoder = attrgetter("_value_")
        if default is not None or encoder is not None:
            special[one.name] = (default, encoder)
    return special


def _is_enum(bare: Any) -> bool:
    if get_origin(bare) is Literal:
        return all(isinstance(one, Enum) for one in get_args(bare))
    return isinstance(bare, type) and issubclass(bare, Enum)


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
        for name, value in found.items():
            converter = converters.get(name)
            if converter is not None:
                found[name] = converter(value)
        # The dict that was read from the bytes becomes the object's own: nobody else holds it.
        made = _new(cls)
        _set(made, "__dict__", found)
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
    if bare is Measured:
        return _measured
    if is_dataclass(bare):
        return _reader_of(cast("type[Any]", bare))
    return None


def _measured(found: dict[str, Any]) -> Measured:
    # Most quantities are a bare number, and the same ones come again and again; they are frozen, so one serves for all.
    if len(found) == 1 and "value" in found:
        return _bare_number(found["value"])
    made: Measured = _reader_of(Measured)(found)
    return made


@lru_cache(maxsize=8192)
def _bare_number(value: str) -> Measured:
    made: Measured = _reader_of(Measured)({"value": value})
    return made


class _Readers(dict[str, Callable[[dict[str, Any]], Any]]):
    """The reader of each kind, made when it is first asked for."""

    def __missing__(self, kind: str) -> Callable[[dict[str, Any]], Any]:
        self[kind] = _reader_of(KINDS[kind])
        return self[kind]


_READERS = _Readers()


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
