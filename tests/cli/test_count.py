"""Counting from a ledger: what is printed, what a script gets, what is written to files, and what is refused."""

from __future__ import annotations

import csv
import io
import stat
from pathlib import Path

import pytest

from ledger.people import Person, Unit
from ledger.store import open_ledger
from tests.cli.conftest import Desk
from tests.statistics.unit import filled

SIZE = 40


@pytest.fixture(scope="module")
def full(tmp_path_factory) -> Path:
    """A ledger with an invented unit of forty patients over four years. Nobody writes to it but the audit."""
    file = tmp_path_factory.mktemp("unit") / "ledger.sqlite"
    with open_ledger(file, create=True, zone="Europe/London") as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit by the quay", zone="Europe/London", invented=True))
        ledger.who.add_unit(Unit(id="U2", name="Invented unit on the hill", zone="Europe/London", invented=True))
        ledger.who.add_person(Person(id="N1", name="Nurse Invented", role="nurse", invented=True))
        filled(ledger, SIZE)
    return file


@pytest.fixture
def unit(full, monkeypatch) -> Desk:
    """Commands on that ledger, on New Year's Eve of 2024."""
    monkeypatch.setenv("ACCESS_LEDGER_TODAY", "2024-12-31")
    return Desk(full)


def test_patency_without_a_measure_is_primary_assisted_and_secondary(unit):
    ran = unit.ok("patency")

    assert [line for line in ran.out.splitlines() if line.endswith("patency") and line[0] != " "] == [
        "Primary (unassisted) patency",
        "Assisted primary patency",
        "Secondary (cumulative) patency",
    ]
    assert f"{SIZE} accesses of {SIZE} patients, up to and including 2024-12-31." in ran.out
    assert "P0001" not in ran.out


def test_patency_for_a_script_holds_numbers_and_their_basis_and_no_patient(unit):
    ran = unit.ok("patency secondary-patency --json --unit U1 --until 2023-12-31")

    (result,) = ran.json["results"]
    assert ran.json["format"] == 1
    assert result["definition"] == "secondary-patency"
    assert result["basis"]["cut"] == "2023-12-31"
    assert result["basis"]["choices"]
    assert "P0001" not in ran.out


def test_groups_are_compared(unit):
    ran = unit.ok("patency secondary-patency --compare kind")

    assert "log-rank: chi-square" in ran.out
    assert "a fistula, b graft" in ran.out
    found = unit.ok("patency secondary-patency --compare sex --json").json["results"][0]
    assert {group["group"] for group in found["groups"]} == {"female", "male"}


def test_only_one_kind_and_only_what_began_in_some_months(unit):
    every = unit.ok("patency secondary-patency --json").json["results"][0]["basis"]["counted"]
    grafts = unit.ok("patency secondary-patency --json --kind graft").json["results"][0]["basis"]["counted"]
    fistulas = unit.ok("patency secondary-patency --json --kind fistula").json["results"][0]["basis"]["counted"]
    early = unit.ok("patency secondary-patency --json --to 2022-01-01").json["results"][0]["basis"]["counted"]
    late = unit.ok("patency secondary-patency --json --from 2022-01-02").json["results"][0]["basis"]["counted"]

    assert grafts + fistulas == every == early + late
    assert 0 < grafts < every
    assert 0 < early < every


def test_the_list_behind_the_numbers_comes_when_asked_for_and_is_noted(unit):
    ran = unit.ok("patency secondary-patency --list")
    audit = unit.ok("audit --json")

    assert "P0001 A1-P0001" in ran.out
    assert "patency" in audit.out


def test_choices_change_what_is_counted_and_are_said(unit):
    ran = unit.ok("patency primary-patency --choose second-stage=starts-the-clock --choose primary-failures=left-out")

    assert "Choices other than the default:" in ran.out
    assert "planned second stage: the clock starts at the second stage" in ran.out


def test_a_site_brings_its_own_definitions(unit, tmp_path):
    own = tmp_path / "own.toml"
    own.write_text('[choices]\nprimary-failures = "left-out"\n', encoding="utf-8")

    ran = unit.ok("patency secondary-patency --json --definitions", own)

    chosen = {one["name"]: one["option"] for one in ran.json["results"][0]["basis"]["choices"]}
    assert chosen["primary-failures"] == "left-out"


def test_definitions_are_listed_without_a_ledger(tmp_path):
    nowhere = Desk(tmp_path / "none.sqlite")

    every = nowhere.ok("patency definitions")
    one = nowhere.ok("patency definitions target-lesion-primary-patency --json").json["definitions"][0]

    assert "functional-secondary-patency: Functional secondary (cumulative) patency" in every.out
    assert {choice["name"] for choice in one["choices"]} >= {"target-lesion", "index-days"}
    assert not nowhere.file.exists()


def test_curves_go_to_csv_and_pictures_that_are_private(unit, tmp_path):
    table, picture = tmp_path / "curve.csv", tmp_path / "curve.svg"

    unit.ok("patency --csv", table, "--picture", picture)

    rows = list(csv.DictReader(io.StringIO(table.read_text("utf-8"))))
    assert {row["definition"] for row in rows} == {
        "primary-patency",
        "assisted-primary-patency",
        "secondary-patency",
    }
    assert b"<svg" in picture.read_bytes()
    assert stat.S_IMODE(table.stat().st_mode) == 0o600


def test_a_file_that_is_there_is_not_overwritten(unit, tmp_path):
    table = tmp_path / "curve.csv"
    table.write_text("mine", encoding="utf-8")

    ran = unit.run("patency --csv", table)

    assert ran.code == 1
    assert "is already there" in ran.err
    assert table.read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("line", "code", "says"),
    [
        ("patency colour", 1, "There is no definition called 'colour'."),
        ("patency --choose colour=red", 1, "makes a choice called 'colour'"),
        ("patency --choose colour", 2, "--choose takes CHOICE=OPTION"),
        ("patency --unit U9", 1, "There is no unit 'U9' in this ledger."),
        ("patency --compare colour", 1, "Nothing can be grouped by 'colour'."),
        ("patency --until yesterday", 1, "What --until says is not a day."),
        ("patency --days soon", 2, "--days takes whole days"),
        ("patency --from 2024-01-01 --to 2023-01-01", 2, "--from lies after --to."),
        ("patency --list --json", 2, "JSON never holds a list of patients"),
        ("patency --picture curve.gif", 2, "ends in .svg, .png or .pdf"),
        ("patency primary-patency secondary-patency", 2, "name one measure"),
        ("rates --month march", 1, "What --month says is not a month."),
        ("rates weather", 2, "weather"),
        ("rates --picture x.svg", 2, "draws one of them"),
        ("rates infections --picture x.svg --hide-below 5", 2, "does not go with --hide-below"),
        ("rates --compare-units", 2, "--compare-units takes infections"),
        ("rates peritoneal --picture x.svg", 2, "there is no chart over months of that"),
        ("prevalence --on sometime", 1, "What --on says is not a day."),
        ("quality-report --unit U9", 1, "There is no unit 'U9'"),
        ("quality-report --unit U1 --lists", 2, "name a folder with --to"),
        ("extract --to out --key-file nowhere", 1, "The key cannot be read."),
    ],
)
def test_what_is_wrong_is_said_with_what_to_do(unit, tmp_path, monkeypatch, line, code, says):
    monkeypatch.chdir(tmp_path)

    ran = unit.run(line)

    assert ran.code == code
    assert says in " ".join(ran.err.split())
    assert list(tmp_path.iterdir()) == []


def test_rates_stand_with_their_denominators(unit):
    ran = unit.ok("rates --month 2022-06")

    assert "Infections per 1,000 catheter-days, 2021-07-01 to 2022-06-30" in ran.out
    assert "Dialysis events per 100 patient-months" in ran.out
    assert "Events per access-year" in ran.out
    assert "Thromboses per access-year over months (u-chart)" in ran.out
    assert "P0001" not in ran.out


def test_rates_for_a_script_and_with_small_cells_hidden(unit):
    plain = unit.ok("rates accesses --month 2022-06 --months 3 --json").json
    hidden = unit.ok("rates accesses --month 2022-06 --months 3 --json --hide-below 5").json

    assert len(plain["charts"][0]["marks"]) == 3
    assert hidden["charts"] == []
    counts = [rate["events"] for rate in hidden["results"][0]["rates"]]
    assert all(count is None or count == 0 or count >= 5 for count in counts)


def test_rates_list_their_events_and_draw_over_months(unit, tmp_path):
    ran = unit.ok("rates accesses --month 2022-06 --list --picture", tmp_path / "chart.png")

    assert "thrombosis, every needled access:" in ran.out
    assert "  P00" in ran.out
    assert (tmp_path / "chart.png").read_bytes().startswith(b"\x89PNG")


def test_interventions_since_creation_stand_with_the_rates_of_accesses(unit):
    plain = unit.ok("rates accesses --month 2022-06 --json").json["recurrence"]
    text = unit.ok("rates accesses --month 2022-06").out

    assert plain["rows"][-1]["mean"] > 0
    assert "mean cumulative function" in text


def test_units_are_compared_with_the_limits_of_chance(unit, tmp_path):
    ran = unit.ok("rates infections --compare-units --month 2022-06 --picture", tmp_path / "funnel.svg")
    plain = unit.ok("rates infections --compare-units --month 2022-06 --json").json["funnels"][0]

    assert "by unit; mean of all" in ran.out
    assert "no verdict" in ran.out
    assert [mark["name"] for mark in plain["marks"]] == ["U1", "U2"]
    assert plain["marks"][1]["value"] is None
    assert b"<svg" in (tmp_path / "funnel.svg").read_bytes()


def test_prevalence_on_a_day_and_over_months(unit, tmp_path):
    ran = unit.ok("prevalence --month 2022-06 --csv", tmp_path / "p.csv")
    plain = unit.ok("prevalence --on 2022-06-15 --json").json

    assert "Access in use, 2022-06-30" in ran.out
    assert "Catheters longer than three months, 2022-06-30" in ran.out
    assert plain["results"][0]["day"] == "2022-06-15"
    assert len(plain["over_months"]) == 12
    days = {row["day"] for row in csv.DictReader(io.StringIO((tmp_path / "p.csv").read_text("utf-8")))}
    assert {"2021-07-31", "2022-06-30"} <= days


def test_the_quality_report_is_printed_or_written(unit, tmp_path):
    printed = unit.ok("quality-report --unit U1 --month 2022-06")
    written = unit.ok("quality-report --unit U1 --month 2022-06 --lists --to", tmp_path / "report")
    again = unit.run("quality-report --unit U1 --month 2022-06 --to", tmp_path / "report")

    assert "Vascular access, Invented unit by the quay, June 2022" in printed.out
    assert "P0001" not in printed.out
    assert "report.html, report.pdf and 12 tables written" in " ".join(written.out.split())
    assert "P0001" in (tmp_path / "report" / "report.html").read_text(encoding="utf-8")
    assert (tmp_path / "report" / "report.pdf").read_bytes().startswith(b"%PDF")
    assert again.code == 1
    assert "is already there" in again.err


def test_a_report_of_a_unit_without_patients_is_empty_and_no_error(unit):
    ran = unit.ok("quality-report --unit U2 --month 2022-06 --json")

    assert ran.json["results"][0]["basis"]["counted"] == 0


def test_an_extract_holds_no_id_and_has_its_dictionary(unit, tmp_path):
    key = tmp_path / "key"
    key.write_bytes(b"a key of more than sixteen bytes")

    ran = unit.ok("extract --to", tmp_path / "out", "--key-file", key)

    files = {one.name: one.read_text(encoding="utf-8") for one in (tmp_path / "out").iterdir()}
    assert set(files) == {
        "spells.csv",
        "spells-dictionary.csv",
        "events.csv",
        "events-dictionary.csv",
        "definitions.txt",
    }
    assert "P0001" not in "".join(files.values())
    assert "De-identified is not anonymous" in ran.out
    assert [row[0] for row in csv.reader(files["spells-dictionary.csv"].splitlines()[1:])] == next(
        csv.reader(files["spells.csv"].splitlines())
    )


def test_what_was_known_on_a_day_is_counted_as_it_was_known(unit):
    # Everything in this ledger was recorded long after 2021.
    ran = unit.ok("patency secondary-patency --known-on 2021-01-01 --json")

    assert ran.json["results"][0]["basis"]["counted"] == 0


def test_an_empty_ledger_can_be_counted(empty):
    assert "0 accesses of 0 patients" in empty.ok("patency secondary-patency").out
    assert empty.ok("rates --json").json["results"]
    assert empty.ok("prevalence --json").json["results"]


def test_a_record_that_was_joined_to_another_counts_once(desk):
    with desk.open() as ledger:
        ledger.who.add_patient(name="Maud Orme", unit="U1", invented=True)
    desk.ok("record creation P0001 --access A1 --happened 2024-03-04 --access-kind fistula --side left")
    desk.ok("record creation P0002 --access A2 --happened 2024-05-04 --access-kind graft --side left")
    desk.ok("record patients-are-one P0001 --happened 2024-06-01 --other P0002")

    found = desk.ok("patency secondary-patency --json").json["results"][0]["basis"]

    assert (found["counted"], found["patients"]) == (2, 1)
