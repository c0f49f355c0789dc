"""`listen`: takes HL7 v2 messages over MLLP, and `messages`: what became of those that came.

A message is stored before it is acknowledged. One thread stores, one opens what was stored, each with a connection to
the ledger of its own; the sockets are served by one event loop. What is in a message is never written to the log: a
line holds the message's number in the inbox, its type, its answer and what became of it.
"""

from __future__ import annotations

import asyncio
import os
import signal
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from ipaddress import ip_address
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli import say
from cli.options import JsonOption, LedgerOption, opened, where_of
from ledger.errors import LedgerError, WrongInput

if TYPE_CHECKING:
    from ledger.arrival.mllp import Block, Framing, Noise, TooLarge
    from ledger.inbox import Inbox, KeptMessage, Opened, Taken

HALF_A_FRAME_SECONDS = 30.0
"""How long a frame that has begun may stand still."""

AFTER_FS_SECONDS = 0.5
"""How long CR may take after FS; some senders leave it out, and wait for their answer."""

TRY_AGAIN_SECONDS = 10.0
"""How long to wait before what could not be opened is tried again."""

PIECE = 65_536
ANSWER_SECONDS = 30.0


def listen(
    mllp: Annotated[int, typer.Option("--mllp", metavar="PORT", help="The port to listen on; 0 lets one be chosen.")],
    address: Annotated[
        str, typer.Option("--address", metavar="ADDRESS", help="The address to listen on. MLLP is not encrypted.")
    ] = "127.0.0.1",
    idle: Annotated[
        float, typer.Option("--idle", metavar="SECONDS", help="Close a connection that says nothing for so long.")
    ] = 3600.0,
    most: Annotated[
        int, typer.Option("--most-bytes", metavar="NUMBER", help="Turn away messages larger than this.")
    ] = 64 * 1024 * 1024,
    connections: Annotated[
        int, typer.Option("--connections", metavar="NUMBER", help="At most so many connections at a time.")
    ] = 32,
    for_tests: Annotated[
        bool, typer.Option("--also-test-messages", help="Take messages marked as test or training (MSH-11 T, D) too.")
    ] = False,
    ledger: LedgerOption = None,
) -> None:
    """Take reports (MDM), results (ORU) and changes of patients (ADT) as HL7 v2 messages over MLLP.

    A message is stored before it is answered: AA taken, AE wrong in form, AR not of a kind that is taken, or nothing
    can be stored just now. The enhanced mode (MSH-15, MSH-16) is answered as it asks, on the same connection. Sent
    again, a message adds nothing. Reports then wait in `report list`, changes of patients in
    `patient proposals`; `messages` shows what became of each. Ends by Ctrl-C or SIGTERM, after the message in hand.
    """
    if not 0 <= mllp <= 65_535:
        raise typer.BadParameter("a port is a number from 0 to 65535.")
    if most < 1000 or idle <= 0 or connections < 1:
        raise typer.BadParameter("--most-bytes is 1000 or more; --idle and --connections are positive.")
    if not _is_loopback(address):
        say.aside(
            f"Careful: MLLP is not encrypted and asks nobody who they are. Whoever reaches {address} can read what "
            "comes, and send. Let only the interface engine in, through a tunnel or a network of its own."
        )
    processing = frozenset({"P", "T", "D"}) if for_tests else frozenset({"P"})
    listener = _Listener(
        where=str(where_of(ledger)), most=most, idle=idle, connections=connections, processing=processing
    )
    try:
        asyncio.run(listener.run(address, mllp))
    except OSError as failed:
        reason = os.strerror(failed.errno) if failed.errno else "unknown reason"
        raise WrongInput(
            f"Nothing can listen on port {mllp} of {address} ({reason.lower()}).",
            "Is another listener running? Name another port, or an address of this machine.",
        ) from None


def _is_loopback(address: str) -> bool:
    try:
        return ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def log(words: str) -> None:
    """A line with the time, for whoever keeps the standard error of a service. No words of a message."""
    say.aside(f"{datetime.now(UTC).isoformat(timespec='milliseconds').replace('+00:00', 'Z')} {words}")


@dataclass
class _Listener:
    """One listener: its sockets, the thread that stores, and the thread that opens what was stored."""

    where: str
    most: int
    idle: float
    connections: int
    processing: frozenset[str]
    _tasks: set[asyncio.Task[None]] = field(default_factory=set)

    async def run(self, address: str, port: int) -> None:
        """Listens until it is told to stop."""
        self._stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        with ThreadPoolExecutor(max_workers=1, thread_name_prefix="storing") as storing:
            self._storing = storing
            self._inbox: Inbox = await loop.run_in_executor(storing, _inbox, self.where, self.processing)
            reading = _Reading(self.where, self.processing)
            reading.start()
            self._reading = reading
            try:
                server = await asyncio.start_server(self._connected, address, port, limit=PIECE)
                _on_signals(loop, self._stop)
                at = server.sockets[0].getsockname()
                say.out(f"Listening on {at[0]}, port {at[1]}.")
                sys.stdout.flush()
                reading.look()
                await self._stop.wait()
                server.close()
                log("stopping: no new connections; what is in hand is finished")
                if self._tasks:
                    await asyncio.wait(self._tasks, timeout=ANSWER_SECONDS)
            finally:
                await loop.run_in_executor(None, reading.stop)
                await loop.run_in_executor(storing, self._inbox.ledger.close)
        log("stopped")

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(self._tasks) >= self.connections:
            log("connection turned away: there are as many as --connections allows")
            writer.close()
            return
        self._tasks.add(task)
        try:
            await self._serve(reader, writer)
        except (ConnectionError, TimeoutError):
            log("connection lost")
        except Exception as unexpected:
            from cli.main import reference_of

            log(f"connection closed: something went wrong that should not ({reference_of(unexpected)})")
        finally:
            self._tasks.discard(task)
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        from ledger.arrival.mllp import Framing

        framing = Framing(self.most)
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            while not self._stop.is_set():
                data = await self._bytes(reader, framing, stopping)
                if data is None:
                    return
                # Nothing is read on before this is answered, so a sender who pushes waits, and memory stays bounded.
                for found in framing.feed(data) if data else _after_silence(framing):
                    await self._answer(found, writer)
        finally:
            stopping.cancel()

    async def _bytes(
        self, reader: asyncio.StreamReader, framing: Framing, stopping: asyncio.Future[Any]
    ) -> bytes | None:
        """What comes next; nothing where FS was the last word; None at the end."""
        wait = self.idle
        if framing.may_be_ended:
            wait = AFTER_FS_SECONDS
        elif framing.is_inside:
            wait = min(self.idle, HALF_A_FRAME_SECONDS)
        reading = asyncio.ensure_future(reader.read(PIECE))
        done, _ = await asyncio.wait({reading, stopping}, timeout=wait, return_when=asyncio.FIRST_COMPLETED)
        if reading in done:
            data = reading.result()
            if data:
                return data
            if framing.may_be_ended:
                return b""
            if framing.is_inside:
                log("connection ended inside a message: it was not stored, and not acknowledged")
            return None
        reading.cancel()
        if stopping in done:
            return None
        if framing.may_be_ended:
            return b""
        log("connection closed: " + ("a message stood still half-way" if framing.is_inside else "it said nothing"))
        return None

    async def _answer(self, found: Block | TooLarge | Noise, writer: asyncio.StreamWriter) -> None:
        from ledger.arrival.acknowledging import heading_of, messages_of
        from ledger.arrival.mllp import Block, Noise, framed

        if isinstance(found, Noise):
            log(f"{say.counted(found.size, 'byte')} between frames passed over")
            return
        loop = asyncio.get_running_loop()
        if isinstance(found, Block):
            if found.unfinished:
                log("a frame began anew before the one before it had ended; the unfinished one was not stored")
            taken = [
                await loop.run_in_executor(self._storing, self._inbox.take, one) for one in messages_of(found.message)
            ]
        else:
            reason = f"It is larger than the {self.most} bytes that are taken."
            taken = [self._inbox.turned_away(heading_of(found.head), reason)]
        for one in taken:
            log(_in_words(one))
            for answer in one.answers:
                writer.write(framed(answer))
        self._reading.look()
        await asyncio.wait_for(writer.drain(), ANSWER_SECONDS)


def _after_silence(framing: Framing) -> list[Block | TooLarge | Noise]:
    found = framing.silence()
    return [] if found is None else [found]


def _inbox(where: str, processing: frozenset[str]) -> Inbox:
    from ledger.inbox import Inbox
    from ledger.store import open_ledger

    return Inbox(open_ledger(where), processing=processing)


def _on_signals(loop: asyncio.AbstractEventLoop, stop: asyncio.Event) -> None:
    if sys.platform == "win32":
        return  # There Ctrl-C ends the loop by itself.
    for one in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(one, stop.set)


def _in_words(taken: Taken) -> str:
    if taken.number is None:
        return f"{taken.what} not stored, {taken.judgement.code}: {taken.judgement.reason}"
    said = f"message {taken.number} {taken.what} {taken.judgement.code}"
    if not taken.is_new:
        return f"{said}, there already"
    if taken.control_id_used_before:
        said += ", its control id was used before with other content"
    return f"{said}: {taken.judgement.reason}" if taken.judgement.reason else said


class _Reading(threading.Thread):
    """Opens what was stored, as soon as there is something; it never holds back an answer."""

    def __init__(self, where: str, processing: frozenset[str]) -> None:
        super().__init__(name="reading", daemon=True)
        self._where = where
        self._processing = processing
        self._wanted = threading.Event()
        self._ending = threading.Event()

    def look(self) -> None:
        """There may be something to open."""
        self._wanted.set()

    def stop(self) -> None:
        """Ends after the message in hand; what is left is opened the next time."""
        self._ending.set()
        self._wanted.set()
        self.join(timeout=ANSWER_SECONDS)

    def run(self) -> None:
        from ledger.arrival import Desk

        inbox = _inbox(self._where, self._processing)
        with inbox.ledger, Desk() as desk:
            while True:
                self._wanted.wait()
                self._wanted.clear()
                if self._ending.is_set():
                    return
                try:
                    for done in inbox.read_waiting(desk):
                        log(_opened_in_words(done))
                        if self._ending.is_set():
                            return
                except Exception as failed:
                    from cli.main import reference_of

                    reason = failed.problem if isinstance(failed, LedgerError) else f"({reference_of(failed)})"
                    log(f"what was stored could not be opened now: {reason} It is tried again.")
                    if not self._ending.wait(TRY_AGAIN_SECONDS):
                        self._wanted.set()


def _opened_in_words(done: Opened) -> str:
    said = f"message {done.number} {done.state}"
    if done.reports:
        said += f", {say.counted(done.reports, 'report')}"
    if done.without_patient:
        said += f", {done.without_patient} without a patient"
    if done.not_read:
        said += f", {done.not_read} could not be read"
    if done.proposals:
        said += f", {say.counted(done.proposals, 'proposal')} about patients"
    return said


# --- What became of them ------------------------------------------------------------------------------------------


def messages(
    state: Annotated[
        str | None,
        typer.Option("--state", metavar="STATE", help="kept, read, not-used or nobody-here.", show_default=False),
    ] = None,
    last: Annotated[int, typer.Option("--last", metavar="NUMBER", help="Only the last so many; 0 for all.")] = 50,
    read: Annotated[bool, typer.Option("--read", help="First open what was stored and not opened yet.")] = False,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """HL7 v2 messages that came, newest first, and what became of each.

    kept: stored, not opened yet. read: its reports stand in `report list`, its proposals in `patient proposals`.
    not-used: kept with a reason, also in `report list --state unreadable`. nobody-here: a change of somebody whom this
    ledger does not know; nothing of it is kept. Exit code 3 while something is kept and not opened.
    """
    from ledger.inbox import KEPT, STATES, Inbox

    if state is not None and state not in STATES:
        raise WrongInput("--state has four values.", f"Write {', '.join(STATES)}.")
    with opened(ledger) as found:
        inbox = Inbox(found)
        if read:
            from ledger.arrival import Desk

            with Desk() as desk:
                for _ in inbox.read_waiting(desk):
                    pass
        counted = inbox.counted()
        there = inbox.messages(state=state, last=last or None)
    if as_json:
        say.as_json({"counted": counted, "messages": [vars(one) for one in there]})
    elif not sum(counted.values()):
        say.out("No message has come yet.")
        say.next_steps(("access-ledger listen --mllp 2575", "take HL7 v2 messages"))
    else:
        say.table(
            ["Nr", "When (UTC)", "Type", "Answer", "State", "From, control id", "What it came to"],
            [[one.number, one.at[:19], one.what, one.code, one.state, _whose(one), _came_to(one)] for one in there],
        )
        say.out(", ".join(f"{number} {name}" for name, number in counted.items() if number) + ".")
        if counted[KEPT]:
            say.next_steps(("access-ledger messages --read", "open what was stored while nobody listened"))
    if counted[KEPT]:
        raise typer.Exit(3)


def _whose(one: KeptMessage) -> str:
    return f"{one.sender} {one.control_id}".strip()


def _came_to(one: KeptMessage) -> str:
    made = [say.counted(one.reports, "report")] if one.reports else []
    made += [say.counted(one.proposals, "proposal")] if one.proposals else []
    return one.reason or ", ".join(made)
