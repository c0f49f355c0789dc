"""`brief --pdf`: one page of A4 or Letter, with the names as they are written, private, and never over another file."""

from __future__ import annotations

import io
import stat
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest

from cli.look import beside_sheet, brief_made
from cli.main import main
from cli.printed import brief_printed, left_out, sheet_printed
from ledger.projections.brief import Brief, BriefLine, Section
from ledger.projections.sheet import BLANKS, Sheet
from ledger.store import open_ledger
from tests.pages.conftest import DAY, demo_file

__all__ = ["demo_file"]

SIZES_MM = {"a4": (210, 297), "letter": (216, 279)}
"""ISO 216 A4, and Letter of ANSI/ASME Y14.1 (8.5 by 11 inches)."""


def of(demo: Path, patient: str) -> tuple[Brief, Sheet, object]:
    with open_ledger(demo) as ledger:
        one = ledger.who.patient(patient)
        history = ledger.history(patient, sessions=True)
        brief, sheet = (brief_made(ledger, one, history, DAY, wanted) for wanted in (False, True))
        assert isinstance(brief, Brief)
        assert isinstance(sheet, Sheet)
        return brief, sheet, beside_sheet(ledger, history, sheet)[1]


def page_of(pdf: bytes) -> pypdf.PageObject:
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return page


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("patient", ["P0001", "P0004", "P0008", "P0016"])
def test_a_brief_and_a_sheet_are_one_page_of_the_paper_that_was_asked_for(
    demo_file: Path, patient: str, paper: str
) -> None:
    brief, sheet, drawing = of(demo_file, patient)

    pages = page_of(brief_printed(brief, paper=paper)), page_of(sheet_printed(sheet, drawing, paper=paper))  # type: ignore[arg-type]

    for page in pages:
        size = round(float(page.mediabox.width) / 72 * 25.4), round(float(page.mediabox.height) / 72 * 25.4)
        assert size == SIZES_MM[paper]


def test_the_page_says_what_the_brief_says_and_ends_with_its_cautions(demo_file: Path) -> None:
    brief, _, _ = of(demo_file, "P0001")

    told = " ".join(page_of(brief_printed(brief)).extract_text().split())

    for section in brief.sections:
        for line in section.lines:
            assert " ".join(line.text.split()) in told, line.text
    assert "patient's" in told
    assert "LEFT" in told


def test_the_sheet_has_its_seven_blanks(demo_file: Path) -> None:
    _, sheet, drawing = of(demo_file, "P0001")

    told = page_of(sheet_printed(sheet, drawing)).extract_text()  # type: ignore[arg-type]

    assert all(blank in told for blank in BLANKS)


def test_however_much_there_is_it_stays_one_page_and_says_what_it_left_out(demo_file: Path) -> None:
    brief, _, _ = of(demo_file, "P0001")
    much = Section(
        "due", "Due", tuple(BriefLine(f"Due number {n}: a long sentence about it. " * 3) for n in range(150))
    )
    crowded = replace(brief, sections=tuple(much if one.key == "due" else one for one in brief.sections))

    told = " ".join(page_of(brief_printed(crowded)).extract_text().split())

    assert "more, in the ledger" in told
    assert "Stop and ask if arm, side or history differs" in told
    assert "Stay in the lower two thirds" in told, "what stops a hand is never left out"


def test_what_has_no_room_on_a_sheet_is_the_old_and_never_the_newest() -> None:
    assert list(left_out("trend", 8, 5)) == [0, 1, 2]
    assert list(left_out("veins", 8, 4)) == [2, 3, 4, 5]
    assert list(left_out("doubts", 8, 6)) == [6, 7]
    assert list(left_out("trend", 5, 5)) == list(left_out("use", 99, None)) == []


def test_a_name_is_printed_in_its_own_letters(demo_file: Path) -> None:
    brief, _, _ = of(demo_file, "P0003")
    name = "Zofia Łącka-Đorđević, Ἑλένη, Ольга"
    named = replace(brief, sections=(Section("identity", "", (BriefLine(name),)), *brief.sections[1:]))

    assert name in " ".join(page_of(brief_printed(named)).extract_text().split())


def test_a_letter_that_cannot_be_printed_is_a_box_and_said_to_be_one(demo_file: Path) -> None:
    brief, _, _ = of(demo_file, "P0003")
    named = replace(brief, sections=(Section("identity", "", (BriefLine("Invented 李 Patient"),)), *brief.sections[1:]))

    told = " ".join(page_of(brief_printed(named)).extract_text().split())

    assert "Invented □ Patient" in told
    assert "□ stands for a letter that cannot be printed here" in told


def test_the_file_is_private_and_another_one_is_never_written_over(
    demo_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    to, theirs = tmp_path / "brief.pdf", tmp_path / "theirs.pdf"
    theirs.write_text("something else")
    asked = ["brief", "P0001", "--ledger", str(demo_file), "--today", "2026-11-20"]

    done = main([*asked, "--pdf", str(to)])
    refused = main([*asked, "--for-intervention", "--pdf", str(theirs)])

    assert (done, refused) == (0, 1)
    assert stat.S_IMODE(to.stat().st_mode) == 0o600
    assert theirs.read_text() == "something else"
    assert "already there" in capsys.readouterr().err
