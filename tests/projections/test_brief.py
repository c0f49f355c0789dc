"""The brief in the order of the chair, and what stands in each of its sections."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.projections.brief import CAUTIONS, Brief, WaitingReport, brief_of
from ledger.vocabulary import ConfirmedHow
from tests.lives import PATIENT, a_history, an_entry, happening
from tests.projections.telling import (
    FISTULA,
    LINE,
    angiogram,
    ballooned,
    clotted,
    decided,
    fistula,
    given_up,
    graft,
    instructed,
    judged,
    line,
    looked,
    measured,
    session,
    used,
    visited,
    went_wrong,
)


def said(stretch):
    return "the report's own words"


def briefed(history, day: str, patient=PATIENT, **more) -> Brief:
    today = date.fromisoformat(day)
    now = datetime(today.year, today.month, today.day, 6, 30, tzinfo=UTC)
    return brief_of(history, patient, today, now, said, {"N1": "Nurse Invented"}.get, **more)


def told(brief: Brief, key: str) -> list[str]:
    return [line.text for line in brief.section(key).lines]


def test_the_sections_come_in_the_order_of_the_chair():
    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04")

    assert [section.key for section in brief.sections] == [
        "identity",
        "stop",
        "access",
        "look",
        "needle",
        "background",
        "intervention",
        "others",
        "due",
        "recorded",
        "cautions",
    ]


# --- Identity -----------------------------------------------------------------------------------------------------


def test_who_it_is_with_birth_date_and_number():
    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04")

    assert told(brief, "identity") == [
        "Invented Patient, born July 1958, number MRN-0001 (mrn), here P0001, INVENTED PATIENT"
    ]


def test_whoever_is_called_alike_is_warned_of_and_not_named():
    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", same_names=1)

    assert told(brief, "identity")[1] == "Another patient is called alike here: check birth date and number."


def test_of_whoever_is_called_alike_and_born_on_the_same_day_the_birth_date_tells_nothing():
    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", same_names=1, same_births=1)

    assert told(brief, "identity")[1] == (
        "Another patient is called alike here and born on the same day: check the number. It may be one person "
        "recorded twice."
    )


def test_days_in_the_body_end_with_the_death():
    history = a_history(line("2024-03-04"), happening("follow-up-ended", "2024-04-04", reason="death"))

    (access, *_) = told(briefed(history, "2025-03-04"), "access")

    assert access.endswith("placed on 4 March 2024, 31 days in the body.")


def test_days_in_the_body_go_on_after_a_transplant():
    history = a_history(line("2024-03-04"), happening("follow-up-ended", "2024-04-04", reason="transplant"))

    (access, *_) = told(briefed(history, "2025-03-04"), "access")

    assert access.endswith("placed on 4 March 2024, 365 days in the body.")


def test_the_same_doubt_several_times_is_one_line_with_how_often():
    doubts = [Doubt(code="residual-worse", words="More was left than was found.", about=(f"e{n}",)) for n in range(3)]

    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", doubts=doubts)

    (line_of_doubt,) = [one for one in brief.section("due").lines if one.text.startswith("In doubt")]
    assert line_of_doubt.text == "In doubt: More was left than was found (3 times)."
    assert line_of_doubt.roots == ("e0", "e1", "e2")


def test_an_access_that_was_only_given_up_was_not_intervened_upon():
    history = a_history(fistula("2024-03-04"), given_up("2024-05-06"))

    assert not [text for text in told(briefed(history, "2025-03-04"), "intervention") if "iven up" in text]


def test_the_place_of_a_fresh_sheath_hole_is_told_where_it_is_recorded():
    sheath = {"sheath_fr": [{"value": "6"}], "sheath_places": ["cannulation-zone"]}
    history = a_history(fistula("2024-03-04"), visited("2025-03-01", "V1", **sheath))

    assert told(briefed(history, "2025-03-04"), "needle")[0] == (
        "Not here: sheath hole of 1 March 2025 (6 Fr), needle zone."
    )


def test_the_length_of_the_last_needles_is_told():
    history = a_history(
        fistula("2024-03-04"), session("2025-03-03", needles=2, gauge=15, needle_length_mm={"value": "32"})
    )

    assert told(briefed(history, "2025-03-04"), "needle")[0] == (
        "Last needles on 3 March 2025: 2 needles, 15 gauge, 32 mm long."
    )


def test_an_erased_identity_is_said_to_be_erased():
    erased = replace(PATIENT, name=None, birth_date=None, identifiers=(), erased=True)

    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", patient=erased)

    assert told(brief, "identity")[0].startswith("Patient P0001: identity erased or not held here")


def test_the_end_of_follow_up_stands_under_the_name():
    history = a_history(fistula("2024-03-04"), happening("follow-up-ended", "2025-01-06", reason="transplant"))

    assert "Follow-up ended on 6 January 2025: transplant." in told(briefed(history, "2025-03-04"), "identity")


# --- Stop ---------------------------------------------------------------------------------------------------------


def test_a_report_that_waits_is_told_and_nothing_of_what_it_says():
    waiting = [WaitingReport(report="r-1", happened=PartialDate("2025-03-03"))]

    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", waiting_reports=waiting)

    assert told(brief, "stop") == ["The report of 3 March 2025 has not been confirmed."]


def test_several_reports_that_wait_take_one_line():
    waiting = [
        WaitingReport(report="r-1", happened=PartialDate("2025-03-03")),
        WaitingReport(report="r-2", happened=PartialDate("2025-02")),
        WaitingReport(report="r-3"),
    ]

    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04", waiting_reports=waiting)

    assert told(brief, "stop") == [
        "3 reports have not been confirmed: of 3 March 2025, of February 2025 and without a date."
    ]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (looked("2025-03-03", thrill="absent"), "no thrill found"),
        (looked("2025-03-03", hand=["numb"]), "numb hand"),
        (looked("2025-03-03", skin=["ulcer"]), "ulcer over the access"),
        (went_wrong("2025-03-03", "bleeding"), "bleeding"),
        (went_wrong("2025-03-03", "ischaemic-neuropathy"), "ischaemic neuropathy"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_local_pathways_call_urgent_is_called_urgent_by_local_pathway(event, words):
    brief = briefed(a_history(fistula("2024-03-04"), event), "2025-03-04")

    assert told(brief, "stop") == [f"Urgent, by local pathway: {words}, open since 3 March 2025 (LEFT fistula)."]


def test_one_cold_hand_is_not_called_steal():
    brief = briefed(a_history(fistula("2024-03-04"), looked("2025-03-03", hand=["cold"])), "2025-03-04")

    assert "steal" not in " ".join(brief.lines()).lower()


def test_a_thrombosed_access_in_keeping_stops_and_one_that_was_given_up_does_not():
    kept = a_history(fistula("2024-03-04"), clotted("2025-03-03", known_by="imaging"))
    gone = a_history(
        fistula("2024-03-04"), clotted("2025-02-03", known_by="imaging"), given_up("2025-02-10", reason="thrombosis")
    )

    assert told(briefed(kept, "2025-03-04"), "stop") == ["Thrombosed on 3 March 2025 (imaging) (LEFT fistula)."]
    assert told(briefed(gone, "2025-03-04"), "stop") == []


def test_an_instruction_in_force_stops_and_its_end_is_shown_for_two_weeks():
    history = a_history(
        fistula("2024-03-04"), instructed("2025-02-24", "dialyse-by-catheter", until="2025-03-10"), line("2025-01-06")
    )

    assert told(briefed(history, "2025-03-04"), "stop") == [
        "Report of 24 February 2025: dialyse by the catheter, until 10 March 2025 (LEFT fistula)."
    ]
    assert told(briefed(history, "2025-03-12"), "stop") == [
        (
            "Ended 10 March 2025 (was said until 10 March 2025): dialyse by the catheter, until 10 March 2025 "
            "(LEFT fistula)."
        ),
    ]
    assert told(briefed(history, "2025-04-12"), "stop") == []


def test_while_the_report_says_to_dialyse_by_the_catheter_the_catheter_is_the_access_to_use():
    history = a_history(
        line("2025-01-06"),
        used("2025-02-03", "catheter", LINE),
        fistula("2024-03-04"),
        used("2025-02-21"),
        instructed("2025-02-24", "dialyse-by-catheter", until="2025-03-10"),
    )

    assert told(briefed(history, "2025-03-04"), "access")[0].startswith("RIGHT internal jugular tunnelled catheter")
    assert told(briefed(history, "2025-03-12"), "access")[0].startswith("LEFT upper-arm fistula")


def test_an_appointment_that_was_kept_without_a_report_stops():
    history = a_history(
        fistula("2024-03-04"),
        happening("appointment", "2025-03-03", access=FISTULA, state="attended", on="2025-03-03", centre="C1"),
    )

    assert told(briefed(history, "2025-03-04"), "stop") == ["Appointment at C1 3 March 2025 kept, no report in."]


def test_a_doubt_about_the_arm_stops_and_one_about_a_date_is_due():
    history = a_history(fistula("2024-03-04"))
    doubts = [
        Doubt(code="side-disagrees", words="Two entries disagree about the side of A1.", access="A1"),
        Doubt(code="visit-on-two-days", words="Entries of one visit happened on different days.", access="A1"),
    ]

    brief = briefed(history, "2025-03-04", doubts=doubts)

    assert told(brief, "stop") == ["In doubt: Two entries disagree about the side of the LEFT fistula."]
    assert "In doubt: Entries of one visit happened on different days." in told(brief, "due")


def test_back_from_hospital_and_not_looked_at_since():
    history = a_history(fistula("2024-03-04"), happening("hospital-stay", "2025-02-24", until="2025-03-03"))
    seen = a_history(
        fistula("2024-03-04"),
        happening("hospital-stay", "2025-02-24", until="2025-03-03"),
        looked("2025-03-04", thrill="continuous"),
    )

    assert told(briefed(history, "2025-03-04"), "stop") == [
        "Back from hospital on 3 March 2025: no look at an access recorded since."
    ]
    assert told(briefed(seen, "2025-03-04"), "stop") == []


# --- The access, the look, the needle -----------------------------------------------------------------------------


def test_the_access_is_told_with_side_age_and_direction_before_anything_else():
    history = a_history(graft("2024-03-04", FISTULA, arterial_limb="medial", material="ptfe"), used("2025-03-03"))

    assert told(briefed(history, "2025-03-04"), "access") == [
        "LEFT forearm loop graft: 12 months old (made on 4 March 2024); PTFE; loop, arterial limb medial.",
        (
            "Flow seen on 3 March 2025 by two needles; being tried since 3 March 2025, not proven by a rule yet; "
            "in use with two needles, last use known on 3 March 2025."
        ),
    ]


def test_no_access_recorded_is_not_no_access():
    brief = briefed(a_history(happening("care-began", "2025-01-06")), "2025-03-04")

    assert told(brief, "access") == ["No access is recorded. Not recorded is not the same as not present."]


def test_of_two_of_which_nobody_said_which_is_used_the_judged_one_is_told_and_that_it_is_not_known():
    history = a_history(
        fistula("2024-03-04"), judged("2024-06-03", "ready", rule="unit-rule-2"), fistula("2025-02-03", "A2")
    )

    first, second, *_ = told(briefed(history, "2025-03-04"), "access")

    assert first.startswith("LEFT upper-arm fistula (brachiocephalic): 12 months old")
    assert second == "Which access is in use is not recorded."


def test_a_catheter_comes_before_a_fistula_that_nobody_judged_yet():
    history = a_history(line("2025-01-06"), fistula("2025-02-03"))

    assert told(briefed(history, "2025-03-04"), "access")[0].startswith("RIGHT internal jugular")


def test_the_last_look_says_what_was_found_and_who_recorded_it():
    history = a_history(
        fistula("2024-03-04"),
        looked("2025-03-03", thrill="continuous", bruit="low-pitched-continuous"),
        measured("2025-02-03", flow_ml_min="812.50"),
    )

    assert told(briefed(history, "2025-03-04"), "look") == [
        "3 March 2025: continuous thrill, low-pitched continuous bruit (recorded by Nurse Invented)",
        "Last measured: access flow 812.50 mL/min on 3 February 2025.",
    ]


def test_the_needle_facts_are_those_of_the_last_session():
    history = a_history(
        fistula("2024-03-04"),
        session(
            "2025-03-03",
            needles=2,
            gauge=16,
            technique="rope-ladder",
            arterial_site_cm={"value": "6"},
            venous_site_cm={"value": "12.5"},
            arterial_needle_retrograde=True,
            blood_flow_ml_min={"value": "350"},
            arterial_pressure_mmhg={"value": "-180"},
            venous_pressure_mmhg={"value": "165"},
        ),
    )

    assert told(briefed(history, "2025-03-04"), "needle") == [
        (
            "Last needles on 3 March 2025: 2 needles, 16 gauge, rope-ladder, arterial site 6 cm, venous site 12.5 cm, "
            "arterial needle against the flow, blood flow 350 mL/min, arterial -180 mmHg, venous 165 mmHg."
        ),
    ]


def test_a_fresh_sheath_hole_and_a_new_wound_are_where_not_to_needle_for_two_weeks():
    history = a_history(fistula("2024-03-04"), visited("2025-02-24", "V1", sheath_fr=[{"value": "6"}]))

    assert told(briefed(history, "2025-03-04"), "needle") == [
        "Not here: sheath hole of 24 February 2025 (6 Fr), place not recorded."
    ]
    assert told(briefed(history, "2025-03-24"), "needle") == []


# --- What changes a needle, the last intervention, the others, what is due ----------------------------------------


def test_a_newer_background_of_the_same_kind_replaces_the_older_one():
    history = a_history(
        fistula("2024-03-04"),
        happening("background", "2024-01-08", items=[{"what": "no-known-allergy"}, {"what": "antiplatelet"}]),
        happening("background", "2025-01-06", items=[{"what": "allergy", "allergen": "chlorhexidine"}]),
    )

    assert told(briefed(history, "2025-03-04"), "background") == [
        "Allergy to chlorhexidine (checked 6 January 2025)",
        "Antiplatelet (checked 8 January 2024)",
    ]


def test_what_no_longer_holds_is_not_told():
    history = a_history(
        fistula("2024-03-04"),
        happening("background", "2024-01-08", items=[{"what": "anticoagulant"}, {"what": "no-known-allergy"}]),
        happening("background", "2025-01-06", items=[{"what": "no-known-allergy"}], withdrawn=["anticoagulant"]),
    )

    assert told(briefed(history, "2025-03-04"), "background") == ["No known allergy (checked 6 January 2025)"]


def test_a_background_that_nobody_asked_about_is_said_to_be_missing():
    assert told(briefed(a_history(fistula("2024-03-04")), "2025-03-04"), "background") == ["Allergies not recorded."]


def test_the_last_intervention_tells_what_was_found_done_and_left():
    history = a_history(
        fistula("2023-03-04"),
        visited(
            "2025-02-03", "V1", centre="C1", complications=[{"what": "rupture", "grade": "B", "scale": "sir-letters"}]
        ),
        angiogram(
            "2025-02-03",
            visit="V1",
            central_veins="not-seen",
            lesions=[{"lesion": "L1", "place": "cephalic-arch", "stenosis_percent": {"value": "80"}}],
        ),
        ballooned("2025-02-03", "L1", "cephalic-arch", visit="V1"),
    )

    assert told(briefed(history, "2025-03-04"), "intervention") == [
        (
            "3 February 2025 at C1: Angiogram; 80 % stenosis in the cephalic arch; central veins not seen. "
            "Angioplasty; cephalic arch, residual 20 %."
        ),
        "Complication: rupture, grade B, SIR letters.",
    ]


def test_what_was_confirmed_in_bulk_says_so_where_it_is_told():
    history = a_history(
        an_entry(fistula("2023-03-04"), 1),
        an_entry(ballooned("2025-02-03", "L1", "cephalic-arch"), 2, how=ConfirmedHow.IN_BULK),
    )

    brief = briefed(history, "2025-03-04")

    assert told(brief, "intervention")[0].startswith("3 February 2025, confirmed in bulk: Angioplasty")
    assert "1 entry confirmed in bulk, without reading each." in told(brief, "recorded")[0]


def test_the_other_accesses_in_the_body_are_told_and_those_that_are_out_are_counted():
    history = a_history(
        fistula("2024-03-04"),
        used("2025-03-03"),
        graft("2019-03-04"),
        given_up("2023-01-09", "G1", reason="thrombosis"),
        line("2018-01-08"),
        happening("catheter-removed", "2019-06-03", access=LINE),
    )

    assert told(briefed(history, "2025-03-04"), "others") == [
        (
            "LEFT forearm loop graft: 6 years old (made on 4 March 2019); given up on 9 January 2023, because of "
            "thrombosis; still in the body; thrombosed on 9 January 2023 (the reason for giving it up)."
        ),
        "Out of the body: 1 access, see the history.",
    ]


def test_what_is_due_with_its_day():
    history = a_history(
        fistula("2025-01-06", stage="first"),
        instructed("2025-02-24", "follow-up", due="2025-03-24"),
        instructed("2025-02-24", "sutures", sutures=2, due="2025-03-10"),
        happening("appointment", "2025-03-03", access=FISTULA, state="booked", on="2025-03-17T08:30", centre="C1"),
        decided("2025-01-06", "declines-fistula", by_patient=True, review_on="2025-04-07"),
    )

    assert told(briefed(history, "2025-03-04"), "due") == [
        "Report of 24 February 2025: 2 sutures, due 10 March 2025 (LEFT fistula).",
        "Report of 24 February 2025: follow-up asked for, due 24 March 2025 (LEFT fistula).",
        "Second stage not recorded (LEFT fistula).",
        "Appointment at C1 17 March 2025 at 08:30.",
        "Decision: declines a fistula (by the patient), 6 January 2025, review due 7 April 2025.",
    ]


@pytest.mark.parametrize(
    ("afterwards", "told_then"),
    [
        ([], ["Referred on 3 March 2025 (stenosis): no appointment and no visit recorded since."]),
        ([visited("2025-03-20", "V1")], []),
        (
            [happening("appointment", "2025-03-04", access=FISTULA, state="booked", on="2025-03-24")],
            ["Appointment 24 March 2025."],
        ),
        ([given_up("2025-03-10", how="ligation")], []),
    ],
)
def test_a_referral_is_due_until_something_is_recorded_that_came_of_it(afterwards, told_then):
    sent = happening("referral", "2025-03-03", access=FISTULA, why=["stenosis"])
    history = a_history(fistula("2024-01-08"), sent, *afterwards)

    assert told(briefed(history, "2025-03-21"), "due") == told_then


def test_sutures_past_their_day_move_to_the_top_and_after_a_month_back_to_what_is_due():
    history = a_history(fistula("2024-01-06"), instructed("2025-02-24", "sutures", sutures=2, due="2025-03-03"))
    later = briefed(history, "2025-05-05")

    assert told(briefed(history, "2025-03-04"), "stop") == [
        "Report of 24 February 2025: PAST DUE, never recorded as done: 2 sutures, due 3 March 2025 (LEFT fistula)."
    ]
    assert told(later, "stop") == []
    assert told(later, "due") == [
        "Report of 24 February 2025: PAST DUE, never recorded as done: 2 sutures, due 3 March 2025 (LEFT fistula)."
    ]


# --- Recorded up to, and what a view is ---------------------------------------------------------------------------


def test_recorded_up_to_and_printed_at_in_the_units_own_hours():
    # Berlin is an hour ahead of UTC in March; the entry was recorded at 08:01 UTC.
    brief = briefed(a_history(fistula("2024-03-04")), "2025-03-04")

    assert told(brief, "recorded") == [
        "Recorded facts up to 6 January 2025 09:01; printed 07:30 on 4 March 2025, out of date after this session."
    ]


def test_the_cautions_are_on_every_brief():
    empty = a_history()

    assert told(briefed(empty, "2025-03-04"), "cautions") == list(CAUTIONS)


def test_a_view_as_of_a_day_has_the_ages_of_that_day():
    history = a_history(fistula("2024-03-04"), used("2024-12-02"))

    brief = briefed(history.seen(as_of=date(2024, 6, 3)), "2025-03-04")

    assert told(brief, "identity")[1] == "VIEW AS OF 3 June 2024: what happened later is not shown."
    assert "13 weeks old" in told(brief, "access")[0]
    assert "use unknown" in " ".join(told(brief, "access"))


def test_what_possibly_happened_by_then_is_marked_at_the_top():
    history = a_history(fistula("2021-03-04"), given_up("2024", reason="thrombosis"))

    brief = briefed(history.seen(as_of=date(2024, 6, 3)), "2025-03-04")

    assert "Possibly by then (2024): Given up, left in the body, because of thrombosis." in told(brief, "stop")


def test_the_brief_as_json_names_the_entries_that_each_line_rests_on():
    history = a_history(fistula("2024-03-04"), looked("2025-03-03", thrill="absent"))
    seen = history.entries[1].id

    found = briefed(history, "2025-03-04").to_json()

    stop = next(section for section in found["sections"] if section["key"] == "stop")
    assert found["format"] == 1
    assert stop["lines"][0]["roots"] == [seen]
    assert found["accesses"][0]["flow"]["state"] == "not-found"


def test_an_access_that_was_given_up_is_not_said_to_be_in_use():
    history = a_history(fistula("2020-03-04"), used("2024-09-02"), given_up("2024-10-07"), line("2024-10-08"))

    (others, *_) = told(briefed(history, "2025-03-04"), "others")

    assert "in use" not in others
    (view,) = (one for one in briefed(history, "2025-03-04").accesses if one.access == FISTULA)
    assert view.use.words.startswith("was used with two needles until it was given up")
