"""`listen` as a process of its own, spoken to by the MLLP client of the library `hl7` (PyPI), and killed at any moment.

The law: whatever was acknowledged is there once, however often the process dies and the sender sends again.
"""

from __future__ import annotations

import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from hl7 import parse
from hl7.client import MLLPClient

from ledger.inbox import Inbox
from tests.arrival.making import mdm, oru
from tests.cli.conftest import MRN, NAME, OURS, REPORT, Desk

LINES = REPORT.replace("Vellacott-Orme", "Vellacott-Orme ").splitlines()
PID = f"PID|1||K204817^^^INV&{MRN}&URI^MR||VELLACOTT-ORME^MAUD||19580714|F"

DIES = """
import os, signal
from ledger.inbox import Inbox
real = Inbox.take
def take(self, raw):
    done = real(self, raw)
    if done.number and done.number % 3 == 0 and done.is_new:
        os.kill(os.getpid(), signal.SIGKILL)
    return done
Inbox.take = take
from cli.main import run; run()
"""
"""The command, dying between the storing and the answer of every third message."""


def report(number: int) -> str:
    """A report message about the patient, with a control id of its own."""
    return re.sub(r"PID\|[^\r]*", PID, mdm("T02", [*LINES, f"Invented report {number}."])).replace(
        "MSG-T02", f"M-{number}"
    )


def adt(event: str, control_id: str, *segments: str) -> str:
    head = f"MSH|^~\\&|PAS|HARROWGATE|||202601150800+0000||ADT^{event}|{control_id}|P|2.5.1\rEVN|{event}|202601150759\r"
    return head + "\r".join(segments) + "\r"


@dataclass
class Listening:
    """A listener that runs, and where."""

    process: subprocess.Popen[str]
    port: int
    log: Path

    def send(self, message: str | bytes) -> str:
        """Sends one message, and gives the code of its answer."""
        with MLLPClient("127.0.0.1", self.port) as client:
            client.socket.settimeout(20)
            return code_of(client.send_message(message))

    def raw(self, *pieces: bytes, expect: int = 1) -> list[str]:
        """Sends bytes as they are, and gives the codes of so many answers."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=20) as line:
            for piece in pieces:
                line.sendall(piece)
                time.sleep(0.01)
            came = b""
            while came.count(b"\x1c\r") < expect:
                data = line.recv(65_536)
                if not data:
                    break
                came += data
        return [code_of(one) for one in came.split(b"\x1c\r") if one]


def code_of(answer: bytes) -> str:
    return str(parse(answer.strip(b"\x0b\x1c\r").decode()).segment("MSA")[1])


@contextmanager
def listening(desk: Desk, *options: str, command: list[str] | None = None) -> Iterator[Listening]:
    log = desk.file.with_suffix(".log")
    with log.open("a") as errors:
        process = subprocess.Popen(
            [*(command or OURS), "listen", "--mllp", "0", *options],
            env={**os.environ, **desk.environment},
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
        )
        try:
            assert process.stdout is not None
            said = process.stdout.readline()
            found = re.search(r"port (\d+)\.", said)
            assert found, said + log.read_text()
            yield Listening(process, int(found[1]), log)
        finally:
            process.kill()
            process.wait()
            assert process.stdout is not None
            process.stdout.close()


def read_all(desk: Desk) -> dict[str, int]:
    """Opens what was stored, and counts the messages by state."""
    counted: dict[str, int] = json.loads(desk.ok("messages --read --json").out)["counted"]
    return {state: number for state, number in counted.items() if number}


def texts(desk: Desk) -> list[str]:
    """The numbers of the reports that are kept, with their repetitions."""
    with desk.open() as ledger:
        kept = [ledger.papers.text(one.text_id) or "" for one in ledger.papers.reports() if one.text_id]
    return sorted(found[1] for text in kept if (found := re.search(r"Invented report (\d+)\.", text)))


def test_reports_come_in_are_linked_and_wait_and_the_log_names_nobody(desk: Desk) -> None:
    with listening(desk) as there:
        assert [there.send(report(1)), there.send(oru(["something else"]))] == ["AA", "AA"]
        there.process.send_signal(signal.SIGTERM)
        assert there.process.wait(20) == 0
        log = there.log.read_text()

    assert read_all(desk) == {"read": 2}
    reports = desk.ok("report list --json").json["reports"]
    assert sorted(str(one["patient"]) for one in reports) == ["None", "P0001"]
    assert "message 1 MDM^T02 AA" in log
    for word in (*NAME.split(), "K204817", "VELLACOTT", "M-1", "DICTATION"):
        assert word not in log
    assert desk.file.stat().st_mode & 0o077 == 0


def test_the_same_message_again_is_acknowledged_and_adds_nothing(desk: Desk) -> None:
    with listening(desk) as there:
        codes = [there.send(report(1)) for _ in range(3)]
        codes.append(there.send(report(1).replace("20240315101500+0000", "20240316101500+0000")))

    assert codes == ["AA"] * 4
    assert read_all(desk) == {"read": 1}
    assert texts(desk) == ["1"]


def test_a_control_id_that_is_used_again_for_something_else_is_not_swallowed(desk: Desk) -> None:
    with listening(desk) as there:
        assert [there.send(report(1)), there.send(report(2).replace("M-2", "M-1"))] == ["AA", "AA"]
        log = there.log.read_text()

    assert "used before" in log
    assert read_all(desk) == {"read": 2}
    assert texts(desk) == ["1", "2"]


def test_what_cannot_be_used_is_answered_so_kept_and_listed_with_its_reason(desk: Desk) -> None:
    with listening(desk) as there:
        codes = [
            there.send("MSH|^~\\&|A|B|||1||SIU^S12|S1|P|2.5.1\r"),
            there.send("no message at all"),
            there.send(report(1).replace("|P|2.5.1", "|T|2.5.1")),
            there.send(re.sub(r"OBX[^\r]*\r", "", report(2))),
        ]

    assert codes == ["AR", "AE", "AR", "AA"]
    assert read_all(desk) == {"not-used": 3, "read": 1}
    unreadable = desk.ok("report list --state unreadable --json").json["reports"]
    assert len(unreadable) == 4
    assert all(one["waits_for"] for one in unreadable)
    reasons = {one["reason"] for one in desk.ok("messages --json").json["messages"]}
    assert "Only ADT, MDM, ORU are taken." in reasons
    assert "MSH-11 is not P" in desk.ok("messages").out.replace("\n", " ").replace("  ", "")


def test_pieces_noise_several_in_one_packet_and_a_frame_without_its_end(desk: Desk) -> None:
    one, two, three = (b"\x0b" + report(n).encode() + b"\x1c\r" for n in (1, 2, 3))

    with listening(desk) as there:
        assert there.raw(*(one[at : at + 97] for at in range(0, len(one), 97))) == ["AA"]
        assert there.raw(b"noise\r\n" + two + three, expect=2) == ["AA", "AA"]
        assert there.raw(b"\x0b" + report(4).encode()[:200], b"\x0b" + report(5).encode() + b"\x1c\r") == ["AA"]
        # No CR after FS, and the sender waits.
        assert there.raw(b"\x0b" + report(6).encode() + b"\x1c") == ["AA"]
        log = there.log.read_text()

    assert read_all(desk) == {"read": 5}
    assert texts(desk) == ["1", "2", "3", "5", "6"]
    assert "5 bytes between frames passed over" in log
    assert "the unfinished one was not stored" in log


def test_a_message_that_is_too_large_is_turned_away_and_the_next_one_taken(desk: Desk) -> None:
    huge = report(1).replace("Invented report", "x" * 300_000 + " Invented report")

    with listening(desk, "--most-bytes", "100000") as there:
        line = b"".join(b"\x0b" + one.encode() + b"\x1c\r" for one in (huge, report(2)))
        assert there.raw(line, expect=2) == ["AR", "AA"]

    assert read_all(desk) == {"read": 1}
    assert texts(desk) == ["2"]


def test_an_encoding_that_is_not_the_one_named_is_read_and_doubted(desk: Desk) -> None:
    message = report(1).replace("Fistulogram and", "Fistulogram à vue and").encode("cp1252")

    with listening(desk) as there:
        assert there.send(message) == "AA"

    read_all(desk)
    with desk.open() as ledger:
        (kept,) = ledger.papers.reports()
        assert "à vue" in (ledger.papers.text(kept.text_id or "") or "")
    assert [one["code"] for one in kept.envelope["envelope"]["doubts"]] == ["encoding-guessed"]


def test_connections_that_say_nothing_or_stand_still_are_closed_and_others_go_on(desk: Desk) -> None:
    with listening(desk, "--idle", "1") as there:
        idle = socket.create_connection(("127.0.0.1", there.port), timeout=20)
        half = socket.create_connection(("127.0.0.1", there.port), timeout=20)
        half.sendall(b"\x0bMSH|^~")
        assert there.send(report(1)) == "AA"
        assert (idle.recv(10), half.recv(10)) == (b"", b"")
        idle.close()
        half.close()
        log = there.log.read_text()

    assert "it said nothing" in log
    assert "stood still half-way" in log


def test_several_senders_at_a_time_each_get_their_own_answers(desk: Desk) -> None:
    with listening(desk) as there:
        clients = [MLLPClient("127.0.0.1", there.port) for _ in range(6)]
        try:
            for number, client in enumerate(clients, start=1):
                client.socket.settimeout(20)
                client.socket.sendall(b"\x0b" + report(number).encode() + b"\x1c\r")
            answers = [parse(one.socket.recv(4096).strip(b"\x0b\x1c\r").decode()) for one in clients]
        finally:
            for client in clients:
                client.close()

    assert [str(one.segment("MSA")[2]) for one in answers] == [f"M-{number}" for number in range(1, 7)]
    assert read_all(desk) == {"read": 6}


def test_changes_and_joins_of_patients_wait_for_a_person(desk: Desk) -> None:
    with desk.open() as ledger:
        from ledger.people import Identifier

        ledger.who.add_patient(name="Joan Orme", identifiers=(Identifier(system=MRN, value="K9"),), invented=True)
    mrg = f"MRG|K9^^^INV&{MRN}&URI^MR"

    with listening(desk) as there:
        codes = [
            there.send(adt("A40", "C1", PID, mrg)),
            there.send(adt("A08", "C2", PID.replace("19580714", "19580715"))),
            there.send(adt("A08", "C3", PID.replace("K204817", "X1").replace("VELLACOTT-ORME", "NOBODY"))),
        ]

    assert codes == ["AA", "AA", "AA"]
    assert read_all(desk) == {"read": 2, "nobody-here": 1}
    proposed = desk.ok("patient proposals --json").json["proposals"]
    assert [(one["kind"], one["patient"], one["other"]) for one in proposed] == [
        ("join", "P0001", "P0002"),
        ("change", "P0001", None),
    ]
    assert [one["code"] for one in proposed[0]["doubts"]] == ["names-differ"]
    assert [one["code"] for one in proposed[1]["doubts"]] == ["birth-date-disagrees"]
    shown = desk.ok("patient proposals").out
    assert "The birth date disagrees with the record." in shown
    assert "patient proposals P0001" in desk.ok("patient show P0001").out
    assert "2 proposals about patients wait" in desk.ok("report list").out

    change = proposed[1]["name"]
    assert desk.run(f"patient accept {change} --only shoes").code == 1
    desk.ok(f"patient dismiss {change} --why 'typing error there'")
    desk.ok("patient accept I1")

    assert desk.ok("patient proposals --json").json["proposals"] == []
    assert desk.run("patient accept I1").code == 1
    assert desk.run("patient accept I7").code == 1
    with desk.open() as ledger:
        assert [entry.kind for entry in ledger.history("P0001").entries] == ["patients-are-one"]
        assert ledger.db.execute("SELECT COUNT(*) FROM hl7_messages WHERE body IS NOT NULL").fetchone()[0] == 0


def test_another_address_is_cautioned_and_a_port_in_use_is_said(desk: Desk) -> None:
    with listening(desk, "--address", "0.0.0.0") as there:
        taken = desk.process(f"listen --mllp {there.port}")
        log = there.log.read_text()

    assert "MLLP is not encrypted" in log
    assert taken.returncode == 1
    assert f"Nothing can listen on port {there.port}" in taken.stderr


# --- Killed -------------------------------------------------------------------------------------------------------


def send_until_acknowledged(desk: Desk, numbers: list[int], chance: random.Random, command: list[str]) -> list[int]:
    """Sends each report again and again, the process killed at some byte or moment each round; gives the kills."""
    waiting, kills = list(numbers), []
    while waiting:
        with listening(desk, command=command) as there:
            try:
                with socket.create_connection(("127.0.0.1", there.port), timeout=20) as line:
                    end = chance.randrange(1, 4)
                    for number in waiting[:end]:
                        frame = b"\x0b" + report(number).encode() + b"\x1c\r"
                        line.sendall(frame)
                        came = b""
                        while not came.endswith(b"\x1c\r"):
                            data = line.recv(4096)
                            if not data:
                                raise ConnectionError
                            came += data
                        assert code_of(came) == "AA"
                        waiting.remove(number)
                    if waiting:
                        frame = b"\x0b" + report(waiting[0]).encode() + b"\x1c\r"
                        cut = chance.choice([chance.randrange(len(frame)), len(frame) - 1, len(frame)])
                        line.sendall(frame[:cut])
                        time.sleep(chance.random() * 0.02)
                        kills.append(cut)
            except ConnectionError:
                pass
            there.process.send_signal(signal.SIGKILL)
            there.process.wait()
    return kills


def test_law_killed_between_any_two_bytes_nothing_acknowledged_is_lost_or_doubled(desk: Desk) -> None:
    kills = send_until_acknowledged(desk, list(range(1, 11)), random.Random(5), OURS)

    assert len(kills) >= 3
    assert read_all(desk) == {"read": 10}
    assert texts(desk) == sorted(str(number) for number in range(1, 11))


def test_law_killed_after_storing_and_before_answering_nothing_is_doubled(desk: Desk) -> None:
    send_until_acknowledged(desk, list(range(1, 8)), random.Random(7), [sys.executable, "-c", DIES])

    assert read_all(desk) == {"read": 7}
    assert texts(desk) == sorted(str(number) for number in range(1, 8))


@pytest.mark.slow
def test_law_killed_a_hundred_times_nothing_acknowledged_is_lost_or_doubled(desk: Desk) -> None:
    kills = send_until_acknowledged(desk, list(range(1, 301)), random.Random(11), OURS)

    assert len(kills) >= 100
    assert read_all(desk) == {"read": 300}
    assert texts(desk) == sorted(str(number) for number in range(1, 301))


def test_what_was_stored_and_not_opened_is_opened_the_next_time(desk: Desk) -> None:
    with desk.open() as ledger:
        assert [Inbox(ledger).take(report(number).encode()).number for number in (1, 2)] == [1, 2]

    assert desk.run("messages").code == 3
    with listening(desk) as there:
        assert there.send(report(3)) == "AA"
        there.process.send_signal(signal.SIGTERM)
        assert there.process.wait(20) == 0

    assert read_all(desk) == {"read": 3}
    assert texts(desk) == ["1", "2", "3"]


def test_a_message_that_was_turned_away_for_a_test_is_taken_by_a_listener_that_takes_those(desk: Desk) -> None:
    testing = report(1).replace("|P|2.5.1", "|T|2.5.1").encode()
    with desk.open() as ledger:
        assert Inbox(ledger).take(testing).judgement.code == "AR"
        assert Inbox(ledger, processing=frozenset({"P", "T"})).take(testing).judgement.code == "AA"
        assert Inbox(ledger).take(testing).judgement.code == "AA"

    assert read_all(desk) == {"read": 1}
