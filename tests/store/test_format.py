"""The file format stands in `ledger/README.md` with one example of every kind; those examples load as they stand."""

from __future__ import annotations

from pathlib import Path

import orjson

from ledger.entries import Signature, decode, encode
from ledger.events import KINDS
from ledger.store import Ledger
from ledger.store.load import load

README = Path(__file__).parents[2] / "ledger" / "README.md"


def examples() -> list[bytes]:
    text = README.read_text(encoding="utf-8")
    return text.split("```jsonl\n")[1].split("```")[0].encode().splitlines()


def test_there_is_an_example_of_every_kind() -> None:
    shown = {orjson.loads(line)["event"]["kind"] for line in examples()}

    assert shown == set(KINDS)


def test_the_examples_load_as_they_stand(ledger: Ledger, patient: str) -> None:
    ledger.who.add_patient(name="Second Record", unit="U1", invented=True)
    ledger.clock.set("2026-01-05T08:00:00+00:00")  # type: ignore[attr-defined]

    loaded = load(ledger, examples(), by=Signature(person="N1"))

    assert [(one.line, one.problem) for one in loaded.refused] == []
    assert loaded.added == len(examples())
    assert load(ledger, examples(), by=Signature(person="N1")).added == 0


def test_the_bytes_that_are_shown_are_those_of_an_entry() -> None:
    shown = next(line for line in README.read_text("utf-8").splitlines() if line.startswith("[2,"))

    entry = decode(shown.encode("utf-8"), 1)

    assert encode(entry).decode("utf-8") == shown
    assert (entry.kind, entry.happened, entry.recorded_at) == (
        "thrombosis",
        "2021-05-31",
        "2025-01-06T08:01:00.000000Z",
    )
