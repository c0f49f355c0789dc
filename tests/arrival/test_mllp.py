"""Frames on a line, and what is answered, without a network. Answers are read by the library `hl7` (PyPI).

The codes of acknowledgements and errors are from memory of the published standard (tables 0008 and 0357).
"""

from __future__ import annotations

from itertools import pairwise

import hl7
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ledger.arrival.acknowledging import acknowledgements, heading_of, judged, messages_of, sameness_of
from ledger.arrival.mllp import END, START, Block, Framing, Noise, TooLarge, framed
from tests.arrival import making

MESSAGE = making.oru(["one", "two"]).encode()
AT = "20260115080000+0000"

MESSAGES = st.binary(max_size=60).map(lambda raw: b"MSH|" + raw.replace(b"\x0b", b"").replace(b"\x1c", b""))
NOISE = st.binary(max_size=20).map(lambda raw: raw.replace(b"\x0b", b""))


def blocks(framing: Framing, *pieces: bytes) -> list[Block | TooLarge | Noise]:
    return [found for piece in pieces for found in framing.feed(piece)]


# --- Frames -------------------------------------------------------------------------------------------------------


@given(st.lists(st.tuples(NOISE, MESSAGES), max_size=5), st.lists(st.integers(0, 400), max_size=12))
def test_law_however_a_line_is_cut_into_pieces_the_messages_are_the_same(
    sent: list[tuple[bytes, bytes]], cuts: list[int]
) -> None:
    line = b"".join(noise + framed(message) for noise, message in sent)
    at = [0, *sorted(min(cut, len(line)) for cut in cuts), len(line)]
    pieces = [line[start:end] for start, end in pairwise(at)]

    found = [one.message for one in blocks(Framing(), *pieces) if isinstance(one, Block)]

    assert found == [message for _, message in sent]


def test_several_messages_in_one_piece_and_one_byte_at_a_time_are_the_same() -> None:
    line = framed(MESSAGE) * 3

    assert blocks(Framing(), line) == blocks(Framing(), *(bytes([one]) for one in line)) == [Block(MESSAGE)] * 3


def test_noise_between_frames_is_counted_and_line_ends_are_none() -> None:
    found = blocks(Framing(), b"\r\n" + framed(MESSAGE) + b"HELO\r\n" + framed(MESSAGE))

    assert found == [Block(MESSAGE), Noise(4), Block(MESSAGE)]


def test_a_soft_line_break_of_a_word_processor_does_not_begin_a_frame() -> None:
    message = b"MSH|^~\\&|A\rOBX|1|TX|||first line\x0bsecond line\r"

    assert blocks(Framing(), framed(message)) == [Block(message)]


def test_a_frame_that_begins_anew_leaves_the_unfinished_one_out() -> None:
    found = blocks(Framing(), START + MESSAGE[:40], framed(MESSAGE))

    assert found == [Block(MESSAGE, unfinished=True)]


def test_a_frame_without_its_last_sign_ends_with_the_next_frame_or_in_silence() -> None:
    framing = Framing()

    found = blocks(framing, START + MESSAGE + END + START + MESSAGE + END)

    assert found == [Block(MESSAGE)]
    assert framing.may_be_ended
    assert framing.silence() == Block(MESSAGE)
    assert framing.silence() is None


def test_an_end_sign_within_a_message_does_not_end_it() -> None:
    message = b"MSH|^~\\&|A\rOBX|1|TX|||a\x1cb\r"

    assert blocks(Framing(), framed(message)) == [Block(message)]


@pytest.mark.parametrize("piece", [1, 7, 4096, 100_000])
def test_a_message_beyond_the_limit_is_let_go_and_the_next_one_is_taken(piece: int) -> None:
    framing = Framing(most=5000)
    huge = MESSAGE + b"x" * 50_000
    line = framed(huge) + framed(MESSAGE)

    found = blocks(framing, *(line[at : at + piece] for at in range(0, len(line), piece)))

    assert [type(one) for one in found] == [TooLarge, Block]
    assert isinstance(found[0], TooLarge)
    assert found[0].size == len(huge)
    assert heading_of(found[0].head).control_id == "MSG-ORU"


def test_what_is_held_of_a_huge_message_stays_small() -> None:
    framing = Framing(most=5000)

    for _ in range(200):
        assert blocks(framing, (START if not framing.is_inside else b"") + b"x" * 10_000) == []

    assert len(framing._held) < 15_000


# --- Answers ------------------------------------------------------------------------------------------------------


def answered(message: str, *, processing: frozenset[str] = frozenset({"P"})) -> list[hl7.Message]:
    raw = message.encode()
    heading = heading_of(raw)
    return [hl7.parse(one.decode()) for one in acknowledgements(heading, judged(raw, heading, processing), "7", AT)]


MDM = making.mdm("T02", ["a"])


@pytest.mark.parametrize(
    ("message", "code", "error"),
    [
        (MDM, "AA", None),
        (making.oru(["a"]), "AA", None),
        (MDM.replace("MDM^T02^MDM_T02", "SIU^S12"), "AR", "200"),
        (MDM.replace("MDM^T02^MDM_T02", "MDM^T99"), "AR", "201"),
        (MDM.replace("|P|2.5.1", "|T|2.5.1"), "AR", "202"),
        (MDM.replace("|P|2.5.1", "|P|3.0"), "AR", "203"),
        (MDM.replace("|MSG-T02|", "||"), "AE", "101"),
        (MDM.replace("MDM^T02^MDM_T02", ""), "AE", "101"),
        (making.oru(["a"]).replace("\rOBR|", "\rZBR|"), "AE", "100"),
        ("hello", "AE", "100"),
        ("", "AE", "100"),
    ],
)
def test_a_message_is_accepted_or_turned_away_with_its_error(message: str, code: str, error: str | None) -> None:
    (answer,) = answered(message)

    assert str(answer.segment("MSA")[1]) == code
    if error is None:
        assert not any(str(segment[0]) == "ERR" for segment in answer)
    elif "2.5.1" in message:
        assert str(answer.segment("ERR")[3][0][0]) == error


def test_an_answer_goes_back_to_its_sender_under_the_control_id_and_in_its_delimiters() -> None:
    (answer,) = answered(MDM)
    (other,) = acknowledgements(
        heading_of(b"MSH#*~!&#X#Y###1##MDM*T02#C-9#P#2.3\r"), judged(b"", heading_of(b"")), "7", AT
    )

    header = answer.segment("MSH")
    assert [str(header[n]) for n in (3, 4, 5, 6, 9)] == ["LEDGER", "UNIT", "DICTATION", "HARROWGATE", "ACK^T02^ACK"]
    assert str(answer.segment("MSA")[2]) == "MSG-T02"
    assert other.startswith(b"MSH#*~!&#ACCESS-LEDGER##X#Y#")
    assert b"MSA#AE#C-9#" in other


@pytest.mark.parametrize(
    ("accept", "application", "codes"),
    [
        ("AL", "NE", ["CA"]),
        ("AL", "AL", ["CA", "AA"]),
        ("NE", "AL", ["AA"]),
        ("", "AL", ["AA"]),
        ("NE", "NE", []),
        ("ER", "", []),
        ("SU", "", ["CA"]),
        ("what", "", ["CA"]),
    ],
)
def test_the_enhanced_mode_is_answered_as_it_asks(accept: str, application: str, codes: list[str]) -> None:
    asking = MDM.replace("|P|2.5.1|||||GBR", f"|P|2.5.1|||{accept}|{application}|GBR")

    assert [str(answer.segment("MSA")[1]) for answer in answered(asking)] == codes


def test_the_enhanced_mode_says_an_error_as_a_commit_error_and_a_rejection_as_a_commit_rejection() -> None:
    asking = "MSH|^~\\&|A|B|||1||{}|{}|P|2.5.1|||ER|NE\r"

    (error,), (rejection,) = answered(asking.format("MDM^T02", "")), answered(asking.format("SIU^S12", "9"))

    assert [str(one.segment("MSA")[1]) for one in (error, rejection)] == ["CE", "CR"]


def test_test_messages_are_taken_where_it_was_asked_for() -> None:
    (answer,) = answered(MDM.replace("|P|2.5.1", "|T|2.5.1"), processing=frozenset({"P", "T"}))

    assert str(answer.segment("MSA")[1]) == "AA"


def test_the_same_message_is_known_again_though_it_was_sent_at_another_time() -> None:
    again = MDM.replace("20240315101500+0000", "20240316000000+0000")
    corrected = MDM.replace("||a|", "||b|")

    assert sameness_of(again.encode()) == sameness_of(MDM.encode())
    assert sameness_of(MDM.replace("\r", "\r\n").encode()) == sameness_of(MDM.encode())
    assert sameness_of(corrected.encode()) != sameness_of(MDM.encode())


@given(st.binary(max_size=200))
@example(b"\xfe\xff")  # a mark that says how the words are written, and no word
@example(b"")
def test_law_no_bytes_make_the_door_fail(raw: bytes) -> None:
    for message in messages_of(raw):
        heading = heading_of(message)
        for answer in acknowledgements(heading, judged(message, heading), "7", AT):
            assert b"\rMSA" in answer
        sameness_of(message)


@given(st.text(alphabet=st.sampled_from("MSHPIDOBRX|^~\\&\r\n A1#ADTU08"), max_size=200))
def test_law_no_message_like_text_makes_the_door_fail(text: str) -> None:
    raw = b"MSH|^~\\&|" + text.encode()
    heading = heading_of(raw)

    assert judged(raw, heading).code in ("AA", "AE", "AR")
    assert acknowledgements(heading, judged(raw, heading), "7", AT) is not None
