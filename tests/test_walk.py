"""The walk that works at every commit: a report's text → proposals → confirmed entries → history → FHIR.

One invented report walks here always. Real and invented samples from outside the project walk too when
`ACCESS_LEDGER_REPORTS` names their file; they are never copied into the project.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from cli.main import app
from ledger.confirming import Decision, confirm, review_of, with_choices
from ledger.dates import PartialDate
from ledger.entries import Signature
from ledger.store import open_ledger
from ledger.vocabulary import Fate
from tests.fhir.validators import bundle_errors, independent_errors

REPORT = """QUARRYMILL ACCESS CENTRE (invented)      DATE OF PROCEDURE: 14 May 2026
Patient: Tamsin Orrell   Born: 2 March 1961   MRN: FV-900001
PROCEDURE: Left brachiocephalic fistulogram with balloon angioplasty.
There was an 80% stenosis of the cephalic arch, dilated with an 8 x 40 mm balloon;
less than 20% residual stenosis. Central veins widely patent. No stent was placed.
"""


@pytest.fixture
def ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    place = tmp_path / "ledger.sqlite"
    monkeypatch.setenv("ACCESS_LEDGER", str(place))
    said("init", "--zone", "Europe/Berlin")
    said("person", "add", "okell", "--name", "Nurse Okell (invented)")
    monkeypatch.setenv("ACCESS_LEDGER_BY", "okell")
    return place


def said(*command: str, expecting: tuple[int, ...] = (0,)) -> str:
    result = CliRunner().invoke(app, list(command))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code in expecting, result.output
    return result.output


def as_json(*command: str, expecting: tuple[int, ...] = (0,)) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(said(*command, "--json", expecting=expecting))
    assert found["format"] == 1
    return found


def test_one_report_walks_from_text_to_fhir(ledger: Path, tmp_path: Path) -> None:
    (tmp_path / "orrell.txt").write_text(REPORT)
    said("patient", "add", "--name", "Tamsin Orrell", "--born", "1961-03-02", "--number", "FV-900001", "--invented")

    said("report", "import", str(tmp_path / "orrell.txt"))
    accepting_each_proposal_of(ledger, "P0001")

    history = said("history", "P0001", "--quotes")
    assert "cephalic arch" in history
    assert "80% stenosis of the cephalic arch" in history
    bundle = json.loads(said("export", "P0001"))
    codes = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert {"BodyStructure", "Procedure", "Provenance"} <= set(codes)


def test_walking_twice_adds_nothing(ledger: Path, tmp_path: Path) -> None:
    (tmp_path / "orrell.txt").write_text(REPORT)
    said("patient", "add", "--name", "Tamsin Orrell", "--born", "1961-03-02", "--number", "FV-900001", "--invented")
    said("report", "import", str(tmp_path / "orrell.txt"))
    accepting_each_proposal_of(ledger, "P0001")
    first = said("export", "P0001")

    said("report", "import", str(tmp_path / "orrell.txt"))
    said("report", "confirm", "--all", expecting=(0, 1, 3))

    assert said("export", "P0001") == first


def samples() -> list[dict[str, Any]]:
    place = os.environ.get("ACCESS_LEDGER_REPORTS")
    if not place:
        pytest.skip("ACCESS_LEDGER_REPORTS names no file of sample reports")
    lines = Path(place).read_text(encoding="utf-8").splitlines()
    found = [json.loads(line) for line in lines if line.strip()]
    return [one for one in found if not one["gold"]["distractor"]]


def test_every_access_report_of_the_samples_walks_to_a_bundle_that_validates(ledger: Path, tmp_path: Path) -> None:
    reports = samples()
    assert reports
    for number, report in enumerate(reports, start=1):
        folder = tmp_path / report["report_id"]
        folder.mkdir()
        (folder / "report.txt").write_text(report["text"], encoding="utf-8")
        said("patient", "add", "--name", f"Sample Invented {chr(96 + number)}", "--invented")
        patient = f"P{number:04d}"

        said("report", "import", str(folder), "--patient", patient, "--date", "2025-05-06", expecting=(0, 3))
        entries = accepting_each_proposal_of(ledger, patient)
        told = said("history", patient, expecting=(0, 1))
        bundle = json.loads(said("export", patient, "--check"))

        resources = [entry["resource"] for entry in bundle["entry"]]
        assert independent_errors([{"id": "x", **one} for one in resources]) == []
        assert bundle_errors(bundle) == []
        if entries:
            assert resources
            assert told.strip()


def accepting_each_proposal_of(ledger: Path, patient: str) -> int:
    """A person reads every proposal of every report of this patient, and accepts it."""
    with open_ledger(ledger) as opened:
        for report in opened.papers.reports(patient=patient):
            review = review_of(opened, report.id, happened=PartialDate("2025-05-06"))
            decisions = {index: Decision(fate=Fate.ACCEPTED) for index in review.open}
            choices = {ref: review.choices.get(ref) or review.new_access(ref) for ref in review.matches}
            done = confirm(opened, with_choices(review, choices), decisions, by=Signature(person="okell"))
            assert done.refused == ()
            assert done.state == "confirmed", done.waiting
        return len(opened.history(patient).entries)
