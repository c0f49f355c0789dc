"""Rules as data: who published a limit, when, for which accesses, and how it is compared.

The package's `rules.toml` holds what was published; a site's file of the same form edits
(same id), switches (`on`) and adds. In here stands how that text is read and checked, and
nothing about medicine. Changing a rule changes no entry: findings are worked out anew.

A rule without its number is an empty parameter: nothing verified was found, or the limit is
the site's own. It finds nothing until a site fills it.

To add a sort of rule, name it with its fields in `_FIELDS` and let `trends` or `lines` use it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache
from importlib import resources
from typing import Any

from ledger.errors import WrongInput
from ledger.measured import Measured
from ledger.vocabulary import AccessKind

MEASURES = {
    "flow": ("access flow", "mL/min"),
    "venous-ratio": ("static pressure ratio, venous needle", ""),
    "arterial-ratio": ("static pressure ratio, arterial needle", ""),
    "slow-flow-ratio": ("venous pressure over mean arterial pressure", ""),
    "derived-venous-ratio": ("derived venous pressure ratio", ""),
    "dynamic-venous-pressure": ("venous pressure, measured", "mmHg"),
    "session-venous-pressure": ("venous pressure in sessions", "mmHg"),
    "session-arterial-pressure": ("arterial pressure in sessions", "mmHg"),
    "session-blood-flow": ("blood flow in sessions", "mL/min"),
    "recirculation-urea": ("recirculation by urea", "%"),
    "recirculation-dilution": ("recirculation, not by urea", "%"),
    "kt-v": ("Kt/V", ""),
    "urea-reduction": ("urea reduction ratio", "%"),
    "bleeding": ("bleeding after the needles", "minutes"),
}
"""What a rule can be about, in words, with its unit."""

COMPARED = ("above", "at-least", "below", "at-most", "fall", "fall-at-least", "drop")
"""How a reading can be compared."""

_FIELDS: dict[str, frozenset[str]] = {
    "series": frozenset(
        {"measure", "population", "is", "threshold", "in_a_row", "within_months", "also", "only_if", "asks_first"}
    ),
    "limit": frozenset({"days", "until_days", "months"}),
    "count": frozenset({"threshold", "months"}),
    "maturity": frozenset({"by"}),
    "events": frozenset({"reading"}),
    "catheter": frozenset({"by", "days", "months"}),
    "goal": frozenset({"is", "threshold"}),
    "position": frozenset({"measures", "population"}),
}
_COMMON = frozenset({"id", "sort", "year", "says", "sources", "verified", "on", "note", "version"})


@dataclass(frozen=True, kw_only=True)
class RuleSource:
    """Where a rule is published. `verified`: it was read, on `read_on`; otherwise it is from memory."""

    text: str
    verified: bool
    read_on: str | None = None

    def __str__(self) -> str:
        return f"{self.text} ({f'read {self.read_on}' if self.verified and self.read_on else 'from memory'})"


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """A second comparison that the same reading has to meet."""

    measure: str
    compared: str
    threshold: Decimal


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule. `threshold`, `days` and `months` are None where the rule is an empty parameter."""

    id: str
    sort: str
    says: str
    version: str
    year: int | None = None
    sources: tuple[RuleSource, ...] = ()
    verified: bool = False
    on: bool = True
    of_site: bool = False
    note: str = ""
    measure: str = ""
    measures: tuple[str, ...] = ()
    population: frozenset[AccessKind] = frozenset()
    compared: str = ""
    threshold: Decimal | None = None
    in_a_row: int = 1
    within_months: int | None = None
    also: Comparison | None = None
    only_if: tuple[tuple[str, Decimal, Decimal], ...] = ()
    asks_first: str = ""
    days: int | None = None
    until_days: int | None = None
    months: int | None = None
    by: str = ""
    reading: str = ""

    @property
    def name(self) -> str:
        """The rule as it is named beside a finding: its id, and its year where it has one."""
        return f"{self.id} ({self.year or 'no year'})"

    @property
    def is_empty(self) -> bool:
        """An empty parameter: the number that it would need is not there."""
        match self.sort:
            case "series" | "goal":
                return self.threshold is None
            case "count":
                return self.threshold is None or self.months is None
            case "limit" | "catheter":
                return self.days is None and self.months is None
            case _:
                return False

    @property
    def source(self) -> str:
        """Its sources in words, each with whether it was read."""
        return "; ".join(map(str, self.sources))

    def is_for(self, kind: AccessKind | None) -> bool:
        """Whether it is about accesses of this kind; one whose kind nobody recorded meets no rule."""
        return kind is not None and kind in self.population

    def to_json(self) -> dict[str, Any]:
        """The rule as plain JSON values; what does not belong to its sort is left out."""
        told: dict[str, Any] = {
            "id": self.id,
            "sort": self.sort,
            "version": self.version,
            "year": self.year,
            "says": self.says,
            "sources": [str(source) for source in self.sources],
            "verified": self.verified,
            "on": self.on,
            "of_site": self.of_site,
            "empty": self.is_empty,
        }
        more = {
            "note": self.note,
            "measure": self.measure,
            "population": sorted(self.population),
            "is": self.compared,
            "threshold": None if self.threshold is None else str(self.threshold),
            "in_a_row": self.in_a_row if self.sort == "series" else None,
            "days": self.days,
            "until_days": self.until_days,
            "months": self.months,
            "asks_first": self.asks_first,
        }
        return told | {name: value for name, value in more.items() if value not in (None, "", [])}


@dataclass(frozen=True, kw_only=True)
class Rules:
    """All rules in use: the package's, changed by a site's."""

    rules: Mapping[str, Rule]
    version: str

    def rule(self, id: str) -> Rule:
        """The rule of this id. Raises KeyError for one that does not exist."""
        return self.rules[id]

    def in_use(self, sort: str) -> tuple[Rule, ...]:
        """The rules of a sort that are switched on and have their number, in the order of the file."""
        return tuple(one for one in self.rules.values() if one.sort == sort and one.on and not one.is_empty)

    def limit(self, id: str) -> Rule | None:
        """A limit in time; None where it is switched off or an empty parameter."""
        found = self.rules.get(id)
        return found if found is not None and found.on and not found.is_empty else None

    def positions_on(self, measure: str, kind: AccessKind | None) -> tuple[Rule, ...]:
        """What other texts say about the use of a measure; said beside a finding of that measure."""
        return tuple(
            one
            for one in self.rules.values()
            if one.sort == "position" and one.on and measure in one.measures and one.is_for(kind)
        )


def load_rules(*site: str) -> Rules:
    """The package's rules, edited and added to by the texts of a site, each a TOML of the same form.

    Raises WrongInput that names the rule and the word that cannot stand there.
    """
    found = _shipped()
    for text in site:
        found = _with_site(found, text)
    return found


@lru_cache(maxsize=1)
def _shipped() -> Rules:
    text = resources.files("ledger.rounds").joinpath("rules.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    sources = _sources_of(table, {})
    rules: dict[str, Rule] = {}
    for row in table["rule"]:
        rule = _rule_of(row, sources, table["version"], None, of_site=False)
        assert rule.id not in rules, rule.id
        rules[rule.id] = rule
    return Rules(rules=rules, version=table["version"])


def _with_site(found: Rules, text: str) -> Rules:
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as wrong:
        raise WrongInput(f"The site's rules cannot be read: {wrong}.", "Mend that line of the file.") from None
    shipped = tomllib.loads(resources.files("ledger.rounds").joinpath("rules.toml").read_text(encoding="utf-8"))
    sources = _sources_of(shipped, {}) | _sources_of(table, {})
    rules = dict(found.rules)
    rows = table.get("rule", [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise WrongInput("The site's rules are not a list.", "Begin each of them with a line [[rule]].")
    for row in rows:
        id = row.get("id")
        if not isinstance(id, str):
            raise WrongInput("A rule of the site's file has no id.", 'Give it one: id = "our-limit".')
        rules[id] = _rule_of(row, sources, str(table.get("version", "site")), rules.get(id), of_site=True)
    return replace(found, rules=rules)


def _sources_of(table: Mapping[str, Any], known: Mapping[str, RuleSource]) -> dict[str, RuleSource]:
    found = dict(known)
    for name, row in table.get("sources", {}).items():
        found[name] = RuleSource(
            text=str(row["text"]), verified=bool(row.get("verified", False)), read_on=row.get("read_on")
        )
    return found


def _rule_of(
    row: Mapping[str, Any], sources: Mapping[str, RuleSource], version: str, before: Rule | None, *, of_site: bool
) -> Rule:
    """A rule of its row; with `before`, what the row leaves out stays as it was."""
    id = row["id"]
    sort = row.get("sort", before.sort if before is not None else None)
    if sort not in _FIELDS:
        raise _wrong(id, f"sort is {sort!r}", f"It can be one of: {', '.join(_FIELDS)}.")
    if before is not None and sort != before.sort:
        raise _wrong(id, f"it is of sort {before.sort}, not {sort}", "Give a rule of another sort another id.")
    unknown = sorted(set(row) - _COMMON - _FIELDS[sort])
    if unknown:
        raise _wrong(id, f"{unknown[0]!r} means nothing to it", f"It takes: {', '.join(sorted(_FIELDS[sort]))}.")
    made = before or Rule(id=id, sort=sort, says="", version=version)
    changes: dict[str, Any] = {"version": str(row.get("version", version)), "of_site": of_site}
    for name in ("says", "note", "asks_first"):
        if name in row:
            changes[name] = _of_type(id, name, row[name], str)
    for name in ("year", "within_months", "in_a_row", "days", "until_days", "months"):
        if name in row:
            changes[name] = _whole(id, name, row[name])
    for name in ("verified", "on"):
        if name in row:
            changes[name] = _of_type(id, name, row[name], bool)
    if "threshold" in row:
        changes["threshold"] = _number(id, "threshold", row["threshold"])
    if "sources" in row:
        changes["sources"] = tuple(_source(id, name, sources) for name in row["sources"])
    if "population" in row:
        changes["population"] = frozenset(_kind(id, name) for name in row["population"])
    if "measure" in row:
        changes["measure"] = _one_of(id, "measure", row["measure"], MEASURES)
    if "measures" in row:
        changes["measures"] = tuple(_one_of(id, "measures", name, MEASURES) for name in row["measures"])
    if "is" in row:
        changes["compared"] = _one_of(id, "is", row["is"], COMPARED)
    if "by" in row:
        changes["by"] = _one_of(id, "by", row["by"], _BY[sort])
    if "reading" in row:
        changes["reading"] = _one_of(id, "reading", row["reading"], ("rolls", "fixed"))
    if "also" in row:
        also = row["also"]
        changes["also"] = Comparison(
            measure=_one_of(id, "also.measure", also.get("measure"), MEASURES),
            compared=_one_of(id, "also.is", also.get("is"), COMPARED[:4]),
            threshold=_number(id, "also.threshold", also.get("threshold")),
        )
    if "only_if" in row:
        changes["only_if"] = tuple(_range(id, name, ends) for name, ends in row["only_if"].items())
    rule = replace(made, **changes)
    if not rule.says:
        raise _wrong(id, "it says nothing", 'Say in words what it is: says = "…".')
    if rule.sort == "series" and not (rule.measure and rule.compared and rule.population):
        raise _wrong(id, "measure, is or population is missing", "A rule about a series needs all three.")
    if rule.in_a_row < 1:
        raise _wrong(id, "in_a_row is below 1", "Say how many readings in a row have to meet it.")
    return rule


_BY = {
    "maturity": ("sixes", "two-thirds", "three-quarters", "eight-of-twelve", "three-sessions", "judged"),
    "catheter": ("days", "months", "months-nothing-maturing"),
}


def _wrong(id: str, problem: str, remedy: str) -> WrongInput:
    return WrongInput(f"The rule {id} cannot be used: {problem}.", remedy)


def _of_type(id: str, name: str, value: Any, kind: type) -> Any:
    if not isinstance(value, kind):
        words = {str: "words in quotes", bool: "true or false"}[kind]
        raise _wrong(id, f"{name} is {value!r}", f"Write {words}.")
    return value


def _whole(id: str, name: str, value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise _wrong(id, f"{name} is {value!r}", "Write a whole number, 0 or more.")
    return value


def _number(id: str, name: str, value: Any) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _wrong(id, f"{name} is {value!r}", "Write a number such as 600 or 0.5.")
    return Decimal(str(value))


def _range(id: str, name: str, ends: Any) -> tuple[str, Decimal, Decimal]:
    if name not in _CONDITIONS:
        raise _wrong(id, f"only_if names {name!r}", f"It can name: {', '.join(_CONDITIONS)}.")
    if not isinstance(ends, list) or len(ends) != 2:
        raise _wrong(id, f"only_if.{name} is {ends!r}", "Write the lowest and the highest: [200, 200].")
    return name, _number(id, name, ends[0]), _number(id, name, ends[1])


_CONDITIONS = ("gauge", "blood_flow_ml_min", "minutes")


def _one_of(id: str, name: str, value: Any, allowed: Iterable[str]) -> str:
    if value not in allowed:
        raise _wrong(id, f"{name} is {value!r}", f"It can be one of: {', '.join(allowed)}.")
    return str(value)


def _source(id: str, name: str, sources: Mapping[str, RuleSource]) -> RuleSource:
    if name not in sources:
        raise _wrong(id, f"its source {name!r} is not described", f'Describe it: [sources.{name}] text = "…".')
    return sources[name]


def _kind(id: str, name: str) -> AccessKind:
    try:
        return AccessKind(name)
    except ValueError:
        raise _wrong(
            id, f"population names {name!r}", f"It can name: {', '.join(kind.value for kind in AccessKind)}."
        ) from None


# --- Comparing ----------------------------------------------------------------------------------------------------


def meets(said: Measured, compared: str, threshold: Decimal) -> bool:
    """Whether a quantity, as it was said, surely lies there: "<600" is below 600, "about 600" is not.

    What could lie on either side of the limit meets nothing.

    >>> meets(Measured(value="599"), "below", Decimal(600)), meets(Measured(value="600"), "below", Decimal(600))
    (True, False)
    >>> meets(Measured(value="600", comparator="<"), "below", Decimal(600))
    True
    """
    least, most = said.at_least, said.at_most
    match compared:
        case "above":
            return least is not None and (least > threshold or (least == threshold and said.comparator == ">"))
        case "at-least":
            return least is not None and least >= threshold
        case "below":
            if said.comparator == "<" and said.value is not None:
                return Decimal(said.value) <= threshold
            if said.comparator == "<=" and said.value is not None:
                return Decimal(said.value) < threshold
            return most is not None and most < threshold
        case "at-most":
            if said.comparator in ("<", "<=") and said.value is not None:
                return Decimal(said.value) <= threshold
            return most is not None and most <= threshold
        case _:
            raise AssertionError(f"{compared} compares two readings")


def events_by(rule: Rule, onsets: Iterable[tuple[date, str]]) -> list[tuple[date, tuple[str, ...]]]:
    """Dialysis events of one sort made of (day, root) by one reading of the 21-day rule, which surveillance counts by.

    >>> onsets = [(date(2026, 3, 2), "a"), (date(2026, 3, 17), "b"), (date(2026, 4, 1), "c")]
    >>> [len(events_by(load_rules().rule(f"dialysis-event-{name}"), onsets)) for name in ("rolls", "fixed")]
    [1, 2]
    """
    from ledger.statistics.surveillance import by_21_days

    assert rule.sort == "events", rule.id
    raw = [(day.toordinal(), day.toordinal(), root) for day, root in onsets]
    return [(date.fromordinal(day), roots) for day, roots in by_21_days(raw, rolls=rule.reading == "rolls")]


def is_due(since: date, today: date, rule: Rule) -> bool:
    """Whether so many days, or calendar months, have passed since a day: true on the day itself.

    A month from the 31st ends on the last day of a shorter month.

    >>> monthly = load_rules().rule("look-monthly-2006")
    >>> [is_due(date(2024, 1, 31), date(2024, 2, day), monthly) for day in (28, 29)]
    [False, True]
    """
    return today >= due_on(since, rule)


def due_on(since: date, rule: Rule) -> date:
    """The day on which a limit is reached."""
    if rule.days is not None:
        return date.fromordinal(since.toordinal() + rule.days)
    assert rule.months is not None, "an empty parameter has no day"
    return months_on(since, rule.months)


def months_on(since: date, months: int) -> date:
    """The same day of the month some months on; the last of a shorter month."""
    from ledger.statistics.moments import months_after

    return date.fromordinal(months_after(since.toordinal(), months))
