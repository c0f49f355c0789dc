"""Rounds and referrals at the terminal and for scripts."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fhir_mapping.checks import gate
from ledger.people import Unit
from tests.cli.conftest import NAME, Desk
from tests.fhir.validators import independent_errors


@pytest.fixture
def watched(with_fistula: Desk) -> Desk:
    """The fistula with a plan, looked at in November 2024, and no thrill found on 2 December."""
    with_fistula.ok("patient change P0001 --shift mon-early")
    with_fistula.ok("record life-plan-reviewed P0001 --happened 2024-10-01")
    with_fistula.ok("record access-used P0001 --access A1 --happened 2024-08 --use two-needles")
    with_fistula.ok("record examination P0001 --access A1 --happened 2024-11-20 --thrill continuous")
    with_fistula.ok("record examination P0001 --access A1 --happened 2024-12-02 --thrill absent")
    return with_fistula


def test_rounds_say_what_is_due_in_order_under_the_shift_with_the_cautions(watched: Desk) -> None:
    shown = watched.ok("rounds --unit U1 --today 2025-01-20").out

    assert "Rounds, Invented unit by the quay, shift mon-early, 20 January 2025" in shown
    assert shown.index("1. No flow") < shown.index("15. Look, life plan")
    assert f"P0001 {NAME}: LEFT upper-arm fistula (brachiocephalic): no thrill found on 2 December 2024" in " ".join(
        shown.split()
    )
    assert "Urgent, by local pathway" in shown
    assert max(map(len, shown.splitlines())) <= 100


def test_rounds_of_an_earlier_day_show_what_was_due_then(watched: Desk) -> None:
    shown = watched.ok("rounds --unit U1 --on 2024-12-01").out

    assert "nothing to bring up" in shown


def test_rounds_as_known_on_a_day_know_nothing_of_what_was_recorded_later(watched: Desk) -> None:
    told = watched.ok("rounds --unit U1 --on 2024-12-05 --known-on 2024-12-05 --json").json

    # All of it was recorded when the test ran, so nothing was known then.
    assert told["shifts"][0]["patients"][0]["lines"] == []


def test_rounds_as_json_carry_rule_reason_days_and_entries(watched: Desk) -> None:
    told = watched.ok("rounds --unit U1 --today 2024-12-05 --json").json

    (shift,) = told["shifts"]
    (patient,) = shift["patients"]
    (line,) = patient["lines"]
    assert told["format"] == 1
    assert (shift["shift"], patient["day"]) == ("mon-early", "2024-12-05")
    assert (line["line"], line["place"], line["days"]) == ("no-flow-or-urgent-finding", 1, 3)
    assert len(line["roots"]) == 1


def test_rounds_of_another_shift_or_unit_leave_a_patient_out(watched: Desk) -> None:
    with watched.open() as ledger:
        ledger.who.add_unit(Unit(id="U2", name="Another invented unit", zone="Europe/London", invented=True))

    assert "No patient fits" in watched.ok("rounds --unit U1 --shift tue-late --today 2024-12-05").out
    assert "No patient fits" in watched.ok("rounds --unit U2 --today 2024-12-05").out


def test_a_unit_that_is_not_there_is_wrong_input(watched: Desk) -> None:
    ran = watched.run("rounds --unit nowhere")

    assert ran.code == 1
    assert "There is no such unit" in ran.err


def test_a_set_aside_by_hand_puts_a_line_off(watched: Desk) -> None:
    watched.ok("record set-aside P0001 --happened 2024-12-21 --line review-due --until 2025-01-31")

    shown = watched.ok("rounds --unit U1 --today 2025-01-20").out

    assert "15. Look" not in shown
    assert "1. No flow" in shown


def test_a_line_is_set_aside_by_its_number_until_a_day_with_a_reason_and_listed_apart(watched: Desk) -> None:
    said = watched.ok("set-aside P0001 15 --until 2025-01-31 --why 'seen at home' --today 2025-01-10").err

    shown = " ".join(watched.ok("rounds --unit U1 --today 2025-01-20").out.split())
    told = watched.ok("rounds --unit U1 --today 2025-01-20 --json").json["shifts"][0]["patients"][0]
    again = watched.ok("rounds --unit U1 --today 2025-02-01").out

    assert "Recorded as P0001." in said
    assert "15. Look" not in shown
    assert 'set aside until 31 January 2025 by Nurse Invented: "seen at home"' in shown
    assert [one["line"] for one in told["set_aside"]] == ["review-due"]
    assert "15. Look" in again


def test_setting_aside_asks_for_a_day_a_reason_a_person_and_a_line_that_there_is(watched: Desk) -> None:
    without_reason = watched.run("set-aside P0001 15 --until 2025-01-31")
    no_such_line = watched.run("set-aside P0001 16 --until 2025-01-31 --why holiday")
    by_word = watched.ok("set-aside P0001 review-due --until 2025-01-31 --why holiday --json").json

    assert "--why" in without_reason.err
    assert "1 to 15" in no_such_line.err
    assert by_word["line"] == "review-due"
    assert (without_reason.code, no_such_line.code) == (1, 1)


def test_each_line_of_the_sheet_names_the_entries_it_rests_on(watched: Desk) -> None:
    shown = watched.ok("rounds --unit U1 --today 2024-12-05").out
    told = watched.ok("rounds --unit U1 --today 2024-12-05 --json").json["shifts"][0]["patients"][0]["lines"]

    assert all(line["entries"] for line in told)
    assert f"[{told[0]['entries'][0]}]" in shown


def test_a_line_that_comes_up_by_a_limit_names_it_with_its_year(watched: Desk) -> None:
    shown = " ".join(watched.ok("rounds --unit U1 --today 2025-01-20").out.split())

    assert "last looked at on 2 December 2024; by look-monthly-2006 (2006) [P0001." in shown


def test_a_catheter_by_decision_is_listed_apart_with_its_days_in_the_body(desk: Desk) -> None:
    desk.ok("record catheter-placed P0001 --happened 2024-01-02 --access-kind tunnelled-catheter --access C1")
    desk.ok("record life-plan-reviewed P0001 --happened 2024-06-01")
    desk.ok("record examination P0001 --access C1 --happened 2024-06-20 --exit-site-clean")
    before = desk.ok("rounds --unit U1 --today 2024-07-01").out
    desk.ok("record decision P0001 --happened 2024-06-25 --what chooses-catheter --access C1 --review-on 2024-09-25")

    shown = desk.ok("rounds --unit U1 --today 2024-07-01").out
    told = desk.ok("rounds --unit U1 --today 2024-07-01 --json").json["shifts"][0]["patients"][0]

    assert "13. Catheter past the limit" in before
    assert "13. Catheter past the limit" not in shown
    assert "Apart: catheters that stay by a decision" in shown
    assert "181 days in the body" in shown
    assert told["lines"] == []
    assert told["by_decision"][0]["decided"]


def test_a_report_that_waits_is_brought_up_until_it_is_confirmed(watched: Desk, a_report: Callable[..., Path]) -> None:
    watched.ok("report import", a_report())

    shown = " ".join(watched.ok("rounds --unit U1 --today 2024-12-03").out.split())

    assert "4. Treated, report not in or not confirmed" in shown
    assert "the report of 12 May 2024 has not been confirmed" in shown


def test_a_sites_rules_are_used_and_a_mistake_in_them_is_named(watched: Desk, tmp_path: Path) -> None:
    ours = tmp_path / "ours.toml"
    ours.write_text('[[rule]]\nid = "look-monthly-2006"\non = false\n', encoding="utf-8")
    wrong = tmp_path / "wrong.toml"
    wrong.write_text('[[rule]]\nid = "graft-flow-2006"\nthreshold = "low"\n', encoding="utf-8")

    assert "15. Look" not in watched.ok("rounds --unit U1 --today 2025-01-20 --rules", ours).out
    ran = watched.run("rounds --unit U1 --rules", wrong)
    assert ran.code == 1
    assert "graft-flow-2006 cannot be used" in ran.err
    assert watched.run("rounds --rules", tmp_path / "none.toml").code == 1


def test_the_rules_in_use_are_shown_with_their_sources(empty: Desk) -> None:
    shown = empty.ok("rounds --show-rules").out
    told = empty.ok("rounds --show-rules --json").json

    assert "graft-flow-2006 (2006)" in shown
    assert "[empty, from memory]" in shown
    assert {"id", "year", "sources", "verified", "on", "empty"} <= set(told["rules"][0])


def test_trends_show_numbers_a_plot_and_the_rule(watched: Desk) -> None:
    for day, value in (("2024-09-02", "900"), ("2024-10-02", "390"), ("2024-11-02", "380")):
        watched.ok(f"record measurement P0001 --access A1 --happened {day} --flow-ml-min {value}")

    shown = watched.ok("rounds --patient P0001 --trends --today 2024-12-05").out
    told = watched.ok("rounds --patient P0001 --trends --today 2024-12-05 --json").json

    assert "baseline 900" in shown
    assert shown.count("*") == 3
    assert "meets fistula-flow-2006 (2006): 380 mL/min on 2 November 2024, below 400" in shown
    assert told["accesses"][0]["series"][0]["fall_percent"] == "57.7778"
    assert watched.run("rounds --trends").code == 2


# --- refer --------------------------------------------------------------------------------------------------------


def test_a_referral_is_an_entry_and_the_sheet_that_goes_with_it(watched: Desk) -> None:
    shown = watched.ok("refer P0001 --why no-thrill --urgency today --question 'Is it clotted?' --today 2024-12-02").out

    assert "why sent" in shown.casefold()
    assert "no thrill" in shown
    assert "Is it clotted?" in shown
    assert "Residual: ____" in shown
    assert "1. No flow" not in watched.ok("rounds --unit U1 --today 2024-12-03").out
    assert "7. Referred, and no answer" in watched.ok("rounds --unit U1 --today 2024-12-03").out


def test_a_referral_rests_on_the_findings_that_are_open(watched: Desk) -> None:
    told = watched.ok("refer P0001 --why no-thrill --today 2024-12-02 --json").json

    assert told["recorded"]
    with watched.open() as ledger:
        entry = ledger.history("P0001").entries[-1]
        found = ledger.history("P0001").entries[-2]
    assert entry.event.kind == "referral"
    assert entry.event.findings == (found.id,)


def test_referring_twice_on_one_day_adds_nothing(watched: Desk) -> None:
    first = watched.ok("refer P0001 --why no-thrill --today 2024-12-02 --json").json
    second = watched.ok("refer P0001 --why no-thrill --today 2024-12-02 --json").json

    assert len(first["recorded"]) == 1
    assert (second["recorded"], len(second["already"])) == ([], 1)


def test_a_referral_without_a_reason_a_person_or_an_access_is_refused_with_what_to_do(watched: Desk) -> None:
    without_why = watched.run("refer P0001 --today 2024-12-02")
    watched.by = None
    nobody = watched.run("refer P0001 --why no-thrill --today 2024-12-02")
    watched.by = "N1"
    watched.ok("record catheter-placed P0001 --happened 2024-01-02 --access-kind tunnelled-catheter --access C1")
    two = watched.run("refer P0001 --why no-thrill --today 2024-12-02")

    assert (without_why.code, nobody.code, two.code) == (1, 1, 1)
    assert "Add --why" in without_why.err
    assert "Add --access" in two.err
    assert NAME not in without_why.err + nobody.err + two.err


def test_a_referral_goes_with_a_page_to_print_and_as_fhir_that_both_validators_pass(
    watched: Desk, tmp_path: Path
) -> None:
    """Checked by pyrofile-validator and fhir.resources, both from outside the project."""
    page, bundle = tmp_path / "sheet.pdf", tmp_path / "referral.json"
    ran = watched.ok("refer P0001 --why no-thrill --urgency today --today 2024-12-02 --pdf", page, "--fhir", bundle)
    resources = [one["resource"] for one in json.loads(bundle.read_bytes())["entry"]]

    (request,) = [one for one in resources if one["resourceType"] == "ServiceRequest"]
    assert (request["status"], request["intent"], request["priority"]) == ("active", "order", "stat")
    assert request["authoredOn"] == "2024-12-02"
    # It rests on the examination that found no thrill, and that is in the file beside it.
    assert [one["resourceType"] for one in resources if one["resourceType"] != "ServiceRequest"]
    assert request["reasonReference"][0]["reference"].startswith("urn:uuid:")
    assert page.read_bytes().startswith(b"%PDF-")
    assert {path.stat().st_mode & 0o777 for path in (page, bundle)} == {0o600}
    assert NAME not in bundle.read_text() + ran.err
    made = resources_of_referral(watched)
    assert {one["resourceType"] for one in made} == {one["resourceType"] for one in resources}
    assert [problem for one in made for problem in gate(one, "R4")] == []
    assert independent_errors(made) == []


def resources_of_referral(desk: Desk) -> list[dict[str, Any]]:
    """The same resources with their own ids, as they are before they are put into a transaction."""
    from cli.acting import referral_resources

    with desk.open() as ledger:
        root = next(one.id for one in ledger.history("P0001").entries if one.event.kind == "referral")
        return referral_resources(ledger, "P0001", root)[0]


def test_nothing_that_is_there_is_overwritten_by_a_referral(watched: Desk, tmp_path: Path) -> None:
    there = tmp_path / "referral.json"
    there.write_text("kept")

    ran = watched.run("refer P0001 --why no-thrill --today 2024-12-02 --fhir", there)

    assert ran.code == 1
    assert there.read_text() == "kept"


def test_what_was_asked_and_what_was_found_stand_side_by_side(watched: Desk) -> None:
    watched.ok("refer P0001 --why no-thrill --today 2024-12-02")
    watched.ok("record visit P0001 --access A1 --happened 2024-12-04 --visit V1 --outcome done")
    watched.ok("record thrombectomy P0001 --access A1 --happened 2024-12-04 --visit V1 --success")

    shown = watched.ok("rounds --patient P0001 --referrals --today 2024-12-05").out
    told = watched.ok("rounds --patient P0001 --referrals --today 2024-12-05 --json").json

    assert "Asked: no thrill" in shown
    assert "Found: Thrombectomy" in shown
    assert told["referrals"][0]["standing"] == "answered"
    assert told["referrals"][0]["days"]["referral_to_visit"] == 2


def test_the_days_of_a_units_referrals_are_counted_with_what_is_not_known(watched: Desk) -> None:
    watched.ok("refer P0001 --why no-thrill --today 2024-12-02")
    watched.ok("record visit P0001 --access A1 --happened 2024-12-04 --visit V1 --outcome done")
    watched.ok("refer P0001 --why low-flow --today 2024-12-20")

    shown = watched.ok("rounds --unit U1 --referrals --today 2025-01-05").out
    told = watched.ok("rounds --unit U1 --referrals --today 2025-01-05 --json").json

    days = {one["name"]: one for one in told["days"]}
    assert "Referrals after 2024-01-05 to 2025-01-05, U1: 2" in shown
    assert told["standing"] == {"answered": 1, "not-booked": 1}
    assert (days["referral to visit"]["counted"], days["referral to visit"]["median"]) == (1, 2.0)
    assert (days["visit to report"]["counted"], days["visit to report"]["not_known"]) == (0, 1)
    assert watched.run("rounds --unit U1 --trends").code == 2


def test_rounds_print_one_page_a_shift_with_every_line(watched: Desk, tmp_path: Path) -> None:
    from pypdf import PdfReader

    watched.ok("patient add --name 'Second Invented' --born 1960-01-02 --unit U1 --shift tue-late")
    watched.ok("record care-began P0002 --happened 2023-01-02")
    file = tmp_path / "rounds.pdf"

    told = watched.ok("rounds --unit U1 --today 2025-01-20 --json --pdf", file).json

    pages = [" ".join((page.extract_text() or "").split()) for page in PdfReader(file).pages]
    assert len(pages) == len(told["shifts"]) == 2
    for page, shift in zip(pages, told["shifts"], strict=True):
        lines = [line["words"] for patient in shift["patients"] for line in patient["lines"]]
        assert lines
        assert not [words for words in lines if " ".join(words.split()) not in page]
        assert "Urgent, by local pathway" in page
    assert file.stat().st_mode & 0o777 == 0o600


def test_a_shift_with_more_lines_than_a_page_holds_goes_on_overleaf_and_leaves_none_out() -> None:
    from datetime import date
    from io import BytesIO

    from pypdf import PdfReader

    from cli.printed import rounds_printed
    from ledger.people import Patient
    from ledger.rounds.lines import Line, Rounds
    from ledger.rounds.sheets import OnSheet, sheets_of
    from ledger.vocabulary import ReminderLine

    def patient(number: int) -> OnSheet:
        words = f"line {number:04d} of many, told in words that go on for about as long as the words of a line do"
        line = Line(line=ReminderLine.REVIEW_DUE, patient=f"P{number:04d}", access=None, access_name="", words=words)
        one = Patient(id=f"P{number:04d}", name="Invented", unit="U1", shift="mon", invented=True)
        return OnSheet(patient=one, day=date(2025, 1, 20), rounds=Rounds((line,)))

    printed = PdfReader(BytesIO(rounds_printed(sheets_of([patient(number) for number in range(1, 301)]))))

    told = " ".join(" ".join((page.extract_text() or "").split()) for page in printed.pages)
    assert len(printed.pages) > 1
    assert not [number for number in range(1, 301) if f"line {number:04d} of many" not in told]


def test_a_look_at_rounds_is_noted_without_a_patients_name(watched: Desk) -> None:
    watched.ok("rounds --unit U1 --today 2024-12-05")

    lines = watched.ok("audit --json").json["lines"]

    assert (lines[-1]["did"], lines[-1]["about"]) == ("rounds", "U1")
    assert NAME not in str(lines)


def test_a_generated_unit_is_brought_up_within_seconds_as_each_whole_history_says(tmp_path: Path) -> None:
    from datetime import date

    from ledger.admission import doubts_of
    from ledger.rounds.lines import lines_of
    from tests.generator import Rates, lives_of
    from tests.make_unit import fill

    file = tmp_path / "unit.sqlite"
    fill(file, lives_of(3, 40, 3, Rates(sessions_a_month=1)))

    begun = time.process_time()
    told = Desk(file, by="nurse-a").ok("rounds --unit north-quay --today 2026-11-20 --json").json

    assert time.process_time() - begun < 5  # forty patients; a quarter of a second on a small machine
    assert sum(len(shift["patients"]) for shift in told["shifts"]) > 5
    found = {one["patient"]: one["lines"] for shift in told["shifts"] for one in shift["patients"]}
    with Desk(file).open() as ledger:
        for patient, lines in found.items():
            history = ledger.history(patient, sessions=True)
            whole = lines_of(
                history, ledger.who.patient(patient), date(2026, 11, 20), words=ledger.papers.words,
                doubts=doubts_of(history),
            )  # fmt: skip
            assert [(one["line"], one["roots"]) for one in lines] == [(one.line, list(one.roots)) for one in whole]
