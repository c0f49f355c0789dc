"""What a report tells beside the operation: the first needle, readiness, infection, clot, afterwards, and the day."""

from __future__ import annotations

from typing import Any

import pytest

from ledger.arrival.values import Envelope
from ledger.dates import PartialDate
from ledger.reading import Proposal, read_report
from ledger.vocabulary import ComplicationKind, InfectionClass, InstructionWhat, MaturityVerdict, Sedation


def proposals(text: str, kind: str) -> list[Proposal]:
    return [one for one in read_report(text).proposed if one.kind == kind]


FIRST_NEEDLES = [
    "First cannulation of left brachiocephalic AVF today with 2 x 17G needles, no infiltration.",
    "Her left AV fistula was needled for the first time today, one needle, 17 gauge.",
    "R AVG first use today 22/03/2024, two needles, Qb 250.",
    "First needling of right radiocephalic fistula on 4 May 2023, two 17 G needles, pump speed 200.",
    "The left arm graft was cannulated for the first time this morning without problems.",
    "Initial cannulation RUA AVF today x1 needle 17G.",
    "Left BCF: first stick today, 2x17g, BFR 200, no problem.",
    "AVF used for the first time on 12/06/2023: 2 needles, no trouble.",
    "First dialysis via AVF today went well, 17G x2.",
]


@pytest.mark.parametrize("text", FIRST_NEEDLES)
def test_a_first_needle_is_read(text: str) -> None:
    assert len(proposals(text, "first-cannulation")) == 1


NO_FIRST_NEEDLES = [
    "First cannulation of the left AVF is planned for next week.",
    "Left AVF not yet cannulated. First cannulation when vein is 6 mm.",
    "AVF needled as usual today, 2 x 15G.",
    "First cannulation was not attempted today, AVF swollen.",
    "If ready, first needling of the AVF on Monday.",
    "The patient's AVF will be used for the first time next month.",
]


@pytest.mark.parametrize("text", NO_FIRST_NEEDLES)
def test_what_is_no_first_needle_is_not_read_as_one(text: str) -> None:
    assert proposals(text, "first-cannulation") == []


INFECTIONS = [
    ("R IJ TDC exit site infection today, pus expressed, swab sent.", InfectionClass.EXIT_SITE),
    ("Exit site red and oozing pus, left IJ tunneled dialysis catheter.", InfectionClass.EXIT_SITE),
    ("Tunnel infection of right tunnelled dialysis line with tenderness along the track.", InfectionClass.TUNNEL),
    ("Catheter-related bacteremia with Staph aureus, right IJ tunneled dialysis catheter.", InfectionClass.BLOODSTREAM),
    ("CRBSI, TDC left IJ. Culture MRSA.", InfectionClass.BLOODSTREAM),
    ("PD peritonitis today: cloudy effluent, Tenckhoff catheter.", InfectionClass.PERITONITIS),
    ("PROCEDURE: Excision of infected left AV graft.", InfectionClass.ACCESS),
    ("Infected AV graft right thigh, purulent discharge. PROCEDURE: Removal of AV graft.", InfectionClass.ACCESS),
    ("INDICATION: Line sepsis. PROCEDURE: Removal of right IJ tunneled dialysis catheter.", InfectionClass.BLOODSTREAM),
]


@pytest.mark.parametrize(("text", "expected"), INFECTIONS)
def test_an_infection_is_read_with_its_class(text: str, expected: InfectionClass) -> None:
    read = [one.detail["infection_class"] for one in proposals(text, "infection")]

    assert expected in read


NO_INFECTIONS = [
    "PROCEDURE: Fistulogram of left AVF. Risks including infection and bleeding were explained.",
    "TDC exit site clean, no redness, no pus.",
    "PROCEDURE: TDC exchange right IJ for poor flow. No evidence of infection.",
    "AV graft without signs of infection. PROCEDURE: AV graft angiogram.",
    "History of infected AV graft in 2015. PROCEDURE: Left AVF fistulogram.",
    "PROCEDURE: Left AVF creation. Previous catheter was infected.",
    "Pneumonia, on antibiotics. Dialysis via AVF.",
]


@pytest.mark.parametrize("text", NO_INFECTIONS)
def test_what_is_no_infection_is_not_read_as_one(text: str) -> None:
    assert proposals(text, "infection") == []


MATURITY = [
    ("Left BCF seen at 6 weeks: diameter 7 mm, depth 4 mm, flow 800 mL/min. Ready for cannulation.", "ready"),
    ("Right AVF ultrasound check: diameter 3.5 mm, flow 300 ml/min, not yet mature.", "not-ready"),
    ("AVF assessed by access nurse: good thrill, easily palpable, ready to needle.", "ready"),
    ("Left AVF exam: 4 mm, deep. Failing to mature.", "not-ready"),
]


@pytest.mark.parametrize(("text", "verdict"), MATURITY)
def test_a_judgement_of_readiness_is_read(text: str, verdict: str) -> None:
    read = [one.detail["verdict"] for one in proposals(text, "maturity-assessed")]

    assert read == [MaturityVerdict(verdict)]


AFTERWARDS: list[tuple[str, InstructionWhat, dict[str, Any]]] = [
    ("Fistula may be used tomorrow.", InstructionWhat.USABLE, {"from_day": "2024-03-02"}),
    ("Sutures to be removed in 10 days.", InstructionWhat.SUTURES, {"due": "2024-03-11"}),
    ("Remove 2 sutures at next dialysis.", InstructionWhat.SUTURES, {"sutures": 2}),
    ("Suture out in 3 days.", InstructionWhat.SUTURES, {"due": "2024-03-04"}),
    ("ROS 10/7.", InstructionWhat.SUTURES, {"due": "2024-03-11"}),
    ("Do not cannulate for 2 weeks.", InstructionWhat.NOT_TO_NEEDLE, {"until": "2024-03-15"}),
    ("Not to be needled through the stent.", InstructionWhat.NOT_TO_NEEDLE, {}),
    ("Continue dialysis via tunneled catheter.", InstructionWhat.DIALYSE_BY_CATHETER, {}),
    ("Follow up in 6 weeks.", InstructionWhat.FOLLOW_UP, {"due": "2024-04-12"}),
    ("Repeat fistulogram in 3 months.", InstructionWhat.NEXT_TEST, {"due": "2024-06"}),
    ("Repeat duplex in 4 weeks.", InstructionWhat.NEXT_TEST, {"due": "2024-03-29"}),
    ("Can be needled with 17 gauge from next week.", InstructionWhat.USABLE, {"gauge": 17}),
    ("OK to use AVF today.", InstructionWhat.USABLE, {"from_day": "2024-03-01"}),
]


@pytest.mark.parametrize(("words", "what", "expected"), AFTERWARDS)
def test_what_is_to_be_done_afterwards_is_read(words: str, what: InstructionWhat, expected: dict[str, Any]) -> None:
    text = f"DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Left AVF fistulogram.\nPLAN: {words}"

    read = [one for one in proposals(text, "instruction") if one.detail["what"] is what]

    assert len(read) == 1
    for name, value in expected.items():
        assert read[0].detail[name] == value
    quoted = [text[cite.start : cite.end] for cite in read[0].quotes]
    assert quoted == [words]


def test_an_instruction_on_use_is_never_plain() -> None:
    text = "PROCEDURE: Left AVF fistulogram.\nPLAN: May use tomorrow. Do not needle through the stent."

    read = proposals(text, "instruction")

    assert len(read) == 2
    assert not any(one.plain for one in read)


def test_without_a_day_of_the_procedure_in_two_weeks_is_no_day() -> None:
    text = "PROCEDURE: Left AVF fistulogram.\nPLAN: Do not cannulate for 2 weeks."

    (read,) = proposals(text, "instruction")

    assert "until" not in read.detail


DAYS = [
    ("DATE OF PROCEDURE: 03/14/2019\nPROCEDURE: Left AVF fistulogram.", "2019-03-14"),
    ("DOB: 01/02/1950\nDate of service: 2023-05-09\nPROCEDURE: AVG declot.", "2023-05-09"),
    ("Dictated 04/22/2021.\nOPERATION DATE: April 20, 2021\nPROCEDURE: AVG declot.", "2021-04-20"),
    ("Op note 14.02.2022\nOp: R RCF formation, LA.", "2022-02-14"),
    ("Fistuloplasty right BCF 3rd March 2023. Stenosis ballooned to 6 mm.", "2023-03-03"),
    ("Study date: 20230914\nEXAM: Left AVF fistulogram.", "2023-09-14"),
    ("The left AVF was needled for the first time on 11 July 2022.", "2022-07-11"),
    ("PROCEDURE: AVF ligation.\nPerformed on 19-Jul-2022 by the team.", "2022-07-19"),
    ("PROCEDURE DATE: March 2021\nPROCEDURE: AVF ligation.", "2021-03"),
]


@pytest.mark.parametrize(("text", "expected"), DAYS)
def test_the_day_of_the_procedure_comes_from_the_text(text: str, expected: str) -> None:
    reading = read_report(text, Envelope(performed=PartialDate("1999-01-01")))

    assert (reading.happened, reading.happened_from) == (expected, "text")


NO_DAYS = [
    "PROCEDURE: Left AVF fistulogram. The fistula was created 03/14/2019.",
    "DOB: 01/02/1950. PROCEDURE: Left AVF fistulogram.",
    "PROCEDURE: Left AVF fistulogram. COMPARISON: 06/02/2020.",
    "Dictated: 06/02/2020\nPROCEDURE: Left AVF fistulogram.",
    "PROCEDURE: AVG declot. Last treated on 5 May 2021.",
    "PROCEDURE: AVG declot. Next appointment 5 May 2021.",
]


@pytest.mark.parametrize("text", NO_DAYS)
def test_another_date_is_not_the_day_of_the_procedure(text: str) -> None:
    reading = read_report(text)

    assert reading.happened is None
    assert all(one.happened is None for one in reading.proposed)


def test_without_a_date_in_the_text_the_envelope_says_the_day() -> None:
    reading = read_report("PROCEDURE: Left AVF fistulogram.", Envelope(performed=PartialDate("2024-05-02")))

    assert (reading.happened, reading.happened_from) == ("2024-05-02", "performed")


def test_the_date_of_writing_counts_only_with_a_doubt() -> None:
    reading = read_report("PROCEDURE: Left AVF fistulogram.", Envelope(dated=PartialDate("2024-05-04")))

    assert (reading.happened, reading.happened_from) == ("2024-05-04", "dated")
    assert all(one.doubts and not one.plain for one in reading.proposed)


def test_of_a_date_with_two_readings_only_the_year_is_taken() -> None:
    reading = read_report("Date: 04/02/2022\nTDC exit site infection, R IJ.")

    assert reading.happened == "2022"
    assert any("only the year is certain" in doubt for doubt in reading.doubts)


def test_the_other_dates_of_the_text_say_which_reading_is_meant() -> None:
    reading = read_report("DATE OF PROCEDURE: 04/02/2022\nPROCEDURE: AVG declot. Graft placed 12/31/2020.")

    assert reading.happened == "2022-04-02"


COMPLICATIONS = [
    ("COMPLICATIONS: None.", ComplicationKind.NONE),
    ("There were no complications.", ComplicationKind.NONE),
    ("COMPLICATIONS: Venous rupture, controlled with balloon.", ComplicationKind.RUPTURE),
    ("COMPLICATIONS: Small hematoma at the puncture site.", ComplicationKind.HAEMATOMA),
    ("After angioplasty there was extravasation, treated by balloon tamponade.", ComplicationKind.EXTRAVASATION),
]


@pytest.mark.parametrize(("words", "expected"), COMPLICATIONS)
def test_complications_are_those_of_the_visit(words: str, expected: ComplicationKind) -> None:
    text = f"PROCEDURE: Left AVF fistulogram and angioplasty.\n{words}"

    (visit,) = proposals(text, "visit")

    assert [one["what"] for one in visit.detail["complications"]] == [expected]


def test_sedation_contrast_fluoroscopy_and_heparin_are_those_of_the_visit() -> None:
    text = (
        "PROCEDURE: Declot of left AVG.\nSEDATION: Moderate sedation with midazolam 1 mg.\n"
        "TECHNIQUE: Two 6 Fr sheaths. Heparin 3000 units. tPA 2 mg. Thrombus was aspirated.\n"
        "Contrast 45 mL. Fluoroscopy time 7.5 min."
    )

    (visit,) = proposals(text, "visit")

    assert visit.detail["sedation"] is Sedation.MODERATE
    assert visit.detail["contrast_ml"].value == "45"
    assert visit.detail["fluoroscopy_min"].value == "7.5"
    assert [(one["what"], one["dose"].value, one["unit"]) for one in visit.detail["drugs"]] == [
        ("heparin", "3000", "units"),
        ("lytic", "2", "mg"),
    ]
    assert [one.value for one in visit.detail["sheath_fr"]] == ["6"]
