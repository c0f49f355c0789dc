"""Short ways to write drafts and to append them, for tests."""

from __future__ import annotations

from typing import Any

from ledger.entries import Draft, Signature
from ledger.events import Event
from ledger.store import Appended, Ledger
from tests.lives import happening

BY = Signature(person="N1")


def draft(event: Event, source: str = "hand", ordinal: int = 1) -> Draft:
    return Draft(event=event, source=source, ordinal=ordinal)


def a_fact(kind: str, happened: str, source: str | None = None, **fields: Any) -> Draft:
    """A draft whose source is made of kind and day, so that writing it twice is writing it once."""
    return draft(happening(kind, happened, **fields), source or f"hand:{kind}:{happened}")


def a_fistula(access: str = "A1", happened: str = "2023-03-01", **fields: Any) -> Draft:
    known = {"access_kind": "fistula", "side": "left", "site": "upper-arm", "inflow": "brachial", "outflow": "cephalic"}
    return a_fact("creation", happened, access=access, **{**known, **fields})


def an_angioplasty(access: str = "A1", happened: str = "2024-02-01", **fields: Any) -> Draft:
    known: dict[str, Any] = {
        "visit": f"V-{happened}",
        "lesions": [{"lesion": "L1", "place": "cephalic-arch", "residual_percent": {"value": "20", "comparator": "<"}}],
    }
    return a_fact("angioplasty", happened, access=access, **{**known, **fields})


def add(ledger: Ledger, patient: str, *drafts: Draft) -> Appended:
    return ledger.append(ledger.history(patient), drafts, by=BY)
