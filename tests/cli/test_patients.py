"""Patients: who they are, apart from what happened to them."""

from __future__ import annotations

import pytest

from tests.cli.conftest import MRN, NAME, Desk


def test_a_patient_gets_the_next_id(desk: Desk) -> None:
    ran = desk.ok(
        "patient add --born 1970 --sex female --unit U1 --shift early --number 77 --json --name", "Una Invented"
    )

    assert ran.json["patient"] == {
        "id": "P0002",
        "name": "Una Invented",
        "birth_date": "1970",
        "sex": "female",
        "identifiers": [{"system": "local", "value": "77"}],
        "unit": "U1",
        "shift": "early",
        "erased": False,
        "invented": False,
    }


def test_the_same_name_and_birth_date_is_asked_about(desk: Desk) -> None:
    line = "patient add --born 1958-07-14 --name"
    refused = desk.run(line, NAME)
    assert refused.code == 1
    assert "P0001" in refused.err
    assert "Vellacott" not in refused.err

    taken = desk.ok(f"{line}", NAME, "--another")

    assert taken.out.startswith("P0002")
    assert "P0001 is called alike" in taken.out


def test_a_number_belongs_to_one_patient(desk: Desk) -> None:
    ran = desk.run(f"patient add --number {MRN}=K204817 --name", "Somebody Else")

    assert ran.code == 1
    assert "P0001" in ran.err
    assert "K204817" not in ran.err


@pytest.mark.parametrize(
    "line",
    [
        "patient add",
        "patient add --name X --born 14.7.1958",
        "patient add --name X --born 1958-07-14T10:00",
        "patient add --name X --sex f",
        "patient add --name X --unit U9",
        "patient add --name X --number =12",
        "patient change P0001 --unit U9",
        "patient change P0001 --without-number 999",
        "patient change P0009 --name Y",
    ],
)
def test_what_cannot_be_a_patient_is_said_and_nothing_is_kept(desk: Desk, line: str) -> None:
    before = desk.ok("patient list --json").json

    ran = desk.run(line)

    assert ran.code == 1
    assert ran.err.count("\n") >= 2
    assert desk.ok("patient list --json").json == before


def test_patients_are_found_by_id_number_and_part_of_a_name(desk: Desk) -> None:
    for text in ("P0001", "K204817", "vellacott", "MAUD orme"):
        assert [one["id"] for one in desk.ok("patient list --json", text).json["patients"]] == ["P0001"]
    assert desk.ok("patient list nobody").out == "No patient fits.\n"


def test_an_empty_list_says_how_to_begin(empty: Desk) -> None:
    assert "access-ledger patient add" in empty.ok("patient list").out
    assert empty.ok("patient list --json").json == {"format": 1, "patients": []}


def test_a_list_shows_the_accesses_that_are_kept(with_fistula: Desk) -> None:
    assert "LEFT upper-arm fistula" in with_fistula.ok("patient list").out

    with_fistula.ok("record abandonment P0001 --access A1 --happened 2025-01-08 --how given-up")

    assert "fistula" not in with_fistula.ok("patient list").out


def test_a_patient_is_shown_with_accesses_and_reports(with_fistula: Desk) -> None:
    shown = with_fistula.ok("patient show", NAME).out

    assert shown.startswith(f"P0001  {NAME} (invented)")
    assert "A1" in shown
    assert "1 entry, 0 reports." in shown


def test_a_change_keeps_what_is_not_named(desk: Desk) -> None:
    ran = desk.ok("patient change P0001 --sex female --number local=5 --without-number K204817")

    assert ran.out == "P0001: changed sex, identifiers.\n"
    (one,) = desk.ok("patient list --json").json["patients"]
    assert one["name"] == NAME
    assert one["identifiers"] == [{"system": "local", "value": "5"}]


def test_a_change_to_what_is_so_changes_nothing(desk: Desk) -> None:
    ran = desk.ok("patient change P0001 --unit U1")

    assert "nothing to change" in ran.out


def test_another_patients_number_cannot_be_taken_over(desk: Desk) -> None:
    desk.ok("patient add --name Una --number 77")

    ran = desk.run("patient change P0001 --number 77")

    assert ran.code == 1
    assert "P0002" in ran.err
    assert "patients-are-one" in ran.err


def test_erasing_needs_a_yes_and_leaves_the_entries(with_fistula: Desk) -> None:
    assert with_fistula.run("patient erase P0001").code == 1

    with_fistula.ok("patient erase P0001 --yes")

    assert NAME.encode() not in with_fistula.file.read_bytes()
    assert "(erased)" in with_fistula.ok("patient list").out
    assert with_fistula.ok("history A1 --json").json["lines"]
    assert with_fistula.ok("verify").code == 0
    assert "erased before" in with_fistula.ok("patient erase P0001 --yes").out


def test_erasing_at_a_terminal_asks_for_the_id(desk: Desk) -> None:
    screen = desk.at_terminal("patient erase P0001", answers=[("Type P0001 to erase", "no\r")])
    assert "nothing was erased" in screen

    screen = desk.at_terminal("patient erase P0001", answers=[("Type P0001 to erase", "p0001\r")])

    assert "Erased the identity of P0001" in screen


def test_who_changed_whom_is_in_the_audit(desk: Desk) -> None:
    desk.ok("patient change P0001 --sex female")

    lines = desk.ok("audit --json").json["lines"]

    assert [(line["person"], line["did"], line["patient"], line["about"]) for line in lines] == [
        ("N1", "patient change", "P0001", "sex")
    ]


def test_nobody_enters_a_patient_without_a_name_of_their_own(empty: Desk) -> None:
    empty.by = None

    assert empty.run("patient add --name X").code == 1
    assert empty.run("patient add --name X --by N9").code == 1
    assert empty.run("patient add --name X --by N1").code == 0
