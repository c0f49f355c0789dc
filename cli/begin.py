"""The first command: an empty ledger."""

from __future__ import annotations

from typing import Annotated

import typer

from cli import say
from cli.options import JsonOption, LedgerOption, where_of


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


def zone_of_this_machine() -> str:
    """The IANA name of this machine's zone; UTC where it cannot be told."""
    import os
    from contextlib import suppress
    from pathlib import Path
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
