"""By what accesses are compared: kind, site, side, who made it and where, who the patient is, when.

A group is a word. What nobody recorded is the group "not recorded", and is printed like any other, so that it can be
seen when a comparison is one of the well documented with the badly documented.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from ledger.errors import WrongInput
from ledger.events import CareBegan, Creation, FollowUpResumed, ModalityChanged, Visit, Words
from ledger.evidence import Quote
from ledger.people import Patient
from ledger.statistics.moments import Life, days_of
from ledger.statistics.spells import Spell
from ledger.vocabulary import words_of

NOT_RECORDED = "not recorded"

WordsOf = Callable[[Words | Quote], str | None]
Labelled = Callable[[Life, Spell], str]


class Known(NamedTuple):
    """What is known beside the entries: the people, and how to read words. Both may be missing."""

    people: Mapping[str, Patient]
    words: WordsOf | None = None


def grouping(by: str, known: Known | None = None) -> Labelled:
    """The function that gives a spell's group. Raises WrongInput for a `by` that is not in `GROUPINGS`.

    Groups by surgeon need `known.words`, by sex and age band `known.people`; without them everybody is "not recorded".
    """
    found = GROUPINGS.get(by)
    if found is None:
        raise WrongInput(problem=f"Nothing can be grouped by {by!r}.", remedy=f"Use one of: {', '.join(GROUPINGS)}.")
    facts = known or Known({})
    return lambda life, spell: found(life, spell, facts)


def _kind(life: Life, spell: Spell, known: Known) -> str:
    return words_of(spell.kind)


def _side(life: Life, spell: Spell, known: Known) -> str:
    return words_of(getattr(_origin(life), "side", None))


def _site(life: Life, spell: Spell, known: Known) -> str:
    origin = _origin(life)
    return words_of(getattr(origin, "site", None) or getattr(origin, "exit_site", None))


def _surgeon(life: Life, spell: Spell, known: Known) -> str:
    operator = getattr(_origin(life), "operator", None)
    if operator is None or known.words is None:
        return NOT_RECORDED
    said = known.words(operator)
    return " ".join(said.split()) if said else "words erased"


def _centre(life: Life, spell: Spell, known: Known) -> str:
    visit = getattr(_origin(life), "visit", None)
    for one in life.visits:
        if isinstance(one, Visit) and one.visit == visit and one.centre is not None:
            return one.centre
    return NOT_RECORDED


def _unit(life: Life, spell: Spell, known: Known) -> str:
    """The unit that cared for the patient on the day on which the spell started."""
    began = spell.longest.start.toordinal()
    unit: str | None = None
    for one in life.care.units:
        fact = one.fact
        if isinstance(fact, CareBegan | ModalityChanged | FollowUpResumed) and fact.unit is not None:
            # The unit that took over later looks after an access that was made before it knew the patient.
            if unit is not None and days_of(fact.happened, life.zone)[0] > began:
                break
            unit = fact.unit
    if unit is None and spell.patient in known.people:
        unit = known.people[spell.patient].unit
    return unit or NOT_RECORDED


def _sex(life: Life, spell: Spell, known: Known) -> str:
    patient = known.people.get(spell.patient)
    return (patient.sex if patient is not None else None) or NOT_RECORDED


BANDS = ((45, "under 45"), (65, "45 to 64"), (75, "65 to 74"), (200, "75 and over"))
"""Age bands: up to but not including the first number."""


def _age_band(life: Life, spell: Spell, known: Known) -> str:
    patient = known.people.get(spell.patient)
    if patient is None or patient.birth_date is None:
        return NOT_RECORDED
    day = spell.longest.start
    found = []
    for born in (patient.birth_date.earliest, patient.birth_date.latest):
        years = day.year - born.year - ((day.month, day.day) < (born.month, born.day))
        found.append(next(words for under, words in BANDS if years < under))
    return found[0] if found[0] == found[1] else f"{found[1]} or {found[0]}"


def _order(life: Life, spell: Spell, known: Known) -> str:
    """First or later among the accesses of the same sort (needled, or catheter) that are recorded of the patient."""
    mine = _first_day(life)
    earlier = [
        other
        for other in life.care.lives.values()
        if other is not life
        and other.kind is not None
        and other.kind.is_needled == spell.kind.is_needled
        and other.origin is not None
        and (_first_day(other), other.access) < (mine, life.access)
    ]
    return "later" if earlier else "first recorded"


def _year(life: Life, spell: Spell, known: Known) -> str:
    first, last = spell.longest.start.year, spell.shortest.start.year
    return str(first) if first == last else f"{first} or {last}"


def _made_by(life: Life, spell: Spell, known: Known) -> str:
    origin = _origin(life)
    return words_of(origin.made_by) if isinstance(origin, Creation) else NOT_RECORDED


def _origin(life: Life) -> object:
    return None if life.origin is None else life.origin.fact


def _first_day(life: Life) -> int:
    origin = life.origin
    if origin is None:
        return 0
    created = getattr(origin.fact, "created", None)
    return days_of(created if created is not None else origin.fact.happened, life.zone)[0]


def group_order(name: str) -> tuple[int, str]:
    """In which order groups are printed: by name, the youngest first, and last those of whom it is not recorded."""
    return (2 if name == NOT_RECORDED else 0 if name == BANDS[0][1] else 1), name


GROUPINGS: dict[str, Callable[[Life, Spell, Known], str]] = {
    "kind": _kind,
    "site": _site,
    "side": _side,
    "surgeon": _surgeon,
    "centre": _centre,
    "unit": _unit,
    "sex": _sex,
    "age": _age_band,
    "order": _order,
    "year": _year,
    "made-by": _made_by,
}
"""What can be compared, by name."""
