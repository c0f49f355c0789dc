"""Choices, partial dates, late entries and what is left out; and the laws that hold for every life."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ledger.errors import WrongInput
from ledger.statistics.definitions import rulebook
from ledger.statistics.spells import LeftOut, Outcome, Spell, every_spell_of, spell_of, spells_of
from ledger.vocabulary import AccessKind
from tests.lives import a_history, grown, retracted
from tests.statistics.said import (
    again,
    arrived,
    back,
    ballooned,
    banded,
    began,
    clot_out,
    clotted,
    exchanged,
    given_up,
    gone,
    infected,
    looked_at,
    made,
    met,
    needled,
    other,
    placed,
    removed,
    revised,
    second_stage,
    stented,
    to,
    used,
)

CUT = date(2024, 12, 31)
PRIMARY, ASSISTED, SECONDARY = "primary-patency", "assisted-primary-patency", "secondary-patency"


def line(history, definition: str, access: str = "A1", cut: date = CUT, **chosen: str) -> str:
    """`2021-03-02 2022-01-10 thrombosis`; `+` where it was censored or something competed; `out why` if left out."""
    book = rulebook()
    found = spell_of(
        history, access, book.definition(definition, {k.replace("_", "-"): v for k, v in chosen.items()}), cut
    )
    if isinstance(found, LeftOut):
        return f"out {found.why}"
    mark = "" if found.longest.outcome is Outcome.EVENT else "+"
    return f"{found.longest.start} {found.longest.end}{mark} {found.longest.ended_by}"


# --- Every choice, and its other readings ---


def test_surgery_for_steal_ends_primary_only_by_choice():
    history = a_history(made("2023-01-10"), banded("2023-04-02"))

    assert line(history, PRIMARY) == "2023-01-10 2024-12-31+ cut"
    assert line(history, PRIMARY, steal_surgery="ends-primary") == "2023-01-10 2023-04-02 steal-surgery"


def test_aneurysm_repair_and_superficialisation_end_primary_only_by_choice():
    repaired = a_history(made("2023-01-10"), revised("2023-04-02", "aneurysm-repair"))
    superficialised = a_history(made("2023-01-10", stage="only"), second_stage("2023-04-02", form="superficialisation"))

    assert line(repaired, PRIMARY, aneurysm_repair="ends-primary") == "2023-01-10 2023-04-02 aneurysm-repair"
    assert line(superficialised, PRIMARY) == "2023-01-10 2024-12-31+ cut"
    assert line(superficialised, PRIMARY, aneurysm_repair="ends-primary") == "2023-01-10 2023-04-02 superficialisation"


def test_a_second_stage_can_end_primary_or_start_the_clock():
    history = a_history(made("2022-02-01", stage="first"), second_stage("2022-04-05"), clotted("2023-01-01"))

    assert line(history, PRIMARY) == "2022-02-01 2023-01-01 thrombosis"
    assert line(history, PRIMARY, second_stage="ends-primary") == "2022-02-01 2022-04-05 second-stage"
    assert line(history, PRIMARY, second_stage="starts-the-clock") == "2022-04-05 2023-01-01 thrombosis"
    assert line(history, ASSISTED, second_stage="ends-primary") == "2022-02-01 2023-01-01 thrombosis"
    assert line(history, SECONDARY, second_stage="starts-the-clock") == "2022-04-05 2024-12-31+ cut"


def test_a_first_stage_that_waits_for_its_second_has_no_clock_yet_when_the_second_starts_it():
    history = a_history(made("2024-10-01", stage="first"))

    assert line(history, PRIMARY, second_stage="starts-the-clock") == "out second-stage-not-done"


def test_a_lone_second_stage_has_no_first_to_start_from():
    history = a_history(made("2022-04-05", stage="second"))

    assert line(history, PRIMARY) == "out first-stage-unknown"
    assert line(history, PRIMARY, second_stage="starts-the-clock") == "2022-04-05 2024-12-31+ cut"


def test_the_day_of_loss_is_that_of_the_clot_or_of_the_decision():
    history = a_history(made("2021-03-02"), clotted("2022-01-10"), given_up("2022-02-20", "thrombosis"))

    assert line(history, SECONDARY) == "2021-03-02 2022-01-10 unreversed-clot"
    assert line(history, SECONDARY, day_of_loss="decision") == "2021-03-02 2022-02-20 unreversed-clot"
    assert line(history, SECONDARY, day_of_loss="last-known-patent") == "2021-03-02 2022-01-10 unreversed-clot"


def test_the_day_last_known_patent_is_a_choice_only_where_nothing_clotted():
    history = a_history(made("2021-03-02"), given_up("2022-02-20", "steal", last_known_patent="2022-02-01"))

    assert line(history, SECONDARY) == "2021-03-02 2022-02-20 abandonment"
    assert line(history, SECONDARY, day_of_loss="last-known-patent") == "2021-03-02 2022-02-01 abandonment"


def test_a_failed_thrombectomy_with_silence_after_it_can_run_on():
    history = a_history(made("2021-03-02"), clotted("2022-01-10"), clot_out("2022-01-11", False))

    assert line(history, SECONDARY, failed_thrombectomy="runs-on") == "2021-03-02 2024-12-31+ cut"


def test_a_clot_that_nobody_treated_can_end_secondary():
    history = a_history(made("2021-03-02"), clotted("2022-01-10"))

    assert line(history, SECONDARY, untreated_thrombosis="ends-at-the-clot") == "2021-03-02 2022-01-10 untreated-clot"


def test_an_abandonment_without_thrombosis_can_censor_primary_and_assisted_but_never_for_infection():
    steal = a_history(made("2021-03-02"), given_up("2022-02-20", "steal", "ligation"))
    infection = a_history(made("2021-03-02"), given_up("2022-02-20", "infection", "excision"))
    chosen = {"abandonment_without_thrombosis": "censors"}

    assert line(steal, PRIMARY, **chosen) == "2021-03-02 2022-02-20+ abandonment"
    assert line(steal, ASSISTED, **chosen) == "2021-03-02 2022-02-20+ abandonment"
    assert line(steal, SECONDARY) == "2021-03-02 2022-02-20 abandonment"
    assert line(infection, PRIMARY, **chosen) == "2021-03-02 2022-02-20 infected-loss"


def test_a_good_access_closed_can_end_patency():
    history = a_history(made("2021-03-02"), given_up("2022-02-20", "transplant", "ligation"))

    assert line(history, SECONDARY) == "2021-03-02 2022-02-20+ closed-by-choice"
    assert line(history, SECONDARY, good_access_closed="ends") == "2021-03-02 2022-02-20 closed-by-choice"


def test_a_clotted_access_tied_by_wish_was_lost_to_the_clot():
    history = a_history(made("2021-03-02"), clotted("2022-02-01"), given_up("2022-02-20", "wish", "ligation"))

    assert line(history, SECONDARY) == "2021-03-02 2022-02-01 unreversed-clot"


def test_an_access_out_of_which_another_was_begun_can_be_censored():
    history = a_history(made("2021-03-02", "graft"), made("2022-02-20", access="A2", continues_from="A1"))

    assert line(history, SECONDARY, converted="censors") == "2021-03-02 2022-02-20+ converted"


def test_being_taken_up_again_can_cancel_the_abandonment():
    history = a_history(
        made("2021-03-02"), given_up("2022-01-20", "steal"), again("2022-07-01"), given_up("2023-05-05", "stenosis")
    )

    assert line(history, SECONDARY) == "2021-03-02 2022-01-20 abandonment"
    assert line(history, SECONDARY, taken_up_again="cancels-it") == "2021-03-02 2023-05-05 abandonment"


def test_an_end_of_care_can_be_passed_over_or_waited_out():
    came_back = a_history(made("2021-03-02"), gone("2022-05-01", "transfer"), back("2023-02-01"), clotted("2023-02-02"))
    stayed_away = a_history(made("2021-03-02"), gone("2022-05-01", "transfer"), clotted("2023-02-02"))

    assert line(came_back, PRIMARY) == "2021-03-02 2022-05-01+ transfer"
    assert line(came_back, PRIMARY, end_of_care="continues") == "2021-03-02 2023-02-02 thrombosis"
    assert line(came_back, PRIMARY, end_of_care="resumes") == "2021-03-02 2023-02-02 thrombosis"
    assert line(stayed_away, PRIMARY, end_of_care="resumes") == "2021-03-02 2022-05-01+ transfer"
    assert line(stayed_away, PRIMARY, end_of_care="continues") == "2021-03-02 2023-02-02 thrombosis"


def test_death_censors_whatever_was_chosen():
    history = a_history(made("2021-03-02"), gone("2022-05-01", "death"))

    assert line(history, PRIMARY, end_of_care="continues") == "2021-03-02 2022-05-01+ death"


def test_a_death_on_the_day_of_an_intervention_can_censor_but_does_not_undo_a_clot():
    ballooned_that_day = a_history(made("2021-03-02"), ballooned("2022-05-01"), gone("2022-05-01", "death"))
    clotted_that_day = a_history(made("2021-03-02"), clotted("2022-05-01"), gone("2022-05-01", "death"))

    assert line(ballooned_that_day, PRIMARY, death_day="censored") == "2021-03-02 2022-05-01+ death"
    assert line(clotted_that_day, PRIMARY, death_day="censored") == "2021-03-02 2022-05-01 thrombosis"


def test_procedures_within_some_days_can_be_one_index_intervention():
    history = a_history(
        made("2021-03-02"), ballooned("2022-06-01"), ballooned("2022-06-02", lesion="L2"), ballooned("2022-09-01")
    )
    definition = rulebook().definition("post-intervention-primary-patency", {"index-days": "7"})

    found = every_spell_of(history, "A1", definition, CUT)

    assert [(str(one.longest.start), str(one.longest.end)) for one in found] == [
        ("2022-06-01", "2022-09-01"),
        ("2022-09-01", "2024-12-31"),
    ]


def test_failed_index_interventions_can_be_left_out():
    history = a_history(
        made("2021-03-02"), clotted("2022-01-10"), clot_out("2022-01-11", False), clot_out("2022-01-12")
    )
    definition = rulebook().definition("post-intervention-primary-patency", {"failed-index": "left-out"})

    found = every_spell_of(history, "A1", definition, CUT)

    assert [str(one.longest.start) for one in found] == ["2022-01-12"]


def test_an_intervention_after_the_access_counted_as_lost_is_left_out_of_what_follows_interventions():
    history = a_history(
        made("2021-03-02"), given_up("2022-01-20", "steal"), again("2022-07-01"), ballooned("2022-08-01")
    )

    assert line(history, "post-intervention-primary-patency") == "out index-after-loss"


def test_the_target_lesion_can_be_any_at_the_same_place():
    # Two lesion ids at one place: nobody linked the second entry to the first.
    history = a_history(made("2021-03-02"), ballooned("2022-01-01", lesion="L1"), ballooned("2022-05-01", lesion="L9"))

    assert line(history, "target-lesion-primary-patency") == "2022-01-01 2024-12-31+ cut"
    assert (
        line(history, "target-lesion-primary-patency", target_lesion="same-place")
        == "2022-01-01 2022-05-01 target-lesion"
    )


def test_first_use_can_ask_for_two_needles():
    history = a_history(
        made("2021-03-02"), used("2021-05-01", "one-needle-and-line"), used("2021-06-01", "two-needles")
    )

    assert line(history, "functional-primary-patency").startswith("2021-05-01")
    assert line(history, "functional-primary-patency", first_use="two-needles").startswith("2021-06-01")


def test_primary_failures_can_be_left_out():
    never_used = a_history(made("2023-01-10"), given_up("2023-06-10", "not-matured"))
    used_first = a_history(made("2023-01-10"), needled("2023-04-01"), given_up("2023-06-10", "steal"))

    assert line(never_used, SECONDARY) == "2023-01-10 2023-06-10 abandonment"
    assert line(never_used, SECONDARY, primary_failures="left-out") == "out primary-failure"
    assert line(used_first, SECONDARY, primary_failures="left-out") == "2023-01-10 2023-06-10 abandonment"


def test_a_catheter_exchange_can_end_the_access():
    history = a_history(placed("2023-01-05"), exchanged("2023-04-01"), removed("2023-07-15", "poor-flow"))

    assert line(history, "catheter-survival", "C1") == "2023-01-05 2023-07-15 removed-for-trouble"
    assert line(history, "catheter-survival", "C1", catheter_exchange="new-access") == "2023-01-05 2023-04-01 exchanged"


def test_an_elective_removal_and_one_for_an_unknown_reason_can_end_a_catheter():
    elective = a_history(placed("2023-01-05"), removed("2023-07-15", "no-longer-needed"))
    unknown = a_history(placed("2023-01-05"), removed("2023-07-15"))

    assert line(elective, "catheter-survival", "C1").endswith("+ removed-electively")
    assert line(elective, "catheter-survival", "C1", elective_removal="ends").endswith("15 removed-electively")
    assert line(unknown, "catheter-survival", "C1", removal_reason_unknown="ends").endswith("15 removed-reason-unknown")


def test_a_choice_that_is_not_there_says_which_are():
    with pytest.raises(WrongInput) as wrong:
        rulebook().definition(SECONDARY, {"steal-surgery": "ends-primary"})

    assert "makes no choice called 'steal-surgery'" in wrong.value.problem
    assert "day-of-loss" in wrong.value.remedy


# --- Late entries ---


def test_an_access_met_late_can_enter_late_be_left_out_or_be_counted_as_if_watched():
    history = a_history(met("2023-05-02", created="2020-05-01"), clotted("2024-02-01"))
    book = rulebook()

    late = spell_of(history, "A1", book.definition(PRIMARY), CUT)
    flattered = spell_of(history, "A1", book.definition(PRIMARY, {"met-late": "from-creation"}), CUT)

    assert isinstance(late, Spell)
    assert late.longest.entered == date(2023, 5, 2)
    assert late.longest.entered_after == 1096
    assert isinstance(flattered, Spell)
    assert flattered.longest.entered == date(2020, 5, 1)
    assert line(history, PRIMARY, met_late="left-out") == "out met-late"


def test_a_past_that_is_unknown_before_a_day_is_entered_on_that_day_even_with_its_operation_report():
    history = a_history(arrived("2022-03-01", history_unknown_before="2022-01-01"), made("2020-06-01"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)

    assert isinstance(found, Spell)
    assert found.longest.entered == date(2022, 1, 1)


def test_an_access_made_before_care_began_can_enter_with_care():
    history = a_history(made("2020-06-01"), began("2021-02-01"))

    watched = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)
    with_care = spell_of(history, "A1", rulebook().definition(PRIMARY, {"met-late": "enters-with-care"}), CUT)

    assert watched.longest.entered == date(2020, 6, 1)
    assert with_care.longest.entered == date(2021, 2, 1)


# --- Partial dates ---


def test_a_year_of_creation_gives_a_shortest_and_a_longest_spell_and_says_that_it_matters():
    history = a_history(made("2019"), clotted("2022-01-10"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)

    assert isinstance(found, Spell)
    assert found.dates_matter
    assert found.shortest.start == date(2019, 12, 31)
    assert found.longest.start == date(2019, 1, 1)
    assert found.shortest.days == (date(2022, 1, 10) - date(2019, 12, 31)).days == 741
    assert found.longest.days == (date(2022, 1, 10) - date(2019, 1, 1)).days == 1105


def test_a_month_of_thrombosis_gives_two_ends():
    history = a_history(made("2019-02-01"), clotted("2022-01"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)

    assert (found.shortest.end, found.longest.end) == (date(2022, 1, 1), date(2022, 1, 31))


@pytest.mark.parametrize(
    ("reading", "start"), [("earliest", "2019-01-01"), ("latest", "2019-12-31"), ("middle", "2019-07-02")]
)
def test_one_reading_of_partial_dates_can_be_chosen(reading, start):
    history = a_history(made("2019"), clotted("2022-01-10"))

    assert line(history, PRIMARY, partial_dates=reading) == f"{start} 2022-01-10 thrombosis"


def test_dates_that_are_partial_and_do_not_matter_are_not_said_to_matter():
    # The angiogram's month is not known to the day, and it ends nothing.
    history = a_history(made("2019-02-01"), looked_at("2020-05", flow_seen=True), clotted("2022-01-10"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)

    assert not found.dates_matter
    assert found.shortest is found.longest


def test_an_end_whose_month_overlaps_a_censoring_is_an_event_or_not():
    history = a_history(made("2019-02-01"), clotted("2022-03"), gone("2022-03-15", "transplant"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), CUT)

    assert (found.shortest.outcome, found.shortest.end) == (Outcome.EVENT, date(2022, 3, 1))
    assert (found.longest.outcome, found.longest.end) == (Outcome.COMPETING, date(2022, 3, 15))
    assert found.dates_matter


def test_a_creation_in_the_year_of_the_cut_is_not_after_it():
    history = a_history(made("2024"))

    found = spell_of(history, "A1", rulebook().definition(PRIMARY), date(2024, 6, 30))

    assert (found.shortest.days, found.longest.days) == (0, 181)


# --- The cut ---


def test_what_happened_after_the_last_day_counted_is_not_read():
    history = a_history(made("2021-03-02"), clotted("2022-01-10"), given_up("2022-02-20", "thrombosis"))

    assert line(history, SECONDARY, cut=date(2022, 2, 19)) == "2021-03-02 2022-02-19+ cut"
    assert line(history, SECONDARY, cut=date(2022, 2, 20)) == "2021-03-02 2022-01-10 unreversed-clot"
    assert line(history, PRIMARY, cut=date(2021, 3, 1)) == "out after-the-cut"


def test_counting_says_who_is_left_out_and_why():
    watched = a_history(made("2021-03-02"), made("2023-01-01", "graft", access="A2"), placed("2020-01-01"))
    unknown = a_history(met("2023-05-02"), patient="P0002")
    kindless = a_history(met("2023-05-02", kind=None), patient="P0003")

    found = spells_of([watched, unknown, kindless], rulebook().definition(PRIMARY), CUT)
    grafts = spells_of([watched, unknown, kindless], rulebook().definition(PRIMARY), CUT, kinds={AccessKind.GRAFT})
    of_2023 = spells_of([watched], rulebook().definition(PRIMARY), CUT, began=(date(2023, 1, 1), date(2023, 12, 31)))

    assert [one.access for one in found.counted] == ["A1", "A2"]
    assert [(one.patient, one.why) for one in found.left_out] == [
        ("P0002", "no-creation"),
        ("P0003", "kind-not-recorded"),
    ]
    assert [one.access for one in grafts.counted] == ["A2"]
    assert [one.access for one in of_2023.counted] == ["A2"]


# --- Laws ---

MEASURES = [
    PRIMARY,
    ASSISTED,
    SECONDARY,
    "functional-primary-patency",
    "functional-assisted-patency",
    "functional-secondary-patency",
    "post-intervention-primary-patency",
    "post-intervention-assisted-patency",
    "post-intervention-secondary-patency",
    "access-circuit-primary-patency",
]


def _day(number: int, precision: str) -> str:
    text = (date(2021, 3, 2) + timedelta(days=number)).isoformat()
    return {"day": text, "month": text[:7]}[precision]


HAPPENINGS = [
    lambda day: clotted(day),
    lambda day: clot_out(day, True),
    lambda day: clot_out(day, False),
    lambda day: clot_out(day, None),
    lambda day: ballooned(day),
    lambda day: ballooned(day, lesion="L2", left={"outcome": "success"}),
    lambda day: stented(day),
    lambda day: revised(day, "patch", reason="stenosis"),
    lambda day: revised(day, "jump-graft"),
    lambda day: revised(day, "aneurysm-repair"),
    lambda day: banded(day),
    lambda day: second_stage(day),
    lambda day: looked_at(day, flow_seen=True),
    lambda day: used(day),
    lambda day: needled(day),
    lambda day: other(day, "side-branch-ligation"),
    lambda day: given_up(day, "thrombosis"),
    lambda day: given_up(day, "steal", last_known_patent="2021-03"),
    lambda day: given_up(day, "wish", "ligation"),
    lambda day: given_up(day, "infection", "excision"),
    lambda day: again(day),
    lambda day: gone(day, "transplant"),
    lambda day: gone(day, "transfer"),
    lambda day: back(day),
    lambda day: to(day, "peritoneal-dialysis"),
    lambda day: infected(day, "access", access="A1"),
]

CHOICES = st.fixed_dictionaries(
    {
        name: st.sampled_from([one.name for one in rulebook().choices[name].options])
        for name in (
            "day-of-loss",
            "failed-thrombectomy",
            "untreated-thrombosis",
            "good-access-closed",
            "converted",
            "taken-up-again",
            "end-of-care",
            "met-late",
        )
    }
)


@st.composite
def lives_of_an_access(draw, precisions=("day",), happenings=None):
    events = [made("2021-03-02")]
    for _ in range(draw(st.integers(0, 7))):
        precision = draw(st.sampled_from(precisions))
        events.append(draw(st.sampled_from(happenings or HAPPENINGS))(_day(draw(st.integers(0, 500)), precision)))
    return a_history(*events)


def spells(history, measure, chosen):
    definition = rulebook().definition(measure)
    known = {name: value for name, value in chosen.items() if name in definition.choices}
    return every_spell_of(history, "A1", definition.with_choices(known), date(2022, 12, 31))


@given(lives_of_an_access(), CHOICES)
def test_assisted_is_never_below_primary_nor_secondary_below_assisted(history, chosen):
    found = [spells(history, measure, chosen)[0] for measure in (PRIMARY, ASSISTED, SECONDARY)]

    ends = [one.longest.end for one in found if isinstance(one, Spell)]
    assert ends == sorted(ends)


@given(lives_of_an_access(precisions=("day", "month")), CHOICES)
def test_with_partial_dates_the_order_holds_in_either_reading(history, chosen):
    found = [spells(history, measure, chosen)[0] for measure in (PRIMARY, ASSISTED, SECONDARY)]

    counted = [one for one in found if isinstance(one, Spell)]
    assert [one.shortest.end for one in counted] == sorted(one.shortest.end for one in counted)
    assert [one.longest.end for one in counted] == sorted(one.longest.end for one in counted)


@given(lives_of_an_access(), CHOICES)
def test_nothing_outlives_secondary_patency(history, chosen):
    secondary = spells(history, SECONDARY, chosen)[0]

    for measure in MEASURES:
        for one in spells(history, measure, chosen):
            if isinstance(one, Spell) and isinstance(secondary, Spell):
                lost = secondary.longest.outcome is Outcome.EVENT
                if one.longest.start <= secondary.longest.end:
                    assert one.longest.end <= secondary.longest.end
                elif lost:
                    # An intervention on an access that was lost already cannot end before it starts.
                    assert one.longest.days == 0


@given(lives_of_an_access(precisions=("day", "month")), CHOICES)
def test_the_shortest_reading_is_never_longer_than_the_longest(history, chosen):
    for measure in MEASURES:
        for one in spells(history, measure, chosen):
            if isinstance(one, Spell):
                assert 0 <= one.shortest.days <= one.longest.days


INTERVENTIONS = {"angioplasty", "stent", "thrombectomy", "revision", "banding", "other-intervention", "second-stage"}


CLOTS_AND_OPENINGS = [
    lambda day: clotted(day),
    lambda day: clot_out(day, True),
    lambda day: clot_out(day, False),
    lambda day: ballooned(day),
    lambda day: revised(day, "new-anastomosis"),
    lambda day: used(day),
    lambda day: given_up(day, "thrombosis"),
]


# More examples than usual: the law speaks only of lives in which an intervention stands beside a thrombosis.
@settings(max_examples=max(250, settings.default.max_examples))
@given(st.one_of(lives_of_an_access(), lives_of_an_access(happenings=CLOTS_AND_OPENINGS)), CHOICES)
def test_retracting_an_intervention_never_makes_an_ended_primary_patency_end_earlier(history, chosen):
    # Dating a loss to the day last known patent is left out of this law: there, retracting the one sign of a clot
    # leaves an abandonment without thrombosis, and that is what the choice dates earlier.
    chosen = {name: value for name, value in chosen.items() if name != "day-of-loss"}
    before = spells(history, PRIMARY, chosen)[0]
    if not isinstance(before, Spell) or before.longest.outcome is not Outcome.EVENT:
        return

    for entry in history.entries:
        if entry.kind in INTERVENTIONS:
            after = spells(retracted(history, entry.id), PRIMARY, chosen)[0]

            assert isinstance(after, Spell)
            assert after.longest.end >= before.longest.end


@given(lives_of_an_access())
def test_what_is_recorded_in_another_order_is_counted_alike(history):
    events = [entry.event for entry in history.entries]
    other_way = grown(a_history(), *reversed(events))

    for measure in MEASURES:
        here = [_told(one) for one in spells(history, measure, {})]
        there = [_told(one) for one in spells(other_way, measure, {})]
        assert here == there


def _told(one):
    return one.why if isinstance(one, LeftOut) else (one.longest[:4], one.notes)
