"""Looking: the brief, the life of an access, the audit; as of a day and as known on one."""

from __future__ import annotations

import sqlite3
import time
from pathlib import Path

import pytest

from tests.cli.conftest import NAME, REPORT, Desk


@pytest.fixture
def with_life(with_fistula: Desk) -> Desk:
    """The fistula looked at, treated, and one entry corrected."""
    with_fistula.ok("record examination P0001 --access A1 --happened 2024-04-05 --thrill continuous")
    with_fistula.ok(
        "record angioplasty P0001 --access A1 --happened 2024-09-05 "
        "--lesion place=cephalic-arch,found_percent=80,residual_percent=20"
    )
    with_fistula.ok("correct P0001.2 --set happened=2024-04-06 --why", "the day before was a Friday")
    return with_fistula


# --- brief --------------------------------------------------------------------------------------------------------


def test_the_brief_is_in_the_order_of_the_chair_with_the_cautions(with_life: Desk) -> None:
    shown = with_life.ok("brief P0001 --today 2024-12-02").out

    places = [
        shown.index(words) for words in (NAME, "LEFT upper-arm fistula", "Last look", "Last intervention", "Recorded")
    ]
    assert places == sorted(places)
    assert "Look, listen, feel first." in shown
    assert max(map(len, shown.splitlines())) <= 100
    assert len(shown.splitlines()) <= 40


def test_the_brief_as_json_carries_its_format_and_the_entries_it_rests_on(with_life: Desk) -> None:
    told = with_life.ok("brief P0001 --json --today 2024-12-02").json

    assert told["format"] == 1
    assert told["day"] == "2024-12-02"
    assert any(line["roots"] for section in told["sections"] for line in section["lines"])


def test_a_brief_as_of_a_day_holds_nothing_that_happened_later(with_life: Desk) -> None:
    shown = with_life.ok("brief P0001 --as-of 2024-08-01").out

    assert "continuous thrill" in shown
    assert "ngioplasty" not in shown


def test_a_brief_as_known_on_a_day_before_anything_was_recorded_is_empty(with_life: Desk) -> None:
    shown = with_life.ok("brief P0001 --known-on 2024-12-02").out

    assert "fistula" not in shown


def test_a_brief_says_that_a_report_waits_and_nothing_of_what_it_says(with_life: Desk, tmp_path: Path) -> None:
    file = tmp_path / "r.txt"
    file.write_text(REPORT.replace("80%", "93%"))
    with_life.ok("report import", file)

    shown = with_life.ok("brief P0001").out

    assert "The report of 12 May 2024 has not been confirmed." in " ".join(shown.split())
    assert "93" not in shown


def test_the_sheet_for_an_intervention_has_its_seven_blanks(with_life: Desk) -> None:
    shown = with_life.ok("brief P0001 --for-intervention --access", "left fistula").out

    for blank in (
        "Found: _",
        "Done: _",
        "Residual: _",
        "Usable when and where: _",
        "Sutures: _",
        "Drugs given: _",
        "Next: _",
    ):
        assert blank in shown


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("brief P0009", 1),
        ("brief", 2),
        ("brief P0001 --as-of yesterday", 1),
        ("brief P0001 --known-on 2024-13-01", 1),
        ("brief P0001 --known-on 2024-12-01T25:00", 1),
        ("brief P0001 --today soon", 1),
        ("brief P0001 --access A1", 2),
        ("history A9", 1),
        ("history", 2),
        ("history nothing --patient P0001", 1),
        ("history P0009", 1),
        ("audit P0009", 1),
        ("audit --last -1", 2),
    ],
)
def test_looking_at_what_is_not_there(with_life: Desk, line: str, code: int) -> None:
    ran = with_life.run(line)

    assert ran.code == code
    assert ran.out == ""
    assert "Vellacott" not in ran.err


# --- history ------------------------------------------------------------------------------------------------------


def test_a_history_is_a_sentence_a_line_with_date_and_who_confirmed(with_life: Desk) -> None:
    lines = with_life.ok("history A1").out.splitlines()

    assert lines[0] == f"P0001 {NAME}: LEFT upper-arm fistula (brachiocephalic) (A1)"
    told = " ".join(" ".join(lines[1:]).split())
    assert "P0001.1 4 March 2024 Made: LEFT upper-arm fistula (brachiocephalic). (Nurse Invented)" in told
    assert told.index("6 April 2024") < told.index("5 September 2024")


def test_a_history_is_found_by_words_and_of_all_accesses_by_the_patient(with_life: Desk) -> None:
    by_id = with_life.ok("history A1 --json").json

    assert with_life.ok("history a1 --json").json == by_id
    assert with_life.ok("history --patient P0001 --json", "left fistula").json == by_id
    assert with_life.ok("history P0001 --json").json["lines"] == by_id["lines"]


def test_a_history_with_audit_shows_what_was_corrected_by_the_names_of_entries(with_life: Desk) -> None:
    plain, audited = with_life.ok("history A1").out, with_life.ok("history A1 --audit").out

    assert "[corrected]" not in plain
    assert "[corrected]" in audited
    assert (
        "the day before was a Friday" in with_life.ok("history A1 --audit").out.replace("\n", " ")
        or "Friday" in audited
    )


def test_a_history_shows_the_words_of_the_report_on_request(with_fistula: Desk, tmp_path: Path) -> None:
    file = tmp_path / "r.txt"
    file.write_text(REPORT)
    with_fistula.ok("report import --patient P0001", file)
    with_fistula.run("report confirm --all")

    assert "80% stenosis of the cephalic arch" in " ".join(with_fistula.ok("history A1 --quotes").out.split())
    assert "80% stenosis of the cephalic arch" not in with_fistula.ok("history A1").out


def test_a_history_as_of_and_as_known_on(with_life: Desk) -> None:
    def kinds(line: str) -> list[str]:
        return [one["kind"] for one in with_life.ok(line).json["lines"]]

    assert kinds("history A1 --json --as-of 2024-04-05") == ["creation"]
    assert kinds("history A1 --json --as-of 2024-04-06") == ["creation", "examination"]
    assert kinds("history A1 --json --known-on 2024-12-31") == []
    assert kinds("history A1 --json --known-on 2999-01-01T10:00") == ["creation", "examination", "angioplasty"]


def test_a_partial_date_is_marked_as_possibly_by_then(with_fistula: Desk) -> None:
    with_fistula.ok("record examination P0001 --access A1 --happened 2024-04 --thrill continuous")

    shown = with_fistula.ok("history A1 --as-of 2024-04-10").out

    assert "[possibly by then]" in shown


def test_a_patient_without_entries_has_an_empty_history(desk: Desk) -> None:
    assert "Nothing is recorded." in desk.ok("history P0001").out
    assert desk.ok("history P0001 --json").json["lines"] == []


# --- audit --------------------------------------------------------------------------------------------------------


def test_each_look_is_noted_with_who_looked(with_life: Desk) -> None:
    with_life.ok("brief P0001")
    with_life.ok("history A1")
    with_life.ok("brief P0001 --for-intervention")
    with_life.by = None
    with_life.ok("patient show P0001")

    lines = with_life.ok("audit --json").json["lines"]

    assert [(line["person"], line["did"], line["about"]) for line in lines] == [
        ("N1", "brief", None),
        ("N1", "history", "A1"),
        ("N1", "sheet", None),
        (None, "patient show", None),
    ]


def test_the_audit_of_a_patient_holds_every_entry_ever_made(with_life: Desk) -> None:
    lines = with_life.ok("audit P0001 --json --last 0").json["lines"]

    entries = [line for line in lines if line["did"] == "recorded"]
    assert [line["about"] for line in entries] == ["P0001.1", "P0001.2", "P0001.3", "P0001.4"]
    assert "[no longer in force]" in entries[1]["words"]


def test_the_audit_shows_the_newest_and_counts_the_rest(with_life: Desk) -> None:
    for _ in range(3):
        with_life.ok("brief P0001")

    told = with_life.ok("audit --last 1 --json").json

    assert len(told["lines"]) == 1
    assert told["left_out"] == 2
    assert "(2 older; --last 0 shows all)" in with_life.ok("audit --last 1").out
    assert with_life.ok("audit --person N9").out == "Nothing was done or looked at.\n"


def test_a_look_while_somebody_else_writes_shows_the_history_and_says_that_it_was_not_noted(
    with_life: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    connect = sqlite3.connect
    monkeypatch.setattr(
        "ledger.store.database.sqlite3.connect", lambda path, **settings: connect(path, **{**settings, "timeout": 0.1})
    )
    writer = connect(with_life.file, isolation_level=None)
    writer.execute("BEGIN IMMEDIATE")
    try:
        ran = with_life.run("brief P0001")
    finally:
        writer.execute("ROLLBACK")
        writer.close()

    assert ran.code == 0
    assert "LEFT upper-arm fistula" in ran.out
    assert "could not be noted" in ran.err


def test_a_brief_is_quick_enough_to_be_looked_at_before_a_needle(with_life: Desk) -> None:
    began = time.perf_counter()
    with_life.process("brief P0001")

    # About half a second on one core; five leaves room for a machine that others use.
    assert time.perf_counter() - began < 5
