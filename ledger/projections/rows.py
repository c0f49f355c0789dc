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

`stored_rows_of` writes the rows of a patient as the store keeps them, `rows_from_bytes` reads them; how they are kept
stands in `kept_rows`.

To add a column, add it before `facts` in `AccessRow`, in `_columns`, in `kept_rows.COLUMNS` and here. Rows that are
kept already are then of another shape: `kept_rows` has to read the old one until a rebuild has written them anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

from ledger.chronology import History, InForce
from ledger.projections.folding import Claim, Folded, Readiness, Standing, fold_of
from ledger.projections.kept_rows import COLUMNS, kept, rows_kept
from ledger.projections.proving import Dialysis, dialyses_of, may_be_proven, proof_of
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
        """The row as the store would keep it alone: equal rows give equal bytes."""
        return kept([[getattr(self, name) for name in COLUMNS]])


def rows_of(history: History) -> list[AccessRow]:
    """The rows of a patient's accesses, in the order in which they first appear clinically.

    Give it the whole history, not a view as of a day. Sessions may be in it; they are left out.
    """
    return [AccessRow(*columns) for columns in _columns_of_each(history)]


def stored_rows_of(history: History) -> tuple[list[str], bytes]:
    """The ids of a patient's accesses, and their rows as the store keeps them, without making the rows.

    This runs at every append.
    """
    rows = _columns_of_each(history)
    return [row[0] for row in rows], kept(rows)


def rows_from_bytes(stored: bytes) -> list[AccessRow]:
    """The rows that `stored_rows_of` wrote."""
    return [row_from_dict(row) for row in rows_kept(stored)]


def row_from_bytes(stored: bytes) -> AccessRow:
    """The row that `to_bytes` wrote."""
    (row,) = rows_from_bytes(stored)
    return row


def row_from_dict(columns: dict[str, Any]) -> AccessRow:
    """A row by the names of its columns, as `kept_rows.rows_kept` gives it."""
    return AccessRow(**{**_NOTHING, **columns})


_NOTHING: dict[str, Any] = {column.name: 0 if column.type == "int" else None for column in fields(AccessRow)}


# --- From the fold to columns -------------------------------------------------------------------------------------


def _columns_of_each(history: History) -> list[list[Any]]:
    folds = fold_of(history, sessions=False)
    dialyses = None
    found = []
    for folded in folds.accesses.values():
        ready = folded.ready
        if folded.needle_uses and may_be_proven(folded):
            if dialyses is None:
                dialyses = dialyses_of(folds, history.zone)
            ready = readiness_of(folded, dialyses, history)
        found.append(_columns(folded, ready))
    return found


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


def _columns(a: Folded, ready: Claim) -> list[Any]:
    # `_value_` is what `value` gives, without a call; this runs at every append.
    body, flow, use, standing = a.body, a.flow, a.use, a.standing
    body_state, flow_state, standing_state = body.state, flow.state, standing.state
    kind, side, site = a.access_kind, a.side, a.site
    body_day, standing_day, ready_day, use_day = _day(body), _day(standing), _day(ready), _day(use)
    is_catheter = kind is not None and kind.is_catheter
    closed = None
    if body_state.is_out:
        closed = body_day
    elif standing_state is Standing.GIVEN_UP:
        closed = standing_day
    treatments = 0
    for _, treated in a.lesions.values():
        if len(treated) > treatments:
            treatments = max(treatments, len({one.one.fact.happened for one in treated}))
    facts: dict[str, Any] = {
        "body": _told(body),
        "readiness": _told(ready),
        "use": _told(use),
        "standing": _told(standing),
    }
    flow_day = None
    if not is_catheter:
        flow_day = _day(flow)
        facts["flow"] = _told(flow) if a.flow_also is None else [_told(a.flow_also), _told(flow)]
    oldest = None
    if a.findings:
        findings = sorted(a.findings.items())
        oldest = min(found.one.fact.happened for _, found in findings)
        facts["findings"] = [[key, found.one.fact.happened, found.one.root] for key, found in findings]
    if a.conflicts:
        facts["conflicts"] = [[found.about, found.first.root, found.second.root] for found in a.conflicts]
    # In the order of the fields of `AccessRow`.
    return [
        a.access,
        name_of(a),
        None if kind is None else kind._value_,
        None if side is None or a.other_side is not None else side._value_,
        None if site is None else site._value_,
        body_state._value_,
        body_day,
        None if is_catheter else flow_state._value_,
        flow_day,
        None if is_catheter else flow.how or None,
        ready.state._value_,
        ready_day,
        use.state._value_,
        use_day,
        _happened(a.last_use),
        standing_state._value_,
        standing_day,
        a.opened,
        _happened(a.second_stage),
        _happened(a.device_since),
        closed,
        _happened(a.first),
        _happened(a.last),
        _happened(a.interventions[-1]) if a.interventions else None,
        _happened(a.referral),
        len(a.findings),
        oldest,
        len(a.instructions),
        treatments,
        len(a.conflicts),
        a.doubts,
        a.entries,
        facts,
    ]


def _told(claim: Claim) -> list[str | None]:
    one = claim.one
    if one is None:
        return [claim.state._value_]
    return [claim.state._value_, one.fact.happened, one.root, claim.how]


def _day(claim: Claim) -> str | None:
    return None if claim.one is None else claim.one.fact.happened


def _happened(one: InForce | None) -> str | None:
    return None if one is None else one.fact.happened
