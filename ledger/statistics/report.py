"""The report for the unit's monthly quality meeting: what it says, and how it is written as HTML, PDF and CSV.

`quality_report` gives the content as values: sections with sentences, tables and pictures; an appendix with the
definition and the basis of every number; and, if asked for, the list behind each number for those who may see it.
Writing it down is done by `html_of`, `pdf_of` and `csv_files_of`; neither knows anything about medicine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from functools import partial
from importlib import resources
from typing import TYPE_CHECKING, Any, ClassVar

from ledger.people import Patient
from ledger.statistics import hiding, pictures, tables
from ledger.statistics.basis import CAUTIONS
from ledger.statistics.bounds import SAID, Published, curves_published, rates_published
from ledger.statistics.charts import Chart, u_chart
from ledger.statistics.counting import catheters_chart, picked
from ledger.statistics.patency import Patency, patency_of
from ledger.statistics.presence import Period, Population, months_until
from ledger.statistics.prevalence import (
    FirstNeedle,
    FirstUse,
    Prevalence,
    Who,
    first_uses,
    long_term_catheters,
    over_months,
    started_dialysis_with,
)
from ledger.statistics.rates import (
    ANY,
    BOTH,
    EVERY_ACCESS,
    WATCHED_BY,
    Listed,
    Rate,
    Rates,
    Recurrence,
    access_events,
    catheter_infections,
    peritoneal_infections,
    recurrent_interventions,
)
from ledger.statistics.spells import LeftOut as SpellLeftOut
from ledger.statistics.spells import Spell, Spells, spells_of_lives
from ledger.statistics.surveillance import ALL, CULTURES, Surveillance, dialysis_events
from ledger.vocabulary import AccessKind, words_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MONTHS = 12
"""Over how many months, this one included, the report looks back."""

PATENCIES = ("primary-patency", "assisted-primary-patency", "secondary-patency", "functional-secondary-patency")


@dataclass(frozen=True)
class Table:
    """A table of the report: a name for its file, a caption that says the denominator, a head and rows of text."""

    name: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Picture:
    """A picture that is drawn when it is needed. `says` tells in words what it shows, for whoever cannot see it."""

    name: str
    says: str
    figure: Callable[[], Figure]


@dataclass(frozen=True)
class Behind:
    """The list behind one number: who, which access, what, and the names of the entries."""

    title: str
    rows: tuple[tuple[str, str, str, str], ...]

    HEAD: ClassVar = ("patient", "access", "what", "entries")


@dataclass(frozen=True)
class Section:
    """One question of the meeting, answered."""

    title: str
    sentences: tuple[str, ...]
    tables: tuple[Table, ...] = ()
    pictures: tuple[Picture, ...] = ()
    published: tuple[str, ...] = ()
    behind: tuple[Behind, ...] = ()


@dataclass(frozen=True)
class QualityReport:
    """The whole report. `appendix` holds, by title, the definition and basis of every number."""

    unit: str
    month: Period
    months: int
    sections: tuple[Section, ...]
    appendix: tuple[tuple[str, tuple[str, ...]], ...]
    with_lists: bool
    hide_below: int | None
    invented: bool
    results: tuple[Any, ...]

    @property
    def title(self) -> str:
        return f"Vascular access, {self.unit}, {self.month.first:%B %Y}"

    def to_json(self) -> dict[str, Any]:
        """Plain values: the results with their bases, without lists of patients."""
        return {
            "unit": self.unit,
            "month": {"first": self.month.first.isoformat(), "last": self.month.last.isoformat()},
            "months": self.months,
            "hide_below": self.hide_below,
            "invented": self.invented,
            "results": [one.to_json() for one in self.results],
            "cautions": list(CAUTIONS),
        }


def quality_report(
    population: Population,
    unit: str,
    month: Period,
    *,
    unit_name: str | None = None,
    people: Mapping[str, Patient] | None = None,
    chosen: Mapping[str, str] | None = None,
    months: int = MONTHS,
    names: Mapping[str, str] | None = None,
    with_lists: bool = False,
    hide_below: int | None = None,
    of_unit: str | None = None,
) -> QualityReport:
    """The report of a unit for a month, with the twelve months up to it.

    `chosen` are choices for every measure that makes them. `of_unit` is for a population that holds patients of several
    units: rates and shares then count only time in that unit's care, and curves the accesses of whoever has been in it;
    without it all patients of the population count. `names` are those of entries by the ids of their roots, for the
    lists. With `hide_below` small counts are hidden (`hiding`), and nothing is shown month by month, since a month's
    counts are smaller still; then there are no lists.
    """
    assert not (with_lists and hide_below), "a report that hides small counts lists nobody"
    known = people or {}
    year = months_until(month, months)
    period = Period(year[0].first, month.last)
    pick = partial(picked, chosen or {})
    in_use = over_months(population, year, pick(("use-known-for",)), unit=of_unit)
    long = long_term_catheters(population, month, pick(("use-known-for",)), people=known, unit=of_unit)
    started = started_dialysis_with(population, period, unit=of_unit)
    needled = first_uses(population, period, unit=of_unit)
    line_choices = pick(("removal-day", "two-catheters", "same-infection-days"))
    infections = catheter_infections(population, period, line_choices, unit=of_unit)
    infections_by_month = [catheter_infections(population, one, line_choices, unit=of_unit) for one in year]
    peritoneal = peritoneal_infections(population, period, unit=of_unit)
    events = dialysis_events(population, year, pick(("twenty-one-days", "on-the-list", "working-days")), unit=of_unit)
    events_by_month = [
        dialysis_events(population, [one], pick(("twenty-one-days", "on-the-list", "working-days")), unit=of_unit)
        for one in year
    ]
    accesses = access_events(population, period, pick(_made_by(population, WATCHED_BY)), unit=of_unit)
    recurrence = recurrent_interventions(
        population, month.last, pick(_made_by(population, "secondary-patency")), unit=of_unit
    )
    followed = population.cared_for_by(of_unit, month.last)
    curves = [
        (kind, [_patency(followed, name, kind, month.last, pick) for name in PATENCIES])
        for kind in (AccessKind.FISTULA, AccessKind.GRAFT)
    ]
    reached = [
        _patency(followed, name, kind, month.last, pick)
        for name in ("time-to-first-cannulation", "primary-failure")
        for kind in (AccessKind.FISTULA, AccessKind.GRAFT)
    ]
    reached.append(_patency(followed, "catheter-survival", AccessKind.TUNNELLED, month.last, pick))
    latest = in_use[-1][1]
    charts: tuple[Chart | None, Chart | None, Chart | None] = (None, None, None)
    if hide_below is None:
        charts = (catheters_chart(in_use), _infections_chart(infections_by_month), _cultures_chart(events_by_month))
    else:
        latest, long, started = (hiding.without_small_cells(one, hide_below) for one in (latest, long, started))
        needled = hiding.first_uses_without_small_cells(needled, hide_below)
        infections, peritoneal, accesses = (
            hiding.rates_without_small_cells(one, hide_below) for one in (infections, peritoneal, accesses)
        )
        events = hiding.events_without_small_cells(events, hide_below)
        curves = [
            (kind, [(hiding.curve_without_small_cells(one, hide_below), spells) for one, spells in found])
            for kind, found in curves
        ]
        reached = [(hiding.curve_without_small_cells(one, hide_below), spells) for one, spells in reached]
    behind = _Lists(names or {}) if with_lists else None
    flat = [found for _, both in curves for found, _ in both] + [found for found, _ in reached]
    bases = [
        latest.basis,
        long.basis,
        started.basis,
        infections.basis,
        peritoneal.basis,
        events.basis,
        accesses.basis,
        *(() if hide_below else (recurrence.basis,)),
    ]
    sections = [
        _section_in_use(latest, charts[0], behind),
        _section_long(long, behind),
        _section_beginnings(started, needled, period, behind),
        _section_infections(infections, peritoneal, charts[1], behind),
        _section_events(events, charts[2], behind),
        _section_accesses(accesses, None if hide_below else recurrence, behind),
        *(_section_patency(kind, found, behind) for kind, found in curves),
        _section_reached(reached, behind),
    ]
    appendix = [(basis.definition or "", tuple(basis.lines)) for basis in bases]
    appendix += [(tables.title_of(one), tuple(one.basis.lines)) for one in flat]
    return QualityReport(
        unit=unit_name or unit,
        month=month,
        months=months,
        sections=tuple(sections),
        appendix=tuple(appendix),
        with_lists=with_lists,
        hide_below=hide_below,
        invented=bool(known) and all(one.invented for one in known.values()),
        results=(
            latest,
            long,
            started,
            infections,
            peritoneal,
            events,
            accesses,
            *(() if hide_below else (recurrence,)),
            *flat,
        ),
    )


def _made_by(population: Population, definition: str) -> tuple[str, ...]:
    return tuple(population.book.definition(definition).choices)


def _patency(
    population: Population, name: str, kind: AccessKind, cut: date, pick: Callable[[Iterable[str]], dict[str, str]]
) -> tuple[Patency, Spells]:
    definition = population.book.definition(name)
    definition = definition.with_choices(pick(definition.choices))
    counted: list[Spell] = []
    left_out: list[SpellLeftOut] = []
    for one in spells_of_lives((life for life in population.lives if life.kind in (kind, None)), definition, cut):
        if isinstance(one, SpellLeftOut):
            left_out.append(one)
        else:
            counted.append(one)
    spells = Spells(definition=definition, cut=cut, counted=tuple(counted), left_out=tuple(left_out))
    return patency_of(spells, group=words_of(kind)), spells


def _infections_chart(by_month: Sequence[Rates]) -> Chart:
    found = [(one.period, one.of(ANY, BOTH)) for one in by_month]
    return _u_chart("Infections of central lines per 1,000 catheter-days", "catheter-days", 1000, found)


def _cultures_chart(by_month: Sequence[Surveillance]) -> Chart:
    found = [(one.period, one.of(CULTURES, ALL)) for one in by_month]
    return _u_chart("Positive blood cultures per 100 patient-months", "patient-months", 100, found)


def _u_chart(what: str, unit: str, per: float, found: Iterable[tuple[Period, Rate]]) -> Chart:
    return u_chart(what, unit, per, [(f"{period.first:%Y-%m}", rate.events, rate.exposure) for period, rate in found])


# --- Sections -----------------------------------------------------------------------------------------------------


def _section_in_use(latest: Prevalence, chart: Chart | None, lists: _Lists | None) -> Section:
    patients = latest.basis.count_said
    return Section(
        "Through what the patients dialyse",
        (f"On {latest.day} {patients} patients were on haemodialysis here.", *latest.basis.beware, *_told(chart)),
        (_shares("access-in-use", f"Access in use on {latest.day}, of {patients} patients", latest),),
        _drawn("catheters", chart),
        behind=_who(latest, lists),
    )


def _section_long(found: Prevalence, lists: _Lists | None) -> Section:
    said = tuple(f"{one.name}: {one.says}{f' ({one.source})' if one.source else ''}." for one in found.shares)
    return Section(
        "Catheters longer than three months",
        ("The published definitions differ, and give different numbers; each is named.", *said),
        (_shares("catheters-that-stayed", f"On {found.day}", found),),
        behind=_who(found, lists),
    )


def _section_beginnings(
    found: Prevalence, needled: Sequence[FirstUse], period: Period, lists: _Lists | None
) -> Section:
    patients = found.basis.count_said
    rows = tuple(
        (words_of(one.kind), tables.HIDDEN, "", "")
        if one.hidden
        else (
            words_of(one.kind),
            str(one.count),
            "-" if one.quartiles is None else f"{one.quartiles[1]:.0f}",
            str(len(one.days)),
        )
        for one in needled
    )
    made = [_shares("started-with", f"Started dialysis with, {period}, of {patients} patients", found)]
    if rows:
        made.append(
            Table(
                "first-needles",
                f"First needles, {period}",
                ("", "accesses", "median days since creation", "with known days"),
                rows,
            )
        )
    return Section(
        "Beginnings",
        (f"{patients} patients are known to have started dialysis in these months.",),
        tuple(made),
        behind=(*_who(found, lists), *_first_needles(needled, lists)),
    )


def _section_infections(found: Rates, peritoneal: Rates, chart: Chart | None, lists: _Lists | None) -> Section:
    return Section(
        "Infections of catheters",
        (
            "Clinical diagnoses as they were recorded. Where nothing was recorded, nothing is known.",
            *_told(chart),
            *found.basis.beware,
        ),
        (
            _rate_table("infections-of-catheters", f"Per 1,000 catheter-days, {found.period}", found),
            _rate_table(
                "infections-of-peritoneal-catheters",
                f"Per year of a peritoneal catheter, {peritoneal.period}",
                peritoneal,
            ),
        ),
        _drawn("infections", chart),
        _published(rates_published(ANY, "tunnelled catheter", "1,000 catheter-days")),
        _listed([*found.rates, *peritoneal.rates], lists),
    )


def _section_events(found: Surveillance, chart: Chart | None, lists: _Lists | None) -> Section:
    published = [
        one
        for among in (ALL, "tunnelled catheter", "graft", "fistula", "graft-to-catheter hybrid")
        for one in rates_published(CULTURES, among, "100 patient-months")
    ]
    return Section(
        "Dialysis events, as surveillance counts them",
        (
            "A count of its own: not the same as the clinical diagnoses above. By the riskiest access present.",
            *_told(chart),
            *found.basis.beware,
        ),
        (_rate_table("dialysis-events", f"Per 100 patient-months, {found.period}", found),),
        _drawn("cultures", chart),
        _published(published),
        _listed(found.rates, lists),
    )


def _section_accesses(found: Rates, recurrence: Recurrence | None, lists: _Lists | None) -> Section:
    published = [one for among in ("fistula", "graft") for one in rates_published("intervention", among, "access-year")]
    made = [_rate_table("accesses", f"Per access-year, {found.period}", found)]
    behind = _listed([one for one in found.rates if one.among == EVERY_ACCESS], lists)
    if recurrence is not None:
        made.append(_on_average(recurrence))
        if lists is not None and recurrence.listed:
            behind += (lists.of_events("interventions since the creation of an access", recurrence.listed),)
    return Section(
        "Thrombosis, interventions and losses",
        tuple(found.basis.beware),
        tuple(made),
        (),
        _published(published),
        behind,
    )


def _on_average(recurrence: Recurrence) -> Table:
    rows = []
    for day in (365, 730, 1095):
        at = recurrence.counted.at(day)
        known = () if at is None else (f"{at.share:.2f}", f"{at.low:.2f}-{at.high:.2f}", str(at.at_risk))
        rows.append((str(day), *(known or ("not reached", "", ""))))
    return Table(
        "interventions-an-access",
        "Interventions an access had since its creation, on average, robust interval",
        ("day", "mean number", "95 % interval", "at risk"),
        tuple(rows),
    )


def _section_patency(kind: AccessKind, found: Sequence[tuple[Patency, Spells]], lists: _Lists | None) -> Section:
    curves = [one for one, _ in found]
    rows = tuple(row for one in curves for row in _on_days(one, one.definition.name, (365, 730, 1095)))
    drawn = [_renamed(one, one.definition.name.split()[0].lower()) for one in curves[:3]]
    warnings = dict.fromkeys(warning for one in curves for warning in one.basis.beware)
    published = [one for curve in curves for one in curves_published(curve.definition.id, kind)]
    title = f"Patency of {words_of(kind)}s"
    failures = next(one for one in curves[0].definition.in_use if one.name == "primary-failures")
    return Section(
        title,
        (
            "All accesses of this kind of patients who have been in this unit's care, wherever they were made.",
            f"Accesses lost before they were ever used: {failures.says}.",
            *(
                f"{one.definition.name}: {tables.median_words(one)[0].lower()}{tables.median_words(one)[1:]}"
                for one in curves
            ),
            *warnings,
        ),
        (Table(f"patency-of-{kind.value}s", "Still patent", _ON_DAYS, rows),),
        # Each step of a curve is one person, or a few.
        ()
        if any(one.hide_below for one in curves)
        else (
            Picture(
                f"patency-{kind.value}",
                f"{title}: curves with the numbers at risk; the table above says the same.",
                partial(pictures.curve_figure, drawn, title=title),
            ),
        ),
        _published(published),
        () if lists is None else tuple(lists.of_spells(one, spells) for one, spells in found),
    )


def _section_reached(found: Sequence[tuple[Patency, Spells]], lists: _Lists | None) -> Section:
    rows = tuple(row for one, _ in found for row in _on_days(one, tables.title_of(one), (90, 180, 365)))
    return Section(
        "First needles, failures before maturity, survival of tunnelled catheters",
        (
            "First needles and primary failures: cumulative incidence, % reached by that day, beside what competes.",
            "Catheter survival is % still in.",
        ),
        (Table("reached", "By these days", _ON_DAYS, rows),),
        behind=() if lists is None else tuple(lists.of_spells(one, spells) for one, spells in found),
    )


# --- Parts --------------------------------------------------------------------------------------------------------


_ON_DAYS = ("", "day", "%", "95 % interval", "at risk", "counted", "left out")


def _on_days(one: Patency, name: str, days: Sequence[int]) -> list[tuple[str, ...]]:
    """A row for each of these days; what is counted and left out stands in the first."""
    rows: list[tuple[str, ...]] = []
    for day in days:
        cells = tables.on_day_cells(next(on for on in one.horizons if on.day == day))
        first = not rows
        rows.append(
            (
                name if first else "",
                *cells,
                f"{one.basis.counted}" if first else "",
                f"{one.basis.left_out_total}" if first else "",
            )
        )
    return rows


def _renamed(one: Patency, name: str) -> Patency:
    from dataclasses import replace

    return replace(one, group=name)


def _shares(name: str, caption: str, found: Prevalence) -> Table:
    return Table(
        name,
        caption,
        ("", "patients", "%", "95 % interval, exact"),
        tuple(tables.share_row(one) for one in found.shares),
    )


def _rate_table(name: str, caption: str, found: Rates | Surveillance) -> Table:
    rows = tuple(tables.rate_row(one) for one in found.rates if one.exposure > 0 or one.events_most)
    return Table(name, caption, ("", "events", "time", "rate", "95 % interval, exact", "robust"), rows)


def _published(found: Iterable[Published]) -> tuple[str, ...]:
    return tuple(str(one) for one in found)


def _told(chart: Chart | None) -> tuple[str, ...]:
    return () if chart is None else (chart.says,)


def _drawn(name: str, chart: Chart | None) -> tuple[Picture, ...]:
    if chart is None:
        return ()
    return (Picture(name, f"{chart.what}, by month. {chart.says}", partial(pictures.chart_figure, chart)),)


# --- Lists --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lists:
    """Makes the lists behind the numbers; `names` are those of entries by the ids of their roots."""

    names: Mapping[str, str]

    def _named(self, *roots: str) -> str:
        return ", ".join(tables.named(roots, self.names))

    def of_events(self, title: str, found: Iterable[Listed]) -> Behind:
        rows = ((one.patient, one.access, f"{one.happened}: {one.what}", self._named(one.root)) for one in found)
        return Behind(title, tuple(rows))

    def of_people(self, title: str, found: Iterable[Who]) -> Behind:
        return Behind(title, tuple((one.patient, "", "", self._named(*one.roots)) for one in found))

    def of_needle(self, one: FirstNeedle) -> tuple[str, str, str, str]:
        since = "days since creation not known" if one.days is None else f"{one.days} days since creation"
        return one.patient, one.access, since, self._named(*one.roots)

    def of_spells(self, one: Patency, spells: Spells) -> Behind:
        words = spells.definition.rulebook.words
        rows = []
        for spell in spells.counted:
            long, short = spell.longest, spell.shortest
            end = f"{long.end}" if long.end == short.end else f"{short.end} to {long.end}"
            mark = "" if long.outcome == "event" else ", censored" if long.outcome == "censored" else ", competing"
            what = f"{long.start} to {end}{mark}: {words(long.ended_by)}"
            rows.append((spell.patient, spell.access, what, self._named(*spell.roots)))
        rows += [
            (left.patient, left.access, f"left out: {left.words}", self._named(*left.roots)) for left in spells.left_out
        ]
        return Behind(tables.title_of(one), tuple(rows))


def _who(found: Prevalence, lists: _Lists | None) -> tuple[Behind, ...]:
    if lists is None:
        return ()
    return tuple(lists.of_people(f"{one.name}: {one.count} of {one.of}", one.who) for one in found.shares if one.who)


def _first_needles(found: Iterable[FirstUse], lists: _Lists | None) -> tuple[Behind, ...]:
    if lists is None:
        return ()
    return tuple(
        Behind(f"first needles, {words_of(one.kind)}", tuple(lists.of_needle(needle) for needle in one.listed))
        for one in found
    )


def _listed(found: Iterable[Rate], lists: _Lists | None) -> tuple[Behind, ...]:
    if lists is None:
        return ()
    return tuple(lists.of_events(f"{one.what}, {one.among}", one.listed) for one in found if one.listed)


# --- Written down -------------------------------------------------------------------------------------------------


def html_of(report: QualityReport) -> str:
    """The report as one HTML file that needs nothing else: pictures are in it, nothing is fetched."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    def drawn(picture: Picture) -> Markup:
        svg = pictures.saved(picture.figure(), "svg").decode("utf-8")
        return Markup(svg[svg.index("<svg") :])

    # Everything but our own pictures is escaped.
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    source = resources.files("ledger.statistics").joinpath("quality.html").read_text("utf-8")
    return environment.from_string(source).render(report=report, cautions=CAUTIONS, drawn=drawn, said=SAID)


def csv_files_of(report: QualityReport) -> dict[str, str]:
    """Every table of the report as CSV, by file name."""
    return {
        f"{one.name}.csv": tables.csv_of(one.head, one.rows) for section in report.sections for one in section.tables
    }


def pdf_of(report: QualityReport) -> bytes:
    """The report as PDF on A4, for paper, with the lists behind the numbers at its end if they were asked for."""
    from ledger.statistics.paper import SMALL, Paper

    paper = Paper(report.title, datetime.combine(report.month.last, time(), UTC))
    paper.heading(report.title, 14)
    for line in cover_lines(report):
        paper.text(line)
    for section in report.sections:
        paper.heading(section.title, 11)
        for sentence in section.sentences:
            paper.text(sentence)
        for one in section.tables:
            paper.table(one.caption, one.head, one.rows)
        if section.published:
            paper.text(f"Published, {SAID}:", bold=True)
            for said in section.published:
                paper.text(f"- {said}", size=SMALL)
        for picture in section.pictures:
            figure = picture.figure()
            wide, high = (inches * 25.4 for inches in figure.get_size_inches())
            paper.picture(pictures.saved(figure, "png"), wide, high)
    paper.new_page()
    paper.heading("Appendix: what every number means and rests on", 11)
    for title, lines in report.appendix:
        paper.text(title, bold=True)
        for line in lines:
            paper.text(line, size=SMALL)
    if report.with_lists:
        paper.new_page()
        paper.heading("Lists behind the numbers", 11)
        for section in report.sections:
            if section.behind:
                paper.heading(section.title, 9)
            for behind in section.behind:
                paper.text(behind.title, bold=True)
                if any(access or what for _, access, what, _ in behind.rows):
                    paper.listing(Behind.HEAD, behind.rows)
                else:
                    named = (f"{one} ({entries})" if entries else one for one, _, _, entries in behind.rows)
                    paper.text("; ".join(named), size=SMALL)
    return paper.finished()


def lines_of(report: QualityReport) -> list[str]:
    """The report as text for a terminal: sentences and tables, without pictures and lists."""
    lines = [report.title, "", *tables.wrapped(cover_lines(report))]
    for section in report.sections:
        lines += ["", section.title.upper(), "", *tables.wrapped(section.sentences)]
        for one in section.tables:
            lines += ["", one.caption, *(tables.table(one.head, one.rows) if one.rows else ["Nothing to count."])]
        if section.published:
            lines += ["", *tables.wrapped([f"Published, {SAID}:", *(f"- {said}" for said in section.published)])]
    lines += ["", "APPENDIX: WHAT EVERY NUMBER MEANS AND RESTS ON"]
    for title, said in report.appendix:
        lines += ["", title, *tables.wrapped(f"  {line}" for line in said)]
    return lines


def cover_lines(report: QualityReport) -> list[str]:
    """What stands under the title."""
    lines = [
        f"Recorded facts up to and including {report.month.last}; the {report.months} months up to then.",
        *CAUTIONS,
        "Published numbers beside one's own are other people's populations, never a target.",
    ]
    if report.invented:
        lines.insert(0, "Invented data: no such patient, unit or access centre exists.")
    if report.hide_below:
        lines.append(
            f"Counts below {report.hide_below} are hidden, and what would give them away; so are counts of single "
            "months."
        )
    if report.with_lists:
        lines.append("This copy holds lists of patients: it is for those who may see them.")
    return lines
