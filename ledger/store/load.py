"""New facts from a file of JSON lines, recorded now (`entries load`).

A line is one fact about one patient; `ledger/README.md` shows one of every kind. The
file is read in batches, so a long one needs no more memory than a short one. Lines of
one patient may come in any order: each batch is put in clinical order, and a line that
lacks something which a later line may bring waits until the end of the file. Loading
again adds nothing, since an entry's id is made of what the line says.
"""

from __future__ import annotations

import gc
import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from typing import Any

import orjson

from ledger.chronology import CLOSES, History
from ledger.dates import PartialDate
from ledger.entries import NO_EVIDENCE, Draft, Signature, entry_id_of, validated
from ledger.errors import LedgerError
from ledger.events import PatientsAreOne
from ledger.evidence import Evidence, Quote
from ledger.store.ledger import Ledger
from ledger.store.who import number_of, patient_id

BATCH_LINES = 20_000
LONGEST_LINE = 1_000_000

_OPENERS = ("creation", "catheter-placed", "access-known", "access-planned")


@dataclass(frozen=True, kw_only=True)
class LineRefused:
    """A line that did not go in: its number, why, what to do, and the earlier line whose failure caused it, if any."""

    line: int
    problem: str
    remedy: str
    because_of_line: int | None = None


@dataclass(kw_only=True)
class Loaded:
    """What a load did. `doubts` counts what was admitted and is odd."""

    lines: int = 0
    added: int = 0
    already: int = 0
    doubts: int = 0
    refused: list[LineRefused] = field(default_factory=list)


class _Line:
    """One line as it stands in the file. `names` says whether it may refer to the label of another line."""

    __slots__ = ("found", "key", "label", "names", "number", "patient", "problem", "remedy")

    def __init__(
        self, number: int, patient: str, found: dict[str, Any], label: str | None, key: tuple[str, int], names: bool
    ) -> None:
        self.number = number
        self.patient = patient
        self.found = found
        self.label = label
        self.key = key
        self.names = names
        self.problem = ""
        self.remedy = ""


def _by_key(line: _Line) -> tuple[str, int]:
    return line.key


def load(
    ledger: Ledger,
    lines: Iterable[bytes],
    *,
    by: Signature,
    progress: Callable[[int], None] | None = None,
    reports: Mapping[str, tuple[str, str, str]] | None = None,
) -> Loaded:
    """Appends what the lines say; nothing that was good is lost because another line was bad.

    `reports` maps a file name to (report id, text id, text), for lines that quote reports which are in the ledger.
    """
    loader = _Loader(ledger, by, reports or {})
    numbered = enumerate(lines, start=1)
    with _not_collecting():
        while batch := list(islice(numbered, BATCH_LINES)):
            loader.take(batch)
            if progress is not None:
                progress(loader.done.lines)
        return loader.finish()


@contextmanager
def _not_collecting() -> Iterator[None]:
    """Keeps the cyclic collector from walking a batch's lines again and again; measured, an eighth of the whole time.

    Nothing in here refers to itself, so what a batch held goes by itself when the next one is read.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


class _Loader:
    def __init__(self, ledger: Ledger, by: Signature, reports: Mapping[str, tuple[str, str, str]]) -> None:
        self.ledger = ledger
        self.by = by
        self.reports = reports
        self.done = Loaded()
        self.patients: dict[tuple[str | None, str], str] = {}
        self.labels: dict[tuple[str, str], str] = {}
        self.roots: dict[str, str] = {}
        self.waiting: list[_Line] = []
        self.failed: list[tuple[_Line, LineRefused]] = []

    def take(self, batch: list[tuple[int, bytes]]) -> None:
        """One batch in one transaction, once for each patient in it."""
        grouped: dict[str, list[_Line]] = defaultdict(list)
        for number, text in batch:
            self.done.lines += 1
            line = self._parsed(number, text)
            if line is not None:
                grouped[line.patient].append(line)
        self._append_all(grouped)

    def finish(self) -> Loaded:
        """Tries what waits again, as long as that brings something, and then says why the rest cannot go in."""
        while self.waiting:
            grouped: dict[str, list[_Line]] = defaultdict(list)
            before = len(self.waiting)
            for line in self.waiting:
                grouped[line.patient].append(line)
            self.waiting = []
            self._append_all(grouped)
            if len(self.waiting) == before:
                break
        for line in self.waiting:
            refused = LineRefused(line=line.number, problem=line.problem, remedy=line.remedy)
            self.failed.append((line, refused))
        openers = {
            (line.patient, line.found["event"].get("access")): line.number
            for line, _ in self.failed
            if isinstance(line.found.get("event"), dict) and line.found["event"].get("kind") in _OPENERS
        }
        labels = {(line.patient, line.label): line.number for line, _ in self.failed if line.label}
        for line, refused in self.failed:
            cause = self._cause(line, openers, labels)
            if cause is not None and cause != line.number:
                refused = LineRefused(
                    line=refused.line, problem=refused.problem, remedy=refused.remedy, because_of_line=cause
                )
            self.done.refused.append(refused)
        self.done.refused.sort(key=lambda one: one.line)
        return self.done

    @staticmethod
    def _cause(
        line: _Line, openers: Mapping[tuple[str, Any], int], labels: Mapping[tuple[str, str], int]
    ) -> int | None:
        event = line.found.get("event")
        if isinstance(event, dict):
            found = openers.get((line.patient, event.get("access")))
            if found is not None:
                return found
        for name in _labels_named(line.found):
            found = labels.get((line.patient, name))
            if found is not None:
                return found
        return None

    # --- One line -------------------------------------------------------------------------------------------------

    def _parsed(self, number: int, text: bytes) -> _Line | None:
        if not text.strip():
            return None
        if len(text) > LONGEST_LINE:
            self._bad(number, {}, "", "The line is longer than a million bytes.", "One line holds one fact.")
            return None
        try:
            found = orjson.loads(text)
        except orjson.JSONDecodeError:
            self._bad(number, {}, "", "The line is not JSON.", "Write one JSON object a line; see ledger/README.md.")
            return None
        if not isinstance(found, dict) or not isinstance(found.get("event"), dict):
            self._bad(
                number,
                {},
                "",
                "The line has no `event`.",
                'Write {"patient": …, "event": {"kind": …}}; see ledger/README.md.',
            )
            return None
        if not found.keys() <= _KNOWN_KEYS:
            unknown = found.keys() - _KNOWN_KEYS
            self._bad(
                number,
                found,
                "",
                f"`{min(unknown)[:40]}` is nothing that a line can say.",
                f"Use {', '.join(sorted(_KNOWN_KEYS))}.",
            )
            return None
        named = found.get("patient")
        patient = self.patients.get((None, named)) if isinstance(named, str) else None
        if patient is None:
            try:
                patient = self._patient(named)
            except LedgerError as wrong:
                self._bad(number, found, "", wrong.problem, wrong.remedy)
                return None
        label = found.get("label")
        return _Line(
            number,
            patient,
            found,
            label if isinstance(label, str) else None,
            _clinical(found["event"], number),
            b'"@' in text,
        )

    def _patient(self, named: Any) -> str:
        if isinstance(named, str):
            key: tuple[str | None, str] = (None, named)
        elif isinstance(named, dict) and isinstance(named.get("value"), str):
            key = (str(named.get("system", "")) or None, named["value"])
        else:
            raise LedgerError(
                "The line names no patient.", 'Write "patient": "P0007" or {"system": …, "value": …} with their number.'
            )
        if key not in self.patients:
            if isinstance(named, str):
                # Whoever is there need not be read; whoever is not is refused in the same words as everywhere.
                known = named in self.ledger.who and patient_id(number_of(named)) == named
                self.patients[key] = named if known else self.ledger.who.patient(named).id
            else:
                owner = self.ledger.who.by_identifier(key[0], key[1])
                if owner is None:
                    raise LedgerError(
                        "No patient here has the number that the line names.",
                        "Enter the patient first, with that number and its system.",
                    )
                self.patients[key] = owner.id
        return self.patients[key]

    def _bad(self, number: int, found: dict[str, Any], patient: str, problem: str, remedy: str) -> None:
        line = _Line(number, patient, found, found.get("label"), ("", number), names=True)
        self.failed.append((line, LineRefused(line=number, problem=problem, remedy=remedy)))

    # --- Appending ------------------------------------------------------------------------------------------------

    def _append_all(self, grouped: Mapping[str, list[_Line]]) -> None:
        if not grouped:
            return
        with self.ledger.db.writing():
            for patient in sorted(grouped):
                self._append(patient, sorted(grouped[patient], key=_by_key))

    def _append(self, patient: str, lines: list[_Line]) -> None:
        number = number_of(patient)
        # What is corrected or retracted may lie in the second stream.
        sessions = any(
            line.found["event"].get("kind") in ("cannulation-session", "correction", "retraction") for line in lines
        )
        standing = self.ledger.standing(number)
        zone = self.ledger.zone_of_unit(standing.unit)
        if standing.head.version or sessions:
            history = self.ledger._history(number, sessions=sessions, zone=zone)
        else:
            history = History(patient=patient, zone=zone, entries=())
        drafts: list[Draft] = []
        of_draft: dict[int, _Line] = {}
        for line in lines:
            try:
                draft = self._draft(line, patient)
                if isinstance(draft.event, PatientsAreOne) and draft.event.other in self.ledger.who:
                    # As when they are joined by hand: other birth dates are refused, other names are a doubt.
                    self.done.doubts += len(self.ledger.who.one_person(patient, draft.event.other))
            except _Unresolved as missing:
                line.problem = f"It refers to the label {missing.label}, which no line before or after it carries."
                line.remedy = "Give the line that it means that label."
                self.waiting.append(line)
                continue
            except (ValueError, LedgerError) as wrong:
                problem, remedy = _said(wrong)
                self.failed.append((line, LineRefused(line=line.number, problem=problem, remedy=remedy)))
                continue
            if line.label:
                entry_id = entry_id_of(self.ledger.uuid, patient, draft)
                self.labels[(patient, line.label)] = entry_id
                self.roots[entry_id] = getattr(draft.event, "root", entry_id)
            of_draft[id(draft)] = line
            drafts.append(draft)
        if not drafts:
            return
        appended = self.ledger._append(number, history, standing, drafts, self.by, partly=True, anew=False)
        self.done.added += len(appended.entries)
        self.done.already += len(appended.already)
        self.done.doubts += len(appended.doubts)
        for draft, refusal in appended.refused:
            line = of_draft[id(draft)]
            line.problem, line.remedy = refusal.problem, refusal.remedy
            self.waiting.append(line)

    def _draft(self, line: _Line, patient: str) -> Draft:
        found = line.found
        event = found["event"]
        words = found.get("words")
        source = found.get("source")
        if isinstance(source, str):
            source = f"sender:{source}"
        else:
            content = orjson.dumps([patient, event, words, found.get("corrects"), found.get("retracts")])
            source = f"line:{hashlib.sha256(content).hexdigest()[:24]}"
        # Most lines name no other and hold no words; then the event is validated as it stands.
        if line.names or words or event.get("kind") in _ABOUT_ENTRIES or not _ABOUT_ENTRIES_KEYS.isdisjoint(found):
            event = self._with_words(self._about_entries(line, patient), words or {}, patient)
        quotes = found.get("quotes")
        return Draft(
            event=validated(event),
            source=source,
            ordinal=int(found["ordinal"]) if "ordinal" in found else 1,
            evidence=self._evidence(quotes) if quotes else NO_EVIDENCE,
        )

    def _about_entries(self, line: _Line, patient: str) -> dict[str, Any]:
        """A copy of the event in which labels and names of entries stand for ids."""
        found = line.found
        event: dict[str, Any] = self._resolved(found["event"], patient)
        for name, about in (("corrects", "correction"), ("retracts", "retraction")):
            if name in found:
                if event.get("kind") != about:
                    raise LedgerError(f"Only a {about} can say `{name}`.", f'Write "kind": "{about}" in its event.')
                event[name] = self._entry_named(found[name], patient)
        if event.get("kind") == "correction":
            event.setdefault("root", self._root_of(event.get("corrects"), patient))
            if isinstance(event.get("to"), dict):
                event.setdefault("happened", event["to"].get("happened"))
        return event

    def _evidence(self, quotes: Any) -> Evidence:
        report_id = None
        places = []
        for quote in quotes:
            if quote.get("report") not in self.reports:
                raise LedgerError("It quotes a report that is not here.", "Import the report first.")
            report_id, text_id, text = self.reports[quote["report"]]
            start = text.find(quote["words"])
            if start < 0:
                raise LedgerError("It quotes words that are not in that report.", "Quote the report's own words.")
            places.append(Quote(text=text_id, start=start, end=start + len(quote["words"])))
        return Evidence(report=report_id, quotes=tuple(places))

    def _with_words(self, event: dict[str, Any], words: Mapping[str, str], patient: str) -> dict[str, Any]:
        for path, text in words.items():
            where: Any = event
            *steps, last = path.split(".")
            for step in steps:
                where = where[int(step)] if isinstance(where, list) else where[step]
            kept = self.ledger.papers.typed(text, patient)
            value = {"text": kept.text, "start": kept.start, "end": kept.end}
            if isinstance(where, list):
                where[int(last)] = value
            else:
                where[last] = value
        return event

    def _resolved(self, value: Any, patient: str) -> Any:
        """A copy of the event in which every `@label` stands for the id of the entry with that label."""
        if isinstance(value, dict):
            return {name: self._resolved(inner, patient) for name, inner in value.items()}
        if isinstance(value, list):
            return [self._resolved(inner, patient) for inner in value]
        if isinstance(value, str) and value.startswith("@"):
            return self._label(value[1:], patient)
        return value

    def _label(self, label: str, patient: str) -> str:
        found = self.labels.get((patient, label))
        if found is None:
            raise _Unresolved(label)
        return found

    def _entry_named(self, named: Any, patient: str) -> str:
        """An entry by the label of its line, by `P0007.12`, or by its id."""
        if not isinstance(named, str):
            raise LedgerError("It does not say which entry it means.", "Name a label, P0007.12 or an entry's id.")
        name = named.removeprefix("@")
        if (patient, name) in self.labels:
            return self.labels[(patient, name)]
        if len(name) == 36 and name.count("-") == 4:
            return name
        whose, dot, version = name.rpartition(".")
        if dot and version.isdigit() and whose.upper() == patient:
            history = self.ledger._history(number_of(patient), sessions=False)
            for entry in history.entries:
                if entry.version == int(version):
                    return entry.id
        raise _Unresolved(name)

    def _root_of(self, corrected: Any, patient: str) -> str | None:
        """The first entry of the chain that a correction goes on with."""
        if not isinstance(corrected, str):
            return None
        if corrected in self.roots:
            return self.roots[corrected]
        history = self.ledger._history(number_of(patient), sessions=True)
        entry = history.entry(corrected)
        return getattr(entry.event, "root", corrected) if entry is not None else corrected


_ABOUT_ENTRIES = frozenset({"correction", "retraction"})
_ABOUT_ENTRIES_KEYS = frozenset({"corrects", "retracts"})
_KNOWN_KEYS = {"patient", "event", "source", "ordinal", "words", "label", "corrects", "retracts", "quotes"}


class _Unresolved(Exception):
    def __init__(self, label: str) -> None:
        super().__init__(label)
        self.label = label


def _clinical(event: Mapping[str, Any], number: int) -> tuple[str, int]:
    """A rough clinical order within a batch; admission and chronology decide in earnest."""
    kind = event.get("kind")
    happened = event.get("happened")
    if kind in ("correction", "retraction"):
        return "9999-98", number
    if not isinstance(happened, str):
        return "9999-99", number
    try:
        day = _day_in_order(happened, kind in CLOSES)
    except ValueError:
        return "9999-99", number
    # What opens an access goes before what else is known of that day.
    return f"{day}{0 if kind in _OPENERS else 1}", number


@lru_cache(maxsize=16384)
def _day_in_order(happened: str, closes: bool) -> str:
    when = PartialDate(happened)
    return (when.latest if closes else when.earliest).isoformat()


def _labels_named(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for name, inner in value.items():
            if name in ("corrects", "retracts") and isinstance(inner, str):
                yield inner.removeprefix("@")
            yield from _labels_named(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _labels_named(inner)
    elif isinstance(value, str) and value.startswith("@"):
        yield value[1:]


def _said(wrong: Exception) -> tuple[str, str]:
    """What a validation error means, in words, without any value that was given."""
    if isinstance(wrong, LedgerError):
        return wrong.problem, wrong.remedy
    errors: Callable[..., list[dict[str, Any]]] | None = getattr(wrong, "errors", None)
    if errors is None:
        return "It does not fit together.", "See ledger/README.md for the form of a line."
    return say_validation(errors(include_url=False, include_input=False, include_context=False))


def say_validation(errors: list[dict[str, Any]]) -> tuple[str, str]:
    """pydantic's errors as problem and remedy; the first three, with the place of each."""
    said = []
    for one in errors[:3]:
        kind = one["type"]
        place = ".".join(str(step) for step in one["loc"])
        if kind == "missing":
            said.append(f"`{place}` is missing")
        elif kind in ("extra_forbidden", "unexpected_keyword_argument"):
            said.append(f"`{place}` is nothing that this kind has")
        elif kind == "union_tag_invalid":
            said.append("there is no such kind")
        elif kind in ("enum", "literal_error"):
            expected = one["msg"].replace("Input should be ", "")
            said.append(
                f"`{place}` must be {expected}" if len(expected) < 300 else f"`{place}` is not one of the values"
            )
        else:
            message = one["msg"].removeprefix("Value error, ").removeprefix("Assertion failed, ")
            # Our own messages repeat the date or number that was given; that is no patient's name, but keep it short.
            said.append(f"`{place}`: {message[:160]}")
    rest = f", and {len(errors) - 3} more" if len(errors) > 3 else ""
    return f"It is not a fact as the ledger knows it: {'; '.join(said)}{rest}.", "Correct that; see ledger/README.md."


def reference_of(patient: str, version: int) -> str:
    """How people name an entry: `P0007.12`, the patient and the place in their stream; it never changes."""
    return f"{patient_id(number_of(patient))}.{version}"
