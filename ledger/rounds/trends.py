"""The series of an access: flow, pressures, ratios, recirculation, Kt/V, bleeding; and how they lie beside a rule.

A series holds each reading as it was said, with the entry it rests on. Its baseline is the
median of the first readings after the last intervention, so that what a treatment changed
does not count as a fall; `slope` and `fall` are against it. A reading that a rule calls void
(other needles than it asks for) stays in the series and counts for nothing in that rule.

A finding says what lies where: "meets graft-flow-2006 (2006): 580 mL/min on 3 March 2026,
below 600". It never says what to do.

To add a series, name it in `rules.MEASURES` and take its readings in `_readings_of`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from ledger.chronology import InForce
from ledger.dates import PartialDate
from ledger.events import Imaging, MaturityAssessed, Measurement
from ledger.measured import Measured
from ledger.projections.folding import Folded
from ledger.projections.formulas import (
    Worked,
    flow_by_reversed_lines,
    kt_over_v,
    mean_arterial_pressure,
    recirculation,
    static_pressure_ratio,
    urea_reduction_ratio,
)
from ledger.projections.wording import counted, on_day
from ledger.rounds.rules import MEASURES, Comparison, Rule, Rules, meets, months_on
from ledger.vocabulary import AccessKind, MeasurementMethod

BASELINE_OF_SESSIONS = 3
"""So many first readings of a series of sessions make its baseline; of a measured series, the first. Ours."""

IN_WORDS = {
    "above": "above",
    "at-least": "not below",
    "below": "below",
    "at-most": "not above",
    "fall": "more than",
    "fall-at-least": "at least",
    "drop": "more than",
}


@dataclass(frozen=True, slots=True)
class Reading:
    """One number of a series: as it was said or worked out, its day, and the entry it rests on."""

    day: PartialDate
    said: Measured
    root: str
    one: InForce
    worked: str = ""

    @property
    def number(self) -> Decimal:
        """One number to draw and to take a median of: the middle of a range, the bound of a comparator."""
        if self.said.value is not None:
            return Decimal(self.said.value)
        assert self.said.low is not None
        assert self.said.high is not None
        return (Decimal(self.said.low) + Decimal(self.said.high)) / 2


@dataclass(frozen=True, kw_only=True)
class Series:
    """The readings of one measure of one access, oldest first; `since` is the day of the last intervention.

    `fresh` are those after it. `slope` is per 30 days over the fresh readings, None with fewer than three of them or
    all on one day; `fall_percent` is how far the last lies below the baseline, negative where it rose.
    """

    measure: str
    access: str
    kind: AccessKind | None
    readings: tuple[Reading, ...]
    fresh: tuple[Reading, ...]
    since: PartialDate | None

    @property
    def name(self) -> str:
        return MEASURES[self.measure][0]

    @property
    def unit(self) -> str:
        return MEASURES[self.measure][1]

    @property
    def baseline(self) -> Decimal | None:
        """The median of the first readings after the last intervention; None where there is none."""
        if not self.fresh:
            return None
        size = BASELINE_OF_SESSIONS if self.measure in _IN_SESSIONS else 1
        return Decimal(median(one.number for one in self.fresh[:size]))

    @property
    def last(self) -> Reading | None:
        return self.readings[-1] if self.readings else None

    @property
    def fall_percent(self) -> Decimal | None:
        baseline = self.baseline
        if baseline is None or baseline <= 0 or len(self.fresh) < 2:
            return None
        return (baseline - self.fresh[-1].number) / baseline * 100

    @property
    def slope(self) -> Decimal | None:
        """The slope of the straight line of least squares through the fresh readings, in units per 30 days."""
        points = [(one.day.earliest.toordinal(), one.number) for one in self.fresh if len(one.day) >= 10]
        if len(points) < 3:
            return None
        mean_x = Decimal(sum(x for x, _ in points)) / len(points)
        mean_y = sum((y for _, y in points), Decimal(0)) / len(points)
        across = sum(((x - mean_x) ** 2 for x, _ in points), Decimal(0))
        if across == 0:
            return None
        return sum(((x - mean_x) * (y - mean_y) for x, y in points), Decimal(0)) / across * 30

    def words(self) -> str:
        """The series in one line: its last reading, its baseline, its fall and its slope."""
        last = self.last
        if last is None:
            return f"{self.name}: nothing recorded"
        parts = [f"{self.name}: {_quantity(last.said, self.unit)} {on_day(last.day[:10])}"]
        baseline, fall, slope = self.baseline, self.fall_percent, self.slope
        if baseline is not None:
            after = f" after the intervention {on_day(self.since[:10])}" if self.since is not None else ""
            parts.append(f"baseline {_rounded(baseline, 3)}{after}")
        if fall is not None:
            parts.append(f"{_rounded(abs(fall), 1)} % {'below' if fall >= 0 else 'above'} it")
        if slope is not None:
            parts.append(f"slope {_rounded(slope, 2)} in 30 days")
        parts.append(counted(len(self.readings), "reading"))
        return "; ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """The series as plain JSON values."""
        return {
            "measure": self.measure,
            "name": self.name,
            "unit": self.unit,
            "access": self.access,
            "since": self.since,
            "baseline": _text(self.baseline),
            "fall_percent": _text(self.fall_percent),
            "slope_per_30_days": _text(self.slope),
            "readings": [{"day": one.day, "said": str(one.said), "root": one.root} for one in self.readings],
        }


@dataclass(frozen=True, kw_only=True)
class RuleMet:
    """A rule that the newest readings of a series meet, `in_a_row` of them where the rule asks for several.

    `since` is the day of the first of the unbroken run; `roots` are its entries, oldest first. `differs` is what other
    texts say about the use of the measure, and `asks_first` what is asked before anything else.
    """

    rule: Rule
    access: str
    words: str
    since: PartialDate
    day: PartialDate
    run: int
    roots: tuple[str, ...]
    asks_first: str
    differs: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule.id,
            "year": self.rule.year,
            "version": self.rule.version,
            "source": self.rule.source,
            "verified": self.rule.verified,
            "access": self.access,
            "words": self.words,
            "since": self.since,
            "day": self.day,
            "in_a_row": self.run,
            "roots": list(self.roots),
            "asks_first": self.asks_first,
            "differs": list(self.differs),
        }


def series_of(folded: Folded, zone: ZoneInfo, only: Collection[str] | None = None) -> dict[str, Series]:
    """Every series of an access that has a reading, by measure; with `only`, those of these measures."""
    found: dict[str, list[Reading]] = {}
    for one in folded.measured:
        for measure, reading in _readings_of(one):
            found.setdefault(measure, []).append(reading)
    _add_sessions(found, folded.sessions, only)
    if only is not None:
        found = {measure: readings for measure, readings in found.items() if measure in only}
    last = _last_treated(folded, zone)
    begins = None if last is None else last.happened.latest_in(zone)
    kind = folded.access_kind
    made = {}
    for measure in MEASURES:
        readings = found.get(measure)
        if not readings:
            continue
        readings.sort(key=lambda one: (one.day.earliest_in(zone), one.root))
        # A reading of the day of the intervention may have come before it: it is not fresh.
        fresh = [one for one in readings if begins is None or one.day.earliest_in(zone).date() > begins.date()]
        made[measure] = Series(
            measure=measure,
            access=folded.access,
            kind=kind,
            readings=tuple(readings),
            fresh=tuple(fresh),
            since=None if last is None else last.happened,
        )
    return made


def rules_met(series: dict[str, Series], rules: Rules, zone: ZoneInfo) -> tuple[RuleMet, ...]:
    """The rules that an access's newest readings meet, in the order of the rules.

    Only readings after the last intervention count, and only those that the rule does not call void.
    """
    met = []
    for rule in rules.in_use("series"):
        one = series.get(rule.measure)
        if one is not None and rule.is_for(one.kind):
            found = _met(rule, one, series, rules, zone)
            if found is not None:
                met.append(found)
    return tuple(met)


def _met(rule: Rule, series: Series, all_of_it: dict[str, Series], rules: Rules, zone: ZoneInfo) -> RuleMet | None:
    assert rule.threshold is not None
    valid = [one for one in series.fresh if _is_valid(one, rule)]
    beside = _beside(rule.also, all_of_it) if rule.also is not None else None
    run: list[Reading] = []
    for nth in range(len(valid) - 1, -1, -1):
        one = valid[nth]
        before = valid[nth - 1] if nth else None
        if not _one_meets(rule, one, before, valid[:nth], zone):
            break
        if beside is not None and rule.also is not None:
            also = beside.get(one.root)
            if also is None or not meets(also.said, rule.also.compared, rule.also.threshold):
                break
        run.append(one)
    if len(run) < rule.in_a_row:
        return None
    run.reverse()
    return RuleMet(
        rule=rule,
        access=series.access,
        words=_met_words(rule, series, run, valid, zone),
        since=run[0].day,
        day=run[-1].day,
        run=len(run),
        roots=tuple(one.root for one in run),
        asks_first=rule.asks_first,
        differs=tuple(
            f"{one.name}, {'read' if one.verified else 'from memory'}: {one.says}"
            for one in rules.positions_on(series.measure, series.kind)
        ),
    )


def _one_meets(rule: Rule, one: Reading, before: Reading | None, earlier: Sequence[Reading], zone: ZoneInfo) -> bool:
    threshold = rule.threshold
    assert threshold is not None
    match rule.compared:
        case "fall" | "fall-at-least":
            fall = _greatest_fall(rule, one, earlier, zone)
            if fall is None:
                return False
            return fall > threshold if rule.compared == "fall" else fall >= threshold
        case "drop":
            if before is None or not (before.said.is_exact and one.said.is_exact):
                return False
            return before.number - one.number > threshold
        case compared:
            return meets(one.said, compared, threshold)


def _greatest_fall(rule: Rule, one: Reading, earlier: Sequence[Reading], zone: ZoneInfo) -> Decimal | None:
    """The fall in percent: against the reading before, or against the highest within so many months."""
    if not earlier or not one.said.is_exact:
        return None
    if rule.within_months is None:
        against = [earlier[-1]]
    else:
        day = one.day.earliest_in(zone).date()
        against = [
            before for before in earlier if months_on(before.day.latest_in(zone).date(), rule.within_months) >= day
        ]
    falls = [
        (before.number - one.number) / before.number * 100
        for before in against
        if before.said.is_exact and before.number > 0
    ]
    return max(falls, default=None)


def _is_valid(one: Reading, rule: Rule) -> bool:
    for name, low, high in rule.only_if:
        held = getattr(one.one.fact, name, None)
        if held is None:
            return False
        said = held if isinstance(held, Measured) else Measured(value=str(held))
        least, most = said.at_least, said.at_most
        if least is None or most is None or not (low <= least and most <= high):
            return False
    return True


def _beside(also: Comparison, series: dict[str, Series]) -> dict[str, Reading]:
    other = series.get(also.measure)
    return {} if other is None else {one.root: one for one in other.readings}


def _met_words(rule: Rule, series: Series, run: Sequence[Reading], valid: Sequence[Reading], zone: ZoneInfo) -> str:
    last = run[-1]
    unit = f" {series.unit}" if series.unit else ""
    value = f"{_quantity(last.said, series.unit)} {on_day(last.day[:10])}"
    limit = IN_WORDS[rule.compared]
    assert rule.threshold is not None
    if rule.compared in ("fall", "fall-at-least"):
        at = valid.index(last)
        fall = _greatest_fall(rule, last, valid[:at], zone)
        assert fall is not None
        tail = f"{_rounded(fall, 1)} % lower than before, {limit} {rule.threshold} %"
    elif rule.compared == "drop":
        before = valid[valid.index(last) - 1]
        tail = f"{_rounded(before.number - last.number, 2)}{unit} lower than {on_day(before.day[:10])}"
        tail += f", {limit} {rule.threshold}"
    else:
        tail = f"{limit} {rule.threshold}"
    if rule.also is not None:
        also = rule.also
        tail += f", and {MEASURES[also.measure][0]} {IN_WORDS[also.compared]} {also.threshold}"
    words = f"meets {rule.name}: {value}, {tail}"
    if len(run) > 1:
        others = ", ".join(f"{one.said} {on_day(one.day[:10])}" for one in run[-3:-1])
        words += f", {len(run)} in a row (before it {others})"
    return words


def measures_of(rules: Rules, kind: AccessKind | None) -> frozenset[str]:
    """The measures that some rule in use asks for, of accesses of this kind."""
    found = set()
    for rule in rules.in_use("series"):
        if rule.is_for(kind):
            found.add(rule.measure)
            if rule.also is not None:
                found.add(rule.also.measure)
    return frozenset(found)


# --- Readings -----------------------------------------------------------------------------------------------------


def _add_sessions(found: dict[str, list[Reading]], sessions: Iterable[InForce], only: Collection[str] | None) -> None:
    """The readings of sessions, which come by the thousand: nothing is worked out of them, and a field at a time."""
    wanted = [(measure, name) for measure, name in _IN_SESSIONS.items() if only is None or measure in only]
    for measure, name in wanted:
        readings = [
            Reading(one.fact.happened, said, one.root, one)
            for one in sessions
            if (said := getattr(one.fact, name, None)) is not None
        ]
        if readings:
            found.setdefault(measure, []).extend(readings)


_IN_SESSIONS = {
    "session-venous-pressure": "venous_pressure_mmhg",
    "session-arterial-pressure": "arterial_pressure_mmhg",
    "session-blood-flow": "blood_flow_ml_min",
    "bleeding": "bleeding_minutes",
}
"""The series that sessions alone make, and the field that each is taken from."""


def _readings_of(one: InForce) -> Iterator[tuple[str, Reading]]:
    fact = one.fact
    match fact:
        case Measurement():
            yield from _measured(one, fact)
        case Imaging() | MaturityAssessed():
            if fact.flow_ml_min is not None:
                yield "flow", _said(one, fact.flow_ml_min)
        case _:
            return


def _measured(one: InForce, fact: Measurement) -> Iterator[tuple[str, Reading]]:
    if fact.flow_ml_min is not None:
        yield "flow", _said(one, fact.flow_ml_min)
    elif fact.blood_flow_ml_min is not None and fact.reversed_recirculation_fraction is not None:
        yield from _worked(
            "flow", one, flow_by_reversed_lines(fact.blood_flow_ml_min, fact.reversed_recirculation_fraction)
        )
    pressures = fact.systolic_mmhg, fact.diastolic_mmhg
    if pressures[0] is not None and pressures[1] is not None:
        if fact.chamber_height_cm is not None:
            for measure, static in (
                ("venous-ratio", fact.static_venous_pressure_mmhg),
                ("arterial-ratio", fact.static_arterial_pressure_mmhg),
            ):
                if static is not None:
                    ratio = static_pressure_ratio(static, fact.chamber_height_cm, pressures[0], pressures[1])
                    yield from _worked(measure, one, ratio)
        if fact.dynamic_venous_pressure_mmhg is not None and fact.dynamic_venous_pressure_mmhg.is_exact:
            mean = mean_arterial_pressure(pressures[0], pressures[1])
            if mean.value is not None and mean.value > 0 and fact.dynamic_venous_pressure_mmhg.value is not None:
                ratio_value = Decimal(fact.dynamic_venous_pressure_mmhg.value) / mean.value
                yield "slow-flow-ratio", Reading(fact.happened, _decimal(ratio_value, 4), one.root, one)
    if fact.dynamic_venous_pressure_mmhg is not None:
        yield "dynamic-venous-pressure", _said(one, fact.dynamic_venous_pressure_mmhg)
    if fact.recirculation_percent is not None:
        by_urea = fact.method is MeasurementMethod.UREA
        # How it was taken decides the limit; a method that nobody recorded is in neither series.
        if fact.method is not None:
            yield "recirculation-urea" if by_urea else "recirculation-dilution", _said(one, fact.recirculation_percent)
    elif fact.urea_systemic is not None and fact.urea_arterial is not None and fact.urea_venous is not None:
        found = recirculation(fact.urea_systemic, fact.urea_arterial, fact.urea_venous)
        yield from _worked("recirculation-urea", one, found)
    if fact.kt_v is not None:
        yield "kt-v", _said(one, fact.kt_v)
    if fact.urea_before is not None and fact.urea_after is not None:
        yield from _worked("urea-reduction", one, urea_reduction_ratio(fact.urea_before, fact.urea_after))
        if (
            fact.kt_v is None
            and fact.hours is not None
            and fact.ultrafiltration_l is not None
            and fact.weight_after_kg is not None
        ):
            worked = kt_over_v(
                fact.urea_before, fact.urea_after, fact.hours, fact.ultrafiltration_l, fact.weight_after_kg
            )
            yield from _worked("kt-v", one, worked)


def _said(one: InForce, said: Measured) -> Reading:
    return Reading(one.fact.happened, said, one.root, one)


def _worked(measure: str, one: InForce, worked: Worked) -> Iterator[tuple[str, Reading]]:
    if worked.value is not None:
        said = _decimal(worked.value, 6, about=worked.about)
        yield measure, Reading(one.fact.happened, said, one.root, one, worked.working)


def _decimal(value: Decimal, digits: int, *, about: bool = False) -> Measured:
    rounded = value.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP).normalize()
    return Measured(value=f"{rounded:f}", comparator="~" if about else None)


def _last_treated(folded: Folded, zone: ZoneInfo) -> InForce | None:
    """The last time that the circuit was entered or changed: what came before it is another baseline."""
    done = [one for one in folded.interventions if one.kind not in _NO_BREAK]
    if folded.second_stage is not None and folded.second_stage not in done:
        done.append(folded.second_stage)
    return max(done, key=lambda one: one.happened.latest_in(zone), default=None)


_NO_BREAK = frozenset({"abandonment", "catheter-placed"})


# --- Pictures -----------------------------------------------------------------------------------------------------

HEIGHT, WIDTH = 8, 60


def plotted(series: Series, rule: Rule | None = None, *, width: int = WIDTH, height: int = HEIGHT) -> list[str]:
    """A series as a small plot for a terminal: `*` a reading, `-` the rule's line, `|` the last intervention.

    Several readings in one column are drawn as the lowest and the highest of them. What the picture shows is also in
    `Series.words`: no plot is the only bearer of a number.
    """
    points = [(one.day.earliest.toordinal(), one.number) for one in series.readings]
    if not points:
        return [f"{series.name}: nothing recorded"]
    limit = rule.threshold if rule is not None and rule.compared in _PLAIN else None
    values = [y for _, y in points] + ([limit] if limit is not None else [])
    low, high = min(values), max(values)
    if low == high:
        low, high = low - 1, high + 1
    first, last = min(x for x, _ in points), max(x for x, _ in points)
    grid = [[" "] * width for _ in range(height)]

    def row(value: Decimal) -> int:
        return height - 1 - int((value - low) / (high - low) * (height - 1) + Decimal("0.5"))

    def column(day: int) -> int:
        return 0 if last == first else (day - first) * (width - 1) // (last - first)

    if limit is not None:
        grid[row(limit)] = ["-"] * width
    if series.since is not None and first <= series.since.earliest.toordinal() <= last:
        at = column(series.since.earliest.toordinal())
        for line in grid:
            line[at] = "|"
    for day, value in points:
        grid[row(value)][column(day)] = "*"
    labels = [_rounded(high, 2), *[""] * (height - 2), _rounded(low, 2)]
    if limit is not None:
        labels[row(limit)] = _rounded(limit, 2)
    margin = max(map(len, labels))
    ends = date.fromordinal(first).isoformat(), date.fromordinal(last).isoformat()
    foot = ends[0] + ends[1].rjust(width - len(ends[0])) if last != first else ends[0]
    return [
        f"{series.name}{f', {series.unit}' if series.unit else ''}"
        + (f"; the line is {rule.name}" if limit is not None and rule is not None else ""),
        *(f"{label.rjust(margin)} {''.join(line).rstrip()}".rstrip() for label, line in zip(labels, grid, strict=True)),
        " " * (margin + 1) + foot,
    ]


@dataclass(frozen=True, kw_only=True)
class Point:
    """One reading to draw: its day (the first that it can mean), the number, how it was said, and its entry.

    `fresh`: it came after the last intervention. `exact`: the day was said and the number had no comparator.
    """

    day: date
    number: Decimal
    said: str
    fresh: bool
    exact: bool
    root: str


@dataclass(frozen=True, kw_only=True)
class RuleLine:
    """A rule that compares a series with a number: where its line lies, and the rule by name with its source."""

    rule: str
    compared: str
    threshold: Decimal
    says: str
    source: str


@dataclass(frozen=True, kw_only=True)
class PlotData:
    """What a picture of a series shows: points, the last intervention, the baseline after it, and the rules' lines.

    `lowest` and `highest` span points, baseline and lines. `words` tell what the picture shows.
    """

    measure: str
    name: str
    unit: str
    access: str
    points: tuple[Point, ...]
    treated: date | None
    baseline: Decimal | None
    baseline_from: date | None
    slope: Decimal | None
    fall_percent: Decimal | None
    lines: tuple[RuleLine, ...]
    lowest: Decimal
    highest: Decimal
    words: str

    def to_json(self) -> dict[str, Any]:
        """The data as plain JSON values; numbers in digits, days as dates."""
        return {
            "measure": self.measure,
            "name": self.name,
            "unit": self.unit,
            "access": self.access,
            "points": [
                {
                    "day": one.day.isoformat(),
                    "number": _rounded(one.number, 6),
                    "said": one.said,
                    "fresh": one.fresh,
                    "exact": one.exact,
                    "root": one.root,
                }
                for one in self.points
            ],
            "treated": None if self.treated is None else self.treated.isoformat(),
            "baseline": _text(self.baseline),
            "baseline_from": None if self.baseline_from is None else self.baseline_from.isoformat(),
            "slope_per_30_days": _text(self.slope),
            "fall_percent": _text(self.fall_percent),
            "lines": [
                {
                    "rule": one.rule,
                    "is": one.compared,
                    "threshold": str(one.threshold),
                    "says": one.says,
                    "source": one.source,
                }
                for one in self.lines
            ],
            "lowest": _rounded(self.lowest, 6),
            "highest": _rounded(self.highest, 6),
            "words": self.words,
        }


def plot_of(series: Series, rules: Rules, *, most: int | None = None) -> PlotData | None:
    """What a picture of a series shows, of the newest `most` readings or of all; None for a series without any."""
    if not series.readings:
        return None
    fresh = {(one.root, one.day) for one in series.fresh}
    points = [
        Point(
            day=one.day.earliest,
            number=one.number,
            said=str(one.said),
            fresh=(one.root, one.day) in fresh,
            exact=len(one.day) >= 10 and one.said.is_exact,
            root=one.root,
        )
        for one in (series.readings if most is None else series.readings[-most:])
    ]
    lines = tuple(
        RuleLine(rule=rule.name, compared=rule.compared, threshold=rule.threshold, says=rule.says, source=rule.source)
        for rule in rules.in_use("series")
        if rule.measure == series.measure and rule.is_for(series.kind) and rule.compared in _PLAIN
        if rule.threshold is not None
    )
    baseline = series.baseline
    spanned = [one.number for one in points] + [one.threshold for one in lines]
    spanned += [baseline] if baseline is not None else []
    return PlotData(
        measure=series.measure,
        name=series.name,
        unit=series.unit,
        access=series.access,
        points=tuple(points),
        treated=None if series.since is None else series.since.latest,
        baseline=baseline,
        baseline_from=series.fresh[0].day.earliest if series.fresh else None,
        slope=series.slope,
        fall_percent=series.fall_percent,
        lines=lines,
        lowest=min(spanned),
        highest=max(spanned),
        words=series.words(),
    )


_PLAIN = ("above", "at-least", "below", "at-most")
"""Comparisons with a number, which has a line in a picture; a fall compares two readings and has none."""


def line_for(series: Series, rules: Rules) -> Rule | None:
    """The rule whose line is drawn in the plot of a series: the first in use for it that compares with a number."""
    found: Iterable[Rule] = (
        rule
        for rule in rules.in_use("series")
        if rule.measure == series.measure and rule.is_for(series.kind) and rule.compared in _PLAIN
    )
    return next(iter(found), None)


def _quantity(said: Measured, unit: str) -> str:
    """A reading with its unit. One that was worked out is told with four decimals and compared with all of them."""
    text = str(said)
    if said.value is not None and len(said.value.partition(".")[2]) > 4:
        text = text.replace(said.value, _rounded(Decimal(said.value), 4))
    return f"{text} {unit}".rstrip()


def _rounded(value: Decimal, digits: int) -> str:
    rounded = value.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)
    text = f"{rounded:f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _text(value: Decimal | None) -> str | None:
    return None if value is None else _rounded(value, 4)
