"""The effective history: corrections applied, retractions gone, in clinical order.

Three questions are answered here and nowhere else: which entries are in force, in
which order things happened, and what a view "as of" a day and "as known on" a day holds.
No clock and no store; whoever wants a view as of today says which day that is.

In force: walk the entries recorded by then, newest first; an entry is in force unless a
correction or a retraction that is in force names it. So retracting a retraction
restores, and retracting a correction restores what it replaced. A correction that was
itself corrected still stands between its own correction and what it replaced.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property
from typing import cast
from zoneinfo import ZoneInfo

from ledger.dates import PartialDate, instant_text
from ledger.entries import Entry
from ledger.events import (
    FACT_KINDS,
    KINDS,
    AccessesAreOne,
    AccessSplit,
    Correction,
    Event,
    Fact,
    ReportMoved,
    Retraction,
    access_of,
)

OPENS = frozenset({"creation", "catheter-placed", "access-known", "access-planned", "care-began"})
"""Kinds that open something: they sort by their earliest reading."""

CLOSES = frozenset({"abandonment", "catheter-removed", "follow-up-ended"})
"""Kinds that close something: they sort by their latest reading."""

_RANK = {kind: rank for rank, kind in enumerate(KINDS)}


@dataclass(frozen=True, kw_only=True)
class InForce:
    """A fact that holds, the entry that says it now, and the root: the first entry of its chain of corrections.

    `access` is read through the links between accesses. `possibly` marks, in a view as of a day, a fact whose date
    may lie before or after that day.
    """

    fact: Fact
    entry: Entry
    root: str
    access: str | None
    possibly: bool = False

    @property
    def happened(self) -> PartialDate:
        return self.fact.happened

    @property
    def kind(self) -> str:
        return self.fact.kind

    @property
    def visit(self) -> str | None:
        found: str | None = getattr(self.fact, "visit", None)
        return found


@dataclass(frozen=True, kw_only=True)
class History:
    """All that is recorded of one patient, as far as a view lets it be seen.

    `entries` are in the order of the stream (the audit view), also those no longer in force. `facts` is the
    effective history in clinical order. `merged` holds, for each patient whose record turned out to be of this one,
    the entries of that record.
    """

    patient: str
    zone: ZoneInfo
    entries: tuple[Entry, ...]
    merged: tuple[tuple[str, tuple[Entry, ...]], ...] = ()
    as_of: date | None = None
    known_on: str | None = None

    @property
    def version(self) -> int:
        """The version of the patient's first stream that this history saw: what an append must state."""
        for entry in reversed(self.entries):
            if not entry.session:
                return entry.version
        return 0

    @cached_property
    def facts(self) -> tuple[InForce, ...]:
        """The effective history, in clinical order."""
        return tuple([keyed[-1] for keyed in self._in_order()])

    def _in_order(self) -> list[Keyed]:
        """The effective history, each fact behind what it is sorted by."""
        found: list[Keyed] | None = self.__dict__.get("_ordered")
        if found is None:
            found = self.__dict__["_ordered"] = self._put_in_order()
        return found

    def _put_in_order(self) -> list[Keyed]:
        plain = None if self.merged or self.as_of is not None else _plain_facts(self.entries, self.zone)
        self.__dict__["_facts_alone"] = plain is not None
        if plain is not None:
            plain.sort()
            return plain
        holding = in_force(self.entries)
        found = _facts_among(holding)
        for _, others in self.merged:
            theirs = in_force(others)
            found += _facts_among(theirs)
            holding += theirs
        found = through_links(found, holding)
        if self.as_of is not None:
            found = _as_of(found, self.as_of, self.zone)
        return sorted([(*clinical_key(one, self.zone), one) for one in found], key=_without_fact)

    def followed_by(self, added: Iterable[Entry]) -> History:
        """The same history with entries that were appended to it. What is sorted already is not sorted again."""
        new = tuple(added)
        grown = replace(self, entries=self.entries + new)
        if "_ordered" in self.__dict__ and not self.merged and not self.as_of:
            plain = _plain_facts(new, self.zone) if self.facts_alone else None
            # Where something corrects, retracts or links, everything is looked at anew; links stay in force after it.
            if plain is not None:
                grown.__dict__["_ordered"] = sorted(self._in_order() + plain)
                grown.__dict__["_facts_alone"] = True
        return grown

    @property
    def facts_alone(self) -> bool:
        """Whether no entry corrects, retracts or links, so that every fact holds and reads as it stands.

        False also for a view as of a day and for joined records, where nobody asks.
        """
        self._in_order()
        found: bool = self.__dict__["_facts_alone"]
        return found

    @cached_property
    def accesses(self) -> tuple[str, ...]:
        """The ids of all accesses, in the order in which they first appear clinically."""
        return tuple(dict.fromkeys(one.access for one in self.facts if one.access is not None))

    def of_access(self, access: str) -> tuple[InForce, ...]:
        """The effective history of one access, in clinical order."""
        return tuple(one for one in self.facts if one.access == access)

    def entry(self, entry_id: str) -> Entry | None:
        """The entry of this id, in force or not."""
        return self._by_id.get(entry_id)

    @cached_property
    def _by_id(self) -> dict[str, Entry]:
        found = {entry.id: entry for entry in self.entries}
        for _, others in self.merged:
            found.update((entry.id, entry) for entry in others)
        return found

    def seen(self, *, as_of: date | None = None, known_on: date | str | None = None) -> History:
        """The same history as of a day of the unit's zone, as known on a day or at an instant, or both."""
        changed = self
        if known_on is not None:
            until = end_of_day(known_on, self.zone) if isinstance(known_on, date) else known_on
            entries = tuple(entry for entry in self.entries if entry.recorded_at <= until)
            merged = tuple(
                (patient, tuple(entry for entry in others if entry.recorded_at <= until))
                for patient, others in self.merged
            )
            changed = replace(changed, entries=entries, merged=_joined(entries, merged), known_on=until)
        if as_of is not None:
            changed = replace(changed, as_of=as_of)
        return changed


def _joined(
    entries: tuple[Entry, ...], merged: tuple[tuple[str, tuple[Entry, ...]], ...]
) -> tuple[tuple[str, tuple[Entry, ...]], ...]:
    """Those records that these entries, or those of a joined record, join: a join that nobody knew of shows nothing."""
    if not merged:
        return ()
    theirs, joined, look = dict(merged), set[str](), [entries]
    while look:
        for entry in in_force(look.pop()):
            other = getattr(entry.event, "other", None) if entry.event.kind == "patients-are-one" else None
            if other in theirs and other not in joined:
                joined.add(other)
                look.append(theirs[other])
    return tuple(one for one in merged if one[0] in joined)


def in_force(entries: Iterable[Entry]) -> list[Entry]:
    """The entries of one stream that hold, in the order of the stream. Retractions that hold are among them."""
    ordered = sorted(entries, key=_stream_order)
    corrected: set[str] = set()
    retracted: set[str] = set()
    holding: list[Entry] = []
    for entry in reversed(ordered):
        event = entry.event
        if entry.id in retracted:
            continue
        if entry.id in corrected:
            # A corrected correction is replaced, not undone: what it replaced in its turn must not come back.
            if isinstance(event, Correction):
                corrected.add(event.corrects)
            continue
        holding.append(entry)
        if isinstance(event, Correction):
            corrected.add(event.corrects)
        elif isinstance(event, Retraction):
            retracted.add(event.retracts)
    holding.reverse()
    return holding


def effective(entries: Iterable[Entry]) -> list[InForce]:
    """The facts of one stream that hold, corrections applied. Not yet read through links, not yet in clinical order."""
    return _facts_among(in_force(entries))


def _facts_among(holding: Iterable[Entry]) -> list[InForce]:
    """The facts among entries that hold, corrections applied."""
    found: list[InForce] = []
    for entry in holding:
        event: Event = entry.event
        root = entry.id
        if isinstance(event, Correction):
            root, fact = event.root, event.to
        elif event.kind in FACT_KINDS:
            fact = cast("Fact", event)
        else:
            continue
        one = _new(InForce)
        one.__dict__.update(fact=fact, entry=entry, root=root, access=access_of(fact), possibly=False)
        found.append(one)
    return found


@dataclass(frozen=True)
class Links:
    """What is known of identities, as far as it is in force.

    `moved`: reports that were about somebody else, and when that was said. `one`: accesses that turned out to be
    another. `parts`: for the first entry of a fact, the access that was split and the part to which the fact belongs.
    """

    moved: dict[str, str]
    one: dict[str, str]
    parts: dict[str, tuple[str, str]]

    def __bool__(self) -> bool:
        return bool(self.moved or self.one or self.parts)

    def stands_for(self, access: str) -> str:
        """The access that an id stands for. Two that were said to be each other end where they began."""
        followed: set[str] = set()
        while access in self.one and access not in followed:
            followed.add(access)
            access = self.one[access]
        return access

    def access_of(self, root: str, access: str) -> str:
        """The access of the fact whose first entry is `root` and which names `access`."""
        found = self.stands_for(access)
        if root in self.parts:
            whole, part = self.parts[root]
            # A fact that was corrected to yet another access has left the one that was split.
            if found == self.stands_for(whole):
                found = self.stands_for(part)
        return found


def links_of(holding: Iterable[Entry]) -> Links:
    """The links among entries in force; a later one about the same thing takes the place of an earlier one."""
    links = Links({}, {}, {})
    for entry in holding:
        match entry.event:
            case ReportMoved(report=report):
                links.moved[report] = entry.recorded_at
            case AccessesAreOne(survivor=survivor, other=other):
                links.one[other] = survivor
            case AccessSplit(access=access, part=part, entries=entries):
                links.parts.update(dict.fromkeys(entries, (access, part)))
            case _:
                pass
    return links


def through_links(facts: list[InForce], holding: Iterable[Entry]) -> list[InForce]:
    """The facts read through what is known of identities: reports moved away, accesses that are one, or two."""
    links = links_of(holding)
    if not links:
        return facts
    seen: list[InForce] = []
    for fact in facts:
        report = fact.entry.evidence.report
        if report is not None and report in links.moved and fact.entry.recorded_at <= links.moved[report]:
            continue
        access = None if fact.access is None else links.access_of(fact.root, fact.access)
        seen.append(fact if access == fact.access else replace(fact, access=access))
    return seen


Keyed = tuple[datetime, str, int, str, InForce]
"""A fact behind what it is sorted by. No two facts of one history share their root, so facts are never compared."""


def _without_fact(keyed: Keyed) -> tuple[datetime, str, int, str]:
    return keyed[:4]


_PLAIN = FACT_KINDS | {"report-reviewed"}
"""Kinds that leave every other entry in force and read as it is."""


def _plain_facts(entries: Iterable[Entry], zone: ZoneInfo) -> list[Keyed] | None:
    """The facts of entries of which none corrects, retracts or links; None if one does. This runs at every append."""
    found: list[Keyed] = []
    for entry in entries:
        fact = entry.event
        kind = fact.kind
        if kind not in FACT_KINDS:
            if kind in _PLAIN:
                continue
            return None
        held = fact.__dict__
        root = entry.id
        one = _new(InForce)
        # The constructor of a frozen class costs as much as all the rest of this loop.
        one.__dict__.update(fact=fact, entry=entry, root=root, access=held.get("access"), possibly=False)
        happened = fact.happened
        moment = happened.latest_in(zone) if kind in CLOSES else happened.earliest_in(zone)
        found.append((moment, held.get("visit") or "", _RANK[kind], root, one))
    return found


_new = object.__new__


def in_clinical_order(facts: Iterable[InForce], zone: ZoneInfo) -> list[InForce]:
    """By when it happened; ties by visit, kind and root id, never by when it arrived."""
    return sorted(facts, key=lambda one: clinical_key(one, zone))


def clinical_key(one: InForce, zone: ZoneInfo) -> tuple[datetime, str, int, str]:
    """What opens an access sorts by its earliest reading, what closes one by its latest, all else by its earliest."""
    fact = one.fact
    moment = fact.happened.latest_in(zone) if fact.kind in CLOSES else fact.happened.earliest_in(zone)
    return (moment, getattr(fact, "visit", None) or "", _RANK[fact.kind], one.root)


def _as_of(facts: Iterable[InForce], day: date, zone: ZoneInfo) -> list[InForce]:
    seen = []
    for one in facts:
        if one.happened.latest_in(zone).date() <= day:
            seen.append(one)
        elif one.happened.earliest_in(zone).date() <= day:
            seen.append(replace(one, possibly=True))
    return seen


def end_of_day(day: date, zone: ZoneInfo) -> str:
    """The last moment of a day in a zone, as the ledger writes instants. True on days of 23 and 25 hours."""
    after = datetime.combine(day + timedelta(days=1), time.min, tzinfo=zone).astimezone(UTC)
    return instant_text(after - timedelta(microseconds=1))


def _stream_order(entry: Entry) -> tuple[bool, int]:
    return entry.session, entry.version


def entry_in_force_for(root: str, entries: Sequence[Entry]) -> Entry | None:
    """The entry that now says the fact whose first entry is `root`; None when the fact was withdrawn."""
    for entry in in_force(entries):
        if entry.id == root or (isinstance(entry.event, Correction) and entry.event.root == root):
            return entry
    return None
