"""The peer: the `eventsourcing` package with the same facts, twelve to an aggregate, in a SQLite file or PostgreSQL."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from eventsourcing.application import Application
from eventsourcing.domain import Aggregate, event


class Life(Aggregate):
    """One access as an event-sourced aggregate: it keeps every fact that it was told."""

    @event("Begun")
    def __init__(self, fact: dict[str, Any]) -> None:
        self.facts = [fact]

    @event("Told")
    def tell(self, fact: dict[str, Any]) -> None:
        self.facts.append(fact)


def peer_in(folder: Path) -> Application[Any]:
    return Application(
        env={
            **os.environ,
            "PERSISTENCE_MODULE": "eventsourcing.sqlite",
            "SQLITE_DBNAME": str(folder / "peer.sqlite"),
        }
    )


def peer_in_postgres(url: str, *, create: bool = False) -> Application[Any]:
    from psycopg.conninfo import conninfo_to_dict

    parts = conninfo_to_dict(url)
    return Application(
        env={
            **os.environ,
            "PERSISTENCE_MODULE": "eventsourcing.postgres",
            "POSTGRES_DBNAME": str(parts.get("dbname") or "postgres"),
            "POSTGRES_HOST": str(parts["host"]),
            "POSTGRES_PORT": str(parts.get("port") or 5432),
            "POSTGRES_USER": str(parts.get("user") or "postgres"),
            "POSTGRES_PASSWORD": str(parts.get("password") or ""),
            "CREATE_TABLE": "yes" if create else "no",
        }
    )


def build(facts: list[dict[str, Any]]) -> Life:
    made = Life(facts[0])
    for fact in facts[1:]:
        made.tell(fact)
    return made
