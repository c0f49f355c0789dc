"""Counting: patency, rates, prevalence, the report for the quality meeting, and an extract for a study.

Thin, like every command: what is counted, and how, is in `ledger.statistics`. A number leaves with what it rests on;
a list of patients only when it is asked for, and then the look is noted in the audit.
"""

from __future__ import annotations

import gc
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.options import ByOption, JsonOption, LedgerOption, TodayOption, day_from, opened, today_of
from ledger.vocabulary import AccessKind

if TYPE_CHECKING:
    from ledger.chronology import History
    from ledger.people import Patient
    from ledger.statistics.definitions import Definition, Rulebook
    from ledger.statistics.patency import Comparison, Patency
    from ledger.statistics.presence import Period, Population
    from ledger.store import Ledger

# The matrices in here have a row for each group. More than one thread for them costs more processor time to start than
# all the counting of a unit.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

LISTS = "definitions"
"""The word that asks for the definitions instead of for a measure."""

USUAL = ("primary-patency", "assisted-primary-patency", "secondary-patency")
"""What is counted when no measure is named."""

UnitOption = Annotated[
    str | None, typer.Option("--unit", metavar="UNIT", help="Only the patients of this unit.", show_default=False)
]
ChooseOption = Annotated[
    list[str] | None,
    typer.Option(
        "--choose",
        metavar="CHOICE=OPTION",
        help="Another option than the default; may be repeated. `patency definitions MEASURE` shows them.",
        show_default=False,
    ),
]
OwnOption = Annotated[
    Path | None,
    typer.Option(
        "--definitions",
        envvar="ACCESS_LEDGER_DEFINITIONS",
        metavar="FILE",
        help="The site's own definitions and defaults (TOML), beside those of the package.",
        show_default=False,
    ),
]
UntilOption = Annotated[
    str | None,
    typer.Option("--until", metavar="DAY", help="The last day counted; without it, today.", show_default=False),
]
KnownOption = Annotated[
    str | None,
    typer.Option(
        "--known-on", metavar="DAY", help="Only what had been recorded by the end of this day.", show_default=False
    ),
]
MonthOption = Annotated[
    str | None,
    typer.Option(
        "--month", metavar="MONTH", help="A month, as 2026-03; without it, the last whole one.", show_default=False
    ),
]
MonthsOption = Annotated[int, typer.Option("--months", min=1, max=120, help="So many months up to that one.")]
ListOption = Annotated[
    bool, typer.Option("--list", help="Also who and which entries stand behind the numbers. The look is noted.")
]
CsvOption = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="Write the numbers to this new file.", show_default=False)
]
PictureOption = Annotated[
    Path | None,
    typer.Option("--picture", metavar="FILE", help="Draw into this new file: .svg, .png or .pdf.", show_default=False),
]
HideOption = Annotated[
    int | None,
    typer.Option(
        "--hide-below",
        metavar="N",
        min=2,
        help="Hide counts smaller than this, and what would give them away.",
        show_default=False,
    ),
]


# --- patency ------------------------------------------------------------------------------------------------------


class Interval(StrEnum):
    LOG_LOG = "log-log"
    LOG = "log"
    PLAIN = "plain"


def patency(
    measure: Annotated[
        str | None,
        typer.Argument(
            metavar="[MEASURE|definitions]",
            help="What to count: the id of a measure; without it, primary, assisted and secondary patency. "
            "`definitions` lists the measures.",
            show_default=False,
        ),
    ] = None,
    named: Annotated[
        str | None,
        typer.Argument(metavar="[MEASURE]", help="After `definitions`: that one, in full.", show_default=False),
    ] = None,
    unit: UnitOption = None,
    kind: Annotated[
        list[AccessKind] | None,
        typer.Option("--kind", help="Only accesses of this kind; may be repeated.", show_default=False),
    ] = None,
    compare_by: Annotated[
        str | None,
        typer.Option(
            "--compare",
            metavar="WHAT",
            help="Groups side by side: kind, site, side, surgeon, centre, unit, sex, age, order, year, made-by.",
            show_default=False,
        ),
    ] = None,
    begun_from: Annotated[
        str | None,
        typer.Option("--from", metavar="DAY", help="Only what began on this day or later.", show_default=False),
    ] = None,
    begun_to: Annotated[
        str | None,
        typer.Option("--to", metavar="DAY", help="Only what began on this day or before.", show_default=False),
    ] = None,
    until: UntilOption = None,
    known_on: KnownOption = None,
    days: Annotated[
        str, typer.Option("--days", metavar="DAYS", help="The days that are printed, with commas between.")
    ] = "30,90,180,365,730,1095",
    restricted_to: Annotated[
        int, typer.Option("--restricted-to", metavar="DAYS", min=1, help="Up to which day the mean is restricted.")
    ] = 365,
    interval: Annotated[
        Interval, typer.Option("--interval", help="The scale of the 95 % interval.")
    ] = Interval.LOG_LOG,
    choose: ChooseOption = None,
    definitions: OwnOption = None,
    list_them: ListOption = False,
    hide_below: HideOption = None,
    csv: CsvOption = None,
    picture: PictureOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """How long accesses stay open: curves with their numbers at risk, by definitions that say what ends them.

    A measure ends in events that its definition names, and rests on choices that are printed with it. Who is left out
    is printed too, and why.
    """
    from ledger.statistics.moments import lives_of
    from ledger.statistics.patency import compare, patency_of
    from ledger.statistics.spells import spells_among

    book = book_of(definitions)
    if measure == LISTS:
        _definitions(book, named, as_json)
        return
    if named is not None:
        raise typer.BadParameter("name one measure; the second word goes with `definitions`.")
    if list_them and as_json:
        raise typer.BadParameter("--list goes with text or --csv; JSON never holds a list of patients.")
    if hide_below and (list_them or picture is not None):
        raise typer.BadParameter(
            "--hide-below goes with neither --list nor --picture: each step of a curve is one person, or a few."
        )
    chosen = choices_from(choose)
    measures = [book.definition(name) for name in ((measure,) if measure else USUAL)]
    wanted = _with_choices(measures, chosen)
    horizons = _days_from(days)
    with opened(ledger) as found:
        cut = day_from(until, "--until") if until else today_of(found, None, today)
        began = _window(begun_from, begun_to)
        histories, people = read_once(found, unit, known_on)
        label = None if compare_by is None else label_for(compare_by, people, found)
        kinds = frozenset(kind) if kind else None
        lives = [life for history in histories for life in lives_of(history, book)]
        counted = [spells_among(lives, definition, cut, kinds=kinds, began=began, label=label) for definition in wanted]
        results: list[Patency | Comparison] = []
        for spells in counted:
            make: Callable[..., Any] = patency_of if compare_by is None else _comparing(compare, compare_by)
            made = make(spells, horizons=horizons, restricted_to=restricted_to, interval=interval.value)
            results.append(hidden_below(made, hide_below) if hide_below else made)
        names = entry_names_in(histories) if list_them else {}
        curves = [curve for result in results for curve in _curves_in(result)]
        if csv is not None:
            from ledger.statistics import tables

            spells_counted = [spell for one in counted for spell in one.counted]
            put(csv, tables.spells_csv(spells_counted, names) if list_them else tables.curve_csv(curves))
        if picture is not None:
            _draw(picture, curves)
        _noted(found, "patency", by, unit, list_them)
    if as_json:
        say.as_json({"results": [result.to_json() for result in results]})
        return
    from ledger.statistics import tables

    for place, result in enumerate(results):
        if place:
            say.out()
        if compare_by is None:
            _say(tables.patency_text(_patency_in(result), kind=kind[0] if kind and len(kind) == 1 else None))
        else:
            _say(tables.comparison_text(_comparison_in(result)))
        if list_them and csv is None:
            say.out()
            _say(tables.spells_text([*counted[place].counted, *counted[place].left_out], book, names))


def label_for(by: str, people: Mapping[str, Patient], ledger: Ledger) -> Callable[..., str]:
    """What puts each spell into its group. Raises WrongInput for what cannot be grouped by."""
    from ledger.statistics.groups import Known, grouping

    return grouping(by, Known(people, ledger.papers.words))


def _definitions(book: Rulebook, named: str | None, as_json: bool) -> None:
    from ledger.statistics import tables

    if not as_json:
        _say(tables.definitions_text(book, named))
        return
    chosen = [book.definition(named)] if named else list(book.definitions.values())
    say.as_json(
        {
            "definitions": [
                {
                    "id": one.id,
                    "name": one.name,
                    "also_called": list(one.also_called),
                    "kinds": [kind.value for kind in one.kinds],
                    "start": one.start,
                    "ends": list(one.ends),
                    "censors": list(one.censors),
                    "competes": list(one.competes),
                    "says": one.says,
                    "note": one.note,
                    "of_site": one.of_site,
                    "sources": [
                        {"text": source.text, "verified": source.verified, "read_on": source.read_on}
                        for source in one.sources
                    ],
                    "choices": [
                        {
                            "name": name,
                            "about": book.choices[name].about,
                            "in_use": value,
                            "options": [
                                {"name": option.name, "says": option.says} for option in book.choices[name].options
                            ],
                        }
                        for name, value in one.choices.items()
                    ],
                }
                for one in chosen
            ]
        }
    )


def _with_choices(measures: Sequence[Definition], chosen: Mapping[str, str]) -> list[Definition]:
    """Each measure with the choices that it makes; a choice that none of them makes is an error."""
    from ledger.errors import WrongInput

    for name in chosen:
        if not any(name in one.choices for one in measures):
            makes = dict.fromkeys(choice for one in measures for choice in one.choices)
            raise WrongInput(
                f"None of what is counted makes a choice called {name!r}.", f"Its choices are: {', '.join(makes)}."
            )
    return [
        one.with_choices({name: value for name, value in chosen.items() if name in one.choices}) for one in measures
    ]


def _comparing(compare: Callable[..., Comparison], by: str) -> Callable[..., Comparison]:
    return lambda spells, **settings: compare(spells, by, **settings)


def hidden_below(result: Patency | Comparison, below: int) -> Patency | Comparison:
    """The same without counts that are smaller, and without what would give them away."""
    from ledger.statistics.hiding import comparison_without_small_cells, curve_without_small_cells
    from ledger.statistics.patency import Comparison

    if isinstance(result, Comparison):
        return comparison_without_small_cells(result, below)
    return curve_without_small_cells(result, below)


def _curves_in(result: Patency | Comparison) -> Iterable[Patency]:
    from ledger.statistics.patency import Comparison

    return result.groups if isinstance(result, Comparison) else (result,)


def _patency_in(result: Patency | Comparison) -> Patency:
    from ledger.statistics.patency import Patency

    assert isinstance(result, Patency)
    return result


def _comparison_in(result: Patency | Comparison) -> Comparison:
    from ledger.statistics.patency import Comparison

    assert isinstance(result, Comparison)
    return result


def _draw(to: Path, curves: Sequence[Patency]) -> None:
    """Draws the curves together; what falls and what is reached are not drawn into one picture."""
    from dataclasses import replace

    from ledger.statistics import pictures

    if len({one.definition.gains for one in curves}) > 1:
        raise typer.BadParameter("--picture draws one measure, or several that all fall.")
    several = len({one.definition.id for one in curves}) > 1
    named = [
        replace(one, group=", ".join(filter(None, (one.definition.name.split(" (")[0], one.group)))) if several else one
        for one in curves
    ]
    title = "Patency" if several else None
    put(to, pictures.curve_picture(named, _form_of(to), title=title))


# --- rates --------------------------------------------------------------------------------------------------------


class RateOf(StrEnum):
    INFECTIONS = "infections"
    EVENTS = "dialysis-events"
    ACCESSES = "accesses"
    PERITONEAL = "peritoneal"


def rates(
    what: Annotated[
        list[RateOf] | None,
        typer.Argument(
            metavar="[WHAT]...",
            help="infections (per 1,000 catheter-days), dialysis-events (per 100 patient-months), accesses "
            "(thrombosis, interventions, losses per access-year), peritoneal; without it, all.",
            show_default=False,
        ),
    ] = None,
    unit: UnitOption = None,
    month: MonthOption = None,
    months: MonthsOption = 12,
    choose: ChooseOption = None,
    definitions: OwnOption = None,
    known_on: KnownOption = None,
    list_them: ListOption = False,
    hide_below: HideOption = None,
    csv: CsvOption = None,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="FILE",
            help="Draw one of them over the months, with limits, into this new file: .svg, .png or .pdf.",
            show_default=False,
        ),
    ] = None,
    compare_units: Annotated[
        bool,
        typer.Option("--compare-units", help="All units beside each other, against the limits of chance (a funnel)."),
    ] = False,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Infections, thrombosis and interventions over time, with exact intervals, and over months with limits."""
    from ledger.statistics import pictures, tables
    from ledger.statistics.counting import charts_of, funnel_of, picked, rates_of
    from ledger.statistics.hiding import hide_rates
    from ledger.statistics.presence import months_until, population_of
    from ledger.statistics.rates import recurrent_interventions

    if compare_units and (hide_below or unit or not what or what == [RateOf.PERITONEAL]):
        raise typer.BadParameter("--compare-units takes infections, dialysis-events or accesses, and all units.")
    if list_them and (as_json or hide_below):
        raise typer.BadParameter("--list goes with plain text only.")
    if hide_below and picture is not None:
        raise typer.BadParameter("--picture shows every month's count; it does not go with --hide-below.")
    wanted = [one.value for one in what] if what else [one.value for one in RateOf]
    if picture is not None and len(wanted) != 1:
        raise typer.BadParameter("--picture draws one of them: name it.")
    book = book_of(definitions)
    chosen = choices_from(choose)
    with opened(ledger) as found:
        year = months_until(month_from(month, found, today), months)
        histories, people = read_once(found, None, known_on)
        population = population_of(histories, book, people)
        names = entry_names_in(histories) if list_them else {}
        results = rates_of(population, year, wanted, chosen, unit=unit)
        # A chart over months holds counts of single months, which are smaller still.
        charts = [] if hide_below else charts_of(population, year, wanted, chosen, unit=unit)
        recurrence = None
        if RateOf.ACCESSES.value in wanted and not hide_below:
            mine = picked(chosen, book.definition("secondary-patency").choices)
            recurrence = recurrent_interventions(population, year[-1].last, mine, unit=unit)
        funnels = []
        if compare_units:
            units = [one.id for one in found.who.units()]
            funnels = [funnel_of(population, year, one, chosen, units) for one in wanted if one != "peritoneal"]
        shown = [hide_rates(one, hide_below) if hide_below else one for one in results]
        if csv is not None:
            head, *_ = tables.rates_csv(shown[0]).splitlines(keepends=True)
            rows = [line for one in shown for line in tables.rates_csv(one).splitlines(keepends=True)[1:]]
            put(csv, "".join([head, *rows]))
        if picture is not None:
            if not charts:
                raise typer.BadParameter("there is no chart over months of that.")
            form = _form_of(picture)
            put(
                picture,
                pictures.funnel_picture(funnels[0], form) if funnels else pictures.chart_picture(charts[0], form),
            )
        _noted(found, "rates", by, unit, list_them)
    if as_json:
        say.as_json(
            {
                "results": [one.to_json() for one in shown],
                "recurrence": None if recurrence is None else recurrence.to_json(),
                "charts": [one.to_json() for one in charts],
                "funnels": [one.to_json() for one in funnels],
            }
        )
        return
    for place, one in enumerate(shown):
        if place:
            say.out()
        _say(tables.rates_text(one))
        if list_them:
            say.out()
            _say(tables.listed_text(one, names))
    if recurrence is not None:
        say.out()
        _say(tables.recurrence_text(recurrence))
    for chart in charts:
        say.out()
        _say(tables.chart_text(chart))
    for one_funnel in funnels:
        say.out()
        _say(tables.funnel_text(one_funnel))


# --- prevalence ---------------------------------------------------------------------------------------------------


def prevalence(
    unit: UnitOption = None,
    on: Annotated[
        str | None,
        typer.Option("--on", metavar="DAY", help="On this day instead of the last of the month.", show_default=False),
    ] = None,
    month: MonthOption = None,
    months: MonthsOption = 12,
    choose: ChooseOption = None,
    definitions: OwnOption = None,
    known_on: KnownOption = None,
    list_them: ListOption = False,
    hide_below: HideOption = None,
    csv: CsvOption = None,
    picture: PictureOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Through what the patients dialyse, on a day and over months; catheters that stayed; how dialysis began."""
    from ledger.statistics import pictures, tables
    from ledger.statistics.counting import prevalence_of
    from ledger.statistics.hiding import all_without_small_cells

    if list_them and (as_json or hide_below):
        raise typer.BadParameter("--list goes with plain text only.")
    if hide_below and picture is not None:
        raise typer.BadParameter("--picture shows every month's count; it does not go with --hide-below.")
    book = book_of(definitions)
    with opened(ledger) as found:
        people = {one.id: one for one in found.who.patients()}
        day = day_from(on, "--on") if on else None
        last = month_from(month or (on[:7] if on else None), found, today)
        population = _population(found, book, known_on)
        made = prevalence_of(population, last, months, choices_from(choose), day=day, people=people, unit=unit)
        if hide_below:
            made = all_without_small_cells(made, hide_below)
        if csv is not None:
            put(csv, tables.prevalence_csv([*made.shares, *(one for _, one in made.over_months)]))
        if picture is not None:
            put(picture, pictures.chart_picture(made.chart, _form_of(picture)))
        _noted(found, "prevalence", by, unit, list_them)
    if as_json:
        say.as_json(
            {
                "results": [one.to_json() for one in made.shares],
                "over_months": [one.to_json() for _, one in made.over_months],
                "first_uses": [one.to_json() for one in made.first_uses],
                "chart": None if hide_below else made.chart.to_json(),
            }
        )
        return
    for place, one in enumerate(made.shares):
        if place:
            say.out()
        _say(tables.prevalence_text(one))
        if list_them:
            say.out()
            _say(tables.who_text(one))
    say.out()
    _say(tables.first_uses_text(made.first_uses))
    if not hide_below:
        say.out()
        _say(tables.chart_text(made.chart))


# --- quality-report -----------------------------------------------------------------------------------------------


def quality_report(
    unit: Annotated[str, typer.Option("--unit", metavar="UNIT", help="The unit whose report it is.")],
    month: MonthOption = None,
    months: MonthsOption = 12,
    to: Annotated[
        Path | None,
        typer.Option(
            "--to",
            metavar="FOLDER",
            help="Write report.html, report.pdf and the tables as CSV into this new folder; without it, print.",
            show_default=False,
        ),
    ] = None,
    lists: Annotated[
        bool, typer.Option("--lists", help="With the list behind every number, for those who may see it.")
    ] = False,
    hide_below: HideOption = None,
    choose: ChooseOption = None,
    definitions: OwnOption = None,
    known_on: KnownOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """The printed report for the unit's monthly quality meeting, with every number's definition in an appendix."""
    from ledger.errors import NotFound
    from ledger.statistics.presence import population_of
    from ledger.statistics.report import csv_files_of, html_of, lines_of, pdf_of
    from ledger.statistics.report import quality_report as made_report

    if lists and to is None:
        raise typer.BadParameter("--lists goes into the files: name a folder with --to.")
    if lists and hide_below:
        raise typer.BadParameter("--lists names patients; it does not go with --hide-below.")
    book = book_of(definitions)
    with opened(ledger) as found:
        units = {one.id: one for one in found.who.units()}
        if unit not in units:
            raise NotFound(f"There is no unit {unit!r} in this ledger.", "Look with `access-ledger unit list`.")
        people = {one.id: one for one in found.who.patients()}
        period = month_from(month, found, today)
        histories, _ = read_once(found, None, known_on)
        report = made_report(
            population_of(histories, book, people),
            unit,
            period,
            unit_name=units[unit].name,
            people=people,
            chosen=choices_from(choose),
            months=months,
            names=entry_names_in(histories) if lists else None,
            with_lists=lists,
            hide_below=hide_below,
            of_unit=unit,
        )
        if to is not None:
            files: dict[str, str | bytes] = {"report.html": html_of(report), "report.pdf": pdf_of(report)}
            files.update(csv_files_of(report))
            put_all(to, files)
        _noted(found, "quality-report", by, unit, lists)
    if as_json:
        say.as_json(report.to_json())
    elif to is not None:
        say.out(f"{report.title}: report.html, report.pdf and {len(files) - 2} tables written to {to}.")
    else:
        _say(lines_of(report))


# --- extract ------------------------------------------------------------------------------------------------------


def extract(
    to: Annotated[Path, typer.Option("--to", metavar="FOLDER", help="Write into this new folder.")],
    key_file: Annotated[
        Path,
        typer.Option(
            "--key-file",
            metavar="FILE",
            help="The key that replaces ids and moves dates: 16 bytes or more. Keep it apart from the extract.",
        ),
    ],
    measure: Annotated[
        list[str] | None,
        typer.Option("--measure", help="Spells by this measure; may be repeated.", show_default=False),
    ] = None,
    unit: UnitOption = None,
    until: UntilOption = None,
    choose: ChooseOption = None,
    definitions: OwnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """A de-identified extract for a study: spells and events with moved dates and replaced ids, and a dictionary.

    De-identified is not anonymous: it stays under the rules for such data.
    """
    from ledger.errors import WrongInput
    from ledger.statistics import tables
    from ledger.statistics.extract import event_extract, spell_extract
    from ledger.statistics.presence import population_of

    try:
        key = key_file.read_bytes().strip()
    except OSError:
        raise WrongInput("The key cannot be read.", "Name a file of your own with --key-file.") from None
    book = book_of(definitions)
    wanted = _with_choices([book.definition(name) for name in measure or USUAL], choices_from(choose))
    with opened(ledger) as found:
        cut = day_from(until, "--until") if until else today_of(found, None, today)
        histories, people = read_once(found, unit, None)
        population = population_of(histories, book, people)
        made = {
            "spells": spell_extract(population, wanted, cut, key, people=people),
            "events": event_extract(population, cut, key),
        }
        files: dict[str, str | bytes] = {}
        for name, one in made.items():
            files[f"{name}.csv"] = tables.csv_of([column.name for column in one.columns], one.rows)
            files[f"{name}-dictionary.csv"] = tables.csv_of(("column", "type", "meaning"), one.dictionary)
        files["definitions.txt"] = "\n".join(line for one in wanted for line in tables.definition_text(one, full=True))
        put_all(to, files)
        _noted(found, "extract", by, unit, True)
    counts = {name: len(one.rows) for name, one in made.items()}
    left_out = {name: dict(one.left_out) for name, one in made.items()}
    if as_json:
        say.as_json({"folder": str(to), "rows": counts, "left_out": left_out})
        return
    said = ", ".join(f"{count} {name}" for name, count in counts.items())
    say.out(f"{said} written to {to}, each with its dictionary.")
    without = sum(left_out["spells"].values())
    if without:
        say.out(f"{without} accesses have no spell by one of the measures.")
    say.out("De-identified is not anonymous. Keep the key apart.")


# --- Shared -------------------------------------------------------------------------------------------------------


def read(ledger: Ledger, unit: str | None, known_on: str | None) -> tuple[list[History], dict[str, Patient]]:
    """The histories of all patients, or of a unit's by the register; a record that was joined counts with the other."""
    from ledger.errors import NotFound
    from ledger.store.who import number_of

    if unit is not None and unit not in {one.id for one in ledger.who.units()}:
        raise NotFound(f"There is no unit {unit!r} in this ledger.", "Look with `access-ledger unit list`.")
    people = {one.id: one for one in ledger.who.patients(unit=unit)}
    by_then = None if known_on is None else day_from(known_on, "--known-on")
    histories = []
    with say.progress("patients", len(people)) as progress:
        for place, patient in enumerate(people, start=1):
            if ledger.standing(number_of(patient)).joined_to is None:
                history = ledger.history(patient, sessions=True)
                histories.append(history if by_then is None else history.seen(known_on=by_then))
            if progress is not None:
                progress(place)
    return histories, people


def read_once(ledger: Ledger, unit: str | None, known_on: str | None) -> tuple[list[History], dict[str, Patient]]:
    """The same for a command, which ends after it: what was read need not be looked through for garbage.

    Not for a server: what is frozen stays for good.
    """
    with uncollected():
        return read(ledger, unit, known_on)


def entry_names_in(histories: Iterable[History]) -> dict[str, str]:
    """The names of all entries (`P0007.12`) by their ids, for lists."""
    from cli.naming import every_entry_name

    names: dict[str, str] = {}
    for history in histories:
        names.update(every_entry_name(history))
    return names


@contextmanager
def uncollected() -> Iterator[None]:
    """What is read in here stays until the command ends, so the cyclic collector need not look through it, then or
    later; for two hundred histories that is a sixth of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        if was_on:
            gc.enable()


def _population(ledger: Ledger, book: Rulebook, known_on: str | None) -> Population:
    """Everybody, since time in a unit's care counts for it even after the patient has gone to another."""
    from ledger.statistics.presence import population_of

    histories, people = read_once(ledger, None, known_on)
    return population_of(histories, book, people)


def book_of(own: Path | None) -> Rulebook:
    """The definitions in use: the package's, and those of the site's file."""
    from ledger.errors import WrongInput
    from ledger.statistics.definitions import rulebook

    if own is None:
        return rulebook()
    try:
        return rulebook(own.read_text("utf-8"))
    except (OSError, UnicodeDecodeError):
        raise WrongInput(
            f"The definitions in {own} cannot be read.", "Name a TOML file with --definitions, or leave it out."
        ) from None


def choices_from(said: Sequence[str] | None) -> dict[str, str]:
    """`--choose NAME=OPTION`, as often as it was said."""
    found: dict[str, str] = {}
    for one in said or ():
        name, equals, option = one.partition("=")
        if not (name and equals and option):
            raise typer.BadParameter("--choose takes CHOICE=OPTION, as in --choose second-stage=starts-the-clock.")
        found[name.strip()] = option.strip()
    return found


def _window(begun_from: str | None, begun_to: str | None) -> tuple[date, date] | None:
    if begun_from is None and begun_to is None:
        return None
    first = day_from(begun_from, "--from") if begun_from else date.min
    last = day_from(begun_to, "--to") if begun_to else date.max
    if first > last:
        raise typer.BadParameter("--from lies after --to.")
    return first, last


def _days_from(text: str) -> tuple[int, ...]:
    try:
        found = tuple(sorted({int(part) for part in text.split(",")}))
    except ValueError:
        found = ()
    if not found or found[0] < 1:
        raise typer.BadParameter("--days takes whole days with commas between, as in 90,365.")
    return found


def month_from(text: str | None, ledger: Ledger, today: str | None) -> Period:
    """The month that was named, or the last whole one."""
    return month_named(text, None if text is not None else today_of(ledger, None, today))


def month_named(text: str | None, now: date | None) -> Period:
    """The month that was named, or else the last whole one before a day. Raises WrongInput."""
    from ledger.errors import WrongInput
    from ledger.statistics.presence import month_of

    if text is None:
        assert now is not None, "without a month a day says which is the last whole one"
        before = date.fromordinal(now.replace(day=1).toordinal() - 1)
        return month_of(before.year, before.month)
    try:
        first = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise WrongInput("What --month says is not a month.", "Write it as 2026-03.") from None
    return month_of(first.year, first.month)


def _form_of(to: Path) -> Any:
    form = to.suffix.lower().lstrip(".")
    if form not in ("svg", "png", "pdf"):
        raise typer.BadParameter("--picture takes a file that ends in .svg, .png or .pdf.")
    return form


def put_all(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Files into a folder, private to their owner. Nothing that is there is overwritten."""
    from ledger.errors import WrongInput

    there = [name for name in files if (folder / name).exists()]
    if there:
        raise WrongInput(f"{folder / there[0]} is already there.", "Name a new folder with --to.")
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    for name, held in files.items():
        put(folder / name, held)


def put(to: Path, held: str | bytes) -> None:
    """A new file, private to its owner."""
    from ledger.errors import WrongInput

    try:
        descriptor = os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
    except FileExistsError:
        raise WrongInput(f"{to} is already there.", "Name a new file.") from None
    except OSError as wrong:
        raise WrongInput(f"{to} cannot be written: {wrong.strerror}.", "Name another place.") from None
    with os.fdopen(descriptor, "wb") as file:
        file.write(held.encode("utf-8") if isinstance(held, str) else held)


def _noted(ledger: Ledger, did: str, by: str | None, unit: str | None, with_patients: bool) -> None:
    """Counting is noted where patients are named in it; a number alone is nobody's record."""
    from cli.look import noted

    if with_patients:
        noted(ledger, did, by, None, about=unit)


def _say(lines: Iterable[str]) -> None:
    for line in lines:
        say.out(say.shown(line) if line else "")
