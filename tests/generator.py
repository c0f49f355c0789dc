"""Units as they happen: a seeded generator of patients, their accesses and what is recorded of them.

Everybody in it is invented. `generate_unit(seed)` gives a unit of 150 patients over five
years; the same seed gives the same unit. Its people start with a catheter, get fistulas
and grafts that mature or do not, are needled, looked at, measured, sent to the access
centre and treated; accesses clot, are infected and given up; people are transplanted,
move away and die. Entries come late, are corrected and retracted; some reports are about
the other arm; some patients have two records.

What is told is admissible: whoever appends it in the order of recording is refused
nothing. A few things are odd on purpose (`Told.odd`), and doubts are expected for them,
for reports about the other arm until they are corrected, and for what comes late.

The rates are of the right order and no more: this is for looking at commands and for
measuring time, not for drawing conclusions about people.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from random import Random
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from ledger.chronology import History
from ledger.dates import PartialDate, instant_text
from ledger.entries import Draft, Entry, Signature, entry_id_of, event_to_dict
from ledger.events import (
    Abandonment,
    AccessesAreOne,
    AccessKnown,
    AccessPlanned,
    AccessUsed,
    Angiogram,
    Angioplasty,
    AntimicrobialCourse,
    Appointment,
    Background,
    BackgroundItem,
    Balloon,
    Banding,
    CannulationSession,
    CareBegan,
    CatheterExchanged,
    CatheterPlaced,
    CatheterRemoved,
    CatheterTrouble,
    Complication,
    Correction,
    Creation,
    Culture,
    Decision,
    Event,
    Examination,
    FirstCannulation,
    FirstSeenHere,
    FollowUpEnded,
    FollowUpResumed,
    HospitalStay,
    Imaging,
    Infection,
    Instruction,
    LesionFound,
    LesionTreated,
    LifePlanReviewed,
    MappedVessel,
    MaturityAssessed,
    Measurement,
    ModalityChanged,
    OtherInterventionDone,
    PatientsAreOne,
    Referral,
    Retraction,
    Revision,
    SecondStage,
    SetAside,
    Stent,
    StentPlaced,
    SuitableFor,
    TakenUpAgain,
    Thrombectomy,
    Thrombosis,
    VeinMapping,
    Visit,
    VisitComplication,
    access_of,
)
from ledger.measured import Measured
from ledger.people import Centre, Identifier, Patient, Person, Unit
from ledger.store.who import patient_id
from ledger.vocabulary import (
    AbandonmentHow,
    AbandonmentReason,
    AccessKind,
    Allergen,
    AppointmentState,
    ArmSegment,
    Artery,
    BackgroundWhat,
    BandingMethod,
    Bruit,
    CatheterFate,
    CatheterReason,
    CatheterTroubleKind,
    CentralVeins,
    ClotExtent,
    ComplicationKind,
    Configuration,
    ConfirmedHow,
    Contrast,
    CourseReason,
    DecisionWhat,
    EndOfFollowUp,
    ExchangeForm,
    Finding,
    GraftMaterial,
    HandState,
    ImagingModality,
    InfectionClass,
    InstructionWhat,
    KnownBy,
    LesionPlace,
    Limb,
    MadeBy,
    MaturityVerdict,
    MeasurementMethod,
    Modality,
    NeedleTechnique,
    NeedleTrouble,
    Organism,
    OtherIntervention,
    Outcome,
    Pulse,
    ReminderLine,
    RevisionMethod,
    Scale,
    SecondStageForm,
    Sedation,
    Side,
    Site,
    SkinState,
    Specimen,
    Stage,
    Thrill,
    ThrombectomyMethod,
    TipPlace,
    TreatmentOutcome,
    Urgency,
    Use,
    Vein,
)

ORGANISATION = UUID("3c1b5a86-2b0f-5a53-9d3c-6f2a7f0b9e44")
ZONE = ZoneInfo("America/Halifax")
END = date(2026, 11, 20)
"""The last day of which anything is told."""

UNITS = (
    Unit(id="north-quay", name="North Quay Dialysis Unit", zone=ZONE.key, invented=True),
    Unit(id="mill-street", name="Mill Street Dialysis Unit", zone=ZONE.key, invented=True),
)
CENTRES = (
    Centre(id="larch-row", name="Larch Row Access Centre", invented=True),
    Centre(id="st-orla", name="St Orla's Hospital", invented=True),
)
PERSONS = (
    Person(id="liaison", name="Petra Invented-Liaison", role="access-centre liaison", invented=True),
    Person(id="nurse-a", name="Amin Invented-Nurse", role="unit nurse", invented=True),
    Person(id="nurse-b", name="Bryony Invented-Nurse", role="unit nurse", invented=True),
    Person(id="practitioner", name="Cato Invented-Practitioner", role="nurse practitioner", invented=True),
    Person(id="import", name="Machine data", role="import", invented=True),
)
SYSTEM = "https://north-quay.example/mrn"
OTHER_SYSTEM = "https://st-orla.example/patient"


@dataclass(frozen=True, kw_only=True)
class Told:
    """One entry of the story, in the order of recording.

    Ids of other entries stand in the event as `@label`; `drafts_of` and `line_of` put ids or labels in their place.
    `corrects` and `retracts` name a label. `odd` says that a doubt is expected.
    """

    patient: str
    recorded_at: str
    by: str
    event: Event
    source: str
    ordinal: int = 1
    how: ConfirmedHow = ConfirmedHow.CLAIMED
    label: str | None = None
    corrects: str | None = None
    retracts: str | None = None
    odd: bool = False


@dataclass(frozen=True, kw_only=True)
class Life:
    """A patient, what is told of them, and a second record of the same person where there is one."""

    patient: Patient
    told: tuple[Told, ...]
    also: tuple[Patient, ...] = ()


@dataclass(frozen=True, kw_only=True)
class GeneratedUnit:
    """A whole unit. `told` is in the order of recording over all patients."""

    seed: int
    patients: tuple[Patient, ...]
    told: tuple[Told, ...]
    units: tuple[Unit, ...] = UNITS
    centres: tuple[Centre, ...] = CENTRES
    persons: tuple[Person, ...] = PERSONS


@dataclass(frozen=True, kw_only=True)
class Rates:
    """How often what people do goes wrong. Shares of the entries, of the procedures, of the patients."""

    corrections: float = 0.10
    late: float = 0.05
    wrong_arm: float = 0.02
    merged: float = 0.01
    sessions_a_month: int = 1


def generate_unit(
    seed: int,
    patients: int = 150,
    years: float = 5,
    corrections: float = 0.10,
    late: float = 0.05,
    wrong_arm: float = 0.02,
    merged: float = 0.01,
    sessions_a_month: int = 1,
) -> GeneratedUnit:
    """A unit of so many patients. `sessions_a_month` may go up to thirteen, as many as there are."""
    rates = Rates(
        corrections=corrections, late=late, wrong_arm=wrong_arm, merged=merged, sessions_a_month=sessions_a_month
    )
    lives = list(lives_of(seed, patients, years, rates))
    told = [one for life in lives for one in life.told]
    told.sort(key=lambda one: one.recorded_at)  # stable, so each patient's order stays
    return GeneratedUnit(
        seed=seed,
        patients=tuple(patient for life in lives for patient in (life.patient, *life.also)),
        told=tuple(told),
    )


def lives_of(seed: int, patients: int, years: float = 5, rates: Rates | None = None) -> Iterator[Life]:
    """One life after the other, for whoever wants more patients than fit in memory.

    A patient's life depends on the seed and on their number alone, not on how many patients there are, except for the
    id of a second record, which comes after all others.
    """
    rates = rates or Rates()
    seconds = 0
    for number in range(1, patients + 1):
        chance = Random(f"{seed}|{number}")
        has_second = chance.random() < rates.merged
        seconds += has_second
        yield _Living(seed, number, years, rates, chance, patients + seconds if has_second else None).live()


def drafts_of(told: Iterable[Told], organisation: UUID = ORGANISATION) -> Iterator[tuple[str, str, Draft, Signature]]:
    """What is told as drafts: when it is recorded, of which patient, the draft, and by whom.

    `told` has to begin at the beginning of each patient that it holds, since ids of earlier entries are needed.
    """
    ids: dict[str, str] = {}
    roots: dict[str, str] = {}
    for one in told:
        event = _with_ids(one, lambda label: ids[label], roots)
        draft = Draft(event=event, source=one.source, ordinal=one.ordinal)
        if one.label is not None:
            ids[one.label] = entry_id_of(organisation, one.patient, draft)
            roots[one.label] = event.root if isinstance(event, Correction) else ids[one.label]
        yield one.recorded_at, one.patient, draft, Signature(person=one.by, how=one.how)


def histories_of(unit: GeneratedUnit, organisation: UUID = ORGANISATION) -> dict[str, History]:
    """The history of every patient as a store would give it, without a store. Entries carry no doubts of admission."""
    entries: dict[str, list[Entry]] = {patient.id: [] for patient in unit.patients}
    versions: Counter[tuple[str, bool]] = Counter()
    for recorded_at, patient, draft, signature in drafts_of(unit.told, organisation):
        session = isinstance(draft.event, CannulationSession) or (
            isinstance(draft.event, Correction) and isinstance(draft.event.to, CannulationSession)
        )
        versions[patient, session] += 1
        entries[patient].append(
            Entry(
                id=entry_id_of(organisation, patient, draft),
                event=draft.event,
                version=versions[patient, session],
                recorded_at=recorded_at,
                recorded_by=signature,
                source=draft.source,
                session=session,
            )
        )
    found = {}
    for patient, held in entries.items():
        held.sort(key=lambda entry: (entry.session, entry.version))
        merged = tuple(
            (entry.event.other, tuple(sorted(entries[entry.event.other], key=lambda one: (one.session, one.version))))
            for entry in held
            if isinstance(entry.event, PatientsAreOne)
        )
        found[patient] = History(patient=patient, zone=ZONE, entries=tuple(held), merged=merged)
    return found


def line_of(one: Told, *, story: bool = False) -> dict[str, Any]:
    """What is told as a line of `entries load`; with `story`, also who recorded it and when."""
    event = event_to_dict(one.event)
    line: dict[str, Any] = {"patient": one.patient, "event": event, "source": one.source}
    if one.ordinal != 1:
        line["ordinal"] = one.ordinal
    if one.label is not None:
        line["label"] = one.label
    if one.corrects is not None:
        line["corrects"] = one.corrects
        del event["corrects"], event["root"]
    if one.retracts is not None:
        line["retracts"] = one.retracts
        del event["retracts"]
    if story:
        line |= {"recorded_at": one.recorded_at, "by": one.by, "how": one.how.value}
    return line


def people_of(patients: Iterable[Patient]) -> dict[str, Any]:
    """Units, centres, persons and patients as plain JSON, in the form of the demo's `people.json`."""
    return {
        "about": "Generated. Nobody and nothing in here exists.",
        "zone": ZONE.key,
        "units": [{"id": one.id, "name": one.name, "zone": one.zone} for one in UNITS],
        "centres": [{"id": one.id, "name": one.name} for one in CENTRES],
        "persons": [{"id": one.id, "name": one.name, "role": one.role} for one in PERSONS],
        "patients": [patient_line(one) for one in patients],
    }


def patient_line(patient: Patient) -> dict[str, Any]:
    """One patient as plain JSON."""
    line = {
        "id": patient.id,
        "name": patient.name,
        "birth_date": patient.birth_date,
        "sex": patient.sex,
        "identifiers": [{"system": one.system, "value": one.value} for one in patient.identifiers],
        "unit": patient.unit,
        "shift": patient.shift,
    }
    return {name: value for name, value in line.items() if value is not None}


# --- One life -----------------------------------------------------------------------------------------------------

_GIVEN = ("Alda", "Bron", "Cleo", "Dara", "Edda", "Finn", "Gwil", "Hesper", "Idony", "Jory", "Kester", "Lowen", "Maren")
_FAMILY = ("Ashgrove", "Brindle", "Carrow", "Dunmarsh", "Elverson", "Fallowby", "Greystoke", "Hexley", "Inglemoor")
_SECOND = ("Quill", "Rook", "Sedge", "Thorne", "Umber", "Vane", "Wren", "Yarrow", "Zephyr", "Oake", "Pell")

_CARE = ("mwf-morning", "mwf-afternoon", "tts-morning", "tts-afternoon")

_MAY_BE_LATE = frozenset({"examination", "measurement", "access-used", "culture", "imaging", "hospital-stay"})
"""Kinds on which nothing else hangs: whenever they come, what was recorded before them stays admissible."""


@dataclass
class _Event:
    """An entry in the making: the event, and when and by whom it will be recorded."""

    event: Any
    recorded: datetime
    by: str
    source: str
    label: str
    how: ConfirmedHow = ConfirmedHow.CLAIMED
    corrects: str | None = None
    retracts: str | None = None
    odd: bool = False
    order: int = 0


@dataclass
class _Needled:
    """A fistula or graft on its way."""

    id: str
    kind: AccessKind
    side: Side
    site: Site
    outflow: Vein
    made: date
    flow: int
    usable: date | None = None
    lesions: dict[LesionPlace, str] = field(default_factory=dict)


@dataclass
class _Catheter:
    id: str
    kind: AccessKind
    side: Side
    placed: date
    device: str


class _Living:
    def __init__(self, seed: int, number: int, years: float, rates: Rates, chance: Random, second: int | None) -> None:
        self.chance = chance
        self.rates = rates
        self.id = patient_id(number)
        self.number = number
        self.second = second
        self.start = END - timedelta(days=int(years * 365.25))
        self.made: list[_Event] = []
        self.others: list[Told] = []
        self.count: Counter[str] = Counter()
        self.labels = 0
        self.nurse = chance.choice(("nurse-a", "nurse-b"))
        self.tries = 0
        self.dominant = Side.RIGHT if chance.random() < 0.88 else Side.LEFT
        self.unit = chance.choice(UNITS).id
        self.shift = chance.choice(_CARE)
        self.end = END
        self.line: _Catheter | None = None
        self.line_out = date.min
        self.lines_had: set[Side] = set()

    # --- Chances --------------------------------------------------------------------------------------------------

    def happens(self, share: float) -> bool:
        return self.chance.random() < share

    def wait(self, mean_days: float) -> int:
        """Days until something that comes at a steady rate."""
        return max(1, int(-math.log(1 - self.chance.random()) * mean_days))

    def between(self, low: int, high: int) -> int:
        return self.chance.randint(low, high)

    def new(self, what: str) -> str:
        self.count[what] += 1
        return f"{self.id}-{what}{self.count[what]}"

    # --- Telling --------------------------------------------------------------------------------------------------

    def tell(
        self,
        event: Any,
        *,
        by: str | None = None,
        after: int = 0,
        source: str | None = None,
        how: ConfirmedHow = ConfirmedHow.CLAIMED,
        odd: bool = False,
    ) -> str:
        """Adds an entry that is recorded so many days after it happened; gives its label."""
        self.labels += 1
        label = f"{self.id}-{self.labels}"
        day = event.happened.latest + timedelta(days=after)
        self.made.append(
            _Event(
                event=event,
                recorded=self._moment(day),
                by=by or self.nurse,
                source=source or f"note-{self.labels}",
                label=label,
                how=how,
                odd=odd,
                order=self.labels,
            )
        )
        return label

    def _moment(self, day: date) -> datetime:
        """A moment of a working day; nothing is recorded before the ledger was begun, nor after the last day."""
        day = min(max(day, self.start), END)
        minutes = 8 * 60 + self.labels % 540  # in the order of telling
        return datetime.combine(day, time(minutes // 60, minutes % 60), tzinfo=ZONE)

    # --- The course of a life -------------------------------------------------------------------------------------

    def live(self) -> Life:
        span = (END - self.start).days
        began = self.start + timedelta(days=self.between(-540, max(30, span - 90)))
        self._leave(began)
        self.tell(
            CareBegan(
                happened=_day(began),
                unit=self.unit,
                shift=self.shift,
                modality=Modality.IN_CENTRE,
                first_dialysis=_month(began - timedelta(days=self.between(0, 40))),
            ),
            by="liaison",
        )
        self._background(began + timedelta(days=self.between(0, 10)))
        start = self.chance.random()
        if start < 0.72:
            self._place_line(began, CatheterReason.NEED)
            self._next_access(began + timedelta(days=self.between(20, 90)))
        elif start < 0.86:
            self._access(began - timedelta(days=self.between(70, 200)), AccessKind.FISTULA)
        elif start < 0.92:
            self._access(began - timedelta(days=self.between(30, 60)), AccessKind.GRAFT)
        else:
            self._peritoneal(began)
        self._plans(began)
        self._depart()
        also = self._second_record(began)
        told = self._written()
        return Life(patient=self._who(self.id, self.number), told=told, also=also)

    def _who(self, patient: str, number: int) -> Patient:
        of = Random(f"who|{self.number}")  # the same person in both records
        family = f"{of.choice(_FAMILY)}-{of.choice(_SECOND)}"
        return Patient(
            id=patient,
            name=f"{of.choice(_GIVEN)} {family}",
            birth_date=PartialDate(f"{of.randint(1935, 1992)}-{of.randint(1, 12):02d}-{of.randint(1, 28):02d}"),
            sex=of.choice(("female", "male")),
            identifiers=(Identifier(system=SYSTEM if number == self.number else OTHER_SYSTEM, value=f"Q{number:07d}"),),
            unit=self.unit,
            shift=self.shift,
            invented=True,
        )

    def _leave(self, began: date) -> None:
        """Decides when and why follow-up ends, before anything else is told."""
        self.why_ended: EndOfFollowUp | None = None
        ways = (
            (EndOfFollowUp.DEATH, 365 / 0.11),
            (EndOfFollowUp.TRANSPLANT, 365 / 0.05),
            (EndOfFollowUp.TRANSFER, 365 / 0.035),
            (EndOfFollowUp.RECOVERY, 365 / 0.008),
            (EndOfFollowUp.LOST, 365 / 0.008),
        )
        for reason, mean in ways:
            day = began + timedelta(days=60 + self.wait(mean))
            if day < self.end and day > self.start + timedelta(days=30):
                self.end, self.why_ended = day, reason

    def _depart(self) -> None:
        if self.why_ended is None:
            return
        self.tell(
            FollowUpEnded(happened=_day(self.end), reason=self.why_ended), by="practitioner", after=self.between(0, 5)
        )
        if self.why_ended is EndOfFollowUp.TRANSPLANT and self.happens(0.12):
            back = self.end + timedelta(days=self.between(200, 700))
            if back < END - timedelta(days=40):
                self.tell(
                    FollowUpResumed(happened=_day(back), unit=self.unit, shift=self.shift, modality=Modality.IN_CENTRE),
                    by="practitioner",
                )
                self.end = END
                if self.line is None:
                    self._place_line(back, CatheterReason.NEED)
                self._catheter_life(back, END)

    # --- Background and plans -------------------------------------------------------------------------------------

    def _background(self, day: date) -> None:
        items = [BackgroundItem(what=BackgroundWhat.HAND_DOMINANCE, side=self.dominant)]
        if self.happens(0.3):
            items.append(BackgroundItem(what=BackgroundWhat.ALLERGY, allergen=self.chance.choice(list(Allergen))))
        else:
            items.append(BackgroundItem(what=BackgroundWhat.NO_KNOWN_ALLERGY))
        if self.happens(0.25):
            items.append(BackgroundItem(what=BackgroundWhat.ANTICOAGULANT))
        if self.happens(0.35):
            items.append(BackgroundItem(what=BackgroundWhat.ANTIPLATELET))
        if self.happens(0.09):
            items.append(
                BackgroundItem(
                    what=BackgroundWhat.CARDIAC_LEAD,
                    side=self.chance.choice(list(Side)),
                    vein=Vein.SUBCLAVIAN,
                    since=PartialDate(str(day.year - self.between(1, 9))),
                )
            )
        self.tell(Background(happened=_day(min(day, self.end)), items=tuple(items)))

    def _plans(self, began: date) -> None:
        day = began + timedelta(days=self.between(60, 300))
        while day < self.end:
            self.tell(
                LifePlanReviewed(
                    happened=_day(day),
                    modality_next=Modality.IN_CENTRE,
                    next_access=self.chance.choice((AccessKind.FISTULA, AccessKind.GRAFT)),
                    next_side=self.dominant,
                    next_site=Site.UPPER_ARM,
                    contingency=AccessKind.TUNNELLED,
                    contingency_vein=Vein.INTERNAL_JUGULAR,
                    vessels_to_spare=(Vein.BASILIC,),
                    review_on=_day(day + timedelta(days=365)),
                ),
                by="practitioner",
            )
            day += timedelta(days=self.between(330, 500))

    # --- Fistulas and grafts --------------------------------------------------------------------------------------

    def _next_access(self, day: date) -> None:
        """Mapping, plan, operation; or a decision against it."""
        self.tries += 1
        if day >= self.end:
            return
        if self.tries > 4 or self.happens(0.06):
            what = DecisionWhat.NO_OPTION_LEFT if self.tries > 4 else DecisionWhat.CHOOSES_CATHETER
            line = self.line
            while day < self.end:
                self.tell(
                    Decision(
                        happened=_day(day),
                        what=what,
                        access=None if line is None else line.id,
                        by_patient=what is DecisionWhat.CHOOSES_CATHETER,
                        review_on=_day(day + timedelta(days=91)),
                    ),
                    by="practitioner",
                )
                day += timedelta(days=self.between(80, 130))
            self._catheter_life(self.line.placed if self.line else self.end, self.end)
            return
        kind = AccessKind.FISTULA if self.happens(0.72) else AccessKind.GRAFT
        side = self._arm()
        self.tell(
            VeinMapping(
                happened=_day(day),
                side=side,
                vessels=(
                    MappedVessel(
                        side=side,
                        vein=Vein.CEPHALIC,
                        segment=ArmSegment.UPPER_ARM_MID,
                        diameter_mm=_tenths(self.between(18, 48)),
                        depth_mm=_number(self.between(2, 9)),
                        compressible=True,
                        tourniquet=True,
                    ),
                    MappedVessel(
                        side=side,
                        artery=Artery.BRACHIAL,
                        segment=ArmSegment.ELBOW,
                        diameter_mm=_tenths(self.between(34, 58)),
                        calcified=self.happens(0.2),
                    ),
                ),
                suitable_for=(SuitableFor(access_kind=kind, side=side, site=Site.UPPER_ARM),),
            ),
            by="liaison",
            after=2,
        )
        operation = day + timedelta(days=self.between(14, 60))
        if operation >= self.end:
            return
        self._access(operation, kind, side, planned=day + timedelta(days=7))

    def _arm(self) -> Side:
        other = Side.LEFT if self.dominant is Side.RIGHT else Side.RIGHT
        return other if self.tries < 3 else self.dominant

    def _access(self, day: date, kind: AccessKind, side: Side | None = None, planned: date | None = None) -> None:
        """One fistula or graft from its making to its end, and what comes after it."""
        one = self._make(day, kind, side or self._arm(), planned)
        if one.made >= self.end:
            return
        if one.kind is AccessKind.FISTULA:
            self._ripen(one)
        else:
            self._heal(one)
        if one.usable is None:
            return
        self._use(one)

    def _make(self, day: date, kind: Any, side: Side, planned: date | None) -> _Needled:
        access = self.new("A")
        old = day < self.start
        if kind is AccessKind.FISTULA:
            site, inflow, outflow = self.chance.choice(
                (
                    (Site.WRIST, Artery.RADIAL, Vein.CEPHALIC),
                    (Site.FOREARM, Artery.RADIAL, Vein.CEPHALIC),
                    (Site.UPPER_ARM, Artery.BRACHIAL, Vein.CEPHALIC),
                    (Site.UPPER_ARM, Artery.BRACHIAL, Vein.CEPHALIC),
                    (Site.UPPER_ARM, Artery.BRACHIAL, Vein.BASILIC),
                )
            )
        else:
            site, inflow, outflow = self.chance.choice(
                (
                    (Site.FOREARM, Artery.BRACHIAL, Vein.MEDIAN_CUBITAL),
                    (Site.UPPER_ARM, Artery.BRACHIAL, Vein.AXILLARY),
                    (Site.UPPER_ARM, Artery.BRACHIAL, Vein.AXILLARY),
                    (Site.THIGH, Artery.FEMORAL, Vein.FEMORAL),
                )
            )
        two_stages = kind is AccessKind.FISTULA and outflow is Vein.BASILIC
        if planned is not None and not old and planned < day:
            self.tell(
                AccessPlanned(
                    happened=_day(planned),
                    access=access,
                    access_kind=kind,
                    side=side,
                    site=site,
                    inflow=inflow,
                    outflow=outflow,
                    planned_for=_month(day),
                ),
                by="practitioner",
            )
        visit = self.new("V")
        source = f"report-{visit}"
        material = None
        if kind is AccessKind.GRAFT:
            material = GraftMaterial.EARLY_CANNULATION if self.happens(0.25) else GraftMaterial.PTFE
        self.tell(
            Creation(
                # What is in the papers of another house is often dated to the month.
                happened=_month(day) if old and self.happens(0.4) else _day(day),
                access=access,
                visit=None if old else visit,
                access_kind=kind,
                side=side,
                site=site,
                inflow=inflow,
                outflow=outflow,
                configuration=None
                if kind is AccessKind.FISTULA
                else Configuration.STRAIGHT
                if site is Site.UPPER_ARM
                else Configuration.LOOP,
                material=material,
                calibre_mm=None if material is None else _number(6),
                arterial_limb=self.chance.choice((Limb.MEDIAL, Limb.LATERAL, None)) if material else None,
                stage=Stage.FIRST if two_stages else Stage.ONLY,
                made_by=MadeBy.PERCUTANEOUS if kind is AccessKind.FISTULA and self.happens(0.06) else MadeBy.SURGERY,
            ),
            by="liaison",
            after=self.between(1, 4),
            source=source,
        )
        if not old:
            self.tell(
                Visit(
                    happened=_day(day),
                    access=access,
                    visit=visit,
                    outcome=Outcome.DONE,
                    centre="st-orla",
                    reasons=(Finding.NEW_ACCESS,),
                    sedation=Sedation.BLOCK,
                    complications=(VisitComplication(what=ComplicationKind.NONE),),
                ),
                by="liaison",
                after=self.between(4, 5),
                source=source,
            )
        return _Needled(
            id=access, kind=kind, side=side, site=site, outflow=outflow, made=day, flow=self.between(650, 1400)
        )

    def _ripen(self, one: _Needled) -> None:
        """Six weeks and more: checks, a second stage, help, or the end of it."""
        check = one.made + timedelta(days=self.between(10, 18))
        if check < self.end:
            self._look(one, check)
        if self.happens(0.08):
            self._clot(one, one.made + timedelta(days=self.between(3, 28)), hopeless=True)
            return
        ready = one.made + timedelta(days=self.between(40, 70))
        if one.outflow is Vein.BASILIC:
            day = one.made + timedelta(days=self.between(42, 75))
            if day >= self.end:
                return
            self.tell(
                SecondStage(
                    happened=_day(day), access=one.id, form=SecondStageForm.TRANSPOSITION, outflow=Vein.BASILIC
                ),
                by="liaison",
                after=self.between(1, 4),
            )
            ready = day + timedelta(days=self.between(35, 50))
        helped = 0
        while ready < self.end:
            verdict = MaturityVerdict.READY if self.happens(0.62) else MaturityVerdict.NOT_READY
            if helped == 2 and verdict is MaturityVerdict.NOT_READY:
                verdict = MaturityVerdict.NEVER
            is_ready = verdict is MaturityVerdict.READY
            self.tell(
                MaturityAssessed(
                    happened=_day(ready),
                    access=one.id,
                    verdict=verdict,
                    rule="rule-of-sixes",
                    diameter_mm=_tenths(self.between(60, 82) if is_ready else self.between(32, 56)),
                    depth_mm=_number(self.between(2, 6)),
                    flow_ml_min=_number(self.between(620, 1400) if is_ready else self.between(180, 560)),
                    thrill=Thrill.CONTINUOUS if is_ready else Thrill.WEAK,
                ),
                by="practitioner",
            )
            if is_ready:
                first = ready + timedelta(days=self.between(3, 20))
                if first < self.end:
                    self._first_needle(one, first)
                return
            if verdict is MaturityVerdict.NEVER:
                self._give_up(one, ready + timedelta(days=self.between(5, 30)), AbandonmentReason.NOT_MATURED)
                return
            helped += 1
            day = self._treat(one, ready, (Finding.NOT_MATURING,), LesionPlace.JUXTA_ANASTOMOTIC)
            if self.happens(0.3):
                self.tell(
                    OtherInterventionDone(
                        happened=_day(day),
                        access=one.id,
                        what=self.chance.choice(
                            (OtherIntervention.SIDE_BRANCH_LIGATION, OtherIntervention.COIL_EMBOLISATION)
                        ),
                        reason=Finding.NOT_MATURING,
                        place=LesionPlace.SIDE_BRANCH,
                    ),
                    by="liaison",
                    after=self.between(1, 4),
                )
            ready = day + timedelta(days=self.between(25, 45))

    def _heal(self, one: _Needled) -> None:
        early = any(
            event.event.material is GraftMaterial.EARLY_CANNULATION
            for event in self.made
            if isinstance(event.event, Creation) and event.event.access == one.id
        )
        day = one.made + timedelta(days=self.between(1, 6) if early else self.between(18, 35))
        if day < self.end:
            self._first_needle(one, day)

    def _first_needle(self, one: _Needled, day: date) -> None:
        one.usable = day
        early = self.happens(0.01) and one.kind is AccessKind.FISTULA
        self.tell(
            FirstCannulation(
                happened=_day(day),
                access=one.id,
                needles=1 if one.kind is AccessKind.FISTULA else 2,
                gauge=17,
                blood_flow_ml_min=_number(self.chance.choice((180, 200, 220, 250))),
                technique=NeedleTechnique.ROPE_LADDER,
                trouble=NeedleTrouble.INFILTRATION if self.happens(0.08) else NeedleTrouble.NONE,
            )
        )
        if early:  # and once more, by somebody who had not seen that
            self.tell(
                FirstCannulation(happened=_day(day + timedelta(days=2)), access=one.id, needles=2, gauge=17), odd=True
            )
        if self.line is None:
            return
        # Some lines stay in for long beside an access that works.
        out = day + timedelta(days=self.between(25, 60) + (self.between(60, 200) if self.happens(0.12) else 0))
        self._catheter_life(self.line.placed, min(out, self.end))
        if out < self.end and self.line is not None:
            self._remove_line(out, CatheterReason.NO_LONGER_NEEDED)

    def _use(self, one: _Needled) -> None:
        """From the first needle to the end of the access or of follow-up, month by month."""
        assert one.usable is not None
        graft = one.kind is AccessKind.GRAFT
        month = one.usable
        trouble = one.usable + timedelta(days=self.wait(150 if graft else 300))
        clot = one.usable + timedelta(days=self.wait(420 if graft else 2600))
        rare = one.usable + timedelta(days=self.wait(900))
        infected = one.usable + timedelta(days=self.wait(3000 if graft else 12000))
        while True:
            due = min(trouble, clot, rare, infected)
            while month < min(due, self.end):
                self._month_of(one, month, min(due, self.end))
                month += timedelta(days=self.between(28, 33))
            if due >= self.end:
                self._after_transplant(one)
                return
            if due == infected:
                self._infect_access(one, due)
                return
            if due == clot:
                if not self._clot(one, due):
                    return
                clot = due + timedelta(days=10 + self.wait(300 if graft else 900))
                trouble = max(trouble, due + timedelta(days=self.wait(200)))
            elif due == trouble:
                done = self._narrow(one, due)
                trouble = done + timedelta(days=20 + self.wait(130 if graft else 210))
                # One thing after the other: whoever waits for a procedure does not clot in between.
                clot, rare, infected = (max(day, done + timedelta(days=3)) for day in (clot, rare, infected))
            else:
                done = self._rare(one, due)
                rare = done + timedelta(days=self.wait(1100))
                clot, trouble, infected = (max(day, done + timedelta(days=3)) for day in (clot, trouble, infected))

    def _month_of(self, one: _Needled, day: date, until: date) -> None:
        one.flow = max(300, min(2400, int(one.flow * self.chance.uniform(0.93, 1.06))))
        if self.happens(0.75):
            self._look(one, day)
        if self.happens(0.4):
            self._measure(one, day)
        if self.happens(0.5):
            self.tell(AccessUsed(happened=_month(day), access=one.id, use=Use.TWO_NEEDLES))
        for _ in range(self.rates.sessions_a_month):
            run = day + timedelta(days=self.between(0, 27))
            if run < until:
                self._session(one, run)

    def _session(self, one: _Needled, day: date) -> None:
        trouble = NeedleTrouble.INFILTRATION if self.happens(0.01) else NeedleTrouble.NONE
        self.tell(
            CannulationSession(
                happened=_day(day),
                access=one.id,
                use=Use.TWO_NEEDLES,
                needles=2,
                gauge=15,
                technique=NeedleTechnique.ROPE_LADDER,
                arterial_site_cm=_number(self.between(4, 9)),
                venous_site_cm=_number(self.between(10, 17)),
                blood_flow_ml_min=_number(self.chance.choice((300, 320, 350, 380, 400))),
                arterial_pressure_mmhg=_number(-self.between(130, 220)),
                venous_pressure_mmhg=_number(self.between(110, 190)),
                minutes=240,
                completed=True,
                trouble=trouble,
                bleeding_minutes=_number(self.between(5, 14)),
            ),
            by="import",
            how=ConfirmedHow.BY_RULE,
            source=f"machine-{day.isoformat()}",
        )

    def _look(self, one: _Needled, day: date, finding: Finding | None = None) -> str:
        thrill, bruit, pulse = Thrill.CONTINUOUS, Bruit.LOW_CONTINUOUS, Pulse.SOFT
        if finding is Finding.NO_THRILL:
            thrill, bruit, pulse = Thrill.ABSENT, Bruit.ABSENT, Pulse.WEAK
        elif finding is Finding.PULSATILE:
            bruit, pulse = Bruit.HIGH_PITCHED, Pulse.HYPERPULSATILE
        elif finding is Finding.LOW_FLOW:
            thrill, pulse = Thrill.WEAK, Pulse.WEAK
        return self.tell(
            Examination(
                happened=_day(day),
                access=one.id,
                thrill=thrill,
                bruit=bruit,
                pulse=pulse,
                augments=finding is not Finding.LOW_FLOW,
                collapses_on_elevation=finding is not Finding.PULSATILE,
                skin=(SkinState.INTACT,),
                hand=(HandState.WARM,),
            )
        )

    def _measure(self, one: _Needled, day: date) -> str:
        return self.tell(
            Measurement(
                happened=_day(day),
                access=one.id,
                method=MeasurementMethod.DILUTION,
                flow_ml_min=_number(one.flow // 10 * 10, how="measured"),
                blood_flow_ml_min=_number(300),
                systolic_mmhg=_number(self.between(105, 165)),
                diastolic_mmhg=_number(self.between(55, 90)),
            )
        )

    # --- To the access centre and back ----------------------------------------------------------------------------

    def _narrow(self, one: _Needled, day: date) -> date:
        low = self.happens(0.5)
        one.flow = max(320, int(one.flow * 0.7))
        findings = [self._look(one, day, Finding.LOW_FLOW if low else Finding.PULSATILE)]
        if self.happens(0.6):
            findings.append(self._measure(one, day))
        why = (
            (Finding.LOW_FLOW, Finding.WEAK_THRILL)
            if low
            else (Finding.HIGH_VENOUS_PRESSURE, Finding.PROLONGED_BLEEDING)
        )
        done = self._treat(one, day, why, self._place_of_lesion(one), findings)
        one.flow = min(1500, int(one.flow * 1.5))
        return done

    def _place_of_lesion(self, one: _Needled) -> LesionPlace:
        if one.lesions and self.happens(0.65):
            return self.chance.choice(list(one.lesions))
        if one.kind is AccessKind.GRAFT:
            return self.chance.choice((LesionPlace.GRAFT_VEIN_ANASTOMOSIS,) * 3 + (LesionPlace.INTRAGRAFT,))
        if one.site is Site.UPPER_ARM and one.outflow is Vein.CEPHALIC:
            return self.chance.choice((LesionPlace.CEPHALIC_ARCH,) * 2 + (LesionPlace.OUTFLOW_VEIN,))
        if one.outflow is Vein.BASILIC:
            return self.chance.choice((LesionPlace.SWING_POINT, LesionPlace.BASILIC_VEIN))
        return self.chance.choice((LesionPlace.JUXTA_ANASTOMOTIC, LesionPlace.OUTFLOW_VEIN))

    def _treat(
        self,
        one: _Needled,
        day: date,
        why: tuple[Finding, ...],
        place: LesionPlace,
        findings: Iterable[str] = (),
    ) -> date:
        """Referral, appointments, and a procedure; gives the day of the procedure, or of the last word about it."""
        asked = self.tell(
            Referral(
                happened=_day(day),
                access=one.id,
                why=why,
                urgency=Urgency.DAYS if self.happens(0.5) else Urgency.WEEKS,
                centre="larch-row",
                findings=tuple(f"@{label}" for label in findings),
            ),
            by="practitioner",
        )
        done = day + timedelta(days=self.between(3, 24))
        booked = day + timedelta(days=self.between(0, 2))
        if booked >= self.end:
            return self.end
        self._appointment(one, booked, AppointmentState.BOOKED, done, asked)
        if done - booked > timedelta(days=2) and self.happens(0.1):
            moved = done + timedelta(days=self.between(2, 10))
            state = self.chance.choice(
                (AppointmentState.MOVED, AppointmentState.NOT_ATTENDED, AppointmentState.CANCELLED)
            )
            told_on = done if state is AppointmentState.NOT_ATTENDED else done - timedelta(days=1)
            if told_on < self.end:
                self._appointment(one, told_on, state, moved if state is AppointmentState.MOVED else done, asked)
            if state is not AppointmentState.MOVED and moved < self.end:
                self._appointment(one, max(booked, told_on), AppointmentState.BOOKED, moved, asked)
            done = moved
        if done >= self.end:
            return self.end
        self._appointment(one, done, AppointmentState.ATTENDED, done, asked)
        if self.happens(0.05):  # attended, and no report ever came
            return done
        self._procedure(one, done, place, why, asked)
        return done

    def _appointment(self, one: _Needled, day: date, state: AppointmentState, on: date, asked: str) -> None:
        self.tell(
            Appointment(
                happened=_day(day),
                state=state,
                access=one.id,
                on=_day(on),
                centre="larch-row",
                referral=f"@{asked}",
            ),
            by="liaison",
        )

    def _procedure(
        self, one: _Needled, day: date, place: LesionPlace, why: tuple[Finding, ...], asked: str | None
    ) -> None:
        """One visit with its angiogram and what was done; told together, from one report."""
        visit = self.new("V")
        report = f"report-{visit}"
        after = self.between(1, 6)
        lesion = one.lesions.setdefault(place, self.new("L"))
        wrong_arm = self.happens(self.rates.wrong_arm)
        bulk = ConfirmedHow.IN_BULK if wrong_arm or self.happens(0.04) else ConfirmedHow.CLAIMED
        side = one.side
        said = (Side.LEFT if side is Side.RIGHT else Side.RIGHT) if wrong_arm else side
        percent = self.between(55, 92)
        size = self.chance.choice((5, 6, 7, 8, 9, 10))
        residual = self.chance.choice((0, 10, 10, 15, 20, 20, 25, 30, 40))
        stented = self.happens(0.12)
        worse = self.happens(0.01)
        if worse:  # two numbers changed places
            percent, residual = residual + 5, percent

        def tell(event: Any, odd: bool = False) -> str:
            return self.tell(event, by="liaison", after=after, source=report, how=bulk, odd=odd)

        tell(
            Visit(
                happened=_day(day),
                access=one.id,
                visit=visit,
                outcome=Outcome.DONE,
                centre="larch-row",
                reasons=why,
                sedation=Sedation.MODERATE,
                contrast=Contrast.IODINATED,
                contrast_ml=_number(self.between(4, 14) * 5),
                complications=(
                    VisitComplication(what=ComplicationKind.NONE)
                    if self.happens(0.96)
                    else VisitComplication(what=ComplicationKind.EXTRAVASATION, scale=Scale.SIR, grade="A"),
                ),
                referral=None if asked is None else f"@{asked}",
            )
        )
        tell(
            Angiogram(
                happened=_day(day),
                access=one.id,
                visit=visit,
                lesions=(
                    LesionFound(
                        lesion=lesion, place=place, side=said, stenosis_percent=_number(percent, how="estimated")
                    ),
                ),
                central_veins=self.chance.choice((CentralVeins.PATENT, CentralVeins.PATENT, CentralVeins.NOT_SEEN)),
                flow_seen=True,
            ),
            odd=wrong_arm,
        )
        treated = LesionTreated(
            lesion=lesion,
            place=place,
            side=said,
            balloons=(
                Balloon(
                    diameter_mm=_number(size), length_mm=_number(40), pressure_atm=_number(self.between(6, 15) * 2)
                ),
            ),
            residual_percent=_number(residual, comparator="<" if residual in (10, 20, 30) else None),
            outcome=TreatmentOutcome.PARTIAL if residual > 30 else TreatmentOutcome.SUCCESS,
        )
        tell(Angioplasty(happened=_day(day), access=one.id, visit=visit, lesions=(treated,)), odd=wrong_arm or worse)
        if stented:
            tell(
                Stent(
                    happened=_day(day),
                    access=one.id,
                    visit=visit,
                    stents=(
                        StentPlaced(
                            device=self.new("D"),
                            covered=self.happens(0.8),
                            diameter_mm=_number(size),
                            length_mm=_number(self.chance.choice((40, 50, 60))),
                            place=place,
                            side=said,
                            lesion=lesion,
                            across_needle_zone=False,
                        ),
                    ),
                ),
                odd=wrong_arm,
            )
        if self.happens(0.5):
            due = day + timedelta(days=2)
            tell(
                Instruction(
                    happened=_day(day),
                    access=one.id,
                    visit=visit,
                    what=InstructionWhat.SUTURES,
                    sutures=1,
                    due=_day(due),
                    until=_day(due) if self.happens(0.9) else None,
                )
            )
        if wrong_arm and self.happens(0.85):
            self._right_the_arm(report, side, day + timedelta(days=after + self.between(1, 20)))

    def _right_the_arm(self, report: str, side: Side, day: date) -> None:
        """Somebody read the report again, or asked: everything that it said of the wrong arm is corrected."""
        for one in [one for one in self.made if one.source == report]:
            event: Any = one.event
            if isinstance(event, (Angiogram, Angioplasty)):
                event = replace(event, lesions=tuple(replace(lesion, side=side) for lesion in event.lesions))
            elif isinstance(event, Stent):
                event = replace(event, stents=tuple(replace(stent, side=side) for stent in event.stents))
            else:
                continue
            self._correct(one, event, day)

    def _clot(self, one: _Needled, day: date, hopeless: bool = False) -> bool:
        """No thrill; sent the same day; cleared, or given up. Whether the access goes on."""
        if day >= self.end:
            return False
        found = self._look(one, day, Finding.NO_THRILL)
        asked = self.tell(
            Referral(
                happened=_day(day),
                access=one.id,
                why=(Finding.NO_THRILL,),
                urgency=Urgency.TODAY,
                centre="larch-row",
                findings=(f"@{found}",),
            )
        )
        done = min(day + timedelta(days=self.between(0, 2)), self.end)
        visit = self.new("V")
        report, after = f"report-{visit}", self.between(1, 4)
        self.tell(
            Thrombosis(happened=_day(day), access=one.id, known_by=KnownBy.CLOT_FOUND),
            by="liaison",
            after=after + (done - day).days,
            source=report,
        )
        if hopeless:
            self._give_up(one, done, AbandonmentReason.THROMBOSIS)
            return False
        success = self.happens(0.93 if one.kind is AccessKind.GRAFT else 0.78)
        self.tell(
            Thrombectomy(
                happened=_day(done),
                access=one.id,
                visit=visit,
                methods=(self.chance.choice((ThrombectomyMethod.MECHANICAL, ThrombectomyMethod.ASPIRATION)),),
                success=success,
                residual_clot=None if success else ClotExtent.OCCLUSIVE,
            ),
            by="liaison",
            after=after,
            source=report,
        )
        if not success:
            self._give_up(one, done, AbandonmentReason.THROMBOSIS)
            return False
        self._procedure(one, done, self._place_of_lesion(one), (Finding.THROMBOSED,), asked)
        return True

    def _give_up(self, one: _Needled, day: date, reason: AbandonmentReason) -> None:
        if day >= self.end:
            return
        how = AbandonmentHow.EXCISION if reason is AbandonmentReason.INFECTION else AbandonmentHow.GIVEN_UP
        self.tell(
            Abandonment(happened=_day(day), access=one.id, how=how, reason=reason),
            by="practitioner",
            after=self.between(0, 6),
        )
        if how is AbandonmentHow.GIVEN_UP and reason is AbandonmentReason.NOT_MATURED and self.happens(0.08):
            again = day + timedelta(days=self.between(90, 300))
            if again < self.end:
                self.tell(TakenUpAgain(happened=_day(again), access=one.id), by="practitioner")
        if self.line is None:
            placed = max(day + timedelta(days=self.between(0, 2)), self.line_out + timedelta(days=1))
            if placed < self.end:
                self._place_line(placed, CatheterReason.ACCESS_FAILED)
        self._next_access(day + timedelta(days=self.between(30, 120)))

    def _infect_access(self, one: _Needled, day: date) -> None:
        culture = self.tell(
            Culture(
                happened=_day(day),
                specimen=Specimen.WOUND,
                positive=True,
                organism=self.chance.choice((Organism.STAPHYLOCOCCUS_AUREUS, Organism.MRSA)),
                final=True,
                access=one.id,
                reported_on=_day(day + timedelta(days=2)),
            ),
            after=2,
        )
        self.tell(
            Infection(
                happened=_day(day),
                access=one.id,
                infection_class=InfectionClass.ACCESS,
                organism=Organism.STAPHYLOCOCCUS_AUREUS,
                cultures=(f"@{culture}",),
            ),
            by="practitioner",
            after=3,
        )
        self._course(day, one.id, CourseReason.ACCESS_INFECTION)
        self._give_up(one, day + timedelta(days=self.between(3, 9)), AbandonmentReason.INFECTION)

    def _rare(self, one: _Needled, day: date) -> date:
        """What is seldom: steal, aneurysm, infiltration, a duplex, a hospital stay, a reminder put off.

        Gives the day on which it was over.
        """
        what = self.chance.random()
        done = day
        if what < 0.2 and one.kind is AccessKind.FISTULA and one.site is Site.UPPER_ARM:
            self.tell(
                Complication(
                    happened=_day(day),
                    access=one.id,
                    what=ComplicationKind.STEAL,
                    scale=Scale.STEAL_FOUR,
                    grade=self.chance.choice(("I", "II", "III")),
                )
            )
            done = day + timedelta(days=self.between(10, 40))
            if done < self.end:
                before = one.flow + 700
                one.flow = max(600, one.flow)
                self.tell(
                    Banding(
                        happened=_day(done),
                        access=one.id,
                        reason=Finding.STEAL,
                        method=BandingMethod.OVER_BALLOON,
                        calibre_mm=_number(4),
                        flow_before_ml_min=_number(before),
                        flow_after_ml_min=_number(one.flow),
                    ),
                    by="liaison",
                    after=self.between(1, 5),
                )
        elif what < 0.4:
            self.tell(
                Complication(
                    happened=_day(day),
                    access=one.id,
                    what=ComplicationKind.ANEURYSM
                    if one.kind is AccessKind.FISTULA
                    else ComplicationKind.PSEUDOANEURYSM,
                    place=LesionPlace.CANNULATION_ZONE,
                    diameter_mm=_number(self.between(18, 34)),
                )
            )
            done = day + timedelta(days=self.between(20, 90))
            if done < self.end and self.happens(0.5):
                self.tell(
                    Revision(
                        happened=_day(done),
                        access=one.id,
                        methods=(RevisionMethod.ANEURYSM_REPAIR,),
                        reason=Finding.ANEURYSM,
                        place=LesionPlace.CANNULATION_ZONE,
                    ),
                    by="liaison",
                    after=self.between(1, 5),
                )
        elif what < 0.6:
            self.tell(
                Complication(
                    happened=_day(day),
                    access=one.id,
                    what=ComplicationKind.INFILTRATION,
                    place=LesionPlace.CANNULATION_ZONE,
                )
            )
            self.tell(
                Instruction(
                    happened=_day(day),
                    access=one.id,
                    what=InstructionWhat.REST,
                    until=_day(day + timedelta(days=self.between(7, 21))),
                ),
                by="practitioner",
            )
        elif what < 0.75:
            self.tell(
                Imaging(
                    happened=_day(day),
                    access=one.id,
                    modality=ImagingModality.DUPLEX,
                    flow_seen=True,
                    flow_ml_min=_number(one.flow, how="measured"),
                    diameter_mm=_tenths(self.between(55, 95)),
                ),
                by="liaison",
                after=2,
            )
        elif what < 0.9:
            self.tell(
                HospitalStay(
                    happened=_day(day),
                    until=_day(min(day + timedelta(days=self.between(2, 12)), self.end)),
                    because_of_access=False,
                    access_looked_at=self.happens(0.5),
                ),
                after=14,
            )
        else:
            self.tell(
                SetAside(
                    happened=_day(day),
                    line=self.chance.choice((ReminderLine.REVIEW_DUE, ReminderLine.RULE_MET)),
                    until=_day(day + timedelta(days=30)),
                    access=one.id,
                ),
                by="practitioner",
            )
        return done

    def _after_transplant(self, one: _Needled) -> None:
        if self.why_ended is not EndOfFollowUp.TRANSPLANT or not self.happens(0.15):
            return
        day = self.end + timedelta(days=self.between(60, 300))
        if day < END:
            self.tell(
                Abandonment(
                    happened=_day(day),
                    access=one.id,
                    how=AbandonmentHow.LIGATION,
                    reason=AbandonmentReason.TRANSPLANT,
                ),
                by="liaison",
                after=self.between(3, 20),
            )

    # --- Catheters ------------------------------------------------------------------------------------------------

    def _place_line(self, day: date, reason: CatheterReason) -> None:
        """A tunnelled line, sometimes after a few days with one that is not tunnelled."""
        if day < self.start and self.happens(0.1):
            access = self.new("A")
            self.tell(
                AccessKnown(
                    happened=_day(self.start),
                    access=access,
                    access_kind=AccessKind.TUNNELLED,
                    side=Side.RIGHT,
                    catheter_vein=Vein.INTERNAL_JUGULAR,
                    created=PartialDate(str(day.year)),
                )
            )
            self.tell(
                FirstSeenHere(
                    happened=_day(self.start),
                    accesses_found=(access,),
                    papers_asked_for=True,
                    history_unknown_before=_month(self.start),
                )
            )
            self.line = _Catheter(access, AccessKind.TUNNELLED, Side.RIGHT, self.start, "")
            return
        if self.happens(0.12):
            first = self.new("A")
            self.tell(
                CatheterPlaced(
                    happened=_day(day),
                    access=first,
                    access_kind=AccessKind.NONTUNNELLED,
                    vein=Vein.FEMORAL,
                    side=Side.RIGHT,
                    exit_side=Side.RIGHT,
                    exit_site=Site.GROIN,
                    reason=reason,
                ),
                by="liaison",
                after=1,
            )
            day = min(day + timedelta(days=self.between(3, 9)), self.end)
            self.tell(
                CatheterRemoved(happened=_day(day), access=first, reason=CatheterReason.CONVERSION),
                by="liaison",
                after=1,
            )
            reason = CatheterReason.CONVERSION
        side = Side.LEFT if Side.RIGHT in self.lines_had and self.happens(0.6) else Side.RIGHT
        self.lines_had.add(side)
        access, device = self.new("A"), self.new("D")
        self.tell(
            CatheterPlaced(
                happened=_day(day),
                access=access,
                access_kind=AccessKind.TUNNELLED,
                vein=Vein.INTERNAL_JUGULAR,
                side=side,
                exit_side=side,
                exit_site=Site.CHEST,
                device=device,
                length_cm=_number(19 if side is Side.RIGHT else 23),
                lumens=2,
                tip=self.chance.choice((TipPlace.CAVOATRIAL, TipPlace.RIGHT_ATRIUM)),
                reason=reason,
            ),
            by="liaison",
            after=self.between(0, 2),
        )
        self.line = _Catheter(access, AccessKind.TUNNELLED, side, day, device)

    def _remove_line(self, day: date, reason: CatheterReason) -> None:
        assert self.line is not None
        self.tell(
            CatheterRemoved(
                happened=_day(day),
                access=self.line.id,
                reason=reason,
                device=self.line.device or None,
                whole=True,
            ),
            by="liaison",
            after=self.between(0, 3),
        )
        self.line = None
        self.line_out = day

    def _catheter_life(self, start: date, until: date) -> None:
        """What happens to a line that is in: looks, use, poor flow, infections, exchanges."""
        line = self.line
        if line is None:
            return
        day = max(start, self.start)
        trouble = day + timedelta(days=self.wait(260))
        infected = day + timedelta(days=self.wait(700))
        while day < until:
            if self.happens(0.6):
                self.tell(
                    Examination(happened=_day(day), access=line.id, exit_site_clean=self.happens(0.96), fever=False)
                )
            if self.happens(0.5):
                self.tell(AccessUsed(happened=_month(day), access=line.id, use=Use.CATHETER))
            day += timedelta(days=self.between(28, 33))
            while min(trouble, infected) < min(day, until):
                if trouble < infected:
                    self._poor_flow(line, trouble, until)
                    trouble += timedelta(days=30 + self.wait(300))
                else:
                    self._rigors(line, infected, until)
                    infected += timedelta(days=40 + self.wait(800))

    def _poor_flow(self, line: _Catheter, day: date, until: date) -> None:
        self.tell(
            CatheterTrouble(
                happened=_day(day),
                access=line.id,
                what=CatheterTroubleKind.POOR_FLOW,
                blood_flow_ml_min=_number(self.between(16, 27) * 10),
                arterial_pressure_mmhg=_number(-self.between(220, 280)),
                resolved=False,
            )
        )
        worked = self.happens(0.6)
        self.tell(
            CatheterTrouble(happened=_day(day), access=line.id, what=CatheterTroubleKind.LYTIC_DWELL, resolved=worked)
        )
        done = day + timedelta(days=self.between(3, 12))
        if worked or done >= until:
            return
        self._exchange(line, done, CatheterReason.POOR_FLOW)

    def _exchange(self, line: _Catheter, day: date, reason: CatheterReason) -> None:
        device = self.new("D")
        self.tell(
            CatheterExchanged(
                happened=_day(day),
                access=line.id,
                form=self.chance.choice((ExchangeForm.SAME_TUNNEL, ExchangeForm.NEW_EXIT, ExchangeForm.OVER_WIRE)),
                to_kind=AccessKind.TUNNELLED,
                vein=Vein.INTERNAL_JUGULAR,
                side=line.side,
                old_device=line.device or None,
                device=device,
                reason=reason,
            ),
            by="liaison",
            after=self.between(1, 3),
        )
        line.device = device

    def _rigors(self, line: _Catheter, day: date, until: date) -> None:
        organism = self.chance.choice(
            (Organism.STAPHYLOCOCCUS_AUREUS, Organism.COAGULASE_NEGATIVE, Organism.ENTEROCOCCUS, Organism.GRAM_NEGATIVE)
        )
        self.tell(Examination(happened=_day(day), access=line.id, exit_site_clean=True, fever=True))
        cultures = [
            self.tell(
                Culture(
                    happened=_day(day),
                    specimen=specimen,
                    positive=True,
                    organism=organism,
                    final=True,
                    access=line.id,
                    reported_on=_day(min(day + timedelta(days=2), END)),
                ),
                after=2,
            )
            for specimen in (Specimen.HUB, Specimen.CIRCUIT)
        ]
        done = day + timedelta(days=self.between(2, 5))
        exchanged = self.happens(0.6) and done < until
        self.tell(
            Infection(
                happened=_day(day),
                access=line.id,
                infection_class=InfectionClass.BLOODSTREAM,
                organism=organism,
                catheter_fate=CatheterFate.EXCHANGED if exchanged else CatheterFate.KEPT,
                cultures=tuple(f"@{label}" for label in cultures),
            ),
            by="practitioner",
            after=5,
        )
        if self.happens(0.5):
            self.tell(
                HospitalStay(
                    happened=_day(day),
                    until=_day(min(day + timedelta(days=self.between(3, 10)), self.end)),
                    because_of_access=True,
                    access_looked_at=True,
                ),
                after=12,
            )
        self._course(day, line.id, CourseReason.BLOODSTREAM)
        if exchanged:
            self._exchange(line, done, CatheterReason.INFECTION)
        clear = day + timedelta(days=self.between(7, 16))
        if clear < until and self.happens(0.8):
            self.tell(
                Culture(
                    happened=_day(clear),
                    specimen=Specimen.CIRCUIT,
                    positive=False,
                    organism=Organism.NO_GROWTH,
                    final=True,
                    clearance=True,
                    access=line.id,
                ),
                after=4,
            )

    def _course(self, day: date, access: str, reason: CourseReason) -> None:
        planned = day + timedelta(days=self.chance.choice((14, 21, 28, 42)))
        ended = planned < self.end and self.happens(0.92)
        self.tell(
            AntimicrobialCourse(
                happened=_day(day),
                reason=reason,
                intravenous=True,
                planned_until=_day(planned),
                until=_day(planned) if ended else None,
                access=access,
            ),
            after=(planned - day).days if ended else 0,
        )

    # --- Peritoneal -----------------------------------------------------------------------------------------------

    def _peritoneal(self, began: date) -> None:
        access = self.new("A")
        self.tell(
            CatheterPlaced(
                happened=_day(began - timedelta(days=self.between(14, 40))),
                access=access,
                access_kind=AccessKind.PERITONEAL,
                exit_side=self.chance.choice(list(Side)),
                exit_site=Site.ABDOMEN,
                tip=TipPlace.PELVIS,
                reason=CatheterReason.CHOICE,
            ),
            by="liaison",
            after=1,
        )
        self.tell(ModalityChanged(happened=_day(began), to=Modality.PERITONEAL))
        change = began + timedelta(days=self.wait(1100))
        sick = began + timedelta(days=self.wait(1000))
        day = began
        while day < min(change, self.end):
            if self.happens(0.6):
                self.tell(
                    Examination(happened=_day(day), access=access, exit_site_clean=self.happens(0.95), fever=False)
                )
            day += timedelta(days=self.between(28, 40))
            if sick < min(day, change, self.end):
                culture = self.tell(
                    Culture(
                        happened=_day(sick),
                        specimen=Specimen.EFFLUENT,
                        positive=True,
                        organism=Organism.GRAM_NEGATIVE,
                        final=True,
                        access=access,
                    ),
                    after=2,
                )
                self.tell(
                    Infection(
                        happened=_day(sick),
                        access=access,
                        infection_class=InfectionClass.PERITONITIS,
                        catheter_fate=CatheterFate.KEPT,
                        cultures=(f"@{culture}",),
                    ),
                    by="practitioner",
                    after=3,
                )
                self._course(sick, access, CourseReason.PERITONITIS)
                sick += timedelta(days=60 + self.wait(1000))
        if change < self.end - timedelta(days=5):
            self.tell(ModalityChanged(happened=_day(change), to=Modality.IN_CENTRE, unit=self.unit, shift=self.shift))
            self._place_line(change, CatheterReason.NEED)
            out = change + timedelta(days=self.between(10, 60))
            if out < self.end:
                self.tell(
                    CatheterRemoved(
                        happened=_day(out), access=access, reason=CatheterReason.NO_LONGER_NEEDED, whole=True
                    ),
                    by="liaison",
                    after=2,
                )
            self._next_access(change + timedelta(days=self.between(20, 60)))

    # --- A second record ------------------------------------------------------------------------------------------

    def _second_record(self, began: date) -> tuple[Patient, ...]:
        """Somebody entered the same person twice; both records are of one access, and are joined later."""
        if self.second is None:
            return ()
        mine = next(
            (one.event for one in self.made if isinstance(one.event, Creation) and one.event.happened.earliest > began),
            None,
        )
        join = (max(mine.happened.latest, self.start) if mine else max(began, self.start)) + timedelta(days=40)
        if join > END:
            return ()
        other = patient_id(self.second)
        theirs = f"{other}-A1"
        self.labels += 1
        if mine is not None:
            self._foreign(
                other,
                AccessKnown(
                    happened=_day(join - timedelta(days=20)),
                    access=theirs,
                    access_kind=mine.access_kind,
                    side=mine.side,
                    site=mine.site,
                    from_report_only=True,
                ),
                join - timedelta(days=20),
            )
        self._foreign(
            other,
            Background(
                happened=_day(join - timedelta(days=20)),
                items=(BackgroundItem(what=BackgroundWhat.HAND_DOMINANCE, side=self.dominant),),
            ),
            join - timedelta(days=20),
        )
        self.tell(PatientsAreOne(happened=_day(join), other=other), by="liaison")
        if mine is not None:
            self.tell(AccessesAreOne(happened=_day(join), survivor=mine.access, other=theirs), by="liaison", after=1)
        return (self._who(other, self.second),)

    def _foreign(self, patient: str, event: Any, day: date) -> None:
        self.labels += 1
        self.others.append(
            Told(
                patient=patient,
                recorded_at=instant_text(self._moment(day)),
                by="liaison",
                event=event,
                source=f"letter-{self.labels}",
                label=f"{patient}-{self.labels}",
            )
        )

    # --- What people do wrong, and put right ----------------------------------------------------------------------

    def _correct(self, one: _Event, true: Any, day: date) -> None:
        self.labels += 1
        self.made.append(
            _Event(
                event=Correction(happened=true.happened, corrects=f"@{one.label}", root=f"@{one.label}", to=true),
                recorded=max(self._moment(day), one.recorded + timedelta(minutes=5)),
                by="practitioner",
                source=f"note-{self.labels}",
                label=f"{self.id}-{self.labels}",
                corrects=one.label,
                order=self.labels,
            )
        )

    def _err(self) -> None:
        """A share of the entries said something untrue at first; a few were made twice and are retracted."""
        already = {one.corrects for one in self.made}
        able = [
            one
            for one in self.made
            if one.corrects is None
            and one.label not in already
            and (one.event.kind in _MAY_BE_LATE or _slip(one.event, self.chance) is not None)
        ]
        share = min(0.8, self.rates.corrections * len(self.made) / max(1, len(able)))
        for one in able:
            day = one.recorded.date() + timedelta(days=self.wait(12))
            if not self.happens(share) or day > END:
                continue
            wrong = _slip(one.event, self.chance)
            if wrong is None or self.happens(0.08):
                self._twice(one, day)
                continue
            true, one.event = one.event, wrong
            if self.happens(0.04):  # put right in two steps
                half = _slip(true, self.chance)
                if half is not None:
                    self._correct(one, half, day)
                    first = self.made[-1]
                    self.labels += 1
                    later = max(self._moment(day + timedelta(days=3)), first.recorded + timedelta(minutes=5))
                    self.made.append(
                        _Event(
                            event=Correction(
                                happened=true.happened, corrects=f"@{first.label}", root=f"@{one.label}", to=true
                            ),
                            recorded=later,
                            by="practitioner",
                            source=f"note-{self.labels}",
                            label=f"{self.id}-{self.labels}",
                            corrects=first.label,
                            order=self.labels,
                        )
                    )
                    continue
            self._correct(one, true, day)

    def _twice(self, one: _Event, day: date) -> None:
        """The same thing entered a second time, and withdrawn."""
        if one.event.kind not in _MAY_BE_LATE:
            return
        self.labels += 1
        label = f"{self.id}-{self.labels}"
        self.made.append(replace(one, label=label, source=f"note-{self.labels}", order=self.labels, odd=True))
        self.labels += 1
        self.made.append(
            _Event(
                event=Retraction(happened=_day(day), retracts=f"@{label}"),
                recorded=max(self._moment(day), one.recorded + timedelta(minutes=5)),
                by=self.nurse,
                source=f"note-{self.labels}",
                label=f"{self.id}-{self.labels}",
                retracts=label,
                order=self.labels,
            )
        )

    def _delay(self) -> None:
        """A share of the entries comes weeks late. Chosen among those on which nothing hangs, to make up the share."""
        able = [one for one in self.made if one.event.kind in _MAY_BE_LATE]
        if not able:
            return
        share = min(0.6, self.rates.late * len(self.made) / len(able))
        for one in able:
            if self.happens(share):
                day = one.recorded.date() + timedelta(days=self.between(15, 120))
                if day <= END:
                    one.recorded = self._moment(day)

    def _open_first(self) -> None:
        """What opens an access is recorded before anything else of it, as whoever records has to."""
        earliest: dict[str, datetime] = {}
        for one in self.made:
            access = access_of(one.event)
            if access is not None and (one.event.kind not in _OPENERS or one.corrects is not None):
                earliest[access] = min(earliest.get(access, one.recorded), one.recorded)
        for one in self.made:
            if one.event.kind in _OPENERS and one.event.access in earliest:
                one.recorded = min(one.recorded, earliest[one.event.access] - timedelta(minutes=1))

    def _written(self) -> tuple[Told, ...]:
        self._delay()
        self._err()
        self._open_first()
        self.made.sort(key=lambda one: (one.recorded, _OPENS_FIRST.get(one.event.kind, 1), one.order))
        told: list[Told] = []
        seen: set[str] = set()
        ordinals: Counter[tuple[str, str, str]] = Counter()
        for one in self.made:
            event = _without_unseen(one.event, seen)
            where = (one.source, event.kind, getattr(event, "access", None) or "")
            ordinals[where] += 1
            told.append(
                Told(
                    patient=self.id,
                    recorded_at=instant_text(one.recorded),
                    by=one.by,
                    event=event,
                    source=one.source,
                    ordinal=ordinals[where],
                    how=one.how,
                    label=one.label,
                    corrects=one.corrects,
                    retracts=one.retracts,
                    odd=one.odd,
                )
            )
            seen.add(one.label)
        return tuple(sorted([*self.others, *told], key=lambda one: one.recorded_at))


# --- Small things -------------------------------------------------------------------------------------------------

_OPENERS = frozenset({"access-planned", "access-known", "creation", "catheter-placed"})
_OPENS_FIRST = {
    "care-began": 0,
    "access-planned": 0,
    "access-known": 0,
    "creation": 0,
    "catheter-placed": 0,
    "patients-are-one": 0,
}


def _day(day: date) -> PartialDate:
    return PartialDate(day.isoformat())


def _month(day: date) -> PartialDate:
    return PartialDate(day.isoformat()[:7])


def _number(value: int, *, comparator: Any = None, how: Any = None) -> Measured:
    return Measured(value=str(value), comparator=comparator, how=how)


def _tenths(value: int) -> Measured:
    return Measured(value=f"{value // 10}.{value % 10}", how="measured")


def _slip(event: Any, chance: Random) -> Any:
    """The event as somebody who was tired would have entered it, still admissible; None where nothing comes to mind."""
    match event:
        case Examination(thrill=Thrill.CONTINUOUS):
            return replace(event, bruit=Bruit.HIGH_PITCHED)
        case Examination():
            return replace(event, fever=None, exit_site_clean=None, collaterals=False)
        case Measurement(flow_ml_min=Measured(value=str() as flow)):
            return replace(event, flow_ml_min=_number(int(flow) + chance.choice((-100, 100, 200)), how="measured"))
        case CannulationSession():
            return replace(event, gauge=16)
        case Creation(material=None):
            return replace(event, made_by=None, inflow=None)
        case Creation():
            return replace(event, arterial_limb=None, calibre_mm=_number(7))
        case CatheterPlaced():
            return replace(event, tip=TipPlace.SUPERIOR_CAVA, length_cm=None)
        case Visit():
            return replace(event, sedation=Sedation.LOCAL, contrast_ml=None)
        case Angioplasty(lesions=(lesion, *rest)):
            return replace(event, lesions=(replace(lesion, residual_percent=_number(5)), *rest))
        case Angiogram(lesions=(lesion, *rest)):
            return replace(event, lesions=(replace(lesion, stenosis_percent=_number(95)), *rest))
        case Referral():
            return replace(event, urgency=Urgency.PLANNED)
        case Appointment(state=AppointmentState.BOOKED):
            return replace(event, centre=None)
        case Culture():
            return replace(event, final=False)
        case Infection():
            return replace(event, organism=None, catheter_fate=None)
        case MaturityAssessed():
            return replace(event, depth_mm=_number(8))
        case Background():
            return replace(event, items=event.items[:1])
        case FirstCannulation():
            return replace(event, gauge=16)
        case AntimicrobialCourse():
            return replace(event, intravenous=None)
        case CatheterTrouble():
            return replace(event, arterial_pressure_mmhg=None)
        case _:
            return None


def _without_unseen(event: Any, seen: set[str]) -> Any:
    """The event without references to entries that are recorded only later: nobody could have named them yet."""
    if isinstance(event, Correction):
        return replace(event, to=_without_unseen(event.to, seen))
    match event:
        case Infection(cultures=cultures) if cultures:
            return replace(event, cultures=tuple(one for one in cultures if one[1:] in seen))
        case Referral(findings=findings) if findings:
            return replace(event, findings=tuple(one for one in findings if one[1:] in seen))
        case Appointment(referral=str() as named) | Visit(referral=str() as named) if named[1:] not in seen:
            return replace(event, referral=None)
        case _:
            return event


def _with_ids(one: Told, id_of: Callable[[str], str], roots: dict[str, str]) -> Any:
    """The event with the ids of the entries that it names by label."""
    event: Any = one.event
    if one.corrects is not None:
        true = _named(event.to, id_of)
        return replace(event, corrects=id_of(one.corrects), root=roots[one.corrects], to=true)
    if one.retracts is not None:
        return replace(event, retracts=id_of(one.retracts))
    return _named(event, id_of)


def _named(event: Any, id_of: Callable[[str], str]) -> Any:
    match event:
        case Infection(cultures=cultures) if cultures:
            return replace(event, cultures=tuple(id_of(label[1:]) for label in cultures))
        case Referral(findings=findings) if findings:
            return replace(event, findings=tuple(id_of(label[1:]) for label in findings))
        case Appointment(referral=str() as named) | Visit(referral=str() as named):
            return replace(event, referral=id_of(named[1:]))
        case _:
            return event
