"""What holds, in which order it happened, and what was known when: the laws of the effective history."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from ledger.admission import doubts_of
from ledger.chronology import (
    CLOSES,
    OPENS,
    History,
    InForce,
    effective,
    end_of_day,
    entry_in_force_for,
    in_clinical_order,
    in_force,
)
from ledger.dates import PartialDate, instant_text
from ledger.entries import Entry, event_to_dict
from ledger.events import FACT_KINDS, KINDS, Correction, Event, Fact, Retraction
from ledger.evidence import Evidence
from tests.lives import a_history, an_entry, corrected, grown, happening, retracted
from tests.strategies import Recorder, admitted_histories, days, facts, lives, partial_dates, zones

LONDON = ZoneInfo("Europe/London")
ST_JOHNS = ZoneInfo("America/St_Johns")
APIA = ZoneInfo("Pacific/Apia")


def fistula(day: str, access: str = "A1") -> Event:
    return happening("creation", day, access=access, access_kind="fistula")


def on(kind: str, day: str, access: str = "A1", **said: Any) -> Event:
    return happening(kind, day, access=access, **said)


def told(history: History) -> list[tuple[str, str]]:
    """Kind and day of all facts in force, in clinical order."""
    return [(one.kind, str(one.happened)) for one in history.facts]


# --- What is in force ---------------------------------------------------------------------------------------------


def test_a_corrected_entry_gives_way_to_its_correction_and_stays_in_the_audit_view():
    history = a_history(fistula("2019-03-04"))

    after = corrected(history, history.entries[0].id, fistula("2019-03-05"))

    assert told(after) == [("creation", "2019-03-05")]
    assert [entry.kind for entry in after.entries] == ["creation", "correction"]
    [one] = after.facts
    assert one.root == history.entries[0].id
    assert one.entry == after.entries[1]


def test_what_a_corrected_correction_replaced_does_not_come_back():
    history = a_history(fistula("2019-03-04"))
    history = corrected(history, history.entries[0].id, fistula("2019-03-05"))
    history = corrected(history, history.entries[1].id, fistula("2019-03-06"))

    assert told(history) == [("creation", "2019-03-06")]


def test_retracting_a_correction_restores_what_it_replaced_and_no_more():
    history = a_history(fistula("2019-03-04"))
    history = corrected(history, history.entries[0].id, fistula("2019-03-05"))
    history = corrected(history, history.entries[1].id, fistula("2019-03-06"))

    one_back = retracted(history, history.entries[2].id)
    two_back = retracted(one_back, history.entries[1].id)
    none_left = retracted(two_back, history.entries[0].id)

    assert told(one_back) == [("creation", "2019-03-05")]
    assert told(two_back) == [("creation", "2019-03-04")]
    assert told(none_left) == []
    assert len(none_left.entries) == 6


def test_retracting_a_retraction_restores():
    history = a_history(fistula("2019-03-04"))
    withdrawn = retracted(history, history.entries[0].id)

    back = retracted(withdrawn, withdrawn.entries[1].id)

    assert told(withdrawn) == []
    assert back.facts == history.facts


def test_the_entry_in_force_for_a_root_is_the_last_of_its_chain():
    history = a_history(fistula("2019-03-04"))
    root = history.entries[0].id
    after = corrected(history, root, fistula("2019-03-05"))
    withdrawn = retracted(after, after.entries[1].id)

    assert entry_in_force_for(root, history.entries) == history.entries[0]
    assert entry_in_force_for(root, after.entries) == after.entries[1]
    assert entry_in_force_for(root, withdrawn.entries) == history.entries[0]
    assert entry_in_force_for(root, retracted(withdrawn, root).entries) is None


def holding_by_definition(entries: Sequence[Entry]) -> set[str]:
    """What is in force, found another way: by asking of each entry what is said about it, without any order."""
    retractions = [entry for entry in entries if isinstance(entry.event, Retraction)]
    corrections = [entry for entry in entries if isinstance(entry.event, Correction)]

    def is_withdrawn(entry: Entry) -> bool:
        return any(one.event.retracts == entry.id and holds(one) for one in retractions)  # type: ignore[union-attr]

    def is_replaced(entry: Entry) -> bool:
        """By a correction that was not withdrawn, be it in force or corrected in its turn."""
        return any(one.event.corrects == entry.id and not is_withdrawn(one) for one in corrections)  # type: ignore[union-attr]

    def holds(entry: Entry) -> bool:
        return not is_withdrawn(entry) and not is_replaced(entry)

    return {entry.id for entry in entries if holds(entry)}


@given(admitted_histories(changes=8))
def test_walking_backwards_finds_what_follows_from_the_definition(history: History):
    assert {entry.id for entry in in_force(history.entries)} == holding_by_definition(history.entries)


@given(admitted_histories(changes=8))
def test_of_each_fact_at_most_one_entry_is_in_force(history: History):
    roots = Counter(one.root for one in effective(history.entries))

    assert all(number == 1 for number in roots.values())


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 30)), min_size=4, max_size=14))
@example([(True, 0), (False, 1), (True, 0), (False, 2)])
def test_no_way_of_correcting_and_retracting_leaves_one_fact_said_twice(told: list[tuple[bool, int]]):
    """One creation, and then anything that admission lets through: an earlier correction that is brought back after
    another took its place is the way by which two would hold at once."""
    recorder = Recorder(LONDON)
    assert recorder.add(fistula("2020-03-01"))
    root = recorder.history.entries[0].id

    for step, (corrects, place) in enumerate(told):
        named = recorder.history.entries[place % len(recorder.history.entries)].id
        if corrects:
            to = fistula(f"2020-03-{step + 2:02d}")
            change = {"corrects": named, "root": root, "to": event_to_dict(to), "happened": to.happened}
            recorder.add(happening("correction", **change))
        else:
            recorder.add(happening("retraction", "2026-01-10", retracts=named))

        assert len(effective(recorder.history.entries)) <= 1


@given(admitted_histories(changes=6))
def test_retracting_every_fact_in_force_leaves_nothing_in_force_and_everything_in_the_audit_view(history: History):
    recorder = Recorder.after(history)
    while recorder.history.facts:
        newest = recorder.history.facts[0].entry
        assert recorder.add(happening("retraction", "2026-01-10", retracts=newest.id))

    assert recorder.history.facts == ()
    assert recorder.history.entries[: len(history.entries)] == history.entries
    assert {entry.event.kind for entry in recorder.history.entries[len(history.entries) :]} <= {"retraction"}


@given(admitted_histories(changes=4), st.data())
def test_retracting_a_retraction_restores_whatever_it_had_taken(history: History, data: st.DataObject):
    holding = in_force(history.entries)
    assume(holding)
    recorder = Recorder.after(history)
    named = data.draw(st.sampled_from(holding))

    # Refused is only to bring back what a later entry has said otherwise.
    assume(recorder.add(happening("retraction", "2026-01-10", retracts=named.id)))
    between = recorder.history
    assert recorder.add(happening("retraction", "2026-01-10", retracts=between.entries[-1].id))

    assert recorder.history.facts == history.facts
    assert named.id not in {entry.id for entry in in_force(between.entries)}


@given(facts(access="A1"), st.lists(facts(access="A1"), min_size=1, max_size=4))
def test_a_chain_of_corrections_keeps_its_root_and_says_the_last(first: Fact, later: list[Fact]):
    history = a_history(first)
    root = history.entries[0].id

    for to in later:
        history = corrected(history, history.entries[-1].id, to)

    [one] = history.facts
    assert one.root == root
    assert one.fact == later[-1]
    assert one.entry == history.entries[-1]
    assert all(isinstance(entry.event, Correction) and entry.event.root == root for entry in history.entries[1:])


# --- In which order -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("other_entries", [0, 1], ids=["facts alone", "beside a retraction"])
def test_what_opens_goes_by_its_earliest_day_what_closes_by_its_latest_all_else_by_its_earliest(other_entries: int):
    history = a_history(
        on("abandonment", "2019", how="given-up"),
        on("thrombosis", "2019"),
        on("examination", "2019-06-15"),
        fistula("2019"),
    )

    for _ in range(other_entries):
        history = grown(history, on("imaging", "2018"))
        history = retracted(history, history.entries[-1].id)

    assert told(history) == [
        ("creation", "2019"),
        ("thrombosis", "2019"),
        ("examination", "2019-06-15"),
        ("abandonment", "2019"),
    ]


@given(partial_dates(), partial_dates(), zones)
def test_an_access_opens_before_it_closes_wherever_the_dates_allow_it(
    opened: PartialDate, closed: PartialDate, zone: ZoneInfo
):
    history = a_history(on("abandonment", closed, how="excision"), fistula(opened), zone=zone)

    kinds = [kind for kind, _ in told(history)]

    if opened.earliest_in(zone) <= closed.latest_in(zone):
        assert kinds == ["creation", "abandonment"]
    else:
        assert kinds == ["abandonment", "creation"]


def test_kinds_that_open_and_close_are_kinds():
    assert set(KINDS) >= OPENS
    assert set(KINDS) >= CLOSES
    assert not OPENS & CLOSES


def test_one_day_is_told_in_the_order_of_visits_and_of_the_table_of_kinds():
    history = a_history(
        on("stent", "2021-05-31", visit="V2"),
        on("angioplasty", "2021-05-31", visit="V2"),
        on("stent", "2021-05-31", visit="V1"),
        on("angiogram", "2021-05-31", visit="V2"),
    )

    order = [(one.visit, one.kind) for one in history.facts]

    assert order == [("V1", "stent"), ("V2", "angiogram"), ("V2", "angioplasty"), ("V2", "stent")]


def test_two_of_a_kind_on_one_day_are_told_in_the_order_of_their_ids_however_they_arrived():
    looked = [an_entry(on("examination", "2021-05-31", **said), 1, source=source) for source, said in _TWO_LOOKS]

    one_order = [fact.root for fact in a_history(*looked).facts]
    other_order = [fact.root for fact in a_history(*reversed(looked)).facts]

    assert one_order == other_order == sorted(one_order)


_TWO_LOOKS: list[tuple[str, dict[str, Any]]] = [("paper-1", {"thrill": "weak"}), ("paper-2", {"thrill": "absent"})]


@given(lives(), st.randoms(use_true_random=False), zones)
def test_the_order_of_arrival_changes_nothing(life: list[Fact], random: Any, zone: ZoneInfo):
    """For entries all admitted, however they arrived: the same facts, under the same ids, in the same order."""
    sources = {id(fact): f"paper-{number}" for number, fact in enumerate(life)}

    def record(order: Sequence[Fact]) -> tuple[History, list[Fact]]:
        """What was refused waits, as it does in life, and is told again after the rest."""
        recorder = Recorder(zone)
        waiting, admitted = list(order), list[Fact]()
        while newly := [fact for fact in waiting if recorder.add(fact, source=sources[id(fact)])]:
            admitted += newly
            waiting = [fact for fact in waiting if fact not in newly]
        return recorder.history, admitted

    there, admitted = record(life)
    random.shuffle(admitted)
    again, admitted_again = record(admitted)
    assume(len(admitted_again) == len(admitted))

    assert [(one.root, one.fact) for one in there.facts] == [(one.root, one.fact) for one in again.facts]
    assert [(doubt.code, doubt.about) for doubt in doubts_of(there)] == [
        (doubt.code, doubt.about) for doubt in doubts_of(again)
    ]


@given(admitted_histories(), st.randoms(use_true_random=False))
def test_clinical_order_does_not_depend_on_the_order_in_which_facts_are_given(history: History, random: Any):
    given_in_any_order = list(history.facts)
    random.shuffle(given_in_any_order)

    assert tuple(in_clinical_order(given_in_any_order, history.zone)) == history.facts


@given(admitted_histories(changes=4), st.integers(0, 12))
def test_a_history_that_was_added_to_is_the_history_made_anew(history: History, cut: int):
    begun = replace(history, entries=history.entries[:cut])
    assert begun.facts == replace(begun).facts

    grown_from_it = begun.followed_by(history.entries[cut:])

    assert grown_from_it.facts == history.facts
    assert grown_from_it == history


def test_what_is_added_after_a_link_is_read_through_it():
    history = a_history(fistula("2019"), on("access-known", "2020", "A2"))
    joined = grown(history, one("A1", "A2"))
    assert accesses_of(joined) == {"A1": ["creation", "access-known"]}

    later = joined.followed_by([an_entry(on("banding", "2021", "A2"), 4)])

    assert accesses_of(later) == {"A1": ["creation", "access-known", "banding"]}


@given(admitted_histories(changes=4))
def test_the_quick_way_through_plain_facts_is_the_long_way(history: History):
    """Without corrections, retractions and links the order is found in one pass; it has to be the same order."""
    for part in (history, replace(history, entries=tuple(e for e in history.entries if e.kind in FACT_KINDS))):
        assert part.facts == tuple(in_clinical_order(effective(part.entries), part.zone))


@given(admitted_histories(changes=0))
def test_facts_of_one_access_are_the_facts_of_the_history_in_their_order(history: History):
    by_access = [one for access in history.accesses for one in history.of_access(access)]
    of_the_person = [one for one in history.facts if one.access is None]

    assert sorted(one.root for one in by_access + of_the_person) == sorted(one.root for one in history.facts)
    for access in history.accesses:
        assert list(history.of_access(access)) == [one for one in history.facts if one.access == access]


# --- As of a day, as known on a day -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "day", "seen"),
    [
        ("2019-03-04", date(2019, 3, 3), "not"),
        ("2019-03-04", date(2019, 3, 4), "surely"),
        ("2019-03", date(2019, 2, 28), "not"),
        ("2019-03", date(2019, 3, 1), "possibly"),
        ("2019-03", date(2019, 3, 30), "possibly"),
        ("2019-03", date(2019, 3, 31), "surely"),
        ("2020-02", date(2020, 2, 28), "possibly"),
        ("2020-02", date(2020, 2, 29), "surely"),
        ("2019", date(2018, 12, 31), "not"),
        ("2019", date(2019, 1, 1), "possibly"),
        ("2019", date(2019, 12, 31), "surely"),
        ("2019-03-04T23:30", date(2019, 3, 4), "surely"),
    ],
)
def test_as_of_a_day_a_fact_is_there_surely_possibly_or_not_yet(said: str, day: date, seen: str):
    history = a_history(on("thrombosis", said), zone=LONDON)

    view = history.seen(as_of=day)

    assert {(): "not", (True,): "possibly", (False,): "surely"}[tuple(one.possibly for one in view.facts)] == seen


@pytest.mark.parametrize(
    ("zone", "day", "seen"),
    [
        (LONDON, date(2019, 7, 4), False),  # half past midnight of the 5th
        (LONDON, date(2019, 7, 5), True),
        (ST_JOHNS, date(2019, 7, 3), False),
        (ST_JOHNS, date(2019, 7, 4), True),  # nine in the evening of the 4th
        (APIA, date(2019, 7, 4), False),
        (APIA, date(2019, 7, 5), True),
    ],
)
def test_as_of_a_day_means_a_day_of_the_units_zone(zone: ZoneInfo, day: date, seen: bool):
    """Offsets on that day: the IANA time zone database."""
    history = a_history(on("thrombosis", "2019-07-04T23:30:00Z"), zone=zone)

    assert bool(history.seen(as_of=day).facts) is seen


@given(admitted_histories(), days)
def test_what_was_there_surely_on_a_day_is_there_on_every_later_day(history: History, day: date):
    today = history.seen(as_of=day)
    later = history.seen(as_of=day + timedelta(days=400))

    surely_later = {one.root for one in later.facts if not one.possibly}
    assert {one.root for one in today.facts if not one.possibly} <= surely_later
    assert {one.root for one in today.facts} <= {one.root for one in later.facts}
    for one in today.facts:
        assert one.happened.earliest_in(history.zone).date() <= day
        assert one.possibly is (one.happened.latest_in(history.zone).date() > day)


@given(admitted_histories(changes=6), st.data())
def test_as_known_on_a_day_nothing_recorded_later_shows(history: History, data: st.DataObject):
    assume(history.entries)
    moments = sorted({datetime.fromisoformat(entry.recorded_at) for entry in history.entries})
    moment = data.draw(st.sampled_from(moments)) + timedelta(seconds=data.draw(st.sampled_from((-30, 0, 30))))
    on_that_day = moment.astimezone(history.zone).date()

    at_that_moment = history.seen(known_on=instant_text(moment))
    at_the_end_of_that_day = history.seen(known_on=on_that_day)

    for view, knows in (
        (at_that_moment, lambda recorded: recorded <= moment),
        (at_the_end_of_that_day, lambda recorded: recorded.astimezone(history.zone).date() <= on_that_day),
    ):
        early = tuple(entry for entry in history.entries if knows(datetime.fromisoformat(entry.recorded_at)))
        assert view.entries == early
        assert view.facts == replace(history, entries=early).facts
        assert all(one.entry in early for one in view.facts)


@given(admitted_histories(changes=3), facts())
def test_recording_more_does_not_change_what_was_known_before(history: History, more: Fact):
    assume(history.entries)
    until = history.entries[-1].recorded_at
    recorder = Recorder.after(history)
    recorder.add(more)
    for one in history.facts[:2]:
        recorder.add(happening("retraction", "2026-01-10", retracts=one.entry.id))

    assert recorder.history.seen(known_on=until).facts == history.facts


def test_known_on_a_day_tells_what_was_believed_then():
    first = an_entry(fistula("2019-03-04"), 1, recorded_at="2025-03-01T09:00:00.000000Z")
    later = an_entry(
        happening(
            "correction",
            "2019-03-05",
            corrects=first.id,
            root=first.id,
            to=event_to_dict(fistula("2019-03-05")),
        ),
        2,
        recorded_at="2025-06-01T09:00:00.000000Z",
    )
    history = a_history(first, later, zone=LONDON)

    assert told(history.seen(known_on=date(2025, 2, 28))) == []
    assert told(history.seen(known_on=date(2025, 3, 1))) == [("creation", "2019-03-04")]
    assert told(history.seen(known_on=date(2025, 5, 31))) == [("creation", "2019-03-04")]
    assert told(history.seen(known_on=date(2025, 6, 1))) == [("creation", "2019-03-05")]
    assert told(history.seen(known_on=date(2025, 3, 1), as_of=date(2019, 3, 3))) == []


@pytest.mark.parametrize(
    ("day", "zone", "ends"),
    [
        (date(2020, 6, 1), LONDON, "2020-06-01T22:59:59.999999Z"),
        (date(2020, 3, 29), LONDON, "2020-03-29T22:59:59.999999Z"),  # a day of 23 hours
        (date(2020, 10, 25), LONDON, "2020-10-25T23:59:59.999999Z"),  # a day of 25 hours
        (date(2020, 2, 29), LONDON, "2020-02-29T23:59:59.999999Z"),
        (date(2020, 6, 1), ST_JOHNS, "2020-06-02T02:29:59.999999Z"),
        (date(2020, 12, 1), ST_JOHNS, "2020-12-02T03:29:59.999999Z"),
        (date(2019, 7, 4), APIA, "2019-07-04T10:59:59.999999Z"),
        (date(2011, 12, 29), APIA, "2011-12-30T09:59:59.999999Z"),  # the last moment before the day that was left out
    ],
)
def test_a_day_ends_when_its_zone_says_so(day: date, zone: ZoneInfo, ends: str):
    """Offsets on these days: the IANA time zone database."""
    assert end_of_day(day, zone) == ends


def test_the_version_that_was_seen_is_that_of_the_first_stream():
    history = a_history(fistula("2019"))
    session = an_entry(on("cannulation-session", "2020-01-01"), 7)

    assert a_history().version == 0
    assert history.version == 1
    assert replace(history, entries=(*history.entries, session)).version == 1


# --- Links between identities -------------------------------------------------------------------------------------


def one(survivor: str, other: str) -> Event:
    return happening("accesses-are-one", "2026-01-10", survivor=survivor, other=other)


def accesses_of(history: History) -> dict[str, list[str]]:
    return {access: [found.kind for found in history.of_access(access)] for access in history.accesses}


def test_two_accesses_that_are_one_are_read_as_one_until_that_is_retracted():
    history = a_history(fistula("2019"), on("access-known", "2020", "A2"), on("thrombosis", "2021", "A2"))

    joined = grown(history, one("A1", "A2"))
    parted = retracted(joined, joined.entries[-1].id)

    assert accesses_of(history) == {"A1": ["creation"], "A2": ["access-known", "thrombosis"]}
    assert accesses_of(joined) == {"A1": ["creation", "access-known", "thrombosis"]}
    assert parted.facts == history.facts


def test_accesses_are_followed_to_the_last_survivor():
    history = a_history(fistula("2019", "A1"), fistula("2020", "A2"), fistula("2021", "A3"))

    joined = grown(history, one("A2", "A3"), one("A1", "A2"))

    assert accesses_of(joined) == {"A1": ["creation", "creation", "creation"]}


def split(part: str, *entries: str, access: str = "A1") -> Event:
    return happening("access-split", "2026-01-10", access=access, part=part, entries=list(entries))


def test_an_access_that_turned_out_to_be_two_is_read_as_two():
    history = a_history(fistula("2019"), on("thrombosis", "2020"), on("banding", "2021"))
    banding = history.entries[2].id

    parted = grown(history, split("A2", banding))

    assert accesses_of(parted) == {"A1": ["creation", "thrombosis"], "A2": ["banding"]}
    assert retracted(parted, parted.entries[-1].id).facts == history.facts


def test_a_corrected_fact_stays_with_its_part_unless_it_was_moved_to_another_access():
    history = a_history(fistula("2019"), on("banding", "2021"), fistula("2022", "A3"))
    banding = history.entries[1].id
    history = grown(history, split("A2", banding))

    another_day = corrected(history, banding, on("banding", "2021-06"))
    another_access = corrected(history, banding, on("banding", "2022-06", "A3"))

    assert accesses_of(another_day)["A2"] == ["banding"]
    assert accesses_of(another_access) == {"A1": ["creation"], "A3": ["creation", "banding"]}


def test_what_rests_on_a_report_that_was_about_somebody_else_does_not_count():
    report = Evidence(report="r-1")
    history = grown(a_history(fistula("2019")), on("thrombosis", "2020"), evidence=report)

    moved = grown(history, happening("report-moved", "2026-01-10", report="r-1", to_patient="P0002"))
    confirmed_again = grown(moved, on("banding", "2021"), evidence=report)

    assert told(moved) == [("creation", "2019")]
    assert len(moved.entries) == 3
    assert told(confirmed_again) == [("creation", "2019"), ("banding", "2021")]
    assert retracted(moved, moved.entries[-1].id).facts == history.facts


def test_the_record_of_a_patient_who_is_the_same_is_read_through():
    theirs = a_history(on("access-known", "2018", "A7"), on("thrombosis", "2020", "A7"), patient="P0002")
    own = grown(a_history(fistula("2019")), happening("patients-are-one", "2026-01-10", other="P0002"))

    joined = replace(own, merged=(("P0002", theirs.entries),))

    assert told(joined) == [("access-known", "2018"), ("creation", "2019"), ("thrombosis", "2020")]
    assert joined.entry(theirs.entries[0].id) == theirs.entries[0]
    assert joined.version == own.version
    before_theirs = instant_text(datetime.fromisoformat(theirs.entries[0].recorded_at) - timedelta(seconds=1))
    assert joined.seen(known_on=before_theirs).facts == ()


def test_as_known_before_two_records_were_joined_the_other_one_does_not_show():
    theirs = a_history(on("access-known", "2018", "A7"), patient="P0002")
    third = a_history(on("access-known", "2017", "A9"), patient="P0003")
    own = grown(a_history(fistula("2019")), happening("patients-are-one", "2026-01-10", other="P0002"))
    chained = grown(theirs, happening("patients-are-one", "2026-01-10", other="P0003"))
    joined = replace(own, merged=(("P0002", chained.entries), ("P0003", third.entries)))
    just_before = instant_text(datetime.fromisoformat(own.entries[1].recorded_at) - timedelta(seconds=1))

    assert told(joined.seen(known_on=just_before)) == [("creation", "2019")]
    assert joined.seen(known_on=own.entries[1].recorded_at).facts == joined.facts
    assert [whose for whose, _ in joined.seen(known_on=own.entries[1].recorded_at).merged] == ["P0002", "P0003"]


def test_accesses_of_two_joined_records_can_be_one():
    theirs = a_history(on("access-known", "2018", "A7"), patient="P0002")
    own = grown(a_history(fistula("2019")), happening("patients-are-one", "2026-01-10", other="P0002"), one("A1", "A7"))

    joined = replace(own, merged=(("P0002", theirs.entries),))

    assert accesses_of(joined) == {"A1": ["access-known", "creation"]}


def test_a_fact_in_force_knows_its_day_its_kind_and_its_visit():
    history = a_history(on("banding", "2021-05", visit="V3"))

    [found] = history.facts

    assert isinstance(found, InForce)
    assert (found.happened, found.kind, found.visit, found.access) == ("2021-05", "banding", "V3", "A1")


@given(admitted_histories(changes=4), st.data())
def test_a_history_that_was_followed_by_entries_is_the_history_of_them_all(history: History, data: st.DataObject):
    first = data.draw(st.integers(0, len(history.entries)))
    earlier = replace(history, entries=history.entries[:first])
    assert len(earlier.facts) <= first  # What was put in order already is what the longer history may build on.

    longer = earlier.followed_by(history.entries[first:])

    assert longer == history
    assert longer.facts == history.facts


def test_what_follows_a_joining_of_two_accesses_is_read_through_it():
    earlier = grown(
        a_history(fistula("2020-03-02"), fistula("2020-03", access="A2")),
        happening("accesses-are-one", "2021-01-04", survivor="A1", other="A2"),
    )
    assert earlier.accesses == ("A1",)
    longer = grown(earlier, on("examination", "2021-02-01", access="A2"))

    followed = earlier.followed_by(longer.entries[-1:])

    assert [one.access for one in followed.facts] == ["A1", "A1", "A1"]
