"""What is printed about a curve: its denominators, who is left out, the choices, and what to beware of."""

from __future__ import annotations

import json
from datetime import date

import pytest

from ledger.dates import PartialDate
from ledger.errors import WrongInput
from ledger.people import Patient
from ledger.statistics.definitions import rulebook
from ledger.statistics.groups import GROUPINGS, Known, grouping
from ledger.statistics.patency import compare, patency_of, patency_of_many
from ledger.statistics.spells import each_spell_of, spells_of
from tests.examples import TEXTS, said, words
from tests.lives import a_history, happening
from tests.statistics.said import ballooned, began, clotted, given_up, gone, made, met, needled

CUT = date(2022, 12, 31)


def four_accesses(*, partial: bool = False):
    """The four of the pencil example: one fails on day 30, one leaves on day 60, one fails on day 90, one runs on."""
    return [
        a_history(made("2022-01-01"), given_up("2022-01-31", "steal"), patient="P0001"),
        a_history(made("2022-01-01"), gone("2022-03-02", "transplant"), patient="P0002"),
        a_history(made("2022-01" if partial else "2022-01-01"), given_up("2022-04-01", "steal"), patient="P0003"),
        a_history(made("2022-09-02"), patient="P0004"),
    ]


def secondary(histories, **more):
    return spells_of(histories, rulebook().definition("secondary-patency"), CUT, **more)


def test_the_pencil_example_from_entries():
    found = patency_of(secondary(four_accesses()), horizons=(30, 60, 90, 120, 365))

    assert [(step.day, step.at_risk, round(step.surviving, 3)) for step in found.curve.steps] == [
        (30, 4, 0.75),
        (90, 2, 0.375),
    ]
    assert [one.shortest.at_risk if one.shortest else None for one in found.horizons] == [4, 3, 2, 1, None]
    assert found.median.day == 90
    assert found.incidence.causes == ("event", "transplant")
    assert found.incidence.at(90, "transplant").share == pytest.approx(0.25)
    assert found.events == 2


def test_every_result_says_on_what_it_rests():
    histories = [*four_accesses(), a_history(met("2022-05-02"), patient="P0005")]

    basis = patency_of(secondary(histories)).basis

    assert (basis.counted, basis.unit, basis.patients) == (4, "accesses", 4)
    assert [(one.count, one.why) for one in basis.left_out] == [(1, "no-creation")]
    assert {one.name for one in basis.choices} >= {"primary-failures", "met-late", "day-of-loss", "partial-dates"}
    assert all(one.is_default for one in basis.choices)
    assert any("Lok et al. 2013" in source for source in basis.sources)
    assert any("overstates loss" in warning for warning in patency_of(secondary(histories)).basis.warnings)
    assert basis.lines[0] == "4 accesses of 4 patients, up to and including 2022-12-31."
    assert basis.lines[1] == "Left out 1: nobody recorded when it was made."


def test_two_accesses_of_one_patient_are_warned_of():
    both = a_history(made("2022-01-01"), made("2022-02-01", access="A2"))

    warnings = patency_of(secondary([both])).basis.warnings

    assert any(one.startswith("2 accesses belong to 1 patients") for one in warnings)


def test_partial_dates_that_change_a_number_are_said_to_matter():
    found = patency_of(secondary(four_accesses(partial=True)), horizons=(30, 90, 120))

    # Made on 1 January or on 31 January: it failed on day 90 or on day 60, which changes the share on neither day 60
    # nor 120 but the median.
    assert found.dates_matter
    assert (found.median.day, found.median_longest.day) == (60, 90)
    assert any("both readings are counted: this changes the numbers printed" in one for one in found.basis.warnings)


def test_partial_dates_that_change_nothing_printed_are_said_not_to_matter():
    histories = [
        a_history(made("2022-01"), patient="P0001"),
        a_history(made("2022-01-01"), given_up("2022-01-31", "steal"), patient="P0002"),
    ]

    found = patency_of(secondary(histories), horizons=(30, 180))

    assert not found.dates_matter
    assert any("no number printed changes by that" in one for one in found.basis.warnings)


def test_a_clotted_access_whose_secondary_runs_on_is_warned_of():
    found = patency_of(secondary([a_history(made("2022-01-01"), clotted("2022-03-01"))]))

    assert any("clotted on the last day counted" in one for one in found.basis.warnings)


def test_counting_one_at_a_time_gives_the_same():
    histories = four_accesses(partial=True)
    definition = rulebook().definition("secondary-patency")

    kept = patency_of(spells_of(histories, definition, CUT))
    passing = patency_of_many(each_spell_of(histories, definition, CUT), definition, CUT)

    assert passing.to_json() == kept.to_json()


def test_what_goes_to_a_script_is_plain_json():
    text = json.dumps(patency_of(secondary(four_accesses())).to_json(), allow_nan=False)

    assert '"left_out": []' in text


def test_nobody_to_count_is_no_error():
    found = patency_of(secondary([]))

    assert found.basis.counted == 0
    assert all(one.shortest is None for one in found.horizons)
    json.dumps(found.to_json(), allow_nan=False)


# --- Groups ---

PEOPLE = {
    "P0001": Patient(id="P0001", sex="female", birth_date=PartialDate("1958-07"), unit="U1", invented=True),
    "P0002": Patient(id="P0002", sex="male", birth_date=PartialDate("1977"), invented=True),
}


def grouped(by: str, *histories) -> list[str | None]:
    found = secondary(histories, label=grouping(by, Known(PEOPLE, words)))
    return [spell.group for spell in found.counted]


def test_groups_of_each_sort():
    visit = happening("visit", "2022-02-01", access="A1", visit="V1", centre="Z1")
    first = a_history(
        began("2022-01-01", unit="U7"),
        made("2022-02-01", side="left", site="wrist", visit="V1", operator=said("Dr A. Fennimore"), made_by="surgery"),
        visit,
        made("2022-07-01", "graft", access="A2"),
    )

    assert grouped("kind", first) == ["fistula", "graft"]
    assert grouped("side", first) == ["left", "not recorded"]
    assert grouped("site", first) == ["wrist", "not recorded"]
    assert grouped("surgeon", first) == ["Dr A. Fennimore", "not recorded"]
    assert grouped("centre", first) == ["Z1", "not recorded"]
    assert grouped("unit", first) == ["U7", "U7"]
    assert grouped("sex", first) == ["female", "female"]
    # Born in July 1958: 63 on 1 February 2022, and on 1 July 2022 either 63 or 64; one band all the same.
    assert grouped("age", first) == ["45 to 64", "45 to 64"]
    assert grouped("order", first) == ["first recorded", "later"]
    assert grouped("year", first) == ["2022", "2022"]
    assert grouped("made-by", first) == ["surgery", "not recorded"]
    assert set(GROUPINGS) == {
        "kind",
        "side",
        "site",
        "surgeon",
        "centre",
        "unit",
        "sex",
        "age",
        "order",
        "year",
        "made-by",
    }


def test_an_age_at_the_edge_of_a_band_is_in_either():
    # Born in 1977: 44 or 45 on 1 July 2022.
    history = a_history(made("2022-07-01"), patient="P0002")

    assert grouped("age", history) == ["under 45 or 45 to 64"]


def test_words_that_were_erased_and_people_that_are_unknown_stay_unknown():
    history = a_history(made("2022-02-01", operator=said("Dr A. Fennimore")), patient="P0009")
    erased = secondary([history], label=grouping("surgeon", Known({}, lambda stretch: None)))

    assert erased.counted[0].group == "words erased"
    assert grouped("sex", history) == ["not recorded"]
    assert TEXTS


def test_what_cannot_be_grouped_by_says_what_can():
    with pytest.raises(WrongInput, match="Nothing can be grouped by 'colour'"):
        grouping("colour")


def test_groups_are_compared_with_both_tests_and_their_limits():
    grafts = [
        a_history(made("2022-01-01", "graft"), given_up(f"2022-02-{day:02}", "stenosis"), patient=f"P1{day:02}")
        for day in range(1, 20)
    ]
    fistulas = [
        a_history(made("2022-01-01"), given_up(f"2022-0{3 + day % 6}-11", "stenosis"), patient=f"P2{day:02}")
        for day in range(1, 20)
    ]

    found = compare(secondary([*grafts, *fistulas], label=grouping("kind")), "kind")

    assert [group.group for group in found.groups] == ["fistula", "graft"]
    assert found.log_rank is not None
    assert found.log_rank.p < 0.001
    assert found.gray is not None
    assert any("not made by chance" in one for one in found.warnings)
    json.dumps(found.to_json(), allow_nan=False)


def test_grays_test_says_why_it_is_not_made():
    late = [
        a_history(met("2022-03-01", created="2021-05-01"), given_up("2022-06-01", "steal"), patient="P0001"),
        a_history(made("2022-01-01", "graft"), given_up("2022-05-01", "steal"), patient="P0002"),
    ]

    found = compare(secondary(late, label=grouping("kind")), "kind")
    alone = compare(secondary(late[:1], label=grouping("kind")), "kind")

    assert found.gray is None
    assert "under observation late" in found.gray_not_because
    assert alone.gray_not_because == "there is only one group"


def test_a_gain_is_printed_as_cumulative_incidence_beside_what_competes():
    histories = [
        a_history(made("2022-01-01"), needled("2022-03-02"), patient="P0001"),
        a_history(made("2022-01-01"), given_up("2022-02-01", "not-matured"), patient="P0002"),
        a_history(made("2022-01-01"), ballooned("2022-02-10"), needled("2022-04-01"), patient="P0003"),
        a_history(made("2022-01-01"), gone("2022-01-15", "death"), patient="P0004"),
    ]
    definition = rulebook().definition("time-to-first-cannulation")

    found = patency_of(spells_of(histories, definition, CUT), horizons=(60, 90))

    assert set(found.incidence.causes) == {"event", "loss", "death"}
    assert found.horizons[0].shortest.share == pytest.approx(0.25)
    assert found.horizons[1].shortest.share == pytest.approx(0.5)
    assert found.median.day == 90
