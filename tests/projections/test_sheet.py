"""The sheet for whoever intervenes: what is asked in which order, what is blank, and the strip to send back."""

from __future__ import annotations

from datetime import UTC, date, datetime

from ledger.projections.brief import CAUTIONS
from ledger.projections.sheet import BLANKS, Sheet, sheet_of
from tests.lives import PATIENT, a_history, happening
from tests.projections.telling import (
    FISTULA,
    GRAFT,
    LINE,
    angiogram,
    ballooned,
    cleared_of_clot,
    clotted,
    exchanged,
    fistula,
    graft,
    infected,
    line,
    looked,
    measured,
    referred,
    session,
    used,
    visited,
)


def said(stretch):
    return "Is the stenosis back?"


def sheet(history, day: str, **more) -> Sheet:
    today = date.fromisoformat(day)
    now = datetime(today.year, today.month, today.day, 6, 30, tzinfo=UTC)
    return sheet_of(history, PATIENT, today, now, said, {"U1": "Invented Unit"}.get, **more)


def test_the_parts_come_in_the_order_in_which_an_interventionalist_asks():
    made = sheet(a_history(fistula("2024-03-04")), "2025-03-04")

    assert [part.key for part in made.parts] == [
        "identity",
        "why",
        "stop",
        "today",
        "anatomy",
        "interventions",
        "veins",
        "trend",
        "use",
        "doubts",
        "schedule",
        "back",
        "cautions",
    ]


def test_why_sent_how_urgent_the_question_and_the_findings_it_rests_on():
    history = a_history(fistula("2024-03-04"), looked("2025-03-03", thrill="weak"))
    found = history.entries[1].id
    history = a_history(
        fistula("2024-03-04"),
        looked("2025-03-03", thrill="weak"),
        referred(
            "2025-03-04",
            why=["weak-thrill"],
            urgency="within-days",
            findings=[found],
            question={"text": "t-1", "start": 0, "end": 4},
        ),
    )

    assert sheet(history, "2025-03-05").part("why").lines == (
        "Referred on 4 March 2025: weak thrill; how urgent: within days",
        'Question: "Is the stenosis back?"',
        "Rests on: 3 March 2025: Looked at, listened to and felt: weak thrill.",
        "Open since 3 March 2025: weak thrill",
    )


def test_a_referral_that_a_visit_answered_is_not_why_the_patient_is_sent_now():
    history = a_history(fistula("2024-03-04"), referred("2024-09-02", why=["weak-thrill"]), visited("2024-09-09", "V1"))

    assert sheet(history, "2025-03-05").part("why").lines[:2] == (
        "The last referral, on 2 September 2024, was answered by a visit on 9 September 2024.",
        "Why sent: ________________________",
    )


def test_a_cancelled_visit_is_no_answer():
    history = a_history(
        fistula("2024-03-04"),
        referred("2024-09-02", why=["weak-thrill"]),
        visited("2024-09-09", "V1", outcome="cancelled"),
    )

    assert sheet(history, "2025-03-05").part("why").lines[0].startswith("Referred on 2 September 2024")


def test_the_sheet_is_about_the_access_that_was_referred():
    history = a_history(fistula("2024-03-04"), used("2025-03-03"), graft("2019-03-04"), referred("2025-03-04", GRAFT))

    assert sheet(history, "2025-03-05").access == GRAFT
    assert sheet(history, "2025-03-05", access=FISTULA).access == FISTULA


def test_what_stops_is_told_and_what_nobody_asked_about_is_said_to_be_missing():
    history = a_history(
        fistula("2024-03-04"),
        line("2025-01-06"),
        infected("2025-03-03", "bloodstream"),
        happening(
            "background",
            "2025-01-06",
            items=[
                {"what": "allergy", "allergen": "contrast"},
                {"what": "anticoagulant"},
                {"what": "cardiac-lead", "side": "left", "vein": "subclavian"},
            ],
        ),
    )

    assert sheet(history, "2025-03-05").part("stop").lines == (
        "Allergy to contrast (checked 6 January 2025)",
        "Anticoagulant (checked 6 January 2025); last dose: ________________________",
        "Infection: bloodstream infection, open since 3 March 2025",
        "Cardiac lead, LEFT, subclavian vein (checked 6 January 2025)",
        "Sedation risk not recorded.",
    )


def test_the_last_dialysis_is_blank_unless_it_was_today_and_potassium_is_never_an_old_value():
    history = a_history(fistula("2024-03-04"), session("2025-03-03T07:00:00+01:00", needles=2))

    today = sheet(history, "2025-03-03").part("today").lines[0]
    later = sheet(history, "2025-03-04").part("today").lines[0]

    assert today == "Last dialysis: 3 March 2025 at 07:00   Potassium: ________ at ______"
    assert later == "Last dialysis: ________________________   Potassium: ________ at ______"


def test_a_potassium_of_the_day_is_printed_with_its_time_and_an_older_one_never():
    history = a_history(
        fistula("2024-03-04"),
        happening("measurement", "2025-03-03T06:50:00+00:00", access=FISTULA, potassium_mmol_l={"value": "5.1"}),
        happening("measurement", "2025-03-03T09:10:00+00:00", access=FISTULA, potassium_mmol_l={"value": "5.9"}),
    )

    assert sheet(history, "2025-03-03").part("today").lines[0].endswith("Potassium: 5.9 mmol/L at 10:10")
    assert sheet(history, "2025-03-04").part("today").lines[0].endswith("Potassium: ________ at ______")


def test_a_potassium_of_which_only_the_month_is_known_is_not_todays():
    history = a_history(
        fistula("2024-03-04"),
        happening("measurement", "2025-03", access=FISTULA, potassium_mmol_l={"value": "5.1"}),
    )

    assert sheet(history, "2025-03-31").part("today").lines[0].endswith("Potassium: ________ at ______")


def test_the_last_dose_of_an_anticoagulant_is_printed_if_it_was_asked_today_and_is_a_blank_beside_an_older_one():
    def told(day: str):
        items = [{"what": "anticoagulant", "last_dose": "2025-03-02T20:00"}]
        return a_history(fistula("2024-03-04"), happening("background", day, items=items))

    asked_today = sheet(told("2025-03-03"), "2025-03-03").part("stop").lines
    asked_before = sheet(told("2025-03-02"), "2025-03-03").part("stop").lines

    assert "Anticoagulant, last dose 2 March 2025 at 20:00 (checked 3 March 2025)" in asked_today
    assert (
        "Anticoagulant, last dose 2 March 2025 at 20:00 (checked 2 March 2025); since then: ________________________"
        in asked_before
    )


def test_whom_to_call_is_printed_and_is_a_blank_where_nobody_said():
    def contact_of(history) -> str:
        return next(line for line in sheet(history, "2025-03-04").part("identity").lines if line.startswith("Contact"))

    items = [{"what": "contact", "words": {"text": "t-1", "start": 0, "end": 4}}]
    history = a_history(fistula("2024-03-04"), happening("background", "2025-01-06", items=items))

    assert contact_of(history) == 'Contact: "Is the stenosis back?" (checked 6 January 2025)'
    assert contact_of(a_history(fistula("2024-03-04"))) == "Contact: ________________________"


def test_the_table_has_date_lesion_before_after_device_result_and_interval():
    history = a_history(
        fistula("2023-03-04"),
        angiogram(
            "2024-03-04",
            visit="V1",
            lesions=[{"lesion": "L1", "place": "cephalic-arch", "stenosis_percent": {"value": "80"}}],
        ),
        ballooned("2024-03-04", "L1", "cephalic-arch", visit="V1"),
        angiogram(
            "2024-12-02", visit="V2", lesions=[{"lesion": "L1", "place": "cephalic-arch", "grade": "high-grade"}]
        ),
        ballooned("2024-12-02", "L1", "cephalic-arch", visit="V2", residual="30"),
        clotted("2025-01-06"),
        cleared_of_clot("2025-01-06", True, methods=["aspiration"]),
        angiogram("2025-02-03", flow_seen=True),
    )

    table = sheet(history, "2025-03-04").part("interventions").table

    assert table == (
        ("Date", "Lesion or place", "Before", "After", "Balloon or device", "Result", "Interval"),
        ("4 March 2024", "cephalic arch", "80 %", "20 %", "", "", ""),
        ("2 December 2024", "cephalic arch", "high-grade", "30 %", "", "", "273 days"),
        ("6 January 2025", "thrombectomy", "clot", "", "aspiration", "flow restored", ""),
        ("3 February 2025", "angiogram, no treatment recorded", "no lesion recorded", "", "", "", ""),
    )


def test_a_banding_and_a_giving_up_stand_in_the_table_in_few_words():
    history = a_history(
        happening("creation", "2020-03-04", access="A1", access_kind="fistula", side="left"),
        happening(
            "banding",
            "2021-03-04",
            access="A1",
            reason="steal",
            flow_before_ml_min={"value": "2300"},
            flow_after_ml_min={"value": "1100"},
        ),
        happening("abandonment", "2022-03-04", access="A1", how="given-up", reason="thrombosis"),
    )

    (_, banded, given_up) = sheet(history, "2023-03-04", access="A1").part("interventions").table

    assert banded[1:4] == ("banding", "flow 2300 mL/min", "flow 1100 mL/min")
    assert given_up[1] == "given up, left in the body, because of thrombosis"


def test_the_trend_shows_what_can_be_worked_out_of_the_numbers():
    history = a_history(
        fistula("2023-03-04"),
        measured("2024-11-04", flow_ml_min="1000"),
        measured("2025-02-03", flow_ml_min="740"),
    )

    assert sheet(history, "2025-03-04").part("trend").lines == (
        "4 November 2024: Measured; access flow 1000 mL/min",
        "3 February 2025: Measured; access flow 740 mL/min; worked out: fall in flow 26.0 %",
    )


def test_the_strip_has_seven_blanks():
    made = sheet(a_history(fistula("2024-03-04")), "2025-03-04")

    assert len(BLANKS) == 7
    assert [text.split(":")[0] for text in made.part("back").lines] == list(BLANKS)
    assert all(text.endswith("____") for text in made.part("back").lines)


def test_the_schedule_and_where_to_send_the_report():
    history = a_history(happening("care-began", "2023-01-09", unit="U1", shift="U1-mon-early"), fistula("2024-03-04"))

    assert sheet(history, "2025-03-04").part("schedule").lines == (
        "Unit: Invented Unit; shift: U1-mon-early",
        "Send the report to: Invented Unit",
    )


def test_the_gaps_are_told_as_gaps():
    history = a_history(
        happening("first-seen-here", "2025-02-03", history_unknown_before="2021"),
        happening("access-known", "2025-02-03", access=FISTULA, access_kind="fistula", side="left"),
        angiogram("2025-02-10"),
    )

    assert sheet(history, "2025-03-04").part("doubts").lines == (
        "Earlier history unknown before 2021.",
        "Whether the central veins were ever seen is not recorded.",
        "Not recorded is not the same as not present.",
    )


def test_a_catheter_tells_its_exchanges_and_the_vein_book_both_veins():
    history = a_history(
        line("2024-01-08"),
        exchanged("2024-06-03", form="new-vein", vein="internal-jugular", side="left"),
        referred("2025-03-03", LINE),
    )

    made = sheet(history, "2025-03-04")

    assert (
        "3 June 2024: Catheter exchanged: into another vein; LEFT internal jugular vein." in made.part("anatomy").lines
    )
    assert made.part("veins").lines == (
        "RIGHT internal jugular vein: tunnelled catheter, from 8 January 2024, to 3 June 2024",
        "LEFT internal jugular vein: tunnelled catheter, from 3 June 2024, still in",
    )


def test_the_sheet_as_text_keeps_to_its_width_and_carries_the_cautions():
    history = a_history(fistula("2024-03-04"), ballooned("2024-12-02", "L1", "cephalic-arch"))

    lines = sheet(history, "2025-03-04").lines()

    assert max(map(len, lines)) <= 100
    text = " ".join(" ".join(lines).split())
    assert all(" ".join(caution.split()) in text for caution in CAUTIONS)
    assert sheet(history, "2025-03-04").lines(height=12)[-1].startswith("…")


def test_an_empty_history_makes_a_sheet_that_says_so():
    made = sheet(a_history(), "2025-03-04")

    assert made.access is None
    assert made.part("anatomy").lines == ("No access in the body is recorded.",)
    assert made.part("interventions").table[1][0] == "none recorded"
