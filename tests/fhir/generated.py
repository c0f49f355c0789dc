"""Histories made by hypothesis: every kind, any field there or not, in any order, corrected, retracted and linked.

Nothing in them makes clinical sense, which is the point: whatever the ledger can hold has to go out as valid FHIR and
come back. They are made of the types of the fields, so a new kind or field is in here by itself. Ids come from small
pools, so that facts meet. All invented.
"""

from __future__ import annotations

from dataclasses import MISSING, fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from hypothesis import strategies as st

import ledger.events
from ledger.chronology import History, in_force
from ledger.dates import PartialDate
from ledger.entries import event_to_dict, validated
from ledger.events import FACT_KINDS, KINDS, SESSION_KINDS, Correction, Fact, Happening, Words
from ledger.evidence import Evidence, Quote
from ledger.measured import Measured
from ledger.vocabulary import ConfirmedHow
from tests.examples import TEXT_ID, TEXTS
from tests.lives import PATIENT, ZONE, an_entry, lies_in_sessions

POOLS = {
    "access": ["A1", "A2", "A3"],
    "part": ["A8"],
    "other": ["A3"],
    "survivor": ["A1"],
    "visit": ["V1", "V2"],
    "lesion": ["L1", "L2"],
    "device": ["D1", "D2"],
    "old_device": ["D1", "D2"],
    "centre": ["C1"],
    "unit": ["U1"],
    "shift": ["U1-early"],
    "report": ["r-one", "r-two"],
    "to_patient": ["P0002"],
    "grade": ["B", "2", "II"],
    "rule": ["rule-1"],
}

DATES = st.one_of(
    st.integers(1950, 2024).map(str),
    st.builds("{:04}-{:02}".format, st.integers(1950, 2024), st.integers(1, 12)),
    st.dates(min_value=date(1950, 1, 1), max_value=date(2024, 12, 31)).map(str),
    st.datetimes(min_value=datetime(1950, 1, 1), max_value=datetime(2024, 12, 31)).flatmap(
        lambda moment: st.sampled_from(
            [
                moment.strftime("%Y-%m-%dT%H:%M"),
                moment.strftime("%Y-%m-%dT%H:%M:%S"),
                moment.strftime("%Y-%m-%dT%H:%M:%S.%f"),
                moment.strftime("%Y-%m-%dT%H:%M:%SZ"),
                moment.strftime("%Y-%m-%dT%H:%M:%S+02:00"),
                moment.strftime("%Y-%m-%dT%H:%M-05:30"),
                moment.strftime("%Y-%m-%dT%H:%M:%S+18:00"),
            ]
        )
    ),
    st.sampled_from(["1890-03-04T10:30", "2021-03-28T02:30", "2021-10-31T02:30", "2020-02-29", "1000", "2999-12-31"]),
)

# Without leading zeros: "007" and "7" are one number, and JSON can write only the second.
DIGITS = st.from_regex(r"(0|[1-9][0-9]{0,4})(\.[0-9]{1,4})?", fullmatch=True)
NUMBERS = st.one_of(DIGITS, st.from_regex(r"-[1-9][0-9]{0,2}(\.[0-9])?", fullmatch=True))


@st.composite
def quantities(draw: Any) -> dict[str, Any]:
    """A quantity as it may be said."""
    how = draw(st.sampled_from([None, None, "measured", "estimated"]))
    if draw(st.integers(0, 4)) == 0:
        low, high = sorted([draw(DIGITS), draw(DIGITS)], key=float)
        made = {"low": low, "high": high}
    else:
        made = {"value": draw(NUMBERS)}
        comparator = draw(st.sampled_from([None, None, "<", "<=", ">=", ">", "~"]))
        if comparator:
            made["comparator"] = comparator
    return {**made, "how": how} if how else made


@st.composite
def stretches(draw: Any) -> dict[str, Any]:
    """A stretch of the example text that is not blank at its ends."""
    text = TEXTS[TEXT_ID]
    start = draw(st.integers(0, len(text) - 12))
    while text[start].isspace():
        start += 1
    end = draw(st.integers(start + 1, min(start + 40, len(text) - 2)))
    while text[end - 1].isspace():
        end -= 1
    return {"text": TEXT_ID, "start": start, "end": end}


def _bare(hint: Any) -> Any:
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif get_origin(hint) in (Union, UnionType):
            hint = next(arg for arg in get_args(hint) if arg is not NoneType)
        else:
            return hint


def values_for(hint: Any, name: str, entries: list[str]) -> st.SearchStrategy[Any]:
    """A strategy for a field's plain JSON value, of its type and name."""
    bare = _bare(hint)
    if get_origin(bare) is tuple:
        inner = values_for(get_args(bare)[0], name, entries)
        smallest = 1 if name == "items" else 0
        return st.lists(inner, min_size=smallest, max_size=2)
    if bare is Measured:
        return quantities()
    if bare is PartialDate:
        return DATES
    if bare is Words:
        return stretches()
    if bare is bool:
        return st.booleans()
    if bare is int:
        return st.integers(0, 300)
    if get_origin(bare) is Literal:
        return st.sampled_from([getattr(value, "value", value) for value in get_args(bare)])
    if isinstance(bare, type) and issubclass(bare, Enum):
        return st.sampled_from([member.value for member in bare])
    if is_dataclass(bare):
        return plain_of(bare, entries)
    assert bare is str
    pool = POOLS.get(name) or (POOLS["access"] if name == "accesses_found" else None)
    return st.sampled_from(pool or [*entries, "e-nowhere"])


def plain_of(cls: Any, entries: list[str]) -> st.SearchStrategy[dict[str, Any]]:
    """A strategy for the plain JSON of a class: what it asks for, and any of the rest."""
    hints = get_type_hints(cls, vars(ledger.events), include_extras=True)
    required = {}
    optional = {}
    for one in fields(cls):
        if one.name == "kind" and issubclass(cls, Happening):
            continue
        strategy = values_for(hints[one.name], one.name, entries)
        if one.default is MISSING:
            required[one.name] = strategy
        else:
            optional[one.name] = strategy
    return st.fixed_dictionaries(required, optional=optional)


@st.composite
def facts(draw: Any, kind: str | None = None, entries: list[str] | None = None) -> Fact:
    """One fact of any kind, or of the given one."""
    kind = kind or draw(st.sampled_from(sorted(FACT_KINDS)))
    plain = draw(plain_of(KINDS[kind], entries or []))
    return validated({"kind": kind, **plain})  # type: ignore[return-value]


@st.composite
def histories(
    draw: Any, kinds: list[str] | None = None, links: bool = True, most: int = 12, changes: bool = True
) -> History:
    """A history of facts of any kind in any order, with corrections, retractions and links among them."""
    entries: list[Any] = []
    patient = PATIENT.id
    for version in range(1, draw(st.integers(1, most)) + 1):
        ids = [entry.id for entry in entries]
        choice = draw(st.integers(0, 9))
        holding = in_force(entries)
        correctable = [e for e in holding if isinstance(e.event, Correction) or e.event.kind in FACT_KINDS]
        if changes and choice == 0 and correctable:
            corrected = draw(st.sampled_from(correctable))
            root = corrected.event.root if isinstance(corrected.event, Correction) else corrected.id
            kind = corrected.event.to.kind if isinstance(corrected.event, Correction) else corrected.event.kind
            if draw(st.integers(0, 3)) == 0 and not corrected.session:
                kind = draw(st.sampled_from(sorted(FACT_KINDS - SESSION_KINDS)))
            to = draw(facts(kind, ids))
            event: Any = validated(
                {
                    "kind": "correction",
                    "happened": str(to.happened),
                    "corrects": corrected.id,
                    "root": root,
                    "to": event_to_dict(to),
                }
            )
        elif changes and choice == 1 and holding:
            retracted = draw(st.sampled_from(holding))
            event = validated({"kind": "retraction", "happened": "2025-01-07", "retracts": retracted.id})
        elif links and choice == 2:
            kind = draw(st.sampled_from(["report-moved", "accesses-are-one", "access-split", "report-reviewed"]))
            event = validated({"kind": kind, **draw(plain_of(KINDS[kind], ids))})
        else:
            event = draw(facts(draw(st.sampled_from(kinds)) if kinds else None, ids))
        report = draw(st.sampled_from([None, None, "r-one", "r-two"]))
        quotes = (Quote(**draw(stretches())),) if report else ()
        entries.append(
            an_entry(
                event,
                version,
                patient=patient,
                how=draw(st.sampled_from(list(ConfirmedHow))),
                evidence=Evidence(report=report, quotes=quotes),
                session=lies_in_sessions(event, entries),
            )
        )
    return History(patient=patient, zone=ZONE, entries=tuple(entries))
