"""The same results as pictures for paper: curves with the numbers at risk under them, charts with their limits.

Black on white, told apart by the form of the line and by a word at its end, so that a copy and a colour-blind reader
lose nothing. A picture is made the same to the byte from the same numbers.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

from ledger.statistics.charts import Chart, Funnel
from ledger.statistics.patency import THIN, Patency, ReadingName
from ledger.statistics.tables import ticks_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Format = Literal["svg", "png", "pdf"]

_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))


def curve_picture(found: Sequence[Patency], form: Format = "svg", *, title: str | None = None) -> bytes:
    """Curves with their intervals, marks for the censored, and the numbers at risk under the axis.

    For what is reached rather than lost it draws the cumulative incidence. Where dates are partial, a thin line shows
    the other reading. Beyond a standard error of 10 % the line goes on thinner.
    """
    return saved(curve_figure(found, title=title), form)


def curve_figure(found: Sequence[Patency], *, title: str | None = None) -> Figure:
    figure = _figure(7.2, 4.2 + 0.22 * max(1, len(found)))
    axes = figure.add_axes((0.12, 0.26 + 0.03 * max(1, len(found)), 0.78, 0.62 - 0.03 * max(1, len(found))))
    known = [one for one in found if one.curve.n]
    gains = bool(known) and known[0].definition.gains
    last = max((one.curve.last_day for one in known), default=1.0) or 1.0
    for place, one in enumerate(known):
        style = _LINES[place % len(_LINES)]
        days, heights, low, high = _steps(one, "shortest", last)
        firm = _firm(one, len(days))
        for part, width in ((slice(0, firm), 1.4), (slice(max(0, firm - 1), None), 0.6)):
            axes.plot(
                days[part], heights[part], color="black", linestyle=style, linewidth=width, drawstyle="steps-post"
            )
        if len(known) <= 2:
            axes.fill_between(days, low, high, step="post", color="black", alpha=0.10, linewidth=0)
        if one.curve is not one.curve_longest:
            days, heights, _, _ = _steps(one, "longest", last)
            axes.plot(days, heights, color="black", linestyle=style, linewidth=0.5, drawstyle="steps-post")
        if not gains:
            censored = [day for day in one.curve.censored_on if (at := one.curve.at(float(day))) and at.share > 0]
            at_days = [one.curve.at(float(day)) for day in censored]
            axes.plot(
                censored,
                [100 * at.share for at in at_days if at],
                linestyle="",
                marker="|",
                color="black",
                markersize=4,
            )
        axes.annotate(
            one.group or "", (days[-1], heights[-1]), xytext=(4, 0), textcoords="offset points", fontsize=8, va="center"
        )
    axes.set_ylim(0, 102)
    axes.set_xlim(0, last)
    axes.set_xticks(ticks_of(last))
    axes.set_xlabel("days")
    axes.set_ylabel(f"% {known[0].definition.left_words}" if known else "%")
    axes.set_title(title or (known[0].definition.name if known else "Nobody to draw"), fontsize=10, loc="left")
    _plain(axes)
    _risk_table(figure, axes, known, last)
    return figure


def _steps(
    one: Patency, reading: ReadingName, last: float
) -> tuple[list[float], list[float], list[float], list[float]]:
    curve = one.curve if reading == "shortest" else one.curve_longest
    if one.definition.gains:
        incidence = one.incidence if reading == "shortest" else one.incidence_longest
        rows = [
            (day, share[0], low[0], high[0])
            for day, share, low, high in zip(incidence.day, incidence.share, incidence.low, incidence.high, strict=True)
        ]
        first = (0.0, 0.0, 0.0, 0.0)
    else:
        rows = list(zip(curve.day, curve.surviving, curve.low, curve.high, strict=True))
        first = (0.0, 1.0, 1.0, 1.0)
    held = [first, *((float(day), float(share), float(low), float(high)) for day, share, low, high in rows)]
    held.append((min(curve.last_day, last), *held[-1][1:]))
    days, heights, lows, highs = zip(*held, strict=True)
    return (list(days), *([100 * value for value in column] for column in (heights, lows, highs)))  # type: ignore[return-value]


def _firm(one: Patency, rows: int) -> int:
    """How many rows of a drawn curve stand before its standard error first exceeds 10 %; all where it never does."""
    errors = one.incidence.se[:, 0] if one.definition.gains else one.curve.se
    thin = [place for place, se in enumerate(errors) if se > THIN]
    return thin[0] + 2 if thin else rows


def _risk_table(figure: Figure, axes: Any, known: Sequence[Patency], last: float) -> None:
    """The numbers at risk under the ticks, one line a group."""
    box = axes.get_position()
    bottom = box.y0 - 0.16
    figure.text(0.02, bottom + 0.035, "at risk", fontsize=8)
    for place, one in enumerate(known):
        y = bottom - 0.035 * place
        figure.text(0.02, y, (one.group or "")[:14], fontsize=7)
        for tick in ticks_of(last):
            at_risk = int(one.curve.watched.at_risk(tick))
            figure.text(box.x0 + box.width * tick / last, y, f"{at_risk}", fontsize=7, ha="center")
    if known:
        figure.text(
            0.02,
            0.01,
            f"{known[0].definition.name}; {sum(one.basis.counted for one in known)} {known[0].basis.unit}; "
            f"95 % intervals ({known[0].curve.interval}); choices and who is left out stand in the text.",
            fontsize=6,
        )


def chart_picture(found: Chart, form: Format = "svg") -> bytes:
    """A u- or p-chart: the months, the mean, the limits as steps, a ring around each signal."""
    return saved(chart_figure(found), form)


def chart_figure(found: Chart) -> Figure:
    figure = _figure(7.2, 3.0)
    axes = figure.add_axes((0.12, 0.26, 0.82, 0.60))
    places = list(range(len(found.marks)))
    known = [(place, mark) for place, mark in zip(places, found.marks, strict=True) if mark.value is not None]
    axes.plot([place for place, _ in known], [mark.value or 0 for _, mark in known], "k.-", linewidth=0.8)
    for side in ("low", "high"):
        heights = [getattr(mark, side) if mark.value is not None else float("nan") for mark in found.marks]
        axes.step(places, heights, where="mid", color="black", linestyle=":", linewidth=0.8)
    if found.centre is not None:
        axes.axhline(found.centre, color="black", linewidth=0.6)
        axes.annotate("mean", (1.0, found.centre), xycoords=("axes fraction", "data"), fontsize=7, va="center")
    signals = [(place, mark) for place, mark in known if mark.signal]
    axes.plot(
        [place for place, _ in signals],
        [mark.value or 0 for _, mark in signals],
        linestyle="",
        marker="o",
        markerfacecolor="none",
        markeredgecolor="black",
        markersize=10,
    )
    axes.set_xticks(places)
    axes.set_xticklabels([mark.name for mark in found.marks], rotation=60, fontsize=7, ha="right")
    axes.set_ylim(bottom=0)
    axes.set_title(f"{found.what} (dotted: limits of chance; ring: signal)", fontsize=9, loc="left")
    _plain(axes)
    return figure


def funnel_picture(found: Funnel, form: Format = "svg") -> bytes:
    """Units beside each other against the limits of chance around the mean of all."""
    figure = _figure(6.0, 4.0)
    axes = figure.add_axes((0.14, 0.14, 0.80, 0.74))
    marks = [row for row in sorted(found.marks, key=lambda row: row[0].of) if row[0].value is not None]
    sizes = [mark.of for mark, _, _ in marks]
    axes.plot(sizes, [mark.value or 0 for mark, _, _ in marks], "ko", markersize=4)
    for mark, _, _ in marks:
        axes.annotate(mark.name, (mark.of, mark.value or 0), xytext=(4, 4), textcoords="offset points", fontsize=7)
    for style, heights in (
        ("--", [mark.low for mark, _, _ in marks]),
        ("--", [mark.high for mark, _, _ in marks]),
        (":", [low for _, low, _ in marks]),
        (":", [high for _, _, high in marks]),
    ):
        drawn = [float("nan") if height is None else height for height in heights]
        axes.plot(sizes, drawn, color="black", linestyle=style, linewidth=0.8)
    if found.centre is not None:
        axes.axhline(found.centre, color="black", linewidth=0.6)
    axes.set_xlabel(found.unit)
    axes.set_ylabel(f"per {found.per:g} {found.unit}")
    axes.set_title(f"{found.what} (dashed: 95 %, dotted: 99.8 %)", fontsize=9, loc="left")
    _plain(axes)
    return saved(figure, form)


def saved(figure: Figure, form: Format) -> bytes:
    """A figure as bytes. No date and no random ids, so that the same numbers give the same bytes."""
    import matplotlib as mpl

    out = io.BytesIO()
    metadata = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}[form]
    with mpl.rc_context({"svg.hashsalt": "access-ledger", "svg.fonttype": "none"}):
        figure.savefig(out, format=form, dpi=150, metadata=metadata)
    return out.getvalue()


def _figure(width: float, height: float) -> Figure:
    from matplotlib.figure import Figure

    # The figure is made without pyplot: no window, no global state, no figure left open.
    return Figure(figsize=(width, height))


def _plain(axes: Any) -> None:
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(labelsize=8)
