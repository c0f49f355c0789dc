"""Keeping: load, dump, restore, seal, verify, rebuild, back up; each right, wrong, empty and twice."""

from __future__ import annotations

import io
import json
import sqlite3
import sys
from pathlib import Path

import pytest

from tests.cli.conftest import NAME, REPORT, Desk


def lines_of(*events: dict[str, object], **more: object) -> bytes:
    return b"".join(json.dumps({"patient": "P0001", "event": one, **more}).encode() + b"\n" for one in events)


CREATION = {"kind": "creation", "access": "A1", "happened": "2024-03-04", "access_kind": "fistula", "side": "left"}
LOOK = {"kind": "examination", "access": "A1", "happened": "2024-04-05", "thrill": "continuous"}


# --- entries load -------------------------------------------------------------------------------------------------


def test_loading_records_what_the_lines_say_in_any_order_and_again_adds_nothing(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "facts.jsonl"
    file.write_bytes(lines_of(LOOK, CREATION))

    first, second = desk.ok("entries load --json", file).json, desk.ok("entries load --json", file).json

    assert (first["added"], first["already"]) == (2, 0)
    assert (second["added"], second["already"]) == (0, 2)
    assert "continuous thrill" in desk.ok("history A1").out


def test_a_bad_line_is_named_with_its_reason_and_does_not_stop_the_rest(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "facts.jsonl"
    wrong = {**CREATION, "access": "A2", "side": "middle"}
    after = {**LOOK, "access": "A2"}
    file.write_bytes(lines_of(CREATION, LOOK, wrong, after) + b"not json\n")

    ran = desk.run("entries load", file)

    said = " ".join(ran.out.split())
    assert ran.code == 3
    assert "5 lines: 2 entries added, 3 not taken." in said
    assert "line 3: " in said
    assert "(because line 3 was not taken)" in said
    assert "line 5: The line is not JSON." in said


def test_a_file_of_which_nothing_can_be_taken_ends_with_one(desk: Desk, tmp_path: Path) -> None:
    file = tmp_path / "facts.jsonl"
    file.write_bytes(b"[]\n")

    assert desk.run("entries load", file).code == 1
    assert desk.run("entries load", tmp_path / "nothing.jsonl").code == 1


def test_an_empty_file_adds_nothing(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "empty.jsonl").touch()

    assert desk.ok("entries load", tmp_path / "empty.jsonl").out.startswith("0 lines: 0 entries added")


def test_lines_come_from_standard_input_as_well(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    class Standard:
        buffer = io.BytesIO(lines_of(CREATION))

        @staticmethod
        def isatty() -> bool:
            return False

    monkeypatch.setattr(sys, "stdin", Standard())

    assert desk.ok("entries load - --json").json["added"] == 1


def test_a_line_may_quote_a_report_that_is_in_the_ledger(desk: Desk, tmp_path: Path) -> None:
    report = tmp_path / "may.txt"
    report.write_text(REPORT)
    desk.ok("report import", report)
    file = tmp_path / "facts.jsonl"
    quote = {"report": "may.txt", "words": "left brachiocephalic fistula"}
    file.write_bytes(lines_of(CREATION, quotes=[quote]) + lines_of(LOOK, quotes=[{"report": "june.txt", "words": "x"}]))

    ran = desk.run("entries load --json", file)

    assert ran.json["added"] == 1
    assert [one["line"] for one in ran.json["refused"]] == [2]
    assert '"left brachiocephalic fistula"' in desk.ok("history A1 --quotes").out


# --- dump, restore ------------------------------------------------------------------------------------------------


def test_a_dump_brings_back_the_same_ledger(with_fistula: Desk, tmp_path: Path) -> None:
    dump = tmp_path / "dump.jsonl"
    with_fistula.ok("entries dump --to", dump)
    assert dump.stat().st_mode & 0o777 == 0o600
    other = Desk(tmp_path / "other.sqlite")

    other.ok("entries restore", dump)

    for line in ("history A1 --json", "patient list --json", "person list --json"):
        assert other.ok(line).json == with_fistula.ok(line).json
    assert other.ok("verify --json").json["trusted"] is True


def test_a_dump_is_restored_only_into_an_empty_ledger(with_fistula: Desk, tmp_path: Path) -> None:
    with_fistula.ok("entries dump --to", tmp_path / "dump.jsonl")

    ran = with_fistula.run("entries restore", tmp_path / "dump.jsonl")

    assert ran.code == 1
    assert "not empty" in ran.err


def test_a_dump_without_words_holds_no_name_and_verifies(with_fistula: Desk, tmp_path: Path) -> None:
    dump = tmp_path / "dump.jsonl"
    with_fistula.ok("entries dump --without-words --to", dump)
    assert NAME not in dump.read_text()
    other = Desk(tmp_path / "other.sqlite")

    other.ok("entries restore", dump)

    assert "LEFT upper-arm fistula" in other.ok("history A1").out


def test_a_damaged_dump_leaves_nothing_behind(with_fistula: Desk, tmp_path: Path) -> None:
    dump = tmp_path / "dump.jsonl"
    with_fistula.ok("entries dump --to", dump)
    whole = dump.read_bytes()
    for damaged, code in (
        (whole[: len(whole) // 2], 1),
        (whole.replace(b"left", b"west"), 5),
        (b"hello\n", 1),
        (b"", 1),
    ):
        dump.write_bytes(damaged)
        other = Desk(tmp_path / "other.sqlite")

        ran = other.run("entries restore", dump)

        assert ran.code == code
        assert not other.file.exists()


def test_nothing_is_written_over(with_fistula: Desk, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_text("precious")

    for line in ("entries dump --to", "seal --to", "backup --to"):
        assert with_fistula.run(line, there).code == 1
    assert there.read_text() == "precious"


# --- seal, verify -------------------------------------------------------------------------------------------------


def tampered(desk: Desk, *statements: str) -> None:
    """Changes the file behind the ledger's back: the triggers are taken off, as whoever owns the file can."""
    connection = sqlite3.connect(desk.file)
    for trigger in connection.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {trigger[0]}")
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_a_ledger_is_verified_with_and_without_a_seal(with_fistula: Desk, tmp_path: Path) -> None:
    with_fistula.ok("seal --to", tmp_path / "seal")

    assert "as they were written." in with_fistula.ok("verify").out
    assert "agree with the seal" in with_fistula.ok("verify --seal", tmp_path / "seal").out


def test_an_altered_entry_ends_with_five_and_is_named(with_fistula: Desk) -> None:
    tampered(with_fistula, "UPDATE entries SET body=replace(CAST(body AS TEXT), 'left', 'right')")

    ran = with_fistula.run("verify")

    assert ran.code == 5
    assert "P0001: entry 1 is not what was written" in ran.out
    assert with_fistula.run("verify --json").json["wrong"][0]["code"] == "altered"
    assert with_fistula.run("history A1").code == 5
    assert with_fistula.run("brief P0001").code == 5


def test_an_entry_that_was_moved_to_no_place_at_all_is_noticed(with_fistula: Desk) -> None:
    tampered(with_fistula, "UPDATE entries SET version='nowhere'")

    ran = with_fistula.run("verify")

    assert ran.code == 5
    assert "without a place" in ran.out


def test_a_tail_that_was_cut_with_its_head_shows_only_against_a_seal(with_fistula: Desk, tmp_path: Path) -> None:
    with_fistula.ok("seal --to", tmp_path / "seal")
    tampered(with_fistula, "DELETE FROM entries", "DELETE FROM streams")

    assert with_fistula.run("verify").code == 0
    ran = with_fistula.run("verify --json --seal", tmp_path / "seal")

    assert ran.code == 5
    assert [one["code"] for one in ran.json["wrong"]] == ["gone"]


def test_a_seal_of_another_ledger_or_no_seal_at_all(with_fistula: Desk, tmp_path: Path) -> None:
    other = Desk(tmp_path / "other.sqlite")
    other.ok("init --zone UTC")
    other.ok("person add N1 --name X")
    other.ok("seal --to", tmp_path / "other.seal")
    (tmp_path / "letter").write_text("dear colleague")

    for seal in ("other.seal", "letter", "nothing"):
        assert with_fistula.run("verify --seal", tmp_path / seal).code == 1


def test_an_empty_ledger_is_sealed_and_verified(empty: Desk, tmp_path: Path) -> None:
    empty.ok("seal --to", tmp_path / "seal")

    assert empty.ok("verify --json --seal", tmp_path / "seal").json["entries"] == 0


# --- rebuild, backup, restore -------------------------------------------------------------------------------------


def test_a_rebuild_makes_the_same_columns(with_fistula: Desk) -> None:
    before = with_fistula.ok("patient list --json").json

    ran = with_fistula.ok("rebuild")

    assert ran.out == "Rebuilt 1 access of 1 patient from 1 entry.\n"
    assert with_fistula.ok("patient list --json").json == before
    with_fistula.ok("rebuild")


def test_a_backup_is_restored_to_a_new_place_and_verified(with_fistula: Desk, tmp_path: Path) -> None:
    copy = tmp_path / "copy.sqlite"
    with_fistula.ok("backup --to", copy)
    assert copy.stat().st_mode & 0o777 == 0o600
    before = copy.read_bytes()
    other = Desk(tmp_path / "back" / "ledger.sqlite")

    other.ok("restore", copy)

    assert other.ok("history A1 --json").json == with_fistula.ok("history A1 --json").json
    assert other.file.stat().st_mode & 0o777 == 0o600
    assert copy.read_bytes() == before
    assert other.run("restore", copy).code == 1


def test_a_backup_that_is_not_as_it_was_written_is_not_restored(with_fistula: Desk, tmp_path: Path) -> None:
    copy = Desk(tmp_path / "copy.sqlite")
    with_fistula.ok("backup --to", copy.file)
    tampered(copy, "UPDATE entries SET body=replace(CAST(body AS TEXT), 'left', 'right')")
    other = Desk(tmp_path / "back" / "ledger.sqlite")

    ran = other.run("restore", copy.file)

    assert ran.code == 5
    assert list(other.file.parent.iterdir()) == []


def test_what_is_no_backup_is_not_restored(tmp_path: Path) -> None:
    (tmp_path / "letter").write_text("dear colleague")
    other = Desk(tmp_path / "back.sqlite")

    for name in ("letter", "nothing"):
        assert other.run("restore", tmp_path / name).code == 1
    assert other.run("restore", tmp_path / "letter", "--ledger", "postgresql://localhost/x").code == 1
    assert not other.file.exists()
