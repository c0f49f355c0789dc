"""Resources of somebody else, in the dialects of several countries and makers: what their codes tell is proposed.

Written by hand, of invented people. Codes are those of the project's tables, with the sources that stand there.
"""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_mapping.codes import code_table, read_code_lines
from fhir_mapping.foreign import ForeignReport, foreign_report, received_codes
from ledger.arrival.values import Envelope, Form
from ledger.reading.proposals import Reading
from ledger.reading.reader import read_report

SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
CODES = code_table()


def snomed(code: str, display: str | None = None) -> dict[str, Any]:
    return {"coding": [{"system": SNOMED, "code": code, **({"display": display} if display else {})}]}


def quantity(value: Any, unit: str, **more: Any) -> dict[str, Any]:
    return {"value": value, "unit": unit, "system": UCUM, "code": unit, **more}


def procedure(code: dict[str, Any], **more: Any) -> dict[str, Any]:
    """As US Core has it: status, code, subject, performed."""
    return {
        "resourceType": "Procedure",
        "id": "p1",
        "meta": {"profile": ["http://hl7.org/fhir/us/core/StructureDefinition/us-core-procedure"]},
        "status": "completed",
        "code": code,
        "subject": {"reference": "Patient/1"},
        "performedDateTime": "2024-03-04T10:30:00+00:00",
        **more,
    }


def observation(code: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "code": code,
        "subject": {"reference": "Patient/1"},
        "effectiveDateTime": "2024-03-04",
        **more,
    }


def condition(text: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Condition", "code": {"text": text}, "onsetDateTime": "2024-03-04", **more}


def report(resource: dict[str, Any], **others: Any) -> ForeignReport:
    found = foreign_report(resource, CODES, others.get("others"))
    assert found is not None
    return found


def reading(resource: dict[str, Any], **others: Any) -> Reading:
    found = report(resource, **others)
    return read_report(found.text, Envelope(form=Form.FHIR, performed=found.happened, told=found.told))


def proposed(resource: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    return [(one.kind, _plain(one.detail)) for one in reading(resource).proposed]


def _plain(detail: Any) -> dict[str, Any]:
    return {
        name: str(held) if not isinstance(held, bool | tuple) else held
        for name, held in detail.items()
        if name != "lesions"
    }


# --- Procedures ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "kind", "detail"),
    [
        ("233468004", "creation", {"access_kind": "fistula", "inflow": "radial", "outflow": "cephalic"}),
        ("79827002", "creation", {"access_kind": "fistula"}),
        ("426340003", "creation", {"access_kind": "graft"}),
        (
            "439322008",  # Its display in the table names the upper arm.
            "creation",
            {"access_kind": "fistula", "configuration": "transposed", "outflow": "basilic", "site": "upper-arm"},
        ),
        ("736922008", "catheter-placed", {"access_kind": "tunnelled-catheter"}),
        ("450865002", "catheter-placed", {"access_kind": "nontunnelled-catheter"}),
        ("180272001", "catheter-placed", {"access_kind": "peritoneal-catheter"}),
        ("432018009", "catheter-exchanged", {}),
        ("427992007", "thrombectomy", {}),
        ("432687008", "thrombectomy", {"methods": ("mechanical",)}),
        ("276893007", "angioplasty", {}),
        ("434435000", "stent", {}),
        ("225892009", "revision", {}),
    ],
)
def test_a_code_without_any_word_is_understood_through_the_tables(code: str, kind: str, detail: dict[str, Any]) -> None:
    found = reading(procedure(snomed(code)))

    assert [(one.kind, _plain(one.detail)) for one in found.proposed] == [(kind, detail)]
    assert found.happened == "2024-03-04"
    assert all(not one.plain for one in found.proposed)


def test_body_site_gives_side_and_site_and_the_outcome_its_success() -> None:
    found = reading(
        procedure(
            snomed("427992007", "Removal of thrombus of arteriovenous fistula"),
            bodySite=[{"text": "Left forearm"}],
            outcome=snomed("385671000", "Unsuccessful"),
        )
    )

    (access,), (one,) = found.accesses, found.proposed
    assert (access.kind, access.side, access.site) == ("fistula", "left", "forearm")
    assert one.detail["success"] is False
    assert [found.words(cite) for cite in one.quotes] == [
        "2024-03-04",
        "Removal of thrombus of arteriovenous fistula",
        "Left forearm",
        "Unsuccessful",
    ]


def test_laterality_may_stand_in_a_code_or_in_the_structure_that_is_pointed_to() -> None:
    coded = procedure(snomed("79827002"), bodySite=[{"coding": [snomed("419465000")["coding"][0]]}])
    pointed = procedure(
        snomed("79827002"),
        extension=[
            {
                "url": "http://hl7.org/fhir/StructureDefinition/procedure-targetBodyStructure",
                "valueReference": {"reference": "BodyStructure/b"},
            }
        ],
    )
    structure = {"location": {"text": "upper arm"}, "locationQualifier": [snomed("419161000")]}

    assert reading(coded).accesses[0].side == "right"
    access = reading(pointed, others={"BodyStructure/b": structure}).accesses[0]
    assert (access.side, access.site) == ("left", "upper-arm")


def test_both_sides_leave_the_side_open_and_say_so() -> None:
    found = reading(procedure(snomed("79827002"), bodySite=[{"text": "left wrist"}, {"text": "right wrist"}]))

    assert found.accesses[0].side is None
    assert found.doubts == ("it names both sides",)


def test_an_angioplasty_has_its_lesion_where_the_body_site_names_one() -> None:
    (one,) = reading(procedure(snomed("276893007"), outcome=snomed("385669000"))).proposed

    (lesion,) = one.detail["lesions"]
    assert (lesion.place, lesion.outcome, lesion.ballooned) == ("superior-vena-cava", "success", True)


def test_a_stent_code_says_whether_it_is_covered_and_a_body_site_which_access_it_is() -> None:
    found = reading(procedure(snomed("434435000"), bodySite=[{"text": "cephalic arch of left upper arm fistula"}]))

    (lesion,) = found.proposed[0].detail["lesions"]
    assert (lesion.place, [one.covered for one in lesion.stents]) == ("cephalic-arch", [True])
    assert (found.accesses[0].kind, found.accesses[0].site) == ("fistula", "upper-arm")
    assert reading(procedure({"text": "x"}, bodySite=[{"text": "anal fistula"}])).accesses == ()


@pytest.mark.parametrize("status", ["not-done", "preparation", "in-progress", "on-hold"])
def test_what_was_not_done_is_not_proposed_and_says_why(status: str) -> None:
    found = reading(procedure(snomed("79827002"), status=status))

    assert found.proposed == ()
    assert status in found.noticed[0].reason


def test_what_was_stopped_is_proposed_with_a_doubt() -> None:
    (one,) = reading(procedure(snomed("427992007"), status="stopped")).proposed

    assert "it was stopped before its end" in one.doubts


def test_one_code_may_tell_two_things() -> None:
    assert [kind for kind, _ in proposed(procedure(snomed("443683004")))] == ["revision", "thrombectomy"]


def test_a_partial_date_stays_partial_and_a_period_gives_its_start() -> None:
    assert reading(procedure(snomed("79827002"), performedDateTime="2019")).happened == "2019"
    period = procedure(snomed("79827002"))
    del period["performedDateTime"]
    period["performedPeriod"] = {"start": "2024-03-04T23:30:00Z", "end": "2024-03-05T01:00:00Z"}
    assert reading(period).happened == "2024-03-04"


def test_the_codes_of_a_site_are_understood_as_well() -> None:
    own = read_code_lines(
        [
            "use\tsystem\tcode\tdisplay\tsource\tverified",
            "procedure/creation/graft\thttps://site.example/codes\tG7\tour graft\tthe site\tyes",
        ],
        where="own",
    )
    found = foreign_report(
        procedure({"coding": [{"system": "https://site.example/codes", "code": "G7"}]}), CODES.replaced_by(own)
    )

    assert found is not None
    assert json.loads(found.told or "{}")["proposed"][0]["detail"] == {"access_kind": "graft"}


def test_every_code_that_is_understood_and_never_sent_says_where_it_was_seen_and_tells_something() -> None:
    for line in received_codes():
        assert line.source
        assert line.verified
        found = reading(procedure({"coding": [{"system": line.system, "code": line.code}]}))
        assert found.proposed or "says too little" in found.noticed[0].reason


# --- Observations -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("code", "value", "detail"),
    [
        ({"text": "Access flow"}, quantity(812.5, "mL/min"), {"flow_ml_min": "812.5"}),
        ({"text": "Access blood flow rate"}, quantity(1.2, "L/min"), {"flow_ml_min": "1200"}),
        ({"text": "Qa"}, {"value": 600, "unit": "ml/min"}, {"flow_ml_min": "600"}),
        ({"text": "Access flow"}, quantity(400, "mL/min", comparator="<"), {"flow_ml_min": "<400"}),
        (snomed("439976001"), quantity(12, "%"), {"recirculation_percent": "12"}),
        (snomed("439278006"), quantity(95, "mm[Hg]"), {"static_venous_pressure_mmhg": "95"}),
        ({"text": "spKt/V"}, quantity(1.41, "1"), {"kt_v": "1.41"}),
    ],
)
def test_a_value_with_its_unit_becomes_a_measurement(code: Any, value: Any, detail: dict[str, Any]) -> None:
    assert proposed(observation(code, valueQuantity=value)) == [("measurement", detail)]


def test_components_of_one_panel_become_one_measurement_and_what_is_not_understood_is_listed() -> None:
    found = reading(
        observation(
            {"text": "Vascular access surveillance"},
            component=[
                {"code": {"text": "Access flow"}, "valueQuantity": quantity(640, "mL/min")},
                {"code": snomed("439278006"), "valueQuantity": quantity(88, "mm[Hg]")},
                {"code": {"text": "Systolic blood pressure"}, "valueQuantity": quantity(131, "mm[Hg]")},
                {"code": {"text": "Body weight"}, "valueQuantity": quantity(70, "kg")},
            ],
            method={"text": "Ultrasound dilution"},
        )
    )

    (one,) = found.proposed
    assert _plain(one.detail) == {
        "flow_ml_min": "640",
        "static_venous_pressure_mmhg": "88",
        "systolic_mmhg": "131",
        "method": "indicator-dilution",
    }
    assert [found.text[left.start : left.end] for left in found.noticed] == ["70 kg"]
    assert "understood by its name, not by a code" in one.doubts


@pytest.mark.parametrize(
    "value", [{"value": 600}, quantity(600, "[gal_us]/h"), {"value": 600, "unit": "units"}, {"unit": "mL/min"}, {}]
)
def test_a_number_without_a_unit_that_is_understood_is_not_taken(value: dict[str, Any]) -> None:
    found = reading(observation({"text": "Access flow"}, valueQuantity=value))

    assert found.proposed == ()
    assert found.noticed


def test_a_blood_pressure_alone_is_nothing_of_an_access() -> None:
    found = reading(observation({"text": "Systolic blood pressure"}, valueQuantity=quantity(131, "mm[Hg]")))

    assert found.proposed == ()


# --- Conditions, devices, other languages -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "kind", "detail"),
    [
        ("Thrombosis of arteriovenous graft", "thrombosis", {}),
        ("Steal syndrome due to dialysis access", "complication", {"what": "steal"}),
        ("Pseudoaneurysm of arteriovenous fistula", "complication", {"what": "pseudoaneurysm"}),
        ("Infection of arteriovenous graft", "infection", {"infection_class": "access"}),
        ("Catheter-related bloodstream infection", "infection", {"infection_class": "bloodstream"}),
    ],
)
def test_a_condition_of_an_access_is_understood_by_its_name_and_says_so(
    text: str, kind: str, detail: dict[str, Any]
) -> None:
    found = reading(condition(text, bodySite=[{"text": "Right upper arm"}]))

    assert [(one.kind, _plain(one.detail)) for one in found.proposed] == [(kind, detail)]
    assert found.accesses[0].side == "right"
    assert found.proposed[0].doubts == ("understood by its name, not by a code",)


def test_a_condition_that_is_over_says_so_and_one_that_nobody_confirms_is_left_out() -> None:
    over = condition("Aneurysm of arteriovenous fistula", clinicalStatus={"coding": [{"code": "resolved"}]})
    perhaps = condition("Aneurysm of arteriovenous fistula", verificationStatus={"coding": [{"code": "differential"}]})

    assert proposed(over) == [("complication", {"what": "aneurysm", "resolved": True})]
    assert proposed(perhaps) == []


@pytest.mark.parametrize(
    "text",
    [
        "Deep vein thrombosis of left leg",
        "Abdominal aortic aneurysm",
        "Infected toe",
        "Infection of urinary catheter",
        "Aneurysm of cerebral arteriovenous malformation",
        "Thrombosis of portosystemic shunt",
        "Infection of pulmonary arteriovenous fistula",
        "Subclavian steal syndrome",
        "Infection of vascular graft",
    ],
)
def test_a_condition_of_something_else_is_not_taken_for_one_of_an_access(text: str) -> None:
    assert proposed(condition(text)) == []


def test_another_language_is_kept_in_its_words_and_proposes_nothing() -> None:
    # As a German hospital sends it: a procedure code of its own, text, and a body site.
    theirs = procedure(
        {
            "coding": [
                {
                    "system": "http://fhir.de/CodeSystem/bfarm/ops",
                    "version": "2024",
                    "code": "5-392.1",
                    "display": "Anlegen eines arteriovenösen Shuntes: Innere AV-Fistel",
                }
            ]
        },
        category=snomed("387713003"),
        bodySite=[{"text": "Unterarm links"}],
    )

    found = reading(theirs)

    assert found.proposed == ()
    assert "Innere AV-Fistel" in found.text
    assert "Unterarm links" in found.text
    assert [one.reason for one in found.noticed] == ["neither the code nor the name of it is understood"]


def test_prose_beside_an_unknown_code_is_read_like_a_report() -> None:
    note = "A left radiocephalic arteriovenous fistula was created at the wrist under local anaesthesia."
    found = reading(procedure({"text": "operation"}, note=[{"text": note}]))

    assert "creation" in [one.kind for one in found.proposed]


def test_a_device_makes_its_access_known_and_asks_for_the_day() -> None:
    catheter = {"resourceType": "Device", "type": {"text": "Tunnelled dialysis catheter"}, "status": "active"}

    (one,) = reading(catheter).proposed

    assert (one.kind, _plain(one.detail), one.happened) == ("access-known", {"access_kind": "tunnelled-catheter"}, None)
    assert "give the day" in one.doubts[0]


@pytest.mark.parametrize(
    "device",
    [
        {"type": {"text": "Tunnelled dialysis catheter"}, "status": "inactive"},
        {"type": {"text": "Wheelchair"}, "status": "active"},
        {"type": [{"text": "Pacemaker"}]},
    ],
)
def test_a_device_that_is_out_or_of_something_else_proposes_nothing_and_says_why(device: dict[str, Any]) -> None:
    found = reading({"resourceType": "Device", **device})

    assert found.proposed == ()
    assert found.noticed


def test_what_says_nothing_at_all_is_not_taken() -> None:
    assert foreign_report({"resourceType": "Procedure", "status": "completed"}, CODES) is None
    assert foreign_report({"resourceType": "Immunization"}, CODES) is None


ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-5, 5000)
    | st.sampled_from(["left wrist", "385669000", SNOMED, "L/min", ""]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["coding", "text", "system", "code", "display", "value", "unit", "reference", "valueQuantity"]
            ),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)
NAMES = [
    "code",
    "status",
    "bodySite",
    "outcome",
    "component",
    "note",
    "valueQuantity",
    "valueRange",
    "extension",
    "meta",
]


@given(
    st.sampled_from(["Procedure", "Observation", "Condition", "Device"]),
    st.dictionaries(
        st.sampled_from([*NAMES, "performedDateTime", "verificationStatus", "method"]), ANYTHING, max_size=8
    ),
)
def test_law_no_resource_makes_the_reader_fail(kind: str, held: dict[str, Any]) -> None:
    found = foreign_report({"resourceType": kind, **held}, CODES)

    if found is not None:
        told = read_report(found.text, Envelope(form=Form.FHIR, performed=found.happened, told=found.told))
        for one in told.proposed:
            assert all(told.words(cite).strip() for cite in one.quotes)
