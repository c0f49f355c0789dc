"""Clues in the header lines of a text. All people are invented."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.arrival.headers import (
    clues_in,
    day_readings,
    envelope_in,
    labelled,
    nhs_number_holds,
    shown_labels,
)
from ledger.arrival.plain import normalised
from ledger.arrival.values import BirthDateClue, DocumentStatus, IdentifierClue, NameClue


@pytest.mark.parametrize(("what", "line", "expected"), shown_labels())
def test_the_line_that_shows_a_label_is_read_as_it_says(what: str, line: str, expected: str) -> None:
    found = [one for one in labelled(line) if one.what == what]
    clues = clues_in(line)

    if what == "name":
        assert [name.text for name in clues.names] == [expected]
    elif what == "birth":
        assert [birth.as_said for birth in clues.birth_dates] == [expected]
    elif what == "identifier":
        assert [one.value for one in clues.identifiers] == [expected]
    else:
        assert [one.text for one in found] == [expected]


def test_every_clue_says_where_its_words_stand() -> None:
    text = "ACCESS CENTRE\nPatient: VELLACOTT, Maud A.   MRN: A-0044102   DOB: 13/04/1950 (68 y)\n\nLeft graft."

    clues = clues_in(text)

    assert clues.name is not None
    assert clues.name.span is not None
    assert text[clues.name.span.start : clues.name.span.end] == "VELLACOTT, Maud A."
    assert (clues.name.family, clues.name.given) == ("VELLACOTT", "Maud A.")
    assert clues.identifiers[0].span is not None
    assert text[clues.identifiers[0].span.start : clues.identifiers[0].span.end] == "A-0044102"
    assert clues.birth_date is not None
    assert clues.birth_date.span is not None
    assert text[clues.birth_date.span.start : clues.birth_date.span.end] == "13/04/1950"
    assert clues.birth_date.readings == ("1950-04-13",)


@pytest.mark.parametrize(
    ("header", "name", "number", "birth"),
    [
        (
            "PATIENT NAME: VELLACOTT, MAUD\nMED REC NO: 00441\nD.O.B.: April 3, 1950",
            "VELLACOTT, MAUD",
            "00441",
            "1950-04-03",
        ),
        (
            "Re: Mrs Maud VELLACOTT DOB: 03-Apr-1950 Hosp No: K204817",
            "Mrs Maud VELLACOTT",
            "K204817",
            "1950-04-03",
        ),
        ("Name\tMRN\tDOB\nMaud Vellacott\t44102\t19500403", "Maud Vellacott", "44102", "1950-04-03"),
        (
            "Patient Name      MRN       DOB\nMaud Vellacott    44102     1950-04-03",
            "Maud Vellacott",
            "44102",
            "1950-04-03",
        ),
        (
            "Patient:\nMaud Vellacott\nMRN 44102\nDOB 3.4.50",
            "Maud Vellacott",
            "44102",
            "1950-03-04 1950-04-03 2050-03-04 2050-04-03",
        ),
        (
            "Surname: VELLACOTT\nForenames: Maud Ann\nUnit No. 44102\nBorn: 3rd April 1950",
            "VELLACOTT, Maud Ann",
            "44102",
            "1950-04-03",
        ),
        ("Patient: Ilse van der Berg; MRN#: 44102; DOB: 1950", "Ilse van der Berg", "44102", "1950"),
        (
            "> Patient: Seán O'Hara-Quill (Mr), MRN: 44102, DOB: Mon 3 Apr 1950",
            "Seán O'Hara-Quill",
            "44102",
            "1950-04-03",
        ),
    ],
)
def test_headers_of_many_houses_give_name_number_and_birth_date(
    header: str, name: str, number: str, birth: str
) -> None:
    clues = clues_in(f"{header}\n\nProcedure: left forearm graft thrombectomy.\n")

    assert [one.text for one in clues.names] == [name]
    assert [one.value for one in clues.identifiers] == [number]
    assert clues.birth_date is not None
    assert " ".join(clues.birth_date.readings) == birth


@pytest.mark.parametrize(
    "line",
    [
        "Surgeon name: Ivor Pennick",
        "Referring physician: Dr Ivor Pennick",
        "PATIENT: Tolerated the procedure well.",
        "Patient: Stable",
        "Patient: ____",
        "The patient Maud Vellacott was prepped.",
        "Name: 6 mm balloon",
        "Attending: Ivor Pennick, Name of device: Covered Stent",
        "PATIENT POSITION: Supine Position",
        "Patient: Left Forearm Fistula",
    ],
)
def test_what_is_nobodys_name_is_not_taken_for_one(line: str) -> None:
    assert clues_in(line).names == ()


@pytest.mark.parametrize("line", ["MRN: ____", "MRN: pending", "Hosp No:", "MRN: 03/04/1950", "Lot MRN12"])
def test_what_is_no_number_is_not_taken_for_one(line: str) -> None:
    assert clues_in(line).identifiers == ()


@pytest.mark.parametrize(
    ("said", "readings"),
    [
        ("03/04/1950", ("1950-03-04", "1950-04-03")),
        ("13/04/1950", ("1950-04-13",)),
        ("04/13/1950", ("1950-04-13",)),
        ("04/04/1950", ("1950-04-04",)),
        ("3.4.1950", ("1950-03-04", "1950-04-03")),
        ("1950-04-03", ("1950-04-03",)),
        ("19500403", ("1950-04-03",)),
        ("3 April 1950", ("1950-04-03",)),
        ("April 1950", ("1950-04",)),
        ("04/1950", ("1950-04",)),
        ("1950", ("1950",)),
        ("31/02/1950", ()),
        ("45/13/1950", ()),
        ("unknown", ()),
        ("", ()),
    ],
)
def test_a_date_keeps_every_reading_that_it_has(said: str, readings: tuple[str, ...]) -> None:
    assert day_readings(said, birth=True) == readings


def test_a_birth_year_in_two_digits_keeps_both_centuries_and_another_date_does_not() -> None:
    assert day_readings("14 Mar 23", birth=True) == ("1923-03-14", "2023-03-14")
    assert day_readings("14 Mar 23") == ("2023-03-14",)


def test_two_names_in_the_headers_are_both_kept_with_a_doubt() -> None:
    clues = clues_in("Patient: Maud Vellacott\nfindings\nPatient: Ivor Pennick\n")

    assert [name.text for name in clues.names] == ["Maud Vellacott", "Ivor Pennick"]
    assert clues.name is None
    assert [doubt.code for doubt in clues.doubts] == ["names-disagree"]


def test_the_same_name_in_another_order_is_one_name() -> None:
    clues = clues_in("Patient: Maud Vellacott\nPatient Name: VELLACOTT, Maud\nRe: Mrs Maud A Vellacott\n")

    assert [name.text for name in clues.names] == ["Mrs Maud A Vellacott"]
    assert clues.doubts == ()


def test_a_health_service_number_that_fails_its_check_digit_is_a_doubt_and_has_no_system() -> None:
    good, bad = clues_in("NHS No: 943 476 5919"), clues_in("NHS No: 943 476 5918")

    assert good.identifiers[0].system == "https://fhir.nhs.uk/Id/nhs-number"
    assert bad.identifiers[0].system is None
    assert [doubt.code for doubt in bad.doubts] == ["check-digit-wrong"]


def test_the_check_digit_follows_the_published_example() -> None:
    # 943 476 5919 is the example of the NHS data dictionary's validation page (from memory, not looked up).
    assert nhs_number_holds("9434765919")
    assert not nhs_number_holds("9434765911")
    assert not nhs_number_holds("943476591")


LABELS = [
    "Patient: ",
    "NHS No: ",
    "MRN ",
    "DOB: ",
    "Surname: ",
    "Forename: ",
    "Sex: ",
    "Re: ",
    "Dictated: ",
    "Status: ",
]
AFTER = (
    st.text(max_size=25)
    | st.text(alphabet="0123456789/.-³٣ ", max_size=14)
    | st.sampled_from(["Maud Vellacott", "1950"])
)


@given(st.lists(st.tuples(st.sampled_from(LABELS), AFTER, st.sampled_from(["\n", "\t", "   ", ", "])), max_size=8))
def test_law_whatever_stands_behind_a_label_is_quoted_where_it_stands_or_left_alone(
    pairs: list[tuple[str, str, str]],
) -> None:
    text = normalised("".join("".join(pair) for pair in pairs))

    clues = clues_in(text)
    envelope_in(text)

    for one in (*clues.identifiers, *clues.names, *clues.birth_dates):
        said = (
            one.as_said
            if isinstance(one, BirthDateClue)
            else one.value
            if isinstance(one, IdentifierClue)
            else one.text
        )
        assert one.span is not None
        stretch = text[one.span.start : one.span.end]
        # A family and a given name from two labels stand apart; everything else stands as it was said.
        assert stretch == said or (isinstance(one, NameClue) and one.family and stretch.startswith(one.family))


# --- The envelope -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("*** PRELIMINARY REPORT ***\nLeft graft.", DocumentStatus.PRELIMINARY),
        ("Access centre\nADDENDUM\nThe residual was 20 %.", DocumentStatus.ADDENDUM),
        ("Addendum to the operative report of 3 March 2021\nThe residual was 20 %.", DocumentStatus.ADDENDUM),
        ("CORRECTED REPORT\nRight arm, not left.", DocumentStatus.CORRECTED),
        ("Status: Final\nLeft graft.", DocumentStatus.FINAL),
        ("Report status: preliminary (unsigned)\nLeft graft.", DocumentStatus.PRELIMINARY),
        ("Operative report\nThe stenosis was corrected. Addendum was not needed.", None),
        ("Operative report\n" + "words\n" * 20 + "ADDENDUM\nlater words", None),
    ],
)
def test_how_finished_a_report_is_comes_from_a_heading_or_a_field(text: str, status: DocumentStatus | None) -> None:
    assert envelope_in(text).status == status


def test_the_day_of_writing_is_taken_when_it_can_be_read_in_one_way() -> None:
    plain, either = envelope_in("Dictated: 14/03/2019 08:10"), envelope_in("Dictated: 04/03/2019")

    assert plain.dated == "2019-03-14"
    assert either.dated is None
    assert [doubt.code for doubt in either.doubts] == ["report-date-two-readings"]
