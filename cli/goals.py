"""A unit's own numbers beside published outcome goals (`goals`)."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli import say
from cli.options import ByOption, JsonOption, KnownOnOption, LedgerOption, TodayOption, day_from, opened, today_of
from cli.rounds import RulesOption, rules_of


def goals(
    unit: Annotated[
        str | None, typer.Option("--unit", metavar="UNIT", help="Only the patients of this unit.", show_default=False)
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", metavar="DAY", help="First day of the period; without it, a year back.")
    ] = None,
    last: Annotated[str | None, typer.Option("--to", metavar="DAY", help="Last day; without it, today.")] = None,
    rules: RulesOption = None,
    definitions: Annotated[
        Path | None,
        typer.Option("--definitions", metavar="FILE", help="Definitions of patency of your own.", show_default=False),
    ] = None,
    known_on: KnownOnOption = None,
    by: ByOption = None,
    today: TodayOption = None,
    ledger: LedgerOption = None,
    as_json: JsonOption = False,
) -> None:
    """Published outcome goals, each with its year and source, and the unit's own number beside it.

    They are no standard of care; later texts moved away from fixed shares of fistulas and catheters.
    """
    from cli.count import book_of, read
    from cli.look import noted
    from ledger.errors import WrongInput
    from ledger.rounds.goals import goals_of
    from ledger.rounds.rules import months_on
    from ledger.statistics.presence import Period, population_of

    in_use = rules_of(rules)
    book = book_of(definitions)
    with opened(ledger) as found:
        if unit is not None and unit not in {one.id for one in found.who.units()}:
            raise WrongInput("There is no such unit in this ledger.", "Look with `access-ledger unit list`.")
        until = day_from(last, "--to") if last is not None else today_of(found, None, today)
        since = day_from(first, "--from") if first is not None else months_on(until, -12)
        if since > until:
            raise WrongInput("The period ends before it begins.", "Give --from a day before --to.")
        period = Period(since, until)
        histories, people = read(found, None, known_on)
        beside = goals_of(population_of(histories, book, people), period, in_use, unit=unit)
        noted(found, "goals", by, None, unit)
    if as_json:
        say.as_json(
            {
                "unit": unit,
                "period": {"first": since.isoformat(), "last": until.isoformat()},
                "rules": in_use.version,
                "goals": [one.to_json() for one in beside],
            }
        )
        return
    say.heading(f"Published goals beside the numbers of {unit or 'all units'}, {period}")
    for one in beside:
        say.paragraph(one.words(), "  ", "      ")
        say.paragraph(f"Source: {one.rule.source}", "      ")
    say.out()
    say.paragraph(
        "Guidelines say of themselves that they are no standard of care. Later texts (2019) moved away from fixed "
        "shares of fistulas and catheters. A number beside a goal says nothing of why."
    )
