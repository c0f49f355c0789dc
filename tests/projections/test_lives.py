"""Small lives, told as given, when, then: what is true of an access on a day, and in which words it is said.

All people are invented. What is checked against is the description of the five facts by those who work at the chair
(common practice, no source), save where a source stands beside the check.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from ledger.projections.folding import fold_of
from ledger.projections.proving import RULES, dialyses_of, proofs_of
from ledger.projections.state import accesses_of
from tests.lives import a_history, grown, happening, retracted
from tests.projections.telling import (
    FISTULA,
    GRAFT,
    LINE,
    PERITONEAL,
    angiogram,
    ballooned,
    cleared_of_clot,
    clotted,
    cultured,
    decided,
    exchanged,
    first_needled,
    fistula,
    given_up,
    graft,
    infected,
    instructed,
    judged,
    known,
    line,
    looked,
    measured,
    on,
    peritoneal,
    referred,
    removed,
    second_stage,
    session,
    stented,
    taken_up,
    trouble,
    used,
    visited,
    went_wrong,
)

# --- Body ---------------------------------------------------------------------------------------------------------


def test_an_access_that_is_only_planned_is_not_in_the_body():
    history = a_history(
        happening("access-planned", "2025-01-10", access="A1", access_kind="fistula", planned_for="2025-03")
    )

    view = on("2025-02-01", history)

    assert view.body.state == "planned"
    assert not view.in_body
    assert view.sentence == (
        "fistula, side not recorded: planned on 10 January 2025, not made yet as far as recorded; "
        "planned for March 2025."
    )


def test_what_was_planned_on_one_side_and_made_on_the_other_is_no_conflict():
    history = a_history(
        happening("access-planned", "2025-01-10", access="A1", access_kind="fistula", side="right"),
        fistula("2025-02-03", side="left"),
    )

    view = on("2025-03-01", history)

    assert view.name == "LEFT upper-arm fistula (brachiocephalic)"
    assert view.conflicts == ()


def test_giving_up_alone_leaves_the_access_in_the_body():
    history = a_history(fistula("2021-05-03"), given_up("2024-02-01", reason="thrombosis"))

    view = on("2024-06-01", history)

    assert view.body.state == "made"
    assert view.standing.state == "given-up"
    assert view.standing.words == "given up on 1 February 2024, because of thrombosis"
    assert "still in the body" in view.sentence


def test_ligation_takes_it_out_of_what_can_be_needled():
    history = a_history(fistula("2021-05-03"), given_up("2024-02-01", how="ligation", reason="high-flow"))

    view = on("2024-06-01", history)

    assert view.body.state == "ligated"
    assert not view.in_body
    assert view.sentence == ("LEFT upper-arm fistula (brachiocephalic): ligated on 1 February 2024 (high flow).")


def test_an_infected_graft_that_was_excised_is_gone():
    history = a_history(
        graft("2022-01-10"), infected("2023-04-02", "access", GRAFT), given_up("2023-04-05", GRAFT, how="excision")
    )

    view = on("2023-05-01", history, GRAFT)

    assert view.body.state == "excised"
    assert view.findings == ()


def test_an_access_of_which_only_a_treatment_is_known_says_that_its_making_is_not_recorded():
    history = a_history(ballooned("2023-08-14", "L1", "outflow-vein"))

    view = on("2023-09-01", history)

    assert view.body.state == "not-recorded"
    assert view.body.words == "that it was made or placed is not recorded"
    assert view.age == "age not recorded"
    assert view.in_body


def test_a_creation_in_a_year_stays_in_that_year():
    history = a_history(fistula("2019"))

    view = on("2025-06-01", history)

    assert view.opened == "2019"
    assert view.age == "made in 2019"
    assert view.days_in_body is None


# --- Flow ---------------------------------------------------------------------------------------------------------


def test_flow_is_never_told_without_its_day_and_how_it_is_known():
    history = a_history(fistula("2024-03-04"), looked("2024-04-02", thrill="continuous"))

    view = on("2024-05-01", history)

    assert view.flow is not None
    assert view.flow.words == "flow seen on 2 April 2024 by examination"


def test_of_a_new_fistula_that_nobody_looked_at_the_flow_is_not_recorded():
    history = a_history(fistula("2024-03-04"))

    view = on("2024-03-20", history)

    assert view.flow is not None
    assert view.flow.words == "flow not recorded"


def test_no_thrill_found_is_not_yet_a_thrombosis():
    history = a_history(fistula("2024-03-04"), looked("2025-01-08", thrill="absent", bruit="absent"))

    view = on("2025-01-08", history)

    assert view.flow is not None
    assert view.flow.state == "not-found"
    assert view.flow.words == "no thrill or bruit found on 8 January 2025, not confirmed"
    assert not view.is_thrombosed


def test_a_bruit_without_a_thrill_is_flow():
    # "palpable thrill or audible bruit at some point beyond the anastomosis": Beathard 2018, PMC5967685.
    history = a_history(fistula("2024-03-04"), looked("2025-01-08", thrill="absent", bruit="low-pitched-continuous"))

    view = on("2025-01-08", history)

    assert view.flow is not None
    assert view.flow.state == "flow-seen"
    assert view.findings_words == "findings open since 8 January 2025: no thrill found; not referred"


def test_a_clot_seen_on_imaging_is_a_thrombosis():
    history = a_history(fistula("2024-03-04"), clotted("2025-01-08", known_by="imaging"))

    view = on("2025-01-09", history)

    assert view.is_thrombosed
    assert "thrombosed on 8 January 2025 (imaging)" in view.sentence


def test_a_thrombosis_known_by_examination_says_that_it_is_not_confirmed():
    history = a_history(fistula("2024-03-04"), clotted("2025-01-08", known_by="examination"))

    view = on("2025-01-09", history)

    assert view.flow is not None
    assert view.flow.words == ("thrombosed on 8 January 2025 (examination, not confirmed by imaging, clot or surgery)")


def test_a_successful_thrombectomy_brings_the_flow_back():
    history = a_history(
        fistula("2021-03-02"), clotted("2022-01-10", known_by="clot-found"), cleared_of_clot("2022-01-11", True)
    )

    view = on("2022-02-01", history)

    assert view.flow is not None
    assert view.flow.words == "flow seen on 11 January 2022 by thrombectomy"
    assert view.conflicts == ()


def test_a_failed_thrombectomy_does_not_bring_the_flow_back():
    history = a_history(fistula("2021-03-02"), clotted("2022-01-10"), cleared_of_clot("2022-01-11", False))

    view = on("2022-02-01", history)

    assert view.is_thrombosed
    assert view.flow is not None
    assert view.flow.day == "2022-01-10"


def test_a_failed_thrombectomy_of_a_clot_that_nobody_recorded_tells_of_the_clot():
    history = a_history(fistula("2021-03-02"), cleared_of_clot("2022-01-11", False))

    view = on("2022-02-01", history)

    assert view.is_thrombosed
    assert view.flow is not None
    assert view.flow.day == "2022-01-11"


def test_a_thrombectomy_without_its_outcome_leaves_the_flow_unknown_since_that_day():
    history = a_history(fistula("2021-03-02"), clotted("2022-01-10"), cleared_of_clot("2022-01-11", None))

    view = on("2022-02-01", history)

    assert view.flow is not None
    assert view.flow.words.startswith("flow unknown since 11 January 2022")


def test_mural_clot_in_an_access_that_flows_is_not_a_thrombosis():
    history = a_history(
        graft("2021-03-02"),
        looked("2022-01-03", GRAFT, thrill="continuous"),
        angiogram("2022-01-10", GRAFT, clot="mural"),
    )

    view = on("2022-02-01", history, GRAFT)

    assert not view.is_thrombosed
    assert view.flow is not None
    assert view.flow.words == "flow seen on 3 January 2022 by examination"


def test_an_occlusive_clot_on_the_angiogram_is_a_thrombosis():
    history = a_history(graft("2021-03-02"), angiogram("2022-01-10", GRAFT, clot="occlusive"))

    view = on("2022-02-01", history, GRAFT)

    assert view.is_thrombosed


def test_no_thrill_over_a_clotted_access_is_no_news():
    history = a_history(
        fistula("2021-03-02"), clotted("2022-01-10", known_by="imaging"), looked("2022-01-12", thrill="absent")
    )

    view = on("2022-02-01", history)

    assert view.is_thrombosed
    assert view.flow is not None
    assert view.flow.day == "2022-01-10"


def test_a_look_that_was_recorded_late_does_not_undo_the_clot_that_came_after_it():
    history = a_history(
        fistula("2021-03-02"), clotted("2022-01-10", known_by="imaging"), looked("2021-12-20", thrill="continuous")
    )

    view = on("2022-02-01", history)

    assert view.is_thrombosed


def test_used_in_the_morning_and_clotted_on_the_same_day_is_clotted():
    history = a_history(fistula("2021-03-02"), used("2022-01-10"), clotted("2022-01-10", known_by="imaging"))

    view = on("2022-01-11", history)

    assert view.is_thrombosed
    assert view.conflicts == ()


def test_a_thrill_and_a_clot_on_one_day_are_told_in_two_sentences():
    history = a_history(
        fistula("2021-03-02"), looked("2022-01-10", thrill="continuous"), clotted("2022-01-10", known_by="imaging")
    )

    view = on("2022-01-11", history)

    assert view.flow is not None
    assert view.flow.state == "told-both-ways"
    (conflict,) = view.conflicts
    assert conflict.first == "On 10 January 2022: Looked at, listened to and felt: continuous thrill."
    assert conflict.second == "On 10 January 2022: Thrombosed (seen on imaging)."


def test_the_hour_settles_what_the_day_leaves_open():
    history = a_history(
        fistula("2021-03-02"),
        looked("2022-01-10T07:10", thrill="continuous"),
        clotted("2022-01-10T15:30", known_by="imaging"),
    )

    view = on("2022-01-11", history)

    assert view.is_thrombosed
    assert view.conflicts == ()


def test_a_look_on_a_later_day_settles_what_one_day_told_both_ways():
    history = a_history(
        fistula("2021-03-02"),
        looked("2022-01-10", thrill="continuous"),
        looked("2022-01-10", thrill="absent"),
        looked("2022-01-11", thrill="continuous"),
    )

    view = on("2022-01-12", history)

    assert view.flow is not None
    assert view.flow.words == "flow seen on 11 January 2022 by examination"


def test_a_month_of_use_does_not_dispute_the_day_in_it_on_which_no_thrill_was_found():
    history = a_history(fistula("2021-03-02"), used("2022-10"), looked("2022-10-13", thrill="absent", bruit="absent"))

    view = on("2022-10-20", history)

    assert view.flow is not None
    assert view.flow.words == "no thrill or bruit found on 13 October 2022, not confirmed"
    assert view.conflicts == ()


def test_what_was_disputed_about_flow_is_over_once_it_is_seen_on_a_later_day():
    history = a_history(
        fistula("2021-03-02"),
        clotted("2022-01-10", known_by="imaging"),
        looked("2022-02-14", thrill="continuous"),
        looked("2022-03-14", thrill="continuous"),
    )

    assert on("2022-04-01", history).conflicts == ()


def test_a_side_that_two_entries_dispute_is_told_once():
    history = a_history(
        fistula("2023-03-04"),
        angiogram("2025-02-10", lesions=[{"lesion": "L1", "place": "cephalic-vein", "side": "right"}]),
        angiogram("2025-02-11", lesions=[{"lesion": "L1", "place": "cephalic-vein", "side": "right"}]),
    )

    assert len(on("2025-03-04", history).conflicts) == 1


def test_flow_again_without_anything_that_brought_it_back_is_told_in_two_sentences():
    history = a_history(
        fistula("2021-03-02"), clotted("2022-01-10", known_by="imaging"), looked("2022-02-14", thrill="continuous")
    )

    view = on("2022-02-15", history)

    assert view.flow is not None
    assert view.flow.state == "flow-seen"
    (conflict,) = view.conflicts
    assert conflict.about == "flow-back"
    assert "Thrombosed" in conflict.first
    assert "continuous thrill" in conflict.second


def test_a_measured_flow_is_flow():
    history = a_history(fistula("2021-03-02"), measured("2022-02-14", flow_ml_min="812.50"))

    view = on("2022-02-15", history)

    assert view.flow is not None
    assert view.flow.words == "flow seen on 14 February 2022 by measurement"
    assert view.last_measured == "access flow 812.50 mL/min on 14 February 2022"


# --- Readiness ----------------------------------------------------------------------------------------------------


def test_nine_days_after_it_was_made_it_is_healing():
    history = a_history(fistula("2025-01-06"))

    view = on("2025-01-15", history)

    assert view.readiness.state == "healing"
    assert view.readiness.words == "healing, 9 days since it was made"


def test_patent_is_not_mature():
    history = a_history(fistula("2025-01-06"), looked("2025-02-10", thrill="continuous"))

    view = on("2025-02-17", history)

    assert view.readiness.state == "maturing"
    assert view.readiness.words == "maturing, not judged yet, 42 days since it was made"


def test_help_before_the_first_needle_makes_it_aided():
    history = a_history(fistula("2025-01-06"), ballooned("2025-02-20", "L1", "juxta-anastomotic"))

    view = on("2025-03-01", history)

    assert view.readiness.words == (
        "maturing, aided (angioplasty on 20 February 2025), not judged yet, 54 days since it was made"
    )


def test_mature_is_not_used_and_tells_by_which_rule_it_was_judged():
    history = a_history(fistula("2025-01-06"), judged("2025-02-24", "ready", rule="unit-rule-2"))

    view = on("2025-03-01", history)

    assert view.readiness.state == "judged-ready"
    assert view.readiness.words == "judged ready on 24 February 2025 (rule: unit-rule-2, recorded by N1)"
    assert view.use.words == "use unknown"


def test_a_judgement_without_a_rule_says_so():
    history = a_history(fistula("2025-01-06"), judged("2025-02-24", "ready"))

    view = on("2025-03-01", history)

    assert "rule not recorded" in view.readiness.words


def test_not_ready_and_later_ready():
    history = a_history(
        fistula("2025-01-06"), judged("2025-02-24", "not-ready"), judged("2025-04-07", "ready", rule="unit-rule-2")
    )

    assert on("2025-03-01", history).readiness.state == "judged-ready"
    assert on("2025-03-01", history.seen(as_of=date(2025, 3, 1))).readiness.state == "not-ready"


def test_the_first_needle_does_not_prove_the_access():
    history = a_history(
        fistula("2025-01-06"), judged("2025-02-24", "ready"), first_needled("2025-03-03", needles=2, gauge=17)
    )

    view = on("2025-03-04", history)

    assert view.readiness.state == "being-tried"
    assert view.readiness.words == "being tried since 3 March 2025, not proven by a rule yet"


def test_a_month_with_two_needles_proves_it_by_a_named_rule():
    history = a_history(fistula("2025-01-06"), first_needled("2025-03-03", needles=1), used("2025-04"))

    view = on("2025-05-02", history)

    assert view.is_proven
    assert view.readiness.words == "proven by use in April 2025 (rule: recorded-as-used)"


def test_it_was_proven_by_whichever_rule_it_met_first():
    first = date(2025, 3, 3)
    days = [first + timedelta(days=days) for days in (0, 2, 4, 7, 9, 11, 14, 16, 18, 21, 23, 25)]
    sessions = [session(day.isoformat(), needles=2, blood_flow_ml_min={"value": "300"}) for day in days]
    history = a_history(fistula("2024-01-08"), used("2024-06"), *sessions)

    view = on("2025-04-07", history)

    assert view.readiness.words == "proven by use in June 2024 (rule: recorded-as-used)"


def test_three_days_with_one_needle_and_a_line_prove_nothing():
    history = a_history(
        fistula("2025-01-06"),
        *(used(day, "one-needle-and-line") for day in ("2025-03-03", "2025-03-05", "2025-03-07")),
    )

    view = on("2025-03-08", history)

    assert view.readiness.state == "being-tried"
    assert view.use.state == "partly"


def test_it_never_became_usable_when_it_was_given_up_for_not_maturing():
    history = a_history(
        fistula("2025-01-06"), judged("2025-03-10", "not-ready"), given_up("2025-06-02", reason="not-matured")
    )

    view = on("2025-07-01", history)

    assert view.readiness.state == "never-usable"
    assert view.readiness.words == "never became usable, said on 2 June 2025"


def test_what_was_proven_stays_proven_when_it_is_given_up():
    history = a_history(fistula("2021-01-06"), used("2021-04"), given_up("2025-06-02", reason="thrombosis"))

    view = on("2025-07-01", history)

    assert view.is_proven


def test_of_two_stages_the_days_count_from_the_second_as_well():
    history = a_history(
        fistula("2025-01-06", outflow="basilic", stage="first"), second_stage("2025-03-03", outflow="basilic")
    )

    view = on("2025-03-12", history)

    assert view.readiness.words == "healing, 9 days since the second stage"
    assert view.age == ("9 weeks old (made on 6 January 2025), second stage 9 days ago (on 3 March 2025)")


def test_a_second_stage_whose_first_was_made_elsewhere_leaves_the_first_unknown():
    history = a_history(second_stage("2025-03-03"))

    view = on("2025-03-31", history)

    assert view.opened is None
    assert view.age.startswith("age not recorded, second stage")
    assert view.readiness.state == "maturing"


def test_early_cannulation_material_is_named_beside_its_first_days():
    history = a_history(graft("2025-03-03", material="early-cannulation-ptfe"), first_needled("2025-03-05", GRAFT))

    before = on("2025-03-04", history.seen(as_of=date(2025, 3, 4)), GRAFT)
    after = on("2025-03-06", history, GRAFT)

    assert before.readiness.words == "healing, 1 day since it was made; early-cannulation material"
    assert after.readiness.state == "being-tried"
    assert after.conflicts == ()
    assert after.doubts == 0


def test_an_old_access_that_nobody_judged_is_not_called_maturing():
    history = a_history(fistula("2012"))

    view = on("2025-03-04", history)

    assert view.readiness.words == "readiness not recorded"


def test_the_rules_of_use_are_told_side_by_side_from_the_raw_sessions():
    # Twelve sessions in four weeks, nine with two needles at 300 mL/min: nine of twelve is exactly three quarters,
    # more than two thirds, and more than eight. Rules as in PMC6475715 table 3, PMC4943222, and KDOQI 2019 as quoted.
    first = date(2025, 3, 3)
    days = [first + timedelta(days=days) for days in (0, 2, 4, 7, 9, 11, 14, 16, 18, 21, 23, 25)]
    sessions = [
        session(day.isoformat(), needles=1 if place < 3 else 2, blood_flow_ml_min={"value": "300"})
        for place, day in enumerate(days)
    ]
    history = a_history(fistula("2025-01-06"), *sessions)
    folds = fold_of(history)

    proofs = proofs_of(folds.accesses[FISTULA], dialyses_of(folds, history.zone), date(2025, 1, 6))

    assert {name: one.happened if one else None for name, one in proofs.items()} == {
        "two-thirds-of-four-weeks": "2025-03-28",
        "three-quarters-of-four-weeks": "2025-03-28",
        "eight-of-twelve": "2025-03-26",
        "recorded-as-used": "2025-03-14",
    }
    assert list(proofs) == list(RULES)


def test_eight_of_twelve_with_two_needles_is_exactly_two_thirds_and_not_more():
    first = date(2025, 3, 3)
    days = [first + timedelta(days=days) for days in (0, 2, 4, 7, 9, 11, 14, 16, 18, 21, 23, 25)]
    sessions = [session(day.isoformat(), needles=2 if place > 3 else 1) for place, day in enumerate(days)]
    history = a_history(fistula("2025-01-06"), *sessions)
    folds = fold_of(history)

    proofs = proofs_of(folds.accesses[FISTULA], dialyses_of(folds, history.zone), date(2025, 1, 6))

    assert proofs["two-thirds-of-four-weeks"] is None
    assert proofs["three-quarters-of-four-weeks"] is None
    assert proofs["eight-of-twelve"] is None  # no blood flow of 300 mL/min was recorded


# --- Use ----------------------------------------------------------------------------------------------------------


def test_no_data_is_use_unknown_and_never_not_in_use():
    history = a_history(fistula("2021-01-06"), looked("2025-01-06", thrill="continuous"))

    view = on("2025-03-04", history)

    assert view.use.state == "use-unknown"
    assert "not in use" not in view.sentence


def test_in_use_is_told_with_the_day_of_the_last_use_known():
    history = a_history(fistula("2021-01-06"), used("2025-02-28"))

    view = on("2025-03-04", history)

    assert view.use.words == "in use with two needles, last use known on 28 February 2025"


def test_rested_until_a_day_and_visibly_over_after_it():
    history = a_history(fistula("2024-01-06"), used("2025-02-24"), instructed("2025-02-26", "rest", until="2025-03-12"))

    resting = on("2025-03-01", history)
    over = on("2025-03-14", history)

    assert resting.use.words == (
        "resting since 26 February 2025 until 12 March 2025; last use known on 24 February 2025"
    )
    assert over.use.state == "in-use"
    assert [(one.state, one.ending) for one in over.instructions] == [("ended", "was said until 12 March 2025")]


def test_rest_that_was_needled_through_says_so():
    history = a_history(fistula("2024-01-06"), instructed("2025-02-26", "rest"), used("2025-03-03"))

    view = on("2025-03-04", history)

    (instruction,) = view.instructions
    assert instruction.state == "overtaken"
    assert instruction.ending == "needled since, on 3 March 2025"


def test_kept_in_reserve_is_a_decision_and_not_a_guess():
    history = a_history(
        fistula("2020-01-06"), used("2021-02"), decided("2023-05-02", "kept-in-reserve", access=FISTULA)
    )

    view = on("2025-03-04", history)

    assert view.use.words == "kept in reserve, decided on 2 May 2023; last use known in February 2021"


def test_not_used_is_told_with_its_reason_unknown():
    history = a_history(fistula("2020-01-06"), used("2025-01"), used("2025-02-03", "not-used"))

    view = on("2025-03-04", history)

    assert view.use.words == "not used on 3 February 2025, reason unknown; last use known in January 2025"


def test_used_and_not_used_on_one_day_are_told_in_two_sentences():
    history = a_history(fistula("2020-01-06"), used("2025-02-03"), used("2025-02-03", "not-used"))

    view = on("2025-03-04", history)

    assert view.use.state == "told-both-ways"
    (conflict,) = view.conflicts
    assert {conflict.first, conflict.second} == {
        "On 3 February 2025: Used with two needles.",
        "On 3 February 2025: Not used; reason not recorded.",
    }


# --- Standing -----------------------------------------------------------------------------------------------------


def test_given_up_and_taken_up_again_keeps_both_days():
    history = a_history(fistula("2020-01-06"), given_up("2023-05-02", reason="stenosis"), taken_up("2024-02-05"))

    view = on("2025-03-04", history)

    assert view.standing.state == "taken-up-again"
    assert view.standing.words == "given up on 2 May 2023, taken up again on 5 February 2024"
    assert view.is_open


def test_used_after_it_was_given_up_without_being_taken_up_is_told_in_two_sentences():
    history = a_history(fistula("2020-01-06"), given_up("2023-05-02"), used("2023-06-05"))

    view = on("2025-03-04", history)

    assert view.standing.state == "given-up"
    (conflict,) = view.conflicts
    assert conflict.about == "standing"


def test_the_end_of_follow_up_belongs_to_the_patient_and_not_to_the_access():
    history = a_history(fistula("2020-01-06"), happening("follow-up-ended", "2024-10-30", reason="transplant"))

    view = on("2025-03-04", history)

    assert view.standing.state == "kept"


# --- Findings -----------------------------------------------------------------------------------------------------


def test_findings_stay_open_with_their_day_until_something_closes_them():
    history = a_history(
        fistula("2024-01-06"),
        looked("2025-01-06", thrill="weak", swelling=True),
        looked("2025-02-03", thrill="weak"),
        referred("2025-02-04", why=["weak-thrill"]),
    )

    view = on("2025-03-04", history)

    assert view.findings_words == (
        "findings open since 6 January 2025: weak thrill and swelling; referred on 4 February 2025"
    )


def test_a_later_look_closes_only_what_it_looked_at():
    history = a_history(
        fistula("2024-01-06"), looked("2025-01-06", thrill="weak", swelling=True), looked("2025-02-03", swelling=False)
    )

    view = on("2025-03-04", history)

    assert view.findings_words == "findings open since 6 January 2025: weak thrill; not referred"


def test_the_report_of_a_treatment_answers_the_thrill_but_not_the_cold_hand():
    history = a_history(
        fistula("2024-01-06"),
        looked("2025-01-06", thrill="weak", hand=["cold"]),
        visited("2025-01-20", "V1", reasons=["weak-thrill"]),
        ballooned("2025-01-20", "L1", "outflow-vein", visit="V1"),
    )

    view = on("2025-03-04", history)

    assert view.findings_words == "findings open since 6 January 2025: cold hand; not referred"


def test_a_visit_that_was_given_up_answers_nothing():
    history = a_history(
        fistula("2024-01-06"),
        looked("2025-01-06", swelling=True),
        visited("2025-01-20", "V1", outcome="given-up", reasons=["swelling"]),
    )

    view = on("2025-03-04", history)

    assert "swelling" in view.findings_words


def test_banding_answers_the_steal_that_asked_for_it():
    history = a_history(
        fistula("2024-01-06"),
        went_wrong("2025-01-06", "steal"),
        happening("banding", "2025-02-03", access=FISTULA, reason="steal"),
    )

    assert on("2025-01-07", history.seen(as_of=date(2025, 1, 7))).findings_words == (
        "findings open since 6 January 2025: steal; not referred"
    )
    assert on("2025-03-04", history).findings == ()


def test_an_infiltration_is_over_when_a_needle_goes_in_without_trouble():
    history = a_history(
        fistula("2024-01-06"),
        session("2025-02-03", needles=2, trouble="infiltration"),
        session("2025-02-17", needles=2, trouble="none"),
    )

    assert "infiltration" in on("2025-02-04", history.seen(as_of=date(2025, 2, 4))).findings_words
    assert on("2025-03-04", history).findings == ()


def test_a_referral_before_the_finding_does_not_answer_it():
    history = a_history(fistula("2024-01-06"), referred("2024-06-03"), looked("2025-01-06", thrill="weak"))

    view = on("2025-03-04", history)

    assert view.findings_words == "findings open since 6 January 2025: weak thrill; not referred"


# --- Lesions, stents, needle zones, instructions -------------------------------------------------------------------


def test_the_same_lesion_for_the_fourth_time_with_its_intervals():
    history = a_history(
        fistula("2023-01-06"),
        ballooned("2024-01-10", "L1", "cephalic-arch"),
        ballooned("2024-08-07", "L1", "cephalic-arch"),
        ballooned("2024-12-05", "L1", "cephalic-arch"),
        ballooned("2025-02-07", "L1", "cephalic-arch", residual="30"),
    )

    (lesion,) = on("2025-03-04", history).lesions

    assert lesion.times == 4
    assert lesion.intervals == (210, 120, 64)
    assert lesion.words == (
        "cephalic arch: the same lesion for the 4th time, intervals 210, 120, 64 days; "
        "last on 7 February 2025 (balloon), residual 30 %"
    )


def test_balloon_and_stent_of_one_visit_are_one_treatment_of_the_lesion():
    history = a_history(
        fistula("2023-01-06"),
        ballooned("2025-02-07", "L1", "cephalic-arch", visit="V4"),
        stented("2025-02-07", visit="V4", lesion="L1", place="cephalic-arch", covered=True),
    )

    (lesion,) = on("2025-03-04", history).lesions

    assert lesion.times == 1
    assert lesion.treatments[0].what == "balloon and stent"


def test_an_interval_between_a_month_and_a_day_is_not_made_up():
    history = a_history(
        fistula("2023-01-06"),
        ballooned("2024-03", "L1", "cephalic-arch"),
        ballooned("2025-02-07", "L1", "cephalic-arch"),
    )

    (lesion,) = on("2025-03-04", history).lesions

    assert lesion.intervals == (None,)
    assert "interval not known to the day" in lesion.words


def test_two_places_are_two_lesions():
    history = a_history(
        fistula("2023-01-06"),
        ballooned("2024-08-07", "L1", "cephalic-arch"),
        ballooned("2025-02-07", "L2", "juxta-anastomotic"),
    )

    lesions = on("2025-03-04", history).lesions

    assert [lesion.times for lesion in lesions] == [1, 1]


def test_a_stent_across_a_needle_zone_is_where_not_to_needle():
    history = a_history(
        fistula("2023-01-06"),
        stented("2025-02-07", place="cephalic-vein", covered=True, across_needle_zone=True),
        stented("2025-02-08", place="subclavian-vein", covered=False),
    )

    view = on("2025-03-04", history)

    assert view.not_to_needle == ("covered stent, in the cephalic vein, across a needle zone (7 February 2025)",)
    assert len(view.stents) == 2


def test_a_stent_of_which_nobody_said_where_it_lies_may_be_where_a_needle_goes():
    history = a_history(fistula("2023-01-06"), stented("2025-02-07"))

    view = on("2025-03-04", history)

    (where,) = view.not_to_needle
    assert where == (
        "stent, covered or bare not recorded, place not recorded, whether across a needle zone not recorded "
        "(7 February 2025)"
    )


def test_thin_skin_is_where_not_to_needle():
    history = a_history(fistula("2023-01-06"), looked("2025-02-07", skin=["thin"]))

    view = on("2025-03-04", history)

    assert view.not_to_needle == ("thin skin (since 7 February 2025)",)


def test_the_direction_of_flow_is_told_or_said_to_be_unknown():
    told = a_history(graft("2024-01-06", arterial_limb="medial"))
    untold = a_history(graft("2024-01-06"))

    assert on("2025-03-04", told, GRAFT).direction == "loop, arterial limb medial"
    assert on("2025-03-04", untold, GRAFT).direction == "loop, limb side not recorded"


def test_sutures_are_due_then_past_due_until_somebody_says_that_they_are_out():
    history = a_history(fistula("2023-01-06"), instructed("2025-02-07", "sutures", sutures=1, due="2025-02-10"))
    out = a_history(
        fistula("2023-01-06"),
        instructed("2025-02-07", "sutures", sutures=1, due="2025-02-10"),
        instructed("2025-02-12", "sutures", sutures=0),
    )

    assert [one.state for one in on("2025-02-09", history).instructions] == ["in-force"]
    assert [one.state for one in on("2025-02-11", history).instructions] == ["past-due"]
    assert [one.state for one in on("2025-02-13", out).instructions] == ["replaced", "answered"]


def test_sutures_do_not_come_out_by_a_day_that_passes():
    history = a_history(fistula("2023-01-06"), instructed("2025-02-07", "sutures", sutures=1, until="2025-02-10"))

    (instruction,) = on("2025-02-20", history).instructions

    assert instruction.state == "past-due"


def test_what_had_ended_by_itself_is_not_said_to_have_been_replaced_later():
    history = a_history(
        fistula("2023-01-06"),
        instructed("2025-02-07", "rest", until="2025-02-14"),
        instructed("2025-06-02", "rest", until="2025-06-09"),
    )

    first, _ = on("2025-06-03", history).instructions

    assert (first.state, first.ended_on) == ("ended", "2025-02-14")


def test_not_over_the_stent_holds_until_a_report_names_that_place_again():
    history = a_history(
        fistula("2023-01-06"),
        instructed("2025-02-07", "not-to-be-needled", place="cephalic-arch", visit="V1"),
        used("2025-02-10"),
        instructed("2025-06-02", "may-be-used", visit="V2"),
    )

    first, _ = on("2025-07-01", history).instructions

    assert first.state == "in-force"


def test_an_instruction_that_begins_later_waits():
    history = a_history(
        fistula("2023-01-06"), instructed("2025-02-07", "may-be-used", from_day="2025-02-21", gauge=17, needles=1)
    )

    (instruction,) = on("2025-02-10", history).instructions

    assert instruction.state == "waits"
    assert instruction.words == "the report says it may be used, from 21 February 2025, 1 needle, 17 gauge"


# --- Catheters ----------------------------------------------------------------------------------------------------


def test_a_catheter_is_in_and_used():
    history = a_history(line("2025-01-06"), used("2025-03-03", "catheter", LINE))

    view = on("2025-03-04", history, LINE)

    assert view.catheter == "in and used, last on 3 March 2025"
    assert view.days_in_body == 57
    assert view.flow is None
    assert view.sentence.startswith("RIGHT internal jugular tunnelled catheter: placed on 6 January 2025, 57 days")


def test_a_catheter_that_stays_beside_a_proven_access():
    history = a_history(
        line("2024-09-02"),
        fistula("2024-10-07", outflow="basilic", stage="first"),
        second_stage("2024-12-02"),
        used("2025-01-20", "catheter", LINE),
        used("2025-02"),
    )

    view = on("2025-03-04", history, LINE)

    assert view.beside_proven == (
        "catheter still in beside a proven access (LEFT upper-arm fistula (brachiobasilic), proven in February 2025)"
    )
    assert view.catheter == "in and not recorded as used since 20 January 2025"


def test_a_catheter_that_another_access_was_used_without_says_which():
    history = a_history(
        line("2024-09-02"), fistula("2024-10-07"), used("2025-01-20", "catheter", LINE), used("2025-02-03")
    )

    assert on("2025-03-04", history, LINE).catheter == (
        "in and not recorded as used since 20 January 2025; LEFT upper-arm fistula (brachiocephalic) used "
        "on 3 February 2025 without it"
    )


def test_a_catheter_beside_a_clotted_access_is_not_called_beside_a_proven_one():
    history = a_history(
        line("2024-09-02"), fistula("2023-10-07"), used("2024-02"), clotted("2025-02-03", known_by="imaging")
    )

    assert on("2025-03-04", history, LINE).beside_proven is None


def test_one_needle_and_a_line_is_partly_used():
    history = a_history(line("2024-09-02"), fistula("2024-10-07"), used("2025-02-03", "one-needle-and-line"))

    view = on("2025-03-04", history)

    assert view.use.words == "partly used, one needle and a catheter line, last on 3 February 2025"
    assert on("2025-03-04", history, LINE).beside_proven is None


def test_poor_flow_stays_open_until_the_dwell_brings_it_back():
    history = a_history(line("2024-09-02"), trouble("2025-02-03", "poor-flow"), trouble("2025-02-05", "lytic-dwell"))
    back = a_history(
        line("2024-09-02"),
        trouble("2025-02-03", "poor-flow"),
        trouble("2025-02-05", "lytic-dwell", resolved=True),
    )

    assert on("2025-03-04", history, LINE).catheter == (
        "in, trouble open since 3 February 2025: lytic dwell and poor flow"
    )
    assert on("2025-03-04", back, LINE).findings == ()


def test_exchanged_over_a_wire_in_the_same_tunnel_goes_on_as_the_same_access():
    history = a_history(
        line("2024-09-02"),
        trouble("2025-02-03", "poor-flow"),
        exchanged("2025-02-05", form="over-wire-same-tunnel", reason="poor-flow"),
    )

    view = on("2025-03-04", history, LINE)

    assert view.catheter == ("exchanged on 5 February 2025 over a wire in the same tunnel (poor flow); in, use unknown")
    assert view.days_in_body == 183
    assert view.days_of_device == 27
    assert view.findings == ()


def test_exchanged_over_a_wire_with_a_new_exit():
    history = a_history(line("2024-09-02"), exchanged("2025-02-05", form="over-wire-new-exit"))

    view = on("2025-03-04", history, LINE)

    assert "exchanged on 5 February 2025 over a wire with a new exit" in (view.catheter or "")


def test_out_and_back_later_tells_the_days_without():
    history = a_history(line("2024-09-02"), exchanged("2025-02-05", form="out-and-back", days_without=3))

    view = on("2025-03-04", history, LINE)

    assert "out and back later, 3 days without" in (view.catheter or "")
    assert view.in_body


def test_exchanged_into_a_new_vein_moves_its_name_and_is_no_conflict():
    history = a_history(
        line("2024-09-02"), exchanged("2025-02-05", form="new-vein", vein="internal-jugular", side="left")
    )

    view = on("2025-03-04", history, LINE)

    assert view.name == "LEFT internal jugular tunnelled catheter"
    assert view.conflicts == ()


def test_an_exchange_in_one_tunnel_cannot_change_sides():
    history = a_history(line("2024-09-02"), exchanged("2025-02-05", form="over-wire-same-tunnel", side="left"))

    view = on("2025-03-04", history, LINE)

    assert [conflict.about for conflict in view.conflicts] == ["side"]


def test_converted_from_non_tunnelled_to_tunnelled():
    history = a_history(
        line("2025-01-06", kind="nontunnelled-catheter"),
        exchanged("2025-01-13", to_kind="tunnelled-catheter", reason="conversion-to-tunnelled"),
    )

    view = on("2025-03-04", history, LINE)

    assert view.name == "RIGHT internal jugular tunnelled catheter"


def test_a_catheter_that_was_removed_is_out():
    history = a_history(line("2025-01-06"), removed("2025-02-03", reason="no-longer-needed"))

    view = on("2025-03-04", history, LINE)

    assert view.sentence == (
        "RIGHT internal jugular tunnelled catheter: removed on 3 February 2025 (no longer needed)."
    )
    assert view.days_in_body is None
    assert view.standing.state == "ended"


def test_a_catheter_that_fell_out_is_out_without_anybody_removing_it():
    history = a_history(line("2025-01-06"), trouble("2025-02-03", "fell-out"))

    view = on("2025-03-04", history, LINE)

    assert view.body.state == "fell-out"
    assert not view.is_open


def test_a_catheter_used_after_it_was_out_is_told_in_two_sentences():
    history = a_history(line("2025-01-06"), removed("2025-02-03"), used("2025-02-10", "catheter", LINE))

    view = on("2025-03-04", history, LINE)

    (conflict,) = view.conflicts
    assert conflict.first == "On 3 February 2025: Catheter removed."
    assert conflict.second == "On 10 February 2025: Used by the catheter."


def test_a_removal_of_which_only_the_month_is_known_does_not_contradict_a_use_in_that_month():
    history = a_history(line("2025-01-06"), removed("2025-02"), used("2025-02-10", "catheter", LINE))

    assert on("2025-03-04", history, LINE).conflicts == ()


def test_a_bloodstream_infection_stays_open_until_a_clearance_culture():
    history = a_history(
        line("2025-01-06"),
        cultured("2025-02-03", specimen="catheter-hub", positive=True, organism="staphylococcus-aureus"),
        infected("2025-02-03", "bloodstream", catheter_fate="exchanged"),
        exchanged("2025-02-05", reason="infection"),
        cultured("2025-02-20", clearance=True, positive=False, organism="no-growth"),
    )

    before = on("2025-02-10", history.seen(as_of=date(2025, 2, 10)), LINE)
    after = on("2025-03-04", history, LINE)

    assert before.findings_words == (
        "findings open since 3 February 2025: bloodstream infection and positive culture; not referred"
    )
    assert after.findings == ()


# --- Peritoneal catheters -----------------------------------------------------------------------------------------


def test_a_buried_peritoneal_catheter():
    history = a_history(peritoneal("2025-01-06", peritoneal_start="buried"))

    view = on("2025-03-04", history, PERITONEAL)

    assert view.catheter == "buried since 6 January 2025"
    assert view.name == "peritoneal catheter"


def test_a_resting_peritoneal_catheter_and_then_a_used_one():
    history = a_history(
        peritoneal("2025-01-06", peritoneal_start="resting", exit_side="left"),
        used("2025-01-20", "catheter", PERITONEAL),
    )

    assert on("2025-01-10", history.seen(as_of=date(2025, 1, 10)), PERITONEAL).catheter == (
        "in and resting since 6 January 2025"
    )
    assert on("2025-03-04", history, PERITONEAL).catheter == "in and used, last on 20 January 2025"
    assert on("2025-03-04", history, PERITONEAL).name == "peritoneal catheter, exit LEFT"


def test_a_peritoneal_catheter_that_is_in_and_not_used_while_haemodialysis_goes_on():
    history = a_history(
        peritoneal("2024-01-06", peritoneal_start="used"),
        infected("2025-01-06", "peritonitis", PERITONEAL),
        used("2025-01-08", "not-used", PERITONEAL),
        line("2025-01-09"),
        used("2025-01-10", "catheter", LINE),
    )

    view = on("2025-03-04", history, PERITONEAL)

    assert view.catheter == "in and not used on 8 January 2025"
    assert "peritonitis" in view.findings_words


# --- From elsewhere -----------------------------------------------------------------------------------------------


def test_an_access_from_elsewhere_says_what_is_unknown():
    history = a_history(
        known("2025-02-03", GRAFT, access_kind="graft", site="thigh", configuration="loop", side="right")
    )

    view = on("2025-03-04", history, GRAFT)

    assert view.name == "RIGHT thigh loop graft"
    assert view.body.words == "in the body, first met on 3 February 2025; when it was made is not recorded"
    assert view.direction == "loop, limb side not recorded"
    assert view.readiness.words == "readiness not recorded"
    assert view.age == "age not recorded"


def test_the_limb_side_is_known_once_a_report_tells_it():
    history = a_history(
        known("2025-02-03", GRAFT, access_kind="graft", site="thigh", configuration="loop", side="right"),
        known("2025-02-10", GRAFT, arterial_limb="lateral", from_report_only=True),
    )

    assert on("2025-03-04", history, GRAFT).direction == "loop, arterial limb lateral"


def test_an_access_made_in_2016_elsewhere_is_as_old_as_that():
    history = a_history(known("2025-02-03", access_kind="fistula", side="left", created="2016"))

    view = on("2025-03-04", history)

    assert view.opened == "2016"
    assert view.age == "made in 2016"


def test_an_abandonment_long_before_it_was_met_stands():
    history = a_history(
        known("2025-02-03", access_kind="fistula", side="left", created="2009"),
        given_up("2014", how="ligation"),
    )

    view = on("2025-03-04", history)

    assert view.body.state == "ligated"


# --- Conflicts of identity ----------------------------------------------------------------------------------------


def test_two_reports_that_disagree_about_the_side_are_both_told():
    history = a_history(
        fistula("2023-03-04"), known("2025-02-10", side="right", access_kind="fistula", from_report_only=True)
    )

    view = on("2025-03-04", history)

    assert view.name == "upper-arm fistula (brachiocephalic), SIDE UNSETTLED: told as LEFT and as RIGHT"
    (conflict,) = view.conflicts
    assert conflict.first.startswith("On 4 March 2023: Made: LEFT")
    assert conflict.second.startswith("On 10 February 2025: Named in a report: RIGHT")


def test_a_lesion_in_the_other_arm_unsettles_the_side_but_a_central_one_does_not():
    arm = [{"lesion": "L1", "place": "cephalic-vein", "side": "right"}]
    centre = [{"lesion": "L1", "place": "brachiocephalic-vein", "side": "right"}]
    disputed = a_history(fistula("2023-03-04"), angiogram("2025-02-10", lesions=arm))
    agreed = a_history(fistula("2023-03-04"), angiogram("2025-02-10", lesions=centre))

    assert [conflict.about for conflict in on("2025-03-04", disputed).conflicts] == ["side"]
    assert on("2025-03-04", agreed).conflicts == ()


def test_a_fistula_that_another_report_calls_a_graft():
    history = a_history(fistula("2023-03-04"), known("2025-02-10", access_kind="graft"))

    assert [conflict.about for conflict in on("2025-03-04", history).conflicts] == ["kind"]


# --- At the edges of an access ------------------------------------------------------------------------------------


def test_a_grafts_outflow_that_was_made_a_fistula_ties_the_two():
    history = a_history(
        graft("2022-01-10"),
        clotted("2024-05-06", GRAFT, known_by="clot-found"),
        cleared_of_clot("2024-05-06", False, GRAFT),
        given_up("2024-05-13", GRAFT, reason="thrombosis"),
        fistula("2024-06-03", continues_from=GRAFT, outflow="basilic"),
    )

    old, new = on("2024-08-01", history, GRAFT), on("2024-08-01", history)

    assert old.tied_to == ("gone on as LEFT upper-arm fistula (brachiobasilic)",)
    assert new.tied_to == ("begun out of LEFT forearm loop graft",)
    assert old.standing.state == "given-up"
    assert old.is_thrombosed
    assert new.standing.state == "kept"


def test_a_jump_graft_that_continues_the_access_changes_its_vessels_and_not_its_age():
    history = a_history(
        fistula("2022-01-10"),
        happening(
            "revision", "2025-01-10", access=FISTULA, methods=["jump-graft"], outflow="axillary", reason="stenosis"
        ),
    )

    view = on("2025-03-04", history)

    assert view.name == "LEFT upper-arm fistula (brachial-axillary)"
    assert view.opened == "2022-01-10"


# --- Identity -----------------------------------------------------------------------------------------------------


def test_two_accesses_that_turned_out_to_be_one_are_told_as_one():
    history = a_history(
        fistula("2023-03-04"),
        looked("2025-02-10", "A2", thrill="weak"),
        happening("accesses-are-one", "2025-02-17", survivor=FISTULA, other="A2"),
    )

    (view,) = accesses_of(history, date(2025, 3, 4))

    assert view.access == FISTULA
    assert view.findings_words == "findings open since 10 February 2025: weak thrill; not referred"


def test_and_parted_again_by_retracting_the_link():
    history = a_history(
        fistula("2023-03-04"),
        looked("2025-02-10", "A2", thrill="weak"),
        happening("accesses-are-one", "2025-02-17", survivor=FISTULA, other="A2"),
    )

    parted = retracted(history, history.entries[2].id)

    assert [view.access for view in accesses_of(parted, date(2025, 3, 4))] == [FISTULA, "A2"]


def test_one_access_that_turned_out_to_be_two():
    history = a_history(fistula("2023-03-04"), clotted("2025-02-10", known_by="imaging"))
    history = grown(
        history,
        happening("access-split", "2025-02-17", access=FISTULA, part="A2", entries=[history.entries[1].id]),
    )

    assert not on("2025-03-04", history).is_thrombosed
    assert on("2025-03-04", history, "A2").is_thrombosed


def test_two_records_of_one_person_are_read_as_one_history():
    other = a_history(line("2024-09-02"), patient="P0002").entries
    history = replace(
        a_history(fistula("2023-03-04"), happening("patients-are-one", "2025-02-17", other="P0002")),
        merged=(("P0002", other),),
    )

    assert {view.access for view in accesses_of(history, date(2025, 3, 4))} == {FISTULA, LINE}


# --- As of a day, as known on a day -------------------------------------------------------------------------------


def test_what_possibly_happened_by_then_moves_nothing_and_is_told():
    history = a_history(fistula("2021-03-04"), given_up("2024", reason="thrombosis"))

    view = on("2024-06-01", history.seen(as_of=date(2024, 6, 1)))

    assert view.standing.state == "kept"
    assert view.possibly == ("Possibly by then (2024): Given up, left in the body, because of thrombosis.",)


def test_an_access_that_was_possibly_made_by_then_has_a_name_and_no_body_yet():
    history = a_history(fistula("2024"))

    view = on("2024-06-01", history.seen(as_of=date(2024, 6, 1)))

    assert view.name == "LEFT upper-arm fistula (brachiocephalic)"
    assert view.body.state == "not-recorded"
    assert len(view.possibly) == 1


def test_the_five_facts_name_the_entries_that_they_rest_on():
    history = a_history(
        fistula("2024-01-06"),
        looked("2025-01-06", thrill="continuous"),
        used("2025-02-03"),
        judged("2024-03-04", "ready"),
    )
    made, seen, use, ready = (entry.id for entry in history.entries)

    view = on("2025-03-04", history)

    assert view.body.roots == (made,)
    assert view.flow is not None
    assert view.flow.roots == (use,)
    assert view.use.roots == (use,)
    assert view.readiness.roots == (use,)
    assert seen != ready
