"""Laws of the store, over generated lives: each was broken on purpose once (tests/README.md)."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from ledger.entries import Draft
from ledger.events import Fact
from ledger.people import Unit
from ledger.store import Ledger, open_ledger
from ledger.store.dump import dump, restore
from ledger.store.load import load
from ledger.store.trust import verify
from ledger.store.upkeep import rebuild
from tests import strategies
from tests.lives import ORGANISATION, happening
from tests.store.conftest import Clock, fixed_salts
from tests.store.drafts import BY
from tests.store.test_keep import read_model

lives = strategies.lives()


@contextmanager
def a_ledger(folder: str, name: str = "ledger.sqlite") -> Iterator[Ledger]:
    clock = Clock("2026-01-15T08:00:00+00:00")
    with open_ledger(
        Path(folder) / name, create=True, zone="Europe/Berlin", uuid=ORGANISATION, clock=clock, salt=fixed_salts()
    ) as made:
        made.db.execute("PRAGMA synchronous=OFF")
        yield made


def with_life(ledger: Ledger, life: list[Fact]) -> str:
    ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
    patient = ledger.who.add_patient(name="Quillon Ashgrove", unit="U1", invented=True).id
    drafts = [Draft(event=fact, source="hand", ordinal=number) for number, fact in enumerate(life, start=1)]
    ledger.append(ledger.history(patient), drafts, by=BY, partly=True)
    return patient


@given(life=lives)
def test_a_dump_and_a_restore_give_the_same_ledger(life: list[Fact]) -> None:
    with tempfile.TemporaryDirectory() as folder, a_ledger(folder) as ledger, a_ledger(folder, "new.sqlite") as new:
        patient = with_life(ledger, life)
        dump(ledger, Path(folder) / "dump")

        restore(new, (Path(folder) / "dump").open("rb"))

        assert new.history(patient, sessions=True) == ledger.history(patient, sessions=True)
        assert read_model(new) == read_model(ledger)
        assert verify(new).is_trusted


@given(life=lives, data=st.data())
def test_a_rebuild_gives_what_the_appends_left(life: list[Fact], data: st.DataObject) -> None:
    with tempfile.TemporaryDirectory() as folder, a_ledger(folder) as ledger:
        patient = with_life(ledger, life)
        entries = ledger.history(patient).entries
        if entries:
            chosen = data.draw(st.sampled_from(entries))
            retraction = Draft(event=happening("retraction", "2026-01-15", retracts=chosen.id), source="hand")
            ledger.append(ledger.history(patient), [retraction], by=BY)
        before = read_model(ledger)

        rebuild(ledger)

        assert read_model(ledger) == before


@given(life=lives)
def test_appending_a_life_at_once_or_entry_by_entry_is_the_same(life: list[Fact]) -> None:
    with (
        tempfile.TemporaryDirectory() as folder,
        a_ledger(folder) as at_once,
        a_ledger(folder, "2.sqlite") as one_by_one,
    ):
        patient = with_life(at_once, life)
        with_life(one_by_one, [])
        for number, fact in enumerate(life, start=1):
            draft = Draft(event=fact, source="hand", ordinal=number)
            one_by_one.append(patient, [draft], by=BY, partly=True)

        first = [fact.fact for fact in at_once.history(patient, sessions=True).facts]
        second = [fact.fact for fact in one_by_one.history(patient, sessions=True).facts]
        assert first == second


@given(life=lives)
def test_retracting_every_fact_leaves_none_in_force_and_all_in_the_audit_view(life: list[Fact]) -> None:
    with tempfile.TemporaryDirectory() as folder, a_ledger(folder) as ledger:
        patient = with_life(ledger, life)
        entries = ledger.history(patient, sessions=True).entries

        for entry in reversed(entries):
            retraction = Draft(event=happening("retraction", "2026-01-15", retracts=entry.id), source="hand")
            ledger.append(patient, [retraction], by=BY)

        after = ledger.history(patient, sessions=True)
        assert after.facts == ()
        assert {entry.id for entry in after.entries} >= {entry.id for entry in entries}
        assert list(ledger.accesses()) == []


@given(life=lives, seed=st.randoms(use_true_random=False))
def test_a_file_loads_the_same_in_any_order_of_its_lines(life: list[Fact], seed: object) -> None:
    import random

    import orjson

    from ledger.entries import event_to_dict

    with tempfile.TemporaryDirectory() as folder, a_ledger(folder) as first, a_ledger(folder, "2.sqlite") as second:
        patient = with_life(first, [])
        with_life(second, [])
        lines = [
            orjson.dumps({"patient": patient, "event": event_to_dict(fact), "ordinal": number})
            for number, fact in enumerate(life, start=1)
        ]
        shuffled = list(lines)
        assert isinstance(seed, random.Random)
        seed.shuffle(shuffled)

        load(first, lines, by=BY)
        load(second, shuffled, by=BY)

        assert [one.fact for one in first.history(patient, sessions=True).facts] == [
            one.fact for one in second.history(patient, sessions=True).facts
        ]
