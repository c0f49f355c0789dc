"""Numbers: the statistics of a unit on pages, with their graphs, their tables, and the definitions in use.

The numbers are those of the commands `prevalence`, `rates`, `patency` and `quality-report`, by the same functions; a
page narrows them to a unit, a month and a kind of access. Whoever is bound to units gets the numbers of those units and
of no other; nobody is named here, so no look is noted. Lists of who stands behind a number are for the commands, which
note the look.

Every part of a page is a `Part`; a page is parts under each other. To show another statistic, give it its parts, and
its line in `FILES` where it can be downloaded.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page
from ledger.vocabulary import AccessKind, words_of

if TYPE_CHECKING:
    from ledger.people import Unit
    from ledger.statistics.charts import Chart
    from ledger.statistics.counting import PrevalenceOfAll
    from ledger.statistics.definitions import Rulebook
    from ledger.statistics.patency import Comparison, Patency
    from ledger.statistics.presence import Period, Population
    from ledger.statistics.prevalence import Prevalence
    from ledger.statistics.rates import Rates
    from ledger.statistics.surveillance import Surveillance
    from ledger.statistics.tables import Rows

ALL = "all"
"""How the address says that every unit is meant; only for whoever is bound to none."""

MONTHS = 12
"""Over how many months, the one asked for included, rates and charts look back."""

HIDE = (5, 11)
"""Below which counts may be hidden, for what leaves the unit."""

RATES = {
    "infections": "Infections of catheters",
    "dialysis-events": "Dialysis events",
    "accesses": "Thrombosis, interventions, losses",
    "peritoneal": "Infections of peritoneal catheters",
}

TABS = (
    ("/numbers", "Access in use"),
    ("/numbers/rates", "Rates"),
    ("/numbers/patency", "Patency"),
    ("/numbers/definitions", "Definitions"),
)


@dataclass(frozen=True)
class Shown:
    """One table. `parts` are bodies under a heading of their own; where there is one without, its heading is blank."""

    caption: str
    head: Sequence[str]
    parts: Sequence[tuple[str, Sequence[Sequence[str]]]]
    is_folded: bool = False
    """Shown when asked for: a graph beside it says the same."""


@dataclass(frozen=True)
class Part:
    """One statistic on a page: sentences, its graph with what that says, tables, what others published, its basis."""

    title: str
    says: Sequence[str] = ()
    graph: str = ""
    graph_says: str = ""
    tables: Sequence[Shown] = ()
    published: Sequence[str] = ()
    basis: Sequence[str] = ()
    files: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True)
class Wanted:
    """What somebody asks for, within what they may see. `unit` is None where every unit is meant."""

    unit: str | None
    units: Sequence[Unit]
    may_all: bool
    month: Period
    kind: AccessKind | None
    hide: int | None
    query: Mapping[str, str] = field(default_factory=dict)

    @property
    def unit_words(self) -> str:
        return next((one.name for one in self.units if one.id == self.unit), "every unit")

    def address(self, path: str, **more: str) -> str:
        """A path with what is asked for now, and something more."""
        kept = {name: value for name, value in {**self.query, **more}.items() if value}
        return path + ("?" + urlencode(kept) if kept else "")


# --- Pages --------------------------------------------------------------------------------------------------------


def numbers(asked: Asked) -> Response:
    """Through what the patients dialyse, catheters that stayed, how dialysis began, first needles."""
    wanted = _wanted(asked)
    found = _prevalence(asked, wanted)
    files = [("CSV", wanted.address("/numbers/file/prevalence.csv"))]
    if wanted.hide is None:
        files.append(("SVG", wanted.address("/numbers/file/prevalence.svg")))
        files.append(("The report of this month for the quality meeting (PDF)", _report_address(wanted)))
    parts = [_part_of_shares(one) for one in found.shares]
    if wanted.hide is None:
        parts[0] = _with_chart(parts[0], found.chart)
    parts[0] = _with_files(parts[0], files)
    parts.append(_part_of_first_needles(found.first_uses))
    return _page(asked, wanted, "/numbers", parts)


def rates(asked: Asked) -> Response:
    """Rates over the twelve months up to the one asked for, with exact intervals, and charts over those months."""
    wanted = _wanted(asked)
    chosen = _one_of(asked.query("what"), RATES)
    parts = []
    for name, found, chart in _rates(asked, wanted, [chosen] if chosen else list(RATES)):
        part = _part_of_rates(RATES[name], found, wanted)
        if chart is not None:
            part = _with_chart(part, chart)
        files = [("CSV", wanted.address("/numbers/file/rates.csv", what=name))]
        if chart is not None:
            files.append(("SVG", wanted.address("/numbers/file/rates.svg", what=name)))
        parts.append(_with_files(part, files))
    return _page(asked, wanted, "/numbers/rates", parts, what=chosen)


def patency(asked: Asked) -> Response:
    """Curves by a named definition, or the three usual ones; groups side by side where a comparison is asked for."""
    from ledger.statistics.groups import GROUPINGS

    wanted = _wanted(asked)
    book = _book()
    measure = _one_of(asked.query("measure"), book.definitions)
    by = _one_of(asked.query("compare"), GROUPINGS)
    parts = []
    for found in _curves(asked, wanted, book, measure, by):
        address = {"measure": found.definition.id, "compare": by}
        files = [("CSV", wanted.address("/numbers/file/patency.csv", **address))]
        if wanted.hide is None:
            files.append(("SVG", wanted.address("/numbers/file/patency.svg", **address)))
        parts.append(_with_files(_part_of_curves(found, wanted), files))
    return _page(asked, wanted, "/numbers/patency", parts, measure=measure, compare=by, book=book, groupings=GROUPINGS)


def definitions(asked: Asked) -> Response:
    """Every measure: from what on, ended by what, censored by what; the choices in use, and the sources."""
    book = _book()
    parts = []
    for one in book.definitions.values():
        said = [f"For {', '.join(words_of(kind) for kind in one.kinds)}; {one.says}", *filter(None, [one.note])]
        choices = [(choice.about, choice.says, "" if choice.is_default else "changed") for choice in one.in_use]
        table = Shown("Choices in use", ("choice", "in use", ""), [("", choices)])
        basis = [f"Source: {source}." for source in one.sources]
        parts.append(Part(f"{one.name} ({one.id})", said, tables=[table] if choices else (), basis=basis))
    return _page(asked, _wanted(asked), "/numbers/definitions", parts)


def file(asked: Asked) -> Response:
    """One statistic as a file: numbers as CSV, a picture as SVG, the month's report as PDF."""
    from ledger.errors import NotFound

    name = asked.path("name")
    make = FILES.get(name)
    if make is None:
        raise NotFound("There is no such file of numbers.", "Take one of those that the pages of Numbers name.")
    wanted = _wanted(asked)
    held = make(asked, wanted)
    kind = {"csv": "text/csv; charset=utf-8", "svg": "image/svg+xml", "pdf": "application/pdf"}[name.rpartition(".")[2]]
    stem, _, ending = name.rpartition(".")
    called = f"{stem}-{wanted.unit or 'every-unit'}-{wanted.month.first:%Y-%m}.{ending}"
    return Response(held, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{called}"'})


# --- What is asked for --------------------------------------------------------------------------------------------


def _wanted(asked: Asked) -> Wanted:
    """The unit, the month, the kind and the limit of the address. Raises NotFound, WrongInput.

    Without a unit it is every unit for whoever is bound to none, and else the first of theirs.
    """
    from cli.count import month_named
    from ledger.errors import NotFound

    units = [one for one in asked.ledger.who.units() if asked.who.sees_unit(one.id)]
    may_all = not asked.who.units
    named = asked.query("unit")
    known = {one.id for one in units}
    if named in known:
        unit: str | None = named
    elif named in ("", ALL) and may_all:
        unit = None
    elif not named and units:
        unit = units[0].id
    else:
        raise NotFound("There is no such unit that you may see.", "Choose one from the list.")
    month = month_named(asked.query("month") or None, asked.today())
    kind = _one_of(asked.query("kind"), [one.value for one in AccessKind])
    hide = _one_of(asked.query("hide"), [str(one) for one in HIDE])
    query = {
        "unit": unit or ALL,
        "month": f"{month.first:%Y-%m}",
        "kind": kind,
        "hide": hide,
    }
    return Wanted(unit, units, may_all, month, AccessKind(kind) if kind else None, int(hide) if hide else None, query)


def _one_of(said: str, known: Iterable[str]) -> str:
    """What was said, if it is one of these; nothing where nothing was. Raises WrongInput."""
    from ledger.errors import WrongInput

    if said and said not in known:
        raise WrongInput("The address asks for something that is not counted here.", "Choose from the lists.")
    return said


def _book() -> Rulebook:
    from cli.count import book_of

    own = os.environ.get("ACCESS_LEDGER_DEFINITIONS")
    return book_of(Path(own) if own else None)


# --- Counting -----------------------------------------------------------------------------------------------------


def _population(asked: Asked) -> Population:
    from cli.count import read
    from ledger.statistics.presence import population_of

    histories, people = read(asked.ledger, None, None)
    return population_of(histories, _book(), people)


def _prevalence(asked: Asked, wanted: Wanted) -> PrevalenceOfAll:
    from ledger.statistics.counting import prevalence_of
    from ledger.statistics.hiding import all_without_small_cells

    people = {one.id: one for one in asked.ledger.who.patients()}
    made = prevalence_of(_population(asked), wanted.month, MONTHS, {}, people=people, unit=wanted.unit)
    return made if wanted.hide is None else all_without_small_cells(made, wanted.hide)


def _rates(asked: Asked, wanted: Wanted, names: Sequence[str]) -> list[tuple[str, Rates | Surveillance, Chart | None]]:
    from ledger.statistics.counting import charts_of, rates_of
    from ledger.statistics.hiding import hide_rates
    from ledger.statistics.presence import months_until

    population = _population(asked)
    year = months_until(wanted.month, MONTHS)
    found: list[tuple[str, Rates | Surveillance, Chart | None]] = []
    for name in names:
        (made,) = rates_of(population, year, [name], {}, unit=wanted.unit)
        if wanted.hide is not None:
            # A chart over months holds counts of single months, which are smaller still.
            found.append((name, hide_rates(made, wanted.hide), None))
            continue
        charts = charts_of(population, year, [name], {}, unit=wanted.unit)
        found.append((name, made, charts[0] if charts else None))
    return found


def _curves(asked: Asked, wanted: Wanted, book: Rulebook, measure: str, by: str) -> list[Patency | Comparison]:
    """Spells up to the end of the month that was asked for, as known today."""
    from cli.count import USUAL, hidden_below, label_for, read
    from ledger.statistics.moments import lives_of
    from ledger.statistics.patency import compare, patency_of
    from ledger.statistics.spells import spells_among

    histories, people = read(asked.ledger, wanted.unit, None)
    lives = [life for history in histories for life in lives_of(history, book)]
    cut = min(wanted.month.last, asked.today())
    label = label_for(by, people, asked.ledger) if by else None
    kinds = frozenset((wanted.kind,)) if wanted.kind else None
    found: list[Patency | Comparison] = []
    for name in (measure,) if measure else USUAL:
        spells = spells_among(lives, book.definition(name), cut, kinds=kinds, label=label)
        made: Patency | Comparison = compare(spells, by) if by else patency_of(spells)
        found.append(hidden_below(made, wanted.hide) if wanted.hide is not None else made)
    return found


# --- Parts --------------------------------------------------------------------------------------------------------


def _table(caption: str, rows: Rows) -> Shown:
    return Shown(caption, rows.head, [("", rows.rows)])


def _part_of_shares(found: Prevalence) -> Part:
    from ledger.statistics.tables import share_row

    period = f"{found.since} to {found.day}" if found.since else f"{found.day}"
    said = [f"{one.name}: {one.says}{f' ({one.source})' if one.source else ''}." for one in found.shares if one.says]
    table = Shown(
        f"{found.name}, {period}",
        ("", "patients", "%", "95 % interval, exact"),
        [("", [share_row(one) for one in found.shares])],
    )
    return Part(found.name, tables=[table], basis=[*said, *found.basis.lines])


def _part_of_first_needles(found: Any) -> Part:
    from ledger.statistics.tables import first_needles_of

    rows = first_needles_of(found)
    said = () if rows.rows else ("No first needle is recorded in these twelve months.",)
    return Part("First needles", said, tables=[_table("First needles in the twelve months", rows)] if rows.rows else ())


def _part_of_rates(title: str, found: Rates | Surveillance, wanted: Wanted) -> Part:
    from ledger.statistics.tables import rates_by_kind, rates_head, rates_published_beside

    parts = rates_by_kind(found)
    if wanted.kind is not None:
        parts = [(name, rows) for name, rows in parts if name.split(", ")[0] == words_of(wanted.kind)]
    said = [] if parts else ["No time of such an access was counted."]
    return Part(
        title,
        said,
        tables=[Shown(f"{found.basis.definition}, {found.period}", rates_head(found), parts)] if parts else (),
        published=[str(one) for one in rates_published_beside(found)],
        basis=found.basis.lines,
    )


def _part_of_curves(found: Patency | Comparison, wanted: Wanted) -> Part:
    from cli.pages.graphs import MOST, curves_svg
    from ledger.statistics import tables
    from ledger.statistics.bounds import curves_published
    from ledger.statistics.patency import Comparison

    definition = found.definition
    published = [str(one) for one in curves_published(definition.id, wanted.kind)]
    graph_says = f"{definition.name}: % {definition.left_words}, by days; the table says the same."
    if isinstance(found, Comparison):
        names = [one.group or "" for one in found.groups]
        if len(names) > MOST:
            graph_says += f" The first {MOST} of {len(names)} groups are drawn."
        return Part(
            f"{definition.name}, by {found.by}",
            tables.tests_of(found),
            "" if wanted.hide else curves_svg(found.groups, names),
            graph_says,
            [_table("Groups on these days", tables.groups_of(found))],
            published,
            [line for line in tables.comparison_basis(found) if line],
        )
    made = [_table("On these days", tables.days_of_curve(found))]
    competing = tables.competing_of(found)
    if competing is not None:
        made.append(_table(tables.COMPETING.rstrip(":"), competing))
    return Part(
        definition.name,
        tables.sentences_of(found),
        "" if wanted.hide else curves_svg([found], [""]),
        graph_says,
        made,
        published,
        found.basis.lines,
    )


def _with_chart(part: Part, chart: Chart) -> Part:
    from dataclasses import replace

    from cli.pages.graphs import chart_svg
    from ledger.statistics.tables import months_of

    said = f"{chart.what}, by month; dotted: the limits of chance; a ring: a signal. {chart.says}"
    table = replace(_table(f"{chart.what}, by month", months_of(chart)), is_folded=True)
    return replace(part, graph=chart_svg(chart), graph_says=said, tables=[*part.tables, table])


def _with_files(part: Part, files: Sequence[tuple[str, str]]) -> Part:
    from dataclasses import replace

    return replace(part, files=files)


def _report_address(wanted: Wanted) -> str:
    return wanted.address("/numbers/file/report.pdf")


def _page(asked: Asked, wanted: Wanted, path: str, parts: Sequence[Part], **more: Any) -> Response:
    from ledger.statistics.basis import CAUTIONS
    from ledger.statistics.bounds import SAID

    shown = {"what": "", "measure": "", "compare": "", "book": None, "groupings": (), **more}
    return asked.page(
        "numbers.html",
        wanted=wanted,
        path=path,
        tabs=[(wanted.address(to), name, to == path) for to, name in TABS],
        parts=parts,
        kinds=[(kind.value, words_of(kind)) for kind in AccessKind],
        hides=HIDE,
        all_units=ALL,
        whats=RATES,
        said=SAID,
        cautions=CAUTIONS,
        **shown,
    )


# --- Files --------------------------------------------------------------------------------------------------------


def _prevalence_csv(asked: Asked, wanted: Wanted) -> str:
    from ledger.statistics.tables import prevalence_csv

    found = _prevalence(asked, wanted)
    return prevalence_csv([*found.shares, *(one for _, one in found.over_months)])


def _prevalence_svg(asked: Asked, wanted: Wanted) -> bytes:
    from ledger.statistics.pictures import chart_picture

    _nothing_hidden(wanted)
    return chart_picture(_prevalence(asked, wanted).chart)


def _rates_csv(asked: Asked, wanted: Wanted) -> str:
    from ledger.statistics.tables import rates_csv

    (found,) = _rates(asked, wanted, [_what(asked)])
    return rates_csv(found[1])


def _rates_svg(asked: Asked, wanted: Wanted) -> bytes:
    from ledger.errors import NotFound
    from ledger.statistics.pictures import chart_picture

    _nothing_hidden(wanted)
    ((_, _, chart),) = _rates(asked, wanted, [_what(asked)])
    if chart is None:
        raise NotFound("There is no chart over months of that.", "Take the table as CSV.")
    return chart_picture(chart)


def _what(asked: Asked) -> str:
    return _one_of(asked.query("what"), RATES) or next(iter(RATES))


def _patency_csv(asked: Asked, wanted: Wanted) -> str:
    from ledger.statistics.tables import curve_csv

    return curve_csv([curve for found in _asked_curves(asked, wanted) for curve in _each(found)])


def _patency_svg(asked: Asked, wanted: Wanted) -> bytes:
    from ledger.statistics.pictures import curve_picture

    _nothing_hidden(wanted)
    found = _asked_curves(asked, wanted)[0]
    return curve_picture(list(_each(found)), title=found.definition.name)


def _asked_curves(asked: Asked, wanted: Wanted) -> list[Patency | Comparison]:
    from ledger.statistics.groups import GROUPINGS

    book = _book()
    measure = _one_of(asked.query("measure"), book.definitions)
    return _curves(asked, wanted, book, measure, _one_of(asked.query("compare"), GROUPINGS))


def _each(found: Patency | Comparison) -> Sequence[Patency]:
    from ledger.statistics.patency import Comparison

    return found.groups if isinstance(found, Comparison) else (found,)


def _nothing_hidden(wanted: Wanted) -> None:
    """A picture shows every step and every month. Raises WrongInput."""
    from ledger.errors import WrongInput

    if wanted.hide is not None:
        raise WrongInput("A picture shows every count.", "Take the table as CSV, or show all counts.")


def _report_pdf(asked: Asked, wanted: Wanted) -> bytes:
    from ledger.errors import WrongInput
    from ledger.statistics.report import pdf_of, quality_report

    if wanted.unit is None:
        raise WrongInput("The report for the quality meeting is that of one unit.", "Choose a unit first.")
    people = {one.id: one for one in asked.ledger.who.patients()}
    report = quality_report(
        _population(asked),
        wanted.unit,
        wanted.month,
        unit_name=wanted.unit_words,
        people=people,
        hide_below=wanted.hide,
        of_unit=wanted.unit,
    )
    return pdf_of(report)


FILES: dict[str, Callable[[Asked, Wanted], str | bytes]] = {
    "prevalence.csv": _prevalence_csv,
    "prevalence.svg": _prevalence_svg,
    "rates.csv": _rates_csv,
    "rates.svg": _rates_svg,
    "patency.csv": _patency_csv,
    "patency.svg": _patency_svg,
    "report.pdf": _report_pdf,
}
"""What can be downloaded, by name."""


PAGES = (
    Page("/numbers", numbers, Right.LOOK, menu="Numbers", examples=("/numbers?hide=5",)),
    Page("/numbers/rates", rates, Right.LOOK, examples=("/numbers/rates?what=accesses&kind=graft",)),
    Page("/numbers/patency", patency, Right.LOOK, examples=("/numbers/patency?measure=primary-patency&compare=kind",)),
    Page("/numbers/definitions", definitions, Right.LOOK),
    Page("/numbers/file/{name}", file, Right.LOOK, examples=("/numbers/file/patency.csv",)),
)
