"""README shows what really happens: the report in it, read by the command in it, gives the output in it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli.main import app

README = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
NAME = "access-ledger "
BLOCKS = re.findall(r"```\n(.*?)```", README, flags=re.DOTALL)


def test_the_report_in_the_readme_reads_as_the_readme_says(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    report, shown = BLOCKS[0], BLOCKS[1]
    monkeypatch.chdir(tmp_path)
    Path("orrell.txt").write_text(report, "utf-8")

    result = CliRunner().invoke(app, ["report", "read", "orrell.txt"])

    assert result.exit_code == 0
    assert result.output.strip() == shown.strip()


def test_the_job_one_report_and_what_comes_out_stand_within_the_first_thirty_lines() -> None:
    first_thirty = "\n".join(README.splitlines()[:30])

    assert "access-ledger report read" in first_thirty
    assert BLOCKS[1].splitlines()[0] in first_thirty


@pytest.mark.parametrize("what", ["access-ledger demo", "pytest"])
def test_each_set_up_command_is_one_line(what: str) -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv") and what in line]

    assert len(lines) == 1
    assert "pip install" in lines[0]


def test_every_command_in_the_readme_exists() -> None:
    typed = [line.split("#")[0].split()[1:] for block in BLOCKS for line in block.splitlines() if line.startswith(NAME)]
    assert len(typed) > 10

    for words in typed:
        command = words[:2] if words[0] in ("report", "entries", "patient", "record") else words[:1]
        assert CliRunner().invoke(app, [*command, "--help"]).exit_code == 0, command
