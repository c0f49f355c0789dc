"""What the hospital says of who a patient is becomes proposals, and nothing else, until a person settles them.

Messages are built as chapter 3 of HL7 v2 has them (from memory, not looked up). All people are invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from fhir_mapping.told_patients import identities_told
from ledger.arrival.adt import identities_in
from ledger.arrival.hl7v2 import parsed
from ledger.dates import PartialDate
from ledger.entries import Draft, Signature
from ledger.errors import NotFound, WrongInput
from ledger.identities import Change, Found, ToldIdentity, proposals_of
from ledger.matching import Register
from ledger.people import Identifier, Patient, Person
from ledger.settling import StaleProposal, accept, dismiss, forget, kept_proposals, take_in
from ledger.store import Ledger, open_ledger
from tests.lives import happening

OID = "1.2.826.0.1.99999.7"
SYSTEM = f"urn:oid:{OID}"


def cx(number: str, oid: str = OID) -> str:
    return f"{number}^^^HARROWGATE&{oid}&ISO^MR"


def pid(number: str = "K204817", name: str = "Vellacott^Maud", born: str = "19500413", sex: str = "F") -> str:
    numbers = "~".join(cx(one) for one in number.split())
    return f"PID|1||{numbers}||{name}||{born}|{sex}"


def adt(event: str, *segments: str) -> str:
    head = f"MSH|^~\\&|PAS|HARROWGATE|||202601150800+0000||ADT^{event}|C1|P|2.5.1\rEVN|{event}|202601150759+0000\r"
    return head + "\r".join(segments) + "\r"


def told(message: str, event: str = "A08") -> list[ToldIdentity]:
    return list(identities_in(parsed(message.encode()), event))


MAUD = Patient(
    id="P0001",
    name="Maud Vellacott",
    birth_date=PartialDate("1950-04-13"),
    sex="female",
    identifiers=(Identifier(system=SYSTEM, value="K204817"),),
)
SAME_MAUD = Patient(
    id="P0002",
    name="Maud Vellacott",
    birth_date=PartialDate("1950-04-13"),
    identifiers=(Identifier(system=SYSTEM, value="K777"),),
)
OTHER = Patient(
    id="P0003",
    name="Harold Osterpike",
    birth_date=PartialDate("1944-01-02"),
    sex="male",
    identifiers=(Identifier(system=SYSTEM, value="K900"), Identifier(system="local", value="4471")),
)


def found(message: str, event: str = "A08") -> Found:
    (one,) = told(message, event)
    return proposals_of(one, Register([MAUD, SAME_MAUD, OTHER]), lambda _: None)


def changes_of(outcome: Found) -> list[tuple[str, str | None, str]]:
    return [(one.what, one.before, one.after) for proposal in outcome.proposals for one in proposal.changes]


def doubts_of(outcome: Found) -> set[str]:
    return {doubt.code for proposal in outcome.proposals for doubt in proposal.doubts}


# --- A08: a change ------------------------------------------------------------------------------------------------


def test_a_message_that_says_what_is_on_record_proposes_nothing() -> None:
    assert found(adt("A08", pid(name="VELLACOTT^MAUD^^^MRS"))) == Found(is_about_ours=True)


@pytest.mark.parametrize(
    ("segment", "changes", "doubts"),
    [
        (pid(name="Orme^Maud"), [("name", "Maud Vellacott", "Maud Orme")], {"name-disagrees"}),
        (pid(name="Vellacott-Orme^Maud"), [("name", "Maud Vellacott", "Maud Vellacott-Orme")], set()),
        (pid(born="19500414"), [("birth_date", "1950-04-13", "1950-04-14")], {"birth-date-disagrees"}),
        (pid(sex="M"), [("sex", "female", "male")], set()),
        (
            pid(name="Orme^Joan", born="19710203"),
            [("name", "Maud Vellacott", "Joan Orme"), ("birth_date", "1950-04-13", "1971-02-03")],
            {"another-person"},
        ),
    ],
)
def test_what_is_told_otherwise_is_proposed_and_what_disagrees_is_said(
    segment: str, changes: list[tuple[str, str, str]], doubts: set[str]
) -> None:
    outcome = found(adt("A08", segment))

    assert changes_of(outcome) == changes
    assert doubts_of(outcome) == doubts


def test_less_than_is_on_record_proposes_nothing() -> None:
    assert found(adt("A08", pid(born="1950", sex="U", name=""))).proposals == ()


def test_a_new_number_of_a_named_system_is_proposed_and_a_bare_one_is_not() -> None:
    named = found(adt("A08", f"PID|1||{cx('K204817')}~{cx('N-5', '1.2.826.0.1.99999.8')}||Vellacott^Maud||19500413|F"))
    bare = found(adt("A08", f"PID|1||{cx('K204817')}~N-5||Vellacott^Maud||19500413|F"))

    assert [(one.what, one.after, one.system) for one in named.proposals[0].changes] == [
        ("number", "N-5", "urn:oid:1.2.826.0.1.99999.8")
    ]
    assert bare.proposals == ()


def test_somebody_whom_the_ledger_does_not_know_is_nobody_here() -> None:
    assert found(adt("A08", pid(number="X1", name="Nobody^Known"))) == Found()


def test_the_same_digits_of_another_house_mean_nobody_here() -> None:
    assert found(adt("A08", "PID|1||4471||Nobody^Known||19990101|F")) == Found()


def test_one_person_with_the_numbers_of_two_records_is_proposed_as_one_and_said_not_to_be_told_so() -> None:
    one = Patient(id="P0001", identifiers=(Identifier(system="a", value="1"),))
    two = Patient(id="P0002", identifiers=(Identifier(system="b", value="2"),))
    (person,) = told(adt("A08", "PID|1||1^^^X&a&L~2^^^Y&b&L||A^B||19500101"))
    clues = person.clues.identifiers

    assert [clue.system for clue in clues] == [None, None]
    bare = proposals_of(person, Register([one, two]), lambda _: None)

    assert bare == Found()


# --- A40: two records of one person -------------------------------------------------------------------------------


def test_a_join_of_two_known_records_is_proposed_with_what_differs() -> None:
    outcome = found(adt("A40", pid(), f"MRG|{cx('K900')}"), "A40")

    assert [(one.kind, one.patient, one.other) for one in outcome.proposals] == [("join", "P0001", "P0003")]
    assert doubts_of(outcome) >= {"names-differ", "birth-dates-differ", "sexes-differ"}


def test_a_join_of_alike_records_has_no_doubt() -> None:
    outcome = found(adt("A40", pid(), f"MRG|{cx('K777')}"), "A40")

    assert [(one.kind, one.patient, one.other) for one in outcome.proposals] == [("join", "P0001", "P0002")]
    assert doubts_of(outcome) == set()


def test_where_only_the_given_up_record_is_known_the_new_number_is_proposed() -> None:
    outcome = found(adt("A40", pid(number="K5"), f"MRG|{cx('K204817')}"), "A40")

    assert [(one.patient, one.changes) for one in outcome.proposals] == [
        ("P0001", (Change(what="number", before=None, after="K5", system=SYSTEM),))
    ]


def test_where_only_the_survivor_is_known_the_old_number_is_proposed() -> None:
    outcome = found(adt("A40", pid(), f"MRG|{cx('K5')}"), "A40")

    assert changes_of(outcome) == [("number", None, "K5")]


def test_several_joins_in_one_message_are_each_told() -> None:
    message = adt("A40", pid(), f"MRG|{cx('K777')}", pid(number="K900"), f"MRG|{cx('K4')}")

    assert [
        (one.clues.identifiers[0].value, one.prior.identifiers[0].value) for one in told(message, "A40") if one.prior
    ] == [
        ("K204817", "K777"),
        ("K900", "K4"),
    ]


def test_a_changed_number_of_two_records_joins_nobody_and_is_said_to_be_unclear() -> None:
    outcome = found(adt("A47", pid(), f"MRG|{cx('K900')}"), "A47")

    assert outcome.proposals == ()
    assert outcome.unclear is not None


def test_records_that_are_joined_already_propose_nothing() -> None:
    (one,) = told(adt("A40", pid(), f"MRG|{cx('K777')}"), "A40")

    outcome = proposals_of(one, Register([MAUD, SAME_MAUD]), {"P0002": "P0001"}.get)

    assert outcome == Found(is_about_ours=True)


# --- Settled by a person ------------------------------------------------------------------------------------------

MADE = happening("creation", "2019-03-04", access="A1", access_kind="fistula", side="left")
NURSE = Signature(person="N1")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    now = datetime(2026, 1, 15, 8, 0, tzinfo=UTC)
    with open_ledger(tmp_path / "one.sqlite", create=True, clock=lambda: now) as made:
        made.who.add_person(Person(id="N1", name="Nurse Invented", invented=True))
        for one in (MAUD, SAME_MAUD):
            made.who.add_patient(one)
        yield made


def bring(ledger: Ledger, message: str, event: str = "A08") -> list[str]:
    register = Register(ledger.who.patients())
    return [kept.name for one in told(message, event) for kept in take_in(ledger, one, register).opened]


def test_nothing_changes_before_somebody_accepts_and_then_just_that(ledger: Ledger) -> None:
    bring(ledger, adt("A08", pid(name="Orme^Maud", born="19500414")))
    before = ledger.who.patient("P0001")

    accept(ledger, "I1", NURSE, only=["name"])

    assert (before.name, before.birth_date) == ("Maud Vellacott", "1950-04-13")
    after = ledger.who.patient("P0001")
    assert (after.name, after.birth_date) == ("Maud Orme", "1950-04-13")
    audit = ledger.db.execute("SELECT person, did, about FROM audit").fetchall()
    assert audit == [("N1", "patient change accepted", "I1")]


def test_told_again_nothing_is_added_whether_open_or_settled(ledger: Ledger) -> None:
    message = adt("A08", pid(name="Orme^Maud", born="19500414"))

    assert bring(ledger, message) == ["I1"]
    assert bring(ledger, message) == []
    accept(ledger, "I1", NURSE, only=["name"])
    assert bring(ledger, message) == []
    assert kept_proposals(ledger) == []


def test_a_newer_change_takes_the_place_of_an_open_one(ledger: Ledger) -> None:
    bring(ledger, adt("A08", pid(name="Orme^Maud")))
    bring(ledger, adt("A08", pid(name="Ormes^Maud")))

    assert [(one.name, one.state) for one in kept_proposals(ledger, states=("open", "replaced"))] == [
        ("I1", "replaced"),
        ("I2", "open"),
    ]


def test_an_accepted_join_is_an_entry_and_reads_both_as_one(ledger: Ledger) -> None:
    thrombosis = Draft(event=happening("thrombosis", "2022-01-10", access="A1"), source="s")
    ledger.append("P0002", [Draft(event=MADE, source="s"), thrombosis], by=NURSE)
    bring(ledger, adt("A40", pid(), f"MRG|{cx('K777')}"), "A40")

    accept(ledger, "I1", NURSE)

    (entry,) = ledger.history("P0001").entries
    assert (entry.kind, entry.recorded_by) == ("patients-are-one", NURSE)
    assert ledger.joined_to("P0002") == "P0001"
    assert [one.fact.kind for one in ledger.history("P0001").facts] == ["creation", "thrombosis"]
    assert bring(ledger, adt("A40", pid(), f"MRG|{cx('K777')}"), "A40") == []


def test_what_was_dismissed_does_not_come_back(ledger: Ledger) -> None:
    message = adt("A40", pid(), f"MRG|{cx('K777')}")
    bring(ledger, message, "A40")

    dismiss(ledger, "I1", "N1", "twins")

    assert bring(ledger, message, "A40") == []
    with pytest.raises(WrongInput):
        accept(ledger, "I1", NURSE)
    assert ledger.history("P0001").entries == ()


def test_a_record_that_has_moved_on_makes_a_proposal_stale(ledger: Ledger) -> None:
    bring(ledger, adt("A08", pid(name="Orme^Maud")))
    ledger.who.change_patient(replace(ledger.who.patient("P0001"), name="Maud Ashby"))

    with pytest.raises(StaleProposal) as stale:
        accept(ledger, "I1", NURSE)

    assert stale.value.exit_code == 4
    assert "Orme" not in str(stale.value)
    assert ledger.who.patient("P0001").name == "Maud Ashby"


def test_a_change_that_was_undone_and_is_told_again_is_proposed_again(ledger: Ledger) -> None:
    message = adt("A08", pid(name="Orme^Maud"))
    bring(ledger, message)
    accept(ledger, "I1", NURSE)
    ledger.who.change_patient(replace(ledger.who.patient("P0001"), name="Maud Vellacott"))

    assert bring(ledger, message) == ["I1"]


def test_erasing_a_patient_empties_what_was_proposed_of_them(ledger: Ledger) -> None:
    bring(ledger, adt("A08", pid(name="Orme^Maud")))

    forget(ledger, "P0001")

    assert kept_proposals(ledger) == []
    assert ledger.db.execute("SELECT told FROM identity_proposals").fetchall() == [(None,)]


def test_a_proposal_that_is_not_there_is_named_so(ledger: Ledger) -> None:
    for name in ("I9", "nonsense"):
        with pytest.raises(NotFound):
            accept(ledger, name, NURSE)


# --- FHIR Patient -------------------------------------------------------------------------------------------------


def patient_resource(id: str, number: str, **more: object) -> dict[str, object]:
    return {
        "resourceType": "Patient",
        "id": id,
        "identifier": [{"system": SYSTEM, "value": number}],
        "name": [{"use": "official", "family": "Vellacott", "given": ["Maud"]}],
        "birthDate": "1950-04-13",
        "gender": "female",
        **more,
    }


def link(kind: str, other: str) -> list[dict[str, object]]:
    return [{"other": {"reference": f"Patient/{other}"}, "type": kind}]


def found_in(*resources: dict[str, object]) -> list[tuple[str, str, str | None, set[str]]]:
    register = Register([MAUD, SAME_MAUD, OTHER])
    outcomes = [proposals_of(one, register, lambda _: None) for one in identities_told(resources)]
    return [
        (proposal.kind, proposal.patient, proposal.other, {doubt.code for doubt in proposal.doubts})
        for outcome in outcomes
        for proposal in outcome.proposals
        if proposal.kind == "join" or proposal.patient != "P0002"
    ]


@pytest.mark.parametrize(
    ("kind", "joined"),
    [
        ("replaces", [("join", "P0001", "P0002", set())]),
        ("replaced-by", [("join", "P0002", "P0001", set())]),
        ("seealso", [("join", "P0001", "P0002", {"perhaps-one"})]),
        ("refer", [("join", "P0001", "P0002", {"perhaps-one"})]),
        ("something-else", []),
    ],
)
def test_a_link_of_two_patient_resources_proposes_a_join(kind: str, joined: list[object]) -> None:
    one, two = patient_resource("a", "K204817", link=link(kind, "b")), patient_resource("b", "K777")

    assert found_in(one, two) == joined


def test_a_link_by_number_alone_is_enough() -> None:
    linked = [{"other": {"identifier": {"system": SYSTEM, "value": "K900"}}, "type": "replaces"}]

    (proposal,) = found_in(patient_resource("a", "K204817", link=linked))

    assert proposal[:3] == ("join", "P0001", "P0003")


def test_a_patient_resource_that_says_otherwise_proposes_a_change_and_says_what_disagrees() -> None:
    assert found_in(patient_resource("a", "K204817")) == []
    assert found_in(patient_resource("a", "K204817", birthDate="1951-04-13")) == [
        ("change", "P0001", None, {"birth-date-disagrees"})
    ]


def test_broken_links_and_patients_propose_nothing() -> None:
    for broken in ("x", [None], [{"other": "x"}], [{"type": "replaces"}], [{"other": {"reference": 4}, "type": 3}]):
        assert found_in(patient_resource("a", "K204817", link=broken)) == []
    assert found_in({"resourceType": "Patient"}) == []
