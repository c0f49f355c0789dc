"""How long a command takes to begin: against an empty typer app, and against typer with SQLAlchemy Core."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

from ledger.entries import Signature
from tests.benchmarks import Ratio, interleaved
from tests.benchmarks.store import a_ledger, append_life

EMPTY = """
import typer
app = typer.Typer()
@app.command()
def nothing(): pass
app()
"""
CORE = """
import sys
import typer
from sqlalchemy import Column, Integer, MetaData, Table, create_engine, select
app = typer.Typer()
@app.command()
def count(path: str):
    t = Table("patients", MetaData(), Column("org", Integer), Column("number", Integer))
    with create_engine("sqlite:///" + path).connect() as connection:
        print(len(connection.execute(select(t.c.number)).fetchall()))
app()
"""
BY = Signature(person="N1")


def run(scale: float) -> Iterable[Ratio]:
    times, rounds = 1, max(3, int(25 * scale))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ledger = a_ledger(folder, patients=20)
        for number in range(10):
            append_life(ledger, number)
        ledger.close()
        empty, core = folder / "empty.py", folder / "core.py"
        empty.write_text(EMPTY)
        core.write_text(CORE)
        place = str(folder / "ledger.sqlite")
        environment = {**os.environ, "ACCESS_LEDGER": place, "ACCESS_LEDGER_BY": "N1"}

        def ran(*command: str) -> None:
            subprocess.run(command, env=environment, check=True, capture_output=True)

        ours_is = [sys.executable, "-c", "from cli.main import run; run()"]
        for arguments, wanted, peer, peer_name in (
            (["--help"], 1 / 1.15, [str(empty), "--help"], "an empty typer app --help"),
            (["patient", "list"], 1 / 1.2, [str(core), place], "typer + SQLAlchemy Core, one select"),
            (["brief", "P0003"], None, [str(core), place], "typer + SQLAlchemy Core, one select"),
        ):
            ours, theirs = interleaved(
                lambda _, a=arguments: ran(*ours_is, *a),  # type: ignore[misc]
                lambda _, p=peer: ran(sys.executable, *p),  # type: ignore[misc]
                times,
                rounds=rounds,
            )
            yield Ratio(
                name=f"command start: access-ledger {' '.join(arguments)}",
                ours=ours / 1000, peer=theirs / 1000, unit="ms", wanted=wanted, peer_name=peer_name, n=rounds,
            )  # fmt: skip
