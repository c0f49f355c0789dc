"""Sheets that are no reports, and reports that look like them: what stands on a list or a bill was not done by it."""

from __future__ import annotations

import pytest

from ledger.reading import read_report
from ledger.vocabulary import Outcome


def done_in(text: str) -> set[str]:
    """The kinds that are read as done today."""
    return {
        one.kind
        for one in read_report(text).proposed
        if not (one.kind == "visit" and one.detail["outcome"] is not Outcome.DONE)
    } - {"visit", "background", "appointment", "access-planned", "access-used"}


SHEETS = {
    "a list": "MORNING LIST\n8:00 A.A. Left brachiocephalic fistula formation\n9:00 B.B. Ligation of right BCF\n"
    "10:00 C.C. Tunnelled dialysis line exchange",
    "a schedule": "IR SCHEDULE 4 June\n1. A.A. L AVG declot\n2. B.B. R TDC removal\n3. C.C. vein mapping, L arm",
    "a consent": "Agreement to operation\nOperation: Ligation of left AV fistula\nRisks: bleeding. Signed.",
    "a leaflet": "Information for patients\nA fistulogram is an x-ray of the fistula. Balloon angioplasty is done and"
    " a stent is placed.",
    "a bill": "04/02/2026 Creation of AV fistula, left 1 unit\n04/03/2026 Tunneled dialysis catheter removal 1\n"
    "Total charges to follow",
    "the cover of a fax": "Please find attached: left AVG thrombectomy and stent. Two pages.",
    "an assessment": "Pre-anaesthetic assessment\nOperation: Left brachiocephalic AV fistula\nASA 3. Fit to proceed.",
}


@pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
def test_nothing_on_a_sheet_that_is_no_report_is_read_as_done(sheet: str) -> None:
    assert done_in(sheet) == set()


REPORTS = {
    "one patient off a list": (
        "Access list 4 June 2026. Creation of L BCF under block. Cephalic 4 mm. End to side 6-0. Good thrill.",
        "creation",
    ),
    "a list of what was done": (
        (
            "Procedure list:\n1. Fistulogram of left AV fistula\n2. Angioplasty of the arch\n3. Stent of the"
            " arch\nThe fistula was punctured. The arch was dilated with an 8 mm balloon and a stent was deployed."
        ),
        "stent",
    ),
    "a consent that was obtained": (
        "Consent for procedure obtained. Left AVG declot done. 80% at the venous anastomosis, 7x40, 10% left.",
        "thrombectomy",
    ),
    "a consent that is in the chart": (
        "Consent form in chart.\nR IJ tunnelled dialysis line exchanged.",
        "catheter-exchanged",
    ),
    "the cover of a fax with a note on it": (
        "Fax cover sheet\nR IJ tunnelled dialysis line exchanged over a wire, good flow.",
        "catheter-exchanged",
    ),
    "a fax of the report itself": (
        "Fax cover sheet\nOPERATION: Ligation of left AV fistula. The fistula was exposed. It was ligated with silk.",
        "abandonment",
    ),
    "a page with a number of a fax": (
        "Unit, fax 000 000\nPROCEDURE: Left arm fistulogram, AV fistula patent.",
        "angiogram",
    ),
    "a report with a bill below": (
        (
            "PROCEDURE: Removal of tunneled dialysis catheter\nThe cuff was freed. The catheter was removed whole."
            "\nTotal charges on the next page."
        ),
        "catheter-removed",
    ),
    "a report with a word for the patient": (
        (
            "PROCEDURE: Fistulogram and angioplasty, left AV fistula\nThe sheath was placed. The arch was dilated"
            " with a balloon. Information sheet given."
        ),
        "angioplasty",
    ),
}


@pytest.mark.parametrize(("report", "kind"), REPORTS.values(), ids=REPORTS)
def test_a_report_with_the_words_of_such_a_sheet_is_read(report: str, kind: str) -> None:
    assert kind in done_in(report)


LINES_FOR_DIALYSIS = [
    "Septic shock on noradrenaline, CRRT needed. Procedure: Left IJ dialysis catheter insertion. Catheter placed.",
    (
        "Indication: myeloma with cast nephropathy, needs hemodialysis. PROCEDURE: Tunneled catheter placement, R IJ."
        " The catheter was placed."
    ),
    (
        "PROCEDURE: Exchange of tunneled dialysis catheter, right IJ. He had a PICC for chemotherapy before."
        " The catheter was exchanged over a wire."
    ),
]


@pytest.mark.parametrize("report", LINES_FOR_DIALYSIS)
def test_a_line_for_dialysis_in_somebody_with_another_illness_is_read(report: str) -> None:
    assert done_in(report) & {"catheter-placed", "catheter-exchanged"}


LINES_FOR_SOMETHING_ELSE = [
    (
        "Indication: noradrenaline. Has right IJ tunneled dialysis catheter for HD. Procedure: CVC insertion, left IJ."
        " The catheter was placed."
    ),
    (
        "PROCEDURE: Tunneled catheter placement, right IJ. INDICATION: Photopheresis. CKD 4, not on dialysis. The"
        " catheter was placed and flushed."
    ),
]


@pytest.mark.parametrize("report", LINES_FOR_SOMETHING_ELSE)
def test_a_line_for_something_else_in_somebody_on_dialysis_is_not_read(report: str) -> None:
    assert done_in(report) & {"catheter-placed", "catheter-exchanged"} == set()


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "Tunnelled dialysis line removed from the right IJ? No, it stays for now. Left AV fistula used.",
            "catheter-removed",
        ),
        ("Left AVG ligated? Not yet. Patient on haemodialysis.", "abandonment"),
        ("Right AVG. A line was attempted for access then abandoned.", "abandonment"),
    ],
)
def test_what_is_asked_or_only_tried_is_not_done(text: str, kind: str) -> None:
    assert kind not in done_in(text)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "PROCEDURE: Removal of tunneled dialysis catheter, right IJ. The catheter was removed. Any bleeding? No.",
            "catheter-removed",
        ),
        ("PROCEDURE: Ligation of left AV graft. The graft was ligated. What next? A line.", "abandonment"),
        ("The left AV graft has clotted for the fourth time. The access is abandoned.", "abandonment"),
    ],
)
def test_a_question_beside_it_does_not_undo_what_was_done(text: str, kind: str) -> None:
    assert kind in done_in(text)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "PROCEDURE: Thrombectomy of left femoral AV graft, thigh loop. Thrombus was removed. Dialysis tomorrow.",
            "thrombectomy",
        ),
        ("PROCEDURE: Ligation of right femoral AV fistula, thigh. The dialysis fistula was ligated.", "abandonment"),
        (
            "PROCEDURE: Shuntogram of left arm dialysis graft. Portal hypertension, TIPS patent. Graft patent.",
            "angiogram",
        ),
        (
            "PROCEDURE: Venoplasty of left subclavian vein along a pacing lead. Left AV fistula angioplasty.",
            "angioplasty",
        ),
    ],
)
def test_an_access_beside_another_organ_is_still_read(text: str, kind: str) -> None:
    assert kind in done_in(text)


@pytest.mark.parametrize(
    "text",
    [
        "Wound care. A split skin graft was cut from the thigh. The graft was placed and stapled. On dialysis by AVF.",
        "A chest drain line was put in for air. The line was removed later. Dialysis by left AV graft goes on.",
        "Debridement of a left forearm wound over an AV graft. A split skin graft was cut. The graft was placed.",
        "Exploration of the left arm beside the AV fistula. A nerve graft was taken. The graft was removed again.",
        "Corneal graft today. The old graft was excised. Haemodialysis patient with AVF.",
    ],
)
def test_a_bare_word_takes_up_what_was_named_last(text: str) -> None:
    assert done_in(text) == set()


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "A PTFE graft of the left arm, AV, was infected. The graft was excised. A skin graft will follow.",
            "abandonment",
        ),
        (
            "PROCEDURE: Excision of left AV graft\nA skin graft was not needed. The graft was excised whole.",
            "abandonment",
        ),
        (
            "PROCEDURE: Removal of tunneled dialysis line\nThe arterial line stayed. The line was removed.",
            "catheter-removed",
        ),
    ],
)
def test_a_bare_word_still_means_the_access_that_the_text_is_about(text: str, kind: str) -> None:
    assert kind in done_in(text)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Left AV fistula, duplex: 70% stenosis of the arch. Urgent angioplasty advised.", "angioplasty"),
        ("Left AVG: narrow outflow. Stent placement recommended.", "stent"),
        ("HD by L AVF. A right femoral dialysis line was placed on Monday, removed since.", "catheter-placed"),
    ],
)
def test_what_is_advised_or_long_over_is_not_done(text: str, kind: str) -> None:
    assert kind not in done_in(text)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Left AV fistula: angioplasty of the arch as recommended, 8 mm balloon, 80% to 10%.", "angioplasty"),
        (
            "PROCEDURE: Fistulogram, left AV fistula. As advised by the unit the arch was dilated with a balloon.",
            "angiogram",
        ),
        ("PROCEDURE: Stent of the cephalic arch, left AVF. A stent was deployed. Aspirin advised.", "stent"),
    ],
)
def test_advice_beside_it_does_not_undo_what_was_done(text: str, kind: str) -> None:
    assert kind in done_in(text)


def test_a_case_that_was_cancelled_before_anything_was_begun_is_a_visit_and_no_operation() -> None:
    text = "Theatre log\nCase: L AVG revision\nIn room 08:12. Case cancelled, no incision. Out 08:50."

    reading = read_report(text)

    assert [(one.kind, one.detail["outcome"]) for one in reading.proposed] == [("visit", Outcome.CANCELLED)]


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Case: L AVG revision. The graft was revised. The next case was cancelled without sedation.", "revision"),
        (
            "PROCEDURE: Ligation of left AV fistula. Cancelled last week. No incision was needed then. It was ligated.",
            "abandonment",
        ),
        ("PROCEDURE: Left AV fistulogram. Done without sedation, no complication.", "angiogram"),
    ],
)
def test_a_word_of_cancelling_does_not_undo_what_was_done(text: str, kind: str) -> None:
    assert kind in done_in(text)


@pytest.mark.parametrize(
    "text",
    [
        (
            "INDICATION: Ulcer of the foot.\nPROCEDURE: A 90% stenosis of the tibioperoneal trunk was dilated, 3 mm"
            " balloon, and a stent was placed. He dialyzes by a right arm AV graft."
        ),
        (
            "Operation note. Foot ulcer, HD by right AV graft. An 80% stenosis was dilated with a 3 mm balloon."
            " Tibioperoneal trunk open at the end."
        ),
        "Operation note. HD by left AVF. A 70% stenosis was dilated with a 12 mm balloon. The bronchus was open.",
        "Bile leak after ERCP; a stent was placed. HD via left AV fistula.",
        "Airway narrow at the mainstem bronchus. 70% stenosis, 12 mm balloon, stent placed. On HD, left AVF padded.",
    ],
)
def test_what_is_done_elsewhere_is_not_given_to_the_access_that_somebody_is_dialysed_by(text: str) -> None:
    assert done_in(text) == set()


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "HD via left AVF, which clotted. Colon cancer. PROCEDURE: Thrombectomy. Thrombus was removed.",
            "thrombectomy",
        ),
        (
            "ESRD, L AVG. The venous anastomosis was dilated, 8 mm balloon. Popliteal pulse present.",
            "angioplasty",
        ),
        (
            "HD by right thigh AV graft. Stenosis of the graft was dilated with a 7 mm balloon.",
            "angioplasty",
        ),
    ],
)
def test_an_access_that_something_ails_is_not_only_the_way_of_dialysis(text: str, kind: str) -> None:
    assert kind in done_in(text)


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("Day 2 post L BBF second stage transposition. Wound dry. HD via L IJ line yesterday.", False),
        ("ESRF, HD via R IJ permcath. Chest clear.", False),
        ("PROCEDURE: Creation of left BCF. Vein sewn to artery.\nPLAN: Continue dialysis via R IJ TDC.", True),
        ("PROCEDURE: Ligation of left AVF. It was ligated. HD via R IJ TDC.", True),
    ],
)
def test_how_somebody_is_dialysed_is_no_instruction_unless_it_is_asked_for(text: str, asked: bool) -> None:
    assert ("instruction" in {one.kind for one in read_report(text).proposed}) == asked


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("Back after L AVG thrombectomy. Awake, thrill present.", "thrombectomy"),
        ("Fistula of the L arm, AV, week 6 since made; bruit strong.", "creation"),
        ("Right brachial embolectomy. Clot was extracted and a patch was sewn. Left BCF used for HD.", "thrombectomy"),
    ],
)
def test_what_was_done_before_or_to_another_artery_is_not_done_now(text: str, kind: str) -> None:
    assert kind not in done_in(text)


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        (
            "PROCEDURE: Thrombectomy of left AV graft. Clot was removed. Seen after in recovery, thrill present.",
            "thrombectomy",
        ),
        (
            "PROCEDURE: Left AV graft thrombectomy. The arterial plug went to the brachial artery; removed.",
            "thrombectomy",
        ),
        (
            "PROCEDURE: Creation of left AV fistula. It was made at the wrist. Not on dialysis since creation of it.",
            "creation",
        ),
    ],
)
def test_such_words_beside_an_operation_do_not_undo_it(text: str, kind: str) -> None:
    assert kind in done_in(text)
