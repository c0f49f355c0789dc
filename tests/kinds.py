"""The table of kinds in DEVELOPERS.md: which kind is alive in which part. `python -m tests.kinds` writes it.

A kind is alive when a report or a hand makes it, admission and chronology know it, the timeline says it in a sentence,
it goes out as FHIR and comes back, and a test shows each. Every cell is found by doing the thing, not by a list; a gap
is shown as a gap.
"""

from __future__ import annotations

import re
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.entries import Signature
from ledger.events import FACT_KINDS, KINDS
from tests.examples import ALL_EXAMPLES

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- kinds: made by `python -m tests.kinds` -->", "<!-- end of kinds -->"


@cache
def entered() -> frozenset[str]:
    """Kinds of which the README's example goes through the public append of a ledger, and is read back."""
    from ledger.people import Unit
    from ledger.store import open_ledger
    from ledger.store.load import load

    lines = (ROOT / "ledger" / "README.md").read_text("utf-8").split("```jsonl\n")[1].split("```")[0]
    with tempfile.TemporaryDirectory() as folder, open_ledger(Path(folder) / "l.sqlite", create=True) as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/Berlin", invented=True))
        for name in ("First Invented", "Second Invented"):
            ledger.who.add_patient(name=name, unit="U1", invented=True)
        load(ledger, lines.encode().splitlines(), by=Signature(person="N1"))
        return frozenset(entry.kind for entry in ledger.history("P0001", sessions=True).entries)


@cache
def read() -> frozenset[str]:
    """Kinds that the reader proposes from the project's own reports, and that become typed facts."""
    from ledger.reading.drafting import drafts_of
    from ledger.reading.reader import read_report

    found: set[str] = set()
    for text in _report_texts():
        reading = read_report(text, None)
        accesses = {one.ref: one.ref for one in reading.accesses}
        drafted = drafts_of(reading, report="r-x", text_id="t-x", accesses=accesses, happened=PartialDate("2025"))
        found.update(draft.event.kind for draft in drafted.drafts)
    return frozenset(found)


def _report_texts() -> Iterator[str]:
    for place in (ROOT / "fixtures" / "reports", ROOT / "cli" / "demo" / "reports"):
        for path in sorted(place.rglob("*.txt")):
            for part in re.split(r"^=== .*$", path.read_text("utf-8"), flags=re.MULTILINE):
                yield re.sub(r"^--- \{.*$", "", part, flags=re.MULTILINE)


def said(kind: str) -> bool:
    """The history says each example of it in a sentence."""
    from ledger.projections.sentences import sentence_of
    from tests.lives import a_history

    if kind not in FACT_KINDS:
        return _said_in_audit(kind)
    return all(sentence_of(a_history(example).facts[0], lambda _: "…").strip() for example in ALL_EXAMPLES[kind])


def _said_in_audit(kind: str) -> bool:
    from ledger.projections.sentences import entry_sentence
    from tests.lives import a_history

    return all(entry_sentence(a_history(example).entries[0], lambda _: "…").strip() for example in ALL_EXAMPLES[kind])


def briefed(kind: str) -> bool:
    """An example of it, on an access that is known, adds or changes a line of the brief on the day after."""
    if kind not in FACT_KINDS:
        return False
    return any(_changes_the_brief(example) for example in ALL_EXAMPLES[kind])


def _changes_the_brief(example: Any) -> bool:
    from ledger.events import AccessKnown
    from tests.lives import a_history

    access = getattr(example, "access", None) or "A-known"
    opens = example.kind in ("creation", "catheter-placed", "access-known", "access-planned")
    before = [AccessKnown(access=access, happened=PartialDate("2000"))] if not opens else []
    ended = example.until if example.kind == "hospital-stay" and example.until else example.happened
    after_it = ended.latest_in(UTC).date() + timedelta(days=1)
    return _told(a_history(*before, example), after_it) != _told(a_history(*before), after_it)


def _told(history: History, on: date) -> list[str]:
    from ledger.projections.brief import brief_of
    from tests.lives import PATIENT

    now = datetime.combine(on, datetime.min.time(), tzinfo=UTC)
    brief = brief_of(history, PATIENT, on, now, lambda _: "…")
    return [line.text for section in brief.sections if section.key != "recorded" for line in section.lines]


def exported(kind: str) -> bool:
    """Each example of it makes a resource of its own, or changes what another one says."""
    from fhir_mapping.resources import resources_of
    from fhir_mapping.site import Site
    from tests.lives import PATIENT, a_history

    site = Site(namespace="https://invented.example/ledger")
    return all(resources_of(a_history(example), PATIENT, site, lambda _: None) for example in ALL_EXAMPLES[kind])


def received(kind: str) -> bool:
    """A resource that was sent of each example gives a fact of its kind again. Corrections come as what they state."""
    from fhir_mapping.receiver import received_from
    from fhir_mapping.resources import resources_of
    from fhir_mapping.site import Site
    from tests.fhir.test_receive import Kept, over_the_wire
    from tests.lives import PATIENT, a_history

    site = Site(namespace="https://invented.example/ledger", attach_text=True)
    return all(
        kind in {one.kind for one in received_from(over_the_wire(sent), Kept()).facts}
        for example in ALL_EXAMPLES[kind]
        for sent in [resources_of(a_history(example), PATIENT, site, lambda _: "…")]
    )


@cache
def _test_texts() -> dict[str, str]:
    return {path.name: path.read_text("utf-8") for path in sorted((ROOT / "tests").rglob("test_*.py"))}


def tested(kind: str) -> int:
    """How many test files speak of it by its stored name or its class, beside those that go over every kind."""
    spoken = re.compile(rf"[\"'`|]{re.escape(kind)}[\"'`|\]]|\b{KINDS[kind].__name__}\b")
    return sum(1 for text in _test_texts().values() if spoken.search(text))


def table() -> str:
    """The table as it has to stand in DEVELOPERS.md."""
    lines = [
        "| kind | entered and admitted | from reports | in the history | in the brief | exported | received | tests |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for kind in KINDS:
        cells = [kind in entered(), kind in read(), said(kind), briefed(kind), exported(kind), received(kind)]
        marks = " | ".join("yes" if cell else "–" for cell in cells)
        lines.append(f"| {kind} | {marks} | {tested(kind)} |")
    return "\n".join(lines)


def main() -> int:
    text = PAGE.read_text("utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    PAGE.write_text(f"{before}{BEGIN}\n{table()}\n{END}{after}", "utf-8")
    print("DEVELOPERS.md has the table.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
