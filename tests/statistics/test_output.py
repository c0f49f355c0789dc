"""What is printed, drawn and handed out: every number with its denominator, no patient where none must be."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.errors import WrongInput
from ledger.statistics import pictures, tables
from ledger.statistics.cells import Beware, hidden_cells
from ledger.statistics.charts import funnel, u_chart
from ledger.statistics.definitions import rulebook
from ledger.statistics.extract import Veil, event_extract, spell_extract
from ledger.statistics.groups import grouping
from ledger.statistics.hiding import (
    comparison_without_small_cells,
    curve_without_small_cells,
    events_without_small_cells,
    rates_without_small_cells,
    without_small_cells,
)
from ledger.statistics.patency import compare, patency_of
from ledger.statistics.presence import month_of, population_of
from ledger.statistics.prevalence import access_in_use
from ledger.statistics.rates import access_events, catheter_infections
from ledger.statistics.report import csv_files_of, html_of, pdf_of, quality_report
from ledger.statistics.spells import Outcome, Reading, Spell, Spells, spells_of
from ledger.statistics.surveillance import dialysis_events
from ledger.vocabulary import AccessKind
from tests.lives import a_history, happening
from tests.statistics.said import ballooned, began, clotted, given_up, gone, made, met, needled
from tests.statistics.samples import a_sample
from tests.statistics.test_patency import four_accesses
from tests.statistics.unit import an_invented_unit

BOOK = rulebook()
CUT = date(2024, 12, 31)
MONTH = month_of(2024, 6)


@pytest.fixture(scope="module")
def unit():
    return an_invented_unit(40)


@pytest.fixture(scope="module")
def population(unit):
    return population_of(unit[0], BOOK)


def secondary(histories, **more):
    return spells_of(histories, BOOK.definition("secondary-patency"), date(2022, 12, 31), **more)


# --- Text ---


def test_a_curve_in_text_says_what_it_counts_and_what_it_rests_on():
    text = "\n".join(tables.patency_text(patency_of(secondary(four_accesses()), horizons=(30, 90, 365))))

    assert "Secondary (cumulative) patency" in text
    assert re.search(r"^30 +75\.0 +12\.8-96\.1 +21\.7 +4$", text, re.MULTILINE)
    assert re.search(r"^365 +not reached", text, re.MULTILINE)
    assert "4 accesses of 4 patients, up to and including 2022-12-31." in text
    assert "accesses lost before they were ever used: in the denominator" in text
    assert "Published, other people's populations, never a target:" in text
    assert "not recorded is not the same as not happened" in text


def test_the_plot_in_letters_falls_and_never_rises():
    lines = tables.plot([(None, patency_of(secondary(four_accesses())).curve)])

    places = [(column, row) for row, line in enumerate(lines) for column, cell in enumerate(line) if cell == "·"]
    heights = [row for _, row in sorted(places)]
    assert heights == sorted(heights)
    assert lines[-1].endswith("days")


def test_groups_are_plotted_with_letters_of_their_own_and_compared():
    histories = [
        *four_accesses(),
        a_history(made("2022-01-01", "graft"), given_up("2022-05-01", "stenosis"), patient="P9"),
    ]

    text = "\n".join(tables.comparison_text(compare(secondary(histories, label=grouping("kind")), "kind")))

    assert "a fistula, b graft" in text
    assert re.search(r"log-rank: chi-square \d", text)
    assert "Groups were not made by chance" in text


def test_nobody_to_count_is_printed_as_such():
    text = "\n".join(tables.patency_text(patency_of(secondary([]))))

    assert "(nobody to draw)" in text
    assert "0 accesses of 0 patients" in text


def test_spells_are_listed_with_their_reason_and_who_is_left_out():
    found = secondary([*four_accesses(partial=True), a_history(met("2022-05-02"), patient="P0005")])

    text = "\n".join(tables.spells_text([*found.counted, *found.left_out], BOOK))

    assert "2022-01-01 to 2022-01-31" in text
    assert re.search(r"P0001 A1 .* 30 +event +abandonment", text)
    assert re.search(r"P0005 +A1 +nobody recorded when it was made", text)


def test_definitions_are_listed_and_one_is_shown_with_all_its_options():
    every = "\n".join(tables.definitions_text(BOOK))
    one = "\n".join(tables.definitions_text(BOOK, "secondary-patency"))

    assert all(name in every for name in BOOK.definitions)
    assert "unreversed-clot (in use): the day of the clot" in one
    assert "decision: the day of the decision" in one


def test_no_line_of_prose_is_wider_than_a_page():
    lines = tables.patency_text(patency_of(secondary(four_accesses())))

    assert all(len(line) <= 120 for line in lines)


# --- CSV ---


def test_csv_has_the_curve_under_both_readings():
    found = patency_of(secondary(four_accesses(partial=True)))

    rows = list(csv.DictReader(io.StringIO(tables.curve_csv([found]))))

    assert {row["reading"] for row in rows} == {"shortest", "longest"}
    assert float(rows[0]["surviving"]) == 0.75


def test_a_cell_that_a_spreadsheet_would_run_is_made_harmless():
    text = tables.csv_of(("group",), [("=HYPERLINK(1)",), ("+1",), ("@x",), ("fistula",), (-3,), (None,)])

    assert text.splitlines()[1:] == ["'=HYPERLINK(1)", "'+1", "'@x", "fistula", "-3", '""']


def test_rates_prevalence_and_spells_go_to_csv(population, unit):
    infections = catheter_infections(population, MONTH)
    shares = access_in_use(population, date(2024, 6, 30))
    spells = spells_of(unit[0], BOOK.definition("primary-patency"), CUT)

    assert len(list(csv.DictReader(io.StringIO(tables.rates_csv(infections))))) == len(infections.rates)
    assert len(list(csv.DictReader(io.StringIO(tables.prevalence_csv([shares]))))) == len(shares.shares)
    assert len(list(csv.DictReader(io.StringIO(tables.spells_csv(spells.counted))))) == len(spells.counted)


# --- Pictures ---


def test_a_picture_is_the_same_to_the_byte_and_holds_the_numbers_at_risk():
    found = [patency_of(secondary(four_accesses()))]

    first, second = pictures.curve_picture(found), pictures.curve_picture(found)

    assert first == second
    texts = [node.text for node in ElementTree.fromstring(first).iter("{http://www.w3.org/2000/svg}text")]
    assert "at risk" in texts
    assert "4" in texts
    assert "Secondary (cumulative) patency" in texts


def test_pictures_come_as_png_and_pdf_and_for_charts_and_groups():
    chart = u_chart("infections", "catheter-days", 1000, [("2024-01", 1, 100.0), ("2024-02", 0, 0.0)])
    units = funnel("infections", "catheter-days", 1000, [("U1", 2, 2000), ("U2", 12, 2000)])
    groups = compare(secondary(four_accesses(partial=True), label=grouping("year")), "year").groups

    assert pictures.curve_picture(groups, "png").startswith(b"\x89PNG")
    assert pictures.curve_picture(groups, "pdf").startswith(b"%PDF")
    assert pictures.chart_picture(chart).startswith(b"<?xml")
    assert pictures.funnel_picture(units, "png").startswith(b"\x89PNG")
    assert pictures.curve_picture([patency_of(secondary([]))]).startswith(b"<?xml")


def test_a_gain_is_drawn_as_what_is_reached(population):
    definition = BOOK.definition("time-to-first-cannulation")
    spells = spells_of([a_history(made("2024-01-01"))], definition, CUT)

    texts = [
        node.text
        for node in ElementTree.fromstring(pictures.curve_picture([patency_of(spells)])).iter(
            "{http://www.w3.org/2000/svg}text"
        )
    ]

    assert "% reached" in texts


# --- The quality report ---


@pytest.fixture(scope="module")
def report(population, unit):
    return quality_report(population, "U1", MONTH, unit_name="Invented Unit North", people=unit[1])


def test_the_report_answers_the_questions_of_the_meeting_in_order(report):
    assert [section.title for section in report.sections] == [
        "Through what the patients dialyse",
        "Catheters longer than three months",
        "Beginnings",
        "Infections of catheters",
        "Dialysis events, as surveillance counts them",
        "Thrombosis, interventions and losses",
        "Patency of fistulas",
        "Patency of grafts",
        "First needles, failures before maturity, survival of tunnelled catheters",
    ]
    assert report.title == "Vascular access, Invented Unit North, June 2024"


def test_every_result_of_the_report_has_its_basis_in_the_appendix(report):
    titles = [title for title, _ in report.appendix]

    assert len(report.appendix) == len(report.results)
    assert "Secondary (cumulative) patency, fistula" in titles
    assert "Infections per 1,000 catheter-days" in titles
    for title, lines in report.appendix:
        assert title
        assert any("patients, up to and including" in line for line in lines)
        assert any(line.startswith(("Left out", "Nobody is left out")) for line in lines)


def test_the_report_as_html_is_one_file_that_fetches_nothing(report):
    page = html_of(report)

    assert page.count("<svg") == 5
    assert "Invented data: no such patient, unit or access centre exists." in page
    assert not re.search(r'(?:src|href)="https?://', page)
    assert "Lists behind the numbers" not in page
    assert "P0001" not in page


def test_the_lists_behind_the_numbers_come_only_when_asked_for(population, unit):
    with_lists = quality_report(population, "U1", MONTH, people=unit[1], with_lists=True)

    page = html_of(with_lists)

    assert "Lists behind the numbers" in page
    assert "P0001" in page
    assert "it is for those who may see them" in page
    # Names are no part of a list; whoever may see it has the ledger.
    assert "Invented Person" not in page


def words_in(pdf: bytes) -> str:
    from pypdf import PdfReader

    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)


def test_the_lists_are_on_paper_too_with_the_names_of_entries(population, unit):
    names = {entry.id: f"{one.patient}.{entry.version}" for one in unit[0] for entry in one.entries}
    with_lists = quality_report(population, "U1", MONTH, people=unit[1], with_lists=True, names=names)

    words = words_in(pdf_of(with_lists))

    assert "Lists behind the numbers" in words
    for section in with_lists.sections:
        for behind in section.behind:
            assert behind.title in words
            patient, _, _, entries = behind.rows[-1]
            assert patient in words
            assert all(name in words for name in entries.split(", "))
    assert "first needles, fistula" in words
    assert "Invented Person" not in words


def test_a_units_report_counts_and_lists_nobody_of_another_unit(unit):
    histories, people = unit
    elsewhere = a_history(
        began("2021-01-05", unit="U2"),
        made("2023-01-05"),
        needled("2023-08-05"),
        ballooned("2023-09-05"),
        given_up("2024-02-01", "thrombosis"),
        patient="P9001",
    )
    moved = a_history(
        began("2021-01-05", unit="U1"),
        made("2021-02-05"),
        happening("care-began", "2022-01-05", unit="U2"),
        patient="P9002",
    )
    both = population_of([*histories, elsewhere, moved], BOOK)

    here = quality_report(both, "U1", MONTH, people=people, with_lists=True, of_unit="U1")
    there = quality_report(both, "U2", MONTH, people=people, with_lists=True, of_unit="U2")

    listed = {row[0] for section in here.sections for behind in section.behind for row in behind.rows}
    assert "P9001" not in listed
    # Who has gone to another unit since is not left out of a curve: it would be one of those who stayed.
    assert "P9002" in listed
    there_listed = {row[0] for section in there.sections for behind in section.behind for row in behind.rows}
    assert there_listed == {"P9001", "P9002"}
    needles = next(one for one in there.sections[2].tables if one.name == "first-needles")
    assert needles.rows == (("fistula", "1", "212", "1"),)


def test_a_table_that_goes_on_has_its_head_on_each_page(population, unit):
    with_lists = quality_report(population, "U1", MONTH, people=unit[1], with_lists=True)
    longest = max((one for section in with_lists.sections for one in section.behind), key=lambda one: len(one.rows))
    repeated = replace(
        with_lists, sections=(replace(with_lists.sections[0], behind=(replace(longest, rows=longest.rows * 4),)),)
    )

    from pypdf import PdfReader

    pages = [page.extract_text() for page in PdfReader(io.BytesIO(pdf_of(repeated))).pages]
    with_rows = [page for page in pages if longest.rows[0][2] in page and "Lists behind" not in page]

    assert len(with_rows) >= 2
    assert all("patient" in page.splitlines()[0] for page in with_rows)


def test_the_same_report_is_the_same_file(report):
    assert pdf_of(report) == pdf_of(report)


def test_the_report_as_pdf_has_its_words(report):
    words = words_in(pdf_of(report))

    assert "Vascular access, Invented Unit North, June 2024" in words
    assert "Appendix: what every number means and rests on" in words
    assert "P0001" not in words


def test_the_report_goes_to_csv_and_json(report):
    files = csv_files_of(report)

    assert len(files) == sum(len(section.tables) for section in report.sections)
    assert all(name.endswith(".csv") and text.count("\r\n") >= 1 for name, text in files.items())
    text = json.dumps(report.to_json(), allow_nan=False)
    assert "P0001" not in text


def test_choices_given_for_the_report_reach_the_measures_that_make_them(population, unit):
    chosen = {"primary-failures": "left-out", "removal-day": "counted"}

    found = quality_report(population, "U1", MONTH, people=unit[1], chosen=chosen)

    lines = dict(found.appendix)
    assert any("left out of the denominator" in line for line in lines["Primary (unassisted) patency, fistula"])
    assert any(
        line == "  the day of removal, in catheter-days: counted"
        for line in lines["Infections per 1,000 catheter-days"]
    )


def test_words_from_outside_are_escaped(population, unit):
    page = html_of(quality_report(population, "U1", MONTH, unit_name="<b>North</b> & co", people=unit[1]))

    assert "&lt;b&gt;North&lt;/b&gt; &amp; co" in page


def test_a_unit_with_nobody_gives_a_report_and_no_error():
    empty = quality_report(population_of([], BOOK), "U1", MONTH)

    assert "Nothing to count." in html_of(empty)
    assert pdf_of(empty).startswith(b"%PDF")


def test_rates_in_text_stand_with_what_others_published(population):
    text = "\n".join(tables.rates_text(access_events(population, month_of(2023, 6))))

    assert "access-years" in text
    under = text[text.index("fistula, ") :]
    assert re.search(r"^  intervention +\d+ +[\d.]+ +[\d.]+-[\d.]+", under, re.MULTILINE)
    assert "never a target" in text


# --- The extract ---

KEY = b"sixteen bytes at least"


def test_an_extract_holds_no_id_name_or_birth_date(population, unit):
    definitions = [BOOK.definition("primary-patency"), BOOK.definition("secondary-patency")]

    spells = spell_extract(population, definitions, CUT, KEY, people=unit[1])
    events = event_extract(population, CUT, KEY)

    told = json.dumps([spells.rows, events.rows])
    assert spells.rows
    assert events.rows
    assert not re.search(r"P0\d{3}|A1|C1|Invented|\"19\d\d\"", told)
    assert [len(row) for row in spells.rows] == [len(spells.columns)] * len(spells.rows)
    assert len(spells.dictionary) == len(spells.columns)


def test_intervals_survive_the_shift():
    history = a_history(made("2021-03-02"), clotted("2022-01-10"), gone("2022-05-01", "death"), patient="P0007")

    (row,) = spell_extract(population_of([history], BOOK), [BOOK.definition("primary-patency")], CUT, KEY).rows

    start, end = date.fromisoformat(row[7]), date.fromisoformat(row[8])
    assert (end - start).days == row[9] == 314
    assert start != date(2021, 3, 2)
    assert abs((start - date(2021, 3, 2)).days) <= 183


def test_dates_that_would_give_the_shift_away_are_left_blank():
    # A spell that still runs ends on the cut, which everybody knows; a bare month begins on its first day.
    running = a_history(made("2021-03-02"), patient="P0001")
    partial = a_history(made("2021-03"), clotted("2022-01-10"), gone("2022-05-01", "death"), patient="P0002")
    both = population_of([running, partial], BOOK)

    for row in spell_extract(both, [BOOK.definition("primary-patency")], CUT, KEY).rows:
        assert row[7:9] == ("", "")
    assert all(row[-1] == "" for row in event_extract(both, CUT, KEY).rows)


def test_the_same_key_gives_the_same_extract_and_another_key_another(population):
    definitions = [BOOK.definition("primary-patency")]

    first, again = (spell_extract(population, definitions, CUT, KEY).rows for _ in range(2))
    other = spell_extract(population, definitions, CUT, b"another key of enough bytes").rows

    assert first == again
    assert {row[0] for row in first}.isdisjoint({row[0] for row in other})


def test_a_short_key_is_refused():
    with pytest.raises(WrongInput, match="must have at least 16"):
        Veil(b"short")


@given(st.text(min_size=1, max_size=12))
def test_a_shift_is_never_nothing_and_never_more_than_half_a_year(patient):
    shift = Veil(KEY).shift_days(patient)

    assert shift != 0
    assert abs(shift) <= 183


def test_small_cells_are_hidden_and_the_total_does_not_give_them_away():
    cells = {"a": 40, "b": 12, "c": 3, "d": 0}

    assert hidden_cells(cells, [list(cells)], 5) == {"b", "c"}
    assert hidden_cells({**cells, "b": 2}, [list(cells)], 5) == {"b", "c"}
    assert hidden_cells(cells, [], 5) == {"c"}
    assert hidden_cells({"a": 4}, [["a"]], 5) == {"a"}


@given(st.lists(st.integers(0, 30), max_size=8), st.integers(1, 10))
def test_no_hidden_count_can_be_worked_out_from_the_total(counts, below):
    cells = dict(enumerate(counts))

    hidden = hidden_cells(cells, [list(cells)], below)

    assert all(place in hidden for place, count in cells.items() if 0 < count < below)
    # With one cell hidden and others shown, the total less the others is that cell.
    assert len(hidden) != 1 or not any(count for place, count in cells.items() if place not in hidden)


@given(st.integers(1, 10**6), st.integers(2, 12))
def test_no_few_people_stand_behind_a_day_of_a_curve_that_is_shown(seed, below):
    sample = a_sample(80, seed)
    start = date(2022, 1, 1)
    readings = [
        Reading(start, start + timedelta(days=int(day)), start, Outcome.EVENT, "abandonment", ())
        if cause == 1
        else Reading(start, start + timedelta(days=int(day)), start, Outcome.CENSORED, "cut", ())
        for day, cause in zip(sample.days, sample.cause, strict=True)
    ]
    counted = [
        Spell(f"P{place}", "A", AccessKind.FISTULA, "secondary-patency", one, one) for place, one in enumerate(readings)
    ]
    definition = BOOK.definition("secondary-patency")
    plain = patency_of(
        Spells(definition=definition, cut=CUT, counted=tuple(counted), left_out=()), horizons=range(10, 400, 10)
    )

    found = curve_without_small_cells(plain, below)

    shown = [0, *(one.day for one in found.horizons if one.shortest is not None)]
    days = np.array([one.shortest.days for one in counted])
    lost = np.array([one.shortest.outcome is Outcome.EVENT for one in counted])
    for first, last in pairwise(shown):
        between = (days > first) & (days <= last)
        assert not 0 < (between & lost).sum() < below
        went = (days >= first) & (days < last) & ~lost
        assert not 0 < went.sum() < below
        assert (days >= last).sum() >= below
    if found.events is not None:
        assert not 0 < (lost & (days > shown[-1])).sum() < below


def test_a_hidden_curve_is_in_no_output(unit):
    spells = spells_of(unit[0], BOOK.definition("secondary-patency"), CUT, label=grouping("kind"))

    one = curve_without_small_cells(patency_of(spells), 5)
    both = comparison_without_small_cells(compare(spells, "kind"), 25)
    few = curve_without_small_cells(patency_of(spells), 1000)

    plain = one.to_json()
    assert plain["curve"] is None
    assert plain["incidence"] is None
    assert any(row["hidden"] and row["shortest"] is None for row in plain["horizons"])
    assert {row["day"] for row in csv.DictReader(io.StringIO(tables.curve_csv([one])))} == {
        str(on.day) for on in one.horizons
    }
    text = "\n".join(tables.patency_text(one))
    assert "Counts below 5 are hidden" in text
    assert "|" not in text
    assert {group["basis"]["counted"] for group in both.to_json()["groups"]} == {None}
    assert both.to_json()["log_rank"]["groups"] == []
    assert "hidden of" not in "\n".join(tables.comparison_text(both))
    assert few.to_json()["basis"]["counted"] is None
    assert all(row["hidden"] for row in few.to_json()["horizons"] if row["day"] <= 365)


def test_a_report_with_small_counts_hidden_draws_nothing_and_tells_none(population, unit):
    hidden = quality_report(population, "U1", MONTH, people=unit[1], hide_below=8)

    page = html_of(hidden)
    rows = [row for section in hidden.sections for one in section.tables for row in one.rows]

    assert "<svg" not in page
    assert "Counts below 8 are hidden" in page
    assert any("hidden" in cell for row in rows for cell in row)
    counts = [
        row[1] for section in hidden.sections for one in section.tables if "events" in one.head for row in one.rows
    ]
    assert all(count == "hidden" or not 0 < int(count.split()[0]) < 8 for count in counts)
    text = json.dumps(hidden.to_json())
    assert "P0001" not in text


def test_a_warning_that_counts_is_told_without_a_small_count(population):
    shares = access_in_use(population, CUT)
    noted = replace(shares.basis, warnings=(Beware("{} of {} are odd.", 2, 40), "All is well."), hide_below=5)

    assert noted.beware == ["fewer than 5 of 40 are odd.", "All is well."]
    assert "Beware: fewer than 5 of 40 are odd." in noted.lines


def test_hidden_numbers_are_in_no_output(population):
    shares = without_small_cells(access_in_use(population, date(2023, 6, 30)), 5)
    rates = rates_without_small_cells(access_events(population, month_of(2022, 6)), 5)
    events = events_without_small_cells(dialysis_events(population, [month_of(2022, 6)]), 5)

    for found in (*shares.shares, *rates.rates, *events.rates):
        plain = found.to_json()
        count = plain.get("count", plain.get("events"))
        assert count is None or count == 0 or count >= 5
        assert plain["hidden"] == (count is None)
    assert any(one.hidden for one in shares.shares)
    assert "hidden of" in "\n".join(tables.prevalence_text(shares))
    assert any(one.hidden for one in rates.rates)
    hidden_row = next(row for row in csv.DictReader(io.StringIO(tables.rates_csv(rates))) if row["events"] == "")
    assert hidden_row["rate"] == hidden_row["low"] == ""
