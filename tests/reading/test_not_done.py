"""For each phrase of the tables that can make an entry: a denied, a planned and a past sentence with it make none.

The sentences are made of the phrase's own test sentence, so a new row brings its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from ledger.reading import read_report
from ledger.reading.tables import Row, rows_of

OPERATION = "PROCEDURE: Left AV fistula examined under local anaesthetic.\nTECHNIQUE: The arm was prepped. "
NOTE = "Note. Left AVF. Right IJ TDC also in.\n"

DEED_AS_NOUN = {
    "denied": [
        "No {words} of the AV fistula was performed.",
        "There was no need for {words} of the AV fistula.",
        "{Words} of the AV fistula was not performed.",
    ],
    "planned": [
        "{Words} of the AV fistula is planned for next month.",
        "The patient will need {words} of the AV fistula.",
        "If this fails, {words} of the AV fistula is the next step.",
    ],
    "past": [
        "She had {words} of the AV fistula in 2015.",
        "Previous {words} of the AV fistula elsewhere.",
        "Status post {words} of the AV fistula.",
    ],
}
DEED_AS_VERB = {
    "denied": ["The AV fistula {not_words}.", "It is not so that the AV fistula {words}."],
    "planned": ["If it recurs, it is possible that the AV fistula {words}."],
    "past": ["In 2015 the AV fistula {words}.", "Previously the AV fistula {words} in another hospital."],
}
TOLD_IN_NOTES = {
    "denied": [
        "There was no evidence of {words}.",
        "Denies {words}.",
        "Neither {words} nor anything else was found.",
    ],
    "planned": [
        "If there is {words}, call the access team.",
        "We will look for {words} next week.",
        "To be checked next month: {words}.",
    ],
    "past": ["In 2015 there was {words}.", "History of {words} years ago.", "Previously {words}, in March 2016."],
    "somebody else's": ["Her mother had {words}."],
}
KIND_OF_CLASS = {
    "examination": "examination",
    "measurement": "measurement",
    "trouble": "catheter-trouble",
    "complication": "complication",
    "film": "imaging",
    "culture": "culture",
    "decision": "decision",
    "appointment": "appointment",
    "used": "access-used",
}
BESIDE = frozenset({"visit", "instruction", "referral", "background", "examination"})


def words_of(row: Row) -> str:
    said = row.sentence[row.sentence.index("[") + 1 : row.sentence.index("]")]
    return said if said[:2].isupper() else said[0].lower() + said[1:]


def deeds() -> Iterator[tuple[str, str]]:
    for row in rows_of("acts"):
        form = row.attributes.get("form")
        if row.cls not in ("act", "verb") or form not in ("n", "v"):
            continue
        words = words_of(row)
        for what, frames in (DEED_AS_NOUN if form == "n" else DEED_AS_VERB).items():
            for frame in frames:
                if "{not_words}" in frame and not re.match(r"(?:was|were|is)\b", words):
                    continue
                denied = re.sub(r"^(was|were|is)\b", r"\1 not", words)
                yield (
                    f"{row.phrase[:30]} {what}",
                    frame.format(words=words, Words=words[0].upper() + words[1:], not_words=denied),
                )


def notes() -> Iterator[tuple[str, str, str]]:
    for row in rows_of("notes"):
        if row.cls in KIND_OF_CLASS:
            for what, frames in TOLD_IN_NOTES.items():
                for frame in frames:
                    yield f"{row.phrase[:30]} {what}", KIND_OF_CLASS[row.cls], frame.format(words=words_of(row))


def test_a_deed_that_is_denied_planned_or_past_is_no_entry() -> None:
    wrong = []
    asked = list(deeds())

    for name, sentence in asked:
        read = [one.kind for one in read_report(OPERATION + sentence).proposed if one.kind not in BESIDE]
        if read:
            wrong.append(f"{name}: {sentence} {read}")

    assert wrong == []
    assert len(asked) >= 500


def test_what_notes_deny_plan_or_tell_of_the_past_is_no_entry() -> None:
    wrong = []
    asked = list(notes())

    for name, kind, sentence in asked:
        read = [one.kind for one in read_report(NOTE + sentence).proposed if one.kind == kind]
        if read:
            wrong.append(f"{name}: {sentence}")

    assert wrong == []
    assert len(asked) >= 1000


BACKGROUNDS = [
    "Warfarin was stopped in 2023.",
    "Aspirin for 30 days after the stent.",
    "Her father takes warfarin.",
    "If he is allergic to contrast use carbon dioxide.",
    "The portacath was removed in May.",
    "No pacemaker.",
    "Start apixaban after the biopsy.",
]


@pytest.mark.parametrize("sentence", BACKGROUNDS)
def test_what_does_not_hold_is_no_background(sentence: str) -> None:
    read = [one.kind for one in read_report(NOTE + sentence).proposed]

    assert "background" not in read


COURSES = [
    "Cefazolin 2 g was given before the incision.",
    "Vancomycin was completed in March.",
    "If cultures are positive vancomycin will be started.",
    "She was started on vancomycin in 2019.",
    "No antibiotics were started.",
    "Vancomycin to be started tomorrow.",
]


@pytest.mark.parametrize("sentence", COURSES)
def test_what_is_no_course_now_is_not_read_as_one(sentence: str) -> None:
    read = [one.kind for one in read_report(NOTE + sentence).proposed]

    assert "antimicrobial-course" not in read


PLANNED = [
    "Plan: left AVF fistulogram.",
    "If the line fails a left brachiocephalic fistula is an option.",
    "We discussed a left radiocephalic fistula.",
    "He declined a right thigh graft.",
    "In 2019 a left radiocephalic fistula was planned.",
]


@pytest.mark.parametrize("sentence", PLANNED)
def test_what_was_not_decided_on_is_no_planned_access(sentence: str) -> None:
    read = [one.kind for one in read_report("Clinic note. Right IJ TDC in use.\n" + sentence).proposed]

    assert "access-planned" not in read
