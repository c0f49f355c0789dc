"""A small invented ledger, and ways to run a command: in this process, as one of its own, and at a terminal."""

from __future__ import annotations

import io
import json
import os
import pty
import select
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from cli.main import main
from ledger.dates import PartialDate
from ledger.people import Identifier, Person, Unit
from ledger.store import Ledger, open_ledger

MRN = "https://invented.example/mrn"
NAME = "Maud Vellacott-Orme"
"""The name of the invented patient, which no error may say."""

OURS = [sys.executable, "-c", "from cli.main import run; run()"]


@dataclass(frozen=True)
class Ran:
    """What a command said, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@dataclass
class Desk:
    """A ledger file, and commands on it. `by` is who types."""

    file: Path
    by: str | None = "N1"

    @property
    def environment(self) -> dict[str, str]:
        found = {"ACCESS_LEDGER": str(self.file)}
        return {**found, "ACCESS_LEDGER_BY": self.by} if self.by else found

    def run(self, line: str, *more: str | Path) -> Ran:
        """Runs a command in this process, as its console script would: a line, and arguments that are not split."""
        arguments = [*shlex.split(line), *map(str, more)]
        out, err = io.StringIO(), io.StringIO()
        before = {name: os.environ.get(name) for name in ("ACCESS_LEDGER", "ACCESS_LEDGER_BY")}
        os.environ.pop("ACCESS_LEDGER_BY", None)
        os.environ.update(self.environment)
        try:
            with redirect_stdout(out), redirect_stderr(err):
                code = main(arguments)
        finally:
            for name, value in before.items():
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value
        return Ran(code, out.getvalue(), err.getvalue())

    def ok(self, line: str, *more: str | Path) -> Ran:
        """Runs a command that has to succeed."""
        ran = self.run(line, *more)
        assert ran.code == 0, ran.err or ran.out
        return ran

    def process(self, line: str, *more: str | Path, **settings: Any) -> subprocess.CompletedProcess[str]:
        """Runs a command as a process of its own."""
        environment = {**os.environ, **self.environment, **settings.pop("env", {})}
        return subprocess.run(
            [*OURS, *shlex.split(line), *map(str, more)],
            env=environment,
            capture_output=True,
            text=True,
            timeout=120,
            **settings,
        )

    def at_terminal(self, line: str, answers: list[tuple[str, str]], then: str = "") -> str:
        """Runs a command at a terminal and types each answer when what it answers has been shown; gives the screen.

        `then` is typed at whatever else is asked for, once the answers are given.
        """
        return _at_terminal([*OURS, *shlex.split(line)], {**os.environ, **self.environment}, answers, then)

    def open(self) -> Ledger:
        return open_ledger(self.file)


def _at_terminal(command: list[str], environment: dict[str, str], answers: list[tuple[str, str]], then: str) -> str:
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 45, 100, 0, 0))
    environment = {**environment, "TERM": "xterm", "NO_COLOR": "1"}

    def as_from_a_keyboard() -> None:
        # A controlling terminal of its own; and Ctrl-C counts, also where the tests run in the background of a shell.
        os.login_tty(theirs)
        signal.signal(signal.SIGINT, signal.SIG_DFL)

    process = subprocess.Popen(command, env=environment, preexec_fn=as_from_a_keyboard, pass_fds=[theirs])
    # Their end stays open here as well: where the last one closes it, a terminal may drop what was said at the end.
    screen, seen, left, end = "", 0, list(answers), time.monotonic() + 60
    key, quiet_since = "", time.monotonic()
    while time.monotonic() < end:
        ended = process.poll() is not None
        ready, _, _ = select.select([ours], [], [], 0.05)
        if not ready and ended:
            break
        if not ready and time.monotonic() - quiet_since > (0.3 if then and not left else 1.0):
            # What is typed before a single key is waited for is thrown away, as by any terminal; so it is typed again.
            os.write(ours, (key or (then if not left else "")).encode())
            quiet_since = time.monotonic()
        if ready:
            quiet_since = time.monotonic()
            words = os.read(ours, 4096).decode("utf-8", errors="replace")
            screen += words
            if words.strip() not in ("", key):  # more than the echo of the key itself
                key = ""
        if left and left[0][0] in screen[seen:]:
            seen = screen.index(left[0][0], seen) + len(left[0][0])
            answer = left.pop(0)[1]
            os.write(ours, answer.encode())
            key = answer if len(answer) == 1 and answer.isprintable() else ""  # a signal comes once
    process.kill()
    process.wait()
    os.close(theirs)
    os.close(ours)
    assert not left, f"nothing asked for: {left[0][0]!r}; the screen was:\n{screen}"
    return screen.replace("\r\n", "\n")


@pytest.fixture
def empty(tmp_path: Path) -> Desk:
    """A ledger with a unit and a person who records, and no patient."""
    file = tmp_path / "ledger.sqlite"
    with open_ledger(file, create=True, zone="Europe/London") as ledger:
        ledger.who.add_unit(Unit(id="U1", name="Invented unit by the quay", zone="Europe/London", invented=True))
        ledger.who.add_person(Person(id="N1", name="Nurse Invented", role="nurse", invented=True))
    return Desk(file)


@pytest.fixture
def desk(empty: Desk) -> Desk:
    """The same ledger with one invented patient, P0001, who has no access yet."""
    with empty.open() as ledger:
        ledger.who.add_patient(
            name=NAME,
            birth_date=PartialDate("1958-07-14"),
            identifiers=(Identifier(system=MRN, value="K204817"),),
            unit="U1",
            invented=True,
        )
    return empty


@pytest.fixture
def with_fistula(desk: Desk) -> Desk:
    """The same patient with a left upper-arm fistula A1, made in March 2024."""
    desk.ok(
        "record creation P0001 --access A1 --happened 2024-03-04 --access-kind fistula --side left "
        "--site upper-arm --inflow brachial --outflow cephalic"
    )
    return desk


REPORT = """\
Invented report. No such patient, surgeon or place exists.
Patient: Maud Vellacott-Orme    DOB: 14 July 1958    MRN: K204817
Date of procedure: 12 May 2024

PROCEDURE: Fistulogram and balloon angioplasty of the left brachiocephalic fistula.

FINDINGS: There was an 80% stenosis of the cephalic arch. The central veins were patent.
The cephalic arch stenosis was dilated with an 8 mm x 40 mm balloon to 20 atm.
Residual stenosis was 20%.

No complications.
"""
"""A plain report about the fistula of `with_fistula`."""


@pytest.fixture
def a_report(tmp_path: Path) -> Callable[..., Path]:
    """Writes a report to a file of its own."""

    def write(text: str = REPORT, name: str = "report.txt") -> Path:
        file = tmp_path / "came" / name
        file.parent.mkdir(exist_ok=True)
        file.write_text(text, encoding="utf-8")
        return file

    return write
