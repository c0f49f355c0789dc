"""Which patient a report is about, which of that patient's accesses, and whether it was told before.

Nothing is guessed. A match needs an identifier that nothing contradicts, or name and
birth date together; an identifier that matches while name or birth date disagree is no
match, but a conflict with its name. No match and several wait, with the candidates and
the reasons, for a person.

For an access: kind, side, site, vessels and time against what the ledger knows. Reports
are sometimes about the other arm, so an access that fits in everything but the side is
named as a doubt, never taken. An access that the ledger does not know is proposed.

Functions of values; whoever calls brings patients and history. To compare by one more
trait, add it to `_compared` (patients) or to `_weighed` (accesses), with its sentence.
"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from enum import StrEnum
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

from ledger.chronology import History, InForce
from ledger.dates import PartialDate
from ledger.errors import Doubt
from ledger.events import (
    Abandonment,
    AccessKnown,
    AccessPlanned,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    CatheterTrouble,
    Creation,
    Revision,
    SecondStage,
    TakenUpAgain,
)
from ledger.people import Identifier, Patient
from ledger.vocabulary import AccessKind, Artery, CatheterTroubleKind, Side, Site, Vein

if TYPE_CHECKING:
    from ledger.arrival.values import IdentifierClue, PatientClues
    from ledger.reading.drafting import KnownAccess
    from ledger.reading.proposals import Reading

# --- Patients -----------------------------------------------------------------------------------------------------


class MatchedBy(StrEnum):
    IDENTIFIER = "identifier"
    NAME_AND_BIRTH_DATE = "name-and-birth-date"


class Waiting(StrEnum):
    """Why no patient was taken. The value is what scripts see."""

    NO_CLUES = "no-clues"
    NOBODY = "nobody-fits"
    SEVERAL = "several-fit"
    CONFLICT = "conflict"  # something matches and something disagrees
    NOT_ENOUGH = "not-enough-to-be-sure"  # one fits as far as it goes, and it does not go far enough
    CONTRADICTS_ITSELF = "clues-contradict-each-other"


class Agreement(StrEnum):
    """How one trait of a candidate compares with the clues."""

    SAME = "same"
    FULLER = "fuller"  # one side says more: a further name
    NEAR = "near"  # neither the same nor clearly another: one letter, leading noughts, a bare year, two readings
    OTHER = "other"
    UNKNOWN = "unknown"  # one side is silent


@dataclass(frozen=True, kw_only=True)
class PatientCandidate:
    """A patient who could be meant, and how each trait compares."""

    patient: str
    identifier: Agreement
    name: Agreement
    birth_date: Agreement
    sex: Agreement = Agreement.UNKNOWN
    by_system: bool = False  # the equal number is of a system that both sides name

    @property
    def words(self) -> str:
        """The comparison in one clause, without any name or number."""
        said = {
            Agreement.SAME: "the same",
            Agreement.FULLER: "the same with a further word",
            Agreement.NEAR: "nearly the same",
            Agreement.OTHER: "different",
            Agreement.UNKNOWN: "not to compare",
        }
        return f"number {said[self.identifier]}, name {said[self.name]}, birth date {said[self.birth_date]}" + (
            ", sex different" if self.sex is Agreement.OTHER else ""
        )


@dataclass(frozen=True, kw_only=True)
class PatientMatch:
    """Who is meant, or why nobody was taken.

    Either `patient` and `by` are set, or `waiting` is. `candidates` are in the order of how much agrees.
    `called_alike` names the patients whom a person could take for the matched one, or for the one that is sought.
    """

    patient: str | None = None
    by: MatchedBy | None = None
    waiting: Waiting | None = None
    candidates: tuple[PatientCandidate, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    called_alike: tuple[str, ...] = ()


class Register:
    """Patients, laid out so that one of a hundred thousand is found without looking at each.

    Patients whose identity was erased are left out: nothing of them can agree.
    """

    def __init__(self, patients: Iterable[Patient]) -> None:
        self._by_id: dict[str, Patient] = {}
        self._by_number: dict[str, set[str]] = defaultdict(set)
        self._by_birth: dict[str, set[str]] = defaultdict(set)
        self._by_word: dict[str, set[str]] = defaultdict(set)
        for patient in patients:
            self.put(patient)

    def put(self, patient: Patient) -> None:
        """Adds a patient, or replaces what was known of them."""
        if patient.id in self._by_id:
            self._take_out(self._by_id.pop(patient.id))
        if patient.erased:
            return
        self._by_id[patient.id] = patient
        for index, key in self._keys_of(patient):
            index[key].add(patient.id)

    def _take_out(self, patient: Patient) -> None:
        for index, key in self._keys_of(patient):
            index[key].discard(patient.id)

    def _keys_of(self, patient: Patient) -> Iterator[tuple[dict[str, set[str]], str]]:
        for identifier in patient.identifiers:
            yield self._by_number, number_key(identifier.value).lstrip("0")
        if patient.birth_date is not None:
            yield self._by_birth, str(patient.birth_date)
        for word in name_words(patient.name or ""):
            yield self._by_word, word

    def patient(self, patient_id: str) -> Patient:
        """The patient of this id, who has to be in the register."""
        return self._by_id[patient_id]

    def near(self, clues: PatientClues) -> list[Patient]:
        """Everybody who shares a number, a birth date, or two words of a name with the clues."""
        found: set[str] = set()
        for clue in clues.identifiers:
            found |= self._by_number.get(number_key(clue.value).lstrip("0"), set())
        for birth in clues.birth_dates:
            for reading in birth.readings:
                for known in {str(reading), str(reading)[:7], str(reading)[:4]}:
                    found |= self._by_birth.get(known, set())
        for name in clues.names:
            found |= self._called(name.text)
        return [self._by_id[one] for one in sorted(found)]

    def alike(self, name: str, besides: str | None = None) -> tuple[str, ...]:
        """The ids of patients whose name can be taken for this one, in order."""
        return tuple(
            sorted(
                one
                for one in self._called(name, at_least=1)
                if one != besides and called_alike(name, self._by_id[one].name or "")
            )
        )

    def _called(self, name: str, at_least: int = 2) -> set[str]:
        words = name_words(name)
        count: dict[str, int] = defaultdict(int)
        for word in words:
            for one in self._by_word.get(word, ()):
                count[one] += 1
        needed = min(at_least, len(words))
        return {one for one, shared in count.items() if needed and shared >= needed}


def match_patient(clues: PatientClues, candidates: Iterable[Patient] | Register) -> PatientMatch:
    """The patient whom the clues mean, or why none was taken.

    Identifiers come first. With the system of the number known on both sides, equal numbers match unless name or
    birth date disagree. A bare number also needs a name or a birth date that agrees, since another house may have
    given the same digits to somebody else. Without a number, name and birth date have to agree exactly, and no
    number of the same system may differ. Several who fit, or one who fits and is contradicted, wait.
    """
    register = candidates if isinstance(candidates, Register) else Register(candidates)
    if clues.is_empty:
        return PatientMatch(waiting=Waiting.NO_CLUES)
    compared = sorted((_compared(clues, patient) for patient in register.near(clues)), key=_most_first)
    shown = tuple(one for one in compared if _is_worth_showing(one))
    alike = tuple(dict.fromkeys(other for name in clues.names for other in register.alike(name.text)))
    if any(doubt.code.endswith("-disagree") for doubt in clues.doubts):
        return PatientMatch(
            waiting=Waiting.CONTRADICTS_ITSELF, candidates=shown, doubts=clues.doubts, called_alike=alike
        )

    fitting = [one for one in compared if _fits(one)]
    contested = len([one for one in compared if _contests(one)]) > 1
    if len(fitting) == 1 and not contested:
        taken = fitting[0]
        name = register.patient(taken.patient).name or ""
        others = tuple(one for one in dict.fromkeys((*alike, *register.alike(name))) if one != taken.patient)
        return PatientMatch(
            patient=taken.patient,
            by=MatchedBy.IDENTIFIER if taken.identifier is Agreement.SAME else MatchedBy.NAME_AND_BIRTH_DATE,
            candidates=shown,
            doubts=(*clues.doubts, *_doubts_of(taken, others)),
            called_alike=others,
        )
    if len(fitting) > 1:
        waiting = Waiting.SEVERAL
    elif fitting or any(_is_contradicted(one) for one in shown):
        waiting = Waiting.CONFLICT
    elif any(Agreement.OTHER not in (one.identifier, one.name, one.birth_date) for one in shown):
        waiting = Waiting.NOT_ENOUGH
    else:
        waiting = Waiting.NOBODY
    return PatientMatch(waiting=waiting, candidates=shown, doubts=clues.doubts, called_alike=alike)


def compared(clues: PatientClues, patient: Patient) -> PatientCandidate:
    """How one patient, whoever named them, compares with what a report says; whether or not anything agrees."""
    return _compared(clues, patient)


def _fits(one: PatientCandidate) -> bool:
    if Agreement.OTHER in (one.identifier, one.name, one.birth_date) or one.name is Agreement.NEAR:
        return False
    if one.identifier is Agreement.SAME:
        # A further name, or a birth date that is only known in part, is enough beside an equal number.
        return one.by_system or Agreement.SAME in (one.name, one.birth_date)
    return one.name is Agreement.SAME and one.birth_date is Agreement.SAME


def _contests(one: PatientCandidate) -> bool:
    """Has the same number, or the same name and birth date. Of two such patients none is taken."""
    return one.identifier is Agreement.SAME or (one.name is Agreement.SAME and one.birth_date is Agreement.SAME)


def _is_contradicted(one: PatientCandidate) -> bool:
    """Something that would have been enough to match agrees, and something else disagrees."""
    if one.identifier is Agreement.SAME:
        return Agreement.OTHER in (one.name, one.birth_date) or one.name is Agreement.NEAR
    return one.identifier is Agreement.OTHER and one.name is Agreement.SAME and one.birth_date is Agreement.SAME


def _is_worth_showing(one: PatientCandidate) -> bool:
    if one.identifier in (Agreement.SAME, Agreement.NEAR):
        return True
    if one.name is Agreement.SAME:
        return True
    return one.name in (Agreement.FULLER, Agreement.NEAR) and one.birth_date is not Agreement.OTHER


def _most_first(one: PatientCandidate) -> tuple[int, int, str]:
    weight = {
        Agreement.SAME: 4,
        Agreement.FULLER: 3,
        Agreement.NEAR: 2,
        Agreement.UNKNOWN: 1,
        Agreement.OTHER: 0,
    }
    return (-2 * weight[one.identifier] - weight[one.name] - weight[one.birth_date], -_agreeing(one), one.patient)


def _agreeing(one: PatientCandidate) -> int:
    return (one.identifier, one.name, one.birth_date).count(Agreement.SAME)


def _doubts_of(taken: PatientCandidate, others: tuple[str, ...]) -> Iterator[Doubt]:
    if taken.name is Agreement.FULLER:
        yield Doubt(code="name-fuller", words="One of report and record has a further name that the other has not.")
    if taken.birth_date is Agreement.NEAR:
        yield Doubt(code="birth-date-not-exact", words="The birth date fits the one on record, but does not settle it.")
    if taken.sex is Agreement.OTHER:
        yield Doubt(code="sex-differs", words="The sex in the report differs from the one on record.")
    if others:
        yield Doubt(code="called-alike", words="Another patient is called alike.", about=others)


def _compared(clues: PatientClues, patient: Patient) -> PatientCandidate:
    identifier, by_system = _numbers_compared(clues.identifiers, patient.identifiers)
    return PatientCandidate(
        patient=patient.id,
        identifier=identifier,
        by_system=by_system,
        name=_best(names_compared(name.text, patient.name) for name in clues.names),
        birth_date=_best(_birth_dates_compared(birth.readings, patient.birth_date) for birth in clues.birth_dates),
        sex=_sexes_compared(clues.sex, patient.sex),
    )


def _best(found: Iterable[Agreement]) -> Agreement:
    """The best of several; the order of `Agreement` is from best to worst, silence aside."""
    order = [Agreement.SAME, Agreement.FULLER, Agreement.NEAR, Agreement.OTHER]
    said = [one for one in found if one is not Agreement.UNKNOWN]
    return min(said, key=order.index, default=Agreement.UNKNOWN)


def _numbers_compared(clues: Iterable[IdentifierClue], known: Sequence[Identifier]) -> tuple[Agreement, bool]:
    """How the numbers compare, and whether an equal one is of a system named on both sides.

    SAME: one number is equal, and none of a system named on both sides differs. OTHER: such a one differs, whatever
    else is equal, since two systems would have to be wrong together.
    """
    equal = by_system = near = differs = False
    for clue in clues:
        of_system = [one for one in known if clue.system is not None and one.system == clue.system]
        if of_system:
            same = number_key(clue.value) in {number_key(one.value) for one in of_system}
            by_system, differs = by_system or same, differs or not same
            continue
        for one in known:
            if clue.system is not None and one.system != "local":
                continue  # Equal digits from two houses that are both named say nothing.
            equal = equal or number_key(one.value) == number_key(clue.value)
            near = near or number_key(one.value).lstrip("0") == number_key(clue.value).lstrip("0")
    if differs:
        return Agreement.OTHER, False
    if equal or by_system:
        return Agreement.SAME, by_system
    return (Agreement.NEAR if near else Agreement.UNKNOWN), False


def _birth_dates_compared(readings: Sequence[PartialDate], known: PartialDate | None) -> Agreement:
    if known is None or not readings:
        return Agreement.UNKNOWN
    days = known.earliest, known.latest
    for reading in readings:
        if len(reading) >= 10 and len(known) >= 10 and (reading.earliest, reading.latest) == days:
            # One of two readings agrees: not enough alone, and no disagreement.
            return Agreement.SAME if len(readings) == 1 else Agreement.NEAR
    overlaps = any(reading.earliest <= days[1] and days[0] <= reading.latest for reading in readings)
    return Agreement.NEAR if overlaps else Agreement.OTHER


def _sexes_compared(said: str | None, known: str | None) -> Agreement:
    if said not in ("male", "female") or known not in ("male", "female"):
        return Agreement.UNKNOWN
    return Agreement.SAME if said == known else Agreement.OTHER


# --- Names and numbers --------------------------------------------------------------------------------------------

_TITLES = frozenset(
    (
        "mr",
        "mrs",
        "ms",
        "miss",
        "mx",
        "dr",
        "prof",
        "professor",
        "sir",
        "dame",
        "rev",
        "master",
        "jr",
        "sr",
        "md",
        "phd",
    )
)
_SPELLED_OUT = str.maketrans(
    {"ø": "o", "æ": "ae", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th", "ı": "i", "’": "'", "ʼ": "'"}
)
_UMLAUTS = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "å": "aa", "ø": "oe"})


@lru_cache(maxsize=200_000)
def name_words(name: str) -> frozenset[str]:
    """The words of a name for comparing: no titles, case, accents, apostrophes or order. A hyphen parts words.

    >>> sorted(name_words("Mrs. Zoë O'Hara-VELLACOTT")) == sorted(name_words("O’HARA VELLACOTT, Zoe"))
    True
    """
    return frozenset(_words(name.casefold()))


def _words(lowered: str) -> list[str]:
    bare = unicodedata.normalize("NFKD", lowered.translate(_SPELLED_OUT))
    bare = "".join(sign for sign in bare if not unicodedata.combining(sign)).replace("'", "")
    return [word for word in re.findall(r"[^\W\d_]+", bare) if word not in _TITLES]


def names_compared(said: str, known: str | None) -> Agreement:
    """Whether two names are of one person, as far as letters can tell.

    SAME: the same words in any order, "Müller" and "Mueller" alike, initials that fit ("Maud A."). FULLER: one has
    words that the other has not. NEAR: one letter differs. OTHER: anything else.

    >>> names_compared("VELLACOTT, Maud", "Maud A. Vellacott").value
    'same'
    >>> names_compared("Maud Vellacot", "Maud Vellacott").value
    'near'
    >>> names_compared("Joan Vellacott", "Maud Vellacott").value
    'other'
    """
    if not known:
        return Agreement.UNKNOWN
    pairs = [(one, two) for one in _spellings(said) for two in _spellings(known)]
    if not all(one and two for one, two in pairs):
        return Agreement.UNKNOWN
    if any(_same_words(one, two) for one, two in pairs):
        return Agreement.SAME
    if any(_is_within(one, two) for one, two in pairs):
        return Agreement.FULLER
    if any(_near_words(one, two) for one, two in pairs):
        return Agreement.NEAR
    return Agreement.OTHER


def names_could_be_one(one: str, two: str) -> bool:
    """Whether two writings can be of one person without a spelling mistake: the same, fuller, or with initials.

    >>> names_could_be_one("M. Vellacott", "VELLACOTT, Maud Ann"), names_could_be_one("Maud Quill", "Ivor Quill")
    (True, False)
    """
    return any(
        not all(_initials_matched(*_rest(first, second))) and len(first) > 1 < len(second)
        for first in _spellings(one)
        for second in _spellings(two)
    )


@lru_cache(maxsize=200_000)
def _spellings(name: str) -> tuple[tuple[str, ...], ...]:
    """The words of a name, sorted; a second time with umlauts spelled out, where there are any."""
    lowered = unicodedata.normalize("NFC", name.casefold())
    return tuple(dict.fromkeys((tuple(sorted(_words(lowered))), tuple(sorted(_words(lowered.translate(_UMLAUTS)))))))


def _same_words(one: tuple[str, ...], two: tuple[str, ...]) -> bool:
    """Equal but for initials: each initial stands for a word of the other, or for nothing there."""
    if one == two:
        return True
    left, right = _rest(one, two)
    if len(set(one) & set(two)) < 2:
        # With one shared word the other has to be spelled out: "J Vellacott" may be anybody of that family.
        return False
    left, right = _initials_matched(left, right)
    return all(len(word) == 1 for word in (*left, *right)) and not (left and right)


def _is_within(one: tuple[str, ...], two: tuple[str, ...]) -> bool:
    left, right = _rest(one, two)
    return (not left or not right) and len(set(one) & set(two)) >= 2


def _near_words(one: tuple[str, ...], two: tuple[str, ...]) -> bool:
    left, right = _rest(one, two)
    left, right = _initials_matched(left, right)
    if not left and not right:
        return True
    if len(left) == len(right) == 1 and len(set(one) & set(two)) >= 1:
        return one_letter_apart(left[0], right[0])
    return "".join(one) == "".join(two) or one_letter_apart("".join(one), "".join(two))


def _rest(one: tuple[str, ...], two: tuple[str, ...]) -> tuple[list[str], list[str]]:
    left, right = list(one), list(two)
    for word in one:
        if word in right:
            left.remove(word)
            right.remove(word)
    return left, right


def _initials_matched(left: list[str], right: list[str]) -> tuple[list[str], list[str]]:
    left, right = list(left), list(right)
    for mine, theirs in ((left, right), (right, left)):
        for word in [word for word in mine if len(word) == 1]:
            for other in theirs:
                if other.startswith(word):
                    mine.remove(word)
                    theirs.remove(other)
                    break
    return left, right


def one_letter_apart(one: str, two: str) -> bool:
    """Whether one letter put in, left out, changed, or two neighbours swapped make one word of the other.

    Words of fewer than four letters are too short for that to mean anything.
    """
    if min(len(one), len(two)) < 4 or abs(len(one) - len(two)) > 1:
        return False
    if len(one) > len(two):
        one, two = two, one
    at = next((nth for nth, (first, second) in enumerate(zip(one, two, strict=False)) if first != second), len(one))
    if len(one) < len(two):
        return one[at:] == two[at + 1 :]
    if one[at + 1 :] == two[at + 1 :]:
        return True
    return one[at : at + 2] == two[at : at + 2][::-1] and one[at + 2 :] == two[at + 2 :]


def called_alike(one: str, two: str) -> bool:
    """Whether a person could take one name for the other: the same, nearly, or the same but for a like beginning.

    "Maud Vellacott" and "Maude Vellacot" are; so are "M. Vellacott" and "Maria Vellacott". Used for warnings only.
    """
    if names_compared(one, two) in (Agreement.SAME, Agreement.FULLER, Agreement.NEAR):
        return True
    first, second = name_words(one), name_words(two)
    left, right = sorted(first - second), sorted(second - first)
    if not first & second or not left or not right:
        return False
    return any(
        mine[:3] == theirs[:3]
        or one_letter_apart(mine, theirs)
        or (min(len(mine), len(theirs)) == 1 and mine[0] == theirs[0])
        for mine in left
        for theirs in right
    )


def number_key(value: str) -> str:
    """A patient's number for comparing: blanks, hyphens, dots and slashes taken away, capitals. Noughts stay.

    >>> number_key("k 204-817"), number_key("00044")
    ('K204817', '00044')
    """
    return re.sub(r"[\s./-]", "", value).upper()


# --- Accesses -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class DescribedAccess:
    """An access as a report describes it. None is what it does not say.

    `makes`: the report tells of its making or placing, or that it is planned. `created`: when the report says that it
    was made.
    `catheter_vein` is the vein that a central line lies in; its `side` is that of the vein.
    """

    kind: AccessKind | None = None
    side: Side | None = None
    site: Site | None = None
    inflow: Artery | None = None
    outflow: Vein | None = None
    catheter_vein: Vein | None = None
    created: PartialDate | None = None
    makes: bool = False


_MADE_OR_PLANNED = frozenset({"creation", "catheter-placed", "access-planned"})


def described_in(reading: Reading) -> dict[str, DescribedAccess]:
    """Each access of a reading as it is described there, by its ref. One whose making the reading proposes `makes`."""
    made = {proposal.access for proposal in reading.proposed if proposal.kind in _MADE_OR_PLANNED}
    return {
        one.ref: DescribedAccess(
            kind=one.kind,
            side=one.side,
            site=one.site,
            inflow=one.inflow,
            outflow=one.outflow,
            catheter_vein=one.vein,
            created=one.created,
            makes=one.ref in made,
        )
        for one in reading.accesses
    }


def access_for_drafts(history: History, access: str) -> KnownAccess:
    """What drafting has to know of an access of the ledger: its lesions with their ids, and the catheter that is in."""
    from ledger.reading.drafting import KnownAccess, KnownLesion

    lesions: dict[str, KnownLesion] = {}
    device = None
    for one in history.of_access(access):
        fact = one.fact
        for found in getattr(fact, "lesions", ()):
            known = lesions.get(found.lesion)
            if known is None or (known.place is None and found.place is not None):
                lesions[found.lesion] = KnownLesion(id=found.lesion, place=found.place, side=found.side)
        if isinstance(fact, CatheterPlaced | CatheterExchanged):
            device = fact.device or device
        elif isinstance(fact, CatheterRemoved):
            device = None
    return KnownAccess(id=access, lesions=tuple(lesions.values()), device=device)


@dataclass(frozen=True, kw_only=True)
class RecordedAccess:
    """What a history knows of an access, as far as it tells one from another.

    Sides, sites and vessels are sets, since entries may disagree and revisions change them. `made` is the day of its
    creation or placement, `said_made` what somebody only said, `met` the first day on which the ledger meets it.
    `gone` is when it left the body; `given_up` when it was given up in place.
    """

    id: str
    kinds: frozenset[AccessKind] = frozenset()
    sides: frozenset[Side] = frozenset()
    sites: frozenset[Site] = frozenset()
    inflows: frozenset[Artery] = frozenset()
    outflows: frozenset[Vein] = frozenset()
    veins: frozenset[Vein] = frozenset()
    made: PartialDate | None = None
    said_made: PartialDate | None = None
    met: PartialDate | None = None
    gone: PartialDate | None = None
    given_up: PartialDate | None = None
    only_planned: bool = False


class Trait(StrEnum):
    KIND = "kind"
    SIDE = "side"
    SITE = "site"
    VESSELS = "vessels"
    MADE = "when-made"


class Presence(StrEnum):
    """Whether a known access was in the body on the day of the report."""

    PRESENT = "present"
    GIVEN_UP = "given-up-by-then"
    GONE = "gone-by-then"
    NOT_YET = "not-yet-made"
    PLANNED = "only-planned"
    UNKNOWN = "day-not-known"


@dataclass(frozen=True, kw_only=True)
class AccessCandidate:
    """A known access, and how each trait compares with what the report describes."""

    access: str
    traits: Mapping[Trait, Agreement]
    presence: Presence

    @property
    def against(self) -> tuple[Trait, ...]:
        return tuple(trait for trait, agreement in self.traits.items() if agreement is Agreement.OTHER)

    @property
    def words(self) -> str:
        """The comparison in one clause: "kind same, side other; gone by then"."""
        said = ", ".join(
            f"{trait.value.replace('-', ' ')} {agreement.value}" for trait, agreement in self.traits.items()
        )
        return f"{said}; {self.presence.value.replace('-', ' ')}"


class AccessVerdict(StrEnum):
    KNOWN = "known"
    NEW = "new"  # the ledger does not know it: propose access-known, or its creation
    ASK = "ask"


@dataclass(frozen=True, kw_only=True)
class AccessMatch:
    """Which access is meant. `access` is set when and only when the verdict is KNOWN.

    `plain` is False when a person has to look at this match before anything is taken in bulk: a side that was not
    said, a kind that nearly fits, any doubt.
    """

    verdict: AccessVerdict
    access: str | None = None
    candidates: tuple[AccessCandidate, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    plain: bool = False


def recorded_accesses(history: History) -> tuple[RecordedAccess, ...]:
    """What the effective history knows of each access, in clinical order."""
    return tuple(_known(access, history.of_access(access)) for access in history.accesses)


def _known(access: str, facts: Sequence[InForce]) -> RecordedAccess:
    known = RecordedAccess(id=access, met=facts[0].happened if facts else None, only_planned=True)
    for one in facts:
        fact = one.fact
        if not isinstance(fact, AccessPlanned):
            known = replace(known, only_planned=False)
        match fact:
            case AccessPlanned():
                known = _with(known, fact.access_kind, fact.side, fact.site, fact.inflow, fact.outflow)
            case AccessKnown():
                known = _with(
                    known, fact.access_kind, fact.side, fact.site, fact.inflow, fact.outflow, fact.catheter_vein
                )
                known = replace(known, said_made=known.said_made or fact.created)
            case Creation():
                known = _with(known, fact.access_kind, fact.side, fact.site, fact.inflow, fact.outflow)
                known = replace(known, made=known.made or fact.happened)
            case CatheterPlaced():
                known = _with(known, fact.access_kind, fact.side, fact.exit_site, vein=fact.vein)
                known = replace(known, made=known.made or fact.happened)
            case CatheterExchanged():
                known = _with(known, fact.to_kind, fact.side, vein=fact.vein)
            case SecondStage():
                known = _with(known, outflow=fact.outflow)
            case Revision():
                known = _with(known, inflow=fact.inflow, outflow=fact.outflow)
            case CatheterRemoved() | CatheterTrouble(what=CatheterTroubleKind.FELL_OUT):
                known = replace(known, gone=fact.happened)
            case Abandonment(how=how):
                # A ligated access is still in the body, yet nobody treats it: for matching it is gone.
                known = (
                    replace(known, given_up=fact.happened) if how == "given-up" else replace(known, gone=fact.happened)
                )
            case TakenUpAgain():
                known = replace(known, given_up=None)
            case _:
                pass
    return known


def _with(
    known: RecordedAccess,
    kind: AccessKind | None = None,
    side: Side | None = None,
    site: Site | None = None,
    inflow: Artery | None = None,
    outflow: Vein | None = None,
    vein: Vein | None = None,
) -> RecordedAccess:
    return replace(
        known,
        kinds=_with_one(known.kinds, kind),
        sides=_with_one(known.sides, side),
        sites=_with_one(known.sites, site),
        inflows=_with_one(known.inflows, inflow),
        outflows=_with_one(known.outflows, outflow),
        veins=_with_one(known.veins, vein),
    )


_T = TypeVar("_T")


def _with_one(known: frozenset[_T], one: _T | None) -> frozenset[_T]:
    return known if one is None else known | {one}


def match_access(
    described: DescribedAccess, known: Iterable[RecordedAccess] | History, on_day: PartialDate | None
) -> AccessMatch:
    """Which of a patient's accesses a report describes.

    Known: exactly one that was in the body fits in kind, and in side if both say one. New: none is like it. Ask:
    several fit; or one fits in all but the side, the kind, or the time; or the report says too little. Whatever is
    not plain has a doubt that says why.
    """
    accesses = recorded_accesses(known) if isinstance(known, History) else tuple(known)
    compared = tuple(_weighed(described, one, on_day) for one in accesses)
    if described.makes:
        return _match_made(described, accesses, compared, on_day)
    return _match_met(described, compared)


def _match_met(described: DescribedAccess, compared: tuple[AccessCandidate, ...]) -> AccessMatch:
    if described.kind is None and described.side is None:
        doubt = Doubt(code="access-not-described", words="The report does not say which access it is about.")
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=(doubt,))
    fitting = [one for one in compared if _access_fits(one)]
    present = [one for one in fitting if one.presence in (Presence.PRESENT, Presence.UNKNOWN)]
    chosen = present or [one for one in fitting if one.presence is Presence.GIVEN_UP]
    other_arm = [one for one in compared if one.against == (Trait.SIDE,) and one.presence is Presence.PRESENT]

    if len(chosen) == 1 and (present or not other_arm):
        only = chosen[0]
        doubts = tuple(_access_doubts(only, [one for one in fitting if one is not only]))
        if described.kind is None or (only.traits[Trait.KIND] is Agreement.UNKNOWN and described.side is None):
            doubt = Doubt(
                code="access-kind-not-said",
                words="The report does not say what kind of access it is about; one fits otherwise.",
                access=only.access,
            )
            return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=(doubt, *doubts))
        return AccessMatch(
            verdict=AccessVerdict.KNOWN, access=only.access, candidates=compared, doubts=doubts, plain=not doubts
        )
    if len(chosen) > 1:
        doubt = Doubt(code="several-accesses-fit", words="More than one access of this patient fits the description.")
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=(doubt,))

    doubts = tuple(_near_misses(described, compared))
    asks = [doubt for doubt in doubts if doubt.code not in _STILL_NEW]
    if described.kind is None:
        doubts += (
            Doubt(code="access-kind-not-said", words="The report does not say what kind of access it is about."),
        )
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=doubts)
    if asks:
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=doubts)
    return AccessMatch(verdict=AccessVerdict.NEW, candidates=compared, doubts=doubts)


def _match_made(
    described: DescribedAccess,
    accesses: tuple[RecordedAccess, ...],
    compared: tuple[AccessCandidate, ...],
    on_day: PartialDate | None,
) -> AccessMatch:
    """The report tells of the making: told before, planned before, met before without its making, or new."""
    same_day, planned, met_before, doubts = [], [], [], []
    for known, one in zip(accesses, compared, strict=True):
        fits = not set(one.against) - {Trait.MADE} and one.traits[Trait.KIND] in (Agreement.SAME, Agreement.NEAR)
        beside_side = set(one.against) <= {Trait.SIDE, Trait.MADE} and one.traits[Trait.KIND] is Agreement.SAME
        if known.made is not None and on_day is not None and _apart(known.made, on_day) <= 1:
            if fits:
                same_day.append(one)
            elif beside_side:
                doubts.append(_side_conflict(one))
        elif known.only_planned and fits:
            planned.append(one)
        elif known.only_planned and beside_side:
            doubts.append(_side_conflict(one))
        elif known.made is None and not known.only_planned and fits and on_day is not None:
            said = known.said_made
            if (said is not None and _overlap(said, on_day)) or (
                said is None and known.met is not None and known.met.latest >= on_day.earliest
            ):
                met_before.append(one)
    for candidates, code, words in (
        (same_day, "made-on-the-same-day", "The ledger already has the making of this access on that day."),
        (planned, "", ""),
        (met_before, "met-before-its-making", "The ledger met this access before anybody reported its making."),
    ):
        if len(candidates) == 1 and not doubts:
            only = candidates[0]
            found = [Doubt(code=code, words=words, access=only.access)] if code else []
            found += _access_doubts(only, [])
            return AccessMatch(
                verdict=AccessVerdict.KNOWN,
                access=only.access,
                candidates=compared,
                doubts=tuple(found),
                plain=not found,
            )
        if len(candidates) > 1:
            doubts.append(
                Doubt(code="several-accesses-fit", words="More than one access of this patient fits the description.")
            )
        if candidates:
            break
    if doubts:
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=tuple(doubts))
    alike = [one for one in compared if _access_fits(one) and one.presence in (Presence.PRESENT, Presence.UNKNOWN)]
    if alike and described.kind is not None:
        doubt = Doubt(
            code="another-like-it",
            words="The patient already has an access of this kind and place; the report tells of the making of one.",
            access=alike[0].access,
        )
        verdict = AccessVerdict.ASK if on_day is None else AccessVerdict.NEW
        return AccessMatch(verdict=verdict, candidates=compared, doubts=(doubt,))
    if described.kind is None:
        doubt = Doubt(code="access-kind-not-said", words="The report does not say what kind of access was made.")
        return AccessMatch(verdict=AccessVerdict.ASK, candidates=compared, doubts=(doubt,))
    return AccessMatch(verdict=AccessVerdict.NEW, candidates=compared, plain=described.side is not None)


_STILL_NEW = frozenset({"like-one-that-was-gone", "like-one-made-later", "another-place"})
"""Doubts about an access that is like the one described, which still leave the described one a new one."""


def _access_fits(one: AccessCandidate) -> bool:
    """Nothing speaks against it but the time, and kind or side speaks for it."""
    kind, side = one.traits[Trait.KIND], one.traits[Trait.SIDE]
    return not one.against and kind is not Agreement.NEAR and Agreement.SAME in (kind, side)


def _access_doubts(only: AccessCandidate, others: Sequence[AccessCandidate]) -> Iterator[Doubt]:
    said = (
        (Trait.SIDE, Agreement.UNKNOWN, "side-not-said", "The side is not said, in the report or on record."),
        (Trait.SIDE, Agreement.NEAR, "side-unsettled", "The side of this access is unsettled on record."),
        (Trait.KIND, Agreement.UNKNOWN, "kind-not-on-record", "What kind of access this is, is not on record."),
        (Trait.KIND, Agreement.NEAR, "kind-differs", "The report calls the access another kind than the record does."),
    )
    for trait, agreement, code, words in said:
        if only.traits[trait] is agreement:
            yield Doubt(code=code, words=words, access=only.access)
    if only.presence is Presence.UNKNOWN:
        words = "The day is not known, so neither is what was in the body then."
        yield Doubt(code="day-not-known", words=words, access=only.access)
    if only.presence is Presence.GIVEN_UP:
        yield Doubt(code="given-up-by-then", words="This access had been given up by that day.", access=only.access)
    if others:
        yield Doubt(
            code="another-not-excluded",
            words="Another access fits as well, but had been given up, removed or not yet made by that day.",
            access=others[0].access,
        )


def _near_misses(described: DescribedAccess, compared: Sequence[AccessCandidate]) -> Iterator[Doubt]:
    """The accesses that fit but for one thing, each with its doubt."""
    for one in compared:
        alive = one.presence in (Presence.PRESENT, Presence.UNKNOWN, Presence.GIVEN_UP)
        kind = one.traits[Trait.KIND]
        if one.against == (Trait.SIDE,) and kind is Agreement.SAME and alive:
            yield _side_conflict(one)
        elif one.against == (Trait.MADE,) and kind is Agreement.SAME and alive:
            yield Doubt(
                code="made-at-another-time",
                words="An access fits, but the record has its making at another time than the report says.",
                access=one.access,
            )
        elif not one.against and kind is Agreement.NEAR and alive:
            yield Doubt(
                code="kind-differs",
                words="An access fits, but the report calls it another kind than the record does.",
                access=one.access,
            )
        elif _access_fits(one) and one.presence is Presence.GONE:
            # Catheters come and go in the same vein; a fistula that was ligated does not come back.
            line = described.kind is not None and described.kind.is_catheter
            yield Doubt(
                code="like-one-that-was-gone" if line else "gone-by-then",
                words="An access like this one had left the body, or was tied off, by that day.",
                access=one.access,
            )
        elif _access_fits(one) and one.presence is Presence.NOT_YET:
            line = described.kind is not None and described.kind.is_catheter
            yield Doubt(
                code="like-one-made-later" if line else "not-yet-made",
                words="An access like this one was made only after that day.",
                access=one.access,
            )
        elif _access_fits(one) and one.presence is Presence.PLANNED:
            yield Doubt(
                code="only-planned",
                words="An access like this one is on record as planned; nothing says that it was made.",
                access=one.access,
            )
        elif one.against == (Trait.VESSELS,) and one.traits[Trait.SIDE] is kind is Agreement.SAME and alive:
            yield Doubt(
                code="vessels-differ",
                words="An access of this kind on this side is on record with other vessels.",
                access=one.access,
            )
        elif Trait.SITE in one.against and one.traits[Trait.SIDE] is kind is Agreement.SAME and alive:
            yield Doubt(
                code="another-place",
                words="An access of this kind on this side is on record at another place.",
                access=one.access,
            )


def _side_conflict(one: AccessCandidate) -> Doubt:
    return Doubt(
        code="side-conflict",
        words="An access like this one is on record on the other side; reports are sometimes about the other arm.",
        access=one.access,
    )


# --- How a described access compares with a known one ---------------------------------------------------------------


def _weighed(described: DescribedAccess, known: RecordedAccess, on_day: PartialDate | None) -> AccessCandidate:
    line = described.kind is not None and described.kind.is_catheter
    traits = {
        Trait.KIND: _kinds_compared(described.kind, known.kinds),
        Trait.SIDE: _sides_compared(described.side, known.sides),
        Trait.SITE: _sites_compared(described, known, line),
        Trait.VESSELS: _vessels_compared(described, known),
        Trait.MADE: _making_compared(described.created, known.made or known.said_made),
    }
    return AccessCandidate(access=known.id, traits=traits, presence=_presence(known, on_day))


_LIKE_KINDS = (
    # Reports call a graft a "fistula graft" or a shunt, and a line is tunnelled on the day on which it is exchanged.
    frozenset({AccessKind.FISTULA, AccessKind.GRAFT, AccessKind.HYBRID}),
    frozenset({AccessKind.TUNNELLED, AccessKind.NONTUNNELLED}),
)


def _kinds_compared(said: AccessKind | None, known: frozenset[AccessKind]) -> Agreement:
    if said is None or not known:
        return Agreement.UNKNOWN
    if said in known:
        return Agreement.SAME
    return Agreement.NEAR if any(said in like and known & like for like in _LIKE_KINDS) else Agreement.OTHER


def _sides_compared(said: Side | None, known: frozenset[Side]) -> Agreement:
    if said is None or not known:
        return Agreement.UNKNOWN
    if len(known) > 1:
        return Agreement.NEAR  # entries disagree about the side, and nobody has settled it yet
    return Agreement.SAME if said in known else Agreement.OTHER


_NEIGHBOURS = (
    frozenset({Site.SNUFFBOX, Site.WRIST, Site.FOREARM}),
    frozenset({Site.FOREARM, Site.ELBOW}),  # a loop from the elbow lies in the forearm
    frozenset({Site.ELBOW, Site.UPPER_ARM}),
    frozenset({Site.UPPER_ARM, Site.AXILLA}),
    frozenset({Site.NECK, Site.CHEST}),
    frozenset({Site.CHEST, Site.AXILLA}),
    frozenset({Site.GROIN, Site.THIGH}),
    frozenset({Site.ABDOMEN, Site.FLANK}),
)


def _sites_compared(described: DescribedAccess, known: RecordedAccess, line: bool) -> Agreement:
    said = frozenset({described.site}) if described.site else _implied_sites(described.inflow, described.outflow)
    there = known.sites or _implied_sites_of(known)
    if not said or not there:
        return Agreement.UNKNOWN
    if said & there:
        return Agreement.SAME
    if line or any(one & said and one & there for one in _NEIGHBOURS):
        return Agreement.NEAR  # Where a line leaves the skin is told loosely; its vein tells it apart.
    return Agreement.OTHER


def _implied_sites(inflow: Artery | None, outflow: Vein | None) -> frozenset[Site]:
    """Where an access must lie by its vessels: nothing is said where they leave room."""
    if inflow in (Artery.RADIAL, Artery.ULNAR):
        return frozenset({Site.SNUFFBOX, Site.WRIST, Site.FOREARM})
    if inflow is Artery.BRACHIAL and outflow in (Vein.CEPHALIC, Vein.BASILIC, Vein.BRACHIAL, Vein.AXILLARY):
        return frozenset({Site.ELBOW, Site.UPPER_ARM})
    if inflow in (Artery.FEMORAL, Artery.POPLITEAL):
        return frozenset({Site.GROIN, Site.THIGH})
    return frozenset()


def _implied_sites_of(known: RecordedAccess) -> frozenset[Site]:
    found: frozenset[Site] = frozenset()
    for inflow in known.inflows:
        for outflow in known.outflows or (None,):
            found |= _implied_sites(inflow, outflow)
    return found


_LIKE_ARTERIES = (
    frozenset({Artery.RADIAL, Artery.PROXIMAL_RADIAL}),
    frozenset({Artery.PROXIMAL_RADIAL, Artery.BRACHIAL}),
    frozenset({Artery.PROXIMAL_RADIAL, Artery.ULNAR}),
    frozenset({Artery.BRACHIAL, Artery.AXILLARY}),
)
_LIKE_VEINS = (
    frozenset({Vein.MEDIAN_CUBITAL, Vein.PERFORATING, Vein.CEPHALIC}),
    frozenset({Vein.MEDIAN_CUBITAL, Vein.PERFORATING, Vein.BASILIC}),
    frozenset({Vein.BASILIC, Vein.BRACHIAL, Vein.AXILLARY}),
    frozenset({Vein.FEMORAL, Vein.SAPHENOUS}),
    frozenset({Vein.INTERNAL_JUGULAR, Vein.EXTERNAL_JUGULAR, Vein.BRACHIOCEPHALIC}),
    frozenset({Vein.FEMORAL, Vein.ILIAC}),
)


def _vessels_compared(described: DescribedAccess, known: RecordedAccess) -> Agreement:
    found = [
        _of_set(described.inflow, known.inflows, _LIKE_ARTERIES),
        _of_set(described.outflow, known.outflows, _LIKE_VEINS),
        _of_set(described.catheter_vein, known.veins, _LIKE_VEINS),
    ]
    for worst in (Agreement.OTHER, Agreement.NEAR, Agreement.SAME):
        if worst in found:
            return worst
    return Agreement.UNKNOWN


def _of_set(said: Any, known: frozenset[Any], like: Sequence[frozenset[Any]]) -> Agreement:
    if said is None or not known:
        return Agreement.UNKNOWN
    if said in known:
        return Agreement.SAME
    return Agreement.NEAR if any(said in group and known & group for group in like) else Agreement.OTHER


def _making_compared(said: PartialDate | None, known: PartialDate | None) -> Agreement:
    if said is None or known is None:
        return Agreement.UNKNOWN
    if _overlap(said, known):
        return Agreement.SAME
    # People remember the year of an operation, and often the one beside it.
    return Agreement.NEAR if _apart(said, known) <= 366 else Agreement.OTHER


def _presence(known: RecordedAccess, on_day: PartialDate | None) -> Presence:
    if known.only_planned:
        return Presence.PLANNED
    if on_day is None:
        return Presence.UNKNOWN
    if known.gone is not None and known.gone.latest < on_day.earliest:
        return Presence.GONE
    made = known.made or known.said_made
    if made is not None and made.earliest > on_day.latest:
        return Presence.NOT_YET
    if known.given_up is not None and known.given_up.latest < on_day.earliest:
        return Presence.GIVEN_UP
    return Presence.PRESENT


def _overlap(one: PartialDate, two: PartialDate) -> bool:
    return one.earliest <= two.latest and two.earliest <= one.latest


def _apart(one: PartialDate, two: PartialDate) -> int:
    """Days between the nearest readings of two dates; nought when they overlap."""
    if _overlap(one, two):
        return 0
    return ((two.earliest - one.latest) if one.latest < two.earliest else (one.earliest - two.latest)) // timedelta(
        days=1
    )
