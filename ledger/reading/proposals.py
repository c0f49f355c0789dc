"""What the reader hands over: accesses, proposed entries, and what it saw and left out.

A proposal is not a fact: it waits for a person. Its quotes are stretches of the text
that was read, its `why` says why it was taken for today's and for this access, and
`plain` says that the words leave no room, not that they are true.

Not for: which patient, which access of the ledger (`ledger.matching`), and typed facts
(`drafting`). `Reading.to_json` is the form that `report read --json` prints; fields are
only ever added to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import Enum
from typing import Any

from ledger.dates import PartialDate
from ledger.measured import Measured
from ledger.vocabulary import (
    AccessKind,
    Artery,
    Configuration,
    Grade,
    GraftMaterial,
    LesionPlace,
    Limb,
    Side,
    Site,
    TreatmentOutcome,
    Vein,
)


@dataclass(frozen=True, kw_only=True, order=True)
class Cite:
    """A stretch of the text that was read: code points `start` to `end`."""

    start: int
    end: int


@dataclass(frozen=True, kw_only=True)
class ReadAccess:
    """An access that the text speaks of and on which something was done or seen. `ref` is its name in this reading.

    For a catheter `side` and `vein` are of the vein. `described` is the site in words, for people.
    """

    ref: str
    kind: AccessKind | None = None
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    vein: Vein | None = None
    configuration: Configuration | None = None
    material: GraftMaterial | None = None
    arterial_limb: Limb | None = None
    created: PartialDate | None = None
    described: str | None = None
    quotes: tuple[Cite, ...] = ()
    side_quotes: tuple[Cite, ...] = ()
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class ReadBalloon:
    """One balloon that opened a lesion, as the text gives it."""

    diameter_mm: Measured | None = None
    length_mm: Measured | None = None
    pressure_atm: Measured | None = None
    coated: bool | None = None
    cutting: bool | None = None


@dataclass(frozen=True, kw_only=True)
class ReadStent:
    """One stent or stent graft, as the text gives it."""

    diameter_mm: Measured | None = None
    length_mm: Measured | None = None
    covered: bool | None = None
    coated: bool | None = None
    across_needle_zone: bool | None = None

    @property
    def in_words(self) -> str:
        size = " x ".join(str(one) for one in (self.diameter_mm, self.length_mm) if one is not None)
        kind = {True: "covered", False: "bare", None: ""}[self.covered]
        return " ".join(part for part in (f"{size} mm" if size else "", kind) if part) or "stent, size not given"


@dataclass(frozen=True, kw_only=True)
class ReadLesion:
    """A narrowing or an occlusion: where, how much before, what was done to it, how much after.

    Percent and grade only as they were said; never one made of the other.
    """

    place: LesionPlace | None = None
    side: Side | None = None
    said_place: str | None = None
    before_percent: Measured | None = None
    before_grade: Grade | None = None
    after_percent: Measured | None = None
    after_grade: Grade | None = None
    reference_mm: Measured | None = None
    smallest_mm: Measured | None = None
    length_mm: Measured | None = None
    in_stent: bool | None = None
    left_alone: bool | None = None
    outcome: TreatmentOutcome | None = None
    balloons: tuple[ReadBalloon, ...] = ()
    stents: tuple[ReadStent, ...] = ()
    ballooned: bool = False
    stented: bool = False
    quotes: tuple[Cite, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """One line of `detail.lesions`. Of a range the number is its worse end; `…_said` keeps what was said."""
        balloons = [_number(one.diameter_mm) for one in self.balloons if one.diameter_mm is not None]
        found: dict[str, Any] = {
            "place": self.place.value if self.place else None,
            "said_place": self.said_place,
            "side": self.side.value if self.side else None,
            "stenosis_before_percent": _number(self.before_percent),
            "stenosis_after_percent": _number(self.after_percent),
            "grade": self.before_grade.value if self.before_grade else None,
            "grade_after": self.after_grade.value if self.after_grade else None,
            "balloon_mm": None if not balloons else balloons[0] if len(balloons) == 1 else balloons,
            "stent": "; ".join(one.in_words for one in self.stents) if self.stents else None,
        }
        for name, quantity in (("before", self.before_percent), ("after", self.after_percent)):
            if quantity is not None and not quantity.is_exact:
                found[f"stenosis_{name}_said"] = str(quantity)
        for name in ("reference_mm", "smallest_mm", "length_mm"):
            quantity = getattr(self, name)
            if quantity is not None:
                found[name] = plain_value(quantity)
        for name in ("in_stent", "left_alone"):
            if getattr(self, name) is not None:
                found[name] = getattr(self, name)
        if self.outcome is not None:
            found["outcome"] = self.outcome.value
        if self.balloons:
            found["balloons"] = [plain_value(one) for one in self.balloons]
        return found


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """One entry that the text seems to ask for.

    `kind` is one of `ledger.events.KINDS`. `detail` holds values under the names of that kind's fields (enums,
    `Measured`, `ReadLesion`s under `lesions`, a `Cite` where the field holds words). `happened` is None when neither
    the text nor its envelope dates it. `of_visit`: it belongs to the procedure that the report is about, so the
    visit's id goes with it.
    """

    kind: str
    access: str | None
    happened: PartialDate | None
    quotes: tuple[Cite, ...]
    detail: Mapping[str, Any] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()
    plain: bool = False
    why: str = ""
    of_visit: bool = False


@dataclass(frozen=True, kw_only=True)
class Noticed:
    """Words that speak of a procedure or a finding and were left out, and why."""

    start: int
    end: int
    what: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Amends:
    """What an addendum puts right in an earlier report: `side`, `happened`, or `other` for what was not understood."""

    what: str
    value: str | None
    quote: Cite


@dataclass(frozen=True, kw_only=True)
class Reading:
    """What one version of the reader makes of one text. `accesses` begins with the one operated on.

    `amends` is what an addendum that tells no deed of its own changes in its first report.
    """

    text: str
    reader: str
    accesses: tuple[ReadAccess, ...] = ()
    proposed: tuple[Proposal, ...] = ()
    noticed: tuple[Noticed, ...] = ()
    happened: PartialDate | None = None
    happened_from: str | None = None  # "text", or which field of the envelope
    doubts: tuple[str, ...] = ()
    amends: tuple[Amends, ...] = ()

    def access(self, ref: str | None) -> ReadAccess | None:
        """The access that a proposal names."""
        return next((one for one in self.accesses if one.ref == ref), None)

    def words(self, cite: Cite) -> str:
        """The words that a cite stands for."""
        return self.text[cite.start : cite.end]

    def to_json(self, *, file: str | None = None, part: int = 1, digest: str | None = None) -> dict[str, Any]:
        """The reading as `report read --json` prints it."""
        return {
            "format": 1,
            "file": file,
            "part": part,
            "digest": digest,
            "reader": self.reader,
            "happened": self.happened,
            "happened_from": self.happened_from,
            "accesses": [
                {
                    "ref": one.ref,
                    "kind": one.kind.value if one.kind else None,
                    "side": one.side.value if one.side else None,
                    "site": one.described,
                    "doubts": list(one.doubts),
                }
                for one in self.accesses
            ],
            "proposed": [
                {
                    "kind": one.kind,
                    "access": one.access,
                    "happened": one.happened,
                    "quotes": [self._quote(cite) for cite in one.quotes],
                    "detail": self._detail(one.detail),
                    "doubts": list(one.doubts),
                    "plain": one.plain,
                    "why": one.why,
                }
                for one in self.proposed
            ],
            "not_understood": [
                {**self._quote(Cite(start=one.start, end=one.end)), "what": one.what, "reason": one.reason}
                for one in self.noticed
            ],
            "doubts": list(self.doubts),
            "amends": [{"what": one.what, "value": one.value, "quote": self._quote(one.quote)} for one in self.amends],
        }

    def _quote(self, cite: Cite) -> dict[str, Any]:
        return {"start": cite.start, "end": cite.end, "text": self.words(cite)}

    def _detail(self, detail: Mapping[str, Any]) -> dict[str, Any]:
        return {name: self._value(value) for name, value in detail.items()}

    def _value(self, value: Any) -> Any:
        if isinstance(value, Cite):
            return self._quote(value)
        if isinstance(value, ReadLesion):
            return value.to_json()
        if isinstance(value, Mapping):
            return self._detail(value)
        if isinstance(value, tuple | list):
            return [self._value(one) for one in value]
        return plain_value(value)


def plain_value(value: Any) -> Any:
    """A value as JSON holds it. A quantity that is one exact number becomes that number, any other its words."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Measured):
        return _number(value) if value.is_exact else str(value)
    if isinstance(value, ReadBalloon | ReadStent):
        return {name: plain_value(one) for name, one in vars(value).items() if one is not None}
    return value


def _number(quantity: Measured | None) -> int | float | None:
    """The number of a quantity; of a range its higher end, which is the worse one of a stenosis."""
    if quantity is None:
        return None
    text = quantity.value if quantity.value is not None else quantity.high
    assert text is not None
    number = Decimal(text)
    return int(number) if number == number.to_integral_value() else float(number)
