"""What the store keeps of every access, for lists over many patients.

One row per access, made of the patient's first stream in the transaction of each
append, and made anew by `rebuild`, equal to the byte. So nothing here depends on today,
on the order of arrival, or on whether the second stream (sessions) was read: a list of
what is due, of days in the body or of use in sessions is worked out from these columns
or from the history.

Columns (text unless it says otherwise; None where nobody recorded it; a day is a partial
date in the letters in which it was said):

    access          the access's id
    name            in words, "LEFT upper-arm fistula (brachiocephalic)"
    access_kind     ledger.vocabulary.AccessKind
    side, site      ledger.vocabulary.Side, Site; `side` None also while two entries disagree
    body            folding.Body, and body_day: planned, made, placed, met, ligated, excised, removed, fell-out, …
    flow            folding.FlowIs, with flow_day and flow_how; None for a catheter
    readiness       folding.Readiness, with readiness_day; never `healing` or `maturing`, which depend on the day
    use             folding.UseIs, with use_day
    last_use        the last day on which it was recorded as used
    standing        folding.Standing, with standing_day
    opened          when it was made or placed, also when that was only told later
    second_stage    the day of the second stage
    device_since    for a catheter: since when this very catheter lies
    closed          the day on which it left the body or was given up; None while it is kept
    first_event, last_event   the first and last day on which anything happened to it
    last_intervention         the last operation or angiogram
    referred        the day of the last referral
    findings        int: findings that nothing has closed; findings_since: the day of the oldest
    instructions    int: how many instructions were ever given
    treatments      int: the most often that one lesion was treated
    conflicts       int: pairs of entries that cannot both be true
    doubts          int: doubts that stay in view on entries in force
    entries         int: entries in force
    facts           JSON: for each of the five facts its claim (two where told both ways) as state, day, root of the
                    entry it rests on, and how it is known; of open findings key, day and root; of conflicts what about
                    and two roots

`to_bytes` writes a row as the store keeps it, `row_from_bytes` reads it.

To add a column, add it at the end of `AccessRow` and here; the store's table and `rebuild`
follow it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import orjson

from ledger.chronology import History, InForce
from ledger.projections.folding import Claim, Folded, Readiness, Standing, fold_of
from ledger.projections.proving import Dialysis, dialyses_of, proof_of
from ledger.projections.wording import access_name


@dataclass(frozen=True, slots=True)
class AccessRow:
    """One access as lists show it. See the module for what each column means."""

    access: str
    name: str
    access_kind: str | None
    side: str | None
    site: str | None
    body: str
    body_day: str | None
    flow: str | None
    flow_day: str | None
    flow_how: str | None
    readiness: str
    readiness_day: str | None
    use: str
    use_day: str | None
    last_use: str | None
    standing: str
    standing_day: str | None
    opened: str | None
    second_stage: str | None
    device_since: str | None
    closed: str | None
    first_event: str | None
    last_event: str | None
    last_intervention: str | None
    referred: str | None
    findings: int
    findings_since: str | None
    instructions: int
    treatments: int
    conflicts: int
    doubts: int
    entries: int
    facts: dict[str, Any]

    def to_bytes(self) -> bytes:
        """The row as JSON, its columns in order: equal rows give equal bytes."""
        return orjson.dumps(self)


def rows_of(history: History) -> list[AccessRow]:
    """The rows of a patient's accesses, in the order in which they first appear clinically.

    Give it the whole history, not a view as of a day. Sessions may be in it; they are left out.
    """
    folds = fold_of(history, sessions=False)
    dialyses = dialyses_of(folds, history.zone) if any(a.needle_uses for a in folds.accesses.values()) else []
    return [_row(folded, dialyses, history) for folded in folds.accesses.values()]


def row_from_bytes(stored: bytes) -> AccessRow:
    """The row that `to_bytes` wrote."""
    return AccessRow(**orjson.loads(stored))


def name_of(a: Folded) -> str:
    """The access in words, with its side, or with both while two entries disagree."""
    return access_name(
        a.access_kind,
        a.side,
        other_side=a.other_side,
        site=a.site,
        inflow=a.inflow,
        outflow=a.outflow,
        vein=a.vein,
        configuration=a.configuration,
    )


def readiness_of(a: Folded, dialyses: Sequence[Dialysis], history: History) -> Claim:
    """How far it is on its way; proven by use where a rule is met, and then nothing takes that back."""
    if a.needle_uses and a.is_needled:
        made = a.opened.earliest_in(history.zone).date() if a.opened is not None else None
        proof = proof_of(a, dialyses, made)
        if proof is not None:
            return Claim(Readiness.PROVEN, proof.one, proof.rule)
    return a.ready


def _row(a: Folded, dialyses: Sequence[Dialysis], history: History) -> AccessRow:
    ready = readiness_of(a, dialyses, history)
    findings = sorted(a.findings.items())
    oldest = min((found.one.fact.happened for _, found in findings), default=None)
    closed = None
    if a.body.state.is_out:
        closed = _day(a.body)
    elif a.standing.state is Standing.GIVEN_UP:
        closed = _day(a.standing)
    treatments = 0
    for _, treated in a.lesions.values():
        treatments = max(treatments, len({one.one.fact.happened for one in treated}))
    facts: dict[str, Any] = {
        "body": _told(a.body),
        "readiness": _told(ready),
        "use": _told(a.use),
        "standing": _told(a.standing),
    }
    if not a.is_catheter:
        facts["flow"] = _told(a.flow) if a.flow_also is None else [_told(a.flow_also), _told(a.flow)]
    if findings:
        facts["findings"] = [[key, str(found.one.fact.happened), found.one.root] for key, found in findings]
    if a.conflicts:
        facts["conflicts"] = [[found.about, found.first.root, found.second.root] for found in a.conflicts]
    return AccessRow(
        access=a.access,
        name=name_of(a),
        access_kind=a.access_kind.value if a.access_kind is not None else None,
        side=a.side.value if a.side is not None and a.other_side is None else None,
        site=a.site.value if a.site is not None else None,
        body=a.body.state.value,
        body_day=_day(a.body),
        flow=None if a.is_catheter else a.flow.state.value,
        flow_day=None if a.is_catheter else _day(a.flow),
        flow_how=None if a.is_catheter else a.flow.how or None,
        readiness=ready.state.value,
        readiness_day=_day(ready),
        use=a.use.state.value,
        use_day=_day(a.use),
        last_use=_happened(a.last_use),
        standing=a.standing.state.value,
        standing_day=_day(a.standing),
        opened=None if a.opened is None else str(a.opened),
        second_stage=_happened(a.second_stage),
        device_since=_happened(a.device_since),
        closed=closed,
        first_event=_happened(a.first),
        last_event=_happened(a.last),
        last_intervention=_happened(a.interventions[-1]) if a.interventions else None,
        referred=_happened(a.referral),
        findings=len(findings),
        findings_since=None if oldest is None else str(oldest),
        instructions=len(a.instructions),
        treatments=treatments,
        conflicts=len(a.conflicts),
        doubts=a.doubts,
        entries=a.entries,
        facts=facts,
    )


def _told(claim: Claim) -> list[str | None]:
    one = claim.one
    if one is None:
        return [claim.state.value]
    return [claim.state.value, str(one.fact.happened), one.root, claim.how]


def _day(claim: Claim) -> str | None:
    return None if claim.one is None else str(claim.one.fact.happened)


def _happened(one: InForce | None) -> str | None:
    return None if one is None else str(one.fact.happened)
