"""What sentences say of lesions: where, how much before, how much after, with which balloons."""

from __future__ import annotations

import pytest

from ledger.measured import Measured
from ledger.reading import ReadLesion, read_report
from ledger.vocabulary import Grade, TreatmentOutcome
from tests.score_reader import FIXTURES

LINES = [
    line
    for line in (FIXTURES / "lesions.list").read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]


@pytest.mark.parametrize("line", LINES)
def test_a_sentence_tells_its_lesions(line: str) -> None:
    text, expected = line.split(" => ")
    what = "graft" if "raft" in text else "fistula"

    reading = read_report(f"PROCEDURE: Fistulogram and angioplasty of left AV {what}.\nFINDINGS: {text}\n")

    lesions = [lesion for one in reading.proposed for lesion in one.detail.get("lesions", ())]
    lesions.sort(key=lambda lesion: lesion.quotes[0].start)
    assert " ; ".join(_told(lesion.to_json()) for lesion in lesions) == expected


def only_lesion(findings: str) -> ReadLesion:
    reading = read_report(f"PROCEDURE: Fistulogram and angioplasty of left AV fistula.\nFINDINGS: {findings}\n")
    (lesion,) = [lesion for one in reading.proposed for lesion in one.detail.get("lesions", ())]
    return lesion


def test_a_comparator_and_a_range_stay_as_they_were_said() -> None:
    lesion = only_lesion("A 75-80% cephalic arch stenosis was dilated with an 8 mm balloon to less than 20%.")

    assert lesion.before_percent == Measured(low="75", high="80")
    assert lesion.after_percent == Measured(value="20", comparator="<")
    written = lesion.to_json()
    assert (written["stenosis_before_percent"], written["stenosis_before_said"]) == (80, "75-80")
    assert (written["stenosis_after_percent"], written["stenosis_after_said"]) == (20, "<20")


def test_a_grade_stays_a_word_and_no_number_is_made_of_it() -> None:
    lesion = only_lesion("A high-grade stenosis of the cephalic arch was dilated with an 8 mm balloon. No residual.")

    assert (lesion.before_percent, lesion.before_grade) == (None, Grade.HIGH_GRADE)
    assert (lesion.after_percent, lesion.after_grade) == (None, Grade.NONE)


def test_balloons_have_their_length_their_pressure_and_their_coat() -> None:
    lesion = only_lesion("The 80% arch stenosis was dilated with an 8 mm x 4 cm drug coated balloon at 20 atm.")

    (balloon,) = lesion.balloons
    assert [str(one) for one in (balloon.diameter_mm, balloon.length_mm, balloon.pressure_atm)] == ["8", "40", "20"]
    assert balloon.coated is True


def test_recoil_and_rupture_are_the_outcome_of_a_lesion() -> None:
    recoiled = only_lesion("An 80% arch stenosis was dilated with an 8 mm balloon. There was 50% recoil.")
    torn = only_lesion("An 80% arch stenosis was dilated with an 8 mm balloon. Rupture of the vein was seen.")
    burst = only_lesion("An 80% arch stenosis was dilated with an 8 mm balloon. The balloon ruptured.")

    assert recoiled.outcome is TreatmentOutcome.RECOIL
    assert torn.outcome is TreatmentOutcome.RUPTURE
    assert burst.outcome is None


def test_reference_and_smallest_diameter_are_kept() -> None:
    lesion = only_lesion("80% stenosis of the outflow vein. Reference diameter 7 mm, minimal lumen diameter 1.5 mm.")

    assert (str(lesion.reference_mm), str(lesion.smallest_mm)) == ("7", "1.5")


def _told(lesion: dict[str, object]) -> str:
    balloons = lesion["balloon_mm"]
    sizes = balloons if isinstance(balloons, list) else [] if balloons is None else [balloons]
    before, after = lesion["stenosis_before_percent"], lesion["stenosis_after_percent"]
    return " ".join(
        (
            str(lesion["place"]),
            "-" if before is None else str(before),
            "-" if after is None else str(after),
            ",".join(str(size) for size in sizes) or "-",
        )
    )
