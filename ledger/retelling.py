"""Was this told before? The same procedure by fax and message, preliminary and final, from two centres.

Three questions, all functions of values, none of them answered by throwing anything
away: what is told again is offered as one with what is known, and a person decides.

- `told_before`: which facts of a new report does the history already hold, and where do
  the two disagree;
- `amended`: what an addendum or a corrected report changes of the entries that came from
  the first report, as proposed corrections;
- `same_procedure`: whether two reports that still wait tell of one procedure.

Ids, words and who did it are never compared: two tellings of one procedure differ in
those by nature. To compare by one more trait, add the field to its event; every field is
looked at.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import TYPE_CHECKING, Any, cast

from ledger.chronology import History, InForce
from ledger.dates import PartialDate, days_between
from ledger.entries import event_to_dict, validated
from ledger.events import Fact
from ledger.vocabulary import AccessKind, Side

if TYPE_CHECKING:
    from ledger.reading.proposals import Reading

ONCE = frozenset(
    {"creation", "catheter-placed", "catheter-removed", "first-cannulation", "access-known", "second-stage"}
)
"""What happens to an access once: told with another day, it is the same thing with its day in dispute."""

_NOT_COMPARED = frozenset({"kind", "access", "happened", "visit", "device", "old_device", "lesion", "operator", "note"})
_NOT_COMPARED |= {"from_report_only", "why", "words", "dealt_with", "told_by", "referral", "question", "centre"}
_LISTS_BY_PLACE = frozenset({"lesions", "stents"})


class Told(StrEnum):
    """How a fact of a new report stands to what is known."""

    AGAIN = "told-again"  # the same, and nothing contradicts
    OTHERWISE = "told-otherwise"  # the same procedure, with something that contradicts
    PERHAPS = "perhaps-told-again"  # like one that is known; a person has to say whether it is the same
    NEW = "new"


class Differs(StrEnum):
    CONTRADICTS = "contradicts"
    ADDS = "adds"  # only the new telling says it
    LOOSELY = "loosely"  # both say it and both can be true: "<20" and "10", a year and a day


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One field in which two tellings differ. `field` is a path such as `lesions[cephalic-arch].residual_percent`.

    `known` and `told` are plain JSON values; None where that side is silent.
    """

    field: str
    how: Differs
    known: Any = None
    told: Any = None


@dataclass(frozen=True, kw_only=True)
class Retelling:
    """What a fact of a new report is to the history. `fact` is its number among those that were asked about, from 0.

    `root` is that of the fact which is known, `entry` the entry that says it now; None for what is new.
    """

    fact: int
    told: Told
    root: str | None = None
    entry: str | None = None
    differences: tuple[Difference, ...] = ()


def told_before(facts: Sequence[Fact], history: History, *, not_from: Iterable[str] = ()) -> tuple[Retelling, ...]:
    """For each fact of a new report, which fact of the history it tells again, in the order asked.

    What rests on a report of `not_from` is left out: a report does not tell its own facts again.

    Alike are facts of one kind and one access, on the same day or on two that touch. Each known fact is given to at
    most one new one: the nearest in time, then the one that contradicts it least. On the same day it is the same
    procedure; a day beside, or with a date that is only partly known, only numbers that agree make it the same.
    """
    left_out = frozenset(not_from)
    others = [one for one in history.facts if one.entry.evidence.report not in left_out]
    pairs = []
    for number, fact in enumerate(facts):
        for known in others:
            if known.kind != fact.kind or known.access != getattr(fact, "access", None):
                continue
            if of_two_sorts(known.fact, fact):
                continue
            apart = days_apart(fact.happened, known.happened)
            if apart > 1 and fact.kind not in ONCE:
                continue
            found = differences(known.fact, fact)
            agreeing = agreements(known.fact, fact)
            pairs.append((apart, _contradictions(found), -agreeing, known.root, number, known, found))
    taken: dict[int, Retelling] = {}
    given: set[str] = set()
    for apart, _, minus_agreeing, root, number, known, found in sorted(pairs, key=lambda pair: pair[:5]):
        if number in taken or root in given:
            continue
        told = _verdict(facts[number], known.fact, apart, -minus_agreeing, found)
        taken[number] = Retelling(
            fact=number, told=told, root=root, entry=known.entry.id, differences=_with_day(facts[number], known, found)
        )
        given.add(root)
    return tuple(taken.get(number) or Retelling(fact=number, told=Told.NEW) for number in range(len(facts)))


_SORTS = ("what", "organism", "specimen")


def of_two_sorts(one: Fact, two: Fact) -> bool:
    """Whether two facts of a kind are two things by nature: two instructions or complications of a day, two germs."""
    for name in _SORTS:
        mine, theirs = getattr(one, name, None), getattr(two, name, None)
        if mine is not None and theirs is not None and mine != theirs:
            return True
    return False


def _verdict(fact: Fact, known: Fact, apart: int, agreeing: int, found: Sequence[Difference]) -> Told:
    against = _contradictions(found)
    if fact.kind in ONCE:
        return Told.OTHERWISE if against or apart > 1 else Told.AGAIN
    if apart == 0 and _is_a_day(fact.happened) and _is_a_day(known.happened):
        if _no_lesion_in_common(fact, known):
            return Told.PERHAPS
        return Told.OTHERWISE if against else Told.AGAIN
    # A clot can be taken out on Monday and again on Tuesday: only numbers tell that it was one visit.
    return Told.AGAIN if agreeing and not against else Told.PERHAPS


def _no_lesion_in_common(fact: Fact, known: Fact) -> bool:
    mine, theirs = _places(fact), _places(known)
    return bool(mine and theirs and not mine & theirs)


def _places(fact: Fact) -> set[str]:
    return {path.split(".")[0] for path in traits_of(fact) if path.startswith("lesions[") and "#" not in path}


def _with_day(fact: Fact, known: InForce, found: Sequence[Difference]) -> tuple[Difference, ...]:
    if fact.happened == known.happened:
        return tuple(found)
    overlaps = days_apart(fact.happened, known.happened) == 0
    how = Differs.LOOSELY if overlaps else Differs.CONTRADICTS
    return (Difference(field="happened", how=how, known=str(known.happened), told=str(fact.happened)), *found)


# --- How two tellings of one fact compare -------------------------------------------------------------------------


def differences(known: Fact, told: Fact) -> list[Difference]:
    """In what a new telling of a fact differs from the known one. What it is silent about is no difference."""
    before, after = traits_of(known), traits_of(told)
    found = []
    for path, value in after.items():
        if path not in before:
            found.append(Difference(field=path, how=Differs.ADDS, told=value))
            continue
        how = _compared(before[path], value)
        if how is not None:
            found.append(Difference(field=path, how=how, known=before[path], told=value))
    return found


def agreements(known: Fact, told: Fact) -> int:
    """In how many numbers two tellings agree: what was measured is seldom the same by chance."""
    before, after = traits_of(known), traits_of(told)
    return sum(
        1
        for path, value in after.items()
        if isinstance(value, dict) and path in before and _compared(before[path], value) is None
    )


def traits_of(fact: Fact) -> dict[str, Any]:
    """What can be compared in a fact: paths and plain values. Lesions and stents go by their place, not their order."""
    found: dict[str, Any] = {}
    _lay_out("", event_to_dict(fact), found)
    return found


def _lay_out(path: str, value: Any, found: dict[str, Any]) -> None:
    for name, one in value.items():
        if name in _NOT_COMPARED:
            continue
        at = f"{path}.{name}" if path else name
        if name in _LISTS_BY_PLACE and isinstance(one, list):
            for key, item in _by_place(one):
                _lay_out(f"{at}[{key}]", item, found)
        elif isinstance(one, dict) and not _is_quantity(one):
            if "text" not in one:  # words of a report; the other report has its own
                _lay_out(at, one, found)
        else:
            found[at] = one


def _by_place(items: Sequence[dict[str, Any]]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each item under its place, and its side where that is said; the second at one place gets a number."""
    counts: dict[str, int] = {}
    for item in items:
        key = item.get("place") or ""
        counts[key] = counts.get(key, 0) + 1
        yield (f"{key}#{counts[key]}" if counts[key] > 1 or not key else key), item


def _is_quantity(value: Any) -> bool:
    return isinstance(value, dict) and bool(value) and set(value) <= {"value", "comparator", "low", "high", "how"}


def _compared(known: Any, told: Any) -> Differs | None:
    """None where two values say the same."""
    if _is_quantity(known) and _is_quantity(told):
        mine, theirs = _bounds(known), _bounds(told)
        if mine == theirs:
            return None
        exact = mine[0] == mine[1] and theirs[0] == theirs[1]
        apart = _is_below(mine[1], theirs[0]) or _is_below(theirs[1], mine[0])
        return Differs.CONTRADICTS if exact or apart else Differs.LOOSELY
    if isinstance(known, list) and isinstance(told, list):
        return _lists_compared(known, told)
    if known == told:
        return None
    if isinstance(known, str) and isinstance(told, str) and _both_dates(known, told):
        overlap = days_apart(PartialDate(known), PartialDate(told)) == 0
        return Differs.LOOSELY if overlap else Differs.CONTRADICTS
    return Differs.CONTRADICTS


def _lists_compared(known: list[Any], told: list[Any]) -> Differs | None:
    """Lists such as methods or balloons: order says nothing, and one that holds the other only says more."""
    mine, theirs = [_said(one) for one in known], [_said(one) for one in told]
    if sorted(mine) == sorted(theirs):
        return None
    more = set(mine) <= set(theirs) or set(theirs) <= set(mine)
    return Differs.LOOSELY if more else Differs.CONTRADICTS


def _said(value: Any) -> str:
    if _is_quantity(value):
        return "..".join(map(str, _bounds(value)))
    if isinstance(value, dict):
        return ";".join(f"{name}={_said(one)}" for name, one in sorted(value.items()) if name not in _NOT_COMPARED)
    return str(value)


def _bounds(quantity: dict[str, Any]) -> tuple[Decimal | None, Decimal | None]:
    """The least and the greatest number that a quantity can mean; None where it has no such bound."""
    if quantity.get("value") is None:
        return Decimal(quantity["low"]).normalize(), Decimal(quantity["high"]).normalize()
    number = Decimal(quantity["value"]).normalize()
    comparator = quantity.get("comparator")
    if comparator == "~":
        return number * Decimal("0.9"), number * Decimal("1.1")  # "about": a tenth either way, our own reading of it
    return (None if comparator in ("<", "<=") else number), (None if comparator in (">", ">=") else number)


def _is_below(high: Decimal | None, low: Decimal | None) -> bool:
    return high is not None and low is not None and high < low


def _both_dates(one: str, two: str) -> bool:
    return all(re.match(r"[12]\d{3}(-\d\d|$)", text) for text in (one, two))


def _contradictions(found: Iterable[Difference]) -> int:
    return sum(1 for one in found if one.how is Differs.CONTRADICTS)


def days_apart(one: PartialDate, two: PartialDate) -> int:
    """Days between the nearest readings of two dates; nought when they overlap.

    >>> days_apart(PartialDate("2024-03"), PartialDate("2024-03-14"))
    0
    >>> days_apart(PartialDate("2023"), PartialDate("2024-01-02"))
    2
    """
    if one.earliest <= two.latest and two.earliest <= one.latest:
        return 0
    first, second = (one, two) if one.latest < two.earliest else (two, one)
    return days_between(first.latest, second.earliest)


def _is_a_day(day: PartialDate) -> bool:
    return day.earliest == day.latest


# --- Addenda and corrected reports --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class ProposedCorrection:
    """What a later report changes of an entry. `corrects` is the entry in force, `root` the first one of its chain.

    `to` is the known fact with what the new telling says in the place of what it said; its ids stay.
    """

    fact: int
    corrects: str
    root: str
    to: Fact
    differences: tuple[Difference, ...]


@dataclass(frozen=True, kw_only=True)
class Amendment:
    """What an addendum or a corrected report means for the entries of the first one.

    `additions` are the numbers of facts that the first report did not tell; `unchanged` pairs a fact with the root
    of what it tells again. `unsaid` are roots that a corrected report, told whole, no longer tells: for a person to
    look at, and perhaps to retract.
    """

    corrections: tuple[ProposedCorrection, ...] = ()
    additions: tuple[int, ...] = ()
    unchanged: tuple[tuple[int, str], ...] = ()
    unsaid: tuple[str, ...] = ()


def amended(facts: Sequence[Fact], earlier: Sequence[InForce], *, whole: bool, day_is_said: bool = True) -> Amendment:
    """What the facts of a later report change of those that came from the one it is about.

    `earlier` are the facts in force whose evidence is the first report (`facts_from`). `whole`: the later report
    tells everything anew (a corrected or replacing report); an addendum tells only what it adds. `day_is_said`: the
    day of the facts stands in the text; an addendum's own day is not the procedure's, so it changes none.
    """
    pairs = []
    for number, fact in enumerate(facts):
        for known in earlier:
            # An instruction that an addendum gives takes the place of none that says something else.
            if known.kind == fact.kind and getattr(known.fact, "what", None) == getattr(fact, "what", None):
                found = differences(known.fact, fact)
                other_access = known.access != getattr(fact, "access", None)
                weight = (other_access, _contradictions(found), -agreements(known.fact, fact), known.root, number)
                pairs.append((weight, known))
    corrections: list[ProposedCorrection] = []
    unchanged: list[tuple[int, str]] = []
    taken: set[int] = set()
    given: set[str] = set()
    for (_, _, _, root, number), known in sorted(pairs, key=lambda pair: pair[0]):
        if number in taken or root in given:
            continue
        taken.add(number)
        given.add(root)
        fact = facts[number]
        to = merged(known.fact, fact, with_day=whole or day_is_said)
        changed = _changes(known, to)
        if changed:
            corrections.append(
                ProposedCorrection(fact=number, corrects=known.entry.id, root=root, to=to, differences=changed)
            )
        else:
            unchanged.append((number, root))
    return Amendment(
        corrections=tuple(sorted(corrections, key=lambda one: one.fact)),
        additions=tuple(number for number in range(len(facts)) if number not in taken),
        unchanged=tuple(sorted(unchanged)),
        unsaid=tuple(known.root for known in earlier if known.root not in given) if whole else (),
    )


def facts_from(history: History, reports: Iterable[str]) -> tuple[InForce, ...]:
    """The facts in force that rest on one of these reports."""
    wanted = frozenset(reports)
    return tuple(one for one in history.facts if one.entry.evidence.report in wanted)


def _changes(known: InForce, to: Fact) -> tuple[Difference, ...]:
    found = differences(known.fact, to)
    if to.happened != known.happened:
        found.insert(
            0,
            Difference(field="happened", how=Differs.CONTRADICTS, known=str(known.happened), told=str(to.happened)),
        )
    before, after = getattr(known.fact, "access", None), getattr(to, "access", None)
    if before != after:
        found.insert(0, Difference(field="access", how=Differs.CONTRADICTS, known=before, told=after))
    return tuple(found)


def merged(known: Fact, told: Fact, *, with_day: bool) -> Fact:
    """The known fact with all that the new telling says of it; what it is silent about stays, and so do ids.

    Where both can be true ("<20" and "10", three balloons and one of them), the one that says more is kept.
    """
    before, after = event_to_dict(known), event_to_dict(told)
    made = _merged(before, after)
    if with_day and days_apart(known.happened, told.happened) != 0:
        made["happened"] = str(told.happened)
    else:
        made["happened"] = str(known.happened)
    if "access" in after:
        made["access"] = after["access"]
    return cast("Fact", validated(made))


_IDS = frozenset({"visit", "device", "old_device", "lesion", "access", "happened", "kind"})


def _merged(before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
    made = dict(before)
    for name, value in after.items():
        if name in _IDS and name in before:
            continue
        if name in _LISTS_BY_PLACE and isinstance(before.get(name), list):
            made[name] = _lists_merged(before[name], value)
        elif isinstance(before.get(name), dict) and isinstance(value, dict) and not _is_quantity(value):
            made[name] = _merged(before[name], value)
        elif name not in before:
            made[name] = value
        else:
            how = _compared(before[name], value)
            if how is Differs.CONTRADICTS or (how is Differs.LOOSELY and _says_more(value, before[name])):
                made[name] = value
    return made


def _says_more(told: Any, known: Any) -> bool:
    """Of two values that can both be true, whether the first is the sharper one."""
    if _is_quantity(told):
        low, high = _bounds(told)
        return low is not None and low == high
    return len(told) > len(known)


def _lists_merged(before: list[dict[str, Any]], after: list[dict[str, Any]]) -> list[dict[str, Any]]:
    told = dict(_by_place(after))
    made = [_merged(item, told.pop(key)) if key in told else item for key, item in _by_place(before)]
    return made + list(told.values())


# --- Two reports that still wait ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Summary:
    """What a report tells, as far as two tellings of one procedure can be compared by it.

    `numbers` are the measures of its lesions and devices, each with its place; `shingles` are checksums of every five
    words in a row, so that two texts can be compared without keeping either.
    """

    happened: PartialDate | None
    kinds: frozenset[str]
    accesses: frozenset[tuple[AccessKind | None, Side | None]]
    numbers: frozenset[str]
    shingles: frozenset[int]


class Sameness(StrEnum):
    SAME = "same"
    PERHAPS = "perhaps"
    DIFFERENT = "different"


@dataclass(frozen=True, kw_only=True)
class Compared:
    """Whether two reports tell of one procedure, and why, as codes that never change their meaning."""

    sameness: Sameness
    reasons: tuple[str, ...]


_MEASURE = re.compile(r"_(?:mm|cm|fr|ml|ml_min|percent|min)$")


def summary_of(reading: Reading) -> Summary:
    """The summary of what a text was read as."""
    return summary_from(reading.to_json(), reading.text)


def summary_from(told: Mapping[str, Any], text: str) -> Summary:
    """The summary of a reading that was kept as JSON (`Reading.to_json`), so that nothing has to be read again."""
    numbers = set()
    for proposal in told["proposed"]:
        for lesion in proposal["detail"].get("lesions") or ():
            for name in ("stenosis_before_percent", "stenosis_after_percent", "balloon_mm"):
                if lesion.get(name) is not None:
                    numbers.add(f"{lesion.get('place')} {name} {lesion[name]}")
        for name, value in proposal["detail"].items():
            if value is not None and _MEASURE.search(name):
                numbers.add(f"{proposal['kind']} {name} {value}")
    return Summary(
        happened=PartialDate(told["happened"]) if told["happened"] else None,
        kinds=frozenset(one["kind"] for one in told["proposed"]) - {"visit", "instruction", "access-known"},
        accesses=frozenset(
            (AccessKind(one["kind"]) if one["kind"] else None, Side(one["side"]) if one["side"] else None)
            for one in told["accesses"]
        ),
        numbers=frozenset(numbers),
        shingles=shingles_of(text),
    )


def shingles_of(text: str) -> frozenset[int]:
    """A checksum of every five words in a row; of all its words, where there are fewer."""
    words = re.findall(r"\w+", text.lower())
    rows = [words[at : at + 5] for at in range(max(1, len(words) - 4))]
    return frozenset(zlib.crc32(" ".join(row).encode()) for row in rows)


def likeness(one: frozenset[int], two: frozenset[int]) -> float:
    """How much of the shorter text stands in the longer one, from nought to one; a fax adds lines of its own."""
    return len(one & two) / min(len(one), len(two)) if one and two else 0.0


_NEARLY_EQUAL = 0.8
_EQUAL = 0.98
"""From the first on, two texts are the same words with other page furniture; from the second on, letter by letter.
Houses write from templates, so without a day only the second is enough. Our own thresholds, no source."""


def same_procedure(one: Summary, two: Summary) -> Compared:
    """Whether two reports of one patient tell of one procedure.

    Nearly the same words: the same. Otherwise the day has to touch, a kind and an access have to be shared, and a
    number has to agree; what agrees without a number, or only but for the side, is for a person to say.
    """
    reasons = []
    words = likeness(one.shingles, two.shingles)
    if words >= _NEARLY_EQUAL:
        reasons.append("words-nearly-the-same")
    apart = None
    if one.happened is not None and two.happened is not None:
        apart = days_apart(one.happened, two.happened)
        reasons.append("same-day" if apart == 0 else "day-beside" if apart == 1 else "another-day")
    if words >= _NEARLY_EQUAL:
        same = words >= _EQUAL if apart is None else apart <= 1
        return Compared(sameness=Sameness.SAME if same else Sameness.PERHAPS, reasons=tuple(reasons))
    if apart is not None and apart > 1:
        return Compared(sameness=Sameness.DIFFERENT, reasons=tuple(reasons))
    if not one.kinds & two.kinds:
        return Compared(sameness=Sameness.DIFFERENT, reasons=(*reasons, "no-kind-in-common"))
    reasons.append("kinds-in-common")
    accesses = _accesses_compared(one, two)
    reasons.append(accesses)
    if accesses == "other-access":
        return Compared(sameness=Sameness.DIFFERENT, reasons=tuple(reasons))
    if one.numbers & two.numbers:
        reasons.append("numbers-agree")
    elif one.numbers and two.numbers:
        reasons.append("no-number-in-common")
    sure = apart == 0 and accesses == "same-access" and "numbers-agree" in reasons
    return Compared(sameness=Sameness.SAME if sure else Sameness.PERHAPS, reasons=tuple(reasons))


def _accesses_compared(one: Summary, two: Summary) -> str:
    if one.accesses & two.accesses and all(kind and side for kind, side in one.accesses & two.accesses):
        return "same-access"
    kinds = [{kind for kind, _ in summary.accesses} for summary in (one, two)]
    if None in kinds[0] | kinds[1] or not kinds[0] or not kinds[1]:
        return "access-not-sure"
    if not kinds[0] & kinds[1]:
        return "other-access"
    sides = [{side for _, side in summary.accesses} for summary in (one, two)]
    if None in sides[0] | sides[1]:
        return "access-not-sure"
    return "other-side"
