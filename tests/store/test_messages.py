"""Messages and proposals about patients, on both engines: stored once, opened once, settled once."""

from __future__ import annotations

import sqlite3
from contextlib import suppress

import pytest

from ledger.arrival import Desk
from ledger.entries import Signature
from ledger.inbox import Inbox
from ledger.people import Identifier
from ledger.settling import accept, forget, kept_proposals
from ledger.store import Ledger
from tests.arrival.making import mdm, oru

SYSTEM = "urn:oid:1.2.826.0.1.99999.7"
PID = "PID|1||K204817^^^HARROWGATE&1.2.826.0.1.99999.7&ISO^MR||Orme^Maud||19500413|F"
ADT = f"MSH|^~\\&|PAS|H|||20260115||ADT^A08|C1|P|2.5.1\rEVN|A08|202601150759\r{PID}\r"


def test_messages_are_stored_once_and_opened_once_and_what_they_propose_is_settled_once(ledger: Ledger) -> None:
    patient = ledger.who.add_patient(
        name="Maud Vellacott", identifiers=(Identifier(system=SYSTEM, value="K204817"),), invented=True
    )
    inbox = Inbox(ledger)

    came = [inbox.take(one.encode()) for one in (mdm("T02", ["a report"]), oru(["a result"]), ADT, "nonsense", ADT)]
    with Desk() as desk:
        opened = list(inbox.read_waiting(desk))
        again = list(inbox.read_waiting(desk))

    assert [one.judgement.code for one in came] == ["AA", "AA", "AA", "AE", "AA"]
    assert [one.is_new for one in came] == [True, True, True, True, False]
    assert ([one.state for one in opened], again) == (["read", "read", "read", "not-used"], [])
    assert inbox.counted() == {"kept": 0, "read": 3, "not-used": 1, "nobody-here": 0}
    assert [one.control_id for one in inbox.messages(last=2)] == ["", "C1"]

    (proposal,) = kept_proposals(ledger)
    accept(ledger, proposal.name, Signature(person="N1"), only=["name"])
    assert ledger.who.patient(patient.id).name == "Maud Orme"
    forget(ledger, patient.id)
    assert kept_proposals(ledger) == []


def test_what_cannot_be_stored_just_now_is_turned_away_and_taken_when_it_comes_again(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    inbox = Inbox(ledger)
    message = mdm("T02", ["a report"]).encode()

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as broken:
        broken.setattr("ledger.inbox.content_digest", full)
        turned_away = inbox.take(message)

    assert (turned_away.number, turned_away.judgement.code, turned_away.judgement.error) == (None, "AR", 207)
    assert b"MSA|AR|MSG-T02|" in turned_away.answers[0]
    assert inbox.take(message).judgement.code == "AA"
    assert inbox.counted()["kept"] == 1


@pytest.mark.parametrize(
    ("fault", "state"), [(sqlite3.OperationalError("database is locked"), "kept"), (KeyError("ours"), "not-used")]
)
def test_a_fault_of_the_disk_leaves_a_message_to_be_opened_later_and_one_of_ours_lists_it(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch, fault: Exception, state: str
) -> None:
    inbox = Inbox(ledger)
    inbox.take(mdm("T02", ["a report"]).encode())

    def fails(*_: object, **__: object) -> None:
        raise fault

    with Desk() as desk:
        with monkeypatch.context() as broken, suppress(sqlite3.OperationalError):
            broken.setattr("ledger.inbox.opened_up", fails)
            list(inbox.read_waiting(desk))
        (found,) = inbox.messages()
        opened = [one.state for one in inbox.read_waiting(desk)]

    assert found.state == state
    assert opened == (["read"] if state == "kept" else [])
    if state == "not-used":
        assert found.reason == "It could not be opened; the mistake is ours (KeyError)."
        (kept,) = ledger.papers.reports(state="unreadable")
        assert kept.waits_for == found.reason
