"""From a ledger to files: which patients, what of them, and into which form.

The mapping itself is a pure function (`resources.py`); here it meets the store. Patients pass one after another and
nothing of them is kept, so a million resources stream in constant memory. A record that turned out to be of another
patient goes out under the survivor, once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property

from fhir_mapping.bundles import digest_of, identifiers_of, key_of
from fhir_mapping.checks import gate, problems_of
from fhir_mapping.elements import Element, Resource
from fhir_mapping.r5 import Release, released
from fhir_mapping.resources import resources_of
from fhir_mapping.site import Directory, ReportCopy, Site
from ledger.chronology import History, in_force
from ledger.entries import Entry
from ledger.errors import NotFound
from ledger.events import PatientsAreOne
from ledger.people import Patient
from ledger.store import Ledger
from ledger.store.ledger import patients_of
from ledger.store.who import number_of, patient_id


@dataclass(frozen=True, kw_only=True)
class Exported:
    """The resources of one patient, and what was found wrong with any of them (paths and reasons, no words).

    `identifiers` are those of all the patient's resources, also of the ones that had not changed, by their key.
    """

    patient: str
    resources: list[Resource]
    identifiers: dict[str, Element]
    problems: tuple[str, ...] = ()


@dataclass
class Exporter:
    """Gives the resources of patients of one ledger, for one site, in one release.

    With `since` (an instant as the ledger writes it) only what entries have changed since; a patient's name or number
    bears no time, and is not looked at then. With `check` each resource passes the structural gate and our own checks,
    and what is wrong is said beside it.
    """

    ledger: Ledger
    site: Site
    release: Release = "R4"
    since: str | None = None
    check: bool = False
    sessions: bool = True

    def patients(self, unit: str | None = None) -> Iterator[str]:
        """The ids of all patients, or of a unit's, without records that were joined to another."""
        for patient in patients_of(self.ledger, unit=unit):
            if self.survivor_of(patient) is None:
                yield patient

    def survivor_of(self, patient: str) -> str | None:
        """The patient to whom a record was joined; None when it stands for itself."""
        joined = self.ledger.standing(number_of(patient)).joined_to
        return None if joined is None else f"P{joined:04d}"

    def of(self, patient: str) -> Exported:
        """The resources of one patient. Raises NotFound for an unknown one, and for a record that was joined."""
        survivor = self.survivor_of(patient)
        if survivor is not None:
            raise NotFound(
                f"The record {patient} turned out to be of {survivor}, and is sent under that one.",
                f"Export {survivor} instead.",
            )
        parted = self.since is not None and patient in self._parted
        if self.since is not None and not parted and self._newest_of(patient) <= self.since:
            return Exported(patient=patient, resources=[], identifiers={})
        history = self.ledger.history(patient, sessions=self.sessions)
        who = self.ledger.who.patient(patient)
        found = self.resources(history, who)
        whole = found
        if self.since is not None and not parted:
            then = _as_it_stood(history, self.since)
            before = {key_of(one): digest_of(one) for one in self.resources(then, who)}
            found = [one for one in found if before.get(key_of(one)) != digest_of(one)]
        problems: list[str] = []
        if self.check:
            problems = [problem for one in found for problem in problems_of(one, self.site)]
        found = released(found, self.release, self.site)
        if self.check:
            problems += [problem for one in found for problem in gate(one, self.release)]
        return Exported(
            patient=patient,
            resources=found,
            identifiers=identifiers_of(released(whole, self.release, self.site), self.site),
            problems=tuple(problems),
        )

    @cached_property
    def _parted(self) -> frozenset[str]:
        """Records that were read as another's at `since`, and are their own again: all of them goes out anew."""
        rows = self.ledger.db.execute(
            "SELECT stream FROM streams WHERE org=? AND recorded_at>? ORDER BY stream",
            (self.ledger.org, self.since or ""),
        ).fetchall()
        found: set[str] = set()
        for (stream,) in rows:
            if stream % 2 == 0:
                entries = self.ledger.history(patient_id(stream // 2)).entries
                now = _joined_by(entries)
                found |= {one for one in _joined_by(_until(entries, self.since or "")) if one not in now}
        return frozenset(found)

    def _newest_of(self, patient: str) -> str:
        """The instant at which the last entry of a patient was recorded, in their own record and those joined to it."""
        number = number_of(patient)
        joins = self.ledger.standing(number).joins
        numbers = [number, *(int(one) for one in re.findall(r"\d+", joins or ""))]
        streams = [stream for one in numbers for stream in (2 * one, 2 * one + 1)]
        places = ",".join("?" for _ in streams)
        row = self.ledger.db.execute(
            f"SELECT MAX(recorded_at) FROM streams WHERE org=? AND stream IN ({places})", (self.ledger.org, *streams)
        ).fetchone()
        return row[0] if row and row[0] else ""

    def newest(self) -> str:
        """The instant at which the last entry was recorded: what an export is a picture of."""
        row = self.ledger.db.execute("SELECT MAX(recorded_at) FROM streams WHERE org=?", (self.ledger.org,)).fetchone()
        return row[0] if row and row[0] else "1970-01-01T00:00:00Z"

    def resources(self, history: History, patient: Patient) -> list[Resource]:
        """The resources of a history, in R4."""
        return resources_of(history, patient, self.site, self.ledger.papers.words, self.directory(history))

    @cached_property
    def _places(self) -> Directory:
        who = self.ledger.who
        return Directory(
            persons={one.id: one for one in who.people()},
            units={one.id: one for one in who.units()},
            centres={one.id: one for one in who.centres()},
        )

    def directory(self, history: History) -> Directory:
        """The names behind the ids of a history, and the reports that its entries rest on."""
        reports = {}
        for report in sorted(_reports_of([*history.entries, *(e for _, others in history.merged for e in others)])):
            try:
                stored = self.ledger.papers.report(report)
            except NotFound:
                continue
            text = None
            if self.site.attach_text and stored.text_id is not None:
                text = self.ledger.papers.text(stored.text_id)
            reports[report] = ReportCopy(
                id=report,
                received_at=stored.arrived_at,
                media_type=stored.media_type or "text/plain",
                text=text,
            )
        return replace(self._places, reports=reports)


def _as_it_stood(history: History, since: str) -> History:
    """A history as it was sent at an instant: as known then, with the records that were joined to it by then."""
    seen = history.seen(known_on=since)
    streams = dict(seen.merged)
    joined: set[str] = set()
    waiting = [seen.entries]
    while waiting:
        for other in _joined_by(waiting.pop()) - joined:
            joined.add(other)
            waiting.append(streams.get(other, ()))
    return replace(seen, merged=tuple((other, entries) for other, entries in seen.merged if other in joined))


def _joined_by(entries: Iterable[Entry]) -> set[str]:
    """The records that the entries of one stream join to it."""
    found = list(entries)
    if not any(isinstance(entry.event, PatientsAreOne) for entry in found):
        return set()
    return {entry.event.other for entry in in_force(found) if isinstance(entry.event, PatientsAreOne)}


def _until(entries: Iterable[Entry], since: str) -> list[Entry]:
    return [entry for entry in entries if entry.recorded_at <= since]


def _reports_of(entries: list[Entry]) -> set[str]:
    return {entry.evidence.report for entry in entries if entry.evidence.report is not None}
