"""Short ways to tell a life in tests: one function for each thing that happens, dates always written out.

`on` gives the view of one access on a day. Nothing here is patient data; all lives are invented.
"""

from __future__ import annotations

from datetime import date
from typing import Any

from ledger.chronology import History
from ledger.events import Event
from ledger.projections.state import AccessView, accesses_of
from tests.lives import happening

FISTULA, GRAFT, LINE, PERITONEAL = "A1", "G1", "C1", "P1"


def fistula(day: str, access: str = FISTULA, **fields: Any) -> Event:
    """A left brachiocephalic fistula, unless the fields say otherwise."""
    told = {"side": "left", "site": "upper-arm", "inflow": "brachial", "outflow": "cephalic", **fields}
    return happening("creation", day, access=access, access_kind="fistula", **told)


def graft(day: str, access: str = GRAFT, **fields: Any) -> Event:
    """A left forearm loop graft, unless the fields say otherwise."""
    told = {"side": "left", "site": "forearm", "configuration": "loop", **fields}
    return happening("creation", day, access=access, access_kind="graft", **told)


def line(day: str, access: str = LINE, kind: str = "tunnelled-catheter", **fields: Any) -> Event:
    """A catheter in the right internal jugular vein, unless the fields say otherwise."""
    told = {"side": "right", "vein": "internal-jugular", **fields}
    return happening("catheter-placed", day, access=access, access_kind=kind, **told)


def peritoneal(day: str, access: str = PERITONEAL, **fields: Any) -> Event:
    return happening("catheter-placed", day, access=access, access_kind="peritoneal-catheter", **fields)


def exchanged(day: str, access: str = LINE, **fields: Any) -> Event:
    return happening("catheter-exchanged", day, access=access, **fields)


def removed(day: str, access: str = LINE, **fields: Any) -> Event:
    return happening("catheter-removed", day, access=access, **fields)


def second_stage(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("second-stage", day, access=access, form="transposition", **fields)


def known(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("access-known", day, access=access, **fields)


def looked(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("examination", day, access=access, **fields)


def judged(day: str, verdict: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("maturity-assessed", day, access=access, verdict=verdict, **fields)


def first_needled(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("first-cannulation", day, access=access, **fields)


def used(day: str, use: str = "two-needles", access: str = FISTULA) -> Event:
    return happening("access-used", day, access=access, use=use)


def session(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("cannulation-session", day, access=access, **fields)


def clotted(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("thrombosis", day, access=access, **fields)


def cleared_of_clot(day: str, success: bool | None, access: str = FISTULA, **fields: Any) -> Event:
    told = {} if success is None else {"success": success}
    return happening("thrombectomy", day, access=access, **told, **fields)


def angiogram(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("angiogram", day, access=access, **fields)


def ballooned(day: str, lesion: str, place: str, access: str = FISTULA, residual: str = "20", **fields: Any) -> Event:
    told = {"lesion": lesion, "place": place, "residual_percent": {"value": residual}}
    return happening("angioplasty", day, access=access, lesions=[told], **fields)


def stented(day: str, access: str = FISTULA, visit: str | None = None, **stent: Any) -> Event:
    told = {} if visit is None else {"visit": visit}
    return happening("stent", day, access=access, stents=[{"device": f"D-{day}", **stent}], **told)


def instructed(day: str, what: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("instruction", day, access=access, what=what, **fields)


def given_up(day: str, access: str = FISTULA, how: str = "given-up", **fields: Any) -> Event:
    return happening("abandonment", day, access=access, how=how, **fields)


def taken_up(day: str, access: str = FISTULA) -> Event:
    return happening("taken-up-again", day, access=access)


def went_wrong(day: str, what: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("complication", day, access=access, what=what, **fields)


def trouble(day: str, what: str, access: str = LINE, **fields: Any) -> Event:
    return happening("catheter-trouble", day, access=access, what=what, **fields)


def infected(day: str, what: str, access: str = LINE, **fields: Any) -> Event:
    return happening("infection", day, access=access, infection_class=what, **fields)


def cultured(day: str, access: str | None = LINE, **fields: Any) -> Event:
    told = {} if access is None else {"access": access}
    return happening("culture", day, **told, **fields)


def referred(day: str, access: str = FISTULA, **fields: Any) -> Event:
    return happening("referral", day, access=access, **fields)


def visited(day: str, visit: str, access: str = FISTULA, outcome: str | None = "done", **fields: Any) -> Event:
    told = {} if outcome is None else {"outcome": outcome}
    return happening("visit", day, access=access, visit=visit, **told, **fields)


def decided(day: str, what: str, **fields: Any) -> Event:
    return happening("decision", day, what=what, **fields)


def measured(day: str, access: str = FISTULA, **fields: Any) -> Event:
    told = {
        name: {"value": value} if isinstance(value, str) and name != "method" else value
        for name, value in fields.items()
    }
    return happening("measurement", day, access=access, **told)


def on(day: str, history: History, access: str = FISTULA) -> AccessView:
    """The view of one access on a day."""
    views = {view.access: view for view in accesses_of(history, date.fromisoformat(day))}
    return views[access]
