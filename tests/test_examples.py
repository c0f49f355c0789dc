"""The examples are examples of every kind, and the full ones are full."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any

import pytest

from ledger.entries import Draft, decode, encode, entry_id_of
from ledger.events import FACT_KINDS, KINDS, Correction
from tests.examples import ALL_EXAMPLES, EXAMPLES, full
from tests.lives import ORGANISATION, a_history, an_entry


def test_there_are_two_examples_of_every_kind():
    assert set(ALL_EXAMPLES) == set(KINDS)
    assert set(EXAMPLES) == FACT_KINDS
    assert all(len(ones) == 2 for ones in ALL_EXAMPLES.values())


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_the_full_example_fills_every_field(kind):
    example = full(kind)

    missing = sorted(_empty_fields(example, kind))

    assert missing == []


def _empty_fields(value: Any, where: str) -> set[str]:
    """Fields that are empty in every value of their class at this place."""
    if isinstance(value, tuple):
        if not value or not is_dataclass(value[0]):
            return set()
        return set.intersection(*(_empty_fields(item, where) for item in value))
    found: set[str] = set()
    if not is_dataclass(value) or type(value).__name__ in ("Measured", "Words"):
        return found
    for one in fields(value):
        held = getattr(value, one.name)
        if held is None or held == ():
            found.add(f"{where}.{one.name}")
        elif not isinstance(value, Correction):
            found |= _empty_fields(held, f"{where}.{one.name}")
    return found


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_an_example_survives_its_stored_bytes(kind):
    for version, example in enumerate(ALL_EXAMPLES[kind], start=1):
        entry = an_entry(example, version)

        again = decode(encode(entry), version, session=entry.session)

        assert again == entry


def test_histories_of_tests_are_the_same_every_time():
    first = a_history(*EXAMPLES["creation"], *EXAMPLES["thrombosis"])
    second = a_history(*EXAMPLES["creation"], *EXAMPLES["thrombosis"])

    assert first == second
    assert [entry.version for entry in first.entries] == [1, 2, 3, 4]
    assert first.entries[0].id == entry_id_of(
        ORGANISATION, "P0001", Draft(event=EXAMPLES["creation"][0], source="hand-1")
    )
