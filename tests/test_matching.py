"""Which patient, which access. All people are invented; what is asserted is common practice, no source, unless said."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.arrival.headers import day_readings
from ledger.arrival.values import BirthDateClue, IdentifierClue, NameClue, PatientClues
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.matching import (
    AccessMatch,
    AccessVerdict,
    Agreement,
    DescribedAccess,
    MatchedBy,
    Presence,
    Register,
    Trait,
    Waiting,
    access_for_drafts,
    called_alike,
    described_in,
    match_access,
    match_patient,
    names_compared,
    recorded_accesses,
)
from ledger.people import Identifier, Patient
from ledger.reading.proposals import Proposal, ReadAccess, Reading
from ledger.vocabulary import AccessKind, Artery, LesionPlace, Side, Site, Vein
from tests.lives import a_history, happening

# --- Patients -----------------------------------------------------------------------------------------------------

UNIT = "https://unit.invented.example/number"
CENTRE = "https://centre.invented.example/number"


def a_patient(
    id: str = "P0001",
    name: str | None = "Maud Vellacott",
    born: str | None = "1950-04-03",
    number: str | None = "44102",
    system: str = UNIT,
    **more: Any,
) -> Patient:
    return Patient(
        id=id,
        name=name,
        birth_date=PartialDate(born) if born else None,
        identifiers=(Identifier(system=system, value=number),) if number else (),
        invented=True,
        **more,
    )


def clues(
    name: str | None = None, born: str | None = None, number: str | None = None, system: str | None = None, **more: Any
) -> PatientClues:
    return PatientClues(
        identifiers=(IdentifierClue(value=number, source="text", system=system),) if number else (),
        names=(NameClue(text=name, source="text"),) if name else (),
        birth_dates=(BirthDateClue(as_said=born, readings=day_readings(born, birth=True), source="text"),)
        if born
        else (),
        **more,
    )


MAUD = a_patient()
IVOR = a_patient("P0002", "Ivor Pennick", "1961-11-20", "44103")


def test_a_number_of_a_named_system_matches_alone() -> None:
    found = match_patient(clues(number="44102", system=UNIT), [MAUD, IVOR])

    assert (found.patient, found.by) == ("P0001", MatchedBy.IDENTIFIER)


def test_a_bare_number_needs_a_name_or_a_birth_date_that_agrees() -> None:
    alone = match_patient(clues(number="44102"), [MAUD, IVOR])
    with_name = match_patient(clues(number="44102", name="VELLACOTT, Maud"), [MAUD, IVOR])
    with_birth = match_patient(clues(number="44102", born="3 April 1950"), [MAUD, IVOR])

    assert (alone.patient, alone.waiting) == (None, Waiting.NOT_ENOUGH)
    assert [one.patient for one in alone.candidates] == ["P0001"]
    assert with_name.patient == "P0001"
    assert with_birth.patient == "P0001"


@pytest.mark.parametrize(
    "said",
    [
        clues(number="44102", system=UNIT, name="Ivor Pennick"),
        clues(number="44102", system=UNIT, name="Maud Vellacott", born="4 April 1950"),
        clues(number="44102", name="Maud Vellacot", born="3 April 1950"),
        clues(number="44102", system=UNIT, born="20 Nov 1961"),
    ],
)
def test_a_number_that_matches_while_name_or_birth_date_disagrees_is_a_conflict(said: PatientClues) -> None:
    found = match_patient(said, [MAUD, IVOR])

    assert (found.patient, found.waiting) == (None, Waiting.CONFLICT)
    assert found.candidates[0].patient == "P0001"
    assert Agreement.OTHER in (found.candidates[0].name, found.candidates[0].birth_date) or (
        found.candidates[0].name is Agreement.NEAR
    )


@pytest.mark.parametrize("name", ["VELLACOTT, Maud", "Mrs Maud Vellacott", "maud a. vellacott", "Vellacott Maud"])
def test_without_a_number_name_and_birth_date_match_together(name: str) -> None:
    found = match_patient(clues(name=name, born="3 April 1950"), [MAUD, IVOR])

    assert (found.patient, found.by) == ("P0001", MatchedBy.NAME_AND_BIRTH_DATE)


@pytest.mark.parametrize(
    ("said", "waiting"),
    [
        (clues(name="Maud Vellacott"), Waiting.NOT_ENOUGH),
        (clues(born="3 April 1950"), Waiting.NOBODY),
        (clues(name="Maud Vellacott", born="03/04/1950"), Waiting.NOT_ENOUGH),
        (clues(name="Maud Vellacott", born="1950"), Waiting.NOT_ENOUGH),
        (clues(name="Maud Ann Vellacott", born="3 April 1950"), Waiting.NOT_ENOUGH),
        (clues(name="M Vellacott", born="3 April 1950"), Waiting.NOT_ENOUGH),
        (clues(name="Maud Vellacott", born="3 April 1950", number="9", system=UNIT), Waiting.CONFLICT),
        (clues(name="Maud Vellacott", born="5 May 1955"), Waiting.NOBODY),
        (clues(name="Agnes Thurlow", born="1 January 1940"), Waiting.NOBODY),
        (clues(), Waiting.NO_CLUES),
    ],
)
def test_what_is_not_enough_waits_and_says_why(said: PatientClues, waiting: Waiting) -> None:
    found = match_patient(said, [MAUD, IVOR])

    assert (found.patient, found.waiting) == (None, waiting)


def test_two_patients_of_the_same_name_and_birth_date_are_never_chosen_between() -> None:
    twin = a_patient("P0003", "Maud Vellacott", "1950-04-03", "70000")

    found = match_patient(clues(name="Maud Vellacott", born="3 April 1950"), [MAUD, twin])

    assert (found.patient, found.waiting) == (None, Waiting.SEVERAL)
    assert [one.patient for one in found.candidates] == ["P0001", "P0003"]


def test_two_numbers_of_two_patients_are_a_conflict_even_when_the_name_fits_one() -> None:
    said = PatientClues(
        identifiers=(
            IdentifierClue(value="44102", source="text", label="MRN"),
            IdentifierClue(value="44103", source="text", label="hospital number"),
        ),
        names=(NameClue(text="Maud Vellacott", source="text"),),
    )

    found = match_patient(said, [MAUD, IVOR])

    assert (found.patient, found.waiting) == (None, Waiting.CONFLICT)


def test_equal_digits_of_another_house_say_nothing() -> None:
    found = match_patient(clues(number="44102", system=CENTRE, name="Ivor Pennick", born="20 Nov 1961"), [MAUD, IVOR])

    assert (found.patient, found.by) == ("P0002", MatchedBy.NAME_AND_BIRTH_DATE)


def test_leading_noughts_alone_do_not_make_a_number_equal() -> None:
    found = match_patient(clues(number="00044102", name="Maud Vellacott"), [MAUD])

    assert (found.patient, found.waiting) == (None, Waiting.NOT_ENOUGH)
    assert found.candidates[0].identifier is Agreement.NEAR


def test_headers_that_contradict_each_other_match_nobody() -> None:
    said = clues(
        number="44102", name="Maud Vellacott", born="3 April 1950", doubts=(Doubt(code="names-disagree", words="Two."),)
    )

    found = match_patient(said, [MAUD, IVOR])

    assert (found.patient, found.waiting) == (None, Waiting.CONTRADICTS_ITSELF)


def test_an_ambiguous_birth_date_agrees_only_beside_a_number_and_a_name() -> None:
    found = match_patient(clues(number="44102", name="Maud Vellacott", born="03/04/1950"), [MAUD])

    assert found.patient == "P0001"
    assert [doubt.code for doubt in found.doubts] == ["birth-date-not-exact"]


def test_another_patient_called_alike_is_flagged() -> None:
    alike = a_patient("P0009", "Maude Vellacott", "1948-01-01", "11")

    found = match_patient(clues(number="44102", name="Maud Vellacott"), [MAUD, IVOR, alike])

    assert found.patient == "P0001"
    assert found.called_alike == ("P0009",)
    assert [doubt.about for doubt in found.doubts if doubt.code == "called-alike"] == [("P0009",)]


def test_a_patient_whose_identity_was_erased_is_never_matched() -> None:
    erased = Patient(id="P0005", erased=True)

    assert match_patient(clues(name="Maud Vellacott", born="3 April 1950"), [erased]).waiting is Waiting.NOBODY


def test_a_register_follows_what_changes() -> None:
    register = Register([MAUD, IVOR])
    register.put(a_patient("P0001", "Maud Thurlow"))

    old = match_patient(clues(name="Maud Vellacott", born="3 April 1950"), register)
    new = match_patient(clues(name="Maud Thurlow", born="3 April 1950"), register)

    assert old.patient is None
    assert new.patient == "P0001"


def test_no_word_of_a_match_holds_a_name_or_a_number() -> None:
    found = match_patient(clues(number="44102", name="Ivor Pennick", born="3 April 1950"), [MAUD, IVOR])

    said = " ".join([*(doubt.words for doubt in found.doubts), *(one.words for one in found.candidates)])

    for secret in ("Maud", "Vellacott", "Pennick", "44102", "1950"):
        assert secret not in said


@pytest.mark.parametrize(
    ("one", "two", "agreement"),
    [
        ("Müller, Jürgen", "Juergen Mueller", Agreement.SAME),
        ("O'Hara-Quill, Seán", "SEAN OHARA QUILL", Agreement.SAME),
        ("Łukasz Søndergård", "Lukasz Sondergard", Agreement.SAME),
        ("Maria Elena García", "GARCIA, Maria E.", Agreement.SAME),
        ("Maria García", "Maria Elena García López", Agreement.FULLER),
        ("Maria García", "Mario García", Agreement.NEAR),
        ("Maria García", "Marta Ruiz", Agreement.OTHER),
        ("J Vellacott", "Jane Vellacott", Agreement.NEAR),
        ("J Vellacott", "Maud Vellacott", Agreement.OTHER),
        ("Vellacott", "Maud Vellacott", Agreement.OTHER),
    ],
)
def test_names_are_compared_without_case_accents_and_order(one: str, two: str, agreement: Agreement) -> None:
    assert names_compared(one, two) is agreement
    assert names_compared(two, one) is agreement


@pytest.mark.parametrize(
    ("one", "two", "alike"),
    [
        ("Maud Vellacott", "Maude Vellacott", True),
        ("Maud Vellacott", "Vellacott, M.", True),
        ("Maria Vellacott", "Marie Vellacott", True),
        ("Maud Vellacott", "Maud Vellacot", True),
        ("Maud Vellacott", "Ivor Vellacott", False),
        ("Maud Vellacott", "Maud Pennick", False),
    ],
)
def test_names_that_a_person_could_take_for_each_other_are_alike(one: str, two: str, alike: bool) -> None:
    assert called_alike(one, two) is alike
    assert called_alike(two, one) is alike


NAMES = st.sampled_from(["Maud Vellacott", "VELLACOTT, Maud", "Ivor Pennick", "Maud Vellacot", "Maud Ann Vellacott"])
BIRTHS = st.sampled_from(["3 April 1950", "03/04/1950", "20 Nov 1961", "1950"])
NUMBERS = st.sampled_from(["44102", "44103", "044102", "5"])
PATIENTS = st.lists(
    st.builds(
        a_patient,
        id=st.sampled_from([f"P{number:04}" for number in range(1, 6)]),
        name=NAMES,
        born=st.sampled_from(["1950-04-03", "1961-11-20", "1950"]) | st.none(),
        number=NUMBERS | st.none(),
        system=st.sampled_from([UNIT, CENTRE, "local"]),
    ),
    unique_by=lambda patient: patient.id,
    max_size=5,
)
SAID = st.builds(
    clues,
    name=NAMES | st.none(),
    born=BIRTHS | st.none(),
    number=NUMBERS | st.none(),
    system=st.sampled_from([UNIT, CENTRE]) | st.none(),
)


@given(SAID, PATIENTS)
def test_law_nobody_is_taken_whom_name_or_birth_date_contradicts(said: PatientClues, patients: list[Patient]) -> None:
    found = match_patient(said, patients)

    if found.patient is not None:
        taken = next(one for one in found.candidates if one.patient == found.patient)
        assert Agreement.OTHER not in (taken.name, taken.birth_date, taken.identifier)
        assert found.waiting is None
    else:
        assert found.waiting is not None


@given(SAID, PATIENTS)
def test_law_the_order_of_the_patients_does_not_matter(said: PatientClues, patients: list[Patient]) -> None:
    assert match_patient(said, patients) == match_patient(said, patients[::-1])


@given(SAID, PATIENTS)
def test_law_somebody_just_like_the_one_taken_undoes_the_match(said: PatientClues, patients: list[Patient]) -> None:
    found = match_patient(said, patients)

    if found.patient is not None:
        taken = next(one for one in patients if one.id == found.patient)
        double = Patient(
            id="P9999", name=taken.name, birth_date=taken.birth_date, identifiers=taken.identifiers, invented=True
        )
        assert match_patient(said, [*patients, double]).patient is None


# --- Accesses -----------------------------------------------------------------------------------------------------


def creation(day: str, access: str, **fields: Any) -> Any:
    return happening("creation", day, access=access, **({"access_kind": "fistula"} | fields))


LEFT_UPPER = creation("2019-05-02", "A1", side="left", site="upper-arm", inflow="brachial", outflow="cephalic")
RIGHT_UPPER = creation("2020-05-02", "A2", side="right", site="upper-arm", inflow="brachial", outflow="cephalic")
LEFT_FOREARM = creation("2016-05-02", "A3", side="left", site="forearm", inflow="radial", outflow="cephalic")
GRAFT = creation("2021-05-02", "A4", access_kind="graft", side="left", site="forearm", inflow="brachial")
LINE = happening(
    "catheter-placed",
    "2019-01-10",
    access="C1",
    access_kind="tunnelled-catheter",
    vein="internal-jugular",
    side="right",
)
LINE_OUT = happening("catheter-removed", "2019-09-10", access="C1")

BRACHIOCEPHALIC = DescribedAccess(
    kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.UPPER_ARM, inflow=Artery.BRACHIAL, outflow=Vein.CEPHALIC
)


def codes(found: AccessMatch) -> list[str]:
    return [doubt.code for doubt in found.doubts]


def on(day: str) -> PartialDate:
    return PartialDate(day)


def test_the_one_access_that_fits_in_kind_and_side_is_known() -> None:
    history = a_history(LEFT_UPPER, LINE)

    found = match_access(BRACHIOCEPHALIC, history, on("2024-02-01"))

    assert (found.verdict, found.access, found.plain) == (AccessVerdict.KNOWN, "A1", True)
    assert codes(found) == []


def test_an_access_that_nobody_recorded_is_proposed() -> None:
    found = match_access(BRACHIOCEPHALIC, a_history(LINE), on("2024-02-01"))

    assert (found.verdict, found.access) == (AccessVerdict.NEW, None)


def test_the_other_arm_is_named_and_never_taken() -> None:
    found = match_access(BRACHIOCEPHALIC, a_history(RIGHT_UPPER), on("2024-02-01"))

    assert (found.verdict, found.access, found.plain) == (AccessVerdict.ASK, None, False)
    assert [(doubt.code, doubt.access) for doubt in found.doubts] == [("side-conflict", "A2")]


def test_two_accesses_that_fit_are_asked_about() -> None:
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT)

    found = match_access(described, a_history(LEFT_UPPER, LEFT_FOREARM), on("2024-02-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.ASK, ["several-accesses-fit"])


def test_the_site_tells_two_accesses_of_one_arm_apart() -> None:
    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, LEFT_FOREARM), on("2024-02-01"))

    assert (found.verdict, found.access) == (AccessVerdict.KNOWN, "A1")


def test_vessels_say_the_site_where_the_report_does_not() -> None:
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, inflow=Artery.RADIAL, outflow=Vein.CEPHALIC)

    found = match_access(described, a_history(LEFT_UPPER, LEFT_FOREARM), on("2024-02-01"))

    assert (found.verdict, found.access) == (AccessVerdict.KNOWN, "A3")


def test_a_side_that_is_not_said_is_a_doubt_even_with_one_fistula() -> None:
    found = match_access(DescribedAccess(kind=AccessKind.FISTULA), a_history(LEFT_UPPER, LINE), on("2024-02-01"))

    assert (found.verdict, found.access, found.plain) == (AccessVerdict.KNOWN, "A1", False)
    assert codes(found) == ["side-not-said"]


def test_a_fistula_that_had_been_ligated_by_then_is_asked_about() -> None:
    tied = happening("abandonment", "2022-03-01", access="A1", how="ligation")

    before = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, tied), on("2022-02-28"))
    after = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, tied), on("2022-03-02"))

    assert before.access == "A1"
    assert (after.verdict, codes(after)) == (AccessVerdict.ASK, ["gone-by-then"])


def test_a_fistula_given_up_in_place_can_still_be_treated_with_a_doubt() -> None:
    left = happening("abandonment", "2022-03-01", access="A1", how="given-up")

    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, left), on("2022-05-01"))

    assert (found.verdict, found.access, codes(found)) == (AccessVerdict.KNOWN, "A1", ["given-up-by-then"])


def test_given_up_on_one_arm_and_alive_on_the_other_is_asked_about() -> None:
    left = happening("abandonment", "2022-03-01", access="A1", how="given-up")

    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, left, RIGHT_UPPER), on("2022-05-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.ASK, ["side-conflict"])


def test_a_line_like_one_that_is_long_out_is_a_new_line() -> None:
    described = DescribedAccess(kind=AccessKind.TUNNELLED, side=Side.RIGHT, catheter_vein=Vein.INTERNAL_JUGULAR)

    found = match_access(described, a_history(LINE, LINE_OUT), on("2023-01-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.NEW, ["like-one-that-was-gone"])


def test_a_graft_reported_as_a_fistula_is_asked_about() -> None:
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.FOREARM)

    found = match_access(described, a_history(GRAFT), on("2023-01-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.ASK, ["kind-differs"])


def test_sides_on_record_that_disagree_stay_a_doubt() -> None:
    other = happening("access-known", "2019-06-01", access="A1", access_kind="fistula", side="right")

    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER, other), on("2023-01-01"))

    assert (found.access, codes(found), found.plain) == ("A1", ["side-unsettled"], False)


@pytest.mark.parametrize(
    ("described", "code"),
    [
        (DescribedAccess(), "access-not-described"),
        (DescribedAccess(side=Side.LEFT), "access-kind-not-said"),
    ],
)
def test_a_report_that_says_too_little_is_asked_about(described: DescribedAccess, code: str) -> None:
    found = match_access(described, a_history(LEFT_UPPER), on("2023-01-01"))

    assert (found.verdict, codes(found)[0]) == (AccessVerdict.ASK, code)


def test_before_an_access_was_made_it_cannot_have_been_treated() -> None:
    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER), on("2018-01-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.ASK, ["not-yet-made"])


def test_a_bare_year_of_making_leaves_room() -> None:
    made = creation("2019", "A1", side="left", site="upper-arm")

    found = match_access(BRACHIOCEPHALIC, a_history(made), on("2019-02-01"))

    assert (found.verdict, found.access) == (AccessVerdict.KNOWN, "A1")


def test_without_a_day_nobody_knows_what_was_in_the_body() -> None:
    found = match_access(BRACHIOCEPHALIC, a_history(LEFT_UPPER), None)

    assert (found.access, codes(found), found.plain) == ("A1", ["day-not-known"], False)


def test_a_making_told_twice_is_the_same_access() -> None:
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.UPPER_ARM, makes=True)

    found = match_access(described, a_history(LEFT_UPPER), on("2019-05-03"))

    assert (found.verdict, found.access, codes(found)) == (AccessVerdict.KNOWN, "A1", ["made-on-the-same-day"])


def test_a_planned_access_is_the_one_that_is_made() -> None:
    planned = happening("access-planned", "2024-01-01", access="A7", access_kind="fistula", side="left", site="wrist")
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.FOREARM, makes=True)

    found = match_access(described, a_history(planned), on("2024-02-01"))

    assert (found.verdict, found.access, found.plain) == (AccessVerdict.KNOWN, "A7", True)


def test_a_plan_for_the_other_arm_is_asked_about() -> None:
    planned = happening("access-planned", "2024-01-01", access="A7", access_kind="fistula", side="right", site="wrist")
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.FOREARM, makes=True)

    found = match_access(described, a_history(planned), on("2024-02-01"))

    assert (found.verdict, codes(found)) == (AccessVerdict.ASK, ["side-conflict"])


def test_the_late_report_of_its_making_joins_an_access_met_before() -> None:
    met = happening("access-known", "2024-03-01", access="A8", access_kind="fistula", side="left", site="upper-arm")

    found = match_access(
        DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, makes=True), a_history(met), on("2023-10-10")
    )

    assert (found.verdict, found.access, codes(found)) == (AccessVerdict.KNOWN, "A8", ["met-before-its-making"])


def test_a_second_making_of_the_same_kind_and_place_is_new_with_a_doubt() -> None:
    described = DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, site=Site.UPPER_ARM, makes=True)

    found = match_access(described, a_history(LEFT_UPPER), on("2023-05-03"))

    assert (found.verdict, codes(found), found.plain) == (AccessVerdict.NEW, ["another-like-it"], False)


def test_what_is_known_of_an_access_follows_corrections_of_its_making() -> None:
    history = a_history(LEFT_UPPER, LINE, LINE_OUT)

    fistula, line = sorted(recorded_accesses(history), key=lambda one: one.id)

    assert (fistula.sides, fistula.made, fistula.gone) == (frozenset({Side.LEFT}), "2019-05-02", None)
    assert (line.veins, line.made, line.gone) == (frozenset({Vein.INTERNAL_JUGULAR}), "2019-01-10", "2019-09-10")


def test_a_reading_describes_its_accesses_and_says_which_it_makes() -> None:
    reading = Reading(
        text="",
        reader="1",
        accesses=(
            ReadAccess(ref="A", kind=AccessKind.FISTULA, side=Side.LEFT, outflow=Vein.CEPHALIC),
            ReadAccess(ref="B", kind=AccessKind.TUNNELLED, side=Side.RIGHT, vein=Vein.INTERNAL_JUGULAR),
        ),
        proposed=(Proposal(kind="creation", access="A", happened=None, quotes=()),),
    )

    assert described_in(reading) == {
        "A": DescribedAccess(kind=AccessKind.FISTULA, side=Side.LEFT, outflow=Vein.CEPHALIC, makes=True),
        "B": DescribedAccess(kind=AccessKind.TUNNELLED, side=Side.RIGHT, catheter_vein=Vein.INTERNAL_JUGULAR),
    }


def test_drafting_is_told_the_lesions_of_an_access_and_the_line_that_is_in() -> None:
    placed = happening(
        "catheter-placed", "2019-01-10", access="C1", access_kind="tunnelled-catheter", device="D1", side="right"
    )
    seen = happening("angiogram", "2019-03-10", access="C1", lesions=[{"lesion": "L1"}])
    treated = happening(
        "angioplasty", "2019-04-10", access="C1", lesions=[{"lesion": "L1", "place": "superior-vena-cava"}]
    )
    exchanged = happening("catheter-exchanged", "2019-04-10", access="C1", device="D2")

    still_in = access_for_drafts(a_history(placed, seen, treated, exchanged), "C1")
    taken_out = access_for_drafts(a_history(placed, exchanged, LINE_OUT), "C1")

    assert [(one.id, one.place) for one in still_in.lesions] == [("L1", LesionPlace.SUPERIOR_CAVA)]
    assert still_in.device == "D2"
    assert taken_out.device is None


DESCRIBED = st.builds(
    DescribedAccess,
    kind=st.sampled_from(list(AccessKind)) | st.none(),
    side=st.sampled_from(list(Side)) | st.none(),
    site=st.sampled_from([Site.FOREARM, Site.UPPER_ARM, Site.WRIST]) | st.none(),
    outflow=st.sampled_from([Vein.CEPHALIC, Vein.BASILIC]) | st.none(),
    makes=st.booleans(),
)
FACTS = st.lists(st.sampled_from([LEFT_UPPER, RIGHT_UPPER, LEFT_FOREARM, GRAFT, LINE]), unique_by=id, max_size=5)
DAYS = st.sampled_from(["2015", "2019-01", "2019-06-01", "2021-05-03", "2024-02-01"]).map(PartialDate) | st.none()


@given(DESCRIBED, FACTS, DAYS)
def test_law_an_access_of_the_other_side_is_never_taken(
    described: DescribedAccess, facts: list[Any], day: PartialDate | None
) -> None:
    found = match_access(described, a_history(*facts), day)

    assert (found.access is not None) == (found.verdict is AccessVerdict.KNOWN)
    if found.access is not None:
        taken = next(one for one in found.candidates if one.access == found.access)
        assert taken.traits[Trait.SIDE] is not Agreement.OTHER
        assert taken.presence not in (Presence.GONE, Presence.NOT_YET)


@given(DESCRIBED, FACTS, DAYS)
def test_law_a_plain_match_said_kind_and_side_and_has_no_doubt(
    described: DescribedAccess, facts: list[Any], day: PartialDate | None
) -> None:
    found = match_access(described, a_history(*facts), day)

    if found.plain:
        assert described.kind is not None
        assert described.side is not None
        assert found.doubts == ()
