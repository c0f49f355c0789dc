"""Plain text: encodings, what is kept, several reports in one file. The texts are invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.arrival import Form, Why, arrive
from ledger.arrival.plain import normalised
from ledger.arrival.values import Limits

REPORT = "OPERATIVE REPORT\nPatient: Ödön Szabó\nLeft brachiocephalic fistula, 80 % stenosis of the cephalic arch.\n"


@pytest.mark.parametrize(
    ("encoding", "mark", "named", "guessed"),
    [
        ("utf-8", b"", "utf-8", False),
        ("utf-8", b"\xef\xbb\xbf", "utf-8", False),
        ("utf-16-le", b"\xff\xfe", "utf-16-le", False),
        ("utf-16-be", b"\xfe\xff", "utf-16-be", False),
        ("utf-32-le", b"\xff\xfe\x00\x00", "utf-32-le", False),
        ("utf-16-le", b"", "utf-16-le", True),
        ("utf-16-be", b"", "utf-16-be", True),
    ],
)
def test_the_same_words_come_out_of_every_unicode_encoding(
    encoding: str, mark: bytes, named: str, guessed: bool
) -> None:
    original = mark + REPORT.encode(encoding)

    found = arrive(original).parts[0]

    assert found.text == REPORT
    assert found.envelope.encoding == named
    assert ("encoding-guessed" in [doubt.code for doubt in found.envelope.doubts]) is guessed


def test_western_bytes_without_a_mark_are_read_and_said_to_be_a_guess() -> None:
    original = "Fistule créée – 2 ponctions, œdème".encode("cp1252")

    found = arrive(original).parts[0]

    assert found.text == "Fistule créée – 2 ponctions, œdème"
    assert [doubt.code for doubt in found.envelope.doubts] == ["encoding-guessed"]


def test_the_charset_that_the_carrier_names_is_used_when_the_bytes_fit_it() -> None:
    original = "Přístup vlevo, zúžení 80 %".encode("cp1250")

    found = arrive(original, media_type="text/plain; charset=windows-1250").parts[0]

    assert found.text == "Přístup vlevo, zúžení 80 %"
    assert found.envelope.doubts == ()


@pytest.mark.parametrize("charset", ["base64", "rot13", "no-such-thing", "", "\x00"])
def test_a_charset_that_is_none_is_passed_over(charset: str) -> None:
    found = arrive(b"Left fistula, good thrill.", media_type=f"text/plain; charset={charset}")

    assert found.parts[0].text == "Left fistula, good thrill."


def test_line_ends_become_one_kind_and_page_ends_stay() -> None:
    found = arrive(b"Page one,\r\nfistula\rpatent\x0cPage two, graft\x00patent\x0b.")

    assert found.parts[0].text == "Page one,\nfistula\npatent\fPage two, graft patent ."


def test_what_hides_or_turns_words_is_dropped() -> None:
    text = "ste\u00adnosis of the \u202etfel\u202c arm, \ufb01stula \u200bpatent"

    assert normalised(text) == "stenosis of the tfel arm, fistula patent"


@given(st.text())
def test_normalising_twice_changes_nothing_more(text: str) -> None:
    once = normalised(text)

    assert normalised(once) == once


@given(st.binary(max_size=400))
def test_any_bytes_arrive_or_say_why_not(original: bytes) -> None:
    found = arrive(original)

    assert bool(found.parts) or bool(found.unreadable)
    for part in found.parts:
        assert "\r" not in part.text
        assert "\x00" not in part.text
    for one in found.unreadable:
        assert one.problem.endswith(".")
        assert one.remedy.endswith(".")


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), min_size=1, max_size=300))
def test_parts_put_together_are_the_whole_text(text: str) -> None:
    found = arrive(text.encode("utf-8"))

    if found.parts:
        assert "".join(part.text for part in found.parts) == normalised(text.removeprefix("\ufeff"))


@pytest.mark.parametrize("original", [b"", b"   \r\n\t", b"\x00\x00\x00\x00", b"\xef\xbb\xbf\n"])
def test_a_file_without_words_says_so(original: bytes) -> None:
    found = arrive(original)

    assert [one.code for one in found.unreadable] == [Why.EMPTY]
    assert found.parts == ()


def test_bytes_that_are_no_text_are_not_shown_as_one() -> None:
    found = arrive(bytes(range(256)) * 20)

    assert [one.code for one in found.unreadable] == [Why.BINARY]


@pytest.mark.parametrize(
    ("limits", "said"),
    [(Limits(file_bytes=20), "The file has"), (Limits(text_length=20), "The text has")],
)
def test_what_is_too_large_says_how_large_and_what_is_allowed(limits: Limits, said: str) -> None:
    found = arrive(b"Left fistula, good thrill. " * 4, limits=limits)

    assert found.unreadable[0].code is Why.TOO_LARGE
    assert said in found.unreadable[0].problem
    assert "20" in found.unreadable[0].problem


@pytest.mark.parametrize(
    ("beginning", "code"),
    [
        (b"\x1f\x8b\x08\x00rest", Why.NOT_SUPPORTED),
        (b"Rar!\x1a\x07", Why.NOT_SUPPORTED),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\x00" * 600, Why.NOT_SUPPORTED),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"), Why.ENCRYPTED),
    ],
)
def test_archives_and_old_office_files_say_what_to_do_instead(beginning: bytes, code: Why) -> None:
    found = arrive(beginning)

    assert [one.code for one in found.unreadable] == [code]


# --- Several reports in one text ----------------------------------------------------------------------------------

FIRST = "Patient: Maud Vellacott\nMRN: 440-1\nLeft forearm graft, thrombectomy by balloon, good thrill at the end.\n"
SECOND = "Patient: Ivor Pennick\nMRN: 440-2\nRight brachiocephalic fistula, cephalic arch opened to 8 mm.\n"
SAME_AGAIN = "Patient: Maud Vellacott\nMRN: 440-1\nSecond visit: left forearm graft, venous anastomosis opened.\n"


@pytest.mark.parametrize(
    "text",
    [
        f"{FIRST}*** End of report ***\n{SAME_AGAIN}*** End of report ***\n",
        f"REPORT 1 OF 2\n{FIRST}\nREPORT 2 OF 2\n{SAME_AGAIN}",
        f"{FIRST}Page 1 of 2\fmore of the first\nPage 2 of 2\f{SAME_AGAIN}Page 1 of 1\n",
        f"{FIRST}\f{SECOND}",
        f"{FIRST * 3}\n==============================\n{SECOND}",
    ],
)
def test_a_text_that_plainly_holds_two_reports_gives_two_parts(text: str) -> None:
    found = arrive(text.encode())

    assert [part.part for part in found.parts] == [1, 2]
    assert "".join(part.text for part in found.parts) == text


@pytest.mark.parametrize(
    "text",
    [
        f"{FIRST}\fPage 2\nMRN: 440-1\nPatient: VELLACOTT, Maud\nmore of the same report\n",
        f"{FIRST}------------------------------\nFINDINGS\n80 % stenosis.\n------------------------------\nPLAN\n",
        f"{FIRST}Report 2 of 2\n{SAME_AGAIN}",
        f"{FIRST}\nSee also the end of report, and the earlier report.\n{SAME_AGAIN}",
        f"{FIRST}{SECOND}",
    ],
)
def test_what_is_not_plainly_said_stays_one_report(text: str) -> None:
    found = arrive(text.encode())

    assert len(found.parts) == 1
    assert found.parts[0].text == text


PIECES = [FIRST, SECOND, SAME_AGAIN, "*** End of report ***\n", "Page 1 of 2\n", "REPORT 1 OF 2\n", "REPORT 2 OF 2\n"]
PIECES += ["\f", "=" * 20 + "\n", "7\n", "\n\n"]


@given(
    st.lists(st.sampled_from(PIECES), min_size=1, max_size=14)
    .map("".join)
    .filter(lambda text: any(map(str.isalnum, text)))
)
def test_law_however_a_text_is_parted_no_sign_of_it_is_lost(text: str) -> None:
    found = arrive(text.encode())

    # Nothing but rules and numbers is no text to begin with, and is said to be none.
    assert "".join(part.text for part in found.parts) == text or [one.code for one in found.unreadable] == [Why.BINARY]


def test_two_patients_in_one_undivided_text_are_a_doubt() -> None:
    found = arrive(f"{FIRST}{SECOND}".encode()).parts[0]

    assert {doubt.code for doubt in found.clues.doubts} == {"names-disagree", "identifiers-disagree"}


def test_the_form_is_told_for_plain_text() -> None:
    assert arrive(REPORT.encode()).form is Form.PLAIN
