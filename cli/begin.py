"""The first commands: an empty ledger, and the demonstration."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from cli import say
from cli.options import JsonOption, LedgerOption, where_of
from ledger.errors import LedgerError


def init(
    ledger: LedgerOption = None,
    zone: Annotated[
        str | None,
        typer.Option(
            "--zone",
            metavar="ZONE",
            help="The time zone whose days count, for example Europe/London. Without it, that of this machine.",
            show_default=False,
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make an empty ledger, private to you: in your data folder, or where --ledger says.

    A ledger that is there is left as it is.
    """
    from ledger.errors import NotFound
    from ledger.store import open_ledger

    where = where_of(ledger)
    made = False
    try:
        found = open_ledger(where)
    except NotFound as missing:
        if "There is no ledger" not in missing.problem:
            raise
        found = open_ledger(where, create=True, zone=zone or zone_of_this_machine())
        made = True
    with found:
        if as_json:
            say.as_json({"ledger": str(where), "made": made, "zone": found.zone.key, "organisation": str(found.uuid)})
            return
        if not made:
            say.out(
                f"There is a ledger at {where} already; it was left as it is. Its days are those of {found.zone.key}."
            )
            return
        say.out(f"Made an empty ledger at {where}. Its days are those of {found.zone.key}.")
        say.next_steps(
            ('access-ledger unit add U1 --name "…"', "your dialysis unit"),
            ('access-ledger person add N1 --name "…"', "yourself; then: export ACCESS_LEDGER_BY=N1"),
            ('access-ledger patient add --name "…" --born 1958-07-14', "a patient"),
            ("access-ledger report import FOLDER", "operative reports"),
        )


def demo(ledger: LedgerOption = None, as_json: JsonOption = False) -> None:
    """Make the demonstration: an invented dialysis unit with its patients, accesses and reports.

    It is made where --ledger or ACCESS_LEDGER says, else in a new folder. A ledger that holds anything but the
    demonstration is not touched.
    """
    import tempfile

    where = ledger or str(Path(tempfile.mkdtemp(prefix="access-ledger-demo-")) / "demo.sqlite")
    made, built = _made_demo(where)
    if as_json:
        say.as_json({"ledger": where, "made": made, **built})
        return
    say.out(f"{'Made' if made else 'There is'} the demonstration at {where}.")
    say.out(
        f"An invented unit: {built['patients']} patients, {built['entries']} entries, {built['reports']} reports, of "
        f"which {built['waiting']} wait to be confirmed. Nobody in it exists. Its today is {built['today']}."
    )
    _tour(where)


def _made_demo(where: str) -> tuple[bool, dict[str, Any]]:
    from cli.demo import TODAY, build_demo, holds_the_demo, open_demo
    from ledger.errors import WrongInput
    from ledger.store import open_ledger
    from ledger.store.database import is_url

    refused = WrongInput(
        f"There is something else than the demonstration at {where}; it was not touched.",
        "Name another place with --ledger, or leave it out for a new folder.",
    )
    if is_url(where) or Path(where).expanduser().exists():
        try:
            found = open_ledger(where)
        except LedgerError:
            # PostgreSQL with an empty database may become the demo; a file that is there and is no ledger may not.
            if not is_url(where):
                raise refused from None
        else:
            with found:
                if not holds_the_demo(found):
                    raise refused
    with open_demo(where) as found:
        made = not found.db.execute("SELECT 1 FROM patients WHERE org=? LIMIT 1", (found.org,)).fetchone()
        if made:
            with found.db.writing():
                build_demo(found)
                found.db.execute("INSERT INTO meta (key, value) VALUES ('demo_today', ?)", (TODAY.isoformat(),))
        counted = found.papers.counted()
        count = {
            table: found.db.execute(f"SELECT COUNT(*) FROM {table} WHERE org=?", (found.org,)).fetchone()[0]
            for table in ("patients", "entries", "reports")
        }
    return made, {**count, "waiting": counted.get("waiting", 0), "today": TODAY.isoformat()}


def _tour(where: str) -> None:
    """A brief, who needs looking at, and what to type next."""
    from cli.look import brief_made
    from cli.options import opened, today_of
    from ledger.store.who import patient_id

    with opened(where) as found:
        one = next(found.who.patients())
        say.out()
        for line in brief_made(found, one, found.history(one.id, sessions=True), today_of(found, one.id, None)).lines():
            say.out(say.shown_lines(line))
        waiting: dict[str, int] = {}
        for report in found.papers.reports(state="waiting"):
            if report.patient is not None:
                waiting[report.patient] = waiting.get(report.patient, 0) + 1
        doubts = {
            patient_id(number): count
            for number, count in found.db.execute(
                "SELECT stream / 2, doubts FROM streams WHERE org=? AND doubts>0", (found.org,)
            ).fetchall()
        }
        say.out()
        say.heading("To be looked at")
        rows = []
        for patient in found.who.patients():
            why = []
            if patient.id in waiting:
                why.append(f"{say.counted(waiting[patient.id], 'report')} not confirmed")
            if patient.id in doubts:
                why.append(f"{say.counted(doubts[patient.id], 'doubt')} not settled")
            if why:
                rows.append([patient.id, patient.name, ", ".join(why)])
        say.table(["Patient", "Name", "Why"], rows)
        person = found.who.people()[0].id
    say.next_steps(
        (f"export ACCESS_LEDGER={where} ACCESS_LEDGER_BY={person}", "so that the next commands find it"),
        ("access-ledger history P0001 --quotes", "every entry with the words it rests on"),
        ("access-ledger report list", "what came in and waits"),
        ("access-ledger report confirm --patient P0001", "go through a patient's reports"),
        ("access-ledger --help", "everything else"),
    )


def zone_of_this_machine() -> str:
    """The IANA name of this machine's zone; UTC where it cannot be told."""
    import os
    from contextlib import suppress
    from zoneinfo import ZoneInfo

    names = [os.environ.get("TZ", "").removeprefix(":")]
    with suppress(OSError, ValueError):
        names.append(Path("/etc/timezone").read_text(encoding="ascii").strip())
    _, _, linked = os.path.realpath("/etc/localtime").partition("zoneinfo/")
    names.append(linked)
    for name in names:
        if name:
            try:
                return ZoneInfo(name).key
            except Exception:
                continue
    return "UTC"
