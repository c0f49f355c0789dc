"""`access-ledger serve`: the pages, on this machine or on the unit's network."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from cli import say
from cli.options import ByOption, LedgerOption, TodayOption, day_from, opened, person_of, where_of


def serve(
    port: Annotated[int, typer.Option("--port", metavar="PORT", help="The port to listen on.")] = 8750,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
) -> None:
    """Serves the pages on loopback until stopped, and prints a link that signs in once."""
    import uvicorn

    from cli.pages.doors import Doors
    from cli.pages.rights import Account, Role
    from cli.pages.shell import Site, application
    from ledger.store import open_ledger

    where = where_of(ledger)
    with opened(ledger) as found:
        person = found.who.person(person_of(found, by))
        assert person is not None
        row = found.db.execute("SELECT value FROM meta WHERE key=?", ("demo_today",)).fetchone()
    day = day_from(today, "--today") if today else datetime.fromisoformat(row[0]).date() if row else None
    doors = Doors(lambda: datetime.now(UTC))
    site = Site(lambda: open_ledger(where), doors, day=day)
    app = application(site)
    app.state.doors = doors
    link = doors.one_time_link(Account(person=person.id, name=person.name, roles=frozenset(Role)))
    say.out(f"Open http://127.0.0.1:{port}{link}")
    say.out("The link works once. Stop with Ctrl-C.")
    uvicorn.run(app, host="127.0.0.1", port=port, log_level="warning", access_log=False, server_header=False)
    site.close()
