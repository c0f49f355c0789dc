"""The command as a whole: help, errors and exit codes, speed of its beginning, and that it is one application."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

import cli
import cli.main
import cli.whole
import fhir_mapping
import ledger
from cli.lazy import loaded
from cli.main import COMMANDS, main, reference_of
from cli.whole import NotWhole, check_whole
from tests.cli.conftest import NAME, OURS, Desk


def every_command() -> list[str]:
    """Every command line that has a help of its own, but for the kinds of `record`."""
    found = []
    for name, later in COMMANDS.items():
        found.append(name)
        group = loaded(name, later)
        inner = getattr(type(group), "later", {})
        found += [f"{name} {one}" for one in inner]
    return found


@pytest.mark.parametrize("line", every_command())
def test_every_command_has_help(line: str, empty: Desk) -> None:
    ran = empty.ok(f"{line} --help")

    assert ran.out.startswith(f"Usage: access-ledger {line}")
    assert ran.err == ""


def test_the_help_names_every_command_and_the_exit_codes(empty: Desk) -> None:
    helped = empty.ok("--help").out

    assert all(f"  {name} " in helped for name in COMMANDS)
    assert "4 stale" in helped


def test_the_table_tells_of_each_command_what_the_command_tells_of_itself() -> None:
    for name, later in COMMANDS.items():
        command = loaded(name, later)

        assert command.help, name
        assert later.help.endswith("."), name


def test_the_version_is_that_of_the_distribution(empty: Desk) -> None:
    with (Path(cli.__file__).parents[1] / "pyproject.toml").open("rb") as file:
        wanted = tomllib.load(file)["project"]["version"]

    assert empty.ok("--version").out == f"access-ledger {wanted}\n"
    assert {module.__version__ for module in (cli, ledger, fhir_mapping)} == {wanted}


@pytest.mark.parametrize(
    "line", ["brew", "patient brew", "patient list --sideways", "record", "correct", "report confirm --also-new"]
)
def test_wrong_usage_ends_with_two(line: str, desk: Desk) -> None:
    assert desk.run(line).code == 2


def test_no_arguments_show_the_help(empty: Desk) -> None:
    ran = empty.run("")

    assert "Usage: access-ledger" in ran.out + ran.err


def test_an_error_says_what_happened_and_what_to_do_on_standard_error(empty: Desk) -> None:
    ran = empty.run("patient show P0007")

    assert ran.code == 1
    assert ran.out == ""
    assert ran.err == "No patient here has that id, number or name.\nLook with `access-ledger patient list`.\n"


def test_an_error_is_json_where_json_was_asked_for(empty: Desk) -> None:
    ran = empty.run("patient show P0007 --json")

    assert ran.out == ""
    assert json.loads(ran.err) == {
        "format": 1,
        "problem": "No patient here has that id, number or name.",
        "remedy": "Look with `access-ledger patient list`.",
        "exit_code": 1,
    }


def test_a_ledger_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    ran = Desk(tmp_path / "none.sqlite").run("patient list")

    assert ran.code == 1
    assert "access-ledger init" in ran.err
    assert list(tmp_path.iterdir()) == []


def test_without_an_option_the_ledger_is_the_one_in_the_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setattr(sys, "platform", "linux")

    code = main(["init", "--zone", "Europe/London"])

    file = tmp_path / "access-ledger" / "ledger.sqlite"
    assert code == 0
    assert file.stat().st_mode & 0o777 == 0o600
    assert file.parent.stat().st_mode & 0o777 == 0o700


# --- Our own mistakes ---------------------------------------------------------------------------------------------


@pytest.fixture
def broken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command that fails in the middle, with a patient's name in the exception."""

    def fails(*_: object, **__: object) -> None:
        raise RuntimeError(f"something about {NAME}")

    monkeypatch.setattr("ledger.store.opening.open_directory", fails)


@pytest.mark.usefixtures("broken")
def test_our_own_mistake_is_told_by_place_and_type_without_words_of_a_patient(desk: Desk) -> None:
    ran = desk.run("patient list")

    assert ran.code == 1
    assert "RuntimeError at " in " ".join(ran.err.split())
    assert "Vellacott" not in ran.err
    assert "Traceback" not in ran.err


@pytest.mark.usefixtures("broken")
def test_the_traceback_is_shown_when_it_is_asked_for(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ACCESS_LEDGER_DEBUG", "1")

    ran = desk.run("patient list")

    assert "Traceback" in ran.err


def test_a_reference_names_the_last_place_of_our_own_code() -> None:
    try:
        cli.whole.check_whole([3])  # type: ignore[list-item]
    except AttributeError as wrong:
        found = reference_of(wrong)

    assert found.startswith("AttributeError at cli/whole.py:")


# --- One application ----------------------------------------------------------------------------------------------


def test_the_packages_are_one_application() -> None:
    check_whole()


def test_a_package_of_another_version_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fhir_mapping, "__version__", "0.0.9")

    with pytest.raises(NotWhole, match="different versions"):
        check_whole()


def test_a_package_of_the_same_name_from_elsewhere_is_noticed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, empty: Desk
) -> None:
    other = ModuleType("fhir_mapping")
    other.__file__ = str(tmp_path / "fhir_mapping" / "__init__.py")
    other.__version__ = ledger.__version__  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fhir_mapping", other)

    ran = empty.run("patient list")

    assert ran.code == 1
    assert "different places" in ran.err


def test_a_missing_package_is_noticed() -> None:
    with pytest.raises(NotWhole, match="is missing"):
        check_whole(["ledger", "a_package_that_is_not_there"])


# --- Beginning quickly --------------------------------------------------------------------------------------------


def modules_after(line: str, desk: Desk) -> set[str]:
    """The modules that are imported once a command has run in a process of its own."""
    program = (
        "import sys; from cli.main import main; code = main(sys.argv[1:]); "
        "sys.stderr.write(' '.join(sys.modules)); sys.exit(code)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program, *line.split()],
        env={**os.environ, **desk.environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return set(ran.stderr.split())


def test_help_imports_nothing_heavy(desk: Desk) -> None:
    there = modules_after("--help", desk)

    assert not there & {"pydantic", "sqlalchemy", "orjson", "rich", "ledger.events", "ledger.store", "numpy"}


def test_a_list_of_patients_makes_none_of_the_classes_of_events(desk: Desk) -> None:
    there = modules_after("patient list", desk)

    assert "sqlalchemy" in there
    assert not there & {"ledger.events", "ledger.entries", "ledger.admission", "ledger.projections.rows", "rich"}


def test_a_brief_needs_no_validation(with_fistula: Desk) -> None:
    there = modules_after("brief P0001", with_fistula)

    assert "ledger.projections.brief" in there
    assert not there & {"fhir.resources", "numpy", "rich", "httpx", "ledger.reading.reader"}


# --- As a process -------------------------------------------------------------------------------------------------


def test_the_console_script_ends_with_the_exit_code(desk: Desk) -> None:
    assert desk.process("patient list").returncode == 0
    assert desk.process("patient show P0009").returncode == 1
    assert desk.process("patient brew").returncode == 2


def test_a_reader_who_had_enough_is_no_error(with_fistula: Desk) -> None:
    for nth in range(40):
        with_fistula.ok(
            f"record examination P0001 --access A1 --happened 2024-0{nth % 9 + 1}-1{nth % 7} --bruit absent"
        )
    command = " ".join(f"'{part}'" for part in OURS)

    ran = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {command} history P0001 | head -1"],
        env={**os.environ, **with_fistula.environment},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )

    assert ran.stderr == ""
    assert ran.stdout.startswith("P0001")


def test_ctrl_c_at_a_question_ends_quietly(desk: Desk) -> None:
    screen = desk.at_terminal("patient erase P0001", answers=[("Type P0001 to erase", "\x03")])

    assert "Stopped." in screen
    assert "Traceback" not in screen


def test_nothing_is_styled_where_nobody_looks(with_fistula: Desk) -> None:
    ran = with_fistula.process("patient list")

    assert "\x1b" not in ran.stdout


def test_control_characters_of_a_name_do_not_reach_the_screen(empty: Desk) -> None:
    empty.ok("patient add --name", "Mallory\x1b[2J\x07 Invented")

    listed = empty.ok("patient list").out

    assert "\x1b" not in listed
    assert "\x07" not in listed
    assert "Mallory" in listed


def test_an_encoding_that_lacks_a_letter_shows_the_rest(empty: Desk) -> None:
    empty.ok("patient add --name", "Zoë Straße-Ørsted")

    ran = empty.process("patient list", env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})

    assert ran.returncode == 0
    assert "Stra?e" in ran.stdout
