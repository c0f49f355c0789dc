"""Sessions in bulk: a unit's list by a mapping that was saved once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from ledger.arrival.sessions import (
    RowRefused,
    SessionColumn,
    SessionColumns,
    SessionRow,
    proposed_columns,
    session_rows,
    uses,
)
from ledger.errors import WrongInput
from ledger.events import CannulationSession
from tests.cli.conftest import Desk

Lists = Callable[..., Path]

HEADINGS = "MRN,Date,Start,Access,Qb (ml/min),PA,PV,Duration,Bleeding (min),Gauge"
GOOD = "K204817,2024-09-02,07:10,AVF,350,-165,142,4:00,11,15"


@pytest.fixture
def a_list(tmp_path: Path) -> Lists:
    def write(*rows: str, headings: str = HEADINGS) -> Path:
        file = tmp_path / "list.csv"
        file.write_text("\n".join([headings, *rows, ""]), encoding="utf-8")
        return file

    return write


@pytest.fixture
def mapped(with_fistula: Desk, a_list: Lists) -> Desk:
    """A ledger in which the mapping of these headings is saved."""
    with_fistula.ok(
        "entries sessions --save machine --word Access:AVF=fistula --word Access:CVC=catheter", a_list(GOOD)
    )
    return with_fistula


def sessions_of(desk: Desk) -> list[CannulationSession]:
    with desk.open() as ledger:
        facts = [one.fact for one in ledger.history("P0001", sessions=True).facts]
    return [fact for fact in facts if isinstance(fact, CannulationSession)]


# --- The mapping --------------------------------------------------------------------------------------------------


def test_without_a_mapping_nothing_is_recorded_and_it_is_said_how_to_save_one(
    with_fistula: Desk, a_list: Lists
) -> None:
    ran = with_fistula.run("entries sessions", a_list(GOOD))

    assert ran.code == 1
    assert "--save NAME" in ran.err
    assert sessions_of(with_fistula) == []


def test_saving_shows_what_each_heading_is_taken_for_and_records_nothing(with_fistula: Desk, a_list: Lists) -> None:
    ran = with_fistula.ok("entries sessions --save machine", a_list(GOOD))

    lines = [line.split() for line in ran.out.splitlines()]
    assert ["Qb", "(ml/min)", "blood-flow-ml-min", "ml/min", "350"] in lines
    assert ["PA", "arterial-pressure-mmhg", "-165"] in lines
    assert sessions_of(with_fistula) == []


def test_a_heading_that_nobody_knows_is_not_recorded_until_somebody_says_what_it_is(
    with_fistula: Desk, a_list: Lists
) -> None:
    file = a_list("K204817,2024-09-02,250", headings="MRN,Date,Pump")

    with_fistula.ok("entries sessions --save machine --column Pump=blood-flow-ml-min", file)
    with_fistula.ok("entries sessions --columns machine", file)

    (fact,) = sessions_of(with_fistula)
    assert str(fact.blood_flow_ml_min) == "250"


def test_a_unit_that_converts_without_rounding_is_converted(with_fistula: Desk, a_list: Lists) -> None:
    file = a_list("K204817,2024-09-02,0.35,65", headings="MRN,Date,Qb,Site")

    with_fistula.ok(
        "entries sessions --save m --column",
        "Qb=blood-flow-ml-min in l/min",
        "--column",
        "Site=arterial-site-cm in mm",
        file,
    )
    with_fistula.ok("entries sessions --columns m", file)

    (fact,) = sessions_of(with_fistula)
    assert (str(fact.blood_flow_ml_min), str(fact.arterial_site_cm)) == ("350", "6.5")


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--column", "Qb (ml/min)=blood-flow-ml-min in bar"], "no unit for blood-flow-ml-min"),
        (["--column", "Qb (ml/min)=speed"], "nothing that a column can be for"),
        (["--column", "Pump=minutes"], "names no heading"),
        (["--column", "MRN=leave-out"], "no column says the patient"),
        (["--word", "Access-AVF"], "names no heading"),
        (["--dates", "sometimes"], "not an order"),
        (["--decimal", ";"], "no such sign"),
    ],
)
def test_a_mapping_that_does_not_do_is_not_saved(
    with_fistula: Desk, a_list: Lists, options: list[str], says: str
) -> None:
    ran = with_fistula.run("entries sessions --save machine", *options, a_list(GOOD))

    assert ran.code == 1
    assert says in " ".join(ran.err.split())
    assert with_fistula.run("entries sessions --columns machine", a_list(GOOD)).code == 1


def test_a_list_in_another_unit_than_the_mapping_says_is_refused_whole(mapped: Desk, a_list: Lists) -> None:
    mapping = SessionColumns(
        name="m",
        columns=(
            SessionColumn(heading="MRN", use="patient"),
            SessionColumn(heading="Date", use="day"),
            SessionColumn(heading="Qb (l/min)", use="blood-flow-ml-min", unit="ml/min"),
        ),
    )

    with pytest.raises(WrongInput, match="speaks of l/min"):
        list(session_rows("MRN,Date,Qb (l/min)\nK1,2024-09-02,0.3\n", mapping))


def test_a_list_that_lacks_a_column_of_the_mapping_is_refused_whole(mapped: Desk, a_list: Lists) -> None:
    ran = mapped.run("entries sessions", a_list("K204817,2024-09-02", headings="MRN,Date"))

    assert ran.code == 1
    assert "has no column 'Start'" in " ".join(ran.err.split())


def test_a_mapping_comes_back_as_it_was_saved() -> None:
    mapping = proposed_columns(HEADINGS.split(","), "machine")

    assert SessionColumns.from_json(mapping.to_json()) == mapping


def test_every_field_of_a_session_can_be_a_column() -> None:
    told = {one.name for one in fields(CannulationSession)} - {"kind", "happened", "access"}

    assert {name.replace("_", "-") for name in told} <= set(uses())


# --- The rows -----------------------------------------------------------------------------------------------------


def test_a_row_becomes_a_session_of_the_access_that_its_word_means(mapped: Desk, a_list: Lists) -> None:
    ran = mapped.ok("entries sessions --columns machine", a_list(GOOD))

    (fact,) = sessions_of(mapped)
    assert ran.out.startswith("1 row: 1 session of 1 patient recorded, 0 not taken.")
    assert (fact.access, fact.happened, fact.minutes, fact.gauge) == ("A1", "2024-09-02T07:10", 240, 15)
    assert str(fact.venous_pressure_mmhg) == "142"


def test_loading_again_adds_nothing(mapped: Desk, a_list: Lists) -> None:
    mapped.ok("entries sessions", a_list(GOOD))

    again = mapped.ok("entries sessions --json", a_list(GOOD, GOOD))

    assert (again.json["added"], again.json["already"], again.json["refused"]) == (0, 2, [])
    assert len(sessions_of(mapped)) == 1


def test_a_row_that_says_something_else_of_a_session_that_is_there_is_not_taken(mapped: Desk, a_list: Lists) -> None:
    mapped.ok("entries sessions", a_list(GOOD))

    ran = mapped.run("entries sessions --json", a_list(GOOD.replace("350", "300")))

    assert ran.code == 1
    assert "P0001.s1" in ran.json["refused"][0]["problem"]
    assert str(sessions_of(mapped)[0].blood_flow_ml_min) == "350"


def test_two_sessions_of_one_day_are_two_and_a_row_that_stands_twice_is_one(mapped: Desk, a_list: Lists) -> None:
    first = "K204817,2024-09-02,,AVF,350,-165,142,120,11,15"
    second = "K204817,2024-09-02,,AVF,300,-165,142,120,11,15"

    mapped.ok("entries sessions", a_list(first, second, first))

    assert {str(fact.blood_flow_ml_min) for fact in sessions_of(mapped)} == {"350", "300"}
    assert len(sessions_of(mapped)) == 2


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("K204817,2024-09-02,07:10,AVF,350,-900,142,240,11,15", "cannot be"),
        ("K204817,2024-09-02,07:10,AVF,fast,-165,142,240,11,15", "not a number"),
        ("K204817,2024-09-02,07:10,AVF,350 bar,-165,142,240,11,15", "another unit"),
        ("K204817,2024-09-02,25:10,AVF,350,-165,142,240,11,15", "no time of day"),
        ("K204817,the other day,07:10,AVF,350,-165,142,240,11,15", "no day"),
        ("K204817,03/04/2024,07:10,AVF,350,-165,142,240,11,15", "two ways"),
        ("K204817,2024-09-02,07:10,CVC,350,-165,142,240,11,15", "No access of P0001 fits"),
        ("K204817,2023-09-02,07:10,AVF,350,-165,142,240,11,15", "No access of P0001 fits"),
        ("K999999,2024-09-02,07:10,AVF,350,-165,142,240,11,15", "No patient here"),
        (",2024-09-02,07:10,AVF,350,-165,142,240,11,15", "patient is empty"),
        ("K204817,2024-09-02,07:10,AVF,350,-165,142,240,11,15.5", "not a whole number"),
        ("K204817,2024-09-02,07:10,AVF,350,-165,142,240,11,15,what", "more cells"),
    ],
)
def test_a_row_that_cannot_be_is_named_by_its_line_and_does_not_stop_the_rest(
    mapped: Desk, a_list: Lists, row: str, says: str
) -> None:
    ran = mapped.run("entries sessions --json", a_list(row, GOOD))

    assert ran.code == 3
    assert ran.json["added"] == 1
    (refused,) = ran.json["refused"]
    assert refused["line"] == 2
    assert says in refused["problem"]


def test_an_unusual_number_goes_in_and_is_questioned_by_its_line(mapped: Desk, a_list: Lists) -> None:
    ran = mapped.ok("entries sessions --json", a_list(GOOD, GOOD.replace("09-02", "09-04").replace("142", "520")))

    assert ran.json["added"] == 2
    (odd,) = ran.json["questioned"]
    assert (odd["line"], odd["entry"]) == (3, "P0001.s2")


def test_a_session_of_a_day_that_has_one_already_is_questioned(mapped: Desk, a_list: Lists) -> None:
    mapped.ok("record cannulation-session P0001 --access A1 --happened 2024-09-02 --needles 2")

    ran = mapped.ok("entries sessions --json", a_list(GOOD))

    assert "recorded already (P0001.s1)" in ran.json["questioned"][0]["words"]


@pytest.mark.parametrize("said", ["Ivor Quill,1958-07-14", "Maud Vellacott-Orme,1958-07-15"])
def test_a_number_that_matches_while_name_or_birth_date_disagree_is_no_match(
    with_fistula: Desk, a_list: Lists, said: str
) -> None:
    file = a_list(f"K204817,{said},2024-09-02", headings="MRN,Name,DOB,Date")
    with_fistula.ok("entries sessions --save m", file)

    ran = with_fistula.run("entries sessions", file)

    assert ran.code == 1
    assert "no match" in " ".join(ran.out.split())
    assert "Quill" not in ran.out


def test_without_a_word_for_the_access_the_only_one_that_can_have_been_used_is_taken(
    with_fistula: Desk, a_list: Lists
) -> None:
    with_fistula.ok(
        "record catheter-placed P0001 --access C1 --happened 2024-03-01 --access-kind tunnelled-catheter --side right"
    )
    file = a_list(
        "K204817,2024-09-02,catheter", "K204817,2024-09-04,two-needles", "K204817,2024-09-06,", headings="MRN,Date,Use"
    )
    with_fistula.ok("entries sessions --save m", file)

    ran = with_fistula.run("entries sessions --json", file)

    assert [fact.access for fact in sessions_of(with_fistula)] == ["C1", "A1"]
    assert "More than one access" in ran.json["refused"][0]["problem"]


def test_a_session_that_was_loaded_is_corrected_as_any_other(mapped: Desk, a_list: Lists) -> None:
    mapped.ok("entries sessions", a_list(GOOD))

    mapped.ok("correct P0001.s1 --set gauge=16")

    assert sessions_of(mapped)[0].gauge == 16


# --- Reading alone ------------------------------------------------------------------------------------------------

TWO = (SessionColumn(heading="MRN", use="patient"), SessionColumn(heading="Date", use="day"))


def read(cell: str, use: str, **more: Any) -> SessionRow | RowRefused:
    mapping = SessionColumns(name="m", columns=(*TWO, SessionColumn(heading="X", use=use)), **more)
    (row,) = session_rows(f'MRN;Date;X\nK1;2024-09-02;"{cell}"\n', mapping)
    return row


@pytest.mark.parametrize(
    ("cell", "decimal", "value"),
    [
        ("350", ".", {"value": "350"}),
        ("350 ml/min", ".", {"value": "350"}),
        ("<20", ".", {"value": "20", "comparator": "<"}),
        ("300-350", ".", {"low": "300", "high": "350"}),
        ("12,5", ",", {"value": "12.5"}),
        ("1.250,5", ",", {"value": "1250.5"}),
    ],
)
def test_a_number_is_kept_as_it_was_said(cell: str, decimal: str, value: dict[str, str]) -> None:
    row = read(cell, "blood-flow-ml-min", decimal=decimal)

    assert isinstance(row, SessionRow)
    assert row.event["blood_flow_ml_min"] == value


@pytest.mark.parametrize(("cell", "decimal"), [("1,250", "."), ("1.250", ",")])
def test_a_sign_that_this_house_does_not_write_before_decimals_is_not_guessed(cell: str, decimal: str) -> None:
    assert isinstance(read(cell, "blood-flow-ml-min", decimal=decimal), RowRefused)


def test_lines_are_counted_through_cells_with_line_ends() -> None:
    mapping = SessionColumns(name="m", columns=(*TWO, SessionColumn(heading="Note", use="note")))

    rows = list(session_rows('MRN,Date,Note\nK1,2024-09-02,"one\ntwo"\nK1,nonsense,\n', mapping))

    assert [row.line for row in rows] == [2, 4]
