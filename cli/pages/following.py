"""Following a patient on pages: a new access on its way, infections, planning, the way to the access centre.

Everything here is made in `ledger.projections`; the drawing beside planning is that of the brief.
"""

from __future__ import annotations

from starlette.responses import Response

from cli.pages.asked import Asked
from cli.pages.rights import Right
from cli.pages.site import Page


def maturation(asked: Asked) -> Response:
    """New accesses from creation to proven use, and the catheter that waits."""
    from cli.look import names_of
    from cli.naming import named_in
    from cli.rounds import rules_in_use
    from ledger.projections.maturation import maturation_of

    one = asked.patient(did="maturation")
    history = asked.history(one.id)
    made = maturation_of(
        history,
        asked.today(one.id),
        rules_in_use(),
        asked.ledger.papers.words,
        names_of(asked.ledger),
        proven=asked.query("proven") == "1",
    )
    return asked.page("maturation.html", one=one, made=made, named=lambda root: named_in(root, history))


def infections(asked: Asked) -> Response:
    """Infections by class: cultures, courses until when, clearance, what was done with the catheter."""
    from cli.look import names_of
    from cli.naming import named_in
    from ledger.projections.infections import infections_of

    one = asked.patient(did="infections")
    history = asked.history(one.id)
    made = infections_of(history, asked.today(one.id), asked.ledger.papers.words, names_of(asked.ledger))
    return asked.page("infections.html", one=one, made=made, named=lambda root: named_in(root, history))


def planning(asked: Asked) -> Response:
    """What is known for the next access: mapping, vessels used up and left, vein book, life plan; list and drawing."""
    from cli.look import brief_made, names_of
    from cli.pages.drawing import drawing_of
    from cli.rounds import rules_in_use
    from ledger.projections.brief import Brief, access_to_use
    from ledger.projections.planning import STATE_WORDS, planning_of

    one = asked.patient(did="planning")
    history = asked.history(one.id)
    day = asked.today(one.id)
    made = planning_of(history, day, rules_in_use(), asked.ledger.papers.words, names_of(asked.ledger))
    brief = brief_made(asked.ledger, one, history, day)
    assert isinstance(brief, Brief)
    drawing = drawing_of(brief.accesses, brief.person, access_to_use(brief.accesses))
    return asked.page("planning.html", one=one, made=made, states=STATE_WORDS, drawing=drawing)


def referrals(asked: Asked) -> Response:
    """What was asked of the access centre and what was found, side by side, with the days between."""
    from cli.rounds import ways_to
    from ledger.rounds.loop import SPANS, standing_words

    one = asked.patient(did="referrals")
    _, ways = ways_to(asked.ledger, one.id, asked.today(one.id))
    return asked.page(
        "referrals.html", one=one, ways=ways[::-1], spans=SPANS, standing=standing_words, day=asked.today(one.id)
    )


PAGES = (
    Page("/patient/{patient}/maturation", maturation, Right.LOOK, examples=("/patient/{patient}/maturation?proven=1",)),
    Page("/patient/{patient}/infections", infections, Right.LOOK),
    Page("/patient/{patient}/planning", planning, Right.LOOK),
    Page("/patient/{patient}/referrals", referrals, Right.LOOK),
)
