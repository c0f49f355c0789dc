"""The shortest way to say a life: one word for each thing that happens. All invented; the access is A1 unless named."""

from __future__ import annotations

from typing import Any

from ledger.events import Event
from tests.lives import happening


def made(day: str, kind: str = "fistula", *, access: str = "A1", **more: Any) -> Event:
    return happening("creation", day, access=access, access_kind=kind, **more)


def met(day: str, kind: str | None = "fistula", *, access: str = "A1", **more: Any) -> Event:
    return happening("access-known", day, access=access, **({"access_kind": kind} if kind else {}), **more)


def placed(day: str, kind: str = "tunnelled-catheter", *, access: str = "C1", **more: Any) -> Event:
    return happening("catheter-placed", day, access=access, access_kind=kind, **more)


def exchanged(day: str, *, access: str = "C1", **more: Any) -> Event:
    return happening("catheter-exchanged", day, access=access, **more)


def removed(day: str, reason: str | None = None, *, access: str = "C1") -> Event:
    return happening("catheter-removed", day, access=access, **({"reason": reason} if reason else {}))


def needled(day: str, *, access: str = "A1", **more: Any) -> Event:
    """The first needle ever."""
    return happening("first-cannulation", day, access=access, **more)


def used(day: str, use: str = "two-needles", *, access: str = "A1") -> Event:
    return happening("access-used", day, access=access, use=use)


def session(day: str, *, access: str = "A1", use: str = "two-needles", flow: str | None = "350", **more: Any) -> Event:
    said = {"blood_flow_ml_min": {"value": flow}} if flow else {}
    return happening("cannulation-session", day, access=access, use=use, **said, **more)


def second_stage(day: str, *, access: str = "A1", **more: Any) -> Event:
    return happening("second-stage", day, access=access, **more)


def looked_at(day: str, *, access: str = "A1", **more: Any) -> Event:
    """An angiogram without treatment."""
    return happening("angiogram", day, access=access, **more)


def ballooned(day: str, *, access: str = "A1", lesion: str = "L1", place: str = "cephalic-arch", **more: Any) -> Event:
    lesions = [{"lesion": lesion, "place": place, **more.pop("left", {})}]
    return happening("angioplasty", day, access=access, lesions=lesions, **more)


def stented(day: str, *, access: str = "A1", lesion: str = "L1", place: str = "cephalic-arch", **more: Any) -> Event:
    stents = [{"device": "D1", "covered": True, "lesion": lesion, "place": place}]
    return happening("stent", day, access=access, stents=stents, **more)


def clotted(day: str, *, access: str = "A1", **more: Any) -> Event:
    return happening("thrombosis", day, access=access, **more)


def clot_out(day: str, success: bool | None = True, *, access: str = "A1", **more: Any) -> Event:
    said = {} if success is None else {"success": success}
    return happening("thrombectomy", day, access=access, **said, **more)


def revised(day: str, *methods: str, access: str = "A1", **more: Any) -> Event:
    return happening("revision", day, access=access, methods=list(methods), **more)


def banded(day: str, *, access: str = "A1") -> Event:
    return happening("banding", day, access=access, reason="steal")


def other(day: str, what: str, *, access: str = "A1", **more: Any) -> Event:
    return happening("other-intervention", day, access=access, what=what, **more)


def given_up(day: str, reason: str | None = None, how: str = "given-up", *, access: str = "A1", **more: Any) -> Event:
    said = {"reason": reason} if reason else {}
    return happening("abandonment", day, access=access, how=how, **said, **more)


def again(day: str, *, access: str = "A1") -> Event:
    return happening("taken-up-again", day, access=access)


def infected(day: str, what: str = "bloodstream", *, access: str = "C1", **more: Any) -> Event:
    return happening("infection", day, access=access, infection_class=what, **more)


def gone(day: str, reason: str) -> Event:
    """Care here ended."""
    return happening("follow-up-ended", day, reason=reason)


def back(day: str, **more: Any) -> Event:
    return happening("follow-up-resumed", day, **more)


def began(day: str, modality: str | None = "in-centre-haemodialysis", **more: Any) -> Event:
    return happening("care-began", day, **({"modality": modality} if modality else {}), **more)


def to(day: str, modality: str) -> Event:
    return happening("modality-changed", day, to=modality)


def arrived(day: str, *found: str, **more: Any) -> Event:
    return happening("first-seen-here", day, accesses_found=list(found), **more)
