"""A process of its own in which a file is opened, so that it can be killed when the file asks for too much.

Everything but plain text is opened in here. The process is given an address space, a
time, no core file and few file handles; it answers in JSON, which is validated like
anything else that comes in, and never in a form that could run code. A worker serves
file after file, since starting it costs more than most files do; it is replaced when it
has died, was killed, or has served its share.

What it is not: a jail. It runs as the same user and can read what that user can read.
It bounds what a broken or malicious file can use up, and what a fault in a parser can
take down with it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import struct
import subprocess
import sys
import threading
from dataclasses import dataclass
from typing import IO, Any

import orjson

from ledger.arrival.values import LIMITS, Arrived, CannotRead, Form, Limits, Why

_LENGTH = struct.Struct(">Q")
_FILES_A_WORKER = 200
_GRACE_SECONDS = 5.0  # to start, and to end by itself after its own clock has run out


@dataclass(frozen=True, kw_only=True)
class Order:
    """What a worker is asked to do: open bytes of this form. `columns` is a column mapping as JSON, for sheets."""

    form: Form
    media_type: str
    file_name: str | None
    declared: str | None
    columns: bytes | None
    limits: Limits


class Worker:
    """One process that opens files. Not for several threads at once."""

    def __init__(self, memory_bytes: int = LIMITS.memory_bytes) -> None:
        self._memory_bytes = memory_bytes
        self._process: subprocess.Popen[bytes] | None = None
        self._answers: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._served = 0

    def open(self, original: bytes, order: Order) -> Arrived:
        """What the file holds. Raises CannotRead when it took too long or too much, or the process died of it."""
        if self._served >= _FILES_A_WORKER:
            self.close()
        process = self._started()
        self._served += 1
        try:
            _send(process.stdin, _order_bytes(order))
            _send(process.stdin, original)
        except OSError:
            raise self._died() from None
        try:
            # An empty answer is a sign of life: a page was recognised, and the clock starts anew for the next.
            while (answer := self._answers.get(timeout=order.limits.seconds + _GRACE_SECONDS)) == b"":
                pass
        except queue.Empty:
            self.close()
            raise _too_long(order.limits) from None
        if answer is None:
            raise self._died()
        return _read_answer(answer)

    def close(self) -> None:
        """Ends the process, and whatever it started."""
        process, self._process, self._served = self._process, None, 0
        if process is None:
            return
        # Ended first: while it lives, the thread that listens to it holds its output, and closing that would wait.
        if process.poll() is None:
            _kill(process)
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def __enter__(self) -> Worker:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _started(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        self.close()
        # -P keeps the current folder, where the files may lie, off the path from which modules are taken.
        command = [sys.executable, "-P", "-m", "ledger.arrival.sandbox", str(self._memory_bytes)]
        kept = ("PATH", "PYTHONPATH", "TESSDATA_PREFIX", "SYSTEMROOT", "VIRTUAL_ENV", "HOME")
        environment = {name: os.environ[name] for name in kept if name in os.environ}
        environment |= {"OMP_THREAD_LIMIT": "1", "PYTHONUTF8": "1"}
        self._process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
            start_new_session=True,
        )
        self._answers = queue.SimpleQueue()
        assert self._process.stdout is not None
        threading.Thread(target=_listen, args=(self._process.stdout, self._answers), daemon=True).start()
        return self._process

    def _died(self) -> CannotRead:
        process = self._process
        assert process is not None
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(timeout=_GRACE_SECONDS)
        ended = process.poll()
        self.close()
        if sys.platform != "win32" and ended == -signal.SIGXCPU:
            return _too_long(LIMITS)
        return CannotRead(
            Why.BROKEN,
            "Opening the file brought down the process that read it; nothing else was touched.",
            "Save it anew from the program that shows it, or as plain text, and import that.",
        )


def _listen(stream: IO[bytes], answers: queue.SimpleQueue[bytes | None]) -> None:
    while True:
        try:
            answer = _receive(stream)
        except (OSError, ValueError):
            answer = None
        answers.put(answer)
        if answer is None:
            return


def _kill(process: subprocess.Popen[bytes]) -> None:
    if sys.platform == "win32":
        process.kill()
        return
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, signal.SIGKILL)  # its own session, so whatever it started ends with it


def _read_answer(answer: bytes) -> Arrived:
    from pydantic import TypeAdapter

    global _adapter
    if _adapter is None:
        _adapter = TypeAdapter(Arrived)
    found = _adapter.validate_json(answer)
    assert isinstance(found, Arrived)
    return found


_adapter: Any = None


def _too_long(limits: Limits) -> CannotRead:
    return CannotRead(
        Why.TOO_LONG,
        f"Opening the file took longer than {limits.seconds:g} seconds.",
        "Split it by report or by page, or save it as plain text, and import that.",
    )


def _order_bytes(order: Order) -> bytes:
    return orjson.dumps(
        {
            "form": order.form,
            "media_type": order.media_type,
            "file_name": order.file_name,
            "declared": order.declared,
            "columns": None if order.columns is None else order.columns.decode("utf-8"),
            "limits": vars(order.limits),
        }
    )


def _send(stream: IO[bytes] | None, message: bytes) -> None:
    assert stream is not None
    stream.write(_LENGTH.pack(len(message)))
    stream.write(message)
    stream.flush()


def _receive(stream: IO[bytes]) -> bytes | None:
    head = stream.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    if length > 1 << 31:
        return None
    message = stream.read(length)
    return message if len(message) == length else None


# --- Within the process -------------------------------------------------------------------------------------------


_answers_to: IO[bytes] | None = None


def still_working(limits: Limits) -> None:
    """Starts the clock of this file anew. Said before each page that is recognised, which has a bound of its own."""
    if _answers_to is None:
        return
    _send(_answers_to, b"")
    if hasattr(signal, "setitimer"):
        signal.setitimer(signal.ITIMER_REAL, limits.seconds)


def serve(memory_bytes: int) -> None:
    """Answers one order after another until its input ends."""
    global _answers_to
    # What a library prints must not end up between the answers.
    answers = _answers_to = os.fdopen(os.dup(1), "wb")
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    orders = os.fdopen(os.dup(0), "rb")
    _bound(memory_bytes)
    while True:
        head = _receive(orders)
        original = None if head is None else _receive(orders)
        if head is None or original is None:
            return
        found = orjson.loads(head)
        order = Order(
            form=Form(found["form"]),
            media_type=found["media_type"],
            file_name=found["file_name"],
            declared=found["declared"],
            columns=None if found["columns"] is None else found["columns"].encode("utf-8"),
            limits=Limits(**found["limits"]),
        )
        _send(answers, _answer(original, order))


def _answer(original: bytes, order: Order) -> bytes:
    from ledger.arrival.opening import opened

    with _clock(order.limits.seconds):
        try:
            return orjson.dumps(opened(original, order))
        except CannotRead as why:
            found = why
        except _OutOfTime:
            found = _too_long(order.limits)
        except MemoryError:
            found = CannotRead(
                Why.TOO_MUCH_MEMORY,
                "The file asks for more memory than a report needs.",
                "Split it by report or by page, or save it as plain text, and import that.",
            )
        except RecursionError:
            found = CannotRead(
                Why.HOSTILE,
                "The file is nested deeper than any report is.",
                "Ask the sender what it is; import only what comes from somebody you know.",
            )
        except Exception as fault:  # whatever a parser raises on a broken file; its words may hold the file's
            found = CannotRead(
                Why.BROKEN,
                f"The {order.form.value} file is broken ({type(fault).__name__}).",
                "Ask the sender for it once more, or save it anew from the program that shows it.",
            )
    return orjson.dumps(Arrived(form=order.form, unreadable=(found.as_unreadable(),)))


class _OutOfTime(BaseException):
    """Not an Exception, so that no parser swallows it."""


@contextlib.contextmanager
def _clock(seconds: float) -> Any:
    """Interrupts Python code that takes too long; what hangs in C code is killed from outside a little later."""
    if not hasattr(signal, "setitimer"):
        yield
        return

    def ring(*_: object) -> None:
        raise _OutOfTime

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _bound(memory_bytes: int) -> None:
    if sys.platform == "win32":
        return
    import resource

    for what, most in (
        (resource.RLIMIT_AS, memory_bytes),
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_NOFILE, 128),
        (resource.RLIMIT_FSIZE, 512 * 1024 * 1024),
    ):
        with contextlib.suppress(ValueError, OSError):
            _, highest = resource.getrlimit(what)
            lowered = most if highest == resource.RLIM_INFINITY else min(most, highest)
            resource.setrlimit(what, (lowered, lowered))


if __name__ == "__main__":
    # By its own name, so that there is one copy of the module and of what it remembers.
    from ledger.arrival.sandbox import serve as _serve

    _serve(int(sys.argv[1]))
