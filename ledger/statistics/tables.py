"""Results as text: tables with their denominators, a small plot for the terminal, and CSV. Nothing here prints.

A plot in letters is for a first look; `pictures` draws the same for paper.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple

from ledger.statistics.basis import CAUTIONS
from ledger.statistics.bounds import SAID, Published, curves_published, rates_published
from ledger.statistics.definitions import Definition, Rulebook
from ledger.statistics.spells import LeftOut, Spell
from ledger.vocabulary import AccessKind, words_of

if TYPE_CHECKING:
    # Only the shapes are needed here; whoever prints a curve does not wait for rates to be loaded.
    from ledger.statistics.charts import Chart, Funnel, Mark
    from ledger.statistics.curves import Curve, Estimate, Median
    from ledger.statistics.patency import Comparison, OnDay, Patency
    from ledger.statistics.prevalence import FirstUse, Prevalence, Share
    from ledger.statistics.rates import Rate, Rates, Recurrence
    from ledger.statistics.surveillance import Surveillance

WIDTH = 100
HIDDEN = "hidden"
"""Stands for a number that is small, or beside a small one."""


def table(head: Sequence[str], rows: Iterable[Sequence[str]], *, indent: int = 0) -> list[str]:
    """Lines of a plain table: the first column to the left, the others to the right, no rules and no colour."""
    every = [list(head), *(list(row) for row in rows)]
    widths = [max(len(row[place]) for row in every) for place in range(len(head))]
    return [
        " " * indent
        + "  ".join(
            cell.ljust(width) if place == 0 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in every
    ]


# --- Patency ------------------------------------------------------------------------------------------------------


def patency_text(found: Patency, *, kind: AccessKind | None = None) -> list[str]:
    """A curve as it is read in a terminal: a small plot, the shares with numbers at risk, and what it rests on."""
    lines = [title_of(found), ""]
    if found.hide_below is None:
        lines += [*plot([(None, found.curve)], gains=found), ""]
    lines += [*table(*days_of_curve(found)), "", *sentences_of(found)]
    competing = competing_of(found)
    if competing is not None:
        lines += ["", COMPETING, *table(*competing)]
    published = curves_published(found.definition.id, kind)
    if published:
        lines += ["", *published_text(published)]
    return [*lines, "", *wrapped(found.basis.lines)]


class Rows(NamedTuple):
    """The head and the rows of a table, for whoever sets it: a terminal, a page."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


COMPETING = "Which came first, by day, in % (Aalen-Johansen):"


def days_of_curve(found: Patency) -> Rows:
    """The curve on the days asked for, with intervals, errors and numbers at risk."""
    head = ("day", f"% {found.definition.left_words}", "95 % interval", "SE %", "at risk")
    return Rows(head, tuple(_day_row(one) for one in found.horizons))


def sentences_of(found: Patency) -> list[str]:
    """The events and the median in a sentence, and the restricted mean in another where there is one."""
    said = [f"{_or_hidden(found.events)} events. {median_words(found)}"]
    if found.restricted_mean is not None and not found.definition.gains:
        mean = found.restricted_mean
        said.append(
            f"Restricted mean: {mean.days:.0f} of the first {mean.until:.0f} days ({mean.low:.0f}-{mean.high:.0f})."
        )
    return said


def title_of(found: Patency) -> str:
    group = "" if found.group is None else f", {found.group}"
    return f"{found.definition.name}{group}"


def _day_row(one: OnDay) -> tuple[str, str, str, str, str]:
    day, share, limits, at_risk = on_day_cells(one)
    if one.hidden:
        return day, share, limits, "", at_risk
    return day, share, limits, _both(one, lambda found: percent(found.se)), at_risk


def on_day_cells(one: OnDay) -> tuple[str, str, str, str]:
    """A day, the share, its interval and how many were at risk; both readings of partial dates where they differ."""
    if one.hidden:
        return f"{one.day}", HIDDEN, "", ""
    return (
        f"{one.day}",
        _both(one, lambda found: f"{found.share * 100:.1f}"),
        _both(one, _limits, " or "),
        _both(one, lambda found: f"{found.at_risk}"),
    )


def _limits(found: Estimate) -> str:
    """The interval; a dash before anything has happened, when nothing is known about the spread."""
    if found.se == 0:
        return "-"
    return "not defined" if found.low != found.low else f"{percent(found.low)}-{percent(found.high)}"


def _both(one: OnDay, says: Callable[[Estimate], str], between: str = " to ") -> str:
    """What is said of a day, once or under both readings."""
    readings = (one.shortest, one.longest)
    if one.shortest is not None and one.longest is not None and one.longest.share < one.shortest.share:
        # Mostly the longest reading gives the larger share, but not always.
        readings = (one.longest, one.shortest)
    found = [says(reading) if reading is not None else "not reached" for reading in readings]
    return found[0] if found[0] == found[1] else f"{found[0]}{between}{found[1]}"


def percent(value: float) -> str:
    return "not defined" if value != value else f"{value * 100:.1f}"


def median_words(found: Patency) -> str:
    """The median in a sentence, under both readings of partial dates if they differ."""
    if _median_is_hidden(found):
        return "Median hidden."
    said = [_median(one) for one in (found.median, found.median_longest)]
    if said[0] == said[1]:
        return f"Median {said[0]}."
    return f"Median {said[0]}, or {said[1]}, by the two readings of partial dates."


def _median_is_hidden(found: Patency) -> bool:
    if found.hide_below is None or found.median.day is not None:
        return False
    there = found.incidence.median("event") if found.definition.gains else found.curve.median
    return found.basis.is_hidden or there.day is not None


def _or_hidden(count: int | None) -> str:
    return HIDDEN if count is None else f"{count}"


def _median(one: Median) -> str:
    if one.day is None:
        return "not reached"
    low = "?" if one.low is None else f"{one.low:.0f}"
    high = "not reached" if one.high is None else f"{one.high:.0f}"
    return f"{one.day:.0f} days ({low} to {high})"


def _median_short(one: Median) -> str:
    """The same for a narrow column."""
    if one.day is None:
        return "-"
    low = "?" if one.low is None else f"{one.low:.0f}"
    return f"{one.day:.0f} ({low}-{'' if one.high is None else f'{one.high:.0f}'})"


def competing_of(found: Patency) -> Rows | None:
    """How likely each cause came first, by each day; None where nothing competes, or where it is hidden."""
    causes = found.incidence.causes
    if len(causes) < 2 or found.hide_below is not None:
        return None
    names = [
        ("reached" if found.definition.gains else "ended")
        if cause == "event"
        else found.definition.rulebook.words(cause)
        for cause in causes
    ]
    rows: list[tuple[str, ...]] = []
    for one in found.horizons:
        shares = [found.incidence.at(one.day, cause) for cause in causes]
        if any(share is None for share in shares):
            rows.append((str(one.day), *["not reached"] * (len(causes) + 1)))
            continue
        known = [share for share in shares if share is not None]
        left = 1 - sum(share.share for share in known)
        cells = [f"{percent(share.share)} ({_limits(share)})" for share in known]
        # Sums of fractions may miss nought by a hair.
        rows.append((str(one.day), *cells, percent(max(0.0, left))))
    return Rows(("day", *names, "none of these"), tuple(rows))


def comparison_text(found: Comparison) -> list[str]:
    """Groups side by side, the tests between them, and what the tests cannot know."""
    lines = [f"{found.definition.name}, by {found.by}", ""]
    if found.hide_below is None:
        lines += [*plot([(one.group, one.curve) for one in found.groups]), ""]
    lines += [*table(*groups_of(found)), ""]
    return [*lines, *wrapped([*tests_of(found), *comparison_basis(found)])]


def groups_of(found: Comparison) -> Rows:
    """A row for each group: how many, how many events, the curve on the days asked for, the median."""
    days = [one.day for one in found.groups[0].horizons] if found.groups else []
    head = (f"% {found.definition.left_words}", "n", "events", *(f"day {day}" for day in days), "median days")
    rows = [
        (
            one.group or "",
            HIDDEN if one.basis.is_hidden else str(one.basis.counted),
            _or_hidden(one.events),
            *(HIDDEN if on.hidden else _both(on, lambda reading: f"{reading.share * 100:.1f}") for on in one.horizons),
            HIDDEN if _median_is_hidden(one) else _median_short(one.median),
        )
        for one in found.groups
    ]
    return Rows(head, tuple(rows))


def tests_of(found: Comparison) -> list[str]:
    """The tests between the groups, a sentence each, and why one is not given."""
    said = [
        f"{tested.name}: chi-square {tested.statistic:.2f}, {tested.degrees} degrees of freedom, p {p_words(tested.p)}."
        for tested in (found.log_rank, found.gray)
        if tested is not None
    ]
    if found.gray_not_because:
        said.append(f"Gray's test is not given: {found.gray_not_because}.")
    return said


def comparison_basis(found: Comparison) -> list[str]:
    """What a comparison rests on, a sentence a line: what to beware of, the definition, its choices and sources."""
    said = []
    if found.hide_below is not None:
        said.append(f"Counts below {found.hide_below} are hidden, and what would give them away.")
    said += [f"Beware: {one}" for one in found.warnings]
    said += ["", f"{found.definition.name}: {found.definition.says}"]
    said += [f"Source: {source}." for source in found.definition.sources]
    return [*said, "Choices in use:", *(f"  {one.about}: {one.says}" for one in found.definition.in_use), *CAUTIONS]


def p_words(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.3f}"


def plot(curves: Sequence[tuple[str | None, Curve]], *, gains: Patency | None = None, height: int = 9) -> list[str]:
    """Curves in letters: time to the right, percent upwards. Each group has a letter of its own."""
    known = [(name, curve) for name, curve in curves if curve.n]
    if not known:
        return ["(nobody to draw)"]
    width = 72
    last = max(curve.last_day for _, curve in known) or 1.0
    grid = [[" "] * (width + 1) for _ in range(height + 1)]
    for place, (_, curve) in enumerate(known):
        letter = "·" if len(known) == 1 else chr(ord("a") + place % 26)
        for column in range(width + 1):
            day = column / width * last
            share = _height(curve, gains, day)
            if share is not None:
                grid[height - round(share * height)][column] = letter
    lines = []
    for row, cells in enumerate(grid):
        label = f"{100 * (height - row) / height:3.0f}" if row % 3 == 0 else "   "
        lines.append(f"{label} |{''.join(cells).rstrip()}")
    lines.append("    +" + "-" * (width + 1))
    line, ticks = ["-"] * (width + 1), ""
    for day in ticks_of(last):
        place = round(day / last * width)
        line[place] = "+"
        ticks = ticks.ljust(place) + f"{day:.0f}"
    lines[-1] = f"    +{''.join(line)}"
    lines.append(f"     {ticks} days")
    if len(known) > 1:
        names = ", ".join(f"{chr(ord('a') + place % 26)} {name}" for place, (name, _) in enumerate(known))
        lines.append(f"     {names}")
    return lines


def ticks_of(last: float) -> list[float]:
    """Marks at months or years up to a day, seven at most."""
    for step in (30, 90, 180, 365, 730, 1825, 3650):
        if last / step <= 6:
            return [float(day) for day in range(0, int(last) + 1, step)]
    return [0.0, last]


def _height(curve: Curve, gains: Patency | None, day: float) -> float | None:
    if gains is not None and gains.definition.gains:
        reached = gains.incidence.at(day, "event")
        return None if reached is None else reached.share
    at = curve.at(day)
    return None if at is None else at.share


def published_text(found: Iterable[Published]) -> list[str]:
    """Published numbers, under the words that say what they are not."""
    return [f"Published, {SAID}:", *wrapped([f"- {one}" for one in found])]


def spells_text(found: Iterable[Spell | LeftOut], words: Rulebook, names: Mapping[str, str] | None = None) -> list[str]:
    """Each spell with its days, its reason and the entries it rests on, for those who may see the list.

    `names` are those of entries by the ids of their roots (`P0007.12`).
    """
    rows = []
    left = []
    for one in found:
        if isinstance(one, LeftOut):
            left.append((one.patient, one.access, one.words))
            continue
        short, long = one.shortest, one.longest
        start = f"{long.start}" if short.start == long.start else f"{long.start} to {short.start}"
        end = f"{short.end}" if short.end == long.end else f"{short.end} to {long.end}"
        days = f"{short.days}" if short.days == long.days else f"{short.days} to {long.days}"
        why = (
            words.words(long.ended_by)
            if long.ended_by == short.ended_by
            else (f"{words.words(short.ended_by)}, or {words.words(long.ended_by)}")
        )
        entered = "" if long.entered == long.start else f"; watched from {long.entered}"
        why += f"{entered} [{', '.join(named(one.roots, names))}]"
        rows.append((f"{one.patient} {one.access}", start, end, days, long.outcome.value, why))
    lines = listing(("access", "from", "to", "days", "ended as", "because of [entries]"), rows, width=WIDTH)
    if left:
        lines += ["", "Left out:", *listing(("patient", "access", "because"), left)]
    return lines


def named(roots: Iterable[str], names: Mapping[str, str] | None) -> list[str]:
    """Entries by the names under which people know them, each once; by their ids where no names are given."""
    return list(dict.fromkeys((names or {}).get(root, root) for root in roots))


def listing(head: Sequence[str], rows: Iterable[Sequence[str]], *, width: int | None = None) -> list[str]:
    """Lines of a table in which everything stands to the left. With `width` the last column is broken at words."""
    import textwrap

    held = [list(row) for row in rows]
    widths = [max(len(row[place]) for row in [list(head), *held]) for place in range(len(head))]
    before = sum(widths[:-1]) + 2 * (len(head) - 1)
    room = None if width is None else max(20, width - before)
    lines = []
    for row in [list(head), *held]:
        start = "".join(cell.ljust(size + 2) for cell, size in zip(row[:-1], widths[:-1], strict=True))
        ends = [row[-1]] if room is None else textwrap.wrap(row[-1], room, break_on_hyphens=False) or [""]
        lines += [(start + ends[0]).rstrip(), *(" " * before + end for end in ends[1:])]
    return lines


# --- Rates --------------------------------------------------------------------------------------------------------


def rates_text(found: Rates | Surveillance) -> list[str]:
    """Rates with their events, their time and their intervals; and published ones beside them."""
    lines = [f"{found.basis.definition}, {found.period}", ""]
    parts = rates_by_kind(found)
    if not parts:
        return [*lines, "No time was counted.", "", *wrapped(found.basis.lines)]
    rows = []
    for title, part in parts:
        rows += [(title, "", "", "", ""), *((f"  {what}", *cells) for what, *cells in part)]
    lines += table(rates_head(found), rows)
    published = rates_published_beside(found)
    if published:
        lines += ["", *published_text(published)]
    return [*lines, "", *wrapped(found.basis.lines)]


def rates_head(found: Rates | Surveillance) -> tuple[str, ...]:
    return (f"per {per_words(found.rates[0])}", "events", "rate", "95 %, exact", "robust")


def rates_by_kind(found: Rates | Surveillance) -> list[tuple[str, list[tuple[str, ...]]]]:
    """The rates under the kind of access and its time, which they share: what, events, rate, and its intervals."""
    parts: list[tuple[str, list[tuple[str, ...]]]] = []
    for one in found.rates:
        if one.exposure > 0 or one.events_most:
            _, events, time, *rest = rate_row(one)
            title = f"{one.among}, {time}"
            if not parts or parts[-1][0] != title:
                parts.append((title, []))
            parts[-1][1].append((one.what, events, *rest))
    return parts


def rates_published_beside(found: Rates | Surveillance) -> list[Published]:
    """The published rates of what was counted here."""
    return [
        one
        for rate in found.rates
        for one in rates_published(rate.what, rate.among, per_words(rate))
        if rate.exposure > 0
    ]


def listed_text(found: Rates | Surveillance, names: Mapping[str, str] | None = None) -> list[str]:
    """Who and which entry stands behind each rate, for those who may see the list."""
    lines: list[str] = []
    for one in found.rates:
        if one.listed:
            lines += [f"{one.what}, {one.among}:"]
            lines += listing(
                ("  patient", "access", "happened", "entry"),
                [(f"  {line.patient}", line.access, line.happened, *named([line.root], names)) for line in one.listed],
            )
    return lines or ["No event stands behind these rates."]


def per_words(rate: Rate) -> str:
    """What a rate is per, in words: `1,000 catheter-days`, `access-year`."""
    return rate.unit.removesuffix("s") if rate.per == 1 else f"{rate.per:,.0f} {rate.unit}"


def rate_row(one: Rate) -> tuple[str, str, str, str, str, str]:
    if one.hidden:
        return (
            f"{one.what}, {one.among}",
            HIDDEN,
            f"{amount(one.exposure)} {one.unit}",
            "",
            "",
            "",
        )
    interval = one.interval
    events = f"{one.events}" if one.events == one.events_most else f"{one.events} to {one.events_most}"
    time = amount(one.exposure)
    if one.exposure != one.exposure_least:
        time = f"{amount(one.exposure_least)} to {time}"
    rate = number(one.rate)
    if one.dates_matter and one.rate_most is not None:
        rate = f"{rate} to {number(one.rate_most)}"
    return (
        f"{one.what}, {one.among}",
        events,
        f"{time} {one.unit}",
        rate,
        "" if interval is None else _between(*interval),
        "" if one.robust is None else _between(*one.robust),
    )


def number(value: float | None) -> str:
    """A rate with three figures: none of them is exact to more."""
    if value is None:
        return "not defined"
    return f"{value:.0f}" if value >= 100 else f"{value:.3g}"


def chart_text(found: Chart) -> list[str]:
    """A chart over months as a table: each month with its limits, and the signals."""
    return [f"{found.what} over months ({found.kind})", *table(*months_of(found)), found.says]


def months_of(found: Chart) -> Rows:
    """A row for each month of a chart, with its limits."""
    rows = tuple((*_mark_cells(mark), mark.signal or "") for mark in found.marks)
    return Rows(("month", "count", found.unit, "value", "limits", "signal"), rows)


def funnel_text(found: Funnel) -> list[str]:
    """Units beside each other, with the limits that chance draws around the mean of all."""
    rows = [(*_mark_cells(mark), _between(low, high), mark.signal or "") for mark, low, high in found.marks]
    mean = "not defined" if found.centre is None else number(found.centre)
    return [
        f"{found.what}, by unit; mean of all {mean}",
        *table(("unit", "count", found.unit, "value", "95 % limits", "99.8 % limits", "signal"), rows),
        *wrapped(["Patients of units differ; what lies beyond the limits is not chance alone, and no verdict."]),
    ]


def _mark_cells(mark: Mark) -> tuple[str, ...]:
    value = number(mark.value) if mark.value is not None else "-"
    return mark.name, f"{mark.count}", amount(mark.of), value, _between(mark.low, mark.high)


def _between(low: float | None, high: float | None) -> str:
    return "" if low is None or high is None else f"{number(low)}-{number(high)}"


def amount(value: float) -> str:
    """So much time, or so many people: with one decimal where there is one."""
    return f"{value:,.1f}".removesuffix(".0")


def recurrence_text(found: Recurrence, days: Sequence[int] = (365, 730, 1095)) -> list[str]:
    """How many interventions an access had by these days after its creation, on average."""
    rows = []
    for day in days:
        at = found.counted.at(day)
        known = () if at is None else (f"{at.share:.2f}", f"{at.low:.2f}-{at.high:.2f}", f"{at.at_risk}")
        rows.append((str(day), *(known or ("not reached", "", ""))))
    lines = ["Interventions an access had since its creation, on average (mean cumulative function)"]
    lines += table(("day", "mean number", "95 % interval, robust", "at risk"), rows)
    return [*lines, "", *wrapped(found.basis.lines)]


# --- Prevalence ---------------------------------------------------------------------------------------------------


def prevalence_text(found: Prevalence) -> list[str]:
    """Shares on a day with their denominators."""
    rows = [share_row(one) for one in found.shares]
    period = f"{found.since} to {found.day}" if found.since else f"{found.day}"
    lines = [f"{found.name}, {period}", "", *table(("", "patients", "%", "95 %, exact"), rows)]
    said = [f"{one.name}: {one.says}{f' ({one.source})' if one.source else ''}." for one in found.shares if one.says]
    if said:
        lines += ["", *wrapped(said)]
    return [*lines, "", *wrapped(found.basis.lines)]


def who_text(found: Prevalence) -> list[str]:
    """Who stands behind each share, for those who may see the list."""
    lines: list[str] = []
    for one in found.shares:
        if one.who:
            lines += [f"{one.name}:", *wrapped([f"  {', '.join(who.patient for who in one.who)}"])]
    return lines or ["Nobody stands behind these shares."]


def share_row(one: Share) -> tuple[str, str, str, str]:
    if one.hidden:
        return one.name, f"{HIDDEN} of {one.of}", "", ""
    interval = one.interval
    return (
        one.name,
        f"{one.count} of {one.of}",
        "-" if one.share is None else f"{one.share * 100:.1f}",
        "" if interval is None else f"{interval[0] * 100:.1f}-{interval[1] * 100:.1f}",
    )


def first_uses_text(found: Iterable[FirstUse]) -> list[str]:
    rows = first_needles_of(found)
    return table(*rows) if rows.rows else ["No first needle is recorded in this period."]


def first_needles_of(found: Iterable[FirstUse]) -> Rows:
    """A row for each kind of access that was needled for the first time in the period."""
    rows: list[tuple[str, ...]] = []
    for one in found:
        kind, quartiles = words_of(one.kind), one.quartiles
        if one.hidden:
            rows.append((kind, HIDDEN, "", "", ""))
        elif quartiles is None:
            rows.append((kind, str(one.count), "-", "-", str(len(one.days))))
        else:
            low, middle, high = quartiles
            rows.append((kind, str(one.count), f"{middle:.0f}", f"{low:.0f}-{high:.0f}", str(len(one.days))))
    head = ("first needle", "accesses", "days since creation, median", "middle half", "with known days")
    return Rows(head, tuple(rows))


# --- Definitions --------------------------------------------------------------------------------------------------


def definitions_text(book: Rulebook, only: str | None = None) -> list[str]:
    """The definitions with their choices and sources; one of them, or all, after a list of their names."""
    chosen = [book.definition(only)] if only is not None else list(book.definitions.values())
    lines: list[str] = []
    if only is None:
        lines += [*listing(("measure", "name"), [(one.id, one.name) for one in chosen]), ""]
    for one in chosen:
        lines += definition_text(one, full=only is not None)
        lines.append("")
    return lines


def definition_text(one: Definition, *, full: bool) -> list[str]:
    also = f" ({'; '.join(one.also_called)})" if one.also_called else ""
    lines = [f"{one.id}: {one.name}{also}{', of this site' if one.of_site else ''}"]
    lines += wrapped([f"  for {', '.join(words_of(kind) for kind in one.kinds)}; {one.says}"])
    if one.note:
        lines += wrapped([f"  {one.note}"])
    lines += wrapped([f"  source: {source}" for source in one.sources])
    if not full:
        lines += wrapped([f"  choices: {', '.join(one.choices)}"])
        return lines
    for name, value in one.choices.items():
        choice = one.rulebook.choices[name]
        lines.append(f"  {name}: {choice.about}")
        if choice.is_number:
            lines.append(f"    {value} days in use")
        for option in choice.options:
            mark = " (in use)" if option.name == value else ""
            lines += wrapped([f"    {option.name}{mark}: {option.says}"])
    return lines


# --- Text and CSV -------------------------------------------------------------------------------------------------


def wrapped(lines: Iterable[str], width: int = WIDTH) -> list[str]:
    """Long lines broken at words; what follows a break is indented below the first word."""
    import textwrap

    found: list[str] = []
    for line in lines:
        indent = len(line) - len(line.lstrip())
        found += textwrap.wrap(
            line, width, subsequent_indent=" " * (indent + 2), break_long_words=False, break_on_hyphens=False
        ) or [""]
    return found


def csv_of(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Rows as CSV (RFC 4180). A text that a spreadsheet could take for a formula gets an apostrophe before it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    for row in rows:
        writer.writerow([_cell(cell) for cell in row])
    return out.getvalue()


def _cell(cell: object) -> object:
    if cell is None or cell != cell:
        return ""
    return f"'{cell}" if isinstance(cell, str) and cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell


def curve_csv(found: Sequence[Patency]) -> str:
    """The curves row by row, both readings of partial dates, with the group; of a hidden curve the days shown."""
    head = ("definition", "group", "reading", "day", "at_risk", "events", "surviving", "se", "low", "high")
    rows: list[Sequence[object]] = []
    for one in found:
        if one.hide_below is not None:
            rows += _shown_days(one)
            continue
        readings = [("shortest", one.curve)]
        if one.curve is not one.curve_longest:
            readings.append(("longest", one.curve_longest))
        for name, curve in readings:
            rows += [
                (
                    one.definition.id,
                    one.group or "",
                    name,
                    int(step.day),
                    step.at_risk,
                    step.events,
                    step.surviving,
                    step.se,
                    step.low,
                    step.high,
                )
                for step in curve.steps
            ]
    return csv_of(head, rows)


def _shown_days(one: Patency) -> list[Sequence[object]]:
    rows: list[Sequence[object]] = []
    readings = [("shortest", one.curve)]
    if one.curve is not one.curve_longest:
        readings.append(("longest", one.curve_longest))
    for name, curve in readings:
        for on in one.horizons:
            at = None if on.hidden else curve.at(on.day)
            known: tuple[object, ...] = (None,) * 6
            if at is not None:
                known = (at.at_risk, None, at.share, at.se, at.low, at.high)
            rows.append((one.definition.id, one.group or "", name, on.day, *known))
    return rows


def rates_csv(found: Rates | Surveillance) -> str:
    head = (
        "what",
        "among",
        "events",
        "events_most",
        "exposure",
        "exposure_least",
        "unit",
        "per",
        "rate",
        "low",
        "high",
    )
    rows = []
    for one in found.rates:
        plain = one.to_json()
        rows.append([plain[name] for name in head])
    return csv_of(head, rows)


def prevalence_csv(found: Iterable[Prevalence]) -> str:
    head = ("day", "name", "count", "of", "share", "low", "high")
    rows = []
    for one in found:
        for share in one.shares:
            plain = share.to_json()
            rows.append((one.day.isoformat(), *(plain[name] for name in head[1:])))
    return csv_of(head, rows)


def spells_csv(found: Iterable[Spell], names: Mapping[str, str] | None = None) -> str:
    """One row a spell, with the entries it rests on."""
    head = (
        "patient",
        "access",
        "kind",
        "definition",
        "ordinal",
        "about",
        "group",
        "start_earliest",
        "start_latest",
        "end_earliest",
        "end_latest",
        "days_shortest",
        "days_longest",
        "entered",
        "outcome",
        "because",
        "entries",
        "notes",
    )
    rows = []
    for one in found:
        short, long = one.shortest, one.longest
        rows.append(
            (
                one.patient,
                one.access,
                one.kind.value,
                one.definition,
                one.ordinal,
                one.about or "",
                one.group or "",
                long.start,
                short.start,
                short.end,
                long.end,
                short.days,
                long.days,
                long.entered,
                long.outcome.value,
                long.ended_by,
                " ".join(named(one.roots, names)),
                " ".join(one.notes),
            )
        )
    return csv_of(head, rows)
