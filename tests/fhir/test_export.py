"""What goes out: every kind, minimal and full, and generated histories, in front of two outside validators.

Sources of what is expected: the definitions of FHIR R4 4.0.1 (package hl7.fhir.r4.core), checked by
`pyrofile-validator` and `fhir.resources`; the rest is said beside the check.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import orjson
import pytest
from hypothesis import HealthCheck, Phase, given, settings

from fhir_mapping.bundles import bundle_of, identifiers_of, key_of
from fhir_mapping.checks import gate, problems_of
from fhir_mapping.elements import written
from fhir_mapping.export import Exporter
from fhir_mapping.resources import identifier_of, primary_type, references_in, resources_of
from fhir_mapping.site import Directory, ReportCopy, Site
from ledger.dates import instant_text
from ledger.entries import Draft, Signature, event_to_dict, replaced, validated
from ledger.events import FACT_KINDS, KINDS
from ledger.evidence import Evidence
from ledger.people import Centre, Identifier, Person, Unit
from ledger.store import open_ledger
from ledger.vocabulary import ConfirmedHow
from tests.examples import EXAMPLES, LINKS, REPORT, minimal, quoted, said, words
from tests.fhir.generated import histories
from tests.fhir.validators import bundle_errors, independent_errors
from tests.lives import PATIENT, a_history, an_entry, corrected, grown, happening, retracted

SITE = Site(namespace="https://invented.example/access-ledger", assigner="Invented Dialysis Unit")
SENDS_ALL = replace(SITE, attach_text=True, create_patients=True)
PEOPLE = Directory(
    persons={"N1": Person(id="N1", name="Nurse A. Invented", role="nurse", invented=True)},
    units={"U1": Unit(id="U1", name="Invented Unit", zone="Europe/Berlin", invented=True)},
    centres={"C1": Centre(id="C1", name="Invented Access Centre", invented=True)},
    reports={REPORT: ReportCopy(id=REPORT, received_at="2021-09-15T08:00:00Z", text="An invented report.")},
)


def resources(history, site=SITE):
    return resources_of(history, PATIENT, site, words, PEOPLE)


def of_type(found, kind):
    return [one for one in found if one["resourceType"] == kind]


def values(found):
    return {f"{one['resourceType']} {identifier_of(one, SITE.namespace)['value']}" for one in found}


# --- Every kind, before outside validators ------------------------------------------------------------------------


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_both_examples_of_a_kind_are_valid(kind):
    history = a_history(*EXAMPLES[kind], evidence=Evidence(report=REPORT, quotes=(quoted("The wound was dry"),)))

    for site in (SITE, SENDS_ALL):
        found = resources(history, site)

        assert [problem for one in found for problem in gate(one) + problems_of(one, site)] == []
        assert independent_errors(found) == []


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_a_kind_is_spoken_for_by_one_resource_under_its_entrys_id(kind):
    history = a_history(minimal(kind))
    entry = history.entries[0]

    found = resources(history)

    speaking = [
        one for one in found if identifier_of(one, SITE.namespace) == {"system": SITE.namespace, "value": entry.id}
    ]
    assert [one["resourceType"] for one in speaking] == [primary_type(entry.event)]
    assert {"system": f"{SITE.canonical}/CodeSystem/kind", "code": kind, "display": kind.replace("-", " ")} in speaking[
        0
    ]["meta"]["tag"]


@pytest.mark.parametrize("kind", sorted(FACT_KINDS))
def test_a_retracted_fact_of_any_kind_stays_as_entered_in_error_and_is_valid(kind):
    history = a_history(*EXAMPLES[kind])
    before = resources(history)

    after = resources(retracted(retracted(history, history.entries[0].id), history.entries[1].id))

    assert values(before) <= values(after)
    told = [
        one for one in after if one["resourceType"] not in ("Provenance", "Patient", "Linkage", "DocumentReference")
    ]
    assert told
    assert [one for one in told if not is_in_error(one)] == []
    assert [problem for one in after for problem in gate(one) + problems_of(one, SITE)] == []
    assert independent_errors(after) == []


def is_in_error(one):
    if one["resourceType"] == "BodyStructure":
        return one["active"] is False and any(e["url"].endswith("/entered-in-error") for e in one["extension"])
    if one["resourceType"] in ("Condition", "AllergyIntolerance"):
        return one["verificationStatus"]["coding"][0]["code"] == "entered-in-error" and "clinicalStatus" not in one
    return one["status"] == "entered-in-error"


def test_everything_together_is_valid():
    history = a_history(
        *(event for kind in EXAMPLES for event in EXAMPLES[kind]),
        *(event for kind in ("report-moved", "accesses-are-one", "access-split") for event in LINKS[kind]),
        happening("report-reviewed", "2021-09-15", report=REPORT, reader="1"),
    )

    found = resources(history, SENDS_ALL)

    assert independent_errors(found) == []
    assert [problem for one in found for problem in gate(one) + problems_of(one, SENDS_ALL)] == []


@pytest.mark.parametrize("site", [SITE, SENDS_ALL], ids=["patient-known", "patient-sent"])
def test_a_transaction_is_valid(site):
    # A small one: the independent validator takes the square of a Bundle's length.
    found = resources(a_history(*(minimal(kind) for kind in ("visit", "creation", "thrombosis", "referral"))), site)

    bundle = bundle_of(found, site)

    assert bundle_errors(bundle) == []
    assert gate(bundle) == []


def test_joined_patients_are_valid_and_sent_under_the_survivor():
    other = a_history(happening("creation", "2019", access="A2", access_kind="fistula"), patient="P0002")
    before = resources_of(other, replace(PATIENT, id="P0002", identifiers=()), SITE, words)
    joined = replace(
        a_history(minimal("thrombosis"), happening("patients-are-one", "2023-05-06", other="P0002")),
        merged=(("P0002", other.entries),),
    )

    after = resources(joined)

    assert independent_errors(after) == []
    assert values(before) <= values(after)
    assert {one["subject"]["identifier"]["value"] for one in after if "subject" in one} == {"MRN-0001"}
    assert [one["item"][1]["resource"]["identifier"]["value"] for one in of_type(after, "Linkage")] == ["P0002/patient"]


# Shrinking would take minutes, since the independent validator is slow; the problem says what is wrong well enough.
SLOWLY = {
    "deadline": None,
    "suppress_health_check": list(HealthCheck),
    "phases": [Phase.explicit, Phase.reuse, Phase.generate],
}


@settings(max_examples=200, **SLOWLY)
@given(histories())
def test_generated_histories_of_every_kind_in_every_order_are_valid(history):
    assert problems_before_all_validators(history) == []


@pytest.mark.slow
@settings(max_examples=10_000, **SLOWLY)
@given(histories())
def test_ten_thousand_generated_histories_are_valid(history):
    assert problems_before_all_validators(history) == []


def problems_before_all_validators(history):
    problems = []
    for site in (SITE, SENDS_ALL):
        found = resources(history, site)
        problems += [problem for one in found for problem in gate(one) + problems_of(one, site)]
    return problems + independent_errors(found)


def test_the_validators_would_notice():
    # A gate that lets everything through proves nothing: each of these is wrong on purpose.
    history = a_history(*EXAMPLES["angioplasty"], *EXAMPLES["measurement"], *EXAMPLES["creation"])
    procedure = of_type(resources(history), "Procedure")[0]
    observation = of_type(resources(history), "Observation")[-1]

    assert independent_errors([{**procedure, "status": "nonsense"}])
    assert independent_errors([{**procedure, "partOf": [{"reference": "Patient/1"}]}])
    assert independent_errors([{**procedure, "extension": [{"url": f"{SITE.canonical}/StructureDefinition/unknown"}]}])
    assert gate({name: held for name, held in procedure.items() if name != "subject"})
    assert gate({**procedure, "nonsense": "1"})
    assert problems_of({**procedure, "performedDateTime": "2021-02-30"}, SITE)
    assert problems_of({**procedure, "performedDateTime": "2021-02-03T10:00:00"}, SITE)
    assert problems_of({**procedure, "subject": {"reference": "Device/1"}}, SITE)
    assert problems_of({**procedure, "location": {"reference": "Device/1"}}, SITE)
    assert problems_of({**procedure, "code": {"coding": [{"system": "http://snomed.info/sct", "code": "1"}]}}, SITE)
    assert problems_of({**procedure, "identifier": [{"system": "urn:oid:1.2.03", "value": "1"}]}, SITE)
    assert problems_of({**procedure, "identifier": [{"system": "1.2.3.4.5", "value": "1"}]}, SITE)
    assert problems_of(
        {**observation, "valueQuantity": {"system": "http://unitsofmeasure.org", "code": "furlong"}}, SITE
    )
    assert problems_of(procedure, SITE) == problems_of(observation, SITE) == []


# --- Pure, whole, the same every time -----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(histories())
def test_the_same_history_gives_the_same_bytes_and_every_reference_a_target_that_comes_first(history):
    once, again = resources(history, SENDS_ALL), resources(history, SENDS_ALL)

    assert [written(one) for one in once] == [written(one) for one in again]
    assert len({key_of(one) for one in once}) == len(once)
    before: set[str] = set()
    for one in once:
        assert {reference["reference"] for reference in references_in(one)} <= before
        before.add(key_of(one))


def test_what_is_referred_to_comes_first_also_when_it_was_told_later():
    history = a_history(
        happening("angioplasty", "2021-09-14", access="A1", visit="V1", lesions=[{"lesion": "L1"}]),
        happening("visit", "2021-09-15", access="A1", visit="V1"),
    )

    before: set[str] = set()
    for one in resources(history):
        assert {reference["reference"] for reference in references_in(one)} <= before
        before.add(key_of(one))


def test_of_two_that_refer_to_each_other_one_is_named_by_identifier():
    history = a_history(
        an_entry(happening("referral", "2021-09-09", access="A1", findings=["e-visit"]), 1, id="e-referral"),
        an_entry(happening("visit", "2021-09-14", access="A1", visit="V1", referral="e-referral"), 2, id="e-visit"),
    )

    found = resources(history)

    request, encounter = of_type(found, "ServiceRequest")[0], of_type(found, "Encounter")[0]
    named = [request["supportingInfo"][0], encounter["basedOn"][0]]
    assert sorted("identifier" in one for one in named) == [False, True]
    assert independent_errors(found) == []


def test_no_day_of_export_stands_in_what_is_sent():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))

    text = b"\n".join(written(one) for one in resources(history))

    assert b"2026-" not in text


def test_bundles_are_equal_to_the_byte_and_their_addresses_survive_a_split():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))
    found = resources(history)
    identifiers = identifiers_of(found, SITE)

    whole = bundle_of(found, SITE)
    halves = [bundle_of(found[:100], SITE, others=identifiers), bundle_of(found[100:], SITE, others=identifiers)]

    assert written(whole) == written(bundle_of(resources(history), SITE))
    entries = [entry for half in halves for entry in half["entry"]]
    assert [entry["fullUrl"] for entry in entries] == [entry["fullUrl"] for entry in whole["entry"]]
    assert all(entry["request"]["method"] == "PUT" and "%7C" in entry["request"]["url"] for entry in entries)
    assert all("id" not in entry["resource"] for entry in entries)
    for half in halves:
        inside = {entry["fullUrl"] for entry in half["entry"]}
        for entry in half["entry"]:
            for reference in references_in(entry["resource"]):
                assert reference["reference"] in inside or "?identifier=" in reference["reference"]


# --- What is said -------------------------------------------------------------------------------------------------


def test_a_decimal_leaves_in_the_digits_in_which_it_was_said():
    history = a_history(happening("measurement", "2021-09-08", access="A1", flow_ml_min={"value": "812.50"}))

    observation = of_type(resources(history), "Observation")[0]

    assert b'"value":812.50,' in written(observation)
    assert observation["component"][0]["valueQuantity"]["code"] == "mL/min"


def test_below_twenty_percent_is_not_twenty():
    history = a_history(
        happening(
            "angioplasty",
            "2021-09-14",
            access="A1",
            lesions=[{"lesion": "L1", "residual_percent": {"value": "20", "comparator": "<"}}],
        )
    )

    lesion = of_type(resources(history), "Observation")[0]

    assert lesion["valueQuantity"]["comparator"] == "<"
    assert written(lesion["valueQuantity"]["value"]) == b"20"


@pytest.mark.parametrize(
    ("said", "sent", "kept"),
    [
        ("2019", "2019", None),
        ("2019-03", "2019-03", None),
        ("2019-03-04", "2019-03-04", None),
        ("2019-03-04T10:30:00+01:00", "2019-03-04T10:30:00+01:00", None),
        ("2019-03-04T10:30:00Z", "2019-03-04T10:30:00Z", None),
        # Local to the unit in Berlin, which is an hour ahead of UTC in March.
        ("2019-03-04T10:30", "2019-03-04T10:30:00+01:00", "2019-03-04T10:30"),
        # FHIR allows offsets up to fourteen hours.
        ("2019-03-04T10:30:00+18:00", "2019-03-03T16:30:00+00:00", "2019-03-04T10:30:00+18:00"),
    ],
)
def test_a_date_is_as_precise_as_it_was_said(said, sent, kept):
    history = a_history(happening("creation", said, access="A1", access_kind="fistula"))

    procedure = of_type(resources(history), "Procedure")[0]

    assert procedure["performedDateTime"] == sent
    if kept is None:
        assert "_performedDateTime" not in procedure
    else:
        assert procedure["_performedDateTime"]["extension"][0]["valueString"] == kept


@pytest.mark.parametrize(
    ("began", "until", "sent"),
    [
        ("2002-07-01", "2002-07-09", {"start": "2002-07-01", "end": "2002-07-09"}),
        ("2002", "2002-07-09", {"start": "2002", "end": "2002-07-09"}),
        # True as it was said, and yet many receivers would read the end as January: it stays in our extension.
        ("2002-07-01", "2002", {"start": "2002-07-01"}),
        ("2002-07-09", "2002-07-01", {"start": "2002-07-09"}),
    ],
)
def test_a_period_never_ends_before_it_begins(began, until, sent):
    found = resources(a_history(happening("hospital-stay", began, until=until)))

    stay = of_type(found, "Encounter")[0]
    assert stay["period"] == sent
    assert stay["extension"][0]["extension"][0]["valueDateTime"] == until
    assert independent_errors([stay]) == []


def test_the_procedures_of_one_visit_are_part_of_its_angiogram():
    history = a_history(
        happening("visit", "2021-09-14", access="A1", visit="V1", outcome="done"),
        happening("angioplasty", "2021-09-14", access="A1", visit="V1", lesions=[{"lesion": "L1"}]),
        happening("angiogram", "2021-09-14", access="A1", visit="V1", lesions=[{"lesion": "L1"}]),
    )

    found = resources(history)

    angioplasty = next(one for one in of_type(found, "Procedure") if "angioplasty" in one["code"]["text"])
    angiogram = next(one for one in of_type(found, "Procedure") if "angiogram" in one["code"]["text"])
    encounter = of_type(found, "Encounter")[0]
    assert angioplasty["partOf"] == [{"reference": key_of(angiogram)}]
    assert "partOf" not in angiogram
    assert angioplasty["encounter"] == angiogram["encounter"] == {"reference": key_of(encounter)}
    # Value set procedure-outcome of R4.
    assert angiogram["outcome"]["coding"][0]["code"] == "385669000"


def test_a_stent_is_a_device_that_was_implanted_and_a_reason_that_is_a_lesion():
    history = a_history(
        happening(
            "stent",
            "2022-01-11",
            access="A1",
            stents=[{"device": "D7", "covered": True, "diameter_mm": {"value": "7"}, "lesion": "L2"}],
            lesions=[{"lesion": "L2", "place": "cephalic-arch"}],
        )
    )

    found = resources(history)

    procedure, device, use = (of_type(found, kind)[0] for kind in ("Procedure", "Device", "DeviceUseStatement"))
    assert procedure["focalDevice"][0]["manipulated"] == {"reference": key_of(device)}
    assert device["type"]["text"] == "covered stent"
    assert use["timingPeriod"] == {"start": "2022-01-11"}
    assert [one["reference"] for one in procedure["reasonReference"]] == [key_of(of_type(found, "Condition")[0])]


def test_a_catheter_leaves_the_body_when_it_is_exchanged_also_without_an_id():
    history = a_history(
        happening("catheter-placed", "2018-11-02", access="A3", access_kind="tunnelled-catheter"),
        happening("catheter-exchanged", "2019-01-20", access="A3"),
        happening("catheter-removed", "2019-07-01", access="A3"),
    )

    uses = of_type(resources(history), "DeviceUseStatement")

    assert [one["timingPeriod"] for one in uses] == [
        {"start": "2018-11-02", "end": "2019-01-20"},
        {"start": "2019-01-20", "end": "2019-07-01"},
    ]
    assert [one["status"] for one in uses] == ["completed", "completed"]


def test_a_correction_keeps_the_identifier_and_says_who_revised_what():
    history = a_history(happening("creation", "2019-03-04", access="A1", access_kind="fistula", side="left"))
    wrong = history.entries[0]
    right = corrected(history, wrong.id, replaced(wrong.event, side="right"))

    before, after = resources(history), resources(right)

    assert values(before) < values(after)
    assert [one["id"] for one in of_type(after, "Procedure")] == [one["id"] for one in of_type(before, "Procedure")]
    assert of_type(after, "Procedure")[0]["bodySite"][0]["text"] == "right side"
    revised = of_type(after, "Provenance")[-1]
    assert revised["activity"]["coding"][0]["code"] == "UPDATE"
    assert revised["entity"][0]["role"] == "revision"
    assert revised["entity"][0]["what"]["identifier"]["value"] == f"{wrong.id}/provenance"
    assert len(of_type(after, "Provenance")) == 2


def test_a_corrected_observation_is_amended():
    history = a_history(happening("examination", "2021-09-01", access="A1", thrill="absent"))
    wrong = history.entries[0]

    found = resources(corrected(history, wrong.id, replaced(wrong.event, thrill="weak")))

    assert [one["status"] for one in of_type(found, "Observation")] == ["amended"]


def test_a_fact_that_becomes_another_type_leaves_the_old_one_entered_in_error():
    history = a_history(happening("examination", "2021-09-01", access="A1", thrill="absent"))
    wrong = history.entries[0]

    found = resources(corrected(history, wrong.id, happening("thrombosis", "2021-09-01", access="A1")))

    assert [one["status"] for one in of_type(found, "Observation")] == ["entered-in-error"]
    assert [one["verificationStatus"]["text"] for one in of_type(found, "Condition")] == ["Confirmed"]
    assert independent_errors(found) == []


def test_a_lesion_that_a_correction_takes_away_is_entered_in_error():
    history = a_history(happening("angiogram", "2021-09-14", access="A1", lesions=[{"lesion": "L1"}, {"lesion": "L2"}]))
    wrong = history.entries[0]

    found = resources(
        corrected(history, wrong.id, happening("angiogram", "2021-09-14", access="A1", lesions=[{"lesion": "L2"}]))
    )

    status = {identifier_of(one, SITE.namespace)["value"]: one["status"] for one in of_type(found, "Observation")}
    assert status == {f"{wrong.id}/lesion/L2": "amended", f"{wrong.id}/lesion/L1": "entered-in-error"}


def test_a_retracted_retraction_brings_the_fact_back():
    history = a_history(happening("thrombosis", "2022-01-10", access="A1"))
    gone = retracted(history, history.entries[0].id)

    back = retracted(gone, gone.entries[-1].id)

    assert not any(is_in_error(one) for one in of_type(resources(back), "Condition"))
    assert of_type(resources(back), "Condition") == of_type(resources(history), "Condition")
    nullified = of_type(resources(gone), "Provenance")[-1]
    assert nullified["activity"]["coding"][0]["code"] == "NULLIFY"
    assert nullified["target"] == [{"reference": key_of(of_type(resources(history), "Condition")[0])}]


def test_two_accesses_that_are_one_leave_the_other_structure_in_error_and_move_its_facts():
    history = a_history(
        happening("creation", "2019-03-04", access="A1", access_kind="fistula"),
        happening("thrombosis", "2022-01-10", access="A2"),
    )
    joined = grown(history, happening("accesses-are-one", "2023-05-04", survivor="A1", other="A2"))

    found = resources(joined)

    structures = {identifier_of(one, SITE.namespace)["value"]: one for one in of_type(found, "BodyStructure")}
    assert structures["P0001/access/A1"]["active"] is True
    assert is_in_error(structures["P0001/access/A2"])
    assert of_type(found, "Condition")[0]["extension"][0]["valueReference"] == {
        "reference": key_of(structures["P0001/access/A1"])
    }
    assert [one["active"] for one in of_type(found, "Linkage")] == [True]


def test_words_that_were_erased_leave_no_trace():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))

    found = resources_of(history, PATIENT, SENDS_ALL, lambda stretch: None)

    text = b"\n".join(written(one) for one in found)
    for word in (b"Fennimore", b"wound", b"daughter", b"warm pack"):
        assert word not in text
    assert independent_errors(found) == []


def test_the_report_text_leaves_only_where_the_site_says_so():
    history = a_history(minimal("thrombosis"), evidence=Evidence(report=REPORT, quotes=(quoted("The wound was dry"),)))

    kept, sent = resources(history), resources(history, replace(SITE, attach_text=True))

    assert "data" not in of_type(kept, "DocumentReference")[0]["content"][0]["attachment"]
    assert "data" in of_type(sent, "DocumentReference")[0]["content"][0]["attachment"]
    assert b"wound" not in b"".join(written(one) for one in kept)
    assert of_type(sent, "Provenance")[0]["entity"][1]["what"]["display"] == "The wound was dry"
    # LOINC 11504-8, Surgical operation note.
    assert of_type(kept, "DocumentReference")[0]["type"]["coding"][0]["code"] == "11504-8"


def test_a_patient_without_a_number_of_the_receiver_is_named_by_our_own():
    history = a_history(minimal("thrombosis"))
    site = replace(SITE, patient_system="https://elsewhere.example/mrn")

    found = resources_of(history, PATIENT, site, words)

    assert of_type(found, "Condition")[0]["subject"]["identifier"] == {
        "system": SITE.namespace,
        "value": "P0001/patient",
    }


def test_several_identifiers_of_a_patient_the_configured_one_is_taken():
    patient = replace(
        PATIENT,
        identifiers=(
            Identifier(system="local", value="7"),
            Identifier(system="https://invented.example/other", value="X"),
            Identifier(system="https://invented.example/mrn", value="M"),
        ),
    )
    site = replace(SITE, patient_system="https://invented.example/mrn")

    found = resources_of(a_history(minimal("thrombosis")), patient, site, words)

    assert of_type(found, "Condition")[0]["subject"]["identifier"]["value"] == "M"


def test_a_site_without_a_licence_sends_the_text_and_no_snomed_code():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))
    site = replace(SITE, systems_left_out=frozenset({"http://snomed.info/sct"}))

    found = resources_of(history, PATIENT, site, words)

    assert b"snomed" not in b"".join(written(one) for one in found)
    assert independent_errors(found) == []


def test_what_nobody_read_is_said_to_be_entered_not_authored():
    event = minimal("thrombosis")
    history = a_history(an_entry(event, 1), an_entry(event, 2, how=ConfirmedHow.IN_BULK))

    agents = [one["agent"][0]["type"]["coding"][0]["code"] for one in of_type(resources(history), "Provenance")]

    assert agents == ["author", "enterer"]


def test_test_patients_are_marked_as_test_data_everywhere():
    found = resources(a_history(*EXAMPLES["stent"]), SENDS_ALL)

    assert all(one["meta"]["security"][0]["code"] == "HTEST" for one in found)
    real = resources_of(a_history(*EXAMPLES["stent"]), replace(PATIENT, invented=False), SITE, words)
    assert all("security" not in one.get("meta", {}) for one in real)


def test_every_code_has_text_beside_it():
    history = a_history(*(event for kind in EXAMPLES for event in EXAMPLES[kind]))

    for one in resources(history):
        for held in dicts_in(orjson.loads(written(one))):
            if "coding" in held:
                assert held["text"]
                assert all(coding.get("display") for coding in held["coding"])


def dicts_in(value):
    if isinstance(value, dict):
        yield value
        for held in value.values():
            yield from dicts_in(held)
    elif isinstance(value, list):
        for held in value:
            yield from dicts_in(held)


def test_every_kind_of_event_is_met_by_the_exporter():
    assert set(EXAMPLES) | set(LINKS) | {"correction", "retraction", "report-reviewed"} == set(KINDS)


# --- Since an instant ---------------------------------------------------------------------------------------------


def test_since_an_instant_gives_what_differs_from_then_and_nothing_else(tmp_path):
    noon = datetime(2026, 1, 15, 12, 0, tzinfo=UTC)
    now = [noon]
    nurse = Signature(person="N1")
    with open_ledger(tmp_path / "one.sqlite", create=True, uuid=UUID(int=1), clock=lambda: now[0]) as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit", zone="Europe/London", invented=True))
        ledger.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        for number in range(3):
            patient = ledger.who.add_patient(name=f"Invented {number}", unit="U1", invented=True)
            story = [
                happening("creation", "2019-03-04", access=f"{patient.id}-A1", access_kind="fistula", side="left"),
                happening("thrombosis", "2022-01-10", access=f"{patient.id}-A1"),
                happening("infection", "2022-02-10", access=f"{patient.id}-A1", infection_class="access"),
            ]
            ledger.append(patient.id, [Draft(event=event, source=f"s{n}") for n, event in enumerate(story)], by=nurse)
        then = {one: whole(ledger, one) for one in ("P0001", "P0002", "P0003")}

        now[0] = noon + timedelta(hours=1)
        made, clotted, infected = ledger.history("P0001").entries
        to = {**event_to_dict(made.event), "happened": "2019-03-05"}
        right = {"kind": "correction", "happened": "2019-03-05", "corrects": made.id, "root": made.id, "to": to}
        gone = {"kind": "retraction", "happened": "2026-01-15", "retracts": clotted.id}
        new = event_to_dict(happening("banding", "2023-05-06", access="P0001-A1"))
        drafts = [Draft(event=validated(one), source=f"l{n}") for n, one in enumerate((right, gone, new))]
        ledger.append("P0001", drafts, by=nurse)
        joined = happening("patients-are-one", "2026-01-15", other="P0003")
        link = ledger.append("P0002", [Draft(event=joined, source="j")], by=nurse).entries[0]

        since = Exporter(ledger, SITE, since=instant_text(noon + timedelta(minutes=30)))
        told = {one: {key_of(r): r for r in since.of(one).resources} for one in since.patients("U1")}
        for patient, before in (("P0001", then["P0001"]), ("P0002", then["P0002"])):
            after = whole(ledger, patient)
            assert told[patient] == {key: one for key, one in after.items() if before.get(key) != one}
            assert told[patient]
        assert any(infected.id in value for value in values(then["P0001"].values()))
        assert not any(infected.id in value for value in values(told["P0001"].values()))
        assert set(told) == {"P0001", "P0002"}

        later = Exporter(ledger, SITE, since=instant_text(noon + timedelta(hours=2)))
        assert [later.of(one).resources for one in later.patients()] == [[], []]

        # Parted again, each record goes out anew under its own patient.
        now[0] = noon + timedelta(hours=3)
        apart = validated({"kind": "retraction", "happened": "2026-01-15", "retracts": link.id})
        ledger.append("P0002", [Draft(event=apart, source="a")], by=nurse)
        again = Exporter(ledger, SITE, since=instant_text(noon + timedelta(hours=2)))
        found = {one: {key_of(r): r for r in again.of(one).resources} for one in again.patients()}
        assert found["P0001"] == {}
        assert found["P0003"] == whole(ledger, "P0003")


def whole(ledger, patient):
    return {key_of(one): one for one in Exporter(ledger, SITE).of(patient).resources}


def test_whom_to_call_is_told_to_exist_and_neither_name_nor_number_leaves():
    items = [{"what": "contact", "words": said("the patient's daughter")}, {"what": "who-consents"}]
    history = a_history(happening("background", "2023-01-02", items=items))

    sent = b"\n".join(written(one) for one in resources(history, SENDS_ALL))

    assert b"daughter" not in sent
    assert b"contact" in sent
    assert independent_errors(resources(history)) == []
