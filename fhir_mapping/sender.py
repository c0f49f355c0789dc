"""Sending: every fact once, and nothing that has not changed.

For each patient whose history, identity or settings changed since they were last sent in full: find them on the server
(by number or by a map; never made unless the server was added with --create-patients), derive the resources, leave out
those whose digest was accepted before, and send the rest in order of dependence. A refusal is kept whole and holds back
only what depends on it; a server that cannot be reached ends the run, and the next run goes on from there.

Before a request leaves, what it carries is marked as in flight. Conditional updates may be repeated after a lost
answer; a plain create is never repeated without a search.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any, Literal

import orjson

from fhir_mapping.authentication import authentication_for
from fhir_mapping.bundles import addressed, condition_of, digest_of, key_of
from fhir_mapping.checks import TARGETS, gate, problems_of
from fhir_mapping.devices import patient_of
from fhir_mapping.elements import Resource, without_unknown, written
from fhir_mapping.export import Exporter
from fhir_mapping.names import Names
from fhir_mapping.outbox import ACCEPTED, HELD, IN_FLIGHT, REFUSED, WAITING, Outbox, PatientThere, Sent, outcome_text
from fhir_mapping.r5 import r5_of
from fhir_mapping.resources import identifier_of, names_of, references_in
from fhir_mapping.servers import BY_TAG, PLAIN_TYPES, Ability, ability_of, chosen_way
from fhir_mapping.settings import Server, Settings
from fhir_mapping.site import Site
from fhir_mapping.talking import Answer, Authentication, Lost, Stopped, Talker
from ledger.chronology import History
from ledger.errors import WrongInput
from ledger.people import Patient
from ledger.store import Ledger

MAPPING = "1"
"""Raised when the mapping changes, so that every patient is derived anew."""

UNCONDITIONAL_BATCH = 40
"""How many entries a transaction holds at most that has no conditional one."""

What = Literal["new", "changed", "in-error", "same"]

_OUR_TYPES = frozenset(path.split(".")[0] for path in TARGETS) | BY_TAG | {"DeviceUsage"}
"""Every type that is ever sent, in either release."""


@dataclass(frozen=True, kw_only=True)
class ToGo:
    """One resource that would go, and why. `entry` names the entry that it tells (P0007.12), if it tells one."""

    patient: str
    kind: str
    value: str
    why: What
    entry: str | None = None


@dataclass
class Outcome:
    """What a run did."""

    patients: int = 0
    unchanged_patients: int = 0
    accepted: int = 0
    refused: list[Sent] = field(default_factory=list)
    held: list[PatientThere] = field(default_factory=list)
    waiting: int = 0
    not_taken: Counter[str] = field(default_factory=Counter)
    """Resources of types that the server does not say it takes, by type: not sent, and no fault."""
    stopped: Stopped | None = None

    @property
    def is_complete(self) -> bool:
        return self.stopped is None and not self.refused and not self.held and not self.waiting


@dataclass(frozen=True, kw_only=True)
class Piece:
    """One resource of a patient on its way: the whole of it, its identity, and what it refers to."""

    resource: Resource
    kind: str
    value: str
    digest: str
    needs: frozenset[str]

    @property
    def key(self) -> str:
        return key_of(self.resource)


class Sender:
    """Sends from one ledger to one server."""

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        server: Server,
        *,
        authentication: Authentication | None = None,
        clock: Callable[[], datetime] = lambda: datetime.now(UTC),
        sleep: Callable[[float], None] | None = None,
        batch: int | None = None,
        tries: int = 6,
    ) -> None:
        import time

        self.ledger = ledger
        self.settings = settings
        self.server = server
        self.site: Site = replace(settings.site, create_patients=False)
        self.exporter = Exporter(ledger, self.site)
        self.outbox = Outbox(ledger, server.name)
        self.batch = batch or server.batch
        if self.batch < 1:
            raise WrongInput(
                "A batch holds at least one entry.", "Give --batch a number from 1; 8 suits strict servers."
            )
        self.patient_map = _map_of(settings, server)
        ca_file = None if server.ca_file is None else settings.path(server.ca_file)
        self.talker = Talker(
            server,
            authentication or authentication_for(server, settings),
            self.outbox.log,
            ca_file=ca_file,
            clock=clock,
            sleep=time.sleep if sleep is None else sleep,
            tries=tries,
        )
        self._ability: Ability | None = None

    @property
    def ability(self) -> Ability:
        """What the server says that it can do, asked once a run."""
        if self._ability is None:
            self._ability = ability_of(self.talker)
            way = chosen_way(self.server, self._ability)
            # For a dry run, which asks the server nothing.
            taken = {kind for kind in _OUR_TYPES if self._takes(kind, way)}
            self.outbox.remember_types(self.server.url, taken)
        return self._ability

    @property
    def way(self) -> str:
        return chosen_way(self.server, self.ability)

    # --- A run ---

    def send(
        self, patients: Iterable[str], progress: Callable[[int], None] | None = None, *, everything: bool = False
    ) -> Outcome:
        """Sends what has changed of these patients. With `everything`, looks also at those that seem unchanged."""
        done = Outcome()
        with self.outbox.alone(), self.talker:
            try:
                for number, patient in enumerate(patients, start=1):
                    self._send_patient(patient, done, everything)
                    if progress is not None:
                        progress(number)
            except Stopped as stopped:
                done.stopped = stopped
        return done

    def would_go(self, patients: Iterable[str]) -> list[ToGo]:
        """What a run would send, and why; asks the server nothing.

        Leaves out the types that it did not take when it was last asked (`not_asked_yet` tells whether it ever was).
        """
        found = []
        types = self.outbox.types(self.server.url)
        for patient in patients:
            history, who = self._looked_at(patient)
            remembered = self.outbox.of_patient(patient)
            streams = [(patient, history.entries), *history.merged]
            names = {one.id: f"{owner}.{one.version}" for owner, theirs in streams for one in theirs if not one.session}
            for piece in self._pieces(history, who):
                if types is not None and piece.kind not in types:
                    continue
                sent = remembered.get((piece.kind, piece.value)) or self.outbox.find(piece.kind, piece.value)
                why = _why(piece, sent)
                if why is not None:
                    entry = names.get(piece.value.partition("/")[0])
                    found.append(ToGo(patient=patient, kind=piece.kind, value=piece.value, why=why, entry=entry))
        return found

    @property
    def not_asked_yet(self) -> bool:
        """Whether nobody knows yet which types the server takes."""
        return self.outbox.types(self.server.url) is None

    def _looked_at(self, patient: str) -> tuple[History, Patient]:
        return self.ledger.history(patient, sessions=True), self.ledger.who.patient(patient)

    def _send_patient(self, patient: str, done: Outcome, everything: bool) -> None:
        history, who = self._looked_at(patient)
        seen = self._seen(history, who)
        before = self.outbox.patient(patient)
        if before is not None and before.state == ACCEPTED and before.seen == seen and not everything:
            done.unchanged_patients += 1
            return
        done.patients += 1
        standing = before or PatientThere(patient=patient, state=WAITING)
        pieces = self._pieces(history, who)
        if not pieces:
            self.outbox.put_patient(replace(standing, state=ACCEPTED, seen=seen, reason=None))
            return
        wrong = self._faulty(pieces)
        if wrong:
            held = replace(
                standing, state=HELD, seen=None, reason=f"does not pass our own check: {'; '.join(wrong[:3])}"
            )
            self.outbox.put_patient(held)
            done.held.append(held)
            return
        address, reason = self.address_of(who, may_make=True)
        if address is None and who.erased:
            # Their number is gone here; where they lie there is still known, and what was sent loses its words.
            address = standing.address
        if address is None:
            held = replace(standing, state=HELD, seen=None, reason=reason)
            self.outbox.put_patient(held)
            done.held.append(held)
            return
        standing = replace(standing, address=address)
        self.outbox.put_patient(replace(standing, state=WAITING, seen=None, reason=None))
        refused, waiting = self._send_pieces(patient, pieces, address, done)
        complete = not refused and not waiting
        done.waiting += waiting
        self.outbox.put_patient(
            replace(
                standing,
                state=ACCEPTED if complete else WAITING,
                seen=seen if complete else None,
                reason=None if complete else f"{refused} refused, {waiting} wait for them",
            )
        )

    def _seen(self, history: History, who: Patient) -> str:
        """A name for all that a patient's resources depend on."""
        versions = [(history.patient, len(history.entries))]
        versions += [(patient, len(entries)) for patient, entries in history.merged]
        last = [entries[-1].id for entries in (history.entries, *(e for _, e in history.merged)) if entries]
        reports = sorted((one.id, one.text_id or "") for one in self.ledger.papers.reports(patient=history.patient))
        site = (
            self.site.namespace,
            self.site.assigner,
            self.site.patient_system,
            self.site.attach_text,
            self.site.canonical,
            sorted(self.site.systems_left_out),
            tuple(self.site.codes),
        )
        server = (self.server.url, self.server.release, self.server.all_types, self.server.way)
        text = repr((MAPPING, versions, last, reports, who, site, server))
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def _pieces(self, history: History, who: Patient) -> list[Piece]:
        made = []
        for resource in self.exporter.resources(history, who):
            identifier = identifier_of(resource, self.site.namespace)
            assert identifier is not None
            kind = resource["resourceType"]
            needs = frozenset(reference["reference"] for reference in references_in(resource))
            if self.server.release == "R5":
                resource = r5_of(resource, self.site)
                kind = resource["resourceType"]
                needs = frozenset(reference["reference"] for reference in references_in(resource))
            made.append(
                Piece(
                    resource=resource,
                    kind=kind,
                    value=str(identifier["value"]),
                    digest=digest_of(resource),
                    needs=needs,
                )
            )
        return made

    def _faulty(self, pieces: list[Piece]) -> list[str]:
        """The structural gate, always on; our own checks too, which know R4."""
        release: Literal["R4", "R5"] = "R5" if self.server.release == "R5" else "R4"
        found = [problem for piece in pieces for problem in gate(piece.resource, release)]
        if release == "R4":
            found += [problem for piece in pieces for problem in problems_of(piece.resource, self.site)]
        return found

    # --- Whose they are ---

    def address_of(self, who: Patient, *, may_make: bool = False) -> tuple[str | None, str | None]:
        """The server's address of a patient, or why there is none."""
        mapped = self.patient_map.get(who.id)
        if mapped is not None:
            return mapped, None
        identifier = _names(self.exporter, who, self.site).patient_identifier
        condition = condition_of("Patient", identifier["system"], identifier["value"])
        found = _matches(self.talker.get(f"Patient?{condition}"), "Patient", self.server.name)
        if len(found) == 1:
            return found[0], None
        if len(found) > 1:
            return None, "several patients of the server bear this number; which one it is, a person must say"
        if not (self.server.create_patients and may_make):
            return None, "no patient of the server bears this number, and patients are not made there"
        return self._made_patient(who), None

    def _made_patient(self, who: Patient) -> str:
        names = _names(self.exporter, who, replace(self.site, create_patients=True))
        resource = without_unknown(patient_of(names))
        if self.server.release == "R5":
            resource = r5_of(resource, self.site)
        value = f"{who.id}/patient"
        condition = condition_of("Patient", self.site.namespace, value)
        found = _matches(self.talker.get(f"Patient?{condition}"), "Patient", self.server.name)
        if len(found) == 1:
            return found[0]
        sent = {name: held for name, held in resource.items() if name != "id"}
        answer = self.talker.ask(
            "POST",
            "Patient",
            written(sent),
            headers={"If-None-Exist": condition},
            digest=digest_of(sent),
            may_repeat=True,
        )
        address = answer.location or _address_in(answer)
        if not answer.is_fine or address is None:
            raise Stopped(
                f"{self.server.name} does not let us make a patient (status {answer.status}).",
                "Have the patient made there, or add the server without --create-patients.",
            )
        return address

    # --- What goes ---

    def _send_pieces(self, patient: str, pieces: list[Piece], address: str, done: Outcome) -> tuple[int, int]:
        """Sends what has changed. Gives how many were refused and how many wait for those."""
        way = self.way
        remembered = {piece.key: self._remembered(piece) for piece in pieces}
        not_taken = {piece.key: piece for piece in pieces if not self._takes(piece.kind, way)}
        done.not_taken.update(piece.kind for piece in not_taken.values())
        known = {piece.key: piece for piece in pieces}
        located = {key: sent.location for key, sent in remembered.items() if sent is not None and sent.location}
        todo: list[Piece] = []
        blocked: set[str] = set()
        for piece in pieces:
            if piece.key in not_taken:
                continue
            sent = remembered[piece.key]
            if sent is not None and sent.state == REFUSED and sent.tried == piece.digest:
                blocked.add(piece.key)  # Refused before, and nothing about it has changed.
            elif _why(piece, sent) is not None:
                todo.append(piece)
        carrier = _Carrier(self, patient, address, located, not_taken, known, way)
        refused = sum(1 for key in blocked)
        waiting = 0
        queue: list[Piece] = []

        def flush() -> None:
            nonlocal refused
            if queue:
                turned_down = carrier.carry(list(queue), remembered, done)
                refused += len(turned_down)
                blocked.update(turned_down)
                queue.clear()

        # Only conditional entries count towards the limit of strict servers; what goes under our own id goes last.
        todo.sort(key=lambda piece: self.is_conditional(piece.kind) is False)
        for piece in todo:
            if (piece.needs & blocked) and queue:
                flush()
            if piece.needs & blocked:
                blocked.add(piece.key)
                waiting += 1
                self._put(patient, piece, remembered, HELD, outcome="waits for what it refers to, which was refused")
                continue
            queue.append(piece)
            conditional = any(self.is_conditional(each.kind) for each in queue)
            limit = 1 if way != "transaction" else self.batch if conditional else max(self.batch, UNCONDITIONAL_BATCH)
            if len(queue) >= limit:
                flush()
        flush()
        return refused, waiting

    def _remembered(self, piece: Piece) -> Sent | None:
        return self.outbox.find(piece.kind, piece.value)

    def _takes(self, kind: str, way: str) -> bool:
        if way == "plain-create":
            return kind in PLAIN_TYPES
        if kind in BY_TAG and not self._can_address_by_tag(kind):
            return False
        return self.server.all_types or self.ability.takes(kind)

    def is_conditional(self, kind: str) -> bool:
        """Whether a type is updated by a condition, rather than under our own id."""
        found = self.ability.types.get(kind)
        return kind not in BY_TAG or (found is not None and not found.update_create)

    def _can_address_by_tag(self, kind: str) -> bool:
        """Types without an identifier go under our own id, or are found by tag; else a second send doubles them."""
        found = self.ability.types.get(kind)
        if found is None:
            return self.server.all_types
        return found.update_create or "_tag" in found.search

    def _put(
        self,
        patient: str,
        piece: Piece,
        remembered: dict[str, Sent | None],
        state: str,
        *,
        outcome: str | None = None,
        location: str | None = None,
        etag: str | None = None,
        later: list[Sent] | None = None,
    ) -> Sent:
        """Remembers how a resource stands; with `later`, it is written with others."""
        before = remembered.get(piece.key)
        made = Sent(
            kind=piece.kind,
            value=piece.value,
            patient=patient,
            state=state,
            digest=piece.digest if state == ACCEPTED else (before.digest if before else None),
            tried=piece.digest,
            location=location or (before.location if before else None),
            etag=etag or (before.etag if before else None),
            outcome=outcome,
        )
        remembered[piece.key] = made
        if later is None:
            self.outbox.put([made])
        else:
            later.append(made)
        return made


class _Carrier:
    """Carries batches of one patient to the server, in the way in which it is spoken to."""

    def __init__(
        self,
        sender: Sender,
        patient: str,
        address: str,
        located: dict[str, str],
        not_taken: Mapping[str, Piece],
        known: Mapping[str, Piece],
        way: str,
    ) -> None:
        self.sender = sender
        self.patient = patient
        self.address = address
        self.located = located
        self.not_taken = not_taken
        self.known = known
        self.way = way
        self.server = sender.server

    def carry(self, batch: list[Piece], remembered: dict[str, Sent | None], done: Outcome) -> list[str]:
        """Sends a batch; gives the keys of what was refused. A refused batch goes again, one by one."""
        before = {piece.key: remembered[piece.key] for piece in batch}
        leaving: list[Sent] = []
        for piece in batch:
            self.sender._put(self.patient, piece, remembered, IN_FLIGHT, later=leaving)
        self.sender.outbox.put(leaving)
        if self.way == "transaction":
            answer = self._transaction(batch)
            if answer.is_fine:
                self._accepted(batch, answer, remembered, done)
                return []
            if len(batch) > 1:
                turned_down: list[str] = []
                for piece in batch:
                    if piece.needs & set(turned_down):
                        turned_down.append(piece.key)
                        self.sender._put(
                            self.patient,
                            piece,
                            remembered,
                            HELD,
                            outcome="waits for what it refers to, which was refused",
                        )
                        done.waiting += 1
                        continue
                    turned_down += self.carry([piece], remembered, done)
                return turned_down
        elif self.way == "conditional-create":
            answer = self._conditional(batch[0], before[batch[0].key])
        else:
            answer = self._plain(batch[0], before[batch[0].key])
        piece = batch[0]
        if answer.is_fine:
            self._accept(piece, answer.location or _address_in(answer), answer.etag, remembered, done)
            return []
        done.refused.append(
            self.sender._put(
                self.patient,
                piece,
                remembered,
                REFUSED,
                outcome=outcome_text(answer.body if answer.body is not None else {"status": answer.status}),
            )
        )
        return [piece.key]

    # --- Transactions ---

    def _transaction(self, batch: list[Piece]) -> Answer:
        inside = {piece.key for piece in batch}
        entries = []
        for piece in batch:
            resource = self._with_addresses(piece.resource, inside)
            if piece.kind in BY_TAG:
                where = self._where_by_tag(piece)
            else:
                condition = condition_of(piece.kind, self.sender.site.namespace, piece.value)
                where = f"{piece.kind}?{condition}"
            if "?" in where:
                resource = {name: held for name, held in resource.items() if name != "id"}
            entries.append(
                {
                    "fullUrl": f"urn:uuid:{piece.resource['id']}",
                    "resource": resource,
                    "request": {"method": "PUT", "url": where},
                }
            )
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
        content = written(bundle)
        return self.sender.talker.ask("POST", "", content, digest=hashlib.sha256(content).hexdigest())

    def _where_by_tag(self, piece: Piece) -> str:
        if not self.sender.is_conditional(piece.kind):
            return f"{piece.kind}/{piece.resource['id']}"
        return f"{piece.kind}?{condition_of(piece.kind, self.sender.site.namespace, piece.value)}"

    def _accepted(self, batch: list[Piece], answer: Answer, remembered: dict[str, Sent | None], done: Outcome) -> None:
        """Reads the answers to a transaction, which stand in the order of its entries."""
        entries = answer.body.get("entry", []) if isinstance(answer.body, dict) else []
        positional = len(entries) == len(batch)
        later: list[Sent] = []
        for number, piece in enumerate(batch):
            response = entries[number].get("response", {}) if positional else {}
            location = _location(response.get("location")) if positional else None
            if location is None and positional:
                location = _address_of_resource(entries[number].get("resource"))
            if location is None:
                location = (remembered[piece.key] or Sent(kind="", value="", patient="", state="")).location
            if location is None:
                location = self._searched(piece)
            self._accept(piece, location, response.get("etag"), remembered, done, later)
        self.sender.outbox.put(later)

    def _searched(self, piece: Piece) -> str | None:
        """Where something lies that was accepted without an address."""
        if piece.kind in BY_TAG:
            return f"{piece.kind}/{piece.resource['id']}"
        condition = condition_of(piece.kind, self.sender.site.namespace, piece.value)
        found = _matches(self.sender.talker.get(f"{piece.kind}?{condition}"), piece.kind, self.server.name)
        return found[0] if len(found) == 1 else None

    # --- One by one ---

    def _conditional(self, piece: Piece, before: Sent | None) -> Answer:
        """Creates where there is none; what is there already is updated at its address."""
        talker = self.sender.talker
        resource = self._with_addresses(piece.resource, ())
        location = before.location if before is not None else None
        if location is None and piece.kind in BY_TAG and self._where_by_tag(piece).startswith(f"{piece.kind}/"):
            location = self._where_by_tag(piece)
        if location is None:
            bare = {name: held for name, held in resource.items() if name != "id"}
            condition = condition_of(piece.kind, self.sender.site.namespace, piece.value)
            answer = talker.ask(
                "POST", piece.kind, written(bare), headers={"If-None-Exist": condition}, digest=piece.digest
            )
            if not answer.is_fine or answer.status == 201:
                return answer
            # 200: it was there before, perhaps from an answer that was lost, perhaps in an older wording.
            location = answer.location or _address_in(answer) or self._searched(piece)
            if location is None:
                return answer
        return self._updated(piece, resource, location)

    def _updated(self, piece: Piece, resource: Resource, location: str) -> Answer:
        sent = {**resource, "id": location.split("/", 1)[1]}
        answer = self.sender.talker.ask("PUT", location, written(sent), digest=piece.digest)
        if answer.is_fine and answer.location is None:
            return Answer(answer.status, {**answer.headers, "location": location}, answer.body)
        return answer

    def _plain(self, piece: Piece, before: Sent | None) -> Answer:
        """The commonest fields of a Procedure or an Observation, to a server that ignores identifiers."""
        resource = _plainly(self._with_addresses(piece.resource, ()))
        location = before.location if before is not None else None
        if location is not None:
            if "update" not in self._interactions(piece.kind):
                return _said_by_us("this server takes no changes of what it was once given; a person has to change it")
            return self._updated(piece, resource, location)
        bare = {name: held for name, held in resource.items() if name != "id"}
        if before is not None and before.state == IN_FLIGHT:
            there = self._like(bare)
            if there is not None:
                return Answer(200, {"location": there}, None)
        for _ in range(self.sender.talker.tries):
            try:
                return self.sender.talker.ask("POST", piece.kind, written(bare), digest=piece.digest, may_repeat=False)
            except Lost:
                # It may have been carried out: only a search may say that it was not.
                there = self._like(bare)
                if there is not None:
                    return Answer(200, {"location": there}, None)
        raise Stopped(
            f"{self.server.name} lost its answer {self.sender.talker.tries} times.",
            "Try again later; nothing is doubled.",
        )

    def _interactions(self, kind: str) -> frozenset[str]:
        found = self.sender.ability.types.get(kind)
        return found.interactions if found is not None else frozenset()

    def _like(self, resource: Resource) -> str | None:
        """Something of the same patient, date and code that no other resource of ours was given as its address."""
        from urllib.parse import urlencode

        when = str(resource.get("performedDateTime") or resource.get("effectiveDateTime") or "")
        query = urlencode({"patient": self.address.split("/", 1)[1], "date": when[:10]})
        kind = resource["resourceType"]
        answer = self.sender.talker.get(f"{kind}?{query}")
        taken = {one.location for one in self.sender.outbox.with_state(ACCEPTED)}
        for one in resources_in(answer):
            same = (
                one.get("resourceType") == kind
                and one.get("code", {}).get("text") == resource["code"].get("text")
                and (one.get("performedDateTime") or one.get("effectiveDateTime")) == when
            )
            address = _address_of_resource(one)
            if same and address is not None and address not in taken:
                return address
        return None

    # --- What they share ---

    def _with_addresses(self, resource: Resource, inside: Iterable[str]) -> Resource:
        """The resource with the server's addresses; what it does not have is named by identifier."""
        inside = frozenset(inside)
        made = addressed(resource, inside=inside, located=self.located, as_patient=self.address)
        for reference in references_in(made):
            target = reference["reference"]
            if target in self.known and target not in self.located and target not in inside:
                piece = self.known[target]
                del reference["reference"]
                reference["type"] = piece.kind
                reference["identifier"] = {"system": self.sender.site.namespace, "value": piece.value}
        return made

    def _accept(
        self,
        piece: Piece,
        location: str | None,
        etag: str | None,
        remembered: dict[str, Sent | None],
        done: Outcome,
        later: list[Sent] | None = None,
    ) -> None:
        sent = self.sender._put(self.patient, piece, remembered, ACCEPTED, location=location, etag=etag, later=later)
        if sent.location is not None:
            self.located[piece.key] = sent.location
        done.accepted += 1


def _why(piece: Piece, sent: Sent | None) -> What | None:
    """Why a resource has to go; None when it was accepted as it is, or was never there and need not be."""
    in_error = is_in_error(piece.resource)
    if sent is None or sent.digest is None:
        # What a server never heard of need not be taken back there, unless an answer about it was lost.
        if in_error and (sent is None or sent.state not in (IN_FLIGHT,)):
            return None
        return "new"
    if sent.digest == piece.digest and sent.state == ACCEPTED:
        return None
    return "in-error" if in_error else "changed"


def is_in_error(resource: Resource) -> bool:
    """Whether a resource says of itself that it was entered in error."""
    if resource.get("status") == "entered-in-error":
        return True
    verification = resource.get("verificationStatus", {}).get("coding", [])
    if any(coding.get("code") == "entered-in-error" for coding in verification):
        return True
    return any(one["url"].endswith("/StructureDefinition/entered-in-error") for one in resource.get("extension", ()))


_PLAIN_ELEMENTS = (
    "resourceType",
    "id",
    "identifier",
    "status",
    "category",
    "code",
    "subject",
    "performedDateTime",
    "effectiveDateTime",
    "valueQuantity",
    "valueCodeableConcept",
    "dataAbsentReason",
    "component",
    "note",
)


def _plainly(resource: Resource) -> Resource:
    return {name: resource[name] for name in _PLAIN_ELEMENTS if name in resource}


def _said_by_us(text: str) -> Answer:
    issue = {"severity": "error", "code": "not-supported", "details": {"text": text}}
    return Answer(405, {}, {"resourceType": "OperationOutcome", "issue": [issue]})


def resources_in(answer: Answer) -> list[dict[str, Any]]:
    """The resources of a search's answer."""
    if not answer.is_fine or not isinstance(answer.body, dict):
        return []
    return [one["resource"] for one in answer.body.get("entry", ()) if isinstance(one.get("resource"), dict)]


def _matches(answer: Answer, kind: str, server: str) -> list[str]:
    """The addresses that a search found."""
    if not answer.is_fine:
        raise Stopped(
            f"{server} does not let us search for a {kind} (status {answer.status}).",
            "It has to be searched by identifier: ask whoever runs the server for the right to read and search.",
        )
    found = []
    for one in resources_in(answer):
        address = _address_of_resource(one)
        if one.get("resourceType") == kind and address is not None:
            found.append(address)
    return found


def _address_of_resource(resource: Any) -> str | None:
    if isinstance(resource, dict) and isinstance(resource.get("id"), str) and resource.get("resourceType"):
        return f"{resource['resourceType']}/{resource['id']}"
    return None


def _address_in(answer: Answer) -> str | None:
    found = _address_of_resource(answer.body)
    return None if found is None or found.startswith(("OperationOutcome/", "Bundle/")) else found


def _location(text: Any) -> str | None:
    from fhir_mapping.talking import location_of

    return location_of(text) if isinstance(text, str) else None


def _map_of(settings: Settings, server: Server) -> dict[str, str]:
    """Our patient ids to the server's addresses, from the file that the settings name."""
    if server.patients is None:
        return {}
    try:
        found = orjson.loads(settings.path(server.patients).read_bytes())
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict) or not all(isinstance(value, str) for value in found.values()):
        raise WrongInput(
            f"The map of patients for {server.name} cannot be read.",
            'It is a JSON file such as {"P0007": "Patient/17"}.',
        )
    return {key: value if "/" in value else f"Patient/{value}" for key, value in found.items()}


def _names(exporter: Exporter, who: Patient, site: Site) -> Names:
    empty = History(patient=who.id, zone=exporter.ledger.zone, entries=())
    return names_of(empty, who, site, exporter.ledger.papers.words, exporter.directory(empty))
