"""Six longer lives, each told through what a nurse would read on the day. Invented people, an invented unit."""

from __future__ import annotations

from datetime import UTC, date, datetime

from ledger.errors import Doubt
from ledger.events import Event
from ledger.projections.brief import Brief, WaitingReport, brief_of
from ledger.projections.sheet import sheet_of
from ledger.projections.veinbook import vein_book_of
from tests.lives import PATIENT, a_history, an_entry, corrected, happening
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
    known,
    line,
    looked,
    on,
    peritoneal,
    second_stage,
    session,
    stented,
    used,
    visited,
)


def said(stretch):
    return "words of the report"


def briefed(history, day: str, **more) -> Brief:
    today = date.fromisoformat(day)
    return brief_of(
        history, PATIENT, today, datetime(today.year, today.month, today.day, 6, 30, tzinfo=UTC), said, **more
    )


def told(brief: Brief, key: str) -> str:
    return " ".join(line.text for line in brief.section(key).lines)


# --- 1: shrinking intervals ---------------------------------------------------------------------------------------


def shrinking() -> list[Event]:
    def treated(day: str, visit: str) -> list[Event]:
        return [
            visited(day, visit, reasons=["high-venous-pressure"]),
            angiogram(day, visit=visit, lesions=[{"lesion": "L1", "place": "cephalic-arch", "grade": "high-grade"}]),
            ballooned(day, "L1", "cephalic-arch", visit=visit),
        ]

    return [
        fistula("2023-03-06"),
        used("2023-06"),
        *treated("2024-01-10", "V1"),
        *treated("2024-08-07", "V2"),
        *treated("2024-12-05", "V3"),
        *treated("2025-02-07", "V4"),
        stented("2025-02-07", visit="V4", lesion="L1", place="cephalic-arch", covered=True, diameter_mm={"value": "8"}),
        instructed("2025-02-07", "not-to-be-needled", place="cephalic-arch", visit="V4"),
        # The fax of the same visit has the other arm on it.
        known("2025-02-08", access_kind="fistula", side="right", from_report_only=True),
    ]


def test_the_shrinking_intervals_are_told_and_the_wrong_arm_stands_on_top():
    brief = briefed(a_history(*shrinking()), "2025-02-18")

    assert told(brief, "stop").startswith(
        "Side UNSETTLED. LEFT, by the creation of 6 March 2023. RIGHT, by a report of 8 February 2025."
    )
    assert "the same lesion for the 4th time, intervals 210, 120, 64 days" in told(brief, "intervention")
    assert "not to be needled, cephalic arch" in told(brief, "needle")
    assert "covered stent 8 mm, in the cephalic arch" in told(brief, "intervention").lower()


def test_once_the_side_is_settled_by_a_correction_it_is_said_in_capitals_again():
    history = a_history(*shrinking())
    fax = history.entries[-1]

    settled = corrected(history, fax.id, known("2025-02-08", access_kind="fistula", side="left", from_report_only=True))

    brief = briefed(settled, "2025-02-18")
    assert told(brief, "access").startswith("LEFT upper-arm fistula (brachiocephalic)")
    assert "UNSETTLED" not in "\n".join(brief.lines())


def test_the_sheet_of_the_shrinking_life_has_every_treatment_with_its_interval():
    sheet = sheet_of(
        a_history(*shrinking()), PATIENT, date(2025, 2, 18), datetime(2025, 2, 18, 6, 30, tzinfo=UTC), said
    )

    rows = sheet.part("interventions").table

    assert [(row[0], row[1], row[2], row[3], row[6]) for row in rows[1:]] == [
        ("10 January 2024", "cephalic arch", "high-grade", "20 %", ""),
        ("7 August 2024", "cephalic arch", "high-grade", "20 %", "210 days"),
        ("5 December 2024", "cephalic arch", "high-grade", "20 %", "120 days"),
        ("7 February 2025", "cephalic arch", "high-grade", "20 %", "64 days"),
        ("7 February 2025", "cephalic arch", "high-grade", "", ""),
    ]
    assert rows[-1][4] == "covered stent 8 mm"


# --- 2: the catheter that stayed ----------------------------------------------------------------------------------


def stayed() -> list[Event]:
    return [
        line("2024-09-02", reason="dialysis-needed"),
        fistula("2024-10-07", outflow="basilic", stage="first"),
        second_stage("2024-12-02", outflow="basilic"),
        first_needled("2025-01-13", needles=1, gauge=17),
        used("2025-01-15", "one-needle-and-line"),
        session("2025-01-17", needles=2, gauge=17, trouble="infiltration"),
        instructed("2025-01-17", "rest", until="2025-01-31"),
        session("2025-02-03", needles=2, gauge=17, trouble="none"),
        used("2025-02-05"),
        used("2025-02-07"),
    ]


def test_the_catheter_is_still_in_41_days_after_the_access_was_proven():
    brief = briefed(a_history(*stayed()), "2025-03-20")

    assert (date(2025, 3, 20) - date(2025, 2, 7)).days == 41
    assert told(brief, "access").startswith("LEFT upper-arm fistula (brachiobasilic)")
    assert "proven by use on 7 February 2025" in told(brief, "access")
    assert "catheter still in beside a proven access" in told(brief, "others")
    assert "199 days in the body" in told(brief, "others")


def test_during_the_rest_the_brief_says_until_when_and_by_what_the_patient_dialyses():
    history = a_history(*stayed()).seen(as_of=date(2025, 1, 20))

    brief = briefed(history, "2025-03-20")

    assert "VIEW AS OF 20 January 2025" in told(brief, "identity")
    assert "to be rested, until 31 January 2025" in told(brief, "stop")
    assert "infiltration (since 17 January 2025)" in told(brief, "needle")


def test_as_known_on_a_day_shows_why_nobody_knew():
    # What was used on 5 and 7 February was entered only in April.
    early = [
        an_entry(event, place + 1, recorded_at=f"2025-02-03T1{place}:00:00.000000Z")
        for place, event in enumerate(stayed()[:8])
    ]
    late = [
        an_entry(event, place + 9, recorded_at=f"2025-04-01T1{place}:00:00.000000Z")
        for place, event in enumerate(stayed()[8:])
    ]
    history = a_history(*early, *late)

    then = briefed(history.seen(known_on=date(2025, 3, 20)), "2025-04-02")
    now = briefed(history, "2025-04-02")

    assert "VIEW AS KNOWN ON 20 March 2025" in told(then, "identity")
    assert "being tried" in told(then, "access")
    assert "still in beside" not in told(then, "others")
    assert "still in beside" in told(now, "others")


# --- 3: rigors on a Monday ----------------------------------------------------------------------------------------


def rigors() -> list[Event]:
    return [
        line("2024-11-04"),
        looked("2025-02-03", LINE, fever=True),
        cultured("2025-02-03", specimen="catheter-hub", positive=True, organism="staphylococcus-aureus"),
        cultured("2025-02-03", specimen="dialysis-circuit", positive=True, organism="staphylococcus-aureus"),
        infected("2025-02-03", "bloodstream", organism="staphylococcus-aureus", catheter_fate="exchanged"),
        happening(
            "antimicrobial-course",
            "2025-02-03",
            access=LINE,
            reason="bloodstream-infection",
            planned_until="2025-03-17",
            continued_from_hospital=True,
        ),
        exchanged("2025-02-05", form="over-wire-same-tunnel", reason="infection"),
    ]


def test_rigors_are_urgent_and_the_course_is_due():
    brief = briefed(a_history(*rigors()), "2025-02-10")

    assert told(brief, "stop") == (
        "Urgent, by local pathway: fever, bloodstream infection and positive culture, open since 3 February 2025 "
        "(RIGHT tunnelled catheter)."
    )
    assert "Antimicrobial course for bloodstream infection since 3 February 2025, until 17 March 2025" in told(
        brief, "due"
    )


def test_after_the_late_clearance_culture_nothing_of_it_is_open():
    history = a_history(
        *rigors(),
        cultured("2025-02-18", clearance=True, positive=False, organism="no-growth"),
        looked("2025-02-20", LINE, fever=False),
    )

    brief = briefed(history, "2025-02-21")

    assert "Urgent" not in " ".join(line.text for section in brief.sections[:-1] for line in section.lines)
    assert "Exchanged on 5 February 2025 over a wire in the same tunnel (infection)" in told(brief, "access")


# --- 4: a thigh loop from elsewhere -------------------------------------------------------------------------------


def from_elsewhere() -> list[Event]:
    return [
        happening(
            "first-seen-here",
            "2025-02-03",
            accesses_found=["G1"],
            papers_asked_for=True,
            history_unknown_before="2025",
        ),
        known("2025-02-03", GRAFT, access_kind="graft", side="left", site="thigh", configuration="loop"),
        known("2025-02-03", "C8", access_kind="tunnelled-catheter", side="right", catheter_vein="internal-jugular"),
        given_up("2023", "C8"),
        happening(
            "background",
            "2025-02-03",
            items=[
                {"what": "cardiac-lead", "side": "left", "vein": "subclavian", "since": "2018"},
                {"what": "port", "side": "right", "vein": "subclavian", "since": "2015", "until": "2016"},
            ],
        ),
        looked("2025-02-03", GRAFT, thrill="continuous", swelling=True),
    ]


def test_from_elsewhere_what_is_unknown_is_said_to_be_unknown():
    brief = briefed(a_history(*from_elsewhere()), "2025-02-04")

    assert "limb side not recorded" in told(brief, "access")
    assert "Earlier history unknown before 2025" in told(brief, "recorded")
    assert "Which access is in use is not recorded." in told(brief, "access")
    assert "Cardiac lead, LEFT, subclavian vein, since 2018" in told(brief, "background")
    assert "Allergies not recorded." in told(brief, "background")


def test_the_vein_book_of_the_life_from_elsewhere():
    book = vein_book_of(a_history(*from_elsewhere()))

    unknown = "whether it is still in is not recorded"
    assert book.lines() == [
        "RIGHT subclavian vein: port (as told on 3 February 2025), from 2015, to 2016",
        f"LEFT subclavian vein: cardiac lead (as told on 3 February 2025), from 2018, {unknown}",
        "RIGHT internal jugular vein: tunnelled catheter, from when not recorded, still in",
        "3 February 2025: LEFT: swelling, still open",
    ]


def test_the_limb_side_comes_by_message_and_then_twice_by_fax():
    by_message = known("2025-02-10", GRAFT, arterial_limb="lateral", from_report_only=True)
    history = a_history(*from_elsewhere(), by_message, by_message, by_message)

    brief = briefed(history, "2025-02-11")

    assert "arterial limb lateral" in told(brief, "access")
    assert "disagree" not in told(brief, "stop")


# --- 5: given up, taken up again ----------------------------------------------------------------------------------


def graft_made_fistula() -> list[Event]:
    return [
        happening("background", "2024-01-08", items=[{"what": "allergy", "allergen": "heparin"}]),
        graft("2022-01-10"),
        used("2022-03", access=GRAFT),
        clotted("2024-05-06", GRAFT, known_by="clot-found", visit="V1"),
        cleared_of_clot("2024-05-06", False, GRAFT, visit="V1"),
        given_up("2024-05-13", GRAFT, reason="thrombosis"),
        fistula("2024-06-03", site="forearm", outflow="basilic", continues_from=GRAFT),
        looked("2024-07-01", thrill="continuous"),
    ]


def test_the_two_accesses_stay_tied_and_the_allergy_stands_on_both():
    history = a_history(*graft_made_fistula())

    brief = briefed(history, "2024-07-02")
    sheet = sheet_of(history, PATIENT, date(2024, 7, 2), datetime(2024, 7, 2, 6, tzinfo=UTC), said, access=GRAFT)

    assert told(brief, "access").startswith("LEFT forearm fistula (brachiobasilic)")
    assert "begun out of LEFT forearm loop graft." in told(brief, "access")
    assert "LEFT forearm loop graft: 2 years 5 months old" in told(brief, "others")
    assert "given up on 13 May 2024, because of thrombosis; still in the body" in told(brief, "others")
    assert "Allergy to heparin" in told(brief, "background")
    assert "Allergy to heparin" in sheet.part("stop").lines[0]
    assert ("6 May 2024", "thrombectomy", "clot", "", "", "flow not restored", "") in sheet.part("interventions").table


# --- 6: by choice, and a peritoneal life --------------------------------------------------------------------------


def by_choice() -> list[Event]:
    return [
        line("2023-10-02"),
        decided("2023-11-06", "declines-fistula", by_patient=True, review_on="2024-02-05"),
        decided("2024-11-04", "declines-fistula", by_patient=True, review_on="2025-02-03"),
        decided("2024-11-04", "chooses-catheter", by_patient=True, review_on="2025-02-03"),
        used("2025-01-20", "catheter", LINE),
    ]


def test_a_catheter_by_choice_shows_the_decision_and_its_review():
    brief = briefed(a_history(*by_choice()), "2025-01-21")
    after = briefed(a_history(*by_choice()), "2025-02-10")

    assert "Decision: declines a fistula (by the patient), 4 November 2024, review due 3 February 2025." in told(
        brief, "due"
    )
    assert "review was due 3 February 2025" in told(after, "due")
    assert "477 days in the body" in told(brief, "access")


def test_a_peritoneal_life_buried_used_infected_and_back():
    buried = [peritoneal("2023-06-05", peritoneal_start="buried", exit_side="left")]
    begun = [*buried, used("2023-10-02", "catheter", PERITONEAL)]
    infection = [
        *begun,
        infected("2024-05-06", "peritonitis", PERITONEAL),
        used("2024-05-08", "not-used", PERITONEAL),
        line("2024-05-08", kind="nontunnelled-catheter"),
        used("2024-05-09", "catheter", LINE),
    ]
    back = [
        *infection,
        cultured("2024-06-03", PERITONEAL, clearance=True, positive=False),
        happening("catheter-removed", "2024-06-10", access=LINE, reason="no-longer-needed"),
        used("2024-06-12", "catheter", PERITONEAL),
    ]

    assert on("2023-07-01", a_history(*buried), PERITONEAL).catheter == "buried since 5 June 2023"
    assert on("2023-11-01", a_history(*begun), PERITONEAL).catheter == "in and used, last on 2 October 2023"
    assert "in and not used on 8 May 2024" in (on("2024-05-10", a_history(*infection), PERITONEAL).catheter or "")
    assert told(briefed(a_history(*infection), "2024-05-10"), "access").startswith("RIGHT internal jugular")
    assert on("2024-07-01", a_history(*back), PERITONEAL).catheter == "in and used, last on 12 June 2024"
    assert told(briefed(a_history(*back), "2024-07-01"), "access").startswith("Peritoneal catheter, exit LEFT")


# --- What the brief never says, and how much of it there is -------------------------------------------------------


def a_full_life() -> list[Event]:
    """Five accesses and two hundred entries: more than a screen holds."""
    events: list[Event] = [
        happening("care-began", "2019-01-07", unit="U1", shift="U1-mon", modality="in-centre-haemodialysis"),
        happening(
            "background",
            "2024-01-08",
            items=[
                {"what": "allergy", "allergen": "contrast"},
                {"what": "allergy", "allergen": "chlorhexidine"},
                {"what": "anticoagulant"},
                {"what": "arm-not-to-use", "side": "right"},
                {"what": "cardiac-lead", "side": "right", "vein": "subclavian"},
                {"what": "precaution"},
            ],
        ),
        line("2019-01-03"),
        fistula("2019-02-04", "A0", side="left", site="wrist", inflow="radial"),
        given_up("2020-02-03", "A0", reason="not-matured"),
        graft("2020-03-02", arterial_limb="medial"),
        happening("catheter-removed", "2020-05-04", access=LINE, reason="no-longer-needed"),
        clotted("2022-01-10", GRAFT, known_by="imaging"),
        cleared_of_clot("2022-01-10", False, GRAFT),
        given_up("2022-01-17", GRAFT, reason="thrombosis"),
        line("2022-01-11", "C2", side="left"),
        fistula("2022-02-07"),
        used("2022-06"),
        happening("access-planned", "2024-12-02", access="A9", access_kind="graft", side="left", site="thigh"),
    ]
    for place in range(12):
        day = date(2023, 1, 9).toordinal() + place * 62
        on_day = date.fromordinal(day).isoformat()
        visit = f"V{place}"
        events += [
            looked(date.fromordinal(day - 7).isoformat(), thrill="weak", pulse="hyperpulsatile", swelling=True),
            happening("referral", date.fromordinal(day - 6).isoformat(), access=FISTULA, why=["weak-thrill"]),
            happening("appointment", date.fromordinal(day - 5).isoformat(), access=FISTULA, state="booked", on=on_day),
            visited(on_day, visit, sheath_fr=[{"value": "6"}, {"value": "7"}]),
            angiogram(
                on_day,
                visit=visit,
                lesions=[
                    {"lesion": "L1", "place": "cephalic-arch", "stenosis_percent": {"value": "80"}},
                    {"lesion": "L2", "place": "juxta-anastomotic", "grade": "moderate", "left_alone": True},
                ],
            ),
            ballooned(on_day, "L1", "cephalic-arch", visit=visit),
            stented(on_day, visit=visit, lesion="L1", place="cephalic-vein", across_needle_zone=True),
            instructed(on_day, "may-be-used", visit=visit, from_day=on_day, gauge=16),
            instructed(on_day, "sutures", visit=visit, sutures=2, due=date.fromordinal(day + 3).isoformat()),
            instructed(on_day, "follow-up", visit=visit, due=date.fromordinal(day + 30).isoformat()),
            instructed(on_day, "call-if", visit=visit),
            used(date.fromordinal(day + 1).isoformat()),
            happening("measurement", on_day, access=FISTULA, flow_ml_min={"value": "640"}),
            decided(on_day, "other"),
            happening("culture", on_day, access=FISTULA, positive=False),
        ]
    events += [
        looked("2025-02-03", thrill="absent", bruit="absent", hand=["cold", "painful"], skin=["thin", "ulcer"]),
        known("2025-02-04", access_kind="fistula", side="right", from_report_only=True),
        happening("hospital-stay", "2025-02-05", until="2025-02-10"),
        instructed("2025-02-07", "dialyse-by-catheter", until="2025-03-10"),
    ]
    return events


def test_five_accesses_and_two_hundred_entries_fit_one_screen():
    events = a_full_life()
    history = a_history(*events)
    doubts = [Doubt(code="two-tunnelled", words="Two tunnelled catheters lay in at once.", access="C2")]

    brief = briefed(
        history,
        "2025-02-14",
        waiting_reports=[WaitingReport(report=f"r-{number}") for number in range(6)],
        same_names=2,
        doubts=doubts,
    )
    lines = brief.lines()

    assert len(events) >= 198
    assert len(brief.accesses) >= 5
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 100
    assert len(brief.lines(height=None)) > 40
    assert any("on request" in line for line in lines)


def test_what_must_not_be_missed_is_still_on_the_full_screen():
    lines = " ".join(" ".join(briefed(a_history(*a_full_life()), "2025-02-14", same_names=1).lines()).split())

    for words in (
        "Invented Patient, born July 1958, number MRN-0001",
        "called alike here: check birth date and number",
        "SIDE UNSETTLED",
        "no thrill found",
        "Allergy to contrast",
        "Recorded facts up to",
        "Look, listen, feel first.",
        "Not recorded is not the same as not present.",
        "Stop and ask if arm, side or history",
    ):
        assert words in lines


def test_a_narrow_screen_wraps_and_loses_nothing_of_the_first_lines():
    brief = briefed(a_history(*shrinking()), "2025-02-18")

    lines = brief.lines(width=60, height=None)

    assert max(map(len, lines)) <= 60
    assert "Side UNSETTLED" in " ".join(lines)
