"""An entry and its bytes: what was written is what is read, today and in every form that was ever stored."""

from __future__ import annotations

import hashlib
import json
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid5

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from ledger import entries as entries_module
from ledger.dates import PartialDate
from ledger.entries import (
    ENVELOPE,
    FORMS,
    Draft,
    Entry,
    Signature,
    border_of,
    chained,
    decode,
    encode,
    entry_id_of,
    event_from_dict,
    event_to_dict,
    fact_of,
    genesis,
    replaced,
    texts_in,
    validated,
    words_in,
)
from ledger.events import FACT_KINDS, KINDS, Correction, Event, Fact, Words
from ledger.evidence import Evidence, Quote
from ledger.vocabulary import ConfirmedHow
from tests.examples import ALL_EXAMPLES
from tests.lives import NURSE, ORGANISATION, PATIENT, an_entry, happening
from tests.strategies import entries, events, evidences, facts

STORED = Path(__file__).with_name("stored_forms.jsonl")
"""The bytes of every form that was ever stored, one a line. Lines are added and never changed."""

ALL_KINDS = sorted(KINDS)

for_each_kind = settings(max_examples=max(8, settings.default.max_examples // 5))
"""Fewer cases of a law that is asked of fifty kinds."""


# --- Bytes --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ALL_KINDS)
@for_each_kind
@given(data=st.data())
def test_what_was_written_is_what_is_read(kind: str, data: st.DataObject):
    entry = data.draw(entries(kind))

    again = decode(encode(entry), entry.version, entry.session)

    assert again == entry
    assert again.event == entry.event
    assert type(again.event) is type(entry.event)


@pytest.mark.parametrize("kind", ALL_KINDS)
@for_each_kind
@given(data=st.data())
def test_what_was_read_is_written_in_the_same_bytes(kind: str, data: st.DataObject):
    body = encode(data.draw(entries(kind)))

    assert encode(decode(body, 1)) == body


@pytest.mark.parametrize("kind", ALL_KINDS)
@for_each_kind
@given(data=st.data())
def test_what_is_valid_inside_is_valid_at_the_border(kind: str, data: st.DataObject):
    event = data.draw(events(kind))
    plain = event_to_dict(event)

    assert validated(plain) == event
    assert validated(orjson.dumps(plain), strictly_json=True) == event
    assert border_of(kind).validate_python(plain) == event
    assert event_from_dict(plain) == event


@given(events())
def test_what_was_read_holds_values_of_the_same_types(event: Event):
    """A string that should be an enum, or a list that should be a tuple, would be equal and still be wrong."""
    assert _types_in(event_from_dict(event_to_dict(event))) == _types_in(event)


def _types_in(value: Any) -> Any:
    if isinstance(value, tuple):
        return (tuple, [_types_in(item) for item in value])
    if is_dataclass(value):
        return (type(value), {one.name: _types_in(getattr(value, one.name)) for one in fields(value)})
    return type(value)


def test_what_nobody_said_is_not_written():
    """Read here with the standard library alone, as ledger/README.md says, so that anybody can read a ledger."""
    entry = an_entry(happening("thrombosis", "2021-05-31", access="A1"), 1)

    envelope, entry_id, at, *rest = json.loads(encode(entry))

    assert (envelope, entry_id) == (2, entry.id)
    assert datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at) == datetime(2025, 1, 6, 8, 1, tzinfo=UTC)
    assert rest == [NURSE, "hand-1", "thrombosis", "2021-05-31", "A1", {}]


def test_everything_that_can_be_said_of_an_entry_has_its_place():
    rests_on = Evidence(report="r-1", quotes=(Quote(text="t-1", start=3, end=9),))
    entry = an_entry(happening("thrombosis", "2021-05-31", access="A1"), 1, how=ConfirmedHow.IN_BULK, evidence=rests_on)
    entry = replace(entry, doubts=("clotted-twice",))

    found = json.loads(encode(entry))

    assert found[3] == [NURSE, "in-bulk"]
    assert found[9:] == ["r-1", [["t-1", 3, 9]], ["clotted-twice"]]


@pytest.mark.parametrize(
    "at", ["2025-01-06T08:01:00.000001Z", "2025-01-06T08:01:00Z", "2025-01-06T09:01:00.000000+01:00", "2025-01-06"]
)
def test_an_instant_comes_back_as_it_was_also_where_the_ledger_would_not_write_it_so(at: str):
    entry = replace(an_entry(happening("thrombosis", "2021-05-31", access="A1"), 1), recorded_at=at)

    assert decode(encode(entry), 1) == entry


def test_no_is_written_and_unknown_is_not():
    said_no = happening("thrombectomy", "2021-05-31", access="A1", success=False)
    said_nothing = happening("thrombectomy", "2021-05-31", access="A1")

    assert event_to_dict(said_no)["success"] is False
    assert "success" not in event_to_dict(said_nothing)
    assert said_no != said_nothing


@pytest.mark.parametrize("how", list(ConfirmedHow))
def test_how_sure_the_ledger_is_of_who_recorded_is_kept(how: ConfirmedHow):
    entry = an_entry(happening("thrombosis", "2021-05-31", access="A1"), 1, how=how)

    assert decode(encode(entry), 1).recorded_by == Signature(person=NURSE, how=how)


@given(entries())
def test_the_place_in_the_stream_is_beside_the_bytes_and_not_in_them(entry: Entry):
    body = encode(entry)

    assert encode(replace(entry, version=entry.version + 1, session=not entry.session)) == body
    assert decode(body, 7, session=True).version == 7
    assert decode(body, 7, session=True).session


@given(entries())
def test_an_entry_holds_codes_numbers_and_ids_and_no_words(entry: Entry):
    """What is hashed has to hold no words: a text is named by its digest and by where the words stand in it."""

    def strings(value: Any) -> list[str]:
        if isinstance(value, dict):
            return [text for item in value.values() for text in strings(item)]
        if isinstance(value, list):
            return [text for item in value for text in strings(item)]
        return [value] if isinstance(value, str) else []

    for text in strings(orjson.loads(encode(entry))):
        assert " " not in text
        assert len(text) <= 64


# --- Every form that was ever stored -------------------------------------------------------------------------------


def _stored() -> list[dict[str, Any]]:
    return [orjson.loads(line) for line in STORED.read_bytes().splitlines()]


def line_for(entry: Entry) -> bytes:
    """The line of `stored_forms.jsonl` that keeps an entry's bytes of today."""
    form = FORMS.get(entry.event.kind, 1)
    body = encode(entry).decode("utf-8")
    return orjson.dumps(
        {"kind": entry.kind, "envelope": ENVELOPE, "form": form, "session": entry.session, "body": body}
    )


def test_bytes_of_the_newest_form_of_every_kind_are_kept():
    kept = {(line["kind"], line.get("envelope", 1), line["form"]) for line in _stored()}

    missing = [
        line_for(an_entry(example, version)).decode("utf-8")
        for kind in ALL_KINDS
        if (kind, ENVELOPE, FORMS.get(kind, 1)) not in kept
        for version, example in enumerate(ALL_EXAMPLES[kind], start=1)
    ]

    assert missing == [], "add these lines to tests/stored_forms.jsonl:\n" + "\n".join(missing)


@pytest.mark.parametrize("place", range(len(STORED.read_bytes().splitlines())))
def test_bytes_that_were_stored_are_read_for_ever(place: int):
    line = _stored()[place]
    body = line["body"].encode("utf-8")

    entry = decode(body, place + 1, line["session"])

    assert entry.kind == line["kind"]
    if (line.get("envelope", 1), line["form"]) == (ENVELOPE, FORMS.get(line["kind"], 1)):
        assert encode(entry) == body
    assert decode(encode(entry), place + 1, line["session"]) == entry
    validated(event_to_dict(entry.event))


def test_bytes_that_were_stored_hold_what_they_held():
    """One kind spelled out: the rest of the file follows the same rules."""
    [minimal, full, *anew] = [line for line in _stored() if line["kind"] == "thrombosis" and line["form"] == 1]

    assert [decode(line["body"].encode(), number) for number, line in enumerate(anew, start=1)] == [
        decode(line["body"].encode(), number) for number, line in enumerate((minimal, full), start=1)
    ], "the second envelope holds what the first one held"
    assert decode(minimal["body"].encode(), 1).event.kind == "thrombosis"
    event: Any = decode(full["body"].encode(), 2).event
    assert event.known_by is not None
    assert isinstance(event.last_known_patent, PartialDate)
    assert isinstance(event.note, Words)


def test_an_old_form_is_lifted_when_it_is_read(monkeypatch: pytest.MonkeyPatch):
    """An invented past: before its second form, a thrombosis said `seen_by` for what is now `known_by`."""
    old = orjson.dumps(
        {
            "id": "e1",
            "at": "2025-01-06T08:01:00.000000Z",
            "by": NURSE,
            "source": "hand-1",
            "event": {"kind": "thrombosis", "happened": "2021-05-31", "access": "A1", "seen_by": "imaging"},
        }
    )

    def known_by(found: dict[str, Any]) -> dict[str, Any]:
        lifted = dict(found)
        lifted["known_by"] = lifted.pop("seen_by")
        return lifted

    def imaged(found: dict[str, Any]) -> dict[str, Any]:
        return {**found, "known_by": "clot-found" if found["known_by"] == "imaging" else found["known_by"]}

    monkeypatch.setitem(FORMS, "thrombosis", 3)
    monkeypatch.setitem(entries_module._LIFTS, ("thrombosis", 1), known_by)
    monkeypatch.setitem(entries_module._LIFTS, ("thrombosis", 2), imaged)

    entry = decode(old, 1)

    assert entry.event == happening("thrombosis", "2021-05-31", access="A1", known_by="clot-found")
    # Written anew it is of the newest form, and is not lifted a second time.
    body = encode(entry)
    assert orjson.loads(body)[-1] == [3, 1]
    assert decode(body, 1) == entry


def test_the_fact_within_a_correction_is_lifted_as_well(monkeypatch: pytest.MonkeyPatch):
    to = happening("thrombosis", "2021-05-31", access="A1", known_by="imaging")
    correction = happening("correction", "2021-05-31", corrects="e1", root="e1", to=event_to_dict(to))
    of_the_first_form = encode(an_entry(correction, 2))

    # Lifting twice would show: imaging becomes surgery, and surgery would become something else.
    def lift(found: dict[str, Any]) -> dict[str, Any]:
        return {**found, "known_by": {"imaging": "surgery", "surgery": "reported"}[found["known_by"]]}

    monkeypatch.setitem(FORMS, "thrombosis", 2)
    monkeypatch.setitem(entries_module._LIFTS, ("thrombosis", 1), lift)
    lifted = decode(of_the_first_form, 2)

    assert isinstance(lifted.event, Correction)
    assert lifted.event.to == happening("thrombosis", "2021-05-31", access="A1", known_by="surgery")
    assert decode(encode(lifted), 2) == lifted


# --- Ids ----------------------------------------------------------------------------------------------------------


def test_an_id_is_made_of_what_the_design_says_and_of_nothing_else():
    """UUIDv5 (RFC 9562, section 5.5) over organisation, patient, source, kind, access, ordinal and attempt."""
    draft = Draft(event=happening("thrombosis", "2021-05-31", access="A1"), source="r-1", ordinal=2)

    assert entry_id_of(ORGANISATION, "P0001", draft) == str(uuid5(ORGANISATION, "P0001|r-1|thrombosis|A1||2|1"))


@given(facts("angioplasty", access="A1"), facts("angioplasty", access="A1"), evidences(), evidences())
def test_reading_again_makes_the_same_id_whatever_the_reader_sees_now(
    before: Fact, now: Fact, rests_on: Evidence, rests_on_now: Evidence
):
    first = Draft(event=before, source="r-1", evidence=rests_on)
    second = Draft(event=now, source="r-1", evidence=rests_on_now)

    assert entry_id_of(ORGANISATION, PATIENT.id, first) == entry_id_of(ORGANISATION, PATIENT.id, second)


def test_each_part_of_an_id_makes_another_one():
    event = happening("thrombosis", "2021-05-31", access="A1")
    draft = Draft(event=event, source="r-1")
    others = [
        replace(draft, source="r-2"),
        replace(draft, ordinal=2),
        replace(draft, attempt=2),
        replace(draft, event=happening("thrombosis", "2021-05-31", access="A2")),
        replace(draft, event=happening("thrombectomy", "2021-05-31", access="A1")),
    ]

    ids = [entry_id_of(ORGANISATION, "P0001", one) for one in (draft, *others)]
    ids.append(entry_id_of(ORGANISATION, "P0002", draft))
    ids.append(entry_id_of(UUID(int=1), "P0001", draft))

    assert len(set(ids)) == len(ids)


def test_corrections_of_two_entries_have_two_ids():
    to = event_to_dict(happening("thrombosis", "2021-05-31", access="A1"))
    drafts = [
        Draft(event=happening("correction", "2021-05-31", corrects=named, root=named, to=to), source="hand-1")
        for named in ("e1", "e2")
    ]
    drafts += [
        Draft(event=happening("retraction", "2026-01-10", retracts=named), source="hand-1") for named in ("e1", "e2")
    ]

    assert len({entry_id_of(ORGANISATION, "P0001", draft) for draft in drafts}) == 4


# --- The chain ----------------------------------------------------------------------------------------------------


def test_an_entry_is_chained_to_the_one_before_by_sha_256():
    """Computed here with the standard library alone, so that anybody can verify a ledger without this program."""
    start = hashlib.sha256(b"access-ledger 1\0" + ORGANISATION.bytes + (14).to_bytes(8, "big")).digest()
    first = hashlib.sha256(start + (1).to_bytes(8, "big") + b"first").digest()
    second = hashlib.sha256(first + (2).to_bytes(8, "big") + b"second").digest()

    assert genesis(ORGANISATION, 14) == start
    assert chained(chained(genesis(ORGANISATION, 14), 1, b"first"), 2, b"second") == second


@given(st.binary(min_size=1), st.binary(min_size=1), st.integers(1, 1000))
def test_another_place_or_another_byte_makes_another_hash(one: bytes, other: bytes, version: int):
    start = genesis(ORGANISATION, 2)

    assert (chained(start, version, one) == chained(start, version, other)) is (one == other)
    assert chained(start, version, one) != chained(start, version + 1, one)
    assert chained(start, version, one) != chained(genesis(ORGANISATION, 4), version, one)


# --- At the border ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "no-such-kind", "happened": "2021"},
        {"kind": "thrombosis", "access": "A1"},
        {"kind": "thrombosis", "happened": "2021"},
        {"kind": "thrombosis", "happened": "2021-02-30", "access": "A1"},
        {"kind": "thrombosis", "happened": "2021", "access": "A1", "colour": "red"},
        {"kind": "thrombosis", "happened": "2021", "access": "A1", "known_by": "hearsay"},
        {"kind": "thrombosis", "happened": "2021", "access": "Anna Invented"},
        {"kind": "thrombosis", "happened": "2021", "access": "A" * 65},
        {"kind": "creation", "happened": "2021", "access": "A1", "access_kind": "tunnelled-catheter"},
        {"kind": "measurement", "happened": "2021", "access": "A1", "flow_ml_min": {"value": "many"}},
        {
            "kind": "complication",
            "happened": "2021",
            "access": "A1",
            "what": "steal",
            "grade": "much worse than before",
        },
        {"kind": "correction", "happened": "2021", "corrects": "e1", "root": "e1", "to": {"kind": "retraction"}},
    ],
)
def test_what_is_wrong_does_not_pass_the_border(wrong: dict[str, Any]):
    with pytest.raises(ValidationError):
        validated(wrong)


@given(facts())
def test_a_fact_with_one_field_changed_is_checked_again(fact: Fact):
    changed = replaced(fact, happened=PartialDate("2019"))

    assert changed.happened == "2019"
    assert replaced(changed, happened=fact.happened) == fact
    with pytest.raises(ValidationError):
        replaced(fact, happened="2019-02-29")


def test_a_field_is_emptied_by_none():
    fact: Any = happening("thrombosis", "2021-05-31", access="A1", known_by="imaging")

    assert replaced(fact, known_by=None) == happening("thrombosis", "2021-05-31", access="A1")


@given(facts())
def test_a_correction_states_the_fact_that_it_holds(fact: Fact):
    correction = Correction(happened=fact.happened, corrects="e1", root="e1", to=fact)

    assert fact_of(correction) == fact
    assert fact_of(fact) == fact


@given(st.sampled_from(sorted(FACT_KINDS)), st.data())
def test_every_text_that_an_event_refers_to_is_found(kind: str, data: st.DataObject):
    event = data.draw(events(kind))

    def texts(value: Any) -> set[str]:
        """Found in the plain JSON values, another way than through the classes."""
        if isinstance(value, dict):
            own = {value["text"]} if set(value) == {"text", "start", "end"} else set()
            return own.union(*(texts(item) for item in value.values()))
        return set().union(*(texts(item) for item in value)) if isinstance(value, list) else set()

    assert set(texts_in(event)) == texts(event_to_dict(event))
    assert {words.text for words in words_in(event)} == texts(event_to_dict(event))


def test_evidence_is_kept_with_its_places():
    evidence = Evidence(report="r-1", quotes=(Quote(text="t-1", start=3, end=9), Quote(text="t-1", start=20, end=25)))
    entry = an_entry(happening("thrombosis", "2021-05-31", access="A1"), 1, evidence=evidence)

    assert decode(encode(entry), 1).evidence == evidence
