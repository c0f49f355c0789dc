"""One minimal and one full example of every kind of event, and the words that they refer to.

All of it is invented: no such patient, unit or access centre exists. The minimal example of a kind holds only what the
kind asks for; the full one fills every field that can be filled at once. They are made through the border
(`ledger.entries.validated`), so an example that the ledger would not take fails here.

To add a kind, add its two examples; `tests/test_examples.py` says which are missing and which field of a full one is
empty.
"""

from __future__ import annotations

from typing import Any, cast

from ledger.entries import validated
from ledger.events import Event, Fact, Link, Words
from ledger.evidence import Quote, text_id_of

PATIENT = "P0001"
OTHER_PATIENT = "P0002"
FISTULA = "A1"
GRAFT = "A2"
LINE = "A3"
PERITONEAL = "A4"
VISIT = "V1"
LESION = "L1"
SECOND_LESION = "L2"
REPORT = "r-example0000000000000001"

_TEXT = """\
Invented text for examples. No such patient, surgeon or place exists.
Operator: Dr A. Fennimore. Told by the patient's daughter. Rash after contrast in 2019.
The patient prefers the left arm. Question: is the juxta-anastomotic stenosis back?
Steal settled after one hour with a warm pack. Heparin was given through the sheath.
Call the access centre if the thrill stops. The wound was dry. Entered for the wrong patient.
"""

TEXT_ID = text_id_of(_TEXT, b"\x00" * 16)
TEXTS: dict[str, str] = {TEXT_ID: _TEXT}
"""The kept texts, by id."""


def words(stretch: Words | Quote) -> str | None:
    """The words that a stretch of the example texts stands for; None where the text is not kept."""
    text = TEXTS.get(stretch.text)
    return None if text is None else text[stretch.start : stretch.end]


def said(sentence: str) -> dict[str, Any]:
    """Where a sentence stands in the example text, as plain JSON."""
    start = _TEXT.index(sentence)
    return {"text": TEXT_ID, "start": start, "end": start + len(sentence)}


def quoted(sentence: str) -> Quote:
    """The same stretch as a quote, for the evidence of an entry."""
    return Quote(**said(sentence))


def m(value: str, comparator: str | None = None, how: str | None = None) -> dict[str, Any]:
    """A quantity as plain JSON: `m("812.50")`, `m("20", "<")`."""
    found = {"value": value, "comparator": comparator, "how": how}
    return {name: held for name, held in found.items() if held is not None}


def between(low: str, high: str) -> dict[str, Any]:
    """A range as plain JSON."""
    return {"low": low, "high": high}


_OPERATOR = said("Dr A. Fennimore")
_NOTE = said("The wound was dry")

_LESION_FOUND = {
    "lesion": LESION,
    "place": "juxta-anastomotic",
    "side": "left",
    "stenosis_percent": m("80", how="estimated"),
    "grade": "severe",
    "reference_mm": m("6.0", how="measured"),
    "smallest_mm": m("1.2", "<"),
    "length_mm": between("20", "30"),
    "in_stent": False,
    "left_alone": False,
}
_LESION_TREATED = {
    "lesion": LESION,
    "place": "juxta-anastomotic",
    "side": "left",
    "found_percent": m("80"),
    "found_grade": "severe",
    "in_stent": False,
    "balloons": [
        {
            "diameter_mm": m("7"),
            "length_mm": m("40"),
            "pressure_atm": m("20"),
            "coated": True,
            "cutting": False,
        },
        {"diameter_mm": m("8"), "cutting": True},
    ],
    "residual_percent": m("20", "<", "estimated"),
    "residual_grade": "minimal",
    "outcome": "success",
}

_PLAIN: dict[str, list[dict[str, Any]]] = {
    "care-began": [
        {"happened": "2019"},
        {
            "happened": "2019-03-04",
            "note": _NOTE,
            "unit": "U1",
            "shift": "U1-mon-early",
            "modality": "in-centre-haemodialysis",
            "first_dialysis": "2018-11",
        },
    ],
    "modality-changed": [
        {"happened": "2021-05", "to": "peritoneal-dialysis"},
        {
            "happened": "2021-05-03",
            "note": _NOTE,
            "to": "home-haemodialysis",
            "unit": "U1",
            "shift": "U1-home",
        },
    ],
    "hospital-stay": [
        {"happened": "2022-08-11"},
        {
            "happened": "2022-08-11",
            "note": _NOTE,
            "until": "2022-08-19",
            "because_of_access": True,
            "access_looked_at": False,
        },
    ],
    "first-seen-here": [
        {"happened": "2020-02-03"},
        {
            "happened": "2020-02-03",
            "note": _NOTE,
            "accesses_found": [FISTULA, LINE],
            "papers_asked_for": True,
            "history_unknown_before": "2020-02",
        },
    ],
    "follow-up-ended": [
        {"happened": "2024-10-30", "reason": "transplant"},
        {"happened": "2024-10-30T14:05:00+01:00", "note": _NOTE, "reason": "death"},
    ],
    "follow-up-resumed": [
        {"happened": "2025-01-07"},
        {
            "happened": "2025-01-07",
            "note": _NOTE,
            "unit": "U1",
            "shift": "U1-mon-early",
            "modality": "in-centre-haemodialysis",
        },
    ],
    "background": [
        {"happened": "2023-01-09", "items": [{"what": "no-known-allergy"}]},
        {
            "happened": "2023-01-09",
            "note": _NOTE,
            "items": [
                {
                    "what": "allergy",
                    "allergen": "contrast",
                    "since": "2019",
                    "until": "2030",
                    "words": said("Rash after contrast in 2019"),
                },
                {"what": "cardiac-lead", "side": "right", "vein": "subclavian", "since": "2017-06"},
                {"what": "arm-not-to-use", "side": "right"},
                {"what": "anticoagulant", "last_dose": "2023-01-31T20:00"},
                {"what": "dominant-hand", "side": "left"},
                {"what": "who-consents"},
                {"what": "contact"},
            ],
            "withdrawn": ["antiplatelet"],
            "told_by": said("the patient's daughter"),
        },
    ],
    "decision": [
        {"happened": "2023-02-01", "what": "declines-fistula"},
        {
            "happened": "2023-02-01",
            "note": said("The patient prefers the left arm"),
            "what": "kept-in-reserve",
            "access": FISTULA,
            "by_patient": True,
            "review_on": "2023-08-01",
        },
    ],
    "life-plan-reviewed": [
        {"happened": "2023-03"},
        {
            "happened": "2023-03-15",
            "note": _NOTE,
            "modality_next": "in-centre-haemodialysis",
            "next_access": "fistula",
            "next_side": "left",
            "next_site": "upper-arm",
            "contingency": "graft",
            "contingency_vein": "axillary",
            "contingency_side": "left",
            "vessels_to_spare": ["cephalic", "basilic"],
            "arm_to_spare": "left",
            "review_on": "2024-03",
        },
    ],
    "vein-mapping": [
        {"happened": "2019-01-15"},
        {
            "happened": "2019-01-15",
            "note": _NOTE,
            "side": "left",
            "vessels": [
                {
                    "side": "left",
                    "vein": "cephalic",
                    "segment": "forearm-distal",
                    "diameter_mm": m("2.40", how="measured"),
                    "depth_mm": m("3"),
                    "compressible": True,
                    "calcified": False,
                    "tourniquet": True,
                },
                {"side": "left", "artery": "radial", "segment": "forearm-distal", "diameter_mm": between("2.0", "2.5")},
                {"side": "left", "vein": "basilic", "segment": "upper-arm-mid", "diameter_mm": m("4.1", "~")},
            ],
            "suitable_for": [
                {
                    "access_kind": "fistula",
                    "side": "left",
                    "site": "wrist",
                    "inflow": "radial",
                    "outflow": "cephalic",
                }
            ],
            "visit": "V0",
        },
    ],
    "access-planned": [
        {"happened": "2019-02-01", "access": FISTULA, "access_kind": "fistula"},
        {
            "happened": "2019-02-01",
            "note": _NOTE,
            "access": FISTULA,
            "access_kind": "fistula",
            "side": "left",
            "site": "wrist",
            "inflow": "radial",
            "outflow": "cephalic",
            "planned_for": "2019-03",
            "why": said("The patient prefers the left arm"),
        },
    ],
    "access-known": [
        {"happened": "2020-02-03", "access": FISTULA},
        {
            "happened": "2020-02-03",
            "note": _NOTE,
            "access": GRAFT,
            "access_kind": "graft",
            "side": "left",
            "site": "forearm",
            "inflow": "brachial",
            "outflow": "axillary",
            "catheter_vein": "internal-jugular",
            "configuration": "loop",
            "material": "ptfe",
            "arterial_limb": "medial",
            "created": "2016",
            "from_report_only": True,
        },
    ],
    "creation": [
        {"happened": "2019", "access": FISTULA, "access_kind": "fistula"},
        {
            "happened": "2019-03-04",
            "note": _NOTE,
            "access": GRAFT,
            "visit": "V2",
            "access_kind": "graft",
            "side": "left",
            "site": "forearm",
            "inflow": "brachial",
            "outflow": "axillary",
            "configuration": "loop",
            "material": "early-cannulation-ptfe",
            "calibre_mm": m("6"),
            "arterial_limb": "medial",
            "stage": "first",
            "made_by": "surgery",
            "device": "D2",
            "operator": _OPERATOR,
            "continues_from": FISTULA,
        },
    ],
    "catheter-placed": [
        {"happened": "2018-11-02", "access": LINE, "access_kind": "nontunnelled-catheter"},
        {
            "happened": "2018-11-02T09:40",
            "note": _NOTE,
            "access": LINE,
            "visit": "V3",
            "access_kind": "tunnelled-catheter",
            "vein": "internal-jugular",
            "side": "right",
            "exit_side": "right",
            "exit_site": "chest",
            "device": "D3",
            "length_cm": m("23"),
            "calibre_fr": m("14.5"),
            "lumens": 2,
            "tip": "cavoatrial-junction",
            "reason": "dialysis-needed",
            "peritoneal_start": "resting",
            "operator": _OPERATOR,
        },
    ],
    "catheter-exchanged": [
        {"happened": "2019-01-20", "access": LINE},
        {
            "happened": "2019-01-20",
            "note": _NOTE,
            "access": LINE,
            "visit": "V4",
            "form": "over-wire-same-tunnel",
            "to_kind": "tunnelled-catheter",
            "vein": "internal-jugular",
            "side": "right",
            "old_device": "D3",
            "device": "D4",
            "length_cm": m("28"),
            "calibre_fr": m("14.5"),
            "tip": "right-atrium",
            "reason": "poor-flow",
            "days_without": 1,
            "operator": _OPERATOR,
        },
    ],
    "catheter-removed": [
        {"happened": "2019-07-01", "access": LINE},
        {
            "happened": "2019-07-01",
            "note": _NOTE,
            "access": LINE,
            "visit": "V5",
            "reason": "no-longer-needed",
            "device": "D4",
            "whole": True,
            "operator": _OPERATOR,
        },
    ],
    "second-stage": [
        {"happened": "2019-05-06", "access": FISTULA},
        {
            "happened": "2019-05-06",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V6",
            "form": "transposition",
            "outflow": "basilic",
            "operator": _OPERATOR,
        },
    ],
    "maturity-assessed": [
        {"happened": "2019-06-17", "access": FISTULA},
        {
            "happened": "2019-06-17",
            "note": _NOTE,
            "access": FISTULA,
            "verdict": "ready",
            "rule": "local-maturity-1",
            "diameter_mm": m("6.5"),
            "depth_mm": m("5"),
            "flow_ml_min": m("812.50", how="measured"),
            "thrill": "continuous",
        },
    ],
    "first-cannulation": [
        {"happened": "2019-06-24", "access": FISTULA},
        {
            "happened": "2019-06-24",
            "note": _NOTE,
            "access": FISTULA,
            "needles": 2,
            "gauge": 17,
            "needle_length_mm": m("25"),
            "blood_flow_ml_min": m("250"),
            "technique": "rope-ladder",
            "trouble": "none",
        },
    ],
    "access-used": [
        {"happened": "2019-08", "access": FISTULA, "use": "two-needles"},
        {"happened": "2019-08-05", "note": _NOTE, "access": FISTULA, "use": "one-needle-and-line"},
    ],
    "cannulation-session": [
        {"happened": "2019-08-05", "access": FISTULA},
        {
            "happened": "2019-08-05T07:10:00+01:00",
            "note": _NOTE,
            "access": FISTULA,
            "use": "two-needles",
            "needles": 2,
            "gauge": 15,
            "needle_length_mm": m("32"),
            "technique": "buttonhole",
            "arterial_site_cm": m("6"),
            "venous_site_cm": m("12.5"),
            "arterial_needle_retrograde": False,
            "blood_flow_ml_min": m("350"),
            "arterial_pressure_mmhg": m("-180"),
            "venous_pressure_mmhg": m("165"),
            "minutes": 240,
            "completed": True,
            "trouble": "infiltration",
            "bleeding_minutes": m("20", ">"),
        },
    ],
    "examination": [
        {"happened": "2021-09-01", "access": FISTULA},
        {
            "happened": "2021-09-01",
            "note": _NOTE,
            "access": FISTULA,
            "thrill": "systolic-only",
            "bruit": "high-pitched",
            "pulse": "hyperpulsatile",
            "augments": False,
            "collapses_on_elevation": False,
            "swelling": True,
            "collaterals": True,
            "aneurysm": True,
            "skin": ["thin", "bruised"],
            "hand": ["cold", "painful"],
            "exit_site_clean": True,
            "fever": False,
            "told_to": _NOTE,
        },
    ],
    "measurement": [
        {"happened": "2021-09-08", "access": FISTULA},
        {
            "happened": "2021-09-08T11:00:00Z",
            "note": _NOTE,
            "access": FISTULA,
            "method": "indicator-dilution",
            "flow_ml_min": m("812.50", how="measured"),
            "blood_flow_ml_min": m("300"),
            "recirculation_percent": m("5", "<"),
            "reversed_recirculation_fraction": m("0.27"),
            "static_venous_pressure_mmhg": m("62"),
            "static_arterial_pressure_mmhg": m("75"),
            "chamber_height_cm": m("24.5"),
            "systolic_mmhg": m("138"),
            "diastolic_mmhg": m("72"),
            "dynamic_venous_pressure_mmhg": m("125"),
            "gauge": 15,
            "urea_systemic": m("8.1"),
            "urea_arterial": m("7.7"),
            "urea_venous": m("2.0"),
            "urea_before": m("24.0"),
            "urea_after": m("7.2"),
            "hours": m("4.00"),
            "ultrafiltration_l": m("2.4"),
            "weight_after_kg": m("71.3"),
            "kt_v": m("1.42"),
            "potassium_mmol_l": m("5.1"),
        },
    ],
    "thrombosis": [
        {"happened": "2022-01-10", "access": FISTULA},
        {
            "happened": "2022-01-10",
            "note": _NOTE,
            "access": FISTULA,
            "known_by": "imaging",
            "last_known_patent": "2022-01-08",
            "visit": "V7",
        },
    ],
    "complication": [
        {"happened": "2022-03-01", "access": FISTULA, "what": "aneurysm"},
        {
            "happened": "2022-03-01",
            "note": _NOTE,
            "access": FISTULA,
            "what": "steal",
            "scale": "steal-stages-1-4",
            "grade": "2",
            "diameter_mm": m("31"),
            "place": "cannulation-zone",
            "visit": "V7",
            "resolved": False,
            "told_to": _NOTE,
        },
    ],
    "catheter-trouble": [
        {"happened": "2019-01-14", "access": LINE, "what": "cuff-seen"},
        {
            "happened": "2019-01-14",
            "note": _NOTE,
            "access": LINE,
            "what": "poor-flow",
            "blood_flow_ml_min": m("180", "<"),
            "arterial_pressure_mmhg": m("-260"),
            "resolved": False,
            "told_to": _NOTE,
        },
    ],
    "infection": [
        {"happened": "2019-02-20", "access": LINE, "infection_class": "exit-site"},
        {
            "happened": "2019-02-20",
            "note": _NOTE,
            "access": LINE,
            "infection_class": "bloodstream",
            "organism": "staphylococcus-aureus",
            "catheter_fate": "removed",
            "cultures": ["e-culture-1"],
        },
    ],
    "culture": [
        {"happened": "2019-02-19"},
        {
            "happened": "2019-02-19",
            "note": _NOTE,
            "specimen": "catheter-hub",
            "positive": True,
            "organism": "staphylococcus-aureus",
            "final": True,
            "clearance": False,
            "access": LINE,
            "reported_on": "2019-02-22",
        },
    ],
    "antimicrobial-course": [
        {"happened": "2019-02-20"},
        {
            "happened": "2019-02-20",
            "note": _NOTE,
            "reason": "bloodstream-infection",
            "intravenous": True,
            "until": "2019-03-20",
            "planned_until": "2019-03-20",
            "continued_from_hospital": True,
            "access": LINE,
        },
    ],
    "referral": [
        {"happened": "2021-09-09"},
        {
            "happened": "2021-09-09",
            "note": _NOTE,
            "access": FISTULA,
            "why": ["low-flow", "weak-thrill"],
            "urgency": "within-days",
            "centre": "C1",
            "findings": ["e-measurement-1", "e-examination-1"],
            "question": said("is the juxta-anastomotic stenosis back?"),
        },
    ],
    "appointment": [
        {"happened": "2021-09-10", "state": "booked"},
        {
            "happened": "2021-09-10",
            "note": _NOTE,
            "state": "booked",
            "access": FISTULA,
            "on": "2021-09-14T08:30:00+01:00",
            "centre": "C1",
            "referral": "e-referral-1",
        },
    ],
    "visit": [
        {"happened": "2021-09-14", "access": FISTULA, "visit": VISIT},
        {
            "happened": "2021-09-14",
            "note": _NOTE,
            "access": FISTULA,
            "visit": VISIT,
            "outcome": "done",
            "centre": "C1",
            "operator": _OPERATOR,
            "reasons": ["low-flow", "weak-thrill"],
            "sedation": "moderate",
            "contrast": "iodinated",
            "contrast_ml": m("35"),
            "fluoroscopy_min": m("4.20"),
            "drugs": [
                {
                    "what": "heparin",
                    "dose": m("3000"),
                    "unit": "units",
                    "words": said("Heparin was given through the sheath"),
                },
                {"what": "lytic", "dose": m("2"), "unit": "mg"},
            ],
            "sheath_fr": [m("6"), m("7")],
            "sheath_places": ["cannulation-zone", "outflow-vein"],
            "complications": [
                {
                    "what": "haematoma",
                    "scale": "sir-letters",
                    "grade": "B",
                    "dealt_with": said("settled after one hour with a warm pack"),
                },
                {"what": "spasm"},
            ],
            "referral": "e-referral-1",
        },
    ],
    "angiogram": [
        {"happened": "2021-09-14", "access": FISTULA},
        {
            "happened": "2021-09-14",
            "note": _NOTE,
            "access": FISTULA,
            "visit": VISIT,
            "lesions": [
                _LESION_FOUND,
                {"lesion": SECOND_LESION, "place": "cephalic-arch", "grade": "high-grade", "left_alone": True},
            ],
            "clot": "mural",
            "central_veins": "patent",
            "flow_seen": True,
        },
    ],
    "imaging": [
        {"happened": "2021-08", "access": FISTULA},
        {
            "happened": "2021-08-30",
            "note": _NOTE,
            "access": FISTULA,
            "modality": "duplex",
            "lesions": [_LESION_FOUND],
            "clot": "partial",
            "central_veins": "not-seen",
            "flow_seen": True,
            "flow_ml_min": m("480", "~"),
            "diameter_mm": m("5.5"),
            "depth_mm": m("4"),
            "tip": "cavoatrial-junction",
        },
    ],
    "angioplasty": [
        {"happened": "2021-09-14", "access": FISTULA},
        {
            "happened": "2021-09-14",
            "note": _NOTE,
            "access": FISTULA,
            "visit": VISIT,
            "lesions": [_LESION_TREATED, {"lesion": SECOND_LESION, "residual_percent": m("35")}],
            "operator": _OPERATOR,
        },
    ],
    "stent": [
        {"happened": "2022-01-11", "access": FISTULA},
        {
            "happened": "2022-01-11",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V7",
            "stents": [
                {
                    "device": "D7",
                    "covered": True,
                    "coated": False,
                    "diameter_mm": m("7"),
                    "length_mm": m("50"),
                    "place": "cephalic-arch",
                    "side": "left",
                    "lesion": SECOND_LESION,
                    "across_needle_zone": False,
                },
                {"device": "D8", "covered": False},
            ],
            "lesions": [{**_LESION_TREATED, "lesion": SECOND_LESION, "place": "cephalic-arch", "in_stent": True}],
            "operator": _OPERATOR,
        },
    ],
    "thrombectomy": [
        {"happened": "2022-01-11", "access": FISTULA},
        {
            "happened": "2022-01-11",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V7",
            "methods": ["balloon", "lytic"],
            "success": True,
            "residual_clot": "mural",
            "operator": _OPERATOR,
        },
    ],
    "banding": [
        {"happened": "2022-04-04", "access": FISTULA},
        {
            "happened": "2022-04-04",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V8",
            "reason": "steal",
            "method": "suture-over-balloon",
            "calibre_mm": m("4"),
            "flow_before_ml_min": m("2100"),
            "flow_after_ml_min": m("900", "~"),
            "operator": _OPERATOR,
        },
    ],
    "revision": [
        {"happened": "2022-06-07", "access": FISTULA},
        {
            "happened": "2022-06-07",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V9",
            "methods": ["proximal-inflow", "interposition"],
            "reason": "steal",
            "place": "arterial-anastomosis",
            "inflow": "proximal-radial",
            "outflow": "cephalic",
            "material": "ptfe",
            "flow_before_ml_min": m("2100"),
            "flow_after_ml_min": m("1100"),
            "device": "D9",
            "operator": _OPERATOR,
        },
    ],
    "other-intervention": [
        {"happened": "2022-07-01", "access": FISTULA, "what": "side-branch-ligation"},
        {
            "happened": "2022-07-01",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V10",
            "what": "coil-embolisation",
            "reason": "not-maturing",
            "place": "side-branch",
            "operator": _OPERATOR,
        },
    ],
    "instruction": [
        {"happened": "2021-09-14", "access": FISTULA, "what": "may-be-used"},
        {
            "happened": "2021-09-14",
            "note": _NOTE,
            "access": FISTULA,
            "what": "call-if",
            "from_day": "2021-09-15",
            "until": "2021-10-15",
            "gauge": 17,
            "needles": 2,
            "highest_blood_flow_ml_min": m("250", "<="),
            "sutures": 1,
            "due": "2021-12",
            "test": "duplex",
            "place": "cannulation-zone",
            "visit": VISIT,
            "words": said("Call the access centre if the thrill stops"),
        },
    ],
    "abandonment": [
        {"happened": "2024-05", "access": FISTULA, "how": "given-up"},
        {
            "happened": "2024-05-20",
            "note": _NOTE,
            "access": FISTULA,
            "visit": "V11",
            "how": "ligation",
            "reason": "high-flow",
            "last_known_patent": "2024-05-20",
            "operator": _OPERATOR,
        },
    ],
    "taken-up-again": [
        {"happened": "2024-09", "access": FISTULA},
        {
            "happened": "2024-09-02",
            "note": _NOTE,
            "access": FISTULA,
            "why": said("The patient prefers the left arm"),
        },
    ],
    "set-aside": [
        {"happened": "2023-05-02", "line": "review-due", "until": "2023-06-02"},
        {
            "happened": "2023-05-02",
            "note": _NOTE,
            "line": "catheter-past-limit",
            "until": "2023-06-02",
            "access": LINE,
            "about": "e-placed-1",
            "why": said("The patient prefers the left arm"),
        },
    ],
}

_PLAIN_LINKS: dict[str, list[dict[str, Any]]] = {
    "report-moved": [
        {"happened": "2023-05-03", "report": REPORT, "to_patient": OTHER_PATIENT},
        {"happened": "2023-05-03", "note": _NOTE, "report": REPORT, "to_patient": OTHER_PATIENT},
    ],
    "accesses-are-one": [
        {"happened": "2023-05-04", "survivor": FISTULA, "other": GRAFT},
        {"happened": "2023-05-04", "note": _NOTE, "survivor": FISTULA, "other": GRAFT},
    ],
    "access-split": [
        {"happened": "2023-05-05", "access": FISTULA, "part": "A9", "entries": ["e-creation-2"]},
        {"happened": "2023-05-05", "note": _NOTE, "access": FISTULA, "part": "A9", "entries": ["e-creation-2", "e-3"]},
    ],
    "patients-are-one": [
        {"happened": "2023-05-06", "other": OTHER_PATIENT},
        {"happened": "2023-05-06", "note": _NOTE, "other": OTHER_PATIENT},
    ],
}

_PLAIN_ABOUT_ENTRIES: dict[str, list[dict[str, Any]]] = {
    "correction": [
        {
            "happened": "2019-03-05",
            "corrects": "e-1",
            "root": "e-1",
            "to": {"kind": "creation", "happened": "2019-03-05", "access": FISTULA, "access_kind": "fistula"},
        },
        {
            "happened": "2019-03-05",
            "note": _NOTE,
            "corrects": "e-2",
            "root": "e-1",
            "to": {"kind": "creation", "happened": "2019-03-05", "access": FISTULA, "access_kind": "fistula"},
            "why": said("Entered for the wrong patient"),
        },
    ],
    "retraction": [
        {"happened": "2023-06-01", "retracts": "e-1"},
        {"happened": "2023-06-01", "note": _NOTE, "retracts": "e-1", "why": said("Entered for the wrong patient")},
    ],
    "report-reviewed": [
        {"happened": "2021-09-15", "report": REPORT, "reader": "1"},
        {
            "happened": "2021-09-15",
            "note": _NOTE,
            "report": REPORT,
            "reader": "1",
            "fates": [
                {
                    "kind": "angioplasty",
                    "ordinal": 1,
                    "fate": "edited",
                    "access": FISTULA,
                    "entry": "e-1",
                    "edited": ["happened"],
                    "reason": said("The wound was dry"),
                },
                {"kind": "stent", "ordinal": 1, "fate": "dismissed"},
            ],
        },
    ],
}


def _made(plain: dict[str, list[dict[str, Any]]]) -> dict[str, list[Event]]:
    return {kind: [validated({"kind": kind, **one}) for one in ones] for kind, ones in plain.items()}


EXAMPLES: dict[str, list[Fact]] = cast("dict[str, list[Fact]]", _made(_PLAIN))
"""Of every kind of fact, a minimal and a full example, in this order."""

LINKS: dict[str, list[Link]] = cast("dict[str, list[Link]]", _made(_PLAIN_LINKS))
"""The same for statements about identities."""

ABOUT_ENTRIES: dict[str, list[Event]] = _made(_PLAIN_ABOUT_ENTRIES)
"""The same for corrections, retractions and reviewed reports."""

ALL_EXAMPLES: dict[str, list[Event]] = {**EXAMPLES, **LINKS, **ABOUT_ENTRIES}
"""The same for everything that a stream can hold."""


def minimal(kind: str) -> Event:
    """The minimal example of a kind."""
    return ALL_EXAMPLES[kind][0]


def full(kind: str) -> Event:
    """The full example of a kind."""
    return ALL_EXAMPLES[kind][-1]
