"""The sheet of a shift: what rounds bring up for its patients, on one sheet that can be printed and carried.

The lines stand under their headings in the order of the ward, each with its patient, its reason and the entries that
it rests on; apart from them the catheters that stay by a decision and what a person set aside, so that nothing is
hidden. A sheet says when it was printed and carries the cautions. It holds no score and no colour.

`sheets_of` is a function of values; who asks the ledger stands in `cli.rounds`. To add something to the sheet, give it
a part in `ShiftSheet.parts`.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from ledger.people import Patient
from ledger.projections.brief import CAUTIONS
from ledger.projections.wording import counted, date_words
from ledger.rounds.lines import HEADINGS, ORDER, Line, Rounds

WIDTH = 100

FIRST = "Recorded facts; look, listen, feel first."


@dataclass(frozen=True, kw_only=True)
class OnSheet:
    """One patient on a sheet: what rounds say of them on a day, and the names of the entries, by root."""

    patient: Patient
    day: date
    rounds: Rounds
    entries: Mapping[str, str] = field(default_factory=dict)

    @property
    def who(self) -> str:
        return f"{self.patient.id} {self.patient.name or ''}".strip()

    def names_of(self, line: Line) -> list[str]:
        """The entries that a line rests on, by the names under which people know them."""
        return [self.entries.get(root, root) for root in line.roots]


@dataclass(frozen=True, kw_only=True)
class SheetLine:
    """One line of a sheet: of whom, of which access, what, and on which entries it rests."""

    who: str
    patient: str
    access: str | None
    access_name: str
    words: str
    entries: tuple[str, ...]
    line: Line

    @property
    def text(self) -> str:
        access = f"{self.access_name}: " if self.access_name else ""
        rests = f" [{', '.join(self.entries)}]" if self.entries else ""
        return f"{self.who}: {access}{self.words}{rests}"


@dataclass(frozen=True, kw_only=True)
class SheetPart:
    """A heading and its lines. `place` is 1 to 15 for what must not be forgotten, None for what is listed apart."""

    key: str
    place: int | None
    heading: str
    lines: tuple[SheetLine, ...]


@dataclass(frozen=True, kw_only=True)
class ShiftSheet:
    """What rounds bring up for one shift of a unit on one day. `shift` is empty for patients whose shift is unknown."""

    unit: str
    shift: str
    day: date
    printed: str
    patients: tuple[OnSheet, ...]

    @property
    def title(self) -> str:
        where = f"{self.unit or 'all units'}, shift {self.shift or 'not recorded'}"
        return f"Rounds, {where}, {date_words(self.day)}"

    @property
    def summary(self) -> str:
        count = sum(len(one.rounds.lines) for one in self.patients)
        said = counted(count, "line") if count else "nothing to bring up"
        printed = f" Printed {self.printed}." if self.printed else ""
        return f"{counted(len(self.patients), 'patient')}, {said}.{printed} {FIRST}"

    def parts(self) -> list[SheetPart]:
        """The parts that have a line, in the order of the ward; what is listed apart comes last."""
        made = []
        for which, heading in HEADINGS.items():
            lines = [(one, line) for one in self.patients for line in one.rounds.lines if line.line is which]
            if lines:
                told = tuple(_told(one, line, line.words) for one, line in lines)
                made.append(SheetPart(key=which.value, place=ORDER[which] + 1, heading=heading, lines=told))
        decided = tuple(
            # Of the words only the days in the body; what limit they are past is not what was decided.
            _told(one, line, f"{line.words.split(';')[0]}; {line.decided}")
            for one in self.patients
            for line in one.rounds.decided
        )
        if decided:
            heading = "Apart: catheters that stay by a decision"
            made.append(SheetPart(key="by-decision", place=None, heading=heading, lines=decided))
        aside = tuple(
            _told(one, line, f"{line.words}; {line.put_off}") for one in self.patients for line in one.rounds.put_off
        )
        if aside:
            made.append(SheetPart(key="set-aside", place=None, heading="Apart: set aside by a person", lines=aside))
        return made

    def lines(self, width: int = WIDTH) -> list[str]:
        """The sheet as plain text, wrapped at a width; headings are not indented."""
        told = [self.title, *_wrapped(self.summary, width)]
        for part in self.parts():
            heading = f"{part.place}. {part.heading}" if part.place is not None else part.heading
            told += ["", heading]
            for line in part.lines:
                told += _wrapped(line.text, width, "  ", "      ")
        told.append("")
        for caution in CAUTIONS[-2:]:
            told += _wrapped(caution, width)
        return told

    def to_json(self) -> dict[str, Any]:
        """The sheet as plain JSON values."""
        return {
            "shift": self.shift or None,
            "patients": [
                {
                    "patient": one.patient.id,
                    "day": one.day.isoformat(),
                    "lines": [_json(one, line) for line in one.rounds.lines],
                    "by_decision": [_json(one, line) for line in one.rounds.decided],
                    "set_aside": [_json(one, line) for line in one.rounds.put_off],
                }
                for one in self.patients
            ],
        }


def sheets_of(found: Iterable[OnSheet], unit: str = "", printed: str = "") -> tuple[ShiftSheet, ...]:
    """One sheet for each shift, in the order of their names; those whose shift nobody recorded come first."""
    shifts: dict[str, list[OnSheet]] = {}
    for one in found:
        shifts.setdefault(one.patient.shift or "", []).append(one)
    return tuple(
        ShiftSheet(unit=unit, shift=shift, day=shifts[shift][0].day, printed=printed, patients=tuple(shifts[shift]))
        for shift in sorted(shifts)
    )


def _told(one: OnSheet, line: Line, words: str) -> SheetLine:
    if line.rule is not None and line.rule not in words and line.decided is None:
        words = f"{words}; by {line.rule}"
    return SheetLine(
        who=one.who,
        patient=one.patient.id,
        access=line.access,
        access_name=line.access_name,
        words=words,
        entries=tuple(one.names_of(line)),
        line=line,
    )


def _json(one: OnSheet, line: Line) -> dict[str, Any]:
    return {**line.to_json(), "entries": one.names_of(line)}


def _wrapped(text: str, width: int, indent: str = "", hanging: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        width,
        initial_indent=indent,
        subsequent_indent=hanging,
        break_on_hyphens=False,
        break_long_words=False,
    )
