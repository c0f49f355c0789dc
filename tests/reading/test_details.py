"""What a report tells beside the deed: who did it, where the sheaths went in, where a stent lies, what comes after."""

from __future__ import annotations

from typing import Any

import pytest

from ledger.reading import Proposal, Reading, read_report
from ledger.vocabulary import InstructionWhat

OPENED = "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Fistulogram and angioplasty of left AV fistula.\n"
STENTED = (
    "DATE OF PROCEDURE: 2024-03-01\nPROCEDURE: Fistulogram and stent placement, left AV fistula.\n"
    "FINDINGS: 80% stenosis of the cephalic arch. An 8 mm x 60 mm covered stent was deployed. "
)


def the(reading: Reading, kind: str) -> Proposal:
    (one,) = (each for each in reading.proposed if each.kind == kind)
    return one


OPERATORS = [
    ("Performed by Dr Invented Onslow under local anaesthetic.", "Dr Invented Onslow"),
    ("Surgeon Mr Ambler-Test. Assistant none.", "Mr Ambler-Test"),
    ("Operator - Dr Quill.", "Dr Quill"),
    ("Dr Quill (operator), Nurse Brask.", "Dr Quill"),
    ("The procedure was carried out by Miss Penhallow.", "Miss Penhallow"),
    ("Performed by Imogen Quill, MD.", "Imogen Quill, MD"),
    ("SURGEON: Doctor A", "Doctor A"),
]


@pytest.mark.parametrize(("words", "who"), OPERATORS)
def test_who_did_it_is_read_however_it_is_said(words: str, who: str) -> None:
    reading = read_report(OPENED + words + "\nTECHNIQUE: A 6 Fr sheath was placed.")

    assert reading.words(the(reading, "visit").detail["operator"]) == who


NO_OPERATORS = [
    "The fistula was created in 2019; it was performed by Dr Quill.",
    "Referred by Dr Quill.",
    "Dictated by Dr Quill.",
    "Revision may be performed by Dr Quill next month.",
]


@pytest.mark.parametrize("words", NO_OPERATORS)
def test_somebody_else_is_no_operator(words: str) -> None:
    reading = read_report(OPENED + "TECHNIQUE: A 6 Fr sheath was placed. " + words)

    assert "operator" not in the(reading, "visit").detail


HOLES = [
    ("A 6 Fr sheath was placed in the outflow vein.", ["outflow-vein"]),
    ("The cannulation zone was punctured and a 7 Fr sheath inserted.", ["cannulation-zone"]),
    ("Antegrade access was obtained in the mid fistula and a 6 Fr sheath placed.", ["cannulation-zone"]),
    ("A sheath was passed. A wire went up to the superior vena cava through the sheath.", []),
    ("Through the sheath a balloon was placed in the cephalic arch.", []),
    ("Previously a sheath was placed in the outflow vein.", []),
]


@pytest.mark.parametrize(("words", "places"), HOLES)
def test_where_the_sheaths_went_in(words: str, places: list[str]) -> None:
    reading = read_report(OPENED + "TECHNIQUE: " + words)

    assert [one.value for one in the(reading, "visit").detail.get("sheath_places", ())] == places


ACROSS = [
    ("The stent lies across the cannulation zone.", True),
    ("The stent extends into the venous needling segment.", True),
    ("The stent does not extend into the cannulation zone.", False),
    ("The stent spares the needling segment.", False),
    ("The patency of the graft was good.", None),
    ("In 2019 a stent was placed across the cannulation zone.", None),
]


@pytest.mark.parametrize(("words", "across"), ACROSS)
def test_a_stent_across_the_segment_that_is_needled(words: str, across: bool | None) -> None:
    reading = read_report(STENTED + words)

    (lesion,) = the(reading, "stent").detail["lesions"]
    assert lesion.stents[0].across_needle_zone is across


SIDE_VEINS = [
    ("The stent jails the basilic vein.", "stent jails the basilic vein"),
    ("The stent covers the origin of the axillary vein.", "stent covers the origin of the axillary vein"),
    ("The stent does not jail the basilic vein.", None),
    ("The stent was placed across the cephalic vein stenosis.", None),
]


@pytest.mark.parametrize(("words", "said"), SIDE_VEINS)
def test_a_stent_over_the_mouth_of_another_vein_is_kept_in_words(words: str, said: str | None) -> None:
    reading = read_report(STENTED + words)

    note = the(reading, "stent").detail.get("note")
    assert (reading.words(note) if note else None) == said


AFTER: list[tuple[str, InstructionWhat, dict[str, Any]]] = [
    ("Sutures to be removed in 10 days by the practice nurse.", InstructionWhat.SUTURES, {"note": "practice nurse"}),
    ("Dialysis unit to remove sutures in 2 days.", InstructionWhat.SUTURES, {"note": "Dialysis unit"}),
    ("Sutures out on 9 March 2024 at the unit.", InstructionWhat.SUTURES, {"due": "2024-03-09", "note": "unit"}),
    ("Aspirin and clopidogrel until 1 June 2024.", InstructionWhat.ANTIPLATELET, {"until": "2024-06-01"}),
    ("Clopidogrel 75 mg daily for 3 months.", InstructionWhat.ANTIPLATELET, {"until": "2024-06"}),
    ("Do not needle until 15 March 2024.", InstructionWhat.NOT_TO_NEEDLE, {"until": "2024-03-15"}),
    (
        "May be needled from 8 March 2024 with two 17 gauge needles, max Qb 250.",
        InstructionWhat.USABLE,
        {"from_day": "2024-03-08", "needles": 2, "gauge": 17, "highest_blood_flow_ml_min": "250"},
    ),
]


@pytest.mark.parametrize(("words", "what", "expected"), AFTER)
def test_who_does_it_and_until_when(words: str, what: InstructionWhat, expected: dict[str, Any]) -> None:
    reading = read_report(OPENED + "PLAN: " + words)

    one = next(each for each in reading.proposed if each.kind == "instruction" and each.detail["what"] is what)
    read = {name: reading.words(value) if name == "note" else value for name, value in one.detail.items()}
    for name, value in expected.items():
        assert (str(read[name]) if name == "highest_blood_flow_ml_min" else read[name]) == value
