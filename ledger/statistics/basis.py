"""What every result carries: whom it counted, whom it left out and why, the choices in use, and what to beware of.

No percentage is printed without it. It holds no patient, only numbers and words.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from ledger.statistics.cells import Beware, hidden_cells, said_below
from ledger.statistics.definitions import ChoiceInUse, Definition
from ledger.statistics.spells import NOTES, WHY_LEFT_OUT, LeftOut, Spell

CAUTIONS = (
    "Counted from what was recorded; not recorded is not the same as not happened.",
    "Numbers for looking at one's own work. They say nothing about what to do for a person.",
)
"""Printed under every result."""


@dataclass(frozen=True, kw_only=True)
class LeftOutCount:
    """How many are not counted, for one reason."""

    why: str
    words: str
    count: int


@dataclass(frozen=True, kw_only=True)
class Basis:
    """On what a result rests. `counted` are spells, or whatever `unit` says.

    With `hide_below`, a count that is smaller is told nowhere, nor what would give it away; with `is_hidden` none is.
    """

    counted: int
    unit: str
    patients: int
    left_out: tuple[LeftOutCount, ...] = ()
    choices: tuple[ChoiceInUse, ...] = ()
    warnings: tuple[str, ...] = ()
    cut: date
    definition: str | None = None
    says: str | None = None
    sources: tuple[str, ...] = ()
    hide_below: int | None = None
    is_hidden: bool = False

    @property
    def left_out_total(self) -> int:
        return sum(one.count for one in self.left_out)

    def to_json(self) -> dict[str, Any]:
        """Plain values for `--json`."""
        hidden = self._hidden
        return {
            "counted": self._shown(self.counted),
            "unit": self.unit,
            "patients": self._shown(self.patients),
            "left_out": [
                {"why": one.why, "words": one.words, "count": None if one.why in hidden else one.count}
                for one in self.left_out
            ],
            "choices": [
                {"name": one.name, "option": one.option, "says": one.says, "default": one.is_default}
                for one in self.choices
            ],
            "warnings": self.beware,
            "cut": self.cut.isoformat(),
            "definition": self.definition,
            "says": self.says,
            "sources": list(self.sources),
            "cautions": list(CAUTIONS),
        }

    @property
    def count_said(self) -> str:
        """How many were counted, as it may be told."""
        return "hidden" if self.is_hidden else said_below(self.counted, self.hide_below)

    @property
    def beware(self) -> list[str]:
        """The warnings as they may be told."""
        below = self.hide_below
        if self.is_hidden:
            return [one for one in self.warnings if not isinstance(one, Beware)]
        return [
            one if below is None or not isinstance(one, Beware) else one.without_small(below) for one in self.warnings
        ]

    @property
    def _hidden(self) -> set[str]:
        if self.hide_below is None:
            return set()
        counts = {one.why: one.count for one in self.left_out}
        if self.is_hidden:
            return set(counts)
        return hidden_cells(counts, [list(counts)], self.hide_below)

    def _shown(self, count: int) -> int | None:
        return None if self.is_hidden or (self.hide_below is not None and 0 < count < self.hide_below) else count

    @property
    def lines(self) -> list[str]:
        """The basis as it is printed under a result, one sentence a line."""
        below, hidden = self.hide_below, self._hidden
        counted, patients = (
            "hidden" if self.is_hidden else said_below(count, below) for count in (self.counted, self.patients)
        )
        of = "" if self.unit == "patients" else f" of {patients} patients"
        found = [f"{counted} {self.unit}{of}, up to and including {self.cut}."]
        if self.left_out:
            reasons = [f"{one.words} ({'hidden' if one.why in hidden else one.count})" for one in self.left_out]
            # With one reason alone hidden, the sum would tell it.
            total = "some" if self.is_hidden or len(hidden) == 1 else f"{self.left_out_total}"
            if len(reasons) == 1:
                reasons = [self.left_out[0].words]
                total = "hidden" if hidden else total
            found.append(f"Left out {total}: {'; '.join(reasons)}.")
        else:
            found.append("Nobody is left out.")
        if self.says:
            found.append(f"{self.definition}: {self.says}")
        if self.sources:
            found.append(f"Source: {'; '.join(self.sources)}.")
        changed = [one for one in self.choices if not one.is_default]
        kept = [one for one in self.choices if one.is_default]
        if changed:
            found += ["Choices other than the default:", *(f"  {one.about}: {one.says}" for one in changed)]
        if kept:
            found += ["Choices in use:", *(f"  {one.about}: {one.says}" for one in kept)]
        if below is not None:
            found.append(f"Counts below {below} are hidden, and what would give them away.")
        found += [f"Beware: {one}" for one in self.beware]
        found += CAUTIONS
        return found


def basis_of(
    definition: Definition,
    counted: Iterable[Spell],
    left_out: Iterable[LeftOut],
    cut: date,
    more_warnings: Iterable[str] = (),
) -> Basis:
    """The basis of a result that counted these spells."""
    spells = 0
    accesses: set[tuple[str, str]] = set()
    patients: set[str] = set()
    notes: Counter[str] = Counter()
    partial = 0
    for spell in counted:
        spells += 1
        patients.add(spell.patient)
        accesses.add((spell.patient, spell.access))
        notes.update(spell.notes)
        partial += spell.dates_matter
    return Basis(
        counted=spells,
        unit=unit_of(definition),
        patients=len(patients),
        left_out=left_out_counts(Counter(one.why for one in left_out)),
        choices=definition.in_use,
        warnings=(*correlation(spells, unit_of(definition), len(patients)), *noted(notes), *more_warnings),
        cut=cut,
        definition=definition.name,
        says=definition.says,
        sources=tuple(str(source) for source in definition.sources),
    )


def unit_of(definition: Definition) -> str:
    """What one spell of a definition is."""
    return {
        "index-intervention": "index interventions",
        "index-lesion": "treated lesions",
        "device": "catheter devices",
        "placement": "catheters",
    }.get(definition.start, "accesses")


def left_out_counts(found: Mapping[str, int]) -> tuple[LeftOutCount, ...]:
    """Reasons with their numbers, the most frequent first."""
    return tuple(
        LeftOutCount(why=why, words=WHY_LEFT_OUT.get(why, why), count=count)
        for why, count in sorted(found.items(), key=lambda pair: (-pair[1], pair[0]))
    )


def correlation(counted: int, unit: str, patients: int) -> tuple[str, ...]:
    """The warning that several of one patient are not independent; nothing where each is of another patient."""
    if counted <= patients:
        return ()
    return (
        Beware(
            f"{{}} {unit} belong to {{}} patients and are counted as if they knew nothing of each other; "
            "intervals and p-values look surer than they are.",
            counted,
            patients,
        ),
    )


def noted(notes: Mapping[str, int]) -> tuple[str, ...]:
    """What is odd about the spells counted, with how many."""
    return tuple(Beware(f"{{}} {_are(count)}: {NOTES[note]}.", count) for note, count in sorted(notes.items()))


def _are(count: int) -> str:
    return "is noted" if count == 1 else "are noted"
