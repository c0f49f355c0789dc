"""What a coded resource tells → a reading: the same proposals as from prose, made of codes and not of sentences.

Whoever renders a resource in words (`fhir_mapping.foreign`) says in JSON which stretches of those words stand for
which fact; here that becomes typed proposals, which wait for a person like any other. What has a code or a place that
nobody understands is among what was noticed and left out. Nothing here is plainly said: a code says what was billed or
ordered as often as what was done.

The JSON: `happened`, `access` (fields of `ReadAccess`), `proposed` (kind, detail, lesions, quotes, doubts, why),
`noticed` (start, end, what, reason), `doubts`. Quotes are pairs of code points.
"""

from __future__ import annotations

from typing import Any

import orjson

from ledger.dates import PartialDate
from ledger.entries import validated
from ledger.events import KINDS
from ledger.reading.proposals import Cite, Noticed, Proposal, ReadAccess, Reading, ReadLesion, ReadStent
from ledger.vocabulary import (
    AccessKind,
    Artery,
    Configuration,
    GraftMaterial,
    LesionPlace,
    Side,
    Site,
    TreatmentOutcome,
    Vein,
)

VERSION = "coded-1"

_ACCESS = {
    "kind": AccessKind,
    "side": Side,
    "site": Site,
    "inflow": Artery,
    "outflow": Vein,
    "vein": Vein,
    "configuration": Configuration,
    "material": GraftMaterial,
}


def coded_reading(text: str, told: str) -> Reading:
    """The reading that the JSON of a coded resource asks for."""
    found = orjson.loads(told)
    happened = PartialDate(found["happened"]) if found.get("happened") else None
    access = _access(found.get("access") or {})
    return Reading(
        text=text,
        reader=VERSION,
        # Where nothing is proposed, nothing asks which access it would be about.
        accesses=(access,) if found.get("proposed") else (),
        proposed=tuple(_proposal(one, happened, access.ref) for one in found.get("proposed", ())),
        noticed=tuple(Noticed(**one) for one in found.get("noticed", ())),
        happened=happened,
        happened_from=None if happened is None else "text",
        doubts=tuple(found.get("doubts", ())),
    )


def _access(told: dict[str, Any]) -> ReadAccess:
    values: dict[str, Any] = {name: cls(told[name]) for name, cls in _ACCESS.items() if told.get(name)}
    quotes = _cites(told.get("quotes", ()))
    return ReadAccess(
        ref="a1",
        **values,
        described=told.get("described"),
        quotes=quotes,
        side_quotes=quotes if "side" in values else (),
        doubts=tuple(told.get("doubts", ())),
    )


def _proposal(told: dict[str, Any], happened: PartialDate | None, access: str) -> Proposal:
    kind = told["kind"]
    detail = _typed(kind, told.get("detail", {}))
    lesions = tuple(_lesion(one) for one in told.get("lesions", ()))
    if lesions:
        detail["lesions"] = lesions
    return Proposal(
        kind=kind,
        access=access,
        happened=happened,
        quotes=_cites(told["quotes"]),
        detail=detail,
        doubts=tuple(told.get("doubts", ())),
        plain=False,
        why=told.get("why", ""),
    )


def _typed(kind: str, detail: dict[str, Any]) -> dict[str, Any]:
    """The values of a kind's fields, checked as they are at the border."""
    if not detail:
        return {}
    begun = {"kind": kind, "happened": "2000", "access": "a"}
    asked = KINDS[kind].__dataclass_fields__
    event = validated({name: held for name, held in begun.items() if name == "kind" or name in asked} | detail)
    return {name: getattr(event, name) for name in detail}


def _lesion(told: dict[str, Any]) -> ReadLesion:
    return ReadLesion(
        place=LesionPlace(told["place"]) if told.get("place") else None,
        side=Side(told["side"]) if told.get("side") else None,
        outcome=TreatmentOutcome(told["outcome"]) if told.get("outcome") else None,
        ballooned=bool(told.get("ballooned")),
        stented=bool(told.get("stented")),
        stents=(ReadStent(**told["stent"]),) if told.get("stent") else (),
        quotes=_cites(told.get("quotes", ())),
    )


def _cites(pairs: Any) -> tuple[Cite, ...]:
    return tuple(Cite(start=start, end=end) for start, end in pairs)
