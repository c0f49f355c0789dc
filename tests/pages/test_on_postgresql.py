"""The pages over a ledger in PostgreSQL: a nurse signs in and looks; it is on record."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from uuid import uuid4

import pytest
from starlette.testclient import TestClient

from cli.main import main
from cli.pages.doors import Doors
from cli.pages.shell import Site, application
from ledger.store import open_ledger
from ledger.store.accounts import Accounts

PASSWORD = "marsh lantern bicycle ox"


@pytest.mark.postgres
def test_a_nurse_signs_in_and_looks_over_postgresql(postgres_server: str) -> None:
    import psycopg

    name = f"p{uuid4().hex[:12]}"
    with psycopg.connect(postgres_server, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    where = postgres_server.replace("/postgres?", f"/{name}?")
    assert main(["demo", "--ledger", where, "--json"]) == 0
    with open_ledger(where) as ledger:
        Accounts(ledger).add("nkemelu", roles=["looks"], units=["fern-valley"], password=PASSWORD)
        Accounts(ledger).set_password("nkemelu", PASSWORD, by_themselves=True)
    site = Site(lambda: open_ledger(where), Doors(lambda: datetime.now(UTC)), day=date(2026, 11, 20))
    browser = TestClient(application(site), base_url="http://127.0.0.1", follow_redirects=False)
    form = re.search(r'name="form" value="([^"]+)"', browser.get("/enter").text)
    assert form is not None

    entered = browser.post("/enter", data={"form": form[1], "name": "nkemelu", "password": PASSWORD})
    own, foreign = browser.get("/patient/P0001"), browser.get("/patient/P0007")
    site.close()

    assert (entered.status_code, own.status_code, foreign.status_code) == (303, 200, 404)
    assert "Wilhelmina Osterpike" in own.text
    with open_ledger(where) as ledger:
        rows = ledger.db.execute("SELECT person, did, patient FROM audit ORDER BY number DESC LIMIT 3").fetchall()
    assert [tuple(row) for row in rows] == [
        ("nkemelu", "refused", 7),
        ("nkemelu", "brief", 1),
        (None, "signed in", None),
    ]
