"""Comparing what a server holds with what it was sent: nothing is changed on either side.

Every resource that was accepted is looked for under its identifier (under its address where a type has none). What is
missing, doubled, lies elsewhere or was changed there by somebody else is said, for a person to decide.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

from fhir_mapping.bundles import condition_of
from fhir_mapping.outbox import ACCEPTED, Sent
from fhir_mapping.sender import Sender, resources_in
from fhir_mapping.servers import BY_TAG
from fhir_mapping.talking import Answer

Difference = Literal["missing", "several", "elsewhere", "changed-there"]

WORDS: dict[Difference, str] = {
    "missing": "the server has none any more",
    "several": "the server has several under this identifier",
    "elsewhere": "the server has it under another address than it once gave",
    "changed-there": "somebody else changed it on the server",
}


@dataclass(frozen=True, kw_only=True)
class Found:
    """One difference between what a server holds and what it accepted."""

    sent: Sent
    difference: Difference


def differences(sender: Sender, progress: Callable[[int], None] | None = None) -> Iterator[Found]:
    """Looks for every accepted resource on the server. Raises Stopped where it cannot be asked."""
    plain = sender.way == "plain-create"
    for number, sent in enumerate(list(sender.outbox.with_state(ACCEPTED)), start=1):
        found = _difference(sender, sent, by_address=plain or sent.kind in BY_TAG)
        if found is not None:
            yield Found(sent=sent, difference=found)
        if progress is not None:
            progress(number)


def _difference(sender: Sender, sent: Sent, *, by_address: bool) -> Difference | None:
    if by_address:
        if sent.location is None:
            return "missing"
        answer = sender.talker.get(sent.location)
        return _version_differs(answer, sent) if answer.is_fine else "missing"
    condition = condition_of(sent.kind, sender.site.namespace, sent.value)
    answer = sender.talker.get(f"{sent.kind}?{condition}")
    there = [one for one in resources_in(answer) if one.get("resourceType") == sent.kind]
    if not there:
        return "missing"
    if len(there) > 1:
        return "several"
    if sent.location is not None and f"{sent.kind}/{there[0].get('id')}" != sent.location:
        return "elsewhere"
    version = there[0].get("meta", {}).get("versionId")
    return "changed-there" if _differs(version, sent.etag) else None


def _version_differs(answer: Answer, sent: Sent) -> Difference | None:
    body = answer.body if isinstance(answer.body, dict) else {}
    return "changed-there" if _differs(body.get("meta", {}).get("versionId"), sent.etag) else None


def _differs(version: str | None, etag: str | None) -> bool:
    """Whether a version is another than the one that was accepted; without either, nobody can tell."""
    if version is None or etag is None:
        return False
    return version != etag.removeprefix("W/").strip('"')
