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

    from cli.demo.tour import tell

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
    tell(where)


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
