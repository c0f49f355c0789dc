"""What sentences say of lesions: where, how much before, how much after, with which balloons."""

from __future__ import annotations

import pytest

from ledger.reading import read_report
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
