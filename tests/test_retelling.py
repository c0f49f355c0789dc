"""The same procedure told twice, and reports that correct others. All of it is invented; common practice, no source."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ledger.chronology import History
from ledger.dates import PartialDate
from ledger.events import Angioplasty, Fact
from ledger.evidence import Evidence
from ledger.measured import Measured
from ledger.reading.proposals import Proposal, ReadAccess, ReadBalloon, Reading, ReadLesion
from ledger.retelling import (
    Differs,
    Sameness,
    Summary,
    Told,
    amended,
    days_apart,
    differences,
    facts_from,
    merged,
    same_procedure,
    shingles_of,
    summary_of,
    told_before,
    traits_of,
)
from ledger.vocabulary import AccessKind, LesionPlace, Side
from tests.examples import EXAMPLES
from tests.lives import a_history, an_entry, happening


def fact(kind: str, day: str, access: str = "A1", **fields: Any) -> Fact:
    return cast("Fact", happening(kind, day, access=access, **fields))


def lesion(place: str | None, before: str | None = None, after: str | None = None, id: str = "L1", **more: Any) -> Any:
    found: dict[str, Any] = {"lesion": id, **more}
    if place:
        found["place"] = place
    if before:
        found["found_percent"] = {"value": before}
    if after:
        found["residual_percent"] = {"value": after}
    return found


def angioplasty(day: str, *lesions: Any, access: str = "A1", **fields: Any) -> Fact:
    return fact("angioplasty", day, access, lesions=lesions, **fields)


ARCH = angioplasty("2024-03-14", lesion("cephalic-arch", "80", "10"), visit="V1")


# --- Told before --------------------------------------------------------------------------------------------------


def test_the_same_procedure_from_a_second_centre_is_told_again() -> None:
    second = angioplasty("2024-03-14T11:30", lesion("cephalic-arch", "80", "10", id="other-id"), visit="V9")

    found = told_before([second], a_history(ARCH))[0]

    assert found.told is Told.AGAIN
    assert found.root is not None


def test_a_number_that_differs_is_told_otherwise_and_named() -> None:
    second = angioplasty("2024-03-14", lesion("cephalic-arch", "80", "30"))

    found = told_before([second], a_history(ARCH))[0]

    assert found.told is Told.OTHERWISE
    assert [(one.field, one.how) for one in found.differences] == [
        ("lesions[cephalic-arch].residual_percent", Differs.CONTRADICTS)
    ]


def test_a_lesion_elsewhere_on_the_same_day_is_perhaps_the_same_visit() -> None:
    second = angioplasty("2024-03-14", lesion("juxta-anastomotic", "70", "10"))

    assert told_before([second], a_history(ARCH))[0].told is Told.PERHAPS


def test_the_day_beside_is_the_same_only_when_numbers_agree() -> None:
    with_numbers = angioplasty("2024-03-15", lesion("cephalic-arch", "80", "10"))
    without = angioplasty("2024-03-15", lesion("cephalic-arch"))
    clot = fact("thrombectomy", "2024-03-15", methods=["balloon"], success=True)
    history = a_history(ARCH, fact("thrombectomy", "2024-03-14", methods=["balloon"], success=True))

    found = told_before([with_numbers, clot], history)

    assert [one.told for one in found] == [Told.AGAIN, Told.PERHAPS]
    assert told_before([without], history)[0].told is Told.PERHAPS


@pytest.mark.parametrize(
    "other",
    [
        angioplasty("2024-03-17", lesion("cephalic-arch", "80", "10")),
        angioplasty("2024-03-14", lesion("cephalic-arch", "80", "10"), access="A2"),
        fact("stent", "2024-03-14", stents=[]),
    ],
)
def test_another_day_access_or_kind_is_new(other: Fact) -> None:
    assert told_before([other], a_history(ARCH))[0].told is Told.NEW


def test_an_access_is_made_once_whatever_day_the_second_report_says() -> None:
    made = fact("creation", "2019-05-02", access_kind="fistula", side="left")
    told = fact("creation", "2019-06-02", access_kind="fistula", side="left")

    found = told_before([told], a_history(made))[0]

    assert found.told is Told.OTHERWISE
    assert [(one.field, one.known, one.told) for one in found.differences] == [("happened", "2019-05-02", "2019-06-02")]


def test_a_year_and_a_day_within_it_can_both_be_true() -> None:
    made = fact("creation", "2019", access_kind="fistula")

    found = told_before([fact("creation", "2019-06-02", access_kind="fistula", side="left")], a_history(made))[0]

    assert found.told is Told.AGAIN
    assert [(one.field, one.how) for one in found.differences] == [
        ("happened", Differs.LOOSELY),
        ("side", Differs.ADDS),
    ]


def test_two_facts_of_one_report_are_not_both_the_same_known_one() -> None:
    found = told_before([ARCH, ARCH], a_history(ARCH))

    assert [one.told for one in found] == [Told.AGAIN, Told.NEW]


@pytest.mark.parametrize(
    ("known", "told", "how"),
    [
        ({"value": "10"}, {"value": "10.0"}, None),
        ({"value": "10"}, {"value": "10", "how": "estimated"}, None),
        ({"value": "20", "comparator": "<"}, {"value": "10"}, Differs.LOOSELY),
        ({"value": "20", "comparator": "<"}, {"value": "30"}, Differs.CONTRADICTS),
        ({"low": "70", "high": "80"}, {"value": "75"}, Differs.LOOSELY),
        ({"low": "70", "high": "80"}, {"value": "90"}, Differs.CONTRADICTS),
        ({"value": "50", "comparator": "~"}, {"value": "54"}, Differs.LOOSELY),
    ],
)
def test_quantities_are_compared_as_they_were_said(known: Any, told: Any, how: Differs | None) -> None:
    before = angioplasty("2024-03-14", {"lesion": "L1", "place": "cephalic-arch", "residual_percent": known})
    after = angioplasty("2024-03-14", {"lesion": "L1", "place": "cephalic-arch", "residual_percent": told})

    found = differences(before, after)

    assert [one.how for one in found] == ([how] if how else [])


# --- Addenda and corrected reports --------------------------------------------------------------------------------


def from_report(report: str, *facts: Fact) -> History:
    entries = tuple(an_entry(one, version, evidence=Evidence(report=report)) for version, one in enumerate(facts, 1))
    return replace(a_history(*facts), entries=entries)


def test_an_addendum_proposes_the_correction_of_the_entry_it_is_about() -> None:
    history = from_report("r-first", ARCH)
    addendum = angioplasty("2024-03-16", lesion("cephalic-arch", after="20", id="new-id"))

    found = amended([addendum], facts_from(history, ["r-first"]), whole=False, day_is_said=False)

    correction = found.corrections[0]
    assert correction.corrects == history.entries[0].id
    assert [(one.field, one.known, one.told) for one in correction.differences] == [
        ("lesions[cephalic-arch].residual_percent", {"value": "10"}, {"value": "20"})
    ]
    assert isinstance(correction.to, Angioplasty)
    assert correction.to.happened == "2024-03-14"
    assert correction.to.visit == "V1"
    assert correction.to.lesions[0].lesion == "L1"
    assert str(correction.to.lesions[0].found_percent) == "80"
    assert str(correction.to.lesions[0].residual_percent) == "20"


def test_an_addendum_that_tells_something_more_adds_it_and_takes_nothing_away() -> None:
    history = from_report("r-first", ARCH, fact("thrombosis", "2024-03-14"))
    more = fact("stent", "2024-03-14", stents=[{"device": "D1", "place": "cephalic-arch"}])

    found = amended([more], facts_from(history, ["r-first"]), whole=False)

    assert (found.corrections, found.additions, found.unsaid) == ((), (0,), ())


def test_a_corrected_report_lists_what_it_no_longer_tells() -> None:
    clot = fact("thrombosis", "2024-03-14")
    history = from_report("r-first", ARCH, clot)

    found = amended([ARCH], facts_from(history, ["r-first"]), whole=True)

    assert [number for number, _ in found.unchanged] == [0]
    assert [history.entry(root).event for root in found.unsaid if history.entry(root)] == [clot]  # type: ignore[union-attr]


def test_a_corrected_side_moves_the_entry_to_the_other_access() -> None:
    history = from_report("r-first", ARCH)
    other_arm = angioplasty("2024-03-14", lesion("cephalic-arch", "80", "10"), access="A2")

    found = amended([other_arm], facts_from(history, ["r-first"]), whole=True)

    assert [(one.field, one.known, one.told) for one in found.corrections[0].differences] == [("access", "A1", "A2")]


def test_what_another_report_told_is_not_touched() -> None:
    history = from_report("r-other", ARCH)

    found = amended([ARCH], facts_from(history, ["r-first"]), whole=True)

    assert (found.corrections, found.additions, found.unsaid) == ((), (0,), ())


def test_a_sharper_number_takes_the_place_of_a_looser_one_and_not_the_other_way_round() -> None:
    loose = angioplasty(
        "2024-03-14",
        {"lesion": "L1", "place": "cephalic-arch", "residual_percent": {"value": "20", "comparator": "<"}},
    )
    sharp = angioplasty("2024-03-14", lesion("cephalic-arch", after="10"))

    assert traits_of(merged(loose, sharp, with_day=True)) == traits_of(sharp)
    assert traits_of(merged(sharp, loose, with_day=True)) == traits_of(sharp)


FACTS = [one for facts in EXAMPLES.values() for one in facts]


@pytest.mark.parametrize("one", FACTS, ids=lambda one: str(one.kind))
def test_law_every_fact_told_again_is_no_news(one: Fact) -> None:
    assert differences(one, one) == []
    assert traits_of(merged(one, one, with_day=True)) == traits_of(one)


PERCENTS = st.integers(0, 100).map(str) | st.none()
PLACES = st.sampled_from(["cephalic-arch", "juxta-anastomotic", "outflow-vein"])
LESIONS = st.lists(st.builds(lesion, PLACES, PERCENTS, PERCENTS), max_size=3, unique_by=lambda one: one["place"])
TREATED = st.builds(
    lambda day, lesions: angioplasty(day, *lesions), st.sampled_from(["2024-03-14", "2024-03-15"]), LESIONS
)


@given(st.lists(TREATED, max_size=4))
def test_law_a_history_told_to_itself_holds_nothing_new(facts: list[Fact]) -> None:
    found = told_before(facts, a_history(*facts))

    assert all(one.told is not Told.NEW for one in found)
    assert len({one.root for one in found}) == len(facts)


@given(TREATED, TREATED)
def test_law_a_correction_says_all_that_the_later_report_says_and_keeps_the_rest(known: Fact, told: Fact) -> None:
    to = merged(known, told, with_day=True)

    after, before = traits_of(told), traits_of(known)
    assert traits_of(to) == before | after
    assert to.happened == told.happened


@given(st.lists(TREATED, min_size=1, max_size=3))
def test_law_a_corrected_report_that_changes_nothing_proposes_nothing(facts: list[Fact]) -> None:
    history = from_report("r-first", *facts)

    found = amended(facts, facts_from(history, ["r-first"]), whole=True)

    assert found.additions == ()
    assert found.unsaid == ()
    # Two treatments of one day may be paired crosswise when they do not differ in what is compared.
    assert all(one.differences for one in found.corrections)
    if len(facts) == 1:
        assert found.corrections == ()


@pytest.mark.parametrize(
    ("one", "two", "apart"),
    [
        ("2024-03-14", "2024-03-14", 0),
        ("2024-03", "2024-03-31", 0),
        ("2024-03-31", "2024-04", 1),
        ("2023", "2025", 367),
    ],
)
def test_days_apart_is_between_the_nearest_readings(one: str, two: str, apart: int) -> None:
    assert days_apart(PartialDate(one), PartialDate(two)) == apart
    assert days_apart(PartialDate(two), PartialDate(one)) == apart


# --- Two reports that wait ----------------------------------------------------------------------------------------

WORDS = (
    "Left brachiocephalic fistula. The cephalic arch was opened with an eight millimetre balloon, residual ten percent."
)


def a_summary(day: str | None = "2024-03-14", words: str = WORDS, **more: Any) -> Summary:
    fields: dict[str, Any] = {
        "kinds": frozenset({"angioplasty"}),
        "accesses": frozenset({(AccessKind.FISTULA, Side.LEFT)}),
        "numbers": frozenset({"cephalic-arch stenosis_before_percent 80"}),
    }
    return Summary(happened=PartialDate(day) if day else None, shingles=shingles_of(words), **(fields | more))


def test_the_same_words_by_fax_and_by_message_are_one_report() -> None:
    found = same_procedure(a_summary(), a_summary(None, f"PAGE 1 OF 1 {WORDS}"))

    assert found.sameness is Sameness.SAME
    assert "words-nearly-the-same" in found.reasons


@pytest.mark.parametrize(
    ("other", "sameness", "reason"),
    [
        (a_summary(words="Another hand wrote this about the same arm."), Sameness.SAME, "numbers-agree"),
        (a_summary(words="Other words.", numbers=frozenset()), Sameness.PERHAPS, "same-access"),
        (a_summary(words="Other words.", numbers=frozenset({"x 1"})), Sameness.PERHAPS, "no-number-in-common"),
        (
            a_summary(words="Other words.", accesses=frozenset({(AccessKind.FISTULA, Side.RIGHT)})),
            Sameness.PERHAPS,
            "other-side",
        ),
        (
            a_summary(words="Other words.", accesses=frozenset({(AccessKind.TUNNELLED, Side.LEFT)})),
            Sameness.DIFFERENT,
            "other-access",
        ),
        (a_summary("2024-03-15", words="Other words."), Sameness.PERHAPS, "day-beside"),
        (a_summary("2024-03-18", words="Other words."), Sameness.DIFFERENT, "another-day"),
        (a_summary("2024-06-18"), Sameness.PERHAPS, "another-day"),
        (a_summary(words="Other words.", kinds=frozenset({"stent"})), Sameness.DIFFERENT, "no-kind-in-common"),
    ],
)
def test_two_reports_are_one_only_when_nothing_is_left_open(other: Summary, sameness: Sameness, reason: str) -> None:
    found = same_procedure(a_summary(), other)

    assert found.sameness is sameness
    assert reason in found.reasons
    assert same_procedure(other, a_summary()) == found


def a_reading(text: str, *, before: str, balloon: str) -> Reading:
    treated = ReadLesion(
        place=LesionPlace.CEPHALIC_ARCH,
        before_percent=Measured(value=before),
        balloons=(ReadBalloon(diameter_mm=Measured(value=balloon)),),
    )
    return Reading(
        text=text,
        reader="1",
        accesses=(ReadAccess(ref="A", kind=AccessKind.FISTULA, side=Side.LEFT),),
        proposed=(
            Proposal(kind="angioplasty", access="A", happened=None, quotes=(), detail={"lesions": (treated,)}),
            Proposal(kind="visit", access="A", happened=None, quotes=()),
        ),
        happened=PartialDate("2024-03-14"),
    )


def test_a_reading_gives_the_summary_by_which_it_is_compared() -> None:
    first = summary_of(a_reading("The arch was opened to eight.", before="80", balloon="8"))
    second = summary_of(a_reading("Dilated with another hand's words.", before="80", balloon="9"))
    third = summary_of(a_reading("Dilated with another hand's words.", before="70", balloon="9"))

    assert first.kinds == {"angioplasty"}
    assert same_procedure(first, second).sameness is Sameness.SAME
    assert same_procedure(first, third).sameness is Sameness.PERHAPS
