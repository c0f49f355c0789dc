"""The life that all benchmarks append: twelve entries of one access, as they come in practice; all invented."""

from __future__ import annotations

from typing import Any

from ledger.entries import Draft, validated
from ledger.evidence import Evidence, Quote

REPORT = Evidence(report="r-inventedinventedinve", quotes=(Quote(text="t-inventedinventedinve", start=120, end=161),))


def life(access: str) -> list[dict[str, Any]]:
    """Twelve facts of one left upper-arm fistula, as plain JSON values."""
    percent = {"value": "80", "how": "estimated"}
    on = {"access": access}
    return [
        {"kind": "care-began", "happened": "2022-11-02", "unit": "U1", "modality": "in-centre-haemodialysis"},
        {
            "kind": "creation",
            "happened": "2023-03-01",
            **on,
            "access_kind": "fistula",
            "side": "left",
            "site": "upper-arm",
            "inflow": "brachial",
            "outflow": "cephalic",
            "made_by": "surgery",
        },
        {
            "kind": "maturity-assessed",
            "happened": "2023-04-12",
            **on,
            "verdict": "ready",
            "diameter_mm": {"value": "6.5"},
        },
        {"kind": "first-cannulation", "happened": "2023-04-26", **on, "needles": 2, "gauge": 17},
        {
            "kind": "referral",
            "happened": "2024-01-15",
            **on,
            "why": ["high-venous-pressure"],
            "urgency": "within-weeks",
        },
        {
            "kind": "visit",
            "happened": "2024-02-01",
            **on,
            "visit": f"V-{access}-1",
            "outcome": "done",
            "sedation": "moderate",
            "contrast": "iodinated",
            "contrast_ml": {"value": "35"},
            "complications": [{"what": "none"}],
        },
        {
            "kind": "angiogram",
            "happened": "2024-02-01",
            **on,
            "visit": f"V-{access}-1",
            "lesions": [{"lesion": "L1", "place": "cephalic-arch", "stenosis_percent": percent}],
            "central_veins": "patent",
        },
        {
            "kind": "angioplasty",
            "happened": "2024-02-01",
            **on,
            "visit": f"V-{access}-1",
            "lesions": [
                {
                    "lesion": "L1",
                    "place": "cephalic-arch",
                    "balloons": [{"diameter_mm": {"value": "8"}, "length_mm": {"value": "40"}}],
                    "residual_percent": {"value": "20", "comparator": "<"},
                }
            ],
        },
        {"kind": "measurement", "happened": "2024-03-04", **on, "flow_ml_min": {"value": "812.50"}},
        {"kind": "examination", "happened": "2024-05-06", **on, "thrill": "continuous", "pulse": "soft"},
        {"kind": "thrombosis", "happened": "2024-08-09", **on, "known_by": "imaging"},
        {"kind": "thrombectomy", "happened": "2024-08-09", **on, "methods": ["aspiration"], "success": True},
    ]


def drafts(access: str, facts: list[dict[str, Any]] | None = None) -> list[Draft]:
    """The same as drafts from a report, validated at the border."""
    return [Draft(event=validated(fact), source=f"report:{access}", evidence=REPORT) for fact in facts or life(access)]
