"""Reports at the command line: read, import, list, show, link, explain, confirm; killed half-way and run again."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from ledger.store.papers import StoredReport
from tests.cli.conftest import NAME, OURS, REPORT, Desk

Writer = Callable[..., Path]

UNDATED = REPORT.replace("Date of procedure: 12 May 2024\n", "")
ANOTHER = REPORT.replace("12 May 2024", "9 September 2024").replace("80%", "70%")


def stored(desk: Desk) -> list[StoredReport]:
    with desk.open() as ledger:
        return list(ledger.papers.reports())


def kinds_of(desk: Desk, patient: str = "P0001") -> list[str]:
    with desk.open() as ledger:
        return [entry.kind for entry in ledger.history(patient).entries]


# --- read ---------------------------------------------------------------------------------------------------------


def test_reading_prints_one_json_object_a_report_and_opens_no_ledger(tmp_path: Path, a_report: Writer) -> None:
    file = a_report()

    ran = Desk(tmp_path / "none.sqlite").ok("report read --json", file)

    (line,) = ran.out.splitlines()
    told = json.loads(line)
    assert told["format"] == 1
    assert told["file"] == str(file)
    assert told["part"] == 1
    assert len(told["digest"]) == 64
    assert (told["accesses"][0]["kind"], told["accesses"][0]["side"]) == ("fistula", "left")
    assert "angioplasty" in {one["kind"] for one in told["proposed"]}
    text = file.read_text()
    for one in told["proposed"]:
        assert one["happened"] == "2024-05-12"
        for quote in one["quotes"]:
            assert text[quote["start"] : quote["end"]] == quote["text"]
    assert not (tmp_path / "none.sqlite").exists()


def test_reading_several_files_prints_a_line_each(empty: Desk, a_report: Writer) -> None:
    ran = empty.ok("report read --json", a_report(name="a.txt"), a_report(ANOTHER, name="b.txt"))

    assert [json.loads(line)["happened"] for line in ran.out.splitlines()] == ["2024-05-12", "2024-09-09"]


def test_reading_for_people_shows_the_words_under_each_proposal(empty: Desk, a_report: Writer) -> None:
    shown = empty.ok("report read", a_report()).out

    assert "LEFT upper-arm fistula" in shown
    assert "angioplasty of a1" in shown
    assert '| "' in shown


def test_a_date_is_given_for_a_report_that_has_none(empty: Desk, a_report: Writer) -> None:
    file = a_report(UNDATED)

    without = json.loads(empty.ok("report read --json", file).out)
    given = json.loads(empty.ok("report read --json --date 2024-05", file).out)

    assert without["happened"] is None
    assert given["happened"] == "2024-05"
    assert given["happened_from"] == "performed"


def test_what_cannot_be_read_ends_with_three_beside_a_good_one_and_with_one_alone(
    empty: Desk, a_report: Writer, tmp_path: Path
) -> None:
    bad = tmp_path / "noise.bin"
    bad.write_bytes(bytes(range(256)) * 20)

    alone, beside = empty.run("report read --json", bad), empty.run("report read --json", a_report(), bad)

    assert (alone.code, beside.code) == (1, 3)
    assert json.loads(alone.out)["unreadable"]["code"] == "binary"


def test_a_file_that_is_not_there_is_said_without_its_name(empty: Desk) -> None:
    ran = empty.run("report read /nowhere/Vellacott_Maud.txt")

    assert ran.code == 1
    assert "Vellacott" not in ran.err


def test_explaining_marks_the_text_and_keeps_every_letter_of_it(empty: Desk, a_report: Writer) -> None:
    shown = empty.ok("report explain", a_report()).out

    assert "⟦" in shown
    assert "why: " in shown
    text = shown.split("\n\n  a1:")[0]
    import re

    assert re.sub(r"⟧[0-9a-z,]*|⟦", "", text).strip() == REPORT.strip()


# --- import -------------------------------------------------------------------------------------------------------


def test_importing_keeps_original_and_text_and_links_the_patient_by_number(desk: Desk, a_report: Writer) -> None:
    file = a_report()

    ran = desk.ok("report import --json", file)

    (one,) = ran.json["reports"]
    assert one["outcome"] == "stored"
    assert one["patient"] == "P0001"
    assert ran.json["waits_for"] == {"patient": 0, "confirming": 1}
    (report,) = stored(desk)
    assert report.envelope["linked"]["by"] == "identifier"
    with desk.open() as ledger:
        assert ledger.papers.original(report) == file.read_bytes()
        assert ledger.papers.text(report.text_id or "") == REPORT


def test_importing_makes_no_entry(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report())

    assert kinds_of(desk) == []


def test_importing_again_adds_nothing(desk: Desk, a_report: Writer) -> None:
    file = a_report()
    desk.ok("report import", file)

    ran = desk.ok("report import --json", file)

    assert ran.json["outcomes"] == {"already": 1}
    assert len(stored(desk)) == 1


def test_the_same_bytes_under_another_name_are_one_report(desk: Desk, a_report: Writer) -> None:
    ran = desk.ok("report import --json", a_report(name="a.txt"), a_report(name="b.txt"))

    assert ran.json["outcomes"] == {"already": 1, "stored": 1}
    assert len(stored(desk)) == 1


def test_a_report_that_names_nobody_here_waits_for_its_patient_and_is_linked_when_they_are_entered(
    empty: Desk, a_report: Writer
) -> None:
    file = a_report()
    first = empty.ok("report import --json", file).json
    assert first["reports"][0]["no_patient_because"] == "nobody-fits"
    empty.ok("patient add --born 1958-07-14 --number K204817 --name", NAME)

    again = empty.ok("report import --json", file).json

    assert again["outcomes"] == {"linked": 1}
    (report,) = stored(empty)
    assert report.patient == "P0001"
    with empty.open() as ledger:
        owner = ledger.db.execute("SELECT patient FROM texts WHERE text=?", (report.text_id,)).fetchone()[0]
    assert owner == 1


def test_a_number_that_fits_while_the_birth_date_disagrees_is_no_match(desk: Desk, a_report: Writer) -> None:
    file = a_report(REPORT.replace("14 July 1958", "3 March 1931"))

    ran = desk.ok("report import --json", file)

    (one,) = ran.json["reports"]
    assert one["patient"] is None
    assert one["candidates"] == ["P0001"]


def test_a_person_may_say_whose_it_is_and_is_told_what_disagrees(desk: Desk, a_report: Writer) -> None:
    file = a_report(REPORT.replace("14 July 1958", "3 March 1931"))

    ran = desk.ok("report import --patient P0001 --json", file)

    (one,) = ran.json["reports"]
    assert one["patient"] == "P0001"
    assert [doubt["code"] for doubt in one["doubts"]] == ["disagrees-with-patient"]


def test_a_folder_is_imported_with_all_that_is_in_it_and_bad_files_do_not_stop_the_rest(
    desk: Desk, a_report: Writer, tmp_path: Path
) -> None:
    a_report(name="a.txt")
    (tmp_path / "came" / "inner").mkdir()
    (tmp_path / "came" / "inner" / "b.txt").write_text(ANOTHER)
    (tmp_path / "came" / "empty.txt").touch()
    (tmp_path / "came" / "noise.bin").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "came" / ".hidden.txt").write_text(REPORT + "hidden")

    ran = desk.run("report import --json", tmp_path / "came")

    assert ran.code == 3
    assert ran.json["files"] == 4
    assert ran.json["outcomes"] == {"stored": 2, "unreadable": 2}
    assert {Path(one["file"]).name: one["code"] for one in ran.json["not_read"]} == {
        "empty.txt": "empty",
        "noise.bin": "binary",
    }
    with desk.open() as ledger:
        bad = [report for report in ledger.papers.reports(state="unreadable") if report.file_name == "noise.bin"]
        assert ledger.papers.original(bad[0]) == bytes(range(256)) * 20


def test_an_empty_folder_and_a_path_that_is_not_there(desk: Desk, tmp_path: Path) -> None:
    (tmp_path / "nothing").mkdir()

    assert desk.ok("report import", tmp_path / "nothing").out == "There is no file there.\n"
    assert desk.run("report import", tmp_path / "Vellacott").code == 1
    assert "Vellacott" not in desk.run("report import", tmp_path / "Vellacott").err


def test_a_mistake_of_ours_in_one_file_does_not_cost_the_others(
    desk: Desk, a_report: Writer, monkeypatch: pytest.MonkeyPatch
) -> None:
    from ledger.reading import reader

    read = reader.read_report

    def fails_on_one(text: str, envelope: object = None) -> object:
        assert "70%" not in text, NAME
        return read(text, envelope)  # type: ignore[arg-type]

    monkeypatch.setattr(reader, "read_report", fails_on_one)

    ran = desk.run("report import --json", a_report(ANOTHER, name="a.txt"), a_report(name="b.txt"))

    assert ran.code == 3
    assert ran.json["outcomes"] == {"stored": 1, "unreadable": 1}
    (bad,) = ran.json["not_read"]
    assert "AssertionError at " in bad["problem"]
    assert "Vellacott" not in bad["problem"]


def test_only_bad_files_end_with_one(desk: Desk, tmp_path: Path) -> None:
    bad = tmp_path / "noise.bin"
    bad.write_bytes(bytes(range(256)) * 20)

    assert desk.run("report import", bad).code == 1


def many(folder: Path, count: int) -> Path:
    folder.mkdir()
    for nth in range(count):
        (folder / f"{nth:04d}.txt").write_text(f"{REPORT}\nSheet {nth} of the invented pile.\n")
    return folder


def test_many_files_are_opened_in_several_processes_in_their_order(desk: Desk, tmp_path: Path) -> None:
    ran = desk.process("report import --json", many(tmp_path / "pile", 60))

    told = json.loads(ran.stdout)
    assert ran.returncode == 0, ran.stderr
    assert told["outcomes"] == {"stored": 60}
    assert [Path(one["file"]).name for one in told["reports"]] == [f"{nth:04d}.txt" for nth in range(60)]


def test_an_import_that_was_killed_goes_on_where_it_was_and_leaves_no_process(desk: Desk, tmp_path: Path) -> None:
    pile = many(tmp_path / "pile", 120)
    environment = {**os.environ, **desk.environment}
    process = subprocess.Popen(
        [*OURS, "report", "import", str(pile)],
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    end = time.monotonic() + 60
    while len(stored(desk)) < 16 and process.poll() is None and time.monotonic() < end:
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()
    kept = {report.id for report in stored(desk)}
    assert 16 <= len(kept) < 120

    ran = desk.ok("report import --json", pile)

    assert ran.json["outcomes"] == {"already": len(kept), "stored": 120 - len(kept)}
    assert kept < {report.id for report in stored(desk)}
    assert _none_is_left(process.pid)
    desk.ok("verify")


def _none_is_left(group: int) -> bool:
    """Whether every process of a group has ended, within a few seconds."""
    for _ in range(100):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.1)
    return False


def test_a_file_that_cannot_be_opened_is_listed(desk: Desk, a_report: Writer) -> None:
    file = a_report()
    (file.parent / "elsewhere.txt").symlink_to("/nowhere/at/all")

    ran = desk.run("report import --json", file.parent)

    assert ran.code == 3
    assert [one["code"] for one in ran.json["not_read"]] == ["not-opened"]


# --- list, show, link ---------------------------------------------------------------------------------------------


def test_the_list_begins_with_what_waits_for_its_patient(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report(name="a.txt"))
    desk.ok("report import", a_report("A letter about the weather, invented, and nobody in particular.\n", "b.txt"))

    listed = desk.ok("report list --json").json["reports"]

    assert [(one["file"], one["waits_for"].split(":")[0]) for one in listed] == [
        ("b.txt", "its patient"),
        ("a.txt", "a person"),
    ]
    assert "2 reports, 2 waiting, of which 1 for a patient." in desk.ok("report list").out


def test_an_empty_list_says_how_to_begin(desk: Desk) -> None:
    assert "report import" in desk.ok("report list").out
    assert desk.run("report list --state lost").code == 1


def test_a_report_is_shown_by_the_beginning_of_its_id_with_its_quotes_marked(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report())
    (report,) = stored(desk)

    shown = desk.ok(f"report show {report.id[:8]}").out

    assert "⟦" in shown
    assert "found by  a number in the report" in shown
    assert "What it proposes" in shown
    told = desk.ok(f"report show {report.id} --json").json
    assert told["text"] == REPORT
    assert told["became"] == []


def test_looking_at_a_report_is_noted(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report())
    (report,) = stored(desk)

    desk.ok(f"report show {report.id[:8]}")

    assert desk.ok("audit --json").json["lines"][-1] | {"at": ""} == {
        "at": "",
        "person": "N1",
        "did": "report show",
        "patient": "P0001",
        "about": report.id,
        "words": None,
    }


def test_the_original_can_be_had_back(desk: Desk, a_report: Writer, tmp_path: Path) -> None:
    desk.ok("report import", a_report())
    (report,) = stored(desk)

    desk.ok(f"report show {report.id[:8]} --original-to", tmp_path / "back.txt")

    assert (tmp_path / "back.txt").read_text() == REPORT
    assert desk.run(f"report show {report.id[:8]} --original-to", tmp_path / "back.txt").code == 1


def test_a_report_that_is_not_there(desk: Desk) -> None:
    for line in ("report show r-nothing", "report link r-nothing P0001", "report confirm r-nothing --all"):
        assert desk.run(line).code == 1


def test_a_person_links_a_report_to_its_patient(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report(REPORT.replace(NAME, "Nobody At All").replace("K204817", "X1")))
    (report,) = stored(desk)
    assert report.patient is None
    shown = desk.ok(f"report show {report.id[:8]}").out
    assert "Why no patient was taken" in shown

    ran = desk.ok(f"report link {report.id[:8]} P0001")

    assert "is P0001's" in ran.out
    assert "Careful:" in ran.out
    assert stored(desk)[0].patient == "P0001"


def test_a_report_of_which_entries_were_made_stays_where_it_is(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("patient add --name Una")
    with_fistula.ok("report import --patient P0001", a_report())
    with_fistula.run("report confirm --all")
    (report,) = stored(with_fistula)
    assert "angioplasty" in kinds_of(with_fistula)

    ran = with_fistula.run(f"report link {report.id} P0002")

    assert ran.code == 1
    assert "report-moved" in ran.err


# --- confirm ------------------------------------------------------------------------------------------------------


def test_confirming_in_bulk_takes_what_is_plain_marks_it_so_and_says_what_waits(
    with_fistula: Desk, a_report: Writer
) -> None:
    instructed = REPORT + "\nThe fistula may be used tomorrow with two 17 gauge needles.\n"
    with_fistula.ok("report import --patient P0001", a_report(instructed))

    ran = with_fistula.run("report confirm --all --json")

    (told,) = ran.json["reports"]
    assert ran.code == 3
    assert "instruction" in {left["kind"] for left in told["left"]}
    with with_fistula.open() as ledger:
        made = [entry for entry in ledger.history("P0001").entries if entry.evidence.report is not None]
    assert "angioplasty" in {entry.kind for entry in made}
    assert {entry.recorded_by.how.value for entry in made} == {"in-bulk"}
    assert {entry.event.access for entry in made} == {"A1"}  # type: ignore[union-attr]
    assert all(entry.evidence.quotes for entry in made)


def test_confirming_in_bulk_again_adds_nothing(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import --patient P0001", a_report())
    with_fistula.run("report confirm --all")
    before = kinds_of(with_fistula)
    assert "angioplasty" in before

    again = with_fistula.run("report confirm --all --json")

    assert again.json["entries"] == 0
    assert kinds_of(with_fistula) == before


def test_an_access_that_the_ledger_does_not_know_is_taken_in_bulk_only_when_asked_for(
    desk: Desk, a_report: Writer
) -> None:
    desk.ok("report import --patient P0001", a_report())

    without = desk.run("report confirm --all")
    assert "--also-new" in without.out
    assert "angioplasty" not in kinds_of(desk)
    unseen = desk.run("report confirm --all --also-new")
    assert "side that nobody has looked at yet" in " ".join(unseen.out.split())
    assert "angioplasty" not in kinds_of(desk)

    screen = desk.at_terminal("report confirm --all --also-new", answers=[("leave it > ", "y")])

    assert "LEFT" in screen
    assert kinds_of(desk)[0] == "access-known"
    assert "angioplasty" in kinds_of(desk)


def test_in_bulk_a_person_looks_at_patient_and_side_of_each_report(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import", a_report())

    unseen = with_fistula.run("report confirm --all --json")
    refused = with_fistula.at_terminal("report confirm --all", answers=[("leave it > ", "n")])
    before = kinds_of(with_fistula)
    seen = with_fistula.at_terminal("report confirm --all", answers=[("leave it > ", "y")])

    assert unseen.json["entries"] == 0
    assert "nobody has looked yet" in unseen.json["reports"][0]["left"][0]["why"]
    assert "0 entries recorded" in " ".join(refused.split())
    assert before == ["creation"]
    assert "Vellacott" in seen
    assert "14 July 1958" in seen
    assert "LEFT" in seen
    assert "angioplasty" in kinds_of(with_fistula)


def test_a_report_whose_patient_is_in_doubt_is_not_taken_in_bulk(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import --patient P0001", a_report(REPORT.replace("14 July 1958", "3 March 1931")))

    ran = with_fistula.run("report confirm --all --json")

    assert ran.json["entries"] == 0
    assert "in doubt" in ran.json["reports"][0]["left"][0]["why"]


def test_the_other_arm_is_not_taken_in_bulk(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import", a_report(REPORT.replace("left", "right")))

    ran = with_fistula.run("report confirm --all --also-new --json")

    assert ran.json["entries"] == 0
    assert kinds_of(with_fistula) == ["creation"]


def test_a_report_that_proposes_nothing_waits_for_a_person(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import --patient P0001", a_report("Invented. The weather was fine and nobody was seen.\n"))

    ran = desk.run("report confirm --all --json")

    assert ran.json["reports"][0]["left"] == [{"kind": "", "why": "it proposes nothing: read it"}]
    assert stored(desk)[0].state == "waiting"


def test_what_was_told_already_by_another_report_is_not_taken_in_bulk(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import --patient P0001", a_report())
    with_fistula.run("report confirm --all")
    fax = REPORT.replace("No complications.", "No complications. Sent by fax.")
    with_fistula.ok("report import --patient P0001", a_report(fax, name="fax.txt"))

    ran = with_fistula.run("report confirm --all --json")

    assert kinds_of(with_fistula).count("angioplasty") == 1
    why = {left["kind"]: left["why"] for left in ran.json["reports"][-1]["left"]}
    assert why["angioplasty"] == "it may have been told already"


def test_nobody_confirms_without_a_terminal_or_all(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report())

    ran = desk.run("report confirm")

    assert ran.code == 1
    assert "--all" in ran.err


def test_nothing_to_confirm(desk: Desk) -> None:
    assert "No report waits" in desk.ok("report confirm --all").out


def test_nobody_confirms_without_a_name(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report())
    desk.by = None

    assert desk.run("report confirm --all").code == 1


def proposals(desk: Desk, file: Path) -> list[str]:
    return [one["kind"] for one in json.loads(desk.ok("report read --json", file).out)["proposed"]]


KEYS = "q quit > "


def test_at_a_terminal_each_proposal_is_shown_with_its_words_and_taken_with_one_key(
    with_fistula: Desk, a_report: Writer
) -> None:
    file = a_report()
    with_fistula.ok("report import", file)

    screen = with_fistula.at_terminal("report confirm", answers=[(KEYS, "a") for _ in proposals(with_fistula, file)])

    assert "80% stenosis of the cephalic arch" in screen
    assert "taken for A1" in screen
    assert "All of it is decided." in screen
    assert stored(with_fistula)[0].state == "confirmed"
    with with_fistula.open() as ledger:
        made = [entry for entry in ledger.history("P0001").entries if entry.evidence.report is not None]
    assert {entry.recorded_by.how.value for entry in made} == {"claimed"}
    assert [entry.kind for entry in made] == proposals(with_fistula, file)


def test_at_a_terminal_one_is_edited_one_dismissed_and_the_fate_of_each_is_kept(
    with_fistula: Desk, a_report: Writer
) -> None:
    file = a_report()
    with_fistula.ok("report import", file)
    kinds = proposals(with_fistula, file)
    answers: list[tuple[str, str]] = []
    for kind in kinds:
        if kind == "angioplasty":
            answers += [(KEYS, "e"), ("FIELD=VALUE", "happened=2024-05-13\r"), ("FIELD=VALUE", "\r"), (KEYS, "a")]
        else:
            answers += [(KEYS, "d"), ("Why", "\r"), (KEYS, "d"), ("Why", "told elsewhere\r")]

    with_fistula.at_terminal("report confirm", answers=answers)

    with with_fistula.open() as ledger:
        history = ledger.history("P0001")
        *_, plasty, review = history.entries
        fates = {fate.kind: fate for fate in review.event.fates}  # type: ignore[union-attr]
        reason = ledger.papers.words(fates["visit"].reason)  # type: ignore[arg-type]
    assert (plasty.kind, plasty.happened) == ("angioplasty", "2024-05-13")
    assert fates["angioplasty"].fate == "edited"
    assert fates["angioplasty"].edited == ("happened",)
    assert fates["angioplasty"].entry == plasty.id
    assert fates["visit"].fate == "dismissed"
    assert reason == "told elsewhere"
    assert stored(with_fistula)[0].state == "confirmed"


def test_at_a_terminal_quitting_keeps_what_was_decided_and_the_rest_waits(with_fistula: Desk, a_report: Writer) -> None:
    file = a_report()
    with_fistula.ok("report import", file)
    kinds = proposals(with_fistula, file)

    with_fistula.at_terminal("report confirm", answers=[(KEYS, "a"), (KEYS, "q")])
    assert kinds_of(with_fistula) == ["creation", kinds[0], "report-reviewed"]
    assert stored(with_fistula)[0].waits_for == f"{len(kinds) - 1} of {len(kinds)} proposals"

    screen = with_fistula.at_terminal("report confirm", answers=[(KEYS, "a") for _ in kinds[1:]])

    assert f"1 of {len(kinds)} proposals were decided before" in screen
    assert [kind for kind in kinds_of(with_fistula) if kind in kinds] == kinds


def test_at_a_terminal_a_person_says_which_access_is_meant(with_fistula: Desk, a_report: Writer) -> None:
    file = a_report(REPORT.replace("left", "right"))
    with_fistula.ok("report import", file)
    kinds = proposals(with_fistula, file)

    screen = with_fistula.at_terminal("report confirm", answers=[("cannot tell", "1\r"), *[(KEYS, "a") for _ in kinds]])

    assert "Which access is it?" in screen
    with with_fistula.open() as ledger:
        accesses = {one.access for one in ledger.history("P0001").facts}
    assert accesses == {"A1"}
    assert "No report waits" in with_fistula.ok("report confirm --all").out


def test_at_a_terminal_the_day_is_asked_for_where_nothing_says_it(with_fistula: Desk, a_report: Writer) -> None:
    file = a_report(UNDATED)
    with_fistula.ok("report import", file)

    with_fistula.at_terminal(
        "report confirm",
        answers=[
            ("not known)", "some day\r"),
            ("not known)", "2024-05\r"),
            *[(KEYS, "a") for _ in proposals(with_fistula, file)],
        ],
    )

    with with_fistula.open() as ledger:
        days = {str(one.happened) for one in ledger.history("P0001").facts if one.kind != "creation"}
    assert days == {"2024-05"}


def test_at_a_terminal_a_report_without_proposals_is_read_and_done_with(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import --patient P0001", a_report("Invented. The weather was fine and nobody was seen.\n"))

    screen = desk.at_terminal("report confirm", answers=[("Done with it", "y\r")])

    assert "The weather was fine" in screen
    assert stored(desk)[0].state == "confirmed"
    assert kinds_of(desk) == ["report-reviewed"]


OTHERWISE = (
    REPORT.replace("Residual stenosis was 20%.", "Residual stenosis was 40%.") + "Sent by fax from the centre.\n"
)


def gone_through(desk: Desk, file: Path) -> None:
    """Imports a report and accepts all that it proposes."""
    desk.ok("report import", file)
    desk.at_terminal("report confirm", answers=[(KEYS, "a") for _ in proposals(desk, file)])


def test_what_is_told_again_is_left_as_it_is_with_one_key(with_fistula: Desk, a_report: Writer) -> None:
    gone_through(with_fistula, a_report())
    before = kinds_of(with_fistula)
    fax = a_report(REPORT + "Sent by fax from the centre.\n", name="fax.txt")
    with_fistula.ok("report import", fax)

    screen = with_fistula.at_terminal("report confirm", answers=[(KEYS, "k") for _ in proposals(with_fistula, fax)])

    assert "tells the same: accepted, it is known already" in screen
    assert kinds_of(with_fistula) == [*before, "report-reviewed"]
    with with_fistula.open() as ledger:
        fates = ledger.history("P0001").entries[-1].event.fates  # type: ignore[union-attr]
    assert {fate.fate for fate in fates} == {"already-known"}
    assert all(fate.entry for fate in fates)


def test_what_is_told_otherwise_corrects_the_known_entry_with_one_key(with_fistula: Desk, a_report: Writer) -> None:
    gone_through(with_fistula, a_report())
    fax = a_report(OTHERWISE, name="fax.txt")
    with_fistula.ok("report import", fax)
    kinds = proposals(with_fistula, fax)

    screen = with_fistula.at_terminal(
        "report confirm", answers=[(KEYS, "c" if kind == "angioplasty" else "k") for kind in kinds]
    )

    assert "20 there, 40 here" in screen
    with with_fistula.open() as ledger:
        (plasty,) = (one for one in ledger.history("P0001").facts if one.kind == "angioplasty")
    assert str(plasty.fact.lesions[0].residual_percent) == "40"  # type: ignore[union-attr]
    assert plasty.entry.kind == "correction"
    assert plasty.root != plasty.entry.id


def test_two_waiting_reports_of_one_procedure_are_not_taken_in_bulk_and_are_shown_as_one(
    with_fistula: Desk, a_report: Writer
) -> None:
    file = a_report()
    with_fistula.ok("report import --patient P0001", file, a_report(REPORT + "Sent by fax.\n", name="fax.txt"))

    bulk = with_fistula.run("report confirm --all --json")
    screen = with_fistula.at_terminal("report confirm", answers=[(KEYS, "q")])

    assert bulk.json["entries"] == 0
    assert {left["why"] for one in bulk.json["reports"] for left in one["left"]} & {
        "another report tells of the same procedure"
    }
    assert "tells of the same procedure (words nearly the same, same day)" in " ".join(screen.split())


def test_list_and_show_say_that_two_waiting_reports_are_of_one_procedure(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import", a_report(), a_report(REPORT + "Sent by fax.\n", name="fax.txt"))

    listed = with_fistula.run("report list --json").json["reports"]
    words = with_fistula.ok("report list").out
    shown = with_fistula.ok("report show", listed[0]["report"][:10]).out

    one, two = listed
    assert one["tells_of_one_procedure_with"] == [{"report": two["report"], "sameness": "same"}]
    assert two["tells_of_one_procedure_with"] == [{"report": one["report"], "sameness": "same"}]
    assert "of the same procedure as" in " ".join(words.split())
    assert f"Report {two['report'][:10]}, which waits as well, tells of the same procedure." in " ".join(shown.split())


def test_show_says_what_is_told_otherwise_than_it_is_known(with_fistula: Desk, a_report: Writer) -> None:
    gone_through(with_fistula, a_report())
    with_fistula.ok("report import", a_report(OTHERWISE, name="fax.txt"))
    (waiting,) = with_fistula.run("report list --state waiting --json").json["reports"]

    shown = with_fistula.ok("report show", waiting["report"]).out

    assert "20 there, 40 here" in shown
    assert "tells otherwise what P0001." in " ".join(shown.split())


def test_a_corrected_report_by_message_corrects_what_came_from_the_first(with_fistula: Desk, tmp_path: Path) -> None:
    def message(text: str, kind: str, number: str) -> str:
        lines = [f"OBX|{nth}|TX|R^Report||{line}||||||F" for nth, line in enumerate(text.splitlines(), start=1)]
        return "\r".join(
            [
                f"MSH|^~\\&|CENTRE|HARROW|LEDGER|UNIT|20240513090000||{kind}|{number}|P|2.5.1",
                "EVN||20240513090000",
                "PID|1||K204817^^^UNIT^MR||Vellacott-Orme^Maud||19580714|F",
                "TXA|1|OP|TX|20240512||||||||D-77||||AU",
                *lines,
            ]
        )

    body = "\n".join(REPORT.splitlines()[2:])
    first, second = tmp_path / "first.hl7", tmp_path / "second.hl7"
    first.write_text(message(body, "MDM^T02^MDM_T02", "M1"))
    second.write_text(message(body.replace("was 20%", "was 40%"), "MDM^T08^MDM_T02", "M2"))
    with_fistula.ok("report import", first)
    with_fistula.at_terminal("report confirm", answers=[(KEYS, "a") for _ in proposals(with_fistula, first)])
    with_fistula.ok("report import", second)

    kinds = proposals(with_fistula, second)
    shown = with_fistula.at_terminal(
        "report confirm", answers=[(KEYS, "a" if kind == "angioplasty" else "s") for kind in kinds]
    )

    assert "It adds to or corrects report" in shown
    assert "20 there, 40 here" in shown
    with with_fistula.open() as ledger:
        (plasty,) = (one for one in ledger.history("P0001").facts if one.kind == "angioplasty")
    assert str(plasty.fact.lesions[0].residual_percent) == "40"  # type: ignore[union-attr]
    assert plasty.entry.kind == "correction"


# --- dismiss, reopen ----------------------------------------------------------------------------------------------

COVER = "Invented cover sheet. Pages: 4. To: the access office. No such office exists.\n"


def test_junk_without_a_patient_is_set_aside_with_a_reason_and_does_not_come_back_with_its_file(
    desk: Desk, a_report: Writer
) -> None:
    file = a_report(COVER)
    desk.ok("report import", file)
    (report,) = stored(desk)

    told = desk.ok(f"report dismiss {report.id[:10]} --json --why 'cover sheet of a fax'").json
    again = desk.ok("report import --json", file).json

    assert told["state"] == "dismissed"
    assert (told["dismissed"]["by"], told["dismissed"]["why"]) == ("N1", "cover sheet of a fax")
    assert again["outcomes"] == {"dismissed": 1}
    assert again["waits_for"] == {"patient": 0, "confirming": 0}
    assert "1 set aside before" in desk.ok("report import", file).out
    (kept,) = stored(desk)
    assert (kept.state, kept.waits_for) == ("dismissed", None)
    assert desk.ok("report list --state waiting --json").json["reports"] == []
    assert "set aside by N1" in desk.ok("report list --state dismissed").out
    assert "cover sheet of a fax" in desk.ok(f"report show {report.id[:10]}").out


def test_the_audit_says_who_set_a_report_aside_and_not_why(desk: Desk, a_report: Writer) -> None:
    desk.ok("report import", a_report(COVER))
    (report,) = stored(desk)

    desk.ok(f"report dismiss {report.id} --why 'sent for Maud by mistake'")
    desk.ok(f"report reopen {report.id}")

    lines = desk.ok("audit --json").json["lines"][-2:]
    assert [(line["person"], line["did"], line["about"]) for line in lines] == [
        ("N1", "report dismiss", report.id),
        ("N1", "report reopen", report.id),
    ]
    assert "Maud" not in str(lines)


def test_a_patients_report_that_is_set_aside_keeps_the_fate_of_each_proposal_as_one_by_one(
    with_fistula: Desk, a_report: Writer
) -> None:
    with_fistula.ok("report import", a_report())
    (report,) = stored(with_fistula)
    before = with_fistula.ok("brief P0001").out

    with_fistula.ok(f"report dismiss {report.id} --why 'belongs to a study, not to care'")

    assert "not been confirmed" in before
    assert "not been confirmed" not in with_fistula.ok("brief P0001").out
    assert kinds_of(with_fistula) == ["creation", "report-reviewed"]
    with with_fistula.open() as ledger:
        review = ledger.history("P0001").entries[-1].event
        assert {fate.fate for fate in review.fates} == {"dismissed"}
        assert len(review.fates) == len((report.proposed or {})["proposed"])
        assert {ledger.papers.words(fate.reason) for fate in review.fates} == {"belongs to a study, not to care"}
    refused = with_fistula.run(f"report confirm {report.id} --all")
    assert (refused.code, "report reopen" in refused.out) == (3, True)
    assert stored(with_fistula)[0].state == "dismissed"


def test_put_back_it_waits_as_before_and_can_be_gone_through(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import", a_report())
    (report,) = stored(with_fistula)
    for _ in range(2):
        with_fistula.ok(f"report dismiss {report.id} --why 'by mistake'")
        with_fistula.ok(f"report reopen {report.id}")

    (back,) = stored(with_fistula)
    ran = with_fistula.run("report confirm --all --json --patient P0001")

    assert (back.state, back.waits_for) == (report.state, report.waits_for)
    assert [one["why"] for one in back.envelope["dismissals"]] == ["by mistake", "by mistake"]
    assert ran.json["reports"][0]["report"] == report.id
    assert kinds_of(with_fistula).count("retraction") == 2


def test_a_report_of_which_entries_are_in_force_is_not_set_aside(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import --patient P0001", a_report())
    with_fistula.run("report confirm --all")
    (report,) = stored(with_fistula)
    kinds = kinds_of(with_fistula)
    assert "angioplasty" in kinds

    ran = with_fistula.run(f"report dismiss {report.id} --why 'not ours'")

    assert (ran.code, "Entries rest on report" in ran.err) == (1, True)
    assert stored(with_fistula)[0].state == report.state
    assert kinds_of(with_fistula) == kinds


def test_a_file_that_cannot_be_read_is_set_aside_and_comes_back_as_that(desk: Desk, tmp_path: Path) -> None:
    noise = tmp_path / "noise.bin"
    noise.write_bytes(bytes(range(256)) * 20)
    desk.run("report import", noise)
    (report,) = stored(desk)

    desk.ok(f"report dismiss {report.id} --why 'picture of a fern'")
    again = desk.ok("report import --json", noise).json
    desk.ok(f"report reopen {report.id}")

    assert again["outcomes"] == {"dismissed": 1}
    (back,) = stored(desk)
    assert (back.state, back.waits_for) == ("unreadable", report.waits_for)


def test_a_report_is_set_aside_once_with_a_reason_and_is_nobodys_until_it_is_put_back(
    desk: Desk, a_report: Writer
) -> None:
    desk.ok("report import", a_report(COVER))
    (report,) = stored(desk)

    without, early = desk.run(f"report dismiss {report.id} --why ' '"), desk.run(f"report reopen {report.id}")
    desk.ok(f"report dismiss {report.id} --why 'cover sheet'")
    twice, linked = desk.run(f"report dismiss {report.id} --why 'again'"), desk.run(f"report link {report.id} P0001")

    assert [one.code for one in (without, early, twice, linked)] == [1, 1, 1, 1]
    assert stored(desk)[0].patient is None
    assert len(stored(desk)[0].envelope["dismissals"]) == 1


def test_the_reason_goes_when_the_words_of_its_patient_are_erased(with_fistula: Desk, a_report: Writer) -> None:
    with_fistula.ok("report import", a_report())
    (report,) = stored(with_fistula)
    with_fistula.ok(f"report dismiss {report.id} --why 'quite unmistakable words'")

    with_fistula.ok("patient erase P0001 --yes")

    assert b"quite unmistakable words" not in with_fistula.file.read_bytes()
    (kept,) = stored(with_fistula)
    assert (kept.state, kept.envelope) == ("dismissed", {})
    assert with_fistula.run(f"report reopen {report.id}").code == 1
