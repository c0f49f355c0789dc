"""What is marked as plainly said: the words leave no room, and where they leave any, it is not plain."""

from __future__ import annotations

import pytest

from ledger.reading import read_report

ACCOUNT = (
    "TECHNIQUE: A sheath was placed under ultrasound. An 80% stenosis of the cephalic arch was treated with an 8 mm "
    "balloon, 10% residual."
)
PLAIN = [
    ("PROCEDURE: Ligation of left brachiocephalic AV fistula.", "abandonment"),
    (f"PROCEDURE: Angioplasty.\nACCESS: Left brachiocephalic AV fistula.\n{ACCOUNT}", "angioplasty"),
    (
        "NOTE: The arm was prepped and a transverse incision was made. The left AV fistula was ligated with silk.",
        "abandonment",
    ),
    (f"PROCEDURE: Fistulogram and angioplasty of left AV fistula.\n{ACCOUNT}", "angioplasty"),
]


@pytest.mark.parametrize(("text", "kind"), PLAIN)
def test_what_the_words_leave_no_room_for_is_plain(text: str, kind: str) -> None:
    (one,) = (each for each in read_report(text).proposed if each.kind == kind)

    assert one.plain


NOT_PLAIN = [
    # Another access is spoken of, and the deed is named once.
    (
        f"PROCEDURE: Angioplasty.\nACCESS: Left AV fistula; right forearm AV graft.\n{ACCOUNT}",
        "angioplasty",
    ),
    # The account does not bear it out.
    ("PROCEDURE: Angioplasty.\nACCESS: Left AV fistula.\nTECHNIQUE: A sheath was placed.", "angioplasty"),
    # It is only concluded of contrast.
    (
        "NOTE: Contrast 20 mL. The 80% arch stenosis of the left AV fistula was dilated with an 8 mm balloon.",
        "angiogram",
    ),
    # The text says left and right.
    (
        (
            "PROCEDURE: Angioplasty of LEFT radiocephalic fistula.\n"
            "TECHNIQUE: The right radiocephalic fistula was punctured and its stenosis was dilated with a 5 mm balloon."
        ),
        "angioplasty",
    ),
]


@pytest.mark.parametrize(("text", "kind"), NOT_PLAIN)
def test_what_leaves_room_is_to_be_checked(text: str, kind: str) -> None:
    found = [each for each in read_report(text).proposed if each.kind == kind]

    assert found
    assert not any(one.plain for one in found)


def test_nothing_that_only_a_note_tells_is_plain() -> None:
    text = "L BCF. Thrill good. Needled 2 x 15G. Allergic to latex. Access flow 600 mL/min by dilution."

    found = read_report(text).proposed

    assert len(found) >= 3
    assert not any(one.plain for one in found)
