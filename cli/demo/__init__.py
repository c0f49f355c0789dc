"""The demonstration: an invented dialysis unit with its patients, reports and entries, ready to be looked at.

Unit, access centre, hospitals, people, numbers and reports are made up, and the data says
so. Its today is `TODAY`: commands on a demo ledger take `--today 2026-11-20`. The same
data gives the same ledger every time, with the same ids and hashes, whoever builds it and
whenever.

- `people.json`: units, centres, people who record, patients, and when each report came in
- `entries.jsonl`: the entries in the order in which they were recorded, in the form of
  `entries load` (ledger/README.md), and beyond it what only a demo or a restore may say:
  `recorded_at`, `by`, `how`, `quotes`, and `words` that stand in a report
- `reports/`: the reports as they came

To add to it, write a line where its `recorded_at` belongs, and look with
`tests/test_demo_data.py`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import cache, cached_property
from importlib.resources import files
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID

import orjson

if TYPE_CHECKING:
    from ledger.confirming import Review
    from ledger.entries import Draft, Signature
    from ledger.events import ProposalFate
    from ledger.evidence import Evidence
    from ledger.matching import Register
    from ledger.reading.proposals import Proposal
    from ledger.store import Ledger
    from ledger.store.papers import StoredReport

TODAY = date(2026, 11, 20)
"""The day on which the demo's story stands still, a Friday morning."""


@dataclass(frozen=True, kw_only=True)
class Built:
    """What the demo put in: how many of each."""

    patients: int
    entries: int
    reports: int
    waiting: int


def open_demo(where: str | Path) -> Ledger:
    """Opens, or makes, a ledger with the demo's own organisation, clock and salts, so that every build is the same."""
    from ledger.store import open_ledger

    known = people()
    return open_ledger(
        where,
        create=True,
        zone=known["zone"],
        uuid=UUID(known["organisation"]),
        clock=lambda: _MIDDAY,
        salt=_salts(),
    )


def holds_the_demo(ledger: Ledger) -> bool:
    """Whether this is the demo's organisation. An empty ledger of somebody's own is not."""
    return ledger.uuid == UUID(people()["organisation"])


def people() -> dict[str, Any]:
    """Who and where: units, centres, persons, patients; and when each report came in."""
    found: dict[str, Any] = orjson.loads(_data("people.json"))
    return found


def lines() -> list[dict[str, Any]]:
    """The lines of `entries.jsonl`, in the order in which they were recorded."""
    return [orjson.loads(line) for line in _data("entries.jsonl").splitlines() if line.strip()]


def report_names() -> list[str]:
    """The file names of the reports, in the order of their names."""
    return sorted(one.name for one in files("cli.demo").joinpath("reports").iterdir() if one.name.endswith(".txt"))


def report_bytes(name: str) -> bytes:
    """A report as it came."""
    return files("cli.demo").joinpath("reports", name).read_bytes()


def build_demo(ledger: Ledger) -> Built:
    """Puts the demo into an empty ledger that `open_demo` made, in one transaction: all of it or nothing.

    Each entry is admitted as it would be from anybody's hand, at the moment at which the story has it recorded.
    Raises Refused when admission says no, which is a mistake in the data.
    """
    keep_clock = ledger.clock
    try:
        with ledger.db.writing():
            return _Builder(ledger).build()
    finally:
        ledger.clock = keep_clock


_MIDDAY = datetime.combine(TODAY, time(15, 0), tzinfo=UTC)
"""When somebody looks at the demo: eleven in the morning at the unit."""


def _salts() -> Callable[[int], bytes]:
    """Bytes that are the same in every build. Nothing in here has to be kept secret, since nobody in here exists."""
    count = 0

    def salt(size: int) -> bytes:
        nonlocal count
        count += 1
        return hashlib.shake_256(f"the demo's salt {count}".encode()).digest(size)

    return salt


@cache
def _data(name: str) -> bytes:
    return files("cli.demo").joinpath(name).read_bytes()


class _Builder:
    """Goes through the story in the order of time: reports come in, people record."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger = ledger
        self.known = people()
        self.kept: dict[str, StoredReport] = {}
        self.texts: dict[str, str] = {}
        self.ids: dict[str, str] = {}
        self.roots: dict[str, str] = {}
        self.entries = 0

    @cached_property
    def register(self) -> Register:
        from ledger.matching import Register

        return Register(self.ledger.who.patients())

    def build(self) -> Built:
        self._people()
        said = lines()
        owners = _owners(said)
        steps: list[tuple[datetime, int, Any]] = [
            (datetime.fromisoformat(one["arrived_at"]), 0, one["file"]) for one in self.known["reports"]
        ]
        for (at, patient, by, how), group in groupby(said, key=_who_and_when):
            steps.append((datetime.fromisoformat(at), 1, (patient, by, how, list(group))))
        for moment, _, step in sorted(steps, key=itemgetter(0, 1)):
            self.ledger.clock = _standing_at(moment)
            if isinstance(step, str):
                self._arrive(step, owners.get(step))
            else:
                self._record(*step)
        counted = self.ledger.papers.counted()
        return Built(
            patients=len(self.known["patients"]),
            entries=self.entries,
            reports=sum(counted.values()),
            waiting=counted.get("waiting", 0),
        )

    def _people(self) -> None:
        from ledger.dates import PartialDate
        from ledger.people import Centre, Identifier, Patient, Person, Unit

        who = self.ledger.who
        for one in self.known["units"]:
            who.add_unit(Unit(**one, invented=True))
        for one in self.known["centres"]:
            who.add_centre(Centre(**one, invented=True))
        for one in self.known["persons"]:
            who.add_person(Person(**one, invented=True))
        for one in self.known["patients"]:
            numbers = tuple(Identifier(**number) for number in one["identifiers"])
            born = PartialDate(one["birth_date"])
            who.add_patient(Patient(**{**one, "birth_date": born, "identifiers": numbers, "invented": True}))

    # --- Reports --------------------------------------------------------------------------------------------------

    def _arrive(self, name: str, owner: str | None) -> None:
        """Keeps a report as an import does. One that came twice in the same bytes is kept once.

        Where the story has somebody take a report for another patient's than it says, they say so here.
        """
        from ledger.receiving import opened_up, receive

        opened = opened_up(report_bytes(name), name)
        (part,) = opened.arrived.parts
        (received,) = receive(self.ledger, opened, self.register)
        if owner is not None and received.patient != owner:
            assert received.report is not None
            self.ledger.papers.link(received.report, owner)
        (self.kept[name],) = self.ledger.papers.known(opened.original)
        self.texts[name] = part.text

    # --- Entries --------------------------------------------------------------------------------------------------

    def _record(self, patient: str, by: str, how: str, said: list[dict[str, Any]]) -> None:
        from ledger.entries import Signature
        from ledger.vocabulary import ConfirmedHow

        signature = Signature(person=by, how=ConfirmedHow(how))
        reviews = [line for line in said if line["event"]["kind"] == "report-reviewed"]
        drafts = [self._draft(line, patient) for line in said if line not in reviews]
        if drafts:
            appended = self.ledger.append(patient, drafts, by=signature)
            assert not appended.already, "two lines of the demo say the same thing"
            self.entries += len(appended.entries)
        for line in said:
            if line["event"]["kind"] == "report-moved":
                self.ledger.papers.link(self.kept[line["event"]["report"]].id, line["event"]["to_patient"])
        for line in reviews:
            self._review(line, patient, signature)

    def _review(self, line: Mapping[str, Any], patient: str, signature: Signature) -> None:
        """Somebody went through a report: what the reader proposes, and what the story made of each proposal."""
        from ledger.confirming import review_of
        from ledger.dates import PartialDate
        from ledger.entries import Draft
        from ledger.events import ReportReviewed

        review = review_of(self.ledger, self.kept[line["event"]["report"]].id)
        event = ReportReviewed(
            happened=PartialDate(line["event"]["happened"]),
            report=review.report.id,
            reader=review.reading.reader,
            fates=_fates(review),
        )
        draft = Draft(event=event, source=f"report:{review.report.id}")
        self.entries += len(self.ledger.append(patient, [draft], by=signature).entries)
        self.ledger.papers.change(review.report.id, state="confirmed", waits_for=None, reader=review.reading.reader)

    def _draft(self, line: Mapping[str, Any], patient: str) -> Draft:
        """A line as a draft: labels become ids, words become references."""
        from ledger.entries import Draft, entry_id_of, validated

        event = self._resolved(line["event"])
        for name in ("corrects", "retracts"):
            if name in line:
                event[name] = self.ids[line[name]]
        if event["kind"] == "correction":
            event["root"] = self.roots[line["corrects"]]
            event["happened"] = event["to"]["happened"]
        if event["kind"] == "report-moved":
            event["report"] = self.kept[event["report"]].id
        for path, words in line.get("words", {}).items():
            _put(event, path, self._words(words, patient))
        evidence = self._evidence(line.get("quotes", ()))
        draft = Draft(
            event=validated(event),
            source=_source_of(line, evidence),
            ordinal=line.get("ordinal", 1),
            evidence=evidence,
        )
        if "label" in line:
            self.ids[line["label"]] = entry_id_of(self.ledger.uuid, patient, draft)
            self.roots[line["label"]] = event.get("root", self.ids[line["label"]])
        return draft

    def _resolved(self, value: Any) -> Any:
        """A copy of a value in which every `@label` stands for the id of the entry with that label."""
        if isinstance(value, dict):
            return {name: self._resolved(inner) for name, inner in value.items()}
        if isinstance(value, list):
            return [self._resolved(inner) for inner in value]
        if isinstance(value, str) and value.startswith("@"):
            return self.ids[value[1:]]
        return value

    def _words(self, said: str | Mapping[str, str], patient: str) -> dict[str, Any]:
        """Words that were typed are a text of their own; words that stand in a report are a stretch of it."""
        if isinstance(said, str):
            typed = self.ledger.papers.typed(said, patient)
            return {"text": typed.text, "start": typed.start, "end": typed.end}
        text, start, end = self._place(said)
        return {"text": text, "start": start, "end": end}

    def _evidence(self, quotes: Sequence[Mapping[str, str]]) -> Evidence:
        from ledger.evidence import Evidence, Quote

        if not quotes:
            return Evidence()
        places = [self._place(quote) for quote in quotes]
        return Evidence(
            report=self.kept[quotes[0]["report"]].id,
            quotes=tuple(Quote(text=text, start=start, end=end) for text, start, end in places),
        )

    def _place(self, quote: Mapping[str, str]) -> tuple[str, int, int]:
        start = self.texts[quote["report"]].index(quote["words"])
        text = self.kept[quote["report"]].text_id
        assert text is not None
        return text, start, start + len(quote["words"])


def _standing_at(moment: datetime) -> Callable[[], datetime]:
    return lambda: moment


def _who_and_when(line: Mapping[str, Any]) -> tuple[str, str, str, str]:
    return line["recorded_at"], line["patient"], line["by"], line.get("how", "claimed")


def _source_of(line: Mapping[str, Any], evidence: Evidence) -> str:
    """Where an entry comes from: the report, the sender's own name of it, or the line itself."""
    if evidence.report is not None:
        return f"report:{evidence.report}"
    if "source" in line:
        return f"sender:{line['source']}"
    said = orjson.dumps([line[key] for key in ("patient", "event", "recorded_at")])
    return f"line:{hashlib.sha256(said).hexdigest()[:24]}"


def _fates(review: Review) -> tuple[ProposalFate, ...]:
    """What became of each proposal: it is an entry of the report, it was known already, or it was dismissed.

    An entry that says something else than the proposal would have said was edited.
    """
    from ledger.confirming import drafted_event
    from ledger.events import Correction, ProposalFate
    from ledger.reading.drafting import ordinals_of
    from ledger.vocabulary import Fate

    mine = [entry for entry in review.history.entries if entry.evidence.report == review.report.id]
    made = [entry for entry in mine if not isinstance(entry.event, Correction)]
    corrected = [entry.event for entry in mine if isinstance(entry.event, Correction)]
    known = {ref: choice.id for ref, choice in review.choices.items() if not choice.is_new}
    ordinals = ordinals_of(review.reading, known)
    fates = []
    for index, one in enumerate(review.reading.proposed):
        access = known.get(one.access) if one.access is not None else None
        entry = next((entry for entry in made if _tells(entry.event, one, access)), None)
        changed = next((event for event in corrected if _tells(event.to, one, access)), None)
        fate, root = Fate.DISMISSED, None
        edited: tuple[str, ...] = ()
        if entry is not None:
            made.remove(entry)
            event, _ = drafted_event(review, index, review.choices, {})
            root, edited = entry.id, _differing(entry.event, event)
            fate = Fate.EDITED if edited else Fate.ACCEPTED
        elif changed is not None:
            fate, root = Fate.ALREADY_KNOWN, changed.root
        elif index in review.told:
            fate, root = Fate.ALREADY_KNOWN, review.told[index].root
        fates.append(
            ProposalFate(kind=one.kind, ordinal=ordinals[index], fate=fate, access=access, entry=root, edited=edited)
        )
    return tuple(fates)


def _tells(event: Any, proposal: Proposal, access: str | None) -> bool:
    """Whether an entry is what a proposal became: of one kind and access, and of one sort where a kind has several."""
    if event.kind != proposal.kind or (access is not None and getattr(event, "access", access) not in (None, access)):
        return False
    sort = getattr(event, "what", None)
    return sort is None or proposal.detail.get("what") in (None, sort)


def _differing(event: Any, proposed: Any) -> tuple[str, ...]:
    """The fields in which an entry differs from what was proposed. Ids of visits, lesions and devices do not count."""
    from ledger.entries import event_to_dict

    if proposed is None:  # it could not be drafted without a person: which access is meant was in doubt
        return ("access",)
    one, other = (_without_ids(event_to_dict(each)) for each in (event, proposed))
    return tuple(sorted(name for name in one.keys() | other.keys() if one.get(name) != other.get(name)))


def _without_ids(value: Any) -> Any:
    if isinstance(value, dict):
        ids = ("visit", "lesion", "device", "old_device", "access")
        return {name: _without_ids(inner) for name, inner in value.items() if name not in ids}
    if isinstance(value, list):
        return [_without_ids(inner) for inner in value]
    return value


def _put(event: dict[str, Any], path: str, value: Any) -> None:
    """Sets the field at a dotted path, in which numbers count the items of a list."""
    where: Any = event
    *steps, last = path.split(".")
    for step in steps:
        where = where[int(step)] if isinstance(where, list) else where[step]
    where[last] = value


def _owners(said: list[dict[str, Any]]) -> dict[str, str]:
    """Whose report each file was taken to be when it came in: the patient in whose stream it was first gone through."""
    owners: dict[str, str] = {}
    for line in said:
        for name in [line["event"].get("report"), *(quote["report"] for quote in line.get("quotes", ()))]:
            if name is not None:
                owners.setdefault(name, line["patient"])
    return owners
