"""The first commands: an empty ledger, units, centres, people, and the demonstration."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from tests.cli.conftest import Desk


def test_init_makes_an_empty_ledger_private_to_its_owner_and_says_what_comes_next(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "folder" / "ledger.sqlite")

    ran = desk.ok("init --zone Europe/London")

    assert "Europe/London" in ran.out
    assert "access-ledger person add" in ran.out
    assert desk.file.stat().st_mode & 0o777 == 0o600


def test_init_twice_leaves_the_ledger_as_it_is(desk: Desk) -> None:
    before = desk.ok("patient list --json").json

    ran = desk.ok("init --zone Asia/Tokyo --json")

    assert ran.json["made"] is False
    assert ran.json["zone"] == "Europe/London"
    assert desk.ok("patient list --json").json == before


def test_init_where_something_else_lies_touches_nothing(tmp_path: Path) -> None:
    file = tmp_path / "letter.txt"
    file.write_text("dear colleague")

    ran = Desk(file).run("init")

    assert ran.code == 1
    assert file.read_text() == "dear colleague"


def test_init_with_a_zone_that_there_is_not_leaves_no_file(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "ledger.sqlite")

    ran = desk.run("init --zone Europe/Atlantis")

    assert ran.code == 1
    assert "IANA" in ran.err
    assert not desk.file.exists()


@pytest.mark.parametrize(
    ("group", "plural", "more"),
    [("unit", "units", " --zone Europe/Paris"), ("centre", "centres", ""), ("person", "people", "")],
)
def test_units_centres_and_people_are_added_and_listed(tmp_path: Path, group: str, plural: str, more: str) -> None:
    desk = Desk(tmp_path / "ledger.sqlite")
    desk.ok("init --zone Europe/London")
    assert f"access-ledger {group} add" in desk.ok(f"{group} list").out

    desk.ok(f"{group} add X1 --invented{more} --name", "An invented one")

    assert "An invented one (invented)" in desk.ok(f"{group} list").out
    (one,) = desk.ok(f"{group} list --json").json[plural]
    assert one["id"] == "X1"
    assert one["invented"] is True


def test_a_person_is_never_entered_twice(empty: Desk) -> None:
    ran = empty.run("person add N1 --name", "Somebody Else")

    assert ran.code == 1
    assert "taken" in ran.err
    assert "Somebody" not in ran.err


def test_a_unit_entered_again_is_changed(empty: Desk) -> None:
    empty.ok("unit add U1 --zone Europe/Dublin --name Renamed")

    assert empty.ok("unit list --json").json["units"] == [
        {"id": "U1", "name": "Renamed", "zone": "Europe/Dublin", "invented": False}
    ]


@pytest.mark.parametrize("line", ["unit add 'a b' --name X", "person add '' --name X", "centre add é --name X"])
def test_an_id_is_letters_and_digits(empty: Desk, line: str) -> None:
    ran = empty.run(line)

    assert ran.code == 1
    assert "letters, digits" in " ".join(ran.err.split())


def test_a_unit_with_a_zone_that_there_is_not_is_refused(empty: Desk) -> None:
    assert empty.run("unit add U2 --name X --zone Mars/Olympus").code == 1


# --- The demonstration --------------------------------------------------------------------------------------------


def test_the_demonstration_is_made_in_a_new_folder_and_shows_a_brief_who_to_look_at_and_what_to_type_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    desk = Desk(tmp_path / "unused.sqlite")
    environment = {"ACCESS_LEDGER": ""}

    began = time.perf_counter()
    ran = desk.process("demo", env=environment)
    took = time.perf_counter() - began

    assert ran.returncode == 0, ran.stderr
    assert "STOP, READ" in ran.stdout or "Access  " in ran.stdout
    assert "Who needs looking at" in ran.stdout
    assert "export ACCESS_LEDGER=" in ran.stdout
    # The budget is five seconds; twice that leaves room for a machine that others use.
    assert took < 10


def test_the_demonstration_twice_is_the_demonstration_once(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "demo.sqlite")
    first = desk.ok("demo --json").json

    second = desk.ok("demo --json").json

    assert first["made"] is True
    assert second == {**first, "made": False}
    assert first["patients"] >= 14
    assert first["reports"] >= 25
    assert first["waiting"] >= 1


def test_the_demonstration_touches_no_other_ledger(desk: Desk) -> None:
    before = desk.file.read_bytes()

    ran = desk.run("demo")

    assert ran.code == 1
    assert "not touched" in " ".join(ran.err.split())
    assert desk.file.read_bytes() == before


def test_looking_at_the_demonstration_is_looking_on_its_own_day(tmp_path: Path) -> None:
    desk = Desk(tmp_path / "demo.sqlite", by=None)
    desk.ok("demo --json")

    assert desk.ok("brief P0001 --json").json["day"] == "2026-11-20"
    assert desk.ok("brief P0001 --json --today 2026-11-21").json["day"] == "2026-11-21"
