"""Every form of arrival: well formed, broken, and made to do harm. All reports are invented.

Word documents and workbooks are made by python-docx and openpyxl, PDF pages by matplotlib, pictures by Pillow: what is
read here was written by other programs.
"""

from __future__ import annotations

import io
import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ledger.arrival import Arrived, Desk, Form, Why, arrive
from ledger.arrival.markup import html_text, rtf_text
from ledger.arrival.packed import xml_of
from ledger.arrival.sandbox import Order, Worker
from ledger.arrival.sheets import Column, ColumnMapping, ColumnUse, csv_rows, proposed_mapping
from ledger.arrival.values import CannotRead, Limits
from ledger.errors import WrongInput
from tests.arrival import making
from tests.arrival.making import BODY, FIXTURES, HEADER, LIST_ROWS, OTHER_REPORT, REPORT

MAPPING = ColumnMapping(name="list", columns=proposed_mapping(LIST_ROWS[0]).columns, dates="day-first")


@pytest.fixture(scope="module")
def desk() -> Iterator[Desk]:
    with Desk(columns=MAPPING.to_json()) as made:
        yield made


def why(found: Arrived) -> list[Why]:
    return [one.code for one in found.unreadable]


def words(text: str) -> list[str]:
    return text.split()


# --- Well formed --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("original", "form"),
    [
        (making.pdf([REPORT]), Form.PDF),
        (making.docx(REPORT.split("\n")), Form.WORD),
        (making.rtf(REPORT), Form.RTF),
        (making.html(REPORT), Form.HTML),
    ],
    ids=lambda one: one.value if isinstance(one, Form) else "",
)
def test_a_report_in_any_form_gives_its_words_and_its_patient(desk: Desk, original: bytes, form: Form) -> None:
    found = desk.arrive(original)

    assert found.form is form
    assert found.is_complete
    assert words(found.parts[0].text) == words(REPORT)
    assert found.parts[0].clues.name is not None
    assert found.parts[0].clues.name.text == "VELLACOTT, Maud"
    assert [one.value for one in found.parts[0].clues.identifiers] == ["K204817"]
    assert found.parts[0].clues.birth_date is not None
    assert found.parts[0].clues.birth_date.readings == ("1950-04-13",)


def test_the_fixtures_are_what_the_program_that_made_them_makes(desk: Desk) -> None:
    names = [
        path.name for path in sorted(FIXTURES.iterdir()) if path.suffix not in (".md",) and "columns" not in path.name
    ]

    found = {name: desk.arrive((FIXTURES / name).read_bytes(), name) for name in names if "scanned" not in name}

    assert {name: why(one) for name, one in found.items() if one.unreadable} == {}
    assert {name: len(one.parts) for name, one in found.items() if len(one.parts) != 1} == {
        "batch.hl7": 2,
        "list.csv": 2,
        "list.xlsx": 2,
        "two-reports.pdf": 2,
    }


def test_a_pdf_file_set_by_another_program_reads_the_same(desk: Desk) -> None:
    found = desk.arrive(making.pdf_by_matplotlib(REPORT))

    assert words(found.parts[0].text) == words(REPORT)


def test_several_reports_in_one_pdf_file_are_parted_by_their_patients(desk: Desk) -> None:
    found = desk.arrive(making.pdf([REPORT, "more of the first report", OTHER_REPORT]))

    assert [part.clues.name.text for part in found.parts if part.clues.name] == ["VELLACOTT, Maud", "PENNICK, Ivor"]
    assert "more of the first report" in found.parts[0].text


def test_what_a_form_was_filled_with_is_read_too(desk: Desk) -> None:
    found = desk.arrive(making.form_pdf("80% stenosis of the cephalic arch"))

    assert "Findings: 80% stenosis of the cephalic arch" in found.parts[0].text


def test_ligatures_and_special_letters_of_a_pdf_file_are_spelled_out(desk: Desk) -> None:
    found = desk.arrive(making.pdf_by_matplotlib("AV \ufb01stula of Ödön Šabó, residual ≤ 10 %, 6 × 40 mm"))

    assert "fistula of Ödön Šabó, residual ≤ 10 %, 6 × 40 mm" in found.parts[0].text


def test_a_pdf_file_that_only_forbids_changes_opens(desk: Desk) -> None:
    found = desk.arrive(making.locked_pdf(making.pdf([REPORT]), "", owner="nobody knows"))

    assert words(found.parts[0].text) == words(REPORT)


def test_the_header_and_the_tables_of_a_word_document_are_read_in_order(desk: Desk) -> None:
    table = [["Lesion", "Before", "After"], ["Cephalic arch", "80 %", "10 %"]]

    found = desk.arrive(making.docx(["Left brachiocephalic fistula."], header=HEADER, table=table))

    assert found.parts[0].text == (
        f"{HEADER}\n\nLeft brachiocephalic fistula.\nLesion\tBefore\tAfter\nCephalic arch\t80 %\t10 %\n"
    )
    assert found.parts[0].clues.name is not None


def test_a_word_document_is_read_as_it_would_be_printed(desk: Desk) -> None:
    body = (
        "<w:p><w:r><w:t>The residual was </w:t></w:r><w:del><w:r><w:delText>30</w:delText></w:r></w:del>"
        "<w:ins><w:r><w:t>10</w:t></w:r></w:ins><w:r><w:rPr><w:vanish/></w:rPr><w:t>hidden</w:t></w:r>"
        "<w:r><w:tab/><w:t>%</w:t><w:br/><w:t>Next line</w:t><w:noBreakHyphen/><w:t>one</w:t></w:r></w:p>"
        "<w:tbl><w:tr><w:tc><w:p><w:r><w:t>First</w:t></w:r></w:p><w:p><w:r><w:t>Second</w:t></w:r></w:p></w:tc>"
        "<w:tc><w:p><w:r><w:t>Third</w:t></w:r></w:p></w:tc></w:tr></w:tbl>"
    )

    found = desk.arrive(making.docx_of_xml(body)).parts[0]

    assert found.text == "The residual was 10\t%\nNext line-one\nFirst\nSecond\nThird\n"
    assert {doubt.code for doubt in found.envelope.doubts} == {"tracked-changes", "hidden-text-left-out"}


def test_html_shows_what_a_browser_shows(desk: Desk) -> None:
    markup = (
        "<style>p {}</style><h1>Report</h1><p>Left&nbsp;fistula,\n 80&#37; &lt;arch&gt;</p><script>no()</script>"
        "<ul><li>one<li>two</ul><table><tr><td>a</td><td>b</td></tr></table><div hidden>no</div><pre>a  b\nc</pre>"
    )

    assert html_text(markup) == "Report\n\nLeft\xa0fistula, 80% <arch>\n\none\ntwo\n\na\tb\n\na  b\nc\n"


def test_rich_text_gives_letters_of_every_kind_and_nothing_else() -> None:
    source = (
        rb"{\rtf1\ansi\ansicpg1252\uc1{\fonttbl{\f0 Arial;}}{\info{\author Nobody}}{\*\generator None;}"
        rb"Fist\'fcla \u8804?10\~%\par{\b bold} \{brace\}\line next\tab cell{\v hidden}\emdash end{\pict 0102}}"
    )

    assert rtf_text(source) == "Fistüla ≤10\xa0%\nbold {brace}\nnext\tcell—end"


# --- Pictures -----------------------------------------------------------------------------------------------------

needs_tesseract = pytest.mark.skipif(shutil.which("tesseract") is None, reason="tesseract is not on this machine")


@needs_tesseract
@pytest.mark.parametrize(
    "original",
    [
        making.picture(REPORT),
        making.picture(REPORT, "JPEG", quality=90),
        making.picture(REPORT, "TIFF"),
        making.scanned_pdf([REPORT]),
    ],
    ids=["png", "jpeg", "tiff", "pdf"],
)
def test_a_picture_of_a_report_is_recognised_and_marked(desk: Desk, original: bytes) -> None:
    found = desk.arrive(original)

    part = found.parts[0]
    assert "80% stenosis of the cephalic arch" in part.text
    assert part.envelope.by_ocr
    assert [doubt.code for doubt in part.envelope.doubts] == ["recognised-from-a-picture"]
    assert part.clues.name is not None
    assert part.clues.name.text == "VELLACOTT, Maud"


@needs_tesseract
def test_a_file_of_typed_and_scanned_pages_is_read_page_by_page(desk: Desk) -> None:
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter()
    for original in (making.pdf([REPORT]), making.scanned_pdf(["PLAN\nSutures out in ten days. Next check in May."])):
        writer.append(PdfReader(io.BytesIO(original)))
    made = io.BytesIO()
    writer.write(made)

    found = desk.arrive(made.getvalue()).parts[0]

    first, second = found.text.split("\f")
    assert words(first) == words(REPORT)
    assert "Sutures out in ten days." in second


@needs_tesseract
def test_a_picture_without_words_says_so(desk: Desk) -> None:
    assert why(desk.arrive(making.picture(""))) == [Why.OCR_FOUND_NOTHING]


def test_without_the_program_that_recognises_letters_the_remedy_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", os.path.dirname(os.devnull))

    with Desk() as poor:
        scanned, picture = poor.arrive(making.scanned_pdf([REPORT])), poor.arrive(making.picture(REPORT))

    assert why(scanned) == why(picture) == [Why.OCR_MISSING]
    assert "apt-get install tesseract-ocr" in scanned.unreadable[0].remedy


def test_without_it_the_typed_pages_are_read_and_the_others_named(monkeypatch: pytest.MonkeyPatch) -> None:
    from pypdf import PdfReader, PdfWriter

    monkeypatch.setenv("PATH", os.path.dirname(os.devnull))
    writer = PdfWriter()
    for original in (making.pdf([REPORT]), making.scanned_pdf(["Residual stenosis 10 %"])):
        writer.append(PdfReader(io.BytesIO(original)))
    made = io.BytesIO()
    writer.write(made)

    with Desk() as poor:
        found = poor.arrive(made.getvalue())

    assert words(found.parts[0].text) == words(REPORT)
    assert "not-all-read" in [doubt.code for doubt in found.parts[0].envelope.doubts]
    assert why(found) == [Why.OCR_MISSING]
    assert found.unreadable[0].problem.startswith("Page 2 could not be read.")


@needs_tesseract
def test_a_page_with_a_picture_and_no_words_beside_typed_pages_is_a_doubt(desk: Desk) -> None:
    from pypdf import PdfReader, PdfWriter

    writer = PdfWriter()
    for original in (making.pdf([REPORT]), making.scanned_pdf([""])):
        writer.append(PdfReader(io.BytesIO(original)))
    made = io.BytesIO()
    writer.write(made)

    found = desk.arrive(made.getvalue())

    assert found.is_complete
    assert [doubt.code for doubt in found.parts[0].envelope.doubts] == ["page-without-words"]


def test_words_that_a_scanner_laid_behind_its_picture_are_marked(desk: Desk) -> None:
    stream = b"BT /F1 11 Tf 3 Tr 50 780 Td (Left brachiocephalic fistula, 80% stenosis) Tj ET"

    found = desk.arrive(making.pdf_of_streams([stream])).parts[0]

    assert "80% stenosis" in found.text
    assert [doubt.code for doubt in found.envelope.doubts] == ["recognised-by-the-scanner"]


@needs_tesseract
def test_more_scanned_pages_than_allowed_are_refused_with_the_number() -> None:
    found = arrive(making.scanned_pdf(["one page", "another"]), limits=Limits(scanned_pages=1))

    assert why(found) == [Why.TOO_LARGE]
    assert "2 pages are pictures; the limit is 1" in found.unreadable[0].problem


def slow_recogniser(folder: Path, seconds: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Puts a program called tesseract first in the path, which takes its time and always finds the same two words."""
    header = "level\\tpage_num\\tblock_num\\tpar_num\\tline_num\\tword_num\\tleft\\ttop\\twidth\\theight\\tconf\\ttext"
    rows = "".join(
        f"5\\t1\\t1\\t1\\t1\\t{n}\\t0\\t0\\t9\\t9\\t{conf}\\t{word}\\n"
        for n, conf, word in ((1, 96, "Left"), (2, 41, "graft"))
    )
    program = folder / "tesseract"
    program.write_text(f"#!/bin/sh\ncat >/dev/null\nsleep {seconds}\nprintf '{header}\\n{rows}'\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a shell script")
def test_recognising_many_pages_may_take_longer_than_opening_a_file_may(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    slow_recogniser(tmp_path, 1.2, monkeypatch)

    found = arrive(making.scanned_pdf(["page"] * 4), limits=Limits(seconds=4.0))

    assert found.parts[0].text == "Left graft\fLeft graft\fLeft graft\fLeft graft"
    assert "4 of 8 words are unsure" in found.parts[0].envelope.doubts[0].words


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a shell script")
@pytest.mark.parametrize("limits", [Limits(ocr_seconds_a_page=0.3), Limits(ocr_seconds=0.0)])
def test_recognition_that_takes_too_long_is_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, limits: Limits
) -> None:
    slow_recogniser(tmp_path, 2, monkeypatch)

    found = arrive(making.scanned_pdf(["page"]), limits=limits)

    assert why(found) == [Why.TOO_LONG]


# --- Sheets -------------------------------------------------------------------------------------------------------


def csv_of(rows: list[list[str]], sign: str = ",", encoding: str = "utf-8", end: str = "\n") -> bytes:
    lines = [sign.join('"' + cell.replace('"', '""') + '"' for cell in row) for row in rows]
    return (end.join(lines) + end).encode(encoding)


@pytest.mark.parametrize("original", [csv_of(LIST_ROWS), making.xlsx(LIST_ROWS)], ids=["csv", "xlsx"])
def test_each_row_is_a_report_with_its_patient_its_day_and_its_hints(desk: Desk, original: bytes) -> None:
    found = desk.arrive(original, "list.csv")

    first = found.parts[0]
    assert [part.part for part in found.parts] == [1, 2]
    assert first.envelope.performed == "2024-03-14"
    assert first.envelope.sender == "Harrowgate (invented)"
    assert [one.value for one in first.clues.identifiers] == ["K204817"]
    assert first.clues.doubts == ()
    assert first.clues.birth_date is not None
    assert first.clues.birth_date.readings == ("1950-04-13",)
    assert {hint.what: hint.text for hint in first.hints}["side"] == "left"
    for hint in first.hints:
        assert hint.span is not None
        assert first.text[hint.span.start : hint.span.end] == hint.text


@pytest.mark.parametrize("sign", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_lists_of_every_house_are_parted_alike(desk: Desk, sign: str, encoding: str) -> None:
    rows = [LIST_ROWS[0], [cell.replace("Maud", "Zoë") for cell in LIST_ROWS[1]], LIST_ROWS[2]]

    found = desk.arrive(csv_of(rows, sign, encoding, "\r\n"), "list.csv")

    assert [part.clues.names[0].text for part in found.parts] == ["VELLACOTT, Zoë", "PENNICK, Ivor"]


def test_cells_with_line_ends_quotes_and_signs_stay_one_cell() -> None:
    assert csv_rows('a,b\n"one, two","said ""so""\nand more"\n') == [["a", "b"], ["one, two", 'said "so"\nand more']]


def test_a_sheet_without_a_mapping_says_so_and_gives_its_headings() -> None:
    found = arrive(csv_of(LIST_ROWS), "list.csv")

    assert why(found) == [Why.MAPPING_MISSING]
    assert found.headings == tuple(LIST_ROWS[0])
    assert {column.heading: column.use.value for column in proposed_mapping(found.headings).columns} == {
        "MRN": "identifier",
        "Patient": "name",
        "DOB": "birth-date",
        "Date": "performed",
        "Procedure": "text",
        "Access": "access-kind",
        "Side": "side",
        "Centre": "centre",
    }


def test_a_sheet_of_another_kind_names_what_is_missing(desk: Desk) -> None:
    found = desk.arrive(csv_of([["MRN", "Summary"], ["1", "Left graft"]]), "other.csv")

    assert why(found) == [Why.MAPPING_UNFIT]
    assert "'Patient'" in found.unreadable[0].problem


def test_a_row_without_text_waits_with_its_number_and_its_patient(desk: Desk) -> None:
    empty = [*LIST_ROWS[1]]
    empty[4] = ""

    found = desk.arrive(csv_of([LIST_ROWS[0], empty, LIST_ROWS[2]]), "list.csv")

    assert [part.part for part in found.parts] == [2]
    assert [(one.part, one.code) for one in found.unreadable] == [(1, Why.NO_TEXT)]
    assert found.unreadable[0].clues is not None
    assert found.unreadable[0].clues.names[0].text == "VELLACOTT, Maud"


@pytest.mark.parametrize(
    ("dates", "performed", "doubts"),
    [
        ("day-first", "2024-04-02", []),
        ("month-first", "2024-02-04", []),
        (None, None, ["performed-two-readings"]),
    ],
)
def test_a_typed_date_is_read_in_the_order_that_the_mapping_says(
    dates: Any, performed: str | None, doubts: list[str]
) -> None:
    mapping = ColumnMapping(name="list", columns=MAPPING.columns, dates=dates)

    found = arrive(csv_of([LIST_ROWS[0], LIST_ROWS[2]]), "list.csv", columns=mapping.to_json()).parts[0]

    assert found.envelope.performed == performed
    assert [doubt.code for doubt in found.envelope.doubts] == doubts


def test_cells_of_a_workbook_come_out_as_they_show() -> None:
    rows = [
        ["MRN", "Date", "Summary", "Residual", "Flow", "Code", "Seen", "Minute"],
        [44102, date(2024, 4, 2), "Left graft", 0.1, 812.5, 77, True, datetime(2024, 4, 2, 11, 30)],
        [44103, date(1900, 1, 15), "Right graft", 0.125, 0.8, 4, False, None],
    ]
    columns = (
        Column(heading="MRN", use=ColumnUse.IDENTIFIER),
        Column(heading="Date", use=ColumnUse.PERFORMED),
        Column(heading="Summary", use=ColumnUse.TEXT),
    )
    original = making.xlsx(rows, formats={"D2": "0%", "D3": "0.0%", "F2": "00000", "F3": "00000"})

    found = arrive(original, columns=ColumnMapping(name="x", columns=columns).to_json())

    assert found.parts[0].text == (
        "MRN: 44102\nDate: 2024-04-02\nSummary:\nLeft graft\nResidual: 10 %\nFlow: 812.5\nCode: 00077\nSeen: yes\n"
        "Minute: 2024-04-02T11:30\n"
    )
    assert found.parts[0].envelope.performed == "2024-04-02"
    assert "Residual: 12.5 %\nFlow: 0.8\nCode: 00004\nSeen: no\n" in found.parts[1].text
    assert found.parts[1].envelope.performed == "1900-01-15"


def test_a_mapping_is_saved_and_read_back() -> None:
    assert ColumnMapping.from_json(MAPPING.to_json()) == MAPPING


@pytest.mark.parametrize(
    "saved",
    [
        b"",
        b"{}",
        b'{"name": "x", "columns": [{"heading": "A", "use": "no-such-use"}]}',
        b'{"name": "x", "columns": [{"heading": "A", "use": "text"}, {"heading": "a ", "use": "side"}]}',
        b'{"name": "x", "columns": [{"heading": "A", "use": "side"}]}',
        b'{"name": "x", "columns": [{"heading": "A", "use": "text"}], "dates": "year-first"}',
    ],
)
def test_a_mapping_that_is_none_says_what_is_wrong(saved: bytes) -> None:
    with pytest.raises(WrongInput) as refused:
        ColumnMapping.from_json(saved)

    assert refused.value.remedy


def test_a_named_sheet_of_a_workbook_is_read(desk: Desk) -> None:
    other = ColumnMapping(name="x", columns=MAPPING.columns, sheet="interventions", dates="day-first")
    missing = ColumnMapping(name="x", columns=MAPPING.columns, sheet="Nowhere")

    found = arrive(making.xlsx(LIST_ROWS), columns=other.to_json())
    not_found = arrive(making.xlsx(LIST_ROWS), columns=missing.to_json())

    assert len(found.parts) == 2
    assert why(not_found) == [Why.MAPPING_UNFIT]


# --- Broken -------------------------------------------------------------------------------------------------------

BROKEN = {
    "pdf cut short": making.pdf([REPORT])[:300],
    "pdf of nothing": b"%PDF-1.4\n%%EOF\n",
    "pdf without pages": making.pdf([]),
    "docx cut short": making.docx([REPORT])[:2000],
    "docx without text": making.zipped({"word/document.xml.rels": b"<a/>"}),
    "docx of broken xml": making.zipped({"word/document.xml": b"<w:document><w:body>"}),
    "xlsx cut short": making.xlsx(LIST_ROWS)[:2500],
    "xlsx without sheets": making.zipped({"xl/workbook.xml": b"<workbook/>"}),
    "xml cut short": making.cda(making.CDA_BODY)[:900],
    "xml of something else": b"<?xml version='1.0'?><note>hello</note>",
    "json cut short": making.as_json(making.bundle(making.PATIENT_RESOURCE))[:200],
    "picture cut short": making.picture(REPORT)[:900],
    "zip of files": making.zipped({"report.txt": REPORT.encode()}),
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_file_says_what_to_do_and_stops_nothing(desk: Desk, name: str) -> None:
    found = desk.arrive(BROKEN[name])
    after = desk.arrive(making.pdf([REPORT]))

    assert found.parts == ()
    assert len(found.unreadable) == 1
    assert found.unreadable[0].problem.endswith(".")
    assert found.unreadable[0].remedy.endswith(".")
    assert len(after.parts) == 1


@pytest.mark.parametrize(
    "original",
    [
        making.locked_pdf(making.pdf([REPORT]), "secret"),
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 512 + "EncryptedPackage".encode("utf-16-le"),
    ],
    ids=["pdf", "office"],
)
def test_a_file_behind_a_password_says_so(desk: Desk, original: bytes) -> None:
    assert why(desk.arrive(original)) == [Why.ENCRYPTED]


def test_what_a_parser_trips_over_is_said_without_losing_the_process(desk: Desk) -> None:
    sheet = b'<worksheet><row r="third"><c r="A1"><v>1</v></c></row></worksheet>'
    members = {"xl/workbook.xml": b'<workbook><sheets><sheet name="a"/></sheets></workbook>'}
    desk.arrive(making.pdf([REPORT]))
    before = desk._worker._process

    found = desk.arrive(making.zipped(members | {"xl/worksheets/sheet1.xml": sheet}))

    assert why(found) == [Why.BROKEN]
    assert found.unreadable[0].problem == "The xlsx file is broken (ValueError)."
    assert desk._worker._process is before


def test_no_problem_and_no_remedy_quotes_the_file(desk: Desk) -> None:
    for original in BROKEN.values():
        found = desk.arrive(original, "VELLACOTT Maud K204817.pdf")
        said = " ".join(f"{one.problem} {one.remedy}" for one in found.unreadable)
        assert not any(secret in said for secret in ("VELLACOTT", "Maud", "K204817", "cephalic"))


# --- Made to do harm ----------------------------------------------------------------------------------------------


def bomb_docx() -> bytes:
    head = b'<w:document xmlns:w="x"><w:body><w:p><w:r><w:t>'
    return making.zipped({"word/document.xml": head + b" " * 300_000_000 + b"</w:t></w:r></w:p></w:body></w:document>"})


def laughing(root: str) -> bytes:
    entities = "".join(f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10))
    return f'<?xml version="1.0"?><!DOCTYPE {root} [<!ENTITY a0 "ha">{entities}]><{root}>&a9;</{root}>'.encode()


def lying_docx() -> bytes:
    """Says that it unpacks to ten bytes, and unpacks to ten million."""
    original = bytearray(making.zipped({"word/document.xml": b"<a>" + b" " * 10_000_000 + b"</a>"}))
    for at in (original.find(b"PK\x03\x04") + 22, original.rfind(b"PK\x01\x02") + 24):
        original[at : at + 4] = (10).to_bytes(4, "little")
    return bytes(original)


HOSTILE = {
    "word bomb": (bomb_docx, {Why.HOSTILE}),
    "word that lies about its size": (lying_docx, {Why.HOSTILE, Why.BROKEN}),
    "entities in a clinical document": (lambda: laughing("ClinicalDocument"), {Why.HOSTILE}),
    "entities in a word document": (
        lambda: making.zipped({"word/document.xml": laughing("document")}),
        {Why.HOSTILE},
    ),
    "a file outside, as an entity": (
        lambda: (
            b'<?xml version="1.0"?><!DOCTYPE ClinicalDocument [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
            b"<ClinicalDocument><title>&x;</title></ClinicalDocument>"
        ),
        {Why.HOSTILE},
    ),
    "xml nested without end": (
        lambda: b"<?xml version='1.0'?><ClinicalDocument>" + b"<a>" * 200_000 + b"</a>" * 200_000,
        {Why.HOSTILE},
    ),
    "json nested without end": (lambda: b'{"resourceType":' + b"[" * 500_000 + b"]" * 500_000 + b"}", {Why.BROKEN}),
    "rich text nested without end": (lambda: b"{\\rtf1 " + b"{" * 500_000, {Why.HOSTILE}),
    "pdf bomb": (lambda: making.bomb_pdf(300), {Why.HOSTILE, Why.TOO_MUCH_MEMORY, Why.BROKEN}),
    "a picture larger than a field": (
        lambda: b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR" + (900_000).to_bytes(4, "big") * 2 + b"\x08\x02\x00\x00\x00" * 9,
        {Why.OCR_FOUND_NOTHING, Why.OCR_MISSING},
    ),
    "a workbook of too many cells": (
        lambda: making.zipped(
            {
                "xl/workbook.xml": b'<workbook><sheets><sheet name="a"/></sheets></workbook>',
                "xl/worksheets/sheet1.xml": b'<worksheet><row r="900000000"><c r="ZZZZ1"/></row></worksheet>',
            }
        ),
        {Why.HOSTILE},
    ),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_file_made_to_do_harm_is_refused_soon_and_stops_nothing(desk: Desk, name: str) -> None:
    make, expected = HOSTILE[name]
    original = make()

    started = time.monotonic()
    found = desk.arrive(original)
    took = time.monotonic() - started

    assert set(why(found)) <= expected
    assert found.unreadable
    assert took < 30
    assert len(desk.arrive(making.pdf([REPORT])).parts) == 1


def test_a_pdf_file_that_refers_to_itself_ends(desk: Desk) -> None:
    original = making.pdf([REPORT]).replace(b"/Kids [5 0 R]", b"/Kids [2 0 R]")

    found = desk.arrive(original)

    assert found.parts or found.unreadable


@pytest.mark.parametrize(("limits", "code"), [(Limits(seconds=0.0001), Why.TOO_LONG), (Limits(pages=2), Why.TOO_LARGE)])
def test_what_takes_too_long_or_has_too_many_pages_is_given_up(limits: Limits, code: Why) -> None:
    found = arrive(making.pdf([REPORT] * 3), limits=limits)

    assert why(found) == [code]


@pytest.mark.skipif(sys.platform == "win32", reason="Windows cannot hold a process")
def test_a_process_that_hangs_is_killed(monkeypatch: pytest.MonkeyPatch) -> None:
    order = Order(
        form=Form.PDF, media_type="application/pdf", file_name=None, declared=None, columns=None, limits=Limits()
    )
    with Worker() as worker:
        worker.open(making.pdf([REPORT]), order)
        process = worker._process
        assert process is not None
        os.kill(process.pid, signal.SIGSTOP)
        monkeypatch.setattr("ledger.arrival.sandbox._GRACE_SECONDS", 0.1)

        with pytest.raises(CannotRead) as refused:
            worker.open(making.pdf([REPORT]), replace(order, limits=Limits(seconds=0.1)))

        assert refused.value.code is Why.TOO_LONG
        assert process.poll() == -signal.SIGKILL


def test_a_process_that_is_killed_takes_nothing_else_with_it() -> None:
    with Desk() as lasting:
        first = lasting.arrive(making.pdf([REPORT]))
        process = lasting._worker._process
        assert process is not None
        process.kill()
        process.wait()
        second = lasting.arrive(making.pdf([REPORT]))

    assert first == second


@pytest.mark.skipif(sys.platform == "win32", reason="Windows sets no bound to a process from within")
def test_memory_beyond_the_limit_is_not_given() -> None:
    original = b"{\\rtf1 " + b"left graft " * 4_500_000 + b"}"

    found = arrive(original, limits=Limits(memory_bytes=200 * 1024 * 1024))

    assert why(found) == [Why.TOO_MUCH_MEMORY]


def test_closing_the_desk_ends_its_process() -> None:
    with Desk() as closing:
        closing.arrive(making.pdf([REPORT]))
        process = closing._worker._process

    assert process is not None
    assert process.poll() is not None


def test_xml_without_a_document_type_is_read_with_its_namespaces() -> None:
    root = xml_of(b'<a xmlns="urn:x" xmlns:y="urn:y" y:b="1"><c>d</c></a>')

    assert root.tag == "{urn:x}a"
    assert root.attrib == {"{urn:y}b": "1"}
    assert root[0].text == "d"


# --- Mutated ------------------------------------------------------------------------------------------------------

SOUND = [
    making.pdf([REPORT]),
    making.docx(BODY.split("\n"), header=HEADER),
    making.xlsx(LIST_ROWS),
    making.rtf(REPORT),
    making.cda(making.CDA_BODY),
    making.mdm("T02", BODY.split("\n")).encode(),
    making.oru(BODY.split("\n")).encode(),
    making.as_json(making.bundle(making.PATIENT_RESOURCE, making.document_reference([]))),
]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(range(len(SOUND))),
    st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=12),
    st.floats(0.3, 1),
)
def test_law_damaged_files_arrive_or_say_why_not(
    desk: Desk, which: int, damage: list[tuple[float, int]], kept: float
) -> None:
    original = bytearray(SOUND[which])
    for place, value in damage:
        original[int(place * (len(original) - 1))] = value

    found = desk.arrive(bytes(original[: max(1, int(kept * len(original)))]))

    assert found.parts or found.unreadable
    assert not any("process" in one.problem for one in found.unreadable)
