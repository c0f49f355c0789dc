"""Patency as it is printed: the curve, the shares on chosen days, the median, competing risks, groups compared.

Each result is made of spells (`spells`) by arithmetic (`curves`) and carries its `Basis`. Where dates are partial, both
readings are counted and the result says whether any printed number changes. Drawing is done by `tables` and
`pictures`.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

from ledger.statistics.basis import Basis, basis_of, correlation, left_out_counts, noted, unit_of
from ledger.statistics.cells import Beware
from ledger.statistics.definitions import Definition
from ledger.statistics.spells import LOSSES, LeftOut, Outcome, Spell, Spells

if TYPE_CHECKING:
    from ledger.statistics.curves import Curve, Estimate, GroupTest, Incidence, IntervalKind, Median, RestrictedMean

HORIZONS = (30, 90, 180, 365, 730, 1095)
"""The days on which a curve is printed, unless others are asked for: 1, 3 and 6 months, 1, 2 and 3 years."""

THIN = 0.10
"""A standard error above which a curve is too thin to be drawn on (from memory: Sidawy 2002: not beyond 10 %)."""

ReadingName = Literal["shortest", "longest"]


class Columns:
    """Spells as columns of numbers: a million of them in a few dozen megabytes.

    `patient` numbers the patients; spells of one patient come one after the other.
    """

    def __init__(self) -> None:
        self.days = {"shortest": array("q"), "longest": array("q")}
        self.entered = {"shortest": array("q"), "longest": array("q")}
        self.cause = {"shortest": array("b"), "longest": array("b")}
        self.patient = array("q")
        self.causes: list[str] = []
        self.notes: Counter[str] = Counter()
        self.left_out: Counter[str] = Counter()
        self.partial = 0
        self._numbers: dict[str, int] = {}
        self._last: str | None = None
        self._patients = 0

    def __len__(self) -> int:
        return len(self.patient)

    @property
    def patients(self) -> int:
        return self._patients

    def take(self, found: Spell | LeftOut) -> None:
        """Adds a spell, or counts who is left out."""
        if isinstance(found, LeftOut):
            self.left_out[found.why] += 1
            return
        if found.patient != self._last:
            self._last = found.patient
            self._patients += 1
        self.patient.append(self._patients)
        self.notes.update(found.notes)
        short, long = found.shortest, found.longest
        cause = self._cause(short.outcome, short.ended_by)
        self._append("shortest", short.days, short.entered_after, cause)
        if short is long:
            self._append("longest", self.days["shortest"][-1], self.entered["shortest"][-1], cause)
        else:
            self._append("longest", long.days, long.entered_after, self._cause(long.outcome, long.ended_by))
            self.partial += found.dates_matter

    def _append(self, reading: ReadingName, days: int, entered: int, cause: int) -> None:
        self.days[reading].append(days)
        self.entered[reading].append(entered)
        self.cause[reading].append(cause)

    def _cause(self, outcome: Outcome, why: str) -> int:
        """0 for a censoring, 1 for the event, 2 and more for what competes."""
        if outcome is Outcome.CENSORED:
            return 0
        if outcome is Outcome.EVENT:
            return 1
        name = "loss" if why in LOSSES else why
        number = self._numbers.get(name)
        if number is None:
            number = self._numbers[name] = len(self.causes) + 2
            self.causes.append(name)
        return number


def columns_of(found: Iterable[Spell | LeftOut]) -> Columns:
    """The columns of spells that come patient by patient."""
    columns = Columns()
    take = columns.take
    for one in found:
        take(one)
    return columns


@dataclass(frozen=True)
class OnDay:
    """The share on a day under both readings of partial dates; None where the curve does not reach so far.

    What is `hidden` rests on few people, or would give away few beside another day.
    """

    day: int
    shortest: Estimate | None
    longest: Estimate | None
    hidden: bool = False

    @property
    def is_thin(self) -> bool:
        """Whether the standard error is so large that the number says little."""
        return any(one is not None and one.se > THIN for one in (self.shortest, self.longest))


@dataclass(frozen=True)
class Patency:
    """One curve with everything that is printed about it.

    `curve` and `incidence` are of the reading in which spells are shortest; `curve_longest` and `incidence_longest` of
    the other, and the same objects where no date is partial. With `hide_below` (`hiding.curve_without_small_cells`) no
    step of the curve leaves this object, since a step is often one person.
    """

    definition: Definition
    group: str | None
    curve: Curve
    curve_longest: Curve
    incidence: Incidence
    incidence_longest: Incidence
    horizons: tuple[OnDay, ...]
    median: Median
    median_longest: Median
    restricted_mean: RestrictedMean | None
    basis: Basis
    hide_below: int | None = None
    events_hidden: bool = False

    @property
    def events(self) -> int | None:
        """How many were seen to end, or to get there; None where that is hidden."""
        return None if self.events_hidden else self.curve.total_events

    @property
    def dates_matter(self) -> bool:
        """Whether partial dates change any number as it is printed (tenths of a percent, whole days)."""
        if self.curve is self.curve_longest:
            return False
        medians = [(one.day, one.low, one.high) for one in (self.median, self.median_longest)]
        return medians[0] != medians[1] or any(_printed(one.shortest) != _printed(one.longest) for one in self.horizons)

    def to_json(self) -> dict[str, Any]:
        """Plain values for `--json`; what is not defined is null."""
        return {
            "definition": self.definition.id,
            "name": self.definition.name,
            "group": self.group,
            "events": self.events,
            "interval": self.curve.interval,
            "level": self.curve.level,
            "horizons": [
                {
                    "day": one.day,
                    "shortest": _estimate(one.shortest),
                    "longest": _estimate(one.longest),
                    "thin": one.is_thin,
                    "hidden": one.hidden,
                }
                for one in self.horizons
            ],
            "median": _median(self.median),
            "median_longest": _median(self.median_longest),
            "restricted_mean": None
            if self.restricted_mean is None
            else {
                "until": self.restricted_mean.until,
                "days": self.restricted_mean.days,
                "se": self.restricted_mean.se,
                "low": self.restricted_mean.low,
                "high": self.restricted_mean.high,
            },
            "dates_matter": self.dates_matter,
            "hide_below": self.hide_below,
            "curve": None if self.hide_below else [_step(step) for step in self.curve.steps],
            "curve_longest": None
            if self.hide_below or self.curve is self.curve_longest
            else [_step(step) for step in self.curve_longest.steps],
            "incidence": None if self.hide_below else _incidence(self.incidence),
            "basis": self.basis.to_json(),
        }


@dataclass(frozen=True)
class Comparison:
    """Groups under one definition, with the tests between them and what the tests cannot know."""

    definition: Definition
    by: str
    groups: tuple[Patency, ...]
    log_rank: GroupTest | None
    gray: GroupTest | None
    gray_not_because: str | None
    warnings: tuple[str, ...]
    hide_below: int | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "definition": self.definition.id,
            "by": self.by,
            "groups": [one.to_json() for one in self.groups],
            "log_rank": _test(self.log_rank),
            "gray": _test(self.gray),
            "gray_not_because": self.gray_not_because,
            "warnings": list(self.warnings),
        }


def patency_of(
    found: Spells,
    *,
    horizons: Sequence[int] = HORIZONS,
    restricted_to: int = 365,
    interval: IntervalKind = "log-log",
    level: float = 0.95,
    group: str | None = None,
) -> Patency:
    """The curve of these spells with everything that is printed about it."""
    columns = columns_of(_by_patient((*found.counted, *found.left_out)))
    basis = basis_of(found.definition, found.counted, found.left_out, found.cut)
    return _patency(found.definition, columns, basis, horizons, restricted_to, interval, level, group)


def patency_of_many(
    found: Iterable[Spell | LeftOut],
    definition: Definition,
    cut: date,
    *,
    horizons: Sequence[int] = HORIZONS,
    restricted_to: int = 365,
    interval: IntervalKind = "log-log",
    level: float = 0.95,
) -> Patency:
    """The same of spells that come one at a time, patient by patient, and are not kept."""
    columns = columns_of(found)
    unit = unit_of(definition)
    basis = Basis(
        counted=len(columns),
        unit=unit,
        patients=columns.patients,
        left_out=left_out_counts(columns.left_out),
        choices=definition.in_use,
        warnings=(*correlation(len(columns), unit, columns.patients), *noted(columns.notes)),
        cut=cut,
        definition=definition.name,
        says=definition.says,
        sources=tuple(str(source) for source in definition.sources),
    )
    return _patency(definition, columns, basis, horizons, restricted_to, interval, level, None)


def compare(
    found: Spells,
    by: str,
    *,
    horizons: Sequence[int] = HORIZONS,
    restricted_to: int = 365,
    interval: IntervalKind = "log-log",
    level: float = 0.95,
) -> Comparison:
    """The groups of these spells (`spells_of(..., label=grouping(by))`) side by side, with log-rank and Gray's test."""
    from ledger.statistics.curves import gray, log_rank
    from ledger.statistics.groups import group_order

    by_group: dict[str, list[Spell]] = {}
    for spell in found.counted:
        by_group.setdefault(spell.group or "not recorded", []).append(spell)
    groups = tuple(
        patency_of(
            Spells(definition=found.definition, cut=found.cut, counted=tuple(members), left_out=()),
            horizons=horizons,
            restricted_to=restricted_to,
            interval=interval,
            level=level,
            group=name,
        )
        for name, members in sorted(by_group.items(), key=lambda pair: group_order(pair[0]))
    )
    spells = list(_by_patient(found.counted))
    columns = columns_of(spells)
    names = [spell.group or "not recorded" for spell in spells]
    days, causes, entered = columns.days["shortest"], columns.cause["shortest"], columns.entered["shortest"]
    rank = log_rank(days, [cause == 1 for cause in causes], names, entered)
    tested, not_because = None, None
    if len(by_group) < 2:
        not_because = "there is only one group"
    elif any(entered):
        not_because = (
            "some accesses came under observation late. The test keeps those who died or left at risk for as long as "
            "they could have been watched, and for whoever came late nobody knows from when that would have been. "
            "Leave them out (the choice met-late=left-out), or read the curves with their intervals"
        )
    else:
        tested = gray(days, causes, names)
        if tested is None:
            not_because = "nothing happened"
    left_out = left_out_counts(Counter(one.why for one in found.left_out))
    warnings = list(correlation(len(spells), unit_of(found.definition), columns.patients))
    if left_out:
        said = "; ".join(f"{{}}: {one.words}" for one in left_out)
        counts = [one.count for one in left_out]
        warnings.append(Beware(f"Left out of every group, since they have no spell: {said}.", *counts))
    if columns.partial:
        warnings.append(
            Beware(
                "{} spells have dates known only to the month or the year; the tests use the reading in which spells "
                "are shortest.",
                columns.partial,
            )
        )
    if len(by_group) > 2:
        warnings.append("One test for all groups; it does not say which of them differ.")
    warnings.append("Groups were not made by chance: what differs between them is not shown to be the cause.")
    return Comparison(
        definition=found.definition,
        by=by,
        groups=groups,
        log_rank=rank,
        gray=tested,
        gray_not_because=not_because,
        warnings=tuple(warnings),
    )


def _patency(
    definition: Definition,
    columns: Columns,
    basis: Basis,
    horizons: Sequence[int],
    restricted_to: int,
    interval: IntervalKind,
    level: float,
    group: str | None,
) -> Patency:
    from dataclasses import replace

    curve, incidence = _drawn(columns, "shortest", interval, level)
    if columns.partial:
        curve_longest, incidence_longest = _drawn(columns, "longest", interval, level)
    else:
        curve_longest, incidence_longest = curve, incidence
    made = Patency(
        definition=definition,
        group=group,
        curve=curve,
        curve_longest=curve_longest,
        incidence=incidence,
        incidence_longest=incidence_longest,
        horizons=tuple(
            OnDay(
                day,
                _share(definition, curve, incidence, day),
                _share(definition, curve_longest, incidence_longest, day),
            )
            for day in horizons
        ),
        median=_half(definition, curve, incidence),
        median_longest=_half(definition, curve_longest, incidence_longest),
        restricted_mean=curve.restricted_mean(restricted_to),
        basis=basis,
    )
    return replace(made, basis=replace(basis, warnings=(*basis.warnings, *_warnings(made, columns))))


def _warnings(made: Patency, columns: Columns) -> Iterable[str]:
    if columns.partial:
        matters = "this changes the numbers printed" if made.dates_matter else "no number printed changes by that"
        yield Beware(
            f"{{}} {'has' if columns.partial == 1 else 'have'} dates known only to the month or the year; both "
            f"readings are counted: {matters}.",
            columns.partial,
        )
    emptied = made.curve.emptied_early
    if emptied is not None:
        yield (
            f"On day {emptied:.0f} all who were then watched failed, while others came under observation later; "
            "from there on the curve is 0 and says little."
        )
    if not made.definition.gains and len(made.incidence.causes) > 1:
        yield (
            "Where death or transplant came first the curve counts the access as if it would have gone on, which "
            "overstates loss; the cumulative incidence beside it does not."
        )
    if any(one.is_thin for one in made.horizons):
        yield "Where the standard error is above 10 % the curve is too thin to go by."


def _drawn(columns: Columns, reading: ReadingName, interval: IntervalKind, level: float) -> tuple[Curve, Incidence]:
    import numpy as np

    from ledger.statistics.curves import aalen_johansen, kaplan_meier

    days = np.frombuffer(columns.days[reading], dtype=np.int64) if len(columns) else np.zeros(0)
    entered = np.frombuffer(columns.entered[reading], dtype=np.int64) if len(columns) else np.zeros(0)
    cause = np.frombuffer(columns.cause[reading], dtype=np.int8) if len(columns) else np.zeros(0)
    return (
        kaplan_meier(days, cause == 1, entered, interval=interval, level=level),
        aalen_johansen(days, cause, ["event", *columns.causes], entered, level=level),
    )


def _share(definition: Definition, curve: Curve, incidence: Incidence, day: int) -> Estimate | None:
    """What is printed for a day: still patent for a loss, reached by then (beside what competes) for a gain."""
    return incidence.at(day, "event") if definition.gains else curve.at(day)


def _half(definition: Definition, curve: Curve, incidence: Incidence) -> Median:
    """The day on which a half is lost; for a gain the day by which a half has reached it, beside what competes."""
    return incidence.median("event") if definition.gains else curve.median


def _by_patient(found: Iterable[Spell | LeftOut]) -> Iterable[Any]:
    """Spells grouped by patient, in the order in which patients first appear."""
    by_patient: dict[str, list[Spell | LeftOut]] = {}
    for one in found:
        by_patient.setdefault(one.patient, []).append(one)
    return [one for mine in by_patient.values() for one in mine]


def _printed(one: Estimate | None) -> tuple[float, ...] | None:
    return None if one is None else tuple(round(number, 3) for number in (one.share, one.low, one.high))


def number_or_none(value: float | None) -> float | None:
    """JSON has no "not a number": what is not defined is null."""
    return None if value is None or value != value else float(value)


def _estimate(one: Estimate | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "share": one.share,
        "se": number_or_none(one.se),
        "low": number_or_none(one.low),
        "high": number_or_none(one.high),
        "at_risk": one.at_risk,
    }


def _median(one: Median) -> dict[str, Any]:
    return {"day": one.day, "low": one.low, "high": one.high}


def _step(step: Any) -> dict[str, Any]:
    return {
        "day": step.day,
        "at_risk": step.at_risk,
        "events": step.events,
        "surviving": step.surviving,
        "se": number_or_none(step.se),
        "low": number_or_none(step.low),
        "high": number_or_none(step.high),
    }


def _incidence(found: Incidence) -> dict[str, Any]:
    return {
        "causes": list(found.causes),
        "rows": [
            {
                "day": float(day),
                "at_risk": int(at_risk),
                "surviving": float(left),
                "share": [float(one) for one in share],
                "se": [number_or_none(float(one)) for one in se],
            }
            for day, at_risk, left, share, se in zip(
                found.day, found.at_risk, found.surviving, found.share, found.se, strict=True
            )
        ],
    }


def _test(found: GroupTest | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "name": found.name,
        "statistic": found.statistic,
        "degrees": found.degrees,
        "p": found.p,
        "groups": [
            {"name": one.name, "n": one.n, "observed": one.observed, "expected": one.expected} for one in found.groups
        ],
    }
