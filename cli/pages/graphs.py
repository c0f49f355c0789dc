"""Curves over days and charts over months as SVG that stands in a page.

Numbers come from `ledger.statistics`; here they only get a place. Groups are told apart by the form of the line and by
a word at its end. Every graph has its numbers in a table beside it, so none is the only bearer of anything; pictures
for paper, made alike to the byte, are drawn by `ledger.statistics.pictures`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ledger.statistics.charts import Chart
    from ledger.statistics.patency import Patency

WIDE = 720
LEFT, RIGHT, TOP = 52, 118, 12
CURVE_HIGH, CHART_HIGH = 260, 190
ROW = 18
"""The height of a line of the numbers at risk."""

INK, QUIET, LINE = "#1c2126", "#545d66", "#c9cdd1"
DASHES = ("", "7 3", "2 3", "9 3 2 3", "1 5", "12 4")
MOST = len(DASHES)
"""So many curves at most are told apart in one graph."""


# --- Curves -------------------------------------------------------------------------------------------------------


def curves_svg(curves: Sequence[Patency], names: Sequence[str]) -> str:
    """Curves as steps with their intervals (of up to two), and the numbers at risk under the axis."""
    from ledger.statistics.tables import ticks_of

    known = [(one, name) for one, name in zip(curves, names, strict=True) if one.curve.n][:MOST]
    if not known:
        return ""
    last = max(one.curve.last_day for one, _ in known) or 1.0
    foot = CURVE_HIGH + 34
    high = foot + 16 + ROW * len(known)

    def across(day: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * day / last

    def down(share: float) -> float:
        return TOP + (CURVE_HIGH - TOP) * (1 - share)

    parts = [_line(LEFT, down(part / 4), WIDE - RIGHT, LINE) for part in range(4)]
    parts += [_text(LEFT - 6, down(part / 4) + 4, f"{25 * part}", "end") for part in range(5)]
    ticks = ticks_of(last)
    parts += [_text(across(day), CURVE_HIGH + 15, f"{day:.0f}", "middle") for day in ticks]
    parts.append(_text(0, CURVE_HIGH + 15, "days"))
    parts.append(f'<path d="M{LEFT} {TOP}V{CURVE_HIGH}H{WIDE - RIGHT}" fill="none" stroke="{INK}"/>')
    parts.append(_text(0, foot + 4, "at risk"))
    ends: list[tuple[float, str]] = []
    for place, (one, name) in enumerate(known):
        steps = _steps(one)
        if len(known) <= 2:
            parts.append(_band(steps, across, down, min(one.curve.last_day, last)))
        path = _path([(across(day), down(share)) for day, share, _, _ in steps], across(min(one.curve.last_day, last)))
        dash = f' stroke-dasharray="{DASHES[place]}"' if DASHES[place] else ""
        parts.append(f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1.8"{dash}/>')
        ends.append((down(steps[-1][1]), name))
        y = foot + 4 + ROW * (place + 1)
        parts.append(f'<path d="M0 {y - 4}h30" stroke="{INK}" stroke-width="1.8"{dash}/>')
        for day in ticks:
            x = max(across(day), 44.0)
            parts.append(_text(x, y, f"{int(one.curve.watched.at_risk(day))}", "middle"))
        parts.append(_text(WIDE - RIGHT + 12, y, _short(name)))
    parts += [_text(WIDE - RIGHT + 4, y, _short(name)) for y, name in _apart(ends)]
    return _svg("curve", high, parts)


def _steps(one: Patency) -> list[tuple[float, float, float, float]]:
    """Day, share and the limits of its interval, from the start on; for a gain, what is reached."""
    if one.definition.gains:
        found = one.incidence
        rows = [
            (day, share[0], low[0], high[0])
            for day, share, low, high in zip(found.day, found.share, found.low, found.high, strict=True)
        ]
        return [(0.0, 0.0, 0.0, 0.0), *rows]
    curve = one.curve
    return [(0.0, 1.0, 1.0, 1.0), *zip(curve.day, curve.surviving, curve.low, curve.high, strict=True)]


def _path(points: Sequence[tuple[float, float]], to: float) -> str:
    found = [f"M{points[0][0]:.1f} {points[0][1]:.1f}"]
    found += [f"H{x:.1f}V{y:.1f}" for x, y in points[1:]]
    return "".join(found) + f"H{to:.1f}"


Scale = Callable[[float], float]


def _band(steps: Sequence[tuple[float, float, float, float]], across: Scale, down: Scale, to: float) -> str:
    """The interval as a grey band; where it is not defined there is none."""
    inside = [(day, low, high) for day, _, low, high in steps if low == low and high == high]
    spans = list(zip(inside, [*(day for day, _, _ in inside[1:]), max(to, inside[-1][0])], strict=True))
    upper = "".join(f"L{across(day):.1f} {down(high):.1f}H{across(end):.1f}" for (day, _, high), end in spans)
    lower = "".join(f"L{across(end):.1f} {down(low):.1f}H{across(day):.1f}" for (day, low, _), end in reversed(spans))
    return f'<path d="M{across(0):.1f} {down(inside[0][2]):.1f}{upper}{lower}Z" fill="{INK}" fill-opacity=".09"/>'


def _apart(ends: Iterable[tuple[float, str]]) -> list[tuple[float, str]]:
    """Words at the ends of lines, moved so that none lies on another."""
    found: list[tuple[float, str]] = []
    for y, name in sorted(ends):
        found.append((max(y + 4, found[-1][0] + 13 if found else 0), name))
    return found


# --- Charts over months -------------------------------------------------------------------------------------------


def chart_svg(found: Chart) -> str:
    """A u- or p-chart: the months, the mean, the limits as dotted steps, a ring around each signal."""
    known = [(place, mark) for place, mark in enumerate(found.marks) if mark.value is not None]
    if not known or found.centre is None:
        return ""
    top = max(max(mark.value or 0, mark.high or 0) for _, mark in known) * 1.08 or 1.0
    step = (WIDE - LEFT - RIGHT) / max(1, len(found.marks))

    def across(place: int) -> float:
        return LEFT + step * (place + 0.5)

    def down(value: float) -> float:
        return TOP + (CHART_HIGH - TOP) * (1 - value / top)

    parts = [f'<path d="M{LEFT} {TOP}V{CHART_HIGH}H{WIDE - RIGHT}" fill="none" stroke="{INK}"/>']
    parts += [_text(LEFT - 6, down(value) + 4, f"{value:.3g}", "end") for value in (0.0, top / 1.08)]
    parts.append(_line(LEFT, down(found.centre), WIDE - RIGHT, INK))
    parts.append(_text(WIDE - RIGHT + 4, down(found.centre) + 4, f"mean {found.centre:.3g}"))
    for side in ("low", "high"):
        steps = [
            f"M{across(place) - step / 2:.1f} {down(getattr(mark, side) or 0):.1f}h{step:.1f}" for place, mark in known
        ]
        parts.append(f'<path d="{"".join(steps)}" fill="none" stroke="{QUIET}" stroke-dasharray="2 3"/>')
    line = "L".join(f"{across(place):.1f} {down(mark.value or 0):.1f}" for place, mark in known)
    parts.append(f'<path d="M{line}" fill="none" stroke="{INK}" stroke-width="1.3"/>')
    for place, mark in known:
        x, y = across(place), down(mark.value or 0)
        parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{INK}"/>')
        if mark.signal:
            parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="8" fill="none" stroke="{INK}" stroke-width="1.6"/>')
    every = -(-len(found.marks) // 12)
    for place, mark in enumerate(found.marks):
        if place % every == 0:
            parts.append(_text(across(place), CHART_HIGH + 15, mark.name[2:], "middle"))
    return _svg("chart", CHART_HIGH + 24, parts)


# --- Parts --------------------------------------------------------------------------------------------------------


def _svg(name: str, high: float, parts: Iterable[str]) -> str:
    return f'<svg class="{name} graph" viewBox="0 0 {WIDE} {high:.0f}" aria-hidden="true">{"".join(parts)}</svg>'


def _line(x: float, y: float, to: float, colour: str) -> str:
    return f'<path d="M{x:.1f} {y:.1f}H{to:.1f}" stroke="{colour}"/>'


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="12" text-anchor="{anchor}" fill="{INK}">{escape(words)}</text>'


def _short(words: str) -> str:
    return words if len(words) <= 18 else words[:17] + "…"
