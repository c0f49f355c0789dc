"""Whether an access is mature, by each published rule side by side. None of them is preferred, and none is a verdict.

The rules are worked out in `ledger.statistics.maturity` from the raw dialyses and assessments; here they are only named
and set beside each other for one access on one day.

To add a rule, add it there and name it in `rules.toml` with the sort `maturity`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

from ledger.chronology import History
from ledger.rounds.rules import Rule, Rules


@dataclass(frozen=True, kw_only=True)
class MaturityBy:
    """One rule about one access. `on` is the day on which it was first met, None where what is recorded meets it not.

    `aided`: an operation came before that day and after creation, so it was met with help.
    """

    rule: Rule
    on: date | None
    aided: bool
    roots: tuple[str, ...]

    def words(self) -> str:
        """The rule, and what is recorded beside it."""
        from ledger.projections.wording import date_words

        if self.on is None:
            return f"{self.rule.name}: not met by what is recorded"
        return f"{self.rule.name}: met on {date_words(self.on)}{', aided' if self.aided else ''}"

    def to_json(self) -> dict[str, Any]:
        return {
            "rule": self.rule.id,
            "year": self.rule.year,
            "on": None if self.on is None else self.on.isoformat(),
            "aided": self.aided,
            "roots": list(self.roots),
        }


def maturity_by(history: History, access: str, rules: Rules) -> tuple[MaturityBy, ...]:
    """Every rule of maturity in use beside what is recorded of an access; empty where its creation is not recorded."""
    from ledger.projections.folding import fold_of
    from ledger.statistics.definitions import rulebook
    from ledger.statistics.maturity import matured
    from ledger.statistics.moments import care_of, days_of

    life = care_of(history, rulebook()).lives.get(access)
    if life is None or life.made is None or life.kind is None or not life.kind.is_needled:
        return ()
    made = days_of(life.made.fact.happened, history.zone)[0]
    helped = [days_of(one.happened, history.zone)[0] for one in fold_of(history).accesses[access].aided]
    found = []
    for rule in rules.in_use("maturity"):
        met = matured(life, rule.by, made)
        found.append(
            MaturityBy(
                rule=rule,
                on=None if met is None else date.fromordinal(met.day),
                aided=met is not None and any(made <= day <= met.day for day in helped),
                roots=() if met is None else met.roots,
            )
        )
    return tuple(found)
