"""What admission says: one line per law, with its code, its words and, where it refuses, what to do now.

A code rests in the ledger (`Entry.doubts`) and never changes its meaning. The words are what is shown and may be
improved at any time. No sentence holds a name, a date or a number of a patient; only ids of our own.

In words, `{one}` is the entry that is judged, `{other}` what it is judged against, `{access}` the access.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Law:
    """One thing that admission looks for.

    With a `remedy` it is impossible: a new entry is refused for it. The same code is a doubt where a correction, a
    retraction or a link uncovered it, because those are never refused for what they uncover in other entries.
    """

    code: str
    words: str
    remedy: str | None = None
    source: str = "common practice, no source"


_LOGIC = "follows from what the words mean"

LAWS: dict[str, Law] = {
    law.code: law
    for law in (
        # --- Impossible: under every reading of the dates -----------------------------------------------------------
        Law(
            code="before-made",
            words="This happened to access {access} before it was made or placed, under every reading of the dates.",
            remedy="Check the day and the access; if the creation or placement has the wrong day, correct {other} "
            "first, or record the entry on the access that it belongs to.",
            source=_LOGIC,
        ),
        Law(
            code="made-twice",
            words="Access {access} was made or placed twice.",
            remedy="It was already said by {other}: correct that entry, or record this as a new access. A second "
            "operation on a two-stage fistula is a second-stage; another catheter at the same place is a "
            "catheter-exchanged.",
            source=_LOGIC,
        ),
        Law(
            code="not-on-this-kind",
            words="This cannot be done or found on an access of the kind that {access} is.",
            remedy="Choose the access that it belongs to; if the kind of the access is wrong, correct {other} first.",
            source=_LOGIC,
        ),
        Law(
            code="closed-twice",
            words="Access {access} had already been excised.",
            remedy="It was said by {other}: correct that entry if it is wrong, or choose another access.",
            source=_LOGIC,
        ),
        Law(
            code="out-twice",
            words="The catheter {access} was already out, and nothing says that one was put back.",
            remedy="It was said by {other}: correct that entry if it is wrong; a new catheter is a new access, and "
            "one put back at the same place is a catheter-exchanged of the form out-and-back.",
            source=_LOGIC,
        ),
        Law(
            code="impossible-number",
            words="The number given for {field} cannot be.",
            remedy="Check the digits and the unit.",
            source="ledger/admission/plausible.toml",
        ),
        # --- Odd: what happened when --------------------------------------------------------------------------------
        Law(
            code="maybe-before-made",
            words="This may have been before {access} was made or placed: the dates leave it open.",
            source=_LOGIC,
        ),
        Law(
            code="before-made-elsewhere",
            words="This was before the day on which, so it was told, {access} had been made.",
            source=_LOGIC,
        ),
        Law(
            code="looked-at-before-made",
            words="{access} was examined or imaged before it was made.",
            source=_LOGIC,
        ),
        Law(code="planned-after-made", words="{access} was planned after it had been made.", source=_LOGIC),
        Law(
            code="made-not-recorded",
            words="Nothing recorded says that {access} was made or placed.",
            source=_LOGIC,
        ),
        Law(
            code="needled-early",
            words="Needled {days} days after it was made, which is less than 14, and it is not known to be of "
            "early-cannulation material.",
            source="fistula: less than 14 days, 2.1 times the risk of failure (DOPPS, quoted in a secondary source); "
            "graft: not before 2 weeks (PMC4440461, table 1)",
        ),
        Law(
            code="needled-early-after-second-stage",
            words="Needled {days} days after the second stage, which is less than 14.",
        ),
        Law(
            code="needled-before-first",
            words="Needled before what is recorded as the first needling of {access}.",
            source=_LOGIC,
        ),
        Law(code="first-needled-twice", words="Two entries are the first needling of {access}.", source=_LOGIC),
        Law(
            code="needled-before-second-stage",
            words="Needled or judged ready between the two stages of {access}.",
        ),
        Law(
            code="second-stage-of-single",
            words="A second stage, but {access} was recorded as made in one stage.",
            source=_LOGIC,
        ),
        Law(
            code="cleared-not-clotted",
            words="Clot was taken out of {access}, but no thrombosis is recorded before it.",
            source="a thrombectomy implies a thrombosis: design note on the definitions of patency",
        ),
        Law(
            code="used-after-clotted",
            words="{access} was used after it clotted, and nothing recorded in between could have opened it.",
            source=_LOGIC,
        ),
        Law(
            code="clotted-twice",
            words="{access} clotted twice, and nothing recorded in between could have opened it.",
            source=_LOGIC,
        ),
        Law(
            code="after-given-up",
            words="{access} was used or treated after it was given up; nothing says that it was taken up again.",
            source=_LOGIC,
        ),
        Law(code="after-ligation", words="{access} was used or treated after it was ligated.", source=_LOGIC),
        Law(code="after-excision", words="{access} was used or treated after it was excised.", source=_LOGIC),
        Law(code="after-removal", words="The catheter {access} was used or treated after it was out.", source=_LOGIC),
        Law(
            code="given-up-twice",
            words="{access} was given up or ligated twice, and not taken up again in between.",
            source=_LOGIC,
        ),
        Law(
            code="taken-up-not-given-up",
            words="{access} was taken up again, but nothing before says that it was given up.",
            source=_LOGIC,
        ),
        Law(
            code="removed-not-placed",
            words="The catheter {access} was taken out, but nothing says when it was placed.",
            source=_LOGIC,
        ),
        Law(
            code="two-tunnelled",
            words="Two tunnelled catheters were in the body at once: {access} and another.",
        ),
        Law(code="after-death", words="This happened after the day on which the patient died.", source=_LOGIC),
        Law(code="died-twice", words="Two different days of death are recorded.", source=_LOGIC),
        Law(
            code="ended-twice",
            words="Follow-up ended twice, and was not resumed in between.",
            source=_LOGIC,
        ),
        Law(code="ends-before-it-begins", words="Its end lies before its beginning.", source=_LOGIC),
        Law(
            code="known-patent-after-loss",
            words="The access is said to have been last known open after the day on which it was lost.",
            source=_LOGIC,
        ),
        Law(
            code="attended-in-future",
            words="The appointment is said to have been kept or missed before its day.",
            source=_LOGIC,
        ),
        # --- Odd: what was said of the access, a visit, a lesion -----------------------------------------------------
        Law(
            code="side-disagrees",
            words="Two entries disagree about the side of {access}.",
            source=_LOGIC,
        ),
        Law(code="kind-disagrees", words="Two entries disagree about what kind of access {access} is.", source=_LOGIC),
        Law(code="site-disagrees", words="Two entries disagree about where {access} runs."),
        Law(code="material-disagrees", words="Two entries disagree about the material of {access}.", source=_LOGIC),
        Law(code="created-disagrees", words="Two entries disagree about when {access} was made.", source=_LOGIC),
        Law(code="vein-disagrees", words="Two entries disagree about the vein of {access}.", source=_LOGIC),
        Law(
            code="odd-on-this-kind",
            words="This is unusual on an access of the kind that {access} is.",
        ),
        Law(
            code="lesion-on-other-side",
            words="A lesion of {access} lies on the other side of the body than the access.",
        ),
        Law(code="lesion-on-two-sides", words="One lesion is said to lie on the left and on the right.", source=_LOGIC),
        Law(code="lesion-in-two-places", words="One lesion is said to lie in two places.", source=_LOGIC),
        Law(code="lesion-on-two-accesses", words="One lesion is said to lie in two accesses."),
        Law(code="residual-worse", words="More was left of a lesion than was found.", source=_LOGIC),
        Law(code="visit-on-two-days", words="Entries of one visit happened on different days.", source=_LOGIC),
        Law(
            code="done-though-cancelled",
            words="Something was done at a visit that is said to have been cancelled or declined.",
            source=_LOGIC,
        ),
        Law(
            code="told-twice",
            words="The same is recorded twice on one day for {access}, from two sources.",
        ),
        Law(
            code="implausible-number",
            words="The number given for {field} is unusual.",
            source="ledger/admission/plausible.toml",
        ),
        Law(code="numbers-cross", words="Two numbers of one entry cannot both be right: {field}.", source=_LOGIC),
        Law(code="flow-rose-after-banding", words="The flow rose with a banding.", source=_LOGIC),
        Law(
            code="culture-contradicts-itself",
            words="The culture is said to be negative and to have grown something, or the reverse.",
            source=_LOGIC,
        ),
        # --- Odd: what an entry rests on -----------------------------------------------------------------------------
        Law(
            code="access-not-opened",
            words="Nothing in force says any longer that {access} exists.",
            source=_LOGIC,
        ),
        Law(
            code="rests-on-withdrawn",
            words="This names another entry that is no longer in force.",
            source=_LOGIC,
        ),
        Law(
            code="report-moved-away",
            words="This rests on a report that was said to be about somebody else.",
            source=_LOGIC,
        ),
    )
}
"""Every law that compares facts, by its code."""


# What is refused without comparing facts: the day, the access, references, corrections, retractions, links.
REFUSED: dict[str, tuple[str, str]] = {
    "already-recorded": (
        "The entry {one} is already in this history.",
        "Nothing needs to be done; to enter a retracted fact anew, raise its attempt number.",
    ),
    "in-the-future": (
        "The day lies after today in the unit's time zone.",
        "Record what has happened; what is to come is an appointment, a plan or an instruction.",
    ),
    "no-such-access": (
        "This patient has no access {access}.",
        "Record first what it is (access-known, access-planned, creation, catheter-placed), or choose another.",
    ),
    "access-of-another-patient": (
        "The access {access} belongs to the patient {other}.",
        "Check the patient, or choose one of this patient's accesses.",
    ),
    "no-such-entry": (
        "The entry {other}, which this one names, is not in this history.",
        "Record that one first, or leave the reference out.",
    ),
    "no-such-patient": (
        "There is no patient {other} in this ledger.",
        "Check the patient's id, or add the patient first.",
    ),
    "corrects-unknown": (
        "The entry {other}, which is to be corrected, is not in this history.",
        "Look at the history again and correct an entry that stands in it.",
    ),
    "corrects-elsewhere": (
        "The entry {other} stands in another record of this patient, {access}.",
        "Make the correction or retraction in that record.",
    ),
    "corrects-no-fact": (
        "The entry {other} states no fact: it is about entries, reports or identities.",
        "Retract it, and make it anew if need be.",
    ),
    "corrects-stale": (
        "The entry {other} is no longer in force: {access} says that fact now.",
        "Look at the history again and correct {access}.",
    ),
    "corrects-withdrawn": (
        "The entry {other} is no longer in force: it was withdrawn by {access}.",
        "Retract {access} to bring the fact back, or record it anew.",
    ),
    "wrong-root": (
        "The correction of {other} names the wrong first entry.",
        "The first entry of its chain is {access}: name that one.",
    ),
    "two-days": (
        "The day of the correction is not the day of the fact that it states.",
        "Give the correction the day of the corrected fact.",
    ),
    "retracts-unknown": (
        "The entry {other}, which is to be retracted, is not in this history.",
        "Look at the history again and retract an entry that stands in it.",
    ),
    "retracts-stale": (
        "The entry {other} is no longer in force: {access} says that fact now.",
        "Retract {access} to withdraw it, or to bring {other} back.",
    ),
    "retracts-withdrawn": (
        "The entry {other} was already withdrawn by {access}.",
        "Nothing needs to be done; to bring it back, retract {access}.",
    ),
    "retracts-superseded": (
        "Retracting {other} would bring back an entry whose fact {access} says otherwise now.",
        "Retract {access} first, or correct it to say what is meant.",
    ),
    "one-with-itself": (
        "{access} cannot be linked with itself.",
        "Name two different ones.",
    ),
    "already-one": (
        "{access} and {other} are already one.",
        "Nothing needs to be done; to part them, retract the link.",
    ),
    "not-of-this-access": (
        "The entry {other} is not the first entry of a fact in force on {access}.",
        "Name entries of that access; for a corrected one, the first of its chain.",
    ),
    "splits-nothing": (
        "No entry of {access} was named for the part.",
        "Name the entries that belong to the other access.",
    ),
}
"""Code to problem and remedy."""
