"""What is asked at the chair: for each kind that is recorded there, the few things that matter, in the order of a hand.

A nurse stands beside a patient and types with one hand. So of an examination, a session or a measurement only that is
asked which can be said of this kind of access, in this order; everything else has its option. Kinds that are not in
here are asked field by field.

To ask for something more, put it where it is looked at; to ask at another kind, give it a line in `_ASKED`.
"""

from __future__ import annotations

from collections.abc import Mapping

from ledger.vocabulary import AccessKind

_NEEDLED = {
    "examination": (
        "thrill",
        "bruit",
        "pulse",
        "augments",
        "collapses_on_elevation",
        "swelling",
        "aneurysm",
        "skin",
        "hand",
        "note",
    ),
    "cannulation-session": (
        "use",
        "needles",
        "gauge",
        "arterial_site_cm",
        "venous_site_cm",
        "blood_flow_ml_min",
        "arterial_pressure_mmhg",
        "venous_pressure_mmhg",
        "minutes",
        "bleeding_minutes",
        "trouble",
        "note",
    ),
}
_LINE = {
    "examination": ("exit_site_clean", "skin", "fever", "swelling", "note"),
    "cannulation-session": (
        "blood_flow_ml_min",
        "arterial_pressure_mmhg",
        "venous_pressure_mmhg",
        "minutes",
        "note",
    ),
}
_BY_METHOD = {
    "indicator-dilution": ("flow_ml_min", "blood_flow_ml_min", "systolic_mmhg", "diastolic_mmhg"),
    "duplex": ("flow_ml_min",),
    "urea": (
        "urea_systemic",
        "urea_arterial",
        "urea_venous",
        "blood_flow_ml_min",
        "urea_before",
        "urea_after",
        "hours",
        "ultrafiltration_l",
        "weight_after_kg",
    ),
    "thermal": ("flow_ml_min", "recirculation_percent", "reversed_recirculation_fraction", "blood_flow_ml_min"),
    "ionic-dialysance": ("flow_ml_min", "kt_v", "reversed_recirculation_fraction", "blood_flow_ml_min"),
    "machine": (
        "static_venous_pressure_mmhg",
        "static_arterial_pressure_mmhg",
        "chamber_height_cm",
        "systolic_mmhg",
        "diastolic_mmhg",
        "dynamic_venous_pressure_mmhg",
        "blood_flow_ml_min",
        "gauge",
    ),
}
_ANY_METHOD = ("flow_ml_min", "recirculation_percent", "kt_v")


def is_asked_shortly(kind: str) -> bool:
    """Whether a kind is recorded at the chair, and so only asked for what matters there."""
    return kind in _NEEDLED or kind == "measurement"


def asked_next(kind: str, access_kind: AccessKind | None, said: Mapping[str, object]) -> tuple[str, ...]:
    """The fields that are asked for, in order, given what has been said so far: the method of a measurement decides.

    `access_kind` is None where nobody recorded it; then it is asked as for a fistula.
    """
    if kind == "measurement":
        method = said.get("method")
        return ("method", *(_BY_METHOD.get(str(method), _ANY_METHOD) if method else _ANY_METHOD), "note")
    table = _LINE if access_kind is not None and access_kind.is_catheter else _NEEDLED
    return table[kind]
