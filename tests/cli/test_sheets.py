"""Spreadsheets with a report a row, by a mapping of columns that is kept once."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ledger.store.papers import StoredReport
from tests.cli.conftest import Desk

SHEET = """\
Hosp No;Surname;Forename;DOB;Date;Summary
K204817;Vellacott-Orme;Maud;14/07/1958;12/05/2024;Balloon angioplasty of an 80% cephalic arch stenosis of the left \
brachiocephalic fistula with an 8 mm balloon. Residual 20%.
K999;Nobody;Here;01/02/1950;13/05/2024;Right tunnelled internal jugular dialysis catheter removed.
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    file = tmp_path / "invented-summaries.csv"
    file.write_text(SHEET)
    return file


def stored(desk: Desk) -> list[StoredReport]:
    with desk.open() as ledger:
        return [one for one in ledger.papers.reports() if one.state == "waiting"]


def test_a_sheet_waits_for_a_mapping_and_says_how_to_make_one(desk: Desk, sheet: Path) -> None:
    ran = desk.run("report import", sheet)

    assert ran.code == 1
    assert "access-ledger report columns SHEET" in ran.out


def test_a_mapping_is_offered_corrected_kept_and_used(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    mapping = tmp_path / "mapping.json"
    assert "family-name" in desk.ok("report columns", sheet, "--to", mapping).out
    said = json.loads(mapping.read_text())
    said["dates"] = "day-first"
    mapping.write_text(json.dumps(said))
    desk.ok("report columns --keep", mapping)

    ran = desk.ok("report import --json", sheet)

    assert [(one["part"], one["patient"]) for one in ran.json["reports"]] == [(1, "P0001"), (2, None)]
    assert [(one.proposed or {})["happened"] for one in stored(desk)] == ["2024-05-12", "2024-05-13"]
    assert "day-first" in desk.ok("report columns").out
    assert desk.ok("report import --json", sheet).json["outcomes"] == {"already": 2}


def test_a_mapping_that_is_none_is_not_kept(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    (tmp_path / "m.json").write_text('{"name": "x", "columns": []}')

    assert desk.run("report columns --keep", tmp_path / "m.json").code == 1
    assert desk.run("report columns --keep", sheet).code == 1
    assert "No mapping is kept" in desk.ok("report columns").out


def test_what_is_no_sheet_has_no_columns(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("Dear colleague, the weather was fine.")

    assert desk.run("report columns", tmp_path / "letter.txt").code == 1


def test_a_mapping_is_not_written_over_a_file(desk: Desk, sheet: Path) -> None:
    assert desk.run("report columns", sheet, "--to", sheet).code == 1
    assert sheet.read_text() == SHEET
