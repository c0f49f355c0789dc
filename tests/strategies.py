"""Anything that can happen, for property tests: facts of every kind, entries, and whole histories that were admitted.

`facts()` and `events()` follow the dataclasses of `ledger.events`, so a new kind and a new field are generated without
a change here. They are valid for the border (`ledger.entries.validated`); whether they make sense after one another is
for admission to say. `admitted_histories()` gives histories that it let through, with corrections and retractions, and
`lives()` the drafts of a small life, in the order in which it was told.

Everything here is invented, and lies before `TODAY`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import MISSING, fields, is_dataclass, replace
from datetime import date, datetime, timedelta
from functools import cache
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, Union, cast, get_args, get_origin, get_type_hints
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

import ledger.events
from ledger.admission import Gate
from ledger.admission.plausible import limits_of
from ledger.chronology import History
from ledger.dates import PartialDate, instant_text
from ledger.entries import Entry
from ledger.events import (
    FACT_KINDS,
    KINDS,
    AccessEvent,
    Correction,
    Event,
    Fact,
    GradeWord,
    Retraction,
    Words,
)
from ledger.evidence import Evidence, Quote
from ledger.measured import Measured
from ledger.vocabulary import AbandonmentHow, AccessKind
from tests.lives import PATIENT, ZONE, an_entry

TODAY = date(2026, 1, 15)
FIRST_DAY = date(2015, 1, 1)
LAST_DAY = date(2025, 12, 28)
"""Days are drawn between these; the last leaves room for every zone to call it the past on `TODAY`."""

ACCESSES = ("A1", "A2", "A3", "A4")
OTHERS = ("P0002", "P0003")
ZONES = tuple(ZoneInfo(name) for name in ("Europe/London", "America/St_Johns", "Pacific/Apia", "UTC"))

zones = st.sampled_from(ZONES)
days = st.dates(min_value=FIRST_DAY, max_value=LAST_DAY)


# --- Values -------------------------------------------------------------------------------------------------------


@st.composite
def partial_dates(draw: st.DrawFn, around: date | None = None) -> PartialDate:
    """A year, a month, a day or an instant; with `around`, mostly one that may mean that day."""
    day = draw(days) if around is None else around
    precision = draw(st.sampled_from(("day", "day", "day", "month", "year", "instant", "local instant")))
    match precision:
        case "year":
            return PartialDate(f"{day.year:04d}")
        case "month":
            return PartialDate(f"{day.year:04d}-{day.month:02d}")
        case "day":
            return PartialDate(day.isoformat())
    text = f"{day.isoformat()}T{draw(st.integers(0, 23)):02d}:{draw(st.integers(0, 59)):02d}"
    if draw(st.booleans()):
        text += f":{draw(st.integers(0, 59)):02d}"
        text += draw(st.sampled_from(("", ".5", ".000001")))
    if precision == "instant":
        text += draw(st.sampled_from(("Z", "+01:00", "-03:30", "+13:00", "-08:00")))
    return PartialDate(text)


@st.composite
def decimals(draw: st.DrawFn, low: float = 0, high: float = 999) -> str:
    """A decimal in the digits of somebody's hand: `20`, `20.0`, `7.25`."""
    whole = draw(st.integers(int(low), max(int(low), int(high) - 1)))
    return f"{whole}{draw(st.sampled_from(('', '', '.0', '.5', '.25')))}"


@st.composite
def measures(draw: st.DrawFn, low: float = 0, high: float = 999) -> Measured:
    """A quantity as it was said: exact, with a comparator, or a range."""
    how = draw(st.sampled_from((None, None, "measured", "estimated")))
    if draw(st.integers(0, 5)) == 0:
        ends = sorted((draw(decimals(low, high)), draw(decimals(low, high))), key=float)
        return Measured(low=ends[0], high=ends[1], how=how)
    comparator = draw(st.sampled_from((None, None, None, "<", "<=", ">=", ">", "~")))
    return Measured(value=draw(decimals(low, high)), comparator=comparator, how=how)


def _quantity(cls: type[Any], name: str) -> tuple[float, float]:
    limits = limits_of(cls.__name__, name)
    return max(limits.never_below, limits.usually_from, -999), min(limits.never_above, limits.usually_to, 999)


text_ids = st.sampled_from(("t-invented00000000000001", "t-invented00000000000002"))


@st.composite
def stretches(draw: st.DrawFn, cls: Callable[..., Any] = Words) -> Any:
    """A stretch of a text that the ledger keeps."""
    start = draw(st.integers(0, 200))
    return cls(text=draw(text_ids), start=start, end=start + draw(st.integers(0, 40)))


def evidences() -> st.SearchStrategy[Evidence]:
    """What an entry may rest on: nothing, or a report and stretches of its text."""
    return st.builds(
        Evidence,
        report=st.sampled_from((None, "r-invented00000000000001", "r-invented00000000000002")),
        quotes=st.lists(stretches(Quote), max_size=2).map(tuple),
    )


entry_ids = st.uuids().map(str)

_IDS: dict[str, st.SearchStrategy[str]] = {
    "access": st.sampled_from(ACCESSES),
    "accesses_found": st.sampled_from(ACCESSES),
    "continues_from": st.sampled_from(ACCESSES),
    "survivor": st.sampled_from(ACCESSES),
    "other": st.sampled_from(ACCESSES),
    "part": st.sampled_from(ACCESSES),
    "visit": st.sampled_from(("V1", "V2", "V3")),
    "lesion": st.sampled_from(("L1", "L2", "L3")),
    "device": st.sampled_from(("D1", "D2")),
    "to_patient": st.sampled_from(OTHERS),
    "report": st.sampled_from(("r-invented00000000000001", "r-invented00000000000002")),
    "text": text_ids,
    "kind": st.sampled_from(sorted(FACT_KINDS)),
}
_ENTRY_IDS = frozenset(
    {"corrects", "root", "retracts", "entries", "cultures", "findings", "referral", "about", "entry"}
)


# --- Facts and events, from their classes -------------------------------------------------------------------------


def facts(kind: str | None = None, **fixed: Any) -> st.SearchStrategy[Fact]:
    """A fact of a kind, or of any; named fields may be fixed, as values or as strategies."""
    if kind is None:
        return st.one_of([facts(one, **_fitting(KINDS[one], fixed)) for one in sorted(FACT_KINDS)])
    return cast("st.SearchStrategy[Fact]", _objects_of(KINDS[kind], fixed))


def events(kind: str | None = None, **fixed: Any) -> st.SearchStrategy[Event]:
    """An event of a kind, or of any: facts, links, reviews, corrections and retractions."""
    if kind is None:
        return st.one_of([events(one, **_fitting(KINDS[one], fixed)) for one in sorted(KINDS)])
    return cast("st.SearchStrategy[Event]", _objects_of(KINDS[kind], fixed))


def entries(kind: str | None = None) -> st.SearchStrategy[Entry]:
    """An entry that holds an event of a kind, or of any."""
    return st.builds(
        lambda event, version, evidence, doubts: replace(
            an_entry(event, version, evidence=evidence), doubts=tuple(sorted(doubts))
        ),
        events(kind),
        st.integers(1, 40),
        evidences(),
        st.sets(st.sampled_from(("needled-early", "two-tunnelled", "residual-worse")), max_size=2),
    )


def _fitting(cls: type[Any], fixed: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in fixed.items() if name in cls.__dataclass_fields__}


def _objects_of(cls: type[Any], fixed: dict[str, Any]) -> st.SearchStrategy[Any]:
    strategies = dict(_fields_of(cls))
    for name, value in fixed.items():
        assert name in cls.__dataclass_fields__, f"{cls.__name__} has no field {name}"
        strategies[name] = value if isinstance(value, st.SearchStrategy) else st.just(value)
    needed = {one.name for one in fields(cls) if one.default is MISSING and one.name in strategies} | set(fixed)

    @st.composite
    def made(draw: st.DrawFn) -> Any:
        # Most fields of most entries are unknown; drawing all of them would be slow and never look like a report.
        optional = sorted(set(strategies) - needed)
        filled = draw(st.sets(st.sampled_from(optional), max_size=6)) if optional else set()
        values = {name: draw(strategies[name]) for name in strategies if name in needed or name in filled}
        if cls is Words:
            values["end"] = values["start"] + values["end"]
        return cls(**values)

    return made()


@cache
def _fields_of(cls: type[Any]) -> dict[str, st.SearchStrategy[Any]]:
    hints = get_type_hints(cls, vars(ledger.events), include_extras=True)
    # `kind` is the class's own literal, except in a proposal's fate, which names the kind that was proposed.
    return {
        one.name: _values_of(cls, one.name, hints[one.name])
        for one in fields(cls)
        if one.name != "kind" or one.default is MISSING
    }


def _values_of(cls: type[Any], name: str, hint: Any) -> st.SearchStrategy[Any]:
    bare = _bare(hint)
    if get_origin(bare) is tuple:
        return st.lists(_values_of(cls, name, get_args(bare)[0]), min_size=1, max_size=2).map(tuple)
    if get_origin(bare) is Literal:
        return st.sampled_from(get_args(bare))
    if get_origin(bare) in (Union, UnionType):  # only the fact within a correction
        return st.deferred(facts)
    if bare is PartialDate:
        return partial_dates()
    if bare is Measured:
        return measures(*_quantity(cls, name))
    if bare is bool:
        return st.booleans()
    if bare is int:
        if cls is Words:
            return st.integers(0, 200)
        low, high = _quantity(cls, name)
        return st.integers(int(low), int(high))
    if bare is str:
        if name == "grade" or hint == GradeWord:
            return st.sampled_from(("B", "II", "3", "2a"))
        return entry_ids if name in _ENTRY_IDS else _IDS.get(name, st.sampled_from(("X1", "X2")))
    if isinstance(bare, type) and issubclass(bare, str):  # the enums of the vocabulary
        return st.sampled_from(list(bare))  # type: ignore[call-overload]
    assert is_dataclass(bare), f"no values are generated for {cls.__name__}.{name}"
    return stretches() if bare is Words else _objects_of(cast("type[Any]", bare), {})


def _bare(hint: Any) -> Any:
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


# --- Lives and histories ------------------------------------------------------------------------------------------

NEEDLED = ("first-cannulation", "access-used", "examination", "measurement", "maturity-assessed", "complication")
TREATED = ("angiogram", "angioplasty", "stent", "thrombosis", "thrombectomy", "banding", "revision", "visit", "imaging")
LINE = ("catheter-exchanged", "catheter-trouble", "infection", "access-used", "visit", "catheter-removed")
PERSON = ("care-began", "background", "decision", "culture", "hospital-stay", "referral", "follow-up-ended")


@st.composite
def lives(draw: st.DrawFn, most: int = 10, accesses: int = 3) -> list[Fact]:
    """The facts of a small life: some accesses, and what happened to them and to the person, in no particular order.

    Not all of it need make sense; admission says what does.
    """
    told: list[Fact] = []
    for access in ACCESSES[: draw(st.integers(1, accesses))]:
        made = draw(st.dates(min_value=FIRST_DAY, max_value=LAST_DAY - timedelta(days=400)))
        kind = draw(st.sampled_from(list(AccessKind)))
        how = "catheter-placed" if kind.is_catheter else "creation"
        if draw(st.integers(0, 4)) == 0:
            told.append(draw(facts("access-known", access=access, access_kind=kind, happened=partial_dates(made))))
        else:
            told.append(draw(facts(how, access=access, access_kind=kind, happened=partial_dates(made))))
        kinds = LINE if kind.is_catheter else NEEDLED + TREATED
        for _ in range(draw(st.integers(0, max(1, most // accesses)))):
            day = made + timedelta(days=draw(st.integers(0, 400)))
            fixed: dict[str, Any] = {"access": access, "happened": partial_dates(day)}
            told.append(draw(facts(draw(st.sampled_from(kinds)), **fixed)))
        if draw(st.integers(0, 3)) == 0 and not kind.is_catheter:
            day = made + timedelta(days=draw(st.integers(1, 400)))
            how_ended = draw(st.sampled_from(list(AbandonmentHow)))
            told.append(draw(facts("abandonment", access=access, how=how_ended, happened=partial_dates(day))))
    for _ in range(draw(st.integers(0, 2))):
        told.append(draw(facts(draw(st.sampled_from(PERSON)))))
    return told


def recorded(told: Sequence[Event], zone: ZoneInfo = ZONE, patient: str = PATIENT.id) -> History:
    """The history in which these events were recorded one after another, without what admission refuses."""
    return Recorder(zone, patient).record(told).history


class Recorder:
    """Records events as the store does: admission first, then one minute later the next."""

    def __init__(self, zone: ZoneInfo, patient: str = PATIENT.id) -> None:
        self.history = History(patient=patient, zone=zone, entries=())
        self.gate = Gate(self.history, today=TODAY)

    @classmethod
    def after(cls, history: History) -> Recorder:
        """Goes on after a history that is there."""
        recorder = cls(history.zone, history.patient)
        recorder.history = history
        recorder.gate = Gate(history, today=TODAY)
        return recorder

    def record(self, told: Sequence[Event]) -> Recorder:
        for event in told:
            self.add(event)
        return self

    def add(self, event: Event, days_later: int = 0, source: str | None = None) -> bool:
        """Records one event; says whether it was admitted. Its id follows from its source."""
        session = self.gate.is_of_sessions(event)
        place = len(self.history.entries) + 1
        version = sum(entry.session is session for entry in self.history.entries) + 1
        if self.history.entries:
            last = datetime.fromisoformat(self.history.entries[-1].recorded_at)
        else:
            last = datetime.fromisoformat("2026-01-05T08:00:00+00:00")
        at = instant_text(last + timedelta(days=days_later, minutes=1))
        entry = an_entry(event, version, recorded_at=at, source=source or f"hand-{place}", session=session)
        if self.gate.consider(event, entry.id).refusal is not None:
            return False
        self.gate.take(entry)
        self.history = replace(self.history, entries=(*self.history.entries, entry))
        return True


@st.composite
def admitted_histories(draw: st.DrawFn, most: int = 10, changes: int = 4) -> History:
    """A history that admission let through: a small life, told in any order, with corrections and retractions."""
    recorder = Recorder(draw(zones))
    recorder.record(draw(st.permutations(draw(lives(most)))))
    # What was refused because it was told too early may be told again.
    for _ in range(draw(st.integers(0, changes))):
        holding = [entry for entry in recorder.history.entries if recorder.gate.holds(entry.id)]
        if not holding:
            break
        named = draw(st.sampled_from(holding))
        recorder.add(draw(changes_of(named)), days_later=draw(st.integers(0, 2)))
    return recorder.history


def changes_of(entry: Entry) -> st.SearchStrategy[Event]:
    """A correction or a retraction of an entry that is in force."""
    said = entry.event
    retraction = st.builds(
        Retraction, happened=st.just(PartialDate("2026-01-06")), retracts=st.just(entry.id), note=st.none()
    )
    if isinstance(said, Correction):
        fact, root = said.to, said.root
    elif said.kind in FACT_KINDS:
        fact, root = cast("Fact", said), entry.id
    else:
        return cast("st.SearchStrategy[Event]", retraction)
    fixed = {"access": fact.access} if isinstance(fact, AccessEvent) else {}
    corrected = facts(fact.kind, **fixed).map(
        lambda to: Correction(happened=to.happened, corrects=entry.id, root=root, to=to)
    )
    return cast("st.SearchStrategy[Event]", st.one_of(retraction, corrected))
