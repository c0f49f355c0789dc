"""Small pictures beside the brief: days between treatments of one lesion, and how flow and pressures went.

Each picture has its numbers in words beside it, so none is the only bearer of anything. Numbers come from
`ledger.projections.state` and `ledger.rounds.trends`; here they only get a place.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from html import escape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from ledger.projections.state import AccessView, LesionView
    from ledger.rounds.trends import PlotData, RuleLine

SHOWN = (
    "flow",
    "venous-ratio",
    "derived-venous-ratio",
    "dynamic-venous-pressure",
    "recirculation-urea",
    "recirculation-dilution",
    "session-venous-pressure",
    "session-arterial-pressure",
)
"""The series that are drawn below a brief, in this order; so many at most as stand in `MOST`."""

MOST = 3
MOST_LINES = 2
MOST_READINGS = 60
"""So many of the newest readings are drawn: more would be a smear at this size."""

WIDE, HIGH = 300, 84
LEFT, RIGHT, TOP, FOOT = 38, 8, 8, 16


@dataclass(frozen=True)
class Strip:
    """The intervals of one lesion: which, in words, and as a picture."""

    words: str
    svg: str


@dataclass(frozen=True)
class Trend:
    """One series: its words, the rule whose line is drawn, the rules it meets, and the picture."""

    words: str
    rule: str
    met: tuple[str, ...]
    svg: str


# --- Days between treatments --------------------------------------------------------------------------------------


def intervals_of(views: Iterable[AccessView]) -> tuple[Strip, ...]:
    """A strip for each lesion of an access in the body that was treated twice or more often."""
    return tuple(
        _strip(view, lesion) for view in views if view.in_body for lesion in view.lesions if len(lesion.treatments) > 1
    )


def _strip(view: AccessView, lesion: LesionView) -> Strip:
    from ledger.projections.wording import counted, listed

    told = listed("not known to the day" if days is None else str(days) for days in lesion.intervals)
    side = view.side.value.upper() if view.side is not None and view.other_side is None else "side not settled"
    words = (
        f"{lesion.place[:1].upper()}{lesion.place[1:]} ({side}), treated {counted(lesion.times, 'time')}: "
        f"{told} days between"
    )
    return Strip(words, _strip_svg(lesion.intervals))


def _strip_svg(intervals: Sequence[int | None]) -> str:
    """Treatments as ticks on a line, the days between them written between them; an unknown one is dashed."""
    shown = intervals[-8:]
    known = [days for days in shown if days is not None]
    if not known:
        return ""
    wide, least = 300.0, 30.0
    middle = sum(known) / len(known)
    weights = [float(days if days is not None else middle) for days in shown]
    spare = wide - 16 - least * len(shown)
    total = sum(weights) or 1.0
    parts, x = [_tick(8.0)], 8.0
    for days, weight in zip(shown, weights, strict=True):
        to = x + least + spare * weight / total
        dash = ' stroke-dasharray="3 3"' if days is None else ""
        parts.append(f'<path d="M{x:.1f} 27H{to:.1f}" stroke="#1c2126" stroke-width="1.4"{dash}/>')
        parts.append(
            f'<text x="{(x + to) / 2:.1f}" y="19" text-anchor="middle" font-size="12" fill="#1c2126">'
            f"{'?' if days is None else days}</text>"
        )
        parts.append(_tick(to))
        x = to
    return f'<svg class="strip" viewBox="0 0 300 40" aria-hidden="true">{"".join(parts)}</svg>'


def _tick(x: float) -> str:
    return f'<path d="M{x:.1f} 20V34" stroke="#1c2126" stroke-width="2.4"/>'


# --- Trends -------------------------------------------------------------------------------------------------------


def trends_of(view: AccessView, zone: ZoneInfo) -> tuple[Trend, ...]:
    """The series of an access that are drawn, each with the lines of the rules that are named beside it."""
    from ledger.rounds.rules import load_rules
    from ledger.rounds.trends import plot_of, rules_met, series_of

    if view.is_catheter:
        return ()
    rules = load_rules()
    series = series_of(view.folded, zone)
    met = rules_met(series, rules, zone)
    found: list[Trend] = []
    for measure in SHOWN:
        one = series.get(measure)
        plot = None if one is None else plot_of(one, rules, most=MOST_READINGS)
        if plot is None or len(found) == MOST:
            continue
        about = tuple(told.words for told in met if told.rule.measure == measure)
        found.append(Trend(plot.words, "; ".join(map(_rule_words, plot.lines[:MOST_LINES])), about, _trend_svg(plot)))
    return tuple(found)


def _rule_words(line: RuleLine) -> str:
    return f"Line at {line.threshold:f}: {line.rule}{', from memory' if '(from memory)' in line.source else ''}"


def _trend_svg(plot: PlotData) -> str:
    """Readings as dots (open where day or number is not exact), rules dashed, the last intervention dotted."""
    points = [(one.day.toordinal(), float(one.number), one.exact) for one in plot.points]
    limits = [float(line.threshold) for line in plot.lines[:MOST_LINES]]
    values = [y for _, y, _ in points]
    low, high = min(values + limits), max(values + limits)
    pad = (high - low) * 0.08 or max(abs(high) * 0.1, 0.1)
    low, high = low - pad, high + pad
    first, last = min(x for x, _, _ in points), max(x for x, _, _ in points)

    def across(day: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (0.5 if last == first else (day - first) / (last - first))

    def down(value: float) -> float:
        return TOP + (HIGH - TOP - FOOT) * (1 - (value - low) / (high - low))

    parts = [f'<path d="M{LEFT} {TOP}V{HIGH - FOOT}H{WIDE - RIGHT}" fill="none" stroke="#8a939b"/>']
    said: list[float] = []
    for value in (max(values), min(values), *limits):
        if all(abs(down(value) - other) > 10 for other in said):
            said.append(down(value))
            parts.append(_words(LEFT - 4, down(value) + 3.5, _short(value), "end"))
    for limit in limits:
        y = down(limit)
        parts.append(
            f'<path d="M{LEFT} {y:.1f}H{WIDE - RIGHT}" stroke="#1c2126" stroke-width="1.2" stroke-dasharray="6 3"/>'
        )
    if plot.treated is not None and first <= plot.treated.toordinal() <= last:
        x = across(plot.treated.toordinal())
        parts.append(f'<path d="M{x:.1f} {TOP}V{HIGH - FOOT}" stroke="#545d66" stroke-dasharray="2 2"/>')
        parts.append(_words(x + 3, TOP + 7, "treated", "start") if x < WIDE - 60 else _words(x - 3, TOP + 7, "treated"))
    line = "L".join(f"{across(x):.1f} {down(y):.1f}" for x, y, _ in points)
    parts.append(f'<path d="M{line}" fill="none" stroke="#14506b" stroke-width="1.3"/>')
    size = 2.6 if len(points) < 25 else 1.6
    parts += [
        f'<circle cx="{across(x):.1f}" cy="{down(y):.1f}" r="{size}" fill="{"#14506b" if exact else "#ffffff"}" '
        f'stroke="#14506b"/>'
        for x, y, exact in points
    ]
    long = last - first > 100
    parts.append(_words(LEFT, HIGH - 3, _when(plot.points[0].day, long), "start"))
    if last != first:
        parts.append(_words(WIDE - RIGHT, HIGH - 3, _when(plot.points[-1].day, long)))
    return f'<svg class="trend" viewBox="0 0 {WIDE} {HIGH}" aria-hidden="true">{"".join(parts)}</svg>'


def _words(x: float, y: float, words: str, anchor: str = "end") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="10" text-anchor="{anchor}" fill="#1c2126">{escape(words)}</text>'


def _short(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 10 or value == int(value) else f"{value:.2f}".rstrip("0").rstrip(".")


def _when(day: date, long: bool) -> str:
    from ledger.projections.wording import day_words

    return day_words(day.isoformat()[: 7 if long else 10])
