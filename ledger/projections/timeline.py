"""The whole life of an access, a plain sentence a line.

Each line has the date as it was said, the sentence, who confirmed it and how (whoever
confirmed in bulk did not read each, and that is said), and on request the report's own
words. On request too: what was corrected and withdrawn, with who did so and when. The
timeline holds nothing that the entries do not hold, in clinical order.

To show more beside a line, add a field to `Line`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any

from ledger.chronology import History, InForce, in_force
from ledger.dates import PartialDate
from ledger.entries import Entry
from ledger.events import FACT_KINDS, Correction, Happening, ReportMoved, Retraction, access_of
from ledger.projections.folding import fold_of
from ledger.projections.formulas import is_worth_a_line, worked_of
from ledger.projections.rows import name_of
from ledger.projections.sentences import nobody, sentence_of, sentence_of_event
from ledger.projections.state import plain
from ledger.projections.wording import NO_WORDS, NamesOf, WordsOf, date_words, day_words, said
from ledger.vocabulary import ConfirmedHow


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of a life.

    `standing` says whether it holds: `in-force`, `possibly` (in a view as of a day, its date may lie after that day),
    `corrected`, `withdrawn`, `moved` (its report was about another patient), or `about` for an entry about other
    entries. `recorded` is the instant of recording; `worked` what is worked out of a measurement, with its working.
    """

    happened: PartialDate
    sentence: str
    kind: str
    access: str | None
    entry: str
    root: str
    recorded: str
    person: str
    how: ConfirmedHow
    standing: str
    report: str | None
    quotes: tuple[str, ...]
    doubts: tuple[str, ...]
    worked: tuple[str, ...] = ()

    @property
    def confirmed(self) -> str:
        """Who recorded it and how sure the ledger is of that."""
        return f"{self.person}{_HOW[self.how]}"

    def text(self) -> str:
        """The line as plain text, without its quotes."""
        marks = {"in-force": "", "possibly": "[possibly by then] ", "corrected": "[corrected] "}
        mark = marks.get(self.standing, f"[{self.standing}] ")
        return f"{day_words(self.happened)}  {mark}{self.sentence}  ({self.confirmed})"


_HOW = {
    ConfirmedHow.CLAIMED: "",
    ConfirmedHow.SIGNED_IN: ", signed in",
    ConfirmedHow.BY_RULE: ", by rule",
    ConfirmedHow.IN_BULK: ", in bulk, without reading each",
}


@dataclass(frozen=True, kw_only=True)
class Timeline:
    """The life of one access, or of a patient where `access` is None."""

    patient: str
    access: str | None
    name: str
    as_of: str | None
    known_on: str | None
    lines: tuple[Line, ...]

    def to_json(self) -> dict[str, Any]:
        """The life as plain JSON values."""
        return {
            "format": 1,
            "patient": self.patient,
            "access": self.access,
            "name": self.name,
            "as_of": self.as_of,
            "known_on": self.known_on,
            "lines": [plain(line) | {"confirmed": line.confirmed} for line in self.lines],
        }

    def text_lines(self, *, quotes: bool = False) -> list[str]:
        """The life as lines of text; with `quotes` the report's own words below each."""
        told = []
        for line in self.lines:
            told.append(line.text())
            told += [f"    {worked}" for worked in line.worked]
            if quotes:
                told += [f"    “{quote}”" for quote in line.quotes]
        return told


def timeline_of(
    history: History,
    access: str | None,
    words: WordsOf,
    people: NamesOf = nobody,
    *,
    audit: bool = False,
    access_name: Callable[[str], str | None] | None = None,
) -> Timeline:
    """The life of an access, oldest first; of the whole patient where `access` is None.

    `audit` adds what was corrected and withdrawn, and the corrections, withdrawals, reviews and links themselves, each
    on the day on which it happened. Works on a view as of a day or as known on one.
    """
    names = access_name or _names_of_accesses(history)
    told = _named(names, people)
    standing = [one for one in history.facts if access is None or one.access == access]
    lines = [_with_working(_line(one, words, told, people, audit), one, history) for one in standing]
    if audit:
        lines += _no_longer(history, access, words, told, people)
        lines.sort(key=lambda line: (line.happened.earliest_in(history.zone), line.recorded, line.entry))
    return Timeline(
        patient=history.patient,
        access=access,
        name=(names(access) or access) if access is not None else history.patient,
        as_of=None if history.as_of is None else date_words(history.as_of),
        known_on=history.known_on,
        lines=tuple(lines),
    )


def lines_of(
    history: History,
    roots: Iterable[str],
    words: WordsOf,
    people: NamesOf = nobody,
    *,
    access_name: Callable[[str], str | None] | None = None,
) -> dict[str, tuple[Line, ...]]:
    """What a sentence rests on: for each of these roots (or ids of entries) its line, with the report's own words.

    A root of which nothing holds in this view, and what is no root at all, has none.
    """
    wanted = set(roots)
    told = _named(access_name or _names_of_accesses(history), people)
    found: dict[str, list[Line]] = {}
    for one in history.facts:
        for key in {one.root, one.entry.id} & wanted:
            found.setdefault(key, []).append(_with_working(_line(one, words, told, people, False), one, history))
    return {key: tuple(lines) for key, lines in found.items()}


def _with_working(line: Line, one: InForce, history: History) -> Line:
    if one.kind != "measurement":
        return line
    return replace(line, worked=tuple(str(found) for found in worked_of(history, one.root) if is_worth_a_line(found)))


def _line(one: InForce, words: WordsOf, names: NamesOf, people: NamesOf, audit: bool) -> Line:
    sentence = sentence_of(one, words, names)
    event = one.entry.event
    if audit and isinstance(event, Correction):
        why = f"; why: {said(words, event.why)}" if event.why is not None else ""
        sentence += f" This is in place of entry {event.corrects[:8]}{why}."
    return _made(
        one.entry,
        one.fact,
        sentence,
        words,
        people,
        access=one.access,
        root=one.root,
        standing="possibly" if one.possibly else "in-force",
    )


def _no_longer(history: History, access: str | None, words: WordsOf, names: NamesOf, people: NamesOf) -> Iterable[Line]:
    """What the audit view shows beside the effective history."""
    streams = [history.entries, *(others for _, others in history.merged)]
    shown = {one.entry.id for one in history.facts}
    for entries in streams:
        by_id = {entry.id: entry for entry in entries}
        holding = {entry.id for entry in in_force(entries)}
        corrected = {
            entry.event.corrects for entry in entries if entry.id in holding and isinstance(entry.event, Correction)
        }
        moved = {
            entry.event.report for entry in entries if entry.id in holding and isinstance(entry.event, ReportMoved)
        }
        for entry in entries:
            event = entry.event
            about = _access_named(entry, by_id)
            if access is not None and about != access and access not in _accesses_named(event):
                continue
            if entry.id in shown:
                continue
            if event.kind in FACT_KINDS or isinstance(event, Correction):
                if entry.id in holding and entry.evidence.report not in moved:
                    # In force, yet not in this view: it happened after the day that is looked at.
                    continue
                standing = "moved" if entry.id in holding else "corrected" if entry.id in corrected else "withdrawn"
            else:
                standing = "about" if entry.id in holding else "withdrawn"
            root = event.root if isinstance(event, Correction) else entry.id
            yield _made(
                entry,
                event,
                sentence_of_event(event, words, names),
                words,
                people,
                access=about,
                root=root,
                standing=standing,
            )


def _access_named(entry: Entry, by_id: dict[str, Entry]) -> str | None:
    event = entry.event
    if isinstance(event, Retraction):
        named = by_id.get(event.retracts)
        return _access_named(named, by_id) if named is not None else None
    return access_of(event)


def _accesses_named(event: Happening) -> set[str]:
    return {
        getattr(event, name)
        for name in ("survivor", "other", "part", "access")
        if isinstance(event, Happening) and getattr(event, name, None)
    }


def _made(
    entry: Entry,
    event: Happening,
    sentence: str,
    words: WordsOf,
    people: NamesOf,
    *,
    access: str | None,
    root: str,
    standing: str,
) -> Line:
    person = entry.recorded_by.person
    return Line(
        happened=event.happened,
        sentence=sentence,
        kind=event.kind,
        access=access,
        entry=entry.id,
        root=root,
        recorded=entry.recorded_at,
        person=people(person) or person,
        how=entry.recorded_by.how,
        standing=standing,
        report=entry.evidence.report,
        quotes=tuple(words(quote) or NO_WORDS for quote in entry.evidence.quotes),
        doubts=entry.doubts,
    )


def _names_of_accesses(history: History) -> Callable[[str], str | None]:
    names = {access: name_of(folded) for access, folded in fold_of(history).accesses.items()}
    return names.get


def _named(names: Callable[[str], str | None], people: NamesOf) -> NamesOf:
    def name(key: str) -> str | None:
        return names(key) or people(key)

    return name
