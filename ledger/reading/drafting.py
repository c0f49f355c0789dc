"""Proposals → drafts: typed facts, checked at the border, with their ids and their evidence.

A draft is what a person accepted and admission has not seen yet. Every id that a draft
brings (visit, lesion, device, new access) is derived from the report's id, so drafting
the same report again gives the same ids, and confirming twice adds nothing. Ordinals
count all proposals of a kind and an access, whichever of them were accepted.

Without a date nothing is drafted: such a proposal waits, and says what it waits for. A
lesion at a place that the access is known to have a lesion at gets that lesion's id.

Not for: deciding which access is meant (`ledger.matching`), refusing (`ledger.admission`).
"""

from __future__ import annotations

import hashlib
from base64 import b32encode
from collections.abc import Collection, Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any

from ledger.dates import PartialDate
from ledger.entries import Draft, event_to_dict, validated
from ledger.events import (
    KINDS,
    AccessId,
    BackgroundItem,
    DeviceId,
    DrugGiven,
    LesionId,
    ReportId,
    VisitComplication,
    VisitId,
    Words,
)
from ledger.evidence import Evidence, Quote
from ledger.reading.proposals import Cite, Proposal, ReadAccess, ReadBalloon, Reading, ReadLesion, ReadStent
from ledger.vocabulary import AccessKind, LesionPlace, Side


@dataclass(frozen=True, kw_only=True)
class KnownLesion:
    """A lesion that the ledger already has of an access."""

    id: LesionId
    place: LesionPlace | None = None
    side: Side | None = None


@dataclass(frozen=True, kw_only=True)
class KnownAccess:
    """Which access of the ledger a reading's access is. `is_new`: the ledger does not know it yet.

    `device` is the catheter that is in now. `lesions` are in the order in which they were first entered.
    """

    id: AccessId
    is_new: bool = False
    lesions: tuple[KnownLesion, ...] = ()
    device: DeviceId | None = None


@dataclass(frozen=True, kw_only=True)
class Drafted:
    """A draft, and the proposal that it was made of; None for an access that the report only makes known."""

    draft: Draft
    proposal: int | None


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """A proposal that cannot be drafted yet, and what it waits for.

    `code` is `no-date`, `no-access` or `not-complete`; `words` say what to give.
    """

    proposal: int | None
    code: str
    words: str


@dataclass(frozen=True, kw_only=True)
class Drafts:
    """What became of the proposals that were accepted."""

    drafted: tuple[Drafted, ...]
    waiting: tuple[Waiting, ...] = ()

    @property
    def drafts(self) -> tuple[Draft, ...]:
        return tuple(one.draft for one in self.drafted)


CREATING_KINDS = frozenset({"creation", "catheter-placed"})


def drafts_of(
    reading: Reading,
    *,
    report: ReportId,
    text_id: str,
    accesses: Mapping[str, KnownAccess | AccessId],
    happened: PartialDate | None = None,
    only: Collection[int] | None = None,
) -> Drafts:
    """The drafts of a reading's proposals, in its order; before the first of a new access that access is made known.

    `accesses` says for each access ref which access of the ledger it is. `happened` is the day that a person gives;
    it counts where the reading has none. `only` are the numbers (from 0) of the proposals that were accepted.
    """
    known = {ref: one if isinstance(one, KnownAccess) else KnownAccess(id=one) for ref, one in accesses.items()}
    return _Desk(reading, report, text_id, known, happened, only).drafts()


def new_access_id(report: ReportId, ref: str) -> AccessId:
    """The id of an access that is first met in this report."""
    return f"a-{_short(report, 'access', ref)}"


def visit_id_of(report: ReportId) -> VisitId:
    """The id of the visit that a report is about."""
    return f"v-{_short(report, 'visit')}"


def ordinals_of(reading: Reading, accesses: Mapping[str, KnownAccess | AccessId]) -> list[int]:
    """The how-manieth of its kind and access each proposal is, from 1."""
    counts: dict[tuple[str, str | None], int] = {}
    found = []
    for one in reading.proposed:
        given = accesses.get(one.access) if one.access is not None else None
        access = given.id if isinstance(given, KnownAccess) else given
        key = (one.kind, access or one.access)
        counts[key] = counts.get(key, 0) + 1
        found.append(counts[key])
    return found


def _short(*parts: str) -> str:
    digest = hashlib.sha256("\x1f".join(parts).encode()).digest()
    return b32encode(digest)[:16].decode("ascii").lower()


class _Desk:
    """One reading on its way to drafts."""

    def __init__(
        self,
        reading: Reading,
        report: ReportId,
        text_id: str,
        known: dict[str, KnownAccess],
        happened: PartialDate | None,
        only: Collection[int] | None,
    ) -> None:
        self.reading = reading
        self.report = report
        self.text_id = text_id
        self.known = known
        self.happened = happened
        self.chosen = [index for index in range(len(reading.proposed)) if only is None or index in only]
        self.ordinals = ordinals_of(reading, known)
        self.visit = visit_id_of(report)
        self.has_angiogram = {
            reading.proposed[index].access for index in self.chosen if reading.proposed[index].kind == "angiogram"
        }
        self.lesions = self._lesions()

    def drafts(self) -> Drafts:
        drafted: list[Drafted] = []
        waiting: list[Waiting] = []
        first: dict[str | None, str] = {}
        for index in self.chosen:
            first.setdefault(self.reading.proposed[index].access, self.reading.proposed[index].kind)
        # An access whose first entry makes it needs no other one that makes it known.
        made = {ref for ref, kind in first.items() if kind in CREATING_KINDS or kind == "access-planned"}
        introduced: set[str] = set()
        for index in self.chosen:
            proposal = self.reading.proposed[index]
            ref = proposal.access
            if ref is not None and ref not in introduced and ref not in made and ref in self.known:
                introduced.add(ref)
                if self.known[ref].is_new:
                    self._keep(drafted, waiting, None, self._access_known(ref, proposal))
            self._keep(drafted, waiting, index, self._draft(index, proposal))
        return Drafts(drafted=tuple(drafted), waiting=tuple(waiting))

    def _keep(
        self, drafted: list[Drafted], waiting: list[Waiting], index: int | None, made: Draft | tuple[str, str]
    ) -> None:
        if isinstance(made, Draft):
            drafted.append(Drafted(draft=made, proposal=index))
        else:
            waiting.append(Waiting(proposal=index, code=made[0], words=made[1]))

    # --- One draft

    def _draft(self, index: int, proposal: Proposal) -> Draft | tuple[str, str]:
        cls = KINDS[proposal.kind]
        names = {one.name for one in fields(cls)}
        happened = proposal.happened or self.happened
        if happened is None:
            return "no-date", "Neither the text nor its envelope says when this happened: give the day, month or year."
        values: dict[str, Any] = {"happened": happened}
        if "access" in names:
            if proposal.access is not None and proposal.access in self.known:
                values["access"] = self.known[proposal.access].id
            elif proposal.access is not None or cls.__dataclass_fields__["access"].default is MISSING:
                return "no-access", "Say which access this is about."
        if "visit" in names and proposal.of_visit:
            values["visit"] = self.visit
        detail = {name: value for name, value in proposal.detail.items() if name != "lesions"}
        for name, value in detail.items():
            if name in names:
                values[name] = self._value(name, value)
        self._devices_and_lesions(proposal, values, names)
        if proposal.kind in CREATING_KINDS and "access_kind" not in values:
            access = self.reading.access(proposal.access)
            if access is None or access.kind is None:
                return "not-complete", "The report does not say what kind of access was made: say which."
            values["access_kind"] = access.kind
        return self._checked(
            proposal.kind, values, self.ordinals[index], tuple(self._quote(cite) for cite in proposal.quotes)
        )

    def _access_known(self, ref: str, first: Proposal) -> Draft | tuple[str, str]:
        access = self.reading.access(ref)
        assert access is not None, "a proposal names an access that its reading has"
        happened = first.happened or self.happened
        if happened is None:
            return "no-date", "The access is first met in this report: give the day of the report."
        values: dict[str, Any] = {"happened": happened, "access": self.known[ref].id, "from_report_only": True}
        values.update(_described(access))
        return self._checked("access-known", values, 1, tuple(self._quote(cite) for cite in access.quotes))

    def _checked(
        self, kind: str, values: dict[str, Any], ordinal: int, quotes: tuple[Quote, ...]
    ) -> Draft | tuple[str, str]:
        from pydantic import ValidationError

        event = KINDS[kind](**values)
        try:
            checked = validated(event_to_dict(event))
        except ValidationError as error:
            # Only where it is wrong is said: a value could hold what the report says of a person.
            where = ", ".join(sorted({".".join(str(part) for part in one["loc"]) for one in error.errors()}))
            return "not-complete", f"This cannot be entered as it was read ({where}): correct it."
        return Draft(
            event=checked,
            source=f"report:{self.report}",
            ordinal=ordinal,
            evidence=Evidence(report=self.report, quotes=quotes),
        )

    # --- Words, devices, lesions

    def _quote(self, cite: Cite) -> Quote:
        return Quote(text=self.text_id, start=cite.start, end=cite.end)

    def _words(self, cite: Cite) -> Words:
        return Words(text=self.text_id, start=cite.start, end=cite.end)

    def _value(self, name: str, value: Any) -> Any:
        if isinstance(value, Cite):
            return self._words(value)
        if name == "complications":
            return tuple(
                VisitComplication(**{key: self._value(key, one) for key, one in each.items()}) for each in value
            )
        if name == "drugs":
            return tuple(DrugGiven(**{key: self._value(key, one) for key, one in each.items()}) for each in value)
        if name == "items":
            return tuple(BackgroundItem(**{key: self._value(key, one) for key, one in each.items()}) for each in value)
        return tuple(value) if isinstance(value, list) else value

    def _device(self, kind: str, access: str | None, number: int = 1) -> DeviceId:
        return f"d-{_short(self.report, 'device', kind, access or '', str(number))}"

    def _lesions(self) -> dict[int, LesionId]:
        """The id of each lesion of the reading: that of the known one at the same place, else one of this report."""
        found: dict[int, LesionId] = {}
        used: set[LesionId] = set()
        counts: dict[tuple[str | None, str], int] = {}
        for proposal in self.reading.proposed:
            known = self.known[proposal.access].lesions if proposal.access in self.known else ()
            for lesion in proposal.detail.get("lesions", ()):
                place = lesion.place.value if lesion.place else ""
                key = (proposal.access, place)
                counts[key] = counts.get(key, 0) + 1
                same = next(
                    (
                        one.id
                        for one in known
                        if lesion.place is not None
                        and one.place is lesion.place
                        and one.id not in used
                        and (one.side is None or lesion.side is None or one.side is lesion.side)
                    ),
                    None,
                )
                access = self.known[proposal.access].id if proposal.access in self.known else ""
                identity = same or f"l-{_short(self.report, 'lesion', access, place, str(counts[key]))}"
                used.add(identity)
                found[id(lesion)] = identity
        return found

    def _all_lesions(self, access: str | None) -> list[ReadLesion]:
        """The lesions of an access, in the order in which the text tells them."""
        found = [
            lesion for one in self.reading.proposed if one.access == access for lesion in one.detail.get("lesions", ())
        ]
        return sorted(found, key=lambda lesion: lesion.quotes[0].start if lesion.quotes else 0)

    def _devices_and_lesions(self, proposal: Proposal, values: dict[str, Any], names: set[str]) -> None:
        access = proposal.access
        told_by_angiogram = access in self.has_angiogram
        match proposal.kind:
            case "angiogram":
                values["lesions"] = tuple(_found(one, self.lesions[id(one)]) for one in self._all_lesions(access))
            case "imaging":
                values["lesions"] = tuple(
                    _found(one, self.lesions[id(one)]) for one in proposal.detail.get("lesions", ())
                )
            case "angioplasty":
                values["lesions"] = tuple(
                    _treated(
                        one, self.lesions[id(one)], told=told_by_angiogram, final=not self._is_stented(one, access)
                    )
                    for one in self._all_lesions(access)
                    if one.ballooned
                )
            case "stent":
                plasty = any(
                    self.reading.proposed[index].kind == "angioplasty" and self.reading.proposed[index].access == access
                    for index in self.chosen
                )
                stented = [one for one in self._all_lesions(access) if one.stented]
                values["stents"] = tuple(self._stents(stented, access))
                values["lesions"] = tuple(
                    _treated(
                        one,
                        self.lesions[id(one)],
                        told=told_by_angiogram or (plasty and one.ballooned),
                        final=True,
                        balloons=not (plasty and one.ballooned),
                    )
                    for one in stented
                )
            case "creation" if values.get("access_kind") in (AccessKind.GRAFT, AccessKind.HYBRID):
                values["device"] = self._device("graft", access)
            case "catheter-placed":
                values["device"] = self._device("catheter", access)
            case "catheter-exchanged":
                values["device"] = self._device("catheter", access)
                if access in self.known and self.known[access].device is not None:
                    values["old_device"] = self.known[access].device
            case "catheter-removed" if access in self.known:
                values["device"] = self.known[access].device
            case _:
                pass
        for name in [name for name in values if name not in names]:
            del values[name]

    def _is_stented(self, lesion: ReadLesion, access: str | None) -> bool:
        return lesion.stented and any(
            self.reading.proposed[index].kind == "stent" and self.reading.proposed[index].access == access
            for index in self.chosen
        )

    def _stents(self, lesions: list[ReadLesion], access: str | None) -> list[Any]:
        from ledger.events import StentPlaced

        found = []
        number = 0
        for lesion in lesions:
            for stent in lesion.stents or (ReadStent(),):
                number += 1
                found.append(
                    StentPlaced(
                        device=self._device("stent", access, number),
                        covered=stent.covered,
                        coated=stent.coated,
                        diameter_mm=stent.diameter_mm,
                        length_mm=stent.length_mm,
                        place=lesion.place,
                        side=lesion.side,
                        lesion=self.lesions[id(lesion)],
                        across_needle_zone=stent.across_needle_zone,
                    )
                )
        return found


def _described(access: ReadAccess) -> dict[str, Any]:
    values = {
        "access_kind": access.kind,
        "side": access.side,
        "site": access.site,
        "inflow": access.inflow,
        "outflow": access.outflow,
        "catheter_vein": access.vein,
        "configuration": access.configuration,
        "material": access.material,
        "arterial_limb": access.arterial_limb,
        "created": access.created,
    }
    return {name: value for name, value in values.items() if value is not None}


def _found(lesion: ReadLesion, identity: LesionId) -> Any:
    from ledger.events import LesionFound

    return LesionFound(
        lesion=identity,
        place=lesion.place,
        side=lesion.side,
        stenosis_percent=lesion.before_percent,
        grade=lesion.before_grade,
        reference_mm=lesion.reference_mm,
        smallest_mm=lesion.smallest_mm,
        length_mm=lesion.length_mm,
        in_stent=lesion.in_stent,
        left_alone=lesion.left_alone,
    )


def _treated(lesion: ReadLesion, identity: LesionId, *, told: bool, final: bool, balloons: bool = True) -> Any:
    """What was done to a lesion. `told`: another entry of this visit holds what was found. `final`: what was left."""
    from ledger.events import LesionTreated

    return LesionTreated(
        lesion=identity,
        place=lesion.place,
        side=lesion.side,
        found_percent=None if told else lesion.before_percent,
        found_grade=None if told else lesion.before_grade,
        in_stent=None if told else lesion.in_stent,
        balloons=tuple(_balloon(one) for one in lesion.balloons) if balloons else (),
        residual_percent=lesion.after_percent if final else None,
        residual_grade=lesion.after_grade if final else None,
        outcome=lesion.outcome if final else None,
    )


def _balloon(one: ReadBalloon) -> Any:
    from ledger.events import Balloon

    return Balloon(
        diameter_mm=one.diameter_mm,
        length_mm=one.length_mm,
        pressure_atm=one.pressure_atm,
        coated=one.coated,
        cutting=one.cutting,
    )
